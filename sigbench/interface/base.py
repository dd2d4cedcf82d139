"""What every audio interface offers, and how its blocks become a take.

An interface is anything with a handful of settings and one method, `Interface.stream`. Recording,
playing, and playing while recording are all streams:

* record: ``interface.stream(seconds=5)``
* play and record: ``interface.stream(seconds=5, stimulus=samples)``
* play only: the same, with the blocks dropped
* watch live until told to stop: ``interface.stream(seconds=None)``, closed when done

The stream opens the device with its first block and closes it when it ends, when it is closed,
and when Ctrl-C interrupts it: wrap it in `contextlib.closing`.
"""

from collections.abc import Callable, Generator, Iterable
from contextlib import closing
from dataclasses import dataclass, replace
from typing import Literal, Protocol

import numpy as np

from sigbench.errors import CaptureFailed, RequestError
from sigbench.measure.clipping import clipped_samples
from sigbench.model import LostBuffers, Samples, Source, Take
from sigbench.units import ratio_to_db, rms_to_dbfs, true_minus

HIGH_PEAK_DBFS = -6.0  # headroom for a louder note or an accent: common practice, no source
LOW_PEAK_DBFS = -40.0  # below this the interface's own noise costs resolution: common practice
SILENT_PEAK_DBFS = -80.0  # where an open line input's own noise peaks: common practice, no source


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """A few milliseconds of audio from a running stream.

    Parameters
    ----------
    samples : ndarray of float64, shape (frames, channels)
        Full scale is -1.0 to 1.0.
    first_frame : int
        Position of the first frame in the stream.
    lost : tuple of LostBuffers
        What the computer lost, as far as it is known with this block: at frame positions of the
        stream, which may lie before the block.
    """

    samples: Samples
    first_frame: int
    lost: tuple[LostBuffers, ...] = ()


class Interface(Protocol):
    """An audio interface: its settings, and one way to run it."""

    @property
    def name(self) -> str:
        """Which kind it is: ``portaudio``, ``simulated`` or ``file``."""
        ...

    @property
    def device(self) -> str:
        """The device as a person would name it."""
        ...

    @property
    def samplerate(self) -> int:
        """Frames a second."""
        ...

    @property
    def channels(self) -> int:
        """Number of recorded channels."""
        ...

    @property
    def bits(self) -> int | None:
        """Resolution of the samples; None where they are floating point."""
        ...

    @property
    def dc_coupled(self) -> bool:
        """Whether the input is known to pass DC."""
        ...

    def stream(
        self, *, seconds: float | None, stimulus: Samples | None = None
    ) -> Generator[Block, None, None]:
        """Record, and play the stimulus meanwhile when there is one.

        Parameters
        ----------
        seconds : float or None
            How long to record; None until the stream is closed. Silence is played once the
            stimulus has ended.
        stimulus : ndarray of float64, shape (frames,) or (frames, channels), optional
            Sent to the outputs from the first one on; one channel goes to all outputs.

        Yields
        ------
        Block
            Successive pieces without a gap between their frame positions.

        Raises
        ------
        RequestError
            If the length or the stimulus cannot be played.
        CaptureFailed
            If the device stops before the end.
        """
        ...


def source_kind(interface: Interface) -> Literal["file", "interface", "simulated"]:
    """What a take that is made with an interface says of where it is from."""
    if interface.name == "file":
        return "file"
    return "simulated" if interface.name == "simulated" else "interface"


def frames_in(seconds: float, samplerate: int) -> int:
    """Whole frames in a stretch of time.

    Raises
    ------
    RequestError
        If that is not one frame at least.
    """
    if not np.isfinite(seconds) or round(seconds * samplerate) < 1:
        raise RequestError(f"A take of {seconds:g} s cannot be recorded: give a length above 0 s.")
    return round(seconds * samplerate)


def stimulus_for_outputs(stimulus: Samples, outputs: int) -> Samples:
    """The stimulus with one column for each output; one channel goes to all of them.

    Raises
    ------
    RequestError
        If it has no frames, more channels than there are outputs, or values beyond full scale.
    """
    columns = stimulus[:, np.newaxis] if stimulus.ndim == 1 else stimulus
    frames, channels = columns.shape
    if frames == 0:
        raise RequestError("The stimulus has no samples: there is nothing to play.")
    if channels > outputs:
        raise RequestError(
            f"The stimulus has {channels} channels and the device {outputs} outputs: "
            "choose a stimulus with fewer channels."
        )
    if not np.all(np.abs(columns) <= 1.0):  # also catches NaN
        raise RequestError("The stimulus goes beyond full scale: lower its level to 0 dBFS peak.")
    if channels == 1:
        return np.repeat(columns, outputs, axis=1)
    return np.pad(columns, ((0, 0), (0, outputs - channels)))


def losses_from(lost: Iterable[LostBuffers], start: int) -> tuple[LostBuffers, ...]:
    """Losses at positions of a take that begins at frame `start` of the stream.

    What was lost before it has no bearing on it, unless it spoils its first frames.
    """
    within = []
    for loss in lost:
        before = max(0, start - loss.frame)
        if before == 0 or loss.spoiled > before:
            within.append(
                replace(
                    loss, frame=loss.frame - start + before, spoiled=max(0, loss.spoiled - before)
                )
            )
    return tuple(within)


def whole_stream(
    interface: Interface,
    *,
    seconds: float,
    stimulus: Samples | None = None,
    until: Callable[[], bool] | None = None,
) -> Generator[Block, None, None]:
    """The blocks of a stream of that length, or of one that `until` ends before.

    Raises
    ------
    CaptureFailed
        If the device ends it before.
    """
    received = 0
    with closing(interface.stream(seconds=seconds, stimulus=stimulus)) as blocks:
        for block in blocks:
            received = block.first_frame + len(block.samples)
            yield block
            if until is not None and until():
                return
    if received != frames_in(seconds, interface.samplerate):
        raise CaptureFailed(
            f"{interface.device} stopped after {received / interface.samplerate:.2f} s of "
            f"{seconds:g} s: check its cable and record again."
        )


