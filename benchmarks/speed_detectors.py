"""How long the streaming detectors take for an hour of stereo at 48 kHz, and in how much memory.

Prints markdown tables; run ``python -m benchmarks.speed_detectors [minutes]`` (60 by default). The
same file is read by sox and ffmpeg, if they are installed, for their statistics. Each runs in a
process of its own, one after another, on one core; a process's start and imports are included.
"On two cores" the detectors are shared out to two processes, each of which reads the file. The
program's own checks do the same of themselves and measure levels, hum and peaks between the samples
as well; their memory is that of the larger process.
"""

import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

# Heavy imports only in the processes that do the work: a child's memory counts from its parent's.

RATE = 48_000
DETECTORS = ("dropouts", "levels", "crackle", "hum bursts", "gaps", "common return")
# Of like cost; the program's own checks are parted in the same way.
HALVES = (("dropouts", "crackle"), ("levels", "hum bursts", "gaps", "common return"))
CHECKS = ("jack", "dropouts", "soak")
# One minute of each, in turn, an interruption every twelve seconds or so.
MIXED = ("saw 110 Hz", "organ chord", "chorused pad", "saw, vibrato 34 cents", "struck notes")


def make(path: str, minutes: int, names: list[str]) -> None:
    """Write a take: what the first process does."""
    import numpy as np
    import soundfile

    from benchmarks.precision_dropouts import broken, harder, holes, materials, with_noise

    rng = np.random.default_rng(2016)
    found = materials(60.0, rng) | harder(60.0, rng)
    parts = []
    for name in names:
        sound = found[name]
        left = broken(sound, holes(name, 60.0, 50, rng)[::25], 40)
        stereo = np.stack([with_noise(left, 50, rng), with_noise(0.8 * sound, 50, rng)], axis=1)
        parts.append((0.5 * stereo / np.abs(stereo).max()).astype(np.float32))
    with soundfile.SoundFile(path, "w", RATE, 2, "PCM_16") as take:
        for minute in range(minutes):
            take.write(parts[minute % len(parts)])


def scan(path: str, names: list[str]) -> None:
    """Read a take in blocks and feed it to detectors: what a process of its own does."""
    import soundfile

    from sigbench.interface.blocks import read_block
    from sigbench.measure.common_return import ReturnDetector
    from sigbench.measure.crackle import CrackleDetector
    from sigbench.measure.dropouts import DropoutDetector
    from sigbench.measure.gaps import GapDetector
    from sigbench.measure.hum_burst import HumBurstDetector
    from sigbench.measure.level_track import LevelTracker

    kinds = (
        *(DropoutDetector, LevelTracker, CrackleDetector, HumBurstDetector, GapDetector),
        ReturnDetector,
    )
    known = dict(zip(DETECTORS, kinds, strict=True))
    detectors = [known[name](RATE, 2) for name in names]
    with soundfile.SoundFile(path) as take:
        while len(block := read_block(take)):
            for detector in detectors:
                detector.feed(block)
    for detector in detectors:
        detector.finish()


def show(name: str, minutes: int, *commands: list[str]) -> None:
    """Run processes at once; a row of their processor time, greatest memory, and the time gone."""
    one_core = {f"{library}_NUM_THREADS": "1" for library in ("OMP", "OPENBLAS", "MKL")}
    begun = time.monotonic()
    processes = [
        subprocess.Popen(
            command,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env=os.environ | one_core,
        )
        for command in commands
    ]
    seconds = memory = 0.0
    for process in processes:
        _, status, used = os.wait4(process.pid, 0)
        if status:
            raise SystemExit(f"{name}: {process.args!r} failed")
        seconds += used.ru_utime + used.ru_stime
        memory += used.ru_maxrss / 1024
    gone = time.monotonic() - begun
    print(f"| {name} | {minutes} | {seconds:.1f} | {gone:.1f} | {memory:.0f} |", flush=True)


def main(minutes: int) -> None:
    own = [sys.executable, "-m", "benchmarks.speed_detectors"]
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder) / "take.wav")
        for title, names in (("one steady sound", MIXED[:1]), ("five sounds in turn", MIXED)):
            print(f"\n| {title} | minutes | processor, s | time gone, s | memory, MB |")
            print("| --- | --- | --- | --- | --- |")
            for length in (max(1, minutes // 4), minutes):
                subprocess.run([*own, "make", path, str(length), *names], check=True)
                show("all detectors", length, [*own, "scan", path, *DETECTORS])
            halves = ([*own, "scan", path, *half] for half in HALVES)
            show("all detectors, on two cores", minutes, *halves)
            show("reading alone", minutes, [*own, "scan", path])
            for name in DETECTORS:
                show(name, minutes, [*own, "scan", path, name])
            for check in CHECKS:
                program = [sys.executable, "-m", "sigbench", "measure", path, "--check", check]
                show(f"`sigbench measure --check {check}`", minutes, program)
            if shutil.which("sox"):
                show("`sox stats`", minutes, ["sox", path, "-n", "stats"])
            if shutil.which("ffmpeg"):
                quiet = ["ffmpeg", "-nostdin", "-threads", "1", "-i", path]
                show("`ffmpeg -af astats`", minutes, [*quiet, "-af", "astats", "-f", "null", "-"])


if __name__ == "__main__":
    if sys.argv[1:2] == ["make"]:
        make(sys.argv[2], int(sys.argv[3]), sys.argv[4:])
    elif sys.argv[1:2] == ["scan"]:
        scan(sys.argv[2], sys.argv[3:])
    else:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 60)
