"""Measurements as JSON and back: the object that ``--json`` prints, described in ``docs/json.md``.

The structures below are that object, field by field. JSON has no infinity and no not-a-number,
so a value without a finite number becomes null and says why.
"""

import math
from typing import Any, Literal, cast

import msgspec
from msgspec import UNSET, Struct, UnsetType, field

from sigbench import __version__
from sigbench.errors import FileError
from sigbench.model import (
    Cause,
    Event,
    EventKind,
    ListValue,
    Measurement,
    Reading,
    Source,
    State,
)

_LEVEL_UNITS = ("dBFS", "dBu", "dBV")

_Entry = float | None | tuple[float | None, float | None]


class _WireSource(Struct):
    kind: Literal["file", "interface", "simulated", "meter"]
    path: str | None
    sha256: str | None
    samplerate: int
    channels: int
    frames: int
    lost_buffers: int


class _WireReading(Struct):
    name: str
    channel: int | None
    value: float | list[_Entry] | None
    unit: str
    uncertainty: float | list[float | None] | None
    state: State
    why: str | None
    channels: tuple[int, int] | UnsetType = UNSET
    upper_bound: bool | UnsetType = UNSET


class _WireEvent(Struct):
    kind: EventKind
    start: float
    end: float
    channels: list[int]
    depth: float | None
    text: str | UnsetType = UNSET
    place: str | UnsetType = UNSET


class _WireCause(Struct):
    name: str
    score: float
    evidence_for: list[str] = field(name="for")
    evidence_against: list[str] = field(name="against")
    next: str


class _WireMeasurement(Struct):
    sigbench: str
    check: str
    source: _WireSource
    readings: list[_WireReading]
    events: list[_WireEvent]
    causes: list[_WireCause]


def measurement_to_object(measurement: Measurement) -> dict[str, Any]:
    """The measurement as JSON-ready dicts, lists, strings and finite numbers.

    Numbers are not rounded. A value that is not finite becomes None with the state ``invalid``
    and a reason; inside a list value, only that entry becomes None.

    Raises
    ------
    ValueError
        If an event has no finite time or a cause no finite score.
    """
    return msgspec.json.decode(measurement_to_json(measurement))


def cause_to_object(cause: Cause) -> dict[str, Any]:
    """A cause as it stands in the JSON object of a measurement."""
    data = msgspec.json.encode(_cause_to_wire(cause))
    return cast(dict[str, Any], msgspec.json.decode(data))


def reading_to_object(reading: Reading) -> dict[str, Any]:
    """A reading as it stands in the JSON object of a measurement."""
    data = msgspec.json.encode(_reading_to_wire(reading))  # what a reader of the JSON gets
    return cast(dict[str, Any], msgspec.json.decode(data))


def reading_from_object(data: object, *, origin: str = "this object") -> Reading:
    """A reading from the dict of :func:`reading_to_object`.

    Raises
    ------
    FileError
        If it is no reading.
    """
    try:
        return _reading_from_wire(msgspec.convert(data, _WireReading))
    except (msgspec.ValidationError, ValueError) as exc:
        raise _not_a_measurement(origin, exc) from exc


def measurement_to_json(measurement: Measurement, *, indent: int = 0) -> bytes:
    """The measurement as one JSON object in UTF-8; see :func:`measurement_to_object`."""
    text = msgspec.json.encode(_to_wire(measurement))
    return msgspec.json.format(text, indent=indent) if indent else text


def measurement_from_object(data: object, *, origin: str = "this object") -> Measurement:
    """A measurement from the dicts and lists of :func:`measurement_to_object`.

    Parameters
    ----------
    data : object
        Parsed JSON.
    origin : str
        What to call the data in the error, such as the path of the file.

    Raises
    ------
    FileError
        If it is no measurement; the sentence says which field is wrong.
    """
    try:
        return _from_wire(msgspec.convert(data, _WireMeasurement))
    except (msgspec.ValidationError, ValueError) as exc:
        raise _not_a_measurement(origin, exc) from exc


def measurement_from_json(data: bytes | str, *, origin: str = "this text") -> Measurement:
    """A measurement from its JSON text; see :func:`measurement_from_object`.

    Raises
    ------
    FileError
        If the text is no JSON, or its object no measurement.
    """
    try:
        return _from_wire(msgspec.json.decode(data, type=_WireMeasurement))
    except (msgspec.MsgspecError, ValueError) as exc:
        raise _not_a_measurement(origin, exc) from exc


def _not_a_measurement(origin: str, exc: Exception) -> FileError:
    return FileError(
        f"{origin} is no measurement in sigbench's JSON form ({exc}): "
        "use the output of a command with --json, unchanged."
    )


def _to_wire(measurement: Measurement) -> _WireMeasurement:
    source = measurement.source
    return _WireMeasurement(
        sigbench=__version__,
        check=measurement.check,
        source=_WireSource(
            kind=source.kind,
            path=None if source.path is None else _unicode(source.path),
            sha256=source.sha256,
            samplerate=int(source.samplerate),
            channels=int(source.channels),
            frames=int(source.frames),
            lost_buffers=int(source.lost_buffers),
        ),
        readings=[_reading_to_wire(reading) for reading in measurement.readings],
        events=[_event_to_wire(event) for event in measurement.events],
        causes=[_cause_to_wire(cause) for cause in measurement.causes],
    )


def _cause_to_wire(cause: Cause) -> _WireCause:
    return _WireCause(
        name=cause.name,
        score=_finite(cause.score, f"the score of the cause '{cause.name}'"),
        evidence_for=list(cause.evidence_for),
        evidence_against=list(cause.evidence_against),
        next=cause.next,
    )


