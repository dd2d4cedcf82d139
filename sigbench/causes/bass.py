"""Bass: what a low note has lost on one channel, and a middle one has not."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sigbench.causes.clues import Clue, only_if, over
from sigbench.causes.note import BOTH, DISTORTION_UNLIKE_DB, Note, left_over_right, shrunk
from sigbench.causes.output import Output, balanced

BASS_DB = (1.0, 0.2)  # what a low note has lost against the other channel
WHOLE_SHARE = 0.25  # of that, at least so much is lost of the whole sound too
PRESSED_DB = -34.0  # a third harmonic of 2 % comes with half a dB less of the note (cubic law)
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
    """Whether a channel is thin, and at which outputs; of a `stereo` sound nobody can tell."""
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
