"""Carrying out one step of a plan: record its takes, measure them, and make the run of it.

The one way from a step to a run, for every front. It asks nothing and prints nothing: the front
shows the prompt beforehand and passes what is to be called meanwhile.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sigbench.checks import measure
from sigbench.checks.rails import measure_rails, rail_limit
from sigbench.compare import check_limit
from sigbench.errors import RequestError
from sigbench.interface.base import Block, Interface, capture
from sigbench.model import (
    Limit,
    Measurement,
    Output,
    Plan,
    Reading,
    Rig,
    Run,
    Step,
    Take,
    TakeRecord,
    readings_named,
)
from sigbench.repeatability import mean_of_repeats
from sigbench.stimulus import stimulus

SETTLE_SECONDS = 0.5  # a stimulus passes the buffers of the computer first

Store = Callable[[Take], TakeRecord]


@dataclass(frozen=True, slots=True)
class Session:
    """What all runs of one sitting share.

    Parameters
    ----------
    interface : Interface
        What to record with.
    stage : str
        When: free text such as "as received".
    operator : str
        Who measures.
    gain : str
        Position of the interface's gain control, in words.
    """

    interface: Interface
    stage: str
    operator: str = ""
    gain: str = ""

    @property
    def rig(self) -> Rig:
        """The rig as it is written into each run."""
        interface = self.interface
        return Rig(interface.name, interface.device, interface.samplerate, self.gain)


def carry_out(
    session: Session,
    number: int,
    step: Step,
    *,
    output: Output | None,
    run_id: str,
    store: Store,
    before_take: Callable[[int], None] | None = None,
    on_block: Callable[[Block], None] | None = None,
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
    before_take : callable, optional
        Called with the number of the repeat, from 1, before each take.
    on_block : callable, optional
        Called with each block as it arrives.

    Raises
    ------
    RequestError
        If the step cannot be carried out with this interface.
    InterfaceError
        If the device fails.
    """
    started = datetime.now().astimezone().isoformat(timespec="seconds")
    takes: list[TakeRecord] = []
    measurements: list[Measurement] = []
    if step.check == "rails":
        measurements.append(measure_rails(step.rails))
    else:
        if output is None:
            raise RequestError(f"Step {number} names no output of this unit: '{step.output}'.")
        for repeat in range(1, step.repeats + 1):
            if before_take is not None:
                before_take(repeat)
            take = record(
                session.interface,
                seconds=step.seconds,
                channels=output.channels,
                play=step.stimulus,
                on_block=on_block,
            )
            stored = store(take)
            takes.append(stored)
            measurements.append(measure(_with_file(take, stored), step.check, step.settings))
    return Run(
        run_id,
        session.stage,
        started,
        session.operator,
        number,
        step,
        session.rig,
        tuple(takes),
        tuple(measurements),
    )


def record(
    interface: Interface,
    *,
    seconds: float,
    channels: int | None = None,
    play: str | None = None,
    on_block: Callable[[Block], None] | None = None,
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

    Raises
    ------
    RequestError
        If the interface has fewer channels, or the stimulus is not known or too short.
    """
    kept = interface.channels if channels is None else channels
    if kept > interface.channels:
        raise RequestError(
            f"The output has {kept} channels and {interface.device} records {interface.channels}: "
            "choose an interface with more inputs, or measure the output in parts."
        )
    sound = None
    if play is not None:
        chosen = stimulus(play, interface.samplerate)
        if chosen.seconds < seconds + SETTLE_SECONDS:
            raise RequestError(
                f"The stimulus '{play}' lasts {chosen.seconds:g} s, too short for a take of "
                f"{seconds:g} s: record {chosen.seconds - SETTLE_SECONDS:g} s at most."
            )
        sound = chosen.samples
    take = capture(
        interface,
        seconds=seconds,
        stimulus=sound,
        settle=SETTLE_SECONDS if sound is not None else 0.0,
        on_block=on_block,
    )
    if kept == take.channels:
        return take
    source = replace(take.source, channels=kept)
    return replace(take, samples=take.samples[:, :kept], source=source)


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


def outside_limits(run: Run) -> tuple[tuple[Reading, Limit], ...]:
    """Readings of a run that lie outside a limit of its step by more than their uncertainty."""
    limits = run.step.limits + tuple(rail_limit(rail) for rail in run.step.rails)
    return tuple(
        (reading, limit)
        for limit in limits
        for reading in readings_named(mean_readings(run), limit.reading, unit=limit.unit)
        if check_limit(reading, limit)[0]
    )


def _with_file(take: Take, stored: TakeRecord) -> Take:
    return replace(take, source=replace(take.source, path=stored.path, sha256=stored.sha256))
