"""``sigbench baseline``: runs of good units kept under a name, and what they say."""

import json
import shutil
from dataclasses import replace

import pytest

from sigbench.baseline import figures, stored_baseline
from sigbench.bench.folder import Bench
from sigbench.model import Measurement, Output, Reading, Rig, Run, Source, Step, Unit

SOURCE = Source("simulated", None, None, 48_000, 2, 48_000)
RIG = Rig("portaudio", "line input", 48_000)
IDLE = Step("idle", "main", "Touch nothing.", 10.0, 2)
TONE = Step("tone", "main", "Hold A4.", 5.0, 2)
UNIT = Unit("Own", "Two-voice", "00", (Output("main"),))

# Units at −82, −80, −78, −81, −79 dBFS: mean −80, s = √(10/4) = 1.581. Two-sided tolerance factor
# for 95 % content, 95 % confidence, n = 5: 5.08 ("Statistics for Environmental Engineers",
# Berthouex and Brown, table 21.1), so the interval is −80 ± 8.03 dBFS.
LEVELS = (-82.0, -80.0, -78.0, -81.0, -79.0)


def run(run_id: str, level: float, *, step: Step = IDLE, number: int = 1, day: int = 1) -> Run:
    repeats = tuple(
        Measurement(
            step.check,
            SOURCE,
            (
                Reading("noise_a", level + d, "dBFS", 1, 0.05),
                Reading("noise_a", level + d + 2.2, "dBu", 1, 0.05),
                Reading("crest_factor", 12.0 + d, "dB", 1, 0.05),
            ),
        )
        for d in (-0.1, 0.1)
    )
    started = f"2026-03-{day:02}T10:00:00+01:00"
    return Run(run_id, "sold", started, "me", number, step, RIG, (), repeats)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """Five good units of a model, each measured once, and one of another model."""
    place = tmp_path / "my bench"
    monkeypatch.setenv("SIGBENCH_FOLDER", str(place))
    with Bench.create(place) as bench:
        for number, level in enumerate(LEVELS):
            unit_id = bench.add_unit(replace(UNIT, serial=f"0{number}"))
            bench.add_run(unit_id, run(f"a{number}", level))
        other = bench.add_unit(replace(UNIT, model="Organ", serial="x"))
        bench.add_run(other, run("b0", -70.0))
    return place


ALL = [word for number in range(5) for word in ("--from", f"0{number}:sold")]


def test_five_good_units(call, folder):
    added = call("baseline", "add", "good ones", *ALL)
    assert (added.code, added.out) == (0, "")
    assert "has 5 units" in added.err
    assert added.err.splitlines()[-1] == "  sigbench baseline show 'good ones'"

    listed = call("baseline", "list")
    assert (listed.code, listed.err) == (0, "")
    assert listed.out.splitlines()[1].split() == ["good", "ones", "Two-voice", "5", "units"]

    shown = call("baseline", "show", "good ones")
    assert (shown.code, shown.err) == (0, "")
    lines = [" ".join(line.split()) for line in shown.out.splitlines()]
    assert lines[:2] == ["good ones", "Two-voice, 5 units:"]
    assert lines[2] == "own-two-voice-00, sold, 2026-03-01"
    assert "Step 1: Idle on main, 10 s × 2" in lines
    # One line: the crest factor is no main reading, and dBu is the unit that a report prefers.
    assert lines[-3] == "Noise, A-weighted, left −77.8 dBu −85.8 to −69.8 dBu 5"
    assert max(map(len, shown.out.splitlines())) <= 80

    whole = call("baseline", "show", "Good Ones", "--all")
    lines = [" ".join(line.split()) for line in whole.out.splitlines()]
    assert "Noise, A-weighted, left −80.0 dBFS −88.0 to −72.0 dBFS 5" in lines
    assert any(line.startswith("Crest factor, left 12.0") for line in lines)


def test_as_json(call, folder):
    call("baseline", "add", "good", *ALL)
    outcome = call("baseline", "show", "good", "--json")
    assert (outcome.code, outcome.err) == (0, "")
    assert outcome.out.count("\n") == 1
    found = json.loads(outcome.out)
    assert (found["baseline"], found["model"], found["of"]) == ("good", "Two-voice", "units")
    assert found["members"][0] == "own-two-voice-00"
    figure = found["figures"][0]
    assert (figure["name"], figure["unit"], figure["members"]) == ("noise_a", "dBFS", 5)
    assert figure["mean"] == pytest.approx(-80.0)
    assert figure["low"] == pytest.approx(-88.03, abs=0.02)  # half a digit of the factor, times s


def test_few_members_are_told_to_be_few(call, folder):
    call("baseline", "add", "two", *ALL[:4])
    out = call("baseline", "show", "two").out
    assert "only 2 are known" in out
    call("baseline", "add", "one", *ALL[:2])
    outcome = call("baseline", "show", "one")
    assert outcome.code == 0
    assert "With one member there is no interval" in " ".join(outcome.out.split())


