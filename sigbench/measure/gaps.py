"""Gaps: a held sound that fades within some milliseconds and is back at once, as it was before.

A contact that opens breaks off the signal itself, abruptly; `sigbench.measure.dropouts` finds
that. Where a supply or a bias goes, capacitors keep the stages alive for some time: the sound fades
within some ten milliseconds, often with a thump far below the audible band, and comes back
abruptly.

What counts: for `STEADY_SECONDS` before the sound keeps its level, or since the gap before; it
falls by `DEPTH_DB` or more within `FALL_SECONDS`, stays away for `LONGEST_SECONDS` at most, is back
within `RISE_SECONDS`, and then has the level that it had. A note that is let go and struck again
does the same: this is for sounds that are held. All numbers are our own choice.

How: the level above 50 Hz, in steps of 5 ms, each with the three before it.
"""

from collections import deque
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import toeplitz
from scipy.linalg.lapack import ztbtrs

from sigbench.measure.bounce import BEFORE_SECONDS, bounces
from sigbench.measure.streaming import Stretches, of_one_event, overlap, require_block
from sigbench.model import Event, Samples

STEP_SECONDS = 0.005
SPAN = 4  # steps that a level is taken over
LOWEST_HZ = 50.0  # thumps lie below
DEPTH_DB = 20.0
BACK_DB = 3.0  # how near to its level the sound must come back, and how steady it must be
FALL_SECONDS = 0.12  # from its level down to `DEPTH_DB` below
RISE_SECONDS = 0.04
STEADY_SECONDS = 0.3
SETTLED_SECONDS = 0.05  # after the return
LONGEST_SECONDS = 1.0
FLOOR_DBFS = -120.0
SLOW, QUICK = "slow", "quick"
"""Texts of the events, by how the sound went: a check says it in words of its own."""
FADE_SECONDS = 0.01  # from `BACK_DB` down to `DEPTH_DB`: what takes no longer is abrupt
CHATTER_SECONDS = (0.03, 0.1)
"""A contact may bounce for so long before the last time it is closed. Both are tried, for a sound
that moves cannot be told for long beforehand."""
BOUNCE_DB = 6.0  # what comes back by so much on its way down does not fade, but bounces
TOGETHER_SECONDS = 0.02  # two channels' gaps that begin and end so near are one

_SHARP = ("dropout", "dip", "lost_buffers")
_BATCH = 64  # steps that are worked on together
_BATCHES = 4  # at a time, at most: more would not stay in the cache of a processor
_STRETCH = 16  # samples that are filtered at one stroke; a batch has a whole number of them
_JUMP_DB = 14.0  # a return rises by more within `RISE_SECONDS`

_Array = NDArray[np.float64]
_Gap = tuple[int, int, float, bool]


def without_doubles(events: Sequence[Event]) -> list[Event]:
    """The events without the gaps that a sharper detector has found as well."""
    sharp = [e for e in events if e.kind in _SHARP and e.text not in (SLOW, QUICK)]
    return [
        event
        for event in events
        if event.text not in (SLOW, QUICK) or not any(overlap(event, other) for other in sharp)
    ]


def _decibels(powers: _Array) -> _Array:
    """Levels re a sine of full scale."""
    return 10 * np.log10(np.maximum(2 * powers, 10 ** (FLOOR_DBFS / 10)))


def _fades(course: _Array, seconds: float) -> bool:
    """Whether a level, in steps of so many seconds and re what it was, sinks slowly and evenly."""
    low = int(np.argmax(course < -DEPTH_DB))
    high = low - 1 - int(np.argmax(course[:low][::-1] > -BACK_DB)) if low else 0
    if low == 0 or not course[high] > -BACK_DB:
        return True  # it was weaker all along
    begin = high + (course[high] + BACK_DB) / (course[high] - course[high + 1])
    end = low - (-DEPTH_DB - course[low]) / (course[low - 1] - course[low])
    bounces = np.diff(course[high : low + 1]).max() > BOUNCE_DB
    return bool((end - begin) * seconds > FADE_SECONDS and not bounces)


