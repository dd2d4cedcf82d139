"""Comparison: hand-worked statistics, the stated rate of false changes, power, and the verdicts."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from sigbench.checks.rails import measure_rails
from sigbench.compare import (
    check_limit,
    compare_stages,
    smallest_worth_reporting,
    summary,
    worst_first,
)
from sigbench.measure.spectrum import power_spectrum
from sigbench.model import (
    CheckSettings,
    Comparison,
    Event,
    Limit,
    Measurement,
    Rail,
    Reading,
    Rig,
    Run,
    Source,
    StageComparison,
    Step,
    TakeRecord,
)
from sigbench.repeatability import (
    Repeats,
    Scatter,
    count_chance,
    difference,
    mean_of_repeats,
    student_quantile,
)
from sigbench.shapes import compare_spectra
from sigbench.units import note_to_frequency

SOURCE = Source("simulated", None, None, 48_000, 2, 48_000)
RIG = Rig("portaudio", "line input", 48_000)
TONE = Step("tone", "main", "Hold A4.", settings=CheckSettings(440.0))


def run(
    *repeats: Sequence[Reading],
    step: Step = TONE,
    number: int = 1,
    rig: Rig = RIG,
    started: str = "2026-03-01T10:00:00+01:00",
) -> Run:
    measurements = tuple(Measurement(step.check, SOURCE, tuple(r)) for r in repeats)
    return Run("id", "stage", started, "me", number, step, rig, (), measurements)


def values(
    name: str, numbers: Sequence[float], u: float | None, unit: str = "dB", **more: object
) -> list[list[Reading]]:
    more = {"channel": 1, **more}
    return [[Reading(name, v, unit, uncertainty=u, **more)] for v in numbers]


def compare(before: Run | list[Run], after: Run | list[Run], **more: float) -> StageComparison:
    return compare_stages(
        before if isinstance(before, list) else [before],
        after if isinstance(after, list) else [after],
        before_name="as received",
        after_name="repaired",
        **more,
    )


def single(
    name: str,
    before: Sequence[float],
    after: Sequence[float],
    *,
    u: float | None = 0.05,
    unit: str = "dB",
    step: Step = TONE,
    **more: object,
) -> Comparison:
    result = compare(
        run(*values(name, before, u, unit, **more), step=step),
        run(*values(name, after, u, unit, **more), step=step),
    )
    (comparison,) = result.comparisons
    return comparison


# --- scatter and difference, worked by hand -------------------------------------------------


def test_difference_of_means_is_the_two_sample_t_test():
    # Against scipy.stats.ttest_ind (general reference library), equal variances.
    before, after = (1.02, 0.97, 1.05), (1.31, 1.28, 1.40, 1.35)
    moved = difference(Repeats(before, None), Repeats(after, None))
    assert moved is not None
    outside = stats.ttest_ind(after, before)
    assert moved.value / moved.standard_uncertainty == pytest.approx(outside.statistic)
    assert moved.freedom == outside.df
    assert moved.chance == pytest.approx(outside.pvalue)


def test_mean_of_repeats_worked_by_hand():
    # GUM (JCGM 100:2008) 4.2: 9.8, 10.0, 10.2: mean 10.0, s = 0.2, s/sqrt(3) = 0.11547.
    # Student's t for 95 % and 2 degrees of freedom is 4.303 (GUM table G.2); normal 1.960.
    mean = mean_of_repeats([Reading("thd", v, "dB", 1, 0.01) for v in (9.8, 10.0, 10.2)])
    assert mean.value == pytest.approx(10.0)
    assert mean.uncertainty == pytest.approx(0.11547 * 4.303 / 1.960, rel=1e-3)


def test_own_uncertainty_does_not_average_out_of_a_mean():
    # What is common to all takes (a calibration) is no smaller in their mean.
    mean = mean_of_repeats([Reading("thd", 10.0, "dB", 1, 0.3) for _ in range(9)])
    assert mean.uncertainty == pytest.approx(0.3)


@pytest.mark.parametrize(
    ("freedom", "quantile"), [(1, 12.71), (2, 4.30), (4, 2.78), (10, 2.23), (math.inf, 1.960)]
)
def test_student_quantiles_are_those_of_the_gum(freedom, quantile):
    # GUM (JCGM 100:2008) table G.2, column 95 %.
    assert student_quantile(0.05, freedom) == pytest.approx(quantile, abs=0.005)


def test_scatter_within_takes_is_not_counted_twice():
    # s = 0.1 between repeats and u = 0.1 within each are the same scatter seen twice.
    b, a = Repeats((0.9, 1.0, 1.1), 0.1), Repeats((1.9, 2.0, 2.1), 0.1)
    moved = difference(b, a)
    assert moved is not None
    assert moved.standard_uncertainty == pytest.approx(0.1 * math.sqrt(2 / 3))


def test_larger_of_scatter_and_own_uncertainty_decides():
    calm = difference(Repeats((1.0, 1.0, 1.0), 0.3), Repeats((2.0, 2.0, 2.0), 0.3))
    wild = difference(Repeats((0.7, 1.0, 1.3), 0.01), Repeats((1.7, 2.0, 2.3), 0.01))
    assert calm is not None
    assert wild is not None
    assert calm.standard_uncertainty == pytest.approx(0.3 * math.sqrt(2 / 3))
    assert wild.standard_uncertainty == pytest.approx(0.3 * math.sqrt(2 / 3))


def test_repeatability_limit_of_iso_5725():
    # ISO 5725-6, 4.1.2: two single results differ by more than 1.96 sqrt(2) s_r = 2.77 s_r in 5 %
    # of cases, where s_r is well known; here from 200 degrees of freedom elsewhere.
    moved = difference(Repeats((1.0,), None), Repeats((1.5,), None), Scatter(0.04 * 1e6, 1e6))
    assert moved is not None
    assert moved.limit(0.05) == pytest.approx(2.77 * 0.2, rel=2e-3)


def test_pooled_deviation_of_iso_5725():
    # ISO 5725-2, 7.4.5: s_r^2 = sum (n_i - 1) s_i^2 / sum (n_i - 1).
    # Groups (1, 3): s^2 = 2, and (1, 2, 3): s^2 = 1: (1*2 + 2*1) / 3 = 1.3333.
    pooled = Repeats((1.0, 3.0), None).scatter + Repeats((1.0, 2.0, 3.0), None).scatter
    assert pooled.deviation == pytest.approx(math.sqrt(4 / 3))


def test_one_take_without_any_uncertainty_cannot_be_told():
    assert difference(Repeats((1.0,), None), Repeats((9.0,), None)) is None
    assert single("thd", [-60.0], [-30.0], u=None).verdict == "cannot tell"


@pytest.mark.parametrize(
    ("before", "after"), [(0, 0), (7, 0), (0, 7), (20, 3), (5, 6), (100, 100), (1, 0)]
)
def test_count_chance_is_the_binomial_test(before, after):
    # Against scipy.stats.binom (general reference library): both tails, the smaller doubled.
    chance = count_chance(before, 3, after, 2)
    total = before + after
    tails = stats.binom.cdf(before, total, 0.6), stats.binom.sf(before - 1, total, 0.6)
    assert chance == pytest.approx(min(1.0, 2 * min(tails)))


# --- the rate of false changes, and the power -----------------------------------------------

NAMES = (
    ("level_rms", "dBFS"), ("tone_level", "dBFS"), ("thd", "dB"), ("thd_n", "dB"),
    ("hum_total", "dBFS"), ("hum_1x", "dBFS"), ("frequency_drift", "cents"),
    ("pitch_error", "cents"), ("clip_asymmetry", "dB"), ("modulation_am", "%"),
)  # fmt: skip
SIGMA = np.array([2, 2, 2, 2, 2, 2, 20, 20, 1, 1], dtype=float)  # far above what is worth reporting


def stage(
    rng: np.random.Generator,
    repeats: int,
    *,
    understated: float = 1.0,
    moved: float = 0.0,
    scale: float = 1.0,
) -> list[Run]:
    """Three steps of ten readings on two channels; 60 in all, scattering by SIGMA."""
    runs = []
    for number in (1, 2, 3):
        takes = []
        for _ in range(repeats):
            drawn = -60 + scale * SIGMA[:, None] * rng.standard_normal((len(NAMES), 2))
            if number == 2:
                drawn[4, 1] += moved  # hum_total, channel 2
            takes.append(
                [
                    Reading(name, float(drawn[i, c]), unit, c + 1, scale * SIGMA[i] / understated)
                    for i, (name, unit) in enumerate(NAMES)
                    for c in (0, 1)
                ]
            )
        runs.append(run(*takes, number=number))
    return runs


def false_changes(comparison: StageComparison) -> int:
    return sum(c.verdict not in ("no change", "cannot tell") for c in comparison.comparisons)


@pytest.mark.parametrize(("repeats", "understated"), [(3, 1.0), (3, 3.0), (4, 1.0), (4, 3.0)])
def test_unchanged_unit_shows_at_most_one_false_change_in_twenty_comparisons(repeats, understated):
    # 60 readings, 150 comparisons: 7.5 false changes at the stated 0.05 a comparison. Twice that
    # and a half is beyond the 99.99 % quantile of a Poisson count of 7.5. At 1.96 sigma there
    # would be 450. Also where the takes' own u understate the scatter between takes.
    rng = np.random.default_rng([5725, repeats, int(understated)])
    found = sum(
        false_changes(
            compare(
                stage(rng, repeats, understated=understated),
                stage(rng, repeats, understated=understated),
            )
        )
        for _ in range(150)
    )
    assert found <= 18


def test_stated_rate_is_used_and_not_wasted():
    # With the scatter well above the takes' own u the t test is exact: the rate is what it says.
    rng = np.random.default_rng(6)
    total = 0
    for _ in range(150):
        sides = stage(rng, 3, understated=50.0), stage(rng, 3, understated=50.0)
        total += false_changes(compare(*sides, false_changes=1.0))
    assert 110 <= total <= 192  # 150 expected, 3.4 sigma of a Poisson count


def test_single_takes_with_honest_uncertainty_keep_the_rate():
    rng = np.random.default_rng(7)
    found = sum(false_changes(compare(stage(rng, 1), stage(rng, 1))) for _ in range(150))
    assert found <= 18


@pytest.mark.parametrize(("repeats", "sigmas"), [(3, 10.5), (4, 6.1), (6, 3.8)])
def test_real_change_is_found_with_the_stated_power(repeats, sigmas):
    # docs/comparison.md: a change of so many times the scatter of one take is found in 9 of 10
    # cases, among 60 readings (noncentral t). The scatter is known from the repeats alone.
    rng = np.random.default_rng([8, repeats])
    found = 0
    for _ in range(60):
        before = stage(rng, repeats, understated=50.0)
        after = stage(rng, repeats, understated=50.0, moved=-sigmas * SIGMA[4])
        comparison = compare(before, after)
        (c,) = [
            c
            for c in comparison.comparisons
            if (c.step_number, c.name, c.channel) == (2, "hum_total", 2)
        ]
        found += c.verdict == "better"
    assert 46 <= found <= 59  # 54 of 60 expected; 3.4 sigma below, and not all


def test_uncertainty_of_a_difference_covers_95_percent():
    rng = np.random.default_rng(9)
    covered = 0
    for _ in range(2000):
        b, a = rng.normal(0, 1, 3), rng.normal(3, 1, 3)
        moved = difference(Repeats(tuple(b), 0.01), Repeats(tuple(a), 0.01))
        assert moved is not None
        covered += abs(moved.value - 3) <= 1.96 * moved.uncertainty
    assert covered / 2000 == pytest.approx(0.95, abs=0.017)  # 3.5 sigma


# --- verdicts --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "before", "after", "verdict"),
    [
        ("hum_total", -50.0, -70.0, "better"),
        ("hum_total", -70.0, -50.0, "worse"),
        ("thd", -40.0, -60.0, "better"),
        ("thd_n", -60.0, -40.0, "worse"),
        ("noise_a", -60.0, -80.0, "better"),
        ("crosstalk", -60.0, -80.0, "better"),
        ("sinad", 40.0, 60.0, "better"),
        ("balance", -6.0, 0.2, "better"),
        ("balance", 6.0, 0.2, "better"),
        ("balance", 0.2, -3.0, "worse"),
        ("balance", -3.0, 3.0, "different"),
        ("pitch_error", 12.0, -1.0, "better"),
        ("tone_level", -20.0, -12.0, "different"),
        ("clip_asymmetry", 0.0, 2.0, "different"),
        ("hum_total", -60.0, -60.0, "no change"),
    ],
)
def test_direction_by_reading(name, before, after, verdict):
    scatter = np.array([-0.05, 0.0, 0.05])
    c = single(name, list(before + scatter), list(after + scatter))
    assert c.verdict == verdict
    assert c.difference == pytest.approx(after - before)
    assert c.why


def test_move_within_noise_is_no_change_whichever_way_it_points():
    c = single("noise_a", [-80.0, -79.0, -81.0], [-81.5, -80.5, -82.5], unit="dBFS")
    assert c.verdict == "no change"
    assert "scatter alone explains up to" in (c.why or "")


def test_significant_but_tiny_change_is_no_change_and_says_so():
    c = single("balance", [1.000, 1.001, 0.999], [1.050, 1.051, 1.049], u=0.0005)
    assert c.verdict == "no change"
    assert "below the 0.1 dB worth reporting" in (c.why or "")
    assert smallest_worth_reporting("balance", "dB") == 0.1


def test_less_distortion_of_a_rich_sound_is_not_better():
    # A sawtooth has a THD of 0.80 (closed form); a dull filter lowers it.
    assert single("thd", [-1.9, -1.9, -1.9], [-40.0, -40.0, -40.0]).verdict == "different"
    clean = Step("tone", "main", "", settings=CheckSettings(440.0),
                 limits=(Limit("thd", "dB", None, -40.0),))  # fmt: skip
    c = single("thd", [-1.9, -1.9, -1.9], [-60.0, -60.0, -60.0], step=clean)
    assert (c.verdict, c.out_of_limits) == ("better", False)


def test_invalid_or_missing_side_cannot_be_told_and_says_why():
    good = values("thd", [-60.0] * 3, 0.1)
    bad = [[Reading.invalid("thd", "dB", "input clipped on 212 samples", channel=1)]] * 3
    (c,) = compare(run(*bad), run(*good)).comparisons
    assert (c.verdict, c.difference) == ("cannot tell", None)
    assert c.why == "no valid number before: input clipped on 212 samples"
    (c,) = compare(run(*good), run([], [])).comparisons
    assert (c.verdict, c.why) == ("cannot tell", "not measured after")


def test_one_bad_repeat_is_left_out_and_named():
    mixed = [
        *values("thd", [-60.0, -60.1], 0.1),
        [Reading.invalid("thd", "dB", "lost buffers", channel=1)],
    ]
    (c,) = compare(run(*mixed), run(*values("thd", [-80.0] * 3, 0.1))).comparisons
    assert c.verdict == "better"
    assert c.before is not None
    assert c.before.why == "2 of 3 repeats are valid: lost buffers"


def test_silence_is_not_a_number():
    c = single("noise_a", [-math.inf] * 3, [-80.0] * 3, unit="dBFS")
    assert (c.verdict, c.why) == ("cannot tell", "no valid number before: digital silence")


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [
        ((-60.0, False), (-90.0, True), "better"),
        ((-90.0, True), (-60.0, False), "worse"),
        ((-89.9, False), (-90.0, True), "cannot tell"),
        ((-95.0, False), (-90.0, True), "cannot tell"),
        ((-90.0, True), (-95.0, False), "cannot tell"),
        ((-90.0, True), (-70.0, True), "cannot tell"),
    ],
)
@pytest.mark.parametrize("kind", ["upper bound", "rig-limited"])
def test_bounds_decide_only_where_they_lie_well_apart(before, after, verdict, kind):
    def side(value: float, bound: bool) -> Run:
        state = "rig-limited" if bound and kind == "rig-limited" else "ok"
        reading = Reading("hum_1x", value, "dBFS", 1, 0.5, state,
                          upper_bound=bound and kind == "upper bound")  # fmt: skip
        return run([reading], [reading], [reading])

    (c,) = compare(side(*before), side(*after)).comparisons
    assert c.verdict == verdict
    assert c.difference is None


def test_rig_limited_sinad_may_be_higher_in_truth():
    limited = [[Reading("sinad", 90.0, "dB", 1, 0.1, "rig-limited")]] * 3
    (c,) = compare(run(*limited), run(*values("sinad", [60.0] * 3, 0.1))).comparisons
    assert c.verdict == "cannot tell"


@pytest.mark.parametrize(
    ("limits", "before", "after", "verdict"),
    [
        ((Limit("polarity", "", 1.0, 1.0),), -1.0, 1.0, "better"),
        ((Limit("polarity", "", 1.0, 1.0),), 1.0, -1.0, "worse"),
        ((), -1.0, 1.0, "different"),
        ((), 1.0, 1.0, "no change"),
    ],
)
def test_polarity_by_its_target(limits, before, after, verdict):
    step = Step("tone", "main", "", settings=CheckSettings(440.0), limits=limits)
    c = single("polarity", [before] * 3, [after] * 3, u=None, unit="", step=step,
               channel=None, channels=(1, 2))  # fmt: skip
    assert c.verdict == verdict
    assert c.out_of_limits == (None if not limits else after < 0)


def test_polarity_that_flickers_cannot_be_told():
    c = single("polarity", [1.0, -1.0, 1.0], [1.0] * 3, u=None, unit="")
    assert c.verdict == "cannot tell"
    assert c.before is not None
    assert c.before.state == "invalid"


JACK = Step("jack", "main", "Move the plugs.", seconds=300.0)
DROPOUTS = Step("dropouts", "main", "Tap.", limits=(Limit("dropouts", "1", None, 0.0),))


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [
        ([9, 8, 10], [0, 0, 0], "better"),
        ([0, 0, 0], [9, 8, 10], "worse"),
        ([1, 0, 0], [0, 0, 0], "no change"),  # one dropout that did not come again proves nothing
        ([0, 14, 0], [0, 0, 0], "no change"),  # one wild take: as many dropouts, less evidence
        ([12], [0], "better"),
        ([2], [0], "no change"),
        ([0, 0, 0], [0, 0, 0], "no change"),
    ],
)
def test_dropouts_are_judged_as_rare_events(before, after, verdict):
    c = single("dropouts", before, after, u=0.0, unit="1", step=DROPOUTS)
    assert c.verdict == verdict
    assert c.out_of_limits is (sum(after) > 0)


def test_dropout_time_says_what_the_count_says():
    def side(count: float, time: float) -> Run:
        takes = [
            [
                Reading("dropouts", count + k, "1", 1, 0.0),
                Reading("dropout_time", time * (count + k), "s", 1, 1e-4),
            ]
            for k in (0, 1, 0)
        ]
        return run(*takes, step=DROPOUTS)

    result = compare(side(12, 0.05), side(0, 0.05))
    assert {c.verdict for c in result.comparisons} == {"better"}
    assert summary(result)["better"] == 1
    time = next(c for c in result.comparisons if c.name == "dropout_time")
    assert time.why == "as dropouts: 37 in 3 takes before, 1 in 3 takes after"


def test_a_bound_is_never_printed_as_nothing():
    def drift(values: list[float], *, bound: bool) -> Run:
        return run(
            *([Reading("frequency_drift", v, "cents", 1, 0.002, upper_bound=bound)] for v in values)
        )

    (c,) = compare(drift([0.02] * 3, bound=True), drift([0.03] * 3, bound=False)).comparisons
    assert c.verdict == "cannot tell"
    assert c.why == "only known to be below 0.020 cents before: too near to tell"


def test_same_quantity_in_two_units_counts_once_and_agrees():
    def side(db: float) -> Run:
        takes = [
            [
                Reading("thd", db + d, "dB", 1, 0.1),
                Reading("thd", 100 * 10 ** ((db + d) / 20), "%", 1, 0.01),
                Reading("thd_n", db + 1 + d, "dB", 1, 0.1),
                Reading("sinad", -db - 1 - d, "dB", 1, 0.1),
            ]
            for d in (-0.1, 0.0, 0.1)
        ]
        return run(*takes)

    result = compare(side(-40.0), side(-60.0))
    assert [c.verdict for c in result.comparisons] == ["better"] * 4
    assert summary(result)["better"] == 2


def test_mains_frequency_is_not_the_units():
    result = compare(
        run(*values("mains_frequency", [50.0] * 3, 1e-4, "Hz")),
        run(*values("mains_frequency", [50.02] * 3, 1e-4, "Hz")),
    )
    assert result.comparisons == ()


# --- rails -----------------------------------------------------------------------------------


def rails_run(*measured: float | None) -> Run:
    names = (("+15 V", 15.0), ("-15 V", -15.0))
    rails = [Rail(n, v, 5.0, m) for (n, v), m in zip(names, measured, strict=True)]
    step = Step("rails", "supply", "", rails=tuple(Rail(n, v) for n, v in names))
    return Run("id", "s", "2026-03-01T10:00:00+01:00", "me", 1, step, RIG, (),
               (measure_rails(rails),))  # fmt: skip


def test_rails_are_judged_by_their_nominal_and_their_tolerance():
    result = compare(rails_run(13.2, -15.1), rails_run(15.02, -11.0))
    by_name = {c.name: c for c in result.comparisons}
    assert by_name["rail_volts[+15 V]"].verdict == "better"
    assert by_name["rail_volts[+15 V]"].out_of_limits is False
    assert by_name["rail_volts[-15 V]"].verdict == "worse"
    assert by_name["rail_volts[-15 V]"].out_of_limits is True
    counts = summary(result)
    assert (counts["better"], counts["worse"], counts["out of limits"]) == (1, 1, 1)


def test_rails_that_only_the_meter_moved_are_unchanged():
    # 0.5 % + 2 digits of the meter: ±0.095 V at 15 V
    result = compare(rails_run(14.95, -15.05), rails_run(15.05, -15.0))
    assert {c.verdict for c in result.comparisons} == {"no change"}


# --- limits ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "u", "outside"),
    [
        # JCGM 106:2012, 7.3: conformance probability at one limit is Phi((T_U - y) / u).
        (1.0 - 1.66 * 0.1, 0.1, False),  # 95.2 %
        (1.0 - 1.63 * 0.1, 0.1, None),  # 94.8 %
        (1.0, 0.1, None),  # 50 %
        (1.0 + 1.63 * 0.1, 0.1, None),  # 5.2 %
        (1.0 + 1.66 * 0.1, 0.1, True),  # 4.8 %
        (-1.0 - 1.66 * 0.1, 0.1, True),
        (0.0, 0.1, False),
        (0.0, 2.0, None),
    ],
)
def test_guard_bands_of_jcgm_106(value, u, outside):
    limit = Limit("balance", "dB", -1.0, 1.0)
    assert check_limit(Reading("balance", value, "dB", None, u), limit)[0] is outside
    if outside is not None and u == 0.1:
        conforming = stats.norm.cdf((1 - value) / u) - stats.norm.cdf((-1 - value) / u)
        assert (conforming < 0.05) if outside else (conforming > 0.95)


@pytest.mark.parametrize(
    ("reading", "limit", "outside"),
    [
        (Reading("hum_1x", -90.0, "dBFS", 1, 4.3, upper_bound=True), (None, -80.0), False),
        (Reading("hum_1x", -70.0, "dBFS", 1, 4.3, upper_bound=True), (None, -80.0), None),
        (Reading("hum_1x", -90.0, "dBFS", 1, 0.1, "rig-limited"), (None, -80.0), False),
        (Reading("hum_1x", -70.0, "dBFS", 1, 0.1, "rig-limited"), (None, -80.0), None),
        (Reading("hum_1x", -90.0, "dBFS", 1, 4.3, upper_bound=True), (-100.0, -80.0), None),
        (Reading("hum_1x", -90.0, "dBFS", 1, None), (None, -80.0), None),
        (Reading.invalid("hum_1x", "dBFS", "clipped", channel=1), (None, -80.0), None),
    ],
)
def test_what_is_not_known_is_neither_inside_nor_outside(reading, limit, outside):
    assert check_limit(reading, Limit("hum_1x", "dBFS", *limit))[0] is outside


def test_limit_of_the_later_side_counts_and_of_its_unit_only():
    limits = (Limit("balance", "dB", -1.5, 1.5), Limit("thd", "%", None, 1.0))
    step = Step("tone", "main", "", settings=CheckSettings(440.0), limits=limits)
    before = run(*values("balance", [0.0] * 3, 0.01))
    after = run(*values("balance", [4.0] * 3, 0.01), step=step)
    (c,) = compare(before, after).comparisons
    assert (c.verdict, c.out_of_limits, c.limit) == ("worse", True, step.limits[0])
    assert (c.why or "").endswith("outside its limit")
    assert single("thd", [-60.0] * 3, [-60.0] * 3, step=step).limit is None


# --- matching --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        (
            {"settings": CheckSettings(note_to_frequency("C3"))},
            "note differs (A4 before, C3 after)",
        ),
        ({"settings": CheckSettings(441.3)}, "note differs (A4 before, 441.3 Hz after)"),
        (
            {"settings": CheckSettings(440.0, taper="audio")},
            "taper differs (guessed before, audio after)",
        ),
        ({"volume": "full"}, "volume differs (not stated before, full after)"),
        ({"gain": "3"}, "gain differs (not stated before, 3 after)"),
        ({"seconds": 10.0}, "length differs (5 s before, 10 s after)"),
        ({"stimulus": "sine"}, "stimulus differs (none before, sine after)"),
        ({"output": "phones"}, "output differs (main before, phones after)"),
        ({"check": "idle"}, "check differs (tone before, idle after)"),
    ],
)
def test_other_settings_are_not_compared_and_say_which(changes, why):
    fields = {"check": "tone", "output": "main", "prompt": "", "settings": CheckSettings(440.0)}
    other = Step(**{**fields, **changes})
    takes = values("thd", [-60.0] * 3, 0.1)
    result = compare(run(*takes), run(*takes, step=other))
    assert result.comparisons == ()
    (text,) = result.not_compared
    assert text.endswith(f"not compared: {why}")


def test_prompt_limits_and_repeats_may_differ():
    other = Step("tone", "main", "Other words.", repeats=7, settings=CheckSettings(440.0),
                 limits=(Limit("thd", "dB", None, 0.0),))  # fmt: skip
    takes = values("thd", [-60.0] * 3, 0.1)
    assert len(compare(run(*takes), run(*takes, *takes, step=other)).comparisons) == 1


def test_step_missing_on_one_side_is_named():
    takes = values("thd", [-60.0] * 3, 0.1)
    result = compare([run(*takes), run(*takes, number=2)], run(*takes))
    assert result.not_compared == ("step 2, tone on main: not measured after",)


def test_last_run_of_a_step_counts_by_the_clock_not_the_text():
    wrong = run(*values("thd", [-20.0] * 3, 0.1), started="2026-03-01T10:30:00+02:00")
    right = run(*values("thd", [-60.0] * 3, 0.1), started="2026-03-01T09:00:00+00:00")
    result = compare([right, wrong], run(*values("thd", [-60.0] * 3, 0.1)))
    assert result.comparisons[0].verdict == "no change"


def test_levels_of_another_interface_cannot_be_told_but_ratios_can():
    other = Rig("portaudio", "another input", 48_000)
    before = [[*level, *ratio] for level, ratio in zip(
        values("tone_level", [-10.0] * 3, 0.1, "dBFS"), values("thd", [-40.0] * 3, 0.1),
        strict=True)]  # fmt: skip
    after = [[*level, *ratio] for level, ratio in zip(
        values("tone_level", [-20.0] * 3, 0.1, "dBFS"), values("thd", [-60.0] * 3, 0.1),
        strict=True)]  # fmt: skip
    verdicts = {
        c.name: c.verdict for c in compare(run(*before), run(*after, rig=other)).comparisons
    }
    assert verdicts == {"tone_level": "cannot tell", "thd": "better"}


# --- shapes ----------------------------------------------------------------------------------


def profile(rng: np.random.Generator, levels: Sequence[float], u: float, repeats: int = 3) -> Run:
    """Harmonics that scatter by u, all together by twice as much: the fundamental's share."""
    takes = []
    for _ in range(repeats):
        drawn = np.array(levels) + u * rng.standard_normal(len(levels)) + 2 * u * rng.normal()
        takes.append([Reading("harmonics", tuple(drawn.tolist()), "dB", 1, (u,) * len(levels))])
    return run(*takes)


