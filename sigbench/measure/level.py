"""Level: RMS, sample peak, true peak, crest factor and mean of one channel."""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from sigbench.errors import SignalError
from sigbench.measure.estimate import Estimate, level
from sigbench.units import NEPER_DB, ratio_to_db

SEGMENTS = 24  # enough that s/sqrt(n) is itself known within 15 %
OVERSAMPLING = 8  # a tone at a quarter of the rate then reads at most 0.04 dB low
_TAPS_PER_PHASE = 48
_TILE = 64  # gaps between samples that share a bound; not fewer than the taps
_BLOCK = 1 << 14  # gaps looked at at once: what they take fits into a processor's cache
_TOGETHER = 1 << 10  # gaps interpolated at once; the same


@dataclass(frozen=True, slots=True)
class Level:
    """Levels of one channel.

    Parameters
    ----------
    rms, peak, true_peak : Estimate
        dBFS; a full-scale sine reads 0 dBFS on all three (AES17 for the RMS level).
    crest_factor : Estimate
        Peak over RMS as a ratio of amplitudes in dB: 3.01 dB for a sine, 0 for a square wave.
    mean : Estimate
        Mean in fractions of full scale.
    """

    rms: Estimate
    peak: Estimate
    true_peak: Estimate
    crest_factor: Estimate
    mean: Estimate


def measure_level(signal: NDArray[np.float64], samplerate: int) -> Level:
    """Level of one channel over the whole take, DC included.

    Parameters
    ----------
    signal : ndarray of float, shape (frames,)
        Full scale is -1.0 to 1.0.
    samplerate : int
        Frames a second.

    Returns
    -------
    Level
        Digital silence reads ``-inf``. The uncertainty of `rms` and `mean` is the standard error
        of the scatter between segments of the take; that of the peaks is the scatter itself, for
        a peak is met once.

    Raises
    ------
    SignalError
        If there are no frames.

    Notes
    -----
    AES17: RMS relative to a full-scale sine. ITU-R BS.1770-4 Annex 2: true peak by oversampling,
    8 times here (the Recommendation asks for at least 4 at 48 kHz).

    Examples
    --------
    >>> t = np.arange(48000) / 48000
    >>> round(measure_level(0.5 * np.sin(2 * np.pi * 997 * t), 48000).rms.value, 2)
    -6.02
    """
    if len(signal) == 0:
        raise SignalError("There is nothing to measure: the take has no frames.")
    mean_square = float(np.mean(np.square(signal)))
    peak = float(np.max(np.abs(signal)))
    mean = float(np.mean(signal))
    if mean_square == 0:  # silence, or so near to it that the square is nothing in float64
        return _SILENCE

    segments = _segments(signal)
    return _level(
        mean_square,
        mean,
        np.mean(np.square(segments), axis=1),
        np.mean(segments, axis=1),
        np.max(np.abs(segments), axis=1),
        peak,
        true_peak_amplitude(signal),
    )


