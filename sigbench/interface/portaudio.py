"""Real audio interfaces through PortAudio: list them, record, play and record.

The only module that imports sounddevice, and only once a device is wanted: measuring files works
on a machine without PortAudio.
"""

import atexit
import ctypes
import math
import queue
import sys
import time
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from threading import Event, Lock, Thread
from typing import Any

import numpy as np

from sigbench.errors import CaptureFailed, DeviceNotFound, InterfaceError, RequestError
from sigbench.interface.base import Block, frames_in
from sigbench.interface.devices import (
    ALSA,
    CORE_AUDIO,
    WASAPI,
    Device,
    can_be_exclusive,
    find_device,
    recall_device,
    what_changed,
)
from sigbench.interface.playback import Playback
from sigbench.model import LostBuffers, RigSetup, Samples

__all__ = [
    "PLAY_SETTLE_SECONDS",
    "Device",
    "PortAudioInterface",
    "can_be_exclusive",
    "find_device",
    "list_devices",
    "open_setup",
    "recall_device",
    "what_changed",
]

START_SECONDS = 3.0  # longest wait for the first audio: USB devices may change their rate first
STALL_SECONDS = 0.75  # longest wait for more; with the buffers it is said within 1 s of the removal
STARVED_STALL_SECONDS = 5.0  # the same while the computer is too busy to run what is due
GLANCE_SECONDS = 0.01  # between looks for more
LONGEST_GLANCE_SECONDS = 0.1  # that is counted: a computer that was asleep has not waited
# A look as late as that tells of a busy computer. Timers of Windows are good to 16 ms.
LATE_SECONDS = 0.02 if sys.platform == "win32" else 0.005
LATE_MEMORY_SECONDS = 3.0  # for how long: gaps of up to 3.7 s were seen at six times the load
CLOSE_SECONDS = 0.1  # for streams that failed to close, before they are left to themselves
LATENCY_SECONDS = 0.1  # enough for a busy laptop, little enough for a hand on a pot
PLAY_SETTLE_SECONDS = 0.5  # until a stimulus has come through: buffers both ways, with room
QUEUE_BLOCKS = 512  # between the audio thread and the reader: a few seconds of audio

RATE_TOLERANCE = 0.001  # far beyond any crystal's error, far below any two usual rates
USUAL_RATES = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
MOST_CHANNELS = 32

_INVALID_CHANNEL_COUNT = -9998  # paInvalidChannelCount in portaudio.h
_INVALID_SAMPLE_RATE = -9997  # paInvalidSampleRate

INSTALL = (
    "PortAudio is missing: on Debian or Ubuntu run 'sudo apt install libportaudio2', on Fedora "
    "'sudo dnf install portaudio', on Windows and macOS 'pip install --force-reinstall "
    "sounddevice', which brings it along."
)


@contextmanager
def audio_library(doing: str) -> Iterator[Any]:
    """The sounddevice module; every error of its own becomes one of ours here."""
    try:
        import sounddevice
    except OSError as exc:
        raise InterfaceError(INSTALL) from exc
    try:
        yield sounddevice
    except sounddevice.PortAudioError as exc:
        reason = str(exc.args[0]) if exc.args else "no reason given"
        raise CaptureFailed(
            f"{doing} failed ({reason}): check that the device is plugged in, switched on and "
            "not used by another program."
        ) from exc


class _OpenStreams:
    """How many streams of ours are open, in whichever threads.

    PortAudio looks for devices only when it starts. It may be started anew while none is open.
    """

    def __init__(self) -> None:
        self._lock = Lock()
        self._count = 0

    def opened(self) -> None:
        with self._lock:
            self._count += 1

    def closed(self) -> None:
        with self._lock:
            self._count -= 1

    def look_again(self, sounddevice: Any) -> None:
        """Have PortAudio look for devices, unless that would end a stream."""
        with self._lock:
            if self._count == 0:
                sounddevice._terminate()
                sounddevice._initialize()


