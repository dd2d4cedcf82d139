"""``sigbench compare``: one stage of a unit against another, or against good units."""

from typing import Annotated

import typer

from sigbench.cli.commands import command_app
from sigbench.cli.places import DEFAULT_FOLDER, FolderOption, UnitArgument
from sigbench.errors import RequestError

app = command_app()

EXAMPLES = """\b
Examples:
  sigbench compare 0047
  sigbench compare 0047 --before "as received" --after "after recap"
  sigbench compare 0047 --baseline "good units"
"""  # \b tells the help to leave the lines as they are

BeforeOption = Annotated[
    str | None,
    typer.Option(metavar="STAGE", help="The earlier stage; the unit's first one by default."),
]
AfterOption = Annotated[
    str | None,
    typer.Option(metavar="STAGE", help="The later stage; the unit's last one by default."),
]
BaselineOption = Annotated[
    str | None,
    typer.Option(metavar="NAME", help="Compare with this baseline instead of an earlier stage."),
]


@app.command(epilog=EXAMPLES)
def compare(
    unit: UnitArgument,
    before: BeforeOption = None,
    after: AfterOption = None,
    baseline: BaselineOption = None,
    everything: Annotated[
        bool, typer.Option("--all", help="List the readings without a change as well.")
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON object instead of the table.")
    ] = False,
    folder: FolderOption = DEFAULT_FOLDER,
) -> int:
    """Say what changed on a unit, and what did not.

    Nothing is called better or worse unless it moved by more than the scatter of the repeats and
    the uncertainty of both sides explain. Ends with 0 when nothing changed and all is within its
    limits, else with 1.
    """
    if before is not None and baseline is not None:
        raise RequestError("--before and --baseline are two earlier sides: give one of them.")
    import msgspec

    from sigbench.cli import show, verdicts
    from sigbench.cli.places import find_stage, find_unit, open_bench
    from sigbench.cli.verdicts import find_baseline
    from sigbench.compare import anything_changed
    from sigbench.report.of_unit import sides

    with open_bench(folder) as bench:
        unit_id = find_unit(bench, unit)
        shown = sides(
            bench,
            unit_id,
            after=None if after is None else find_stage(bench, unit_id, after),
            before=None if before is None else find_stage(bench, unit_id, before),
            baseline=None if baseline is None else find_baseline(bench, baseline),
        )
        stages = bench.stages(unit_id)
    comparison = shown.comparison
    if comparison is None:
        raise RequestError(
            f"There is no earlier stage of '{unit_id}' to hold '{shown.after[0].stage}' against "
            f"(it has: {', '.join(map(repr, stages))}): measure it again, name two stages with "
            "--before and --after, or name a baseline with --baseline."
        )
    if as_json:
        show.print_line(msgspec.json.encode(verdicts.comparison_object(comparison)))
    else:
        verdicts.print_comparison(comparison, show.output(), everything=everything)
    return int(anything_changed(comparison))
