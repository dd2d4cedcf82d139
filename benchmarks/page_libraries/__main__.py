"""NiceGUI against Starlette with a canvas of our own, as a page of live levels.

Run by hand, in a virtual environment of its own, with Chromium installed::

    pip install nicegui starlette uvicorn websockets psutil numpy
    python -m benchmarks.page_libraries [rounds] [seconds of a run] [seconds of the memory run]

Every figure is the median of the rounds, in which the variants take turns; the memory run is one
of its own, of both libraries at once, and alone where there are 0 rounds. Figures of different
machines do not compare; the ratios of one run do.
"""

import json
import secrets
import socket
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from importlib import metadata
from typing import Any

import psutil
from websockets.exceptions import InvalidStatus
from websockets.sync.client import ClientConnection, connect

from benchmarks.page_libraries.shared import HOST

CHROMIUM = "/usr/bin/chromium"
BROUGHT = {"nicegui": ["nicegui"], "starlette": ["starlette", "uvicorn", "websockets"]}
SOCKET_PATH = {
    "nicegui": "/_nicegui_ws/socket.io/?EIO=4&transport=websocket",
    "starlette": "/levels",
}
VARIANTS = [
    ("nicegui", "whole"),
    ("starlette", "whole"),
    ("nicegui", "newest"),
    ("starlette", "newest"),
    ("starlette", "binary"),
]
CASES = [(2, 25.0), (2, 60.0), (8, 25.0)]  # channels, updates a second
MB = 1e6


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return probe.getsockname()[1]


def status(address: str, **headers: str) -> int:
    try:
        request = urllib.request.Request(f"http://{address}", headers=headers)
        return urllib.request.urlopen(request, timeout=5).status
    except urllib.error.HTTPError as error:
        return error.code
    except urllib.error.URLError:
        return 0


@contextmanager
def served(library: str, variant: str, channels: int, rate: float) -> Iterator[Any]:
    """The page's server in a process of its own: its process, address and token."""
    port, token = free_port(), secrets.token_hex()
    module = f"benchmarks.page_libraries.{library}_page"
    words = [variant, str(port), str(channels), str(rate), token]
    server = subprocess.Popen([sys.executable, "-m", module, *words], stdout=subprocess.DEVNULL)
    try:
        while status(f"{HOST}:{port}") == 0:
            assert server.poll() is None, "the server has ended"
            time.sleep(0.1)
        yield psutil.Process(server.pid), f"{HOST}:{port}", token
    finally:
        server.terminate()
        server.wait()


class Tab:
    """A page in a Chromium of its own, by the DevTools protocol; `asked` is all it loaded."""

    def __init__(self, devtools: ClientConnection, process: psutil.Process) -> None:
        self._devtools, self.process = devtools, process
        self.asked: list[str] = []

    def call(self, method: str, **params: Any) -> Any:
        self._devtools.send(json.dumps({"id": 1, "method": method, "params": params}))
        while (message := json.loads(self._devtools.recv())).get("id") != 1:
            if message["method"] == "Network.requestWillBeSent":
                self.asked.append(message["params"]["request"]["url"])
            elif message["method"] == "Network.webSocketCreated":
                self.asked.append(message["params"]["url"])
        return message["result"]

    def value(self, expression: str) -> Any:
        return self.call("Runtime.evaluate", expression=expression, returnByValue=True)["result"][
            "value"
        ]

    def processes(self) -> list[psutil.Process]:
        return [self.process, *self.process.children(recursive=True)]


@contextmanager
def shown(address: str, token: str) -> Iterator[Tab]:
    port = free_port()
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        options = ["--headless=new", "--no-sandbox", "--no-first-run", f"--user-data-dir={profile}"]
        command = [CHROMIUM, *options, f"--remote-debugging-port={port}", "about:blank"]
        browser = subprocess.Popen(command, stderr=subprocess.DEVNULL)
        try:
            while status(f"{HOST}:{port}/json/list") != 200:
                time.sleep(0.1)
            tabs = json.load(urllib.request.urlopen(f"http://{HOST}:{port}/json/list"))
            devtools = next(t for t in tabs if t["type"] == "page")["webSocketDebuggerUrl"]
            with connect(devtools, max_size=None, ping_interval=None) as connection:
                tab = Tab(connection, psutil.Process(browser.pid))
                tab.call("Network.enable")
                tab.call("Network.setCookie", name="token", value=token, url=f"http://{address}")
                tab.call("Page.navigate", url=f"http://{address}/")
                while not tab.value("window.seen?.length > 50"):
                    time.sleep(0.1)
                tab.call("Network.disable")  # telling of each frame would load the browser
                yield tab
        finally:
            browser.terminate()
            browser.wait()


def cpu_s(processes: list[psutil.Process]) -> float:
    return sum(p.cpu_times().user + p.cpu_times().system for p in processes)


def memory(server: psutil.Process, tab: Tab) -> dict[str, float]:
    """RSS of server and page, and the page's heap once its litter is collected, in MB."""
    tab.value("window.seen.length = 0")  # the count itself is no part of the page's memory
    tab.call("HeapProfiler.collectGarbage")
    heap = tab.call("Runtime.getHeapUsage")["usedSize"]
    renderers = [p for p in tab.processes() if "--type=renderer" in p.cmdline()]
    return {
        "server MB": server.memory_info().rss / MB,
        "page MB": max(p.memory_info().rss for p in renderers) / MB,
        "heap MB": heap / MB,
    }


