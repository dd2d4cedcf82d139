"""Takes from audio files made elsewhere: WAV, FLAC, AIFF, W64, CAF, Ogg, MP3 and the like."""

import hashlib
import re
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any, NoReturn

import numpy as np

from sigbench.errors import FileError
from sigbench.interface.blocks import read_block
from sigbench.model import LongTake, Samples, Source, Take

MAX_CHANNELS = 32
SEARCH_FRAMES = 1024

# No codec packs more than this into a byte: the longest FLAC block (65,535 frames, RFC 9639) of
# one constant value needs a dozen bytes. A header that says more is wrong.
MAX_FRAMES_PER_BYTE = 65_535 / 12

LOUDEST = 1e6
"""Re full scale. Floating point goes beyond 1, but 120 dB beyond it there is no audio."""

_LOSSLESS = ("PCM_", "FLOAT", "DOUBLE", "ALAC_", "DPCM_", "DWVW_")
_INTEGER_BITS = re.compile(r"(?:PCM_[SU]?|ALAC_|DPCM_|DWVW_)(\d+)")

# libsndfile trims a length that the file does not hold, and notes so in its log.
_CUT_CHUNK = re.compile(r"^ *(?:data|SSND|riff|Data Size) *: (\d+) \(should be (\d+)\)", re.M)
_CUT_FRAMES = re.compile(r"frame count (\d+) does not match value from 'ds64' chunk of (\d+)")
_CUT_OGG = "lacks an end-of-stream bit"
# Writers that cannot go back to fill in the length (pipes) leave the largest number there.
_STREAMED_BYTES = 0x7FFF_0000


def read_take(path: str | Path, *, channels: Sequence[int] | None = None) -> Take:
    """Read an audio file as a take.

    Parameters
    ----------
    path : str or Path
        Any file that libsndfile reads, at any rate, with 1 to 32 channels.
    channels : sequence of int, optional
        Which channels to keep, counted from 1, in this order; all of them by default.

    Returns
    -------
    Take
        Its source carries the path as given and the SHA-256 of the file. Floating-point samples
        beyond ±1.0 are kept as they are.

    Raises
    ------
    FileError
        If the file cannot be read, is no audio, is cut short, holds no frames, values that are no
        numbers or far too large, or lacks a channel that was asked for.
    """
    import soundfile

    size = _readable_size(path)
    try:
        with soundfile.SoundFile(path) as audio:
            kept = _kept_channels(path, audio.channels, channels)
            _require_whole(path, audio, size)
            samples = _read_all(path, audio, kept)
            samplerate, subtype = int(audio.samplerate), str(audio.subtype)
    except soundfile.LibsndfileError as exc:
        raise _unreadable(path, exc) from exc
    with open(path, "rb") as file:
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    frames, kept_channels = samples.shape
    source = Source("file", str(path), sha256, samplerate, kept_channels, frames)
    bits = _INTEGER_BITS.fullmatch(subtype)
    return Take(samples, samplerate, source, bits=int(bits[1]) if bits else None)


def read_long_take(path: str | Path, *, channels: Sequence[int] | None = None) -> LongTake:
    """An audio file as a take that is read in blocks, as it is wanted.

    Parameters and errors are those of `read_take`; a file that turns out to be cut short, or to
    hold values that are no numbers or far too large, is refused while it is read.
    """
    import soundfile

    size = _readable_size(path)
    try:
        with soundfile.SoundFile(path) as audio:
            kept = _kept_channels(path, audio.channels, channels)
            _require_whole(path, audio, size)
            frames, samplerate, subtype = audio.frames, int(audio.samplerate), str(audio.subtype)
    except soundfile.LibsndfileError as exc:
        raise _unreadable(path, exc) from exc
    with open(path, "rb") as file:
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    source = Source("file", str(path), sha256, samplerate, len(kept), frames)
    bits = _INTEGER_BITS.fullmatch(subtype)
    blocks = partial(_kept_blocks, path, kept)
    return LongTake(source, blocks, bits=int(bits[1]) if bits else None)


