"""``sigbench unit``: the instruments on the bench."""

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sigbench.cli.commands import command_app
from sigbench.cli.places import DEFAULT_FOLDER, CommandGroup, FolderOption, UnitArgument
from sigbench.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from sigbench.bench.folder import StageSummary
    from sigbench.model import Found, Output, Unit

app = command_app(cls=CommandGroup)

EXAMPLES = """\b
Examples:
  sigbench unit add --maker "Own Works" --model "Two-voice" --serial 0042
  sigbench unit list
  sigbench unit show 0042
"""  # \b tells the help to leave the lines as they are

ADD_EXAMPLES = """\b
Examples:
  sigbench unit add --maker "Own Works" --model "Two-voice" --serial 0042
  sigbench unit add --maker "Own Works" --model Drums --serial 7 \\
      --output main:2 --output phones:2 --output "out 1:1" --photo front.jpg
"""

LIST_EXAMPLES = """\b
Examples:
  sigbench unit list
  sigbench unit list two-voice
"""

FOUND_EXAMPLES = """\b
Examples:
  sigbench unit found 0042 reservoir --note "both 4700 uF, 60 uF left"
  sigbench unit found 0042 other --note "cracked trace under the main board"
"""

SHOW_EXAMPLES = """\b
Examples:
  sigbench unit show 0042
  sigbench unit show two-voice --json
"""


@app.callback(epilog=EXAMPLES)
def unit() -> None:
    """Add, list or show the instruments on the bench.

    A unit is one physical instrument, with its own serial number. What is measured on it is kept
    with it, stage by stage: as received, after each repair, before the sale.
    """


@app.command(epilog=ADD_EXAMPLES)
def add(
    maker: Annotated[str, typer.Option(metavar="TEXT", help="Who made it.")],
    model: Annotated[
        str, typer.Option(metavar="TEXT", help="Its model; write it alike for each of its kind.")
    ],
    serial: Annotated[
        str, typer.Option(metavar="TEXT", help="Its serial number, or a label of your own.")
    ],
    output: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME[:CHANNELS]",
            help="An output: main:2 is a stereo pair, 'out 1:1' a single jack. Give it once for "
            "each; without it: main:2.",
        ),
    ] = None,
    mains_volts: Annotated[
        float, typer.Option(metavar="V", help="Mains voltage on its type plate.")
    ] = 230.0,
    mains_hz: Annotated[
        float, typer.Option(metavar="HZ", help="Frequency of the local mains, 50 or 60.")
    ] = 50.0,
    notes: Annotated[
        str, typer.Option(metavar="TEXT", help="What you want to remember: faults, price, smell.")
    ] = "",
    photo: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A JPEG or PNG picture for the report.")
    ] = None,
    folder: FolderOption = DEFAULT_FOLDER,
) -> None:
    """Add an instrument.

    Prints its id. It gets a plan at once: supply rails first, then idle, tones and dropouts on
    each output. Put in the rails from its schematic with 'sigbench plan reset'.
    """
    from sigbench.bench.arrivals import outputs_of, require_new
    from sigbench.cli import show
    from sigbench.cli.places import command_line, note, open_bench
    from sigbench.model import Unit
    from sigbench.plan import default_plan

    new = Unit(
        _text(maker, "--maker"),
        _text(model, "--model"),
        _text(serial, "--serial"),
        outputs_of(output or ["main:2"]),
        _mains_volts(mains_volts),
        _mains_hz(mains_hz),
        notes.strip(),
    )
    plan = default_plan(new)
    if photo is not None:
        _require_photo(photo)
    with open_bench(folder, create=True) as bench:
        require_new(bench, new)
        unit_id = bench.add_unit(new)
        bench.set_plan(unit_id, plan)
        if photo is not None:
            bench.set_photo(unit_id, photo)
    console = show.output()
    console.print(show.fit(unit_id, console), soft_wrap=True)
    note(f"Its plan has {len(plan.steps)} steps, with the usual supply rails. Read it next:")
    note(f"  {command_line(folder, 'plan', 'show', unit_id)}")


@app.command("list", epilog=LIST_EXAMPLES)
def list_units(
    text: Annotated[
        str | None,
        typer.Argument(metavar="TEXT", help="Only units with this in id, maker, model, serial."),
    ] = None,
    folder: FolderOption = DEFAULT_FOLDER,
) -> None:
    """List the instruments.

    With the number of stages that each was measured at, and when it was measured last.
    """
    from rich.table import Table

    from sigbench.cli import show
    from sigbench.cli.places import note, open_bench, units_with

    with open_bench(folder) as bench:
        units = bench.units()
        chosen = units if text is None else {k: units[k] for k in units_with(units, text)}
        summaries = {unit_id: bench.stage_summaries(unit_id) for unit_id in chosen}
    if not units:
        note("There is no unit yet: add one with 'sigbench unit add'.")
        return
    if not chosen:
        raise RequestError(f"No unit has '{text}' in its id, maker, model or serial number.")
    console = show.output()
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("Maker and model, id", overflow="fold")
    table.add_column("Serial", overflow="fold")
    table.add_column("Stages", justify="right", no_wrap=True)
    table.add_column("Last", no_wrap=True)
    for unit_id, known in chosen.items():
        stages = summaries[unit_id]
        # The id has a line of its own, so that it stays in one piece at 80 columns.
        cells = (f"{known.maker} {known.model}\n{unit_id}", known.serial, str(len(stages)))
        last = max((_date(stage.last) for stage in stages), default="–")
        table.add_row(*(show.fit(cell, console) for cell in (*cells, last)))
    console.print(table)


