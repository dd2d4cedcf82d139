"""Two jacks with one channel each that are the left and the right one of a pair."""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import fields
from typing import TypeVar

from sigbench.causes.idle import Idle
from sigbench.causes.note import SAME_PITCH, Note, agreed, shrunk
from sigbench.causes.output import Output

PLAYED_AGAIN_DB = 3.0  # between two takes of one note, by hand

_SIDE = re.compile(r"[\s_-]*(\d+|l|r|left|right)$", re.IGNORECASE)
_Value = TypeVar("_Value")


def paired(outputs: Sequence[Output]) -> list[Output]:
    """The outputs, with two of one channel each that have one name but for its end as one pair.

    ``out 1`` and ``out 2``, or ``main L`` and ``main R``: each has an amplifier of its own, as the
    two channels of a stereo output have. They are held against each other where they play one note.
    """
    kinds: dict[str, list[Output]] = {}
    for o in outputs:
        if o.channels == (1,) and _SIDE.search(o.name):
            kinds.setdefault(_SIDE.sub("", o.name).lower(), []).append(o)
    pairs = [kind for kind in kinds.values() if len(kind) == 2 and _same_note(*kind)]
    single = {o.name for pair in pairs for o in pair}
    return [*(o for o in outputs if o.name not in single), *(_pair(*kind) for kind in pairs)]


def _same_note(one: Output, other: Output) -> bool:
    if one.loud is None or other.loud is None or not one.loud.pitch:
        return False
    return abs(other.loud.pitch / one.loud.pitch - 1) < SAME_PITCH


def _pair(one: Output, other: Output) -> Output:
    """Two outputs with one channel each as the two channels of one."""
    loud = _note(one.loud, other.loud)
    quiet = _note(one.quiet, other.quiet)
    low = _note(one.low, other.low)
    return Output(
        name=f"{one.name} and {other.name}",
        channels=(1, 2),
        notes=tuple(n for n in (loud, quiet, low) if n is not None),
        loud=loud,
        quiet=quiet,
        low=low,
        idle=Idle(
            **{f.name: _both(getattr(one.idle, f.name), getattr(other.idle, f.name))
               for f in fields(Idle)}
        ),
        note_dbfs=max(one.note_dbfs, other.note_dbfs),
        rig_dbfs=max(one.rig_dbfs, other.rig_dbfs),
        jacks=(one.name, other.name),
    )  # fmt: skip


def _note(a: Note | None, b: Note | None) -> Note | None:
    if a is None or b is None:
        return None
    level, whole = _both(a.level, b.level), _both(a.whole, b.whole)
    balance = None
    if len(level) == len(whole) == 2:
        balance = shrunk(agreed(level[1] - level[2], whole[1] - whole[2]), PLAYED_AGAIN_DB)
    return Note(
        pitch=max(a.pitch, b.pitch),
        level=level,
        uncertainty={
            # Each is a take of its own: the sum of four of them counts.
            c: math.hypot(u, PLAYED_AGAIN_DB / 4)
            for c, u in _both(a.uncertainty, b.uncertainty).items()
        },
        whole=whole,
        thd=_both(a.thd, b.thd),
        wave=_both(a.wave, b.wave),
        asymmetry=_both(a.asymmetry, b.asymmetry),
        balance=balance,
    )


def _both(a: Mapping[int, _Value], b: Mapping[int, _Value]) -> dict[int, _Value]:
    return {side: m[1] for side, m in ((1, a), (2, b)) if 1 in m}
