"""The list of units: search, stages, new units, and names that try to be more than names."""

from urllib.parse import urlencode

import pytest

from sigbench.bench.folder import Bench
from tests.page.conftest import UNIT

SCRIPT = "<script>document.title='mine'</script><img src=x onerror=alert(1)>"


def new_unit(**fields):
    usual = {"maker": "Own", "model": "Drums", "serial": "7", "outputs": "main:2, out 1:1"}
    return urlencode({**usual, **fields})


def test_an_empty_bench_says_so(ask):
    assert "Two-voice" in ask.get("/").text
    assert "No unit has" in ask.get("/?search=organ").text
    assert "Two-voice" in ask.get("/?search=two-VOICE").text


def test_a_new_unit_has_its_outputs_and_a_plan(ask, folder):
    answer = ask.post("/units", new_unit(mains_hz="60", mains_volts="120", notes="no sound"))
    assert (answer.status, answer.headers["Location"]) == (303, "/unit/own-drums-7")
    with Bench.open(folder) as bench:
        unit, plan = bench.unit("own-drums-7"), bench.plan("own-drums-7")
    assert [(one.name, one.channels) for one in unit.outputs] == [("main", 2), ("out 1", 1)]
    assert (unit.mains_hz, unit.mains_volts, unit.notes) == (60.0, 120.0, "no sound")
    assert plan.steps[0].check == "rails"
    assert "no sound" in ask.get("/unit/own-drums-7").text


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"maker": " "}, "Who made it is empty"),
        ({"serial": "\x07"}, "serial number is empty"),
        ({"outputs": "main:x"}, "no output"),
        ({"outputs": "a,A"}, "Two outputs"),
        ({"mains_volts": "lots"}, "mains voltage &#39;lots&#39; cannot be"),
        ({"mains_hz": "nan"}, "mains frequency"),
        ({"maker": "Own", "model": "Two-voice", "serial": "1"}, "on the bench already"),
    ],
)
def test_what_cannot_be_a_unit_is_told_in_a_sentence(ask, fields, words):
    answer = ask.post("/units", new_unit(**fields))
    assert answer.status == 400
    assert words in answer.text
    assert "Traceback" not in answer.text


def test_script_in_a_name_stays_text(ask):
    answer = ask.post("/units", new_unit(model=SCRIPT, notes=SCRIPT))
    place = answer.headers["Location"]
    for page in (ask.get("/"), ask.get(place), ask.get(f"{place}/measure")):
        assert SCRIPT not in page.text
        assert "<script>document" not in page.text
    assert "&lt;script&gt;" in ask.get(place).text


def test_a_form_that_is_too_large_or_no_form_is_refused(ask):
    assert ask.post("/units", b"a" * 70_000).status == 413
    assert ask.post("/units", b"\xff\xfe").status == 400
    assert ask.post("/units", "&".join(f"a{n}=1" for n in range(600))).status == 400


def test_a_unit_that_is_not_there(ask):
    answer = ask.get("/unit/other")
    assert answer.status == 404
    assert "no unit" in answer.text
    assert ask.get("/nowhere").status == 404
    assert ask.get(f"/unit/{UNIT}/photo").status == 404
