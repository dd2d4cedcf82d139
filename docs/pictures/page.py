"""Make the pictures of the bench page from the running page: run by hand, from anywhere.

Needs Debian's chromium and the development packages of this project.

    python docs/pictures/page.py

The demo's bench is made first; the unit on it is the simulated one, as received.
"""

import io
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from threading import Thread

from PIL import Image
from playwright.sync_api import Page, sync_playwright

from sigbench.page.serve import BenchPage

PICTURES = Path(__file__).parent
SIZE = {"width": 1100, "height": 1000}
WATCHED_MS = 9000  # until something has happened at both jacks
COLOURS = 64  # flat areas and text keep their edges with so many


def main() -> None:
    """Make them all."""
    chromium = shutil.which("chromium")
    if chromium is None:
        sys.exit("Chromium is missing: install Debian's package chromium.")
    with tempfile.TemporaryDirectory() as place, sync_playwright() as playwright:
        demo = Path(place) / "demo"
        subprocess.run(
            [sys.executable, "-m", "sigbench", "demo", "--folder", demo], check=True, cwd=place
        )
        served = BenchPage(demo / "bench")
        Thread(target=served.run, daemon=True).start()
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_page(viewport=SIZE)
        page.goto(served.served.addresses[0])
        page.get_by_role("link", name="0047").click()
        address = page.url
        page.goto(f"{address}/compare")
        page.wait_for_load_state("networkidle")
        keep(page, "page-compare.png")
        page.goto(address)
        jacks(page)
        browser.close()
        served.stop()


def jacks(page: Page) -> None:
    """A picture while jacks are moved."""
    page.get_by_role("button", name="Move its jacks").click()
    page.select_option("select[name=source]", "simulated:as-received")
    page.fill("input[name=stage]", "both hands in it")
    page.get_by_role("button", name="Begin").click()
    page.wait_for_selector("[data-phase=ready]")
    page.keyboard.press("Space")
    page.wait_for_selector("[data-phase=asking]")
    page.keyboard.press("k")
    page.wait_for_selector("[data-phase=recording]")
    page.wait_for_timeout(WATCHED_MS)
    page.keyboard.press("1")
    page.keyboard.press("Space")
    page.wait_for_timeout(WATCHED_MS // 2)
    keep(page, "page-jack.png")
    page.keyboard.press("q")
    page.wait_for_selector("[data-phase=over]")


def keep(page: Page, name: str) -> None:
    """Store what is to be seen."""
    picture = Image.open(io.BytesIO(page.screenshot())).convert("RGB").quantize(COLOURS)
    picture.save(PICTURES / name, optimize=True)


if __name__ == "__main__":
    main()
