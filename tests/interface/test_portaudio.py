"""Real PortAudio streams, in processes of their own: PortAudio looks for its server only once."""

import json
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from sigbench.errors import CaptureFailed, DeviceNotFound, InterfaceError, RequestError
from sigbench.interface import portaudio
from sigbench.interface.base import capture
from sigbench.interface.portaudio import PortAudioInterface, open_setup
from sigbench.model import LostBuffers, RigSetup

from .conftest import SoundServer
from .sound_system import SoundSystem

RATE = 48_000
TONE_HZ = 997.0  # AES17


def run_with(server: SoundServer, script: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [sys.executable, "-c", script, *arguments],
        env=server.environment,
        capture_output=True,
        text=True,
        timeout=120,
    )
    if "PortAudio is missing" in done.stderr:
        pytest.skip("NO PORTAUDIO, real streams untested: apt-get install libportaudio2")
    return done


def test_without_portaudio_one_sentence_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def no_library(name: str, *_: object) -> None:
        if name == "sounddevice":
            raise OSError("PortAudio library not found")
        raise AssertionError(name)

    monkeypatch.setattr("builtins.__import__", no_library)
    with pytest.raises(InterfaceError) as caught:
        portaudio.list_devices()
    monkeypatch.undo()
    for word in ("libportaudio2", "Fedora", "Windows", "macOS"):
        assert word in str(caught.value)


def test_an_error_of_portaudio_becomes_one_of_ours(monkeypatch: pytest.MonkeyPatch) -> None:
    class PortAudioError(Exception):
        pass

    def fail() -> None:
        raise PortAudioError("Device unavailable", -9985)

    fake = SimpleNamespace(
        PortAudioError=PortAudioError,
        query_hostapis=fail,
        _terminate=lambda: None,
        _initialize=lambda: None,
    )
    monkeypatch.setitem(sys.modules, "sounddevice", fake)
    with pytest.raises(CaptureFailed, match=r"failed \(Device unavailable\): check") as caught:
        portaudio.list_devices()
    assert isinstance(caught.value.__cause__, PortAudioError)


def test_blocks_that_find_the_queue_full_are_counted() -> None:
    received: portaudio.queue.Queue[portaudio._Received | None] = portaudio.queue.Queue(1)
    deliver = portaudio._delivery(received)
    block = np.zeros((64, 2), dtype=np.float32)
    deliver(block, False)
    deliver(block, True)
    deliver(block, False)
    first = received.get()
    assert first is not None
    assert first.losses_at(0) == ()
    deliver(block, False)
    second = received.get()
    assert second is not None
    assert second.losses_at(64) == (LostBuffers(64, 128), LostBuffers(64))
    deliver(block, False)
    third = received.get()
    assert third is not None
    assert third.losses_at(128) == ()


def seconds_until_over(patience: portaudio._Patience, begun: float, late: float = 0.0) -> float:
    now = begun
    while not patience.over:
        now += portaudio.GLANCE_SECONDS + late
        patience.nothing_came(now, late=late)
    return now - begun


def test_a_device_is_waited_for_less_long_than_a_busy_computer() -> None:
    usual, starved = portaudio.STALL_SECONDS, portaudio.STARVED_STALL_SECONDS
    patience = portaudio._Patience()
    assert seconds_until_over(patience, 0.0) == pytest.approx(portaudio.START_SECONDS, abs=0.02)
    patience.audio_came()
    assert seconds_until_over(patience, 5.0) == pytest.approx(usual, abs=0.02)
    # One late look, and nothing is said until looks have been in time for a while.
    patience.audio_came()
    patience.nothing_came(10.0, late=0.03)
    assert seconds_until_over(patience, 10.0) == pytest.approx(3.0, abs=0.03)
    # It is remembered while audio comes, and forgotten.
    patience.audio_came()
    patience.nothing_came(20.0, late=0.03)
    patience.audio_came()
    assert seconds_until_over(patience, 21.0) == pytest.approx(2.0, abs=0.03)
    patience.audio_came()
    assert seconds_until_over(patience, 30.0) == pytest.approx(usual, abs=0.02)
    # An end there is in any case.
    patience.audio_came()
    assert seconds_until_over(patience, 50.0, late=0.05) == pytest.approx(starved, abs=0.1)