class _Highpass:
    """A Butterworth filter of second order for all channels, some samples at one stroke.

    It is a direct part, and one pair of poles that ring on. Within a stretch of samples a matrix
    does all of it; what rings on from before is followed from stretch to stretch.
    """

    def __init__(self, corner_hz: float, samplerate: int, channels: int) -> None:
        # The bilinear transform of s² / (s² + √2 s + 1), in partial fractions.
        k = np.tan(np.pi * corner_hz / samplerate)
        pole = (1 - k**2 + 1j * np.sqrt(2) * k) / (1 + np.sqrt(2) * k + k**2)
        gain = 1 / (1 + np.sqrt(2) * k + k**2)
        residue = gain * (1 - 1 / pole) ** 2 / (1 - np.conj(pole) / pole)
        powers = pole ** np.arange(_STRETCH + 1)
        response = 2 * (residue * powers[:-1]).real
        response[0] = gain
        self._within = np.triu(toeplitz(response))
        into, out_of = powers[-2::-1], 2 * residue * powers[1:]
        self._into = np.stack([into.real, into.imag], axis=1)
        self._out_of = np.stack([out_of.real, -out_of.imag])
        self._kept = powers[-1]
        self._ringing = np.zeros((channels, 1), dtype=complex)

    def filter(self, samples: _Array) -> _Array:
        """What follows of all channels, of shape (channels, batches, frames of one)."""
        stretches = samples.reshape(*samples.shape[:2], -1, _STRETCH)
        new = (stretches @ self._into).view(complex).reshape(len(samples), -1)
        rings = np.concatenate([self._ringing, new], axis=1)
        recursion = np.full((2, rings.shape[1]), -self._kept, order="F")  # below a diagonal of ones
        rings = ztbtrs(recursion, rings.T, uplo="L", diag="U")[0].T
        before, self._ringing = rings[:, :-1], rings[:, -1:]
        heard = stretches @ self._within
        heard += (
            np.ascontiguousarray(before).view(float).reshape(*heard.shape[:3], 2) @ self._out_of
        )
        return np.asarray(heard.reshape(samples.shape))


