"""``sigbench record``: one take, measured at once, from the simulated unit and a real stream."""

import json
import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile

from sigbench import checks
from sigbench.bench.folder import Bench
from sigbench.bench.wave import written
from sigbench.errors import DeviceNotFound
from sigbench.interface.base import Block
from sigbench.model import LostBuffers
from tests.bench.sounding import Sounding, samples_at
from tests.interface.conftest import (  # noqa: F401
    SoundServer,
    doomed_sound_server,
    sound_server,
)
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
            "sigbench.rig.choose.open_interface", lambda found=interface, **_: found
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
        (("--check", "pot", "--taper", "audio:"), "is no taper"),
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

    monkeypatch.setattr("sigbench.rig.choose.open_interface", none)
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


@pytest.mark.real_time
def test_a_real_stream_measures_what_was_played(sound_server: SoundServer):  # noqa: F811
    command = [sys.executable, "-m", "sigbench", "record", "--check", "tone", "--play", "sine-997"]
    for _ in range(8):  # a busy machine may lose audio, and says so
        done = subprocess.run(
            [
                *command,
                *("--frequency", "997", "--seconds", "2"),  # at -140 dB of noise that is plenty
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
        pytest.fail("eight takes in a row lost audio")
    assert found["source"]["kind"] == "interface"

    def values(name, unit):
        return [r["value"] for r in found["readings"] if (r["name"], r["unit"]) == (name, unit)]

    assert values("tone_level", "dBFS") == pytest.approx([PEAK_DBFS] * 2, abs=0.01)
    assert values("balance", "dB") == pytest.approx([0.0], abs=0.01)
    assert values("frequency", "Hz") == pytest.approx([997.0] * 2, abs=1e-4)
    # The null sink carries 32-bit floating point: 24 bits of mantissa round at about -150 dB.
    assert max(values("thd_n", "dB")) < -140.0


@pytest.mark.real_time
def test_a_sound_server_killed_in_mid_take_leaves_the_take(
    doomed_sound_server: SoundServer,  # noqa: F811
    tmp_path,
):
    place = tmp_path / "take.w64"
    options = ("--check", "dropouts", "--seconds", "60", "--device", "bench", "--save", str(place))
    with subprocess.Popen(
        [sys.executable, "-m", "sigbench", "record", *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=doomed_sound_server.environment,
    ) as program:
        while not place.exists() or place.stat().st_size < 1000 or written(place).frames < 48_000:
            assert program.poll() is None
            time.sleep(0.01)
        there = written(place).frames
        doomed_sound_server.process.kill()
        out, err = program.communicate(timeout=60)
    assert (program.returncode, out) == (3, b"")
    assert f"is in {place}\n".encode() in err
    assert err.splitlines()[-1].startswith(b"sigbench: ")
    assert soundfile.info(place).frames >= there


# Long takes


@pytest.fixture
def short_memory(monkeypatch):
    """What is longer than a twentieth of a second is long."""
    monkeypatch.setattr(checks, "IN_MEMORY_SAMPLES", 2000)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    place = tmp_path / "my bench"
    monkeypatch.setenv("SIGBENCH_FOLDER", str(place))
    return place


@pytest.fixture
def plug(monkeypatch):
    def plugged(interface):
        monkeypatch.setattr("sigbench.rig.choose.open_interface", lambda **_: interface)

    return plugged


@pytest.mark.parametrize("name", ["night.w64", "night.wav"])
def test_a_long_take_goes_to_its_file_as_it_comes(call, plug, short_memory, tmp_path, name):
    plug(Sounding())
    place = tmp_path / name
    options = ("--check", "dropouts", "--seconds", 2, "--save", place, "--json")
    outcome = call("record", *options)
    assert (outcome.code, outcome.err) == (0, "")
    assert np.array_equal(soundfile.read(place)[0], samples_at(0, 96_000, 2, 24))
    found = json.loads(outcome.out)
    assert (found["source"]["kind"], found["source"]["frames"]) == ("simulated", 96_000)
    again = call("measure", place, "--check", "dropouts", "--json")
    assert again.code == 0
    assert json.loads(again.out)["readings"][0] == found["readings"][0]


def test_a_long_take_that_is_not_kept_is_on_the_bench_until_it_is_measured(
    call, plug, short_memory, folder
):
    plug(Sounding())
    options = ("record", "--check", "dropouts", "--seconds", 2)
    outcome = call(*options)
    assert (outcome.code, outcome.out) == (2, "")
    assert "There is no bench folder" in outcome.err
    assert "or to the file of --save" in outcome.err
    Bench.create(folder).close()
    outcome = call(*options)
    assert (outcome.code, outcome.err) == (0, "")
    assert list(folder.glob("recordings/*")) == []
    assert not (folder / "takes").exists()


def test_a_device_that_is_gone_leaves_the_file(call, plug, tmp_path):
    plug(Sounding(fails_at=1.5))
    place = tmp_path / "a.wav"
    outcome = call("record", "--check", "idle", "--save", place)
    assert (outcome.code, outcome.out) == (3, "")
    assert outcome.err == (
        f"What was recorded until then, 1.5 s, is in {place}\n"
        "sigbench: The cable is out: plug it in and record again.\n"
    )
    assert np.array_equal(soundfile.read(place)[0], samples_at(0, 72_000, 2, 24))


def test_a_device_that_is_gone_leaves_the_recording(call, plug, short_memory, folder):
    Bench.create(folder).close()
    plug(Sounding(fails_at=1.5))
    outcome = call("record", "--check", "dropouts", "--seconds", 2)
    assert (outcome.code, outcome.out) == (3, "")
    assert outcome.err == (
        "What was recorded until then, 1.5 s, is safe; keep or delete it with: "
        "sigbench bench recover\nsigbench: The cable is out: plug it in and record again.\n"
    )
    assert "1.5 s, begun" in call("unit", "list").err


def test_a_device_that_never_sounds_leaves_nothing(call, plug, tmp_path):
    plug(Sounding(fails_at=0.0))
    outcome = call("record", "--check", "idle", "--save", tmp_path / "a.wav")
    assert outcome.code == 3
    assert outcome.err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_lost_buffers_stand_beside_the_file_and_are_believed(call, plug, tmp_path):
    plug(Gapped(lost=(LostBuffers(48_000, 2400, 2400),)))
    place = tmp_path / "a.wav"
    saved = call("record", "--check", "dropouts", "--seconds", 3, "--save", place, "--json")
    assert saved.code == 0
    measured = call("measure", place, "--check", "dropouts", "--json")
    for outcome in (saved, measured):
        found = json.loads(outcome.out)
        assert [event["kind"] for event in found["events"]] == ["lost_buffers"]
        assert {r["value"] for r in found["readings"] if r["name"] == "dropouts"} == {0.0}
        assert found["source"]["lost_buffers"] == 1


class Gapped(Sounding):
    """A steady tone, with a hole where the computer says that it lost audio."""

    def stream(self, *, seconds, stimulus=None):
        for block in super().stream(seconds=seconds):
            t = (block.first_frame + np.arange(len(block.samples))) / 48_000
            tone = 0.3 * np.sin(2 * np.pi * 441 * t) * ~((t >= 1.0) & (t < 1.05))
            yield Block(np.column_stack([tone, tone]), block.first_frame, block.lost)


def test_beyond_4_gb_a_wav_file_becomes_w64_and_says_so(call, plug, tmp_path, monkeypatch):
    plug(Sounding())
    monkeypatch.setattr("sigbench.bench.wave.WAV_LIMIT_BYTES", 100_000)
    options = ("--check", "dropouts", "--seconds", 2, "--json")
    outcome = call("record", *options, "--save", tmp_path / "night.wav")
    assert outcome.code == 0
    assert outcome.err == (
        "Note: a WAV file ends at 4 GB, which 2 s would go beyond: the take is kept as "
        f"{tmp_path / 'night.w64'}\n"
    )
    assert soundfile.info(tmp_path / "night.w64").format == "W64"
    assert list(tmp_path.iterdir()) == [tmp_path / "night.w64"]


def test_hours_of_another_check_are_refused_before_they_are_recorded(call, tmp_path):
    place = tmp_path / "a.w64"
    options = ("--check", "idle", "--seconds", 7200, "--save", place)
    outcome = call("record", "--simulated", "repaired", *options)
    assert (outcome.code, outcome.out) == (2, "")
    assert "is measured up to 12 min, and this one is 120 min long" in outcome.err
    assert not place.exists()


def test_a_disk_without_room_is_said_before_anything_is_recorded(call, tmp_path, monkeypatch):
    monkeypatch.setattr("sigbench.bench.recording.free_bytes", lambda _: 1_000_000_000)
    place = tmp_path / "a.w64"
    options = ("--check", "dropouts", "--seconds", 43_200, "--save", place)
    outcome = call("record", "--simulated", "repaired", *options)
    assert (outcome.code, outcome.out) == (2, "")
    assert "A take of 12 h 0 min needs 16.6 GB" in outcome.err
    assert "34 min 43 s would fit" in outcome.err
    assert not place.exists()
