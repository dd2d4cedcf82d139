"""Direct voltage at the outputs."""

import pytest

from sigbench.model import Reading
from tests.causes.observed import clue, idle


@pytest.mark.parametrize(
    ("left", "right", "there"),
    [(0.001, -0.08, True), (0.08, 0.001, True), (0.001, -0.002, False)],
)
def test_direct_voltage_is_that_of_the_worse_channel_of_either_sign(left, right, there):
    found = clue(
        [idle(*(Reading("dc_offset", v, "FS", c, 1e-5) for c, v in ((1, left), (2, right))))], "dc"
    )
    assert found.holds > 0.9 if there else found.holds < 0.1
    worse = max(abs(left), abs(right))
    assert found.seen == f"{100 * worse:.1f} % of full scale on main {1 if left == worse else 2}"
