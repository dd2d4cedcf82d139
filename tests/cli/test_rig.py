"""``sigbench rig``: set-up, calibration, limits and test, on the simulated rig and by typing."""

import io
import json

import pytest

from sigbench.bench.rigs import rig_in_use, rigs
from sigbench.errors import DeviceNotFound
from sigbench.interface.loopback import Converters, LoopbackInterface
from sigbench.interface.portaudio import Device
from sigbench.model import readings_named


@pytest.fixture(scope="module")
def prepared(tmp_path_factory):
    """A bench whose simulated rig is set up, calibrated and has its limits; tests only read it."""
    from sigbench.cli import main

    folder = tmp_path_factory.mktemp("rig") / "bench"
    here = ("--folder", str(folder))
    assert main(["rig", "setup", "--simulated", "--yes", "--gain", "minimum", *here]) == 0
    assert main(["rig", "calibrate", "--yes", "--meter", "0.8% + 3", *here]) == 0
    assert main(["rig", "limits", "--yes", *here]) == 0
    return folder


def typed(monkeypatch, *lines):
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))


def test_what_is_known_of_a_rig_is_shown(call, prepared):
    outcome = call("rig", "show", "--folder", prepared)
    assert outcome.code == 0
    assert "Gain:                minimum" in outcome.out
    assert "Input 1: 0 dBFS is 19.9" in outcome.out
    assert "Noise, A-weighted" in outcome.out
    assert "Latency" in outcome.out


def test_it_comes_as_one_object_as_well(call, prepared):
    outcome = call("rig", "show", "--json", "--folder", prepared)
    found = json.loads(outcome.out)
    assert found["calibration"]["inputs"][0]["dbu"] == pytest.approx(20.0, abs=0.1)
    assert {r["name"] for r in found["limits"]["readings"]} >= {"noise_468", "response", "latency"}


def test_a_calibration_that_holds(call, prepared):
    outcome = call("rig", "check", "--yes", "--folder", prepared)
    assert outcome.code == 0
    assert "The calibration holds." in outcome.out
    assert "Caution:" in outcome.err
    assert "monitors and headphones down" in " ".join(outcome.err.split())


def test_a_moved_gain_is_exit_1(call, prepared, monkeypatch):
    moved = LoopbackInterface(Converters(input_full_scale_dbu=(17.0, 20.05)))
    monkeypatch.setattr("sigbench.rig.choose.open_rig", lambda setup, **_: moved)
    outcome = call("rig", "check", "--yes", "--folder", prepared)
    assert outcome.code == 1
    assert "Input 1 reads +3.0" in outcome.out
    assert "does not hold" in outcome.out


def test_a_clean_path(call, prepared):
    outcome = call("rig", "test", "--yes", "--folder", prepared)
    assert outcome.code == 0
    assert "FOUND" not in outcome.out
    assert rig_in_use(prepared).test.found == ()


def test_a_path_with_swapped_cables(call, prepared, monkeypatch):
    rig = LoopbackInterface()
    rig.connect({1: 2, 2: 1})
    monkeypatch.setattr("sigbench.rig.choose.open_rig", lambda setup, **_: rig)
    outcome = call("rig", "test", "--yes", "--folder", prepared)
    assert outcome.code == 1
    assert "FOUND: Swapped channels" in outcome.out
    assert "cables" in outcome.out


def test_levels_are_shown(call, prepared):
    outcome = call("rig", "levels", "--seconds", 0.5, "--folder", prepared)
    assert outcome.code == 0
    assert outcome.out.count("dBFS   peak") == 2
    assert "silent" in outcome.out


def test_voltages_as_options(call, tmp_path):
    call("rig", "setup", "--simulated", "--yes", "--folder", tmp_path / "b")
    outcome = call(
        *("rig", "calibrate", "--yes", "--meter", "0.5%+2", "--volts", "1.000"),
        *("--volts", "0.990", "--loaded", "--folder", tmp_path / "b"),
    )
    assert outcome.code == 0
    # 1.000 V is 2.2185 dBu (definition), of a tone at -12 dBFS; 7.5 mV / sqrt(3), twice.
    assert "Output 1: 0 dBFS is 14.218 ± 0.075 dBu" in outcome.out


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("calibrate", "--yes", "--volts", "1.0"), "2 are needed"),
        (("calibrate", "--yes", "--volts", "x", "--volts", "1"), "no AC voltage"),
        (("calibrate", "--yes", "--meter", "fine"), "as its manual does"),
        (("setup", "--simulated", "--yes", "--inputs", "1,1"), "no list of channels"),
        (("setup", "--simulated", "--yes", "--inputs", "one"), "no number"),
        (("setup", "--simulated", "--yes", "--pilot", "3"), "no pair"),
        (("use", "van"), "no rig 'van'"),
        (("show", "--rig", "van"), "no rig 'van'"),
    ],
)
def test_what_cannot_be_is_said_in_one_sentence(call, prepared, arguments, says):
    outcome = call("rig", *arguments, "--folder", prepared)
    assert (outcome.code, outcome.out) == (2, "")
    assert says in " ".join(outcome.err.split())