_OPEN = _OpenStreams()


class Streams:
    """The streams of one take, which all end when it does.

    They are stopped before they are closed. Closing a running stream cancels its thread wherever
    that stands, on Linux, and it may stand in the middle of Python.
    """

    def __init__(self, sounddevice: Any) -> None:
        self._sounddevice = sounddevice
        self._streams: list[Any] = []

    def start(self, stream: Any) -> None:
        """Start a stream that has been opened."""
        self._streams.append(stream)
        _OPEN.opened()
        stream.start()

    def __enter__(self) -> "Streams":
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is not None and issubclass(kind, CaptureFailed):
            self._leave()
        else:
            self._close()

    def _close(self) -> None:
        while self._streams:
            stream = self._streams.pop()  # the player first: nothing is to sound on
            try:
                stream.stop()
            finally:
                stream.close()
                _OPEN.closed()

    def _leave(self) -> None:
        """Close streams that failed, but do not wait for a sound server that does not answer."""

        def close() -> None:
            with suppress(self._sounddevice.PortAudioError):  # it failed already, and that is said
                self._close()

        left = tuple(self._streams)
        closing = Thread(target=close, daemon=True)
        closing.start()
        closing.join(CLOSE_SECONDS)
        if closing.is_alive():
            # At its end the program would wait for these streams to close, perhaps for ever. As
            # it does not, their threads outlive Python: what they run in must never be freed.
            atexit.unregister(self._sounddevice._exit_handler)
            for needed in (self._sounddevice._lib, *left):
                ctypes.pythonapi.Py_IncRef(ctypes.py_object(needed))


def list_devices() -> tuple[Device, ...]:
    """All audio devices of this computer as they are now, in the order of their index.

    PortAudio is started anew for that, unless a stream of ours is open: then the list is that of
    before. Streams that a program opens by itself through the same library would end.

    Raises
    ------
    InterfaceError
        If PortAudio is missing, with what to install.
    """
    with audio_library("Listing the audio devices") as sounddevice:
        _OPEN.look_again(sounddevice)
        return listed_devices(sounddevice)


def listed_devices(sounddevice: Any) -> tuple[Device, ...]:
    hosts = sounddevice.query_hostapis()
    return tuple(
        Device(
            index=device["index"],
            name=device["name"],
            host=hosts[device["hostapi"]]["name"],
            inputs=device["max_input_channels"],
            outputs=device["max_output_channels"],
            samplerate=round(device["default_samplerate"]),
        )
        for device in sounddevice.query_devices()
    )


