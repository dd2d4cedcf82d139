"""Takes on their way to the disk: killed, starved, unplugged, and found again."""

import errno
import os
import random
import shutil
import signal
import subprocess
import sys
import time
import tracemalloc
from collections import namedtuple
from pathlib import Path

import numpy as np
import pytest
import soundfile

from sigbench.bench import audio, recording, wave
from sigbench.bench.folder import Bench
from sigbench.bench.recording import (
    MARGIN_BYTES,
    About,
    Logged,
    Purpose,
    Recording,
    SavedFile,
    Unfinished,
    beside,
    length_in_words,
    require_room,
    unfinished,
    with_log,
)
from sigbench.errors import BenchError, FileError, SignalError
from sigbench.interface.base import Block, capture
from sigbench.interface.file import read_take
from sigbench.model import PAUSED, Event, LostBuffers
from tests.bench.sounding import BLOCK_SECONDS, FORMS, PURPOSE, Sounding, samples_at

KILLS = 50
BLOCKS = 60  # of each take in that test
MARKS = (LostBuffers(3000, 64), LostBuffers(9000))

Usage = namedtuple("Usage", "total used free")


@pytest.fixture
def folder(tmp_path) -> Path:
    Bench.create(tmp_path / "bench").close()
    return tmp_path / "bench"


@pytest.fixture
def disk(monkeypatch):
    """A disk with so many bytes free; each look at it can find fewer."""

    def with_free(*free: float) -> None:
        left = list(free)
        monkeypatch.setattr(
            shutil,
            "disk_usage",
            lambda _: Usage(0, 0, left.pop(0) if len(left) > 1 else left[0]),
        )

    return with_free


def recorded(folder: Path, interface: Sounding, seconds: float) -> Recording:
    about = About.of(interface, interface.channels, PURPOSE)
    made = Recording(folder, about, seconds=seconds)
    write(made, interface, seconds)
    return made


def write(made: Recording | SavedFile, interface: Sounding, seconds: float) -> None:
    for block in interface.stream(seconds=seconds):
        made.add(block)


def files_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.rglob("*") if path.is_file())


@pytest.mark.parametrize("bits", [12, 16, 24, 32, None])
def test_a_finished_recording_is_what_store_makes_of_the_same_take(tmp_path, folder, bits):
    interface = Sounding(bits, lost=MARKS)
    stored = recorded(folder, interface, 1.0).finish()
    assert stored == audio.store(tmp_path / "other", capture(interface, seconds=1.0))
    assert stored.lost == MARKS
    whole = (tmp_path / "other" / stored.path).read_bytes()
    assert (folder / stored.path).read_bytes() == whole
    assert files_in(folder / recording.RECORDINGS) == []


def test_floating_point_of_32_bits_is_moved_and_needs_no_room_twice(folder, monkeypatch):
    made = recorded(folder, Sounding(None), 1.0)
    monkeypatch.setattr(audio, "_encode", None)  # nothing is written again
    stored = made.finish()
    assert soundfile.info(folder / stored.path).subtype == "FLOAT"


def test_what_an_encoding_cannot_hold_goes_on_in_another(folder):
    about = About.of(Sounding(24, channels=1), 1, PURPOSE)
    parts = [samples_at(0, 1000, 1, 24), np.full((500, 1), 1.5), np.full((500, 1), 1 / 3)]
    parts.append(parts[0])
    made = Recording(folder, about)
    for part in parts:
        made.add(Block(part, made.frames))
    assert made.frames == 3000
    names = sorted(path.name for path in made.folder.glob("*.w64"))
    assert [soundfile.info(made.folder / n).subtype for n in names] == ["PCM_24", "FLOAT", "DOUBLE"]
    assert np.array_equal(np.concatenate(list(made.take().blocks())), np.concatenate(parts))
    made.leave()
    with Bench.open(folder) as bench:
        kept = bench.keep_recording(bench.unfinished[0])
    assert np.array_equal(soundfile.read(kept, always_2d=True)[0], np.concatenate(parts))


def test_numbers_that_are_none_are_refused_and_stay(folder):
    made = Recording(folder, About.of(Sounding(None), 2))
    made.add(Block(np.array([[0.1, np.nan]]), 0))
    with pytest.raises(SignalError, match="no numbers"):
        made.finish()
    made.leave()
    assert [one.frames for one in unfinished(folder)] == [1]


