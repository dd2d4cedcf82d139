"""Pots turned by hand, from the physics of a resistive track: nothing here knows the package.

A track of `track_ohms` lies across the source; the wiper taps it and reaches the next stage, a
load, through a contact resistance. Where the track is worn that resistance comes and goes with
the spots that the wiper meets, some of them in every pass, others not, and frets while it is there.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.ndimage import gaussian_filter1d

from tests.measure import waves

RATE = 48_000
Law = Callable[[np.ndarray], np.ndarray]


def linear(x: np.ndarray) -> np.ndarray:
    return x


def audio(at_half: float) -> Law:
    """Two straight pieces that meet at half the travel: common practice, no source."""
    return lambda x: np.interp(x, [0, 0.5, 1], [0, at_half, 1])


def hand(
    seconds: float,
    rng: np.random.Generator,
    *,
    sweeps: int = 6,
    low: float = 0.0,
    high: float = 1.0,
    start: float | None = None,
    unevenness: float = 0.4,
    pauses: int = 3,
    backs: int = 2,
    rest: float = 0.6,
) -> np.ndarray:
    """Position (0 to 1) at each frame: sweeps between two ends at a smoothly random speed.

    `unevenness` is the standard deviation of the logarithm of the speed, which changes over some
    0.4 s. Pauses of 0.3 to 1.5 s and short turns back (up to 3 % of travel) come at random.
    """
    step = 0.002
    begin = low if start is None else start
    ends = [high if (k % 2 == 0) == (begin < 0.5 * (low + high)) else low for k in range(sweeps)]
    rate = (seconds - rest * (sweeps + 1) - 0.9 * pauses) / (sweeps * (high - low))
    path: list[np.ndarray] = [np.full(round(rest / step), begin)]
    position = begin
    for end in ends:
        wobble = gaussian_filter1d(rng.standard_normal(4000), 100)
        speed = np.exp(unevenness * wobble / wobble.std()) / rate
        way = np.cumsum(speed) * step
        way = way[way < abs(end - position)]
        path.append(position + np.sign(end - position) * way)
        path.append(np.full(round(rest * rng.uniform(0.5, 1.5) / step), end))
        position = end
    whole = np.concatenate(path)
    for _ in range(pauses):
        where = rng.integers(len(whole))
        whole = np.insert(whole, where, np.full(round(rng.uniform(0.3, 1.5) / step), whole[where]))
    for _ in range(backs):
        where = int(rng.integers(300, len(whole) - 300))
        size = round(rng.uniform(20, 60))
        there = whole[where : where + size]
        if abs(there[-1] - there[0]) < 0.03:
            whole = np.insert(whole, where + size, np.concatenate([there[::-1], there]))
    # A hand and its knob have mass: 20 ms
    whole = np.clip(gaussian_filter1d(whole, 10, mode="nearest"), 0, 1)
    frames = round(len(whole) * step * RATE)
    return np.interp(np.arange(frames) / RATE / step, np.arange(len(whole)), whole)


@dataclass(frozen=True)
class Gang:
    """One track with its wiper.

    `worn` are places (from, to, share of spots that are bad); `hop_off` is what is left at the
    lower end as a share of the track.
    """

    law: Law = linear
    track_ohms: float = 10e3
    load_ohms: float = 100e3
    worn: tuple[tuple[float, float, float], ...] = ()
    contact_ohms: float = 200e3
    hop_off: float = 1e-4

    def ratio(self, x: np.ndarray) -> np.ndarray:
        return self.hop_off + (1 - self.hop_off) * self.law(x)

    def gain(self, x: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Voltage over the load re the source, with the contact's resistance."""
        return self.clean(x, self._contact(x, rng))

    def clean(self, x: np.ndarray, contact_ohms: np.ndarray | float = 0.0) -> np.ndarray:
        """The same with a given contact resistance, by Thevenin's theorem."""
        r = self.ratio(x)
        inner = self.track_ohms * r * (1 - r)
        return r * self.load_ohms / (self.load_ohms + inner + contact_ohms)

    def _contact(self, x: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        ohms = np.zeros(len(x))
        if not self.worn:
            return ohms
        turning = np.sign(np.diff(x[:: RATE // 50], append=x[-1]))
        turning[turning == 0] = 1
        passes = np.repeat(np.cumsum(np.abs(np.diff(turning, prepend=turning[0])) > 0), RATE // 50)[
            : len(x)
        ]
        spots = 600
        at = np.minimum((x * spots).astype(int), spots - 1)
        lasting = rng.random(spots)
        fleeting = rng.random((int(passes.max()) + 1, spots))
        fret = np.exp(0.8 * np.repeat(rng.standard_normal(len(x) // 24 + 1), 24)[: len(x)])  # 2 kHz
        for start, end, share in self.worn:
            inside = (x >= start) & (x <= end)
            bad = 0.5 * lasting[at] + 0.5 * fleeting[passes, at] < _quantile(share)
            size = np.exp(0.8 * rng.standard_normal(fleeting.shape))[passes, at]
            ohms = np.where(inside & bad, self.contact_ohms * size * fret, ohms)
        return ohms


def _quantile(share: float) -> float:
    """Of the mean of two uniform numbers, which is triangular."""
    return float(np.sqrt(share / 2) if share < 0.5 else 1 - np.sqrt((1 - share) / 2))


def sine(frames: int, hertz: float = 997.0) -> np.ndarray:
    return 0.3 * np.sin(2 * np.pi * hertz * np.arange(frames) / RATE + 0.3)


@lru_cache(maxsize=4)
def saw(frames: int, hertz: float = 220.0) -> np.ndarray:
    """Many turns of a control are made with the same one."""
    t = np.arange(frames) / RATE
    return 0.2 * waves.saw(2 * np.pi * hertz * t + 0.1, int(8e3 / hertz))


def chorused(frames: int, hertz: float = 220.0, depth: float = 0.25) -> np.ndarray:
    """A saw and a weaker one, 2 cents apart with a slow vibrato: it beats by about ±1.5 dB."""
    t = np.arange(frames) / RATE
    delay = 1.5e-3 + 2e-4 * np.sin(2 * np.pi * 0.7 * t)
    one, other = (waves.saw(2 * np.pi * hertz * at, 24) for at in (t, t - delay))
    return 0.15 * (one + depth * other)


def record(
    position: np.ndarray,
    gangs: tuple[Gang, ...],
    sound: np.ndarray,
    rng: np.random.Generator,
    *,
    snr_db: float = 60.0,
    hum_dbfs: float = -80.0,
    clicks: int = 0,
) -> np.ndarray:
    """Samples (frames, gangs): the sound through each gang, hum, white noise, random clicks.

    The noise lies `snr_db` below the sound at full level, within half the sample rate.
    """
    frames = len(position)
    t = np.arange(frames) / RATE
    hum = waves.harmonics(2 * np.pi * 50 * t + 1, (1, 1 / 2, 1 / 3, 0, 1 / 5))
    noise = 10 ** (-snr_db / 20) * np.sqrt(np.mean(sound**2))
    columns = []
    pops = np.zeros(frames)
    for where in rng.integers(0, frames - 100, clicks):
        pops[where : where + 40] += 0.05 * rng.standard_normal(40)
    for gang in gangs:
        column = sound * gang.gain(position, rng) + pops
        column += noise * rng.standard_normal(frames) + 10 ** (hum_dbfs / 20) * hum
        columns.append(column)
    return np.stack(columns, axis=1)


def mismatched(
    law: Law, db: Callable[[np.ndarray], np.ndarray], sign: float, **more: object
) -> Gang:
    """A gang with half of the mismatch: the mean of both in dB keeps the law."""
    return replace(Gang(lambda x: law(x) * 10 ** (sign * db(x) / 40)), **more)  # type: ignore[arg-type]
