"""How often scatter is called a trend or an onset, and how well onsets are found, as markdown.

Run ``python -m benchmarks.precision_soak`` (some minutes).
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


def fractional(rng: np.random.Generator, points: int, fraction: float) -> Floats:
    """White noise that is integrated so often (Hosking 1981), 400 points after it began."""
    k = np.arange(1.0, points + 400)
    response = np.cumprod(np.concatenate([[1.0], (k - 1 + fraction) / k]))
    return np.convolve(rng.standard_normal(points + 400), response)[400 : points + 400]


def means_of_a_walk(rng: np.random.Generator, points: int) -> Floats:
    """Means of a random walk over each stretch: of what wanders slowly, that is what a soak has."""
    return np.cumsum(rng.standard_normal(points * 20)).reshape(points, 20).mean(axis=1)


def kinds(rng: np.random.Generator) -> dict[str, Callable[[int], Floats]]:
    """Ways to make scatter of so many points."""
    return {
        "white": lambda n: scatter(rng, n, 0.0),
        "AR(1), 0.5": lambda n: scatter(rng, n, 0.5),
        "AR(1), 0.9": lambda n: scatter(rng, n, 0.9),
        "AR(1), 0.97": lambda n: scatter(rng, n, 0.97),
        "flicker": lambda n: fractional(rng, n, 0.5),
        "flicker and white": lambda n: fractional(rng, n, 0.5) + 2 * rng.standard_normal(n),
        "random walk": lambda n: scatter(rng, n, 1.0),
        "means of a random walk": lambda n: means_of_a_walk(rng, n),
        "random walk and white": lambda n: scatter(rng, n, 1.0) + 5 * rng.standard_normal(n),
    }


def print_trends(trials: int = 200) -> None:
    """How often scatter is called a trend, and the uncertainty re the true one."""
    print("| points | scatter | called a trend | uncertainty re the true one: median |")
    print("| --- | --- | --- | --- |")
    for points in (40, 120, 240):
        t = STEP * np.arange(float(points))
        for name, make in kinds(np.random.default_rng(1)).items():
            found = [measure_trend(t, make(points)) for _ in range(trials)]
            trends = [trend for trend in found if trend is not None]
            told = 100 * np.mean([trend.significant for trend in trends])
            true = np.std([trend.slope.value for trend in trends])
            size = np.median([trend.slope.uncertainty for trend in trends]) / true
            print(f"| {points} | {name} | {told:.1f} % | {size:.1f} |", flush=True)


def print_false_alarms(trials: int = 75) -> None:
    print("\n| points | correlation of neighbours | called an onset |")
    print("| --- | --- | --- |")
    rng = np.random.default_rng(1)
    for points in (40, 120, 240):
        for correlation in (0.0, 0.5, 0.9, 0.97, 1.0):
            t = STEP * np.arange(float(points))
            courses = [scatter(rng, points, correlation) for _ in range(trials)]
            onsets = sum(isinstance(find_onset(t, c), Onset) for c in courses)
            print(f"| {points} | {correlation:g} | {100 * onsets / trials:.1f} % |", flush=True)


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
    # Seconds after the change, at moments within the stretch that each point is the mean of.
    fine = t[:, np.newaxis] + STEP * (np.arange(30) - 14.5) / 30
    changes: dict[str, Callable[[Floats], Floats]] = {
        "step": lambda late: (late >= 0).astype(float),
        "bend": lambda late: np.maximum(0, late) / (t[-1] - 1500),
        "bend that settles in 400 s": lambda late: 1 - np.exp(-np.maximum(0, late) / 400),
        "4 min of excursion": lambda late: ((late >= 0) & (late < 240)).astype(float),
    }
    print(
        "\n| change | size re scatter | correlation | found | time off: median, 95 % | within 2 u |"
    )
    print("| --- | --- | --- | --- | --- | --- |")
    for name, change in changes.items():
        for size in (5, 20, 80):
            for correlation in (0.0, 0.5, 0.9):
                off, inside = [], []
                for _ in range(trials):
                    at = 1500 + STEP * rng.random()
                    course = size * change(fine - at).mean(axis=1)
                    onset = find_onset(t, course + scatter(rng, 240, correlation))
                    if isinstance(onset, Onset):
                        off.append(abs(onset.time.value - at))
                        inside.append(off[-1] <= 2 * onset.time.uncertainty)
                middle, most = np.quantile(off, [0.5, 0.95]) if off else (np.nan, np.nan)
                seconds = f"{middle:.0f} s, {most:.0f} s" if off else "-"
                share = 100 * len(off) / trials
                right = f"{100 * np.mean(inside):.0f} %" if off else "-"
                print(
                    f"| {name} | {size} | {correlation:g} | {share:.0f} % | {seconds} | {right} |",
                    flush=True,
                )
    for growth in (2, 4):
        off = []
        for _ in range(trials):
            onset = find_onset(t, scatter(rng, 240, 0.0) * np.where(t < 1500, 1, growth))
            if isinstance(onset, Onset):
                off.append(abs(onset.time.value - 1500))
        middle, most = np.quantile(off, [0.5, 0.95]) if off else (np.nan, np.nan)
        share = 100 * len(off) / trials
        print(f"| scatter | {growth} times | 0 | {share:.0f} % | {middle:.0f} s, {most:.0f} s | |")


if __name__ == "__main__":
    print_trends()
    print_false_alarms()
    print_warming()
    print_onsets()