def test_a_recording_under_way_is_offered_to_nobody(folder):
    made = recorded(folder, Sounding(), 1.0)
    assert unfinished(folder) == ()
    made.close()  # recorded, and not yet finished
    assert unfinished(folder) == ()
    made.leave("The cable is out.")
    (found,) = unfinished(folder)
    assert (found.frames, found.ended) == (48_000, "The cable is out.")
    assert (found.about.purpose, found.about.device) == (PURPOSE, "test interface")


def test_without_locks_a_young_file_has_a_writer(folder, monkeypatch):
    monkeypatch.setattr("sigbench.bench.atomic._lock", lambda _: False)
    made = recorded(folder, Sounding(), 1.0)
    made.leave()
    assert unfinished(folder) == ()
    for path in made.folder.iterdir():
        os.utime(path, (time.time() - 60,) * 2)
    assert len(unfinished(folder)) == 1


def test_the_marks_and_the_samples_are_kept(folder):
    recorded(folder, Sounding(lost=MARKS), 0.5).leave()
    with Bench.open(folder) as bench:
        (found,) = bench.unfinished
        assert found.log.lost == MARKS
        kept = bench.keep_recording(found)
        assert kept.parent == folder / "kept"
        assert "own-duo-0007-as-received" in kept.name
        assert np.array_equal(soundfile.read(kept)[0], samples_at(0, 24_000, 2, 24))
        assert with_log(read_take(kept), kept).lost == MARKS
        assert bench.check() == []
        kept.write_bytes(kept.read_bytes()[:-1])
        (problem,) = bench.check()
        assert problem.path == f"kept/{kept.name}"
    assert unfinished(folder) == ()
    assert files_in(folder / recording.RECORDINGS) == []


@pytest.mark.parametrize("bits", [24, None])
def test_without_room_for_its_marks_a_recording_stays_as_it_was(folder, monkeypatch, bits):
    recorded(folder, Sounding(bits, lost=MARKS), 0.5).leave()
    before = unfinished(folder)
    with monkeypatch.context() as full:

        def write_file(path: Path, _: bytes) -> None:
            raise BenchError(f"{path} cannot be written (No space left on device).")

        full.setattr(recording, "write_file", write_file)
        with pytest.raises(BenchError, match="No space left"):
            recording.keep(folder, before[0])
    assert unfinished(folder) == before
    assert files_in(folder / "kept") == []
    kept = recording.keep(folder, before[0])
    assert np.array_equal(soundfile.read(kept)[0], samples_at(0, 24_000, 2, bits))


def test_two_of_the_same_second_are_kept_side_by_side(folder):
    about = About.of(Sounding(), 2, PURPOSE)
    for level in (0.25, 0.5):
        made = Recording(folder, about)
        made.add(Block(np.full((10, 2), level), 0))
        made.leave()
    with Bench.open(folder) as bench:
        kept = [bench.keep_recording(found) for found in bench.unfinished]
    assert {soundfile.read(path)[0][0, 0] for path in kept} == {0.25, 0.5}


def test_dropping_leaves_nothing(folder):
    recorded(folder, Sounding(), 0.5).leave()
    with Bench.open(folder) as bench:
        bench.drop_recording(bench.unfinished[0])
        with pytest.raises(BenchError, match="is not in"):
            bench.keep_recording(bench.unfinished[0])
    assert files_in(folder / recording.RECORDINGS) == []


def test_what_never_began_is_offered_to_nobody_and_swept_a_day_later(folder, monkeypatch):
    Recording(folder, About.of(Sounding(), 2)).leave()
    assert files_in(folder / recording.RECORDINGS) == []
    place = folder / recording.RECORDINGS / "20260301T093000-000000"
    place.mkdir()
    (place / "log.jsonl").write_bytes(b'{"recording": 1, "about')
    assert unfinished(folder) == ()
    assert place.is_dir()
    monkeypatch.setattr(recording, "age", lambda _: 25 * 3600.0)
    assert unfinished(folder) == ()
    assert unfinished(folder) == ()
    assert files_in(folder / recording.RECORDINGS) == []


