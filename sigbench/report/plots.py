"""Plots as SVG: arrays in, bytes out, the same bytes for the same arrays.

Before is light (grey area, hatched bar, dashed line), after is dark (black line, solid bar), so
that a print in black and white tells them apart. Text is drawn as outlines of the font that
matplotlib ships, so that a plot looks the same on every machine.
"""

import io
import re
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle
from matplotlib.ticker import FixedLocator, MaxNLocator, MultipleLocator, NullLocator
from numpy.typing import NDArray

from sigbench.model import Event, EventKind
from sigbench.report.wording import EVENT_WORDS

Array = NDArray[np.float64]

WIDTH_INCHES = 170 / 25.4  # the text width of an A4 page with 20 mm margins
FLOOR_DB = -180.0  # digital silence is drawn here
AUDIO_BAND_HZ = (20.0, 20_000.0)
DECADE_TICKS = {
    20: "20", 50: "50", 100: "100", 200: "200", 500: "500", 1000: "1k", 2000: "2k",
    5000: "5k", 10000: "10k", 20000: "20k",
}  # fmt: skip
STANDS_OUT_DB = 6.0  # above its surroundings, before a line is named in a plot
CLEAR_DECADES, CLEAR_SHARE = 0.14, 0.09  # room for a name: of the frequency axis, of the height
INK, GREY, PALE, RULE = "#111111", "#8a8a8a", "#dcdcdc", "#e6e6e6"
STYLE: dict[str, Any] = {
    "text.parse_math": False,  # a $ in a name is a $
    "svg.fonttype": "path",
    "font.family": "DejaVu Sans",
    "font.size": 7.0,
    "axes.titlesize": 7.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 7.0,
    "axes.edgecolor": "#444444",
    "axes.linewidth": 0.5,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": RULE,
    "grid.linewidth": 0.5,
    "xtick.major.width": 0.5,
    "ytick.major.width": 0.5,
    "xtick.major.size": 2.5,
    "ytick.major.size": 2.5,
    "xtick.color": "#444444",
    "ytick.color": "#444444",
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "hatch.linewidth": 0.5,
    "legend.frameon": False,
    "legend.fontsize": 7.0,
    "legend.handlelength": 1.8,
    "figure.facecolor": "none",
    "axes.facecolor": "none",
    "savefig.facecolor": "none",
    "path.simplify": True,
    "path.simplify_threshold": 0.2,
}
_RC_LOCK = threading.Lock()  # matplotlib's settings belong to the whole process


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """A line to draw: x and y of shape (points,)."""

    x: Array
    y: Array


@dataclass(frozen=True, slots=True)
class Mark:
    """A frequency worth naming in a spectrum, in Hz, with the words to put there."""

    hertz: float
    text: str


@dataclass(frozen=True, slots=True)
class CurvePanel:
    """One channel: the same curve at two stages (either may be missing), and what to name.

    `reference` is what both are held against.
    """

    title: str
    before: Curve | None
    after: Curve | None
    marks: tuple[Mark, ...] = ()
    reference: Curve | None = None


@dataclass(frozen=True, slots=True)
class SpectrumPlot:
    """Level against frequency, a panel a channel."""

    panels: tuple[CurvePanel, ...]
    before_name: str
    after_name: str


@dataclass(frozen=True, slots=True)
class CurvePlot:
    """Decibels against frequency, or against the travel of a control; a panel a channel."""

    panels: tuple[CurvePanel, ...]
    before_name: str
    after_name: str
    x_label: str
    y_label: str
    logarithmic: bool
    reference_name: str = ""
    x_range: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class WearSide:
    """Crackle of one channel along the travel of a control at one stage.

    Parameters
    ----------
    edges : ndarray of float, shape (bins + 1,)
        Percent of travel.
    crossed : ndarray of bool, shape (passes, bins)
        Which bins each pass went through.
    level : ndarray of float, shape (passes, bins)
        Strongest crackle in dB re the sound; NaN without one.
    worn, dead : tuple of (float, float), or None
        Stretches in percent; None where that cannot be told.
    """

    edges: Array
    crossed: NDArray[np.bool_]
    level: Array
    worn: tuple[tuple[float, float], ...] | None
    dead: tuple[tuple[float, float], ...] | None


