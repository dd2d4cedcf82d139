"""Each check that needs a person's hands, as it follows a take that is still being recorded."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Protocol

import numpy as np

from sigbench.checks.clicks import own_clicks_words
from sigbench.checks.jack import movements
from sigbench.checks.marks import counted
from sigbench.checks.soak import SoakCourses, SoakWatch
from sigbench.errors import RequestError
from sigbench.measure.common_return import ReturnDetector
from sigbench.measure.crackle import CrackleDetector
from sigbench.measure.dropouts import DropoutDetector, mark_lost_buffers
from sigbench.measure.gaps import GapDetector, without_doubles
from sigbench.measure.hum_burst import HumBurstDetector
from sigbench.measure.rhythm import RegularClicks, without_regular
from sigbench.measure.scrape import Sound, SoundReader, learn_sounds
from sigbench.measure.taper import taper_named
from sigbench.measure.travel import Turning, turnings
from sigbench.measure.turned_level import follow, without_own_clicks
from sigbench.model import PAUSED, CheckSettings, Event, EventKind, LostBuffers, Samples

LEARN_SECONDS = 20.0  # of a turned control: by then it was down once, and its sound is known
LEAST_SECONDS = 4.0  # before that, nothing is said of travel
LOOK_SECONDS = 1.0  # between two looks at the travel


class Follower(Protocol):
    """A check that follows a take."""

    @property
    def going_on(self) -> tuple[tuple[EventKind, float, int], ...]:
        """What has begun and is not over: kind, start in seconds, and channel from 1."""
        ...

    @property
    def remarks(self) -> tuple[str, ...]:
        """What there is to be said beside the events."""
        ...

    def feed(self, block: Samples, lost: Sequence[LostBuffers]) -> tuple[Event, ...]:
        """Take the next block, and what the computer lost of it; the events that it completed."""
        ...

    def told(self, marks: Sequence[Event]) -> tuple[Event, ...]:
        """All events so far with the marks, as the check will tell them."""
        ...


class _Detector(Protocol):
    @property
    def open_since(self) -> tuple[float | None, ...]: ...

    def feed(self, block: Samples) -> tuple[Event, ...]: ...


class LevelFollower:
    """A take in which nothing is looked for while it is recorded: levels alone."""

    going_on: tuple[tuple[EventKind, float, int], ...] = ()
    remarks: tuple[str, ...] = ()

    def feed(self, block: Samples, lost: Sequence[LostBuffers]) -> tuple[Event, ...]:
        """Take the next block."""
        return ()

    def told(self, marks: Sequence[Event]) -> tuple[Event, ...]:
        """The marks."""
        return tuple(marks)


class ContactFollower:
    """Dropouts alone, or all that contacts do.

    Parameters
    ----------
    samplerate : int
        Frames a second.
    channels : int
        Columns of the blocks.
    contacts : bool
        Whether hum and crackle belong to it, as when a jack is moved.
    held : bool
        Whether the sound is held at one level all the while, so that one that fades counts.
    """

    def __init__(
        self, samplerate: int, channels: int, *, contacts: bool, held: bool = False
    ) -> None:
        self._samplerate = samplerate
        self._contacts = contacts
        self._detectors: list[tuple[EventKind, _Detector]] = [
            ("dropout", DropoutDetector(samplerate, channels))
        ]
        self._crackle = CrackleDetector(samplerate, channels) if contacts else None
        if self._crackle is not None:
            self._detectors += [
                ("hum_burst", HumBurstDetector(samplerate, channels)),
                ("crackle", self._crackle),
            ]
        if held:
            self._detectors += [
                ("dropout", GapDetector(samplerate, channels)),
                ("dip", ReturnDetector(samplerate, channels)),
            ]
        self._events: list[Event] = []
        self._lost: list[LostBuffers] = []

    @property
    def going_on(self) -> tuple[tuple[EventKind, float, int], ...]:
        """What has begun and is not over."""
        return tuple(
            (kind, since, channel)
            for kind, detector in self._detectors
            for channel, since in enumerate(detector.open_since, start=1)
            if since is not None
        )

    def feed(self, block: Samples, lost: Sequence[LostBuffers]) -> tuple[Event, ...]:
        """Take the next block."""
        self._lost += lost
        found = [event for _, detector in self._detectors for event in detector.feed(block)]
        if not found:
            return ()
        regular = self.regular
        fresh = without_regular(found, regular)
        self._events = without_doubles([*without_regular(self._events, regular), *fresh])
        return tuple(event for event in fresh if event in self._events)

    @property
    def remarks(self) -> tuple[str, ...]:
        """What is the sound's own."""
        return own_clicks_words(self.regular)

    @property
    def regular(self) -> tuple[RegularClicks, ...]:
        """What keeps time."""
        return () if self._crackle is None else self._crackle.regular

    def told(self, marks: Sequence[Event]) -> tuple[Event, ...]:
        """All events so far, grouped to movements of a contact where it is a jack."""
        labelled = mark_lost_buffers(tuple(self._events), self._lost, self._samplerate)
        events = counted(labelled, marks)
        return movements(events) if self._contacts else events


