"""What changed between two stages, and by how much more than the measurement's own scatter.

Every reading is judged against what it scatters from repeat to repeat (`sigbench.repeatability`).
A comparison holds some 60 readings, so 95 % confidence in each would find three changes on a unit
that nobody touched. Here the whole comparison shares `FALSE_CHANGES`: on an unchanged unit it
holds on average at most that many false changes (Bonferroni's division, which needs no assumption
about what the readings have in common). ``docs/comparison.md`` explains it to the reader.
"""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sigbench.checks import NO_ONSET
from sigbench.checks.marks import pauses
from sigbench.checks.rails import rail_limit
from sigbench.model import (
    CheckSettings,
    Comparison,
    Limit,
    Rail,
    Reading,
    Run,
    StageComparison,
    Step,
    Verdict,
)
from sigbench.repeatability import (
    COUNTS,
    OWN_FREEDOM,
    SIGNS,
    Repeats,
    Scatter,
    count_chance,
    difference,
    is_bound,
    is_valid,
    mean_of_repeats,
    repeats_of,
    why_invalid,
)
from sigbench.report.wording import below, label, unit_words
from sigbench.shapes import ShapeDifference, compare_profiles, compare_responses, compare_spurs
from sigbench.units import nearest_note, true_minus

FALSE_CHANGES = 0.05
"""Expected number of false changes in a whole comparison of an unchanged unit."""

COUNT_WEIGHT = 10.0
"""Share of a count in `FALSE_CHANGES` against that of another reading.

Dropouts are what a repair is often about, and a handful of events carries little evidence: with
an equal share not even ten dropouts that went away would count.
"""

GUARD_BAND = 1.645
"""Standard uncertainties between value and limit for a call that is wrong in at most 5 % of cases.

JCGM 106:2012, 7.3 and 8.3 (normal distribution, one limit).
"""

LOWER_IS_BETTER = frozenset(
    {
        "thd",
        "thd_n",
        "noise_rms",
        "noise_a",
        "noise_468",
        "hum_1x",
        "hum_2x",
        "hum_total",
        "frequency_drift",
        "modulation_am",
        "modulation_fm",
        "crosstalk",
        "dropouts",
        "dropout_time",
        "dips",
        "hum_bursts",
        "crackle_rate",
        "crackle_energy",
        "worn_share",
        "dead_share",
        "jumps",
        "gang_error_most",
        "end_residue",
        "rail_ripple",
    }
)
HIGHER_IS_BETTER = frozenset({"sinad"})
NEARER_ZERO_IS_BETTER = frozenset(
    {
        "balance",
        "pitch_error",
        "dc_offset",
        "delay",
        "rail_error",
        "level_trend",
        "pitch_trend",
        "hum_trend",
        "noise_trend",
    }
)
SHARE_OF_TONE = frozenset({"thd", "thd_n", "sinad"})

RICH_SOUND_DB = -20.0
"""THD or THD+N above which a sound is taken to be rich by design: a saw has -2 dB.

Then less is not better: a dull filter would pass as a repair. Common practice, no source.
"""
RICH_SOUND_PERCENT = 10.0  # the same

SAME_QUANTITY = {
    "sinad": "thd_n",
    "frequency": "pitch_error",
    "rail_error": "rail_volts",
    "dropout_time": "dropouts",
    "worn_travel": "worn_share",
    "dead_travel": "dead_share",
    "gang_error": "gang_error_most",
}
"""Readings that say what another says: judged once, and both carry the verdict."""

NOT_COMPARED = frozenset(
    {
        "mains_frequency",
        "harmonic_phases",
        "level_course",
        "pitch_course",
        "hum_course",
        "noise_course",
    }
)
"""Readings that are not judged: of the local mains, beside the profile, or to be plotted."""

