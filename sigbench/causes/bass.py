"""Bass: what a low note has lost on one channel, and a middle one has not."""

import math
from collections.abc import Mapping

from sigbench.causes.clues import Clue, only_if, over
from sigbench.causes.note import DISTORTION_UNLIKE_DB, Note, left_over_right, shrunk

BASS_DB = (1.0, 0.2)  # what a low note has lost against the other channel
WHOLE_SHARE = 0.25  # of that, at least so much is lost of the whole sound too
PRESSED_DB = -34.0  # a third harmonic of 2 % comes with half a dB less of the note (cubic law)
MATCHED_DB = 1.0  # two good channels are no farther apart than that, as a rule


def at_one_output(bass: Mapping[str, tuple[int, float]]) -> Clue:
    """Whether another output has kept the bass that a channel of one has lost."""
    first, (weak, sure) = max(bass.items(), key=lambda entry: entry[1][1])
    others = [
        share if side == weak else 0.0 for name, (side, share) in bass.items() if name != first
    ]
    alone = 1 - min(others)
    said = f"channel {weak} of {first}" if alone > 0.5 else f"channel {weak} of every output"
    return Clue("thin at one output", only_if(alone, sure), said)


def bass_lost(low: Note | None, middle: Note) -> tuple[int, float, float] | None:
    """Which channel has lost bass, by how many dB, and by how many for sure.

    None where nobody can tell: a channel that is pressed together, or a stereo sound whose partials
    are stronger here and there, looks the same in the difference of the two notes alone.
    """
    if low is None or not {1, 2} <= set(low.level) & set(middle.level):
        return None
    lost = left_over_right(low) - left_over_right(middle)
    squares = [n.uncertainty.get(c, 0.0) ** 2 for n in (low, middle) for c in (1, 2)]
    sure = abs(shrunk(lost, 2 * math.sqrt(sum(squares))))
    weak = 1 if lost < 0 else 2
    # A high-pass takes more of the fundamental than of its harmonics, by what it takes at most.
    if _distorts_unlike(middle) or _distorts_unlike(low, weak, abs(lost)):
        return None
    if over(sure, BASS_DB) > 0.5 and not (
        _is_thin(weak, low, middle, abs(lost)) and _harmonics_stay(weak, low, abs(lost))
    ):
        return None
    return weak, abs(lost), sure


def _is_thin(weak: int, low: Note, middle: Note, lost: float) -> bool:
    """Whether the channel is the weaker one on the low note, and not the stronger on the other."""
    strong = 3 - weak
    if not {1, 2} <= set(low.whole):
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
    if not {1, 2} <= set(low.thd) or min(low.thd.values()) < PRESSED_DB:
        return True  # a plain note does not tell
    corner = 10 ** (lost / 10) - 1  # (fc/f)^2
    gained = lost - 10 * math.log10(1 + corner / 4)
    return low.thd[weak] - low.thd[3 - weak] > gained / 2


def _distorts_unlike(note: Note, channel: int = 1, allowed: float = 0.0) -> bool:
    """Whether one channel distorts far more than the other; `channel` is allowed some dB more."""
    if not {1, 2} <= set(note.thd):
        return False
    ahead = note.thd[channel] - note.thd[3 - channel]
    apart = max(ahead - allowed, -ahead)
    return max(note.thd.values()) > PRESSED_DB and apart > DISTORTION_UNLIKE_DB[0]
