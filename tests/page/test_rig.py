"""The rig on the bench page: set-up, what is known of it, and its steps."""

import json
import time
from contextlib import ExitStack
from urllib.parse import quote, urlencode

import pytest

from sigbench.bench.rigs import rig_in_use, rigs, save_rig
from sigbench.interface.loopback import LoopbackInterface
from sigbench.interface.portaudio import Device
from sigbench.model import Calibration, FullScale, Meter, RigSetup
from sigbench.rig.choose import SIMULATED_RIG
from tests.page.conftest import UNIT, serious_faults

DEVICES = (
    Device(0, "Built-in", "ALSA", 2, 2, 48_000),
    Device(4, "USB line", "ALSA", 4, 4, 96_000),
    Device(5, "Loud speaker", "ALSA", 0, 2, 44_100),
    Device(6, "Line in", "ALSA", 2, 0, 48_000),
)
SIMULATED = RigSetup("own <i>rig</i>", SIMULATED_RIG, "simulated", 48_000, (1, 2), (1, 2), "low")
USB = "4|ALSA|USB line"
PATIENCE_SECONDS = 60


@pytest.fixture(autouse=True)
def opened(monkeypatch, request):
    """The devices of this computer; each rig that is opened is a simulated one.

    Where a browser needs the computer as well, it is as slow as a real one.
    """
    rigs_opened = []
    paced = "open_page" in request.fixturenames

    def open_rig(setup, **_):
        rigs_opened.append(setup)
        rate, channels = setup.samplerate, len(setup.inputs)
        return LoopbackInterface(samplerate=rate, channels=channels, paced=paced)

    monkeypatch.setattr("sigbench.interface.portaudio.list_devices", lambda: DEVICES)
    monkeypatch.setattr("sigbench.rig.choose.open_rig", open_rig)
    monkeypatch.setattr("sigbench.live.procedure.TONE_SECONDS", 1.0)
    return rigs_opened


@pytest.fixture
def with_rig(folder):
    save_rig(folder, SIMULATED)
    return folder


def set_up(ask, **fields):
    return ask.post("/rig/setup", urlencode({"name": "bench", "source": USB, **fields}))


# --- the set-up


def test_before_there_is_a_rig(ask):
    answer = ask.get("/rig")
    assert answer.status == 200
    assert "No rig is set up yet" in answer.text
    begun = ask.post("/rig/begin", "kind=test&page=a")
    assert begun.status == 400
    assert "set one up first" in begun.text


def test_a_rig_is_set_up_from_a_device(ask, folder, opened):
    answer = set_up(ask, gain="  at   noon ", pilot="3:4", exclusive="on")
    assert (answer.status, answer.headers["Location"]) == (303, "/rig")
    chosen = rig_in_use(folder)
    expected = RigSetup(
        "bench", "USB line", "ALSA", 96_000, (1, 2), (1, 2), "at noon", pilot=(3, 4), exclusive=True
    )
    assert chosen == expected
    assert opened == [expected]  # it was seen that it can be opened
    shown = ask.get("/rig").text
    for words in ("USB line (ALSA)", "96 kHz", "at noon", "output 3 to input 4", "left out"):
        assert words in shown


def test_inputs_and_outputs_may_be_two_devices(ask, folder):
    assert set_up(ask, source="6|ALSA|Line in", rate="44100", inputs="2").status == 303
    chosen = rig_in_use(folder)
    assert (chosen.inputs, chosen.outputs, chosen.samplerate) == ((2,), (), 44_100)
    assert "it can listen and not play" in ask.get("/rig").text
    assert set_up(ask, source="6|ALSA|Line in", sink="5|ALSA|Loud speaker").status == 303
    chosen = rig_in_use(folder)
    assert (chosen.play_device, chosen.outputs) == ("Loud speaker", (1, 2))


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"name": " "}, "name is empty"),
        ({"source": ""}, "not there any more"),
        ({"source": "4|ALSA|Other"}, "not there any more"),
        ({"sink": "9|ALSA|Gone"}, "not there any more"),
        ({"rate": "fast"}, "no number for a sample rate"),
        ({"rate": "12", "source": "simulated"}, "does not run at 12 Hz"),
        ({"inputs": "1,1"}, "no list of channels"),
        ({"outputs": "0"}, "no list of channels"),
        ({"pilot": "3"}, "no pair"),
    ],
)
def test_what_cannot_be_set_up_is_said_and_the_form_kept(ask, folder, fields, says):
    answer = set_up(ask, **{"gain": "where <it> was", **fields})
    assert answer.status == 400
    assert says in answer.text
    assert "where &lt;it&gt; was" in answer.text
    assert rigs(folder) == {}


