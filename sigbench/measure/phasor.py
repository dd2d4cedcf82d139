"""Sines of given frequencies as turning phasors, and what of a signal turns with them.

The sine and cosine of each frame would cost far more than what is done with them: a frame is turned
by the product of two short tables instead, one of rows of frames and one of frames within a row.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray


def rotations(frames: int, cycles: ArrayLike) -> NDArray[np.complex128]:
    """Phasors ``exp(2 pi i cycles n)`` of frames n = 0, 1, …, shape (lines, frames).

    Parameters
    ----------
    frames : int
    cycles : array_like of float, shape (lines,)
        Frequencies over the sample rate.
    """
    rows, within = _tables(frames, cycles)
    turned = rows[:, :, np.newaxis] * within[:, np.newaxis, :]
    return turned.reshape(len(turned), -1)[:, :frames]


def line_sums(signal: NDArray[np.float64], cycles: ArrayLike) -> NDArray[np.complex128]:
    """Sums over n of ``signal[n] exp(-2 pi i cycles n)``, shape (lines,).

    One bin each of a discrete Fourier transform, at any frequencies.

    Parameters
    ----------
    signal : ndarray of float, shape (frames,)
        Windowed already.
    cycles : array_like of float, shape (lines,)
        Frequencies over the sample rate.
    """
    rows, within = _tables(len(signal), cycles)
    padded = np.zeros((rows.shape[1], within.shape[1]))
    padded.ravel()[: len(signal)] = signal
    sums = padded @ within.real.T - 1j * (padded @ within.imag.T)
    return np.asarray(np.sum(rows.conj().T * sums, axis=0))


def _tables(
    frames: int, cycles: ArrayLike
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Phasors at the start of each row, shape (lines, rows), and within one, (lines, step)."""
    turn = 2j * np.pi * np.atleast_1d(np.asarray(cycles, dtype=np.float64))[:, np.newaxis]
    step = max(1, math.isqrt(frames))
    starts = np.arange(0, frames, step)
    return np.exp(turn * starts), np.exp(turn * np.arange(step))
