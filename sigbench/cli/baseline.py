"""``sigbench baseline``: what good units do, kept under a name to compare others with."""

from typing import TYPE_CHECKING, Annotated

import typer

from sigbench.cli.commands import command_app
from sigbench.cli.places import DEFAULT_FOLDER, CommandGroup, FolderOption
from sigbench.errors import BenchError, RequestError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from sigbench.baseline import BaselineFigure, Of
    from sigbench.bench.folder import Bench
    from sigbench.model import Run

app = command_app(cls=CommandGroup)

EXAMPLES = """\b
Examples:
  sigbench baseline add "good ones" --from "0042:after recap" --from 0051:sold
  sigbench baseline list
  sigbench baseline show "good ones"
"""  # \b tells the help to leave the lines as they are

ADD_EXAMPLES = """\b
Examples:
  sigbench baseline add "good ones" \\
      --from "0042:after recap" --from 0051:sold --from 0060:sold
  sigbench baseline add "good 0042" --from "0042:day 1" --from "0042:day 2"
"""

LIST_EXAMPLES = """\b
Example:
  sigbench baseline list
"""

SHOW_EXAMPLES = """\b
Examples:
  sigbench baseline show "good ones"
  sigbench baseline show "good ones" --all
"""

_OF = {"units": ("unit", "units"), "stages": ("stage of one unit", "stages of one unit")}

NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="Name of the baseline.")]


@app.callback(epilog=EXAMPLES)
def baseline() -> None:
    """Keep what good units do, to compare with.

    A baseline is made of good units of one model, or of several stages of one good unit, all
    measured with the same plan. From five on it says a lot; from two to four the range that it
    allows is wide; with one, a unit is compared with it as with an earlier stage.
    """


@app.command(epilog=ADD_EXAMPLES)
def add(
    name: NameArgument,
    sources: Annotated[
        list[str],
        typer.Option(
            "--from",
            metavar="UNIT:STAGE",
            help="A good unit, and the stage at which it was good. Give it once for each.",
        ),
    ],
    replace: Annotated[
        bool, typer.Option("--replace", help="Instead of the baseline of that name.")
    ] = False,
    folder: FolderOption = DEFAULT_FOLDER,
) -> None:
    """Make a baseline of runs that there are.

    The last run of each step counts. The baseline keeps to these runs: later ones do not change
    it.
    """
    from sigbench.baseline import group_members, make_baseline
    from sigbench.cli.places import command_line, note, open_bench

    if not name.strip():
        raise RequestError("The baseline has no name: give it one, such as 'good ones'.")
    with open_bench(folder) as bench:
        chosen = [_unit_and_stage(bench, source) for source in sources]
        model = _one_model(bench, chosen)
        runs = [(unit, run) for unit, stage in chosen for run in _latest(bench, unit, stage)]
        members, of = group_members(runs)
        make_baseline(name, members, of=of)  # refuses members that were not measured alike
        bench.add_baseline(name, model, [run.id for _, run in runs], replace=replace)
    note(f"The baseline '{name}' has {_count(members, of)}. See what they do with:")
    note(f"  {command_line(folder, 'baseline', 'show', name)}")


@app.command("list", epilog=LIST_EXAMPLES)
def list_baselines(folder: FolderOption = DEFAULT_FOLDER) -> None:
    """List the baselines, and how many members each has."""
    from rich.table import Table

    from sigbench.baseline import stored_members
    from sigbench.cli import show
    from sigbench.cli.places import note, open_bench

    rows = []
    with open_bench(folder) as bench:
        for stored in bench.baselines():
            try:
                members = _count(*stored_members(bench, stored.name))
            except BenchError as exc:
                members = str(exc)
            rows.append((stored.name, stored.model, members))
    if not rows:
        note("There is no baseline yet: make one with 'sigbench baseline add'.")
        return
    console = show.output()
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for heading in ("Name", "Model", "Members"):
        table.add_column(heading, overflow="fold")
    for row in rows:
        table.add_row(*(show.fit(cell, console) for cell in row))
    console.print(table)


