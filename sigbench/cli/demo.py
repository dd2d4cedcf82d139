"""``sigbench demo``: the whole job on the simulated unit, in half a minute."""

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from sigbench.cli.commands import command_app
from sigbench.cli.places import command_line

app = command_app()

EXAMPLES = """\b
Example:
  sigbench demo
"""  # \b tells the help to leave the lines as they are

SHOWN_PER_COMPARISON = 12


@app.command(epilog=EXAMPLES)
def demo(
    folder: Annotated[
        Path,
        typer.Option(
            metavar="DIR",
            help="Where to keep the demo's bench folder and report; a number is added to the "
            "name if it is taken.",
        ),
    ] = Path("sigbench-demo"),
) -> int:
    """Do the whole job on a simulated unit.

    No interface and no instrument are needed. A synthesizer arrives with three faults. It is
    measured as received and compared with good units of its model, repaired, measured again,
    compared, and a report for the buyer is written.

    Everything is kept, so that all the other commands can be tried on it.
    """
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    from sigbench.bench.folder import Bench
    from sigbench.cli import show, verdicts
    from sigbench.cli.report import write_report
    from sigbench.demo import (
        GOOD_UNITS,
        STAGE_AFTER,
        STAGE_BEFORE,
        demo_plan,
        demo_unit,
        tell,
    )
    from sigbench.report.of_unit import sides, unit_report

    console = show.output()
    place = _free(folder.expanduser())
    bench_folder = place / "bench"
    unit = demo_unit("0047")
    with Bench.create(bench_folder) as bench:
        unit_id = bench.add_unit(unit)
        bench.set_plan(unit_id, demo_plan(unit))
    watched = show.progress()
    columns = (BarColumn(), TextColumn("stage {task.completed:.0f} of {task.total:.0f} measured"))
    with Progress(
        *columns,
        TimeElapsedColumn(),
        console=watched,
        transient=True,
        disable=not watched.is_terminal,
    ) as bar:
        task = bar.add_task("", total=len(GOOD_UNITS) + 2)
        story = tell(
            bench_folder, unit_id, on_stage=lambda done, _: bar.update(task, completed=done)
        )
        chapters = list(story)
    for number, chapter in enumerate(chapters, start=1):
        console.print(show.fit(f"\n{number}. {chapter.title}", console, style="bold"))
        console.print(show.fit(chapter.text, console))
        if chapter.comparison is not None:
            console.print()
            verdicts.print_comparison(chapter.comparison, console, most=SHOWN_PER_COMPARISON)
    with Bench.open(bench_folder) as bench:
        shown = sides(bench, unit_id, before=STAGE_BEFORE, after=STAGE_AFTER)
        files = unit_report(bench, unit_id, shown, made=date.today().isoformat())
    write_report(files, place / "report")
    console.print(show.fit("\nThe report for the buyer", console, style="bold"))
    for name in ("report.pdf", "report.html"):
        console.print(f"  {place / 'report' / name}", soft_wrap=True)
    console.print(show.fit("\nTry the other commands on it, for example:", console))
    for words in (("compare", unit_id, "--all"), ("plan", "show", unit_id), ("bench", "check")):
        console.print(f"  {command_line(place / 'bench', *words)}", soft_wrap=True)
    return 0


def _free(wanted: Path) -> Path:
    """The wanted place, or the first with a number behind it that is not taken."""
    place, number = wanted, 1
    while place.exists():
        number += 1
        place = wanted.with_name(f"{wanted.name}-{number}")
    return place
