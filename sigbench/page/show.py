"""What the pages show of the bench: records in words, and what comes next."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from sigbench.bench.folder import Bench
from sigbench.causes.of_unit import OTHER, causes_of, others
from sigbench.causes.records import BY_KEY, BY_NAME
from sigbench.causes.wording import CLOSING, opening, score_words
from sigbench.compare import latest_runs
from sigbench.model import Event, Plan, Run, Step, Unit
from sigbench.report.wording import short_words
from sigbench.run import outside_limits, short_readings, steps_left

FIRST_STAGE = "as received"
NEXT_STAGE = "after repair"


@dataclass(frozen=True, slots=True)
class UnitLine:
    """A unit in the list: its stage, and whether anything was outside its limits then."""

    unit_id: str
    unit: Unit
    stage: str | None
    when: str
    state: str


@dataclass(frozen=True, slots=True)
class Line:
    """A reading in a line."""

    title: str
    value: str
    outside: bool


@dataclass(frozen=True, slots=True)
class StepLine:
    """A step of the plan at a stage: what it gave, if it was done."""

    number: int
    step: Step
    run_id: str | None
    lines: tuple[Line, ...]
    events: int
    takes: int = 0


@dataclass(frozen=True, slots=True)
class StageView:
    """A stage, step by step."""

    name: str
    when: str
    steps: tuple[StepLine, ...]

    @property
    def done(self) -> int:
        """How many of the steps are done."""
        return sum(step.run_id is not None for step in self.steps)

    @property
    def outside(self) -> int:
        """How many readings lie outside a limit."""
        return sum(line.outside for step in self.steps for line in step.lines)

    @property
    def events(self) -> int:
        """How many events were found, marks not counted."""
        return sum(step.events for step in self.steps)


@dataclass(frozen=True, slots=True)
class CauseView:
    """A cause, with the key to write it down by."""

    key: str
    name: str
    score: str
    evidence_for: tuple[str, ...]
    evidence_against: tuple[str, ...]
    next: str
    caution: str


@dataclass(frozen=True, slots=True)
class CausesView:
    """What a stage points to."""

    stage: str
    opening: tuple[str, ...]
    causes: tuple[CauseView, ...]
    closing: str


@dataclass(frozen=True, slots=True)
class Next:
    """What comes next with a unit: in words, and where it is done.

    `place` is a stage to go on with, or a page.
    """

    words: str
    kind: Literal["measure", "compare", "report"]
    stage: str = ""


@dataclass(frozen=True, slots=True)
class UnitView:
    """All about one unit, in the order of the work."""

    unit_id: str
    unit: Unit
    has_photo: bool
    plan: Plan
    stages: tuple[StageView, ...]
    causes: CausesView | None
    found: tuple[tuple[str, str, str], ...]
    next: Next
    names: tuple[tuple[str, str], ...]


def unit_lines(bench: Bench, search: str = "") -> list[UnitLine]:
    """The units of the bench, those measured last first."""
    wanted = " ".join(search.casefold().split())
    lines = []
    for unit_id, unit in bench.units().items():
        text = f"{unit_id} {unit.maker} {unit.model} {unit.serial} {unit.notes}".casefold()
        if wanted in text:
            lines.append(_unit_line(bench, unit_id, unit))
    return sorted(lines, key=lambda line: line.when, reverse=True)


def _unit_line(bench: Bench, unit_id: str, unit: Unit) -> UnitLine:
    summaries = bench.stage_summaries(unit_id)
    if not summaries:
        return UnitLine(unit_id, unit, None, "", "not measured yet")
    last = summaries[-1]
    runs = latest_runs(bench.runs(unit_id, last.stage)).values()
    outside = sum(len(outside_limits(run)) for run in runs)
    left = len(steps_left(bench.plan(unit_id), tuple(runs))) if bench.has_plan(unit_id) else 0
    words = [f"{left} steps left"] if left else []
    words.append(_outside_words(outside))
    return UnitLine(unit_id, unit, last.stage, last.last, ", ".join(words))


def _outside_words(outside: int) -> str:
    if outside == 0:
        return "nothing outside its limit"
    return (
        f"{outside} reading{'s' * (outside > 1)} outside {'their' if outside > 1 else 'its'} limit"
    )


def unit_view(bench: Bench, unit_id: str) -> UnitView:
    """All about one unit.

    Raises
    ------
    BenchError
        If there is no such unit.
    """
    unit = bench.unit(unit_id)
    plan = bench.plan(unit_id) if bench.has_plan(unit_id) else Plan("none", ())
    stages = tuple(
        stage_view(plan, summary.stage, summary.last, bench.runs(unit_id, summary.stage))
        for summary in bench.stage_summaries(unit_id)
    )
    return UnitView(
        unit_id,
        unit,
        bench.photo(unit_id) is not None,
        plan,
        stages,
        _causes(bench, unit_id, stages[-1].name) if stages else None,
        tuple((one.date, cause_name(one.cause), one.note) for one in unit.found),
        next_of(plan, stages),
        (*((record.key, record.name) for record in BY_KEY.values()), (OTHER, "something else")),
    )


def stage_view(plan: Plan, name: str, when: str, runs: Sequence[Run]) -> StageView:
    """A stage of a unit, step by step; what was measured by another plan comes last."""
    latest = latest_runs(runs)
    by_number = {run.step_number: run for run in latest.values()}
    steps = [
        step_line(number, step, by_number.pop(number, None))
        for number, step in enumerate(plan.steps, start=1)
    ]
    steps += [step_line(number, run.step, run) for number, run in by_number.items()]
    return StageView(name, when, tuple(steps))


def step_line(number: int, step: Step, run: Run | None) -> StepLine:
    """A step of the plan, and what its run gave."""
    if run is None:
        return StepLine(number, step, None, (), 0)
    return StepLine(number, run.step, run.id, lines_of(run), len(events_of(run)), len(run.takes))


def lines_of(run: Run) -> tuple[Line, ...]:
    """The readings of a run that are worth a glance."""
    return tuple(Line(*short_words(one), outside) for one, outside in short_readings(run))


def events_of(run: Run) -> list[tuple[int, Event]]:
    """The events of a run, each with the number of its take, from 0; no marks."""
    return [
        (take, event)
        for take, measurement in enumerate(run.measurements)
        for event in measurement.events
        if event.kind != "mark"
    ]


def _causes(bench: Bench, unit_id: str, stage: str) -> CausesView | None:
    runs = tuple(latest_runs(bench.runs(unit_id, stage)).values())
    ranking = causes_of(runs, others(bench.units(), unit_id))
    if ranking is None:
        return None
    named = tuple(
        CauseView(
            BY_NAME[cause.name].key,
            cause.name,
            score_words(cause),
            cause.evidence_for,
            cause.evidence_against,
            cause.next,
            BY_NAME[cause.name].caution,
        )
        for cause in ranking.named
    )
    return CausesView(stage, tuple(opening(ranking)), named, CLOSING)


def cause_name(key: str) -> str:
    """A cause as it is shown."""
    return BY_KEY[key].name if key in BY_KEY else "something else"


def next_of(plan: Plan, stages: Sequence[StageView]) -> Next:
    """What comes next: a stage is finished before another is begun."""
    if not stages:
        return Next(f"Measure it as it came in: {len(plan.steps)} steps", "measure", FIRST_STAGE)
    last = stages[-1]
    left = len(plan.steps) - sum(step.run_id is not None for step in last.steps[: len(plan.steps)])
    if left:
        steps = "1 step is" if left == 1 else f"{left} steps are"
        return Next(f"Go on with the stage '{last.name}': {steps} left", "measure", last.name)
    if len(stages) == 1:
        return Next("Repair it, then measure it again", "measure", NEXT_STAGE)
    if last.outside:
        return Next(f"See what changed between '{stages[0].name}' and '{last.name}'", "compare")
    return Next("Write the report", "report")
