"""A sounddevice module of our own, for the sound systems of other computers.

It keeps what it was asked, and its streams run in threads like the real ones: each input of a
device delivers its own number / 64, and what is played is kept.
"""

import threading
import time
from types import SimpleNamespace
from typing import Any

import numpy as np

BLOCK = 480


class PortAudioError(Exception):
    """As in sounddevice: a text and PortAudio's number."""


class SoundSystem:
    """One computer: what is plugged in now, and what PortAudio saw when it last looked."""

    PortAudioError = PortAudioError

    def __init__(self, *devices: tuple[str, str, int, int]) -> None:
        self.plugged = devices  # name, host, inputs, outputs
        self.rates: set[int] | None = None  # those that devices run at; None for all
        self.whole = False  # whether devices must be opened with all of their channels
        self.runs_at: float | None = None
        self.opened: list[dict[str, Any]] = []
        self.checked: list[dict[str, Any]] = []
        self.played: list[np.ndarray] = []
        self._initialize()

    def _initialize(self) -> None:
        self.seen = self.plugged

    def _terminate(self) -> None:
        assert not any(one["stream"].running for one in self.opened)

    def _exit_handler(self) -> None:
        pass

    @property
    def hosts(self) -> list[str]:
        return list(dict.fromkeys(device[1] for device in self.seen))

    def query_hostapis(self) -> list[dict[str, Any]]:
        return [{"name": host} for host in self.hosts]

    def query_devices(self, *, kind: str | None = None) -> Any:
        devices = [
            {
                "index": index,
                "name": name,
                "hostapi": self.hosts.index(host),
                "max_input_channels": inputs,
                "max_output_channels": outputs,
                "default_samplerate": 48_000.0,
            }
            for index, (name, host, inputs, outputs) in enumerate(self.seen)
        ]
        if kind is None:
            return devices
        return next(device for device in devices if device[f"max_{kind}_channels"])

    def WasapiSettings(self, **settings: Any) -> tuple[str, dict[str, Any]]:  # noqa: N802
        return "wasapi", settings

    def CoreAudioSettings(self, **settings: Any) -> tuple[str, dict[str, Any]]:  # noqa: N802
        return "core audio", settings

    def check_input_settings(self, **settings: Any) -> None:
        self._check(settings, self.seen[settings["device"]][2])

    def check_output_settings(self, **settings: Any) -> None:
        self._check(settings, self.seen[settings["device"]][3])

    def _check(self, settings: dict[str, Any], there: int) -> None:
        self.checked.append(settings)
        if self.whole and settings["channels"] != there:
            raise PortAudioError("Invalid number of channels", -9998)
        if self.rates is not None and settings["samplerate"] not in self.rates:
            raise PortAudioError("Invalid sample rate", -9997)

    def InputStream(self, **settings: Any) -> "Stream":  # noqa: N802
        block = np.tile(np.arange(1, settings["channels"] + 1) / 64, (BLOCK, 1))

        def deliver(status: Any) -> None:
            settings["callback"](block.astype(np.float32), BLOCK, None, status)

        return self._stream(settings, deliver)

    def OutputStream(self, **settings: Any) -> "Stream":  # noqa: N802
        def fetch(status: Any) -> None:
            outdata = np.full((BLOCK, settings["channels"]), np.nan, dtype=np.float32)
            settings["callback"](outdata, BLOCK, None, status)
            self.played.append(outdata)

        return self._stream(settings, fetch)

    def _stream(self, settings: dict[str, Any], turn: Any) -> "Stream":
        stream = Stream(turn, self.runs_at or settings["samplerate"])
        self.opened.append(settings | {"stream": stream})
        return stream


class Stream:
    """A stream that takes its turn until it is closed."""

    def __init__(self, turn: Any, samplerate: float) -> None:
        self.samplerate = samplerate
        self.running = False
        self._turn = turn
        self._thread = threading.Thread(target=self._run, daemon=True)

    def _run(self) -> None:
        fine = SimpleNamespace(input_overflow=False, input_underflow=False, output_underflow=False)
        while self.running:
            self._turn(fine)
            time.sleep(0.001)

    def start(self) -> None:
        self.running = True
        self._thread.start()

    def close(self) -> None:
        assert not self.running, "stopped before it is closed"

    def stop(self) -> None:
        if self.running:
            self.running = False
            self._thread.join()
