"""The bench folder: units, plans, takes, runs and baselines, stored and found again.

One principle: the JSON files and the audio are the records, the database is an index over them.
So the order is always audio, then ``run.json``, then the row; whatever file has no row, because
the program was killed or because a person put it there, is taken up when the folder is opened.
A run is evidence and never changes. Units, plans and baselines may be edited.
"""

import hashlib
import secrets
import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from types import TracebackType
from typing import Self

from sqlalchemy import Connection, delete, func, select, text, update
from sqlalchemy.engine import Engine

from sigbench.bench import audio, documents, index, recording
from sigbench.bench.atomic import (
    GRACE_SECONDS,
    age,
    is_temporary,
    place_folder,
    sweep,
    temporary,
    write_file,
)
from sigbench.bench.documents import Baseline, slug
from sigbench.bench.index import (
    BaselineRow,
    BaselineRunRow,
    OutputRow,
    PlanRow,
    ReadingRow,
    RunRow,
    TakeRow,
    UnitRow,
)
from sigbench.bench.recording import About, Purpose, Recording, Unfinished
from sigbench.errors import BenchError
from sigbench.interface.base import Interface
from sigbench.model import LongTake, Plan, Reading, Run, Samples, Take, TakeRecord, Unit

PHOTO_SUFFIXES = (".jpg", ".jpeg", ".png")


@dataclass(frozen=True, slots=True)
class Problem:
    """Something in the folder that is not as it was stored: where, and what to do."""

    path: str
    what: str


@dataclass(frozen=True, slots=True)
class StageSummary:
    """A stage of a unit: how many runs, and when the first and the last of them started."""

    stage: str
    runs: int
    first: str
    last: str


@dataclass(frozen=True, slots=True)
class FoundReading:
    """A reading and the run it is from."""

    unit_id: str
    run_id: str
    stage: str
    started: str
    check: str
    output: str
    reading: Reading


def new_run_id() -> str:
    """An id that no other run has, on this bench or on another."""
    return secrets.token_hex(6)


