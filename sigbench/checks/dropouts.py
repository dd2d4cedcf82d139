"""Dropouts: a steady sound is held while the signal is watched for interruptions."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

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
from sigbench.checks.side_by_side import Half, side_by_side
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
    events = labelled(found, take)
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
    """The same for a take that is too long for memory: it is read in blocks.

    The events are the same as in one piece, and so are the levels, but for the rounding of their
    sums. Hum is that of the first part of the take, and says so. Clipped samples are counted
    block by block: at the joints a few may be missed.
    """
    (found, steady_shares), channels = side_by_side(_Interruptions, _Channels, take, settings)
    events = labelled(found, take)
    readings: list[Reading] = []
    for number, channel in enumerate(channels, start=1):
        readings += [
            *channel.level,
            *dropout_readings(
                events,
                number,
                seconds=take.seconds,
                steady_share=steady_shares[number - 1],
                silent=channel.silent,
            ),
            *channel.hum,
        ]
    clipped = [channel.clipped for channel in channels]
    return Measurement("dropouts", take.source, spoil_overloaded(readings, clipped), events)


class _Interruptions(Half[tuple[list[Event], tuple[float, ...]]]):
    """Dropouts and dips, and of each channel the share of the take that was steady."""

    def __init__(self, take: Take | LongTake, _: CheckSettings) -> None:
        self._detector = DropoutDetector(take.samplerate, take.channels, take.lost)
        super().__init__(self._detector)

    def result(self) -> tuple[list[Event], tuple[float, ...]]:
        return self.events, self._detector.steady_shares


class _Channels(Half["tuple[WatchedChannel, ...]"]):
    def __init__(self, take: Take | LongTake, settings: CheckSettings) -> None:
        self._watch = ChannelWatch(take, settings)
        super().__init__(self._watch)

    def result(self) -> "tuple[WatchedChannel, ...]":
        return self._watch.all()


def labelled(found: Sequence[Event], take: Take | LongTake) -> tuple[Event, ...]:
    """The events with those that the computer made labelled as such, and with the marks."""
    return counted(mark_lost_buffers(found, take.lost, take.samplerate), take.marks)


@dataclass(frozen=True, slots=True)
class WatchedChannel:
    """What is gathered of one channel of a take that is read in blocks.

    Parameters
    ----------
    level, hum : tuple of Reading
        Over the whole take, and the mains comb of its first part.
    silent : bool
        Whether every sample is the same.
    clipped : int
        Samples.
    """

    level: tuple[Reading, ...]
    hum: tuple[Reading, ...]
    silent: bool
    clipped: int


class ChannelWatch:
    """Gathers it, while a take is read."""

    def __init__(self, take: Take | LongTake, settings: CheckSettings) -> None:
        self._take = take
        self._settings = settings
        self._levels = [RunningLevel(take.frames) for _ in range(take.channels)]
        self._clipped = [0] * take.channels
        self._first: Samples | None = None
        self._silent = [True] * take.channels
        wanted = round(MAINS_SECONDS * take.samplerate)
        self._head = np.empty(
            (take.channels, min(wanted, _MAINS_SAMPLES // take.channels, take.frames))
        )
        self._filled = 0

    def feed(self, block: Samples) -> tuple[Event, ...]:
        """Take in the next block of all channels; there are no events in it."""
        if self._first is None:
            self._first = block[0].copy()
        for column, level in enumerate(self._levels):
            signal: NDArray[np.float64] = np.ascontiguousarray(block[:, column])
            level.feed(signal)
            self._clipped[column] += clipped_samples(signal, self._take.bits)
            if self._silent[column]:
                self._silent[column] = bool((signal == self._first[column]).all())
        part = block[: self._head.shape[1] - self._filled]
        self._head[:, self._filled : self._filled + len(part)] = part.T
        self._filled += len(part)
        return ()

    def finish(self) -> tuple[Event, ...]:
        """No more blocks."""
        return ()

    def all(self) -> tuple[WatchedChannel, ...]:
        """What was gathered of each channel, once the whole take was fed."""
        return tuple(
            WatchedChannel(
                tuple(readings_of_level(level.finish(), number, self._take.dc_coupled)),
                tuple(self._hum(number)),
                self._silent[number - 1],
                self._clipped[number - 1],
            )
            for number, level in enumerate(self._levels, start=1)
        )

    def _hum(self, number: int) -> list[Reading]:
        """The mains comb of the first part."""
        head, samplerate = self._head[number - 1], self._take.samplerate
        mains: Mains | None = measure_mains(head, samplerate, nominal_hz=self._settings.mains_hz)
        # A channel may be silent in its first part only.
        readings = mains_readings(mains, number, silent=not np.any(head))
        if len(head) == self._take.frames:
            return readings
        part = f"in the first {len(head) / samplerate:g} s"
        return [replace(r, why=f"{r.why}; {part}" if r.why else part) for r in readings]


def not_watched(steady_share: float) -> str | None:
    """What is said beside a count where a steady sound was there for a share of the time only."""
    if steady_share == 0.0:
        return "no steady sound to watch: short or shallow ones are missed"
    if steady_share < WATCHED_SHARE:
        return f"a steady sound was there to watch in {100 * steady_share:.0f} % only"
    return None


def dropout_readings(
    events: tuple[Event, ...], channel: int, *, seconds: float, steady_share: float, silent: bool
) -> list[Reading]:
    """How often, and how long in all, one channel broke off."""
    own = [event for event in events if channel in event.channels]
    lost = any(event.kind == "dropout" for event in own)
    if silent or (steady_share == 0.0 and not lost):
        why = SILENT if silent else NOT_STEADY
        return [
            Reading.invalid("dropouts", "1", why, channel=channel),
            Reading.invalid("dropout_time", "s", why, channel=channel),
        ]
    remarks = []
    if spared := sum(event.kind == "lost_buffers" for event in own):
        remarks.append(f"{spared} interruption(s) by the computer are not counted")
    if (unwatched := not_watched(steady_share)) is not None:
        remarks.append(unwatched)
    if any(event.kind == "dropout" and event.end >= seconds for event in own):
        remarks.append("the last one lasts to the end of the take: a note cut off looks the same")
    remark = "; ".join(remarks) or None
    count = Estimate(float(dropout_count(events, channel)), 0.0)
    time = dropout_time(events, channel)
    return [
        reading("dropouts", "1", count, channel=channel, why=remark),
        reading("dropout_time", "s", time, channel=channel, why=remark),
    ]
