"""``sigbench run``: the plan of a unit, step by step, with a person at the instrument."""

import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

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
    Hands,
    MarkOption,
    PlaceOption,
    SoundsOption,
    watched,
)
from sigbench.cli.places import DEFAULT_FOLDER, FolderOption, UnitArgument, command_line
from sigbench.cli.questions import StopAsked, ask_choice, ask_text, ask_volts
from sigbench.cli.recorded import FromOption, RecorderOption, measure_recorded, require_alone
from sigbench.errors import BenchError, InterfaceError, RequestError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from contextlib import AbstractContextManager

    from rich.console import Console

    from sigbench.bench.folder import Bench
    from sigbench.cli.interfaces import OnBlock
    from sigbench.interface.base import Interface
    from sigbench.live.steered import Answer
    from sigbench.live.steps import Question
    from sigbench.live.watch import Watch
    from sigbench.model import Plan, Rail, RigSetup, Run, Step
    from sigbench.run import Held, Session
    from sigbench.units import Volts

app = command_app()

EXAMPLES = """\b
Examples:
  sigbench run 0047 --stage "as received"
  sigbench run 0047 --stage "after recap" --step 3 --again
  sigbench run 0047 --stage "as received" --simulated as-received --yes
  sigbench run 0047 --stage "as received" --step 3 --from a4.wav
"""  # \b tells the help to leave the lines as they are

OperatorOption = Annotated[str, typer.Option(metavar="NAME", help="Who measures.")]

