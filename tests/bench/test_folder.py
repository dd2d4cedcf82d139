"""Records go in and come out the same, whatever happens to the folder meanwhile."""

import hashlib
import json
import math
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import textwrap
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sigbench.bench import atomic
from sigbench.bench.folder import Bench, new_run_id
from sigbench.errors import BenchError
from sigbench.model import Event, Limit, Output, Reading, Step, Unit
from tests.bench.records import PLAN, STEP, UNIT, integer_take, run_of, take_of

SCHEMA = Path(__file__).parents[2] / "docs" / "schema" / "measurement.schema.json"
LONG_AGO = 0.0


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with Bench.create(tmp_path / "my bench") as bench:
        yield bench


@pytest.fixture
def full(bench: Bench) -> Bench:
    """A folder with two units, a plan, five runs with takes, a baseline and a photo."""
    first, second = bench.add_unit(UNIT), bench.add_unit(replace(UNIT, serial="0043"))
    bench.set_plan(first, PLAN)
    for number in range(5):
        record = bench.store_take(integer_take(24, start=number))
        run = run_of(
            f"0{number}", (record,), started=f"2026-03-0{number + 1}T09:30:00+01:00",
            stage="as received" if number < 3 else "after recap",
        )  # fmt: skip
        bench.add_run(second if number == 4 else first, run)
    bench.add_baseline("known good", "Two-voice Mk II", ["04", "03"])
    return bench


def rows(folder: Path) -> dict[str, list[tuple]]:
    """Everything in the database, by Python's own sqlite3."""
    connection = sqlite3.connect(folder / "bench.db")
    try:
        names = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
        return {
            name: sorted(connection.execute(f'SELECT * FROM "{name}"'), key=repr)
            for (name,) in names
        }
    finally:
        connection.close()


def run_file(bench: Bench, run_id: str) -> Path:
    (place,) = bench.folder.glob(f"units/*/runs/*-{run_id}/run.json")
    return place


# Round trips


def test_a_unit_comes_back_and_its_id_says_what_it_is(bench: Bench):
    unit_id = bench.add_unit(UNIT)
    assert unit_id == "own-works-two-voice-mk-ii-0042"
    assert bench.unit(unit_id) == UNIT
    assert bench.units() == {unit_id: UNIT}


def test_the_same_unit_twice_has_two_ids(bench: Bench):
    ids = [bench.add_unit(UNIT) for _ in range(3)]
    assert ids[1:] == [f"{ids[0]}-2", f"{ids[0]}-3"]
    assert list(bench.units().values()) == [UNIT] * 3


@pytest.mark.parametrize("name", ["", "../../etc", "日本", "x" * 400, "CON.", "a/b\\c:d"])
def test_any_name_makes_a_folder_name(bench: Bench, name: str):
    unit = Unit(name, name, "", (Output(name),))
    unit_id = bench.add_unit(unit)
    assert set(unit_id) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")
    assert len(unit_id) <= 60
    assert bench.unit(unit_id) == unit


def test_a_unit_can_be_corrected(full: Bench):
    unit_id = next(iter(full.units()))
    better = replace(UNIT, notes="sold", outputs=(Output("main"),))
    full.update_unit(unit_id, better)
    assert full.unit(unit_id) == better
    assert len(full.runs(unit_id)) == 4
    assert full.check() == []


def test_a_plan_comes_back_as_it_was(bench: Bench):
    unit_id = bench.add_unit(UNIT)
    with pytest.raises(BenchError, match="has no plan yet"):
        bench.plan(unit_id)
    bench.set_plan(unit_id, PLAN)
    assert bench.plan(unit_id) == PLAN
    shorter = replace(PLAN, steps=PLAN.steps[:1])
    bench.set_plan(unit_id, shorter)
    assert bench.plan(unit_id) == shorter


def test_runs_come_back_whole_in_order_of_date_and_stage(bench: Bench):
    unit_id = bench.add_unit(UNIT)
    record = bench.store_take(integer_take(24))
    other = bench.store_take(take_of(np.array([[0.1, 0.2]])))
    # 23:30 in New York is later than 01:00 of the next day in Berlin.
    late = run_of("a1", (record, other), stage="after recap", started="2026-03-01T23:30:00-05:00")
    early = run_of("b2", (record,), stage="as received", started="2026-03-02T01:00:00+01:00")
    for run in (late, early):
        bench.add_run(unit_id, run)
    assert bench.runs(unit_id) == [early, late]
    assert bench.runs(unit_id, "after recap") == [late]
    assert bench.stages(unit_id) == ["as received", "after recap"]
    assert bench.run("a1") == late