class Bench:
    """An open bench folder; use it in a ``with`` statement, or close it.

    Several processes may have the same folder open. A folder that may not be written to can be
    read; then the index is made in memory.

    Attributes
    ----------
    folder : Path
    read_only : str or None
        The reason why nothing can be stored, where that is so.
    problems : tuple of Problem
        Files that were found on opening and could not be taken up.
    unfinished : tuple of Unfinished
        Recordings that a killed program or a failed device has left, as found on opening.

    Examples
    --------
    >>> import tempfile
    >>> from sigbench.model import Output, Unit
    >>> with tempfile.TemporaryDirectory() as place, Bench.create(place) as bench:
    ...     bench.add_unit(Unit("Own", "Two-voice", "0042", (Output("main"),)))
    'own-two-voice-0042'
    """

    def __init__(self, folder: Path, engine: Engine, read_only: str | None = None) -> None:
        self.folder = folder
        self.read_only = read_only
        self.problems: tuple[Problem, ...] = ()
        self.unfinished: tuple[Unfinished, ...] = ()
        self._engine = engine

    @classmethod
    def create(cls, folder: str | Path) -> Self:
        """Make a bench folder in a new or empty folder, and open it.

        Raises
        ------
        BenchError
            If there is anything in the folder already, or it cannot be written.
        """
        place = Path(folder)
        if (place / documents.FOLDER).exists():
            raise BenchError(f"{place} is a bench folder already: use it, or name another one.")
        if place.exists() and not place.is_dir():
            raise BenchError(f"{place} is a file: name a folder.")
        if place.exists() and not all(is_temporary(path) for path in place.iterdir()):
            raise BenchError(f"{place} holds other files: name a new or an empty folder.")
        write_file(place / documents.FOLDER, documents.folder_to_json())
        return cls.open(place)

    @classmethod
    def open(cls, folder: str | Path) -> Self:
        """Open a bench folder, bring its database up to date and take up what it lacks.

        Raises
        ------
        BenchError
            If the folder is none, is from a newer sigbench, or its database is damaged.
        """
        place = Path(folder)
        _require_bench(place)
        read_only = _why_read_only(place)
        if read_only is None:
            _sweep(place)
            engine = index.open_index(place, lambda connection: _refill(place, connection))
        else:
            engine = index.index_in_memory()
        bench = cls(place, engine, read_only)
        try:
            bench.problems = tuple(bench._take_up())
            if read_only is None:
                bench.unfinished = recording.unfinished(place)
        except BaseException:
            bench.close()
            raise
        return bench

    @classmethod
    def rebuild(cls, folder: str | Path) -> Self:
        """Make the database anew from the files, as they are now, and open the folder.

        The old rows go and the new ones come in one transaction. A database that is no database
        any more is kept beside the new one as ``bench.db.damaged``.

        Raises
        ------
        BenchError
            If the folder is none or may not be written to.
        """
        place = Path(folder)
        _require_bench(place)
        read_only = _why_read_only(place)
        if read_only is not None:
            raise BenchError(read_only)
        _set_aside_if_damaged(place)
        engine = index.open_index(place, lambda connection: _refill(place, connection))
        bench = cls(place, engine)
        try:
            with index.failures_as_bench_error(place), index.writing(engine) as connection:
                for table in (UnitRow, BaselineRow):  # the others go with them
                    connection.execute(delete(table))
                found = [_take_in(place, connection, path) for path in _document_paths(place)]
        except BaseException:
            bench.close()
            raise
        bench.problems = tuple(problem for problem in found if problem is not None)
        return bench

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # Units and their plans

    def add_unit(self, unit: Unit) -> str:
        """Store a unit; the id made from maker, model and serial is new in this folder."""
        data = documents.unit_to_json(unit)
        wanted = slug(" ".join((unit.maker, unit.model, unit.serial)))
        with ExitStack() as undo:
            with self._change() as connection:
                unit_id = _free_name(self.folder / documents.UNITS, wanted)
                place = self.folder / documents.UNITS / unit_id
                index.add_rows(connection, index.unit_rows(unit_id, unit, _hash(data)))
                undo.callback(shutil.rmtree, place, ignore_errors=True)
                place_folder(place, {documents.UNIT: data})
            undo.pop_all()
        return unit_id

    def update_unit(self, unit_id: str, unit: Unit) -> None:
        """Store a unit anew, say with other notes; its id stays."""
        self._replace(unit_id, documents.UNIT, documents.unit_to_json(unit))

    def units(self) -> dict[str, Unit]:
        """All units by id."""
        with self._look() as connection:
            ids = connection.execute(select(UnitRow.id).order_by(UnitRow.id)).scalars().all()
        return {unit_id: self._read_unit(unit_id) for unit_id in ids}

    def unit(self, unit_id: str) -> Unit:
        """The unit of an id.

        Raises
        ------
        BenchError
            If there is none, or its file is missing or damaged.
        """
        self._require_unit(unit_id)
        return self._read_unit(unit_id)

    def set_photo(self, unit_id: str, photo: str | Path) -> None:
        """Keep a copy of a picture (JPEG or PNG) with the unit, instead of an earlier one."""
        self._require_unit(unit_id)
        source = Path(photo)
        if source.suffix.lower() not in PHOTO_SUFFIXES:
            raise BenchError(f"{source} is no photo that can be kept: name a JPEG or PNG file.")
        try:
            data = source.read_bytes()
        except OSError as exc:
            raise BenchError(f"{source} cannot be read ({exc.strerror}).") from exc
        with self._change():
            before = self.photo(unit_id)
            place = (self.folder / documents.UNITS / unit_id / "photo").with_suffix(
                source.suffix.lower()
            )
            write_file(place, data)
            if before is not None and before != place:
                before.unlink(missing_ok=True)

    def photo(self, unit_id: str) -> Path | None:
        """Where the picture of the unit lies, if there is one."""
        stem = self.folder / documents.UNITS / unit_id / "photo"
        places = (stem.with_suffix(suffix) for suffix in PHOTO_SUFFIXES)
        return next((place for place in places if place.is_file()), None)

    def set_plan(self, unit_id: str, plan: Plan) -> None:
        """Keep a plan with the unit, instead of an earlier one."""
        self._replace(unit_id, documents.PLAN, documents.plan_to_json(plan))

    def plan(self, unit_id: str) -> Plan:
        """The plan that is kept with a unit.

        Raises
        ------
        BenchError
            If the unit has none.
        """
        self._require_unit(unit_id)
        place = self.folder / documents.UNITS / unit_id / documents.PLAN
        if not place.exists():
            raise BenchError(f"The unit '{unit_id}' has no plan yet: give it one first.")
        return documents.plan_from_json(_read(place), place)

    def has_plan(self, unit_id: str) -> bool:
        """Whether a plan is kept with a unit."""
        self._require_unit(unit_id)
        return (self.folder / documents.UNITS / unit_id / documents.PLAN).exists()

    # Takes and runs

    def begin_recording(
        self,
        interface: Interface,
        *,
        seconds: float | None,
        channels: int,
        purpose: Purpose | None = None,
    ) -> Recording:
        """Begin a take that is written to the disk as it comes.

        Parameters
        ----------
        interface : Interface
            Where it will come from.
        seconds : float or None
            Its length, for which there has to be room.
        channels : int
            How many of the channels it will have.
        purpose : Purpose, optional
            For whoever finds the recording if it is never finished.

        Raises
        ------
        BenchError
            If there is too little room on the disk, or nothing can be written.
        """
        if self.read_only is not None:
            raise BenchError(self.read_only)
        return Recording(self.folder, About.of(interface, channels, purpose), seconds=seconds)

    def keep_recording(self, found: Unfinished) -> Path:
        """Make an unfinished recording an audio file below ``kept/``, and give its place.

        Raises
        ------
        BenchError
            If it is no longer there, or the file cannot be written: then the recording stays.
        """
        return recording.keep(self.folder, found)

    def drop_recording(self, found: Unfinished) -> None:
        """Delete an unfinished recording, because someone said so."""
        recording.drop(self.folder, found)

    def store_take(self, take: Take | LongTake) -> TakeRecord:
        """Store the audio of a take; a run that names it is to follow.

        Raises
        ------
        SignalError
            If the take holds no audio, or samples that are no numbers.
        BenchError
            If it cannot be stored whole.
        """
        if self.read_only is not None:
            raise BenchError(self.read_only)
        return audio.store(self.folder, take)

    def read_take(self, record: TakeRecord) -> Take:
        """The audio of a take, bit for bit as stored.

        Raises
        ------
        BenchError
            If the file is missing, or is not what was stored.
        """
        return audio.read(self.folder, record)

    def long_take(self, record: TakeRecord) -> LongTake:
        """The audio of a take in blocks, as it is wanted: for takes too long for memory.

        Its hash is verified once, here.

        Raises
        ------
        BenchError
            If the file is missing, or is not what was stored.
        """
        return audio.long_take(self.folder, record)

    def stretch(self, record: TakeRecord, start: int, frames: int) -> Samples:
        """Some of a take's audio, from a frame on; it ends where the take does.

        Its hash is verified first.

        Raises
        ------
        BenchError
            If the file is missing, or is not what was stored.
        """
        return audio.stretch(self.folder, record, start, frames)

    def add_run(self, unit_id: str, run: Run) -> None:
        """Store a finished run, after its takes.

        Numbers that are not finite are stored as ``--json`` prints them: null, with the reason.

        Raises
        ------
        BenchError
            If there is no such unit, the id is taken, a take is not stored, or nothing can be
            written. Then nothing of the run is there.
        """
        data = documents.run_to_json(run)
        path = f"{documents.UNITS}/{unit_id}/{documents.RUNS}/{documents.run_folder_name(run)}"
        for take in run.takes:
            if not (self.folder / take.path).is_file():
                raise BenchError(
                    f"The take {take.path} of the run {run.id} is not in {self.folder}: "
                    "store the take first."
                )
        # What the index holds is what will be read from the file.
        stored = documents.run_from_json(data, Path(documents.RUN))
        with ExitStack() as undo:
            with self._change() as connection:
                _require_unit(connection, unit_id)
                taken = select(RunRow.id).where(RunRow.id == run.id)
                if connection.execute(taken).scalar() or (self.folder / path).exists():
                    raise BenchError(f"There is a run {run.id} already: each needs its own id.")
                index.add_rows(
                    connection,
                    index.run_rows(unit_id, stored, f"{path}/{documents.RUN}", _hash(data)),
                )
                undo.callback(shutil.rmtree, self.folder / path, ignore_errors=True)
                place_folder(self.folder / path, {documents.RUN: data})
            undo.pop_all()

    def run(self, run_id: str) -> Run:
        """The run of an id.

        Raises
        ------
        BenchError
            If there is none, or its file is missing or was changed.
        """
        with self._look() as connection:
            row = connection.execute(
                select(RunRow.path, RunRow.sha256).where(RunRow.id == run_id)
            ).one_or_none()
        if row is None:
            raise BenchError(f"There is no run '{run_id}' in {self.folder}.")
        return self._read_run(row.path, row.sha256)

    def runs(self, unit_id: str, stage: str | None = None) -> list[Run]:
        """The runs of a unit in order of date, optionally of one stage.

        Raises
        ------
        BenchError
            If there is no such unit, or the file of a run is missing or was changed.
        """
        query = select(RunRow.path, RunRow.sha256).where(RunRow.unit_id == unit_id)
        if stage is not None:
            query = query.where(RunRow.stage == stage)
        with self._look() as connection:
            _require_unit(connection, unit_id)
            rows = connection.execute(
                query.order_by(RunRow.started_utc, RunRow.step_number, RunRow.id)
            ).all()
        return [self._read_run(row.path, row.sha256) for row in rows]

    def stages(self, unit_id: str) -> list[str]:
        """The stages of a unit, in order of their first run."""
        with self._look() as connection:
            _require_unit(connection, unit_id)
            query = select(RunRow.stage).where(RunRow.unit_id == unit_id).group_by(RunRow.stage)
            ordered = query.order_by(func.min(RunRow.started_utc), RunRow.stage)
            return list(connection.execute(ordered).scalars())

    def stage_summaries(self, unit_id: str) -> list[StageSummary]:
        """The stages of a unit with their dates, in order of their first run; reads no file."""
        with self._look() as connection:
            _require_unit(connection, unit_id)
            query = select(RunRow.stage, RunRow.started).where(RunRow.unit_id == unit_id)
            starts: dict[str, list[str]] = {}
            for row in connection.execute(query.order_by(RunRow.started_utc, RunRow.stage)):
                starts.setdefault(row.stage, []).append(row.started)
        return [StageSummary(stage, len(of), of[0], of[-1]) for stage, of in starts.items()]

    def unit_of(self, run_id: str) -> str:
        """The id of the unit that a run is of.

        Raises
        ------
        BenchError
            If there is no such run.
        """
        with self._look() as connection:
            query = select(RunRow.unit_id).where(RunRow.id == run_id)
            unit_id = connection.execute(query).scalar()
        if unit_id is None:
            raise BenchError(f"There is no run '{run_id}' in {self.folder}.")
        return unit_id

    def readings(
        self,
        name: str,
        *,
        unit_id: str | None = None,
        model: str | None = None,
        check: str | None = None,
        channel: int | None = None,
    ) -> list[FoundReading]:
        """Every reading of one name, in order of date: the history of a unit, or of a model."""
        query = (
            select(
                ReadingRow.__table__,
                RunRow.unit_id,
                RunRow.stage,
                RunRow.started,
                RunRow.check,
                RunRow.output,
            )
            .join(RunRow, RunRow.id == ReadingRow.run_id)
            .join(UnitRow, UnitRow.id == RunRow.unit_id)
            .where(ReadingRow.name == name)
        )
        for column, wanted in (
            (RunRow.unit_id, unit_id),
            (UnitRow.model, model),
            (RunRow.check, check),
            (ReadingRow.channel, channel),
        ):
            if wanted is not None:
                query = query.where(column == wanted)
        ordered = query.order_by(
            RunRow.started_utc, RunRow.step_number, RunRow.id, ReadingRow.measurement,
            ReadingRow.number,
        )  # fmt: skip
        with self._look() as connection:
            return [
                FoundReading(
                    row.unit_id,
                    row.run_id,
                    row.stage,
                    row.started,
                    row.check,
                    row.output,
                    index.reading_from_row(row),
                )
                for row in connection.execute(ordered)
            ]

    # Baselines

    def add_baseline(
        self, name: str, model: str, run_ids: Sequence[str], *, replace: bool = False
    ) -> Baseline:
        """Name a list of runs that later ones are compared with.

        Raises
        ------
        BenchError
            If there is no such run, the list is empty, or the name is taken and `replace` is not
            asked for.
        """
        if not name.strip() or not run_ids:
            raise BenchError("A baseline needs a name and at least one run: give both.")
        baseline = Baseline(name, model, tuple(dict.fromkeys(run_ids)))
        data = documents.baseline_to_json(baseline)
        with self._change() as connection:
            for run_id in baseline.run_ids:
                if not connection.execute(select(RunRow.id).where(RunRow.id == run_id)).scalar():
                    raise BenchError(f"There is no run '{run_id}' for the baseline '{name}'.")
            path = connection.execute(
                select(BaselineRow.path).where(BaselineRow.name == name)
            ).scalar()
            if path is not None and not replace:
                raise BenchError(
                    f"There is a baseline '{name}' already: choose another name, or replace it."
                )
            if path is None:
                place = self.folder / documents.BASELINES
                path = f"{documents.BASELINES}/{_free_name(place, slug(name), '.json')}.json"
            connection.execute(delete(BaselineRow).where(BaselineRow.name == name))
            index.add_rows(connection, index.baseline_rows(baseline, path, _hash(data)))
            write_file(self.folder / path, data)
        return baseline

    def baseline(self, name: str) -> Baseline:
        """The baseline of a name.

        Raises
        ------
        BenchError
            If there is none.
        """
        with self._look() as connection:
            path = connection.execute(
                select(BaselineRow.path).where(BaselineRow.name == name)
            ).scalar()
        if path is None:
            raise BenchError(f"There is no baseline '{name}' in {self.folder}.")
        place = self.folder / path
        return documents.baseline_from_json(_read(place), place)

    def baselines(self) -> list[Baseline]:
        """All baselines, by name."""
        with self._look() as connection:
            names = connection.execute(select(BaselineRow.name).order_by(BaselineRow.name))
            found = list(names.scalars())
        return [self.baseline(name) for name in found]

    # The whole folder

    def check(self, progress: Callable[[int, int], None] | None = None) -> list[Problem]:
        """Compare everything with what was stored: each hash, each file, each row.

        Parameters
        ----------
        progress : callable, optional
            Told how many takes have been verified, and of how many.

        Returns
        -------
        list of Problem
            Empty for a sound folder. A take that belongs to no run is listed a day after it was
            stored: until then its run may still be under way.
        """
        problems = self._take_up()
        with self._look() as connection:
            findings = connection.execute(text("PRAGMA integrity_check")).scalars()
            problems += [
                Problem(index.DATABASE, f"is damaged ({finding}): rebuild the index.")
                for finding in findings
                if finding != "ok"
            ]
            problems += self._wrong_documents(connection, {problem.path for problem in problems})
            problems += [
                Problem(
                    row.path,
                    f"names the run {row.run_id}, which is not here: "
                    "put the run back, or name the baseline anew.",
                )
                for row in connection.execute(
                    select(BaselineRow.path, BaselineRunRow.run_id)
                    .join(BaselineRunRow, BaselineRunRow.baseline == BaselineRow.name)
                    .where(BaselineRunRow.run_id.not_in(select(RunRow.id)))
                )
            ]
            rows = connection.execute(select(TakeRow.__table__)).all()
        records = {
            row.path: TakeRecord(
                row.path, row.sha256, row.samplerate, row.channels, row.frames, row.bits
            )
            for row in rows
        }
        problems += [
            Problem(
                kept.relative_to(self.folder).as_posix(),
                "is not what was kept: put it back, with the log beside it, from a copy.",
            )
            for kept in recording.damaged(self.folder)
        ]
        return problems + self._wrong_takes(records, progress)

    def _wrong_documents(self, connection: Connection, reported: set[str]) -> list[Problem]:
        """Files that are missing or changed, and rows that are not those that the files give."""
        problems = []
        for path, sha256 in _known(connection).items():
            if path in reported:
                continue
            try:
                data = _read(self.folder / path)
            except BenchError as exc:
                what = f"{str(exc).rstrip('.')}, or rebuild the index to go on without it."
                problems.append(Problem(path, what))
                continue
            if _hash(data) == sha256:
                table = index.disagreement(connection, *_rows_of(self.folder, path, data))
                if table is not None:
                    what = f"the table '{table}' is not what {path} says: rebuild the index."
                    problems.append(Problem(index.DATABASE, what))
            elif _is_run(path):
                problems.append(Problem(path, _changed(self.folder / path)))
            # Any other file has been edited in this very moment: it is taken up next time.
        return problems

    def _wrong_takes(
        self, records: dict[str, TakeRecord], progress: Callable[[int, int], None] | None
    ) -> list[Problem]:
        """Audio that is missing, damaged or of no run."""
        problems = []
        for number, (path, record) in enumerate(sorted(records.items()), start=1):
            try:
                audio.verify(self.folder, record)
            except BenchError as exc:
                problems.append(Problem(path, str(exc)))
            if progress is not None:
                progress(number, len(records))
        for place in audio.stored_files(self.folder):
            path = place.relative_to(self.folder).as_posix()
            if path not in records and age(place) > GRACE_SECONDS:
                problems.append(
                    Problem(
                        path,
                        "belongs to no run, perhaps because the program was stopped: "
                        "listen to it, and keep it elsewhere or delete it.",
                    )
                )
        return problems

    def _replace(self, unit_id: str, name: str, data: bytes) -> None:
        path = f"{documents.UNITS}/{unit_id}/{name}"
        with self._change() as connection:
            _require_unit(connection, unit_id)
            write_file(self.folder / path, data)
            _index_document(self.folder, connection, path, data)

    def _take_up(self) -> list[Problem]:
        """Give rows to files that have none, and new rows to files that were edited."""
        with self._look() as connection:
            pending = _pending(self.folder, _known(connection))
        if not pending:
            return []
        with (
            index.failures_as_bench_error(self.folder),
            index.writing(self._engine) as connection,
        ):
            # Another process may have been here since.
            pending = _pending(self.folder, _known(connection))
            found = [_take_in(self.folder, connection, path) for path in pending]
        return [problem for problem in found if problem is not None]

    def _read_unit(self, unit_id: str) -> Unit:
        place = self.folder / documents.UNITS / unit_id / documents.UNIT
        return documents.unit_from_json(_read(place), place)

    def _read_run(self, path: str, sha256: str) -> Run:
        place = self.folder / path
        data = _read(place)
        if _hash(data) != sha256:
            raise BenchError(_changed(place))
        return documents.run_from_json(data, place)

    def _require_unit(self, unit_id: str) -> None:
        with self._look() as connection:
            _require_unit(connection, unit_id)

    @contextmanager
    def _look(self) -> Iterator[Connection]:
        with index.failures_as_bench_error(self.folder), self._engine.begin() as connection:
            yield connection

    @contextmanager
    def _change(self) -> Iterator[Connection]:
        if self.read_only is not None:
            raise BenchError(self.read_only)
        with (
            index.failures_as_bench_error(self.folder),
            index.writing(self._engine) as connection,
        ):
            yield connection


