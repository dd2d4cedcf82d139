"""Travel: where a turned control stood when something was heard, from the level alone.

A steady sound sounds while a pot or slider is turned from end to end a few times. What its level
tells, and what not:

* The level is a monotone function of the position, the taper. So two moments of equal level are
  moments of equal position, in every pass, whatever the hand did: passes can be laid over one
  another without knowing the taper.
* **Travel in percent** needs the taper as a law. Here travel is *defined* by a stated law
  (`Taper`): the position at which a control of that law, fully open at the highest level met,
  gives this level. Where the law is not told it is guessed from where the hand spent its time, and
  every law that fits nearly as well adds to the uncertainty.
* Where the level is within the noise, travel is unknown: somewhere below `Turning.floor`.
* A pause of the hand looks like a place where turning changes nothing. So a dead place is claimed
  only where passes jump over a stretch of levels, which then cannot be set.

Terms of IEC 60393-1 (from memory, to be confirmed): taper or resistance law, matching of ganged
sections, minimum effective resistance (seen here as the end residue), rotational noise, contact
resistance variation.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sigbench.measure.estimate import Estimate
from sigbench.measure.passes import (
    FEWEST_PASSES,
    count_steps,
    find_passes,
    usual_speed,
    where_moving,
)
from sigbench.measure.scrape import CELL_SECONDS, bursts_a_second, energy_in_db, runs
from sigbench.measure.taper import (
    PAN_TAPERS,
    SQUARE,
    Taper,
    fitting_taper,
    fluctuation_uncertainty,
    law_uncertainty,
    time_below,
)
from sigbench.measure.turned_level import (
    HOP,
    LONGEST_BRIDGE,
    Track,
    end_residue,
    hear,
    level_db,
    top_level,
)
from sigbench.measure.wear import (
    Spot,
    Stretch,
    WearMap,
    dead_stretches,
    find_spots,
    wear_map,
    worn_stretches,
)
from sigbench.model import Samples

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

UNSTEADY_DB = 0.3  # 3 % of a linear control's travel
GANG_STEP = 0.05  # of travel between the points of the gang error
GANG_WIDTH = 0.015  # of travel: half the span that a point is taken over
GANG_LEAST_DB = 0.03  # no ratio is known better, by precision_pot.py
GANG_LIMIT_DB = 1.0  # a gang error less certain than this is left out

AGAINST = (
    "the channels move against each other (a pan or balance control), and no law that is known (or "
    "the one that was told) gives the same place in both: where the control stood is not told"
)

IN_STEPS = (
    "the level moves in {} steps between its ends, the same in every pass, as of a rotary switch, "
    "a stepped attenuator, an encoder or a control with detents: what clicks from one to the next "
    "is not told from wear"
)

MOVES = (
    "the level goes up and down by itself, as of two oscillators or a chorus, or the control was "
    "turned to and fro below its upper end: the passes cannot be laid over one another, and a "
    "place that repeats would not show: hold a steady sound (one oscillator, no chorus), turn from "
    "end to end and record again"
)

_FAR_OFF = 0.06  # of travel: a sound whose level moves by that hides what repeats
_BELOW, _MANY_BELOW = 0.85, 0.5  # of travel, and the share of passes that stay below: a beat
_BRIDGED_TRAVEL = 0.1  # through a longer one that leads no farther it is followed all the same
_ENVELOPE = 41  # levels, 0.2 s
_ALIKE = 0.8  # rank correlation of two channels' levels, from which on one shaft turns both
_BETWEEN_ENDS = 0.1  # of the amplitude: with less in one channel, its place is that of the end
_AGREEING = 0.03  # of travel, within which two channels that move against each other must agree
_APART_DB = 0.05  # channels that differ so much more than usual: one of them has a bad contact
_USUAL_BIN = 0.02  # of the root of the amplitude
_USUAL_REACH = 6  # bins to either side
_TOP_DB = 3.0  # passes that come so near to the highest level went to the upper end


@dataclass(frozen=True, slots=True)
class Pass:
    """One way of the control between two turning points; seconds, and travel in percent."""

    start: float
    end: float
    from_travel: float
    to_travel: float


@dataclass(frozen=True, slots=True, eq=False)
class PassCurve:
    """Level of a channel along travel in one pass, to be drawn: percent, and dB re full level."""

    channel: int
    number: int
    travel: Floats
    level: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Gang:
    """What was found of one channel of a turned control.

    Parameters
    ----------
    channel : int
        Counted from 1.
    worn : tuple of Stretch or None
        Stretches that crackle in nearly every pass; None where that cannot be told.
    dead : tuple of Stretch or None
        Stretches that nearly every pass jumps over.
    why : str or None
        Why `worn` and `dead` cannot be told, or a remark.
    jumps : int
        How often the level went on from another place than it had come to.
    lost : int
        How often the signal was gone for a while.
    top_level : Estimate
        Highest level in dBFS.
    end_residue : Estimate
        Lowest level in dB re the highest.
    crackle_rate : Estimate
        Bursts a second while the control moves.
    crackle_energy : Estimate
        Mean power of the bursts while it moves, in dB re the sound at full level.
    wear : WearMap
        To be drawn.
    """

    channel: int
    worn: tuple[Stretch, ...] | None
    dead: tuple[Stretch, ...] | None
    why: str | None
    jumps: int
    lost: int
    top_level: Estimate
    end_residue: Estimate
    crackle_rate: Estimate
    crackle_energy: Estimate
    wear: WearMap


@dataclass(frozen=True, slots=True, eq=False)
class Turning:
    """A turned control: one shaft, with one channel or two.

    Parameters
    ----------
    seconds, travel : ndarray of float, shape (levels,)
        Time, and percent of travel; NaN where it is unknown.
    floor : float
        Percent of travel below which the sound is within the noise.
    taper : Taper
        The law by which travel is defined.
    told : bool
        Whether that law was told. If not, it is the one that fits best to where the hand spent
        its time.
    alike : tuple of Taper
        Laws that fit nearly as well.
    miss : float
        By how much of the travel a guessed law misses an even speed of the hand (RMS, in percent).
    dwell : tuple of (float, float)
        Level in dB re full, and the percent of a pass's turning time spent below it.
    passes : tuple of Pass
    spots : tuple of Spot
        All bursts, of all channels, in order of time.
    gangs : tuple of Gang
    gang_error : tuple of (float, Estimate)
        Percent of travel, and first channel less second there in dB; empty with one channel.
    curves : tuple of PassCurve
        To be drawn.
    moving_seconds : float
        How long the control moved.
    top_spread : float
        Standard deviation of the highest levels of the passes in dB. Above `UNSTEADY_DB` the sound
        is not steady, or the control was not always turned to its end.
    against : int or None
        The channel that goes down as this one goes up, as with a pan control.
    steps : int or None
        How many levels between its ends there are, where it rests on the same few in every pass;
        None for a track.
    """

    seconds: Floats
    travel: Floats
    floor: float
    taper: Taper
    told: bool
    alike: tuple[Taper, ...]
    miss: float
    dwell: tuple[tuple[float, float], ...]
    passes: tuple[Pass, ...]
    spots: tuple[Spot, ...]
    gangs: tuple[Gang, ...]
    gang_error: tuple[tuple[float, Estimate], ...]
    curves: tuple[PassCurve, ...]
    moving_seconds: float
    top_spread: float
    against: int | None = None
    steps: int | None = None

    @property
    def channels(self) -> tuple[int, ...]:
        """The channels that this shaft turns."""
        return tuple(gang.channel for gang in self.gangs)


def measure_travel(
    samples: Samples, samplerate: int, *, taper: Taper | None = None
) -> tuple[Turning, ...]:
    """The travel of a control that was turned while a steady sound sounded, and what it shows.

    Parameters
    ----------
    samples : ndarray of float, shape (frames, channels)
        Full scale is -1.0 to 1.0. The frequency and the wave of the sound need not be known.
    samplerate : int
        Frames a second.
    taper : Taper or None
        The law of the control; None guesses it.

    Returns
    -------
    tuple of Turning
        One for each shaft: a stereo control is one shaft with two channels; a balance control,
        which turns one channel up and the other down, counts as two. Channels whose level does
        not move are in none.
    """
    return turnings(hear(samples, samplerate), taper=taper)


def turnings(tracks: Sequence[Track], *, taper: Taper | None = None) -> tuple[Turning, ...]:
    """The same of channels that have been heard.

    Channels that move against each other check each other: the law must put both in one place. If
    none does, they are left out, for `AGAINST`.
    """
    groups = list(shafts(tracks))
    found: list[Turning] = []
    while groups:
        shaft = groups.pop(0)
        other = next((g for g in groups if _move_against(shaft, g)), None)
        if other is None:
            found.append(turning(shaft, taper=taper))
            continue
        groups.remove(other)
        law = _agreeing_taper(shaft[0], other[0], PAN_TAPERS if taper is None else (taper,))
        if law is not None:
            found += [
                replace(
                    turning(one, taper=law), told=taper is not None, against=opposite[0].channel
                )
                for one, opposite in ((shaft, other), (other, shaft))
            ]
    return tuple(found)


def _agreeing_taper(first: Track, second: Track, laws: Sequence[Taper]) -> Taper | None:
    """The law by which one channel's way up is the other's way down; None if there is none."""
    clean = ~(first.disturbed | second.disturbed)
    a, b = (np.sqrt(np.maximum(t.power[clean] / t.full, 0.0)) for t in (first, second))
    between = np.minimum(a, b) > _BETWEEN_ENDS
    if not between.any():
        return None
    misses = [
        float(np.quantile(np.abs(law.travel(a[between]) + law.travel(b[between]) - 1), 0.9))
        for law in laws
    ]
    best = int(np.argmin(misses))
    return laws[best] if misses[best] < _AGREEING else None


def shafts(tracks: Sequence[Track]) -> tuple[tuple[Track, ...], ...]:
    """Channels that are turned, those that move alike together (at most two)."""
    turned = [track for track in tracks if track.why is None]
    groups: list[tuple[Track, ...]] = []
    for track in turned:
        for k, group in enumerate(groups):
            if len(group) == 1 and _move_alike(group[0], track):
                groups[k] = (*group, track)
                break
        else:
            groups.append((track,))
    return tuple(groups)


def _move_alike(a: Track, b: Track) -> bool:
    return _likeness(a, b) > _ALIKE


def _move_against(first: Sequence[Track], second: Sequence[Track]) -> bool:
    """Whether two shafts of one channel each are one control, as of a pan."""
    return len(first) == len(second) == 1 and _likeness(first[0], second[0]) < -_ALIKE


def _likeness(a: Track, b: Track) -> float:
    """Rank correlation of two channels' levels."""
    clean = ~(a.disturbed | b.disturbed)
    if clean.sum() < 10:
        return 0.0
    ranks = [np.argsort(np.argsort(track.power[clean])) for track in (a, b)]
    return float(np.corrcoef(ranks[0], ranks[1])[0, 1])


