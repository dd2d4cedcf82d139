"""Wear of a turned control: the places of its bursts, and those that repeat in every pass.

A burst with its place is a `Spot`. The passes are laid over one another in a `WearMap`; a stretch
of travel is worn if it crackles in nearly every pass, more often than random clicks would, and
dead if nearly every pass jumps over it.

Terms of IEC 60393-1 (from memory, to be confirmed): rotational noise, contact resistance variation.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sigbench.measure.passes import FEWEST_PASSES
from sigbench.measure.scrape import CELL_SECONDS, Burst, lost_cells, runs
from sigbench.measure.turned_level import GUARD, HOP, LOST_DB, Track, in_reach

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

BINS = 200  # of the wear map: half a percent of travel
SHARE = 0.6  # of the passes in which a worn place must show; our own choice
ALPHA = 0.01  # chance that random clicks alone give one worn place or more in a take
LOST_GAP_SECONDS = 0.005  # contact that comes back for less belongs to the same loss
LEAST_DEAD = 0.02  # of travel: a narrower skip is not told from a quick hand; our own choice

ALL_ALONG = (
    "it crackles along much of its travel: whether it is the control is told by rests only; let it "
    "rest for some seconds and record again"
)

SINGLE_CLICKS = (
    "it clicks once at a time and does not crackle, as a control does that moves in many small "
    "steps (an encoder, a digital volume): turn it at a third of the speed, so that it rests on "
    "each of them"
)

WHOLE_TRACK = (
    "it crackles along nearly all of its travel: the stretches are where it does so most often, "
    "and the whole track is dirty or worn"
)

_POISSON_BOUND = 3.0  # events that are not exceeded in 95 of 100 cases where none was seen
_ONE_WAY = 0.005  # of ALPHA, for places that crackle when passed in one direction alone
_MANY_CLICKS = 12
_CLICKS_ALONE = 0.9  # share of single clicks in worn places; a worn track has half at most
_MUCH = 0.2  # of the travel
_NEARLY_ALL = 0.8  # of the travel, with a crackle nearby in one pass at least
_REST_AT_END_SECONDS = 0.1  # near the lower end so long a silence may be a rest at that end
_DILATION = 3  # bins: spots met in two passes so near to each other are the same place
_QUICK = 4.0  # times the usual speed of a pass: quicker is a jump


@dataclass(frozen=True, slots=True)
class Spot:
    """A burst of one channel with its place.

    Parameters
    ----------
    channel : int
        Counted from 1.
    burst : Burst
        When, and how strong.
    travel : (float, float) or None
        Between which percents of travel; None where the travel is unknown.
    number : int or None
        The pass that it belongs to, from 0; None between passes.
    lost : (float, float) or None
        From when to when the signal was gone at a stretch, the longest one; None if it was not.
    lost_db : float or None
        How far it fell then.
    jump : bool
        Whether the level went on from another place than it had come to. Of several bursts in the
        same jump the first has it.
    """

    channel: int
    burst: Burst
    travel: tuple[float, float] | None
    number: int | None
    lost: tuple[float, float] | None
    lost_db: float | None
    jump: bool


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of travel in percent, with the standard uncertainty of its ends.

    `passes` of the `crossings` show it; `chance` is the probability that random clicks would show
    such a stretch anywhere in the take. `way` is the direction in which it shows, if in one alone:
    "up" or "down", the passes and crossings being those; None if in both.
    """

    start: float
    end: float
    uncertainty: float
    passes: int
    crossings: int
    chance: float
    way: Literal["up", "down"] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class WearMap:
    """Contact noise of a channel along travel, the passes laid over one another.

    Parameters
    ----------
    channel : int
        Counted from 1.
    edges : ndarray of float, shape (bins + 1,)
        Percent of travel.
    crossed : ndarray of bool, shape (passes, bins)
        Which bins each pass went through.
    level : ndarray of float, shape (passes, bins)
        Strongest burst in dB re full level; NaN without one.
    """

    channel: int
    edges: Floats
    crossed: Bools
    level: Floats

    @property
    def share(self) -> Floats:
        """Share of the passes through each bin that crackled there; NaN where none went."""
        crossings = self.crossed.sum(axis=0)
        hits = (np.isfinite(self.level) & self.crossed).sum(axis=0)
        return np.where(crossings > 0, hits / np.maximum(crossings, 1), np.nan)