SAW = [-20 * math.log10(k) for k in range(2, 30)]  # closed form: 1/k


def test_changed_harmonic_is_found_and_named():
    rng = np.random.default_rng(11)
    louder = [*SAW]
    louder[1] += 6.2
    (c,) = compare(profile(rng, SAW, 0.02), profile(rng, louder, 0.02)).comparisons
    assert c.verdict == "different"
    assert (c.why or "").startswith("3rd harmonic 6.2 dB up")
    assert c.difference == pytest.approx(6.2 / math.sqrt(len(SAW)), rel=0.1)  # RMS over 28


def test_unchanged_profile_keeps_the_rate_though_its_entries_move_together():
    rng = np.random.default_rng(12)
    found = sum(
        false_changes(compare(profile(rng, SAW, 1.0), profile(rng, SAW, 1.0), false_changes=0.2))
        for _ in range(100)
    )
    assert found <= 33  # 20 expected at most; 3 sigma


def test_harmonics_in_the_noise_say_nothing():
    noise = [[Reading("harmonics", (-90.0 + d,), "dB", 1, (4.343,))] for d in (0.0, 9.0, -9.0)]
    (c,) = compare(run(*noise), run(*noise)).comparisons
    assert c.verdict == "cannot tell"


def test_harmonic_that_rose_out_of_the_noise_is_found():
    before = [[Reading("harmonics", (-40.0, -95.0), "dB", 1, (0.05, 4.343))]] * 3
    after = [[Reading("harmonics", (-40.0, -60.0), "dB", 1, (0.05, 0.2))]] * 3
    (c,) = compare(run(*before), run(*after)).comparisons
    assert c.verdict == "different"
    assert (c.why or "").startswith("3rd harmonic at least 35.0 dB up")


