"""Sounds for events: what they are, that they come, and that they stay out of the tested path."""

import itertools
import math
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any, get_args

import numpy as np
import pytest

from sigbench.errors import DeviceNotFound, InterfaceError, RequestError
from sigbench.interface import cues
from sigbench.interface.cues import (
    CUES,
    CuePlayer,
    cue,
    cue_output,
    require_apart,
    rig_devices,
)
from sigbench.interface.devices import Device
from sigbench.interface.pilot import PilotedInterface
from sigbench.interface.portaudio import _OPEN, PortAudioInterface, list_devices
from sigbench.interface.simulated import SimulatedInterface
from sigbench.model import EventKind

from .conftest import SoundServer, running_sound_server
from .sound_system import BLOCK, PortAudioError, SoundSystem

KINDS = get_args(EventKind)
RATES = (8000, 44_100, 48_000, 192_000)
MAJOR_THIRD = 2 ** (4 / 12)  # equal temperament
# Frequencies of equal temperament with A4 = 440 Hz (ISO 16), as tables print them: C5, F5, A♯5,
# D♯6, G♯6, C♯7, F♯7; from memory, to be confirmed, and each is 440 · 2^(n/12).
PITCHES = {
    "dropout": 523.25,
    "dip": 698.46,
    "hum_burst": 932.33,
    "lost_buffers": 1244.51,
    "crackle": 1661.22,
    "click": 2217.46,
    "mark": 2959.96,
}


def strongest_hz(samples: np.ndarray, rate: int) -> float:
    """Frequency of the strongest line, from a transform padded to bins of 0.5 Hz or less."""
    size = 2 ** math.ceil(math.log2(max(2 * rate, len(samples))))
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples)), size))
    return float(np.argmax(spectrum)) * rate / size


def share_db(samples: np.ndarray, rate: int, low_hz: float, high_hz: float) -> float:
    """Energy within a band over all energy."""
    power = np.abs(np.fft.rfft(samples, 8 * len(samples))) ** 2
    frequency = np.fft.rfftfreq(8 * len(samples), 1 / rate)
    within = power[(frequency >= low_hz) & (frequency < high_hz)].sum()
    return float(10 * np.log10(within / power.sum()))


def rhythm(samples: np.ndarray, rate: int) -> tuple[int, ...]:
    """Milliseconds of each pip: where the peaks of 2 ms stay above a twentieth of the highest."""
    step = rate // 500
    peaks = [np.max(np.abs(samples[at : at + step])) for at in range(0, len(samples), step)]
    loud = np.array(peaks) > 0.05 * max(peaks)
    return tuple(2 * len(list(run)) for is_on, run in itertools.groupby(loud) if is_on)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("kind", KINDS)
def test_a_cue_has_its_pitch_and_length_and_is_no_click(kind: EventKind, rate: int) -> None:
    samples = cue(kind, rate)
    assert samples.ndim == 1
    assert 0.060 <= len(samples) / rate <= 0.200
    pitch = PITCHES[kind]
    assert strongest_hz(samples, rate) == pytest.approx(pitch, rel=0.003)  # 5 cents
    assert CUES[kind].pitch_hz == pytest.approx(pitch, abs=0.005)
    peak = np.max(np.abs(samples))
    assert 20 * math.log10(peak) == pytest.approx(-12.0, abs=0.1)
    # From silence to silence no step is larger than the tone itself makes, and the fade, which
    # rises by π/2 of full height over 8 ms at its steepest. A square wave's first harmonics 1, 3
    # and 5 with 1, 1/3 and 1/5 all cross zero together: three times as steep, and 0.93 high.
    steepness = 3 / 0.86 if kind == "lost_buffers" else 1.0
    steepest = peak * (2 * np.pi * pitch * steepness + np.pi / 2 / 0.008) / rate
    padded = np.pad(samples, 10)
    assert np.max(np.abs(np.diff(padded))) <= steepest
    assert np.max(np.abs(padded[[10, -11]])) < 0.01 * peak
    # A click is broad.
    top = 5 if kind == "lost_buffers" else 1
    assert share_db(samples, rate, 0, 300) < -50
    if top * pitch + 1000 < rate / 2:
        assert share_db(samples, rate, top * pitch + 1000, math.inf) < -60


