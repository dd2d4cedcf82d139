"""``sigbench run``: a plan with a person at it, alone, interrupted, and killed."""

import contextlib
import io
import json
import os
import random
import signal
import subprocess
import sys
import time
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from sigbench.bench.folder import Bench
from sigbench.cli import run as run_command
from sigbench.errors import CaptureFailed, DeviceNotFound, RequestError
from sigbench.model import Limit, Plan, Step
from sigbench.run import steps_left
from sigbench.units import read_volts
from tests.bench.sounding import Sounding
from tests.short_plan import PLAN, UNIT_ID, Flawed, make_bench

STAGE = "as received"
KILLS = 12  # at each call into the system the bench's own tests kill
SIMULATED = ("--simulated", "as-received")


@pytest.fixture
def folder(tmp_path, monkeypatch):
    place = make_bench(tmp_path / "my bench")
    monkeypatch.setenv("SIGBENCH_FOLDER", str(place))
    return place


@pytest.fixture
def typing(monkeypatch):
    """Someone at the keyboard, who types these lines and then leaves."""

    def types(*lines: str) -> None:
        monkeypatch.setattr(run_command, "_is_someone_there", lambda: True)
        monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{line}\n" for line in lines)))

    return types


@pytest.fixture
def plugged(monkeypatch):
    """Another interface instead of the one that is asked for."""

    def plug(interface) -> None:
        monkeypatch.setattr("sigbench.rig.choose.open_interface", lambda **_: interface)

    return plug


def runs(folder, stage=STAGE):
    with Bench.open(folder) as bench:
        assert bench.check() == []
        return bench.runs(UNIT_ID, stage)


def put_plan(folder, *steps):
    with Bench.open(folder) as bench:
        bench.set_plan(UNIT_ID, Plan("other", steps))


def test_a_whole_plan_by_itself(call, folder):
    outcome = call("run", "0007", "--stage", STAGE, *SIMULATED, "--yes", "--operator", "me")
    assert (outcome.code, outcome.err) == (0, "")
    assert max(map(len, outcome.out.splitlines())) <= 80
    assert "Step 2 of 3: idle, main" in outcome.out
    assert "3 of 3 steps measured and stored.\nNothing outside its limit.\n" in outcome.out
    assert outcome.out.endswith(f"For the report: sigbench report {UNIT_ID}\n")
    done = runs(folder)
    assert [run.step_number for run in done] == [1, 2, 3]
    assert {run.operator for run in done} == {"me"}
    assert [len(run.takes) for run in done] == [0, 2, 2]


def test_what_is_outside_its_limit_ends_with_1_and_is_listed(call, folder):
    limits = (Limit("tone_level", "dBFS", -3.0, None),)
    put_plan(folder, replace(PLAN.steps[2], output="main", limits=limits))
    outcome = call("run", "0007", "--stage", STAGE, "--simulated", "repaired", "--yes", "--json")
    assert outcome.code == 1
    assert outcome.out.count("\n") == 1
    found = json.loads(outcome.out)
    assert (found["unit"], found["stage"], found["steps_left"]) == (UNIT_ID, STAGE, [])
    assert [one["reading"]["channel"] for one in found["outside_limits"]] == [1, 2]
    assert found["outside_limits"][0]["low"] == -3.0
    assert [one["check"] for run in found["runs"] for one in run["measurements"]] == ["tone"] * 2
    assert "Step 1 of 1" in outcome.err
    assert "Outside a limit" in call("run", "7", "--stage", "x", *SIMULATED, "--yes").out


