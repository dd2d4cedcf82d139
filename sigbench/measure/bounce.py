"""Bounce: whether a sound that goes away does so at once, or is back, as it was, on its way.

What feeds a stage sinks evenly, once and for all; a contact that opens chatters, and lets the whole
sound through in between. How loud the sound is tells the two apart only where the contact rests for
longer than a period. Here the sound is continued from its past, and what came is held against it,
bit by bit: the factor between the two is the contact's.

All limits are our own choice.
"""

import numpy as np
from numpy.typing import NDArray

from sigbench.measure.prediction import continued

BEFORE_SECONDS = 0.3  # of the sound that tells how it goes on

_RATE = 6000  # Hz, or a little more: what is folded into it goes on as regularly as the rest
_ORDER = 200  # of the predictor: 33 ms
_NOISE = 1e-5  # of the power, which the predictor reckons with: -50 dB
_PART = 12  # samples that tell a factor: 1 ms
_EVERY = 3
_AT_ONCE = 6  # steps of so many samples, less one, within which a contact opens: 2.5 ms
_AWAY, _BACK = 0.35, 0.7  # factors
_AS_IT_WAS = 0.3  # of the power: what may be another sound
_WEAK = 0.1  # of its mean power: where the sound itself rests nothing is told

_Array = NDArray[np.float64]


def bounces(before: _Array, falling: _Array, samplerate: int) -> bool:
    """Whether a sound goes at once, or is back as it was while it goes: a contact's doing.

    Parameters
    ----------
    before : ndarray, shape (frames,)
        The sound, of `BEFORE_SECONDS`.
    falling : ndarray, shape (frames,)
        What followed, until it was gone.
    samplerate : int
    """
    stride = max(1, samplerate // _RATE)
    known, heard = (_decimated(part, stride) for part in (before, falling))
    if len(known) < 2 * _ORDER or len(heard) < _PART:
        return False
    expected = np.lib.stride_tricks.sliding_window_view(_continued(known, len(heard)), _PART)
    came = np.lib.stride_tricks.sliding_window_view(heard, _PART)
    expected, came = expected[::_EVERY], came[::_EVERY]
    power = np.vecdot(expected, expected)
    factors = np.vecdot(came, expected) / (power + 1e-30)
    rest = came - factors[:, np.newaxis] * expected
    there = power > _WEAK * _PART * np.mean(known**2)
    alike = np.vecdot(rest, rest) < _AS_IT_WAS * np.vecdot(came, came)
    away = np.where(there & (np.vecdot(came, came) < _AWAY**2 * power), power, np.inf)
    back = np.where(there & alike & (factors > _BACK), power, 0.0)
    # A stage whose supply sinks cuts the peaks first: what is louder and yet gets through tells.
    again = back[1:] > np.minimum.accumulate(away)[:-1]
    at_once = any((back[:-lag] > away[lag:]).any() for lag in range(1, min(_AT_ONCE, len(back))))
    return bool(again.any() or at_once)


def _decimated(samples: _Array, stride: int) -> _Array:
    whole = len(samples) // stride * stride
    return np.asarray(samples[:whole].reshape(-1, stride).mean(axis=1))


def _continued(known: _Array, count: int) -> _Array:
    """How a sound goes on, by linear prediction from its past (least squares)."""
    rows = np.lib.stride_tricks.sliding_window_view(known, _ORDER + 1)
    gram = rows.T @ rows
    own = gram[:-1, :-1] + _NOISE * np.trace(gram) / len(gram) * np.eye(_ORDER)
    weights = np.linalg.solve(own, gram[:-1, -1])
    error_filter = np.concatenate([[1.0], -weights[::-1]])
    return continued(error_filter, known[np.newaxis, -_ORDER:], count)[0]