def turning(tracks: Sequence[Track], *, taper: Taper | None = None) -> Turning:
    """What one shaft shows; see `measure_travel`.

    Parameters
    ----------
    tracks : sequence of Track
        One channel or two that move alike, as `shafts` gives them.
    taper : Taper or None
        The law of the control; None guesses it.
    """
    amplitude, floor = _shaft_amplitude(tracks)
    seconds = np.arange(len(amplitude), dtype=np.float64) * (HOP * CELL_SECONDS)
    told = taper is not None
    alike: tuple[Taper, ...] = ()
    miss = 0.0
    # Turning points lie between the laws well enough on the square law.
    envelope = _envelope(tracks)
    roughly = _bridged(SQUARE.travel(amplitude), SQUARE.travel(envelope))
    rough = find_passes(roughly)
    steps = count_steps(roughly, rough)
    dwell = time_below(np.sqrt(np.clip(amplitude, 0, 1)), rough)
    if taper is None:
        taper, alike, miss = fitting_taper(dwell)
    x = _bridged(taper.travel(amplitude), taper.travel(envelope))
    spans = find_passes(x)
    speeds = [usual_speed(x[a:b]) for a, b in spans]
    moving = where_moving(x)
    moving_seconds = max(float(moving.sum()) * HOP * CELL_SECONDS, HOP * CELL_SECONDS)
    spots = tuple(
        sorted(
            (s for track in tracks for s in find_spots(track, x, spans, speeds)),
            key=lambda s: (s.burst.start, s.channel),
        )
    )
    top_spread = _top_spread(amplitude, spans)
    beating = fluctuation_uncertainty(
        taper, max(top_spread, *(track.fluctuation for track in tracks))
    )
    moves = float(np.median(beating)) > _FAR_OFF or _mostly_below(x, spans)
    ambiguity = np.hypot(np.maximum(law_uncertainty(taper, alike), miss), beating)
    gangs = tuple(
        _gang(
            track,
            [s for s in spots if s.channel == track.channel],
            x=x,
            spans=spans,
            moving=moving,
            ambiguity=ambiguity,
            steps=steps,
            moves=moves,
        )
        for track in tracks
    )
    return Turning(
        seconds,
        100 * x,
        100 * float(taper.travel(np.array([floor]))[0]),
        taper,
        told,
        alike,
        100 * miss,
        tuple((float(db), 100 * float(share)) for db, share, _ in dwell),
        tuple(
            Pass(*(float(v) for v in (seconds[a], seconds[b - 1], 100 * x[a], 100 * x[b - 1])))
            for a, b in spans
        ),
        spots,
        gangs,
        _gang_error(tracks, x, spans, beating) if len(tracks) == 2 else (),
        tuple(
            PassCurve(
                track.channel,
                number,
                100 * x[a:b],
                np.where(track.disturbed[a:b], np.nan, level_db(track)[a:b]),
            )
            for track in tracks
            for number, (a, b) in enumerate(spans)
        ),
        moving_seconds,
        top_spread,
        steps=steps,
    )