@dataclass(frozen=True, slots=True)
class WearPanel:
    """One channel at two stages."""

    title: str
    before: WearSide | None
    after: WearSide | None


@dataclass(frozen=True, slots=True)
class WearPlot:
    """Passes of a control laid over one another: a column a channel, a row a stage."""

    panels: tuple[WearPanel, ...]
    before_name: str
    after_name: str


@dataclass(frozen=True, slots=True)
class SoakRow:
    """One quantity against time, a panel a channel.

    `least_span` is the least that its axis covers, for a flat line should look flat.
    """

    y_label: str
    panels: tuple[CurvePanel, ...]
    least_span: float


@dataclass(frozen=True, slots=True)
class SoakSide:
    """What happened in a soak: events, numbered marks, and onsets as (channel, seconds)."""

    events: tuple[Event, ...]
    marks: tuple[tuple[int, Event], ...]
    onsets: tuple[tuple[int, float], ...]


@dataclass(frozen=True, slots=True)
class SoakPlot:
    """Courses of two soaks in the same axes, with what happened below; a column a channel."""

    channels: tuple[int, ...]
    rows: tuple[SoakRow, ...]
    before: SoakSide | None
    after: SoakSide | None
    before_name: str
    after_name: str


@dataclass(frozen=True, slots=True)
class BarPanel:
    """One channel: decibels of the 2nd and further harmonics at two stages."""

    title: str
    before: tuple[float, ...] | None
    after: tuple[float, ...] | None


@dataclass(frozen=True, slots=True)
class HarmonicsPlot:
    """Bars of the harmonics, a panel a channel."""

    panels: tuple[BarPanel, ...]
    before_name: str
    after_name: str


@dataclass(frozen=True, slots=True)
class TimePanel:
    """One stage: low and high edge of the level of each channel over time, and the events."""

    title: str
    channels: tuple[str, ...]
    lows: tuple[Curve, ...]
    highs: tuple[Curve, ...]
    events: tuple[Event, ...]


@dataclass(frozen=True, slots=True)
class TimePlot:
    """Level over time of all channels with the strip of events, a column a stage."""

    panels: tuple[TimePanel, ...]


Plot = SpectrumPlot | CurvePlot | HarmonicsPlot | TimePlot | WearPlot | SoakPlot


@dataclass(frozen=True, slots=True)
class Frame:
    """Where the axes of a panel lie in a drawing, and what they span.

    Parameters
    ----------
    left, top, right, bottom : float
        Shares of the drawing's width and height, from its top left corner.
    x_span, y_span : (float, float)
        What the axes show from left to right and from bottom to top.
    logarithmic : bool
        Whether x is spread evenly by its logarithm.
    """

    left: float
    top: float
    right: float
    bottom: float
    x_span: tuple[float, float]
    y_span: tuple[float, float]
    logarithmic: bool


@dataclass(frozen=True, slots=True)
class Drawing:
    """A plot as SVG, and where its axes lie, in the order in which they were drawn."""

    svg: bytes
    frames: tuple[Frame, ...]


def draw(plot: Plot, name: str) -> bytes:
    """Draw a plot as SVG: `drawing` without the frames."""
    return drawing(plot, name).svg


def drawing(plot: Plot, name: str) -> Drawing:
    """Draw a plot as SVG.

    Parameters
    ----------
    plot : Plot
    name : str
        Set before every id in the drawing, so that several can stand in one HTML page.

    Returns
    -------
    Drawing
        Its SVG is UTF-8, with no date and no reference to anything outside.
    """
    with _RC_LOCK, mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(STYLE)  # type: ignore[arg-type]
        mpl.rcParams["svg.hashsalt"] = name
        match plot:
            case SpectrumPlot():
                figure = _spectrum(plot)
            case CurvePlot():
                figure = _curves(plot)
            case HarmonicsPlot():
                figure = _harmonics(plot)
            case TimePlot():
                figure = _time(plot)
            case WearPlot():
                figure = _wear(plot)
            case SoakPlot():
                figure = _soak(plot)
        svg = _svg(figure, name)  # first, for it lays the axes out
        return Drawing(svg, tuple(_frame(axes) for axes in figure.axes))


