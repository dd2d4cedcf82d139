"""Hum: lines of the mains in the idle noise, held against the note."""

import math
from collections.abc import Iterator, Sequence

from sigbench.causes.clues import Clue, only_if, over, whole_db
from sigbench.causes.idle import HUM_DB, follows_volume
from sigbench.causes.note import BOTH
from sigbench.causes.output import Output, whether_there

MOSTLY_2X_DB = (6.0, 1.5)  # 2x over 1x: one open diode leaves 2x some 6 dB below
MOSTLY_1X_DB = (16.0, 1.5)
DROWNED_DB = (-20.0, 2.5)  # hum re a loud note: millivolts on a closed ground do not come so far
HUM_UNLIKE_DB = (14.0, 2.0)  # between channels or outputs

_Place = tuple[Output, int]


def hum_clues(outputs: Sequence[Output]) -> list[Clue]:
    """How strong the hum is, at which line of the mains, and where."""
    places = [
        (o, c)
        for o in outputs
        for c in o.channels
        if c in o.idle.hum_1x or c in o.idle.hum_2x
    ]  # fmt: skip
    if not places:
        return []
    most = max(places, key=_strength)
    there = most[0].from_the_unit(over(_strength(most), HUM_DB), _strength(most))
    return [
        *_at_each_line(places),
        *_mostly(most, there),
        *_drowns(most, there),
        *_on_every_output(places, most, there),
        *_in_one_channel(most, there),
        *_follows(places, there),
    ]


def _strength(place: _Place) -> float:
    """The stronger line, in dB re the note."""
    o, c = place
    return o.idle.hum(c) - o.note_dbfs


def _at_each_line(places: Sequence[_Place]) -> Iterator[Clue]:
    for name, lines in (
        ("hum 1x", [o.idle.hum_1x for o, _ in places]),
        ("hum 2x", [o.idle.hum_2x for o, _ in places]),
    ):
        levels = [
            (line[c] - o.note_dbfs, o, c)
            for (o, c), line in zip(places, lines, strict=True)
            if c in line
        ]
        if levels:
            yield whether_there(name, *max(levels, key=lambda entry: entry[0]), HUM_DB)


def _mostly(most: _Place, there: float | None) -> Iterator[Clue]:
    """Which of the two lines is the stronger one, where there is most of them."""
    o, c = most
    if c in o.idle.hum_1x and c in o.idle.hum_2x:
        excess = o.idle.hum_2x[c] - o.idle.hum_1x[c]
        side = "above" if excess > 0 else "below"
        said = f"2x {abs(excess):.0f} dB {side} 1x on {o.place(c)}"
        yield Clue("hum mostly 2x", only_if(over(excess, MOSTLY_2X_DB), there), said)
        yield Clue("hum mostly 1x", only_if(over(-excess, MOSTLY_1X_DB), there), said)


def _drowns(most: _Place, there: float | None) -> Iterator[Clue]:
    top = _strength(most)
    if there is not None and there > 0.5 and most[0].sounds:
        yield Clue("hum drowns the note", over(top, DROWNED_DB), f"{whole_db(top)} re the note")


def _on_every_output(places: Sequence[_Place], most: _Place, there: float | None) -> Iterator[Clue]:
    strongest: dict[str, float] = {}
    for o, c in places:
        strongest[o.jack(c)] = max(strongest.get(o.jack(c), -math.inf), _strength((o, c)))
    if len(strongest) > 1:
        top, quietest = _strength(most), min(strongest.values())
        said = f"from {whole_db(quietest)} to {whole_db(top)} re the note"
        alike = max(over(quietest, HUM_DB), 1 - over(top - quietest, HUM_UNLIKE_DB))
        yield Clue("hum on every output", only_if(alike, there), said)


def _in_one_channel(most: _Place, there: float | None) -> Iterator[Clue]:
    o, _ = most
    if set(o.channels) >= BOTH:
        apart = abs(_strength((o, 1)) - _strength((o, 2)))
        said = f"{apart:.0f} dB between the channels of {o.name}"
        yield Clue("hum in one channel", only_if(over(apart, HUM_UNLIKE_DB), there), said)


def _follows(places: Sequence[_Place], there: float | None) -> Iterator[Clue]:
    """Whether hum falls with the volume anywhere: an output before the control tells nothing."""
    falls = [
        (o.idle.hum(c) - o.idle.hum_down[c], o.place(c))
        for o, c in places
        if c in o.idle.hum_down and over(_strength((o, c)), HUM_DB) > 0.5
    ]
    if falls:
        fall, place = max(falls)
        yield follows_volume("hum follows volume", fall, there, place)
