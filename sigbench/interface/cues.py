"""Sounds that tell what happened, so that eyes can stay on the unit: a pitch and a rhythm for each.

They go to an output of the computer of their own and never into the tested path: see
`require_apart`.
"""

import os
import re
import subprocess
from collections import deque
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from threading import Lock
from time import monotonic
from types import MappingProxyType
from typing import Any

import numpy as np

from sigbench.errors import CaptureFailed, InterfaceError, RequestError
from sigbench.interface.base import Interface
from sigbench.interface.devices import ALSA, Device, find_device, recall_device
from sigbench.interface.portaudio import (
    Streams,
    audio_library,
    default_device,
    list_devices,
    listed_devices,
)
from sigbench.model import EventKind, Samples
from sigbench.units import db_to_ratio, note_to_frequency

__all__ = [
    "CUES",
    "Cue",
    "CuePlayer",
    "cue",
    "cue_output",
    "require_apart",
    "rig_devices",
]

LEVEL_DBFS = -12.0  # peak: heard beside a unit on the bench, and no fright
FADE_SECONDS = 0.008  # long enough to be no click, short enough for the shortest pip
OVERTONES = (1, 3, 5)  # of a buzz: those of a square wave
LOWEST_SAMPLERATE = 8000  # holds all pitches

MERGE_SECONDS = 0.1  # more of a kind within that time are told once
MOST_WAITING = 3  # then the oldest gives way, and what is heard stays near the hand
PAUSE_SECONDS = 0.05  # after each cue, so that two do not become one rhythm
LATENCY_SECONDS = 0.04  # little beside the ear's and the detectors' own
ANSWER_SECONDS = 2.0  # for a sound server that is asked a question
STALL_SECONDS = 3.0  # without a request for samples: far beyond a busy computer's usual gaps

CUE_OPTION = "--cue-device"

_WINDOWS = ("MME", "Windows DirectSound", "Windows WASAPI", "Windows WDM-KS")
# Names that stand for whatever the sound settings say.
_ANYWHERE = re.compile(
    r"(default|sysdefault|pulse|pipewire)$|microsoft sound mapper|primary sound", re.IGNORECASE
)
_DIGITAL = re.compile(r"hdmi|displayport|s/?pdif|iec958|digital", re.IGNORECASE)
_SHORTEST_PART = 4  # characters of one name within another that tell of the same box


@dataclass(frozen=True, slots=True)
class Cue:
    """The sound for one kind of event.

    Parameters
    ----------
    tells : str
        What it tells, in words.
    note : str
        The pitch of all its pips, in equal temperament with A4 = 440 Hz (ISO 16).
    pips, pip_ms, gap_ms : int
        How many, how long each, and how long the silence between two.
    buzz : bool
        Whether it has overtones; else it is a sine.
    """

    tells: str
    note: str
    pips: int
    pip_ms: int
    gap_ms: int = 0
    buzz: bool = False

    @property
    def pitch_hz(self) -> float:
        """Frequency of its note."""
        return note_to_frequency(self.note)

    @property
    def seconds(self) -> float:
        """Length of the whole."""
        return (self.pips * (self.pip_ms + self.gap_ms) - self.gap_ms) / 1000

    def __str__(self) -> str:
        sound = "buzz" if self.buzz else "tone"
        rhythm = f"{self.pips} × {self.pip_ms} ms" if self.pips > 1 else f"{self.pip_ms} ms"
        return f"{sound} of {self.pitch_hz:.0f} Hz, {rhythm}"


# Fourths from C5, which small speakers still reproduce, up to F♯7. No two are an octave apart, for
# octaves are easily taken for each other.
CUES: Mapping[EventKind, Cue] = MappingProxyType(
    {
        "dropout": Cue("signal lost", "C5", 1, 200),
        "dip": Cue("level fell", "F5", 1, 110),
        "hum_burst": Cue("hum came", "A#5", 4, 35, 15),
        "lost_buffers": Cue("the computer lost audio: not the unit", "D#6", 2, 70, 50, buzz=True),
        "crackle": Cue("crackle", "G#6", 3, 30, 25),
        "click": Cue("click", "C#7", 1, 60),
        "mark": Cue("your mark is set", "F#7", 2, 35, 30),
    }
)


