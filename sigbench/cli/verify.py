"""``sigbench verify``: the installed program against signals with known answers."""

from itertools import groupby
from typing import TYPE_CHECKING, Annotated

import typer

from sigbench.cli.commands import command_app

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from sigbench.verify import Verification

app = command_app()

EXAMPLES = """\b
Example:
  sigbench verify
"""  # \b tells the help to leave the lines as they are


@app.command(epilog=EXAMPLES)
def verify(
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON object instead of the table.")
    ] = False,
) -> int:
    """Prove that sigbench measures right.

    Measures signals whose right values follow from a formula, and prints what was read beside
    what it must be. Worth the minute after each installation or update.

    Ends with 0 when everything is right and with 1 when anything is not.
    """
    from sigbench.cli import show

    rows = _verified_with_progress(show.progress())
    if as_json:
        _print_json(rows)
    else:
        _print_table(rows, show.output())
    return 0 if all(row.passed for row in rows) else 1


def _verified_with_progress(console: "Console") -> "Sequence[Verification]":
    """Verify with a bar on the terminal that goes away when it is done."""
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    from sigbench.verify import ReferenceSignal, load_manifest
    from sigbench.verify import verify as verify_all

    columns = (BarColumn(), MofNCompleteColumn(), TextColumn("{task.description}", markup=False))
    # In a pipe there is nothing to watch.
    shown = console.is_terminal
    with Progress(*columns, console=console, transient=True, disable=not shown) as progress:
        task = progress.add_task("", total=len(load_manifest().signals))

        def started(signal: ReferenceSignal) -> None:
            progress.update(task, description=signal.file)
            progress.advance(task)

        return verify_all(started=started)


def _print_json(rows: "Sequence[Verification]") -> None:
    import msgspec

    from sigbench import __version__
    from sigbench.cli import show

    passed = all(row.passed for row in rows)
    show.print_line(
        msgspec.json.encode({"sigbench": __version__, "passed": passed, "verifications": rows})
    )


def _print_table(rows: "Sequence[Verification]", console: "Console") -> None:
    from rich.table import Table
    from rich.text import Text

    from sigbench.cli import show

    files = 0
    for file, lines in groupby(rows, key=lambda row: row.file):
        files += 1
        console.print(Text(file, style="bold"))
        table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
        table.add_column(width=28, overflow="fold")  # the longest names, with a channel
        table.add_column(width=26, overflow="fold")
        table.add_column(overflow="fold")
        for row in lines:
            channel = "" if row.channel is None else f" {row.channel}"
            verdict = "right" if row.passed else f"WRONG: {row.why}"
            cells = (
                show.fit(f"  {row.reading}{channel}", console),
                show.fit(_wanted(row), console),
                show.fit(f"{_read(row)}: {verdict}", console, style="" if row.passed else "red"),
            )
            table.add_row(*cells)
        console.print(table)
    wrong = sum(not row.passed for row in rows)
    console.print()
    if wrong:
        console.print(
            f"{wrong} of {len(rows)} values are wrong: do not rely on the readings concerned."
        )
    else:
        console.print(f"Signals: {files}. All {len(rows)} values are right.")


def _wanted(row: "Verification") -> str:
    """What must be read."""
    if row.expected is None:
        return "no number"
    unit = "" if row.unit == "1" else f" {row.unit}"
    number = _seven_digits(row.expected)
    if row.is_limit:
        return f"at most {number}{unit}"
    return f"{number} ± {row.within:.3g}{unit}" if row.within else f"{number}{unit}"


def _read(row: "Verification") -> str:
    """What was read, without its unit."""
    return "none" if row.measured is None else _seven_digits(row.measured)


def _seven_digits(value: float) -> str:
    from sigbench.units import true_minus

    return true_minus(f"{value:.7g}")
