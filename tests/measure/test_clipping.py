import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sigbench.measure.clipping import clipped_samples

RATE = 48_000
TIME = np.arange(2 * RATE) / RATE


def converted(volts: np.ndarray, bits: int, *, dither: bool) -> np.ndarray:
    """An ideal converter: round, and hold at the outermost codes."""
    steps = 2.0 ** (bits - 1)
    codes = volts * steps
    if dither:
        codes = codes + np.random.default_rng(3).triangular(-1, 0, 1, len(codes))
    return np.clip(np.rint(codes), -steps, steps - 1) / steps


def sine(frequency_hz: float, gain: float, phase: float = 0.3) -> np.ndarray:
    return gain * np.sin(2 * np.pi * frequency_hz * TIME + phase)


@pytest.mark.parametrize("bits", [8, 16, 20, 24])
@pytest.mark.parametrize("dither", [False, True])
@settings(max_examples=60)
@given(frequency_hz=st.floats(0.5, 20_000), phase=st.floats(0, 6.3))
def test_a_full_scale_sine_is_not_clipped(
    bits: int, dither: bool, frequency_hz: float, phase: float
) -> None:
    # Without dither its crest just reaches the top code; with it, the dither's peaks still fit.
    room = 2.0 ** (1 - bits)
    volts = sine(frequency_hz, 1 - 2 * room if dither else 1 - room, phase)
    assert clipped_samples(converted(volts, bits, dither=dither), bits) == 0


def test_a_slow_16_bit_crest_does_hold_many_equal_samples() -> None:
    crest = converted(sine(20, 1 - 2.0**-15), 16, dither=False)
    assert np.sum(crest == crest.max()) > 100  # the case above would pass trivially otherwise
    assert clipped_samples(crest, 16) == 0


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("frequency_hz", [5.0, 50.0, 99.7, 440.0, 997.0])
@pytest.mark.parametrize("gain", [1.02, 1.2, 3.0])
def test_an_overdriven_sine_is_counted(bits: int, frequency_hz: float, gain: float) -> None:
    # A share of (2/pi) acos(1/gain) of an overdriven sine lies beyond full scale.
    expected = 2 / np.pi * np.arccos(1 / gain) * len(TIME)
    counted = clipped_samples(converted(sine(frequency_hz, gain), bits, dither=True), bits)
    assert counted == pytest.approx(expected, rel=0.12)  # edges of short runs round either way


@pytest.mark.parametrize("sign", [1, -1])
def test_one_polarity_is_enough(sign: int) -> None:
    one_sided = sign * np.maximum(sine(100, 1.5), -0.3)
    assert clipped_samples(converted(one_sided, 16, dither=False), 16) > 10_000


def test_a_converter_that_clips_symmetrically_below_the_bottom_code() -> None:
    top = 1 - 2.0**-15
    symmetric = np.clip(converted(sine(100, 1.5), 16, dither=False), -top, top)
    expected = 2 / np.pi * np.arccos(1 / 1.5) * len(TIME)
    assert clipped_samples(symmetric, 16) == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize("ceiling", [0.5, 0.9, 0.999])
def test_an_instrument_that_clips_below_full_scale_is_not_counted(ceiling: float) -> None:
    clipped_inside = np.clip(sine(100, 1.5), -ceiling, ceiling)
    assert clipped_samples(converted(clipped_inside, 24, dither=False), 24) == 0


def test_fewer_bits_in_a_wider_file_are_judged_by_the_bits_they_carry() -> None:
    crest = converted(sine(20, 1.0), 16, dither=False)
    clipped = converted(sine(20, 1.02), 16, dither=False)
    for bits in (24, 32, None):
        assert clipped_samples(crest, bits) == 0
        assert clipped_samples(clipped, bits) == clipped_samples(clipped, 16) > 0


def test_floating_point() -> None:
    assert clipped_samples(sine(3, 1.0).astype(np.float32).astype(float), None) == 0
    assert clipped_samples(sine(3, 1.7), None) == 0  # beyond ±1.0 nothing is lost
    assert clipped_samples(np.clip(sine(100, 1.7), -1, 1), None) > 10_000


def test_pairs_of_equal_samples_are_a_tone_at_a_quarter_of_the_rate() -> None:
    straddled = np.tile([1 - 2.0**-15, 1 - 2.0**-15, -1.0, -1.0], 500)
    assert clipped_samples(straddled, 16) == 0


def test_stuck_at_full_scale_silent_and_short() -> None:
    assert clipped_samples(np.full(1000, 1 - 2.0**-23), 24) == 1000
    assert clipped_samples(np.full(1000, -1.0), 24) == 1000
    assert clipped_samples(np.zeros(1000), 24) == 0
    assert clipped_samples(np.array([1.0]), None) == 0
    assert clipped_samples(np.array([]), 16) == 0


def test_a_run_at_either_end_of_the_take_counts() -> None:
    clipped = np.clip(1.5 * np.cos(2 * np.pi * 100 * TIME[: 480 * 3 + 1]), -1, 1)
    assert clipped[0] == clipped[-1] == 1.0
    assert clipped_samples(clipped, None) == np.sum(np.abs(clipped) == 1.0)
