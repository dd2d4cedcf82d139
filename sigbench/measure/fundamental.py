"""The fundamental of a note, followed as it drifts: phase, envelope, frequency and level.

The model is ``x(t) = Re(c(t) exp(i phase(t))) + rest`` with a complex envelope ``c`` made of
quintic B-splines, so slow that it follows drift and decay but not noise, hum or harmonics. It is
fitted by least squares over the whole take. For a steady tone this is the sine fit of IEEE Std
1057; for a free-running oscillator it keeps drift from being taken for noise.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline, CubicSpline
from scipy.linalg import solveh_banded

from sigbench.measure.estimate import Estimate
from sigbench.measure.spectrum import Spectrum, noise_floor, power_spectrum
from sigbench.units import NEPER_DB, rms_to_dbfs

KNOT_SECONDS = 0.04  # the envelope follows changes up to about 12 Hz: drift, vibrato, tremolo
KNOT_CYCLES = 8.0  # and needs some cycles between knots to be told from the harmonics
DRIFT_SEGMENTS = (80, 40, 20, 10)  # the finest whose noise is small beside the drift is used
LEVEL_SEGMENTS = 16
PULL_CENTS = 100.0  # how far from its mean the pitch may wander and still be followed

KNOT_SNR = 30.0  # power ratio in the envelope's bandwidth that a phase is safely unwrapped at

JOINT_HARMONICS = 6

_ORDER = 6  # quintic: a cubic leaves -120 dB of a drift of some cents
_PASSES = 6
_CONVERGED = 1e-9  # rad over the take: far below what any capture resolves
_BENT = 0.02  # rad that the phase leaves a straight line by before it is followed as drift
_RANGE = 4.5  # of ten normal values: 3.1 standard deviations on average, rarely above this
_CLEAR = 10.0
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
    The uncertainty of the frequency is the Cramer-Rao bound (Rife & Boorstyn 1974; Kay 1993) for
    the noise density found beside the tone, plus the standard error of a drift beyond it; that
    of the level is the standard error of the level's scatter over segments of the take.
    """
    frames = len(signal)
    seconds = frames / samplerate
    spacing = knot_spacing(frequency_hz, seconds, snr_hz=snr_hz)
    time = np.arange(frames) / samplerate

    alone = signal if hum is None else signal - hum
    # The lowest harmonics lie nearest: until they are known, they are fitted jointly.
    joint = range(2, min(JOINT_HARMONICS, int(0.45 * samplerate / frequency_hz)) + 1)
    if harmonics is not None:
        alone = alone - harmonics
        joint = range(0)
    steady = 2 * np.pi * frequency_hz * time
    envelope = _fit_envelope(alone, steady, samplerate, spacing, joint)
    phase = steady
    ridge = _ridge_phase(alone, samplerate, frequency_hz)
    if ridge is not None:
        wandering = _fit_envelope(alone, ridge, samplerate, spacing, joint)
        # Only a pitch that leaves the envelope's bandwidth is caught better along the ridge.
        if np.mean(np.abs(wandering) ** 2) > 1.001 * np.mean(np.abs(envelope) ** 2):
            phase, envelope = ridge, wandering

    bent = False
    for _ in range(_PASSES):
        # A straight line first: a steady tone then has an exactly constant envelope, which the
        # splines represent without error. What bends after that is drift.
        turn = np.unwrap(np.angle(envelope))
        rate = _slope(time, turn, np.abs(envelope) ** 2)
        bend = turn - turn[0] - rate * time
        bent = bent or np.ptp(bend) > max(_BENT, 0.1 * abs(rate) * seconds)
        phase = phase + (turn if bent else rate * time)
        envelope = _fit_envelope(alone, phase, samplerate, spacing, joint)
        if (np.ptp(turn) if bent else abs(rate) * seconds) < _CONVERGED:
            break

    fitted = np.real(envelope * np.exp(1j * phase))
    total_phase = phase + np.unwrap(np.angle(envelope))
    amplitude = np.abs(envelope)
    spectrum, floor = _noise_beside(alone - fitted, samplerate, frequency_hz, spacing)
    at = min(len(floor) - 1, round(frequency_hz / spectrum.bin_hz))
    density = float(floor[at]) / spectrum.noise_bandwidth_hz
    parameters = 2 * (_intervals(frames, samplerate, spacing) + _ORDER - 1)
    noise_power = density * samplerate / 2 * parameters / frames
    power = float(np.mean(amplitude**2)) / 2 - noise_power

    bound = np.sqrt(3 * density / (np.pi**2 * max(2 * power, 1e-300) * seconds**3))
    weights = amplitude**2
    frequency = _slope(time, total_phase, weights) / (2 * np.pi)
    drift, wander = _drift(time, total_phase, weights, frequency, bound, spacing)
    frequency_uncertainty = np.hypot(bound, wander)

    segments = np.array_split(amplitude**2 / 2, LEVEL_SEGMENTS)
    scatter = np.std([np.mean(s) for s in segments], ddof=1) / np.sqrt(LEVEL_SEGMENTS) * _STUDENT
    theory = np.sqrt(2 * max(power, 0.0) * density / seconds)  # 2 P S / T: Cramer-Rao in power
    power_uncertainty = max(float(scatter), float(theory))
    level_uncertainty = NEPER_DB / 2 * power_uncertainty / max(power, 1e-300)
    return Fundamental(
        frequency=Estimate(float(frequency), float(frequency_uncertainty)),
        drift=drift,
        level=Estimate(float(rms_to_dbfs(np.sqrt(max(power, 0.0)))), level_uncertainty),
        power=Estimate(power, power_uncertainty),
        phase=total_phase,
        amplitude=amplitude,
        residual=signal - fitted,
        freedom=parameters,
        knot_seconds=spacing,
        spectrum=spectrum,
        floor=floor,
    )


