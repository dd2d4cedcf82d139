"""The database of a bench folder: an index over its JSON files, which are the records.

Every row can be made again from the files, and none is ever the only place of anything. Readings
and events have columns of their own, so that SQL can ask for them; list values are JSON text.
"""

import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, ClassVar

import msgspec
from sqlalchemy import (
    Connection,
    Double,
    Engine,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    create_engine,
    event,
    insert,
    select,
    text,
)
from sqlalchemy.exc import DatabaseError, OperationalError
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column
from sqlalchemy.pool import StaticPool

from sigbench.bench.documents import Baseline, started_utc
from sigbench.errors import BenchError
from sigbench.model import ListValue, Measurement, Plan, Reading, Run, Unit

DATABASE = "bench.db"
SCHEMA = "0002"  # the newest of migrations/versions
BUSY_SECONDS = 30.0  # how long one process waits for another's write, which takes milliseconds

Rows = list[tuple[type["Base"], list[dict[str, Any]]]]


class Base(DeclarativeBase):
    """What all tables share."""

    type_annotation_map: ClassVar[dict[Any, Any]] = {
        float: Double()
    }  # 64 bits: numbers come back as they were


class UnitRow(Base):
    """One ``unit.json``."""

    __tablename__ = "unit"
    id: Mapped[str] = mapped_column(primary_key=True)
    sha256: Mapped[str]
    maker: Mapped[str]
    model: Mapped[str]
    serial: Mapped[str]
    mains_volts: Mapped[float | None]
    mains_hz: Mapped[float | None]
    notes: Mapped[str]


class OutputRow(Base):
    """One output of a unit."""

    __tablename__ = "output"
    unit_id: Mapped[str] = mapped_column(
        ForeignKey("unit.id", ondelete="CASCADE"), primary_key=True
    )
    number: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str]
    channels: Mapped[int]


class PlanRow(Base):
    """One ``plan.json``."""

    __tablename__ = "plan"
    unit_id: Mapped[str] = mapped_column(
        ForeignKey("unit.id", ondelete="CASCADE"), primary_key=True
    )
    sha256: Mapped[str]
    name: Mapped[str]
    steps: Mapped[int]


class RunRow(Base):
    """One ``run.json``, and the hash it had when it was stored."""

    __tablename__ = "run"
    __table_args__ = (Index("run_by_date", "unit_id", "started_utc"),)
    id: Mapped[str] = mapped_column(primary_key=True)
    unit_id: Mapped[str] = mapped_column(ForeignKey("unit.id", ondelete="CASCADE"))
    path: Mapped[str] = mapped_column(unique=True)
    sha256: Mapped[str]
    stage: Mapped[str]
    started: Mapped[str]
    started_utc: Mapped[str]
    operator: Mapped[str]
    step_number: Mapped[int]
    check: Mapped[str]
    output: Mapped[str]
    rig_interface: Mapped[str]
    rig_device: Mapped[str]
    rig_description: Mapped[str]


class TakeRow(Base):
    """One take of a run."""

    __tablename__ = "take"
    __table_args__ = (Index("take_by_hash", "sha256"),)
    run_id: Mapped[str] = mapped_column(ForeignKey("run.id", ondelete="CASCADE"), primary_key=True)
    number: Mapped[int] = mapped_column(primary_key=True)
    path: Mapped[str]
    sha256: Mapped[str]
    samplerate: Mapped[int]
    channels: Mapped[int]
    frames: Mapped[int]
    bits: Mapped[int | None]
    dc_coupled: Mapped[bool]
    lost: Mapped[str]


class MeasurementRow(Base):
    """One measurement of a run."""

    __tablename__ = "measurement"
    run_id: Mapped[str] = mapped_column(ForeignKey("run.id", ondelete="CASCADE"), primary_key=True)
    number: Mapped[int] = mapped_column(primary_key=True)
    check: Mapped[str]
    source: Mapped[str]


def _of_measurement(name: str) -> ForeignKeyConstraint:
    return ForeignKeyConstraint(
        ["run_id", "measurement"],
        ["measurement.run_id", "measurement.number"],
        name=f"{name}_of_measurement",
        ondelete="CASCADE",
    )


class ReadingRow(Base):
    """One reading of a measurement."""

    __tablename__ = "reading"
    __table_args__ = (_of_measurement("reading"), Index("reading_by_name", "name"))
    run_id: Mapped[str] = mapped_column(primary_key=True)
    measurement: Mapped[int] = mapped_column(primary_key=True)
    number: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str]
    channel: Mapped[int | None]
    first_channel: Mapped[int | None]
    second_channel: Mapped[int | None]
    value: Mapped[float | None]
    value_list: Mapped[str | None]
    unit: Mapped[str]
    uncertainty: Mapped[float | None]
    uncertainty_list: Mapped[str | None]
    state: Mapped[str]
    why: Mapped[str | None]
    upper_bound: Mapped[bool]


