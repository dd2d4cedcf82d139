"""How surely the pilot tells what the computer loses: python -m benchmarks.precision_pilot [hours]

Jumps are cut out of a pilot that came through another clock and a noisy input, 40 of each kind;
the rest of the time nothing is lost, and whatever is told is a false alarm.
"""

import sys
import time

import numpy as np

from sigbench.measure.continuity import PILOT_HZ, PILOT_PEAK_DBFS, PilotWatch
from sigbench.model import LostBuffers

RATE = 48_000
TRIALS = 40
FRAMES = (1, 2, 3, 5, 64, 1024, 48_000, 110_000)
NOISE_DBFS = (-90.0, -75.0, -65.0)
CLOCK_PPM = (0.0, 37.0, -200.0)


def heard(chance, start, frames, rate, ppm, noise_dbfs):
    """Some of the pilot as it comes in: its peak as it is played, or below."""
    at = (start + np.arange(frames)) * (1 + ppm * 1e-6) / rate
    signal = sum(np.cos(2 * np.pi * f * at - np.pi * k * k / 4) for k, f in enumerate(PILOT_HZ))
    scale = 10 ** (PILOT_PEAK_DBFS / 20) / len(PILOT_HZ)
    return scale * signal + 10 ** (noise_dbfs / 20) * chance.standard_normal(frames)


def jumps():
    print("frames  noise dBFS  clock ppm   found  counted right  place off by (95 %)")
    chance = np.random.default_rng(1)
    for frames in FRAMES:
        for noise_dbfs in NOISE_DBFS:
            ppm = CLOCK_PPM[NOISE_DBFS.index(noise_dbfs)]
            found, right, places = 0, 0, []
            for _ in range(TRIALS):
                first = int(chance.integers(RATE, 2 * RATE))
                one = heard(chance, 0, first, RATE, ppm, noise_dbfs)
                two = heard(chance, first + frames, RATE, RATE, ppm, noise_dbfs)
                told = watched([one, two])
                if told:
                    found += 1
                    wanted = round(frames * (1 + ppm * 1e-6))
                    right += len(told) == 1 and told[0].frames == wanted
                    places.append(abs(told[0].frame - first))
            off = f"{np.quantile(places, 0.95):.0f} frames" if places else ""
            print(
                f"{frames:6}  {noise_dbfs:10g}  {ppm:9g}  {found:3}/{TRIALS}"
                f"  {right:10}/{TRIALS}  {off}",
                flush=True,
            )


def watched(pieces) -> list[LostBuffers]:
    watch = PilotWatch(RATE)
    told = [loss for piece in pieces for loss in watch.feed(piece)]
    return [*told, *watch.finish()]


def false_alarms(hours):
    print("\nhours  rate    noise dBFS  clock ppm  false alarms  processor, of real time")
    for rate in (48_000, 96_000):
        for noise_dbfs, ppm in zip(NOISE_DBFS, CLOCK_PPM, strict=True):
            chance, watch, told, busy = np.random.default_rng(2), PilotWatch(rate), 0, 0.0
            seconds = round(hours * 3600)
            for second in range(seconds):
                piece = heard(chance, second * rate, rate, rate, ppm, noise_dbfs)
                begun = time.process_time()
                told += len(watch.feed(piece))
                busy += time.process_time() - begun
            told += len(watch.finish())
            print(
                f"{hours:5g}  {rate:6}  {noise_dbfs:10g}  {ppm:9g}  {told:12}"
                f"  {100 * busy / seconds:.2f} %",
                flush=True,
            )


if __name__ == "__main__":
    jumps()
    false_alarms(float(sys.argv[1]) if len(sys.argv) > 1 else 1.0)
