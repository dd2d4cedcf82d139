"""A soak whose program is killed: the recording is found, kept and measured."""

import json
import os
import signal
import subprocess
import sys

import numpy as np
import pytest
import soundfile

from sigbench.bench.folder import Bench
from sigbench.checks import measure
from sigbench.cli import main as sigbench
from sigbench.interface.base import Block
from sigbench.interface.file import read_take
from tests.bench.sounding import Sounding

RATE = 8000
SECONDS = 90

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs SIGKILL (POSIX)")


class Warming(Sounding):
    """A note whose pitch settles, as fast as it is read; then it says so, and waits."""

    def stream(self, *, seconds, stimulus=None):
        for start in range(0, SECONDS * RATE, RATE):
            t = (start + np.arange(RATE)) / RATE
            cycles = 440 * (t + 0.01 * (t + 20 * np.exp(-t / 20)))
            yield Block(0.2 * np.sin(2 * np.pi * cycles)[:, np.newaxis], start)
        print("all is written", flush=True)
        sys.stdin.read()


def record(folder):
    """What the killed program does: a take that is too long for memory."""
    from sigbench import checks
    from sigbench.rig import choose

    checks.IN_MEMORY_SAMPLES = 1000
    choose.open_interface = lambda **_: Warming(None, samplerate=RATE, channels=1)
    command = ["record", "--check", "soak", "--seconds", "3600", "--channels", "1"]
    return sigbench([*command, "--folder", folder])


def test_a_killed_soak_is_measured_all_the_same(tmp_path, capsys):
    folder = tmp_path / "bench"
    Bench.create(folder).close()
    command = [sys.executable, "-m", "tests.checks.test_soak_killed", str(folder)]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as program:
        assert program.stdout is not None
        assert any("all is written" in line for line in program.stdout)
        program.send_signal(signal.SIGKILL)
    assert program.returncode == -signal.SIGKILL
    assert sigbench(["bench", "recover", "--keep", "--folder", str(folder)]) == 0
    assert "--check soak" in capsys.readouterr().out
    (kept,) = (path for path in (folder / "kept").iterdir() if path.suffix != ".jsonl")
    assert soundfile.info(kept).frames == SECONDS * RATE
    assert sigbench(["measure", str(kept), "--check", "soak", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    direct = measure(read_take(kept), "soak")
    told = {r["name"]: r["value"] for r in found["readings"]}
    assert len(told["pitch_course"]) == SECONDS // 2
    pitch = next(r.value for r in direct.readings if r.name == "pitch_course")
    assert told["pitch_course"] == [list(point) for point in pitch]
    # The pitch rises by 1 %, 17 cents, as it settles.
    assert told["pitch_course"][0][1] - told["pitch_course"][-1][1] < -10


if __name__ == "__main__":
    sys.exit(record(sys.argv[1]))
