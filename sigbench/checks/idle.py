"""Idle: nothing is played. Noise, mains hum and other tones of the outputs."""

import numpy as np
from numpy.typing import NDArray

from sigbench.checks.readings import (
    SILENT,
    level_readings,
    mains_readings,
    reading,
    spoil_clipped,
    spoil_lost,
)
from sigbench.measure.mains import HIGHEST_HZ, measure_mains
from sigbench.measure.noise import (
    noise_band,
    noise_level,
    noise_level_468,
    noise_level_a,
)
from sigbench.measure.spurs import Comb, find_spurs
from sigbench.model import CheckSettings, Measurement, Reading, Take


def check_idle(take: Take, settings: CheckSettings) -> Measurement:
    """Measure a take in which no note is played; see `sigbench.checks.measure`."""
    readings: list[Reading] = []
    for channel in range(1, take.channels + 1):
        signal = take.samples[:, channel - 1]
        readings += level_readings(signal, take, channel)
        readings += _noise_readings(signal, take.samplerate, channel)
        readings += _line_readings(signal, take.samplerate, channel, settings)
    return Measurement("idle", take.source, spoil_lost(spoil_clipped(readings, take), take))


def _noise_readings(signal: NDArray[np.float64], samplerate: int, channel: int) -> list[Reading]:
    top = noise_band(samplerate)[1]
    why = None if top >= 20_000 else f"the rate of {samplerate} Hz ends the band at {top:.0f} Hz"
    return [
        reading("noise_rms", "dBFS", noise_level(signal, samplerate), channel=channel, why=why),
        reading("noise_a", "dBFS", noise_level_a(signal, samplerate), channel=channel, why=why),
        reading("noise_468", "dBFS", noise_level_468(signal, samplerate), channel=channel, why=why),
    ]


def _line_readings(
    signal: NDArray[np.float64], samplerate: int, channel: int, settings: CheckSettings
) -> list[Reading]:
    if not np.any(signal):
        silent = Reading.invalid("spurs", "dBFS", SILENT, channel=channel)
        return [*mains_readings(None, channel, silent=True), silent]
    mains = measure_mains(signal, samplerate, nominal_hz=settings.mains_hz)
    comb = []
    if mains is not None and mains.frequency is not None:
        count = int(samplerate / 2 / mains.frequency.value)
        known = mains.frequency
        comb = [
            Comb(
                known.value,
                count,
                uncertainty_hz=known.uncertainty,
                sure_to_hz=HIGHEST_HZ,
                strongest_dbfs=mains.hum_total.value,
            )
        ]
    spurs = find_spurs(signal, samplerate, exclude=comb)
    values = tuple((float(s.frequency.value), float(s.level.value)) for s in spurs)
    uncertainties = tuple(float(s.level.uncertainty) for s in spurs)
    return [
        *mains_readings(mains, channel, silent=False),
        Reading("spurs", values, "dBFS", channel, uncertainties),
    ]
