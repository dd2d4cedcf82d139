"""Waves of many harmonics, quickly made, with numpy alone."""

from collections.abc import Iterable

import numpy as np


def harmonics(phase: np.ndarray, amplitudes: Iterable[complex]) -> np.ndarray:
    """Sum of a sin(k phase) for k from 1 on, by Horner's rule: sines are slow.

    An amplitude may have a phase of its own: a e^(ip) is of a sin(k phase + p).
    """
    turn = np.exp(1j * phase)
    total = np.zeros_like(turn)
    for amplitude in reversed(list(amplitudes)):
        total += amplitude
        total *= turn
    return total.imag


def saw(phase: np.ndarray, highest: int, falls: float = 1.0) -> np.ndarray:
    """The harmonics of a saw up to a number, or of what falls off otherwise: a = 1 / k^falls."""
    return harmonics(phase, (k**-falls for k in range(1, highest + 1)))
