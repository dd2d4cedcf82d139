"""The level of the last seconds, in columns for a strip that moves along."""

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigbench.measure.level_track import LEVEL_SECONDS, LevelTracker
from sigbench.model import Samples

STRIP_SECONDS = 12.0  # as far back as a person remembers what the hands did; our own choice
FLOOR_DBFS = -140.0  # of what is drawn


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """Levels of the last `STRIP_SECONDS` at most.

    Parameters
    ----------
    start : float
        Seconds of the take at its left edge; before the take there is nothing, which is not drawn.
    low, high : ndarray of float, shape (columns, channels)
        Lowest and highest RMS level in dBFS of each column's steps of 20 ms; NaN where nothing is.
    """

    start: float
    low: NDArray[np.float64]
    high: NDArray[np.float64]

    def column(self, seconds: float) -> int | None:
        """The column of a moment of the take; None if it lies before the strip."""
        column = int((seconds - self.start) / STRIP_SECONDS * len(self.low))
        return min(column, len(self.low) - 1) if column >= 0 else None


class MovingStrip:
    """The strip of a running take.

    Parameters
    ----------
    samplerate : int
        Frames a second.
    channels : int
        Columns of the blocks.
    """

    def __init__(self, samplerate: int, channels: int) -> None:
        self._levels = LevelTracker(samplerate, channels)
        self._channels = channels
        self._count = 0  # steps since the start
        self._steps: deque[tuple[float, ...]] = deque(maxlen=round(STRIP_SECONDS / LEVEL_SECONDS))

    def feed(self, samples: Samples) -> None:
        """Take in a block, shape (frames, channels)."""
        for step in self._levels.feed(samples):
            self._steps.append(step.rms)
            self._count += 1

    def now(self, columns: int) -> Strip:
        """The strip in so many columns, the newest at the right."""
        whole = self._steps.maxlen or 1
        levels = np.full((whole, self._channels), np.nan)
        if self._steps:
            levels[-len(self._steps) :] = np.maximum(np.array(self._steps), FLOOR_DBFS)
        edges = np.linspace(0, whole, columns + 1).astype(int)[:-1]
        return Strip(
            self._count * LEVEL_SECONDS - STRIP_SECONDS,
            np.fmin.reduceat(levels, edges, axis=0),
            np.fmax.reduceat(levels, edges, axis=0),
        )
