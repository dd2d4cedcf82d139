"""``sigbench plan``: the checks that are repeated on a unit at each stage."""

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sigbench.cli.commands import command_app
from sigbench.cli.places import DEFAULT_FOLDER, CommandGroup, FolderOption, UnitArgument
from sigbench.errors import FileError, RequestError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from rich.console import Console

    from sigbench.bench.folder import Bench
    from sigbench.model import Limit, Plan, Rail, Step, Unit

app = command_app(cls=CommandGroup)

EXAMPLES = """\b
Examples:
  sigbench plan show two-voice
  sigbench plan reset two-voice --rail "+12 V=12" --rail "-12 V=-12"
  sigbench plan save two-voice my-plan.json
  sigbench plan load two-voice my-plan.json
"""  # \b tells the help to leave the lines as they are

SHOW_EXAMPLES = """\b
Examples:
  sigbench plan show two-voice
  sigbench plan show 0042 --json
"""

SAVE_EXAMPLES = """\b
Example:
  sigbench plan save two-voice my-plan.json
"""

LOAD_EXAMPLES = """\b
Example:
  sigbench plan load two-voice my-plan.json
"""

RESET_EXAMPLES = """\b
Examples:
  sigbench plan reset two-voice --rail "+12 V=12" --rail "-12 V=-12"
  sigbench plan reset organ --rail "+5 V=5" --a4 442
"""


@app.callback(epilog=EXAMPLES)
def plan() -> None:
    """Show or change the plan of a unit.

    A plan is the list of checks that 'sigbench run' goes through, the same at each stage, so
    that what differs between stages is the unit. Settle it before the first stage: steps that
    were changed since cannot be compared.

    To edit it, save it to a file, change that with a text editor, and load it again.
    """


@app.command("show", epilog=SHOW_EXAMPLES)
def show_plan(
    which: UnitArgument,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the plan as its file, instead of words.")
    ] = False,
    folder: FolderOption = DEFAULT_FOLDER,
) -> None:
    """Show the plan of a unit, step by step: what to do, what is measured, within which limits."""
    from sigbench.cli import show
    from sigbench.cli.places import find_unit, open_bench
    from sigbench.plan import plan_to_json

    with open_bench(folder) as bench:
        unit_id = find_unit(bench, which)
        kept = bench.plan(unit_id)
    if as_json:
        show.print_line(plan_to_json(kept).rstrip())
    else:
        _print_plan(kept, unit_id, show.output())


@app.command(epilog=SAVE_EXAMPLES)
def save(
    which: UnitArgument,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The file to write, in JSON.")],
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over a file of that name.")
    ] = False,
    folder: FolderOption = DEFAULT_FOLDER,
) -> None:
    """Write the plan of a unit to a file, to edit it or to give it to another unit."""
    from sigbench.cli.places import command_line, find_unit, note, open_bench
    from sigbench.plan import save_plan

    with open_bench(folder) as bench:
        unit_id = find_unit(bench, which)
        kept = bench.plan(unit_id)
    if file.exists() and not replace:
        raise FileError(
            f"There is a file {file} already, perhaps with your changes: choose another name, or "
            "add --replace to write over it."
        )
    save_plan(kept, file)
    note(f"Saved '{kept.name}' to {file}. When it is edited:")
    note(f"  {command_line(folder, 'plan', 'load', unit_id, str(file))}")


@app.command(epilog=LOAD_EXAMPLES)
def load(
    which: UnitArgument,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A plan as 'plan save' writes it.")],
    folder: FolderOption = DEFAULT_FOLDER,
) -> None:
    """Give a unit the plan in a file, instead of its own.

    A file with a mistake is refused, and the unit keeps its plan. What was measured before stays.
    """
    from sigbench.cli.places import find_unit, open_bench
    from sigbench.plan import load_plan

    new = load_plan(file)
    with open_bench(folder) as bench:
        unit_id = find_unit(bench, which)
        _require_outputs(new, bench.unit(unit_id), file)
        _give(bench, unit_id, new, folder)


@app.command(epilog=RESET_EXAMPLES)
def reset(
    which: UnitArgument,
    rail: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=VOLTS",
            help="A supply rail from the schematic, such as '+12 V=12'. Give it once for each; "
            "without it: +5 V, +15 V and -15 V.",
        ),
    ] = None,
    a4: Annotated[float, typer.Option(metavar="HZ", help="Tuning: the frequency of A4.")] = 440.0,
    folder: FolderOption = DEFAULT_FOLDER,
) -> None:
    """Give a unit the default plan, with its own supply rails.

    Supply rails first, then on each output: idle with the volume up and down, four notes, and
    dropouts while you tap.
    A plan that you edited is lost: save it to a file before.
    """
    from sigbench.cli.measure import require_tuning
    from sigbench.cli.places import find_unit, open_bench
    from sigbench.plan import DEFAULT_RAILS, default_plan

    rails = DEFAULT_RAILS if rail is None else tuple(_rail(text) for text in rail)
    require_tuning(a4)
    with open_bench(folder) as bench:
        unit_id = find_unit(bench, which)
        _give(bench, unit_id, default_plan(bench.unit(unit_id), rails=rails, a4_hz=a4), folder)