# The smallest change worth reporting, by reading, else by unit. Common practice, no source.
SMALLEST_BY_READING = {
    # a volume control is not set again more closely than this
    "level_rms": 0.5,
    "level_peak": 0.5,
    "level_true_peak": 0.5,
    "tone_level": 0.5,
    "top_level": 0.5,
    "crest_factor": 0.5,
    # nobody hears less
    "noise_rms": 0.5,
    "noise_a": 0.5,
    "noise_468": 0.5,
    "hum_1x": 0.5,
    "hum_2x": 0.5,
    "hum_total": 0.5,
    "crosstalk": 0.5,
    # of the travel: a hand does not set a control more closely
    "worn_share": 1.0,
    "dead_share": 1.0,
}
SMALLEST_BY_READING_AND_UNIT = {("thd", "dB"): 0.5, ("thd_n", "dB"): 0.5, ("sinad", "dB"): 0.5}
SMALLEST_BY_UNIT = {
    "dB": 0.1,
    "dBFS": 0.1,
    "dBu": 0.1,
    "dBV": 0.1,
    "cents": 1.0,
    "dB/h": 0.1,
    "cents/h": 1.0,
    "V": 0.02,
    "FS": 1e-4,
    "s": 1e-6,
}

_SHARES_OF_TRAVEL = frozenset({"worn_share", "dead_share"})

AS_LONG = 0.01  # times of watching that differ by less count as the same; our own choice

RELATIVE_TO_RIG = frozenset({"dBFS", "FS"})  # units that mean another voltage on another rig

PLAIN_BAND_RATE = 44_100  # from this sample rate on all of 20 Hz to 20 kHz is measured

Key = tuple[str, str, int | None, tuple[int, int] | None]  # name, unit, channel, channels
Quantity = tuple[int, str, int | None, tuple[int, int] | None]  # step, name, channel, channels


@dataclass(frozen=True, slots=True)
class Pair:
    """One step at two stages: for each repeat on either side, its readings."""

    step_number: int
    step: Step
    before: tuple[tuple[Reading, ...], ...]
    after: tuple[tuple[Reading, ...], ...]
    other_rig: bool = False
    watched: tuple[float, float] = (1.0, 1.0)
    """Seconds that count of a repeat on either side, on average; a person may end a take early."""

    @property
    def as_long(self) -> bool:
        """Whether both sides were watched for as long."""
        before, after = self.watched
        return abs(after - before) <= AS_LONG * max(before, after)


@dataclass(frozen=True, slots=True)
class _Case:
    """One reading at two stages."""

    pair: Pair
    key: Key
    before: tuple[Reading, ...]
    after: tuple[Reading, ...]

    @property
    def name(self) -> str:
        return self.key[0]

    @property
    def unit(self) -> str:
        return self.key[1]

    @property
    def base(self) -> str:
        """The name without a rail's: ``rail_volts`` of ``rail_volts[+15 V]``."""
        return base_name(self.name)

    @property
    def quantity(self) -> Quantity:
        """What is the same for readings that say the same."""
        name, _, channel, channels = self.key
        return _quantity(self.pair.step_number, name, channel, channels)

    @property
    def weight(self) -> float:
        return COUNT_WEIGHT if self.base in COUNTS else 1.0

    @property
    def obstacle(self) -> str | None:
        """Why the two sides cannot be told apart at all; None where they can be compared."""
        for side, readings in (("before", self.before), ("after", self.after)):
            if not readings:
                return f"not measured {side}"
            if not any(is_valid(r) for r in readings):
                return f"no valid number {side}: {why_invalid(readings)}"
        if self.base in HIGHER_IS_BETTER and any(
            r.state == "rig-limited" for r in (*self.before, *self.after)
        ):
            return "the rig itself limits it: the true value may be higher"
        if self.pair.other_rig and self.unit in RELATIVE_TO_RIG:
            return "recorded with another interface: its full scale is another voltage"
        if all(
            any(is_bound(r) for r in readings if is_valid(r))
            for readings in (self.before, self.after)
        ):
            return "too low to be told from noise, or from the rig itself, on both sides"
        return None


@dataclass(frozen=True, slots=True)
class _Judgement:
    difference: float | None
    uncertainty: float | None
    verdict: Verdict
    why: str


def compare_stages(
    before: Sequence[Run],
    after: Sequence[Run],
    *,
    before_name: str,
    after_name: str,
    false_changes: float = FALSE_CHANGES,
) -> StageComparison:
    """Compare a later stage with an earlier one, reading by reading.

    Parameters
    ----------
    before, after : sequence of Run
        The runs of both stages; of a step that was done again, the last run counts.
    before_name, after_name : str
        Names of the stages.
    false_changes : float
        Expected number of changes found in the whole comparison if nothing has changed.

    Returns
    -------
    StageComparison
        In the order of the plan; steps whose settings differ are named in `not_compared` with
        the reason. Limits are those of the later stage's steps.

    Notes
    -----
    GUM (JCGM 100:2008) and ISO 5725-2, -6 for scatter and difference, JCGM 106:2012 for limits.
    See `sigbench.repeatability` for how the scatter is found.
    """
    pairs, not_compared = match_steps(before, after)
    return StageComparison(
        before_name,
        after_name,
        compare_pairs(pairs, false_changes=false_changes),
        not_compared,
    )