@app.command("show", epilog=SHOW_EXAMPLES)
def show_unit(
    which: UnitArgument,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON object instead of the table.")
    ] = False,
    folder: FolderOption = DEFAULT_FOLDER,
) -> None:
    """Show one instrument: what it is, its outputs, its stages and its plan."""
    from sigbench.cli import show
    from sigbench.cli.places import find_unit, open_bench

    with open_bench(folder) as bench:
        unit_id = find_unit(bench, which)
        known = bench.unit(unit_id)
        stages = bench.stage_summaries(unit_id)
        plan = bench.plan(unit_id).name if bench.has_plan(unit_id) else None
        photo = bench.photo(unit_id)
    if as_json:
        _print_json(unit_id, known, stages, plan, photo)
    else:
        _print_unit(unit_id, known, stages, plan, photo, show.output())


@app.command(epilog=FOUND_EXAMPLES)
def found(
    which: UnitArgument,
    cause: Annotated[
        str, typer.Argument(metavar="CAUSE", help="Its short name in docs/causes.md, or 'other'.")
    ],
    note: Annotated[
        str, typer.Option(metavar="TEXT", help="In your own words: which part, where.")
    ] = "",
    folder: FolderOption = DEFAULT_FOLDER,
) -> None:
    """Write down what the fault turned out to be.

    What you have met before weighs more when 'sigbench causes' ranks, on every unit.
    """
    from dataclasses import replace
    from datetime import date

    from sigbench.causes.of_unit import found_cause
    from sigbench.cli import places
    from sigbench.cli.places import find_unit, open_bench

    entry = found_cause(cause, date.today().isoformat(), " ".join(note.split()))
    with open_bench(folder) as bench:
        unit_id = find_unit(bench, which)
        known = bench.unit(unit_id)
        bench.update_unit(unit_id, replace(known, found=(*known.found, entry)))
    places.note(f"Written down for {unit_id}: {cause}.")


def _print_json(
    unit_id: str,
    known: "Unit",
    stages: "Sequence[StageSummary]",
    plan: str | None,
    photo: Path | None,
) -> None:
    import msgspec

    from sigbench import __version__
    from sigbench.cli import show

    document = {
        "sigbench": __version__,
        "id": unit_id,
        "unit": known,
        "plan": plan,
        "photo": None if photo is None else str(photo),
        "stages": stages,
    }
    show.print_line(msgspec.json.encode(document))


def _print_unit(
    unit_id: str,
    known: "Unit",
    stages: "Sequence[StageSummary]",
    plan: str | None,
    photo: Path | None,
    console: "Console",
) -> None:
    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    from sigbench.cli import show

    console.print(show.fit(f"{known.maker} {known.model}", console, style="bold"))
    facts = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
    facts.add_column(width=10)
    facts.add_column(overflow="fold")
    for title, value in (
        ("Id", unit_id),
        ("Serial", known.serial),
        ("Mains", _mains_words(known)),
        ("Outputs", ", ".join(_output_words(output) for output in known.outputs)),
        ("Plan", plan or "none yet: give it one with 'sigbench plan reset'"),
        ("Photo", None if photo is None else str(photo)),
        ("Notes", known.notes),
        ("Found", "; ".join(_found_words(entry) for entry in known.found)),
    ):
        if value:
            facts.add_row(title, show.fit(value, console))
    console.print(Padding(facts, (0, 0, 0, 2), expand=False))
    console.print()
    if not stages:
        console.print("Not measured yet.")
        return
    console.print(Text("Stages", style="bold"))
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column(overflow="fold")
    table.add_column(no_wrap=True)
    table.add_column(no_wrap=True, justify="right")
    for stage in stages:
        first, last = _date(stage.first), _date(stage.last)
        when = first if first == last else f"{first} to {last}"
        runs = "1 run" if stage.runs == 1 else f"{stage.runs} runs"
        table.add_row(show.fit(stage.stage, console), when, runs)
    console.print(Padding(table, (0, 0, 0, 2), expand=False))


def _text(text: str, option: str) -> str:
    if not text.strip():
        raise RequestError(f"{option} is empty: say something there, 'unknown' if need be.")
    return " ".join(text.split())


def _mains_volts(volts: float) -> float:
    if not (math.isfinite(volts) and volts > 0):
        raise RequestError(
            f"--mains-volts {volts:g} is no mains voltage: give the one on the type plate, such "
            "as 230 or 120."
        )
    return volts


def _mains_hz(hertz: float) -> float:
    if hertz not in (50, 60):
        raise RequestError(f"--mains-hz {hertz:g} is no mains frequency: give 50 or 60.")
    return hertz


def _require_photo(photo: Path) -> None:
    """Refuse a picture that the report could not show, before anything is stored."""
    from sigbench.bench.folder import PHOTO_SUFFIXES
    from sigbench.errors import FileError
    from sigbench.report.photo import prepare_photo

    if photo.suffix.lower() not in PHOTO_SUFFIXES:
        raise FileError(f"{photo} is no photo that can be kept: name a JPEG or PNG file.")
    try:
        data = photo.read_bytes()
    except OSError as exc:
        raise FileError(f"{photo} cannot be read ({exc.strerror}): check the name.") from exc
    prepare_photo(data, "")


def _found_words(entry: "Found") -> str:
    note = f" ({entry.note})" if entry.note else ""
    return f"{entry.date} {entry.cause}{note}"


def _mains_words(known: "Unit") -> str:
    volts = None if known.mains_volts is None else f"{known.mains_volts:g} V"
    hertz = None if known.mains_hz is None else f"{known.mains_hz:g} Hz"
    return ", ".join(part for part in (volts, hertz) if part)


def _output_words(output: "Output") -> str:
    words = {1: "mono", 2: "stereo"}.get(output.channels, f"{output.channels} channels")
    return f"{output.name} ({words})"


def _date(started: str) -> str:
    """The date on the person's clock."""
    return started[:10]
