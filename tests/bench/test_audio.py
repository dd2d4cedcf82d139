"""Takes on disk: nothing lost, and damage noticed."""

import hashlib
import shutil
import subprocess
import sys
import textwrap
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from sigbench.bench import audio
from sigbench.errors import BenchError, SignalError
from sigbench.model import BLOCK_SAMPLES
from tests.bench.records import integer_take, take_of


@pytest.mark.parametrize("bits", [8, 12, 16, 20, 24])
def test_integer_takes_come_back_bit_for_bit_from_flac(tmp_path: Path, bits: int):
    take = integer_take(bits)
    record = audio.store(tmp_path, take)
    assert record.path.endswith(".flac")
    back = audio.read(tmp_path, record)
    assert back.samples.dtype == np.float64
    assert np.array_equal(back.samples, take.samples)
    assert (back.bits, back.lost, back.dc_coupled) == (bits, take.lost, True)
    assert back.source.kind == "file"
    assert back.source.sha256 == record.sha256
    assert back.source.lost_buffers == 2


@pytest.mark.parametrize("bits", [16, 24])
def test_libsndfile_alone_finds_the_same_integers_in_the_flac(tmp_path: Path, bits: int):
    take = integer_take(bits)
    record = audio.store(tmp_path, take)
    info = soundfile.info(tmp_path / record.path)
    assert (info.format, info.subtype) == ("FLAC", f"PCM_{bits}")
    # libsndfile left-aligns integers of fewer bits in the 32 it is asked for.
    aligned, rate = soundfile.read(tmp_path / record.path, dtype="int32", always_2d=True)
    assert rate == 48_000
    whole = (take.samples * 2 ** (bits - 1)).astype(np.int64)
    assert np.array_equal(aligned.astype(np.int64) >> (32 - bits), whole)


@pytest.mark.parametrize("bits", [16, 24, None])
def test_another_decoder_finds_the_same_samples(tmp_path: Path, bits: int | None):
    # ffmpeg has decoders of its own for FLAC and W64 and shares no code with libsndfile.
    if shutil.which("ffmpeg") is None:
        pytest.skip("ffmpeg is missing: apt install ffmpeg")
    samples = integer_take(bits or 24).samples if bits else np.array([[0.1, -1.7], [1e-300, 0.9]])
    record = audio.store(tmp_path, take_of(samples, bits=bits))
    raw, dtype = ("s32le", "<i4") if bits else ("f64le", "<f8")
    command = ["ffmpeg", "-v", "error", "-i", str(tmp_path / record.path), "-f", raw, "-"]
    done = subprocess.run(command, capture_output=True, check=True)
    decoded = np.frombuffer(done.stdout, dtype).reshape(-1, 2)
    assert np.array_equal(decoded / 2.0**31 if bits else decoded, samples)


def test_every_step_of_16_bits_survives(tmp_path: Path):
    every = (np.arange(-(2**15), 2**15) / 2**15).reshape(-1, 1)
    record = audio.store(tmp_path, take_of(every, bits=16))
    assert np.array_equal(audio.read(tmp_path, record).samples, every)


@pytest.mark.parametrize(
    ("take", "subtype"),
    [
        (take_of(np.float32([[0.1, -1.7], [1e-30, 2.0]]).astype(float)), "FLOAT"),
        (take_of(np.array([[0.1, -1.7], [1e-300, 1e300]])), "DOUBLE"),
        (integer_take(32), "DOUBLE"),
        (take_of(np.array([[0.3]]), bits=24), "DOUBLE"),  # says 24 bits, but is not
        (take_of(np.array([[1.0]]), bits=24), "FLOAT"),  # one step beyond the range
        (integer_take(24, channels=32), "FLOAT"),  # FLAC has no more than 8 channels
        (take_of(np.zeros((10, 1)), bits=24, samplerate=768_000), "FLOAT"),
    ],
)
def test_what_flac_cannot_hold_is_kept_as_floating_point(tmp_path: Path, take, subtype: str):
    record = audio.store(tmp_path, take)
    info = soundfile.info(tmp_path / record.path)
    assert (info.format, info.subtype) == ("W64", subtype)
    back = audio.read(tmp_path, record)
    assert np.array_equal(back.samples, take.samples)
    assert (back.samplerate, back.bits) == (take.samplerate, take.bits)


@settings(max_examples=40)
@given(
    samples=arrays(np.float64, (3, 2), elements=st.floats(allow_nan=False, allow_infinity=False))
)
def test_any_finite_samples_come_back(tmp_path_factory, samples: np.ndarray):
    folder = tmp_path_factory.mktemp("takes")
    assert np.array_equal(
        audio.read(folder, audio.store(folder, take_of(samples))).samples, samples
    )


def test_takes_longer_than_a_block_come_back(tmp_path: Path):
    take = integer_take(24, frames=BLOCK_SAMPLES * 2 + 3, channels=1)
    record = audio.store(tmp_path, take)
    assert np.array_equal(audio.read(tmp_path, record).samples, take.samples)