def test_a_log_cut_off_anywhere_is_read_as_far_as_it_goes(folder):
    made = recorded(folder, Sounding(lost=MARKS), 0.5)
    made.leave("why")
    log = made.folder / "log.jsonl"
    whole = log.read_bytes()
    first = whole.index(b"\n") + 1
    for size in range(first, len(whole)):
        log.write_bytes(whole[:size])
        (found,) = unfinished(folder)
        assert found.log.lost == MARKS[: len(found.log.lost)]
        assert found.frames == 24_000


# Kill


@pytest.mark.skipif(os.name != "posix", reason="needs fork and SIGKILL (POSIX)")
def test_fifty_kills_at_random_moments_lose_a_second_at_most(tmp_path):
    chance = random.Random(20260711)
    command = [sys.executable, "-m", "tests.bench.sounding", str(tmp_path)]
    lost_seconds = []
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as parent:
        assert parent.stdin is not None
        assert parent.stdout is not None
        folder = tmp_path / "bench"
        Bench.create(folder).close()
        for kill in range(KILLS):
            form = list(FORMS)[kill % len(FORMS)]
            parent.stdin.write(f"{form}\n")
            parent.stdin.flush()
            child = int(parent.stdout.readline().split()[1])
            assert parent.stdout.readline() == "begun\n"
            # A moment in a take, in storing it, or in the next one, whatever the machine's speed,
            # for it is counted from what the child has said.
            said = [parent.stdout.readline() for _ in range(chance.randrange(BLOCKS + 20))]
            time.sleep(chance.uniform(0.0, 0.03))
            os.kill(child, signal.SIGKILL)
            said += iter(parent.stdout.readline, "end killed\n")
            lost_seconds.append(_what_is_lost(folder, FORMS[form], said))
        parent.stdin.close()
    with Bench.open(folder) as bench:
        assert bench.unfinished == ()
        assert bench.check() == []  # what was stored and what was kept is sound
    print(f"lost at worst: {max(lost_seconds):.3f} s")
    assert len(lost_seconds) == KILLS
    assert max(lost_seconds) <= 1.0


@pytest.mark.skipif(os.name != "posix", reason="needs fork and SIGKILL (POSIX)")
@pytest.mark.parametrize("form", ["24 bits", "floating point"])
def test_death_at_each_call_into_the_system_loses_a_block_at_most(tmp_path, form):
    command = [sys.executable, "-m", "tests.bench.sounding", str(tmp_path)]
    folder = tmp_path / "bench"
    Bench.create(folder).close()
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as parent:
        assert parent.stdin is not None
        assert parent.stdout is not None
        end, call = "", 0
        while end != "end 0\n":
            call += 1
            parent.stdin.write(f"{form}\t{call}\n")
            parent.stdin.flush()
            said = [parent.stdout.readline()]
            while not said[-1].startswith("end"):
                said.append(parent.stdout.readline())
            *said, end = said
            assert end in ("end killed\n", "end 0\n")
            assert _what_is_lost(folder, FORMS[form], said) <= BLOCK_SECONDS
        parent.stdin.close()
    assert call > 60  # writing and storing a take make more calls than that
    with Bench.open(folder) as bench:
        assert bench.check() == []


def _what_is_lost(folder: Path, bits: int | None, said: list[str]) -> float:
    """Seconds missing from what a killed child had been given; and nothing else may be wrong.

    What is found is kept; what was stored is taken away, for the next child to store again.
    """
    delivered = 0
    for line in said:
        if line in ("begun\n", "stored\n"):
            delivered = 0  # what was stored is seen to below
        elif line[0].isdigit():
            delivered = int(line)
    found = unfinished(folder)
    assert len(found) <= 1
    there = 0
    for one in found:
        samples, _ = soundfile.read(recording.keep(folder, one), always_2d=True)
        assert np.array_equal(samples, samples_at(0, one.frames, 2, bits))
        assert one.about.purpose == PURPOSE
        there = one.frames
    stored = [place for place in audio.stored_files(folder) if not place.name.startswith(".")]
    assert len(stored) >= ("stored\n" in said)
    for place in stored:
        samples, _ = soundfile.read(place, always_2d=True)
        assert np.array_equal(samples, samples_at(0, len(samples), 2, bits))
        place.unlink()
        if delivered == len(samples):
            there = delivered  # killed when it had been stored, and before it could say so
    return (delivered - there) / 48_000


# Full disk