def test_a_rails_run_has_no_take(bench: Bench):
    unit_id = bench.add_unit(UNIT)
    bench.add_run(unit_id, run_of("a1"))
    assert bench.runs(unit_id) == [run_of("a1")]


def test_readings_are_found_over_time_and_over_units(full: Bench):
    first, second = full.units()
    found = full.readings("tone_level", unit_id=first)
    assert [f.started[:10] for f in found] == [f"2026-03-0{day}" for day in (1, 2, 3, 4)]
    assert found[0].reading == Reading("tone_level", -12.25, "dBFS", 1, 0.01)
    assert (found[-1].stage, found[-1].check, found[-1].output) == ("after recap", "tone", "main")
    assert {f.unit_id for f in full.readings("thd", model=UNIT.model)} == {first, second}
    assert full.readings("thd", model="another") == []
    assert full.readings("spurs", channel=2)[0].reading.value == ()
    listed = full.readings("spurs", channel=1, check="tone")[0].reading
    assert listed.value == ((1234.5, -95.0), (15_625.0, -88.1))


def test_baselines_come_back_and_name_runs_of_several_units(full: Bench):
    baseline = full.baseline("known good")
    assert (baseline.model, baseline.run_ids) == ("Two-voice Mk II", ("04", "03"))
    assert full.baselines() == [baseline]
    with pytest.raises(BenchError, match="There is a baseline 'known good' already"):
        full.add_baseline("known good", "Two-voice Mk II", ["01"])
    full.add_baseline("known good", "Two-voice Mk II", ["01"], replace=True)
    assert full.baseline("known good").run_ids == ("01",)
    full.add_baseline("Known-Good", "x", ["02"])  # would be the same file name
    assert [b.run_ids for b in full.baselines()] == [("02",), ("01",)]
    assert full.check() == []


def test_a_photo_is_kept_with_the_unit(bench: Bench, tmp_path: Path):
    unit_id = bench.add_unit(UNIT)
    assert bench.photo(unit_id) is None
    for name in ("front.JPG", "front.png"):
        (tmp_path / name).write_bytes(name.encode())
        bench.set_photo(unit_id, tmp_path / name)
        assert bench.photo(unit_id).read_bytes() == name.encode()
    assert len(list((bench.folder / "units" / unit_id).glob("photo.*"))) == 1
    with pytest.raises(BenchError, match="JPEG or PNG"):
        bench.set_photo(unit_id, "front.txt")


odd_text = st.text(st.characters(codec="utf-8"), max_size=12)  # control characters and NUL too
finite = st.floats(allow_nan=False, allow_infinity=False)
values = st.one_of(
    finite,
    st.lists(finite, max_size=3).map(tuple),
    st.lists(st.tuples(finite, finite), max_size=3).map(tuple),
)
good_readings = st.builds(
    Reading,
    name=odd_text,
    value=values,
    unit=odd_text,
    channel=st.one_of(st.none(), st.integers(1, 32)),
    uncertainty=st.one_of(st.none(), finite, st.lists(finite, max_size=3).map(tuple)),
    state=st.sampled_from(["ok", "rig-limited"]),
    why=st.one_of(st.none(), odd_text),
    channels=st.one_of(st.none(), st.tuples(st.integers(1, 32), st.integers(1, 32))),
    upper_bound=st.booleans(),
)
bad_readings = st.builds(
    Reading.invalid,
    odd_text,
    odd_text,
    odd_text.filter(bool),
    channel=st.one_of(st.none(), st.integers(1, 32)),
)
events = st.builds(
    Event,
    kind=st.sampled_from(["dropout", "dip", "crackle", "click", "hum_burst", "mark"]),
    start=finite,
    end=finite,
    channels=st.lists(st.integers(1, 32), max_size=3).map(tuple),
    depth=st.one_of(st.none(), finite),
    text=st.one_of(st.none(), odd_text),
)


