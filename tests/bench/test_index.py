"""The tables, and how a database of an earlier version becomes one of today's."""

import re
import sqlite3
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.operations import Operations
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine

import sigbench.bench
from sigbench.bench import index
from sigbench.bench.folder import Bench
from tests.bench.records import PLAN, UNIT, integer_take, run_of


@pytest.fixture
def scripts() -> ScriptDirectory:
    config = Config()
    place = Path(sigbench.bench.__file__).with_name("migrations")
    config.set_main_option("script_location", str(place))
    config.set_main_option("path_separator", "os")
    return ScriptDirectory.from_config(config)


def test_the_newest_migration_is_the_one_the_program_knows(scripts: ScriptDirectory):
    assert scripts.get_heads() == [index.SCHEMA]


def test_migrations_make_the_tables_that_the_program_uses(tmp_path: Path):
    index.open_index(tmp_path, lambda _: None).dispose()
    engine = create_engine(f"sqlite:///{tmp_path / 'bench.db'}")
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, index.Base.metadata) == []
    engine.dispose()


def _first_schema(folder: Path, scripts: ScriptDirectory) -> None:
    """Put a database of the first version, made by the first migration, in place of today's.

    Its rows are today's, without what the first version did not have.
    """
    (folder / "bench.db").rename(folder / "today.db")
    engine = create_engine(f"sqlite:///{folder / 'bench.db'}")
    with engine.begin() as connection:
        context = MigrationContext.configure(connection)
        with Operations.context(context):
            scripts.get_revision("0001").module.upgrade()
        context.stamp(scripts, "0001")
    engine.dispose()
    connection = sqlite3.connect(folder / "bench.db")
    connection.execute("ATTACH ? AS today", (str(folder / "today.db"),))
    with connection:
        tables = connection.execute(
            "SELECT name FROM main.sqlite_master WHERE type = 'table' AND name != 'alembic_version'"
        ).fetchall()
        assert len(tables) == 10
        for (table,) in tables:
            connection.execute(f'INSERT INTO main."{table}" SELECT * FROM today."{table}"')
    connection.close()
    (folder / "today.db").unlink()


def _names(folder: Path) -> set[str]:
    connection = sqlite3.connect(folder / "bench.db")
    try:
        return {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
    finally:
        connection.close()


@pytest.fixture
def old(tmp_path: Path, scripts: ScriptDirectory) -> Path:
    with Bench.create(tmp_path / "50% off") as bench:  # alembic reads % in its own way
        unit_id = bench.add_unit(UNIT)
        bench.set_plan(unit_id, PLAN)
        for number in range(3):
            record = bench.store_take(integer_take(24, start=number))
            bench.add_run(unit_id, run_of(f"0{number}", (record,)))
        bench.add_baseline("good", "Two-voice", ["00"])
    _first_schema(bench.folder, scripts)
    assert "cause" not in _names(bench.folder)
    return bench.folder


def test_a_folder_of_the_first_version_is_brought_up_to_date(old: Path):
    with Bench.open(old) as bench:
        assert bench.problems == ()
        assert bench.check() == []
        (unit_id,) = bench.units()
        assert len(bench.runs(unit_id)) == 3
    assert {"cause", "cause_by_name", "reading_by_name", "event_by_kind"} <= _names(old)
    connection = sqlite3.connect(old / "bench.db")
    try:
        causes = connection.execute("SELECT run_id, name, score FROM cause").fetchall()
        assert sorted(causes) == [(f"0{number}", "dry joint", 0.81) for number in range(3)]
    finally:
        connection.close()


def test_a_run_edited_before_the_update_is_still_found_after_it(old: Path):
    (place,) = old.glob("units/*/runs/*-00/run.json")
    place.write_text(place.read_text("utf-8").replace("-71.5", "-91.5"), "utf-8")
    with Bench.open(old) as bench:
        (problem,) = bench.check()
        assert "was changed since it was stored" in problem.what


def test_an_update_that_fails_leaves_the_old_database(old: Path, monkeypatch: pytest.MonkeyPatch):
    def fail(*_: object) -> None:
        raise RuntimeError("killed here")

    with monkeypatch.context() as patch:
        patch.setattr("sigbench.bench.folder._refill", fail)
        with pytest.raises(RuntimeError, match="killed here"):
            Bench.open(old)
    assert "cause" not in _names(old)
    with Bench.open(old) as bench:
        assert bench.check() == []


def test_importing_the_program_does_not_import_the_database():
    import subprocess
    import sys

    program = "import sys, sigbench, sigbench.bench; print(*sys.modules, sep='\\n')"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    assert re.search(r"^sigbench\.bench$", done.stdout, re.M)
    assert not re.search(r"^(sqlalchemy|alembic|soundfile)\b", done.stdout, re.M)
