"""Level: RMS, sample peak, true peak, crest factor and mean of one channel."""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.signal import firwin

from sigbench.errors import SignalError
from sigbench.measure.estimate import Estimate, level
from sigbench.units import NEPER_DB, ratio_to_db

SEGMENTS = 24  # enough that s/sqrt(n) is itself known within 15 %
OVERSAMPLING = 8  # a tone at a quarter of the rate then reads at most 0.04 dB low
_TAPS_PER_PHASE = 48
_TILE = 32  # samples whose interpolation is one product of matrices
_BLOCK = 1 << 18  # frames oversampled at once, to bound memory


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
            self._squares[number] += np.sum(np.square(part))
            self._sums[number] += np.sum(part)
            self._peaks[number] = max(self._peaks[number], np.max(np.abs(part)))
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
    90 dB), in blocks that overlap by the filter's length. Next to the ends of the take, where a
    part of the waveform is not known, the samples themselves count. What is known beforehand to
    be reached, `at_least`, need not be looked for.
    """
    kernel, between = _interpolation()
    highest = max(at_least, float(np.max(np.abs(signal))))
    overshoot = _overshoot(kernel)
    for start in range(0, len(signal) - 2 * _TAPS_PER_PHASE, _BLOCK):
        block = signal[start : start + _BLOCK + 2 * _TAPS_PER_PHASE]
        if np.max(np.abs(block)) * overshoot <= highest:
            continue
        gaps = len(block) - 1 - _TAPS_PER_PHASE  # between two samples, with the whole filter known
        tiles = -(-gaps // _TILE)
        padded = np.zeros(tiles * _TILE + _TAPS_PER_PHASE)
        padded[: len(block) - 1] = block[:-1]
        windows = sliding_window_view(padded, _TILE + _TAPS_PER_PHASE)[::_TILE]
        values = np.ascontiguousarray(windows) @ between
        values = values.reshape(-1, OVERSAMPLING - 1)[:gaps]
        highest = max(highest, float(values.max()), -float(values.min()))
    return highest


@cache
def _interpolation() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The low-pass, and the matrix that gives all values between the samples of a tile."""
    kernel = OVERSAMPLING * firwin(
        _TAPS_PER_PHASE * OVERSAMPLING + 1, 1 / OVERSAMPLING, window=("kaiser", 9.0)
    )
    between = np.zeros((_TILE + _TAPS_PER_PHASE, _TILE, OVERSAMPLING - 1))
    for phase in range(1, OVERSAMPLING):
        taps = kernel[phase::OVERSAMPLING][::-1]  # the newest sample comes last
        for place in range(_TILE):
            between[place + 1 : place + 1 + len(taps), place, phase - 1] = taps
    return kernel, between.reshape(_TILE + _TAPS_PER_PHASE, -1)


def _overshoot(kernel: NDArray[np.float64]) -> float:
    """Largest factor by which interpolation can exceed the samples: worst phase's absolute sum."""
    return max(float(np.sum(np.abs(kernel[phase::OVERSAMPLING]))) for phase in range(OVERSAMPLING))


def _segments(signal: NDArray[np.float64]) -> NDArray[np.float64]:
    count, length = _segmentation(len(signal))
    return signal[: count * length].reshape(count, length)


def _segmentation(frames: int) -> tuple[int, int]:
    """Number and length of the segments of a take."""
    count = SEGMENTS if frames >= 16 * SEGMENTS else 1
    return count, frames // count