def test_figures_are_kept_for_when_the_gain_is_back(call, tmp_path):
    here = ("--folder", tmp_path / "b")
    call("rig", "setup", "--simulated", "--yes", "--gain", "low", *here)
    call("rig", "calibrate", "--yes", *here)
    moved = call("rig", "setup", "--simulated", "--yes", "--gain", "noon", *here).out
    moved = " ".join(moved.split())
    assert "not used: the rig's calibration was made with the gain at 'low'" in moved
    back = call("rig", "setup", "--simulated", "--yes", "--gain", "low", *here).out
    assert "not used" not in back
    other = call("rig", "setup", "--simulated", "--yes", "--inputs", "1", *here).out
    assert "none yet ('sigbench rig calibrate')" in other


def test_a_simulated_rig_takes_no_real_ones_place(call, tmp_path, devices):
    here = ("--folder", tmp_path / "b")
    call("rig", "setup", "--device", "usb", "--yes", "--exclusive", *here)
    call("rig", "setup", "--simulated", "--yes", *here)
    assert rig_in_use(tmp_path / "b").name == "simulated"
    call("rig", "use", "bench", *here)
    assert rig_in_use(tmp_path / "b").device == "USB line"
    # Giving one thing alone leaves the rest as it was.
    call("rig", "setup", "--gain", "noon", "--yes", *here)
    assert rig_in_use(tmp_path / "b").exclusive
    call("rig", "setup", "--shared", "--yes", *here)
    assert not rig_in_use(tmp_path / "b").exclusive


def test_what_was_measured_of_another_rig_of_the_name_is_kept(call, tmp_path, devices):
    here = ("--folder", tmp_path / "b", "--name", "mine")
    call("rig", "setup", "--simulated", "--yes", *here)
    call("rig", "calibrate", "--yes", *here[:2])
    before = rig_in_use(tmp_path / "b").calibration
    outcome = call("rig", "setup", "--device", "usb", "--yes", *here)
    assert outcome.code == 0, outcome.err
    assert "is kept as 'mine of" in " ".join(outcome.err.split())
    assert rig_in_use(tmp_path / "b").calibration is None
    kept = next(rig for name, rig in rigs(tmp_path / "b").items() if name.startswith("mine of"))
    assert kept.calibration == before


def test_no_unit_is_measured_with_a_simulated_rig(call, tmp_path):
    here = ("--folder", tmp_path / "b")
    call("rig", "setup", "--simulated", "--yes", *here)
    call("unit", "add", "--maker", "Own", "--model", "Duo", "--serial", "7", *here)
    outcome = call("run", "7", "--stage", "as received", "--yes", "--step", 2, *here)
    assert (outcome.code, outcome.out) == (2, "")
    assert "hears no instrument" in outcome.err
    outcome = call("record", "--check", "idle", "--seconds", 0.5, *here)
    assert outcome.code == 0
    assert "hears no instrument" in outcome.err


def test_before_there_is_a_rig(call, tmp_path):
    call("bench", "create", "--folder", tmp_path / "b")
    outcome = call("rig", "test", "--yes", "--folder", tmp_path / "b")
    assert outcome.code == 2
    assert "sigbench rig setup" in outcome.err


DEVICES = (
    Device(0, "Built-in", "ALSA", 2, 2, 48_000),
    Device(4, "USB line", "ALSA", 4, 4, 96_000),
    Device(5, "Loud speaker", "ALSA", 0, 2, 44_100),
)


@pytest.fixture
def devices(monkeypatch):
    monkeypatch.setattr("sigbench.interface.portaudio.list_devices", lambda: DEVICES)
    opened = []

    def open_rig(setup, **_):
        opened.append(setup)
        return LoopbackInterface(samplerate=setup.samplerate, channels=len(setup.inputs))

    monkeypatch.setattr("sigbench.rig.choose.open_rig", open_rig)
    return opened


