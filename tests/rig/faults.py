"""What a computer may do to audio, as models of their own: numpy and scipy, nothing of the project.

Each is a function of samples (frames, channels) and their rate that gives samples.
"""

from collections.abc import Callable

import numpy as np
import scipy.signal as ss
from numpy.typing import NDArray

Sound = NDArray[np.float64]
Model = Callable[[Sound, int], Sound]


def each(model: Callable[[Sound, int], Sound]) -> Model:
    return lambda sound, rate: np.column_stack([model(c, rate) for c in sound.T])


def poly(other_of: Callable[[int], int], window: tuple[str, float] | None = None) -> Model:
    def model(sound: Sound, rate: int) -> Sound:
        other = other_of(rate)
        g = int(np.gcd(rate, other))
        up, down = other // g, rate // g
        if window is None:
            return ss.resample_poly(ss.resample_poly(sound, up, down), down, up)
        taps = ss.firwin(
            2 * 64 * max(up, down) + 1, 0.955 / max(up, down), window=window
        )  # a long one
        return ss.resample_poly(ss.resample_poly(sound, up, down, window=taps), down, up,
                                window=taps)  # fmt: skip

    return model


def straight_lines(other_of: Callable[[int], int]) -> Model:
    def model(sound: Sound, rate: int) -> Sound:
        other = other_of(rate)
        time = np.arange(len(sound)) / rate
        there = np.arange(int(len(sound) * other / rate)) / other
        return np.interp(time, there, np.interp(there, time, sound))

    return each(model)


def family(rate: int) -> int:
    """The usual rate of the other family."""
    return {44_100: 48_000, 88_200: 48_000, 176_400: 48_000}.get(rate, 44_100)


def half(rate: int) -> int:
    return rate // 2 if rate > 64_000 else 44_100 if rate == 48_000 else 32_000


def envelope(sound: Sound, rate: int, attack: float, release: float, step: int = 32) -> Sound:
    """Peak detector with attack and release, on blocks of a few frames."""
    blocks = np.abs(sound[: len(sound) // step * step]).reshape(-1, step).max(axis=1)
    a, r = (1 - np.exp(-step / rate / t) for t in (attack, release))
    out, level = np.empty(len(blocks)), 0.0
    for n, value in enumerate(blocks):
        level += (a if value > level else r) * (value - level)
        out[n] = level
    at = (np.arange(len(blocks)) + 0.5) * step
    return np.interp(np.arange(len(sound)), at, out)


def feed_forward(threshold_db: float, ratio: float, attack: float, release: float) -> Model:
    def model(sound: Sound, rate: int) -> Sound:
        db = 20 * np.log10(envelope(sound, rate, attack, release) + 1e-9)
        return sound * 10 ** (-np.maximum(db - threshold_db, 0) * (1 - 1 / ratio) / 20)

    return each(model)


def feed_back(target_db: float, seconds: float, most_db: float = 30.0) -> Model:
    """A leveller that turns its gain until what leaves has the wanted level."""

    def model(sound: Sound, rate: int) -> Sound:
        step = rate // 200
        gain_db, gains = 0.0, []
        for start in range(0, len(sound), step):
            gains.append(gain_db)
            rms = np.sqrt(np.mean(sound[start : start + step] ** 2))
            if rms > 3e-4:
                level = 20 * np.log10(rms * np.sqrt(2)) + gain_db
                gain_db += np.clip((target_db - level) / (200 * seconds), -3, 3)
                gain_db = float(np.clip(gain_db, -30, most_db))
        at = np.arange(len(gains)) * step
        return np.clip(sound * 10 ** (np.interp(np.arange(len(sound)), at, gains) / 20), -1, 1)

    return each(model)


def gate(threshold_db: float, range_db: float, hold: float = 0.1) -> Model:
    def model(sound: Sound, rate: int) -> Sound:
        step = rate // 1000
        peaks = np.abs(sound[: len(sound) // step * step]).reshape(-1, step).max(axis=1)
        over = peaks > 10 ** (threshold_db / 20)
        last = np.maximum.accumulate(np.where(over, np.arange(len(over)), -(10**9)))
        is_open = (np.arange(len(over)) - last) <= hold * 1000
        closed = 0.0 if range_db == np.inf else 10 ** (-range_db / 20)
        gain = np.repeat(np.where(is_open, 1.0, closed), step)
        gain = np.pad(gain, (0, len(sound) - len(gain)), mode="edge")
        if closed == 0:
            return sound * gain
        return sound * ss.lfilter([1 / step], [1, 1 / step - 1], gain)

    return each(model)


def spectral(depth_db: float, floor_db: float) -> Model:
    """Lines that stand below a level are turned down, as a noise suppressor does."""

    def model(sound: Sound, rate: int) -> Sound:
        size = 1 << round(np.log2(0.02 * rate))
        _, _, lines = ss.stft(sound, nperseg=size)
        quiet = np.abs(lines) < 10 ** (floor_db / 20) / 2
        return ss.istft(np.where(quiet, lines * 10 ** (-depth_db / 20), lines), nperseg=size)[1][
            : len(sound)
        ]

    return each(model)


def rounded(bits: int = 16, way: str = "round") -> Model:
    def model(sound: Sound, rate: int) -> Sound:
        steps = sound * 2.0 ** (bits - 1)
        if way == "dither":
            rng = np.random.default_rng(len(sound))
            return np.rint(steps + rng.random(steps.shape) - rng.random(steps.shape)) / 2.0 ** (
                bits - 1
            )
        return (np.rint(steps) if way == "round" else np.floor(steps)) / 2.0 ** (bits - 1)

    return model


def volume(share: float) -> Model:
    return lambda sound, rate: sound * share


def volume_of_32_bits(share: float) -> Model:
    return lambda sound, rate: (sound * share).astype(np.float32).astype(np.float64)


def mixed(own: float, other: float) -> Model:
    return lambda sound, rate: own * sound + other * sound[:, ::-1]


def swapped(sound: Sound, rate: int) -> Sound:
    return sound[:, ::-1]


def high_pass(order: int, corner_hz: float) -> Model:
    return lambda sound, rate: ss.sosfilt(
        ss.butter(order, corner_hz, "highpass", fs=rate, output="sos"), sound, axis=0
    )


def at_rate(played_of: Callable[[int], int]) -> Model:
    def model(sound: Sound, rate: int) -> Sound:
        played = played_of(rate)
        g = int(np.gcd(rate, played))
        return ss.resample_poly(sound, rate // g, played // g)

    return model