def test_response_is_compared_at_the_frequencies_both_have():
    def side(*pairs: tuple[float, float]) -> Run:
        return run(*[[Reading("response", pairs, "dB", 1, (0.05,) * len(pairs))]] * 3)

    (c,) = compare(side((20.0, -3.0), (1000.0, 0.0)), side((20.0, -9.0), (5000.0, 0.0))).comparisons
    assert c.verdict == "different"
    assert (c.why or "").startswith("20 Hz 6.0 dB down")


def spurs(*tones: tuple[float, float], u: float = 0.1, repeats: int = 3) -> Run:
    return run(*[[Reading("spurs", tones, "dBFS", 1, (u,) * len(tones))]] * repeats)


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [
        (spurs((15_625.0, -70.0)), spurs(), "better"),
        (spurs(), spurs((15_625.0, -70.0)), "worse"),
        (spurs((15_625.0, -70.0)), spurs((15_626.0, -70.1)), "no change"),
        (spurs((15_625.0, -70.0)), spurs((15_625.0, -60.0)), "worse"),
        (spurs((15_625.0, -70.0), u=2.0), spurs(), "cannot tell"),
        (spurs((900.0, -70.0)), spurs((15_625.0, -70.0)), "different"),
        (spurs(), spurs(), "no change"),
    ],
)
def test_stray_tones_come_and_go(before, after, verdict):
    (c,) = compare(before, after).comparisons
    assert c.verdict == verdict


