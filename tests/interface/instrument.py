"""A software instrument in a process of its own, between two sinks of a sound server.

What the rig plays comes to it from one sink, and what it makes goes to the rig through another.
Both have four channels:

====== ======================= ====================================================
number towards the instrument  from the instrument
====== ======================= ====================================================
1, 2   its inputs              its outputs
3      nothing                 how many dropouts there were, while there is one
4      the pilot's cable       the pilot's cable, as it came
====== ======================= ====================================================

All four go through the same streams: whatever the computer does to audio it does to all of them.
A dropout that the instrument makes is on its outputs alone, and channel 3 tells, within the take
itself, from which frame to which: `gates` reads it.

Run as a program it takes its settings, and changes of them, as lines of JSON, and ends with its
input.
"""

import array
import contextlib
import itertools
import json
import os
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO, Literal

import numpy as np
from numpy.typing import NDArray

CHANNELS = 4
CHANNEL_MAP = "front-left,front-right,rear-left,rear-right"
BLOCK_SECONDS = 0.01
GATE_STEP = 0.001  # of channel 3, for each dropout there was
PIPE_BYTES = 65536  # of Linux: pipe(7)
REAL_TIME_PRIORITY = 1  # the lowest: before everything that is not of the real-time kind
FILL_SECONDS = 1.0  # of silence: far more than all buffers hold
BROKEN = 1e-4  # what an open contact lets through, -80 dB


@dataclass(frozen=True)
class Sound:
    """What the instrument does, until it is told otherwise.

    Parameters
    ----------
    mode : {"through", "note", "idle"}
        Passes on what it receives, plays a note of its own, or is silent but for its noise.
    gain : tuple of float
        Factors of its two outputs.
    level_dbfs : float
        Peak of the note.
    noise_dbfs, hum_dbfs : float
        RMS of its noise and of its hum (50 and 100 Hz) re a full-scale sine's; -inf for none.
    crosstalk_db : float
        What of each output's sound goes into the other, before the noise is added.
    """

    mode: Literal["through", "note", "idle"] = "through"
    gain: tuple[float, float] = (1.0, 1.0)
    level_dbfs: float = -12.0
    noise_dbfs: float = -100.0
    hum_dbfs: float = float("-inf")
    crosstalk_db: float = float("-inf")


class Instrument:
    """A running instrument, as the tests have it in hand."""

    def __init__(self, process: "subprocess.Popen[str]", rate: int, sound: Sound) -> None:
        self.process = process
        self.rate = rate
        self.sound = sound

    def change(self, **settings: object) -> None:
        """Set anything of `Sound` anew."""
        self.sound = replace(self.sound, **settings)  # type: ignore[arg-type]
        self._tell({"sound": self.sound.__dict__})

    def drop(self, seconds: float, channels: tuple[int, ...] = (1, 2)) -> None:
        """Make a dropout now."""
        self._tell({"drop": [seconds, list(channels)]})

    def drop_at_random(self, seed: int, gap: tuple[float, float] = (0.5, 1.5)) -> None:
        """Make dropouts of 5 to 80 ms from now on, so many seconds apart."""
        self._tell({"random": [seed, *gap]})

    def _tell(self, what: dict[str, object]) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps(what) + "\n")
        self.process.stdin.flush()


