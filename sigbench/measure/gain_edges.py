"""Gain edges: moments at which a sound goes on with another gain, from one sample to the next.

A contact that turns high-ohmic multiplies the sound by a gain; one that comes back divides by it.
A sound that moves all the time (a rotating speaker, a choir, a bass with a sweeping filter) cannot
be foretold for some milliseconds, so that nothing shows how much of it is missing. But from one
sample to the next each sound is foretold well, and at an edge two things are known apart: what the
samples before it lead to expect, and what those after it are. The gain is the one that makes both
fit, by least squares. It is known within some percent though the edge lasts no time at all.

For samples x with prediction-error filter a (Makhoul 1975), an edge at t and n from t on::

    u[n] = sum of a[k] x[n-k] over samples from t on,  v[n] = the same over those before t
    u + g v = innovation,  g = - <u, v> / <v, v>

A return is a fall in the reversed take, from the loud side as well. An interruption is a fall and
a return by the same gain. What a sound does by itself (a note that begins, an edge of its wave)
is not the same sound with another gain, so the innovation stays high whatever the gain is.

Where one edge is plain the gain is known, and the other one is sought with it (`gain_return`).

References
----------
J. Makhoul, "Linear prediction: a tutorial review", Proc. IEEE 63 (1975) 561-580.
S. J. Godsill, P. J. W. Rayner, *Digital Audio Restoration* (Springer, 1998), ch. 5.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from sigbench.measure import gain_return
from sigbench.measure.gain_return import Sound
from sigbench.measure.prediction import covariance_filter, lag_products
from sigbench.measure.streaming import windows

EVIDENCE = 20.0  # by so many usual squared innovations a gain explains the samples at an edge,
EVIDENCE_OF_BOTH = 60.0  # and so many at the two edges of an interruption
LEFT = (4.0, 0.02, 150.0)  # more than usual: so much, and a share of the evidence up to so much
MOST_GAIN = 0.6  # 4.4 dB: what falls less is within what sounds do by themselves
FORESEEN = (
    0.01  # innovation over power: of a hiss or the last steps of a converter no gain is known
)
SAME_GAIN = (0.03, 0.1)  # so near, and this share of it, and three uncertainties
HIGHEST_INSIDE_DB = 5.0  # in a hole, re what its gain leaves of the sound on the quieter side
LEAST_GAIN_INSIDE = 0.1  # there may be hum in it
PLAIN_EVIDENCE, PLAIN_GAIN = 150.0, 0.05  # an edge so plain, its gain so certain, may stand alone
LONGEST_SECONDS = 1.0
SHORTEST_SECONDS = 0.0008

_SOUGHT_SECONDS = 0.0017  # the shortest that one plain edge tells of: next to it much may look so
_SOUGHT_BACK_SECONDS = 0.11  # how long before a plain return its fall is sought
_HOP_SECONDS = 0.0107  # 512 frames at 48 kHz: an edge is told no later than others tell it
_GROUP = 16  # hops that share a watching predictor
_ROW = 16  # frames: the order of the watching predictor, and the step that peaks are taken in
_MEMORY = 9  # hops before, that say which peaks are usual
_USUAL = 0.8  # quantile of a hop's peaks
_STANDS_OUT = 2.5  # times the usual peak,
_STANDS_HIGHER = 1.5  # and the usual highest one of a hop: edges of a wave, in each period
_APART = 3  # rows
_MOST = 3  # edges that are looked at in a hop
_BEFORE = 2048  # frames that the watching predictor is fitted to
_TAPS = 32  # of the predictor at an edge
_PAST = 1536  # frames that it is fitted to
_MARGIN = 2  # frames by which an edge may lie beside its peak
_SPAN = 48  # frames after an edge that are compared
_NOISE_RATIO = 1e-9  # white noise that the predictors reckon with, re signal power
_ORDINARY = 1.2  # times the usual innovation: more is not explained by a gain
_DOUBTS, _FORGET = 30.0, 0.99  # looks in vain, each hop forgetting some, until nothing is looked at
_APART_BY = np.arange(_ROW) - np.arange(_ROW)[:, np.newaxis]
_UPPER_HALF = np.tri(_TAPS + 1, dtype=bool).T

_Array = NDArray[np.float64]
_Single = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class GainHole:
    """A stretch of lesser gain, in frames of the take, and by how much the gain is uncertain."""

    start: int
    end: int
    gain: float
    uncertainty: float
    known: int
    """Frames of the take that were known when it was told."""


@dataclass(frozen=True, slots=True, eq=False)
class _Edge:
    """A fall, or a return seen backwards in time."""

    frame: int
    gain: float
    uncertainty: float
    evidence: float
    power: float
    """Mean square of the sound on the loud side."""
    before: Sound | None = None
    """What was there before a plain fall."""


def _watching_matrices(past: _Array) -> tuple[_Single, _Single]:
    """What rows of samples, and the rows before them, add to the rows of their innovations.

    By the autocorrelation method; of silence the innovation is the silence.
    """
    from scipy.linalg.lapack import dposv

    faded = past * _window(len(past))
    lags = np.correlate(faded, faded[: len(faded) - _ROW], "valid")
    weights = np.zeros(_ROW)
    if lags[0] > 0.0:
        lags[0] *= 1 + 1e-8
        weights = dposv(lags[np.abs(_APART_BY)], lags[1:])[1]
    error_filter = np.zeros(3 * _ROW, np.float32)
    error_filter[_ROW], error_filter[_ROW + 1 : 2 * _ROW + 1] = 1.0, -weights
    return error_filter[_ROW + _APART_BY], error_filter[2 * _ROW + _APART_BY]


@cache
def _window(length: int) -> _Array:
    return np.hanning(length)


def _fitted(past: _Array) -> tuple[_Array, float, float]:
    """Prediction-error filter by the covariance method, RMS of its innovations, mean square."""
    products = lag_products(past, _TAPS)
    error_filter = covariance_filter(products, _NOISE_RATIO)
    products = np.where(_UPPER_HALF, products, products.T)
    energy = float(error_filter[::-1] @ products @ error_filter[::-1])
    count = len(past) - _TAPS
    power = float(products[_TAPS, _TAPS]) / count
    return error_filter, float(np.sqrt(max(energy, 1e-30) / count)), power


def gain_edge(samples: _Array, near: int) -> _Edge | None:
    """The fall of the gain next to a sample, if a gain explains what happens there.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        `_PAST` samples at least before it, and `_SPAN` after it.
    near : int
    """
    error_filter, usual, power = _fitted(samples[near - _MARGIN - _PAST : near - _MARGIN])
    if not usual**2 < FORESEEN * power:
        return None
    first, places = near - _MARGIN, 2 * _MARGIN + 1
    heard = samples[first - _TAPS : near + _MARGIN + _SPAN]
    innovations = np.convolve(heard, error_filter, "valid")  # from the first place on
    whole = windows(innovations, _SPAN)
    expected = np.zeros((places, _SPAN))  # due to what was before each place
    for at in range(places):
        expected[at, :_TAPS] = np.convolve(heard[at : at + _TAPS], error_filter)[_TAPS:]
    energies = np.vecdot(expected, expected)
    if not energies.any():
        return None
    energies[energies == 0.0] = np.inf  # no gain is seen where nothing was
    after = whole - expected
    gains = -np.vecdot(after, expected) / energies
    remaining = after + gains[:, np.newaxis] * expected
    rests = np.vecdot(remaining, remaining)
    evidences = (np.vecdot(whole, whole) - rests) / usual**2
    best = int(np.argmax(evidences))
    evidence, gain = float(evidences[best]), float(gains[best])
    uncertainty = float(usual / np.sqrt(energies[best]))
    if evidence < EVIDENCE or not -SAME_GAIN[0] - 3 * uncertainty <= gain < MOST_GAIN:
        return None
    left = float(rests[best]) / usual**2 - _ORDINARY * _SPAN
    if not left < LEFT[0] + min(LEFT[1] * evidence, LEFT[2]):
        return None
    return _Edge(first + best, gain, uncertainty, evidence, power)


class GainEdgeWatch:
    """Finds the interruptions of one channel whose both edges show the same gain.

    All is decided at fixed positions of the take, hop by hop. A hop can be looked at once `lag`
    frames that follow it are known.

    Parameters
    ----------
    samplerate : int
        Frames a second.
    """

    def __init__(self, samplerate: int) -> None:
        self._hop = max(1, round(_HOP_SECONDS * samplerate / _ROW)) * _ROW
        self._stride = q = max(1, round(samplerate / gain_return.RATE))
        self.lag = max(_PAST + 2 * _MARGIN + _SPAN, (gain_return.TAPS + 1) * q)
        self._shortest_sought = -(-round(_SOUGHT_SECONDS * samplerate) // q)  # samples
        self._longest_back = round(_SOUGHT_BACK_SECONDS * samplerate) // q  # samples
        sought = (gain_return.PAST + gain_return.AFTER + self._longest_back) * q + self._hop
        self.kept = max(_MEMORY * self._hop + _BEFORE + self.lag, sought)
        """Frames before the next hop that are asked for."""
        self.frame = 0  # where the next hop begins
        self._matrices: tuple[_Single, _Single] | None = None
        # Of each hop lately, a quantile of its peaks, and the highest of them.
        self._history = np.zeros((2, 0))
        self._falls: list[_Edge] = []
        self._powers: deque[tuple[int, float]] = deque()  # where a hop began, and its mean square
        self._doubts = 0.0
        self._longest = round(LONGEST_SECONDS * samplerate)
        self._shortest = max(2, round(SHORTEST_SECONDS * samplerate))

    def hops_to(self, frame: int) -> int:
        """How many hops end before a frame of the take, or at it."""
        return max(0, frame - self.frame) // self._hop

    def skip(self, hops: int = 1) -> None:
        """The next hops hold a steady sound, which others watch."""
        self._matrices = None
        self._history = self._history[:, :0]
        self._falls.clear()
        self._powers.clear()
        for _ in range(hops):
            self._doubts *= _FORGET
        self.frame += hops * self._hop

    def look(self, frames: Callable[[int, int], _Array], hops: int = 1) -> list[GainHole]:
        """Interruptions that end in the next hops.

        Parameters
        ----------
        frames : callable
            Gives the frames from one place of the take to another.
        hops : int
            The same comes of it however many are looked at at once.
        """
        last = self.frame + hops * self._hop
        while self.frame < min(_BEFORE + self.lag, last):  # too little is known before
            self.frame += self._hop
        hops = (last - self.frame) // self._hop
        if not hops:
            return []
        if not self._history.shape[1] and self.frame >= self.kept:  # after a steady sound
            first = self.frame - _MEMORY * self._hop
            innovations, squares = self._innovations(frames, first, _MEMORY)
            self._remember_powers(first, squares)
            self._remembered(np.maximum.reduce(innovations, axis=2))
        return self._seen(frames, *self._innovations(frames, self.frame, hops))

    def _innovations(
        self, frames: Callable[[int, int], _Array], first: int, hops: int
    ) -> tuple[_Single, _Single]:
        """Squares, of hops from a frame on, of rows of innovations and of the samples."""
        # Single precision: this tells where to look, and nothing else.
        heard = frames(first - _ROW, first + hops * self._hop).astype(np.float32)
        rows, earlier = (part.reshape(hops, -1, _ROW) for part in (heard[_ROW:], heard[:-_ROW]))
        innovations = np.empty_like(rows)
        begin = 0
        while begin < hops:
            number = first // self._hop + begin
            end = min(hops, begin + _GROUP - number % _GROUP)
            if self._matrices is None or number % _GROUP == 0:
                place = number * self._hop
                self._matrices = _watching_matrices(frames(place - _BEFORE, place))
            own, before = self._matrices
            # A product for each hop: the bits do not depend on how many there are.
            innovations[begin:end] = rows[begin:end] @ own + earlier[begin:end] @ before
            begin = end
        return np.square(innovations), np.square(rows)

    def _seen(
        self, frames: Callable[[int, int], _Array], innovations: _Single, squares: _Single
    ) -> list[GainHole]:
        """What comes of the innovations of the next hops."""
        first = self.frame
        self._remember_powers(first, squares)
        peaks = np.maximum.reduce(innovations, axis=2)
        limits = self._limits(peaks)
        unusual = (np.maximum.reduce(peaks, axis=1) > limits).tolist()
        holes: list[GainHole] = []
        for hop, place in enumerate(range(first, first + len(squares) * self._hop, self._hop)):
            self.frame += self._hop
            self._doubts *= _FORGET
            self._falls = [fall for fall in self._falls if fall.frame > place - self._longest]
            if unusual[hop] and not self._doubts > _DOUBTS:
                for row in _standing_out(peaks[hop], float(limits[hop])):
                    at = row * _ROW + int(np.argmax(innovations[hop, row]))
                    holes += self._judged(frames, place + at)
            for fall in [fall for fall in self._falls if fall.before is not None]:
                if fall in self._falls and (hole := self._sought_return(frames, fall, place)):
                    holes.append(hole)
        return holes

    def _remember_powers(self, first: int, squares: _Single) -> None:
        """Powers of hops from a frame on, whose squared samples are given."""
        powers = np.add.reduce(squares.reshape(len(squares), -1), axis=1) / np.float32(self._hop)
        while self._powers and self._powers[0][0] <= first - self._longest:
            self._powers.popleft()
        places = range(first, first + len(squares) * self._hop, self._hop)
        self._powers.extend(zip(places, powers.tolist(), strict=True))

    def _limits(self, peaks: _Single) -> _Array:
        """What an unusual innovation is above, in each hop; squared, as all of them."""
        history = self._remembered(peaks)
        limits = np.full(len(peaks), np.inf)
        if history.shape[1] > _MEMORY:
            medians = (
                np.partition(windows(of, _MEMORY), _MEMORY // 2, axis=1)[:-1, _MEMORY // 2]
                for of in history
            )
            of_peaks, of_highest = medians
            known = np.maximum(_STANDS_OUT * of_peaks, _STANDS_HIGHER * of_highest)
            limits[-len(known) :] = known
        return limits

    def _remembered(self, peaks: _Single) -> _Array:
        """What is remembered of the hops before, and of these; the last ones are kept."""
        highest = np.maximum.reduce(peaks, axis=1)
        middle = int(_USUAL * peaks.shape[1])
        usual = np.partition(peaks, middle, axis=1)[:, middle]
        history = np.concatenate([self._history, [usual, highest]], axis=1)
        self._history = history[:, -_MEMORY:]
        return history

    def _judged(self, frames: Callable[[int, int], _Array], place: int) -> list[GainHole]:
        """What an unusual innovation is: a fall, which is kept, or a return to what was before."""
        around = frames(place - self.lag, place + self.lag)
        fall = gain_edge(around, self.lag)
        # Backwards, what lies between two samples lies before the earlier one.
        back = gain_edge(around[::-1], self.lag)
        self._doubts += fall is None and back is None
        holes = []
        if back is not None:
            end = place - back.frame + self.lag
            hole = self._closed(end, back)
            if hole is None and _is_plain(back):
                hole = self._sought_fall(frames, end, back)
            if hole is not None:
                holes.append(hole)
        if fall is not None:
            begin = place + fall.frame - self.lag
            before = self._sound_before(frames, begin) if _is_plain(fall) else None
            self._falls.append(replace(fall, frame=begin, before=before))
        return holes

    def _sought_return(
        self, frames: Callable[[int, int], _Array], fall: _Edge, first: int
    ) -> GainHole | None:
        """The interruption that a plain fall began, if it ends in the hop from `first` on."""
        q = self._stride
        if fall.before is None:
            return None
        begin = max(self._shortest_sought, (first - fall.frame) // q)  # samples after the fall
        end = (first + self._hop - fall.frame) // q
        if begin >= end:
            return None
        origin = begin - gain_return.TAPS
        heard = frames(fall.frame + origin * q, fall.frame + (end + gain_return.AFTER) * q)
        place = gain_return.likeliest_return(
            gain_return.averaged(heard, q),
            fall.before,
            fall.gain,
            fall.power,
            inside=-origin,
            first=begin - origin,
            last=end - origin,
        )
        if place is None:
            return None
        return self._besides(fall, fall.frame, fall.frame + (origin + place) * q)

    def _sought_fall(
        self, frames: Callable[[int, int], _Array], end: int, back: _Edge
    ) -> GainHole | None:
        """The interruption that ends with a plain return, if it began a short while before."""
        q = self._stride
        taps, longest = gain_return.TAPS, self._longest_back
        begin = end - (longest + gain_return.AFTER) * q
        sound = self._sound_before(frames, begin)
        if sound is None:
            return None
        heard = gain_return.averaged(frames(begin, end + taps * q)[::-1], q)
        place = gain_return.likeliest_return(
            heard,
            sound,
            back.gain,
            back.power,
            inside=taps,
            first=taps + self._shortest_sought,
            last=taps + longest,
        )
        return None if place is None else self._besides(back, end - (place - taps) * q, end)

    def _besides(self, edge: _Edge, start: int, end: int) -> GainHole | None:
        """The interruption of one plain edge and of one that was sought."""
        hole = GainHole(start, end, edge.gain, edge.uncertainty, self.frame + self.lag)
        if not self._is_low(hole, edge.power):
            return None
        self._falls = [other for other in self._falls if other.frame > end]
        return hole

    def _sound_before(self, frames: Callable[[int, int], _Array], end: int) -> Sound | None:
        """What the sound is like that ends there."""
        begin = end - gain_return.PAST * self._stride
        if begin < 0:
            return None
        past = gain_return.averaged(frames(begin, end), self._stride)
        return gain_return.sound_of(past)

    def _closed(self, end: int, back: _Edge) -> GainHole | None:
        """The interruption that ends with a return: it began with the latest fall like it."""
        for fall in reversed(self._falls):
            if end - fall.frame < self._shortest or not _are_a_pair(fall, back):
                continue
            # Each weighed by how well it is known.
            shares = np.array([1 / fall.uncertainty**2, 1 / back.uncertainty**2])
            gain = float(np.dot(shares, [fall.gain, back.gain]) / shares.sum())
            uncertainty = float(1 / np.sqrt(shares.sum()))
            hole = GainHole(fall.frame, end, gain, uncertainty, self.frame + self.lag)
            if self._is_low(hole, min(fall.power, back.power)):
                self._falls = [other for other in self._falls if other.frame > end]
                return hole
        return None

    def _is_low(self, hole: GainHole, outside: float) -> bool:
        """Whether the sound was as low throughout as its edges say, or there is no telling."""
        inside = [
            power
            for first, power in self._powers
            if hole.start <= first and first + self._hop <= hole.end
        ]
        gain = max(hole.gain, hole.uncertainty, LEAST_GAIN_INSIDE)
        most = gain**2 * outside * 10 ** (HIGHEST_INSIDE_DB / 10)
        return not inside or sum(inside) <= len(inside) * most


def _standing_out(peaks: _Single, limit: float) -> list[int]:
    """The rows of a hop's highest innovations above a limit, in order of time."""
    rows = [
        row
        for row in np.flatnonzero(peaks > limit).tolist()
        if peaks[row] == peaks[max(0, row - _APART) : row + _APART + 1].max()
    ]
    return sorted(sorted(rows, key=lambda row: float(peaks[row]))[-_MOST:])


def _are_a_pair(fall: _Edge, back: _Edge) -> bool:
    """Whether the same sound falls and returns by the same gain."""
    near = SAME_GAIN[0] + SAME_GAIN[1] * max(fall.gain, back.gain)
    return fall.evidence + back.evidence >= EVIDENCE_OF_BOTH and abs(
        fall.gain - back.gain
    ) < near + 3 * np.hypot(fall.uncertainty, back.uncertainty)


def _is_plain(edge: _Edge) -> bool:
    """Whether an edge tells enough by itself for the other one to be sought."""
    return edge.evidence >= PLAIN_EVIDENCE and edge.uncertainty <= PLAIN_GAIN
