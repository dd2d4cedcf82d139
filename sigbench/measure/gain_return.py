"""Gain return: where a sound whose gain fell at a known moment, and how far, gets it back.

A return in the midst of a wave that crosses zero, or in noise, does not show from one sample to
the next. It shows in what follows, if more of the past is looked at: the samples inside are
divided by the gain, and a long predictor of the sound before the fall tells up to where that has
to be done so that its innovations stay what they are. Only the place is sought; gain and beginning
are known, and so is the predictor. Backwards in time a return is a fall, and is sought likewise.

References
----------
J. Makhoul, "Linear prediction: a tutorial review", Proc. IEEE 63 (1975) 561-580.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigbench.measure.prediction import covariance_filter, lag_products_both_ways
from sigbench.measure.streaming import windows

RATE = 6_000  # samples a second, at most: the fewer, the longer is what the taps span
TAPS = 128
PAST = 900  # samples that the predictor is fitted to, 150 ms
AFTER = 96  # samples that follow the last place asked for, 16 ms
EVIDENCE = 40.0  # usual squared innovations: the highest of 150 places is some 10 of noise alone
FORESEEN = 0.1  # innovation over power: of what is not foretold so well nothing is sought
LEFT = 2.0  # times the usual innovation, at most, when the gain is back
_NOISE_RATIO = 1e-5  # white noise that the predictor reckons with, re signal power
_LEAST_GAIN = 0.1  # what is left of a loss may be noise alone, and is not made louder than so
_OUTSIDE = 1.5  # times the innovation that a fit leaves of its own samples: of others

_Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Sound:
    """A predictor of a sound, and the mean square of its innovations."""

    error_filter: _Array
    usual: float


def averaged(frames: _Array, stride: int) -> _Array:
    """Means of `stride` frames each; partials above half the rate are seen as their aliases."""
    return np.asarray(frames.reshape(-1, stride).mean(axis=1))


def sound_of(past: _Array) -> Sound | None:
    """Fit a predictor by the modified covariance method to `PAST` samples; None for a hiss."""
    error_filter = covariance_filter(lag_products_both_ways(past, TAPS), _NOISE_RATIO)
    innovations = np.convolve(past, error_filter, "valid")
    usual = _OUTSIDE * float(np.mean(innovations**2))
    return Sound(error_filter, usual) if usual < FORESEEN * float(np.mean(past**2)) else None


def likeliest_return(
    samples: _Array,
    sound: Sound,
    gain: float,
    power: float,
    *,
    inside: int,
    first: int,
    last: int,
) -> int | None:
    """The sample from which on the gain is 1 again, if that is plain.

    Parameters
    ----------
    samples : ndarray, shape (last + AFTER,)
        As they came, the first `TAPS` of them to predict from.
    sound : Sound
        Of what was before the fall.
    gain : float
        What was left of it.
    power : float
        Mean square of the sound outside.
    inside : int
        First sample of lesser gain; all are before `first`.
    first, last : int
        The return is looked for from the one to before the other.
    """
    gain = max(gain, _LEAST_GAIN)
    restored = samples.copy()
    restored[max(inside, 0) : first] /= gain
    # Innovations if the gain is back at `first`, and what each sample that is not yet adds.
    innovations = np.convolve(restored, sound.error_filter, "valid")[first - TAPS :]
    count = last - first
    padded = np.concatenate([np.zeros(len(innovations)), sound.error_filter, innovations * 0])
    shifted = windows(padded, len(innovations))[len(innovations) :: -1][:count]
    added = np.cumsum(shifted * (1 / gain - 1) * samples[first:last, np.newaxis], axis=0)
    ways = innovations + np.concatenate([np.zeros((1, len(innovations))), added])
    # Innovations inside were made louder as well.
    places = np.arange(len(innovations))
    ways = np.where(places < np.arange(count + 1)[:, np.newaxis], gain * ways, ways)
    costs = np.square(ways) / sound.usual
    following = np.arange(count)[:, np.newaxis] + np.arange(AFTER)
    left = np.take_along_axis(costs[:-1], following, axis=1).sum(axis=1)
    evidence = costs[-1][following].sum(axis=1) - left  # against a gain that stays as it is
    evidence[left > LEFT * AFTER] = 0.0
    best = int(np.argmax(evidence))
    heard = samples[first + best : first + best + AFTER]
    is_back = float(np.mean(heard**2)) > gain * power  # nearer to that outside than inside
    return first + best if evidence[best] > EVIDENCE and is_back else None
