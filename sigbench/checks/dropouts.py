"""Dropouts: a steady sound is held while the signal is watched for interruptions."""

import numpy as np

from sigbench.checks.readings import level_readings, mains_readings, reading, spoil_clipped
from sigbench.measure.dropouts import (
    dropout_count,
    dropout_time,
    find_dropouts,
    mark_lost_buffers,
)
from sigbench.measure.estimate import Estimate
from sigbench.measure.mains import measure_mains
from sigbench.model import CheckSettings, Measurement, Reading, Take


def check_dropouts(take: Take, settings: CheckSettings) -> Measurement:
    """Find interruptions of a sound; see `sigbench.checks.measure`.

    Interruptions where the computer lost audio are kept as events of their own kind and are not
    counted as the instrument's.
    """
    events = mark_lost_buffers(
        find_dropouts(take.samples, take.samplerate), take.lost, take.samplerate
    )
    spared = sum(event.kind == "lost_buffers" for event in events)
    why = f"{spared} interruption(s) by the computer are not counted" if spared else None
    readings: list[Reading] = []
    for channel in range(1, take.channels + 1):
        signal = take.samples[:, channel - 1]
        mains = measure_mains(signal, take.samplerate, nominal_hz=settings.mains_hz)
        count = Estimate(float(dropout_count(events, channel)), 0.0)
        readings += [
            *level_readings(signal, take, channel),
            reading("dropouts", "1", count, channel=channel, why=why),
            reading("dropout_time", "s", dropout_time(events, channel), channel=channel, why=why),
            *mains_readings(mains, channel, silent=not np.any(signal)),
        ]
    return Measurement("dropouts", take.source, spoil_clipped(readings, take), events)