def test_every_kind_of_event_has_a_cue_and_all_differ_by_pitch_and_by_rhythm() -> None:
    assert set(CUES) == set(KINDS) == set(PITCHES)
    sounds = [cue(kind, 48_000) for kind in KINDS]
    pitches = sorted(strongest_hz(sound, 48_000) for sound in sounds)
    for low, high in itertools.pairwise(pitches):
        assert high / low > MAJOR_THIRD
    for one, other in itertools.combinations(pitches, 2):
        assert abs(math.log2(other / one) % 1 - 0.5) < 0.45, "nearly an octave"
    rhythms = [rhythm(sound, 48_000) for sound in sounds]
    for one, other in itertools.combinations(rhythms, 2):
        # Another count, or a length that differs by half: both are heard without pitch.
        assert len(one) != len(other) or sum(one) / sum(other) > 1.5 or sum(other) / sum(one) > 1.5


def test_only_what_the_computer_lost_is_a_buzz() -> None:
    for kind in KINDS:
        third = 3 * PITCHES[kind]
        overtone = share_db(cue(kind, 48_000), 48_000, third - 200, third + 200)
        assert (overtone > -12) == (kind == "lost_buffers")


def test_what_is_no_cue_is_refused() -> None:
    with pytest.raises(RequestError, match=r"'hiss': choose one of dropout, "):
        cue("hiss", 48_000)  # type: ignore[arg-type]
    with pytest.raises(RequestError, match="7999 Hz is too low"):
        cue("click", 7999)


def test_the_table_of_the_docs_is_that_of_the_cues() -> None:
    page = (Path(__file__).parents[2] / "docs" / "interfaces.md").read_text(encoding="utf-8")
    for kind, shape in CUES.items():
        assert f"\n| {kind} | {shape.tells} | {shape} |\n" in page


# The player, on a computer of our own


class ByHand(SoundSystem):
    """Its streams run only when the test says so."""

    fails: str | None = None

    def OutputStream(self, **settings: Any) -> Any:  # noqa: N802
        if self.fails == "open":
            raise PortAudioError("Device unavailable", -9985)
        return super().OutputStream(**settings)

    def _stream(self, settings: dict[str, Any], turn: Any) -> Any:
        stream = super()._stream(settings, lambda status: None)
        self.turn = turn
        if self.fails in ("start", "stop"):
            # Then nothing runs any more, whichever of the two it is.
            setattr(stream, self.fails, self._failing(stream.stop))
        return stream

    def _failing(self, stop: Callable[[], None]) -> Callable[[], None]:
        def fail() -> None:
            stop()
            raise PortAudioError("Unanticipated host error", -9999)

        return fail

    def take(self, seconds: float) -> np.ndarray:
        """Run for so long, and return what was played."""
        del self.played[:]
        for _ in range(math.ceil(seconds * 48_000 / BLOCK)):
            self.turn(SimpleNamespace(output_underflow=False))
        return np.concatenate(self.played)


class Clock:
    """In the place of the computer's."""

    now = 1000.0

    def __call__(self) -> float:
        return self.now


SPEAKERS = ("Speakers (Chip)", "Windows WASAPI", 0, 2)
BOX_OUT = ("Line Out (2- Box)", "Windows WASAPI", 0, 2)
BOX_IN = ("Line In (2- Box)", "Windows WASAPI", 2, 0)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    clock = Clock()
    monkeypatch.setattr(cues, "monotonic", clock)
    return clock


def computer(monkeypatch: pytest.MonkeyPatch, *devices: tuple[str, str, int, int]) -> ByHand:
    system = ByHand(*(devices or (SPEAKERS,)))
    monkeypatch.setitem(sys.modules, "sounddevice", system)
    return system


def told(played: np.ndarray) -> list[EventKind]:
    """Which cues are in what was played, bit for bit, each with at least 50 ms of silence after."""
    mono = played[:, 0]
    assert all(np.array_equal(mono, column) for column in played.T)
    kinds: list[EventKind] = []
    at = 0
    while at < len(mono) and np.any(mono[at:]):
        # A cue begins with a sample of zero.
        at += int(np.argmax(mono[at:] != 0)) - 1
        (kind,) = (k for k in KINDS if _is_at(mono, at, cue(k, 48_000).astype(np.float32)))
        kinds.append(kind)
        at += len(cue(kind, 48_000))
        assert not np.any(mono[at : at + 2400])
        at += 2400
    return kinds


