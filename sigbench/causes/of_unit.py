"""Causes of what was measured on a unit of the bench folder."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace

from sigbench.causes.clues import Observation, gather
from sigbench.causes.ranking import Ranking, rank
from sigbench.errors import RequestError
from sigbench.model import DOWN_VOLUME, Found, Measurement, Run, Unit


def observations(runs: Iterable[Run]) -> tuple[Observation, ...]:
    """Every measurement of the runs, with the output it was made at."""
    return tuple(
        Observation(run.step.output, measurement, run.step.rails, run.step.volume == DOWN_VOLUME)
        for run in runs
        for measurement in run.measurements
    )


def tells_of_causes(runs: Iterable[Run]) -> bool:
    """Whether anything that was measured gives a clue."""
    return any(clue.holds is not None for clue in gather(observations(runs)))


def causes_of(runs: Sequence[Run], units: Iterable[Unit] = ()) -> Ranking:
    """Rank the causes of what the runs of one stage have measured.

    Parameters
    ----------
    runs : sequence of Run
    units : iterable of Unit
        All of the bench: what their faults turned out to be shifts the weights.

    Raises
    ------
    RequestError
        If none of the runs can tell anything.
    """
    return rank_or_refuse(observations(runs), met(units))


def with_causes(measurement: Measurement) -> Measurement:
    """The measurement with the causes that it points to by itself."""
    clues = gather([Observation("main", measurement)])
    if all(clue.holds is None for clue in clues):
        return measurement
    return replace(measurement, causes=rank(clues).named)


def rank_or_refuse(observed: Sequence[Observation], met: dict[str, int]) -> Ranking:
    """Rank the causes.

    Raises
    ------
    RequestError
        If the observations give no clue at all.
    """
    clues = gather(observed)
    if all(clue.holds is None for clue in clues):
        raise RequestError(
            "Nothing that was measured tells of causes: measure idle noise, a held note and, best "
            "of all, the supply rails."
        )
    return rank(clues, met=met)


def met(units: Iterable[Unit]) -> dict[str, int]:
    """How often each cause was what it turned out to be."""
    return dict(Counter(found.cause for unit in units for found in unit.found))


def found_cause(key: str, date: str, note: str = "") -> Found:
    """A record of what a fault turned out to be.

    Raises
    ------
    RequestError
        If there is no such cause.
    """
    from sigbench.causes.records import BY_KEY

    if key not in BY_KEY and key != OTHER:
        raise RequestError(
            f"There is no cause '{key}': choose one of {', '.join(BY_KEY)}, or '{OTHER}' and say "
            "in the note what it was."
        )
    return Found(key, date, note)


OTHER = "other"
"""Key of what is on no list."""