@settings(max_examples=40,
          suppress_health_check=[HealthCheck.function_scoped_fixture])  # fmt: skip
@given(
    st.lists(st.one_of(good_readings, bad_readings), max_size=4).map(tuple),
    st.lists(events, max_size=3).map(tuple),
    odd_text,
)
def test_whatever_was_measured_comes_back_from_the_file_and_from_the_index(
    bench: Bench, found: tuple[Reading, ...], happened: tuple[Event, ...], stage: str
):
    unit_id = next(iter(bench.units()), None) or bench.add_unit(UNIT)
    run = run_of(new_run_id(), readings=found, events=happened, stage=stage)
    bench.add_run(unit_id, run)
    assert bench.run(run.id) == run
    for name in {reading.name for reading in found}:
        indexed = [f.reading for f in bench.readings(name) if f.run_id == run.id]
        assert indexed == [reading for reading in found if reading.name == name]


def test_what_is_not_finite_is_stored_as_the_json_contract_says(bench: Bench):
    unit_id = bench.add_unit(UNIT)
    silent = Reading("level_rms", -math.inf, "dBFS", 1, 0.1)
    bench.add_run(unit_id, run_of("a1", readings=(silent,)))
    (reading,) = bench.run("a1").measurements[0].readings
    assert (reading.value, reading.state, reading.why) == (None, "invalid", "digital silence")
    assert bench.readings("level_rms")[0].reading == reading
    assert b"NaN" not in run_file(bench, "a1").read_bytes()
    assert bench.check() == []


def test_a_run_json_holds_the_same_objects_as_the_command_line_prints(full: Bench):
    document = json.loads(run_file(full, "00").read_text("utf-8"))
    validator = jsonschema.Draft202012Validator(json.loads(SCHEMA.read_text("utf-8")))
    for measurement in document["measurements"]:
        validator.validate(measurement)
    assert document["stage"] == "as received"
    audio = full.folder / document["takes"][0]["path"]
    assert hashlib.sha256(audio.read_bytes()).hexdigest() == document["takes"][0]["sha256"]


def test_another_program_can_ask_the_database(full: Bench):
    connection = sqlite3.connect(full.folder / "bench.db")
    try:
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        thd = connection.execute(
            "SELECT value, unit, uncertainty, state, why FROM reading "
            "JOIN run ON run.id = run_id WHERE name = 'thd' AND stage = 'after recap'"
        ).fetchall()
        assert thd == [(-71.5, "dB", 0.2, "rig-limited", "within 6 dB of the rig")] * 2
        spurs = connection.execute(
            "SELECT value_list FROM reading WHERE name = 'spurs' AND channel = 1"
        ).fetchone()
        assert json.loads(spurs[0]) == [[1234.5, -95.0], [15_625.0, -88.1]]
        dropped = connection.execute("SELECT start, depth FROM event WHERE kind = 'dropout'")
        assert dropped.fetchone() == (3.2101, 41.2)
    finally:
        connection.close()


def test_the_query_in_the_docs_gives_the_history_of_a_unit(full: Bench):
    page = (SCHEMA.parents[1] / "bench-folder.md").read_text("utf-8")
    (query,) = re.findall(r"```sql\n(.*?)```", page, re.S)
    connection = sqlite3.connect(full.folder / "bench.db")
    try:
        found = connection.execute(query).fetchall()
    finally:
        connection.close()
    assert [row[0][:10] for row in found] == [f"2026-03-0{day}" for day in (1, 2, 3, 4)]
    assert found[0][1:] == ("as received", 1, -71.5, "dB", 0.2, "rig-limited")


# What cannot be stored


