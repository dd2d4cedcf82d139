"""What good units do: a baseline from several runs, and a unit held against it.

A baseline is nothing but the runs of its members: several good units of one model, or several
stages of one good unit. From them each reading has a mean, a standard deviation between members,
and an interval in which 95 % of good members lie, stated with 95 % confidence.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

from sigbench.compare import (
    FALSE_CHANGES,
    LOWER_IS_BETTER,
    NOT_COMPARED,
    Pair,
    base_name,
    check_limit,
    compare_pairs,
    compare_stages,
    latest_runs,
    same_quantities,
    settings_differ,
    smallest_worth_reporting,
    watched_seconds,
)
from sigbench.errors import BenchError, RequestError
from sigbench.model import Comparison, Reading, Run, StageComparison
from sigbench.repeatability import COUNTS, SIGNS, is_bound, is_valid, mean_of_repeats
from sigbench.units import true_minus

if TYPE_CHECKING:
    from sigbench.bench.folder import Bench

CONTENT = 0.95  # part of all good members that the interval holds
CONFIDENCE = 0.95  # probability that it holds them
FEW_MEMBERS = 5  # below this the interval is so wide that it says little: factor 5.1 at five

Of = Literal["units", "stages"]
_OF = {"units": "good units", "stages": "stages of one good unit"}


@dataclass(frozen=True, slots=True)
class Baseline:
    """Good units, or good stages of one unit, to compare with.

    Parameters
    ----------
    name : str
        What the person calls it.
    members : tuple of tuple of Run
        The runs of each unit (or stage), one tuple for each.
    of : {"units", "stages"}
        What a member is.
    """

    name: str
    members: tuple[tuple[Run, ...], ...]
    of: Of = "units"


@dataclass(frozen=True, slots=True)
class BaselineFigure:
    """One reading over all members.

    Parameters
    ----------
    mean, deviation : float
        Mean of the members and standard deviation between them; the deviation is at least what
        the members' own uncertainty amounts to.
    members : int
        How many members have the reading.
    low, high : float
        The tolerance interval: mean ± factor · deviation.
    """

    step_number: int
    check: str
    output: str
    name: str
    unit: str
    channel: int | None
    channels: tuple[int, int] | None
    mean: float
    deviation: float
    members: int
    low: float
    high: float


def make_baseline(name: str, members: Mapping[str, Sequence[Run]], *, of: Of = "units") -> Baseline:
    """A baseline from the runs of good units, or of stages of one good unit.

    Parameters
    ----------
    name : str
    members : mapping of str to sequence of Run
        Serial number, or name of the stage, and its runs.
    of : {"units", "stages"}

    Raises
    ------
    RequestError
        If there is no member, one has no runs, or a step's settings differ between members.
    """
    if not members:
        raise RequestError(
            f"The baseline '{name}' has no members: give it the runs of one good unit at least."
        )
    first_name = next(iter(members))
    first = latest_runs(members[first_name])
    for member, runs in members.items():
        latest = latest_runs(runs)
        if not latest:
            raise RequestError(f"'{member}' has no runs: measure it before it can be a baseline.")
        for number, run in latest.items():
            why = settings_differ(first[number], run) if number in first else None
            if why is not None:
                raise RequestError(
                    f"'{member}' does not go with '{first_name}' in the baseline '{name}': in "
                    f"step {number} the {why}; measure both with the same plan."
                )
    return Baseline(name, tuple(tuple(latest_runs(runs).values()) for runs in members.values()), of)


def stored_baseline(bench: "Bench", name: str) -> Baseline:
    """A baseline that is kept in a bench folder.

    Raises
    ------
    BenchError
        If there is none of that name, or a run of it is missing or damaged.
    RequestError
        If its members were not measured alike.
    """
    members, of = stored_members(bench, name)
    return make_baseline(name, members, of=of)


def stored_members(bench: "Bench", name: str) -> tuple[dict[str, list[Run]], Of]:
    """The members of a baseline in a bench folder, as `make_baseline` takes them.

    Returns
    -------
    members : dict of str to list of Run
        By id of the unit; by stage where all runs are of several stages of one unit.
    of : {"units", "stages"}

    Raises
    ------
    BenchError
        If there is no such baseline, or a run of it is missing or damaged.
    """
    stored = bench.baseline(name)
    try:
        runs = [(bench.unit_of(run_id), bench.run(run_id)) for run_id in stored.run_ids]
    except BenchError as exc:
        raise BenchError(
            f"The baseline '{name}' lacks a run: put it back, or name the baseline anew. {exc}"
        ) from exc
    return group_members(runs)


def group_members(runs: Iterable[tuple[str, Run]]) -> tuple[dict[str, list[Run]], Of]:
    """Runs with the id of their unit, as members: units, or the stages of the only unit."""
    known = list(runs)
    of: Of = "units"
    if len({unit_id for unit_id, _ in known}) == 1 and len({run.stage for _, run in known}) > 1:
        of = "stages"
    members: dict[str, list[Run]] = {}
    for unit_id, run in known:
        members.setdefault(run.stage if of == "stages" else unit_id, []).append(run)
    return members, of


@lru_cache(maxsize=256)
def tolerance_factor(
    members: int, *, content: float = CONTENT, confidence: float = CONFIDENCE
) -> float:
    """Factor k of a two-sided tolerance interval, mean ± k·s, of a normal population.

    Parameters
    ----------
    members : int
        Sample size, two at least.
    content : float
        Part of the population inside, between 0 and 1.
    confidence : float
        Probability that the interval holds that part, between 0 and 1.

    Raises
    ------
    RequestError
        If there are fewer than two members.

    Notes
    -----
    ISO 16269-6, mean and variance unknown. Exact: the interval around a sample mean at distance d
    from the true one holds the wanted content if s is not below w(d)/k, where w is the half width
    that does; w²(d) is the content quantile of a noncentral chi-square of one degree of freedom
    with noncentrality d². The probability, integrated over d ~ N(0, 1/n), equals `confidence`.
    """
    import numpy as np
    from scipy.optimize import brentq
    from scipy.special import chdtrc, chndtrix

    if members < 2:
        raise RequestError("A tolerance interval needs two members at least.")
    nodes, weights = np.polynomial.hermite_e.hermegauss(48)
    weights = weights / weights.sum()
    wanted = chndtrix(content, 1, nodes**2 / members)
    freedom = members - 1

    def excess(factor: float) -> float:
        return float(weights @ chdtrc(freedom, freedom * wanted / factor**2)) - confidence

    return float(brentq(excess, 0.1, 1e4, xtol=1e-9))


def figures(baseline: Baseline) -> tuple[BaselineFigure, ...]:
    """Mean, deviation and interval of every single-number reading that two members have.

    Counts and signs have no normal distribution, and are left out.
    """
    found: dict[tuple[object, ...], list[Reading]] = {}
    about: dict[tuple[object, ...], Run] = {}
    for runs in baseline.members:
        for run in latest_runs(runs).values():
            for reading in _member_readings(run):
                if isinstance(reading.value, tuple) or not is_valid(reading):
                    continue
                if base_name(reading.name) in COUNTS | SIGNS | NOT_COMPARED:
                    continue
                key = (
                    run.step_number, reading.name, reading.unit, reading.channel, reading.channels
                )  # fmt: skip
                found.setdefault(key, []).append(reading)
                about[key] = run
    return tuple(
        _figure(about[key], readings)
        for key, readings in found.items()
        if len(readings) > 1 and not any(is_bound(r) for r in readings)
    )


def compare_with_baseline(
    runs: Sequence[Run],
    baseline: Baseline,
    *,
    name: str = "this unit",
    false_changes: float = FALSE_CHANGES,
) -> StageComparison:
    """Hold a unit against what good units do.

    Parameters
    ----------
    runs : sequence of Run
        Of the unit in question.
    baseline : Baseline
        With a single member this is a comparison of two stages.
    name : str
        Name of the later side.
    false_changes : float
        Expected number of readings called better, worse or different in a whole comparison if the
        unit is as good as the members.

    Returns
    -------
    StageComparison
        ``no change`` means within what good units do. A reading outside the 95 % interval that a
        good unit may still have, among so many readings, is ``cannot tell``. The later side of
        each comparison is the unit; the earlier is the mean of the members.

    Notes
    -----
    The verdict is a prediction interval for one more member, at the level that `compare_stages`
    holds, and the interval in words is the tolerance interval of ISO 16269-6.
    """
    earlier_name = f"{baseline.name} ({len(baseline.members)} {_OF[baseline.of]})"
    if len(baseline.members) == 1:
        return compare_stages(
            baseline.members[0],
            runs,
            before_name=f"{baseline.name} (one good unit)",
            after_name=name,
            false_changes=false_changes,
        )
    members = [latest_runs(member) for member in baseline.members]
    pairs: list[Pair] = []
    not_compared: list[str] = []
    later = latest_runs(runs)
    for number in sorted({*later, *(n for member in members for n in member)}):
        run = later.get(number)
        known = [member[number] for member in members if number in member]
        if run is None or not known:
            step = run.step if run else known[0].step
            side = "in the baseline" if run else "on this unit"
            not_compared.append(
                f"step {number}, {step.check} on {step.output}: not measured {side}"
            )
            continue
        why = next((w for w in (settings_differ(k, run) for k in known) if w), None)
        if why is not None:
            not_compared.append(
                f"step {number}, {run.step.check} on {run.step.output}: not compared: {why}"
            )
            continue
        pairs.append(_pair(number, known, run))
    compared = compare_pairs(pairs, false_changes=false_changes, borrow=False)
    by_key = {(f.step_number, f.name, f.unit, f.channel, f.channels): f for f in figures(baseline)}
    told = tuple(
        _in_words(c, by_key.get((c.step_number, c.name, c.unit, c.channel, c.channels)), baseline)
        for c in compared
    )
    return StageComparison(earlier_name, name, _agree(told), tuple(not_compared))


def _member_readings(run: Run) -> list[Reading]:
    """The readings of a run, each the mean of its repeats."""
    grouped: dict[tuple[object, ...], list[Reading]] = {}
    for measurement in run.measurements:
        for r in measurement.readings:
            grouped.setdefault((r.name, r.unit, r.channel, r.channels), []).append(r)
    return [mean_of_repeats(same) for same in grouped.values()]


def _pair(number: int, known: Sequence[Run], run: Run) -> Pair:
    """Members as repeats of one side, the unit's mean as the other; counts keep every take."""
    return Pair(
        number,
        run.step,
        tuple(readings for member in known for readings in _as_repeats(member)),
        _as_repeats(run),
        other_rig=any(
            (member.rig.interface, member.rig.device) != (run.rig.interface, run.rig.device)
            for member in known
        ),
        watched=(
            math.fsum(map(watched_seconds, known)) / len(known),
            watched_seconds(run),
        ),
    )