def _frame(axes: Axes) -> Frame:
    place = axes.get_position()
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    return Frame(
        float(place.x0),
        float(1 - place.y1),
        float(place.x1),
        float(1 - place.y0),
        (float(left), float(right)),
        (float(low), float(high)),
        axes.get_xscale() == "log",
    )


def _svg(figure: Figure, name: str) -> bytes:
    buffer = io.StringIO()
    FigureCanvasSVG(figure)
    figure.savefig(
        buffer,
        format="svg",
        metadata={"Date": None, "Creator": None, "Format": None, "Type": None},
    )
    text = buffer.getvalue()
    text = text[text.index("<svg") :]  # without the prolog it can stand inside HTML
    text = re.sub(r'(\bid="|xlink:href="#|url\(#)', rf"\g<1>{name}-", text)
    return text.encode()


def _figure(height_inches: float) -> Figure:
    return Figure(figsize=(WIDTH_INCHES, height_inches), layout="constrained")


def _columns(figure: Figure, count: int) -> list[Axes]:
    axes = figure.subplots(1, count, sharey=True, squeeze=False)[0]
    return list(axes)


def _stage_legend(figure: Figure, entries: Sequence[tuple[Artist, str]]) -> None:
    if len(entries) < 2:
        return
    figure.legend(
        [handle for handle, _ in entries],
        [text.lstrip("_") for _, text in entries],  # an underscore would hide it
        loc="outside upper right",
        ncols=len(entries),
        borderaxespad=0.0,
    )


def _frequency_axis(axes: Axes) -> None:
    axes.set_xscale("log")
    axes.set_xlim(*AUDIO_BAND_HZ)
    axes.xaxis.set_major_locator(FixedLocator(list(DECADE_TICKS)))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.set_xticklabels(list(DECADE_TICKS.values()))
    axes.set_xlabel("Frequency (Hz)")


def _spectrum(plot: SpectrumPlot) -> Figure:
    figure = _figure(2.15)
    columns = _columns(figure, len(plot.panels))
    curves = [c for p in plot.panels for c in (p.before, p.after) if c is not None]
    top, bottom = _decibel_range([curve.y for curve in curves])
    for axes, panel in zip(columns, plot.panels, strict=True):
        axes.set_ylim(bottom, top)
        axes.yaxis.set_major_locator(MultipleLocator(20 if top - bottom <= 140 else 40))
        _frequency_axis(axes)
        axes.set_title(panel.title)
        if panel.before is not None:
            y = np.maximum(panel.before.y, bottom - 20)
            axes.fill_between(panel.before.x, y, bottom - 20, color=PALE, linewidth=0)
            axes.plot(panel.before.x, y, color=GREY, linewidth=0.45)
        if panel.after is not None:
            axes.plot(
                panel.after.x, np.maximum(panel.after.y, bottom - 20), color=INK, linewidth=0.6
            )
        _name_lines(axes, panel, top)
    columns[0].set_ylabel("Level (dBFS)")
    entries: list[tuple[Artist, str]] = []
    if any(panel.before is not None for panel in plot.panels):
        entries.append((Patch(facecolor=PALE, edgecolor=GREY, linewidth=0.5), plot.before_name))
    if any(panel.after is not None for panel in plot.panels):
        entries.append((Line2D([], [], color=INK, linewidth=0.9), plot.after_name))
    _stage_legend(figure, entries)
    return figure


