import numpy as np
import pytest
from scipy import signal as scipy_signal

from sigbench.measure.spectrum import (
    cosine_window,
    detection_threshold,
    noise_floor,
    power_spectrum,
)
from sigbench.units import rms_to_dbfs


def white(seed, frames):
    return np.random.default_rng(seed).standard_normal(frames)


def test_window_is_the_published_one():
    # scipy's blackmanharris; NENBW 2.0044 bins (Heinzel, Rüdiger, Schilling 2002).
    assert cosine_window(512) == pytest.approx(scipy_signal.windows.blackmanharris(512, sym=False))
    spectrum = power_spectrum(white(1, 48_000), 48_000)
    assert spectrum.noise_bandwidth_bins == pytest.approx(2.0044, abs=1e-3)


def test_density_equals_an_independent_estimate():
    x = white(2, 10 * 8000)
    spectrum = power_spectrum(x, 8000)
    f, density = scipy_signal.welch(x, 8000, "blackmanharris", 16_000, detrend=False)
    assert spectrum.frequencies_hz == pytest.approx(f)
    # The mean of the whole take is removed here.
    assert spectrum.density[8:-1] == pytest.approx(density[8:-1], rel=1e-3)


def test_sine_on_a_bin_reads_its_level_and_between_bins_by_its_lobe():
    t = np.arange(480_000) / 48_000
    on = power_spectrum(0.5 * np.sin(2 * np.pi * 1000 * t), 48_000)
    assert rms_to_dbfs(np.sqrt(on.power.max())) == pytest.approx(-6.0206, abs=1e-4)
    between = power_spectrum(0.5 * np.sin(2 * np.pi * 1000.25 * t), 48_000)
    # Harris 1978, Table 1: scalloping loss 0.83 dB.
    assert rms_to_dbfs(np.sqrt(between.power.max())) == pytest.approx(-6.0206 - 0.83, abs=0.01)
    assert between.band_power(990, 1010) == pytest.approx(0.125, rel=1e-4)


def test_band_power_of_the_whole_band_is_the_mean_square():
    x = white(3, 80_000)
    assert power_spectrum(x, 8000).band_power(0, 4000) == pytest.approx(np.var(x), rel=0.02)


def test_floor_follows_white_noise_and_passes_over_tones():
    t = np.arange(80_000) / 8000
    tones = 100 * sum(np.sin(2 * np.pi * f * t) for f in (500, 1000.3, 2222.2))
    spectrum = power_spectrum(white(4, 80_000) + tones, 8000)
    expected = 2 / 8000 * spectrum.noise_bandwidth_hz
    ratio = noise_floor(spectrum) / expected
    assert np.mean(ratio) == pytest.approx(1, abs=0.05)
    assert ratio.max() < 1.6


def test_bins_of_noise_pass_the_threshold_as_rarely_as_stated():
    rng = np.random.default_rng(5)
    passed = total = 0
    for _ in range(60):
        spectrum = power_spectrum(rng.standard_normal(16_000), 8000)
        # A rate of 1 for as many bins as there are is a chance of 1 a spectrum; 20 for more.
        threshold = detection_threshold(spectrum, false_alarm_rate=20)
        passed += np.count_nonzero(
            spectrum.power[10:-10] > (noise_floor(spectrum) * threshold)[10:-10]
        )
        total += len(spectrum.power) - 20
    expected = 20 / len(spectrum.power)
    assert passed / total == pytest.approx(expected, rel=0.25)


@pytest.mark.parametrize("frames", [64, 65, 100, 401])
def test_the_shortest_takes_have_a_spectrum(frames):
    spectrum = power_spectrum(white(6, frames), 8000)
    assert spectrum.averages >= 3
    assert np.isfinite(noise_floor(spectrum)).all()
    assert (detection_threshold(spectrum, false_alarm_rate=0.01) > 1).all()
