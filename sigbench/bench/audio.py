"""Takes on disk: lossless, named by the SHA-256 of the file, verified when written and read.

Integer samples of up to 24 bits become FLAC (RFC 9639). Everything else becomes W64 with
floating-point samples, which, unlike WAV, has no end at 4 GiB and carries no date, so that the
same samples always give the same file.
"""

import hashlib
import os
import re
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sigbench.bench.atomic import (
    failures_as_bench_error,
    make_folder,
    sync_file,
    sync_folder,
    temporary,
)
from sigbench.errors import BenchError, SignalError
from sigbench.interface.blocks import read_block
from sigbench.model import LongTake, Samples, Source, Take, TakeRecord

TAKES = "takes"

# What the FLAC of libsndfile holds: 8 channels and 2^36 - 1 frames (RFC 9639), which at 192 kHz are
# four days, at up to 655,350 Hz.
_FLAC_CHANNELS = 8
_FLAC_FRAMES = 2**36 - 1
_FLAC_RATE = 655_350
_FLAC_BITS = {8: "PCM_S8", 16: "PCM_16", 24: "PCM_24"}
_NAME = re.compile(r"takes/([0-9a-f]{2})/(\1[0-9a-f]{62})\.(?:flac|w64)")


class _Container(NamedTuple):
    suffix: Literal["flac", "w64"]
    subtype: str
    bits: int | None


def store(folder: Path, take: Take | LongTake, *, written: Path | None = None) -> TakeRecord:
    """Store a take below `folder`; the same samples once more take no more room.

    Memory is bounded by a block of the samples, however long the take.

    Parameters
    ----------
    folder : Path
        The bench folder.
    take : Take or LongTake
    written : Path, optional
        Where the samples have been written already, on the same disk. If that is the very file
        that would be written, it is moved: hours of audio then need no room twice.

    Raises
    ------
    SignalError
        If the take holds no frames, or values that are no numbers.
    BenchError
        If it cannot be written whole. Nothing of it is left then.
    """
    container = _container(take)
    with failures_as_bench_error(folder / TAKES):
        make_folder(folder / TAKES)
        with temporary(folder / TAKES) as part:
            made = _made(part, take, container, written)
            sha256 = sha256_of(made)
            path = f"{TAKES}/{sha256[:2]}/{sha256}.{container.suffix}"
            place = folder / path
            # An audio file that is there already is kept, unless it has been damaged.
            if not place.is_file() or sha256_of(place) != sha256:
                make_folder(place.parent)
                os.replace(made, place)
                sync_folder(place.parent)
    return TakeRecord(
        path,
        sha256,
        int(take.samplerate),
        take.channels,
        take.frames,
        take.bits,
        take.dc_coupled,
        take.lost,
        take.marks,
    )


def write_named(path: Path, take: Take | LongTake, *, written: Path | None = None) -> Path:
    """Write a take under a name of our choice, as `store` would write it, and give the place.

    The suffix is that of what the take needs: ``.flac`` or ``.w64``.

    Raises
    ------
    SignalError, BenchError
        As for `store`.
    """
    container = _container(take)
    place = path.with_name(f"{path.name}.{container.suffix}")
    with failures_as_bench_error(place):
        make_folder(place.parent)
        with temporary(place.parent) as part:
            os.replace(_made(part, take, container, written), place)
            sync_folder(place.parent)
    return place


def _made(part: Path, take: Take | LongTake, container: _Container, written: Path | None) -> Path:
    """A file that holds the take, safely on the disk: the one written already, or a new one."""
    if written is not None and _is_such(written, take, container):
        part = written
    else:
        _encode(part, take, container)
    sync_file(part)
    return part


def _is_such(path: Path, take: Take | LongTake, container: _Container) -> bool:
    import soundfile

    if container.bits is not None:
        return False
    info = soundfile.info(path)
    found = (info.format, info.subtype, info.frames)
    return found == (container.suffix.upper(), container.subtype, take.frames)


def read(folder: Path, record: TakeRecord) -> Take:
    """Read a stored take back, after verifying its hash.

    Its source is the file, with its path and hash.

    Raises
    ------
    BenchError
        If the file is missing or damaged.
    """
    import soundfile

    verify(folder, record)
    place = folder / record.path
    try:
        samples, samplerate = soundfile.read(place, dtype="float64", always_2d=True)
    except soundfile.LibsndfileError as exc:
        raise _not_decoded(place, exc.error_string) from exc
    if (samplerate, *samples.shape) != (record.samplerate, record.frames, record.channels):
        raise BenchError(
            f"{place} is another length, rate or number of channels than its run says: "
            "put back the run.json from a copy of the bench folder."
        )
    source = Source(
        "file",
        str(place),
        record.sha256,
        record.samplerate,
        record.channels,
        record.frames,
        len(record.lost),
    )
    return Take(
        samples,
        record.samplerate,
        source,
        record.lost,
        record.bits,
        record.dc_coupled,
        record.marks,
    )


def long_take(folder: Path, record: TakeRecord) -> LongTake:
    """A stored take, read in blocks as it is wanted, after verifying its hash once.

    Raises
    ------
    BenchError
        If the file is missing or damaged.
    """
    verify(folder, record)
    place = folder / record.path
    source = Source(
        "file",
        str(place),
        record.sha256,
        record.samplerate,
        record.channels,
        record.frames,
        len(record.lost),
    )
    return LongTake(
        source,
        partial(blocks_of, place),
        record.lost,
        record.bits,
        record.dc_coupled,
        record.marks,
    )


