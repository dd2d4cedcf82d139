"""Files from strangers: decoded in a program of their own that may take little and may fall.

``python -m sigbench.interface.decode SOURCE TARGET [ROOM]`` writes what SOURCE holds into TARGET,
as plain W64 samples that are bit for bit those of the file, and prints one JSON object: ``codec``
with the name of a lossy compression or null, or ``refused`` with the reason. ROOM is how many
bytes TARGET may have.

A decoder that meets a hostile file may crash, run for ever, or unpack a few kilobytes to hours of
silence. `decode_apart` runs it where none of that harms: memory, processor time and the size of
files are limited by the system (POSIX), the time by the clock, and the length that a header
promises is held against the limits before a frame is read. No more than that is read.
"""

import json
import os
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np

from sigbench.errors import FileError, SigbenchError
from sigbench.interface.file import lossy_codec, read_long_take
from sigbench.model import Samples

MOST_SAMPLES = 4 * 3600 * 48_000 * 2
"""Of all channels together: 4 h in stereo at 48 kHz."""
MOST_BYTES = 1 << 32
"""Of what is unpacked."""
LOWEST_RATE, HIGHEST_RATE = 4_000, 192_000
"""Frames a second. Above, a tone made to do harm has the measuring take gigabytes."""

MEMORY_BYTES = 1 << 30  # of address space; a block of 32 channels takes 50 MB
PROCESSOR_SECONDS = 300  # several times what the longest file takes
WALL_SECONDS = 600.0
_MOST_ANSWER_BYTES = 4096

SIGN_BYTES = 16
"""So much of a file tells what it is."""
_W64 = bytes.fromhex("726966662e91cf11a5d628db04c10000")
FORMS = ("WAV", "WAVEX", "RF64", "W64", "FLAC", "AIFF", "OGG")
"""Containers that are taken."""
FORMS_IN_WORDS = "WAV, FLAC, AIFF, W64, RF64 or Ogg"