NOT_MEASURED = "not measured"  # of a rail that was left empty: no news to whom left it


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
        typer.Option(
            "--rail",
            metavar="NAME=V",
            help='A rail as measured, such as "+15 V=14.9", or with its ripple, '
            '"+15 V=14.9 0.004"; may be repeated.',
        ),
    ] = None,
    operator: OperatorOption = "",
    gain: Annotated[
        str | None,
        typer.Option(metavar="TEXT", help="Where the interface's gain control stands, in words."),
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Ask nothing: go on from step to step by itself.")
    ] = False,
    places: PlaceOption = None,
    marks: MarkOption = None,
    sounds: SoundsOption = False,
    cue_device: CueDeviceOption = None,
    files: FromOption = None,
    recorder: RecorderOption = None,
    rig: RigOption = None,
    device: DeviceOption = None,
    play_device: PlayDeviceOption = None,
    host: HostOption = None,
    rate: RateOption = None,
    simulated: SimulatedOption = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON object with all runs at the end.")
    ] = False,
    folder: FolderOption = DEFAULT_FOLDER,
) -> int:
    """Run a unit's plan, step by step.

    Each step says what to do, waits, records and measures. Every finished step is stored at
    once; stopped half way, the same command goes on with the steps that are left. Ends with 1
    when a reading is outside its limit.

    Steps that need your hands (jack, pot, soak) are watched while they run: a view for two metres
    away, with keys for marks, the next jack, a pause and the end.

    With --from nothing is recorded: files recorded elsewhere are the takes of one step.
    """
    from sigbench.cli import show
    from sigbench.cli.places import find_unit, note, open_bench, remark
    from sigbench.live.steps import Steps, inputs_for
    from sigbench.rig.cautions import BEFORE_PLUGGING_IN
    from sigbench.rig.choose import SIMULATED_RIG, choose_interface
    from sigbench.rig.setup import rig_now
    from sigbench.run import Session, require_possible, stage_named

    require_alone(
        files,
        recorder,
        rail=rails,
        place=places,
        mark=marks,
        sounds=sounds,
        cue_device=cue_device,
        rig=rig,
        device=device,
        play_device=play_device,
        host=host,
        rate=rate,
        simulated=simulated,
    )
    if not files and not yes and not _is_someone_there():
        raise RequestError(
            "The plan asks for things to be done, and nobody is at a keyboard: add --yes."
        )
    console = show.progress() if as_json else show.output()
    hands = Hands.of(places, marks, sounds, cue_device)
    with open_bench(folder) as bench:
        unit_id = find_unit(bench, unit)
        stage = stage_named(stage, bench.stages(unit_id))
        plan = bench.plan(unit_id)
        stored = bench.runs(unit_id)
        wanted = _wanted(plan, steps, [one for one in stored if one.stage == stage], stage, again)
        if files:
            one = measure_recorded(
                bench,
                unit_id,
                stage,
                steps or (),
                files,
                operator=operator,
                gain=gain or "",
                recorder=recorder or "",
            )
            _print_step(one, console)
            return _end([one], 1, [], lambda: "", bench, unit_id, stage, console, as_json)
        typed = _typed_rails(rails or (), wanted)
        outputs = {output.name: output for output in bench.unit(unit_id).outputs}

        def choose() -> "tuple[Interface, RigSetup | None]":
            return choose_interface(
                folder=folder,
                rig=rig,
                simulated=simulated,
                device=device,
                play_device=play_device,
                host=host,
                rate=rate,
                channels=inputs_for([step for _, step in wanted], outputs),
                tell=remark,
            )

        interface, setup = None, None
        if simulated is not None or any(step.check != "rails" for _, step in wanted):
            interface, setup = choose()
            if setup is not None and setup.device == SIMULATED_RIG:
                raise RequestError(
                    f"The rig '{setup.name}' is a simulated one and hears no instrument: use "
                    "another ('sigbench rig setup', 'sigbench rig use'), name a --device, or try "
                    "the plan on the simulated unit (--simulated repaired)."
                )
        require_possible(wanted, outputs, interface)
        recover = command_line(folder, "bench", "recover")
        terminal = _Terminal(console, yes, recover, typed, hands, len(plan.steps))
        work: Steps | None = None
        done: list[Run] = []
        left = [number for number, _ in wanted]
        options = _options_again(
            stage=stage,
            rig=rig,
            device=device,
            play_device=play_device,
            host=host,
            rate=rate,
            simulated=simulated,
        )

        def go_on() -> str:
            chosen = left if steps or again else ()
            words = [*(word for n in chosen for word in ("--step", str(n)))]
            words += ["--again"] if again else []
            return command_line(folder, "run", unit_id, *options, *words)

        try:
            if interface is not None and interface.name != "simulated":
                note(f"Caution: {BEFORE_PLUGGING_IN}")
            position = _gain(gain, stored, stage, interface, yes, setup)
            session = Session(interface, stage, operator, position, setup)
            work = Steps(bench, unit_id, session, hands.places, lambda _: choose()[0], terminal)
            if interface is not None:
                for sentence in rig_now(interface, setup, position)[1]:
                    remark(sentence)
            for number, step in wanted:
                finished = work.carry_out(number, step)
                if finished is None:
                    terminal.say("Skipped.")
                    continue
                done.append(finished)
                left.remove(number)
                _print_step(finished, console)
        except StopAsked:
            console.print()
        except (KeyboardInterrupt, InterfaceError, BenchError):
            if work is not None and (kept := work.left_on_the_disk()) is not None:
                note(f"\n{kept}")
            note(f"\n{_count_stored(len(wanted) - len(left), len(wanted))}")
            note(f"Go on with: {go_on()}")
            raise
        return _end(done, len(wanted), left, go_on, bench, unit_id, stage, console, as_json)


def _end(
    done: "list[Run]",
    of: int,
    left: list[int],
    go_on: "Callable[[], str]",
    bench: "Bench",
    unit_id: str,
    stage: str,
    console: "Console",
    as_json: bool,
) -> int:
    """What came of it, and what comes next."""
    held = [(one, found) for one in done for found in _held(one)]
    if as_json:
        _print_json(done, held, unit_id, stage, left)
    else:
        _print_end(console, of, len(left), held)
        if left:
            note_to(console, f"Go on with: {go_on()}")
        elif len(bench.stages(unit_id)) > 1:
            note_to(console, f"Next: {command_line(bench.folder, 'compare', unit_id)}")
        else:
            note_to(console, f"For the report: {command_line(bench.folder, 'report', unit_id)}")
    return int(any(found.outside for _, found in held))


def note_to(console: "Console", sentence: str) -> None:
    """Print a sentence unbroken, so that a command in it can be copied."""
    from sigbench.cli import show

    console.print(show.fit(sentence, console), soft_wrap=True)


def _is_someone_there() -> bool:
    return sys.stdin is not None and sys.stdin.isatty()


