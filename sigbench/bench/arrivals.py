"""Instruments that come onto the bench: what is refused before anything is stored."""

import re
from collections.abc import Sequence

from sigbench.bench.folder import Bench
from sigbench.errors import RequestError
from sigbench.model import Output, Unit

MOST_CHANNELS = 32  # of one output; as many as a file may have


def outputs_of(texts: Sequence[str]) -> tuple[Output, ...]:
    """Outputs as they are typed, such as ``main:2``.

    Raises
    ------
    RequestError
        If one cannot be read, or two have one name.
    """
    outputs = tuple(_output(text) for text in texts)
    names = [output.name.casefold() for output in outputs]
    for name in names:
        if names.count(name) > 1:
            raise RequestError(f"Two outputs are named '{name}': give each its own name.")
    return outputs


def _output(text: str) -> Output:
    described = re.fullmatch(r"\s*([^:]*[^:\s])\s*(?::\s*(\d{1,3})\s*)?", text)
    if described is None:
        raise RequestError(
            f"'{text}' is no output: write a name, a colon and the number of channels, such as "
            "main:2."
        )
    channels = int(described[2] or 2)
    if not 1 <= channels <= MOST_CHANNELS:
        raise RequestError(
            f"The output '{described[1]}' cannot have {channels} channels: give 1 for a single "
            f"jack, 2 for a stereo pair, {MOST_CHANNELS} at most."
        )
    return Output(described[1], channels)


def require_new(bench: Bench, new: Unit) -> None:
    """Refuse the same instrument twice: which of the two is meant could not be told later.

    Raises
    ------
    RequestError
        If maker, model and serial are those of one that is there.
    """
    wanted = [text.casefold() for text in (new.maker, new.model, new.serial)]
    for unit_id, known in bench.units().items():
        if [text.casefold() for text in (known.maker, known.model, known.serial)] == wanted:
            raise RequestError(
                f"This unit is on the bench already, as '{unit_id}': measure it under that name, "
                f"or give another one a serial of its own, such as '{new.serial} b'."
            )