_INTEGERS = {8: "PCM_U8", 16: "PCM_16", 24: "PCM_24", 32: "PCM_32"}  # as W64 has them
_WIDTHS = {"PCM_U8": 1, "PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}

# -P: no module is taken from whatever folder the program was started in.
COMMAND = (sys.executable, "-P", "-m", "sigbench.interface.decode")


def is_audio(head: bytes) -> bool:
    """Whether a file begins as one of `FORMS` does; its name says nothing.

    Parameters
    ----------
    head : bytes
        The first `SIGN_BYTES` of it.
    """
    riff = head[:4] in (b"RIFF", b"RF64") and head[8:12] == b"WAVE"
    aiff = head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC")
    return riff or aiff or head[:4] in (b"fLaC", b"OggS") or head[:16] == _W64


def no_audio(name: str) -> FileError:
    """What is said of a file that begins as no audio file does."""
    return FileError(f"{name} is no audio file that is taken here: save it as {FORMS_IN_WORDS}.")


def decode(
    source: Path, target: Path, *, most_samples: int = MOST_SAMPLES, most_bytes: int = MOST_BYTES
) -> str | None:
    """Write the samples of an audio file as W64, and give the name of its lossy compression.

    Parameters
    ----------
    most_samples, most_bytes : int
        What is refused beyond: samples of all channels together, and bytes of `target`.

    Raises
    ------
    FileError
        If it is no audio of `FORMS`, damaged, too long, or holds values that are no numbers.
    """
    import soundfile

    with open(source, "rb") as file:
        if not is_audio(file.read(SIGN_BYTES)):
            raise no_audio(str(source))
    try:
        info = soundfile.info(source)
    except soundfile.LibsndfileError as exc:
        raise FileError(
            f"{source} is no audio file that can be read, or is damaged "
            f"({exc.error_string.rstrip('.')}): save it again as WAV or FLAC."
        ) from exc
    if info.format not in FORMS:
        raise no_audio(str(source))
    if not LOWEST_RATE <= info.samplerate <= HIGHEST_RATE:
        raise FileError(
            f"{source} says that it has {info.samplerate} frames a second, and {LOWEST_RATE} to "
            f"{HIGHEST_RATE} are taken here: convert it, or use the command line."
        )
    if info.frames * info.channels > most_samples:
        hours = most_samples / info.channels / info.samplerate / 3600
        raise FileError(
            f"{source} says that it is longer than {hours:.3g} h, the most that is taken of "
            f"{info.channels} channel(s) at {info.samplerate} Hz, or its length is missing: save "
            "the part that matters as a file of its own."
        )
    take = read_long_take(source)
    subtype = _INTEGERS.get(take.bits or 0, "DOUBLE" if info.subtype == "DOUBLE" else "FLOAT")
    size = take.frames * take.channels * _WIDTHS[subtype]
    if size > most_bytes:
        raise FileError(
            f"{source} unpacks to {size / 1e6:.0f} MB, and {most_bytes / 1e6:.0f} MB is the most "
            "that there is room for: save the part that matters as a file of its own, or make room."
        )
    try:
        with soundfile.SoundFile(
            target, "w", take.samplerate, take.channels, subtype, format="W64"
        ) as audio:
            for block in take.blocks():
                audio.write(block if subtype in ("FLOAT", "DOUBLE") else _left_aligned(block))
    except (soundfile.LibsndfileError, AssertionError) as exc:  # the latter for a short write
        raise FileError(
            f"{source} cannot be unpacked, for the disk takes no more: make room."
        ) from exc
    return lossy_codec(source)


def _left_aligned(block: Samples) -> np.ndarray[tuple[int, ...], np.dtype[np.int32]]:
    """Integers as the library takes them without rounding: all 32 bits, the highest first."""
    return np.rint(block * 2.0**31).astype(np.int32)


def decode_apart(
    source: Path,
    target: Path,
    *,
    name: str,
    most_bytes: int = MOST_BYTES,
    wall_seconds: float = WALL_SECONDS,
) -> str | None:
    """`decode` in a program of its own, with limits on all that it takes.

    Parameters
    ----------
    name : str
        What the file is called in sentences.
    wall_seconds : float
        After so long it is ended.

    Raises
    ------
    FileError
        As for `decode`; and if the file makes the decoder fall, run out of memory or take too long.
    """
    room = min(most_bytes, MOST_BYTES)
    threads = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}  # each would reserve memory
    with subprocess.Popen(
        [*COMMAND, str(source), str(target), str(room)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env={**os.environ, **threads},
    ) as child:
        assert child.stdout is not None
        clock = threading.Timer(wall_seconds, child.kill)
        clock.start()
        try:
            answer = child.stdout.read(_MOST_ANSWER_BYTES)
            if len(answer) == _MOST_ANSWER_BYTES:
                child.kill()  # no answer of ours is so long
            child.wait()
        except BaseException:
            child.kill()
            raise
        finally:
            clock.cancel()
    try:
        said = json.loads(answer)
        if "refused" in said:
            raise FileError(str(said["refused"])[:1000].replace(str(source), name))
        if child.returncode == 0:
            return None if said["codec"] is None else str(said["codec"])[:100]
    except (ValueError, TypeError, KeyError):
        pass
    raise FileError(
        f"{name} could not be decoded: it is damaged, or made to do harm, for the decoder fell or "
        "took too long over it; save it again as WAV or FLAC."
    )


def _limit(most_bytes: int) -> None:
    """Have the system end this program before it takes too much, where the system can."""
    try:
        import resource
    except ImportError:
        return  # the length that the header promises and the clock are the limits there
    for what, most in (
        (resource.RLIMIT_AS, MEMORY_BYTES),
        (resource.RLIMIT_CPU, PROCESSOR_SECONDS),
        (resource.RLIMIT_FSIZE, most_bytes + 4096),  # a header comes before the samples
        (resource.RLIMIT_CORE, 0),
    ):
        _, hard = resource.getrlimit(what)
        wanted = most if hard == resource.RLIM_INFINITY else min(most, hard)
        try:
            resource.setrlimit(what, (wanted, wanted))
        except (ValueError, OSError):
            continue  # a limit that this system does not have


def main(arguments: list[str]) -> int:
    """Decode one file, as `decode_apart` asks for it."""
    source, target, *room = arguments
    most_bytes = int(room[0]) if room else MOST_BYTES
    _limit(most_bytes)
    try:
        answer = {"codec": decode(Path(source), Path(target), most_bytes=most_bytes)}
    except SigbenchError as exc:
        answer = {"refused": str(exc)}
    except MemoryError:
        answer = {"refused": f"{source} needs more memory than a file may take: save it as WAV."}
    except OSError as exc:
        answer = {"refused": f"{source} cannot be unpacked ({exc.strerror}): make room."}
    print(json.dumps(answer))
    return 2 if "refused" in answer else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
