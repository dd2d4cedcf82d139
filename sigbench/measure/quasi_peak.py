"""The quasi-peak indication of ITU-R BS.468-4: how high a rectified signal drives the meter.

The Recommendation gives no circuit, but limits for what bursts of a tone must read. Two cascaded
peak detectors meet them: each a capacitor that charges through one resistance while its input is
higher, and always discharges through another. `docs/measurements/noise.md` has the fit.
"""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Fitted to the tables of single and repeated 5 kHz bursts: charge and discharge in seconds.
DETECTOR_SECONDS = ((1.45e-3, 0.290), (0.236, 0.348))
RATE_HZ = 192_000.0  # least rate for the rectifier: 12 points on a period of 16 kHz
SETTLED = 1e-9  # of the highest input: a start value changes the course no more
PASSES = 1000  # far beyond need (about ten); each pass settles at least one more segment


class QuasiPeakMeter:
    """Two cascaded peak detectors, discharged at first.

    Parameters
    ----------
    samplerate : float
        Frames a second of what it is fed; at least `RATE_HZ`, or the rectifier misses peaks.
    """

    def __init__(self, samplerate: float) -> None:
        self._steps = [
            (1 / (samplerate * charge), 1 / (samplerate * discharge))
            for charge, discharge in DETECTOR_SECONDS
        ]
        self._held = [0.0] * len(self._steps)

    def feed(self, signal: Array) -> Array:
        """Indication at each frame of a signal, shape (frames,); it goes on from the last one."""
        indication = np.abs(signal)
        if len(indication) == 0:
            return indication
        for number, (charge, discharge) in enumerate(self._steps):
            indication = peak_detector(indication, charge, discharge, self._held[number])
            self._held[number] = float(indication[-1])
        return indication


def peak_detector(rectified: Array, charge: float, discharge: float, held: float = 0.0) -> Array:
    """Voltage on a capacitor that charges quickly and discharges slowly.

    Parameters
    ----------
    rectified : ndarray of float, shape (frames,)
        Not negative.
    charge, discharge : float
        Part of the difference to the input that is made up each frame while the input is higher,
        and part of the charge that leaks each frame; their sum is below 1.
    held : float
        Charge before the first frame.

    Returns
    -------
    ndarray of float, shape (frames,)

    Notes
    -----
    Frame by frame it is ``v += charge * max(x - v, 0) - discharge * v``. Here the signal is cut
    in about as many segments as each has frames, and all run side by side. What a segment ends
    on is a convex function, made of straight pieces, of what it starts on, so Newton's method
    on the start values (multiple shooting) reaches the frame-by-frame course itself in a few
    passes, whatever the signal.
    """
    frames = len(rectified)
    length = int(np.ceil(np.sqrt(frames)))
    count = -(-frames // length)
    padded = np.zeros(count * length)
    padded[:frames] = rectified
    columns = np.ascontiguousarray(padded.reshape(count, length).T)
    course = np.empty_like(columns)
    start = np.zeros(count)
    start[0] = held
    scale = max(float(padded.max()), held)
    for _ in range(PASSES):
        end, slope = _run(columns, course, start, charge, discharge)
        better = start.copy()
        for segment in range(count - 1):
            moved = better[segment] - start[segment]
            better[segment + 1] = end[segment] + slope[segment] * moved
        done = np.abs(better - start).max() <= SETTLED * scale
        start = better
        if done:
            break
    return course.T.ravel()[:frames]


def _run(
    columns: Array, course: Array, start: Array, charge: float, discharge: float
) -> tuple[Array, Array]:
    """Run all segments from their start values; their ends, and how these follow the starts."""
    # Whether it charges or only leaks, the higher of the two courses is the one that is taken.
    leaking, charging = 1 - discharge, 1 - charge - discharge
    value, leaked = start, np.empty_like(start)
    for row, result in zip(charge * columns, course, strict=True):
        np.multiply(value, charging, out=result)
        result += row
        np.multiply(value, leaking, out=leaked)
        value = np.maximum(result, leaked, out=result)
    before = np.concatenate([start[np.newaxis], course[:-1]])
    charged = np.count_nonzero(columns > before, axis=0)
    return value.copy(), charging**charged * leaking ** (len(columns) - charged)