@pytest.mark.parametrize(
    ("run", "says"),
    [
        (run_of("no spaces"), "cannot be the id of a run"),
        (run_of("../up"), "cannot be the id of a run"),
        (run_of("a1", started="yesterday"), "is no date with an offset"),
        (run_of("a1", started="2026-03-01T09:30:00"), "is no date with an offset"),
        (run_of("a1", stage="\ud800"), "cannot be stored"),
        (run_of("a1", events=(Event("click", math.nan, 1.0, (1,)),)), "not finite"),
        (
            replace(run_of("a1"), step=replace(STEP, limits=(Limit("thd", "dB", math.inf),))),
            "would not read back",
        ),
        (replace(run_of("a1"), step=Step("tone", "main", "", seconds=math.nan)), "cannot be"),
        (run_of("a1", step_number=2**63), "too large to be stored"),
    ],
)
def test_a_run_that_cannot_be_stored_says_why_and_leaves_nothing(bench: Bench, run, says: str):
    unit_id = bench.add_unit(UNIT)
    with pytest.raises(BenchError, match=says):
        bench.add_run(unit_id, run)
    assert bench.runs(unit_id) == []
    assert not (bench.folder / "units" / unit_id / "runs").exists()


def test_a_run_needs_its_unit_its_takes_and_an_id_of_its_own(bench: Bench, tmp_path: Path):
    with pytest.raises(BenchError, match="no unit 'other' in this bench folder; there is none yet"):
        bench.add_run("other", run_of("a1"))
    unit_id = bench.add_unit(UNIT)
    with Bench.create(tmp_path / "elsewhere") as elsewhere:
        record = elsewhere.store_take(integer_take(24))
    with pytest.raises(BenchError, match="store the take first"):
        bench.add_run(unit_id, run_of("a1", (record,)))
    bench.add_run(unit_id, run_of("a1"))
    with pytest.raises(BenchError, match="There is a run a1 already"):
        bench.add_run(unit_id, run_of("a1", stage="again"))
    assert bench.runs(unit_id) == [run_of("a1")]
    assert bench.check() == []


def test_a_disk_that_fills_up_leaves_no_half_run(bench: Bench, monkeypatch: pytest.MonkeyPatch):
    unit_id = bench.add_unit(UNIT)

    def full_disk(*_: object) -> None:
        raise OSError(28, "No space left on device")

    for place in ("_write_through", "sync_folder"):  # before and after the rename
        with monkeypatch.context() as patch:
            patch.setattr(atomic, place, full_disk)
            with pytest.raises(BenchError, match=r"No space left on device.*make room"):
                bench.add_run(unit_id, run_of("a1"))
        assert bench.runs(unit_id) == []
        assert list(bench.folder.rglob("run.json")) == []
    bench.add_run(unit_id, run_of("a1"))
    assert bench.check() == []


# Folders that are none, old, new or may only be read


def test_what_is_no_bench_folder_is_told_in_a_sentence(tmp_path: Path):
    with pytest.raises(BenchError, match="is no folder"):
        Bench.open(tmp_path / "nowhere")
    with pytest.raises(BenchError, match=r"is no bench folder \(it has no bench.json\)"):
        Bench.open(tmp_path)
    (tmp_path / "photo.jpg").touch()
    with pytest.raises(BenchError, match="holds other files"):
        Bench.create(tmp_path)
    with pytest.raises(BenchError, match="is a file"):
        Bench.create(tmp_path / "photo.jpg")
    (tmp_path / "bench.json").write_text("{}")
    with pytest.raises(BenchError, match="bench folder already"):
        Bench.create(tmp_path)
    with pytest.raises(BenchError, match="is damaged or was changed by hand"):
        Bench.open(tmp_path)


def test_a_folder_of_a_newer_version_is_left_alone(full: Bench):
    full.close()
    connection = sqlite3.connect(full.folder / "bench.db")
    with connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.close()
    with pytest.raises(BenchError, match=r"newer sigbench \(its database has the form 9999"):
        Bench.open(full.folder)
    marker = full.folder / "bench.json"
    marker.write_text(marker.read_text().replace('"format": 1', '"format": 2'))
    with pytest.raises(BenchError, match="written by a newer sigbench"):
        Bench.open(full.folder)