@app.command("show", epilog=SHOW_EXAMPLES)
def show_baseline(
    name: NameArgument,
    everything: Annotated[
        bool, typer.Option("--all", help="Every reading in every unit, not the main ones alone.")
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON object instead of the table.")
    ] = False,
    folder: FolderOption = DEFAULT_FOLDER,
) -> None:
    """Show what the members of a baseline do.

    For each reading the mean, and the interval in which 95 % of good units lie, stated with 95 %
    confidence (ISO 16269-6). The fewer the members, the wider it is.
    """
    from sigbench.baseline import figures, make_baseline, stored_members
    from sigbench.cli import show
    from sigbench.cli.places import open_bench

    with open_bench(folder) as bench:
        stored = bench.baseline(_known_name(bench, name))
        members, of = stored_members(bench, stored.name)
    found = figures(make_baseline(stored.name, members, of=of))
    if as_json:
        _print_json(stored.name, stored.model, of, members, found)
        return
    console = show.output()
    console.print(show.fit(stored.name, console, style="bold"))
    console.print(show.fit(f"{stored.model}, {_count(members, of)}:", console))
    for member, runs in members.items():
        stage = runs[0].stage if of == "units" else None
        words = f"{member}, {stage}" if stage else member
        console.print(show.fit(f"  {words}, {runs[0].started[:10]}", console))
    if len(members) == 1:
        console.print()
        console.print(
            "With one member there is no interval: a unit is compared with it as with an earlier "
            "stage. Add more good units."
        )
        return
    _print_figures(found if everything else _main(found), members, of, console)


def _unit_and_stage(bench: "Bench", text: str) -> tuple[str, str]:
    """The id and the stage in ``UNIT:STAGE``."""
    from sigbench.cli.places import find_stage, find_unit

    unit, colon, stage = text.partition(":")
    if not colon:
        raise RequestError(
            f"--from '{text}' does not say at which stage: write UNIT:STAGE, such as "
            "'0042:after recap'."
        )
    unit_id = find_unit(bench, unit)
    return unit_id, find_stage(bench, unit_id, stage)


def _one_model(bench: "Bench", chosen: "Sequence[tuple[str, str]]") -> str:
    """The model of all units, each of which may come once, unless it is the only one."""
    units = {unit_id: bench.unit(unit_id) for unit_id, _ in chosen}
    first, *others = units
    for other in others:
        kinds = [
            (units[key].maker.casefold(), units[key].model.casefold()) for key in (first, other)
        ]
        if kinds[0] != kinds[1]:
            raise RequestError(
                f"'{first}' and '{other}' are not of the same maker and model: a baseline is of "
                "one model, so make one for each."
            )
    stages = [unit_id for unit_id, _ in chosen]
    for number, (unit_id, stage) in enumerate(chosen):
        if (unit_id, stage) in chosen[:number]:
            raise RequestError(f"'{unit_id}' at '{stage}' is given twice: give it once.")
        if others and stages.count(unit_id) > 1:
            raise RequestError(
                f"'{unit_id}' is given at several stages beside other units: give one stage of "
                "each unit, or several stages of one unit alone."
            )
    return units[first].model


def _latest(bench: "Bench", unit_id: str, stage: str) -> "list[Run]":
    """The last run of each step at a stage, in the order of the plan."""
    from sigbench.compare import latest_runs

    latest = latest_runs(bench.runs(unit_id, stage))
    return [latest[number] for number in sorted(latest)]


def _known_name(bench: "Bench", name: str) -> str:
    """The name of a baseline, upper and lower case alike."""
    names = [stored.name for stored in bench.baselines()]
    if name in names:
        return name
    alike = [known for known in names if known.casefold() == name.strip().casefold()]
    if len(alike) == 1:
        return alike[0]
    there = f"there are: {', '.join(names)}" if names else "there is none yet"
    raise RequestError(f"There is no baseline '{name}'; {there}.")