@pytest.mark.parametrize("bits", [24, None])
def test_a_stretch_is_that_part_of_the_take(tmp_path: Path, bits: int | None):
    rng = np.random.default_rng(5)
    steps = rng.integers(-(2**23), 2**23, (20_000, 2)) / 2**23
    record = audio.store(tmp_path, take_of(steps, bits=bits))
    assert record.path.endswith("w64" if bits is None else "flac")
    for start, frames in ((0, 10), (4095, 4098), (19_990, 10), (19_990, 999), (20_000, 5)):
        part = audio.stretch(tmp_path, record, start, frames)
        assert np.array_equal(part, steps[start : start + frames])
    place = tmp_path / record.path
    place.write_bytes(place.read_bytes()[:-1] + b"x")
    with pytest.raises(BenchError, match="is damaged"):
        audio.stretch(tmp_path, record, 0, 10)


def test_the_name_is_the_sha256_of_the_file(tmp_path: Path):
    for take in (integer_take(24), take_of(np.array([[0.1]]))):
        record = audio.store(tmp_path, take)
        content = (tmp_path / record.path).read_bytes()
        assert hashlib.sha256(content).hexdigest() == record.sha256
        assert Path(record.path).stem == record.sha256
        assert Path(record.path).parts[:2] == ("takes", record.sha256[:2])


def test_the_same_samples_are_one_file_and_a_damaged_one_is_mended(tmp_path: Path):
    take = integer_take(24)
    record = audio.store(tmp_path, take)
    assert audio.store(tmp_path, take) == record
    place = tmp_path / record.path
    sound = place.read_bytes()
    place.write_bytes(sound[:-1])
    assert audio.store(tmp_path, take) == record
    assert place.read_bytes() == sound
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == [place]


@pytest.mark.parametrize("bits", [24, None])
def test_a_single_flipped_bit_anywhere_is_noticed(tmp_path: Path, bits: int | None):
    samples = integer_take(24, frames=50).samples
    record = audio.store(tmp_path, take_of(samples, bits=bits))
    place = tmp_path / record.path
    sound = place.read_bytes()
    for position in range(0, len(sound), 13):
        broken = bytearray(sound)
        broken[position] ^= 1 << position % 8
        place.write_bytes(broken)
        with pytest.raises(BenchError, match="is damaged"):
            audio.read(tmp_path, record)


def test_a_missing_take_gives_one_sentence(tmp_path: Path):
    record = audio.store(tmp_path, integer_take(24))
    (tmp_path / record.path).unlink()
    with pytest.raises(BenchError, match="is missing: put it back"):
        audio.read(tmp_path, record)


def test_a_record_cannot_name_a_file_elsewhere(tmp_path: Path):
    from dataclasses import replace

    record = audio.store(tmp_path, integer_take(24))
    for path in ("../secret.flac", "takes/../bench.db", record.path.replace("flac", "txt")):
        with pytest.raises(BenchError, match="is no name of a take"):
            audio.read(tmp_path, replace(record, path=path))


@pytest.mark.parametrize("samples", [np.zeros((0, 2)), np.array([[0.0], [np.nan]])])
def test_what_is_no_audio_is_not_stored(tmp_path: Path, samples: np.ndarray):
    with pytest.raises(SignalError, match="record it again"):
        audio.store(tmp_path, take_of(samples))
    assert list(tmp_path.iterdir()) == []


FILLING = """
    import resource, sys
    from pathlib import Path
    from sigbench.bench import audio
    from sigbench.errors import BenchError
    from tests.bench.records import integer_take, take_of
    folder = Path(sys.argv[1])
    if sys.argv[2] == "limit":
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
    for bits in (24, None):
        try:
            audio.store(folder, take_of(integer_take(24, frames=200_000).samples, bits=bits))
        except BenchError as exc:
            print(exc)
    print([str(path) for path in folder.rglob("*") if path.is_file()])
    print(len(audio.store(folder, integer_take(24, frames=1000)).sha256))
"""


def test_a_file_that_may_not_grow_leaves_nothing_half_made(tmp_path: Path):
    # The kernel refuses to let any file of the process grow: as on a full disk, for certain.
    _fill(tmp_path, [sys.executable, "-c", textwrap.dedent(FILLING), str(tmp_path), "limit"])


def test_a_full_disk_leaves_nothing_half_made(tmp_path: Path):
    mount = 'mount -t tmpfs -o size=400k full "$1" && shift && exec "$@"'
    unshare = ["unshare", "--user", "--map-root-user", "--mount", "sh", "-c", mount, "sh"]
    probe = subprocess.run([*unshare, str(tmp_path), "true"], capture_output=True)
    if probe.returncode:
        pytest.skip("no small disk can be mounted here: allow user namespaces (unshare, mount)")
    program = [sys.executable, "-c", textwrap.dedent(FILLING), str(tmp_path), "disk"]
    _fill(tmp_path, [*unshare, str(tmp_path), *program])


def _fill(folder: Path, command: list[str]) -> None:
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    *sentences, left, small = done.stdout.splitlines()
    assert len(sentences) == 2
    for sentence in sentences:
        assert "could not be written whole" in sentence
        assert "nothing was stored; make room" in sentence
    assert left == "[]"
    assert small == "64"
