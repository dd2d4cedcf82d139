"""Finding the note: which line of the spectrum is the fundamental, or that there is none."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigbench.measure.mains import HIGH_OVER_LOW_DB, LOW_LINES, Mains
from sigbench.measure.spectrum import Spectrum, detection_threshold, noise_floor
from sigbench.units import db_to_ratio, rms_to_dbfs

FALSE_ALARM = 1e-4  # chance that a take of noise alone is said to hold a tone
LOWEST_HZ = 20.0
HIGHEST_SHARE = 0.47  # of the sample rate: above lies the converter's filter
EXPECTED_CENTS = 100.0  # how far from the note asked for the tone may lie
LEAST_SHARE = 0.1  # of the power beside mains: a weaker line is a spur unless it was asked for
LEAST_BINS = 8.0  # nearer to DC, the floor of steep noise in a short take is not known
FUNDAMENTAL_DB = -26.0  # a line this far below the strongest can still be its fundamental
FUNDAMENTAL_DIVISORS = (5, 4, 3, 2)

# A comb line belongs to the mains when the rest of the comb is not far below it. Hum always has
# harmonics: magnetically induced 50 Hz some -30 dB, rectifier ripple more (common practice, no
# source).
COMB_LOW_DB = 40.0


@dataclass(frozen=True, slots=True)
class Line:
    """A line of the spectrum: where, its mean square, and that over the noise density in hertz."""

    frequency_hz: float
    power: float
    snr_hz: float


@dataclass(frozen=True, slots=True)
class NoTone:
    """No tone was found, and why in one sentence."""

    reason: str


def find_tone(
    spectrum: Spectrum, mains: Mains | None, *, expected_hz: float | None = None
) -> Line | NoTone:
    """The fundamental of the note in a spectrum.

    Parameters
    ----------
    spectrum : Spectrum
        Of one channel.
    mains : Mains or None
        The mains comb found in the same channel: its lines are no note.
    expected_hz : float or None
        The note that was played; None takes the strongest tone that is no mains line, or the
        fundamental below it where the second to fifth harmonic is the strongest.

    Returns
    -------
    Line or NoTone
        A tone stands above the noise at the false-alarm rate `FALSE_ALARM`.
    """
    if not np.any(spectrum.power):
        return NoTone("no tone: digital silence")
    floor = np.maximum(noise_floor(spectrum), 1e-300)
    ratio = spectrum.power / floor
    clear = ratio > detection_threshold(spectrum, false_alarm_rate=FALSE_ALARM)
    peaks = np.zeros(len(ratio), dtype=bool)
    peaks[1:-1] = (spectrum.power[1:-1] >= spectrum.power[:-2]) & (
        spectrum.power[1:-1] > spectrum.power[2:]
    )
    top = HIGHEST_SHARE * 2 * spectrum.frequencies_hz[-1]
    inside = (spectrum.frequencies_hz >= LOWEST_HZ) & (spectrum.frequencies_hz <= top)
    found = np.flatnonzero(peaks & clear & inside)
    lines = [_line(spectrum, floor, int(at)) for at in found]
    lines.sort(key=lambda line: -line.power)

    if expected_hz is not None:
        return _expected(lines, mains, expected_hz, spectrum)
    lines = [line for line in lines if line.frequency_hz >= LEAST_BINS * spectrum.bin_hz]
    notes = [line for line in lines if not is_mains_line(line.frequency_hz, line.power, mains)]
    if not notes:
        if lines:
            hum = lines[0]
            return NoTone(
                f"no tone found: the strongest line, {hum.frequency_hz:.1f} Hz at "
                f"{_dbfs(hum.power):.1f} dBFS, belongs to the mains hum (if it is the note, "
                "give the note)"
            )
        return NoTone("no tone found: nothing stands above the noise")
    strongest = notes[0]
    rest = spectrum.band_power(LOWEST_HZ, min(20_000.0, top)) - _mains_power(mains)
    if strongest.power < LEAST_SHARE * rest:
        return NoTone(
            f"no tone found: the strongest line, {strongest.frequency_hz:.1f} Hz at "
            f"{_dbfs(strongest.power):.1f} dBFS, is lost in the noise (if it is the note, "
            "give the note)"
        )
    return _lowest_of_series(strongest, notes)


def is_mains_line(frequency_hz: float, power: float, mains: Mains | None) -> bool:
    """Whether a line is part of the mains comb found in the same channel."""
    if mains is None or mains.frequency is None:
        return False
    number = round(frequency_hz / mains.frequency.value)
    if not 1 <= number <= len(mains.lines):
        return False
    reach = 1.0 + 3 * number * mains.frequency.uncertainty  # Hz: two bins of the spectrum
    if abs(frequency_hz - number * mains.frequency.value) > reach:
        return False
    others = [
        line.value
        for k, line in enumerate(mains.lines, start=1)
        if k != number and not line.upper_bound and (number <= LOW_LINES or k % number)
    ]
    allowed = COMB_LOW_DB if number <= LOW_LINES else HIGH_OVER_LOW_DB
    return bool(others) and _dbfs(power) - max(others) < allowed


def _expected(
    lines: list[Line], mains: Mains | None, expected_hz: float, spectrum: Spectrum
) -> Line | NoTone:
    reach = max(expected_hz * (2 ** (EXPECTED_CENTS / 1200) - 1), 2 * spectrum.bin_hz)
    near = [line for line in lines if abs(line.frequency_hz - expected_hz) <= reach]
    notes = [
        line
        for line in near
        if abs(line.frequency_hz - expected_hz) < spectrum.bin_hz
        or not is_mains_line(line.frequency_hz, line.power, mains)
    ]
    if notes:
        return notes[0]
    beside = " but mains hum" if near else ""
    return NoTone(f"no tone found within a semitone of {expected_hz:.1f} Hz{beside}")


def _lowest_of_series(strongest: Line, notes: list[Line]) -> Line:
    """The fundamental, when the strongest line is one of its harmonics."""
    least = strongest.power * db_to_ratio(FUNDAMENTAL_DB) ** 2
    for divisor in FUNDAMENTAL_DIVISORS:
        wanted = strongest.frequency_hz / divisor
        for line in notes:
            if abs(line.frequency_hz - wanted) < max(1.0, 0.003 * wanted) and line.power > least:
                return line
    return strongest


def _line(spectrum: Spectrum, floor: NDArray[np.float64], at: int) -> Line:
    """A peak, interpolated by the parabola through its logarithm."""
    left, middle, right = np.log(np.maximum(spectrum.power[at - 1 : at + 2], 1e-300))
    curvature = left - 2 * middle + right
    offset = 0.5 * (left - right) / curvature if curvature < 0 else 0.0
    power = float(np.exp(middle - 0.25 * (left - right) * offset))
    density = float(floor[at]) / spectrum.noise_bandwidth_hz
    return Line(float((at + offset) * spectrum.bin_hz), power, power / density)


def _mains_power(mains: Mains | None) -> float:
    if mains is None or mains.hum_total.upper_bound:
        return 0.0
    return float(db_to_ratio(mains.hum_total.value) ** 2 / 2)


def _dbfs(power: float) -> float:
    return float(rms_to_dbfs(np.sqrt(power)))
