"""Measuring from the page, over its socket: steering, watching, and what is stored."""

import json
import time
from urllib.parse import parse_qs, urlencode, urlsplit

import msgspec
import pytest

from sigbench.bench.folder import Bench
from sigbench.circuits.heard import kept
from sigbench.model import PAUSED
from tests.page.asking import serving
from tests.page.conftest import PATIENCE_MS, UNIT, make_bench


class Steering:
    """A page that steers or watches, without a browser."""

    def __init__(self, ask, name="a"):
        self._open = ask.socket("/live")
        self._name = name
        self.seen, self.alerts, self.words = [], [], []
        self.moment, self.steers = None, False

    def __enter__(self):
        self.socket = self._open.__enter__()
        self.socket.send(json.dumps({"page": self._name}))
        return self

    def __exit__(self, *problem):
        self._open.__exit__(*problem)

    def take(self):
        message = json.loads(self.socket.recv(PATIENCE_MS / 1000))
        kind = message["kind"]
        if kind == "moment":
            self.moment, self.steers = message["moment"], message["steers"]
        elif kind == "seen":
            self.seen.append(message)
        elif kind == "alerts":
            self.alerts += message["kinds"]
        else:
            self.words.append(message["words"])
        return kind

    def until(self, *phases, number=None):
        """Wait for a phase, of a step."""
        while (
            self.moment is None
            or self.moment["phase"] not in phases
            or (number is not None and self.moment["number"] != number)
        ):
            self.take()
        return self.moment

    def do(self, what, **more):
        self.socket.send(json.dumps({"do": what, "question": self.moment["question"], **more}))


def begin(ask, *steps, source="simulated:as-received", stage="as received", page="a", **fields):
    form = {"stage": stage, "source": source, "page": page, **fields}
    body = urlencode([*form.items(), *(("step", n) for n in steps)])
    return ask.post(f"/unit/{UNIT}/measure", body)


def runs(folder):
    with Bench.open(folder) as bench:
        return bench.runs(UNIT)


def test_a_whole_stage_by_answers(ask, folder):
    with Steering(ask) as page:
        page.take()
        assert page.moment is None
        assert begin(ask, 1, 2, 3, gain="12 o'clock").headers["Location"] == "/measuring"
        rails = page.until("rails")
        assert [field["name"] for field in rails["fields"]] == ["+15 V", "-15 V"]
        page.do("typed", fields={"+15 V": "fifteen"})
        while not page.words:
            page.take()
        assert "no voltage" in page.words[0][0]
        page.do("typed", fields={"+15 V": "14.9 0.002", "-15 V": "-15"})
        page.until("ready", number=2)
        page.do("answer", answer="go")
        page.until("ready", number=3)
        page.do("answer", answer="go")
        page.until("recording", number=3)
        over = page.until("over", "ready")
        if over["phase"] == "ready":  # the second take of the step
            page.do("answer", answer="go")
            over = page.until("over")
    assert over["failed"] is None
    assert over["left"] == []
    assert [done["number"] for done in over["done"]] == [1, 2, 3]
    stored = runs(folder)
    assert [run.step_number for run in stored] == [1, 2, 3]
    assert {run.rig.description for run in stored[1:]} == {"12 o'clock"}
    assert [len(run.takes) for run in stored] == [0, 1, 2]
    shown = {line["title"]: line["value"] for line in over["done"][1]["readings"]}
    assert any("dBFS" in value for value in shown.values())
    assert "as received" in ask.get("/").text


def test_the_simulated_unit_is_offered_with_every_fault_and_has_it(ask, folder):
    offered = ask.get(f"/unit/{UNIT}/measure").text
    assert all(f'value="simulated:{state}"' in offered for state in kept() if "good" not in state)
    differences = {}
    for state in ("repaired", "series-resistance"):
        with Steering(ask) as page:
            page.take()
            begin(ask, 3, source=f"simulated:{state}", stage=state)
            for _ in range(2):
                page.until("ready")
                page.do("answer", answer="go")
                page.until("recording")
            page.until("over")
        (run,) = (run for run in runs(folder) if run.stage == state)
        (balance,) = (r for r in run.measurements[0].readings if r.name == "balance")
        differences[state] = balance.value
    assert abs(differences["repaired"]) < 0.5  # parts as on the other side
    assert differences["series-resistance"] < -3  # 25 kΩ in the left side's path


