"""A take that is being watched, on the terminal: to be read from two metres away.

From top to bottom: what is being done and how much time is left, the levels in large figures, the
last seconds as a strip with the events on it, what happened last, the tally of each place, and the
keys. No meaning rests on colour alone.
"""

import math
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray
from rich.text import Text

from sigbench.checks.tally import FAULTS, Tally
from sigbench.live.strip import STRIP_SECONDS, Strip
from sigbench.live.watch import Seen
from sigbench.live.wording import SIGNS, WORDS, channels_words, clock, event_line, level_word
from sigbench.model import EventKind

Floats = NDArray[np.float64]

LEAST_COLUMNS, LEAST_LINES = 60, 20
MOST_LARGE = 2  # channels whose level is shown in large figures
MOST_STRIPS = 4
SPAN_DB = 48.0  # of a strip, from top to bottom
SCALE_COLUMNS = 6  # left of the strips

_DIGITS = {
    "0": ("####", "#  #", "#  #", "#  #", "####"),
    "1": ("  # ", " ## ", "  # ", "  # ", "  # "),
    "2": ("####", "   #", "####", "#   ", "####"),
    "3": ("####", "   #", " ###", "   #", "####"),
    "4": ("#  #", "#  #", "####", "   #", "   #"),
    "5": ("####", "#   ", "####", "   #", "####"),
    "6": ("####", "#   ", "####", "#  #", "####"),
    "7": ("####", "   #", "  # ", " #  ", " #  "),
    "8": ("####", "#  #", "####", "#  #", "####"),
    "9": ("####", "#  #", "####", "   #", "####"),
    "-": ("   ", "   ", "###", "   ", "   "),
    ".": (" ", " ", " ", " ", "#"),
    " ": ("  ", "  ", "  ", "  ", "  "),
}
_FILL = " ▁▂▃▄▅▆▇█"
SHADE = "░"


def view(
    seen: Seen,
    *,
    columns: int,
    lines: int,
    keys: str,
    marks: Sequence[str] = (),
    blocks: bool = True,
) -> Text:
    """The whole view, no larger than asked for.

    Parameters
    ----------
    columns, lines : int
        Of the terminal.
    keys : str
        What the keys do, in a line.
    marks : sequence of str
        What the keys from 1 on mark.
    blocks : bool
        Whether the terminal has the signs for blocks; else ``#`` and ``:`` stand for them.
    """
    if columns < LEAST_COLUMNS or lines < LEAST_LINES:
        wanted = f"{LEAST_COLUMNS} columns, {LEAST_LINES} lines"
        small = (_head(seen), "Make this window larger:", wanted)[: max(1, lines - 1)]
        return Text("\n".join(line[:columns] for line in small))
    head = [_heading(seen, columns), Text()]
    figures = list(_figures(seen, columns, blocks))
    foot = [_last(seen, columns), *_tallies(seen, columns), Text(_marks(marks, columns), "dim")]
    foot.append(Text(keys[:columns], "bold"))
    room = lines - 1 - len(head) - len(figures) - len(foot) - 2  # events and time below the strips
    middle = list(_middle(seen, columns, room, blocks))
    return Text("\n").join([*head, *figures, *middle, *foot])


def _head(seen: Seen) -> str:
    place = seen.place or ""
    if seen.places > 1:
        place += f" ({seen.place_number} of {seen.places})"
    return "  ".join(filter(None, (seen.check.upper(), place)))


def _heading(seen: Seen, columns: int) -> Text:
    left = max(0.0, seen.of_seconds - seen.seconds)
    time = f"{clock(seen.seconds)}, {clock(left)} left"
    state = "PAUSED" if seen.paused else ""
    lost = f"computer lost audio {seen.lost}x" if seen.lost else ""
    title = "  ".join(filter(None, (_head(seen), state, lost)))
    title = title[: columns - len(time) - 2]
    return Text(f"{title}{time:>{columns - len(title)}}", "bold reverse" if seen.paused else "bold")


# --- large figures


