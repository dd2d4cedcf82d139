"""Whether a note has one wave at every output, loud and quiet, left and right."""

from dataclasses import replace

import numpy as np
import pytest

from sigbench.causes.gather import gather
from sigbench.causes.ranking import rank
from sigbench.causes.records import BY_KEY
from tests.causes.observed import (
    SAW,
    clue,
    held,
    period_of,
    wave,
)

CUT = tuple(level + (3.0, -14.0, 2.0)[k % 3] for k, level in enumerate(SAW))


def test_a_rich_sound_that_is_cut_at_one_output_has_another_wave_there():
    """Harmonics in sum are alike, to within a dB, and no single one is."""
    good = [wave(-10.0, SAW, output="phones"), wave(-40.0, SAW, output="phones")]
    both = [wave(-10.0, CUT, lean=6.0), wave(-40.0, CUT, lean=6.0), *good]
    found = {c.name: c for c in gather(both)}
    assert found["distortion"].holds > 0.99
    assert found["distortion"].seen == "39 % of the note on main 1 is not in it elsewhere"
    assert found["one-sided"].holds > 0.9
    assert found["half missing"].holds > 0.8
    for name in ("distortion in one channel", "distortion on every output", "distortion alike"):
        assert found[name].holds < 0.1
    one = [wave(-10.0, SAW, CUT), wave(-40.0, SAW, CUT), *good]
    assert clue(one, "distortion in one channel").holds > 0.9
    # Loud notes alone are cut: the output at which they differ from quiet ones is the one.
    loud = [wave(-10.0, CUT, output="phones"), *(replace(o, output="main") for o in good), good[1]]
    assert "on phones 1" in clue(loud, "distortion").seen
    assert clue(loud, "worse when quiet").holds < 0.1
    # And quiet ones alone, as by a stage that has lost its bias.
    quiet = [wave(-40.0, CUT, output="phones"), good[0], *(replace(o, output="main") for o in good)]
    assert "on phones 1" in clue(quiet, "distortion").seen
    assert clue(quiet, "worse when quiet").holds > 0.9


def test_a_sound_that_comes_out_otherwise_each_time_accuses_no_output():
    """Two oscillators that beat slowly: loud and quiet differ as much as the outputs do."""
    once, again = wave(-10.0, SAW), wave(-40.0, CUT)
    seen = [once, again, wave(-10.0, CUT, output="phones"), wave(-40.0, SAW, output="phones")]
    assert clue(seen, "distortion").holds is None


@pytest.mark.parametrize("seed", range(8))
def test_a_sound_that_is_another_one_left_and_right_is_sound(seed):
    """As a sampled piano: each side has a wave and a level of its own, at every output."""
    rng = np.random.default_rng(seed)
    left, right = period_of(rng), 0.6 * period_of(rng)
    alike = held(left, right) + held(left, right, output="phones")
    ranking = rank(gather(alike))
    assert ranking.nothing_wrong
    assert (clue(alike, "distortion").holds or 0.0) < 0.5
    # Of one output alone nobody can tell whether the right side has to be as weak.
    alone = clue(held(left, right), "weak channel")
    assert alone.holds is None
    assert alone.seen.endswith("as the sound itself may be")


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("seed", range(8))
def test_a_sampled_sound_that_has_lost_one_half_is_accused_of_no_resistance(seed, sign):
    """Each side loses as much as its wave has there: the balance tells of no divider."""
    rng = np.random.default_rng(seed)
    sides = period_of(rng), 0.6 * period_of(rng)
    halves = [sign * np.maximum(sign * side, 0) for side in sides]
    seen = held(*halves) + held(*sides, output="phones")
    distorted = clue(seen, "distortion")
    assert distorted.holds > 0.9
    assert "on main" in distorted.seen
    assert clue(seen, "weak channel").holds is None
    named = [cause.name for cause in rank(gather(seen)).named]
    wrong = ("series resistance", "jack", "pot", "coupling lost", "crossover")
    assert not {BY_KEY[key].name for key in wrong} & set(named)
