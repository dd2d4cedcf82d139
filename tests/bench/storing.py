"""A program that stores runs until it is killed.

``python -m tests.bench.storing`` reads lines. For a folder and a number, parted by a tab, it
forks a child (so that the imports are made once) which stores runs in the folder, after making it
where needed, and says ``done`` with the id of each that is stored. Where a second number K follows,
the child dies at the K-th call of the system that its writing modules make. When it is gone the
parent says ``end``, and how.
"""

import os
import signal
import sys
import tempfile
from pathlib import Path
from types import FrameType

from sigbench.bench import atomic, audio, recording, wave
from sigbench.bench.folder import Bench
from tests.bench.records import UNIT, integer_take, run_of

WRITING = {module.__file__ for module in (atomic, audio, recording, wave)}


def samples_of(run_id: str):
    """The take that belongs to a run: known to both sides without being told."""
    return integer_take(24, frames=400, start=int(run_id, 16))


def say(line: str) -> None:
    os.write(1, f"{line}\n".encode())  # one call: whole, or not at all


def store(folder: Path, number: int, *, runs: int, tell: bool = True) -> None:
    made = (folder / "bench.json").exists()
    with Bench.open(folder) if made else Bench.create(folder) as bench:
        unit_id = bench.add_unit(UNIT)
        for count in range(runs):
            run_id = f"{number:04x}{count:04x}"
            record = bench.store_take(samples_of(run_id))
            bench.add_run(unit_id, run_of(run_id, (record,)))
            if tell:
                say(f"done {run_id}")


def die_at(call: int) -> None:
    """Die, as if by SIGKILL from outside, just before the given call of the system.

    Counted are the calls that the writing modules make into C: open, write, fsync, rename...
    """
    calls = 0

    def count(frame: FrameType, event: str, _function: object) -> None:
        nonlocal calls
        if event == "c_call" and frame.f_code.co_filename in WRITING:
            calls += 1
            if calls == call:
                os.kill(os.getpid(), signal.SIGKILL)

    sys.setprofile(count)


def main() -> None:
    with tempfile.TemporaryDirectory() as place:  # import all that is imported late
        store(Path(place), 0, runs=1, tell=False)
    for line in sys.stdin:
        folder, number, *call = line.rstrip("\n").split("\t")
        child = os.fork()
        if child == 0:
            if call:
                die_at(int(call[0]))
            store(Path(folder), int(number), runs=1 if call else 10_000)
            os._exit(0)
        say(f"child {child}")
        _, status = os.waitpid(child, 0)
        say(f"end {'killed' if os.WIFSIGNALED(status) else os.waitstatus_to_exitcode(status)}")


if __name__ == "__main__":
    main()
