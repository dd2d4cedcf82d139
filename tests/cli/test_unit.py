"""``sigbench unit``: instruments added, listed and shown."""

import json

import pytest
from PIL import Image

from sigbench.bench.folder import Bench
from sigbench.model import Output
from sigbench.plan import default_plan
from tests.bench.records import run_of

ADD = ("unit", "add", "--maker", "Own Works", "--model", "Two-voice Mk II", "--serial", "0042")
ID = "own-works-two-voice-mk-ii-0042"


@pytest.fixture(autouse=True)
def folder(tmp_path, monkeypatch):
    place = tmp_path / "my bench"
    monkeypatch.setenv("SIGBENCH_FOLDER", str(place))
    return place


def test_add_makes_folder_unit_and_plan(call, folder):
    outcome = call(*ADD)
    assert (outcome.code, outcome.out) == (0, f"{ID}\n")
    made, steps, command = outcome.err.splitlines()
    assert made == f"Made a new bench folder: {folder}"
    assert steps.startswith("Its plan has 8 steps")
    assert command == f"  sigbench plan show {ID}"
    with Bench.open(folder) as bench:
        unit = bench.unit(ID)
        assert bench.plan(ID) == default_plan(unit)
    assert (unit.maker, unit.model, unit.serial) == ("Own Works", "Two-voice Mk II", "0042")
    assert unit.outputs == (Output("main", 2),)
    assert (unit.mains_volts, unit.mains_hz, unit.notes) == (230.0, 50.0, "")


def test_the_next_command_works_as_printed(call, tmp_path):
    import shlex

    other = tmp_path / "another bench"
    *_, command = call(*ADD, "--folder", other).err.splitlines()
    words = shlex.split(command)
    assert words[-2:] == ["--folder", str(other)]
    assert call(*words[1:]).code == 0


def test_add_with_everything(call, folder, tmp_path):
    photo = tmp_path / "front.PNG"
    Image.new("RGB", (8, 6)).save(photo)
    outcome = call(
        *ADD, "--output", "main:2", "--output", "phones", "--output", "out 1: 1",
        "--mains-volts", "120", "--mains-hz", "60", "--notes", "“smells”", "--photo", photo,
    )  # fmt: skip
    assert outcome.code == 0
    with Bench.open(folder) as bench:
        unit = bench.unit(ID)
        assert unit.outputs == (Output("main", 2), Output("phones", 2), Output("out 1", 1))
        assert (unit.mains_volts, unit.mains_hz, unit.notes) == (120.0, 60.0, "“smells”")
        assert {step.settings.mains_hz for step in bench.plan(ID).steps[1:]} == {60.0}
        assert bench.photo(ID).read_bytes() == photo.read_bytes()


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--output", "main:0"], "'main' cannot have 0 channels"),
        (["--output", "main:33"], "'main' cannot have 33 channels"),
        (["--output", "main:two"], "'main:two' is no output"),
        (["--output", ":2"], "':2' is no output"),
        (["--output", "main:"], "'main:' is no output"),
        (["--output", ""], "'' is no output"),
        (["--output", "main", "--output", "Main:1"], "Two outputs are named 'main'"),
        (["--mains-hz", "55"], "--mains-hz 55 is no mains frequency"),
        (["--mains-volts", "0"], "--mains-volts 0 is no mains voltage"),
        (["--mains-volts", "nan"], "--mains-volts nan is no mains voltage"),
        (["--serial", " "], "--serial is empty"),
        (["--maker", ""], "--maker is empty"),
        (["--photo", "front.gif"], "front.gif is no photo"),
        (["--photo", "nowhere.jpg"], "nowhere.jpg cannot be read"),
    ],
)
def test_a_wrong_option_is_one_sentence_and_stores_nothing(call, folder, options, says):
    outcome = call(*ADD, *options)
    assert (outcome.code, outcome.out) == (2, "")
    assert says in outcome.err
    assert outcome.err.count("\n") == 1
    assert not folder.exists()


def test_a_photo_that_is_none_stores_nothing(call, folder, tmp_path):
    photo = tmp_path / "front.jpg"
    photo.write_bytes(b"no picture")
    outcome = call(*ADD, "--photo", photo)
    assert outcome.code == 2
    assert "cannot be read as a picture" in outcome.err
    assert not folder.exists()


