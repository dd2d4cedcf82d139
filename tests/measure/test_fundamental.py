import numpy as np
import pytest
from scipy.optimize import curve_fit

from tests.measure.tones import covered, note, sine

RATE = 8000


@pytest.mark.parametrize("snr_db", [10, 60])
def test_frequency_and_level_come_near_the_cramer_rao_bound(snr_db):
    # Rife & Boorstyn 1974; Kay 1993: see the formulas.
    rng = np.random.default_rng(snr_db)
    amplitude, takes, frames = 0.3, 40, RATE
    sigma = amplitude / np.sqrt(2) * 10 ** (-snr_db / 20)
    hertz, decibels = [], []
    for _ in range(takes):
        f = rng.uniform(400, 1500)
        x = sine(f, RATE, 1, amplitude, rng.uniform(0, 6)) + sigma * rng.standard_normal(frames)
        tone = note(x, RATE, f)[0]
        hertz.append((tone.frequency.value - f, tone.frequency.uncertainty))
        decibels.append((tone.level.value - 20 * np.log10(amplitude), tone.level.uncertainty))
    hertz, decibels = np.array(hertz), np.array(decibels)
    bound_hz = np.sqrt(6 * sigma**2 * RATE**2 / (np.pi**2 * amplitude**2 * frames**3))
    bound_db = 8.686 * np.sqrt(2 * sigma**2 / frames) / amplitude
    assert np.sqrt(np.mean(hertz[:, 0] ** 2)) < 1.5 * bound_hz
    assert np.sqrt(np.mean(decibels[:, 0] ** 2)) < 1.5 * bound_db
    assert covered(*hertz.T) >= 0.88  # 95 % meant; 40 takes scatter by 3 %
    assert covered(*decibels.T) >= 0.88


def test_agrees_with_an_independent_four_parameter_fit():
    # IEEE Std 1057: amplitude, phase, offset and frequency by nonlinear least squares.
    x = sine(997.31, RATE, 1, 0.4) + 1e-3 * np.random.default_rng(1).standard_normal(RATE)
    time = np.arange(RATE) / RATE

    def model(t, f, a, b, c):
        return a * np.cos(2 * np.pi * f * t) + b * np.sin(2 * np.pi * f * t) + c

    (f, a, b, _), covariance = curve_fit(model, time, x, p0=(997.3, 0.3, 0.3, 0))
    tone = note(x, RATE)[0]
    assert abs(tone.frequency.value - f) < np.sqrt(covariance[0, 0])
    assert abs(tone.level.value - 20 * np.log10(np.hypot(a, b))) < tone.level.uncertainty


def test_weak_note_beside_a_strong_one():
    x = sine(440, RATE, 1, 0.01) + sine(1000, RATE, 1, 0.5)
    x += 1e-5 * np.random.default_rng(2).standard_normal(RATE)
    tone = note(x, RATE, 440)[0]
    assert tone.frequency.value == pytest.approx(440, abs=1e-4)
    assert tone.level.value == pytest.approx(-40, abs=1e-3)
    assert tone.drift.value < 0.05


@pytest.mark.parametrize(
    ("cents", "expected"),
    [
        (lambda t: np.linspace(-3, 3, len(t)), 6.0),
        (lambda t: 3 * np.sin(2 * np.pi * 0.3 * t), 6.0),
    ],
)
def test_drift_is_followed_and_is_no_noise(cents, expected):
    time = np.arange(5 * 48_000) / 48_000
    phase = 2 * np.pi * np.cumsum(440 * 2 ** (cents(time) / 1200)) / 48_000
    x = 0.3 * np.sin(phase) + 0.3e-3 * np.sin(2 * phase + 1)
    x += 1e-6 * np.random.default_rng(3).standard_normal(len(x))
    tone, distortion = note(x, 48_000)
    assert abs(tone.drift.value - expected) < 2 * tone.drift.uncertainty + 0.01
    assert distortion.thd_n.value == pytest.approx(-60, abs=0.01)
    assert tone.level.value == pytest.approx(20 * np.log10(0.3), abs=1e-4)


@pytest.mark.parametrize("kind", ["saw", "square"])
@pytest.mark.parametrize("frequency_hz", [55.3, 110.07, 440.3])
def test_strong_harmonics_leak_no_more_than_the_uncertainty_says(kind, frequency_hz):
    rng = np.random.default_rng(4)
    x = 1e-6 * rng.standard_normal(48_000)
    for k in range(1, int(23_900 / frequency_hz) + 1, 1 if kind == "saw" else 2):
        x += sine(frequency_hz * k, 48_000, 1, 0.3 / k, 0.7 * k)
    tone = note(x, 48_000, frequency_hz)[0]
    assert abs(tone.frequency.value - frequency_hz) < 3 * tone.frequency.uncertainty
    assert abs(tone.level.value - 20 * np.log10(0.3)) < 3 * tone.level.uncertainty
    assert tone.level.uncertainty < 1e-4


def test_tremolo_reads_the_power_of_its_course():
    time = np.arange(3 * RATE) / RATE
    x = (1 + 0.3 * np.sin(2 * np.pi * 5 * time)) * sine(440, RATE, 3, 0.3)
    expected = 20 * np.log10(0.3) + 10 * np.log10(1 + 0.3**2 / 2)
    assert note(x, RATE)[0].level.value == pytest.approx(expected, abs=1e-3)
