"""Files from strangers, decoded apart."""

import os
import struct
import sys

import numpy as np
import pytest
import soundfile

from sigbench.errors import FileError
from sigbench.interface import decode as module
from sigbench.interface.decode import SIGN_BYTES, decode, decode_apart, is_audio
from sigbench.interface.file import read_take

RATE = 48_000
SILENCE_SECONDS = 20 * 60


def whole_numbers(bits, frames=5000, channels=2):
    steps = np.random.default_rng(bits).integers(-(2 ** (bits - 1)), 2 ** (bits - 1), (frames, 2))
    steps[:2] = [[-(2 ** (bits - 1))] * 2, [2 ** (bits - 1) - 1] * 2]
    return (steps[:, :channels] * 2 ** (32 - bits)).astype(np.int32)


def refused(source, target, **options):
    """The sentence that a file is refused with by the program apart."""
    with pytest.raises(FileError) as caught:
        decode_apart(source, target, name="sent.wav", **options)
    said = str(caught.value)
    assert said.startswith("sent.wav ")
    assert said.endswith(".")
    assert str(source) not in said
    return said


@pytest.mark.parametrize(
    ("form", "subtype", "bits"),
    [
        ("WAV", "PCM_U8", 8),
        ("WAV", "PCM_16", 16),
        ("WAVEX", "PCM_24", 24),
        ("WAV", "PCM_32", 32),
        ("RF64", "PCM_16", 16),
        ("W64", "PCM_24", 24),
        ("FLAC", "PCM_S8", 8),
        ("FLAC", "PCM_24", 24),
        ("AIFF", "PCM_16", 16),
    ],
)
def test_integers_come_out_bit_for_bit(tmp_path, form, subtype, bits):
    source, target = tmp_path / "sent", tmp_path / "out"
    soundfile.write(source, whole_numbers(bits), RATE, subtype, format=form)
    assert decode(source, target) is None
    expected, _ = soundfile.read(source)
    take = read_take(target)
    assert take.bits == bits
    np.testing.assert_array_equal(take.samples, expected)


@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE", "ULAW", "MS_ADPCM"])
def test_other_samples_come_out_as_they_are(tmp_path, subtype):
    source, target = tmp_path / "sent", tmp_path / "out"
    noise = np.random.default_rng(1).normal(0, 0.5, (5000, 2))  # some beyond full scale
    soundfile.write(source, noise, RATE, subtype, format="WAV")
    codec = decode(source, target)
    assert (codec is None) == (subtype in ("FLOAT", "DOUBLE"))
    expected, _ = soundfile.read(source)
    np.testing.assert_array_equal(read_take(target).samples, expected)


@pytest.mark.parametrize("subtype", ["VORBIS", "OPUS"])
def test_a_lossy_file_is_named(tmp_path, subtype):
    source, target = tmp_path / "sent", tmp_path / "out"
    soundfile.write(source, np.zeros((RATE, 1)), RATE, subtype, format="OGG")
    assert subtype.capitalize() in (decode_apart(source, target, name="a.ogg") or "")
    assert read_take(target).frames == soundfile.info(source).frames


def test_what_a_file_is_is_in_its_first_bytes(tmp_path):
    for form, suffix in (("WAV", "txt"), ("RF64", "wav"), ("W64", "x"), ("FLAC", "mp3"),
                         ("AIFF", "wav"), ("OGG", "wav")):  # fmt: skip
        place = tmp_path / f"{form}.{suffix}"
        soundfile.write(place, np.zeros((RATE, 1)), RATE, format=form)
        assert is_audio(place.read_bytes()[:SIGN_BYTES]), form
    for form in ("CAF", "AU", "MP3"):
        place = tmp_path / f"{form}.wav"
        soundfile.write(place, np.zeros((RATE, 1)), RATE, format=form)
        assert not is_audio(place.read_bytes()[:SIGN_BYTES]), form
    assert not is_audio(b"")
    assert not is_audio(b"RIFF....AVI LIST")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"dear all, please find my recording attached", "is no audio file that is taken here"),
        (b"", "is no audio file that is taken here"),
        (b"RIFF\x10\0\0\0WAVEjunk", "no audio file that can be read"),
        (b"fLaC" + bytes(200), "no audio file that can be read"),
        (b"OggS" + bytes(range(256)), "no audio file that can be read"),
    ],
)
def test_what_is_no_audio(tmp_path, content, words):
    (tmp_path / "sent").write_bytes(content)
    assert words in refused(tmp_path / "sent", tmp_path / "out")


