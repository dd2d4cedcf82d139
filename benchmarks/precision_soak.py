"""How often scatter is called a trend or an onset, and how well onsets are found, as markdown.

Run ``OMP_NUM_THREADS=1 python -m benchmarks.precision_soak`` (some minutes).
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from sigbench.measure.trend import Onset, find_onset, measure_trend

STEP = 15.0
Floats = NDArray[np.float64]


def scatter(rng: np.random.Generator, points: int, correlation: float) -> Floats:
    """AR(1) of standard deviation 1; a random walk with steps of 1 where correlation is 1."""
    white = rng.standard_normal(points + 400)
    if correlation == 1:
        return np.cumsum(white)[400:]
    return lfilter([np.sqrt(1 - correlation**2)], [1, -correlation], white)[400:]


def print_false_alarms(trials: int = 150) -> None:
    rng = np.random.default_rng(1)
    print("| points | correlation of neighbours | called a trend | called an onset |")
    print("| --- | --- | --- | --- |")
    for points in (40, 120, 240):
        for correlation in (0.0, 0.5, 0.9, 0.97, 1.0):
            t = STEP * np.arange(float(points))
            courses = [scatter(rng, points, correlation) for _ in range(trials)]
            trends = 0
            for course in courses:
                trend = measure_trend(t, course)
                trends += trend is not None and trend.significant
            onsets = sum(isinstance(find_onset(t, c), Onset) for c in courses[: trials // 2])
            print(
                f"| {points} | {correlation:g} | {100 * trends / trials:.1f} %"
                f" | {100 * onsets / (trials // 2):.1f} % |",
                flush=True,
            )


def print_warming(trials: int = 70) -> None:
    """Sums of one to three decaying exponentials of any time constants."""
    rng = np.random.default_rng(2)
    print("\n| warming up by 30 and more, scatter | called an onset |")
    print("| --- | --- |")
    for deviation in (0.0, 0.03, 0.5):
        onsets = 0
        for _ in range(trials):
            t = np.linspace(0, 1, int(rng.choice([60, 150, 280])))
            count = int(rng.integers(1, 4))
            constants = 10 ** rng.uniform(-1.7, 0.3, count)
            heights = 30 * rng.uniform(0.5, 1, count)
            course = (heights * np.exp(-t[:, np.newaxis] / constants)).sum(axis=1)
            course = course + deviation * rng.standard_normal(len(t))
            onsets += isinstance(
                find_onset(np.asarray(3600 * t), np.asarray(course), smallest=1.0), Onset
            )
        print(f"| {deviation:g} | {100 * onsets / trials:.1f} % |", flush=True)


def print_onsets(trials: int = 20) -> None:
    rng = np.random.default_rng(3)
    t = STEP * np.arange(240.0)
    at = 1500.0
    late = np.maximum(0, t - at)
    changes: dict[str, Callable[[], Floats]] = {
        "step": lambda: (t >= at).astype(float),
        "bend": lambda: late / late[-1],
        "bend that settles in 400 s": lambda: 1 - np.exp(-late / 400),
        "4 min of excursion": lambda: ((t >= at) & (t < at + 240)).astype(float),
    }
    print("\n| change | size re scatter | correlation | found | time off: median, 95 % |")
    print("| --- | --- | --- | --- | --- |")
    for name, change in changes.items():
        for size in (5, 20, 80):
            for correlation in (0.0, 0.5, 0.9):
                off = []
                for _ in range(trials):
                    onset = find_onset(t, size * change() + scatter(rng, 240, correlation))
                    if isinstance(onset, Onset):
                        off.append(abs(onset.time.value - at))
                middle, most = np.quantile(off, [0.5, 0.95]) if off else (np.nan, np.nan)
                seconds = f"{middle:.0f} s, {most:.0f} s" if off else "-"
                share = 100 * len(off) / trials
                print(f"| {name} | {size} | {correlation:g} | {share:.0f} % | {seconds} |")
    for growth in (2, 4):
        off = []
        for _ in range(trials):
            onset = find_onset(t, scatter(rng, 240, 0.0) * np.where(t < at, 1, growth))
            if isinstance(onset, Onset):
                off.append(abs(onset.time.value - at))
        middle, most = np.quantile(off, [0.5, 0.95]) if off else (np.nan, np.nan)
        share = 100 * len(off) / trials
        print(f"| scatter | {growth} times | 0 | {share:.0f} % | {middle:.0f} s, {most:.0f} s |")


if __name__ == "__main__":
    print_false_alarms()
    print_warming()
    print_onsets()