def find_spots(
    track: Track, x: Floats, spans: Sequence[tuple[int, int]], speeds: Sequence[float]
) -> list[Spot]:
    """The bursts of a channel with their places.

    Parameters
    ----------
    track : Track
    x : ndarray of float, shape (levels,)
        Travel (0 to 1) at each level.
    spans : sequence of (int, int)
        First and one past the last level of each pass.
    speeds : sequence of float
        Usual travel of each pass from one level to the next.
    """
    hop = HOP * CELL_SECONDS
    cell = track.cells.seconds
    levels = len(x)
    bridged = np.sqrt(np.maximum(track.power, 0.0))  # a hand moves the amplitude evenly
    clean = np.flatnonzero(~track.disturbed)
    if len(clean):
        bridged = np.interp(np.arange(levels), clean, bridged[clean])
    count = len(track.cells)
    expected = np.interp(np.arange(count), np.arange(levels) * HOP, bridged) ** 2
    disturbed = np.repeat(track.disturbed, HOP)[:count]
    lost = lost_cells(track.cells, _returning(expected, track.cells.whole, disturbed), disturbed)
    spots = []
    for first, last in runs(track.disturbed, 0):
        inside = [b for b in track.bursts if first * hop <= b.start < last * hop]
        before, after = max(first - 1, 0), min(last, levels - 1)
        whole = next((k for k, (a, b) in enumerate(spans) if a <= before and after <= b), None)
        jump = False
        if whole is not None:
            way = abs(x[after] - x[before])
            jump = bool(way > max(LEAST_DEAD, _QUICK * speeds[whole] * (after - before)))
        gone = [
            (a + first * HOP, b + first * HOP)
            for a, b in runs(lost[first * HOP : last * HOP], round(LOST_GAP_SECONDS / cell))
        ]
        for k, burst in enumerate(inside):
            until = inside[k + 1].start if k + 1 < len(inside) else last * hop
            own = [(a, b) for a, b in gone if burst.start - 3 * cell <= a * cell < until - 3 * cell]
            if in_reach(max(track.power[[before, after]]) / track.full, 2 * GUARD + 2):
                own = [(a, b) for a, b in own if (b - a) * cell < _REST_AT_END_SECONDS]
            longest = max(own, key=lambda ab: ab[1] - ab[0], default=None)
            depth = None
            if longest is not None:
                cells = slice(*longest)
                left = max(float(np.mean(track.cells.whole[cells])), 1e-12)
                depth = float(10 * np.log10(np.mean(expected[cells]) / left))
            ends = np.interp((burst.start / hop, burst.end / hop), np.arange(levels), x)
            if jump:
                # What the hand itself moved beside the burst is no part of the jump.
                speed = np.sign(x[after] - x[before]) * speeds[whole or 0]
                to_start = inside[0].start / hop - before
                from_end = after - inside[-1].end / hop
                ends = np.array([x[before] + speed * to_start, x[after] - speed * from_end])
            middle = 0.5 * (burst.start + burst.end) / hop
            number = next((k for k, (a, b) in enumerate(spans) if a - 1 <= middle <= b), None)
            spots.append(
                Spot(
                    track.channel,
                    burst,
                    (100 * float(ends.min()), 100 * float(ends.max()))
                    if np.isfinite(ends).all()
                    else None,
                    number,
                    None if longest is None else (longest[0] * cell, longest[1] * cell),
                    depth,
                    jump and k == 0,
                )
            )
    return spots


