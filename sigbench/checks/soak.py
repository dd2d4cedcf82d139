"""Soak: a steady sound, or silence, is watched for minutes to a day while the unit warms up.

Level, pitch, hum and noise are followed against time, with the interruptions. Memory does not
grow with the time: a course holds at most `MOST_POINTS` points, whose stretches double when there
would be more.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigbench.checks.dropouts import NOT_STEADY, WATCHED_SHARE
from sigbench.checks.readings import SILENT, reading
from sigbench.errors import RequestError
from sigbench.measure.clipping import clipped_samples
from sigbench.measure.dropouts import (
    EDGE_UNCERTAINTY_SECONDS,
    DropoutDetector,
    mark_lost_buffers,
)
from sigbench.measure.estimate import Estimate
from sigbench.measure.level_track import LevelTracker, ToneTracker
from sigbench.measure.mains import NOMINAL_HZ, TOLERANCE, measure_mains
from sigbench.measure.spectrum import power_spectrum
from sigbench.measure.tone import NoTone, find_tone
from sigbench.measure.trend import (
    LEAST_POINTS,
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
from sigbench.units import FULL_SCALE_SINE_RMS, cents, power_ratio_to_db

STRETCH_SECONDS = 2.0  # the shortest stretch of a course
MOST_POINTS = 300  # of a course; then two stretches become one
SPECTRUM_EVERY = 3  # stretches: hum and noise are measured in one of them
PARTS = 10  # of a stretch, whose median level counts: a short interruption leaves it alone
MOST_EVENTS = 5000  # that are kept; later ones are counted only
FLOOR_DBFS = -120.0  # a level of nothing counts as this, so that its loss is seen
SPECTRUM_FLOOR_DBFS = -160.0  # the same for hum and noise
MOST_CLIPPED = 0.1  # share of a channel's stretches; with more nothing is told
HUM_LINES = 4  # of the mains comb; above the 4th they fall off (common practice, no source)
NOTE_REACH_HZ = 4.0  # a mains line so near a partial of the note is left to the note
MOVING_DB = 6.0  # a sound that moves more than this within a stretch hides hum and noise
LONGEST_PAUSE = 16  # stretches between two searches for a tone
RECENTRE_HZ = 2.0  # drift after which the tone is followed from its new place

COURSES = {
    "level": ("dBFS", "dB", 0.1),
    "pitch": ("cents", "cents", 1.0),
    "hum": ("dBFS", "dB", 3.0),
    "noise": ("dBFS", "dB", 3.0),
}
"""Of each course its unit, that of its changes, and the smallest onset told (our own choice)."""

_NOISE_BAND_HZ = (20.0, 20_000.0)
_BANDS_PER_OCTAVE = 3
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


def check_soak(
    take: Take | LongTake, settings: CheckSettings, *, marks: Sequence[Event] = ()
) -> Measurement:
    """Follow level, pitch, hum, noise and interruptions; see `sigbench.checks.measure`.

    Parameters
    ----------
    take : Take or LongTake
        A steady sound, or silence. It is read once.
    settings : CheckSettings
        `frequency_hz` is the note that pitch is compared with; without it, that of the start.
    marks : sequence of Event
        What the person did and when: events of kind "mark", with their text.

    Raises
    ------
    RequestError
        If a mark is another kind of event.
    """
    watch = SoakWatch(take.samplerate, take.channels, settings, bits=take.bits)
    lost = take.lost
    for block in take.blocks():
        watch.feed(block, lost)
        lost = ()
    readings, events = watch.finish(marks)
    return Measurement("soak", take.source, readings, events)


class SoakWatch:
    """A soak that comes in blocks.

    Blocks of any sizes give the same readings and events. Memory is bounded.

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
    """

    def __init__(
        self,
        samplerate: int,
        channels: int,
        settings: CheckSettings | None = None,
        *,
        bits: int | None = None,
    ) -> None:
        settings = settings or CheckSettings()
        self._samplerate = samplerate
        self._detector = DropoutDetector(samplerate, channels)
        self._levels = LevelTracker(samplerate, channels)
        # A whole number of the level tracker's steps.
        step = max(1, round(0.02 * samplerate))
        self._stretch = np.empty((channels, round(STRETCH_SECONDS / 0.02) * step))
        self._filled = 0
        self._done = 0
        self._lost: list[LostBuffers] = []
        self._events: list[Event] = []
        self._channels = [
            _Channel(number, samplerate, self._stretch.shape[1], settings, bits)
            for number in range(1, channels + 1)
        ]

    def feed(self, block: Samples, lost: Sequence[LostBuffers] = ()) -> tuple[Event, ...]:
        """Take the next block, of shape (frames, channels); the events that it completed.

        `lost` is what the computer lost in it, or what is known of the whole take beforehand.

        Raises
        ------
        SignalError
            If the block has another number of channels, or values that are not finite.
        """
        self._lost += lost
        events = self._detector.feed(block)  # checks the block
        used = 0
        while used < len(block):
            n = min(len(block) - used, self._stretch.shape[1] - self._filled)
            self._stretch[:, self._filled : self._filled + n] = block[used : used + n].T
            self._filled += n
            used += n
            if self._filled == self._stretch.shape[1]:
                self._measure_stretch()
        return self._keep(events)

    def finish(self, marks: Sequence[Event] = ()) -> tuple[tuple[Reading, ...], tuple[Event, ...]]:
        """No more blocks: the readings, and all events with the marks among them.

        Raises
        ------
        RequestError
            If a mark is another kind of event.
        """
        for mark in marks:
            if mark.kind != "mark":
                raise RequestError(
                    f"An event of kind '{mark.kind}' was given as a mark: give marks only."
                )
        self._keep(self._detector.finish())
        marks = sorted(marks, key=lambda mark: mark.start)
        readings: list[Reading] = []
        for channel, share in zip(self._channels, self._detector.steady_shares, strict=True):
            readings += channel.readings(share, marks)
        events = sorted([*self._events, *marks], key=lambda event: event.start)
        return tuple(readings), tuple(events)

    def _keep(self, found: Iterable[Event]) -> tuple[Event, ...]:
        events = mark_lost_buffers(tuple(found), self._lost, self._samplerate)
        self._events += events[: MOST_EVENTS - len(self._events)]
        for event in events:
            for number in event.channels:
                self._channels[number - 1].count(event)
        return events

    def _measure_stretch(self) -> None:
        frames = self._filled
        steps = self._levels.feed(self._stretch.T)
        fine = np.maximum(np.array([step.rms for step in steps]), FLOOR_DBFS)
        moving = np.max(np.abs(fine - np.median(fine, axis=0)), axis=0) > MOVING_DB
        powers = 10 ** (fine / 10)
        parts = powers.reshape(PARTS, -1, len(self._channels)).mean(axis=1)
        levels = power_ratio_to_db(parts)
        spoiled = any(
            self._done - frames // 10 <= mark.frame + mark.spoiled
            and mark.frame < self._done + frames
            for mark in self._lost
        )
        for column, channel in enumerate(self._channels):
            level = float(np.median(levels[:, column]))
            channel.take(self._stretch[column], level, bool(moving[column]), spoiled)
        self._done += frames
        self._filled = 0


class _Course:
    """Means of a quantity over stretches that grow as time goes on."""

    def __init__(self, seconds: float, offset: float) -> None:
        self._seconds = seconds  # between two values
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

    def points(self) -> tuple[Floats, Floats]:
        """Times and values; a last point that is not whole is left out."""
        whole = self._values // self._merged
        sums, counts = np.array(self._sums[:whole]), np.array(self._counts[:whole])
        values = np.where(counts > 0, sums / np.maximum(counts, 1), np.nan)
        step = self._seconds * self._merged
        first = self._offset + self._seconds * (self._merged - 1) / 2
        times: Floats = first + step * np.arange(float(whole))
        return times, values


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
        self._number = number
        self._samplerate = samplerate
        self._settings = settings
        self._bits = bits
        self._seconds = frames / samplerate
        half = self._seconds / 2
        self._courses = {name: _Course(self._seconds, half) for name in ("level", "pitch")}
        nominals = NOMINAL_HZ if settings.mains_hz is None else (settings.mains_hz,)
        every = SPECTRUM_EVERY * self._seconds
        self._hums = {nominal: _Course(every, half) for nominal in nominals}
        self._hum_powers = dict.fromkeys(nominals, 0.0)
        self._courses["noise"] = _Course(every, half)
        self._spectrum = _StretchSpectrum(frames, samplerate)
        self._stretches = 0
        self._clipped: list[int] = []
        self._clipped_stretches = 0
        self._lost_stretches = 0
        self._silent = True
        self._tone: ToneTracker | None = None
        self._followed_hz = 0.0
        self._next_search = 0
        self._pause = 1
        self._reference_hz = settings.frequency_hz
        self._no_tone = "no steady tone"
        self._interruptions: dict[int, int] = {}  # dropouts and dips that began in a stretch
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

    def take(self, signal: Floats, level: float, moving: bool, spoiled: bool) -> None:
        """Measure the next stretch, whose level is in dBFS."""
        number = self._stretches
        self._stretches += 1
        self._silent = self._silent and bool(np.ptp(signal) == 0)
        clipped = clipped_samples(signal, self._bits) > 0
        if clipped and not self._clipped_stretches:
            self._clipped.append(number)
        self._clipped_stretches += clipped
        self._lost_stretches += spoiled
        usable = not (clipped or spoiled)
        self._courses["level"].add(level if usable else math.nan)
        pitch = self._pitch(signal, number)
        self._courses["pitch"].add(pitch if usable else math.nan)
        if number % SPECTRUM_EVERY:
            return
        hums, noise = (
            self._spectrum.measure(signal, tuple(self._hums), self._reference_hz)
            if usable and not moving
            else (dict.fromkeys(self._hums, math.nan), math.nan)
        )
        self._courses["noise"].add(noise)
        for nominal, hum in hums.items():
            self._hums[nominal].add(hum)
            if math.isfinite(hum):
                self._hum_powers[nominal] += 10 ** (hum / 10)

    def _pitch(self, signal: Floats, number: int) -> float:
        """Cents re the reference; not a number where no tone is heard."""
        if self._tone is None and (number < self._next_search or not self._search(signal)):
            return math.nan
        assert self._tone is not None
        assert self._reference_hz is not None
        steps = self._tone.feed(signal)
        heard = [step.cents for step in steps if step.cents is not None]
        if 2 * len(heard) < len(steps) or not heard:
            self._tone = None  # it is looked for again
            self._no_tone = "the tone was lost"
            return math.nan
        off = float(np.mean(heard))
        now_hz = self._followed_hz * 2 ** (off / 1200)
        if abs(now_hz - self._followed_hz) > RECENTRE_HZ:
            self._follow(now_hz)
        return float(cents(now_hz, self._reference_hz))

    def _search(self, signal: Floats) -> bool:
        # What was not heard for long is looked for less often.
        self._next_search = self._stretches + self._pause
        self._pause = min(2 * self._pause, LONGEST_PAUSE)
        if np.ptp(signal) == 0:
            return False
        spectrum = power_spectrum(signal, self._samplerate)
        mains = measure_mains(signal, self._samplerate, nominal_hz=self._settings.mains_hz)
        expected = self._followed_hz or self._reference_hz
        tone = find_tone(spectrum, mains, expected_hz=expected)
        if isinstance(tone, NoTone):
            self._no_tone = tone.reason
            return False
        try:
            self._follow(tone.frequency_hz)
        except RequestError as error:
            self._no_tone = str(error)
            return False
        if self._reference_hz is None:
            self._reference_hz = tone.frequency_hz
        return True

    def _follow(self, frequency_hz: float) -> None:
        self._tone = ToneTracker(self._samplerate, frequency_hz)
        self._followed_hz = frequency_hz
        self._pause = 1

    def readings(self, steady_share: float, marks: Sequence[Event]) -> list[Reading]:
        """All readings of the channel."""
        too_clipped = self._clipped_stretches > MOST_CLIPPED * self._stretches
        why: str | None = None
        if self._stretches == 0:
            why = f"the take is shorter than {STRETCH_SECONDS:g} s"
        elif self._silent:
            why = SILENT
        elif too_clipped:
            first = self._clipped[0] * self._seconds
            why = (
                f"clipped input in {self._clipped_stretches} of {self._stretches} stretches, first "
                f"at {first:.0f} s; turn the gain down and record again"
            )
        if why is not None:
            return self._nothing(why)
        remark = self._left_out()
        told: list[Reading] = []
        onsets: list[tuple[str, Onset]] = []
        reasons: dict[str, list[str]] = {}
        for name in COURSES:
            told += self._course_readings(name, remark, onsets, reasons)
        counts, times = self._counts()
        events = find_onset_of_events(times, counts)
        if isinstance(events, Onset):
            onsets.append(("interruptions", events))
        return [
            self._onset_reading(onsets, reasons, marks),
            *told,
            *self._dropout_readings(steady_share),
        ]

    def _course_readings(
        self,
        name: str,
        remark: str | None,
        onsets: list[tuple[str, Onset]],
        reasons: dict[str, list[str]],
    ) -> list[Reading]:
        unit, change_unit, smallest = COURSES[name]
        course, about = self._hum() if name == "hum" else (self._courses[name], None)
        times, values = course.points()
        known = np.isfinite(values)
        if not np.any(known):
            why = self._no_tone if name == "pitch" else about or _OF_ITSELF.format(name)
            return [
                Reading.invalid(f"{name}_trend", f"{change_unit}/h", why, channel=self._number),
                Reading.invalid(f"{name}_course", unit, why, channel=self._number),
            ]
        if name == "pitch" and self._reference_hz is not None:
            about = f"re {self._reference_hz:.3f} Hz"
        onset = find_onset(times, values, smallest=smallest)
        if isinstance(onset, Onset):
            onsets.append((name, onset))
        else:
            reasons.setdefault(onset.reason, []).append(name)
        # Of a point's scatter only what differs from its neighbours is seen.
        beside = np.abs(np.diff(values[known]))
        own = 1.4826 * float(np.median(beside)) / math.sqrt(2) if len(beside) else 0.0
        points = tuple(
            (round(float(t), 3), round(float(v), 4))
            for t, v in zip(times[known], values[known], strict=True)
        )
        return [
            self._trend_reading(name, f"{change_unit}/h", (times, values), onset, remark),
            Reading(
                f"{name}_course",
                points,
                unit,
                self._number,
                (own,) * len(points),
                why=_joined(about, remark),
            ),
        ]

    def _trend_reading(
        self,
        name: str,
        unit: str,
        course: tuple[Floats, Floats],
        onset: Onset | NoOnset,
        remark: str | None,
    ) -> Reading:
        times, values = course
        onset_seconds = onset.time.value if isinstance(onset, Onset) else None
        trend = measure_trend(times, values, onset_seconds=onset_seconds)
        if trend is None:
            why = f"a trend needs {LEAST_POINTS} points: let it run longer"
            return Reading.invalid(f"{name}_trend", unit, why, channel=self._number)
        about = None
        if not trend.significant:
            about = f"not told from chance: scatter alone does this in {100 * trend.chance:.0f} %"
        return reading(
            f"{name}_trend", unit, trend.slope, channel=self._number, why=_joined(about, remark)
        )

    def _onset_reading(
        self,
        onsets: list[tuple[str, Onset]],
        reasons: dict[str, list[str]],
        marks: Sequence[Event],
    ) -> Reading:
        if not onsets:
            why = "; ".join(f"{', '.join(names)}: {why}" for why, names in reasons.items())
            why = f"none found: {why or 'nothing could be followed'}"
            return Reading.invalid("onset", "s", why, channel=self._number)
        onsets.sort(key=lambda found: found[1].time.value)
        _, first = onsets[0]
        words = [_in_words(name, onset) for name, onset in onsets]
        words[1:] = [
            f"{text} at {onset.time.value:.0f} s"
            for text, (_, onset) in zip(words[1:], onsets[1:], strict=True)
        ]
        words.insert(1, _after_mark(first, marks))
        why = "; ".join(word for word in words if word)
        return reading("onset", "s", first.time, channel=self._number, why=why)

    def _hum(self) -> tuple[_Course, str | None]:
        """The course at the mains frequency that has more hum."""
        nominal = max(self._hum_powers, key=lambda hz: self._hum_powers[hz])
        lines = _free_lines(nominal, self._reference_hz)
        if not lines:
            return (
                self._hums[nominal],
                f"every mains line up to the {HUM_LINES}th lies too near a partial of the note",
            )
        numbers = ", ".join(f"{nominal * k:.0f}" for k in lines)
        return self._hums[nominal], f"power sum of the lines near {numbers} Hz, noise included"

    def _counts(self) -> tuple[NDArray[np.int_], Floats]:
        """Interruptions against time, in stretches no more than a course has."""
        merged = 1 + (self._stretches - 1) // MOST_POINTS
        whole = max(self._stretches // merged, 1)
        counts: NDArray[np.int_] = np.zeros(whole, dtype=np.int_)
        for at, count in self._interruptions.items():
            counts[min(at // merged, whole - 1)] += count
        times: Floats = self._seconds * merged * (np.arange(float(whole)) + 0.5)
        return counts, times

    def _dropout_readings(self, steady_share: float) -> list[Reading]:
        if steady_share == 0.0:
            return self._no_dropouts(NOT_STEADY)
        remarks = []
        if self._spared:
            remarks.append(f"{self._spared} interruption(s) by the computer are not counted")
        if steady_share < WATCHED_SHARE:
            share = 100 * steady_share
            remarks.append(f"a steady sound was there to watch in {share:.0f} % only")
        if self._dropouts > MOST_EVENTS:
            remarks.append(f"the first {MOST_EVENTS} events are kept, all are counted")
        remark = _joined(*remarks)
        uncertainty = EDGE_UNCERTAINTY_SECONDS * math.sqrt(2 * self._dropouts)
        time = Estimate(self._dropout_seconds, uncertainty)
        count = Estimate(float(self._dropouts), 0.0)
        return [
            reading("dropouts", "1", count, channel=self._number, why=remark),
            reading("dropout_time", "s", time, channel=self._number, why=remark),
        ]

    def _no_dropouts(self, why: str) -> list[Reading]:
        return [
            Reading.invalid("dropouts", "1", why, channel=self._number),
            Reading.invalid("dropout_time", "s", why, channel=self._number),
        ]

    def _nothing(self, why: str) -> list[Reading]:
        readings = [Reading.invalid("onset", "s", why, channel=self._number)]
        for name, (unit, change_unit, _) in COURSES.items():
            readings += [
                Reading.invalid(f"{name}_trend", f"{change_unit}/h", why, channel=self._number),
                Reading.invalid(f"{name}_course", unit, why, channel=self._number),
            ]
        return readings + self._no_dropouts(why)

    def _left_out(self) -> str | None:
        parts = []
        if self._clipped_stretches:
            first = self._clipped[0] * self._seconds
            parts.append(
                f"{self._clipped_stretches} clipped stretch(es) left out, first at {first:.0f} s"
            )
        if self._lost_stretches:
            parts.append(
                f"{self._lost_stretches} stretch(es) left out in which the computer lost audio"
            )
        return _joined(*parts)


class _StretchSpectrum:
    """Hum and noise of a stretch, beside a note if there is one."""

    def __init__(self, frames: int, samplerate: int) -> None:
        self._window = np.hanning(frames + 1)[:-1]
        self._bin_hz = samplerate / frames
        top = min(_NOISE_BAND_HZ[1], 0.45 * samplerate)
        count = round(_BANDS_PER_OCTAVE * math.log2(top / _NOISE_BAND_HZ[0]))
        edges = np.geomspace(_NOISE_BAND_HZ[0], top, count + 1)
        self._edges = np.rint(edges / self._bin_hz).astype(int)

    def measure(
        self, signal: Floats, nominals: tuple[float, ...], note_hz: float | None
    ) -> tuple[dict[float, float], float]:
        """Hum for each nominal mains frequency, and noise, in dBFS.

        Noise is the median of the bins in each third of an octave, where a note's partials and
        hum are the fewer, over ln 2 (the median of an exponential re its mean), summed in power.
        """
        from scipy.fft import rfft

        spectrum = rfft((signal - np.mean(signal)) * self._window)
        power = spectrum.real**2 + spectrum.imag**2
        lines = 2 * power / np.sum(self._window) ** 2  # a line's peak is its mean square
        hums = {}
        for nominal in nominals:
            free = _free_lines(nominal, note_hz)
            total = sum(self._line(lines, k * nominal) for k in free)
            hums[nominal] = _dbfs(total) if free else math.nan
        parts = [
            (last - first) * float(np.median(power[first:last])) / math.log(2)
            for first, last in zip(self._edges[:-1], self._edges[1:], strict=True)
        ]
        density = 2 / (len(signal) * float(np.dot(self._window, self._window)))
        return hums, _dbfs(sum(parts) * density)

    def _line(self, lines: Floats, centre_hz: float) -> float:
        reach = TOLERANCE * centre_hz
        first = math.floor((centre_hz - reach) / self._bin_hz)
        last = math.ceil((centre_hz + reach) / self._bin_hz)
        return float(np.max(lines[first : last + 1]))


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
        return f"interruptions: {onset.size:.0f} from there on"
    unit = COURSES[name][1]
    size = f"{onset.size:+.3g} {unit}"
    if onset.kind == "step":
        return f"{name}: a step of {size}"
    if onset.kind == "bend":
        return f"{name}: bends away, {size} by the end"
    if onset.kind == "excursion":
        return f"{name}: off by {size} for a while"
    return f"{name}: begins to scatter, by {onset.size:.3g} {unit} (standard deviation)"


def _after_mark(onset: Onset, marks: Sequence[Event]) -> str:
    """The mark before an onset, as far as the onset's time is known."""
    earliest = onset.time.value + 2 * onset.time.uncertainty
    before = [mark for mark in marks if mark.start <= earliest]
    if not before:
        return "before the first mark" if marks else ""
    last = before[-1]
    text = f"the mark '{last.text}'" if last.text else f"the mark at {last.start:.0f} s"
    away = onset.time.value - last.start
    if away < 2 * onset.time.uncertainty:
        return f"at {text}, as far as its time is known"
    return f"{away:.0f} s after {text}"


__all__ = [
    "COURSES",
    "SoakCourse",
    "SoakCourses",
    "SoakWatch",
    "check_soak",
    "overlay",
    "soak_courses",
]
