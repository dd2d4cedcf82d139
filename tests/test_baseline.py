"""Baselines: the tolerance factors of the standard, and a unit held against good ones."""

import math
from collections.abc import Sequence

import numpy as np
import pytest
from scipy import integrate, stats

from sigbench.baseline import (
    Baseline,
    compare_with_baseline,
    figures,
    make_baseline,
    tolerance_factor,
)
from sigbench.compare import compare_stages, summary
from sigbench.errors import RequestError
from sigbench.model import CheckSettings, Comparison, Measurement, Reading, Rig, Run, Source, Step

SOURCE = Source("simulated", None, None, 48_000, 2, 48_000)
RIG = Rig("portaudio", "line input", 48_000)
IDLE = Step("idle", "main", "Touch nothing.", repeats=3)


def run(*repeats: Sequence[Reading], step: Step = IDLE, number: int = 1) -> Run:
    measurements = tuple(Measurement(step.check, SOURCE, tuple(r)) for r in repeats)
    return Run("id", "s", "2026-03-01T10:00:00+01:00", "me", number, step, RIG, (), measurements)


def unit(level: float, *, name: str = "noise_a", u: float = 0.1, **more: object) -> Run:
    return run(*[[Reading(name, level + d, "dBFS", 1, u, **more)] for d in (-0.1, 0.0, 0.1)])


def units(*levels: float, name: str = "noise_a") -> Baseline:
    return make_baseline("good", {f"no {i}": [unit(v, name=name)] for i, v in enumerate(levels)})


def held_against(runs: Run, baseline: Baseline) -> Comparison:
    (comparison,) = compare_with_baseline([runs], baseline).comparisons
    return comparison


# Two-sided normal tolerance factors for 95 % confidence: content 0.90, 0.95, 0.99.
# "Statistics for Environmental Engineers" (Berthouex and Brown), table 21.1; agrees with
# ISO 16269-6 for 95/95 at n = 5 (5.08), 10 and 30 (2.55), as far as known.
PUBLISHED = {
    4: (5.37, 6.34, 8.22), 5: (4.29, 5.08, 6.60), 6: (3.73, 4.42, 5.76), 7: (3.39, 4.02, 5.24),
    8: (3.16, 3.75, 4.89), 9: (2.99, 3.55, 4.63), 10: (2.86, 3.39, 4.44), 12: (2.67, 3.17, 4.16),
    15: (2.49, 2.96, 3.89), 20: (2.32, 2.76, 3.62), 25: (2.22, 2.64, 3.46), 30: (2.15, 2.55, 3.35),
    40: (2.06, 2.45, 3.22), 60: (1.96, 2.34, 3.07),
}  # fmt: skip


@pytest.mark.parametrize("members", PUBLISHED)
def test_tolerance_factors_are_the_published_ones(members):
    for content, factor in zip((0.90, 0.95, 0.99), PUBLISHED[members], strict=True):
        # half a digit of the table, and as much again for tables cut off rather than rounded
        assert tolerance_factor(members, content=content) == pytest.approx(factor, abs=0.011)


@pytest.mark.parametrize("members", [2, 3, 10])
def test_tolerance_factor_holds_what_it_promises(members):
    # Independent of the quadrature: probability of enough content, by adaptive integration over
    # the sample mean with the content found by root search on the normal distribution.
    from scipy.optimize import brentq

    factor = tolerance_factor(members)

    def holds(d: float) -> float:
        width = brentq(lambda w: stats.norm.cdf(d + w) - stats.norm.cdf(d - w) - 0.95, 0.1, 50.0)
        least = (members - 1) * (width / factor) ** 2
        return float(stats.chi2.sf(least, members - 1) * stats.norm.pdf(d * members**0.5))

    end = 6 / members**0.5
    probability = 2 * members**0.5 * integrate.quad(holds, 0.0, end)[0]
    assert probability == pytest.approx(0.95, abs=1e-5)


