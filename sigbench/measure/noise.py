"""Noise level of one channel: unweighted 20 Hz–20 kHz, A-weighted, and BS.468-4 quasi-peak.

All three are in dBFS (AES17: a full-scale sine reads 0 dBFS), and a steady 1 kHz sine reads the
same in each. Hum and other tones are part of the noise, as the standards have it.
"""

import numpy as np
from numpy.typing import NDArray
from scipy import special

from sigbench.measure.estimate import Estimate, mean_of_segments
from sigbench.measure.quasi_peak import RATE_HZ, QuasiPeakMeter
from sigbench.measure.spectrum import Segments, band_widths, require_signal, without_mean
from sigbench.measure.weighting import a_weighting, bs468_weighting, weight, weighted_blocks
from sigbench.units import FULL_SCALE_SINE_RMS, NEPER_DB, power_ratio_to_db, rms_to_dbfs

Array = NDArray[np.float64]

BAND_HZ = (20.0, 20_000.0)  # AES17: the audio band
LOW_PASS_END_HZ = 22_000.0  # the A reading is flat to 20 kHz and hears nothing above this

# Segments as long as 2 s tell 20 Hz from the drift below it; at least seven of them give the
# scatter some degrees of freedom; below 0.4 s their 10 Hz wide bins blur the lower edge.
SEGMENT_SECONDS = (0.4, 2.0)
SEGMENTS = 4
BLOCKS = 8  # least number of parts whose weighted powers are compared

A_SETTLING_SECONDS = 0.15  # start left out: e^(-129.4 t) of the double pole is down 168 dB
RINGING_SECONDS = 0.01  # end left out: the edge at 20 to 22 kHz rings for a few milliseconds
FADE_SECONDS = 0.01  # a take that begins on a hum would click in the BS.468 network
EDGE_SHARE = 0.25  # of a short take, at most this much is left out or faded at each end

QUASI_PEAK_SECONDS = 3.0  # by then the indication has risen fully; shorter takes are repeated
MAXIMA_SECONDS = 0.5  # highest indications are compared over parts of this length
# Reading of the meter on a steady 1 kHz sine of RMS value 1, weighting included.
QUASI_PEAK_1KHZ = 0.80551


def noise_band(samplerate: int) -> tuple[float, float]:
    """Lower and upper edge in Hz of the unweighted band: 20 Hz to 20 kHz or half the rate."""
    return BAND_HZ[0], min(BAND_HZ[1], samplerate / 2)


def noise_level(signal: Array, samplerate: int) -> Estimate:
    """Unweighted noise in dBFS between 20 Hz and 20 kHz (or half the sample rate).

    Parameters
    ----------
    signal : ndarray of float, shape (frames,)
        Full scale is -1.0 to 1.0.
    samplerate : int
        Frames a second.

    Returns
    -------
    Estimate
        In dBFS; the uncertainty from the scatter of segments. Digital silence, or nothing but
        DC, is ``-inf`` with uncertainty 0.

    Raises
    ------
    SignalError
        If there are fewer than 64 frames, or a sample is not a number.

    Notes
    -----
    AES17 (band and level scale). Windowed segments keep the drift below 20 Hz out of the band;
    a take shorter than about a second has segments too short to do so sharply.
    """
    signal = require_signal(signal, samplerate)
    segments = Segments.of(signal, samplerate, _segment_seconds(len(signal) / samplerate))
    powers = np.empty(segments.count)
    widths = None
    for number, power in enumerate(segments.powers()):
        if widths is None:
            shape = segments.spectrum(power)
            widths = band_widths(shape.frequencies_hz, *noise_band(samplerate))
            widths /= shape.noise_bandwidth_hz
        powers[number] = power @ widths
    return level_of_parts(powers)


def noise_level_a(signal: Array, samplerate: int) -> Estimate:
    """A-weighted noise in dBFS.

    Parameters, errors and uncertainty as `noise_level`.

    Notes
    -----
    IEC 61672-1:2013, Annex E. The weighting itself bounds the band at the lower end; at the upper
    end the band ends between 20 and 22 kHz, so that takes of different rates compare (AES17).
    """
    weighted = weight(without_mean(require_signal(signal, samplerate)), samplerate, _a_in_band)
    start = _edge(len(weighted), samplerate, A_SETTLING_SECONDS)
    end = _edge(len(weighted), samplerate, RINGING_SECONDS)
    return level_of_parts(_block_powers(weighted[start : len(weighted) - end], samplerate))


