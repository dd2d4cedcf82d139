"""The tally of each jack that was moved, before and after, as a table of words."""

from dataclasses import replace

from sigbench.checks.tally import Tally, tally
from sigbench.model import Event, Run
from sigbench.report.pieces import PlainTable

UNNAMED = "the jack"  # where the person named none
NOT_MOVED = "not moved"


def tally_table(before: Run | None, after: Run, before_name: str, after_name: str) -> PlainTable:
    """What each jack did, in the order in which they were moved at the later stage."""
    sides = [(before_name, _tallies(before))] if before is not None else []
    sides.append((after_name, _tallies(after)))
    places = dict.fromkeys(place for _, side in reversed(sides) for place in side)
    return PlainTable(
        ("Jack", *(name[:1].upper() + name[1:] for name, _ in sides)),
        tuple((place, *(side.get(place, NOT_MOVED) for _, side in sides)) for place in places),
    )


def _tallies(run: Run) -> dict[str, str]:
    """Of all repeats together, laid end to end."""
    events: list[Event] = []
    seconds = 0.0
    for measurement in run.measurements:
        events += [
            replace(event, start=event.start + seconds, end=event.end + seconds)
            for event in measurement.events
        ]
        seconds += measurement.source.frames / max(measurement.source.samplerate, 1)
    return {one.place or UNNAMED: _in_words(one) for one in tally(events, seconds)}


def _in_words(one: Tally) -> str:
    return str(replace(one, place=None))
