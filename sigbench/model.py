"""The words of the bench as frozen records: what every other module takes and gives.

A take is the evidence, readings and events are what was found in it, a measurement is both
with its source. Units, plans and runs say what was measured, how and when.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float64]
"""Audio of shape (frames, channels), full scale -1.0 to 1.0."""

BLOCK_SAMPLES = 1 << 20
"""Of all channels together: a block, where audio is read or worked on piece by piece."""

State = Literal["ok", "rig-limited", "invalid"]
FADED = (
    "signal faded, and was back at once: what feeds it went, a supply or a joint before the jack"
)
"""Text of a dropout that `sigbench.measure.gaps` has found."""

SLEEVE_OPEN = (
    "the sleeve that both channels share let go: what is left is the difference between them, in "
    "opposite directions"
)
"""Text of an event in which the channels of a stereo plug lose their common return."""

PAUSED = "paused"
"""Text of a mark that is a pause; one without a length has not ended yet."""

EventKind = Literal["dropout", "dip", "crackle", "click", "hum_burst", "lost_buffers", "mark"]
ListValue = tuple[float, ...] | tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Reading:
    """One number, which stands alone: with unit, channel, uncertainty and state.

    Parameters
    ----------
    name : str
        One of the fixed names in ``docs/measurements/README.md``.
    value : float or tuple or None
        None where there is no answer (then the state is ``invalid`` and `why` says the reason).
    unit : str
        Unit of the value; the empty string for a count or a sign.
    channel : int or None
        Counted from 1; None for readings of a pair.
    uncertainty : float or tuple of float or None
        Standard uncertainty (GUM) in the same unit; one for each entry of a list value.
    why : str or None
        The reason for an invalid state, or a remark about the conditions of a valid number.
    channels : tuple of int or None
        The two channels of a pair reading.
    upper_bound : bool
        True where nothing stood above the noise: the true value is not above this one.
    """

    name: str
    value: float | ListValue | None
    unit: str
    channel: int | None = None
    uncertainty: float | tuple[float, ...] | None = None
    state: State = "ok"
    why: str | None = None
    channels: tuple[int, int] | None = None
    upper_bound: bool = False

    @classmethod
    def invalid(
        cls,
        name: str,
        unit: str,
        why: str,
        *,
        channel: int | None = None,
        channels: tuple[int, int] | None = None,
    ) -> "Reading":
        """A reading without an answer, and the reason."""
        return cls(name, None, unit, channel, None, "invalid", why, channels)


@dataclass(frozen=True, slots=True)
class Event:
    """Something at a time: start and end in seconds from the first frame, depth in dB.

    An event of kind "mark" is what the person did, in `text`, and belongs to no channel. One that
    lasts is a pause, in which nothing counts.

    Parameters
    ----------
    place : str or None
        The jack, or other part, that was being moved then. A mark with a place begins it; it lasts
        until the next such mark.
    """

    kind: EventKind
    start: float
    end: float
    channels: tuple[int, ...]
    depth: float | None = None
    text: str | None = None
    place: str | None = None


@dataclass(frozen=True, slots=True)
class LostBuffers:
    """Audio that the computer lost: after which frame of the take, and how many frames.

    Parameters
    ----------
    frame : int
        Frames of the take before it.
    frames : int or None
        How many frames of the world's sound are missing; None where the audio system reports a
        loss but not its length.
    spoiled : int
        How many frames of the take, from `frame` on, are silence or a repetition that stands in
        for them.
    """

    frame: int
    frames: int | None = None
    spoiled: int = 0


@dataclass(frozen=True, slots=True)
class Source:
    """Where the audio of a take came from."""

    kind: Literal["file", "interface", "simulated", "meter"]
    path: str | None
    sha256: str | None
    samplerate: int
    channels: int
    frames: int
    lost_buffers: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Take:
    """One recording: the samples and all that is known of how they were made.

    Parameters
    ----------
    samples : ndarray of float64, shape (frames, channels)
        Finite numbers; full scale is -1.0 to 1.0.
    samplerate : int
        Frames a second.
    source : Source
        File, interface or simulation it came from.
    lost : sequence of LostBuffers
        What the computer lost while recording.
    bits : int or None
        Resolution of integer samples; None for floating point.
    dc_coupled : bool
        Whether the input is known to pass DC.
    marks : sequence of Event
        What the person did meanwhile, as events of kind "mark".
    """

    samples: Samples
    samplerate: int
    source: Source
    lost: tuple[LostBuffers, ...] = ()
    bits: int | None = None
    dc_coupled: bool = False
    marks: tuple[Event, ...] = ()

    @property
    def frames(self) -> int:
        """Number of frames."""
        return int(self.samples.shape[0])

    @property
    def channels(self) -> int:
        """Number of channels."""
        return int(self.samples.shape[1])

    @property
    def seconds(self) -> float:
        """Length in seconds."""
        return self.frames / self.samplerate

    def blocks(self) -> Iterator[Samples]:
        """The samples in blocks, as those of a `LongTake`."""
        frames = BLOCK_SAMPLES // self.channels
        for start in range(0, self.frames, frames):
            yield np.asfortranarray(self.samples[start : start + frames])


@dataclass(frozen=True, slots=True, eq=False)
class LongTake:
    """A recording too long for memory: a `Take` whose samples stay on the disk.

    Parameters
    ----------
    source : Source
        Where it came from, with its rate, channels and frames.
    blocks : callable
        Gives the samples from the first frame on, in blocks of shape (frames, channels), and may
        be called as often as they are wanted. What can be pickled, such as a function of a module,
        lets two processes measure the take; they read fastest where the samples of a channel lie
        together (Fortran order).
    lost, bits, dc_coupled, marks
        As of a `Take`.
    """

    source: Source
    blocks: Callable[[], Iterator[Samples]]
    lost: tuple[LostBuffers, ...] = ()
    bits: int | None = None
    dc_coupled: bool = False
    marks: tuple[Event, ...] = ()

    @property
    def samplerate(self) -> int:
        """Frames a second."""
        return self.source.samplerate

    @property
    def frames(self) -> int:
        """Number of frames."""
        return self.source.frames

    @property
    def channels(self) -> int:
        """Number of channels."""
        return self.source.channels

    @property
    def seconds(self) -> float:
        """Length in seconds."""
        return self.frames / self.samplerate


@dataclass(frozen=True, slots=True)
class Cause:
    """A possible explanation of the readings, with the evidence and the next thing to probe."""

    name: str
    score: float
    evidence_for: tuple[str, ...]
    evidence_against: tuple[str, ...]
    next: str


@dataclass(frozen=True, slots=True)
class Measurement:
    """What one check found in one take: the object behind ``--json``."""

    check: str
    source: Source
    readings: tuple[Reading, ...]
    events: tuple[Event, ...] = ()
    causes: tuple[Cause, ...] = ()


@dataclass(frozen=True, slots=True)
class CheckSettings:
    """What a check may be told. All of it is optional: None means "find out from the signal".

    Parameters
    ----------
    frequency_hz : float or None
        The expected fundamental; needed for a weak tone under strong hum.
    a4_hz : float
        Tuning that pitch is compared with.
    mains_hz : float or None
        Nominal mains frequency, 50 or 60.
    driven_channel : int or None
        The one channel that carries the signal, for crosstalk.
    taper : str or None
        The law of the control that is turned, such as "linear", "audio" or "audio:10" (percent of
        the amplitude at half travel).
    """

    frequency_hz: float | None = None
    a4_hz: float = 440.0
    mains_hz: float | None = None
    driven_channel: int | None = None
    taper: str | None = None


@dataclass(frozen=True, slots=True)
class Output:
    """One jack, or stereo pair of jacks, of a unit, and how many channels it carries."""

    name: str
    channels: int = 2


@dataclass(frozen=True, slots=True)
class Found:
    """What a fault turned out to be, as the person has written it down.

    Parameters
    ----------
    cause : str
        Key of a cause, such as "reservoir".
    date : str
        ISO 8601.
    note : str
        In the person's own words: which part, where.
    """

    cause: str
    date: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Unit:
    """One physical instrument on the bench."""

    maker: str
    model: str
    serial: str
    outputs: tuple[Output, ...]
    mains_volts: float | None = None
    mains_hz: float | None = None
    notes: str = ""
    found: tuple[Found, ...] = ()


@dataclass(frozen=True, slots=True)
class Rail:
    """A supply rail as typed in from the multimeter: volts, and tolerance in percent of nominal.

    `ripple_volts` is what the meter shows on AC volts, RMS; None where nobody looked.
    """

    name: str
    nominal_volts: float
    tolerance_percent: float = 5.0
    measured_volts: float | None = None
    ripple_volts: float | None = None


@dataclass(frozen=True, slots=True)
class Limit:
    """Limits for one reading; a bound that is None is open."""

    reading: str
    unit: str
    low: float | None = None
    high: float | None = None


SOFT_VOLUME = "9 o'clock, or a light touch"
"""Of the steps that play a note softly."""
DOWN_VOLUME = "fully down"
"""Of the steps that listen to what comes from behind the volume control alone."""


@dataclass(frozen=True, slots=True)
class Step:
    """One check of a plan, with what the person must do before it.

    `stimulus` names a standard signal that the rig plays meanwhile (None: it only listens);
    `volume` and `gain` are positions in words, so that they can be set again at the next stage.
    """

    check: str
    output: str
    prompt: str
    seconds: float = 5.0
    repeats: int = 1
    stimulus: str | None = None
    volume: str = ""
    gain: str = ""
    settings: CheckSettings = CheckSettings()
    limits: tuple[Limit, ...] = ()
    rails: tuple[Rail, ...] = ()


@dataclass(frozen=True, slots=True)
class Plan:
    """An ordered list of checks, replayed identically at each stage."""

    name: str
    steps: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class Meter:
    """How far the multimeter is to be trusted: its manual's "±(percent of reading + digits)".

    Parameters
    ----------
    accuracy_percent : float
        Largest error in percent of the reading.
    digits : int
        Largest error in steps of the last digit, on top of that.
    true_rms : bool
        Whether it measures true RMS. The other kind is right for a pure sine only.
    """

    accuracy_percent: float
    digits: int
    true_rms: bool


@dataclass(frozen=True, slots=True)
class FullScale:
    """What 0 dBFS at one input or output of the interface is in the world outside.

    Parameters
    ----------
    channel : int
        Of the rig, from 1.
    dbu : float
        Level of the sine that reads (or is played at) 0 dBFS.
    uncertainty : float
        Standard uncertainty in dB.
    """

    channel: int
    dbu: float
    uncertainty: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """What the rig's full scale is in volts, found with a multimeter and a loopback cable.

    It holds for this sample rate and this position of the gain control alone.
    """

    date: str
    samplerate: int
    gain: str
    frequency_hz: float
    meter: Meter
    outputs: tuple[FullScale, ...]
    inputs: tuple[FullScale, ...]


@dataclass(frozen=True, slots=True)
class RigLimits:
    """What the rig does by itself: readings of its loopback and of its shorted inputs.

    It holds for this sample rate and this position of the gain control alone.
    """

    date: str
    samplerate: int
    gain: str
    readings: tuple[Reading, ...]


@dataclass(frozen=True, slots=True)
class RigTest:
    """What the last rig test said: names of what was found, and of what could not be told."""

    date: str
    samplerate: int
    found: tuple[str, ...]
    unknown: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Rig:
    """What a take was recorded with: interface, device and the gain position in words.

    `calibration` and `limits` are those that held for the take; None where there were none.
    """

    interface: str
    device: str
    samplerate: int
    description: str = ""
    calibration: Calibration | None = None
    limits: RigLimits | None = None


@dataclass(frozen=True, slots=True)
class RigSetup:
    """How the person's rig is put together, as it is remembered.

    Parameters
    ----------
    name : str
        The person's own name for it.
    device, host : str
        The interface, by its name and that of the sound system it is reached through; device
        numbers change from one start of the computer to the next.
    samplerate : int
        Frames a second.
    inputs, outputs : tuple of int
        Which inputs and outputs of the interface are channels 1, 2, … of the rig.
    gain : str
        Position of the gain control, in words.
    play_device, play_host : str or None
        The output, where it is another device.
    pilot : (int, int) or None
        An output and an input of the interface, beside those above, that a cable joins for good:
        the pilot tone on it shows what the computer loses.
    exclusive : bool
        Whether the device is asked for without the system's mixer.
    test, calibration, limits : optional
        Those that were made last.
    """

    name: str
    device: str
    host: str
    samplerate: int
    inputs: tuple[int, ...]
    outputs: tuple[int, ...]
    gain: str = ""
    play_device: str | None = None
    play_host: str | None = None
    pilot: tuple[int, int] | None = None
    exclusive: bool = False
    test: RigTest | None = None
    calibration: Calibration | None = None
    limits: RigLimits | None = None


@dataclass(frozen=True, slots=True)
class TakeRecord:
    """A stored take: its audio file in the bench folder, named by the hash of its content.

    `path` is relative to the bench folder.
    """

    path: str
    sha256: str
    samplerate: int
    channels: int
    frames: int
    bits: int | None = None
    dc_coupled: bool = False
    lost: tuple[LostBuffers, ...] = ()
    marks: tuple[Event, ...] = ()


@dataclass(frozen=True, slots=True)
class Run:
    """One check done on one output of a unit at one stage, with all that came of it.

    `measurements` holds one entry for each repeat, in the order of `takes` (a rails check has a
    measurement and no take). `started` is ISO 8601 with offset.
    """

    id: str
    stage: str
    started: str
    operator: str
    step_number: int
    step: Step
    rig: Rig
    takes: tuple[TakeRecord, ...]
    measurements: tuple[Measurement, ...]


Verdict = Literal["no change", "better", "worse", "different", "cannot tell"]


@dataclass(frozen=True, slots=True)
class Comparison:
    """One reading at two stages (or against a baseline), and what can be said of the difference.

    Parameters
    ----------
    difference : float or None
        After minus before, in `unit`; None where it cannot be told.
    uncertainty : float or None
        Standard uncertainty of the difference: scatter of repeats and both sides' own.
    verdict : Verdict
        Whether it changed by more than the scatter, and which way.
    out_of_limits : bool or None
        Whether the later value lies outside its limit; None where there is no limit or no value.
    """

    step_number: int
    check: str
    output: str
    name: str
    unit: str
    channel: int | None
    channels: tuple[int, int] | None
    before: Reading | None
    after: Reading | None
    difference: float | None
    uncertainty: float | None
    verdict: Verdict
    out_of_limits: bool | None = None
    limit: Limit | None = None
    why: str | None = None


@dataclass(frozen=True, slots=True)
class StageComparison:
    """All comparisons of one stage with another, and the names of both sides."""

    before: str
    after: str
    comparisons: tuple[Comparison, ...] = ()
    not_compared: tuple[str, ...] = field(default=())


def readings_named(
    readings: Sequence[Reading], name: str, *, channel: int | None = None, unit: str | None = None
) -> list[Reading]:
    """The readings of one name, optionally of one channel and unit."""
    return [
        r
        for r in readings
        if r.name == name
        and (channel is None or r.channel == channel)
        and (unit is None or r.unit == unit)
    ]
