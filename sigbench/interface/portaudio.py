"""Real audio interfaces through PortAudio: list them, record, play and record.

The only module that imports sounddevice, and only once a device is wanted: measuring files works
on a machine without PortAudio.
"""

import queue
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from threading import Event
from typing import Any

import numpy as np

from sigbench.errors import CaptureFailed, DeviceNotFound, InterfaceError, RequestError
from sigbench.interface.base import Block, frames_in, stimulus_for_outputs
from sigbench.model import LostBuffers, Samples

START_SECONDS = 3.0  # longest wait for the first audio: USB devices may change their rate first
STALL_SECONDS = 1.0  # longest wait for more: buffers are milliseconds long
LATENCY_SECONDS = 0.1  # enough for a busy laptop, little enough for a hand on a pot
PLAY_SETTLE_SECONDS = 0.5  # until a stimulus has come through: buffers both ways, with room
QUEUE_BLOCKS = 512  # between the audio thread and the reader: a few seconds of audio

_INVALID_SAMPLE_RATE = -9997  # paInvalidSampleRate in portaudio.h

INSTALL = (
    "PortAudio is missing: on Debian or Ubuntu run 'sudo apt install libportaudio2', on Fedora "
    "'sudo dnf install portaudio', on Windows and macOS 'pip install --force-reinstall "
    "sounddevice', which brings it along."
)


@dataclass(frozen=True, slots=True)
class Device:
    """One audio device as the computer offers it.

    Parameters
    ----------
    host : str
        The sound system that it is reached through; one box often shows up under several.
    samplerate : int
        The rate that the sound system prefers for it.
    """

    index: int
    name: str
    host: str
    inputs: int
    outputs: int
    samplerate: int

    def __str__(self) -> str:
        return f"[{self.index}] {self.name} ({self.host})"


@contextmanager
def _sounddevice(doing: str) -> Iterator[Any]:
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


def list_devices() -> tuple[Device, ...]:
    """All audio devices of this computer, in the order of their index.

    Raises
    ------
    InterfaceError
        If PortAudio is missing, with what to install.
    """
    with _sounddevice("Listing the audio devices") as sounddevice:
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


def find_device(
    devices: Sequence[Device], name: str, *, host: str | None = None, output: bool = False
) -> Device:
    """The one input (or output) device that a piece of its name points to.

    Parameters
    ----------
    devices : sequence of Device
        Where to look: `list_devices()`.
    name : str
        Part of the name, in any case, or the index as a number. A full name wins over parts.
    host : str, optional
        Part of the name of the sound system, where a device shows up under several.

    Raises
    ------
    DeviceNotFound
        If none or several match; the message lists what there is to choose from.
    """
    kind = "output" if output else "input"
    there = [device for device in devices if (device.outputs if output else device.inputs) > 0]
    if not there:
        raise DeviceNotFound(f"This computer has no audio {kind}: plug the interface in.")
    wanted = name.strip().lower()
    found = [
        device
        for device in there
        if (wanted in device.name.lower() or wanted == str(device.index))
        and (host is None or host.lower() in device.host.lower())
    ]
    exact = [d for d in found if wanted in (d.name.lower(), str(d.index))]
    found = exact or found
    if len(found) == 1:
        return found[0]
    under = f" under '{host}'" if host else ""
    choice = ", ".join(map(str, found or there))
    if found:
        raise DeviceNotFound(
            f"'{name}'{under} matches several {kind}s: {choice}; give more of the name, the host "
            "in brackets, or the number."
        )
    raise DeviceNotFound(f"No {kind} matches '{name}'{under}; {kind}s: {choice}.")


