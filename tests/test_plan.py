"""Plans: round trip, one clear sentence for a bad file, and a default that says what to do."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sigbench.checks import CHECKS
from sigbench.errors import FileError, RequestError
from sigbench.model import SOFT_VOLUME, CheckSettings, Limit, Output, Plan, Rail, Step, Unit
from sigbench.plan import (
    default_plan,
    load_plan,
    plan_from_json,
    plan_to_json,
    save_plan,
    validate,
)
from sigbench.units import note_to_frequency

UNIT = Unit(
    "Own make", "Two", "0042", (Output("main"), Output("phones"), Output("out 3", 1)), 230.0, 50.0
)
IDLE = Step("idle", "main", "Touch nothing.")

finite = st.floats(-1e6, 1e6, allow_nan=False)
positive = st.floats(1e-3, 2e4)
text = st.text(st.characters(codec="utf-8", exclude_categories=("Cs",)), max_size=20)
name = text.filter(lambda t: t.strip() != "")
notes = st.builds(
    lambda letter, octave, a4: (note_to_frequency(f"{letter}{octave}", a4_hz=a4), a4),
    st.sampled_from(["A", "C#", "Bb", "F"]),
    st.integers(0, 8),
    st.sampled_from([440.0, 442.0, 432.1]),
)
frequencies = st.one_of(notes, st.tuples(st.one_of(st.none(), positive), st.floats(380.0, 500.0)))
limits = st.builds(
    lambda reading, unit, a, b: Limit(reading, unit, min(a, b), max(a, b)),
    name, text, finite, finite,
) | st.builds(Limit, name, text, st.none(), finite)  # fmt: skip
rails = st.lists(
    st.builds(
        Rail,
        name.filter(lambda t: "[" not in t and "]" not in t),
        st.floats(1.0, 100.0) | st.floats(-100.0, -1.0),
        st.floats(0.1, 50.0),
        st.none() | finite,
    ),
    min_size=1,
    max_size=3,
    unique_by=lambda r: r.name,
)


@st.composite
def steps(draw: st.DrawFn) -> Step:
    check = draw(st.sampled_from(CHECKS))
    frequency, a4 = draw(frequencies)
    return Step(
        check,
        draw(name),
        draw(text),
        draw(st.floats(0.1, 3600.0)),
        draw(st.integers(1, 100)),
        draw(st.none() | text),
        draw(text),
        draw(text),
        CheckSettings(
            frequency, a4, draw(st.none() | st.sampled_from([50.0, 60.0])),
            draw(st.none() | st.integers(1, 32)),
            draw(st.none() | st.sampled_from(["linear", "audio:10", "power : 30 %"])),
        ),
        tuple(draw(st.lists(limits, max_size=3))),
        tuple(draw(rails)) if check == "rails" else (),
    )  # fmt: skip


@settings(max_examples=150)
@given(st.builds(Plan, name, st.lists(steps(), min_size=1, max_size=4).map(tuple)))
def test_plan_reads_back_the_same_to_the_last_bit(plan):
    assert plan_from_json(plan_to_json(plan)) == plan


def test_saved_plan_loads_the_same(tmp_path):
    plan = default_plan(UNIT)
    save_plan(plan, tmp_path / "plan.json")
    assert load_plan(tmp_path / "plan.json") == plan


def test_file_names_the_note_rather_than_its_frequency():
    step = Step("tone", "main", "Hold it.", settings=CheckSettings(note_to_frequency("C#3")))
    written = json.loads(plan_to_json(Plan("p", (step,))))["steps"][0]
    assert written["note"] == "C#3"
    assert "frequency_hz" not in written
    odd = Step("tone", "main", "Hold it.", settings=CheckSettings(441.3))
    written = json.loads(plan_to_json(Plan("p", (odd,))))["steps"][0]
    assert written["frequency_hz"] == 441.3
    assert "note" not in written


def test_default_plan_starts_with_the_rails_and_covers_every_output():
    plan = default_plan(UNIT)
    validate(plan)
    assert plan.steps[0].check == "rails"
    assert plan.steps[0].rails
    for output in UNIT.outputs:
        checks = [s.check for s in plan.steps if s.output == output.name]
        assert checks == ["idle", "idle", *["tone"] * 4, "dropouts"]


def test_default_plan_takes_the_middle_note_at_two_levels():
    for output in UNIT.outputs:
        middle = [
            s for s in default_plan(UNIT).steps
            if s.output == output.name and s.settings.frequency_hz == 440.0
        ]  # fmt: skip
        assert len(middle) == 2
        assert middle[0].volume != middle[1].volume


def test_default_plan_repeats_so_that_scatter_is_known():
    for step in default_plan(UNIT).steps:
        if step.check in ("idle", "tone"):
            assert step.repeats >= 3
        if step.check != "rails":
            assert step.settings.mains_hz == 50.0


def test_default_plan_asks_for_the_notes_at_the_units_own_tuning():
    plan = default_plan(UNIT, a4_hz=442.0)
    # Equal temperament: two octaves down is a quarter, two up is four times.
    assert [s.settings.frequency_hz for s in plan.steps if s.output == "main"][2:5] == [
        442.0, 110.5, 1768.0
    ]  # fmt: skip


def test_balance_and_polarity_are_for_pairs_only():
    for step in default_plan(UNIT).steps:
        names = {limit.reading for limit in step.limits}
        if step.check == "tone":
            assert ("polarity" in names) == (step.output != "out 3")
            # A dual control turned down may be out of balance by more than the limit.
            loud_pair = step.output != "out 3" and step.volume != SOFT_VOLUME
            assert ("balance" in names) == loud_pair


def test_prompts_carry_the_cautions():
    plan = default_plan(UNIT)
    first = plan.steps[0].prompt
    for word in ("several hundred volts", "can kill", "local rules", "Never connect"):
        assert word in first
    for step in plan.steps:
        if step.check == "idle":
            for word in ("never speaker outputs", "Phantom power off", "monitors"):
                assert word in step.prompt
        assert ("headphones off" in step.prompt) == (step.output == "phones")


def test_unit_without_outputs_gets_one_sentence():
    with pytest.raises(RequestError, match="has no outputs"):
        default_plan(Unit("a", "b", "c", ()))


def test_no_rails_no_rails_step():
    assert all(step.check != "rails" for step in default_plan(UNIT, rails=()).steps)


def file_with(**changes: object) -> str:
    step = {"check": "tone", "output": "main", "prompt": "Hold A4.", **changes}
    first = {"check": "idle", "output": "main", "prompt": "Touch nothing."}
    return json.dumps({"plan": "p", "steps": [first, step]})


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"check": "hearing"}, "Step 2, field 'check': there is no check 'hearing'; choose one of"),
        ({"check": 5}, "step 2: field 'check': expected a text in quotation marks, got"),
        ({"seconds": -1}, "Step 2, field 'seconds': a take of -1 s cannot be recorded"),
        ({"seconds": 0}, "Step 2, field 'seconds'"),
        ({"seconds": "long"}, "step 2: field 'seconds': expected a number, got a text"),
        ({"repeats": 0}, "Step 2, field 'repeats': 0 repeats cannot be done"),
        ({"repeats": 2.5}, "step 2: field 'repeats': expected a whole number, got a number"),
        ({"lenght": 5}, "step 2: there is no field 'lenght': check its spelling"),
        ({"note": "H4"}, "step 2, field 'note': 'H4' is no note name"),
        ({"note": "A4", "frequency_hz": 440}, "'note' and 'frequency_hz' are both given"),
        ({"note": "A4", "a4_hz": 0}, "step 2, field 'note': field 'a4_hz': 0 Hz is no frequency"),
        ({"frequency_hz": -3}, "Step 2, field 'frequency_hz': -3 Hz is no frequency"),
        ({"mains_hz": 0}, "Step 2, field 'mains_hz'"),
        ({"driven_channel": 0}, "Step 2, field 'driven_channel': channels count from 1"),
        ({"taper": "log"}, "Step 2, field 'taper': 'log' is no taper: write linear, audio"),
        (
            {"taper": "linear:80"},
            "Step 2, field 'taper': A linear taper with 80 % of the amplitude",
        ),
        ({"taper": 15}, "step 2: field 'taper': expected a text in quotation marks"),
        ({"output": " "}, "Step 2, field 'output': name the output"),
        ({"limits": [{"reading": "balance", "unit": "dB"}]}, "has neither 'low' nor 'high'"),
        (
            {"limits": [{"reading": "balance", "unit": "dB", "low": 2, "high": 1}]},
            "the limit of balance has its low end (2) above its high end (1): swap them",
        ),
        (
            {"limits": [{"reading": "balance", "unit": "dB", "hi": 1}]},
            "there is no field 'hi' in 'limits[0]'",
        ),
        ({"limits": [{"unit": "dB", "low": 1}]}, "the field 'reading' is missing in 'limits[0]'"),
        ({"rails": [{"name": "a", "nominal_volts": 5}]}, "only a rails step has rails"),
        ({"check": "rails"}, "Step 2, field 'rails': list the supply rails"),
        (
            {"check": "rails", "rails": [{"name": "a", "nominal_volts": 0}]},
            "Step 2, field 'rails': Rail 'a' has a nominal voltage of 0 V",
        ),
    ],
)
def test_bad_file_gets_one_sentence_with_step_and_field(changes, sentence):
    with pytest.raises(FileError) as caught:
        plan_from_json(file_with(**changes), origin="bench/plan.json")
    message = str(caught.value)
    assert sentence in message
    assert message.startswith("bench/plan.json")
    assert "\n" not in message
    assert "`" not in message


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "is no JSON"),
        ("{", "is no JSON"),
        ('{"plan": "p", "steps": [}', "is no JSON"),
        (b"\xff\xfe", "is no JSON"),
        ("[]", "is no plan: expected an object in braces, got a list"),
        ('{"plan": "p"}', "is no plan: the field 'steps' is missing"),
        ('{"plan": "p", "steps": [], "extra": 1}', "there is no field 'extra'"),
        ('{"plan": "p", "steps": []}', "has no steps"),
        ('{"plan": "", "steps": [1]}', "step 1: expected an object in braces, got a whole number"),
        ('{"plan": " ", "steps": [{"check":"idle","output":"m","prompt":""}]}', "has no name"),
    ],
)
def test_file_that_is_no_plan(text, sentence):
    with pytest.raises(FileError, match="this text") as caught:
        plan_from_json(text)
    assert sentence in str(caught.value)


def test_missing_file_gets_one_sentence(tmp_path):
    with pytest.raises(FileError, match="cannot be read"):
        load_plan(tmp_path / "none.json")
    with pytest.raises(FileError, match="cannot be written"):
        save_plan(Plan("p", (IDLE,)), tmp_path / "no folder" / "plan.json")


def test_plan_that_is_not_valid_is_not_written(tmp_path):
    with pytest.raises(RequestError, match="field 'seconds'"):
        save_plan(
            Plan("p", (Step("idle", "main", "", seconds=float("nan")),)), tmp_path / "plan.json"
        )
    assert not (tmp_path / "plan.json").exists()


def test_what_is_watched_may_last_for_a_day():
    def plan_of(check: str, seconds: float) -> Plan:
        return Plan("Watch", (Step(check, "main", "Leave it.", seconds),))

    for check in ("soak", "jack", "dropouts"):
        validate(plan_of(check, 86_400.0))
        with pytest.raises(RequestError, match="up to 86400 s"):
            validate(plan_of(check, 86_401.0))
    with pytest.raises(RequestError, match="up to 3600 s"):
        validate(plan_of("tone", 3601.0))
