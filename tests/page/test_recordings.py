"""Recordings brought to the page."""

import json
import re
import shutil
import socket
from pathlib import Path
from types import SimpleNamespace
from urllib.parse import urlencode

import numpy as np
import pytest
import soundfile

from sigbench.bench.folder import Bench
from sigbench.cli import main
from sigbench.interface import decode
from sigbench.page import recordings
from sigbench.page.recordings import MOST_BYTES, _shown_name
from tests.page.asking import serving
from tests.page.conftest import PHONE, phase, serious_faults
from tests.short_plan import UNIT_ID, make_bench

RATE = 48_000
TO = f"/unit/{UNIT_ID}/recording"


@pytest.fixture(scope="module")
def empty(tmp_path_factory):
    return make_bench(tmp_path_factory.mktemp("page") / "bench")


@pytest.fixture
def folder(empty, tmp_path):
    shutil.copytree(empty, tmp_path / "bench")
    return tmp_path / "bench"


@pytest.fixture
def ask(folder):
    with serving(folder) as asker:
        yield asker


@pytest.fixture
def a4(tmp_path):
    """A note of one channel, as long as the plan wants it."""
    time = np.arange(RATE // 2) / RATE
    noise = 1e-4 * np.random.default_rng(1).standard_normal(RATE // 2)
    place = tmp_path / "a4.flac"
    soundfile.write(place, 0.3 * np.sin(2 * np.pi * 440 * time) + noise, RATE, "PCM_24")
    return place


def bring(ask, *contents, to=TO, step=3, stage="as received", **more):
    query = {"stage": stage, "step": step, "name": "a4.flac", **more}
    to = f"{to}?{urlencode(query, doseq=True)}"
    return ask.post(to, b"".join(contents), Accept="text/plain")


def runs(folder):
    """What is stored; nothing else may be left."""
    with Bench.open(folder) as bench:
        found = bench.runs(UNIT_ID)
        assert bench.check() == []
        assert bench.unfinished == ()
    assert not list(folder.glob(".*.part"))
    assert not list((folder / "recordings").glob("*"))
    return found


def test_page_command_line_and_measure_read_the_same(ask, folder, a4, capsys):
    answer = bring(ask, a4.read_bytes(), recorder="pocket recorder", gain="noon", operator="me")
    assert answer.status == 200
    found = answer.json
    assert (
        found["sentence"] == "Step 3 (tone, phones) of the stage 'as received' is measured: 1 take."
    )
    assert found["remarks"] == []
    assert found["lines"][0]["title"] == "Tone level, left"
    capsys.readouterr()
    main(
        ["run", "7", "--stage", "later", "--step", "3", "--from", str(a4), "--folder", str(folder)]
    )
    capsys.readouterr()
    main(["measure", str(a4), "--check", "tone", "--note", "A4", "--json"])
    alone = json.loads(capsys.readouterr().out)["readings"]
    by_stage = {run.stage: run for run in runs(folder)}
    brought, typed = by_stage["as received"], by_stage["later"]
    assert found["run"] == brought.id
    assert brought.measurements[0].readings == typed.measurements[0].readings
    assert brought.takes == typed.takes  # the very same audio file
    values = [(r.name, r.unit, r.value if isinstance(r.value, float) else None)
              for r in brought.measurements[0].readings]  # fmt: skip
    assert values == [
        (r["name"], r["unit"], r["value"] if isinstance(r["value"], float) else None) for r in alone
    ]
    assert (brought.rig.device, brought.rig.description, brought.operator) == (
        "pocket recorder",
        "noon",
        "me",
    )


def test_several_files_are_takes_of_one_run(ask, folder, a4):
    one, other = a4.read_bytes(), wav(np.full(RATE // 2, 0.25))
    answer = bring(ask, one, other, name=["1.flac", "2.wav"], bytes=[len(one), len(other)])
    assert answer.status == 200
    (run,) = runs(folder)
    assert len(run.takes) == len(run.measurements) == 2
    with Bench.open(folder) as bench:
        assert bench.read_take(run.takes[1]).samples[100, 0] == 0.25
    assert run.rig.device == "recording 1.flac, recording 2.wav"


def wav(samples):
    import io

    file = io.BytesIO()
    soundfile.write(file, samples, RATE, "PCM_16", format="WAV")
    return file.getvalue()


@pytest.mark.parametrize("announced", [2 * 10**9, MOST_BYTES + 1])
def test_what_is_announced_too_large_is_refused_before_it_is_sent(ask, folder, announced):
    connection = ask.connect()
    to = f"{TO}?stage=x&step=3&name=a.wav"
    ask.begin(connection, "POST", to, Content_Length=str(announced))
    connection.endheaders()  # and not a byte of the body
    answer = connection.getresponse()
    assert answer.status == 413
    assert b"too large" in answer.read()
    connection.close()
    assert runs(folder) == []


def test_what_grows_too_large_is_refused_on_its_way(ask, folder, monkeypatch):
    monkeypatch.setattr(recordings, "MOST_BYTES", 3_000_000)
    said = chunked(ask, wav(np.zeros(1_000_000)), 100)
    assert b" 413 " in said.splitlines()[0]
    assert runs(folder) == []


def chunked(ask, data, times):
    """Send a body again and again, of a length that is never said, until there is an answer."""
    host, port = ask.host.split(":")
    with socket.create_connection((host, int(port)), timeout=60) as line:
        head = {**ask.headers, "Transfer-Encoding": "chunked"}
        lines = "".join(f"{name}: {value}\r\n" for name, value in head.items())
        line.sendall(f"POST {TO}?stage=x&step=3&name=a HTTP/1.1\r\n{lines}\r\n".encode())
        try:
            for _ in range(times):
                line.sendall(b"%x\r\n%s\r\n" % (len(data), data))
        except OSError:
            pass  # it hears no more of it
        return line.recv(65536)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"dear all, please find my recording attached", "is no audio file that is taken here"),
        (b"", "did not come whole"),
        (b"x", "is no audio file that is taken here"),
        (b"fLaC" + bytes(100), "no audio file that can be read"),
        (wav(np.zeros(RATE))[:5000], "cut short"),
        (wav(np.zeros(100)), "too short to measure"),
    ],
)
def test_what_is_no_recording(ask, folder, content, words):
    answer = bring(ask, content, name="a.wav")
    assert answer.status == 400
    assert words in answer.text
    assert answer.text.startswith(("a.wav ", "The files "))
    assert str(folder) not in answer.text
    assert runs(folder) == []


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ({"step": 1}, "typed in from the multimeter"),
        ({"step": 9}, "no step 9"),
        ({"step": "x"}, "choose one"),
        ({"step": "9" * 5000}, "choose one"),
        ({"step": 2}, "a4.flac has 1 channel, and the output 'main' 2 channels"),
        ({"stage": " "}, "The stage has no name"),
        ({"stage": "a\x07b"}, "cannot be printed"),
        ({"name": ["a"] * 21}, "choose 1 to 20"),
        ({"name": ["a", "b"]}, "not said how long"),
        ({"name": ["a", "b"], "bytes": [1, 2, 3]}, "cannot be taken in"),
        ({"name": ["a", "b"], "bytes": [500, 10**9]}, "b is no audio"),
        ({"bytes": 500}, "did not come whole|is no audio"),
        ({"bytes": 10**8}, "did not come whole"),
        ({"bytes": 0}, "cannot be taken in"),
        ({"to": "/unit/other/recording"}, "no unit 'other'"),
    ],
)
def test_what_cannot_be_asked_for(ask, folder, a4, query, words):
    answer = bring(ask, a4.read_bytes(), **query)
    assert answer.status == 400
    assert any(word in answer.text for word in words.split("|"))
    assert runs(folder) == []