class RunningLevel:
    """Level of one channel whose samples come in blocks: the same as `measure_level` gives.

    Memory is bounded by a block.

    Parameters
    ----------
    frames : int
        How many will come in all.

    Examples
    --------
    >>> sine = np.sin(2 * np.pi * 997 * np.arange(48000) / 48000)
    >>> running = RunningLevel(48000)
    >>> for block in np.split(sine, 10):
    ...     running.feed(block)
    >>> round(running.finish().rms.value, 6) == round(measure_level(sine, 48000).rms.value, 6)
    True
    """

    def __init__(self, frames: int) -> None:
        self._frames = frames
        self._count, self._length = _segmentation(frames)
        self._position = 0
        self._squares = np.zeros(self._count + 1)  # the last one for frames that fill no segment
        self._sums = np.zeros(self._count + 1)
        self._peaks = np.zeros(self._count + 1)
        self._tail = np.empty(0)
        self._true_peak = 0.0

    def feed(self, signal: NDArray[np.float64]) -> None:
        """Take the next block, of shape (frames,)."""
        used = 0
        while used < len(signal):
            number = min(self._position // max(self._length, 1), self._count)
            end = (number + 1) * self._length if number < self._count else self._frames
            part = signal[used : used + max(1, end - self._position)]
            self._squares[number] += np.dot(part, part)
            self._sums[number] += np.sum(part)
            self._peaks[number] = max(self._peaks[number], part.max(), -part.min())
            used += len(part)
            self._position += len(part)
        known = np.concatenate([self._tail, signal])
        if len(known):
            self._true_peak = true_peak_amplitude(known, at_least=self._true_peak)
        # The filter reaches that far to either side: no moment between two blocks is left out.
        self._tail = known[-2 * _TAPS_PER_PHASE :]

    def finish(self) -> Level:
        """No more blocks: the level.

        Raises
        ------
        SignalError
            If more or fewer frames came than were announced, or none.
        """
        if self._position != self._frames or self._frames == 0:
            raise SignalError(
                f"{self._frames} frames were announced and {self._position} came: the audio "
                "cannot be measured; copy or record it again."
            )
        mean_square = float(np.sum(self._squares)) / self._frames
        if mean_square == 0:
            return _SILENCE
        return _level(
            mean_square,
            float(np.sum(self._sums)) / self._frames,
            self._squares[:-1] / self._length,
            self._sums[:-1] / self._length,
            self._peaks[:-1],
            float(np.max(self._peaks)),
            self._true_peak,
        )


def _level(
    mean_square: float,
    mean: float,
    powers: NDArray[np.float64],
    means: NDArray[np.float64],
    peaks: NDArray[np.float64],
    peak: float,
    true_peak: float,
) -> Level:
    """Level from the sums over the take and over each of its segments."""
    if len(powers) > 1:
        rms_uncertainty = float(np.std(powers, ddof=1) / np.sqrt(len(powers)))
        mean_uncertainty = float(np.std(means, ddof=1) / np.sqrt(len(means)))
        peak_uncertainty = NEPER_DB * float(np.std(peaks, ddof=1)) / peak
    else:  # too few frames to see any scatter: the value is known to its own size only
        rms_uncertainty, mean_uncertainty = mean_square, abs(mean)
        peak_uncertainty = NEPER_DB
    # Never an upper bound: the power of a take is a fact, only its scatter can be large.
    rms = Estimate(
        level(Estimate(mean_square, 0.0)).value, NEPER_DB / 2 * rms_uncertainty / mean_square
    )
    crest = float(ratio_to_db(peak / np.sqrt(mean_square)))
    return Level(
        rms=rms,
        peak=Estimate(float(ratio_to_db(peak)), peak_uncertainty),
        true_peak=Estimate(float(ratio_to_db(true_peak)), peak_uncertainty),
        crest_factor=Estimate(crest, float(np.hypot(peak_uncertainty, rms.uncertainty))),
        mean=Estimate(mean, mean_uncertainty),
    )


_SILENT = Estimate(-np.inf, 0.0)
_SILENCE = Level(_SILENT, _SILENT, _SILENT, Estimate(0.0, 0.0), Estimate(0.0, 0.0))


def true_peak_amplitude(signal: NDArray[np.float64], *, at_least: float = 0.0) -> float:
    """Largest magnitude of the waveform between the samples (full scale 1.0).

    The signal is interpolated `OVERSAMPLING` times with a windowed-sinc low-pass (Kaiser,
    90 dB). Next to the ends of the take, where a part of the waveform is not known, the samples
    themselves count. What is known beforehand to be reached, `at_least`, need not be looked for.
    """
    highest = max(at_least, float(signal.max()), -float(signal.min()))
    for start in range(1, len(signal) - _TAPS_PER_PHASE - 1, _BLOCK):
        highest = _highest_between(signal[start : start + _BLOCK + _TAPS_PER_PHASE - 1], highest)
    return highest


def _highest_between(signal: NDArray[np.float64], highest: float) -> float:
    """What is reached between samples around which the whole filter is known, or `highest`.

    Only the gaps in which more than `highest` may be reached are interpolated.
    """
    low_pass = _interpolation()
    gaps = len(signal) - _TAPS_PER_PHASE + 1
    tiles = -(-gaps // _TILE)
    bends = np.zeros((tiles + 1) * _TILE)  # the filter of a tile's gaps reaches over the next tile
    steps = np.diff(signal)
    np.abs(steps[1:] - steps[:-1], out=bends[: len(signal) - 2])
    sharpest = np.maximum.reduceat(bends, np.arange(0, len(bends), _TILE))
    sharpest = np.maximum(sharpest[:-1], sharpest[1:])
    least = (highest - low_pass.of_bends * sharpest) / low_pass.of_sample
    first = _TAPS_PER_PHASE // 2 - 1
    beside = np.abs(signal[first : first + gaps + 1])  # the samples to either side of the gaps
    high = np.maximum(beside[:-1], beside[1:]) > np.repeat(least, _TILE)[:gaps]
    chosen = np.flatnonzero(high)
    windows = sliding_window_view(signal, _TAPS_PER_PHASE)
    for first in range(0, len(chosen), _TOGETHER):
        values = windows[chosen[first : first + _TOGETHER]] @ low_pass.taps
        highest = max(highest, float(values.max()), -float(values.min()))
    return highest


@dataclass(frozen=True, slots=True)
class _Interpolation:
    """The low-pass between two samples, and a bound of what it can reach there.

    A line from sample to sample stays below the higher of the two. What is between the line and
    the waveform is a weighted sum of the second differences around, whose weights are those of
    the filter, less the line's, summed up twice.

    Parameters
    ----------
    taps : ndarray, shape (taps, phases)
        Weights of the samples around.
    of_sample, of_bends : float
        No phase reaches more than the first times the higher sample beside the gap, and the second
        times the largest second difference around.
    """

    taps: NDArray[np.float64]
    of_sample: float
    of_bends: float


@cache
def _interpolation() -> _Interpolation:
    from scipy.signal import firwin

    kernel = OVERSAMPLING * firwin(
        _TAPS_PER_PHASE * OVERSAMPLING + 1, 1 / OVERSAMPLING, window=("kaiser", 9.0)
    )
    # The newest sample comes last.
    taps = kernel[:-1].reshape(_TAPS_PER_PHASE, OVERSAMPLING)[::-1, 1:]
    last = _TAPS_PER_PHASE // 2 - 1  # before the gap
    rest = taps.copy()
    rest[last] -= 1 - np.arange(1, OVERSAMPLING) / OVERSAMPLING
    rest[last + 1] -= np.arange(1, OVERSAMPLING) / OVERSAMPLING
    # Of a constant, and of a ramp, the filter misses a little.
    constant = rest.sum(axis=0)
    ramp = (np.arange(_TAPS_PER_PHASE) - last) @ rest
    rest[last] -= constant - ramp
    rest[last + 1] -= ramp
    bends = np.abs(np.cumsum(np.cumsum(rest, axis=0), axis=0)).sum(axis=0)
    of_sample = 1 + np.abs(constant) + 2 * np.abs(ramp)
    rounding = 1 + 1e-12
    return _Interpolation(
        np.ascontiguousarray(taps), float(of_sample.max()) * rounding, float(bends.max()) * rounding
    )


def _segments(signal: NDArray[np.float64]) -> NDArray[np.float64]:
    count, length = _segmentation(len(signal))
    return signal[: count * length].reshape(count, length)


def _segmentation(frames: int) -> tuple[int, int]:
    """Number and length of the segments of a take."""
    count = SEGMENTS if frames >= 16 * SEGMENTS else 1
    return count, frames // count