def test_the_wizard_asks_for_what_is_not_given(call, tmp_path, monkeypatch, devices):
    typed(monkeypatch, "nothing like it", "usb", "", "at noon")
    outcome = call("rig", "setup", "--folder", tmp_path / "b")
    assert outcome.code == 0, outcome.err
    assert "[4] USB line (ALSA): 4 in, 4 out" in outcome.err
    assert "Caution:" in outcome.err
    chosen = rig_in_use(tmp_path / "b")
    assert (chosen.device, chosen.host, chosen.samplerate) == ("USB line", "ALSA", 96_000)
    assert (chosen.inputs, chosen.outputs, chosen.gain) == ((1, 2), (1, 2), "at noon")
    assert devices == [chosen] or devices[0].device == "USB line"


def test_one_thing_can_be_changed_later(call, tmp_path, monkeypatch, devices):
    here = ("--folder", tmp_path / "b")
    options = ("--device", "usb", "--rate", 48_000, "--gain", "noon", "--yes")
    assert call("rig", "setup", *options, *here).code == 0
    assert call("rig", "setup", "--inputs", "3,4", "--pilot", "4:1", "--yes", *here).code == 0
    chosen = rig_in_use(tmp_path / "b")
    assert (chosen.inputs, chosen.pilot, chosen.gain) == ((3, 4), (4, 1), "noon")
    assert chosen.samplerate == 48_000


def test_a_device_without_outputs_says_what_it_cannot_do(call, tmp_path, monkeypatch, devices):
    monkeypatch.setattr(
        "sigbench.interface.portaudio.list_devices",
        lambda: (Device(0, "Line in", "ALSA", 2, 0, 48_000), DEVICES[2]),
    )
    here = ("--folder", tmp_path / "b")
    outcome = call("rig", "setup", "--device", "line", "--yes", *here)
    assert outcome.code == 0
    assert "--play-device" in outcome.err
    assert rig_in_use(tmp_path / "b").outputs == ()
    assert "no outputs" in call("rig", "test", "--yes", *here).err
    both = ("--device", "line", "--play-device", "speaker", "--outputs", "1,2", "--yes")
    assert call("rig", "setup", *both, *here).code == 0
    assert rig_in_use(tmp_path / "b").play_device == "Loud speaker"


def test_without_a_device_yes_says_so(call, tmp_path, devices):
    outcome = call("rig", "setup", "--yes", "--folder", tmp_path / "b")
    assert outcome.code == 2
    assert "--device" in outcome.err


def test_a_device_that_is_not_there_is_exit_3(call, tmp_path, devices):
    outcome = call("rig", "setup", "--device", "gone", "--yes", "--folder", tmp_path / "b")
    assert outcome.code == DeviceNotFound.exit_code
    assert "No input matches 'gone'" in outcome.err


def test_calibration_by_typing(call, tmp_path, monkeypatch):
    here = ("--folder", tmp_path / "b")
    rig = LoopbackInterface(paced=True)
    monkeypatch.setattr("sigbench.cli.rig_asking.TONE_SECONDS", 0.5)
    monkeypatch.setattr("sigbench.rig.choose.open_rig", lambda setup, **_: rig)
    monkeypatch.setattr("sigbench.interface.loopback.LoopbackInterface", type("Other", (), {}))
    monkeypatch.setattr("sigbench.interface.portaudio.list_devices", lambda: DEVICES)
    call("rig", "setup", "--device", "usb", "--rate", 48_000, "--yes", *here)
    # Enter starts the tone, what the meter shows; both outputs; the cables are in.
    typed(monkeypatch, "lots", "1.0%+3", "", "", "1.545", "", "1,531", "")
    outcome = call("rig", "calibrate", *here)
    assert outcome.code == 0, outcome.err
    assert "one lead on the tip, one on the sleeve" in " ".join(outcome.err.split())
    made = rig_in_use(tmp_path / "b").calibration
    # 1.545 V is 6.00 dBu, of a tone at -12 dBFS.
    assert made.outputs[0].dbu == pytest.approx(18.0 - 0.085, abs=0.01)
    assert made.meter.digits == 3


def test_the_limits_are_those_of_the_parts(prepared):
    readings = rig_in_use(prepared).limits.readings
    (noise,) = readings_named(readings, "noise_rms", channel=1)
    assert noise.value == pytest.approx(-109.9, abs=0.3)
