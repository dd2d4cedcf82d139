"""Rhythm: transients that come back at equal intervals, and alike, are the sound's own.

A sample that loops with a jump clicks each time round, as a digital clock would have it: the
intervals are equal to a fraction of a millisecond, and the same samples are played again. A hand
that moves a plug keeps time within some per cent at best, and a contact lets go at any moment of
the wave.

How: each burst of transients is laid over earlier ones, which tells how alike they are, and how far
apart, to a sample. Where three or more lie on a grid of equal steps, it is worked out how many
grids as good as this one a hand that keeps time to 3 % would make by chance among so many bursts.
All limits are our own choice.
"""

from bisect import bisect_left
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import comb

import numpy as np
from numpy.typing import NDArray

from sigbench.measure.streaming import without_channels
from sigbench.model import Event

TOLERANCE_SECONDS = 0.001  # off an even grid: a vibrato shifts the loops of its sample by so much
LEAST_BURSTS = 3
LEAST_CHANCE = 0.01  # of a hand that seems to keep time so well
SHORTEST_SECONDS = 0.1  # between two of them
SHAPE_SECONDS = 0.005  # before and after the highest innovation

_FINEST_SECONDS = 3e-5  # bursts are laid over one another to a sample or two
_HAND = 19.0  # over the interval: how densely a hand that keeps time to 3 % hits its middle
_MEMORY = 24  # bursts that a new one is compared with
_MISSED = 8  # steps between two that were told, at most: some are missed
_FILLED = 0.25  # share of the grid's places at which there is a burst
_ALIKE = 0.6  # twice the product of two shapes over the sum of their squares
_RECENT = 16  # bursts that the next is told from

_Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Beat:
    """A burst of transients, as it is compared with others.

    Parameters
    ----------
    start, end : int
        Frames of the take.
    transients : int
    energy : float
        Sum of their squared innovations.
    shape : ndarray
        The innovations around the highest, where they stand out, as signed squares: noise counts
        little.
    shape_start : int
        Frame of its first one.
    """

    start: int
    end: int
    transients: int
    energy: float
    shape: _Array
    shape_start: int


@dataclass(frozen=True, slots=True)
class RegularClicks:
    """Bursts of one channel that keep time.

    Parameters
    ----------
    channel : int
        Counted from 1.
    interval : float
        Seconds from one to the next.
    starts : tuple of float
        When each burst began, in seconds.
    transients : int
        In all of them.
    energy : float
        The same of their squared innovations.
    """

    channel: int
    interval: float
    starts: tuple[float, ...]
    transients: int
    energy: float


@dataclass(slots=True)
class _Train:
    """Bursts that keep time, with their places on the grid, and times in frames."""

    places: list[int]
    times: list[float]
    last: Beat
    starts: list[int]
    transients: int
    energy: float
    interval: float  # frames

    def due(self, time: float) -> tuple[int, float]:
        """The place that is nearest to a time, and how far off that is, in frames."""
        steps = round((time - self.times[-1]) / self.interval)
        return self.places[-1] + steps, time - self.times[-1] - steps * self.interval

    def add(self, place: int, time: float, beat: Beat) -> None:
        self.places = [*self.places, place][-_RECENT:]
        self.times = [*self.times, time][-_RECENT:]
        self.interval, _ = _grid(self.places, self.times)
        self.last = beat
        self.starts.append(beat.start)
        self.transients += beat.transients
        self.energy += beat.energy