def test_only_one_page_steers_and_another_may_take_over(ask):
    with Steering(ask) as first, Steering(ask, "b") as second:
        begin(ask, 2)
        first.until("ready")
        second.until("ready")
        assert (first.steers, second.steers) == (True, False)
        second.do("answer", answer="stop")
        while not second.words:
            second.take()
        assert "Another page steers" in second.words[0][0]
        assert begin(ask, 2, page="b").status == 400
        second.do("take over")
        while not second.steers:
            second.take()
        while first.steers:
            first.take()
        second.do("answer", answer="stop")
        assert first.until("over")["left"] == [2]


def test_a_page_that_comes_back_goes_on(ask):
    with Steering(ask) as page:
        begin(ask, 2)
        asked = page.until("ready")
    with Steering(ask) as again:
        assert again.until("ready")["question"] == asked["question"]
        assert again.steers
        again.do("answer", answer="go")
        again.until("over")


def test_hands_on_is_put_into_the_plan_and_shown_live(tmp_path):
    folder = make_bench(tmp_path / "bench")
    with serving(folder, paced=True) as ask:
        form = urlencode({"check": "jack", "output": "main"})
        place = ask.post(f"/unit/{UNIT}/hands-on", form).headers["Location"]
        step = int(parse_qs(urlsplit(place).query)["step"][0])
        assert step == 4
        again = ask.post(f"/unit/{UNIT}/hands-on", form).headers["Location"]
        assert again == place
        with Steering(ask) as page:
            begin(ask, step, places="left plug, right plug")
            page.until("ready")
            page.do("answer", answer="go")
            page.until("asking")
            page.do("answer", answer="keep")
            page.until("recording")
            while not page.seen or page.seen[-1]["seconds"] < 3:
                page.take()
            page.do("mark", text="tapped <b>here</b>")
            page.do("next place")
            page.do("pause")
            page.do("pause")
            while page.seen[-1]["place"] != "right plug" or not any(
                e["kind"] == "dropout" for e in page.seen[-1]["events"]
            ):
                page.take()
            page.do("answer", answer="stop")
            page.until("over")
        last = page.seen[-1]
    (run,) = runs(folder)
    marks = [(mark.text, mark.place) for mark in run.takes[0].marks]
    assert marks == [
        (None, "left plug"),
        ("tapped <b>here</b>", None),
        (None, "right plug"),
        (PAUSED, None),
    ]
    assert page.alerts.count("dropout") >= 1
    assert len(last["levels"]) == len(last["strip"]["low"]) == 2
    assert last["spectrum"] is None  # it is not on the page while hands are in the unit
    assert last["place"] == "right plug"
    assert [tally["place"] for tally in last["tallies"]][:2] == ["left plug", "right plug"]


def test_frames_come_often_and_are_small(tmp_path):
    """20 to 30 a second were asked for; a busy machine may send fewer, never more."""
    with serving(make_bench(tmp_path / "bench"), paced=True) as ask, Steering(ask) as page:
        begin(ask, 2)
        page.until("ready")
        page.do("answer", answer="go")
        page.until("recording")
        page.until("over")
    assert 2 <= len(page.seen) <= 2 * 30
    assert len(page.seen[-1]["spectrum"]["levels"][0]) == 240
    assert max(len(msgspec.json.encode(frame)) for frame in page.seen) < 20_000


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"stage": ""}, "The stage has no name"),
        ({"source": "device:999"}, "no such source"),
        ({"source": "simulated:../x"}, "no such source"),
    ],
)
def test_what_cannot_begin_is_told_in_a_sentence(ask, fields, words):
    answer = begin(ask, 2, **fields)
    assert answer.status == 400
    assert words in answer.text


def test_steps_that_are_not_there(ask):
    assert "no step 99" in begin(ask, 99).text
    assert "no step left" in begin(ask).text
    form = urlencode({"check": "jack", "output": "phones"})
    assert "no output" in ask.post(f"/unit/{UNIT}/hands-on", form).text
    form = urlencode({"check": "tone", "output": "main"})
    assert "not one for both hands" in ask.post(f"/unit/{UNIT}/hands-on", form).text


def test_nonsense_from_a_page_does_no_harm(ask):
    with Steering(ask) as page:
        begin(ask, 2)
        page.until("ready")
        for message in (
            {"do": "answer"},
            {"do": "answer", "question": "x", "answer": ["go"]},
            {"do": "answer", "question": page.moment["question"], "answer": {"a": 1}},
            {"do": "typed", "fields": "all"},
            {"do": "mark", "text": None},
            {"do": "next place"},
            {"do": "format the disk"},
        ):
            page.socket.send(json.dumps(message))
        time.sleep(0.2)
        page.do("answer", answer="stop")
        assert page.until("over")["failed"] is None
