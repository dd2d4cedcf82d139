"""Response and corners against closed forms: first-order RC sections and Butterworth sections."""

import numpy as np
import pytest
from scipy import signal as dsp

from sigbench.errors import SignalError
from sigbench.measure.estimate import Estimate
from sigbench.measure.response import (
    PEAK_DBFS,
    SECONDS,
    Response,
    high_corner,
    low_corner,
    multitone,
    response,
    tones_for,
)

RATES = (44_100, 48_000, 96_000)


def high_pass(x, rate, corner_hz):
    """One RC section, by the exact step response of its differential equation (textbook)."""
    numerator, denominator = dsp.bilinear([1, 0], [1, 2 * np.pi * corner_hz], rate)
    return dsp.lfilter(numerator, denominator, x)


def measured(rate, bend, *, ratio=1.0, noise_dbfs=-110.0) -> Response:
    tones = tones_for(rate)
    played = multitone(rate, [f * ratio for f in tones], seconds=SECONDS + 1)
    rng = np.random.default_rng(5)
    heard = bend(played) + 10 ** (noise_dbfs / 20) * rng.standard_normal(len(played))
    return response(heard[rate:], rate, tones, clock_ratio=ratio)


@pytest.mark.parametrize("rate", RATES)
def test_a_straight_wire_is_flat_at_all_rates(rate):
    found = measured(rate, lambda x: x)
    assert max(abs(level.value) for level in found.levels) < 0.002
    assert found.high_corner is None
    assert found.low_corner.upper_bound
    assert found.low_corner.value < 0.5


@pytest.mark.parametrize("corner_hz", [0.723, 1.5, 4.0, 15.0, 60.0, 159.2])
def test_the_corner_of_an_rc_section(corner_hz):
    # 0.723 Hz: 22 uF into 10 kilohm, 159.2 Hz: 0.1 uF into 10 kilohm: 1/(2 pi R C), textbook.
    found = measured(48_000, lambda x: high_pass(x, 48_000, corner_hz))
    # 3 dB below 1 kHz, where such a section has begun to fall itself.
    true = corner_hz / np.sqrt(1 + 2 * (corner_hz / 1000) ** 2)
    assert found.low_corner.value == pytest.approx(true, rel=0.01)
    assert abs(found.low_corner.value - true) < 2 * found.low_corner.uncertainty


def test_two_equal_sections_lie_within_the_uncertainty():
    # Their common -3 dB point is at 1.554 times the corner of each: sqrt(2)-1 = (f/fc)^-2 … closed
    # form 1/sqrt(sqrt(2) - 1).
    found = measured(48_000, lambda x: high_pass(high_pass(x, 48_000, 1.0), 48_000, 1.0))
    true = 1 / np.sqrt(np.sqrt(2) - 1)
    assert abs(found.low_corner.value - true) < 2 * found.low_corner.uncertainty


def test_the_response_of_an_rc_section_is_its_closed_form():
    found = measured(96_000, lambda x: high_pass(x, 96_000, 20.0))
    f = np.array(found.frequencies)
    closed = -10 * np.log10(1 + (20 / f) ** 2) + 10 * np.log10(1 + (20 / 1000) ** 2)
    low = f < 5000  # above, the bilinear transform bends the frequency axis
    got = np.array([level.value for level in found.levels])
    assert np.max(np.abs(got - closed)[low]) < 0.005


def test_the_upper_corner_of_a_butterworth_section():
    sections = dsp.butter(2, 12_000, fs=48_000, output="sos")
    found = measured(48_000, lambda x: dsp.sosfilt(sections, x))
    assert found.high_corner is not None
    assert found.high_corner.value == pytest.approx(12_000, rel=0.01)


def test_another_clock_is_allowed_for():
    found = measured(48_000, lambda x: x, ratio=1 + 80e-6)
    assert max(abs(level.value) for level in found.levels) < 0.005


def test_the_uncertainty_covers_the_scatter_in_noise():
    errors = []
    for seed in range(4):
        tones = tones_for(48_000)
        played = multitone(48_000, tones, seconds=SECONDS)
        rng = np.random.default_rng(seed)
        found = response(played + 1e-3 * rng.standard_normal(len(played)), 48_000, tones)
        errors += [level.value / level.uncertainty for level in found.levels if level.value != 0]
    assert 0.5 < np.std(errors) < 1.3


def test_the_tones_peak_where_they_should_and_are_quiet_in_peaks():
    tones = tones_for(48_000)
    signal = multitone(48_000, tones, seconds=4)
    assert 20 * np.log10(np.max(np.abs(signal))) == pytest.approx(PEAK_DBFS)
    crest = np.max(np.abs(signal)) / np.sqrt(np.mean(signal**2))
    assert 20 * np.log10(crest) < 14  # a sum in phase has 10 log10(2 x 37) = 18.7 dB


def test_nothing_that_comes_back_is_said():
    with pytest.raises(SignalError, match="do not come back"):
        response(np.zeros(6 * 48_000), 48_000, tones_for(48_000))


def test_a_short_take_is_refused():
    with pytest.raises(SignalError, match="too short"):
        response(np.ones(48_000), 48_000, tones_for(48_000))


def test_corners_from_levels_alone():
    f = [10.0, 100.0, 1000.0, 10_000.0]
    flat = [Estimate(v, 0.01) for v in (-10.0, -1.0, 0.0, -20.0)]
    assert 10 < low_corner(f, flat).value < 100
    high = high_corner(f, flat)
    assert high is not None
    assert 1000 < high.value < 10_000
