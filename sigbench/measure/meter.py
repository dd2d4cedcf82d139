"""Levels as they are just now, for a live display: fed with blocks, asked at any time."""

from collections import deque
from dataclasses import dataclass

import numpy as np

from sigbench.model import Samples
from sigbench.units import ratio_to_db, rms_to_dbfs

WINDOW_SECONDS = 0.3  # RMS: about as fast as an eye follows, slow enough to be read
HOLD_SECONDS = 2.0  # a peak stays on the display so long: common practice, no source
OVERLOAD = 0.999  # of full scale, -0.01 dB: what a converter gives when it is overdriven


@dataclass(frozen=True, slots=True)
class MeterLevel:
    """One channel just now: RMS (full-scale sine 0 dBFS, AES17), peak of the last seconds.

    `overloads` counts the samples at full scale since the meter was started.
    """

    rms_dbfs: float
    peak_dbfs: float
    overloads: int


class LevelMeter:
    """Levels of all channels of a running stream.

    Parameters
    ----------
    samplerate : int
        Frames a second.
    channels : int
        Columns of the blocks.
    """

    def __init__(self, samplerate: int, channels: int) -> None:
        self._samplerate = samplerate
        self._start = 0  # of the oldest block that is held for the RMS
        self._squares: deque[tuple[int, Samples]] = deque()
        self._peaks: deque[tuple[int, Samples]] = deque()
        self._position = 0
        self._overloads = np.zeros(channels, dtype=int)
        self._channels = channels

    def feed(self, samples: Samples) -> None:
        """Take in a block, shape (frames, channels)."""
        if len(samples) == 0:
            return
        self._position += len(samples)
        size = np.abs(samples)
        self._squares.append((self._position, np.einsum("ij,ij->j", samples, samples)))
        self._peaks.append((self._position, size.max(axis=0)))
        self._overloads += np.count_nonzero(size >= OVERLOAD, axis=0)
        self._start = self._forget(self._squares, WINDOW_SECONDS) or self._start
        self._forget(self._peaks, HOLD_SECONDS)

    def _forget(self, entries: "deque[tuple[int, Samples]]", seconds: float) -> int:
        """Let go of blocks that ended too long ago, but the last; where the last to go ended."""
        gone = 0
        while len(entries) > 1 and entries[0][0] <= self._position - seconds * self._samplerate:
            gone = entries.popleft()[0]
        return gone

    def now(self) -> tuple[MeterLevel, ...]:
        """Levels of all channels; ``-inf`` before anything has come, and for digital silence."""
        if not self._squares:
            return tuple(MeterLevel(-np.inf, -np.inf, 0) for _ in range(self._channels))
        held = self._position - self._start
        rms = np.sqrt(np.sum([s for _, s in self._squares], axis=0) / held)
        peak = np.max([p for _, p in self._peaks], axis=0)
        return tuple(
            MeterLevel(float(rms_to_dbfs(float(r))), float(ratio_to_db(float(p))), int(n))
            for r, p, n in zip(rms, peak, self._overloads, strict=True)
        )
