"""Jumps of audio, made with numpy alone: cut out, put in, overwritten, repeated."""

from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sigbench.measure.continuity import (
    LONGEST_JUMP_SECONDS,
    PILOT_HZ,
    PILOT_PEAK_DBFS,
    PILOT_SECONDS,
    PilotWatch,
    pilot,
    tone_jumps,
)
from sigbench.model import LostBuffers

RATE = 48_000
AT = 100_123


def heard(*how, **more):
    """A copy of what comes back of the pilot."""
    return came_back(*how, **more).copy()


@cache
def came_back(rate=RATE, seconds=6.0, ppm=0.0, noise_dbfs=-90.0, gain=1.0):
    """Through another clock and a noisy input."""
    time = np.arange(round(seconds * rate)) * (1 + ppm * 1e-6) / rate
    signal = sum(np.cos(2 * np.pi * f * time - np.pi * k * k / 4) for k, f in enumerate(PILOT_HZ))
    scale = 10 ** (PILOT_PEAK_DBFS / 20) / 4 * gain
    noise = np.random.default_rng(3).standard_normal(len(time))
    return scale * signal + 10 ** (noise_dbfs / 20) * noise


def watched(signal, rate=RATE, block=4800):
    watch = PilotWatch(rate)
    found = []
    for at in range(0, len(signal), block):
        found += watch.feed(signal[at : at + block])
    return [*found, *watch.finish()]


@pytest.mark.parametrize("rate", [44_100, 48_000, 88_200, 96_000, 192_000])
def test_the_pilot_repeats_without_a_seam(rate):
    once = pilot(rate)
    assert len(once) == PILOT_SECONDS * rate
    assert 20 * np.log10(np.max(np.abs(once))) == pytest.approx(PILOT_PEAK_DBFS, abs=1e-6)
    twice = np.concatenate([once, once])
    assert watched(twice[: round(1.3 * len(once))], rate) == []


@pytest.mark.parametrize("ppm", [-200.0, -30.0, 0.0, 200.0])
@pytest.mark.parametrize("noise_dbfs", [-110.0, -90.0, -65.0])
def test_two_clocks_and_noise_are_no_loss(ppm, noise_dbfs):
    assert watched(heard(ppm=ppm, noise_dbfs=noise_dbfs, seconds=20.0)) == []


@pytest.mark.parametrize("frames", [1, 2, 7, 48, 480, 1024, 4096, 44_100])
@pytest.mark.parametrize("ppm", [0.0, 120.0])
def test_frames_cut_out_are_counted(frames, ppm):
    signal = heard(ppm=ppm)
    (loss,) = watched(np.delete(signal, slice(AT, AT + frames)))
    assert loss.frames == round(frames * (1 + ppm * 1e-6))  # frames of the output's clock
    assert loss.frame == pytest.approx(AT, abs=4 if frames > 1 else 24)
    assert loss.spoiled == 0


@pytest.mark.parametrize("rate", [44_100, 96_000, 192_000])
@pytest.mark.parametrize("frames", [3, 4096])
def test_frames_are_counted_at_any_rate(rate, frames):
    signal = heard(rate, seconds=3.0, ppm=50.0)
    (loss,) = watched(np.delete(signal, slice(AT, AT + frames)), rate)
    assert (loss.frames, loss.spoiled) == (frames, 0)
    assert loss.frame == pytest.approx(AT, abs=8)


@pytest.mark.parametrize("frames", [32, 480, 1024, 4096, 30_000])
def test_silence_put_in_spoils_its_length(frames):
    (loss,) = watched(np.insert(heard(), AT, np.zeros(frames)))
    assert loss.frames == pytest.approx(0, abs=3)
    assert loss.frame == pytest.approx(AT, abs=3)
    assert loss.spoiled == pytest.approx(frames, abs=5)


@pytest.mark.parametrize("frames", [32, 480, 1024, 4096])
def test_audio_replaced_by_silence_is_lost_and_spoiled(frames):
    signal = heard()
    signal[AT : AT + frames] = 0
    (loss,) = watched(signal)
    assert loss.frame == pytest.approx(AT, abs=3)
    assert loss.frames == pytest.approx(frames, abs=5)
    assert loss.spoiled == pytest.approx(frames, abs=5)


@pytest.mark.parametrize("frames", [64, 1024, 9600])
def test_a_buffer_played_twice_spoils_its_length(frames):
    signal = heard()
    (loss,) = watched(np.insert(signal, AT, signal[AT - frames : AT]))
    assert loss == LostBuffers(pytest.approx(AT, abs=3), 0, frames)


