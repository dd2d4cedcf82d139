"""Stimuli against closed forms, scipy's own sweep, and sox."""

import shutil
import subprocess

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal as dsp

from sigbench.errors import RequestError
from sigbench.stimulus import (
    FADE_SECONDS,
    STANDARD,
    inverse_filter,
    on_channels,
    pink_noise,
    silence,
    sine,
    stepped_level,
    stimulus,
    sweep,
    twin_tone,
)

RATE = 48_000


def line_dbfs(samples, frequency_hz, rate=RATE):
    """Level of a line that falls on a bin of the whole signal (plain DFT)."""
    turn = np.exp(-2j * np.pi * frequency_hz * np.arange(len(samples)) / rate)
    return 20 * np.log10(2 * abs(np.dot(samples, turn)) / len(samples))


def rms_dbfs(samples):
    return 10 * np.log10(2 * np.mean(samples**2))


def test_sine_level_follows_aes17():
    # AES17: a sine whose peaks reach full scale reads 0 dBFS.
    made = sine(1000, 0.0, 1.0, RATE, fade_seconds=0).samples[:, 0]
    assert made.max() == pytest.approx(1.0, abs=1e-12)
    assert line_dbfs(made, 1000) == pytest.approx(0.0, abs=1e-9)


def test_sine_level_as_sox_reads_it(tmp_path):
    if shutil.which("sox") is None:
        pytest.skip("sox is missing: apt install sox")
    made = sine(997, -12.0, 2.0, RATE, fade_seconds=0)
    soundfile.write(tmp_path / "a.wav", made.samples, RATE, subtype="FLOAT")
    stats = subprocess.run(
        ["sox", str(tmp_path / "a.wav"), "-n", "stats"], capture_output=True, text=True, check=True
    ).stderr
    read = {line[:10].strip(): line.split()[-1] for line in stats.splitlines()}
    # sox counts RMS re full scale: a sine reads 3.01 dB less there. It prints two decimals.
    assert float(read["RMS lev dB"]) == pytest.approx(-12.0 - 3.0103, abs=0.006)
    assert float(read["Pk lev dB"]) == pytest.approx(-12.0, abs=0.006)


@settings(max_examples=30)
@given(level=st.floats(-90, 0), frequency=st.floats(20, 20_000))
def test_sine_never_exceeds_its_level_and_ends_in_silence(level, frequency):
    samples = sine(frequency, level, 0.2, RATE).samples[:, 0]
    assert np.abs(samples).max() <= 10 ** (level / 20) * (1 + 1e-12)
    assert abs(samples[0]) == 0
    assert abs(samples[-1]) == 0


def test_fade_lasts_as_long_as_it_says():
    faded = sine(997, -6.0, 1.0, RATE).samples[:, 0]
    plain = sine(997, -6.0, 1.0, RATE, fade_seconds=0).samples[:, 0]
    frames = round(FADE_SECONDS * RATE)
    np.testing.assert_array_equal(faded[frames:-frames], plain[frames:-frames])
    middle = frames // 2  # a raised cosine is half way up in its middle
    assert faded[middle] == pytest.approx(plain[middle] / 2, abs=1e-12)


@pytest.mark.parametrize(("bits", "below_full_scale"), [(16, 93.32), (20, 117.40), (24, 141.48)])
def test_dithered_silence_has_the_power_of_dither(bits, below_full_scale):
    # Closed form q²/4, TPDF dither two steps wide: check values 93.32, 117.40, 141.48 dB.
    samples = silence(4.0, RATE, bits=bits, seed=7).samples[:, 0]
    steps = samples * 2 ** (bits - 1)
    assert set(np.unique(steps)) == {-1.0, 0.0, 1.0}
    # Standard deviation of its power: steps² is 1 with a chance of 1/4, so sqrt(3/n).
    assert rms_dbfs(samples) == pytest.approx(-below_full_scale, abs=4 * 4.343 * np.sqrt(3 / 192e3))


def test_silence_is_reproducible_and_its_seed_counts():
    first, again, other = (silence(0.1, RATE, seed=s).samples for s in (1, 1, 2))
    np.testing.assert_array_equal(first, again)
    assert not np.array_equal(first, other)


