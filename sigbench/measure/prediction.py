"""Prediction: how a sound goes on by a predictor that was fitted to its past.

Linear prediction: Makhoul, "Linear Prediction: A Tutorial Review", Proc. IEEE 63 (1975) 561.
"""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sigbench.measure.streaming import windows


def continued(
    error_filter: NDArray[np.float64], pasts: NDArray[np.float64], length: int
) -> NDArray[np.float64]:
    """What follows each past if nothing new comes to it.

    Parameters
    ----------
    error_filter : ndarray, shape (taps + 1,)
        Gives the error of the prediction: one, and then the weights of the samples before, the
        latest first, with their signs turned.
    pasts : ndarray, shape (n, taps)
        Oldest samples first.
    length : int

    Returns
    -------
    ndarray, shape (n, length)
    """
    from scipy.linalg import solve_triangular

    taps = pasts.shape[1]
    lags = np.zeros(2 * length + taps - 1)
    lags[length - 1 : length + taps] = error_filter
    known = np.zeros((length, len(pasts)))  # of each error, what is due to the past
    reached = min(length, taps)
    known[:reached] = windows(lags[length:], taps)[:reached] @ pasts[:, ::-1].T
    due_to_later = windows(lags[: 2 * length - 1], length)[:, ::-1]
    return -np.asarray(
        solve_triangular(due_to_later, known, lower=True, unit_diagonal=True, check_finite=False)
    ).T


def covariance_filter(products: NDArray[np.float64], noise_ratio: float) -> NDArray[np.float64]:
    """Prediction-error filter (1, -a1, ...) with the least sum of squared errors.

    Parameters
    ----------
    products : ndarray, shape (taps + 1, taps + 1)
        Sums of `lag_products`, of which the upper half counts.
    noise_ratio : float
        White noise that is reckoned with, re signal power.
    """
    from scipy.linalg.lapack import dposv

    taps = len(products) - 1
    square = products[:taps, :taps].copy(order="F")
    diagonal = np.einsum("ii->i", square)
    diagonal += noise_ratio * diagonal.sum() / taps + 1e-20
    weights = dposv(square, products[:taps, taps], overwrite_a=True)[1]
    return np.concatenate([[1.0], -weights[::-1]])


def lag_products(past: NDArray[np.float64], taps: int) -> NDArray[np.float64]:
    """Sums over time of x[t + i] x[t + j], shape (taps + 1, taps + 1): right where i <= j.

    Along a diagonal each differs from the one before by a product that enters and one that leaves.
    """
    size, rows = taps + 1, len(past) - taps
    # Rows that are one longer than those of the matrix: each begins one further to the right.
    skewed = np.zeros((size, size + 1))
    diagonals = skewed[:, :size]  # a column each
    diagonals[0] = np.correlate(past, past[:rows], "valid")
    entering, leaving = _with_later_ones(past[rows:]), _with_later_ones(past[:taps])
    np.subtract(entering, leaving, out=diagonals[1:])
    for before, row in pairwise(diagonals):  # as a cumulative sum does, in half the time
        row += before
    return skewed.ravel()[: size * size].reshape(size, size)


def lag_products_both_ways(past: NDArray[np.float64], taps: int) -> NDArray[np.float64]:
    """The same, added up forwards and backwards in time: the modified covariance method."""
    products = lag_products(past, taps)
    return products + products[::-1, ::-1].T


def _with_later_ones(samples: NDArray[np.float64]) -> NDArray[np.float64]:
    """Of each of n samples, its products with itself and the n that follow; shape (n, n + 1).

    What follows the last one counts as zero.
    """
    n = len(samples)
    padded = np.zeros(2 * n + 1)
    padded[:n] = samples
    return windows(padded, n + 1)[:n] * padded[:n, np.newaxis]
