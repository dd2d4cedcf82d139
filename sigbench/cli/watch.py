"""``sigbench watch``: a check that needs both hands, shown while it runs."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sigbench.cli.commands import command_app
from sigbench.cli.interfaces import (
    DeviceOption,
    HostOption,
    PlayDeviceOption,
    RateOption,
    RigOption,
    SimulatedOption,
)
from sigbench.cli.live import (
    CueDeviceOption,
    MarkOption,
    PlaceOption,
    SoundsOption,
)
from sigbench.cli.measure import TaperOption
from sigbench.cli.places import DEFAULT_FOLDER, FolderOption
from sigbench.cli.record import HeldNoteOption, PlayOption, record
from sigbench.cli.run import OperatorOption, run
from sigbench.errors import RequestError

if TYPE_CHECKING:
    from sigbench.bench.folder import Bench
    from sigbench.model import CheckSettings

app = command_app()

EXAMPLES = """\b
Examples:
  sigbench watch jack --place "main L" --place "main R" --sounds
  sigbench watch pot --taper audio
  sigbench watch soak --seconds 7200 --mark "heat gun on" --mark "cold spray"
  sigbench watch jack --unit 0047 --stage "as received"
  sigbench watch jack --simulated as-received
"""  # \b tells the help to leave the lines as they are


@app.command(epilog=EXAMPLES)
def watch(
    check: Annotated[
        str,
        typer.Argument(
            metavar="CHECK",
            help="jack (plugs are moved), pot (a control is turned) or soak (warming up).",
        ),
    ],
    unit: Annotated[
        str | None,
        typer.Option(metavar="UNIT", help="Store it with this unit, as a step of its plan."),
    ] = None,
    stage: Annotated[
        str | None,
        typer.Option(metavar="TEXT", help='With a unit, when: free text, such as "as received".'),
    ] = None,
    output: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="With a unit, which of its outputs; its first one."),
    ] = None,
    seconds: Annotated[
        float | None,
        typer.Option(
            metavar="S", help="How long at most: 300 s, a pot 120 s, a soak 3600 s. q ends it."
        ),
    ] = None,
    places: PlaceOption = None,
    marks: MarkOption = None,
    sounds: SoundsOption = False,
    cue_device: CueDeviceOption = None,
    note: HeldNoteOption = None,
    play: PlayOption = None,
    taper: TaperOption = None,
    save: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Without a unit: keep the take in this file."),
    ] = None,
    operator: OperatorOption = "",
    yes: Annotated[
        bool, typer.Option("--yes", help="With a unit: ask nothing, begin at once.")
    ] = False,
    rig: RigOption = None,
    device: DeviceOption = None,
    play_device: PlayDeviceOption = None,
    host: HostOption = None,
    rate: RateOption = None,
    simulated: SimulatedOption = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON object at the end.")
    ] = False,
    folder: FolderOption = DEFAULT_FOLDER,
) -> int:
    """Watch the sound while your hands are in the instrument.

    Hold a steady note, move one jack after the other or turn a control slowly from end to end, and
    look at the instrument: the view can be read from two metres away, and --sounds tells what
    happens through the computer's own speaker. Keys: space goes on to the next jack, m or 1 to 9
    set a mark, p pauses, q ends it.

    With --unit and --stage it is stored, and compared with other stages by 'sigbench compare';
    without, nothing is stored but the file of --save.

    Only line or headphone outputs: never speaker outputs, never a supply rail. With the case open,
    keep away from the mains side: it stays dangerous after unplugging. Local rules and licensed
    practice come first.
    """
    from sigbench.plan import HANDS_ON, HANDS_ON_SECONDS

    if check not in HANDS_ON:
        raise RequestError(
            f"The check '{check}' is not one to be watched: choose one of {', '.join(HANDS_ON)}."
        )
    with_what: dict[str, Any] = {
        "places": places,
        "marks": marks,
        "sounds": sounds,
        "cue_device": cue_device,
        "rig": rig,
        "device": device,
        "play_device": play_device,
        "host": host,
        "rate": rate,
        "simulated": simulated,
        "as_json": as_json,
        "folder": folder,
    }
    if unit is None:
        if stage is not None or output is not None:
            raise RequestError("--stage and --output belong to a unit: name it with --unit.")
        lasts = HANDS_ON_SECONDS[check] if seconds is None else seconds
        return record(check, lasts, note, play=play, taper=taper, save=save, **with_what)
    if stage is None:
        raise RequestError('A unit is measured at a stage: add one, like --stage "as received".')
    if save is not None:
        raise RequestError("With --unit the take is stored on the bench: leave --save out.")
    from sigbench.cli.measure import check_settings
    from sigbench.cli.places import find_unit, open_bench

    with open_bench(folder) as bench:
        number = _step_for(
            bench,
            find_unit(bench, unit),
            check,
            output,
            seconds=seconds,
            play=play,
            settings=check_settings(note, None, taper=taper),
        )
    return run(unit, stage, [number], again=True, operator=operator, yes=yes, **with_what)


def _step_for(
    bench: "Bench",
    unit_id: str,
    check: str,
    output: str | None,
    *,
    seconds: float | None,
    play: str | None,
    settings: "CheckSettings",
) -> int:
    """Number of the step of the plan that does this; one is added at the end if there is none."""
    from dataclasses import replace

    from sigbench.cli.places import note as tell
    from sigbench.model import CheckSettings
    from sigbench.plan import hands_on_step, validate

    unit, plan = bench.unit(unit_id), bench.plan(unit_id)
    chosen = next((one for one in unit.outputs if output in (None, one.name)), None)
    if chosen is None:
        there = ", ".join(one.name for one in unit.outputs)
        raise RequestError(f"The unit has no output '{output}': choose one of {there}.")
    there_is = [
        number
        for number, step in enumerate(plan.steps, start=1)
        if (step.check, step.output) == (check, chosen.name)
    ]
    if there_is:
        if seconds is not None or play is not None or settings != CheckSettings():
            raise RequestError(
                f"Step {there_is[0]} of the plan is this check, and says how long it lasts and "
                "what is played, so that stages compare: leave --seconds, --note, --play and "
                "--taper out, or change the plan with 'sigbench plan'."
            )
        return there_is[0]
    settings = replace(settings, mains_hz=unit.mains_hz)
    step = replace(hands_on_step(check, chosen, settings), stimulus=play)
    if seconds is not None:
        step = replace(step, seconds=seconds)
    longer = replace(plan, steps=(*plan.steps, step))
    validate(longer)
    bench.set_plan(unit_id, longer)
    number = len(longer.steps)
    tell(f"Added to the plan of {unit_id} as step {number}: {check}, {chosen.name}.")
    return number