def noise_level_468(signal: Array, samplerate: int) -> Estimate:
    """ITU-R BS.468-4 noise in dBFS: its weighting, and the highest quasi-peak indication.

    A steady 1 kHz sine reads its RMS level. Parameters and errors as `noise_level`.

    Returns
    -------
    Estimate
        In dBFS. The uncertainty says how well a further take of the same noise and length would
        repeat the reading.

    Notes
    -----
    ITU-R BS.468-4, Annex 1. The indication of a take shorter than 3 s would not have risen fully;
    such a take is repeated until it has.

    The highest of the parts' maxima scatters at most as each of them does (the Gumbel
    distribution, the limit for maxima, keeps its scale), so their scatter is the uncertainty.
    """
    signal = _faded(without_mean(require_signal(signal, samplerate)), samplerate)
    oversampling = int(np.ceil(RATE_HZ / samplerate))
    rate = samplerate * oversampling
    meter = QuasiPeakMeter(rate)
    blocks = weighted_blocks(signal, samplerate, bs468_weighting, oversampling)
    if len(signal) < QUASI_PEAK_SECONDS * samplerate:
        fade = oversampling * _edge(len(signal), samplerate, FADE_SECONDS)
        weighted = np.concatenate(list(blocks))
        weighted = weighted[fade : len(weighted) - fade]
        rising = int(np.ceil(QUASI_PEAK_SECONDS * rate / len(weighted)))
        risen = meter.feed(np.tile(weighted, rising + 1))[rising * len(weighted) :]
        highest = float(risen.max())
        level_scatter = level_of_parts(_block_powers(weighted, rate)).uncertainty
        scatter = float(np.hypot(level_scatter, _relative_db(float(np.std(risen)), highest)))
    else:
        maxima = np.concatenate([_maxima(meter.feed(block), rate) for block in blocks])
        highest = float(maxima.max())
        risen = maxima[1:]  # during the first the indication was still rising
        spread = float(np.std(risen, ddof=1)) * student_factor(len(risen) - 1)
        scatter = _relative_db(spread, highest)
    return Estimate(float(rms_to_dbfs(highest / QUASI_PEAK_1KHZ)), scatter)


def level_of_parts(powers: Array) -> Estimate:
    """Mean of the parts' mean squares as a level in dBFS, with the scatter of the parts.

    The spread is widened by Student's t, so that plus and minus two of it cover 95 % with few
    parts too (GUM, JCGM 100:2008, G.3). Noise is never below zero, so its level is no upper
    bound, however uneven the parts are.
    """
    mean = mean_of_segments(powers)
    if mean.value == 0:
        return Estimate(-np.inf, 0.0)
    relative = mean.uncertainty * student_factor(len(powers) - 1) / mean.value
    level = power_ratio_to_db(mean.value / FULL_SCALE_SINE_RMS**2)
    return Estimate(float(level), float(NEPER_DB / 2 * relative))


def student_factor(freedom: int) -> float:
    """Two-sided 95 % point of Student's t over that of the normal distribution."""
    return float(special.stdtrit(freedom, 0.975) / special.ndtri(0.975))


def _segment_seconds(seconds: float) -> float:
    shortest, longest = SEGMENT_SECONDS
    return min(max(seconds / SEGMENTS, shortest), longest)


def _block_powers(weighted: Array, samplerate: int) -> Array:
    """Mean square of each of at least eight parts of a weighted signal, shape (parts,)."""
    count = max(BLOCKS, int(len(weighted) / samplerate / SEGMENT_SECONDS[1]))
    length = len(weighted) // count
    blocks = weighted[: count * length].reshape(count, length)
    return np.einsum("ij,ij->i", blocks, blocks) / length


def _maxima(indication: Array, rate: int) -> Array:
    """Highest indication in each half second or so, shape (parts,)."""
    parts = max(1, round(len(indication) / rate / MAXIMA_SECONDS))
    return np.array([part.max() for part in np.array_split(indication, parts)])


def _relative_db(spread: float, value: float) -> float:
    return float(NEPER_DB * spread / value) if value > 0 else 0.0


def _edge(frames: int, samplerate: int, seconds: float) -> int:
    """Frames in so many seconds, but no more than a share of the take."""
    return min(round(seconds * samplerate), int(EDGE_SHARE * frames))


def _faded(signal: Array, samplerate: int) -> Array:
    """The signal with its first and last 10 ms faded."""
    length = _edge(len(signal), samplerate, FADE_SECONDS)
    rise = np.sin(np.linspace(0, np.pi / 2, length)) ** 2
    signal = signal.copy()
    signal[:length] *= rise
    signal[len(signal) - length :] *= rise[::-1]
    return signal


def _a_in_band(frequency_hz: Array) -> NDArray[np.complex128]:
    start, end = BAND_HZ[1], LOW_PASS_END_HZ
    position = np.clip((frequency_hz - start) / (end - start), 0, 1)
    return a_weighting(frequency_hz) * (1 + np.cos(np.pi * position)) / 2