def _reading_to_wire(reading: Reading) -> _WireReading:
    value, missing = _value_to_wire(reading.value, reading.unit)
    state, why = reading.state, reading.why
    if value is None or state == "invalid":
        value, state = None, "invalid"
        why = why or missing or "not measured"
    elif missing is not None:
        why = why or f"null entries: {missing}"
    return _WireReading(
        name=reading.name,
        channel=None if reading.channel is None else int(reading.channel),
        value=value,
        unit=reading.unit,
        uncertainty=None if value is None else _uncertainty_to_wire(reading.uncertainty),
        state=state,
        why=why,
        channels=UNSET if reading.channels is None else _pair(reading.channels),
        upper_bound=True if reading.upper_bound and value is not None else UNSET,
    )


def _event_to_wire(event: Event) -> _WireEvent:
    text = event.text
    depth = None if event.depth is None else float(event.depth)
    if depth is not None and not math.isfinite(depth):
        text = text or "down to digital silence"
        depth = None
    return _WireEvent(
        kind=event.kind,
        start=_finite(event.start, f"the start of a {event.kind}"),
        end=_finite(event.end, f"the end of a {event.kind}"),
        channels=[int(channel) for channel in event.channels],
        depth=depth,
        text=UNSET if text is None else text,
        place=UNSET if event.place is None else event.place,
    )


def _value_to_wire(
    value: float | ListValue | None, unit: str
) -> tuple[float | list[_Entry] | None, str | None]:
    """The value with None in place of what is not finite, and the reason for the first such."""
    if value is None:
        return None, None
    if isinstance(value, tuple):
        entries: list[_Entry] = []
        reason: str | None = None
        for entry in value:
            if isinstance(entry, tuple):
                first, why_first = _number(entry[0], unit)
                second, why_second = _number(entry[1], unit)
                entries.append((first, second))
                reason = reason or why_first or why_second
            else:
                number, why_number = _number(entry, unit)
                entries.append(number)
                reason = reason or why_number
        return entries, reason
    return _number(value, unit)


def _number(value: float, unit: str) -> tuple[float | None, str | None]:
    number = float(value)
    if math.isfinite(number):
        return number, None
    if number == -math.inf:
        silent = unit in _LEVEL_UNITS
        return None, "digital silence" if silent else "nothing there: exactly zero has no decibels"
    return None, "no finite number came out"


def _uncertainty_to_wire(
    uncertainty: float | tuple[float, ...] | None,
) -> float | list[float | None] | None:
    if uncertainty is None:
        return None
    if isinstance(uncertainty, tuple):
        return [float(u) if math.isfinite(u) else None for u in uncertainty]
    return float(uncertainty) if math.isfinite(uncertainty) else None


def _finite(number: float, what: str) -> float:
    if not math.isfinite(number):
        raise ValueError(f"{what} is not finite: {number}")
    return float(number)


def _pair(channels: tuple[int, int]) -> tuple[int, int]:
    return int(channels[0]), int(channels[1])


def _unicode(path: str) -> str:
    """The path with bytes that are no UTF-8 (possible in Linux file names) written as escapes."""
    return path.encode("utf-8", "backslashreplace").decode("utf-8")


def _from_wire(wire: _WireMeasurement) -> Measurement:
    return Measurement(
        check=wire.check,
        source=Source(
            kind=wire.source.kind,
            path=wire.source.path,
            sha256=wire.source.sha256,
            samplerate=wire.source.samplerate,
            channels=wire.source.channels,
            frames=wire.source.frames,
            lost_buffers=wire.source.lost_buffers,
        ),
        readings=tuple(_reading_from_wire(reading) for reading in wire.readings),
        events=tuple(
            Event(
                kind=event.kind,
                start=event.start,
                end=event.end,
                channels=tuple(event.channels),
                depth=event.depth,
                text=None if event.text is UNSET else event.text,
                place=None if event.place is UNSET else event.place,
            )
            for event in wire.events
        ),
        causes=tuple(
            Cause(
                name=cause.name,
                score=cause.score,
                evidence_for=tuple(cause.evidence_for),
                evidence_against=tuple(cause.evidence_against),
                next=cause.next,
            )
            for cause in wire.causes
        ),
    )


def _reading_from_wire(wire: _WireReading) -> Reading:
    if (wire.value is None) != (wire.state == "invalid"):
        raise ValueError(
            f"the reading '{wire.name}' must be null exactly when its state is 'invalid'"
        )
    if wire.state == "invalid" and not wire.why:
        raise ValueError(f"the invalid reading '{wire.name}' gives no reason in 'why'")
    return Reading(
        name=wire.name,
        value=_value_from_wire(wire),
        unit=wire.unit,
        channel=wire.channel,
        uncertainty=_uncertainty_from_wire(wire.uncertainty),
        state=wire.state,
        why=wire.why,
        channels=None if wire.channels is UNSET else wire.channels,
        upper_bound=wire.upper_bound is True,
    )


def _value_from_wire(wire: _WireReading) -> float | ListValue | None:
    """The value; a null entry of a list comes back as not-a-number."""
    value = wire.value
    if value is None or isinstance(value, float):
        return value
    pairs = tuple((_nan(e[0]), _nan(e[1])) for e in value if isinstance(e, tuple))
    numbers = tuple(_nan(e) for e in value if not isinstance(e, tuple))
    if pairs and numbers:
        raise ValueError(f"the list of '{wire.name}' mixes numbers and pairs")
    return pairs or numbers


def _uncertainty_from_wire(
    uncertainty: float | list[float | None] | None,
) -> float | tuple[float, ...] | None:
    if isinstance(uncertainty, list):
        return tuple(_nan(u) for u in uncertainty)
    return uncertainty


def _nan(number: float | None) -> float:
    return math.nan if number is None else number