class PortAudioInterface:
    """An audio interface of this computer.

    Samples are 32-bit floating point, as PortAudio converts them.

    Parameters
    ----------
    device : str or Device, optional
        Part of the name of the input, or its index; the system's own choice by default.
    output : str or Device, optional
        The same for the output that plays stimuli; by default `device` where it has outputs,
        else the system's own choice.
    host, output_host : str, optional
        Part of the name of the sound system of each; `host` for both where only it is given.
    samplerate : int
        Frames a second.
    channels : int
        Number of inputs to record, from the first one on, where `inputs` does not say which.
    inputs : tuple of int, optional
        Which inputs of the device, from 1, are channels 1, 2, … of a take.
    outputs : tuple of int, optional
        Which outputs of the device, from 1, play columns 1, 2, … of a stimulus; all others are
        silent. By default the first ones, two at least.
    exclusive : bool
        Whether to have the device without the system's mixer, so that nothing else touches the
        samples and no other program plays.
    dc_coupled : bool
        Whether the input is known to pass DC (hardly any audio input does).

    Raises
    ------
    DeviceNotFound
        If the name does not point to one device.
    RequestError
        If the device has no such inputs or outputs, does not run at that rate, or cannot be had
        exclusively.
    InterfaceError
        If PortAudio is missing.
    """

    name = "portaudio"
    bits: int | None = None
    remarks: tuple[str, ...] = ()
    """What is not as it was remembered and yet usable, in a sentence each: see `open_setup`."""

    def __init__(
        self,
        device: str | Device | None = None,
        *,
        output: str | Device | None = None,
        host: str | None = None,
        output_host: str | None = None,
        samplerate: int = 48_000,
        channels: int = 2,
        inputs: tuple[int, ...] | None = None,
        outputs: tuple[int, ...] | None = None,
        exclusive: bool = False,
        dc_coupled: bool = False,
    ) -> None:
        # Devices that are given were found just now: looking again could renumber them.
        devices = () if isinstance(device, Device) else list_devices()
        self._input = _chosen(devices, device, host, output=False)
        self._output = self._choose_output(devices, output, output_host or host)
        self.device = self._input.name
        self.samplerate = samplerate
        self.exclusive = exclusive
        self.dc_coupled = dc_coupled
        self.inputs = tuple(range(1, channels + 1)) if inputs is None else inputs
        self.outputs = outputs
        self.channels = len(self.inputs)
        _require_channels(self._input, self.inputs, output=False)
        self._open_inputs = self._require_settings(self._input, self.inputs, output=False)
        if self._output is not None and outputs:
            _require_channels(self._output, outputs, output=True)
            self._require_settings(self._output, outputs, output=True)

    @property
    def devices(self) -> tuple[Device, ...]:
        """The device that it records with, and the one that it would play with."""
        if self._output is None or self.outputs == ():
            return (self._input,)
        return (self._input, self._output)

    def _choose_output(
        self, devices: Sequence[Device], output: str | Device | None, host: str | None
    ) -> Device | None:
        if output is not None:
            return _chosen(devices, output, host, output=True)
        if self._input.outputs:
            return self._input
        if any(device.outputs for device in devices):
            return _chosen(devices, None, None, output=True)
        return None

    def stream(
        self,
        *,
        seconds: float | None,
        stimulus: Samples | None = None,
        background: Samples | None = None,
    ) -> Generator[Block, None, None]:
        """Record, and play the stimulus meanwhile when there is one: see `Interface.stream`.

        Buffers that the computer lost are marked where they are missing: `LostBuffers.frames` is
        None where PortAudio tells of a loss but not of its length. A gap in the stimulus counts
        as a loss too. The stimulus arrives some tenths of a second after the recording begins:
        let `capture` settle for `PLAY_SETTLE_SECONDS`.

        Parameters
        ----------
        seconds, stimulus
            As for `Interface.stream`.
        background : ndarray of float64, shape (frames,) or (frames, channels), optional
            Played under the stimulus, repeated without a seam to the end.
        """
        total = None if seconds is None else frames_in(seconds, self.samplerate)
        self._find_again()
        player = None
        if stimulus is not None or background is not None:
            player = self._prepared(stimulus, background)
        received: queue.Queue[_Received | None] = queue.Queue(QUEUE_BLOCKS)
        position = 0
        with (
            audio_library(f"Recording from {self._input}") as sounddevice,
            Streams(sounddevice) as streams,
        ):
            # Two streams: a single one for both directions lost audio, unflagged, or stalled when
            # it went through the ALSA plug-in of a sound server (docs/interfaces.md).
            gap = Event()
            streams.start(self._recorder(sounddevice, received, gap))
            if player is not None:
                streams.start(self._player(sounddevice, player, gap))
            patience = _Patience()
            while total is None or position < total:
                block = self._next(received, patience, position)
                samples = block.samples.astype(np.float64)
                if total is not None:
                    samples = samples[: total - position]
                yield Block(samples, position, block.losses_at(position))
                position += len(samples)

    def _find_again(self) -> None:
        """Take the numbers that the devices have by now: the list may have been read since."""
        with audio_library("Listing the audio devices") as sounddevice:
            there = listed_devices(sounddevice)
        if self._input not in there:
            self._input = recall_device(there, self._input.name, self._input.host)
        if self._output is not None and self._output not in there:
            self._output = recall_device(there, self._output.name, self._output.host, output=True)

    def _next(
        self, received: "queue.Queue[_Received | None]", patience: "_Patience", at: int
    ) -> "_Received":
        while not patience.over:
            begun = time.monotonic()
            try:
                block = received.get(timeout=GLANCE_SECONDS)
            except queue.Empty:
                now = time.monotonic()
                patience.nothing_came(now, late=now - begun - GLANCE_SECONDS)
                continue
            if block is None:
                break
            patience.audio_came()
            return block
        raise CaptureFailed(
            f"{self._input} stopped delivering audio after {at / self.samplerate:.2f} s: "
            "check its cable and its power, then record again."
        )

    def _prepared(self, stimulus: Samples | None, background: Samples | None) -> "_Player":
        if self._output is None or self.outputs == ():
            raise RequestError(
                "There is no audio output to play on: plug the interface in, give the rig outputs, "
                "or choose a check that only listens."
            )
        places = self.outputs
        if places is None:
            columns = max(
                1 if samples is None or samples.ndim == 1 else samples.shape[1]
                for samples in (stimulus, background)
            )
            places = tuple(range(1, min(self._output.outputs, max(2, columns)) + 1))
        playback = Playback(stimulus, background, len(places))
        opened = self._require_settings(self._output, places, output=True)
        return _Player(playback, places, opened)

    def _require_settings(self, device: Device, numbers: tuple[int, ...], *, output: bool) -> int:
        """Ask whether the device can be opened as it will be, and with how many channels.

        As few channels as are needed, or all where the device cannot be opened in part.
        """
        needed, everything = max(numbers), device.outputs if output else device.inputs
        with audio_library(f"Setting up {device}") as sounddevice:
            check = (
                sounddevice.check_output_settings if output else sounddevice.check_input_settings
            )
            settings = self._settings(sounddevice, device)

            def refusal(channels: int, samplerate: int) -> Exception | None:
                try:
                    check(channels=channels, **(settings | {"samplerate": samplerate}))
                except sounddevice.PortAudioError as exc:
                    return exc
                return None

            channels = needed
            refused = refusal(channels, self.samplerate)
            if _code(refused) == _INVALID_CHANNEL_COUNT and needed < everything:
                channels = everything
                refused = refusal(channels, self.samplerate)
            if refused is None:
                return channels
            if _code(refused) != _INVALID_SAMPLE_RATE:
                raise refused
            rates = [rate for rate in USUAL_RATES if refusal(channels, rate) is None]
            raise RequestError(self._wrong_rate(device, rates)) from refused

    def _wrong_rate(self, device: Device, rates: list[int]) -> str:
        offered = f"choose {_either(rates)} Hz" if rates else "no usual rate is possible"
        if device.host == WASAPI and not self.exclusive:
            offered += ", set the rate in the sound settings of Windows, or have it exclusively"
        how = " exclusively" if self.exclusive else ""
        return f"{device} does not run{how} at {self.samplerate} Hz: {offered}."

    def _settings(self, sounddevice: Any, device: Device) -> dict[str, Any]:
        """What both streams and both checks are opened with."""
        return {
            "device": device.index,
            "samplerate": self.samplerate,
            "dtype": "float32",
            "extra_settings": _exclusively(sounddevice, device) if self.exclusive else None,
        }

    def _recorder(
        self, sounddevice: Any, received: "queue.Queue[_Received | None]", gap: Event
    ) -> Any:
        deliver = _delivery(received)
        picked = np.array(self.inputs) - 1

        def record(indata: Any, frames: int, times: Any, status: Any) -> None:
            lost = status.input_overflow or status.input_underflow or gap.is_set()
            gap.clear()
            deliver(indata[:, picked], lost)

        def ended() -> None:
            if not received.full():
                received.put_nowait(None)

        stream = sounddevice.InputStream(
            **self._settings(sounddevice, self._input),
            channels=self._open_inputs,
            latency=LATENCY_SECONDS,
            callback=record,
            finished_callback=ended,
        )
        return self._require_own_rate(stream)

    def _player(self, sounddevice: Any, player: "_Player", gap: Event) -> Any:
        assert self._output is not None
        playback, places = player.playback, np.array(player.places) - 1
        played = 0

        def play(outdata: Any, frames: int, times: Any, status: Any) -> None:
            nonlocal played
            if (
                status.output_underflow
                and played > 0
                and (playback.endless or played < len(playback))
            ):
                gap.set()
            outdata.fill(0)
            outdata[:, places] = playback.piece(played, frames)
            played += frames

        stream = sounddevice.OutputStream(
            **self._settings(sounddevice, self._output),
            channels=player.channels,
            latency=LATENCY_SECONDS,
            callback=play,
        )
        return self._require_own_rate(stream)

    def _require_own_rate(self, stream: Any) -> Any:
        if abs(stream.samplerate / self.samplerate - 1) > RATE_TOLERANCE:
            stream.close()
            raise CaptureFailed(
                f"The device runs at {stream.samplerate:g} Hz instead of {self.samplerate} Hz: "
                "choose that rate."
            )
        return stream