def test_a_folder_that_may_only_be_read_can_be_read(full: Bench):
    with tempfile.TemporaryDirectory() as place:
        os.chmod(place, 0o755)
        folder = Path(place) / "copy"
        shutil.copytree(full.folder, folder)
        _allow(folder, writing=False)
        runs, baselines = full.runs(next(iter(full.units()))), full.baselines()
        nobody = os.geteuid() == 0
        if nobody:  # the superuser may write anywhere
            os.seteuid(65_534)
        try:
            with Bench.open(folder) as bench:
                assert "can be read but not written to" in bench.read_only
                first = next(iter(bench.units()))
                assert bench.runs(first) == runs
                assert bench.baselines() == baselines
                assert bench.read_take(bench.run("00").takes[0]).frames == 1000
                assert bench.check() == []
                for change in (
                    lambda: bench.add_unit(UNIT),
                    lambda: bench.store_take(integer_take(24)),
                    lambda: bench.add_run(first, run_of("a1")),
                    lambda: Bench.rebuild(folder),
                ):
                    with pytest.raises(BenchError, match="copy the bench folder to a disk"):
                        change()
        finally:
            if nobody:
                os.seteuid(0)
            _allow(folder, writing=True)


def _allow(folder: Path, *, writing: bool) -> None:
    for path in (folder, *folder.rglob("*")):
        path.chmod((0o755 if path.is_dir() else 0o644) & (0o777 if writing else 0o555))


def test_a_copied_folder_works_elsewhere(full: Bench, tmp_path: Path):
    copy = tmp_path / "copy"
    shutil.copytree(full.folder, copy)
    with Bench.open(copy) as bench:
        assert bench.units() == full.units()
        assert bench.check() == []


# Damage


def test_a_sound_folder_has_no_problems_and_progress_is_told(full: Bench):
    told = []
    assert full.check(lambda done, of: told.append((done, of))) == []
    assert told == [(n, 5) for n in range(1, 6)]