@pytest.fixture(scope="module")
def silence(tmp_path_factory):
    """A FLAC that is 100 times smaller than what it holds."""
    place = tmp_path_factory.mktemp("bomb") / "bomb.flac"
    with soundfile.SoundFile(place, "w", RATE, 2, "PCM_16", format="FLAC") as audio:
        minute = np.zeros((60 * RATE, 2), np.int16)
        for _ in range(SILENCE_SECONDS // 60):
            audio.write(minute)
    assert place.stat().st_size * 100 < SILENCE_SECONDS * RATE * 4
    return place


def with_frames(silence, place, frames):
    """The same file, whose header says another number of frames (RFC 9639, 8.2)."""
    data = bytearray(silence.read_bytes())
    (word,) = struct.unpack_from(">Q", data, 18)
    assert word & (2**36 - 1) == SILENCE_SECONDS * RATE
    struct.pack_into(">Q", data, 18, word & ~(2**36 - 1) | frames)
    place.write_bytes(data)
    return place


def test_hours_of_silence_in_a_small_file_take_no_room(silence, tmp_path):
    target = tmp_path / "out"
    said = refused(silence, target, most_bytes=10_000_000)
    assert "unpacks to 230 MB, and 10 MB is the most" in said  # 20 min × 48 kHz × 2 × 2 bytes
    assert not target.exists()
    with pytest.raises(FileError, match=r"longer than 0\.289 h"):  # 10^8 / 2 / 48000 / 3600
        decode(silence, target, most_samples=100_000_000)
    assert not target.exists()


@pytest.mark.parametrize("frames", [2**36 - 1, 4 * 3600 * RATE + 1, 0])
def test_a_header_that_says_too_much_or_nothing_is_refused_unread(silence, tmp_path, frames):
    said = refused(with_frames(silence, tmp_path / "lies", frames), tmp_path / "out")
    assert "says that it is longer than 4 h" in said or "holds no audio" in said
    assert not (tmp_path / "out").exists()


def test_no_more_is_read_than_a_header_says(silence, tmp_path):
    decode(with_frames(silence, tmp_path / "lies", 1000), tmp_path / "out")
    assert soundfile.info(tmp_path / "out").frames == 1000


def test_the_limits_are_four_hours_of_stereo_and_four_gigabytes():
    assert module.MOST_SAMPLES == 4 * 60 * 60 * 48_000 * 2
    assert module.MOST_BYTES == 4 * 1024**3


def test_a_file_that_is_cut_short(tmp_path):
    soundfile.write(tmp_path / "whole", whole_numbers(16), RATE, "PCM_16", format="WAV")
    soundfile.write(tmp_path / "flac", whole_numbers(16), RATE, "PCM_16", format="FLAC")
    for name in ("whole", "flac"):
        data = (tmp_path / name).read_bytes()
        (tmp_path / "cut").write_bytes(data[: len(data) // 2])
        assert "cut short" in refused(tmp_path / "cut", tmp_path / "out")


def wave_header(channels=2, rate=RATE, size=400):
    form = struct.pack("<HHIIHH", 1, channels, rate, 0, 2 * channels, 16)
    body = b"WAVEfmt " + struct.pack("<I", len(form)) + form + b"data" + struct.pack("<I", size)
    return b"RIFF" + struct.pack("<I", len(body) + size) + body


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ({"rate": 1}, "1 frames a second, and 4000 to 192000 are taken"),
        ({"rate": 2**31 - 1}, "frames a second"),
        ({"channels": 40}, "at most 32 can be measured"),
        ({"size": 1_000_000_000}, "cut short"),
    ],
)
def test_a_header_that_lies(tmp_path, header, words):
    (tmp_path / "sent").write_bytes(wave_header(**header) + bytes(400))
    assert words in refused(tmp_path / "sent", tmp_path / "out")


def test_samples_that_are_no_numbers(tmp_path):
    samples = np.zeros((RATE, 2))
    samples[100, 1] = np.nan
    soundfile.write(tmp_path / "sent", samples, RATE, "FLOAT", format="WAV")
    assert "no numbers" in refused(tmp_path / "sent", tmp_path / "out")


def test_samples_that_are_no_audio(tmp_path):
    for peak, taken in ((3.0, True), (-1e300, False)):
        soundfile.write(tmp_path / "sent", np.full(RATE, peak), RATE, "DOUBLE", format="WAV")
        if taken:
            decode(tmp_path / "sent", tmp_path / "out")
            assert read_take(tmp_path / "out").samples[5, 0] == peak
        else:
            assert "beyond full scale" in refused(tmp_path / "sent", tmp_path / "out")


@pytest.mark.parametrize(
    "does",
    [
        "import os, signal; os.kill(os.getpid(), signal.SIGKILL)",
        "import os; os.abort()",
        "raise SystemExit(1)",
        "print('{}')",
        "print('[1]')",
        "print('no answer')",
        "import sys; sys.stdout.write('x' * 10**7)",
        "import os, time; os.close(1); time.sleep(600)",
    ],
)
def test_a_decoder_that_falls_is_one_sentence(tmp_path, monkeypatch, does):
    monkeypatch.setattr(module, "COMMAND", (sys.executable, "-c", does))
    wall = 1.0 if "sleep" in does else 60.0
    said = refused(tmp_path / "sent", tmp_path / "out", wall_seconds=wall)
    assert "could not be decoded" in said


@pytest.mark.skipif(os.name != "posix", reason="limits of the system are POSIX")
@pytest.mark.parametrize(
    ("takes", "end"),
    [
        ("x = bytearray(2 << 30)", "MemoryError"),
        ("open(sys.argv[1], 'wb').write(bytes(20_000_000)); print('written')", "OSError"),
    ],
)
def test_the_system_limits_what_a_decoder_takes(tmp_path, takes, end):
    import subprocess

    program = f"import sys\nfrom sigbench.interface.decode import _limit\n_limit(1 << 20)\n{takes}"
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path / "out")],
        capture_output=True,
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
        check=False,
    )
    assert done.returncode == 1
    assert end.encode() in done.stderr.splitlines()[-1]


@pytest.mark.skipif(os.name != "posix", reason="limits of the system are POSIX")
def test_the_processor_is_limited_too():
    import resource
    import subprocess

    program = (
        "import resource\nfrom sigbench.interface.decode import _limit\n_limit(1 << 20)\n"
        "print(*resource.getrlimit(resource.RLIMIT_CPU), *resource.getrlimit(resource.RLIMIT_CORE))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, check=True)
    assert done.stdout.split() == [b"300", b"300", b"0", b"0"]
    assert resource.getrlimit(resource.RLIMIT_CPU) != (300, 300)  # ours is as it was
