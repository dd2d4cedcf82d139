"""Discrete tones in idle noise that are not mains: inverter whine, clocks, leaking oscillators.

A tone is called only where the averaged spectrum stands above its local floor by more than noise
alone would once in a hundred takes, anywhere in the band. A tone that moves during the take is
one tone, wherever it went.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from sigbench.measure.estimate import Estimate, mean_of_segments
from sigbench.measure.noise import level_of_parts, student_factor
from sigbench.measure.spectrum import (
    LOBE_BINS,
    SEGMENT_SECONDS,
    Segments,
    Spectrum,
    detection_threshold,
    noise_floor,
    require_signal,
)
from sigbench.units import dbfs_to_rms

Array = NDArray[np.float64]

FALSE_ALARM_RATE = 0.01  # of takes and channels of noise alone, the part in which a tone is called
MARGIN = 2.0  # the floor and the levels of the parts are estimates too; kept by simulation
LOWEST_HZ = 20.0
HIGHEST_PART_OF_RATE = 0.47  # above lies the interface's own anti-alias filter
PARTS = 16  # at most this many parts of the take are looked at one by one
VALLEY = 100.0  # power ratio (20 dB): a dip this deep below both its sides parts two tones
JOIN_BINS = 3  # pieces nearer than this, with no such dip between them, are one tone
WANDER_HZ = 60.0  # pieces nearer than this are one tone if it was in one of them at a time
TURNS = 0.5  # cosine of two pieces' powers over the parts, below which they took turns
LEAKAGE = 10**-8.9  # power ratio: the window's side lobes are 92 dB down, 3 dB for two tones
LEAKAGE_BINS = 200  # this far from a line its side lobes are 30 dB lower still
LEVEL_BINS = 800  # noise levels of the parts are compared over so many bins, 400 Hz at 2 s
LEAST_LEVEL = 1e-6  # power ratio; a part 60 dB quieter than the mean is not raised further
MUTED_SECONDS = 0.01  # noise never stands still so long; a digital mute does
SOUNDING_SECONDS = 0.5  # shorter stretches between mutes are no better than the whole take
SILENCE = 1e-30  # mean square
RESOLUTION = 1e-20  # power ratio: -200 dB; computed signals hold rounding below it


@dataclass(frozen=True, slots=True)
class Comb:
    """Lines to leave out: a fundamental, how many multiples of it, and how near counts as one.

    Line n is known n times less well than the fundamental, whose uncertainty widens it so. Above
    `sure_to_hz`, where chance brings a tone near to some line, only what is no stronger than
    `strongest_dbfs` is taken for one: the lines of the mains become weaker towards high ones.
    """

    fundamental_hz: float
    harmonics: int
    tolerance_hz: float = 1.0
    uncertainty_hz: float = 0.0
    sure_to_hz: float = math.inf
    strongest_dbfs: float = math.inf


@dataclass(frozen=True, slots=True)
class Spur:
    """A discrete tone: mean frequency in Hz and RMS level in dBFS over the take."""

    frequency: Estimate
    level: Estimate


def find_spurs(signal: Array, samplerate: int, *, exclude: Sequence[Comb] = ()) -> tuple[Spur, ...]:
    """Tones that stand above the noise, strongest first, from 20 Hz to 0.47 of the rate.

    Parameters
    ----------
    signal : ndarray of float, shape (frames,)
        Idle noise; full scale is -1.0 to 1.0.
    samplerate : int
        Frames a second.
    exclude : sequence of Comb
        The mains comb, as a rule: tones on its lines are left out.

    Returns
    -------
    tuple of Spur
        Level in dBFS with the noise under the tone taken off.

    Raises
    ------
    SignalError
        If there are fewer than 64 frames, or a sample is not a number.

    Notes
    -----
    Noise alone gives a tone in at most 1 % of takes (`FALSE_ALARM_RATE`), provided that it is
    Gaussian noise whose spectrum is smooth over some 50 Hz (200 Hz above 1 kHz). Beside a strong
    line, within 100 Hz, a tone more than 89 dB weaker is hidden. Tones nearer together than
    4 Hz are one on takes of 4 s or more; on shorter takes the distance grows.
    """
    sounding = _longest_sounding(require_signal(signal, samplerate), samplerate)
    segments = Segments.of(sounding, samplerate, SEGMENT_SECONDS)
    parts, counts = _parts(segments)
    spectrum = segments.spectrum(np.average(parts, axis=0, weights=counts))
    if parts.max() <= SILENCE:
        return ()
    levelled = segments.spectrum(_levelled(segments, parts, counts), int(counts.sum()))
    excluded = _on_combs(levelled, exclude)
    lowest = max(LOWEST_HZ, (LOBE_BINS + 1) * spectrum.bin_hz)
    frequencies = spectrum.frequencies_hz
    searched = (frequencies >= lowest) & (frequencies <= HIGHEST_PART_OF_RATE * samplerate)

    bins = max(1, int(np.count_nonzero(searched & ~excluded)))
    rate = FALSE_ALARM_RATE / MARGIN
    threshold = detection_threshold(levelled, false_alarm_rate=rate, bins=bins)
    leakage = LEAKAGE * ndimage.maximum_filter1d(spectrum.power, 2 * LEAKAGE_BINS + 1)
    audible = spectrum.power > np.maximum(leakage, max(SILENCE, RESOLUTION * spectrum.power.max()))
    hits = excluded
    for _ in range(2):  # the second floor is free of the tones that the first one found
        floor = noise_floor(levelled, ignore=hits | excluded)
        hits = (levelled.power > floor * threshold) & audible

    pieces = [
        piece
        for piece in _pieces(levelled.power, hits)
        if searched[piece.peak] and not excluded[piece.peak]
    ]
    noise = noise_floor(spectrum, ignore=hits | excluded)
    excess = (parts - noise) / spectrum.noise_bandwidth_bins
    joined = _joined(pieces, levelled.power, excess, spectrum.bin_hz)
    found = (_spur(group, excess, counts, frequencies) for group in joined)
    return tuple(
        sorted((spur for spur in found if spur is not None), key=lambda spur: -spur.level.value)
    )


@dataclass(frozen=True, slots=True)
class _Piece:
    """Bins that belong to one tone: first, highest, and one past the last."""

    start: int
    peak: int
    stop: int


def _longest_sounding(signal: Array, samplerate: int) -> Array:
    """The longest stretch that nowhere stands still for 10 ms; the whole take if that is short.

    Where a segment begins or ends in a mute, what is left of the noise in it is too short for
    its spectrum to be like the others'.
    """
    still = round(MUTED_SECONDS * samplerate)
    edges = np.concatenate(([-1], np.flatnonzero(np.diff(signal)), [len(signal) - 1]))
    gaps = np.flatnonzero(np.diff(edges) > still)
    starts = np.concatenate(([0], edges[gaps + 1] + 1))
    stops = np.concatenate((edges[gaps] + 1, [len(signal)]))
    longest = int(np.argmax(stops - starts))
    stretch = signal[starts[longest] : stops[longest]]
    return stretch if len(stretch) >= SOUNDING_SECONDS * samplerate else signal


def _parts(segments: Segments) -> tuple[Array, Array]:
    """Power spectra of the take's parts, shape (parts, bins), and the segments in each."""
    parts = np.zeros((min(PARTS, segments.count), segments.length // 2 + 1))
    counts = np.zeros(len(parts))
    for number, power in enumerate(segments.powers()):
        part = number * len(parts) // segments.count
        parts[part] += power
        counts[part] += 1
    return parts / counts[:, np.newaxis], counts


def _levelled(segments: Segments, parts: Array, counts: Array) -> Array:
    """Mean of the parts, all brought to the same noise level, shape (bins,).

    So a crackle or a burst that lifts one part does not outweigh the others: the mean would
    then scatter as one part does, and noise would pass for tones.
    """
    mean = np.average(parts, axis=0, weights=counts)
    floor = np.maximum(noise_floor(segments.spectrum(mean, int(counts.sum()))), SILENCE)
    edges = np.arange(0, max(len(mean) - LEVEL_BINS // 2, 1), LEVEL_BINS)
    blocks = [slice(start, stop) for start, stop in pairwise([*edges, len(mean)])]
    centres = [(block.start + block.stop) / 2 for block in blocks]
    total = np.zeros_like(mean)
    for part, count in zip(parts, counts, strict=True):
        ratio = part / floor
        levels = [max(float(np.median(ratio[block])), LEAST_LEVEL) for block in blocks]
        total += count * part / np.interp(np.arange(len(mean)), centres, levels)
    return total / counts.sum()


def _on_combs(spectrum: Spectrum, combs: Sequence[Comb]) -> NDArray[np.bool_]:
    """Bins within the tolerance, and the window's main lobe, of a line of a comb."""
    excluded = np.zeros(len(spectrum.power), dtype=bool)
    for comb in combs:
        number = np.round(spectrum.frequencies_hz / comb.fundamental_hz)
        number = np.clip(number, 1, comb.harmonics)
        distance = np.abs(spectrum.frequencies_hz - number * comb.fundamental_hz)
        reach = comb.tolerance_hz + number * comb.uncertainty_hz
        weak = spectrum.power <= dbfs_to_rms(comb.strongest_dbfs) ** 2
        told = weak | (spectrum.frequencies_hz <= comb.sure_to_hz)
        excluded |= told & (distance <= reach + LOBE_BINS * spectrum.bin_hz)
    return excluded


def _pieces(power: Array, hits: NDArray[np.bool_]) -> list[_Piece]:
    """Runs of hits, parted at deep dips."""
    labels, _ = ndimage.label(hits)
    pieces = []
    for (run,) in ndimage.find_objects(labels):
        start, peak, dip = run.start, run.start, run.start
        for bin_ in range(run.start, run.stop):
            if power[bin_] < power[dip]:
                dip = bin_
            if dip > peak and min(power[peak], power[bin_]) > VALLEY * power[dip]:
                pieces.append(_Piece(start, peak, dip))
                start, peak, dip = dip, bin_, bin_
            elif power[bin_] > power[peak]:
                peak, dip = bin_, bin_
        pieces.append(_Piece(start, peak, run.stop))
    return pieces


def _joined(pieces: list[_Piece], power: Array, excess: Array, bin_hz: float) -> list[list[_Piece]]:
    """Pieces grouped by tone: neighbours without a deep dip, or that took turns in time."""
    groups: list[list[_Piece]] = []
    for piece in pieces:
        if groups and _same_tone(groups[-1], piece, power, excess, bin_hz):
            groups[-1].append(piece)
        else:
            groups.append([piece])
    return groups


def _same_tone(
    group: list[_Piece], piece: _Piece, power: Array, excess: Array, bin_hz: float
) -> bool:
    last = group[-1]
    if 0 < piece.start - last.stop < JOIN_BINS:
        dip = power[last.stop : piece.start].min()
        if min(power[last.peak], power[piece.peak]) < VALLEY * dip:
            return True
    if (piece.peak - last.peak) * bin_hz > WANDER_HZ:
        return False
    before = np.maximum(sum(excess[:, p.start : p.stop].sum(axis=1) for p in group), 0)
    after = np.maximum(excess[:, piece.start : piece.stop].sum(axis=1), 0)
    return bool(before @ after < TURNS * np.linalg.norm(before) * np.linalg.norm(after))


def _spur(group: list[_Piece], excess: Array, counts: Array, frequencies_hz: Array) -> Spur | None:
    """Level and frequency of a tone from the powers above the floor; None if it has no power."""
    bins = np.zeros(len(frequencies_hz), dtype=bool)
    for piece in group:
        # Where the lobe sinks into the noise it still has power: 3 bins hold all but 0.01 %.
        bins[max(min(piece.start, piece.peak - LOBE_BINS + 1), 0) : piece.peak + LOBE_BINS] = True
        bins[piece.start : piece.stop] = True
    lines, frequencies = excess[:, bins], frequencies_hz[bins]
    powers = lines.sum(axis=1)
    power = float(np.average(powers, weights=counts))
    if min(power, float(powers.mean())) <= 0:
        return None
    mean = float(np.average(lines, axis=0, weights=counts) @ frequencies / power)
    # What each part moves the mean by, its power counted in.
    moves = mean_of_segments(lines @ (frequencies - mean) / power)
    uncertainty = moves.uncertainty * student_factor(len(powers) - 1)
    return Spur(Estimate(mean, uncertainty), level_of_parts(powers))