def match_steps(
    before: Sequence[Run], after: Sequence[Run]
) -> tuple[tuple[Pair, ...], tuple[str, ...]]:
    """Runs of the same step with the same settings, and in words what could not be matched."""
    earlier, later = latest_runs(before), latest_runs(after)
    pairs: list[Pair] = []
    not_compared: list[str] = []
    for number in sorted({*earlier, *later}):
        b, a = earlier.get(number), later.get(number)
        if b is None or a is None:
            run = b or a
            assert run is not None
            side = "before" if b is None else "after"
            not_compared.append(f"{_step_words(number, run.step)}: not measured {side}")
            continue
        why = settings_differ(b, a)
        if why is not None:
            not_compared.append(f"{_step_words(number, a.step)}: not compared: {why}")
            continue
        pairs.append(
            Pair(
                number,
                a.step,
                tuple(m.readings for m in b.measurements),
                tuple(m.readings for m in a.measurements),
                other_rig=(b.rig.interface, b.rig.device) != (a.rig.interface, a.rig.device)
                or _calibrated_apart(b, a),
                watched=(watched_seconds(b), watched_seconds(a)),
            )
        )
    return tuple(pairs), tuple(not_compared)


def watched_seconds(run: Run) -> float:
    """How long a take of a run lasts on average, pauses left out; 1 without a take."""
    lengths = [
        take.frames / take.samplerate - sum(end - start for start, end in pauses(take.marks))
        for take in run.takes
    ]
    return math.fsum(lengths) / len(lengths) if lengths else 1.0


def _calibrated_apart(before: Run, after: Run) -> bool:
    """Whether both rigs were calibrated, and not alike: then volts compare, and dBFS do not."""
    return (
        before.rig.calibration is not None
        and after.rig.calibration is not None
        and before.rig.calibration.inputs != after.rig.calibration.inputs
    )


def latest_runs(runs: Iterable[Run]) -> dict[int, Run]:
    """The last run of each step, by its number."""
    latest: dict[int, Run] = {}
    for run in runs:
        known = latest.get(run.step_number)
        if known is None or _moment(run) >= _moment(known):
            latest[run.step_number] = run
    return latest


def _taper(step: Step) -> str:
    """The law of a control in one way of writing it: "audio" and "audio:15" are the same."""
    if step.settings.taper is None:
        return "guessed"
    from sigbench.measure.taper import taper_named

    taper = taper_named(step.settings.taper)
    usual = taper == taper_named(taper.kind)
    return taper.kind if usual else f"{taper.kind}:{100 * taper.at_half:g}"


def settings_differ(before: Run, after: Run) -> str | None:
    """Why two runs of a step cannot be compared; None where they can."""
    b, a = before.step, after.step
    if b.check != a.check:
        return f"check differs ({b.check} before, {a.check} after)"
    if b.check == "rails":
        rails = [[(r.name, r.nominal_volts) for r in step.rails] for step in (b, a)]
        return None if rails[0] == rails[1] else "the rails listed differ"
    described: tuple[tuple[str, Callable[[Step], str]], ...] = (
        ("output", lambda step: step.output),
        ("note", lambda step: _note_words(step.settings)),
        ("tuning", lambda step: f"A = {step.settings.a4_hz:g} Hz"),
        ("mains frequency", lambda step: _or_any(step.settings.mains_hz, "Hz")),
        ("driven channel", lambda step: _or_any(step.settings.driven_channel, "")),
        ("taper", _taper),
        ("length", lambda step: f"{step.seconds:g} s"),
        ("stimulus", lambda step: step.stimulus or "none"),
        ("volume", lambda step: step.volume or "not stated"),
        ("gain", lambda step: step.gain or "not stated"),
    )
    in_volts = before.rig.calibration is not None and after.rig.calibration is not None
    for what, words in described:
        if what == "gain" and in_volts:
            continue
        if words(b) != words(a):
            return f"{what} differs ({words(b)} before, {words(a)} after)"
    rates = before.rig.samplerate, after.rig.samplerate
    if rates[0] != rates[1] and min(rates) < PLAIN_BAND_RATE:
        return f"sample rate differs ({rates[0]} Hz before, {rates[1]} Hz after)"
    return None


