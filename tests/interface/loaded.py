"""A take through the rig of the tests while the computer is kept from its work."""

import json
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sigbench.checks import measure
from sigbench.model import CheckSettings, LostBuffers, Samples, Source, Take

from .conftest import SoundServer
from .instrument import Instrument, gates

RATE = 48_000
NEAR_SECONDS = 0.04  # before a loss: a dropout so near to it lies inside lost audio
BEGINS_SECONDS = 0.07  # after a loss, as of a take: docs/measurements/dropouts.md
EDGE_SECONDS = 0.1  # of a take: without sound around it nothing is an interruption

RECORD = """
import json, sys
import numpy as np
from sigbench.errors import CaptureFailed
from sigbench.interface.base import capture
from sigbench.interface.pilot import PilotedInterface
from sigbench.interface import portaudio
from sigbench.interface.portaudio import PortAudioInterface

if len(sys.argv) > 3:
    portaudio.STALL_SECONDS = float(sys.argv[3])
inner = PortAudioInterface("rig", samplerate=48000, inputs=(1, 2, 3, 4), outputs=(1, 2, 4))
told = False
def tell(block):
    global told
    if not told:
        print("recording", flush=True)
    told = True
try:
    take = capture(PilotedInterface(inner, 2), seconds=float(sys.argv[2]), on_block=tell)
except CaptureFailed as error:
    sys.exit(str(error))
np.save(sys.argv[1], take.samples.astype(np.float32))
print(json.dumps([(loss.frame, loss.frames, loss.spoiled) for loss in take.lost]))
"""


class TakeEnded(Exception):
    """The audio stood still for so long that the recording program took the device for gone."""


@dataclass(frozen=True)
class Judged:
    """What was said of a take, against what the instrument did.

    Parameters
    ----------
    lost : tuple of LostBuffers
        What the computer lost, as it was found.
    by_the_instrument, inside, found, missed : int
        Dropouts that the instrument made; of them inside lost audio; of the others found and not.
    wrong : tuple of tuple of float
        Start and end of dropouts and dips that were told and that it did not make.
    spared : int
        Interruptions that are told as the computer's.
    """

    lost: tuple[LostBuffers, ...]
    by_the_instrument: int
    inside: int
    found: int
    missed: tuple[tuple[float, float], ...]
    wrong: tuple[tuple[float, float], ...]
    spared: int


def judged(samples: Samples, lost: tuple[LostBuffers, ...]) -> Judged:
    """Compare the dropouts check with what channel 3 tells."""
    frames = len(samples)
    source = Source("interface", None, None, RATE, 2, frames, lost_buffers=len(lost))
    take = Take(np.asarray(samples[:, :2], dtype=np.float64), RATE, source, lost=lost)
    events = measure(take, "dropouts", CheckSettings()).events
    told = [(e.start, e.end) for e in events if e.kind in ("dropout", "dip")]
    near, begins = NEAR_SECONDS * RATE, BEGINS_SECONDS * RATE
    # An interruption has sound before it and after it.
    edge = EDGE_SECONDS * RATE
    made = [gate for gate in gates(samples[:, 2]) if edge < gate[1] and gate[2] < frames - edge]

    def is_inside(start: int, end: int) -> bool:
        return any(
            start <= loss.frame + loss.spoiled + begins and loss.frame <= end + near
            for loss in lost
        )

    clear = [(a / RATE, b / RATE) for _, a, b in made if not is_inside(a, b)]
    missed = [gate for gate in clear if not any(_meet(gate, event) for event in told)]
    # One at the very start or end need not be found, but may be.
    every = [(a / RATE, b / RATE) for _, a, b in gates(samples[:, 2])]
    return Judged(
        lost,
        len({number for number, _, _ in made}),
        len(made) - len(clear),
        len(clear) - len(missed),
        tuple(missed),
        tuple(event for event in told if not any(_meet(gate, event) for gate in every)),
        sum(event.kind == "lost_buffers" for event in events),
    )


def _meet(one: tuple[float, float], other: tuple[float, float]) -> bool:
    slack = 0.002
    return one[0] <= other[1] + slack and other[0] <= one[1] + slack


@contextmanager
def hogs(count: int) -> Iterator[None]:
    """So many processes that never rest."""
    running = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(count)]
    try:
        yield
    finally:
        for hog in running:
            hog.kill()
            hog.wait()


def take_under_load(
    server: SoundServer,
    instrument: Instrument,
    place: Path,
    *,
    seconds: float,
    busy: int,
    hindrances: int,
    seed: int = 1,
    patience: float | None = None,
) -> tuple[Samples, tuple[LostBuffers, ...]]:
    """A take while `busy` processes load the computer, and hindered at random so many times.

    A hindrance stops the recording program or the instrument for some tenths of a second, or
    suspends the sink between them. A patience, in seconds, replaces that of the program with a
    device that delivers nothing.

    Raises
    ------
    TakeEnded
        If the program gave up, with what it said.
    """
    options = [] if patience is None else [str(patience)]
    instrument.change(mode="note", noise_dbfs=-90.0)
    instrument.drop_at_random(seed)
    with (
        hogs(busy),
        subprocess.Popen(
            [sys.executable, "-c", RECORD, str(place), str(seconds), *options],
            env=server.environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        ) as program,
    ):
        try:
            assert program.stdout is not None
            assert program.stderr is not None
            if program.stdout.readline() != "recording\n":
                raise TakeEnded(_last_line(program.stderr.read()))
            over = threading.Event()
            hinder = threading.Thread(
                target=_hinder,
                args=(server, instrument, program, seconds, hindrances, seed, over),
            )
            hinder.start()
            try:
                out, errors = program.communicate(timeout=seconds + 60)
            finally:
                over.set()
                hinder.join()
        finally:
            program.kill()
    if program.returncode:
        raise TakeEnded(f"exit code {program.returncode}: {_last_line(errors)}")
    lost = tuple(LostBuffers(*loss) for loss in json.loads(out.splitlines()[-1]))
    return np.load(place), lost


def _last_line(text: str) -> str:
    """What a program said last; ALSA remarks on underruns by itself."""
    said = [line for line in text.splitlines() if not line.startswith("ALSA lib")]
    return (said or ["nothing"])[-1]


def _hinder(
    server: SoundServer,
    instrument: Instrument,
    program: "subprocess.Popen[str]",
    seconds: float,
    count: int,
    seed: int,
    over: threading.Event,
) -> None:
    chance = random.Random(seed)
    begun = time.monotonic()
    for number in range(count):
        at = begun + (number + chance.uniform(0.3, 0.7)) * seconds / count
        if over.wait(max(0.0, at - time.monotonic())):
            return
        length = chance.uniform(0.05, 0.4)
        match number % 3:
            case 0:
                _pause(program.pid, length)
            case 1:
                _pause(instrument.process.pid, length)
            case 2:
                server.order("suspend-sink from_unit 1")
                time.sleep(length)
                server.order("suspend-sink from_unit 0")


def _pause(process: int, seconds: float) -> None:
    os.kill(process, signal.SIGSTOP)
    time.sleep(seconds)
    os.kill(process, signal.SIGCONT)