def _name_lines(axes: Axes, panel: CurvePanel, top: float) -> None:
    """Put each mark's words above the higher of the two curves, where a line stands out."""
    bottom = axes.get_ylim()[0]
    placed: list[tuple[float, float]] = []
    for mark in panel.marks:
        heights = [
            height
            for curve in (panel.before, panel.after)
            if curve is not None and (height := _line_height(curve, mark.hertz)) is not None
        ]
        if not heights or max(heights) < bottom:
            continue
        x, y = float(np.log10(mark.hertz)), min(max(heights), top - 8)
        if any(
            abs(x - other) < CLEAR_DECADES and abs(y - height) < CLEAR_SHARE * (top - bottom)
            for other, height in placed
        ):
            continue
        placed.append((x, y))
        axes.annotate(
            mark.text,
            (mark.hertz, y),
            xytext=(0, 5.5),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=6.0,
            arrowprops={
                "arrowstyle": "-",
                "linewidth": 0.5,
                "color": "#444444",
                "shrinkB": 1.5,
                "shrinkA": 0,
            },
        )


def _line_height(curve: Curve, hertz: float) -> float | None:
    """Level of a line that stands out of what is beside it; None where there is none."""
    distance = np.abs(np.log(curve.x / hertz))
    near, beside = distance < 0.012, (distance > 0.03) & (distance < 0.25)
    if not near.any() or not beside.any():
        return None
    height = float(curve.y[near].max())
    return height if height > float(np.median(curve.y[beside])) + STANDS_OUT_DB else None


def _decibel_range(values: Sequence[Array]) -> tuple[float, float]:
    """Top and bottom of an axis that holds the peaks and the noise, in steps of 20 dB."""
    finite = [v[np.isfinite(v) & (v > FLOOR_DB)] for v in values]
    finite = [v for v in finite if v.size]
    if not finite:
        return 0.0, -120.0
    top = 20 * np.ceil((max(float(v.max()) for v in finite) + 14) / 20)
    low = min(float(np.percentile(v, 10)) for v in finite)
    bottom = 20 * np.floor((low - 6) / 20)
    return float(top), float(max(min(bottom, top - 60), FLOOR_DB))


def _curves(plot: CurvePlot) -> Figure:
    figure = _figure(2.1)
    columns = _columns(figure, len(plot.panels))
    for axes, panel in zip(columns, plot.panels, strict=True):
        if plot.logarithmic:
            _frequency_axis(axes)
        axes.set_xlabel(plot.x_label)
        if plot.x_range is not None:
            axes.set_xlim(*plot.x_range)
        axes.set_title(panel.title)
        if panel.reference is not None:
            axes.plot(panel.reference.x, panel.reference.y, ":", color=INK, linewidth=0.8)
        if panel.before is not None:
            axes.plot(panel.before.x, panel.before.y, "--", color=GREY, linewidth=1.1)
        if panel.after is not None:
            axes.plot(panel.after.x, panel.after.y, color=INK, linewidth=0.9)
    low, high = columns[0].get_ylim()
    if high - low < 6:  # a flat line should look flat
        middle = (low + high) / 2
        columns[0].set_ylim(middle - 3, middle + 3)
    columns[0].set_ylabel(plot.y_label)
    entries: list[tuple[Artist, str]] = []
    if any(panel.before is not None for panel in plot.panels):
        entries.append((Line2D([], [], linestyle="--", color=GREY), plot.before_name))
    if any(panel.after is not None for panel in plot.panels):
        entries.append((Line2D([], [], color=INK), plot.after_name))
    if any(panel.reference is not None for panel in plot.panels):
        entries.append((Line2D([], [], linestyle=":", color=INK), plot.reference_name))
    _stage_legend(figure, entries)
    return figure