@contextlib.contextmanager
def running_instrument(
    environment: dict[str, str], rate: int = 48_000, sound: Sound | None = None
) -> Iterator[Instrument]:
    """An instrument between the sinks ``to_unit`` and ``from_unit`` of a server that runs."""
    sound = sound or Sound()
    with subprocess.Popen(
        [sys.executable, "-m", "tests.interface.instrument", str(rate)],
        env=environment,
        cwd=Path(__file__).parents[2],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        instrument = Instrument(process, rate, sound)
        try:
            instrument.change()
            assert process.stdout is not None
            assert process.stdout.readline() == "running\n"
            yield instrument
        finally:
            process.kill()


def gates(told: NDArray[np.float64]) -> list[tuple[int, int, int]]:
    """Number, first frame and end frame of each dropout that channel 3 tells of.

    One that a loss has parted comes in parts of the same number.
    """
    numbers = np.rint(told / GATE_STEP).astype(int)
    changes = np.flatnonzero(np.diff(numbers, prepend=0, append=0))
    pairs = itertools.pairwise(changes)
    return [(int(numbers[a]), int(a), int(b)) for a, b in pairs if numbers[a] > 0]


class _Voice:
    """The instrument's sound, block by block."""

    def __init__(self, rate: int) -> None:
        self._rate = rate
        self._sound = Sound("idle", noise_dbfs=float("-inf"))
        self._frame = 0
        self._drops: list[tuple[int, int, list[int]]] = []  # first frame, end, columns
        self._count = 0
        self._random: tuple[np.random.Generator, float, float] | None = None
        second = np.arange(rate) / rate
        partials = np.arange(1, 16)
        note = np.sin(2 * np.pi * 220 * np.outer(partials, second) + partials[:, np.newaxis] ** 2)
        saw = (note / partials[:, np.newaxis]).sum(axis=0)
        self._note = saw / np.max(np.abs(saw))
        self._hum = np.sin(2 * np.pi * 50 * second) + np.sin(2 * np.pi * 100 * second)
        noise = np.random.default_rng(1).standard_normal((round(7.3 * rate), 2))
        self._noise = noise * np.sqrt(0.5)

    def told(self, what: dict[str, object]) -> None:
        match what:
            case {"sound": dict(settings)}:
                self._sound = Sound(**settings)
            case {"drop": [float(seconds), [*channels]]}:
                self._drop(self._frame, seconds, [int(channel) for channel in channels])
            case {"random": [int(seed), float(least), float(most)]}:
                self._random = (np.random.default_rng(seed), least, most)

    def _drop(self, start: int, seconds: float, channels: list[int]) -> None:
        columns = [channel - 1 for channel in channels]
        self._drops.append((start, start + round(seconds * self._rate), columns))

    def _drop_by_chance(self) -> None:
        if self._random is not None and not self._drops:
            chance, least, most = self._random
            start = self._frame + round(chance.uniform(least, most) * self._rate)
            channels = [[1], [2], [1, 2]][chance.integers(3)]
            self._drop(start, float(chance.uniform(0.005, 0.08)), channels)

    def sounded(self, received: NDArray[np.float32]) -> NDArray[np.float32]:
        """What goes out while this comes in, both of shape (frames, 4)."""
        frames, sound = len(received), self._sound
        at = np.arange(self._frame, self._frame + frames)
        out = np.zeros((frames, CHANNELS), dtype=np.float32)
        if sound.mode == "through":
            out[:, :2] = received[:, :2]
        elif sound.mode == "note":
            out[:, :2] = _amplitude(sound.level_dbfs) * self._note[at % self._rate, np.newaxis]
        out[:, :2] += _amplitude(sound.crosstalk_db) * out[:, 1::-1]
        out[:, :2] += _amplitude(sound.noise_dbfs) * self._noise[at % len(self._noise)]
        out[:, :2] += _amplitude(sound.hum_dbfs) * self._hum[at % self._rate, np.newaxis]
        out[:, :2] *= sound.gain
        out[:, 3] = received[:, 3]
        self._drop_by_chance()
        for drop in list(self._drops):
            self._break_contact(out, drop)
        self._frame += frames
        return out

    def _break_contact(self, out: NDArray[np.float32], drop: tuple[int, int, list[int]]) -> None:
        start, end, columns = drop
        if self._frame <= start < self._frame + len(out):
            self._count += 1
        here = slice(max(0, start - self._frame), max(0, end - self._frame))
        for column in columns:
            out[here, column] *= BROKEN
        out[here, 2] = self._count * GATE_STEP
        if end <= self._frame + len(out):
            self._drops.remove(drop)


def _amplitude(dbfs: float) -> float:
    return float(10 ** (dbfs / 20))


def _stream(program: str, device: str, rate: int, latency: int) -> "subprocess.Popen[bytes]":
    return subprocess.Popen(
        [
            *(program, "--raw", "--format=float32le", f"--rate={rate}", f"--channels={CHANNELS}"),
            *(f"--channel-map={CHANNEL_MAP}", f"--latency-msec={latency}", f"--device={device}"),
        ],
        stdin=subprocess.PIPE if program == "pacat" else subprocess.DEVNULL,
        stdout=subprocess.PIPE if program == "parec" else None,
        stderr=subprocess.DEVNULL,
    )


def runs_like_hardware(process: int = 0) -> None:
    """Let a process, and what it starts from now on, not wait for a processor, where that may be.

    An instrument and a sound card do not share the computer's. Root may give such a priority.
    """
    with contextlib.suppress(AttributeError, PermissionError):
        os.sched_setscheduler(process, os.SCHED_RR, os.sched_param(REAL_TIME_PRIORITY))


def _has_gathered(pipe: IO[bytes]) -> bool:
    """Whether a pipe, which holds 85 ms, is more than half full."""
    import fcntl  # not on Windows: the tests are read there, though no such server runs
    import termios

    waiting = array.array("i", [0])
    fcntl.ioctl(pipe, termios.FIONREAD, waiting)
    return waiting[0] > PIPE_BYTES / 2


def _begin(source: IO[bytes], sink: IO[bytes], size: int) -> None:
    """Fill the buffers with silence and pass over what has gathered: both streams are at work.

    A source that began later than the silence has gone would leave the buffers empty.
    """
    source.read(size)
    sink.write(bytes(round(FILL_SECONDS / BLOCK_SECONDS) * size))
    sink.flush()
    waited = 0.0
    while waited < BLOCK_SECONDS / 2:
        before = time.monotonic()
        if not source.read(size):
            return
        waited = time.monotonic() - before


def main() -> None:
    runs_like_hardware()
    rate = int(sys.argv[1])
    voice = _Voice(rate)
    orders: queue.SimpleQueue[dict[str, object] | None] = queue.SimpleQueue()

    def listen() -> None:
        for line in sys.stdin:
            orders.put(json.loads(line))
        orders.put(None)

    threading.Thread(target=listen, daemon=True).start()
    size = round(BLOCK_SECONDS * rate) * CHANNELS * 4
    source = _stream("parec", "to_unit.monitor", rate, 20)
    sink = _stream("pacat", "from_unit", rate, 40)
    try:
        assert source.stdout is not None
        assert sink.stdin is not None
        _begin(source.stdout, sink.stdin, size)
        print("running", flush=True)
        while block := source.stdout.read(size):
            while not orders.empty():
                if (order := orders.get()) is None:
                    return
                voice.told(order)
            if _has_gathered(source.stdout) and _has_gathered(sink.stdin):
                continue  # it was held up, and what came then would come late, and all that follows
            received = np.frombuffer(block, dtype="<f4").reshape(-1, CHANNELS)
            sink.stdin.write(voice.sounded(received).astype("<f4").tobytes())
            sink.stdin.flush()
    except BrokenPipeError:
        pass  # the server has gone
    finally:
        for process in (source, sink):
            process.kill()


if __name__ == "__main__":
    main()
