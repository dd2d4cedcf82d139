"""Files that grow: what libsndfile and another decoder find in them, whole or cut off."""

import itertools
import os
import shutil
import subprocess
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from sigbench.bench import wave
from sigbench.bench.wave import GrowingFile, Syncing, mend, written
from tests.bench.sounding import samples_at

RATE = 96_000


def grown(path: Path, samples: np.ndarray, encoding="PCM_24", container="W64") -> GrowingFile:
    file = GrowingFile(
        path,
        samplerate=RATE,
        channels=samples.shape[1],
        encoding=encoding,
        container=container,
    )
    for part in np.array_split(samples, 3):
        file.write(part)
    return file


@pytest.mark.parametrize(
    ("channels", "encoding", "frames"),
    list(itertools.product((1, 2, 9), ("PCM_24", "FLOAT", "DOUBLE"), (3, 1001))),
)
def test_a_w64_file_is_bit_for_bit_that_of_libsndfile(tmp_path, channels, encoding, frames):
    samples = samples_at(0, frames, channels, 24)
    samples[0], samples[1] = -1.0, 1.0 - 2.0**-23
    grown(tmp_path / "ours.w64", samples, encoding).close()
    soundfile.write(tmp_path / "theirs.w64", samples, RATE, subtype=encoding, format="W64")
    assert (tmp_path / "ours.w64").read_bytes() == (tmp_path / "theirs.w64").read_bytes()


@pytest.mark.parametrize("container", ["W64", "WAV"])
def test_another_decoder_finds_the_same_samples(tmp_path, container):
    if shutil.which("ffmpeg") is None:
        pytest.skip("ffmpeg is missing: apt install ffmpeg")
    samples = samples_at(0, 1001, 3, None).astype(np.float32)
    path = tmp_path / f"take.{container.lower()}"
    grown(path, samples.astype(float), "FLOAT", container).close()
    command = ["ffmpeg", "-v", "error", "-i", str(path), "-f", "f32le", "-"]
    done = subprocess.run(command, capture_output=True, check=True)
    assert done.stderr == b""
    assert np.array_equal(np.frombuffer(done.stdout, "<f4").reshape(-1, 3), samples)


@pytest.mark.parametrize("encoding", ["PCM_24", "FLOAT", "DOUBLE"])
@pytest.mark.parametrize("cut", [0, 1, 5, 100])
def test_a_file_cut_off_anywhere_is_mended_to_its_whole_frames(tmp_path, encoding, cut):
    samples = samples_at(0, 1000, 2, 24)
    path = tmp_path / "take.w64"
    file = grown(path, samples, encoding)  # its header still says that it is empty
    path_size = path.stat().st_size
    os.truncate(path, path_size - cut)
    frames = 1000 - -(-cut // (2 * wave.WIDTHS[encoding]))
    assert written(path) == mend(path)
    assert mend(path).frames == frames
    found, rate = soundfile.read(path, always_2d=True)
    assert rate == RATE
    assert np.array_equal(found, samples[:frames])
    file.close()


def test_without_a_whole_header_there_is_nothing_to_mend(tmp_path):
    path = tmp_path / "take.w64"
    grown(path, samples_at(0, 10, 2, 24)).close()
    for size in (0, 15, 90):
        os.truncate(path, size)
        with pytest.raises(ValueError, match="no whole header"):
            mend(path)


def test_more_than_4_gb_are_found_whole(tmp_path):
    path = tmp_path / "long.w64"
    last = samples_at(0, 1000, 2, 24)
    file = grown(path, last)
    file.close()
    head = path.read_bytes()[: written(path).data_offset]
    silent = 10**9  # frames: 6 GB that take no room, for nothing is written there
    with open(path, "r+b") as hole:
        hole.seek(len(head) + 6 * silent)
        hole.write(path.read_bytes()[len(head) :])
    assert path.stat().st_size > 2**32
    assert mend(path).frames == silent + 1000
    with soundfile.SoundFile(path) as audio:
        assert audio.frames == silent + 1000
        audio.seek(silent)
        assert np.array_equal(audio.read(), last)
        audio.seek(silent // 2)
        assert not audio.read(1000).any()


def test_a_name_that_is_taken_is_left_alone(tmp_path):
    path = tmp_path / "take.w64"
    path.write_bytes(b"mine")
    with pytest.raises(FileExistsError):
        grown(path, samples_at(0, 10, 2, 24))
    assert path.read_bytes() == b"mine"


@pytest.mark.parametrize("container", ["W64", "WAV"])
def test_other_programs_find_what_is_there_while_it_grows(tmp_path, container, monkeypatch):
    monkeypatch.setattr(wave, "SYNC_SECONDS", 0.001)
    path = tmp_path / "take"
    samples = samples_at(0, 1000, 2, None)
    file = grown(path, samples, "FLOAT", container)
    syncing = Syncing(file.sync)
    # libsndfile reads on beyond a header that is not up to date, and notes so in its log.
    while "***" in soundfile.info(path, verbose=True).extra_info:
        time.sleep(0.001)
    found, _ = soundfile.read(path)
    assert np.array_equal(found, samples)
    syncing.stop()
    file.close()


def test_what_the_disk_says_behind_our_back_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr(wave, "SYNC_SECONDS", 0.001)

    def sync() -> None:
        raise OSError(5, "Input/output error")

    syncing = Syncing(sync)
    syncing._thread.join()
    with pytest.raises(OSError, match="Input/output error"):
        syncing.raise_failure()
    syncing.stop()