def test_skip_stop_and_go_on(call, folder, typing):
    typing("s", "q")
    outcome = call("run", "0007", "--stage", STAGE, *SIMULATED)
    assert outcome.code == 0
    assert "1 of 3 steps measured and stored." in outcome.out
    told = outcome.out.splitlines()[-1]
    assert told == f"Go on with: sigbench run {UNIT_ID} --stage '{STAGE}' --simulated as-received"
    assert [run.step_number for run in runs(folder)] == [1]
    typing("", "", "")
    assert call("run", "0007", "--stage", "AS  Received", *SIMULATED).code == 0
    assert [run.step_number for run in runs(folder)] == [1, 2, 3]
    finished = call("run", "0007", "--stage", STAGE, *SIMULATED, "--yes")
    assert finished.code == 2
    assert "All steps of the plan have runs" in finished.err


def test_again_measures_a_step_once_more(call, folder):
    for more in ((), ("--again",)):
        options = ("--stage", STAGE, *SIMULATED, "--yes", "--step", 2, *more)
        assert call("run", "0007", *options).code == 0
    assert [run.step_number for run in runs(folder)] == [2, 2]


def test_nothing_measured_is_not_called_within_limits(call, folder, typing):
    typing("q")
    outcome = call("run", "0007", "--stage", STAGE, *SIMULATED, "--step", 2)
    assert outcome.code == 0
    assert "0 of 1 steps measured" in outcome.out
    assert "limit" not in outcome.out
    assert runs(folder) == []


def test_rails_are_typed_with_no_interface_at_all(call, folder, typing):
    typing("x", "15,02 V", "15.0", "−14.98")
    outcome = call("run", "0007", "--stage", STAGE, "--step", 1)
    assert outcome.code == 0
    assert "'x' is no voltage" in outcome.err
    assert "check the minus sign" in outcome.err
    (done,) = runs(folder)
    assert [rail.measured_volts for rail in done.step.rails] == [15.02, -14.98]


def test_rails_from_the_command_line(call, folder):
    options = ("--stage", STAGE, "--step", 1, "--yes")
    outcome = call("run", "0007", *options, "--rail", "+15v=13.2", "--rail", "-15 V = -15")
    assert outcome.code == 1
    assert "Supply +15 V: 13.20" in outcome.out.split("Outside a limit:")[1]
    for wrong, says in (
        ("+9 V=9", "there are: '+15 V', '-15 V'"),
        ("+15 V", "write NAME=VOLTS"),
        ("+15 V=inf", "is no voltage"),
        ("-15 V=15", "check the minus sign"),
        ("+15 V=15 -0.2", "AC volts are zero or more"),
    ):
        refused = call("run", "0007", *options, "--again", "--rail", wrong)
        assert (refused.code, refused.out) == (2, "")
        assert says in refused.err


def test_rails_that_nobody_measured_stay_open(call, folder, typing):
    outcome = call("run", "0007", "--stage", STAGE, "--step", 1, "--yes")
    assert outcome.code == 0
    assert "No rail was measured" in outcome.out
    typing("", "")
    assert call("run", "0007", "--stage", STAGE, "--step", 1).code == 0
    assert runs(folder) == []


@pytest.mark.parametrize(
    ("text", "volts"),
    [
        ("14.92 0.004", (14.92, 0.004)),
        ("−14,9V 4 mV", (-14.9, 0.004)),
        ("5", (5.0, None)),
        (" +4.97 v  ", (4.97, None)),
    ],
)
def test_volts_with_and_without_ripple(text, volts):
    assert read_volts(text) == volts


def test_ripple_is_typed_beside_the_volts(call, folder, typing):
    typing("15.02 0.031", "-14.98 -1", "-14.98")
    assert call("run", "0007", "--stage", STAGE, "--step", 1).code == 0
    (done,) = runs(folder)
    assert [rail.ripple_volts for rail in done.step.rails] == [0.031, None]
    (ripple,) = [r for m in done.measurements for r in m.readings if "ripple" in r.name]
    assert (ripple.name, ripple.value, ripple.unit) == ("rail_ripple[+15 V]", 0.031, "V")


@pytest.mark.parametrize("text", ["", "V", "nan", "inf", "5..1", "1e999", "15 1 2"])
def test_no_voltage(text):
    with pytest.raises(RequestError):
        read_volts(text)