def test_what_is_known_is_kept_or_kept_aside(ask, folder):
    made = Calibration("2026-01-02T10:00:00+00:00", 48_000, "low", 400, Meter(1, 3, True), (), ())
    save_rig(folder, RigSetup("bench", "USB line", "ALSA", 48_000, (1, 2), (1, 2), "low", None,
                              None, None, False, None, made))  # fmt: skip
    set_up(ask, gain="noon", rate="48000")
    assert rig_in_use(folder).calibration == made
    other = set_up(ask, source="0|ALSA|Built-in", name="Bench")
    place = other.headers["Location"]
    assert place == "/rig?kept=bench+of+2026-01-02"
    assert "kept as “bench of 2026-01-02”" in ask.get(place).text
    assert rigs(folder)["bench of 2026-01-02"].calibration == made
    assert rig_in_use(folder).calibration is None
    assert "kept as" not in ask.get("/rig?kept=no+such").text


def test_the_form_shows_the_rig_as_it_is(ask, folder):
    save_rig(folder, RigSetup("mine", "USB line", "ALSA", 44_100, (3,), (4,), "up", pilot=(1, 2)))
    shown = ask.get("/rig/setup?rig=mine").text
    assert f'value="{USB}" selected' in shown
    for value in ("mine", "44100", "3", "4", "up", "1:2"):
        assert f'value="{value}"' in shown
    save_rig(folder, RigSetup("away", "Road box", "ALSA", 44_100, (1,), ()))
    gone = ask.get("/rig/setup?rig=away").text
    assert "&#39;Road box&#39; is not there now" in gone
    assert ask.get("/rig/setup?rig=none").status == 400


def test_another_rig_is_used(ask, with_rig):
    save_rig(with_rig, RigSetup("road", "USB line", "ALSA", 48_000, (1,), ()))
    shown = ask.get("/rig").text
    assert "The rig: road" in shown
    assert "own &lt;i&gt;rig&lt;/i&gt;" in shown
    assert "<i>rig" not in shown
    assert ask.post("/rig/use", urlencode({"name": SIMULATED.name})).status == 303
    assert rig_in_use(with_rig) == SIMULATED
    for name in ("", "../road", "in-use"):
        assert ask.post("/rig/use", urlencode({"name": name})).status == 400
    assert rig_in_use(with_rig) == SIMULATED


def test_the_page_names_each_state_and_what_is_next(ask, folder):
    made = Calibration(
        "2026-01-02T10:00:00+00:00",
        48_000,
        "low",
        400,
        Meter(1, 3, True),
        (FullScale(1, 18.0, 0.06),),
        (FullScale(1, 20.0, 0.06),),
    )
    save_rig(folder, RigSetup("bench", "USB line", "ALSA", 48_000, (1,), (1,), "noon",
                              calibration=made))  # fmt: skip
    shown = " ".join(ask.get("/rig").text.split())
    assert "Output 1: 0 dBFS is 18.00 ± 0.12 dBu (6.153 V RMS)" in shown  # 0.7746 V × 10^(18/20)
    assert "made with the gain at &#39;low&#39;, and it stands at &#39;noon&#39;" in shown
    assert "left aside" in shown
    assert "can kill" in shown
    assert shown.count("<strong>Next:</strong>") == 4


# --- the steps


