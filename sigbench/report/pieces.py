"""Pieces of a report that several of its parts are made of."""

from dataclasses import dataclass

from sigbench.report.plots import Plot


@dataclass(frozen=True, slots=True)
class PlainTable:
    """A table of words."""

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class ReportFigure:
    """A plot with what it shows in words, and the number of its step, if it is of one."""

    name: str
    title: str
    caption: str
    alt: str
    plot: Plot
    step_number: int | None = None
