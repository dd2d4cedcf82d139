"""Takes on disk: lossless, named by the SHA-256 of the file, verified when written and read.

Integer samples of up to 24 bits become FLAC (RFC 9639). Everything else becomes W64 with
floating-point samples, which, unlike WAV, has no end at 4 GiB and carries no date, so that the
same samples always give the same file.
"""

import hashlib
import os
import re
from collections.abc import Iterator
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
from sigbench.model import Samples, Source, Take, TakeRecord

TAKES = "takes"
BLOCK_FRAMES = 1 << 17

# What the FLAC of libsndfile holds: 8 channels (RFC 9639) at up to 655,350 Hz.
_FLAC_CHANNELS = 8
_FLAC_RATE = 655_350
_FLAC_BITS = {8: "PCM_S8", 16: "PCM_16", 24: "PCM_24"}
_NAME = re.compile(r"takes/([0-9a-f]{2})/(\1[0-9a-f]{62})\.(?:flac|w64)")


class _Container(NamedTuple):
    suffix: Literal["flac", "w64"]
    subtype: str
    bits: int | None


def store(folder: Path, take: Take) -> TakeRecord:
    """Write a take below `folder`; the same samples once more take no more room.

    Raises
    ------
    SignalError
        If the take holds no frames, or values that are no numbers.
    BenchError
        If it cannot be written whole. Nothing of it is left then.
    """
    _require_storable(take)
    container = _container(take)
    with failures_as_bench_error(folder / TAKES):
        make_folder(folder / TAKES)
        with temporary(folder / TAKES) as part:
            _encode(part, take, container)
            sync_file(part)
            sha256 = _sha256(part)
            path = f"{TAKES}/{sha256[:2]}/{sha256}.{container.suffix}"
            place = folder / path
            # An audio file that is there already is kept, unless it has been damaged.
            if not place.is_file() or _sha256(place) != sha256:
                make_folder(place.parent)
                os.replace(part, place)
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
    )


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
        raise BenchError(
            f"{place} cannot be decoded ({exc.error_string.rstrip('.')}): "
            "put back the file from a copy of the bench folder."
        ) from exc
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
    return Take(samples, record.samplerate, source, record.lost, record.bits, record.dc_coupled)


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
        sha256 = _sha256(place)
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


def _require_storable(take: Take) -> None:
    if take.samples.ndim != 2 or take.frames == 0 or take.channels == 0:
        raise SignalError("The take holds no audio, so there is nothing to store: record it again.")
    if not all(np.isfinite(block).all() for block in _blocks(take.samples)):
        raise SignalError("The take holds samples that are no numbers: record it again.")


def _container(take: Take) -> _Container:
    bits = next((b for b in _FLAC_BITS if take.bits is not None and take.bits <= b), None)
    if (
        bits is not None
        and take.channels <= _FLAC_CHANNELS
        and take.samplerate <= _FLAC_RATE
        and all(_fits_integers(block, bits) for block in _blocks(take.samples))
    ):
        return _Container("flac", _FLAC_BITS[bits], bits)
    if all(_fits_float32(block) for block in _blocks(take.samples)):
        return _Container("w64", "FLOAT", None)
    return _Container("w64", "DOUBLE", None)


def _fits_integers(block: Samples, bits: int) -> bool:
    """Whether every sample is a whole number of steps of 2^-(bits - 1) that `bits` can hold."""
    steps = block * 2.0 ** (bits - 1)
    return bool(
        np.all(steps == np.rint(steps))
        and steps.min() >= -(2.0 ** (bits - 1))
        and steps.max() < 2.0 ** (bits - 1)
    )


def _fits_float32(block: Samples) -> bool:
    # A value beyond float32 overflows to infinity and differs, which is the answer.
    with np.errstate(over="ignore"):
        return bool(np.all(block.astype(np.float32) == block))


def _encode(path: Path, take: Take, container: _Container) -> None:
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
            for block in _blocks(take.samples):
                audio.write(block if container.bits is None else _left_aligned(block))
        with soundfile.SoundFile(path) as audio:
            whole = audio.frames == take.frames and all(
                np.array_equal(audio.read(len(block), always_2d=True), block)
                for block in _blocks(take.samples)
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
        "nothing was stored; make room on the disk, or look after it, and record again."
    )


def _left_aligned(block: Samples) -> NDArray[np.int32]:
    """Samples as 32-bit integers, of which libsndfile keeps the upper bits."""
    return np.rint(block * 2.0**31).astype(np.int32)


def _blocks(samples: Samples) -> Iterator[Samples]:
    for start in range(0, len(samples), BLOCK_FRAMES):
        yield samples[start : start + BLOCK_FRAMES]


def _sha256(path: Path) -> str:
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
