"""The live bench page: from sound to screen, updates a second, processor and memory.

Run by hand, with Debian's pulseaudio and chromium: ``python -m benchmarks.live_page [minutes]`` (60
by default). A software instrument on a sound server makes dropouts at random moments while its
jacks are watched in a headless browser; then a stored take of eight channels is seen again. Prints
markdown tables.

"Sound to screen" runs from the arrival of a dropout's first frame in the program to the start of
the browser's next picture after the one that shows it. Shares are of one core; "browser" is all of
its processes, drawing without a graphics card. Memory is the proportional share (PSS); the heap is
that of the page after its litter was collected.
"""

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from playwright.sync_api import Page, sync_playwright

from sigbench.bench.folder import Bench
from sigbench.model import Output, Plan, Step, Unit
from sigbench.page.serve import BenchPage
from sigbench.recorded import Recorded, carry_out_recorded, read_recording
from tests.interface.conftest import running_sound_server
from tests.interface.instrument import Instrument, Sound, running_instrument

RATE = 48_000
CHROMIUM = "/usr/bin/chromium"
GAP_SECONDS = (1.0, 3.0)
LENGTHS_SECONDS = (0.005, 0.02, 0.1, 0.3)
SAME_SECONDS = 0.06  # events nearer than this are one
MANY, MANY_SECONDS = 8, 60.0
MOST_BLOCKS_A_SECOND = 400
TICKS = 100.0  # of /proc/PID/stat, a second
MB = 1e6

# A dropout counts as seen when the picture after the one that shows it begins.
FOLLOW = """(same) => {
  window.painted = { frames: 0, calls: [] };
  const known = [];
  let shown = null, fresh = [];
  const look = () => {
    const now = performance.timeOrigin + performance.now();
    for (const start of fresh) painted.calls.push([start, now / 1000]);
    fresh = [];
    if (drawn && drawn !== shown) {
      shown = drawn;
      painted.frames += 1;
      for (const one of [...shown.events, ...shown.going_on]) {
        if (one.sign !== "X" || known.some((start) => Math.abs(start - one.start) < same)) continue;
        known.push(one.start);
        fresh.push(one.start);
      }
      known.splice(0, known.length - 100);
    }
    requestAnimationFrame(look);
  };
  requestAnimationFrame(look);
}"""


# --- the program, in a process of its own


def serve(folder: Path, minutes: float) -> None:
    """Serve the page until the input ends; then print when each block of a take arrived."""
    from sigbench.live.watch import Watch

    arrived = np.full((int(60 * minutes * MOST_BLOCKS_A_SECOND), 2), np.nan)  # all of it at once
    count = 0
    feed = Watch.feed

    def logged(watch: Watch, block: Any) -> Any:
        nonlocal count
        if count < len(arrived):
            arrived[count] = block.first_frame + len(block.samples), time.time()
            count += 1
        return feed(watch, block)

    Watch.feed = logged  # type: ignore[method-assign]
    page = BenchPage(folder)
    print(page.served.addresses[0], flush=True)
    from threading import Thread

    Thread(target=page.run, daemon=True).start()
    sys.stdin.read()
    page.stop()
    print(json.dumps(arrived[:count].tolist()), flush=True)


# --- processes


@dataclass
class Spent:
    """What processes have used of the processor so far, in seconds."""

    program: float
    browser: float
    at: float = field(default_factory=time.monotonic)


def _browser_processes() -> list[int]:
    """Of the browser that this benchmark started."""
    parents = {}
    for place in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):
            parents[int(place.name)] = int(_stat(int(place.name))[1])
    found = {os.getpid()}
    while more := {pid for pid, parent in parents.items() if parent in found} - found:
        found |= more
    return [pid for pid in sorted(found) if _runs_chromium(pid)]


def _runs_chromium(pid: int) -> bool:
    try:
        return b"chromium" in Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")[0]
    except OSError:
        return False


def _stat(pid: int) -> list[str]:
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()


def _cpu_seconds(pids: Sequence[int]) -> float:
    total = 0.0
    for pid in pids:
        try:
            total += sum(map(int, _stat(pid)[11:13])) / TICKS
        except OSError:
            continue
    return total


def _pss_mb(pids: Sequence[int]) -> float:
    total = 0
    for pid in pids:
        try:
            lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
        except OSError:
            continue
        total += next(int(line.split()[1]) for line in lines if line.startswith("Pss:"))
    return total * 1024 / MB


def _spent(program: int) -> Spent:
    return Spent(_cpu_seconds([program]), _cpu_seconds(_browser_processes()))


def _heap_mb(page: Page) -> float:
    devtools = page.context.new_cdp_session(page)
    devtools.send("HeapProfiler.collectGarbage")
    used: float = devtools.send("Runtime.getHeapUsage")["usedSize"]
    devtools.detach()
    return used / MB


# --- the two parts


def make_bench(place: Path) -> tuple[Path, str]:
    """A bench with a unit whose jacks can be moved, and a stored take of eight channels."""
    second = np.arange(int(RATE * MANY_SECONDS)) / RATE
    tones = [0.2 * np.sin(2 * np.pi * 110 * (n + 2) * second) for n in range(MANY)]
    import soundfile

    file = place / "eight.wav"
    soundfile.write(file, np.column_stack(tones), RATE, "PCM_24")
    with Bench.create(place / "bench") as bench:
        outputs = (Output("main"), Output("all", MANY))
        unit = bench.add_unit(Unit("Own", "Works", "1", outputs))
        steps = (
            Step("jack", "main", "Move the plugs.", seconds=86_400),
            Step("jack", "all", "Move the plugs.", seconds=MANY_SECONDS),
        )
        bench.set_plan(unit, Plan("plan", steps))
        recorded = [Recorded(file.name, read_recording(file, "jack"))]
        bench.add_run(unit, carry_out_recorded(bench, unit, "eight", 2, recorded))
    file.unlink()
    return place / "bench", unit


