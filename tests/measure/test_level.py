import re
import shutil
import subprocess

import numpy as np
import pytest
import soundfile
from scipy import signal as dsp

from sigbench.errors import SignalError
from sigbench.measure.level import measure_level, true_peak_amplitude
from tests.measure.tones import covered, sine


def test_reference_of_aes17():
    level = measure_level(sine(997, 48_000, 1), 48_000)
    assert level.rms.value == pytest.approx(0, abs=1e-3)
    assert level.crest_factor.value == pytest.approx(3.0103, abs=1e-3)
    square = measure_level(np.tile([1.0, -1.0], 24_000), 48_000)
    assert square.rms.value == pytest.approx(3.0103, abs=1e-4)  # AES17 scale
    assert square.crest_factor.value == pytest.approx(0, abs=1e-9)


def test_true_peak_between_the_samples():
    # A quarter of the rate at 45 degrees: samples reach 0.7071 of the peak (closed form).
    x = sine(12_000, 48_000, 1, 0.5, np.pi / 4)
    level = measure_level(x, 48_000)
    assert level.peak.value == pytest.approx(-9.03, abs=0.01)
    assert level.true_peak.value == pytest.approx(-6.02, abs=0.1)


def test_true_peak_is_that_of_interpolating_every_gap():
    # The filter of the docstring, here as one convolution of the whole signal.
    low_pass = 8 * dsp.firwin(385, 1 / 8, window=("kaiser", 9.0))
    rng = np.random.default_rng(5)
    t = np.arange(20_000) / 48_000
    for x in (
        sine(997, 48_000, 0.4, 0.5),
        0.4 * dsp.sawtooth(2 * np.pi * 110 * t) + rng.normal(0, 1e-3, len(t)),
        sine(10_007, 48_000, 0.4, 0.3) * (1 + 0.3 * np.sin(2 * np.pi * 3 * t)[:19_200]),
        rng.normal(0, 0.1, 20_000),
        np.cumsum(rng.normal(0, 1e-3, 20_000)),
        np.sign(np.sin(2 * np.pi * 1000.3 * t)),
        np.eye(1, 20_000, 7_777)[0],
        np.full(2_000, 0.3),
        rng.normal(0, 0.1, 98),
    ):
        waveform = dsp.upfirdn(low_pass, x, up=8)[8 * 48 : 8 * (len(x) - 1)]
        between = waveform.reshape(-1, 8)[:, 1:]
        expected = max(np.abs(between).max(), np.abs(x).max())
        assert true_peak_amplitude(x) == pytest.approx(expected, rel=1e-12)


def test_levels_agree_with_sox_and_ffmpeg(tmp_path):
    for program in ("sox", "ffmpeg"):
        if shutil.which(program) is None:
            pytest.skip(f"{program} is not installed: apt-get install {program}")
    x = sine(11_025.3, 48_000, 2, 0.4) + 0.05 * np.random.default_rng(1).standard_normal(96_000)
    path = tmp_path / "x.wav"
    soundfile.write(path, x, 48_000, subtype="FLOAT")
    level = measure_level(x, 48_000)
    stats = subprocess.run(["sox", path, "-n", "stats"], capture_output=True, text=True, check=True)
    sox = {k: float(v) for k, v in re.findall(r"(Pk lev dB|RMS lev dB) +(\S+)", stats.stderr)}
    assert level.rms.value - 3.0103 == pytest.approx(sox["RMS lev dB"], abs=0.006)
    assert level.peak.value == pytest.approx(sox["Pk lev dB"], abs=0.006)
    command = ["ffmpeg", "-nostats", "-i", path, "-af", "ebur128=peak=true", "-f", "null", "-"]
    shown = subprocess.run(command, capture_output=True, text=True, check=True).stderr
    true_peak = float(shown.split("True peak:")[1].split("Peak:")[1].split()[0])
    assert level.true_peak.value == pytest.approx(true_peak, abs=0.3)  # 4 times against 8 times


def test_rms_of_noise_is_within_its_uncertainty():
    rng = np.random.default_rng(2)
    levels = [measure_level(0.1 * rng.standard_normal(8000), 8000).rms for _ in range(200)]
    errors = [e.value - (-20 + 3.0103) for e in levels]
    assert 0.9 <= covered(errors, [e.uncertainty for e in levels]) <= 0.995


def test_silence_and_nothing():
    assert measure_level(np.zeros(100), 8000).rms.value == -np.inf
    with pytest.raises(SignalError, match="no frames"):
        measure_level(np.zeros(0), 8000)