def sent_bytes(address: str, token: str) -> int:
    request = urllib.request.Request(
        f"http://{address}/counted", headers={"Cookie": f"token={token}"}
    )
    return int(urllib.request.urlopen(request).read())


def measured(
    library: str, variant: str, channels: int, rate: float, seconds: float
) -> dict[str, float]:
    with (
        served(library, variant, channels, rate) as (server, address, token),
        shown(address, token) as tab,
    ):
        time.sleep(2)
        outside = [url for url in tab.asked if not url.partition("//")[2].startswith(address)]
        browser = tab.processes()
        tab.value("window.seen.length = 0")
        begun, sent = time.perf_counter(), sent_bytes(address, token)
        server_s, browser_s = cpu_s([server]), cpu_s(browser)
        time.sleep(seconds)
        delays = tab.value("window.seen")
        took = time.perf_counter() - begun
        centiles = statistics.quantiles(delays, n=100)
        return {
            "painted/s": len(delays) / took,
            "server CPU %": 100 * (cpu_s([server]) - server_s) / took,
            "browser CPU %": 100 * (cpu_s(browser) - browser_s) / took,
            "kB/s": (sent_bytes(address, token) - sent) / took / 1e3,
            "p50 ms": centiles[49],
            "p99 ms": centiles[98],
            "requests": len(tab.asked),
            "outside": len([url for url in outside if not url.startswith("data:")]),
        }


def remembered(seconds: float) -> None:
    """Memory of both libraries, which run at the same time: it is not a matter of speed."""
    with ExitStack() as stack:
        running = []
        for library in BROUGHT:
            server, address, token = stack.enter_context(served(library, "newest", *CASES[0]))
            tab = stack.enter_context(shown(address, token))
            running.append((library, server, tab))
        begun = time.monotonic()
        for after in (5.0, *(seconds * part / 12 for part in range(1, 13))):
            time.sleep(max(0.0, begun + after - time.monotonic()))
            for library, server, tab in running:
                line(library, f"newest, after {after:g} s:", **memory(server, tab))


def socket_status(library: str, address: str, origin: str, token: str) -> int:
    """What the web socket answers: 101 is let in."""
    cookie = {"Cookie": f"token={token}"}
    try:
        url = f"ws://{address}{SOCKET_PATH[library]}"
        with connect(url, origin=origin, additional_headers=cookie):  # type: ignore[arg-type]
            return 101
    except InvalidStatus as refused:
        return refused.response.status_code


def closed(library: str) -> dict[str, int]:
    """How page and socket answer to ours, and to a wrong host, origin and token."""
    with served(library, "newest", 2, 25) as (_, address, token):
        cookie, ours = f"token={token}", f"http://{address}"
        elsewhere = "http://elsewhere.example"
        return {
            "ours": status(address, Cookie=cookie),
            "wrong host": status(address, Cookie=cookie, Host="elsewhere.example"),
            "wrong origin": status(address, Cookie=cookie, Origin=elsewhere),
            "no token": status(address),
            "socket, ours": socket_status(library, address, ours, token),
            "socket, wrong origin": socket_status(library, address, elsewhere, token),
            "socket, wrong token": socket_status(library, address, ours, "wrong"),
        }


def brought(library: str) -> dict[str, float]:
    """Distributions a fresh installation brings, their size, and what importing them costs."""
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--dry-run", "--ignore-installed"]
    report = subprocess.check_output([*pip, "--report", "-", *BROUGHT[library]])
    names = [item["metadata"]["name"] for item in json.loads(report)["install"]]
    files = [file for name in names for file in metadata.files(name) or []]
    sizes = [path.stat().st_size for path in (file.locate() for file in files) if path.is_file()]
    imports = "; ".join(f"import {name}" for name in BROUGHT[library])
    clock = f"import time; {imports}; print(time.process_time())"
    command = [sys.executable, "-c", clock]
    return {
        "distributions": len(names),
        "installed MB": sum(sizes) / MB,
        "import CPU s": min(float(subprocess.check_output(command)) for _ in range(5)),
    }


def line(*words: object, **figures: float) -> None:
    told = ", ".join(f"{name.replace('_', ' ')} {value:.4g}" for name, value in figures.items())
    print(*words, told, flush=True)


def main() -> None:
    given = [float(word) for word in sys.argv[1:]]
    rounds, seconds, memory_seconds = [*given, *[3, 20, 300][len(given) :]]
    for library, distributions in BROUGHT.items():
        print(*(f"{name} {metadata.version(name)}" for name in distributions))
        line(library, **brought(library))
        line(library, **closed(library))
    for channels, rate in CASES if rounds else ():
        taken: dict[tuple[str, str], list[dict[str, float]]] = {v: [] for v in VARIANTS}
        for _ in range(int(rounds)):
            for way, results in taken.items():
                results.append(measured(*way, channels, rate, seconds))
        for way, results in taken.items():
            medians = {k: statistics.median(r[k] for r in results) for k in results[0]}
            line(*way, f"{channels} channels, {rate:g}/s:", **medians)
    remembered(memory_seconds)


if __name__ == "__main__":
    main()
