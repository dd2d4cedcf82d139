import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sigbench.errors import RequestError, SignalError
from sigbench.measure.level_track import LevelTracker, ToneTracker

RATE = 48_000


def in_blocks(feed, signal, sizes):
    steps, at, turn = [], 0, 0
    while at < len(signal):
        size = sizes[turn % len(sizes)]
        steps += feed(signal[at : at + size])
        at, turn = at + size, turn + 1
    return tuple(steps)


def test_levels_of_known_shapes():
    t = np.arange(RATE) / RATE
    sine = 0.5 * np.sin(2 * np.pi * 1000 * t)
    square = np.where(1000 * t % 1.0 < 0.5, 1.0, -1.0)
    steps = LevelTracker(RATE, 3).feed(np.column_stack([sine, square, 0 * t]))
    assert [s.start for s in steps] == pytest.approx(np.arange(50) * 0.02)
    for step in steps:
        # AES17: a full-scale sine is 0 dBFS, a full-scale square wave 3.01 dBFS.
        assert step.rms[0] == pytest.approx(-6.0206, abs=1e-3)
        assert step.rms[1] == pytest.approx(3.0103, abs=1e-3)
        assert step.peak == pytest.approx((-6.0206, 0.0, -np.inf), abs=1e-3)
        assert step.rms[2] == -np.inf


def test_the_peak_of_either_sign_counts():
    take = np.zeros((960, 1))
    take[500] = -0.5
    (step,) = LevelTracker(RATE, 1).feed(take)
    assert step.peak[0] == pytest.approx(-6.0206, abs=1e-3)


@settings(max_examples=20)
@given(st.lists(st.integers(1, 9000), min_size=1, max_size=10))
def test_blocks_of_any_sizes_give_identical_steps(sizes):
    take = np.random.default_rng(0).standard_normal((RATE, 2))
    whole = LevelTracker(RATE, 2).feed(take)
    assert in_blocks(LevelTracker(RATE, 2).feed, take, sizes) == whole
    tone = np.sin(2 * np.pi * 440.3 * np.arange(RATE) / RATE) + 0.01 * take[:, 0]
    whole = ToneTracker(RATE, 440).feed(tone)
    assert in_blocks(ToneTracker(RATE, 440).feed, tone, sizes) == whole


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("f", [55.0, 440.0, 3520.0])
@pytest.mark.parametrize("cents", [-20.0, -1.0, 0.0, 3.0])
def test_frequency_of_a_mistuned_tone(rate, f, cents):
    t = np.arange(2 * rate) / rate
    tone = 0.25 * np.sin(2 * np.pi * f * 2 ** (cents / 1200) * t)
    tone += 1e-4 * np.random.default_rng(0).standard_normal(len(t))
    if abs(f * (2 ** (cents / 1200) - 1)) > 8:
        assert all(s.cents is None for s in ToneTracker(rate, f).feed(tone))
        return
    steps = ToneTracker(rate, f).feed(tone)
    assert [s.time for s in steps] == pytest.approx(0.075 + 0.1 * np.arange(len(steps)), abs=1e-4)
    assert len(steps) >= 18
    # 68 dB over white noise: about 0.0005 Hz from noise; the image at -f adds most at 55 Hz.
    within = 0.6 if f == 55 else 0.02
    for step in steps:
        assert step.cents == pytest.approx(cents, abs=within)
        assert step.level == pytest.approx(-12.0412, abs=0.01)


def test_drift_and_harmonics_and_a_loss():
    t = np.arange(4 * RATE) / RATE
    drift_hz = 0.5 * t  # from 220 Hz on
    phase = 2 * np.pi * np.cumsum(220 + drift_hz) / RATE
    tone = sum(np.sin(k * phase) / k for k in range(1, 20)) * ((t < 2) | (t > 3)) * 0.3
    steps = ToneTracker(RATE, 220).feed(tone)
    for step in steps:
        if 2.1 < step.time < 2.9:
            assert (step.cents, step.level) == (None, -np.inf)
        elif step.time < 1.9 or step.time > 3.1:
            assert step.cents == pytest.approx(1200 * np.log2(1 + 0.5 * step.time / 220), abs=0.05)


def test_another_note_or_noise_is_not_followed():
    t = np.arange(RATE) / RATE
    for other in (np.sin(2 * np.pi * 550 * t), np.random.default_rng(0).standard_normal(RATE)):
        assert all(step.cents is None for step in ToneTracker(RATE, 440).feed(other))


@pytest.mark.parametrize("off_hz", [-27.0, -16.0, -13.0, -9.0, 9.0, 12.4, 15.0, 25.0])
def test_a_tone_that_is_a_turn_away_is_not_taken_for_a_near_one(off_hz):
    t = np.arange(RATE) / RATE
    steps = ToneTracker(RATE, 440).feed(np.sin(2 * np.pi * (440 + off_hz) * t))
    assert len(steps) == 9
    assert all(step.cents is None for step in steps)


def test_a_weak_low_fundamental_is_followed():
    t = np.arange(RATE) / RATE
    tone = 0.1 * np.sin(2 * np.pi * 42 * t) + 0.5 * np.sin(2 * np.pi * 84 * t)
    steps = ToneTracker(RATE, 41).feed(tone)
    assert all(step.cents == pytest.approx(41.72, abs=5) for step in steps)


def test_bad_input_is_refused():
    with pytest.raises(SignalError, match="2 channels"):
        LevelTracker(RATE, 2).feed(np.zeros((10, 1)))
    with pytest.raises(SignalError, match="no numbers"):
        LevelTracker(RATE, 1).feed(np.full((10, 1), np.inf))
    with pytest.raises(SignalError, match="no numbers"):
        ToneTracker(RATE, 440).feed(np.full(10, np.nan))
    for frequency in (20, 23_000):
        with pytest.raises(RequestError, match="cannot be followed"):
            ToneTracker(RATE, frequency)
