"""The pitch of a soak: a note is followed wherever it goes, and it is known when it is lost."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sigbench.errors import RequestError
from sigbench.measure.level_track import LOWEST_TONE_HZ, ToneStep, ToneTracker
from sigbench.measure.mains import Mains, measure_mains
from sigbench.measure.spectrum import Spectrum, power_spectrum
from sigbench.measure.tone import Line, NoTone, find_tone
from sigbench.units import cents, rms_to_dbfs

LONGEST_PAUSE = 16  # stretches between two searches for a tone
RECENTRE_HZ = 2.0  # drift after which the tone is followed from its new place
MOST_STEPS = 0.75  # share of a stretch's steps that a pitch needs: less is a part of a change
FEW_STEPS = 0.25  # with fewer the tone was gone all the while, and is looked for at once
FAINTER_DB = 20.0  # a sound so much weaker than the note was is another, or none
LOWER_NOTES = (2, 3)  # the tone may become this partial of a lower note; our own choice
LOWER_DB = -12.0  # level of that note's own tone re its partial, from which on it counts
ALIKE_CENTS = 10.0  # how well a partial and its fundamental agree in their deviations
SAME_CENTS = 50.0  # a tone so near is the one that was followed
LOST = "the tone was lost"

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


class NoteFollower:
    """Pitch of one channel's note in stretches of sound that follow one another.

    Parameters
    ----------
    samplerate : int
        Frames a second.
    reference_hz : float or None
        The note that pitch is compared with; None takes the first that is heard.
    mains_hz : float or None
        Nominal mains frequency, whose lines are no note; None where it is not known.
    """

    def __init__(
        self, samplerate: int, *, reference_hz: float | None, mains_hz: float | None
    ) -> None:
        self.reference_hz = reference_hz
        self.no_tone = "no steady tone"  # why there is none now
        self.followed = 0  # stretches with the tone
        self.unfollowed = 0  # later ones in which the sound goes on without it
        self.lost_since: int | None = None  # the first of these that were not followed by it
        self._samplerate = samplerate
        self._mains_hz = mains_hz
        self._tone: ToneTracker | None = None
        self._lower: dict[int, ToneTracker] = {}  # by the partial of theirs that the tone would be
        self._lower_at_first: set[int] | None = None
        self._lower_counts = True
        self._followed_hz: float | None = None
        self._followed_dbfs = 0.0
        self._first_level = 0.0
        self._next_search = 0
        self._pause = 1

    @property
    def now_hz(self) -> float | None:
        """Where the note was heard last, or is expected."""
        return self._followed_hz or self.reference_hz

    def measure(self, signal: Floats, number: int, level: float) -> float:
        """Cents re the reference; not a number where the stretch has no one pitch.

        `number` is that of the stretch, and `level` its level in dBFS.
        """
        pitch = self._pitch(signal, number)
        if math.isfinite(pitch):
            if self.followed == 0:
                self._first_level = level
            self.followed += 1
            self.lost_since = None
        elif self.followed and level > self._first_level - FAINTER_DB:
            self.unfollowed += 1
            self.lost_since = number if self.lost_since is None else self.lost_since
        else:
            self.lost_since = None  # with the sound itself, which its level tells
        return pitch

    def _pitch(self, signal: Floats, number: int) -> float:
        if self._tone is None:
            return self._search(signal, number) if number >= self._next_search else math.nan
        steps = self._tone.feed(signal)
        own = _clear(steps) & ~self._newly_lower(signal, steps)
        if np.mean(own) < FEW_STEPS:
            return self._search(signal, number)
        pitch = self._mean(steps, own)
        if not np.any(own[-2:]):  # it left within the stretch: where to, the next one shows
            self._tone = None
            self.no_tone = LOST
            self._next_search = number + 1
        return pitch

    def _mean(self, steps: Sequence[ToneStep], own: Bools) -> float:
        """Mean deviation in the steps that are the tone's own; it is followed from there on."""
        if np.mean(own) < MOST_STEPS:
            return math.nan
        assert self._followed_hz is not None
        assert self.reference_hz is not None
        heard = [step for step, its in zip(steps, own, strict=True) if its]
        off = float(np.mean([step.cents for step in heard if step.cents is not None]))
        self._followed_dbfs = float(np.median([step.level for step in heard]))
        now_hz = self._followed_hz * 2 ** (off / 1200)
        if abs(now_hz - self._followed_hz) > RECENTRE_HZ:
            self._follow(now_hz)
        return float(cents(now_hz, self.reference_hz))

    def _search(self, signal: Floats, number: int) -> float:
        """Look for the tone where it was, then anywhere."""
        self._tone = None
        if self._followed_hz is not None:
            self.no_tone = LOST
        # What was not heard for long is looked for less often.
        self._next_search = number + self._pause
        self._pause = min(2 * self._pause, LONGEST_PAUSE)
        if np.ptp(signal) == 0:
            return math.nan
        spectrum = power_spectrum(signal, self._samplerate)
        mains = measure_mains(signal, self._samplerate, nominal_hz=self._mains_hz)
        was_hz = self._followed_hz
        near = find_tone(spectrum, mains, expected_hz=was_hz or self.reference_hz)
        if was_hz is None:
            return self._take_up(near, signal)
        pitch = self._take_up(near, signal)
        if self._tone is None:
            pitch = self._take_up(self._anywhere(spectrum, mains), signal, lower=True)
            same = self._tone is not None and abs(cents(self._followed_hz, was_hz)) < SAME_CENTS
            if same:  # what sounds below it is no note
                self._lower_counts = False
        return pitch

    def _anywhere(self, spectrum: Spectrum, mains: Mains | None) -> Line | NoTone:
        """The tone of a sound that may be any note, but is no remnant of the one before."""
        tone = find_tone(spectrum, mains)
        if isinstance(tone, NoTone):
            return tone
        faint = float(rms_to_dbfs(math.sqrt(tone.power))) < self._followed_dbfs - FAINTER_DB
        if faint:
            return NoTone(LOST)
        # Where the note was a partial of a lower one from the first, it is so again.
        partial = max(self._lower_at_first or {1})
        return replace(tone, frequency_hz=partial * tone.frequency_hz)

    def _take_up(self, tone: Line | NoTone, signal: Floats, *, lower: bool = False) -> float:
        """Follow a tone that was found, if it is there to be followed; its pitch.

        Where `lower`, it is known to be the lowest of the sound.
        """
        if isinstance(tone, NoTone):
            self.no_tone = tone.reason
            return math.nan
        before_hz = self._followed_hz
        try:
            self._follow(tone.frequency_hz)
        except RequestError as error:
            self.no_tone = str(error)
            return math.nan
        assert self._tone is not None
        steps = self._tone.feed(signal)
        newly = self._newly_lower(signal, steps)
        own = _clear(steps) if lower else _clear(steps) & ~newly
        if np.mean(own) < FEW_STEPS:
            self._tone, self._followed_hz = None, before_hz
            self.no_tone = LOST
            return math.nan
        self._pause = 1
        if self.reference_hz is None:
            self.reference_hz = tone.frequency_hz
        return self._mean(steps, own)

    def _follow(self, frequency_hz: float) -> None:
        self._tone = ToneTracker(self._samplerate, frequency_hz)
        self._followed_hz = frequency_hz
        self._lower = {
            k: ToneTracker(self._samplerate, frequency_hz / k)
            for k in LOWER_NOTES
            if frequency_hz / k >= LOWEST_TONE_HZ
        }

    def _newly_lower(self, signal: Floats, steps: Sequence[ToneStep]) -> Bools:
        """In which steps the tone is a partial of a lower note that was not there at first."""
        below = {k: tracker.feed(signal) for k, tracker in self._lower.items()}
        if self._lower_at_first is None:
            self._lower_at_first = {
                k for k, lower in below.items() if np.any(_fundamental(lower, steps, -math.inf))
            }
        found = np.zeros(len(steps), dtype=bool)
        for k, lower in below.items():
            if self._lower_counts and k not in self._lower_at_first:
                found |= _fundamental(lower, steps, LOWER_DB)
        return found


def _clear(steps: Sequence[ToneStep]) -> Bools:
    """In which steps the tone was heard, as in those beside it: no change lies within them."""
    heard = np.array([step.cents is not None for step in steps], dtype=bool)
    around = np.concatenate([heard[:1], heard, heard[-1:]])
    return np.asarray(around[:-2] & heard & around[2:])


def _fundamental(lower: Sequence[ToneStep], steps: Sequence[ToneStep], least_db: float) -> Bools:
    """In which steps a lower tone deviates as its partial does, and is as strong."""
    return np.array(
        [
            low.cents is not None
            and step.cents is not None
            and abs(low.cents - step.cents) < ALIKE_CENTS
            and low.level > step.level + least_db
            for low, step in zip(lower, steps, strict=True)
        ],
        dtype=bool,
    )