def compare_pairs(
    pairs: Sequence[Pair], *, false_changes: float = FALSE_CHANGES, borrow: bool = True
) -> tuple[Comparison, ...]:
    """Compare matched steps; the part of `compare_stages` that knows no runs.

    Parameters
    ----------
    pairs : sequence of Pair
    false_changes : float
        As in `compare_stages`.
    borrow : bool
        Whether a reading with few repeats may use the scatter of the same reading elsewhere.
    """
    cases = [case for pair in pairs for case in _cases(pair)]
    leaders = _leaders(cases)
    tested = [case for case in leaders.values() if case.obstacle is None]
    total = sum(case.weight for case in tested)
    scatter = _pooled_scatter(cases) if borrow else {}
    judged = {
        quantity: _judge(
            case, false_changes * case.weight / total if total else false_changes, scatter
        )
        for quantity, case in leaders.items()
    }
    comparisons = []
    for case in cases:
        leader = leaders[case.quantity]
        judgement = judged[case.quantity]
        if case is not leader:
            level = false_changes * leader.weight / total if total else false_changes
            own = _judge(case, level, scatter)
            if case.obstacle is None and leader.obstacle is None:
                why = f"as {_title(leader, case)}: {judgement.why}"
                judgement = replace(own, verdict=judgement.verdict, why=why)
            else:
                judgement = own
        comparisons.append(_comparison(case, judgement))
    return tuple(comparisons)


def summary(comparison: StageComparison) -> dict[str, int]:
    """How many quantities have each verdict, and how many are out of limits.

    A quantity that is given in two units, or twice under two names (`SAME_QUANTITY`), counts once.

    Returns
    -------
    dict of str to int
        Keys are the verdicts and ``out of limits``.
    """
    counts = {
        "worse": 0, "better": 0, "different": 0, "no change": 0, "cannot tell": 0,
        "out of limits": 0,
    }  # fmt: skip
    for same in same_quantities(comparison.comparisons):
        told = [c for c in same if c.verdict != "cannot tell"]
        counts[(told or same)[0].verdict] += 1
        counts["out of limits"] += any(c.out_of_limits is True for c in same)
    return counts


def summary_line(comparison: StageComparison) -> str:
    """The count of the verdicts in words."""
    counts = summary(comparison)
    total = sum(n for name, n in counts.items() if name != "out of limits")
    told = [
        f"{counts[name]} {words}"
        for name, words in (
            ("better", "better"),
            ("worse", "worse"),
            ("different", "different"),
            ("no change", "without change beyond the scatter"),
            ("cannot tell", "where it cannot be told"),
        )
        if counts[name]
    ]
    outside = counts["out of limits"]
    limits = f"; {outside} outside a limit" if outside else "; none outside a limit"
    return f"Of {total} readings: {', '.join(told)}{limits}."


def anything_changed(comparison: StageComparison) -> bool:
    """Whether something changed, or lies outside its limit."""
    return any(is_news(c) for c in comparison.comparisons)


def is_news(c: Comparison) -> bool:
    """Whether a reading changed, or lies outside its limit."""
    return c.verdict in ("better", "worse", "different") or c.out_of_limits is True


def weight(c: Comparison) -> tuple[bool, int, bool, bool]:
    """For the order of importance: limits first, then worse, better, different, and the rest."""
    order = ("worse", "better", "different", "cannot tell", "no change")
    plain = c.limit is None, not label(c.name).main
    return c.out_of_limits is not True, order.index(c.verdict), *plain


def worst_first(comparison: StageComparison) -> tuple[Comparison, ...]:
    """The comparisons with what is out of limits or worse first; else in the plan's order."""
    order = ("worse", "different", "better", "cannot tell", "no change")
    return tuple(
        sorted(
            comparison.comparisons,
            key=lambda c: (not c.out_of_limits, order.index(c.verdict), c.step_number),
        )
    )


