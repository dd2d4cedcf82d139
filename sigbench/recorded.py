"""A step of a plan carried out on recordings that were made elsewhere.

The audio comes from files in place of an interface; storing and measuring are those of
`sigbench.run.carry_out`, one file a take. What was played while they were recorded is in them.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from sigbench.bench.folder import Bench, new_run_id
from sigbench.bench.recording import Purpose, Recording, length_in_words, with_log
from sigbench.checks import SHORTEST_SECONDS, is_long, require_measurable
from sigbench.errors import FileError, RequestError
from sigbench.interface.base import Block, Interface
from sigbench.interface.file import length, lossy_codec, read_long_take, read_take
from sigbench.interface.replay import ReplayedFile
from sigbench.model import LongTake, Output, Run, Step, Take
from sigbench.plan import HANDS_ON, step_of
from sigbench.run import Session, carry_out

# Within this share of the length in the plan a take is as long as planned: nobody cuts a recording
# to the millisecond, and the readings of both lengths mean the same. Our own choice.
SAME_LENGTH = 0.1


@dataclass(frozen=True, slots=True)
class Recorded:
    """A recording made elsewhere.

    Parameters
    ----------
    name : str
        The file, as the person knows it.
    take : Take or LongTake
    codec : str or None
        Name of the lossy compression that it went through.
    """

    name: str
    take: Take | LongTake
    codec: str | None = None


def read_recording(
    file: Path,
    check: str | None,
    *,
    channels: Sequence[int] | None = None,
    dc_coupled: bool = False,
) -> Take | LongTake:
    """A file as a take with its log; one that is too long for memory is left on the disk.

    Parameters
    ----------
    check : str or None
        What it is to be measured with.
    channels : sequence of int, optional
        Which to keep, from 1; all of them by default.
    dc_coupled : bool
        Whether its input is known to pass DC.

    Raises
    ------
    FileError
        As of `sigbench.interface.file.read_take`.
    RequestError
        If it is too long for the check.
    """
    frames, there = length(file)
    kept = there if channels is None else len(channels)
    take: Take | LongTake
    if is_long(frames, kept):
        take = read_long_take(file, channels=channels)
        require_measurable(check, frames, kept, take.samplerate)
    else:
        take = read_take(file, channels=channels)
    take = with_log(take, file)
    return replace(take, dc_coupled=dc_coupled or take.dc_coupled)


def carry_out_recorded(
    bench: Bench,
    unit_id: str,
    stage: str,
    number: int,
    recorded: Sequence[Recorded],
    *,
    operator: str = "",
    gain: str = "",
    recorder: str = "",
    before_take: Callable[[int, Take | LongTake], None] | None = None,
    on_block: Callable[[Block], None] | None = None,
) -> Run:
    """The run of a step whose takes were recorded elsewhere; it is not stored yet, its takes are.

    Parameters
    ----------
    number : int
        Of the step in the plan of the unit, from 1.
    recorded : sequence of Recorded
        A take each, in this order.
    operator, gain : str
        As of `sigbench.run.Session`.
    recorder : str
        What it was recorded with. Levels of two stages compare only if it was the same; without
        it each file is taken to be of another recorder.
    before_take : callable, optional
        Called with the number of the take, from 1, and the recording, before it is measured.
    on_block : callable, optional
        Called with each block.

    Returns
    -------
    Run
        Its step is that of the plan, once for each recording, and as long as they are.

    Raises
    ------
    RequestError
        If there is no such step, or the recordings cannot be of it.
    BenchError
        If there is no such unit, or the disk takes no more. Nothing is left of them then.
    """
    step, output = step_for_recordings(bench, unit_id, number)
    require_recordings_of(step, output, recorded)
    device = recorder or ", ".join(f"recording {one.name}" for one in recorded)
    lossy = sorted({one.codec for one in recorded if one.codec})
    if lossy:
        device += f", compressed with losses ({', '.join(lossy)})"
    purpose = Purpose(unit_id, stage, number, step.check, step.output)
    runs = [
        _one_take(
            bench,
            Session(ReplayedFile(one.take, device), stage, operator, gain),
            number,
            step,
            output,
            one.take,
            purpose,
            None if before_take is None else _before(before_take, count, one.take),
            on_block,
        )
        for count, one in enumerate(recorded, start=1)
    ]
    return replace(
        runs[0],
        step=_as_recorded(step, recorded),
        takes=tuple(take for run in runs for take in run.takes),
        measurements=tuple(found for run in runs for found in run.measurements),
    )


def _before(
    call: Callable[[int, Take | LongTake], None], count: int, take: Take | LongTake
) -> Callable[[int], None]:
    return lambda repeat: call(count, take)


def _one_take(
    bench: Bench,
    session: Session,
    number: int,
    step: Step,
    output: Output,
    take: Take | LongTake,
    purpose: Purpose,
    before_take: Callable[[int], None] | None,
    on_block: Callable[[Block], None] | None,
) -> Run:
    begun: list[Recording] = []

    def begin(interface: Interface, *, seconds: float, channels: int) -> Recording:
        recording = bench.begin_recording(
            interface, seconds=seconds, channels=channels, purpose=purpose
        )
        begun.append(recording)
        for mark in take.marks:
            recording.mark(mark)
        return recording

    try:
        return carry_out(
            session,
            number,
            replace(step, seconds=take.seconds, repeats=1, stimulus=None),
            output=output,
            run_id=new_run_id(),
            store=bench.store_take,
            begin=begin,
            before_take=before_take,
            on_block=on_block,
        )
    except BaseException:
        for recording in begun:  # the file that it came from is there still
            if recording.is_left:
                recording.discard()
        raise


def step_for_recordings(bench: Bench, unit_id: str, number: int) -> tuple[Step, Output]:
    """The step of a unit's plan that recordings are to be of, and its output.

    Raises
    ------
    BenchError
        If there is no such unit, or it has no plan.
    RequestError
        If there is no such step or output, or nothing is recorded in it.
    """
    unit = bench.unit(unit_id)
    step = step_of(bench.plan(unit_id), number)
    if step.check == "rails":
        raise RequestError(
            f"Step {number} is of supply rails, which are typed in from the multimeter, never "
            "measured from a recording: name another step."
        )
    for output in unit.outputs:
        if output.name == step.output:
            return step, output
    raise RequestError(
        f"Step {number} is on the output '{step.output}', and the unit has: "
        f"{', '.join(one.name for one in unit.outputs) or 'none'}. Correct the plan or the unit."
    )


def require_recordings_of(step: Step, output: Output, recorded: Sequence[Recorded]) -> None:
    """See before anything is stored that recordings can be takes of a step.

    Raises
    ------
    RequestError
        If there are none, they are too short or too long to be measured, lack a channel, or are
        not all of one sample rate.
    """
    if not recorded:
        raise RequestError("There is no recording to measure: name a file.")
    for one in recorded:
        take = one.take
        if take.seconds < SHORTEST_SECONDS:
            raise RequestError(
                f"{one.name} is too short to measure: it lasts {take.seconds:.4f} s, and at least "
                f"{SHORTEST_SECONDS} s are needed."
            )
        if take.channels < output.channels:
            raise RequestError(
                f"{one.name} has {_channels(take.channels)}, and the output '{output.name}' "
                f"{_channels(output.channels)}: record all of them at once."
            )
        require_measurable(step.check, take.frames, take.channels, take.samplerate)
    rates = sorted({one.take.samplerate for one in recorded})
    if len(rates) > 1:
        raise RequestError(
            f"The recordings are of different sample rates ({', '.join(map(str, rates))} Hz), and "
            "takes of one step have one: bring them one at a time."
        )


def remarks_on(
    step: Step, output: Output, recorded: Sequence[Recorded], recorder: str = ""
) -> tuple[str, ...]:
    """What a person should know of recordings that become takes of a step, a sentence each."""
    remarks = []
    for one in recorded:
        if not _as_long(step, one.take) and (
            step.check not in HANDS_ON or one.take.seconds > step.seconds
        ):
            less = one.take.seconds < step.seconds
            remarks.append(
                f"{one.name} lasts {length_in_words(one.take.seconds)}, and the step asks for "
                f"{length_in_words(step.seconds)}: it keeps its own length, and compares with "
                f"takes of that length only{'; its numbers are less certain' if less else ''}."
            )
        if one.take.channels > output.channels:
            remarks.append(
                f"{one.name} has {_channels(one.take.channels)}: the first "
                f"{'is' if output.channels == 1 else f'{output.channels} are'} measured."
            )
        if one.codec:
            remarks.append(
                f"{one.name} is compressed with losses ({one.codec}): its distortion and noise "
                "are partly the compression's own."
            )
    if step.stimulus is not None:
        remarks.append(
            f"The step plays '{step.stimulus}', and a file plays nothing: the readings hold only "
            "if that was played through the unit while it was recorded."
        )
    if not recorder:
        remarks.append(
            "It is not known what recorded it: its levels compare with no other recorder's."
        )
    return tuple(remarks)


def _as_long(step: Step, take: Take | LongTake) -> bool:
    return abs(take.seconds - step.seconds) <= SAME_LENGTH * step.seconds


def _as_recorded(step: Step, recorded: Sequence[Recorded]) -> Step:
    """The step as it was done: what the plan asks for, but for how often and how long."""
    takes = [one.take for one in recorded]
    planned = all(
        _as_long(step, take) or (step.check in HANDS_ON and take.seconds <= step.seconds)
        for take in takes
    )
    seconds = step.seconds if planned else round(max(take.seconds for take in takes), 3)
    return replace(step, repeats=len(takes), seconds=seconds)


def _channels(count: int) -> str:
    return "1 channel" if count == 1 else f"{count} channels"


def read_recorded(file: Path, check: str) -> Recorded:
    """A file of the person's own as a recording of a check.

    Raises
    ------
    FileError, RequestError
        As of `read_recording`.
    """
    name = file.name if file.name.isprintable() else ""
    if not name:
        raise FileError(f"{file!s:.100} has a name that cannot be printed: give it another.")
    return Recorded(name, read_recording(file, check), lossy_codec(file))