@pytest.mark.parametrize(
    "name",
    [
        "../../../tmp/evil.flac",
        "/etc/evil.flac",
        "C:\\evil.flac",
        "..",
        ".",
        "",
        "\0",
        "evil.flac\n",
    ],
)
def test_a_name_is_shown_and_never_used(ask, folder, tmp_path, a4, name):
    before = {path for path in tmp_path.rglob("*") if folder not in path.parents}
    answer = bring(ask, a4.read_bytes(), name=name)
    assert answer.status == 200
    (run,) = runs(folder)
    shown = "evil.flac" if "evil" in name else "the recording" if name != ".." else ".."
    assert run.rig.device == f"recording {shown}"
    assert {path for path in tmp_path.rglob("*") if folder not in path.parents} == before
    assert not list(folder.rglob("*evil*"))


def test_a_long_name_is_cut():
    assert _shown_name("a/" + "ö" * 300) == "ö" * 100


def test_a_decoder_that_is_killed_is_a_sentence(ask, folder, a4, monkeypatch):
    import sys

    does = "import os, signal; os.kill(os.getpid(), signal.SIGKILL)"
    monkeypatch.setattr(decode, "COMMAND", (sys.executable, "-c", does))
    answer = bring(ask, a4.read_bytes())
    assert (answer.status, "could not be decoded" in answer.text) == (400, True)
    assert runs(folder) == []


