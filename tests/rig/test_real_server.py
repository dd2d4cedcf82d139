"""The rig from set-up to readings in volts, as a person does it: command by command.

The programs' audio goes through a sound server, and through an instrument in a process of its own
between two of its sinks (`tests.interface.instrument`). The instrument's gains stand for the
sensitivities of the interface's inputs: what comes back from an output at a known voltage tells
them, and they hold for the instrument's own note as well.

Commands that lost audio on a busy machine say so, and are given again.
"""

import json
import math
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tests.interface.conftest import SoundServer, running_sound_server
from tests.interface.instrument import Instrument, Sound, running_instrument

pytestmark = pytest.mark.real_time

TRIES = 6
OVERLOADED = ("lost audio", "stopped delivering", "pilot tone")
ONE_SECOND = 1.0

# Several commands in one process, with as much measured of a rig as its figures need: a command a
# line, and what came of it. Waiting for three seconds of noise is as good as for ten here. The
# lowest tones of a response lie 1.6 Hz apart, which are the four bins of its window in 2.5 s; its
# noise is 110 dB below the tones even then.
COMMANDS = """
import contextlib, io, json, sys
from sigbench.cli import main
from sigbench.measure import response
from sigbench.rig import limits

response.SECONDS = 2.7
limits.LEVELS_DBFS = (-40.0, -12.0)
limits.LATENCY_TAKES = 2
limits.own_noise.__kwdefaults__["seconds"] = 3.0
for line in sys.stdin:
    out, err = (io.TextIOWrapper(io.BytesIO(), "utf-8") for _ in range(2))
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(json.loads(line))
    said = []
    for stream in (out, err):
        stream.flush()
        said.append(stream.buffer.getvalue().decode())
    print(json.dumps([code, *said]), flush=True)
"""

# The program itself, telling how many frames have come to it before it writes them.
RECORD_AND_TELL = """
import sys
from sigbench.bench.recording import SavedFile
from sigbench.cli import main

add = SavedFile.add

def told(self, block):
    print(block.first_frame + len(block.samples), flush=True)
    add(self, block)

SavedFile.add = told
sys.exit(main(sys.argv[1:]))
"""


@dataclass(frozen=True)
class Outcome:
    """What became of a command."""

    code: int
    out: str
    err: str

    @property
    def found(self) -> dict[str, Any]:
        """The object that it printed."""
        found: dict[str, Any] = json.loads(self.out)
        return found

    @property
    def is_whole(self) -> bool:
        """Whether it went through, and nothing was lost of its audio."""
        return self.code in (0, 1) and "lost audio" not in self.err

    @property
    def is_overloaded(self) -> bool:
        """Whether it failed for want of a computer that is quick enough."""
        words = " ".join(self.err.split())
        return any(sign in words for sign in OVERLOADED)


Command = Callable[..., Outcome]


@contextmanager
def bench_with_rig(
    folder: Path, rate: int, sound: Sound
) -> Iterator[tuple[SoundServer, Instrument]]:
    """A server with an instrument, and the environment of a person with a bench folder."""
    with (
        running_sound_server(rig_rate=rate) as server,
        running_instrument(server.environment, rate, sound) as instrument,
    ):
        server.environment["SIGBENCH_FOLDER"] = str(folder)
        server.environment["OPENBLAS_NUM_THREADS"] = "1"
        yield server, instrument


