"""Taper: the law of a control, amplitude over travel, told by a person or guessed from the turning.

Where the law is not told, it is the one by which the hand that turned the control moved most
evenly; every law that fits nearly as well adds to the uncertainty of a place.

The terms are those of IEC 60393-1 (from memory, to be confirmed): taper or resistance law.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sigbench.errors import RequestError
from sigbench.units import NEPER_DB

Floats = NDArray[np.float64]

_DWELL_BINS = 50
_DWELL_CAP = 4.0  # times the median: more time than that in one bin is a pause
_LAW_SCATTER = 0.02  # of travel: the least uncertainty of the time spent below a level
_LAW_MARGIN = 1.5  # uncertainties: laws that fit worse by less count as alike; by precision_pot.py
TaperKind = Literal["linear", "audio", "power", "sine"]
_MOST_AT_HALF = {"linear": 0.5, "audio": 0.99, "power": 0.5, "sine": 0.75}


@dataclass(frozen=True, slots=True)
class Taper:
    """The law of a control: amplitude (0 to 1) over travel (0 to 1).

    Parameters
    ----------
    kind : {"linear", "audio", "power", "sine"}
        ``linear``: a straight track; with less than a half at half travel, one that the next stage
        loads. ``audio``: two straight pieces that meet at half travel (common practice, no
        source); with more than a half there, reverse audio. ``power``: a power of the travel.
        ``sine``: a power of the sine of a quarter turn, of pan controls (both channels at constant
        power, if 71 % at half travel).
    at_half : float
        Share of the amplitude at half travel. With the set switched off and the wiper free, an
        ohmmeter shows it: wiper to the lower end over the whole track.

    Raises
    ------
    RequestError
        If the kind is unknown, or the share not from 0.01 to 0.5 (audio: 0.99, sine: 0.75).
    """

    kind: TaperKind
    at_half: float

    def __post_init__(self) -> None:
        if self.kind not in _MOST_AT_HALF:
            raise RequestError(f"There is no taper '{self.kind}': linear, audio, power or sine.")
        most = _MOST_AT_HALF[self.kind]
        if not 0.01 <= self.at_half <= most:
            raise RequestError(
                f"A {self.kind} taper with {100 * self.at_half:g} % of the amplitude at half "
                f"travel is not known: give 1 to {100 * most:g} %."
            )

    @property
    def name(self) -> str:
        """In words."""
        kind = "reverse audio" if self.kind == "audio" and self.at_half > 0.5 else self.kind
        return f"{kind}, {100 * self.at_half:.3g} % at half travel"

    def amplitude(self, travel: Floats) -> Floats:
        """Amplitude re full at each travel."""
        x = np.clip(travel, 0.0, 1.0)
        if self.kind == "audio":
            return np.interp(x, [0.0, 0.5, 1.0], [0.0, self.at_half, 1.0])
        if self.kind == "power":
            return x ** (np.log(self.at_half) / np.log(0.5))
        if self.kind == "sine":
            power = np.log(self.at_half) / np.log(np.sin(np.pi / 4))
            return np.asarray(np.sin(np.pi / 2 * x) ** power)
        # Thevenin: the wiper of a track R into a load, x / (1 + x (1 - x) R / load).
        ratio = 4 * (0.5 / self.at_half - 1)
        return x / (1 + ratio * x * (1 - x))

    def too_low(self, ratio: float) -> float:
        """By how much of the travel a place is read too low, at most, if a load bends the law.

        Parameters
        ----------
        ratio : float
            Resistance of the track over that of the load.
        """
        grid = np.linspace(0.0, 1.0, 501)
        share = self.amplitude(grid)
        loaded = share / (1 + ratio * share * (1 - share))  # Thevenin
        return float(np.max(grid - self.travel(loaded)))

    def travel(self, amplitude: Floats) -> Floats:
        """Travel at each amplitude re full; what is above full is at the end."""
        grid = np.linspace(0.0, 1.0, 2001)
        known = np.isfinite(amplitude)
        found = np.full(np.shape(amplitude), np.nan)
        found[known] = np.interp(amplitude[known], self.amplitude(grid), grid)
        return found


LINEAR = Taper("linear", 0.5)
AUDIO = Taper("audio", 0.15)
SQUARE = Taper("power", 0.25)
REVERSE_AUDIO = Taper("audio", 0.85)
SINE = Taper("sine", float(np.sin(np.pi / 4)))

TAPERS = (
    LINEAR,
    Taper("audio", 0.1),
    AUDIO,
    Taper("audio", 0.2),
    SQUARE,
    REVERSE_AUDIO,
)
"""The laws that are tried where none is told: common practice, no source."""

PAN_TAPERS = (LINEAR, SINE, Taper("sine", 0.595), *TAPERS[1:])
"""The laws that are tried where two channels move against each other; 0.595 is 4.5 dB down."""
_NAMED = {"linear": LINEAR, "audio": AUDIO, "power": SQUARE, "sine": SINE}


def taper_named(text: str) -> Taper:
    """The law that a person writes as a kind, and the percent of the amplitude at half travel.

    Parameters
    ----------
    text : str
        ``linear`` (50 %), ``audio`` (15 %), ``power`` (25 %) or ``sine`` (71 %); or with another
        percent after a colon, such as ``audio:10``, or ``audio:85`` for reverse audio.

    Raises
    ------
    RequestError
        If it is none of these.

    Examples
    --------
    >>> taper_named("audio:10").name
    'audio, 10 % at half travel'
    """
    kind, colon, percent = (part.strip().lower() for part in text.partition(":"))
    usual = _NAMED.get(kind)
    if usual is None or (colon and re.fullmatch(r"\d+(\.\d+)?\s*%?", percent) is None):
        raise RequestError(
            f"'{text}' is no taper: write linear, audio (also called logarithmic) or power (sine "
            "for a pan control), and if it is known the percent at half travel, such as audio:10."
        )
    if not colon:
        return usual
    return Taper(usual.kind, float(percent.rstrip("% ")) / 100)


def time_below(root: Floats, spans: Sequence[tuple[int, int]]) -> list[tuple[float, float, float]]:
    """Level in dB, share of a pass's turning time spent below it, and that share's uncertainty.

    `root` is the square root of the amplitude re full. More time in a bin than is usual, in other
    bins and in other passes, is a pause and is capped; the median over the passes leaves what one
    of them did out.

    Parameters
    ----------
    root : ndarray of float, shape (levels,)
        NaN where it is unknown.
    spans : sequence of (int, int)
        First and one past the last level of each pass.
    """
    whole = [(a, b) for a, b in spans if min(root[a], root[b - 1]) < 0.25 < 0.9 < max(root[a:b])]
    if len(whole) < 2:
        return []
    edges = np.linspace(0.0, 1.0, _DWELL_BINS + 1)
    ways = [root[a:b][np.isfinite(root[a:b])] for a, b in whole]
    times = np.array([np.histogram(way, edges)[0].astype(float) for way in ways])
    middle = np.maximum(np.median(times, axis=1, keepdims=True), 1.0)
    # Half of the passes or more do not pause in the same place: that much time there is the law's.
    lawful = np.sort(times / middle, axis=0)[(len(whole) - 1) // 2]
    times = np.minimum(times, _DWELL_CAP * np.maximum(lawful, 1.0) * middle)
    shares = times / times.sum(axis=1, keepdims=True)
    usual = np.median(shares, axis=0)
    below = np.cumsum(usual) / usual.sum()
    scatter = np.cumsum(shares, axis=1).std(axis=0, ddof=1) / np.sqrt(len(shares))
    return [
        (float(40 * np.log10(edge)), float(share), float(max(u, _LAW_SCATTER)))
        for edge, share, u in zip(edges[1:-1], below, scatter, strict=False)
    ][4:]


def fitting_taper(
    dwell: Sequence[tuple[float, float, float]],
) -> tuple[Taper, tuple[Taper, ...], float]:
    """The law that makes the hand's speed evenest over the passes, and those nearly as good.

    And by how much of the travel it misses an even speed (RMS): a law that is none of those known,
    or a hand that is slower in one half, puts places off by as much.
    """
    if not dwell:
        return AUDIO, tuple(taper for taper in TAPERS if taper != AUDIO), 0.0
    db, share, u = np.array(dwell).T
    misses = []
    for taper in TAPERS:
        x = taper.travel(10 ** (db / 20))
        misses.append(float(np.sqrt(np.mean((x - share) ** 2))))
    best = int(np.argmin(misses))
    margin = misses[best] + _LAW_MARGIN * float(np.mean(u))
    alike = tuple(t for k, t in enumerate(TAPERS) if k != best and misses[k] < margin)
    return TAPERS[best], alike, misses[best]


def law_uncertainty(taper: Taper, alike: Sequence[Taper]) -> Floats:
    """Standard uncertainty of travel, at each percent of it, by which law it is.

    The law is one of several, each as likely: the deviation of the farthest over the root of
    three (GUM 4.3.7, rectangular).
    """
    grid = np.linspace(0, 1, 101)
    amplitude = taper.amplitude(grid)
    off = [np.abs(other.travel(amplitude) - grid) for other in alike]
    return np.asarray(np.max(off, axis=0) / np.sqrt(3)) if off else np.zeros(101)


def fluctuation_uncertainty(taper: Taper, fluctuation_db: float) -> Floats:
    """Standard uncertainty of travel, at each percent of it, by the sound's own fluctuation."""
    grid = np.linspace(0, 1, 101)
    amplitude = taper.amplitude(grid)
    slope = np.gradient(amplitude, grid)
    return np.asarray(amplitude / np.maximum(slope, 1e-6) * fluctuation_db / NEPER_DB)
