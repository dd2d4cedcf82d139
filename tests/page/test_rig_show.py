"""What the page of the rig says of it: each state, with what to do next."""

from dataclasses import replace
from datetime import datetime

import pytest

from sigbench.interface.devices import Device
from sigbench.model import (
    Calibration,
    FullScale,
    Meter,
    Reading,
    RigLimits,
    RigSetup,
    RigTest,
)
from sigbench.page.rig_show import form_of_setup, not_there, rig_view
from sigbench.rig.path_advice import WHAT_TO_DO

NOW = datetime.fromisoformat("2026-06-01T12:00:00+00:00")
DATE = "2026-05-01T12:00:00+00:00"
SETUP = RigSetup("bench", "Line box", "ALSA", 48_000, (1, 2), (1, 2), "low")
CALIBRATION = Calibration(
    DATE,
    48_000,
    "low",
    400,
    Meter(1.0, 3, True),
    (FullScale(1, 18.0, 0.06),),
    (FullScale(1, 20.0, 0.06),),
)
LIMITS = RigLimits(DATE, 48_000, "low", (Reading("noise_rms", -110.0, "dBFS", 1, 0.1),))


def states(setup, now=NOW, system="Linux"):
    return {state.key: state for state in rig_view(setup, now, system).states}


def test_a_new_rig_has_everything_to_do():
    found = states(replace(SETUP, gain=""))
    assert {state.mark for state in found.values()} == {"to do"}
    assert [kind for kind, _ in found["test"].begins] == ["test"]
    assert [kind for kind, _ in found["calibration"].begins] == ["calibrate"]
    assert [kind for kind, _ in found["limits"].begins] == ["limits"]
    assert [kind for kind, _ in found["setup"].begins] == ["levels"]


def test_one_that_cannot_play_begins_nothing_that_plays():
    found = states(replace(SETUP, outputs=()))
    assert found["setup"].mark == "to do"
    assert found["test"].begins == found["calibration"].begins == ()
    assert "outputs" in found["calibration"].next
    assert found["limits"].begins


def test_what_holds_is_done():
    found = states(replace(SETUP, calibration=CALIBRATION, limits=LIMITS))
    assert found["calibration"].mark == found["limits"].mark == "done"
    assert "holds at this rate and gain" in found["calibration"].words
    assert "2026-05-01" in found["calibration"].words
    # 18 dBu is 0.7746 V times 10^(18/20); twice the standard uncertainty.
    assert "Output 1: 0 dBFS is 18.00 ± 0.12 dBu (6.153 V RMS)" in found["calibration"].lines
    assert found["limits"].lines == ("Noise, unweighted, left: −110.00 ± 0.20 dBFS",)


@pytest.mark.parametrize("other", [{"samplerate": 96_000}, {"gain": "noon"}])
def test_what_does_not_hold_is_left_aside(other):
    found = states(replace(SETUP, calibration=CALIBRATION, limits=LIMITS, **other))
    for key in ("calibration", "limits"):
        assert found[key].mark == "left aside"
        assert "not used now" in found[key].words
        assert found[key].next.startswith("Set that back")


@pytest.mark.parametrize(("months", "old"), [(11, False), (14, True)])
def test_an_old_calibration_is_to_be_repeated(months, old):
    year, month = divmod(5 + months - 1, 12)
    now = NOW.replace(year=2026 + year, month=month + 1, day=1)
    found = states(replace(SETUP, calibration=CALIBRATION), now)["calibration"]
    assert ("months old" in found.next) == old


@pytest.mark.parametrize("system", ["Windows", "macOS", "Linux"])
def test_what_was_found_comes_with_what_to_switch_off(system):
    last = RigTest(DATE, 48_000, ("mono", "resampling"), ("clock_drift",))
    found = states(replace(SETUP, test=last), system=system)["test"]
    assert found.mark == "found"
    assert "Mixed to mono, Resampling" in found.words
    assert WHAT_TO_DO["mono"][system] in found.lines[0]
    assert WHAT_TO_DO["resampling"][system] in found.lines[1]
    assert "Two clocks" in found.lines[2]


def test_a_clean_test_and_one_at_another_rate():
    clean = RigTest(DATE, 48_000, ())
    assert states(replace(SETUP, test=clean))["test"].mark == "done"
    other = states(replace(SETUP, test=clean, samplerate=96_000))["test"]
    assert other.mark == "left aside"
    assert "48 kHz" in other.words


def test_the_form_finds_the_device_wherever_it_is_listed():
    listed = (Device(3, "Line box", "ALSA", 2, 2, 48_000), Device(4, "Other", "ALSA", 0, 2, 48_000))
    shown = form_of_setup(SETUP, listed)
    assert (shown.source, shown.sink) == ("3|ALSA|Line box", "")
    assert not_there(SETUP, shown) is None
    two = replace(SETUP, play_device="Other", play_host="ALSA")
    assert form_of_setup(two, listed).sink == "4|ALSA|Other"
    assert "'Other'" in not_there(two, form_of_setup(two, listed[:1]))
    assert "'Line box'" in not_there(SETUP, form_of_setup(SETUP, ()))