def _wanted(
    plan: "Plan", chosen: "list[int] | None", runs: "list[Run]", stage: str, again: bool
) -> "list[tuple[int, Step]]":
    """The steps to carry out, with their numbers."""
    from sigbench.plan import step_of
    from sigbench.run import steps_left

    for number in chosen or ():
        step_of(plan, number)
    left = steps_left(plan, () if again else runs)
    wanted = [(number, step) for number, step in left if not chosen or number in chosen]
    if not wanted:
        which = "All steps of the plan have runs"
        if chosen:
            which = f"Step {chosen[0]} has a run" if len(chosen) == 1 else "These steps have runs"
        raise RequestError(
            f"{which} of the stage '{stage}' already: add --again to measure once more, or name "
            "another stage."
        )
    return wanted


def _options_again(**options: object) -> list[str]:
    """The options that were given, as they are typed."""
    return [
        word
        for name, value in options.items()
        if value is not None
        for word in (f"--{name.replace('_', '-')}", str(value))
    ]


def _typed_rails(texts: "Sequence[str]", wanted: "list[tuple[int, Step]]") -> "dict[str, Volts]":
    """Volts by name of the rail, from the command line."""
    from sigbench.checks.rails import rail_key, read_rail

    rails = {rail_key(rail.name): rail for _, step in wanted for rail in step.rails}
    volts: dict[str, Volts] = {}
    for text in texts:
        name, equals, value = text.rpartition("=")
        if not equals or not name.strip():
            raise RequestError(
                f"'{text}' is no measured rail: write NAME=VOLTS, like \"+5 V=4.97\"."
            )
        rail = rails.get(rail_key(name))
        if rail is None:
            there = ", ".join(f"'{known.name}'" for known in rails.values())
            raise RequestError(
                f"There is no rail '{name.strip()}' among the steps to measure; "
                f"{f'there are: {there}' if there else 'none of them is of supply rails'}."
            )
        if rail.name in volts:
            raise RequestError(f"The rail '{rail.name}' is given twice: leave one of them out.")
        volts[rail.name] = read_rail(rail, value)
    return volts


def _gain(
    given: str | None,
    stored: "list[Run]",
    stage: str,
    interface: "Interface | None",
    yes: bool,
    setup: "RigSetup | None",
) -> str:
    """Where the gain control stands: levels compare only if it stands there again."""
    from sigbench.cli.places import note
    from sigbench.interface.simulated import SimulatedInterface

    noted = {one.stage: one.rig.description for one in stored if one.rig.description}
    if given is not None:
        return given
    if stage in noted:
        return noted[stage]
    if interface is None or isinstance(interface, SimulatedInterface):
        return ""
    if noted:
        earlier, position = list(noted.items())[-1]
        note(f"Gain control of the interface at the stage '{earlier}': {position}. Set it alike.")
    usual = "" if setup is None else setup.gain
    if yes:
        return usual
    enter = usual or "unknown"
    return (
        ask_text(f"Where does the interface's gain control stand (in words; Enter: {enter})? ")
        or usual
    )