def test_stray_tone_that_comes_and_goes_proves_nothing():
    tone = [Reading("spurs", ((900.0, -90.0),), "dBFS", 1, (0.1,))]
    none = [Reading("spurs", (), "dBFS", 1, ())]
    (c,) = compare(run(tone, tone, none), run(none, none, none)).comparisons
    assert c.verdict == "cannot tell"


def test_spectra_change_in_the_band_that_changed():
    rng = np.random.default_rng(13)
    rate = 48_000
    hum = 0.01 * np.sin(2 * np.pi * 100.0 * np.arange(4 * rate) / rate)

    def side(extra: float) -> list[object]:
        return [
            power_spectrum(0.001 * rng.standard_normal(4 * rate) + extra * hum, rate)
            for _ in range(3)
        ]

    same = compare_spectra(side(0.0), side(0.0))
    assert same.verdict == "no change"
    assert np.all(np.abs(same.difference_db) < same.limit_db)
    changed = compare_spectra(side(1.0), side(0.0))
    assert changed.verdict == "different"
    assert changed.why.startswith("the band at 100 Hz")
    # Outside the band, white noise: 10 log10 of bandwidth, 1 dB for each third octave (IEC 61260).
    clear = changed.centres_hz > 1000
    assert np.diff(changed.after_dbfs[clear]) == pytest.approx(1.0, abs=0.25)


