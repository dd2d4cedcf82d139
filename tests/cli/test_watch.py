"""``sigbench watch``: hands in the instrument, alone and with a unit."""

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
import time
from contextlib import contextmanager

import pytest

from sigbench.bench.folder import Bench
from tests.interface.conftest import running_sound_server
from tests.interface.instrument import Sound, running_instrument
from tests.short_plan import PLAN, UNIT_ID, make_bench

SIMULATED = ("--simulated", "as-received")
WINDOW = (80, 24)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    place = make_bench(tmp_path / "my bench")
    monkeypatch.setenv("SIGBENCH_FOLDER", str(place))
    return place


@pytest.mark.parametrize("check", ["jack", "pot", "soak"])
def test_without_a_unit_it_measures_and_stores_nothing(call, folder, check):
    done = call("watch", check, *SIMULATED, "--seconds", "8", "--json")
    assert done.code == 0
    found = json.loads(done.out)
    assert (found["check"], found["source"]["frames"]) == (check, 8 * 48_000)
    with Bench.open(folder) as bench:
        assert bench.stages(UNIT_ID) == []
        assert len(bench.plan(UNIT_ID).steps) == len(PLAN.steps)


def test_in_a_pipe_each_event_is_a_line(call):
    done = call("watch", "jack", *SIMULATED, "--seconds", "8", "--place", "main L", "--json")
    events = json.loads(done.out)["events"]
    assert (events[0]["kind"], events[0]["place"]) == ("mark", "main L")
    assert "at 0:00 begun: main L" in done.err
    assert "signal lost: the tip let go" in done.err
    assert {event["place"] for event in events} == {"main L"}


def test_a_file_is_measured_with_the_marks_beside_it(call, tmp_path):
    saved = tmp_path / "wiggle.wav"
    live = call(
        "watch", "jack", *SIMULATED, "--seconds", "8", "--place", "L", "--save", saved, "--json"
    )
    again = call("measure", saved, "--check", "jack", "--json")
    first, second = json.loads(live.out), json.loads(again.out)
    assert first["events"] == second["events"]
    assert first["readings"] == second["readings"]
    shown = call("measure", saved, "--check", "jack").out
    dropouts = sum(event["kind"] == "dropout" for event in first["events"])
    assert re.search(rf"^L: \d+ in 8 s \({dropouts} dropouts", shown, re.MULTILINE)


def test_with_a_unit_it_is_a_step_of_the_plan(call, folder):
    # Openings come at random, about one a second: so long that there are always enough of them.
    first = call("watch", "jack", "--unit", "7", "--stage", "one", *SIMULATED, "--yes",
                 "--seconds", "30")  # fmt: skip
    number = len(PLAN.steps) + 1
    assert f"Added to the plan of {UNIT_ID} as step {number}: jack, main." in first.err
    assert first.code == 1  # dropouts are outside the step's limit
    second = call("watch", "jack", "--unit", "7", "--stage", "two", "--simulated", "repaired",
                  "--yes")  # fmt: skip
    assert second.code == 0
    with Bench.open(folder) as bench:
        assert len(bench.plan(UNIT_ID).steps) == number
        (one,), (two,) = bench.runs(UNIT_ID, "one"), bench.runs(UNIT_ID, "two")
        assert bench.check() == []
    assert one.step == two.step
    assert one.takes[0].marks == two.takes[0].marks
    assert one.measurements[0].events[0].place == "main L"
    compared = call("compare", "7", "--json")
    verdicts = {
        (c["name"], c["channel"]): c["verdict"] for c in json.loads(compared.out)["comparisons"]
    }
    assert verdicts["dropouts", 1] == "better"
    assert verdicts["dropouts", 2] == "no change"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["tone"], "'tone' is not one to be watched: choose one of jack, pot, soak"),
        (["jack", "--stage", "one"], "--stage and --output belong to a unit"),
        (["jack", "--unit", "7"], "A unit is measured at a stage"),
        (["jack", "--unit", "7", "--stage", "one", "--save", "a.wav"], "leave --save out"),
        (["jack", "--unit", "7", "--stage", "one", "--output", "aux"], "no output 'aux'"),
        (["jack", "--place", " "], "--place is given without a name"),
        (["jack", *(word for n in range(10) for word in ("--mark", str(n)))], "keys for 9 marks"),
    ],
)
def test_a_wrong_request_gives_one_sentence(call, folder, words, says):
    done = call("watch", *words, *SIMULATED)
    assert done.code == 2
    assert says in " ".join(done.err.split())
    assert done.err.count("\n") == 1


def test_a_step_that_is_there_keeps_its_settings(call, folder):
    call("watch", "jack", "--unit", "7", "--stage", "one", *SIMULATED, "--yes", "--seconds", "2")
    done = call("watch", "jack", "--unit", "7", "--stage", "two", *SIMULATED, "--seconds", "3")
    assert done.code == 2
    assert "leave --seconds" in done.err


# --- at a terminal, through a real sound server


