"""Dropouts and dips: moments at which a contact lets go of a steady signal and takes it back.

What counts:

* A **dropout** is a loss with abrupt edges: the level falls within a few milliseconds by 20 dB or
  more, or down to the noise, and comes back just as abruptly.
* A **dip** has the same edges, but the level falls by less: 3 to 20 dB.

Natural movement (decay, release, tremolo, beating, a note's attack) has no abrupt fall followed by
an abrupt return, and is neither.

How: a musical signal is predictable over some milliseconds from its own recent past, whatever its
waveform, as a sum of slowly changing partials obeys a linear recursion (linear prediction,
Makhoul 1975). Every half second of each channel gets its own long predictor. Where the signal
stops following its prediction, the gain that it has against the prediction tells a loss from a
new note, and the change of variance of the prediction's error gives the moment. The end of a
loss is the same thing seen backwards in time.

References
----------
J. Makhoul, "Linear prediction: a tutorial review", Proc. IEEE 63 (1975) 561-580.
S. J. Godsill, P. J. W. Rayner, *Digital Audio Restoration* (Springer, 1998), ch. 5: detection of
faults from the prediction error.
"""

from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import accumulate, takewhile

import numpy as np
from numpy.typing import NDArray

from sigbench.errors import SignalError
from sigbench.measure.estimate import Estimate
from sigbench.measure.streaming import of_one_event, require_block
from sigbench.model import Event, LostBuffers, Samples

DROPOUT_DEPTH_DB = 20.0  # from here on a loss is a dropout, below it a dip; our own choice
MIN_DEPTH_DB = 3.0  # shallower falls are not reported: halves of the power, our own choice
NOISE_MARGIN_DB = 6.0  # what is left lies this near to the noise: the signal is lost
FLOOR_DBFS = -120.0  # digital silence inside a loss counts as this level, so depths stay finite
MIN_SECONDS = 0.0008  # shorter holes are clicks
MAX_DIP_SECONDS = 5.0  # a fall that stays longer, and is no loss, is a change of level
EDGE_UNCERTAINTY_SECONDS = 1e-4  # standard uncertainty of a tone's edge, by precision_dropouts.py
LOST_POSITION_SECONDS = 0.02  # a block of the audio system; common practice, no source
JUMP_SECONDS = 0.04  # after a jump of the audio, edges are found that are none: 35 ms at most seen
JUMP_EDGE_SECONDS = 0.002  # and before it: positions and edges are known to a millisecond
SIMULTANEOUS_SECONDS = 0.002  # edges of two channels this near belong to the same event

_PREDICTOR_RATE = 12_000  # Hz: a tone's samples taken every 83 us are still a tone, if aliased
_TAPS = 256  # span of the predictor, 21 ms: a period of the lowest notes, or the beat of a chord
_NOISE_RATIO = 1e-3  # white noise that the predictor reckons with, re signal power: -30 dB
_STEP = 6144  # predictor samples that each step moves on: 0.5 s
_CONTEXT = 1920  # predictor samples before and after: 160 ms
_FRAME = 12  # predictor samples of a frame, 1 ms
_HORIZON = 300  # predictor samples of extrapolation, 25 ms
_BLUR_SHARE = 0.75  # by precision_dropouts.py, on sines and saws
_MARGIN = 18  # predictor samples between the start of an extrapolation and the suspected edge
_PROBE = 18  # predictor samples after an edge over which its gain is measured, 1.5 ms
_SEARCH = 36  # predictor samples after the suspected edge within which it must lie, 3 ms
_SURE = 2.0  # a fall must miss the prediction by this many times the usual mean square
_STEADY = 0.1  # prediction error over power, below which a sound is predictable enough
_TRIALS = 8  # extrapolations over untouched signal just before: how well does this sound predict?
_ALIKE_DB = 3.0  # the step down and the step up of a dip have the same height
_TAIL_DB = 40.0  # a sound this far below the loudest so far is dying away, or its release
_RETURN_DB = 20.0  # a lost signal returns to within this of its level, for it may decay meanwhile


