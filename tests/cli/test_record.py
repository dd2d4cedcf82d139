"""``sigbench record``: one take, measured at once, from the simulated unit and a real stream."""

import json
import subprocess
import sys

import pytest
import soundfile

from sigbench.errors import DeviceNotFound
from tests.interface.conftest import SoundServer, sound_server  # noqa: F401
from tests.short_plan import Flawed


def test_the_simulated_unit_gives_one_object(call):
    outcome = call(
        *("record", "--simulated", "as-received", "--check", "tone", "--note", "A2"),
        *("--seconds", 1, "--json"),
    )
    assert (outcome.code, outcome.err) == (0, "")
    assert outcome.out.count("\n") == 1
    found = json.loads(outcome.out)
    assert found["source"]["kind"] == "simulated"
    assert found["source"]["frames"] == 48_000
    (pitch,) = (r for r in found["readings"] if (r["name"], r["channel"]) == ("frequency", 2))
    assert pitch["value"] == pytest.approx(110.0, abs=0.1)


def test_a_take_can_be_kept_as_it_came(call, tmp_path):
    place = tmp_path / "idle take.wav"
    options = ("--simulated", "repaired", "--check", "idle", "--seconds", 0.5, "--channels", 1)
    assert call("record", *options, "--save", place).code == 0
    samples, rate = soundfile.read(place, always_2d=True)
    assert (samples.shape, rate) == ((24_000, 1), 48_000)
    kept = place.read_bytes()
    outcome = call("record", *options, "--save", place)
    assert (outcome.code, outcome.out) == (2, "")
    assert "is there already" in outcome.err
    assert place.read_bytes() == kept
    assert "There is no folder" in call("record", *options, "--save", tmp_path / "no" / "x.wav").err


def test_lost_and_clipped_audio_is_said_in_words(call, monkeypatch):
    for interface, says in (
        (Flawed(lossy=(0,)), "The computer lost audio once"),
        (Flawed(clipped=(0,)), "overloaded"),
    ):
        monkeypatch.setattr(
            "sigbench.cli.interfaces.open_interface", lambda found=interface, **_: found
        )
        outcome = call("record", "--check", "tone", "--note", "A4", "--seconds", 0.5, "--json")
        assert outcome.code == 0
        assert says in outcome.err
        states = {r["state"] for r in json.loads(outcome.out)["readings"] if r["name"] == "thd_n"}
        assert states == {"invalid"}


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--check", "rails"), "choose one of"),
        (("--check", "tone", "--note", "H4"), "is no note name"),
        (("--check", "tone", "--seconds", 0), "give a length above 0 s"),
        (("--check", "tone", "--seconds", "nan"), "give a length above 0 s"),
        (("--check", "tone", "--play", "sine-1"), "sine-997"),
        (("--check", "tone", "--channels", 3), "records 2"),
        (("--check", "tone", "--channels", 0), "give 1 or more"),
        (("--check", "tone", "--rate", 0), "does not run at 0 Hz"),
    ],
)
def test_a_wrong_request_gets_one_sentence(call, arguments, says):
    outcome = call("record", "--simulated", "repaired", *arguments)
    assert (outcome.code, outcome.out) == (2, "")
    assert says in outcome.err
    assert outcome.err.count("\n") == 1


def test_a_device_that_is_not_there_ends_with_3(call, monkeypatch):
    def none(**_):
        raise DeviceNotFound("This computer has no audio input: plug the interface in.")

    monkeypatch.setattr("sigbench.cli.interfaces.open_interface", none)
    outcome = call("record", "--check", "tone")
    assert (outcome.code, outcome.out) == (3, "")
    assert outcome.err == "sigbench: This computer has no audio input: plug the interface in.\n"


def test_without_portaudio_it_is_one_sentence(program, tmp_path):
    # A sounddevice that fails as the real one does where the library is missing.
    (tmp_path / "sounddevice.py").write_text("raise OSError('PortAudio library not found')\n")
    done = program("record", "--check", "tone", PYTHONPATH=str(tmp_path))
    assert (done.returncode, done.stdout) == (3, b"")
    assert done.stderr.count(b"\n") == 1
    assert b"PortAudio" in done.stderr


PEAK_DBFS = -12.0  # of the stimulus sine-997


def test_a_real_stream_measures_what_was_played(sound_server: SoundServer):  # noqa: F811
    command = [sys.executable, "-m", "sigbench", "record", "--check", "tone", "--play", "sine-997"]
    for _ in range(3):  # a busy machine may lose audio, and says so
        done = subprocess.run(
            [
                *command,
                "--frequency",
                "997",
                "--device",
                "bench",
                "--play-device",
                "bench",
                "--json",
            ],
            capture_output=True,
            env=sound_server.environment,
            timeout=120,
            check=False,
        )
        assert done.returncode == 0, done.stderr.decode()
        found = json.loads(done.stdout)
        if found["source"]["lost_buffers"] == 0:
            break
    else:
        pytest.fail("three takes in a row lost audio")
    assert found["source"]["kind"] == "interface"

    def values(name, unit):
        return [r["value"] for r in found["readings"] if (r["name"], r["unit"]) == (name, unit)]

    assert values("tone_level", "dBFS") == pytest.approx([PEAK_DBFS] * 2, abs=0.01)
    assert values("balance", "dB") == pytest.approx([0.0], abs=0.01)
    assert values("frequency", "Hz") == pytest.approx([997.0] * 2, abs=1e-4)
    # The null sink carries 32-bit floating point: 24 bits of mantissa round at about -150 dB.
    assert max(values("thd_n", "dB")) < -140.0
