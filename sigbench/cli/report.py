"""``sigbench report``: the measured report that goes with a sale."""

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from sigbench.cli.commands import command_app
from sigbench.cli.compare import AfterOption, BaselineOption, BeforeOption
from sigbench.cli.places import DEFAULT_FOLDER, FolderOption, UnitArgument
from sigbench.errors import FileError, RequestError

app = command_app()

EXAMPLES = """\b
Examples:
  sigbench report 0047
  sigbench report 0047 --before "as received" --to ~/sale --photo front.jpg
  sigbench report 0047 --private
"""  # \b tells the help to leave the lines as they are


@app.command(epilog=EXAMPLES)
def report(
    unit: UnitArgument,
    before: BeforeOption = None,
    after: AfterOption = None,
    baseline: BaselineOption = None,
    to: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Where to write it; made if it is not there. By default here, in a folder "
            "named after the unit.",
        ),
    ] = None,
    photo: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="A photo of the unit, instead of the stored one."),
    ] = None,
    not_measured: Annotated[
        list[str] | None,
        typer.Option(metavar="TEXT", help="Something to say was not measured; may be repeated."),
    ] = None,
    private: Annotated[
        bool,
        typer.Option(
            "--private",
            help="Your own edition, with causes, what it turned out to be and your notes: not for "
            "the buyer.",
        ),
    ] = False,
    folder: FolderOption = DEFAULT_FOLDER,
) -> int:
    """Write the report that goes with a sale.

    As PDF, as PNG pages and as one HTML file. It tells a buyer what was measured, before and
    after the work, with plots, uncertainty and the hashes of the takes. With one stage only it
    tells of that. Causes and your notes on the unit stay out, unless you ask for --private.
    """
    if before is not None and baseline is not None:
        raise RequestError("--before and --baseline are two earlier sides: give one of them.")
    from sigbench.cli import show
    from sigbench.cli.places import find_stage, find_unit, open_bench
    from sigbench.cli.verdicts import find_baseline
    from sigbench.report.of_unit import sides, unit_report

    with show.progress().status("Writing the report …"), open_bench(folder) as bench:
        unit_id = find_unit(bench, unit)
        shown = sides(
            bench,
            unit_id,
            after=None if after is None else find_stage(bench, unit_id, after),
            before=None if before is None else find_stage(bench, unit_id, before),
            baseline=None if baseline is None else find_baseline(bench, baseline),
        )
        files = unit_report(
            bench,
            unit_id,
            shown,
            made=date.today().isoformat(),
            photo=photo,
            not_measured=not_measured or (),
            private=private,
        )
    # A folder for each unit: a report must not take the place of another unit's; and one for the
    # private edition, so that it never goes along to a buyer.
    kind = "private" if private else "report"
    place = Path(f"{kind}-{unit_id}") if to is None else to.expanduser()
    for path in write_report(files, place):
        show.output().print(str(path), soft_wrap=True)
    return 0


def write_report(files: dict[str, bytes], folder: Path) -> list[Path]:
    """Write the files of a report; one of the same name is replaced.

    Pages that an earlier, longer report has left are removed, so that no old page goes to a buyer.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for kind in {name.partition("-page-")[0] for name in files if "-page-" in name}:
            for left in folder.glob(f"{kind}-page-*.png"):
                if left.name not in files:
                    left.unlink()
        for name, data in files.items():
            (folder / name).write_bytes(data)
    except OSError as exc:
        raise FileError(
            f"The report cannot be written to {folder} ({exc.strerror or exc}): choose another "
            "place with --to."
        ) from exc
    return [folder / name for name in files]