def test_a_flipped_bit_and_a_missing_take_are_found(full: Bench):
    flipped, deleted = (full.folder / full.run(run).takes[0].path for run in ("00", "01"))
    content = bytearray(flipped.read_bytes())
    content[len(content) // 2] ^= 1
    flipped.write_bytes(content)
    deleted.unlink()
    found = {problem.path: problem.what for problem in full.check()}
    assert set(found) == {p.relative_to(full.folder).as_posix() for p in (flipped, deleted)}
    assert "is damaged" in found[flipped.relative_to(full.folder).as_posix()]
    assert "is missing" in found[deleted.relative_to(full.folder).as_posix()]
    with pytest.raises(BenchError, match="is damaged"):
        full.read_take(full.run("00").takes[0])


def test_an_edited_run_is_found_and_not_handed_out(full: Bench):
    place = run_file(full, "00")
    place.write_text(place.read_text("utf-8").replace("-71.5", "-91.5"), "utf-8")
    (problem,) = full.check()
    assert problem.path == place.relative_to(full.folder).as_posix()
    assert "was changed since it was stored" in problem.what
    with pytest.raises(BenchError, match="was changed since it was stored"):
        full.runs(next(iter(full.units())))


def test_a_lost_run_and_a_lost_unit_are_found(full: Bench):
    first, second = full.units()
    run_file(full, "00").unlink()
    (full.folder / "units" / second / "unit.json").unlink()
    assert sorted(problem.path for problem in full.check()) == [
        f"units/{first}/runs/20260301T093000-tone-00/run.json",
        f"units/{second}/unit.json",
    ]


@pytest.mark.parametrize(
    ("statement", "table"),
    [
        ("UPDATE reading SET value = -91.5 WHERE name = 'thd' AND run_id = '00'", "reading"),
        ("DELETE FROM event WHERE run_id = '00' AND kind = 'mark'", "event"),
        ("UPDATE run SET stage = 'after recap' WHERE id = '00'", "run"),
        ("UPDATE unit SET serial = '1' WHERE serial = '0043'", "unit"),
        ("DELETE FROM baseline_run WHERE run_id = '03'", "baseline_run"),
    ],
)
def test_rows_that_are_not_what_the_files_say_are_found(full: Bench, statement: str, table: str):
    connection = sqlite3.connect(full.folder / "bench.db")
    with connection:
        assert connection.execute(statement).rowcount == 1
    connection.close()
    (problem,) = full.check()
    assert problem.path == "bench.db"
    assert f"the table '{table}' is not what" in problem.what
    full.close()
    with Bench.rebuild(full.folder) as bench:
        assert bench.check() == []


def test_a_take_of_no_run_is_told_of_after_a_day(full: Bench):
    record = full.store_take(integer_take(16))
    assert full.check() == []  # its run may be on its way
    os.utime(full.folder / record.path, (LONG_AGO, LONG_AGO))
    (problem,) = full.check()
    assert problem.path == record.path
    assert "belongs to no run" in problem.what


def test_a_baseline_that_lost_a_run_is_told_of(full: Bench):
    shutil.rmtree(run_file(full, "03").parent)
    full.close()
    with Bench.rebuild(full.folder) as bench:
        (problem,) = bench.check()
        assert problem.path == "baselines/known-good.json"
        assert "names the run 03, which is not here" in problem.what


def test_what_killed_programs_left_is_swept_but_not_what_is_being_written(full: Bench):
    unit = full.folder / "units" / next(iter(full.units()))
    places = [full.folder, full.folder / "takes", full.folder / "units", unit, unit / "runs"]
    for place in places:
        (place / ".0123456789abcdef.part").touch()
        (place / ".fedcba9876543210.part").mkdir()
        (place / ".fedcba9876543210.part" / "run.json").touch()
        os.utime(place / ".0123456789abcdef.part", (LONG_AGO, LONG_AGO))
    assert full.check() == []
    full.close()
    Bench.open(full.folder).close()
    for place in places:
        assert not (place / ".0123456789abcdef.part").exists()
        assert (place / ".fedcba9876543210.part").exists()


# The index is made from the files


def test_a_rebuilt_database_equals_the_original(full: Bench):
    before = rows(full.folder)
    full.close()
    with Bench.rebuild(full.folder) as bench:
        assert bench.problems == ()
    assert rows(full.folder) == before
    for path in full.folder.glob("bench.db*"):
        path.unlink()
    Bench.open(full.folder).close()
    assert rows(full.folder) == before
    assert len(before["reading"]) == 5 * 8


def test_a_database_that_is_none_any_more_is_set_aside(full: Bench):
    before = rows(full.folder)
    full.close()
    (full.folder / "bench.db").write_bytes(b"this is no database at all " * 1000)
    with pytest.raises(BenchError, match=r"rebuild it from the JSON files.*no record is lost"):
        Bench.open(full.folder)
    with Bench.rebuild(full.folder) as bench:
        assert bench.check() == []
    assert rows(full.folder) == before
    assert (full.folder / "bench.db.damaged").exists()


def test_rebuilding_accepts_what_was_edited_and_tells_of_what_is_damaged(full: Bench):
    edited, damaged = run_file(full, "00"), run_file(full, "01")
    edited.write_text(edited.read_text("utf-8").replace("-71.5", "-91.5"), "utf-8")
    damaged.write_text("{")
    full.close()
    with Bench.rebuild(full.folder) as bench:
        (problem,) = bench.problems
        assert problem.path == damaged.relative_to(full.folder).as_posix()
        assert problem.what.count("\n") == 0
        assert bench.run("00").measurements[0].readings[1].value == -91.5
        assert [found.path for found in bench.check()] == [problem.path]


def test_files_edited_or_put_there_by_a_person_are_taken_up(full: Bench, tmp_path: Path):
    first, _ = full.units()
    unit = full.folder / "units" / first / "unit.json"
    unit.write_text(unit.read_text("utf-8").replace("0042", "0099"), "utf-8")
    with Bench.create(tmp_path / "other") as other:
        visitor = other.add_unit(Unit("Own Works", "Drum box", "7", (Output("main"),)))
        other.add_run(visitor, run_of("77"))
    shutil.copytree(tmp_path / "other" / "units" / visitor, full.folder / "units" / visitor)
    (full.folder / "units" / first).rename(full.folder / "units" / "renamed")
    with Bench.open(full.folder) as bench:
        assert bench.problems == ()
        assert bench.unit("renamed").serial == "0099"
        assert bench.runs(visitor) == [run_of("77")]
        assert [run.id for run in bench.runs("renamed")] == ["00", "01", "02", "03"]
    with Bench.rebuild(full.folder) as bench:
        assert bench.check() == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"channel": 1', '"channel": 99999999999999999999'),
        ('"value": -71.5', '"value": "low"'),
        ('"value": -71.5', '"value": 1e999'),
        ("2026-03-01T", "2026-13-01T"),
        ('"id": "00"', '"id": "../00"'),
        ('"format": 1', '"format": 2'),
        ("{", ""),
    ],
)
def test_a_run_edited_into_nonsense_is_told_of_and_the_rest_works(full: Bench, old: str, new: str):
    place = run_file(full, "00")
    place.write_text(place.read_text("utf-8").replace(old, new), "utf-8")
    full.close()
    with Bench.rebuild(full.folder) as bench:
        (problem,) = bench.problems
        assert problem.path == place.relative_to(full.folder).as_posix()
        assert "\n" not in problem.what
        first, _ = bench.units()
        assert [run.id for run in bench.runs(first)] == ["01", "02", "03"]
        assert [found.path for found in bench.check()] == [problem.path]


