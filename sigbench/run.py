"""Carrying out one step of a plan: record its takes, measure them, and make the run of it.

The one way from a step to a run, for every front. It asks nothing and prints nothing: the front
shows the prompt beforehand and passes what is to be called meanwhile.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Protocol

import numpy as np

from sigbench.checks import is_long, measure, require_measurable
from sigbench.checks.rails import measure_rails, rail_limit
from sigbench.compare import base_name, check_limit
from sigbench.errors import BenchError, RequestError
from sigbench.interface.base import (
    HIGH_PEAK_DBFS,
    Block,
    Interface,
    capture,
    frames_in,
    losses_from,
    whole_stream,
)
from sigbench.interface.simulated import SimulatedInterface
from sigbench.measure.clipping import clipped_samples
from sigbench.model import (
    Limit,
    LongTake,
    Measurement,
    Output,
    Plan,
    Reading,
    Rig,
    RigSetup,
    Run,
    Samples,
    Step,
    Take,
    TakeRecord,
)
from sigbench.repeatability import mean_of_repeats
from sigbench.rig.readings import as_heard_by
from sigbench.rig.setup import rig_now
from sigbench.stimulus import HELD, LONGEST_HELD_SECONDS, stimulus

SETTLE_SECONDS = 0.5  # a stimulus passes the buffers of the computer first

# The readings that are shown after each step; all of them are stored.
_SHORT = {
    "rails": ("rail_volts",),
    "idle": ("noise_a", "hum_total"),
    "tone": ("tone_level", "pitch_error", "thd", "thd_n", "balance"),
    "dropouts": ("dropouts", "dropout_time"),
    "jack": ("dropouts", "dips", "hum_bursts", "crackle_rate"),
    "pot": ("worn_share", "dead_share", "jumps", "gang_error_most", "crackle_rate", "end_residue"),
    "soak": ("level_trend", "pitch_trend", "onset", "dropouts"),
}

METER = Rig("meter", "multimeter", samplerate=0)
"""What rails are measured with; no audio interface takes part."""

Store = Callable[[Take | LongTake], TakeRecord]


class Recorder(Protocol):
    """What writes a take while it is recorded: see `sigbench.bench.recording`."""

    def add(self, block: Block) -> None:
        """Write a block."""

    def close(self) -> None:
        """Write no more, and force what was written onto the disk."""

    def take(self) -> LongTake:
        """What was written, read from the disk; nothing more is written."""
        ...


class BenchRecorder(Recorder, Protocol):
    """One that can make a stored take of it."""

    def finish(self) -> TakeRecord:
        """Store the take."""
        ...

    def discard(self) -> None:
        """Delete what was written."""

    def leave(self, ended: str) -> None:
        """Leave what was written to be found later."""


class Begin(Protocol):
    """How a take on the bench begins: see `sigbench.bench.folder.Bench.begin_recording`."""

    def __call__(self, interface: Interface, *, seconds: float, channels: int) -> BenchRecorder:
        """Begin a recording of the first channels of an interface."""
        ...


@dataclass(frozen=True, slots=True)
class Session:
    """What all runs of one sitting share.

    Parameters
    ----------
    interface : Interface or None
        What to record with; None where nothing is recorded, as for supply rails.
    stage : str
        When: free text such as "as received".
    operator : str
        Who measures.
    gain : str
        Position of the interface's gain control, in words.
    setup : RigSetup or None
        The rig that the interface belongs to: its calibration and limits are used where they hold.
    """

    interface: Interface | None
    stage: str
    operator: str = ""
    gain: str = ""
    setup: RigSetup | None = None


def carry_out(
    session: Session,
    number: int,
    step: Step,
    *,
    output: Output | None,
    run_id: str,
    store: Store,
    begin: Begin | None = None,
    before_take: Callable[[int], None] | None = None,
    on_block: Callable[[Block], None] | None = None,
    until: Callable[[], bool] | None = None,
    keep: Callable[[Take | LongTake, int], bool] | None = None,
) -> Run:
    """Carry out one step.

    Parameters
    ----------
    session : Session
        Interface, stage and who measures.
    number : int
        Number of the step in its plan, from 1.
    step : Step
        For a rails check its rails hold the volts that were measured.
    output : Output or None
        The output that is measured; None for a rails check.
    run_id : str
        From `sigbench.bench.folder.new_run_id`.
    store : callable
        Keeps a take before it is measured, so that it is safe whatever comes.
    begin : callable, optional
        Begins a recording, to which the take is written as it comes, and which becomes the stored
        take; `store` is not called then. Whatever keeps the take from being finished, an error or
        Ctrl-C, leaves what was recorded until then to be found on the bench. A take too long for
        memory is possible with it only.
    before_take : callable, optional
        Called with the number of the repeat, from 1, before each take.
    on_block : callable, optional
        Called with each block of the take as it arrives.
    until : callable, optional
        Asked after each block; when it says so, the take is over before its time.
    keep : callable, optional
        Asked with each take, and how often this repeat was recorded; when it says no, the take is
        dropped and recorded again. By default every take is kept: one that lost buffers or was
        clipped makes readings that say so, and counts for nothing.

    Raises
    ------
    RequestError
        If the step cannot be carried out with this interface.
    InterfaceError
        If the device fails.
    BenchError
        If the disk takes no more.
    """
    started = datetime.now().astimezone().isoformat(timespec="milliseconds")
    if step.check == "rails":
        return Run(
            run_id,
            session.stage,
            started,
            session.operator,
            number,
            step,
            METER,
            (),
            (measure_rails(step.rails),),
        )
    interface = session.interface
    if interface is None or output is None:
        missing = (
            "needs an audio interface" if interface is None else "names no output of this unit"
        )
        raise RequestError(f"Step {number} {missing}: '{step.output}'.")
    rig, _ = rig_now(interface, session.setup, session.gain)
    takes: list[TakeRecord] = []
    measurements: list[Measurement] = []
    for repeat in range(1, step.repeats + 1):
        attempt, kept = 0, False
        while not kept:
            attempt += 1
            if before_take is not None:
                before_take(repeat)
            recorder = None
            if begin is not None:
                recorder = begin(interface, seconds=step.seconds, channels=output.channels)
            try:
                take = _recorded(interface, step, output.channels, on_block, until, recorder)
                kept = keep is None or keep(take, attempt)
                if kept:
                    stored = store(take) if recorder is None else recorder.finish()
            except BaseException as exc:
                if recorder is not None:
                    with suppress(BenchError):  # the first trouble is the one to be told
                        recorder.leave(str(exc) or type(exc).__name__)
                raise
            if recorder is not None and not kept:
                recorder.discard()
        takes.append(stored)
        measurement = measure(_with_file(take, stored), step.check, step.settings)
        measurements.append(as_heard_by(rig, measurement))
    return Run(
        run_id,
        session.stage,
        started,
        session.operator,
        number,
        step,
        rig,
        tuple(takes),
        tuple(measurements),
    )


def stage_named(typed: str, there: Sequence[str]) -> str:
    """The stage as it is known already, in whatever case it was typed, or a new one.

    Raises
    ------
    RequestError
        If it is empty, or has signs that cannot be printed.
    """
    name = " ".join(typed.split())
    if not name:
        raise RequestError('The stage has no name: give one such as --stage "as received".')
    if not name.isprintable():
        raise RequestError(
            f"The stage {name!r} has signs that cannot be printed: use letters and digits."
        )
    alike = [stage for stage in there if stage.casefold() == name.casefold()]
    return name if name in there or not alike else alike[0]


def require_possible(
    steps: Iterable[tuple[int, Step]], outputs: Mapping[str, Output], interface: Interface | None
) -> None:
    """See before the first take that none of the steps will have to be turned down.

    Parameters
    ----------
    steps : iterable of (int, Step)
        With their numbers.
    outputs : mapping of str to Output
        Those of the unit, by name.
    interface : Interface or None

    Raises
    ------
    RequestError
        If an output or a stimulus is not there, the interface has too few channels, or a take
        would be too long for its check.
    """
    for number, step in steps:
        if step.check == "rails":
            continue
        if interface is None:
            raise RequestError(f"Step {number} ({step.check}) needs an audio interface.")
        if step.output not in outputs:
            there = ", ".join(outputs) or "none"
            raise RequestError(
                f"Step {number} of the plan is on the output '{step.output}', and the unit has: "
                f"{there}. Correct the plan or the unit, or choose steps with --step."
            )
        try:
            _require_channels(interface, outputs[step.output].channels)
            if step.stimulus is not None:
                stimulus_of(step.stimulus, interface.samplerate, step.seconds)
            frames = frames_in(step.seconds, interface.samplerate)
            require_measurable(step.check, frames, interface.channels, interface.samplerate)
        except RequestError as exc:
            raise RequestError(f"Step {number} of the plan: {exc}") from exc
        if isinstance(interface, SimulatedInterface):
            _require_simulated(interface, number, step.output)


def _require_simulated(interface: SimulatedInterface, number: int, output: str) -> None:
    try:
        interface.select(output)
    except RequestError as exc:
        raise RequestError(
            f"Step {number} is on '{output}', and the simulated unit has main and phones only: "
            "choose steps with --step."
        ) from exc


def record(
    interface: Interface,
    *,
    seconds: float,
    channels: int | None = None,
    play: str | None = None,
    on_block: Callable[[Block], None] | None = None,
    until: Callable[[], bool] | None = None,
    to: Recorder | None = None,
) -> Take:
    """Record one take of the first channels of an interface.

    Parameters
    ----------
    seconds : float
        Length of the take.
    channels : int or None
        How many channels to keep; None keeps all.
    play : str or None
        Name of a standard stimulus to play meanwhile.
    on_block : callable, optional
        Called with each block of the take as it arrives.
    until : callable, optional
        Asked after each block; when it says so, the take is over before its time.
    to : Recorder, optional
        Gets what belongs to the take as it arrives.

    Raises
    ------
    RequestError
        If the interface has fewer channels, or the stimulus is not known or too short.
    InterfaceError
        If the device fails.
    BenchError
        If the disk takes no more.
    """
    plan = _plan(interface, seconds, channels, play)
    take = capture(
        interface,
        seconds=seconds,
        stimulus=plan.sound,
        settle=plan.settle,
        on_block=_arrivals(plan, on_block, to),
        until=until,
    )
    if to is not None:
        to.close()
    if plan.channels == take.channels:
        return take
    source = replace(take.source, channels=plan.channels)
    return replace(take, samples=take.samples[:, : plan.channels], source=source)


def record_long(
    interface: Interface,
    *,
    seconds: float,
    channels: int | None = None,
    play: str | None = None,
    on_block: Callable[[Block], None] | None = None,
    until: Callable[[], bool] | None = None,
    to: Recorder,
) -> LongTake:
    """Record one take without holding it in memory: it is on the disk only.

    Parameters and errors are those of `record`.
    """
    plan = _plan(interface, seconds, channels, play)
    arrived = _arrivals(plan, on_block, to)
    stream = whole_stream(
        interface, seconds=seconds + plan.settle, stimulus=plan.sound, until=until
    )
    with closing(stream) as blocks:
        for block in blocks:
            arrived(block)
    return to.take()


@dataclass(frozen=True, slots=True, eq=False)
class _Plan:
    """How a take is recorded: what is played, and which part of the stream belongs to it."""

    sound: Samples | None
    settle: float
    skipped: int
    channels: int


def _plan(interface: Interface, seconds: float, channels: int | None, play: str | None) -> _Plan:
    kept = interface.channels if channels is None else channels
    _require_channels(interface, kept)
    sound = None if play is None else stimulus_of(play, interface.samplerate, seconds)
    settle = SETTLE_SECONDS if sound is not None else 0.0
    frames = frames_in(seconds, interface.samplerate)
    return _Plan(sound, settle, frames_in(seconds + settle, interface.samplerate) - frames, kept)


def _arrivals(
    plan: _Plan, on_block: Callable[[Block], None] | None, to: Recorder | None
) -> Callable[[Block], None]:
    """What is done with each block: the disk comes first."""

    def arrived(block: Block) -> None:
        own = _own_part(block, plan.skipped, plan.channels)
        if to is not None:
            to.add(own)
        if on_block is not None and (len(own.samples) or own.lost):
            on_block(own)

    return arrived


def _own_part(block: Block, skipped: int, channels: int) -> Block:
    """What of a block belongs to the take, at positions of the take."""
    start = min(max(0, skipped - block.first_frame), len(block.samples))
    lost = losses_from(block.lost, skipped)
    return Block(block.samples[start:, :channels], block.first_frame + start - skipped, lost)


def _recorded(
    interface: Interface,
    step: Step,
    channels: int,
    on_block: Callable[[Block], None] | None,
    until: Callable[[], bool] | None,
    recorder: Recorder | None,
) -> Take | LongTake:
    """One take of a step, in memory unless it is too long for that."""
    frames = frames_in(step.seconds, interface.samplerate)
    if recorder is not None and is_long(frames, interface.channels):
        return record_long(
            interface,
            seconds=step.seconds,
            channels=channels,
            play=step.stimulus,
            on_block=on_block,
            until=until,
            to=recorder,
        )
    return record(
        interface,
        seconds=step.seconds,
        channels=channels,
        play=step.stimulus,
        on_block=on_block,
        until=until,
        to=recorder,
    )


def stimulus_of(name: str, samplerate: int, seconds: float) -> Samples:
    """Samples of a standard stimulus that lasts a take through.

    Raises
    ------
    RequestError
        If it is not known, does not fit the sample rate, or is too short.
    """
    chosen = stimulus(name, samplerate)
    if seconds + SETTLE_SECONDS <= chosen.seconds:
        return chosen.samples
    longest = longest_take(name, samplerate)
    if seconds > longest:
        raise RequestError(
            f"The stimulus '{name}' lasts {longest + SETTLE_SECONDS:g} s, too short for a take of "
            f"{seconds:g} s: record {longest:g} s at most."
        )
    return HELD[name](seconds + SETTLE_SECONDS, samplerate).samples


def longest_take(name: str, samplerate: int) -> float:
    """Seconds of a take that a standard stimulus lasts through.

    Raises
    ------
    RequestError
        If it is not known, or does not fit the sample rate.
    """
    made = stimulus(name, samplerate).seconds
    return (LONGEST_HELD_SECONDS if name in HELD else made) - SETTLE_SECONDS


def lost_in_words(take: Take | LongTake) -> str | None:
    """What the computer lost of a take, and what to do; None if it lost nothing."""
    if not take.lost:
        return None
    times = "once" if len(take.lost) == 1 else f"{len(take.lost)} times"
    first = take.lost[0].frame / take.samplerate
    return (
        f"The computer lost audio {times}, first at {first:.2f} s. That is no fault of the "
        "instrument and does not count against it: close other programs, and plug the interface "
        "straight into the computer."
    )


def clipped_in_words(take: Take | LongTake) -> str | None:
    """Which inputs were driven to full scale, and what to do; None if none was."""
    found = _clipped_channels(take)
    if not found:
        return None
    inputs = f"Input {found[0]} was" if len(found) == 1 else f"Inputs {_and(found)} were"
    return (
        f"{inputs} overloaded: the take is clipped, and what it touches is no longer the "
        "instrument's. Turn the gain of the interface down until peaks stay below "
        f"{HIGH_PEAK_DBFS:g} dBFS."
    )


def _clipped_channels(take: Take | LongTake) -> list[int]:
    blocks = take.blocks() if isinstance(take, LongTake) else (take.samples,)
    clipped: set[int] = set()
    for block in blocks:
        clipped |= {
            channel
            for channel, signal in enumerate(block.T, start=1)
            if channel not in clipped and clipped_samples(np.ascontiguousarray(signal), take.bits)
        }
        if len(clipped) == take.channels:
            break
    return sorted(clipped)


def steps_left(plan: Plan, done: Sequence[Run]) -> tuple[tuple[int, Step], ...]:
    """Steps of a plan, with their numbers, that a stage has no run of yet."""
    finished = {run.step_number for run in done}
    return tuple(
        (number, step) for number, step in enumerate(plan.steps, start=1) if number not in finished
    )


def mean_readings(run: Run) -> tuple[Reading, ...]:
    """The readings of a run, each the mean of its repeats."""
    repeats: dict[tuple[object, ...], list[Reading]] = {}
    for measurement in run.measurements:
        for reading in measurement.readings:
            key = (reading.name, reading.unit, reading.channel, reading.channels)
            repeats.setdefault(key, []).append(reading)
    return tuple(mean_of_repeats(readings) for readings in repeats.values())


@dataclass(frozen=True, slots=True)
class Held:
    """A reading held against a limit: outside it or not, or None and the reason."""

    reading: Reading
    limit: Limit
    outside: bool | None
    why: str


def hold_against_limits(run: Run) -> tuple[Held, ...]:
    """Every reading of a run that has a limit in its step, held against it.

    Outside is what lies outside by more than its uncertainty: see `sigbench.compare.check_limit`.
    """
    limits = run.step.limits + tuple(rail_limit(rail) for rail in run.step.rails)
    return tuple(
        Held(reading, limit, *check_limit(reading, limit))
        for limit in limits
        for reading in mean_readings(run)
        if limit.reading in (reading.name, base_name(reading.name)) and limit.unit == reading.unit
    )


def outside_limits(run: Run) -> tuple[Held, ...]:
    """Readings of a run that lie outside a limit of its step by more than their uncertainty."""
    return tuple(held for held in hold_against_limits(run) if held.outside)


def short_readings(run: Run) -> tuple[tuple[Reading, bool], ...]:
    """The readings of a run that are worth a glance at once, and all outside a limit.

    Returns
    -------
    tuple of (Reading, bool)
        And whether it lies outside.
    """
    names = _SHORT.get(run.step.check, ())
    held = {(h.reading.name, h.reading.channel, h.reading.unit) for h in outside_limits(run)}
    found = ((r, (r.name, r.channel, r.unit) in held) for r in mean_readings(run) if r.unit != "%")
    return tuple((r, outside) for r, outside in found if outside or base_name(r.name) in names)


def _require_channels(interface: Interface, channels: int) -> None:
    if channels > interface.channels:
        raise RequestError(
            f"The output has {channels} channels and {interface.device} records "
            f"{interface.channels}: choose an interface with more inputs, or measure the output "
            "in parts."
        )


def _and(numbers: Sequence[int]) -> str:
    *most, last = map(str, numbers)
    return f"{', '.join(most)} and {last}" if most else last


def _with_file(take: Take | LongTake, stored: TakeRecord) -> Take | LongTake:
    source = replace(take.source, path=stored.path, sha256=stored.sha256)
    return replace(take, source=source, marks=stored.marks)
