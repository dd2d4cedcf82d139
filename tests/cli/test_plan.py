"""``sigbench plan``: shown in words, taken out, put back, and made anew."""

import json

import pytest

from sigbench.bench.folder import Bench
from sigbench.model import CheckSettings, Limit, Output, Plan, Rail, Step, Unit
from sigbench.plan import default_plan, load_plan, plan_from_json, save_plan
from tests.bench.records import run_of

UNIT = Unit("Own", "Two-voice", "0042", (Output("main"), Output("out 1", 1)), 230.0, 50.0)
ID = "own-two-voice-0042"


@pytest.fixture
def folder(tmp_path, monkeypatch):
    place = tmp_path / "my bench"
    monkeypatch.setenv("SIGBENCH_FOLDER", str(place))
    with Bench.create(place) as bench:
        bench.add_unit(UNIT)
        bench.set_plan(ID, default_plan(UNIT))
    return place


def kept(folder) -> Plan:
    with Bench.open(folder) as bench:
        return bench.plan(ID)


def test_show_says_what_to_do_step_by_step(call, folder):
    outcome = call("plan", "show", "two")
    assert (outcome.code, outcome.err) == (0, "")
    lines = outcome.out.splitlines()
    assert max(map(len, lines)) <= 80
    titles = [line for line in lines if line[:1].isdigit()]
    assert titles == [
        "1. Supply rails, by multimeter",
        "2. Idle on main, 10 s × 4",
        "3. Idle on main, volume down, 10 s × 4",
        "4. Tone on main, A4 (440.0 Hz), 5 s × 4",
        "5. Tone on main, A2 (110.0 Hz), 5 s × 4",
        "6. Tone on main, A6 (1760.0 Hz), 5 s × 4",
        "7. Tone on main, A4 (440.0 Hz), soft, 5 s × 4",
        "8. Dropouts on main, 15 s × 4",
        "9. Idle on out 1, 10 s × 4",
        "10. Idle on out 1, volume down, 10 s × 4",
        "11. Tone on out 1, A4 (440.0 Hz), 5 s × 4",
        "12. Tone on out 1, A2 (110.0 Hz), 5 s × 4",
        "13. Tone on out 1, A6 (1760.0 Hz), 5 s × 4",
        "14. Tone on out 1, A4 (440.0 Hz), soft, 5 s × 4",
        "15. Dropouts on out 1, 15 s × 4",
    ]
    # 2 outputs × (2·10·4 + 4·5·4 + 15·4) s = 440 s
    assert lines[1] == f"{ID}: 15 steps; the takes last 7 min in all."
    text = " ".join(outcome.out.split())
    for step in kept(folder).steps:
        assert " ".join(step.prompt.split()) in text
    assert "-15 V: −15 V ± 5 %" in text
    assert "Left minus right within ±1.5 dB; Polarity the same" in text
    assert "Hum, all mains lines at most −60 dBFS" in text
    assert "Dropouts at most 0" in text


def test_show_what_the_default_plan_does_not_have(call, folder):
    settings = CheckSettings(997.0, 442.0, 60.0, 2)
    limits = (Limit("low_corner", "Hz", 20.0, 40.0), Limit("balance", "dB", None, 1.0))
    step = Step("tone", "main", "Listen.", 2.5, 1, "sine", "full", "half", settings, limits)
    with Bench.open(folder) as bench:
        bench.set_plan(ID, Plan("odd", (step,)))
    lines = [line.strip() for line in call("plan", "show", ID).out.splitlines()]
    assert lines == [
        "odd",
        f"{ID}: 1 step; the takes last 2 s in all.",
        "",
        "1. Tone on main, 997 Hz, 2.5 s",
        "Listen.",
        "Volume: full",
        "Gain: half",
        "Plays meanwhile: sine",
        "Only driven channel: 2",
        "Tuning: A4 = 442 Hz",
        "Limits: Lower corner (−3 dB) 20 to 40 Hz; Left minus right at most 1 dB",
    ]


def test_show_as_json_is_the_file_of_the_plan(call, folder):
    outcome = call("plan", "show", ID, "--json")
    assert (outcome.code, outcome.err) == (0, "")
    assert json.loads(outcome.out)["steps"][0]["check"] == "rails"
    assert plan_from_json(outcome.out) == kept(folder)