def _harmonics(plot: HarmonicsPlot) -> Figure:
    figure = _figure(1.7)
    columns = _columns(figure, len(plot.panels))
    series = [np.asarray(s) for p in plot.panels for s in (p.before, p.after) if s]
    top, bottom = _decibel_range(series)
    top = min(top, 20.0)
    before_style: dict[str, Any] = {"facecolor": "white", "edgecolor": "#555555", "hatch": "//////"}
    after_style: dict[str, Any] = {"facecolor": "#333333", "edgecolor": "#333333"}
    both = {
        "before": any(p.before for p in plot.panels),
        "after": any(p.after for p in plot.panels),
    }
    width = 0.38 if all(both.values()) else 0.6
    for axes, panel in zip(columns, plot.panels, strict=True):
        shift = width / 2 if all(both.values()) else 0.0
        for values, offset, style in (
            (panel.before, -shift, before_style),
            (panel.after, shift, after_style),
        ):
            if values:
                heights = np.maximum(np.asarray(values), bottom) - bottom
                order = np.arange(2, 2 + len(values)) + offset
                axes.bar(order, heights, width, bottom=bottom, linewidth=0.5, **style)
        axes.set_ylim(bottom, top)
        axes.yaxis.set_major_locator(MultipleLocator(20 if top - bottom <= 100 else 40))
        axes.grid(visible=False, axis="x")
        count = max(len(values) for p in plot.panels for values in (p.before, p.after) if values)
        axes.set_xlim(1.4, count + 1.6)
        axes.xaxis.set_major_locator(FixedLocator(list(range(2, count + 2))))
        axes.set_xticklabels([f"{k}×" for k in range(2, count + 2)])
        axes.tick_params(axis="x", length=0)
        axes.set_xlabel("Multiple of the note's frequency")
        axes.set_title(panel.title)
    columns[0].set_ylabel("Level re the note (dB)")
    entries: list[tuple[Artist, str]] = []
    if both["before"]:
        entries.append((Patch(linewidth=0.5, **before_style), plot.before_name))
    if both["after"]:
        entries.append((Patch(**after_style), plot.after_name))
    _stage_legend(figure, entries)
    return figure


def _time(plot: TimePlot) -> Figure:
    rows = max(len(panel.channels) for panel in plot.panels)
    figure = _figure(0.75 + 0.72 * rows + 0.17 * rows)
    grid = figure.subplots(
        rows + 1,
        len(plot.panels),
        squeeze=False,
        sharex="col",
        height_ratios=[1.0] * rows + [0.26 * rows],
    )
    edges = [curve.y for p in plot.panels for curve in (*p.lows, *p.highs)]
    top = _decibel_range(edges)[0]
    # Half a minute of tone with one dropout must show both, so only what is drawn counts.
    drawn = np.concatenate([np.asarray([top - 60]), *edges])
    bottom = float(max(20 * np.floor(drawn[drawn > -120].min() / 20), top - 120))
    kinds: list[EventKind] = []
    for column, panel in enumerate(plot.panels):
        last = panel.lows[0].x[-1] if panel.lows else 1.0
        for row in range(rows):
            axes = grid[row, column]
            axes.set_ylim(bottom, top)
            axes.yaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 4]))
            axes.tick_params(labelbottom=False, labelleft=column == 0)
            if row == 0:
                axes.set_title(panel.title)
            if row >= len(panel.channels):
                continue
            low, high = panel.lows[row], panel.highs[row]
            axes.fill_between(
                low.x,
                np.maximum(low.y, bottom),
                np.maximum(high.y, bottom),
                facecolor=INK,
                edgecolor=INK,
                linewidth=0.6,
            )
            if column == 0:
                name = panel.channels[row]
                axes.set_ylabel(f"{name}\n(dBFS)" if name else "Level (dBFS)")
        strip = grid[rows, column]
        kinds += _event_strip(strip, panel, float(last), column == 0)
        strip.set_xlim(0, float(last))
        strip.set_xlabel("Time (s)")
    if kinds:
        different = list(dict.fromkeys(kinds))
        figure.legend(
            handles=[_event_key(kind) for kind in different],
            loc="outside upper right",
            ncols=len(different),
            borderaxespad=0.0,
        )
    return figure


