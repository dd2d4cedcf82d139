"""The bench folder of a command, and units and stages as a person types them."""

from pathlib import Path

import pytest

from sigbench.bench.folder import Bench
from sigbench.cli import places
from sigbench.errors import BenchError, RequestError
from sigbench.model import Output, Unit
from tests.bench.records import UNIT, run_of

OTHER = Unit("Ångström & Töne", "Organ 3", "7/B 19", (Output("main"),))


@pytest.fixture
def bench(tmp_path):
    with Bench.create(tmp_path / "bench") as opened:
        yield opened


@pytest.fixture(autouse=True)
def _no_usual_folder(monkeypatch):
    monkeypatch.delenv(places.FOLDER_VARIABLE, raising=False)


def test_a_folder_that_is_not_there_is_made_only_on_request(tmp_path, capsys):
    place = tmp_path / "my bench"
    with pytest.raises(BenchError, match=r"no bench folder at .*my bench yet.* bench create") as no:
        places.open_bench(place)
    assert f"--folder '{place}'" in str(no.value)
    assert not place.exists()
    with places.open_bench(place, create=True) as bench:
        assert bench.units() == {}
    out, err = capsys.readouterr()
    assert (out, err) == ("", f"Made a new bench folder: {place}\n")
    with places.open_bench(place):
        pass
    assert capsys.readouterr() == ("", "")


def test_a_folder_with_other_files_is_left_alone(tmp_path):
    (tmp_path / "letter.txt").write_text("dear buyer")
    with pytest.raises(BenchError, match="no bench folder"):
        places.open_bench(tmp_path, create=True)
    assert [path.name for path in tmp_path.iterdir()] == ["letter.txt"]


def test_the_home_folder_is_understood(tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    with places.open_bench(places.DEFAULT_FOLDER, create=True) as bench:
        assert bench.folder == tmp_path / "sigbench-bench"


def test_what_is_wrong_with_the_folder_is_said_on_stderr(bench, capsys):
    (bench.folder / "baselines").mkdir()
    broken = bench.folder / "baselines" / "torn.json"
    broken.write_text("{")
    with places.open_bench(bench.folder):
        pass
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"Note: {broken} is damaged")
    assert err.count("\n") == err.count("torn.json") == 1


def test_a_folder_that_can_only_be_read_says_so(bench, capsys, monkeypatch):
    monkeypatch.setattr("sigbench.bench.folder._why_read_only", lambda place: "It is locked.")
    with places.open_bench(bench.folder):
        pass
    assert capsys.readouterr().err == "Note: It is locked.\n"


def test_the_next_command_names_the_folder_only_where_needed(tmp_path, monkeypatch):
    assert places.command_line(places.DEFAULT_FOLDER, "unit", "list") == "sigbench unit list"
    other = tmp_path / "x"
    assert places.command_line(other, "unit", "list") == f"sigbench unit list --folder {other}"
    monkeypatch.setenv(places.FOLDER_VARIABLE, str(other))
    assert places.command_line(other, "unit", "list") == "sigbench unit list"


@pytest.mark.parametrize(
    "text",
    [
        "angstrom-tone-organ-3-7-b-19",
        "organ",
        "Organ 3",
        "7/B",
        "7/b 19",
        "ångström",
        "  Organ   3  7/b 19 ",
        "tone-organ",
    ],
)
def test_a_unit_by_any_part_that_only_it_has(bench, text):
    bench.add_unit(UNIT)
    unit_id = bench.add_unit(OTHER)
    assert unit_id == "angstrom-tone-organ-3-7-b-19"
    assert places.find_unit(bench, text) == unit_id


def test_a_whole_serial_goes_before_a_part_of_another(bench):
    short = bench.add_unit(Unit("Own", "A", "42", (Output("main"),)))
    bench.add_unit(Unit("Own", "B", "4200", (Output("main"),)))
    assert places.find_unit(bench, "42") == short


def test_a_unit_that_several_could_be_lists_them_alone(bench):
    twins = [bench.add_unit(UNIT), bench.add_unit(UNIT)]
    other = bench.add_unit(OTHER)
    with pytest.raises(RequestError, match="fits 2 units") as fits:
        places.find_unit(bench, "0042")
    assert all(twin in str(fits.value) for twin in twins)
    assert other not in str(fits.value)
    # The id of the first is a part of the other's, and still its own.
    assert places.find_unit(bench, twins[0]) == twins[0]


@pytest.mark.parametrize("text", ["zither", "", " "])
def test_no_such_unit_lists_all(bench, text):
    ids = [bench.add_unit(UNIT), bench.add_unit(OTHER)]
    with pytest.raises(RequestError, match="There is no unit") as none:
        places.find_unit(bench, text)
    assert all(unit_id in str(none.value) for unit_id in ids)


def test_no_unit_at_all_says_how_to_add_one(bench):
    with pytest.raises(RequestError, match="sigbench unit add"):
        places.find_unit(bench, "zither")


@pytest.fixture
def measured(bench):
    unit_id = bench.add_unit(UNIT)
    for number, stage in enumerate(["as received", "after recap", "After"], start=1):
        bench.add_run(unit_id, run_of(f"a{number}", stage=stage))
    return bench, unit_id


@pytest.mark.parametrize(
    ("text", "stage"),
    [
        ("as received", "as received"),
        ("AS RECEIVED", "as received"),
        ("as", "as received"),
        ("after r", "after recap"),
        ("after", "After"),
    ],
)
def test_a_stage_by_name_or_beginning(measured, text, stage):
    assert places.find_stage(*measured, text) == stage


@pytest.mark.parametrize(
    ("text", "named", "not_named"),
    [
        ("a", ["after recap", "As received", "After"], []),
        ("aft", ["after recap", "After"], ["as received"]),
        ("recap", ["as received", "after recap", "After"], []),
        ("", ["as received", "after recap", "After"], []),
    ],
)
def test_a_stage_that_is_not_clear_lists_them(measured, text, named, not_named):
    with pytest.raises(RequestError) as unclear:
        places.find_stage(*measured, text)
    said = str(unclear.value)
    assert all(f"'{stage}'".casefold() in said.casefold() for stage in named)
    assert not any(f"'{stage}'" in said for stage in not_named)


def test_a_unit_without_stages_is_to_be_measured_first(bench):
    unit_id = bench.add_unit(UNIT)
    with pytest.raises(RequestError, match="has not been measured yet"):
        places.find_stage(bench, unit_id, "as received")


@pytest.mark.parametrize(
    "command",
    [
        *(f"bench {name}" for name in ("create", "check", "rebuild")),
        *(f"unit {name}" for name in ("add", "list", "show")),
        *(f"plan {name}" for name in ("show", "save", "load", "reset")),
        *(f"baseline {name}" for name in ("add", "list", "show")),
    ],
)
def test_each_subcommand_explains_itself(call, command):
    outcome = call(*command.split(), "--help")
    assert (outcome.code, outcome.err) == (0, "")
    lines = outcome.out.splitlines()
    assert f"Usage: sigbench {command}" in lines[0]
    assert max(map(len, lines)) <= 80
    assert "Example" in outcome.out
    assert any(line.startswith(f"    sigbench {command}") for line in lines)
    together = "".join(outcome.out.split())  # the name may be broken over two lines
    for part in ("--folderDIR", "SIGBENCH_FOLDER", "default:~/sigbench-bench"):
        assert part in together


def test_a_path_that_is_a_file_is_refused(tmp_path):
    place = Path(tmp_path / "letter.txt")
    place.write_text("dear buyer")
    with pytest.raises(BenchError, match="is no folder"):
        places.open_bench(place, create=True)