def test_tolerance_factor_tends_to_the_normal_quantile():
    assert tolerance_factor(100_000) == pytest.approx(1.96, abs=0.01)


def test_tolerance_factor_needs_two():
    with pytest.raises(RequestError, match="two members"):
        tolerance_factor(1)


def test_figures_of_a_baseline_worked_by_hand():
    # Units at -82, -80, -78, -81, -79: mean -80, s = sqrt(10/4) = 1.5811, factor 5.08.
    (figure,) = figures(units(-82.0, -80.0, -78.0, -81.0, -79.0))
    assert figure.mean == pytest.approx(-80.0)
    assert figure.deviation == pytest.approx(1.5811, abs=1e-4)
    assert figure.members == 5
    assert (figure.low, figure.high) == pytest.approx((-88.03, -71.97), abs=0.01)


def test_members_that_agree_by_chance_are_no_better_known_than_measured():
    (figure,) = figures(units(-80.0, -80.0, -80.0))
    assert figure.deviation >= 0.1


@pytest.mark.parametrize(
    ("level", "verdict", "words"),
    [
        (-80.0, "no change", "worth reporting"),
        (-77.0, "no change", "within what good units do"),
        (-70.5, "cannot tell", "among so many readings"),
        (-50.0, "worse", "outside: 95 % of good units lie within"),
        (-110.0, "better", "outside: 95 % of good units lie within"),
    ],
)
def test_unit_against_good_ones(level, verdict, words):
    rest = [
        Reading(f"hum_{k}", -80.0, "dBFS", 1, 5.0) for k in range(1, 40)
    ]  # a whole comparison's worth, so that the share of each is small
    members = {
        f"no {i}": [run(*[[*r, *rest] for r in _takes(v)])]
        for i, v in enumerate((-82.0, -80.0, -78.0, -81.0, -79.0))
    }
    result = compare_with_baseline(
        [run(*[[*r, *rest] for r in _takes(level)])], make_baseline("good", members)
    )
    c = next(c for c in result.comparisons if c.name == "noise_a")
    assert c.verdict == verdict
    assert words in (c.why or "") or verdict == "no change"
    assert c.before is not None
    assert c.before.value == pytest.approx(-80.0)
    assert c.before.why == "mean of 5 good units"
    assert result.before == "good (5 good units)"


def _takes(level: float) -> list[list[Reading]]:
    return [list(m.readings) for m in unit(level).measurements]


def test_few_units_are_said_to_be_few():
    c = held_against(unit(-78.0), units(-80.0, -81.0, -79.0))
    assert c.verdict == "no change"
    assert "a wide range because only 3 are known" in (c.why or "")
    c = held_against(unit(-77.0), units(-80.0, -79.0, -81.0, -82.0, -78.0))
    assert "only" not in (c.why or "")


def test_one_good_unit_is_a_comparison_of_two_stages():
    one = units(-80.0)
    result = compare_with_baseline([unit(-60.0)], one, name="no 7")
    stages = compare_stages([unit(-80.0)], [unit(-60.0)], before_name="x", after_name="no 7")
    assert result.comparisons == stages.comparisons
    assert (result.before, result.after) == ("good (one good unit)", "no 7")


def test_stages_of_one_unit_are_called_so():
    stages = {"first": [unit(-80.0)], "second": [unit(-79.0)], "third": [unit(-81.0)]}
    baseline = make_baseline("own", stages, of="stages")
    c = held_against(unit(-78.0), baseline)
    assert c.before is not None
    assert c.before.why == "mean of 3 stages of one good unit"


def test_bound_below_what_good_units_do_is_no_worse():
    quiet = run(*[[Reading("hum_1x", -100.0, "dBFS", 1, 4.3, upper_bound=True)]] * 3)
    baseline = units(-80.0, -82.0, -78.0, -81.0, -79.0, name="hum_1x")
    c = held_against(quiet, baseline)
    assert c.verdict == "no change"
    assert (c.why or "").startswith("not above what they do")


