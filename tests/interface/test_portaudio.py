"""Real PortAudio streams, in processes of their own: PortAudio looks for its server only once."""

import json
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from sigbench.errors import CaptureFailed, DeviceNotFound, InterfaceError
from sigbench.interface import portaudio
from sigbench.interface.portaudio import Device, find_device
from sigbench.model import LostBuffers

from .conftest import SoundServer

RATE = 48_000
TONE_HZ = 997.0  # AES17

DEVICES = (
    Device(0, "USB Line", "ALSA", 2, 2, 48_000),
    Device(1, "USB Line", "JACK", 2, 2, 48_000),
    Device(2, "USB Line 8", "ALSA", 8, 8, 96_000),
    Device(3, "Built-in Mic", "ALSA", 1, 0, 44_100),
    Device(4, "Built-in Speaker", "ALSA", 0, 2, 44_100),
)


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


def test_a_part_of_the_name_finds_a_device() -> None:
    assert find_device(DEVICES, "mic").index == 3
    assert find_device(DEVICES, "usb line", host="jack").index == 1
    assert find_device(DEVICES, "line 8").index == 2
    assert find_device(DEVICES, "2").index == 2
    assert find_device(DEVICES, "speaker", output=True).index == 4


def test_a_name_that_finds_none_or_several_lists_the_choice() -> None:
    with pytest.raises(DeviceNotFound, match=r"No input matches 'dat'; inputs: \[0\] USB Line"):
        find_device(DEVICES, "dat")
    with pytest.raises(DeviceNotFound, match="No input matches 'speaker'") as caught:
        find_device(DEVICES, "speaker")
    assert "[4]" not in str(caught.value)
    with pytest.raises(
        DeviceNotFound, match=r"several inputs: \[0\] USB Line \(ALSA\), \[1\] USB L"
    ):
        find_device(DEVICES, "usb line")
    with pytest.raises(DeviceNotFound, match="no audio input"):
        find_device(DEVICES[4:], "speaker")


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