def test_several_in_a_row_are_told_apart():
    signal = heard(seconds=10.0)
    places = [100_000, 160_000, 230_000]
    for place in reversed(places):
        signal = np.delete(signal, slice(place, place + 256))
    found = watched(signal)
    assert [loss.frames for loss in found] == [256] * 3
    moved = [place - 256 * k for k, place in enumerate(places)]
    assert [loss.frame for loss in found] == pytest.approx(moved, abs=3)


def test_a_pilot_that_never_comes_is_not_found():
    watch = PilotWatch(RATE)
    noise = 1e-3 * np.random.default_rng(0).standard_normal(RATE)
    assert watch.feed(noise) == ()
    assert not watch.found
    assert watch.finish() == ()


def test_music_in_its_place_is_no_pilot():
    watch = PilotWatch(RATE)
    time = np.arange(RATE) / RATE
    watch.feed(0.3 * np.sin(2 * np.pi * 440 * time) + 0.1 * np.sin(2 * np.pi * 1320 * time))
    assert not watch.found


def test_a_pilot_that_goes_away_spoils_the_rest():
    signal = heard()
    signal[AT:] = 0
    watch = PilotWatch(RATE)
    assert watch.feed(signal) == ()
    assert watch.doubtful_seconds == pytest.approx((len(signal) - AT) / RATE, abs=0.03)
    (loss,) = watch.finish()
    assert (loss.frame, loss.frames) == (pytest.approx(AT, abs=3), None)
    assert loss.frame + loss.spoiled == len(signal)


def test_crosstalk_of_a_loud_note_does_no_harm():
    signal = heard()
    time = np.arange(len(signal)) / RATE
    # Full scale on the next input, 80 dB down in this one.
    assert watched(signal + 1e-4 * np.sign(np.sin(2 * np.pi * 220 * time))) == []


def test_a_gain_that_is_turned_slowly_does_no_harm():
    signal = heard(seconds=10.0)
    assert watched(signal * np.linspace(1.0, 0.3, len(signal))) == []


def test_the_longest_jump():
    frames = round((LONGEST_JUMP_SECONDS - 0.1) * RATE)
    (loss,) = watched(np.delete(heard(seconds=8.0), slice(AT, AT + frames)))
    assert loss.frames == frames


def played(frequency, seconds=4.0, ppm=30.0):
    """A tone that was played through a rig, with what is usual beside it."""
    time = np.arange(round(seconds * RATE)) / RATE
    phase = 2 * np.pi * frequency * time * (1 + ppm * 1e-6)
    tone = 0.25 * np.sin(phase) + 2.5e-3 * np.sin(3 * phase)
    hum = 1e-3 * np.sin(2 * np.pi * 50 * time)
    return tone + hum + 1e-4 * np.random.default_rng(1).standard_normal(len(time))


@pytest.mark.parametrize("frequency", [110.0, 440.0, 997.0, 5000.0])
def test_a_steady_tone_tells_of_a_jump_but_not_how_far(frequency):
    period = RATE / frequency
    signal = played(frequency)
    assert tone_jumps(signal, RATE, frequency) == ()
    jumped = np.delete(signal, slice(AT, AT + round(40.3 * period)))
    (loss,) = tone_jumps(jumped, RATE, frequency)
    assert loss.frames is None
    assert loss.frame == pytest.approx(AT, abs=period / 4 + 4)
    unseen = np.delete(played(frequency, ppm=0.0), slice(AT, AT + RATE))  # whole periods
    assert tone_jumps(unseen, RATE, frequency) == ()


def test_a_dropout_in_a_played_tone_is_no_jump():
    signal = played(997.0)
    signal[AT : AT + 2400] *= 1e-4
    signal[-4800:] = 0.0
    assert tone_jumps(signal, RATE, 997.0) == ()


@settings(max_examples=12)
@given(st.lists(st.integers(1, 20_000), min_size=1, max_size=8), st.integers(1, 5000))
def test_blocks_of_any_size_give_the_same(sizes, frames):
    signal = np.delete(heard(seconds=4.0, ppm=40.0), slice(AT, AT + frames))
    watch, found, at, turn = PilotWatch(RATE), [], 0, 0
    while at < len(signal):
        size = sizes[turn % len(sizes)]
        found += watch.feed(signal[at : at + size])
        at, turn = at + size, turn + 1
    assert [*found, *watch.finish()] == watched(signal)


@settings(max_examples=25)
@given(st.integers(1, 100_000), st.integers(60_000, 140_000))
def test_any_cut_is_counted_to_the_frame(frames, at):
    signal = np.delete(heard(seconds=6.0), slice(at, at + frames))
    (loss,) = watched(signal)
    assert loss.frames == frames
    assert abs(loss.frame - at) <= 6
