"""Takes of a circuit's outputs: periodic pieces of its voltages, repeated, with noise."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigbench.circuits.instrument import (
    OUTPUTS,
    SETTLING_SECONDS,
    SIDES,
    Parts,
    Tone,
    netlist,
    programme,
)
from sigbench.circuits.spice import transient
from sigbench.model import Source, Take

SAMPLERATE = 48_000
FULL_SCALE_VOLTS = 8.0
"""Peak volts at the interface for 0 dBFS: a usual +17 dBu; common practice, no source."""

CONVERTER_NOISE = 10 ** (-105 / 20) / np.sqrt(2)  # RMS of full scale, a modest interface
SECONDS = {"idle": 3.0, "loud": 1.0, "quiet": 1.0, "low": 1.0}

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Recorded:
    """What is found at a circuit: a take by (output, name of the tone), and the mean of the rails.

    The tones are "idle", "loud", "quiet" and "low".
    """

    takes: dict[tuple[str, str], Take]
    rails: dict[str, float]


def record(parts: Parts, rng: np.random.Generator) -> Recorded:
    """What an interface records of every output while each tone of the programme is played.

    Parameters
    ----------
    parts : Parts
    rng : numpy Generator
        For the noise of amplifiers and converter.
    """
    tones = programme()
    nodes = [f"v({o}_{s})-v(ground_{o})" for o in OUTPUTS for s in SIDES]
    nodes += ["v(vcc)", "v(vee)"]
    end = tones[-1].start + tones[-1].seconds + 0.001
    volts = transient(netlist(parts), nodes, seconds=end, samplerate=SAMPLERATE)
    takes = {}
    for tone in tones:
        piece = _periodic(volts, tone)
        frames = round(SECONDS[tone.name] * SAMPLERATE)
        whole = np.resize(piece, (frames, piece.shape[1]))
        for k, output in enumerate(OUTPUTS):
            pair = whole[:, 2 * k : 2 * k + 2].copy()
            for channel, side in enumerate(parts.sides):
                hiss = side.noise_volts * np.sqrt(SAMPLERATE / 2 / 20e3)
                pair[:, channel] += hiss * rng.standard_normal(frames)
            takes[output, tone.name] = _take(pair / FULL_SCALE_VOLTS, rng)
    settled = volts[round(SETTLING_SECONDS * SAMPLERATE) :]
    rails = {"+15 V": float(settled[:, -2].mean()), "-15 V": float(settled[:, -1].mean())}
    return Recorded(takes, rails)


def _periodic(volts: Floats, tone: Tone) -> Floats:
    """The piece of one tone, freed of the straight line by which it misses its own beginning."""
    first = round(tone.start * SAMPLERATE)
    frames = round(tone.seconds * SAMPLERATE)
    piece = volts[first : first + frames]
    miss = volts[first + frames] - piece[0]
    return piece - miss * (np.arange(frames) / frames)[:, np.newaxis]


def _take(samples: Floats, rng: np.random.Generator) -> Take:
    samples = samples + CONVERTER_NOISE * rng.standard_normal(samples.shape)
    steps = 2.0**23
    samples = np.clip(np.rint(samples * steps) / steps, -1.0, 1.0 - 1 / steps)
    source = Source("simulated", None, None, SAMPLERATE, samples.shape[1], len(samples))
    return Take(samples, SAMPLERATE, source, bits=24, dc_coupled=True)