def _predictable_band(signal: Samples, stride: int) -> tuple[Samples, int]:
    """The signal below about 5 kHz, and how many frames an edge is found too far out in it.

    There its partials are few enough to be predicted. A signal that lies above is left as it is:
    its few partials may well be aliased. The two moving means together reach ``width - 1`` frames
    to either side, and the change is noticed `_BLUR_SHARE` of that too far out.
    """
    from scipy.ndimage import uniform_filter1d

    width = stride | 1  # odd, so that nothing is shifted
    smooth = uniform_filter1d(uniform_filter1d(signal, width), width)
    if np.dot(smooth, smooth) <= 0.05 * np.dot(signal, signal):
        return signal, 0
    return smooth, round(_BLUR_SHARE * (width - 1))


def _predictor(subsampled: Samples) -> NDArray[np.float64]:
    """Prediction-error filter (1, -a1, ...) of a stretch, by the autocorrelation method."""
    from scipy.fft import irfft, next_fast_len, rfft
    from scipy.linalg import solve_toeplitz

    n = len(subsampled)
    size = next_fast_len(n + _TAPS + 1, real=True)
    spectrum = rfft(subsampled * np.hanning(n), size)
    lags = irfft(spectrum.real**2 + spectrum.imag**2, size)[: _TAPS + 1]
    lags[0] *= 1 + _NOISE_RATIO
    return np.concatenate([[1.0], -solve_toeplitz(lags[:-1], lags[1:])])


def _extrapolator(error_filter: NDArray[np.float64]) -> NDArray[np.float64]:
    """Matrix (horizon, taps) that continues the last `taps` samples, oldest first."""
    forward = -error_filter[:0:-1]  # weights for oldest ... newest
    rows = np.empty((_HORIZON, _TAPS))
    row = forward.copy()
    for h in range(_HORIZON):
        rows[h] = row
        newest = row[-1]
        row = np.concatenate([[0.0], row[:-1]]) + newest * forward
    return rows


