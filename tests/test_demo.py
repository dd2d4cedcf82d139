"""The demo tells its story: three faults found, mended, and nothing made worse."""

from math import hypot, log10, pi

from sigbench.baseline import compare_with_baseline, stored_baseline
from sigbench.bench.folder import Bench
from sigbench.compare import base_name, compare_stages
from sigbench.demo import (
    BASELINE,
    GOOD_UNITS,
    REPEATS,
    SECONDS,
    STAGE_AFTER,
    STAGE_BEFORE,
    _measure_stage,
    demo_plan,
    demo_unit,
)
from sigbench.interface.simulated import ARRIVAL
from tests.short_plan import PLAN, make_bench
from tests.short_plan import UNIT_ID as SHORT_ID

UNIT_ID = "example-instruments-bench-synth-6-0047"


def named(comparison, verdict):
    return {(base_name(c.name), c.channel) for c in comparison.comparisons if c.verdict == verdict}


# The faults by the parts they come from: the coupling capacitor of the right channel makes the
# balance worse, the reservoirs the hum of both, the joint at the left jack the dropouts there.
FAULTS = {("balance", None), ("hum_total", 1), ("hum_total", 2), ("dropouts", 1)}


def test_three_faults_are_found_and_mended_and_nothing_is_worse(demo):
    with Bench.open(demo.bench) as bench:
        before = bench.runs(UNIT_ID, STAGE_BEFORE)
        after = bench.runs(UNIT_ID, STAGE_AFTER)
        baseline = stored_baseline(bench, BASELINE)
    arrival = compare_with_baseline(before, baseline)
    assert named(arrival, "worse") >= FAULTS
    assert ("dropouts", 2) not in named(arrival, "worse")
    assert named(arrival, "better") == set()
    proof = compare_stages(before, after, before_name=STAGE_BEFORE, after_name=STAGE_AFTER)
    assert named(proof, "better") >= FAULTS
    assert named(proof, "worse") == set()
    assert not any(c.out_of_limits for c in proof.comparisons)
    healthy = compare_with_baseline(after, baseline)
    for verdict in ("worse", "better", "different"):
        assert named(healthy, verdict) == set()
    assert not any(c.out_of_limits for c in healthy.comparisons)


def test_the_numbers_are_those_of_the_parts(demo):
    with Bench.open(demo.bench) as bench:
        runs = {run.step_number: run for run in bench.runs(UNIT_ID, STAGE_BEFORE)}
    low = next(
        r
        for run in runs.values()
        if run.step.settings.frequency_hz == 110.0
        for r in run.measurements[0].readings
        if r.name == "balance"
    )
    # 47 nF into 20 kilohm of the interface beside 100 kilohm, with 140 + 300 + 470 ohm before it:
    # a first-order high-pass at 193 Hz, and 22 uF with 610 ohm on the other side. Textbook RC
    # network, at 110 Hz: |H| = R / sqrt((R + S)^2 + 1/(2 pi f C)^2)
    load = 20e3 * 100e3 / 120e3
    right = load / hypot(load + 910, 1 / (2 * pi * 110 * 47e-9))
    left = load / hypot(load + 610, 1 / (2 * pi * 110 * 22e-6))
    # Openings of the left joint take a little off its level: 2 a second, 60 ms each on average.
    assert abs(low.value - 20 * log10(left / right)) < 1.5


def test_the_whole_demo_is_in_the_folder_and_sound(demo):
    with Bench.open(demo.bench) as bench:
        assert bench.check() == []
        units = bench.units()
        assert len(units) == len(GOOD_UNITS) + 1
        steps = len(demo_plan(demo_unit("0047")).steps)
        assert len(bench.runs(UNIT_ID)) == 2 * steps
        for unit_id in units:
            for run in bench.runs(unit_id):
                assert len(run.takes) == REPEATS.get(run.step.check, 0)
                for take in run.takes:
                    assert take.frames == SECONDS[run.step.check] * take.samplerate


def test_the_simulated_units_sound_the_same_each_time(tmp_path, demo):
    hashes = []
    for name in ("a", "b"):
        folder = make_bench(tmp_path / name, PLAN)
        ids = _measure_stage(folder, SHORT_ID, ARRIVAL, "as received", 4)
        with Bench.open(folder) as bench:
            hashes.append([take.sha256 for run_id in ids for take in bench.run(run_id).takes])
    assert hashes[0] == hashes[1]
    assert len(set(hashes[0])) == 4  # and no two takes are alike
