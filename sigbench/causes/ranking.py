"""Ranking: how well each cause, none, or several together explain the clues.

The rule
--------
Hypotheses are: nothing is wrong; one cause; two or three causes together; something that is none
of them. Each says how probable every clue is: the words of its record
(`sigbench.causes.records.OFTEN`); for several causes a clue fails to come only if none of them
brings it (noisy-or: Pearl, Probabilistic Reasoning in Intelligent Systems, 1988, 4.3). A clue of
which the readings say with probability h that it holds weighs in with h P + (1 - h) (1 - P)
(uncertain evidence: the same, 2.2.2). Clues are multiplied as if they were independent, given the
hypothesis; they are not quite, so the product is taken to the power `SHARPNESS`. How right the
scores are is measured in ``docs/causes.md``. Causes that bring nothing of what was seen are left
out, and what they alone would explain goes to none of these. The score of a cause is the share of
all hypotheses it is part of.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from sigbench.causes.advice import most_telling
from sigbench.causes.clues import CLUES, Clue
from sigbench.causes.records import OFTEN, RECORDS, UNSAID, Effect, Record
from sigbench.model import Cause

SHARPNESS = 0.9
"""Power of the likelihood."""

HEALTHY_WEIGHT = 22.0
PLAINLY = 0.9  # probability of a clue, from which on a unit is not called sound too lightly
NONE_OF_THESE_WEIGHT = 1.0
MOST_TOGETHER = 3
"""How many causes are thought of at once: what comes to the bench has often more than one."""
TOGETHER_SHARE = 0.1
"""Of the product of two weights: how often two faults meet; squared for three."""

HEALTHY = 0.0005
"""Probability of a clue on a good unit."""
FACTS = ("rail missing", "rail low", "rail high", "difference left")
"""Clues that a multimeter gives, and one that has no other reason (Kirchhoff's current law)."""
CLOCK = "tones at whole kilohertz"
FACT_BY_CHANCE = 1e-5
"""Probability of such a clue without its cause: no clean sound makes a wrong rail right."""
CLOCK_BY_CHANCE = 1e-5
"""Probability of tones at whole kilohertz for each cause: what oscillates with no crystal is within
a hundred parts in a million of one hardly ever, and does not stay there."""
BEFORE_VOLUME = "hum follows volume"
BEFORE_VOLUME_BY_CHANCE = 0.002
"""Probability that hum goes with the volume for each cause that does not lie before it: not by the
circuit, but something may have been moved meanwhile."""
NONE_OF_THESE = 0.2
"""Probability of a clue for a cause that is not on the list."""

EXPLAINS = 0.3
"""Probability from which a cause explains a clue that is there."""

EXPECTED = 0.5
"""Probability from which a cause is expected to bring a clue."""

LEAST_SCORE = 0.05
"""Causes below this are not shown."""
NAMED = 5
"""How many are named at most."""
RECORD_WEIGHT = 3.0
"""How many times a person must have met a cause for it to weigh twice as much."""


@dataclass(frozen=True, slots=True)
class Ranking:
    """What the clues point to.

    Parameters
    ----------
    causes : tuple of Cause
        The likeliest first; the scores of causes that can be there together may add up to more
        than one.
    healthy : float
        Probability that nothing is wrong.
    none_of_these : float
        Probability that it is something else.
    together : tuple of str
        The causes, where several together are the best explanation; else empty.
    clues : tuple of Clue
        What the readings say.
    first : str or None
        What to do before anything else.
    next_checks : tuple of str
        What was not measured and would tell most, the most telling first: keys of
        `sigbench.causes.advice.NEXT`.
    """

    causes: tuple[Cause, ...]
    healthy: float
    none_of_these: float
    together: tuple[str, ...]
    clues: tuple[Clue, ...]
    first: str | None = None
    next_checks: tuple[str, ...] = ()

    @property
    def named(self) -> tuple[Cause, ...]:
        """The causes that are worth naming: for each of them something speaks.

        None where nothing is likely to be wrong.
        """
        told = tuple(cause for cause in self.causes if cause.evidence_for)
        return () if self.nothing_wrong else told[:NAMED]

    @property
    def nothing_wrong(self) -> bool:
        """Whether that is likelier than any cause, and than one that is not on the list.

        Where something was plainly seen it must be likelier than all of them together.
        """
        others = (self.none_of_these, *(cause.score for cause in self.causes))
        plain = any((clue.holds or 0.0) >= PLAINLY for clue in self.clues)
        return self.healthy >= (0.5 if plain else max(others))


RAILS_FIRST = (
    "Measure every supply rail on every board first, against ground, with the unit warm: a rail "
    "that is low or missing explains most of what can be heard, and everything else is guesswork "
    "until then. Type them in with the rails check."
)


def rank(clues: Sequence[Clue], *, met: Mapping[str, int] | None = None) -> Ranking:
    """Rank the causes by the clues.

    Parameters
    ----------
    clues : sequence of Clue
        From `sigbench.causes.gather.gather`.
    met : mapping of str to int, optional
        How often each cause was what it turned out to be, by its key, in the person's own records.

    Returns
    -------
    Ranking
    """
    met = met or {}
    known = [clue for clue in clues if clue.holds is not None]
    weights = {r.key: r.weight * (1 + met.get(r.key, 0) / RECORD_WEIGHT) for r in RECORDS}
    tables = {r.key: _table(r) for r in RECORDS}
    chances: dict[tuple[str, ...], dict[str, float]] = {(): _without_causes(HEALTHY)}
    logs: dict[tuple[str, ...], float] = {(): math.log(HEALTHY_WEIGHT) + _fit(known, chances[()])}
    for count in range(1, MOST_TOGETHER + 1):
        for keys in combinations(tables, count):
            weight = TOGETHER_SHARE ** (count - 1) * math.prod(weights[key] for key in keys)
            chances[keys] = _joint(tables[key] for key in keys)
            logs[keys] = math.log(weight) + _fit(known, chances[keys])
    other = ("none of these",)
    chances[other] = _without_causes(NONE_OF_THESE)
    logs[other] = math.log(NONE_OF_THESE_WEIGHT) + _fit(known, chances[other])
    top = max(logs.values())
    shares = {k: math.exp(v - top) for k, v in logs.items()}
    total = sum(shares.values())
    shares = {k: v / total for k, v in shares.items()}
    seen = {clue.name for clue in known if (clue.holds or 0.0) >= 0.5}
    if seen:
        idle = {key for key, table in tables.items() if all(table[c] < EXPLAINS for c in seen)}
        # What brings a fact is on the list.
        shares = _without_idle(shares, idle, None if seen & set(FACTS) else other)
    scores = {r.key: sum(share for keys, share in shares.items() if r.key in keys) for r in RECORDS}
    best = max(shares, key=lambda keys: shares[keys])
    ranked = sorted(RECORDS, key=lambda r: -scores[r.key])
    return Ranking(
        tuple(
            _cause(
                r,
                scores[r.key],
                known,
                tables[r.key],
                met.get(r.key, 0),
                _explained(tables[key] for key in best if r.key in best and key != r.key),
            )
            for r in ranked
            if scores[r.key] >= LEAST_SCORE
        ),
        shares[()],
        shares[other],
        best if len(best) > 1 else (),
        tuple(clues),
        None if _rails_measured(clues) else RAILS_FIRST,
        most_telling(clues, shares, chances),
    )


def _table(record: Record) -> dict[str, float]:
    table = dict.fromkeys(CLUES, OFTEN[UNSAID])
    table.update(dict.fromkeys(FACTS, FACT_BY_CHANCE))
    table[CLOCK] = CLOCK_BY_CHANCE
    table[BEFORE_VOLUME] = BEFORE_VOLUME_BY_CHANCE
    table.update({effect.clue: OFTEN[effect.often] for effect in record.effects})
    return table


def _without_causes(chance: float) -> dict[str, float]:
    """Probability of each clue where none of the causes is there: a wrong rail is one of them."""
    return dict.fromkeys(CLUES, chance) | dict.fromkeys(FACTS, FACT_BY_CHANCE)


def _without_idle(
    shares: Mapping[tuple[str, ...], float], idle: set[str], other: tuple[str, ...] | None
) -> dict[tuple[str, ...], float]:
    """The hypotheses all of whose causes bring something that was seen.

    Of the rest nothing points to them. What one idle cause explains by chance goes to `other`, for
    something that is on no list does so as well.
    """
    kept = {keys: share for keys, share in shares.items() if idle.isdisjoint(keys)}
    if other is not None:
        # Exact: a set has another order in each process, and a score must not.
        kept[other] += math.fsum(shares[key,] for key in idle)
    total = sum(kept.values())
    return {keys: share / total for keys, share in kept.items()}


def _joint(tables: Iterable[Mapping[str, float]]) -> dict[str, float]:
    """Probability of each clue for several causes together."""
    failing = dict.fromkeys(CLUES, 1.0)
    for table in tables:
        for clue, p in table.items():
            failing[clue] *= 1 - p
    return {clue: 1 - p for clue, p in failing.items()}


def _fit(clues: Iterable[Clue], table: Mapping[str, float]) -> float:
    """Logarithm of the likelihood of the clues, tempered."""
    return SHARPNESS * sum(_log_chance(clue, table[clue.name]) for clue in clues)


def _log_chance(clue: Clue, p: float) -> float:
    """Logarithm of the probability of what the readings say of a clue that comes with p."""
    assert clue.holds is not None
    return math.log(clue.holds * p + (1 - clue.holds) * (1 - p))


def _rails_measured(clues: Iterable[Clue]) -> bool:
    return any(c.name == "rail missing" and c.holds is not None for c in clues)


def _explained(others: Iterable[Mapping[str, float]]) -> set[str]:
    """Clues that the causes which are there together bring: no reason against one of them."""
    return {clue for table in others for clue, p in table.items() if p >= EXPLAINS}


def _because(effect: Effect | None, *, there: bool) -> str:
    """Why a clue that is there, or is not, speaks for or against a cause."""
    if effect is None:
        return "this cause does not do that"
    if not there:
        return f"this cause {effect.often} brings it: {effect.why}"
    if OFTEN[effect.often] >= EXPLAINS:
        return effect.why
    return f"this cause {effect.often} does that: {effect.why}"


def _cause(
    record: Record,
    score: float,
    clues: Sequence[Clue],
    table: Mapping[str, float],
    met: int,
    explained: set[str],
) -> Cause:
    """A cause with the reasons for and against, the weightiest first."""
    effects = {effect.clue: effect for effect in record.effects}
    reasons: list[tuple[float, str]] = []
    for clue in clues:
        assert clue.holds is not None
        p = table[clue.name]
        if clue.holds >= 0.5 and p < EXPLAINS and clue.name in explained:
            continue
        here, usual = _log_chance(clue, p), _log_chance(clue, HEALTHY)
        there = clue.holds >= 0.5
        statement = CLUES[clue.name][0 if there else 1]
        said = f" ({clue.seen})" if clue.seen else ""
        because = _because(effects.get(clue.name), there=there)
        # What comes sometimes, and does not, is no reason worth reading.
        told = there or p >= EXPECTED
        if told and (abs(here - usual) > 0.3 or (there and p < EXPLAINS)):
            weight = here - usual if not there or p >= EXPLAINS else -abs(here)
            reasons.append((weight, f"{statement}{said}: {because}"))
    reasons.sort(key=lambda entry: -abs(entry[0]))
    speaks_for = [text for weight, text in reasons if weight > 0]
    if met:
        times = "once" if met == 1 else f"{met} times"
        speaks_for.append(f"your own records: it turned out to be this {times} before")
    against = [text for weight, text in reasons if weight <= 0]
    return Cause(
        record.name, score, tuple(speaks_for), tuple(against), f"{record.next} {record.caution}"
    )
