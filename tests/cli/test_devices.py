"""``sigbench devices``, with the list of a computer made up here, and with the real one."""

from sigbench.errors import InterfaceError
from sigbench.interface import portaudio
from sigbench.interface.portaudio import Device


def test_devices_are_listed_with_what_they_offer(call, monkeypatch):
    there = (
        Device(0, "Line input of the bench", "ALSA", 2, 0, 48_000),
        Device(3, "Box: line (hw:1,0)", "ALSA", 2, 2, 48_000),
        Device(7, "USB audio [with a bracket]: " + 60 * "x", "JACK", 18, 20, 96_000),
    )
    monkeypatch.setattr(portaudio, "list_devices", lambda: there)
    outcome = call("devices")
    assert outcome.code == 0
    assert outcome.err == ""
    first = next(line for line in outcome.out.splitlines() if "Line input" in line)
    assert " ".join(first.split()) == "0 2 0 48000 Line input of the bench ALSA"
    assert "3 2 2 48000 yes Box: line (hw:1,0) ALSA" in " ".join(outcome.out.split())
    assert "[with a bracket]" in " ".join(outcome.out.split())
    assert "96000" in outcome.out
    assert max(map(len, outcome.out.splitlines())) <= 80


def test_no_device_at_all_is_said(call, monkeypatch):
    monkeypatch.setattr(portaudio, "list_devices", lambda: ())
    outcome = call("devices")
    assert outcome.code == 3
    assert outcome.out == ""
    assert "no audio device" in outcome.err
    assert outcome.err.count("\n") == 1


def test_a_missing_sound_library_is_said(call, monkeypatch):
    def missing():
        raise InterfaceError("PortAudio is missing: install it.")

    monkeypatch.setattr(portaudio, "list_devices", missing)
    outcome = call("devices")
    assert (outcome.code, outcome.out) == (3, "")
    assert outcome.err == "sigbench: PortAudio is missing: install it.\n"


def test_the_devices_of_this_computer(program):
    # Whatever this computer has, it is a list or one sentence, never a traceback.
    done = program("devices")
    assert done.returncode in (0, 3)
    assert b"Traceback" not in done.stderr
    assert (done.stdout != b"") == (done.returncode == 0)