class PortAudioInterface:
    """An audio interface of this computer.

    Samples are 32-bit floating point, as PortAudio converts them.

    Parameters
    ----------
    device : str, optional
        Part of the name of the input, or its index; the system's own choice by default.
    output : str, optional
        The same for the output that plays stimuli; by default `device` where it has outputs,
        else the system's own choice.
    host : str, optional
        Part of the name of the sound system.
    samplerate : int
        Frames a second.
    channels : int
        Number of inputs to record, from the first one on.
    dc_coupled : bool
        Whether the input is known to pass DC (hardly any audio input does).

    Raises
    ------
    DeviceNotFound
        If the name does not point to one device.
    RequestError
        If the device cannot record that many channels, or not at that rate.
    InterfaceError
        If PortAudio is missing.
    """

    name = "portaudio"
    bits: int | None = None

    def __init__(
        self,
        device: str | None = None,
        *,
        output: str | None = None,
        host: str | None = None,
        samplerate: int = 48_000,
        channels: int = 2,
        dc_coupled: bool = False,
    ) -> None:
        devices = list_devices()
        self._input = find_device(devices, device or _default("input"), host=host)
        self._output: Device | None = None
        if output is not None:
            self._output = find_device(devices, output, host=host, output=True)
        elif self._input.outputs:
            self._output = self._input
        elif any(d.outputs for d in devices):
            self._output = find_device(devices, _default("output"), output=True)
        self.device = self._input.name
        self.samplerate = samplerate
        self.channels = channels
        self.dc_coupled = dc_coupled
        if not 1 <= channels <= self._input.inputs:
            raise RequestError(
                f"{self._input} has {self._input.inputs} inputs: {channels} channels cannot be "
                "recorded."
            )
        self._require_rate("check_input_settings", self._input, channels)

    def stream(
        self, *, seconds: float | None, stimulus: Samples | None = None
    ) -> Generator[Block, None, None]:
        """Record, and play the stimulus meanwhile when there is one: see `Interface.stream`.

        Buffers that the computer lost are marked where they are missing: `LostBuffers.frames` is
        None where PortAudio tells of a loss but not of its length. A gap in the stimulus counts
        as a loss too. The stimulus arrives some tenths of a second after the recording begins:
        let `capture` settle for `PLAY_SETTLE_SECONDS`.
        """
        total = None if seconds is None else frames_in(seconds, self.samplerate)
        to_play = None if stimulus is None else self._prepared(stimulus)
        received: queue.Queue[_Received | None] = queue.Queue(QUEUE_BLOCKS)
        position = 0
        with _sounddevice(f"Recording from {self._input}") as sounddevice, ExitStack() as streams:
            # Two streams: a single one for both directions lost audio, unflagged, or stalled when
            # it went through the ALSA plug-in of a sound server (docs/interfaces.md).
            gap = Event()
            streams.enter_context(_running(self._recorder(sounddevice, received, gap)))
            if to_play is not None:
                streams.enter_context(_running(self._player(sounddevice, to_play, gap)))
            wait = START_SECONDS
            while total is None or position < total:
                block = self._next(received, wait, position)
                wait = STALL_SECONDS
                samples = block.samples.astype(np.float64)
                if total is not None:
                    samples = samples[: total - position]
                yield Block(samples, position, block.losses_at(position))
                position += len(samples)

    def _next(self, received: "queue.Queue[_Received | None]", wait: float, at: int) -> "_Received":
        try:
            block = received.get(timeout=wait)
        except queue.Empty:
            block = None
        if block is None:
            raise CaptureFailed(
                f"{self._input} stopped delivering audio after {at / self.samplerate:.2f} s: "
                "check its cable and its power, then record again."
            )
        return block

    def _prepared(self, stimulus: Samples) -> Any:
        if self._output is None:
            raise RequestError(
                "This computer has no audio output: a stimulus cannot be played; plug the "
                "interface in or choose a check that only listens."
            )
        outputs = min(self._output.outputs, max(2, 1 if stimulus.ndim == 1 else stimulus.shape[1]))
        self._require_rate("check_output_settings", self._output, outputs)
        return np.ascontiguousarray(stimulus_for_outputs(stimulus, outputs), dtype=np.float32)

    def _require_rate(self, check: str, device: Device, channels: int) -> None:
        with _sounddevice(f"Setting up {device}") as sounddevice:
            try:
                getattr(sounddevice, check)(
                    device=device.index,
                    channels=channels,
                    dtype="float32",
                    samplerate=self.samplerate,
                )
            except sounddevice.PortAudioError as exc:
                if exc.args[1:2] != (_INVALID_SAMPLE_RATE,):
                    raise
                raise RequestError(
                    f"{device} does not run at {self.samplerate} Hz: choose another rate; the "
                    f"computer prefers {device.samplerate} Hz for it."
                ) from exc

    def _recorder(
        self, sounddevice: Any, received: "queue.Queue[_Received | None]", gap: Event
    ) -> Any:
        deliver = _delivery(received)

        def record(indata: Any, frames: int, time: Any, status: Any) -> None:
            lost = status.input_overflow or status.input_underflow or gap.is_set()
            gap.clear()
            deliver(indata, lost)

        def ended() -> None:
            if not received.full():
                received.put_nowait(None)

        return sounddevice.InputStream(
            device=self._input.index,
            channels=self.channels,
            samplerate=self.samplerate,
            dtype="float32",
            latency=LATENCY_SECONDS,
            callback=record,
            finished_callback=ended,
        )

    def _player(self, sounddevice: Any, to_play: Any, gap: Event) -> Any:
        assert self._output is not None
        played = 0

        def play(outdata: Any, frames: int, time: Any, status: Any) -> None:
            nonlocal played
            if status.output_underflow and 0 < played < len(to_play):
                gap.set()
            part = to_play[played : played + frames]
            outdata[: len(part)] = part
            outdata[len(part) :] = 0
            played += frames

        return sounddevice.OutputStream(
            device=self._output.index,
            channels=to_play.shape[1],
            samplerate=self.samplerate,
            dtype="float32",
            latency=LATENCY_SECONDS,
            callback=play,
        )


@contextmanager
def _running(stream: Any) -> Iterator[None]:
    """A started stream, closed at the end whatever happens."""
    try:
        stream.start()
        yield
    finally:
        stream.close()


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


def _default(kind: str) -> str:
    """Index, as text, of the device that the system prefers."""
    with _sounddevice(f"Asking for the usual {kind}") as sounddevice:
        try:
            return str(sounddevice.query_devices(kind=kind)["index"])
        except sounddevice.PortAudioError as exc:
            raise DeviceNotFound(
                f"This computer has no usual audio {kind}: plug the interface in, or name a device."
            ) from exc
