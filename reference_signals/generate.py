#!/usr/bin/env python3
"""Make the reference signals and their manifest, byte for byte the same each time.

    python reference_signals/generate.py [FOLDER]

Every known answer below comes from a closed form written out here: nothing of sigbench is
imported, and nothing is measured. `docs/reference-signals.md` describes the manifest.

Bytes are the same on every machine because everything that decides a sample is fixed by a
standard: IEEE 754 additions, multiplications and roundings (library sines differ in the last
place, so `sine` is a polynomial; constants from the maths library are rounded to 12 decimals),
the raw integers of the PCG64 generator, and WAV, whose bytes are written here. FLAC would be
smaller, but its bytes depend on the encoder's version.
"""

import hashlib
import json
import math
import struct
import sys
import zlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Expected = dict[str, Any]

FORMAT = 1
FLOAT = 0  # "bits" of floating-point samples
BAND_HZ = (20.0, 20_000.0)  # AES17
PHASE = 0.137  # turns: where tones start, so that nothing depends on starting at zero

TONE_DB = 0.001
TONE_WHY = "above a hundred times the Cramér-Rao bound of the dither, and below what a bench tells"
HERTZ = 0.0005
HERTZ_WHY = "above ten times the Cramér-Rao bound of the dither, and under 0.005 cent at 200 Hz"


@dataclass(frozen=True)
class Reference:
    """One file and all that the manifest says of it; `channels` are in fractions of full scale."""

    name: str
    samplerate: int
    bits: int
    channels: tuple[Array, ...]
    description: str
    formula: str
    check: str
    expect: list[Expected]
    settings: dict[str, float] = field(default_factory=dict)
    events: list[Expected] | None = None
    dither: bool = True
    clip: bool = False


# --- arithmetic that gives the same bits everywhere ------------------------------------------


def constant(value: float) -> float:
    """A number from the maths library without its last places, in which libraries differ."""
    return round(value, 12)


def amplitude(level_dbfs: float) -> float:
    """Peak of a sine at a level; 0 dBFS is a full-scale sine (AES17)."""
    return constant(10 ** (level_dbfs / 20))


def sine(turns: Array) -> Array:
    """sin(2 pi turns) by its Taylor series on a quarter turn; error below 1e-15."""
    folded = turns - np.rint(turns)
    folded = np.where(np.abs(folded) > 0.25, np.copysign(0.5, folded) - folded, folded)
    angle = 2 * math.pi * folded
    square = angle * angle
    result = np.zeros_like(angle)
    for power in range(23, 0, -2):
        sign = -1 if power % 4 == 3 else 1
        result = result * square + sign / math.factorial(power)
    return result * angle


def times(seconds: float, samplerate: int) -> Array:
    """Time of each frame in seconds."""
    return np.arange(round(seconds * samplerate)) / samplerate


def tone(time: Array, frequency_hz: float, level_dbfs: float, phase_turns: float = PHASE) -> Array:
    """A steady sine."""
    return amplitude(level_dbfs) * sine(frequency_hz * time + phase_turns)


def series(
    time: Array, frequency_hz: float, lines: Iterable[tuple[int, float]], phase_turns: float = 0.25
) -> Array:
    """Sum of ``height sin(2 pi (number f t + phase))``: cosines by default."""
    result = np.zeros_like(time)
    for number, height in lines:
        result = result + constant(height) * sine(number * frequency_hz * time + phase_turns)
    return result


def raw(seed: str, count: int) -> NDArray[np.uint64]:
    """64-bit integers of PCG64: its stream is fixed, unlike the distributions drawn from it."""
    return np.random.PCG64(zlib.crc32(seed.encode())).random_raw(count)


def triangular(seed: str, count: int) -> Array:
    """Difference of two uniform numbers of [0, 1): TPDF dither, in steps."""
    uniform = (raw(seed, 2 * count) >> np.uint64(32)).astype(np.float64) / 2.0**32
    return uniform[:count] - uniform[count:]


def white_noise(seed: str, frames: int, rms_dbfs: float) -> Array:
    """White noise, near Gaussian (sum of twelve uniform numbers), of exactly this RMS level."""
    words = raw(seed, 3 * frames).reshape(3, frames)
    total = np.zeros(frames, dtype=np.int64)
    for shift in (0, 16, 32, 48):
        total += ((words >> np.uint64(shift)) & np.uint64(0xFFFF)).astype(np.int64).sum(axis=0)
    total -= 12 * 65_535 // 2
    mean_square = sum(int(part) for part in (total * total).reshape(100, -1).sum(axis=1)) / frames
    return total.astype(np.float64) * (amplitude(rms_dbfs) / math.sqrt(2 * mean_square))


# --- closed forms ----------------------------------------------------------------------------


def db(power_ratio: float) -> float:
    """Ratio of powers in decibels."""
    return 10 * math.log10(power_ratio)


def power(level_dbfs: float) -> float:
    """Power of a level, a full-scale sine being 1."""
    return float(10 ** (level_dbfs / 10))


def band_share(samplerate: int) -> float:
    """Part of white noise that lies in the audio band."""
    top = min(BAND_HZ[1], samplerate / 2)
    return (top - BAND_HZ[0]) / (samplerate / 2)


