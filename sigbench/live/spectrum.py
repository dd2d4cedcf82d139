"""The spectrum of the last moment, in columns for a display: levels of tones, not of noise.

Hann window (Harris, Proc. IEEE 66 (1978) 51-83), scaled so that a sine reads its level: 0 dBFS for
a full-scale one (AES17). Between two lines of the transform a sine reads up to 1.4 dB less.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigbench.model import Samples
from sigbench.units import ratio_to_db

LEAST_SECONDS = 0.5  # of sound: keeps lines of mains hum, 50 Hz apart and less, well separate
LOWEST_HZ = 20.0
HIGHEST_HZ = 20_000.0
FLOOR_DBFS = -160.0  # of what is drawn

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Spectrum:
    """Levels in columns that are evenly spaced on a logarithmic axis.

    Parameters
    ----------
    edges_hz : ndarray of float, shape (columns + 1,)
    levels : ndarray of float, shape (columns, channels)
        Highest level in dBFS of each column; NaN before enough has been heard.
    """

    edges_hz: Floats
    levels: Floats


class MovingSpectrum:
    """The spectrum of a running take.

    Parameters
    ----------
    samplerate : int
        Frames a second.
    channels : int
        Columns of the blocks.
    """

    def __init__(self, samplerate: int, channels: int) -> None:
        self._samplerate = samplerate
        length = 1 << int(np.ceil(np.log2(LEAST_SECONDS * samplerate)))
        self._window = np.hanning(length + 1)[:-1]
        self._ring = np.zeros((length, channels))
        self._next = 0  # where the ring is written next
        self._heard = 0  # frames, no more than the ring is long

    def feed(self, samples: Samples) -> None:
        """Take in a block, shape (frames, channels)."""
        length = len(self._ring)
        recent = samples[-length:]
        places = (self._next + np.arange(len(recent))) % length
        self._ring[places] = recent
        self._next = (self._next + len(recent)) % length
        self._heard = min(length, self._heard + len(recent))

    def recent(self) -> Samples:
        """A copy of the frames that the spectrum is of; empty before enough has been heard."""
        if self._heard < len(self._ring):
            return self._ring[:0].copy()
        return np.roll(self._ring, -self._next, axis=0)

    def of(self, recent: Samples, columns: int) -> Spectrum:
        """The spectrum of what `recent` gave, in so many columns."""
        top = min(HIGHEST_HZ, self._samplerate / 2)
        edges = np.geomspace(LOWEST_HZ, top, columns + 1)
        if len(recent) == 0:
            return Spectrum(edges, np.full((columns, self._ring.shape[1]), np.nan))
        # A sine of amplitude 1 has lines of half the sum of the window.
        lines = np.fft.rfft(recent * self._window[:, np.newaxis], axis=0)
        levels = np.maximum(ratio_to_db(np.abs(lines) * 2 / self._window.sum()), FLOOR_DBFS)
        step = self._samplerate / len(recent)
        first = np.ceil(edges[:-1] / step).astype(int)
        last = np.maximum(np.ceil(edges[1:] / step).astype(int), first + 1)
        # Where a column is narrower than the lines lie apart, the line next above it stands in it.
        pairs = np.stack([first, np.minimum(last, len(levels))], axis=1).ravel()
        padded = np.vstack([levels, np.full((1, levels.shape[1]), FLOOR_DBFS)])
        return Spectrum(edges, np.maximum.reduceat(padded, pairs, axis=0)[::2])
