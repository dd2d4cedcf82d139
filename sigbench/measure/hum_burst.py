"""Hum bursts: mains hum that appears and goes again, as when a sleeve or ground contact is lost.

What counts: lines of the mains comb (50 or 60 Hz, within 1 %), one of the first three among them,
come up together, stand `MIN_RISE_DB` or more above what was there, stay for `MIN_SECONDS` or
longer, and fall again.

How: first the sound is taken out. Notes, chords and pads are tones, and tones follow from their
own past: a linear predictor, learned from the last second, leaves nothing of them but what is new.
In what is left each line is followed 100 times a second, against what it held in the last
seconds, so that lines beside a restless partial have little say. Where a comb rises, hum that is
switched on and off is fitted by least squares, with the sound's own step in level at both edges
(a lost sleeve attenuates the sound too). Hum explains what is new; a note that begins leaves most
of it unexplained.

References
----------
J. Makhoul, "Linear prediction: a tutorial review", Proc. IEEE 63 (1975) 561-580.
S. M. Kay, "Fundamentals of statistical signal processing: detection theory" (1998), chapters 5
and 7: signals in coloured noise, unknown amplitude, frequency and time (from memory, to be
confirmed).
EN 50160:2010, 4.2.1: the frequency of interconnected networks stays within 1 % (from memory, to
be confirmed).
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dposv

from sigbench.errors import SignalError
from sigbench.measure.streaming import (
    Stretches,
    moving_sums,
    of_one_event,
    require_block,
    without_channels,
)
from sigbench.measure.under_hum import UnderHum
from sigbench.model import Event, Samples

MIN_RISE_DB = 10.0  # of the hum re what was there before; our own choice
MIN_SECONDS = 0.05  # two and a half cycles: less tells no frequency; our own choice
MAX_SECONDS = 5.0  # hum that stays longer is told then, and is usual from there on
TOLERANCE = 0.01  # of the mains frequency, EN 50160
LEAST_DBFS = -90.0  # fainter hum is not looked for
SIMULTANEOUS_SECONDS = 0.03  # edges of two channels this near belong to the same event
INSTEAD = "hum instead"
"""Text of a dropout that is told beside a hum burst: the sound is not there under it."""

_MAINS_HZ = (50.0, 60.0)
_HIGHEST_HZ = 560.0
_MIDDLE_RATE = 6000  # Hz, after the first decimation
_RATE = 1500  # Hz, after the second: lines lie in its passband
_TAPS = 16  # of the second decimating filter, in decimated samples
_STEP = 15  # decimated samples, 10 ms
_PAIR = 2  # steps that are worked on together
_GROUP = 10  # values that the second decimating filter makes at one stroke
_BATCH = 64  # pairs that are decimated together: more would not stay in a processor's cache
_BATCHES = 3  # that are listened to at one stroke, at most; hum is told then
_BATCH_SECONDS = 1.28
_BLOCK = 128  # steps after which the sound is learned anew, 1.28 s
_WINDOW = 6  # steps: 60 ms, whole cycles of the mains
_LONG = 24  # steps: for hum too weak for the short window
_ORDER = 64  # of the predictor: 43 ms
_LEARN = 136  # steps that it is learned from
_FIRST = 32  # steps before anything is looked for
_QUICK = 24  # steps that a new sound is first learned from
_START = 6  # steps in which the predictor itself still starts
_KEEP = 160  # steps that are kept
_MEMORY = 3  # blocks that usual levels are remembered for
_SUSPECT = 4.0  # mean power of a comb's lines re their usual ones
_ALL_HUM = 0.8  # of the sound on two or more lines of one comb: then it is hum, not a sound
_SHARE = 0.5  # of all that is new, on a comb
_EXPLAINED = 0.3  # of hum's power: what may stay unexplained
_NOISY = 2.5  # times the usual residual, which may stay unexplained as well
_LEAST_RATIO = 4.0  # power of a comb's lines re what else they would hold
_LOSS = 0.02  # of hum's power, which another frequency may explain better
_LOW_SHARE = 0.3  # of hum's power in its first three lines
_HELD = 0.25  # power of a burst's last third re its first: what dies away is a note
_ALONE_DB = 20.0  # rise asked of one line alone, which may be a beat of anything
_MARGIN = 8  # samples that the decimating filter spreads an edge over
_LAGS = (-4, -2, -1, 0, 1, 2, 4)  # samples: the spread of the sound's own step
_ENOUGH = 100  # steps that tell hum's frequency and size: 1 s
_OPEN_SECONDS = 0.07  # after which hum that lasts is told as open
_TRIED = (5, 9, 13, 18)  # steps after which a rise is judged
_AGAIN = 12  # and each so many later; once it is hum, four times as many
_APART = 3  # steps between two judgements where it seems to have ended
_OTHERS = 6  # steps in which the other channels may yet show the same burst
_GIVEN_UP = 18  # steps after which a rise that is no hum is a new sound

_DISTANCES = np.abs(np.subtract.outer(np.arange(_ORDER), np.arange(_ORDER)))

_Verdict = Literal["another sound", "nothing", "wait"]


@dataclass(frozen=True, slots=True)
class _Burst:
    """A burst in one channel; times in seconds. Without an end, it still goes on."""

    start: float
    end: float | None
    depth: float
    clear: float = 0.0  # power of the comb's lines re what else they would hold
    mains_hz: float = 0.0
    seen: int = 0  # step that it was told with


@dataclass(frozen=True, slots=True)
class _Guess:
    """Where hum may be, in decimated samples; without an end, it still goes on."""

    mains: float
    start: int
    end: int
    ended: bool
    stepped: bool = False  # whether the edges are the sound's own
    frequency: float = 0.0
    rest: float = 0.0  # mean square of what is left unexplained near the start


@dataclass(frozen=True, slots=True)
class _Fit:
    """Hum fitted to a stretch of the residual."""

    rest: NDArray[np.float64]  # what is not explained, sample by sample
    waves: NDArray[np.float64]  # of the lines, two of each, of shape (samples, 2 * lines)
    weights: NDArray[np.float64]  # of the waves

    @property
    def unexplained(self) -> float:
        return float(self.rest @ self.rest)

    @property
    def explained(self) -> float:
        hum = self.waves @ self.weights
        return float(hum @ hum)

    @property
    def phasors(self) -> NDArray[np.complex128]:
        """Amplitude and phase of each line."""
        cosines, sines = self.weights.reshape(2, -1)
        return np.asarray(cosines + 1j * sines)

    @property
    def lines(self) -> NDArray[np.float64]:
        """Each line's part, of shape (samples, lines)."""
        cosines, sines = (self.waves * self.weights).reshape(len(self.waves), 2, -1).swapaxes(0, 1)
        return np.asarray(cosines + sines)