def stretch(folder: Path, record: TakeRecord, start: int, frames: int) -> Samples:
    """Some of a stored take, from a frame on, after verifying the hash of the whole.

    Only the stretch is decoded, however long the take; it ends where the take does.

    Raises
    ------
    BenchError
        If the file is missing or damaged.
    """
    import soundfile

    verify(folder, record)
    place = folder / record.path
    try:
        with soundfile.SoundFile(place) as audio:
            audio.seek(start)
            samples: Samples = audio.read(frames, always_2d=True)
    except soundfile.LibsndfileError as exc:
        raise _not_decoded(place, exc.error_string) from exc
    return samples


def blocks_of(*paths: Path) -> Iterator[Samples]:
    """Samples of audio files, one after another, in blocks.

    Raises
    ------
    BenchError
        If it cannot be decoded.
    """
    import soundfile

    for path in paths:
        try:
            with soundfile.SoundFile(path) as audio:
                while len(block := read_block(audio)):
                    yield block
        except soundfile.LibsndfileError as exc:
            raise _not_decoded(path, exc.error_string) from exc


def _not_decoded(place: Path, why: str) -> BenchError:
    return BenchError(
        f"{place} cannot be decoded ({why.rstrip('.')}): "
        "put back the file from a copy of the bench folder."
    )


def verify(folder: Path, record: TakeRecord) -> None:
    """Raise BenchError unless the audio file is there and holds what was stored in it."""
    name = _NAME.fullmatch(record.path)
    if name is None or name[2] != record.sha256:
        raise BenchError(
            f"'{record.path}' is no name of a take: the run.json that names it was changed; "
            "put it back from a copy of the bench folder."
        )
    place = folder / record.path
    try:
        sha256 = sha256_of(place)
    except FileNotFoundError as exc:
        raise BenchError(
            f"{place} is missing: put it back from a copy of the bench folder."
        ) from exc
    except OSError as exc:
        raise BenchError(
            f"{place} cannot be read ({exc.strerror}): look after the disk, or put the file back "
            "from a copy of the bench folder."
        ) from exc
    if sha256 != record.sha256:
        raise BenchError(
            f"{place} is damaged, its content is not what was recorded: "
            "put it back from a copy of the bench folder."
        )


def stored_files(folder: Path) -> Iterator[Path]:
    """Every file below ``takes/`` that is no temporary one."""
    for place in sorted((folder / TAKES).glob("*/*")):
        if place.is_file():
            yield place


def _container(take: Take | LongTake) -> _Container:
    """What holds the take without loss, found in one pass over its samples."""
    if (
        (isinstance(take, Take) and take.samples.ndim != 2)
        or take.frames == 0
        or take.channels == 0
    ):
        raise SignalError("The take holds no audio, so there is nothing to store: record it again.")
    bits = next((b for b in _FLAC_BITS if take.bits is not None and take.bits <= b), None)
    integers = (
        bits is not None
        and take.channels <= _FLAC_CHANNELS
        and take.samplerate <= _FLAC_RATE
        and take.frames <= _FLAC_FRAMES
    )
    single = True
    for block in take.blocks():
        if not np.isfinite(block).all():
            raise SignalError("The take holds samples that are no numbers: record it again.")
        integers = integers and bits is not None and fits_integers(block, bits)
        single = single and fits_float32(block)
    if integers and bits is not None:
        return _Container("flac", _FLAC_BITS[bits], bits)
    return _Container("w64", "FLOAT" if single else "DOUBLE", None)


def fits_integers(block: Samples, bits: int) -> bool:
    """Whether every sample is a whole number of steps of 2^-(bits - 1) that `bits` can hold."""
    steps = block * 2.0 ** (bits - 1)
    return bool(
        np.all(steps == np.rint(steps))
        and steps.min(initial=0.0) >= -(2.0 ** (bits - 1))
        and steps.max(initial=0.0) < 2.0 ** (bits - 1)
    )


def fits_float32(block: Samples) -> bool:
    """Whether every sample is a number that floating point of 32 bits holds exactly."""
    # A value beyond float32 overflows to infinity and differs, which is the answer.
    with np.errstate(over="ignore"):
        return bool(np.all(block.astype(np.float32) == block))


def _encode(path: Path, take: Take | LongTake, container: _Container) -> None:
    """Write the audio file, and decode it again to see that nothing was lost."""
    import soundfile

    try:
        with soundfile.SoundFile(
            path,
            "w",
            samplerate=int(take.samplerate),
            channels=take.channels,
            format=container.suffix.upper(),
            subtype=container.subtype,
        ) as audio:
            for block in take.blocks():
                audio.write(block if container.bits is None else _left_aligned(block))
        with soundfile.SoundFile(path) as audio:
            whole = audio.frames == take.frames and all(
                np.array_equal(audio.read(len(block), always_2d=True), block)
                for block in take.blocks()
            )
    except (soundfile.LibsndfileError, AssertionError) as exc:  # the latter for a short write
        raise _not_written(path) from exc
    if not whole:
        raise _not_written(path)


def _not_written(path: Path) -> BenchError:
    import shutil

    free = shutil.disk_usage(path.parent).free / 1e6
    return BenchError(
        f"The take could not be written whole to {path.parent} ({free:.0f} MB are free there): "
        "nothing was stored; make room on the disk, or look after it, then do it again."
    )


def _left_aligned(block: Samples) -> NDArray[np.int32]:
    """Samples as 32-bit integers, of which libsndfile keeps the upper bits."""
    return np.rint(block * 2.0**31).astype(np.int32)


def sha256_of(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal digits."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
