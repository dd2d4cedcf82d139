"""Clicks and crackle: short transients that a contact makes when it lets go, bounces or scrapes.

What counts:

* A **transient** is a jump or spike of a few milliseconds at most, after which the sound goes on
  as it was before.
* A **click** is one transient, or two; a **crackle** is a burst of three or more, each within
  `GAP_SECONDS` of the last.
* A **rush** of transients, so dense that nothing is between them, is a crackle as well, if it
  begins and ends at once, and the sound goes on after it as it was.

How: a sound is predicted from its last 16 samples, by a predictor that follows each channel
(linear prediction, Makhoul 1975). What the prediction misses, the innovation, keeps the height of a
jump and loses most of the sound. A transient stands out of the innovations of the last second:
the edges of a waveform recur in every period, a bad contact does not. And it is over at once: where
the innovations stay raised, or the spectrum that follows has something new, or has lost most of
what it had, a note has started or ended instead. Bursts that come back alike, and at equal
intervals, are a sample's that loops: `CrackleDetector.regular`.

References
----------
J. Makhoul, "Linear prediction: a tutorial review", Proc. IEEE 63 (1975) 561-580.
S. J. Godsill, P. J. W. Rayner, *Digital Audio Restoration* (Springer, 1998), ch. 5: detection of
clicks from the prediction error.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigbench.errors import SignalError
from sigbench.measure.estimate import Estimate
from sigbench.measure.rhythm import SHAPE_SECONDS, Beat, RegularClicks, Rhythm
from sigbench.measure.streaming import of_one_event, require_block
from sigbench.model import Event, Samples

GAP_SECONDS = 0.036  # transients nearer than this belong to one burst; our own choice
CRACKLE_TRANSIENTS = 3  # so many make a crackle; fewer are a click; our own choice
LONGEST_SECONDS = 0.005  # a longer disturbance is no click
MIN_PEAK_DBFS = -84.0  # two steps of 16 bit: smaller ones may be the converter's
MIN_DEPTH_DB = -34.0  # fainter ones re the sound are within what instruments do by themselves
FLOOR_DBFS = -120.0  # digital silence counts as this level, so depths stay finite
CONFIRMED_SECONDS = 0.5  # a crackle that goes on is told from a new note in parts of this length
SIMULTANEOUS_SECONDS = 0.002  # bursts of two channels this near are one event
RAGGED_SECONDS = 0.01  # their first or last transients may be missed in one channel

_ROW = 16  # samples: the order of the predictor, and the step that transients are placed in
_HOP_SECONDS = 0.0213  # verdicts fall in such steps: 64 rows at 48 kHz
_GROUP = 16  # hops that share a predictor, 0.34 s; the next is learnt from the last of them
_SKIPPED = 3  # groups that keep their predictor as long as the sound is calm
_FORGET = 0.5  # weight of what was learnt before, each time
_NOISE_RATIO = 1e-8  # white noise that the predictor reckons with, re signal power: -80 dB
_MEMORY = 47  # hops that the usual peak is taken from, 1 s: the period of a slow tremolo
_USUAL = 0.95  # quantile of the hops' peaks that is usual
_FALLEN = 30.0  # power by which the limit may be above the peaks of the last group
_RENEWED = 4  # hops after which the limit is worked out again
_SETTLE = 6  # hops after the start of a note before anything is found
_STANDS_OUT = 3.2  # power re the usual peak, in noise; 5 dB
_STANDS_FAR_OUT = 12.0  # the same, where a waveform's edges beat with one another
_SPREADS = 2.0  # times the squared spread of the last second's peaks
_NOISE_EDGES = 2.5  # usual peak over base is 8 in noise, which this makes `_STANDS_OUT`
_LEAST = 10 ** (MIN_PEAK_DBFS / 10)
_APART = 3  # rows between transients
_ALIKE = 0.6  # correlation of a period with the next, from which it is a waveform's
_ECHO = 0.1  # height re the highest that an edge of a period still has
_RAISED = 2.5  # power: innovations between transients that are raised so much are a new sound
_TAIL = 1e-4  # power re the peak: what a capacitor's recharge leaves of innovations
_BASES = 12  # hops whose quiet innovations are compared
_LOUDER = 4.0  # power after re before, from which on a note has started; 6 dB
_NEW_SHARE = 0.1  # of the power: a spectrum with so much that was not there has a new note
_LOST_SHARE = 0.5  # of the power: a spectrum that lost so much belongs to a note's end
_DENSE = 600.0  # transients a second, at least, where nothing is between them
_RUSH = 30.0  # power: innovations between transients that rise by so much may be a rush of them
_RUSH_CALM = 24  # hops before it, 0.5 s, in which they lay within
_RUSH_STEADY = 6.0  # power of one another
_RUSH_ENDS = 5.0  # power that they fall by within a hop, at its end
_RUSH_OVER = 10.0  # power of what was before, below which they are then
_RUSH_HELD = 0.4  # of its usual power: what has sunk lower before has died away
_RUSH_ASKED = 4  # hops after which it is asked whether the sound is there yet
_RUSH_SHORTEST = 4  # hops, 85 ms: a cymbal that is held shut may be as short
_RUSH_LONGEST = 94  # hops, 2 s
_LOWEST_HZ = 150.0  # below, a coupling capacitor recharges after a break


@dataclass(frozen=True, slots=True, eq=False)
class _Transient:
    """Start and end in frames of the take, and the innovations around its peak, from a frame on."""

    start: int
    end: int
    depth: float
    energy: float
    shape: NDArray[np.float64]
    shape_start: int


@dataclass(frozen=True, slots=True)
class _Burst:
    """Transients of one channel, each within the gap of the last."""

    start: int
    end: int
    count: int
    energy: float
    highest: _Transient

    @property
    def depth(self) -> float:
        return self.highest.depth

    @property
    def beat(self) -> Beat:
        shape, shape_start = self.highest.shape, self.highest.shape_start
        return Beat(self.start, self.end, self.count, self.energy, shape, shape_start)


class _Usual:
    """What is usual in one channel: the peaks of the last second, and how quiet it is between."""

    def __init__(self) -> None:
        self._peaks: deque[float] = deque(maxlen=_MEMORY)
        self._bases: deque[float] = deque(maxlen=_BASES)
        self._age = _RENEWED  # hops since the limit was worked out
        self.limit = np.inf  # what a transient's peak is above

    def add(self, peaks: Sequence[float], bases: Sequence[float]) -> None:
        self._peaks.extend(peaks)
        self._bases.extend(bases)
        self._age += len(peaks)

    def restart(self) -> None:
        self._peaks.clear()
        self._bases.clear()
        self._age = _RENEWED

    def exceeded_by(self, peak: float) -> bool:
        """Whether a hop's peak is higher than is usual, once there is enough to compare."""
        peaks = self._peaks
        # The limit is never below this, and takes longer to work out.
        if len(peaks) < _SETTLE or peak <= _STANDS_OUT * min(peaks[-1], peaks[-2], peaks[-3]):
            return False
        if self._age >= _RENEWED:
            self.limit = self._limit()
            self._age = 0
        return peak > self.limit

    def _limit(self) -> float:
        peaks = list(self._peaks)
        recent = max(peaks[-_GROUP:])
        peaks.sort()
        high = peaks[int(_USUAL * len(peaks))]
        # Where noise hides the waveform's edges, a transient need only stand out of noise.
        edges = high / max(self.base, 1e-30) / _NOISE_EDGES
        spread = _SPREADS * (high / max(peaks[len(peaks) // 2], 1e-30)) ** 2
        limit = high * min(max(edges, spread, _STANDS_OUT), _STANDS_FAR_OUT)
        # A sound that dies away, or whose predictor has only just been learnt, is watched anew.
        return max(min(limit, _FALLEN * recent), _LEAST)

    @property
    def base(self) -> float:
        return max(self._bases)


class _Rush:
    """Transients so dense that nothing is between them: noise that comes and goes at once.

    What is struck dies away instead; what begins, stays.
    """

    def __init__(self) -> None:
        self._calm: deque[float] = deque(maxlen=_RUSH_CALM)  # bases before it
        self._bases: list[float] = []  # of its hops
        self._peak = 0.0
        self._start = 0
        self._sound = np.zeros((2, 0), dtype=np.float32)  # before it
        self._over: tuple[int, int] | None = None  # what is over, with one hop to come

    @property
    def busy(self) -> bool:
        """Whether one goes on, or has just ended."""
        return bool(self._bases) or self._over is not None

    @property
    def asked(self) -> NDArray[np.float32] | None:
        """The sound before one that has gone on for some hops, when it may be a new sound."""
        return self._sound if len(self._bases) == _RUSH_ASKED else None

    def give_up(self) -> None:
        """It is another sound."""
        self._bases = []
        self._calm.clear()

    def may_begin(self, bases: Sequence[float]) -> bool:
        """Whether one may begin with one of these hops, though their peaks are no higher.

        It may lie below the edges of a waveform.
        """
        return bool(self._calm) and max(bases) > _RUSH * min(self._calm[-1], min(bases))

    def add(self, bases: Sequence[float]) -> None:
        """Take the bases of calm hops."""
        self._calm.extend(bases)

    def judge(
        self, peak: float, base: float, sound: NDArray[np.float32], begin: int
    ) -> tuple[int, int, float, NDArray[np.float32]] | None:
        """Take a hop: start, end, highest peak and sound before of a rush that ended before it.

        `sound`, of shape (4, frames), is that of the hop, and of three before it.
        """
        if self._over is not None:
            (start, end), self._over = self._over, None
            self._calm.clear()
            return start, end, self._peak, self._sound
        if not self._bases:
            calm = self._calm
            full = len(calm) == _RUSH_CALM
            if full and base > _RUSH * max(calm) and max(calm) < _RUSH_STEADY * min(calm):
                self._bases, self._start, self._peak = [base], begin, peak
                self._sound = sound[:2].copy()
            else:
                calm.append(base)
            return None
        usual = sorted(self._bases)[len(self._bases) // 2]
        if base < min(usual / _RUSH_ENDS, _RUSH_OVER * max(self._calm)):
            held = max(self._bases[-2:]) > _RUSH_HELD * usual  # the last may be a part of one
            if held and len(self._bases) >= _RUSH_SHORTEST:
                self._over = (self._start, begin)
                self._bases = []
            else:
                self.give_up()
        elif len(self._bases) > _RUSH_LONGEST:
            self.give_up()
        else:
            self._bases.append(base)
            self._peak = max(self._peak, peak)
        return None


class _Predictors:
    """The predictor of each channel, as matrices that turn rows of samples into innovations.

    `own` and `before`, of shape (channels, 1, 16, 16), are for a row, and for the row before it.
    """

    def __init__(self, channels: int, rows: int) -> None:
        self._products = np.zeros((channels, _ROW + 1, _ROW + 1))
        self._gram = np.zeros((channels, 2 * _ROW, 2 * _ROW))
        c, i, j = self._gram.strides
        # Sums over the same lags lie along the diagonal.
        self._shifted = np.lib.stride_tricks.as_strided(
            self._gram, (channels, _ROW, _ROW + 1, _ROW + 1), (c, i + j, i, j), writeable=False
        )
        self._known = np.zeros((channels, rows, 2 * _ROW))
        self._noisy = np.zeros_like(self._products)
        self._diagonal = np.einsum("cii->ci", self._noisy)
        self._response = np.zeros((channels, 3 * _ROW - 1), dtype=np.float32)
        self._response[:, _ROW - 1] = 1.0
        c, lag = self._response.strides
        self._views = [
            np.lib.stride_tricks.as_strided(
                self._response[:, start:], (channels, 1, _ROW, _ROW), (c, 0, -lag, lag)
            )
            for start in (_ROW - 1, 2 * _ROW - 1)
        ]
        self.own, self.before = (view.copy() for view in self._views)

    def learn(
        self, before: NDArray[np.float32], own: NDArray[np.float32], suspected: Sequence[bool]
    ) -> None:
        """Work out the predictors anew, with what the channels have that are not suspected.

        `own`, of shape (channels, rows, 16), and `before`, of the rows before each.
        """
        # Sums of products of samples that lie 0 to 16 back.
        self._known[:, :, :_ROW] = before
        self._known[:, :, _ROW:] = own
        np.matmul(self._known.transpose(0, 2, 1), self._known, out=self._gram)
        sums = self._shifted.sum(axis=1)
        for channel, doubtful in enumerate(suspected):
            if not doubtful:
                self._products[channel] += sums[channel]
        np.copyto(self._noisy, self._products)
        self._diagonal += _NOISE_RATIO * self._products[:, :1, 0] + 1e-20
        # The last of the 17 samples is predicted from the 16 before it.
        weights = np.linalg.solve(self._noisy[:, :_ROW, :_ROW], self._noisy[:, :_ROW, _ROW:])
        np.negative(weights[:, ::-1, 0], out=self._response[:, _ROW : 2 * _ROW])
        for matrix, view in zip((self.own, self.before), self._views, strict=True):
            np.copyto(matrix, view)
        self._products *= _FORGET


class _Channel:
    """Judges the suspects of one channel, hop by hop; each by the hop that follows it."""

    def __init__(self, samplerate: int, rows: int) -> None:
        self._samplerate = samplerate
        self._hop = rows * _ROW
        self._gap = GAP_SECONDS * samplerate
        self._usual = _Usual()
        self._last: tuple[float, float] | None = None  # peak and base of the last hop
        self._part: list[_Transient] = []  # of the open burst, not yet told from a new sound
        self._earlier = np.zeros((2, self._hop), dtype=np.float32)  # the sound before them
        self._burst: _Burst | None = None  # what is open and confirmed
        self._taper = np.hanning(self._hop + 2)[1:-1]
        self._recurring = 0  # hops in which transients recurred
        self.suspected = False  # whether the last hop awaits a verdict
        self.count = 0
        self.energy = 0.0
        self.rhythm = Rhythm(samplerate)
        self._rush = _Rush()
        self._beside = round(SHAPE_SECONDS * samplerate / _ROW)  # rows

    @property
    def disturbed(self) -> bool:
        """Whether there is something beside the sound, as far as is known."""
        return self.suspected or self._rush.busy

    @property
    def busy(self) -> bool:
        """Whether a burst is open, or may begin."""
        return self.suspected or bool(self._part) or self._burst is not None or self._rush.busy

    @property
    def crackles_since(self) -> int | None:
        """Frame that an open crackle began at."""
        known = [(self._burst.start, self._burst.count)] if self._burst else []
        known += [(transient.start, 1) for transient in self._part]
        return known[0][0] if sum(n for _, n in known) >= CRACKLE_TRANSIENTS else None

    def may_rush(self, bases: Sequence[float]) -> bool:
        """Whether hops that are no suspects may begin a rush, and are to be judged."""
        return self._rush.may_begin(bases)

    def go_on(self, peaks: list[float], bases: list[float]) -> None:
        """Take the peaks and bases of hops that are no suspects."""
        self._rush.add(bases)
        self._note(peaks, bases)

    def _note(self, peaks: list[float], bases: list[float]) -> None:
        if self._last is not None and not self.suspected:
            self._usual.add([self._last[0], *peaks[:-1]], [self._last[1], *bases[:-1]])
        self._last = (peaks[-1], bases[-1])

    def judge(
        self,
        peak: float,
        base: float,
        errors: NDArray[np.float32],
        sound: NDArray[np.float32],
        begin: int,
    ) -> _Burst | None:
        """Judge the last hop by the next, which begins at frame `begin`; a burst that is over.

        Parameters
        ----------
        peak, base : float
            Of the next hop.
        errors : ndarray, shape (2, rows, 16)
            Innovations of both.
        sound : ndarray, shape (4, frames)
            Samples of both, and of two hops before.
        """
        if self.suspected and self._last is not None:
            high, _ = self._last
            found = None
            if base <= max(_RAISED * max(self._usual.base, _LEAST / 100), _TAIL * high):
                found = self._transients(errors, sound, begin)
            if found is None:
                self._forget()
            else:
                self._part += found
        self._note([peak], [base])
        if (rush := self._rush.judge(peak, base, sound, begin)) is not None:
            dense = self._dense(*rush, sound[-1])
            if dense is not None:
                self._forget()
                return dense
        elif (before := self._rush.asked) is not None and self._is_new(before, sound[-1]):
            self._rush.give_up()
        self.suspected = self._usual.exceeded_by(peak)
        if self._part:
            last = self._part[-1].end
        elif self._burst is not None:
            last = self._burst.end
        else:
            return None
        over = last + self._gap < begin + (0 if self.suspected else self._hop)
        if self._part and (
            over or last - self._part[0].start >= CONFIRMED_SECONDS * self._samplerate
        ):
            before, after = self._earlier, sound[-1]
            if self._rose(before, after) or (over and self._changed(before, after)):
                self._forget()
                over = True
            self._confirm()
        return self.close() if over else None

    def _dense(
        self,
        start: int,
        end: int,
        peak: float,
        before: NDArray[np.float32],
        following: NDArray[np.float32],
    ) -> _Burst | None:
        """The burst that a rush is, if the sound goes on after it as it was."""
        self._earlier = before  # of transients within it, too
        if (
            self._rose(before, following)
            or self._changed(before, following)
            or self._fell(before, following)
        ):
            return None
        level = np.sqrt(np.mean(np.var(before, axis=1, dtype=np.float64)))
        depth = float(20 * np.log10(np.sqrt(peak) / max(level, 10 ** (FLOOR_DBFS / 20))))
        if depth < MIN_DEPTH_DB:
            return None
        count = max(CRACKLE_TRANSIENTS, round(_DENSE * (end - start) / self._samplerate))
        self.count += count
        self.energy += peak
        self._part = []
        self._burst = None
        highest = _Transient(start, end, depth, peak, np.zeros(0), start)
        return _Burst(start, end, count, peak, highest)

    def _is_new(self, before: NDArray[np.float32], following: NDArray[np.float32]) -> bool:
        """Whether a sound is louder, or has lost most of what was before, whatever came to it."""
        _, lost = self._changes(before, following)
        return self._rose(before, following) or lost > _LOST_SHARE

    def _fell(self, before: NDArray[np.float32], following: NDArray[np.float32]) -> bool:
        """Whether the sound is much weaker than before."""
        least = min(float(np.var(part, dtype=np.float64)) for part in before)
        return float(np.var(following, dtype=np.float64)) < least / _LOUDER

    def close(self) -> _Burst | None:
        """End the open burst."""
        self._confirm()
        burst, self._burst = self._burst, None
        if burst is not None:
            self.rhythm.add(burst.beat)
        return burst

    def _confirm(self) -> None:
        """Count the transients of the last part to the burst."""
        if not self._part:
            return
        start, end, count = self._part[0].start, self._part[-1].end, len(self._part)
        energy = sum(transient.energy for transient in self._part)
        highest = max(self._part, key=lambda transient: transient.depth)
        self.count += count
        self.energy += energy
        if self._burst is not None:
            start, count = self._burst.start, count + self._burst.count
            energy += self._burst.energy
            highest = max(self._burst.highest, highest, key=lambda transient: transient.depth)
        self._burst = _Burst(start, end, count, energy, highest)
        self._part = []

    def _forget(self) -> None:
        """Another sound has begun: the last transients belong to that."""
        self._usual.restart()
        self.suspected = False
        self._part = []

    def _transients(
        self, errors: NDArray[np.float32], sound: NDArray[np.float32], begin: int
    ) -> list[_Transient] | None:
        """Transients of the hop before `begin`; None if they are a new sound's."""
        limit = self._usual.limit
        squared = errors.astype(np.float64) ** 2
        sizes = np.sqrt(np.vecdot(squared, squared))
        high = np.flatnonzero(sizes[0] > limit)
        groups = np.split(high, np.flatnonzero(np.diff(high) > _APART) + 1)
        longest = LONGEST_SECONDS * self._samplerate / _ROW
        # A contact that bounces is quiet in between.
        without_pause = np.split(high, np.flatnonzero(np.diff(high) > 2) + 1)
        if any(group[-1] - group[0] > longest for group in without_pause):
            return None
        recurs = np.max(sizes[1]) > limit / 2 and _recurs(np.sqrt(sizes).ravel())
        self._recurring = self._recurring + 1 if recurs else 0
        # Three of a crackle may be a period apart by chance; a waveform's edges all are.
        known = len(self._part) + (self._burst.count if self._burst else 0)
        if self._recurring > (1 if known >= CRACKLE_TRANSIENTS else 0):
            return None
        if not self._part:
            self._earlier = sound[:2].copy()
        level = max(
            np.sqrt(np.mean(np.var(self._earlier, axis=1, dtype=np.float64))),
            10 ** (FLOOR_DBFS / 20) / np.sqrt(2),
        )
        start = begin - self._hop
        found = []
        for group in groups:
            first, last = int(group[0]), int(group[-1]) + 1
            part = squared[0, first:last]
            depth = float(20 * np.log10(np.sqrt(part.max()) / level))
            if depth >= MIN_DEPTH_DB:
                begun, ended = start + first * _ROW, start + last * _ROW
                shape, row = self._shape(
                    errors, sizes > limit, first + int(np.argmax(part)) // _ROW
                )
                found.append(
                    _Transient(begun, ended, depth, float(part.sum()), shape, start + row * _ROW)
                )
        return found

    def _shape(
        self, errors: NDArray[np.float32], high: NDArray[np.bool_], peak: int
    ) -> tuple[NDArray[np.float64], int]:
        """Signed squares of the innovations in the rows that stand out near a row, and its first.

        Of the rows beside them as well: a transient may begin or end there.
        """
        first, last = max(0, peak - self._beside), peak + self._beside + 1
        near = np.convolve(high.ravel(), np.ones(3), "same")[first:last] > 0
        values = np.where(near[:, np.newaxis], errors.reshape(-1, _ROW)[first:last], 0.0)
        known = np.flatnonzero(near)
        values = values[known[0] : known[-1] + 1].ravel().astype(np.float64)
        return values * np.abs(values), first + int(known[0])

    def _rose(self, before: NDArray[np.float32], following: NDArray[np.float32]) -> bool:
        """Whether the sound is louder than before the burst, apart from further transients."""
        ramp = np.linspace(-1, 1, self._hop)
        ramp /= np.sqrt(np.dot(ramp, ramp))
        parts = np.vstack([before, following]).astype(np.float64)
        # A coupling capacitor that recharges is no sound.
        parts -= parts.mean(axis=1, keepdims=True)
        parts -= (parts @ ramp)[:, None] * ramp
        powers = np.square(parts).reshape(3, -1, _ROW).sum(axis=2)
        levels = np.median(powers, axis=1)
        return bool(levels[2] > _LOUDER * max(levels[:2]))

    def _changed(self, before: NDArray[np.float32], following: NDArray[np.float32]) -> bool:
        """Whether the sound is another than before the burst."""
        new, lost = self._changes(before, following)
        return new > _NEW_SHARE or lost > _LOST_SHARE

    def _changes(
        self, before: NDArray[np.float32], following: NDArray[np.float32]
    ) -> tuple[float, float]:
        """Shares of the power that were not there before the burst, and that are not any more."""
        known = [self._spectrum(part) for part in before]
        after = self._spectrum(following)
        total = max(float(np.mean([part.sum() for part in known])), 1e-30)
        new = np.maximum(after - 4 * _neighbourly(np.maximum(*known)), 0.0).sum()
        lost = np.maximum(np.minimum(*known) - 4 * _neighbourly(after), 0.0).sum()
        return float(new / total), float(lost / total)

    def _spectrum(self, part: NDArray[np.float32]) -> NDArray[np.float64]:
        """Power spectrum of a hop from `_LOWEST_HZ` on."""
        spectrum = np.fft.rfft((part - part.mean(dtype=np.float64)) * self._taper)
        return np.abs(spectrum[int(_LOWEST_HZ * self._hop / self._samplerate) :]) ** 2


class CrackleDetector:
    """Finds clicks and crackle in audio that comes in blocks.

    Blocks of any sizes give the same events: all work is done in steps at fixed positions of the
    take. Memory is bounded. An event is told within 0.1 s of its end. Nothing is found in the
    first 0.15 s of a take or of a note, nor in the take's last 45 ms.

    Parameters
    ----------
    samplerate : int
        Frames a second.
    channels : int
        Channels of each block.

    Examples
    --------
    >>> t = np.arange(48000) / 48000
    >>> sound = 0.5 * np.sin(2 * np.pi * 440 * t)
    >>> sound[24000:24010] = 0.0
    >>> detector = CrackleDetector(48000, 1)
    >>> events = detector.feed(sound[:, np.newaxis]) + detector.finish()
    >>> [(e.kind, round(e.start, 3)) for e in events]
    [('click', 0.5)]
    """

    def __init__(self, samplerate: int, channels: int) -> None:
        self._samplerate = samplerate
        self._rows = max(8, round(_HOP_SECONDS * samplerate / _ROW))
        self._hop = self._rows * _ROW
        self._past = 4 * self._hop
        self._window = np.zeros((channels, self._past + _GROUP * self._hop), dtype=np.float32)
        self._filled = self._past  # nothing was before the take
        self._done = self._past  # index in the window of the first hop not yet looked at
        self._origin = -self._past
        self._hops = 0  # of the group that are done
        self._predictors = _Predictors(channels, self._rows)
        # Innovations of the last hop, and of those that are looked at now. Single precision
        # rounds far below the noise that the predictor reckons with.
        self._errors = np.zeros((channels, 1 + _GROUP, self._rows, _ROW), dtype=np.float32)
        self._scratch = np.zeros((channels, _GROUP, self._rows, _ROW), dtype=np.float32)
        self._steps = np.zeros((channels, _GROUP * self._hop + _ROW), dtype=np.float32)
        self._ones = np.ones(_ROW, dtype=np.float32)
        self._channels = [_Channel(samplerate, self._rows) for _ in range(channels)]
        self._peaks = np.zeros((channels, 3))  # of the last hops
        self._quiet_hops = 0  # since a channel was busy
        self._restless = True  # whether any hop was not calm since the last that was learnt from
        self._skipped = 0  # groups that nothing was learnt from
        self._closed: list[tuple[int, _Burst]] = []

    @property
    def counts(self) -> tuple[int, ...]:
        """Transients so far in each channel; a click has one or two, a crackle more.

        Without those of `regular`.
        """
        return tuple(channel.count - channel.rhythm.transients for channel in self._channels)

    @property
    def energies(self) -> tuple[float, ...]:
        """Sum of the squared innovations (full scale 1.0) of each channel's transients so far."""
        return tuple(channel.energy - channel.rhythm.energy for channel in self._channels)

    @property
    def regular(self) -> tuple[RegularClicks, ...]:
        """What came back at equal intervals so far: the sound's own, and no crackle.

        The events that were told before it was known to do so are among it. `without_regular`
        takes them out.
        """
        return tuple(
            clicks
            for number, channel in enumerate(self._channels, start=1)
            for clicks in channel.rhythm.regular(number)
        )

    @property
    def open_since(self) -> tuple[float | None, ...]:
        """Start in seconds of a crackle that is going on, or None, for each channel."""
        starts = (channel.crackles_since for channel in self._channels)
        return tuple(None if start is None else start / self._samplerate for start in starts)

    def feed(self, block: Samples) -> tuple[Event, ...]:
        """Take the next block, of shape (frames, channels); the events that it completed.

        Raises
        ------
        SignalError
            If the block has another number of channels, or values that are not finite.
        """
        require_block(block, len(self._window), "crackle detector")
        events: list[Event] = []
        used = 0
        while used < len(block):
            n = min(len(block) - used, self._window.shape[1] - self._filled)
            self._window[:, self._filled : self._filled + n] = block[used : used + n].T
            self._filled += n
            used += n
            events += self._advance()
        return tuple(events)

    def finish(self) -> tuple[Event, ...]:
        """No more blocks: the event that was still open."""
        for number, channel in enumerate(self._channels, start=1):
            if (burst := channel.close()) is not None:
                self._closed.append((number, burst))
        return tuple(self._tell(None))

    def _advance(self) -> list[Event]:
        """Look at the hops that are whole by now."""
        hops = (self._filled - self._done) // self._hop
        if hops == 0:
            return []
        end = self._done + hops * self._hop
        shape = (len(self._window), hops, self._rows, _ROW)
        # Differences, as a coupling capacitor that recharges after a break lasts for long.
        steps = self._steps[:, : end - self._done + _ROW]
        known = self._window[:, self._done - _ROW - 1 : end]
        np.subtract(known[:, 1:], known[:, :-1], out=steps)
        own, before = steps[:, _ROW:].reshape(shape), steps[:, :-_ROW].reshape(shape)
        errors, scratch = self._errors[:, 1 : 1 + hops], self._scratch[:, :hops]
        np.matmul(own, self._predictors.own, out=errors)
        errors += np.matmul(before, self._predictors.before, out=scratch)
        # The fourth power lets one sample stand out of its row.
        np.multiply(errors, errors, out=scratch)
        np.multiply(scratch, scratch, out=scratch)
        sizes = np.matmul(scratch, self._ones)
        sizes.sort(axis=2)
        peaks = np.sqrt(sizes[:, :, -1], dtype=np.float64)
        bases = np.sqrt(sizes[:, :, self._rows // 4], dtype=np.float64)
        calm = self._calm(peaks)
        lows = bases.tolist()
        events: list[Event] = []
        if (
            self._quiet_hops >= 3
            and calm.all()
            and not any(map(_Channel.may_rush, self._channels, lows))
        ):
            for channel, high, low in zip(self._channels, peaks.tolist(), lows, strict=True):
                channel.go_on(high, low)
        else:
            columns = zip(peaks.T.tolist(), zip(*lows, strict=True), strict=True)
            for k, (high, low) in enumerate(columns):
                events += self._judge(high, low, k)
        self._restless |= not calm.all()
        self._errors[:, 0] = self._errors[:, hops]
        self._done = end
        self._hops += hops
        if self._hops == _GROUP:
            self._learn(before[:, -1], own[:, -1])
            self._window[:, : self._past] = self._window[:, end - self._past : end]
            self._origin += end - self._past
            self._filled = self._done = self._past
            self._hops = 0
        return events

    def _calm(self, peaks: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Which hops are no suspects, as they are not much higher than the three before.

        Of the shape of `peaks`, (channels, hops).
        """
        known = np.concatenate([self._peaks, peaks], axis=1)
        self._peaks = known[:, -3:]
        lowest = np.minimum(np.minimum(known[:, :-3], known[:, 1:-2]), known[:, 2:-1])
        return np.asarray(peaks <= _STANDS_OUT * lowest)

    def _judge(self, peaks: Sequence[float], bases: Sequence[float], k: int) -> list[Event]:
        """Judge the last hop by hop number `k` of those that are looked at now."""
        begin = self._done + k * self._hop
        sound = self._window[:, begin - 3 * self._hop : begin + self._hop]
        sound = sound.reshape(len(sound), 4, self._hop)
        for number, channel in enumerate(self._channels):
            burst = channel.judge(
                peaks[number],
                bases[number],
                self._errors[number, k : k + 2],
                sound[number],
                self._origin + begin,
            )
            if burst is not None:
                self._closed.append((number + 1, burst))
        busy = any(channel.busy for channel in self._channels)
        self._quiet_hops = 0 if busy else self._quiet_hops + 1
        return self._tell(self._origin + begin) if self._closed else []

    def _learn(self, before: NDArray[np.float32], own: NDArray[np.float32]) -> None:
        """Learn from a group's last hop, unless the sound has been calm since the last time."""
        if not self._restless and self._skipped < _SKIPPED:
            self._skipped += 1
            return
        suspected = [channel.disturbed for channel in self._channels]
        self._predictors.learn(before, own, suspected)
        self._restless = any(suspected)
        self._skipped = 0

    def _tell(self, known: int | None) -> list[Event]:
        """Events of the bursts that are over, the same one in several channels as one.

        `known` is the frame that all is judged up to; None: there is no more.
        """
        if not self._closed:
            return []
        near, ragged = (
            seconds * self._samplerate for seconds in (SIMULTANEOUS_SECONDS, RAGGED_SECONDS)
        )
        if known is not None and any(channel.busy for channel in self._channels):
            first = min(burst.end for _, burst in self._closed)
            if first + GAP_SECONDS * self._samplerate + ragged >= known:
                return []  # another channel may yet show the same

        def alike(first: _Burst, burst: _Burst) -> bool:
            return (
                burst.start <= first.end + near
                and first.start <= burst.end + near
                and abs(burst.start - first.start) <= ragged
                and abs(burst.end - first.end) <= ragged
            )

        groups = of_one_event(sorted(self._closed, key=lambda b: (b[1].start, b[0])), alike)
        self._closed = []
        return [
            Event(
                "crackle" if max(b.count for _, b in group) >= CRACKLE_TRANSIENTS else "click",
                min(burst.start for _, burst in group) / self._samplerate,
                max(burst.end for _, burst in group) / self._samplerate,
                tuple(sorted(number for number, _ in group)),
                max(burst.depth for _, burst in group),
            )
            for group in groups
        ]


def _neighbourly(power: NDArray[np.float64]) -> NDArray[np.float64]:
    """The greatest of each bin and its two neighbours."""
    padded = np.pad(power, 1, mode="edge")
    return np.asarray(np.maximum(np.maximum(padded[:-2], padded[1:-1]), padded[2:]))


def _recurs(heights: NDArray[np.float64]) -> bool:
    """Whether the transients of two hops come in a period, as a waveform's edges do."""
    spread = np.maximum(heights - np.median(heights), 0.0)
    spread = np.maximum(spread[:-1], spread[1:])  # an edge may fall into either of two rows
    power = float(np.dot(spread, spread))
    alike = np.correlate(spread, spread, "full")[len(spread) + _APART :]
    period = _APART + 1 + int(np.argmax(alike))
    last = int(np.flatnonzero(spread > _ECHO * spread.max())[-1])
    # A period that comes k times scores 1 - 1/k: two alike are not enough. Bounces soon end.
    return bool(np.max(alike) > _ALIKE * power and len(spread) - last <= 2 * period)


def find_crackle(signal: Samples, samplerate: int) -> tuple[Event, ...]:
    """Clicks and crackle of a whole take, of shape (frames, channels), full scale 1.0.

    What keeps time is among them; `CrackleDetector.regular` tells it.

    Returns
    -------
    tuple of Event
        Kinds "click" and "crackle", with start and end in seconds, the channels (from 1) that it
        happened in at the same time, and the depth in dB: the highest jump of the waveform re the
        RMS of the sound (or noise) in the 43 ms before.

    Raises
    ------
    SignalError
        If a value is not finite, or the shape is not (frames, channels).
    """
    if signal.ndim != 2:
        raise SignalError(
            f"Crackle is looked for in audio of shape (frames, channels), not {signal.shape}."
        )
    detector = CrackleDetector(samplerate, signal.shape[1])
    return detector.feed(signal) + detector.finish()


def crackle_rate(transients: int, seconds: float) -> Estimate:
    """Transients a second, with the uncertainty of a count (Poisson, at least one).

    Parameters
    ----------
    transients : int
        Of one channel, as in `CrackleDetector.counts`.
    seconds : float
        Length of the take.
    """
    return Estimate(transients / seconds, float(np.sqrt(max(transients, 1))) / seconds)
