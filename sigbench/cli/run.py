"""``sigbench run``: the plan of a unit, step by step, with a person at the instrument."""

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from sigbench.cli.commands import command_app
from sigbench.cli.interfaces import (
    DeviceOption,
    HostOption,
    PlayDeviceOption,
    RateOption,
    SimulatedOption,
)
from sigbench.cli.places import DEFAULT_FOLDER, FolderOption, UnitArgument, command_line
from sigbench.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rich.console import Console

    from sigbench.bench.folder import Bench
    from sigbench.interface.base import Interface
    from sigbench.model import Output, Plan, Rail, Run, Step
    from sigbench.run import Session

app = command_app()

EXAMPLES = """\b
Examples:
  sigbench run 0047 --stage "as received"
  sigbench run 0047 --stage "after recap" --step 3 --again
  sigbench run 0047 --stage "as received" --simulated as-received --yes
"""  # \b tells the help to leave the lines as they are

SKIP, STOP = "s", "q"
# The readings that are shown after each step; all of them are stored.
SHOWN = {
    "rails": ("rail_volts",),
    "idle": ("noise_a", "hum_total"),
    "tone": ("tone_level", "pitch_error", "thd", "thd_n", "balance"),
    "dropouts": ("dropouts", "dropout_time"),
}


@app.command(epilog=EXAMPLES)
def run(
    unit: UnitArgument,
    stage: Annotated[
        str, typer.Option(metavar="TEXT", help='When: free text, such as "as received".')
    ],
    steps: Annotated[
        list[int] | None,
        typer.Option("--step", metavar="N", help="Only this step of the plan; may be repeated."),
    ] = None,
    again: Annotated[
        bool,
        typer.Option("--again", help="Measure steps again that this stage has runs of already."),
    ] = False,
    rails: Annotated[
        list[str] | None,
        typer.Option("--rail", metavar="NAME=V", help='A rail as measured, such as "+15 V=14.9".'),
    ] = None,
    operator: Annotated[str, typer.Option(metavar="NAME", help="Who measures.")] = "",
    gain: Annotated[
        str,
        typer.Option(metavar="TEXT", help="Where the interface's gain control stands, in words."),
    ] = "",
    yes: Annotated[
        bool, typer.Option("--yes", help="Ask nothing: go on from step to step by itself.")
    ] = False,
    device: DeviceOption = None,
    play_device: PlayDeviceOption = None,
    host: HostOption = None,
    rate: RateOption = 48_000,
    simulated: SimulatedOption = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON object with all runs at the end.")
    ] = False,
    folder: FolderOption = DEFAULT_FOLDER,
) -> int:
    """Run a unit's plan: each step says what to do, waits, records and measures.

    Every finished step is stored at once. Stopped half way, the same command goes on with the
    steps that are left. Ends with 1 when a reading is outside its limit.
    """
    from sigbench.cli import show
    from sigbench.cli.interfaces import open_interface
    from sigbench.cli.places import find_unit, open_bench
    from sigbench.run import Session, outside_limits

    if not stage.strip():
        raise RequestError('The stage has no name: give one such as --stage "as received".')
    if not yes and not sys.stdin.isatty():
        raise RequestError(
            "The plan asks for things to be done, and nobody is at a keyboard: add --yes."
        )
    console = show.progress() if as_json else show.output()
    with open_bench(folder) as bench:
        unit_id = find_unit(bench, unit)
        known = bench.unit(unit_id)
        plan = bench.plan(unit_id)
        wanted = _wanted(plan, steps, bench.runs(unit_id, stage), again)
        if not wanted:
            raise RequestError(
                f"All steps of the plan have runs of the stage '{stage}': add --again to "
                "measure them once more, or name another stage."
            )
        outputs = {output.name: output for output in known.outputs}
        session = Session(
            open_interface(
                simulated=simulated,
                device=device,
                play_device=play_device,
                host=host,
                rate=rate,
                channels=_inputs(wanted, outputs),
            ),
            stage,
            operator,
            gain,
        )
        typed = _typed_rails(rails or ())
        done: list[Run] = []
        for number, step in wanted:
            finished = _step(
                bench, unit_id, session, number, step, outputs, typed, yes, console, len(plan.steps)
            )
            if finished is None:
                break
            done += finished
    outside = [found for one in done for found in outside_limits(one)]
    if as_json:
        _print_json(done)
    else:
        _print_end(console, done, len(wanted), len(outside), folder, unit_id)
    return int(bool(outside))


def _wanted(
    plan: "Plan", chosen: "list[int] | None", runs: "list[Run]", again: bool
) -> "list[tuple[int, Step]]":
    """The steps to carry out, with their numbers."""
    from sigbench.run import steps_left

    for number in chosen or ():
        if not 1 <= number <= len(plan.steps):
            raise RequestError(
                f"The plan '{plan.name}' has steps 1 to {len(plan.steps)}, and no step {number}."
            )
    left = steps_left(plan, () if again else runs)
    return [(number, step) for number, step in left if not chosen or number in chosen]


def _inputs(wanted: "list[tuple[int, Step]]", outputs: "Mapping[str, Output]") -> int:
    """How many inputs the steps need together."""
    needed = [outputs[step.output].channels for _, step in wanted if step.output in outputs]
    return max(needed, default=1)


def _typed_rails(texts: "list[str] | tuple[str, ...]") -> dict[str, float]:
    volts = {}
    for text in texts:
        name, equals, value = text.rpartition("=")
        try:
            volts[name.strip()] = float(value)
        except ValueError:
            equals = ""
        if not equals or not name.strip():
            raise RequestError(
                f"'{text}' is no measured rail: write NAME=VOLTS, like \"+5 V=4.97\"."
            )
    return volts