def _top_spread(amplitude: Floats, spans: Sequence[tuple[int, int]]) -> float:
    """Standard deviation of the highest levels of the passes in dB: each end as often."""
    tops = []
    for a, b in spans:
        way = amplitude[a:b][np.isfinite(amplitude[a:b])]
        if len(way) and way.max() > 10 ** (-_TOP_DB / 20):
            tops.append(20 * np.log10(way.max()))
    return float(np.std(tops, ddof=1)) if len(tops) > 1 else 0.0


def _mostly_below(x: Floats, spans: Sequence[tuple[int, int]]) -> bool:
    """Whether most passes do not come near the upper end, where a hand turns back."""
    ends = [max(x[a], x[b - 1]) for a, b in spans]
    return bool(ends) and bool(np.mean(np.less(ends, _BELOW)) > _MANY_BELOW)


def _shaft_amplitude(tracks: Sequence[Track]) -> tuple[Floats, float]:
    """Amplitude re full of the shaft (NaN where disturbed), and the least that is not noise.

    With two channels it is their mean in dB. A contact's resistance can only lower a level: where
    the channels differ by more than is usual at that level, and where one is disturbed, the higher
    tells the position, with half the usual difference taken off.
    """
    floors = [np.sqrt(2 * max(track.noise, 0.0) / track.full) for track in tracks]
    floor = float(max(floors))
    level = [np.where(track.disturbed, np.nan, level_db(track)) for track in tracks]
    if len(tracks) == 1:
        return 10 ** (level[0] / 20), floor
    usual, scatter = _usual_difference(level[0], level[1], 20 * np.log10(max(2 * floor, 1e-8)))
    first, second = level[0] - usual / 2, level[1] + usual / 2
    apart = np.abs(first - second) > max(_APART_DB, 4 * scatter)
    mean = np.where(apart, np.fmax(first, second), 0.5 * (first + second))
    mean = np.where(np.isnan(mean), np.fmax(first, second), mean)
    return 10 ** (mean / 20), floor