def _returning(expected: Floats, heard: Floats, disturbed: Bools) -> Floats:
    """The expected power where a control reaches its lower end amid a burst, or leaves it.

    When it did is not known; but lost contact is followed (on the way up: preceded) by the signal.
    """
    found = expected.copy()
    for first, last in runs(disturbed, 0):
        inside = slice(first, last)
        fall = 10 * np.log10(max(expected[first], 1e-30) / max(expected[last - 1], 1e-30))
        if fall > LOST_DB:
            most = np.maximum.accumulate(heard[inside][::-1])[::-1]
        elif fall < -LOST_DB:
            most = np.maximum.accumulate(heard[inside])
        else:
            continue
        found[inside] = np.minimum(expected[inside], most)
    return found


def wear_map(
    channel: int, spots: Sequence[Spot], x: Floats, spans: Sequence[tuple[int, int]]
) -> WearMap:
    """The bursts of a channel along travel, the passes laid over one another.

    Parameters
    ----------
    channel : int
        Counted from 1.
    spots : sequence of Spot
        Its bursts.
    x : ndarray of float, shape (levels,)
        Travel (0 to 1) at each level.
    spans : sequence of (int, int)
        First and one past the last level of each pass.
    """
    edges = np.linspace(0.0, 100.0, BINS + 1)
    crossed = np.zeros((len(spans), BINS), dtype=bool)
    level = np.full((len(spans), BINS), np.nan)
    for number, (a, b) in enumerate(spans):
        first, last = _bins(float(100 * np.min(x[a:b])), float(100 * np.max(x[a:b])))
        crossed[number, first:last] = True
    for spot in spots:
        if spot.travel is None or spot.number is None:
            continue
        first, last = _bins(*spot.travel)
        own = level[spot.number, first:last]
        level[spot.number, first:last] = np.fmax(own, spot.burst.peak_db)
    return WearMap(channel, edges, crossed, level)


def _bins(low: float, high: float) -> tuple[int, int]:
    """First and one past the last bin of a stretch in percent."""
    first = min(BINS - 1, max(0, int(low / 100 * BINS)))
    return first, min(BINS, max(first + 1, int(np.ceil(high / 100 * BINS))))


def worn_stretches(
    spots: Sequence[Spot],
    wear: WearMap,
    x: Floats,
    spans: Sequence[tuple[int, int]],
    moving: Bools,
    ambiguity: Floats,
) -> tuple[tuple[Stretch, ...], str | None]:
    """Stretches that crackle in nearly every pass, more often than random clicks would.

    Random clicks come at some rate, wherever the control stands. Their rate is taken from rests
    and from the places that are not suspected. A place is worn if so many passes crackle there as
    random clicks would give less than once in a hundred takes (Bonferroni over the places of this
    width). Each pass counts by the time that it spent there: a pause in one says nothing of the
    others. A wiper may lose contact when it is pushed one way alone: each direction is looked at by
    itself as well, and such a place is told of where the passes of both do not show it.

    Parameters
    ----------
    spots, wear : sequence of Spot, WearMap
        Of one channel.
    x, moving : ndarray, shape (levels,)
        Travel (0 to 1) at each level, and whether the control moved.
    spans : sequence of (int, int)
        First and one past the last level of each pass.
    ambiguity : ndarray of float, shape (101,)
        Standard uncertainty of travel at each percent of it.

    Returns
    -------
    tuple of Stretch, and str or None
        In order of travel, and a remark.
    """
    hits = np.isfinite(wear.level) & wear.crossed
    up = np.array([x[b - 1] > x[a] for a, b in spans])
    ways: list[tuple[Literal["up", "down"] | None, Bools]] = [
        (None, np.ones(len(spans), dtype=bool)),
        ("up", up),
        ("down", ~up),
    ]
    suspects = [_suspected(hits[own], wear.crossed[own], way) for way, own in ways]
    suspected = np.any(suspects, axis=0)

    hop = HOP * CELL_SECONDS
    dwell = np.zeros(wear.crossed.shape)
    for number, (a, b) in enumerate(spans):
        dwell[number] = np.histogram(100 * x[a:b], wear.edges)[0] * hop
    rest = ~moving & np.isfinite(x)
    elsewhere = float(dwell[:, ~suspected].sum())
    resting = [s for s in spots if s.number is None and rest[int(s.burst.start / hop)]]
    others = [
        s
        for s in spots
        if s.number is not None
        and s.travel is not None
        and not suspected[slice(*_bins(*s.travel))].any()
    ]
    outside = np.ones(len(x), dtype=bool)
    for a, b in spans:
        outside[a:b] = False
    rests = float((rest & outside).sum()) * hop
    rates = []
    if elsewhere + rests >= 1.0:
        rates.append((len(resting) + len(others) + 1) / (elsewhere + rests))
    if rests >= 1.0:  # crackle all along the travel and none at rest is the control's
        rates.append((len(resting) + _POISSON_BOUND) / rests)
    if not rates:
        return (), ALL_ALONG
    rate = min(rates)

    stretches: list[Stretch] = []
    for (way, own), places in zip(ways, suspects, strict=True):
        found = _stretches(
            hits[own],
            wear.crossed[own],
            places,
            _by_chance(dwell[own], wear.crossed[own], rate),
            wear.edges,
            ambiguity,
            way,
        )
        stretches += [s for s in found if not any(_meet(s, known) for known in stretches)]
    stretches.sort(key=lambda stretch: stretch.start)
    crossings = wear.crossed.sum(axis=0)
    why = ALL_ALONG if not stretches and suspected.mean() > _MUCH else None
    if stretches and _near(hits, wear.crossed).any(axis=0).mean() > _NEARLY_ALL:
        why = WHOLE_TRACK
    if _click_alone(spots, stretches):
        why = SINGLE_CLICKS
    seldom = (crossings > 0) & (crossings < FEWEST_PASSES)
    if seldom.sum() > 0.05 * BINS:
        why = f"parts of the travel were passed fewer than {FEWEST_PASSES} times"
    return tuple(stretches), why