def _step(
    bench: "Bench",
    unit_id: str,
    session: "Session",
    number: int,
    step: "Step",
    outputs: "Mapping[str, Output]",
    typed: dict[str, float],
    yes: bool,
    console: "Console",
    of: int,
) -> "list[Run] | None":
    """Carry out one step: its run, nothing if it was skipped, None if the person stops."""
    from dataclasses import replace

    from sigbench.bench.folder import new_run_id
    from sigbench.cli import show
    from sigbench.cli.interfaces import recording_bar
    from sigbench.interface.simulated import SimulatedInterface
    from sigbench.run import carry_out

    heading = f"Step {number} of {of}: {step.check}"
    heading += f", {step.output}" if step.output in outputs else ""
    console.print()
    console.print(show.fit(heading, console, style="bold"))
    console.print(show.fit(step.prompt, console))
    interface = session.interface
    if isinstance(interface, SimulatedInterface):
        interface.do(step)
    if step.check == "rails":
        measured = _measured_rails(step.rails, typed, interface, yes)
        step = replace(step, rails=measured)
    elif not yes:
        answer = _ask("Enter when ready, s skips this step, q stops: ", (SKIP, STOP))
        if answer == STOP:
            return None
        if answer == SKIP:
            return []
        if step.check != "idle" and not _level_is_fine(interface, console):
            return []
    label = f"{step.check.capitalize()}, {step.seconds:g} s"

    def before_take(repeat: int) -> None:
        if not yes and repeat > 1 and step.check != "idle":
            _ask(f"Take {repeat} of {step.repeats}: Enter when ready again: ", ())

    with recording_bar(step.seconds, interface.samplerate, label) as on_block:
        finished = carry_out(
            session,
            number,
            step,
            output=outputs.get(step.output),
            run_id=new_run_id(),
            store=bench.store_take,
            before_take=before_take,
            on_block=on_block,
        )
    bench.add_run(unit_id, finished)
    _print_step(finished, console)
    return [finished]


def _measured_rails(
    rails: "tuple[Rail, ...]", typed: dict[str, float], interface: "Interface", yes: bool
) -> "tuple[Rail, ...]":
    """The rails with the volts as given on the command line, simulated, or typed in now."""
    from dataclasses import replace

    from sigbench.interface.simulated import SimulatedInterface

    simulated = interface.rail_volts() if isinstance(interface, SimulatedInterface) else {}
    volts: dict[str, float | None] = {}
    for rail in rails:
        if rail.name in typed:
            volts[rail.name] = typed[rail.name]
        elif rail.name.replace(" ", "") in simulated:
            volts[rail.name] = simulated[rail.name.replace(" ", "")]
        else:
            volts[rail.name] = None if yes else _ask_volts(rail.name)
    return tuple(replace(rail, measured_volts=volts[rail.name]) for rail in rails)


def _ask_volts(name: str) -> float | None:
    while True:
        answer = _input(f"{name} reads (volts, empty if not measured): ").replace(",", ".")
        if not answer:
            return None
        try:
            return float(answer.removesuffix("V").strip())
        except ValueError:
            print("Type a number of volts, such as -14.9, or nothing.", file=sys.stderr)


def _level_is_fine(interface: "Interface", console: "Console") -> bool:
    """Listen for a second before the take; a person may go on in spite of the advice."""
    from sigbench.cli import show
    from sigbench.interface.base import level_check

    while True:
        found = level_check(interface)
        for channel in found.channels:
            console.print(show.fit(channel.advice, console))
        if found.fine:
            return True
        answer = _ask("Enter records all the same, r listens again, s skips: ", ("r", SKIP))
        if answer != "r":
            return answer != SKIP


def _ask(question: str, answers: tuple[str, ...]) -> str:
    """A one-letter answer, or the empty one."""
    while True:
        answer = _input(question).lower()
        if not answer or answer in answers:
            return answer


def _input(question: str) -> str:
    """What is typed, from stdin; the question goes to stderr, beside the results."""
    print(question, end="", file=sys.stderr, flush=True)
    line = sys.stdin.readline()
    if not line:
        raise KeyboardInterrupt
    return line.strip()


def _print_step(finished: "Run", console: "Console") -> None:
    from sigbench.cli import show
    from sigbench.compare import base_name
    from sigbench.run import mean_readings, outside_limits

    names = SHOWN.get(finished.step.check, ())
    outside = {(r.name, r.channel, r.unit) for r, _ in outside_limits(finished)}
    rows = [r for r in mean_readings(finished) if base_name(r.name) in names and r.unit != "%"]
    show.print_short(rows, outside, console)


def _print_end(
    console: "Console", done: "list[Run]", of: int, outside: int, folder: object, unit_id: str
) -> None:
    from pathlib import Path

    from sigbench.cli import show

    assert isinstance(folder, Path)
    console.print()
    told = f"{len(done)} of {of} steps measured and stored"
    told += f", {outside} readings outside their limits." if outside else ", all within limits."
    console.print(show.fit(told, console))
    console.print(
        show.fit(f"Next: {command_line(folder, 'compare', unit_id)}", console), soft_wrap=True
    )


def _print_json(done: "list[Run]") -> None:
    import msgspec

    from sigbench import __version__
    from sigbench.bench.documents import run_to_json
    from sigbench.cli import show

    runs = [msgspec.json.decode(run_to_json(one)) for one in done]
    show.print_line(msgspec.json.encode({"sigbench": __version__, "runs": runs}))
