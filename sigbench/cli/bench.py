"""``sigbench bench``: make a bench folder, check it, make its index anew, recover recordings."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sigbench.cli.commands import command_app
from sigbench.cli.places import DEFAULT_FOLDER, CommandGroup, FolderOption
from sigbench.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from sigbench.bench.folder import Bench, Problem
    from sigbench.bench.recording import Unfinished

app = command_app(cls=CommandGroup)

EXAMPLES = """\b
Examples:
  sigbench bench create
  sigbench bench create --folder "my bench"
  sigbench bench check
"""  # \b tells the help to leave the lines as they are

CREATE_EXAMPLES = """\b
Examples:
  sigbench bench create
  sigbench bench create --folder "my bench"
"""

CHECK_EXAMPLES = """\b
Example:
  sigbench bench check
"""

REBUILD_EXAMPLES = """\b
Example:
  sigbench bench rebuild
"""

RECOVER_EXAMPLES = """\b
Examples:
  sigbench bench recover
  sigbench bench recover --keep
  sigbench bench recover 20260301T093000-5f3a09 --drop
"""


@app.callback(epilog=EXAMPLES)
def bench() -> None:
    """Make, check or rebuild the bench folder; recover recordings.

    Everything that you measure lies in one folder: units, plans, readings and audio. Copy it as
    a whole to keep it safe.
    """


@app.command(epilog=CREATE_EXAMPLES)
def create(folder: FolderOption = DEFAULT_FOLDER) -> None:
    """Make a bench folder.

    In a new or an empty folder. 'sigbench unit add' makes one as well if there is none yet.

    Another place than the usual one is given to each command with --folder, or once and for all
    in the environment variable SIGBENCH_FOLDER.
    """
    from sigbench.bench.folder import Bench
    from sigbench.cli import show

    with Bench.create(folder.expanduser()) as made:
        console = show.output()
        console.print(show.fit(f"Made a new bench folder: {made.folder}", console), soft_wrap=True)


@app.command(epilog=CHECK_EXAMPLES)
def check(folder: FolderOption = DEFAULT_FOLDER) -> int:
    """Check that everything in the bench folder is as it was stored.

    Reads every file and compares its hash, so that a failing disk or a file changed by accident
    is noticed while there is still a copy. Do it now and then, and after copying the folder.

    Ends with 0 when everything is sound, and with 1 when anything is not.
    """
    from sigbench.cli import show
    from sigbench.cli.places import open_bench

    with open_bench(folder, tell_problems=False) as opened:
        problems = _checked_with_progress(opened, show.progress())
        return _tell(problems, opened, show.output())


@app.command(epilog=REBUILD_EXAMPLES)
def rebuild(folder: FolderOption = DEFAULT_FOLDER) -> int:
    """Make the index of the bench folder anew from its files.

    For when 'sigbench bench check' says so, or after you deleted a unit or a run. The files are
    the records and are not touched; runs that were changed by hand are accepted as they are now.

    Ends with 1 when a file could not be taken up.
    """
    from sigbench.bench.folder import Bench
    from sigbench.cli import show

    with Bench.rebuild(folder.expanduser()) as opened:
        return _tell(opened.problems, opened, show.output())


@app.command(epilog=RECOVER_EXAMPLES)
def recover(
    recording: Annotated[
        str | None,
        typer.Argument(
            metavar="ID", help="Which one; may be left out where there is one.", show_default=False
        ),
    ] = None,
    keep: Annotated[bool, typer.Option("--keep", help="Make it an audio file in 'kept'.")] = False,
    drop: Annotated[bool, typer.Option("--drop", help="Delete it.")] = False,
    folder: FolderOption = DEFAULT_FOLDER,
) -> None:
    """List, keep or delete unfinished recordings.

    What is being recorded is written to the disk as it comes. If the program is killed, the
    power fails or the interface is unplugged, it stays here until you say what is to become of it.
    """
    from sigbench.cli.places import open_bench

    if keep and drop:
        raise RequestError("--keep and --drop cannot both be meant: give one of them.")
    with open_bench(folder, tell_unfinished=False) as opened:
        if keep or drop:
            found = _recording_named(opened.unfinished, recording)
            _keep(opened, found) if keep else _drop(opened, found)
        else:
            _list(opened, recording)


def _recording_named(there: "Sequence[Unfinished]", name: str | None) -> "Unfinished":
    """The one recording that is meant."""
    found = [one for one in there if name is None or one.id.lower().startswith(name.lower())]
    if len(found) == 1:
        return found[0]
    if not there:
        raise RequestError("There is no unfinished recording.")
    choice = ", ".join(one.id for one in there)
    if not found:
        raise RequestError(f"There is no unfinished recording '{name}'; there are: {choice}.")
    raise RequestError(f"Say which recording is meant: {choice}.")


def _keep(opened: "Bench", found: "Unfinished") -> None:
    from sigbench.cli import show
    from sigbench.cli.places import command_line

    with show.progress().status("Keeping …"):
        place = opened.keep_recording(found)
    console = show.output()
    console.print(show.fit(f"Kept: {place}", console), soft_wrap=True)
    check = found.about.purpose.check or "dropouts"
    measure = command_line(None, "measure", str(place), "--check", check)
    console.print(show.fit(f"Measure it with: {measure}", console), soft_wrap=True)


def _drop(opened: "Bench", found: "Unfinished") -> None:
    from sigbench.cli import show

    opened.drop_recording(found)
    console = show.output()
    console.print(show.fit(f"Deleted: {found}", console), soft_wrap=True)


def _list(opened: "Bench", name: str | None) -> None:
    from sigbench.cli import show

    console = show.output()
    there = [_recording_named(opened.unfinished, name)] if name else opened.unfinished
    if not there:
        console.print(show.fit("There is no unfinished recording.", console), soft_wrap=True)
        return
    for one in there:
        why = f" – {one.ended}" if one.ended else ""
        console.print(show.fit(f"{one.id}: {one}{why}", console), soft_wrap=True)
    words = "Keep one with --keep, delete it with --drop."
    console.print(show.fit(words, console), soft_wrap=True)


def _checked_with_progress(opened: "Bench", console: "Console") -> "list[Problem]":
    """Check with a bar on the terminal that goes away when it is done."""
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    columns = (BarColumn(), MofNCompleteColumn(), TextColumn("takes", markup=False))
    # In a pipe there is nothing to watch.
    shown = console.is_terminal
    with Progress(*columns, console=console, transient=True, disable=not shown) as progress:
        task = progress.add_task("", total=None)

        def verified(number: int, of: int) -> None:
            progress.update(task, completed=number, total=of)

        return opened.check(verified)


def _tell(problems: "Sequence[Problem]", opened: "Bench", console: "Console") -> int:
    """Print what is wrong, or how much is right, and give the exit code."""
    from rich.padding import Padding

    from sigbench.cli import show

    if not problems:
        units = opened.units()
        runs = sum(stage.runs for unit in units for stage in opened.stage_summaries(unit))
        counts = f"Units: {len(units)}, runs: {runs}, baselines: {len(opened.baselines())}."
        text = f"{opened.folder}: everything is as it was stored.\n{counts}"
        console.print(show.fit(text, console), soft_wrap=True)
        return 0
    for problem in problems:
        console.print(show.fit(problem.path, console, style="red"), soft_wrap=True)
        what = show.fit(_without_place(problem, opened.folder), console)
        console.print(Padding(what, (0, 0, 0, 4), expand=False))
    console.print()
    count = "One problem" if len(problems) == 1 else f"{len(problems)} problems"
    console.print(show.fit(f"{count} in {opened.folder}.", console), soft_wrap=True)
    return 1


def _without_place(problem: "Problem", folder: Path) -> str:
    """What the problem is, without the path, which stands above it."""
    return problem.what.removeprefix(str(folder / problem.path)).lstrip()