def capture(
    interface: Interface,
    *,
    seconds: float,
    stimulus: Samples | None = None,
    settle: float = 0.0,
    on_block: Callable[[Block], None] | None = None,
    until: Callable[[], bool] | None = None,
) -> Take:
    """Record one take, playing the stimulus meanwhile when there is one.

    Parameters
    ----------
    interface : Interface
        What to record with.
    seconds : float
        Length of the take.
    stimulus : ndarray of float64, shape (frames,) or (frames, channels), optional
        What to play, from the start of `settle` on.
    settle : float
        Seconds to run before the take begins, and to drop: a stimulus needs a moment through the
        buffers of the computer, and coupling capacitors need one to charge.
    on_block : callable, optional
        Called with each block as it arrives, for a live view or a progress bar.
    until : callable, optional
        Asked after each block; when it says so, the take is over.

    Returns
    -------
    Take
        Exactly `seconds` long, unless `until` ended it. What the computer lost is in `Take.lost`
        and counted in its source; what it lost while settling has no bearing on the take and is
        left out.

    Raises
    ------
    RequestError
        If the length or the stimulus cannot be played.
    DeviceNotFound, CaptureFailed
        If the device is not there, or stops before the take is whole.
    """
    frames = frames_in(seconds, interface.samplerate)
    skipped = frames_in(seconds + settle, interface.samplerate) - frames
    samples = np.empty((skipped + frames, interface.channels))
    lost: list[LostBuffers] = []
    received = 0
    stream = whole_stream(interface, seconds=seconds + settle, stimulus=stimulus, until=until)
    with closing(stream) as blocks:
        for block in blocks:
            received = block.first_frame + len(block.samples)
            samples[block.first_frame : received] = block.samples
            lost.extend(losses_from(block.lost, skipped))
            if on_block is not None:
                on_block(block)
    source = Source(
        kind=source_kind(interface),
        path=None,
        sha256=None,
        samplerate=interface.samplerate,
        channels=interface.channels,
        frames=max(0, received - skipped),
        lost_buffers=len(lost),
    )
    return Take(
        samples[skipped:received],
        interface.samplerate,
        source,
        lost=tuple(sorted(lost, key=lambda loss: loss.frame)),
        bits=interface.bits,
        dc_coupled=interface.dc_coupled,
    )


@dataclass(frozen=True, slots=True)
class ChannelLevel:
    """What one channel showed in a level check, and what to do about it.

    Parameters
    ----------
    peak_dbfs : float
        Largest sample, re full scale; ``-inf`` for digital silence.
    rms_dbfs : float
        RMS level, full-scale sine 0 dBFS (AES17).
    clipped : int
        Number of samples held at full scale.
    fine : bool
        Whether a take can be started as it is.
    advice : str
        One plain sentence.
    """

    channel: int
    peak_dbfs: float
    rms_dbfs: float
    clipped: int
    fine: bool
    advice: str


@dataclass(frozen=True, slots=True)
class LevelCheck:
    """The levels of all channels just before a take."""

    channels: tuple[ChannelLevel, ...]

    @property
    def fine(self) -> bool:
        """Whether every channel is fit for a take."""
        return all(channel.fine for channel in self.channels)


def level_check(
    interface: Interface, *, seconds: float = 1.0, stimulus: Samples | None = None
) -> LevelCheck:
    """Listen for a moment, with the sound that the take will have, and advise on the gain.

    Raises
    ------
    DeviceNotFound, CaptureFailed, RequestError
        As for `capture`.
    """
    return levels_of(capture(interface, seconds=seconds, stimulus=stimulus))


def levels_of(take: Take) -> LevelCheck:
    """The level check of a take that is already there."""
    return LevelCheck(
        tuple(
            _channel_level(take, channel, take.samples[:, channel - 1])
            for channel in range(1, take.channels + 1)
        )
    )


def _channel_level(take: Take, channel: int, signal: Samples) -> ChannelLevel:
    peak_dbfs = float(ratio_to_db(float(np.max(np.abs(signal)))))
    rms_dbfs = float(rms_to_dbfs(float(np.sqrt(np.mean(signal**2)))))
    clipped = clipped_samples(signal, take.bits)
    advice = _advice(peak_dbfs, clipped)
    said = true_minus(advice or f"fine, peaks at {peak_dbfs:.1f} dBFS")
    return ChannelLevel(
        channel, peak_dbfs, rms_dbfs, clipped, advice is None, f"channel {channel}: {said}"
    )


def _advice(peak_dbfs: float, clipped: int) -> str | None:
    if clipped:
        return (
            f"clipped on {clipped} samples – turn the gain down until peaks stay below "
            f"{HIGH_PEAK_DBFS:g} dBFS"
        )
    if peak_dbfs > HIGH_PEAK_DBFS:
        return (
            f"peaks at {peak_dbfs:.1f} dBFS – turn the gain down until peaks stay below "
            f"{HIGH_PEAK_DBFS:g} dBFS"
        )
    if peak_dbfs == -np.inf:
        return "not even noise – check that this input is the one in use and switched on"
    if peak_dbfs < SILENT_PEAK_DBFS:
        return "silent – check the cable"
    if peak_dbfs < LOW_PEAK_DBFS:
        return (
            f"peaks at only {peak_dbfs:.1f} dBFS – turn the volume or the gain up until peaks "
            f"lie above {LOW_PEAK_DBFS:g} dBFS"
        )
    return None
