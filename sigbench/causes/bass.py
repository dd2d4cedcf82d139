"""Bass: what a low note has lost on one channel, and a middle one has not."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import permutations

from sigbench.causes.clues import Clue, only_if, over
from sigbench.causes.likeness import lost_behind
from sigbench.causes.note import (
    BOTH,
    DISTORTION_DB,
    DISTORTION_UNLIKE_DB,
    Note,
    agreed,
    left_over_right,
    shrunk,
)
from sigbench.causes.output import DEAD_DB, Output, balanced, loudest_note
from sigbench.causes.pairing import PLAYED_AGAIN_DB

BASS_DB = (1.0, 0.2)  # what a low note has lost against the other channel
WHOLE_SHARE = 0.25  # of that, at least so much is lost of the whole sound too
PRESSED_DB = -34.0  # a third harmonic of 2 % comes with half a dB less of the note (cubic law)
KEPT = 0.97  # that the output has kept its bass which another one has lost it against
MATCHED_DB = 1.0  # two good channels are no farther apart than that, as a rule


@dataclass(frozen=True, slots=True)
class _Lost:
    """Bass that one channel has lost against the other."""

    channel: int
    decibels: float
    sure: float
    """As much for certain."""

    @property
    def counts(self) -> float:
        """Probability that it is more than two good channels differ."""
        return over(self.sure, BASS_DB)


def bass_clues(outputs: Sequence[Output], *, stereo: bool) -> list[Clue]:
    """Whether a channel is thin, and at which outputs.

    Of a `stereo` sound the two channels do not tell, but two outputs do; and of any sound where
    both channels of one output are thin.
    """
    across = max(_across(outputs), key=lambda entry: entry[1].sure, default=None)
    own = _by_channels(outputs, stereo=stereo)
    least = max((0.5, *(c.holds or 0.0 for c in own)))
    if across is None or across[1].counts < least:
        return own
    o, lost, other = across
    place = f"{o.place(lost.channel)}, held against {other.name}"
    said = f"the low note has lost {lost.decibels:.1f} dB on {place}"
    return [
        Clue("thin channel", lost.counts, said),
        Clue("thin at one output", KEPT, f"{other.name} has kept it"),
    ]


def _by_channels(outputs: Sequence[Output], *, stereo: bool) -> list[Clue]:
    """The two channels of each output held against each other."""
    low = [(o, o.low, o.loud) for _, o in balanced(outputs) if o.low is not None and o.loud]
    thin = [
        (o, lost)
        for o, note, middle in low
        if not stereo and (lost := _lost(note, middle)) is not None
    ]
    if not thin:
        return [Clue("thin channel", None, "the two notes do not tell")] if low else []
    o, lost = max(thin, key=lambda entry: entry[1].counts)
    said = f"the low note has lost {lost.decibels:.1f} dB on {o.place(lost.channel)}"
    clues = [Clue("thin channel", lost.counts, said)]
    if len(thin) > 1:
        others = [x.counts if x.channel == lost.channel else 0.0 for _, x in thin if x is not lost]
        alone = 1 - min(others)
        where = o.name if alone > 0.5 else "every output"
        said = f"channel {lost.channel} of {where}"
        clues.append(Clue("thin at one output", only_if(alone, lost.counts), said))
    return clues


def _across(outputs: Sequence[Output]) -> Iterator[tuple[Output, _Lost, Output]]:
    """What a low note has lost at one output against another one, and which.

    Of outputs with one channel and two, as main in mono and phones, what both channels have lost:
    a low note that lies to one side is weaker on the other.
    """
    least = loudest_note(outputs) - DEAD_DB[0]
    played = [o for o in outputs if o.low and o.loud and o.loud.strongest > least]
    for a, b in permutations(played, 2):
        unlike = set(a.channels) != set(b.channels)
        pairs = [(c, k) for c in a.channels for k in b.channels if unlike or c == k]
        found = [lost for c, k in pairs if (lost := _lost_against(a, b, (c, k))) is not None]
        if not unlike:
            yield from ((a, lost, b) for lost in found)
        elif len(found) == len(pairs) > 0:
            yield a, min(found, key=lambda lost: lost.sure), b


def _lost_against(a: Output, b: Output, channels: tuple[int, int]) -> _Lost | None:
    """What one channel has lost of a low note against one of another output; None if untold."""
    c, k = channels
    assert a.low is not None
    assert b.low is not None
    assert a.loud is not None
    assert b.loud is not None
    notes = [(a.low, c), (a.loud, c), (b.low, k), (b.loud, k)]
    if any(x not in n.level or x not in n.whole for n, x in notes):
        return None
    if all(n.thd.get(x, -math.inf) < DISTORTION_DB[0] for n, x in notes):
        low_a, loud_a, low_b, loud_b = (n.level[x] for n, x in notes)
        whole = (b.low.whole[k] - b.loud.whole[k]) - (a.low.whole[c] - a.loud.whole[c])
        lost = agreed((low_b - loud_b) - (low_a - loud_a), whole)
        return _Lost(c, max(lost, 0.0), max(shrunk(lost, PLAYED_AGAIN_DB), 0.0))
    lost = lost_behind(a, b, a.low, b.low, channels)
    return _Lost(c, lost, lost)


def _lost(low: Note, middle: Note) -> _Lost | None:
    """What a channel has lost of a low note.

    None where nobody can tell: a channel that is pressed together, or a stereo sound whose partials
    are stronger here and there, looks the same in the difference of the two notes alone.
    """
    if not low.level.keys() & middle.level.keys() >= BOTH:
        return None
    lost = left_over_right(low) - left_over_right(middle)
    squares = [n.uncertainty.get(c, 0.0) ** 2 for n in (low, middle) for c in (1, 2)]
    weak = 1 if lost < 0 else 2
    found = _Lost(weak, abs(lost), abs(shrunk(lost, 2 * math.sqrt(sum(squares)))))
    # A high-pass takes more of the fundamental than of its harmonics, by what it takes at most.
    if _distorts_unlike(middle) or _distorts_unlike(low, weak, abs(lost)):
        return None
    if found.counts > 0.5 and not (
        _is_thin(weak, low, middle, abs(lost)) and _harmonics_stay(weak, low, abs(lost))
    ):
        return None
    return found


def _is_thin(weak: int, low: Note, middle: Note, lost: float) -> bool:
    """Whether the channel is the weaker one on the low note, and not the stronger on the other."""
    strong = 3 - weak
    if not low.whole.keys() >= BOTH:
        return False
    fundamental = low.level[strong] - low.level[weak]
    whole = low.whole[strong] - low.whole[weak]
    ahead = middle.level[weak] - middle.level[strong]
    return min(fundamental, whole) > WHOLE_SHARE * lost and ahead < MATCHED_DB


def _harmonics_stay(weak: int, low: Note, lost: float) -> bool:
    """Whether a rich note has kept its harmonics: a high-pass takes less of them.

    Of the second harmonic a section of the first order takes L2 where it takes `lost` of the
    fundamental, and less of the others (textbook): the sum has to gain lost - L2 on it. An
    instrument that places its low notes to one side, as electric pianos do, takes from all alike.
    """
    if not low.thd.keys() >= BOTH or min(low.thd.values()) < PRESSED_DB:
        return True  # a plain note does not tell
    corner = 10 ** (lost / 10) - 1  # (fc/f)^2
    gained = lost - 10 * math.log10(1 + corner / 4)
    return low.thd[weak] - low.thd[3 - weak] > gained / 2


def _distorts_unlike(note: Note, channel: int = 1, allowed: float = 0.0) -> bool:
    """Whether one channel distorts far more than the other; `channel` is allowed some dB more."""
    if not note.thd.keys() >= BOTH:
        return False
    ahead = note.thd[channel] - note.thd[3 - channel]
    apart = max(ahead - allowed, -ahead)
    return max(note.thd.values()) > PRESSED_DB and apart > DISTORTION_UNLIKE_DB[0]
