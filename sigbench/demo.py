"""The whole job on the simulated unit: baseline, arrival, repair, comparison, report.

A scenario of our own: a synthesizer arrives with three faults, all of them parts: the output
coupling capacitor of the right channel and the reservoir capacitors have dried out, and the joint
at the left jack is dry. Three good units of the same model were measured before it.
"""

from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from pathlib import Path

from sigbench.baseline import compare_with_baseline, stored_baseline
from sigbench.bench.folder import Bench, new_run_id
from sigbench.compare import compare_stages
from sigbench.interface.simulated import ARRIVAL, REPAIRED, Condition, SimulatedInterface
from sigbench.model import DOWN_VOLUME, SOFT_VOLUME, Output, Plan, Rail, StageComparison, Unit
from sigbench.plan import default_plan
from sigbench.run import Session, carry_out

MAKER, MODEL = "Example Instruments", "Bench Synth 6"
STAGE_GOOD, STAGE_BEFORE, STAGE_AFTER = "as sold", "as received", "after repair"
BASELINE = "Bench Synth 6, good units"
REPAIRS = (
    "right output: coupling capacitor replaced, 22 uF",
    "supply: both reservoir capacitors replaced, 3300 and 2200 uF",
    "left output: joint at the jack resoldered",
)

# Shorter than a real plan, so that the whole job is seen in half a minute.
SECONDS = {"idle": 4.0, "tone": 2.0, "dropouts": 4.0}
REPEATS = {"idle": 3, "tone": 3, "dropouts": 4}
NOTES_HZ = (440.0, 110.0)
WORKERS = 2
RAILS = (Rail("+15 V", 15.0), Rail("-15 V", -15.0))

# Serial number, state and noise of the good units, which differ by the tolerances of their parts.
GOOD_UNITS = (("0011", "good-1", 1.05), ("0012", "good-2", 0.95), ("0013", "good-3", 1.0))


@dataclass(frozen=True, slots=True)
class Chapter:
    """One part of the story as it is done: a heading, what was done, and what came of it."""

    title: str
    text: str
    comparison: StageComparison | None = None


def demo_unit(serial: str) -> Unit:
    """A unit of the demo's model."""
    return Unit(MAKER, MODEL, serial, (Output("main"),), 230.0, 50.0)


def demo_plan(unit: Unit) -> Plan:
    """The default plan, shortened: fewer notes and shorter takes."""
    steps = tuple(
        replace(step, seconds=SECONDS[step.check], repeats=REPEATS[step.check])
        if step.check in SECONDS
        else step
        for step in default_plan(unit, rails=RAILS).steps
        if step.volume not in (SOFT_VOLUME, DOWN_VOLUME)
        and (step.check != "tone" or step.settings.frequency_hz in NOTES_HZ)
    )
    return Plan(f"Demo plan for {unit.maker} {unit.model}", steps)


def tell(
    folder: Path, unit_id: str, *, on_stage: Callable[[int, int], None] | None = None
) -> Iterator[Chapter]:
    """Do the job in a bench folder, one chapter after the other.

    The stages are recorded by two processes side by side in the one folder, as two people at two
    benches might.

    Parameters
    ----------
    folder : Path
        A bench folder of its own.
    unit_id : str
        The unit that is repaired, already added with the demo's plan.
    on_stage : callable, optional
        Called with the number of stages measured, and of all.
    """
    with Bench.open(folder) as bench, ProcessPoolExecutor(WORKERS) as workers:
        plan = bench.plan(unit_id)
        stages: list[Future[list[str]]] = []

        def start(unit: str, condition: Condition, stage: str) -> Future[list[str]]:
            job = workers.submit(_measure_stage, folder, unit, condition, stage, len(stages) + 1)
            stages.append(job)
            return job

        good = []
        for serial, state, noise in GOOD_UNITS:
            good_id = bench.add_unit(demo_unit(serial))
            bench.set_plan(good_id, plan)
            good.append(start(good_id, _good(state, noise), STAGE_GOOD))
        arrival = start(unit_id, ARRIVAL, STAGE_BEFORE)
        repaired = start(unit_id, REPAIRED, STAGE_AFTER)
        if on_stage is not None:
            for number, _ in enumerate(as_completed(stages), start=1):
                on_stage(number, len(stages))

        bench.add_baseline(BASELINE, MODEL, [run_id for job in good for run_id in job.result()])
        baseline = stored_baseline(bench, BASELINE)
        yield Chapter(
            "The baseline",
            f"{len(GOOD_UNITS)} good units of the model were measured: what a good one does.",
        )
        before = [bench.run(run_id) for run_id in arrival.result()]
        yield Chapter(
            "Arrival",
            "The unit as received, against the good ones:",
            compare_with_baseline(before, baseline, name=STAGE_BEFORE),
        )
        yield Chapter("Repair", "\n".join(f"- {repair}" for repair in REPAIRS))
        after = [bench.run(run_id) for run_id in repaired.result()]
        yield Chapter(
            "Proof",
            "The same plan again, against the unit as received:",
            compare_stages(before, after, before_name=STAGE_BEFORE, after_name=STAGE_AFTER),
        )
        yield Chapter(
            "And against the good units",
            "The repaired unit, against the baseline:",
            compare_with_baseline(after, baseline, name=STAGE_AFTER),
        )


def _good(state: str, noise: float) -> Condition:
    volts = noise * REPAIRED.noise_volts_per_root_hz
    return replace(REPAIRED, state=state, noise_volts_per_root_hz=volts)


def _measure_stage(
    folder: Path, unit_id: str, condition: Condition, stage: str, seed: int
) -> list[str]:
    """Carry out a unit's plan on the simulated unit; ids of the runs."""
    simulated = SimulatedInterface(condition, seed=seed)
    session = Session(simulated, stage, "demo", "fixed")
    volts = simulated.rail_volts()
    run_ids = []
    with Bench.open(folder) as bench:
        outputs = {output.name: output for output in bench.unit(unit_id).outputs}
        for number, step in enumerate(bench.plan(unit_id).steps, start=1):
            simulated.do(step)
            rails = tuple(
                replace(rail, measured_volts=volts[rail.name.replace(" ", "")])
                for rail in step.rails
            )
            run = carry_out(
                session,
                number,
                replace(step, rails=rails),
                output=outputs.get(step.output),
                run_id=new_run_id(),
                store=bench.store_take,
            )
            bench.add_run(unit_id, run)
            run_ids.append(run.id)
    return run_ids