def test_a_copy_of_a_run_is_told_of_and_not_counted_twice(full: Bench):
    first, _ = full.units()
    place = run_file(full, "00").parent
    shutil.copytree(place, place.with_name("copy"))
    with Bench.open(full.folder) as bench:
        (problem,) = bench.problems
        assert "is a copy of units/" in problem.what
        assert len(bench.runs(first)) == 4


# Two programs at once

WORKER = """
    import sys
    from sigbench.bench.folder import Bench
    from tests.bench.records import UNIT, integer_take, run_of
    name, folder = sys.argv[1:]
    print("ready", flush=True)
    sys.stdin.readline()
    with Bench.open(folder) as bench:
        unit_id = bench.add_unit(UNIT)
        for number in range(15):
            record = bench.store_take(integer_take(24, start=number))
            bench.add_run(unit_id, run_of(f"{name}{number:02d}", (record,)))
            bench.update_unit(unit_id, UNIT)
            assert len(bench.runs(unit_id)) == number + 1
    print(unit_id)
"""


def test_two_programs_write_at_once_and_lose_nothing(tmp_path: Path):
    folder = tmp_path / "bench"
    Bench.create(folder).close()
    (folder / "bench.db").unlink()  # so that both make the database, too
    workers = [
        subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(WORKER), name, str(folder)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )
        for name in ("a", "b")
    ]  # fmt: skip
    for worker in workers:
        assert worker.stdout.readline() == "ready\n"
    for worker in workers:
        worker.stdin.write("go\n")
        worker.stdin.flush()
    ids = [worker.communicate()[0].strip() for worker in workers]
    assert [worker.returncode for worker in workers] == [0, 0]
    with Bench.open(folder) as bench:
        assert set(bench.units()) == set(ids)
        assert len(set(ids)) == 2
        assert [len(bench.runs(unit_id)) for unit_id in ids] == [15, 15]
        assert bench.check() == []


def test_a_folder_that_stays_locked_is_told_in_a_sentence(full: Bench, monkeypatch):
    monkeypatch.setattr("sigbench.bench.index.BUSY_SECONDS", 0.05)
    holder = sqlite3.connect(full.folder / "bench.db", isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    try:
        with Bench.open(full.folder) as bench:
            assert len(bench.units()) == 2  # reading goes on
            with pytest.raises(BenchError, match="another program is using it"):
                bench.add_unit(UNIT)
    finally:
        holder.close()
    assert len(list((full.folder / "units").iterdir())) == 2


def test_stages_with_their_dates(full: Bench):
    first, second = full.units()
    summaries = [(s.stage, s.runs, s.first[:10], s.last[:10]) for s in full.stage_summaries(first)]
    assert summaries == [
        ("as received", 3, "2026-03-01", "2026-03-03"),
        ("after recap", 1, "2026-03-04", "2026-03-04"),
    ]
    assert [s.stage for s in full.stage_summaries(first)] == full.stages(first)
    assert [s.runs for s in full.stage_summaries(second)] == [1]
    with pytest.raises(BenchError, match="There is no unit"):
        full.stage_summaries("nobody")


def test_the_unit_of_a_run_and_whether_it_has_a_plan(full: Bench):
    first, second = full.units()
    assert [full.unit_of(run_id) for run_id in ("00", "04")] == [first, second]
    with pytest.raises(BenchError, match="There is no run '99'"):
        full.unit_of("99")
    assert (full.has_plan(first), full.has_plan(second)) == (True, False)
