"""Two processes find what one does, and tell the same errors."""

import os
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile

from sigbench.bench.folder import Bench
from sigbench.checks import measure, side_by_side
from sigbench.errors import FileError
from sigbench.interface.file import read_long_take
from sigbench.model import CheckSettings, LongTake, Take
from tests.bench.sounding import Sounding
from tests.checks.takes import RATE, sine


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> list[subprocess.Popen]:
    """Long takes are short here; the processes that were started."""
    processes: list[subprocess.Popen] = []

    class Noted(subprocess.Popen):
        def __init__(self, *args: object, **more: object) -> None:
            super().__init__(*args, **more)
            processes.append(self)

    monkeypatch.setattr(side_by_side, "LEAST_SAMPLES", 0)
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    monkeypatch.setattr(subprocess, "Popen", Noted)
    return processes


def recording(path: Path, *, loud: float = 1.0) -> Path:
    sound = np.stack([sine(440, -10, 3.0), sine(660, -16, 3.0)], axis=1)
    sound[RATE : RATE + 2000, 0] *= 1e-3
    sound[2 * RATE + 4000, 1] = 0.6
    sound[-100, 0] *= loud
    soundfile.write(path, sound, RATE, subtype="FLOAT")
    return path


@pytest.mark.parametrize("check", ["jack", "dropouts"])
def test_two_processes_give_the_numbers_of_one(check, started, monkeypatch, tmp_path):
    take = read_long_take(recording(tmp_path / "take.wav"))
    found = measure(take, check)
    assert [process.returncode for process in started] == [0]
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    assert measure(take, check) == found
    assert len(started) == 1
    assert {"dropout"} <= {event.kind for event in found.events}


def test_takes_that_cannot_be_handed_over_are_measured_by_one(started, tmp_path):
    take = read_long_take(recording(tmp_path / "take.wav"))
    closed = LongTake(take.source, lambda: take.blocks(), bits=take.bits)
    assert measure(closed, "jack") == measure(take, "jack")
    assert len(started) == 1


def test_one_process_reads_a_take_once(tmp_path):
    take, read = read_long_take(recording(tmp_path / "take.wav")), []

    def blocks():
        read.append(True)
        return take.blocks()

    measure(LongTake(take.source, blocks, bits=take.bits), "jack")
    assert len(read) == 1


def test_what_was_recorded_on_the_bench_can_be_handed_over(started, tmp_path):
    interface = Sounding()
    with Bench.create(tmp_path / "bench") as bench:
        recording = bench.begin_recording(interface, seconds=1.0, channels=2)
        for block in interface.stream(seconds=1.0):
            recording.add(block)
        take = recording.take()
        found = [measure(take, "dropouts")]
        record = recording.finish()
        found += [measure(take, "dropouts"), measure(bench.long_take(record), "dropouts")]
    assert [process.returncode for process in started] == [0, 0, 0]
    assert found[0].readings == found[1].readings == found[2].readings


def test_an_error_is_told_as_by_one_process(started, tmp_path):
    take = read_long_take(recording(tmp_path / "take.wav", loud=1e9))
    with pytest.raises(FileError, match="beyond full scale"):
        measure(take, "jack")
    assert [process.poll() is not None for process in started] == [True]


class Nothing(side_by_side.Half[None]):
    def __init__(self, take: Take | LongTake, settings: CheckSettings) -> None:
        super().__init__()

    def result(self) -> None:
        return None


def cannot(take: Take | LongTake, settings: CheckSettings) -> side_by_side.Half[None]:
    raise FileError("The other half found the disk full: empty it.")


def test_an_error_of_the_other_half_is_told_here(started, tmp_path):
    take = read_long_take(recording(tmp_path / "take.wav"))
    with pytest.raises(FileError, match="the disk full"):
        side_by_side.side_by_side(Nothing, cannot, take, CheckSettings())
    assert len(started) == 1


def test_who_interrupts_one_ends_both(started, tmp_path):
    def interrupted(take: Take | LongTake, settings: CheckSettings) -> side_by_side.Half[None]:
        raise KeyboardInterrupt

    take = read_long_take(recording(tmp_path / "take.wav"))
    with pytest.raises(KeyboardInterrupt):
        side_by_side.side_by_side(interrupted, cannot, take, CheckSettings())
    assert started[0].poll() is not None