# How each kind is drawn: shape first, for a print has no colour.
_EVENT_SHAPES: dict[EventKind, dict[str, Any]] = {
    "dropout": {"facecolor": INK, "edgecolor": INK},
    "dip": {"facecolor": "white", "edgecolor": INK},
    "hum_burst": {"facecolor": "white", "edgecolor": INK, "hatch": "||||||"},
    "lost_buffers": {"facecolor": "#bbbbbb", "edgecolor": "#777777", "hatch": "xxxxxx"},
}
_EVENT_MARKERS: dict[EventKind, str] = {"crackle": "x", "click": "|", "mark": "v"}


def _event_strip(axes: Axes, panel: TimePanel, seconds: float, named: bool) -> list[EventKind]:
    """One lane a channel; returns the kinds that were drawn."""
    lanes = max(len(panel.channels), 1)
    axes.set_ylim(lanes - 0.45, -0.55)
    axes.grid(visible=False, axis="y")
    axes.yaxis.set_major_locator(FixedLocator(list(range(lanes))))
    names = [name or "events" for name in panel.channels] or ["events"]
    axes.set_yticklabels(names if named else [""] * lanes)
    axes.tick_params(axis="y", length=0)
    shortest = seconds / 250  # narrower would vanish in print
    kinds: list[EventKind] = []
    for event in panel.events:
        kinds.append(event.kind)
        on = [c - 1 for c in event.channels if 1 <= c <= lanes] or list(range(lanes))
        for lane in on:
            _draw_event(axes, event.kind, event.start, event.end - event.start, lane, shortest)
        words = event.place or event.text
        if event.kind == "mark" and words:
            _name_mark(axes, words[:NAMED_CHARACTERS], event.start, 0)
    if not panel.events:
        axes.text(
            0.5,
            0.5,
            "no events",
            transform=axes.transAxes,
            ha="center",
            va="center",
            color="#555555",
        )
    return kinds


NAMED_CHARACTERS = 24  # of a mark's words; more would run into the next


def _name_mark(axes: Axes, words: str, at: float, lane: int) -> None:
    """A mark's words, or its number, beside its triangle."""
    axes.annotate(
        words,
        (at, lane),
        xytext=(3, 0),
        textcoords="offset points",
        va="center",
        fontsize=5.5,
        annotation_clip=True,
    )


def _draw_event(
    axes: Axes, kind: EventKind, start: float, length: float, lane: int, shortest: float
) -> None:
    if kind in _EVENT_MARKERS:
        marker = _EVENT_MARKERS[kind]
        axes.plot(start, lane, marker, color=INK, markersize=4, markeredgewidth=0.8)
        return
    place = start, lane - 0.32
    axes.add_patch(
        Rectangle(place, max(length, shortest), 0.64, linewidth=0.6, **_EVENT_SHAPES[kind])
    )


def _event_key(kind: EventKind) -> Patch | Line2D:
    if kind in _EVENT_MARKERS:
        return Line2D(
            [], [], linestyle="none", marker=_EVENT_MARKERS[kind], color=INK, markersize=4,
            label=EVENT_WORDS[kind],
        )  # fmt: skip
    return Patch(linewidth=0.6, label=EVENT_WORDS[kind], **_EVENT_SHAPES[kind])


# Stretches of travel, told apart by their filling.
_WORN: dict[str, Any] = {"facecolor": INK, "edgecolor": INK}
_DEAD: dict[str, Any] = {"facecolor": "white", "edgecolor": INK, "hatch": "xxxxxxxx"}
FAINTEST_CRACKLE_DB = -60.0  # re the sound: the lowest stroke


