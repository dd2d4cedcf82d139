"""Outputs: what the unit does, and what the rig may do itself."""

from dataclasses import replace

import pytest

from sigbench.model import Reading
from tests.causes.observed import clue, hum, idle, note


@pytest.mark.parametrize(
    ("name", "reading"),
    [
        ("hum 1x", hum(-100.0)),
        ("noise", Reading("noise_rms", -98.0, "dBFS", 1, 0.1)),
        ("tones", Reading("spurs", ((1000.0, -105.0),), "Hz, dBFS", 1, None)),
    ],
)
def test_what_an_untested_interface_does_as_well_accuses_nobody(name, reading):
    """A note recorded at -40 dBFS: an interface's own hum lies 60 dB below it."""
    weighted = Reading("noise_a", -100.0, "dBFS", 1, 0.1)
    seen = idle(reading, weighted)
    found = clue([note(-40.0), seen], name)
    assert found.holds is None
    assert "may be the rig's own: record it louder" in found.seen
    # Held against the rig, or beside a note that is loud enough, it is told.
    assert clue([note(-40.0), replace(seen, rig_known=True)], name).holds > 0.9
    assert clue([note(-10.0), seen], name).holds < 0.2
