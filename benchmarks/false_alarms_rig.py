"""False alarms and found faults of the rig test, on simulated rigs.

Every rig is drawn at random: rate, levels, noise, hum, distortion, coupling, crosstalk, latency.
The faults are those of
``tests/rig/faults.py``: models of their own, made from numpy and scipy alone. Run as
``python -m benchmarks.false_alarms_rig [clean rigs] [rigs a fault]`` (about ten minutes for the
usual 200 and 12).
"""

import sys
from collections import Counter
from dataclasses import replace

import numpy as np

from sigbench.interface.loopback import Converters, LoopbackInterface
from sigbench.rig.path import FINDINGS, PathFinding, find_path_faults, run_path_test
from sigbench.rig.path_stimulus import path_stimulus
from tests.rig.faults import (
    Model,
    at_rate,
    family,
    feed_back,
    feed_forward,
    gate,
    half,
    high_pass,
    mixed,
    poly,
    rounded,
    spectral,
    straight_lines,
    swapped,
    volume,
    volume_of_32_bits,
)

DIGITAL = "digital"
RATES = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)


def random_converters(rng: np.random.Generator) -> Converters:
    outputs = tuple(float(v) for v in rng.uniform(4, 20) + rng.normal(0, 0.1, 2))
    loop_db = rng.uniform(-20, 6)
    return Converters(
        output_full_scale_dbu=outputs,
        input_full_scale_dbu=tuple(v - loop_db + float(rng.normal(0, 0.1)) for v in outputs),
        output_noise_dbfs=float(rng.uniform(-118, -92)),
        input_noise_dbfs=float(rng.uniform(-115, -90)),
        hum_dbfs=float(rng.uniform(-130, -90)),
        mains_hz=float(rng.choice([50, 60]) + rng.normal(0, 0.03)),
        second_harmonic_db=float(rng.uniform(-110, -70)),
        third_harmonic_db=float(rng.uniform(-110, -70)),
        coupling_hz=float(rng.choice([0.0, rng.uniform(0.5, 5)])),
        crosstalk_db=float(rng.uniform(-110, -50)),
        offset=float(rng.normal(0, 1e-4)),
        latency_frames=int(rng.integers(0, 20_000)),
        bits=int(rng.choice([24, 24, 24, 32])),
    )


