"""Plots: whole SVG, the same bytes, nothing from outside."""

import re
from xml.etree import ElementTree

import matplotlib as mpl
import numpy as np
import pytest

from sigbench.model import Event
from sigbench.report.plots import (
    BarPanel,
    Curve,
    CurvePanel,
    CurvePlot,
    HarmonicsPlot,
    Mark,
    SoakPlot,
    SoakRow,
    SoakSide,
    SpectrumPlot,
    TimePanel,
    TimePlot,
    WearPanel,
    WearPlot,
    WearSide,
    _time_unit,
    draw,
    drawing,
)

HERTZ = np.geomspace(20, 20_000, 300)
FLAT = Curve(HERTZ, np.full(300, -110.0) + (np.abs(np.log(HERTZ / 440)) < 0.012) * 100)
TIME = Curve(np.linspace(0, 5, 50), np.full(50, -6.0))
EVENTS = tuple(
    Event(kind, 0.3 * k, 0.3 * k + 0.05, (1,), 40.0)
    for k, kind in enumerate(
        ("dropout", "dip", "crackle", "click", "hum_burst", "lost_buffers", "mark"), 1
    )
)
EDGES = np.linspace(0, 100, 11)
CROSSED = np.ones((3, 10), dtype=bool)
CROSSED[2, 7:] = False
LEVEL = np.full((3, 10), np.nan)
LEVEL[:, 4], LEVEL[1, 8] = (-10.0, -70.0, 3.0), -30.0
WORN = WearSide(EDGES, CROSSED, LEVEL, ((40.0, 50.0),), ((70.0, 75.0),))
NEVER = WearSide(EDGES, CROSSED[:0], LEVEL[:0], None, None)
PLOTS = {
    "spectrum": SpectrumPlot(
        (CurvePanel("Left", FLAT, FLAT, (Mark(440.0, "note"), Mark(15.0, "below"))),) * 2,
        "a $1$ _x",
        "_b <i>",
    ),
    "alone": SpectrumPlot((CurvePanel("", None, FLAT),), "", "after"),
    "silent": SpectrumPlot((CurvePanel("", None, Curve(HERTZ, np.full(300, -180.0))),), "", "a"),
    "response": CurvePlot(
        (CurvePanel("Left", FLAT, FLAT),), "a", "b", "Frequency (Hz)", "Level (dB)", True
    ),
    "gang": CurvePlot((CurvePanel("", None, TIME),), "a", "b", "Travel (%)", "dB", False),
    "bars": HarmonicsPlot(
        (BarPanel("Left", (-40.0, -50.0), (-70.0, -80.0, -90.0)), BarPanel("Right", None, None)),
        "a",
        "b",
    ),
    "taper": CurvePlot(
        (CurvePanel("", TIME, None, reference=TIME),),
        "a",
        "b",
        "Time (%)",
        "dB",
        False,
        reference_name="the law",
        x_range=(0.0, 100.0),
    ),
    "wear": WearPlot((WearPanel("Left", WORN, NEVER), WearPanel("Right", None, WORN)), "_a $", "b"),
    "soak": SoakPlot(
        (1, 2),
        (
            SoakRow(
                "Level", (CurvePanel("Left", TIME, TIME), CurvePanel("Right", None, None)), 1.0
            ),
            SoakRow("Hum", (CurvePanel("Left", None, TIME), CurvePanel("", TIME, None)), 6.0),
        ),
        SoakSide(EVENTS[:-1], ((1, EVENTS[-1]),), ((1, 2.0), (2, 3.0))),
        SoakSide((), (), ((1, 2.5),)),
        "_before $",
        "after",
    ),
    "time": TimePlot(
        (
            TimePanel("Before", ("Left", "Right"), (TIME, TIME), (TIME, TIME), EVENTS),
            TimePanel("After", ("Left",), (TIME,), (TIME,), ()),
        )
    ),
}


@pytest.mark.parametrize("name", PLOTS)
def test_plots_are_whole_and_the_same_each_time(name):
    svg = draw(PLOTS[name], "figure7")
    assert svg == draw(PLOTS[name], "figure7")
    text = svg.decode()
    assert text.startswith("<svg")
    ElementTree.fromstring(text)
    assert "<text" not in text  # outlines: no font of the machine takes part
    assert "dc:date" not in text
    references = re.findall(r'href="([^"]*)"|url\(([^)]*)\)', text)
    assert all((a or b).startswith("#figure7-") for a, b in references)
    identities = re.findall(r'\bid="([^"]*)"', text)
    assert all(identity.startswith("figure7-") for identity in identities)
    assert {(a or b)[1:] for a, b in references} <= set(identities)


def test_settings_of_the_machine_take_no_part():
    plain = draw(PLOTS["bars"], "figure1")
    with mpl.rc_context({"font.size": 20, "svg.fonttype": "none", "axes.grid": False}):
        assert draw(PLOTS["bars"], "figure1") == plain
        assert mpl.rcParams["font.size"] == 20


def test_frames_lie_where_the_axes_are_drawn():
    """Against the rectangles that matplotlib itself clips the curves with."""
    panels = tuple(CurvePanel(title, FLAT, FLAT) for title in ("Left", "Right"))
    drawn = drawing(SpectrumPlot(panels, "before", "after"), "a")
    svg = drawn.svg.decode()
    _, _, width, height = map(float, re.search(r'viewBox="([^"]*)"', svg)[1].split())
    found = re.findall(r'<rect x="(.*?)" y="(.*?)" width="(.*?)" height="(.*?)"/>', svg)
    boxes = sorted(tuple(map(float, box)) for box in found)
    assert len(drawn.frames) == len(boxes) == 2
    for frame, (x, y, wide, high) in zip(drawn.frames, boxes, strict=True):
        edges = (frame.left, frame.right, frame.top, frame.bottom)
        expected = (x / width, (x + wide) / width, y / height, (y + high) / height)
        assert edges == pytest.approx(expected, abs=1e-4)  # matplotlib writes six digits
        assert frame.x_span == (20.0, 20_000.0)
        assert frame.logarithmic


def test_before_and_after_differ_by_shape():
    hatched = draw(PLOTS["bars"], "f").decode()
    assert "<pattern" in hatched
    for name in ("response", "soak"):
        assert "stroke-dasharray" in draw(PLOTS[name], "f").decode()


def test_a_worn_place_and_a_dead_one_differ_by_their_filling():
    assert "<pattern" in draw(PLOTS["wear"], "f").decode()


@pytest.mark.parametrize(("last", "symbol"), [(5.0, "s"), (3600.0, "min"), (86_400.0, "h")])
def test_time_is_counted_in_units_that_suit_it(last, symbol):
    assert _time_unit(last)[1] == symbol
