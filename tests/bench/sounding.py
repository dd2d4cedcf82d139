"""An interface whose samples follow from their position, and a program that records from it.

``python -m tests.bench.sounding FOLDER`` reads lines. For each, the name of a form of `FORMS`, it
forks a child (so that the imports are made once) which records without end into the bench folder,
finishing a take now and then, and says how many frames it was given. Where a number K follows,
parted by a tab, it records one short take only, and dies at the K-th call of the system that the
writing modules make. When it is gone the parent says ``end``, and how.
"""

import os
import sys
import time
from collections.abc import Generator
from pathlib import Path

import numpy as np

from sigbench.bench.folder import Bench
from sigbench.bench.recording import About, Purpose, Recording
from sigbench.errors import CaptureFailed
from sigbench.interface.base import Block, frames_in
from sigbench.model import LostBuffers, Samples
from tests.bench.storing import die_at

FORMS = {"16 bits": 16, "24 bits": 24, "floating point": None}
BLOCK_SECONDS = 0.05
PURPOSE = Purpose("own-duo-0007", "as received", 3, "dropouts", "main")


def samples_at(position: int, frames: int, channels: int, bits: int | None) -> Samples:
    """Samples that no other position has for a long while, on a grid that their form holds."""
    index = np.arange(position, position + frames)[:, np.newaxis] * channels + np.arange(channels)
    grid = 2 ** min((bits or 22) - 1, 23)
    whole = (index * 40_503) % (2 * grid) - grid
    return whole / grid * (1.0 if bits else 1.5)  # floating point may go beyond full scale


class Sounding:
    """An interface for tests: as fast as it is read, or at a pace; it may fail, or lose audio."""

    name = "simulated"
    device = "test interface"
    dc_coupled = False

    def __init__(
        self,
        bits: int | None = 24,
        *,
        samplerate: int = 48_000,
        channels: int = 2,
        fails_at: float | None = None,
        lost: tuple[LostBuffers, ...] = (),
        pause: float = 0.0,
    ) -> None:
        self.bits, self.samplerate, self.channels = bits, samplerate, channels
        self.fails_at, self.lost, self.pause = fails_at, lost, pause

    def stream(
        self, *, seconds: float | None, stimulus: Samples | None = None
    ) -> Generator[Block, None, None]:
        total = None if seconds is None else frames_in(seconds, self.samplerate)
        size = round(BLOCK_SECONDS * self.samplerate)
        position = 0
        while total is None or position < total:
            if self.fails_at is not None and position >= self.fails_at * self.samplerate:
                raise CaptureFailed("The cable is out: plug it in and record again.")
            frames = size if total is None else min(size, total - position)
            end = position + frames
            lost = tuple(mark for mark in self.lost if position <= mark.frame < end)
            yield Block(samples_at(position, frames, self.channels, self.bits), position, lost)
            position = end
            if self.pause:
                time.sleep(self.pause)


def record(folder: Path, form: str, *, takes: int | None = None, seconds: float = 3.0) -> None:
    interface = Sounding(FORMS[form], pause=0.001)
    while takes != 0:
        takes = None if takes is None else takes - 1
        recording = Recording(folder, About.of(interface, 2, PURPOSE), seconds=60.0)
        os.write(1, b"begun\n")
        delivered = 0
        for block in interface.stream(seconds=seconds):
            delivered += len(block.samples)
            os.write(1, f"{delivered}\n".encode())
            recording.add(block)
        recording.finish()
        os.write(1, b"stored\n")


def main() -> None:
    folder = Path(sys.argv[1])
    warm = Bench.create(folder / "warm")  # import all that is imported late
    with warm, warm.begin_recording(Sounding(), seconds=1.0, channels=2) as recording:
        for block in Sounding().stream(seconds=0.1):
            recording.add(block)
        recording.finish()
    told, telling = os.pipe()
    for line in sys.stdin:
        child = os.fork()
        if child == 0:
            os.read(told, 1)  # the parent speaks first
            form, *call = line.rstrip("\n").split("\t")
            if call:
                die_at(int(call[0]))
                record(folder / "bench", form, takes=1, seconds=0.15)
                os._exit(0)
            record(folder / "bench", form)
        os.write(1, f"child {child}\n".encode())
        os.write(telling, b"x")
        _, status = os.waitpid(child, 0)
        end = "killed" if os.WIFSIGNALED(status) else os.waitstatus_to_exitcode(status)
        os.write(1, f"end {end}\n".encode())


if __name__ == "__main__":
    main()
