"""Jack: a steady sound is held while a jack is moved; what its contacts do is told apart."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from sigbench.checks.clicks import crackle_reading
from sigbench.checks.dropouts import (
    NOT_STEADY,
    ChannelWatch,
    WatchedChannel,
    dropout_readings,
    labelled,
)
from sigbench.checks.marks import pauses
from sigbench.checks.readings import SILENT, reading, spoil_overloaded
from sigbench.checks.side_by_side import Half, side_by_side
from sigbench.checks.tally import FAULTS
from sigbench.measure.common_return import RETURN_LOST, ReturnDetector, without_its_losses
from sigbench.measure.crackle import CrackleDetector
from sigbench.measure.dropouts import HUM_IN_PLACE, DropoutDetector
from sigbench.measure.estimate import Estimate
from sigbench.measure.gaps import QUICK, SLOW, GapDetector, without_doubles
from sigbench.measure.hum_burst import HumBurstDetector, without_known_losses
from sigbench.measure.rhythm import RegularClicks, without_regular
from sigbench.measure.streaming import overlap
from sigbench.model import (
    FADED,
    SLEEVE_OPEN,
    CheckSettings,
    Event,
    EventKind,
    LongTake,
    Measurement,
    Reading,
    Take,
)

TOGETHER_SECONDS = 0.03
"""Events this near are one movement of a contact: it bounces for some milliseconds, and edges of
different detectors differ by a hop (common practice, no source)."""

SHARP_SECONDS = 0.05
"""What begins this near to a gap is a contact that bounces (common practice, no source)."""

_OWN: tuple[EventKind, ...] = ("dropout", "hum_burst", "dip")

# Of what belongs together, the gravest gives the event its kind.
_GRAVITY: tuple[EventKind, ...] = ("lost_buffers", *FAULTS)


def check_jack(take: Take | LongTake, settings: CheckSettings) -> Measurement:
    """Tell what the contacts of a moved jack do; see `sigbench.checks.measure`.

    A tip that lets go loses the signal; a sleeve that lets go brings hum, or leaves the difference
    of two channels that share it; a contact that turns high-ohmic dips; one that is only dirty
    crackles. What happens on both channels at once points to the sleeve they share, or to something
    before the jack; what fades and is back at once, to what feeds it.
    """
    (sharp, steady_shares, transients, regular), (other, channels) = side_by_side(
        _BreaksAndCrackle, _HumAndGaps, take, settings
    )
    events = movements(labelled([*sharp, *other], take))
    readings: list[Reading] = []
    for number, watched in enumerate(channels, start=1):
        readings += [
            *watched.level,
            *dropout_readings(
                events,
                number,
                seconds=take.seconds,
                steady_share=steady_shares[number - 1],
                silent=watched.silent,
            ),
            *_other_readings(
                events,
                number,
                transients[number - 1],
                regular,
                take,
                steady=steady_shares[number - 1] > 0.0,
                silent=watched.silent,
            ),
            *watched.hum,
        ]
    clipped = [watched.clipped for watched in channels]
    return Measurement("jack", take.source, spoil_overloaded(readings, clipped), events)


_Sharp = tuple[list[Event], tuple[float, ...], tuple[int, ...], tuple[RegularClicks, ...]]


class _BreaksAndCrackle(Half[_Sharp]):
    """Events, of each channel the share that was steady, and transients, and what keeps time."""

    def __init__(self, take: Take | LongTake, _: CheckSettings) -> None:
        self._breaks = DropoutDetector(take.samplerate, take.channels, take.lost)
        self._crackle = CrackleDetector(take.samplerate, take.channels)
        super().__init__(self._breaks, self._crackle)

    def result(self) -> _Sharp:
        regular = self._crackle.regular
        events = without_regular(self.events, regular)
        return events, self._breaks.steady_shares, self._crackle.counts, regular


class _HumAndGaps(Half[tuple[list[Event], tuple[WatchedChannel, ...]]]):
    """Events, and what is gathered of each channel."""

    def __init__(self, take: Take | LongTake, settings: CheckSettings) -> None:
        self._watch = ChannelWatch(take, settings)
        super().__init__(
            HumBurstDetector(take.samplerate, take.channels),
            GapDetector(take.samplerate, take.channels),
            ReturnDetector(take.samplerate, take.channels),
            self._watch,
        )

    def result(self) -> tuple[list[Event], tuple[WatchedChannel, ...]]:
        return self.events, self._watch.all()


def movements(events: Sequence[Event]) -> tuple[Event, ...]:
    """Events of several detectors as movements of a contact, one event each, in words.

    What lies within `TOGETHER_SECONDS` of one another belongs together. The gravest of it gives
    kind, start, end, depth and channels; what else happened then is part of it, but for what
    another channel did by itself, crackle aside.
    """
    groups: list[list[Event]] = []
    end = 0.0
    single = without_known_losses(without_its_losses(without_doubles(events)))
    for event in sorted(_faults(single), key=lambda e: (e.start, e.end)):
        if groups and event.start <= end + TOGETHER_SECONDS:
            groups[-1].append(event)
        else:
            groups.append([event])
            end = event.end
        end = max(end, event.end)
    told = [movement for group in groups for movement in _movement(group)]
    marks = [event for event in events if event.kind not in _GRAVITY]
    return tuple(sorted([*told, *marks], key=lambda event: event.start))


def _faults(events: Sequence[Event]) -> Iterator[Event]:
    return (event for event in events if event.kind in _GRAVITY)


def _movement(group: Sequence[Event]) -> Iterator[Event]:
    """The events of one movement: the gravest, and what another channel did by itself."""
    gravest = min((event.kind for event in group), key=_GRAVITY.index)
    main = _once([event for event in group if event.kind == gravest])
    moved = {channel for event in main for channel in event.channels}
    # One contact may let go several times in a row: each of them counts.
    for event in main:
        yield replace(event, text=_words_of(event, group))
    if gravest == "lost_buffers":
        return
    others = [event for event in group if moved.isdisjoint(event.channels) and event.kind in _OWN]
    if others:
        yield from _movement(others)


def _once(events: Sequence[Event]) -> list[Event]:
    """The events of one kind without what is the same again, as two ways of looking tell it."""
    kept: list[Event] = []
    for event in sorted(events, key=lambda e: (e.start - e.end, e.start)):
        if not any(_holds(other, event) for other in kept):
            kept.append(event)
    return sorted(kept, key=lambda e: e.start)


def _holds(one: Event, other: Event) -> bool:
    """Whether an event has most of another one, in all of its channels."""
    shared = min(one.end, other.end) - max(one.start, other.start)
    return set(other.channels) <= set(one.channels) and 2 * shared > other.end - other.start


def _words_of(event: Event, group: Sequence[Event]) -> str | None:
    if event.text == SLOW and not any(_is_sharp(other, event.start) for other in group):
        return None if event.kind == "lost_buffers" else FADED
    if any(other.text == RETURN_LOST and overlap(event, other) for other in group):
        return None if event.kind == "lost_buffers" else SLEEVE_OPEN
    hum = event.text == HUM_IN_PLACE or any(
        other.kind == "hum_burst" and not set(event.channels).isdisjoint(other.channels)
        for other in group
    )
    return _in_words(event.kind, tuple(sorted(event.channels)), hum)


def _is_sharp(event: Event, begin: float) -> bool:
    """Whether something abrupt happened where a gap began: then nothing faded there."""
    return event.text not in (SLOW, QUICK) and abs(event.start - begin) < SHARP_SECONDS


def _in_words(kind: EventKind, channels: tuple[int, ...], hum: bool) -> str | None:
    words = {
        "dropout": "signal lost, hum in its place" if hum else "signal lost: the tip let go",
        "hum_burst": "hum: the sleeve or the ground let go",
        "dip": "weaker: a contact turned high-ohmic",
        "crackle": "crackle alone: a dirty contact",
        "click": "a click alone",
    }.get(kind)
    if words is None or len(channels) < 2:
        return words
    return f"{words}; on {len(channels)} channels at once: what they share, or before the jack"


def _other_readings(
    events: Sequence[Event],
    channel: int,
    transients: int,
    regular: Sequence[RegularClicks],
    take: Take | LongTake,
    *,
    steady: bool,
    silent: bool,
) -> list[Reading]:
    if silent:
        return [
            Reading.invalid(name, unit, SILENT, channel=channel)
            for name, unit in (("dips", "1"), ("hum_bursts", "1"), ("crackle_rate", "1/s"))
        ]
    own = [event for event in events if channel in event.channels]
    dips = [event for event in own if event.kind == "dip"]
    bursts = sum(event.kind == "hum_burst" for event in own)
    stays = any(dip.end >= take.seconds for dip in dips)
    remark = "the last one lasts to the end of the take" if stays else None
    paused = ["pauses included"] if pauses(take.marks) else []
    return [
        reading("dips", "1", Estimate(float(len(dips)), 0.0), channel=channel, why=remark)
        if steady or dips
        else Reading.invalid("dips", "1", NOT_STEADY, channel=channel),
        reading("hum_bursts", "1", Estimate(float(bursts), 0.0), channel=channel),
        crackle_reading(transients, take.seconds, channel, regular, *paused),
    ]
