"""Files and folders that are there whole or not at all, whenever the program is killed.

Everything is written under a temporary name on the same disk, forced onto it (fsync), and only
then renamed: a rename happens entirely or not at all (POSIX rename).
"""

import errno
import os
import secrets
import shutil
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from sigbench.errors import BenchError

# A name nobody has written to for this long belongs to a program that is gone: even the
# longest take is encoded in minutes. Another process may still be at work on a younger one.
GRACE_SECONDS = 24 * 3600.0

FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
"""What the system says of a disk, a quota or a file that takes no more."""

_READ_ONLY = (errno.EROFS, errno.EACCES, errno.EPERM)


@contextmanager
def temporary(folder: Path) -> Iterator[Path]:
    """A new name in `folder`; whatever still bears it at the end is removed."""
    path = folder / f".{secrets.token_hex(8)}.part"
    try:
        yield path
    finally:
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)


def is_temporary(path: Path) -> bool:
    """Whether the name is one of :func:`temporary`."""
    return path.name.startswith(".") and path.name.endswith(".part")


def sweep(folder: Path) -> None:
    """Remove what killed programs have left in `folder`, except what may still be in use."""
    for path in folder.glob(".*.part"):
        if age(path) > GRACE_SECONDS:
            if path.is_dir():
                shutil.rmtree(path, ignore_errors=True)
            else:
                path.unlink(missing_ok=True)


def age(path: Path) -> float:
    """Seconds since the file was last written to; 0 when it has gone meanwhile."""
    try:
        return time.time() - path.stat().st_mtime
    except FileNotFoundError:
        return 0.0


def write_file(path: Path, data: bytes) -> None:
    """Put a file in place, over an older one if there is one.

    Raises
    ------
    BenchError
        If it cannot be written; an older file is then unharmed.
    """
    with failures_as_bench_error(path):
        make_folder(path.parent)
        with temporary(path.parent) as part:
            _write_through(part, data)
            os.replace(part, path)
        sync_folder(path.parent)


def place_folder(path: Path, files: Mapping[str, bytes]) -> None:
    """Put a new folder with its files in place.

    Raises
    ------
    BenchError
        If it cannot be written, or a folder with anything in it is there already.
    """
    with failures_as_bench_error(path):
        make_folder(path.parent)
        with temporary(path.parent) as part:
            part.mkdir()
            for name, data in files.items():
                _write_through(part / name, data)
            sync_folder(part)
            os.rename(part, path)
        sync_folder(path.parent)


def make_folder(path: Path) -> None:
    """Make a folder, and those above it, if they are not there."""
    if not path.is_dir():
        make_folder(path.parent)
        path.mkdir(exist_ok=True)
        sync_folder(path.parent)


def sync_file(path: Path) -> None:
    """Force a closed file onto the disk."""
    with open(path, "rb+") as file:
        os.fsync(file.fileno())


def sync_folder(path: Path) -> None:
    """Force the names in a folder onto the disk, where the system can do that."""
    if os.name == "posix":
        descriptor = os.open(path, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        except OSError as exc:
            # Some network and memory-card file systems know of no such thing for folders.
            if exc.errno not in (errno.EINVAL, errno.ENOTSUP):
                raise
        finally:
            os.close(descriptor)


@contextmanager
def failures_as_bench_error(path: Path) -> Iterator[None]:
    """Turn the system's refusal to write `path` into one sentence."""
    try:
        yield
    except OSError as exc:
        raise BenchError(f"{path} cannot be written ({exc.strerror}): {_advice(exc)}") from exc


class Lock:
    """A file that is locked as long as this object is open and its program lives.

    The system lets go of it however the program ends. Some network file systems know of no
    locks; then the file is there, and locks nothing.

    Parameters
    ----------
    path : Path
        Made where it is not there.

    Raises
    ------
    BlockingIOError
        If another holds it, in this program or another.
    OSError
        If the file cannot be opened.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file: IO[bytes] = open(path, "ab+")  # noqa: SIM115
        try:
            self.real = _lock(self._file)
        except BaseException:
            self._file.close()
            raise

    def release(self, *, remove: bool = False) -> None:
        """Let go of the lock, and remove the file if it has had its day."""
        self._file.close()
        if remove:
            with suppress(OSError):  # another has just opened it: it will be removed next time
                self._path.unlink()


def _lock(file: IO[bytes]) -> bool:
    """Lock a file; False where the file system cannot."""
    # One branch or the other is unknown to the type checker, which looks at one system.
    if os.name == "posix":
        import fcntl

        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise
        except OSError:
            return False
        return True
    import msvcrt

    try:
        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
    except OSError as exc:
        if exc.errno in (errno.EACCES, errno.EDEADLK):
            raise BlockingIOError(exc.errno, "locked by another program") from exc
        return False
    return True


def _advice(exc: OSError) -> str:
    if exc.errno in FULL:
        return "nothing was stored; make room on the disk and do it again."
    if exc.errno in _READ_ONLY:
        return "copy the bench folder to a disk that you may write to."
    return "nothing was stored; look after the disk, then do it again."


def _write_through(path: Path, data: bytes) -> None:
    with open(path, "xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