def _click_alone(spots: Sequence[Spot], stretches: Sequence[Stretch]) -> bool:
    """Whether nearly all that is heard in worn places is single clicks, and many of them."""
    single = [
        spot.burst.transients == 1 and spot.lost is None
        for spot in spots
        if spot.travel is not None
        and any(s.start <= spot.travel[1] and spot.travel[0] <= s.end for s in stretches)
    ]
    return len(single) >= _MANY_CLICKS and bool(np.mean(single) >= _CLICKS_ALONE)


def _near(hits: Bools, crossed: Bools) -> Bools:
    """Where each pass (passes, bins) crackled nearby."""
    from scipy.ndimage import maximum_filter1d

    wide = maximum_filter1d(hits.astype(np.uint8), 2 * _DILATION + 1, axis=1)
    return np.asarray(wide.astype(bool) & crossed)


def _suspected(hits: Bools, crossed: Bools, way: str | None) -> Bools:
    """Places where nearly every pass crackles; two will do, of one direction three."""
    crossings = crossed.sum(axis=0)
    shown = _near(hits, crossed).sum(axis=0)
    fewest = 2 if way is None else FEWEST_PASSES
    return np.asarray((shown >= np.maximum(fewest, SHARE * crossings)) & (crossings >= fewest))


def _by_chance(dwell: Floats, crossed: Bools, rate: float) -> Floats:
    """Probability that random clicks show in each pass (passes, bins) at a place."""
    kernel = np.ones(2 * _DILATION + 1)
    time = np.array([np.convolve(row, kernel, "same") for row in dwell]).reshape(dwell.shape)
    return np.where(crossed, 1 - np.exp(-rate * time), 0.0)


def _stretches(
    hits: Bools,
    crossed: Bools,
    suspected: Bools,
    by_chance: Floats,
    edges: Floats,
    ambiguity: Floats,
    way: Literal["up", "down"] | None,
) -> list[Stretch]:
    """Those that passes (passes, bins) show more often than random clicks would."""
    shown = _near(hits, crossed).sum(axis=0)
    crossings = crossed.sum(axis=0)
    places = BINS / (2 * _DILATION + 1)
    chance = np.minimum(1.0, places * _so_many(by_chance, shown))
    # Both directions and each of them: together it is ALPHA.
    worn = suspected & (chance < ALPHA * (1 - 2 * _ONE_WAY if way is None else _ONE_WAY))
    stretches = []
    for first, last in runs(worn, 1):
        begin, end = _edges(hits, first, last)
        stretches.append(
            Stretch(
                *_begin_end(begin, end, edges),
                _edge_uncertainty(hits, first, last, begin, end, ambiguity),
                int(np.median(shown[first:last])),
                int(np.median(crossings[first:last])),
                float(chance[first:last].min()),
                way,
            )
        )
    return stretches


