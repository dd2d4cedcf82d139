"""Silence: channels and outputs that are dead, where others play."""

import math
from collections.abc import Iterator, Sequence

from sigbench.causes.clues import Clue, over, whole_db
from sigbench.causes.note import Note
from sigbench.causes.output import DEAD_DB, Output, balanced, loudest_note

RIPPLE_LEFT_DB = (10.0, 2.0)  # of a dead channel over the one that plays


def silence_clues(outputs: Sequence[Output]) -> list[Clue]:
    """Whether a channel or an output is dead, and whether another output has both channels."""
    played = [(o, o.loud) for o in outputs if o.loud is not None]
    dead_dbfs = loudest_note(outputs) - DEAD_DB[0]
    found: dict[str, list[tuple[float, str]]] = {"dead channel": [], "dead output": []}
    plays = any(note.strongest >= dead_dbfs for _, note in played)
    for o, note in played:
        if note.strongest >= dead_dbfs:
            found["dead output"].append((0.001, f"a note on {o.name}"))
            found["dead channel"] += _dead_channels(o, note)
        elif _is_silent(note, dead_dbfs):
            # An output with one channel has lost that one, if the unit plays elsewhere.
            kind = "dead channel" if plays and o.channels == (1,) else "dead output"
            found[kind].append((0.999, f"no note on {o.name}"))
    worst = {name: max(these, key=lambda entry: entry[0]) for name, these in found.items() if these}
    clues = [Clue(name, share, said) for name, (share, said) in worst.items()]
    if len(played) > 1 and worst.get("dead channel", (0.0, ""))[0] > 0.5:
        other = bool(balanced(outputs))
        said = "another output has both channels" if other else "no output has both channels"
        clues.append(Clue("weak at one output", 0.99 if other else 0.01, said))
    return [*clues, *_ripple_left(played, dead_dbfs)]


def _is_silent(note: Note, dead_dbfs: float) -> bool:
    """Whether nothing is to be heard; else it may be something that is no note."""
    return all(level < dead_dbfs for level in note.whole.values())


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


def _ripple_left(played: Sequence[tuple[Output, Note]], dead_dbfs: float) -> Iterator[Clue]:
    """Whether what is left of a dead channel is ripple, which one that plays has not.

    All go through one interface and one cable: where they differ it is the unit, however soft.
    """
    alive = [
        o.idle.hum_2x[c]
        for o, note in played
        for c in o.channels
        if note.level.get(c, -math.inf) >= dead_dbfs and c in o.idle.hum_2x
    ]
    dead = [
        (o.idle.hum_2x[c], o.place(c))
        for o, note in played
        for c in o.channels
        if note.level.get(c, note.whole.get(c, math.inf)) < dead_dbfs and c in o.idle.hum_2x
    ]
    if alive and dead:
        left, place = max(dead)
        more = left - max(alive)
        said = f"{whole_db(more)} at twice the mains frequency on {place}"
        holds = over(more, RIPPLE_LEFT_DB)
        # That there is none tells nothing: a good regulator leaves none.
        yield Clue("ripple left", holds if holds > 0.5 else None, said)
