"""Killed at any moment, the folder opens and every finished run is whole."""

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import numpy as np
import pytest

from sigbench.bench.folder import Bench
from tests.bench.records import run_of
from tests.bench.storing import samples_of

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs fork and SIGKILL (POSIX)")

KILLS = 100
FOLDERS = 20  # each takes its share of the kills, so that checking stays quick


@pytest.fixture
def storing() -> Iterator[subprocess.Popen[str]]:
    command = [sys.executable, "-m", "tests.bench.storing"]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as program:
        yield program
        assert program.stdin is not None
        program.stdin.close()
        assert program.wait() == 0


def _start(program: subprocess.Popen[str], *words: object) -> tuple[int, IO[str]]:
    assert program.stdin is not None
    assert program.stdout is not None
    program.stdin.write("\t".join(map(str, words)) + "\n")
    program.stdin.flush()
    # The child may be quicker to speak than its parent: only the first line names it.
    said = program.stdout.readline().split()
    while said[0] != "child":
        raise AssertionError(f"the child spoke first: {said}")
    return int(said[1]), program.stdout


def _until_the_end(output: IO[str]) -> tuple[list[str], str]:
    """Ids of the runs said to be done, and how the child ended."""
    done = []
    for line in output:
        word, rest = line.split()
        if word == "end":
            return done, rest
        done.append(rest)
    raise AssertionError("the storing program is gone")


def _all_is_whole(folder: Path, done: list[str]) -> None:
    with Bench.open(folder) as bench:
        assert bench.problems == ()
        assert bench.check() == []
        folders = list(folder.glob("units/*/runs/[!.]*"))
        files = [place for place in folders if (place / "run.json").is_file()]
        assert files == folders
        assert len(files) == sum(len(bench.runs(unit_id)) for unit_id in bench.units())
        for run_id in done:
            run = bench.run(run_id)
            assert run == run_of(run_id, run.takes)
            (record,) = run.takes
            assert np.array_equal(bench.read_take(record).samples, samples_of(run_id).samples)


def test_a_hundred_kills_at_random_moments_lose_no_finished_run(tmp_path: Path, storing):
    chance = random.Random(20260301)
    done: dict[Path, list[str]] = {}
    for kill in range(KILLS):
        folder = tmp_path / f"bench {kill % FOLDERS}"
        if folder not in done:
            Bench.create(folder).close()
            done[folder] = []
        child, output = _start(storing, folder, kill)
        # A moment in the opening, or in the first few runs, or between: whatever the machine's
        # speed, for it is counted from what the child has said.
        for _ in range(chance.randrange(4)):
            done[folder].append(output.readline().split()[1])
        time.sleep(chance.uniform(0.0, 0.06))
        os.kill(child, signal.SIGKILL)
        finished, how = _until_the_end(output)
        assert how == "killed"
        done[folder] += finished
        _all_is_whole(folder, done[folder])
    assert sum(map(len, done.values())) >= KILLS  # the moments reached into the storing


def test_death_at_each_call_into_the_system_loses_no_finished_run(tmp_path: Path, storing):
    how, call = "", 0
    ends = []
    while how != "0":
        call += 1
        folder = tmp_path / f"bench {call}"
        _, output = _start(storing, folder, 0, call)
        done, how = _until_the_end(output)
        if not (folder / "bench.json").exists():
            assert done == []
            Bench.create(folder).close()  # what is left of a folder half made is in nobody's way
        _all_is_whole(folder, done)
        ends.append(how)
    assert ends.count("killed") == call - 1
    assert call > 40  # making the folder, a unit and a run takes more calls than that