class Page:
    """A page that shows the steps: the last moment it was sent."""

    def __init__(self, socket, name):
        self.socket = socket
        self.levels = None
        self.say(page=name)

    def say(self, **message):
        self.socket.send(json.dumps(message))

    def hear(self, kind, matches=lambda message: True):
        until = time.monotonic() + PATIENCE_SECONDS
        while time.monotonic() < until:
            message = json.loads(self.socket.recv(timeout=PATIENCE_SECONDS))
            if message["kind"] == "running":
                self.levels = message
            if message["kind"] == kind and matches(message):
                return message
        raise AssertionError(kind)

    def moment(self, after=-1, phase=("asking", "over")):
        def matches(message):
            moment = message["moment"]
            return moment and moment["question"] > after and moment["phase"] in phase

        return self.hear("moment", matches)["moment"]

    def go(self, moment, **typed):
        if typed:
            self.say(do="typed", question=moment["question"], fields=typed)
        else:
            self.say(do="answer", question=moment["question"], answer="go")
        return self.moment(moment["question"])


@pytest.fixture
def watch(ask):
    with ExitStack() as sockets:

        def open_it(name):
            return Page(sockets.enter_context(ask.socket("/rig/live")), name)

        yield open_it


def begin(ask, kind, page="first"):
    return ask.post("/rig/begin", urlencode({"kind": kind, "page": page}))


def test_a_calibration_over_the_socket(ask, with_rig, watch):
    assert begin(ask, "calibrate").headers["Location"] == "/rig/steps"
    page = watch("first")
    at = page.moment()
    assert "can kill" in at["cautions"][0]
    page.say(do="typed", question=at["question"], fields={"accuracy": "fine"})
    words = page.hear("words")["words"]
    assert len(words) == 3
    at = page.go(at, accuracy="1% + 2", true_rms="yes", loaded="no")
    assert at["wiring"].startswith("<svg")
    assert "own &lt;i&gt;rig" in at["wiring"]
    assert "headphones down" in at["cautions"][0]
    for volts in ("1.5", "1.6"):
        at = page.go(page.go(at), volts=volts)
    done = page.go(at)
    assert done["stored"]
    assert "Output 2" in " ".join(done["results"])
    assert rig_in_use(with_rig).calibration.meter == Meter(1, 2, True)
    assert [level["jack"] for level in page.levels["levels"]] == [1, 2]


def test_one_page_steers_and_the_others_watch(ask, with_rig, watch):
    begin(ask, "levels", "first")
    first, second = watch("first"), watch("second")
    at = first.moment()
    assert second.moment() == at
    second.say(do="answer", question=at["question"], answer="stop")
    assert "Another page steers" in second.hear("words")["words"][0]
    second.say(do="take over")
    assert second.hear("moment", lambda m: m["steers"])["moment"] == at
    first.hear("moment", lambda m: not m["steers"])
    first.say(do="answer", question=at["question"], answer="stop")
    assert "Another page steers" in first.hear("words")["words"][0]
    second.say(do="answer", question=at["question"], answer="stop")
    assert second.moment(at["question"])["phase"] == "over"


def test_one_thing_goes_on_at_a_time(ask, with_rig):
    begin(ask, "levels")
    measure = urlencode(
        {"stage": "x", "source": "simulated:repaired", "step": "2", "page": "first"}
    )
    for answer in (
        begin(ask, "test"),
        ask.post(f"/unit/{UNIT}/measure", measure),
        set_up(ask),
    ):
        assert answer.status == 400
        assert "is being set up: end that first" in answer.text
    assert 'href="/rig/steps"' in ask.get("/").text
    ask.page.desk.procedure.answer(ask.page.desk.procedure.moment.question, "stop")
    until = time.monotonic() + PATIENCE_SECONDS
    while not ask.page.desk.procedure.over:
        assert time.monotonic() < until
        ask.page.desk.procedure.answer(ask.page.desk.procedure.moment.question, "stop")
        time.sleep(0.01)
    assert ask.post(f"/unit/{UNIT}/measure", measure).status == 303
    refused = begin(ask, "test")
    assert refused.status == 400
    assert "is being measured" in refused.text


