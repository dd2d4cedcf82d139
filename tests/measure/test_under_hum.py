"""What is beside hum: closed forms of tones and combs, in a few samples a millisecond."""

import numpy as np
import pytest

from sigbench.measure.hum_burst import INSTEAD, find_hum_bursts, without_known_losses
from sigbench.measure.under_hum import UnderHum
from sigbench.model import Event

RATE = 6000
T = np.arange(2 * RATE) / RATE
INSIDE = (T >= 1.0) & (T < 1.3)
NOISE = 1e-4 * np.random.default_rng(2).standard_normal(len(T))
HUM = 0.2 * (np.sin(2 * np.pi * 50.2 * T) + 0.4 * np.sin(2 * np.pi * 150.6 * T + 1))


def remembered(*channels, sizes=(700,)):
    under = UnderHum(RATE, 3.0)
    both = np.array(channels)
    at, k = 0, 0
    while at < both.shape[1]:
        size = sizes[k % len(sizes)]
        under.add(both[:, at : at + size])
        at, k = at + size, k + 1
    return under


@pytest.mark.parametrize("gain", [0.0, 0.05])
def test_a_sound_that_is_gone_under_hum_is_lost_by_so_much(gain):
    sound = 0.1 * np.sin(2 * np.pi * 440 * T)
    under = remembered(sound * np.where(INSIDE, gain, 1.0) + NOISE + HUM * INSIDE)
    fall = under.lost(0, 1.0, 1.3, 50.2)
    expected = -20 * np.log10(gain) if gain else 10 * np.log10(0.1**2 / 2 / 1e-8)
    assert fall == pytest.approx(expected, abs=1.0)  # noise of 900 samples is known to 0.3 dB


@pytest.mark.parametrize("gain", [1.0, 0.65, 0.3])
def test_a_sound_that_is_weaker_under_hum_is_not_lost(gain):
    sound = 0.1 * np.sin(2 * np.pi * 440 * T) + 0.05 * np.sin(2 * np.pi * 1234 * T)
    under = remembered(sound * np.where(INSIDE, gain, 1.0) + NOISE + HUM * INSIDE)
    assert under.lost(0, 1.0, 1.3, 50.2) is None


def test_of_a_sound_that_is_a_multiple_of_the_mains_nothing_is_told():
    sound = 0.1 * np.sin(2 * np.pi * 251 * T)
    under = remembered(sound * ~INSIDE + NOISE + HUM * INSIDE)
    assert under.lost(0, 1.0, 1.3, 50.2) is None


def test_hum_of_another_channel_is_seen_where_it_is_known_when():
    sound = 0.1 * np.sin(2 * np.pi * 440 * T) + NOISE
    weak = 0.1 * HUM * INSIDE
    under = remembered(sound + HUM * INSIDE, sound + weak, sound)
    assert under.rise(0, 1.0, 1.3, 50.2) > 30  # what leaks from the tone, 40 dB below it, was there
    assert under.rise(1, 1.0, 1.3, 50.2) > 10
    assert under.rise(2, 1.0, 1.3, 50.2) is None


def test_only_the_last_seconds_are_kept_and_they_are_the_right_ones():
    sound = 0.1 * np.sin(2 * np.pi * 440 * T) * ~INSIDE + NOISE + HUM * INSIDE
    long = np.concatenate([np.tile(0.3 * NOISE, 4), sound])
    fall = remembered(long, sizes=(313, 1, 47)).lost(0, 9.0, 9.3, 50.2)
    assert fall == pytest.approx(remembered(sound).lost(0, 1.0, 1.3, 50.2), abs=1e-6)


def test_the_detector_tells_the_loss_beside_the_hum():
    t = np.arange(3 * 48_000) / 48_000
    inside = (t >= 1.5) & (t < 1.9)
    hum = 0.1 * np.sin(2 * np.pi * 60 * t) * inside
    chord = 0.1 * sum(np.sin(2 * np.pi * f * t) for f in (261.6, 329.6, 392.0))
    noise = 1e-4 * np.random.default_rng(3).standard_normal((len(t), 2))
    take = noise + np.stack([chord * ~inside + hum, chord * np.where(inside, 0.7, 1) + hum], axis=1)
    burst, loss = find_hum_bursts(take, 48_000)
    assert (burst.kind, burst.channels) == ("hum_burst", (1, 2))
    assert (loss.kind, loss.channels, loss.text) == ("dropout", (1,), INSTEAD)
    assert loss.depth > 30


def test_a_loss_that_is_told_already_is_told_once():
    loss = Event("dropout", 1.0, 1.4, (1, 2), 30.0, INSTEAD)
    whole, brief = Event("dropout", 1.0, 1.39, (1,)), Event("dropout", 1.0, 1.002, (2,))
    assert without_known_losses([whole, brief, loss]) == [
        whole,
        brief,
        Event("dropout", 1.0, 1.4, (2,), 30.0, INSTEAD),
    ]
    assert (
        without_known_losses([loss, Event("lost_buffers", 0.9, 1.5, (1, 2))])[0].kind != "dropout"
    )
    assert without_known_losses([loss]) == [loss]