def open_setup(
    setup: RigSetup, *, extra_output: int | None = None, extra_input: int | None = None
) -> PortAudioInterface:
    """The interface of a rig as it is remembered, wherever the computer lists it now.

    What has changed and does not matter, such as a number in the name, is in its `remarks`.

    Parameters
    ----------
    setup : RigSetup
        Names of the devices, rate, inputs and outputs.
    extra_output, extra_input : int, optional
        One more output and input of the device, after those of the setup: for a pilot tone.

    Raises
    ------
    DeviceNotFound
        If the device is not as it was, with what changed.
    RequestError, InterfaceError
        As for `PortAudioInterface`.
    """
    devices = list_devices()
    remarks = [what_changed(devices, setup.device, setup.host)]
    inputs = setup.inputs + (() if extra_input is None else (extra_input,))
    outputs = setup.outputs + (() if extra_output is None else (extra_output,))
    source, output = recall_device(devices, setup.device, setup.host), None
    if outputs:
        play = (setup.play_device or setup.device, setup.play_host or setup.host)
        output = recall_device(devices, *play, output=True)
        if setup.play_device:
            remarks.append(what_changed(devices, *play, output=True))
    interface = PortAudioInterface(
        source,
        output=output,
        samplerate=setup.samplerate,
        inputs=inputs,
        outputs=outputs,
        exclusive=setup.exclusive,
    )
    interface.remarks = tuple(remark for remark in remarks if remark is not None)
    return interface


