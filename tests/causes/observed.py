"""Observations that are written down by hand, and the clues they give."""

import math
from dataclasses import replace

import numpy as np

from sigbench.causes.clues import CLUES, Clue
from sigbench.causes.gather import gather
from sigbench.causes.observation import Observation
from sigbench.model import Event, Measurement, Reading, Source

SOURCE = Source("file", "a.wav", None, 48_000, 2, 48_000)


def clue(observations: list[Observation], name: str) -> Clue:
    found = gather(observations)
    assert [c.name for c in found] == list(CLUES)
    return next(c for c in found if c.name == name)


def note(level: float = -10.0, *, hertz: float = 440.0, thd: float = -60.0) -> Observation:
    readings = [
        Reading(name, value, unit, channel, 0.01)
        for channel in (1, 2)
        for name, value, unit in (
            ("tone_level", level, "dBFS"),
            ("frequency", hertz, "Hz"),
            ("thd", thd, "dB"),
            ("clip_asymmetry", 0.0, "dB"),
        )
    ]
    return Observation("main", Measurement("tone", SOURCE, tuple(readings)))


def stereo(*readings: tuple[str, float, str, int | None, float]) -> list[Observation]:
    found = [
        Reading(name, value, unit, channel, doubt) for name, value, unit, channel, doubt in readings
    ]
    return [Observation("main", Measurement("tone", SOURCE, tuple(found)))]


def sides(hertz, levels, *, whole=None, thd=(-60.0, -60.0)) -> Observation:
    """One note by its two channels."""
    whole = whole or levels
    by_channel = [
        Reading(name, pair[channel - 1], unit, channel, 0.01)
        for name, pair, unit in (
            ("tone_level", levels, "dBFS"),
            ("frequency", (hertz, hertz), "Hz"),
            ("level_rms", whole, "dBFS"),
            ("thd", thd, "dB"),
            ("clip_asymmetry", (0.0, 0.0), "dB"),
        )
        for channel in (1, 2)
    ]
    balance = Reading("balance", levels[0] - levels[1], "dB", None, 0.01)
    return Observation("main", Measurement("tone", SOURCE, (*by_channel, balance)))


def idle(*readings: Reading) -> Observation:
    return Observation("main", Measurement("idle", SOURCE, readings))


def hum(value: float, **more) -> Reading:
    return Reading("hum_1x", value, "dBFS", 1, 0.1, **more)


SAW = tuple(20 * math.log10(1 / k) for k in range(2, 13))


def wave(
    level: float,
    *harmonics: tuple[float, ...],
    output: str = "main",
    lean: float = 0.0,
    doubt: float = 0.1,
) -> Observation:
    """A note on both channels, with the harmonics of each: one pattern for both, or one each."""
    plain = note(level, thd=-1.9)
    kept = [r for r in plain.measurement.readings if r.name != "clip_asymmetry"]
    for channel in (1, 2):
        own = harmonics[(channel - 1) % len(harmonics)]
        kept += [
            Reading("harmonics", own, "dB", channel, (doubt,) * len(own)),
            Reading("harmonic_phases", (-90.0,) * len(own), "deg", channel, (1.0,) * len(own)),
            Reading("clip_asymmetry", lean, "dB", channel, 0.1),
        ]
    return Observation(output, replace(plain.measurement, readings=tuple(kept)))


def jack(*events: Event, output: str = "main", seconds: float = 60.0) -> Observation:
    source = replace(SOURCE, frames=round(seconds * SOURCE.samplerate))
    return Observation(output, Measurement("jack", source, (), events))


def broke(start: float, *channels: int) -> Event:
    return Event("dropout", start, start + 0.05, channels or (1,), 40.0)


def period_of(rng: np.random.Generator) -> np.ndarray:
    """One period of a rich sound: twelve partials that fall by and by, at phases by chance."""
    at = 2 * np.pi * np.arange(1024) / 1024
    return sum(
        np.cos(k * at + rng.uniform(0, 6)) * rng.uniform(0.5, 1) / k**1.2 for k in range(1, 13)
    )


