"""Recordings and the report, as a person at a browser has them."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from sigbench.bench.folder import Bench
from tests.page.asking import served
from tests.short_plan import UNIT_ID, make_bench


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return make_bench(tmp_path_factory.mktemp("browser") / "bench")


@pytest.fixture(scope="module")
def tab(folder, browser):
    with served(folder) as asking:
        page = browser.new_page(viewport={"width": 360, "height": 740})
        page.complaints = []
        page.on("console", lambda said: page.complaints.append(said.text))
        page.on("pageerror", lambda error: page.complaints.append(str(error)))
        page.goto(asking.address)
        page.click("a.unit")
        yield page
        page.close()


def recordings(place: Path):
    time = np.arange(24_000) / 48_000
    for name, level in (("one.wav", 0.3), ("two.flac", 0.25)):
        soundfile.write(place / name, level * np.sin(2 * np.pi * 440 * time), 48_000, "PCM_24")
    return [place / "one.wav", place / "two.flac"]


DROP = """([name, text]) => {
  const held = new DataTransfer();
  held.items.add(new File([text], name));
  const zone = document.getElementById("drop-zone");
  const how = { dataTransfer: held, bubbles: true, cancelable: true };
  zone.dispatchEvent(new DragEvent("dragenter", how));
  const marked = zone.classList.contains("over");
  zone.dispatchEvent(new DragEvent("drop", how));
  return marked;
}"""


def test_a_recording_is_chosen_measured_and_reported(tab, folder, tmp_path):
    assert tab.is_disabled("#drop-send")
    tab.focus("input[name=files]")
    assert tab.evaluate("document.activeElement.name") == "files"
    tab.set_input_files("input[name=files]", recordings(tmp_path))
    tab.select_option("select[name=step]", "3")
    tab.fill("input[name=recorder]", "pocket recorder")
    tab.focus("#drop-send")
    tab.keyboard.press("Enter")
    tab.wait_for_selector("#drop-result:not([hidden])")
    said = tab.inner_text("#drop-said")
    assert said == "Step 3 (tone, phones) of the stage 'as received' is measured: 2 takes."
    assert "Tone level" in tab.inner_text("#drop-lines")
    assert tab.is_disabled("#drop-send")
    assert tab.input_value("input[name=recorder]") == "pocket recorder"
    with Bench.open(folder) as bench:
        (run,) = bench.runs(UNIT_ID)
    assert (len(run.takes), run.rig.device) == (2, "pocket recorder")

    tab.click("#drop-again")
    tab.click("text=Write the report")
    tab.click("text=Make the report")
    tab.wait_for_selector("iframe.preview")
    frame = tab.frames[1]
    frame.wait_for_selector("h1")
    assert frame.inner_text("h1") == "Own Duo"
    assert "pocket recorder" in frame.inner_text("main")
    assert frame.evaluate("self.origin") == "null"  # nothing of ours is within its reach
    with tab.expect_download() as saved:
        tab.click("text=PDF")
    assert saved.value.suggested_filename == f"{UNIT_ID}-report.pdf"
    assert Path(saved.value.path()).read_bytes().startswith(b"%PDF")
    assert tab.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert tab.complaints == []


def test_a_file_that_is_dropped_and_is_no_audio(tab):
    tab.goto(tab.url.partition("/report")[0])
    assert tab.evaluate(DROP, ["holiday.wav", "dear all"])
    assert "holiday.wav (1 kB)" in tab.inner_text("#drop-said")
    tab.select_option("select[name=step]", "3")
    tab.click("#drop-send")
    tab.wait_for_selector("#drop-said.notice")
    assert tab.inner_text("#drop-said").startswith("holiday.wav is no audio file")
    assert tab.is_enabled("#drop-send")
    assert tab.is_hidden("#drop-going")
