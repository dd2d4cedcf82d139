"""Outputs: what was measured at one jack or stereo pair, by channel.

Levels are taken relative to the note, so that neither the gain of the rig nor the volume matters.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from sigbench.causes.clues import Clue, Threshold, over, whole_db
from sigbench.causes.idle import Idle, idle_of, tones_of
from sigbench.causes.note import Note, loud_quiet_low, notes_of, without_tones
from sigbench.causes.observation import Observation

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
    idle: Idle
    note_dbfs: float
    """The strongest note, which everything else is relative to."""
    rig_dbfs: float
    """Below this it may be the rig."""
    jacks: tuple[str, ...] = ()
    """Of two outputs with one channel each that are one pair, their names."""

    @property
    def sounds(self) -> bool:
        """Whether there is a note at all."""
        return any(note.level for note in self.notes)

    def jack(self, channel: int) -> str:
        """The jack of a channel: two outputs that were paired have one each."""
        return self.jacks[channel - 1] if self.jacks else self.name

    def place(self, channel: int) -> str:
        """A channel as it is said: ``main 2``, or the name of its own jack."""
        return self.jack(channel) if self.jacks else f"{self.name} {channel}"

    def places(self, one: int, other: int) -> str:
        """Two channels as they are said: ``main 2 and 1``, or the names of their jacks."""
        return f"{self.place(one)} and {self.place(other) if self.jacks else other}"

    def from_the_unit(self, holds: float, decibels: float) -> float | None:
        """That something is there, where the rig would not do as much; `decibels` re the note."""
        weak = decibels + self.note_dbfs < self.rig_dbfs
        return None if weak and holds > 0.5 else holds


def output_of(name: str, observations: Sequence[Observation]) -> Output | None:
    """What the tone and idle checks of one output say; None without any."""
    tones = [o.measurement for o in observations if o.measurement.check == "tone"]
    rest = [o for o in observations if o.measurement.check == "idle"]
    idle = [o.measurement for o in rest if not o.volume_down]
    if not tones and not idle:
        return None
    beside = tones_of(idle)
    notes = tuple(without_tones(note, beside) for note in notes_of(tones))
    loud, quiet, low = loud_quiet_low(notes)
    note_dbfs = max((n.strongest for n in notes if n.level), default=ASSUMED_NOTE_DBFS)
    channels = {r.channel for m in (*tones, *idle) for r in m.readings if r.channel is not None}
    return Output(
        name=name,
        channels=tuple(sorted(channels)),
        notes=notes,
        loud=loud,
        quiet=quiet,
        low=low,
        idle=idle_of(rest, note_dbfs),
        note_dbfs=note_dbfs,
        rig_dbfs=-math.inf if all(o.rig_known for o in rest) else RIG_DBFS,
    )


def loudest_note(outputs: Iterable[Output]) -> float:
    """The strongest note of all outputs in dBFS."""
    return max((o.note_dbfs for o in outputs if o.sounds), default=ASSUMED_NOTE_DBFS)


def beside_the_loudest(outputs: Sequence[Output]) -> list[Output]:
    """The outputs, where one that is dead, or was not played, goes by the note of the others."""
    loudest = loudest_note(outputs)
    return [
        o if o.notes and o.note_dbfs > loudest - DEAD_DB[0] else replace(o, note_dbfs=loudest)
        for o in outputs
    ]


def balanced(outputs: Sequence[Output]) -> list[tuple[float, Output]]:
    """The outputs that play on both channels, and by how many dB left is stronger than right."""
    loudest = loudest_note(outputs)
    return [
        (o.loud.balance, o)
        for o in outputs
        if o.loud is not None
        and o.loud.strongest >= loudest - DEAD_DB[0]
        and o.loud.balance is not None
        and abs(o.loud.balance) < DEAD_DB[0]
    ]


def whether_there(
    name: str, decibels: float, o: Output, channel: int, threshold: Threshold
) -> Clue:
    """Whether something is there: the strongest of it, in dB re the note, and where."""
    said = f"{whole_db(decibels)} re the note on {o.place(channel)}"
    holds = o.from_the_unit(over(decibels, threshold), decibels)
    if holds is None:
        level = whole_db(decibels + o.note_dbfs)
        said += f", and at {level}FS it may be the rig's own: record it louder"
    return Clue(name, holds, said)
