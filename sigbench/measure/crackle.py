"""Clicks and crackle: short transients that a contact makes when it lets go, bounces or scrapes.

What counts:

* A **transient** is a jump or spike of a few milliseconds at most, after which the sound goes on
  as it was before.
* A **click** is one transient, or two; a **crackle** is a burst of three or more, each within
  `GAP_SECONDS` of the last.

How: a sound is predicted from its last 16 samples, by a predictor that follows each channel
(linear prediction, Makhoul 1975). What the prediction misses, the innovation, keeps the height of a
jump and loses most of the sound. A transient stands out of the innovations of the last second:
the edges of a waveform recur in every period, a bad contact does not. And it is over at once: where
the innovations stay raised, or the spectrum that follows has something new, or has lost most of
what it had, a note has started or ended instead.

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
from sigbench.measure.streaming import require_block
from sigbench.model import Event, Samples

GAP_SECONDS = 0.036  # transients nearer than this belong to one burst; our own choice
CRACKLE_TRANSIENTS = 3  # so many make a crackle; fewer are a click; our own choice
LONGEST_SECONDS = 0.005  # a longer disturbance is no click
MIN_PEAK_DBFS = -84.0  # two steps of 16 bit: smaller ones may be the converter's
MIN_DEPTH_DB = -34.0  # fainter ones re the sound are within what instruments do by themselves
FLOOR_DBFS = -120.0  # digital silence counts as this level, so depths stay finite
TOLD_SECONDS = 0.5  # a crackle that goes on is told in parts of this length
SIMULTANEOUS_SECONDS = 0.002  # bursts of two channels this near are one event

_ROW = 16  # samples: the order of the predictor, and the step that transients are placed in
_HOP_SECONDS = 0.0213  # verdicts fall in such steps: 64 rows at 48 kHz
_GROUP = 16  # hops that share a predictor, 0.34 s
_LEARNT = 13  # hop of a group that the next predictor is learnt from
_SKIPPED = 3  # groups that nothing is learnt from as long as the sound is calm
_FORGET = 0.5  # weight of what was learnt before, each group
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
_RAISED = 2.5  # power: innovations between transients that are raised so much are a new sound
_TAIL = 1e-4  # power re the peak: what a capacitor's recharge leaves of innovations
_BASES = 12  # hops whose quiet innovations are compared
_LOUDER = 4.0  # power after re before, from which on a note has started; 6 dB
_NEW_SHARE = 0.1  # of the power: a spectrum with so much that was not there has a new note
_LOST_SHARE = 0.5  # of the power: a spectrum that lost so much belongs to a note's end
_LOWEST_HZ = 150.0  # below, a coupling capacitor recharges after a break


@dataclass(frozen=True, slots=True)
class _Transient:
    """A transient in one channel (from 0); start and end in frames of the take."""

    channel: int
    start: int
    end: int
    depth: float
    energy: float


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
        """Take sums of products of samples that lie 0 to 16 back, of the channels not suspected.

        `own`, of shape (channels, rows, 16), and `before`, of the rows before each.
        """
        self._known[:, :, :_ROW] = before
        self._known[:, :, _ROW:] = own
        np.matmul(self._known.transpose(0, 2, 1), self._known, out=self._gram)
        sums = self._shifted.sum(axis=1)
        for channel, doubtful in enumerate(suspected):
            if not doubtful:
                self._products[channel] += sums[channel]

    def renew(self) -> None:
        """Work out the predictors from what was learnt, of which half is forgotten."""
        np.copyto(self._noisy, self._products)
        self._diagonal += _NOISE_RATIO * self._products[:, :1, 0] + 1e-20
        # The last of the 17 samples is predicted from the 16 before it.
        weights = np.linalg.solve(self._noisy[:, :_ROW, :_ROW], self._noisy[:, :_ROW, _ROW:])
        np.negative(weights[:, ::-1, 0], out=self._response[:, _ROW : 2 * _ROW])
        for matrix, view in zip((self.own, self.before), self._views, strict=True):
            np.copyto(matrix, view)
        self._products *= _FORGET


class CrackleDetector:
    """Finds clicks and crackle in audio that comes in blocks.

    Blocks of any sizes give the same events: all work is done in steps at fixed positions of the
    take. Memory is bounded. An event is told at most 45 ms after its end. Nothing is found in the
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
        self._hops = 0
        self._predictors = _Predictors(channels, self._rows)
        # Innovations of the last two hops, and of those that are looked at now. Single precision
        # rounds far below the noise that the predictor reckons with.
        self._errors = np.zeros((channels, 2 + _GROUP, self._rows, _ROW), dtype=np.float32)
        self._scratch = np.zeros((channels, _GROUP, self._rows, _ROW), dtype=np.float32)
        self._steps = np.zeros((channels, _GROUP * self._hop + _ROW), dtype=np.float32)
        self._ones = np.ones(_ROW, dtype=np.float32)
        self._usual = [_Usual() for _ in range(channels)]
        self._suspected = [False] * channels  # whether the last hop awaits a verdict
        self._quiet_hops = -1  # since a channel had a suspect; before the take there were none
        self._restless = True  # whether any hop was not calm since the last that was learnt from
        self._skipped = 0  # groups that nothing was learnt from
        self._recent = np.zeros((channels, 3))  # peaks of the last hops
        self._last = [(0.0, 0.0)] * channels  # its peak and base
        self._burst: list[_Transient] = []
        self._earlier = np.zeros((channels, 2 * self._hop))  # the sound before the burst
        self._counts = [0] * channels
        self._energies = [0.0] * channels
        self._taper = np.hanning(self._hop + 2)[1:-1]

    @property
    def counts(self) -> tuple[int, ...]:
        """Transients so far in each channel; a click has one or two, a crackle more."""
        return tuple(self._counts)

    @property
    def energies(self) -> tuple[float, ...]:
        """Sum of the squared innovations (full scale 1.0) of each channel's transients so far."""
        return tuple(self._energies)

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
        return tuple(self._tell())

    def _advance(self) -> list[Event]:
        """Look at the hops that are whole by now."""
        events: list[Event] = []
        hops = (self._filled - self._done) // self._hop
        if hops == 0:
            return events
        end = self._done + hops * self._hop
        shape = (len(self._window), hops, self._rows, _ROW)
        # Differences, as a coupling capacitor that recharges after a break lasts for long.
        steps = self._steps[:, : end - self._done + _ROW]
        known = self._window[:, self._done - _ROW - 1 : end]
        np.subtract(known[:, 1:], known[:, :-1], out=steps)
        own, before = steps[:, _ROW:].reshape(shape), steps[:, :-_ROW].reshape(shape)
        errors, scratch = self._errors[:, 2 : 2 + hops], self._scratch[:, :hops]
        predictors = self._predictors
        np.matmul(own, predictors.own, out=errors)
        errors += np.matmul(before, predictors.before, out=scratch)
        # The fourth power lets one sample stand out of its row.
        np.multiply(errors, errors, out=scratch)
        np.multiply(scratch, scratch, out=scratch)
        sizes = np.matmul(scratch, self._ones)
        sizes.sort(axis=2)
        peaks = np.sqrt(sizes[:, :, -1], dtype=np.float64)
        bases = np.sqrt(sizes[:, :, self._rows // 4], dtype=np.float64)
        calm = self._calm(peaks)
        learnt = _LEARNT - self._hops % _GROUP  # hop of these that may be learnt from
        until = min(max(learnt + 1, 0), hops)
        self._restless |= not calm[:, :until].all()
        if not 0 <= learnt < hops:
            learnt = -1
        elif self._restless or self._skipped == _SKIPPED:
            self._skipped, self._restless = 0, False
        else:
            self._skipped += 1
        self._restless |= not calm[:, until:].all()
        if self._skipped > 0:
            learnt = -1
        if calm.all() and not self._burst and self._quiet_hops >= 3:
            self._pass(peaks.tolist(), bases.tolist())
            if learnt >= 0:
                predictors.learn(before[:, learnt], own[:, learnt], self._suspected)
        else:
            columns = zip(peaks.T.tolist(), bases.T.tolist(), strict=True)
            for k, (peak, base) in enumerate(columns):
                self._judge(peak, base, k, self._done + k * self._hop)
                if k == learnt:
                    predictors.learn(before[:, k], own[:, k], self._suspected)
                    self._restless |= any(self._suspected)
                if self._burst:
                    events += self._tell(self._done + k * self._hop)
        self._errors[:, :2] = self._errors[:, hops : hops + 2]
        self._done = end
        self._hops += hops
        if self._hops % _GROUP == 0:
            if self._skipped == 0:
                predictors.renew()
            self._window[:, : self._past] = self._window[:, end - self._past : end]
            self._origin += end - self._past
            self._filled = self._done = self._past
        return events

    def _calm(self, peaks: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Which hops can be no suspects, as they are not much higher than the three before."""
        known = np.concatenate([self._recent, peaks], axis=1)
        self._recent = known[:, -3:]
        lowest = np.minimum(np.minimum(known[:, :-3], known[:, 1:-2]), known[:, 2:-1])
        return peaks <= _STANDS_OUT * lowest

    def _pass(self, peaks: list[list[float]], bases: list[list[float]]) -> None:
        """Take hops that are calm."""
        for channel, usual in enumerate(self._usual):
            peak, base = self._last[channel]
            usual.add([peak, *peaks[channel][:-1]], [base, *bases[channel][:-1]])
            self._last[channel] = (peaks[channel][-1], bases[channel][-1])

    def _judge(self, peaks: list[float], bases: list[float], k: int, begin: int) -> None:
        """Judge the last hop by the one that follows: number `k` now, which begins at `begin`."""
        for channel, usual in enumerate(self._usual):
            peak, base = peaks[channel], bases[channel]
            before = self._last[channel]
            if self._suspected[channel]:
                found = None
                quiet = max(_RAISED * max(usual.base, _LEAST / 100), _TAIL * before[0])
                if base <= quiet:
                    recent = self._errors[channel, k + 1 : k + 3]
                    found = self._transients(channel, recent, usual.limit, begin)
                if found is None:
                    self._forget(channel)
                else:
                    self._burst += found
            elif self._quiet_hops >= 0:
                usual.add(before[:1], before[1:])
            self._suspected[channel] = usual.exceeded_by(peak)
            self._last[channel] = (peak, base)
        self._quiet_hops = 0 if any(self._suspected) else self._quiet_hops + 1

    def _forget(self, channel: int) -> None:
        """Another sound has begun in a channel: its transients belong to that."""
        self._usual[channel].restart()
        self._suspected[channel] = False
        self._burst = [t for t in self._burst if t.channel != channel]

    def _transients(
        self, channel: int, errors: NDArray[np.float32], limit: float, begin: int
    ) -> list[_Transient] | None:
        """Transients of the hop before `begin`; None if they are a new sound's."""
        squared = errors * errors
        sizes = np.sqrt(np.vecdot(squared, squared))
        high = np.flatnonzero(sizes[0] > limit)
        groups = np.split(high, np.flatnonzero(np.diff(high) > _APART) + 1)
        longest = LONGEST_SECONDS * self._samplerate / _ROW
        if any(group[-1] - group[0] > longest for group in groups):
            return None
        if np.max(sizes[1]) > limit / 2 and _recurs(np.sqrt(sizes).ravel()):
            return None
        if all(transient.channel != channel for transient in self._burst):
            first = begin - 3 * self._hop
            self._earlier[channel] = self._window[channel, first : first + 2 * self._hop].copy()
        level = np.sqrt(np.mean(np.var(self._earlier[channel].reshape(2, -1), axis=1)))
        level = max(level, 10 ** (FLOOR_DBFS / 20) / np.sqrt(2))
        start = self._origin + begin - self._hop
        found = []
        for group in groups:
            first, last = int(group[0]), int(group[-1]) + 1
            part = squared[0, first:last]
            depth = float(20 * np.log10(np.sqrt(part.max()) / level))
            if depth < MIN_DEPTH_DB:
                continue
            begun, ended = start + first * _ROW, start + last * _ROW
            found.append(_Transient(channel, begun, ended, depth, float(part.sum())))
        return found

    def _rose(self, channel: int, following: Samples) -> bool:
        """Whether the sound is louder than before the burst, apart from further transients."""
        ramp = np.linspace(-1, 1, self._hop)
        ramp /= np.sqrt(np.dot(ramp, ramp))
        parts = np.vstack([self._earlier[channel].reshape(2, -1), following])
        # A coupling capacitor that recharges is no sound.
        parts -= parts.mean(axis=1, keepdims=True)
        parts -= (parts @ ramp)[:, None] * ramp
        powers = np.square(parts).reshape(3, -1, _ROW).sum(axis=2)
        levels = np.median(powers, axis=1)
        return bool(levels[2] > _LOUDER * max(levels[:2]))

    def _changed(self, channel: int, following: Samples) -> bool:
        """Whether the sound is another than before the burst."""
        before = [self._spectrum(part) for part in self._earlier[channel].reshape(2, -1)]
        after = self._spectrum(following)
        total = max(float(np.mean([part.sum() for part in before])), 1e-30)
        new = np.maximum(after - 4 * _neighbourly(np.maximum(*before)), 0.0).sum()
        lost = np.maximum(np.minimum(*before) - 4 * _neighbourly(after), 0.0).sum()
        return bool(new > _NEW_SHARE * total or lost > _LOST_SHARE * total)

    def _spectrum(self, part: Samples) -> NDArray[np.float64]:
        """Power spectrum of a hop from `_LOWEST_HZ` on."""
        spectrum = np.fft.rfft((part - part.mean()) * self._taper)
        return np.abs(spectrum[int(_LOWEST_HZ * self._hop / self._samplerate) :]) ** 2

    def _tell(self, begin: int | None = None) -> list[Event]:
        """Events of the bursts that are over by the hop that begins at `begin`; None: of all."""
        if not self._burst:
            return []
        gap = GAP_SECONDS * self._samplerate
        first = min(transient.start for transient in self._burst)
        last = max(transient.end for transient in self._burst)
        if begin is not None:
            known = self._origin + begin + (0 if any(self._suspected) else self._hop)
            over = last + gap < known
            if not over and last - first < TOLD_SECONDS * self._samplerate:
                return []
            following = self._window[:, begin : begin + self._hop]
            for channel in {transient.channel for transient in self._burst}:
                if self._rose(channel, following[channel]) or (
                    over and self._changed(channel, following[channel])
                ):
                    self._forget(channel)
        bursts: list[list[_Transient]] = []
        end = -np.inf
        for transient in sorted(self._burst, key=lambda t: (t.start, t.channel)):
            if transient.start - end > gap:
                bursts.append([])
            bursts[-1].append(transient)
            end = max(end, transient.end)
            self._counts[transient.channel] += 1
            self._energies[transient.channel] += transient.energy
        self._burst = []
        return [event for burst in bursts for event in self._events(burst)]

    def _events(self, burst: Sequence[_Transient]) -> list[Event]:
        """A burst as events: one for the channels that it happened in at the same time."""
        near = SIMULTANEOUS_SECONDS * self._samplerate
        groups: list[list[list[_Transient]]] = []
        for channel in sorted({transient.channel for transient in burst}):
            own = [transient for transient in burst if transient.channel == channel]
            for group in groups:
                if any(
                    own[0].start <= other[-1].end + near and other[0].start <= own[-1].end + near
                    for other in group
                ):
                    group.append(own)
                    break
            else:
                groups.append([own])
        return [
            Event(
                "crackle" if max(map(len, group)) >= CRACKLE_TRANSIENTS else "click",
                min(own[0].start for own in group) / self._samplerate,
                max(own[-1].end for own in group) / self._samplerate,
                tuple(own[0].channel + 1 for own in group),
                max(transient.depth for own in group for transient in own),
            )
            for group in sorted(groups, key=lambda group: min(own[0].start for own in group))
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
    # A period that comes k times scores 1 - 1/k: two alike are not enough.
    return bool(np.max(alike) > _ALIKE * power)


def find_crackle(signal: Samples, samplerate: int) -> tuple[Event, ...]:
    """Clicks and crackle of a whole take, of shape (frames, channels), full scale 1.0.

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
