"""One person's way through the steps of a plan, as it is steered from a page or a panel.

The sitting lives in the program: it has a thread of its own, waits for answers, and goes on
whatever becomes of whoever shows it. Every finished step is stored at once.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from queue import SimpleQueue
from threading import RLock, Thread
from typing import Literal

from sigbench.bench.folder import Bench, new_run_id
from sigbench.bench.recording import Purpose, Recording, length_in_words
from sigbench.checks.rails import complaint, rail_key
from sigbench.errors import InterfaceError, RequestError, SigbenchError
from sigbench.interface.base import Block, Interface, level_check
from sigbench.interface.simulated import SimulatedInterface
from sigbench.live.spectrum import Spectrum
from sigbench.live.watch import Seen, Watch
from sigbench.model import (
    Event,
    EventKind,
    LongTake,
    Output,
    Plan,
    Rail,
    RigSetup,
    Run,
    Step,
    Take,
)
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
from sigbench.units import Volts, read_volts

HANDS_ON = ("jack", "pot", "soak")
"""Checks that may be ended before their time, and are kept then."""

Phase = Literal[
    "starting", "ready", "rails", "listening", "recording", "asking", "measuring", "over"
]
Answer = Literal["go", "keep", "skip", "stop"]
Open = Callable[[int], tuple[Interface, RigSetup | None]]


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


@dataclass(frozen=True, slots=True)
class Choice:
    """An answer that is possible now, and what it does, in words."""

    answer: Answer
    words: str


@dataclass(frozen=True, slots=True)
class Done:
    """A step that is stored."""

    number: int
    step: Step
    run: Run


@dataclass(frozen=True, slots=True)
class Moment:
    """Where a sitting is.

    Parameters
    ----------
    phase : str
        What it does or waits for.
    question : int
        Number of the question that is open; an answer names it, so that a key that is pressed
        twice answers once.
    number, of : int
        The step of the plan, and how many it has.
    step : Step or None
    take, takes : int
        Of the step, from 1.
    sayings : tuple of str
        What there is to know now: advice on the level, what spoiled a take, cautions.
    choices : tuple of Choice
    rails : tuple of (Rail, str)
        With what the meter shows as it was typed last, while rails are asked for.
    done : tuple of Done
    left : tuple of int
        Numbers of the steps that are not done.
    failed : str or None
        The sentence that it ended with, where it did not end well.
    """

    phase: Phase = "starting"
    question: int = 0
    number: int = 0
    of: int = 0
    step: Step | None = None
    take: int = 1
    takes: int = 1
    sayings: tuple[str, ...] = ()
    choices: tuple[Choice, ...] = ()
    rails: tuple[tuple[Rail, str], ...] = ()
    done: tuple[Done, ...] = ()
    left: tuple[int, ...] = ()
    failed: str | None = None


GO, SKIP, STOP = Choice("go", "Go"), Choice("skip", "Skip this step"), Choice("stop", "Stop")


class Sitting:
    """A plan that is being carried out.

    Parameters
    ----------
    folder : Path
        The bench folder.
    wish : Wish
    open_interface : callable
        Opens the interface with so many inputs; called once, and again after a device failed.
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
        self.folder = folder
        self.wish = wish
        self._open = open_interface
        self._on_change = on_change
        self._lock = RLock()
        self._answers: SimpleQueue[tuple[int, Answer]] = SimpleQueue()
        self._typed: SimpleQueue[tuple[Rail, ...]] = SimpleQueue()
        self._watch: Watch | None = None
        self._alerts: list[EventKind] = []
        self._stopping = False
        with Bench.open(folder) as bench:
            unit, plan = bench.unit(wish.unit_id), bench.plan(wish.unit_id)
        self.unit = unit
        self.plan = _require_steps(plan, wish.steps)
        self._outputs = {output.name: output for output in unit.outputs}
        self._moment = Moment(of=len(plan.steps), left=wish.steps)
        self._recording: Recording | None = None
        self._thread = Thread(target=self._work, name="sitting", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    # --- whoever shows it

    @property
    def moment(self) -> Moment:
        """Where it is."""
        return self._moment

    @property
    def over(self) -> bool:
        """Whether it has ended."""
        return self._moment.phase == "over"

    def seen(self) -> Seen | None:
        """What the take shows that is recorded, or was recorded last in this step."""
        watch = self._watch
        return None if watch is None else watch.seen()

    def spectrum(self, columns: int) -> Spectrum | None:
        """What the last moment of that take consists of."""
        watch = self._watch
        return None if watch is None else watch.spectrum(columns)

    def alerts(self, told: int) -> tuple[EventKind, ...]:
        """What was to be called out after the first `told` of this sitting."""
        with self._lock:
            return tuple(self._alerts[told:])

    # --- the person

    def answer(self, question: int, answer: Answer) -> None:
        """Answer a question; one that is no longer open is let go by.

        While a take is recorded, `stop` ends it: a check that needs hands keeps what there is,
        another one is not kept, and its step can begin again.
        """
        with self._lock:
            moment = self._moment
            if question != moment.question:
                return
            if moment.phase == "recording" and answer == "stop":
                self._stopping = True
                if self._watch is not None:
                    self._watch.stop()
            elif answer in [choice.answer for choice in moment.choices]:
                self._answers.put((question, answer))

    def type_rails(self, question: int, volts: Mapping[str, str]) -> tuple[str, ...]:
        """Take what the meter shows, by name of the rail; empty text: not measured.

        Returns
        -------
        tuple of str
            What is wrong with it, a sentence each; nothing is taken then.
        """
        with self._lock:
            moment = self._moment
            if question != moment.question or moment.phase != "rails":
                return ()
            measured, wrong = [], []
            for rail, _ in moment.rails:
                try:
                    direct, ripple = _volts_of(rail, volts.get(rail.name, ""))
                except RequestError as exc:
                    wrong.append(str(exc))
                else:
                    measured.append(replace(rail, measured_volts=direct, ripple_volts=ripple))
            if not wrong:
                self._typed.put(tuple(measured))
                self._answers.put((question, "go"))
            return tuple(wrong)

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
        return self._watch if self._moment.phase == "recording" else None

    # --- the work, in its own thread

    def _work(self) -> None:
        failed: str | None = None
        sayings: tuple[str, ...] = ()
        try:
            with Bench.open(self.folder) as bench:
                _Work(self, bench).all_steps()
        except _Stopped:
            sayings = self._left_on_the_disk()
        except SigbenchError as exc:
            failed = str(exc)
        except Exception as exc:  # a fault of ours: it must be seen, and the page must go on
            failed = f"Something went wrong in sigbench itself ({type(exc).__name__}: {exc})."
        finally:
            self._change(
                phase="over",
                choices=(),
                sayings=sayings,
                rails=(),
                failed=failed,
                step=None,
                number=0,
            )

    def _change(self, **changes: object) -> None:
        with self._lock:
            self._moment = replace(
                self._moment,
                question=self._moment.question + 1,
                **changes,  # type: ignore[arg-type]
            )
        self._on_change()

    def _ask(
        self, phase: Phase, sayings: Sequence[str], *choices: Choice, **more: object
    ) -> Answer:
        """Wait for an answer.

        Raises
        ------
        _Stopped
            If it is enough.
        """
        self._change(phase=phase, sayings=tuple(sayings), choices=choices, **more)
        while True:
            question, answer = self._answers.get()
            if question == self._moment.question:
                break
        if answer == "stop":
            raise _Stopped
        return answer

    def _left_on_the_disk(self) -> tuple[str, ...]:
        """What is there of a take that was not finished."""
        left, self._recording = self._recording, None
        if left is None or not left.is_left:
            return ()
        return (
            f"What was recorded until then, {length_in_words(left.seconds)}, is safe; it is kept "
            "or deleted with 'sigbench bench recover'.",
        )


class _Stopped(Exception):
    """The person has had enough."""


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

    def all_steps(self) -> None:
        sitting = self.sitting
        steps = [(number, sitting.plan.steps[number - 1]) for number in sitting.wish.steps]
        interface, setup = None, None
        if any(step.check != "rails" for _, step in steps):
            interface, setup = sitting._open(self._inputs(steps))
        require_possible(steps, sitting._outputs, interface)
        wish = sitting.wish
        self.session = Session(interface, wish.stage, wish.operator, wish.gain, setup)
        for number, step in steps:
            self._step(number, step)

    def _inputs(self, steps: Sequence[tuple[int, Step]]) -> int:
        outputs = self.sitting._outputs
        return max((outputs[s.output].channels for _, s in steps if s.output in outputs), default=1)

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
        asked = tuple((rail, known.get(rail_key(rail.name), "")) for rail in step.rails)
        sayings: tuple[str, ...] = ()
        while True:
            answer = self.sitting._ask("rails", sayings, SKIP, STOP, rails=asked)
            self.sitting._change(rails=())
            if answer == "skip":
                return None
            measured = self.sitting._typed.get()
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
            if self.sitting._ask("ready", sayings, GO, SKIP, STOP, take=1) == "skip":
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
        _, remarks = rig_now(interface, self.session.setup, self.session.gain)
        if step.stimulus is not None and not isinstance(interface, SimulatedInterface):
            return (*remarks, f"Caution: {BEFORE_PLAYING}")
        return remarks

    @property
    def _interface(self) -> Interface:
        if self.session.interface is None:
            raise RequestError("There is no audio interface for this step.")
        return self.session.interface

    def _open_again(self, step: Step) -> None:
        interface, _ = self.sitting._open(self._inputs([(0, step)]))
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
            answer = self.sitting._ask(
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
            gravest = sitting._watch.feed(block)[:1]  # more at once would be a muddle
            with sitting._lock:
                sitting._alerts.extend(gravest)
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
            if self.sitting._ask("asking", (lost,), again, keep, STOP) != "keep":
                return False
        if clipped is not None:
            # Takes at two positions of the gain control are no repeats of each other.
            again, keep = Choice("go", "Begin the step anew"), Choice("keep", "Keep the take")
            if self.sitting._ask("asking", (clipped,), again, keep, STOP) != "keep":
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


def _require_steps(plan: Plan, steps: Sequence[int]) -> Plan:
    for number in steps:
        if not 1 <= number <= len(plan.steps):
            raise RequestError(
                f"The plan '{plan.name}' has steps 1 to {len(plan.steps)}, and no step {number}."
            )
    if not steps:
        raise RequestError("There is no step left to measure: choose steps, or another stage.")
    return plan


def _volts_of(rail: Rail, typed: str) -> Volts | tuple[None, None]:
    if not typed.strip():
        return None, None
    try:
        volts = read_volts(typed)
    except RequestError as exc:
        raise RequestError(f"{rail.name}: {exc}") from exc
    wrong = complaint(rail, volts)
    if wrong is not None:
        raise RequestError(wrong)
    return volts