def _require_bench(folder: Path) -> None:
    marker = folder / documents.FOLDER
    if not folder.is_dir():
        raise BenchError(f"{folder} is no folder: name a bench folder, or create one there.")
    if not marker.is_file():
        raise BenchError(
            f"{folder} is no bench folder (it has no {documents.FOLDER}): "
            "name another one, or create one in a new folder."
        )
    documents.check_folder_json(_read(marker), marker)


def _why_read_only(folder: Path) -> str | None:
    """Found out by writing: permissions do not tell of a read-only or a full disk."""
    try:
        with temporary(folder) as part:
            part.touch()
    except OSError as exc:
        return (
            f"{folder} can be read but not written to ({exc.strerror}): "
            "make room there, or copy the bench folder to a disk that you may write to."
        )
    return None


def _sweep(folder: Path) -> None:
    units = folder / documents.UNITS
    for place in (
        folder,
        folder / audio.TAKES,
        folder / documents.BASELINES,
        units,
        *units.glob("*"),
        *units.glob(f"*/{documents.RUNS}"),
    ):
        sweep(place)


def _set_aside_if_damaged(folder: Path) -> None:
    """Move a file that is no database out of the way, with what belongs to it."""
    import sqlite3

    database = folder / index.DATABASE
    if not database.exists():
        return
    connection = sqlite3.connect(database, timeout=index.BUSY_SECONDS)
    try:
        sound = connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    except sqlite3.OperationalError as exc:
        raise BenchError(
            f"{database} cannot be opened ({exc}): close other programs that use it."
        ) from exc
    except sqlite3.DatabaseError:
        sound = False
    finally:
        connection.close()
    if not sound:
        for suffix in ("-wal", "-shm"):
            Path(f"{database}{suffix}").unlink(missing_ok=True)
        database.replace(f"{database}.damaged")