def _wear(plot: WearPlot) -> Figure:
    names = {"before": plot.before_name, "after": plot.after_name}
    stages = [s for s in names if any(getattr(panel, s) is not None for panel in plot.panels)]
    passes = [
        max(len(getattr(p, s).crossed) for p in plot.panels if getattr(p, s) is not None)
        for s in stages
    ]
    heights = [max(0.13 * (count + 1), 0.5) for count in passes]
    figure = _figure(0.75 + sum(heights) + 0.22 * len(stages))
    grid = figure.subplots(
        len(stages),
        len(plot.panels),
        squeeze=False,
        sharex=True,
        sharey="row",
        height_ratios=heights,
    )
    for row, (stage, count) in enumerate(zip(stages, passes, strict=True)):
        for column, panel in enumerate(plot.panels):
            axes = grid[row, column]
            side: WearSide | None = getattr(panel, stage)
            name = names[stage]
            title = ": ".join(filter(None, (panel.title, name[:1].upper() + name[1:])))
            axes.set_title(title.lstrip("_"))
            axes.set_xlim(0, 100)
            axes.set_ylim(count + 0.6, -0.7)
            axes.yaxis.set_major_locator(MaxNLocator(5, integer=True, min_n_ticks=1))
            axes.grid(visible=False, axis="y")
            axes.tick_params(axis="y", length=0)
            if column == 0:
                axes.set_ylabel("Pass")
            if row == len(stages) - 1:
                axes.set_xlabel("Travel of the control (%)")
            if side is not None:
                _draw_wear(axes, side)
            else:
                _say(axes, "not measured")
        ticks = [tick for tick in grid[row, 0].get_yticks() if 1 <= tick <= count]
        grid[row, 0].set_yticks(ticks)
    figure.legend(
        handles=[
            Line2D([], [], linestyle="none", marker="|", color=INK, markersize=6, label="crackle"),
            Patch(linewidth=0.6, label="worn place", **_WORN),
            Patch(linewidth=0.6, label="dead place: jumped over", **_DEAD),
        ],
        loc="outside upper right",
        ncols=3,
        borderaxespad=0.0,
    )
    return figure


def _draw_wear(axes: Axes, side: WearSide) -> None:
    """A line a pass, a stroke a crackle; above them the stretches that repeat."""
    centres = 0.5 * (side.edges[:-1] + side.edges[1:])
    for number, (crossed, level) in enumerate(zip(side.crossed, side.level, strict=True), 1):
        at = np.flatnonzero(crossed)
        if len(at):
            ends = side.edges[at[0]], side.edges[at[-1] + 1]
            axes.plot(ends, (number, number), color=GREY, linewidth=0.5)
        hit = np.isfinite(level)
        strength = np.clip(1 - level[hit] / FAINTEST_CRACKLE_DB, 0.0, 1.0)
        half = 0.08 + 0.38 * strength
        axes.vlines(centres[hit], number - half, number + half, color=INK, linewidth=0.8)
    if not len(side.crossed):
        _say(axes, "no pass from end to end")
    if side.worn is None or side.dead is None:
        axes.text(50, 0, "too few passes to tell worn places", ha="center", va="center", fontsize=6)
        return
    for stretches, look in ((side.worn, _WORN), (side.dead, _DEAD)):
        for start, end in stretches:
            place = start, -0.3 if look is _WORN else -0.1
            axes.add_patch(Rectangle(place, max(end - start, 0.5), 0.5, linewidth=0.6, **look))
    if not side.worn and not side.dead:
        axes.text(50, 0, "no worn and no dead places", ha="center", va="center", fontsize=6)


def _say(axes: Axes, words: str) -> None:
    axes.text(0.5, 0.5, words, transform=axes.transAxes, ha="center", va="center", color="#555555")


def _time_unit(seconds: float) -> tuple[float, str]:
    """Seconds of the unit that a time axis is best counted in, and its symbol."""
    if seconds <= 180:
        return 1.0, "s"
    return (60.0, "min") if seconds <= 3 * 3600 else (3600.0, "h")


