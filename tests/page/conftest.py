"""A bench with a unit, its page, and a browser."""

import os
import shutil
from dataclasses import dataclass, field

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright

from sigbench.bench.folder import Bench
from sigbench.model import CheckSettings, Output, Plan, Rail, Step, Unit
from tests.page.asking import PATIENCE_SECONDS, serving

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
PATIENCE_MS = 1000 * PATIENCE_SECONDS

SERIOUS = ("serious", "critical")
PHONE = {"viewport": {"width": 360, "height": 740}}  # CSS pixels
UNIT = "own-two-voice-1"
STEPS = (
    Step("rails", "supply", "Measure the rails.", rails=(Rail("+15 V", 15), Rail("-15 V", -15))),
    Step("idle", "main", "Play nothing.", seconds=2),
    Step(
        "tone",
        "main",
        "Hold A4.",
        seconds=1,
        repeats=2,
        settings=CheckSettings(frequency_hz=440, mains_hz=50),
    ),
)


def make_bench(folder, *steps):
    """A bench folder with one unit and a plan of these steps."""
    with Bench.create(folder) as bench:
        unit = Unit("Own", "Two-voice", "1", (Output("main"),), 230.0, 50.0)
        assert bench.add_unit(unit) == UNIT
        bench.set_plan(UNIT, Plan("plan", steps or STEPS))
    return folder


def phase(page, name):
    """Wait until what is steered has come to a phase."""
    page.wait_for_selector(f"#steered[data-phase={name}]")


def serious_faults(page):
    """What axe-core finds that shuts out who sees or reaches less (WCAG 2.2 A and AA)."""
    found = Axe().run(page).response["violations"]
    return [(one["id"], one["nodes"][0]["html"]) for one in found if one["impact"] in SERIOUS]


@pytest.fixture
def folder(tmp_path):
    return make_bench(tmp_path / "bench")


@pytest.fixture
def ask(folder):
    with serving(folder) as asker:
        yield asker


@pytest.fixture(scope="session")
def browser():
    if CHROMIUM is None:
        pytest.skip("needs Debian's chromium")
    with sync_playwright() as playwright:
        # As root a browser has no sandbox of its own; it shows nothing but our own page.
        arguments = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=arguments)
        yield chromium
        chromium.close()


@dataclass
class Seen:
    """What a browser met: whatever was wrong, and every address it asked for."""

    wrong: list = field(default_factory=list)
    asked: list = field(default_factory=list)


@pytest.fixture
def open_page(browser, ask):
    """Opens the page in a new tab of a browser of its own; at the end nothing was wrong."""
    contexts, seen = [], Seen()

    def open_it(address="", **options):
        context = browser.new_context(**{"viewport": {"width": 1280, "height": 900}, **options})
        contexts.append(context)
        context.set_default_timeout(PATIENCE_MS)
        page = context.new_page()
        page.on("console", lambda said: said.type == "error" and seen.wrong.append(said.text))
        page.on("pageerror", lambda error: seen.wrong.append(str(error)))
        page.on("request", lambda request: seen.asked.append(request.url))
        page.on("websocket", lambda socket: seen.asked.append(socket.url))
        page.goto(ask.address)
        if address:
            page.goto(f"http://{ask.host}{address}")
        return page

    open_it.seen = seen
    yield open_it
    for context in contexts:
        context.close()
    outside = [url for url in seen.asked if url.split("/")[2] != ask.host and url[:5] != "data:"]
    assert outside == []
    assert seen.wrong == []
