"""``sigbench verify``: what it prints, and what it ends with."""

import json
import shutil

import pytest

import sigbench.verify
from sigbench.errors import FileError
from sigbench.verify import Manifest, Verification, reference_folder

RIGHT = Verification(
    file="sine.wav",
    check="tone",
    reading="tone_level",
    channel=1,
    unit="dBFS",
    expected=-1.0,
    within=0.001,
    measured=-1.00002,
    uncertainty=0.0001,
    passed=True,
    why="rounding to 24 bits",
)
LIMIT = Verification(
    file="sine.wav",
    check="tone",
    reading="thd",
    channel=1,
    unit="dB",
    expected=-150.0,
    within=None,
    measured=-161.2,
    uncertainty=None,
    passed=True,
    why="the file's own rounding",
    is_limit=True,
)
NONE = Verification(
    file="silence.wav",
    check="idle",
    reading="noise_a",
    channel=None,
    unit="dBFS",
    expected=None,
    within=None,
    measured=None,
    uncertainty=None,
    passed=True,
    why="digital silence",
)
WRONG = Verification(
    file="silence.wav",
    check="idle",
    reading="hum_1x",
    channel=2,
    unit="dBFS",
    expected=-60.0,
    within=0.05,
    measured=-57.0,
    uncertainty=0.1,
    passed=False,
    why="the window's scalloping",
)


@pytest.fixture
def verified(monkeypatch):
    def give(*rows: Verification) -> None:
        monkeypatch.setattr(
            sigbench.verify, "load_manifest", lambda: Manifest(format=1, signals=())
        )
        monkeypatch.setattr(sigbench.verify, "verify", lambda started: rows)

    return give


def test_all_right(call, verified):
    verified(RIGHT, LIMIT, NONE)
    outcome = call("verify")
    assert (outcome.code, outcome.err) == (0, "")
    lines = [" ".join(line.split()) for line in outcome.out.splitlines()]
    assert lines == [
        "sine.wav",
        "tone_level 1 −1 ± 0.001 dBFS −1.00002: right",
        "thd 1 at most −150 dB −161.2: right",
        "silence.wav",
        "noise_a no number none: right",
        "",
        "Signals: 2. All 3 values are right.",
    ]
    assert max(map(len, outcome.out.splitlines())) <= 80


def test_a_wrong_value_is_out_of_limits(call, verified):
    verified(RIGHT, WRONG)
    outcome = call("verify")
    assert outcome.code == 1
    text = " ".join(outcome.out.split())
    assert "hum_1x 2 −60 ± 0.05 dBFS −57: WRONG" in text
    assert "1 of 2 values are wrong" in text


@pytest.mark.parametrize(("rows", "code"), [((RIGHT, LIMIT), 0), ((RIGHT, WRONG), 1)])
def test_json(call, verified, rows, code):
    verified(*rows)
    outcome = call("verify", "--json")
    assert (outcome.code, outcome.err) == (code, "")
    assert outcome.out.count("\n") == 1
    found = json.loads(outcome.out)
    assert found["passed"] == (code == 0)
    assert [row["reading"] for row in found["verifications"]] == [row.reading for row in rows]
    assert found["verifications"][0]["measured"] == -1.00002


def test_a_missing_manifest_is_one_sentence(call, monkeypatch, tmp_path):
    monkeypatch.setattr(sigbench.verify, "reference_folder", lambda: tmp_path)
    outcome = call("verify")
    assert (outcome.code, outcome.out) == (FileError.exit_code, "")
    assert outcome.err.count("\n") == 1


def test_the_real_thing(call, monkeypatch, tmp_path):
    # The shortest of the signals that sigbench brings, measured as on a user's machine.
    manifest = json.loads((reference_folder() / "manifest.json").read_bytes())
    signal = min((s for s in manifest["signals"] if s["channels"] == 1), key=lambda s: s["frames"])
    shutil.copy(reference_folder() / signal["file"], tmp_path)
    (tmp_path / "manifest.json").write_text(json.dumps({**manifest, "signals": [signal]}))
    monkeypatch.setattr(sigbench.verify, "reference_folder", lambda: tmp_path)
    outcome = call("verify")
    assert outcome.code == 0, outcome.out
    assert outcome.out.startswith(signal["file"])
    assert "Signals: 1. All" in outcome.out