def _refill(folder: Path, connection: Connection) -> None:
    """Make the rows of all runs anew, after a change of the tables.

    A run whose file is not the one that was stored keeps its rows: `Bench.check` tells of it.
    """
    for row in connection.execute(select(RunRow.path, RunRow.sha256)).all():
        place = folder / row.path
        if place.is_file() and _hash(_read(place)) == row.sha256:
            connection.execute(delete(RunRow).where(RunRow.path == row.path))
            _take_in(folder, connection, row.path)


def _document_paths(folder: Path) -> list[str]:
    """Paths of the JSON files relative to the folder: units, their plans, runs and baselines."""
    patterns = (
        f"{documents.UNITS}/*/{documents.UNIT}",
        f"{documents.UNITS}/*/{documents.PLAN}",
        f"{documents.UNITS}/*/{documents.RUNS}/*/{documents.RUN}",
        f"{documents.BASELINES}/*.json",
    )
    return [
        path.relative_to(folder).as_posix()
        for pattern in patterns
        for path in sorted(folder.glob(pattern))
        if not any(part.startswith(".") for part in path.relative_to(folder).parts)
    ]


def _known(connection: Connection) -> dict[str, str]:
    """Path of each file that has rows, and the hash it had."""
    units = connection.execute(select(UnitRow.id, UnitRow.sha256))
    plans = connection.execute(select(PlanRow.unit_id, PlanRow.sha256))
    runs = connection.execute(select(RunRow.path, RunRow.sha256))
    baselines = connection.execute(select(BaselineRow.path, BaselineRow.sha256))
    return {
        **{f"{documents.UNITS}/{key}/{documents.UNIT}": sha256 for key, sha256 in units},
        **{f"{documents.UNITS}/{key}/{documents.PLAN}": sha256 for key, sha256 in plans},
    } | {path: sha256 for rows in (runs, baselines) for path, sha256 in rows}