def test_a_computer_that_was_asleep_has_not_lost_its_device() -> None:
    patience = portaudio._Patience()
    patience.audio_came()
    patience.nothing_came(0.01, late=0.0)
    patience.nothing_came(3600.0, late=3599.98)
    assert not patience.over


def computer(monkeypatch: pytest.MonkeyPatch, *devices: tuple[str, str, int, int]) -> SoundSystem:
    system = SoundSystem(*devices)
    monkeypatch.setitem(sys.modules, "sounddevice", system)
    return system


ALSA_BOX = ("Box (hw:1,0)", "ALSA", 8, 8)


def test_inputs_are_picked_in_the_order_that_was_given(monkeypatch: pytest.MonkeyPatch) -> None:
    system = computer(monkeypatch, ALSA_BOX)
    take = capture(PortAudioInterface("box", inputs=(5, 2, 3)), seconds=0.1)
    assert take.samples[-1].tolist() == [5 / 64, 2 / 64, 3 / 64]
    assert system.opened[0]["channels"] == 5
    take = capture(PortAudioInterface("box", channels=2), seconds=0.1)
    assert take.samples[0].tolist() == [1 / 64, 2 / 64]
    assert system.opened[1]["channels"] == 2


def test_a_device_that_opens_only_as_a_whole_is_opened_so(monkeypatch: pytest.MonkeyPatch) -> None:
    system = computer(monkeypatch, ALSA_BOX)
    system.whole = True
    interface = PortAudioInterface("box", inputs=(2,), outputs=(3,))
    take = capture(interface, seconds=0.1, stimulus=np.full(4800, 0.5))
    assert take.samples[0].tolist() == [2 / 64]
    assert [one["channels"] for one in system.opened] == [8, 8]
    assert system.played[0][0].tolist() == [0, 0, 0.5, 0, 0, 0, 0, 0]


def test_columns_go_to_their_outputs_and_the_background_never_ends(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    system = computer(monkeypatch, ALSA_BOX)
    interface = PortAudioInterface("box", inputs=(1,), outputs=(4, 2, 6))
    stimulus = np.column_stack((np.full(700, 0.25), np.full(700, 0.5)))
    background = np.column_stack((np.zeros(7), np.zeros(7), np.arange(7) / 8))
    with closing(interface.stream(seconds=None, stimulus=stimulus, background=background)) as taken:
        while len(system.played) < 10:
            next(taken)
    played = np.concatenate(system.played)
    assert played.shape[1] == 6
    assert not np.any(played[:, [0, 2, 4]])
    assert np.all(played[:700, 3] == 0.25)
    assert np.all(played[:700, 1] == 0.5)
    assert not np.any(played[700:, [1, 3]])
    assert np.array_equal(played[:, 5], (np.arange(len(played)) % 7 / 8).astype(np.float32))


def test_without_outputs_named_a_tone_goes_to_the_first_two(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    system = computer(monkeypatch, ALSA_BOX)
    capture(PortAudioInterface("box"), seconds=0.1, stimulus=np.full(4800, 0.5))
    capture(PortAudioInterface("box"), seconds=0.1, stimulus=np.full((4800, 5), 0.5))
    assert [one["channels"] for one in system.opened] == [2, 2, 2, 5]
    assert system.played[0][0].tolist() == [0.5, 0.5]


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ({"inputs": (1, 9)}, "has inputs 1 to 8, not 9"),
        ({"inputs": (0,)}, "has inputs 1 to 8, not 0"),
        ({"inputs": ()}, "0 inputs cannot be used at once"),
        ({"inputs": (2, 1, 2)}, "Input 2 is named twice"),
        ({"outputs": (3, 12)}, "has outputs 1 to 8, not 12"),
        ({"outputs": tuple(range(1, 34))}, "33 outputs cannot be used at once: choose 1 to 32"),
    ],
)
def test_channels_that_are_not_there_are_refused(
    monkeypatch: pytest.MonkeyPatch, settings: dict[str, tuple[int, ...]], says: str
) -> None:
    computer(monkeypatch, ALSA_BOX)
    with pytest.raises(RequestError, match=says):
        PortAudioInterface("box", **settings)  # type: ignore[arg-type]


def test_a_rig_without_outputs_plays_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    computer(monkeypatch, ALSA_BOX)
    interface = PortAudioInterface("box", outputs=())
    with pytest.raises(RequestError, match="no audio output to play on"):
        capture(interface, seconds=0.1, stimulus=np.zeros(10))


