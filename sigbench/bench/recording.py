"""Takes on their way to the disk: written as they come, found again whatever happens.

A recording is a folder below ``recordings/``: audio that is appended to, and a log, one JSON object
a line, with what a reader needs to finish it: rate, channels, what it is of, and the marks of
what the computer lost and the person did. The samples go to the system with each block, so that a
killed program loses none; a thread forces them onto the disk every
`sigbench.bench.wave.SYNC_SECONDS`, so that a loss of power costs less than a second and nobody
waits for the disk. A lock file tells whether the writer lives.

Nothing recorded is ever deleted unless someone says so: what a killed program has left is found
by `unfinished`, and goes its way by `keep` or `drop`.
"""

import os
import secrets
import shutil
import threading
from collections.abc import Iterable, Iterator
from contextlib import nullcontext, suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial
from itertools import chain
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

import msgspec

from sigbench.bench import audio, wave
from sigbench.bench.atomic import (
    FULL,
    GRACE_SECONDS,
    Lock,
    age,
    failures_as_bench_error,
    make_folder,
    sync_folder,
    write_file,
)
from sigbench.bench.documents import slug
from sigbench.errors import BenchError, FileError
from sigbench.interface.base import Block, Interface, source_kind
from sigbench.model import (
    PAUSED,
    Event,
    LongTake,
    LostBuffers,
    Samples,
    Source,
    Take,
    TakeRecord,
)

RECORDINGS = "recordings"
KEPT = "kept"
LOG = "log.jsonl"
LOG_SUFFIX = ".jsonl"  # beside an audio file, after its whole name

MARGIN_BYTES = 200_000_000  # of the disk stay free for the computer itself; our own choice
HEARTBEAT_SECONDS = 10.0  # where there are no locks, a file younger than that has a writer

_FORM = 1  # of the log


@dataclass(frozen=True, slots=True)
class Purpose:
    """What is recorded, as far as it is known: for whoever finds the recording later."""

    unit: str = ""
    stage: str = ""
    step: int | None = None
    check: str = ""
    output: str = ""

    def __str__(self) -> str:
        """``own-duo-0007, 'as received', step 3 (dropouts)``."""
        step = "" if self.step is None else f"step {self.step}"
        check = f"({self.check})" if step and self.check else self.check
        words = (self.unit, f"'{self.stage}'" if self.stage else "", f"{step} {check}".strip())
        return ", ".join(word for word in words if word)


@dataclass(frozen=True, slots=True)
class About:
    """What the log says first."""

    samplerate: int
    channels: int
    bits: int | None
    dc_coupled: bool
    device: str
    kind: Literal["file", "interface", "simulated"]
    started: str
    purpose: Purpose = field(default_factory=Purpose)

    @classmethod
    def of(cls, interface: Interface, channels: int, purpose: Purpose | None = None) -> "About":
        """For a recording that begins now."""
        return cls(
            interface.samplerate,
            channels,
            interface.bits,
            interface.dc_coupled,
            interface.device,
            source_kind(interface),
            datetime.now().astimezone().isoformat(timespec="seconds"),
            purpose or Purpose(),
        )


@dataclass(frozen=True, slots=True)
class Logged:
    """What a log says: of what it is, what the computer lost and the person did, why it ended."""

    about: About
    lost: tuple[LostBuffers, ...] = ()
    marks: tuple[Event, ...] = ()
    ended: str = ""


