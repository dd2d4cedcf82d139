"""The JSON files of a bench folder: what is in them, and where they lie.

These files are the records. They are indented UTF-8 for a person to read, and the measurements
in a ``run.json`` are the objects that ``--json`` prints.
"""

import re
import unicodedata
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import msgspec
from msgspec import Struct

from sigbench import __version__
from sigbench.errors import BenchError, FileError
from sigbench.model import (
    Calibration,
    Plan,
    Rig,
    RigLimits,
    RigSetup,
    RigTest,
    Run,
    Step,
    TakeRecord,
    Unit,
)
from sigbench.wire import (
    measurement_from_object,
    measurement_to_object,
    reading_from_object,
    reading_to_object,
)

FORMAT = 1  # of all the files here; a higher one was written by a newer sigbench

FOLDER = "bench.json"
UNITS = "units"
UNIT = "unit.json"
PLAN = "plan.json"
RUNS = "runs"
RUN = "run.json"
BASELINES = "baselines"
RIGS = "rigs"

_SLUG_LENGTH = 60  # keeps paths inside the 260 characters of older Windows programs
_RUN_ID = re.compile(r"[0-9a-z][0-9a-z-]{0,39}")
_ABOUT = (
    "This is the bench folder of a repair bench. units/*/unit.json says what each instrument is, "
    "units/*/runs/*/run.json holds every reading, and takes/ holds the audio that the readings "
    "were taken from, each file named by the SHA-256 of its content. rigs/ holds what the "
    "measurements were made with. bench.db is an index that "
    "is rebuilt from these files. Copy the folder as a whole."
)


@dataclass(frozen=True, slots=True)
class Baseline:
    """A named list of runs, of one unit or several, that others of the model are compared with."""

    name: str
    model: str
    run_ids: tuple[str, ...]


class _Head(Struct):
    format: int


class _FolderFile(Struct):
    format: int
    sigbench: str
    about: str


class _UnitFile(Struct):
    format: int
    sigbench: str
    unit: Unit


class _PlanFile(Struct):
    format: int
    sigbench: str
    plan: Plan


class _BaselineFile(Struct):
    format: int
    sigbench: str
    baseline: Baseline


class _Limits(Struct):
    """Limits of a rig; their readings are the objects that ``--json`` prints."""

    date: str
    samplerate: int
    gain: str
    readings: list[dict[str, Any]]


class _Rig(Struct):
    interface: str
    device: str
    samplerate: int
    description: str = ""
    calibration: Calibration | None = None
    limits: _Limits | None = None


class _RigFile(Struct):
    format: int
    sigbench: str
    name: str
    device: str
    host: str
    samplerate: int
    inputs: tuple[int, ...]
    outputs: tuple[int, ...]
    gain: str = ""
    play_device: str | None = None
    play_host: str | None = None
    pilot: tuple[int, int] | None = None
    exclusive: bool = False
    test: RigTest | None = None
    calibration: Calibration | None = None
    limits: _Limits | None = None


class _RunFile(Struct):
    format: int
    sigbench: str
    id: str
    stage: str
    started: str
    operator: str
    step_number: int
    step: Step
    rig: _Rig
    takes: tuple[TakeRecord, ...]
    measurements: list[dict[str, Any]]


_File = TypeVar("_File", _FolderFile, _UnitFile, _PlanFile, _BaselineFile, _RigFile, _RunFile)


def folder_to_json() -> bytes:
    """The file that makes a folder a bench folder."""
    return _encode(_FolderFile(FORMAT, __version__, _ABOUT))


def check_folder_json(data: bytes, origin: Path) -> None:
    """Raise BenchError if the folder is from a newer sigbench, or the file is none of ours."""
    _decode(data, _FolderFile, origin)


def unit_to_json(unit: Unit) -> bytes:
    """A unit as the text of its ``unit.json``."""
    return _checked(_UnitFile(FORMAT, __version__, unit), "unit")


def unit_from_json(data: bytes, origin: Path) -> Unit:
    """The unit of a ``unit.json``."""
    return _decode(data, _UnitFile, origin).unit


def plan_to_json(plan: Plan) -> bytes:
    """A plan as the text of a ``plan.json``."""
    return _checked(_PlanFile(FORMAT, __version__, plan), "plan")


def plan_from_json(data: bytes, origin: Path) -> Plan:
    """The plan of a ``plan.json``."""
    return _decode(data, _PlanFile, origin).plan


def baseline_to_json(baseline: Baseline) -> bytes:
    """A baseline as the text of its file."""
    return _checked(_BaselineFile(FORMAT, __version__, baseline), "baseline")


def baseline_from_json(data: bytes, origin: Path) -> Baseline:
    """The baseline of its file."""
    return _decode(data, _BaselineFile, origin).baseline


def rig_to_json(setup: RigSetup) -> bytes:
    """A rig as the text of its file."""
    fields = {field: getattr(setup, field) for field in setup.__slots__}
    fields["limits"] = _limits_to_file(setup.limits)
    return _checked(_RigFile(FORMAT, __version__, **fields), "rig")


def rig_from_json(data: bytes, origin: Path) -> RigSetup:
    """The rig of its file."""
    document = _decode(data, _RigFile, origin)
    fields = {field: getattr(document, field) for field in RigSetup.__slots__}
    fields["limits"] = _limits_from_file(document.limits, origin)
    return RigSetup(**fields)


