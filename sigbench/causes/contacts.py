"""Contacts: what breaks off, clicks or fades while jacks and plugs are moved."""

from collections.abc import Iterator, Sequence

from sigbench.causes.clues import Clue, only_if, over, repeated
from sigbench.causes.observation import Observation
from sigbench.model import FADED, SLEEVE_OPEN, Event

SURE_OF_DIFFERENCE = 0.999  # no sound by itself did it in 32 minutes of 128 instruments
WATCHED = ("jack", "dropouts", "soak")
_BREAKS = ("dropout", "dip")
_CLICKS = ("click", "crackle")
_SOME_CLICKS = (2.5, 0.5)  # one or two may be a plug that scrapes, or the table that was hit


_Seen = Sequence[tuple[Event, Observation]]
"""Events, and where each was seen."""


def contact_clues(observations: Sequence[Observation]) -> list[Clue]:
    """What happens while jacks and plugs are moved, in one channel or both, and at which output."""
    watched = [o for o in observations if o.measurement.check in WATCHED]
    if not watched:
        return []
    # What clicks in a soak clicks by itself: nothing was moved.
    seen = [
        (e, o)
        for o in watched
        for e in o.measurement.events
        if o.measurement.check != "soak" or e.kind not in _CLICKS
    ]
    events = [(e, o) for e, o in seen if e.text != SLEEVE_OPEN]
    one = [(e, o) for e, o in events if len(e.channels) == 1]
    both = [(e, o) for e, o in events if len(e.channels) > 1]
    clues = [
        _breaks("hum bursts", events, ("hum_burst",)),
        *_difference([(e, o) for e, o in seen if e.text == SLEEVE_OPEN]),
        _fades(events),
        *_on_every_output(watched, seen),
    ]
    if any(o.measurement.source.channels > 1 for o in watched):
        return [
            *clues,
            _breaks("breaks in one channel", one),
            _breaks("breaks in both channels", both),
            _clicks("clicks in one channel", one),
            _clicks("clicks in both channels", both),
        ]
    # Of one channel nobody knows what another one did.
    return [*clues, _breaks("breaks", events), _clicks("clicks", events)]


def _where(these: _Seen) -> str:
    outputs = sorted({o.output for _, o in these})
    return f"{len(these)} times on {' and '.join(outputs)}" if these else "none seen"


def _breaks(name: str, events: _Seen, kinds: tuple[str, ...] = _BREAKS) -> Clue:
    these = [(e, o) for e, o in events if e.kind in kinds]
    return Clue(name, repeated(len(these)), _where(these))


def _clicks(name: str, events: _Seen) -> Clue:
    count = sum(e.kind in _CLICKS for e, _ in events)
    return Clue(name, over(count, _SOME_CLICKS), f"{count} times" if count else "none seen")


def _difference(apart: _Seen) -> Iterator[Clue]:
    if apart:  # a sound that is the same left and right has no difference that could be left
        yield Clue("difference left", SURE_OF_DIFFERENCE, _where(apart))


def _fades(events: _Seen) -> Clue:
    count = sum(e.text == FADED for e, _ in events)
    return Clue("fades when moved", repeated(count), f"{count} times" if count else "never")


def _on_every_output(watched: Sequence[Observation], seen: _Seen) -> Iterator[Clue]:
    events = {o.output: [e for e, of in seen if of.output == o.output] for o in watched}
    if len(events) > 1:
        moved = {output: _does(happened) for output, happened in events.items()}
        doing = sorted(name for name, does in moved.items() if does > 0.5)
        said = f"on {' and '.join(doing)}, of {' and '.join(sorted(moved))}"
        every = only_if(min(moved.values()), max(moved.values()))
        yield Clue("moved on every output", every, said)


def _does(events: Sequence[Event]) -> float:
    """Whether anything happens on an output while it is moved."""
    breaks = sum(e.kind in (*_BREAKS, "hum_burst") for e in events)
    clicks = sum(e.kind in _CLICKS for e in events)
    return max(repeated(breaks), over(clicks, _SOME_CLICKS))