def _kept_blocks(path: str | Path, kept: list[int]) -> Iterator[Samples]:
    """The kept channels of a file in blocks, each checked before it is given."""
    import soundfile

    try:
        with soundfile.SoundFile(path) as audio:
            whole = kept == list(range(audio.channels))
            for position, block in _blocks(path, audio):
                samples = block if whole else np.asfortranarray(block[:, kept])
                if not _loudest(samples) <= LOUDEST:
                    for row, column in np.argwhere(~np.isfinite(samples)):
                        at = (position + int(row)) / audio.samplerate
                        raise _no_numbers(path, "samples", kept[column] + 1, at)
                    _require_audible(path, samples)
                yield samples
    except soundfile.LibsndfileError as exc:
        raise _unreadable(path, exc) from exc


def length(path: str | Path) -> tuple[int, int]:
    """Frames and channels of an audio file.

    Raises
    ------
    FileError
        If it cannot be opened as audio, or is not whole.
    """
    import soundfile

    size = _readable_size(path)
    try:
        with soundfile.SoundFile(path) as audio:
            _require_whole(path, audio, size)
            return audio.frames, audio.channels
    except soundfile.LibsndfileError as exc:
        raise _unreadable(path, exc) from exc


def lossy_codec(path: str | Path) -> str | None:
    """Name of the lossy compression of a file, or None where the file holds all of the audio.

    A codec such as MP3, Vorbis or Opus throws away what the ear is not expected to miss and adds
    noise of its own: distortion and noise measured in such a file are the codec's as well.

    Raises
    ------
    FileError
        If the file cannot be opened as audio.
    """
    import soundfile

    _readable_size(path)
    try:
        info = soundfile.info(path)
    except soundfile.LibsndfileError as exc:
        raise FileError(f"{path} is no audio file that can be read.") from exc
    return None if info.subtype.startswith(_LOSSLESS) else str(info.subtype_info)


def _readable_size(path: str | Path) -> int:
    """Size in bytes of a file that is there, is one, and may be read."""
    place = Path(path)
    if place.suffix.lower() == ".raw":
        raise FileError(f"{path} has no header that says its rate and channels: save it as WAV.")
    try:
        if place.is_dir():
            raise FileError(f"{path} is a folder: name one audio file in it.")
        if place.exists() and not place.is_file():
            raise FileError(f"{path} is no ordinary file: save the audio as a WAV or FLAC file.")
        with open(place, "rb") as file:
            size = file.seek(0, 2)
    except FileNotFoundError as exc:
        raise FileError(f"{path} does not exist: check the name and the folder.") from exc
    except PermissionError as exc:
        raise FileError(f"{path} may not be read by you: change its permissions.") from exc
    except (OSError, ValueError) as exc:
        raise FileError(f"{path} cannot be opened ({exc}).") from exc
    if size == 0:
        raise FileError(f"{path} is empty (0 bytes): record or copy it again.")
    return size


def _kept_channels(path: str | Path, there: int, wanted: Sequence[int] | None) -> list[int]:
    """Columns to keep, counted from 0."""
    if there > MAX_CHANNELS:
        raise FileError(f"{path} has {there} channels, and at most {MAX_CHANNELS} can be measured.")
    if wanted is None:
        return list(range(there))
    if not wanted:
        raise FileError(f"No channel of {path} was asked for: name at least one of 1 to {there}.")
    for channel in wanted:
        if not 1 <= channel <= there:
            have = "only channel 1" if there == 1 else f"channels 1 to {there}"
            raise FileError(f"{path} has no channel {channel}: it has {have}.")
    return [channel - 1 for channel in wanted]


