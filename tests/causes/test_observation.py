"""What readings tell by channel."""

import pytest

from tests.causes.observed import clue, hum, idle, note


@pytest.mark.parametrize("how", [{"upper_bound": True}, {"state": "rig-limited"}])
def test_a_bound_accuses_nobody(how):
    """What the noise hides, or the rig does itself, is no hum of the unit."""
    assert clue([note(-10.0), idle(hum(-60.0, **how))], "hum 1x").holds is None
    assert clue([note(-10.0), idle(hum(-120.0, **how))], "hum 1x").holds < 0.01
