"""Harmonic profiles, responses, stray tones and spectra, compared as shapes.

A shape is many numbers, and all of them move together when one thing changes: the level of every
harmonic is relative to the same fundamental. A sum of squares over them would count that one thing
many times. So a shape has changed when its most telling entry has, at a level divided by the
number of entries (Bonferroni), which holds whatever the entries have in common; the RMS difference
says by how much on the whole.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sigbench.errors import RequestError
from sigbench.model import Reading, Verdict
from sigbench.repeatability import Difference, Repeats, column_of, difference
from sigbench.units import NEPER_DB, rms_to_dbfs, true_minus

if TYPE_CHECKING:
    from sigbench.measure.spectrum import Spectrum

SMALLEST_DB = 0.5  # of a single harmonic or band worth reporting: common practice, no source
SMALLEST_SPUR_DB = 1.0  # of a stray tone's level: common practice, no source
NOISE_LIMITED_DB = 0.99 * NEPER_DB / 2
"""Own uncertainty of an entry that was not told from noise: see `measure.estimate.decibels`."""

CLEAR_SPUR_DB = 0.5
"""Greatest own uncertainty of a stray tone whose coming or going is no accident of detection.

Its power then stands nearly nine standard uncertainties above nothing (8.686/2 over 0.5).
"""
SAME_SPUR_HZ, SAME_SPUR_FRACTION = 2.0, 0.002  # how far a stray tone may wander between takes

BANDS = range(-17, 14)  # of the third octaves 20 Hz to 20 kHz: 1000 Hz times 10**(n/10)
MINIMUM_BAND_BINS = 2.0  # noise bandwidths that a band must hold: fewer have no level of their own


@dataclass(frozen=True, slots=True)
class Column:
    """One entry of a shape at both stages."""

    label: str
    before: Repeats
    after: Repeats


@dataclass(frozen=True, slots=True)
class ShapeDifference:
    """RMS difference in dB with its standard uncertainty, the verdict, and why."""

    rms: float | None
    uncertainty: float | None
    verdict: Verdict
    why: str


@dataclass(frozen=True, slots=True, eq=False)
class SpectrumDifference:
    """Third-octave band levels of two stages.

    Parameters
    ----------
    centres_hz : ndarray of float, shape (bands,)
        Exact centres (IEC 61260-1, base 10).
    before_dbfs, after_dbfs : ndarray of float, shape (bands,)
        Mean over the repeats.
    difference_db, uncertainty_db : ndarray of float, shape (bands,)
        After minus before, and its standard uncertainty.
    limit_db : ndarray of float, shape (bands,)
        What scatter explains.
    verdict : Verdict
        ``no change`` or ``different``; ``cannot tell`` where there is nothing to compare.
    why : str
        The band that changed most.
    """

    centres_hz: NDArray[np.float64]
    before_dbfs: NDArray[np.float64]
    after_dbfs: NDArray[np.float64]
    difference_db: NDArray[np.float64]
    uncertainty_db: NDArray[np.float64]
    limit_db: NDArray[np.float64]
    verdict: Verdict
    why: str


def compare_profiles(
    before: Sequence[Reading], after: Sequence[Reading], level: float
) -> ShapeDifference:
    """Harmonic profiles in dB re the fundamental, from the 2nd harmonic on.

    Parameters
    ----------
    before, after : sequence of Reading
        One ``harmonics`` reading for each repeat, all valid.
    level : float
        Probability of calling an unchanged profile different.
    """
    columns = []
    for k in range(min(len(_entries(r)) for r in (*before, *after))):
        b = column_of(before, k, noise_limited=NOISE_LIMITED_DB)
        a = column_of(after, k, noise_limited=NOISE_LIMITED_DB)
        if b is not None and a is not None:
            columns.append(Column(f"{ordinal(k + 2)} harmonic", b, a))
    return compare_columns(columns, level, nothing="no harmonic stands above the noise")


def compare_responses(
    before: Sequence[Reading], after: Sequence[Reading], level: float
) -> ShapeDifference:
    """Frequency responses as pairs of Hz and dB, at the frequencies that all repeats share.

    Parameters are those of `compare_profiles`.
    """
    grids = [tuple(_pair(e)[0] for e in _entries(r)) for r in (*before, *after)]
    shared = sorted(set(grids[0]).intersection(*grids[1:]))
    columns = []
    for hz in shared:
        b = _at(before, hz)
        a = _at(after, hz)
        if b is not None and a is not None:
            columns.append(Column(f"{hz:.4g} Hz", b, a))
    return compare_columns(columns, level, nothing="the two stages share no frequency")


def compare_spurs(
    before: Sequence[Reading], after: Sequence[Reading], level: float
) -> ShapeDifference:
    """Stray tones as pairs of Hz and dBFS: new, gone, stronger or weaker.

    Parameters are those of `compare_profiles`. A tone is new, or gone, if every repeat of one side
    has it clearly (`CLEAR_SPUR_DB`) and no repeat of the other has it at all; one that comes and
    goes proves nothing. The difference is that of the strongest tone that changed.
    """
    found = _spur_groups((*before, *after))
    if not found:
        return ShapeDifference(None, None, "no change", "no stray tones on either side")
    sized: list[tuple[float, Verdict, str, Difference | None]] = []
    unsure = 0
    for hz in found:
        b, a = _spur_repeats(before, hz), _spur_repeats(after, hz)
        everywhere = (b.count if b else 0, a.count if a else 0)
        if b and a and everywhere == (len(before), len(after)):
            moved = difference(b, a)
            if moved is None:
                unsure += 1
                continue
            if abs(moved.value) > max(moved.limit(level / len(found)), SMALLEST_SPUR_DB):
                verdict: Verdict = "better" if moved.value < 0 else "worse"
                way = "weaker" if moved.value < 0 else "stronger"
                text = f"stray tone at {hz:.1f} Hz {abs(moved.value):.1f} dB {way}"
                sized.append((max(b.best, a.best), verdict, text, moved))
        elif a is None and b and b.count == len(before):
            if _clear(b):
                sized.append((b.best, "better", f"stray tone at {hz:.1f} Hz gone", None))
            else:
                unsure += 1
        elif b is None and a and a.count == len(after):
            if _clear(a):
                text = f"new stray tone at {hz:.1f} Hz, {a.best:.0f} dBFS"
                sized.append((a.best, "worse", text, None))
            else:
                unsure += 1
        else:
            unsure += 1
    if not sized:
        if unsure:
            text = "stray tones so weak that they come and go between repeats"
            return ShapeDifference(None, None, "cannot tell", text)
        return ShapeDifference(None, None, "no change", "the same stray tones on both sides")
    sized.sort(key=lambda change: -change[0])
    verdicts = {change[1] for change in sized}
    verdict = verdicts.pop() if len(verdicts) == 1 else "different"
    first = sized[0][3]
    return ShapeDifference(
        first.value if first else None,
        first.uncertainty if first else None,
        verdict,
        true_minus("; ".join(change[2] for change in sized[:3])),
    )


def compare_spectra(
    before: Sequence["Spectrum"], after: Sequence["Spectrum"], *, false_changes: float = 0.05
) -> SpectrumDifference:
    """Spectra of one channel at two stages as third-octave band levels.

    Parameters
    ----------
    before, after : sequence of Spectrum
        One for each repeat, from `sigbench.measure.spectrum.power_spectrum`.
    false_changes : float
        Probability of calling an unchanged spectrum different.

    Raises
    ------
    RequestError
        If a side has no spectrum.

    Notes
    -----
    Exact centres and edges of IEC 61260-1 (base 10). A band of noise is chi-square with two
    degrees of freedom for each average and noise bandwidth in it, which gives its own standard
    uncertainty. Bands narrower than two noise bandwidths, or above half the sample rate, are left
    out.
    """
    if not before or not after:
        raise RequestError("A spectrum is missing on one side: compare takes of both stages.")
    columns: list[Column] = []
    centres: list[float] = []
    for n in BANDS:
        centre = 1000 * 10 ** (n / 10)
        low, high = centre * 10**-0.05, centre * 10**0.05
        if any(
            high > s.frequencies_hz[-1] or high - low < MINIMUM_BAND_BINS * s.noise_bandwidth_hz
            for s in (*before, *after)
        ):
            continue
        b, a = _band(before, low, high), _band(after, low, high)
        if b is not None and a is not None:
            centres.append(centre)
            columns.append(Column(f"the band at {centre:.3g} Hz", b, a))
    level = false_changes
    shape = compare_columns(columns, level, nothing="no band has a level on both sides")
    moves = [difference(c.before, c.after) for c in columns]
    known = [m for m in moves if m is not None]  # all of them: each band has its own uncertainty
    each = level / max(len(columns), 1)
    return SpectrumDifference(
        np.array(centres),
        np.array([c.before.best for c in columns]),
        np.array([c.after.best for c in columns]),
        np.array([m.value for m in known]),
        np.array([m.uncertainty for m in known]),
        np.array([m.limit(each) for m in known]),
        shape.verdict,
        shape.why,
    )


def compare_columns(columns: Sequence[Column], level: float, *, nothing: str) -> ShapeDifference:
    """Compare a shape entry by entry.

    An entry that is a bound on one side counts by what the other stands above the bound; a bound
    on both sides says nothing.
    """
    moves: list[tuple[Difference, Column]] = []
    for column in columns:
        moved = _move(column)
        if moved is not None:
            moves.append((moved, column))
    if not moves:
        return ShapeDifference(None, None, "cannot tell", nothing)
    values = np.array([m.value for m, _ in moves])
    own = np.array([m.uncertainty for m, _ in moves])
    rms = float(np.sqrt(np.mean(values**2)))
    # GUM 5.1.2 for the root mean square; at zero it is the mean scatter that is left.
    spread = float(np.sqrt(np.sum(values**2 * own**2)) / (len(values) * rms)) if rms else 0.0
    uncertainty = spread or float(np.sqrt(np.mean(own**2) / len(values)))
    each = level / len(moves)
    changed = [(m, c) for m, c in moves if abs(m.value) > max(m.limit(each), SMALLEST_DB)]
    largest, column = max(changed or moves, key=lambda move: abs(move[0].value))
    way = "up" if largest.value > 0 else "down"
    bound = column.before.bound or column.after.bound
    size = f"{'at least ' if bound else ''}{abs(largest.value):.1f} dB {way}"
    if changed:
        more = f", and {len(changed) - 1} more changed" if len(changed) > 1 else ""
        return ShapeDifference(rms, uncertainty, "different", f"{column.label} {size}{more}")
    return ShapeDifference(
        rms, uncertainty, "no change", f"largest: {column.label} {size}, within scatter or small"
    )


def ordinal(number: int) -> str:
    """``2nd``, ``3rd``, ``11th``.

    Examples
    --------
    >>> ordinal(2), ordinal(3), ordinal(12), ordinal(21)
    ('2nd', '3rd', '12th', '21st')
    """
    teens = number % 100 in (11, 12, 13)
    ending = "th" if teens else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


def _move(column: Column) -> Difference | None:
    b, a = column.before, column.after
    if b.bound and a.bound:
        return None
    moved = difference(b, a)
    # A value below the other side's bound is no evidence of a change.
    if moved is not None and ((b.bound and moved.value < 0) or (a.bound and moved.value > 0)):
        return None
    return moved


def _entries(reading: Reading) -> tuple[float | tuple[float, float], ...]:
    return reading.value if isinstance(reading.value, tuple) else ()


def _pair(entry: float | tuple[float, float]) -> tuple[float, float]:
    return entry if isinstance(entry, tuple) else (math.nan, entry)


def _own(reading: Reading, entry: int) -> float | None:
    u = reading.uncertainty
    if isinstance(u, tuple):
        return u[entry] if entry < len(u) and math.isfinite(u[entry]) else None
    return u


def _repeats(values: Sequence[float], own: Sequence[float | None]) -> Repeats:
    known = [u for u in own if u is not None]
    rms = math.sqrt(math.fsum(u * u for u in known) / len(known)) if known else None
    return Repeats(tuple(values), rms if len(known) == len(values) else None)


def _at(readings: Sequence[Reading], hz: float) -> Repeats | None:
    values, own = [], []
    for reading in readings:
        for k, entry in enumerate(_entries(reading)):
            if _pair(entry)[0] == hz and math.isfinite(_pair(entry)[1]):
                values.append(_pair(entry)[1])
                own.append(_own(reading, k))
    return _repeats(values, own) if len(values) == len(readings) else None


def _same(hz: float, other: float) -> bool:
    return abs(hz - other) <= max(SAME_SPUR_HZ, SAME_SPUR_FRACTION * hz)


def _spur_groups(readings: Sequence[Reading]) -> list[float]:
    """Frequencies of the distinct stray tones, each as first met."""
    found: list[float] = []
    for reading in readings:
        for entry in _entries(reading):
            hz = _pair(entry)[0]
            if not any(_same(known, hz) for known in found):
                found.append(hz)
    return found


def _spur_repeats(readings: Sequence[Reading], hz: float) -> Repeats | None:
    """The tone's level in the repeats that have it; the nearest where two would do."""
    values, own = [], []
    for reading in readings:
        near = [
            (abs(_pair(e)[0] - hz), k)
            for k, e in enumerate(_entries(reading))
            if _same(hz, _pair(e)[0])
        ]
        if near:
            k = min(near)[1]
            values.append(_pair(_entries(reading)[k])[1])
            own.append(_own(reading, k))
    return _repeats(values, own) if values else None


def _clear(repeats: Repeats) -> bool:
    return repeats.own is not None and repeats.own <= CLEAR_SPUR_DB


def _band(spectra: Sequence["Spectrum"], low: float, high: float) -> Repeats | None:
    values, own = [], []
    for spectrum in spectra:
        power = spectrum.band_power(low, high)
        if power <= 0:
            return None
        independent = spectrum.averages * (high - low) / spectrum.noise_bandwidth_hz
        values.append(float(rms_to_dbfs(math.sqrt(power))))
        own.append(NEPER_DB / 2 / math.sqrt(independent))
    return _repeats(values, own)
