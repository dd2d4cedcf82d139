"""Notes: what the tone checks say of each note that was played, by channel."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from sigbench.causes.observation import by_channel, readings_of, told_by_channel
from sigbench.causes.shape import Wave, waves_of
from sigbench.model import Measurement

DISTORTION_DB = (-46.0, 2.0)  # harmonics re the note
DISTORTION_UNLIKE_DB = (10.0, 2.0)  # between two levels, channels or outputs
NOTE_SHARE_DB = 6.0  # a note that is less of a sound than a quarter is not its note
HARMONIC_WIDTH_HZ = 3.0  # a tone that near to a harmonic counts as one on a take of a second
RICH_DB = -25.0  # a sound's own harmonics hide distortion that is no stronger
BOTH = frozenset({1, 2})
"""The two channels of a pair."""
SAME_PITCH = 0.03  # half a semitone
LOW_RATIO = 0.5  # a note this far below another is the low one
QUIET_DB = 12.0  # and one this far below in level is the quiet one


@dataclass(frozen=True, slots=True)
class Note:
    """One note on one output: numbers by channel, of the middle one of its repeats."""

    pitch: float  # Hz, of the strongest channel; 0 without a tone
    level: dict[int, float]  # dBFS, of the fundamental
    uncertainty: dict[int, float]
    whole: dict[int, float]  # dBFS, RMS of all that is there
    thd: dict[int, float]
    wave: dict[int, Wave]
    asymmetry: dict[int, float]
    balance: float | None  # dB, left minus right, as far as it is certain

    @property
    def strongest(self) -> float:
        """Level of the fundamental on the strongest channel, in dBFS."""
        return max(self.level.values(), default=-math.inf)


def without_tones(note: Note, tones: Mapping[int, Sequence[tuple[float, float]]]) -> Note:
    """The note without harmonics on a channel where tones of the idle unit may be most of them.

    A whine has lines where a note has a harmonic, and is stronger beside a quiet note.
    """
    if not note.pitch:
        return note

    def on_harmonics(channel: int) -> float:
        lines = (
            10 ** (db / 10)
            for hz, db in tones.get(channel, ())
            if hz > 1.5 * note.pitch
            and abs(hz - round(hz / note.pitch) * note.pitch) < HARMONIC_WIDTH_HZ
        )
        return 10 * math.log10(sum(lines) or 1e-40) - note.level[channel]

    own = {c for c in note.thd if c in note.level and note.thd[c] - 3 > on_harmonics(c)}
    return replace(
        note,
        thd={c: v for c, v in note.thd.items() if c in own or c not in note.level},
        wave={c: w for c, w in note.wave.items() if c in own or c not in note.thd},
    )


def loud_quiet_low(notes: Sequence[Note]) -> tuple[Note | None, Note | None, Note | None]:
    """The loud note, the same one soft, and the low one, as far as they were played.

    The loud one is compared with both: it is the one above a low one that was played softly too,
    or else as near to that as there is.
    """
    played = [n for n in notes if n.pitch > 0]
    if not played:
        return max(notes, key=lambda n: n.strongest, default=None), None, None
    lowest = min(played, key=lambda n: (round(math.log2(n.pitch), 1), -n.strongest))

    def softer(note: Note) -> list[Note]:
        same = [n for n in played if abs(n.pitch / note.pitch - 1) < SAME_PITCH]
        return [n for n in same if n.strongest < note.strongest - QUIET_DB]

    above = [n for n in played if lowest.pitch < LOW_RATIO * n.pitch]
    twice = [n for n in played if softer(n)]
    both = [n for n in above if softer(n)]
    loud = max(both or above or twice or notes, key=lambda n: (n.strongest, n.pitch))
    quiet = min(softer(loud), key=lambda n: n.strongest, default=None) if loud.pitch else None
    return loud, quiet, lowest if loud in above else None


def notes_of(tones: Sequence[Measurement]) -> Iterable[Note]:
    """Each note that was played: takes of one pitch and about one level are its repeats."""
    groups: dict[tuple[int, int], list[Note]] = {}
    for m in tones:
        note = _note(m)
        height = note.strongest if note.level else -200.0
        key = (round(12 * math.log2(note.pitch)) if note.pitch else 0, round(height / 6))
        groups.setdefault(key, []).append(note)
    for group in groups.values():
        group.sort(key=lambda n: n.strongest)
        yield group[len(group) // 2]


def _note(measurement: Measurement) -> Note:
    level = by_channel(measurement, "tone_level")
    frequency = by_channel(measurement, "frequency")
    whole = by_channel(measurement, "level_rms")
    thd = told_by_channel([measurement], "thd", DISTORTION_DB)
    waves = waves_of(measurement)
    for c in _not_of_the_note(level, thd, _without_dc(measurement, whole)):
        thd.pop(c), waves.pop(c, None)
    strongest = max(frequency, key=lambda c: level.get(c, -math.inf), default=0)
    return Note(
        pitch=frequency.get(strongest, 0.0),
        level=level,
        uncertainty={
            r.channel: r.uncertainty
            for r in readings_of(measurement, "tone_level")
            if r.channel in level and r.unit == "dBFS" and isinstance(r.uncertainty, float)
        },
        whole=whole,
        thd=thd,
        wave=waves,
        asymmetry=by_channel(measurement, "clip_asymmetry"),
        balance=_balance(measurement, whole),
    )


def _without_dc(measurement: Measurement, whole: Mapping[int, float]) -> dict[int, float]:
    """The RMS level of each channel in dBFS without its direct voltage."""
    direct = by_channel(measurement, "dc_offset")
    return {
        c: 10 * math.log10(max(10 ** (level / 10) - 2 * direct.get(c, 0.0) ** 2, 1e-20))
        for c, level in whole.items()
    }


def _not_of_the_note(
    level: Mapping[int, float], thd: Mapping[int, float], whole: Mapping[int, float]
) -> list[int]:
    """Channels on which the tone and its harmonics are the smaller part of a strong sound.

    Then it is another sound than the one that was looked for: its partials lie between them.
    """
    return [
        c
        for c in thd.keys() & level.keys() & whole.keys()
        if thd[c] > RICH_DB
        and level[c] + 10 * math.log10(1 + 10 ** (thd[c] / 10)) < whole[c] - NOTE_SHARE_DB
    ]


def _balance(measurement: Measurement, whole: Mapping[int, float]) -> float | None:
    """Left minus right in dB: the least that the note, its uncertainty and the whole sound allow.

    A stereo sound moves between the sides: one partial is stronger here and another there, while
    both are equally loud as a whole.
    """
    for r in measurement.readings:
        if r.name == "balance" and isinstance(r.value, float) and whole.keys() >= BOTH:
            doubt = 2 * r.uncertainty if isinstance(r.uncertainty, float) else 0.0
            return agreed(shrunk(r.value, doubt), whole[1] - whole[2])
    return None


def agreed(one: float, other: float) -> float:
    """The smaller one of two differences; none where they are of unlike signs."""
    return min(one, other, key=abs) if one * other > 0 else 0.0


def shrunk(difference: float, doubt: float) -> float:
    """A difference nearer to nothing by its doubt."""
    return math.copysign(max(abs(difference) - doubt, 0.0), difference)


def left_over_right(note: Note) -> float:
    """Left minus right in dB; of a channel without a note all that is there, which is a bound."""
    left, right = (note.level.get(c, note.whole.get(c, math.nan)) for c in (1, 2))
    return left - right