class EventRow(Base):
    """One event of a measurement."""

    __tablename__ = "event"
    __table_args__ = (_of_measurement("event"), Index("event_by_kind", "kind"))
    run_id: Mapped[str] = mapped_column(primary_key=True)
    measurement: Mapped[int] = mapped_column(primary_key=True)
    number: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str]
    start: Mapped[float]
    end: Mapped[float]
    channels: Mapped[str]
    depth: Mapped[float | None]
    text: Mapped[str | None]


class CauseRow(Base):
    """One possible cause that a measurement points to."""

    __tablename__ = "cause"
    __table_args__ = (_of_measurement("cause"), Index("cause_by_name", "name"))
    run_id: Mapped[str] = mapped_column(primary_key=True)
    measurement: Mapped[int] = mapped_column(primary_key=True)
    number: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str]
    score: Mapped[float]
    evidence_for: Mapped[str]
    evidence_against: Mapped[str]
    next: Mapped[str]


class BaselineRow(Base):
    """One baseline file."""

    __tablename__ = "baseline"
    name: Mapped[str] = mapped_column(primary_key=True)
    path: Mapped[str] = mapped_column(unique=True)
    sha256: Mapped[str]
    model: Mapped[str]


class BaselineRunRow(Base):
    """One run of a baseline. The run may be in a folder that was taken out: no foreign key."""

    __tablename__ = "baseline_run"
    baseline: Mapped[str] = mapped_column(
        ForeignKey("baseline.name", ondelete="CASCADE"), primary_key=True
    )
    number: Mapped[int] = mapped_column(primary_key=True)
    run_id: Mapped[str]


def open_index(folder: Path, refill: Callable[[Connection], None]) -> Engine:
    """Open the database of a folder, made or brought up to date where needed.

    Parameters
    ----------
    folder : Path
    refill : callable
        Fills tables that were changed; it is called inside the transaction that changes them.

    Raises
    ------
    BenchError
        If it is damaged, from a newer sigbench, or held by another program.
    """
    engine = create_engine(f"sqlite:///{folder / DATABASE}")
    event.listen(engine, "connect", _configure)
    event.listen(engine, "begin", _begin)
    try:
        with failures_as_bench_error(folder):
            _bring_up_to_date(engine, folder, refill)
    except BaseException:
        engine.dispose()
        raise
    return engine


def index_in_memory() -> Engine:
    """An empty database that lives as long as the engine."""
    engine = create_engine(
        "sqlite://", poolclass=StaticPool, connect_args={"check_same_thread": False}
    )
    event.listen(engine, "connect", _configure)
    event.listen(engine, "begin", _begin)
    Base.metadata.create_all(engine)
    return engine


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """A transaction that no other process can write beside, and that is kept or undone whole."""
    with engine.connect() as connection:
        immediate = connection.execution_options(sigbench_begin="BEGIN IMMEDIATE")
        with immediate.begin():
            yield immediate


@contextmanager
def failures_as_bench_error(folder: Path) -> Iterator[None]:
    """Turn what the database says into one sentence."""
    try:
        yield
    except DatabaseError as exc:
        reason = str(exc.orig)
        if "locked" in reason or "busy" in reason:
            advice = "another program is using it: close that, then do it again."
        elif "full" in reason:
            advice = "nothing was stored; make room on the disk and do it again."
        elif "readonly" in reason or "unable to open" in reason:
            advice = "copy the bench folder to a disk that you may write to."
        else:
            advice = (
                "rebuild it from the JSON files of the folder (sigbench bench rebuild); "
                "no record is lost."
            )
        raise BenchError(f"{folder / DATABASE} cannot be used ({reason}): {advice}") from exc


def add_rows(connection: Connection, rows: Rows) -> None:
    """Insert rows, table by table in the order given.

    Raises
    ------
    BenchError
        If a whole number is longer than the 64 bits that SQLite has for one.
    """
    try:
        for table, entries in rows:
            if entries:
                connection.execute(insert(table), entries)
    except OverflowError as exc:
        raise BenchError(f"A number is too large to be stored ({exc}): correct it.") from exc