class Rhythm:
    """Finds bursts of one channel that keep time, while they come in.

    Parameters
    ----------
    samplerate : int
        Frames a second.
    """

    def __init__(self, samplerate: int) -> None:
        self._samplerate = samplerate
        self._tolerance = TOLERANCE_SECONDS * samplerate
        self._trains: list[_Train] = []
        self._others: deque[Beat] = deque(maxlen=_MEMORY)
        self._count = 0
        self._regular: tuple[RegularClicks, ...] | None = ()  # None: to be worked out again

    @property
    def transients(self) -> int:
        """How many transients kept time so far."""
        return sum(train.transients for train in self._trains)

    @property
    def energy(self) -> float:
        """Sum of their squared innovations."""
        return sum(train.energy for train in self._trains)

    def regular(self, channel: int) -> tuple[RegularClicks, ...]:
        """What kept time so far."""
        if self._regular is None:
            self._regular = tuple(
                RegularClicks(
                    channel,
                    train.interval / self._samplerate,
                    tuple(start / self._samplerate for start in train.starts),
                    train.transients,
                    train.energy,
                )
                for train in self._trains
            )
        return self._regular

    def add(self, beat: Beat) -> None:
        """Take the next burst."""
        self._count += 1
        for train in self._trains:
            if beat.start - train.last.start > (_MISSED + 0.5) * train.interval:
                continue
            after = _after(beat, train.last)
            if after is None:
                continue
            time = train.times[-1] + after
            place, off = train.due(time)
            if place > train.places[-1] and abs(off) <= self._tolerance:
                train.add(place, time, beat)
                self._regular = None
                return
        train_begun = self._begun_with(beat)
        if train_begun is None:
            self._others.append(beat)
        else:
            self._trains.append(train_begun)
            self._regular = None

    def _begun_with(self, beat: Beat) -> _Train | None:
        """The train that a burst makes with others before it, if it makes one."""
        alike = [
            (age, other)
            for other in reversed(self._others)
            if (age := _after(beat, other)) is not None
        ]
        if len(alike) < LEAST_BURSTS - 1:
            return None
        ages = np.array([age for age, _ in alike])
        found = [
            self._train(beat, alike, kept)
            for interval in self._intervals(ages)
            if (kept := self._on_grid(ages, interval))
        ]
        least = min(found, key=lambda one: one[0], default=None)
        if least is None or least[0] > LEAST_CHANCE:
            return None
        _, train, members = least
        self._others = deque(
            (other for other in self._others if other not in members), maxlen=_MEMORY
        )
        return train

    def _train(
        self, beat: Beat, alike: Sequence[tuple[float, Beat]], kept: Sequence[tuple[int, int]]
    ) -> tuple[float, _Train, list[Beat]]:
        """Bursts on a grid as a train, with the chance of it, and its members, the latest first."""
        places = [0, *(-place for place, _ in kept)]
        times = [0.0, *(-alike[index][0] for _, index in kept)]
        members = [beat, *(alike[index][1] for _, index in kept)]
        interval, off = _grid(places, times)
        steps = -places[-1]
        if len(places) < max(LEAST_BURSTS, _FILLED * (1 + steps)) or off > self._tolerance:
            chance = np.inf
        else:
            # A grid with many empty places is one of many that may be tried.
            empty = steps / (len(places) - 1)
            chance = empty**2 * self._chance(members, interval, off)
        train = _Train(
            places[::-1],
            times[::-1],
            beat,
            [member.start for member in reversed(members)],
            sum(member.transients for member in members),
            sum(member.energy for member in members),
            interval,
        )
        return chance, train, members

    def _chance(self, members: Sequence[Beat], interval: float, off: float) -> float:
        """How many grids like this one a hand makes among as many bursts as there were.

        Between the first and the last of its members, the others may be any of the bursts there.
        """
        latest, first = members[0], members[-1]
        between = sum(first.start < other.start < latest.start for other in self._others)
        densely = max(_HAND / interval, between / (latest.start - first.start))
        likely = 2 * max(off, _FINEST_SECONDS * self._samplerate) * densely
        free = len(members) - 2
        return self._count * (between + 1) * comb(between, free) * likely**free

    def _intervals(self, ages: _Array) -> _Array:
        """Those that may be of a grid: so many steps lead to one of the ages, and to another."""
        steps = np.arange(1, _MISSED + 1)
        intervals = (ages[:, np.newaxis] / steps).ravel()
        places = ages / intervals[:, np.newaxis]
        off = np.abs(places - np.rint(places)) * intervals[:, np.newaxis]
        # An interval is known to the tolerance over its steps.
        near = off <= self._tolerance * (1 + places / np.tile(steps, len(ages))[:, np.newaxis])
        likely = np.sum(near & (places > 0.5), axis=1) >= LEAST_BURSTS - 1
        return intervals[likely & (intervals >= SHORTEST_SECONDS * self._samplerate)]

    def _on_grid(self, ages: _Array, interval: float) -> list[tuple[int, int]]:
        """Places, from 1 on, and numbers of those that lie on a grid, the latest first."""
        kept: list[tuple[int, int]] = []
        place, at = 0, 0.0
        for index, age in enumerate(ages):
            steps = round((age - at) / interval)
            if steps < 1 or abs(age - at - steps * interval) > self._tolerance:
                continue
            if steps > _MISSED:
                break
            place, at = place + steps, float(age)
            kept.append((place, index))
            interval = at / place
        return kept


def _grid(places: Sequence[int], times: Sequence[float]) -> tuple[float, float]:
    """The interval of the evenest grid, and the most that a time is off one through the ends."""
    x = np.asarray(places) - np.mean(places)
    y = np.asarray(times) - np.mean(times)
    interval = float(np.dot(x, y) / np.dot(x, x))
    between = times[0] + (times[-1] - times[0]) * (x - x[0]) / (x[-1] - x[0])
    return interval, float(np.max(np.abs(np.asarray(times) - between)))


def _after(beat: Beat, other: Beat) -> float | None:
    """How many frames a burst comes after another one, if the two are alike."""
    power, of_other = (float(np.dot(one.shape, one.shape)) for one in (beat, other))
    needed = _ALIKE * (power + of_other) / 2
    if np.sqrt(power * of_other) < needed:
        return None  # too unlike in size, whatever their shapes
    products = np.correlate(beat.shape, other.shape, "full")
    best = int(np.argmax(products))
    if products[best] < needed:
        return None
    return float(beat.shape_start - other.shape_start + best - (len(other.shape) - 1))


def without_regular(events: Iterable[Event], regular: Sequence[RegularClicks]) -> list[Event]:
    """The events without the clicks and crackle, in each channel, that keep time.

    Parameters
    ----------
    events : iterable of Event
        Of any kind.
    regular : sequence of RegularClicks
        Of the same detector.
    """
    if not regular:
        return list(events)
    starts: dict[int, list[float]] = {}
    for clicks in regular:
        starts[clicks.channel] = sorted([*starts.get(clicks.channel, []), *clicks.starts])

    def is_regular(event: Event, channel: int) -> bool:
        known = starts.get(channel, [])
        at = bisect_left(known, event.start)
        return event.kind in ("click", "crackle") and at < len(known) and known[at] <= event.end

    return without_channels(events, is_regular)