def _usual_difference(first: Floats, second: Floats, least: float) -> tuple[Floats, float]:
    """Usual difference of two channels at each moment's level in dB, and its scatter.

    Medians over a quarter of the scale: wider than a worn place, which lowers one of them.
    """
    from scipy.ndimage import median_filter

    off, mean = first - second, np.fmax(first, second)
    known = np.isfinite(off) & (np.minimum(first, second) > least)
    if not known.any():
        return np.zeros(len(first)), 0.0
    # On the square root of the amplitude tapers of all kinds are spread well enough. Medians of
    # narrow bins first, so that it does not matter where the hand stayed.
    place = 10 ** (mean / 40)
    which = np.minimum((place[known] / _USUAL_BIN).astype(int), round(1.2 / _USUAL_BIN))
    bins = np.unique(which)
    narrow = np.array([np.median(off[known][which == k]) for k in bins])
    reach = min(_USUAL_REACH, len(bins) - 1)
    padded = np.pad(narrow, reach, mode="reflect", reflect_type="odd")
    medians = median_filter(padded, 2 * reach + 1)[reach : reach + len(narrow)]
    usual = np.interp(np.nan_to_num(place), (bins + 0.5) * _USUAL_BIN, medians)
    scatter = 1.48 * float(np.median(np.abs(off[known] - usual[known])))
    return usual, scatter


