"""Clues: what the readings of several checks, channels and outputs say together.

A clue is a plain statement, such as "there is hum at twice the mains frequency", with the
probability that it holds. It has none where nothing was measured that could tell: what was not
looked for speaks neither for nor against a cause.

Levels are taken relative to the note, so that neither the gain of the rig nor the volume matters.
"""

import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TypeVar

from sigbench.causes.deeds import SOON, Kind, Outcome, covered, faults_of, in_words, outcomes
from sigbench.causes.shape import Wave, apart, flatness, waves_of
from sigbench.checks.rails import RIPPLE_VOLTS, reading_name, what_is_heard
from sigbench.model import FADED, SLEEVE_OPEN, Event, Measurement, Rail, Reading

# Where a statement is as likely true as not, and within how much it goes over: from the circuits
# of `sigbench.circuits`, and from what is usual (common practice, no source).
HUM_DB = (-68.0, 2.0)  # a line of the mains, re the note
MOSTLY_2X_DB = (6.0, 1.5)  # 2x over 1x: one open diode leaves 2x some 6 dB below
MOSTLY_1X_DB = (16.0, 1.5)
DROWNED_DB = (-20.0, 2.5)  # hum re a loud note: millivolts on a closed ground do not come so far
HUM_UNLIKE_DB = (14.0, 2.0)  # between channels or outputs
NOISE_DB = (-70.0, 2.0)  # re the note, without hum and tones
FOLLOWS_DB = (6.0, 1.5)  # by how much hiss or hum falls with the volume, if it comes before it
NOISE_UNLIKE_DB = (8.0, 1.5)  # between channels,
NOISE_HEARD_DB = (-93.0, 2.0)  # and re the note
TONE_DB = (-78.0, 2.0)  # a tone that is not mains, re the note
TONES_ALIKE_DB = (4.0, 1.0)  # between channels
LOW_TONE_HZ = 200.0  # what whistles in a supply or an inverter lies above it
SIDE_LINE_HZ = 1.5  # of the mains beside a tone
RIPPLE_HZ = (50.0, 60.0, 100.0, 120.0)
FRAME_HZ = 1000.0  # a serial bus to a computer sends a frame a millisecond (its specification)
CRYSTALS = 1.2e-4  # its crystal and the interface's, 50 parts in a million each and some age
TONE_DOUBT_HZ = 0.3  # of a tone on a take of some seconds
SURE_OF_DIFFERENCE = 0.999  # no sound by itself did it in 32 minutes of 128 instruments
SURE_OF_CLOCK = 0.99999  # a frequency is a plain number
DISTORTION_DB = (-46.0, 2.0)  # harmonics re the note
DISTORTION_UNLIKE_DB = (10.0, 2.0)  # between two levels, channels or outputs
BURIED_DB = 6.0  # harmonics of a low note that are no stronger than the hum may be hum
LOW_UNLIKE_DB = (15.0, 2.0)  # between a low note and a middle one, both plain
DISTORTION_ALIKE_DB = (3.0, 0.7)  # two outputs have no stage with the same room
LEVEL_DB = (2.5, 0.4)  # between channels: dual pots are sold matched within 2 to 3 dB
PLAYED_AGAIN_DB = 3.0  # between two takes of one note, by hand
STEREO_LEVEL_DB = (9.0, 1.0)  # between the channels of a sound that is another one left and right
LEVEL_UNLIKE_DB = (1.2, 0.25)  # between the balance of two outputs behind one pot
LEVEL_LAW_DB = (0.7, 0.15)  # what one channel loses more at one level than at another
CONTROL_DB = 2.5  # what a dual control itself may do so, where no other output tells
BASS_DB = (1.0, 0.2)  # what a low note has lost against the other channel
WHOLE_SHARE = 0.25  # of that, at least so much is lost of the whole sound too
PRESSED_DB = -34.0  # a third harmonic of 2 % comes with half a dB less of the note (cubic law)
MATCHED_DB = 1.0  # two good channels are no farther apart than that, as a rule
DEAD_DB = (30.0, 3.0)
WAVE_DB = (-26.0, 1.5)  # what two outputs have not in common of one note, re its fundamental
MORE_WHEN_QUIET_DB = (6.0, 1.5)  # of such a part
LEAN_DB = 4.0  # sounds of their own may be as lopsided
LEAST_PERCENT = 0.001  # of distortion, that is printed
STEADY_DB = -29.0  # takes of one note that are no farther apart come out alike each time
NOTE_SHARE_DB = 6.0  # a note that is less of a sound than a quarter is not its note
HARMONIC_WIDTH_HZ = 3.0  # a tone that near to a harmonic counts as one on a take of a second
RICH_DB = -25.0  # a sound's own harmonics hide distortion that is no stronger
ONE_SIDED_DB = (0.3, 0.1)
HALF_MISSING_DB = (4.5, 0.7)
BUZZ_DB = -65.0  # hum re a note, from which on it may pass for crackle
DC_LOG = (math.log(0.02), 0.15)  # of full scale
RIPPLE_LOG = (math.log(RIPPLE_VOLTS), 0.2)
SAME_PITCH = 0.03  # half a semitone
LOW_RATIO = 0.5  # a note this far below another is the low one
QUIET_DB = 12.0  # and one this far below in level is the quiet one