def _soak(plot: SoakPlot) -> Figure:
    columns = len(plot.rows[0].panels)
    sides = [
        (name, side, filled)
        for name, side, filled in (
            (plot.before_name, plot.before, False),
            (plot.after_name, plot.after, True),
        )
        if side is not None
    ]
    curves = [c for row in plot.rows for p in row.panels for c in (p.before, p.after) if c]
    last = max(float(curve.x[-1]) for curve in curves)
    unit, symbol = _time_unit(last)
    lanes = 0.2 * len(sides) + 0.12
    figure = _figure(1.15 + 0.85 * len(plot.rows) + lanes)
    figure.set_layout_engine("constrained", h_pad=0.08)  # inches; else the last label is cut
    grid = figure.subplots(
        len(plot.rows) + 1,
        columns,
        squeeze=False,
        sharex=True,
        sharey="row",
        height_ratios=[0.85] * len(plot.rows) + [lanes],
    )
    kinds: list[EventKind] = []
    onsets = False
    for column in range(columns):
        for row, quantity in enumerate(plot.rows):
            axes = grid[row, column]
            panel = quantity.panels[column]
            if row == 0:
                axes.set_title(panel.title)
            if column == 0:
                axes.set_ylabel(quantity.y_label)
                axes.yaxis.set_major_locator(MaxNLocator(4))
            if panel.before is not None:
                x = panel.before.x / unit
                axes.plot(x, panel.before.y, "--", color=GREY, linewidth=1.0)
            if panel.after is not None:
                axes.plot(panel.after.x / unit, panel.after.y, color=INK, linewidth=0.9)
            for _, side, filled in sides:
                for channel, seconds in side.onsets:
                    if channel == plot.channels[column]:
                        onsets = True
                        _draw_onset(axes, seconds / unit, filled=filled, headed=row == 0)
        strip = grid[-1, column]
        kinds += _soak_strip(
            strip, [s for _, s, _ in sides], plot.channels[column], last / unit, unit
        )
        strip.set_xlabel(f"Time ({symbol})")
        strip.set_yticks(range(len(sides)), [name.lstrip("_") for name, _, _ in sides])
        strip.tick_params(axis="y", length=0, labelleft=column == 0)
    for row, quantity in enumerate(plot.rows):
        low, high = grid[row, 0].get_ylim()
        if high - low < quantity.least_span:
            middle = 0.5 * (low + high)
            half = 0.5 * quantity.least_span
            grid[row, 0].set_ylim(middle - half, middle + half)
    grid[0, 0].set_xlim(0, last / unit)
    entries: list[tuple[Artist, str]] = []
    if plot.before is not None:
        entries.append((Line2D([], [], linestyle="--", color=GREY), plot.before_name))
    if plot.after is not None:
        entries.append((Line2D([], [], color=INK), plot.after_name))
    if onsets:
        key = Line2D([], [], linestyle=":", marker="D", color=INK, markersize=3.5)
        entries.append((key, "onset (hollow: before)" if len(sides) > 1 else "onset"))
    entries += [(_event_key(kind), EVENT_WORDS[kind]) for kind in dict.fromkeys(kinds)]
    figure.legend(
        [handle for handle, _ in entries],
        [text.lstrip("_") for _, text in entries],
        loc="outside upper right",
        ncols=min(len(entries), 4),
        borderaxespad=0.0,
    )
    return figure


def _draw_onset(axes: Axes, at: float, *, filled: bool, headed: bool) -> None:
    axes.axvline(at, linestyle=":", color=INK if filled else GREY, linewidth=0.9)
    if headed:
        axes.plot(
            at,
            1.0,
            "D",
            transform=axes.get_xaxis_transform(),
            clip_on=False,
            color=INK,
            markerfacecolor=INK if filled else "white",
            markersize=4,
            markeredgewidth=0.7,
        )


def _soak_strip(
    axes: Axes, sides: Sequence[SoakSide], channel: int, last: float, unit: float
) -> list[EventKind]:
    """A lane a stage, with the events of one channel and the numbered marks."""
    axes.set_ylim(len(sides) - 0.35, -0.65)
    axes.grid(visible=False, axis="y")
    kinds: list[EventKind] = []
    for lane, side in enumerate(sides):
        for event in side.events:
            if channel in event.channels:
                kinds.append(event.kind)
                length = (event.end - event.start) / unit
                _draw_event(axes, event.kind, event.start / unit, length, lane, last / 250)
        for number, mark in side.marks:
            kinds.append("mark")
            _draw_event(axes, "mark", mark.start / unit, 0.0, lane, last / 250)
            _name_mark(axes, str(number), mark.start / unit, lane)
    return kinds