def test_a_take_that_does_not_fit_is_refused_with_figures(folder, disk):
    disk(MARGIN_BYTES + 1e9)
    about = About.of(Sounding(24), 2)
    # 2 channels of 3 bytes at 48 kHz, and once more as FLAC, are 576 kB/s: 28 min 56 s in 1 GB.
    with pytest.raises(BenchError, match=r"1 h 0 min needs 2\.1 GB .* 28 min 56 s would fit"):
        Recording(folder, about, seconds=3600.0)
    assert files_in(folder / recording.RECORDINGS) == []
    Recording(folder, about, seconds=1736.0).discard()
    # Floating point, 384 kB/s, is stored without a copy: 43 min 24 s.
    with pytest.raises(BenchError, match="43 min 24 s would fit"):
        require_room(folder, About.of(Sounding(None), 2), 3600.0, copies=1)
    disk(0.0)
    with pytest.raises(BenchError, match="0 s would fit"):
        require_room(folder, about, 1.0, copies=2)


def test_it_stops_in_good_order_before_the_disk_is_full(folder, disk):
    # After the second second 576 kB are written, which FLAC may need once more.
    disk(1e12, 1e12, MARGIN_BYTES + 575_999)
    made = Recording(folder, About.of(Sounding(), 2, PURPOSE), seconds=10.0)
    with pytest.raises(BenchError, match=r"stopped after 2 s, for the disk is nearly full"):
        write(made, Sounding(), 10.0)
    made.leave()
    (found,) = unfinished(folder)
    assert (found.frames, found.ended) == (96_000, "the disk is nearly full")


def in_a_child(act) -> int:
    """Exit code of a child process that does something to itself."""
    child = os.fork()
    if child == 0:
        try:
            act()
        except BaseException:
            os._exit(1)
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


@pytest.mark.skipif(os.name != "posix", reason="needs fork and file size limits (POSIX)")
@pytest.mark.parametrize("kind", ["bench", "file"])
def test_a_disk_that_takes_no_more_leaves_all_that_it_took(tmp_path, folder, kind):
    import resource

    limit = 1_000_001  # bytes of a file: neither a block nor a frame ends there

    def until_it_is_full() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
        about = About.of(Sounding(None), 2, PURPOSE)
        made: Recording | SavedFile
        if kind == "bench":
            made = Recording(folder, about, seconds=10.0)
        else:
            made = SavedFile(tmp_path / "take.wav", about, seconds=10.0)
        with pytest.raises(BenchError, match=r"stopped after 2\.6 s, for the disk is full"):
            write(made, Sounding(None), 10.0)
        made.leave()

    assert in_a_child(until_it_is_full) == 0
    path = tmp_path / "take.wav"
    if kind == "bench":
        with Bench.open(folder) as bench:
            path = bench.keep_recording(bench.unfinished[0])
    samples, _ = soundfile.read(path)
    assert 0 <= limit - 8 * len(samples) < 200  # the header
    assert np.array_equal(samples, samples_at(0, len(samples), 2, None))


