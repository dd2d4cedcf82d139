"""Level of a channel while a control in it is turned, and the bursts that disturb it.

The cells of `sigbench.measure.scrape` are taken to a level every 5 ms, less the noise; levels that
a burst or lost contact makes untrue are marked. Where the control stands is not told here, see
`sigbench.measure.travel`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sigbench.measure.estimate import Estimate, decibels
from sigbench.measure.rhythm import RegularClicks
from sigbench.measure.scrape import (
    CELL_SECONDS,
    GAP_SECONDS,
    Burst,
    Cells,
    Sound,
    find_bursts,
    learn_sounds,
    read_cells,
    runs,
)
from sigbench.model import Samples
from sigbench.units import FULL_SCALE_SINE_RMS, power_ratio_to_db

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LEAST_RANGE_DB = 6.0  # a level that moves less is not taken for turned; our own choice
TOP_LEAST_DB = 0.05  # no highest level is known better: the filter passes not all of the sound
NO_SOUND = "no steady sound: hold a note, or play a tone through the unit, while turning"

CHANGES = (
    "the sound changes its timbre or pitch while the control is turned: turn it with the output "
    "silent (scrape noise alone); for a volume control hold a note that stays as it is"
)

_ON_GRID_SECONDS = 0.003  # off an even grid: bursts are known to cells, and filters ring
_SMOOTH = 61  # cells of the Hann window that the level is read through
HOP = 5  # cells from one level to the next
GUARD = 7  # levels on both sides of a burst that it disturbs: filter and window, 35 ms
_SETTLE = 10  # levels at the start and end of the take that the filters spoil
LONGEST_BRIDGE = 300  # levels, 1.5 s: through a longer disturbance the hand is not followed
_CRACKLED = 26  # levels of a disturbance by 50 ms of crackle, with its guards
_HAND = 0.8  # of the amplitude in a second: a quick hand on a linear track
LOST_DB = 20.0
REST_SECONDS = 0.3
_RESIDUE_LEVELS = 41  # 0.2 s
_BETWEEN = 40  # levels, 0.2 s: between two bursts so near the level is looked at again
_HELD_DOWN_DB = 1.0  # a level so much lower than on both sides is held down by the contact
_NEVER_DOWN = 0.01  # power re full, 20 dB
_HUM_RATIO = 0.5  # one partial fell 3 dB further than all together: hum holds these up
_FULL_BAND_DB = 1.5  # levels this near to the highest show how much the sound itself fluctuates


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """What is heard of one channel: its cells, its level, and what disturbs it.

    Parameters
    ----------
    channel : int
        Counted from 1.
    cells : Cells
        At 1 ms.
    power : ndarray of float, shape (levels,)
        Power of the sound less the noise, every 5 ms.
    noise : float
        Power of the noise in the sound's partials.
    full : float
        Power at the highest level met.
    bursts : tuple of Burst
        Contact noise.
    disturbed : ndarray of bool, shape (levels,)
        Levels that bursts and lost contact make untrue.
    fallen : float
        Power of the partial that fell furthest, re the highest it was.
    fluctuation : float
        Standard deviation of the sound's own level in dB, seen at the upper end.
    why : str or None
        Why this channel tells nothing of the travel; None if it does.
    own : tuple of RegularClicks
        Bursts that keep time, as a sample loop makes them: the sound's own, and not among `bursts`.
    """

    channel: int
    cells: Cells
    power: Floats
    noise: float
    full: float
    bursts: tuple[Burst, ...]
    disturbed: Bools
    fallen: float
    fluctuation: float
    why: str | None
    own: tuple[RegularClicks, ...] = ()


def hear(samples: Samples, samplerate: int) -> tuple[Track, ...]:
    """Take the channels of a take apart.

    Parameters
    ----------
    samples : ndarray of float, shape (frames, channels)
        Full scale is -1.0 to 1.0.
    samplerate : int
        Frames a second.

    Raises
    ------
    SignalError
        If the take is shorter than 0.7 s.
    """
    sounds = learn_sounds(samples, samplerate)
    return tuple(
        follow(sound, read_cells(samples[:, column], sound), column + 1)
        for column, sound in enumerate(sounds)
    )


def follow(sound: Sound, cells: Cells, channel: int) -> Track:
    """The level of a channel whose cells have been read, so far as they go.

    In a live session this is called again as cells come in: it costs some 10 ms a minute.
    """
    window = np.hanning(_SMOOTH + 2)[1:-1]
    smooth = np.convolve(cells.tone, window / window.sum(), "same")
    quiet = cells.residue[cells.tone <= np.quantile(cells.tone, 0.1)]
    noise = float(np.median(quiet)) * sound.noise_ratio
    if sound.fallen > _NEVER_DOWN:  # then there was no quiet moment to see the noise in
        noise = min(noise, _NEVER_DOWN * float(np.quantile(smooth, 0.02)))
    expected = np.maximum(smooth - noise, 0.0)
    power = (smooth - noise)[::HOP]
    full, fluctuation = _full_power(power)
    disturbed = np.zeros(len(power), dtype=bool)
    if sound.changing:  # what the filter does to the sound cannot be told from crackle
        return Track(channel, cells, power, noise, 0.0, (), disturbed, 1.0, 0.0, CHANGES)
    if not sound.tonal or full <= 0.0:
        bursts = find_bursts(sound, cells, np.zeros(len(cells)), None)
        return Track(channel, cells, power, noise, 0.0, bursts, disturbed, 1.0, 0.0, NO_SOUND)
    bursts = find_bursts(sound, cells, expected, full)
    for first, last in _disturbances(bursts, power / full):
        disturbed[first:last] = True
    _held_down(power, disturbed)
    disturbed[:_SETTLE] = disturbed[-_SETTLE:] = True
    clean = power[~disturbed]
    if len(clean):
        full, fluctuation = _full_power(clean)
    low = max(float(np.quantile(clean, 0.02)) if len(clean) else full, noise)
    # Bursts spoil levels, and hardly the median of spectra: both must show that it was turned.
    span = 10 * np.log10(min(full / max(low, 1e-30), 1 / max(sound.fallen, 1e-30)))
    why: str | None = None
    if full < 10 * noise:
        why = "the sound does not stand 10 dB above the noise: play it louder"
    elif span < LEAST_RANGE_DB:
        why = (
            f"the level moves by {span:.1f} dB only: this channel is not turned by the control, "
            "or the control was not turned, or not far enough; turn it from end to end"
        )
    return Track(
        channel, cells, power, noise, full, bursts, disturbed, sound.fallen, fluctuation, why
    )


def without_own_clicks(
    tracks: Sequence[Track], regular: Sequence[RegularClicks]
) -> tuple[Track, ...]:
    """The channels without the bursts that keep time, which are the sound's own.

    Parameters
    ----------
    tracks : sequence of Track
        As they were heard.
    regular : sequence of RegularClicks
        What `sigbench.measure.crackle.CrackleDetector` found in the same take. It misses some
        where the sound is turned down: what lies on the same even grid is taken for another.
    """
    return tuple(
        _without_own(track, [clicks for clicks in regular if clicks.channel == track.channel])
        for track in tracks
    )


def _without_own(track: Track, regular: Sequence[RegularClicks]) -> Track:
    bursts, own = track.bursts, []
    for clicks in regular:
        known = [
            (burst, time)
            for burst in bursts
            if abs((time := _nearest(clicks, burst)) - burst.start) <= GAP_SECONDS
        ]
        at_one = [
            (burst.start - time, burst.end - time)
            for burst, time in known
            if np.min(np.abs(np.subtract(clicks.starts, time))) <= _ON_GRID_SECONDS
        ]
        if not at_one:
            continue
        # A crackle that goes on for longer is not the loop's, though a loop may be in it.
        first, last = np.median(at_one, axis=0)
        kept_time = {
            burst
            for burst, time in known
            if burst.start - time >= first - _ON_GRID_SECONDS
            and burst.end - time <= last + _ON_GRID_SECONDS
        }
        own.append(replace(clicks, starts=tuple(sorted(burst.start for burst in kept_time))))
        bursts = tuple(burst for burst in bursts if burst not in kept_time)
    return replace(track, bursts=bursts, own=tuple(clicks for clicks in own if clicks.starts))


def _nearest(clicks: RegularClicks, burst: Burst) -> float:
    """The time on the grid of regular clicks that is nearest to the beginning of a burst."""
    starts = np.asarray(clicks.starts)
    anchor = float(starts[np.argmin(np.abs(starts - burst.start))])
    return anchor + round((burst.start - anchor) / clicks.interval) * clicks.interval


def _held_down(power: Floats, disturbed: Bools) -> None:
    """Mark as disturbed what lies between two bursts and below the level on both sides."""
    spans = runs(disturbed, 0)
    for (begin, end), (first, last) in pairwise(spans):
        if first - end > _BETWEEN or begin == 0 or last == len(power):
            continue
        usual = min(power[begin - 1], power[last])
        if np.median(power[end:first]) < 10 ** (-_HELD_DOWN_DB / 10) * usual:
            disturbed[end:first] = True


def _full_power(power: Floats) -> tuple[float, float]:
    """Power at the upper end, and the sound's own fluctuation there in dB (standard deviation).

    It is the median of the highest 0.3 s: a rest at the upper end, and no rest just before it.
    """
    if len(power) == 0:
        return 0.0, 0.0
    count = min(len(power), round(REST_SECONDS / (HOP * CELL_SECONDS)))
    full = float(np.median(np.partition(power, -count)[-count:]))
    if full <= 0:
        return full, 0.0
    near = power[power > full * 10 ** (-_FULL_BAND_DB / 10)]
    plateau = near[near >= 0.5 * (near.min() + near.max())]
    middle = float(np.median(plateau))
    return full, float(1.48 * np.median(np.abs(10 * np.log10(plateau / middle))))


def _disturbances(bursts: Sequence[Burst], power: Floats) -> list[tuple[int, int]]:
    """First and one past the last level of each disturbance: bursts, and lost contact between two.

    A gap opens with one burst and closes with another. It differs from a control turned down in
    that the level falls and comes back at once: a hand that rests at a worn lower end crackles on
    its way there. `power` is re full.
    """
    hop = HOP * CELL_SECONDS
    levels = len(power)
    spans = [
        (max(0, int(b.start / hop) - GUARD), min(levels, int(b.end / hop) + GUARD + 2))
        for b in bursts
    ]
    joined: list[tuple[int, int]] = []
    for first, last in spans:
        if joined:
            begin, end = joined[-1]
            if first <= end:
                joined[-1] = begin, max(end, last)
                continue
            before = power[max(0, begin - 1)]
            after = power[min(levels - 1, last)]
            inside = max(power[min(end, levels - 1)], power[max(first - 1, 0)])
            deep = inside < 10 ** (-LOST_DB / 10) * min(before, after)
            by_hand = in_reach(before, end - begin) and in_reach(after, last - first)
            by_hand &= min(end - begin, last - first) > _CRACKLED
            if deep and not by_hand and first - end < LONGEST_BRIDGE:
                joined[-1] = begin, last
                continue
        joined.append((first, last))
    return joined


def in_reach(power: float, levels: int) -> bool:
    """Whether a hand turns a control from this power re full to nothing in so many levels."""
    return bool(power < (_HAND * levels * HOP * CELL_SECONDS) ** 2)


def level_db(track: Track) -> Floats:
    """Level of the sound in dB re its highest, shape (levels,); far within the noise it is cut."""
    least = 0.1 * track.noise / track.full + 1e-15
    return np.asarray(10 * np.log10(np.maximum(track.power / track.full, least)))


def top_level(track: Track) -> Estimate:
    """Highest level of the sound in dBFS, as uncertain as the sound itself fluctuates there."""
    value = float(power_ratio_to_db(track.full / FULL_SCALE_SINE_RMS**2))
    return Estimate(value, max(track.fluctuation, TOP_LEAST_DB))


def end_residue(track: Track) -> Estimate:
    """Lowest level of the sound over 0.2 s re the highest; a bound where it is within the noise."""
    from scipy.ndimage import uniform_filter1d

    power = track.power[~track.disturbed]
    width = min(_RESIDUE_LEVELS, len(power))
    means = uniform_filter1d(power, width)[width // 2 : len(power) - width // 2]
    if len(means) == 0:
        means = np.array([power.mean()])
    at = int(np.argmin(means))
    # Levels 25 ms apart are independent: that is how far the window reaches.
    scatter = float(np.std(power[at : at + width])) / np.sqrt(max(1.0, width / 5))
    # The noise itself is known within 1 dB or so.
    u = float(np.hypot(scatter, 0.3 * track.noise))
    residue = decibels(Estimate(float(means[at]), u), track.full)
    hum = track.fallen < _HUM_RATIO * means[at] / track.full
    return replace(residue, upper_bound=True) if hum else residue
