"""Test signals by closed forms, and the chain of measuring functions for one note."""

import numpy as np

from sigbench.measure.distortion import measure_distortion
from sigbench.measure.fundamental import follow
from sigbench.measure.mains import comb_waveform, measure_mains
from sigbench.measure.spectrum import power_spectrum
from sigbench.measure.tone import Line, find_tone


def sine(frequency_hz, rate, seconds, amplitude=1.0, phase=0.4):
    time = np.arange(round(rate * seconds)) / rate
    return amplitude * np.sin(2 * np.pi * frequency_hz * time + phase)


def noise(rng, rate, seconds, exponent=0.0):
    """Gaussian noise of density f^-exponent, RMS 1, part of a longer period."""
    frames = round(rate * seconds)
    f = np.maximum(np.fft.rfftfreq(2 * frames, 1 / rate), 1.0)
    shaped = np.fft.rfft(rng.standard_normal(2 * frames)) * f ** (-exponent / 2)
    shaped = np.fft.irfft(shaped)[:frames]
    return shaped / np.sqrt(np.mean(shaped**2))


def note(signal, rate, expected_hz=None):
    mains = measure_mains(signal, rate)
    line = find_tone(power_spectrum(signal, rate), mains, expected_hz=expected_hz)
    assert isinstance(line, Line), line
    hum = comb_waveform(mains, rate, len(signal), note_hz=line.frequency_hz)
    harmonics = None
    for _ in range(2):
        fundamental = follow(
            signal, rate, line.frequency_hz, snr_hz=line.snr_hz, hum=hum, harmonics=harmonics
        )
        distortion = measure_distortion(fundamental, rate, hum)
        harmonics = distortion.waveform
    return fundamental, distortion


def covered(errors, uncertainties):
    return np.mean(np.abs(errors) <= 2 * np.asarray(uncertainties))
