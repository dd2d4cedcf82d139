"""How many dropouts are found, how precisely, and how many are invented, as markdown tables.

Run ``python benchmarks/precision_dropouts.py [minutes of faultless audio]`` (about ten minutes of
computing for the usual 60).
"""

import sys

import numpy as np
from numpy.typing import NDArray

from sigbench.measure.dropouts import find_dropouts

RATE = 48_000
Sound = NDArray[np.float64]


def saw(f: float, t: Sound, partials: int = 60) -> Sound:
    return 0.5 * sum(
        (np.sin(2 * np.pi * k * f * t) / k for k in range(1, partials + 1) if k * f < 20e3),
        np.zeros(len(t)),
    )


def materials(seconds: float, rng: np.random.Generator) -> dict[str, Sound]:
    t = np.arange(int(seconds * RATE)) / RATE
    since = t % 2.0
    drawbars = ((0.5, 0.5), (1, 1.0), (1.5, 0.6), (2, 0.8), (3, 0.4), (4, 0.5), (6, 0.2))
    return {
        "sine 100 Hz": 0.5 * np.sin(2 * np.pi * 100 * t + 1),
        "sine 997 Hz": 0.5 * np.sin(2 * np.pi * 997 * t),
        "sine 5 kHz": 0.5 * np.sin(2 * np.pi * 5000 * t + 2),
        "saw 110 Hz": saw(110.3, t),
        "saw 440 Hz": saw(441.7, t),
        "organ chord": 0.1
        * sum(
            (
                a * np.sin(2 * np.pi * f * h * t + f * h)
                for f in (261.63, 329.63, 392.0)
                for h, a in drawbars
            ),
            np.zeros(len(t)),
        ),
        "chorused pad": 0.2
        * sum(
            (
                saw(f * (1 + d), t + 8e-4 * np.sin(2 * np.pi * r * t + f), 20)
                for f in (130.8, 196.0, 246.9)
                for d, r in ((-0.005, 0.6), (0.0, 0.8), (0.005, 0.5))
            ),
            np.zeros(len(t)),
        ),
        "saw, tremolo 10 Hz 12 dB": saw(220, t) * (0.625 + 0.375 * np.cos(2 * np.pi * 10 * t)),
        "two sines beating": 0.25 * np.sin(2 * np.pi * 220 * t)
        + 0.25 * np.sin(2 * np.pi * 221.3 * t),
        "struck notes": 0.3
        * sum(
            (
                np.sin(2 * np.pi * 220 * h * np.sqrt(1 + 4e-4 * h * h) * t)
                * np.exp(-since * (1 + 0.3 * h))
                / h
                for h in range(1, 16)
            ),
            np.zeros(len(t)),
        )
        * (1 - np.exp(-since / 0.002)),
        "noise": 0.1 * rng.standard_normal(len(t)),
    }


def with_noise(sound: Sound, snr_db: float, rng: np.random.Generator) -> Sound:
    return sound + rng.standard_normal(len(sound)) * np.std(sound) * 10 ** (-snr_db / 20)


def holes(seconds: float, milliseconds: float, rng: np.random.Generator) -> list[tuple[int, int]]:
    length = round(milliseconds * RATE / 1000)
    found, at = [], RATE // 2
    while at + length < (seconds - 0.3) * RATE:
        found.append((at, at + length))
        at += length + int(RATE * rng.uniform(0.3, 0.5))
    return found


def found_table(seconds: float, rng: np.random.Generator) -> None:
    print("| sound | SNR, dB | depth, dB | length, ms | found | edge error: median, 95 %, ms |")
    print("| --- | --- | --- | --- | --- | --- |")
    for name, sound in materials(seconds, rng).items():
        if name == "noise":
            continue
        for snr in (35, 60):
            for depth in (3, 6, 12, 40):
                cells, errors, shares = [], [], []
                for length in (1, 2, 5, 20, 100, 500):
                    spoiled = sound.copy()
                    true = holes(seconds, length, rng)
                    for start, end in true:
                        spoiled[start:end] *= 10 ** (-depth / 20)
                    events = find_dropouts(with_noise(spoiled, snr, rng)[:, np.newaxis], RATE)
                    hits = 0
                    for start, end in true:
                        a, b = start / RATE, end / RATE
                        near = [e for e in events if e.start < b + 0.001 and e.end > a - 0.001]
                        if near:
                            hits += 1
                            e = min(near, key=lambda e: abs(e.start - a) + abs(e.end - b))
                            errors += [abs(e.start - a), abs(e.end - b)]
                    cells.append(f"{length}")
                    shares.append(f"{100 * hits / len(true):.0f} %")
                edge = (
                    f"{1000 * np.median(errors):.2f}, {1000 * np.quantile(errors, 0.95):.2f}"
                    if errors
                    else "none"
                )
                print(
                    f"| {name} | {snr} | {depth} | {' / '.join(cells)}"
                    f" | {' / '.join(shares)} | {edge} |",
                    flush=True,
                )


def false_alarm_table(minutes: float, rng: np.random.Generator) -> None:
    print("\n| faultless sound | minutes | invented events |")
    print("| --- | --- | --- |")
    total = 0
    each = minutes / len(materials(0.1, rng))
    for name, sound in materials(60 * each, rng).items():
        snr = float(rng.uniform(35, 60))
        events = find_dropouts(with_noise(sound, snr, rng)[:, np.newaxis], RATE)
        total += len(events)
        print(f"| {name} | {each:.1f} | {len(events)} |", flush=True)
    print(f"| all | {minutes:g} | {total} |")


def main(minutes: float) -> None:
    rng = np.random.default_rng(12)
    false_alarm_table(minutes, rng)
    print()
    found_table(8.0, rng)


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)