def _figures(seen: Seen, columns: int, blocks: bool) -> Iterator[Text]:
    """Levels, and how often something happened where the hands are, in large figures."""
    there = seen.levels[:MOST_LARGE]
    fields = [
        (_figure(level.rms_dbfs), f"channel {n}, dBFS: {level_word(level)}")
        for n, level in enumerate(there, start=1)
    ]
    now = next((t for t in seen.tallies if t.place == seen.place), None)
    if seen.check != "soak":
        fields.append((str(now.total if now else 0), "events here" if seen.place else "events"))
    width = columns // len(fields)
    wide = [_large(figure) for figure, _ in fields]
    fill = "█" if blocks else "#"
    for row in range(5):
        line = "".join(f"{one[row]:<{width}}" for one in wide)
        yield Text(line.replace("#", fill).rstrip(), "bold")
    yield Text("".join(f"{words[: width - 1]:<{width}}" for _, words in fields).rstrip())
    rest = seen.levels[MOST_LARGE:]
    if rest:
        words = (f"{n}: {_figure(one.rms_dbfs)}" for n, one in enumerate(rest, MOST_LARGE + 1))
        yield Text(f"dBFS of channel {'  '.join(words)}"[:columns])


def _figure(dbfs: float) -> str:
    return f"{dbfs:.1f}" if math.isfinite(dbfs) else "-"


def _large(figure: str) -> tuple[str, ...]:
    return tuple(" ".join(_DIGITS[sign][row] for sign in figure) for row in range(5))


# --- the middle: what a check shows against time or travel


def _middle(seen: Seen, columns: int, lines: int, blocks: bool) -> Iterator[Text]:
    strips = min(len(seen.levels), MOST_STRIPS)
    more = list(_courses(seen, columns) if seen.check == "soak" else _travel(seen, columns))
    more = more[: max(0, lines - strips)]
    rows = (lines - len(more)) // strips
    yield from _strips(seen.strip, columns, rows, blocks)
    yield _event_row(seen, columns)
    scale = f"{STRIP_SECONDS:g} s ago"
    yield Text(f"{'':{SCALE_COLUMNS}}{scale}{'now':>{columns - SCALE_COLUMNS - len(scale)}}", "dim")
    yield from more


def _strips(strip: Strip, columns: int, rows: int, blocks: bool) -> Iterator[Text]:
    """The level of each channel: solid up to the lowest of a column, lighter up to the highest."""
    width = columns - SCALE_COLUMNS
    edges = np.linspace(0, len(strip.low), width + 1).astype(int)[:-1]
    low = np.fmin.reduceat(strip.low, edges, axis=0)
    high = np.fmax.reduceat(strip.high, edges, axis=0)
    known = high[np.isfinite(high)]
    top = 6 * math.ceil(float(known.max()) / 6) if len(known) else 0
    for channel in range(min(low.shape[1], MOST_STRIPS)):
        solid = _height(low[:, channel], top) * rows * 8
        light = _height(high[:, channel], top) * rows * 8
        for row in range(rows):
            floor = (rows - 1 - row) * 8
            cells = (_cell(a - floor, b - floor, blocks) for a, b in zip(solid, light, strict=True))
            scale = f"{top - SPAN_DB * row / rows:>5.0f} " if rows > 1 or not row else ""
            yield Text(f"{scale if row in (0, rows // 2) else '':{SCALE_COLUMNS}}{''.join(cells)}")


def _height(levels: Floats, top: float) -> Floats:
    """Share of the strip's height that each level reaches; 0 where there is none."""
    return np.nan_to_num(np.clip(1 + (levels - top) / SPAN_DB, 0.0, 1.0))


def _cell(solid: float, light: float, blocks: bool) -> str:
    """One sign, 8 steps high."""
    if light - solid >= 4 and light >= 4 and solid < 8:
        return SHADE if blocks else ":"
    step = min(8, max(0, round(solid)))
    if blocks:
        return _FILL[step]
    return "#" if step >= 4 else " "


def _event_row(seen: Seen, columns: int) -> Text:
    width = columns - SCALE_COLUMNS
    row: list[EventKind | None] = [None] * width
    order: list[EventKind] = [*FAULTS, "lost_buffers", "mark"]
    spans = [(event.kind, event.start, event.end) for event in seen.events[-200:]]
    spans += [(kind, since, seen.seconds) for kind, since, _ in seen.going_on]
    for kind, start, end in spans:
        last = _column(seen.strip, end, width)
        if last is None:
            continue
        for column in range(_column(seen.strip, start, width) or 0, last + 1):
            there = row[column]
            if there is None or order.index(kind) < order.index(there):
                row[column] = kind
    return Text(
        f"{'':{SCALE_COLUMNS}}{''.join(SIGNS[kind] if kind else ' ' for kind in row)}", "bold"
    )


