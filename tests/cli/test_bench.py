"""``sigbench bench``: a folder made, checked and rebuilt."""

import json
import os
import shlex
import shutil

import numpy as np
import pytest
import soundfile

from sigbench.bench.folder import Bench
from tests.bench.records import UNIT, integer_take, run_of
from tests.bench.sounding import PURPOSE, Sounding, samples_at


@pytest.fixture(autouse=True)
def folder(tmp_path, monkeypatch):
    place = tmp_path / "my bench"
    monkeypatch.setenv("SIGBENCH_FOLDER", str(place))
    return place


@pytest.fixture
def full(folder):
    """A folder with a unit, two runs with takes and a baseline."""
    with Bench.create(folder) as bench:
        unit_id = bench.add_unit(UNIT)
        for number in range(2):
            record = bench.store_take(integer_take(24, start=number))
            bench.add_run(unit_id, run_of(f"0{number}", (record,), stage=f"stage {number}"))
        bench.add_baseline("known good", UNIT.model, ["00", "01"])
    return folder


def test_create(call, folder):
    outcome = call("bench", "create")
    assert (outcome.code, outcome.err) == (0, "")
    assert outcome.out == f"Made a new bench folder: {folder}\n"
    with Bench.open(folder) as bench:
        assert bench.units() == {}


def test_the_option_goes_before_the_variable(call, folder, tmp_path):
    assert call("bench", "create", "--folder", tmp_path / "other").code == 0
    assert (tmp_path / "other" / "bench.json").is_file()
    assert not folder.exists()


def test_create_leaves_what_is_there(call, full):
    outcome = call("bench", "create")
    assert (outcome.code, outcome.out) == (2, "")
    assert "is a bench folder already" in outcome.err
    assert call("bench", "check").code == 0


def test_a_sound_folder(call, full):
    outcome = call("bench", "check")
    assert (outcome.code, outcome.err) == (0, "")
    assert outcome.out == (
        f"{full}: everything is as it was stored.\nUnits: 1, runs: 2, baselines: 1.\n"
    )


def test_a_single_changed_bit_is_found(call, full):
    take = sorted(full.glob("takes/*/*.flac"))[0]
    data = bytearray(take.read_bytes())
    data[-1] ^= 1
    take.write_bytes(data)
    outcome = call("bench", "check")
    assert (outcome.code, outcome.err) == (1, "")
    path, *what, empty, count = outcome.out.splitlines()
    assert path == take.relative_to(full).as_posix()
    assert " ".join(" ".join(what).split()).startswith("is damaged, its content is not what was")
    assert max(map(len, what)) <= 80
    assert (empty, count) == ("", f"One problem in {full}.")


def test_all_problems_are_listed_once_and_only_in_the_table(call, full):
    run = next(full.glob("units/*/runs/*-00/run.json"))
    run.write_text(run.read_text("utf-8").replace("-12.25", "-2.25"), "utf-8")
    (full / "baselines" / "torn.json").write_text("{")
    next(full.glob("takes/*/*.flac")).unlink()
    outcome = call("bench", "check")
    assert (outcome.code, outcome.err) == (1, "")
    text = " ".join(outcome.out.split())
    assert text.count("baselines/torn.json") == 1
    assert "was changed since it was stored" in text
    assert "is missing" in text
    assert "3 problems in" in text


def test_no_folder_says_how_to_make_one(call, folder):
    outcome = call("bench", "check")
    assert (outcome.code, outcome.out) == (2, "")
    assert outcome.err.rstrip().endswith("sigbench bench create")
    assert not folder.exists()


def test_rebuild_makes_the_index_anew(call, full):
    (full / "bench.db").unlink()
    outcome = call("bench", "rebuild")
    assert (outcome.code, outcome.err) == (0, "")
    assert "Units: 1, runs: 2, baselines: 1." in outcome.out
    assert call("bench", "check").code == 0


def test_rebuild_after_a_database_that_is_none_any_more(call, full):
    (full / "bench.db").write_bytes(os.urandom(8192))
    told = call("bench", "check")
    assert told.code == 2
    assert "sigbench bench rebuild" in told.err
    assert call("bench", "rebuild").code == 0
    assert (full / "bench.db.damaged").is_file()
    assert call("bench", "check").code == 0


def test_rebuild_accepts_a_changed_run_and_names_what_it_cannot_take(call, full):
    run = next(full.glob("units/*/runs/*-00/run.json"))
    run.write_text(run.read_text("utf-8").replace("-12.25", "-2.25"), "utf-8")
    assert call("bench", "check").code == 1
    assert call("bench", "rebuild").code == 0
    assert call("bench", "check").code == 0
    run.write_text("{")
    outcome = call("bench", "rebuild")
    assert outcome.code == 1
    assert "run.json" in " ".join(outcome.out.split())


