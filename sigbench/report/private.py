"""The pages of the private edition: causes, what it turned out to be, and the notes.

They are for the person at the bench and whoever works on the unit next, never for the buyer.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from sigbench.causes.ranking import Ranking
from sigbench.causes.records import BY_KEY
from sigbench.causes.wording import CLOSING, opening, score_words
from sigbench.model import Cause, Unit
from sigbench.report.pieces import PlainTable

WARNING = "Private edition: not for the buyer"


@dataclass(frozen=True, slots=True)
class StageCauses:
    """What the readings of one stage point to; each cause with its score in words."""

    stage: str
    opening: tuple[str, ...]
    causes: tuple[tuple[str, Cause], ...]


@dataclass(frozen=True, slots=True)
class PrivatePages:
    """What the private edition says beside the report."""

    warning: str
    stages: tuple[StageCauses, ...]
    found: PlainTable | None
    notes: str
    closing: str


def private_pages(unit: Unit, stages: Sequence[tuple[str, Ranking]]) -> PrivatePages:
    """The private pages on a unit.

    Parameters
    ----------
    unit : Unit
    stages : sequence of (str, Ranking)
        Name of each stage, and what its readings point to.
    """
    rows = tuple(
        (found.date, BY_KEY[found.cause].name if found.cause in BY_KEY else found.cause, found.note)
        for found in unit.found
    )
    return PrivatePages(
        WARNING,
        tuple(_stage(stage, ranking) for stage, ranking in stages),
        PlainTable(("Date", "It turned out to be", "Note"), rows) if rows else None,
        unit.notes,
        CLOSING,
    )


def _stage(stage: str, ranking: Ranking) -> StageCauses:
    return StageCauses(
        stage,
        tuple(opening(ranking)),
        tuple((score_words(cause), cause) for cause in ranking.named),
    )
