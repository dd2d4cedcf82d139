import hashlib
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from sigbench.errors import FileError
from sigbench.interface.file import length, lossy_codec, read_long_take, read_take

RATE = 48_000


def noise(frames: int, channels: int = 2) -> np.ndarray:
    return np.random.default_rng(7).uniform(-0.5, 0.5, (frames, channels))


def wav(samples: np.ndarray, rate: int, bits: int) -> bytes:
    """A PCM WAV written byte by byte (RIFF/WAVE, 16 or 32 bit)."""
    channels = samples.shape[1]
    codes = np.rint(samples * 2.0 ** (bits - 1)).astype(f"<i{bits // 8}").tobytes()
    align = channels * bits // 8
    fmt = b"".join(
        value.to_bytes(size, "little")
        for value, size in (
            (1, 2),
            (channels, 2),
            (rate, 4),
            (rate * align, 4),
            (align, 2),
            (bits, 2),
        )
    )
    body = b"WAVEfmt " + len(fmt).to_bytes(4, "little") + fmt
    body += b"data" + len(codes).to_bytes(4, "little") + codes
    return b"RIFF" + len(body).to_bytes(4, "little") + body


def refusal(path: Path, **options: object) -> str:
    with pytest.raises(FileError) as caught:
        read_take(path, **options)  # type: ignore[arg-type]
    message = str(caught.value)
    assert message.startswith(str(path)) or str(path) in message
    assert message.endswith(".")
    assert "\n" not in message
    return message.replace(str(path), "FILE")


@pytest.mark.parametrize("bits", [16, 32])
@pytest.mark.parametrize("rate", [8000, 44_100, 192_000])
def test_a_hand_written_wav_is_read_exactly(tmp_path: Path, rate: int, bits: int) -> None:
    steps = 2.0 ** (bits - 1)
    samples = np.array([[-1.0, 0.0], [1 - 1 / steps, 1 / steps], [0.5, -0.25]])
    path = tmp_path / "hand.wav"
    path.write_bytes(wav(samples, rate, bits))
    take = read_take(path)
    assert take.samples.dtype == np.float64
    np.testing.assert_array_equal(take.samples, samples)
    assert (take.samplerate, take.bits, take.lost) == (rate, bits, ())
    assert take.source.kind == "file"
    assert take.source.path == str(path)
    assert take.source.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (take.source.samplerate, take.source.channels, take.source.frames) == (rate, 2, 3)


