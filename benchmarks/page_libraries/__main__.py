"""NiceGUI against Starlette with a canvas of our own, as a page of live levels.

Run by hand, in a virtual environment of its own, with Chromium installed::

    pip install nicegui starlette uvicorn websockets playwright psutil numpy
    python -m benchmarks.page_libraries [rounds] [seconds of a run] [seconds of the memory run]

Every figure is the median of the rounds, in which the variants take turns; the memory run is one
of its own. Figures of different machines do not compare; the ratios of one run do.
"""

import json
import secrets
import socket
import statistics
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import metadata
from typing import Any

import psutil
from playwright.sync_api import Page, sync_playwright
from websockets.exceptions import InvalidStatus
from websockets.sync.client import connect

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
        request = urllib.request.Request(f"http://{address}/", headers=headers)
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


@contextmanager
def shown(address: str, token: str) -> Iterator[tuple[Page, list[str]]]:
    """The page in a browser of its own, and every address it asked for."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        context = browser.new_context()
        context.add_cookies([{"name": "token", "value": token, "url": f"http://{address}"}])
        page = context.new_page()
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.on("websocket", lambda opened: asked.append(opened.url))
        page.goto(f"http://{address}/")
        page.wait_for_function("window.seen?.length > 20")
        yield page, asked
        browser.close()


def browser_processes() -> list[psutil.Process]:
    return [p for p in psutil.Process().children(recursive=True) if "chrom" in p.name()]


def cpu_s(processes: list[psutil.Process]) -> float:
    return sum(p.cpu_times().user + p.cpu_times().system for p in processes)


def memory(server: psutil.Process, page: Page) -> dict[str, float]:
    """RSS of server and page, and the page's heap once its litter is collected, in MB."""
    devtools = page.context.new_cdp_session(page)
    devtools.send("HeapProfiler.collectGarbage")
    heap = devtools.send("Runtime.getHeapUsage")["usedSize"]
    devtools.detach()
    renderers = [p for p in browser_processes() if "--type=renderer" in " ".join(p.cmdline())]
    page_rss = max(p.memory_info().rss for p in renderers)
    return {
        "server MB": server.memory_info().rss / MB,
        "page MB": page_rss / MB,
        "heap MB": heap / MB,
    }


def sent_bytes(address: str, token: str) -> int:
    request = urllib.request.Request(
        f"http://{address}/counted", headers={"Cookie": f"token={token}"}
    )
    return int(urllib.request.urlopen(request).read())


def measured(library: str, variant: str, channels: int, rate: float, seconds: float) -> Any:
    with (
        served(library, variant, channels, rate) as (server, address, token),
        shown(address, token) as (page, asked),
    ):
        time.sleep(2)
        outside = [url for url in asked if f"//{address}/" not in url and url[:5] != "data:"]
        before = memory(server, page)
        browser = browser_processes()
        page.evaluate("window.seen.length = 0")
        begun, sent = time.perf_counter(), sent_bytes(address, token)
        server_s, browser_s = cpu_s([server]), cpu_s(browser)
        time.sleep(seconds)
        delays = page.evaluate("window.seen")
        took = time.perf_counter() - begun
        centiles = statistics.quantiles(delays, n=100)
        result = {
            "painted a second": len(delays) / took,
            "server CPU %": 100 * (cpu_s([server]) - server_s) / took,
            "browser CPU %": 100 * (cpu_s(browser) - browser_s) / took,
            "kB/s": (sent_bytes(address, token) - sent) / took / 1e3,
            "p50 ms": centiles[49],
            "p99 ms": centiles[98],
            "requests": len(asked),
            "outside": len(outside),
        }
        page.evaluate("window.seen.length = 0")  # the count itself is no part of the page's memory
        after = memory(server, page)
        return result, before, after


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
        "MB": sum(sizes) / MB,
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
    for channels, rate in CASES:
        taken: dict[tuple[str, str], list[dict[str, float]]] = {v: [] for v in VARIANTS}
        for _ in range(int(rounds)):
            for way, results in taken.items():
                results.append(measured(*way, channels, rate, seconds)[0])
        for way, results in taken.items():
            medians = {k: statistics.median(r[k] for r in results) for k in results[0]}
            line(*way, f"{channels} channels, {rate:g}/s:", **medians)
    for way in VARIANTS if memory_seconds else []:
        _, before, after = measured(*way, *CASES[0], memory_seconds)
        line(*way, "at the start:", **before)
        line(*way, f"{memory_seconds:g} s later:", **after)


if __name__ == "__main__":
    main()
