"""How many dropouts are found, how precisely, how soon, and how many are invented.

Prints markdown tables. Run ``python -m benchmarks.precision_dropouts [minutes of faultless audio]``
(some ten minutes of computing for the usual 66; fluidsynth with its General MIDI soundfont is used
if installed). The sounds are not those that the detector was made with: other pitches, rates,
phases and instruments.
"""

import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import lfilter

from sigbench.measure.dropouts import DropoutDetector, find_dropouts
from sigbench.model import Event

RATE = 48_000
Sound = NDArray[np.float64]

SOUNDFONT = "/usr/share/sounds/sf2/FluidR3_GM.sf2"
# General MIDI program, and chords that are held for 3.5 s, half a second apart.
INSTRUMENTS: dict[str, tuple[int, list[tuple[int, ...]]]] = {
    "bright piano": (1, [(45,), (57, 62, 65)]),
    "harpsichord": (6, [(50,), (59, 62)]),
    "vibraphone": (11, [(57,), (64, 67)]),
    "drawbar organ": (16, [(50, 53, 57)]),
    "accordion": (21, [(53, 57)]),
    "synth bass": (38, [(31,), (36,)]),
    "choir": (52, [(50, 57)]),
    "square lead": (80, [(52,), (67,)]),
    "polysynth": (90, [(47, 54), (59, 66)]),
}
STRUCK = ("struck notes", *INSTRUMENTS)  # sounds that are not held all the time
LENGTHS = (1, 2, 5, 20, 100, 500)  # ms
DEPTHS = (3, 6, 12, 40)  # dB


def saw(f: float, t: Sound, partials: int = 60) -> Sound:
    return 0.5 * sum(
        (np.sin(2 * np.pi * k * f * t) / k for k in range(1, partials + 1) if k * f < 20e3),
        np.zeros(len(t)),
    )


def materials(seconds: float, rng: np.random.Generator) -> dict[str, Sound]:
    """Synthetic sounds that never change."""
    t = np.arange(int(seconds * RATE)) / RATE
    since = t % 2.0
    drawbars = ((0.5, 0.5), (1, 1.0), (1.5, 0.6), (2, 0.8), (3, 0.4), (4, 0.5), (6, 0.2))
    return {
        "sine 100 Hz": 0.5 * np.sin(2 * np.pi * 100 * t + 1),
        "sine 997 Hz": 0.5 * np.sin(2 * np.pi * 997 * t),
        "sine 5 kHz": 0.5 * np.sin(2 * np.pi * 5000 * t + 2),
        "saw 110 Hz": saw(110.3, t),
        "saw 440 Hz": saw(441.7, t),
        "organ chord": 0.1
        * sum(
            (
                a * np.sin(2 * np.pi * f * h * t + f * h)
                for f in (261.63, 329.63, 392.0)
                for h, a in drawbars
            ),
            np.zeros(len(t)),
        ),
        "chorused pad": 0.2
        * sum(
            (
                saw(f * (1 + d), t + 8e-4 * np.sin(2 * np.pi * r * t + f), 20)
                for f in (130.8, 196.0, 246.9)
                for d, r in ((-0.005, 0.6), (0.0, 0.8), (0.005, 0.5))
            ),
            np.zeros(len(t)),
        ),
        "saw, tremolo 10 Hz 12 dB": saw(220, t) * (0.625 + 0.375 * np.cos(2 * np.pi * 10 * t)),
        "two sines beating": 0.25 * np.sin(2 * np.pi * 220 * t)
        + 0.25 * np.sin(2 * np.pi * 221.3 * t),
        "struck notes": 0.3
        * sum(
            (
                np.sin(2 * np.pi * 220 * h * np.sqrt(1 + 4e-4 * h * h) * t)
                * np.exp(-since * (1 + 0.3 * h))
                / h
                for h in range(1, 16)
            ),
            np.zeros(len(t)),
        )
        * (1 - np.exp(-since / 0.002)),
        "noise": 0.1 * rng.standard_normal(len(t)),
    }


