"""Prediction-error filters, held against numpy's least squares."""

import numpy as np
import pytest

from sigbench.measure.prediction import continued, covariance_filter, lag_products

TAPS = 6
PAST = np.random.default_rng(5).standard_normal(200).cumsum()


def rows(past: np.ndarray) -> np.ndarray:
    """The samples before each one, the oldest first, and that one."""
    return np.lib.stride_tricks.sliding_window_view(past, TAPS + 1)


def test_lag_products_are_the_sums_over_time():
    direct = rows(PAST).T @ rows(PAST)
    assert np.triu(lag_products(PAST, TAPS)) == pytest.approx(np.triu(direct), rel=1e-12)


def test_the_filter_is_the_one_of_least_squares():
    before, now = rows(PAST)[:, :TAPS], rows(PAST)[:, TAPS]
    weights = np.linalg.lstsq(before, now, rcond=None)[0]
    found = covariance_filter(lag_products(PAST, TAPS), noise_ratio=0.0)
    assert found == pytest.approx([1.0, *-weights[::-1]], rel=1e-6, abs=1e-9)


def test_noise_that_is_reckoned_with_makes_a_filter_tamer():
    sizes = [
        np.linalg.norm(covariance_filter(lag_products(PAST, TAPS), ratio))
        for ratio in (0.0, 1e-3, 1e-1)
    ]
    assert sizes == sorted(sizes, reverse=True)


def test_a_sine_goes_on_as_it_was():
    sine = np.sin(0.3 * np.arange(300) + 1)
    error_filter = covariance_filter(lag_products(sine[:200], 2), noise_ratio=0.0)
    assert error_filter == pytest.approx([1.0, -2 * np.cos(0.3), 1.0], abs=1e-6)
    (then,) = continued(error_filter, sine[np.newaxis, 198:200], 100)
    assert then == pytest.approx(sine[200:], abs=1e-4)
