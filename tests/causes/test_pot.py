"""The volume control: crackle while it is turned."""

from dataclasses import replace

import pytest

from sigbench.causes.observation import Observation
from sigbench.model import Measurement, Reading
from tests.causes.observed import SOURCE, clue, idle, note


def turned(rate: float, *worn: tuple[float, float]) -> Observation:
    """A sweep of the control with a note of -10 dBFS at its top."""
    readings = (
        Reading("crackle_rate", rate, "1/s", 1, 0.01),
        Reading("worn_travel", worn, "%", 1, None),
        Reading("top_level", -10.0, "dBFS", 1, 0.1),
    )
    return Observation("main", Measurement("pot", SOURCE, readings))


@pytest.mark.parametrize(
    ("rate", "worn", "said"),
    [
        (3.0, ((30.0, 42.0),), "one place"),
        (3.0, ((30.0, 42.0), (60.0, 61.0)), "2 places"),
        (3.0, (), "none"),
        (0.0, (), "none"),
    ],
)
def test_what_crackles_is_told_with_its_places(rate, worn, said):
    crackles, track = (
        clue([turned(rate, *worn)], name) for name in ("crackle when turned", "worn track")
    )
    assert crackles.holds > 0.9 if rate else crackles.holds < 0.1
    assert crackles.seen == f"{rate} a second"
    assert track.holds > 0.9 if worn else track.holds < 0.1
    assert track.seen == said


@pytest.mark.parametrize(("hum", "told"), [(-70.0, False), (-80.0, True)])
def test_strong_hum_beside_the_note_may_pass_for_crackle(hum, told):
    """Its edges may: then nothing is told of the control."""
    loud = idle(Reading("hum_total", hum, "dBFS", 1, 0.1))
    assert (clue([turned(3.0), loud], "crackle when turned").holds is not None) == told


def test_where_hum_hides_the_travel_the_note_tells_how_strong_it_is():
    """No level of the top was found then: the hum is held against the note that was played."""
    sweep = turned(3.0)
    kept = tuple(r for r in sweep.measurement.readings if r.name != "top_level")
    hidden = replace(sweep, measurement=replace(sweep.measurement, readings=kept))
    played = note(-10.0)
    for hum, told in ((-40.0, False), (-80.0, True)):
        found = [hidden, played, idle(Reading("hum_total", hum, "dBFS", 1, 0.1))]
        assert (clue(found, "crackle when turned").holds is not None) == told