def _frame_means(power: NDArray[np.float64]) -> NDArray[np.float64]:
    return power[: len(power) // _FRAME * _FRAME].reshape(-1, _FRAME).mean(axis=1)


def _suspects(
    subsampled: Samples, error_filter: NDArray[np.float64], jumps: Sequence[tuple[int, int]]
) -> tuple[NDArray[np.intp], float]:
    """Frames of the step whose prediction error stands out, and the usual error's mean square.

    An error that recurs within 60 ms on both sides belongs to the waveform (the edge of a low
    saw, say); one that has no like on one side of it at least is worth a closer look. Errors at
    `jumps` of the audio (first and last predictor samples) are like nothing.
    """
    from scipy.fft import irfft, next_fast_len, rfft
    from scipy.ndimage import maximum_filter1d, uniform_filter1d

    n = len(subsampled)
    size = next_fast_len(n, real=True)
    error = irfft(rfft(subsampled, size) * rfft(error_filter, size), size)[:n]
    error[:_TAPS] = 0.0  # the filter wraps round there
    errors = _frame_means(error**2)
    levels = uniform_filter1d(_frame_means(subsampled**2), 61)
    levels = maximum_filter1d(levels, 61)
    reach, gap = 36, 24  # frames: one period of the lowest A, beyond the burst's own 21 ms
    of_the_sound = errors.copy()
    for begin, end in jumps:
        of_the_sound[max(0, begin // _FRAME - 1) : max(0, (end + _TAPS) // _FRAME + 2)] = 0.0
    recurring = maximum_filter1d(of_the_sound, reach + 1)
    shift = gap + reach // 2
    padded = np.pad(recurring, shift, mode="edge")
    usual = np.minimum(padded[: n // _FRAME], padded[2 * shift :])
    first, last = _CONTEXT // _FRAME, (_CONTEXT + _STEP) // _FRAME
    found = (errors > 2 * usual) & (errors > 0.005 * levels)
    return first + np.flatnonzero(found[first:last]), float(np.median(errors[first:last]))


def _runs_of_means(powers: NDArray[np.float64]) -> NDArray[np.float64]:
    """Means of so many frames as the predictor spans."""
    span = _TAPS // _FRAME
    return powers[: len(powers) // span * span].reshape(-1, span).mean(axis=1)


def _without_trend(signal: Samples, degree: int) -> Samples:
    """`signal` less its least-squares polynomial."""
    basis, _ = np.linalg.qr(np.vander(np.linspace(-1, 1, len(signal)), degree + 1))
    return signal - basis @ (basis.T @ signal)


def _gain(signal: Samples, prediction: Samples) -> tuple[float, float]:
    """Gain against the prediction, and ratio of the energies.

    A break often leaves a charged capacitor's exponential behind. Slow movement is therefore
    taken out of both, as far as the prediction keeps most of its energy.
    """
    whole = float(np.dot(prediction, prediction))
    for degree in (2, 1, 0):
        if len(signal) < 4 * (degree + 1):
            continue
        moving = _without_trend(prediction, degree)
        if np.dot(moving, moving) > 0.3 * whole:
            signal, prediction = _without_trend(signal, degree), moving
            break
    energy = float(np.dot(prediction, prediction))
    if energy <= 0.0:
        return 1.0, 1.0
    return float(np.dot(signal, prediction)) / energy, float(np.dot(signal, signal)) / energy


def _change_of_variance(error: Samples, floor: float) -> int | None:
    """Most likely index at which the error's variance rises (Gaussian likelihood)."""
    n = len(error)
    power = np.cumsum(error**2)
    index = np.arange(4, n - 4)
    before = power[index - 1] / index + floor
    after = (power[-1] - power[index - 1]) / (n - index) + floor
    likelihood = -index * np.log(before) - (n - index) * np.log(after)
    likelihood[after <= before] = -np.inf
    best = int(np.argmax(likelihood))
    return int(index[best]) if after[best] > before[best] else None


def _return(signal: Samples, prediction: Samples) -> int:
    """Most likely index up to which the signal has one lesser gain, and follows from there on."""
    xx, xp, pp = (
        np.cumsum(product)
        for product in (signal * signal, signal * prediction, prediction * prediction)
    )
    missed = np.cumsum((signal - prediction) ** 2)
    inside = xx - xp**2 / np.maximum(pp, 1e-30)
    cost = inside + (missed[-1] - missed)
    return int(np.argmin(cost)) + 1


@dataclass(frozen=True, slots=True)
class _Fall:
    """A fall of the gain in a signal read in either direction; indices into that signal."""

    edge: int
    returned: int | None  # index at which the signal follows its prediction again, if it does
    depth: float
    lost: bool
    level: float  # mean square before
    expected: Samples  # what should have been there from the edge on


class _Window:
    """One channel's stretch of signal around a step, with its predictor; times in frames."""

    def __init__(
        self,
        signal: Samples,
        stride: int,
        begin: int,
        end: int,
        jumps: Sequence[tuple[int, int]],
    ) -> None:
        self._signal = signal[:end].copy()
        self.stride = stride
        subsampled = signal[::stride]
        self._filter = _predictor(subsampled)
        self._extrapolate: NDArray[np.float64] | None = None
        moved = [(first // stride, last // stride) for first, last in jumps]
        suspects, self._usual_error = _suspects(subsampled, self._filter, moved)
        powers = _frame_means(subsampled[_CONTEXT : min(_CONTEXT + _STEP, end // stride)] ** 2)
        usual = float(np.median(powers)) if len(powers) else 0.0
        self.steady = self._usual_error < _STEADY * usual
        self.loudest = float(np.max(_runs_of_means(powers), initial=0.0))
        # A fall needs a past to be predicted from, and some of what follows.
        frames = suspects * _FRAME * stride
        known = (frames >= begin + (_TAPS + _MARGIN) * stride) & (frames + _FRAME * stride < end)
        self.suspects = suspects[known]

    def _continued(self, signal: Samples, start: int, length: int) -> Samples:
        """What `signal` would be from `start` on, for so many predictor samples."""
        if self._extrapolate is None:
            self._extrapolate = _extrapolator(self._filter)
        past = signal[start - _TAPS * self.stride : start].reshape(_TAPS, self.stride)
        return (self._extrapolate[:length] @ past).ravel()

    def _usual_misses(self, signal: Samples, start: int) -> NDArray[np.float64]:
        """Squared errors of predictions like this one just before; shape (trials, frames)."""
        length = _MARGIN + _SEARCH + 4 * _PROBE
        last = start - (length - _MARGIN) * self.stride
        backs = [last - 2 * trial * _PROBE * self.stride for trial in range(_TRIALS)]
        misses = [
            (signal[back : back + length * self.stride] - self._continued(signal, back, length))
            ** 2
            for back in backs
            if back >= _TAPS * self.stride
        ]
        return np.array(misses).reshape(-1, length * self.stride)

    def fall(self, suspect: int) -> _Fall | None:
        """The fall of gain near frame `suspect`, if there is one."""
        return self._fall(self._signal, suspect)

    def mend(self, fall: _Fall) -> None:
        """Put back what a fall took away, so that predictions beyond it start from a whole past."""
        self._signal[fall.edge : fall.edge + len(fall.expected)] = fall.expected

    def mend_before(self, rise: _Fall) -> None:
        """The same before a rise."""
        self._signal[rise.edge - len(rise.expected) : rise.edge] = rise.expected[::-1]

    def rise(self, suspect: int) -> _Fall | None:
        """The same backwards: a rise near frame `suspect`, as a fall with its edge in this time."""
        n = len(self._signal)
        fall = self._fall(self._signal[::-1], n - suspect - _FRAME * self.stride)
        return None if fall is None else replace(fall, edge=n - fall.edge)

    def _fall(self, signal: Samples, suspect: int) -> _Fall | None:
        # Time has no direction for the predictor: `signal` is the stretch or its reverse.
        q = self.stride
        start = suspect - _MARGIN * q
        length = min(_HORIZON * q, len(signal) - start)
        if start < _TAPS * q or length < (_MARGIN + _SEARCH) * q:
            return None
        misses = self._usual_misses(signal, start)
        if len(misses) == 0:
            return None
        prediction = self._continued(signal, start, _HORIZON)[:length]
        found = signal[start : start + length]
        error = (found - prediction)[: (_MARGIN + _SEARCH) * q]
        error = error - error[: _MARGIN * q // 2].mean()
        edge = _change_of_variance(
            error, float(np.median(misses[:, : len(error)].mean(axis=1))) + 1e-20
        )
        if edge is None:
            return None
        end = edge + _return(found[edge:], prediction[edge:])
        for duration in (_PROBE, 4 * _PROBE):
            probe = slice(edge + q // 2, min(edge + q // 2 + duration * q, end))
            if probe.stop - probe.start < 6 * q:
                return None
            moving = _without_trend(prediction[probe], 1)
            if np.dot(moving, moving) > 0.3 * np.dot(prediction[probe], prediction[probe]):
                break
        gain, energy = _gain(found[probe], prediction[probe])
        most = 10 ** (-MIN_DEPTH_DB / 20)
        if gain > most or energy > most**2:
            return None
        miss = float(np.mean((found[probe] - prediction[probe]) ** 2))
        if miss < _SURE * misses[:, probe].mean(axis=1).max():
            return None
        after = slice(end + q // 2, min(end + q // 2 + 2 * _PROBE * q, length))
        returned = None
        if after.stop - after.start >= _PROBE * q:
            regained, _ = _gain(found[after], prediction[after])
            returned = start + end if regained > (1 + max(gain, 0.0)) / 2 else None
        # The band's blur reaches two predictor samples in from the edges found.
        inside = slice(edge + 2 * q, end - 2 * q if returned else length)
        if inside.stop - inside.start < 6 * q:
            inside = probe
        gain, energy = _gain(found[inside], prediction[inside])
        expected = float(np.mean(prediction[inside] ** 2))
        rest = min(energy, gain**2 + self._usual_error / expected)
        floor = 10 ** (FLOOR_DBFS / 10) / 2
        depth = -10 * np.log10(max(rest, floor / expected))
        lost = rest * expected < self._usual_error * 10 ** (NOISE_MARGIN_DB / 10)
        before = signal[max(start - _TAPS * q, 0) : start]
        return _Fall(
            start + edge,
            returned,
            float(depth),
            bool(depth >= DROPOUT_DEPTH_DB or lost),
            float(np.var(before)),
            prediction[edge : end if returned else length],
        )


@dataclass(frozen=True, slots=True)
class _Hole:
    """A loss in one channel, in frames of the take."""

    start: int
    end: int
    depth: float
    lost: bool


class _Channel:
    """Follows one channel from step to step: is it in a hole just now, and since when."""

    def __init__(self, samplerate: int) -> None:
        self._longest_dip = int(MAX_DIP_SECONDS * samplerate)
        self._shortest = MIN_SECONDS * samplerate
        self._open: tuple[int, _Fall] | None = None
        self._done = -1  # suspects before this frame are explained already
        self._loudest = 0.0  # mean square of 21 ms, so far
        self._steps = 0
        self._steady_steps = 0

    @property
    def steady_share(self) -> float:
        """Share of the half seconds so far whose sound could be predicted, and so watched."""
        return self._steady_steps / self._steps if self._steps else 0.0

    def scan(
        self,
        raw: Samples,
        origin: int,
        stride: int,
        end: int,
        jumps: Sequence[tuple[int, int]],
    ) -> list[_Hole]:
        """Holes that end in this step.

        `origin` is the frame of the take at index 0; from index `end` on lies no audio any more.
        At `jumps` (first and last index) the computer lost some.
        """
        self._steps += 1
        if not raw.any():
            return []
        signal, blur = _predictable_band(raw, stride)
        window = _Window(signal, stride, max(0, -origin), end, jumps)
        self._steady_steps += window.steady
        self._loudest = max(self._loudest, window.loudest)
        holes = []
        for frame in window.suspects:
            suspect = int(frame) * _FRAME * stride
            if origin + suspect < self._done:
                continue
            if (hole := self._closed(window, suspect, origin, blur)) is not None:
                holes.append(hole)
                continue
            fall = window.fall(suspect)
            if fall is None or origin + fall.edge < self._done:
                continue
            if fall.level < self._loudest * 10 ** (-_TAIL_DB / 10):
                continue
            if fall.returned is None:
                self._open = (origin + fall.edge + blur, fall)
                self._done = origin + fall.edge + 3 * _HORIZON * stride // 4
                continue
            end = fall.returned
            back = window.rise(end - _FRAME * stride // 2)
            if back is not None and abs(back.edge - end) < _SEARCH * stride // 2:
                end = back.edge
            self._done = origin + end
            window.mend(fall)
            start = fall.edge + blur
            end -= blur
            if end - start >= self._shortest:
                holes.append(_Hole(origin + start, origin + end, fall.depth, fall.lost))
        return holes

    def _closed(self, window: _Window, suspect: int, origin: int, blur: int) -> _Hole | None:
        """The open hole, if the signal comes back at `suspect`."""
        if self._open is None:
            return None
        start, fall = self._open
        if not fall.lost and origin + suspect - start > self._longest_dip:
            self._open = None
            return None
        rise = window.rise(suspect)
        if rise is None or origin + rise.edge <= start:
            return None
        regained = abs(10 * np.log10(rise.level / fall.level))
        alike = (rise.lost and fall.lost) or abs(rise.depth - fall.depth) < _ALIKE_DB
        if regained > _RETURN_DB or not alike:
            return None
        self._open = None
        self._done = origin + rise.edge
        window.mend_before(rise)
        end = max(origin + rise.edge - blur, start)
        return _Hole(start, end, fall.depth, fall.lost)

    def finish(self, end: int) -> list[_Hole]:
        """A loss that lasts to the end of the take.

        A synthesizer that ends the faint tail of a released note is none.
        """
        if self._open is None or not self._open[1].lost:
            return []
        start, fall = self._open
        if fall.level < self._loudest * 10 ** (-_RETURN_DB / 10):
            return []
        return [_Hole(start, end, fall.depth, True)]


class DropoutDetector:
    """Finds dropouts and dips in audio that comes in blocks.

    Blocks of any sizes give the same events: all work is done in steps at fixed positions of the
    take. Memory is bounded (0.8 s of audio). An event is told at most 0.7 s after its end.

    Parameters
    ----------
    samplerate : int
        Frames a second.
    channels : int
        Channels of each block.
    lost : sequence of LostBuffers
        What the computer lost, as far as it is known: an interruption of the sound close to it is
        seen more surely. What it looks like in the sound is found all the same, and is told from
        the rest by `mark_lost_buffers`.

    Examples
    --------
    >>> t = np.arange(48000) / 48000
    >>> sound = 0.5 * np.sin(2 * np.pi * 440 * t)
    >>> sound[24000:24480] = 0.0
    >>> detector = DropoutDetector(48000, 1)
    >>> events = detector.feed(sound[:, np.newaxis]) + detector.finish()
    >>> [(e.kind, round(e.start, 3), round(e.end, 3)) for e in events]
    [('dropout', 0.5, 0.51)]
    """

    def __init__(self, samplerate: int, channels: int, lost: Sequence[LostBuffers] = ()) -> None:
        self._samplerate = samplerate
        self._jumps = deque(sorted((mark.frame, mark.frame + mark.spoiled) for mark in lost))
        self._stride = max(1, round(samplerate / _PREDICTOR_RATE))
        self._context = _CONTEXT * self._stride
        self._step = _STEP * self._stride
        self._window = np.zeros((channels, 2 * self._context + self._step))
        self._filled = self._context  # nothing was before the take
        self._origin = -self._context
        self._fed = 0
        self._channels = [_Channel(samplerate) for _ in range(channels)]
        self._holes: list[tuple[int, _Hole]] = []  # channel from 1, and hole; not yet told

    @property
    def steady_shares(self) -> tuple[float, ...]:
        """Of each channel, the share of the half seconds so far that held a steady sound.

        Elsewhere (silence, noise, speech) there is nothing that could be seen to drop out.
        """
        return tuple(channel.steady_share for channel in self._channels)

    def feed(self, block: Samples) -> tuple[Event, ...]:
        """Take the next block, of shape (frames, channels); the events that it completed.

        Raises
        ------
        SignalError
            If the block has another number of channels, or values that are not finite.
        """
        require_block(block, len(self._channels), "dropout detector")
        events: list[Event] = []
        used = 0
        while used < len(block):
            n = min(len(block) - used, self._window.shape[1] - self._filled)
            self._window[:, self._filled : self._filled + n] = block[used : used + n].T
            self._filled += n
            used += n
            if self._filled == self._window.shape[1]:
                events += self._advance(self._filled)
        self._fed += len(block)
        return tuple(events)

    def finish(self) -> tuple[Event, ...]:
        """No more blocks: the events that were still open."""
        events: list[Event] = []
        while self._origin + self._context < self._fed:
            end = self._filled
            self._window[:, end:] = 0.0
            events += self._advance(max(end, 0))
        for number, channel in enumerate(self._channels, start=1):
            self._holes += [(number, hole) for hole in channel.finish(self._fed)]
        return (*events, *self._tell(None))

    def _advance(self, end: int) -> list[Event]:
        """Scan the step in the middle of the window, of which `end` frames are audio."""
        origin, reach = self._origin, self._window.shape[1]
        while self._jumps and self._jumps[0][1] <= origin - self._context:
            self._jumps.popleft()
        near = takewhile(lambda jump: jump[0] < origin + reach, self._jumps)
        jumps = [(first - origin, last - origin) for first, last in near]
        for number, channel in enumerate(self._channels, start=1):
            holes = channel.scan(self._window[number - 1], origin, self._stride, end, jumps)
            self._holes += [(number, hole) for hole in holes]
        known = self._origin + self._context + self._step
        self._window[:, : -self._step] = self._window[:, self._step :]
        self._filled = end - self._step
        self._origin += self._step
        return self._tell(known - self._context // 4)

    def _tell(self, until: int | None) -> list[Event]:
        """Events that ended before frame `until`, the same one in several channels as one."""
        ready = [h for h in self._holes if until is None or h[1].end < until]
        self._holes = [h for h in self._holes if h not in ready]
        near = SIMULTANEOUS_SECONDS * self._samplerate

        def alike(first: _Hole, hole: _Hole) -> bool:
            return (
                abs(hole.start - first.start) <= near
                and abs(hole.end - first.end) <= near
                and hole.lost == first.lost
            )

        groups = of_one_event(sorted(ready, key=lambda h: (h[1].start, h[0])), alike)
        return [
            Event(
                "dropout" if group[0][1].lost else "dip",
                min(hole.start for _, hole in group) / self._samplerate,
                max(hole.end for _, hole in group) / self._samplerate,
                tuple(sorted(number for number, _ in group)),
                max(hole.depth for _, hole in group),
            )
            for group in groups
        ]


def find_dropouts(signal: Samples, samplerate: int) -> tuple[Event, ...]:
    """Dropouts and dips of a whole take, of shape (frames, channels), full scale 1.0.

    Returns
    -------
    tuple of Event
        Kinds "dropout" and "dip", with start and end in seconds, the channels (from 1) that it
        happened in at the same time, and the depth in dB re the level just before.

    Raises
    ------
    SignalError
        If a value is not finite, or the shape is not (frames, channels).
    """
    if signal.ndim != 2:
        raise SignalError(
            f"Dropouts are looked for in audio of shape (frames, channels), not {signal.shape}."
        )
    detector = DropoutDetector(samplerate, signal.shape[1])
    return detector.feed(signal) + detector.finish()


def mark_lost_buffers(
    events: Sequence[Event], lost: Sequence[LostBuffers], samplerate: int
) -> tuple[Event, ...]:
    """The same events, those that the computer's losses made relabelled as "lost_buffers".

    The instrument is not to blame for them. Where the audio system only reports that something was
    lost, everything near counts, for it reports to the block, not to the frame. Where it is known
    from when to when the take is spoiled, an interruption is the computer's if both its edges are
    at a loss, be it the same or two: audio that jumps looks like a fall, and at the next jump like
    a return. All other interruptions stay the instrument's; of one that a loss begins or ends,
    that part is taken off.
    """
    marks = sorted(lost, key=lambda mark: mark.frame)
    starts = [mark.frame / samplerate for mark in marks]
    ends = list(accumulate(((m.frame + m.spoiled) / samplerate for m in marks), max))
    marked: list[Event] = []
    for event in events:
        if event.kind in ("dropout", "dip"):
            first = bisect_left(ends, event.start - JUMP_SECONDS)
            last = bisect_right(starts, event.end + LOST_POSITION_SECONDS)
            marked.extend(_parted(event, marks[first:last], samplerate))
        else:
            marked.append(event)
    return tuple(sorted(marked, key=lambda event: event.start))


def _parted(event: Event, lost: Sequence[LostBuffers], samplerate: int) -> tuple[Event, ...]:
    """An interruption in what the computer made of it, and what the instrument did.

    `lost` is in the order of frames.
    """
    spans = [
        (mark.frame / samplerate, (mark.frame + mark.spoiled) / samplerate)
        for mark in lost
        if mark.frames is not None or mark.spoiled
    ]
    vague = [mark.frame / samplerate for mark in lost if mark.frames is None and not mark.spoiled]
    near = LOST_POSITION_SECONDS

    def at_a_loss(edge: float) -> bool:
        return any(start - JUMP_EDGE_SECONDS <= edge <= end + JUMP_SECONDS for start, end in spans)

    if (at_a_loss(event.start) and at_a_loss(event.end)) or any(
        event.start - near <= place <= event.end + near for place in vague
    ):
        return (replace(event, kind="lost_buffers"),)
    begin, finish = event.start, event.end
    for start, end in spans:
        if start - JUMP_EDGE_SECONDS <= begin < end:
            begin = end
    for start, end in reversed(spans):
        if start < finish <= end + JUMP_EDGE_SECONDS:
            finish = start
    if begin >= finish:
        return (replace(event, kind="lost_buffers"),)
    parts = [replace(event, start=begin, end=finish)]
    if begin > event.start:
        parts.insert(0, replace(event, kind="lost_buffers", end=begin))
    if finish < event.end:
        parts.append(replace(event, kind="lost_buffers", start=finish))
    return tuple(parts)


def dropout_count(events: Sequence[Event], channel: int) -> int:
    """Number of dropouts in a channel (counted from 1); dips do not count."""
    return sum(event.kind == "dropout" and channel in event.channels for event in events)


def dropout_time(events: Sequence[Event], channel: int) -> Estimate:
    """Total time of the dropouts in a channel, in seconds; each edge adds its uncertainty."""
    times = [e.end - e.start for e in events if e.kind == "dropout" and channel in e.channels]
    uncertainty = EDGE_UNCERTAINTY_SECONDS * np.sqrt(2 * len(times))
    return Estimate(float(sum(times)), float(uncertainty))
