"""Curves: what is drawn is what is there. Levels follow AES17 (full-scale sine 0 dBFS)."""

import numpy as np
import pytest

from sigbench.report.curves import LEVEL_COLUMNS, level_edges, spectrum_curve

RATE = 48_000


def sine(hertz, amplitude, seconds=4.0):
    return amplitude * np.sin(2 * np.pi * hertz * np.arange(int(RATE * seconds)) / RATE)


@pytest.mark.parametrize("hertz", [50.0, 440.3, 997.0, 12_345.6])
def test_a_tone_stands_at_its_level_and_frequency(hertz):
    curve = spectrum_curve(sine(hertz, 0.1), RATE)
    peak = int(np.argmax(curve.y))
    # A tone between two lines reads at most 0.83 dB low (Harris 1978, 4-term window).
    assert -20.84 <= curve.y[peak] <= -19.99
    assert abs(curve.x[peak] - hertz) <= 1.0


def test_a_short_or_silent_take_gives_no_false_curve():
    assert spectrum_curve(np.zeros(10), RATE) is None
    assert np.all(spectrum_curve(np.zeros(RATE), RATE).y == -180.0)


def test_a_short_dropout_reaches_its_depth_in_a_long_take():
    signal = sine(440.0, 0.5, seconds=30.0)
    start = int(17.003 * RATE)
    signal[start : start + int(0.015 * RATE)] *= 1e-3
    low, high = level_edges(signal, RATE)
    assert len(low.x) == LEVEL_COLUMNS
    assert low.y.min() == pytest.approx(-6.02 - 60, abs=1.0)  # part of a cycle: within 1 dB
    assert low.x[np.argmin(low.y)] == pytest.approx(17.0, abs=0.1)
    assert high.y == pytest.approx(-6.02, abs=0.5)


@pytest.mark.parametrize("frames", [1, 5, 100, 4801])
def test_any_length_gives_edges(frames):
    low, high = level_edges(np.full(frames, 0.5), RATE)
    assert len(low.x) >= 2
    assert low.y == pytest.approx(-3.01, abs=0.01)  # RMS 0.5 against a full-scale sine's 0.707
    assert np.all(low.y <= high.y)
