"""Precision of the noise measurements, as markdown tables.

Run ``python benchmarks/precision_noise.py`` (some minutes), or with ``--fit`` to fit the time
constants of the quasi-peak meter anew.
"""

import sys
from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray
from scipy import fft, optimize

from sigbench.measure import quasi_peak
from sigbench.measure.noise import noise_level, noise_level_468, noise_level_a
from sigbench.measure.quasi_peak import QuasiPeakMeter
from sigbench.measure.spurs import Comb, find_spurs
from sigbench.measure.weighting import a_weighting_db, bs468_weighting, bs468_weighting_db, weight

Array = NDArray[np.float64]

# ITU-R BS.468-4, Annex 1, Tables 2 and 3 (limits from memory, to be confirmed): milliseconds of a
# single 5 kHz burst, or bursts of 5 ms a second; reading, lower and upper limit in percent.
SINGLE = {
    1: (17.0, 13.5, 21.4),
    2: (26.6, 22.4, 31.6),
    5: (40, 34, 46),
    10: (48, 41, 55),
    20: (52, 44, 60),
    50: (59, 50, 68),
    100: (68, 58, 78),
    200: (80, 68, 92),
}
REPEATED = {2: (48, 43, 53), 10: (77, 72, 82), 100: (97, 94, 100)}
RATE = 192_000

TAKES = 1000  # a false-alarm rate of 1 % is then known to 0.3 %


def sine(frequency_hz: float, samplerate: int, seconds: float) -> Array:
    phase = 2 * np.pi * frequency_hz * np.arange(round(samplerate * seconds)) / samplerate
    return np.sin(phase + 0.4)


def coloured(
    rng: np.random.Generator, samplerate: int, seconds: float, gain: Callable[[Array], Array]
) -> Array:
    """Part of a longer periodic Gaussian noise, so that its ends do not meet."""
    frames = round(samplerate * seconds)
    length = fft.next_fast_len(2 * frames)
    frequencies = np.maximum(fft.rfftfreq(length, 1 / samplerate), 1.0)
    lines = fft.rfft(rng.standard_normal(length)) * gain(frequencies)
    return fft.irfft(lines, length)[:frames]


def white(f: Array) -> Array:
    return np.ones_like(f)


def pink(f: Array) -> Array:
    return f**-0.5


def brown(f: Array) -> Array:
    return 1 / f


def humps(f: Array) -> Array:
    return 1 + 100 / f + 3 / (1 + ((f - 1000) / 200) ** 2) + 2 * np.exp(-(((f - 300) / 150) ** 2))


NOISES = {"white": white, "pink": pink, "1/f²": brown, "humps": humps}


def true_level(samplerate: int, gain: Callable[[Array], Array]) -> float:
    f = np.linspace(20, min(20_000, samplerate / 2), 500_001)
    return float(10 * np.log10(2 * np.trapezoid(gain(f) ** 2 * 2 / samplerate, f)))


