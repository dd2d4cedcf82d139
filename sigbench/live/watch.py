"""A take that is being recorded, as a person watches and steers it.

One `Watch` belongs to one take. Whoever records feeds it; whoever shows it asks what is `seen`; the
person's keys call `mark`, `next_place`, `pause` and `stop`. These may be different threads.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from threading import RLock

from sigbench.checks.soak import SoakCourses
from sigbench.checks.tally import FAULTS, Tally, tally
from sigbench.interface.base import Block
from sigbench.live.follow import PotFollower, SoakFollower, follower_of
from sigbench.live.spectrum import MovingSpectrum, Spectrum
from sigbench.live.strip import MovingStrip, Strip
from sigbench.measure.meter import LevelMeter, MeterLevel
from sigbench.measure.travel import Turning
from sigbench.model import PAUSED, CheckSettings, Event, EventKind

STRIP_COLUMNS = 240


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What a take shows at one moment.

    Parameters
    ----------
    check : str
    seconds, of_seconds : float
        Where the take is, and how long it is to be.
    paused, stopped : bool
    place : str or None
        What is being moved.
    place_number, places : int
        Which of how many that is; 0 of 0 where none was named.
    levels : tuple of MeterLevel
        Of each channel.
    strip : Strip
        Of the last seconds.
    events : tuple of Event
        All that count so far, with the marks, in order of time.
    going_on : tuple of (kind, float, int)
        What has begun and is not over: kind, start in seconds, channel.
    remarks : tuple of str
        What there is to be said beside the events: what was told of them at first, and turned out
        to be the sound's own.
    tallies : tuple of Tally
        Of each place.
    lost : int
        How often the computer lost audio.
    courses : SoakCourses or None
        Of a soak.
    turned : tuple of Turning
        Of a control that is turned; empty until something is known of its travel.
    """

    check: str
    seconds: float
    of_seconds: float
    paused: bool
    stopped: bool
    place: str | None
    place_number: int
    places: int
    levels: tuple[MeterLevel, ...]
    strip: Strip
    events: tuple[Event, ...]
    going_on: tuple[tuple[EventKind, float, int], ...]
    remarks: tuple[str, ...]
    tallies: tuple[Tally, ...]
    lost: int
    courses: SoakCourses | None
    turned: tuple[Turning, ...]


