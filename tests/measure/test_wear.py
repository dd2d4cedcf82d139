"""Worn and dead places of a turned control, against pots made of resistances and uneven hands."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter1d
from scipy.stats import binom

from sigbench.measure.taper import AUDIO, LINEAR, Taper
from sigbench.measure.wear import _so_many
from tests.measure.pots import RATE, Gang, audio, chorused, hand, linear, record, saw, sine
from tests.measure.turning import position, turned


def test_worn_places_of_both_gangs_are_found_within_three_percent_of_travel():
    errors = []
    for seed in range(4):
        rng = np.random.default_rng(seed)
        law, taper = ((linear, LINEAR), (audio(0.15), AUDIO))[seed % 2]
        x = hand(13, rng, sweeps=3)
        places = ((0.40, 0.48), (0.70, 0.74))
        gangs = tuple(Gang(law, worn=((*place, 0.5),)) for place in places)
        sound = (sine, saw)[seed // 2 % 2](len(x))
        found = turned(record(x, gangs, sound, rng, snr_db=50, clicks=3), taper)
        for gang, (start, end) in zip(found.gangs, places, strict=True):
            assert gang.worn is not None
            assert len(gang.worn) == 1, (seed, gang.worn)
            errors += [gang.worn[0].start - 100 * start, gang.worn[0].end - 100 * end]
            assert gang.worn[0].chance < 0.01
    assert np.max(np.abs(errors)) <= 3.0


def test_a_clean_pot_gives_no_worn_and_no_dead_place():
    """More of them are in the benchmark; these few are cut from the same cloth."""
    for seed in range(6):
        rng = np.random.default_rng(100 + seed)
        law, taper = ((linear, LINEAR), (audio(0.1), Taper("audio", 0.1)))[seed % 2]
        sweeps = 3 + seed % 2
        x = hand(4.5 * sweeps, rng, sweeps=sweeps)
        sound = (sine, chorused)[seed // 2 % 2](len(x))
        found = turned(record(x, (Gang(law),), sound, rng, snr_db=35 + 5 * (seed % 6)), taper)
        assert found.spots == ()
        assert found.gangs[0].worn == ()
        assert found.gangs[0].dead == ()


def test_random_clicks_are_told_from_a_worn_place():
    rng = np.random.default_rng(8)
    x = hand(20, rng, sweeps=6)
    gang = Gang(worn=((0.62, 0.66, 0.6),))
    found = turned(record(x, (gang,), sine(len(x)), rng, clicks=12), LINEAR)
    (worn,) = found.gangs[0].worn or ()
    assert worn.start == pytest.approx(62, abs=3)
    assert worn.end == pytest.approx(66, abs=3)
    assert found.gangs[0].wear.share[[20, 180]] == pytest.approx(0, abs=0.4)


def test_a_track_that_is_dirty_all_along_is_told_as_a_whole():
    rng = np.random.default_rng(8)
    x = hand(18, rng, sweeps=5)
    for place, whole in (((0.0, 1.0, 0.15), True), ((0.4, 0.6, 0.15), False)):
        gang = Gang(load_ohms=1e6, worn=(place,))
        found = turned(record(x, (gang,), sine(len(x)), rng), LINEAR).gangs[0]
        assert found.worn
        assert ("the whole track" in (found.why or "")) == whole


@pytest.mark.parametrize("up", [True, False])
def test_contact_that_is_lost_in_one_direction_alone_is_told_with_it(up):
    rng = np.random.default_rng(31)
    x = hand(24.0, rng, sweeps=6, backs=0)
    # A wiper that is lifted when it is pushed, for 8 ms or more at a time
    ahead = np.roll(x, -RATE // 20) - np.roll(x, RATE // 20)
    away = (x > 0.40) & (x < 0.46) & ((ahead if up else -ahead) > 1e-4)
    grain = np.repeat(rng.random(len(x) // 384 + 1) < 0.6, 384)[: len(x)]
    samples = record(x, (Gang(load_ohms=1e6),), sine(len(x)), rng)
    samples[away & grain] *= 0.1
    found = turned(samples, LINEAR)
    assert len(found.passes) == 6
    (worn,) = found.gangs[0].worn or ()
    assert (worn.start, worn.end) == pytest.approx((40, 46), abs=3)
    assert worn.way == ("up" if up else "down")
    assert (worn.passes, worn.crossings) == (3, 3)


def test_a_pause_on_a_worn_place_hides_it_seldom():
    """One of three passes rests on it for a second and a half, and it clicks twice at random."""
    seconds = [0, 0.5, 2.5, 4.0, 6.0, 6.5, 10.5, 11.0, 15.0, 15.5]
    places = [0, 0, 0.42, 0.42, 1, 1, 0, 0, 1, 1]
    x = np.interp(np.arange(round(15.5 * RATE)) / RATE, seconds, places)
    x = gaussian_filter1d(x, 0.02 * RATE)
    gang = Gang(load_ohms=1e6, worn=((0.40, 0.46, 0.5),))
    whole = 0
    for seed in range(8):
        rng = np.random.default_rng(seed)
        found = turned(record(x, (gang,), sine(len(x)), rng, clicks=2), LINEAR).gangs[0]
        ends = [(worn.start, worn.end) for worn in found.worn or ()]
        assert all(37 < start < end < 49 for start, end in ends)
        whole += len(ends) == 1 and ends[0] == pytest.approx((40, 46), abs=3)
    assert whole >= 5


def test_with_two_passes_nothing_is_said_of_worn_places():
    rng = np.random.default_rng(12)
    x = hand(8, rng, sweeps=2)
    gang = turned(record(x, (Gang(worn=((0.4, 0.5, 0.5),)),), sine(len(x)), rng), LINEAR).gangs[0]
    assert gang.worn is None
    assert "at least 3 times" in (gang.why or "")


@settings(max_examples=30)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=6), st.floats(0.01, 0.99))
def test_chances_of_unlike_passes_add_up(unlike, alike):
    """Against every outcome counted one by one, and the binomial distribution of a library."""
    count = len(unlike)
    wanted = np.arange(count + 1)
    table = np.repeat(np.array(unlike)[:, np.newaxis], count + 1, axis=1)
    chances = [0.0] * (count + 1)
    for outcome in product((0, 1), repeat=count):
        chances[sum(outcome)] += np.prod(
            [p if hit else 1 - p for hit, p in zip(outcome, unlike, strict=True)]
        )
    assert _so_many(table, wanted) == pytest.approx(np.cumsum(chances[::-1])[::-1], abs=1e-12)
    same = _so_many(np.full((count, count + 1), alike), wanted)
    assert same == pytest.approx(binom.sf(wanted - 1, count, alike), abs=1e-12)


def test_a_break_in_the_track_is_a_dead_stretch():
    def broken(x):
        return np.where(x < 0.55, x / 0.55 * 0.40, 0.60 + (x - 0.55) / 0.45 * 0.40)

    rng = np.random.default_rng(5)
    x = hand(14, rng, sweeps=4)
    found = turned(record(x, (Gang(broken),), saw(len(x)), rng), LINEAR)
    (dead,) = found.gangs[0].dead or ()
    assert (dead.start, dead.end) == pytest.approx((40, 60), abs=3)
    assert (dead.passes, dead.crossings) == (4, 4)


def test_lost_contact_is_bridged_and_timed():
    rng = np.random.default_rng(5)
    x = hand(14, rng, sweeps=4)
    samples = record(x, (Gang(),), sine(len(x)), rng)
    start = round(4.0 * RATE)
    samples[start : start + round(0.3 * RATE)] *= 1e-4
    found = turned(samples, LINEAR)
    (lost,) = [s for s in found.spots if s.lost is not None and s.lost[1] - s.lost[0] > 0.1]
    assert lost.lost == pytest.approx((4.0, 4.3), abs=0.01)
    assert abs(found.travel - position(found, x))[780:880].max() < 6
    assert found.gangs[0].worn == ()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_rest_at_a_worn_lower_end_is_no_lost_contact(seed):
    rng = np.random.default_rng(seed)
    x = hand(14, rng, sweeps=4, pauses=0, backs=0)
    gang = Gang(load_ohms=1e6, contact_ohms=5e6, worn=((0.0, 0.07, 0.6),))
    found = turned(record(x, (gang,), sine(len(x)), rng), LINEAR)
    assert found.spots
    # The hand rests there for 0.3 s at least; a bad spot lasts for some ms.
    assert max(b - a for a, b in (s.lost for s in found.spots if s.lost)) < 0.05
    resting = position(found, x) < 0.01
    assert resting.sum() > 100
    assert np.nanmax(found.travel[resting]) < 1.0
    (worn,) = found.gangs[0].worn or ()
    assert (worn.start, worn.end) == pytest.approx((0, 7), abs=1)


@pytest.mark.parametrize("percent", [10, 20, 60])
def test_contact_that_is_lost_low_on_the_travel_is_no_rest_at_the_end(percent):
    rng = np.random.default_rng(5)
    x = hand(14, rng, sweeps=4, pauses=0, backs=0)
    samples = record(x, (Gang(),), sine(len(x)), rng)
    start = int(np.argmax(x > percent / 100))
    samples[start : start + round(0.3 * RATE)] *= 1e-4
    found = turned(samples, LINEAR)
    (lost,) = [s.lost for s in found.spots if s.lost is not None]
    assert lost == pytest.approx((start / RATE, start / RATE + 0.3), abs=0.01)
