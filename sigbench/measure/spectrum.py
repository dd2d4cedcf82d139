"""Averaged power spectrum, its local noise floor, and the threshold a tone must stand above.

How to read it. `power` is scaled so that a steady sine on a bin reads its mean square there: its
level in dBFS is ``rms_to_dbfs(sqrt(power))``. Between bins a sine reads up to 0.83 dB low; the sum
of the bins of its main lobe (four each side), less the floor, divided by `noise_bandwidth_bins`,
is its mean square wherever it lies. `density` (mean square per hertz) is what noise is read from:
the mean square in a band is the sum of density times bin width, which `band_power` does, counting
the bins at the edges in part.

Sources: P. D. Welch, IEEE Trans. Audio Electroacoust. 15 (1967) 70–73 (averaging); F. J. Harris,
Proc. IEEE 66 (1978) 51–83 (the minimum 4-term window, side lobes below −92 dB).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage, special

from sigbench.errors import SignalError

Array = NDArray[np.float64]

WINDOW_COEFFICIENTS = (0.35875, 0.48829, 0.14128, 0.01168)  # Harris 1978, minimum 4-term
CORRELATED_BINS = 2.763  # N sum(w^4) / sum(w^2)^2: neighbouring bins share so much of their noise
LOBE_BINS = 4  # half width of the main lobe of a 4-term window: its first zero
SEGMENT_SECONDS = 2.0  # half-hertz bins: tones 5 Hz apart stand clear of each other's main lobe
SEGMENTS_WANTED = 3  # a take shorter than two whole segments is cut in three, at half overlap
MINIMUM_FRAMES = 64  # fewer leave no bins between the main lobes of DC and of a tone

# Running median: many times a main lobe (9 bins) wide. From a bin where that is still a small
# part of the frequency (1 kHz at 2 s) it is wide enough to pass over a tone that drifts.
FLOOR_BINS = 101
FLOOR_WIDE_BINS = 401
FLOOR_WIDE_FROM = 2000
FLOOR_MINIMUM_BINS = 31  # beside DC


@dataclass(frozen=True, slots=True, eq=False)
class Spectrum:
    """One-sided averaged power spectrum of one channel.

    Parameters
    ----------
    frequencies_hz : ndarray of float, shape (bins,)
        0 to half the sample rate, `bin_hz` apart.
    power : ndarray of float, shape (bins,)
        Mean square (full scale 1.0) of a sine on that bin.
    bin_hz : float
        Distance of two bins.
    noise_bandwidth_hz : float
        Equivalent noise bandwidth of a bin; `power` over it is the density of noise.
    averages : int
        Segments averaged. At half overlap of this window their powers are correlated by
        0.2 % only, so that each bin of Gaussian noise is chi-square with ``2 * averages``
        degrees of freedom.
    seconds : float
        Length of the audio behind it.
    """

    frequencies_hz: Array
    power: Array
    bin_hz: float
    noise_bandwidth_hz: float
    averages: int
    seconds: float

    @property
    def noise_bandwidth_bins(self) -> float:
        """Equivalent noise bandwidth of the window in bins."""
        return self.noise_bandwidth_hz / self.bin_hz

    @property
    def density(self) -> Array:
        """Mean square per hertz, shape (bins,)."""
        return self.power / self.noise_bandwidth_hz

    def band_power(self, low_hz: float, high_hz: float) -> float:
        """Mean square between two frequencies."""
        return float(self.density @ band_widths(self.frequencies_hz, low_hz, high_hz))


def power_spectrum(
    signal: Array, samplerate: int, *, segment_seconds: float = SEGMENT_SECONDS
) -> Spectrum:
    """Averaged power spectrum of one channel, the mean of the take removed.

    Parameters
    ----------
    signal : ndarray of float, shape (frames,)
        Full scale is -1.0 to 1.0.
    samplerate : int
        Frames a second.
    segment_seconds : float
        Length of the segments, and so one over the bin width; a short take has shorter ones.

    Raises
    ------
    SignalError
        If there are fewer than 64 frames, or a sample is not a number.
    """
    segments = Segments.of(signal, samplerate, segment_seconds)
    total = np.zeros(segments.length // 2 + 1)
    for power in segments.powers():
        total += power
    return segments.spectrum(total / segments.count)


@dataclass(frozen=True, slots=True, eq=False)
class Segments:
    """A take cut in windowed, half-overlapping segments; their spectra one after the other."""

    signal: Array
    samplerate: int
    length: int
    count: int

    @classmethod
    def of(cls, signal: Array, samplerate: int, seconds: float) -> "Segments":
        """Cut a take; see `power_spectrum` for parameters and errors."""
        signal = require_signal(signal, samplerate)
        frames = len(signal)
        shortened = 2 * frames // (SEGMENTS_WANTED + 1)
        length = min(max(round(seconds * samplerate), MINIMUM_FRAMES), shortened)
        length = max(length - length % 2, MINIMUM_FRAMES // 2)
        count = 1 + (frames - length) // (length // 2)
        return cls(without_mean(signal), samplerate, length, count)

    def powers(self) -> Iterator[Array]:
        """Power spectrum of each segment, shape (bins,), scaled as `Spectrum.power`."""
        window = cosine_window(self.length)
        scale = 2 / window.sum() ** 2
        # Spread evenly, so that the end of the take counts as much as its start.
        for start in np.linspace(0, len(self.signal) - self.length, self.count).astype(int):
            lines = fft.rfft(window * self.signal[start : start + self.length])
            power = scale * (lines.real**2 + lines.imag**2)
            power[0] /= 2
            power[-1] /= 2
            yield power

    def spectrum(self, power: Array, averages: int | None = None) -> Spectrum:
        """A spectrum of these segments from a mean of their powers."""
        window = cosine_window(self.length)
        bin_hz = self.samplerate / self.length
        return Spectrum(
            frequencies_hz=np.arange(len(power), dtype=np.float64) * bin_hz,
            power=power,
            bin_hz=bin_hz,
            noise_bandwidth_hz=float(self.samplerate * np.sum(window**2) / np.sum(window) ** 2),
            averages=averages or self.count,
            seconds=len(self.signal) / self.samplerate,
        )


def noise_floor(spectrum: Spectrum, *, ignore: NDArray[np.bool_] | None = None) -> Array:
    """Power of the noise under each bin: running median, corrected for the median's bias.

    Parameters
    ----------
    spectrum : Spectrum
    ignore : ndarray of bool, shape (bins,), optional
        Bins known to hold a tone; they take no part.

    Returns
    -------
    ndarray of float, shape (bins,)
        Scaled as `Spectrum.power`. A median passes over tones and follows a slope; near DC the
        window narrows, so that it stays centred.
    """
    power = spectrum.power
    floor = _running_median(power)
    if ignore is not None and ignore.any():
        # A bin that equals the median moves it neither way.
        floor = _running_median(np.where(ignore, floor, power))
    averages = spectrum.averages
    # Median of a mean of exponentials (chi-square with 2K degrees of freedom over 2K).
    bias = special.gammaincinv(averages, 0.5) / averages
    return floor / bias


def detection_threshold(
    spectrum: Spectrum, *, false_alarm_rate: float, bins: int | None = None
) -> Array:
    """How many times the noise floor a bin must read before it is called a tone.

    The ratio of a bin to the floor beside it follows an F distribution for Gaussian noise: the
    bin has two degrees of freedom for each average, the floor those of the bins under its median.

    Parameters
    ----------
    spectrum : Spectrum
    false_alarm_rate : float
        Greatest chance of calling any of the `bins` of a take without tones a tone.
    bins : int, optional
        Bins that are searched (Bonferroni's correction); all of them by default.

    Returns
    -------
    ndarray of float, shape (bins,)
        Ratio of powers; multiply by `noise_floor`.
    """
    averages = spectrum.averages
    chance = false_alarm_rate / (bins or len(spectrum.power))
    # Variance of a mean of chi-square values over that of their median (asymptotic).
    median = special.gammaincinv(averages, 0.5)
    density = np.exp(averages * np.log(median) - median - special.gammaln(averages))
    efficiency = 4 * density**2 / averages
    floor_averages = averages * efficiency * _floor_widths(len(spectrum.power)) / CORRELATED_BINS
    values, index = np.unique(floor_averages, return_inverse=True)
    tail = special.betaincinv(values, averages, chance)
    return (values * (1 - tail) / (averages * tail))[index]


def band_widths(frequencies_hz: Array, low_hz: float, high_hz: float) -> Array:
    """Part of each bin's width, in hertz, that lies in a band; shape (bins,)."""
    half = (frequencies_hz[1] - frequencies_hz[0]) / 2
    top = frequencies_hz[-1]  # the last bin, at half the rate, is half a bin wide; so is DC
    lower = np.maximum(np.maximum(frequencies_hz - half, 0), low_hz)
    upper = np.minimum(np.minimum(frequencies_hz + half, top), high_hz)
    return np.maximum(upper - lower, 0)


def cosine_window(length: int) -> Array:
    """The minimum 4-term window of Harris (periodic), shape (length,)."""
    c = np.cos(2 * np.pi * np.arange(length) / length)
    a0, a1, a2, a3 = WINDOW_COEFFICIENTS
    # Of twice and three times the angle: 2 c² - 1, and 4 c³ - 3 c.
    return (a0 - a2) + c * ((3 * a3 - a1) + c * (2 * a2 - c * (4 * a3)))


def require_signal(signal: Array, samplerate: int) -> Array:
    """The signal as float64 of shape (frames,), or one clear sentence why it is none."""
    signal = np.asarray(signal, dtype=np.float64)
    if signal.ndim != 1:
        raise SignalError(
            f"Samples of shape {signal.shape} are not one channel: pass one channel at a time."
        )
    if len(signal) < MINIMUM_FRAMES:
        raise SignalError(
            f"The take has {len(signal)} frame(s) at {samplerate} Hz, and its noise needs at "
            f"least {MINIMUM_FRAMES}: record a longer one."
        )
    if not np.isfinite(signal).all():
        raise SignalError(
            f"{np.count_nonzero(~np.isfinite(signal))} sample(s) are not finite numbers: "
            "the file is damaged, record or export it again."
        )
    return signal


def without_mean(signal: Array) -> Array:
    """The signal with its mean removed; a constant one becomes zero exactly."""
    if np.ptp(signal) == 0:
        return np.zeros_like(signal)
    return signal - signal.mean()


def _floor_widths(count: int) -> NDArray[np.int_]:
    """Bins under the median at each bin: fewer towards DC, where the window stays centred."""
    bins = np.arange(count)
    all_bins = count - 1 + count % 2
    wanted = np.where(bins < FLOOR_WIDE_FROM, FLOOR_BINS, FLOOR_WIDE_BINS)
    centred = np.maximum(2 * (bins - LOBE_BINS) + 1, FLOOR_MINIMUM_BINS)
    return np.minimum(np.minimum(wanted, centred), all_bins)


def _running_median(power: Array) -> Array:
    """Running median with the widths of `_floor_widths`, mirrored at both ends."""
    widths = _floor_widths(len(power))
    # The bins of DC, whose removal left a hole, count as their neighbours above.
    filled = power.copy()
    filled[:LOBE_BINS] = power[2 * LOBE_BINS - 1 : LOBE_BINS - 1 : -1]
    floor = np.empty_like(power)
    reach = int(widths.max())
    mirrored = np.pad(filled, reach, mode="symmetric")
    for width in np.unique(widths):
        own = np.flatnonzero(widths == width)
        if len(own) == 1:  # as near DC, where a filter's overhead is many times its work
            (at,) = own
            under = mirrored[at + reach - width // 2 :][:width]
            floor[at] = np.partition(under, width // 2)[width // 2]
            continue
        # A window's reach beyond its own bins is enough to filter.
        start = max(int(own[0]) - width, 0)
        stretch = filled[start : own[-1] + width + 1]
        floor[own] = ndimage.median_filter(stretch, size=int(width), mode="reflect")[own - start]
    return floor