def test_the_last_run_of_each_step_counts(call, folder):
    unit_id = "own-two-voice-00"
    with Bench.open(folder) as bench:
        bench.add_run(unit_id, run("c1", -60.0, step=TONE, number=2, day=3))
        bench.add_run(unit_id, run("c2", -61.0, step=TONE, number=2, day=5))
        bench.add_run(unit_id, run("c3", -62.0, step=TONE, number=2, day=4))
    assert call("baseline", "add", "good", "--from", "00:sold", "--from", "01:SOLD").code == 0
    with Bench.open(folder) as bench:
        assert bench.baseline("good").run_ids == ("a0", "c2", "a1")


def test_stages_of_one_unit(call, folder):
    with Bench.open(folder) as bench:
        for number, level in enumerate((-81.0, -82.0), start=1):
            stored = replace(run(f"d{number}", level, day=number), stage=f"day {number}")
            bench.add_run("own-two-voice-01", stored)
    sources = [f"01:{stage}" for stage in ("sold", "day 1", "day 2")]
    options = [word for source in sources for word in ("--from", source)]
    assert "3 stages of one unit" in call("baseline", "add", "01", *options).err
    with Bench.open(folder) as bench:
        baseline = stored_baseline(bench, "01")
    assert (baseline.name, baseline.of, len(baseline.members)) == ("01", "stages", 3)
    shown = call("baseline", "show", "01").out
    assert "  day 2, 2026-03-02" in shown
    assert "95 % of good stages" in shown


def test_a_stored_baseline_is_that_of_its_runs(call, folder):
    call("baseline", "add", "good", *ALL)
    with Bench.open(folder) as bench:
        baseline = stored_baseline(bench, "good")
    assert (baseline.of, len(baseline.members)) == ("units", 5)
    assert [member[0].id for member in baseline.members] == ["a0", "a1", "a2", "a3", "a4"]
    level = next(f for f in figures(baseline) if f.unit == "dBFS")
    assert (level.mean, level.deviation) == pytest.approx((-80.0, 2.5**0.5))


def test_later_runs_do_not_change_it(call, folder):
    call("baseline", "add", "good", *ALL)
    before = call("baseline", "show", "good").out
    with Bench.open(folder) as bench:
        bench.add_run("own-two-voice-00", run("e0", -20.0, day=20))
    assert call("baseline", "show", "good").out == before
    taken = call("baseline", "add", "good", *ALL)
    assert taken.code == 2
    assert "There is a baseline 'good' already" in taken.err
    assert call("baseline", "add", "good", *ALL, "--replace").code == 0
    assert call("baseline", "show", "good").out != before


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--from", "00"], "does not say at which stage"),
        (["--from", "00:bought"], "has no stage 'bought'; it has: 'sold'"),
        (["--from", "zither:sold"], "There is no unit 'zither'"),
        (["--from", "two-voice:sold"], "fits 5 units"),
        (["--from", "00:sold", "--from", "organ:sold"], "not of the same maker and model"),
        (["--from", "00:sold", "--from", "00:sold"], "is given twice"),
        ([], "Missing option '--from'"),
    ],
)
def test_what_cannot_be_a_baseline(call, folder, options, says):
    outcome = call("baseline", "add", "good", *options)
    assert (outcome.code, outcome.out) == (2, "")
    assert says in outcome.err
    assert not list(folder.glob("baselines/*.json"))


def test_several_stages_beside_other_units_are_refused(call, folder):
    with Bench.open(folder) as bench:
        bench.add_run("own-two-voice-00", replace(run("f0", -80.0), stage="resold"))
    options = ["--from", "00:sold", "--from", "00:resold", "--from", "01:sold"]
    assert "at several stages beside other units" in call("baseline", "add", "g", *options).err


def test_members_that_were_not_measured_alike_are_refused(call, folder):
    with Bench.open(folder) as bench:
        longer = run("g0", -80.0, step=replace(IDLE, seconds=20.0))
        bench.add_run("own-two-voice-00", replace(longer, stage="long"))
    outcome = call("baseline", "add", "good", "--from", "00:long", "--from", "01:sold")
    assert outcome.code == 2
    assert "measure both with the same plan" in outcome.err
    assert not list(folder.glob("baselines/*.json"))


def test_no_such_baseline(call, folder):
    outcome = call("baseline", "show", "good")
    assert (outcome.code, outcome.out) == (2, "")
    assert "There is no baseline 'good'; there is none yet." in outcome.err
    assert call("baseline", "list").err.startswith("There is no baseline yet")
    call("baseline", "add", "fine", *ALL)
    assert "there are: fine" in call("baseline", "show", "good").err


def test_a_baseline_that_lacks_a_run_says_so(call, folder):
    call("baseline", "add", "good", *ALL)
    shutil.rmtree(folder / "units" / "own-two-voice-02")
    call("bench", "rebuild")
    shown = call("baseline", "show", "good")
    assert (shown.code, shown.out) == (2, "")
    assert "lacks a run" in shown.err
    listed = call("baseline", "list")
    assert listed.code == 0
    assert "lacks a run" in " ".join(listed.out.split())
