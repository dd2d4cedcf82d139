"""Tally: how often each part that was moved let go, and how badly."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from sigbench.checks.marks import pauses
from sigbench.model import Event, EventKind

FAULTS: tuple[EventKind, ...] = ("dropout", "hum_burst", "dip", "crackle", "click")
"""What counts against the instrument, the gravest first."""

SILENCE_DB = 40.0  # a signal so far down is heard as gone: common practice, no source

_WORDS: dict[EventKind, tuple[str, str]] = {
    "dropout": ("dropout", "dropouts"),
    "dip": ("dip", "dips"),
    "hum_burst": ("hum burst", "hum bursts"),
    "crackle": ("crackle", "crackles"),
    "click": ("click", "clicks"),
}


@dataclass(frozen=True, slots=True)
class Tally:
    """What one place did.

    Parameters
    ----------
    place : str or None
        The jack, or other part, as the person named it; None where none was named.
    seconds : float
        How long it was watched, pauses not counted.
    counts : tuple of (kind, int)
        Of the faults that happened, the gravest first.
    worst : Event or None
        The longest of the gravest kind.
    """

    place: str | None
    seconds: float
    counts: tuple[tuple[EventKind, int], ...]
    worst: Event | None

    @property
    def total(self) -> int:
        """All faults together."""
        return sum(count for _, count in self.counts)

    def __str__(self) -> str:
        """``main L: 7 in 20 s (5 dropouts, 2 crackles), worst 240 ms to silence``."""
        where = f"{self.place}: " if self.place else ""
        if self.worst is None:
            return f"{where}nothing in {self.seconds:.0f} s"
        kinds = ", ".join(f"{n} {_WORDS[kind][n > 1]}" for kind, n in self.counts)
        words = f"{where}{self.total} in {self.seconds:.0f} s ({kinds})"
        return f"{words}, worst {length_and_depth(self.worst)}"


def length_and_depth(event: Event) -> str:
    """``240 ms to silence``, ``12 ms, 9 dB down``, ``80 ms, 20 dB of hum``."""
    ms = 1000 * (event.end - event.start)
    length = f"{ms:.3g} ms" if ms < 1000 else f"{ms / 1000:.3g} s"
    if event.kind == "dropout" and (event.depth is None or event.depth >= SILENCE_DB):
        return f"{length} to silence"
    if event.depth is None or event.kind in ("crackle", "click"):
        return length
    return f"{length}, {event.depth:.0f} dB {'up' if event.kind == 'hum_burst' else 'down'}"


def tally(events: Iterable[Event], seconds: float) -> tuple[Tally, ...]:
    """The tally of each place, in the order in which they were first moved.

    Parameters
    ----------
    events : iterable of Event
        Of a measurement, its marks among them.
    seconds : float
        Length of the take, or how far it has come.

    Returns
    -------
    tuple of Tally
        One without a place stands for all where none was named; else it is left out, unless
        something happened before the first one.
    """
    events = tuple(events)
    marks = sorted((e for e in events if e.kind == "mark"), key=lambda e: e.start)
    begun = [mark for mark in marks if mark.place is not None]
    stretches: dict[str | None, float] = {None: 0.0}
    edges = [0.0, *(mark.start for mark in begun), seconds]
    names = [None, *(mark.place for mark in begun)]
    for name, start, end in zip(names, edges, edges[1:], strict=False):
        rest = sum(max(0.0, min(end, b) - max(start, a)) for a, b in pauses(marks))
        stretches[name] = stretches.get(name, 0.0) + max(0.0, end - start - rest)
    tallies = [_of_place(name, length, events) for name, length in stretches.items()]
    return tuple(one for one in tallies if one.place is not None or one.total or not begun)


def _of_place(place: str | None, seconds: float, events: tuple[Event, ...]) -> Tally:
    own = [event for event in events if event.kind in FAULTS and event.place == place]
    counts = Counter(event.kind for event in own)
    worst = min(own, key=lambda e: (FAULTS.index(e.kind), e.start - e.end), default=None)
    return Tally(place, seconds, tuple((k, counts[k]) for k in FAULTS if counts[k]), worst)
