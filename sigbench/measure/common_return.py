"""Common return: when the contact that both channels of a stereo plug return through is open.

Both channels of a headphone jack or a stereo line jack return through one sleeve. Where it lets go,
the two loads are left in series between the two tips, and each carries the difference of the
channels, in opposite directions: left L becomes (L − R)/2 and right (R − L)/2 with equal loads. A
sound in the middle is gone, a wide one thin and hollow, and its level may hardly change. It need
not hum: an instrument on batteries has nothing to hum with.

From Kirchhoff's current law at the open sleeve: what flows into one load flows out of the other,
so right is −g times left from one sample to the next, g being the ratio of the loads.

What counts: for `LEAST_SECONDS` or more the channels are opposed to `OPPOSED` (correlation
coefficient), having been so within `ABRUPT_SECONDS`; before, they were not (`BEFORE`); and the
difference of the channels goes on as it was, within `SAME_DB`. A chorus or a rotating speaker turns
one channel against the other slowly, and never holds it there. All numbers are our own choice.

How: every few samples are enough, for the relation holds at each of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigbench.measure.streaming import Stretches, require_block
from sigbench.model import Event, EventKind, Samples

RETURN_LOST = "common return"
"""Text of the events; a check says it in words of its own."""

LEAST_SECONDS = 0.02
ABRUPT_SECONDS = 0.01
BEFORE_SECONDS = 0.2
OPPOSED = -0.995
BEFORE = -0.93
SAME_DB = 3.0
LOST_DB = 20.0  # what falls so far is a dropout, and less a dip
TOGETHER_SECONDS = 0.03  # other detectors see the same as late as that

_RATE = 6000  # points a second
_STEP_SECONDS = 0.005
_BATCH = 32  # steps that are worked on together
_SINGLE = -0.97  # of a single step: hum and noise weigh more in a short one
_OFF = 4.0  # times the usual deviation from the relation: it does not hold there

_Array = NDArray[np.float64]


def without_its_losses(events: Sequence[Event]) -> list[Event]:
    """The events without what both channels lose because their common return opens.

    Other detectors see a dropout or dip of the same channels that begins with it; an end to it
    they may not see, for what comes back is not what went on meanwhile.
    """
    opened = [event for event in events if event.text == RETURN_LOST]
    return [
        event
        for event in events
        if event in opened
        or event.kind not in ("dropout", "dip")
        or not any(
            set(event.channels) <= set(one.channels)
            and abs(event.start - one.start) <= TOGETHER_SECONDS
            for one in opened
        )
    ]


@dataclass
class _Pair:
    """Two channels: what is kept of them, and of a return that is open.

    Parameters
    ----------
    moments : ndarray of float, shape (3, steps)
        Sums of the squares of both, and of their product.
    points : ndarray of float, shape (2, steps, points)
    since : float or None
        When the return has opened, in seconds, if it is open.
    ratio, usual : float
        Of right over left, with the sign turned; and what is left of right plus `ratio` times left.
    before : float
        Power of both in a step before it opened.
    meanwhile, steps : float, int
        Power of both in all the steps since, and how many these are.
    """

    moments: _Array
    points: _Array
    since: float | None = None
    ratio: float = 1.0
    usual: float = 0.0
    before: float = 0.0
    meanwhile: float = 0.0
    steps: int = 0

    def goes_on(self, first: int, last: int) -> None:
        """The return is open in these steps."""
        self.meanwhile += float(self.moments[:2, first:last].sum())
        self.steps += last - first


class ReturnDetector:
    """Finds an open common return in audio that comes in blocks of any sizes.

    Channels 1 and 2 are taken for one plug, 3 and 4 for another, and so on. Blocks of any sizes
    give the same events, of kind "dropout" or "dip", known to a fifth of a millisecond.

    Parameters
    ----------
    samplerate : int
        Frames a second.
    channels : int
        Channels of each block.
    """

    def __init__(self, samplerate: int, channels: int) -> None:
        self._stride = max(1, samplerate // _RATE)
        self._point = self._stride / samplerate
        self._step = max(1, round(_STEP_SECONDS / self._point))
        self._channels = channels
        self._stretches = Stretches(channels, self._stride * self._step * _BATCH, 4)
        self._before = round(BEFORE_SECONDS / _STEP_SECONDS)
        self._least = round(LEAST_SECONDS / _STEP_SECONDS)
        self._abrupt = round(ABRUPT_SECONDS / _STEP_SECONDS)
        self._first = 0  # number of the first step kept
        self._looked = 0  # number of the step that is looked at next
        self._pairs = [
            _Pair(np.zeros((3, 0)), np.zeros((2, 0, self._step))) for _ in range(channels // 2)
        ]

    @property
    def open_since(self) -> tuple[float | None, ...]:
        """When each channel's return has opened, if that is not over; in seconds."""
        since = [pair.since for pair in self._pairs for _ in range(2)]
        return (*since, *([None] * (self._channels - len(since))))

    def feed(self, block: Samples) -> tuple[Event, ...]:
        """Take the next block, of shape (frames, channels); the events that it has ended.

        Raises
        ------
        SignalError
            If the block has another number of channels, or values that are not finite.
        """
        require_block(block, self._channels, "common return detector")
        if not self._pairs:
            return ()
        return tuple(event for part in self._stretches.feed(block) for event in self._advance(part))

    def finish(self) -> tuple[Event, ...]:
        """No more blocks; what is open until the end."""
        if not self._pairs:
            return ()
        events = self._advance(self._stretches.rest(), last=True)
        end = (self._first + self._pairs[0].moments.shape[1]) * self._step * self._point
        for number, pair in enumerate(self._pairs):
            if pair.since is not None:
                events.append(self._event(number, pair, end))
        return tuple(events)

    def _advance(self, samples: _Array, *, last: bool = False) -> list[Event]:
        """Events that whole stretches have ended, of shape (channels, frames)."""
        whole = samples.shape[1] // (self._stride * self._step) * self._step
        points = samples[:, :: self._stride][:, :whole].reshape(self._channels, -1, self._step)
        events: list[Event] = []
        for number, pair in enumerate(self._pairs):
            fresh = np.ascontiguousarray(points[2 * number : 2 * number + 2])
            left, right = fresh
            moments = np.stack(
                [np.vecdot(left, left), np.vecdot(right, right), np.vecdot(left, right)]
            )
            pair.moments = np.concatenate([pair.moments, moments], axis=1)
            pair.points = np.concatenate([pair.points, fresh], axis=1)
            events += self._search(number, pair, last)
        total = self._pairs[0].moments.shape[1]
        self._looked = self._first + max(0, total - (0 if last else self._least))
        surplus = total - self._before - 2 * self._least - self._abrupt
        if surplus > 0:
            for pair in self._pairs:
                pair.moments, pair.points = pair.moments[:, surplus:], pair.points[:, surplus:]
            self._first += surplus
        return events

    def _search(self, number: int, pair: _Pair, last: bool) -> list[Event]:
        """What has ended among the steps whose following ones are known."""
        start = self._looked - self._first
        end = pair.moments.shape[1] - (0 if last else self._least)
        opposed = _correlation(pair.moments) < _SINGLE
        apart = ~opposed
        apart[:-1] &= ~opposed[1:]  # one step alone may be too quiet to tell
        events: list[Event] = []
        k = start
        while k < end:
            if pair.since is None:
                ahead = np.flatnonzero(opposed[k:end])
                if not len(ahead):
                    break
                k += int(ahead[0])
                if self._opens(pair, opposed, k):
                    self._open(pair, k)
                k += 1
                continue
            gone = np.flatnonzero(apart[k:end])
            pair.goes_on(k, k + int(gone[0]) if len(gone) else end)
            if not len(gone):
                break
            k += int(gone[0])
            events.append(self._event(number, pair, self._edge(pair, k, ends=True)))
            pair.since = None
        return events

    def _opens(self, pair: _Pair, opposed: NDArray[np.bool_], k: int) -> bool:
        """Whether the return opens at a step."""
        begin = k - self._abrupt - self._before
        if begin < 0 or opposed[k - self._abrupt] or not opposed[k : k + self._least].all():
            return False
        before = pair.moments[:, begin : k - self._abrupt].mean(axis=1)
        after = pair.moments[:, k : k + self._least].mean(axis=1)
        if _correlation(after) >= OPPOSED or _correlation(before) <= BEFORE:
            return False
        # A sound that moves is compared with what it was just before, a low one with its average.
        just_before = pair.moments[:, k - self._abrupt - self._least : k - self._abrupt]
        return any(
            abs(10 * np.log10(_difference(after) / max(_difference(m), 1e-30))) < SAME_DB
            for m in (before, just_before.mean(axis=1))
        )

    def _open(self, pair: _Pair, k: int) -> None:
        before = pair.moments[:, k - self._abrupt - self._before : k - self._abrupt].mean(axis=1)
        # The first step may be open in part only.
        after = pair.moments[:, k + 1 : k + self._least].mean(axis=1)
        pair.before, pair.meanwhile, pair.steps = float(before[0] + before[1]), 0.0, 0
        pair.ratio = float(np.sqrt(after[1] / after[0]))
        left, right = pair.points[:, k + 1 : k + self._least].reshape(2, -1)
        pair.usual = float(np.sqrt(np.mean((right + pair.ratio * left) ** 2)))
        pair.since = self._edge(pair, k, ends=False)

    def _edge(self, pair: _Pair, k: int, *, ends: bool) -> float:
        """When the relation begins to hold, in the step before or in it; or when it ends."""
        first = max(0, k - 1)
        left, right = pair.points[:, first : k + 1].reshape(2, -1)
        off = np.flatnonzero(np.abs(right + pair.ratio * left) > _OFF * pair.usual)
        if not len(off):
            point = k * self._step
        elif ends:
            point = first * self._step + int(off[0])
        else:
            point = first * self._step + int(off[-1]) + 1
        return (self._first * self._step + point) * self._point

    def _event(self, number: int, pair: _Pair, end: float) -> Event:
        fall = 10 * np.log10(pair.before * pair.steps / pair.meanwhile)
        kind: EventKind = "dropout" if fall >= LOST_DB else "dip"
        channels = (2 * number + 1, 2 * number + 2)
        return Event(kind, pair.since or 0.0, end, channels, max(0.0, float(fall)), RETURN_LOST)


def _correlation(moments: _Array) -> _Array:
    """Correlation coefficient of two channels, 0 where one is silent."""
    power = np.sqrt(moments[0] * moments[1])
    return np.asarray(np.divide(moments[2], power, out=np.zeros_like(power), where=power > 0))


def _difference(moments: _Array) -> float:
    """Power of the difference of two channels."""
    return float(moments[0] + moments[1] - 2 * moments[2])
