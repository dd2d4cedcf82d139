"""Level: RMS, sample peak, true peak, crest factor and mean of one channel."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import firwin, upfirdn

from sigbench.errors import SignalError
from sigbench.measure.estimate import Estimate, level
from sigbench.units import NEPER_DB, ratio_to_db

SEGMENTS = 24  # enough that s/sqrt(n) is itself known within 15 %
OVERSAMPLING = 8  # a tone at a quarter of the rate then reads at most 0.04 dB low
_TAPS_PER_PHASE = 48
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
        silent = Estimate(-np.inf, 0.0)
        return Level(silent, silent, silent, Estimate(0.0, 0.0), Estimate(0.0, 0.0))

    segments = _segments(signal)
    if len(segments) > 1:
        powers = np.mean(np.square(segments), axis=1)
        rms_uncertainty = float(np.std(powers, ddof=1) / np.sqrt(len(powers)))
        means = np.mean(segments, axis=1)
        mean_uncertainty = float(np.std(means, ddof=1) / np.sqrt(len(means)))
        peaks = np.max(np.abs(segments), axis=1)
        peak_uncertainty = NEPER_DB * float(np.std(peaks, ddof=1)) / peak
    else:  # too few frames to see any scatter: the value is known to its own size only
        rms_uncertainty, mean_uncertainty = mean_square, abs(mean)
        peak_uncertainty = NEPER_DB
    # Never an upper bound: the power of a take is a fact, only its scatter can be large.
    rms = Estimate(
        level(Estimate(mean_square, 0.0)).value, NEPER_DB / 2 * rms_uncertainty / mean_square
    )
    true_peak = true_peak_amplitude(signal)
    crest = float(ratio_to_db(peak / np.sqrt(mean_square)))
    return Level(
        rms=rms,
        peak=Estimate(float(ratio_to_db(peak)), peak_uncertainty),
        true_peak=Estimate(float(ratio_to_db(true_peak)), peak_uncertainty),
        crest_factor=Estimate(crest, float(np.hypot(peak_uncertainty, rms.uncertainty))),
        mean=Estimate(mean, mean_uncertainty),
    )


def true_peak_amplitude(signal: NDArray[np.float64]) -> float:
    """Largest magnitude of the waveform between the samples (full scale 1.0).

    The signal is interpolated `OVERSAMPLING` times with a windowed-sinc low-pass (Kaiser,
    90 dB), in blocks that overlap by the filter's length. Next to the ends of the take, where a
    part of the waveform is not known, the samples themselves count.
    """
    kernel = OVERSAMPLING * firwin(
        _TAPS_PER_PHASE * OVERSAMPLING + 1, 1 / OVERSAMPLING, window=("kaiser", 9.0)
    )
    highest = float(np.max(np.abs(signal)))
    edge = _TAPS_PER_PHASE * OVERSAMPLING  # outputs that reach beyond the block
    for start in range(0, len(signal) - 2 * _TAPS_PER_PHASE, _BLOCK):
        block = signal[start : start + _BLOCK + 2 * _TAPS_PER_PHASE]
        if np.max(np.abs(block)) * _overshoot(kernel) > highest:
            between = upfirdn(kernel, block, OVERSAMPLING)[edge:-edge]
            highest = max(highest, float(np.max(np.abs(between), initial=0.0)))
    return highest


def _overshoot(kernel: NDArray[np.float64]) -> float:
    """Largest factor by which interpolation can exceed the samples: worst phase's absolute sum."""
    return max(float(np.sum(np.abs(kernel[phase::OVERSAMPLING]))) for phase in range(OVERSAMPLING))


def _segments(signal: NDArray[np.float64]) -> NDArray[np.float64]:
    count = SEGMENTS if len(signal) >= 16 * SEGMENTS else 1
    length = len(signal) // count
    return signal[: count * length].reshape(count, length)