def test_the_same_unit_twice_is_refused(call, folder):
    assert call(*ADD).code == 0
    outcome = call(*ADD[:-1], "0042 ", "--maker", "own works")
    assert (outcome.code, outcome.out) == (2, "")
    assert f"'{ID}'" in outcome.err
    assert call(*ADD[:-1], "0043").code == 0
    assert len(list((folder / "units").iterdir())) == 2


@pytest.mark.parametrize("missing", ["--maker", "--model", "--serial"])
def test_what_names_a_unit_must_be_given(call, missing):
    at = ADD.index(missing)
    outcome = call(*ADD[:at], *ADD[at + 2 :])
    assert outcome.code == 2
    assert f"Missing option '{missing}'" in outcome.err


@pytest.fixture
def measured(call, folder):
    """Two units, one measured at two stages, the first of which took two days."""
    call(*ADD)
    call(*ADD[:-1], "0043")
    with Bench.open(folder) as bench:
        for number, (stage, day) in enumerate(
            [("as received", 1), ("as received", 2), ("after recap", 9)]
        ):
            bench.add_run(
                ID, run_of(f"a{number}", stage=stage, started=f"2026-03-0{day}T23:30:00-05:00")
            )


def test_list(call, measured):
    outcome = call("unit", "list")
    assert (outcome.code, outcome.err) == (0, "")
    assert [" ".join(line.split()) for line in outcome.out.splitlines()] == [
        "Maker and model, id Serial Stages Last",
        # The date is that of the person's clock, though it is the next day in UTC.
        "Own Works Two-voice Mk II 0042 2 2026-03-09",
        ID,
        "Own Works Two-voice Mk II 0043 0 –",
        ID.replace("0042", "0043"),
    ]
    assert max(map(len, outcome.out.splitlines())) <= 80


def test_list_of_some(call, measured):
    assert "0042" not in call("unit", "list", "43").out
    assert call("unit", "list", "TWO-VOICE").out.count("own-works") == 2
    outcome = call("unit", "list", "zither")
    assert (outcome.code, outcome.out) == (2, "")
    assert "No unit has 'zither'" in outcome.err


def test_list_of_none(call):
    call("bench", "create")
    outcome = call("unit", "list")
    assert (outcome.code, outcome.out) == (0, "")
    assert "sigbench unit add" in outcome.err


def test_a_list_reads_no_run(call, measured, folder):
    # One damaged run must not hide the list of instruments.
    next(folder.glob("units/*/runs/*/run.json")).write_text("{")
    assert call("unit", "list").code == 0
    assert call("unit", "show", ID).code == 0


def test_show(call, measured):
    outcome = call("unit", "show", "0042")
    assert (outcome.code, outcome.err) == (0, "")
    lines = [" ".join(line.split()) for line in outcome.out.splitlines()]
    assert lines == [
        "Own Works Two-voice Mk II",
        f"Id {ID}",
        "Serial 0042",
        "Mains 230 V, 50 Hz",
        "Outputs main (stereo)",
        "Plan Default plan for Own Works Two-voice Mk II",
        "",
        "Stages",
        "as received 2026-03-01 to 2026-03-02 2 runs",
        "after recap 2026-03-09 1 run",
    ]


def test_show_what_was_never_measured(call, measured):
    outcome = call("unit", "show", "0043")
    assert outcome.code == 0
    assert outcome.out.rstrip().endswith("Not measured yet.")


def test_show_as_json(call, measured):
    outcome = call("unit", "show", "0042", "--json")
    assert (outcome.code, outcome.err) == (0, "")
    assert outcome.out.count("\n") == 1
    found = json.loads(outcome.out)
    assert found["id"] == ID
    assert found["unit"]["outputs"] == [{"name": "main", "channels": 2}]
    assert found["plan"] == "Default plan for Own Works Two-voice Mk II"
    assert found["photo"] is None
    assert [(stage["stage"], stage["runs"]) for stage in found["stages"]] == [
        ("as received", 2),
        ("after recap", 1),
    ]
    assert found["stages"][0]["last"] == "2026-03-02T23:30:00-05:00"


def test_show_says_which_units_there_are(call, measured):
    outcome = call("unit", "show", "zither")
    assert (outcome.code, outcome.out) == (2, "")
    assert ID in outcome.err
    assert call("unit", "show", "two-voice").err.count("own-works") == 2


def test_a_unit_copied_in_without_a_plan(call, measured, folder):
    (folder / "units" / ID / "plan.json").unlink()
    outcome = call("unit", "show", ID)
    assert outcome.code == 0
    assert "sigbench plan reset" in outcome.out
    assert json.loads(call("unit", "show", ID, "--json").out)["plan"] is None
