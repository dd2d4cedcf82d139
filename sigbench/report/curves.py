"""From a take to the curves that a report draws: reduced to what the paper can show."""

import numpy as np
from numpy.typing import NDArray

from sigbench.measure.spectrum import MINIMUM_FRAMES, power_spectrum
from sigbench.report.plots import AUDIO_BAND_HZ, FLOOR_DB, Curve
from sigbench.units import FULL_SCALE_SINE_RMS, power_ratio_to_db

Array = NDArray[np.float64]

SPECTRUM_COLUMNS = 420  # strips of equal width on the logarithmic axis: one a print pixel or so
SPECTRUM_SECONDS = 1.0  # segment length; two-hertz wide lines keep 50 and 60 Hz hum apart
LEVEL_BLOCK_SECONDS = 0.005  # short enough that a 10 ms dropout reaches its full depth
LEVEL_COLUMNS = 400


def spectrum_curve(signal: Array, samplerate: int) -> Curve | None:
    """Strongest line of the spectrum in each strip of the frequency axis, in dBFS.

    Parameters
    ----------
    signal : ndarray of float, shape (frames,)
        Full scale is -1.0 to 1.0.
    samplerate : int
        Frames a second.

    Returns
    -------
    Curve or None
        Hz against dBFS; None where the take is too short for a spectrum.
    """
    if len(signal) < MINIMUM_FRAMES:
        return None
    spectrum = power_spectrum(signal, samplerate, segment_seconds=SPECTRUM_SECONDS)
    low, high = AUDIO_BAND_HZ
    inside = (spectrum.frequencies_hz >= low) & (spectrum.frequencies_hz <= high)
    if not inside.any():
        return None
    frequencies = spectrum.frequencies_hz[inside]
    power = spectrum.power[inside]
    strip = (np.log(frequencies / low) / np.log(high / low) * SPECTRUM_COLUMNS).astype(int)
    starts = np.flatnonzero(np.diff(strip, prepend=-1))
    ends = np.append(starts[1:], len(power))
    strongest = np.asarray(
        [a + int(np.argmax(power[a:b])) for a, b in zip(starts, ends, strict=True)]
    )
    level = power_ratio_to_db(power[strongest] / FULL_SCALE_SINE_RMS**2)
    return Curve(frequencies[strongest], np.maximum(level, FLOOR_DB))


def level_edges(signal: Array, samplerate: int) -> tuple[Curve, Curve]:
    """Lowest and highest short-time level in each strip of the time axis.

    Parameters
    ----------
    signal : ndarray of float, shape (frames,)
    samplerate : int

    Returns
    -------
    low, high : Curve
        Seconds against dBFS (RMS of 5 ms blocks).
    """
    block = max(round(LEVEL_BLOCK_SECONDS * samplerate), 1)
    count = max(len(signal) // block, 1)
    whole = signal[: count * block].reshape(count, -1)
    power = np.einsum("ij,ij->i", whole, whole) / max(whole.shape[1], 1)
    level = np.maximum(power_ratio_to_db(power / FULL_SCALE_SINE_RMS**2), FLOOR_DB)
    columns = min(LEVEL_COLUMNS, count)
    starts = np.arange(columns) * count // columns
    seconds = len(signal) / samplerate
    # The first and last strip reach to the ends of the axis.
    time = np.linspace(0, seconds, columns) if columns > 1 else np.asarray([0.0])
    low = np.minimum.reduceat(level, starts)
    high = np.maximum.reduceat(level, starts)
    if columns == 1:
        time, low, high = np.asarray([0.0, seconds]), np.repeat(low, 2), np.repeat(high, 2)
    return Curve(time, low), Curve(time, high)