def _as_repeats(run: Run) -> tuple[tuple[Reading, ...], ...]:
    means = tuple(r for r in _member_readings(run) if base_name(r.name) not in COUNTS)
    counts = [tuple(r for r in m.readings if base_name(r.name) in COUNTS) for m in run.measurements]
    return (means, *counts)


def _figure(run: Run, readings: Sequence[Reading]) -> BaselineFigure:
    values = [float(r.value) for r in readings if isinstance(r.value, float | int)]
    count = len(values)
    mean = math.fsum(values) / count
    square = math.fsum((v - mean) ** 2 for v in values) / (count - 1)
    own = [r.uncertainty for r in readings if isinstance(r.uncertainty, float | int)]
    own_square = math.fsum(u * u for u in own) / len(own) if own else 0.0
    deviation = math.sqrt(max(square, own_square))
    reach = tolerance_factor(count) * deviation
    first = readings[0]
    return BaselineFigure(
        run.step_number, run.step.check, run.step.output, first.name, first.unit, first.channel,
        first.channels, mean, deviation, count, mean - reach, mean + reach,
    )  # fmt: skip


def _in_words(c: Comparison, figure: BaselineFigure | None, baseline: Baseline) -> Comparison:
    """The verdict against the baseline, and the interval in words."""
    if figure is None or c.after is None or not is_valid(c.after):
        return c
    value = c.after.value
    if isinstance(value, tuple) or value is None:
        return c
    before = replace(
        c.before or c.after,
        value=figure.mean,
        uncertainty=figure.deviation,
        state="ok",
        why=f"mean of {figure.members} {_OF[baseline.of]}",
        upper_bound=False,
    )
    unit = f" {c.unit}" if c.unit else ""
    interval = f"{_number(figure.low, figure)} to {_number(figure.high, figure)}{unit}"
    what = "good units" if baseline.of == "units" else "good stages"
    words = f"95 % of {what} lie within {interval} (with 95 % confidence)"
    if figure.members < FEW_MEMBERS:
        words += f", a wide range because only {figure.members} are known"
    if is_bound(c.after):
        # The true value is lower still: that is no worse where lower is better.
        base = base_name(c.name)
        if base in LOWER_IS_BETTER and value <= figure.high:
            return replace(
                c, before=before, verdict="no change", why=f"not above what they do: {words}"
            )
        return replace(c, before=before, why=_join(words, c.why))
    if c.verdict == "cannot tell":
        return replace(c, before=before, why=_join(c.why, words))
    if abs(value - figure.mean) < smallest_worth_reporting(base_name(c.name), c.unit):
        return replace(c, before=before, why=_join(c.why, words))
    limit_words = check_limit(c.after, c.limit)[1] if c.limit else None
    if figure.low <= value <= figure.high:
        why = _join(f"within what {what} do: {words}", limit_words)
        return replace(c, before=before, verdict="no change", why=why)
    if c.verdict == "no change":
        why = (
            f"outside: {words}; among so many readings a good one lies there now and then, so "
            "more of them are needed to tell"
        )
        return replace(c, before=before, verdict="cannot tell", why=_join(why, limit_words))
    return replace(c, before=before, why=_join(f"outside: {words}", c.why))


def _agree(comparisons: Sequence[Comparison]) -> tuple[Comparison, ...]:
    """One verdict for each quantity: that of its first comparison that can tell."""
    verdicts = {}
    for same in same_quantities(comparisons):
        told = [c for c in same if c.verdict != "cannot tell"]
        verdicts.update({id(c): (told or same)[0].verdict for c in told})
    return tuple(replace(c, verdict=verdicts.get(id(c), c.verdict)) for c in comparisons)


def _join(first: str | None, second: str | None) -> str:
    return "; ".join(part for part in (first, second) if part)


def _number(value: float, figure: BaselineFigure) -> str:
    size = figure.deviation or abs(value) or 1.0
    digits = min(max(1 - math.floor(math.log10(size)), 0), 9)
    return true_minus(f"{value:.{digits}f}")
