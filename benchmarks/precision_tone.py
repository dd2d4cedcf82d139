"""Precision and speed of the tone measurements, as markdown tables.

Run ``python -m benchmarks.precision_tone`` (some minutes).
"""

import time

import numpy as np

from tests.measure.tones import covered, note, sine

TAKES = 60


def print_bounds() -> None:
    print("| SNR | take | frequency, of the bound | level, of the bound | ±2u: f | level | thd_n |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    rng = np.random.default_rng(1)
    rate, amplitude = 8000, 0.3
    for snr_db in (10, 20, 40, 60):
        for seconds in (0.3, 1, 5):
            frames = round(rate * seconds)
            sigma = amplitude / np.sqrt(2) * 10 ** (-snr_db / 20)
            rows = []
            for _ in range(TAKES):
                f = rng.uniform(400, 1500)
                x = sine(f, rate, seconds, amplitude, rng.uniform(0, 6))
                tone, distortion = note(x + sigma * rng.standard_normal(frames), rate, f)
                rest = sigma**2 * (distortion.band_hz[1] - 20) / (rate / 2)
                true = 10 * np.log10(rest / (rest + amplitude**2 / 2))
                rows.append(
                    (
                        (tone.frequency.value - f, tone.frequency.uncertainty),
                        (tone.level.value - 20 * np.log10(amplitude), tone.level.uncertainty),
                        (distortion.thd_n.value - true, distortion.thd_n.uncertainty),
                    )
                )
            hertz, level, thd_n = np.array(rows).transpose(1, 2, 0)
            bound_hz = np.sqrt(6 * sigma**2 * rate**2 / (np.pi**2 * amplitude**2 * frames**3))
            bound_db = 8.686 * np.sqrt(2 * sigma**2 / frames) / amplitude
            print(
                f"| {snr_db} dB | {seconds} s "
                f"| {np.sqrt(np.mean(hertz[0] ** 2)) / bound_hz:.2f} "
                f"| {np.sqrt(np.mean(level[0] ** 2)) / bound_db:.2f} "
                f"| {100 * covered(*hertz):.1f} % | {100 * covered(*level):.1f} % "
                f"| {100 * covered(*thd_n):.1f} % |",
                flush=True,
            )


def print_floor() -> None:
    print("\n| signal, 48 kHz | thd | thd_n |")
    print("| --- | --- | --- |")
    rng = np.random.default_rng(2)
    for f in (27.5, 440.0, 997.3, 5000.3):
        distortion = note(sine(f, 48_000, 2, 0.5), 48_000, f)[1]
        assert distortion.thd is not None
        print(
            f"| {f} Hz, float64 | {distortion.thd.value:.0f} dB | {distortion.thd_n.value:.0f} dB |"
        )
    for below in (-90, -100, -110):
        x = sine(997.3, 48_000, 10, 0.9) + 0.9 * 10 ** (below / 20) * sine(1994.6, 48_000, 10)
        dither = rng.uniform(-0.5, 0.5, (2, len(x))).sum(axis=0)
        distortion = note(np.round(x * 2**23 + dither) / 2**23, 48_000)[1]
        assert distortion.thd is not None
        print(
            f"| 997.3 Hz, 24 bit, 2nd at {below} dB | {distortion.thd.value:.4f} dB "
            f"| {distortion.thd_n.value:.3f} dB |"
        )


def print_leakage() -> None:
    print("\n| sawtooth | take | frequency error, u | level error, u |")
    print("| --- | --- | --- | --- |")
    for f in (55.3, 110.07, 440.3, 1000.7):
        for seconds in (0.3, 1, 5):
            last = int(23_900 / f)
            x = sum(sine(f * k, 48_000, seconds, 0.3 / k, 0.7 * k) for k in range(1, last + 1))
            x = x + 1e-7 * np.random.default_rng(3).standard_normal(len(x))
            tone = note(x, 48_000, f)[0]
            print(
                f"| {f} Hz | {seconds} s "
                f"| {tone.frequency.value - f:.0e} Hz, {tone.frequency.uncertainty:.0e} Hz "
                f"| {tone.level.value - 20 * np.log10(0.3):.0e} dB, "
                f"{tone.level.uncertainty:.0e} dB |"
            )


def print_speed() -> None:
    x = sine(440.3, 48_000, 10, 0.5) + 1e-4 * np.random.default_rng(4).standard_normal(480_000)

    def seconds(call) -> float:
        call()
        start = time.process_time()
        call()
        return time.process_time() - start

    ours, transform = seconds(lambda: note(x, 48_000)), seconds(lambda: np.fft.rfft(x))
    print(
        f"\nOne channel of 10 s at 48 kHz: {ours:.2f} s, {ours / transform:.0f} FFTs of the take."
    )


if __name__ == "__main__":
    print_bounds()
    print_floor()
    print_leakage()
    print_speed()