def same_quantities(comparisons: Iterable[Comparison]) -> list[list[Comparison]]:
    """The comparisons in groups that say the same, each with its main name first."""
    groups: dict[Quantity, list[Comparison]] = {}
    for c in comparisons:
        groups.setdefault(_quantity(c.step_number, c.name, c.channel, c.channels), []).append(c)
    return [
        sorted(same, key=lambda c: base_name(c.name) in SAME_QUANTITY) for same in groups.values()
    ]


def base_name(name: str) -> str:
    """``rail_volts`` of ``rail_volts[+15 V]``; other names as they are."""
    return name.partition("[")[0]


def check_limit(reading: Reading, limit: Limit) -> tuple[bool | None, str]:
    """Whether a reading lies outside its limit by more than its uncertainty.

    Parameters
    ----------
    reading : Reading
        With a standard uncertainty; a count is exact.
    limit : Limit

    Returns
    -------
    outside : bool or None
        None where it cannot be told.
    why : str
        In words.

    Notes
    -----
    JCGM 106:2012: guard bands of 1.645 u on both sides of a limit, so that neither call is wrong
    in more than 5 % of cases. An upper bound can only be inside, if it lies below the high limit
    and there is no low one.
    """
    if not is_valid(reading) or isinstance(reading.value, tuple) or reading.value is None:
        return None, f"no valid number to hold against the limit: {why_invalid([reading])}"
    value = reading.value
    low = -math.inf if limit.low is None else limit.low
    high = math.inf if limit.high is None else limit.high
    if is_bound(reading):
        if limit.low is None and value <= high:
            return False, "inside its limit: the true value is lower still"
        return None, "only known to lie below this: no call against the limit"
    if base_name(reading.name) in COUNTS | SIGNS:
        guard = 0.0
    elif isinstance(reading.uncertainty, float | int):
        guard = GUARD_BAND * reading.uncertainty
    else:
        return None, "its uncertainty is not known: no call against the limit"
    if value - guard > high or value + guard < low:
        return True, "outside its limit"
    if value + guard <= high and value - guard >= low:
        return False, "inside its limit"
    return None, "too near its limit to call"


def _quantity(
    step_number: int, name: str, channel: int | None, channels: tuple[int, int] | None
) -> Quantity:
    base = base_name(name)
    return step_number, SAME_QUANTITY.get(base, base) + name[len(base) :], channel, channels


def _cases(pair: Pair) -> list[_Case]:
    """Every reading of a step, in the order of the later side."""
    keys: dict[Key, None] = {}
    for readings in (*pair.after, *pair.before):
        for r in readings:
            if r.name not in NOT_COMPARED:
                keys.setdefault((r.name, r.unit, r.channel, r.channels))
    return [
        _Case(pair, key, _with_key(pair.before, key), _with_key(pair.after, key)) for key in keys
    ]


def _with_key(repeats: Sequence[Sequence[Reading]], key: Key) -> tuple[Reading, ...]:
    return tuple(
        r for readings in repeats for r in readings
        if (r.name, r.unit, r.channel, r.channels) == key
    )  # fmt: skip


def _leaders(cases: Sequence[_Case]) -> dict[Quantity, _Case]:
    """Of readings that say the same, the one that is judged: under its main name, if it can be."""
    groups: dict[Quantity, list[_Case]] = {}
    for case in cases:
        groups.setdefault(case.quantity, []).append(case)
    return {
        quantity: min(same, key=lambda c: (c.obstacle is not None, c.base in SAME_QUANTITY))
        for quantity, same in groups.items()
    }


def _pooled_scatter(cases: Sequence[_Case]) -> dict[tuple[str, str, str], Scatter]:
    """Scatter of each reading over all steps, channels and stages (ISO 5725-2)."""
    pooled: dict[tuple[str, str, str], Scatter] = {}
    for case in cases:
        for readings in (case.before, case.after):
            repeats = repeats_of(readings)
            if repeats is not None:
                key = _scatter_key(case)
                pooled[key] = pooled.get(key, Scatter()) + repeats.scatter
    return pooled


def _scatter_key(case: _Case) -> tuple[str, str, str]:
    return case.pair.step.check, case.name, case.unit