def unit_rows(unit_id: str, unit: Unit, sha256: str) -> Rows:
    """The rows of a ``unit.json``."""
    row = {
        "id": unit_id,
        "sha256": sha256,
        "maker": unit.maker,
        "model": unit.model,
        "serial": unit.serial,
        "mains_volts": unit.mains_volts,
        "mains_hz": unit.mains_hz,
        "notes": unit.notes,
    }
    return [(UnitRow, [row]), (OutputRow, output_rows(unit_id, unit))]


def output_rows(unit_id: str, unit: Unit) -> list[dict[str, Any]]:
    """The outputs of a unit."""
    return [
        {"unit_id": unit_id, "number": number, "name": output.name, "channels": output.channels}
        for number, output in enumerate(unit.outputs, start=1)
    ]


def plan_rows(unit_id: str, plan: Plan, sha256: str) -> Rows:
    """The row of a ``plan.json``."""
    row = {"unit_id": unit_id, "sha256": sha256, "name": plan.name, "steps": len(plan.steps)}
    return [(PlanRow, [row])]


def baseline_rows(baseline: Baseline, path: str, sha256: str) -> Rows:
    """The rows of a baseline file."""
    row = {"name": baseline.name, "path": path, "sha256": sha256, "model": baseline.model}
    runs = [
        {"baseline": baseline.name, "number": number, "run_id": run_id}
        for number, run_id in enumerate(baseline.run_ids, start=1)
    ]
    return [(BaselineRow, [row]), (BaselineRunRow, runs)]


def run_rows(unit_id: str, run: Run, path: str, sha256: str) -> Rows:
    """The rows of a ``run.json``."""
    row = {
        "id": run.id,
        "unit_id": unit_id,
        "path": path,
        "sha256": sha256,
        "stage": run.stage,
        "started": run.started,
        "started_utc": started_utc(run),
        "operator": run.operator,
        "step_number": run.step_number,
        "check": run.step.check,
        "output": run.step.output,
        "rig_interface": run.rig.interface,
        "rig_device": run.rig.device,
        "rig_description": run.rig.description,
    }
    takes = [
        {
            "run_id": run.id,
            "number": number,
            "path": take.path,
            "sha256": take.sha256,
            "samplerate": take.samplerate,
            "channels": take.channels,
            "frames": take.frames,
            "bits": take.bits,
            "dc_coupled": take.dc_coupled,
            "lost": _json(take.lost),
        }
        for number, take in enumerate(run.takes, start=1)
    ]
    measurements: list[dict[str, Any]] = []
    readings: list[dict[str, Any]] = []
    events: list[dict[str, Any]] = []
    causes: list[dict[str, Any]] = []
    for number, measurement in enumerate(run.measurements, start=1):
        key = {"run_id": run.id, "measurement": number}
        measurements.append(
            {
                "run_id": run.id,
                "number": number,
                "check": measurement.check,
                "source": _json(measurement.source),
            }
        )
        readings += _reading_rows(key, measurement)
        events += _event_rows(key, measurement)
        causes += _cause_rows(key, measurement)
    return [
        (RunRow, [row]),
        (TakeRow, takes),
        (MeasurementRow, measurements),
        (ReadingRow, readings),
        (EventRow, events),
        (CauseRow, causes),
    ]


def reading_from_row(row: Any) -> Reading:
    """The reading of a row of the table ``reading``."""
    return Reading(
        name=row.name,
        value=row.value if row.value_list is None else _list_value(row.value_list),
        unit=row.unit,
        channel=row.channel,
        uncertainty=row.uncertainty
        if row.uncertainty_list is None
        else tuple(_nan(u) for u in msgspec.json.decode(row.uncertainty_list)),
        state=row.state,
        why=row.why,
        channels=None if row.first_channel is None else (row.first_channel, row.second_channel),
        upper_bound=row.upper_bound,
    )


def disagreement(connection: Connection, key: str, rows: Rows) -> str | None:
    """Name of the first table whose rows of a unit, run or baseline are not these."""
    for table, entries in rows:
        columns = table.__table__
        owner, *_ = columns.primary_key
        query = select(columns).where(owner == key).order_by(*columns.primary_key)
        if [dict(row) for row in connection.execute(query).mappings()] != entries:
            return table.__tablename__
    return None