def bursts(milliseconds: float, per_second: int | None) -> Array:
    tone = np.sin(2 * np.pi * 5000 * np.arange(round(milliseconds * RATE / 1000)) / RATE)
    if per_second is None:
        return np.concatenate([np.zeros(RATE // 100), tone, np.zeros(RATE // 2)])
    period = np.zeros(RATE // per_second)
    period[: len(tone)] = tone
    return np.tile(period, 4 * per_second)


def quasi_peak_readings() -> Iterator[tuple[str, float, tuple[float, float, float]]]:
    def highest(signal: Array) -> float:
        return float(QuasiPeakMeter(RATE).feed(weight(signal, RATE, bs468_weighting)).max())

    steady = highest(np.sin(2 * np.pi * 5000 * np.arange(3 * RATE) / RATE))
    for milliseconds, limits in SINGLE.items():
        yield f"{milliseconds} ms", 100 * highest(bursts(milliseconds, None)) / steady, limits
    for rate, limits in REPEATED.items():
        yield f"5 ms, {rate}/s", 100 * highest(bursts(5, rate)) / steady, limits


def fit() -> None:
    """Least squares of the logarithms, each row in units of half its limits' width."""

    def cost(logarithms: Array) -> float:
        (c1, d1, c2, d2) = np.exp(logarithms)
        quasi_peak.DETECTOR_SECONDS = ((c1, d1), (c2, d2))
        rows = [
            np.log(reading / middle) / (np.log(high / low) / 2)
            for _, reading, (middle, low, high) in quasi_peak_readings()
        ]
        # The eighth power keeps single rows off their limits.
        return float(np.sum(np.square(rows)) + 0.2 * np.sum(np.power(rows, 8)))

    start = np.log([1.5e-3, 0.3, 0.2, 0.5])
    found = optimize.minimize(cost, start, method="Nelder-Mead", options={"maxfev": 250})
    print("charge, discharge (s) of both detectors:", np.exp(found.x).round(5), "cost", found.fun)


def print_weightings() -> None:
    print("| weighting | rate | greatest error, 20 Hz–20 kHz |")
    print("| --- | --- | --- |")
    frequencies = np.append(np.geomspace(20, 20_000, 46), 997.0)
    for name, reading, response, length in (
        ("A, against IEC 61672-1", noise_level_a, a_weighting_db, 3),
        ("BS.468-4, against its rational form", noise_level_468, bs468_weighting_db, 3),
    ):
        for rate in (48_000, 96_000):
            errors = [
                reading(sine(f, rate, length), rate).value - response(np.array([f]))[0]
                for f in frequencies
            ]
            print(f"| {name} | {rate // 1000} kHz | {np.max(np.abs(errors)):.3f} dB |", flush=True)


def print_quasi_peak() -> None:
    print("\n| bursts of 5 kHz | reading | Recommendation | limits |")
    print("| --- | --- | --- | --- |")
    for name, reading, (middle, low, high) in quasi_peak_readings():
        print(f"| {name} | {reading:.1f} % | {middle} % | {low}–{high} % |", flush=True)


def print_coverage(*names: str) -> None:
    print(
        "\n| reading | noise | take | scatter of the readings | mean u | true value within ±2 u |"
    )
    print("| --- | --- | --- | --- | --- | --- |")
    for name, samplerate, lengths, takes in (
        ("noise_rms", 8000, (0.05, 1, 5, 20), 200),
        ("noise_a", 8000, (0.05, 1, 5, 20), 200),
        ("noise_468", 16_000, (0.05, 1, 5), 30),
    ):
        if names and name not in names:
            continue
        reading = {
            "noise_rms": noise_level,
            "noise_a": noise_level_a,
            "noise_468": noise_level_468,
        }[name]
        rng = np.random.default_rng(1)
        for noise in ("white", "pink", "1/f²"):
            for seconds in lengths:
                readings = [
                    reading(coloured(rng, samplerate, seconds, NOISES[noise]), samplerate)
                    for _ in range(takes)
                ]
                values = np.array([r.value for r in readings])
                spread = np.array([r.uncertainty for r in readings])
                true = true_level(samplerate, NOISES[noise])
                if name != "noise_rms":
                    true = float(values.mean())
                covered = 100 * np.mean(np.abs(values - true) <= 2 * spread)
                print(
                    f"| {name} | {noise} | {seconds} s | {values.std():.3f} dB "
                    f"| {spread.mean():.3f} dB | {covered:.1f} % |",
                    flush=True,
                )


def print_false_alarms() -> None:
    print("\n| noise | take | takes | with a tone called |")
    print("| --- | --- | --- | --- |")
    rng = np.random.default_rng(2)
    for noise, gain in NOISES.items():
        for samplerate, seconds, takes in (
            (8000, 5, TAKES),
            (8000, 0.5, TAKES),
            (48_000, 5, TAKES // 10),
        ):
            t = np.arange(round(samplerate * seconds)) / samplerate
            called = 0
            for _ in range(takes):
                x = coloured(rng, samplerate, seconds, gain)
                combs: tuple[Comb, ...] = ()
                if noise == "humps":
                    combs = (Comb(50, 10),)
                    for k in range(1, 11):
                        x += 30 * x.std() / k * np.sin(2 * np.pi * 50 * k * t + rng.uniform(0, 6))
                called += bool(find_spurs(x, samplerate, exclude=combs))
            name = "humps and hum" if noise == "humps" else noise
            print(
                f"| {name} | {seconds} s at {samplerate // 1000} kHz | {takes} "
                f"| {100 * called / takes:.1f} % |",
                flush=True,
            )


def print_spurs() -> None:
    print("\n| tone over the noise in 1 Hz | found | level error, u | frequency error, u |")
    print("| --- | --- | --- | --- |")
    rng = np.random.default_rng(3)
    for above_db in (3, 6, 9, 20, 40):
        found = []
        for _ in range(100):
            f = rng.uniform(500, 3000)
            x = coloured(rng, 8000, 10, white)
            amplitude = np.sqrt(2 * (2 / 8000) * 10 ** (above_db / 10))
            spurs = find_spurs(x + amplitude * sine(f, 8000, 10), 8000)
            near = [s for s in spurs if abs(s.frequency.value - f) < 3]
            found += [(near[0], f, 20 * np.log10(amplitude))] if near else []
        if not found:
            print(f"| {above_db} dB | 0 % | | |")
            continue
        level = np.array([s.level.value - true for s, _, true in found])
        frequency = np.array([s.frequency.value - true for s, true, _ in found])
        level_u = np.mean([s.level.uncertainty for s, _, _ in found])
        frequency_u = np.mean([s.frequency.uncertainty for s, _, _ in found])
        print(
            f"| {above_db} dB | {len(found)} % "
            f"| {level.mean():+.2f} ± {level.std():.2f} dB, {level_u:.2f} dB "
            f"| {frequency.std():.4f} Hz, {frequency_u:.4f} Hz |",
            flush=True,
        )


if __name__ == "__main__":
    if "--fit" in sys.argv:
        fit()
    else:
        print_weightings()
        print_quasi_peak()
        print_spurs()
        print_false_alarms()
        print_coverage()
