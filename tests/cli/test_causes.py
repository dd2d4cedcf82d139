"""``sigbench causes``: files and typed rails, by the command line."""

import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import soundfile

from sigbench.bench.folder import Bench
from sigbench.units import dbfs_to_rms
from tests.short_plan import UNIT_ID, make_bench

RATE = 48_000
SCHEMA = json.loads(
    (Path(__file__).parents[2] / "docs" / "schema" / "causes.schema.json").read_text("utf-8")
)


def write_hum(path, hertz: float, dbfs: float) -> None:
    """Hum in both channels over a little noise, from code of this test alone."""
    rng = np.random.default_rng(5)
    time = np.arange(4 * RATE) / RATE
    hum = np.sqrt(2) * dbfs_to_rms(dbfs) * np.sin(2 * np.pi * hertz * time)
    noise = 1e-6 * rng.standard_normal((len(time), 2))
    soundfile.write(path, hum[:, None] + noise, RATE, subtype="PCM_24")


def test_hum_at_twice_the_mains_points_to_the_reservoir(call, tmp_path):
    path = tmp_path / "idle.wav"
    write_hum(path, 100.0, -50.0)
    outcome = call("causes", "--idle", path, "--mains", "50", "--json")
    assert outcome.code == 1
    said = json.loads(outcome.out)
    assert "reservoir" in said["causes"][0]["name"]
    assert "rail" in said["first"]
    assert set(said["causes"][0]) == {"name", "score", "for", "against", "next"}


def test_the_object_keeps_to_its_schema_and_says_what_to_measure_next(call, tmp_path):
    path = tmp_path / "idle.wav"
    write_hum(path, 100.0, -50.0)
    for arguments in (("--idle", path), ("--rail", "+15 V=15.0")):
        told = json.loads(call("causes", *arguments, "--json").out)
        jsonschema.Draft202012Validator(SCHEMA).validate(told)
        words = " ".join(call("causes", *arguments).out.split())
        assert told["measure_next"]
        assert all(text in words for text in told["measure_next"])


def test_a_missing_rail_is_said_and_a_good_unit_has_no_cause(call, tmp_path):
    outcome = call("causes", "--rail", "+15 V=15.02", "--rail", "-15 V=-0.1")
    assert outcome.code == 1
    assert "a supply rail that is missing" in " ".join(outcome.out.split())
    good = call("causes", "--rail", "+15 V=15.02", "--rail", "-15 V=-14.9")
    assert good.code == 0
    assert "Nothing that was measured points to a fault" in " ".join(good.out.split())


def test_a_rail_that_is_too_high_says_to_switch_off(call):
    outcome = call("causes", "--rail", "+5 V=7.6", "--json")
    assert outcome.code == 1
    first = json.loads(outcome.out)["causes"][0]
    assert first["name"] == "a supply rail that is too high"
    assert first["next"].startswith("Switch off at once")
    assert not any(
        "too low" in reason for c in json.loads(outcome.out)["causes"] for reason in c["for"]
    )


def test_a_rail_that_is_a_little_too_high_is_not_called_good(call):
    outcome = call("causes", "--rail", "+5 V=5.3", "--json")
    assert outcome.code == 1
    assert json.loads(outcome.out)["causes"][0]["name"] == "a supply rail that is too high"


def test_rails_as_people_name_them(call):
    good = ("+3,3 V=3.31", "+3V3=3,3", "−15 V=−14.9", "+5 V=5.02 0.003")
    assert call("causes", *(word for rail in good for word in ("--rail", rail))).code == 0


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("+15 V=-14.9", "check the minus sign"),
        ("−15 V=15", "check the minus sign"),
        ("+15 V=15 -0.2", "AC volts are zero or more"),
    ],
)
def test_volts_that_cannot_be_are_refused(call, typed, words):
    outcome = call("causes", "--rail", "+5 V=5.0", "--rail", typed)
    assert outcome.code == 2
    assert words in " ".join(outcome.err.split())
    assert outcome.out == ""


def test_the_three_faults_of_the_demos_unit_are_told_together(call, demo):
    """Another model of an instrument than the circuits that the ranking was set on."""
    arguments = ("causes", "0047", "--folder", demo.bench)
    arrival = call(*arguments, "--stage", "as received", "--json")
    assert arrival.code == 1
    said = json.loads(arrival.out)
    assert set(said["together"]) == {"reservoir", "coupling lost", "jack"}
    words = call(*arguments, "--stage", "as received")
    assert "Three things at once explain it best" in " ".join(words.out.split())
    assert "sigbench unit found 0047" in " ".join(words.out.split())
    repaired = call(*arguments)
    assert repaired.code == 0
    assert "Nothing that was measured points to a fault" in " ".join(repaired.out.split())


def test_a_unit_is_no_witness_for_itself(call, tmp_path, monkeypatch):
    folder = make_bench(tmp_path / "bench")
    monkeypatch.setenv("SIGBENCH_FOLDER", str(folder))
    typed = ("--rail", "+15 V=13.2", "--rail", "-15 V=-15")
    call("run", UNIT_ID, "--stage", "as received", "--step", 1, "--yes", *typed)
    before = call("causes", UNIT_ID, "--json").out
    assert "records" not in before
    assert call("unit", "found", UNIT_ID, "reservoir").code == 0
    assert call("causes", UNIT_ID, "--json").out == before
    with Bench.open(folder) as bench:
        bench.add_unit(replace(bench.unit(UNIT_ID), serial="another"))
    assert "it turned out to be this once before" in call("causes", UNIT_ID, "--json").out


def test_one_take_names_what_it_points_to_by_itself(call, tmp_path):
    path = tmp_path / "idle.wav"
    write_hum(path, 100.0, -50.0)
    told = json.loads(call("measure", path, "--check", "idle", "--mains", "50", "--json").out)
    assert "reservoir" in told["causes"][0]["name"]
    untold = json.loads(call("measure", path, "--json").out)
    assert untold["causes"] == []


def test_slips_of_the_hand_are_one_sentence(call):
    for arguments in (
        (),
        ("--rail", "plus fifteen"),
        ("0047", "--idle", "a.wav"),
        ("--idle", "=a.wav"),
    ):
        outcome = call("causes", *arguments)
        assert outcome.code == 2
        assert "Traceback" not in outcome.err


def test_where_nothing_speaks_for_any_cause_that_is_said():
    from sigbench.causes.ranking import Ranking
    from sigbench.causes.wording import opening
    from sigbench.model import Cause

    unsupported = Cause("a dry joint", 0.4, (), ("the sound breaks off",), "Resolder.")
    ranking = Ranking((unsupported,), 0.1, 0.2, (), ())
    assert ranking.named == ()
    (said,) = opening(ranking)
    assert said.startswith("No cause on the list explains what was seen")


def test_what_fits_no_cause_is_not_called_sound():
    from sigbench.causes.clues import CLUES, Clue
    from sigbench.causes.ranking import rank
    from sigbench.causes.wording import opening

    odd = {
        *("dc", "tones in series", "worn track", "hum bursts", "noise", "dead output"),
        *("hum mostly 1x", "breaks in both channels", "worse when quiet"),
    }
    ranking = rank([Clue(name, 0.999 if name in odd else 0.001) for name in CLUES])
    assert not ranking.nothing_wrong
    assert any("not on the list" in sentence for sentence in opening(ranking))
