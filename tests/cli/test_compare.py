"""``sigbench compare``: what changed, exit codes, and the object for other programs."""

import json
from pathlib import Path

import jsonschema
import pytest

UNIT = "0047"
SCHEMA = Path(__file__).parents[2] / "docs" / "schema" / "comparison.schema.json"


@pytest.fixture(autouse=True)
def folder(demo, monkeypatch):
    monkeypatch.setenv("SIGBENCH_FOLDER", str(demo.bench))


def test_a_repair_is_told_step_by_step_and_ends_with_1(call):
    outcome = call("compare", UNIT)
    assert (outcome.code, outcome.err) == (1, "")
    assert outcome.out.startswith("Before: as received   After: after repair\n")
    assert max(map(len, outcome.out.splitlines())) <= 80
    assert "worse" not in outcome.out
    assert "none outside a limit" in outcome.out


def test_nothing_changed_ends_with_0(call):
    outcome = call("compare", UNIT, "--after", "after", "--baseline", "bench synth 6, GOOD units")
    assert (outcome.code, outcome.err) == (0, "")
    assert "worse" not in outcome.out
    assert "better" not in outcome.out


def test_the_object_keeps_to_its_schema_and_counts_itself(call):
    schema = json.loads(SCHEMA.read_text(encoding="utf-8"))
    for more in ((), ("--baseline", "Bench Synth 6, good units")):
        outcome = call("compare", UNIT, "--json", *more)
        assert outcome.out.count("\n") == 1
        found = json.loads(outcome.out)
        jsonschema.validate(found, schema, jsonschema.Draft202012Validator)
        verdicts = [one["verdict"] for one in found["comparisons"]]
        assert outcome.code == int(
            any(v in ("better", "worse", "different") for v in verdicts)
            or any(one["out_of_limits"] for one in found["comparisons"])
        )
        for one in found["comparisons"]:
            # Of lists, the difference is that of the shapes.
            if one["difference"] is not None and not isinstance(one["after"]["value"], list):
                change = one["after"]["value"] - one["before"]["value"]
                assert one["difference"] == pytest.approx(change, abs=1e-9)


def test_the_sides_swapped_turn_better_into_worse(call):
    there = json.loads(call("compare", UNIT, "--json").out)
    back = json.loads(
        call("compare", UNIT, "--before", "after repair", "--after", "AS RECEIVED", "--json").out
    )
    assert back["summary"]["worse"] == there["summary"]["better"] > 0
    assert back["summary"]["better"] == there["summary"]["worse"] == 0
    assert back["summary"]["out of limits"] > 0


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--before", "x", "--baseline", "y"), "give one of them"),
        (("--baseline", "nothing"), "there are: 'Bench Synth 6, good units'"),
        (("--before", "mended"), "it has: 'as received', 'after repair'"),
        (("--after", "as received"), "it has: 'as received', 'after repair'"),
    ],
)
def test_wrong_sides_get_one_sentence(call, arguments, says):
    outcome = call("compare", UNIT, *arguments)
    assert (outcome.code, outcome.out) == (2, "")
    assert says in outcome.err
    assert outcome.err.count("\n") == 1


def test_a_unit_of_one_stage_needs_something_to_compare_with(call):
    outcome = call("compare", "0011")
    assert outcome.code == 2
    assert "--baseline" in outcome.err
