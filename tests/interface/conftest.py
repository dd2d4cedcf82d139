"""A private PulseAudio server with a null sink: a loop from its output to its input."""

import contextlib
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

PACKAGES = "libportaudio2 pulseaudio pulseaudio-utils libasound2-plugins"


@dataclass(frozen=True)
class SoundServer:
    """A running server, and the environment in which programs find it as the device ``bench``."""

    process: subprocess.Popen[bytes]
    environment: dict[str, str]


@contextlib.contextmanager
def running_sound_server() -> Iterator[SoundServer]:
    """Start a server of our own, apart from any other on this machine, and stop it at the end."""
    missing = [
        name for name in ("pulseaudio", "pactl", "pacat", "parec") if shutil.which(name) is None
    ]
    if missing:
        pytest.skip(f"NO AUDIO SERVER, real streams untested: apt-get install {PACKAGES}")
    # Not in pytest's own temporary directory: the path of a socket may hold 107 characters at most.
    with tempfile.TemporaryDirectory(prefix="bench", ignore_cleanup_errors=True) as directory:
        home = Path(directory)
        home.chmod(0o700)
        socket = home / "pulse.sock"
        (home / "pulse.conf").write_text(
            f"load-module module-native-protocol-unix socket={socket} auth-anonymous=1\n"
            "load-module module-null-sink sink_name=bench rate=48000 channels=2 format=float32le\n"
        )
        (home / ".asoundrc").write_text(
            "pcm.bench { type asym\n"
            f'  playback.pcm {{ type pulse server "unix:{socket}" device bench }}\n'
            f'  capture.pcm {{ type pulse server "unix:{socket}" device bench.monitor }}\n'
            "}\n"
        )
        environment = os.environ | {
            "HOME": str(home),
            "XDG_RUNTIME_DIR": str(home),
            "PULSE_SERVER": f"unix:{socket}",
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
            try:
                yield SoundServer(process, environment)
            finally:
                for keeper in keepers:
                    keeper.kill()
                    keeper.wait()
        finally:
            process.kill()
            process.wait()


@pytest.fixture(scope="session")
def sound_server() -> Iterator[SoundServer]:
    with running_sound_server() as server:
        yield server


@pytest.fixture
def doomed_sound_server() -> Iterator[SoundServer]:
    """A server that the test may kill."""
    with running_sound_server() as server:
        yield server
