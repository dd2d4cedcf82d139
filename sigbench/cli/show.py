"""Measurements on the terminal: one calm table, or one JSON object."""

import sys
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from sigbench.checks.tally import tally
from sigbench.cli.encoding import printable
from sigbench.model import Cause, Event, Measurement, Reading, Source
from sigbench.report.wording import (
    COVERAGE_FACTOR,
    EVENT_WORDS,
    channel_name,
    label,
    reading_text,
    short_words,
    volts_text,
)
from sigbench.units import true_minus
from sigbench.wire import measurement_to_json

SHOWN_EVENTS = 20  # a screen of them; the rest is counted, and in the JSON
TITLE_COLUMNS = 32  # leaves 46 of 80 columns for the values


class _Console(Console):
    """A rich console that leaves a closed pipe to `main`."""

    def on_broken_pipe(self) -> None:
        raise BrokenPipeError


def output() -> Console:
    """The console for results."""
    return _Console(file=sys.stdout, highlight=False, markup=False, emoji=False)


def progress() -> Console:
    """The console for progress and prose beside the results, on stderr."""
    return _Console(file=sys.stderr, highlight=False, markup=False, emoji=False)


def print_json(measurement: Measurement) -> None:
    """Print the measurement as one line of JSON."""
    print_line(measurement_to_json(measurement))


def print_line(text: bytes) -> None:
    """Print one line of UTF-8 on stdout, whatever the encoding of the console (RFC 8259, 8.1)."""
    sys.stdout.flush()
    sys.stdout.buffer.write(text + b"\n")
    sys.stdout.buffer.flush()


def print_measurement(measurement: Measurement, console: Console) -> None:
    """Print the readings grouped by channel, then the events, then the causes."""
    # Unbroken, so that a long path can be copied.
    source = _source_line(measurement.check, measurement.source)
    console.print(fit(source, console), soft_wrap=True)
    print_readings(measurement, console)


def print_readings(measurement: Measurement, console: Console) -> None:
    """Print all that was found, without the line of what it was found in."""
    present = {r.channel for r in measurement.readings if r.channel is not None}
    notes = _repeated_reasons(r for r in measurement.readings if not _is_behind(r, measurement))
    for (channel, channels), readings in _grouped(measurement.readings).items():
        console.print()
        title = _group_title(channel, channels, pair=present == {1, 2})
        console.print(Text(title, style="bold"))
        console.print(_readings_table(readings, notes, console))
    if measurement.check == "jack" and measurement.events:
        console.print()
        source = measurement.source
        for one in tally(measurement.events, source.frames / source.samplerate):
            console.print(fit(str(one)[0].upper() + str(one)[1:], console, style="bold"))
    if measurement.events:
        console.print()
        console.print(Text(_count(len(measurement.events), "event"), style="bold"))
        console.print(_events_table(measurement.events[:SHOWN_EVENTS], console))
        if len(measurement.events) > SHOWN_EVENTS:
            rest = len(measurement.events) - SHOWN_EVENTS
            console.print(f"  and {rest} more: --json lists all of them")
    if measurement.causes:
        console.print()
        console.print(Text("What it may come from", style="bold"))
        for cause in measurement.causes:
            print_cause(cause, console)
    remarks = [f"[{number}] {reason}" for reason, number in notes.items()]
    if any(reading_text(r).plus_minus for r in measurement.readings):
        factor = f"{COVERAGE_FACTOR:g}"
        remarks.append(f"± is the expanded uncertainty (k = {factor}): about 95 % lie within.")
    if remarks:
        console.print()
    for remark in remarks:
        console.print(fit(remark, console, style="dim"))


def print_short(readings: Iterable[tuple[Reading, bool]], console: Console) -> None:
    """Print a few readings, one a line, and mark those that are outside their limits."""
    table = _two_columns()
    for reading, outside in readings:
        title, value = short_words(reading)
        if outside:
            value += "  OUTSIDE ITS LIMIT"
        table.add_row(fit(title, console), fit(value, console))
    console.print(table)


def _source_line(check: str, source: Source) -> str:
    name = source.path or {"interface": "recording", "simulated": "simulated unit"}.get(
        source.kind, source.kind
    )
    seconds = source.frames / source.samplerate
    lost = f", {_count(source.lost_buffers, 'lost buffer')}" if source.lost_buffers else ""
    return (
        f"{name}\n{check.capitalize()} check, {seconds:.4g} s, "
        f"{_count(source.channels, 'channel')} at {source.samplerate / 1000:g} kHz{lost}"
    )


def _grouped(
    readings: Iterable[Reading],
) -> dict[tuple[int | None, tuple[int, int] | None], list[Reading]]:
    """Readings by channel or pair in the order of appearance; units of one name side by side."""
    groups: dict[tuple[int | None, tuple[int, int] | None], list[Reading]] = {}
    for reading in readings:
        groups.setdefault((reading.channel, reading.channels), []).append(reading)
    for group in groups.values():
        names = list(dict.fromkeys(reading.name for reading in group))
        group.sort(key=lambda reading: names.index(reading.name))
    return groups


