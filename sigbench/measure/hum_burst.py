"""Hum bursts: mains hum that appears and goes again, as when a sleeve or ground contact is lost.

What counts: the first or second line of the mains comb (50 or 60 Hz, within 1 %) rises with its
harmonics by `MIN_RISE_DB` or more, stays for `MIN_SECONDS` or longer, and falls again.

How: the sound below 500 Hz is projected on each line of both combs in windows of 60 ms, 100 times
a second. Lines that stand far above what they held in the last second are suspected. Their
phases, from window to window, tell the frequency: hum lies on one comb within 1 % of the mains,
a note does not, unless it is tuned there. And hum keeps its level, where a struck note dies away.

References
----------
S. M. Kay, "A fast and accurate single frequency estimator", IEEE Trans. ASSP 37 (1989)
1987-1990: frequency from weighted phase differences.
EN 50160:2010, 4.2.1: the frequency of interconnected networks stays within 1 % (from memory, to
be confirmed).
"""

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigbench.errors import SignalError
from sigbench.measure.streaming import of_one_event, require_block
from sigbench.model import Event, Samples

MIN_RISE_DB = 10.0  # of the hum re what was there before; our own choice
MIN_SECONDS = 0.06  # three cycles of the mains; our own choice
MAX_SECONDS = 5.0  # hum that stays longer is told then, and is usual from there on
TOLERANCE = 0.01  # of the mains frequency, EN 50160
LEAST_DBFS = -90.0  # fainter hum is not looked for
FLOOR_DBFS = -120.0  # digital silence counts as this level, so depths stay finite
SIMULTANEOUS_SECONDS = 0.03  # edges of two channels this near belong to the same event

_MAINS_HZ = (50.0, 60.0)
_HIGHEST_HZ = 460.0
_RATE = 1500  # Hz, after decimation: lines lie in its passband
_TAPS = 16  # of the decimating filter, in decimated samples
_STEP = 15  # decimated samples, 10 ms
_WINDOW = 6  # steps: at 60 ms, lines 50 Hz apart fall into each other's zeros
_PAIR = 2  # steps that are worked on together
_BLOCK = 32  # steps that usual levels are taken over, 0.32 s
_MEMORY = 3  # blocks that are remembered, 1 s
_SETTLE = 1  # block before anything is found
_USUAL = 0.7  # quantile of a block's powers that is usual
_SUSPECT = 6.0  # power re the greatest usual one of the last second
_HALF = 0.25  # power re the burst's, where it begins and ends: half the amplitude
_STRONG = 0.1  # of the strongest line's power: lines that have their say about the frequency
_HELD = 0.25  # power of a burst's last third re its first: what dies away is a note
_MORE = 2.0  # times the hum's power: if all that is low rises by more, a note has begun
_COHERENT = 0.8  # of a steady line's phases from step to step
_ALONE_DB = 20.0  # rise asked of one line alone, which may be a beat of anything
_SLACK = 0.05  # cycles: what the frequency of a short burst is known to is this over its length
_TRIED = 12  # steps after which a rise that is no hum is given up, and again each time
_SHORT_SECONDS = 0.01  # by which a burst's length may be found too short


@dataclass(frozen=True, slots=True)
class _Burst:
    """A burst in one channel; times in seconds."""

    start: float
    end: float
    depth: float


def _lowpass(stride: int) -> NDArray[np.float64]:
    """Decimating filter of shape (stride, taps): Kaiser window, 80 dB."""
    n = stride * _TAPS
    time = np.arange(n) - (n - 1) / 2
    response = np.sinc(time / stride) * np.kaiser(n, 8.0)
    return np.ascontiguousarray((response / response.sum()).reshape(_TAPS, stride).T)


class _Lines:
    """The lines that are looked at: of which mains frequency, and which multiple."""

    def __init__(self, rate: float) -> None:
        lines = [
            (mains, k)
            for mains in _MAINS_HZ
            for k in range(1, int(min(_HIGHEST_HZ, 0.4 * rate) / mains) + 1)
        ]
        lines.append((0.0, 0))  # stands for the power of all that is below 500 Hz
        self.mains = np.array([mains for mains, _ in lines])
        self.number = np.array([k for _, k in lines])
        self.low = np.flatnonzero((self.number == 1) | (self.number == 2))
        n = _WINDOW * _STEP
        angle = 2 * np.pi * self.mains * self.number / rate
        taper = np.hanning(n + 1)[:-1]
        wave = np.exp(-1j * np.outer(np.arange(n), angle)) * taper[:, None] / taper.sum()
        self.basis = np.hstack([wave.real, wave.imag]) * np.sqrt(2)
        self.taper = taper / np.sqrt(np.dot(taper, taper))
        self.turn = -angle * _STEP  # radians that each step turns a line's phase back by