def _judge(
    case: _Case, level: float, scatter: Mapping[tuple[str, str, str], Scatter]
) -> _Judgement:
    if case.base == "onset" and (judgement := _judge_onset(case)) is not None:
        return judgement
    obstacle = case.obstacle
    if obstacle is not None:
        return _Judgement(None, None, "cannot tell", obstacle)
    before = [r for r in case.before if is_valid(r)]
    after = [r for r in case.after if is_valid(r)]
    if any(isinstance(r.value, tuple) for r in (*before, *after)):
        return _judge_shape(case, before, after, level)
    # What a data sheet promises is a bound, not an estimate from a few values; and how well the
    # ends of a worn place are known follows from the speed of the hand, not from scatter.
    exact = case.pair.step.check == "rails" or case.base in _SHARES_OF_TRAVEL
    freedom = math.inf if exact else OWN_FREEDOM
    b = repeats_of(before, own_freedom=freedom)
    a = repeats_of(after, own_freedom=freedom)
    assert b is not None
    assert a is not None
    if case.base in SIGNS:
        return _judge_sign(case, b, a)
    if case.base in COUNTS:
        return _judge_count(case, b, a, level)
    return _judge_value(case, b, a, level, scatter.get(_scatter_key(case)))


def _judge_value(
    case: _Case, before: Repeats, after: Repeats, level: float, elsewhere: Scatter | None
) -> _Judgement:
    moved = difference(before, after, elsewhere)
    if moved is None:
        return _Judgement(
            after.best - before.best, None, "cannot tell",
            "taken once, with no uncertainty of its own: repeat the take",
        )  # fmt: skip
    limit = moved.limit(level)
    if before.bound or after.bound:
        return _judge_bound(case, before, after, limit)
    unit = unit_words(
        {"dBFS": "dB", "dBu": "dB", "dBV": "dB", "%": "% points"}.get(case.unit, case.unit)
    )
    # Digits far below what is worth reporting would only be in the way.
    shown = max(limit, smallest_worth_reporting(case.base, case.unit) / 10)
    size = f"{_figure(moved.value, shown, signed=True)} {unit}".strip()
    most = f"{_figure(shown, shown)} {unit}".strip()
    if abs(moved.value) <= limit:
        why = f"moved by {size}; scatter alone explains up to {most}"
        return _Judgement(moved.value, moved.uncertainty, "no change", why)
    floor = smallest_worth_reporting(case.base, case.unit)
    if abs(moved.value) < floor:
        why = f"moved by {size}, which is below the {floor:g} {unit} worth reporting"
        return _Judgement(moved.value, moved.uncertainty, "no change", why)
    verdict, remark = _direction(case, before.best, after.best, max(limit, floor))
    why = f"moved by {size}, where scatter alone explains up to {most}{remark}"
    return _Judgement(moved.value, moved.uncertainty, verdict, why)


def _judge_bound(case: _Case, before: Repeats, after: Repeats, limit: float) -> _Judgement:
    """One side is only known to lie below: it has changed if the other lies well above that."""
    fell = after.bound
    value, bound = (before.best, after.best) if fell else (after.best, before.best)
    if _target(case) == 0.0:
        value, bound = abs(value), abs(bound)
    margin = max(limit, smallest_worth_reporting(case.base, case.unit))
    side = "after" if fell else "before"
    if value - bound <= margin:
        why = f"only known to be {below(bound, case.unit)} {side}: too near to tell"
        return _Judgement(None, None, "cannot tell", why)
    # With a bound standing for the true value the real change is larger still.
    verdict, remark = _direction(case, before.best, after.best, margin)
    ends = f"{_figure(value, margin)} {unit_words(case.unit)}".strip(), below(bound, case.unit)
    why = f"went from {ends[0]} to {ends[1]}" if fell else f"went from {ends[1]} to {ends[0]}"
    return _Judgement(None, None, verdict, why + remark)


