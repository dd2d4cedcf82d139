from collections.abc import Generator

import numpy as np
import pytest

from sigbench.errors import CaptureFailed, RequestError
from sigbench.interface.base import Block, Interface, capture, level_check, stimulus_for_outputs
from sigbench.model import LostBuffers, Samples

RATE = 1000


class Tape:
    """An interface that delivers given samples in blocks, and counts how often it was closed."""

    name = "tape"
    device = "a tape"
    samplerate = RATE
    bits: int | None = 24
    dc_coupled = False

    def __init__(
        self, samples: Samples, sizes: tuple[int, ...], lost: dict[int, LostBuffers] | None = None
    ) -> None:
        self.samples, self.sizes, self.lost = samples, sizes, lost or {}
        self.channels = samples.shape[1]
        self.closed = 0

    def stream(
        self, *, seconds: float | None, stimulus: Samples | None = None
    ) -> Generator[Block, None, None]:
        try:
            first = 0
            for number, size in enumerate(self.sizes):
                loss = (self.lost[number],) if number in self.lost else ()
                yield Block(self.samples[first : first + size], first, loss)
                first += size
        finally:
            self.closed += 1


def ramp(frames: int, channels: int = 2) -> Samples:
    return np.arange(frames * channels).reshape(frames, channels) / (frames * channels)


def test_blocks_of_any_size_become_one_take() -> None:
    tape = Tape(ramp(1000), (1, 99, 500, 400), {2: LostBuffers(100, 64), 3: LostBuffers(600)})
    seen: list[int] = []
    interface: Interface = tape
    take = capture(interface, seconds=1, on_block=lambda block: seen.append(block.first_frame))
    np.testing.assert_array_equal(take.samples, ramp(1000))
    assert seen == [0, 1, 100, 600]
    assert take.lost == (LostBuffers(100, 64), LostBuffers(600))
    assert take.source.lost_buffers == 2
    assert (take.source.kind, take.source.path, take.source.sha256) == ("interface", None, None)
    assert (take.bits, take.dc_coupled, take.seconds) == (24, False, 1.0)
    assert tape.closed == 1


def test_the_settling_time_is_dropped_with_what_was_lost_in_it() -> None:
    tape = Tape(ramp(1000), (100,) * 10, {1: LostBuffers(100), 5: LostBuffers(500, 10)})
    take = capture(tape, seconds=0.75, settle=0.25)
    np.testing.assert_array_equal(take.samples, ramp(1000)[250:])
    assert take.lost == (LostBuffers(250, 10),)


def test_a_stream_that_ends_early_is_no_take() -> None:
    with pytest.raises(CaptureFailed, match=r"a tape stopped after 0\.50 s of 1 s"):
        capture(Tape(ramp(1000), (500,)), seconds=1)


def test_a_take_may_be_ended_before_its_time() -> None:
    tape = Tape(ramp(1000), (100,) * 10)
    asked: list[bool] = []
    take = capture(tape, seconds=1, until=lambda: asked.append(True) or len(asked) == 3)
    np.testing.assert_array_equal(take.samples, ramp(1000)[:300])
    assert (take.frames, take.source.frames, tape.closed) == (300, 300, 1)


@pytest.mark.parametrize("interruption", [KeyboardInterrupt, ValueError])
def test_an_interruption_closes_the_stream(interruption: type[BaseException]) -> None:
    tape = Tape(ramp(1000), (100,) * 10)

    def interrupt(_: Block) -> None:
        raise interruption

    with pytest.raises(interruption):
        capture(tape, seconds=1, on_block=interrupt)
    assert tape.closed == 1


@pytest.mark.parametrize("seconds", [0.0, -1.0, 1e-6, float("nan"), float("inf")])
def test_lengths_that_cannot_be_recorded(seconds: float) -> None:
    with pytest.raises(RequestError, match="give a length above 0 s"):
        capture(Tape(ramp(10), (10,)), seconds=seconds)


def test_stimuli_are_spread_over_the_outputs() -> None:
    mono = np.array([0.1, 0.2])
    np.testing.assert_array_equal(stimulus_for_outputs(mono, 2), [[0.1, 0.1], [0.2, 0.2]])
    left = np.array([[0.5, 0.0]])
    np.testing.assert_array_equal(stimulus_for_outputs(left, 4), [[0.5, 0, 0, 0]])
    with pytest.raises(RequestError, match="3 channels and the device 2 outputs"):
        stimulus_for_outputs(np.zeros((5, 3)), 2)
    with pytest.raises(RequestError, match="no samples"):
        stimulus_for_outputs(np.zeros(0), 2)
    for value in (1.1, np.nan):
        with pytest.raises(RequestError, match="beyond full scale"):
            stimulus_for_outputs(np.array([value]), 2)


@pytest.mark.parametrize(
    ("peak", "says", "fine"),
    [
        (0.0, "channel 1: not even noise – check", False),
        (1e-5, "channel 1: silent – check the cable", False),
        (0.005, "turn the volume or the gain up", False),
        (0.25, "channel 1: fine, peaks at −12.0 dBFS", True),
        (0.9, "channel 1: peaks at −0.9 dBFS – turn the gain down until peaks stay below", False),
        (2.0, "channel 1: clipped on ", False),
    ],
)
def test_advice_before_a_take(peak: float, says: str, fine: bool) -> None:
    wave = np.sin(2 * np.pi * 10 * np.arange(RATE) / RATE)[:, np.newaxis]
    top = 1 - 2.0**-23
    checked = level_check(Tape(np.clip(peak * wave, -top, top), (RATE,)), seconds=1)
    (channel,) = checked.channels
    assert says in channel.advice
    assert channel.fine is checked.fine is fine


def test_levels_are_those_of_a_sine() -> None:
    wave = np.sin(2 * np.pi * 10 * np.arange(RATE) / RATE)
    checked = level_check(Tape(np.column_stack((0.5 * wave, 0.25 * wave)), (RATE,)), seconds=1)
    for channel, expected in zip(checked.channels, (-6.0206, -12.0412), strict=True):
        assert channel.peak_dbfs == pytest.approx(expected, abs=1e-3)  # a sine's RMS level in
        assert channel.rms_dbfs == pytest.approx(expected, abs=1e-3)  # dBFS is its peak (AES17)
        assert channel.clipped == 0
