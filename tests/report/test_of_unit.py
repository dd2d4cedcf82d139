"""Which runs a report is about, and that an altered take is not drawn."""

import shutil

import pytest

from sigbench import checks
from sigbench.bench.folder import Bench
from sigbench.errors import BenchError, FileError
from sigbench.report.of_unit import sides, unit_report
from tests.short_plan import UNIT_ID as NEW_ID
from tests.short_plan import make_bench

UNIT_ID = "example-instruments-bench-synth-6-0047"


def test_the_first_and_the_last_stage_are_the_sides(demo):
    with Bench.open(demo.bench) as bench:
        shown = sides(bench, UNIT_ID)
        assert {run.stage for run in shown.before} == {"as received"}
        assert {run.stage for run in shown.after} == {"after repair"}
        assert shown.comparison is not None
        assert (shown.comparison.before, shown.comparison.after) == ("as received", "after repair")
        alone = sides(bench, UNIT_ID, after="as received")
        assert (alone.before, alone.comparison) == ((), None)
        against = sides(bench, UNIT_ID, baseline="Bench Synth 6, good units")
        assert against.before == ()
        assert against.comparison is not None
        with pytest.raises(BenchError, match="no runs of the stage 'mended'"):
            sides(bench, UNIT_ID, after="mended")


def test_a_unit_without_runs_has_no_report(tmp_path):
    with (
        Bench.open(make_bench(tmp_path / "bench")) as bench,
        pytest.raises(BenchError, match="has not been measured yet"),
    ):
        sides(bench, NEW_ID)


def test_a_report_does_without_a_take_that_is_gone_but_not_with_an_altered_one(demo, tmp_path):
    folder = tmp_path / "bench"
    shutil.copytree(demo.bench, folder)
    with Bench.open(folder) as bench:
        shown = sides(bench, UNIT_ID, after="as received")
        take = next(run for run in shown.after if run.step.check == "idle").takes[0]
        audio = (folder / take.path).read_bytes()
        (folder / take.path).unlink()
        files = unit_report(bench, UNIT_ID, shown, made="2026-01-31", forms=("html",))
        assert b"0047" in files["report.html"]
        (folder / take.path).write_bytes(audio[:-100] + bytes(100))
        with pytest.raises((BenchError, FileError)):
            unit_report(bench, UNIT_ID, shown, made="2026-01-31", forms=("html",))


def test_takes_of_hours_are_verified_and_not_drawn(demo, tmp_path, monkeypatch):
    monkeypatch.setattr(checks, "IN_MEMORY_SAMPLES", 1000)
    monkeypatch.setattr(Bench, "read_take", None)
    folder = tmp_path / "bench"
    shutil.copytree(demo.bench, folder)
    with Bench.open(folder) as bench:
        shown = sides(bench, UNIT_ID, after="as received")
        files = unit_report(bench, UNIT_ID, shown, made="2026-01-31", forms=("html",))
        assert b"0047" in files["report.html"]
        take = next(run for run in shown.after if run.step.check == "idle").takes[0]
        place = folder / take.path
        place.write_bytes(place.read_bytes()[:-100] + bytes(100))
        with pytest.raises(BenchError, match="is damaged"):
            unit_report(bench, UNIT_ID, shown, made="2026-01-31", forms=("html",))


def test_a_photo_that_is_missing_is_named(demo, tmp_path):
    with Bench.open(demo.bench) as bench, pytest.raises(FileError, match=r"front\.jpg"):
        unit_report(
            bench,
            UNIT_ID,
            sides(bench, UNIT_ID, after="as received"),
            made="2026-01-31",
            photo=tmp_path / "front.jpg",
        )
