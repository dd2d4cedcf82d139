"""The fundamental of a note, followed as it drifts: phase, envelope, frequency and level.

The model is ``x(t) = Re(c(t) exp(i phase(t))) + rest`` with a complex envelope ``c`` made of
quintic B-splines, so slow that it follows drift and decay but not noise, hum or harmonics. It is
fitted by least squares over the whole take. For a steady tone this is the sine fit of IEEE Std
1057; for a free-running oscillator it keeps drift from being taken for noise.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline, CubicSpline
from scipy.linalg import solveh_banded

from sigbench.measure.estimate import Estimate
from sigbench.measure.phasor import rotations
from sigbench.measure.spectrum import (
    FLOOR_BINS,
    LOBE_BINS,
    Spectrum,
    noise_floor,
    power_spectrum,
)
from sigbench.units import NEPER_DB, rms_to_dbfs

KNOT_SECONDS = 0.04  # the envelope follows changes up to about 12 Hz: drift, vibrato, tremolo
KNOT_CYCLES = 8.0  # and needs some cycles between knots to be told from the harmonics
DRIFT_SEGMENTS = (80, 40, 20, 10)  # the finest whose noise is small beside the drift is used
LEVEL_SEGMENTS = 16
PULL_CENTS = 100.0  # how far from its mean the pitch may wander and still be followed

KNOT_SNR = 30.0  # power ratio in the envelope's bandwidth that a phase is safely unwrapped at

# Lines beside the fundamental that are followed and taken out with it.
RISE_CYCLES = 4.0
RISE_SHARE = 0.05  # of the take
FAINT = 1e-6  # power ratio, -60 dB: what leaks from a weaker one is no matter
STRONG_HARMONIC = 1e-3  # -30 dB: weaker ones wait until all harmonics are known
MOST_NEIGHBOURS = 8  # enough for the low harmonics of a sawtooth, or a chord
HARMONIC_REACH = 0.003  # of its frequency: nearer to a multiple of the note, a line is a harmonic

_ORDER = 6  # quintic: a cubic leaves -120 dB of a drift of some cents
_PASSES = 6
_PASSES_AGAIN = 2  # along a phase that is nearly right, or of a line that is only taken out
_CONVERGED = 1e-9  # rad over the take: far below what any capture resolves
_SETTLED = 1e-4  # rad that is left of a bent phase: the envelope itself carries so little exactly
_BENT = 0.02  # rad that the phase leaves a straight line by before it is followed as drift
_RANGE = 4.5  # of ten normal values: 3.1 standard deviations on average, rarely above this
_END_WEIGHT = 1e-3
_WANDERS = 6.5  # the range of ten normal values is hardly ever (1e-4) above this
_CLEAR = 10.0
_STANDS_OUT = 100.0  # times the noise floor, before a line is followed on its own
_ROUNDS = 4
_STILL = 1e-7  # change of the fundamental, -140 dB, that ends the rounds: the next is far smaller
_MATTERS = 1e-6  # of the power that is left: the noise that a fit swallows is a thousand times more
_LEAKAGE = 2e-4  # of strong lines, a cycle of the take: see benchmarks/precision_tone.py
_POINTS_A_KNOT = 8
_LEAST_POINTS = 2000
_BINS_AT_ONCE = 256  # of the ridge: high tones have thousands, of as many frames each
_STUDENT = 1.09  # t(0.975, 15 degrees of freedom) / 1.96


@dataclass(frozen=True, slots=True, eq=False)
class Fundamental:
    """A fundamental as it was in the take.

    Parameters
    ----------
    frequency : Estimate
        Hz; least-squares slope of the phase, so the mean over a drift.
    drift : Estimate
        Peak-to-peak of the slowly varying frequency, in cents.
    level : Estimate
        dBFS, RMS of the fundamental alone.
    power : Estimate
        Its mean square (full scale 1.0).
    phase : ndarray, shape (frames,)
        Total phase in radians, unwrapped.
    amplitude : ndarray, shape (frames,)
        Peak amplitude over time.
    residual : ndarray, shape (frames,)
        The signal without the fundamental.
    foreign : ndarray, shape (frames,)
        Strong lines in the residual that are no harmonics, as a waveform.
    leaked : float
        Relative amplitude that strong lines may still have leaked: a standard uncertainty.
    freedom : int
        Real parameters fitted: the share ``freedom / frames`` of any noise went into the fit.
    knot_seconds : float
        Distance of the envelope's knots.
    spectrum : Spectrum
        Of the residual, without what was known to be beside.
    floor : ndarray, shape (bins,)
        Its noise floor, scaled as `Spectrum.power`.
    """

    frequency: Estimate
    drift: Estimate
    level: Estimate
    power: Estimate
    phase: NDArray[np.float64]
    amplitude: NDArray[np.float64]
    residual: NDArray[np.float64]
    foreign: NDArray[np.float64]
    leaked: float
    freedom: int
    knot_seconds: float
    spectrum: Spectrum
    floor: NDArray[np.float64]


def knot_spacing(
    frequency_hz: float,
    seconds: float,
    *,
    snr_hz: float = np.inf,
) -> float:
    """Seconds between the envelope's knots.

    Parameters
    ----------
    frequency_hz, seconds : float
        Of the tone, and the length of the take.
    snr_hz : float
        Mean square of the tone over the noise density beside it, in hertz.
    """
    slowest = max(KNOT_SECONDS, KNOT_CYCLES / frequency_hz, KNOT_SNR / snr_hz)
    return min(slowest, seconds)


def follow(
    signal: NDArray[np.float64],
    samplerate: int,
    frequency_hz: float,
    *,
    snr_hz: float = np.inf,
    hum: NDArray[np.float64] | None = None,
    harmonics: NDArray[np.float64] | None = None,
) -> Fundamental:
    """Fit the fundamental that lies near a frequency.

    Parameters
    ----------
    signal : ndarray of float, shape (frames,)
        Full scale is -1.0 to 1.0; mean removed.
    samplerate : int
        Frames a second.
    frequency_hz : float
        Where the spectrum shows it, within a few hertz.
    snr_hz : float
        See `knot_spacing`.
    hum, harmonics : ndarray of float, shape (frames,), optional
        What else is known to be in the signal: it is kept out of the fit, so that it leaks
        nothing into the fundamental.

    Notes
    -----
    Strong lines beside the fundamental would leak into it at the ends of the take, where the
    splines are cut. They are followed in the same way and taken out, in turns with the
    fundamental, until it stands still.

    The uncertainty of the frequency is the Cramer-Rao bound (Rife & Boorstyn 1974; Kay 1993) for
    the noise density found beside the tone, plus the standard error of a drift beyond it; that
    of the level is the standard error of the level's scatter over segments of the take. What
    may still leak from strong lines is added to both.
    """
    frames = len(signal)
    seconds = frames / samplerate
    spacing = knot_spacing(frequency_hz, seconds, snr_hz=snr_hz)
    alone = signal if hum is None else signal - hum
    if harmonics is not None:
        alone = alone - harmonics
    tone = _track(alone, samplerate, frequency_hz, spacing)
    lines = _lines_beside(alone, tone, samplerate, spacing, with_harmonics=harmonics is None)
    foreign = np.zeros(frames)
    beside = foreign
    if lines:
        tone, foreign, beside = _part(alone, tone, lines, samplerate, spacing)

    spectrum, floor = _noise_beside(
        alone - tone.waveform - beside, samplerate, tone.frequency_hz, spacing
    )
    at = min(len(floor) - 1, round(tone.frequency_hz / spectrum.bin_hz))
    density = float(floor[at]) / spectrum.noise_bandwidth_hz
    parameters = 2 * (_intervals(frames, samplerate, spacing) + _ORDER - 1)
    noise_power = density * parameters / (2 * seconds)
    power = float(np.mean(tone.amplitude**2)) / 2 - noise_power
    known = beside if harmonics is None else beside + harmonics
    leaked = _LEAKAGE * np.sqrt(np.mean(known**2) / max(power, 1e-300)) / _cycles(tone, seconds)

    # What the weights leave of the take; the bound falls with the 3/2 power of the length.
    used = np.sum(end_weights(frames, tone.phase, spacing * samplerate)) / samplerate
    bound = np.sqrt(3 * density / (np.pi**2 * max(2 * power, 1e-300) * used**3))
    leaked_hz = leaked / seconds
    segments_at_most = int(seconds / spacing / 2)
    course = tone.course(samplerate, spacing)
    noise_hz = float(np.hypot(bound, leaked_hz))
    drift, wander = _drift(course, tone.frequency_hz, noise_hz, segments_at_most)
    frequency_uncertainty = float(np.sqrt(bound**2 + wander**2 + leaked_hz**2))

    segments = np.array_split(tone.amplitude**2 / 2, LEVEL_SEGMENTS)
    scatter = np.std([np.mean(s) for s in segments], ddof=1) / np.sqrt(LEVEL_SEGMENTS) * _STUDENT
    theory = np.sqrt(2 * max(power, 0.0) * density / used)  # 2 P S / T: Cramer-Rao in power
    power_uncertainty = float(np.hypot(max(scatter, theory), 2 * leaked * max(power, 0.0)))
    level_uncertainty = NEPER_DB / 2 * power_uncertainty / max(power, 1e-300)
    return Fundamental(
        frequency=Estimate(tone.frequency_hz, frequency_uncertainty),
        drift=drift,
        level=Estimate(float(rms_to_dbfs(np.sqrt(max(power, 0.0)))), level_uncertainty),
        power=Estimate(power, power_uncertainty),
        phase=tone.phase,
        amplitude=tone.amplitude,
        residual=signal - tone.waveform,
        foreign=foreign,
        leaked=float(leaked),
        freedom=parameters,
        knot_seconds=spacing,
        spectrum=spectrum,
        floor=floor,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Tone:
    """A line followed through the take: frequency, and per frame phase, amplitude, waveform."""

    frequency_hz: float
    phase: NDArray[np.float64]
    amplitude: NDArray[np.float64]
    waveform: NDArray[np.float64]

    def course(self, samplerate: int, spacing: float) -> "_Course":
        """The same, thinned: between knots it is smooth."""
        return _Course.of(self.phase, self.amplitude, samplerate, spacing)


@dataclass(frozen=True, slots=True, eq=False)
class _Course:
    """Time in seconds, phase in radians and weight (square of amplitude) at thinned points."""

    time: NDArray[np.float64]
    phase: NDArray[np.float64]
    weights: NDArray[np.float64]

    @classmethod
    def of(
        cls,
        phase: NDArray[np.float64],
        amplitude: NDArray[np.float64],
        samplerate: int,
        spacing: float,
    ) -> "_Course":
        step = max(1, min(int(spacing * samplerate / _POINTS_A_KNOT), len(phase) // _LEAST_POINTS))
        # Evenly about the middle, so that neither end weighs more.
        first = (len(phase) - 1) % step // 2
        at = np.arange(first, len(phase), step)
        weights = end_weights(len(phase), phase, spacing * samplerate)
        return cls(at / samplerate, phase[at], amplitude[at] ** 2 * weights[at])

    def slope(self, part: slice = slice(None)) -> float:
        """Weighted least-squares slope of the phase over time, rad/s."""
        time, phase, weights = self.time[part], self.phase[part], self.weights[part]
        centred = time - np.average(time, weights=weights)
        # A line is taken off first: small numbers keep the precision of a large unwrapped phase.
        rough = (phase[-1] - phase[0]) / (time[-1] - time[0])
        rest = phase - phase[0] - rough * (time - time[0])
        return float(rough + np.sum(weights * centred * rest) / np.sum(weights * centred**2))


def _track(
    signal: NDArray[np.float64], samplerate: int, frequency_hz: float, spacing: float
) -> _Tone:
    """Follow the line near a frequency from nothing but the signal."""
    phase = 2 * np.pi * frequency_hz * np.arange(len(signal)) / samplerate
    ridge = _ridge_phase(signal, samplerate, frequency_hz, 1 / (4 * spacing))
    if ridge is not None:
        # Only a pitch that leaves the envelope's bandwidth is caught better along the ridge.
        straight = _fit_envelope(signal, phase, samplerate, spacing)
        wandering = _fit_envelope(signal, ridge, samplerate, spacing)
        if np.mean(np.abs(wandering) ** 2) > 1.001 * np.mean(np.abs(straight) ** 2):
            phase = ridge
    return _refined(signal, phase, samplerate, spacing)


def _refined(
    signal: NDArray[np.float64],
    phase: NDArray[np.float64],
    samplerate: int,
    spacing: float,
    passes: int = _PASSES,
) -> _Tone:
    """Fit along a phase, and again along the phase found, until it stands still."""
    frames = len(signal)
    time = np.arange(frames) / samplerate
    bent = False
    for _ in range(passes):
        envelope = _fit_envelope(signal, phase, samplerate, spacing)
        turn = np.unwrap(np.angle(envelope))
        amplitude = np.abs(envelope)
        # A straight line first: a steady tone then has an exactly constant envelope, which the
        # splines represent without error. What bends after that is drift.
        rate = _Course.of(turn, amplitude, samplerate, spacing).slope()
        total = rate * frames / samplerate
        bend = turn - turn[0] - rate * time
        bent = bent or np.ptp(bend) > max(_BENT, 0.1 * abs(total))
        if np.ptp(turn) < _SETTLED if bent else abs(total) < _CONVERGED:
            break
        followed, phase = phase, phase + (turn if bent else rate * time)
    else:
        phase = followed  # what the last envelope was fitted along
    fitted = np.real(envelope * np.exp(1j * phase))
    total_phase = phase + turn
    slope = _Course.of(total_phase, amplitude, samplerate, spacing).slope()
    return _Tone(slope / (2 * np.pi), total_phase, amplitude, fitted)


def _cycles(tone: _Tone, seconds: float) -> float:
    return max(1.0, tone.frequency_hz * seconds)


@dataclass(frozen=True, slots=True)
class _Neighbour:
    """A strong line beside the fundamental: where, and which harmonic it is, if it is one."""

    frequency_hz: float
    number: int | None


def _lines_beside(
    signal: NDArray[np.float64],
    tone: _Tone,
    samplerate: int,
    spacing: float,
    *,
    with_harmonics: bool,
) -> list[_Neighbour]:
    """The strongest lines that the residual still holds, far enough away to be told apart."""
    residual = signal - tone.waveform
    enough = FAINT * float(np.mean(tone.amplitude**2)) / 2
    if np.mean(residual**2) < enough:
        return []
    spectrum = power_spectrum(residual, samplerate)
    clear = spectrum.power > np.maximum(enough, _STANDS_OUT * noise_floor(spectrum))
    clear &= spectrum.frequencies_hz > KNOT_CYCLES / spacing / 2
    clear &= np.abs(spectrum.frequencies_hz - tone.frequency_hz) > 2 / spacing
    lines: list[_Neighbour] = []
    taken = np.zeros(0)
    for at in np.flatnonzero(clear)[np.argsort(-spectrum.power[clear])]:
        here = float(spectrum.frequencies_hz[at])
        if len(lines) == MOST_NEIGHBOURS:
            break
        if np.any(np.abs(taken - here) < 2 / spacing + LOBE_BINS * spectrum.bin_hz):
            continue
        taken = np.append(taken, here)
        number = round(here / tone.frequency_hz)
        reach = max(2 * spectrum.bin_hz, HARMONIC_REACH * here)
        if number > 1 and abs(here - number * tone.frequency_hz) < reach:
            if with_harmonics and spectrum.power[at] > STRONG_HARMONIC / FAINT * enough:
                lines.append(_Neighbour(number * tone.frequency_hz, number))
        else:
            lines.append(_Neighbour(here, None))
    return lines


def _part(
    signal: NDArray[np.float64],
    tone: _Tone,
    lines: list[_Neighbour],
    samplerate: int,
    spacing: float,
) -> tuple[_Tone, NDArray[np.float64], NDArray[np.float64]]:
    """The fundamental parted from its neighbours; foreign lines and all lines as waveforms.

    In turns, each line is fitted to what the others leave (Gauss-Seidel): lines this far apart
    touch only at the ends of the take, so that a few rounds settle it.
    """
    waveforms = [np.zeros(len(signal)) for _ in lines]
    tracks: list[_Tone | None] = [None for _ in lines]
    beside = np.zeros(len(signal))
    steady = 2 * np.pi * np.arange(len(signal)) / samplerate
    for turn in range(_ROUNDS):
        for i, line in enumerate(lines):
            alone = signal - tone.waveform - (beside - waveforms[i])
            track = tracks[i]
            if line.number is not None:
                phase = line.number * tone.phase
                envelope = _fit_envelope(alone, phase, samplerate, spacing)
                fitted = np.real(envelope * np.exp(1j * phase))
            else:
                phase = np.asarray(line.frequency_hz * steady if track is None else track.phase)
                track = _refined(alone, phase, samplerate, spacing, _PASSES_AGAIN)
                tracks[i], fitted = track, track.waveform
            beside = beside + (fitted - waveforms[i])
            waveforms[i] = fitted
        before = tone
        if turn == 0:  # what the neighbours bent is followed anew
            tone = _track(signal - beside, samplerate, tone.frequency_hz, spacing)
        else:
            tone = _refined(signal - beside, tone.phase, samplerate, spacing, _PASSES_AGAIN)
        change = np.mean((tone.waveform - before.waveform) ** 2)
        rest = np.mean((signal - tone.waveform - beside) ** 2)
        if change < _STILL**2 * np.mean(tone.waveform**2) + _MATTERS * rest:
            break
    foreign = sum(
        (w for w, line in zip(waveforms, lines, strict=True) if line.number is None),
        np.zeros(len(signal)),
    )
    return tone, foreign, beside


def _noise_beside(
    residual: NDArray[np.float64], samplerate: int, frequency_hz: float, spacing: float
) -> tuple[Spectrum, NDArray[np.float64]]:
    """Spectrum of the residual and its floor, bridged where the fit has swallowed the noise."""
    spectrum = power_spectrum(residual, samplerate)
    floor = noise_floor(spectrum)
    bins = np.arange(len(floor))
    # The floor is a running median: the hole reaches half its width further to both sides.
    reach = 1 / spacing / spectrum.bin_hz + LOBE_BINS + FLOOR_BINS // 2
    hole = np.abs(bins - frequency_hz / spectrum.bin_hz) < reach
    outside = ~hole & (bins >= FLOOR_BINS // 2)
    if np.any(outside):
        logarithm = np.log(np.maximum(floor[outside], 1e-300))
        floor[hole] = np.exp(np.interp(bins[hole], bins[outside], logarithm))
    return spectrum, floor


def _intervals(frames: int, samplerate: int, spacing: float) -> int:
    return max(1, round(frames / samplerate / spacing))


def _fit_envelope(
    signal: NDArray[np.float64],
    phase: NDArray[np.float64],
    samplerate: int,
    spacing: float,
) -> NDArray[np.complex128]:
    """Least-squares complex envelope of a carrier with the given phase, one value a frame."""
    frames = len(signal)
    intervals = _intervals(frames, samplerate, spacing)
    length = -(-frames // intervals)  # equal intervals share one set of basis values
    basis = _basis(length)
    size = 2 * (intervals + _ORDER - 1)
    first = 2 * np.arange(intervals)
    carrier = np.exp(1j * phase)
    weights = end_weights(frames, phase, spacing * samplerate)

    def shaped(values: NDArray[Any]) -> NDArray[Any]:
        if len(values) < intervals * length:
            values = np.pad(values, (0, intervals * length - len(values)))
        return values.reshape(intervals, length)

    weighted = signal * weights
    right = np.zeros(size)
    for q, quadrature in enumerate((carrier.real, carrier.imag)):
        inner = shaped(weighted * quadrature) @ basis
        for i in range(_ORDER):
            right[first + 2 * i + q] += inner[:, i]

    # Products of the carrier's quadratures are a constant part (cos² + sin² = 1) and one at twice
    # the frequency. The latter averages out over a whole spline, with its many cycles, to 1e-12;
    # only splines that the ends of the take cut feel it, and the weights.
    pairs = (basis[:, :, None] * basis[:, None, :]).reshape(length, _ORDER * _ORDER)
    cut = _ORDER - 1
    ends = np.arange(intervals)
    if intervals > 4 * cut:
        ends = np.concatenate([ends[:cut], ends[-cut:]])
    constant = np.tile(np.sum(pairs, axis=0) / 2, (intervals, 1))
    constant[ends] = shaped(weights)[ends] @ pairs / 2
    twice = shaped(carrier)[ends] ** 2 * shaped(weights)[ends]
    cosine, sine = (twice.real @ pairs) / 2, (twice.imag @ pairs) / 2

    # Unknowns interleaved (a0, b0, a1, b1, ...) keep the normal matrix banded.
    banded = np.zeros((2 * _ORDER, size))
    splines = intervals + _ORDER - 1
    for row, column in np.ndindex(2 * _ORDER, 2 * _ORDER):
        if column > row:
            continue
        (i, q), (j, p) = divmod(row, 2), divmod(column, 2)
        at = i * _ORDER + j
        if q == p:
            banded[row - column][first + column] += constant[:, at]
        values = (cosine, sine, -cosine)[q + p][:, at]
        lower, upper = ends + j, ends + i  # numbers of the two splines, lower <= upper
        felt = (lower < cut) | (upper >= splines - cut) if len(ends) < intervals else slice(None)
        banded[row - column][(first[ends] + column)[felt]] += values[felt]
    solution = solveh_banded(banded, right, lower=True)
    coefficients = solution[0::2] - 1j * solution[1::2]
    windows = np.lib.stride_tricks.sliding_window_view(coefficients, _ORDER)
    return np.asarray((windows @ basis.T.astype(complex)).reshape(-1)[:frames])


def end_weights(frames: int, phase: NDArray[np.float64], longest: float) -> NDArray[np.float64]:
    """Weights of the fit: one, but rising from `_END_WEIGHT` over a short stretch at each end.

    A hard cut would let harmonics and other lines leak into the outermost splines.
    """
    cycle = 2 * np.pi * frames / max(abs(phase[-1] - phase[0]), 1.0)
    rise = min(longest, max(RISE_CYCLES * cycle, RISE_SHARE * frames), frames / 2)
    slope = np.sin(np.pi / 2 * (np.arange(int(rise)) + 0.5) / rise) ** 2
    weights = np.ones(frames)
    weights[: len(slope)] = _END_WEIGHT + (1 - _END_WEIGHT) * slope
    weights[frames - len(slope) :] = weights[: len(slope)][::-1]
    return weights


def _basis(length: int) -> NDArray[np.float64]:
    """Values of the B-splines that live in one interval, shape (length, order)."""
    position = (np.arange(length) + 0.5) / length
    knots = np.arange(1.0 - _ORDER, 1.0 + _ORDER)
    return np.stack(
        [
            BSpline.basis_element(knots[i : i + _ORDER + 1], extrapolate=False)(position)
            for i in range(_ORDER)
        ],
        axis=1,
    )


def _ridge_phase(
    signal: NDArray[np.float64], samplerate: int, frequency_hz: float, within_hz: float
) -> NDArray[np.float64] | None:
    """Phase along the strongest line within `PULL_CENTS` of a frequency, segment by segment.

    None where the take is short, or the line stays so near that it needs no ridge.
    """
    frames = len(signal)
    length = round(max(0.1, 12 / frequency_hz) * samplerate)
    count = 2 * (frames // length) - 1
    if count < 4:
        return None
    hop = length // 2
    padded = 8 * length
    pull = 2 ** (PULL_CENTS / 1200)
    low = int(frequency_hz / pull * padded / samplerate) - 1
    high = int(frequency_hz * pull * padded / samplerate) + 2
    bins = np.arange(max(low, 1), high + 1)
    starts = hop * np.arange(count)
    segments = np.lib.stride_tricks.sliding_window_view(signal, length)[starts] * np.hanning(length)
    parts = np.array_split(bins, -(-len(bins) // _BINS_AT_ONCE))
    power = np.hstack([_powers(segments, part / padded) for part in parts])
    best = np.argmax(power, axis=1)
    inside = np.clip(best, 1, len(bins) - 2)
    left, middle, right = (np.log(power[np.arange(count), inside + d] + 1e-300) for d in (-1, 0, 1))
    curvature = left - 2 * middle + right
    offset = np.where(curvature < 0, 0.5 * (left - right) / np.where(curvature, curvature, 1), 0)
    ridge_hz = (bins[inside] + np.clip(offset, -1, 1)) * samplerate / padded
    if np.max(np.abs(ridge_hz - frequency_hz)) < within_hz:
        return None
    centres = (starts + length / 2) / samplerate
    turns = CubicSpline(centres, ridge_hz, bc_type="natural").antiderivative()
    return np.asarray(2 * np.pi * turns(np.arange(frames) / samplerate))


def _powers(segments: NDArray[np.float64], cycles: NDArray[np.float64]) -> NDArray[np.float64]:
    """Power of each segment at each of some frequencies over the sample rate."""
    kernel = rotations(segments.shape[1], cycles).T
    return (segments @ kernel.real) ** 2 + (segments @ kernel.imag) ** 2


def _drift(
    course: _Course, frequency_hz: float, bound_hz: float, segments_at_most: int
) -> tuple[Estimate, float]:
    """Peak-to-peak drift in cents, and the standard error in Hz that it puts on the mean."""
    per_hz = 1200 / np.log(2) / frequency_hz
    points = len(course.time)
    most = max(DRIFT_SEGMENTS[-1], segments_at_most)
    for count in (c for c in DRIFT_SEGMENTS if c <= most):
        edges = np.linspace(0, points, count + 1).round().astype(int)
        parts = [slice(a, b) for a, b in pairwise(edges)]
        rates = np.array([course.slope(part) for part in parts]) / (2 * np.pi)
        noise = bound_hz * count**1.5  # the bound falls with the 3/2 power of the length
        spread = float(np.ptp(rates))
        if spread > _CLEAR * _RANGE * noise:
            break
    if spread < _RANGE * noise:
        return Estimate(_RANGE * noise * per_hz, noise * per_hz, upper_bound=True), 0.0
    excess = 0.0
    if spread > _WANDERS * noise:
        excess = float(np.sqrt(np.var(rates, ddof=1) - noise**2) / np.sqrt(DRIFT_SEGMENTS[-1]))
    # Averages of segments miss half a segment at each end of a steady glide (and some of what the
    # weights take), next to nothing of a slow turn: the middle of the two, with the half width of
    # a rectangular distribution.
    flattened = 0.75 * spread / count
    uncertainty = np.hypot(np.sqrt(2) * noise, flattened / np.sqrt(3))
    return Estimate((spread + flattened) * per_hz, float(uncertainty) * per_hz), excess