class Watch:
    """A take that is being recorded.

    Parameters
    ----------
    check : {"idle", "tone", "jack", "pot", "soak", "dropouts"}
    samplerate : int
        Frames a second.
    channels : int
        Columns of the blocks.
    settings : CheckSettings, optional
        As of the check.
    seconds : float
        How long the take is to be.
    places : sequence of str
        The jacks, or other parts, that are moved one after the other; the first one at once.
    on_mark : callable, optional
        Called with each mark, for the log of the recording. A pause is told when it begins,
        without an end, and once more when it is over.

    Raises
    ------
    RequestError
        If the check is not one that is watched.
    """

    def __init__(
        self,
        check: str,
        samplerate: int,
        channels: int,
        settings: CheckSettings | None = None,
        *,
        seconds: float,
        places: Sequence[str] = (),
        on_mark: Callable[[Event], None] | None = None,
    ) -> None:
        self.check = check
        self.places = tuple(places)
        self._samplerate = samplerate
        self._of_seconds = seconds
        self._follower = follower_of(check, samplerate, channels, settings or CheckSettings())
        self._meter = LevelMeter(samplerate, channels)
        self._strip = MovingStrip(samplerate, channels)
        self._spectrum = MovingSpectrum(samplerate, channels)
        self._frames = 0
        self._lost = 0
        self._place_number = 0
        self._on_mark = on_mark
        self._marks: list[Event] = []
        self._paused_at: float | None = None
        self._stopped = False
        self._told: tuple[Event, ...] = ()
        self._remarks: tuple[str, ...] = ()
        self._tallies: tuple[Tally, ...] = ()
        self._tallied_at = -1.0  # where the take was then
        self._changed = False  # since `_told` was worked out
        self._alerted: set[tuple[EventKind, int]] = set()  # told of while they go on
        self._lock = RLock()

    # --- whoever records

    def feed(self, block: Block) -> tuple[EventKind, ...]:
        """Take the next block of the take; what to call out, the gravest first.

        An event is called out once: when it begins if that is noticed, else when it is over.
        Nothing is called out in a pause.
        """
        with self._lock:
            if self.places and not self._place_number:
                self.next_place()
            self._lost += len(block.lost)
            if block.lost:
                self._changed = True
            if not len(block.samples):
                return ()
            self._meter.feed(block.samples)
            self._strip.feed(block.samples)
            self._spectrum.feed(block.samples)
            found = self._follower.feed(block.samples, block.lost)
            self._frames = block.first_frame + len(block.samples)
            remarks = self._follower.remarks
            self._changed = self._changed or bool(found) or remarks != self._remarks
            self._remarks = remarks
            return self._alerts(found)

    @property
    def stopped(self) -> bool:
        """Whether the person has had enough."""
        return self._stopped

    # --- the person

    def mark(self, text: str) -> None:
        """Note what was done just now."""
        with self._lock:
            self._add(Event("mark", self._now, self._now, (), None, text))

    def recall(self, mark: Event) -> None:
        """Take a mark of a take that was recorded before."""
        with self._lock:
            self._add(mark)

    def next_place(self) -> None:
        """Go on to the next place; after the last one comes the first again."""
        with self._lock:
            if self.places:
                place = self.places[self._place_number % len(self.places)]
                self._place_number = self._place_number % len(self.places) + 1
                self._add(Event("mark", self._now, self._now, (), place=place))

    def pause(self) -> None:
        """Pause, or go on after a pause."""
        with self._lock:
            if self._paused_at is None:
                self._paused_at = self._now
                self._note(Event("mark", self._now, self._now, (), None, PAUSED))
            else:
                start, self._paused_at = self._paused_at, None
                # One without a length would not have ended.
                over = max(self._now, start + 1 / self._samplerate)
                self._add(Event("mark", start, over, (), None, PAUSED))

    def stop(self) -> None:
        """End the take."""
        self._stopped = True

    # --- whoever shows it

    def seen(self) -> Seen:
        """What there is just now."""
        with self._lock:
            marks = self._marks_now()
            # A tally names whole seconds: of thousands of events it is not counted for each look.
            if self._changed or int(self._now) != int(self._tallied_at):
                self._tallied_at = self._now
                if self._changed:
                    self._told = self._follower.told(marks)
                self._tallies = tally(self._told, self._now)
                self._changed = self._paused_at is not None  # a pause grows
            follower = self._follower
            return Seen(
                self.check,
                self._now,
                self._of_seconds,
                self._paused_at is not None,
                self._stopped,
                next((m.place for m in reversed(self._marks) if m.place is not None), None),
                self._place_number,
                len(self.places),
                self._meter.now(),
                self._strip.now(STRIP_COLUMNS),
                self._told,
                () if self._paused_at is not None else follower.going_on,
                self._remarks,
                self._tallies,
                self._lost,
                follower.courses if isinstance(follower, SoakFollower) else None,
                follower.turned if isinstance(follower, PotFollower) else (),
            )

    def spectrum(self, columns: int) -> Spectrum:
        """What the last moment consists of, in so many columns."""
        with self._lock:
            recent = self._spectrum.recent()
        return self._spectrum.of(recent, columns)  # outside the lock: it takes longest

    @property
    def marks(self) -> tuple[Event, ...]:
        """What the person did so far; a pause that is not over lasts until now."""
        with self._lock:
            return self._marks_now()

    @property
    def _now(self) -> float:
        return self._frames / self._samplerate

    def _marks_now(self) -> tuple[Event, ...]:
        marks = list(self._marks)
        if self._paused_at is not None:
            marks.append(Event("mark", self._paused_at, self._now, (), None, PAUSED))
        return tuple(sorted(marks, key=lambda mark: mark.start))

    def _add(self, mark: Event) -> None:
        self._marks.append(mark)
        self._note(mark)

    def _note(self, mark: Event) -> None:
        self._changed = True
        if isinstance(self._follower, SoakFollower):
            self._follower.mark(mark)
        if self._on_mark is not None:
            self._on_mark(mark)

    def _alerts(self, found: Sequence[Event]) -> tuple[EventKind, ...]:
        going_on = {(kind, channel) for kind, _, channel in self._follower.going_on}
        fresh: list[EventKind] = [kind for kind, _ in going_on - self._alerted]
        for event in found:
            # A dip is called out as a dropout while nobody knows how deep it will be.
            kind: EventKind = "dropout" if event.kind == "dip" else event.kind
            kind = "crackle" if kind == "click" else kind
            if not any((kind, channel) in self._alerted for channel in event.channels):
                fresh.append(event.kind)
        self._alerted = going_on
        if self._paused_at is not None:
            return ()
        return tuple(kind for kind in FAULTS if kind in fresh)
