"""``sigbench causes``: what the readings point to, and what to probe next."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sigbench.cli.commands import command_app
from sigbench.cli.places import DEFAULT_FOLDER, FolderOption
from sigbench.errors import RequestError

if TYPE_CHECKING:
    from rich.console import Console

    from sigbench.causes.observation import Observation
    from sigbench.causes.ranking import Ranking

app = command_app()

EXAMPLES = """\b
Examples:
  sigbench causes 0047
  sigbench causes 0047 --stage "as received" --json
  sigbench causes --idle idle.wav --tone loud.wav --rail "+15 V=14.9"
"""  # \b tells the help to leave the lines as they are


DOWN = "idle-down"


def _files(check: str, what: str) -> Any:
    return typer.Option(
        f"--{check}", metavar="[OUTPUT=]FILE", help=f"{what} May be given several times."
    )


@app.command(epilog=EXAMPLES)
def causes(
    unit: Annotated[
        str | None,
        typer.Argument(
            metavar="UNIT",
            help="Its id, model or serial number, or a part that no other unit has. Without it, "
            "name files.",
        ),
    ] = None,
    stage: Annotated[
        str | None, typer.Option(metavar="STAGE", help="The stage; the last one by default.")
    ] = None,
    idle: Annotated[
        list[str] | None, _files("idle", "A recording in which nothing is played.")
    ] = None,
    idle_down: Annotated[
        list[str] | None,
        _files("idle-down", "The same with the volume fully down."),
    ] = None,
    tone: Annotated[
        list[str] | None,
        _files("tone", "A held note; best one loud, one quiet and one low."),
    ] = None,
    jack: Annotated[
        list[str] | None, _files("jack", "A held sound while the jacks are moved.")
    ] = None,
    pot: Annotated[
        list[str] | None, _files("pot", "A held sound while the volume is turned.")
    ] = None,
    rail: Annotated[
        list[str] | None,
        typer.Option(
            metavar="RAIL=VOLTS",
            help="A supply rail and what the multimeter shows, such as '+15 V=14.9', or with the "
            "ripple on AC volts, '+15 V=14.9 0.004'. May be given several times.",
        ),
    ] = None,
    mains: Annotated[
        int | None, typer.Option(metavar="HZ", help="Mains frequency, 50 or 60.")
    ] = None,
    dc_coupled: Annotated[
        bool,
        typer.Option("--dc-coupled", help="The input of the recordings is known to pass DC."),
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON object instead of the list.")
    ] = False,
    folder: FolderOption = DEFAULT_FOLDER,
) -> int:
    """Say what the readings point to, and what to probe next.

    Takes together what was measured on all outputs and channels at one stage. A score
    says how likely a cause is, and is cautious. Supply rails come first: measure them all before
    you believe anything else. Write down what it turned out to be with 'sigbench unit found'. Ends
    with 0 when nothing points to a fault, else with 1.
    """
    named = {"idle": idle, DOWN: idle_down, "tone": tone, "jack": jack, "pot": pot}
    files = [(check, text) for check, texts in named.items() for text in texts or ()]
    if unit is not None and (files or rail):
        raise RequestError("A unit and files are two sources: give one of them.")
    if unit is None and not files and not rail:
        raise RequestError(
            "Name a unit that was measured, or files: --idle, --idle-down, --tone, --jack, --pot, "
            "--rail."
        )
    if unit is None and stage is not None:
        raise RequestError("--stage belongs to a unit: name the unit.")
    from sigbench.cli import show

    if unit is not None:
        about, ranking = _of_unit(unit, stage, folder)
    else:
        from sigbench.causes.of_unit import or_refuse, rank_observed

        with show.progress().status("Measuring …"):
            observed = [_observe(check, text, mains, dc_coupled) for check, text in files]
        if rail:
            observed.append(_typed_rails(rail))
        about, ranking = {}, or_refuse(rank_observed(observed))
    if as_json:
        import msgspec

        show.print_line(msgspec.json.encode(ranking_object(ranking, about)))
    else:
        print_ranking(ranking, unit or "UNIT", show.output())
    return int(not ranking.nothing_wrong)


def _of_unit(text: str, stage: str | None, folder: Path) -> "tuple[dict[str, str], Ranking]":
    from sigbench.causes.of_unit import causes_of, or_refuse, others
    from sigbench.cli.places import find_stage, find_unit, open_bench
    from sigbench.report.of_unit import stage_runs

    with open_bench(folder) as bench:
        unit_id = find_unit(bench, text)
        chosen = None if stage is None else find_stage(bench, unit_id, stage)
        runs = stage_runs(bench, unit_id, chosen)
        ranking = or_refuse(causes_of(runs, others(bench.units(), unit_id)))
    return {"unit": unit_id, "stage": runs[0].stage}, ranking


def _observe(check: str, text: str, mains: int | None, dc_coupled: bool) -> "Observation":
    from sigbench import checks
    from sigbench.causes.observation import Observation
    from sigbench.cli.measure import check_settings
    from sigbench.recorded import read_recording

    output, path = _named_file(text)
    down = check == DOWN
    check = "idle" if down else check
    take = read_recording(path, check, dc_coupled=dc_coupled)
    settings = check_settings(None, None, mains=mains)
    return Observation(output, checks.measure(take, check, settings), volume_down=down)


def _named_file(text: str) -> tuple[str, Path]:
    """``phones=loud.wav`` as an output and a file; a file that is there by its whole name wins."""
    whole = Path(text).expanduser()
    output, sign, path = text.partition("=")
    if not sign or whole.exists():
        return "main", whole
    if not output.strip() or not path.strip():
        raise RequestError(f"'{text}' is no file of an output: write OUTPUT=FILE.")
    return output.strip(), Path(path.strip()).expanduser()


def _typed_rails(texts: list[str]) -> "Observation":
    from sigbench.causes.observation import Observation
    from sigbench.checks.rails import measure_rails, nominal_of, read_rail
    from sigbench.model import Rail

    rails = []
    for text in texts:
        name, sign, volts = (part.strip() for part in text.rpartition("="))
        nominal = nominal_of(name)
        if not sign or nominal is None:
            raise RequestError(
                f"--rail '{text}' is no rail: write what it should be, an equals sign and what "
                "the multimeter shows, such as '+15 V=14.9'."
            )
        rail = Rail(name, nominal)
        direct, ripple = read_rail(rail, volts)
        rails.append(replace(rail, measured_volts=direct, ripple_volts=ripple))
    return Observation("supply", measure_rails(rails), tuple(rails))


def ranking_object(ranking: "Ranking", about: dict[str, str]) -> dict[str, Any]:
    """The ranking as one JSON object."""
    from sigbench import __version__
    from sigbench.causes.wording import next_checks
    from sigbench.wire import cause_to_object

    return {
        "sigbench": __version__,
        **about,
        "first": ranking.first,
        "measure_next": next_checks(ranking),
        "causes": [cause_to_object(cause) for cause in ranking.named],
        "together": ranking.together,
        "healthy": ranking.healthy,
        "none_of_these": ranking.none_of_these,
        "clues": [
            {"name": clue.name, "holds": clue.holds, "seen": clue.seen}
            for clue in ranking.clues
            if clue.holds is not None
        ],
    }


def print_ranking(ranking: "Ranking", unit: str, console: "Console") -> None:
    """Print what comes first, then the causes with their reasons."""
    from sigbench.causes.records import BY_NAME
    from sigbench.causes.wording import CLOSING, opening
    from sigbench.cli import show

    for sentence in opening(ranking):
        console.print(show.fit(sentence, console, style="bold"))
        console.print()
    for cause in ranking.named:
        key = BY_NAME[cause.name].key
        show.print_cause(cause, console, found=_found_command(unit, key))
        console.print()
    console.print(show.fit(CLOSING, console, style="dim"))


def _found_command(unit: str, key: str) -> str:
    words = (f'"{word}"' if " " in word else word for word in (unit, key))
    return f"sigbench unit found {' '.join(words)}"
