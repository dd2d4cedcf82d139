"""A private PulseAudio server.

Its device ``bench`` is a loop from output to input; its device ``rig`` leads, where one is
running, through a software instrument (`tests.interface.instrument`).
"""

import contextlib
import os
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from .instrument import (
    CHANNEL_MAP,
    CHANNELS,
    Instrument,
    running_instrument,
    runs_like_hardware,
)

PACKAGES = "libportaudio2 pulseaudio pulseaudio-utils libasound2-plugins"


@dataclass(frozen=True)
class SoundServer:
    """A running server, and the environment in which programs find its devices."""

    process: subprocess.Popen[bytes]
    environment: dict[str, str]

    def order(self, command: str) -> None:
        """Give a server with a rig an order in the language of its start-up file."""
        with socket.socket(socket.AF_UNIX) as line:
            line.connect(str(Path(self.environment["HOME"]) / "orders.sock"))
            line.sendall(f"{command}\n".encode())
            line.shutdown(socket.SHUT_WR)
            while line.recv(4096):  # until it is done
                pass


def _add_rig(home: Path, rate: int) -> None:
    with (home / "pulse.conf").open("a") as conf:
        conf.write(f"load-module module-cli-protocol-unix socket={home / 'orders.sock'}\n")
        for sink in ("to_unit", "from_unit"):
            conf.write(
                f"load-module module-null-sink sink_name={sink} rate={rate} channels={CHANNELS} "
                f"channel_map={CHANNEL_MAP} format=float32le\n"
            )
    # Else two channels are spread over all four, and four are mixed into two.
    (home / ".config" / "pulse").mkdir(parents=True)
    (home / ".config" / "pulse" / "daemon.conf").write_text("enable-remixing = no\n")


@contextlib.contextmanager
def running_sound_server(rig_rate: int | None = None) -> Iterator[SoundServer]:
    """Start a server of our own, apart from any other on this machine, and stop it at the end.

    With a rate it also has the device ``rig``, and keeps each channel to itself where a stream
    has another number of them than its sink.
    """
    missing = [
        name for name in ("pulseaudio", "pactl", "pacat", "parec") if shutil.which(name) is None
    ]
    if missing:
        pytest.skip(f"NO AUDIO SERVER, real streams untested: apt-get install {PACKAGES}")
    # Not in pytest's own temporary directory: the path of a socket may hold 107 characters at most.
    with tempfile.TemporaryDirectory(prefix="bench", ignore_cleanup_errors=True) as directory:
        home = Path(directory)
        home.chmod(0o700)
        place = home / "pulse.sock"
        (home / "pulse.conf").write_text(
            f"load-module module-native-protocol-unix socket={place} auth-anonymous=1\n"
            "load-module module-null-sink sink_name=bench rate=48000 channels=2 format=float32le\n"
        )
        if rig_rate is not None:
            _add_rig(home, rig_rate)
        devices = {"bench": ("bench", "bench")}
        if rig_rate is not None:
            devices["rig"] = ("to_unit", "from_unit")
        (home / ".asoundrc").write_text(
            "".join(
                f"pcm.{name} {{ type asym\n"
                f'  playback.pcm {{ type pulse server "unix:{place}" device {sink} }}\n'
                f'  capture.pcm {{ type pulse server "unix:{place}" device {source}.monitor }}\n'
                "}\n"
                for name, (sink, source) in devices.items()
            )
        )
        environment = os.environ | {
            "HOME": str(home),
            "XDG_RUNTIME_DIR": str(home),
            "PULSE_SERVER": f"unix:{place}",
            "PULSE_SINK": "bench",
            "PULSE_SOURCE": "bench.monitor",
            "PYTHONPATH": str(Path(__file__).parents[2]),
        }
        log = home / "pulse.log"
        with log.open("wb") as output:
            process = subprocess.Popen(
                [
                    *("pulseaudio", "-n", "-F", str(home / "pulse.conf"), "--daemonize=no"),
                    *("--exit-idle-time=-1", "--use-pid-file=no", "--disable-shm"),
                ],
                env=environment,
                stdout=output,
                stderr=subprocess.STDOUT,
            )
        try:
            for _ in range(200):  # 20 s
                answer = subprocess.run(
                    ["pactl", "list", "short", "sinks"], env=environment, capture_output=True
                )
                if b"bench" in answer.stdout:
                    break
                if process.poll() is not None:
                    pytest.skip(f"NO AUDIO SERVER, real streams untested:\n{log.read_text()}")
                time.sleep(0.1)
            else:
                pytest.fail(f"the audio server did not come up:\n{log.read_text()}")
            runs_like_hardware(process.pid)  # not sooner: it begins with giving up such priorities
            # A null sink that no one hurries works in blocks of 2 s, unlike any sound card: a
            # player of silence and a listener keep its blocks at 20 ms.
            keepers = [
                subprocess.Popen(
                    [program, "--raw", "--latency-msec=20", file],
                    env=environment,
                    stderr=subprocess.DEVNULL,
                )
                for program, file in (("pacat", "/dev/zero"), ("parec", "/dev/null"))
            ]
            for keeper in keepers:
                runs_like_hardware(keeper.pid)
            try:
                yield SoundServer(process, environment)
            finally:
                for keeper in keepers:
                    keeper.kill()
                    keeper.wait()
        finally:
            process.kill()
            process.wait()


# For a module and no longer: with its player and listener a server takes a tenth of a processor.
@pytest.fixture(scope="module")
def sound_server() -> Iterator[SoundServer]:
    with running_sound_server() as server:
        yield server


@pytest.fixture
def doomed_sound_server() -> Iterator[SoundServer]:
    """A server that the test may kill."""
    with running_sound_server() as server:
        yield server


@pytest.fixture(scope="module")
def rig_server() -> Iterator[SoundServer]:
    """A server with the device ``rig`` at 48 kHz."""
    with running_sound_server(rig_rate=48_000) as server:
        yield server


@pytest.fixture
def instrument(rig_server: SoundServer) -> Iterator[Instrument]:
    """An instrument at the device ``rig`` of `rig_server`: it passes on what it receives."""
    with running_instrument(rig_server.environment) as running:
        yield running
