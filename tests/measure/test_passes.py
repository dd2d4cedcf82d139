"""Passes and steps of a turned control, against pots made of resistances."""

import numpy as np
import pytest

from sigbench.measure.taper import LINEAR
from tests.measure.pots import Gang, hand, linear, record, saw, sine
from tests.measure.turning import position, turned


@pytest.mark.parametrize("law", [linear, lambda x: (10 ** (2 * x) - 1) / 99])
def test_a_control_that_moves_in_steps_is_not_worn(law):
    rng = np.random.default_rng(32)
    x = hand(30.0, rng, sweeps=6)
    stepped = np.round(x * 15) / 15
    found = turned(record(stepped, (Gang(law, load_ohms=1e6),), saw(len(x)), rng), None)
    # 14 levels between the ends, but for those that are within 4 % of an end on the square law
    assert found.steps is not None
    assert 12 <= found.steps <= 14
    assert len(found.spots) > 30  # or nothing is shown
    (gang,) = found.gangs
    assert gang.worn is None
    assert gang.dead is None
    assert f"moves in {found.steps} steps" in (gang.why or "")


def test_a_hand_that_rests_often_makes_no_steps():
    rng = np.random.default_rng(33)
    x = hand(70.0, rng, sweeps=4, pauses=60)
    found = turned(record(x, (Gang(load_ohms=1e6),), saw(len(x)), rng), LINEAR)
    assert found.steps is None
    assert found.gangs[0].worn == ()


def test_a_pass_may_start_in_the_middle_and_end_before_the_stops():
    rng = np.random.default_rng(9)
    x = hand(14, rng, sweeps=4, low=0.1, high=0.9, start=0.5)
    found = turned(record(x, (Gang(load_ohms=1e9),), sine(len(x)), rng), LINEAR)
    # The highest level met counts as open: travel is re 90 %.
    true = position(found, x) / 0.9
    assert np.quantile(np.abs(found.travel - true), 0.95) < 1.5
