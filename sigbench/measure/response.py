"""Frequency response from many steady tones at once, and the corners where it falls by 3 dB."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal.windows import blackmanharris

from sigbench.errors import RequestError, SignalError
from sigbench.measure.estimate import Estimate
from sigbench.measure.phasor import line_sums
from sigbench.units import NEPER_DB, ratio_to_db

REFERENCE_HZ = 1000.0
CORNER_DB = 3.0103  # half the power
LOWEST_HZ = 5.0
HIGHEST_SHARE = 0.45  # of the sample rate: just below a converter's own filter
LINES_PER_OCTAVE = 3
SECONDS = 6.0  # so that the lowest tones are told apart: see `response`
PEAK_DBFS = -6.0

LOBE_BINS = 4.0  # half width of the main lobe of the 4-term Blackman-Harris window
_NENBW = 2.0044  # bins (Heinzel, Ruediger, Schilling 2002)
_SLOPE_HZ = 200.0  # a coupling capacitor shows below this, no crossover or tone control does
_ORDER_SHARE = 0.1  # of the corner: one section or two of the same kind, worked out below
_UPPER_BOUND_SIGMAS = 1.645  # one-sided 95 %
_FLAT_DB = 1e-3  # side lobes of the neighbours, -92 dB each
_GRID_SHARE = 0.01  # of a corner between two tones: the response is no straight line there


@dataclass(frozen=True, slots=True)
class Response:
    """How strongly each frequency passes, and where it has fallen by 3 dB.

    Parameters
    ----------
    frequencies : tuple of float
        Hz.
    levels : tuple of Estimate
        dB re 1 kHz.
    low_corner : Estimate
        Hz; an upper bound where no fall is seen.
    high_corner : Estimate or None
        Hz; None where it has not fallen by 3 dB at the highest tone.
    """

    frequencies: tuple[float, ...]
    levels: tuple[Estimate, ...]
    low_corner: Estimate
    high_corner: Estimate | None


def tones_for(samplerate: int) -> tuple[float, ...]:
    """Frequencies in Hz, a third of an octave apart about 1 kHz, that `response` can tell apart."""
    top = HIGHEST_SHARE * samplerate
    steps = range(
        math.ceil(LINES_PER_OCTAVE * math.log2(LOWEST_HZ / REFERENCE_HZ)),
        math.floor(LINES_PER_OCTAVE * math.log2(top / REFERENCE_HZ)) + 1,
    )
    return (*(REFERENCE_HZ * 2 ** (k / LINES_PER_OCTAVE) for k in steps), top)


def multitone(
    samplerate: int, frequencies: Sequence[float], *, seconds: float
) -> NDArray[np.float64]:
    """Tones of one level together, shape (frames,), peaking at `PEAK_DBFS`.

    The phases grow with the square of the number of the tone, which keeps the peaks low
    (M. R. Schroeder, IEEE Trans. Inf. Theory 16, 1970, for a flat spectrum).
    """
    if not frequencies:
        raise RequestError("A response needs tones: give at least one frequency.")
    time = np.arange(round(seconds * samplerate)) / samplerate
    count = len(frequencies)
    signal = np.zeros(len(time))
    for k, frequency in enumerate(frequencies):
        signal += np.cos(2 * np.pi * frequency * time - np.pi * k * k / count)
    return signal * (10 ** (PEAK_DBFS / 20) / float(np.max(np.abs(signal))))


def response(
    signal: NDArray[np.float64],
    samplerate: int,
    frequencies: Sequence[float],
    *,
    clock_ratio: float = 1.0,
) -> Response:
    """The response of what a `multitone` has gone through.

    Parameters
    ----------
    signal : ndarray of float, shape (frames,)
        Recorded while all tones sounded steadily.
    frequencies : sequence of float
        Hz, as they were played; tones of one level.
    clock_ratio : float
        Frequency recorded over frequency played, where the two clocks differ.

    Raises
    ------
    SignalError
        If the take is too short to tell the tones apart, or has no tone near 1 kHz.

    Notes
    -----
    Each tone is one bin of a discrete Fourier transform at its own frequency under a 4-term
    Blackman-Harris window (side lobes -92 dB), whose noise is taken from half-way to its
    neighbours.
    """
    frames = len(signal)
    tones = np.asarray(frequencies) * clock_ratio
    lobe = LOBE_BINS * samplerate / frames
    if (len(tones) > 1 and float(np.min(np.diff(tones))) < lobe) or tones[0] < lobe / 2:
        raise SignalError(
            f"{frames / samplerate:.1f} s are too short to tell the lowest tones apart: "
            f"record {SECONDS:g} s."
        )
    window = blackmanharris(frames, sym=False)
    window /= window.sum() / 2
    windowed = window * (signal - signal.mean())
    # Noise beside each tone: two lobes away, where no neighbour reaches.
    places = np.concatenate([tones, tones - 1.6 * lobe, tones + 1.6 * lobe])
    amplitudes, *beside = np.split(np.abs(line_sums(windowed, places / samplerate)), 3)
    clear = [_is_clear(tones, f, 1.6 * lobe, lobe, samplerate) for f in tones]
    noise = np.where(clear, np.sqrt(np.mean(np.square(beside), axis=0)), 0.0)
    density = np.median(noise[noise > 0]) if np.any(noise > 0) else 0.0
    noise = np.maximum(noise, density)
    at = int(np.argmin(np.abs(np.log(tones / REFERENCE_HZ))))
    if amplitudes[at] < 5 * noise[at] or amplitudes[at] == 0:
        raise SignalError("The tones do not come back: check the loopback cable, and the gain.")
    u = NEPER_DB * noise / np.maximum(amplitudes, 1e-30) / np.sqrt(2)
    levels = np.maximum(ratio_to_db(amplitudes / amplitudes[at]), -300.0)
    u = np.hypot(u, u[at]) + _FLAT_DB
    estimates = tuple(Estimate(float(v), float(s)) for v, s in zip(levels, u, strict=True))
    return Response(
        tuple(map(float, frequencies)),
        estimates,
        low_corner(frequencies, estimates),
        high_corner(frequencies, estimates),
    )


def _is_clear(
    tones: NDArray[np.float64], tone: float, distance: float, lobe: float, samplerate: int
) -> bool:
    """Whether no other tone reaches to either side of one at that distance."""
    for place in (tone - distance, tone + distance):
        if not lobe < place < samplerate / 2 - lobe or np.min(np.abs(tones - place)) < lobe:
            return False
    return True


def low_corner(frequencies: Sequence[float], levels: Sequence[Estimate]) -> Estimate:
    """Where the response has fallen by 3 dB towards low frequencies, in Hz.

    Where the lowest tone has fallen by less, the corner is worked out from how far it has, as for
    one RC section, level = -10 log10(1 + (corner/f)^2): textbook. Two equal sections would make it
    a tenth higher, which its uncertainty allows for. Where nothing has fallen it is a bound.
    """
    lows = [(f, e) for f, e in zip(frequencies, levels, strict=True) if f <= REFERENCE_HZ]
    crossing = _crossing(lows[::-1])
    if crossing is not None:
        return crossing
    below = [(f, e) for f, e in lows if f <= _SLOPE_HZ]
    falls = np.array([10 ** (-e.value / 10) - 1 for _, e in below])
    spread = np.array([10 ** (-e.value / 10) * 2 * e.uncertainty / NEPER_DB for _, e in below])
    squares = np.array([f * f for f, _ in below])
    weights = 1 / np.maximum(squares * spread, 1e-30) ** 2
    square = float(np.sum(weights * squares * falls) / np.sum(weights))
    u_square = float(1 / np.sqrt(np.sum(weights)))
    if square < 2 * u_square:
        bound = math.sqrt(max(square, 0.0) + _UPPER_BOUND_SIGMAS * u_square)
        return Estimate(bound, bound / 2, upper_bound=True)
    corner = math.sqrt(square)
    return Estimate(corner, math.hypot(u_square / (2 * corner), _ORDER_SHARE * corner))


def high_corner(frequencies: Sequence[float], levels: Sequence[Estimate]) -> Estimate | None:
    """Where the response has fallen by 3 dB towards high frequencies, in Hz; None if nowhere."""
    return _crossing(
        [(f, e) for f, e in zip(frequencies, levels, strict=True) if f >= REFERENCE_HZ]
    )


def _crossing(course: Sequence[tuple[float, Estimate]]) -> Estimate | None:
    """Where a course that leads away from 1 kHz first falls by 3 dB; None if it does not.

    Between the tones the course is a monotone cubic over the logarithm of the frequency
    (F. N. Fritsch and R. E. Carlson, SIAM J. Numer. Anal. 17, 1980).
    """
    fallen = next((k for k, (_, e) in enumerate(course) if e.value < -CORNER_DB), None)
    if not fallen:
        return None
    from scipy.interpolate import PchipInterpolator
    from scipy.optimize import brentq

    place = np.log([f for f, _ in course])
    sign = np.sign(place[-1] - place[0])
    level = PchipInterpolator(sign * place, [e.value for _, e in course])
    ends = sign * place[fallen - 1], sign * place[fallen]
    at = float(brentq(lambda x: float(level(x)) + CORNER_DB, *ends))
    corner = math.exp(sign * at)
    u = course[fallen - 1][1].uncertainty + course[fallen][1].uncertainty
    slope = abs(float(level.derivative()(at)))
    return Estimate(corner, corner * math.hypot(u / max(slope, 1e-6), _GRID_SHARE))