def test_save_and_load_give_back_the_plan(call, folder, tmp_path):
    file = tmp_path / "my plan.json"
    saved = call("plan", "save", ID, file)
    assert (saved.code, saved.out) == (0, "")
    assert saved.err.splitlines()[-1] == f"  sigbench plan load {ID} '{file}'"
    before = kept(folder)
    assert load_plan(file) == before
    text = file.read_text("utf-8").replace('"repeats": 4', '"repeats": 3')
    file.write_text(text, "utf-8")
    loaded = call("plan", "load", ID, file)
    assert loaded.code == 0
    assert "Note" not in loaded.err  # nothing was measured yet
    after = kept(folder)
    assert after != before
    assert {step.repeats for step in after.steps if step.check == "tone"} == {3}


def test_save_does_not_write_over_an_edited_plan(call, folder, tmp_path):
    file = tmp_path / "plan.json"
    file.write_text("my edits")
    outcome = call("plan", "save", ID, file)
    assert (outcome.code, outcome.out) == (2, "")
    assert "--replace" in outcome.err
    assert file.read_text() == "my edits"
    assert call("plan", "save", ID, file, "--replace").code == 0
    assert load_plan(file) == kept(folder)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"repeats": 4', '"repeats": 0', "Step 2, field 'repeats'"),
        ('"check": "idle"', '"check": "idel"', "Step 2, field 'check': there is no check 'idel'"),
        ('"seconds": 10.0', '"second": 10.0', "there is no field 'second'"),
        ('"output": "main"', '"output": "mian"', "step 2, field 'output'"),
        ("{", "", "is no JSON"),
    ],
)
def test_a_plan_with_a_mistake_is_refused(call, folder, tmp_path, old, new, says):
    file = tmp_path / "plan.json"
    save_plan(kept(folder), file)
    text = file.read_text("utf-8")
    assert old in text
    file.write_text(text.replace(old, new, 1), "utf-8")
    before = kept(folder)
    outcome = call("plan", "load", ID, file)
    assert (outcome.code, outcome.out) == (2, "")
    assert says in outcome.err
    assert outcome.err.count("\n") == 1
    assert kept(folder) == before


def test_an_unknown_output_says_which_there_are(call, folder, tmp_path):
    file = tmp_path / "plan.json"
    save_plan(Plan("p", (Step("idle", "phones", "Play nothing."),)), file)
    assert "it has: main, out 1" in call("plan", "load", ID, file).err


def test_a_plan_changed_between_stages_is_told(call, folder):
    with Bench.open(folder) as bench:
        bench.add_run(ID, run_of("a1", stage="as received"))
    same = call("plan", "reset", ID)
    assert (same.code, same.out) == (0, "")
    assert "Note" not in same.err
    changed = call("plan", "reset", ID, "--a4", "442")
    assert changed.code == 0
    assert "measured with the earlier plan: as received" in changed.err


def test_reset_with_the_rails_of_the_schematic(call, folder):
    outcome = call(
        "plan", "reset", ID, "--rail", "+12 V=12", "--rail", "-12 V=-12", "--rail", "core = 3,3 V",
        "--rail", "bias=−5.2", "--a4", "442",
    )  # fmt: skip
    assert outcome.code == 0, outcome.err
    rails = (Rail("+12 V", 12.0), Rail("-12 V", -12.0), Rail("core", 3.3), Rail("bias", -5.2))
    assert kept(folder) == default_plan(UNIT, rails=rails, a4_hz=442.0)
    assert outcome.err.splitlines()[-1] == f"  sigbench plan show {ID}"


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--rail", "+12 V"], "'+12 V' is no supply rail"),
        (["--rail", "=12"], "'=12' is no supply rail"),
        (["--rail", "+12 V=twelve"], "is no supply rail"),
        (["--rail", "+12 V=12 mV"], "is no supply rail"),
        (["--rail", "0 V=0"], "nominal voltage of 0 V"),
        (["--rail", "a=5", "--rail", "a=6"], "Two rails are named 'a'"),
        (["--rail", "[a]=5"], "without brackets"),
        (["--a4", "44"], "--a4 44 is no tuning"),
    ],
)
def test_a_wrong_rail_or_tuning_keeps_the_plan(call, folder, options, says):
    before = kept(folder)
    outcome = call("plan", "reset", ID, *options)
    assert (outcome.code, outcome.out) == (2, "")
    assert says in outcome.err
    assert outcome.err.count("\n") == 1
    assert kept(folder) == before


def test_a_unit_without_a_plan(call, folder):
    (folder / "units" / ID / "plan.json").unlink()
    assert call("plan", "show", ID).code == 2
    assert call("plan", "reset", ID).code == 0
    assert kept(folder) == default_plan(UNIT)
