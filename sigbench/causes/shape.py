"""Whether two recordings of one note have the same wave, harmonic by harmonic.

A rich sound hides distortion in the sum of its harmonics, but not in each of them: outputs that
play the same note have the same wave, but for its polarity and what a filter does to it.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigbench.model import Measurement

SURE = 3.0
"""Standard uncertainties that are taken off a difference."""
MOST = 12
"""As many harmonics are compared, the second among them."""
_POINTS = 256  # of a period: ten to the highest harmonic and more
_CORNERS = np.concatenate([[0.0], np.geomspace(0.03, 100, 400)])  # re the fundamental


@dataclass(frozen=True, slots=True, eq=False)
class Wave:
    """The second, third, … harmonic of a note.

    Parameters
    ----------
    lines : ndarray of complex, shape (harmonics,)
        Amplitude re the fundamental, and phase where the fundamental is a cosine.
    doubt : ndarray, shape (harmonics,)
        Standard uncertainty of each, re the fundamental.
    """

    lines: NDArray[np.complex128]
    doubt: NDArray[np.float64]


def waves_of(measurement: Measurement) -> dict[int, Wave]:
    """The wave of each channel, of a tone check."""
    levels, phases = (
        {
            r.channel: np.array([r.value, r.uncertainty], dtype=float)[:, : MOST - 1]
            for r in measurement.readings
            if r.name == name and isinstance(r.value, tuple) and isinstance(r.uncertainty, tuple)
        }
        for name in ("harmonics", "harmonic_phases")
    )
    found = {}
    for channel in levels.keys() & phases.keys():
        (level, level_u), (degrees, degrees_u) = levels[channel], phases[channel]
        size = 10 ** (level / 20)
        lines = size * np.exp(1j * np.radians(degrees))
        doubt = size * np.hypot(np.log(10) / 20 * level_u, np.radians(degrees_u))
        if channel is not None:
            found[channel] = Wave(lines, np.minimum(doubt, size))
    return found


def apart(one: Wave, other: Wave, *, again: float = math.inf) -> tuple[float, float]:
    """How much of one wave is not in the other and comes by no filter, re the fundamental.

    What is so for sure, and what is seen: the root-sum-square of the differences of the harmonics,
    with and without `SURE` of their uncertainties taken off, for the polarity and the filter of the
    first order (high-pass or low-pass, before either of the two: textbook) that leave the least.

    A sound that moves while it lasts, as one that dies away, makes the uncertainty of one take
    large, and comes out alike in the next take all the same: `again`, re the fundamental, is how
    far two takes of it were seen to be apart, and what is unsure is no more than that.
    """
    count = min(len(one.lines), len(other.lines))
    a, b = one.lines[:count], other.lines[:count]
    numbers = np.arange(2, count + 2)
    gains = _filters(numbers)
    turned = np.concatenate([gains, gains * (-1.0) ** (numbers - 1)])
    left = min(
        float(np.min(np.sum(np.abs(x * turned - y) ** 2, axis=1))) for x, y in ((a, b), (b, a))
    )
    doubt = float(np.sum(one.doubt[:count] ** 2 + other.doubt[:count] ** 2))
    return max(0.0, left - SURE**2 * min(doubt, again**2)) ** 0.5, left**0.5


def bass_lost(one: Wave, other: Wave, *, again: float = math.inf) -> tuple[float, float]:
    """How much of its fundamental the one has lost in dB, if it is the other behind a high-pass.

    The least that is likely, and what is then not alike, re the fundamental: of all high-passes of
    the first order those count that leave no more than the best one and the doubt (as in `apart`).
    A note that was played harder or softer has lost nothing by that.
    """
    count = min(len(one.lines), len(other.lines))
    a, b = one.lines[:count], other.lines[:count]
    numbers = np.arange(2, count + 2)
    gains = _high_passes(numbers)
    signs = np.array([np.ones(count), (-1.0) ** (numbers - 1)])
    left = np.min(np.sum(np.abs(b * gains * signs[:, np.newaxis] - a) ** 2, axis=2), axis=0)
    doubt = float(np.sum(one.doubt[:count] ** 2 + other.doubt[:count] ** 2))
    first = int(np.argmax(left <= left.min() + SURE**2 * min(doubt, again**2)))
    return 10 * math.log10(1 + float(_CORNERS[first]) ** 2), float(left.min()) ** 0.5


def flatness(wave: Wave) -> float:
    """Share of the period in which a wave is within a tenth of its height of one of its ends.

    A sine has 0.2 (arccos 0.8 over pi), and what has lost one half of itself 0.5 and more.
    """
    numbers = np.arange(1, len(wave.lines) + 2)
    lines = np.concatenate([[1.0], wave.lines])
    at = np.exp(1j * np.outer(np.arange(_POINTS) * 2 * np.pi / _POINTS, numbers))
    course = np.real(at @ lines)
    near = 0.1 * np.ptp(course)
    return float(max(np.mean(course > course.max() - near), np.mean(course < course.min() + near)))


def share_at_zero(lines: NDArray[np.complex128]) -> float:
    """Share of the power of harmonics in the quarter of the period about the fundamental's zeros.

    The second, third, … harmonic re a fundamental that is a cosine. What a stage does that waits
    at zero is nearly all there, and one harmonic alone has 0.18 to 0.41 of itself there.
    """
    at = np.arange(_POINTS) * 2 * np.pi / _POINTS
    course = np.real(np.exp(1j * np.outer(at, np.arange(2, len(lines) + 2))) @ lines)
    near = np.abs(np.cos(at)) < np.sin(np.pi / 8)
    return float(np.sum(course[near] ** 2) / np.sum(course**2))


def _filters(numbers: NDArray[np.int_]) -> NDArray[np.complex128]:
    """What each filter does to the harmonics, where it leaves the fundamental as it is."""
    low_passes = _re_fundamental(lambda k: 1 / (1 + 1j * k * _CORNERS[:, np.newaxis]), numbers)
    return np.concatenate([_high_passes(numbers), low_passes])


def _high_passes(numbers: NDArray[np.int_]) -> NDArray[np.complex128]:
    return _re_fundamental(lambda k: 1j * k / (1j * k + _CORNERS[:, np.newaxis]), numbers)


def _re_fundamental(
    gain: Callable[[NDArray[np.int_]], NDArray[np.complex128]], numbers: NDArray[np.int_]
) -> NDArray[np.complex128]:
    """A filter's gain at harmonics, where that at the fundamental is one."""
    own = gain(np.ones(1, dtype=int))
    # A filter shifts the fundamental in time, and harmonics by as much.
    found: NDArray[np.complex128] = (
        gain(numbers) / np.abs(own) * np.exp(-1j * numbers * np.angle(own))
    )
    return found
