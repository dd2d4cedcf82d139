"""Verification: the installed program against the reference signals and their known answers.

Each reference signal is a file whose readings follow from a formula. `verify` measures them all
as any other file and compares with the manifest beside them, which `load_manifest` decodes and
`docs/reference-signals.md` describes.
"""

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

import msgspec

from sigbench.errors import FileError, SigbenchError
from sigbench.interface.file import read_take
from sigbench.model import (
    CheckSettings,
    Event,
    EventKind,
    ListValue,
    Measurement,
    Reading,
    Take,
    readings_named,
)

MANIFEST = "manifest.json"
FORMAT = 1  # of the manifest
NEAR_RATIO = 0.002  # a spur counts as the expected one within 0.2 % of its frequency

Measure = Callable[[Take, str, CheckSettings], Measurement]


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedReading:
    """What one reading must be, in exactly one of four forms.

    Parameters
    ----------
    name, channel, channels, unit
        Which reading; `unit` None stands for every unit it is given in.
    value, within : float or None
        A number and how far from it the reading may lie.
    at_most : float or None
        A limit that the reading, be it a number or an upper bound, must not exceed.
    entries : int or None
        How many entries a list value must have.
    state : "invalid" or None
        There must be no number, but a reason.
    harmonic : int or None
        Picks the entry of a harmonic (from 2) out of a list value.
    near_hz : float or None
        Picks the entry at a frequency out of a list of (Hz, level).
    why : str
        The reason for the tolerance, or for the state.
    """

    name: str
    why: str
    channel: int | None = None
    channels: tuple[int, int] | None = None
    unit: str | None = None
    value: float | None = None
    within: float | None = None
    at_most: float | None = None
    entries: int | None = None
    state: Literal["invalid"] | None = None
    harmonic: int | None = None
    near_hz: float | None = None

    def __post_init__(self) -> None:
        """Require one form, and the fields that it needs."""
        forms = (self.value, self.at_most, self.entries, self.state)
        if sum(form is not None for form in forms) != 1:
            raise ValueError(f"'{self.name}' needs one of value, at_most, entries and state")
        if (self.value is None) != (self.within is None):
            raise ValueError(f"'{self.name}' needs both value and within, or neither")
        if self.state is None and self.unit is None:
            raise ValueError(f"'{self.name}' needs a unit")
        if not self.why:
            raise ValueError(f"'{self.name}' gives no reason for its tolerance")

    @property
    def label(self) -> str:
        """The reading's name, with the entry of a list in brackets."""
        if self.harmonic is not None:
            return f"{self.name}[{self.harmonic}]"
        if self.near_hz is not None:
            return f"{self.name}[{self.near_hz:g} Hz]"
        return f"{self.name}, number of" if self.entries is not None else self.name


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedEvent:
    """An event that must be found; start and end in seconds, both within `within`."""

    kind: EventKind
    channels: tuple[int, ...]
    start: float
    end: float
    within: float
    why: str
    depth: float | None = None
    depth_within: float | None = None

    def __post_init__(self) -> None:
        """Require a tolerance for a depth, and reasons."""
        if (self.depth is None) != (self.depth_within is None):
            raise ValueError(f"a {self.kind} needs both depth and depth_within, or neither")
        if not self.why:
            raise ValueError(f"a {self.kind} gives no reason for its tolerance")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceSignal:
    """One file of the manifest, how it is made and measured, and what must come out.

    `expect_events` lists all events there are; None where none are looked for.
    """

    file: str
    sha256: str
    samplerate: int
    channels: int
    frames: int
    bits: int | None
    description: str
    formula: str
    check: str
    expect: tuple[ExpectedReading, ...]
    settings: CheckSettings = field(default_factory=CheckSettings)
    expect_events: tuple[ExpectedEvent, ...] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """All reference signals of a folder."""

    format: int
    signals: tuple[ReferenceSignal, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """One line of the table: what was expected of one reading, and what was measured.

    Parameters
    ----------
    file, check : str
        Which reference signal, measured how.
    reading : str
        Name of the reading, with the entry of a list or the event.
    channel : int or None
        None for pairs and events.
    unit : str
        Of all numbers here.
    expected : float or None
        The number, or with `is_limit` the highest allowed; None where the reading must be invalid.
    within : float or None
        Tolerance; None for limits and invalid readings.
    measured, uncertainty : float or None
        What came out; None where no number did.
    passed : bool
    why : str
        Reason for the tolerance; where no number came out, the reason given for that.
    """

    file: str
    check: str
    reading: str
    channel: int | None
    unit: str
    expected: float | None
    within: float | None
    measured: float | None
    uncertainty: float | None
    passed: bool
    why: str
    is_limit: bool = False


def reference_folder() -> Path:
    """Folder of the reference signals: inside an installed sigbench, or beside it in a checkout."""
    installed = Path(__file__).parent / "reference_signals"
    return installed if installed.is_dir() else Path(__file__).parents[1] / "reference_signals"


def load_manifest(folder: str | Path | None = None) -> Manifest:
    """The manifest of a folder of reference signals, by default of those that sigbench brings.

    Raises
    ------
    FileError
        If there is none, or it is not what it should be; the sentence says what.
    """
    path = (reference_folder() if folder is None else Path(folder)) / MANIFEST
    try:
        manifest = msgspec.json.decode(path.read_bytes(), type=Manifest)
    except OSError as exc:
        raise FileError(
            f"The list of reference signals {path} cannot be read ({exc.strerror}): "
            "install sigbench again, or name the folder that holds it."
        ) from exc
    except (msgspec.MsgspecError, ValueError) as exc:
        raise FileError(
            f"{path} is no list of reference signals ({exc}): make it again with generate.py."
        ) from exc
    if manifest.format != FORMAT:
        raise FileError(
            f"{path} has format {manifest.format}, and this sigbench knows format {FORMAT}: "
            "use the reference signals that came with it."
        )
    return manifest


def verify(
    folder: str | Path | None = None,
    *,
    measure: Measure | None = None,
    started: Callable[[ReferenceSignal], object] | None = None,
) -> tuple[Verification, ...]:
    """Measure every reference signal and compare with its known answers.

    Parameters
    ----------
    folder : str or Path, optional
        Where the signals and their manifest lie; by default those that sigbench brings.
    measure : callable, optional
        ``measure(take, check, settings)``; by default `sigbench.checks.measure`.
    started : callable, optional
        Told of each signal before it is measured, to show progress.

    Returns
    -------
    tuple of Verification
        One for each expected reading and each edge of an event, in the manifest's order.

    Raises
    ------
    FileError
        If the manifest or a file is missing, damaged or has been edited.
    """
    folder = reference_folder() if folder is None else Path(folder)
    if measure is None:
        from sigbench.checks import measure as measure_take

        measure = measure_take
    rows: list[Verification] = []
    for signal in load_manifest(folder).signals:
        if started is not None:
            started(signal)
        rows += verify_signal(folder, signal, measure)
    return tuple(rows)


def verify_signal(
    folder: Path, signal: ReferenceSignal, measure: Measure
) -> tuple[Verification, ...]:
    """Measure one reference signal and compare; see `verify`."""
    take = _read_unchanged(folder / signal.file, signal)
    try:
        measurement = measure(take, signal.check, signal.settings)
    except SigbenchError as exc:  # the program refused a signal that it must measure: a failure
        measurement = Measurement(signal.check, take.source, ())
        return tuple(_failed(row, f"not measured: {exc}") for row in _compare(signal, measurement))
    return _compare(signal, measurement)


def _read_unchanged(path: Path, signal: ReferenceSignal) -> Take:
    """The take of a reference file, its bytes verified first."""
    try:
        with open(path, "rb") as file:
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as exc:
        raise FileError(
            f"The reference signal {path} cannot be read ({exc.strerror}): install sigbench "
            "again, or make the signals again with generate.py."
        ) from exc
    if sha256 != signal.sha256:
        raise FileError(
            f"The reference signal {path} is not the one in the manifest (its SHA-256 differs): "
            "it was edited or damaged; install sigbench again, or make the signals again with "
            "generate.py."
        )
    return read_take(path)


def _compare(signal: ReferenceSignal, measurement: Measurement) -> tuple[Verification, ...]:
    rows: list[Verification] = []
    for expected in signal.expect:
        found = _matching(measurement.readings, expected)
        if not found:
            rows.append(_row(signal, expected, None, None, passed=False, why="no such reading"))
        rows += [_reading_row(signal, expected, reading) for reading in found]
    if signal.expect_events is not None:
        rows += _event_rows(signal, signal.expect_events, measurement.events)
    return tuple(rows)


def _matching(readings: Sequence[Reading], expected: ExpectedReading) -> list[Reading]:
    named = readings_named(readings, expected.name, unit=expected.unit)
    return [r for r in named if r.channel == expected.channel and r.channels == expected.channels]


def _reading_row(
    signal: ReferenceSignal, expected: ExpectedReading, reading: Reading
) -> Verification:
    if reading.state == "invalid" or reading.value is None:
        passed = expected.state == "invalid" and reading.value is None and bool(reading.why)
        why = reading.why or "an invalid reading must give its reason"
        return _row(signal, expected, None, None, passed=passed, why=why, unit=reading.unit)
    measured, uncertainty = _entry(reading, expected)
    if measured is None:
        return _row(signal, expected, None, None, passed=False, why="no such entry in the list")
    # An upper bound says that nothing was seen: it meets a limit, never a number.
    passed = False
    if expected.value is not None and expected.within is not None:
        passed = abs(measured - expected.value) <= expected.within and not reading.upper_bound
    elif expected.at_most is not None:
        passed = measured <= expected.at_most
    elif expected.entries is not None:
        passed = measured == expected.entries
    return _row(
        signal, expected, measured, uncertainty, passed=passed, why=expected.why, unit=reading.unit
    )


def _entry(reading: Reading, expected: ExpectedReading) -> tuple[float | None, float | None]:
    """The number that is compared, and its uncertainty."""
    value, uncertainty = reading.value, reading.uncertainty
    if not isinstance(value, tuple):
        return value, None if isinstance(uncertainty, tuple) else uncertainty
    if expected.entries is not None:
        return float(len(value)), None
    at = _position(value, expected)
    if at is None:
        return None, None
    entry = value[at]
    number = entry[1] if isinstance(entry, tuple) else entry
    return number, uncertainty[at] if isinstance(uncertainty, tuple) else uncertainty


def _position(value: ListValue, expected: ExpectedReading) -> int | None:
    """Where in a list the expected entry stands; None if it is not there."""
    if expected.harmonic is not None:
        at = expected.harmonic - 2
        return at if 0 <= at < len(value) else None
    near = expected.near_hz
    for at, entry in enumerate(value):
        if near is not None and isinstance(entry, tuple) and abs(entry[0] / near - 1) < NEAR_RATIO:
            return at
    return None


def _row(
    signal: ReferenceSignal,
    expected: ExpectedReading,
    measured: float | None,
    uncertainty: float | None,
    *,
    passed: bool,
    why: str,
    unit: str | None = None,
) -> Verification:
    number = expected.value if expected.value is not None else expected.at_most
    counted = expected.entries is not None
    return Verification(
        file=signal.file,
        check=signal.check,
        reading=expected.label,
        channel=expected.channel,
        unit="1" if counted else (unit or expected.unit or ""),
        expected=expected.entries if counted else number,
        within=0.0 if counted else expected.within,
        measured=measured,
        uncertainty=uncertainty,
        passed=passed,
        why=why,
        is_limit=expected.at_most is not None,
    )


def _event_rows(
    signal: ReferenceSignal, expected: Sequence[ExpectedEvent], found: Sequence[Event]
) -> list[Verification]:
    """Rows for the number of events, and for the edges and the depth of each."""

    def row(
        what: str, unit: str, wanted: float, within: float, measured: float | None, why: str
    ) -> Verification:
        return Verification(
            file=signal.file,
            check=signal.check,
            reading=what,
            channel=None,
            unit=unit,
            expected=wanted,
            within=within,
            measured=measured,
            uncertainty=None,
            passed=measured is not None and abs(measured - wanted) <= within,
            why=why,
        )

    rows = [row("events", "1", len(expected), 0.0, len(found), "all events there are")]
    for number, event in enumerate(expected, start=1):
        alike = [e for e in found if e.kind == event.kind and e.channels == event.channels]
        nearest = _nearest(alike, event.start)
        what = f"event {number}, {event.kind}"
        start, end = (None, None) if nearest is None else (nearest.start, nearest.end)
        rows.append(row(f"{what} start", "s", event.start, event.within, start, event.why))
        rows.append(row(f"{what} end", "s", event.end, event.within, end, event.why))
        if event.depth is not None and event.depth_within is not None:
            depth = None if nearest is None else nearest.depth
            rows.append(
                row(f"{what} depth", "dB", event.depth, event.depth_within, depth, event.why)
            )
    return rows


def _nearest(events: Sequence[Event], start: float) -> Event | None:
    return min(events, key=lambda event: abs(event.start - start), default=None)


def _failed(row: Verification, why: str) -> Verification:
    return replace(row, passed=False, why=why)
