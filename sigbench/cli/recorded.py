"""``sigbench run --from``: a step of a plan measured from recordings made elsewhere."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sigbench.cli.interfaces import recording_bar
from sigbench.errors import RequestError

if TYPE_CHECKING:
    from sigbench.bench.folder import Bench
    from sigbench.interface.base import Block
    from sigbench.model import LongTake, Run, Take

FromOption = Annotated[
    list[Path] | None,
    typer.Option(
        "--from",
        metavar="FILE",
        help="Measure this recording, made elsewhere, as a take of the step; may be repeated, "
        "once for each take.",
    ),
]
RecorderOption = Annotated[
    str | None,
    typer.Option(
        metavar="TEXT",
        help="What made the recordings of --from. Levels compare only between the same one.",
    ),
]


def require_alone(files: list[Path] | None, recorder: str | None, **others: object) -> None:
    """Refuse options that mean nothing with ``--from``, and the other way round.

    Parameters
    ----------
    others : object
        The value of each option by its name, falsy where it was not given.

    Raises
    ------
    RequestError
        If there are any.
    """
    if not files:
        if recorder is not None:
            raise RequestError("--recorder says what made the files of --from: give those too.")
        return
    given = [f"--{name.replace('_', '-')}" for name, value in others.items() if value]
    if given:
        raise RequestError(f"With --from nothing is recorded: leave out {' and '.join(given)}.")


def measure_recorded(
    bench: "Bench",
    unit_id: str,
    stage: str,
    numbers: Sequence[int],
    files: Sequence[Path],
    *,
    operator: str,
    gain: str,
    recorder: str,
) -> "Run":
    """Measure the files as takes of the one step, store the run, and say what to know of it.

    Raises
    ------
    RequestError
        If there is not one step, or the files cannot be takes of it.
    FileError
        If a file cannot be read.
    """
    from sigbench.cli.places import remark
    from sigbench.recorded import (
        carry_out_recorded,
        read_recorded,
        remarks_on,
        require_recordings_of,
        step_for_recordings,
    )

    if len(numbers) != 1:
        raise RequestError("With --from say of which step the recordings are: give one --step.")
    (number,) = numbers
    step, output = step_for_recordings(bench, unit_id, number)
    recorded = [read_recorded(file.expanduser(), step.check) for file in files]
    require_recordings_of(step, output, recorded)
    for sentence in remarks_on(step, output, recorded, recorder):
        remark(sentence)
    bars = _Bars(len(recorded))
    with bars:
        run = carry_out_recorded(
            bench,
            unit_id,
            stage,
            number,
            recorded,
            operator=operator,
            gain=gain,
            recorder=recorder,
            before_take=bars.begin,
            on_block=bars.arrived,
        )
    bench.add_run(unit_id, run)
    return run


class _Bars:
    """A bar for each take."""

    def __init__(self, takes: int) -> None:
        from contextlib import ExitStack

        self._takes = takes
        self._shown = ExitStack()

    def begin(self, number: int, take: "Take | LongTake") -> None:
        self._shown.close()
        what = f"Take {number} of {self._takes}" if self._takes > 1 else "Take"
        self._arrived = self._shown.enter_context(
            recording_bar(take.seconds, take.samplerate, what)
        )

    def arrived(self, block: "Block") -> None:
        self._arrived(block)

    def __enter__(self) -> "_Bars":
        return self

    def __exit__(self, *_: object) -> None:
        self._shown.close()