def _chosen(
    devices: Sequence[Device], device: str | Device | None, host: str | None, *, output: bool
) -> Device:
    if isinstance(device, Device):
        return device
    if device is None:
        return find_device(devices, default_device("output" if output else "input"), output=output)
    return find_device(devices, device, host=host, output=output)


def _require_channels(device: Device, numbers: tuple[int, ...], *, output: bool) -> None:
    kind, there = ("output", device.outputs) if output else ("input", device.inputs)
    if not 1 <= len(numbers) <= MOST_CHANNELS:
        raise RequestError(
            f"{len(numbers)} {kind}s cannot be used at once: choose 1 to {MOST_CHANNELS}."
        )
    if twice := [number for number in numbers if numbers.count(number) > 1]:
        raise RequestError(
            f"{kind.capitalize()} {twice[0]} is named twice: give each {kind} of the rig once, and "
            "others for the pilot tone."
        )
    if wrong := [number for number in numbers if not 1 <= number <= there]:
        raise RequestError(
            f"{device} has {kind}s 1 to {there}, not {', '.join(map(str, wrong))}: choose among "
            "them."
        )


def _exclusively(sounddevice: Any, device: Device) -> Any:
    """What PortAudio needs to be told to have the device without the system's mixer."""
    if not can_be_exclusive(device):
        if device.host == ALSA:
            raise RequestError(
                f"{device} leads through other software and cannot be had exclusively: choose a "
                "device with 'hw:' in its name."
            )
        raise RequestError(
            f"'{device.host}' shares {device.name} with other programs and has no exclusive mode: "
            "choose the device under another sound system, or do without."
        )
    if device.host == WASAPI:
        return sounddevice.WasapiSettings(exclusive=True)
    if device.host == CORE_AUDIO:
        return sounddevice.CoreAudioSettings(
            change_device_parameters=True, fail_if_conversion_required=True
        )
    return None