class _Channel:
    """Follows one channel: what its lines usually hold, and whether they have risen."""

    def __init__(self, lines: _Lines, rate: float) -> None:
        self._lines = lines
        self._rate = rate
        self._usual: deque[NDArray[np.float64]] = deque(maxlen=_MEMORY)
        self._means: deque[NDArray[np.float64]] = deque(maxlen=_MEMORY)
        self._block: list[NDArray[np.float64]] = []  # powers of this block's steps
        self._touched = False  # whether a rise fell into this block
        self._rise: list[NDArray[np.complex128]] | None = None  # phasors since it began
        self._begun = 0  # step
        self._before: NDArray[np.complex128] = np.zeros(len(lines.number), complex)
        self.set_limits()

    def set_limits(self) -> None:
        least = 10 ** (LEAST_DBFS / 10) / 2
        enough = len(self._usual) >= _SETTLE
        usual = np.max(self._usual, axis=0) if enough else np.inf
        self._limits = np.maximum(_SUSPECT * usual, least) * np.ones(len(self._lines.number))

    def take(self, step: int, phasors: NDArray[np.complex128]) -> list[_Burst]:
        """The bursts that ended with these steps, the first of which is `step`."""
        powers = phasors.real**2 + phasors.imag**2
        low = self._lines.low
        found: list[_Burst] = []
        if self._rise is None and not (powers[:, low] > self._limits[low]).any():
            self._block += list(powers)
        else:
            for k, power in enumerate(powers):
                self._block.append(power)
                if self._rise is not None:
                    self._rise.append(phasors[k])
                    found += self._follow()
                elif (power[low] > self._limits[low]).any():
                    self._rise = [phasors[k - 1] if k else self._before, phasors[k]]
                    self._begun = step + k - 1
                self._touched = self._touched or self._rise is not None
        self._before = phasors[-1]
        if len(self._block) >= _BLOCK:
            if not self._touched:
                self._remember(np.array(self._block))
            self._block = []
            self._touched = self._rise is not None
        return found

    def _remember(self, powers: NDArray[np.float64]) -> None:
        # A short burst that was missed once must not count as usual when the next one comes.
        self._usual.append(np.quantile(powers, _USUAL, axis=0))
        self._means.append(powers.mean(axis=0))
        self.set_limits()

    def _follow(self) -> list[_Burst]:
        assert self._rise is not None
        n = len(self._rise)
        powers = np.abs(np.array(self._rise)) ** 2
        lines = powers[:, :-1]
        risen = np.where(lines.max(axis=0) > self._limits[:-1], lines, 0.0).sum(axis=1)
        over = np.flatnonzero(risen >= _HALF * risen.max())
        # Until the window lies inside the burst, the edge's own spectrum comes and goes.
        ended = n > _WINDOW and over[-1] < n - 1
        late = n * _STEP / self._rate > MAX_SECONDS
        if ended or late:
            burst = self._verdict(powers)
            self._rise = None
            if burst is None or late:
                self._renew(powers)
            return [] if burst is None else [burst]
        if n % _TRIED == 0 and self._comb(powers) is None:
            self._rise = None
            self._renew(powers)
        return []

    def _renew(self, powers: NDArray[np.float64]) -> None:
        """Another sound has begun: what it holds is usual."""
        recent = powers[-_BLOCK:]
        for _ in range(_SETTLE):
            self._remember(recent)

    def _comb(self, powers: NDArray[np.float64]) -> NDArray[np.bool_] | None:
        """The strong lines of the comb that the rise lies on; None if on none."""
        assert self._rise is not None
        lines = self._lines
        phasors = np.array(self._rise)
        total = powers[:, :-1].sum(axis=1)
        full = np.flatnonzero(total >= 0.7 * total.max())
        first, last = int(full[0]), int(full[-1]) + 1
        if last - first < 3:
            first, last = max(0, first - 1), min(len(total), last + 1)
        inside = phasors[first:last]
        seconds = (last - first) * _STEP / self._rate
        products = inside[1:] * inside[:-1].conj()
        turns = products.sum(axis=0)
        coherent = np.abs(turns) >= _COHERENT * np.abs(products).sum(axis=0)
        turned = np.angle(turns)
        off_hz = turned / (2 * np.pi) * self._rate / _STEP
        level = powers[first:last].mean(axis=0)
        usual = np.maximum(np.mean(self._means, axis=0), 10 ** (FLOOR_DBFS / 10) / 2)
        risen = (powers.max(axis=0) > self._limits) & (level > usual * 10 ** (MIN_RISE_DB / 10))
        for mains in _MAINS_HZ:
            own = (lines.mains == mains) & risen
            if not own.any():
                continue
            strong = own & (level >= _STRONG * level[own].max())
            if not strong[lines.low].any():
                continue
            k = lines.number[strong]
            weight = level[strong]
            frequency = mains + np.sum(weight * k * off_hz[strong]) / np.sum(weight * k * k)
            slack = _SLACK / seconds
            apart = np.abs(off_hz[strong] - k * (frequency - mains))
            if (
                abs(frequency - mains) <= TOLERANCE * mains + slack / k.max()
                and (apart <= 1 + slack).all()
                and coherent[strong].all()
            ):
                return np.asarray(strong)
        return None

    def _verdict(self, powers: NDArray[np.float64]) -> _Burst | None:
        strong = self._comb(powers)
        if strong is None:
            return None
        hum = powers[:, strong].sum(axis=1)
        height = np.sqrt(np.median(hum[hum >= 0.5 * hum.max()]))
        amplitude = np.sqrt(hum)
        over = np.flatnonzero(amplitude >= height / 2)
        first, last = int(over[0]), int(over[-1])
        start = first - _passed(amplitude, first, first - 1, height / 2)
        end = last + _passed(amplitude, last, last + 1, height / 2)
        step = _STEP / self._rate
        # A step's time is its window's middle; the window ends with the step, a filter behind.
        middle = (_STEP - _WINDOW * _STEP / 2 - _TAPS / 2) / self._rate
        if (end - start) * step < MIN_SECONDS - _SHORT_SECONDS:
            return None
        third = (last - first + 1) // 3
        if third >= 4:
            begin, finish = hum[first : first + third], hum[last + 1 - third : last + 1]
            if finish.mean() < _HELD * begin.mean():
                return None
        # A line that beats with the note adds up to twice the root of both powers' product.
        usual = np.max(self._usual, axis=0)[-1]
        everything = np.median(powers[first : last + 1, -1]) - usual
        if everything > _MORE * height * (height + np.sqrt(usual)):
            return None
        before = np.mean([means[strong].sum() for means in self._means])
        depth = 10 * np.log10(height**2 / max(before, 10 ** (FLOOR_DBFS / 10) / 2))
        if depth < (MIN_RISE_DB if np.sum(strong) > 1 else _ALONE_DB):
            return None
        begun = self._begun * step + middle
        return _Burst(float(begun + start * step), float(begun + end * step), float(depth))

    def finish(self, end: float) -> list[_Burst]:
        """Hum that lasts to the end of the take."""
        if self._rise is None or len(self._rise) < _WINDOW:
            return []
        powers = np.abs(np.array(self._rise)) ** 2
        burst = self._verdict(powers)
        return [] if burst is None else [_Burst(burst.start, end, burst.depth)]


