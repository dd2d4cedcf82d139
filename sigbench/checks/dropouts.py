"""Dropouts: a steady sound is held while the signal is watched for interruptions."""

from dataclasses import replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from sigbench.checks.marks import counted
from sigbench.checks.readings import (
    SILENT,
    level_readings,
    mains_readings,
    reading,
    readings_of_level,
    spoil_clipped,
    spoil_overloaded,
)
from sigbench.measure.clipping import clipped_samples
from sigbench.measure.dropouts import (
    DropoutDetector,
    dropout_count,
    dropout_time,
    mark_lost_buffers,
)
from sigbench.measure.estimate import Estimate
from sigbench.measure.level import RunningLevel
from sigbench.measure.mains import Mains, measure_mains
from sigbench.model import CheckSettings, Event, LongTake, Measurement, Reading, Samples, Take

NOT_STEADY = "no steady sound to watch: hold one note through the take"
WATCHED_SHARE = 0.9  # of the take; less is said beside the count

# Of a long take, hum is measured in a first part: enough for its frequency and level.
MAINS_SECONDS = 60.0
_MAINS_SAMPLES = 1 << 24  # of all channels together, to bound memory


def check_dropouts(take: Take, settings: CheckSettings) -> Measurement:
    """Find interruptions of a sound; see `sigbench.checks.measure`.

    Interruptions where the computer lost audio are kept as events of their own kind and are not
    counted as the instrument's.
    """
    detector = DropoutDetector(take.samplerate, take.channels, take.lost)
    found = detector.feed(take.samples) + detector.finish()
    events = counted(mark_lost_buffers(found, take.lost, take.samplerate), take.marks)
    readings: list[Reading] = []
    for channel in range(1, take.channels + 1):
        signal = take.samples[:, channel - 1]
        mains = measure_mains(signal, take.samplerate, nominal_hz=settings.mains_hz)
        readings += [
            *level_readings(signal, take, channel),
            *dropout_readings(
                events,
                channel,
                seconds=take.seconds,
                steady_share=detector.steady_shares[channel - 1],
                silent=np.ptp(signal) == 0,
            ),
            *mains_readings(mains, channel, silent=not np.any(signal)),
        ]
    return Measurement("dropouts", take.source, spoil_clipped(readings, take), events)


def check_dropouts_in_blocks(take: LongTake, settings: CheckSettings) -> Measurement:
    """The same for a take that is too long for memory: it is read once, in blocks.

    The events are the same as in one piece, and so are the levels, but for the rounding of their
    sums. Hum is that of the first part of the take, and says so. Clipped samples are counted
    block by block: at the joints a few may be missed.
    """
    detector = DropoutDetector(take.samplerate, take.channels, take.lost)
    channels, events = watch(take, detector)
    readings: list[Reading] = []
    for number, channel in enumerate(channels, start=1):
        readings += [
            *readings_of_level(channel.level.finish(), number, take.dc_coupled),
            *dropout_readings(
                events,
                number,
                seconds=take.seconds,
                steady_share=detector.steady_shares[number - 1],
                silent=channel.silent,
            ),
            *channel.hum(number, settings),
        ]
    clipped = [channel.clipped for channel in channels]
    return Measurement("dropouts", take.source, spoil_overloaded(readings, clipped), events)


class _Detector(Protocol):
    """Finds events in audio that comes in blocks."""

    def feed(self, block: Samples) -> tuple[Event, ...]: ...

    def finish(self) -> tuple[Event, ...]: ...


def watch(
    take: Take | LongTake, *detectors: _Detector
) -> "tuple[list[WatchedChannel], tuple[Event, ...]]":
    """Read a take once, block by block.

    Returns
    -------
    channels : list of WatchedChannel
    events : tuple of Event
        Of all detectors, those that the computer made labelled as such, with the marks.
    """
    channels = [WatchedChannel(take, column) for column in range(take.channels)]
    found: list[Event] = []
    for block in take.blocks():
        for detector in detectors:  # threads for each would only wait for one another
            found += detector.feed(block)
        for channel in channels:
            channel.feed(block)
    for detector in detectors:
        found += detector.finish()
    labelled = mark_lost_buffers(found, take.lost, take.samplerate)
    return channels, counted(labelled, take.marks)


class WatchedChannel:
    """What is gathered of one channel of a take that is read in blocks."""

    def __init__(self, take: Take | LongTake, column: int) -> None:
        self._column = column
        self._bits = take.bits
        self._samplerate = take.samplerate
        self._frames = take.frames
        self.level = RunningLevel(take.frames)
        self.clipped = 0
        self._lowest, self._highest = np.inf, -np.inf
        wanted = round(MAINS_SECONDS * take.samplerate)
        self._head = np.empty(min(wanted, _MAINS_SAMPLES // take.channels, take.frames))
        self._filled = 0

    def feed(self, block: Samples) -> None:
        """Take in the next block of all channels."""
        signal: NDArray[np.float64] = np.ascontiguousarray(block[:, self._column])
        self.level.feed(signal)
        self.clipped += clipped_samples(signal, self._bits)
        if self.silent:
            self._lowest = min(self._lowest, float(signal.min()))
            self._highest = max(self._highest, float(signal.max()))
        part = signal[: len(self._head) - self._filled]
        self._head[self._filled : self._filled + len(part)] = part
        self._filled += len(part)

    @property
    def silent(self) -> bool:
        """Whether every sample is the same."""
        return self._lowest >= self._highest

    def hum(self, number: int, settings: CheckSettings) -> list[Reading]:
        """The mains comb of the first part."""
        mains: Mains | None = measure_mains(
            self._head, self._samplerate, nominal_hz=settings.mains_hz
        )
        # A channel may be silent in its first part only.
        readings = mains_readings(mains, number, silent=not np.any(self._head))
        if len(self._head) == self._frames:
            return readings
        part = f"in the first {len(self._head) / self._samplerate:g} s"
        return [replace(r, why=f"{r.why}; {part}" if r.why else part) for r in readings]


def dropout_readings(
    events: tuple[Event, ...], channel: int, *, seconds: float, steady_share: float, silent: bool
) -> list[Reading]:
    """How often, and how long in all, one channel broke off."""
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
    if any(event.kind == "dropout" and event.end >= seconds for event in own):
        remarks.append("the last one lasts to the end of the take: a note cut off looks the same")
    remark = "; ".join(remarks) or None
    count = Estimate(float(dropout_count(events, channel)), 0.0)
    time = dropout_time(events, channel)
    return [
        reading("dropouts", "1", count, channel=channel, why=remark),
        reading("dropout_time", "s", time, channel=channel, why=remark),
    ]
