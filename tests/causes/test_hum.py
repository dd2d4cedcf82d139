"""Hum, held against the note."""

import math
from dataclasses import replace

import pytest

from sigbench.causes.gather import gather
from sigbench.causes.observation import Observation
from sigbench.causes.ranking import rank
from sigbench.causes.records import BY_KEY
from sigbench.checks.rails import measure_rails
from sigbench.model import Rail
from tests.causes.observed import clue, hum, humming, idle, note, one_channel


def test_hum_is_judged_against_the_note():
    assert clue([note(-10.0), idle(hum(-60.0))], "hum 1x").holds > 0.99
    assert clue([note(-10.0), idle(hum(-100.0))], "hum 1x").holds < 0.01
    known = replace(idle(hum(-100.0)), rig_known=True)
    assert clue([note(-40.0), known], "hum 1x").holds > 0.9  # 60 dB below it


def test_leakage_of_a_switch_mode_supply_is_no_open_diode():
    """A half-wave has its second harmonic 7.5 dB below the first, and through a capacitor 1.4 dB.

    Fourier series of the half-wave: 1/2 and 2/(3 pi): textbook. One output of two has it, and hum
    as loud as the note: only an open ground brings that much.
    """
    apart = 20 * math.log10(0.5 / (2 * 2 / (3 * math.pi)))
    assert apart == pytest.approx(1.4, abs=0.05)
    opened = humming((-12.0, -12.0), (-12.0 - apart, -12.0 - apart))
    quiet = humming((-115.0, -115.0), (-118.0, -118.0), output="phones")
    seen = [note(), opened, replace(note(), output="phones"), quiet]
    assert clue(seen, "hum drowns the note").holds > 0.9
    assert rank(gather(seen)).causes[0].name == BY_KEY["sleeve"].name


def test_hum_of_one_diode_a_rail_may_be_a_dry_reservoir():
    """Refilled once a period, the capacitor has its ripple at the mains frequency: textbook."""
    rail = (Rail("+12 V", 12.0, measured_volts=11.2, ripple_volts=0.9),)
    seen = [
        note(),
        humming((-60.0, -60.0), (-67.0, -67.0)),
        Observation("x", measure_rails(rail), rail),
    ]
    named = [cause.name for cause in rank(gather(seen)).causes[:2]]
    assert set(named) == {BY_KEY["diode"].name, BY_KEY["reservoir"].name}
    (diode,) = (c for c in rank(gather(seen)).causes if c.name == BY_KEY["diode"].name)
    assert "one diode feeds each rail" in diode.next


def test_of_two_jacks_that_are_a_pair_one_may_hum_alone():
    """Each has a sleeve of its own."""

    def mono(output, hum):
        tone = one_channel(
            "tone", ("tone_level", -10.0, "dBFS"), ("frequency", 440.0, "Hz"), output=output
        )
        return [tone, one_channel(
            "idle", ("hum_1x", hum, "dBFS"), ("hum_2x", -118.0, "dBFS"),
            ("hum_total", hum, "dBFS"), output=output,
        )]  # fmt: skip

    seen = [*mono("main L", -50.0), *mono("main R", -120.0)]
    assert clue(seen, "hum on every output").holds < 0.1
    assert rank(gather(seen)).causes[0].name == BY_KEY["sleeve"].name


def test_hum_that_goes_with_the_volume_anywhere_comes_from_before_it():
    """A loop's current does not ask for the volume; an output before the control tells nothing."""
    loud = humming((-50.0, -50.0), (-110.0, -110.0))
    direct = replace(loud, output="out")
    down = [
        replace(humming((-110.0, -110.0), (-115.0, -115.0)), volume_down=True),
        replace(direct, volume_down=True),
    ]
    up = [note(), loud, replace(note(), output="out"), direct]
    assert clue([*up, *down], "hum follows volume").holds > 0.9
    assert rank(gather([*up, *down])).causes[0].name == BY_KEY["noisy source"].name
    stays = [replace(loud, volume_down=True), down[1]]
    assert clue([*up, *stays], "hum follows volume").holds < 0.1
    assert rank(gather([*up, *stays])).causes[0].name == BY_KEY["ground loop"].name