def test_a_disk_that_is_nearly_full(ask, folder, a4, monkeypatch):
    monkeypatch.setattr(recordings, "free_bytes", lambda place: recordings.MARGIN_BYTES + 1000)
    answer = bring(ask, a4.read_bytes())
    assert (answer.status, "nearly full" in answer.text) == (400, True)
    assert runs(folder) == []


def test_a_bomb_takes_no_room(ask, folder, tmp_path, monkeypatch):
    with soundfile.SoundFile(tmp_path / "b", "w", RATE, 1, "PCM_16", format="FLAC") as audio:
        for _ in range(10):
            audio.write(np.zeros(60 * RATE, np.int16))
    content = (tmp_path / "b").read_bytes()
    assert len(content) < 1_000_000 < 10 * 60 * RATE * 2
    free = recordings.MARGIN_BYTES + 10_000_000
    monkeypatch.setattr(recordings, "free_bytes", lambda place: free)
    answer = bring(ask, content)
    assert "unpacks to 58 MB, and 10 MB is the most" in answer.text  # 600 s × 48 kHz × 2 bytes
    assert runs(folder) == []


def test_while_something_is_measured_it_is_refused(ask, folder, a4):
    going_on = SimpleNamespace(
        over=False, verb="measured", unit_id=UNIT_ID, unit=SimpleNamespace(model="Duo")
    )
    ask.page.desk._watched = going_on
    answer = bring(ask, a4.read_bytes())
    assert answer.text == f"'{UNIT_ID}' is being measured: end that first, or watch."
    assert "bring recordings when that is over" in ask.get(f"/unit/{UNIT_ID}").text
    going_on.over = True
    assert bring(ask, a4.read_bytes()).status == 200
    assert len(runs(folder)) == 1


def test_one_at_a_time_and_one_that_breaks_off_leaves_nothing(ask, folder, a4):
    connection = ask.connect()
    ask.begin(connection, "POST", f"{TO}?stage=x&step=3&name=a.wav", Content_Length="10000")
    connection.endheaders(wav(np.zeros(100)))
    # Until it is being taken in: a file that is replaced has such a name for a moment as well.
    while not any(path.is_dir() for path in folder.glob(".*.part")):
        pass
    assert "Another recording is being measured" in bring(ask, a4.read_bytes()).text
    connection.close()
    while list(folder.glob(".*.part")):
        pass
    assert bring(ask, a4.read_bytes()).status == 200
    assert len(runs(folder)) == 1


def test_another_page_cannot_send_one(ask, folder, a4):
    query = urlencode({"stage": "x", "step": 3, "name": "a"})
    answer = ask.post(f"{TO}?{query}", a4.read_bytes(), Origin="http://elsewhere.example")
    assert answer.status == 403
    assert ask.post(f"{TO}?{query}", a4.read_bytes(), Cookie="").status == 403
    assert runs(folder) == []


def test_the_unit_page_offers_steps_that_can_be_recorded(ask):
    text = ask.get(f"/unit/{UNIT_ID}").text
    assert '<option value="2">2 idle, main</option>' in text
    assert '<option value="3">3 tone, phones</option>' in text
    assert '<option value="1">' not in text


# --- in a browser

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


