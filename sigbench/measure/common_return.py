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

from sigbench.measure.streaming import Kept, Stretches, require_block
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
_BATCH, _BATCHES = 4, 64  # steps that are worked on together, and how many of these at a time
_LEAST, _ABRUPT, _BEFORE = (
    round(seconds / _STEP_SECONDS) for seconds in (LEAST_SECONDS, ABRUPT_SECONDS, BEFORE_SECONDS)
)  # in steps
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
    channels : (int, int)
        Counted from 1.
    moments : Kept, shape (3, steps)
        Sums of the squares of both, and of their product.
    points : Kept, shape (2, points)
    since : float or None
        When the return has opened, in seconds, if it is open.
    ratio, usual : float
        Of right over left, with the sign turned; and what is left of right plus `ratio` times left.
    before : float
        Power of both in a step before it opened.
    meanwhile, steps : float, int
        Power of both in all the steps since, and how many these are.
    """

    channels: tuple[int, int]
    moments: Kept
    points: Kept
    since: float | None = None
    ratio: float = 1.0
    usual: float = 0.0
    before: float = 0.0
    meanwhile: float = 0.0
    steps: int = 0

    def mean(self, first: int, last: int) -> _Array:
        """Mean moments of some steps, shape (3,)."""
        return np.asarray(self.moments.part(first, last).mean(axis=1))

    def off(self, first: int, last: int) -> _Array:
        """How far some points are off the relation."""
        left, right = self.points.part(first, last)
        return np.asarray(np.abs(right + self.ratio * left))

    def goes_on(self, first: int, last: int) -> None:
        """The return is open in these steps."""
        left, right, _ = self.moments.part(first, last)
        for power in (left + right).tolist():  # one by one: the same bits for blocks of any sizes
            self.meanwhile += power
        self.steps += last - first

    def over(self, end: float) -> Event:
        """The return is closed, or the take is over."""
        assert self.since is not None
        fall = max(0.0, float(10 * np.log10(self.before * self.steps / self.meanwhile)))
        kind: EventKind = "dropout" if fall >= LOST_DB else "dip"
        event = Event(kind, self.since, end, self.channels, fall, RETURN_LOST)
        self.since = None
        return event


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
        self._stretches = Stretches(channels, self._stride * self._step * _BATCH, _BATCHES)
        self._looked = 0  # the step that is looked at next, counted from the beginning of the take
        self._pairs = [
            _Pair((first, first + 1), Kept(3), Kept(2)) for first in range(1, channels, 2)
        ]

    @property
    def open_since(self) -> tuple[float | None, ...]:
        """When each channel's return has opened, if that is not over; in seconds."""
        since = [pair.since for pair in self._pairs for _ in pair.channels]
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
        for pair in self._pairs:
            if pair.since is not None:
                events.append(pair.over(pair.points.end * self._point))
        return tuple(events)

    def _advance(self, samples: _Array, *, last: bool = False) -> list[Event]:
        """Events that whole steps have ended, of shape (channels, frames)."""
        points = samples[:, :: self._stride]
        points = points[:, : samples.shape[1] // self._stride // self._step * self._step]
        events: list[Event] = []
        for pair in self._pairs:
            first, second = pair.channels
            new = np.ascontiguousarray(points[first - 1 : second])
            left, right = new.reshape(2, -1, self._step)
            pair.moments.append(
                np.stack([np.vecdot(left, left), np.vecdot(right, right), np.vecdot(left, right)])
            )
            pair.points.append(new)
            # What follows a step for so long says whether it is one.
            end = pair.moments.end - (0 if last else _LEAST)
            events += self._search(pair, end)
            pair.moments.forget(end - _ABRUPT - _BEFORE)
            pair.points.forget((end - 1) * self._step)
        self._looked = max(self._looked, end)
        return events

    def _search(self, pair: _Pair, end: int) -> list[Event]:
        """What has ended among the steps before one."""
        start = self._looked
        opposed = _correlation(pair.moments.part(start, pair.moments.end)) < _SINGLE
        apart = ~opposed
        apart[:-1] &= ~opposed[1:]  # one step alone may be too quiet to tell
        events: list[Event] = []
        at = start
        while at < end:
            turns = np.flatnonzero((opposed if pair.since is None else apart)[at - start :])
            then = min(end, at + int(turns[0])) if len(turns) else end
            if pair.since is not None:
                pair.goes_on(at, then)
            at = then
            if at == end:
                break
            if pair.since is not None:
                events.append(pair.over(self._edge(pair, at, ends=True)))
                continue
            if opposed[at - start : at - start + _LEAST].sum() == _LEAST and _opens(pair, at):
                self._open(pair, at)
            at += 1
        return events

    def _open(self, pair: _Pair, at: int) -> None:
        before = pair.mean(at - _ABRUPT - _BEFORE, at - _ABRUPT)
        pair.before, pair.meanwhile, pair.steps = float(before[0] + before[1]), 0.0, 0
        # The first step may be open in part only.
        after = pair.mean(at + 1, at + _LEAST)
        pair.ratio = float(np.sqrt(after[1] / after[0]))
        whole = pair.off((at + 1) * self._step, (at + _LEAST) * self._step)
        pair.usual = float(np.sqrt(np.mean(whole**2)))
        pair.since = self._edge(pair, at, ends=False)

    def _edge(self, pair: _Pair, at: int, *, ends: bool) -> float:
        """When the relation begins to hold, in the step before or in it; or when it ends."""
        first = (at - 1) * self._step
        off = np.flatnonzero(pair.off(first, (at + 1) * self._step) > _OFF * pair.usual)
        if not len(off):
            return at * self._step * self._point
        return (first + int(off[0] if ends else off[-1] + 1)) * self._point


def _opens(pair: _Pair, at: int) -> bool:
    """Whether the return opens at a step from which on the channels are opposed."""
    begin = at - _ABRUPT
    if begin < _BEFORE or _correlation(pair.mean(begin, begin + 1)) < _SINGLE:
        return False
    before, after = pair.mean(begin - _BEFORE, begin), pair.mean(at, at + _LEAST)
    if _correlation(after) >= OPPOSED or _correlation(before) <= BEFORE:
        return False
    # A sound that moves is compared with what it was just before, a low one with its average.
    return any(
        abs(10 * np.log10(_difference(after) / max(_difference(known), 1e-30))) < SAME_DB
        for known in (before, pair.mean(begin - _LEAST, begin))
    )


def _correlation(moments: _Array) -> _Array:
    """Correlation coefficient of two channels, 0 where one is silent."""
    power = np.sqrt(moments[0] * moments[1])
    return np.asarray(np.divide(moments[2], power, out=np.zeros_like(power), where=power > 0))


def _difference(moments: _Array) -> float:
    """Power of the difference of two channels."""
    return float(moments[0] + moments[1] - 2 * moments[2])