def _column(strip: Strip, seconds: float, width: int) -> int | None:
    column = strip.column(seconds)
    return None if column is None else column * width // len(strip.low)


def _travel(seen: Seen, columns: int) -> Iterator[Text]:
    """Where on its travel a control stands and crackled, in as many passes as the digit says."""
    if seen.check != "pot":
        return
    if not seen.turned:
        yield Text("Turn the control slowly from end to end: its travel is not known yet.")
        return
    width = columns - SCALE_COLUMNS - 20
    for turned in seen.turned[:2]:
        position = next((x for x in turned.travel[::-1] if math.isfinite(x)), None)
        for gang in turned.gangs:
            hits = (np.isfinite(gang.wear.level) & gang.wear.crossed).sum(axis=0)
            middles = (gang.wear.edges[:-1] + gang.wear.edges[1:]) / 2
            cells = ["."] * width
            for middle, count in zip(middles, hits, strict=True):
                column = min(int(middle / 100 * width), width - 1)
                if count and (cells[column] == "." or int(cells[column]) < count):
                    cells[column] = str(min(9, int(count)))
            if position is not None:
                cells[min(int(position / 100 * width), width - 1)] = "|"
            passes = f"{len(turned.passes)} pass{'es' if len(turned.passes) != 1 else ''}"
            yield Text(f"ch {gang.channel}: 0 %{''.join(cells)}100 %  {passes}"[:columns])


def _courses(seen: Seen, columns: int) -> Iterator[Text]:
    """Level, pitch, hum and noise since the start."""
    if seen.courses is None:
        return
    for course in seen.courses.courses:
        if course.channel > MOST_LARGE or len(course.points) < 2:
            continue
        values = np.array([value for _, value in course.points])
        known = values[np.isfinite(values)]
        if not len(known):
            continue
        room = columns - 40
        edges = np.linspace(0, len(values), min(room, len(values)) + 1).astype(int)[:-1]
        means = [
            float(np.nanmean(part)) if np.isfinite(part).any() else math.nan
            for part in np.split(values, edges[1:])
        ]
        low, high = float(known.min()), float(known.max())
        curve = "".join(
            " " if math.isnan(v) else _FILL[1 + round(7 * (v - low) / max(high - low, 1e-9))]
            for v in means
        )
        name = f"{course.name} {course.channel}"
        change = f"{known[-1]:.1f} {course.unit}, from {known[0]:.1f}"
        yield Text(f"{name:<9}{change:<30.30} {curve}"[:columns])


# --- the foot


def _last(seen: Seen, columns: int) -> Text:
    """What is going on, or happened last."""
    if seen.going_on:
        kind, since, _ = seen.going_on[0]
        channels = sorted({channel for k, _, channel in seen.going_on if k == kind})
        words = f"{WORDS[kind]} now, for {seen.seconds - since:.1f} s, {channels_words(channels)}"
        return Text(words[:columns], "bold reverse")
    if not seen.events:
        return Text("Nothing happened so far.")
    return Text(event_line(seen.events[-1])[:columns], "bold")


def _tallies(seen: Seen, columns: int) -> Iterator[Text]:
    """The tally where the hands are, those of the places before, and what is not in them."""
    now = [one for one in seen.tallies if one.place == seen.place]
    others = [one for one in seen.tallies if one.place != seen.place]
    for one in now:
        yield Text(_tally(one, columns), "bold")
    for one in others[-2:]:
        yield Text(_tally(one, columns))
    for remark in seen.remarks[-2:]:
        yield Text(remark[:columns], "dim")


def _tally(one: Tally, columns: int) -> str:
    return str(one)[:columns]


def _marks(marks: Sequence[str], columns: int) -> str:
    return "  ".join(f"{n} {text}" for n, text in enumerate(marks, start=1))[:columns]
