"""Takes made here, without the generator of the package."""

import numpy as np

from sigbench.model import LostBuffers, Measurement, Reading, Source, Take

RATE = 48_000


def take(
    *columns: np.ndarray,
    rate: int = RATE,
    lost: tuple[LostBuffers, ...] = (),
    bits: int | None = None,
    dc_coupled: bool = False,
) -> Take:
    samples = np.stack(columns, axis=1)
    source = Source("file", "a.wav", None, rate, samples.shape[1], len(samples), len(lost))
    return Take(samples, rate, source, lost, bits, dc_coupled)


def seconds(length: float, rate: int = RATE) -> np.ndarray:
    return np.arange(round(length * rate)) / rate


def sine(frequency: float, dbfs: float, length: float = 2.0, *, seed: int = 1) -> np.ndarray:
    """A sine of so many dBFS (AES17), over noise 100 dB below full scale."""
    t = seconds(length)
    noise = np.random.default_rng(seed).normal(0, 1e-5, len(t))
    return 10 ** (dbfs / 20) * np.sin(2 * np.pi * frequency * t + 0.4) + noise


def only(measurement: Measurement, name: str, channel: int | None = 1, unit: str = "") -> Reading:
    (one,) = [
        r
        for r in measurement.readings
        if r.name == name and r.channel == channel and unit in ("", r.unit)
    ]
    return one
