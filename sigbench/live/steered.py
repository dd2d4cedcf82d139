"""Work that is steered by answers: it lives in the program, whoever shows it and however often.

It has a thread of its own, asks numbered questions, waits for answers, and goes on whatever becomes
of the page or panel that shows it.
"""

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from queue import SimpleQueue
from threading import RLock, Thread
from typing import Any, Generic, Literal, TypeVar

from sigbench.errors import RequestError, SigbenchError

MOST_TYPED = 200  # characters in a field

Answer = Literal["go", "keep", "skip", "stop"]


@dataclass(frozen=True, slots=True)
class Choice:
    """An answer that is possible now, and what it does, in words."""

    answer: Answer
    words: str


STOP = Choice("stop", "Stop")


@dataclass(frozen=True, slots=True)
class Field:
    """Something that a person types or chooses.

    Parameters
    ----------
    name, label : str
    value : str
        What stands there at first.
    read : callable
        From the text to what is meant; raises a RequestError where it cannot be.
    options : tuple of (str, str)
        Values with their words, where it is chosen.
    hint : str
        What to type, while nothing stands there.
    """

    name: str
    label: str
    value: str
    read: Callable[[str], Any] = field(default=str, compare=False)
    options: tuple[tuple[str, str], ...] = ()
    hint: str = ""


@dataclass(frozen=True, slots=True)
class Asked:
    """What every moment has.

    Parameters
    ----------
    phase : str
        What it does or waits for; "over" is the last one.
    question : int
        Number of the question that is open; an answer names it, so that a key that is pressed
        twice answers once.
    sayings : tuple of str
        What there is to know now.
    choices : tuple of Choice
    fields : tuple of Field
        To be typed; the answer "go" comes with them.
    failed : str or None
        The sentence that it ended with, where it did not end well.
    """

    phase: str = "starting"
    question: int = 0
    sayings: tuple[str, ...] = ()
    choices: tuple[Choice, ...] = ()
    fields: tuple[Field, ...] = ()
    failed: str | None = None


M = TypeVar("M", bound=Asked)


class Stopped(Exception):
    """The person has had enough."""


class Steered(ABC, Generic[M]):
    """Work that is steered by answers.

    Parameters
    ----------
    moment : dataclass
        Where it is at first.
    working : str
        The phase in which it needs no answer, and "stop" ends what is done.
    on_change : callable
        Called whenever the moment changed, from the thread of the work.
    """

    def __init__(self, moment: M, *, working: str, on_change: Callable[[], None]) -> None:
        self._moment = moment
        self._working = working
        self._on_change = on_change
        self._lock = RLock()
        self._answers: SimpleQueue[tuple[int, Answer | None, dict[str, Any]]] = SimpleQueue()
        self._stopping = False
        self._thread = Thread(target=self._work, name=type(self).__name__, daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    # --- whoever shows it

    @property
    def moment(self) -> M:
        """Where it is."""
        return self._moment

    @property
    def over(self) -> bool:
        """Whether it has ended."""
        return self._moment.phase == "over"

    # --- the person

    def answer(self, question: int, answer: Answer) -> None:
        """Answer a question; one that is no longer open is let go by.

        While it works, `stop` ends what is done.
        """
        with self._lock:
            moment = self._moment
            possible = answer in [choice.answer for choice in moment.choices]
            if question != moment.question or not possible:
                return
            if moment.phase == self._working:
                self._stopping = True
            elif answer != "go" or not moment.fields:
                self._answers.put((question, answer, {}))

    def type_fields(self, question: int, typed: Mapping[str, str]) -> tuple[str, ...]:
        """Take what was typed, by name of the field, and go on.

        Returns
        -------
        tuple of str
            What is wrong with it, a sentence each; nothing is taken then.
        """
        with self._lock:
            moment = self._moment
            if question != moment.question:
                return ()
            values, wrong = {}, []
            for one in moment.fields:
                try:
                    values[one.name] = _read(one, typed.get(one.name, ""))
                except RequestError as exc:
                    wrong.append(str(exc))
            if values and not wrong:
                self._answers.put((question, "go", values))
            return tuple(wrong)

    # --- the work, in its own thread

    @abstractmethod
    def _carry_out(self) -> Mapping[str, object]:
        """Do it; what its last moment shows."""

    @abstractmethod
    def _after_stop(self) -> Mapping[str, object]:
        """What the last moment shows when the person has had enough."""

    @abstractmethod
    def _change(self, **changes: object) -> None:
        """A new moment, by `_become`."""

    def _work(self) -> None:
        ended: Mapping[str, object] = {}
        try:
            ended = self._carry_out()
        except Stopped:
            ended = self._after_stop()
        except SigbenchError as exc:
            ended = {"failed": str(exc)}
        except Exception as exc:  # a fault of ours: it must be seen, and the page must go on
            said = f"Something went wrong in sigbench itself ({type(exc).__name__}: {exc})."
            ended = {"failed": said}
        finally:
            self._change(phase="over", choices=(), fields=(), **ended)

    def _become(self, changed: Callable[[M], M]) -> None:
        """Make a moment of the last one; its question has the next number."""
        with self._lock:
            number = self._moment.question + 1
            self._moment = replace(changed(self._moment), question=number)
        self._on_change()

    def _answered(self, meanwhile: Callable[[], None] = lambda: None) -> tuple[Answer, Any]:
        """Wait until the open question is answered; what was typed comes with it.

        `meanwhile` is called when `_look_up` was.

        Raises
        ------
        Stopped
            If it is enough.
        """
        asked = self._moment.question
        while True:
            question, answer, typed = self._answers.get()
            if question != asked:
                continue
            if answer is None:
                meanwhile()
            elif answer == "stop":
                raise Stopped
            else:
                return answer, typed

    def _look_up(self, question: int) -> None:
        """Have a look at what goes on while a question is open; from any thread."""
        self._answers.put((question, None, {}))


def _read(one: Field, typed: str) -> Any:
    text = " ".join(typed.split())
    if len(text) > MOST_TYPED:
        raise RequestError(f"{one.label}: that is too long, make it shorter.")
    if one.options and text not in {value for value, _ in one.options}:
        raise RequestError(f"{one.label}: choose one of the answers.")
    return one.read(text)