def _limits_to_file(limits: RigLimits | None) -> _Limits | None:
    if limits is None:
        return None
    readings = [reading_to_object(reading) for reading in limits.readings]
    return _Limits(limits.date, limits.samplerate, limits.gain, readings)


def _limits_from_file(limits: _Limits | None, origin: Path) -> RigLimits | None:
    if limits is None:
        return None
    try:
        readings = tuple(reading_from_object(r, origin=str(origin)) for r in limits.readings)
    except FileError as exc:
        raise _damaged(origin, exc) from exc
    return RigLimits(limits.date, limits.samplerate, limits.gain, readings)


def run_to_json(run: Run) -> bytes:
    """A run as the text of its ``run.json``.

    Raises
    ------
    BenchError
        If the run holds what JSON cannot: a number that is not finite where no reason can be
        given, or text that is no Unicode; or if its id or date is no such thing.
    """
    run_folder_name(run)
    try:
        measurements = [measurement_to_object(m) for m in run.measurements]
    except ValueError as exc:
        raise BenchError(f"The run {run.id} cannot be stored ({exc}): measure again.") from exc
    document = _RunFile(
        FORMAT,
        __version__,
        run.id,
        run.stage,
        run.started,
        run.operator,
        run.step_number,
        run.step,
        _Rig(
            run.rig.interface,
            run.rig.device,
            run.rig.samplerate,
            run.rig.description,
            run.rig.calibration,
            _limits_to_file(run.rig.limits),
        ),
        run.takes,
        measurements,
    )
    return _checked(document, "run")


def run_from_json(data: bytes, origin: Path) -> Run:
    """The run of a ``run.json``."""
    document = _decode(data, _RunFile, origin)
    try:
        measurements = tuple(
            measurement_from_object(measurement, origin=f"Measurement {number} in {origin}")
            for number, measurement in enumerate(document.measurements, start=1)
        )
    except FileError as exc:
        raise _damaged(origin, exc) from exc
    run = Run(
        document.id,
        document.stage,
        document.started,
        document.operator,
        document.step_number,
        document.step,
        Rig(
            document.rig.interface,
            document.rig.device,
            document.rig.samplerate,
            document.rig.description,
            document.rig.calibration,
            _limits_from_file(document.rig.limits, origin),
        ),
        document.takes,
        measurements,
    )
    run_folder_name(run)
    return run


def run_folder_name(run: Run) -> str:
    """``<started>-<check>-<id>``: sorts by the time on the person's clock.

    Raises
    ------
    BenchError
        If the id cannot be part of a file name, or the start is no date with an offset.
    """
    if _RUN_ID.fullmatch(run.id) is None:
        raise BenchError(
            f"'{run.id}' cannot be the id of a run: use up to 40 letters a-z and digits."
        )
    started = _moment(run)
    return f"{started:%Y%m%dT%H%M%S}-{slug(run.step.check)}-{run.id}"


def started_utc(run: Run) -> str:
    """When the run started, in UTC, as text that sorts by time."""
    return _moment(run).astimezone(UTC).isoformat(timespec="microseconds")


def slug(text: str) -> str:
    """Text as a name that any file system takes: a-z, 0-9 and dashes.

    Examples
    --------
    >>> slug("Blåsverk  Mk II / 0042")
    'blasverk-mk-ii-0042'
    """
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode("ascii")
    return re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:_SLUG_LENGTH].strip("-") or "x"


def _moment(run: Run) -> datetime:
    try:
        started = datetime.fromisoformat(run.started)
        if started.tzinfo is not None:
            started.astimezone(UTC)  # the first and last days of the calendar have no UTC
            return started
    except (ValueError, OverflowError):
        pass  # not a date at all: the same sentence
    raise BenchError(
        f"'{run.started}', the start of the run {run.id}, is no date with an offset: "
        "write it like 2026-03-01T09:30:00+01:00."
    )


def _encode(document: Struct) -> bytes:
    return msgspec.json.format(msgspec.json.encode(document), indent=2) + b"\n"


def _checked(document: _File, what: str) -> bytes:
    """The document as JSON, which is known to read back as the same document."""
    try:
        data = _encode(document)
        same = msgspec.json.decode(data, type=type(document)) == document
    except (msgspec.MsgspecError, ValueError, TypeError) as exc:
        raise BenchError(f"The {what} cannot be stored as JSON ({exc}): correct it.") from exc
    if not same:
        raise BenchError(f"The {what} would not read back from JSON as it is: correct it.")
    return data


def _decode(data: bytes, kind: type[_File], origin: Path) -> _File:
    try:
        written_as = msgspec.json.decode(data, type=_Head).format
        if written_as > FORMAT:
            raise BenchError(
                f"{origin} was written by a newer sigbench (form {written_as}, this one knows "
                f"{FORMAT}): install the newer version."
            )
        return msgspec.json.decode(data, type=kind)
    except (msgspec.MsgspecError, ValueError) as exc:
        raise _damaged(origin, exc) from exc


def _damaged(origin: Path, exc: Exception) -> BenchError:
    return BenchError(
        f"{origin} is damaged or was changed by hand ({exc}): "
        "put it back from a copy of the bench folder."
    )