def test_lost_buffers_are_recorded_again_once_by_itself(call, folder, plugged):
    interface = Flawed(lossy=(1, 3))
    plugged(interface)
    outcome = call("run", "0007", "--stage", STAGE, "--yes", "--step", 2)
    assert outcome.code == 0
    said = " ".join(outcome.out.split())
    assert "no fault of the instrument" in said
    assert "The take is recorded once more." in said
    assert interface.count == 3
    (done,) = runs(folder)
    assert [take.lost for take in done.takes] == [(), ()]


def test_lost_buffers_again_are_kept_but_count_for_nothing(call, folder, plugged):
    loud = Limit("noise_a", "dBFS", None, -150.0)
    put_plan(folder, replace(PLAN.steps[1], repeats=1, limits=(loud,)))
    plugged(Flawed(lossy=(0, 1)))
    outcome = call("run", "0007", "--stage", STAGE, "--yes")
    assert outcome.code == 0
    assert "Limits that cannot be told" in outcome.out
    (done,) = runs(folder)
    assert [len(take.lost) for take in done.takes] == [1]


def test_a_take_with_losses_is_asked_about(call, folder, plugged, typing):
    interface = Flawed(lossy=(0, 1))
    plugged(interface)
    put_plan(folder, PLAN.steps[1])
    # Ready; lost: again; lost: keep. The second take is fine.
    typing("", "", "k")
    outcome = call("run", "0007", "--stage", STAGE)
    assert outcome.code == 0
    assert interface.count == 3
    (done,) = runs(folder)
    assert [len(take.lost) for take in done.takes] == [1, 0]


def test_a_clipped_take_begins_the_step_anew(call, folder, plugged, typing):
    put_plan(folder, replace(PLAN.steps[2], output="main"))
    # The level check is stream 0, the first take stream 1, the second, clipped, stream 2.
    interface = Flawed(clipped=(2,))
    interface.hold(440.0)
    plugged(interface)
    typing("", "", "", "", "")
    outcome = call("run", "0007", "--stage", STAGE)
    assert outcome.code == 0
    said = " ".join(outcome.out.split())
    assert "Inputs 1 and 2 were overloaded" in said
    assert "The step begins anew." in said
    assert interface.count == 6
    (done,) = runs(folder)
    clear = [r.state for m in done.measurements for r in m.readings if r.name == "tone_level"]
    assert clear == ["ok"] * 4


def test_the_level_of_a_mono_output_is_that_of_its_channel(call, folder, typing):
    typing("", "")
    outcome = call("run", "0007", "--stage", STAGE, *SIMULATED, "--step", 3)
    assert outcome.code == 0
    assert "Level of channel 1: fine" in outcome.out
    assert "channel 2" not in outcome.out


class Unplugged(Flawed):
    """Its cable falls out after the first takes."""

    def stream(self, *, seconds, stimulus=None):
        if self.count >= 2:
            raise CaptureFailed("The cable is out: plug it in and record again.")
        return super().stream(seconds=seconds, stimulus=stimulus)


def test_a_device_that_fails_ends_with_3_and_says_how_to_go_on(call, folder, plugged):
    plugged(Unplugged())
    outcome = call("run", "0007", "--stage", STAGE, "--yes", "--rail", "+15 V=15")
    assert outcome.code == 3
    assert "2 of 3 steps measured and stored." in outcome.err
    assert f"Go on with: sigbench run {UNIT_ID} --stage '{STAGE}'\n" in outcome.err
    assert outcome.err.endswith("The cable is out: plug it in and record again.\n")
    assert [run.step_number for run in runs(folder)] == [1, 2]


class Cables:
    """Sockets that interfaces are plugged into one after another."""

    def __init__(self, *interfaces):
        self.left = list(interfaces)

    def __call__(self, **_):
        found = self.left.pop(0)
        if isinstance(found, Exception):
            raise found
        return found