def _is_at(mono: np.ndarray, at: int, sound: np.ndarray) -> bool:
    return np.array_equal(mono[at : at + len(sound)], sound)


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_asked_for_is_played_once_and_whole(
    monkeypatch: pytest.MonkeyPatch, clock: Clock, kind: EventKind
) -> None:
    system = computer(monkeypatch)
    with CuePlayer(cue_output()) as player:
        assert not np.any(system.take(0.1))
        player.play(kind)
        assert told(system.take(0.5)) == [kind]
        assert player.trouble is None
    assert not system.opened[0]["stream"].running
    assert _OPEN._count == 0


def test_a_mono_output_plays_too(monkeypatch: pytest.MonkeyPatch) -> None:
    system = computer(monkeypatch, ("Headset", "Core Audio", 1, 1))
    with CuePlayer(cue_output()) as player:
        player.play("dip")
        played = system.take(0.3)
    assert played.shape[1] == 1
    assert told(played) == ["dip"]


def test_cues_wait_for_each_other(monkeypatch: pytest.MonkeyPatch, clock: Clock) -> None:
    system = computer(monkeypatch)
    with CuePlayer(cue_output()) as player:
        for kind in ("hum_burst", "click", "dropout"):
            player.play(kind)
        assert told(system.take(1.0)) == ["hum_burst", "click", "dropout"]


def test_many_of_a_kind_become_one(monkeypatch: pytest.MonkeyPatch, clock: Clock) -> None:
    system = computer(monkeypatch)
    with CuePlayer(cue_output()) as player:
        player.play("crackle")
        begun = system.take(0.01)
        assert np.any(begun)
        clock.now += 0.09
        player.play("crackle")
        assert told(np.concatenate((begun, system.take(0.5)))) == ["crackle"]
        clock.now += 0.02
        player.play("crackle")
        clock.now += 0.2
        player.play("crackle")  # the one before it still waits
        assert told(system.take(0.5)) == ["crackle"]


def test_of_too_many_the_oldest_are_dropped(monkeypatch: pytest.MonkeyPatch, clock: Clock) -> None:
    system = computer(monkeypatch)
    with CuePlayer(cue_output()) as player:
        for kind in KINDS:
            player.play(kind)
        assert told(system.take(2.0)) == list(KINDS[-3:])


def test_many_threads_may_ask_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    system = computer(monkeypatch)
    monkeypatch.setattr(cues, "MERGE_SECONDS", 0.0)
    failed: list[BaseException] = []
    with CuePlayer(cue_output()) as player:

        def ask(kind: EventKind) -> None:
            try:
                for _ in range(500):
                    player.play(kind)
            except BaseException as error:
                failed.append(error)

        asking = [threading.Thread(target=ask, args=(kind,)) for kind in KINDS]
        for thread in asking:
            thread.start()
        played = [system.take(0.1)]
        while any(thread.is_alive() for thread in asking):
            played.append(system.take(0.1))
        for thread in asking:
            thread.join()
        played.append(system.take(2.0))
    assert not failed
    assert len(told(np.concatenate(played))) >= 3


@pytest.mark.parametrize("fails", ["open", "start"])
def test_a_busy_output_is_told_and_does_no_harm(
    monkeypatch: pytest.MonkeyPatch, fails: str
) -> None:
    system = computer(monkeypatch)
    output = cue_output()
    system.fails = fails
    player = CuePlayer(output)
    assert _OPEN._count == 0
    assert not any(one["stream"].running for one in system.opened)
    for _ in range(100):
        player.play("dropout")
    for part in ("Speakers (Chip)", "failed (", "not used by another program."):
        assert part in str(player.trouble)
    player.close()
    assert player.trouble is not None


def test_an_output_that_ends_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    system = computer(monkeypatch)
    system.fails = "stop"  # as streams of devices that are gone do
    with CuePlayer(cue_output()) as player:
        assert player.trouble is None
        system.opened[0]["finished_callback"]()
        player.play("dropout")
        assert "[0] Speakers (Chip) (Windows WASAPI) takes no more audio" in str(player.trouble)
    assert "takes no more audio" in str(player.trouble)
    assert _OPEN._count == 0


