"""How many clicks, crackles and hum bursts are found, how many are invented, and how fast.

Prints markdown tables. Run ``python benchmarks/precision_events.py`` (about six minutes of
computing; fluidsynth with its General MIDI soundfont, sox and ffmpeg are used if installed).
"""

import resource
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile

from benchmarks.precision_dropouts import RATE, Sound, materials, saw, with_noise
from sigbench.measure.crackle import CrackleDetector, find_crackle
from sigbench.measure.hum_burst import HumBurstDetector, find_hum_bursts
from sigbench.measure.level_track import LevelTracker
from sigbench.model import Event

SOUNDFONT = "/usr/share/sounds/sf2/FluidR3_GM.sf2"
INSTRUMENTS = {
    "piano": (0, (48, 72)),
    "electric piano": (4, (48, 72)),
    "organ": (16, (48, 72)),
    "strings": (48, (48, 72)),
    "warm pad": (89, (48, 72)),
    "saw lead": (81, (48, 72)),
    "sea": (122, (60, 61)),
}
CLICKS = ((0.1, 0.02), (0.3, 0.02), (1.0, 0.02), (1.0, 1.0), (3.0, 0.02), (10.0, 0.1))
OPENINGS = (0.05, 0.2, 1.0, 4.0)  # ms
CRACKLES = ((0.3, 100), (1.0, 50), (1.0, 200), (1.0, 600))
BRIGHT = (110.3, 220.7, 441.7)  # Hz
SMALL = (-3, -10, -20, -30, -40)  # dB re the sound's peak
HUM = tuple((db, length) for length in (0.06, 0.2, 1.0) for db in (-10, -20, -30, -40))
HUM_SECONDS = 10


def delta(ticks: int) -> bytes:
    return bytes([*([128 | ticks >> 7] if ticks > 127 else []), ticks & 127])


def instrument(name: str, seconds: float, folder: Path, rng: np.random.Generator) -> Sound:
    """Held chords of three keys, 4 s each, half a second apart: a MIDI file, rendered."""
    program, (low, high) = INSTRUMENTS[name]
    track = b"\0" + bytes([0xC0, program])
    for _ in range(int(seconds / 4.5) + 1):
        keys = rng.choice(np.arange(low, high), min(3, high - low), replace=False).tolist()
        track += b"".join(delta(0) + bytes([0x90, key, 100]) for key in keys)
        for number, key in enumerate(keys):
            track += delta(0 if number else 3840) + bytes([0x80, key, 0])
        track += delta(480) + bytes([0xB0, 7, 100])
    track += b"\0\xff\x2f\0"
    midi, wave = folder / "notes.mid", folder / "notes.wav"
    head = b"MThd" + bytes([0, 0, 0, 6, 0, 0, 0, 1, 1, 224])  # 960 ticks a second
    midi.write_bytes(head + b"MTrk" + len(track).to_bytes(4, "big") + track)
    command = ["fluidsynth", "-ni", "-r", str(RATE), "-T", "wav", "-O", "float", "-F", str(wave)]
    subprocess.run([*command, SOUNDFONT, str(midi)], check=True, capture_output=True)
    sound, _ = soundfile.read(wave, frames=int(seconds * RATE), always_2d=True)
    return np.asarray(sound[:, 0])


def sounds(seconds: float, folder: Path, rng: np.random.Generator) -> dict[str, Sound]:
    found = materials(seconds, rng)
    found["idle noise"] = 1e-3 * found.pop("noise")
    if shutil.which("fluidsynth") and Path(SOUNDFONT).exists():
        for name in INSTRUMENTS:
            found[f"instrument: {name}"] = instrument(name, seconds, folder, rng)
    return found


def times(seconds: float, length: float, rng: np.random.Generator) -> list[float]:
    """Of faults, from 1.2 s on, far enough from each other."""
    found, at = [], 1.2
    while at + length < seconds - 0.5:
        found.append(at)
        at += length + rng.uniform(0.6, 0.9)
    return found


def share(
    sound: Sound,
    snr: float,
    length: float,
    spoil: Callable[[Sound, int], None],
    find: Callable[[Sound, int], tuple[Event, ...]],
    rng: np.random.Generator,
) -> str:
    """Of so many faults the share that is found, and what is found elsewhere."""
    spoiled = sound.copy()
    true = times(len(sound) / RATE, length, rng)
    for at in true:
        spoil(spoiled, int(at * RATE))
    events = find(with_noise(spoiled, snr, rng)[:, np.newaxis], RATE)

    def hit(event: Event, at: float) -> bool:
        return event.start < at + length + 0.01 and event.end > at - 0.01

    found = sum(any(hit(event, at) for event in events) for at in true)
    others = sum(not any(hit(event, at) for at in true) for event in events)
    return f"{100 * found / len(true):.0f} %" + (f" (+{others})" if others else "")