def cue(kind: EventKind, samplerate: int) -> Samples:
    """The sound for a kind of event.

    Parameters
    ----------
    kind : str
        One of `sigbench.model.EventKind`.
    samplerate : int
        In hertz, 8000 or more.

    Returns
    -------
    ndarray of float64, shape (frames,)
        60 to 200 ms, faded in and out, with peaks at `LEVEL_DBFS`.

    Raises
    ------
    RequestError
        If there is no such kind, or the rate is too low.
    """
    if kind not in CUES:
        raise RequestError(f"No sound tells of '{kind}': choose one of {', '.join(CUES)}.")
    if samplerate < LOWEST_SAMPLERATE:
        raise RequestError(
            f"{samplerate} Hz is too low for the sounds for events: choose an output that runs at "
            f"{LOWEST_SAMPLERATE} Hz or more."
        )
    shape = CUES[kind]
    time = np.arange(round(shape.seconds * samplerate)) / samplerate
    within = time % ((shape.pip_ms + shape.gap_ms) / 1000)
    to_edge = np.minimum(within, shape.pip_ms / 1000 - within)
    envelope = np.sin(np.pi / 2 * np.clip(to_edge / FADE_SECONDS, 0, 1)) ** 2
    partials = [
        np.sin(2 * np.pi * order * shape.pitch_hz * time) / order
        for order in (OVERTONES if shape.buzz else (1,))
        if order * shape.pitch_hz < samplerate / 2
    ]
    sound = envelope * np.sum(partials, axis=0)
    return db_to_ratio(LEVEL_DBFS) * sound / np.max(np.abs(sound))


def rig_devices(interface: Interface, *, plays: bool) -> tuple[Device, ...]:
    """The devices of a running interface that the tested signal goes through.

    Parameters
    ----------
    interface : Interface
        Any; one that is no hardware has none.
    plays : bool
        Whether it plays too, a stimulus or a pilot tone; else its output, if that is another
        device, is not in the path.
    """
    devices: tuple[Device, ...] = getattr(interface, "devices", ())
    return devices if plays else devices[:1]


def cue_output(
    name: str | None = None, *, host: str | None = None, tested: Sequence[Device] = ()
) -> Device:
    """The output that plays the cues, apart from the tested path.

    Parameters
    ----------
    name, host : str, optional
        Part of the name of the output and of its sound system. Without a name it is the
        computer's usual output; if the rig uses that one, another output of the computer.
    tested : sequence of Device
        Those that the rig plays and records with, as the computer lists them now.

    Raises
    ------
    DeviceNotFound
        If the name does not point to one output.
    RequestError
        If that output, or each of the computer's, belongs to the tested path.
    InterfaceError
        If PortAudio is missing.
    """
    devices = list_devices()
    if name is not None:
        chosen = find_device(devices, name, host=host, output=True)
        require_apart(chosen, tested)
        return chosen
    usual = find_device(devices, default_device("output"), output=True)
    for candidate in (usual, *_others(devices, usual)):
        if not any(_shared(candidate, device) for device in tested):
            return candidate
    require_apart(usual, tested)
    raise AssertionError("the usual output was apart after all")


def require_apart(cue_device: Device, tested: Sequence[Device]) -> None:
    """Refuse an output for cues from which they would come into the tested path.

    Parameters
    ----------
    cue_device : Device
        Where cues are to be played.
    tested : sequence of Device
        Those that the rig plays and records with, as the computer lists them now.

    Raises
    ------
    RequestError
        If it is one of them, or is the same hardware by another way, as far as names tell.

    Notes
    -----
    Two ALSA cards are told by their numbers. Else one name within another tells of the same box:
    a part after a bracket on Windows, the name before the colon on ALSA, ``Monitor of …`` of a
    sound server. Two names that stand for whatever the sound settings say (``default``,
    ``pulse``) count as one. To which card a single such name leads, the sound server is asked.
    """
    for device in tested:
        if how := _shared(cue_device, device):
            raise RequestError(
                f"{cue_device} cannot play the sounds for events: it {how} {device}, which the "
                "rig uses, and they would come into the tested path; name another output with "
                f"{CUE_OPTION}, such as the built-in speaker, or go without sounds."
            )


def _shared(one: Device, other: Device) -> str | None:
    """How two devices belong together, to be read between their names; None if they do not."""
    if (one.name, one.host) == (other.name, other.host):
        return "is"
    if all(_ANYWHERE.match(device.name) for device in (one, other)):
        return "may lead to the same place as"
    cards = [_card(device) for device in (one, other)]
    if all(cards):
        same = cards[0] == cards[1]
    else:
        short, long = sorted((_box(one), _box(other)), key=len)
        same = long.startswith(short) or (len(short) >= _SHORTEST_PART and short in long)
    return "leads to the same hardware as" if same else None


def _card(device: Device) -> str | None:
    """ALSA's number of the card that a device belongs to; None where that cannot be told."""
    if device.host != ALSA:
        return None
    if match := re.search(r"\(hw:(\d+),", device.name):
        return match[1]
    return _server_card() if _ANYWHERE.match(device.name) else None


def _server_card() -> str | None:
    """The card behind the usual output of a PulseAudio server, or of one that answers like it."""

    def answer(*question: str) -> str:
        return subprocess.run(
            ["pactl", *question],
            env=os.environ | {"LC_ALL": "C"},
            capture_output=True,
            text=True,
            timeout=ANSWER_SECONDS,
        ).stdout

    try:
        usual = os.environ.get("PULSE_SINK") or answer("get-default-sink").strip()
        sinks = answer("list", "sinks").split("Sink #")
    except (OSError, subprocess.TimeoutExpired):  # not installed, or no answer
        return None
    for sink in sinks:
        if f"\tName: {usual}\n" in sink:
            match = re.search(r'\balsa\.(?:pcm\.)?card = "(\d+)"', sink)
            return match[1] if match else None
    return None