# --- laws ------------------------------------------------------------------------------------

numbers = st.lists(st.floats(-100.0, 0.0), min_size=1, max_size=5)


@settings(max_examples=150)
@given(numbers, numbers, st.none() | st.floats(0.001, 5.0))
def test_exchanging_the_stages_exchanges_better_and_worse(before, after, u):
    there = single("hum_total", before, after, u=u)
    back = single("hum_total", after, before, u=u)
    mirrored = {"better": "worse", "worse": "better"}
    assert back.verdict == mirrored.get(there.verdict, there.verdict)
    if there.difference is not None:
        assert back.difference == pytest.approx(-there.difference)


@settings(max_examples=100)
@given(numbers, st.none() | st.floats(0.0, 5.0))
def test_nothing_has_changed_against_itself(same, u):
    assert single("hum_total", same, same, u=u).verdict in ("no change", "cannot tell")


def test_summary_and_order_put_trouble_first():
    step = Step("tone", "main", "", settings=CheckSettings(440.0),
                limits=(Limit("balance", "dB", -1.5, 1.5),))  # fmt: skip

    def takes(thd: float, level: float, hum: float, balance: float) -> Run:
        readings = [
            Reading("tone_level", level, "dBFS", 1, 0.01),
            Reading("thd", thd, "dB", 1, 0.01),
            Reading("hum_total", hum, "dBFS", 1, 0.01),
            Reading("balance", balance, "dB", None, 0.01, channels=(1, 2)),
        ]
        return run(readings, readings, readings, step=step)

    result = compare(takes(-60, -10, -60, 5.0), takes(-80, -20, -40, 5.0))
    order = [c.name for c in worst_first(result)]
    assert order == ["balance", "hum_total", "tone_level", "thd"]
    assert summary(result) == {
        "worse": 1, "better": 1, "different": 1, "no change": 1, "cannot tell": 0,
        "out of limits": 1,
    }  # fmt: skip