def crackle_tables(found: dict[str, Sound], rng: np.random.Generator) -> None:
    headings = [f"spike {a:g} × RMS, {ms:g} ms" for a, ms in CLICKS]
    headings += [f"open {ms:g} ms" for ms in OPENINGS]
    headings += [f"crackle {a:g} × RMS, {rate}/s, 100 ms" for a, rate in CRACKLES]
    print("| sound | SNR, dB | " + " | ".join(headings) + " |")
    print("| --- | --- |" + " --- |" * len(headings))
    for name, sound in found.items():
        rms = float(np.std(sound))
        for snr in (35, 60):
            cells = []
            for height, ms in CLICKS:
                n = max(1, round(ms * RATE / 1000))

                def spike(take: Sound, k: int, n: int = n, h: float = height * rms) -> None:
                    take[k : k + n] += h * rng.choice([-1, 1])

                cells.append(share(sound, snr, n / RATE, spike, find_crackle, rng))
            for ms in OPENINGS:
                n = max(1, round(ms * RATE / 1000))

                def opened(take: Sound, k: int, n: int = n) -> None:
                    take[k : k + n] = 0.0

                cells.append(share(sound, snr, n / RATE, opened, find_crackle, rng))
            for height, rate in CRACKLES:

                def crackle(take: Sound, k: int, rate: int = rate, h: float = height * rms) -> None:
                    n = RATE // 10
                    at = k + np.flatnonzero(rng.random(n) < rate / RATE)
                    signs = rng.choice([-1, 1], len(at))
                    take[at] += h * signs * rng.exponential(1, len(at))

                cells.append(share(sound, snr, 0.1, crackle, find_crackle, rng))
            print(f"| {name} | {snr} | " + " | ".join(cells) + " |", flush=True)


def bright_table(rng: np.random.Generator) -> None:
    """Clicks of 0.1 ms in waveforms with steep edges, from their own peak downwards; 60 dB SNR."""
    t = np.arange(14 * RATE) / RATE
    waves: dict[str, Sound] = {}
    for f in BRIGHT:
        waves[f"stepped saw {f:.0f} Hz"] = f * t % 1.0 - 0.5
        waves[f"smooth saw {f:.0f} Hz"] = saw(f, t, 200)
        waves[f"pulse {f:.0f} Hz"] = np.where(f * t % 1.0 < 0.2, 0.5, -0.5)
    print("\n| waveform | " + " | ".join(f"{db} dB re peak" for db in SMALL) + " |")
    print("| --- |" + " --- |" * len(SMALL))
    for name, sound in waves.items():
        cells = []
        for db in SMALL:

            def click(
                take: Sound, k: int, h: float = np.max(np.abs(sound)) * 10 ** (db / 20)
            ) -> None:
                take[k : k + 5] += h * rng.choice([-1, 1])

            cells.append(share(sound, 60, 5 / RATE, click, find_crackle, rng))
        print(f"| {name} | " + " | ".join(cells) + " |", flush=True)


def with_hum(sound: Sound, db: float, length: float, rng: np.random.Generator) -> list[float]:
    """Hum of odd and even lines added to the sound, so many dB below it; when each begins."""
    height = float(np.std(sound)) * 10 ** (db / 20)
    true = times(len(sound) / RATE, length, rng)
    t = np.arange(int(length * RATE)) / RATE
    for at in true:
        k = int(at * RATE)
        f = rng.choice([50.0, 60.0]) * rng.uniform(0.992, 1.008)
        for number, part in ((1, 1.0), (2, 0.3), (3, 0.5), (5, 0.3), (7, 0.15)):
            # The parts together have 1.455 times the power of the first alone.
            angle = 2 * np.pi * number * f * t + rng.uniform(0, 2 * np.pi)
            sound[k : k + len(t)] += part * height * np.sqrt(2 / 1.455) * np.sin(angle)
    return true


Errors = dict[float, list[tuple[float, float]]]  # of start and length (s), by length


def hum_row(sound: Sound, seed: int) -> tuple[list[float], int, Errors]:
    """Shares found (%), half of the bursts at 35 dB SNR and half at 60; what is found elsewhere."""
    rng = np.random.default_rng([12, seed])
    sound = sound[: HUM_SECONDS * RATE]
    cells, elsewhere = [], 0
    errors: Errors = {}
    for db, length in HUM:
        hits, count = 0, 0
        for snr in (35, 60):
            spoiled = sound.copy()
            true = with_hum(spoiled, db, length, rng)
            count += len(true)
            events = find_hum_bursts(with_noise(spoiled, snr, rng)[:, np.newaxis], RATE)
            for at in true:
                mine = [e for e in events if e.start < at + length + 0.01 and e.end > at - 0.01]
                if mine:
                    hits += 1
                    error = (mine[0].start - at, mine[0].end - mine[0].start - length)
                    errors.setdefault(length, []).append(error)
            elsewhere += sum(
                not any(e.start < at + length + 0.01 and e.end > at - 0.01 for at in true)
                for e in events
            )
        cells.append(100 * hits / count)
    return cells, elsewhere, errors


