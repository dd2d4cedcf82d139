"""Two channels against each other: level difference, polarity, delay and crosstalk.

All of it takes two signals of one take, so that whatever both channels share (drift, tremolo,
decay) cancels. The delay is positive when the right channel lags the left one.

References
----------
C. H. Knapp, G. C. Carter, "The generalized correlation method for estimation of time delay",
IEEE Trans. ASSP-24 (1976) 320-327: weighting by coherence and the bound of the delay's variance.
J. S. Bendat, A. G. Piersol, *Random Data* (4th ed., 2010), ch. 6 and 9: transfer function
between two records and its random error.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sigbench.errors import SignalError
from sigbench.measure.estimate import Estimate, decibels
from sigbench.measure.streaming import require_numbers
from sigbench.units import NEPER_DB

Signal = NDArray[np.float64]

MAX_DELAY_SECONDS = 0.05  # further apart, two outputs carry echoes; our own choice
MIN_SECONDS = 0.05  # below this nothing can be told of a pair
MIN_CORRELATION = 0.2  # peak of the correlation below which the channels share no signal
_SEGMENT_SECONDS = 0.1  # long against a period of the lowest notes, short against a take
_SHARED = 1 + 2 / 6  # half-overlapped Hann-weighted powers are correlated by 1/6
_PERIODIC = 0.9  # further correlation peaks this near to the highest: the signal repeats itself
_LEAKAGE = 1e-5  # power that leaks from the strongest bin: Hann side lobes beyond some ten bins
_DELAY_PASSES = 2
_FINEST_SAMPLES = 1e-4  # the cut ends of the take move the delay by less; by simulation
_BAND_HZ = (20.0, 20_000.0)  # AES17 band


@dataclass(frozen=True, slots=True)
class Unknown:
    """No answer, and the reason."""

    why: str

    def __bool__(self) -> Literal[False]:
        return False


@dataclass(frozen=True, slots=True)
class Alignment:
    """How the right channel follows the left one.

    Parameters
    ----------
    polarity : int
        +1, or -1 where one channel is inverted.
    delay : Estimate
        Seconds; positive when right lags left.
    ambiguous_period : float or None
        Seconds. A signal that repeats itself tells the delay only up to multiples of this; the
        one of least magnitude is given. Of a symmetrical wave (a sine, a square) it is the full
        period, and polarity and delay are the pair with the lesser delay.
    correlation : float
        Highest normalised correlation, 0 to 1.
    symmetrical : bool
        True where the wave, half a period later, is its own inverse, as a sine or a square is:
        then the other polarity with half a period more or less of delay fits as well.
    """

    polarity: int
    delay: Estimate
    ambiguous_period: float | None
    correlation: float
    symmetrical: bool = False


def _pair(left: Signal, right: Signal, samplerate: int) -> Unknown | None:
    """Why the two cannot be compared at all, or None."""
    if left.ndim != 1 or left.shape != right.shape:
        raise SignalError(
            f"Two channels of one length are compared, but these have shapes {left.shape}"
            f" and {right.shape}: take both from the same recording."
        )
    require_numbers(left)
    require_numbers(right)
    if len(left) < MIN_SECONDS * samplerate:
        return Unknown(f"the take is shorter than {MIN_SECONDS:g} s")
    for name, signal in (("left", left), ("right", right)):
        if np.ptp(signal) == 0.0:
            return Unknown(f"the {name} channel is silent")
    return None


def _segment_powers(signal: Signal, samplerate: int) -> NDArray[np.float64]:
    """Mean squares, less the mean, of half-overlapped segments of about 0.1 s; at least ten.

    The squares are weighted with a Hann window: cut square, a segment would count a broken cycle
    of the tone, and its level would depend on the phase.
    """
    frames = max(2, min(round(_SEGMENT_SECONDS * samplerate), len(signal) // 5))
    rows = np.lib.stride_tricks.sliding_window_view(signal, frames)[:: max(1, frames // 2)]
    window = np.hanning(frames + 2)[1:-1]
    window /= window.sum()
    means = rows @ window
    return np.asarray(np.square(rows) @ window - means**2)


def level_difference(left: Signal, right: Signal, samplerate: int) -> Estimate | Unknown:
    """Level of the left channel minus that of the right one, in dB.

    Parameters
    ----------
    left, right : ndarray of float, shape (frames,)
        Channels of one take.
    samplerate : int
        Frames a second.

    Returns
    -------
    Estimate or Unknown
        Ratio of the RMS values (without DC) in dB. The uncertainty is that of a ratio of two sums
        over simultaneous segments (Cochran, *Sampling Techniques*, 3rd ed. 1977, ch. 6), in which
        movement that both channels share cancels.

    Raises
    ------
    SignalError
        If the two have no same length, or a value is not finite.

    Examples
    --------
    >>> tone = np.sin(2 * np.pi * 997 * np.arange(48000) / 48000)
    >>> round(level_difference(tone, 0.5 * tone, 48000).value, 3)
    6.021
    """
    if (unknown := _pair(left, right, samplerate)) is not None:
        return unknown
    a, b = (_segment_powers(s, samplerate) for s in (left, right))
    ratio = a.sum() / b.sum()
    residual = a - ratio * b
    n = len(a)
    relative = np.sqrt(_SHARED * np.sum(residual**2) * n / (n - 1)) / a.sum()
    return Estimate(float(10 * np.log10(ratio)), float(NEPER_DB / 2 * relative))


def _cross_correlation(left: Signal, right: Signal, reach: int) -> NDArray[np.float64]:
    """Normalised correlation at lags -reach ... reach of right behind left."""
    from scipy.fft import irfft, next_fast_len, rfft

    size = next_fast_len(len(left) + reach + 1, real=True)
    cross = irfft(np.conj(rfft(left, size)) * rfft(right, size), size)
    lags = np.concatenate([cross[-reach:], cross[: reach + 1]])
    return lags / np.sqrt(np.dot(left, left) * np.dot(right, right))


def _peaks(height: NDArray[np.float64]) -> NDArray[np.intp]:
    inner = height[1:-1]
    return 1 + np.flatnonzero((inner > height[:-2]) & (inner >= height[2:]))


def _spectra(signal: Signal, frames: int) -> NDArray[np.complex128]:
    """Windowed spectra of half-overlapping segments, shape (segments, bins)."""
    from scipy.fft import rfft

    rows = np.lib.stride_tricks.sliding_window_view(signal, frames)[:: frames // 2]
    return np.asarray(rfft(rows * np.hanning(frames), axis=1), dtype=np.complex128)


def polarity_and_delay(left: Signal, right: Signal, samplerate: int) -> Alignment | Unknown:
    """Polarity and delay of the right channel against the left one.

    The highest peak of the cross-correlation gives polarity and whole frames, the slope of the
    cross-spectrum's phase, weighted by coherence, the fraction of a frame.

    Parameters
    ----------
    left, right : ndarray of float, shape (frames,)
        Channels of one take.
    samplerate : int
        Frames a second.

    Returns
    -------
    Alignment or Unknown
        Unknown where the channels share no signal. The delay's uncertainty is the Knapp-Carter
        bound for the coherence found.

    Raises
    ------
    SignalError
        If the two have no same length, or a value is not finite.

    Examples
    --------
    >>> noise = np.random.default_rng(1).standard_normal(48100)
    >>> found = polarity_and_delay(noise[48:], -noise[:-48], 48000)
    >>> found.polarity, round(1000 * found.delay.value, 4)
    (-1, 1.0)
    """
    if (unknown := _pair(left, right, samplerate)) is not None:
        return unknown
    left, right = left - left.mean(), right - right.mean()
    reach = min(round(MAX_DELAY_SECONDS * samplerate), len(left) // 4)
    correlation = _cross_correlation(left, right, reach)
    height = np.abs(correlation)
    peaks = _peaks(height)
    # White noise of this length correlates by 1/sqrt(n) at random, some five times that at most.
    least = max(MIN_CORRELATION, 5 / np.sqrt(len(left)))
    if len(peaks) == 0 or height[peaks].max() < least:
        return Unknown("the two channels share no signal")
    best = float(height[peaks].max())
    rivals = peaks[height[peaks] > _PERIODIC * best]
    # Where the delay shifts the overlap, peaks of a periodic signal fall slowly to both sides.
    peak = int(rivals[np.argmin(np.abs(rivals - reach))]) if len(rivals) > 1 else int(rivals[0])
    period = _period(left, reach, samplerate) if len(rivals) > 1 else None
    if period is None:
        peak = int(peaks[np.argmax(height[peaks])])
    polarity = 1 if correlation[peak] > 0 else -1
    whole = peak - reach
    fraction, uncertainty = _fine_delay(left, polarity * right, whole, samplerate)
    signs = np.sign(correlation[rivals])
    return Alignment(
        polarity,
        Estimate(whole / samplerate + fraction, uncertainty),
        period,
        float(height[peak]),
        symmetrical=period is not None and bool(signs.min() < signs.max()),
    )


def _period(signal: Signal, reach: int, samplerate: int) -> float | None:
    """Lag at which the signal first repeats itself, in seconds, or None."""
    repeats = _cross_correlation(signal, signal, reach)[reach:]
    peaks = _peaks(repeats)
    peaks = peaks[repeats[peaks] > _PERIODIC * (1 - peaks / len(signal))]
    if len(peaks) == 0:
        return None
    at = int(peaks[0])
    below, top, above = repeats[at - 1 : at + 2]
    return float((at + 0.5 * (below - above) / (below - 2 * top + above)) / samplerate)


def _fine_delay(left: Signal, right: Signal, whole: int, samplerate: int) -> tuple[float, float]:
    """Delay beyond `whole` frames in seconds, by the phase slope, and its uncertainty."""
    if whole >= 0:
        left, right = left[: len(left) - whole], right[whole:]
    else:
        left, right = left[-whole:], right[:whole]
    delay, bound = _phase_slope(left, right, samplerate)
    # A tone's phase is the same in all bins of its lobe, which pulls the slope towards zero, by
    # a third over the square of its cycles in a segment. Moved by what was found, little is left.
    step = delay
    for _ in range(_DELAY_PASSES):
        step, bound = _phase_slope(left, _advanced(right, delay, samplerate), samplerate)
        delay += step
    return delay, float(np.hypot(np.hypot(bound, step), _FINEST_SAMPLES / samplerate))


def _advanced(signal: Signal, seconds: float, samplerate: int) -> Signal:
    """The signal moved ahead by a fraction of a frame."""
    from scipy.fft import irfft, next_fast_len, rfft

    size = next_fast_len(len(signal) + 1, real=True)
    omega = 2 * np.pi * np.fft.rfftfreq(size, 1 / samplerate)
    moved = irfft(rfft(signal, size) * np.exp(1j * omega * seconds), size)
    return np.asarray(moved[: len(signal)])


def _phase_slope(left: Signal, right: Signal, samplerate: int) -> tuple[float, float]:
    """Delay in seconds by the slope of the cross-spectrum's phase, and its bound."""
    frames = min(2048, 2 * (len(left) // 16))
    a, b = _spectra(left, frames), _spectra(right, frames)
    auto_a, auto_b = (np.mean(np.abs(s) ** 2, axis=0) for s in (a, b))
    cross = np.mean(np.conj(a) * b, axis=0)
    f = np.fft.rfftfreq(frames, 1 / samplerate)
    band = (f >= _BAND_HZ[0]) & (f <= min(_BAND_HZ[1], 0.45 * samplerate))
    band &= (auto_a > 0) & (auto_b > 0)
    omega = 2 * np.pi * f[band]
    coherence = np.abs(cross[band]) ** 2 / (auto_a[band] * auto_b[band])
    # Bins that share nothing still show some coherence: a random one exceeds this by 1 in 10,000.
    independent = max(len(left) / frames, 2.0)
    coherence = np.minimum(coherence, 1 - 1e-12)  # rounding may exceed 1
    coherence[coherence < 1 - 1e-4 ** (1 / (independent - 1))] = 0.0
    # A strong partial leaks into all bins with its own phase: bins far below it count for little.
    power = np.sqrt(auto_a[band] * auto_b[band])
    weight = coherence / (1 - np.minimum(coherence, 1 - 1e-9) + _LEAKAGE * power.max() / power)
    phase = -np.angle(cross[band])  # of right behind left: omega times delay
    information = float(np.sum(weight * omega**2))
    if information <= 0.0:
        return 0.0, 1 / samplerate
    delay = float(np.sum(weight * omega * phase) / information)
    # A bin holds len/frames independent pairs; the phase of one has variance (1 - C)/(2 C).
    variance = (1 - coherence) / np.maximum(2 * coherence, 1e-12) * frames / len(left)
    uncertainty = np.sqrt(np.sum((weight * omega) ** 2 * variance)) / information
    return delay, float(uncertainty)


def crosstalk(
    driven: Signal, undriven: Signal, samplerate: int, frequency_hz: float
) -> Estimate | Unknown:
    """Level in the undriven channel at the driven frequency over that in the driven one, in dB.

    The driven channel's own tone, filtered out near `frequency_hz`, is the reference that the
    undriven one is compared with, segment by segment, so a drifting tone does no harm.

    Parameters
    ----------
    driven, undriven : ndarray of float, shape (frames,)
        Channels of one take, the tone in the first.
    samplerate : int
        Frames a second.
    frequency_hz : float
        Frequency of the tone, right within some hertz.

    Returns
    -------
    Estimate or Unknown
        dB, free of the noise's own power; an upper bound where the tone is not told from noise.

    Raises
    ------
    SignalError
        If the two have no same length, or a value is not finite.
    """
    if (unknown := _pair(driven, undriven, samplerate)) is not None:
        return Unknown(unknown.why.replace("left", "driven").replace("right", "undriven"))
    if not 0 < frequency_hz < samplerate / 2:
        return Unknown(f"{frequency_hz:g} Hz lies beyond what {samplerate} Hz can hold")
    a, b = (_tone_in_segments(s, samplerate, frequency_hz) for s in (driven, undriven))
    reference = float(np.sum(np.abs(a) ** 2))
    if reference <= 0.01 * float(np.sum((driven - driven.mean()) ** 2)) / len(driven) * len(a):
        return Unknown(f"the driven channel has no tone near {frequency_hz:g} Hz")
    transfer = np.sum(b * np.conj(a)) / reference
    residual = b - transfer * a
    n = len(a)
    variance = float(np.sum(np.abs(residual) ** 2)) / (n - 1) / reference  # of complex transfer
    power = float(np.abs(transfer) ** 2) - variance
    # |H + e|^2 scatters by 2 |H| Re(e), and by e itself where H is small.
    spread = np.sqrt(2 * max(power, 0.0) * variance + variance**2)
    return decibels(Estimate(power, float(spread)), 1.0)


def _tone_in_segments(
    signal: Signal, samplerate: int, frequency_hz: float
) -> NDArray[np.complex128]:
    """Complex amplitude near a frequency in successive Hann-weighted segments."""
    frames = min(round(_SEGMENT_SECONDS * samplerate), len(signal) // 10)
    rows = signal[: len(signal) // frames * frames].reshape(-1, frames)
    window = np.hanning(frames)
    t = np.arange(frames) / samplerate
    carrier = window * np.exp(-2j * np.pi * frequency_hz * t) / window.sum()
    rows = rows - rows.mean(axis=1, keepdims=True)
    return np.asarray(np.einsum("sf,f->s", rows, carrier))
