"""Level: channels and outputs that are weaker than others, or dead, loud and quiet."""

import math
from collections.abc import Sequence
from itertools import combinations

from sigbench.causes.bass import BASS_DB, at_one_output, bass_lost
from sigbench.causes.clues import Clue, only_if, over, signed, whole_db
from sigbench.causes.likeness import WAVE_DB, between
from sigbench.causes.note import Note, left_over_right, shrunk
from sigbench.causes.output import DEAD_DB, Output, loudest_note, place_of

LEVEL_DB = (2.5, 0.4)  # between channels: dual pots are sold matched within 2 to 3 dB
STEREO_LEVEL_DB = (9.0, 1.0)  # between the channels of a sound that is another one left and right
LEVEL_UNLIKE_DB = (1.2, 0.25)  # between the balance of two outputs behind one pot
LEVEL_LAW_DB = (0.7, 0.15)  # what one channel loses more at one level than at another
CONTROL_DB = 2.5  # what a dual control itself may do so, where no other output tells


def level_clues(outputs: Sequence[Output], *, stereo: bool) -> list[Clue]:
    """Which channels and outputs are dead, weak or thin; `stereo`: a sound with its own balance."""
    balances: list[tuple[float, Output]] = []
    dead_channel: list[tuple[float, str]] = []
    dead_output: list[tuple[float, str]] = []
    thin: list[tuple[float, str]] = []
    bass: dict[str, tuple[int, float]] = {}  # by output: the thin channel, and how sure that is
    undecided = False
    played = [o for o in outputs if o.loud is not None]
    loudest = loudest_note(outputs)
    for o in played:
        note = o.loud
        assert note is not None
        if note.strongest < loudest - DEAD_DB[0]:
            if all(level < loudest - DEAD_DB[0] for level in note.whole.values()):
                dead_output.append((0.999, f"no note on {o.name}"))
            continue  # something else is to be heard there: it may be no note at all
        dead_output.append((0.001, f"a note on {o.name}"))
        for c in o.channels:
            # Without a note the channel is as strong as all that is there.
            fall = note.strongest - note.level.get(c, note.whole.get(c, -math.inf))
            said = (
                f"{whole_db(-fall)} re the other"
                if c in note.level
                else f"no note on {place_of(o, c)}"
            )
            if c in note.level or fall > DEAD_DB[0]:
                dead_channel.append((over(fall, DEAD_DB), said))
        if note.balance is not None and abs(note.balance) < DEAD_DB[0]:
            balances.append((note.balance, o))
            lost = None if stereo else bass_lost(o.low, note)
            undecided = undecided or (o.low is not None and lost is None)
            if lost is not None:
                weak, decibels, sure = lost
                said = f"the low note has lost {decibels:.1f} dB on {place_of(o, weak)}"
                thin.append((over(sure, BASS_DB), said))
                bass[o.name] = weak, thin[-1][0]
    clues = _weak_of_two_sounds(balances) if stereo else _weak(balances)
    clues += _level_law(balances, stereo=stereo)
    dead = max((chance for chance, _ in dead_channel), default=0.0)
    if dead > 0.5 and len(played) > 1:
        said = "another output has both channels" if balances else "no output has both channels"
        clues.append(Clue("weak at one output", 0.99 if balances else 0.01, said))
    for name, found_at in (
        ("dead channel", dead_channel),
        ("dead output", dead_output),
        ("thin channel", thin),
    ):
        if found_at:
            share, said = max(found_at, key=lambda entry: entry[0])
            clues.append(Clue(name, share, said))
    if len(bass) > 1:
        clues.append(at_one_output(bass))
    if undecided and not thin:
        clues.append(Clue("thin channel", None, "the two notes do not tell"))
    return clues


