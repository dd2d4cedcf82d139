"""What the commands of the bench share: the bench folder, and names as a person types them."""

import os
import shlex
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from sigbench.errors import BenchError, RequestError

if TYPE_CHECKING:
    from sigbench.bench.folder import Bench, Problem
    from sigbench.bench.recording import Unfinished
    from sigbench.model import Unit

FOLDER_VARIABLE = "SIGBENCH_FOLDER"
DEFAULT_FOLDER = Path("~/sigbench-bench")

FolderOption = Annotated[
    Path,
    typer.Option(
        "--folder",
        metavar="DIR",
        envvar=FOLDER_VARIABLE,
        help="The bench folder: where units, plans, runs and takes are kept.",
    ),
]
"""The option of every command of the bench; its default is `DEFAULT_FOLDER`."""

UnitArgument = Annotated[
    str,
    typer.Argument(
        metavar="UNIT", help="Its id, model or serial number, or a part that no other unit has."
    ),
]
"""A unit as `find_unit` takes it."""


class CommandGroup(TyperGroup):
    """A group of subcommands that takes its bare name as a question for help."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Show the help if there is nothing else."""
        return super().parse_args(ctx, args or ["--help"])


def open_bench(
    folder: Path,
    *,
    create: bool = False,
    tell_problems: bool = True,
    tell_unfinished: bool = True,
) -> "Bench":
    """Open the bench folder, and say on stderr what is wrong with it, or was left unfinished.

    Parameters
    ----------
    folder : Path
        As typed; ``~`` is the home folder.
    create : bool
        Whether a folder that is not there yet, or is empty, becomes a bench folder.
    tell_problems : bool
        Whether to name the files that could not be taken up; not for a command that lists them.
    tell_unfinished : bool
        Whether to say that there are unfinished recordings; not for the command that lists them.

    Raises
    ------
    BenchError
        If there is no bench folder, or it cannot be opened.
    """
    from sigbench.bench.folder import Bench

    place = folder.expanduser()
    if not place.exists() or (place.is_dir() and not any(place.iterdir())):
        if not create:
            raise BenchError(
                f"There is no bench folder at {place} yet: name another with --folder, or make "
                f"one there with: {command_line(folder, 'bench', 'create')}"
            )
        bench = Bench.create(place)
        note(f"Made a new bench folder: {place}")
        return bench
    bench = Bench.open(place)
    if bench.read_only is not None:
        note(f"Note: {bench.read_only}")
    for problem in bench.problems if tell_problems else ():
        note(f"Note: {problem_sentence(bench.folder, problem)}")
    if bench.unfinished and tell_unfinished:
        note(f"Note: {unfinished_sentence(folder, bench.unfinished)}")
    return bench


def unfinished_sentence(folder: Path, found: "Sequence[Unfinished]") -> str:
    """What a killed program or a failed device has left, and what to type."""
    recover = command_line(folder, "bench", "recover")
    if len(found) == 1:
        keep, drop = (command_line(folder, "bench", "recover", o) for o in ("--keep", "--drop"))
        return (
            f"an unfinished recording is there ({found[0]}): keep it with: {keep} – or delete it "
            f"with: {drop}"
        )
    return (
        f"{len(found)} unfinished recordings are there, the last of {found[-1]}: see how to keep "
        f"or delete them with: {recover}"
    )


def note(sentence: str) -> None:
    """Print a sentence beside the results, on stderr, unbroken so that it can be copied."""
    from sigbench.cli import show

    console = show.progress()
    console.print(show.fit(sentence, console), soft_wrap=True)


def remark(sentence: str) -> None:
    """Print what a person should know of the device, the rig or the folder, on stderr."""
    note(f"Note: {sentence}")


def problem_sentence(folder: Path, problem: "Problem") -> str:
    """Where a problem lies and what it is, without saying the place twice."""
    if str(folder / problem.path) in problem.what:
        return problem.what
    return f"{problem.path} {problem.what}"


def command_line(folder: Path | None, *words: str) -> str:
    """A command to type next, with the folder where it takes one and it is not the usual one."""
    usual = Path(os.environ.get(FOLDER_VARIABLE) or DEFAULT_FOLDER)
    unusual = folder is not None and folder.expanduser() != usual.expanduser()
    line = ["sigbench", *words, *(["--folder", str(folder)] if unusual else [])]
    return subprocess.list2cmdline(line) if os.name == "nt" else shlex.join(line)


def find_unit(bench: "Bench", text: str) -> str:
    """The id of the unit that is meant.

    Parameters
    ----------
    bench : Bench
    text : str
        A whole id, model or serial number, or a part of id, maker, model and serial that only
        one unit has. Upper and lower case are alike.

    Raises
    ------
    RequestError
        If no unit fits, or several do; it lists them.
    """
    units = bench.units()
    if text in units:
        return text
    if not units:
        raise RequestError(
            f"There is no unit '{text}': this bench folder has none yet; "
            "add one with 'sigbench unit add'."
        )
    wanted = " ".join(text.casefold().split())
    whole = [
        unit_id
        for unit_id, unit in units.items()
        if wanted in (unit_id, unit.model.casefold(), unit.serial.casefold())
    ]
    part = units_with(units, text)
    for found in (whole, part):
        if len(found) == 1:
            return found[0]
    candidates = whole or part
    if candidates:
        raise RequestError(
            f"'{text}' fits {len(candidates)} units: {_listed(candidates)}; "
            "type more of the one that is meant."
        )
    raise RequestError(f"There is no unit '{text}'; there are: {_listed(list(units))}.")


def units_with(units: "Mapping[str, Unit]", text: str) -> list[str]:
    """Ids of the units with this text in their id, or in maker, model and serial in a row."""
    wanted = " ".join(text.casefold().split())
    return [
        unit_id
        for unit_id, unit in units.items()
        if wanted
        and (wanted in unit_id or wanted in f"{unit.maker} {unit.model} {unit.serial}".casefold())
    ]


def find_stage(bench: "Bench", unit_id: str, text: str) -> str:
    """The stage of a unit that is meant.

    Parameters
    ----------
    bench : Bench
    unit_id : str
    text : str
        The whole name, or a beginning that only one stage has. Upper and lower case are alike.

    Raises
    ------
    RequestError
        If no stage fits, or several do; it lists them.
    """
    stages = bench.stages(unit_id)
    if text in stages:
        return text
    if not stages:
        raise RequestError(
            f"'{unit_id}' has no stage '{text}', for it has not been measured yet: measure it "
            "first."
        )
    wanted = text.strip().casefold()
    whole = [stage for stage in stages if stage.casefold() == wanted]
    beginning = [stage for stage in stages if wanted and stage.casefold().startswith(wanted)]
    for found in (whole, beginning):
        if len(found) == 1:
            return found[0]
    candidates = [f"'{stage}'" for stage in whole or beginning]
    if candidates:
        raise RequestError(
            f"'{text}' fits {len(candidates)} stages of '{unit_id}': {_listed(candidates)}; "
            "type more of the one that is meant."
        )
    there = _listed([f"'{stage}'" for stage in stages])
    raise RequestError(f"'{unit_id}' has no stage '{text}'; it has: {there}.")


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names)