def test_thd_in_both_units_agrees():
    def member(db: float) -> Run:
        return run(
            *[
                [
                    Reading("thd", db + d, "dB", 1, 0.1),
                    Reading("thd", 100 * 10 ** ((db + d) / 20), "%", 1, 0.01),
                ]
                for d in (-0.1, 0.0, 0.1)
            ]
        )

    baseline = make_baseline("good", {str(v): [member(v)] for v in (-52.0, -50.0, -48.0, -51.0)})
    for level in (-50.0, -30.0, -70.0, -43.0, -57.0):
        result = compare_with_baseline([member(level)], baseline)
        assert len({c.verdict for c in result.comparisons}) == 1
        assert sum(summary(result).values()) == 1


def test_dropouts_of_all_takes_count():
    def member(*counts: int) -> Run:
        takes = [[Reading("dropouts", float(n), "1", 1, 0.0)] for n in counts]
        return run(*takes, step=Step("dropouts", "main", "Tap."))

    good = make_baseline("good", {str(k): [member(0, 0, 0)] for k in range(5)})
    assert held_against(member(0, 0, 0), good).verdict == "no change"
    bad = held_against(member(9, 7, 8), good)
    assert bad.verdict == "worse"
    assert bad.why == "0 in 15 takes before, 24 in 3 takes after"


def test_good_unit_is_seldom_called_different():
    # Another member of the same population: 40 readings, 120 comparisons, 0.05 each: 6 expected.
    rng = np.random.default_rng(16269)

    def member() -> Run:
        drawn = rng.normal(-80, 3, 40)
        return run(
            *[
                [Reading(f"level_{k}", v + 0.1 * d, "dBFS", 1, 0.1) for k, v in enumerate(drawn)]
                for d in rng.standard_normal(3)
            ]
        )

    called = 0
    for _ in range(60):
        baseline = make_baseline("good", {str(k): [member()] for k in range(6)})
        for _ in range(2):
            result = compare_with_baseline([member()], baseline)
            called += sum(c.verdict not in ("no change", "cannot tell") for c in result.comparisons)
    assert called <= 15  # 99.9 % quantile of a Poisson count of 6 is 14


def test_step_that_the_baseline_does_not_know_is_named():
    result = compare_with_baseline([unit(-80.0), run([], number=2)], units(-80.0, -81.0, -79.0))
    assert result.not_compared == ("step 2, idle on main: not measured in the baseline",)


def test_other_settings_are_not_compared():
    other = Step("idle", "main", "Touch nothing.", volume="full")
    takes = _takes(-80.0)
    result = compare_with_baseline([run(*takes, step=other)], units(-80.0, -81.0))
    assert result.comparisons == ()
    assert result.not_compared == (
        "step 1, idle on main: not compared: volume differs (not stated before, full after)",
    )


def test_members_measured_with_different_plans_are_refused():
    tone = Step("tone", "main", "", settings=CheckSettings(440.0))
    low = Step("tone", "main", "", settings=CheckSettings(220.0))
    with pytest.raises(RequestError, match=r"in step 1 the note differs \(A4 before, A3 after\)"):
        make_baseline("good", {"a": [run([], step=tone)], "b": [run([], step=low)]})


@pytest.mark.parametrize(
    ("members", "sentence"), [({}, "has no members"), ({"no 1": []}, "'no 1' has no runs")]
)
def test_baseline_of_nothing_is_refused(members, sentence):
    with pytest.raises(RequestError, match=sentence):
        make_baseline("good", members)


def test_invalid_readings_of_members_are_left_out():
    bad = run([Reading.invalid("noise_a", "dBFS", "clipped", channel=1)])
    baseline = make_baseline("good", {"a": [unit(-80.0)], "b": [bad], "c": [unit(-79.0)]})
    (figure,) = figures(baseline)
    assert figure.members == 2
    assert not math.isnan(figure.deviation)
