"""Turning phasors against the complex exponential of each frame, and a plain sum."""

import numpy as np
import pytest

from sigbench.measure.phasor import line_sums, rotations

CYCLES = (0.0, 1e-6, 50 / 48_000, 0.1234567, 0.5, -0.25)


@pytest.mark.parametrize("frames", [0, 1, 2, 3, 1000, 1024, 99_991])
def test_frames_are_turned_as_the_exponential_says(frames):
    turned = rotations(frames, CYCLES)
    assert turned.shape == (len(CYCLES), frames)
    direct = np.exp(2j * np.pi * np.outer(CYCLES, np.arange(frames)))
    # A phase of 3e5 rad is known to 6e-11 in double precision, either way.
    assert np.allclose(turned, direct, rtol=0, atol=2e-10)


@pytest.mark.parametrize("frames", [1, 2, 3, 1000, 1024, 99_991])
def test_sums_are_those_of_a_fourier_transform(frames):
    signal = np.random.default_rng(frames).standard_normal(frames)
    bins = np.unique([0, frames // 7, frames // 3, frames // 2])
    found = line_sums(signal, bins / frames)
    size = np.sqrt(np.sum(signal**2))
    assert np.allclose(found, np.fft.fft(signal)[bins], rtol=0, atol=1e-9 * size)


def test_one_line_may_be_asked_for_by_its_number_alone():
    signal = np.array([1.0, 2.0, 3.0])
    assert line_sums(signal, 0.0) == pytest.approx([6.0])
    assert line_sums(signal, 0.5) == pytest.approx([2.0])
    assert rotations(3, 0.5)[0] == pytest.approx([1, -1, 1])
