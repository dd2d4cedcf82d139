"""Supply rails: gone, too low, too high, or with ripple, by the multimeter."""

import math
from collections.abc import Sequence

from sigbench.causes.clues import Clue, over
from sigbench.causes.observation import Observation
from sigbench.checks.rails import RIPPLE_VOLTS, reading_name, what_is_heard
from sigbench.model import Rail

RIPPLE_LOG = (math.log(RIPPLE_VOLTS), 0.2)
METER_SURE = 0.99999  # that a rail is off by more than the meter can be
MISSING_PERCENT = 15.0  # of nominal: less does not come from a regulator, but past it


def rail_clues(observations: Sequence[Observation]) -> list[Clue]:
    """Whether a rail is gone, too low or too high; none is gone only if all were measured."""
    errors: list[_Off] = []
    ripples: list[tuple[float, Rail]] = []  # volts
    all_measured = True
    for o in observations:
        readings = {r.name: r for r in o.measurement.readings}
        for rail in o.rails:
            error = readings.get(reading_name("rail_error", rail))
            ripple = readings.get(reading_name("rail_ripple", rail))
            if error is not None and isinstance(error.value, float):
                doubt = error.uncertainty if isinstance(error.uncertainty, float) else 0.0
                errors.append((error.value, rail, doubt))
            else:
                all_measured = False
            if ripple is not None and isinstance(ripple.value, float):
                ripples.append((ripple.value, rail))
    clues = []
    if ripples:
        most, rail = max(ripples, key=lambda entry: entry[0])
        share = over(math.log(max(most, 1e-6)), RIPPLE_LOG)
        clues.append(Clue("rail ripple", share, f"{1000 * most:.0f} mV on {_name(rail)}"))
    if not errors:
        return clues
    gone = [e for e in errors if 100 + e[0] < MISSING_PERCENT]  # of the wrong sign too
    there = [e for e in errors if e not in gone]
    lowest = min(errors, key=lambda e: e[0] / e[1].tolerance_percent)
    if gone:
        said = f"{_error(gone[0])}; {what_is_heard(gone[0][1])}"
        clues.append(Clue("rail missing", METER_SURE, said))
    elif not all_measured:
        clues.append(Clue("rail missing", None))
    else:
        clues.append(Clue("rail missing", 0.001, _error(lowest)))
    return [*clues, *(_beyond(name, sign, there, gone) for name, sign in _SIDES)]


_SIDES = (("rail low", -1), ("rail high", 1))
_Off = tuple[float, Rail, float]
"""By how many percent of nominal a rail is off, and the standard uncertainty of that."""


def _beyond(name: str, sign: int, there: Sequence[_Off], gone: Sequence[_Off]) -> Clue:
    """Whether a rail that is there lies beyond its tolerance on one side."""
    if not there:
        return Clue(name, None)

    def tolerances(error: _Off) -> float:
        return sign * error[0] / error[1].tolerance_percent

    farthest = max(there, key=tolerances)
    said = _error(farthest)
    if tolerances(farthest) > 1:
        sure = sign * farthest[0] > farthest[1].tolerance_percent + 2 * farthest[2]
        return Clue(name, METER_SURE if sure else 0.99, said)
    # A rail that is gone may pull another one down with it, but lifts none.
    return Clue(name, None if gone and sign < 0 else 0.01, said)


def _error(error: _Off) -> str:
    return f"{_name(error[1])} is off by {error[0]:+.0f} %".replace("-", "−")


def _name(rail: Rail) -> str:
    return rail.name.replace("-", "−")