def dither_power(bits: int, samplerate: int) -> float:
    """In-band error of quantising with TPDF dither, a full-scale sine being 1.

    A quarter of a step squared in all, white, whatever the signal: Lipshitz, Wannamaker and
    Vanderkooy, J. Audio Eng. Soc. 40 (1992) 355-375. 141.48 dB at 24 bits over the whole band.
    """
    step = 2.0 ** (1 - bits)
    return step**2 / 4 / 0.5 * band_share(samplerate)


def thd_n_db(fundamental: float, rest: float) -> float:
    """All but the fundamental over the total."""
    return db(rest / (fundamental + rest))


def noise_within(seconds: float, samplerate: int) -> float:
    """Four standard deviations of band noise power, in dB, with a quarter more for windows."""
    bandwidth = min(BAND_HZ[1], samplerate / 2) - BAND_HZ[0]
    return math.ceil(100 * 4 * 1.25 * 4.343 / math.sqrt(bandwidth * seconds)) / 100


NOISE_WHY = (
    "four standard deviations, 1/sqrt(bandwidth x time), of the power of noise this long, and a "
    "quarter more for a window that does not weigh all of it alike"
)


def highest_harmonic(frequency_hz: float) -> int:
    """Number of the last harmonic up to 20 kHz."""
    return int(BAND_HZ[1] / frequency_hz)


def clipped_lines(level: float, *, both: bool, highest: int) -> list[tuple[int, float]]:
    """Fourier series of ``cos`` clipped at `level` of its peak, on top or on both sides.

    What is cut off, ``max(cos x - c, 0)``, has the coefficients (a = acos c)
    ``(a - c sin a)/pi`` for n = 1 and
    ``(sin((n-1)a)/(n-1) + sin((n+1)a)/(n+1) - 2 c sin(na)/n)/pi`` above; on both sides the even
    ones cancel and the odd ones double. The mean is left out, as behind a coupling capacitor.
    """
    angle = math.acos(level)
    lines = []
    for n in range(1, highest + 1):
        if n == 1:
            cut = (angle - level * math.sin(angle)) / math.pi
        else:
            cut = math.sin((n - 1) * angle) / (n - 1) + math.sin((n + 1) * angle) / (n + 1)
            cut = (cut - 2 * level * math.sin(n * angle) / n) / math.pi
        if both:
            cut *= 2 * (n % 2)
        lines.append((n, float(n == 1) - cut))
    return lines


