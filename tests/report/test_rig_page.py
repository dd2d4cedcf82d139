"""The page on the equipment: only where something is known of it, and with its own figures."""

from dataclasses import replace

import pytest

from sigbench.model import Calibration, FullScale, Meter, Reading, RigLimits
from sigbench.report.content import build_content
from sigbench.report.render import render
from sigbench.report.rig_page import rig_pages
from tests.report.scenario import UNIT, make_scenario
from tests.report.test_render import pdf_text

CALIBRATION = Calibration(
    "2026-10-01T10:00:00+00:00",
    48_000,
    "noon",
    400.0,
    Meter(0.8, 3, true_rms=True),
    (FullScale(1, 18.0, 0.05), FullScale(2, 18.0, 0.05)),
    (FullScale(1, 20.0, 0.0512), FullScale(2, 20.2, 0.0512)),
)
LIMITS = RigLimits(
    "2026-10-02T10:00:00+00:00",
    48_000,
    "noon",
    (
        Reading("noise_a", -112.84, "dBFS", 1, 0.02),
        Reading("noise_a", -111.2, "dBFS", 2, 0.02),
        Reading.invalid("hum_1x", "dBFS", "digital silence", channel=1),
        Reading("thd_n_by_level", ((-60.0, -45.0), (-21.0, -84.1), (-3.0, -92.0)), "dB", 1),
        Reading("response", ((20.0, -0.2), (1000.0, 0.0), (20_000.0, -0.1)), "dB", 1),
        Reading.invalid("high_corner", "Hz", "it has not fallen", channel=1),
        Reading("balance", 0.2, "dB", None, 0.01, channels=(1, 2)),
        Reading("clock_difference", 0.01, "ppm", None, 0.01),
    ),
)


def with_rig(runs, **changes):
    return [
        run if run.rig.interface == "meter" else replace(run, rig=replace(run.rig, **changes))
        for run in runs
    ]


def test_a_rig_of_which_nothing_is_known_has_no_page():
    scenario = make_scenario()
    assert not list(rig_pages([*scenario.after, *scenario.before]))


def test_one_page_for_one_rig():
    scenario = make_scenario()
    runs = with_rig([*scenario.after, *scenario.before], calibration=CALIBRATION, limits=LIMITS)
    (page,) = rig_pages(runs)
    assert page.table is not None
    cells = {row[0]: row[1:] for row in page.table.rows}
    assert cells["Noise, A-weighted"] == ("−112.84 ± 0.04 dBFS", "−111.20 ± 0.04 dBFS")
    assert cells["Hum at mains frequency"] == ("digital silence", "–")
    assert cells["Upper corner (−3 dB)"][0] == "above the highest tone measured"
    levels = [row[1] for row in page.table.rows if row[0].startswith("Distortion and noise")]
    assert levels == ["−92.0 dB at −3 dBFS", "−84.1 dB at −21 dBFS", "−45.0 dB at −60 dBFS"]
    assert cells["Left minus right"][0] == "0.20 ± 0.02 dB"
    assert "input 1: 20.00 ± 0.10 dBu, 7.75 V RMS" in " ".join(page.sentences)
    assert [figure.name for figure in page.figures] == ["rig1-thd-n-by-level", "rig1-response"]


def test_a_calibration_alone_makes_a_page_without_a_table():
    (page,) = rig_pages(with_rig(make_scenario().after, calibration=CALIBRATION))
    assert page.table is None
    assert not page.figures


@pytest.fixture(scope="module")
def rendered():
    scenario = make_scenario()
    content = build_content(
        UNIT,
        with_rig(scenario.after, calibration=CALIBRATION, limits=LIMITS),
        before=with_rig(scenario.before, calibration=CALIBRATION, limits=LIMITS),
        comparison=scenario.comparison,
        takes=scenario.look_up,
        made="2026-11-25",
    )
    return render(content, ["pdf", "html"])


def test_it_is_in_the_pdf_and_in_the_page(rendered):
    text = pdf_text(rendered["report.pdf"])
    assert "What the equipment does by itself" in text
    assert "−112.84 ± 0.04 dBFS" in text
    html = rendered["report.html"].decode()
    assert "What the equipment does by itself" in html
    assert 'id="rig1-response' in html