def _passed(amplitude: NDArray[np.float64], inside: int, outside: int, half: float) -> float:
    """Share of the way from a step inside to its neighbour outside at which half is passed."""
    if not 0 <= outside < len(amplitude) or amplitude[outside] >= half:
        return 0.0
    high, low = amplitude[inside], amplitude[outside]
    return float((high - half) / (high - low))


class HumBurstDetector:
    """Finds bursts of mains hum in audio that comes in blocks.

    Blocks of any sizes give the same events: all work is done in steps at fixed positions of the
    take. Memory is bounded. An event is told at most 60 ms after its end; hum that stays for
    `MAX_SECONDS` is told then. Nothing is found in the first 0.4 s of a take.

    Parameters
    ----------
    samplerate : int
        Frames a second; at least 3000.
    channels : int
        Channels of each block.

    Examples
    --------
    >>> t = np.arange(96000) / 48000
    >>> sound = 0.3 * np.sin(2 * np.pi * 440 * t)
    >>> sound += 0.05 * np.sin(2 * np.pi * 50 * t) * ((t > 1.0) & (t < 1.2))
    >>> detector = HumBurstDetector(48000, 1)
    >>> events = detector.feed(sound[:, np.newaxis]) + detector.finish()
    >>> [(e.kind, round(e.start, 2), round(e.end, 2)) for e in events]
    [('hum_burst', 1.0, 1.2)]
    """

    def __init__(self, samplerate: int, channels: int) -> None:
        if samplerate < 2 * _RATE:
            raise SignalError(
                f"Hum bursts are looked for from 3000 Hz sample rate on, not at {samplerate} Hz."
            )
        self._samplerate = samplerate
        self._stride = max(1, round(samplerate / _RATE))
        rate = samplerate / self._stride
        self._lowpass = _lowpass(self._stride)
        self._lines = _Lines(rate)
        self._rows = _PAIR * _STEP
        self._chunk = self._rows * self._stride
        self._raw = np.zeros((channels, _BLOCK // _PAIR * self._chunk))
        self._filled = 0
        self._fed = 0
        self._parts = np.zeros((channels, _TAPS - 1, _TAPS))  # of the filter, not yet summed
        self._slow = np.zeros((channels, _WINDOW * _STEP))  # the last decimated samples
        self._step = 0
        self._room = len(self._raw[0]) // self._chunk  # pairs to the end of the block
        self._channels = [_Channel(self._lines, rate) for _ in range(channels)]
        self._bursts: list[tuple[int, _Burst]] = []  # channel from 1, and burst

    def feed(self, block: Samples) -> tuple[Event, ...]:
        """Take the next block, of shape (frames, channels); the events that it completed.

        Raises
        ------
        SignalError
            If the block has another number of channels, or values that are not finite.
        """
        require_block(block, len(self._channels), "hum detector")
        events: list[Event] = []
        used = 0
        while used < len(block):
            n = min(len(block) - used, self._room * self._chunk - self._filled)
            self._raw[:, self._filled : self._filled + n] = block[used : used + n].T
            self._filled += n
            used += n
            if self._filled >= self._chunk:
                events += self._advance()
        self._fed += len(block)
        return tuple(events)

    def finish(self) -> tuple[Event, ...]:
        """No more blocks: the events that were still open."""
        end = self._fed / self._samplerate
        for number, channel in enumerate(self._channels, start=1):
            self._bursts += [(number, burst) for burst in channel.finish(end)]
        return tuple(self._tell())

    def _advance(self) -> list[Event]:
        pairs = self._filled // self._chunk
        channels = len(self._raw)
        used = pairs * self._chunk
        raw = self._raw[:, :used].reshape(channels, pairs, self._rows, self._stride)
        parts = np.matmul(raw, self._lowpass).reshape(channels, -1, _TAPS)
        parts = np.concatenate([self._parts, parts], axis=1)
        a, b, c = parts.strides
        count = pairs * self._rows
        slanted = np.lib.stride_tricks.as_strided(
            parts, (channels, count, _TAPS), (a, b, b + c), writeable=False
        )
        slow = np.concatenate([self._slow, slanted.sum(axis=2)], axis=1)
        a, b = slow.strides
        windows = np.lib.stride_tricks.as_strided(
            slow[:, _STEP:],
            (channels, pairs, _PAIR, _WINDOW * _STEP),
            (a, _PAIR * _STEP * b, _STEP * b, b),
            writeable=False,
        )
        both = np.matmul(np.ascontiguousarray(windows), self._lines.basis)
        both = both.reshape(channels, pairs * _PAIR, -1)
        half = both.shape[2] // 2
        steps = self._step + np.arange(pairs * _PAIR)
        phasors = both[..., :half] + 1j * both[..., half:]
        phasors *= np.exp(1j * np.outer(steps, self._lines.turn))
        tapered = windows * self._lines.taper
        power = np.vecdot(tapered, tapered).reshape(channels, -1)
        phasors[..., -1] = np.sqrt(power)
        for number, channel in enumerate(self._channels, start=1):
            found = channel.take(self._step, phasors[number - 1])
            self._bursts += [(number, burst) for burst in found]
        self._step += len(steps)
        self._parts = parts[:, count:]
        self._slow = slow[:, -_WINDOW * _STEP :]
        self._raw[:, : self._filled - used] = self._raw[:, used : self._filled].copy()
        self._filled -= used
        self._room = (_BLOCK - self._step % _BLOCK) // _PAIR
        return self._tell()

    def _tell(self) -> list[Event]:
        """The bursts as events, the same one in several channels as one."""

        def alike(first: _Burst, burst: _Burst) -> bool:
            return (
                abs(burst.start - first.start) <= SIMULTANEOUS_SECONDS
                and abs(burst.end - first.end) <= SIMULTANEOUS_SECONDS
            )

        groups = of_one_event(sorted(self._bursts, key=lambda b: (b[1].start, b[0])), alike)
        self._bursts = []
        return [
            Event(
                "hum_burst",
                max(0.0, min(burst.start for _, burst in group)),
                max(burst.end for _, burst in group),
                tuple(sorted(number for number, _ in group)),
                max(burst.depth for _, burst in group),
            )
            for group in groups
        ]


def find_hum_bursts(signal: Samples, samplerate: int) -> tuple[Event, ...]:
    """Hum bursts of a whole take, of shape (frames, channels), full scale 1.0.

    Returns
    -------
    tuple of Event
        Kind "hum_burst", with start and end in seconds, the channels (from 1) that it happened in
        at the same time, and the depth: the hum's rise in dB re what its lines held before.

    Raises
    ------
    SignalError
        If a value is not finite, or the shape is not (frames, channels).
    """
    if signal.ndim != 2:
        raise SignalError(
            f"Hum bursts are looked for in audio of shape (frames, channels), not {signal.shape}."
        )
    detector = HumBurstDetector(samplerate, signal.shape[1])
    return detector.feed(signal) + detector.finish()