def test_an_output_that_hangs_is_told_until_it_goes_on(
    monkeypatch: pytest.MonkeyPatch, clock: Clock
) -> None:
    system = computer(monkeypatch)
    with CuePlayer(cue_output()) as player:
        clock.now += 2.9
        assert player.trouble is None
        clock.now += 1.2
        assert "has taken no audio for 4 s: measuring goes on" in str(player.trouble)
        player.play("dip")
        assert told(system.take(0.3)) == ["dip"]
        assert player.trouble is None


def test_an_error_at_the_end_is_of_no_matter(monkeypatch: pytest.MonkeyPatch) -> None:
    system = computer(monkeypatch)
    system.fails = "stop"
    player = CuePlayer(cue_output())
    player.close()
    player.close()
    player.play("dip")
    assert player.trouble is None
    assert _OPEN._count == 0


def test_closing_is_no_trouble(monkeypatch: pytest.MonkeyPatch, clock: Clock) -> None:
    system = computer(monkeypatch)
    player = CuePlayer(cue_output())
    player.close()
    system.opened[0]["finished_callback"]()
    clock.now += 100
    assert player.trouble is None


def test_a_device_is_found_wherever_it_is_listed_now(monkeypatch: pytest.MonkeyPatch) -> None:
    system = computer(monkeypatch)
    output = cue_output()
    system.plugged = (BOX_OUT, SPEAKERS)
    list_devices()
    with CuePlayer(output):
        assert system.opened[0]["device"] == 1
    system.plugged = (BOX_OUT,)
    list_devices()
    player = CuePlayer(output)
    assert "is not there" in str(player.trouble)


def test_listing_devices_does_not_end_the_cues(monkeypatch: pytest.MonkeyPatch) -> None:
    system = computer(monkeypatch)
    with CuePlayer(cue_output()):
        system.plugged = (BOX_OUT, SPEAKERS)
        assert len(list_devices()) == 1
    assert len(list_devices()) == 2


def test_without_portaudio_it_is_said_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    real = __import__

    def no_library(name: str, *rest: Any) -> Any:
        if name == "sounddevice":
            raise OSError("PortAudio library not found")
        return real(name, *rest)

    monkeypatch.setattr("builtins.__import__", no_library)
    with pytest.raises(InterfaceError, match="PortAudio is missing"):
        cue_output()
    player = CuePlayer(Device(0, "Speakers", "Core Audio", 0, 2, 48_000))
    player.play("dropout")
    assert "PortAudio is missing" in str(player.trouble)


# Apart from the tested path


def device(name: str, host: str, index: int = 0) -> Device:
    return Device(index, name, host, 2, 2, 48_000)


WASAPI, MME, DIRECT = "Windows WASAPI", "MME", "Windows DirectSound"
MAC, JACK = "Core Audio", "JACK Audio Connection Kit"


@pytest.mark.parametrize(
    ("output", "rig"),
    [
        (("Box", MAC), ("Box", MAC)),
        (("Line Out (Box)", WASAPI), ("Line In (Box)", WASAPI)),
        (("Speakers (2- Box)", MME), ("Line In (2- Box)", "Windows WDM-KS")),
        (("Speakers (Chip(R) Audio)", MME), ("Stereo Mix (Chip(R) Audio)", WASAPI)),
        (("Speakers (Chip(R) Audio)", WASAPI), ("Speakers (Chip(R) Audio) [Loopback]", WASAPI)),
        # MME ends names after 31 characters.
        (("Digital Output (Box of the Be", MME), ("Line (Box of the Bench)", WASAPI)),
        (("Digital Output of the Line (Bo", MME), ("Line (Box of the Bench)", WASAPI)),
        (("Speakers (Bench Box)", WASAPI), ("Bench Box driver", "ASIO")),
        (("Box: Line (hw:1,0)", "ALSA"), ("Box: Line (hw:1,0)", "ALSA")),
        (("Box: Digital (hw:1,3)", "ALSA"), ("Box: Line (hw:1,0)", "ALSA")),
        (("Bench Box: Line (hw:1,0)", "ALSA"), ("Bench Box Analog Stereo", JACK)),
        (("Bench Box Stereo", "PulseAudio"), ("Monitor of Bench Box Stereo", "PulseAudio")),
        (("Bench Box Stereo", JACK), ("Bench Box Stereo Monitor", JACK)),
        (("bench", "ALSA"), ("bench.monitor", "ALSA")),
        (("pulse", "ALSA"), ("pulse", "ALSA")),
        (("default", "ALSA"), ("pulse", "ALSA")),
        (("pipewire", "ALSA"), ("sysdefault", "ALSA")),
        (
            ("Microsoft Sound Mapper - Output", MME),
            ("Primary Sound Capture Driver", DIRECT),
        ),
    ],
)
def test_an_output_of_the_rig_is_refused(output: tuple[str, str], rig: tuple[str, str]) -> None:
    chosen = device(*output, 1)
    apart = device("Something else: entirely (hw:7,0)", "ALSA", 2)
    with pytest.raises(RequestError) as caught:
        require_apart(chosen, (apart, device(*rig, 3)))
    said = str(caught.value)
    for part in (str(chosen), str(device(*rig, 3)), "the tested path", "--cue-device", "without"):
        assert part in said