@dataclass
class _Terminal:
    """The person at the keyboard, as the steps see one (`sigbench.live.steps.Front`)."""

    console: "Console"
    alone: bool
    recover: str
    typed: "Mapping[str, Volts]"
    hands: Hands
    of: int

    def say(self, text: str, style: str = "") -> None:
        from sigbench.cli import show

        self.console.print(show.fit(text, self.console, style=style))

    def begin(self, number: int, step: "Step", session: "Session") -> tuple[str, ...]:
        from sigbench.rig.cautions import BEFORE_PLAYING

        heading = f"Step {number} of {self.of}: {step.check}"
        heading += f", {step.output}" if step.check != "rails" else ""
        self.say(f"\n{heading}", "bold")
        self.say(step.prompt)
        interface = session.interface
        if step.stimulus is not None and interface is not None and interface.name != "simulated":
            self.say(f"Caution: {BEFORE_PLAYING}")
        return ()

    def ask(self, question: "Question") -> "Answer":
        for saying in question.sayings:
            if saying.endswith(self.recover):
                note_to(self.console, saying)
            else:
                self.say(saying)
        if self.alone:
            return self._unasked(question)
        return ask_choice(question.choices)

    def _unasked(self, question: "Question") -> "Answer":
        """What is done where nobody is there."""
        if question.reason == "lost":
            first = question.attempt == 1
            self.say("The take is recorded once more." if first else "The take is kept.")
            return "go" if first else "keep"
        return "keep" if question.reason == "clipped" else "go"

    def rails(
        self, rails: "Sequence[Rail]", shown: "Mapping[str, Volts]"
    ) -> "tuple[Rail, ...] | None":
        from dataclasses import replace
        from functools import partial

        from sigbench.checks.rails import complaint, rail_key

        measured = []
        for rail in rails:
            volts: Volts | None
            if rail.name in self.typed:
                volts = self.typed[rail.name]
            elif shown:
                volts = shown.get(rail_key(rail.name))
            else:
                volts = None if self.alone else ask_volts(rail.name, partial(complaint, rail))
            direct, ripple = volts or (None, None)
            measured.append(replace(rail, measured_volts=direct, ripple_volts=ripple))
        if all(rail.measured_volts is None for rail in measured):
            again = ": give --rail, or leave --yes out" if self.alone else ""
            self.say(f"No rail was measured{again}.")
            return None
        return tuple(measured)

    def listening(self) -> None:
        pass  # it takes a second

    def level_is_fine(self, sayings: "Sequence[str]") -> None:
        for saying in sayings:
            self.say(saying)

    def taking(
        self, step: "Step", take: int, watch: "Watch", interface: "Interface"
    ) -> "AbstractContextManager[OnBlock]":
        from sigbench.cli.interfaces import recording_bar
        from sigbench.plan import HANDS_ON

        if step.check in HANDS_ON:
            plays = step.stimulus is not None
            return watched(watch, self.hands, self.console, interface, plays=plays)
        count = f"Take {take} of {step.repeats}" if step.repeats > 1 else "Take"
        return recording_bar(step.seconds, interface.samplerate, count)

    def measuring(self) -> "AbstractContextManager[object]":
        from sigbench.cli import show

        return show.progress().status("Measuring …")


def _print_step(finished: "Run", console: "Console") -> None:
    from sigbench.cli import show
    from sigbench.run import short_readings

    show.print_short(short_readings(finished), console)


def _held(one: "Run") -> "tuple[Held, ...]":
    from sigbench.run import hold_against_limits

    return hold_against_limits(one)


def _count_stored(done: int, of: int) -> str:
    return f"{done} of {of} steps measured and stored."


def _print_end(console: "Console", of: int, left: int, held: "list[tuple[Run, Held]]") -> None:
    from sigbench.cli import show

    console.print()
    console.print(show.fit(_count_stored(of - left, of), console, style="bold"))
    if left == of:
        return
    outside = [(one, found) for one, found in held if found.outside]
    unknown = [
        (one, found)
        for one, found in held
        if found.outside is None and found.reading.why != NOT_MEASURED
    ]
    for title, some in (("Outside a limit:", outside), ("Limits that cannot be told:", unknown)):
        if some:
            console.print(show.fit(title, console))
            for one, found in some:
                console.print(show.fit(f"  {_held_in_words(one, found)}", console))
    if not outside:
        console.print(show.fit("Nothing outside its limit.", console))


def _held_in_words(one: "Run", held: "Held") -> str:
    """``Step 4, Left minus right: 10.00 dB, limit within ±1.5 dB``."""
    from sigbench.report.wording import channel_name, label, limit_words, reading_text

    reading = held.reading
    title = label(reading.name).title
    if reading.channel is not None:
        title += f", {channel_name(reading.channel, pair=True)}"
    if held.outside is None:
        return f"Step {one.step_number}: {title}: {held.why}"
    words = f"{reading_text(reading).text}; limit: {limit_words(held.limit)}"
    return f"Step {one.step_number}: {title}: {words}"


def _print_json(
    done: "list[Run]", held: "list[tuple[Run, Held]]", unit_id: str, stage: str, left: list[int]
) -> None:
    import msgspec

    from sigbench import __version__
    from sigbench.bench.documents import run_to_json
    from sigbench.cli import show
    from sigbench.wire import reading_to_object

    outside = [
        {
            "step": one.step_number,
            "reading": reading_to_object(found.reading),
            "low": found.limit.low,
            "high": found.limit.high,
        }
        for one, found in held
        if found.outside
    ]
    show.print_line(
        msgspec.json.encode(
            {
                "sigbench": __version__,
                "unit": unit_id,
                "stage": stage,
                "runs": [msgspec.json.decode(run_to_json(one)) for one in done],
                "outside_limits": outside,
                "steps_left": left,
            }
        )
    )
