"""How well a turned pot is measured, as markdown tables.

Run ``python -m benchmarks.precision_pot``. Pots are made of resistances and turned by a hand with
pauses, short turns back and a speed that varies by a factor of 1.5 (standard deviation): see
`tests.measure.pots`. Each row has its own seeds.
"""

import sys
import time
from collections.abc import Callable, Iterator

import numpy as np

from sigbench.measure.taper import AUDIO, LINEAR, SQUARE, Taper
from sigbench.measure.travel import Turning, measure_travel
from tests.measure.pots import (
    RATE,
    Gang,
    audio,
    chorused,
    hand,
    linear,
    mismatched,
    record,
    saw,
    sine,
)

LAWS = {
    "linear": (linear, LINEAR),
    "audio 15 %": (audio(0.15), AUDIO),
    "audio 10 %": (audio(0.10), Taper("audio", 0.10)),
    "square": (lambda x: x**2, SQUARE),
}
SOUNDS: dict[str, Callable[[int], np.ndarray]] = {
    "sine 110 Hz": lambda n: sine(n, 110.0),
    "sine 997 Hz": sine,
    "sine 5 kHz": lambda n: sine(n, 5000.0),
    "saw 55 Hz": lambda n: saw(n, 55.0),
    "saw 220 Hz": saw,
    "chorused saw": chorused,
}


def one(samples: np.ndarray, taper: Taper | None) -> Turning | None:
    found = measure_travel(samples, RATE, taper=taper)
    return found[0] if len(found) == 1 else None


def heading(*columns: str) -> None:
    print("\n| " + " | ".join(columns) + " |")
    print("| " + " | ".join("---" for _ in columns) + " |")


def rngs(times: int, first: int) -> Iterator[np.random.Generator]:
    return (np.random.default_rng(first + k) for k in range(times))


def clean_pots(times: int) -> None:
    heading("clean pots", "channels", "minutes", "worn places", "dead places", "bursts too many")
    pots = channels = worn = dead = extra = 0
    minutes = 0.0
    for k, rng in enumerate(rngs(times, 1000)):
        law, taper = list(LAWS.values())[k % 4]
        sound = list(SOUNDS.values())[rng.integers(len(SOUNDS))]
        whole = rng.random() < 0.7
        x = hand(
            float(rng.uniform(10, 25)),
            rng,
            sweeps=int(rng.integers(3, 8)),
            low=0.0 if whole else rng.uniform(0, 0.2),
            high=1.0 if whole else rng.uniform(0.8, 1.0),
            start=0.5 if rng.random() < 0.2 else None,
        )

        def mismatch(x: np.ndarray) -> np.ndarray:
            return 2 * np.sin(3 * x)

        gangs = (mismatched(law, mismatch, 1), mismatched(law, mismatch, -1))
        gangs = gangs if rng.random() < 0.7 else gangs[:1]
        clicks = int(rng.integers(0, 6))
        snr = float(rng.uniform(35, 60))
        found = one(record(x, gangs, sound(len(x)), rng, snr_db=snr, clicks=clicks), taper)
        pots += 1
        channels += len(gangs)
        minutes += len(gangs) * len(x) / RATE / 60
        if found is None:
            print(f"pot {k}: not one shaft")
            continue
        worn += sum(len(gang.worn or ()) for gang in found.gangs)
        dead += sum(len(gang.dead or ()) for gang in found.gangs)
        extra += max(0, len(found.spots) - clicks * len(gangs))
    print(f"| {pots} | {channels} | {minutes:.0f} | {worn} | {dead} | {extra} |")


