"""When the rig test came back: its speed, its delay, and the difference of two clocks."""

import math
from dataclasses import dataclass

import numpy as np

from sigbench.rig.path_stimulus import (
    MARKER_HZ,
    STIMULUS_SECONDS,
    TIMES,
    Floats,
    frames_of,
    marker_sweep,
    tone_period,
)

REPEAT = "close other programs and repeat."
"""How every sentence ends that says that audio was lost."""

MAX_LATENCY_SECONDS = 1.0
SPEED_TOLERANCE = 0.003
"""Largest deviation of the speed that is a clock's: crystals keep to 100 ppm, video pull-down is
0.1 %, and neighbouring standard rates are 8 % apart (common practice, no source)."""
DRIFT_SIGMAS = 5.0  # and it has to stand this far above its own uncertainty
JUMP_FRAMES = 0.3  # by which the middle marker may miss the line through the outer ones
"""A single frame lost between two of the markers puts the middle one 0.45 frames or more off."""


@dataclass(frozen=True, slots=True)
class Clock:
    """How the time of what came back runs, against that of what was played."""

    samplerate: int
    first: float  # frame at which the first marker came back
    ppm: float  # how much faster the outputs run
    uncertainty: float

    @property
    def ratio(self) -> float:
        """Speed of the outputs over that of the inputs."""
        return 1 + self.ppm * 1e-6

    def frame(self, seconds: float) -> float:
        """Frame of the take for a time of the stimulus."""
        return self.first + (seconds - TIMES["marker1"][0]) * self.samplerate / self.ratio


def speed_of(signal: Floats, samplerate: int) -> float | None:
    """Frequency of the tone that came back over that of the tone that was played.

    The tone in steps lasts longest of all, so most of the stretches with a single tone have its
    frequency, at whatever speed. None where no such tone came and went.
    """
    length = 1 << round(math.log2(0.08 * samplerate))
    hop = length // 2
    if len(signal) < length:
        return None
    frames = np.lib.stride_tricks.sliding_window_view(signal, length)[::hop]
    window = np.hanning(length)
    power = np.abs(np.fft.rfft(window * (frames - frames.mean(axis=1, keepdims=True)))) ** 2
    power[:, :3] = 0.0
    peaks = np.clip(np.argmax(power, axis=1), 3, power.shape[1] - 4)
    rows = np.arange(len(power))
    near = np.sum([power[rows, peaks + k] for k in range(-2, 3)], axis=0)
    total = power.sum(axis=1)
    single = (near > 0.8 * total) & (near > 0)
    with np.errstate(divide="ignore"):
        left, mid, right = (np.log(power[rows, peaks + k] + 1e-300) for k in (-1, 0, 1))
    bend = left - 2 * mid + right
    shift = np.divide(left - right, 2 * bend, out=np.zeros_like(bend), where=bend != 0)
    hz = (peaks + np.clip(shift, -1, 1)) * samplerate / length
    ratios = hz * tone_period(samplerate) / samplerate
    usable = single & (ratios > 0.15) & (ratios < 6.5)
    if not usable.any():
        return None
    # The most frequent ratio, in cells of 1 %, then its median.
    cells = np.round(np.log(ratios[usable]) / 0.01).astype(int)
    values, counts = np.unique(cells, return_counts=True)
    chosen = values[np.argmax(counts)]
    mine = usable & (np.abs(np.log(np.maximum(ratios, 1e-9)) - 0.01 * chosen) < 0.01)
    level = near[mine]
    quiet = np.quantile(total, 0.05)
    if mine.sum() < 3 or mine.mean() > 0.85 or np.max(level) < 10 * quiet:
        return None  # a hum that never stops is no tone of ours
    strong = level > 0.01 * np.max(level)
    return float(np.median(ratios[mine][strong]))


def find_clock(signal: Floats, samplerate: int) -> "Clock | str":
    """Find the three markers; a sentence where that fails."""
    marker = marker_sweep(samplerate)
    spread = SPEED_TOLERANCE * STIMULUS_SECONDS
    found: list[int] = []
    for name in ("marker1", "marker2", "marker3"):
        sent = TIMES[name][0]
        if not found:
            low, high = 0.0, sent + MAX_LATENCY_SECONDS
        else:
            expected = found[0] / samplerate + sent - TIMES["marker1"][0]
            low, high = expected - spread, expected + spread
        at = _find(signal, marker, round(max(low, 0) * samplerate), round(high * samplerate))
        if at is None:
            return (
                "What came back does not keep to the times of what was played: audio was lost on "
                "the way, or it came more than "
                f"{MAX_LATENCY_SECONDS:g} s late: {REPEAT}"
            )
        found.append(at)
    whole = [signal[at : at + len(marker)] for at in found]
    # Whatever filters there are act on all markers alike, so they are compared with each other.
    middle, middle_uncertainty = _lag(whole[1], whole[0], samplerate)
    last, uncertainty = _lag(whole[2], whole[0], samplerate)
    starts = [frames_of(name, samplerate)[0] for name in ("marker1", "marker2", "marker3")]
    span = found[2] - found[0] + last
    at_middle = found[1] - found[0] + middle
    ratio = (starts[2] - starts[0]) / span
    missed = at_middle - (starts[1] - starts[0]) / ratio
    if abs(missed) > max(JUMP_FRAMES, DRIFT_SIGMAS * math.hypot(middle_uncertainty, uncertainty)):
        return (
            f"The sound jumped: the marker in the middle came {abs(missed):.1f} frames off. Audio "
            f"was lost without notice, or the clock is not steady: {REPEAT}"
        )
    offset, _ = _lag(whole[0], marker, samplerate)
    return Clock(samplerate, found[0] + offset, (ratio - 1) * 1e6, uncertainty / span * 1e6)


def _find(signal: Floats, marker: Floats, low: int, high: int) -> int | None:
    """Frame between low and high at which the marker begins; None if it is not there."""
    part = signal[low : min(high + len(marker), len(signal))]
    if len(part) < len(marker):
        return None
    size = 1 << (len(part) + len(marker) - 1).bit_length()
    product = np.fft.rfft(part, size) * np.conj(np.fft.rfft(marker, size))
    correlation = np.abs(np.fft.irfft(product, size)[: len(part) - len(marker) + 1])
    at = int(np.argmax(correlation))
    there = part[at : at + len(marker)]
    alike = correlation[at] / (np.linalg.norm(marker) * np.linalg.norm(there) + 1e-300)
    return low + at if alike > 0.4 else None


def _lag(signal: Floats, reference: Floats, samplerate: int) -> tuple[float, float]:
    """Frames by which a signal lags, from the slope of the phase; and standard uncertainty."""
    size = 2 * len(signal)
    cross = np.fft.rfft(signal, size) * np.conj(np.fft.rfft(reference, size))
    frequencies = np.fft.rfftfreq(size)
    low, high = (hz / samplerate for hz in MARKER_HZ)
    inside = (frequencies > 1.5 * low) & (frequencies < 0.6 * high)
    omega, phase = 2 * np.pi * frequencies[inside], np.unwrap(np.angle(cross[inside]))
    model = np.column_stack((omega, np.ones_like(omega)))
    fit, *_ = np.linalg.lstsq(model, phase, rcond=None)
    residual = phase - model @ fit
    spread = np.sum((omega - omega.mean()) ** 2)
    # Zero padding doubles the number of lines, not what they tell.
    deviation = math.sqrt(2 * float(np.mean(residual**2)) / float(spread))
    return float(-fit[0]), deviation
