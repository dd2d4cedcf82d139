"""One person's way through the steps of a plan, as it is steered from a page or a panel.

See `sigbench.live.steered`. Every finished step is stored at once.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

from sigbench.bench.folder import Bench, new_run_id
from sigbench.bench.recording import Purpose, Recording, length_in_words
from sigbench.checks.rails import complaint, rail_key
from sigbench.errors import InterfaceError, RequestError
from sigbench.interface.base import Block, Interface, level_check
from sigbench.interface.simulated import SimulatedInterface
from sigbench.live.steered import STOP, Choice, Field
from sigbench.live.watch import Watch
from sigbench.live.watched import Done, Moment, Watched
from sigbench.model import (
    Event,
    LongTake,
    Output,
    Rail,
    RigSetup,
    Run,
    Step,
    Take,
)
from sigbench.plan import step_of
from sigbench.rig.cautions import BEFORE_PLAYING
from sigbench.rig.setup import rig_now
from sigbench.run import (
    Session,
    carry_out,
    clipped_in_words,
    lost_in_words,
    require_possible,
    stimulus_of,
)
from sigbench.units import read_volts

HANDS_ON = ("jack", "pot", "soak")
"""Checks that may be ended before their time, and are kept then."""

Open = Callable[[int, Callable[[str], None]], tuple[Interface, RigSetup | None]]


@dataclass(frozen=True, slots=True)
class Wish:
    """What a person wants to do at one sitting.

    Parameters
    ----------
    unit_id, stage : str
    steps : tuple of int
        Numbers of the steps of the unit's plan, in the order of the work.
    operator, gain : str
        Who measures, and where the interface's gain control stands.
    places : tuple of str
        The jacks that are moved; those of the output where none are named.
    """

    unit_id: str
    stage: str
    steps: tuple[int, ...]
    operator: str = ""
    gain: str = ""
    places: tuple[str, ...] = ()


GO, STORE = Choice("go", "Go"), Choice("go", "Store")
SKIP = Choice("skip", "Skip this step")


class Sitting(Watched):
    """A plan that is being carried out.

    Parameters
    ----------
    folder : Path
        The bench folder.
    wish : Wish
    open_interface : callable
        Opens the interface with so many inputs, and tells what that does otherwise than it was
        asked to; called once, and again after a device failed.
    on_change : callable, optional
        Called whenever the moment changed, from the sitting's thread.

    Raises
    ------
    BenchError, RequestError
        If the unit, its plan or one of the steps is not there.
    """

    def __init__(
        self,
        folder: Path,
        wish: Wish,
        open_interface: Open,
        *,
        on_change: Callable[[], None] = lambda: None,
    ) -> None:
        with Bench.open(folder) as bench:
            unit, plan = bench.unit(wish.unit_id), bench.plan(wish.unit_id)
        if not wish.steps:
            raise RequestError("There is no step left to measure: choose steps, or another stage.")
        for number in wish.steps:
            step_of(plan, number)
        first = Moment(of=len(plan.steps), left=wish.steps)
        super().__init__(
            first, wish.unit_id, unit, wish.stage, working="recording", on_change=on_change
        )
        self.folder = folder
        self.wish = wish
        self.plan = plan
        self._open = open_interface
        self._outputs = {output.name: output for output in unit.outputs}
        self._recording: Recording | None = None

    # --- the person

    # A take that is stopped is kept where the check needs hands; another one is not, and its step
    # can begin again.

    def mark(self, text: str) -> None:
        """Note what was done just now."""
        if self._recording_now is not None:
            self._recording_now.mark(text)

    def next_place(self) -> None:
        """Go on to the next jack."""
        if self._recording_now is not None:
            self._recording_now.next_place()

    def pause(self) -> None:
        """Pause, or go on; a control that is turned has no pause."""
        watch = self._recording_now
        if watch is not None and watch.check in ("jack", "soak"):
            watch.pause()

    @property
    def _recording_now(self) -> Watch | None:
        return self._watch if self.running else None

    # --- the work, in its own thread

    def _carry_out(self) -> Mapping[str, object]:
        with Bench.open(self.folder) as bench:
            _Work(self, bench).all_steps()
        return {"sayings": (), "step": None, "number": 0}

    def _after_stop(self) -> Mapping[str, object]:
        return {"sayings": self._left_on_the_disk(), "step": None, "number": 0}

    def _left_on_the_disk(self) -> tuple[str, ...]:
        """What is there of a take that was not finished."""
        left, self._recording = self._recording, None
        if left is None or not left.is_left:
            return ()
        return (
            f"What was recorded until then, {length_in_words(left.seconds)}, is safe; it is kept "
            "or deleted with 'sigbench bench recover'.",
        )


class _Anew(Exception):
    """The step has to begin with its first take again."""


class _TakeStopped(Exception):
    """The person ended a take that is of no use when it is short."""


@dataclass
class _Work:
    """The steps of a sitting, one after the other."""

    sitting: Sitting
    bench: Bench
    session: Session = field(init=False)
    remarks: list[str] = field(default_factory=list)

    def all_steps(self) -> None:
        sitting = self.sitting
        steps = [(number, sitting.plan.steps[number - 1]) for number in sitting.wish.steps]
        interface, setup = None, None
        if any(step.check != "rails" for _, step in steps):
            interface, setup = self._open(steps)
        require_possible(steps, sitting._outputs, interface)
        wish = sitting.wish
        self.session = Session(interface, wish.stage, wish.operator, wish.gain, setup)
        for number, step in steps:
            self._step(number, step)

    def _open(self, steps: Sequence[tuple[int, Step]]) -> tuple[Interface, RigSetup | None]:
        """The interface, with as many inputs as the steps need together."""
        self.remarks.clear()
        outputs = self.sitting._outputs
        inputs = (outputs[s.output].channels for _, s in steps if s.output in outputs)
        return self.sitting._open(max(inputs, default=1), self.remarks.append)

    def _step(self, number: int, step: Step) -> None:
        sitting = self.sitting
        sitting._watch = None
        sitting._change(
            number=number, step=step, take=1, takes=step.repeats, phase="starting", choices=()
        )
        run = self._rails(number, step) if step.check == "rails" else self._takes(number, step)
        if run is None:
            return
        self.bench.add_run(sitting.wish.unit_id, run)
        sitting._change(
            done=(*sitting.moment.done, Done(number, step, run)),
            left=tuple(left for left in sitting.moment.left if left != number),
        )

    # rails

    def _rails(self, number: int, step: Step) -> Run | None:
        interface = self.session.interface
        read = interface.rail_volts() if isinstance(interface, SimulatedInterface) else {}
        known = {rail_key(name): f"{volts:g}" for name, volts in read.items()}
        fields = tuple(_field_of(rail, known.get(rail_key(rail.name), "")) for rail in step.rails)
        sayings: tuple[str, ...] = ()
        while True:
            answer, typed = self.sitting._ask("rails", sayings, STORE, SKIP, STOP, fields=fields)
            self.sitting._change(fields=())
            if answer == "skip":
                return None
            measured = tuple(typed.values())
            if any(rail.measured_volts is not None for rail in measured):
                break
            sayings = ("No rail was measured: type what the meter shows, or skip this step.",)
        return carry_out(
            self.session,
            number,
            replace(step, rails=measured),
            output=None,
            run_id=new_run_id(),
            store=self.bench.store_take,
        )

    # takes

    def _takes(self, number: int, step: Step) -> Run | None:
        """Wait for the person, see to the level, record and measure.

        A device that fails may be plugged in again: the step then goes on as a new take.
        """
        sayings = self._before(step)
        failed = False
        self._prepare(step)
        while True:
            answer, _ = self.sitting._ask("ready", sayings, GO, SKIP, STOP, take=1)
            if answer == "skip":
                return None
            try:
                if failed:
                    self._open_again(step)
                    failed = False
                if not self._level_is_fine(step):
                    return None
                return self._carry_out(number, step)
            except _Anew:
                self._discard()
                sayings = ("The step begins anew.",)
            except _TakeStopped:
                self._discard()
                sayings = ("That take was stopped and is not kept.",)
            except InterfaceError as exc:
                failed = True
                sayings = (str(exc), *self.sitting._left_on_the_disk())

    def _before(self, step: Step) -> tuple[str, ...]:
        interface = self._interface
        remarks = (*self.remarks, *rig_now(interface, self.session.setup, self.session.gain)[1])
        if step.stimulus is not None and not isinstance(interface, SimulatedInterface):
            return (*remarks, f"Caution: {BEFORE_PLAYING}")
        return remarks

    @property
    def _interface(self) -> Interface:
        if self.session.interface is None:
            raise RequestError("There is no audio interface for this step.")
        return self.session.interface

    def _open_again(self, step: Step) -> None:
        interface, _ = self._open([(0, step)])
        self.session = replace(self.session, interface=interface)
        self._prepare(step)

    def _prepare(self, step: Step) -> None:
        if isinstance(self._interface, SimulatedInterface):
            self._interface.do(step)

    def _level_is_fine(self, step: Step) -> bool:
        """Listen for a second before the takes; False if the step is skipped."""
        if step.check == "idle":
            return True
        interface = self._interface
        sound = None
        if step.stimulus is not None:
            sound = stimulus_of(step.stimulus, interface.samplerate, step.seconds)
        while True:
            self.sitting._change(phase="listening", sayings=(), choices=())
            found = level_check(interface, stimulus=sound).channels
            channels = found[: self.sitting._outputs[step.output].channels]
            if all(channel.fine for channel in channels):
                return True
            answer, _ = self.sitting._ask(
                "asking",
                [f"Level of {channel.advice}." for channel in channels],
                Choice("go", "Listen again"),
                Choice("keep", "Record all the same"),
                SKIP,
                STOP,
            )
            if answer != "go":
                return answer == "keep"

    def _carry_out(self, number: int, step: Step) -> Run:
        sitting, wish = self.sitting, self.sitting.wish
        purpose = Purpose(wish.unit_id, wish.stage, number, step.check, step.output)
        begun: set[int] = set()

        def begin(interface: Interface, *, seconds: float, channels: int) -> Recording:
            sitting._recording = self.bench.begin_recording(
                interface, seconds=seconds, channels=channels, purpose=purpose
            )
            return sitting._recording

        def before_take(repeat: int) -> None:
            if repeat not in begun | {1} and step.check != "idle":
                sitting._ask(
                    "ready",
                    (f"Take {repeat} of {step.repeats}: play it again.",),
                    GO,
                    STOP,
                    take=repeat,
                )
            begun.add(repeat)
            sitting._stopping = False
            sitting._watch = self._new_watch(step)
            sitting._change(phase="recording", sayings=(), choices=(STOP,), take=repeat)

        def on_block(block: Block) -> None:
            if sitting._watch is None:
                return
            sitting._call_out(sitting._watch.feed(block)[:1])  # more at once would be a muddle
            if sitting._stopping and step.check not in HANDS_ON:
                raise _TakeStopped

        def keep(take: Take | LongTake, attempt: int) -> bool:
            kept = self._keep(take)
            sitting._change(phase="measuring", sayings=(), choices=())
            return kept

        return carry_out(
            self.session,
            number,
            step,
            output=sitting._outputs[step.output],
            run_id=new_run_id(),
            store=self.bench.store_take,
            begin=begin,
            before_take=before_take,
            on_block=on_block,
            until=lambda: sitting._stopping and step.check in HANDS_ON,
            keep=keep,
        )

    def _new_watch(self, step: Step) -> Watch:
        sitting = self.sitting
        output = sitting._outputs[step.output]

        def on_mark(mark: Event) -> None:
            if sitting._recording is not None:
                sitting._recording.mark(mark)

        return Watch(
            step.check,
            self._interface.samplerate,
            output.channels,
            step.settings,
            seconds=step.seconds,
            places=places_of(step.check, output, sitting.wish.places),
            on_mark=on_mark,
        )

    def _keep(self, take: Take | LongTake) -> bool:
        """Whether a take is good for something; what spoils it is said, and asked about."""
        lost, clipped = lost_in_words(take), clipped_in_words(take)
        if lost is not None:
            again, keep = Choice("go", "Record it again"), Choice("keep", "Keep it as it is")
            if self.sitting._ask("asking", (lost,), again, keep, STOP)[0] != "keep":
                return False
        if clipped is not None:
            # Takes at two positions of the gain control are no repeats of each other.
            again, keep = Choice("go", "Begin the step anew"), Choice("keep", "Keep the take")
            if self.sitting._ask("asking", (clipped,), again, keep, STOP)[0] != "keep":
                raise _Anew
        return True

    def _discard(self) -> None:
        if self.sitting._recording is not None:
            self.sitting._recording.discard()


def places_of(check: str, output: Output, named: Sequence[str]) -> tuple[str, ...]:
    """What is moved one after the other: as named, else the jacks of the output."""
    if named or check != "jack":
        return tuple(named)
    sides = (" L", " R") if output.channels == 2 else ("",)
    return tuple(f"{output.name}{side}" for side in sides)


def _field_of(rail: Rail, shown: str) -> Field:
    """Where the volts of a rail are typed; what the meter shows stands there already."""
    hint = "V, and after a space the ripple in V AC"
    return Field(rail.name, rail.name, shown, partial(_measured, rail), hint=hint)


def _measured(rail: Rail, typed: str) -> Rail:
    """The rail with the volts that were typed; with none, if nothing was."""
    if not typed:
        return replace(rail, measured_volts=None, ripple_volts=None)
    try:
        volts = read_volts(typed)
    except RequestError as exc:
        raise RequestError(f"{rail.name}: {exc}") from exc
    wrong = complaint(rail, volts)
    if wrong is not None:
        raise RequestError(wrong)
    return replace(rail, measured_volts=volts[0], ripple_volts=volts[1])
