"""Make the pictures of the README from the demo and the live view: run by hand, from anywhere.

Needs poppler-utils.

    python docs/pictures/make.py

The demo gives the same takes each time; only the dates in the report are those of the day.
"""

import os
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image
from rich.console import Console
from rich.terminal_theme import TerminalTheme
from rich.text import Text

from sigbench.bench.folder import Bench
from sigbench.cli.live import MARKS, keys_in_words
from sigbench.cli.live_view import view
from sigbench.demo import NOTES_HZ, STAGE_BEFORE
from sigbench.interface.simulated import ARRIVAL, SimulatedInterface
from sigbench.live.watch import Watch
from sigbench.model import Step

PICTURES = Path(__file__).parent
COLUMNS = 80
PAGE_PIXELS = 1000  # wide
GREYS = 32  # the report is black on white: so many keep its edges smooth

# Black on white, the way the report is; no window around it.
PAPER = TerminalTheme((255, 255, 255), (17, 17, 17), [(17, 17, 17)] * 8, [(17, 17, 17)] * 8)
SVG = """\
<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}">
<style>
.{unique_id}-matrix {{ font: {char_height}px monospace; line-height: {line_height}px; \
font-variant-east-asian: full-width; }}
{styles}
</style>
<defs>
<clipPath id="{unique_id}-clip-terminal">
<rect x="0" y="0" width="{terminal_width}" height="{terminal_height}"/>
</clipPath>
{lines}
</defs>
<rect width="100%" height="100%" fill="#ffffff"/>
<g transform="translate({terminal_x}, {terminal_y})" clip-path="url(#{unique_id}-clip-terminal)">
{backgrounds}
<g class="{unique_id}-matrix">
{matrix}
</g>
</g>
</svg>
"""


def main() -> None:
    """Run the demo in a folder of its own, and picture what it prints and writes."""
    draw_view()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        draw_terminal(folder, ("demo",), "demo")
        take = arrival_take(folder / "sigbench-demo" / "bench")
        recording = folder / f"recording{take.suffix}"
        recording.write_bytes(take.read_bytes())
        draw_terminal(
            folder, ("measure", recording.name, "--check", "tone", "--note", "A4"), "measure"
        )
        report = folder / "sigbench-demo" / "report"
        picture_page(report, 1, "report-1")
        picture_page(report, page_with(report, "level over time"), "report-2")


def draw_terminal(folder: Path, words: tuple[str, ...], name: str) -> None:
    """Run a command and write what it prints as SVG."""
    environment = os.environ | {"COLUMNS": str(COLUMNS), "FORCE_COLOR": "1", "PYTHONUTF8": "1"}
    done = subprocess.run(
        [sys.executable, "-m", "sigbench", *words],
        cwd=folder, env=environment, capture_output=True, check=True,
    )  # fmt: skip
    write_svg(
        name, Text(f"$ sigbench {' '.join(words)}", "bold"), Text.from_ansi(done.stdout.decode())
    )


def draw_view() -> None:
    """Picture the live view of a jack check on the simulated unit."""
    unit = SimulatedInterface(ARRIVAL, seed=7)
    unit.do(Step("jack", "main", ""))
    watch = Watch("jack", unit.samplerate, 2, seconds=300.0, places=("main L", "main R"))
    for block in unit.stream(seconds=20.0):
        watch.feed(block)
        if block.first_frame <= 14.0 * unit.samplerate < block.first_frame + len(block.samples):
            watch.mark(MARKS[0])
    keys = keys_in_words("jack", 2)
    write_svg("watch", view(watch.seen(), columns=COLUMNS, lines=24, keys=keys, marks=MARKS))


def write_svg(name: str, *texts: Text) -> None:
    """Write what a terminal shows."""
    with open(os.devnull, "w") as nowhere:
        console = Console(record=True, width=COLUMNS, file=nowhere, force_terminal=True)
        for text in texts:
            console.print(text, highlight=False)
    svg = console.export_svg(theme=PAPER, code_format=SVG, unique_id=name)
    text = "\n".join(line.rstrip() for line in svg.splitlines()) + "\n"
    (PICTURES / f"{name}.svg").write_text(text, encoding="utf-8")


def arrival_take(bench_folder: Path) -> Path:
    """The first take of the middle note as the unit was received."""
    with Bench.open(bench_folder) as bench:
        for unit in bench.units():
            for run in bench.runs(unit, STAGE_BEFORE):
                if run.step.check == "tone" and run.step.settings.frequency_hz == NOTES_HZ[0]:
                    return bench_folder / run.takes[0].path
    raise SystemExit("The demo holds no note as received.")


def page_with(report: Path, words: str) -> int:
    """The first page of the report that holds the words."""
    done = subprocess.run(
        ["pdftotext", report / "report.pdf", "-"], stdout=subprocess.PIPE, check=True
    )
    pages = done.stdout.decode().split("\f")
    return next(number for number, page in enumerate(pages, start=1) if words in page)


def picture_page(report: Path, number: int, name: str) -> None:
    """Shrink one page of the report."""
    with Image.open(report / f"report-page-{number}.png") as page:
        grey = page.convert("L")
    height = round(grey.height * PAGE_PIXELS / grey.width)
    small = grey.resize((PAGE_PIXELS, height), Image.Resampling.LANCZOS)
    small.quantize(GREYS, dither=Image.Dither.NONE).save(PICTURES / f"{name}.png", optimize=True)


if __name__ == "__main__":
    main()