def harder(seconds: float, rng: np.random.Generator) -> dict[str, Sound]:
    """Synthetic sounds that are hard to predict; `rng` chooses pitches and rates."""
    t = np.arange(int(seconds * RATE)) / RATE
    f, rate = 440 * rng.uniform(0.8, 1.2), rng.uniform(5, 6.5)
    found = {
        "sine, vibrato 52 cents": 0.5
        * np.sin(2 * np.pi * f * t + f * 0.03 / rate * np.sin(2 * np.pi * rate * t))
    }
    f, rate = 220 * rng.uniform(0.8, 1.2), rng.uniform(5, 6.5)
    bent = t + 0.02 / rate / (2 * np.pi) * np.sin(2 * np.pi * rate * t)
    found["saw, vibrato 34 cents"] = saw(f, bent, 100)
    found["saw 41 Hz"] = saw(41.2 * rng.uniform(0.95, 1.05), t, 400)
    f = 55 * rng.uniform(0.95, 1.05)
    found["pulse 55 Hz, 1:10"] = 0.3 * sum(
        (
            np.sin(0.1 * np.pi * k) * np.cos(2 * np.pi * k * f * t) / k
            for k in range(1, int(20e3 / f))
        ),
        np.zeros(len(t)),
    )
    return found


def number(value: int) -> bytes:
    """A MIDI file's variable-length number."""
    digits = [value & 127]
    while value := value >> 7:
        digits.insert(0, 128 | value & 127)
    return bytes(digits)


def instrument(name: str, seconds: float, folder: Path) -> Sound:
    """Held chords of a sampled instrument, with the synthesizer's own reverb and chorus."""
    program, chords = INSTRUMENTS[name]
    track = b"\0" + bytes([0xC0, program])
    for turn in range(int(seconds / 4) + 1):
        keys = chords[turn % len(chords)]
        for place, key in enumerate(keys):
            track += number(480 if turn and not place else 0) + bytes([0x90, key, 100])
        for place, key in enumerate(keys):
            track += number(0 if place else 3360) + bytes([0x80, key, 0])
    track += b"\0\xff\x2f\0"
    midi, wave = folder / "notes.mid", folder / "notes.wav"
    head = b"MThd" + bytes([0, 0, 0, 6, 0, 0, 0, 1, 1, 224])  # 960 ticks a second
    midi.write_bytes(head + b"MTrk" + len(track).to_bytes(4, "big") + track)
    command = ["fluidsynth", "-ni", "-q", "-r", str(RATE), "-T", "wav", "-O", "float"]
    subprocess.run([*command, "-F", str(wave), SOUNDFONT, str(midi)], check=True)
    sound, _ = soundfile.read(wave, frames=int(seconds * RATE), always_2d=True)
    return np.asarray(sound[:, 0])


def sounds(seconds: float, rng: np.random.Generator) -> Iterator[tuple[str, Sound]]:
    yield from (materials(seconds, rng) | harder(seconds, rng)).items()
    if shutil.which("fluidsynth") and Path(SOUNDFONT).exists():
        with tempfile.TemporaryDirectory() as folder:
            for name in INSTRUMENTS:
                yield name, instrument(name, seconds, Path(folder))


def with_noise(sound: Sound, snr_db: float, rng: np.random.Generator) -> Sound:
    return sound + rng.standard_normal(len(sound)) * np.std(sound) * 10 ** (-snr_db / 20)


def held(name: str, start: float, end: float) -> bool:
    """Whether the sound is held around a hole: no note starts or ends there."""
    if name not in STRUCK:
        return True
    period, last = (2.0, 1.9) if name == "struck notes" else (4.0, 3.3)
    return start % period > 0.2 and start % period + end - start < last


def holes(
    name: str, seconds: float, milliseconds: float, rng: np.random.Generator
) -> list[tuple[int, int]]:
    """First and last frames, 0.3 to 0.5 s apart."""
    length = round(milliseconds * RATE / 1000)
    found, at = [], RATE // 2
    while at + length < (seconds - 0.3) * RATE:
        if held(name, at / RATE, (at + length) / RATE):
            found.append((at, at + length))
            at += length + int(RATE * rng.uniform(0.3, 0.5))
        else:
            at += RATE // 100
    return found