def _first_filter(stride: int) -> NDArray[np.float64]:
    """Four boxcars one after another, as (4, stride): notches where aliases come from."""
    box = np.ones(stride) / stride
    pair = np.convolve(box, box)
    response = np.convolve(pair, pair)
    return np.concatenate([response, np.zeros(4 * stride - len(response))]).reshape(4, stride)


def _second_filter(stride: int) -> NDArray[np.float64]:
    """Kaiser window, 80 dB; a matrix from the samples of a group of values to their decimation."""
    n = stride * _TAPS
    time = np.arange(n) - (n - 1) / 2
    response = np.sinc(time / stride) * np.kaiser(n, 8.0)
    matrix = np.zeros(((_GROUP - 1) * stride + n, _GROUP))
    for column in range(_GROUP):
        matrix[column * stride : column * stride + n, column] = response / response.sum()
    return matrix


def _power(z: NDArray[Any]) -> NDArray[np.float64]:
    return np.asarray(z.real**2 + z.imag**2)


@lru_cache(maxsize=8)
def _taper(n: int) -> NDArray[np.float64]:
    return np.hanning(n + 2)[1:-1]


def _long(short: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Sums over the long window, of those over the short one."""
    n = len(short) - _LONG + _WINDOW
    return short[:n] + short[6 : n + 6] + short[12 : n + 12] + short[18:]


class _Lines:
    """The lines that are looked at: of which mains frequency, and which multiple."""

    def __init__(self, rate: float) -> None:
        self.rate = rate
        highest = min(_HIGHEST_HZ, 0.4 * rate)
        lines = [(mains, k) for mains in _MAINS_HZ for k in range(1, int(highest / mains) + 1)]
        self.mains = np.array([mains for mains, _ in lines])
        self.number = np.array([k for _, k in lines])
        self.count = len(lines)
        first = int(np.sum(self.mains == _MAINS_HZ[0]))
        self.comb = dict(zip(_MAINS_HZ, (slice(0, first), slice(first, self.count)), strict=True))
        angle = 2 * np.pi * self.mains * self.number / rate
        wave = np.exp(-1j * np.outer(np.arange(_STEP), angle))
        self._basis = wave.view(float)  # real and imaginary parts in turn
        self._turn = -angle * _STEP  # radians that each step turns a line's phase back by
        self._in_block = np.exp(1j * np.outer(np.arange(_BLOCK), self._turn))
        self._turned = lru_cache(16)(self._turned_in_block)
        self._lags = np.exp(-1j * np.outer(np.arange(_ORDER + 1), angle))
        self._near = lru_cache(8)(self._near_in_spectrum)

    def response(self, predictor: NDArray[np.float64]) -> NDArray[np.float64]:
        """Power that the predictor's residual has of each line, re the line's."""
        return _power(predictor @ self._lags)

    def phasors(self, residual: NDArray[np.float64], step: int) -> NDArray[np.complex128]:
        """What each step of the residual holds of each line, of shape (steps, lines)."""
        n = len(residual) // _STEP
        phasors = np.matmul(residual.reshape(n, 1, _STEP), self._basis)[:, 0].view(complex)
        first, last = step // _BLOCK, (step + n - 1) // _BLOCK
        turned = np.concatenate([self._turned(block) for block in range(first, last + 1)])
        return np.asarray(phasors * turned[step - first * _BLOCK :][:n])

    def _turned_in_block(self, block: int) -> NDArray[np.complex128]:
        """How far the phase of each line is turned back in each step of a block."""
        return np.asarray(np.exp(1j * (block * _BLOCK * self._turn)) * self._in_block)

    def is_hum(self, spectrum: NDArray[np.float64]) -> bool:
        """Whether a power spectrum, from 0 to half the rate, is steady hum and hardly more."""
        total = spectrum.sum()
        for near, number in self._near(len(spectrum)):
            if spectrum[near].sum() < _ALL_HUM * total:
                continue
            each = np.bincount(number, weights=spectrum[near])
            if np.sum(each > 1e-3 * total) > 1 and each[:4].max() > _LOW_SHARE * total:
                return True
        return False

    def _near_in_spectrum(self, size: int) -> list[tuple[NDArray[np.intp], NDArray[np.intp]]]:
        """For each mains frequency, the bins near its lines, and those lines' numbers."""
        hz = np.linspace(0, self.rate / 2, size)
        found = []
        for mains in _MAINS_HZ:
            number = np.round(hz / mains)
            near = (np.abs(hz - number * mains) <= TOLERANCE * number * mains + 3) & (number > 0)
            found.append((np.flatnonzero(near), number[near].astype(int)))
        return found


class _Channel:
    """Follows one channel: what its sound is, and whether hum comes to it."""

    def __init__(self, lines: _Lines, delay: float) -> None:
        self.open_since: float | None = None
        self._lines = lines
        self._rate = lines.rate
        self._delay = delay
        self._step = 0  # that comes next
        self._first = -_FIRST  # step that what is kept begins with
        self._signal = np.zeros(_ORDER + _FIRST * _STEP)  # begins _ORDER samples earlier
        self._residual = np.zeros(_FIRST * _STEP)
        self._phasors = np.zeros((_FIRST, lines.count), complex)
        self._predictor: NDArray[np.float64] | None = None
        self._learn_at = _FIRST
        self._since = 1  # step from which on the sound is as now
        self._clean = 1  # step from which on nothing but the sound was heard
        self._usual = np.full(lines.count, np.inf)  # power of a line in the short window
        self._usual_long = np.full(lines.count, np.inf)
        self._floor = np.inf  # mean square of the residual
        self._before: deque[tuple[NDArray[np.float64], NDArray[np.float64] | None, float]]
        self._before = deque(maxlen=_MEMORY)
        self._rise: int | None = None  # step that something began with
        self._seen = 0  # step that it was seen with
        self._judged = 0  # steps after which it was judged last
        self._heights: list[float] = []
        self._calm = True  # whether the last step was none of a rise
        self._deaf = 0  # step up to which nothing new is suspected
        # What fits have in common, as long as the predictor stays.
        self._comb = lru_cache(4)(self._comb_of)
        self._own_step = lru_cache(64)(self._own_step_at)

    @property
    def known(self) -> int:
        """Steps that have been taken."""
        return self._step

    def take(self, signal: NDArray[np.float64]) -> list[_Burst]:
        """The bursts that ended with these decimated samples: whole steps."""
        found: list[_Burst] = []
        at, steps = 0, len(signal) // _STEP
        while at < steps:
            n = min(steps - at, _BLOCK)
            if self._rise is None:
                n = min(n, max(1, self._learn_at - self._step))
            before = self._step
            if self._predictor is None:
                self._append(signal[at * _STEP : (at + n) * _STEP])
                self._step += n
            else:
                ended = self._listen(signal[at * _STEP : (at + n) * _STEP])
                found += [replace(burst, seen=self._step) for burst in ended]
            at += self._step - before
            if self._calm and self._step >= self._learn_at:
                self._learn_on()
            self._trim()
        return found

    def finish(self, end: float) -> list[_Burst]:
        """Hum that lasts to the end of the take."""
        if self._rise is None or self._step - self._rise < _WINDOW:
            return []
        burst = self._judge(late=True)
        if not isinstance(burst, _Burst):
            return []
        lasted = burst.end is None or burst.end > end - 2 * _PAIR * _STEP / self._rate
        burst = replace(burst, end=end if lasted else burst.end, seen=self._step)
        return [burst]

    def _seconds(self, sample: int) -> float:
        """When the sample came; an edge lies half a sample before it."""
        return float((sample - 0.5) / self._rate - self._delay)

    def _append(self, signal: NDArray[np.float64]) -> None:
        self._signal = np.concatenate([self._signal, signal])
        if self._predictor is None:
            residual = np.zeros(len(signal))
        else:
            residual = np.correlate(
                self._signal[-len(signal) - _ORDER :], self._predictor[::-1], "valid"
            )
        phasors = self._lines.phasors(residual, self._step)
        self._residual = np.concatenate([self._residual, residual])
        self._phasors = np.concatenate([self._phasors, phasors])

    def _listen(self, signal: NDArray[np.float64]) -> list[_Burst]:
        """Take steps up to the first at which the model of the sound changes."""
        self._append(signal)
        n = len(signal) // _STEP
        short = moving_sums(self._phasors[-n - _LONG + 1 :], _WINDOW)
        long = _long(short)
        height = self._height(_power(short[-n:]) / self._usual)
        height_long = self._height(_power(long) / self._usual_long)
        hot = (height > _SUSPECT) | (height_long > _SUSPECT)
        if self._rise is None and not hot[max(0, self._deaf - self._step) :].any():
            self._step += n
            self._calm = True
            return []
        for k in range(n):
            self._step += 1
            if self._rise is None and hot[k] and self._step > self._deaf:
                self._rise = self._step - (_WINDOW if height[k] > _SUSPECT else _LONG)
                self._seen = self._step
                self._judged = 0
                self._heights = []
            self._calm = self._rise is None
            if self._rise is not None:
                self._heights.append(float(height[k]))
                changed, burst = self._follow()
                if changed:
                    self._forget_after(n - 1 - k)
                    if changed == "sound":
                        self._learn_new()
                    return [] if burst is None else [burst]
            elif self._step >= self._learn_at:
                self._forget_after(n - 1 - k)
                return []
        return []

    def _height(self, ratios: NDArray[np.float64]) -> NDArray[np.float64]:
        """Of the comb that stands higher, the mean of its lines."""
        first, second = (
            np.add.reduce(ratios[:, part], axis=1) / (part.stop - part.start)
            for part in self._lines.comb.values()
        )
        return np.asarray(np.maximum(first, second))

    def _forget_after(self, extra: int) -> None:
        if extra:
            self._signal = self._signal[: -extra * _STEP]
            self._residual = self._residual[: -extra * _STEP]
            self._phasors = self._phasors[:-extra]

    def _trim(self) -> None:
        keep = _KEEP if self._rise is None else max(_KEEP, self._step - self._rise + 60)
        cut = len(self._phasors) - keep
        if cut > 0:
            self._signal = self._signal[cut * _STEP :]
            self._residual = self._residual[cut * _STEP :]
            self._phasors = self._phasors[cut:]
            self._first += cut

    def _learn_on(self) -> None:
        """Learn the sound anew, after one more block of it."""
        n = self._step - max(self._clean, self._step - _BLOCK)
        if n < _START + 10:
            self._learn_at = self._clean + _START + 10
            return
        # How well the model did on what it had not heard yet.
        if self._predictor is not None and self._step - self._since > _LEARN:
            sums = moving_sums(self._phasors[-n:], _WINDOW)
            long = _power(_long(sums)).mean(axis=0) if n >= 36 else None
            short = _power(sums).mean(axis=0)
            self._before.append((short, long, float(np.mean(self._residual[-n * _STEP :] ** 2))))
        self._learn(_LEARN if self._predictor is not None else _FIRST)
        age = self._step - self._since
        self._learn_at = self._step + (16 if age < 48 else 32 if age < _BLOCK else _BLOCK)

    def _learn_new(self) -> None:
        """Another sound has begun."""
        self._before.clear()
        self._since = self._clean = self._step - _QUICK
        self._learn(_QUICK)
        self._learn_at = self._step + 16

    def _learn(self, steps: int) -> None:
        """Learn the predictor and the usual levels from the last steps."""
        steps = min(steps, self._step - max(self._since, self._clean), len(self._phasors))
        n = steps * _STEP
        windowed = self._signal[-n:] * _taper(n)
        size = 1 << (n + _ORDER).bit_length()
        if n > self._rate / 2 and self._lines.is_hum(_power(np.fft.rfft(windowed, size))):
            self._predictor = np.zeros(_ORDER + 1)  # hum is not taken out of hum
            self._predictor[0] = 1.0
        else:
            covariance = np.correlate(np.append(windowed, np.zeros(_ORDER)), windowed, "valid")
            covariance[0] = covariance[0] * (1 + 1e-9) + 1e-20 * n  # digital silence has some too
            weights = dposv(covariance[_DISTANCES], covariance[1:])[1]
            self._predictor = np.concatenate([[1.0], -weights])
        self._comb.cache_clear()
        self._own_step.cache_clear()
        cut = max(0, len(self._phasors) - max(steps, 60))
        self._signal = self._signal[cut * _STEP :]
        self._first += cut
        self._residual = np.correlate(self._signal, self._predictor[::-1], "valid")
        self._phasors = self._lines.phasors(self._residual, self._first)
        heard = self._phasors[-steps:][max(0, min(_START, steps - 10)) :]
        self._floor = float(np.mean(self._residual[-len(heard) * _STEP :] ** 2))
        few = 1 + 6 / max(1, len(heard) - _WINDOW + 1)
        least = 10 ** (LEAST_DBFS / 10) / 2 * self._lines.response(self._predictor)
        least *= (_WINDOW * _STEP) ** 2 / 20
        sums = moving_sums(heard, _WINDOW)
        self._usual = np.maximum(few * _power(sums).mean(axis=0), least)
        if len(heard) >= 36:
            long = few * _power(_long(sums)).mean(axis=0)
            self._usual_long = np.maximum(long, 16 * least)
        else:
            self._usual_long = np.full(self._lines.count, np.inf)
        for before, before_long, floor in self._before:
            self._usual = np.maximum(self._usual, before)
            if before_long is not None:
                self._usual_long = np.maximum(self._usual_long, before_long)
            self._floor = max(self._floor, floor)

    def _follow(self) -> tuple[Literal["", "sound", "burst"], _Burst | None]:
        """What has changed with this step, and the burst that it completed."""
        assert self._rise is not None
        n = self._step - self._seen
        height = self._heights[-1]
        dropped = n >= 4 and height < max(2.0, 0.25 * float(np.median(self._heights)))
        late = (self._step - self._rise) * _STEP / self._rate > MAX_SECONDS
        dropped = dropped and n >= self._judged + _APART
        again = _AGAIN if self.open_since is None else 4 * _AGAIN
        if not (dropped or late or n in _TRIED or (n > _TRIED[-1] and n % again == 0)):
            return "", None
        self._judged = n
        verdict = self._judge(late)
        if isinstance(verdict, _Burst) and verdict.end is None:
            self.open_since = verdict.start
            return "", None
        if verdict == "wait":
            return "", None
        if verdict == "another sound":
            if n < _GIVEN_UP and not (dropped and n > 10):
                return "", None
            self._end_of_rise(0)
            return "sound", None
        if verdict == "nothing":
            if dropped or n >= 3 * _AGAIN:
                self._end_of_rise(0)
            return "", None
        assert isinstance(verdict, _Burst)
        self._end_of_rise(_LONG)
        if late:
            return "sound", verdict
        self._clean = self._step + _WINDOW
        self._learn_at = self._clean + _LEARN
        return "burst", verdict

    def _end_of_rise(self, deaf: int) -> None:
        self._rise = None
        self.open_since = None
        self._deaf = self._step + deaf

    def _judge(self, late: bool) -> _Burst | _Verdict:
        """What has risen: hum, another sound, or nothing yet."""
        assert self._rise is not None
        begin = max(self._rise - 2 * _WINDOW, self._first + _START)
        count = self._step - begin
        at = begin - self._first
        powers = _power(moving_sums(self._phasors[at : at + count], _WINDOW))
        new = self._residual[at * _STEP : (at + count) * _STEP].reshape(-1, _STEP)
        energy = np.sum(new**2, axis=1)
        size = _WINDOW * _STEP
        total = moving_sums(energy, _WINDOW)
        loud = float(total.max()) > 3 * size * self._floor
        verdicts: list[_Verdict] = ["another sound"]
        best, least = None, np.inf
        for mains, part in self._lines.comb.items():
            on = powers[:, part].sum(axis=1) * 2 / size
            share = np.where(total > 1.5 * size * self._floor, on / np.maximum(total, 1e-300), 0)
            guesses = []
            if share.max() >= _SHARE or not loud:
                guesses.append(self._whole(mains, powers[:, part], begin))
            stepped = self._stepped(mains, energy, begin)
            if stepped is not None:
                inside = stepped.start // _STEP - begin + 5
                if share[inside:].max(initial=0) > _SHARE:
                    guesses.append(stepped)
            for guess in guesses:
                located = self._locate(guess)
                if located is None:
                    continue
                verdict = self._verdict(located, late)
                if not isinstance(verdict, _Burst):
                    verdicts.append(verdict)
                    continue
                # Of hum that goes on only the start tells two guesses apart.
                cost = located.rest if verdict.end is None else -verdict.clear
                if best is None or (best.end is None, cost) < (verdict.end is None, least):
                    best, least = verdict, cost
        if best is not None:
            return best
        return max(verdicts, key=("another sound", "nothing", "wait").index)

    def _whole(self, mains: float, powers: NDArray[np.float64], begin: int) -> _Guess:
        """Hum from where the comb's amplitude passes half to where it does so again."""
        usual = self._usual[self._lines.comb[mains]]
        amplitude = np.sqrt((powers / usual).mean(axis=1))
        height = np.median(amplitude[amplitude >= 0.6 * amplitude.max()])
        over = np.flatnonzero(amplitude >= height / 2)
        start = begin + int(over[0]) + _WINDOW // 2
        if over[-1] == len(amplitude) - 1:
            return _Guess(mains, start * _STEP, self._step * _STEP, False)
        return _Guess(mains, start * _STEP, (begin + int(over[-1]) + 4) * _STEP, True)

    def _stepped(self, mains: float, energy: NDArray[np.float64], begin: int) -> _Guess | None:
        """Hum between two steps of the sound itself, which stand out for the predictor's length."""
        least = 10 * _STEP * self._floor
        hot = np.flatnonzero(energy > least)
        if not len(hot) or len(energy) < hot[0] + 9:
            return None
        start = (begin + int(hot[0])) * _STEP + _STEP // 2
        inner = energy[hot[0] + 6 :]
        up = np.flatnonzero(inner > 6 * np.median(inner[:4]) + least)
        up = up[up >= 3]
        if len(up):
            end = (begin + int(hot[0]) + 6 + int(up[0])) * _STEP + _STEP // 2
            return _Guess(mains, start, end, True, True)
        if hot[-1] >= len(energy) - 2:
            return _Guess(mains, start, self._step * _STEP, False, True)
        return _Guess(mains, start, (begin + int(hot[-1]) + 1) * _STEP, True, True)

    def _frequency(self, guess: _Guess) -> float | None:
        """Of the comb that fits the phasors between the edges best, within 4.5 %."""
        part = self._lines.comb[guess.mains]
        first, last = guess.start // _STEP + 6, guess.end // _STEP - 1
        if last - first < 8:
            first = guess.start // _STEP + 2
        if last - first < 4:
            first, last = guess.start // _STEP, min(self._step, guess.end // _STEP + 1)
        last = min(last, first + _ENOUGH)
        inside = self._phasors[first - self._first : last - self._first, part]
        n = len(inside)
        if n < 2:
            return None
        time = (np.arange(n) - n / 2) * _STEP / self._rate
        numbers = self._lines.number[part]
        step = min(0.2, 0.2 / (n * _STEP / self._rate) / len(numbers))
        offsets = np.arange(-0.045 * guess.mains, 0.045 * guess.mains + step, step)
        score = np.zeros(len(offsets))
        for k, number in enumerate(numbers):
            turned = np.exp(-2j * np.pi * number * np.outer(offsets, time)) @ inside[:, k]
            score += _power(turned) / self._usual[part][k]
        return float(guess.mains + offsets[np.argmax(score)])

    def _locate(self, guess: _Guess) -> _Guess | None:
        """Edges and frequency that leave the least unexplained."""
        now = self._step * _STEP
        frequency = self._frequency(guess)
        start, end, ended = guess.start, guess.end, guess.ended
        if frequency is None or (ended and end > now - 2):
            return None
        low = max(start - 60, self._first * _STEP)
        high = min(end + _ORDER + _MARGIN, now) if ended else now

        def fit(f: float, a: int, b: int, lo: int, hi: int) -> _Fit:
            return self._fit(guess.mains, f, a, b if ended else hi + 1, lo, hi)

        for stride in (8, 3, 1):
            reach = range(-2 * stride, 2 * stride + 1, stride)
            near = min(high, start + 200)
            starts = [start + d for d in reach if low - _LAGS[0] < start + d < near - _MARGIN]
            if not starts:
                return None
            fits = [fit(frequency, a, end if end < near else near + 1, low, near) for a in starts]
            start = starts[int(np.argmin([one.unexplained for one in fits]))]
            if ended:
                # The predictor goes on for its length after the end, so the guess may be late.
                early = range(-8 * stride, 0, stride) if stride == 8 else ()
                near = max(low, end - 200)
                least = max(start + 20, near - _LAGS[0])
                ends = [end + d for d in (*early, *reach) if least < end + d < now]
                if not ends:
                    return None
                a = start if start > near else near - _ORDER - 2
                fits = [fit(frequency, a, b, near, high) for b in ends]
                end = ends[int(np.argmin([one.unexplained for one in fits]))]
            if stride > 1 and high - low < 400:
                span = (0.1 if stride == 8 else 0.05) * self._rate / max(end - start, 60)
                tried = [frequency + d for d in np.linspace(-span, span, 5)]
                fits = [fit(f, start, end, low, high) for f in tried]
                best = int(np.argmin([one.unexplained for one in fits]))
                frequency = float(tried[best])
                rest = fits[best].unexplained
                noise = 3 * _NOISY * self._floor * (high - low)
                if stride == 8 and not guess.stepped and rest > fits[best].explained + noise:
                    return None
        near = min(high, start + 200)
        last = fit(frequency, start, end if end < near else near + 1, low, near)
        rest = last.unexplained / (near - low)
        return _Guess(guess.mains, start, end, ended, guess.stepped, frequency, rest)

    def _fit(
        self, mains: float, frequency: float, start: int, end: int, low: int, high: int
    ) -> _Fit:
        """Hum from start to end, and the sound's own steps there, fitted to low up to high.

        An edge outside of these limits is none. Of hum that is switched on, the predictor lets
        through first what its first coefficient does, then its first two, and so on.
        """
        assert self._predictor is not None
        waves, passed = self._comb(mains, frequency, high - low)
        n = waves.shape[1]
        # Before the start, and after the end, nothing is let through.
        first, last = max(start - low, 0), min(end + _ORDER, high) - low
        gate = passed[np.minimum(np.arange(first, last) + low - start + 1, _ORDER + 1)]
        if end < high:
            ended = max(first, end - low)
            gate[ended - first :] -= passed[np.arange(ended, last) + low - end + 1]
        edges = [edge for edge in (start, end) if low <= edge + _LAGS[0] and edge + _MARGIN < high]
        matrix = np.zeros((high - low, 2 * n + len(_LAGS) * len(edges)))
        gate *= waves[first:last]
        matrix[first:last, :n] = gate.real
        np.negative(gate.imag, out=matrix[first:last, n : 2 * n])
        for k, edge in enumerate(edges):
            self._own_steps(edge, low, high, matrix[:, 2 * n + len(_LAGS) * k :])
        begin = self._first * _STEP
        residual = self._residual[low - begin : high - begin]
        gram = matrix.T @ matrix
        diagonal = np.einsum("ii->i", gram)
        diagonal *= 1 + 1e-7
        diagonal += 1e-30
        weights = dposv(gram, matrix.T @ residual)[1]
        return _Fit(residual - matrix @ weights, matrix[:, : 2 * n], weights[: 2 * n])

    def _comb_of(
        self, mains: float, frequency: float, n: int
    ) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
        """Waves of a comb's lines, and what the predictor lets through of them by and by."""
        assert self._predictor is not None
        numbers = self._lines.number[self._lines.comb[mains]]  # from 1 on, without a gap
        angle = 2 * np.pi * frequency / self._rate
        first = np.exp(1j * angle * np.arange(max(n, _ORDER + 1)))
        waves = np.empty((len(first), len(numbers)), complex)
        waves[...] = first[:, np.newaxis]
        np.cumprod(waves, axis=1, out=waves)
        passed = np.zeros((_ORDER + 2, len(numbers)), complex)
        lags = waves[: _ORDER + 1].conj()
        np.cumsum(self._predictor[:, np.newaxis] * lags, axis=0, out=passed[1:])
        return waves[:n], passed

    def _own_steps(self, edge: int, low: int, high: int, columns: NDArray[np.float64]) -> None:
        """Fill in what the predictor leaves if the sound steps in level at, or near, the edge."""
        for column, lag in enumerate(_LAGS):
            at = edge + lag
            n = min(_ORDER, high - at)
            columns[at - low : at - low + n, column] = self._own_step(at)[:n]

    def _own_step_at(self, at: int) -> NDArray[np.float64]:
        """What the predictor leaves of the sound where it ends, which is that of its past."""
        assert self._predictor is not None
        begin = self._first * _STEP - _ORDER
        past = self._signal[at - begin - _ORDER : at - begin]
        ended = np.concatenate([past, np.zeros(_ORDER)])
        return np.correlate(ended, self._predictor[::-1], "valid")[:_ORDER]

    def _verdict(self, guess: _Guess, late: bool) -> _Burst | _Verdict:
        """Whether the guess is hum."""
        assert self._predictor is not None
        part = self._lines.comb[guess.mains]
        numbers = self._lines.number[part]
        now = self._step * _STEP
        start, end = guess.start, guess.end
        low = max(start - 60, self._first * _STEP)
        high = min(end + _ORDER + _MARGIN, now) if guess.ended else now
        # Between the edges hum stands alone, without the sound's own steps.
        inner = (start + _ORDER + _MARGIN, end - 6 if guess.ended else high)
        inside = inner[1] - inner[0] >= 60
        inner = (inner[0], min(inner[1], inner[0] + _ENOUGH * _STEP))

        def fit(f: float) -> _Fit:
            if inside:
                return self._fit(guess.mains, f, inner[0] - 999, inner[1] + 999, *inner)
            return self._fit(guess.mains, f, start, end if guess.ended else high + 1, low, high)

        off = TOLERANCE * guess.mains
        frequency = float(np.clip(guess.frequency, guess.mains - off, guess.mains + off))
        fitted = fit(frequency)
        loss = 0.0
        if frequency != guess.frequency:
            other = fit(guess.frequency)
            loss = (fitted.unexplained - other.unexplained) / (other.explained + 1e-30)
        n = len(fitted.rest)
        free = max(n - 2 * len(numbers) - (0 if inside else 10), 1)
        rest = fitted.unexplained / free
        noise = max(self._floor, rest)
        ratio = fitted.explained / (2 * len(numbers)) / noise
        unexplained = rest > max(_NOISY * self._floor, _EXPLAINED * fitted.explained / n)
        if ratio < _LEAST_RATIO:
            return "another sound" if unexplained else "nothing"
        each = np.sum(fitted.lines**2, axis=0)
        strong = (each > 0.05 * each.max()) & (each > 6 * noise)
        hum = np.abs(fitted.phasors) ** 2 / 2
        lowest = hum[strong & (numbers <= 3)].sum()
        if unexplained or loss > _LOSS or lowest < _LOW_SHARE * hum[strong].sum() or lowest == 0:
            return "another sound"
        main = strong & (hum > 0.05 * hum[strong].max())
        response = self._lines.response(self._predictor)[part]
        before = self._usual[part] / response * 2 / (_WINDOW * _STEP) ** 2
        depth = float(10 * np.log10(hum[main].sum() / before[main].sum()))
        if depth < (MIN_RISE_DB if main.sum() > 1 else _ALONE_DB):
            return "nothing"
        seconds = (end - start) / self._rate
        if not guess.ended and not late:
            if seconds < _OPEN_SECONDS:
                return "wait"
            return _Burst(self._seconds(start), None, depth, ratio, frequency)
        if seconds < MIN_SECONDS:
            return "nothing"
        if guess.ended and end > now - 2 * _STEP and not late:
            return "wait"
        third = (end - start - _ORDER) // 3
        if third >= _ORDER // 2:
            finish = self._fit(guess.mains, frequency, low - 999, now + 999, end - third, end)
            first = start + _ORDER
            begin = self._fit(guess.mains, frequency, low - 999, now + 999, first, first + third)
            powers = [float(np.sum(one.lines[:, main] ** 2)) for one in (begin, finish)]
            if powers[1] < _HELD * powers[0]:
                return "another sound"
        return _Burst(self._seconds(start), self._seconds(end), depth, ratio, frequency)


class HumBurstDetector:
    """Finds bursts of mains hum in audio that comes in blocks.

    Blocks of any sizes give the same events: all work is done in steps at fixed positions of the
    take. Memory is bounded. An event is told at most 100 ms after its end, or 160 ms where other
    channels may show the same; hum that stays for `MAX_SECONDS` is told then. Nothing is found in
    the first 0.4 s of a take.

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
    >>> [(e.kind, round(e.start, 1), round(e.end, 1)) for e in events]
    [('hum_burst', 1.0, 1.2)]
    """

    def __init__(self, samplerate: int, channels: int) -> None:
        if samplerate < 2 * _RATE:
            raise SignalError(
                f"Hum bursts are looked for from 3000 Hz sample rate on, not at {samplerate} Hz."
            )
        self._samplerate = samplerate
        first = max(1, round(samplerate / _MIDDLE_RATE))
        second = max(1, round(samplerate / first / _RATE))
        rate = samplerate / first / second
        self._first = np.ascontiguousarray(_first_filter(first).T)
        self._second = _second_filter(second)
        self._rows = _PAIR * _STEP * second
        self._stretches = Stretches(channels, self._rows * first, _BATCHES * _BATCH)
        self._batch = _BATCH * self._rows * first  # frames
        self._fed = 0
        self._parts = np.zeros((channels, 3, 4))  # of the first filter, not yet summed
        self._group = _GROUP * second  # rows
        self._middle = np.zeros((channels, len(self._second) - self._group))
        delay = (_TAPS / 2 - 1 + 1.5 / second) / rate + 2 / samplerate
        lines = _Lines(rate)
        self._channels = [_Channel(lines, delay) for _ in range(channels)]
        self._under = UnderHum(samplerate / first, MAX_SECONDS + 2.0 + _BATCHES * _BATCH_SECONDS)
        self._bursts: list[tuple[int, _Burst]] = []  # channel from 1, and burst

    @property
    def open_since(self) -> tuple[float | None, ...]:
        """Of each channel, since when (s) there has been hum that is there yet; None if none is.

        Hum is told here within about 0.1 s, and is no event before it has ended.
        """
        return tuple(
            None if channel.open_since is None else max(0.0, channel.open_since)
            for channel in self._channels
        )

    def feed(self, block: Samples) -> tuple[Event, ...]:
        """Take the next block, of shape (frames, channels); the events that it completed.

        Raises
        ------
        SignalError
            If the block has another number of channels, or values that are not finite.
        """
        require_block(block, len(self._channels), "hum detector")
        self._fed += len(block)
        events: list[Event] = []
        for part in self._stretches.feed(block):
            batches = np.split(part, range(self._batch, part.shape[1], self._batch), axis=1)
            slow = np.concatenate([self._decimated(batch) for batch in batches], axis=1)
            for number, channel in enumerate(self._channels, start=1):
                self._bursts += [(number, burst) for burst in channel.take(slow[number - 1])]
            events += self._tell(self._channels[0].known)
        return tuple(events)

    def finish(self) -> tuple[Event, ...]:
        """No more blocks: the events that were still open."""
        end = self._fed / self._samplerate
        for number, channel in enumerate(self._channels, start=1):
            self._bursts += [(number, burst) for burst in channel.finish(end)]
        return tuple(self._tell(np.inf))

    def _decimated(self, samples: NDArray[np.float64]) -> NDArray[np.float64]:
        """Whole pairs of steps, decimated, of shape (channels, samples)."""
        channels = len(samples)
        raw = samples.reshape(channels, -1, self._rows, len(self._first))
        rows = raw.shape[1] * self._rows
        parts = np.matmul(raw, self._first).reshape(channels, rows, 4)
        parts = np.concatenate([self._parts, parts], axis=1)
        summed = parts[:, :rows, 0] + parts[:, 1 : rows + 1, 1]
        summed += parts[:, 2 : rows + 2, 2]
        summed += parts[:, 3:, 3]
        self._parts = parts[:, rows:].copy()
        self._under.add(summed)
        middle = np.concatenate([self._middle, summed], axis=1)
        self._middle = middle[:, rows:].copy()
        windows = np.lib.stride_tricks.sliding_window_view(middle, len(self._second), axis=1)
        windows = np.ascontiguousarray(windows[:, :: self._group])
        # As many at once always, for the rounding.
        pairs = windows.reshape(channels, -1, self._rows // self._group, len(self._second))
        return np.asarray(np.matmul(pairs, self._second).reshape(channels, -1))

    def _tell(self, known: float) -> list[Event]:
        """The bursts as events, the same one in several channels as one.

        `known` is the step that all channels are known up to.
        """

        def ended(burst: _Burst) -> float:
            return burst.start if burst.end is None else burst.end

        def alike(first: _Burst, burst: _Burst) -> bool:
            return (
                burst.seen <= first.seen + _OTHERS
                and abs(burst.start - first.start) <= SIMULTANEOUS_SECONDS
                and abs(ended(burst) - ended(first)) <= SIMULTANEOUS_SECONDS
            )

        others = _OTHERS if len(self._channels) > 1 else 0
        self._bursts.sort(key=lambda b: (b[1].seen, b[1].start, b[0]))
        events: list[Event] = []
        waiting: list[tuple[int, _Burst]] = []
        for group in of_one_event(self._bursts, alike):
            if group[0][1].seen + others > known:
                waiting += group
                continue
            events += self._events_of(
                dict(group),
                max(0.0, min(burst.start for _, burst in group)),
                max(ended(burst) for _, burst in group),
            )
        self._bursts = waiting
        return events

    def _events_of(self, bursts: dict[int, _Burst], start: float, end: float) -> list[Event]:
        """One burst, in all channels that show it, and the sound's loss under it, if it is lost."""
        clearest = max(bursts.values(), key=lambda burst: burst.clear)
        where = (start, end, clearest.mains_hz)
        depths = {number: burst.depth for number, burst in bursts.items()}
        for number in range(1, len(self._channels) + 1):
            # Where it is known that hum is there, and when, less tells it in another channel.
            if number not in bursts and (rise := self._under.rise(number - 1, *where)) is not None:
                depths[number] = rise
        falls = {number: self._under.lost(number - 1, *where) for number in depths}
        lost = {number: fall for number, fall in falls.items() if fall is not None}
        channels = tuple(sorted(depths))
        events = [Event("hum_burst", start, end, channels, max(b.depth for b in bursts.values()))]
        if lost:
            depth = max(lost.values())
            events.append(Event("dropout", start, end, tuple(sorted(lost)), depth, INSTEAD))
        return events


def without_known_losses(events: Sequence[Event]) -> list[Event]:
    """The events without the losses under hum, in each channel, that are told by others already."""
    others = [e for e in events if e.kind in ("dropout", "lost_buffers") and e.text != INSTEAD]

    def is_known(event: Event, channel: int) -> bool:
        covered = sum(
            max(0.0, min(event.end, other.end) - max(event.start, other.start))
            for other in others
            if channel in other.channels
        )
        return event.text == INSTEAD and covered > (event.end - event.start) / 2

    return without_channels(events, is_known)


def find_hum_bursts(signal: Samples, samplerate: int) -> tuple[Event, ...]:
    """Hum bursts of a whole take, of shape (frames, channels), full scale 1.0.

    Returns
    -------
    tuple of Event
        Kind "hum_burst", and "dropout" with the text `INSTEAD` beside it, where the sound was lost
        under it, with start and end in seconds, the channels (from 1) that it happened in
        at the same time, and the depth: the hum in dB re what its lines held before, in 60 ms, the
        sound being taken out.

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
