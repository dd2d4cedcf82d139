"""Questions to the person at the keyboard. They go to stderr, beside the results."""

import re
import sys
from collections.abc import Callable

from sigbench.errors import RequestError


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


Volts = tuple[float, float | None]
"""Of a rail: what the meter shows on DC, and on AC where that was measured."""


def ask_volts(name: str, wrong: Callable[[Volts], str | None]) -> Volts | None:
    """Volts as read off a multimeter; None if they were not measured.

    Parameters
    ----------
    name : str
        Of the rail.
    wrong : callable
        Says what is wrong with the volts; they are asked for again then.
    """
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


def read_volts(text: str) -> Volts:
    """Volts as people type them: ``-14.9``, ``4,97 V``, ``−15``; with ripple, ``14.9 0.004``.

    Raises
    ------
    RequestError
        If it is neither one number nor two.
    """
    plain = text.replace("−", "-").replace(",", ".")
    found = re.fullmatch(rf"{_NUMBER}\s*(m?)v?(?:\s+{_NUMBER}\s*(m?)v?)?", plain.strip(), re.I)
    if found is None:
        raise RequestError(
            f"'{text}' is no voltage: type a number of volts, such as -14.9, and after a space the "
            "ripple on AC volts if you measured it."
        )
    direct, milli, ripple, ripple_milli = found.groups()
    return _volts(direct, milli), None if ripple is None else _volts(ripple, ripple_milli)


_NUMBER = r"([+-]?(?:\d+\.?\d*|\.\d+))"


def _volts(number: str, milli: str) -> float:
    return float(number) / (1000 if milli else 1)
