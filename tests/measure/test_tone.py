import numpy as np
import pytest

from sigbench.measure.mains import measure_mains
from sigbench.measure.spectrum import power_spectrum
from sigbench.measure.tone import Line, NoTone, find_tone
from tests.measure.tones import noise, sine

RATE = 8000


def found(signal, expected_hz=None, rate=RATE):
    return find_tone(
        power_spectrum(signal, rate), measure_mains(signal, rate), expected_hz=expected_hz
    )


@pytest.mark.parametrize("f", [50.0, 100.0, 60.0, 440.0, 1000.0])
@pytest.mark.parametrize("hiss", [0.0, 1e-4])
def test_a_sine_without_a_comb_is_a_tone(f, hiss):
    x = sine(f, RATE, 5) + hiss * np.random.default_rng(1).standard_normal(5 * RATE)
    line = found(x)
    assert isinstance(line, Line)
    assert line.frequency_hz == pytest.approx(f, abs=0.05)


def rectifier_ripple():
    return 0.01 * (np.abs(sine(50, RATE, 5)) - 2 / np.pi)


def magnetic_hum():
    return sine(50, RATE, 5, 0.01) + sine(100, RATE, 5, 0.003) + sine(150, RATE, 5, 0.004)


def reservoir_sawtooth():
    return 0.01 * (np.mod(100 * np.arange(5 * RATE) / RATE, 1) - 0.5)


@pytest.mark.parametrize("hum", [rectifier_ripple, magnetic_hum, reservoir_sawtooth])
def test_hum_is_no_tone_and_a_note_above_it_is(hum):
    x = hum() + 1e-5 * np.random.default_rng(2).standard_normal(5 * RATE)
    assert isinstance(found(x), NoTone)
    line = found(x + sine(440, RATE, 5, 1e-3), 440)
    assert isinstance(line, Line)


@pytest.mark.parametrize("exponent", [0, 1, 2])
def test_noise_is_no_tone(exponent):
    rng = np.random.default_rng(exponent)
    seconds = [0.25, 1, 2]
    false = sum(isinstance(found(noise(rng, RATE, s, exponent)), Line) for s in seconds * 33)
    assert false <= 1  # 1e-4 is meant: the chance of two of 99 is far below that


@pytest.mark.parametrize("frames", [64, 100, 1000, 8000])
def test_odd_signals_answer(frames):
    rng = np.random.default_rng(3)
    click = np.zeros(frames)
    click[frames // 2] = 1
    drum = rng.standard_normal(frames) * np.exp(-np.arange(frames) / 300)
    for x in (click, drum, np.zeros(frames), np.ones(frames)):
        assert isinstance(found(x), Line | NoTone)


def test_the_fundamental_below_a_strong_harmonic():
    x = sine(220, RATE, 2, 0.05) + sine(440, RATE, 2, 0.2) + sine(660, RATE, 2, 0.1)
    line = found(x)
    assert isinstance(line, Line)
    assert line.frequency_hz == pytest.approx(220, abs=0.2)