def _box(device: Device) -> str:
    """The part of a name that stays the same whichever way leads to the box."""
    name = device.name
    if device.host in _WINDOWS and "(" in name:  # Line (2- Box), perhaps cut off
        name = re.sub(r"^\d+- ", "", re.sub(r"\)[^)]*$", "", name.partition("(")[2]))
    elif device.host == ALSA:  # Box: Line (hw:1,0)
        name = name.partition(":")[0]
    return name.strip().lower()


def _others(devices: Sequence[Device], usual: Device) -> list[Device]:
    """Outputs whose names say where they lead: first those that are likely to have a speaker."""
    others = [
        device
        for device in devices
        if device.outputs
        and device != usual
        and not _ANYWHERE.match(device.name)
        # All else on ALSA leads through software, no one knows where.
        and (device.host != ALSA or "(hw:" in device.name)
    ]
    return sorted(
        others, key=lambda device: (bool(_DIGITAL.search(device.name)), device.host != usual.host)
    )


class CuePlayer:
    """Plays cues when asked, one after the other, and never holds up the one who asks.

    Parameters
    ----------
    device : Device
        See `cue_output`.

    Notes
    -----
    Nothing here raises because a sound cannot be played: measuring goes on, and `trouble` says
    why. While a player is open, devices that are plugged in are not found: open it for a take,
    once the interface is there, and close it afterwards.
    """

    def __init__(self, device: Device) -> None:
        self.device = device
        self._trouble: str | None = None
        self._lock = Lock()
        self._waiting: deque[EventKind] = deque(maxlen=MOST_WAITING)
        self._asked: dict[EventKind, float] = {}
        self._rest = np.zeros(0, dtype=np.float32)
        self._closed = False
        self._called = monotonic()
        self._streams: Streams | None = None
        rate = device.samplerate
        pause = np.zeros(round(PAUSE_SECONDS * rate))
        self._sounds = {kind: np.append(cue(kind, rate), pause).astype(np.float32) for kind in CUES}
        try:
            self._open()
        except InterfaceError as exc:
            self._trouble = str(exc)
            self.close()

    def _open(self) -> None:
        with audio_library(f"Playing the sounds for events on {self.device}") as sounddevice:
            there = listed_devices(sounddevice)
            if self.device not in there:
                self.device = recall_device(there, self.device.name, self.device.host, output=True)
            stream = sounddevice.OutputStream(
                device=self.device.index,
                samplerate=self.device.samplerate,
                channels=min(2, self.device.outputs),
                dtype="float32",
                latency=LATENCY_SECONDS,
                callback=self._fill,
                finished_callback=self._ended,
            )
            self._called = monotonic()
            self._streams = Streams(sounddevice)
            self._streams.start(stream)

    @property
    def trouble(self) -> str | None:
        """Why no sounds are heard, and what to do, in one sentence; None while all is well."""
        if self._trouble is None and not self._closed:
            waited = monotonic() - self._called
            if waited > STALL_SECONDS:
                return self._silent(f"has taken no audio for {waited:.0f} s")
        return self._trouble

    def play(self, kind: EventKind) -> None:
        """Ask for the sound of an event, from any thread.

        It comes once those before it are over. One that is asked for again within
        `MERGE_SECONDS`, or still waits, is played once. Of more than `MOST_WAITING` the oldest
        are dropped.
        """
        now = monotonic()
        with self._lock:
            if kind in self._waiting or now - self._asked.get(kind, -np.inf) < MERGE_SECONDS:
                return
            self._asked[kind] = now
            self._waiting.append(kind)

    def close(self) -> None:
        """Stop at once; what still waits is not played."""
        gone = self.trouble is not None
        self._closed = True
        if self._streams is None:
            return
        with suppress(InterfaceError), audio_library("Closing the output for sounds"):
            self._streams.__exit__(CaptureFailed if gone else None)

    def __enter__(self) -> "CuePlayer":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _fill(self, outdata: Any, frames: int, times: Any, status: Any) -> None:
        self._called = monotonic()
        outdata.fill(0)
        filled = 0
        while filled < frames:
            if not len(self._rest):
                with self._lock:
                    if not self._waiting:
                        return
                    self._rest = self._sounds[self._waiting.popleft()]
            piece = self._rest[: frames - filled]
            outdata[filled : filled + len(piece)] = piece[:, np.newaxis]
            self._rest = self._rest[len(piece) :]
            filled += len(piece)

    def _ended(self) -> None:
        if not self._closed:
            self._trouble = self._silent("takes no more audio")

    def _silent(self, why: str) -> str:
        return (
            f"The sounds for events have stopped, for {self.device} {why}: measuring goes on; "
            "watch the screen, or check that output and start anew."
        )
