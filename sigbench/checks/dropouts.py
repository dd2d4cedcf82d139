"""Dropouts: a steady sound is held while the signal is watched for interruptions."""

import numpy as np

from sigbench.checks.readings import (
    SILENT,
    level_readings,
    mains_readings,
    reading,
    spoil_clipped,
)
from sigbench.measure.dropouts import (
    DropoutDetector,
    dropout_count,
    dropout_time,
    mark_lost_buffers,
)
from sigbench.measure.estimate import Estimate
from sigbench.measure.mains import measure_mains
from sigbench.model import CheckSettings, Event, Measurement, Reading, Take

NOT_STEADY = "no steady sound to watch: hold one note through the take"
WATCHED_SHARE = 0.9  # of the take; less is said beside the count


def check_dropouts(take: Take, settings: CheckSettings) -> Measurement:
    """Find interruptions of a sound; see `sigbench.checks.measure`.

    Interruptions where the computer lost audio are kept as events of their own kind and are not
    counted as the instrument's.
    """
    detector = DropoutDetector(take.samplerate, take.channels)
    found = detector.feed(take.samples) + detector.finish()
    events = mark_lost_buffers(found, take.lost, take.samplerate)
    readings: list[Reading] = []
    for channel in range(1, take.channels + 1):
        signal = take.samples[:, channel - 1]
        mains = measure_mains(signal, take.samplerate, nominal_hz=settings.mains_hz)
        readings += [
            *level_readings(signal, take, channel),
            *_dropout_readings(take, events, channel, detector.steady_shares[channel - 1]),
            *mains_readings(mains, channel, silent=not np.any(signal)),
        ]
    return Measurement("dropouts", take.source, spoil_clipped(readings, take), events)


def _dropout_readings(
    take: Take, events: tuple[Event, ...], channel: int, steady_share: float
) -> list[Reading]:
    silent = np.ptp(take.samples[:, channel - 1]) == 0
    if silent or steady_share == 0.0:
        why = SILENT if silent else NOT_STEADY
        return [
            Reading.invalid("dropouts", "1", why, channel=channel),
            Reading.invalid("dropout_time", "s", why, channel=channel),
        ]
    remarks = []
    own = [event for event in events if channel in event.channels]
    if spared := sum(event.kind == "lost_buffers" for event in own):
        remarks.append(f"{spared} interruption(s) by the computer are not counted")
    if steady_share < WATCHED_SHARE:
        remarks.append(f"a steady sound was there to watch in {100 * steady_share:.0f} % only")
    if any(event.kind == "dropout" and event.end >= take.seconds for event in own):
        remarks.append("the last one lasts to the end of the take: a note cut off looks the same")
    remark = "; ".join(remarks) or None
    count = Estimate(float(dropout_count(events, channel)), 0.0)
    time = dropout_time(events, channel)
    return [
        reading("dropouts", "1", count, channel=channel, why=remark),
        reading("dropout_time", "s", time, channel=channel, why=remark),
    ]
