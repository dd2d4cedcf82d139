"""Level, and the frequency of a steady tone, against time: for soak checks and live strips.

A `LevelTracker` tells the level of each channel 50 times a second, a `ToneTracker` the frequency
and level of a steady tone ten times a second. Both take blocks of any sizes and keep nothing but
the last step.

Source: the frequency is the advance of the tone's phase between Hann-windowed stretches 50 ms
apart: the phase-difference estimator of S. A. Tretter, IEEE Trans. IT 31 (1985) 832-835, for two
phases, each of a windowed Fourier coefficient. A tone 20 Hz away advances by a turn more, which
looks the same; it is told by the frequency reassignment of F. Auger, P. Flandrin, IEEE Trans. SP 43
(1995) 1068-1089, from the coefficient under the window's slope.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigbench.errors import RequestError
from sigbench.measure.streaming import Stretches, require_block
from sigbench.model import Samples
from sigbench.units import FULL_SCALE_SINE_RMS, cents, power_ratio_to_db, ratio_to_db

LEVEL_SECONDS = 0.02  # a step of the level; a multiple of the period of 50 Hz
TONE_SECONDS = 0.1  # a step of the tone
LOWEST_TONE_HZ = 40.0  # four lobes of the window away from zero
PULL_HZ = 8.0  # how far from the expected frequency the tone may be; half a turn is 10 Hz
TONE_SHARE_DB = -20.0  # a tone weaker than this re the whole sound is not followed
_SAME_TURN = 1 / 3  # of a turn: how far the two estimates of the frequency may disagree
_LEVEL_BATCH = 256  # steps that are worked on at a time, at most


@dataclass(frozen=True, slots=True)
class LevelStep:
    """The levels of one step.

    Parameters
    ----------
    start : float
        Seconds from the first frame.
    rms, peak : tuple of float
        dBFS of each channel: RMS (a full-scale sine is 0 dBFS, AES17), and sample peak. Silence is
        ``-inf``.
    """

    start: float
    rms: tuple[float, ...]
    peak: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class ToneStep:
    """A tone in one step.

    Parameters
    ----------
    time : float
        Seconds from the first frame to the middle of the step.
    cents : float or None
        Deviation from the expected frequency; None where no such tone was heard.
    level : float
        dBFS, RMS of what lies within 20 Hz of the expected frequency.
    """

    time: float
    cents: float | None
    level: float


class LevelTracker:
    """Levels of audio that comes in blocks, in steps of `LEVEL_SECONDS`.

    Blocks of any sizes give the same steps. A last step that is not whole is not told.

    Parameters
    ----------
    samplerate : int
        Frames a second.
    channels : int
        Channels of each block.

    Examples
    --------
    >>> t = np.arange(4800) / 48000
    >>> sound = np.sin(2 * np.pi * 1000 * t)
    >>> step = LevelTracker(48000, 1).feed(sound[:, np.newaxis])[0]
    >>> step.start, round(step.rms[0], 3), round(step.peak[0], 3)
    (0.0, 0.0, 0.0)
    """

    def __init__(self, samplerate: int, channels: int) -> None:
        self._samplerate = samplerate
        self._step = max(1, round(LEVEL_SECONDS * samplerate))
        self._channels = channels
        self._stretches = Stretches(channels, self._step, _LEVEL_BATCH)
        self._start = 0

    def feed(self, block: Samples) -> tuple[LevelStep, ...]:
        """Take the next block, of shape (frames, channels); the steps that it completed.

        Raises
        ------
        SignalError
            If the block has another number of channels, or values that are not finite.
        """
        require_block(block, self._channels, "level tracker")
        return tuple(step for part in self._stretches.feed(block) for step in self._levels(part))

    def finish(self) -> tuple[LevelStep, ...]:
        """No more blocks: nothing is left to tell."""
        return ()

    def _levels(self, samples: NDArray[np.float64]) -> list[LevelStep]:
        parts = samples.reshape(self._channels, -1, self._step)
        powers = np.vecdot(parts, parts) / self._step
        peaks = np.maximum(parts.max(axis=2), -parts.min(axis=2))
        rms = power_ratio_to_db(powers / FULL_SCALE_SINE_RMS**2).tolist()
        peak = ratio_to_db(peaks).tolist()
        begin, self._start = self._start, self._start + samples.shape[1]
        starts = (np.arange(begin, self._start, self._step) / self._samplerate).tolist()
        return list(map(LevelStep, starts, zip(*rms, strict=True), zip(*peak, strict=True)))


class ToneTracker:
    """Frequency and level of a steady tone in one channel, ten times a second.

    Blocks of any sizes give the same steps. A deviation of up to `PULL_HZ` from the expected
    frequency is followed. Other partials have to be 40 Hz away or more.

    Parameters
    ----------
    samplerate : int
        Frames a second.
    frequency_hz : float
        What is expected: the note played, or the frequency measured at the start.

    Raises
    ------
    RequestError
        If the frequency is below `LOWEST_TONE_HZ`, or above 0.45 of the sample rate.

    Examples
    --------
    >>> t = np.arange(48000) / 48000
    >>> steps = ToneTracker(48000, 440.0).feed(np.sin(2 * np.pi * 441 * t))
    >>> round(steps[3].cents, 2), round(steps[3].level, 2) + 0.0
    (3.93, 0.0)
    """

    def __init__(self, samplerate: int, frequency_hz: float) -> None:
        if not LOWEST_TONE_HZ <= frequency_hz <= 0.45 * samplerate:
            raise RequestError(
                f"A tone of {frequency_hz:g} Hz cannot be followed: give one between"
                f" {LOWEST_TONE_HZ:g} and {0.45 * samplerate:g} Hz."
            )
        self._samplerate = samplerate
        self._frequency = frequency_hz
        self._half = max(1, round(TONE_SECONDS / 2 * samplerate))  # frames between windows
        n = 2 * self._half
        taper = np.hanning(n + 1)[:-1]
        angle = 2 * np.pi * frequency_hz / samplerate * np.arange(n)
        slope = np.pi / n * np.sin(2 * np.pi * np.arange(n) / n)  # of the taper, per frame
        waves = np.vstack([np.cos(angle), np.sin(angle)]) / taper.sum() * np.sqrt(2)
        basis = np.concatenate([waves * taper, waves * slope])
        # A window is two halves, and each half is in two windows.
        self._basis = np.concatenate([basis[:, : self._half], basis[:, self._half :]])
        squared = np.square(taper) / np.dot(taper, taper)
        self._squared_taper = np.vstack([squared[: self._half], squared[self._half :]])
        self._turn = 2 * np.pi * frequency_hz * self._half / samplerate
        self._waiting = np.empty(0)
        self._start = 0

    def feed(self, signal: NDArray[np.float64]) -> tuple[ToneStep, ...]:
        """Take the next block of one channel, of shape (frames,); the steps that it completed.

        Raises
        ------
        SignalError
            If the block has another shape, or values that are not finite.
        """
        column = np.atleast_2d(signal).T
        require_block(column, 1, "tone tracker")
        known = np.concatenate([self._waiting, column[:, 0]])
        # The next step's first window begins where this one's second ended.
        count = max(len(known) - self._half, 0) // (2 * self._half)
        used = 2 * count * self._half
        steps = self._measure(known[: used + self._half].reshape(-1, self._half)) if count else ()
        self._waiting = known[used:].copy()
        self._start += used
        return steps

    def finish(self) -> tuple[ToneStep, ...]:
        """No more blocks: nothing is left to tell."""
        return ()

    def _measure(self, halves: NDArray[np.float64]) -> tuple[ToneStep, ...]:
        """The steps in an odd number of half windows, each of which is a row."""
        # Row by row, so that the rounding is the same however many rows come together.
        parts = np.vecdot(halves[:, np.newaxis], self._basis)
        weighted = np.vecdot(np.square(halves)[:, np.newaxis], self._squared_taper)
        windows = parts[:-1, :4] + parts[1:, 4:]
        phasors = windows[:, 0] - 1j * windows[:, 1]
        slopes = windows[:, 2] - 1j * windows[:, 3]
        powers = weighted[:-1, 0] + weighted[1:, 1]
        first, second = phasors[::2], phasors[1::2]
        advance = np.angle(second * first.conj() * np.exp(-1j * self._turn))
        turn_hz = self._samplerate / self._half
        off_hz = advance / (2 * np.pi) * turn_hz
        heard = (np.abs(first) ** 2 + np.abs(second) ** 2) / 2
        turning = -np.imag(slopes * phasors.conj())
        rough = (turning[::2] + turning[1::2]) / 2 / np.where(heard > 0, heard, 1.0)
        rough_hz = rough / (2 * np.pi) * self._samplerate
        power = (powers[::2] + powers[1::2]) / 2
        clear = (heard > power * 10 ** (TONE_SHARE_DB / 10)) & (np.abs(off_hz) <= PULL_HZ)
        clear &= np.abs(off_hz - rough_hz) < _SAME_TURN * turn_hz
        # What the window takes from a tone that lies off its middle is given back.
        x = np.where(clear, off_hz, 0.0) * 2 * self._half / self._samplerate
        lobe = np.sinc(x) / (1 - x * x)
        levels = power_ratio_to_db(heard / (lobe * lobe) / FULL_SCALE_SINE_RMS**2)
        away = cents(np.where(clear, self._frequency + off_hz, self._frequency), self._frequency)
        middle = self._start + 1.5 * self._half
        return tuple(
            ToneStep(
                (middle + 2 * k * self._half) / self._samplerate,
                float(away[k]) if clear[k] else None,
                float(levels[k]),
            )
            for k in range(len(clear))
        )