def _weak(balances: Sequence[tuple[float, Output]]) -> list[Clue]:
    """Whether a channel is weaker, and whether it is so at one output only."""
    if not balances:
        return []
    chances = [(over(abs(b), LEVEL_DB), b, o) for b, o in balances]
    if len(balances) > 1:
        middle = sorted(b for b, _ in balances)[(len(balances) - 1) // 2]
        # The output that is out of balance is the one farther from zero.
        chances += [
            (over(abs(b - middle), LEVEL_UNLIKE_DB) if abs(b) > 0.8 else 0.0, b, o)
            for b, o in balances
        ]
    share, b, o = max(chances, key=lambda entry: entry[0])
    said = f"{place_of(o, 1 if b < 0 else 2)} weaker by {abs(b):.1f} dB"
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
    said = f"{place_of(o, 1 if b < 0 else 2)} weaker by {abs(b):.1f} dB"
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
        said = f"{signed(one)} dB left to right on {first.name}, {signed(other)} on {second.name}"
    share = max(far, unlike)
    return [
        Clue("weak channel", share, said),
        Clue("weak at one output", only_if(unlike, share), said),
    ]


def _level_law(balances: Sequence[tuple[float, Output]], *, stereo: bool) -> list[Clue]:
    """Whether a channel that is weak is so at all levels; the control's own error is taken off.

    A sound that is another one left and right may also be so in another way when it is soft.
    """
    laws: list[tuple[float, float, str]] = []  # dB more lost when quiet; doubt; words
    for _, o in balances:
        if o.loud is None or o.quiet is None or not {1, 2} <= set(o.loud.level):
            continue
        bound = not {1, 2} <= set(o.quiet.level)
        if bound and not _one_is_silent(o.quiet):
            continue
        others = [
            (x.loud, x.quiet)
            for _, x in balances
            if x is not o
            and x.loud
            and x.quiet
            and {1, 2} <= set(x.loud.level) & set(x.quiet.level)
        ]
        loud, quiet = left_over_right(o.loud), left_over_right(o.quiet)
        own = max(abs(loud), abs(quiet))
        if any(own < max(abs(left_over_right(n)) for n in pair) for pair in others):
            continue  # the other output is the one that is out of balance
        if stereo and not others:
            continue
        doubt = CONTROL_DB
        if others:
            middle = sorted(others, key=lambda pair: left_over_right(pair[0]))[len(others) // 2]
            # A stage that all outputs share bends the law of each: by more than a control does.
            if stereo or abs(quiet) - abs(loud) < CONTROL_DB + LEVEL_LAW_DB[0]:
                loud, quiet = (
                    a - left_over_right(b) for a, b in zip((loud, quiet), middle, strict=True)
                )
                doubt = 0.0
        at_least = "at least " if bound else ""
        said = f"{abs(loud):.1f} dB loud, {at_least}{abs(quiet):.1f} dB quiet on {o.name}"
        more = abs(quiet) - abs(loud)
        if not bound or more > doubt + LEVEL_LAW_DB[0]:
            laws.append((more, doubt, said))
    if not laws:
        return []
    quieter = max(laws, key=lambda law: shrunk(law[0], law[1]))
    louder = min(laws, key=lambda law: shrunk(law[0], law[1]))
    return [
        Clue("weaker when quiet", _law(quieter[0], quieter[1]), quieter[2]),
        Clue("weaker when loud", _law(-louder[0], louder[1]), louder[2]),
    ]


def _law(more: float, doubt: float) -> float | None:
    """Whether a channel loses more at one level; None where the control itself may do that much."""
    if LEVEL_LAW_DB[0] < more < LEVEL_LAW_DB[0] + doubt:
        return None
    return over(shrunk(more, doubt), LEVEL_LAW_DB)


def _one_is_silent(note: Note) -> bool:
    """Whether one channel has a note, and the other, which has none, is weaker as a whole."""
    (known,) = set(note.level) or (0,)
    other = 3 - known
    return note.whole.get(other, math.inf) < note.level.get(known, -math.inf)