def _pending(folder: Path, known: dict[str, str]) -> list[str]:
    """Files without rows, and files that may be edited and were."""
    return [
        path
        for path in _document_paths(folder)
        if path not in known or (not _is_run(path) and _file_hash(folder / path) != known[path])
    ]


def _take_in(folder: Path, connection: Connection, path: str) -> Problem | None:
    """Index one file, or say why it cannot be."""
    try:
        with connection.begin_nested():
            _index_document(folder, connection, path, _read(folder / path))
    except BenchError as exc:
        return Problem(path, str(exc))
    return None


def _index_document(folder: Path, connection: Connection, path: str, data: bytes) -> None:
    key, rows = _rows_of(folder, path, data)
    table, (row,) = rows[0]
    if table is UnitRow:
        # The runs hang on the row of their unit, so it is changed, not made anew.
        if connection.execute(update(UnitRow).where(UnitRow.id == key).values(row)).rowcount:
            rows = rows[1:]
        connection.execute(delete(OutputRow).where(OutputRow.unit_id == key))
    elif table is PlanRow:
        _require_unit(connection, key)
        connection.execute(delete(PlanRow).where(PlanRow.unit_id == key))
    elif table is RunRow:
        _require_unit(connection, row["unit_id"])
        other = connection.execute(select(RunRow.path).where(RunRow.id == key)).scalar()
        _require_no_copy(folder, path, other)
        connection.execute(delete(RunRow).where((RunRow.id == key) | (RunRow.path == path)))
    else:
        other = connection.execute(select(BaselineRow.path).where(BaselineRow.name == key)).scalar()
        _require_no_copy(folder, path, other)
        connection.execute(
            delete(BaselineRow).where((BaselineRow.name == key) | (BaselineRow.path == path))
        )
    index.add_rows(connection, rows)