WASAPI, MAC = "Windows WASAPI", "Core Audio"
COREAUDIO_ALONE = {"change_device_parameters": True, "fail_if_conversion_required": True}


@pytest.mark.parametrize(
    ("name", "host", "expected"),
    [
        ("Line (Box)", WASAPI, ("wasapi", {"exclusive": True})),
        ("Box", MAC, ("core audio", COREAUDIO_ALONE)),
        ("Box", "ASIO", None),
        ("Box", "Windows WDM-KS", None),
        ("Box: USB (hw:2,0)", "ALSA", None),
    ],
)
def test_exclusive_mode_as_each_sound_system_has_it(
    monkeypatch: pytest.MonkeyPatch, name: str, host: str, expected: object
) -> None:
    system = computer(monkeypatch, (name, host, 2, 2))
    for exclusive in (True, False):
        system.opened.clear()
        system.checked.clear()
        interface = PortAudioInterface("box", exclusive=exclusive)
        capture(interface, seconds=0.1, stimulus=np.zeros(100))
        asked = [one["extra_settings"] for one in system.opened + system.checked]
        assert len(asked) == 4  # both directions, and a check of each
        assert all(one == (expected if exclusive else None) for one in asked)


@pytest.mark.parametrize(
    ("name", "host", "says"),
    [
        ("Box via mixer", "ALSA", r"cannot be had exclusively: choose a device with 'hw:'"),
        ("Box", "MME", "'MME' shares Box with other programs"),
        ("Box", "Windows DirectSound", "no exclusive mode"),
        ("Box", "JACK Audio Connection Kit", "no exclusive mode"),
    ],
)
def test_where_there_is_no_exclusive_mode_that_is_said(
    monkeypatch: pytest.MonkeyPatch, name: str, host: str, says: str
) -> None:
    system = computer(monkeypatch, (name, host, 2, 2))
    with pytest.raises(RequestError, match=says):
        PortAudioInterface("box", exclusive=True)
    assert PortAudioInterface("box").device == name
    assert system.opened == []


@pytest.mark.parametrize("rate", portaudio.USUAL_RATES)
def test_a_rate_that_is_refused_is_said_with_those_that_are_not(
    monkeypatch: pytest.MonkeyPatch, rate: int
) -> None:
    system = computer(monkeypatch, ALSA_BOX)
    assert PortAudioInterface("box", samplerate=rate).samplerate == rate
    system.rates = set(portaudio.USUAL_RATES) - {rate}
    with pytest.raises(RequestError, match=f"does not run at {rate} Hz: choose") as caught:
        PortAudioInterface("box", samplerate=rate)
    offered = str(caught.value).partition("choose")[2]
    assert all(str(one) in offered for one in system.rates)
    assert str(rate) not in offered