class SoakFollower:
    """A soak; see `sigbench.checks.soak.SoakWatch`."""

    def __init__(self, samplerate: int, channels: int, settings: CheckSettings) -> None:
        self._watch = SoakWatch(samplerate, channels, settings)

    @property
    def going_on(self) -> tuple[tuple[EventKind, float, int], ...]:
        """A dropout that is not over."""
        return tuple(
            ("dropout", since, channel)
            for channel, since in enumerate(self._watch.open_since, start=1)
            if since is not None
        )

    def mark(self, mark: Event) -> None:
        """What the person did, as `Watch` notes it: nothing counts in a pause."""
        begun = mark.text == PAUSED and mark.end == mark.start
        self._watch.mark(replace(mark, end=math.inf) if begun else mark)

    @property
    def remarks(self) -> tuple[str, ...]:
        """What is the sound's own."""
        return self._watch.remarks

    @property
    def courses(self) -> SoakCourses:
        """What can be drawn so far."""
        return self._watch.courses()

    def feed(self, block: Samples, lost: Sequence[LostBuffers]) -> tuple[Event, ...]:
        """Take the next block."""
        return self._watch.feed(block, lost)

    def told(self, marks: Sequence[Event]) -> tuple[Event, ...]:
        """All events so far."""
        return counted(self._watch.events, marks)


class PotFollower:
    """A control that is turned: its crackle at once, its travel as soon as it was down once.

    Parameters
    ----------
    samplerate : int
        Frames a second.
    channels : int
        Columns of the blocks.
    settings : CheckSettings
        The taper, where it is known.
    """

    def __init__(self, samplerate: int, channels: int, settings: CheckSettings) -> None:
        self._samplerate = samplerate
        self._contact = ContactFollower(samplerate, channels, contacts=True)
        self._taper = None if settings.taper is None else taper_named(settings.taper)
        self._early: list[Samples] = []  # until the sound is known
        self._frames = 0
        self._looked = 0.0
        self._sounds: tuple[Sound, ...] = ()
        self._readers: list[SoundReader] = []
        self.turned: tuple[Turning, ...] = ()

    @property
    def going_on(self) -> tuple[tuple[EventKind, float, int], ...]:
        """What has begun and is not over."""
        return self._contact.going_on

    @property
    def remarks(self) -> tuple[str, ...]:
        """What is the sound's own."""
        return self._contact.remarks

    def feed(self, block: Samples, lost: Sequence[LostBuffers]) -> tuple[Event, ...]:
        """Take the next block."""
        found = self._contact.feed(block, lost)
        self._frames += len(block)
        seconds = self._frames / self._samplerate
        if self._early or not self._readers:
            self._early.append(block.copy())
        else:
            self._read(block)
        if seconds >= max(LEAST_SECONDS, self._looked + LOOK_SECONDS):
            self._looked = seconds
            self._look(seconds)
        return found

    def told(self, marks: Sequence[Event]) -> tuple[Event, ...]:
        """All events so far; where on the travel they were is told by the check."""
        return self._contact.told(marks)

    def _read(self, block: Samples) -> None:
        for column, reader in enumerate(self._readers):
            reader.feed(np.ascontiguousarray(block[:, column]))

    def _look(self, seconds: float) -> None:
        if self._early:
            heard = np.concatenate(self._early)
            self._sounds = learn_sounds(heard, self._samplerate)
            self._readers = [SoundReader(sound) for sound in self._sounds]
            self._read(heard)
            if seconds >= LEARN_SECONDS:
                self._early = []
        tracks = [
            follow(sound, reader.cells(), channel)
            for channel, (sound, reader) in enumerate(
                zip(self._sounds, self._readers, strict=True), start=1
            )
        ]
        own_apart = without_own_clicks(tracks, self._contact.regular)
        self.turned = turnings(own_apart, taper=self._taper)


def follower_of(check: str, samplerate: int, channels: int, settings: CheckSettings) -> Follower:
    """The follower of a check.

    Raises
    ------
    RequestError
        If the check is not one that is watched live.
    """
    if check in ("jack", "dropouts"):
        jack = check == "jack"
        return ContactFollower(samplerate, channels, contacts=jack, held=jack)
    if check == "pot":
        return PotFollower(samplerate, channels, settings)
    if check == "soak":
        return SoakFollower(samplerate, channels, settings)
    if check in ("idle", "tone"):
        return LevelFollower()
    raise RequestError(
        f"The check '{check}' is not watched live: choose idle, tone, jack, pot, soak or dropouts."
    )
