"""From measured values to readings: names, units, states, and the conditions of the take."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sigbench.measure.clipping import clipped_samples
from sigbench.measure.estimate import Estimate
from sigbench.measure.level import Level, measure_level
from sigbench.measure.mains import Mains
from sigbench.model import Reading, Take
from sigbench.units import NEPER_DB, db_to_ratio

SILENT = "digital silence: every sample is the same"
DC_UNKNOWN = "the input is not known to pass DC, and most interfaces do not"
NO_MAINS = "no mains hum stands above the noise"


def reading(
    name: str,
    unit: str,
    estimate: Estimate,
    *,
    channel: int | None = None,
    channels: tuple[int, int] | None = None,
    why: str | None = None,
) -> Reading:
    """A reading from an estimate; a level of nothing at all is invalid, for it is no number."""
    if not math.isfinite(estimate.value):
        return Reading.invalid(name, unit, SILENT, channel=channel, channels=channels)
    if estimate.upper_bound and why is None:
        why = "nothing stands above the noise: the true value is not above this one"
    return Reading(
        name,
        float(estimate.value),
        unit,
        channel,
        float(estimate.uncertainty),
        "ok",
        why,
        channels,
        estimate.upper_bound,
    )


def in_percent(name: str, decibels: Estimate, *, channel: int, why: str | None = None) -> Reading:
    """The same ratio as a reading in percent."""
    percent = 100 * float(db_to_ratio(decibels.value))
    uncertainty = percent * decibels.uncertainty / NEPER_DB
    return reading(
        name, "%", Estimate(percent, uncertainty, decibels.upper_bound), channel=channel, why=why
    )


def level_readings(signal: NDArray[np.float64], take: Take, channel: int) -> list[Reading]:
    """Levels of one channel: what every check reports first."""
    return readings_of_level(measure_level(signal, take.samplerate), channel, take.dc_coupled)


def readings_of_level(level: Level, channel: int, dc_coupled: bool) -> list[Reading]:
    """The same, of a level that has been measured."""
    readings = [
        reading("level_rms", "dBFS", level.rms, channel=channel),
        reading("level_peak", "dBFS", level.peak, channel=channel),
        reading("level_true_peak", "dBFS", level.true_peak, channel=channel),
    ]
    if math.isfinite(level.rms.value):
        readings.append(reading("crest_factor", "dB", level.crest_factor, channel=channel))
    else:
        readings.append(Reading.invalid("crest_factor", "dB", SILENT, channel=channel))
    if dc_coupled:
        readings.append(reading("dc_offset", "FS", level.mean, channel=channel))
    else:
        readings.append(Reading.invalid("dc_offset", "FS", DC_UNKNOWN, channel=channel))
    return readings


def mains_readings(mains: Mains | None, channel: int, *, silent: bool) -> list[Reading]:
    """The mains comb of one channel: the first clue to the supply, in every check."""
    names = ("hum_1x", "hum_2x", "hum_total")
    if silent or mains is None:
        why = SILENT if silent else "the take is shorter than ten cycles of the mains"
        return [
            Reading.invalid("mains_frequency", "Hz", why, channel=channel),
            *(Reading.invalid(name, "dBFS", why, channel=channel) for name in names),
        ]
    if mains.frequency is None:
        frequency = Reading.invalid("mains_frequency", "Hz", NO_MAINS, channel=channel)
    else:
        frequency = reading("mains_frequency", "Hz", mains.frequency, channel=channel)
    hum = (mains.hum_1x, mains.hum_2x, mains.hum_total)
    return [
        frequency,
        *(
            reading(name, "dBFS", value, channel=channel)
            for name, value in zip(names, hum, strict=True)
        ),
    ]


def spoil(readings: Iterable[Reading], channels: Sequence[int], why: str) -> tuple[Reading, ...]:
    """The same readings with those that touch the given channels made invalid."""

    def touched(r: Reading) -> bool:
        own = r.channels if r.channel is None else (r.channel,)
        return own is not None and any(channel in channels for channel in own)

    return tuple(
        replace(r, value=None, uncertainty=None, state="invalid", why=why, upper_bound=False)
        if touched(r)
        else r
        for r in readings
    )


def spoil_clipped(readings: Iterable[Reading], take: Take) -> tuple[Reading, ...]:
    """The readings, invalid on every channel whose capture was clipped."""
    counts = [
        clipped_samples(take.samples[:, column], take.bits) for column in range(take.channels)
    ]
    return spoil_overloaded(readings, counts)


def spoil_overloaded(readings: Iterable[Reading], clipped: Sequence[int]) -> tuple[Reading, ...]:
    """The readings, invalid on every channel with clipped samples, whose counts are given."""
    result = tuple(readings)
    for channel, count in enumerate(clipped, start=1):
        if count:
            why = (
                f"clipped input: {count} samples of channel {channel} stand at full scale; "
                "turn the gain down and record again"
            )
            result = spoil(result, (channel,), why)
    return result


def spoil_lost(readings: Iterable[Reading], take: Take) -> tuple[Reading, ...]:
    """The readings, all invalid where the computer lost audio within the take."""
    if not take.lost:
        return tuple(readings)
    first = take.lost[0].frame / take.samplerate
    why = (
        f"lost buffers: the computer lost audio {len(take.lost)} time(s), first at {first:.2f} s; "
        "close other programs and record again"
    )
    return spoil(readings, range(1, take.channels + 1), why)
