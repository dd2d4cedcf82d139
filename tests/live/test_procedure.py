"""The steps of a rig's day: steered by answers, they store what the command line would."""

import time
from dataclasses import replace

import pytest

from sigbench.bench.folder import Bench
from sigbench.bench.rigs import rig_in_use, save_rig
from sigbench.cli import main
from sigbench.errors import CaptureFailed, DeviceNotFound, RequestError
from sigbench.interface.loopback import Converters, LoopbackInterface
from sigbench.live.procedure import Procedure
from sigbench.model import RigSetup, readings_named
from sigbench.rig.choose import SIMULATED_RIG

PATIENCE_SECONDS = 120  # of a machine that is busy with other tests
QUIET = Converters(
    output_noise_dbfs=-float("inf"), input_noise_dbfs=-float("inf"), hum_dbfs=-float("inf")
)
"""Without noise every take of the same sound is the same, however many there were before."""

SETUP = RigSetup("bench", SIMULATED_RIG, "simulated", 48_000, (1, 2), (1, 2), "low")


@pytest.fixture(autouse=True)
def short_tones(monkeypatch):
    monkeypatch.setattr("sigbench.live.procedure.TONE_SECONDS", 1.0)


@pytest.fixture
def folder(tmp_path):
    place = tmp_path / "bench"
    with Bench.create(place):
        save_rig(place, SETUP)
    return place


def begin(folder, kind, *interfaces):
    """A procedure at the rig, on interfaces that are opened one after the other."""
    left = iter(interfaces or [LoopbackInterface(QUIET)])
    procedure = Procedure(folder, kind, "bench", lambda setup, tell: next(left))
    procedure.start()
    return procedure


def wait(procedure, after=-1, phase="asking"):
    """The next moment of that phase after a question."""
    until = time.monotonic() + PATIENCE_SECONDS
    while True:
        moment = procedure.moment
        if moment.phase == phase and moment.question > after:
            return moment
        assert moment.phase != "over", moment
        assert time.monotonic() < until, moment
        time.sleep(0.005)


def over(procedure):
    return wait(procedure, phase="over")


def go(procedure, moment, **typed):
    """Answer with go, or with what is typed; the moment that waits next, or the last one."""
    if typed:
        assert procedure.type_fields(moment.question, typed) == ()
    else:
        procedure.answer(moment.question, "go")
    until = time.monotonic() + PATIENCE_SECONDS
    while time.monotonic() < until:
        found = procedure.moment
        if found.question > moment.question and found.phase in ("asking", "over"):
            return found
        time.sleep(0.005)
    raise AssertionError(procedure.moment)


METER = {"accuracy": "0.8% + 3", "true_rms": "yes", "loaded": "no"}


def test_a_calibration_is_that_of_the_command_line(folder, monkeypatch):
    procedure = begin(folder, "calibrate")
    at = go(procedure, wait(procedure), **METER)
    seen = []
    for volts in ("1.545", "1,531"):
        seen.append(at.plugging)
        at = go(procedure, at)
        assert at.sounding
        at = go(procedure, at, volts=volts)
    seen.append(at.plugging)
    done = go(procedure, at)
    assert done.failed is None
    assert done.stored
    assert [one.kind for one in seen] == ["meter", "meter", "loop"]
    assert [one.channel for one in seen[:2]] == [1, 2]
    mine = rig_in_use(folder).calibration

    monkeypatch.setattr("sigbench.rig.choose.open_rig", lambda setup, **_: LoopbackInterface(QUIET))
    typed = ("--volts", "1.545", "--volts", "1,531", "--meter", "0.8% + 3")
    assert main(["rig", "calibrate", "--yes", *typed, "--folder", str(folder)]) == 0
    theirs = rig_in_use(folder).calibration
    assert mine == replace(theirs, date=mine.date)
    # 1.545 V is 5.997 dBu (definition), of a tone at -12 dBFS; half of 0.17 dB is allowed for.
    assert mine.outputs[0].dbu == pytest.approx(17.997 - 0.085, abs=0.001)


