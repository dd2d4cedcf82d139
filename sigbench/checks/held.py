"""The part of a take in which a note is held: what comes before and after it is left out.

A note is seldom held from the first frame to the last. What a fit over the silence before the
key goes down, or over the release, says of level, pitch and distortion is about neither.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

HELD_DB = 20.0  # the note counts as held while it is within this of its loudest; our own choice
CYCLES = 4.0  # of the note in a window: its neighbours an octave away are kept out
SHORTEST_WINDOW_SECONDS = 0.005
BRIDGED_SECONDS = 0.5  # a shorter interruption is a fault of the note, a longer one its end
SETTLING_SECONDS = 0.05  # left out beside a start or an end inside the take
LEAST_SECONDS = 0.1  # a shorter note is measured with what is around it


@dataclass(frozen=True, slots=True)
class Held:
    """Where a note is held: first frame and one past the last, and whether that is all."""

    start: int
    stop: int
    whole: bool

    def first(self, frames: int) -> "Held":
        """No more than the first frames of it."""
        if self.stop - self.start <= frames:
            return self
        return Held(self.start, self.start + frames, False)

    def remark(self, samplerate: int) -> str | None:
        """What to say beside a number from this part alone; None where it is all."""
        if self.whole:
            return None
        start, stop = self.start / samplerate, self.stop / samplerate
        return f"measured from {start:.2f} s to {stop:.2f} s, while the note is held"


def held_part(signal: NDArray[np.float64], samplerate: int, frequency_hz: float) -> Held:
    """The longest stretch of one channel in which a note sounds.

    Parameters
    ----------
    signal : ndarray of float, shape (frames,)
        Full scale is -1.0 to 1.0.
    samplerate : int
        Frames a second.
    frequency_hz : float
        Fundamental of the note, right within a third of an octave.

    Notes
    -----
    The note is followed in Hann windows of a few cycles, half overlapped. What is left of it 20 dB
    below its loudest is its release, or the end of its decay. Where the noise lies less than
    20 dB below the note in such a window, no start and no end are seen: then the whole take counts.
    """
    frames = len(signal)
    everything = Held(0, frames, True)
    length = round(max(CYCLES / frequency_hz, SHORTEST_WINDOW_SECONDS) * samplerate)
    if frames < 4 * length:
        return everything
    window = np.hanning(length + 2)[1:-1]
    carrier = window * np.exp(-2j * np.pi * frequency_hz / samplerate * np.arange(length))
    hop = length // 2
    rows = np.lib.stride_tricks.sliding_window_view(signal, length)[::hop]
    # The window's mean is taken off: of a constant, the carrier still sees a little.
    power = np.abs(rows @ carrier - (rows @ window) * (carrier.sum() / window.sum())) ** 2
    sounding = np.flatnonzero(power > 10 ** (-HELD_DB / 10) * power.max())
    if len(sounding) == 0:
        return everything
    breaks = np.flatnonzero(np.diff(sounding) * hop > BRIDGED_SECONDS * samplerate)
    firsts = sounding[np.concatenate(([0], breaks + 1))]
    lasts = sounding[np.concatenate((breaks, [len(sounding) - 1]))]
    longest = int(np.argmax(lasts - firsts))
    first, last = int(firsts[longest]), int(lasts[longest])
    settling = round(SETTLING_SECONDS * samplerate)
    start = 0 if first == 0 else first * hop + length + settling
    stop = frames if last == len(power) - 1 else last * hop - settling
    if stop - start < LEAST_SECONDS * samplerate:
        return everything
    return Held(start, stop, start == 0 and stop == frames)
