"""Two ways to serve the live view of the bench page, measured in a real browser: run by hand.

NiceGUI 3 with its own chart, whole series each time, against Starlette with a small canvas. Both
show the same: a number, and some channels of 1,000 points, so often a second.

    python -m pip install nicegui
    python -m benchmarks._page_libraries [SECONDS]

Needs Debian's chromium, and Linux for the processor times.
"""

import asyncio
import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

POINTS = 1000
PORT = 8091
HERTZ = os.sysconf("SC_CLK_TCK")
CASES = ((2, 25), (2, 60), (8, 25))  # channels, updates a second

PAGE = """<!doctype html><meta charset="utf-8"><p class="count"></p>
<canvas width="1000" height="400"></canvas><script>
const pen = document.querySelector("canvas").getContext("2d");
const socket = new WebSocket(`ws://${location.host}/live`);
socket.onmessage = (message) => requestAnimationFrame(() => {
  const [count, channels] = JSON.parse(message.data);
  document.querySelector(".count").textContent = count;
  pen.clearRect(0, 0, 1000, 400);
  for (const channel of channels) {
    pen.beginPath();
    channel.forEach((level, x) => pen.lineTo(x, -4 * level));
    pen.stroke();
  }
});
</script>"""

COUNT = """() => { window.shown = 0;
  const all = {childList: true, characterData: true, subtree: true};
  new MutationObserver(() => { window.shown += 1; }).observe(document.querySelector(".count"), all);
}"""


def levels(count: int, channels: int) -> list[list[float]]:
    """What moves along."""
    x = np.arange(count, count + POINTS) / 50
    return [np.round(-50 + 20 * np.sin(x * (n + 1)), 1).tolist() for n in range(channels)]


def serve_starlette(channels: int, rate: int) -> None:
    """The page with a canvas."""
    import uvicorn
    from starlette.applications import Starlette
    from starlette.responses import HTMLResponse
    from starlette.routing import Route, WebSocketRoute

    async def live(socket) -> None:
        await socket.accept()
        count, start = 0, time.monotonic()
        while True:
            count += 1
            await socket.send_text(json.dumps([count, levels(count, channels)]))
            await asyncio.sleep(max(0.0, start + count / rate - time.monotonic()))

    async def page(request) -> HTMLResponse:
        return HTMLResponse(PAGE)

    routes = [Route("/", page), WebSocketRoute("/live", live)]
    uvicorn.run(Starlette(routes=routes), port=PORT, log_level="error")


def serve_nicegui(channels: int, rate: int) -> None:
    """The page with the library's own chart."""
    from nicegui import ui

    @ui.page("/")
    def page() -> None:
        label = ui.label().classes("count")
        lines = [
            {"type": "line", "showSymbol": False, "animation": False, "data": []}
            for _ in range(channels)
        ]
        axes = {"xAxis": {"type": "category"}, "yAxis": {"min": -80, "max": 0}}
        chart = ui.echart({**axes, "animation": False, "series": lines})
        counted = 0

        def update() -> None:
            nonlocal counted
            counted += 1
            label.text = str(counted)
            for line, data in zip(chart.options["series"], levels(counted, channels), strict=True):
                line["data"] = data
            chart.update()

        ui.timer(1 / rate, update)

    ui.run(port=PORT, show=False, reload=False)


def seconds_of(pids: list[int]) -> float:
    """Processor time of processes."""
    total = 0.0
    for pid in pids:
        try:
            fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        except OSError:
            continue
        total += (int(fields[11]) + int(fields[12])) / HERTZ
    return total


def megabytes_of(pid: int) -> float:
    """Memory that a process holds."""
    line = next(t for t in Path(f"/proc/{pid}/status").read_text().splitlines() if "VmRSS" in t)
    return int(line.split()[1]) / 1024


def browsers() -> list[int]:
    """All processes of the browser."""
    found = subprocess.run(["pgrep", "-f", "chromium"], capture_output=True, text=True, check=False)
    return [int(pid) for pid in found.stdout.split()]


def measured(which: str, channels: int, rate: int, seconds: float) -> str:
    """One row of the table."""
    from playwright.sync_api import sync_playwright

    command = [sys.executable, "-m", "benchmarks._page_libraries", which, str(channels), str(rate)]
    sizes: list[int] = []

    def count(socket) -> None:
        socket.on("framereceived", lambda payload: sizes.append(len(payload)))

    with subprocess.Popen(command) as server, sync_playwright() as playwright:
        try:
            browser = playwright.chromium.launch(
                executable_path=shutil.which("chromium"), args=["--no-sandbox"]
            )
            page = browser.new_page()
            outside: list[str] = []
            page.on("request", lambda r: str(PORT) not in r.url and outside.append(r.url))
            page.on("websocket", count)
            for _ in range(100):
                try:
                    page.goto(f"http://127.0.0.1:{PORT}/")
                    break
                except Exception:
                    time.sleep(0.2)
            page.wait_for_selector(".count")
            page.wait_for_timeout(1500)
            page.evaluate(COUNT)
            pids, memory = browsers(), megabytes_of(server.pid)
            own, theirs = seconds_of([server.pid]), seconds_of(pids)
            sizes.clear()
            start, shown = time.monotonic(), page.evaluate("window.shown")
            page.wait_for_timeout(1000 * seconds)
            took = time.monotonic() - start
            shown = page.evaluate("window.shown") - shown
            own, theirs = seconds_of([server.pid]) - own, seconds_of(pids) - theirs
            grown = megabytes_of(server.pid) - memory
            browser.close()
        finally:
            server.kill()
    return (
        f"| {which} | {channels} × {rate} | {shown / took:.1f} | {100 * own / took:.0f} % "
        f"| {100 * theirs / took:.0f} % | {sum(sizes) / took / 1000:.0f} kB/s "
        f"| {memory:.0f} MB, {grown:+.1f} | {len(outside)} |"
    )


def main(arguments: list[str]) -> None:
    """Serve one, or measure both in turn."""
    if arguments and arguments[0] in ("starlette", "nicegui"):
        serve = serve_starlette if arguments[0] == "starlette" else serve_nicegui
        serve(int(arguments[1]), int(arguments[2]))
        return
    seconds = float(arguments[0]) if arguments else 20.0
    print(
        "| library | channels × updates asked | updates/s shown | server | browser | socket "
        "| server's memory, growth | asked outside |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for channels, rate in CASES:
        for which in ("nicegui", "starlette"):
            print(measured(which, channels, rate, seconds), flush=True)


if __name__ in ("__main__", "__mp_main__"):
    main(sys.argv[1:])
