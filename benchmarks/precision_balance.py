"""Bias and honesty of the pair quantities, as markdown tables.

Run ``python benchmarks/precision_balance.py``. Every row is a few hundred noisy repetitions with
a known answer: the mean error, its scatter, the mean stated uncertainty u, and the share of
repetitions whose truth lies within 2 u (95 % is right).
"""

import sys
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from sigbench.measure.balance import crosstalk, level_difference, polarity_and_delay
from sigbench.measure.estimate import Estimate

RATE = 48_000
SECONDS = 2.0
T = np.arange(int(RATE * SECONDS)) / RATE


def row(name: str, scale: float, truth: float, repeat: Callable[[], Estimate], times: int) -> None:
    found = [repeat() for _ in range(times)]
    bounds = sum(e.upper_bound for e in found)
    errors = np.array([e.value - truth for e in found if not e.upper_bound])
    u = np.array([e.uncertainty for e in found if not e.upper_bound])
    if len(errors) < 2:
        held = sum(e.value >= truth for e in found)
        print(f"| {name} | upper bound | | | {100 * held / times:.0f} % below the bound |")
        return
    inside = np.mean(np.abs(errors) <= 2 * u)
    print(
        f"| {name} | {scale * errors.mean():.4f} | {scale * errors.std():.4f}"
        f" | {scale * u.mean():.4f} | {100 * inside:.0f} %"
        f"{f' ({bounds} upper bounds)' if bounds else ''} |"
    )


def noise(rng: np.random.Generator, db: float) -> NDArray[np.float64]:
    return rng.standard_normal(len(T)) * 10 ** (db / 20)


def saw(f: float, delay: float = 0.0) -> NDArray[np.float64]:
    return sum(
        (np.sin(2 * np.pi * f * k * (T - delay)) / k for k in range(1, 40)), np.zeros(len(T))
    )


def broadband(rng: np.random.Generator, delay_frames: float) -> tuple[NDArray[np.float64], ...]:
    spectrum = np.fft.rfft(rng.standard_normal(len(T)))
    f = np.fft.rfftfreq(len(T))
    spectrum[f > 0.4] = 0
    return np.fft.irfft(spectrum), np.fft.irfft(spectrum * np.exp(-2j * np.pi * f * delay_frames))


def heading(quantity: str, unit: str) -> None:
    print(f"\n| {quantity} | mean error, {unit} | scatter, {unit} | mean u, {unit} | within 2 u |")
    print("| --- | --- | --- | --- | --- |")


def main(times: int) -> None:
    rng = np.random.default_rng(20)

    heading("level difference, 0.5 dB", "dB")
    ratio = 10 ** (-0.5 / 20)
    tremolo = (1 + 0.5 * np.sin(2 * np.pi * 5 * T)) * saw(220)
    sine = np.sin(2 * np.pi * 997 * T + 1)
    for name, sound in (("sine", sine), ("saw with tremolo", tremolo)):
        for db in (-30, -60):

            def difference(sound: NDArray[np.float64] = sound, db: float = db) -> Estimate:
                return level_difference(
                    sound + noise(rng, db), ratio * sound + noise(rng, db), RATE
                )

            truth_powers = [np.mean(g * g * sound**2) + 10 ** (db / 10) for g in (1.0, ratio)]
            truth = 10 * np.log10(truth_powers[0] / truth_powers[1])
            row(f"{name}, noise {db} dBFS each", 1, truth, difference, times)

    heading("delay", "µs")
    for db in (0, -20, -40):

        def band(db: float = db) -> Estimate:
            a, b = broadband(rng, 7.3)
            return polarity_and_delay(a + noise(rng, db), -(b + noise(rng, db)), RATE).delay

        row(f"noise of 19 kHz, 7.3 frames, SNR {-db} dB", 1e6, 7.3 / RATE, band, times)
    for f, delay in ((997.0, 1e-4), (220.0, 1e-4)):
        for db in (-20, -40):

            def periodic(f: float = f, delay: float = delay, db: float = db) -> Estimate:
                a = np.sin(2 * np.pi * f * T) if f > 500 else saw(f)
                b = np.sin(2 * np.pi * f * (T - delay)) if f > 500 else saw(f, delay)
                return polarity_and_delay(a + noise(rng, db), b + noise(rng, db), RATE).delay

            shape = "sine" if f > 500 else "saw"
            row(f"{shape} {f:g} Hz, 100 µs, noise {db} dBFS", 1e6, delay, periodic, times)

    heading("crosstalk", "dB")
    for level in (-30, -60, -80, -100, -130):
        for drift in (0.0, 3.0):
            phase = 2 * np.pi * (997 * T + drift * T**2 / (2 * SECONDS))

            def leak(level: float = level, phase: NDArray[np.float64] = phase) -> Estimate:
                a = np.sin(phase) + noise(rng, -70)
                b = 10 ** (level / 20) * np.sin(phase + 0.7) + noise(rng, -70)
                return crosstalk(a, b, RATE, 997)

            row(f"{level} dB, noise −70 dBFS, drift {drift:g} Hz", 1, level, leak, times)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