METER_SURE = 0.99999  # that a rail is off by more than the meter can be
MISSING_PERCENT = 15.0  # of nominal: less does not come from a regulator, but past it
BOUND_WIDTHS = 3.0
"""How far below its threshold an upper bound must lie to say that nothing is there."""
ASSUMED_NOTE_DBFS = -12.0  # where no note was recorded; common practice, no source
RIG_DBFS = -90.0
"""Below this, hum, hiss and tones may be those of an interface that was not tested by itself: a
modest one has a range of 100 dB or so, and a cable brings some hum; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Observation:
    """One measurement, and where on the unit it was made.

    Parameters
    ----------
    output : str
    measurement : Measurement
    rails : tuple of Rail
        Of a rails check, whose readings carry their names.
    volume_down : bool
        Whether the unit's volume was fully down, so that only what comes behind it is there.
    rig_known : bool
        Whether the readings were held against what the rig does by itself.
    """

    output: str
    measurement: Measurement
    rails: tuple[Rail, ...] = ()
    volume_down: bool = False
    rig_known: bool = False


@dataclass(frozen=True, slots=True)
class Clue:
    """A statement about the unit.

    Parameters
    ----------
    name : str
        One of `CLUES`.
    holds : float or None
        Probability that the statement is true; None where nothing tells.
    seen : str
        What was measured, in words, with numbers; of a clue that nothing tells, it was measured
        all the same.
    """

    name: str
    holds: float | None
    seen: str = ""


CLUES: dict[str, tuple[str, str]] = {
    "hum 1x": ("hum at the mains frequency", "no hum at the mains frequency"),
    "hum 2x": ("hum at twice the mains frequency", "no hum at twice the mains frequency"),
    "hum mostly 2x": (
        "most of the hum is at twice the mains frequency",
        "not most of the hum is at twice the mains frequency",
    ),
    "hum mostly 1x": (
        "the hum is at the mains frequency and hardly at twice that",
        "a good part of the hum is at twice the mains frequency",
    ),
    "hum on every output": ("every output hums", "one output hums and another does not"),
    "hum drowns the note": (
        "the hum is nearly as loud as a loud note",
        "the hum is far softer than a loud note",
    ),
    "hum in one channel": ("one channel hums more than the other", "both channels hum alike"),
    "noise": ("more hiss than usual", "no more hiss than usual"),
    "noise in one channel": ("one channel hisses", "both channels hiss alike"),
    "hiss follows volume": (
        "the hiss goes when the volume is turned down",
        "the hiss stays when the volume is turned down",
    ),
    "hum follows volume": (
        "the hum goes when the volume is turned down",
        "the hum stays when the volume is turned down",
    ),
    "tones": ("tones that are not of the mains", "no tones beside those of the mains"),
    "tones in series": ("the tones are multiples of one", "the tones are not multiples of one"),
    "tones at whole kilohertz": (
        "the tones are whole multiples of 1 kHz, as those of a crystal",
        "the tones are no whole multiples of 1 kHz",
    ),
    "tones below 200 Hz": (
        "the tones lie below 200 Hz",
        "the tones lie above 200 Hz",
    ),
    "tones alike": (
        "the tones are equally strong in both channels",
        "the tones are not equally strong in both channels",
    ),
    "weak channel": ("one channel is weaker", "both channels are equally strong"),
    "weaker when quiet": (
        "one channel loses more of a quiet note than of a loud one",
        "no channel loses more of a quiet note than of a loud one",
    ),
    "weaker when loud": (
        "one channel loses more of a loud note than of a quiet one",
        "no channel loses more of a loud note than of a quiet one",
    ),
    "dead channel": ("one channel is dead", "no channel is dead by itself"),
    "dead output": ("both channels of an output are dead", "no output is dead"),
    "weak at one output": (
        "the other output is in balance",
        "every output is out of balance",
    ),
    "thin channel": ("one channel has lost its bass", "no channel has lost its bass"),
    "thin at one output": (
        "the other output has kept its bass",
        "every output has lost its bass",
    ),
    "distortion": ("distortion", "no distortion"),
    "worse when quiet": (
        "quiet notes are more distorted than loud ones",
        "quiet notes are no more distorted than loud ones",
    ),
    "worse when low": (
        "low notes are far more distorted than higher ones",
        "low notes are no more distorted than higher ones",
    ),
    "distortion in one channel": ("one channel distorts", "both channels distort alike"),
    "distortion on every output": (
        "every output distorts",
        "one output distorts and another does not",
    ),
    "distortion alike": (
        "every channel of every output distorts alike",
        "not every channel of every output distorts alike",
    ),
    "one-sided": (
        "one half of the wave is cut more than the other",
        "neither half of the wave is cut more than the other",
    ),
    "positive half cut": (
        "the positive half of the wave is the smaller one",
        "the negative half of the wave is the smaller one",
    ),
    "half missing": ("most of one half of the wave is missing", "no half of the wave is missing"),
    "dc": ("direct voltage at an output", "no direct voltage at an output"),
    "breaks": ("the sound breaks off when moved", "the sound does not break off when moved"),
    "clicks": ("it clicks or crackles when moved", "it does not click or crackle when moved"),
    "breaks in one channel": (
        "the sound breaks off in one channel",
        "the sound of no single channel breaks off",
    ),
    "breaks in both channels": (
        "the sound breaks off in both channels together",
        "the sound never breaks off in both channels together",
    ),
    "clicks in one channel": (
        "it clicks or crackles in one channel when moved",
        "no single channel clicks or crackles when moved",
    ),
    "clicks in both channels": (
        "it clicks or crackles in both channels together when moved",
        "it never clicks or crackles in both channels together when moved",
    ),
    "hum bursts": ("hum comes and goes", "no hum comes and goes"),
    "difference left": (
        "for moments only the difference of the channels is left",
        "no more is lost than what breaks off",
    ),
    "fades when moved": (
        "the sound fades when moved, and is back at once",
        "the sound does not fade when moved",
    ),
    "moved on every output": (
        "every output does it when moved",
        "one output does it when moved and another does not",
    ),
    "comes when tapped": (
        "it comes when something is tapped or pressed",
        "it does not come when something is tapped or pressed",
    ),
    "comes when heated": (
        "it comes or changes when something is heated or cooled",
        "it does not change when something is heated or cooled",
    ),
    "comes from the supply": (
        "it comes when the supply is tapped or heated, and not when another place is",
        "it comes when another place is tapped or heated, and not when the supply is",
    ),
    "crackle when turned": (
        "it crackles while the control is turned",
        "nothing crackles while the control is turned",
    ),
    "worn track": (
        "the crackle is at the same place of the travel each time",
        "no place of the travel crackles each time",
    ),
    "rail missing": ("a supply rail is missing", "no supply rail is missing"),
    "rail low": ("a supply rail is too low", "no measured rail is too low"),
    "rail high": ("a supply rail is too high", "no measured rail is too high"),
    "rail ripple": ("ripple on a regulated rail", "no ripple on the measured rails"),
}
"""Every clue, by name: the statement, and its opposite."""


@dataclass(frozen=True, slots=True)
class _Note:
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
        return max(self.level.values(), default=-math.inf)


@dataclass(frozen=True, slots=True)
class _Output:
    """What was measured on one output, by channel."""

    name: str
    channels: tuple[int, ...]
    notes: tuple[_Note, ...]
    loud: _Note | None
    quiet: _Note | None  # the same note, softer
    low: _Note | None
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


def gather(observations: Sequence[Observation]) -> tuple[Clue, ...]:
    """Every clue that the observations give, in the order of `CLUES`.

    Parameters
    ----------
    observations : sequence of Observation
        Idle, tone, jack, dropouts, soak, pot and rails checks of one unit at one stage. Two notes
        of one pitch at two levels, and a low note beside a middle one, make some clues possible.
    """
    by_output: dict[str, list[Observation]] = {}
    for observation in observations:
        by_output.setdefault(observation.output, []).append(observation)
    outputs = [o for name, group in by_output.items() if (o := _numbers(name, group)) is not None]
    outputs = _paired(outputs)
    loudest = _loudest(outputs)
    outputs = [  # an output that is dead, or was not played, goes by the others
        o if any(o.notes) and o.note_dbfs > loudest - DEAD_DB[0] else replace(o, note_dbfs=loudest)
        for o in outputs
    ]
    stereo = _is_stereo(outputs)
    found = [
        *_hum(outputs),
        *_noise(outputs),
        *_tones(outputs),
        *_levels(outputs, stereo=stereo),
        *_distortion(outputs, stereo=stereo),
        _dc(outputs),
        *_breaks(observations),
        *_after_marks(observations),
        *_turned(observations, outputs),
        *_rails(observations),
    ]
    known = {clue.name: clue for clue in found}
    dead = known.get("dead channel")
    if dead and (dead.holds or 0) > 0.5:
        known.pop("weak channel", None)  # dead is more than weak
        for name in ("distortion", "weaker when quiet", "weaker when loud"):
            if name in known and (known[name].holds or 0) < 0.5:
                del known[name]  # of a dead channel nobody can tell
    weak = known.get("weak channel")
    if weak and (weak.holds or 0) > 0.5 and dead and (dead.holds or 0) < 0.5:
        del known["dead channel"]  # what is weak is known not to be dead: that tells nothing more
    hardly, worse = known.get("weaker when quiet"), known.get("worse when quiet")
    if hardly and (hardly.holds or 0) > 0.5 and worse and (worse.holds or 0) < 0.5:
        # What hardly lets a quiet note through has not much of it to distort.
        known["worse when quiet"] = replace(worse, holds=None)
    return tuple(known.get(name, Clue(name, None)) for name in CLUES)


_SIDE = re.compile(r"[\s_-]*(\d+|l|r|left|right)$", re.IGNORECASE)


def _paired(outputs: Sequence[_Output]) -> list[_Output]:
    """The outputs, with two of one channel each that have one name but for its end as one pair.

    ``out 1`` and ``out 2``, or ``main L`` and ``main R``: each has an amplifier of its own, as the
    two channels of a stereo output have. They are held against each other where they play one note.
    """
    kinds: dict[str, list[_Output]] = {}
    for o in outputs:
        if o.channels == (1,) and _SIDE.search(o.name):
            kinds.setdefault(_SIDE.sub("", o.name).lower(), []).append(o)
    pairs = [kind for kind in kinds.values() if len(kind) == 2 and _same_note(*kind)]
    single = {o.name for pair in pairs for o in pair}
    return [*(o for o in outputs if o.name not in single), *(_pair(*kind) for kind in pairs)]


def _same_note(one: _Output, other: _Output) -> bool:
    if one.loud is None or other.loud is None or not one.loud.pitch:
        return False
    return abs(other.loud.pitch / one.loud.pitch - 1) < SAME_PITCH


_Value = TypeVar("_Value")


def _both(a: Mapping[int, _Value], b: Mapping[int, _Value]) -> dict[int, _Value]:
    return {side: m[1] for side, m in ((1, a), (2, b)) if 1 in m}


def _pair(one: _Output, other: _Output) -> _Output:
    """Two outputs with one channel each as the two channels of one."""

    def note(a: _Note | None, b: _Note | None) -> _Note | None:
        if a is None or b is None:
            return None
        level, whole = _both(a.level, b.level), _both(a.whole, b.whole)
        balance = None
        if len(level) == len(whole) == 2:
            sizes = level[1] - level[2], whole[1] - whole[2]
            least = min(sizes, key=abs) if sizes[0] * sizes[1] > 0 else 0.0
            balance = _shrunk(least, PLAYED_AGAIN_DB)
        return _Note(
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
    return _Output(
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


def _loudest(outputs: Iterable[_Output]) -> float:
    """The strongest note of all outputs in dBFS."""
    return max((o.note_dbfs for o in outputs if o.sounds), default=ASSUMED_NOTE_DBFS)


def _numbers(name: str, group: Sequence[Observation]) -> _Output | None:
    tones = [o.measurement for o in group if o.measurement.check == "tone"]
    rest = [o for o in group if o.measurement.check == "idle"]
    idle = [o.measurement for o in rest if not o.volume_down]
    down = [o.measurement for o in rest if o.volume_down]
    if not tones and not idle:
        return None
    beside = _tones_of(idle)
    notes = tuple(_without_tones(note, beside) for note in _notes(tones))
    loud, quiet, low = _chosen(notes)
    note_dbfs = max((n.strongest for n in notes if n.level), default=ASSUMED_NOTE_DBFS)
    channels = {r.channel for m in (*tones, *idle) for r in m.readings if r.channel is not None}
    return _Output(
        name,
        tuple(sorted(channels)),
        notes,
        loud,
        quiet,
        low,
        _told(idle, "hum_1x", HUM_DB, re=note_dbfs),
        _told(idle, "hum_2x", HUM_DB, re=note_dbfs),
        _median(idle, "hum_total"),
        _rest_noise(idle, note_dbfs),
        _median(idle, "noise_a"),
        beside,
        _median(idle, "dc_offset"),
        _median(down, "noise_a"),
        _median(down, "hum_total"),
        note_dbfs,
        -math.inf if all(o.rig_known for o in rest) else RIG_DBFS,
    )


def _without_tones(note: _Note, tones: Mapping[int, Sequence[tuple[float, float]]]) -> _Note:
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


def _chosen(notes: Sequence[_Note]) -> tuple[_Note | None, _Note | None, _Note | None]:
    """The loud note, the same one soft, and the low one, as far as they were played.

    The loud one is compared with both: it is the one above a low one that was played softly too,
    or else as near to that as there is.
    """
    played = [n for n in notes if n.pitch > 0]
    if not played:
        return max(notes, key=lambda n: n.strongest, default=None), None, None
    lowest = min(played, key=lambda n: (round(math.log2(n.pitch), 1), -n.strongest))

    def softer(note: _Note) -> list[_Note]:
        same = [n for n in played if abs(n.pitch / note.pitch - 1) < SAME_PITCH]
        return [n for n in same if n.strongest < note.strongest - QUIET_DB]

    above = [n for n in played if lowest.pitch < LOW_RATIO * n.pitch]
    twice = [n for n in played if softer(n)]
    both = [n for n in above if softer(n)]
    loud = max(both or above or twice or notes, key=lambda n: (n.strongest, n.pitch))
    quiet = min(softer(loud), key=lambda n: n.strongest, default=None) if loud.pitch else None
    return loud, quiet, lowest if loud in above else None


def _notes(tones: Sequence[Measurement]) -> Iterable[_Note]:
    """Each note that was played: takes of one pitch and about one level are its repeats."""
    groups: dict[tuple[int, int], list[_Note]] = {}
    for m in tones:
        note = _note(m)
        height = note.strongest if note.level else -200.0
        key = (round(12 * math.log2(note.pitch)) if note.pitch else 0, round(height / 6))
        groups.setdefault(key, []).append(note)
    for group in groups.values():
        group.sort(key=lambda n: n.strongest)
        yield group[len(group) // 2]


def _note(measurement: Measurement) -> _Note:
    level = _by_channel(measurement, "tone_level")
    frequency = _by_channel(measurement, "frequency")
    whole = _by_channel(measurement, "level_rms")
    thd = _told([measurement], "thd", DISTORTION_DB)
    waves = waves_of(measurement)
    for c in _not_of_the_note(level, thd, _without_dc(measurement, whole)):
        thd.pop(c), waves.pop(c, None)
    return _Note(
        frequency[max(frequency, key=lambda c: level.get(c, -math.inf))] if frequency else 0.0,
        level,
        {
            r.channel: r.uncertainty
            for r in _of(measurement, "tone_level")
            if r.channel in level and r.unit == "dBFS" and isinstance(r.uncertainty, float)
        },
        whole,
        thd,
        waves,
        _by_channel(measurement, "clip_asymmetry"),
        _balance(measurement, whole),
    )


def _without_dc(measurement: Measurement, whole: Mapping[int, float]) -> dict[int, float]:
    """The RMS level of each channel in dBFS without its direct voltage."""
    direct = _by_channel(measurement, "dc_offset")
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
        if r.name == "balance" and isinstance(r.value, float) and {1, 2} <= set(whole):
            doubt = 2 * r.uncertainty if isinstance(r.uncertainty, float) else 0.0
            sizes = (_shrunk(r.value, doubt), whole[1] - whole[2])
            return min(sizes, key=abs) if sizes[0] * sizes[1] > 0 else 0.0
    return None


def _shrunk(difference: float, doubt: float) -> float:
    """A difference nearer to nothing by its doubt."""
    return math.copysign(max(abs(difference) - doubt, 0.0), difference)


def _told(
    measurements: Sequence[Measurement], name: str, threshold: tuple[float, float], re: float = 0.0
) -> dict[int, float]:
    """The reading by channel, where it tells whether it is above the threshold.

    What is only an upper bound, for the noise or the rig itself is as strong, tells so if it lies
    well below; else it may be anything.
    """
    bounds = {
        r.channel
        for m in measurements
        for r in _of(m, name)
        if r.upper_bound or r.state == "rig-limited"
    }
    well_below = re + threshold[0] - BOUND_WIDTHS * threshold[1]
    return {
        c: v for c, v in _median(measurements, name).items() if c not in bounds or v < well_below
    }


def _of(measurement: Measurement, name: str) -> Iterable[Reading]:
    return (r for r in measurement.readings if r.name == name and r.channel is not None)


_UNITS = ("dBFS", "FS", "Hz", "dB")
"""Some readings come in percent or dBu as well."""


def _by_channel(measurement: Measurement, name: str) -> dict[int, float]:
    return {
        r.channel: r.value
        for r in _of(measurement, name)
        if r.unit in _UNITS and isinstance(r.value, float) and r.channel is not None
    }


def _median(measurements: Sequence[Measurement], name: str) -> dict[int, float]:
    values: dict[int, list[float]] = {}
    for m in measurements:
        for channel, value in _by_channel(m, name).items():
            values.setdefault(channel, []).append(value)
    return {c: sorted(v, key=abs)[len(v) // 2] for c, v in values.items()}


def _tones_of(idle: Sequence[Measurement]) -> dict[int, tuple[tuple[float, float], ...]]:
    found: dict[int, tuple[tuple[float, float], ...]] = {}
    for m in idle:
        for r in _of(m, "spurs"):
            if isinstance(r.value, tuple) and r.channel is not None and r.state == "ok":
                found[r.channel] = tuple((x[0], x[1]) for x in r.value if isinstance(x, tuple))
    return found


def _rest_noise(idle: Sequence[Measurement], note_dbfs: float) -> dict[int, float]:
    """Noise without the hum and the tones in it, where they are not nearly all of it."""
    rest: dict[int, float] = {}
    tones = _tones_of(idle)
    whole = _median(idle, "noise_rms")
    weighted = _told(idle, "noise_a", NOISE_DB, re=note_dbfs)
    hum = _median(idle, "hum_total")
    for channel, level in whole.items():
        power = 10 ** (level / 10)
        lines = 10 ** (hum.get(channel, -400.0) / 10)
        lines += sum(10 ** (db / 10) for _, db in tones.get(channel, ()))
        if lines < 0.1 * power and channel in weighted:
            rest[channel] = weighted[channel]
    return rest


def _over(value: float, threshold: tuple[float, float]) -> float:
    """Probability that a value counts as above a threshold: a logistic curve."""
    middle, width = threshold
    return 1 / (1 + math.exp(-max(-40.0, min(40.0, (value - middle) / width))))


def _only_if(holds: float | None, condition: float | None) -> float | None:
    """The statement, where the condition is more likely true than not."""
    return None if condition is None or condition < 0.5 else holds


def _hum(outputs: Sequence[_Output]) -> list[Clue]:
    def strength(o: _Output, c: int) -> float:
        return max(o.hum_1x.get(c, -400.0), o.hum_2x.get(c, -400.0)) - o.note_dbfs

    places = [(o, c) for o in outputs for c in o.channels if c in o.hum_1x or c in o.hum_2x]
    if not places:
        return []
    clues = []
    for name in ("hum 1x", "hum 2x"):
        lines = {o.name: o.hum_1x if name == "hum 1x" else o.hum_2x for o, _ in places}
        levels = [(lines[o.name][c] - o.note_dbfs, o, c) for o, c in places if c in lines[o.name]]
        worst = max(levels, key=lambda entry: entry[0], default=None)
        if worst is None:
            continue
        clues.append(_there(name, worst, HUM_DB))
    top, most = max(((strength(o, c), (o, c)) for o, c in places), key=lambda e: e[0])
    o, c = most
    there = o.from_the_unit(_over(top, HUM_DB), top)
    first, second = o.hum_1x.get(c), o.hum_2x.get(c)
    if first is not None and second is not None:
        excess = second - first
        said = f"2x {abs(excess):.0f} dB {'above' if excess > 0 else 'below'} 1x on {_place(o, c)}"
        clues.append(Clue("hum mostly 2x", _only_if(_over(excess, MOSTLY_2X_DB), there), said))
        clues.append(Clue("hum mostly 1x", _only_if(_over(-excess, MOSTLY_1X_DB), there), said))
    drowned = Clue("hum drowns the note", _over(top, DROWNED_DB), f"{_db(top)} re the note")
    if there is not None and there > 0.5 and o.sounds:
        clues.append(drowned)
    jacks = {_jack(o, c) for o, c in places}
    if len(jacks) > 1:
        quietest = min(
            max(strength(o, c) for o, c in places if _jack(o, c) == jack) for jack in jacks
        )
        said = f"from {_db(quietest)} to {_db(top)} re the note"
        alike = max(_over(quietest, HUM_DB), 1 - _over(top - quietest, HUM_UNLIKE_DB))
        clues.append(Clue("hum on every output", _only_if(alike, there), said))
    spread = [abs(strength(o, 1) - strength(o, 2)) for o in [most[0]] if {1, 2} <= set(o.channels)]
    if spread:
        said = f"{spread[0]:.0f} dB between the channels of {most[0].name}"
        clues.append(
            Clue("hum in one channel", _only_if(_over(spread[0], HUM_UNLIKE_DB), there), said)
        )
    if c in o.hum_down:
        fall = max(o.hum_1x.get(c, -400.0), o.hum_2x.get(c, -400.0)) - o.hum_down[c]
        clues.append(_follows("hum follows volume", fall, there, _place(o, c)))
    return clues


def _jack(o: _Output, channel: int) -> str:
    """The jack of a channel: two outputs that were paired have one each."""
    return o.sides[channel - 1] if o.sides else o.name


def _there(name: str, worst: tuple[float, _Output, int], threshold: tuple[float, float]) -> Clue:
    """Whether something is there: the strongest of it, in dB re the note, and where."""
    level, o, c = worst
    said = f"{_db(level)} re the note on {_place(o, c)}"
    holds = o.from_the_unit(_over(level, threshold), level)
    if holds is None:
        said += f", and at {_db(level + o.note_dbfs)}FS it may be the rig's own: record it louder"
    return Clue(name, holds, said)


def _follows(name: str, fall: float, there: float | None, place: str) -> Clue:
    """Whether something falls with the volume."""
    said = f"{max(fall, 0.0):.0f} dB less on {place}"
    return Clue(name, _only_if(_over(fall, FOLLOWS_DB), there), said)


def _noise(outputs: Sequence[_Output]) -> list[Clue]:
    levels = [(o.noise[c] - o.note_dbfs, o, c) for o in outputs for c in o.noise]
    if not levels:
        return []
    top = max(levels, key=lambda entry: entry[0])
    unlike = []
    for o in outputs:
        if {1, 2} <= set(o.noise_at_most) and o.noise:
            noisy = max(o.noise, key=lambda c: o.noise[c])
            # Where the other one is mostly hum, its hiss is at most what is there.
            gap = o.noise[noisy] - o.noise_at_most[3 - noisy]
            if gap < 0 and 3 - noisy not in o.noise:
                continue
            worse = o.noise[noisy] - o.note_dbfs
            gap = abs(gap)
            unlike.append((_over(gap, NOISE_UNLIKE_DB) * _over(worse, NOISE_HEARD_DB), gap, o))
    clue = _there("noise", top, NOISE_DB)
    # Two inputs of one interface hiss alike: where they differ, it is the unit, however soft.
    beside = max((share for share, _, _ in unlike), default=0.0)
    there = beside if clue.holds is None and beside > 0.5 else clue.holds
    there = None if there is None else max(there, beside)
    clues = [replace(clue, holds=there)]
    if unlike:
        share, gap, o = max(unlike, key=lambda entry: entry[0])
        said = f"{gap:.0f} dB between the channels of {o.name}"
        clues.append(Clue("noise in one channel", _only_if(share, there), said))
    falls = [
        (level, o.noise[c] - o.noise_down[c], o, c) for level, o, c in levels if c in o.noise_down
    ]
    if falls:
        _, fall, o, c = max(falls, key=lambda entry: entry[0])
        clues.append(_follows("hiss follows volume", fall, there, _place(o, c)))
    return clues


def _tones(outputs: Sequence[_Output]) -> list[Clue]:
    places = [(o, c) for o in outputs for c in o.tones]
    if not places:
        return []

    def relative(o: _Output, c: int) -> float:
        return max((db for _, db in o.tones[c]), default=-400.0) - o.note_dbfs

    o, c = max(places, key=lambda place: relative(*place))
    clue = _there("tones", (relative(o, c), o, c), TONE_DB)
    there = clue.holds
    if not o.tones[c]:
        return [replace(clue, seen="none found")]
    strongest = max(o.tones[c], key=lambda tone: tone[1])
    strong = sorted(hz for hz, db in o.tones[c] if db > strongest[1] - 25)
    own = _without_side_lines(o.tones[c], strong)
    listed = f"{', '.join(f'{hz:.0f}' for hz in own[:5])} Hz"
    of_one = [hz for hz in own[1:] if abs(hz / own[0] - round(hz / own[0])) < 0.01]
    series = 0.95 if len(of_one) >= 1 and len(of_one) >= 0.6 * (len(own) - 1) else 0.05
    low = 0.999 if strongest[0] < LOW_TONE_HZ else 0.001  # a frequency is a plain number
    whole = all(_is_whole_kilohertz(hz) for hz in strong)
    # What comes by the ground or the rail is alike or not left and right; outputs differ in gain.
    spread = max(_spread_of_tones(outputs))
    return [
        replace(clue, seen=f"{strongest[0]:.0f} Hz, {clue.seen}"),
        Clue("tones in series", _only_if(series, there), listed),
        Clue(
            "tones at whole kilohertz",
            _only_if(SURE_OF_CLOCK if whole else 1 - SURE_OF_CLOCK, there),
            listed,
        ),
        Clue("tones below 200 Hz", _only_if(low, there), listed),
        Clue(
            "tones alike",
            _only_if(1 - _over(spread, TONES_ALIKE_DB), there),
            f"{spread:.0f} dB between the channels",
        ),
    ]


def _spread_of_tones(outputs: Sequence[_Output]) -> Iterator[float]:
    """How far the strongest tones of the channels of one output are apart, in dB.

    Of outputs with one channel each, how far the outputs are.
    """
    tops = [
        [
            max(max((db for _, db in o.tones[c]), default=-400.0) - o.note_dbfs, -200.0)
            for c in o.tones
        ]
        for o in outputs
        if o.tones
    ]
    stereo = [levels for levels in tops if len(levels) > 1]
    for channels in stereo or [[level for levels in tops for level in levels]]:
        yield max(channels) - min(channels)


def _without_side_lines(
    tones: Iterable[tuple[float, float]], strong: Sequence[float]
) -> list[float]:
    """The tones without those that the mains makes beside a stronger one, in rising order.

    What is fed from a supply with ripple swings at its pace, once or twice a period of the mains.
    """
    level = dict(tones)
    return [
        hz
        for hz in strong
        if not any(
            level[other] > level[hz] and abs(abs(hz - other) - pace) < SIDE_LINE_HZ
            for other in strong
            for pace in RIPPLE_HZ
        )
    ]


def _is_whole_kilohertz(hertz: float) -> bool:
    """Whether a tone may be a multiple of the frame clock of a serial bus, within two crystals."""
    thousands = round(hertz / FRAME_HZ)
    doubt = TONE_DOUBT_HZ + CRYSTALS * hertz
    return thousands > 0 and abs(hertz - thousands * FRAME_HZ) < doubt


def _levels(outputs: Sequence[_Output], *, stereo: bool) -> list[Clue]:
    balances: list[tuple[float, _Output]] = []
    dead_channel: list[tuple[float, str]] = []
    dead_output: list[tuple[float, str]] = []
    thin: list[tuple[float, str]] = []
    bass: dict[str, tuple[int, float]] = {}  # by output: the thin channel, and how sure that is
    undecided = False
    played = [o for o in outputs if o.loud is not None]
    loudest = _loudest(outputs)
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
            said = f"{_db(-fall)} re the other" if c in note.level else f"no note on {_place(o, c)}"
            if c in note.level or fall > DEAD_DB[0]:
                dead_channel.append((_over(fall, DEAD_DB), said))
        if note.balance is not None and abs(note.balance) < DEAD_DB[0]:
            balances.append((note.balance, o))
            lost = None if stereo else _bass_lost(o.low, note)
            undecided = undecided or (o.low is not None and lost is None)
            if lost is not None:
                weak, decibels, sure = lost
                said = f"the low note has lost {decibels:.1f} dB on {_place(o, weak)}"
                thin.append((_over(sure, BASS_DB), said))
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
        clues.append(_at_one_output(bass))
    if undecided and not thin:
        clues.append(Clue("thin channel", None, "the two notes do not tell"))
    return clues


def _weak(balances: Sequence[tuple[float, _Output]]) -> list[Clue]:
    """Whether a channel is weaker, and whether it is so at one output only."""
    if not balances:
        return []
    chances = [(_over(abs(b), LEVEL_DB), b, o) for b, o in balances]
    if len(balances) > 1:
        middle = sorted(b for b, _ in balances)[(len(balances) - 1) // 2]
        # The output that is out of balance is the one farther from zero.
        chances += [
            (_over(abs(b - middle), LEVEL_UNLIKE_DB) if abs(b) > 0.8 else 0.0, b, o)
            for b, o in balances
        ]
    share, b, o = max(chances, key=lambda entry: entry[0])
    said = f"{_place(o, 1 if b < 0 else 2)} weaker by {abs(b):.1f} dB"
    clues = [Clue("weak channel", share, said)]
    if len(balances) > 1:
        others = [abs(x) for x, other in balances if other.name != o.name]
        said = f"{min(others):.1f} dB at another output"
        straight = 1 - _over(min(others), (0.8 * max(abs(b), 1.5), 0.2))
        clues.append(Clue("weak at one output", _only_if(straight, share), said))
    return clues


def _weak_of_two_sounds(balances: Sequence[tuple[float, _Output]]) -> list[Clue]:
    """The same for a sound that is another one left and right, whose own balance nobody knows.

    Outputs are held against each other where they have the same two waves: what changes a wave
    changes the level of each by as much as it happens to.
    """
    if not balances:
        return []
    b, o = max(balances, key=lambda entry: abs(entry[0]))
    said = f"{_place(o, 1 if b < 0 else 2)} weaker by {abs(b):.1f} dB"
    far = _over(abs(b), STEREO_LEVEL_DB)
    pairs = [
        pair
        for pair in combinations(balances, 2)
        if all(-math.inf < _between(pair[0][1], pair[1][1], c)[0] < WAVE_DB[0] for c in (1, 2))
    ]
    if not pairs:
        return [
            Clue("weak channel", far if far > 0.5 else None, f"{said}, as the sound itself may be")
        ]
    (one, first), (other, second) = max(pairs, key=lambda pair: abs(pair[0][0] - pair[1][0]))
    unlike = _over(abs(one - other), LEVEL_UNLIKE_DB)
    if unlike > 0.5:
        said = f"{_signed(one)} dB left to right on {first.name}, {_signed(other)} on {second.name}"
    share = max(far, unlike)
    return [
        Clue("weak channel", share, said),
        Clue("weak at one output", _only_if(unlike, share), said),
    ]


def _at_one_output(bass: Mapping[str, tuple[int, float]]) -> Clue:
    """Whether another output has kept the bass that a channel of one has lost."""
    first, (weak, sure) = max(bass.items(), key=lambda entry: entry[1][1])
    others = [
        share if side == weak else 0.0 for name, (side, share) in bass.items() if name != first
    ]
    alone = 1 - min(others)
    said = f"channel {weak} of {first}" if alone > 0.5 else f"channel {weak} of every output"
    return Clue("thin at one output", _only_if(alone, sure), said)


def _bass_lost(low: _Note | None, middle: _Note) -> tuple[int, float, float] | None:
    """Which channel has lost bass, by how many dB, and by how many for sure.

    None where nobody can tell: a channel that is pressed together, or a stereo sound whose partials
    are stronger here and there, looks the same in the difference of the two notes alone.
    """
    if low is None or not {1, 2} <= set(low.level) & set(middle.level):
        return None
    lost = _left_over_right(low) - _left_over_right(middle)
    squares = [n.uncertainty.get(c, 0.0) ** 2 for n in (low, middle) for c in (1, 2)]
    sure = abs(_shrunk(lost, 2 * math.sqrt(sum(squares))))
    weak = 1 if lost < 0 else 2
    # A high-pass takes more of the fundamental than of its harmonics, by what it takes at most.
    if _distorts_unlike(middle) or _distorts_unlike(low, weak, abs(lost)):
        return None
    if _over(sure, BASS_DB) > 0.5 and not (
        _is_thin(weak, low, middle, abs(lost)) and _harmonics_stay(weak, low, abs(lost))
    ):
        return None
    return weak, abs(lost), sure


def _is_thin(weak: int, low: _Note, middle: _Note, lost: float) -> bool:
    """Whether the channel is the weaker one on the low note, and not the stronger on the other."""
    strong = 3 - weak
    if not {1, 2} <= set(low.whole):
        return False
    fundamental = low.level[strong] - low.level[weak]
    whole = low.whole[strong] - low.whole[weak]
    ahead = middle.level[weak] - middle.level[strong]
    return min(fundamental, whole) > WHOLE_SHARE * lost and ahead < MATCHED_DB


def _harmonics_stay(weak: int, low: _Note, lost: float) -> bool:
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


def _distorts_unlike(note: _Note, channel: int = 1, allowed: float = 0.0) -> bool:
    """Whether one channel distorts far more than the other; `channel` is allowed some dB more."""
    if not {1, 2} <= set(note.thd):
        return False
    ahead = note.thd[channel] - note.thd[3 - channel]
    apart = max(ahead - allowed, -ahead)
    return max(note.thd.values()) > PRESSED_DB and apart > DISTORTION_UNLIKE_DB[0]


def _level_law(balances: Sequence[tuple[float, _Output]], *, stereo: bool) -> list[Clue]:
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
        loud, quiet = _left_over_right(o.loud), _left_over_right(o.quiet)
        own = max(abs(loud), abs(quiet))
        if any(own < max(abs(_left_over_right(n)) for n in pair) for pair in others):
            continue  # the other output is the one that is out of balance
        if stereo and not others:
            continue
        doubt = CONTROL_DB
        if others:
            middle = sorted(others, key=lambda pair: _left_over_right(pair[0]))[len(others) // 2]
            # A stage that all outputs share bends the law of each: by more than a control does.
            if stereo or abs(quiet) - abs(loud) < CONTROL_DB + LEVEL_LAW_DB[0]:
                loud, quiet = (
                    a - _left_over_right(b) for a, b in zip((loud, quiet), middle, strict=True)
                )
                doubt = 0.0
        at_least = "at least " if bound else ""
        said = f"{abs(loud):.1f} dB loud, {at_least}{abs(quiet):.1f} dB quiet on {o.name}"
        more = abs(quiet) - abs(loud)
        if not bound or more > doubt + LEVEL_LAW_DB[0]:
            laws.append((more, doubt, said))
    if not laws:
        return []
    quieter = max(laws, key=lambda law: _shrunk(law[0], law[1]))
    louder = min(laws, key=lambda law: _shrunk(law[0], law[1]))
    return [
        Clue("weaker when quiet", _law(quieter[0], quieter[1]), quieter[2]),
        Clue("weaker when loud", _law(-louder[0], louder[1]), louder[2]),
    ]


def _law(more: float, doubt: float) -> float | None:
    """Whether a channel loses more at one level; None where the control itself may do that much."""
    if LEVEL_LAW_DB[0] < more < LEVEL_LAW_DB[0] + doubt:
        return None
    return _over(_shrunk(more, doubt), LEVEL_LAW_DB)


def _left_over_right(note: _Note) -> float:
    """Left minus right in dB; of a channel without a note all that is there, which is a bound."""
    left, right = (note.level.get(c, note.whole.get(c, math.nan)) for c in (1, 2))
    return left - right


def _one_is_silent(note: _Note) -> bool:
    """Whether one channel has a note, and the other, which has none, is weaker as a whole."""
    (known,) = set(note.level) or (0,)
    other = 3 - known
    return note.whole.get(other, math.inf) < note.level.get(known, -math.inf)


@dataclass(frozen=True, slots=True)
class _Distorted:
    """How surely one channel distorts, in which way, and by how much."""

    output: str
    channel: int
    loud: float  # more when loud
    quiet: float  # more when quiet
    beside: float  # more than the cleanest channel of all
    shape: float  # another wave than at another output
    thd: float  # dB, of the note at which there is most

    @property
    def any(self) -> float:
        return max(self.loud, self.quiet, self.beside, self.shape)


def _distortion(outputs: Sequence[_Output], *, stereo: bool) -> list[Clue]:
    """Harmonics that are not the sound's own: they differ with level, channel or output.

    A sound that is rich by nature has the same harmonics loud and quiet, left and right; one that
    is `stereo` is held against the same channel of another output only.
    """
    found: list[_Distorted] = []
    one_sided: list[tuple[float, str]] = []
    halves: list[tuple[float, str]] = []
    cut: list[tuple[float, float, str]] = []
    loudest = _loudest(outputs)
    cleanest = min((_cleanest(outputs, c) for c in _channels(outputs)), default=0.0)
    told = len({o.name for o in outputs if o.loud is not None}) > 1
    shapes = _other_waves(outputs)
    for o in outputs:
        if o.loud is None:
            continue
        heard = o.loud.level
        loud = {c: v for c, v in o.loud.thd.items() if heard[c] > loudest - DEAD_DB[0]}
        quiet = o.quiet.thd if o.quiet is not None else {}
        told = told or bool(quiet) or len(loud) > 1
        for c in loud:
            growth = loud[c] - quiet[c] if c in quiet else 0.0
            by_level = _over(growth, DISTORTION_UNLIKE_DB) * _over(loud[c], DISTORTION_DB)
            by_quiet = (
                _over(-growth, DISTORTION_UNLIKE_DB) * _over(quiet[c], DISTORTION_DB)
                if c in quiet
                else 0.0
            )
            beside = max(
                _more(loud[c], cleanest), _more(quiet.get(c), min(quiet.values(), default=0))
            )
            if stereo:
                beside = _more(loud[c], _cleanest(outputs, c))
            most_thd = max(loud[c], quiet.get(c, -200.0))
            at_loud, at_quiet = (_over(x, WAVE_DB) for x in shapes.get((o.name, c), _SAME_WAVE))
            by_level = max(by_level, at_loud * (1 - at_quiet))
            by_quiet = max(by_quiet, at_quiet * (1 - at_loud))
            shape = max(at_loud, at_quiet)
            entry = _Distorted(o.name, c, by_level, by_quiet, beside, shape, most_thd)
            found.append(entry)
            own = [n.asymmetry[c] for n in (o.loud, o.quiet) if n is not None and c in n.asymmetry]
            others = [v for x, v in o.loud.asymmetry.items() if x != c]
            if cleanest < DISTORTION_DB[0]:
                others.append(0.0)  # a plain sound is alike in both halves
            if shape > 0.5:
                others += [x.loud.asymmetry[c] for x in outputs if x.loud and c in x.loud.asymmetry]
            if own and len(own) + len(others) > 1 and entry.any > 0.5:
                lean = max(own, key=abs)
                most = max(abs(lean - v) for v in (*own, *others))
                which = "positive" if lean < 0 else "negative"
                said = f"the {which} half is smaller by {abs(lean):.1f} dB on {_place(o, c)}"
                if abs(lean) < most / 2:
                    said = f"the halves are {most:.1f} dB other than elsewhere on {_place(o, c)}"
                one_sided.append((_over(most, ONE_SIDED_DB), said))
                halves.append((_over(abs(lean), HALF_MISSING_DB), said))
                cut.append((most, 0.97 if lean < 0 else 0.03, said))
    if not found or not told:
        played = [o.loud for o in outputs if o.loud is not None]
        said = "no harmonics to tell by"
        clues = [Clue("worse when quiet", None, said)] if any(o.quiet for o in outputs) else []
        other = any(note.level and note.level.keys().isdisjoint(note.thd) for note in played)
        return [*clues, Clue("distortion", None, said)] if other and not found else clues
    sure = [d for d in found if d.any > 0.5] or [max(found, key=lambda d: d.any)]
    worst = max(sure, key=lambda d: d.thd)
    there = max(d.any for d in found)
    said = f"{_percent(worst.thd)} on {worst.output} {worst.channel}"
    if worst.any == worst.shape > 0.5:
        part = _percent(max(shapes[worst.output, worst.channel]))
        said = f"{part} of the note on {worst.output} {worst.channel} is not in it elsewhere"
    if there < 0.5 and cleanest > RICH_DB and not shapes:
        said = f"the sound has {_percent(cleanest)} of harmonics by itself: play a plainer one"
        return [Clue("distortion", None, said), Clue("worse when quiet", None, said)]
    clues = [Clue("distortion", there, said)]
    if any(o.quiet is not None for o in outputs):
        known = shapes.get((worst.output, worst.channel), _SAME_WAVE)
        worse = _grows(known) if worst.any == worst.shape else None
        if worse is None and worst.quiet + worst.loud > 0.2:
            worse = worst.quiet / (worst.quiet + worst.loud)
        clues.append(Clue("worse when quiet", _only_if(worse, there), said))
    pairs = [
        pair
        for o in outputs
        if not stereo and sum(d.output == o.name for d in found) > 1
        for pair in _unlike(o)
    ]
    pairs += [
        (abs(a.shape - b.shape), said) for a, b in combinations(found, 2) if a.output == b.output
    ]
    if pairs:
        share, words = max(pairs)
        clues.append(Clue("distortion in one channel", _only_if(share, there), words))
    names = {d.output for d in found}
    if len(names) > 1:
        least = min(max(d.any for d in found if d.output == name) for name in names)
        clues.append(Clue("distortion on every output", _only_if(least, there), said))
        spread = _spread(outputs)
        words = f"within {spread:.1f} dB"
        alike = 1 - max(_over(spread, DISTORTION_ALIKE_DB), *(d.shape for d in found))
        clues.append(Clue("distortion alike", _only_if(alike, there), words))
    low = [] if stereo else list(_low_distorts(outputs))
    if low:
        share, said = max(low, key=lambda entry: entry[0])
        clues.append(Clue("worse when low", share, said))
    if one_sided:
        share, said = max(one_sided, key=lambda entry: entry[0])
        clues.append(Clue("one-sided", _only_if(share, there), said))
        _, positive, said = max(cut)
        clues.append(Clue("positive half cut", _only_if(positive, share), said))
        clues.append(Clue("half missing", _only_if(max(halves)[0], share), max(halves)[1]))
    return clues


def _low_distorts(outputs: Sequence[_Output]) -> Iterator[tuple[float, str]]:
    """Of each channel that plays a plain note, whether its low note is distorted, and no other's.

    A sound may be richer at the lower end of the keyboard, but then it is so on every channel. What
    lifts harmonics by taking the fundamental, as a high-pass does, is no distortion.
    """
    lows = [(o, c) for o in outputs if o.low and o.loud for c in o.low.thd if c in o.loud.thd]
    if len(lows) < 2:
        return
    for o, c in lows:
        assert o.low is not None
        assert o.loud is not None
        hum = o.hum_total.get(c, -math.inf) - o.low.level.get(c, 0.0)
        if o.loud.thd[c] > DISTORTION_DB[0] or o.low.thd[c] < hum + BURIED_DB:
            continue
        least = min(x.low.thd[k] for x, k in lows if x.low is not None)
        taken = max(o.loud.strongest - o.low.level.get(c, math.inf), 0.0)
        more = o.low.thd[c] - max(o.loud.thd[c], least) - taken
        said = f"{_percent(o.low.thd[c])} on {_place(o, c)}, {_percent(least)} at best"
        yield _over(more, LOW_UNLIKE_DB) * _over(o.low.thd[c], DISTORTION_DB), said


_SAME_WAVE = (-math.inf, -math.inf)


def _is_stereo(outputs: Sequence[_Output]) -> bool:
    """Whether the sound itself is another one left and right, as that of a sampled piano.

    At every output the two channels have unlike waves, both have harmonics of their own, and one
    output has them alike loud and quiet, which hardly any fault does. Of one output alone a channel
    that has lost half of its wave looks the same, and without a quiet note one that is driven too
    hard: the sound has to be rich then.
    """
    pairs = [(o, o.loud) for o in outputs if o.loud is not None and {1, 2} <= set(o.loud.wave)]
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


def _other_waves(outputs: Sequence[_Output]) -> dict[tuple[str, int], tuple[float, float]]:
    """Channels whose note has another wave than at another output: by how many dB, loud and quiet.

    Nothing is told of a sound that comes out otherwise each time it is played: at one of the
    outputs the loud note and the quiet one must be alike. If they are at one only, the other one
    distorts; else the far more lopsided one, or the one with the flatter ends: what a stage does
    that stops.
    """
    found: dict[tuple[str, int], tuple[float, float]] = {}
    for a, b in combinations([o for o in outputs if o.loud is not None], 2):
        unlike = {
            c: by
            for c in sorted(set(a.channels) & set(b.channels))
            if (by := _between(a, b, c)) != _SAME_WAVE and (_steady(a, c) or _steady(b, c))
        }
        both = [c for c in unlike if max(unlike[c]) > WAVE_DB[0] and _steady(a, c) == _steady(b, c)]
        cut = max((a, b), key=lambda o: (_lean(o, both), _flatness(o, both), _richness(o, both)))
        for c, by in unlike.items():
            suspect = next((o for o in (a, b) if not _steady(o, c)), cut)
            key = suspect.name, c
            found[key] = max(found.get(key, _SAME_WAVE), by, key=max)
    return found


def _flatness(o: _Output, channels: Iterable[int]) -> float:
    """How flat the ends of the waves are, of the flattest channel, to a tenth."""
    assert o.loud is not None
    return round(max((flatness(o.loud.wave[c]) for c in channels), default=0.0), 1)


def _grows(by: tuple[float, float]) -> float | None:
    """Whether a quiet note has more of another wave than a loud one; None without both."""
    loud, quiet = by
    return _over(quiet - loud, MORE_WHEN_QUIET_DB) if min(by) > WAVE_DB[0] else None


def _between(a: _Output, b: _Output, channel: int) -> tuple[float, float]:
    """What a channel has not in common at two outputs, in dB, loud and quiet."""
    again = max(_again(o, channel) for o in (a, b))
    return (
        _unlike_db(a.loud, b.loud, channel, again),
        _unlike_db(a.quiet, b.quiet, channel, again),
    )


def _steady(o: _Output, channel: int) -> bool:
    """Whether a note came out alike, loud and quiet."""
    return -math.inf < _unlike_db(o.loud, o.quiet, channel) < STEADY_DB


def _again(o: _Output, channel: int) -> float:
    """How far two takes of a note are apart, re its fundamental; infinite if they are not alike."""
    if not _steady(o, channel):
        return math.inf
    return float(10 ** (_unlike_db(o.loud, o.quiet, channel) / 20))


def _unlike_db(
    one: _Note | None, other: _Note | None, channel: int, again: float = math.inf
) -> float:
    """What two notes have not in common, in dB; minus infinity where nobody can tell."""
    if one is None or other is None or not {channel} <= set(one.wave) & set(other.wave):
        return -math.inf
    sure, seen = (
        _decibels(part) for part in apart(one.wave[channel], other.wave[channel], again=again)
    )
    # What is seen may be noise: between the two nobody can tell.
    return sure if sure > WAVE_DB[0] else seen if seen < WAVE_DB[0] else -math.inf


def _decibels(part: float) -> float:
    return 20 * math.log10(max(part, 1e-9))


def _lean(o: _Output, channels: Iterable[int]) -> int:
    """How lopsided the waves are, of the most lopsided channel, in steps of `LEAN_DB`."""
    assert o.loud is not None
    leans = (abs(o.loud.asymmetry.get(c, 0.0)) for c in channels)
    return round(max(leans, default=0.0) / LEAN_DB)


def _richness(o: _Output, channels: Iterable[int]) -> float:
    assert o.loud is not None
    return max((o.loud.thd.get(c, -math.inf) for c in channels), default=-math.inf)


def _channels(outputs: Iterable[_Output]) -> set[int]:
    return {c for o in outputs for c in o.channels}


def _cleanest(outputs: Iterable[_Output], channel: int) -> float:
    """The least distortion of a loud note on a channel of all outputs, in dB."""
    return min(
        (o.loud.thd[channel] for o in outputs if o.loud and channel in o.loud.thd), default=0
    )


def _percent(decibels: float) -> str:
    percent = 100 * 10 ** (decibels / 20)
    if percent < LEAST_PERCENT:
        return f"less than {LEAST_PERCENT} %"
    return f"{percent:.0f} %" if percent >= 10 else f"{percent:.2g} %"


def _spread(outputs: Sequence[_Output]) -> float:
    """How far the channels and outputs that have a note are apart in their distortion, in dB."""
    notes = [(o.loud, o.loud.thd) for o in outputs if o.loud is not None]
    missing = any(thd.keys() != note.level.keys() for note, thd in notes)
    all_of_them = [value for _, thd in notes for value in thd.values()]
    return math.inf if missing else max(all_of_them) - min(all_of_them)


def _more(thd: float | None, other: float) -> float:
    """How surely one channel distorts more than another."""
    if thd is None:
        return 0.0
    return _over(thd - other, DISTORTION_UNLIKE_DB) * _over(thd, DISTORTION_DB)


def _unlike(output: _Output) -> Iterator[tuple[float, str]]:
    """For each note how surely one channel of an output distorts more than the other, and which."""
    for note in (output.loud, output.quiet):
        if note is not None and {1, 2} <= set(note.thd):
            more, less = sorted((1, 2), key=lambda c: -note.thd[c])
            percent = " and ".join(_percent(note.thd[c]) for c in (more, less))
            said = f"{percent} on {_place(output, more)} and {less}"
            yield _more(note.thd[more], note.thd[less]), said


def _dc(outputs: Sequence[_Output]) -> Clue:
    values = [(abs(v), o, c) for o in outputs for c, v in o.dc.items()]
    if not values:
        return Clue("dc", None)
    top, o, c = max(values, key=lambda entry: entry[0])
    said = f"{100 * top:.1f} % of full scale on {_place(o, c)}"
    return Clue("dc", _over(math.log(max(top, 1e-9)), DC_LOG), said)


_WATCHED = ("jack", "dropouts", "soak")
_BREAKS = ("dropout", "dip")
_CLICKS = ("click", "crackle")
_SOME_CLICKS = (2.5, 0.5)  # one or two may be a plug that scrapes, or the table that was hit


def _breaks(observations: Sequence[Observation]) -> list[Clue]:
    watched = [o for o in observations if o.measurement.check in _WATCHED]
    if not watched:
        return []
    # What clicks in a soak clicks by itself: nothing was moved.
    seen = [
        (e, o)
        for o in watched
        for e in o.measurement.events
        if o.measurement.check != "soak" or e.kind not in _CLICKS
    ]
    apart = [(e, o) for e, o in seen if e.text == SLEEVE_OPEN]
    events = [(e, o) for e, o in seen if e.text != SLEEVE_OPEN]
    stereo = [o for o in watched if o.measurement.source.channels > 1]

    def said(these: Sequence[tuple[Event, Observation]]) -> str:
        where = sorted({o.output for _, o in these})
        return f"{len(these)} times on {' and '.join(where)}" if these else "none seen"

    def clue(name: str, fits: Callable[[int, str], bool]) -> Clue:
        these = [(e, o) for e, o in events if fits(len(e.channels), e.kind)]
        return Clue(name, _seen(len(these)), said(these))

    clues = [clue("hum bursts", lambda _, kind: kind == "hum_burst")]
    if apart:  # a sound that is the same left and right has no difference that could be left
        clues.append(Clue("difference left", SURE_OF_DIFFERENCE, said(apart)))
    if stereo:
        clues += [
            clue("breaks in one channel", lambda n, kind: kind in _BREAKS and n == 1),
            clue("breaks in both channels", lambda n, kind: kind in _BREAKS and n > 1),
            _clicks("clicks in one channel", [e for e, _ in events if len(e.channels) == 1]),
            _clicks("clicks in both channels", [e for e, _ in events if len(e.channels) > 1]),
        ]
    else:  # of one channel nobody knows what another one did
        clues += [
            clue("breaks", lambda _, kind: kind in _BREAKS),
            _clicks("clicks", [e for e, _ in events]),
        ]
    fading = sum(e.text == FADED for e, _ in events)
    times = f"{fading} times" if fading else "never"
    clues.append(Clue("fades when moved", _seen(fading), times))
    moved = {o.output: _does([e for e, of in seen if of is o]) for o in watched}
    if len(moved) > 1:
        doing = sorted(name for name, does in moved.items() if does > 0.5)
        where = f"on {' and '.join(doing)}, of {' and '.join(sorted(moved))}"
        every = _only_if(min(moved.values()), max(moved.values()))
        clues.append(Clue("moved on every output", every, where))
    return clues


_MORE_THAN_CHANCE = (0.4, 0.08)  # of the events, above the share of time that was looked at
_DEEDS: tuple[tuple[str, Kind], ...] = (
    ("comes when tapped", "tapped"),
    ("comes when heated", "heated"),
)


def _after_marks(observations: Sequence[Observation]) -> list[Clue]:
    """Whether anything follows the marks of what was done, more than chance would have it."""
    watched = [
        (o, outcomes(o.measurement)) for o in observations if o.measurement.check in _WATCHED
    ]
    found = []
    for name, kind in _DEEDS:
        own = [(o, [x for x in came if x.deed.kind == kind]) for o, came in watched]
        own = [(o, came) for o, came in own if came]
        if not own:
            continue
        total = sum(len(faults_of(o.measurement)) for o, _ in own)
        after = sum(x.events for _, came in own for x in came)
        share = sum(covered(o.measurement, kind) for o, _ in own) / len(own)
        soon = sum(x.soon for _, came in own for x in came)
        events = max(
            _over(count / max(total, 1) - by_chance, _MORE_THAN_CHANCE) * _seen(count)
            for count, by_chance in ((after, share), (soon, SOON * share))
        )
        changes = [(abs(c.decibels), c, x, o) for o, came in own for x in came for c in x.changes]
        said = f"{after} of {total} interruptions soon after it" if total else "nothing came"
        changed = 0.0
        if changes:
            _, change, outcome, o = max(changes, key=lambda entry: entry[0])
            changed = 0.97
            said = f"'{outcome.deed.text}' changed {in_words(change)} of {o.output}"
        found.append(Clue(name, max(events, changed), said))
    placed = [x for _, came in watched for x in came if x.deed.supply is not None]
    return [*found, *_from_supply(placed)]


def _from_supply(placed: Sequence[Outcome]) -> Iterator[Clue]:
    """Whether it comes when the supply is worked on, rather than when another place is."""
    there = [x.anything for x in placed if x.deed.supply]
    elsewhere = [x.anything for x in placed if not x.deed.supply]
    if there and elsewhere and any(there + elsewhere):
        own, other = sum(there) / len(there), sum(elsewhere) / len(elsewhere)
        said = f"{sum(there)} of {len(there)} there, {sum(elsewhere)} of {len(elsewhere)} elsewhere"
        yield Clue("comes from the supply", _over(own - other, _RATHER_THERE), said)


_RATHER_THERE = (0.0, 0.12)  # of the times, more than elsewhere


def _clicks(name: str, events: Sequence[Event]) -> Clue:
    count = sum(e.kind in _CLICKS for e in events)
    return Clue(name, _over(count, _SOME_CLICKS), f"{count} times" if count else "none seen")


def _does(events: Sequence[Event]) -> float:
    """Whether anything happens on an output while it is moved."""
    breaks = sum(e.kind in (*_BREAKS, "hum_burst") for e in events)
    clicks = sum(e.kind in _CLICKS for e in events)
    return max(_seen(breaks), _over(clicks, _SOME_CLICKS))


def _seen(count: int) -> float:
    """One event may be anything; three are a pattern."""
    return {0: 0.03, 1: 0.7, 2: 0.95, 3: 0.99, 4: 0.99, 5: 0.995}.get(count, 0.999)


def _turned(observations: Sequence[Observation], outputs: Sequence[_Output]) -> list[Clue]:
    hum = {o.name: o.hum_total for o in outputs}
    pots = [o for o in observations if o.measurement.check == "pot"]
    turned = [o.measurement for o in pots]
    rates = [
        r.value
        for o in pots
        for r in _of(o.measurement, "crackle_rate")
        if isinstance(r.value, float)
        and not _buzzes(o.measurement, r.channel, hum.get(o.output, {}))
    ]
    if not rates:
        return []
    worn = [r.value for m in turned for r in _of(m, "worn_travel") if isinstance(r.value, tuple)]
    crackle = _over(max(rates), (0.3, 0.1))
    clues = [Clue("crackle when turned", crackle, f"{max(rates):.1f} a second")]
    if worn:
        places = sum(len(w) for w in worn)
        said = "one place" if places == 1 else f"{places} places" if places else "none"
        clues.append(Clue("worn track", 0.96 if places else 0.04, said))
    return clues


def _buzzes(turned: Measurement, channel: int | None, hum: Mapping[int, float]) -> bool:
    """Whether hum is so strong beside the note that its edges may pass for crackle."""
    top = _by_channel(turned, "top_level")
    return channel in top and channel in hum and hum[channel] > top[channel] + BUZZ_DB


def _rails(observations: Sequence[Observation]) -> list[Clue]:
    """Whether a rail is gone, too low or too high; none is gone only if all were measured."""
    errors: list[_Off] = []
    ripples: list[tuple[float, Rail]] = []  # volts
    all_measured = True
    for o in observations:
        readings = {r.name: r for r in o.measurement.readings}
        for rail in o.rails:
            error = readings.get(reading_name("rail_error", rail))
            ripple = readings.get(reading_name("rail_ripple", rail))
            if error is not None and isinstance(error.value, float):
                doubt = error.uncertainty if isinstance(error.uncertainty, float) else 0.0
                errors.append((error.value, rail, doubt))
            else:
                all_measured = False
            if ripple is not None and isinstance(ripple.value, float):
                ripples.append((ripple.value, rail))
    clues = []
    if ripples:
        most, rail = max(ripples, key=lambda entry: entry[0])
        share = _over(math.log(max(most, 1e-6)), RIPPLE_LOG)
        clues.append(Clue("rail ripple", share, f"{1000 * most:.0f} mV on {_name(rail)}"))
    if not errors:
        return clues
    gone = [e for e in errors if 100 + e[0] < MISSING_PERCENT]  # of the wrong sign too
    there = [e for e in errors if e not in gone]
    lowest = min(errors, key=lambda e: e[0] / e[1].tolerance_percent)
    if gone:
        said = f"{_error(gone[0])}; {what_is_heard(gone[0][1])}"
        clues.append(Clue("rail missing", METER_SURE, said))
    elif not all_measured:
        clues.append(Clue("rail missing", None))
    else:
        clues.append(Clue("rail missing", 0.001, _error(lowest)))
    return [*clues, *(_beyond(name, sign, there, gone) for name, sign in _SIDES)]


_SIDES = (("rail low", -1), ("rail high", 1))


_Off = tuple[float, Rail, float]
"""By how many percent of nominal a rail is off, and the standard uncertainty of that."""


def _beyond(name: str, sign: int, there: Sequence[_Off], gone: Sequence[_Off]) -> Clue:
    """Whether a rail that is there lies beyond its tolerance on one side."""
    if not there:
        return Clue(name, None)

    def tolerances(error: _Off) -> float:
        return sign * error[0] / error[1].tolerance_percent

    farthest = max(there, key=tolerances)
    said = _error(farthest)
    if tolerances(farthest) > 1:
        sure = sign * farthest[0] > farthest[1].tolerance_percent + 2 * farthest[2]
        return Clue(name, METER_SURE if sure else 0.99, said)
    # A rail that is gone may pull another one down with it, but lifts none.
    return Clue(name, None if gone and sign < 0 else 0.01, said)


def _error(error: _Off) -> str:
    return f"{_name(error[1])} is off by {error[0]:+.0f} %".replace("-", "−")


def _name(rail: Rail) -> str:
    return rail.name.replace("-", "−")


def _signed(value: float) -> str:
    return f"{value:+.1f}".replace("-", "−")


def _db(value: float) -> str:
    return f"{value:.0f} dB".replace("-", "−")


def _place(output: _Output, channel: int) -> str:
    if output.sides:
        return output.sides[channel - 1]
    return f"{output.name} {channel}"