def _noise_beside(
    residual: NDArray[np.float64], samplerate: int, frequency_hz: float, spacing: float
) -> tuple[Spectrum, NDArray[np.float64]]:
    """Spectrum of the residual and its floor, bridged where the fit has swallowed the noise."""
    spectrum = power_spectrum(residual, samplerate)
    hole = np.abs(spectrum.frequencies_hz - frequency_hz) < 1 / spacing + 2 * spectrum.bin_hz
    return spectrum, noise_floor(spectrum, ignore=hole)


def _intervals(frames: int, samplerate: int, spacing: float) -> int:
    return max(1, round(frames / samplerate / spacing))


def _fit_envelope(
    signal: NDArray[np.float64],
    phase: NDArray[np.float64],
    samplerate: int,
    spacing: float,
    harmonics: range = range(0),
) -> NDArray[np.complex128]:
    """Least-squares complex envelope of a carrier with the given phase, one value a frame.

    Steady `harmonics` of the carrier are fitted with it, and their values dropped.
    """
    frames = len(signal)
    intervals = _intervals(frames, samplerate, spacing)
    length = -(-frames // intervals)  # equal intervals share one set of basis values
    basis = _basis(length)
    size = 2 * (intervals + _ORDER - 1)
    first = 2 * np.arange(intervals)
    cosine, sine = np.cos(phase), np.sin(phase)

    def shaped(values: NDArray[np.float64]) -> NDArray[np.float64]:
        padded = np.zeros(intervals * length)
        padded[:frames] = values
        return padded.reshape(intervals, length)

    def projected(values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Inner products with all basis functions; cosine and sine parts interleaved."""
        vector = np.zeros(size)
        for q, quadrature in enumerate((cosine, sine)):
            inner = shaped(values * quadrature) @ basis
            for i in range(_ORDER):
                vector[first + 2 * i + q] += inner[:, i]
        return vector

    pairs = (basis[:, :, None] * basis[:, None, :]).reshape(length, _ORDER * _ORDER)
    products = [shaped(p) @ pairs for p in (cosine**2, cosine * sine, sine**2)]
    # Unknowns interleaved (a0, b0, a1, b1, ...) keep the normal matrix banded.
    banded = np.zeros((2 * _ORDER, size))
    for row, column in np.ndindex(2 * _ORDER, 2 * _ORDER):
        if column <= row:
            (i, q), (j, p) = divmod(row, 2), divmod(column, 2)
            banded[row - column][first + column] += products[q + p][:, i * _ORDER + j]

    right = projected(signal)
    if len(harmonics):
        # Block elimination: the banded part is solved for every column of the border.
        turns = np.power(cosine + 1j * sine, np.array(harmonics)[:, None])
        columns = np.concatenate([turns.real, turns.imag])
        border = np.stack([projected(column) for column in columns], axis=1)
        solved = solveh_banded(banded, np.column_stack([right, border]), lower=True)
        schur = columns @ columns.T - border.T @ solved[:, 1:]
        steady = np.linalg.solve(schur, columns @ signal - border.T @ solved[:, 0])
        solution = solved[:, 0] - solved[:, 1:] @ steady
    else:
        solution = solveh_banded(banded, right, lower=True)
    coefficients = solution[0::2] - 1j * solution[1::2]
    windows = np.lib.stride_tricks.sliding_window_view(coefficients, _ORDER)
    return np.asarray((windows @ basis.T.astype(complex)).reshape(-1)[:frames])


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
    signal: NDArray[np.float64], samplerate: int, frequency_hz: float
) -> NDArray[np.float64] | None:
    """Phase along the strongest line within `PULL_CENTS` of a frequency, segment by segment."""
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
    kernel = np.exp(-2j * np.pi * np.outer(np.arange(length), bins) / padded)
    kernel *= np.hanning(length)[:, None]
    starts = hop * np.arange(count)
    segments = np.lib.stride_tricks.sliding_window_view(signal, length)[starts]
    power = np.abs(segments @ kernel) ** 2
    best = np.argmax(power, axis=1)
    inside = np.clip(best, 1, len(bins) - 2)
    left, middle, right = (np.log(power[np.arange(count), inside + d] + 1e-300) for d in (-1, 0, 1))
    curvature = left - 2 * middle + right
    offset = np.where(curvature < 0, 0.5 * (left - right) / np.where(curvature, curvature, 1), 0)
    ridge_hz = (bins[inside] + np.clip(offset, -1, 1)) * samplerate / padded
    centres = (starts + length / 2) / samplerate
    turns = CubicSpline(centres, ridge_hz, bc_type="natural").antiderivative()
    return np.asarray(2 * np.pi * turns(np.arange(frames) / samplerate))


def _slope(
    time: NDArray[np.float64], phase: NDArray[np.float64], weights: NDArray[np.float64]
) -> float:
    """Weighted least-squares slope of a phase over time, rad/s."""
    total = np.sum(weights)
    centred = time - np.sum(weights * time) / total
    # A line is taken off first: small numbers keep the precision of a large unwrapped phase.
    rough = (phase[-1] - phase[0]) / (time[-1] - time[0])
    rest = phase - phase[0] - rough * (time - time[0])
    return float(rough + np.sum(weights * centred * rest) / np.sum(weights * centred**2))


def _drift(
    time: NDArray[np.float64],
    phase: NDArray[np.float64],
    weights: NDArray[np.float64],
    frequency_hz: float,
    bound_hz: float,
    spacing: float,
) -> tuple[Estimate, float]:
    """Peak-to-peak drift in cents, and the standard error in Hz that it puts on the mean."""
    per_hz = 1200 / np.log(2) / frequency_hz
    longest = max(DRIFT_SEGMENTS[-1], int(len(time) / spacing * (time[1] - time[0]) / 2))
    for count in (c for c in DRIFT_SEGMENTS if c <= longest):
        parts = np.array_split(np.arange(len(time)), count)
        rates = np.array([_slope(time[p], phase[p], weights[p]) for p in parts]) / (2 * np.pi)
        noise = bound_hz * count**1.5  # the bound falls with the 3/2 power of the length
        spread = float(np.ptp(rates))
        if spread > _CLEAR * _RANGE * noise:
            break
    if spread < _RANGE * noise:
        return Estimate(_RANGE * noise * per_hz, noise * per_hz, upper_bound=True), 0.0
    excess = float(
        np.sqrt(max(0.0, np.var(rates, ddof=1) - noise**2)) / np.sqrt(DRIFT_SEGMENTS[-1])
    )
    return Estimate(spread * per_hz, float(np.sqrt(2)) * noise * per_hz), excess