SOAK = Step("dropouts", "main", "Hold A4.", 2.0)


def test_a_device_gone_in_mid_take_ends_with_3_and_keeps_the_part(call, folder, plugged):
    put_plan(folder, SOAK)
    plugged(Sounding(fails_at=1.5))
    outcome = call("run", "0007", "--stage", STAGE, "--yes")
    assert outcome.code == 3
    assert (
        "What was recorded until then, 1.5 s, is safe; keep or delete it with: "
        "sigbench bench recover\n"
    ) in outcome.err
    assert outcome.err.endswith("The cable is out: plug it in and record again.\n")
    assert runs(folder) == []
    outcome = call("unit", "list")
    assert "1.5 s, begun 2" in outcome.err
    assert f"{UNIT_ID}, '{STAGE}', step 1 (dropouts)" in outcome.err


def test_plugged_in_again_the_step_goes_on_as_a_new_take(call, folder, typing, monkeypatch):
    put_plan(folder, SOAK, SOAK)
    gone = DeviceNotFound("No input matches 'test interface'.")
    cables = Cables(Sounding(fails_at=1.5), gone, Sounding())
    monkeypatch.setattr("sigbench.rig.choose.open_interface", cables)
    # The gain; ready, recorded in spite of the level; plugged in too late; plugged in; step 2.
    typing("noon", "", "k", "", "", "k", "", "k")
    outcome = call("run", "0007", "--stage", STAGE)
    assert outcome.code == 0
    said = " ".join(outcome.out.split())
    assert said.index("The cable is out") < said.index("1.5 s, is safe") < said.index("No input")
    done = runs(folder)
    assert [(run.step_number, run.takes[0].frames) for run in done] == [(1, 96_000), (2, 96_000)]
    assert cables.left == []
    assert "1.5 s, begun" in call("bench", "recover").out


def test_a_full_disk_ends_the_run_and_keeps_the_part(call, folder, plugged, monkeypatch):
    put_plan(folder, SOAK)
    plugged(Sounding())
    free = iter([10**12, 10**12])
    monkeypatch.setattr("sigbench.bench.recording.free_bytes", lambda _: next(free, 0))
    outcome = call("run", "0007", "--stage", STAGE, "--yes")
    assert outcome.code == 2
    assert "What was recorded until then, 2 s, is safe" in outcome.err
    assert "Go on with: sigbench run" in outcome.err
    assert "The recording was stopped after 2 s, for the disk is nearly full" in outcome.err


def test_a_stimulus_of_the_plan_is_played(call, folder):
    step = Step("tone", "main", "Cable into the input.", 1.0, 1, stimulus="sine-997")
    put_plan(folder, step)
    assert call("run", "0007", "--stage", STAGE, "--simulated", "repaired", "--yes").code == 0
    (done,) = runs(folder)
    found = [r.value for r in done.measurements[0].readings if r.name == "frequency"]
    assert found == pytest.approx([997.0, 997.0], abs=0.01)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--stage", "  "), "The stage has no name"),
        (("--stage", "a\x1b[31mb"), "cannot be printed"),
        (("--stage", "x", "--step", 9), "has steps 1 to 3, and no step 9"),
        (("--stage", "x", "--simulated", "broken"), "as-received or repaired"),
        (("--stage", "x", *SIMULATED, "--device", "usb"), "--simulated needs no device"),
    ],
)
def test_a_wrong_request_gets_one_sentence(call, folder, arguments, says):
    outcome = call("run", "0007", *arguments, "--yes")
    assert (outcome.code, outcome.out) == (2, "")
    assert says in outcome.err
    assert outcome.err.count("\n") == 1


def test_a_stage_may_have_any_printable_name(call, folder):
    stage = "nach Tausch ½ \"C7\" 'ü' 🔧 --json; rm"
    options = (f"--stage={stage}", "--step", 2, *SIMULATED, "--yes")
    assert call("run", "0007", *options).code == 0
    assert len(runs(folder, stage)) == 1


