"""The bench page in a real browser: a whole job by clicks and keys, and what must never be seen."""

import re
import time

import pytest

from sigbench.bench.folder import Bench
from tests.page.asking import serving
from tests.page.conftest import PATIENCE_MS, PHONE, UNIT, phase, serious_faults


def until(page, expression, given=None):
    """Wait until something holds in a page; its policy forbids the browser's own way to wait."""
    late = time.monotonic() + PATIENCE_MS / 1000
    while not page.evaluate(expression, given):
        assert time.monotonic() < late, expression
        page.wait_for_timeout(20)


def begin_stage(page, source="simulated:as-received"):
    page.locator("section.next a").click()
    page.select_option("select[name=source]", source)
    page.get_by_role("button", name="Begin").click()


def test_a_whole_job_by_clicks_and_keys(open_page, folder):
    page = open_page()
    page.get_by_role("link", name=re.compile("Two-voice")).click()
    begin_stage(page)
    phase(page, "rails")
    page.get_by_role("button", name="Store").click()
    for _ in range(3):  # idle, and two takes of the tone
        phase(page, "ready")
        question = page.locator("#steered").get_attribute("data-question")
        page.keyboard.press("Space")
        until(
            page,
            "asked => document.getElementById('steered').dataset.question !== asked",
            question,
        )
    phase(page, "over")
    assert "3 steps are measured and stored" in page.inner_text("#prompt")
    page.get_by_role("link", name="To the unit").click()
    page.locator("#arrival").wait_for()
    assert "3 of 3 steps" in page.inner_text("body")
    assert "Repair it, then measure it again" in page.inner_text("section.next")
    with Bench.open(folder) as bench:
        assert [run.step_number for run in bench.runs(UNIT)] == [1, 2, 3]


@pytest.fixture
def ask(folder):
    """As slow as a real unit, so that there is something to watch."""
    with serving(folder, paced=True) as asker:
        yield asker


def test_a_reload_in_mid_run_loses_nothing_and_a_second_page_watches(open_page, ask):
    page = open_page(f"/unit/{UNIT}")
    page.get_by_role("button", name="Move its jacks").click()
    page.select_option("select[name=source]", "simulated:as-received")
    page.get_by_role("button", name="Begin").click()
    phase(page, "ready")
    page.keyboard.press("Space")
    phase(page, "asking")
    page.keyboard.press("k")
    phase(page, "recording")
    until(page, "window.framesShown > 5")
    assert re.fullmatch(r"−\d+\.\d", page.locator(".level .figure span").first.inner_text())
    page.keyboard.press("1")
    page.wait_for_selector("#events li:has-text('mark: tapped')")
    assert serious_faults(page) == []
    page.reload()
    phase(page, "recording")
    page.wait_for_selector("#events li:has-text('mark: tapped')")
    assert page.get_by_role("button", name="Stop").is_visible()

    other = open_page("/measuring")
    phase(other, "recording")
    assert other.locator("#others").is_visible()
    assert other.locator("#choices button").count() == 0
    other.keyboard.press("q")
    until(other, "window.framesShown > 5")
    assert ask.page.desk.watched.moment.phase == "recording"
    page.wait_for_selector("#tallies li:has-text('dropout')")
    page.keyboard.press("Space")
    page.wait_for_selector("#clock:has-text('main R (2 of 2)')")
    page.keyboard.press("q")
    phase(page, "over")
    phase(other, "over")
    assert serious_faults(page) == []


@pytest.mark.parametrize("look", ["light", "dark"])
@pytest.mark.parametrize("address", ["/", f"/unit/{UNIT}", f"/unit/{UNIT}/measure", "/measuring"])
def test_no_serious_fault_for_who_sees_or_reaches_less(open_page, address, look):
    page = open_page(address, color_scheme=look)
    assert serious_faults(page) == []


@pytest.mark.parametrize("address", ["/", f"/unit/{UNIT}", f"/unit/{UNIT}/measure", "/measuring"])
def test_a_phone_need_not_be_moved_sideways(open_page, address):
    page = open_page(address, **PHONE)
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    small = page.evaluate(
        "[...document.querySelectorAll('button, .button, select')]"
        ".filter(e => e.offsetHeight && e.offsetHeight < 44).length"
    )
    assert small == 0  # 44 CSS pixels: WCAG 2.2, 2.5.5


def test_script_in_a_units_name_is_shown_and_not_run(open_page, ask):
    page = open_page()
    page.fill("input[name=maker]", "Own")
    page.fill(
        "input[name=model]", "<script>window.mine=1</script><img src=/x onerror=window.mine=1>"
    )
    page.fill("input[name=serial]", "</textarea><b>9</b>")
    page.get_by_role("button", name="Add", exact=True).click()
    page.locator("#arrival").wait_for()
    assert "<script>" in page.inner_text("h1")
    begin_stage(page)
    phase(page, "rails")
    assert "</textarea>" in page.inner_text("#where")
    page.keyboard.press("Tab")
    assert page.evaluate("window.mine") is None
    ask.page.desk.watched.answer(ask.page.desk.watched.moment.question, "stop")
    phase(page, "over")
