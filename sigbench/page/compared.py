"""What the comparison page shows: two stages side by side, in words, and the plots in figures."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any, TypeVar

import numpy as np

from sigbench.bench.folder import Bench
from sigbench.checks.tally import FAULTS, length_and_depth
from sigbench.compare import is_news, latest_runs, same_quantities, summary_line, weight
from sigbench.live.wording import channels_words, clock
from sigbench.model import Comparison, Event, Plan, Run, StageComparison, Unit, Verdict
from sigbench.page.show import StageView, events_of, stage_view
from sigbench.page.stretch import AFTER_SECONDS, BEFORE_SECONDS
from sigbench.report.of_unit import Sides
from sigbench.report.pieces import ReportFigure
from sigbench.report.plots import (
    FLOOR_DB,
    Curve,
    CurvePlot,
    Drawing,
    HarmonicsPlot,
    Plot,
    SoakPlot,
    SpectrumPlot,
    TimePlot,
    WearPlot,
    WearSide,
)
from sigbench.report.wording import (
    EVENT_WORDS,
    ReadingText,
    comparison_text,
    limit_words,
    step_heading,
)
from sigbench.units import true_minus

T = TypeVar("T")

SIGNS: Mapping[Verdict, str] = {
    "better": "✓",
    "worse": "✗",
    "different": "≠",
    "cannot tell": "?",
    "no change": "=",
}
"""What stands beside the word of a verdict."""

NO_BREAK = "\u00a0"
LISTED_EVENTS = 200  # of a run; a page of thousands is of no use to anybody


@dataclass(frozen=True, slots=True)
class Row:
    """One reading on both sides; `name`, `unit` and `channel` as in the records."""

    name: str
    unit: str
    channel: int | None
    title: str
    limit: str
    before: str
    after: str
    change: str
    verdict: Verdict
    sign: str
    words: str
    why: str
    outside: bool


@dataclass(frozen=True, slots=True)
class RowGroup:
    """The rows of a step."""

    number: int
    heading: str
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of one kind, step by step."""

    groups: tuple[RowGroup, ...]

    @property
    def count(self) -> int:
        """How many readings it holds."""
        return sum(len(group.rows) for group in self.groups)


@dataclass(frozen=True, slots=True)
class EventLine:
    """An event of a take in words; `heard` says where it is in the stretch that is played.

    It is empty where there is no take to play.
    """

    take: int
    at: float
    words: str
    heard: str


@dataclass(frozen=True, slots=True)
class RunEvents:
    """The events of a run; `left_out` more are not listed."""

    run_id: str
    heading: str
    events: tuple[EventLine, ...]
    left_out: int


@dataclass(frozen=True, slots=True)
class StageEvents:
    """The events of a stage."""

    name: str
    runs: tuple[RunEvents, ...]
    quiet: bool
    """Whether there was anything recorded that could have had one."""

    @property
    def count(self) -> int:
        """How many events there are."""
        return sum(len(run.events) + run.left_out for run in self.runs)


@dataclass(frozen=True, slots=True)
class FigureView:
    """A plot: what it is, what it shows, and whether it has curves to read figures from."""

    name: str
    title: str
    caption: str
    alt: str
    readable: bool


@dataclass(frozen=True, slots=True)
class CompareView:
    """Two stages of a unit side by side, or one alone.

    Parameters
    ----------
    alone : str
        Why there is nothing to compare, in words; empty where there is.
    single : StageView or None
        The stage that stands alone.
    """

    unit_id: str
    unit: Unit
    stages: tuple[str, ...]
    baselines: tuple[str, ...]
    before: str
    after: str
    baseline: str
    heading: str
    alone: str
    single: StageView | None
    summary: str
    changed: Table
    untold: Table
    unchanged: Table
    not_compared: tuple[str, ...]
    events: tuple[StageEvents, ...]


def compare_view(bench: Bench, unit_id: str, shown: Sides, baseline: str) -> CompareView:
    """Two stages of a unit, or a stage and a baseline, side by side."""
    stages = tuple(bench.stages(unit_id))
    after = shown.after[0].stage
    before = shown.before[0].stage if shown.before else after if not baseline else ""
    comparison = shown.comparison
    changed, untold, unchanged = tables(comparison)
    plan = bench.plan(unit_id) if bench.has_plan(unit_id) else Plan("none", ())
    single = None
    if comparison is None:
        last = max(run.started for run in shown.after)
        single = stage_view(plan, after, last, shown.after)
    return CompareView(
        unit_id,
        bench.unit(unit_id),
        stages,
        tuple(one.name for one in bench.baselines()),
        before,
        after,
        baseline,
        f"“{comparison.before}” beside “{comparison.after}”" if comparison else f"“{after}”",
        "" if comparison else alone_words(after, stages),
        single,
        summary_line(comparison) if comparison else "",
        changed,
        untold,
        unchanged,
        comparison.not_compared if comparison else (),
        tuple(stage_events(runs) for runs in (shown.before, shown.after) if runs),
    )


