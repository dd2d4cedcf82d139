"""What came back of the rig test on one channel: levels, noise, responses, and its steps."""

import math
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from sigbench.rig.path_clock import Clock
from sigbench.rig.path_stimulus import (
    COMB_LOW_HZ,
    COMB_TOP,
    LOW_DBFS,
    LOW_HZ,
    TIMES,
    TONE_DBFS,
    Floats,
    channel_hz,
    frames_of,
    peak_of,
    same_on_all,
    tone_period,
)
from sigbench.units import db_to_ratio, power_ratio_to_db, ratio_to_db, rms_to_dbfs

DIGITAL_FLOOR_DBFS = -128.0  # no converter is quieter in its whole band: common practice
_NOISE_HZ = (500.0, 3300.0)  # above the stronger hum, within the band of a telephone
LOWEST_GAIN_DB = -45.0  # below it the faint sounds cannot be judged
LOWEST_DIGITAL_GAIN_DB = -90.0  # in a path without noise of its own


@lru_cache(maxsize=32)
def _window(frames: int) -> Floats:
    """Side lobes below -150 dB: lines are seen beside a loud tone."""
    return np.kaiser(frames, 20.0).astype(np.float64)


class Channel:
    """One recorded channel, cut into the stretches of the stimulus."""

    def __init__(self, signal: Floats, channel: int, clock: Clock) -> None:
        self.signal, self.channel, self.clock = signal, channel, clock
        self.samplerate = clock.samplerate
        self.tone = clock.ratio / tone_period(clock.samplerate)  # cycles a frame

    def cut(self, name: str, after: float, before: float) -> Floats:
        """A stretch, from `after` its start to `before` its end, in seconds."""
        start, end = TIMES[name]
        a, b = round(self.clock.frame(start + after)), round(self.clock.frame(end - before))
        return self.signal[max(a, 0) : max(b, 0)]

    def gain_db(self, name: str, sent: float, after: float, before: float) -> float:
        """Level of the tone in a stretch over its level as it was played."""
        return float(ratio_to_db(amplitude_at(self.cut(name, after, before), self.tone) / sent))

    @cached_property
    def steps(self) -> dict[str, tuple[float, float]]:
        """Gain soon after the start of each step of the tone, and at its end, dB."""
        gains = {}
        for name, dbfs in TONE_DBFS.items():
            length = TIMES[name][1] - TIMES[name][0]
            soon = 0.2 if name == "step1" else 0.06
            gains[name] = (
                self.gain_db(name, peak_of(dbfs), soon, length - soon - 0.1),
                self.gain_db(name, peak_of(dbfs), length - 0.13, 0.03),
            )
        return gains

    @cached_property
    def loop_db(self) -> float:
        """Gain of the whole loop, at -20 dBFS."""
        return self.steps["step1"][1]

    @cached_property
    def came_back(self) -> bool:
        """Whether it is strong enough to be judged."""
        return self.loop_db > (LOWEST_DIGITAL_GAIN_DB if self.digital else LOWEST_GAIN_DB)

    @cached_property
    def floor(self) -> float:
        """RMS of the noise beside the tone and its harmonics."""
        return _noise_rms(self.cut("step1", 0.2, 0.02), self.samplerate)

    @cached_property
    def digital(self) -> bool:
        """Whether no converter lies in the path: there is no noise at all."""
        played = self.floor / min(
            1.0, float(db_to_ratio(self.loop_db))
        )  # as if it were not lowered
        return float(rms_to_dbfs(max(played, 1e-15))) < DIGITAL_FLOOR_DBFS

    @cached_property
    def grid(self) -> float | None:
        """Step of the samples; None where they are too fine to have one."""
        quiet = np.concatenate(
            [self.cut(n, 0.02, 0.02) for n in ("idle", "faint tone", "faint noise", "bits2")]
        )
        return _grid(quiet, self.signal)

    @cached_property
    def plateau(self) -> float | None:
        """Level at which the input clipped; None where it did not."""
        return _plateau(self.cut("burst", -0.02, -0.02))

    @cached_property
    def heard(self) -> Floats:
        """Amplitude of each output's tone, shape (32,)."""
        part = self.cut("channels", 0.03, 0.03)
        scale = self.clock.ratio / self.samplerate
        return amplitudes_at(part, scale * np.array([channel_hz(n) for n in range(32)]))

    @cached_property
    def response(self) -> tuple[Floats, Floats]:
        """Frequencies, Hz, and gain of the comb in dB re its lowest bands."""
        part = self.cut("comb", 0.03, 0.03)
        start, end = frames_of("comb", self.samplerate)
        sent = same_on_all(self.samplerate)[start:end]
        trim = round(0.03 * self.samplerate)
        idle = self.cut("idle", 0.03, 0.03)
        width = 0.002 * self.samplerate
        edges = np.arange(COMB_LOW_HZ + width, COMB_TOP * self.samplerate, width)
        got, quiet, was = (
            band_powers(x, self.samplerate, edges) for x in (part, idle, sent[trim:-trim])
        )
        db = power_ratio_to_db(np.maximum(got - quiet, 0.02 * quiet + 1e-30) / was)
        return (edges[:-1] + edges[1:]) / 2, db - np.median(db[:8])

    @cached_property
    def low_response(self) -> Floats:
        """Gain at each of the low tones, dB re the uppermost."""
        part = self.cut("low", 0.25, 0.05)
        scale = self.clock.ratio / self.samplerate
        db = ratio_to_db(amplitudes_at(part, scale * np.array(LOW_HZ)) / peak_of(LOW_DBFS) + 1e-12)
        return np.asarray(db - db[-1])