def test_a_rate_that_windows_has_set_is_said_with_what_to_do(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    system = computer(monkeypatch, ("Line (Box)", WASAPI, 2, 2))
    system.rates = {48_000}
    with pytest.raises(RequestError, match="choose 48000 Hz, set the rate in the sound settings"):
        PortAudioInterface("box", samplerate=96_000)
    with pytest.raises(RequestError, match=r"run exclusively at 96000 Hz: choose 48000 Hz\."):
        PortAudioInterface("box", samplerate=96_000, exclusive=True)
    system.rates = set()
    with pytest.raises(RequestError, match="no usual rate is possible"):
        PortAudioInterface("box", samplerate=96_000, exclusive=True)


def test_a_device_that_runs_at_another_rate_than_it_said_is_not_measured(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    system = computer(monkeypatch, ALSA_BOX)
    interface = PortAudioInterface("box", samplerate=48_000)
    system.runs_at = 47_999.7  # a crystal
    assert capture(interface, seconds=0.1).frames == 4800
    system.runs_at = 44_100.0
    with pytest.raises(CaptureFailed, match="runs at 44100 Hz instead of 48000 Hz"):
        capture(interface, seconds=0.1)
    assert not any(one["stream"].running for one in system.opened)


def test_what_is_plugged_in_later_is_seen_unless_a_stream_is_open(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    codec, box = ("Codec (hw:0,0)", "ALSA", 2, 2), ("Box (hw:1,0)", "ALSA", 4, 4)
    system = computer(monkeypatch, codec)
    with pytest.raises(DeviceNotFound):
        PortAudioInterface("box")
    built_in = PortAudioInterface("codec")
    with closing(built_in.stream(seconds=None)) as running:
        next(running)
        system.plugged = (box, codec)
        assert len(portaudio.list_devices()) == 1
        next(running)
    assert PortAudioInterface("box").device == box[0]
    # The numbers have changed since this one was made.
    capture(built_in, seconds=0.1)
    assert system.opened[-1]["device"] == 1
    system.plugged = (box,)
    portaudio.list_devices()
    with pytest.raises(DeviceNotFound, match=r"'Codec \(hw:0,0\)' \(ALSA\) is not there"):
        capture(built_in, seconds=0.1)


SETUP = RigSetup(
    name="bench",
    device="Line (Box)",
    host=WASAPI,
    samplerate=96_000,
    inputs=(3, 4),
    outputs=(1, 2),
    exclusive=True,
)


def test_a_rig_is_opened_as_it_is_remembered(monkeypatch: pytest.MonkeyPatch) -> None:
    system = computer(
        monkeypatch,
        ("Line (Box)", "MME", 2, 0),
        ("Speakers (Box)", WASAPI, 0, 4),
        ("Line (Box)", WASAPI, 0, 4),
        ("Line (Box)", WASAPI, 6, 0),
    )
    interface = open_setup(SETUP, extra_output=4, extra_input=6)
    assert (interface.device, interface.inputs, interface.outputs) == (
        "Line (Box)",
        (3, 4, 6),
        (1, 2, 4),
    )
    assert (interface.channels, interface.samplerate) == (3, 96_000)
    capture(interface, seconds=0.01, stimulus=np.zeros(10))
    assert [one["device"] for one in system.opened] == [3, 2]
    assert all(one["samplerate"] == 96_000 for one in system.opened)
    assert all(one["extra_settings"] == ("wasapi", {"exclusive": True}) for one in system.opened)

    assert interface.remarks == ()

    apart = replace(SETUP, play_device="Speakers (Box)", play_host=WASAPI)
    capture(open_setup(apart), seconds=0.01, stimulus=np.zeros(10))
    assert system.opened[-1]["device"] == 1

    # A rig that only listens needs no output to be there.
    listens = open_setup(replace(SETUP, outputs=(), play_device="gone"))
    assert capture(listens, seconds=0.01).samples[0].tolist() == [3 / 64, 4 / 64]

    moved = open_setup(replace(SETUP, device="Line (4- Box)"))
    assert moved.device == "Line (Box)"
    assert moved.remarks == (
        "The input 'Line (4- Box)' (Windows WASAPI) is called 'Line (Box)' now, and is used.",
    )

    system.plugged = system.plugged[:3]
    with pytest.raises(DeviceNotFound, match="there under 'MME' and no longer under 'Windows W"):
        open_setup(SETUP)


PLAY_AND_RECORD = """
import json, sys
import numpy as np
from sigbench.interface.base import capture, level_check
from sigbench.interface.portaudio import PortAudioInterface

interface = PortAudioInterface("bench", samplerate=48000, channels=2)
time = np.arange(48000 * 4) / 48000
tone = 10 ** (-6.02 / 20) * np.sin(2 * np.pi * 997 * time)
take = capture(interface, seconds=2, stimulus=np.column_stack((tone, tone / 10 ** (6.02 / 20))),
               settle=0.7)
np.save(sys.argv[1], take.samples)
levels = level_check(interface, seconds=0.2)
print(json.dumps({
    "device": interface.device, "kind": take.source.kind, "lost": take.source.lost_buffers,
    "frames": take.source.frames, "advice": [c.advice for c in levels.channels],
}))
"""


def residual_and_level(signal: np.ndarray) -> tuple[float, float]:
    """Level and residual, dB re a full-scale sine, after a three-parameter sine fit (IEEE 1057)."""
    phase = 2 * np.pi * TONE_HZ * np.arange(len(signal)) / RATE
    model = np.column_stack((np.cos(phase), np.sin(phase), np.ones_like(phase)))
    fit = np.linalg.lstsq(model, signal, rcond=None)[0]
    residual = np.sqrt(2 * np.mean((signal - model @ fit) ** 2))
    return 20 * np.log10(residual), 20 * np.log10(np.hypot(fit[0], fit[1]))


@pytest.mark.real_time
def test_a_tone_played_and_recorded_comes_back_as_it_was(
    sound_server: SoundServer, tmp_path: Path
) -> None:
    path = tmp_path / "take.npy"
    # A machine busy with other tests may starve the server, which then drops audio where neither
    # PortAudio nor we can see it, or stops: a whole take is waited for, and nothing less will do.
    for _ in range(6):
        done = run_with(sound_server, PLAY_AND_RECORD, str(path))
        if "CaptureFailed" in done.stderr:
            continue
        assert done.returncode == 0, done.stderr
        told = json.loads(done.stdout)
        measured = [residual_and_level(channel) for channel in np.load(path).T]
        if told["lost"] == 0 and max(residual for residual, _ in measured) < -140:
            break
    assert done.returncode == 0, done.stderr
    assert told["device"] == "bench"
    assert told["kind"] == "interface"
    assert told["lost"] == 0
    assert told["frames"] == 2 * RATE
    assert all("not even noise" in advice for advice in told["advice"])
    for (residual, level), expected in zip(measured, (-6.02, -12.04), strict=True):
        assert residual < -140
        assert level == pytest.approx(expected, abs=0.01)


@pytest.mark.real_time
def test_devices_and_settings_of_a_real_server(sound_server: SoundServer) -> None:
    script = """
from sigbench.errors import SigbenchError
from sigbench.interface.portaudio import PortAudioInterface, list_devices
print([(d.name, d.host, d.inputs > 0, d.outputs > 0) for d in list_devices()])
for settings in ({"device": "no such"}, {"device": "bench", "channels": 1000},
                 {"device": "bench", "channels": 0}, {"device": "bench", "samplerate": 10**8}):
    try:
        PortAudioInterface(**settings)
    except SigbenchError as error:
        print(type(error).__name__, error)
"""
    done = run_with(sound_server, script)
    assert done.returncode == 0, done.stderr
    devices, missing, many, none, rate = done.stdout.splitlines()
    assert "('bench', 'ALSA', True, True)" in devices
    assert missing.startswith("DeviceNotFound No input matches 'no such'; inputs: ")
    assert "1000 inputs cannot be used at once: choose 1 to 32" in many
    assert none.startswith("RequestError")
    assert rate.startswith("RequestError")
    assert "does not run at 100000000 Hz" in rate


@pytest.mark.real_time
@pytest.mark.parametrize("stimulus", ["None", "np.zeros(480000)"])
def test_a_server_that_dies_in_mid_take_ends_the_take(
    doomed_sound_server: SoundServer, stimulus: str
) -> None:
    script = f"""
import os, sys
import numpy as np
from sigbench.errors import CaptureFailed
from sigbench.interface.base import capture
from sigbench.interface.portaudio import PortAudioInterface

def kill(block):
    if block.first_frame > 4800:
        try:
            os.kill({doomed_sound_server.process.pid}, 9)
        except ProcessLookupError:
            pass

try:
    capture(PortAudioInterface("bench"), seconds=10, stimulus={stimulus}, on_block=kill)
except CaptureFailed as error:
    print(error)
"""
    done = run_with(doomed_sound_server, script)
    assert done.returncode == 0, done.stderr
    assert "check" in done.stdout
    assert done.stdout.count("\n") == 1


@pytest.mark.real_time
def test_ctrl_c_leaves_the_device_closed(sound_server: SoundServer) -> None:
    script = """
import signal
import numpy as np
from sigbench.interface.base import capture
from sigbench.interface.portaudio import PortAudioInterface

interface = PortAudioInterface("bench")
try:
    capture(interface, seconds=60, on_block=lambda block: signal.raise_signal(signal.SIGINT))
except KeyboardInterrupt:
    print("interrupted")
print(capture(interface, seconds=0.2).frames)
"""
    done = run_with(sound_server, script)
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == ["interrupted", "9600"]


WIDE = """
import sys
import numpy as np
from sigbench.interface.base import capture
from sigbench.interface.portaudio import PortAudioInterface

rate = 192_000
interface = PortAudioInterface(
    "pulse", samplerate=rate, inputs=tuple(range(1, 33)), outputs=tuple(range(32, 0, -1))
)
steps = np.tile(np.arange(1, 33) / 64, (rate // 2, 1))
background = np.full((2, 32), 1 / 4)
blocks = interface.stream(seconds=1.5, stimulus=steps, background=background)
heard = []
for block in blocks:
    rows = np.round(block.samples * 64, 3)
    new = np.append(True, np.any(rows[1:] != rows[:-1], axis=1))
    heard.extend(rows[new].tolist())
np.save(sys.argv[1], np.unique(heard, axis=0))
"""


@pytest.mark.real_time
def test_32_channels_at_192_khz_through_a_real_server(
    sound_server: SoundServer, tmp_path: Path
) -> None:
    places = "front-left,front-right,rear-left,rear-right,front-center,lfe,side-left,side-right"
    aux = ",".join(f"aux{number}" for number in range(24))
    loaded = subprocess.run(
        [
            *("pactl", "load-module", "module-null-sink", "sink_name=wide", "rate=192000"),
            *("channels=32", "format=float32le", f"channel_map={places},{aux}"),
        ],
        env=sound_server.environment,
        capture_output=True,
        text=True,
        check=True,
    )
    environment = sound_server.environment | {"PULSE_SINK": "wide", "PULSE_SOURCE": "wide.monitor"}
    path = tmp_path / "heard.npy"
    keepers = [
        subprocess.Popen(
            [program, "--raw", "--latency-msec=20", device, file],
            env=environment,
            stderr=subprocess.DEVNULL,
        )
        for program, device, file in (
            ("pacat", "--device=wide", "/dev/zero"),
            ("parec", "--device=wide.monitor", "/dev/null"),
        )
    ]
    try:
        for _ in range(4):  # a busy machine may not get through to the sound in time
            done = run_with(SoundServer(sound_server.process, environment), WIDE, str(path))
            assert done.returncode == 0, done.stderr
            if len(heard := np.load(path)) == 3:
                break
    finally:
        for keeper in keepers:
            keeper.kill()
            keeper.wait()
        subprocess.run(
            ["pactl", "unload-module", loaded.stdout.strip()], env=sound_server.environment
        )
    # Silence, then each column at its output on top of the background, then the background alone.
    expected = [np.zeros(32), np.full(32, 16.0), np.arange(32, 0, -1) + 16.0]
    assert sorted(heard.tolist()) == sorted(row.tolist() for row in expected)


@pytest.mark.real_time
def test_a_server_that_hangs_ends_the_take_and_the_program(
    doomed_sound_server: SoundServer,
) -> None:
    # Closing a stream of such a server, and ending PortAudio, would wait for ever.
    script = f"""
import os, signal, sys
import numpy as np
from sigbench.errors import CaptureFailed
from sigbench.interface.base import capture
from sigbench.interface.portaudio import PortAudioInterface, list_devices

def hang(block):
    if block.first_frame > 4800:
        os.kill({doomed_sound_server.process.pid}, signal.SIGSTOP)

interface = PortAudioInterface("bench")
try:
    capture(interface, seconds=10, stimulus=np.zeros(480000), on_block=hang)
except CaptureFailed as error:
    print(error)
print("bench" in [device.name for device in list_devices()])
"""
    done = run_with(doomed_sound_server, script)
    assert done.returncode == 0, done.stderr
    told, listed = done.stdout.splitlines()
    assert "stopped delivering audio after" in told
    assert listed == "True"


@pytest.mark.real_time
def test_a_device_that_came_back_records_again(doomed_sound_server: SoundServer) -> None:
    again = [str(word) for word in doomed_sound_server.process.args]  # type: ignore[union-attr]
    script = f"""
import os, subprocess, time
from sigbench.errors import CaptureFailed
from sigbench.interface.base import capture
from sigbench.interface.portaudio import PortAudioInterface

def kill(block):
    try:
        os.kill({doomed_sound_server.process.pid}, 9)
    except ProcessLookupError:
        pass

try:
    capture(PortAudioInterface("bench"), seconds=10, on_block=kill)
except CaptureFailed:
    print("gone")
with subprocess.Popen({again!r}, stderr=subprocess.DEVNULL) as server:
    try:
        while not subprocess.run(["pactl", "info"], capture_output=True).stdout:
            time.sleep(0.05)
        for _ in range(3):  # a null sink that no one hurries may come late
            try:
                print(capture(PortAudioInterface("bench"), seconds=0.2).frames)
                break
            except CaptureFailed:
                pass
    finally:
        server.kill()
"""
    done = run_with(doomed_sound_server, script)
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == ["gone", "9600"]