def worn_pots(times: int) -> None:
    heading(
        "worn 3 to 12 %, told law", "SNR, dB", "passes", "found as one", "in parts", "missed",
        "error of an end: median, 95 %, most", "false",
    )  # fmt: skip
    for name, sound in SOUNDS.items():
        for snr, sweeps in ((60, 3), (35, 6)):
            whole = parts = missed = false = 0
            errors: list[float] = []
            for k, rng in enumerate(rngs(times, 2000)):
                law, taper = list(LAWS.values())[k % 4]
                x = hand(5.0 * sweeps, rng, sweeps=sweeps)
                start = float(rng.uniform(0.1, 0.8))
                end = start + float(rng.uniform(0.03, 0.12))
                gang = Gang(law, load_ohms=1e6, worn=((start, end, 0.5),))
                found = one(record(x, (gang,), sound(len(x)), rng, snr_db=snr, clicks=2), taper)
                places = [] if found is None else list(found.gangs[0].worn or ())
                near = [p for p in places if p.end > 100 * start - 3 and p.start < 100 * end + 3]
                false += len(places) - len(near)
                if not near:
                    missed += 1
                    continue
                whole += len(near) == 1
                parts += len(near) > 1
                errors += [
                    abs(min(p.start for p in near) - 100 * start),
                    abs(max(p.end for p in near) - 100 * end),
                ]
            middle, high, most = np.quantile(errors, [0.5, 0.95, 1.0])
            print(
                f"| {name} | {snr} | {sweeps} | {whole} | {parts} | {missed} |"
                f" {middle:.1f}, {high:.1f}, {most:.1f} % | {false} |"
            )


def gang_errors(times: int) -> None:
    heading(
        "gang error, 20 points", "SNR, dB", "error: 95 %, most, dB", "of −20 dB and above",
        "within 2 u",
    )  # fmt: skip

    def mismatch(x: np.ndarray) -> np.ndarray:
        return 1.5 * np.sin(2 * np.pi * 0.7 * x) + 0.5

    for name, sound in SOUNDS.items():
        for snr in (60, 35):
            errors, loud, inside = [], [], []
            for k, rng in enumerate(rngs(times, 3000)):
                law, taper = list(LAWS.values())[k % 4]
                x = hand(18.0, rng, sweeps=5)
                gangs = tuple(mismatched(law, mismatch, s, load_ohms=1e6) for s in (1, -1))
                found = one(record(x, gangs, sound(len(x)), rng, snr_db=snr), taper)
                for percent, error in () if found is None else found.gang_error:
                    at = np.array([percent / 100])
                    truth = 20 * np.log10(float((gangs[0].clean(at) / gangs[1].clean(at))[0]))
                    errors.append(abs(error.value - truth))
                    inside.append(errors[-1] <= 2 * error.uncertainty)
                    if float(law(at)[0]) >= 0.1:
                        loud.append(errors[-1])
            high, most = np.quantile(errors, [0.95, 1.0])
            print(
                f"| {name} | {snr} | {high:.3f}, {most:.3f} |"
                f" {np.quantile(loud, 0.95):.3f}, {np.max(loud):.3f} |"
                f" {100 * np.mean(inside):.0f} % |"
            )


def guessed_laws(times: int) -> None:
    heading(
        "law not told", "guessed", "among those named", "neither", "linear taken for audio or back"
    )
    for name, (law, taper) in LAWS.items():
        counts = np.zeros(4, dtype=int)
        for rng in rngs(times, 4000):
            x = hand(25.0, rng, sweeps=6)
            found = one(record(x, (Gang(law, load_ohms=1e6),), sine(len(x)), rng), None)
            if found is None:
                continue
            counts[0 if found.taper == taper else 1 if taper in found.alike else 2] += 1
            counts[3] += (found.taper.kind == "linear") != (taper.kind == "linear")
        print(f"| {name} | " + " | ".join(str(c) for c in counts) + " |")


def speed() -> None:
    heading("60 s, two channels, 48 kHz", "processor, s")
    rng = np.random.default_rng(5)
    x = hand(60.0, rng, sweeps=12)[: 60 * RATE]
    gangs = (Gang(worn=((0.4, 0.5, 0.5),)), Gang())
    for name in ("sine 997 Hz", "saw 55 Hz"):
        samples = record(x, gangs, SOUNDS[name](len(x)), rng)
        measure_travel(samples[:RATE], RATE)  # imports
        begun = time.process_time()
        measure_travel(samples, RATE)
        print(f"| {name} | {time.process_time() - begun:.2f} |")


def main(times: int) -> None:
    clean_pots(13 * times)
    worn_pots(times)
    gang_errors(max(4, times // 2))
    guessed_laws(times)
    speed()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 8)