def broken(sound: Sound, where: list[tuple[int, int]], depth: float, edge: str = "abrupt") -> Sound:
    """The sound through a contact that lets go.

    "soft": the gain moves with a time constant of 1.5 ms; "coupled": a coupling capacitor with a
    time constant of 5 ms (32 Hz) follows the contact.
    """
    gain = np.ones(len(sound))
    for start, end in where:
        gain[start:end] = 10 ** (-depth / 20)
    if edge == "soft":
        share = 1 - np.exp(-1 / (0.0015 * RATE))
        gain = 1 + lfilter([share], [1, share - 1], gain - 1)
    spoiled = sound * gain
    if edge == "coupled":
        kept = np.exp(-1 / (0.005 * RATE))
        spoiled = lfilter([(1 + kept) / 2, -(1 + kept) / 2], [1, -kept], spoiled)
    return np.asarray(spoiled)


@dataclass
class Score:
    """Of so many holes, what was found of them and where else something was."""

    holes: int = 0
    found: int = 0
    starts: tuple[float, ...] = ()  # errors, s
    lengths: tuple[float, ...] = ()
    invented: int = 0

    def add(self, true: list[tuple[int, int]], events: tuple[Event, ...]) -> None:
        self.holes += len(true)
        for first, last in true:
            start, end = first / RATE, last / RATE
            near = [e for e in events if e.start < end + 0.001 and e.end > start - 0.001]
            if near:
                best = min(near, key=lambda e: abs(e.start - start) + abs(e.end - end))
                self.found += 1
                self.starts += (abs(best.start - start),)
                self.lengths += (abs(best.end - best.start - end + start),)
        self.invented += sum(
            all(e.start > last / RATE + 0.02 or e.end < first / RATE - 0.02 for first, last in true)
            for e in events
        )

    @property
    def share(self) -> str:
        share = 100 * self.found / self.holes
        return f"{share:.0f}" if self.found in (0, self.holes) else f"{min(share, 99.9):.1f}"

    @property
    def errors(self) -> str:
        if not self.found:
            return "none"
        return ", ".join(
            f"{1000 * np.median(errors):.2f} / {1000 * np.quantile(errors, 0.95):.2f}"
            for errors in (self.starts, self.lengths)
        )


def total(scores: list[Score]) -> Score:
    return Score(
        sum(s.holes for s in scores),
        sum(s.found for s in scores),
        tuple(e for s in scores for e in s.starts),
        tuple(e for s in scores for e in s.lengths),
        sum(s.invented for s in scores),
    )


