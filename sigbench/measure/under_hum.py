"""What hum stands beside: the sound that goes on under it, or nothing any more.

Where a sleeve lets go, hum comes up and the sound stays, a few decibels weaker. Where the signal's
own contact lets go and the open lead picks up the mains, there is hum in place of the sound. The
two are told apart by what is left once the comb of the mains is taken out, against what is left of
the sound before if the same is taken out of it.
"""

from collections import deque

import numpy as np
from numpy.typing import NDArray

LOST_DB = 15.0  # weaker than so, the sound is gone: an open sleeve takes 3 to 10; our own choice

_MARGIN_SECONDS = 0.012  # beside the edges
_LONGEST_SECONDS = 0.4  # that is looked at
_LEAST_SECONDS = 0.03
_LINES = 40
_LOW_LINES = 7  # hum is mostly made of these
_TOLD_SHARE = 0.1  # of the sound's power: what the comb must leave of it to tell anything
_RISE = 10.0  # power of a line re that before; 10 dB
_FIRST_LINES = 3  # one of them has to rise
_SEEN, _SURE = 5.0, 20.0  # power of a line re what else it would hold: beside others, and alone

_Array = NDArray[np.float64]


class UnderHum:
    """Remembers the last seconds of all channels, to look at them once hum is known to be there.

    Parameters
    ----------
    rate : float
        Samples a second: some kHz.
    seconds : float
        How long they are kept.
    """

    def __init__(self, rate: float, seconds: float) -> None:
        self._rate = rate
        self._kept = round(seconds * rate)
        self._parts: deque[_Array] = deque()
        self._first = 0  # number of the first sample kept

    def add(self, samples: _Array) -> None:
        """Take the next samples, of shape (channels, samples)."""
        self._parts.append(samples)
        known = sum(part.shape[1] for part in self._parts)
        while known - self._parts[0].shape[1] >= self._kept:
            dropped = self._parts.popleft().shape[1]
            known -= dropped
            self._first += dropped

    def lost(self, channel: int, start: float, end: float, mains_hz: float) -> float | None:
        """By how much the sound is weaker under hum, in dB, if it is gone; else None.

        Parameters
        ----------
        channel : int
            From 0.
        start, end : float
            Of the hum, in seconds.
        mains_hz : float
            Its frequency.
        """
        before, inside = self._beside(channel, start, end)
        if len(inside) < _LEAST_SECONDS * self._rate:
            return None
        sound, _ = _beside_comb(before, mains_hz / self._rate)
        rest, _ = _beside_comb(inside, mains_hz / self._rate)
        if sound < _TOLD_SHARE * float(np.var(before)):
            return None
        fall = float(10 * np.log10((sound + 1e-30) / (rest + 1e-30)))
        return fall if fall > LOST_DB else None

    def rise(self, channel: int, start: float, end: float, mains_hz: float) -> float | None:
        """By how much lines of the mains are stronger than before, in dB, if they surely are."""
        before, inside = self._beside(channel, start, end)
        if len(inside) < _LEAST_SECONDS * self._rate:
            return None
        _, usual = _beside_comb(before, mains_hz / self._rate)
        rest, lines = _beside_comb(inside, mains_hz / self._rate)
        noise = rest / len(inside)
        risen = (lines > _SEEN * noise) & (lines > _RISE * usual)
        sure = np.sum(risen) > 1 or lines[risen].sum() > _SURE * noise
        if not risen[:_FIRST_LINES].any() or not sure:
            return None
        return float(10 * np.log10(lines[risen].sum() / (usual[risen].sum() + noise)))

    def _beside(self, channel: int, start: float, end: float) -> tuple[_Array, _Array]:
        """As much from before hum as from within it, clear of its edges."""
        margin = round(_MARGIN_SECONDS * self._rate)
        heard = np.concatenate([part[channel] for part in self._parts])
        begin = round(start * self._rate) - self._first
        first = max(0, begin + margin)
        last = min(round(end * self._rate) - self._first - margin, len(heard))
        count = min(last - first, round(_LONGEST_SECONDS * self._rate), begin - margin)
        if count <= 0:
            return np.zeros(0), np.zeros(0)
        return heard[begin - margin - count : begin - margin], heard[last - count : last]


def _beside_comb(heard: _Array, cycles: float) -> tuple[float, _Array]:
    """Power of what is no multiple of a frequency, in cycles a sample, and of the low multiples."""
    numbers = np.arange(1, min(_LINES, int(0.45 / cycles)) + 1)
    angles = 2 * np.pi * cycles * np.outer(np.arange(len(heard)), numbers)
    columns = np.concatenate([np.cos(angles), np.sin(angles), np.ones((len(heard), 1))], axis=1)
    gram = columns.T @ columns
    weights = np.linalg.solve(gram + 1e-9 * len(heard) * np.eye(len(gram)), columns.T @ heard)
    lines = (weights[: len(numbers)] ** 2 + weights[len(numbers) : -1] ** 2) / 2
    free = max(len(heard) - columns.shape[1], 1)
    rest = float(np.sum((heard - columns @ weights) ** 2)) / free
    return rest, lines[:_LOW_LINES]
