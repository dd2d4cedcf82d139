"""Contacts: what breaks off, clicks or fades while jacks and plugs are moved."""

from collections.abc import Callable, Sequence

from sigbench.causes.clues import Clue, only_if, over, repeated
from sigbench.causes.observation import Observation
from sigbench.model import FADED, SLEEVE_OPEN, Event

SURE_OF_DIFFERENCE = 0.999  # no sound by itself did it in 32 minutes of 128 instruments
WATCHED = ("jack", "dropouts", "soak")
_BREAKS = ("dropout", "dip")
_CLICKS = ("click", "crackle")
_SOME_CLICKS = (2.5, 0.5)  # one or two may be a plug that scrapes, or the table that was hit


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
    apart = [(e, o) for e, o in seen if e.text == SLEEVE_OPEN]
    events = [(e, o) for e, o in seen if e.text != SLEEVE_OPEN]
    stereo = [o for o in watched if o.measurement.source.channels > 1]

    def said(these: Sequence[tuple[Event, Observation]]) -> str:
        where = sorted({o.output for _, o in these})
        return f"{len(these)} times on {' and '.join(where)}" if these else "none seen"

    def clue(name: str, fits: Callable[[int, str], bool]) -> Clue:
        these = [(e, o) for e, o in events if fits(len(e.channels), e.kind)]
        return Clue(name, repeated(len(these)), said(these))

    clues = [clue("hum bursts", lambda _, kind: kind == "hum_burst")]
    if apart:  # a sound that is the same left and right has no difference that could be left
        clues.append(Clue("difference left", SURE_OF_DIFFERENCE, said(apart)))
    if stereo:
        clues += [
            clue("breaks in one channel", lambda n, kind: kind in _BREAKS and n == 1),
            clue("breaks in both channels", lambda n, kind: kind in _BREAKS and n > 1),
            _clicks("clicks in one channel", [e for e, _ in events if len(e.channels) == 1]),
            _clicks("clicks in both channels", [e for e, _ in events if len(e.channels) > 1]),
        ]
    else:  # of one channel nobody knows what another one did
        clues += [
            clue("breaks", lambda _, kind: kind in _BREAKS),
            _clicks("clicks", [e for e, _ in events]),
        ]
    fading = sum(e.text == FADED for e, _ in events)
    times = f"{fading} times" if fading else "never"
    clues.append(Clue("fades when moved", repeated(fading), times))
    moved = {o.output: _does([e for e, of in seen if of is o]) for o in watched}
    if len(moved) > 1:
        doing = sorted(name for name, does in moved.items() if does > 0.5)
        where = f"on {' and '.join(doing)}, of {' and '.join(sorted(moved))}"
        every = only_if(min(moved.values()), max(moved.values()))
        clues.append(Clue("moved on every output", every, where))
    return clues


def _clicks(name: str, events: Sequence[Event]) -> Clue:
    count = sum(e.kind in _CLICKS for e in events)
    return Clue(name, over(count, _SOME_CLICKS), f"{count} times" if count else "none seen")


def _does(events: Sequence[Event]) -> float:
    """Whether anything happens on an output while it is moved."""
    breaks = sum(e.kind in (*_BREAKS, "hum_burst") for e in events)
    clicks = sum(e.kind in _CLICKS for e in events)
    return max(repeated(breaks), over(clicks, _SOME_CLICKS))
