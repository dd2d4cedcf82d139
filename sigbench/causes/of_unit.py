"""Causes of what was measured on a unit of the bench folder."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from sigbench.causes.gather import gather
from sigbench.causes.observation import Observation
from sigbench.causes.ranking import Ranking, rank
from sigbench.errors import RequestError
from sigbench.model import DOWN_VOLUME, Found, Measurement, Run, Unit


def observations(runs: Iterable[Run]) -> tuple[Observation, ...]:
    """Every measurement of the runs, with the output it was made at."""
    return tuple(
        Observation(
            run.step.output,
            measurement,
            run.step.rails,
            volume_down=run.step.volume == DOWN_VOLUME,
            rig_known=run.rig.limits is not None,
        )
        for run in runs
        for measurement in run.measurements
    )


def causes_of(runs: Iterable[Run], units: Iterable[Unit] = ()) -> Ranking | None:
    """Rank the causes of what the runs of one stage have measured.

    Parameters
    ----------
    runs : iterable of Run
    units : iterable of Unit
        The others of the bench: what their faults turned out to be shifts the weights.

    Returns
    -------
    Ranking or None
        None if none of the runs can tell anything.
    """
    return rank_observed(observations(runs), met(units))


def others(units: Mapping[str, Unit], unit_id: str) -> tuple[Unit, ...]:
    """All units but one: what it turned out to be itself is no experience with others."""
    return tuple(unit for known, unit in units.items() if known != unit_id)


def with_causes(measurement: Measurement) -> Measurement:
    """The measurement with the causes that it points to by itself."""
    ranking = rank_observed([Observation("main", measurement)])
    return measurement if ranking is None else replace(measurement, causes=ranking.named)


def rank_observed(
    observed: Sequence[Observation], met: Mapping[str, int] | None = None
) -> Ranking | None:
    """Rank the causes; None if the observations give no clue at all."""
    clues = gather(observed)
    return None if all(clue.holds is None for clue in clues) else rank(clues, met=met)


def or_refuse(ranking: Ranking | None) -> Ranking:
    """The ranking.

    Raises
    ------
    RequestError
        If there is none.
    """
    if ranking is None:
        raise RequestError(
            "Nothing that was measured tells of causes: measure idle noise, a held note and, best "
            "of all, the supply rails."
        )
    return ranking


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
