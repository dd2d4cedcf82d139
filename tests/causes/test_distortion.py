"""Distortion: what is no sound's own."""

from dataclasses import replace

import numpy as np
import pytest

from sigbench.causes.clues import Clue
from sigbench.causes.gather import gather
from sigbench.causes.ranking import rank
from sigbench.causes.records import BY_KEY
from tests.causes.observed import SAW, clue, note, sampled, sides, wave


def test_a_rich_sound_is_no_distortion():
    """A sawtooth has 80 % of harmonics (Fourier series), loud and quiet, left and right."""
    rich = [note(-10.0, thd=-1.9), note(-40.0, thd=-1.9)]
    found = clue(rich, "distortion")
    assert found.holds is None
    assert found.seen == "the sound has 80 % of harmonics by itself: play a plainer one"
    # Held against another output, harmonic by harmonic, it is told.
    waves = [wave(-10.0, SAW), wave(-40.0, SAW)]
    alike = [*waves, *(replace(o, output="phones") for o in waves)]
    assert clue(alike, "distortion").holds < 0.1
    other = tuple(level + (1.0, -1.0, 0.5)[k % 3] for k, level in enumerate(SAW))
    again = tuple(level + (-1.0, 0.5, 1.0)[k % 3] for k, level in enumerate(SAW))
    unsure = [
        wave(level, harmonics, output="phones", doubt=2.0)
        for level, harmonics in ((-10.0, other), (-40.0, again))
    ]
    assert clue([*waves, *unsure], "distortion").holds is None
    # A sound that moves while it lasts, and comes out alike each time, tells.
    moving = [wave(level, SAW, doubt=2.0) for level in (-10.0, -40.0)]
    moving += [wave(level, other, output="phones", doubt=2.0) for level in (-10.0, -40.0)]
    assert clue(moving, "distortion").holds > 0.9
    clipped = [note(-10.0, thd=-20.0), note(-40.0, thd=-60.0)]
    assert clue(clipped, "distortion").holds > 0.9
    assert clue(clipped, "worse when quiet").holds < 0.1


def test_more_than_a_whole_is_written_out():
    """Harmonics may be stronger than the fundamental, as a flute's: 0.2 dB are 102 %."""
    loud = sides(440.0, (-10.0, -10.0), thd=(0.2, -40.0))
    found = clue([loud], "distortion in one channel")
    assert found.seen == "102 % and 1 % on main 1 and 2"


def test_a_channel_that_distorts_far_more_is_the_one():
    """Both are over the threshold, but 13 % beside 1 % is not alike."""
    loud = sides(440.0, (-10.0, -10.0), thd=(-40.0, -17.7))
    quiet = sides(440.0, (-34.0, -34.0), thd=(-64.0, -44.7))
    found = clue([loud, quiet], "distortion in one channel")
    assert found.holds > 0.9
    assert found.seen == "13 % and 1 % on main 2 and 1"
    assert clue([loud, quiet], "distortion").seen == "13 % on main 2"
    alike = sides(440.0, (-10.0, -10.0), thd=(-19.0, -17.7))
    clean = sides(440.0, (-34.0, -34.0), thd=(-64.0, -62.0))
    assert clue([alike, clean], "distortion in one channel").holds < 0.1


def test_a_channel_that_distorts_when_quiet_is_the_one():
    """Loud they are alike; quiet the gap at zero takes most of one."""
    loud = sides(440.0, (-10.0, -10.0), thd=(-39.6, -35.7))
    quiet = sides(440.0, (-34.0, -34.0), thd=(-63.8, -38.9))
    found = clue([loud, quiet], "distortion in one channel")
    assert found.holds > 0.9
    assert found.seen.endswith("on main 2 and 1")
    assert clue([loud, quiet], "distortion").seen == "1.6 % on main 2"


def test_one_output_alone_whose_notes_tell_of_nothing():
    """No harmonic is stronger than elsewhere, loud or quiet, and no wave is compared."""
    quiet = [note(-10.0, thd=-200.0), note(-40.0, thd=-200.0)]
    assert clue(quiet, "distortion").holds < 0.1
    assert clue(quiet, "worse when quiet").holds is None


@pytest.mark.parametrize(
    ("thd", "seen"), [((-16.0, -67.0), True), ((-16.0, -17.0), False), ((-66.0, -67.0), False)]
)
def test_iron_that_saturates_distorts_low_notes_on_its_channel_alone(thd, seen):
    """Its flux is the integral of the voltage: a low note has more of it, at one level (textbook).

    A sound that is richer at the lower end of the keyboard is so on both channels.
    """
    notes = [sides(440.0, (-10.0, -10.0)), sides(80.0, (-10.4, -10.0), thd=thd)]
    assert ((clue(notes, "worse when low").holds or 0.0) > 0.5) == seen
    ranking = rank([*gather(notes), Clue("hum 1x", 0.001)])
    assert ranking.nothing_wrong != seen
    if seen:
        assert ranking.none_of_these > 0.5


def _played(loud, quiet):
    """Both notes on both channels of two outputs, which one stage feeds."""
    takes = [sampled(loud, loud, -10.0), sampled(quiet, quiet, -40.0)]
    return [*takes, *(replace(o, output="phones") for o in takes)]


def test_a_stage_that_waits_at_zero_is_no_voice_though_all_outputs_share_it():
    """A dead zone takes most of a soft wave, at its zeros; what is driven too hard loses its ends.

    Both computed here: no part of the analyser makes them.
    """
    sine = np.cos(2 * np.pi * np.arange(1024) / 1024)

    def dead(height):
        return np.sign(sine) * np.maximum(np.abs(sine) * height - 0.01, 0)

    gap = _played(dead(3.0), dead(0.1))
    assert clue(gap, "flat at zero").holds > 0.9
    assert rank(gather(gap)).named[0].name == BY_KEY["crossover"].name
    driven = _played(np.tanh(1.5 * sine), sine + 1e-5 * np.cos(np.arccos(sine) * 3))
    assert clue(driven, "flat at zero").holds < 0.1
    assert rank(gather(driven)).named[0].name == BY_KEY["voice"].name
    # The square wave's jumps are at zero as well, but it does not wait there.
    square = _played(np.clip(20 * sine, -1, 1), sine + 1e-5 * np.cos(np.arccos(sine) * 3))
    assert clue(square, "flat at zero").holds < 0.1