def _code(error: Exception | None) -> int | None:
    """PortAudio's number of an error."""
    return error.args[1] if error is not None and len(error.args) > 1 else None


def _either(rates: Sequence[int]) -> str:
    return " or ".join(filter(None, (", ".join(map(str, rates[:-1])), str(rates[-1]))))


class _Patience:
    """Whether audio that does not come is to be waited for.

    A look that comes late tells of a computer that is asleep or too busy: the audio thread does
    not come to deliver then either, and the device is not to blame unless it takes very long.
    """

    def __init__(self) -> None:
        self._waited = 0.0
        self._limit = START_SECONDS
        self._now, self._late_at = 0.0, -math.inf

    def nothing_came(self, now: float, *, late: float) -> None:
        """A look at this time was in vain, and so many seconds late."""
        self._waited += min(GLANCE_SECONDS + late, LONGEST_GLANCE_SECONDS)
        self._now = now
        if late > LATE_SECONDS:
            self._late_at = now

    def audio_came(self) -> None:
        self._waited, self._limit = 0.0, STALL_SECONDS

    @property
    def over(self) -> bool:
        starved = self._now - self._late_at < LATE_MEMORY_SECONDS
        return self._waited >= (STARVED_STALL_SECONDS if starved else self._limit)


@dataclass(frozen=True, slots=True)
class _Player:
    """What is played, on which outputs, with how many of them opened."""

    playback: Playback
    places: tuple[int, ...]
    channels: int


@dataclass(frozen=True, slots=True, eq=False)
class _Received:
    """What one callback brought, and what was lost just before it."""

    samples: Any
    flagged: bool
    dropped: int

    def losses_at(self, position: int) -> tuple[LostBuffers, ...]:
        losses = []
        if self.dropped:
            losses.append(LostBuffers(position, self.dropped))
        if self.flagged:
            losses.append(LostBuffers(position))
        return tuple(losses)


def _delivery(received: "queue.Queue[_Received | None]") -> Callable[[Any, bool], None]:
    """Put blocks into the queue from the audio thread, which must never wait.

    When the reader has fallen behind and the queue is full, blocks are dropped and counted, and
    the next one that gets through carries the count.
    """
    dropped = 0
    flagged = False

    def deliver(indata: Any, lost: bool) -> None:
        nonlocal dropped, flagged
        flagged = flagged or lost
        try:
            received.put_nowait(_Received(indata.copy(), flagged, dropped))
        except queue.Full:
            dropped += len(indata)
        else:
            dropped, flagged = 0, False

    return deliver


def default_device(kind: str) -> str:
    """Index, as text, of the device that the system prefers."""
    with audio_library(f"Asking for the usual {kind}") as sounddevice:
        try:
            return str(sounddevice.query_devices(kind=kind)["index"])
        except sounddevice.PortAudioError as exc:
            raise DeviceNotFound(
                f"This computer has no usual audio {kind}: plug the interface in, or name a device."
            ) from exc
