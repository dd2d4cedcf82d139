"""Precision of the mains measurements, as markdown tables.

Run ``python -m benchmarks.precision_mains`` (some minutes).
"""

import numpy as np

from sigbench.measure.mains import measure_mains
from tests.measure.tones import covered, noise

RATE = 8000
LINES = {1: 1e-3, 2: 4e-4, 3: 3e-4}


def print_coverage(takes: int = 60) -> None:
    print("| take | wander | 1x over noise in 1 Hz | found | ±2u: frequency | 1x | 2x | total |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    rng = np.random.default_rng(1)
    total = 10 * np.log10(sum(a**2 for a in LINES.values()))
    for seconds, wander_hz, above_db in (
        (1, 0, 30),
        (1, 0, 60),
        (5, 0, 30),
        (5, 0, 60),
        (20, 0, 30),
        (20, 0.02, 40),
        (20, 0.02, 60),
    ):
        time = np.arange(seconds * RATE) / RATE
        sigma = np.sqrt(LINES[1] ** 2 / 2 * 10 ** (-above_db / 10) * RATE / 2)
        rows = []
        for _ in range(takes):
            f = 50 * (1 + rng.uniform(-0.004, 0.004))
            course = f + wander_hz * np.sin(2 * np.pi * time / 20 + rng.uniform(0, 6))
            phase = 2 * np.pi * np.cumsum(course) / RATE
            x = sum(a * np.sin(k * phase + rng.uniform(0, 6)) for k, a in LINES.items())
            mains = measure_mains(x + sigma * rng.standard_normal(len(time)), RATE)
            if mains is None or mains.frequency is None:
                continue
            levels = (
                (mains.hum_1x, 20 * np.log10(LINES[1])),
                (mains.hum_2x, 20 * np.log10(LINES[2])),
                (mains.hum_total, total),
            )
            rows.append(
                [(mains.frequency.value - course.mean(), mains.frequency.uncertainty)]
                + [(level.value - true, level.uncertainty) for level, true in levels]
            )
        shares = " | ".join(
            f"{100 * covered(*column):.0f} %" for column in np.array(rows).transpose(1, 2, 0)
        )
        print(
            f"| {seconds} s | {1000 * wander_hz:.0f} mHz | {above_db} dB "
            f"| {100 * len(rows) / takes:.0f} % | {shares} |",
            flush=True,
        )


def print_false_alarms(takes: int = 300) -> None:
    print("\n| noise | take | takes | with a comb |")
    print("| --- | --- | --- | --- |")
    rng = np.random.default_rng(2)
    for name, exponent in (("white", 0.0), ("pink", 1.0), ("1/f²", 2.0)):
        for seconds in (0.25, 1, 5):
            called = 0
            for _ in range(takes):
                mains = measure_mains(noise(rng, 6000, seconds, exponent), 6000)
                called += mains is not None and mains.frequency is not None
            print(f"| {name} | {seconds} s | {takes} | {100 * called / takes:.1f} % |", flush=True)


if __name__ == "__main__":
    print_coverage()
    print_false_alarms()
