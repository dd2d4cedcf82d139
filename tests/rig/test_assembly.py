"""How a rig is put together, and what is kept of it when it is put together anew."""

from dataclasses import replace

import pytest

from sigbench.bench.folder import Bench
from sigbench.bench.rigs import rig_in_use, rigs, save_rig
from sigbench.errors import RequestError
from sigbench.interface.devices import Device
from sigbench.interface.loopback import Converters, LoopbackInterface
from sigbench.model import Calibration, FullScale, Meter, RigSetup, RigTest
from sigbench.rig.assembly import (
    channel_list,
    keep_setup,
    loop_dbfs,
    pilot_pair,
    plug_simulated_loop,
    plug_simulated_meter,
    plug_simulated_shorts,
    setup_of,
    simulated_volts,
    sink_beside,
)
from sigbench.units import dbu_to_volts

BOX = Device(1, "Box", "ALSA", 4, 4, 48_000)
SETUP = RigSetup("bench", "Box", "ALSA", 48_000, (1, 2), (1, 2), "low")
CALIBRATION = Calibration(
    "2026-05-01T12:00:00+00:00",
    48_000,
    "low",
    400,
    Meter(1.0, 3, True),
    (FullScale(1, 18.0, 0.1), FullScale(2, 17.0, 0.1)),
    (FullScale(1, 20.0, 0.1), FullScale(2, 20.5, 0.1)),
)
KNOWN = replace(
    SETUP, calibration=CALIBRATION, test=RigTest("2026-05-02T12:00:00+00:00", 48_000, ())
)


@pytest.fixture
def folder(tmp_path):
    with Bench.create(tmp_path / "bench") as bench:
        return bench.folder


@pytest.mark.parametrize(("text", "numbers"), [("1,2", (1, 2)), (" 3 , 1,", (3, 1)), (None, None)])
def test_channels_as_they_are_typed(text, numbers):
    assert channel_list(text, "Inputs") == numbers


@pytest.mark.parametrize(
    "text", ["", ",", "0", "1,1", "x", "1.5", ",".join(map(str, range(1, 34)))]
)
def test_channels_that_cannot_be(text):
    with pytest.raises(RequestError, match="Inputs"):
        channel_list(text, "Inputs")


def test_a_pilot_as_it_is_typed():
    assert pilot_pair("3:4", "Pilot") == (3, 4)
    assert pilot_pair(" None ", "Pilot") is None
    for text in ("3", "3:", "a:b"):
        with pytest.raises(RequestError, match="Pilot"):
            pilot_pair(text, "Pilot")


def test_outputs_beside_an_input():
    mute, loud = replace(BOX, outputs=0), replace(BOX, index=2, inputs=0)
    assert sink_beside((BOX,), BOX) is BOX
    assert sink_beside((mute, loud), mute) is loud
    assert sink_beside((mute, replace(loud, name="Other")), mute) is None


def test_the_first_two_channels_where_none_are_named():
    usual = {"samplerate": 48_000, "inputs": None, "outputs": None, "gain": "", "pilot": None}
    one = setup_of("a", replace(BOX, inputs=1), None, exclusive=False, **usual)
    assert (one.inputs, one.outputs, one.play_device) == ((1,), (), None)
    two = setup_of("a", BOX, replace(BOX, index=7, name="Other"), exclusive=False, **usual)
    assert (two.inputs, two.outputs, two.play_device) == ((1, 2), (1, 2), "Other")
    assert setup_of("a", BOX, BOX, exclusive=False, **usual).play_device is None


@pytest.mark.parametrize("change", [{"gain": "noon"}, {"samplerate": 96_000}, {"pilot": (3, 3)}])
def test_figures_stay_with_the_same_hardware(folder, change):
    save_rig(folder, KNOWN)
    assert keep_setup(folder, replace(SETUP, **change)) is None
    assert rig_in_use(folder) == replace(KNOWN, **change)


@pytest.mark.parametrize("change", [{"device": "Other"}, {"inputs": (2, 1)}, {"name": "BENCH"}])
def test_those_of_other_hardware_are_kept_aside(folder, change):
    save_rig(folder, KNOWN)
    older = keep_setup(folder, replace(SETUP, **change))
    assert older == replace(KNOWN, name="bench of 2026-05-02")  # the newest figure's date
    assert rigs(folder)[older.name] == older
    assert rig_in_use(folder) == replace(SETUP, **change)


def test_the_loop_of_a_calibrated_rig():
    assert loop_dbfs(KNOWN, 2) == [-2.0, -3.5]
    assert loop_dbfs(KNOWN, 3) is None
    assert loop_dbfs(SETUP, 2) is None
    assert loop_dbfs(replace(KNOWN, gain="noon"), 2) is None


def test_hands_at_a_simulated_rig():
    rig = LoopbackInterface(channels=2, outputs=1)
    assert plug_simulated_loop(rig)
    assert plug_simulated_shorts(rig)
    assert plug_simulated_meter(rig, loaded=False)
    (shown,) = simulated_volts(rig, 1)
    # A sine 12 dB below full scale.
    expected = float(dbu_to_volts(Converters().output_full_scale_dbu[0] - 12))
    assert float(shown) == pytest.approx(expected, rel=1e-4)


def test_nobody_has_hands_at_a_real_one():
    class Real:
        samplerate, channels = 48_000, 2

    assert not plug_simulated_loop(Real())
    assert not plug_simulated_shorts(Real())
    assert not plug_simulated_meter(Real(), loaded=True)
    assert simulated_volts(Real(), 2) == ()
