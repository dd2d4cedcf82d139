"""Silence: what is dead where others play."""

from dataclasses import replace

import pytest

from sigbench.causes.gather import gather
from sigbench.causes.ranking import rank
from sigbench.causes.records import BY_KEY
from tests.causes.observed import alone, clue, humming, sides, stereo


def test_what_is_no_note_is_no_dead_output():
    """Speech, or the wrong file: loud, but without a note."""
    seen = stereo(*(("level_rms", -20.0, "dBFS", channel, 0.1) for channel in (1, 2)))
    assert clue(seen, "dead output").holds is None
    silent = stereo(*(("level_rms", -90.0, "dBFS", channel, 0.1) for channel in (1, 2)))
    assert clue(silent, "dead output").holds > 0.99


@pytest.mark.parametrize(
    ("left", "ripple", "said"),
    [(-80.0, True, "40 dB"), (-118.0, False, "2 dB"), (-120.0, False, "0 dB")],
)
def test_what_is_left_of_a_dead_channel_tells_of_its_amplifier(left, ripple, said):
    """At a rail an amplifier passes the ripple of it; a joint that is open passes nothing."""
    phones = replace(sides(440.0, (-10.0, -10.0)), output="phones")
    dead = [
        sides(440.0, (-80.0, -10.0)),
        sides(440.0, (-90.0, -40.0)),
        humming((-118.0, -118.0), (left, -120.0)),
        phones,
    ]
    found = clue(dead, "ripple left")
    assert found.seen == f"{said} at twice the mains frequency on main 1"
    assert found.holds > 0.9 if ripple else found.holds is None  # a good regulator leaves none
    named = rank(gather(dead)).named
    assert (named[0].name == BY_KEY["stuck"].name) == ripple


def test_where_both_channels_play_no_ripple_is_left_over():
    plays = [sides(440.0, (-10.0, -11.0)), humming((-118.0, -118.0), (-80.0, -120.0))]
    assert clue(plays, "ripple left").holds is None


@pytest.mark.parametrize("plays", [True, False])
def test_a_dead_output_with_one_channel_has_lost_that_one(plays):
    """Its amplifier, its mute, its joint; where nothing plays at all, it may be any of the unit."""
    note = replace(sides(440.0, (-10.0, -10.0)), output="phones")
    silent = alone(sides(440.0, (-90.0, -90.0)), 1, "main")
    kept = tuple(r for r in silent.measurement.readings if r.name == "level_rms")
    dead = replace(silent, measurement=replace(silent.measurement, readings=kept))
    seen = [dead, note] if plays else [dead]
    assert (clue(seen, "dead channel").holds is not None) == plays
    assert (clue(seen, "dead output").holds > 0.9) != plays