def _count(members: "dict[str, list[Run]]", of: "Of") -> str:
    one, several = _OF[of]
    return f"1 {one}" if len(members) == 1 else f"{len(members)} {several}"


def _main(found: "Sequence[BaselineFigure]") -> "list[BaselineFigure]":
    """The main readings, each in its preferred unit."""
    from sigbench.report.wording import label

    def key(figure: "BaselineFigure") -> tuple[object, ...]:
        return figure.step_number, figure.name, figure.channel, figure.channels

    def rank(figure: "BaselineFigure") -> int:
        units = label(figure.name).units
        return units.index(figure.unit) if figure.unit in units else len(units)

    best: dict[tuple[object, ...], int] = {}
    for figure in found:
        best[key(figure)] = min(rank(figure), best.get(key(figure), rank(figure)))
    return [f for f in found if label(f.name).main and rank(f) == best[key(f)]]


def _print_figures(
    found: "Sequence[BaselineFigure]",
    members: "dict[str, list[Run]]",
    of: "Of",
    console: "Console",
) -> None:
    from itertools import groupby

    from rich.padding import Padding
    from rich.table import Table

    from sigbench.baseline import FEW_MEMBERS
    from sigbench.cli import show
    from sigbench.cli.plan import step_title
    from sigbench.report.wording import channel_name, label, quantity_text

    for number, of_step in groupby(found, key=lambda figure: figure.step_number):
        figures = list(of_step)
        step = next(
            run.step for runs in members.values() for run in runs if run.step_number == number
        )
        console.print()
        console.print(show.fit(f"Step {number}: {step_title(step)}", console, style="bold"))
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
        table.add_column("Reading", overflow="fold")
        table.add_column("Mean", overflow="fold")
        table.add_column("95 % of good ones", overflow="fold")
        table.add_column("Members", justify="right", no_wrap=True)
        for figure in figures:
            where = channel_name(figure.channel, figure.channels, pair=True)
            title = label(figure.name).title
            # Of a pair reading the title says which: "Left minus right".
            words = f"{title}, {where}" if where and figure.channel is not None else title
            mean = quantity_text(figure.mean, figure.deviation, figure.unit)
            cells = (
                words,
                f"{mean.number} {mean.unit}".rstrip(),
                _interval(figure),
                str(figure.members),
            )
            table.add_row(*(show.fit(cell, console) for cell in cells))
        console.print(Padding(table, (0, 0, 0, 2), expand=False))
    console.print()
    if not found:
        console.print("There is no reading that two members have a valid number for.")
        return
    what = "good units" if of == "units" else "good stages"
    console.print(f"95 % of {what} lie within the interval, with 95 % confidence.")
    if len(members) < FEW_MEMBERS:
        console.print(
            f"It is wide because only {len(members)} are known: {FEW_MEMBERS} or more say far more."
        )


def _interval(figure: "BaselineFigure") -> str:
    from sigbench.report.wording import quantity_text

    low = quantity_text(figure.low, figure.deviation, figure.unit)
    high = quantity_text(figure.high, figure.deviation, figure.unit)
    if low.unit == high.unit:
        return f"{low.number} to {high.number} {high.unit}".rstrip()
    return f"{low.number} {low.unit} to {high.number} {high.unit}"


def _print_json(
    name: str,
    model: str,
    of: "Of",
    members: "dict[str, list[Run]]",
    found: "Sequence[BaselineFigure]",
) -> None:
    import msgspec

    from sigbench import __version__
    from sigbench.cli import show

    document = {
        "sigbench": __version__,
        "baseline": name,
        "model": model,
        "of": of,
        "members": list(members),
        "figures": found,
    }
    show.print_line(msgspec.json.encode(document))
