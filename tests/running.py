"""A program that runs a unit's plan until it is killed.

``python -m tests.running`` reads lines. For a folder and a stage, parted by a tab, it forks a
child (so that the imports are made once) which runs the plan on the simulated unit as the command
line does, prints the child's number, and when it is gone how it ended.
"""

import os
import sys
import tempfile
from pathlib import Path

from sigbench.cli import main as sigbench
from tests.short_plan import UNIT_ID, make_bench


def run(folder: str, stage: str) -> int:
    options = ("--stage", stage, "--simulated", "as-received", "--yes", "--folder", folder)
    return sigbench(["run", UNIT_ID, *options])


def main() -> None:
    said = os.dup(1)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    os.dup2(1, 2)
    with tempfile.TemporaryDirectory() as place:  # import all that is imported late
        run(str(make_bench(Path(place) / "bench")), "warm")
    for line in sys.stdin:
        folder, stage = line.rstrip("\n").split("\t")
        child = os.fork()
        if child == 0:
            os._exit(run(folder, stage))
        os.write(said, f"{child}\n".encode())
        _, status = os.waitpid(child, 0)
        end = "killed" if os.WIFSIGNALED(status) else os.waitstatus_to_exitcode(status)
        os.write(said, f"{end}\n".encode())


if __name__ == "__main__":
    main()
