"""Hiss, held against the note and between channels."""

from sigbench.causes.gather import gather
from sigbench.causes.observation import Observation
from sigbench.model import Measurement, Reading
from tests.causes.observed import SOURCE, clue, humming, idle, note


def hissing(dbfs: float, *, down: bool) -> Observation:
    readings = [
        Reading(name, dbfs, "dBFS", channel, 0.1)
        for name in ("noise_a", "noise_rms")
        for channel in (1, 2)
    ]
    return Observation("main", Measurement("idle", SOURCE, tuple(readings)), volume_down=down)


def test_a_channel_that_hisses_beside_another_is_told_however_soft():
    readings = [
        Reading(name, value, "dBFS", channel, 0.1)
        for channel, value in ((1, -95.0), (2, -108.0))
        for name in ("noise_rms", "noise_a")
    ]
    found = gather([note(-30.0), idle(*readings)])
    held = {c.name: c.holds for c in found}
    assert held["noise"] > 0.9
    assert held["noise in one channel"] > 0.9


def test_hiss_that_goes_with_the_volume_comes_before_it():
    up = [note(-10.0), hissing(-60.0, down=False)]
    assert clue([*up, hissing(-90.0, down=True)], "hiss follows volume").holds > 0.9
    assert clue([*up, hissing(-60.5, down=True)], "hiss follows volume").holds < 0.1
    assert clue(up, "hiss follows volume").holds is None
    # With the volume down the unit is quieter, and no other hiss is told of.
    assert clue([note(-10.0), hissing(-60.0, down=True)], "noise").holds is None


def test_a_channel_that_hisses_is_seen_beside_one_that_mostly_hums():
    """What is left of the other one's noise without its hum is no more than all of it."""
    hums = humming((-120.0, -120.0), (-98.0, -120.0), (-103.0, -80.0))
    assert clue([note(), hums], "noise in one channel").holds > 0.9
    # Where the noisier one is the one that hums, its hiss is known to be no stronger than all.
    drowned = humming((-120.0, -120.0), (-70.0, -120.0), (-80.0, -101.0))
    assert (clue([note(), drowned], "noise in one channel").holds or 0.0) < 0.5