def _require_whole(path: str | Path, audio: Any, size: int) -> None:
    """Refuse a file whose header promises another length than there is.

    A number from half a file is not the number that was asked for.
    """
    log: str = audio.extra_info
    frames: int = audio.frames
    if frames > size * MAX_FRAMES_PER_BYTE:
        there = _decodable_frames(path) / audio.samplerate
        raise FileError(
            f"{path} has no true length in its header: its writer was stopped, or streamed it; "
            f"about {there:.1f} s can be decoded: if that is all, save it again as WAV or FLAC."
        )
    if frames == 0:
        raise FileError(
            f"{path} holds no audio (0 frames of it, {size} bytes in all): its writer may have "
            "been stopped before it filled in the header; record or convert it again."
        )
    for declared, actual in _CUT_CHUNK.findall(log):
        if int(actual) < int(declared) < _STREAMED_BYTES:
            _cut_short(path, audio, frames, frames * int(declared) / max(int(actual), 1))
    for actual, declared in _CUT_FRAMES.findall(log):
        _cut_short(path, audio, int(actual), int(declared))
    if _CUT_OGG in log:
        _cut_short(path, audio, frames, None)


def _cut_short(path: str | Path, audio: Any, there: int, promised: float | None) -> NoReturn:
    of = "" if promised is None else f" of {promised / audio.samplerate:.1f} s"
    raise FileError(
        f"{path} is cut short: {there / audio.samplerate:.1f} s{of} are there; copy or record it "
        "again, or save the part that is there as a file of its own."
    )


def _decodable_frames(path: str | Path) -> int:
    """How many frames come out of a broken file, to within a small block."""
    import soundfile

    frames = 0
    with soundfile.SoundFile(path) as audio:
        try:
            while block := len(audio.read(SEARCH_FRAMES)):
                frames += block
        except soundfile.LibsndfileError:
            pass  # the broken end: what came before it is the answer
    return frames


def _blocks(path: str | Path, audio: Any) -> Iterator[tuple[int, Samples]]:
    """All of an open file, in blocks with the position of their first frame."""
    import soundfile

    frames: int = audio.frames
    position = 0
    while position < frames:
        try:
            block = read_block(audio)
        except soundfile.LibsndfileError:
            _cut_short(path, audio, _decodable_frames(path), frames)
        if len(block) == 0:
            _cut_short(path, audio, position, frames)
        yield position, block
        position += len(block)


def _read_all(path: str | Path, audio: Any, kept: list[int]) -> Samples:
    """Samples of the kept channels, checked to be all there and finite."""
    samples = np.empty((audio.frames, len(kept)))
    bad = 0
    first_bad: tuple[int, int] | None = None
    for position, block in _blocks(path, audio):
        finite = np.isfinite(block[:, kept])
        if not finite.all():
            bad += int(np.sum(~finite))
            if first_bad is None:
                row, column = np.argwhere(~finite)[0]
                first_bad = position + int(row), kept[column] + 1
        samples[position : position + len(block)] = block[:, kept]
    if first_bad is not None:
        frame, channel = first_bad
        raise _no_numbers(path, f"{bad} samples", channel, frame / audio.samplerate)
    _require_audible(path, samples)
    return samples


def _loudest(samples: Samples) -> float:
    """Largest magnitude; no number if a sample is none."""
    return float(max(samples.max(initial=0.0), -samples.min(initial=0.0)))


def _require_audible(path: str | Path, samples: Samples) -> None:
    """Refuse what no audio is, before something is worked out from it that means nothing."""
    if _loudest(samples) > LOUDEST:
        raise FileError(
            f"{path} holds samples a million times beyond full scale: it was written by a faulty "
            "program; record or convert it again."
        )


def _no_numbers(path: str | Path, what: str, channel: int, at: float) -> FileError:
    return FileError(
        f"{path} holds {what} that are no numbers (NaN or infinite), the first in channel "
        f"{channel} at {at:.4f} s: it was written by a faulty program; record or convert it again."
    )


def _unreadable(path: str | Path, exc: Any) -> FileError:
    return FileError(
        f"{path} is no audio file that can be read, or is damaged or cut short "
        f"({exc.error_string.rstrip('.')}): save it again as WAV or FLAC."
    )