def test_a_simulated_meter_shows_what_is_played(folder):
    procedure = begin(folder, "calibrate", LoopbackInterface())
    at = go(procedure, wait(procedure), **METER | {"loaded": "yes"})
    for _ in (1, 2):
        at = go(procedure, at)
        at = go(procedure, at, volts=at.fields[0].value)
    go(procedure, at)
    made = rig_in_use(folder).calibration
    parts = Converters()
    # The last digit of the meter is 0.1 mV of 1.5 V: 0.0003 dB.
    assert [o.dbu for o in made.outputs] == pytest.approx(parts.output_full_scale_dbu, abs=0.001)
    # And a cable that is plugged in: the loop's level is read to thousandths of a dB.
    assert [i.dbu for i in made.inputs] == pytest.approx(parts.input_full_scale_dbu, abs=0.005)


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ({"accuracy": "good"}, "no accuracy of a meter"),
        ({"accuracy": ""}, "no accuracy of a meter"),
        ({"true_rms": "perhaps"}, "choose one"),
        ({"loaded": ""}, "choose one"),
    ],
)
def test_a_meter_that_cannot_be_is_asked_for_again(folder, typed, says):
    procedure = begin(folder, "calibrate")
    asked = wait(procedure)
    (sentence,) = procedure.type_fields(asked.question, METER | typed)
    assert says in sentence
    assert sentence.endswith((".", ")."))
    assert procedure.moment == asked
    procedure.answer(asked.question, "stop")
    over(procedure)


@pytest.mark.parametrize("volts", ["", "lots", "-1", "0", "1.5 A", "nan", "1" * 300, "1545"])
def test_volts_that_cannot_be_are_asked_for_again(folder, volts):
    procedure = begin(folder, "calibrate")
    at = go(procedure, go(procedure, wait(procedure), **METER))
    (sentence,) = procedure.type_fields(at.question, {"volts": volts})
    assert any(words in sentence for words in ("no AC voltage", "too long", "type that behind"))
    assert procedure.moment.question == at.question
    assert go(procedure, at, volts="436 mV").number == 3
    procedure.answer(procedure.moment.question, "stop")
    over(procedure)


def test_a_key_pressed_twice_answers_once(folder):
    procedure = begin(folder, "calibrate")
    asked = wait(procedure)
    procedure.answer(asked.question, "go")  # there are fields: they come with the answer
    at = go(procedure, asked, **METER)
    assert at.number == 2
    with procedure._lock:  # so that the second comes before the first is heard
        procedure.answer(at.question, "go")
        procedure.answer(at.question, "go")
    sounding = wait(procedure, at.question)
    procedure.answer(at.question, "go")
    assert procedure.type_fields(at.question, {"volts": "x"}) == ()
    time.sleep(0.05)
    assert procedure.moment == sounding
    procedure.answer(sounding.question, "stop")
    ended = over(procedure)
    assert (ended.failed, ended.results) == (None, ())


def test_stopping_leaves_the_old_figures(folder):
    first = begin(folder, "calibrate")
    at = go(first, wait(first), **METER)
    for _ in (1, 2):
        at = go(first, go(first, at), volts="1.5")
    go(first, at)
    before = rig_in_use(folder)
    assert before.calibration is not None
    for answers in range(5):  # the fifth is the last question
        again = begin(folder, "calibrate")
        at = wait(again)
        for n in range(answers):
            at = go(again, at, **({} if n in (1, 3) else METER | {"volts": "1.1"}))
        again.answer(at.question, "stop")
        ended = over(again)
        assert (ended.failed, ended.stored) == (None, False)
        assert "as it was" in ended.sayings[0]
    assert rig_in_use(folder) == before


def test_work_can_be_stopped(folder):
    """The interface is as slow as a real one, so that the work is not done at once."""
    procedure = begin(folder, "limits", LoopbackInterface(paced=True))
    at = wait(procedure)
    procedure.answer(at.question, "go")
    working = wait(procedure, at.question, "working")
    procedure.answer(at.question, "stop")  # of a question that is no longer open
    assert not procedure.over
    procedure.answer(working.question, "stop")
    assert not over(procedure).stored
    assert rig_in_use(folder) == SETUP


class StoppedAtTheEnd(LoopbackInterface):
    """The person stops it just as the last sound of the test has been recorded."""

    procedure = None

    def stream(self, *, seconds, stimulus=None, background=None):
        yield from super().stream(seconds=seconds, stimulus=stimulus)
        self.procedure.answer(self.procedure.moment.question, "stop")


def test_a_stop_that_comes_late_is_heard(folder):
    interface = StoppedAtTheEnd()
    interface.procedure = procedure = begin(folder, "test", interface)
    done = go(procedure, wait(procedure))
    assert not done.stored
    assert rig_in_use(folder) == SETUP


def test_the_limits_are_those_of_the_parts(folder):
    parts = Converters()
    procedure = begin(folder, "limits", LoopbackInterface(parts))
    at = wait(procedure)
    assert at.plugging.kind == "shorted"
    at = go(procedure, at)
    assert at.plugging.kind == "loop"
    done = go(procedure, at)
    assert done.failed is None
    made = rig_in_use(folder).limits
    assert (made.samplerate, made.gain) == (48_000, "low")
    assert len(done.results) == len(made.readings)
    (noise,) = readings_named(made.readings, "noise_rms", channel=1)
    # Of the input alone: the shorting plugs were in. Its scatter over 10 s is 0.02 dB.
    assert noise.value == pytest.approx(parts.input_noise_dbfs, abs=0.3)
    (crosstalk,) = readings_named(made.readings, "crosstalk", channel=2)
    assert crosstalk.value == pytest.approx(parts.crosstalk_db, abs=0.6)  # as docs/rig.md has it


