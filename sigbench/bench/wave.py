"""Audio files that open at every moment while they grow: W64, and WAV where it is asked for.

The header is brought up to date as the file is forced onto the disk, so that whatever program
opens what a killed or starved recording has left finds the length that is there. Samples go to
the system with each write: a killed program loses none that it has written.
"""

import os
import struct
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from sigbench.model import Samples

Encoding = Literal["PCM_24", "FLOAT", "DOUBLE"]
Container = Literal["W64", "WAV"]

WIDTHS: dict[Encoding, int] = {"PCM_24": 3, "FLOAT": 4, "DOUBLE": 8}
"""Bytes of a sample; each encoding holds whatever an earlier one does."""

WAV_LIMIT_BYTES = 2**32 - 4096
"""Where a WAV file ends: its lengths have 32 bits, and a header needs room too."""

SYNC_SECONDS = 0.4  # with the time that a slow disk takes, less than a second is at risk

_PCM, _IEEE_FLOAT = 1, 3  # format tags of WAVE files
_RIFF = bytes.fromhex("726966662e91cf11a5d628db04c10000")  # the W64 names are GUIDs
_GUID = bytes.fromhex("f3acd3118cd100c04f8edb8a")
_WAVE, _FMT, _FACT, _DATA = (name + _GUID for name in (b"wave", b"fmt ", b"fact", b"data"))
_LONGEST_HEADER = 256


class GrowingFile:
    """A new audio file that is appended to.

    Parameters
    ----------
    path : Path
        A name that is not taken.
    samplerate, channels : int
    encoding : {"PCM_24", "FLOAT", "DOUBLE"}
        What is written is what comes back only if the encoding holds it.
    container : {"W64", "WAV"}

    Raises
    ------
    OSError
        As from the system: the name is taken, the disk is full.

    Notes
    -----
    A closed W64 file is bit for bit the one that libsndfile writes from the same samples.
    """

    def __init__(
        self,
        path: Path,
        *,
        samplerate: int,
        channels: int,
        encoding: Encoding,
        container: Container = "W64",
    ) -> None:
        self.path = path
        self.encoding = encoding
        self._shape = (container, encoding, samplerate, channels)
        self._frame_bytes = WIDTHS[encoding] * channels
        self._written = 0
        head = _header(*self._shape, 0)
        self._offset = len(head)
        self._file = open(path, "xb", buffering=0)  # noqa: SIM115
        try:
            self._file.write(head)
            self._twin = open(path, "r+b", buffering=0)  # noqa: SIM115
        except BaseException:
            self._file.close()
            raise

    @property
    def frames(self) -> int:
        """Number of whole frames written."""
        return self._written // self._frame_bytes

    def write(self, samples: Samples) -> None:
        """Append samples of shape (frames, channels), full scale 1.0.

        Raises
        ------
        OSError
            If the system takes no more; what it took before is in the file.
        """
        left = memoryview(_encoded(samples, self.encoding))
        while left:
            taken = self._file.write(left)
            self._written += taken
            left = left[taken:]

    def sync(self) -> None:
        """Force what was written so far onto the disk; may be called by another thread."""
        header = _header(*self._shape, self.frames)
        self._twin.seek(0)
        self._twin.write(header)
        os.fsync(self._twin.fileno())

    def close(self) -> None:
        """Finish the file and force it onto the disk."""
        if self._file.closed:
            return
        try:
            end = self._offset + self.frames * self._frame_bytes
            self._twin.truncate(end)  # a full disk may have stopped us within a frame
            self.sync()
            if self._shape[0] == "WAV" and end % 2:
                self._file.seek(end)
                self._file.write(b"\0")  # chunks of RIFF have even lengths
        finally:
            self._file.close()
            self._twin.close()


class Syncing:
    """A thread that calls a function every `SYNC_SECONDS`, so that no writer waits for a disk."""

    def __init__(self, sync: Callable[[], None]) -> None:
        self._sync = sync
        self._failure: OSError | None = None
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="sync", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._over.wait(SYNC_SECONDS):
            try:
                self._sync()
            except OSError as exc:
                self._failure = exc
                return

    def raise_failure(self) -> None:
        """Raise what the disk had to say, if anything."""
        if self._failure is not None:
            raise self._failure

    def stop(self) -> None:
        """End the thread."""
        self._over.set()
        self._thread.join()


@dataclass(frozen=True, slots=True)
class Written:
    """What a W64 file of `GrowingFile` holds, whatever its header says of the length."""

    encoding: Encoding
    samplerate: int
    channels: int
    frames: int
    data_offset: int


def written(path: Path) -> Written:
    """Look into a W64 file whose writer may have been killed.

    Raises
    ------
    OSError
        If the file cannot be read.
    ValueError
        If it is none of `GrowingFile`.
    """
    with open(path, "rb") as file:
        head = file.read(_LONGEST_HEADER)
        size = file.seek(0, os.SEEK_END)
    at = head.find(_DATA)
    if not head.startswith(_RIFF) or at < 0:
        raise ValueError(f"{path} has no whole header.")
    channels, samplerate = struct.unpack_from("<HI", head, 66)
    (bits,) = struct.unpack_from("<H", head, 78)
    encoding = next(name for name, width in WIDTHS.items() if 8 * width == bits)
    offset = at + len(_DATA) + 8
    frames = max(0, size - offset) // (WIDTHS[encoding] * channels)
    return Written(encoding, samplerate, channels, frames, offset)


def mend(path: Path) -> Written:
    """Make the header of such a file say what is there.

    Raises
    ------
    OSError, ValueError
        As for `written`.
    """
    there = written(path)
    with open(path, "r+b") as file:
        # The writer may have been stopped within a frame.
        file.truncate(there.data_offset + there.frames * WIDTHS[there.encoding] * there.channels)
        shape = (there.encoding, there.samplerate, there.channels, there.frames)
        file.write(_header("W64", *shape))
        file.flush()
        os.fsync(file.fileno())
    return there


def _encoded(samples: Samples, encoding: Encoding) -> bytes:
    if encoding == "PCM_24":
        whole = np.rint(samples * 2.0**23).astype("<i4")
        return whole.reshape(-1, 1).view(np.uint8)[:, :3].tobytes()
    return samples.astype("<f4" if encoding == "FLOAT" else "<f8").tobytes()


def _header(
    container: Container, encoding: Encoding, samplerate: int, channels: int, frames: int
) -> bytes:
    width = WIDTHS[encoding]
    tag = _PCM if encoding == "PCM_24" else _IEEE_FLOAT
    block = width * channels
    size = frames * block
    form = struct.pack("<HHIIHH", tag, channels, samplerate, samplerate * block, block, 8 * width)
    if container == "W64":  # all lengths have 64 bits and count the chunk's own name and length
        chunks = _WAVE + _FMT + struct.pack("<Q", 24 + len(form)) + form
        if tag == _IEEE_FLOAT:
            chunks += _FACT + struct.pack("<QQ", 32, frames)
        chunks += _DATA + struct.pack("<Q", 24 + size)
        return _RIFF + struct.pack("<Q", 24 + len(chunks) + size) + chunks
    chunks = b"WAVE" + b"fmt " + struct.pack("<I", len(form)) + form
    if tag == _IEEE_FLOAT:
        chunks += b"fact" + struct.pack("<II", 4, frames)
    chunks += b"data" + struct.pack("<I", size)
    return b"RIFF" + struct.pack("<I", len(chunks) + size + size % 2) + chunks