def _group_title(channel: int | None, channels: tuple[int, int] | None, *, pair: bool) -> str:
    if channels is not None:
        return f"Channels {channels[0]} and {channels[1]}"
    if channel is None:
        return "All channels"
    side = channel_name(channel, pair=pair)
    return f"Channel {channel}" if side.startswith("channel") else f"Channel {channel} ({side})"


def _repeated_reasons(readings: Iterable[Reading]) -> dict[str, int]:
    """Reasons that several readings share, numbered: they are written once, below the table."""
    reasons = Counter(reason for reading in readings if (reason := reading_text(reading).reason))
    shared = [reason for reason, times in reasons.items() if times > 1]
    return {reason: number for number, reason in enumerate(shared, 1)}


def _readings_table(
    readings: Sequence[Reading], notes: Mapping[str, int], console: Console
) -> Table:
    parts = [reading_text(reading) for reading in readings]
    numbers = max((len(p.number) for p in parts), default=0)
    spreads = max((len(p.plus_minus) for p in parts), default=0)
    table = _two_columns()
    previous = None
    outside = _outside_world(readings)
    for reading, part in zip(readings, parts, strict=True):
        if reading.name in outside and reading.unit != "dBu":
            continue
        if part.words:
            value = part.words
        else:
            value = f"{part.number:>{numbers}} {part.plus_minus:<{spreads}} {part.unit}".rstrip()
        if reading.name in outside:
            value += outside[reading.name]
        if part.reason in notes:
            value += f" [{notes[part.reason]}]"
        elif part.reason:
            value += f": {part.reason}" if part.words else f" ({part.reason})"
        title = "" if reading.name == previous else label(reading.name).title
        style = "" if reading.state == "ok" else "yellow"
        table.add_row(fit(title, console), fit(value, console, style=style))
        previous = reading.name
    return table


def _is_behind(reading: Reading, measurement: Measurement) -> bool:
    """Whether a reading stands in the line of the same level in dBu."""
    return reading.unit != "dBu" and any(
        r.unit == "dBu" and (r.name, r.channel) == (reading.name, reading.channel)
        for r in measurement.readings
    )


def _outside_world(readings: Sequence[Reading]) -> dict[str, str]:
    """Of a calibrated rig's levels: what stands behind the dBu, for one line is enough."""
    calibrated = {r.name for r in readings if r.unit == "dBu"}
    behind: dict[str, list[str]] = {name: [] for name in calibrated}
    for reading in readings:
        if reading.name not in calibrated or not isinstance(reading.value, float | int):
            continue
        if reading.unit == "V":
            behind[reading.name].insert(0, volts_text(reading.value))
        elif reading.unit == "dBFS":
            behind[reading.name].append(true_minus(f"{reading.value:.2f} dBFS"))
    return {name: f" ({', '.join(texts)})" if texts else "" for name, texts in behind.items()}


def _events_table(events: Sequence[Event], console: Console) -> Table:
    table = _two_columns()
    for event in events:
        length = (event.end - event.start) * 1000
        when = f"at {event.start:.3f} s" + (f" for {length:.1f} ms" if length > 0 else "")
        where = ", channel " + " and ".join(map(str, event.channels)) if event.channels else ""
        depth = f", {event.depth:.1f} dB" if event.depth is not None else ""
        said = event.text or (f"begun: {event.place}" if event.kind == "mark" else None)
        text = f": {said}" if said else ""
        title = EVENT_WORDS[event.kind].capitalize()
        table.add_row(fit(title, console), fit(f"{when}{where}{depth}{text}", console))
    return table


def print_cause(cause: Cause, console: Console, *, found: str | None = None) -> None:
    """Print a cause with its score, its reasons and what to probe next.

    `found` is the command by which the person writes down that it was this.
    """
    from sigbench.causes.wording import score_words

    table = _two_columns()
    table.add_row(fit(cause.name, console), fit(score_words(cause), console))
    lines = [
        *(("speaks for it", evidence) for evidence in cause.evidence_for),
        *(("speaks against it", evidence) for evidence in cause.evidence_against),
        ("probe next", cause.next),
    ]
    if found is not None:
        lines.append(("if it was this", found))
    for title, text in lines:
        table.add_row(fit(f"  {title}", console), fit(text, console))
    console.print(table)


def _two_columns() -> Table:
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column(width=TITLE_COLUMNS, overflow="fold")
    table.add_column(overflow="fold")
    return table


def fit(text: str, console: Console, *, style: str = "") -> Text:
    """Text in signs that the console's encoding has."""
    return Text(printable(text, console.encoding), style=style)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