def test_rebuild_after_a_unit_was_deleted(call, full):
    shutil.rmtree(next((full / "units").iterdir()))
    (full / "baselines" / "known-good.json").unlink()
    assert call("bench", "check").code == 1
    assert "Units: 0, runs: 0, baselines: 0." in call("bench", "rebuild").out


def test_rebuild_of_no_folder(call):
    outcome = call("bench", "rebuild")
    assert (outcome.code, outcome.out) == (2, "")
    assert outcome.err.count("\n") == 1


def test_a_bare_group_is_a_question_for_help(call):
    outcome = call("bench")
    assert (outcome.code, outcome.err) == (0, "")
    assert outcome.out == call("bench", "--help").out


def test_as_a_program_of_its_own(program, folder):
    made = program("unit", "add", "--maker", "Own", "--model", "Übung", "--serial", "7")
    assert made.returncode == 0, made.stderr
    assert made.stdout == b"own-ubung-7\n"
    shown = program("unit", "show", "übung", "--json")
    assert (shown.returncode, shown.stderr) == (0, b"")
    assert json.loads(shown.stdout)["unit"]["model"] == "Übung"


# Unfinished recordings


def leave(folder, seconds=2.0, ended="", purpose=PURPOSE):
    with Bench.open(folder) as bench:
        recording = bench.begin_recording(Sounding(), seconds=9.0, channels=2, purpose=purpose)
        for block in Sounding().stream(seconds=seconds):
            recording.add(block)
        recording.leave(ended)
    return recording.id


def test_every_command_of_the_bench_says_what_was_left_unfinished(call, full):
    leave(full)
    for command in (("unit", "list"), ("bench", "check")):
        outcome = call(*command)
        assert outcome.code == 0
        assert outcome.err.count("\n") == 1
        assert outcome.err.startswith("Note: an unfinished recording is there (2 s, begun 2")
        assert "own-duo-0007, 'as received', step 3 (dropouts)" in outcome.err
        assert "sigbench bench recover --keep" in outcome.err
        assert "sigbench bench recover --drop" in outcome.err
    leave(full, 1.0)
    outcome = call("unit", "list")
    assert outcome.err.startswith("Note: 2 unfinished recordings are there, the last of ")
    assert outcome.err.endswith("sigbench bench recover\n")


def test_a_recording_under_way_is_nobodys_business(call, full):
    with Bench.open(full) as bench:
        recording = bench.begin_recording(Sounding(), seconds=9.0, channels=2)
        for block in Sounding().stream(seconds=1.0):
            recording.add(block)
        assert call("unit", "list").err == ""
        assert call("bench", "recover").out == "There is no unfinished recording.\n"
        recording.discard()


def test_recover_lists_keeps_and_deletes(call, full):
    first, second = leave(full, ended="The cable is out."), leave(full, 1.0)
    listed = call("bench", "recover")
    assert (listed.code, listed.err) == (0, "")
    assert f"{first}: 2 s, begun" in listed.out
    assert "– The cable is out." in listed.out
    assert call("bench", "recover").out == listed.out  # nothing has gone
    kept = call("bench", "recover", first, "--keep")
    assert (kept.code, kept.err) == (0, "")
    (place,) = (full / "kept").glob("*.flac")
    assert kept.out.startswith(f"Kept: {place}\n")
    assert np.array_equal(soundfile.read(place)[0], samples_at(0, 96_000, 2, 24))
    assert kept.out.endswith("--check dropouts\n")
    command = shlex.split(kept.out.splitlines()[1].partition(": ")[2])[1:]
    assert call(*command).code == 0
    assert call("bench", "check").code == 0
    dropped = call("bench", "recover", "--drop")  # the only one that is left
    assert dropped.code == 0
    assert dropped.out.startswith("Deleted: 1 s, begun")
    assert call("unit", "list").err == ""
    assert list((full / "kept").glob("*.flac")) == [place]
    assert not (full / "recordings" / second).exists()


def test_recover_asks_what_is_meant(call, full):
    outcome = call("bench", "recover", "--keep")
    assert (outcome.code, outcome.err) == (2, "sigbench: There is no unfinished recording.\n")
    ids = sorted([leave(full), leave(full)])
    for arguments, says in (
        (("--keep",), f"Say which recording is meant: {ids[0]}, {ids[1]}."),
        (("--drop", "2"), "Say which recording is meant"),
        (("--drop", "zz"), "There is no unfinished recording 'zz'"),
        (("--keep", "--drop"), "give one of them"),
    ):
        outcome = call("bench", "recover", *arguments)
        assert (outcome.code, outcome.out) == (2, "")
        assert says in outcome.err
    with Bench.open(full) as bench:
        assert sorted(one.id for one in bench.unfinished) == ids