def square_lines(highest: int) -> list[tuple[int, float]]:
    """Square wave: odd harmonics, 1/n, alternating in sign about the cosine's crest."""
    return [(n, (-1) ** (n // 2) / n) for n in range(1, highest + 1, 2)]


def triangle_lines(highest: int) -> list[tuple[int, float]]:
    """Triangle wave: odd harmonics, 1/n²."""
    return [(n, 1 / n**2) for n in range(1, highest + 1, 2)]


def peaks(lines: Sequence[tuple[int, float]]) -> tuple[float, float]:
    """Highest and lowest point of a cosine series, found on a fine grid."""
    grid = np.arange(32_769) / 65_536  # half a cycle: the series is even
    wave = series(grid, 1.0, lines)
    return float(wave.max()), float(wave.min())


def a_weighting_db(frequency_hz: float) -> float:
    """IEC 61672-1:2013, annex E: the analytic form, re 1 kHz."""

    def gain(f: float) -> float:
        low, first, second, high = 20.598997, 107.65265, 737.86223, 12194.217
        poles = (f**2 + low**2) * math.sqrt((f**2 + first**2) * (f**2 + second**2))
        return high**2 * f**4 / (poles * (f**2 + high**2))

    return 20 * math.log10(gain(frequency_hz) / gain(1000.0))


# --- what must be read -----------------------------------------------------------------------


def reads(
    name: str,
    value: float,
    unit: str,
    within: float,
    why: str,
    channel: int | None = 1,
    **at: float,
) -> Expected:
    """A number within a tolerance; `at` picks one entry of a list by harmonic or frequency."""
    rounded = round(value, 9 if unit == "s" else 5) + 0.0  # no negative zero
    row = {"name": name, "channel": channel, "unit": unit, "value": rounded, "within": within}
    return {**row, **at, "why": why}


def at_most(
    name: str, bound: float, unit: str, why: str, channel: int | None = 1, **at: float
) -> Expected:
    """A number, or an upper bound, not above a limit."""
    return {"name": name, "channel": channel, "unit": unit, "at_most": bound, **at, "why": why}


def invalid(name: str, why: str, channel: int | None = 1) -> Expected:
    """No number at all, with a reason."""
    return {"name": name, "channel": channel, "state": "invalid", "why": why}


def entries(name: str, count: int, unit: str, why: str, channel: int = 1) -> Expected:
    """So many entries in a list."""
    return {"name": name, "channel": channel, "unit": unit, "entries": count, "why": why}


def event(kind: str, start: float, end: float, why: str, **depth: float) -> Expected:
    """Something at a time; edges within half a millisecond."""
    where = {"kind": kind, "channels": [1], "start": start, "end": end, "within": 0.0005}
    return {**where, **depth, "why": why}


def tone_reads(frequency_hz: float, level_dbfs: float, channel: int = 1) -> list[Expected]:
    """Frequency and level of a clean tone."""
    return [
        reads("frequency", frequency_hz, "Hz", HERTZ, HERTZ_WHY, channel),
        reads("tone_level", level_dbfs, "dBFS", TONE_DB, TONE_WHY, channel),
    ]


# --- the signals -----------------------------------------------------------------------------


def pure_sine(level_dbfs: float, seconds: float) -> Reference:
    """AES17's tone, dithered at 24 bits: all that is left is the dither."""
    rate, bits = 48_000, 24
    noise = dither_power(bits, rate)
    name = f"sine-997-hz-{-level_dbfs:.0f}-db"
    expect = [
        *tone_reads(997.0, level_dbfs),
        reads("level_rms", level_dbfs, "dBFS", TONE_DB, TONE_WHY),
        reads(
            "thd_n",
            thd_n_db(power(level_dbfs), noise),
            "dB",
            noise_within(seconds, rate),
            NOISE_WHY,
        ),
        at_most("thd", -170 - level_dbfs, "dB", "the dither in 20 lines of 0.3 Hz and a margin"),
    ]
    return Reference(
        name,
        rate,
        bits,
        (tone(times(seconds, rate), 997.0, level_dbfs),),
        f"Sine of 997 Hz at {level_dbfs:g} dBFS, 24 bits with TPDF dither",
        "A sin(2 pi f t); THD+N is the dither: q²/4, q = 2^-23, times 19980 Hz over half the rate",
        "tone",
        expect,
    )


def stated_thd(
    name: str, rate: int, seconds: float, ratios: dict[int, float], within: float
) -> Reference:
    """A tone between bins with harmonics of stated amplitude re the fundamental."""
    bits, frequency, level = 24, 441.37, -6.0
    time = times(seconds, rate)
    signal = tone(time, frequency, level)
    for number, ratio in ratios.items():
        height = constant(amplitude(level) * ratio)
        signal = signal + height * sine(number * (frequency * time + PHASE) + 0.07 * number)
    thd_squared = sum(ratio**2 for ratio in ratios.values())
    noise = dither_power(bits, rate) / power(level)
    why = "the dither lies over 60 dB below each harmonic's line; the rest is room for the method"
    expect = [
        *tone_reads(frequency, level),
        reads("thd", db(thd_squared), "dB", within, why),
        reads(
            "thd",
            100 * math.sqrt(thd_squared),
            "%",
            round(0.12 * within * math.sqrt(thd_squared) * 100, 7),
            why,
        ),
        reads("thd_n", thd_n_db(1.0, thd_squared + noise), "dB", within, why),
    ]
    expect += [
        reads("harmonics", db(ratio**2), "dB", 2 * within, why, harmonic=number)
        for number, ratio in ratios.items()
    ]
    return Reference(
        name,
        rate,
        bits,
        (signal,),
        f"Tone of 441.37 Hz with THD of {100 * math.sqrt(thd_squared):.4g} %",
        "A (sin x + sum of r_n sin(n x + p_n)); THD = root-sum-square of the r_n",
        "tone",
        expect,
    )


def waveform(
    name: str,
    what: str,
    formula: str,
    lines: list[tuple[int, float]],
    numbers: Sequence[int],
    more: Sequence[Expected] = (),
    phase_turns: float = 0.25,
) -> Reference:
    """A periodic wave from its Fourier series up to 20 kHz, its fundamental at -8 dBFS."""
    rate, bits, seconds, frequency, level = 48_000, 16, 2.0, 221.3, -8.0
    scale = amplitude(level) / abs(lines[0][1])
    scaled = [(n, scale * height) for n, height in lines]
    signal = series(times(seconds, rate), frequency, scaled, phase_turns)
    ratio = {n: abs(height / lines[0][1]) for n, height in lines}
    thd_squared = sum(r**2 for n, r in ratio.items() if n > 1)
    noise = dither_power(bits, rate) / power(level)
    why = "dither of 16 bits lies 85 dB below the fundamental; the rest is room for the method"
    parts = "harmonics over a part cycle at the end: up to their share over 2 pi 442 cycles"
    expect = [
        reads("frequency", frequency, "Hz", 0.002, parts),
        reads("tone_level", level, "dBFS", 0.005, parts),
        reads("thd", 100 * math.sqrt(thd_squared), "%", 0.02, why),
        reads("thd", db(thd_squared), "dB", 0.01, why),
        reads("thd_n", thd_n_db(1.0, thd_squared + noise), "dB", 0.01, why),
        reads(
            "level_rms",
            level + db(1 + thd_squared),
            "dBFS",
            0.01,
            "the file does not hold whole cycles: up to 1/(4 pi cycles)",
        ),
    ]
    for n in numbers:
        if ratio.get(n, 0.0) > 1e-9:
            expect.append(reads("harmonics", db(ratio[n] ** 2), "dB", 0.02, why, harmonic=n))
        else:
            expect.append(
                at_most(
                    "harmonics",
                    -100.0,
                    "dB",
                    "this harmonic is not there; dither in its line is near -130 dB",
                    harmonic=n,
                )
            )
    return Reference(
        name,
        rate,
        bits,
        (signal,),
        f"{what} of 221.3 Hz, band-limited to 20 kHz",
        formula,
        "tone",
        [*expect, *more],
    )


def waveforms() -> list[Reference]:
    """Square, triangle, sawtooth, and sines clipped on one side and on both."""
    highest = highest_harmonic(221.3)
    even = reads(
        "clip_asymmetry", 0.0, "dB", 0.02, "both halves of the wave are alike; 16-bit dither"
    )
    saw = [(n, 1 / n) for n in range(1, highest + 1)]
    turned = (
        "with the crest of the fundamental at 0, sin(n x) is cos(n x + (n - 1) 90°); 16-bit dither"
    )
    made = [
        waveform(
            "square",
            "Square wave",
            "sum over odd n of cos(n x)/n with alternating signs",
            square_lines(highest),
            (2, 3, 4, 5, 9),
            [even],
        ),
        waveform(
            "triangle",
            "Triangle wave",
            "sum over odd n of cos(n x)/n²",
            triangle_lines(highest),
            (2, 3, 5),
            [even],
        ),
        waveform(
            "sawtooth",
            "Sawtooth wave",
            "sum over n of sin(n x)/n",
            saw,
            (2, 3, 4, 5, 10),
            [
                even,
                reads("harmonic_phases", 90.0, "deg", 0.2, turned, harmonic=2),
                reads("harmonic_phases", -90.0, "deg", 0.2, turned, harmonic=4),
            ],
            phase_turns=0.0,
        ),
    ]
    for level in (0.5, 0.9):
        lines = clipped_lines(level, both=True, highest=highest)
        made.append(
            waveform(
                f"clipped-both-{100 * level:.0f}",
                f"Sine clipped on both sides at {level:g} of its peak",
                "Fourier series of a cosine with both crests cut off",
                lines,
                (2, 3),
                [even],
            )
        )
    for level in (0.7,):
        lines = clipped_lines(level, both=False, highest=highest)
        high, low = peaks(lines)
        made.append(
            waveform(
                f"clipped-top-{100 * level:.0f}",
                f"Sine clipped on top at {level:g} of its peak",
                "Fourier series of a cosine with its crest cut off, without the mean",
                lines,
                (2, 3),
                [
                    reads(
                        "clip_asymmetry",
                        db((high / low) ** 2),
                        "dB",
                        0.02,
                        "peaks of the series up to 20 kHz, about its mean; 16-bit dither",
                    )
                ],
            )
        )
    return made


def drifting_tone() -> Reference:
    """A free-running oscillator: frequency f0 (1 + e sin(2 pi t/T)) over one period T."""
    rate, bits, seconds, frequency, level, excess = 48_000, 24, 4.0, 440.7, -6.0, 0.0017
    time = times(seconds, rate)
    swing = constant(frequency * excess * seconds / (2 * math.pi))  # turns
    turns = frequency * time + swing * (1 - sine(time / seconds + 0.25)) + PHASE
    drift = 1200 * math.log2((1 + excess) / (1 - excess))
    noise = dither_power(bits, rate)
    return Reference(
        "drifting-tone",
        rate,
        bits,
        (amplitude(level) * sine(turns),),
        "Tone that drifts slowly by 5.9 cents and is clean otherwise",
        "frequency f0 (1 + e sin(2 pi t/T)), T the length: drift 1200 log2((1 + e)/(1 - e)) cents",
        "tone",
        [
            reads(
                "frequency",
                frequency,
                "Hz",
                0.005,
                "drift as a whole cycle leaves the mean; 0.02 cent for ends and knots",
            ),
            reads(
                "tone_level", level, "dBFS", 0.002, "a constant amplitude; the envelope's own fit"
            ),
            reads(
                "frequency_drift",
                drift,
                "cents",
                0.15,
                "a mean over 1/20 of the cycle flattens its crests by 0.4 %; rest for the ends",
            ),
            reads(
                "thd_n",
                thd_n_db(power(level), noise),
                "dB",
                0.5,
                "drift must not read as noise; 0.1 dB of statistics, rest for the drift followed",
            ),
        ],
    )


def hum_lines(time: Array, mains_hz: float, lines: dict[int, float]) -> Array:
    """A mains comb: level in dBFS of each multiple."""
    total = np.zeros_like(time)
    for number, level in lines.items():
        total = total + tone(time, number * mains_hz, level, 0.21 * number)
    return total


def hum_reads(mains_hz: float, lines: dict[int, float], within: float) -> list[Expected]:
    """Mains frequency and lines."""
    why = "noise in the fitted lines, four standard deviations, and the fit"
    return [
        reads(
            "mains_frequency", mains_hz, "Hz", 0.003, "far above the Cramér-Rao bound of the comb"
        ),
        reads("hum_1x", lines[1], "dBFS", within, why),
        reads("hum_2x", lines[2], "dBFS", within, why),
        reads("hum_total", db(sum(map(power, lines.values()))), "dBFS", within, why),
    ]


def tone_under_hum() -> Reference:
    """A weak tone under hum 20 dB stronger."""
    rate, seconds, frequency, level = 48_000, 4.0, 261.63, -40.0
    lines = {1: -20.0, 2: -25.0, 3: -30.0, 5: -35.0}
    time = times(seconds, rate)
    signal = tone(time, frequency, level) + hum_lines(time, 50.02, lines)
    return Reference(
        "tone-under-hum",
        rate,
        16,
        (signal,),
        "Tone of 261.63 Hz at -40 dBFS under mains hum of 50.02 Hz at -20 dBFS and its multiples",
        "sum of sines of stated levels",
        "tone",
        [
            reads(
                "frequency", frequency, "Hz", 0.005, "hum 11 Hz away; bound of the dither 0.0001 Hz"
            ),
            reads("tone_level", level, "dBFS", 0.02, "hum 11 Hz away, 5 dB above the tone"),
            reads(
                "thd_n",
                thd_n_db(power(level), sum(map(power, lines.values()))),
                "dB",
                0.05,
                "sum of lines that beat over 4 s; dither 50 dB below",
            ),
            *hum_reads(50.02, lines, 0.05),
        ],
        {"frequency_hz": 261.63, "mains_hz": 50.0},
    )


def rich_note(time: Array, frequency_hz: float, level_dbfs: float) -> Array:
    """A note with harmonics falling as 1/n up to 5 kHz, of one polarity and one place in time."""
    count = int(5000 / frequency_hz)
    scale = amplitude(level_dbfs)
    return series(time, frequency_hz, [(n, scale / n) for n in range(1, count + 1)])


def pairs() -> list[Reference]:
    """Stereo: imbalance, polarity, delay, crosstalk, a dead channel."""
    rate = 48_000
    time = times(2.0, rate)
    why = "the same wave twice, dither over 70 dB below"
    note = rich_note(time, 110.3, -14.0)
    late = rich_note(time - 12.3 / rate, 110.3, -14.0)

    cut = "12.3 of 96000 frames differ at the ends, and a crest there has 16 times the mean power"

    def pair(name: str, value: float, unit: str, within: float, why: str = why) -> Expected:
        return {**reads(name, value, unit, within, why, None), "channels": [1, 2]}

    return [
        Reference(
            "imbalance",
            rate,
            16,
            (tone(time, 997.0, -10.0), tone(time, 997.0, -11.5)),
            "Sine of 997 Hz, the right channel 1.5 dB weaker",
            "A sin(2 pi f t), twice",
            "tone",
            [
                pair("balance", 1.5, "dB", 0.002),
                *tone_reads(997.0, -10.0),
                *tone_reads(997.0, -11.5, 2),
            ],
        ),
        Reference(
            "inverted-polarity",
            rate,
            16,
            (note, -note),
            "Note of 110.3 Hz, the right channel upside down",
            "x(t) and -x(t)",
            "tone",
            [
                pair("polarity", -1, "", 0.0),
                pair("balance", 0.0, "dB", 0.002),
                pair("delay", 0.0, "s", 2e-7),
            ],
        ),
        Reference(
            "delay-12.3-samples",
            rate,
            16,
            (note, late),
            "Note of 110.3 Hz, the right channel 12.3 samples late",
            "x(t) and x(t - 12.3/48000 s), each sine of the sum delayed in phase",
            "tone",
            [
                pair("delay", 12.3 / rate, "s", 2e-7),
                pair("polarity", 1, "", 0.0),
                pair("balance", 0.0, "dB", 0.02, cut),
            ],
        ),
        Reference(
            "crosstalk-60-db",
            rate,
            24,
            (tone(time, 997.0, -3.0), tone(time, 997.0, -63.0, 0.4)),
            "Sine of 997 Hz on the left, leaking to the right 60 dB below",
            "A sin(2 pi f t) and A/1000 sin(2 pi f t + p)",
            "tone",
            [reads("crosstalk", -60.0, "dB", 0.002, "24-bit dither 75 dB below the leak", 2)],
            {"driven_channel": 1},
        ),
        Reference(
            "dead-channel",
            rate,
            16,
            (tone(time, 440.7, -12.0), np.zeros_like(time)),
            "Tone of 440.7 Hz on the left, nothing but dither on the right",
            "A sin(2 pi f t) and 0",
            "tone",
            [
                *tone_reads(440.7, -12.0),
                *(
                    invalid(name, "no tone there: a number would come from noise", 2)
                    for name in ("tone_level", "frequency", "thd", "thd_n")
                ),
                reads(
                    "level_rms",
                    db(2.0**-30 / 4 / 0.5),
                    "dBFS",
                    0.1,
                    "dither over the whole band, q²/4 with q = 2^-15; four standard deviations",
                    2,
                ),
            ],
        ),
    ]


def interruptions() -> list[Reference]:
    """Losses and a dip at stated times; and movements of the level that are none."""
    rate = 48_000
    time = times(4.0, rate)
    note = tone(time, 329.6, -12.0) + tone(time, 659.2, -24.0, 0.3)
    low = amplitude(-12.0)

    def during(start: float, end: float) -> NDArray[np.bool_]:
        return (time >= start) & (time < end)

    gain = np.where(during(1.1003, 1.1503) | during(3.0, 3.25), 0.0, 1.0)
    gain = np.where(during(2.2, 2.35), low, gain)
    why = "edges are asked for within 0.5 ms"
    swell = (1 - time / 8) * (1 + 0.4 * sine(5.1 * time))
    return [
        Reference(
            "dropouts",
            rate,
            16,
            (gain * note,),
            "Note of 329.6 Hz with two losses and a dip of 12 dB",
            "x(t) g(t), g = 1, 0 or 0.2512",
            "dropouts",
            [
                reads("dropouts", 2, "1", 0, "two losses; a dip is none"),
                reads("dropout_time", 0.3, "s", 0.002, "four edges, each within 0.5 ms"),
            ],
            events=[
                event("dropout", 1.1003, 1.1503, why),
                event("dip", 2.2, 2.35, why, depth=12.0, depth_within=0.5),
                event("dropout", 3.0, 3.25, why),
            ],
        ),
        Reference(
            "no-dropouts",
            rate,
            16,
            (swell * note,),
            "The same note, dying away with a tremolo: nothing is lost",
            "x(t) (1 - t/8) (1 + 0.4 sin(2 pi 5.1 t))",
            "dropouts",
            [
                reads("dropouts", 0, "1", 0, "a tremolo is no dropout"),
                reads("dropout_time", 0.0, "s", 0.0, "a tremolo is no dropout"),
            ],
            events=[],
        ),
    ]


def hums() -> list[Reference]:
    """Idle outputs with mains hum of both kinds, and noise below it."""
    made = []
    for mains_hz, rate, lines, what in (
        (
            49.97,
            32_000,
            {1: -60.0, 2: -66.0, 3: -72.0, 6: -80.0},
            "strongest at the mains frequency",
        ),
        (60.02, 32_000, {1: -75.0, 2: -55.0, 4: -62.0, 6: -70.0}, "strongest at twice the mains"),
    ):
        seconds, noise = 4.0, -85.0
        name = f"hum-{mains_hz:.0f}-hz"
        time = times(seconds, rate)
        signal = hum_lines(time, mains_hz, lines) + white_noise(name, len(time), noise)
        total = sum(map(power, lines.values())) + power(noise) * band_share(rate)
        made.append(
            Reference(
                name,
                rate,
                24,
                (signal,),
                f"Idle noise with hum of {mains_hz:g} Hz, {what}",
                "sum of sines of stated levels and white noise of -85 dBFS RMS",
                "idle",
                [
                    *hum_reads(mains_hz, lines, 0.05),
                    reads(
                        "noise_rms",
                        db(total),
                        "dBFS",
                        0.05,
                        "lines that beat, within a window's weight",
                    ),
                    entries("spurs", 0, "dBFS", "every line belongs to the mains"),
                ],
            )
        )
    return made


def noises() -> list[Reference]:
    """White noise of stated level, tones in it, and digital silence."""
    rate, seconds = 44_100, 3.0
    time = times(seconds, rate)
    white = white_noise("white-noise", len(time), -60.0)
    spur_time = times(4.0, 48_000)
    spurs = {1234.5: -92.0, 9871.3: -97.0, 17_043.0: -88.0}
    hiss = white_noise("spurs", len(spur_time), -80.0)
    whine = sum((tone(spur_time, f, level) for f, level in spurs.items()), np.zeros_like(spur_time))
    why = "noise of the line's width beside it, four standard deviations"

    def line_within(level: float) -> float:
        # The line's own noise: density times 1/T, two sided with the tone's amplitude.
        share = power(-80.0) / 24_000 / 4.0 * 2 / power(level)
        return math.ceil(10 * 4 * 8.686 * math.sqrt(share / 2) * 1.4) / 10

    return [
        Reference(
            "white-noise",
            rate,
            24,
            (white,),
            "White noise of -60 dBFS RMS over the whole band",
            "sum of twelve uniform numbers, scaled to its RMS: in band 19980 Hz over half the rate",
            "idle",
            [
                reads("level_rms", -60.0, "dBFS", TONE_DB, "made of exactly this RMS"),
                reads(
                    "noise_rms",
                    -60.0 + db(band_share(rate)),
                    "dBFS",
                    noise_within(seconds, rate),
                    NOISE_WHY,
                ),
                entries("spurs", 0, "dBFS", "noise alone"),
            ],
        ),
        Reference(
            "spurs",
            48_000,
            24,
            (hiss + whine,),
            "Idle noise of -80 dBFS with tones of 1234.5, 9871.3 and 17043 Hz",
            "white noise and sines of stated levels",
            "idle",
            [
                entries(
                    "spurs", len(spurs), "dBFS", "three tones, each over 20 dB above noise in 1 Hz"
                ),
                *(
                    reads("spurs", level, "dBFS", line_within(level), why, near_hz=f)
                    for f, level in spurs.items()
                ),
            ],
        ),
        Reference(
            "digital-silence",
            48_000,
            16,
            (np.zeros(48_000),),
            "Digital silence: every sample is zero",
            "0",
            "idle",
            [
                invalid(name, "nothing at all has no level in decibels")
                for name in ("level_rms", "noise_rms", "noise_a", "noise_468", "spurs", "hum_total")
            ],
            dither=False,
        ),
    ]


def weightings() -> list[Reference]:
    """Tones that show a weighting, and the bursts that show the quasi-peak meter."""
    rate, level = 48_000, -20.0
    time = times(2.0, rate)
    tones = (100.0, 1000.0, 10_000.0)
    a_why = "0.05 dB is asked of the weighting from 20 Hz to 20 kHz"
    burst_rate, burst_level = 32_000, -24.0
    burst_time = times(3.0, burst_rate)
    burst = tone(burst_time, 5000.0, burst_level, 0.0)
    frame = np.arange(len(burst)) - 3200  # from the first burst, after 0.1 s

    def repeated(a_second: int) -> Array:
        lasting = burst_rate // 200  # frames of 5 ms: 25 cycles
        return np.where((frame >= 0) & (frame % (burst_rate // a_second) < lasting), burst, 0.0)

    single = np.where(frame < burst_rate, repeated(1), 0.0)
    table = "ITU-R BS.468-4 (limits from memory, to be confirmed): "
    rows = (
        (40, 34, 46, "a single burst"),
        (48, 43, 53, "2 bursts a second"),
        (77, 72, 82, "10 bursts a second"),
        (97, 94, 100, "100 bursts a second"),
    )
    bursts = [
        reads(
            "noise_468",
            burst_level + 11.7 + 20 * math.log10(share / 100),
            "dBFS",
            math.floor(100 * 20 * math.log10(top / share)) / 100,
            f"{table}{what} of 5 ms reads {share} % ({bottom} to {top}) of the steady tone",
            channel,
        )
        for channel, (share, bottom, top, what) in enumerate(rows, start=1)
    ]
    return [
        Reference(
            "a-weighting",
            rate,
            16,
            tuple(tone(time, f, level) for f in tones),
            "Tones of 100 Hz, 1 kHz and 10 kHz at -20 dBFS on three channels",
            "A sin(2 pi f t); A-weighting from the analytic form of IEC 61672-1",
            "idle",
            [
                reads("noise_a", level + a_weighting_db(f), "dBFS", 0.05, a_why, channel)
                for channel, f in enumerate(tones, start=1)
            ]
            + [
                reads("noise_rms", level, "dBFS", 0.02, "a steady tone within the band", channel)
                for channel in range(1, 4)
            ],
        ),
        Reference(
            "bs468-tones",
            rate,
            16,
            (tone(time, 1000.0, -24.0), tone(time, 6300.0, -24.0), tone(time, 100.0, -24.0)),
            "Tones of 1 kHz, 6.3 kHz and 100 Hz at -24 dBFS on three channels",
            "A sin(2 pi f t); ITU-R BS.468-4, table 1: 0, +12.2 and -19.8 dB",
            "idle",
            [
                reads(
                    "noise_468", -24.0, "dBFS", 0.05, "the steady tone that the meter is set by", 1
                ),
                reads(
                    "noise_468",
                    -24.0 + 12.2,
                    "dBFS",
                    0.2,
                    "printed to 0.1 dB; 0.2 dB permitted at 7.1 kHz, beside it",
                    2,
                ),
                reads("noise_468", -24.0 - 19.8, "dBFS", 1.0, "1 dB permitted at 100 Hz", 3),
            ],
        ),
        Reference(
            "bs468-bursts",
            burst_rate,
            16,
            (single, repeated(2), repeated(10), repeated(100)),
            "Bursts of 5 ms of 5 kHz at -24 dBFS: one, 2, 10 and 100 a second on four channels",
            "A sin(2 pi f t) for 25 cycles; steady it would read 11.7 dB more than its level",
            "idle",
            bursts,
        ),
    ]


def captures() -> list[Reference]:
    """What a capture can have against it: clipping, hum alone, DC; and peaks between samples."""
    rate = 48_000
    time = times(2.0, rate)
    quarter = times(1.0, rate)
    hum_time = times(3.0, 16_000)
    hum = hum_lines(hum_time, 50.01, {1: -30.0, 2: -36.0, 3: -38.0, 5: -50.0})
    clipped = "clipped input: nothing after it can be trusted"
    hum_why = "hum is no note"
    return [
        Reference(
            "clipped-capture",
            rate,
            16,
            (1.26 * sine(441.37 * time + PHASE),),
            "Tone of 441.37 Hz that was recorded 2 dB too hot and clipped at full scale",
            "1.26 sin(2 pi f t), cut off at the end codes of 16 bits",
            "tone",
            [
                invalid(name, clipped)
                for name in ("level_rms", "level_peak", "tone_level", "frequency", "thd", "thd_n")
            ],
            dither=False,
            clip=True,
        ),
        Reference(
            "mains-only",
            16_000,
            16,
            (hum,),
            "Nothing but hum of 50.01 Hz and its multiples where a note was expected",
            "sum of sines of stated levels",
            "tone",
            [
                *(invalid(name, hum_why) for name in ("tone_level", "frequency", "thd", "thd_n")),
                reads("mains_frequency", 50.01, "Hz", 0.003, "far above the bound of the comb"),
                reads("hum_1x", -30.0, "dBFS", 0.05, "lines a window apart"),
                reads("hum_2x", -36.0, "dBFS", 0.05, "lines a window apart"),
            ],
        ),
        Reference(
            "dc-offset",
            rate,
            16,
            (tone(time, 441.37, -20.0) + 0.02,),
            "Tone of 441.37 Hz on a DC offset of 2 % of full scale",
            "A sin(2 pi f t) + 0.02",
            "tone",
            [
                invalid("dc_offset", "nobody says whether the input passes DC"),
                *tone_reads(441.37, -20.0),
                reads(
                    "thd_n",
                    thd_n_db(power(-20.0), dither_power(16, rate)),
                    "dB",
                    noise_within(2.0, rate),
                    f"{NOISE_WHY}; DC lies outside the band",
                ),
            ],
        ),
        Reference(
            "peak-between-samples",
            rate,
            16,
            (tone(quarter, 12_000.0, -1.0, 0.125),),
            "Sine at a quarter of the rate whose crests lie halfway between samples",
            "A sin(pi n/2 + pi/4): samples at A/sqrt(2), peaks at A",
            "tone",
            [
                reads("level_peak", -1.0 - db(2.0), "dBFS", 0.002, "16-bit dither: 1.5 steps"),
                reads(
                    "level_true_peak",
                    -1.0,
                    "dBFS",
                    0.05,
                    "ripple of the interpolation; BS.1770-4 lets 0.69 dB pass at 4 times the rate",
                ),
            ],
        ),
        Reference(
            "float-over-full-scale",
            rate,
            FLOAT,
            (tone(quarter, 997.0, 3.0),),
            "Sine of 997 Hz at +3 dBFS in floating point: beyond full scale, yet nothing is lost",
            "A sin(2 pi f t), A = 1.41254",
            "tone",
            [
                *tone_reads(997.0, 3.0),
                reads("level_rms", 3.0, "dBFS", TONE_DB, TONE_WHY),
                at_most("thd_n", -145.0, "dB", "rounding to 24 bits of mantissa is below -150 dB"),
            ],
            dither=False,
        ),
    ]


def references() -> list[Reference]:
    """All reference signals, in the order of the manifest."""
    return [
        pure_sine(-1.0, 4.0),
        pure_sine(-60.0, 3.0),
        stated_thd("thd-1-percent", 48_000, 2.0, {2: 0.008, 3: 0.006}, 0.01),
        stated_thd("thd-0.01-percent", 44_100, 3.0, {2: 6e-5, 3: 8e-5}, 0.01),
        stated_thd("thd-100-db", 96_000, 2.0, {2: 6e-6, 3: 6.4e-6, 5: 4.8e-6}, 0.1),
        *waveforms(),
        drifting_tone(),
        tone_under_hum(),
        *pairs(),
        *interruptions(),
        *hums(),
        *noises(),
        *weightings(),
        *captures(),
    ]


# --- files -----------------------------------------------------------------------------------


def wav_bytes(reference: Reference) -> bytes:
    """The file: integers with TPDF dither, or 32-bit floating point."""
    columns = []
    for number, signal in enumerate(reference.channels):
        if reference.bits == FLOAT:
            columns.append(signal.astype("<f4"))
            continue
        scaled = signal * 2.0 ** (reference.bits - 1)
        if reference.dither:
            scaled = scaled + triangular(f"{reference.name} {number}", len(signal))
        top = 2 ** (reference.bits - 1)
        codes = np.rint(scaled)
        if reference.clip:
            codes = np.clip(codes, -top, top - 1)
        elif codes.max() >= top - 1 or codes.min() <= -top:
            raise ValueError(f"{reference.name} would clip")
        columns.append(codes.astype("<i4"))
    table = np.stack(columns, axis=1)
    size = (reference.bits or 32) // 8
    data = table.view(np.uint8).reshape(*table.shape, 4)[:, :, :size].tobytes()
    return wav_header(reference, len(data)) + data


def wav_header(reference: Reference, data_bytes: int) -> bytes:
    """RIFF header with a format chunk, and the fact chunk that floating point asks for."""
    width = (reference.bits or 32) // 8
    channels, rate = len(reference.channels), reference.samplerate
    numbers = (channels, rate, rate * channels * width, channels * width, 8 * width)
    if reference.bits == FLOAT:
        form = struct.pack("<4sIHHIIHHH", b"fmt ", 18, 3, *numbers, 0)
        form += struct.pack("<4sII", b"fact", 4, data_bytes // (channels * width))
    else:
        form = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, *numbers)
    body = b"WAVE" + form + struct.pack("<4sI", b"data", data_bytes)
    return struct.pack("<4sI", b"RIFF", len(body) + data_bytes) + body


def manifest_entry(reference: Reference, content: bytes) -> dict[str, Any]:
    """What the manifest says of one file."""
    return {
        "file": f"{reference.name}.wav",
        "sha256": hashlib.sha256(content).hexdigest(),
        "samplerate": reference.samplerate,
        "channels": len(reference.channels),
        "frames": len(reference.channels[0]),
        "bits": reference.bits or None,
        "description": reference.description,
        "formula": reference.formula,
        "check": reference.check,
        "settings": reference.settings,
        "expect": reference.expect,
        "expect_events": reference.events,
    }


def generate(folder: Path, made: Callable[[], list[Reference]] = references) -> None:
    """Write all files and the manifest into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    entries_ = []
    for reference in made():
        content = wav_bytes(reference)
        (folder / f"{reference.name}.wav").write_bytes(content)
        entries_.append(manifest_entry(reference, content))
    manifest = json.dumps({"format": FORMAT, "signals": entries_}, indent=1, ensure_ascii=False)
    (folder / "manifest.json").write_bytes(f"{manifest}\n".encode())


if __name__ == "__main__":
    generate(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
