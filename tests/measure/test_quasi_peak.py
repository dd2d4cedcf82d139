from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sigbench.measure.quasi_peak import QuasiPeakMeter, peak_detector
from sigbench.measure.weighting import bs468_weighting, weight

RATE = 192_000

# ITU-R BS.468-4, Annex 1: reading of 5 kHz bursts in percent of the steady tone, lower and upper
# limit (from memory, to be confirmed against the Recommendation).
SINGLE_BURSTS_MS = {
    1: (13.5, 21.4),
    2: (22.4, 31.6),
    5: (34, 46),
    10: (41, 55),
    20: (44, 60),
    50: (50, 68),
    100: (58, 78),
    200: (68, 92),
}
REPEATED_BURSTS_PER_SECOND = {2: (43, 53), 10: (72, 82), 100: (94, 100)}  # of 5 ms each


def tone(seconds):
    return np.sin(2 * np.pi * 5000 * np.arange(round(seconds * RATE)) / RATE)


def highest(signal):
    return QuasiPeakMeter(RATE).feed(weight(signal, RATE, bs468_weighting)).max()


@pytest.fixture(scope="module")
def steady():
    return highest(tone(2))


def plain_loop(rectified, charge, discharge, held=0.0):
    course = []
    for x in rectified:
        held += charge * max(x - held, 0) - discharge * held
        course.append(held)
    return np.array(course)


@pytest.mark.parametrize(("milliseconds", "limits"), SINGLE_BURSTS_MS.items())
def test_single_burst_reads_within_the_limits(milliseconds, limits, steady):
    burst = np.concatenate([np.zeros(2000), tone(milliseconds / 1000), np.zeros(RATE // 2)])
    low, high = limits
    reading = 100 * highest(burst) / steady
    # Near the middle, too: not further than half way to a limit.
    middle, half = (low + high) / 2, (high - low) / 2
    assert abs(reading - middle) < half / 2


@pytest.mark.parametrize(("per_second", "limits"), REPEATED_BURSTS_PER_SECOND.items())
def test_repeated_bursts_read_within_the_limits(per_second, limits, steady):
    period = np.zeros(RATE // per_second)
    period[: RATE // 200] = tone(0.005)
    low, high = limits
    middle, half = (low + high) / 2, (high - low) / 2
    assert abs(100 * highest(np.tile(period, 3 * per_second)) / steady - middle) < half / 2


@settings(max_examples=40)
@given(
    seed=st.integers(0, 1000),
    frames=st.integers(1, 3000),
    charge=st.floats(1e-4, 0.5),
    part=st.floats(1e-3, 0.9),
    held=st.floats(0, 2),
    sparse=st.booleans(),
)
def test_segments_side_by_side_equal_the_plain_loop(seed, frames, charge, part, held, sparse):
    rng = np.random.default_rng(seed)
    rectified = np.abs(rng.standard_normal(frames))
    if sparse:
        rectified *= rng.random(frames) < 0.01
    expected = plain_loop(rectified, charge, charge * part, held)
    course = peak_detector(rectified, charge, charge * part, held)
    # 0.01 dB was asked; it is the same course up to rounding.
    assert course == pytest.approx(expected, rel=1e-6, abs=1e-8 * max(held, rectified.max()))


def test_blocks_give_the_same_indication_as_the_whole():
    noise = np.random.default_rng(3).standard_normal(30_000)
    whole = QuasiPeakMeter(RATE).feed(noise)
    meter = QuasiPeakMeter(RATE)
    cuts = (0, 1, 777, 20_000, 20_000, 30_000)
    blocks = [meter.feed(noise[a:b]) for a, b in pairwise(cuts)]
    assert np.concatenate(blocks) == pytest.approx(whole, rel=1e-7)


def test_silence_shows_nothing():
    assert QuasiPeakMeter(RATE).feed(np.zeros(1000)).max() == 0