def test_sweep_is_the_logarithmic_chirp_of_scipy():
    made = sweep(20, 20_000, 0.0, 2.0, RATE, fade_seconds=0).samples[:, 0]
    time = np.arange(2 * RATE) / RATE
    # scipy's chirp is a cosine: -90 degrees make it the sine of Farina's formula.
    expected = dsp.chirp(time, 20, 2.0, 20_000, method="logarithmic", phi=-90)
    np.testing.assert_allclose(made, expected, atol=1e-8)


def test_sweep_and_inverse_filter_give_an_impulse_of_unit_gain():
    made = sweep(20, 20_000, -12.0, 3.0, RATE)
    impulse = dsp.fftconvolve(made.samples[:, 0], inverse_filter(made))
    assert np.argmax(np.abs(impulse)) == len(made.samples) - 1
    gain = np.abs(np.fft.rfft(impulse))
    frequencies = np.fft.rfftfreq(len(impulse), 1 / RATE)
    decibels = 20 * np.log10(gain)
    # Stationary phase holds the better, the further from the sweep's ends: see its docstring.
    middle = (frequencies > 200) & (frequencies < 15_000)
    assert np.abs(decibels[middle]).max() < 0.1
    wide = (frequencies > 40) & (frequencies < 18_000)
    assert np.abs(decibels[wide]).max() < 1.0


def test_deconvolved_sweep_finds_the_corner_of_an_rc_filter():
    # First-order low pass: -3.01 dB at its corner (closed form, bilinear with the corner kept).
    made = sweep(20, 20_000, -6.0, 3.0, RATE)
    b, a = dsp.butter(1, 1000, fs=RATE)
    played = np.concatenate([made.samples[:, 0], np.zeros(4800)])
    impulse = dsp.fftconvolve(dsp.lfilter(b, a, played), inverse_filter(made))
    start = len(made.samples) - 1
    response = np.fft.rfft(impulse[start - 2000 : start + 2800])
    at = round(1000 * 4800 / RATE)
    assert 20 * np.log10(abs(response[at])) == pytest.approx(-3.0103, abs=0.05)


def test_only_a_sweep_has_an_inverse_filter():
    with pytest.raises(RequestError, match="no sweep"):
        inverse_filter(sine(997, -6, 1, RATE))


def test_pink_noise_falls_by_3_decibels_an_octave_exactly():
    made = pink_noise(-20, 2.0, RATE, fade_seconds=0).samples[:, 0]
    power = np.abs(np.fft.rfft(made)) ** 2
    frequencies = np.fft.rfftfreq(len(made), 1 / RATE)
    inside = (frequencies >= 20) & (frequencies <= 20_000)
    slope = np.polyfit(np.log2(frequencies[inside]), 10 * np.log10(power[inside]), 1)[0]
    assert slope == pytest.approx(-10 * np.log10(2), abs=1e-6)
    assert power[~inside].max() < 1e-18 * power.max()
    assert rms_dbfs(made) == pytest.approx(-20, abs=1e-9)


def test_pink_noise_has_equal_power_in_every_octave_after_its_fades():
    made = pink_noise(-20, 10.0, RATE, seed=3).samples[:, 0]
    frequencies, density = dsp.welch(made, RATE, nperseg=RATE)
    octaves = [
        density[(frequencies >= low) & (frequencies < 2 * low)].sum()
        for low in 62.5 * 2.0 ** np.arange(8)
    ]
    # Welch's scatter in the lowest octave: 1/sqrt(62 Hz x 10 s) = 0.17 dB.
    np.testing.assert_allclose(10 * np.log10(np.array(octaves) / np.mean(octaves)), 0, atol=0.7)


def test_pink_noise_states_its_crest():
    made = pink_noise(-20, 5.0, RATE, fade_seconds=0)
    peak = 20 * np.log10(np.abs(made.samples).max())
    rms = 10 * np.log10(np.mean(made.samples**2))
    assert made.parameters["crest_db"] == pytest.approx(peak - rms, abs=1e-9)


def test_pink_noise_too_loud_names_a_level_that_works():
    with pytest.raises(RequestError, match="take -") as caught:
        pink_noise(-6, 5.0, RATE)
    level = float(str(caught.value).split("take ")[1].split()[0])
    assert np.abs(pink_noise(level, 5.0, RATE).samples).max() <= 1


