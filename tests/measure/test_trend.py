"""Courses that are made point by point, so that hours take no time."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.signal import lfilter

from sigbench.errors import SignalError
from sigbench.measure.trend import (
    SIGNIFICANCE,
    NoOnset,
    Onset,
    find_onset,
    find_onset_of_events,
    measure_trend,
)

STEP = 15.0
T = STEP * np.arange(240)  # an hour

# Annual flow of the Nile at Aswan, 1871-1970, 1e8 m³: G. W. Cobb, Biometrika 65 (1978) 243-251,
# table 1. He finds the change between 1898 and 1899, from a mean of 1097.75 to one of 849.97.
NILE = """
1120 1160 963 1210 1160 1160 813 1230 1370 1140 995 935 1110 994 1020 960 1180 799 958 1140
1100 1210 1150 1250 1260 1220 1030 1100 774 840 874 694 940 833 701 916 692 1020 1050 969
831 726 456 824 702 1120 1100 832 764 821 768 845 864 862 698 845 744 796 1040 759
781 865 845 944 984 897 822 1010 771 676 649 846 812 742 801 1040 860 874 848 890
744 749 838 1050 918 986 797 923 975 815 1020 906 901 1170 912 746 919 718 714 740
"""


def scatter(seed, correlation=0.0, points=240):
    """AR(1) of standard deviation 1."""
    white = np.random.default_rng(seed).standard_normal(points + 300)
    return lfilter([np.sqrt(1 - correlation**2)], [1, -correlation], white)[300:]


def test_the_nile_changed_between_1898_and_1899():
    flow = np.array(NILE.split(), dtype=float)
    onset = find_onset(np.arange(1871.0, 1971.0), flow, settling=False)
    assert isinstance(onset, Onset)
    assert onset.kind == "step"
    assert onset.time.value == 1898.5
    assert onset.time.uncertainty < 4
    assert onset.size == pytest.approx(849.97 - 1097.75, abs=15)


def test_slope_is_that_of_a_general_library():
    values = 0.3 * T / 3600 + scatter(1)
    trend = measure_trend(T, values)
    line = stats.linregress(T / 3600, values)
    assert trend.slope.value == pytest.approx(line.slope, rel=1e-9)
    # White scatter: least squares' own uncertainty, and more, for it may be flicker noise as well.
    assert 0.9 < trend.slope.uncertainty / line.stderr < 2


def noise(seed, kind, points=240):
    """Scatter of a kind, made without what measures it."""
    rng = np.random.default_rng(seed)
    white = rng.standard_normal(points)
    if kind == "random walk":
        return np.cumsum(white)
    if kind == "random walk and white":
        return np.cumsum(white) + 5 * rng.standard_normal(points)
    if kind == "flicker":
        # A power that falls as 1/f, by its spectrum, of a record eight times as long.
        size = 8 * points
        spectrum = np.fft.rfft(rng.standard_normal(size))
        spectrum[1:] /= np.sqrt(np.arange(1.0, len(spectrum)))
        return np.fft.irfft(spectrum, size)[:points]
    return scatter(seed, float(kind), points)


@pytest.mark.parametrize(
    ("kind", "most"),
    [("0.0", 2.0), ("0.5", 2.5), ("0.8", 6.0), ("flicker", 2.5), ("random walk", 1.5)],
)
def test_uncertainty_is_the_scatter_of_many_slopes(kind, most):
    trends = [measure_trend(T, noise(seed, kind)) for seed in range(120)]
    slopes = np.array([trend.slope.value for trend in trends])
    told = np.sqrt(np.mean([trend.slope.uncertainty**2 for trend in trends]))
    # 120 slopes know their scatter to 7 %. What may be a slower noise is told with more
    # uncertainty than it has.
    assert 0.8 < told / np.std(slopes) < most


@pytest.mark.parametrize("points", [40, 240])
@pytest.mark.parametrize("kind", ["flicker", "random walk", "random walk and white"])
def test_slow_noise_is_seldom_a_trend(points, kind):
    t = T[:points]
    told = [measure_trend(t, noise(1000 + s, kind, points)).significant for s in range(200)]
    # 2 expected, and up to twice that is allowed for; 200 trials exceed 11 with a chance of 1e-3.
    assert sum(told) <= 11


@pytest.mark.parametrize("points", [15, 60, 240])
@pytest.mark.parametrize("correlation", [0.0, 0.5, 0.9, 0.999])
def test_scatter_alone_is_seldom_a_trend(points, correlation):
    told = [
        measure_trend(T[:points], scatter(seed, correlation, points)).significant
        for seed in range(150)
    ]
    # 1.5 expected, and up to twice that is allowed for; 150 trials exceed 9 with a chance of 1e-3.
    assert sum(told) <= 9


def test_a_real_trend_is_found():
    found = 0
    for seed in range(20):
        trend = measure_trend(T, 4.0 * T / 3600 + scatter(seed, 0.5))
        found += trend.significant
        assert abs(trend.slope.value - 4.0) < 4 * trend.slope.uncertainty
    assert found >= 17


def test_an_oscillator_that_warms_up_has_a_trend_and_no_onset():
    for seed in range(5):
        warming = 25 * (1 - np.exp(-T / 500)) + 10 * (1 - np.exp(-T / 1400))
        course = warming + 0.1 * scatter(seed, 0.3)
        trend = measure_trend(T, course)
        assert trend.significant
        assert trend.slope.value > 0
        assert isinstance(find_onset(T, course, smallest=1.0), NoOnset)


def test_a_bend_is_no_scatter_where_its_onset_is_known():
    course = -0.5 * np.maximum(0, T - 1800) / 1800 + 0.003 * scatter(2)
    blind = measure_trend(T, course)
    told = measure_trend(T, course, onset_seconds=1800.0)
    assert told.slope.value == blind.slope.value
    assert told.slope.uncertainty < blind.slope.uncertainty / 5
    assert told.significant


@pytest.mark.parametrize("correlation", [0.0, 0.5])
def test_a_step_is_timed(correlation):
    for seed in range(4):
        course = 8 * (T >= 1200) + 60 * np.exp(-T / 400) + scatter(seed, correlation)
        onset = find_onset(T, course)
        assert isinstance(onset, Onset)
        assert onset.kind == "step"
        assert abs(onset.time.value - 1200) <= STEP
        assert onset.size == pytest.approx(8, abs=2.5)


def test_a_regulator_that_sags_with_heat():
    # Its drop-out voltage is reached after 25 minutes; then the level falls, and settles.
    late = np.maximum(0, T - 1500)
    for seed in range(4):
        course = -1.2 * (1 - np.exp(-late / 400)) + 0.02 * scatter(seed, 0.3)
        onset = find_onset(T, course, smallest=0.1)
        assert isinstance(onset, Onset)
        assert onset.kind == "bend"
        assert abs(onset.time.value - 1500) < max(4 * onset.time.uncertainty, 2 * STEP)
        assert onset.size == pytest.approx(-1.2, abs=0.2)


def test_an_excursion_comes_back():
    course = scatter(4, 0.3) - 10 * ((T >= 1500) & (T < 1740))
    onset = find_onset(T, course)
    assert isinstance(onset, Onset)
    assert abs(onset.time.value - 1500) <= 2 * STEP


@pytest.mark.parametrize("points", [4, 5, 9, 10, 13, 20, 33, 45])
def test_an_excursion_of_any_length_is_plain(points):
    course = 0.001 * scatter(9)
    course[100 : 100 + points] += 3
    onset = find_onset(T, course)
    assert isinstance(onset, Onset)
    assert onset.kind == "excursion"
    assert onset.size == pytest.approx(3, abs=0.01)
    assert abs(onset.time.value - T[100]) <= STEP


def test_what_changes_in_a_gap_may_have_changed_anywhere_in_it():
    course = 8.0 * (T[100] <= T) + 0.1 * scatter(10)
    course[100:110] = np.nan
    onset = find_onset(T, course)
    # Between the last point before the gap and the first after it.
    assert onset.time.value == pytest.approx((T[99] + T[110]) / 2)
    assert onset.time.uncertainty == pytest.approx(11 * STEP / np.sqrt(12), rel=0.01)


def test_the_first_of_two_onsets_is_told():
    course = scatter(5) + 10 * (T >= 1200) + 30 * (T >= 2700)
    assert find_onset(T, course).time.value == pytest.approx(1200, abs=STEP)


def test_a_contact_that_begins_to_flicker():
    for seed in range(4):
        rng = np.random.default_rng(100 + seed)
        flicker = rng.normal(0, 3.0, len(T)) * (T >= 1200)
        onset = find_onset(T, scatter(seed) + flicker)
        assert isinstance(onset, Onset)
        assert onset.kind == "scatter"
        assert abs(onset.time.value - 1200) < 3 * onset.time.uncertainty


@pytest.mark.parametrize("correlation", [0.0, 0.6, 0.95])
def test_scatter_alone_is_no_onset(correlation):
    t = T[:90]
    found = [isinstance(find_onset(t, scatter(seed, correlation, 90)), Onset) for seed in range(80)]
    assert sum(found) <= 2  # a chance of 2e-3 even if one in 250 were expected


def test_one_point_that_sticks_out_is_left_to_the_events():
    for size in (30, 1000):
        assert isinstance(find_onset(T, scatter(6) + size * (T == 1500)), NoOnset)


def test_slighter_changes_than_asked_for_are_not_told():
    course = 0.05 * (T > 1800) + 0.001 * scatter(7)
    assert isinstance(find_onset(T, course), Onset)
    assert isinstance(find_onset(T, course, smallest=0.1), NoOnset)


def test_gaps_are_no_change():
    course = 8 * (T >= 1200) + scatter(8, 0.4)
    course[60:75] = np.nan
    course[::7] = np.nan
    onset = find_onset(T, course)
    assert isinstance(onset, Onset)
    assert abs(onset.time.value - 1200) <= 2 * STEP
    trend = measure_trend(T, np.where(np.isnan(course), np.nan, T / 3600))
    assert trend.slope.value == pytest.approx(1.0, rel=1e-9)


def test_courses_without_any_scatter():
    assert isinstance(find_onset(T, np.full(len(T), -12.0)), NoOnset)
    assert isinstance(find_onset(T, 30 * (1 - np.exp(-T / 600)), smallest=1.0), NoOnset)
    step = find_onset(T, -3.0 * (T >= 900))
    assert step.time.value == 900 - STEP / 2  # between two points
    assert step.time.uncertainty == pytest.approx(STEP / np.sqrt(12))
    assert not measure_trend(T, np.full(len(T), -12.0)).significant


@given(
    offset=st.floats(-100, 100),
    gain=st.sampled_from([0.01, 0.5, 3.0, -1.0]),
    later=st.integers(0, 100_000),
)
@settings(max_examples=8)
def test_the_scale_and_the_clock_change_nothing(offset, gain, later):
    t, course = T[:100], (15 * (T >= 750) + scatter(9, 0.3))[:100]
    onset, other = find_onset(t, course), find_onset(t + later, offset + gain * course)
    assert other.time.value == pytest.approx(onset.time.value + later)
    assert other.size == pytest.approx(gain * onset.size, rel=1e-3)
    a, b = measure_trend(t, course), measure_trend(t + later, offset + gain * course)
    assert b.slope.value == pytest.approx(gain * a.slope.value, rel=1e-6)
    assert b.chance == pytest.approx(a.chance, rel=1e-3, abs=1e-12)


def test_events_that_begin():
    counts = np.zeros(240, dtype=int)
    counts[[200, 204, 205, 211, 230]] = [1, 3, 1, 2, 9]
    onset = find_onset_of_events(T, counts)
    assert isinstance(onset, Onset)
    assert onset.time.value == T[200]
    assert onset.size == 16
    # All five of 240 places within the last 40, anywhere within: binom(40, 5) / binom(240, 5),
    # for each of the five first places that were tried.
    assert onset.chance == pytest.approx(5 * math.comb(40, 5) / math.comb(240, 5), rel=1e-9)


def test_events_that_began_some_time_ago_began_with_the_first():
    # One, a long quiet, and then many: more unlikely by chance from the second on, but before the
    # first there was none at all.
    counts = np.zeros(240, dtype=int)
    counts[[124, 150, 156, 160, 171, 180, 184, 193, 200, 207, 212, 221, 230]] = 1
    onset = find_onset_of_events(T, counts)
    assert isinstance(onset, Onset)
    assert onset.time.value == T[124]
    assert onset.size == 13
    assert onset.time.uncertainty > 10 * STEP  # it may have been the second as well


def test_the_means_of_a_random_walk_are_seldom_called_a_trend():
    # A slow wander, of which each point is the mean over its stretch: smoother than the walk.
    rng = np.random.default_rng(12)
    called = 0
    for _ in range(100):
        walk = np.cumsum(rng.standard_normal(100 * 20))
        called += measure_trend(T[:100], walk.reshape(100, 20).mean(axis=1)).significant
    assert called <= 4  # binomial: of 100 at 1 %, five or more have a chance of 0.3 %


def test_a_course_is_known_no_better_than_its_resolution():
    seconds = T[:12]
    slow = 0.05 * np.sin(np.pi * seconds / seconds[-1] - np.pi / 2)  # a beat as slow as the course
    assert measure_trend(seconds, slow).significant
    trend = measure_trend(seconds, slow, resolution=0.1)
    assert not trend.significant
    assert trend.slope.uncertainty >= 0.1 / (seconds[-1] / 3600)


def test_events_anywhere_have_no_onset():
    rng = np.random.default_rng(11)
    for _ in range(300):
        counts = np.zeros(240, dtype=int)
        counts[rng.choice(240, rng.integers(1, 40), replace=False)] = 1
        assert isinstance(find_onset_of_events(T, counts), NoOnset)
    assert isinstance(find_onset_of_events(T, np.ones(240, dtype=int)), NoOnset)
    assert isinstance(find_onset_of_events(T, np.zeros(240, dtype=int)), NoOnset)


def test_too_few_points():
    assert measure_trend(T[:11], T[:11]) is None
    reason = find_onset(T[:20], T[:20])
    assert isinstance(reason, NoOnset)
    assert "20 points" in reason.reason
    nothing = np.full(100, np.nan)
    assert measure_trend(T[:100], nothing) is None
    assert isinstance(find_onset(T[:100], nothing), NoOnset)


def test_bad_input_is_refused():
    with pytest.raises(SignalError, match="as many times as values"):
        measure_trend(T, T[:10])
    with pytest.raises(SignalError, match="must rise"):
        find_onset(T[::-1], T)


def test_the_stated_chance():
    assert SIGNIFICANCE == 0.01
