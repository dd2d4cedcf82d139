"""A recorded file in place of an interface."""

from dataclasses import replace

import numpy as np
import pytest
import soundfile

from sigbench.errors import RequestError
from sigbench.interface.base import capture, level_check
from sigbench.interface.file import read_long_take, read_take
from sigbench.interface.replay import ReplayedFile
from sigbench.live.watch import Watch
from sigbench.model import CheckSettings, LostBuffers

RATE = 44_100
FRAMES = 61_234  # no whole number of blocks


@pytest.fixture
def file(tmp_path):
    noise = np.random.default_rng(3).integers(-(2**22), 2**22, (FRAMES, 3)) * 2**8
    soundfile.write(tmp_path / "a.flac", noise.astype(np.int32), RATE, "PCM_24")
    return tmp_path / "a.flac"


@pytest.mark.parametrize("read", [read_take, read_long_take])
def test_it_gives_the_file_bit_for_bit(file, read):
    interface = ReplayedFile(read(file), "pocket recorder")
    assert (interface.samplerate, interface.channels, interface.bits) == (RATE, 3, 24)
    assert (interface.name, interface.device, interface.dc_coupled) == (
        "file",
        "pocket recorder",
        False,
    )
    blocks = list(interface.stream(seconds=None))
    # expected values from the library that wrote the file, not through any of ours
    expected, _ = soundfile.read(file, always_2d=True)
    np.testing.assert_array_equal(np.concatenate([b.samples for b in blocks]), expected)
    ends = np.cumsum([len(b.samples) for b in blocks])
    assert [b.first_frame for b in blocks] == [0, *ends[:-1]]
    assert len(blocks) > 10


def test_a_capture_of_it_says_that_it_is_from_a_file(file):
    take = read_take(file)
    again = capture(ReplayedFile(take, "a"), seconds=take.seconds)
    assert (again.source.kind, again.bits, again.frames) == ("file", 24, FRAMES)
    part = capture(ReplayedFile(take, "a"), seconds=0.25)
    np.testing.assert_array_equal(part.samples, take.samples[: RATE // 4])


@pytest.mark.parametrize("frame", [0, 4410, 60_000, FRAMES])
def test_what_the_computer_lost_then_comes_along_once(file, frame):
    lost = LostBuffers(frame, 128)
    take = replace(read_take(file), lost=(lost,))
    assert capture(ReplayedFile(take, "a"), seconds=take.seconds).lost == (lost,)


def test_a_level_check_works_on_it(file):
    channels = level_check(ReplayedFile(read_take(file), "a"), seconds=0.5).channels
    # noise that fills half of the range peaks 6.02 dB below it
    assert [c.peak_dbfs for c in channels] == pytest.approx([-6.02] * 3, abs=0.01)


def test_it_is_as_long_as_it_is_and_plays_nothing(file):
    interface = ReplayedFile(read_take(file), "a.flac")
    with pytest.raises(RequestError, match=r"a\.flac lasts 1\.39 s, and 5 s are wanted"):
        capture(interface, seconds=5)
    with pytest.raises(RequestError, match="plays nothing"):
        capture(interface, seconds=1, stimulus=np.zeros(100))
    assert list(interface.stream(seconds=None))  # and can be had again


def test_it_can_be_watched(tmp_path):
    time = np.arange(4 * RATE) / RATE
    samples = 0.2 * np.sin(2 * np.pi * 440 * time)
    samples[int(1.5 * RATE) : int(1.7 * RATE)] = 0.0
    soundfile.write(tmp_path / "held.wav", samples, RATE, "PCM_16")
    take = read_take(tmp_path / "held.wav")
    watch = Watch("jack", RATE, 1, CheckSettings(frequency_hz=440.0), seconds=take.seconds)
    for block in ReplayedFile(take, "held.wav").stream(seconds=take.seconds):
        watch.feed(block)
    (event,) = [e for e in watch.seen().events if e.kind == "dropout"]
    assert (event.start, event.end) == pytest.approx((1.5, 1.7), abs=0.01)  # a few periods
    assert watch.seen().seconds == pytest.approx(4.0)
