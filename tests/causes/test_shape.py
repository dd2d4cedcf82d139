"""Waves held against each other: one period of a voice through filters and cuts."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import butter, freqs

from sigbench.causes.shape import Wave, apart, bass_lost, flatness, share_at_zero, waves_of
from sigbench.checks import measure
from sigbench.model import CheckSettings, Source, Take

RATE = 48_000


def wave_of(period, doubt=0.001):
    """By the discrete Fourier transform of one period, the fundamental turned to a cosine."""
    lines = np.fft.rfft(period)[1:14]
    turned = lines * np.exp(-1j * np.angle(lines[0]) * np.arange(1, 14)) / abs(lines[0])
    return Wave(turned[1:], np.full(12, doubt))


def saw(points=1024):
    return np.arange(points) / points - 0.5


def square(points=1024):
    return np.sign(np.arange(points) - points / 2 + 0.5)


@pytest.mark.parametrize("period", [saw(), square(), np.sin(2 * np.pi * np.arange(1024) / 1024)])
@pytest.mark.parametrize("gain", [1.0, 0.1, -0.5])
def test_a_wave_is_like_itself_at_any_level_and_polarity_and_place(period, gain):
    assert max(apart(wave_of(period), wave_of(gain * np.roll(period, 137)))) < 1e-9


@given(corner=st.floats(0.05, 60.0), kind=st.sampled_from(["high", "low"]))
def test_a_filter_of_the_first_order_is_no_other_wave(corner, kind):
    """A coupling capacitor or a cable's capacitance: scipy's analogue filter is the peer."""
    b, a = butter(1, corner, kind, analog=True)
    numbers = np.fft.rfftfreq(1024, 1 / 1024)
    _, gain = freqs(b, a, worN=numbers)
    filtered = np.fft.irfft(np.fft.rfft(saw()) * gain)
    assert max(apart(wave_of(saw()), wave_of(filtered))) < 0.03
    assert max(apart(wave_of(filtered), wave_of(saw()))) < 0.03


@pytest.mark.parametrize(
    "period", [saw(), np.cos(2 * np.pi * saw()) + 0.5 * np.sin(4 * np.pi * saw())]
)
@pytest.mark.parametrize("cut", ["half", "clipped", "crossover"])
def test_a_wave_that_is_cut_is_another_one(period, cut):
    size = np.abs(period).max()
    done = {
        "half": np.maximum(period, -0.02 * size),
        "clipped": np.minimum(period, 0.3 * size),
        "crossover": np.sign(period) * np.maximum(np.abs(period) - 0.3 * size, 0),
    }[cut]
    assert min(apart(wave_of(period), wave_of(done))) > 0.1


def test_a_square_wave_without_one_half_is_the_same_wave():
    """Half the height, and direct voltage, which a capacitor takes away: nobody can tell."""
    assert max(apart(wave_of(square()), wave_of(np.maximum(square(), 0)))) < 1e-9


def test_what_the_noise_may_do_is_seen_and_not_sure():
    half = np.maximum(saw(), 0)
    assert min(apart(wave_of(saw()), wave_of(half))) > 0.1
    sure, seen = apart(wave_of(saw(), doubt=0.05), wave_of(half, doubt=0.05))
    assert sure == 0.0
    assert seen == pytest.approx(apart(wave_of(saw()), wave_of(half))[1])


def test_waves_are_those_of_the_tone_check():
    def voice(cycles):
        return sum(np.sin(2 * np.pi * k * cycles) / k for k in range(1, 20)) / 4

    sound, period = voice(220 * np.arange(RATE) / RATE), voice(np.arange(1024) / 1024)
    samples = np.stack([sound, 0.5 * np.maximum(sound, 0)], axis=1)
    source = Source("file", None, None, RATE, 2, RATE)
    found = waves_of(measure(Take(samples, RATE, source), "tone", CheckSettings()))
    assert sorted(found) == [1, 2]
    # The Fourier series of a sawtooth: 1/k.
    assert np.abs(found[1].lines[:6]) == pytest.approx(1 / np.arange(2, 8), rel=0.01)
    assert max(apart(found[1], wave_of(period))) < 0.01
    assert max(apart(found[2], wave_of(np.maximum(period, 0)))) < 0.01
    assert min(apart(found[1], found[2])) > 0.1


def test_what_has_lost_one_half_is_flat_at_one_end():
    sine = np.sin(2 * np.pi * saw())
    assert flatness(wave_of(sine)) == pytest.approx(np.arccos(0.8) / np.pi, abs=0.01)
    for period in (sine, saw()):
        for half in (np.maximum(period, 0), np.minimum(period, 0)):
            assert flatness(wave_of(half)) > flatness(wave_of(period)) + 0.15


def test_a_sound_that_dies_away_is_as_sure_as_it_comes_again():
    moving, half = wave_of(saw(), doubt=0.05), wave_of(np.maximum(saw(), 0), doubt=0.05)
    assert apart(moving, half)[0] == 0.0
    assert apart(moving, half, again=1e-3)[0] > 0.1
    assert apart(moving, half, again=1.0) == apart(moving, half)


@pytest.mark.parametrize("corner", [0.3, 1.0, 3.0])
@pytest.mark.parametrize("polarity", [1, -1])
def test_what_a_high_pass_took_of_the_fundamental_is_read_off_its_harmonics(corner, polarity):
    """10 lg(1 + (fc/f)^2), the RC section of the first order; scipy's filter is the peer."""
    b, a = butter(1, corner, "high", analog=True)
    _, gain = freqs(b, a, worN=np.fft.rfftfreq(1024, 1 / 1024))
    thin = np.fft.irfft(np.fft.rfft(saw()) * gain)
    lost, left = bass_lost(wave_of(polarity * thin), wave_of(saw()))
    # 400 corners over three and a half decades are 2 % apart: 0.2 dB where it is steepest.
    assert lost == pytest.approx(10 * np.log10(1 + corner**2), abs=0.2)
    assert left < 0.03
    assert bass_lost(wave_of(saw()), wave_of(thin))[0] < 0.1
    # What is unsure has lost less for certain.
    assert bass_lost(wave_of(thin, doubt=0.05), wave_of(saw(), doubt=0.05))[0] < lost


def test_a_stage_that_waits_at_zero_distorts_there():
    at = 2 * np.pi * np.arange(1024) / 1024
    sine = np.cos(at)
    dead = np.sign(sine) * np.maximum(np.abs(sine) - 0.1, 0)
    assert share_at_zero(wave_of(dead).lines) > 0.65
    assert share_at_zero(wave_of(np.clip(sine, -0.7, 0.7)).lines) < 0.5
    for number in range(2, 13):
        one = sine + 0.1 * np.cos(number * at + 0.3 * number)
        assert 0.15 < share_at_zero(wave_of(one).lines) < 0.45
