"""Clicks that keep time, as a sample loop's, against those of a hand, which does not."""

import numpy as np
import pytest

from sigbench.measure.crackle import CrackleDetector
from sigbench.measure.rhythm import Beat, RegularClicks, Rhythm, without_regular
from sigbench.model import Event

RATE = 48_000


def beats(times, heights=None, seed=0):
    """Spikes with a decay, a little noise about them, at times in seconds."""
    rng = np.random.default_rng(seed)
    heights = np.ones(len(times)) if heights is None else heights
    for time, height in zip(times, heights, strict=True):
        frame = round(time * RATE)
        shape = np.zeros(48)
        shape[16:24] = 0.5 ** np.arange(8)
        shape = height * shape + 0.05 * rng.standard_normal(48)
        yield Beat(frame, frame + 48, 1, height**2, shape * np.abs(shape), frame)


def regular(times, **others):
    rhythm = Rhythm(RATE)
    for beat in beats(times, **others):
        rhythm.add(beat)
    return rhythm.regular(1)


@pytest.mark.parametrize("interval", [0.5, 1.449, 7.08])
def test_equal_intervals_are_regular(interval):
    times = 0.4 + interval * np.arange(5)
    (clicks,) = regular(times)
    assert clicks.interval == pytest.approx(interval, abs=2e-5)  # a sample
    assert clicks.starts == pytest.approx(times, abs=1e-5)
    assert (clicks.channel, clicks.transients) == (1, 5)


def test_three_are_enough_where_they_are_far_between():
    assert not regular([1.0, 2.449])
    (clicks,) = regular([1.0, 2.449, 3.898])
    assert len(clicks.starts) == 3


def test_some_may_be_missing_and_others_between():
    times = [0.4 + 1.449 * k for k in range(12) if k not in (2, 5, 6)]
    others = [1.0, 3.3, 5.1, 9.75]
    heights = [1.0 if time in times else 4.0 for time in sorted(times + others)]
    (clicks,) = regular(sorted(times + others), heights=heights)
    assert clicks.starts == pytest.approx(times, abs=1e-5)


def test_a_vibrato_shifts_the_loops_by_half_a_millisecond():
    times = 1.449 * np.arange(12) + 5e-4 * np.sin(1.7 * np.arange(12))
    (clicks,) = regular(times)
    assert len(clicks.starts) == 12


def test_two_loops_of_a_chord_keep_their_own_time():
    times = sorted([*(0.5 + 1.256 * np.arange(10)), *(0.7 + 0.997 * np.arange(12))])
    found = regular(times)
    assert sorted(round(clicks.interval, 3) for clicks in found) == [0.997, 1.256]
    assert sum(len(clicks.starts) for clicks in found) >= 20


def test_a_hand_does_not_keep_time():
    """However alike the clicks are: 3 % and more of its interval, as a good drummer's is not."""
    rng = np.random.default_rng(5)
    told = 0
    for _ in range(10):
        for interval in (0.3, 1.0):
            for jitter in (0.03, 0.05, 0.1):
                times = np.cumsum(interval * (1 + jitter * rng.standard_normal(30)))
                told += sum(len(clicks.starts) for clicks in regular(times))
    assert told <= 0.005 * 10 * 6 * 30  # chance; the sequence is seeded


def test_clicks_at_random_moments_are_not_regular():
    rng = np.random.default_rng(6)
    assert not any(regular(np.sort(rng.uniform(0, 30, 60))) for _ in range(10))


def test_clicks_unlike_in_size_are_not_regular_though_they_keep_time():
    heights = [1.0, -1.0, 3.0, -3.0, 9.0, -9.0, 27.0, -27.0]
    assert not regular(0.5 + np.arange(8), heights=heights)


def test_only_what_keeps_time_is_taken_out():
    own = RegularClicks(2, 1.0, (1.0, 2.0, 3.0), 3, 1.0)
    both = Event("click", 0.999, 1.002, (1, 2), 3.0)
    alone, crackle = Event("click", 2.0, 2.001, (2,)), Event("crackle", 2.4, 2.6, (2,))
    dropout = Event("dropout", 2.9, 3.1, (2,))
    kept = without_regular([both, alone, crackle, dropout], [own])
    assert kept == [Event("click", 0.999, 1.002, (1,), 3.0), crackle, dropout]
    assert without_regular([alone], []) == [alone]


def test_they_are_known_while_they_come_and_not_counted():
    t = np.arange(8 * RATE) / RATE
    sound = 0.3 * np.sin(2 * np.pi * 440 * t) + 1e-4 * np.random.default_rng(8).standard_normal(
        len(t)
    )
    for start in (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0):  # a loop
        sound[round(start * RATE) :][:3] += 0.2
    for start in (1.37, 4.61):  # a contact
        sound[round(start * RATE) :][:40] = 0.0
    detector = CrackleDetector(RATE, 1)
    events = []
    for block in np.split(sound[:, np.newaxis], 80):
        events += detector.feed(block)
        if len(detector.regular):
            break
    assert events[-1].start == pytest.approx(4.0, abs=0.001)  # the fourth
    whole = CrackleDetector(RATE, 1)
    events = whole.feed(sound[:, np.newaxis]) + whole.finish()
    assert len(events) == 9
    kept = without_regular(events, whole.regular)
    assert [round(event.start, 2) for event in kept] == [1.37, 4.61]
    assert whole.counts[0] == 2  # each break is one, as it is over within a millisecond
