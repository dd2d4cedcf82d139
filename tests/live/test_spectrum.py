"""The moving spectrum: what a sine of a known level must read, whatever the blocks."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sigbench.live.spectrum import MovingSpectrum

RATE = 48_000
SCALLOPING_DB = 1.43  # largest error of a Hann window between two lines (Harris 1978, table 1)


def spectrum_of(samples: np.ndarray, columns: int = 300, rate: int = RATE):
    moving = MovingSpectrum(rate, samples.shape[1])
    moving.feed(samples)
    return moving.of(moving.recent(), columns)


def sine(frequency_hz: float, dbfs: float, rate: int = RATE) -> np.ndarray:
    t = np.arange(rate) / rate
    return (10 ** (dbfs / 20) * np.sin(2 * np.pi * frequency_hz * t))[:, np.newaxis]


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("frequency_hz", [50.0, 440.0, 997.0, 15_000.0])
def test_a_sine_reads_its_level_in_its_column(frequency_hz, rate):
    found = spectrum_of(sine(frequency_hz, -20.0, rate), rate=rate)
    column = int(np.argmax(found.levels[:, 0]))
    assert -20.0 - SCALLOPING_DB <= found.levels[column, 0] <= -19.99
    # The main lobe of the window is four lines wide: the peak lies within one of them.
    slack = 1.5 * rate / len(MovingSpectrum(rate, 1)._window)
    assert found.edges_hz[column] - slack <= frequency_hz <= found.edges_hz[column + 1] + slack


def test_neighbouring_mains_lines_stand_apart():
    found = spectrum_of(sine(50, -60) + sine(100, -80) + sine(150, -70))
    centres = np.sqrt(found.edges_hz[:-1] * found.edges_hz[1:])
    for between in (75.0, 125.0):
        assert found.levels[np.argmin(np.abs(centres - between)), 0] < -95


@given(st.lists(st.integers(1, 9000), min_size=1, max_size=20))
@settings(max_examples=25)
def test_the_size_of_the_blocks_changes_nothing(sizes):
    noise = np.random.default_rng(1).normal(0, 0.1, (sum(sizes), 2))
    whole, pieces = MovingSpectrum(RATE, 2), MovingSpectrum(RATE, 2)
    whole.feed(noise)
    start = 0
    for size in sizes:
        pieces.feed(noise[start : start + size])
        start += size
    assert np.array_equal(whole.recent(), pieces.recent())


def test_nothing_is_drawn_before_enough_was_heard():
    assert np.isnan(spectrum_of(np.zeros((1000, 2))).levels).all()


def test_digital_silence_lies_on_the_floor():
    assert (spectrum_of(np.zeros((RATE, 1))).levels == -160).all()