def test_of_repeats_that_are_bounds_the_highest_holds():
    repeats = [Reading("hum_1x", v, "dBFS", 1, 0.5, upper_bound=True) for v in (-90.0, -84.0)]
    mean = mean_of_repeats([*repeats, Reading("hum_1x", -86.0, "dBFS", 1, 0.5)])
    assert (mean.value, mean.upper_bound) == (-84.0, True)


def test_harmonic_below_the_other_sides_bound_is_no_change():
    bound = [[Reading("harmonics", (-40.0, -60.0), "dB", 1, (0.05, 4.343))]] * 3
    lower = [[Reading("harmonics", (-40.0, -90.0), "dB", 1, (0.05, 0.2))]] * 3
    for sides in ((bound, lower), (lower, bound)):
        (c,) = compare(run(*sides[0]), run(*sides[1])).comparisons
        assert c.verdict == "no change"


def watched(count: int, seconds: float, paused: float = 0.0) -> Run:
    """One take that a person ended after so many seconds."""
    marks = (Event("mark", 1.0, 1.0 + paused, (), None, "paused"),) if paused else ()
    frames = round(seconds * 48_000)
    take = TakeRecord("takes/x", "0" * 64, 48_000, 1, frames, marks=marks)
    one = run([Reading("dropouts", float(count), "1", 1, 0.0)], step=JACK)
    return replace(one, takes=(take,))


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [
        (watched(20, 20), watched(20, 20), "no change"),
        (watched(20, 20), watched(2, 20), "better"),
        (watched(20, 200), watched(2, 20), "no change"),  # as often
        (watched(20, 20), watched(20, 200), "better"),
        (watched(2, 20), watched(40, 20), "worse"),
        (watched(20, 200, paused=180), watched(20, 20), "no change"),
        (watched(20, 200), watched(0, 2), "no change"),  # two seconds prove nothing
    ],
)
def test_what_counts_is_how_many_come_in_the_same_time(before, after, verdict):
    (told,) = compare(before, after).comparisons
    assert told.verdict == verdict


