"""What long takes cost: memory over twelve hours, the share of the processor while recording,
how long a write can wait for the disk, and how fast a long take is stored and measured.

Run ``python -m benchmarks.long_take [folder on the disk to try]``. It needs 13 GB of room there
for a while, and about ten minutes. Figures of different machines do not compare; the ratios to a
plain program, in the same run, do.
"""

import io
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Generator, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import soundfile
from rich.console import Console
from rich.live import Live
from rich.text import Text

from sigbench import checks
from sigbench.bench.folder import Bench
from sigbench.cli.levels import UPDATES_A_SECOND, level_line
from sigbench.interface.base import Block, frames_in
from sigbench.measure.meter import LevelMeter

HOURS = 12
PACED_SECONDS = 20.0
BLOCK_SECONDS = 0.02  # of a real stream


class Source:
    """An interface that gives one second of a noisy tone again and again, at a pace or without."""

    name = "simulated"
    device = "benchmark"
    dc_coupled = False

    def __init__(self, samplerate: int, channels: int, bits: int | None, *, paced: bool) -> None:
        self.samplerate, self.channels, self.bits, self.paced = samplerate, channels, bits, paced
        t = np.arange(samplerate)[:, np.newaxis] / samplerate
        noise = np.random.default_rng(1).normal(0, 1e-4, (samplerate, channels))
        second = 0.3 * np.sin(2 * np.pi * 440 * t + np.arange(channels)) + noise
        grid = 2.0 ** ((bits or 24) - 1)
        second = np.rint(second * grid) / grid
        size = round(BLOCK_SECONDS * samplerate) if paced else samplerate
        self._blocks = [second[at : at + size] for at in range(0, samplerate, size)]

    def stream(
        self, *, seconds: float | None, stimulus: object = None
    ) -> Generator[Block, None, None]:
        assert seconds is not None
        total = frames_in(seconds, self.samplerate)
        begun = time.perf_counter()
        position = number = 0
        while position < total:
            samples = self._blocks[number % len(self._blocks)]
            if self.paced:
                due = begun + (position + len(samples)) / self.samplerate
                time.sleep(max(0.0, due - time.perf_counter()))
            yield Block(samples, position)
            position += len(samples)
            number += 1


def memory_mb() -> float:
    """Memory in use now (Linux), and not the most that ever was."""
    with open("/proc/self/statm", encoding="ascii") as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


@contextmanager
def bench_in(place: Path) -> Iterator[Bench]:
    folder = Path(tempfile.mkdtemp(dir=place))
    try:
        with Bench.create(folder / "bench") as bench:
            yield bench
    finally:
        shutil.rmtree(folder)


def record_hours(place: Path) -> None:
    print(f"\n{HOURS} h of 2 channels, 48 kHz, 24 bits, without a pace: memory by the hour\n")
    source = Source(48_000, 2, 24, paced=False)
    with bench_in(place) as bench:
        recording = bench.begin_recording(source, seconds=None, channels=2)
        begun = time.perf_counter()
        found = []
        for block in source.stream(seconds=HOURS * 3600.0):
            recording.add(block)
            if block.first_frame % (3600 * 48_000) == 0:
                found.append(memory_mb())
        found.append(memory_mb())
        recording.close()
        size = sum(path.stat().st_size for path in recording.folder.glob("*.w64"))
        took = time.perf_counter() - begun
        print("  MB: " + ", ".join(f"{one:.0f}" for one in found))
        print(f"  {size / 1e9:.1f} GB in {took:.0f} s: {HOURS * 3600 / took:.0f} times real time")
        recording.discard()


def store_and_measure(place: Path, hours: float, samplerate: int, channels: int) -> None:
    print(f"\n{hours:g} h of {channels} channel(s) at {samplerate} Hz, 24 bits\n")
    source = Source(samplerate, channels, 24, paced=False)
    with bench_in(place) as bench:
        recording = bench.begin_recording(source, seconds=None, channels=channels)
        for block in source.stream(seconds=hours * 3600.0):
            recording.add(block)
        take = recording.take()
        recorded, begun = memory_mb(), time.perf_counter()
        checks.measure(take, "dropouts")
        measured, at = memory_mb(), time.perf_counter()
        recording.finish()
        stored, end = memory_mb(), time.perf_counter()
        print(f"  MB: recorded {recorded:.0f}, measured {measured:.0f}, stored {stored:.0f}")
        for what, took in (("measured", at - begun), ("stored", end - at)):
            print(f"  {what} at {hours * 3600 / took:.0f} times real time")


def share(source: Source, each: Callable[[Block], None]) -> tuple[float, float]:
    """Share of one processor that the whole program takes, and the longest wait for `each`."""
    busy, begun, longest = time.process_time(), time.perf_counter(), 0.0
    for block in source.stream(seconds=PACED_SECONDS):
        before = time.perf_counter()
        each(block)
        longest = max(longest, time.perf_counter() - before)
    return (time.process_time() - busy) / (time.perf_counter() - begun), longest


@contextmanager
def display(channels: int) -> Iterator[Callable[[Block], None]]:
    """The levels of all channels on a terminal that nobody sees."""
    console = Console(file=io.StringIO(), force_terminal=True, width=80)
    meter = LevelMeter(96_000, channels)
    shown = 0.0
    with Live(console=console, auto_refresh=False) as live:

        def show(block: Block) -> None:
            nonlocal shown
            meter.feed(block.samples)
            if time.monotonic() - shown >= 1 / UPDATES_A_SECOND:
                shown = time.monotonic()
                lines = (level_line(number, one) for number, one in enumerate(meter.now(), 1))
                live.update(Text("\n".join(lines)), refresh=True)

        yield show


def processor(place: Path) -> None:
    print(f"\nShare of one processor while recording at 96 kHz, {PACED_SECONDS:g} s each\n")
    print(
        "| channels | form | nothing | plain write | sigbench | and levels | ratio | longest wait |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for channels in (2, 8):
        for bits in (None, 24):
            print(_processor_row(place, channels, bits))


def _processor_row(place: Path, channels: int, bits: int | None) -> str:
    source = Source(96_000, channels, bits, paced=True)
    nothing, _ = share(source, lambda _: None)
    subtype = "FLOAT" if bits is None else "PCM_24"
    plain_path = place / "plain.w64"
    with soundfile.SoundFile(
        plain_path, "w", samplerate=96_000, channels=channels, subtype=subtype, format="W64"
    ) as plain:
        written, _ = share(source, lambda block: plain.write(block.samples))
    plain_path.unlink()
    with bench_in(place) as bench:
        recording = bench.begin_recording(source, seconds=PACED_SECONDS, channels=channels)
        recorded, longest = share(source, recording.add)
        recording.discard()
        recording = bench.begin_recording(source, seconds=PACED_SECONDS, channels=channels)
        with display(channels) as show:

            def both(block: Block) -> None:
                recording.add(block)
                show(block)

            shown, _ = share(source, both)
        recording.discard()
    cells = [f"{100 * one:.1f} %" for one in (nothing, written, recorded, shown)]
    cells += [f"{recorded / written:.2f}", f"{1000 * longest:.0f} ms"]
    return f"| {channels} | {subtype} | {' | '.join(cells)} |"


def main() -> None:
    place = Path(sys.argv[1] if len(sys.argv) > 1 else tempfile.gettempdir())
    processor(place)
    store_and_measure(place, 0.25, 48_000, 2)
    store_and_measure(place, HOURS, 8000, 1)
    record_hours(place)


if __name__ == "__main__":
    main()