@pytest.mark.parametrize(
    ("container", "subtype", "bits"),
    [
        ("WAV", "PCM_U8", 8),
        ("WAV", "PCM_24", 24),
        ("WAV", "FLOAT", None),
        ("WAV", "DOUBLE", None),
        ("WAVEX", "PCM_24", 24),
        ("W64", "PCM_24", 24),
        ("RF64", "PCM_16", 16),
        ("AIFF", "PCM_24", 24),
        ("AIFF", "PCM_S8", 8),
        ("CAF", "PCM_32", 32),
        ("CAF", "ALAC_16", 16),
        ("AU", "PCM_16", 16),
        ("FLAC", "PCM_24", 24),
        ("FLAC", "PCM_16", 16),
        ("OGG", "VORBIS", None),
        ("OGG", "OPUS", None),
        ("MP3", "MPEG_LAYER_III", None),
        ("WAV", "ULAW", None),
    ],
)
def test_every_container_tells_its_resolution_and_compression(
    tmp_path: Path, container: str, subtype: str, bits: int | None
) -> None:
    path = tmp_path / "take.audio"
    samples = noise(RATE // 2)
    soundfile.write(path, samples, RATE, subtype=subtype, format=container)
    take = read_take(path)
    assert take.bits == bits
    assert (take.channels, take.frames) == (2, RATE // 2)
    lossy = subtype in ("VORBIS", "OPUS", "MPEG_LAYER_III", "ULAW")
    assert (lossy_codec(path) is not None) == lossy
    if not lossy:
        resolution = 2.0 ** (1 - bits) if bits else 2.0**-24
        np.testing.assert_allclose(take.samples, samples, rtol=0, atol=resolution)


def test_a_file_from_sox_reads_the_level_that_sox_tells(tmp_path: Path) -> None:
    if shutil.which("sox") is None:
        pytest.skip("needs sox: apt-get install sox")
    path = tmp_path / "sox.aiff"
    make = ["sox", "-n", "-r", "96000", "-b", "24", "-c", "3", str(path)]
    subprocess.run([*make, "synth", "0.5", "sine", "997", "gain", "-6"], check=True)
    stats = subprocess.run(
        ["sox", str(path), "-n", "stats"], check=True, capture_output=True, text=True
    ).stderr
    told = float(next(line for line in stats.splitlines() if "RMS lev dB" in line).split()[3])
    take = read_take(path)
    assert (take.samplerate, take.channels, take.bits) == (96_000, 3, 24)
    measured = 10 * np.log10(np.mean(take.samples**2))
    assert measured == pytest.approx(told, abs=0.006)  # sox prints two decimals


def test_channels_are_kept_in_the_order_asked_for(tmp_path: Path) -> None:
    path = tmp_path / "wide.wav"
    samples = noise(100_000, 32)
    soundfile.write(path, samples, RATE, subtype="DOUBLE")
    np.testing.assert_array_equal(read_take(path).samples, samples)
    take = read_take(path, channels=(32, 1))
    np.testing.assert_array_equal(take.samples, samples[:, [31, 0]])
    assert take.source.channels == 2


def test_one_frame_is_a_take(tmp_path: Path) -> None:
    path = tmp_path / "one.wav"
    path.write_bytes(wav(np.array([[0.25]]), RATE, 16))
    np.testing.assert_array_equal(read_take(path).samples, [[0.25]])


def test_floats_beyond_full_scale_are_kept(tmp_path: Path) -> None:
    path = tmp_path / "hot.wav"
    soundfile.write(path, np.array([3.5, -2.0]), RATE, subtype="FLOAT")
    np.testing.assert_array_equal(read_take(path).samples, [[3.5], [-2.0]])


def test_a_length_that_a_pipe_could_not_fill_in_is_read_to_the_end(tmp_path: Path) -> None:
    path = tmp_path / "pipe.wav"
    data = bytearray(wav(noise(1000), RATE, 16))
    data[4:8] = data[40:44] = b"\xff\xff\xff\xff"
    path.write_bytes(data)
    assert read_take(path).frames == 1000


def test_names_that_cannot_be_opened(tmp_path: Path) -> None:
    assert "does not exist" in refusal(tmp_path / "none.wav")
    assert "is a folder" in refusal(tmp_path)
    empty = tmp_path / "empty.wav"
    empty.touch()
    assert "is empty (0 bytes)" in refusal(empty)
    text = tmp_path / "notes.wav"
    text.write_text("recapped the output stage\n" * 50)
    assert "no audio file" in refusal(text)
    raw = tmp_path / "bare.raw"
    raw.write_bytes(bytes(4000))
    assert "no header" in refusal(raw)
    with pytest.raises(FileError, match="does not exist"):
        lossy_codec(tmp_path / "none.wav")
    with pytest.raises(FileError, match="no audio file"):
        lossy_codec(text)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes, which Windows lacks")
def test_a_pipe_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.wav"
    os.mkfifo(pipe)
    assert "no ordinary file" in refusal(pipe)


def test_a_file_that_may_not_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "locked.wav"
    path.write_bytes(wav(noise(10), RATE, 16))
    path.chmod(0)
    if os.access(path, os.R_OK):  # root reads everything: let the system call refuse instead

        def refuse(*_: object, **__: object) -> None:
            raise PermissionError(13, "Permission denied", str(path))

        monkeypatch.setattr("builtins.open", refuse)
    assert "may not be read" in refusal(path)


@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64", "W64", "AIFF", "AU"])
def test_a_file_cut_short_says_how_much_is_there(tmp_path: Path, container: str) -> None:
    path = tmp_path / "half.audio"
    soundfile.write(path, noise(10 * RATE), RATE, subtype="PCM_16", format=container)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    assert "is cut short: 5.0 s of 10.0 s are there" in refusal(path)


@pytest.mark.parametrize("container", ["FLAC", "OGG", "MP3", "CAF"])
def test_a_compressed_or_chunked_file_cut_short_is_refused(tmp_path: Path, container: str) -> None:
    path = tmp_path / "half.audio"
    soundfile.write(path, noise(2 * RATE), RATE, format=container)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    assert "cut short" in refusal(path)


def test_a_file_that_only_misses_its_last_frame_is_cut_short(tmp_path: Path) -> None:
    path = tmp_path / "almost.wav"
    path.write_bytes(wav(noise(1000), RATE, 16)[:-4])
    assert "is cut short" in refusal(path)


def test_a_header_without_audio(tmp_path: Path) -> None:
    path = tmp_path / "none.wav"
    path.write_bytes(wav(np.empty((0, 2)), RATE, 16))
    assert "0 frames" in refusal(path)
    path.write_bytes(wav(np.empty((0, 2)), RATE, 16)[:20])
    refusal(path)


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs SIGKILL, which Windows lacks")
@pytest.mark.parametrize(
    ("container", "says"), [("FLAC", "no true length"), ("RF64", "0 frames"), ("AIFF", "0 frames")]
)
def test_what_a_killed_writer_left(tmp_path: Path, container: str, says: str) -> None:
    path = tmp_path / "killed.audio"
    write_and_die = (
        "import os, sys, numpy, soundfile\n"
        "file = soundfile.SoundFile(sys.argv[1], 'w', 48000, 2, 'PCM_24', format=sys.argv[2])\n"
        "for _ in range(5): file.write(numpy.random.default_rng(1).normal(0, 0.1, (48000, 2)))\n"
        "os.kill(os.getpid(), 9)\n"
    )
    subprocess.run([sys.executable, "-c", write_and_die, str(path), container], check=False)
    message = refusal(path)
    assert says in message
    if container == "FLAC":
        assert "about 4.9 s" in message


def test_values_that_are_no_numbers_are_counted_and_placed(tmp_path: Path) -> None:
    path = tmp_path / "nan.wav"
    samples = noise(100_000)
    samples[72_000, 1] = np.nan
    samples[90_000:90_010] = np.inf
    soundfile.write(path, samples, RATE, subtype="FLOAT")
    message = refusal(path)
    assert "holds 21 samples" in message
    assert "channel 2 at 1.5000 s" in message
    assert "holds 10 samples" in refusal(path, channels=[1])


def test_channels_that_are_not_there(tmp_path: Path) -> None:
    path = tmp_path / "stereo.wav"
    path.write_bytes(wav(noise(10), RATE, 16))
    assert "has no channel 3: it has channels 1 to 2" in refusal(path, channels=[1, 3])
    assert "has no channel 0" in refusal(path, channels=[0])
    assert "name at least one" in refusal(path, channels=[])
    path.write_bytes(wav(noise(10, 33), RATE, 16))
    assert "33 channels" in refusal(path)


@pytest.mark.parametrize("cut", range(0, 44, 3))
def test_no_header_however_short_gives_anything_but_a_sentence(tmp_path: Path, cut: int) -> None:
    path = tmp_path / "stub.wav"
    path.write_bytes(wav(noise(100), RATE, 16)[:cut])
    refusal(path)


# In blocks


def test_in_blocks_a_file_is_the_same_take(tmp_path: Path) -> None:
    path = tmp_path / "a.flac"
    soundfile.write(path, noise(500_000, 3), RATE, subtype="PCM_24")
    whole = read_take(path, channels=(3, 1))
    take = read_long_take(path, channels=(3, 1))
    assert (take.source, take.bits) == (whole.source, 24)
    for _ in range(2):  # as often as it is wanted
        blocks = list(take.blocks())
        assert len(blocks) > 1
        assert np.array_equal(np.concatenate(blocks), whole.samples)
    assert length(path) == (500_000, 3)


def test_in_blocks_what_is_wrong_is_said_too(tmp_path: Path) -> None:
    broken = noise(100_000)
    broken[72_000, 1] = np.nan
    path = tmp_path / "a.wav"
    soundfile.write(path, broken, RATE, subtype="FLOAT")
    with pytest.raises(FileError, match=r"no numbers .* first in channel 2 at 1\.5000 s"):
        list(read_long_take(path).blocks())
    assert sum(map(len, read_long_take(path, channels=(1,)).blocks())) == 100_000
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    for read in (read_long_take, length):
        with pytest.raises(FileError, match="is cut short"):
            read(path)
    path.write_bytes(b"no audio at all")
    for read in (read_long_take, length):
        with pytest.raises(FileError, match="is no audio file"):
            read(path)


@pytest.mark.parametrize("reader", [read_take, lambda path: list(read_long_take(path).blocks())])
def test_values_that_no_audio_has_are_refused(tmp_path, reader):
    path = tmp_path / "huge.wav"
    samples = np.full((4800, 1), 0.1)
    samples[100] = -1e300
    soundfile.write(path, samples, 48_000, "DOUBLE")
    with pytest.raises(FileError, match="a million times beyond full scale"):
        reader(path)
    samples[100] = -1e5  # a gain, in floating point, is no fault
    soundfile.write(path, samples, 48_000, "DOUBLE")
    reader(path)
