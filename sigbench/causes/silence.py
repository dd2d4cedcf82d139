"""Silence: channels and outputs that are dead, where others play."""

import math
from collections.abc import Iterator, Sequence

from sigbench.causes.clues import Clue, only_if, over, whole_db
from sigbench.causes.note import BOTH, Note
from sigbench.causes.output import DEAD_DB, Output, balanced, loudest_note

RIPPLE_LEFT_DB = (10.0, 2.0)  # of a dead channel over the one that plays


def silence_clues(outputs: Sequence[Output]) -> list[Clue]:
    """Whether a channel or an output is dead, and whether another output has both channels."""
    played = [(o, o.loud) for o in outputs if o.loud is not None]
    dead_dbfs = loudest_note(outputs) - DEAD_DB[0]
    found: dict[str, list[tuple[float, str]]] = {"dead channel": [], "dead output": []}
    for o, note in played:
        if note.strongest >= dead_dbfs:
            found["dead output"].append((0.001, f"a note on {o.name}"))
            found["dead channel"] += _dead_channels(o, note)
        elif all(level < dead_dbfs for level in note.whole.values()):
            # Else something else is to be heard there: it may be no note at all.
            found["dead output"].append((0.999, f"no note on {o.name}"))
    worst = {name: max(these, key=lambda entry: entry[0]) for name, these in found.items() if these}
    clues = [Clue(name, share, said) for name, (share, said) in worst.items()]
    if len(played) > 1 and worst.get("dead channel", (0.0, ""))[0] > 0.5:
        other = bool(balanced(outputs))
        said = "another output has both channels" if other else "no output has both channels"
        clues.append(Clue("weak at one output", 0.99 if other else 0.01, said))
    return [*clues, *_ripple_left(played)]


def _dead_channels(o: Output, note: Note) -> Iterator[tuple[float, str]]:
    """How surely each channel is dead beside the strongest one."""
    for c in o.channels:
        if c in note.level:
            fall = note.strongest - note.level[c]
            yield over(fall, DEAD_DB), f"{whole_db(-fall)} re the other"
        else:
            # Without a note the channel is as strong as all that is there.
            fall = note.strongest - note.whole.get(c, -math.inf)
            if fall > DEAD_DB[0]:
                yield over(fall, DEAD_DB), f"no note on {o.place(c)}"


def _ripple_left(played: Sequence[tuple[Output, Note]]) -> Iterator[Clue]:
    """Whether what is left of a dead channel is ripple, which its neighbour has not.

    Both go through one interface and one cable: where they differ it is the unit, however soft.
    """
    for o, note in played:
        for c in (1, 2):
            fall = note.level.get(3 - c, -math.inf) - note.level.get(c, note.whole.get(c, math.inf))
            lines = o.idle.hum_2x
            if fall > DEAD_DB[0] and lines.keys() >= BOTH:
                more = lines[c] - lines[3 - c]
                said = f"{whole_db(more)} at twice the mains frequency on {o.place(c)}"
                dead = over(fall, DEAD_DB)
                yield Clue("ripple left", only_if(over(more, RIPPLE_LEFT_DB), dead), said)
