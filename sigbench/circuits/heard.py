"""What is heard of a circuit, in few numbers: enough to play it again without ngspice.

`sigbench.circuits.work_out` gets the numbers from the netlist, and keeps those of
`sigbench.circuits.states.SIMULATED` in ``heard.json.gz`` beside this module. A note of the voice
goes through a curve, then through a first-order network; what the instrument does by itself is a
sum of lines::

    note ─► curve (by its level) ─► poles and zeros ─► + lines ─► x what a contact leaves ─► jack

The curve is a Chebyshev series. Of a sine its terms are the harmonics, with their signs: T_n(cos x)
= cos n x (textbook).
"""

import gzip
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import msgspec
import numpy as np
from numpy.typing import NDArray

from sigbench.circuits.states import FAULTY, name_of_fault
from sigbench.errors import RequestError

Floats = NDArray[np.float64]

PERIOD_SECONDS = 0.1
"""Of all lines together: every one is a multiple of 10 Hz."""
NOTE_HZ = 440.0
"""Of the note by which the curves were found; the network has a gain of one there."""
LEVELS = (0.04, 0.12, 0.4, 1.2, 4.0, 9.0)
"""Peak volts of that note, which the curves are of."""
GAIN_SECONDS = 109 / 48_000  # about one period of the note
ADDED_SECONDS = 0.001
LONGEST_OPENING = 0.3  # seconds: as long as it was followed

_NEAR_END = -0.85  # of a curve: from there to its end it counts as straight

KEPT = Path(__file__).with_name("heard.json.gz")


@dataclass(frozen=True, slots=True)
class Break:
    """What a contact that opens does to one channel, from the moment it opens, and shuts again.

    Parameters
    ----------
    gain_open, gain_shut : tuple of float
        Share of the sound that is left, every `GAIN_SECONDS`; then it stays at the last.
    added_open, added_shut : tuple of float
        Volts that come besides, every `ADDED_SECONDS`; then none.
    """

    gain_open: tuple[float, ...]
    gain_shut: tuple[float, ...]
    added_open: tuple[float, ...]
    added_shut: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Side:
    """One channel of an output.

    Parameters
    ----------
    lines : tuple of (float, float, float)
        Of the instrument when nothing is played: hertz, and real and imaginary part of the peak
        volts; 0 Hz is the direct voltage. Time runs from a moment at which the mains rises
        through zero.
    curves : tuple of tuple of float
        For each of `LEVELS` the Chebyshev coefficients from the first on, over the level: what
        comes out of a note of one volt.
    poles, zeros : tuple of float
        Hertz, as many of the one as of the other: product of (jf + zero)/(jf + pole).
    gain : float
        Of that network at high frequencies.
    noise_volts, source_noise_volts : float
        RMS from 20 Hz to 20 kHz, from behind the volume control and from before it.
    worn : tuple of (float, float)
        Places of the volume control's travel where the wiper loses the track.
    breaks : Break or None
    """

    lines: tuple[tuple[float, float, float], ...]
    curves: tuple[tuple[float, ...], ...]
    poles: tuple[float, ...]
    zeros: tuple[float, ...]
    gain: float
    noise_volts: float
    source_noise_volts: float
    worn: tuple[tuple[float, float], ...]
    breaks: Break | None

    def response(self, hertz: NDArray[np.floating]) -> NDArray[np.complex128]:
        """Of the network, relative to `NOTE_HZ`."""
        found = np.full(np.shape(hertz), self.gain, dtype=complex)
        for pole, zero in zip(self.poles, self.zeros, strict=True):
            found *= (1j * hertz + zero) / (1j * hertz + pole)
        return found

    def bent(self, volts: Floats, level: float) -> Floats:
        """A note's volts through the curve of its level.

        Parameters
        ----------
        volts : ndarray
        level : float
            Peak volts of the note; between two of `LEVELS` what both curves give is blended.
        """
        above = int(np.clip(np.searchsorted(LEVELS, level), 1, len(LEVELS) - 1))
        low, high = np.log(LEVELS[above - 1]), np.log(LEVELS[above])
        share = float(np.clip((np.log(max(level, LEVELS[0])) - low) / (high - low), 0, 1))
        bent = np.zeros(len(volts))
        for number, weight in ((above - 1, 1 - share), (above, share)):
            if weight:
                bent += weight * self._curve(volts, number)
        return bent

    def _curve(self, volts: Floats, number: int) -> Floats:
        """One of the curves; beyond its level it goes on as steeply as it ends."""
        level, terms = LEVELS[number], np.array(self.curves[number])
        series = np.concatenate([[0.0], terms])

        def value(x: Floats) -> Floats:
            return np.polynomial.chebyshev.chebval(x, series)

        series[0] = -value(np.zeros(1))[0]  # of nothing comes nothing
        inside = np.clip(volts / level, -1.0, 1.0)
        beyond = volts - level * inside
        if not np.any(beyond):
            return level * value(inside)
        low, lower, high, higher = value(np.array([-1.0, _NEAR_END, -_NEAR_END, 1.0]))
        steep = np.where(beyond > 0, higher - high, lower - low) / (1 + _NEAR_END)
        return level * value(inside) + steep * beyond

    def bend(self, level: float) -> float:
        """How much of a note of that level is no longer the note, at most: sum of the terms."""
        above = int(np.clip(np.searchsorted(LEVELS, level), 1, len(LEVELS) - 1))
        return max(float(np.sum(np.abs(self.curves[k][1:]))) for k in (above - 1, above))


@dataclass(frozen=True, slots=True)
class Heard:
    """All that is heard of one circuit, and its rails.

    Parameters
    ----------
    netlist : str
        SHA-256 of the netlist that it was worked out from.
    mains_hz : float
    rails : tuple of (float, float)
        Direct volts of the positive and the negative rail, and what a meter's AC range shows.
    outputs : dict of str to (Side, Side)
    """

    netlist: str
    mains_hz: float
    rails: tuple[tuple[float, float], tuple[float, float]]
    outputs: dict[str, tuple[Side, Side]]


@lru_cache(maxsize=1)
def kept() -> dict[str, Heard]:
    """What was worked out of every state of `sigbench.circuits.states.SIMULATED`."""
    return msgspec.json.decode(gzip.decompress(KEPT.read_bytes()), type=dict[str, Heard])


def heard(state: str) -> Heard:
    """What was worked out of one state.

    Raises
    ------
    RequestError
        If there is no such state.
    """
    found = kept().get(state)
    if found is None:
        raise RequestError(
            f"The simulated unit has no state '{state}': choose as-received or repaired, or one "
            f"with a single fault: {', '.join(map(name_of_fault, FAULTY))}."
        )
    return found