@pytest.mark.parametrize(
    ("name", "low", "high", "ratio"),
    [("twin-smpte", 60, 7000, 4), ("twin-din", 250, 8000, 4), ("twin-itu-r", 19_000, 20_000, 1)],
)
def test_twin_tones_of_the_standards(name, low, high, ratio):
    # Frequencies and ratios: SMPTE, DIN and ITU-R forms (from memory, to be confirmed).
    samples = stimulus(name, RATE).samples[RATE : 3 * RATE, 0]
    difference = line_dbfs(samples, low) - line_dbfs(samples, high)
    assert difference == pytest.approx(20 * np.log10(ratio), abs=1e-6)
    assert np.abs(samples).max() <= 10 ** (-12 / 20)


def test_twin_tone_peaks_stand_where_those_of_one_sine_would():
    samples = twin_tone(60, 7000, 4, -6.0, 2.0, RATE).samples
    assert 20 * np.log10(np.abs(samples).max()) == pytest.approx(-6.0, abs=0.05)


def test_stepped_level_holds_what_its_table_says():
    levels = (-60.0, -30.0, -6.0, 0.0, -40.0)
    made = stepped_level(1000, levels, 0.5, RATE)
    assert tuple(hold.level_dbfs for hold in made.holds) == levels
    for hold in made.holds:
        part = made.samples[round(hold.start * RATE) : round(hold.end * RATE), 0]
        # Whole cycles of 1 kHz: 48 frames each.
        assert rms_dbfs(part[: len(part) // 48 * 48]) == pytest.approx(hold.level_dbfs, abs=1e-6)


def test_stepped_level_steps_without_clicks():
    samples = stepped_level(997, (-60.0, 0.0, -60.0), 0.3, RATE).samples[:, 0]
    steepest = 2 * np.pi * 997 / RATE  # of the sine at full scale, a sample
    assert np.abs(np.diff(samples)).max() < 1.05 * steepest
    assert samples[0] == samples[-1] == 0


def test_on_channels_drives_one_channel_alone():
    made = on_channels(sine(997, -6, 0.5, RATE), 4, driven=3)
    assert made.samples.shape == (RATE // 2, 4)
    assert np.flatnonzero(np.abs(made.samples).max(axis=0)).tolist() == [2]
    both = on_channels(sine(997, -6, 0.5, RATE), 2).samples
    np.testing.assert_array_equal(both[:, 0], both[:, 1])


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("name", STANDARD)
def test_standard_stimuli_fit_below_full_scale(name, rate):
    made = stimulus(name, rate)
    assert made.samples.shape == (round(made.seconds * rate), 1)
    assert made.samples.dtype == np.float64
    assert np.abs(made.samples).max() <= 1
    assert made.description
    np.testing.assert_array_equal(made.samples, stimulus(name, rate).samples)


def test_unknown_stimulus_lists_the_names():
    with pytest.raises(RequestError, match="choose one of pink-noise, silence, sine-997"):
        stimulus("sinus", RATE)


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (lambda: stimulus("twin-itu-r", 32_000), "19000 Hz cannot be played at 32000 Hz"),
        (lambda: sine(997, 0.1, 1, RATE), "above full scale"),
        (lambda: sine(997, float("nan"), 1, RATE), "above full scale"),
        (lambda: sine(997, -6, 0, RATE), "no frames"),
        (lambda: sine(997, -6, float("nan"), RATE), "no frames"),
        (lambda: sine(997, -6, 1, 0), "sample rate"),
        (lambda: sine(997, -6, 0.01, RATE), "do not fit"),
        (lambda: silence(1, RATE, bits=40), "8 to 32"),
        (lambda: sweep(2000, 20, -6, 1, RATE), "does not rise"),
        (lambda: twin_tone(60, 7000, 0, -6, 1, RATE), "ratio above 0"),
        (lambda: stepped_level(997, (), 1, RATE), "at least one level"),
        (lambda: stepped_level(997, (-6,), 0.01, RATE), "longer"),
        (lambda: pink_noise(-20, 0.001, RATE, high_hz=100), "no line"),
        (lambda: on_channels(sine(997, -6, 1, RATE), 2, driven=3), "cannot be driven"),
    ],
)
def test_what_cannot_be_played_is_refused_in_one_sentence(make, sentence):
    with pytest.raises(RequestError, match=sentence):
        make()
