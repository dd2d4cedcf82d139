"""A software instrument on a sound server, watched in a browser: the program opens its device."""

import re
import subprocess
import sys
from types import SimpleNamespace
from urllib.parse import urlsplit

import pytest

from sigbench.bench.folder import Bench
from tests.interface.conftest import running_sound_server
from tests.interface.instrument import Sound, running_instrument
from tests.page.conftest import UNIT, phase

pytestmark = pytest.mark.real_time

BREAK_SECONDS = 0.2
NOTE = Sound("note", noise_dbfs=-90.0)


@pytest.fixture
def instrument():
    with (
        running_sound_server(rig_rate=48_000) as server,
        running_instrument(server.environment, sound=NOTE) as running,
    ):
        running.environment = server.environment
        yield running


@pytest.fixture
def ask(folder, instrument):
    """The program as a person starts it; where its page is."""
    with subprocess.Popen(
        [sys.executable, "-m", "sigbench", "page", "--no-browser", "--port", "0",
         "--folder", str(folder)],
        env=instrument.environment,
        stderr=subprocess.PIPE,
        text=True,
    ) as program:  # fmt: skip
        said = program.stderr.readline()
        address = re.search(r"http://\S+", said)[0]
        yield SimpleNamespace(address=address, host=urlsplit(address).netloc)
        program.terminate()


def test_what_an_instrument_does_is_seen_and_stored(open_page, instrument, folder):
    page = open_page(f"/unit/{UNIT}")
    page.get_by_role("button", name="Move its jacks").click()
    sources = page.locator("select[name=source] option").all_inner_texts()
    page.select_option("select[name=source]", label=next(s for s in sources if "rig" in s))
    page.get_by_role("button", name="Begin").click()
    phase(page, "ready")
    page.keyboard.press("Space")
    phase(page, "recording")
    page.wait_for_selector("#clock:text-matches(' 0:0[2-9], ')")  # the sound is known by then
    level = page.locator(".level .figure span").first.inner_text()
    assert -24 < float(level.replace("−", "-")) < -12  # a saw of −12 dBFS peak

    instrument.drop(BREAK_SECONDS, (1,))
    page.wait_for_selector("#events li:has-text('SIGNAL LOST')")
    page.wait_for_selector(r"#tallies li:text-matches('^main L: \\d+ in')")
    page.keyboard.press("1")
    page.wait_for_selector("#events li:has-text('mark: tapped')")
    page.keyboard.press("Space")
    page.wait_for_selector("#clock:has-text('main R (2 of 2)')")
    instrument.drop(BREAK_SECONDS, (2,))
    page.wait_for_selector(r"#tallies li:text-matches('^main R: \\d+ in')")
    page.keyboard.press("q")
    phase(page, "over")

    with Bench.open(folder) as bench:
        (run,) = bench.runs(UNIT)
    assert run.rig.device.startswith("rig")
    assert [mark.text or mark.place for mark in run.takes[0].marks] == [
        "main L",
        "tapped",
        "main R",
    ]
    breaks = {
        event.channels: event.end - event.start
        for event in run.measurements[0].events
        if event.kind == "dropout"
    }
    assert breaks[(1,)] == pytest.approx(BREAK_SECONDS, abs=0.005)
    assert breaks[(2,)] == pytest.approx(BREAK_SECONDS, abs=0.005)
