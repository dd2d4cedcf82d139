"""Passes of a turned control: its ways between two turning points, its steps and its rests.

Everything here takes travel (0 to 1, NaN where it is unknown) at levels 5 ms apart.
"""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sigbench.measure.scrape import CELL_SECONDS, runs
from sigbench.measure.turned_level import HOP, REST_SECONDS

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

FEWEST_PASSES = 3  # without these, nothing is said of what repeats
_FLAT = 0.001  # of travel by the square law, within which the level stays
_FLAT_LEVELS = 7  # 35 ms
_FLAT_SHARE = 0.15  # of the turning: a hand that turns a track rests less, or anywhere
_SAME_STEP = 0.002  # of the same travel, within which a level is met again
_MET_AGAIN = 0.8  # share of the rests that another pass has as well, and no others beside them
_FEWEST_STEPS = 4
_STEP_ENDS = 0.04  # of the same travel: every pass rests at the ends
_HYSTERESIS = 0.04  # of travel: a shorter turn back belongs to the pass
_CALM = 15  # levels of the median that turning points are looked for in: 75 ms
_LEAST_PASS = 0.2  # of travel: a shorter way is no pass
_REST_TRAVEL = 0.005  # a control that moves less than this meanwhile is at rest


def find_passes(x: Floats) -> list[tuple[int, int]]:
    """First and one past the last level of each way between turning points, without its rests."""
    from scipy.ndimage import median_filter

    x = median_filter(x, _CALM, mode="nearest")
    passes: list[tuple[int, int]] = []
    for first, last in runs(np.isfinite(x), 0):
        turns = [first]
        low = high = first
        direction = 0
        for i in range(first, last):
            if x[i] > x[high]:
                high = i
            if x[i] < x[low]:
                low = i
            if direction >= 0 and x[high] - x[i] > _HYSTERESIS:
                if direction > 0 or x[high] > x[first] + _HYSTERESIS / 2:
                    turns.append(high)
                direction, low, high = -1, i, i
            elif direction <= 0 and x[i] - x[low] > _HYSTERESIS:
                if direction < 0 or x[low] < x[first] - _HYSTERESIS / 2:
                    turns.append(low)
                direction, low, high = 1, i, i
        turns.append(high if direction > 0 else low if direction < 0 else last - 1)
        for a, b in pairwise(turns):
            if b - a < 2 or abs(x[b] - x[a]) < _LEAST_PASS:
                continue
            way = x[a : b + 1]
            margin = 0.005
            near_start = np.flatnonzero(np.abs(way - way[0]) <= margin)[-1]
            rest = np.flatnonzero(np.abs(way[near_start:] - way[-1]) <= margin)[0] + near_start
            if rest - near_start >= 2:
                passes.append((a + int(near_start), a + int(rest) + 1))
    return passes


def count_steps(x: Floats, spans: Sequence[tuple[int, int]]) -> int | None:
    """On how many levels between its ends a control rests, if these are the same in every pass.

    A hand that turns a track rests where it likes, and never twice in the same place.
    """
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    if len(spans) < FEWEST_PASSES:
        return None
    spread = maximum_filter1d(x, _FLAT_LEVELS) - minimum_filter1d(x, _FLAT_LEVELS)
    between = (x > _STEP_ENDS) & (x < 1 - _STEP_ENDS)
    flat = (spread < _FLAT) & between
    rests, owners, resting, turning_levels = [], [], 0, 0
    for number, (a, b) in enumerate(spans):
        resting += int(flat[a:b].sum())
        turning_levels += int(between[a:b].sum())
        for first, last in runs(flat[a:b], 0):
            rests.append(float(np.median(x[a + first : a + last])))
            owners.append(number)
    if resting < _FLAT_SHARE * max(turning_levels, 1):
        return None
    order = np.argsort(rests)
    places, passes = np.array(rests)[order], np.array(owners)[order]
    levels = np.split(np.arange(len(places)), np.flatnonzero(np.diff(places) > _SAME_STEP) + 1)
    # Rests that lie anywhere run into one another where they are many.
    again = sum(
        len(level)
        for level in levels
        if np.ptp(places[level]) <= 2 * _SAME_STEP and len(np.unique(passes[level])) > 1
    )
    if len(levels) < _FEWEST_STEPS or again < _MET_AGAIN * len(places):
        return None
    return len(levels)


def usual_speed(way: Floats) -> float:
    """Travel for each level: the median over the way, pauses left out."""
    steps = np.abs(np.diff(way))
    moving = steps[steps > 0.2 * abs(way[-1] - way[0]) / len(way)]
    return float(np.median(moving)) if len(moving) else 1e-6


def where_moving(x: Floats) -> Bools:
    """Where the control moves."""
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    width = round(REST_SECONDS / (HOP * CELL_SECONDS)) | 1
    known = np.where(np.isfinite(x), x, 0.0)
    spread = maximum_filter1d(known, width) - minimum_filter1d(known, width)
    return np.asarray((spread > _REST_TRAVEL) & np.isfinite(x))