@contextmanager
def command_line(server: SoundServer) -> Iterator[Command]:
    """What a person types ``sigbench`` before."""
    with subprocess.Popen(
        [sys.executable, "-c", COMMANDS],
        env=server.environment,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as program:
        assert program.stdin is not None
        assert program.stdout is not None

        def call(*arguments: object) -> Outcome:
            assert program.stdin is not None
            assert program.stdout is not None
            outcome = None
            for _ in range(TRIES):
                program.stdin.write(json.dumps([str(word) for word in arguments]) + "\n")
                program.stdin.flush()
                outcome = Outcome(*json.loads(program.stdout.readline()))
                if outcome.is_whole:
                    return outcome
                if not outcome.is_overloaded:
                    break
            return pytest.fail(f"{arguments}: {outcome}")

        try:
            yield call
        finally:
            program.stdin.close()


def value_of(found: dict[str, Any], name: str, unit: str, channel: int | None) -> float:
    value = reading_of(found, name, unit, channel)["value"]
    assert isinstance(value, float)
    return value


def reading_of(found: dict[str, Any], name: str, unit: str, channel: int | None) -> dict[str, Any]:
    readings = found["readings"] if "readings" in found else found["limits"]["readings"]
    (one,) = (r for r in readings if (r["name"], r["unit"], r["channel"]) == (name, unit, channel))
    reading: dict[str, Any] = one
    return reading


def volts_of(dbu: float) -> float:
    """0 dBu is the voltage of 1 mW in 600 ohms."""
    return math.sqrt(0.6) * 10 ** (dbu / 20)


OUTPUTS_DBU = (14.0, 14.3)  # what the outputs' full scale is taken to be
SENSITIVITIES = (0.9, 0.8)
TONE_DBFS = -12.0  # of the tone for the meter, and of the stimulus sine-997


def test_levels_come_in_volts_once_the_rig_is_calibrated(tmp_path: Path) -> None:
    sound = Sound(gain=SENSITIVITIES, noise_dbfs=-110.0)
    with (
        bench_with_rig(tmp_path / "bench", 44_100, sound) as (server, instrument),
        command_line(server) as sigbench,
    ):
        options = ("--rate", 44_100, "--pilot", "4:4", "--gain", "at noon", "--yes")
        assert "rig (ALSA)" in sigbench("rig", "setup", "--device", "rig", *options).out

        read = [f"{volts_of(dbu + TONE_DBFS):.4f}" for dbu in OUTPUTS_DBU]
        voltages = [word for volts in read for word in ("--volts", volts)]
        sigbench("rig", "calibrate", "--meter", "0.5% + 3", *voltages, "--loaded", "--yes")
        inputs = sigbench("rig", "show", "--json").found["calibration"]["inputs"]
        assert [one["dbu"] for one in inputs] == pytest.approx(
            [
                dbu - 20 * math.log10(sensitivity)
                for dbu, sensitivity in zip(OUTPUTS_DBU, SENSITIVITIES, strict=True)
            ],
            abs=2e-3,  # the meter's last digit is 0.0009 dB
        )

        through = ("record", "--check", "tone", "--seconds", 1, "--json")
        found = sigbench(*through, "--play", "sine-997").found
        for channel, dbu in enumerate(OUTPUTS_DBU, start=1):
            level = dbu + TONE_DBFS
            assert value_of(found, "tone_level", "dBu", channel) == pytest.approx(level, abs=2e-3)
            volts = reading_of(found, "tone_level", "V", channel)
            assert volts["value"] == pytest.approx(volts_of(level), rel=3e-4)
            # 0.5 % of the reading and 3.5 digits, as a rectangle: GUM (JCGM 100:2008) 4.3.7.
            meter = (0.005 * volts_of(level) + 3.5e-4) / math.sqrt(3)
            assert meter <= volts["uncertainty"] < 1.1 * meter

        instrument.change(mode="note", level_dbfs=-20.0)
        found = sigbench(*through, "--frequency", 220).found
        # The peak is at -20 dBFS of the outputs' full scale, which the inputs hear as it is.
        for channel, dbu in enumerate(OUTPUTS_DBU, start=1):
            peak = value_of(found, "level_true_peak", "dBu", channel)
            assert peak == pytest.approx(dbu - 20.0, abs=0.02)
            in_dbfs = value_of(found, "level_true_peak", "dBFS", channel)
            assert peak - in_dbfs == pytest.approx(inputs[channel - 1]["dbu"], abs=1e-9)
        # The saw's strongest partial against the second, of half its size: -6.02 dB.
        harmonics = reading_of(found, "harmonics", "dB", 1)["value"]
        assert harmonics[0] == pytest.approx(20 * math.log10(1 / 2), abs=0.01)
        balance = [r for r in found["readings"] if r["name"] == "balance"]
        assert balance[0]["value"] == pytest.approx(OUTPUTS_DBU[0] - OUTPUTS_DBU[1], abs=4e-3)

        instrument.change(mode="through", gain=(0.9 * 1.2, 0.8))
        held = sigbench("rig", "check", "--yes")
        assert held.code == 1
        said = " ".join(held.out.split())
        assert "Input 1: +1.58 dB against its calibration." in said  # 20 log10(1.2)
        assert "input 1 reads +1.58 dB" in said.replace("Input 1 reads", "input 1 reads")
        assert "nput 2 reads" not in said


NOISE_DBFS = -95.0
HUM_DBFS = -105.0
# What white noise up to half the rate has from 20 Hz to 20 kHz, and the hum of 50 and 100 Hz.
OWN_DBFS = 10 * math.log10(
    10 ** (NOISE_DBFS / 10) * (20_000 - 20) / 24_000 + 2 * 10 ** (HUM_DBFS / 10)
)


def test_what_the_rig_does_by_itself_is_never_the_instruments(tmp_path: Path) -> None:
    own = Sound(noise_dbfs=NOISE_DBFS, hum_dbfs=HUM_DBFS, crosstalk_db=-80.0)
    with (
        bench_with_rig(tmp_path / "bench", 48_000, own) as (server, instrument),
        command_line(server) as sigbench,
    ):
        sigbench("rig", "setup", "--device", "rig", "--rate", 48_000, "--pilot", "4:4", "--yes")
        rig = sigbench("rig", "limits", "--yes", "--json").found
        for channel in (1, 2):
            noise = value_of(rig, "noise_rms", "dBFS", channel)
            assert noise == pytest.approx(OWN_DBFS, abs=0.1)
            hum = value_of(rig, "hum_1x", "dBFS", channel)
            assert hum == pytest.approx(HUM_DBFS, abs=0.3)
            crosstalk = value_of(rig, "crosstalk", "dB", channel)
            assert crosstalk == pytest.approx(-80.0, abs=0.3)
            by_level = reading_of(rig, "thd_n_by_level", "dB", channel)["value"]
            assert [level for level, _ in by_level] == pytest.approx([-40, -12], abs=0.01)
            for level, share in by_level:
                assert share == pytest.approx(noise - level, abs=0.3)
            response = np.array(reading_of(rig, "response", "dB", channel)["value"])
            assert np.all(np.abs(response[:, 1]) < 0.05)
        clock = value_of(rig, "clock_difference", "ppm", None)
        assert clock == pytest.approx(0.0, abs=0.1)  # each frame that is played comes back
        assert value_of(rig, "latency", "s", None) > 0.02  # of the instrument's own buffers

        idle = ("record", "--check", "idle", "--seconds", 3, "--json")
        instrument.change(mode="idle")
        silent = sigbench(*idle).found
        instrument.change(noise_dbfs=-75.0, hum_dbfs=-75.0)
        noisy = sigbench(*idle).found
        for name in ("noise_rms", "noise_a", "noise_468", "hum_1x", "hum_2x", "hum_total"):
            for channel in (1, 2):
                bound = reading_of(silent, name, "dBFS", channel)
                assert (bound["state"], bound["upper_bound"]) == ("rig-limited", True), name
                assert reading_of(noisy, name, "dBFS", channel)["state"] == "ok", name
        assert value_of(noisy, "hum_1x", "dBFS", 2) == pytest.approx(-75.0, abs=0.1)

        instrument.change(noise_dbfs=NOISE_DBFS, hum_dbfs=HUM_DBFS, mode="through")
        tone = ("record", "--check", "tone", "--seconds", 1, "--json")
        clean = sigbench(*tone, "--play", "sine-997").found
        for channel in (1, 2):
            assert reading_of(clean, "thd_n", "dB", channel)["state"] == "rig-limited"


def test_a_server_that_does_nothing_to_the_audio_is_found_clean(tmp_path: Path) -> None:
    sound = Sound(gain=SENSITIVITIES, noise_dbfs=NOISE_DBFS, hum_dbfs=HUM_DBFS, crosstalk_db=-80.0)
    with (
        bench_with_rig(tmp_path / "bench", 48_000, sound) as (server, _),
        command_line(server) as sigbench,
    ):
        sigbench("rig", "setup", "--device", "rig", "--rate", 48_000, "--pilot", "4:4", "--yes")
        tested = sigbench("rig", "test", "--yes", "--json")
        assert tested.code == 0, tested.out


def set_up(server: SoundServer, rate: int, *options: str) -> None:
    command = ["rig", "setup", "--device", "rig", "--rate", str(rate), *options, "--yes"]
    subprocess.run(
        [sys.executable, "-m", "sigbench", *command],
        env=server.environment,
        check=True,
        capture_output=True,
    )


def test_a_server_that_dies_leaves_a_take_that_can_be_measured(tmp_path: Path) -> None:
    place = tmp_path / "take.w64"
    options = ("--check", "dropouts", "--seconds", "60", "--save", str(place))
    with bench_with_rig(tmp_path / "bench", 48_000, Sound(mode="note")) as (server, _):
        set_up(server, 48_000, "--pilot", "4:4")
        with subprocess.Popen(
            [sys.executable, "-m", "sigbench", "record", *options],
            env=server.environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        ) as program:
            there = _wait_for(place, 48_000, program)
            server.process.kill()
            out, err = program.communicate(timeout=60)
    assert (program.returncode, out) == (3, "")
    *_, kept, said = err.splitlines()
    assert kept.endswith(f"is in {place}")
    assert said.startswith("sigbench: ")
    assert soundfile.info(place).frames >= there
    measured = subprocess.run(
        [sys.executable, "-m", "sigbench", "measure", place, "--check", "dropouts", "--json"],
        capture_output=True,
        check=True,
    )
    found = json.loads(measured.stdout)
    assert found["source"]["frames"] == soundfile.info(place).frames
    assert [value_of(found, "dropouts", "1", channel) for channel in (1, 2)] == [0, 0]


def test_killed_recordings_open_and_lack_a_second_at_most(tmp_path: Path) -> None:
    chance = random.Random(7)
    rate = 96_000
    with (
        bench_with_rig(tmp_path / "bench", rate, Sound(mode="note")) as (server, _),
        ExitStack() as stack,
    ):
        set_up(server, rate)
        programs = {}
        for name in ("a.w64", "b.wav", "c.w64"):
            options = ("--check", "dropouts", "--seconds", "60", "--save", str(tmp_path / name))
            programs[tmp_path / name] = stack.enter_context(
                subprocess.Popen(
                    [sys.executable, "-c", RECORD_AND_TELL, "record", *options],
                    env=server.environment,
                    stdout=subprocess.PIPE,
                    text=True,
                )
            )
        for place, program in programs.items():
            _wait_for(place, round(chance.uniform(0.1, 2.0) * rate), program)
            os.kill(program.pid, signal.SIGKILL)
            assert program.stdout is not None
            came = int(program.stdout.read().split()[-1])
            samples, at = soundfile.read(place)
            assert at == rate
            assert came - ONE_SECOND * rate <= len(samples) <= came
            assert np.max(np.abs(samples[-rate // 10 :])) > 0.1  # the note, to the end


def _wait_for(place: Path, frames: int, program: "subprocess.Popen[str]") -> int:
    """How many frames of a growing file there are, once there are so many."""
    while True:
        assert program.poll() is None
        if place.exists() and place.stat().st_size > 1000:
            there: int = soundfile.info(place).frames
            if there >= frames:
                return there
        time.sleep(0.01)