class Terminal:
    """A window of tmux, as the person at the bench has it before the eyes."""

    def __init__(self, socket):
        self.socket = socket

    def tmux(self, *words):
        command = ["tmux", "-u", "-S", str(self.socket), "-f", os.devnull, *words]
        return subprocess.run(command, check=True, capture_output=True, text=True).stdout

    def type(self, text):
        self.tmux("send-keys", "-l", text)

    def command(self, *words):
        self.type(f"clear; {shlex.join(words)}; echo ended-with-$?")
        self.tmux("send-keys", "Enter")

    def screen(self):
        return self.tmux("capture-pane", "-p")

    def wait_for(self, pattern, seconds=60):
        """The screen as soon as it shows something."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if re.search(pattern, screen := self.screen(), re.MULTILINE):
                return screen
            time.sleep(0.05)
        pytest.fail(f"'{pattern}' never showed:\n{screen}")


@contextmanager
def terminal(place, environment):
    if shutil.which("tmux") is None:
        pytest.skip("NO TERMINAL, the live view untried: apt-get install tmux")
    window = Terminal(place / "tmux.sock")
    columns, lines = map(str, WINDOW)
    passed = [
        word
        for name in ("HOME", "XDG_RUNTIME_DIR", "PULSE_SERVER", "PULSE_SINK", "PULSE_SOURCE")
        for word in ("-e", f"{name}={environment[name]}")
    ]
    window.tmux("new-session", "-d", "-x", columns, "-y", lines, *passed,
                "-e", "LC_ALL=C.UTF-8", "-e", f"SIGBENCH_FOLDER={environment['SIGBENCH_FOLDER']}",
                "-e", "PS1=$ ", "sh")  # fmt: skip
    try:
        yield window
    finally:
        window.tmux("kill-server")


@pytest.mark.real_time
def test_a_live_session_at_a_terminal(tmp_path, call, monkeypatch):
    """Two rounds of moving jacks, with keys; the second round is compared with the first."""
    folder = make_bench(tmp_path / "bench")
    note = Sound("note", noise_dbfs=-90.0)
    with (
        running_sound_server(rig_rate=48_000) as server,
        running_instrument(server.environment, sound=note) as instrument,
        terminal(tmp_path, server.environment | {"SIGBENCH_FOLDER": str(folder)}) as window,
    ):
        watch = [sys.executable, "-m", "sigbench", "watch", "jack", "--unit", "7", "--yes",
                 "--device", "rig", "--mark", "tapped the board", "--stage"]  # fmt: skip
        window.command(*watch, "as received")
        window.wait_for(r"^JACK  main L \(1 of 2\) .* left$")
        window.wait_for(r" 0:0[2-9], ")  # the sound is known
        for seconds in (0.03, 0.2, *[0.06] * 10):
            instrument.drop(seconds, (1,))
            time.sleep(0.4)
        screen = window.wait_for(r"^main L: 12 in \d+ s \(12 dropouts\), worst 20\d ms to silence")
        assert "signal lost: the tip let go" in screen
        assert re.search(r"^      .*X", screen, re.MULTILINE)  # below the strip
        window.type("1")
        window.wait_for(r"mark: tapped the board")
        window.type(" ")
        window.wait_for(r"^JACK  main R \(2 of 2\)")
        instrument.drop(0.1, (2,))
        window.wait_for(r"^main R: 1 in")
        window.type("p")
        window.wait_for(r"PAUSED")
        instrument.drop(0.1, (1, 2))  # the plug is pulled
        time.sleep(0.5)
        window.type("p")
        window.wait_for(r"paused for \d s")
        window.type("q")
        window.wait_for(r"^ended-with-1")
        window.command(*watch, "after the repair")
        window.wait_for(r" 0:1[2-9], ")
        assert "main L: nothing in" in window.screen()
        window.type("q")
        window.wait_for(r"^ended-with-0")
    with Bench.open(folder) as bench:
        (first,), (second,) = bench.runs(UNIT_ID, "as received"), bench.runs(UNIT_ID)[1:]
        assert bench.check() == []
    told = [(mark.place, mark.text) for mark in first.takes[0].marks]
    assert told == [("main L", None), (None, "tapped the board"), ("main R", None),
                    (None, "paused")]  # fmt: skip
    events = first.measurements[0].events
    counted = [
        (e.kind, e.place, e.channels) for e in events if e.kind not in ("mark", "lost_buffers")
    ]
    assert counted == [("dropout", "main L", (1,))] * 12 + [("dropout", "main R", (2,))]
    assert [e for e in events if e.kind == "mark"] == list(first.takes[0].marks)
    assert second.measurements[0].events[0].place == "main L"
    monkeypatch.setenv("SIGBENCH_FOLDER", str(folder))
    compared = json.loads(call("compare", "7", "--json").out)
    verdicts = {(c["name"], c["channel"]): c["verdict"] for c in compared["comparisons"]}
    assert verdicts["dropouts", 1] == "better"