def _reading_rows(key: dict[str, Any], measurement: Measurement) -> list[dict[str, Any]]:
    rows = []
    for number, reading in enumerate(measurement.readings, start=1):
        listed = isinstance(reading.value, tuple)
        u_listed = isinstance(reading.uncertainty, tuple)
        first, second = reading.channels or (None, None)
        rows.append(
            key
            | {
                "number": number,
                "name": reading.name,
                "channel": reading.channel,
                "first_channel": first,
                "second_channel": second,
                "value": None if listed else reading.value,
                "value_list": _json(reading.value) if listed else None,
                "unit": reading.unit,
                "uncertainty": None if u_listed else reading.uncertainty,
                "uncertainty_list": _json(reading.uncertainty) if u_listed else None,
                "state": reading.state,
                "why": reading.why,
                "upper_bound": reading.upper_bound,
            }
        )
    return rows


def _event_rows(key: dict[str, Any], measurement: Measurement) -> list[dict[str, Any]]:
    return [
        key
        | {
            "number": number,
            "kind": found.kind,
            "start": found.start,
            "end": found.end,
            "channels": _json(found.channels),
            "depth": found.depth,
            "text": found.text,
        }
        for number, found in enumerate(measurement.events, start=1)
    ]


def _cause_rows(key: dict[str, Any], measurement: Measurement) -> list[dict[str, Any]]:
    return [
        key
        | {
            "number": number,
            "name": cause.name,
            "score": cause.score,
            "evidence_for": _json(cause.evidence_for),
            "evidence_against": _json(cause.evidence_against),
            "next": cause.next,
        }
        for number, cause in enumerate(measurement.causes, start=1)
    ]


def _json(value: object) -> str:
    return msgspec.json.encode(value).decode()


def _list_value(encoded: str) -> ListValue:
    """A list value; a null entry is not-a-number, as in the JSON contract."""
    entries = msgspec.json.decode(encoded)
    if entries and isinstance(entries[0], list):
        return tuple((_nan(first), _nan(second)) for first, second in entries)
    return tuple(_nan(entry) for entry in entries)


def _nan(number: float | None) -> float:
    return float("nan") if number is None else number


def _configure(connection: sqlite3.Connection, _record: object) -> None:
    # Transactions are begun by _begin: sqlite3's own way leaves changes of tables out of them.
    connection.isolation_level = None
    connection.execute(f"PRAGMA busy_timeout = {BUSY_SECONDS * 1000:.0f}")
    connection.execute("PRAGMA foreign_keys = ON")
    # A row lost with the power is taken up again from its file: no fsync for each one.
    connection.execute("PRAGMA synchronous = NORMAL")


def _begin(connection: Connection) -> None:
    options = connection.get_execution_options()
    connection.exec_driver_sql(options.get("sigbench_begin", "BEGIN"))


def _bring_up_to_date(engine: Engine, folder: Path, refill: Callable[[Connection], None]) -> None:
    if _version(engine) == SCHEMA:
        return
    _use_write_ahead_log(engine)
    # Alembic takes a second to import: only where there is something to do.
    from alembic.config import Config
    from alembic.migration import MigrationContext
    from alembic.operations import Operations
    from alembic.script import ScriptDirectory

    config = Config()
    place = Path(__file__).with_name("migrations")
    config.set_main_option("script_location", str(place).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    scripts = ScriptDirectory.from_config(config)
    with writing(engine) as connection:
        context = MigrationContext.configure(connection)
        current = context.get_current_revision()  # another process may have been here by now
        if current not in {None, *(script.revision for script in scripts.walk_revisions())}:
            raise BenchError(
                f"{folder} was used by a newer sigbench (its database has the form {current}, "
                f"this one knows up to {SCHEMA}): install the newer version."
            )
        steps = list(scripts.iterate_revisions("head", current or "base"))
        for step in reversed(steps):
            with Operations.context(context):
                step.module.upgrade()
            context.stamp(scripts, step.revision)
        if steps:
            refill(connection)


def _version(engine: Engine) -> str | None:
    with engine.connect() as connection:
        known = connection.execute(
            text("SELECT name FROM sqlite_master WHERE name = 'alembic_version'")
        ).scalar()
        if known is None:
            return None
        return connection.execute(text("SELECT version_num FROM alembic_version")).scalar()


def _use_write_ahead_log(engine: Engine) -> None:
    """Switch to WAL: readers and one writer do not wait for each other.

    SQLite does not wait for another process here, whatever the busy timeout.
    """
    give_up = time.monotonic() + BUSY_SECONDS
    connection = engine.raw_connection()
    try:
        while True:
            try:
                connection.cursor().execute("PRAGMA journal_mode = WAL")
                return
            except sqlite3.OperationalError as exc:
                if time.monotonic() > give_up or "locked" not in str(exc):
                    raise OperationalError("PRAGMA journal_mode", None, exc) from exc
                time.sleep(0.02)
    finally:
        connection.close()