def _give(bench: "Bench", unit_id: str, new: "Plan", folder: Path) -> None:
    """Keep a plan with a unit, and say what that means for the stages that there are."""
    from sigbench.cli.places import command_line, note

    changed = bench.has_plan(unit_id) and bench.plan(unit_id) != new
    bench.set_plan(unit_id, new)
    steps = "1 step" if len(new.steps) == 1 else f"{len(new.steps)} steps"
    note(f"{unit_id} now has '{new.name}', {steps}. Read it with:")
    note(f"  {command_line(folder, 'plan', 'show', unit_id)}")
    stages = bench.stages(unit_id)
    if changed and stages:
        note(
            f"Note: measured with the earlier plan: {', '.join(stages)}. Steps that differ from "
            "it cannot be compared with these stages."
        )


def _require_outputs(new: "Plan", unit: "Unit", file: Path) -> None:
    """Refuse a plan for outputs that the unit does not have."""
    names = [output.name for output in unit.outputs]
    for number, step in enumerate(new.steps, start=1):
        if step.check != "rails" and step.output not in names:
            raise FileError(
                f"{file}: step {number}, field 'output': the unit has no output "
                f"'{step.output}'; it has: {', '.join(names)}."
            )


def _rail(text: str) -> "Rail":
    """A rail as typed: ``+12 V=12``, also with a decimal comma or the unit after the number."""
    from sigbench.model import Rail

    described = re.fullmatch(r"\s*(.*\S)\s*=\s*([+\-−]?\d+(?:[.,]\d+)?)\s*[Vv]?\s*", text)
    if described is None:
        raise RequestError(
            f"'{text}' is no supply rail: write its name, an equals sign and the voltage on the "
            'schematic with its sign, such as "-12 V=-12".'
        )
    volts = float(described[2].replace("−", "-").replace(",", "."))
    return Rail(described[1], volts)


def _print_plan(kept: "Plan", unit_id: str, console: "Console") -> None:
    from rich.padding import Padding

    from sigbench.cli import show

    console.print(show.fit(kept.name, console, style="bold"))
    seconds = sum(step.seconds * step.repeats for step in kept.steps if step.check != "rails")
    count = "1 step" if len(kept.steps) == 1 else f"{len(kept.steps)} steps"
    takes = f"; the takes last {_duration(seconds)} in all" if seconds else ""
    console.print(show.fit(f"{unit_id}: {count}{takes}.", console))
    for number, step in enumerate(kept.steps, start=1):
        console.print()
        console.print(show.fit(f"{number}. {step_title(step)}", console, style="bold"))
        for line in _lines(step):
            console.print(Padding(show.fit(line, console), (0, 0, 0, 4), expand=False))


def step_title(step: "Step") -> str:
    """Check, output, note, seconds × repeats."""
    from sigbench.model import DOWN_VOLUME, SOFT_VOLUME

    if step.check == "rails":
        return "Supply rails, by multimeter"
    name = {"idle": "Idle", "tone": "Tone", "dropouts": "Dropouts"}.get(
        step.check, step.check.capitalize()
    )
    takes = f"{step.seconds:g} s" + (f" × {step.repeats}" if step.repeats > 1 else "")
    loudness = {SOFT_VOLUME: "soft", DOWN_VOLUME: "volume down"}.get(step.volume, "")
    what = (f"{name} on {step.output}", _note(step), loudness, takes)
    return ", ".join(part for part in what if part)


def _note(step: "Step") -> str:
    from sigbench.units import nearest_note

    frequency = step.settings.frequency_hz
    if frequency is None:
        return ""
    name, cents = nearest_note(frequency, a4_hz=step.settings.a4_hz)
    on_note = abs(cents) < 0.5  # cents; finer than the printed frequency tells
    return f"{name} ({frequency:.1f} Hz)" if on_note else f"{frequency:.7g} Hz"


def _lines(step: "Step") -> "Iterator[str]":
    """All that a person needs to know before the step, one paragraph each."""
    from sigbench.units import true_minus

    if step.prompt:
        yield step.prompt
    settings = step.settings
    for title, text in (
        ("Volume", step.volume),
        ("Gain", step.gain),
        ("Plays meanwhile", step.stimulus),
        ("Only driven channel", None if not settings.driven_channel else settings.driven_channel),
        ("Taper", settings.taper),
        ("Tuning", None if settings.a4_hz == 440 else f"A4 = {settings.a4_hz:g} Hz"),
        ("Limits", _limits(step.limits)),
    ):
        if text:
            yield f"{title}: {text}"
    for rail in step.rails:
        volts = true_minus(f"{rail.nominal_volts:g}")
        yield f"{rail.name}: {volts} V ± {rail.tolerance_percent:g} %"


def _limits(limits: "Sequence[Limit]") -> str:
    return "; ".join(_limit(limit) for limit in limits)


def _limit(limit: "Limit") -> str:
    from sigbench.report.wording import label, limit_words

    if limit.reading == "polarity" and limit.low == limit.high == 1:
        return f"{label(limit.reading).title} the same"
    return f"{label(limit.reading).title} {limit_words(limit)}".strip()


def _duration(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min"
