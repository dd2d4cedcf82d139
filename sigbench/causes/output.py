"""Outputs: what was measured at one jack or stereo pair, by channel.

Levels are taken relative to the note, so that neither the gain of the rig nor the volume matters.
"""

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from sigbench.causes.clues import Clue, only_if, over, whole_db
from sigbench.causes.note import SAME_PITCH, Note, loud_quiet_low, notes_of, shrunk, without_tones
from sigbench.causes.observation import Observation, median_by_channel, readings_of, told_by_channel
from sigbench.model import Measurement

HUM_DB = (-68.0, 2.0)  # a line of the mains, re the note
NOISE_DB = (-70.0, 2.0)  # re the note, without hum and tones
FOLLOWS_DB = (6.0, 1.5)  # by how much hiss or hum falls with the volume, if it comes before it
PLAYED_AGAIN_DB = 3.0  # between two takes of one note, by hand
DEAD_DB = (30.0, 3.0)
ASSUMED_NOTE_DBFS = -12.0  # where no note was recorded; common practice, no source
RIG_DBFS = -90.0
"""Below this, hum, hiss and tones may be those of an interface that was not tested by itself: a
modest one has a range of 100 dB or so, and a cable brings some hum; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Output:
    """What was measured on one output, by channel."""

    name: str
    channels: tuple[int, ...]
    notes: tuple[Note, ...]
    loud: Note | None
    quiet: Note | None  # the same note, softer
    low: Note | None
    hum_1x: dict[int, float]
    hum_2x: dict[int, float]
    hum_total: dict[int, float]  # bounds included
    noise: dict[int, float]
    noise_at_most: dict[int, float]
    tones: dict[int, tuple[tuple[float, float], ...]]
    dc: dict[int, float]
    noise_down: dict[int, float]  # with the volume down, bounds included
    hum_down: dict[int, float]
    note_dbfs: float
    """The strongest note, which everything else is relative to."""
    rig_dbfs: float
    """Below this it may be the rig."""
    sides: tuple[str, ...] = ()
    """Of two outputs with one channel each that are one pair, their names."""

    def from_the_unit(self, holds: float, decibels: float) -> float | None:
        """That something is there, where the rig would not do as much; `decibels` re the note."""
        weak = decibels + self.note_dbfs < self.rig_dbfs
        return None if weak and holds > 0.5 else holds

    @property
    def sounds(self) -> bool:
        """Whether there is a note at all."""
        return any(note.level for note in self.notes)


_SIDE = re.compile(r"[\s_-]*(\d+|l|r|left|right)$", re.IGNORECASE)


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


_Value = TypeVar("_Value")


def _both(a: Mapping[int, _Value], b: Mapping[int, _Value]) -> dict[int, _Value]:
    return {side: m[1] for side, m in ((1, a), (2, b)) if 1 in m}


def _pair(one: Output, other: Output) -> Output:
    """Two outputs with one channel each as the two channels of one."""

    def note(a: Note | None, b: Note | None) -> Note | None:
        if a is None or b is None:
            return None
        level, whole = _both(a.level, b.level), _both(a.whole, b.whole)
        balance = None
        if len(level) == len(whole) == 2:
            sizes = level[1] - level[2], whole[1] - whole[2]
            least = min(sizes, key=abs) if sizes[0] * sizes[1] > 0 else 0.0
            balance = shrunk(least, PLAYED_AGAIN_DB)
        return Note(
            max(a.pitch, b.pitch),
            level,
            # Each is a take of its own: the sum of four of them counts.
            {
                c: math.hypot(u, PLAYED_AGAIN_DB / 4)
                for c, u in _both(a.uncertainty, b.uncertainty).items()
            },
            whole,
            _both(a.thd, b.thd),
            _both(a.wave, b.wave),
            _both(a.asymmetry, b.asymmetry),
            balance,
        )

    loud, quiet, low = (
        note(a, b)
        for a, b in ((one.loud, other.loud), (one.quiet, other.quiet), (one.low, other.low))
    )
    return Output(
        f"{one.name} and {other.name}",
        (1, 2),
        tuple(n for n in (loud, quiet, low) if n is not None),
        loud,
        quiet,
        low,
        _both(one.hum_1x, other.hum_1x),
        _both(one.hum_2x, other.hum_2x),
        _both(one.hum_total, other.hum_total),
        _both(one.noise, other.noise),
        _both(one.noise_at_most, other.noise_at_most),
        _both(one.tones, other.tones),
        _both(one.dc, other.dc),
        _both(one.noise_down, other.noise_down),
        _both(one.hum_down, other.hum_down),
        max(one.note_dbfs, other.note_dbfs),
        max(one.rig_dbfs, other.rig_dbfs),
        (one.name, other.name),
    )


def loudest_note(outputs: Iterable[Output]) -> float:
    """The strongest note of all outputs in dBFS."""
    return max((o.note_dbfs for o in outputs if o.sounds), default=ASSUMED_NOTE_DBFS)


def output_of(name: str, group: Sequence[Observation]) -> Output | None:
    """What the tone and idle checks of one output say; None without any."""
    tones = [o.measurement for o in group if o.measurement.check == "tone"]
    rest = [o for o in group if o.measurement.check == "idle"]
    idle = [o.measurement for o in rest if not o.volume_down]
    down = [o.measurement for o in rest if o.volume_down]
    if not tones and not idle:
        return None
    beside = _tones_of(idle)
    notes = tuple(without_tones(note, beside) for note in notes_of(tones))
    loud, quiet, low = loud_quiet_low(notes)
    note_dbfs = max((n.strongest for n in notes if n.level), default=ASSUMED_NOTE_DBFS)
    channels = {r.channel for m in (*tones, *idle) for r in m.readings if r.channel is not None}
    return Output(
        name,
        tuple(sorted(channels)),
        notes,
        loud,
        quiet,
        low,
        told_by_channel(idle, "hum_1x", HUM_DB, re=note_dbfs),
        told_by_channel(idle, "hum_2x", HUM_DB, re=note_dbfs),
        median_by_channel(idle, "hum_total"),
        _rest_noise(idle, note_dbfs),
        median_by_channel(idle, "noise_a"),
        beside,
        median_by_channel(idle, "dc_offset"),
        median_by_channel(down, "noise_a"),
        median_by_channel(down, "hum_total"),
        note_dbfs,
        -math.inf if all(o.rig_known for o in rest) else RIG_DBFS,
    )


def _tones_of(idle: Sequence[Measurement]) -> dict[int, tuple[tuple[float, float], ...]]:
    found: dict[int, tuple[tuple[float, float], ...]] = {}
    for m in idle:
        for r in readings_of(m, "spurs"):
            if isinstance(r.value, tuple) and r.channel is not None and r.state == "ok":
                found[r.channel] = tuple((x[0], x[1]) for x in r.value if isinstance(x, tuple))
    return found


def _rest_noise(idle: Sequence[Measurement], note_dbfs: float) -> dict[int, float]:
    """Noise without the hum and the tones in it, where they are not nearly all of it."""
    rest: dict[int, float] = {}
    tones = _tones_of(idle)
    whole = median_by_channel(idle, "noise_rms")
    weighted = told_by_channel(idle, "noise_a", NOISE_DB, re=note_dbfs)
    hum = median_by_channel(idle, "hum_total")
    for channel, level in whole.items():
        power = 10 ** (level / 10)
        lines = 10 ** (hum.get(channel, -400.0) / 10)
        lines += sum(10 ** (db / 10) for _, db in tones.get(channel, ()))
        if lines < 0.1 * power and channel in weighted:
            rest[channel] = weighted[channel]
    return rest


def jack_of(o: Output, channel: int) -> str:
    """The jack of a channel: two outputs that were paired have one each."""
    return o.sides[channel - 1] if o.sides else o.name


def whether_there(
    name: str, worst: tuple[float, Output, int], threshold: tuple[float, float]
) -> Clue:
    """Whether something is there: the strongest of it, in dB re the note, and where."""
    level, o, c = worst
    said = f"{whole_db(level)} re the note on {place_of(o, c)}"
    holds = o.from_the_unit(over(level, threshold), level)
    if holds is None:
        said += (
            f", and at {whole_db(level + o.note_dbfs)}FS it may be the rig's own: record it louder"
        )
    return Clue(name, holds, said)


def follows(name: str, fall: float, there: float | None, place: str) -> Clue:
    """Whether something falls with the volume."""
    said = f"{max(fall, 0.0):.0f} dB less on {place}"
    return Clue(name, only_if(over(fall, FOLLOWS_DB), there), said)


def channels_of(outputs: Iterable[Output]) -> set[int]:
    """The channels of all outputs."""
    return {c for o in outputs for c in o.channels}


def place_of(output: Output, channel: int) -> str:
    """A channel as it is said: ``main 2``, or the name of its own jack."""
    if output.sides:
        return output.sides[channel - 1]
    return f"{output.name} {channel}"
