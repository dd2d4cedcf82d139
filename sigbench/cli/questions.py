"""Questions to the person at the keyboard. They go to stderr, beside the results."""

import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from sigbench.errors import RequestError

if TYPE_CHECKING:
    from sigbench.live.steered import Answer, Choice
    from sigbench.units import Volts


class StopAsked(Exception):
    """The person has answered that it is enough for now."""


STOP = "q"


def ask(question: str, letters: str = "") -> str:
    """One of the letters, or the empty string for Enter; asks again until it is one of them.

    Raises
    ------
    StopAsked
        If the answer is ``q``, which every question takes.
    """
    while True:
        answer = ask_text(question).lower()
        if answer == STOP:
            raise StopAsked
        if not answer or answer in tuple(letters):
            return answer


KEYS: "dict[Answer, str]" = {"go": "", "keep": "k", "skip": "s", "stop": STOP}


def ask_choice(choices: "Sequence[Choice]") -> "Answer":
    """One of the answers that there are; each is chosen by its key.

    Raises
    ------
    StopAsked
        If it is to stop.
    """
    keys = {KEYS[choice.answer]: choice for choice in choices}
    words = [f"{choice.words} ({key or 'Enter'})" for key, choice in keys.items()]
    question = ", ".join([words[0], *(word[0].lower() + word[1:] for word in words[1:])])
    return keys[ask(f"{question}? ", "".join(keys))].answer


def ask_text(question: str) -> str:
    """What is typed in a line, without the space around it.

    Raises
    ------
    KeyboardInterrupt
        If the keyboard is gone.
    """
    print(question, end="", file=sys.stderr, flush=True)
    line = sys.stdin.readline()
    if not line:
        raise KeyboardInterrupt
    return line.strip()


def ask_volts(name: str, wrong: "Callable[[Volts], str | None]") -> "Volts | None":
    """Volts as read off a multimeter; None if they were not measured.

    Parameters
    ----------
    name : str
        Of the rail.
    wrong : callable
        Says what is wrong with the volts; they are asked for again then.
    """
    from sigbench.units import read_volts

    while True:
        answer = ask_text(f"  {name} reads, in volts (Enter: not measured, q stops): ")
        if not answer:
            return None
        if answer.lower() == STOP:
            raise StopAsked
        try:
            volts = read_volts(answer)
        except RequestError as exc:
            complaint: str | None = str(exc)
        else:
            complaint = wrong(volts)
            if complaint is None:
                return volts
        print(f"  {complaint}", file=sys.stderr)