class _Writing:
    """What a recording on the bench and one into a named file share."""

    def __init__(self, about: About, place: Path, log: Path, copies: int) -> None:
        self.about = about
        self._place = place  # its disk is watched
        self._copies = copies  # how often the audio will lie on the disk when it is finished
        self._log_path = log
        self._lost: list[LostBuffers] = []
        self._marks: list[Event] = []
        self._files: list[wave.GrowingFile] = []
        self._written = 0  # bytes
        self._watched = 0  # frames, at the last look at the disk
        self._access = threading.Lock()  # the thread that syncs meets no file half closed
        self._log_changed = False
        self._closed = False
        self._ended = ""
        self._syncing = wave.Syncing(self._sync)

    @property
    def frames(self) -> int:
        """Number of frames written."""
        return sum(file.frames for file in self._files)

    @property
    def seconds(self) -> float:
        """Length so far."""
        return self.frames / self.about.samplerate

    def add(self, block: Block) -> None:
        """Write a block; what the computer lost is noted with its position.

        Raises
        ------
        BenchError
            If the disk takes no more, or is about to be full. What is there is closed in good
            order and stays.
        """
        try:
            self._syncing.raise_failure()
            if block.lost:
                self._lost += block.lost
                self._note(lost=block.lost)
            if len(block.samples):
                file = self._file_for(block.samples)
                before = file.frames
                file.write(block.samples)
                self._written += (file.frames - before) * self._frame_bytes(file.encoding)
        except OSError as exc:
            full = exc.errno in FULL
            why = "is full" if full else f"takes no more ({exc.strerror})"
            raise self._stopped(f"the disk {why}", "make room" if full else "see to it") from exc
        if self.frames - self._watched >= self.about.samplerate:
            self._watched = self.frames
            if free_bytes(self._place) < MARGIN_BYTES + (self._copies - 1) * self._written:
                raise self._stopped("the disk is nearly full", "make room")

    def mark(self, mark: Event) -> None:
        """Note what the person does: an event of kind "mark" in seconds of the take.

        A pause is noted when it begins, without an end, and once more when it is over.

        Raises
        ------
        BenchError
            If the disk takes no more.
        """
        self._marks.append(mark)
        with failures_as_bench_error(self._log_path):
            self._note(mark=mark)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Leave what has not been finished; the first trouble is the one that is told."""
        ended = "" if error is None else str(error) or type(error).__name__
        with suppress(BenchError) if error is not None else nullcontext():
            self.leave(ended)

    def leave(self, ended: str = "") -> None:
        """Write no more; what was written stays."""
        self.close(ended)

    def close(self, ended: str = "") -> None:
        """Write no more: the audio is forced onto the disk.

        Raises
        ------
        BenchError
            If the disk does not take it.
        """
        if self._closed:
            return
        self._closed = True
        self._syncing.stop()
        with failures_as_bench_error(self._place):
            self._note_end(ended)
            for file in self._files:
                file.close()
            self._sync_log()

    def _note_end(self, ended: str) -> None:
        if ended and not self._ended and self._log_path.exists():
            self._ended = ended
            with suppress(OSError):  # it is the audio that counts
                self._note(ended=ended)

    def _stopped(self, why: str, advice: str) -> BenchError:
        with suppress(BenchError):  # the disk has said so already
            self.close(why)
        return BenchError(
            f"The recording was stopped after {length_in_words(self.seconds)}, for {why}: "
            f"that much is kept; {advice}, or record to another disk."
        )

    def _file_for(self, samples: Samples) -> wave.GrowingFile:
        """The file that holds samples like these without loss; a new one if need be."""
        needed = self._encoding(samples)
        if not self._files or _rank(needed) > _rank(self._files[-1].encoding):
            with self._access:
                if self._files:
                    self._files[-1].close()
                self._files.append(self._new_file(len(self._files) + 1, needed))
        return self._files[-1]

    def _encoding(self, samples: Samples) -> wave.Encoding:
        raise NotImplementedError

    def _new_file(self, number: int, encoding: wave.Encoding) -> wave.GrowingFile:
        raise NotImplementedError

    def _frame_bytes(self, encoding: wave.Encoding) -> int:
        return wave.WIDTHS[encoding] * self.about.channels

    def _note(self, **entry: Any) -> None:
        lines: list[dict[str, Any]] = [entry] if entry else []
        if not self._log_path.exists():
            lines.insert(0, {"recording": _FORM, "about": self.about})
        with open(self._log_path, "ab") as log:
            log.write(b"".join(msgspec.json.encode(line) + b"\n" for line in lines))
        self._log_changed = True

    def _sync(self) -> None:
        with self._access:
            if self._files:
                self._files[-1].sync()
        self._sync_log()

    def _sync_log(self) -> None:
        if self._log_changed:
            self._log_changed = False
            with open(self._log_path, "rb+") as log:
                os.fsync(log.fileno())

    def _long_take(self, paths: Iterable[Path]) -> LongTake:
        logged = Logged(self.about, tuple(self._lost), tuple(self._marks))
        return _long_take(logged, tuple(paths), self.frames)


class _Blocks:
    """The samples of a recording, wherever they lie by now."""

    def __init__(self) -> None:
        self.paths: tuple[Path, ...] = ()

    def __call__(self) -> Iterator[Samples]:
        return audio.blocks_of(*self.paths)


class Recording(_Writing):
    """A take that is being recorded on the bench.

    Parameters
    ----------
    folder : Path
        The bench folder.
    about : About
    seconds : float or None
        The length that is asked for, for which there has to be room on the disk.

    Raises
    ------
    BenchError
        If there is too little room, or nothing can be written.
    """

    def __init__(self, folder: Path, about: About, *, seconds: float | None = None) -> None:
        self.id = f"{_compact(about.started)}-{secrets.token_hex(3)}"
        self._bench = folder
        self.folder = folder / RECORDINGS / self.id
        self._blocks = _Blocks()
        copies = 2 if _kept_as_integers(about) else 1
        if seconds is not None:
            require_room(folder, about, seconds, copies=copies)
        with failures_as_bench_error(folder / RECORDINGS):
            make_folder(folder / RECORDINGS)
            self._lock = Lock(self.folder.with_suffix(".lock"))
            super().__init__(about, folder, self.folder / LOG, copies)
            try:
                self.folder.mkdir()
                self._note()
                sync_folder(self.folder.parent)
            except BaseException:
                self.discard()
                raise

    def take(self) -> LongTake:
        """The take, read from the disk in blocks; nothing more is written to it."""
        self.close()
        if not self._blocks.paths:
            self._blocks.paths = tuple(file.path for file in self._files)
        return replace(self._long_take(self._blocks.paths), blocks=self._blocks)

    @property
    def is_left(self) -> bool:
        """Whether it was given up, and what there is of it waits to be found."""
        return self._closed and self.folder.is_dir()

    def leave(self, ended: str = "") -> None:
        """Write no more and leave what was written for `unfinished` to find; nothing, if nothing.

        Raises
        ------
        BenchError
            If the disk does not take it.
        """
        try:
            self.close(ended)
        finally:
            if self.frames == 0:
                self.discard()
            elif self.is_left:
                self._note_end(ended)
                self._lock.release()

    def finish(self) -> TakeRecord:
        """Store the take on the bench, in the form of `sigbench.bench.audio.store`.

        Raises
        ------
        SignalError
            If nothing was recorded, or values that are no numbers.
        BenchError
            If it cannot be stored whole: then the recording stays as it is.
        """
        take = self.take()
        written = self._files[0].path if len(self._files) == 1 else None
        stored = audio.store(self._bench, take, written=written)
        self._blocks.paths = (self._bench / stored.path,)
        self.discard()
        return stored

    def discard(self) -> None:
        """Delete the recording: it is stored, or nobody wants it."""
        with suppress(BenchError):
            self.close()
        shutil.rmtree(self.folder, ignore_errors=True)
        self._lock.release(remove=True)

    def _encoding(self, samples: Samples) -> wave.Encoding:
        if _kept_as_integers(self.about) and audio.fits_integers(samples, 24):
            return "PCM_24"
        return "FLOAT" if audio.fits_float32(samples) else "DOUBLE"

    def _new_file(self, number: int, encoding: wave.Encoding) -> wave.GrowingFile:
        return wave.GrowingFile(
            self.folder / f"{number}.w64",
            samplerate=self.about.samplerate,
            channels=self.about.channels,
            encoding=encoding,
        )


class SavedFile(_Writing):
    """A take that is being recorded into a file of its own: floating point of 32 bits.

    That holds what the converters of an interface give, those of 24 bits included. Marks of what
    the computer lost stand beside it, in a file with ``.jsonl`` added to the name.

    Parameters
    ----------
    path : Path
        Ends in ``.w64``, or is written as WAV.
    about : About
    seconds : float
        The length that is asked for, for which there has to be room on the disk.

    Raises
    ------
    FileError
        If the name is taken, its folder is not there, or the file would be too long for WAV.
    BenchError
        If there is too little room on the disk.
    """

    def __init__(self, path: Path, about: About, *, seconds: float) -> None:
        if path.exists():
            raise FileError(f"{path} is there already: name another file.")
        if not path.parent.is_dir():
            raise FileError(f"There is no folder {path.parent}: make it, or name another place.")
        self.path = path
        self._container: wave.Container = "W64" if path.suffix.lower() == ".w64" else "WAV"
        if self._container == "WAV" and not fits_wav(about, seconds):
            raise FileError(
                f"A WAV file ends at 4 GB, and {length_in_words(seconds)} are longer: name it .w64."
            )
        require_room(path.parent, about, seconds, copies=1)
        super().__init__(about, path.parent, beside(path), 1)

    def take(self) -> LongTake:
        """The take, read from the file in blocks; nothing more is written to it."""
        self.close()
        return self._long_take([self.path])

    def _encoding(self, samples: Samples) -> wave.Encoding:
        return "FLOAT"

    def _new_file(self, number: int, encoding: wave.Encoding) -> wave.GrowingFile:
        return wave.GrowingFile(
            self.path,
            samplerate=self.about.samplerate,
            channels=self.about.channels,
            encoding=encoding,
            container=self._container,
        )


@dataclass(frozen=True, slots=True)
class Unfinished:
    """A recording that nobody finished, because the program was killed or the device failed."""

    id: str
    frames: int
    log: Logged

    @property
    def about(self) -> About:
        """What is known of it."""
        return self.log.about

    @property
    def ended(self) -> str:
        """Why it ended, where that is known."""
        return self.log.ended

    @property
    def seconds(self) -> float:
        """Length in seconds."""
        return self.frames / self.about.samplerate

    def __str__(self) -> str:
        """``3 min 20 s, begun 2026-03-01 09:30, own-duo-0007, 'as received', step 3 (idle)``."""
        begun = datetime.fromisoformat(self.about.started)
        words = (
            length_in_words(self.seconds),
            f"begun {begun:%Y-%m-%d %H:%M}",
            str(self.about.purpose) or f"from {self.about.device}",
        )
        return ", ".join(words)


def unfinished(folder: Path) -> tuple[Unfinished, ...]:
    """The recordings in a bench folder that nobody finished, and nobody is writing any more."""
    found = []
    for place in sorted(filter(Path.is_dir, (folder / RECORDINGS).glob("*"))):
        try:
            lock = _lock_of_dead(place)
        except OSError:
            continue  # its writer lives
        try:
            found.append(_look_into(place))
        except (OSError, ValueError, msgspec.MsgspecError):
            pass  # nothing of it reached the disk
        finally:
            lock.release()
    _sweep(folder, {one.id for one in found})
    return tuple(one for one in found if one.frames)


def keep(folder: Path, found: Unfinished) -> Path:
    """Make an unfinished recording an audio file below ``kept/``, and give its place.

    It holds every frame, in the form of `sigbench.bench.audio.store`; its log stands beside it.

    Raises
    ------
    BenchError
        If it is no longer there, or the file cannot be written: then the recording stays.
    """
    place = _place_of(folder, found)
    with failures_as_bench_error(place):
        lock = _lock_of_dead(place)
        try:
            parts = _parts(place)
            for part in parts:
                wave.mend(part)
            take = _long_take(found.log, parts, found.frames)
            purpose = found.about.purpose
            words = (_compact(found.about.started), purpose.unit, purpose.stage)
            target = _free(folder / KEPT, "-".join(slug(word) for word in words if word))
            written = parts[0] if len(parts) == 1 else None
            kept = audio.write_named(target, take, written=written)
            try:
                write_file(beside(kept), _finished_log(place / LOG, kept))
            except BaseException:
                # Without its marks it would be taken for sound: all back as it was.
                if written is not None and not written.exists():
                    os.replace(kept, written)
                kept.unlink(missing_ok=True)
                raise
            shutil.rmtree(place)
        finally:
            lock.release()
    place.with_suffix(".lock").unlink(missing_ok=True)
    return kept


def damaged(folder: Path) -> list[Path]:
    """Kept recordings that are not what was kept any more; those without a log are not known."""
    found = []
    for log in sorted((folder / KEPT).glob(f"*{LOG_SUFFIX}")):
        kept = log.with_name(log.name.removesuffix(LOG_SUFFIX))
        try:
            sha256 = msgspec.json.decode(log.read_bytes().splitlines()[-1])["sha256"]
            sound = audio.sha256_of(kept) == sha256
        except (OSError, LookupError, TypeError, msgspec.DecodeError):
            sound = False
        if not sound:
            found.append(kept)
    return found


def drop(folder: Path, found: Unfinished) -> None:
    """Delete an unfinished recording, because someone said so.

    Raises
    ------
    BenchError
        If it cannot be deleted.
    """
    place = _place_of(folder, found)
    with failures_as_bench_error(place):
        lock = _lock_of_dead(place)
        try:
            shutil.rmtree(place)
        finally:
            lock.release()
    place.with_suffix(".lock").unlink(missing_ok=True)


def beside(path: Path) -> Path:
    """Where the log of an audio file stands."""
    return path.with_name(path.name + LOG_SUFFIX)


def with_log(take: Take | LongTake, path: Path) -> Take | LongTake:
    """A take read from an audio file, with what the log beside it knows, if there is one."""
    try:
        logged = _read_log(beside(path))
    except (OSError, ValueError, msgspec.MsgspecError):
        return take
    return replace(
        take,
        source=replace(take.source, lost_buffers=len(logged.lost)),
        lost=logged.lost,
        dc_coupled=logged.about.dc_coupled,
        marks=_ended_marks(logged.marks, take.seconds),
    )


def fits_wav(about: About, seconds: float) -> bool:
    """Whether a WAV file of 32-bit floating point holds a take of that length."""
    return 4 * about.channels * about.samplerate * seconds < wave.WAV_LIMIT_BYTES


def free_bytes(folder: Path) -> int:
    """Room on the disk of a folder."""
    return shutil.disk_usage(folder).free


def require_room(folder: Path, about: About, seconds: float, *, copies: int) -> None:
    """See before the first frame that the disk holds a take of the length asked for.

    Parameters
    ----------
    copies : int
        How often the audio lies on the disk when the take is being finished.

    Raises
    ------
    BenchError
        If it does not; it says how long a take would fit.
    """
    width = wave.WIDTHS["PCM_24" if copies > 1 else "FLOAT"]
    if about.bits is not None and about.bits > 24:
        width = wave.WIDTHS["DOUBLE"]
    a_second = width * about.channels * about.samplerate * copies
    free = free_bytes(folder)
    room = max(0, free - MARGIN_BYTES)
    if a_second * seconds > room:
        raise BenchError(
            f"A take of {length_in_words(seconds)} needs {_in_gb(a_second * seconds)} on the disk "
            f"of {folder}, where {_in_gb(free)} are free and {_in_gb(MARGIN_BYTES)} are to stay "
            f"so: {length_in_words(room / a_second)} would fit; make room, or record less."
        )


def length_in_words(seconds: float) -> str:
    """``12.3 s``, ``3 min 20 s``, ``1 h 20 min``."""
    if seconds < 60:
        return f"{seconds:.3g} s" if seconds < 59.95 else "1 min 0 s"
    minutes, rest = divmod(round(seconds), 60)
    if minutes < 60:
        return f"{minutes} min {rest} s"
    hours, minutes = divmod(round(seconds / 60), 60)
    return f"{hours} h {minutes} min"


def _in_gb(size: float) -> str:
    return f"{size / 1e9:.1f} GB" if size >= 1e9 else f"{size / 1e6:.0f} MB"


def _kept_as_integers(about: About) -> bool:
    return about.bits is not None and about.bits <= 24


def _rank(encoding: wave.Encoding) -> int:
    return list(wave.WIDTHS).index(encoding)


def _compact(started: str) -> str:
    return f"{datetime.fromisoformat(started):%Y%m%dT%H%M%S}"


def _free(folder: Path, name: str) -> Path:
    taken = {path.name.split(".")[0] for path in folder.glob("*")}
    numbered = chain([name], (f"{name}-{number}" for number in range(2, 10_000)))
    return folder / next(one for one in numbered if one not in taken)


def _lock_of_dead(place: Path) -> Lock:
    """The lock of a recording without a writer.

    Raises
    ------
    BlockingIOError
        If its writer lives.
    """
    lock = Lock(place.with_suffix(".lock"))
    if not lock.real and min(map(age, place.iterdir()), default=0.0) < HEARTBEAT_SECONDS:
        lock.release()
        raise BlockingIOError(f"{place} is being written to.")
    return lock


def _finished_log(log: Path, kept: Path) -> bytes:
    """The whole lines of a log, and the hash of the audio file that it belongs to."""
    data = log.read_bytes()
    whole = data[: data.rfind(b"\n") + 1]
    return whole + msgspec.json.encode({"sha256": audio.sha256_of(kept)}) + b"\n"


def _place_of(folder: Path, found: Unfinished) -> Path:
    place = folder / RECORDINGS / found.id
    if not place.is_dir():
        raise BenchError(f"The recording {found.id} is not in {folder} any more.")
    return place


def _look_into(place: Path) -> Unfinished:
    logged = _read_log(place / LOG)
    frames = sum(wave.written(part).frames for part in _parts(place))
    there = tuple(loss for loss in logged.lost if loss.frame <= frames)
    return Unfinished(place.name, frames, replace(logged, lost=there))


def _parts(place: Path) -> tuple[Path, ...]:
    """The audio files of a recording, in order; the last one may not even have a header."""
    numbered = sorted(place.glob("*.w64"), key=lambda path: int(path.stem))
    return tuple(filter(_has_header, numbered))


def _has_header(path: Path) -> bool:
    try:
        wave.written(path)
    except ValueError:
        return False
    return True


def _read_log(path: Path) -> Logged:
    first, *rest = path.read_bytes().splitlines()
    head = msgspec.json.decode(first)
    if not isinstance(head, dict) or head.get("recording") != _FORM:
        raise ValueError(f"{path} is no log of a recording.")
    about = msgspec.convert(head.get("about"), About)
    lost: list[LostBuffers] = []
    marks: list[Event] = []
    ended = ""
    for line in rest:
        try:
            entry = msgspec.json.decode(line)
        except msgspec.DecodeError:
            continue  # the last line may have been cut off
        lost += msgspec.convert(entry.get("lost", []), list[LostBuffers])
        if "mark" in entry:
            marks.append(msgspec.convert(entry["mark"], Event))
        ended = entry.get("ended", ended)
    return Logged(about, tuple(lost), tuple(marks), ended)


def _long_take(logged: Logged, paths: tuple[Path, ...], frames: int) -> LongTake:
    about = logged.about
    lost = tuple(sorted(logged.lost, key=lambda loss: loss.frame))  # some are told late
    source = Source(
        about.kind, None, None, about.samplerate, about.channels, frames, lost_buffers=len(lost)
    )
    return LongTake(
        source,
        partial(audio.blocks_of, *paths),
        lost,
        about.bits,
        about.dc_coupled,
        _ended_marks(logged.marks, frames / about.samplerate),
    )


def _ended_marks(marks: Iterable[Event], seconds: float) -> tuple[Event, ...]:
    """Marks as they were in the end: a pause that nobody ended lasts as long as the take."""
    last = {(mark.start, mark.text): mark for mark in marks if mark.start <= seconds}
    return tuple(
        replace(mark, end=seconds)
        if mark.text == PAUSED and mark.end == mark.start
        else replace(mark, end=min(mark.end, seconds))
        for mark in last.values()
    )


def _sweep(folder: Path, there: set[str]) -> None:
    """Remove what holds no audio: folders and locks of programs that died before the first."""
    for path in (folder / RECORDINGS).glob("*"):
        if path.stem in there or age(path) < GRACE_SECONDS:
            continue
        if path.suffix == ".lock" and not path.with_suffix("").exists():
            path.unlink(missing_ok=True)
        elif path.is_dir() and not any(path.glob("*.w64")):
            shutil.rmtree(path, ignore_errors=True)