def _judge_count(case: _Case, before: Repeats, after: Repeats, level: float) -> _Judgement:
    """Events: both as rare events, and by their scatter from take to take, which may be more.

    Where one side was watched for longer, what counts is how many come in the same time: those
    before are reckoned up to the time after.
    """
    totals = round(sum(before.values)), round(sum(after.values))
    as_long = case.pair.as_long
    times = (1.0, 1.0) if as_long else case.pair.watched
    longer = times[1] / times[0]
    chance = count_chance(totals[0], before.count * times[0], totals[1], after.count * times[1])
    own = (
        replace(before, values=tuple(longer * n for n in before.values), own=None),
        replace(after, own=None),
    )
    moved = difference(*own)
    if moved is not None:
        chance = max(chance, moved.chance)
    change = after.best - longer * before.best
    u = math.sqrt(
        longer**2 * max(totals[0], 1) / before.count**2 + max(totals[1], 1) / after.count**2
    )  # Poisson
    u = max(u, moved.uncertainty) if moved is not None else u
    if as_long:
        words = (
            f"{totals[0]} in {_takes(before.count)} before, "
            f"{totals[1]} in {_takes(after.count)} after"
        )
    else:
        seconds = before.count * times[0], after.count * times[1]
        words = f"{totals[0]} in {seconds[0]:.3g} s before, {totals[1]} in {seconds[1]:.3g} s after"
    if as_long and totals[0] * after.count == totals[1] * before.count:
        return _Judgement(change, u, "no change", words)
    if chance > level:
        why = f"{words}: chance alone may do that; longer or more takes would tell"
        return _Judgement(change, u, "no change", why)
    return _Judgement(change, u, "better" if change < 0 else "worse", words)


def _judge_sign(case: _Case, before: Repeats, after: Repeats) -> _Judgement:
    signs = {*map(_sign, before.values)}, {*map(_sign, after.values)}
    for side, seen in zip(("before", "after"), signs, strict=True):
        if len(seen) > 1:
            why = f"the sign differs from repeat to repeat {side}"
            return _Judgement(None, None, "cannot tell", why)
    b, a = signs[0].pop(), signs[1].pop()
    if b == a:
        return _Judgement(0.0, 0.0, "no change", "the same sign in every repeat")
    limit = _limit_of(case)
    target = 0
    if limit is not None:
        target = 1 if (limit.low or 0) > 0 else -1 if (limit.high or 0) < 0 else 0
    verdict: Verdict = "different" if not target else "better" if a == target else "worse"
    words = "now the same on both channels" if a > 0 else "now reversed between the channels"
    return _Judgement(float(a - b), 0.0, verdict, words)


def _judge_shape(
    case: _Case, before: Sequence[Reading], after: Sequence[Reading], level: float
) -> _Judgement:
    shape: ShapeDifference
    if case.base == "spurs":
        shape = compare_spurs(before, after, level)
    elif case.base == "harmonics":
        shape = compare_profiles(before, after, level)
    elif case.base == "response":
        shape = compare_responses(before, after, level)
    else:
        why = "lists of this kind are shown side by side, not judged"
        return _Judgement(None, None, "cannot tell", why)
    return _Judgement(shape.rms, shape.uncertainty, shape.verdict, shape.why)


def _judge_onset(case: _Case) -> _Judgement | None:
    """Trouble that set in on one side alone, or on none; None where there is a time to compare.

    Each onset has been tested already, at a chance far below that of a comparison.
    """
    sides = [{_set_in(r) for r in readings} for readings in (case.before, case.after)]
    if not all(sides) or None in sides[0] | sides[1]:
        return None  # the obstacle says why
    if len(sides[0]) > 1 or len(sides[1]) > 1:
        why = "it sets in in some of the takes, not in all"
        return _Judgement(None, None, "cannot tell", why)
    before, after = sides[0].pop(), sides[1].pop()
    if before and after:
        return None
    if before == after:
        return _Judgement(None, None, "no change", "neither side left its course")
    took = _takes(len(case.before)), _takes(len(case.after))
    words = "set in in {}", "never set in in {}"
    told = (words[not before].format(took[0]), words[not after].format(took[1]))
    why = f"{told[0]} before, {told[1]} after"
    return _Judgement(None, None, "better" if before else "worse", why)


def _set_in(onset: Reading) -> bool | None:
    """Whether trouble set in; None where it cannot be told."""
    if is_valid(onset):
        return True
    return False if (onset.why or "").startswith(NO_ONSET) else None


def _direction(case: _Case, before: float, after: float, margin: float) -> tuple[Verdict, str]:
    """Which way a change goes that is larger than scatter, and a remark if neither is better."""
    base = case.base
    target = _target(case)
    if target is not None:
        nearer = abs(before - target) - abs(after - target)
        if abs(nearer) <= margin:
            return "different", ", from one side of the target to the other"
        return ("better" if nearer > 0 else "worse"), ""
    if base in SHARE_OF_TONE and _may_be_rich(case, before, after):
        return "different", "; in a sound this rich, less is not better by itself"
    if base in LOWER_IS_BETTER:
        return ("better" if after < before else "worse"), ""
    if base in HIGHER_IS_BETTER:
        return ("better" if after > before else "worse"), ""
    return "different", "; neither way is better by itself"