def alone_words(stage: str, stages: Sequence[str]) -> str:
    """Why a stage stands alone."""
    if len(stages) > 1:
        return f"Both sides are the stage “{stage}”: choose two that differ."
    return (
        f"“{stage}” is the only stage that was measured, so there is nothing to hold it against "
        "yet. Measure the unit again after the repair."
    )


def tables(comparison: StageComparison | None) -> tuple[Table, Table, Table]:
    """What changed or lies outside a limit, what cannot be told, and what did not change."""
    compared = comparison.comparisons if comparison else ()
    leaders = [same[0] for same in same_quantities(compared)]
    return (
        _table(c for c in leaders if is_news(c)),
        _table(c for c in leaders if not is_news(c) and c.verdict == "cannot tell"),
        _table(c for c in leaders if not is_news(c) and c.verdict == "no change"),
    )


def _table(comparisons: Iterable[Comparison]) -> Table:
    """The steps with the gravest first, and so in each step."""
    by_step = sorted(comparisons, key=lambda c: c.step_number)
    groups = [
        sorted(of_step, key=weight) for _, of_step in groupby(by_step, key=lambda c: c.step_number)
    ]
    groups.sort(key=lambda of_step: weight(of_step[0])[:2])
    return Table(
        tuple(
            RowGroup(
                of_step[0].step_number,
                step_heading(of_step[0].step_number, of_step[0].check, of_step[0].output),
                tuple(map(_row, of_step)),
            )
            for of_step in groups
        )
    )


def _row(c: Comparison) -> Row:
    text = comparison_text(c)
    return Row(
        c.name,
        c.unit,
        c.channel,
        text.title,
        limit_words(c.limit) if c.limit else "",
        _together(text.before),
        _together(text.after),
        _together(text.change),
        c.verdict,
        SIGNS[c.verdict],
        text.verdict,
        c.why or "",
        c.out_of_limits is True,
    )


def _together(text: ReadingText) -> str:
    """A figure that breaks before its ± alone, never between a number and its unit."""
    if text.words:
        return text.words
    parts = [text.number, " ".join(filter(None, (text.plus_minus, text.unit)))]
    joint = " " if text.plus_minus else NO_BREAK
    return joint.join(part.replace(" ", NO_BREAK) for part in parts if part)


# --- events


def stage_events(runs: Sequence[Run]) -> StageEvents:
    """The events of a stage, in the order of the plan; of a step done again, the last run's."""
    ordered = [run for _, run in sorted(latest_runs(runs).items())]
    found = tuple(events for run in ordered if (events := run_events(run)).events)
    return StageEvents(runs[0].stage, found, not any(run.takes for run in runs))


def run_events(run: Run) -> RunEvents:
    """The events of a run, each as it is listed."""
    events = events_of(run)
    lines = tuple(_event_line(run, take, event) for take, event in events[:LISTED_EVENTS])
    heading = step_heading(run.step_number, run.step.check, run.step.output)
    return RunEvents(run.id, heading, lines, len(events) - len(lines))


def _event_line(run: Run, take: int, event: Event) -> EventLine:
    words = _event_words(event)
    if len(run.takes) > 1:
        words = f"take {take + 1}, {words}"
    heard = _heard_words(event) if take < len(run.takes) else ""
    return EventLine(take, event.start, words, heard)


def _heard_words(event: Event) -> str:
    spot = min(event.start, BEFORE_SECONDS)
    heard = f"The {EVENT_WORDS[event.kind]} is at {spot:.2f} s in the player"
    length = event.end - event.start
    if length > AFTER_SECONDS:
        heard += f"; it lasts {length:.1f} s, and its beginning is played"
    return f"{heard}."


def _event_words(event: Event) -> str:
    """``at 1.27 s: dropout, 16.3 ms to silence, channel 1, while main L was moved``."""
    at = f"{event.start:.2f} s" if event.start < 60 else clock(event.start)
    kind = EVENT_WORDS[event.kind]
    what = [f"{kind} – {event.text}" if event.text else kind]
    if event.kind in FAULTS:
        what.append(length_and_depth(event))
    what.append(channels_words(event.channels))
    if event.place:
        what.append(f"while {event.place} was moved")
    return f"at {at}: {', '.join(filter(None, what))}"


# --- plots


def figure_views(figures: Iterable[ReportFigure], runs: Iterable[Run]) -> tuple[FigureView, ...]:
    """The plots of a stage, each named with its step: two may show the same of one output."""
    checks = {run.step_number: run.step.check for run in runs}
    return tuple(
        _figure_view(figure, f"Step {figure.step_number}, {check} – {figure.title}")
        for figure in figures
        if (check := checks.get(figure.step_number or 0)) is not None
    )