@pytest.mark.parametrize(
    "message",
    [
        {"do": "answer"},
        {"do": "answer", "question": [1], "answer": {"a": 1}},
        {"do": "typed", "question": 1, "fields": "x"},
        {"do": "typed", "question": None, "fields": {"volts": [1]}},
        {"do": "answer", "question": "now", "answer": {"a": 1}},
        {"do": "typed", "question": "now", "fields": {"gain": "x" * 300}},
        {"do": 3},
    ],
)
def test_messages_that_are_none_do_nothing(ask, with_rig, watch, message):
    begin(ask, "levels")
    page = watch("first")
    at = page.moment()
    now = {"question": at["question"]} if message.get("question") == "now" else {}
    page.say(**message | now)
    page.say(do="answer", question=at["question"], answer="stop")
    assert page.moment(at["question"])["phase"] == "over"


def test_what_is_no_procedure(ask, with_rig):
    assert begin(ask, "paint").status == 400
    assert begin(ask, "check").status == 400
    assert "not calibrated yet" in begin(ask, "check").text


# --- with a browser


def test_a_calibration_by_keys(open_page, with_rig):
    page = open_page("/rig")
    page.click("button:has-text('Calibrate it')")
    page.wait_for_selector("#typed [name=accuracy]")
    page.fill("[name=accuracy]", "good")
    page.keyboard.press("Enter")
    page.wait_for_selector("#sayings li:has-text('no accuracy of a meter')")
    page.fill("[name=accuracy]", "0.5% + 2")
    page.keyboard.press("Enter")
    for output in (1, 2):
        page.wait_for_selector(f"h1:has-text('The meter at output {output}')")
        assert page.locator("svg.wiring text", has_text=f"output {output}").count() == 1
        page.keyboard.press(" ")
        page.wait_for_selector("[name=volts]")
        page.fill("[name=volts]", "1.5")
        page.reload()  # nothing is lost but what was not sent
        page.wait_for_selector("[name=volts]")
        page.fill("[name=volts]", f"1.5{output}")
        page.keyboard.press("Enter")
    page.wait_for_selector("h1:has-text('Loopback cables')")
    page.keyboard.press(" ")
    page.wait_for_selector("[data-phase=over] li:has-text('Input 2: 0 dBFS is')")
    made = rig_in_use(with_rig).calibration
    assert [round(o.dbu - made.outputs[0].dbu, 2) for o in made.outputs] == [0, 0.06]  # 1.52/1.51


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1280])
def test_the_wiring_is_seen_in_both_looks(open_page, with_rig, ask, scheme, width):
    begin(ask, "levels", "elsewhere")
    page = open_page("/rig/steps", color_scheme=scheme, viewport={"width": width, "height": 740})
    page.wait_for_selector("svg.wiring")
    ink, paper = page.evaluate(
        "[getComputedStyle(document.querySelector('svg.wiring rect')).stroke,"
        " getComputedStyle(document.body).backgroundColor]"
    )
    dark = [sum(map(int, colour[4:-1].split(","))) < 3 * 128 for colour in (ink, paper)]
    assert dark == [scheme == "light", scheme == "dark"]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.locator("#others").is_visible()
    ask.page.desk.procedure.answer(ask.page.desk.procedure.moment.question, "stop")


def test_no_serious_fault_for_who_sees_or_reaches_less(open_page, with_rig):
    page = open_page("/rig")
    assert serious_faults(page) == []
    page.click("button:has-text('Calibrate it')")
    page.wait_for_selector("#typed [name=accuracy]")
    assert serious_faults(page) == []
    page.goto(page.url.replace("/steps", f"/setup?rig={quote(SIMULATED.name)}"))
    assert serious_faults(page) == []


def test_a_label_for_every_field(open_page, with_rig):
    page = open_page(f"/rig/setup?rig={quote(SIMULATED.name)}")
    unlabelled = page.evaluate(
        "[...document.querySelectorAll('input, select')].filter((f) => !f.labels.length).length"
    )
    assert unlabelled == 0