@pytest.mark.parametrize(
    ("output", "rig"),
    [
        (("Laptop Speakers", MAC), ("Box", MAC)),
        (("Laptop Speakers", MAC), ("Laptop Microphone", MAC)),
        (("Speakers (Chip(R) Audio)", WASAPI), ("Line In (2- Box)", WASAPI)),
        (("Speakers (Chip(R) Audio)", MME), ("Line In (USB Audio Box)", WASAPI)),
        (("Speakers (Chip(R) Audio)", MME), ("Box ASIO", "ASIO")),
        (("Chip: Analog (hw:0,0)", "ALSA"), ("Box: Line (hw:1,0)", "ALSA")),
        (("Box: Line (hw:1,0)", "ALSA"), ("Box: Line (hw:2,0)", "ALSA")),  # two of a model
        (("Chip: Analog (hw:0,0)", "ALSA"), ("Box: Line (hw:10,0)", "ALSA")),
        (("Chip Stereo", "PulseAudio"), ("Monitor of Bench Box Stereo", "PulseAudio")),
        (("speaker", "ALSA"), ("rig", "ALSA")),
    ],
)
def test_another_output_is_not_refused(output: tuple[str, str], rig: tuple[str, str]) -> None:
    require_apart(device(*output), (device(*rig),))


SINKS = """Sink #0
\tName: chip
\tProperties:
\t\talsa.card = "0"

Sink #1
\tName: box
\tProperties:
\t\tapi.alsa.pcm.card = "1"

Sink #2
\tName: nowhere
\tProperties:
\t\tdevice.class = "abstract"
"""


@pytest.mark.parametrize(
    ("usual", "card"), [("chip", "0"), ("box", "1"), ("nowhere", None), ("gone", None)]
)
def test_a_sound_server_is_asked_where_its_usual_output_leads(
    monkeypatch: pytest.MonkeyPatch, usual: str, card: str | None
) -> None:
    def answer(command: list[str], **_: Any) -> SimpleNamespace:
        return SimpleNamespace(stdout=f"{usual}\n" if command[1] == "get-default-sink" else SINKS)

    monkeypatch.delenv("PULSE_SINK", raising=False)
    monkeypatch.setattr(subprocess, "run", answer)
    through_the_server = device("default", "ALSA")
    for number in ("0", "1"):
        box = device(f"Box: Line (hw:{number},0)", "ALSA")
        if number == card:
            with pytest.raises(RequestError, match="leads to the same hardware as"):
                require_apart(through_the_server, (box,))
        else:
            require_apart(through_the_server, (box,))


