import numpy as np
import pytest

from sigbench.measure.meter import HOLD_SECONDS, LevelMeter

RATE = 48_000


def sine(amplitude: float, seconds: float) -> np.ndarray:
    t = np.arange(round(seconds * RATE)) / RATE
    return amplitude * np.sin(2 * np.pi * 1000 * t)


def feed(meter: LevelMeter, signal: np.ndarray, size: int = 480) -> None:
    for at in range(0, len(signal), size):
        meter.feed(signal[at : at + size])


def test_a_full_scale_sine_reads_zero_and_half_of_it_six_less():
    meter = LevelMeter(RATE, 2)
    feed(meter, np.stack([sine(0.5, 1.0), sine(0.9, 1.0)], axis=1))
    left, right = meter.now()
    assert left.rms_dbfs == pytest.approx(-6.02, abs=0.01)  # AES17
    assert left.peak_dbfs == pytest.approx(-6.02, abs=0.01)
    assert right.rms_dbfs == pytest.approx(20 * np.log10(0.9), abs=0.01)


def test_the_rms_forgets_sooner_than_the_peak():
    meter = LevelMeter(RATE, 1)
    feed(meter, sine(0.5, 1.0)[:, None])
    feed(meter, np.zeros((RATE // 2, 1)))
    assert meter.now()[0].rms_dbfs == -np.inf
    assert meter.now()[0].peak_dbfs == pytest.approx(-6.02, abs=0.01)
    feed(meter, np.zeros((round(HOLD_SECONDS * RATE), 1)))
    assert meter.now()[0].peak_dbfs == -np.inf


def test_overloads_are_counted_until_the_end():
    meter = LevelMeter(RATE, 1)
    feed(meter, np.array([[0.1], [1.0], [-1.0], [0.2]]), size=1)
    feed(meter, np.zeros((5 * RATE, 1)))
    assert meter.now()[0].overloads == 2


def test_before_anything_has_come():
    assert LevelMeter(RATE, 3).now()[2].peak_dbfs == -np.inf


def test_memory_stays_flat():
    meter = LevelMeter(RATE, 1)
    for _ in range(3000):
        meter.feed(np.zeros((480, 1)))
    assert len(meter._peaks) <= 2 * HOLD_SECONDS * RATE / 480
