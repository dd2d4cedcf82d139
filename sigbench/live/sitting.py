"""One person's way through the steps of a plan, as it is steered from a page or a panel.

See `sigbench.live.steered`. Every finished step is stored at once.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from sigbench.bench.folder import Bench
from sigbench.checks.rails import rail_key, read_rail
from sigbench.errors import RequestError
from sigbench.interface.base import Interface
from sigbench.interface.simulated import SimulatedInterface
from sigbench.live.steered import STOP, Answer, Choice, Field
from sigbench.live.steps import SKIP, OnBlock, Question, Steps, inputs_for
from sigbench.live.watch import Watch
from sigbench.live.watched import Done, Moment, Phase, Watched
from sigbench.model import Rail, RigSetup, Run, Step
from sigbench.plan import step_of
from sigbench.rig.cautions import BEFORE_PLAYING
from sigbench.rig.setup import rig_now
from sigbench.run import Session, require_possible
from sigbench.units import Volts

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


STORE = Choice("go", "Store")


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
        self.outputs = {output.name: output for output in unit.outputs}
        self._steps: Steps | None = None

    # --- the person

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
            steps = [(number, step_of(self.plan, number)) for number in self.wish.steps]
            front = _Front(self)
            interface, setup = None, None
            if any(step.check != "rails" for _, step in steps):
                interface, setup = front.open([step for _, step in steps])
            require_possible(steps, self.outputs, interface)
            session = Session(interface, self.stage, self.wish.operator, self.wish.gain, setup)
            self._steps = Steps(
                bench,
                self.unit_id,
                session,
                self.wish.places,
                lambda step: front.open([step])[0],
                front,
            )
            for number, step in steps:
                if (run := self._steps.carry_out(number, step)) is not None:
                    self._stored(number, step, run)
        return {"sayings": (), "step": None, "number": 0}

    def _stored(self, number: int, step: Step, run: Run) -> None:
        moment = self.moment
        self._change(
            done=(*moment.done, Done(number, step, run)),
            left=tuple(left for left in moment.left if left != number),
        )

    def _after_stop(self) -> Mapping[str, object]:
        left = None if self._steps is None else self._steps.left_on_the_disk()
        return {"sayings": () if left is None else (left,), "step": None, "number": 0}


class _Front:
    """A sitting as the steps see it."""

    alone = False
    recover = "sigbench bench recover"

    def __init__(self, sitting: Sitting) -> None:
        self._sitting = sitting
        self.remarks: list[str] = []

    def open(self, steps: Sequence[Step]) -> tuple[Interface, RigSetup | None]:
        """The interface, with as many inputs as the steps need together."""
        self.remarks.clear()
        sitting = self._sitting
        return sitting._open(inputs_for(steps, sitting.outputs), self.remarks.append)

    def begin(self, number: int, step: Step, session: Session) -> Sequence[str]:
        sitting, interface = self._sitting, session.interface
        sitting._watch = None
        sitting._change(
            number=number, step=step, take=1, takes=step.repeats, phase="starting", choices=()
        )
        if interface is None:
            return ()
        said = (*self.remarks, *rig_now(interface, session.setup, session.gain)[1])
        if step.stimulus is not None and not isinstance(interface, SimulatedInterface):
            return (*said, f"Caution: {BEFORE_PLAYING}")
        return said

    def ask(self, question: Question) -> Answer:
        phase: Phase = "ready" if question.reason in ("ready", "again") else "asking"
        more = {"take": question.take} if phase == "ready" else {}
        return self._sitting._ask(phase, question.sayings, *question.choices, **more)[0]

    def rails(self, rails: Sequence[Rail], shown: Mapping[str, Volts]) -> tuple[Rail, ...] | None:
        sitting = self._sitting
        fields = tuple(_field_of(rail, shown.get(rail_key(rail.name))) for rail in rails)
        sayings: tuple[str, ...] = ()
        while True:
            answer, typed = sitting._ask("rails", sayings, STORE, SKIP, STOP, fields=fields)
            sitting._change(fields=())
            if answer == "skip":
                return None
            measured = tuple(typed.values())
            if any(rail.measured_volts is not None for rail in measured):
                return measured
            sayings = ("No rail was measured: type what the meter shows, or skip this step.",)

    def listening(self) -> None:
        self._sitting._change(phase="listening", sayings=(), choices=())

    def level_is_fine(self, sayings: Sequence[str]) -> None:
        pass  # the large figures say so while it is recorded

    @contextmanager
    def taking(
        self, step: Step, take: int, watch: Watch, interface: Interface
    ) -> Iterator[OnBlock]:
        sitting = self._sitting
        sitting._stopping = False
        sitting._watch = watch
        sitting._change(phase="recording", sayings=(), choices=(STOP,), take=take)
        # Of what happens at once the gravest: more would be a muddle.
        yield lambda block: sitting._call_out(watch.feed(block)[:1])

    def measuring(self) -> AbstractContextManager[object]:
        self._sitting._change(phase="measuring", sayings=(), choices=())
        return nullcontext()


def _field_of(rail: Rail, shown: Volts | None) -> Field:
    """Where the volts of a rail are typed; what a simulated meter shows stands there already."""
    there = "" if shown is None else f"{shown[0]:g}"
    hint = "V, and after a space the ripple in V AC"
    return Field(rail.name, rail.name, there, partial(_measured, rail), hint=hint)


def _measured(rail: Rail, typed: str) -> Rail:
    """The rail with the volts that were typed; with none, if nothing was."""
    if not typed:
        return replace(rail, measured_volts=None, ripple_volts=None)
    volts, ripple = read_rail(rail, typed)
    return replace(rail, measured_volts=volts, ripple_volts=ripple)