def _target(case: _Case) -> float | None:
    if case.base in NEARER_ZERO_IS_BETTER:
        return 0.0
    if case.base == "rail_volts":
        rail = _rail_of(case)
        return rail.nominal_volts if rail else None
    return None


def _may_be_rich(case: _Case, before: float, after: float) -> bool:
    """Whether the sound may be rich by design: no limit in the plan says that it is to be clean."""
    if any(limit.reading in SHARE_OF_TONE for limit in case.pair.step.limits):
        return False
    if case.base == "sinad":
        before, after = -before, -after
    rich = RICH_SOUND_PERCENT if case.unit == "%" else RICH_SOUND_DB
    return max(before, after) > rich


def _rail_of(case: _Case) -> Rail | None:
    return next((r for r in case.pair.step.rails if case.name == f"{case.base}[{r.name}]"), None)


def _limit_of(case: _Case) -> Limit | None:
    """The plan's limit for the reading; a rail's is its tolerance."""
    for limit in case.pair.step.limits:
        units = {case.unit, "", "1"} if case.base in COUNTS | SIGNS else {case.unit}
        if limit.reading in (case.name, case.base) and limit.unit in units:
            return limit
    rail = _rail_of(case)
    return rail_limit(rail) if rail is not None and case.base == "rail_volts" else None


def _comparison(case: _Case, judgement: _Judgement) -> Comparison:
    after = mean_of_repeats(case.after) if case.after else None
    limit = _limit_of(case)
    why = judgement.why
    outside: bool | None = None
    if limit is not None and after is not None:
        outside, words = check_limit(after, limit)
        why = f"{why}; {words}"
    name, unit, channel, channels = case.key
    return Comparison(
        step_number=case.pair.step_number,
        check=case.pair.step.check,
        output=case.pair.step.output,
        name=name,
        unit=unit,
        channel=channel,
        channels=channels,
        before=mean_of_repeats(case.before) if case.before else None,
        after=after,
        difference=judgement.difference,
        uncertainty=judgement.uncertainty,
        verdict=judgement.verdict,
        out_of_limits=outside,
        limit=limit,
        why=why,
    )


def smallest_worth_reporting(name: str, unit: str) -> float:
    """The smallest change that matters to anyone, in the reading's unit."""
    by_both = SMALLEST_BY_READING_AND_UNIT.get((name, unit))
    if by_both is not None:
        return by_both
    if unit == "V" and name in SMALLEST_BY_READING:
        return 0.0  # a level in volts spans decades: it is judged in decibels
    return SMALLEST_BY_READING.get(name, SMALLEST_BY_UNIT.get(unit, 0.0))


def _figure(value: float, resolution: float, *, signed: bool = False) -> str:
    """A number with the digits that the resolution justifies: two of the resolution's own."""
    size = abs(resolution) or abs(value) or 1.0
    digits = min(max(1 - math.floor(math.log10(size)), 0), 9)
    return true_minus(f"{value:{'+' if signed else ''}.{digits}f}")


def _takes(count: int) -> str:
    return "1 take" if count == 1 else f"{count} takes"


def _sign(value: float) -> int:
    return 1 if value > 0 else -1


def _title(leader: _Case, case: _Case) -> str:
    """What another reading of the same quantity is called; by its unit if its name is the same."""
    words = label(leader.name).title
    words = words if words[:2].isupper() else words[:1].lower() + words[1:]
    return f"{words} in {unit_words(leader.unit)}" if leader.name == case.name else words


def _moment(run: Run) -> float:
    return datetime.fromisoformat(run.started).timestamp()


def _step_words(number: int, step: Step) -> str:
    return f"step {number}, {step.check} on {step.output}"


def _note_words(settings: CheckSettings) -> str:
    if settings.frequency_hz is None:
        return "any"
    note, cents = nearest_note(settings.frequency_hz, a4_hz=settings.a4_hz)
    return note if abs(cents) < 0.01 else f"{settings.frequency_hz:.6g} Hz"


def _or_any(value: float | None, unit: str) -> str:
    return "any" if value is None else f"{value:g} {unit}".strip()
