"""The bench page as it is really served, asked with and without a browser."""

import http.client
import os
import shutil
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from threading import Thread

import pytest
from playwright.sync_api import sync_playwright

from sigbench.bench.folder import Bench
from sigbench.model import CheckSettings, Output, Plan, Rail, Step, Unit
from sigbench.page.serve import BenchPage

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
PATIENCE_MS = 60_000  # of a machine that is busy with other tests

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


@dataclass
class Answer:
    """What the program answered."""

    status: int
    headers: http.client.HTTPMessage
    body: bytes

    @property
    def text(self):
        return self.body.decode()


@dataclass
class Asker:
    """Asks the page for things, as a browser with the key would, or otherwise."""

    served: BenchPage
    headers: dict = field(default_factory=dict)

    @property
    def host(self):
        return self.served.served.addresses[0].split("/")[2]

    @property
    def cookie(self):
        access = self.served.served.access
        return f"{access.cookie}={access.key}"

    def __call__(self, method, path, body=None, **headers):
        """Ask; a header that is None is left out."""
        usual = {"Host": self.host, "Cookie": self.cookie, "Origin": f"http://{self.host}"}
        sent = {**usual, **self.headers, **headers}
        address, _, port = self.host.partition(":")
        with closing(http.client.HTTPConnection(address, int(port), timeout=60)) as connection:
            connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            for name, value in sent.items():
                if value is not None:
                    connection.putheader(name.replace("_", "-"), value)
            if body is not None and "Content_Length" not in headers:
                connection.putheader("Content-Length", str(len(body)))
            connection.endheaders(body)
            answer = connection.getresponse()
            return Answer(answer.status, answer.headers, answer.read())

    def get(self, path, **headers):
        return self("GET", path, **headers)

    def post(self, path, body=b"", **headers):
        return self("POST", path, body.encode() if isinstance(body, str) else body, **headers)


@contextmanager
def serving(folder, **options):
    """The page of a folder, served from a thread."""
    page = BenchPage(folder, **{"paced": False, **options})
    thread = Thread(target=page.run, daemon=True)
    thread.start()
    try:
        yield page
    finally:
        page.stop()
        thread.join(10)


@pytest.fixture
def folder(tmp_path):
    return make_bench(tmp_path / "bench")


@pytest.fixture
def served(folder):
    with serving(folder) as page:
        yield page


@pytest.fixture
def ask(served):
    return Asker(served)


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
def open_page(browser, served):
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
        page.goto(served.served.addresses[0])
        if address:
            page.goto(f"http://{Asker(served).host}{address}")
        return page

    yield open_it
    for context in contexts:
        context.close()
    host = Asker(served).host
    outside = [url for url in seen.asked if url.split("/")[2] != host and url[:5] != "data:"]
    assert outside == []
    assert seen.wrong == []
