"""Rails, by what the multimeter shows."""

from dataclasses import replace

import pytest

from sigbench.causes.observation import Observation
from sigbench.checks.rails import measure_rails
from sigbench.model import Rail
from tests.causes.observed import clue


def rails(*typed: tuple[str, float, float, float | None]) -> Observation:
    listed = tuple(Rail(*rail) for rail in typed)
    return Observation("supply", measure_rails(listed), listed)


def test_a_rail_is_judged_by_its_own_tolerance():
    assert clue([rails(("+15 V", 15.0, 10.0, 13.9))], "rail low").holds < 0.05
    assert clue([rails(("+15 V", 15.0, 5.0, 13.9))], "rail low").holds > 0.95


@pytest.mark.parametrize(
    ("nominal", "volts", "low", "high"),
    [(5.0, 7.6, False, True), (-15.0, -17.5, False, True), (5.0, 4.4, True, False),
     (-15.0, -13.5, True, False), (5.0, 5.1, False, False)],
)  # fmt: skip
def test_a_rail_is_too_low_or_too_high(nominal, volts, low, high):
    typed = [rails(("rail", nominal, 5.0, volts))]
    for name, there in (("rail low", low), ("rail high", high)):
        holds = clue(typed, name).holds
        assert holds > 0.95 if there else holds < 0.05


def test_a_low_rail_does_not_hide_a_high_one():
    both = [rails(("+5 V", 5.0, 5.0, 7.6), ("+15 V", 15.0, 5.0, 5.0))]  # the low one is farther off
    assert "+5 V is off by +52 %" in clue(both, "rail high").seen
    assert "+15 V is off by −67 %" in clue(both, "rail low").seen
    assert min(clue(both, name).holds for name in ("rail high", "rail low")) > 0.95


def test_no_rail_is_missing_only_when_all_were_measured():
    good, left_out = ("+15 V", 15.0, 5.0, 15.0), ("-15 V", -15.0, 5.0, None)
    assert clue([rails(good)], "rail missing").holds < 0.01
    assert clue([rails(good, left_out)], "rail missing").holds is None
    gone = ("+5 V", 5.0, 5.0, 0.1)
    found = clue([rails(good, left_out, gone)], "rail missing")
    assert found.holds > 0.99
    assert "+5 V" in found.seen


def test_ripple_on_a_rail_is_a_clue_of_its_own():
    rail = Rail("+15 V", 15.0, measured_volts=15.0, ripple_volts=0.2)
    quiet = replace(rail, ripple_volts=0.003)
    for typed, there in ((rail, True), (quiet, False)):
        observation = Observation("supply", measure_rails((typed,)), (typed,))
        assert (clue([observation], "rail ripple").holds > 0.9) is there
        assert (clue([observation], "rail ripple").holds < 0.1) is not there
    assert clue([rails(("+15 V", 15.0, 5.0, 15.0))], "rail ripple").holds is None