@lru_cache(maxsize=32)
def _hann(frames: int) -> Floats:
    return np.hanning(frames)


def amplitudes_at(part: Floats, cycles: NDArray[np.floating]) -> Floats:
    """Peak amplitudes of tones, of frequencies in cycles a frame, shape (tones,).

    The Fourier sum of a Hann-windowed stretch, taken in rows of a few hundred frames, so that the
    exponentials are few.
    """
    window = _hann(len(part))
    row = 256
    padded = np.zeros(-(-len(part) // row) * row)
    padded[: len(part)] = window * (part - part.mean())
    omega = -2j * np.pi * cycles
    within = padded.reshape(-1, row) @ np.exp(np.outer(np.arange(row), omega))
    across = np.exp(np.outer(np.arange(len(within)) * row, omega))
    return np.asarray(2 * np.abs(np.sum(within * across, axis=0)) / window.sum())


def amplitude_at(part: Floats, cycles: float) -> float:
    """Peak amplitude of one tone: see `amplitudes_at`."""
    return float(amplitudes_at(part, np.array([cycles]))[0])


def spectrum_of(part: Floats) -> Floats:
    """Mean square per line, such that a sine's line reads its mean square at its top."""
    window = _window(len(part))
    return np.asarray(2 * np.abs(np.fft.rfft(window * (part - part.mean()))) ** 2
                      / window.sum() ** 2)  # fmt: skip


def _noise_rms(part: Floats, samplerate: int) -> float:
    """RMS in the whole band of noise like that between the lines, from the median of the spectrum.

    Taken where no rate conversion has cut the band. The power of a line of noise is exponentially
    distributed: its median is ln 2 of its mean.
    """
    window = _window(len(part))
    power = np.abs(np.fft.rfft(window * (part - part.mean()))) ** 2
    low, high = (round(hz / samplerate * len(part)) for hz in _NOISE_HZ)
    median = float(np.median(power[low:high]))
    return math.sqrt(median / math.log(2) / float(np.sum(window**2)))


def band_powers(part: Floats, samplerate: int, edges: Floats) -> Floats:
    """Mean power of a line in each band between edges in Hz, on a scale of its own."""
    power = np.abs(np.fft.rfft(_hann(len(part)) * part)) ** 2 / len(part)
    at = np.searchsorted(np.fft.rfftfreq(len(part), 1 / samplerate), edges)
    return np.asarray(np.add.reduceat(power, at)[:-1] / np.diff(at))


def _grid(quiet: Floats, whole: Floats) -> float | None:
    """The step that all samples are whole multiples of.

    Neighbouring values of quiet noise lie one step apart. A step finer than those of 31 bits cannot
    be told from floating point.
    """
    values = np.unique(quiet[np.abs(quiet) < 2.0**-6])
    gaps = np.diff(values[np.abs(values) < 2.0**-10])
    gaps = gaps[gaps > 2.0**-30]
    if len(gaps) < 2:
        return None
    step = float(np.mean(gaps[gaps < 1.5 * gaps.min()]))  # floating point blurs each of them
    for reach in (2.0**-12, 2.0**-8, 2.0**-6):  # refine it further and further out
        near = values[(np.abs(values) < reach) & (values != 0)]
        if len(near) == 0:
            continue
        numbers = np.rint(near / step)
        if np.max(np.abs(near / step - numbers)) > 0.1 or not np.any(numbers):
            return None
        step = float(np.sum(near * numbers) / np.sum(numbers**2))
    # Louder sounds have to fit as well, as far as 32-bit floating point resolves the step.
    fine = whole[np.abs(whole) < 0.2 * step * 2.0**24]
    some = fine[:: max(1, len(fine) // 20_000)]
    if len(some) == 0 or np.max(np.abs(some / step - np.rint(some / step))) > 0.25:
        return None
    return step


def _plateau(part: Floats) -> float | None:
    """Level of samples that stand still at their highest, where a converter clipped."""
    top = float(np.max(np.abs(part)))
    at_top = (np.abs(part) > top * (1 - 2.0**-13)).astype(np.int8)
    edges = np.diff(at_top, prepend=0, append=0)
    lengths = np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1)
    flat = np.abs(np.diff(np.abs(part))) <= top * 2.0**-22
    still = np.sum(flat & (at_top[1:] == 1) & (at_top[:-1] == 1))
    return top if np.sum(lengths >= 4) >= 20 and still >= 40 else None
