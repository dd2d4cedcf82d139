"""Report of what hands do: a control turned, jacks moved, a unit left running."""

from dataclasses import replace
from functools import cache
from xml.etree import ElementTree

import numpy as np
import pytest

from sigbench.compare import compare_stages
from sigbench.model import CheckSettings, Event
from sigbench.report.content import build_content
from sigbench.report.plots import CurvePlot, SoakPlot, WearPlot, draw
from sigbench.report.render import render
from sigbench.report.soaked import soak_plots
from sigbench.report.tallies import tally_table
from sigbench.report.turned import turned_plots, turned_twice
from tests.report.hands import NAMES, UNIT, left_running, make_hands

hands = cache(make_hands)
POT, JACK, SOAK = range(3)


def content(**changes):
    arguments = {
        "before": hands().before,
        "comparison": hands().comparison,
        "takes": hands().look_up,
        "made": "2026-11-25",
    }
    return build_content(UNIT, hands().after, **(arguments | changes))


@pytest.fixture(scope="module")
def report():
    return content()


def figures(report, kind):
    found = [f for f in (*report.front_figures, *report.figures) if isinstance(f.plot, kind)]
    return {f.title.partition(": ")[2]: f for f in found}


def channel(number):
    return ("Left", "Right")[number - 1]


def test_passes_are_laid_over_one_another_before_and_after(report):
    (figure,) = figures(report, WearPlot).values()
    left, right = figure.plot.panels
    assert (left.title, right.title) == ("Left", "Right")
    # The track was made with places worn from 38 to 47 % and from 72 to 75 %.
    assert np.array(left.before.worn) == pytest.approx(np.array([(38, 47), (72, 75)]), abs=3)
    assert left.after.worn == right.before.worn == right.after.worn == ()
    assert len(left.before.crossed) == 6
    assert len(left.after.crossed) == 5
    assert "audio, 15 % at half travel" in figure.caption


def test_the_gang_error_of_both_stages_shares_its_axes(report):
    plots = figures(report, CurvePlot)
    gang = plots["left against right along the control's way"].plot
    assert gang.x_range == (0.0, 100.0)
    (panel,) = gang.panels
    for curve in (panel.before, panel.after):
        loud = curve.x >= 40
        true = 1.2 * np.sin(2.5 * curve.x[loud] / 100) + 0.2
        assert np.abs(curve.y[loud] - true).max() < 0.1


def test_the_taper_is_drawn_beside_its_law(report):
    plot = figures(report, CurvePlot)["taper: level along the control's way"].plot
    (panel,) = plot.panels
    for curve in (panel.before, panel.after):
        # A hand of uneven speed: within a tenth of the travel of the law.
        law = np.interp(curve.y, panel.reference.y, panel.reference.x)
        assert np.abs(curve.x - law).max() < 10
    assert plot.reference_name == "the law"


def test_a_law_that_was_not_told_is_one_for_both_stages():
    takes = [hands().look_up(runs[POT].takes[0]) for runs in (hands().before, hands().after)]
    found = turned_twice(*takes, CheckSettings())
    assert {one.taper for one in (*found.before, *found.after)} == {found.after[0].taper}
    first = next(turned_plots(found, *NAMES, channel, 2))
    assert "guessed from the turning" in first[1]
    alone = turned_twice(takes[0], None, CheckSettings(taper="linear"))
    assert (len(alone.before), alone.after) == (1, ())
    assert turned_twice(None, None, CheckSettings()) is None
    for _, _, plot in turned_plots(alone, *NAMES, channel, 2):
        ElementTree.fromstring(draw(plot, "figure1"))


def test_without_the_takes_the_readings_give_what_they_can():
    report = content(takes=lambda record: None)
    assert not figures(report, WearPlot)
    assert "left against right along the control's way" in figures(report, CurvePlot)


def test_a_jack_step_has_the_tally_of_each_jack(report):
    (table,) = [t for t in report.tables if t.tally is not None]
    assert "plug" in table.title
    assert table.tally.columns == ("Jack", "As received", "After cleaning")
    assert table.tally.rows == (
        ("main L", "3 in 4 s (3 dropouts), worst 240 ms to silence", "nothing in 4 s"),
        ("main R", "nothing in 4 s", "nothing in 4 s"),
    )


def test_a_jack_of_one_stage_alone_is_not_left_out():
    def renamed(event):
        return replace(event, place="phones") if event.place == "main R" else event

    after = hands().after[JACK]
    (found,) = after.measurements
    other = replace(found, events=tuple(map(renamed, found.events)))
    table = tally_table(hands().before[JACK], replace(after, measurements=(other, other)), *NAMES)
    assert [row[0] for row in table.rows] == ["main L", "phones", "main R"]
    assert table.rows[1][1:] == ("not moved", "nothing in 8 s")
    assert table.rows[2][2] == "not moved"
    alone = tally_table(None, hands().before[JACK], "", "as received")
    assert alone.columns == ("Jack", "As received")


def test_courses_of_a_soak_are_overlaid_with_marks_and_onset(report):
    (figure,) = figures(report, SoakPlot).values()
    plot = figure.plot
    assert [row.y_label.partition("\n")[0] for row in plot.rows] == [
        "Level", "Pitch", "Hum", "Noise",
    ]  # fmt: skip
    hum = plot.rows[2].panels[0]
    assert hum.before.y[-1] > hum.after.y[-1] + 20
    assert plot.before.onsets == ((1, 2400.0),)
    assert plot.after.onsets == ()
    assert [number for number, _ in plot.after.marks] == [3, 4]
    assert "2 tapped the regulator board (as received, 45 min)" in figure.caption
    assert "onset" in figure.caption


def test_a_soak_without_the_earlier_one_and_with_a_gap():
    whole = left_running(ill=True)

    def cut(reading):
        if not isinstance(reading.value, tuple):
            return reading
        kept = tuple(p for p in reading.value if not 600 < p[0] < 900)
        return replace(reading, value=kept, uncertainty=(0.05,) * len(kept))

    marks = tuple(Event("mark", 60.0 * k, 60.0 * k, (), text=f"m{k}") for k in range(20))
    found = replace(whole, readings=tuple(map(cut, whole.readings)), events=marks)
    ((_, caption, plot),) = soak_plots(None, found, *NAMES, channel, 2)
    assert plot.before is None
    assert "and 8 more" in caption
    (row, *_) = plot.rows
    assert np.isnan(row.panels[0].after.y).sum() == 1
    ElementTree.fromstring(draw(plot, "figure1"))


def test_all_forms_hold_the_plots_and_the_tally():
    made = content()
    files = render(made, ["pdf", "html"])
    page = files["report.html"].decode()
    assert "worst 240 ms to silence" in page
    assert page.count("<svg") == len(made.front_figures) + len(made.figures)
    assert files == render(content(), ["pdf", "html"])


def test_one_stage_alone_can_be_reported():
    alone = content(before=(), comparison=None)
    (figure,) = figures(alone, WearPlot).values()
    assert figure.plot.panels[0].before is None
    ElementTree.fromstring(draw(figure.plot, "figure1"))


def test_a_cleaned_control_is_called_better():
    compared = compare_stages(hands().before, hands().after, before_name="a", after_name="b")
    verdicts = {(c.name, c.channel): c.verdict for c in compared.comparisons if c.check == "pot"}
    assert verdicts["worn_share", 1] == verdicts["worn_travel", 1] == "better"
    assert verdicts["worn_share", 2] == "no change"
    assert verdicts["crackle_energy", 1] == "better"