def test_an_output_that_the_simulated_unit_lacks_is_named_before_anything(call, folder):
    with Bench.open(folder) as bench:
        unit = bench.unit(UNIT_ID)
        bench.update_unit(UNIT_ID, replace(unit, outputs=(replace(unit.outputs[0], name="out 1"),)))
    put_plan(folder, PLAN.steps[0], replace(PLAN.steps[1], output="out 1"))
    outcome = call("run", "0007", "--stage", STAGE, *SIMULATED, "--yes")
    assert (outcome.code, outcome.out) == (2, "")
    assert "Step 2 is on 'out 1'" in outcome.err
    assert runs(folder) == []


def test_without_a_terminal_it_asks_for_yes(program, folder):
    done = program("run", "0007", "--stage", STAGE, *SIMULATED)
    assert done.returncode == 2
    assert b"add --yes" in done.stderr


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal (POSIX)")
def test_ctrl_c_at_a_terminal_keeps_what_is_finished(folder):
    import pty

    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "sigbench", "run", "0007", "--stage", STAGE, *SIMULATED]
    with subprocess.Popen(
        command, stdin=theirs, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as child:
        os.close(theirs)
        try:
            assert child.stderr is not None
            said = b""
            while b"stop (q)? " not in said:  # the first question: step 2, after the rails
                said += child.stderr.read(1)
            child.send_signal(signal.SIGINT)
            _, rest = child.communicate(timeout=60)
        finally:
            child.kill()  # in a shell's background it hears no Ctrl-C
            os.close(ours)
    assert child.returncode == 130
    assert b"1 of 3 steps measured and stored." in rest
    assert b"Go on with: sigbench run" in rest
    assert [run.step_number for run in runs(folder)] == [1]


@pytest.mark.skipif(os.name != "posix", reason="needs fork and SIGKILL (POSIX)")
def test_killed_at_any_moment_every_finished_step_is_whole(folder):
    chance = random.Random(20260402)
    program = [sys.executable, "-m", "tests.running"]
    with subprocess.Popen(
        program, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as parent:
        assert parent.stdin is not None
        assert parent.stdout is not None

        def start(stage):
            parent.stdin.write(f"{folder}\t{stage}\n")
            parent.stdin.flush()
            return int(parent.stdout.readline())

        start("whole")
        begun = time.monotonic()
        assert parent.stdout.readline() == "0\n"
        lasts = time.monotonic() - begun  # so that the moments reach into all of it
        counts = []
        for kill in range(KILLS):
            stage = f"stage {kill}"
            child = start(stage)
            time.sleep(chance.uniform(0.0, lasts))
            with contextlib.suppress(ProcessLookupError):  # it may have finished
                os.kill(child, signal.SIGKILL)
            assert parent.stdout.readline() in ("killed\n", "0\n")
            done = runs(folder, stage)  # opens, and checks all of it
            counts.append(len(done))
            assert [run.step_number for run in done] == list(range(1, len(done) + 1))
            with Bench.open(folder) as bench:
                assert bench.problems == ()
                for run in done:
                    step = PLAN.steps[run.step_number - 1]
                    assert len(run.measurements) == step.repeats
                    for record in run.takes:
                        assert bench.read_take(record).frames == 24_000
        parent.stdin.close()
        assert parent.wait() == 0
    assert len(set(counts)) > 1  # the kills came at different moments of the work
    # And the work goes on where it was killed.
    half = f"stage {counts.index(min(counts))}"
    with Bench.open(folder) as bench:
        left = steps_left(bench.plan(UNIT_ID), bench.runs(UNIT_ID, half))
    assert left
    command = [sys.executable, "-m", "sigbench", "run", "0007", "--stage", half, *SIMULATED]
    subprocess.run([*command, "--yes"], check=True, capture_output=True)
    assert [run.step_number for run in runs(folder, half)] == [1, 2, 3]


# --- recordings made elsewhere


@pytest.fixture
def a4(tmp_path):
    """A note of two channels, longer than the plan asks for; and its left one alone."""
    time = np.arange(36_000) / 48_000
    noise = 1e-4 * np.random.default_rng(1).standard_normal((36_000, 2))
    samples = 0.3 * np.sin(2 * np.pi * 440 * time)[:, np.newaxis] + noise
    soundfile.write(tmp_path / "a4.wav", samples, 48_000, "PCM_24")
    soundfile.write(tmp_path / "left.wav", samples[:, 0], 48_000, "PCM_24")
    return tmp_path / "a4.wav"


def test_a_recording_made_elsewhere_is_measured_as_a_file_is(call, folder, a4):
    options = ("--stage", STAGE, "--step", 3, "--recorder", "pocket recorder", "--operator", "me")
    left = a4.with_name("left.wav")
    outcome = call("run", "0007", *options, "--from", left, "--json")
    assert outcome.code == 0
    found = json.loads(outcome.out)
    (measured,) = found["runs"][0]["measurements"]
    alone = call("measure", left, "--check", "tone", "--note", "A4", "--json")
    assert measured["readings"] == json.loads(alone.out)["readings"]
    assert found["steps_left"] == []
    assert "lasts 0.75 s, and the step asks for 0.5 s" in outcome.err
    (run,) = runs(folder)
    assert (run.rig.interface, run.rig.device, run.operator) == ("file", "pocket recorder", "me")


def test_of_too_many_channels_the_first_are_measured(call, folder, a4):
    outcome = call("run", "0007", "--stage", STAGE, "--step", 3, "--from", a4)
    assert "has 2 channels: the first is measured" in " ".join(outcome.err.split())
    assert [take.channels for run in runs(folder) for take in run.takes] == [1]


def test_two_files_are_two_takes(call, folder, a4):
    outcome = call("run", "0007", "--stage", STAGE, "--step", 2, "--from", a4, "--from", a4)
    assert outcome.code == 0
    assert "1 of 1 steps measured and stored." in outcome.out
    assert outcome.out.endswith(f"For the report: sigbench report {UNIT_ID}\n")
    (run,) = runs(folder)
    assert [take.frames for take in run.takes] == [36_000, 36_000]
    once_more = call("run", "0007", "--stage", STAGE, "--step", 2, "--from", a4)
    assert "Step 2 has a run" in once_more.err
    assert call("run", "0007", "--stage", STAGE, "--step", 2, "--from", a4, "--again").code == 0


def test_a_recording_outside_a_limit_ends_with_1(call, folder, a4):
    put_plan(folder, replace(PLAN.steps[2], limits=(Limit("tone_level", "dBFS", -3.0, None),)))
    outcome = call("run", "0007", "--stage", STAGE, "--step", 1, "--from", a4)
    assert outcome.code == 1
    assert "Outside a limit:" in outcome.out


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ((), "give one --step"),
        (("--step", 2, "--step", 3), "give one --step"),
        (("--step", 1), "typed in from the multimeter"),
        (("--step", 9), "no step 9"),
        (("--step", 2, *SIMULATED), "leave out --simulated"),
        (("--step", 2, "--rate", 96_000, "--device", "usb"), "leave out --device and --rate"),
        (("--step", 2, "--place", "main L"), "leave out --place"),
        (("--step", 2, "--from", "not there.wav"), "does not exist"),
    ],
)
def test_what_does_not_go_with_recordings(call, folder, a4, options, words):
    outcome = call("run", "0007", "--stage", STAGE, "--from", a4, *options)
    assert outcome.code == 2
    assert words in outcome.err
    assert runs(folder) == []


def test_a_recorder_without_a_recording(call, folder):
    outcome = call("run", "0007", "--stage", STAGE, "--recorder", "mine", *SIMULATED, "--yes")
    assert "--recorder says what made the files of --from" in outcome.err
