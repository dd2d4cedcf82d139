"""Supply rails: gone, too low, too high, or with ripple, by the multimeter."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from sigbench.causes.clues import Clue, over
from sigbench.causes.observation import Observation
from sigbench.checks.rails import RIPPLE_VOLTS, reading_name, what_is_heard
from sigbench.model import Rail, Reading
from sigbench.units import true_minus

RIPPLE_LOG = (math.log(RIPPLE_VOLTS), 0.2)
METER_SURE = 0.99999  # that a rail is off by more than the meter can be
MISSING_PERCENT = 15.0  # of nominal: less does not come from a regulator, but past it


@dataclass(frozen=True, slots=True)
class _Off:
    """By how much a rail is off."""

    rail: Rail
    percent: float  # of nominal
    uncertainty: float  # the standard one of that

    @property
    def gone(self) -> bool:
        return 100 + self.percent < MISSING_PERCENT  # of the wrong sign too

    @property
    def tolerances(self) -> float:
        return self.percent / self.rail.tolerance_percent

    def __str__(self) -> str:
        return true_minus(f"{self.rail.name} is off by {self.percent:+.0f} %")


def rail_clues(observations: Sequence[Observation]) -> list[Clue]:
    """Whether a rail is gone, too low or too high, or has ripple."""
    rails = [(rail, o) for o in observations for rail in o.rails]
    ripples = [
        (r.value, rail)
        for rail, o in rails
        if (r := _reading(o, "rail_ripple", rail)) is not None and isinstance(r.value, float)
    ]
    errors = [
        _Off(rail, r.value, r.uncertainty if isinstance(r.uncertainty, float) else 0.0)
        for rail, o in rails
        if (r := _reading(o, "rail_error", rail)) is not None and isinstance(r.value, float)
    ]
    return [*_ripple(ripples), *_off(errors, all_measured=len(errors) == len(rails))]


def _reading(o: Observation, quantity: str, rail: Rail) -> Reading | None:
    name = reading_name(quantity, rail)
    found = [r for r in o.measurement.readings if r.name == name]
    return found[-1] if found else None


def _ripple(volts: Sequence[tuple[float, Rail]]) -> Iterator[Clue]:
    if volts:
        most, rail = max(volts, key=lambda entry: entry[0])
        share = over(math.log(max(most, 1e-6)), RIPPLE_LOG)
        yield Clue("rail ripple", share, f"{1000 * most:.0f} mV on {true_minus(rail.name)}")


def _off(errors: Sequence[_Off], *, all_measured: bool) -> Iterator[Clue]:
    """Whether a rail is gone, too low or too high; none is gone only if all were measured."""
    if not errors:
        return
    gone = [e for e in errors if e.gone]
    there = [e for e in errors if not e.gone]
    if gone:
        yield Clue("rail missing", METER_SURE, f"{gone[0]}; {what_is_heard(gone[0].rail)}")
    elif all_measured:
        lowest = min(errors, key=lambda e: e.tolerances)
        yield Clue("rail missing", 0.001, str(lowest))
    if there:
        lowest, highest = (pick(there, key=lambda e: e.tolerances) for pick in (min, max))
        # A rail that is gone may pull another one down with it, but lifts none.
        yield _beyond("rail low", lowest, -1, within=None if gone else 0.01)
        yield _beyond("rail high", highest, 1, within=0.01)


def _beyond(name: str, farthest: _Off, sign: int, *, within: float | None) -> Clue:
    """Whether a rail that is there lies beyond its tolerance on one side."""
    if sign * farthest.tolerances <= 1:
        return Clue(name, within, str(farthest))
    sure = sign * farthest.percent > farthest.rail.tolerance_percent + 2 * farthest.uncertainty
    return Clue(name, METER_SURE if sure else 0.99, str(farthest))
