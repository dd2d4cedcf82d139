"""Level: channels and outputs that are weaker than others, loud and quiet."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from sigbench.causes.clues import Clue, only_if, over
from sigbench.causes.likeness import WAVE_DB, between
from sigbench.causes.note import BOTH, Note, agreed, left_over_right, shrunk
from sigbench.causes.output import Output, balanced
from sigbench.units import true_minus

LEVEL_DB = (2.5, 0.4)  # between channels: dual pots are sold matched within 2 to 3 dB
TOP_LEVEL_DB = (1.8, 0.15)  # the same with the control fully up: resistors of 5 % in two stages
STEREO_LEVEL_DB = (9.0, 1.0)  # between the channels of a sound that is another one left and right
LEVEL_UNLIKE_DB = (1.2, 0.25)  # between the balance of two outputs behind one pot
LEVEL_LAW_DB = (0.7, 0.15)  # what one channel loses more at one level than at another
CONTROL_DB = 2.5  # what a dual control itself may do so, where no other output tells


def level_clues(
    outputs: Sequence[Output], *, stereo: bool, at_top: Mapping[str, float]
) -> list[Clue]:
    """Whether a channel is weaker, at which outputs and levels.

    A `stereo` sound, which is another one left and right, has a balance of its own. `at_top` is the
    balance of an output with the control fully up.
    """
    balances = balanced(outputs)
    weak = _weak_of_two_sounds(balances) if stereo else _weak(balances, at_top)
    clues = [*weak, *_level_law(balances, stereo=stereo)]
    told = any((clue.holds or 0.0) > 0.5 for clue in clues)
    if not told and any(o.channels == (1,) and o.loud is not None for o in outputs):
        # An output with one channel may be weak, and no other one tells.
        return [replace(clue, holds=None) for clue in clues]
    return clues


def _weak(balances: Sequence[tuple[float, Output]], at_top: Mapping[str, float]) -> list[Clue]:
    """Whether a channel is weaker, and whether it is so at one output only."""
    if not balances:
        return []
    chances = [(over(abs(b), LEVEL_DB), b, o) for b, o in balances]
    tops = [(agreed(b, at_top[o.name]), b, o) for b, o in balances if o.name in at_top]
    chances += [(over(abs(both), TOP_LEVEL_DB), b, o) for both, b, o in tops]
    if len(balances) > 1:
        middle = sorted(b for b, _ in balances)[(len(balances) - 1) // 2]
        # The output that is out of balance is the one farther from zero.
        chances += [
            (over(abs(b - middle), LEVEL_UNLIKE_DB) if abs(b) > 0.8 else 0.0, b, o)
            for b, o in balances
        ]
    share, b, o = max(chances, key=lambda entry: entry[0])
    said = f"{o.place(1 if b < 0 else 2)} weaker by {abs(b):.1f} dB"
    clues = [Clue("weak channel", share, said)]
    if len(balances) > 1:
        others = [abs(x) for x, other in balances if other.name != o.name]
        said = f"{min(others):.1f} dB at another output"
        straight = 1 - over(min(others), (0.8 * max(abs(b), 1.5), 0.2))
        clues.append(Clue("weak at one output", only_if(straight, share), said))
    return clues


def _weak_of_two_sounds(balances: Sequence[tuple[float, Output]]) -> list[Clue]:
    """The same for a sound that is another one left and right, whose own balance nobody knows.

    Outputs are held against each other where they have the same two waves: what changes a wave
    changes the level of each by as much as it happens to.
    """
    if not balances:
        return []
    b, o = max(balances, key=lambda entry: abs(entry[0]))
    said = f"{o.place(1 if b < 0 else 2)} weaker by {abs(b):.1f} dB"
    far = over(abs(b), STEREO_LEVEL_DB)
    pairs = [
        pair
        for pair in combinations(balances, 2)
        if all(-math.inf < between(pair[0][1], pair[1][1], c)[0] < WAVE_DB[0] for c in (1, 2))
    ]
    if not pairs:
        return [
            Clue("weak channel", far if far > 0.5 else None, f"{said}, as the sound itself may be")
        ]
    (one, first), (other, second) = max(pairs, key=lambda pair: abs(pair[0][0] - pair[1][0]))
    unlike = over(abs(one - other), LEVEL_UNLIKE_DB)
    if unlike > 0.5:
        here, there = (true_minus(f"{balance:+.1f}") for balance in (one, other))
        said = f"{here} dB left to right on {first.name}, {there} on {second.name}"
    share = max(far, unlike)
    return [
        Clue("weak channel", share, said),
        Clue("weak at one output", only_if(unlike, share), said),
    ]


def _level_law(balances: Sequence[tuple[float, Output]], *, stereo: bool) -> list[Clue]:
    """Whether a channel that is weak is so at all levels."""
    outputs = [o for _, o in balances]
    laws = [law for o in outputs if (law := _law_of(o, outputs, stereo=stereo)) is not None]
    if not laws:
        return []
    quieter = max(laws, key=lambda law: shrunk(law.more, law.doubt))
    louder = min(laws, key=lambda law: shrunk(law.more, law.doubt))
    return [
        Clue("weaker when quiet", _bends(quieter.more, quieter.doubt), quieter.said),
        Clue("weaker when loud", _bends(-louder.more, louder.doubt), louder.said),
    ]


@dataclass(frozen=True, slots=True)
class _Law:
    """How a weak channel goes with the level."""

    more: float  # dB, lost when quiet
    doubt: float  # dB, that the control itself may do
    said: str


def _law_of(o: Output, outputs: Sequence[Output], *, stereo: bool) -> _Law | None:
    """The law of one output, if it was played at two levels; the control's own error is taken off.

    A sound that is another one left and right may also be so in another way when it is soft.
    """
    if o.loud is None or o.quiet is None or not o.loud.level.keys() >= BOTH:
        return None
    bound = not o.quiet.level.keys() >= BOTH
    if bound and not _one_is_silent(o.quiet):
        return None
    others = [
        (left_over_right(x.loud), left_over_right(x.quiet))
        for x in outputs
        if x is not o and x.loud and x.quiet and x.loud.level.keys() & x.quiet.level.keys() >= BOTH
    ]
    loud, quiet = left_over_right(o.loud), left_over_right(o.quiet)
    own = max(abs(loud), abs(quiet))
    if any(own < max(map(abs, pair)) for pair in others):
        return None  # the other output is the one that is out of balance
    if stereo and not others:
        return None
    doubt = CONTROL_DB
    # A stage that all outputs share bends the law of each: by more than a control does.
    if others and (stereo or abs(quiet) - abs(loud) < CONTROL_DB + LEVEL_LAW_DB[0]):
        of_control = sorted(others, key=lambda pair: pair[0])[len(others) // 2]
        loud, quiet, doubt = loud - of_control[0], quiet - of_control[1], 0.0
    more = abs(quiet) - abs(loud)
    if bound and more <= doubt + LEVEL_LAW_DB[0]:
        return None
    at_least = "at least " if bound else ""
    said = f"{abs(loud):.1f} dB loud, {at_least}{abs(quiet):.1f} dB quiet on {o.name}"
    return _Law(more, doubt, said)


def _bends(more: float, doubt: float) -> float | None:
    """Whether a channel loses more at one level; None where the control itself may do that much."""
    if LEVEL_LAW_DB[0] < more < LEVEL_LAW_DB[0] + doubt:
        return None
    return over(shrunk(more, doubt), LEVEL_LAW_DB)


def _one_is_silent(note: Note) -> bool:
    """Whether one channel has a note, and the other, which has none, is weaker as a whole."""
    (known,) = set(note.level) or (0,)
    other = 3 - known
    return note.whole.get(other, math.inf) < note.level.get(known, -math.inf)