def found_tables(seconds: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    of_all: dict[tuple[int, int, int], list[Score]] = {}
    lengths = " / ".join(map(str, LENGTHS))
    print(f"| sound | SNR, dB | depth, dB | found of {lengths} ms, % | error of start, of length |")
    print("| --- | --- | --- | --- | --- |")
    for name, sound in sounds(seconds, rng):
        if name == "noise":
            continue
        for snr in (35, 60):
            for depth in DEPTHS:
                scores = []
                for length in LENGTHS:
                    score = Score()
                    true = holes(name, seconds, length, rng)
                    spoiled = with_noise(broken(sound, true, depth), snr, rng)
                    score.add(true, find_dropouts(spoiled[:, np.newaxis], RATE))
                    scores.append(score)
                    of_all.setdefault((snr, depth, length), []).append(score)
                shares = " / ".join(score.share for score in scores)
                print(
                    f"| {name} | {snr} | {depth} | {shares} | {total(scores).errors} |", flush=True
                )
    print(f"\n| all sounds: SNR, dB | depth, dB | {' | '.join(f'{n} ms' for n in LENGTHS)} |")
    print("| --- | --- |" + " --- |" * len(LENGTHS))
    for snr in (35, 60):
        for depth in DEPTHS:
            row = [total(of_all[snr, depth, length]).share for length in LENGTHS]
            print(f"| {snr} | {depth} | " + " | ".join(row) + " |")
    wanted = [
        s for (_, depth, n), scores in of_all.items() if depth >= 6 and n >= 2 for s in scores
    ]
    everything = [s for scores in of_all.values() for s in scores]
    print(
        f"\nOf 2 ms and 6 dB or more: {total(wanted).found} of {total(wanted).holes} found"
        f" ({total(wanted).share} %); beside them {total(everything).invented} invented in"
        f" {sum(map(len, of_all.values())) * seconds / 3600:.1f} h."
    )


def edge_table(seconds: float, seed: int) -> None:
    print("\n| edge | channels | 6 dB: 2 / 5 / 20 / 100 ms | 40 dB | errors at 6 dB | at 40 dB |")
    print("| --- | --- | --- | --- | --- | --- |")
    for edge in ("abrupt", "soft", "coupled"):
        for both in (False, True):
            rng = np.random.default_rng(seed)
            cells: dict[int, list[list[Score]]] = {6: [], 40: []}
            for name, sound in sounds(seconds, rng):
                if name == "noise":
                    continue
                for depth, rows in cells.items():
                    scores = []
                    for length in (2, 5, 20, 100):
                        true = holes(name, seconds, length, rng)
                        left = broken(sound, true, depth, edge)
                        right = left if both else broken(sound, [], 0, edge)
                        take = np.stack([with_noise(c, 45, rng) for c in (left, 0.7 * right)], 1)
                        channels = (1, 2) if both else (1,)
                        events = find_dropouts(take, RATE)
                        score = Score()
                        score.add(true, tuple(e for e in events if e.channels == channels))
                        scores.append(score)
                    rows.append(scores)
            shares = [
                " / ".join(total(list(column)).share for column in zip(*rows, strict=True))
                for rows in cells.values()
            ]
            errors = [total([s for row in rows for s in row]).errors for rows in cells.values()]
            where = "both, as one event" if both else "one"
            print(f"| {edge} | {where} | {' | '.join(shares + errors)} |", flush=True)


def latency_table(seconds: float, seed: int) -> None:
    """From the sound's end of an interruption to its event, fed in blocks of 10 ms."""
    print(
        "\n| length, ms | begin seen after, ms: median, most | end told after, ms: median, most |"
    )
    print("| --- | --- | --- |")
    block = RATE // 100
    for length in LENGTHS[1:]:
        rng = np.random.default_rng(seed)
        begun: list[float] = []
        told: list[float] = []
        for name, sound in sounds(seconds, rng):
            if name == "noise":
                continue
            true = holes(name, seconds, length, rng)
            spoiled = with_noise(broken(sound, true, 12), 45, rng)[:, np.newaxis]
            detector = DropoutDetector(RATE, 1)
            seen = None
            for first in range(0, len(spoiled), block):
                events = detector.feed(spoiled[first : first + block])
                now = (first + block) / RATE
                told += [now - event.end for event in events]
                (since,) = detector.open_since
                if since is not None and since != seen:
                    begun.append(now - since)
                seen = since
        columns = [
            f"{1000 * np.median(times):.0f}, {1000 * max(times):.0f}" if times else "with its end"
            for times in (begun, told)
        ]
        print(f"| {length} | {' | '.join(columns)} |", flush=True)


def false_alarm_table(minutes: float, seed: int) -> None:
    print("| faultless sound | minutes | invented events |")
    print("| --- | --- | --- |")
    invented = 0
    count = sum(1 for _ in sounds(0.1, np.random.default_rng(0)))
    each = minutes / count
    rng = np.random.default_rng(seed)
    for name, sound in sounds(60 * each, rng):
        events = find_dropouts(with_noise(sound, rng.uniform(35, 60), rng)[:, np.newaxis], RATE)
        invented += len(events)
        print(f"| {name} | {each:.1f} | {len(events)} |", flush=True)
    print(f"| all | {minutes:g} | {invented} |\n")


def main(minutes: float) -> None:
    false_alarm_table(minutes, 2012)
    found_tables(10.0, 2013)
    edge_table(6.0, 2014)
    latency_table(6.0, 2015)


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 66.0)