def test_the_times_of_watching_are_told_and_reckoned_with():
    (told,) = compare(watched(20, 20), watched(15, 60)).comparisons
    assert told.why == "20 in 20 s before, 15 in 60 s after"
    assert told.difference == pytest.approx(15 - 60)
    # Poisson, scaled to the time after: sqrt(3^2 * 20 + 15).
    assert told.uncertainty == pytest.approx(math.sqrt(195))
    # The exact binomial test of scipy, a general reference library, at the share of the time.
    outside = stats.binomtest(20, 35, 20 / 80, alternative="greater").pvalue
    assert count_chance(20, 20.0, 15, 60.0) == pytest.approx(2 * outside)


def test_one_law_written_two_ways_is_the_same_law():
    one, other, third = (
        run(*values("worn_share", [5.0], 1.0, unit="%"),
            step=Step("pot", "main", "Turn it.", settings=CheckSettings(taper=text)))
        for text in ("audio", "audio:15", "audio:10")
    )  # fmt: skip
    assert compare(one, other).not_compared == ()
    assert "taper differs" in compare(one, third).not_compared[0]


def test_a_worn_place_that_was_cleaned_away_is_better_after_one_take_each():
    clean = [[Reading("worn_share", 1.0, "%", 1, 0.5, upper_bound=True)]]
    worn = values("worn_share", [11.5], 1.0, unit="%")
    pot = Step("pot", "main", "Turn it.")
    (told,) = compare(run(*worn, step=pot), run(*clean, step=pot)).comparisons
    assert told.verdict == "better"
    (told,) = compare(run(*values("worn_share", [3.0], 1.0, unit="%"), step=pot),
                      run(*clean, step=pot)).comparisons  # fmt: skip
    assert told.verdict != "better"


def test_nine_dropouts_that_went_away_count_among_sixty_readings():
    # docs/comparison.md: two-sided binomial chance of 9 to 0 is 2 / 2**9 = 0.4 %, of 8 to 0 0.8 %;
    # the share of a count among 59 other readings is 0.05 * 10 / 69 = 0.7 %.
    rest = [Reading(f"level_{k}", 0.0, "dB", 1, 1.0) for k in range(59)]

    def side(*counts: int) -> Run:
        takes = [[Reading("dropouts", float(n), "1", 1, 0.0), *rest] for n in counts]
        return run(*takes, step=DROPOUTS)

    for counts, verdict in (((3, 3, 3), "better"), ((3, 2, 3), "no change")):
        result = compare(side(*counts), side(0, 0, 0))
        assert result.comparisons[0].verdict == verdict