# name, severity, expected finding, on the way out, on the way in, change of the converters
FAULTS: tuple[tuple[str, str, Model | None, Model | None, dict[str, object]], ...] = (
    ("wrong_rate", "other family", at_rate(family), None, {}),
    ("wrong_rate", "half the rate", at_rate(lambda r: r // 2), None, {}),
    ("wrong_rate", "twice the rate", at_rate(lambda r: r * 2), None, {}),
    ("resampling", "other family, straight lines", straight_lines(family), None, {}),
    ("resampling", "other family, filter of −55 dB", poly(family), None, {}),
    ("resampling", "lower rate, filter of −120 dB", poly(half, ("kaiser", 12.0)), None, {}),
    ("resampling", "lower rate, way in", None, poly(half), {}),
    ("automatic_gain", "compressor 2:1 over −30 dBFS", feed_forward(-30, 2, 0.005, 0.2), None, {}),
    ("automatic_gain", "limiter at −6 dBFS", feed_forward(-6, 20, 0.002, 0.1), None, {}),
    ("automatic_gain", "slow 4:1 over −40 dBFS", feed_forward(-40, 4, 0.3, 3.0), None, {}),
    ("automatic_gain", "leveller to −18 dBFS, 0.3 s", None, feed_back(-18, 0.3), {}),
    ("automatic_gain", "leveller to −18 dBFS, 3 s", None, feed_back(-18, 3.0), {}),
    ("noise_suppression", "gate at −50 dBFS, to zero", None, gate(-50, np.inf), {}),
    ("noise_suppression", "gate at −55 dBFS, 12 dB", gate(-55, 12), None, {}),
    ("noise_suppression", "gate just over the noise", None, gate(-75, np.inf), {}),
    ("noise_suppression", "spectral, 15 dB", spectral(15, -60), None, {}),
    ("software_volume", "50 %, calibrated", volume(0.5), None, {}),
    ("software_volume", "90 %, calibrated", volume(0.9), None, {}),
    ("software_volume", "70 % on the way in", None, volume_of_32_bits(0.7), {"bits": 24}),
    ("truncation_16_bit", "rounded, out", rounded(), None, {}),
    ("truncation_16_bit", "cut off, out", rounded(way="floor"), None, {}),
    ("truncation_16_bit", "rounded, in", None, rounded(), {}),
    ("truncation_16_bit", "with dither, in", None, rounded(way="dither"), {}),
    ("mono", "half of both", mixed(0.5, 0.5), None, {}),
    ("mono", "other at −20 dB", mixed(1.0, 0.1), None, {}),
    ("mono", "way in", None, mixed(0.5, 0.5), {}),
    ("swapped_channels", "out", swapped, None, {}),
    ("swapped_channels", "in", None, swapped, {}),
    ("high_pass", "20 Hz, first order", high_pass(1, 20), None, {}),
    ("high_pass", "80 Hz, second order", None, high_pass(2, 80), {}),
    ("high_pass", "150 Hz, fourth order", high_pass(4, 150), None, {}),
    ("clock_drift", "3 ppm", None, None, {"clock_ppm": 3.0}),
    ("clock_drift", "50 ppm", None, None, {"clock_ppm": 50.0}),
    ("clock_drift", "−300 ppm", None, None, {"clock_ppm": -300.0}),
)
CALIBRATED = "calibrated"


def digital_loop(model: Model, rate: int, latency: int) -> tuple[PathFinding, ...]:
    """A loop within the computer, in 32-bit floating point."""
    sent = path_stimulus(rate, 2)
    line = np.pad(sent, ((latency, rate - latency), (0, 0)))
    return find_path_faults(np.float64(np.float32(model(line, rate)[: len(line)])), rate)


def clean_table(count: int) -> None:
    alarms: Counter[str] = Counter()
    unsure: Counter[str] = Counter()
    for seed in range(count):
        rng = np.random.default_rng(seed)
        rate = int(RATES[seed % len(RATES)])
        rig = LoopbackInterface(
            random_converters(rng), samplerate=rate, channels=int(rng.choice([1, 2, 2, 2, 4])),
            seed=seed,
        )  # fmt: skip
        for finding in run_path_test(rig).findings:
            alarms[finding.name] += finding.present is True
            unsure[finding.name] += finding.present is None
            if finding.present:
                print(f"<!-- {seed}: {finding.name}: {finding.evidence} -->", flush=True)
    print("| finding | false alarms | cannot tell |")
    print("| --- | --- | --- |")
    for name in FINDINGS:
        print(f"| {name} | {alarms[name]} of {count} | {unsure[name]} of {count} |", flush=True)


def row(fault: str, severity: str, loop: str, results: list[tuple[PathFinding, ...]]) -> None:
    found, unsure = 0, 0
    others: Counter[str] = Counter()
    for findings in results:
        for finding in findings:
            if finding.name == fault:
                found += finding.present is True
                unsure += finding.present is None
            elif finding.present:
                others[finding.name] += 1
    beside = ", ".join(f"{name} {n}" for name, n in others.items()) or "none"
    print(
        f"| {fault} | {severity} | {loop} | {found} of {len(results)} | {unsure} | {beside} |",
        flush=True,
    )


def fault_table(count: int) -> None:
    print("| fault | severity | loop | found | cannot tell | others named |")
    print("| --- | --- | --- | --- | --- | --- |")
    for fault, severity, out, into, change in FAULTS:
        results = []
        for seed in range(1000, 1000 + count):
            rng = np.random.default_rng(seed)
            rate = RATES[seed % 4]
            parts = replace(random_converters(rng), **change)  # type: ignore[arg-type]
            rig = LoopbackInterface(
                parts, samplerate=rate, seed=seed, on_the_way_out=out, on_the_way_in=into
            )
            expected = (
                [o - i for o, i in zip(parts.output_full_scale_dbu, parts.input_full_scale_dbu,
                                       strict=True)]
                if CALIBRATED in severity
                else None
            )  # fmt: skip
            results.append(run_path_test(rig, expected_loop_dbfs=expected).findings)
        row(fault, severity, "analogue", results)
    nothing: Model = lambda sound, rate: sound  # noqa: E731
    digital: list[tuple[str, str, Model]] = [("none", "", nothing), ("none", "24 bit", rounded(24))]
    digital += [(f, s, out or into) for f, s, out, into, _ in FAULTS if out or into]  # type: ignore[misc]
    digital += [("software_volume", "99 %", volume(0.99))]
    for fault, severity, model in digital:
        results = [digital_loop(model, rate, 300 * n) for n, rate in enumerate(RATES[:4])]
        row(fault, severity, "digital", results)


if __name__ == "__main__":
    clean, per_fault = (int(a) for a in (sys.argv[1:3] + ["200", "12"][len(sys.argv) - 1 :]))
    if clean:
        clean_table(clean)
    if per_fault:
        print()
        fault_table(per_fault)