def _figure_view(figure: ReportFigure, title: str) -> FigureView:
    seen = " ".join(shown_words(figure.plot))
    return FigureView(
        figure.name,
        title,
        figure.caption,
        f"Plot. {title}. {seen}".strip(),
        isinstance(figure.plot, SpectrumPlot | CurvePlot),
    )


def shown_words(plot: Plot) -> Iterator[str]:
    """What is to be seen in a plot, one sentence a channel and stage."""
    match plot:
        case SpectrumPlot():
            for panel in plot.panels:
                for name, curve in _sides(plot, panel.before, panel.after):
                    yield f"{_where(panel.title, name)}: {_highest(curve)}."
        case CurvePlot():
            for panel in plot.panels:
                for name, curve in _sides(plot, panel.before, panel.after):
                    low, high = np.nanmin(curve.y), np.nanmax(curve.y)
                    yield f"{_where(panel.title, name)}: {_number(low)} to {_number(high)} dB."
        case HarmonicsPlot():
            for bars in plot.panels:
                for name, values in _sides(plot, bars.before, bars.after):
                    k = int(np.argmax(values))
                    yield (
                        f"{_where(bars.title, name)}: the strongest overtone is {k + 2}×, "
                        f"{_number(values[k])} dB."
                    )
        case TimePlot():
            for one in plot.panels:
                events = [event for event in one.events if event.kind != "mark"]
                yield f"{one.title}: {_counted(events)}."
        case WearPlot():
            for wear in plot.panels:
                for name, side in _sides(plot, wear.before, wear.after):
                    yield f"{_where(wear.title, name)}: {_wear_words(side)}."
        case SoakPlot():
            for name, soak in _sides(plot, plot.before, plot.after):
                count = len(soak.onsets)
                onsets = f"{count or 'no'} onset{'s' * (count != 1)}"
                yield f"{name}: {_counted(soak.events)}, {onsets}."


def _sides(
    plot: SpectrumPlot | CurvePlot | HarmonicsPlot | WearPlot | SoakPlot,
    before: T | None,
    after: T | None,
) -> list[tuple[str, T]]:
    named = ((plot.before_name, before), (plot.after_name, after))
    return [(name, side) for name, side in named if side is not None]


def _where(title: str, name: str) -> str:
    return ", ".join(filter(None, (title, name)))


def _highest(curve: Curve) -> str:
    at = int(np.argmax(curve.y))
    if curve.y[at] <= FLOOR_DB:
        return "nothing at all"
    return f"the highest line is {_number(curve.y[at])} dBFS at {curve.x[at]:.0f} Hz"


def _counted(events: Sequence[Event]) -> str:
    kinds = [event.kind for event in events]
    counts = [f"{kinds.count(kind)} × {EVENT_WORDS[kind]}" for kind in dict.fromkeys(kinds)]
    return ", ".join(counts) or "no events"


def _wear_words(side: WearSide) -> str:
    passes = f"{len(side.crossed)} passes"
    if side.worn is None or side.dead is None:
        return f"{passes}, too few to tell worn places"
    return ", ".join((passes, _stretches("worn", side.worn), _stretches("dead", side.dead)))


def _stretches(what: str, stretches: Sequence[tuple[float, float]]) -> str:
    if not stretches:
        return f"no {what} place"
    return f"{what} at " + " and ".join(f"{a:.0f} to {b:.0f} %" for a, b in stretches)


def _number(value: Any) -> str:
    return true_minus(f"{float(value):.1f}")


def figures_object(plot: Plot, drawing: Drawing) -> dict[str, Any] | None:
    """The curves of a plot as a JSON-ready object, and where in the drawing they are.

    None for a plot without curves.
    """
    if isinstance(plot, SpectrumPlot):
        x_unit, y_unit = "Hz", "dBFS"
    elif isinstance(plot, CurvePlot):
        x_unit, y_unit = ("Hz" if plot.logarithmic else "%"), "dB"
    else:
        return None
    panels = [
        {
            "title": panel.title,
            "left": frame.left,
            "right": frame.right,
            "top": frame.top,
            "bottom": frame.bottom,
            "x_span": frame.x_span,
            "y_span": frame.y_span,
            "logarithmic": frame.logarithmic,
            "before": _points(panel.before),
            "after": _points(panel.after),
        }
        for panel, frame in zip(plot.panels, drawing.frames, strict=True)
    ]
    return {
        "x_unit": x_unit,
        "y_unit": y_unit,
        "floor": FLOOR_DB,
        "before": plot.before_name,
        "after": plot.after_name,
        "panels": panels,
    }


def _points(curve: Curve | None) -> dict[str, list[float]] | None:
    if curve is None:
        return None
    there = np.isfinite(curve.y)
    return {"x": curve.x[there].tolist(), "y": curve.y[there].tolist()}
