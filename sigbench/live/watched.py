"""Work on the takes of a unit, as a person watches it: what a sitting and a showing share."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from sigbench.live.spectrum import Spectrum
from sigbench.live.steered import Answer, Asked, Choice, Steered
from sigbench.live.watch import Seen, Watch
from sigbench.model import EventKind, Run, Step, Unit

Phase = Literal[
    "starting",
    "ready",
    "rails",
    "listening",
    "recording",
    "showing",
    "shown",
    "asking",
    "measuring",
    "over",
]


@dataclass(frozen=True, slots=True)
class Done:
    """A step that is stored."""

    number: int
    step: Step
    run: Run


@dataclass(frozen=True, slots=True)
class Moment(Asked):
    """Where it is.

    Parameters
    ----------
    number, of : int
        The step of the plan, and how many that has; 0 where that does not matter.
    step : Step or None
    take, takes : int
        Of the step, from 1.
    done : tuple of Done
    left : tuple of int
        Numbers of the steps that are not done.
    """

    phase: Phase = "starting"
    number: int = 0
    of: int = 0
    step: Step | None = None
    take: int = 1
    takes: int = 1
    done: tuple[Done, ...] = ()
    left: tuple[int, ...] = ()


class Watched(Steered[Moment]):
    """Work on the takes of a unit.

    Parameters
    ----------
    moment : Moment
        Where it is at first.
    unit_id : str
    unit : Unit
    stage : str
    working : str
        The phase in which the blocks of a take come in.
    on_change : callable
        Called whenever the moment changed, from the thread of the work.
    """

    verb = "measured"
    """What is done to the unit, in a word."""

    def __init__(
        self,
        moment: Moment,
        unit_id: str,
        unit: Unit,
        stage: str,
        *,
        working: Phase,
        on_change: Callable[[], None],
    ) -> None:
        super().__init__(moment, working=working, on_change=on_change)
        self.unit_id = unit_id
        self.unit = unit
        self.stage = stage
        self._watch: Watch | None = None
        self._alerts: list[EventKind] = []

    # --- whoever shows it

    @property
    def running(self) -> bool:
        """Whether blocks of a take come in."""
        return self._moment.phase == self._working

    def seen(self) -> Seen | None:
        """What the take shows that comes in, or came in last in this step."""
        watch = self._watch
        return None if watch is None else watch.seen()

    def spectrum(self, columns: int) -> Spectrum | None:
        """What the last moment of that take consists of."""
        watch = self._watch
        return None if watch is None else watch.spectrum(columns)

    def alerts(self, told: int) -> tuple[EventKind, ...]:
        """What was to be called out after the first `told` of it."""
        with self._lock:
            return tuple(self._alerts[told:])

    # --- the person

    def answer(self, question: int, answer: Answer) -> None:
        """Answer a question; one that is no longer open is let go by.

        While a take comes in, `stop` ends it.
        """
        with self._lock:
            super().answer(question, answer)
            if self._stopping and self._watch is not None:
                self._watch.stop()

    def mark(self, text: str) -> None:
        """Note what was done just now."""

    def next_place(self) -> None:
        """Go on to the next jack."""

    def pause(self) -> None:
        """Pause, or go on."""

    # --- the work, in its own thread

    def _change(self, **changes: Any) -> None:
        self._become(lambda last: replace(last, **changes))

    def _call_out(self, kinds: Sequence[EventKind]) -> None:
        """Tell at once what has just happened."""
        if kinds:
            with self._lock:
                self._alerts.extend(kinds)
            self._on_change()

    def _ask(self, phase: Phase, sayings: Sequence[str], *choices: Choice, **more: Any) -> Any:
        """Wait for an answer; with fields, what was typed comes with it.

        Raises
        ------
        Stopped
            If it is enough.
        """
        self._change(phase=phase, sayings=tuple(sayings), choices=choices, **more)
        return self._answered()
