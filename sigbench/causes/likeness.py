"""Likeness: whether a note has one wave left and right, loud and quiet, and at every output."""

import math
from collections.abc import Sequence
from itertools import combinations

from sigbench.causes.note import BOTH, DISTORTION_DB, RICH_DB, Note
from sigbench.causes.output import Output
from sigbench.causes.shape import apart, bass_lost, flatness

WAVE_DB = (-26.0, 1.5)  # what two outputs have not in common of one note, re its fundamental
LEAN_DB = 4.0  # sounds of their own may be as lopsided
STEADY_DB = -29.0  # takes of one note that are no farther apart come out alike each time
SAME_WAVE = (-math.inf, -math.inf)


def is_stereo(outputs: Sequence[Output]) -> bool:
    """Whether the sound itself is another one left and right, as that of a sampled piano.

    At every output the two channels have unlike waves, both have harmonics of their own, and one
    output has them alike loud and quiet, which hardly any fault does. Of one output alone a channel
    that has lost half of its wave looks the same, and without a quiet note one that is driven too
    hard: the sound has to be rich then.
    """
    pairs = [(o, o.loud) for o in outputs if o.loud is not None and o.loud.wave.keys() >= BOTH]
    steady = any(_steady(o, 1) and _steady(o, 2) for o, _ in pairs)
    if not pairs or (not steady and any(o.quiet is not None for o, _ in pairs)):
        return False
    own = DISTORTION_DB[0] if steady and len(pairs) > 1 else RICH_DB
    for o, note in pairs:
        again = max(_again(o, 1), _again(o, 2))
        sure, _ = apart(note.wave[1], note.wave[2], again=again)
        if _decibels(sure) < WAVE_DB[0] or min(note.thd.values(), default=-math.inf) < own:
            return False
    return True


def other_waves(outputs: Sequence[Output]) -> dict[tuple[str, int], tuple[float, float]]:
    """Channels whose note has another wave than at another output: by how many dB, loud and quiet.

    Nothing is told of a sound that comes out otherwise each time it is played: at one of the
    outputs the loud note and the quiet one must be alike. If they are at one only, the other one
    distorts; else the far more lopsided one, or the one with the flatter ends: what a stage does
    that stops.
    """
    found: dict[tuple[str, int], tuple[float, float]] = {}
    played = [(o, o.loud) for o in outputs if o.loud is not None]
    for (a, in_a), (b, in_b) in combinations(played, 2):
        unlike = {
            c: by
            for c in sorted(set(a.channels) & set(b.channels))
            if (by := between(a, b, c)) != SAME_WAVE and (_steady(a, c) or _steady(b, c))
        }
        both = [c for c in unlike if max(unlike[c]) > WAVE_DB[0] and _steady(a, c) == _steady(b, c)]
        cut = a if _cut(in_a, both) >= _cut(in_b, both) else b
        for c, by in unlike.items():
            suspect = next((o for o in (a, b) if not _steady(o, c)), cut)
            key = suspect.name, c
            found[key] = max(found.get(key, SAME_WAVE), by, key=max)
    return found


def _cut(note: Note, channels: Sequence[int]) -> tuple[int, float, float]:
    """How lopsided the waves are, how flat their ends and how rich, of the channel with most.

    The first in steps of `LEAN_DB`, the second to a tenth.
    """
    leans = (abs(note.asymmetry.get(c, 0.0)) for c in channels)
    ends = (flatness(note.wave[c]) for c in channels)
    thds = (note.thd.get(c, -math.inf) for c in channels)
    return (
        round(max(leans, default=0.0) / LEAN_DB),
        round(max(ends, default=0.0), 1),
        max(thds, default=-math.inf),
    )


def between(a: Output, b: Output, channel: int) -> tuple[float, float]:
    """What a channel has not in common at two outputs, in dB, loud and quiet."""
    again = max(_again(o, channel) for o in (a, b))
    return (
        _unlike_db(a.loud, b.loud, channel, again),
        _unlike_db(a.quiet, b.quiet, channel, again),
    )


def lost_behind(a: Output, b: Output, low: Note, other: Note, channels: tuple[int, int]) -> float:
    """What a low note has lost in dB at one output, if it is that of the other behind a high-pass.

    By its harmonics, of which a high-pass takes less; zero where it is another sound, or where it
    is not: the middle note has not lost as much.
    """
    c, k = channels
    again = max(_again(a, c), _again(b, k))

    def lost(one: Note | None, beside: Note | None) -> tuple[float, float]:
        if one is None or beside is None or c not in one.wave or k not in beside.wave:
            return 0.0, math.inf
        return bass_lost(one.wave[c], beside.wave[k], again=again)

    (of_low, left), (of_middle, _) = lost(low, other), lost(a.loud, b.loud)
    return of_low if _decibels(left) < WAVE_DB[0] and of_middle < of_low / 2 else 0.0


def _steady(o: Output, channel: int) -> bool:
    """Whether a note came out alike, loud and quiet."""
    return -math.inf < _unlike_db(o.loud, o.quiet, channel) < STEADY_DB


def _again(o: Output, channel: int) -> float:
    """How far two takes of a note are apart, re its fundamental; infinite if they are not alike."""
    if not _steady(o, channel):
        return math.inf
    return float(10 ** (_unlike_db(o.loud, o.quiet, channel) / 20))


def _unlike_db(
    one: Note | None, other: Note | None, channel: int, again: float = math.inf
) -> float:
    """What two notes have not in common, in dB; minus infinity where nobody can tell."""
    if one is None or other is None or channel not in one.wave.keys() & other.wave.keys():
        return -math.inf
    sure, seen = (
        _decibels(part) for part in apart(one.wave[channel], other.wave[channel], again=again)
    )
    # What is seen may be noise: between the two nobody can tell.
    return sure if sure > WAVE_DB[0] else seen if seen < WAVE_DB[0] else -math.inf


def _decibels(part: float) -> float:
    return 20 * math.log10(max(part, 1e-9))