def test_a_recording_is_chosen_measured_and_reported(open_page, folder, a4, tmp_path):
    second = tmp_path / "second.wav"
    soundfile.write(second, 0.8 * soundfile.read(a4)[0], RATE, "PCM_24")
    page = open_page(f"/unit/{UNIT_ID}", **PHONE)
    assert page.is_disabled("#drop-send")
    page.focus("input[name=files]")
    assert page.evaluate("document.activeElement.name") == "files"
    page.set_input_files("input[name=files]", [a4, second])
    page.select_option("select[name=step]", "3")
    page.fill("input[name=recorder]", "pocket recorder")
    page.focus("#drop-send")
    page.keyboard.press("Enter")
    page.wait_for_selector("#drop-result:not([hidden])")
    said = page.inner_text("#drop-said")
    assert said == "Step 3 (tone, phones) of the stage 'as received' is measured: 2 takes."
    assert "Tone level" in page.inner_text("#drop-lines")
    assert page.is_disabled("#drop-send")
    assert page.input_value("input[name=recorder]") == "pocket recorder"
    (run,) = runs(folder)
    assert (len(run.takes), run.rig.device) == (2, "pocket recorder")

    assert serious_faults(page) == []
    page.click("#drop-again")
    page.click("text=Write the report")
    page.click("text=Make the report")
    page.wait_for_selector("iframe.preview")
    frame = page.frames[1]
    frame.wait_for_selector("h1")
    assert frame.inner_text("h1") == "Own Duo"
    assert "pocket recorder" in frame.inner_text("main")
    assert frame.evaluate("self.origin") == "null"  # nothing of ours is within its reach
    with page.expect_download() as saved:
        page.click("text=PDF")
    assert saved.value.suggested_filename == f"{UNIT_ID}-report.pdf"
    assert Path(saved.value.path()).read_bytes().startswith(b"%PDF")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_a_file_that_is_dropped_and_is_no_audio(open_page):
    page = open_page(f"/unit/{UNIT_ID}", **PHONE)
    assert page.evaluate(DROP, ["holiday.wav", "dear all"])
    assert "holiday.wav (1 kB)" in page.inner_text("#drop-said")
    page.select_option("select[name=step]", "3")
    page.click("#drop-send")
    page.wait_for_selector("#drop-said.notice")
    assert page.inner_text("#drop-said").startswith("holiday.wav is no audio file")
    assert page.is_enabled("#drop-send")
    assert page.is_hidden("#drop-going")
    complaints = open_page.seen.wrong
    assert [said for said in complaints if "Failed to load resource" not in said] == []
    complaints.clear()  # a browser tells of every answer that is a refusal


def test_a_stored_take_is_seen_again(open_page, ask, folder, a4):
    bring(ask, a4.read_bytes(), recorder="pocket recorder")
    before = runs(folder)
    page = open_page(f"/unit/{UNIT_ID}", **PHONE)
    page.locator("summary").first.click()
    assert page.locator("select[name=take] option").all_inner_texts() == ["3 tone, phones"]
    page.get_by_role("button", name="Show it").click()
    phase(page, "ready")
    assert "recorded" in page.inner_text("#sayings")
    page.keyboard.press("Space")
    phase(page, "shown")
    level = page.locator(".level .figure span")
    assert float(level.inner_text().replace("−", "-")) == pytest.approx(-10.5, abs=0.1)  # 0.3 peak
    assert page.is_hidden("#happened")  # of a tone nothing is looked for but its level
    page.reload()
    level.wait_for()
    page.keyboard.press("q")
    phase(page, "over")
    assert page.is_hidden("#live")
    assert runs(folder) == before


@pytest.mark.parametrize(
    "take", ["", "x", "0123/1", "0123/", "{run}/2", "{run}/0", "{run}/" + 5000 * "9"]
)
def test_what_cannot_be_seen_again(ask, folder, a4, take):
    bring(ask, a4.read_bytes())
    (run,) = runs(folder)
    wanted = urlencode({"take": take.replace("{run}", run.id), "page": "one"})
    answer = ask.post(f"/unit/{UNIT_ID}/show", wanted, Accept="text/plain")
    assert answer.status in (400, 404)
    assert re.search("no such take|no run", answer.text)