def sampled(
    left: np.ndarray, right: np.ndarray, level: float, *, output: str = "main"
) -> Observation:
    """A note that dies away, so that each harmonic of one take is known to 1 dB, by its periods."""
    readings = []
    for channel, period in ((1, left), (2, right)):
        lines = np.fft.rfft(period)[1:14]
        ratios = (lines / lines[0])[1:]
        phases = np.angle(lines[1:]) - np.arange(2, 14) * np.angle(lines[0])
        own = level + 20 * math.log10(abs(lines[0]) / 512)
        power = 20 * math.log10(float(np.std(period)) * math.sqrt(2))
        thd = 10 * math.log10(float(np.sum(np.abs(ratios) ** 2)))
        centred = period - period.mean()
        lean = 20 * math.log10(centred.max() / -centred.min())
        doubts = (1.0,) * 12
        readings += [
            Reading("tone_level", own, "dBFS", channel, 0.01),
            Reading("level_rms", level + power, "dBFS", channel, 0.01),
            Reading("frequency", 260.0, "Hz", channel, 0.01),
            Reading("thd", thd, "dB", channel, 0.1),
            Reading("clip_asymmetry", lean, "dB", channel, 0.1),
            Reading(
                "harmonics", tuple((20 * np.log10(np.abs(ratios))).tolist()), "dB", channel, doubts
            ),
            Reading(
                "harmonic_phases", tuple(np.degrees(phases).tolist()), "deg", channel, (7.0,) * 12
            ),
        ]
    levels = [r.value for r in readings if r.name == "tone_level"]
    readings.append(Reading("balance", levels[0] - levels[1], "dB", None, 0.01))
    return Observation(output, Measurement("tone", SOURCE, tuple(readings)))


def held(left, right, *, output="main"):
    """The note loud and quiet."""
    return [sampled(left, right, level, output=output) for level in (-20.0, -40.0)]


def whining(*tones: tuple[float, float], right: float = 0.0) -> list[Observation]:
    """Idle noise with tones in both channels; on the right by some dB stronger."""
    spurs = [
        Reading(
            "spurs",
            tuple((hz, db + extra) for hz, db in sorted(tones, key=lambda tone: -tone[1])),
            "Hz, dBFS",
            channel,
            None,
        )
        for channel, extra in ((1, 0.0), (2, right))
    ]
    return [note(-10.0), idle(*spurs)]


def alone(observation: Observation, channel: int, output: str) -> Observation:
    """One channel of a stereo output as an output of its own, with one channel."""
    measurement = observation.measurement
    kept = [replace(r, channel=1) for r in measurement.readings if r.channel == channel]
    source = replace(measurement.source, channels=1)
    return Observation(output, replace(measurement, readings=tuple(kept), source=source))


def one_channel(check: str, *readings: tuple[str, float, str], output="main", events=()):
    """A take of an instrument with one channel."""
    found = tuple(Reading(name, value, unit, 1, 0.01) for name, value, unit in readings)
    source = replace(SOURCE, channels=1)
    return Observation(output, Measurement(check, source, found, tuple(events)))


def humming(hum_1x, hum_2x, noise=(-100.0, -100.0), output="main", spurs=None) -> Observation:
    """Idle noise of two channels, in dBFS; the hum of both in `hum_1x` and `hum_2x`."""
    readings = []
    for c in (1, 2):
        one, two = hum_1x[c - 1], hum_2x[c - 1]
        total = 10 * math.log10(10 ** (one / 10) + 10 ** (two / 10))
        whole = 10 * math.log10(10 ** (total / 10) + 10 ** (noise[c - 1] / 10))
        for name, value in (
            ("hum_1x", one), ("hum_2x", two), ("hum_total", total),
            ("noise_rms", whole), ("noise_a", noise[c - 1]),
        ):  # fmt: skip
            readings.append(Reading(name, value, "dBFS", c, 0.1))
        if spurs is not None:
            readings.append(Reading("spurs", spurs, "Hz, dBFS", c, None))
    return Observation(output, Measurement("idle", SOURCE, tuple(readings)))