def _bridged(travel: Floats, envelope: Floats) -> Floats:
    """Travel with what was disturbed filled in.

    Evenly, if it was short or the control hardly moved meanwhile; else by the envelope of what was
    heard between the bursts.
    """
    known = np.isfinite(travel)
    if not known.any():
        return envelope
    at = np.flatnonzero(known)
    filled = np.interp(np.arange(len(travel)), at, travel[at])
    for first, last in runs(~known, 0):
        moved = abs(filled[min(last, len(filled) - 1)] - filled[max(first - 1, 0)])
        if last - first > LONGEST_BRIDGE and moved > _BRIDGED_TRAVEL:
            filled[first:last] = envelope[first:last]
    return filled


def _envelope(tracks: Sequence[Track]) -> Floats:
    """Amplitude re full by the highest levels of 0.2 s: a contact's resistance only lowers them."""
    from scipy.ndimage import maximum_filter1d

    power = np.max([track.power / track.full for track in tracks], axis=0)
    return np.sqrt(np.maximum(maximum_filter1d(power, _ENVELOPE), 0.0))


def _gang(
    track: Track,
    spots: Sequence[Spot],
    *,
    x: Floats,
    spans: Sequence[tuple[int, int]],
    moving: Bools,
    ambiguity: Floats,
    steps: int | None,
    moves: bool,
) -> Gang:
    hop = HOP * CELL_SECONDS
    wear = wear_map(track.channel, spots, x, spans)
    while_moving = [s for s in spots if moving[min(int(s.burst.start / hop), len(moving) - 1)]]
    seconds = max(float(moving.sum()) * hop, hop)
    energies = np.array([s.burst.energy for s in while_moving])
    usual = float(np.median(track.cells.residue)) * track.cells.seconds
    worn, dead, why = None, None, None
    if len(spans) < FEWEST_PASSES:
        why = (
            f"{len(spans)} pass(es) of the control were seen: turn it slowly from end to end at "
            f"least {FEWEST_PASSES} times, so that places which repeat are told from chance"
        )
    elif steps is not None:
        why = IN_STEPS.format(steps)
    else:
        worn, why = worn_stretches(spots, wear, x, spans, moving, ambiguity)
        dead = dead_stretches(spots, wear, ambiguity)
        if moves and not (worn and dead):
            worn, dead = worn or None, dead or None  # that there is none cannot be told
            why = f"{MOVES}; {why}" if why else MOVES
    return Gang(
        track.channel,
        worn,
        dead,
        why,
        sum(spot.jump for spot in spots),
        sum(spot.lost is not None for spot in spots),
        top_level(track),
        end_residue(track),
        bursts_a_second(len(while_moving), seconds),
        energy_in_db(energies / seconds, usual / seconds, track.full),
        wear,
    )


def _gang_error(
    tracks: Sequence[Track], x: Floats, spans: Sequence[tuple[int, int]], beating: Floats
) -> tuple[tuple[float, Estimate], ...]:
    """First channel less second in dB along travel: medians of the passes.

    The uncertainty is the scatter of the passes, and what the uncertainty of travel makes of the
    slope.
    """
    a, b = tracks
    clean = ~(a.disturbed | b.disturbed) & np.isfinite(x)
    clean &= (a.power > 2 * a.noise) & (b.power > 2 * b.noise)
    difference = np.zeros(len(x))
    difference[clean] = 10 * np.log10(a.power[clean] / b.power[clean])
    owner = np.full(len(x), -1)
    for number, (first, last) in enumerate(spans):
        owner[first:last] = number
    found = []
    for place in np.arange(1, round(1 / GANG_STEP) + 1) * GANG_STEP:
        here = clean & (np.abs(x - place) <= GANG_WIDTH)
        if here.sum() < 3:
            continue
        own = [
            float(np.median(difference[here & (owner == number)]))
            for number in np.unique(owner[here])
        ]
        scatter = np.std(own, ddof=1) / np.sqrt(len(own)) if len(own) > 1 else None
        u = float(np.std(difference[here]) if scatter is None else scatter)
        found.append((float(place), float(np.median(difference[here])), u))
    if len(found) < 2:
        return tuple((100 * p, Estimate(v, max(u, GANG_LEAST_DB))) for p, v, u in found)
    places, values, scatters = (np.array(column) for column in zip(*found, strict=True))
    off = np.gradient(values, places) * np.interp(places, np.linspace(0, 1, 101), beating)
    us = np.maximum(np.hypot(scatters, off), GANG_LEAST_DB)
    return tuple(
        (round(100 * p), Estimate(float(v), float(u)))
        for p, v, u in zip(places, values, us, strict=True)
        if u <= GANG_LIMIT_DB
    )
