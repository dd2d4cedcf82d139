"""What the person did while a take was recorded: pauses count for nothing, places get their events.

A mark is an event of kind "mark". One that lasts is a pause; one with a place begins it.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from sigbench.model import Event


def counted(events: Iterable[Event], marks: Sequence[Event]) -> tuple[Event, ...]:
    """The events that count, each with its place, and the marks, in order of time.

    What touches a pause is left out: the person may have pulled a plug then. Lost buffers stay,
    for they say what the take is worth.
    """
    paused = pauses(marks)
    begun = sorted((mark for mark in marks if mark.place is not None), key=lambda m: m.start)
    kept = [
        replace(event, place=_place_at(event.start, begun))
        for event in events
        if event.kind == "lost_buffers" or not _touches(event, paused)
    ]
    return tuple(sorted([*kept, *marks], key=lambda event: event.start))


def pauses(marks: Iterable[Event]) -> tuple[tuple[float, float], ...]:
    """Start and end of each pause, in seconds."""
    return tuple((mark.start, mark.end) for mark in marks if mark.end > mark.start)


def _touches(event: Event, paused: Iterable[tuple[float, float]]) -> bool:
    return any(event.start < end and start < event.end for start, end in paused)


def _place_at(seconds: float, begun: Sequence[Event]) -> str | None:
    return next((mark.place for mark in reversed(begun) if mark.start <= seconds), None)