def watched(
    page: Page, address: str, program: int, instrument: Instrument, minutes: float
) -> list[tuple[float, float]]:
    """Watch the instrument's jacks; when each dropout was seen: its start, and the time."""
    page.goto(f"{address}/measure?stage=live&step=1")
    sources = page.locator("select[name=source] option").all_inner_texts()
    page.select_option("select[name=source]", label=next(s for s in sources if "rig" in s))
    page.get_by_role("button", name="Begin").click()
    page.wait_for_selector("#steered[data-phase=ready]")
    page.keyboard.press("Space")
    page.wait_for_selector("#steered[data-phase=recording]")
    time.sleep(4)
    page.evaluate(FOLLOW, SAME_SECONDS)
    print("| minute | pictures/s | program CPU | browser CPU | program | browser | page's heap |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    chance = np.random.default_rng(1)
    begun = time.monotonic()
    seen: list[tuple[float, float]] = []
    stretch = max(0.5, minutes / 12)
    last = 0.0
    while last < minutes:
        before, frames = _spent(program), page.evaluate("painted.frames")
        wanted = min(minutes, last + stretch)
        while time.monotonic() < begun + 60 * wanted:
            instrument.drop(float(chance.choice(LENGTHS_SECONDS)))
            time.sleep(chance.uniform(*GAP_SECONDS))
        _row(f"{wanted:.1f}", page, program, before, frames)
        seen += page.evaluate("painted.calls.splice(0)")
        last = wanted
    page.keyboard.press("q")
    page.wait_for_selector("#steered:is([data-phase=over], [data-phase=asking])", timeout=0)
    if page.locator("#steered[data-phase=asking]").count():  # whether to keep what lost audio
        print(f"\n{page.inner_text('#sayings')}")
        page.keyboard.press("k")
    page.wait_for_selector("#steered[data-phase=over]", timeout=0)
    return seen


def _row(name: str, page: Page, program: int, before: Spent, frames: int) -> None:
    now = _spent(program)
    took = now.at - before.at
    rate = (page.evaluate("painted.frames") - frames) / took
    print(
        f"| {name} | {rate:.1f} | {100 * (now.program - before.program) / took:.1f} % "
        f"| {100 * (now.browser - before.browser) / took:.1f} % "
        f"| {_pss_mb([program]):.0f} MB | {_pss_mb(_browser_processes()):.0f} MB "
        f"| {_heap_mb(page):.2f} MB |",
        flush=True,
    )


def many(page: Page, address: str, program: int) -> None:
    """See a take of eight channels again."""
    page.goto(address)
    page.locator("summary", has_text="eight").click()
    page.locator("form[action$='/show']", has_text="jack, all").get_by_role("button").click()
    page.wait_for_selector("#steered[data-phase=ready]")
    page.keyboard.press("Space")
    page.wait_for_selector("#steered[data-phase=showing]")
    time.sleep(4)
    page.evaluate(FOLLOW, SAME_SECONDS)
    before = _spent(program)
    time.sleep(MANY_SECONDS / 2)
    _row(f"{MANY} channels", page, program, before, 0)
    page.keyboard.press("q")
    page.wait_for_selector("#steered[data-phase=shown]")
    page.keyboard.press("q")


def tell_latency(seen: list[tuple[float, float]], arrived: list[list[float]]) -> None:
    """From the arrival of a dropout's first frame to the picture that shows it."""
    ends, times = np.array(arrived).T
    # Each take begins at frame 0 anew; the first one is that of the instrument.
    starts = np.flatnonzero(np.diff(ends) < 0)
    stop = starts[0] + 1 if len(starts) else len(ends)
    ends, times = ends[:stop], times[:stop]
    late = [1e3 * (at - times[np.searchsorted(ends, start * RATE, "right")]) for start, at in seen]
    cuts = statistics.quantiles(late, n=100)
    print(
        f"\nSound to screen, {len(late)} dropouts: median {cuts[49]:.0f} ms, 95 % within "
        f"{cuts[94]:.0f} ms, 99 % within {cuts[98]:.0f} ms, the latest {max(late):.0f} ms."
    )


@contextmanager
def program(folder: Path, minutes: float, environment: dict[str, str]) -> Iterator[Any]:
    """The program, serving the page of a folder."""
    command = [sys.executable, "-m", "benchmarks.live_page", "--serve", str(folder), str(minutes)]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, env=environment, stdin=pipe, stdout=pipe, text=True) as process:
        try:
            yield process
        finally:
            process.kill()


def main() -> None:
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    with (
        tempfile.TemporaryDirectory() as place,
        running_sound_server(rig_rate=RATE) as server,
        running_instrument(server.environment, sound=Sound("note")) as instrument,
        sync_playwright() as playwright,
    ):
        folder, unit = make_bench(Path(place))
        with program(folder, minutes + 1, server.environment) as process:
            opened = process.stdout.readline().strip()
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
            page = browser.new_page(viewport={"width": 1280, "height": 900})
            page.goto(opened)
            address = f"{opened.partition('/?')[0]}/unit/{unit}"
            seen = watched(page, address, process.pid, instrument, minutes)
            many(page, address, process.pid)
            browser.close()
            process.stdin.close()
            tell_latency(seen, json.loads(process.stdout.readline()))


if __name__ == "__main__":
    if sys.argv[1:2] == ["--serve"]:
        serve(Path(sys.argv[2]), float(sys.argv[3]))
    else:
        main()