def _rows_of(folder: Path, path: str, data: bytes) -> tuple[str, index.Rows]:
    """The unit, run or baseline that a file speaks of, and the rows that follow from it."""
    place, parts, sha256 = folder / path, PurePosixPath(path).parts, _hash(data)
    if parts[0] == documents.BASELINES:
        baseline = documents.baseline_from_json(data, place)
        return baseline.name, index.baseline_rows(baseline, path, sha256)
    if parts[-1] == documents.UNIT:
        unit = documents.unit_from_json(data, place)
        return parts[1], index.unit_rows(parts[1], unit, sha256)
    if parts[-1] == documents.PLAN:
        plan = documents.plan_from_json(data, place)
        return parts[1], index.plan_rows(parts[1], plan, sha256)
    run = documents.run_from_json(data, place)
    return run.id, index.run_rows(parts[1], run, path, sha256)


def _require_no_copy(folder: Path, path: str, other: str | None) -> None:
    """A file whose like is elsewhere in the folder is a copy; one that is gone has moved."""
    if other is not None and other != path and (folder / other).is_file():
        raise BenchError(f"{folder / path} is a copy of {other}: keep only one of them.")


def _require_unit(connection: Connection, unit_id: str) -> None:
    if not connection.execute(select(UnitRow.id).where(UnitRow.id == unit_id)).scalar():
        ids = connection.execute(select(UnitRow.id).order_by(UnitRow.id)).scalars().all()
        there = f"there are: {', '.join(ids)}." if ids else "there is none yet: add one."
        raise BenchError(f"There is no unit '{unit_id}' in this bench folder; {there}")


def _free_name(folder: Path, wanted: str, suffix: str = "") -> str:
    """The wanted name, or with the first number from 2 on that makes it new in the folder."""
    name, number = wanted, 2
    while (folder / f"{name}{suffix}").exists():
        name, number = f"{wanted}-{number}", number + 1
    return name


def _changed(place: Path) -> str:
    return (
        f"{place} was changed since it was stored: put it back from a copy of the bench "
        "folder, or rebuild the index to accept it."
    )


def _is_run(path: str) -> bool:
    return PurePosixPath(path).name == documents.RUN


def _read(place: Path) -> bytes:
    try:
        return place.read_bytes()
    except FileNotFoundError as exc:
        raise BenchError(
            f"{place} is missing: put it back from a copy of the bench folder."
        ) from exc
    except OSError as exc:
        raise BenchError(
            f"{place} cannot be read ({exc.strerror}): look after the disk, or put the file back "
            "from a copy of the bench folder."
        ) from exc


def _file_hash(place: Path) -> str | None:
    try:
        return _hash(place.read_bytes())
    except OSError:
        return None  # differs from any hash: reading it again then says why


def _hash(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