def test_the_test_names_what_it_finds(folder):
    swapped = LoopbackInterface()
    swapped.connect({1: 2, 2: 1})
    procedure = begin(folder, "test", swapped)
    done = go(procedure, wait(procedure))
    assert rig_in_use(folder).test.found == ("swapped_channels",)
    assert done.results[0].startswith("FOUND: Swapped channels")
    assert procedure.running().of_seconds > 10


def test_a_cable_that_is_not_there_is_asked_for_again(folder):
    interface = LoopbackInterface(QUIET)
    interface.connect = lambda cables=None: None
    interface.unplug()
    procedure = begin(folder, "calibrate", interface)
    at = go(procedure, wait(procedure), **METER)
    for _ in (1, 2):
        at = go(procedure, go(procedure, at), volts="1.5")
    again = go(procedure, at)
    assert "check that the loopback cable joins output 1 and input 1" in again.sayings[0]
    del interface.connect
    assert go(procedure, again).stored  # and what the meter read is still known


class Failing(LoopbackInterface):
    """Stops as soon as something is played."""

    def stream(self, *, seconds, stimulus=None, background=None):
        if stimulus is not None:
            raise CaptureFailed("The cable is out: plug it in.")
        yield from super().stream(seconds=seconds)


def test_a_device_that_fails_is_opened_again(folder):
    procedure = begin(folder, "calibrate", Failing(), LoopbackInterface(QUIET))
    at = go(procedure, wait(procedure), **METER)
    procedure.answer(at.question, "go")
    until = time.monotonic() + PATIENCE_SECONDS
    while not procedure.moment.sayings or procedure.moment.sounding:
        assert time.monotonic() < until
        time.sleep(0.005)
    again = procedure.moment
    assert again.sayings == ("The cable is out: plug it in.",)
    assert again.number == at.number
    assert go(procedure, again).sounding
    procedure.answer(procedure.moment.question, "stop")
    over(procedure)


def test_a_device_that_is_not_there_is_said(folder):
    def gone(setup, tell):
        raise DeviceNotFound("It is not plugged in.")

    procedure = Procedure(folder, "test", "bench", gone)
    procedure.start()
    assert over(procedure).failed == "It is not plugged in."


def test_the_position_of_the_gain_is_remembered(folder):
    procedure = begin(folder, "levels")
    at = wait(procedure)
    assert at.fields[0].value == "low"
    procedure.answer(at.question, "skip")
    at = wait(procedure, at.question)
    while procedure.running().seconds == 0:
        time.sleep(0.005)
    go(procedure, at, gain="at  noon")
    assert rig_in_use(folder) == replace(SETUP, gain="at noon")


def test_a_rig_that_was_set_up_anew_meanwhile_keeps_its_own(folder):
    procedure = begin(folder, "test")
    at = wait(procedure)
    other = replace(SETUP, inputs=(1,))
    save_rig(folder, other)
    assert "set up anew" in go(procedure, at).failed
    assert rig_in_use(folder) == other


def test_what_holds_is_seen_and_nothing_stored(folder):
    with pytest.raises(RequestError, match="not calibrated"):
        begin(folder, "check")
    calibrated = ("--volts", "1.5455", "--volts", "1.5313", "--loaded", "--folder", str(folder))
    assert main(["rig", "calibrate", "--yes", *calibrated]) == 0
    before = rig_in_use(folder)
    moved = LoopbackInterface(replace(QUIET, input_full_scale_dbu=(17.0, 20.05)))
    procedure = begin(folder, "check", moved)
    done = go(procedure, wait(procedure))
    assert "Input 1: +3.0" in done.results[0]
    assert done.results[-1] == "The calibration does not hold."
    assert not done.stored
    assert rig_in_use(folder) == before


def test_what_cannot_be_begun(folder):
    with pytest.raises(RequestError, match="no 'paint'"):
        begin(folder, "paint")
    with pytest.raises(RequestError, match="no rig 'van'"):
        Procedure(folder, "test", "van", lambda setup, tell: LoopbackInterface())
    save_rig(folder, replace(SETUP, outputs=()))
    with pytest.raises(RequestError, match="no outputs"):
        begin(folder, "calibrate")