def _meet(one: Stretch, other: Stretch) -> bool:
    """Whether two stretches are the same place, or nearly."""
    reach = 100 * _DILATION / BINS
    return one.start <= other.end + reach and other.start <= one.end + reach


def _so_many(by_chance: Floats, shown: NDArray[np.int_]) -> Floats:
    """Probability of so many hits or more in trials of unlike probability, one trial a row.

    The Poisson binomial distribution (S. D. Poisson 1837), summed up trial by trial.
    """
    exactly = np.zeros((len(by_chance) + 1, by_chance.shape[1]))
    exactly[0] = 1.0
    for hit in by_chance:
        exactly[1:] = exactly[1:] * (1 - hit) + exactly[:-1] * hit
        exactly[0] *= 1 - hit
    or_more = np.cumsum(exactly[::-1], axis=0)[::-1]
    return np.asarray(or_more[shown, np.arange(len(shown))])


def _begin_end(first: int, last: int, edges: Floats) -> tuple[float, float]:
    """Bins as percents of travel."""
    return float(edges[first]), float(edges[last])


def _edges(hits: Bools, first: int, last: int) -> tuple[int, int]:
    """Where a worn place begins and ends: bins, without what the dilation added."""
    begin, end = first + _DILATION, last - _DILATION
    if first == 0:
        begin = 0
    if last == BINS:
        end = BINS
    if end <= begin:
        own = np.flatnonzero(hits[:, first:last].any(axis=0)) + first
        if len(own) == 0:  # the passes met the place on either side of this
            return (first + last) // 2, (first + last) // 2 + 1
        begin, end = int(own[0]), int(own[-1]) + 1
    return begin, end


def _edge_uncertainty(
    hits: Bools, first: int, last: int, begin: int, end: int, ambiguity: Floats
) -> float:
    """Of an end of a stretch: scatter between the passes, width of a bin, and which law it is."""
    firsts, lasts = [], []
    for row in hits:
        own = np.flatnonzero(row[first:last])
        if len(own):
            firsts.append(own[0])
            lasts.append(own[-1])
    scatter = 0.0
    if len(firsts) > 1:
        both = 0.5 * (np.var(firsts, ddof=1) + np.var(lasts, ddof=1)) / len(firsts)
        scatter = float(np.sqrt(both)) * 100 / BINS
    law = 100 * float(np.interp((begin + end) / 2 / BINS * 100, np.arange(101), ambiguity))
    return float(np.sqrt(scatter**2 + (100 / BINS) ** 2 / 12 + law**2))


def dead_stretches(spots: Sequence[Spot], wear: WearMap, ambiguity: Floats) -> tuple[Stretch, ...]:
    """Stretches that nearly every pass jumps over; `ambiguity` as in `worn_stretches`."""
    skipped = np.zeros(wear.crossed.shape, dtype=bool)
    for spot in spots:
        if spot.jump and spot.travel is not None and spot.number is not None:
            first, last = _bins(*spot.travel)
            skipped[spot.number, first:last] = True
    skipped &= wear.crossed
    crossings = wear.crossed.sum(axis=0)
    count = skipped.sum(axis=0)
    dead = (count >= np.maximum(2, SHARE * crossings)) & (crossings >= 2)
    stretches = []
    for first, last in runs(dead, 1):
        if (last - first) / BINS < LEAST_DEAD:
            continue
        stretches.append(
            Stretch(
                *_begin_end(first, last, wear.edges),
                _edge_uncertainty(skipped, first, last, first, last, ambiguity),
                int(np.median(count[first:last])),
                int(np.median(crossings[first:last])),
                0.0,
            )
        )
    return tuple(stretches)