def test_a_disk_that_fails_behind_the_cache_is_noticed(folder, monkeypatch):
    monkeypatch.setattr(wave, "SYNC_SECONDS", 0.001)

    def fsync(_: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    made = recorded(folder, Sounding(), 0.5)
    monkeypatch.setattr(os, "fsync", fsync)
    made._syncing._thread.join()
    with pytest.raises(BenchError, match=r"takes no more \(Input/output error\)"):
        made.add(Block(samples_at(24_000, 10, 2, 24), 24_000))
    monkeypatch.undo()
    made.leave()
    assert [one.frames for one in unfinished(folder)] == [24_000]


# A file of one's own


@pytest.mark.parametrize(("name", "form"), [("a.wav", "WAV"), ("a.W64", "W64"), ("take", "WAV")])
def test_a_saved_file_is_what_came(tmp_path, name, form):
    made = SavedFile(tmp_path / name, About.of(Sounding(24), 2), seconds=1.0)
    write(made, Sounding(24), 1.0)
    assert np.array_equal(np.concatenate(list(made.take().blocks())), samples_at(0, 48_000, 2, 24))
    info = soundfile.info(tmp_path / name)
    assert (info.format, info.subtype, info.frames) == (form, "FLOAT", 48_000)
    assert files_in(tmp_path) == [name]


def test_marks_stand_beside_a_saved_file(tmp_path):
    made = SavedFile(tmp_path / "a.wav", About.of(Sounding(24), 2), seconds=1.0)
    write(made, Sounding(24, lost=MARKS), 1.0)
    made.close()
    assert beside(made.path).name == "a.wav.jsonl"
    found = with_log(read_take(made.path), made.path)
    assert (found.lost, found.source.lost_buffers) == (MARKS, len(MARKS))


TAP = Event("mark", 0.2, 0.2, (), None, "tapped")


def test_what_the_person_did_is_kept_whatever_happens(folder):
    made = recorded(folder, Sounding(24), 0.5)
    begun = Event("mark", 0.1, 0.1, (), place="main L")
    made.mark(begun)
    made.mark(TAP)
    made.mark(Event("mark", 0.3, 0.3, (), None, PAUSED))
    left = log_of(made.folder)
    made.mark(Event("mark", 0.3, 0.4, (), None, PAUSED))
    ended = (begun, TAP, Event("mark", 0.3, 0.4, (), None, PAUSED))
    assert made.take().marks == ended
    with Bench.open(folder) as bench:
        stored = made.finish()
        assert stored.marks == ended
        assert bench.read_take(stored).marks == bench.long_take(stored).marks == ended
    # As it would be found after a kill in the pause: that lasts to the end of what there is.
    again = recorded(folder, Sounding(24), 0.5)
    again.leave()
    (again.folder / "log.jsonl").write_bytes(left)
    (found,) = unfinished(folder)
    kept = recording.keep(folder, found)
    assert with_log(read_take(kept), kept).marks == (
        *ended[:2],
        Event("mark", 0.3, 0.5, (), None, PAUSED),
    )


def log_of(place):
    return (place / "log.jsonl").read_bytes()


def test_a_saved_file_that_cannot_be_is_refused_before_it_is_made(tmp_path, disk):
    about = About.of(Sounding(24), 2)
    (tmp_path / "there.wav").write_bytes(b"mine")
    with pytest.raises(FileError, match="is there already"):
        SavedFile(tmp_path / "there.wav", about, seconds=1.0)
    with pytest.raises(FileError, match="There is no folder"):
        SavedFile(tmp_path / "no" / "a.wav", about, seconds=1.0)
    with pytest.raises(FileError, match=r"ends at 4 GB, and 4 h 0 min are longer: name it \.w64"):
        SavedFile(tmp_path / "a.wav", about, seconds=4 * 3600.0)
    disk(MARGIN_BYTES + 1e6)
    with pytest.raises(BenchError, match="would fit"):
        SavedFile(tmp_path / "a.w64", about, seconds=4 * 3600.0)
    assert files_in(tmp_path) == ["there.wav"]


# Memory and words


def test_memory_does_not_grow_with_the_length(folder):
    def peak(seconds: float) -> int:
        tracemalloc.start()
        interface = Sounding(24, samplerate=8000)
        made = Recording(folder, About.of(interface, 2), seconds=seconds)
        for block in interface.stream(seconds=seconds):
            made.add(block)
        made.finish()
        found = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return found

    peak(30.0)  # what is imported late does not count
    short, long = peak(140.0), peak(400.0)  # 18 and 51 MB as float64; a block has 8
    assert long < short + 4_000_000


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0.0, "0 s"),
        (2.64, "2.64 s"),
        (12.345, "12.3 s"),
        (59.99, "1 min 0 s"),
        (200.4, "3 min 20 s"),
        (3599.9, "1 h 0 min"),
        (43_200.0, "12 h 0 min"),
    ],
)
def test_lengths_in_words(seconds, words):
    assert length_in_words(seconds) == words


def test_an_unfinished_recording_in_words():
    about = About(48_000, 2, 24, False, "line in", "interface", "2026-03-01T09:30:00+01:00")
    assert str(Unfinished("x", 9_600_000, Logged(about))) == (
        "3 min 20 s, begun 2026-03-01 09:30, from line in"
    )
    assert str(Purpose("duo", "as received", 3, "idle", "main")) == (
        "duo, 'as received', step 3 (idle)"
    )
    assert str(Purpose(check="dropouts")) == "dropouts"


def test_where_nothing_can_be_written_nothing_is_left(folder, monkeypatch):
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(recording, "sync_folder", full)
    with pytest.raises(BenchError, match="make room on the disk"):
        Recording(folder, About.of(Sounding(), 2))
    assert files_in(folder / recording.RECORDINGS) == []
