"""Plots of a soak: level, pitch, hum and noise against time, both stages in the same axes."""

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from sigbench.checks.soak import COURSES, SoakCourse, SoakCourses, soak_courses
from sigbench.model import Event, Measurement
from sigbench.report.plots import Curve, CurvePanel, Plot, SoakPlot, SoakRow, SoakSide

NAMED_MARKS = 12  # of each stage that the caption tells; the plot shows all
BREAK = 2.5  # times the usual step: a longer one is a gap in the course

_TITLES = {"level": "Level", "pitch": "Pitch", "hum": "Hum", "noise": "Noise"}
_LEAST_SPANS = {"level": 1.0, "pitch": 4.0, "hum": 6.0, "noise": 6.0}


def soak_plots(
    before: Measurement | None,
    after: Measurement | None,
    before_name: str,
    after_name: str,
    title: Callable[[int], str],
    most: int,
) -> Iterator[tuple[str, str, Plot]]:
    """Title, caption and plot of the courses of two soaks; nothing where they have none.

    Parameters
    ----------
    title : callable
        Gives the name of a channel.
    most : int
        Channels that are drawn.
    """
    soaks = [None if one is None else soak_courses(one) for one in (before, after)]
    found = [course for soak in soaks if soak is not None for course in soak.courses]
    channels = sorted({course.channel for course in found})[:most]
    rows = []
    for name, (unit, _, _) in COURSES.items():
        panels = tuple(
            CurvePanel(
                title(channel),
                _course(soaks[0], name, channel),
                _course(soaks[1], name, channel),
            )
            for channel in channels
        )
        if any(panel.before or panel.after for panel in panels):
            rows.append(SoakRow(f"{_TITLES[name]}\n({unit})", panels, _LEAST_SPANS[name]))
    if not rows:
        return
    sides: list[SoakSide | None] = []
    told: list[str] = []
    number = 0
    for soak, name in zip(soaks, (before_name, after_name), strict=True):
        if soak is None:
            sides.append(None)
            continue
        numbered = tuple((number + k, mark) for k, mark in enumerate(soak.marks, 1))
        number += len(numbered)
        sides.append(SoakSide(soak.events, numbered, soak.onsets))
        told += _marks_in_words(numbered, name)
    marks = f" Marks: {'; '.join(told)}." if told else ""
    onsets = " An onset is where something left its earlier course."
    yield (
        "over time, while the unit was left running",
        "A unit at rest gives flat lines; pitch and level may drift while it warms up."
        f"{onsets if any(soak and soak.onsets for soak in soaks) else ''}{marks}",
        SoakPlot(tuple(channels), tuple(rows), sides[0], sides[1], before_name, after_name),
    )


def _course(soak: SoakCourses | None, name: str, channel: int) -> Curve | None:
    course = None if soak is None else soak.named(name, channel)
    return None if course is None or not course.points else _curve(course)


def _curve(course: SoakCourse) -> Curve:
    """The points, with a break in the line where some are missing."""
    times, values = np.array(course.points).T
    steps = np.diff(times)
    if len(steps) > 1:
        gaps = np.flatnonzero(steps > BREAK * np.median(steps)) + 1
        times = np.insert(times, gaps, times[gaps - 1])
        values = np.insert(values, gaps, np.nan)
    return Curve(times, values)


def _marks_in_words(marks: Sequence[tuple[int, Event]], stage: str) -> Iterator[str]:
    for number, mark in marks[:NAMED_MARKS]:
        words = mark.text or "without words"
        yield f"{number} {words} ({stage}, {_clock(mark.start)})"
    if len(marks) > NAMED_MARKS:
        yield f"and {len(marks) - NAMED_MARKS} more ({stage})"


def _clock(seconds: float) -> str:
    if seconds < 60:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60} min"
