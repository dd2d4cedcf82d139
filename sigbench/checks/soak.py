"""Soak: a steady sound, or silence, is watched for minutes to a day while the unit warms up.

Level, pitch, hum and noise are followed against time, with the interruptions and clicks. A course
holds at most `MOST_POINTS` points, whose stretches double when there would be more, so that a day
takes little more memory than an hour.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sigbench.checks import NO_ONSET
from sigbench.checks.clicks import crackle_reading, own_clicks_words
from sigbench.checks.dropouts import NOT_STEADY, not_watched
from sigbench.checks.jack import TOGETHER_SECONDS
from sigbench.checks.marks import counted, pauses
from sigbench.checks.readings import SILENT, reading, spoil_overloaded
from sigbench.checks.soak_pitch import NoteFollower
from sigbench.errors import RequestError
from sigbench.measure.clipping import clipped_samples
from sigbench.measure.crackle import CrackleDetector
from sigbench.measure.dropouts import (
    EDGE_UNCERTAINTY_SECONDS,
    DropoutDetector,
    mark_lost_buffers,
)
from sigbench.measure.estimate import Estimate
from sigbench.measure.level import SEGMENTS, measure_level
from sigbench.measure.level_track import LEVEL_SECONDS
from sigbench.measure.mains import NOMINAL_HZ, TOLERANCE
from sigbench.measure.rhythm import without_regular
from sigbench.measure.streaming import require_block
from sigbench.measure.trend import (
    LEAST_POINTS,
    ONSET_LEAST_POINTS,
    POINTS_AFTER,
    NoOnset,
    Onset,
    find_onset,
    find_onset_of_events,
    measure_trend,
)
from sigbench.model import (
    CheckSettings,
    Event,
    LongTake,
    LostBuffers,
    Measurement,
    Reading,
    Samples,
    Take,
)
from sigbench.units import (
    FULL_SCALE_SINE_RMS,
    NEPER_DB,
    power_ratio_to_db,
    ratio_to_db,
)

STRETCH_SECONDS = 2.0  # the shortest stretch of a course
MOST_POINTS = 300  # of a course; then two stretches become one
SPECTRUM_EVERY = 3  # stretches: hum and noise are measured in one of them
PARTS = 10  # of a stretch, whose median level counts: a short interruption leaves it alone
MOST_EVENTS = 5000  # interruptions and clicks each that are kept; later ones are counted only
SETTLED_SECONDS = 1.0  # after a click: by then it is known whether it was part of a break
REMEMBERED = 10  # stretches whose hum and noise can be taken back for a click told later
FLOOR_DBFS = -120.0  # a level of nothing counts as this, so that its loss is seen
SPECTRUM_FLOOR_DBFS = -160.0  # the same for hum and noise
NEAR_FULL_SCALE = 0.9  # below it nothing clips; the coarsest converter's top code is 0.992
MOST_CLIPPED = 0.1  # share of a channel's stretches; with more nothing is told
HUM_LINES = 4  # of the mains comb; above the 4th they fall off (common practice, no source)
NOTE_REACH_HZ = 4.0  # a mains line so near a partial of the note is left to the note
MOVING_DB = 6.0  # a sound that moves more than this within a stretch hides hum and noise
WELL_FOLLOWED = 0.9  # share of the stretches with a sound; with less no pitch is called steady

COURSES = {
    "level": ("dBFS", "dB", 0.1),
    "pitch": ("cents", "cents", 1.0),
    "hum": ("dBFS", "dB", 3.0),
    "noise": ("dBFS", "dB", 3.0),
}
"""Of each course its unit, that of its changes, and the smallest onset told (our own choice)."""
RESOLUTION = 0.1
"""Of the smallest onset: over a whole course, no drift is known better. Hum beside the note beats
with it, and in stretches of 2 s the beat may look as slow as a drift."""

_NOISE_BAND_HZ = (20.0, 20_000.0)
_BANDS_PER_OCTAVE = 3
_EVERY = 2  # bins: neighbours under a Hann window tell nearly the same
_TOO_SHORT = "too short"
_AT_ONCE = {"step": "changed at once", "excursion": "was off for a while"}
"""Of each kind of onset that leaves no straight line, what the course did."""
_OF_ITSELF = "the sound moves by itself (tremolo, decay, beating), which hides {}"

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SoakCourse:
    """One quantity of one channel against time, ready to be plotted.

    Parameters
    ----------
    name : str
        "level", "pitch", "hum" or "noise".
    unit : str
        dBFS, or cents.
    channel : int
        Counted from 1.
    points : tuple of (float, float)
        Seconds from the start, and value.
    uncertainty : float
        Standard uncertainty of a point.
    """

    name: str
    unit: str
    channel: int
    points: tuple[tuple[float, float], ...]
    uncertainty: float


@dataclass(frozen=True, slots=True)
class SoakCourses:
    """All courses of a soak, with its events and marks, and the onset of each channel, if any."""

    courses: tuple[SoakCourse, ...]
    events: tuple[Event, ...]
    marks: tuple[Event, ...]
    onsets: tuple[tuple[int, float], ...]

    def named(self, name: str, channel: int) -> SoakCourse | None:
        """The course of one name and channel; None where it could not be measured."""
        for course in self.courses:
            if (course.name, course.channel) == (name, channel):
                return course
        return None


def soak_courses(measurement: Measurement) -> SoakCourses:
    """The courses in a measurement, fresh or stored.

    Raises
    ------
    RequestError
        If the measurement is of another check.
    """
    if measurement.check != "soak":
        raise RequestError(
            f"Courses are in a soak, and this is the check '{measurement.check}': choose a soak."
        )
    courses, onsets = [], []
    for r in measurement.readings:
        name, _, last = r.name.rpartition("_")
        if last == "course" and isinstance(r.value, tuple) and r.channel is not None:
            points = tuple((float(t), float(v)) for t, v in r.value)  # type: ignore[misc]
            own = r.uncertainty[0] if isinstance(r.uncertainty, tuple) else 0.0
            courses.append(SoakCourse(name, r.unit, r.channel, points, own))
        if r.name == "onset" and isinstance(r.value, float) and r.channel is not None:
            onsets.append((r.channel, r.value))
    return SoakCourses(
        tuple(courses),
        tuple(e for e in measurement.events if e.kind != "mark"),
        tuple(e for e in measurement.events if e.kind == "mark"),
        tuple(onsets),
    )


def overlay(before: SoakCourses, after: SoakCourses) -> tuple[tuple[SoakCourse, SoakCourse], ...]:
    """The courses that both soaks have, in pairs, for one pair of axes each."""
    return tuple(
        (course, other)
        for course in before.courses
        if (other := after.named(course.name, course.channel)) is not None
    )


def check_soak(take: Take | LongTake, settings: CheckSettings) -> Measurement:
    """Follow level, pitch, hum, noise and interruptions; see `sigbench.checks.measure`.

    Parameters
    ----------
    take : Take or LongTake
        A steady sound, or silence. It is read once. Its marks say what the person did and when;
        what lies in a pause does not count.
    settings : CheckSettings
        `frequency_hz` is the note that pitch is compared with; without it, that of the start.

    Raises
    ------
    RequestError
        If a mark is another kind of event.
    """
    watch = SoakWatch(take.samplerate, take.channels, settings, bits=take.bits, lost=take.lost)
    for mark in take.marks:
        watch.mark(mark)
    for block in take.blocks():
        watch.feed(block)
    readings, events = watch.finish()
    return Measurement("soak", take.source, readings, events)


class SoakWatch:
    """A soak that comes in blocks.

    Blocks of any sizes give the same readings and events. Memory is bounded. What there is so far
    can be had at any time.

    Parameters
    ----------
    samplerate : int
        Frames a second.
    channels : int
        Channels of each block.
    settings : CheckSettings or None
        As of `check_soak`.
    bits : int or None
        Resolution of the samples; None for floating point.
    lost : sequence of LostBuffers
        What the computer lost, as far as it is known beforehand.
    """

    def __init__(
        self,
        samplerate: int,
        channels: int,
        settings: CheckSettings | None = None,
        *,
        bits: int | None = None,
        lost: Sequence[LostBuffers] = (),
    ) -> None:
        settings = settings or CheckSettings()
        self._samplerate = samplerate
        self._detector = DropoutDetector(samplerate, channels, lost)
        self._crackle = CrackleDetector(samplerate, channels)
        self._breaks: list[Event] = []  # the latest: clicks beside them are their edges
        self._heard: list[Event] = []  # clicks that may yet be part of a break
        self._clicks: list[Event] = []
        # A whole number of steps of the level in each part.
        step = max(1, round(LEVEL_SECONDS * samplerate))
        self._steps = PARTS * round(STRETCH_SECONDS / LEVEL_SECONDS / PARTS)
        self._stretch = np.empty((channels, self._steps * step))
        self._filled = 0
        self._done = 0
        self._lost: list[LostBuffers] = list(lost)
        self._lost_ahead: list[LostBuffers] = list(lost)
        self._marks: list[Event] = []
        self._events: list[Event] = []
        self._channels = [
            _Channel(number, samplerate, self._stretch.shape[1], settings, bits)
            for number in range(1, channels + 1)
        ]

    @property
    def seconds(self) -> float:
        """How much there is so far."""
        return (self._done + self._filled) / self._samplerate

    @property
    def events(self) -> tuple[Event, ...]:
        """The events so far that count, without the marks."""
        return tuple(sorted([*self._events, *self._clicks], key=lambda e: e.start))

    @property
    def remarks(self) -> tuple[str, ...]:
        """What there is to be said beside the events."""
        return own_clicks_words(self._crackle.regular)

    @property
    def open_since(self) -> tuple[float | None, ...]:
        """Of each channel, since when it is in an interruption that goes on, in seconds."""
        return self._detector.open_since

    @property
    def marks(self) -> tuple[Event, ...]:
        """The marks so far, in order. A pause that goes on ends now."""
        return tuple(replace(m, end=max(m.start, min(m.end, self.seconds))) for m in self._marks)

    def mark(self, mark: Event) -> None:
        """Note what the person did.

        A mark that lasts is a pause, in which nothing counts. Of one whose end is not known yet
        the end is ``math.inf``; it is marked again, with the same start, when it is over.

        Raises
        ------
        RequestError
            If it is another kind of event.
        """
        if mark.kind != "mark":
            raise RequestError(
                f"An event of kind '{mark.kind}' was given as a mark: give marks only."
            )
        open_before = [m for m in self._marks if (m.start, m.end) == (mark.start, math.inf)]
        self._marks = [m for m in self._marks if m not in open_before]
        self._marks = sorted([*self._marks, mark], key=lambda m: m.start)

    def feed(self, block: Samples, lost: Sequence[LostBuffers] = ()) -> tuple[Event, ...]:
        """Take the next block, of shape (frames, channels); the events that it completed.

        `lost` is what the computer lost, as far as it was not known before.

        Raises
        ------
        SignalError
            If the block has another number of channels, or values that are not finite.
        """
        require_block(block, len(self._channels), "soak")
        self._lost += lost
        self._lost_ahead += lost
        told: list[Event] = []
        used = 0
        while used < len(block):
            n = min(len(block) - used, self._stretch.shape[1] - self._filled)
            part = block[used : used + n]
            # At the end of a stretch the same is known, however large the blocks.
            told += self._keep(self._detector.feed(part))
            self._hear(self._crackle.feed(part))
            self._stretch[:, self._filled : self._filled + n] = part.T
            self._filled += n
            used += n
            if self._filled == self._stretch.shape[1]:
                self._measure_stretch()
                told += self._tell_clicks(self.seconds - SETTLED_SECONDS)
        return tuple(told)

    def finish(self) -> tuple[tuple[Reading, ...], tuple[Event, ...]]:
        """No more blocks: the readings, and all events with the marks among them."""
        self._keep(self._detector.finish())
        self._hear(self._crackle.finish())
        self._tell_clicks(math.inf)
        return self.readings(), counted(self.events, self.marks)

    def readings(self) -> tuple[Reading, ...]:
        """All readings so far."""
        shares = self._detector.steady_shares
        regular = self._crackle.regular
        rates = [
            crackle_reading(count, max(self.seconds, 1e-9), number, regular)
            for number, count in enumerate(self._crackle.counts, start=1)
        ]
        rest = self._stretch[:, : 0 if self._paused(self._filled) else self._filled]
        return tuple(
            reading
            for channel, signal, share, rate in zip(
                self._channels, rest, shares, rates, strict=True
            )
            for reading in channel.readings(signal, share, rate, self._marks)
        )

    def courses(self, *, with_onsets: bool = False) -> SoakCourses:
        """The courses so far: those that `soak_courses` finds in a measurement made now.

        Looking for onsets takes its time: the onset of a channel is among them if it is asked for.
        """
        courses, onsets = [], []
        for channel in self._channels:
            if channel.nothing is None:
                courses += channel.courses()
                onset = channel.onset() if with_onsets else None
                onsets += [(channel.number, onset)] if onset is not None else []
        return SoakCourses(tuple(courses), self.events, self.marks, tuple(onsets))

    def _keep(self, found: Sequence[Event]) -> tuple[Event, ...]:
        if not found:
            return ()
        self._breaks += found
        found = mark_lost_buffers(found, self._lost, self._samplerate)
        events = tuple(e for e in counted(found, self._marks) if e.kind != "mark")
        self._events += events[: MOST_EVENTS - len(self._events)]
        for event in events:
            for number in event.channels:
                self._channels[number - 1].count(event)
        return events

    def _hear(self, clicks: Sequence[Event]) -> None:
        """Note transients; where they are, hum and noise cannot be told."""
        self._heard += clicks
        for click in clicks:
            for number in click.channels:
                self._channels[number - 1].take_back(click.start, click.end)

    def _tell_clicks(self, until: float) -> tuple[Event, ...]:
        """Keep the clicks that were over by then and stand alone, and tell them."""
        self._take_back_regular()
        due = [click for click in self._heard if click.end <= until]
        if due:
            self._heard = [click for click in self._heard if click.end > until]
            due = without_regular(due, self._crackle.regular)
            due = [click for click in due if not self._part_of_break(click)]
            due = list(mark_lost_buffers(due, self._lost, self._samplerate))
            due = [e for e in counted(due, self._marks) if e.kind in ("click", "crackle")]
            self._clicks += due[: MOST_EVENTS - len(self._clicks)]
            self._count_clicks(due, 1)
        # A break is told soon after it is over, and this comes after every stretch.
        oldest = self.seconds - 5 * STRETCH_SECONDS
        self._breaks = [event for event in self._breaks if event.end >= oldest]
        return tuple(due)

    def _take_back_regular(self) -> None:
        """The first clicks of those that turned out to keep time were counted."""
        own = without_regular(self._clicks, self._crackle.regular)
        if own != self._clicks:
            self._count_clicks(self._clicks, -1)
            self._clicks = own
            self._count_clicks(self._clicks, 1)

    def _count_clicks(self, clicks: Sequence[Event], times: int) -> None:
        for click in clicks:
            for number in click.channels:
                self._channels[number - 1].count_click(click, times)

    def _part_of_break(self, click: Event) -> bool:
        """Whether an interruption, maybe one that goes on, holds a click or touches it."""
        spans = [(event.start, event.end) for event in self._breaks]
        spans += [(start, math.inf) for start in self.open_since if start is not None]
        return any(
            start - TOGETHER_SECONDS <= click.end and click.start <= end + TOGETHER_SECONDS
            for start, end in spans
        )

    def _paused(self, frames: int) -> bool:
        """Whether a pause touches the frames that come next."""
        start, end = (at / self._samplerate for at in (self._done, self._done + frames))
        return any(begun < end and start < over for begun, over in pauses(self._marks))

    def _measure_stretch(self) -> None:
        frames = self._filled
        spoiled = any(
            self._done - frames // 10 <= loss.frame + loss.spoiled
            and loss.frame < self._done + frames
            for loss in self._lost_ahead
        )
        paused = self._paused(frames)
        crackling = self._crackle.open_since
        for channel, signal, since in zip(self._channels, self._stretch, crackling, strict=True):
            if paused:
                channel.leave_out()
            else:
                channel.take(signal.reshape(self._steps, -1), spoiled)
            if since is not None:
                channel.take_back(since, self.seconds)
        self._done += frames
        self._filled = 0
        self._lost_ahead = [
            loss
            for loss in self._lost_ahead
            if loss.frame + loss.spoiled >= self._done - frames // 10
        ]


class _Course:
    """Means of a quantity over stretches that grow as time goes on."""

    def __init__(self, seconds: float, offset: float) -> None:
        self.seconds = seconds  # between two values
        self._offset = offset  # from the start of the first to its middle
        self._merged = 1
        self._sums: list[float] = []
        self._counts: list[int] = []
        self._values = 0

    def add(self, value: float) -> None:
        """The next value; one that is missing is not a number."""
        if self._values % self._merged == 0:
            if len(self._sums) == MOST_POINTS:
                self._sums = [a + b for a, b in zip(self._sums[::2], self._sums[1::2], strict=True)]
                self._counts = [
                    a + b for a, b in zip(self._counts[::2], self._counts[1::2], strict=True)
                ]
                self._merged *= 2
            self._sums.append(0.0)
            self._counts.append(0)
        self._values += 1
        if math.isfinite(value):
            self._sums[-1] += value
            self._counts[-1] += 1

    def take_back(self, number: int, value: float) -> None:
        """Value `number`, which was this one, is missing after all."""
        at = number // self._merged
        self._counts[at] -= 1
        self._sums[at] = self._sums[at] - value if self._counts[at] else 0.0

    def points(self) -> tuple[Floats, Floats]:
        """Times and values; a last point that is not whole is left out."""
        whole = self._values // self._merged
        sums, counts = np.array(self._sums[:whole]), np.array(self._counts[:whole])
        values = np.where(counts > 0, sums / np.maximum(counts, 1), np.nan)
        step = self.seconds * self._merged
        first = self._offset + self.seconds * (self._merged - 1) / 2
        times: Floats = first + step * np.arange(float(whole))
        return times, values


class _Powers:
    """Mean square and peak of a channel so far, in parts, for its levels."""

    def __init__(self, seconds: float) -> None:
        self._parts = _Course(seconds / PARTS, 0.0)
        self._total = 0.0
        self._count = 0
        self._peak = 0.0
        self._peaks = 0.0  # sum over the parts, and that of their squares
        self._squared_peaks = 0.0

    def add(self, powers: Floats, peaks: Floats) -> None:
        """Mean square and peak of each part of a stretch."""
        for power in powers:
            self._parts.add(float(power))
        self._total += float(np.sum(powers))
        self._count += len(powers)
        self._peak = max(self._peak, float(np.max(peaks)))
        self._peaks += float(np.sum(peaks))
        self._squared_peaks += float(np.dot(peaks, peaks))

    def readings(self, rest: Floats, samplerate: int, channel: int) -> list[Reading]:
        """Levels of all parts and of what follows them."""
        if self._count == 0 and len(rest):
            level = measure_level(rest, samplerate)
            rms, peak = level.rms, level.peak
        else:
            rms, peak = self._level(rest, samplerate)
        return [
            reading("level_rms", "dBFS", rms, channel=channel),
            reading("level_peak", "dBFS", peak, channel=channel),
        ]

    def _level(self, rest: Floats, samplerate: int) -> tuple[Estimate, Estimate]:
        length = self._parts.seconds * samplerate
        energy = self._total * length + float(np.dot(rest, rest))
        mean_square = energy / (self._count * length + len(rest)) if self._count else 0.0
        highest = max(self._peak, float(np.max(np.abs(rest), initial=0.0)))
        if mean_square == 0.0:
            return Estimate(-math.inf, 0.0), Estimate(-math.inf, 0.0)
        _, powers = self._parts.points()
        segments = [float(np.mean(part)) for part in np.array_split(powers, SEGMENTS) if len(part)]
        scatter = float(np.std(segments, ddof=1)) / math.sqrt(len(segments))
        mean = self._peaks / self._count
        variance = max(self._squared_peaks / self._count - mean * mean, 0.0)
        return (
            Estimate(
                float(power_ratio_to_db(np.float64(mean_square / FULL_SCALE_SINE_RMS**2))),
                NEPER_DB / 2 * scatter / mean_square,
            ),
            Estimate(
                float(ratio_to_db(np.float64(highest))), NEPER_DB * math.sqrt(variance) / highest
            ),
        )


class _Channel:
    """What is gathered of one channel."""

    def __init__(
        self,
        number: int,
        samplerate: int,
        frames: int,
        settings: CheckSettings,
        bits: int | None,
    ) -> None:
        self.number = number
        self._samplerate = samplerate
        self._settings = settings
        self._bits = bits
        self._seconds = frames / samplerate
        half = self._seconds / 2
        self._powers = _Powers(self._seconds)
        self._courses = {name: _Course(self._seconds, half) for name in ("level", "pitch")}
        nominals = NOMINAL_HZ if settings.mains_hz is None else (settings.mains_hz,)
        every = SPECTRUM_EVERY * self._seconds
        self._hums = {nominal: _Course(every, half) for nominal in nominals}
        self._hum_powers = dict.fromkeys(nominals, 0.0)
        self._courses["noise"] = _Course(every, half)
        self._spectrum = _StretchSpectrum(frames, samplerate)
        self._stretches = 0
        self._paused_stretches = 0
        self._first_clipped: int | None = None
        self._clipped_samples = 0
        self._clipped_stretches = 0
        self._lost_stretches = 0
        self._silent = True
        self._note = NoteFollower(
            samplerate, reference_hz=settings.frequency_hz, mains_hz=settings.mains_hz
        )
        self._spectra: dict[int, tuple[float, dict[float, float]]] = {}  # of the latest stretches
        self._clicked: set[int] = set()  # the latest stretches with clicks
        self._clicked_spectra = 0
        self._interruptions: dict[int, int] = {}  # dropouts and dips that began in a stretch
        self._clicks: dict[int, int] = {}  # the same of clicks and crackle
        self._clicks_counted = 0
        self._dropouts = 0
        self._dropout_seconds = 0.0
        self._spared = 0

    def count(self, event: Event) -> None:
        """Reckon with an interruption."""
        if event.kind == "lost_buffers":
            self._spared += 1
            return
        at = int(event.start / self._seconds)
        self._interruptions[at] = self._interruptions.get(at, 0) + 1
        if event.kind == "dropout":
            self._dropouts += 1
            self._dropout_seconds += event.end - event.start

    def count_click(self, click: Event, times: int) -> None:
        """Reckon with a click, or a crackle, so many times; less than none takes it back."""
        at = int(click.start / self._seconds)
        self._clicks[at] = self._clicks.get(at, 0) + times
        self._clicks_counted += times

    def take_back(self, start: float, end: float) -> None:
        """Leave out hum and noise of the stretches in which there are clicks, from then to then."""
        first = max(int(start / self._seconds), self._stretches - REMEMBERED)
        for number in range(first, int(end / self._seconds) + 1):
            self._clicked.add(number)
            if number in self._spectra:
                self._clicked_spectra += 1
                noise, hums = self._spectra.pop(number)
                self._courses["noise"].take_back(number // SPECTRUM_EVERY, noise)
                for nominal, hum in hums.items():
                    if math.isfinite(hum):
                        self._hums[nominal].take_back(number // SPECTRUM_EVERY, hum)
                        self._hum_powers[nominal] -= 10 ** (hum / 10)

    def leave_out(self) -> None:
        """The next stretch does not count."""
        self._paused_stretches += 1
        self._courses["level"].add(math.nan)
        self._courses["pitch"].add(math.nan)
        self._add_spectrum(math.nan, dict.fromkeys(self._hums, math.nan))
        self._stretches += 1

    def take(self, steps: Floats, spoiled: bool) -> None:
        """Measure the next stretch, of shape (steps, frames)."""
        signal = steps.reshape(-1)
        highest, lowest = steps.max(axis=1), steps.min(axis=1)
        peaks = np.maximum(highest, -lowest)
        squares = np.vecdot(steps, steps) / steps.shape[1]
        parts = squares.reshape(PARTS, -1).mean(axis=1)
        self._powers.add(parts, peaks.reshape(PARTS, -1).max(axis=1))
        flat = bool(np.max(highest) == np.min(lowest))
        self._silent = self._silent and flat
        clipped = clipped_samples(signal, self._bits) if np.max(peaks) > NEAR_FULL_SCALE else 0
        if clipped and self._first_clipped is None:
            self._first_clipped = self._stretches
        self._clipped_samples += clipped
        self._clipped_stretches += clipped > 0
        self._lost_stretches += spoiled
        usable = not (clipped or spoiled)
        level = _median(_levels(parts))
        self._courses["level"].add(level if usable else math.nan)
        pitch = self._note.measure(signal, self._stretches, level)
        self._courses["pitch"].add(pitch if usable else math.nan)
        hums, noise = dict.fromkeys(self._hums, math.nan), math.nan
        if self._stretches % SPECTRUM_EVERY == 0 and usable:
            fine = _levels(squares)
            if float(np.max(np.abs(fine - _median(fine)))) <= MOVING_DB:
                notes = (self._note.reference_hz, self._note.now_hz)
                hums, noise = self._spectrum.measure(signal, tuple(self._hums), *notes)
        self._add_spectrum(noise, hums)
        self._stretches += 1

    def _add_spectrum(self, noise: float, hums: dict[float, float]) -> None:
        """Note hum and noise, in one of so many stretches."""
        if self._stretches % SPECTRUM_EVERY:
            return
        if math.isfinite(noise):
            if self._stretches in self._clicked:
                self._clicked_spectra += 1
                noise, hums = math.nan, dict.fromkeys(hums, math.nan)
            else:
                self._spectra[self._stretches] = (noise, hums)
        oldest = self._stretches - REMEMBERED
        self._spectra = {at: kept for at, kept in self._spectra.items() if at >= oldest}
        self._clicked = {at for at in self._clicked if at >= oldest}
        self._courses["noise"].add(noise)
        for nominal, hum in hums.items():
            self._hums[nominal].add(hum)
            if math.isfinite(hum):
                self._hum_powers[nominal] += 10 ** (hum / 10)

    @property
    def nothing(self) -> str | None:
        """Why there are no courses at all; None where there are some."""
        counted = self._stretches - self._paused_stretches
        if self._stretches == 0:
            return (
                f"the take is shorter than {STRETCH_SECONDS:g} s: a trend of level and pitch needs "
                f"{_long(LEAST_POINTS * self._seconds)}, an onset "
                f"{_long(ONSET_LEAST_POINTS * self._seconds)}"
            )
        if counted == 0:
            return "paused all the while"
        if self._silent:
            return SILENT
        if self._first_clipped is not None and self._clipped_stretches > MOST_CLIPPED * counted:
            return (
                f"clipped input in {self._clipped_stretches} of {counted} stretches, first "
                f"at {_long(self._first_clipped * self._seconds)}; turn the gain down and record "
                "again"
            )
        return None

    def courses(self) -> list[SoakCourse]:
        """The courses so far of what could be followed."""
        found = []
        for name, (unit, _, _) in COURSES.items():
            times, values = self._course(name).points()
            known = np.isfinite(values)
            if not np.any(known):
                continue
            # Of a point's scatter only what differs from its neighbours is seen.
            beside = np.abs(np.diff(values[known]))
            own = 1.4826 * float(np.median(beside)) / math.sqrt(2) if len(beside) else 0.0
            points = tuple(
                (round(float(t), 3), round(float(v), 4))
                for t, v in zip(times[known], values[known], strict=True)
            )
            found.append(SoakCourse(name, unit, self.number, points, own))
        return found

    def onset(self) -> float | None:
        """The first onset so far; None where there is none."""
        return min((onset.time.value for _, onset in self._onsets()[0]), default=None)

    def readings(
        self, rest: Floats, steady_share: float, crackle: Reading, marks: Sequence[Event]
    ) -> list[Reading]:
        """All readings of the channel; `rest` is what fills no stretch."""
        clipped = self._clipped_samples + clipped_samples(rest, self._bits)
        levels = self._powers.readings(rest, self._samplerate, self.number)
        levels = list(spoil_overloaded(levels, [0] * (self.number - 1) + [clipped]))
        why = self.nothing
        if why is not None:
            return [*levels, *self._no_courses(why)]
        remark = self._left_out()
        onsets, reasons = self._onsets()
        found = {course.name: course for course in self.courses()}
        told: list[Reading] = []
        for name in COURSES:
            onset = next((onset for of, onset in onsets if of == name), None)
            told += self._course_readings(name, found.get(name), onset, remark)
        return [
            *levels,
            self._onset_reading(onsets, reasons, marks),
            *told,
            *self._dropout_readings(steady_share),
            self._crackle_reading(crackle),
        ]

    def _course(self, name: str) -> _Course:
        return self._hum()[0] if name == "hum" else self._courses[name]

    def _onsets(self) -> tuple[list[tuple[str, Onset]], dict[str, list[str]]]:
        """The onsets with what they are of, first things first; and of the rest why not."""
        onsets: list[tuple[str, Onset]] = []
        reasons: dict[str, list[str]] = {}
        for name, (_, _, smallest) in COURSES.items():
            times, values = self._course(name).points()
            known = int(np.sum(np.isfinite(values)))
            if known == 0:
                continue
            onset: Onset | NoOnset
            if len(values) < ONSET_LEAST_POINTS:
                onset = NoOnset(_TOO_SHORT)
            elif known < ONSET_LEAST_POINTS:
                onset = NoOnset(
                    f"cannot tell, for {known} of {len(values)} points could be measured and "
                    f"{ONSET_LEAST_POINTS} are needed"
                )
            else:
                onset = find_onset(times, values, smallest=smallest)
            if name == "pitch" and isinstance(onset, NoOnset):
                onset = self._lost_tone() or self._badly_followed() or onset
            if isinstance(onset, Onset):
                onsets.append((name, onset))
            else:
                reasons.setdefault(onset.reason, []).append(name)
        for name, starts in (
            ("interruptions", self._interruptions),
            ("clicks and crackle", self._clicks),
        ):
            counts, times = self._counts(starts)
            events = find_onset_of_events(times, counts)
            if isinstance(events, Onset):
                onsets.append((name, events))
        return sorted(onsets, key=lambda found: found[1].time.value), reasons

    def _lost_tone(self) -> Onset | None:
        """A tone that the sound goes on without, to the end, is an onset of its pitch."""
        since = self._note.lost_since
        if since is None or self._stretches - since < POINTS_AFTER:
            return None
        time = Estimate((since + 0.5) * self._seconds, self._seconds / math.sqrt(12))
        return Onset(time, "lost", 0.0, 0.0)

    def _badly_followed(self) -> NoOnset | None:
        """Why nothing is said of a pitch that was known now and then only."""
        note = self._note
        share = note.followed / max(note.followed + note.unfollowed, 1)
        if share >= WELL_FOLLOWED:
            return None
        return NoOnset(f"cannot tell, for the tone could be followed in {100 * share:.0f} % only")

    def _not_followed(self) -> str | None:
        note = self._note
        if not note.unfollowed:
            return None
        words = f"{note.unfollowed} stretch(es) left out in which the tone could not be followed"
        if note.lost_since is None:
            return words
        return f"{words}; it is lost from {_long(note.lost_since * self._seconds)} on"

    def _course_readings(
        self, name: str, course: SoakCourse | None, onset: Onset | None, remark: str | None
    ) -> list[Reading]:
        unit, change_unit, _ = COURSES[name]
        about = self._hum()[1] if name == "hum" else None
        if name in ("hum", "noise"):
            remark = _joined(remark, self._clicked_words())
        if course is None:
            hidden = _joined(self._clicked_words(), self._left_out()) or _OF_ITSELF.format(name)
            if name == "pitch":
                why = self._note.no_tone
            elif name == "hum" and not self._hum_lines():
                why = about or hidden
            else:
                why = hidden
            return [
                Reading.invalid(f"{name}_trend", f"{change_unit}/h", why, channel=self.number),
                Reading.invalid(f"{name}_course", unit, why, channel=self.number),
            ]
        if name == "pitch" and self._note.reference_hz is not None:
            about = _joined(f"re {self._note.reference_hz:.3f} Hz", self._not_followed())
        return [
            self._trend_reading(name, onset, remark),
            Reading(
                f"{name}_course",
                course.points,
                unit,
                self.number,
                (course.uncertainty,) * len(course.points),
                why=_joined(about, remark),
            ),
        ]

    def _trend_reading(self, name: str, onset: Onset | None, remark: str | None) -> Reading:
        unit = f"{COURSES[name][1]}/h"
        if onset is not None and onset.kind in _AT_ONCE:
            # A straight line through it would follow neither what was before nor what came after.
            why = f"the {name} {_AT_ONCE[onset.kind]}, at {_long(onset.time.value)}: not a drift"
            return Reading.invalid(f"{name}_trend", unit, why, channel=self.number)
        course = self._course(name)
        times, values = course.points()
        onset_seconds = None if onset is None else onset.time.value
        trend = measure_trend(
            times,
            values,
            onset_seconds=onset_seconds,
            resolution=RESOLUTION * COURSES[name][2],
        )
        if trend is None:
            there = int(np.sum(np.isfinite(values)))
            if len(values) < LEAST_POINTS:
                why = (
                    f"too short: a trend needs {LEAST_POINTS} points, which are "
                    f"{_long(LEAST_POINTS * course.seconds)}; of these there are {there}"
                )
            else:
                left_out = f"{there} of {len(values)} points could be measured"
                why = f"a trend needs {LEAST_POINTS} points: {_joined(left_out, remark)}"
            return Reading.invalid(f"{name}_trend", unit, why, channel=self.number)
        about = None
        if not trend.significant:
            about = f"not told from chance: scatter alone does this in {100 * trend.chance:.0f} %"
        return reading(
            f"{name}_trend", unit, trend.slope, channel=self.number, why=_joined(about, remark)
        )

    def _onset_reading(
        self,
        onsets: list[tuple[str, Onset]],
        reasons: dict[str, list[str]],
        marks: Sequence[Event],
    ) -> Reading:
        if not onsets:
            return Reading.invalid("onset", "s", self._no_onset(reasons), channel=self.number)
        _, first = onsets[0]
        words = [_in_words(name, onset) for name, onset in onsets]
        words[1:] = [
            f"{text} at {_long(onset.time.value)}"
            for text, (_, onset) in zip(words[1:], onsets[1:], strict=True)
        ]
        words.insert(1, _after_mark(first, marks))
        why = "; ".join(word for word in words if word)
        return reading("onset", "s", first.time, channel=self.number, why=why)

    def _no_onset(self, reasons: dict[str, list[str]]) -> str:
        """Why there is none: all is well, or it is too early to tell."""
        short = [
            f"{name} {_long(ONSET_LEAST_POINTS * self._course(name).seconds)}"
            for name in reasons.pop(_TOO_SHORT, [])
        ]
        too_short = f"too short to tell: needed are, for {', '.join(short)}" if short else None
        watched = "; ".join(f"{', '.join(names)}: {why}" for why, names in reasons.items())
        if not watched:
            return too_short or "nothing could be followed"
        return f"{NO_ONSET}: {_joined(watched, too_short)}"

    def _hum_lines(self) -> list[int]:
        """Numbers of the mains lines that are heard beside the note."""
        return _free_lines(self._mains_hz, self._note.reference_hz)

    @property
    def _mains_hz(self) -> float:
        """The mains frequency that has more hum."""
        return max(self._hum_powers, key=lambda hz: self._hum_powers[hz])

    def _hum(self) -> tuple[_Course, str | None]:
        """The course at the mains frequency that has more hum."""
        nominal = self._mains_hz
        lines = self._hum_lines()
        if not lines:
            return (
                self._hums[nominal],
                f"every mains line up to the {HUM_LINES}th lies too near a partial of the note",
            )
        numbers = ", ".join(f"{nominal * k:.0f}" for k in lines)
        return self._hums[nominal], f"power sum of the lines near {numbers} Hz, noise included"

    def _counts(self, starts: dict[int, int]) -> tuple[NDArray[np.int_], Floats]:
        """Events against time, in no more stretches than a course has."""
        merged = 1 + (self._stretches - 1) // MOST_POINTS
        whole = max(self._stretches // merged, 1)
        counts: NDArray[np.int_] = np.zeros(whole, dtype=np.int_)
        for at, count in starts.items():
            counts[min(at // merged, whole - 1)] += count
        times: Floats = self._seconds * merged * (np.arange(float(whole)) + 0.5)
        return counts, times

    def _dropout_readings(self, steady_share: float) -> list[Reading]:
        if steady_share == 0.0 and not self._dropouts:
            return self._no_dropouts(NOT_STEADY)
        remarks = []
        if self._spared:
            remarks.append(f"{self._spared} interruption(s) by the computer are not counted")
        if (unwatched := not_watched(steady_share)) is not None:
            remarks.append(unwatched)
        if self._dropouts > MOST_EVENTS:
            remarks.append(f"the first {MOST_EVENTS} events are kept, all are counted")
        remark = _joined(*remarks)
        uncertainty = EDGE_UNCERTAINTY_SECONDS * math.sqrt(2 * self._dropouts)
        time = Estimate(self._dropout_seconds, uncertainty)
        count = Estimate(float(self._dropouts), 0.0)
        return [
            reading("dropouts", "1", count, channel=self.number, why=remark),
            reading("dropout_time", "s", time, channel=self.number, why=remark),
        ]

    def _crackle_reading(self, rate: Reading) -> Reading:
        remarks = []
        if self._paused_stretches:
            remarks.append("pauses included")
        if self._clicks_counted > MOST_EVENTS:
            remarks.append(f"the first {MOST_EVENTS} events are kept, all are counted")
        return replace(rate, why=_joined(*remarks, rate.why))

    def _no_dropouts(self, why: str) -> list[Reading]:
        return [
            Reading.invalid("dropouts", "1", why, channel=self.number),
            Reading.invalid("dropout_time", "s", why, channel=self.number),
        ]

    def _no_courses(self, why: str) -> list[Reading]:
        readings = [Reading.invalid("onset", "s", why, channel=self.number)]
        for name, (unit, change_unit, _) in COURSES.items():
            readings += [
                Reading.invalid(f"{name}_trend", f"{change_unit}/h", why, channel=self.number),
                Reading.invalid(f"{name}_course", unit, why, channel=self.number),
            ]
        crackle = Reading.invalid("crackle_rate", "1/s", why, channel=self.number)
        return [*readings, *self._no_dropouts(why), crackle]

    def _clicked_words(self) -> str | None:
        if not self._clicked_spectra:
            return None
        return f"{self._clicked_spectra} stretch(es) with clicks or crackle left out"

    def _left_out(self) -> str | None:
        parts = []
        if self._first_clipped is not None:
            first = _long(self._first_clipped * self._seconds)
            parts.append(
                f"{self._clipped_stretches} clipped stretch(es) left out, first at {first}"
            )
        if self._lost_stretches:
            parts.append(
                f"{self._lost_stretches} stretch(es) left out in which the computer lost audio"
            )
        if self._paused_stretches:
            parts.append(f"{self._paused_stretches} stretch(es) of pause left out")
        return _joined(*parts)


class _StretchSpectrum:
    """Hum and noise of a stretch, beside a note if there is one."""

    def __init__(self, frames: int, samplerate: int) -> None:
        self._window = np.hanning(frames + 1)[:-1]
        self._line_gain = 2 / float(np.sum(self._window)) ** 2  # a line's peak is its mean square
        self._density_gain = 2 / (frames * float(np.dot(self._window, self._window)))
        self._windowed = np.empty(frames)  # memory that is fresh each time costs more than the FFT
        self._bin_hz = samplerate / frames
        top = min(_NOISE_BAND_HZ[1], 0.45 * samplerate)
        count = round(_BANDS_PER_OCTAVE * math.log2(top / _NOISE_BAND_HZ[0]))
        edges = np.geomspace(_NOISE_BAND_HZ[0], top, count + 1)
        self._edges = np.rint(edges / self._bin_hz).astype(int)

    def measure(
        self,
        signal: Floats,
        nominals: tuple[float, ...],
        note_hz: float | None,
        now_hz: float | None,
    ) -> tuple[dict[float, float], float]:
        """Hum for each nominal mains frequency, and noise, in dBFS.

        Hum is of the lines beside the note; where that has moved onto one of them, it is unknown.

        Noise is the median of the bins in each third of an octave, where a note's partials and
        hum are the fewer, over ln 2 (the median of an exponential re its mean), summed in power.
        """
        from scipy.fft import rfft

        np.subtract(signal, np.mean(signal), out=self._windowed)
        self._windowed *= self._window
        parts = rfft(self._windowed)[: self._edges[-1]].view(np.float64)
        np.square(parts, out=parts)
        power = parts[::2]
        power += parts[1::2]
        hums = {}
        for nominal in nominals:
            free = _free_lines(nominal, note_hz)
            if not set(free) <= set(_free_lines(nominal, now_hz)):
                free = []
            total = sum(self._line(power, k * nominal) for k in free)
            hums[nominal] = _dbfs(total * self._line_gain) if free else math.nan
        noise = [
            (last - first) * _median(power[first:last:_EVERY]) / math.log(2)
            for first, last in zip(self._edges[:-1], self._edges[1:], strict=True)
        ]
        return hums, _dbfs(sum(noise) * self._density_gain)

    def _line(self, power: Floats, centre_hz: float) -> float:
        reach = TOLERANCE * centre_hz
        first = math.floor((centre_hz - reach) / self._bin_hz)
        last = math.ceil((centre_hz + reach) / self._bin_hz)
        return float(np.max(power[first : last + 1]))


def _free_lines(nominal_hz: float, note_hz: float | None) -> list[int]:
    """Numbers of the mains lines that no partial of the note lies near."""
    if note_hz is None:
        return list(range(1, HUM_LINES + 1))

    def distance(line_hz: float) -> float:
        return abs(line_hz - max(1, round(line_hz / note_hz)) * note_hz)

    return [
        k
        for k in range(1, HUM_LINES + 1)
        if distance(k * nominal_hz) > NOTE_REACH_HZ + TOLERANCE * k * nominal_hz
    ]


def _dbfs(mean_square: float) -> float:
    level = float(power_ratio_to_db(np.float64(mean_square / FULL_SCALE_SINE_RMS**2)))
    return max(level, SPECTRUM_FLOOR_DBFS)


def _joined(*parts: str | None) -> str | None:
    return "; ".join(part for part in parts if part) or None


def _in_words(name: str, onset: Onset) -> str:
    """What an onset was of."""
    if onset.kind == "events":
        return f"{name}: {onset.size:.0f} from there on"
    unit = COURSES[name][1]
    size = f"{_three_digits(onset.size)} {unit}"
    if onset.kind == "step":
        return f"{name}: a step of {size}"
    if onset.kind == "lost":
        return f"{name}: the sound goes on, but its tone is lost"
    if onset.kind == "bend":
        return f"{name}: bends away, {size} by the end"
    if onset.kind == "excursion":
        return f"{name}: off by {size} for a while"
    return f"{name}: begins to scatter, by {onset.size:.3g} {unit} (standard deviation)"


def _three_digits(size: float) -> str:
    """A change with its sign; a large one in full, not as a power of ten."""
    return f"{size:+.0f}" if abs(size) >= 100 else f"{size:+.3g}"


def _after_mark(onset: Onset, marks: Sequence[Event]) -> str:
    """The mark before an onset, as far as the onset's time is known."""
    latest = onset.time.value + 2 * onset.time.uncertainty
    before = [mark for mark in marks if mark.start <= latest]
    if not before:
        return "before the first mark" if marks else ""
    last = before[-1]
    what = "mark" if last.end == last.start else "pause"
    text = last.text or last.place
    words = f"the {what} '{text}'" if text else f"the {what} at {_long(last.start)}"
    away = onset.time.value - last.end
    if away < 2 * onset.time.uncertainty:
        return f"at {words}, as far as its time is known"
    return f"{_long(away)} after {words}"


def _levels(powers: Floats) -> Floats:
    """Mean squares in dBFS; nothing counts as `FLOOR_DBFS`."""
    return np.maximum(power_ratio_to_db(powers / FULL_SCALE_SINE_RMS**2), FLOOR_DBFS)


def _median(values: Floats) -> float:
    """The median; of a thirtieth of numpy's time where there are few values."""
    middle = len(values) // 2
    if len(values) % 2:
        return float(np.partition(values, middle)[middle])
    return float(np.sum(np.partition(values, (middle - 1, middle))[middle - 1 : middle + 1])) / 2


def _long(seconds: float) -> str:
    """A time as a person says it: ``40 s``, ``12 min 5 s``, ``3 h 20 min``."""
    if round(seconds) < 120:
        return f"{seconds:.0f} s"
    minutes, rest = divmod(round(seconds), 60)
    if minutes < 120:
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    hours, minutes = divmod(round(seconds / 60), 60)
    return f"{hours} h {minutes} min"


__all__ = [
    "COURSES",
    "SoakCourse",
    "SoakCourses",
    "SoakWatch",
    "check_soak",
    "overlay",
    "soak_courses",
]
