"""Where a known gain is left again, in partials that wander and noise between them."""

import numpy as np
import pytest
from scipy.signal import lfilter

from sigbench.measure.gain_return import AFTER, PAST, TAPS, averaged, likeliest_return, sound_of

RATE = 6_000
START = 3_000


def wandering(seed):
    """Six partials whose phases wander, 30 dB above a white noise."""
    chance = np.random.default_rng(seed)
    time = np.arange(8_000) / RATE
    sound = sum(
        np.cos(2 * np.pi * f * time + lfilter([0.02], [1, -0.999], chance.standard_normal(8_000)))
        for f in (196.0, 293.7, 392.0, 587.3, 784.0, 1174.7)
    )
    return sound + 0.055 * chance.standard_normal(8_000)


def sought(taken, sound, gain, power, first, last):
    """From sample `first` to `last` after the fall."""
    heard = taken[START + first - TAPS : START + last + AFTER]
    place = likeliest_return(
        heard, sound, gain, power, inside=TAPS - first, first=TAPS, last=TAPS + last - first
    )
    return None if place is None else place - TAPS + first


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("gain", [0.15, 0.3, 0.5])
@pytest.mark.parametrize("length", [12, 60, 140])
def test_the_place_is_found_whatever_the_wave_does_there(seed, gain, length):
    taken = wandering(seed)
    past = taken[START - PAST : START].copy()
    taken[START : START + length] *= gain
    # Two samples: a wave that just crosses zero is there no other with another gain.
    found = sought(taken, sound_of(past), gain, float(np.mean(past**2)), 5, 160)
    assert found == pytest.approx(length, abs=2)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("gain", [0.02, 0.5])
def test_what_does_not_come_back_is_not_found_to(seed, gain):
    taken = wandering(seed)
    past = taken[START - PAST : START].copy()
    taken[START:] *= gain
    sound, power = sound_of(past), float(np.mean(past**2))
    for first in (5, 165, 325):
        assert sought(taken, sound, gain, power, first, first + 160) is None


@pytest.mark.parametrize("seed", range(6))
def test_another_sound_is_no_return(seed):
    taken = wandering(seed)
    past = taken[START - PAST : START].copy()
    taken[START:] *= 0.5
    beat = np.sin(2 * np.pi * 466.2 * np.arange(8_000 - START - 60) / RATE)
    taken[START + 60 :] += 2 * beat
    assert sought(taken, sound_of(past), 0.5, float(np.mean(past**2)), 5, 160) is None


def test_a_mean_is_of_the_frames_that_make_it():
    np.testing.assert_array_equal(averaged(np.arange(6.0), 3), [1.0, 4.0])