class GapDetector:
    """Finds gaps in audio that comes in blocks; blocks of any sizes give the same events.

    Parameters
    ----------
    samplerate : int
        Frames a second.
    channels : int
        Channels of each block.
    """

    def __init__(self, samplerate: int, channels: int) -> None:
        self._step = max(1, round(STEP_SECONDS * samplerate))
        self._seconds = self._step / samplerate
        corner = min(LOWEST_HZ, 0.2 * samplerate)
        self._highpass = _Highpass(corner, samplerate, channels)
        self._channels = channels
        self._stretches = Stretches(channels, _BATCH * self._step, _BATCHES)
        self._powers = np.zeros((SPAN - 1, channels))  # of the last single steps
        self._levels = np.zeros((0, channels))
        self._steps = np.zeros((0, channels))  # the powers of their last steps alone
        self._heard: deque[_Array] = deque()  # of these steps and some before, channels in rows
        self._first = 0  # number of the first level kept
        self._looked = 0  # number of the level from which on returns are looked for
        self._back: list[int | None] = [None] * channels  # number of the step of the last return
        self._found: list[tuple[int, _Gap]] = []  # not yet told: another channel may show the same
        self._settled = round(SETTLED_SECONDS / self._seconds)
        self._kept = round((STEADY_SECONDS + LONGEST_SECONDS) / self._seconds) + 2 * _BATCH

    @property
    def open_since(self) -> tuple[float | None, ...]:
        """When a gap has begun that is not over: never told before it is."""
        return (None,) * self._channels

    def feed(self, block: Samples) -> tuple[Event, ...]:
        """Take the next block, of shape (frames, channels); the gaps that it has shown.

        Raises
        ------
        SignalError
            If the block has another number of channels, or values that are not finite.
        """
        require_block(block, self._channels, "gap detector")
        batches = self._stretches.feed(block)
        return tuple(event for part in batches for event in self._advance(part))

    def finish(self) -> tuple[Event, ...]:
        """No more blocks; the gaps of what is left."""
        rest = self._stretches.rest()
        whole = rest.shape[1] // self._step * self._step
        events: list[Event] = []
        if whole > 0:
            batch = np.zeros((self._channels, _BATCH * self._step))
            batch[:, :whole] = rest[:, :whole]
            events += self._advance(batch, whole // self._step)
        return (*events, *self._tell(None))

    def _advance(self, samples: _Array, steps: int | None = None) -> list[Event]:
        """The gaps that whole batches have shown, of shape (channels, frames).

        Of the last batch of a take only the first steps count.
        """
        batches = samples.reshape(self._channels, -1, _BATCH * self._step)
        heard = self._highpass.filter(batches).reshape(self._channels, -1, self._step)[:, :steps]
        self._heard.append(heard)
        fresh = np.vecdot(heard, heard).T / self._step
        steps = len(fresh)
        powers = np.concatenate([self._powers, fresh])
        spans = np.sum([powers[k : k + steps] for k in range(SPAN)], axis=0) / SPAN
        self._powers = powers[len(powers) - (SPAN - 1) :]
        self._levels = np.concatenate([self._levels, _decibels(spans)])
        self._steps = np.concatenate([self._steps, fresh])
        self._found += self._search()
        surplus = len(self._levels) - self._kept
        if surplus > 0:
            self._levels = self._levels[surplus:]
            self._steps = self._steps[surplus:]
            self._first += surplus
        kept = sum(part.shape[1] for part in self._heard)
        before = round((BEFORE_SECONDS + max(CHATTER_SECONDS)) / self._seconds)
        while kept - self._heard[0].shape[1] >= self._kept + before:
            kept -= self._heard.popleft().shape[1]
        return self._tell(self._looked)

    def _search(self) -> list[tuple[int, _Gap]]:
        """Gaps whose return, and what follows it, is known by now."""
        end = self._first + len(self._levels) - self._settled - SPAN
        start, self._looked = max(self._looked, self._first), max(self._looked, end)
        if end <= start:
            return []
        rise = round(RISE_SECONDS / self._seconds)
        at = max(start - self._first, rise)
        recent = self._levels[at - rise : end - self._first]
        if len(recent) <= rise:
            return []
        lowest = np.minimum.reduce([recent[k : k - rise] for k in range(rise)])
        jumps = recent[rise:] - lowest > _JUMP_DB
        return [
            (channel, gap)
            for channel in np.flatnonzero(jumps.any(axis=0)).tolist()
            for gap in self._gaps(channel, at + np.flatnonzero(jumps[:, channel]))
        ]

    def _tell(self, looked: int | None) -> list[Event]:
        """Events of the gaps that no other channel may show any more, in the order of their ends.

        `looked` is the step up to which returns are known; None: there are no more.
        """
        near = TOGETHER_SECONDS / self._seconds

        def alike(one: _Gap, other: _Gap) -> bool:
            return abs(one[0] - other[0]) <= near and abs(one[1] - other[1]) <= near

        events: list[Event] = []
        waiting: list[tuple[int, _Gap]] = []
        self._found.sort(key=lambda entry: (entry[1][1], entry[1][0], entry[0]))
        for group in of_one_event(self._found, alike):
            if looked is not None and group[0][1][1] + near >= looked:
                waiting += group
                continue
            first = min(gap for _, gap in group)
            events.append(
                Event(
                    "dropout",
                    first[0] * self._seconds,
                    first[1] * self._seconds,
                    tuple(sorted(channel + 1 for channel, _ in group)),
                    max(gap[2] for _, gap in group),
                    SLOW if all(gap[3] for _, gap in group) else QUICK,
                )
            )
        self._found = waiting
        return events

    def _bounces(self, channel: int, left: int, low: int) -> bool:
        """Whether the sound is back on its way, from its last step at full level to a low one."""
        heard = np.concatenate([part[channel] for part in self._heard])
        first = self._first + len(self._levels) - len(heard)  # number of its first step
        before = round(BEFORE_SECONDS / self._seconds)
        for chatter in CHATTER_SECONDS:
            begin = left - SPAN - round(chatter / self._seconds) - first
            known, fall = heard[max(0, begin - before) : begin], heard[begin : low - first]
            if bounces(known.ravel(), fall.ravel(), round(self._step / self._seconds)):
                return True
        return False

    def _gaps(self, channel: int, jumps: NDArray[np.intp]) -> Iterator[_Gap]:
        """First step, step of the return, depth in dB, and whether the sound faded.

        Steps are counted from the beginning.

        `jumps` are the levels kept that stand high above those before.
        """
        levels = self._levels[:, channel]
        rise = round(RISE_SECONDS / self._seconds)
        steady = round(STEADY_SECONDS / self._seconds)
        longest = round(LONGEST_SECONDS / self._seconds)
        for place in map(int, jumps):
            back = self._back[channel]
            if back is not None and place + self._first <= back + rise:
                continue  # the same return
            after = levels[place + SPAN : place + SPAN + self._settled]
            level = float(np.median(after))
            if np.ptp(after) > 2 * BACK_DB:
                continue
            there = np.flatnonzero(levels[max(0, place - longest) : place] > level - BACK_DB)
            if not len(there):
                continue
            left = max(0, place - longest) + int(there[-1])  # the last step at full level
            since = left - steady if back is None else max(left - steady, back - self._first + SPAN)
            before = levels[since:left] if 0 <= since <= left - SPAN else levels[:0]
            if not len(before) or np.ptp(before) > 2 * BACK_DB:
                continue
            if abs(float(np.median(before)) - level) > BACK_DB:
                continue
            gap = levels[left:place]
            low = np.flatnonzero(gap < level - DEPTH_DB)
            if not len(low) or low[0] > FALL_SECONDS / self._seconds:
                continue
            self._back[channel] = place + self._first
            steps = _decibels(self._steps[max(0, left - SPAN) : place, channel])
            faded = _fades(steps - level, self._seconds) and not self._bounces(
                channel, left + self._first, left + int(low[0]) + self._first
            )
            yield left + self._first, place + self._first, float(level - gap.min()), faded