def hum_table(found: dict[str, Sound]) -> None:
    headings = [f"{-db} dB below, {1000 * length:g} ms" for db, length in HUM]
    print("\n| sound | " + " | ".join(headings) + " | found elsewhere |")
    print("| --- |" + " --- |" * (len(headings) + 1))
    everything: Errors = {length: [] for _, length in HUM}
    sums = np.zeros(len(HUM))
    for seed, (name, sound) in enumerate(found.items()):
        cells, elsewhere, errors = hum_row(sound, seed)
        for length, some in errors.items():
            everything[length] += some
        sums += cells
        shares = " | ".join(f"{cell:.0f} %" for cell in cells)
        print(f"| {name} | {shares} | {elsewhere} |", flush=True)
    print("| mean | " + " | ".join(f"{cell:.0f} %" for cell in sums / len(found)) + " | |")
    print("\n| length, ms | error of start: median, 95 %, ms | of length: median, 95 %, ms |")
    print("| --- | --- | --- |")
    for length, pairs in everything.items():
        size = 1000 * np.abs(np.array(pairs))
        cells_ms = [f"{np.median(one):.1f}, {np.quantile(one, 0.95):.1f}" for one in size.T]
        print(f"| {1000 * length:g} | " + " | ".join(cells_ms) + " |")


def false_alarm_table(folder: Path, rng: np.random.Generator) -> None:
    """Three times a minute of each sound made here, four of each instrument's; new noise."""
    print("\n| faultless sound | minutes | clicks and crackles | hum bursts |")
    print("| --- | --- | --- | --- |")
    sums = np.zeros(3)
    made = {**materials(60, rng)}
    made["idle noise"] = 1e-3 * made["noise"]
    takes = {
        name: [with_noise(sound, s, rng) for s in (35, 47, 60)] for name, sound in made.items()
    }
    if shutil.which("fluidsynth") and Path(SOUNDFONT).exists():
        for name in INSTRUMENTS:
            sound = instrument(name, 240, folder, rng)
            takes[f"instrument: {name}"] = [with_noise(sound, rng.uniform(35, 60), rng)]
    for name, parts in takes.items():
        row = np.array(
            [
                sum(len(part) for part in parts) / RATE / 60,
                sum(len(find_crackle(part[:, np.newaxis], RATE)) for part in parts),
                sum(len(find_hum_bursts(part[:, np.newaxis], RATE)) for part in parts),
            ]
        )
        sums += row
        print(f"| {name} | {row[0]:.1f} | {row[1]:.0f} | {row[2]:.0f} |", flush=True)
    print(f"| all | {sums[0]:.1f} | {sums[1]:.0f} | {sums[2]:.0f} |")


def speed_table(folder: Path, rng: np.random.Generator, minutes: int = 10) -> None:
    """CPU seconds for an hour of stereo, from a file of some minutes."""
    path = folder / "long.wav"
    sound = materials(60, rng)["organ chord"]
    take = np.column_stack([with_noise(sound, 60, rng), with_noise(0.5 * sound, 60, rng)])
    with soundfile.SoundFile(path, "w", RATE, 2, "PCM_16") as file:
        for _ in range(minutes):
            file.write(0.5 * take)
    print("\n| scan of an hour of stereo at 48 kHz, reading included | CPU, s |")
    print("| --- | --- |")

    def scan(*detectors: CrackleDetector | HumBurstDetector | LevelTracker) -> float:
        start = time.process_time()
        for block in soundfile.blocks(path, blocksize=16384, always_2d=True):
            for detector in detectors:
                detector.feed(block)
        return (time.process_time() - start) * 60 / minutes

    scans: dict[str, list[CrackleDetector | HumBurstDetector | LevelTracker]] = {
        "reading alone": [],
        "clicks and crackle": [CrackleDetector(RATE, 2)],
        "hum bursts": [HumBurstDetector(RATE, 2)],
        "level": [LevelTracker(RATE, 2)],
        "all three": [CrackleDetector(RATE, 2), HumBurstDetector(RATE, 2), LevelTracker(RATE, 2)],
    }
    for name, detectors in scans.items():
        print(f"| {name} | {scan(*detectors):.1f} |", flush=True)
    for name, command in {
        "sox stats": ["sox", str(path), "-n", "stats"],
        "ffmpeg -af astats": ["ffmpeg", "-i", str(path), "-af", "astats", "-f", "null", "-"],
    }.items():
        if shutil.which(command[0]) is None:
            continue
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(command, check=True, capture_output=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        print(f"| {name} | {used * 60 / minutes:.1f} |", flush=True)


def main() -> None:
    rng = np.random.default_rng(12)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        speed_table(folder, rng)
        false_alarm_table(folder, rng)
        print()
        found = sounds(14.0, folder, rng)
        crackle_tables(found, rng)
        bright_table(rng)
        hum_table(found)


if __name__ == "__main__":
    main()
