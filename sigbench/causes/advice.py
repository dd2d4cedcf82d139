"""What to measure next: the check that is expected to tell most, of those that were not made.

By how much a clue is expected to make the hypotheses less uncertain, in bits (the mutual
information of the two: Shannon, Bell System Technical Journal 27 (1948) 379), given what is known.
"""

import math
from collections.abc import Mapping, Sequence

from sigbench.causes.clues import Clue

NEXT: dict[str, tuple[str, ...]] = {
    "idle": ("hum 1x", "hum 2x", "noise", "tones"),
    "volume down": ("hiss follows volume", "hum follows volume"),
    "quiet": ("worse when quiet", "weaker when quiet", "weaker when loud"),
    "low": ("thin channel", "worse when low"),
    "other output": (
        "weak at one output",
        "thin at one output",
        "hum on every output",
        "distortion on every output",
    ),
    "jack": (
        "breaks",
        "breaks in one channel",
        "breaks in both channels",
        "clicks in one channel",
        "hum bursts",
    ),
    "pot": ("crackle when turned",),
    "dc": ("dc",),
    "hands": ("comes when tapped", "comes from the supply", "comes when heated"),
}
"""What can be measured, and the clues that it gives; the supply rails come first in any case."""

_INTERRUPTED = ("breaks", "breaks in one channel", "breaks in both channels", "hum bursts")

GIVEN: dict[str, tuple[str, ...]] = {
    "hiss follows volume": ("noise",),
    "hum follows volume": ("hum 1x", "hum 2x"),
    "weaker when quiet": ("weak channel", "dead channel", "distortion"),
    "weaker when loud": ("weak channel", "dead channel", "distortion"),
    "weak at one output": ("weak channel", "dead channel"),
    "thin at one output": ("thin channel",),
    "hum on every output": ("hum 1x", "hum 2x"),
    "distortion on every output": ("distortion",),
    "comes when tapped": _INTERRUPTED,
    "comes from the supply": _INTERRUPTED,
    "comes when heated": ("hum 2x", "noise"),
}
"""Clues that can be told only where one of others holds."""

LEAST_BITS = 0.05
"""Less is not worth a check."""
MOST = 2


def most_telling(
    clues: Sequence[Clue],
    shares: Mapping[tuple[str, ...], float],
    chances: Mapping[tuple[str, ...], Mapping[str, float]],
) -> tuple[str, ...]:
    """Keys of `NEXT` for what was not measured and would tell most, the most telling first.

    Parameters
    ----------
    clues : sequence of Clue
        What is known.
    shares : mapping
        How probable each hypothesis is.
    chances : mapping
        Of each hypothesis, the probability of every clue.
    """
    holds = {clue.name: clue.holds for clue in clues}
    told = {clue.name for clue in clues if clue.holds is not None or clue.seen}
    bits = {
        key: max(_bits(name, shares, chances) for name in names if _can_be_told(name, holds))
        for key, names in NEXT.items()
        if told.isdisjoint(names) and any(_can_be_told(name, holds) for name in names)
    }
    telling = sorted((key for key in bits if bits[key] > LEAST_BITS), key=lambda key: -bits[key])
    return tuple(telling[:MOST])


def _can_be_told(name: str, holds: Mapping[str, float | None]) -> bool:
    """Whether what a clue is about is there."""
    return name not in GIVEN or any((holds.get(other) or 0.0) >= 0.5 for other in GIVEN[name])


def _bits(
    name: str,
    shares: Mapping[tuple[str, ...], float],
    chances: Mapping[tuple[str, ...], Mapping[str, float]],
) -> float:
    """How much a clue is expected to tell of the hypotheses."""
    pairs = [(share, chances[keys][name]) for keys, share in shares.items()]
    mean = sum(share * p for share, p in pairs)
    return _entropy(mean) - sum(share * _entropy(p) for share, p in pairs)


def _entropy(p: float) -> float:
    return -sum(x * math.log2(x) for x in (p, 1 - p) if x > 0)