@pytest.mark.parametrize("error", [FileNotFoundError(), subprocess.TimeoutExpired("pactl", 2)])
def test_without_an_answer_names_alone_tell(
    monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    def no_answer(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(subprocess, "run", no_answer)
    require_apart(device("default", "ALSA"), (device("Box: Line (hw:1,0)", "ALSA"),))


def test_the_usual_output_is_taken_and_another_one_if_it_is_the_rigs(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    hdmi = ("HDMI (Screen)", WASAPI, 0, 2)
    mapper = ("Microsoft Sound Mapper - Output", MME, 0, 2)
    computer(monkeypatch, BOX_IN, BOX_OUT, mapper, hdmi, SPEAKERS)
    rig = rig_devices(PortAudioInterface("line in", output="line out"), plays=True)
    assert cue_output().name == BOX_OUT[0]
    assert cue_output(tested=rig).name == SPEAKERS[0]
    assert cue_output("screen", tested=rig).name == hdmi[0]
    with pytest.raises(RequestError, match="--cue-device"):
        cue_output("line out", tested=rig)
    with pytest.raises(DeviceNotFound, match="No output matches 'sofa'"):
        cue_output("sofa", tested=rig)


def test_with_no_other_output_the_cues_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    other_way = ("Line Out (2- Box)", MME, 0, 2)
    computer(monkeypatch, BOX_IN, BOX_OUT, other_way)
    rig = rig_devices(PortAudioInterface("line in"), plays=False)
    with pytest.raises(RequestError, match="the tested path"):
        cue_output(tested=rig)


def test_on_alsa_only_hardware_stands_in_for_the_usual_output(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(cues, "_server_card", lambda: "1")
    box, chip = ("Box: Line (hw:1,0)", "ALSA", 2, 2), ("Chip: Analog (hw:0,0)", "ALSA", 2, 2)
    screen = ("Chip: HDMI 0 (hw:0,3)", "ALSA", 0, 8)
    computer(monkeypatch, ("default", "ALSA", 32, 32), box, ("dmix", "ALSA", 0, 2), screen, chip)
    rig = rig_devices(PortAudioInterface("box"), plays=True)
    assert cue_output(tested=rig).name == chip[0]


def test_the_devices_of_an_interface(monkeypatch: pytest.MonkeyPatch) -> None:
    computer(monkeypatch, BOX_IN, BOX_OUT, SPEAKERS)

    def names(interface: Any, *, plays: bool) -> list[str]:
        return [device.name for device in rig_devices(interface, plays=plays)]

    both = PortAudioInterface("line in", output="line out")
    assert names(both, plays=True) == [BOX_IN[0], BOX_OUT[0]]
    assert names(both, plays=False) == [BOX_IN[0]]
    assert names(PilotedInterface(both, 1), plays=True) == [BOX_IN[0], BOX_OUT[0]]
    assert names(PortAudioInterface("line in", outputs=()), plays=True) == [BOX_IN[0]]
    assert names(SimulatedInterface(), plays=True) == []
    assert names(PilotedInterface(SimulatedInterface(), 1), plays=True) == []  # type: ignore[arg-type]


# A real sound server, with the rig's sink and one for the cues


@pytest.fixture(scope="module")
def speaker_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SoundServer]:
    """A server with one more sink and device, ``speaker``, said to be ALSA's card 7."""
    with running_sound_server() as server:
        subprocess.run(
            [
                *("pactl", "load-module", "module-null-sink", "sink_name=speaker", "rate=48000"),
                *("channels=2", "format=float32le", "sink_properties=alsa.card=7"),
            ],
            env=server.environment,
            stdout=subprocess.DEVNULL,
            check=True,
        )
        place = Path(server.environment["HOME"]) / ".asoundrc"
        with place.open("a") as devices:
            devices.write(
                f'pcm.speaker {{ type pulse server "{server.environment["PULSE_SERVER"]}" '
                "device speaker }\n"
            )
        yield server


def run_with(server: SoundServer, script: str, *arguments: str, **settings: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", script, *arguments],
        env=server.environment | settings,
        capture_output=True,
        text=True,
        timeout=120,
    )
    if "PortAudio is missing" in done.stderr:
        pytest.skip("NO PORTAUDIO, real streams untested: apt-get install libportaudio2")
    assert done.returncode == 0, done.stderr
    return done.stdout


@contextmanager
def listening(server: SoundServer, sink: str, place: Path) -> Iterator[None]:
    """Record what comes to a sink meanwhile: 32-bit floating point, stereo, 48 kHz."""
    with place.open("wb") as output:
        listener = subprocess.Popen(
            [
                *("parec", "--raw", "--format=float32le", "--rate=48000", "--channels=2"),
                *("--latency-msec=20", f"--device={sink}.monitor"),
            ],
            env=server.environment,
            stdout=output,
        )
        try:
            while place.stat().st_size == 0:
                assert listener.poll() is None
                time.sleep(0.01)
            yield
        finally:
            listener.terminate()
            listener.wait()


PLAY_ALL = """
import sys, time
from sigbench.interface.cues import CUES, CuePlayer, cue_output, rig_devices
from sigbench.interface.portaudio import PortAudioInterface

rig = rig_devices(PortAudioInterface("bench"), plays=True)
with CuePlayer(cue_output(sys.argv[1], tested=rig if sys.argv[2] == "apart" else ())) as player:
    for kind in sys.argv[3:] or CUES:
        time.sleep(0.4)
        player.play(kind)
    time.sleep(0.4)
    print(player.trouble)
"""


def heard_while_all_play(
    server: SoundServer, tmp_path: Path, *arguments: str
) -> dict[str, np.ndarray]:
    places = {sink: tmp_path / sink for sink in ("bench", "speaker")}
    with ExitStack() as ears:
        for sink, place in places.items():
            ears.enter_context(listening(server, sink, place))
        assert run_with(server, PLAY_ALL, *arguments) == "None\n"
    heard = {}
    for sink, place in places.items():
        samples = np.frombuffer(place.read_bytes(), dtype="<f4")
        heard[sink] = samples[: len(samples) // 2 * 2].reshape(-1, 2)
        assert len(heard[sink]) > 24_000
    return heard


def sounds(samples: np.ndarray) -> list[np.ndarray]:
    """What lies between silences of 0.1 s or more."""
    loud = np.flatnonzero(np.max(np.abs(samples), axis=1) > 1e-3)
    starts = np.flatnonzero(np.diff(loud, prepend=-48_000) > 4800)
    ends = np.append(starts[1:], len(loud)) - 1
    return [
        samples[loud[start] : loud[end] + 1, 0] for start, end in zip(starts, ends, strict=True)
    ]


@pytest.mark.real_time
def test_cues_come_to_their_own_sink_and_not_one_sample_to_the_tested_one(
    speaker_server: SoundServer, tmp_path: Path
) -> None:
    # On a machine busy with other tests a cue may come late and next to another one.
    for _ in range(4):
        heard = heard_while_all_play(speaker_server, tmp_path, "speaker", "apart")
        assert not np.any(heard["bench"])
        found = sounds(heard["speaker"])
        if len(found) == len(CUES):
            break
    assert len(found) == len(CUES)
    for kind, sound in zip(CUES, found, strict=True):
        assert strongest_hz(sound, 48_000) == pytest.approx(PITCHES[kind], rel=0.01)
        assert 20 * math.log10(np.max(np.abs(sound))) == pytest.approx(-12.0, abs=1.0)


@pytest.mark.real_time
def test_the_listener_at_the_tested_sink_would_hear_them(
    speaker_server: SoundServer, tmp_path: Path
) -> None:
    heard = heard_while_all_play(speaker_server, tmp_path, "bench", "by force", "dip")
    assert np.any(heard["bench"])
    assert not np.any(heard["speaker"])


@pytest.mark.real_time
def test_a_real_server_tells_where_its_usual_output_leads(speaker_server: SoundServer) -> None:
    script = "from sigbench.interface import cues; print(cues._server_card())"
    assert run_with(speaker_server, script, PULSE_SINK="speaker") == "7\n"
    assert run_with(speaker_server, script, PULSE_SINK="bench") == "None\n"
    subprocess.run(
        ["pactl", "set-default-sink", "speaker"], env=speaker_server.environment, check=True
    )
    assert run_with(speaker_server, script, PULSE_SINK="") == "7\n"


@pytest.mark.real_time
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP])
def test_a_server_that_is_gone_is_told_and_nothing_waits_for_it(
    doomed_sound_server: SoundServer, how: signal.Signals
) -> None:
    script = """
import os, sys, time
from sigbench.interface.cues import CuePlayer, cue_output

with CuePlayer(cue_output("bench")) as player:
    time.sleep(0.5)
    os.kill(int(sys.argv[1]), int(sys.argv[2]))
    while player.trouble is None:
        player.play("dropout")
        time.sleep(0.01)
    told = player.trouble
print(told)
"""
    said = run_with(
        doomed_sound_server, script, str(doomed_sound_server.process.pid), str(int(how))
    )
    assert said.startswith("The sounds for events have stopped, for [")
    assert said.count("\n") == 1
