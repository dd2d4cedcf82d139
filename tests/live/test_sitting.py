"""A sitting: steered by answers alone, it stores what the command line would."""

import time
from dataclasses import replace

import pytest

from sigbench.bench.folder import Bench
from sigbench.errors import CaptureFailed, RequestError
from sigbench.interface.simulated import ARRIVAL, SimulatedInterface
from sigbench.live.sitting import Sitting, Wish
from sigbench.model import CheckSettings, Output, Plan, Rail, Step, Unit
from sigbench.plan import default_plan
from tests.live.waiting import wait

RAILS = Step(
    "rails",
    "",
    "Measure the rails.",
    rails=(Rail("+15 V", 15), Rail("-15 V", -15, ripple_volts=None)),
)
IDLE = Step("idle", "main", "Play nothing.", seconds=1, repeats=2)
TONE = Step("tone", "main", "Hold A4.", seconds=1, settings=CheckSettings(frequency_hz=440))
JACK = Step("jack", "main", "Move the plugs.", seconds=4)


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "bench"


def sitting_on(folder, *steps, interface=None, wish=None):
    """A sitting on a new unit with these steps."""
    with Bench.create(folder) as bench:
        unit_id = bench.add_unit(Unit("Own", "Two-voice", "1", (Output("main"),)))
        bench.set_plan(unit_id, Plan("plan", steps))
    wish = wish or Wish(unit_id, "as received", tuple(range(1, len(steps) + 1)))
    interfaces = iter(interface or [SimulatedInterface(ARRIVAL)])
    return Sitting(folder, wish, lambda channels, tell: (next(interfaces), None))


def ready_for(sitting, number):
    """The moment at which it waits to begin a step."""
    while wait(sitting, "ready").number != number:
        time.sleep(0.005)
    return sitting.moment


def runs_of(sitting):
    with Bench.open(sitting.folder) as bench:
        return bench.runs(sitting.wish.unit_id)


def test_a_plan_is_carried_out_by_answers_alone(folder):
    sitting = sitting_on(folder, RAILS, IDLE, TONE)
    sitting.start()
    rails = wait(sitting, "rails")
    assert [field.name for field in rails.fields] == ["+15 V", "-15 V"]
    assert sitting.type_fields(rails.question, {"+15 V": "14.9 0.004", "-15 V": "-15,1"}) == ()
    for number in (2, 3):
        ready = ready_for(sitting, number)
        assert ready.step == (RAILS, IDLE, TONE)[number - 1]
        sitting.answer(ready.question, "go")
    over = wait(sitting, "over")
    assert over.failed is None
    assert over.left == ()
    stored = runs_of(sitting)
    assert [run.step_number for run in stored] == [1, 2, 3]
    assert [done.run for done in over.done] == stored
    assert [len(run.takes) for run in stored] == [0, 2, 1]
    first, second = stored[0].step.rails
    assert (first.measured_volts, first.ripple_volts) == (14.9, 0.004)
    assert (second.measured_volts, second.ripple_volts) == (-15.1, None)


def test_a_key_pressed_twice_answers_once(folder):
    sitting = sitting_on(folder, TONE, TONE)
    sitting.start()
    first = wait(sitting, "ready")
    sitting.answer(first.question, "go")
    sitting.answer(first.question, "go")
    ready_for(sitting, 2)
    sitting.answer(first.question, "go")
    time.sleep(0.05)
    assert sitting.moment.phase == "ready"
    assert sitting.moment.number == 2
    sitting.answer(sitting.moment.question, "stop")
    assert wait(sitting, "over").left == (2,)


def test_volts_that_cannot_be_are_asked_for_again(folder):
    sitting = sitting_on(folder, RAILS)
    sitting.start()
    asked = wait(sitting, "rails")
    wrong = sitting.type_fields(asked.question, {"+15 V": "fifteen", "-15 V": "15"})
    assert "no voltage" in wrong[0]
    assert "minus" in wrong[1]
    assert sitting.moment.question == asked.question
    assert sitting.type_fields(asked.question, {"+15 V": "", "-15 V": " "}) == ()
    while (again := wait(sitting, "rails")).question == asked.question or not again.sayings:
        pass
    assert "No rail was measured" in again.sayings[0]
    sitting.answer(again.question, "skip")
    assert wait(sitting, "over").done == ()


def test_the_simulated_unit_shows_its_rails(folder):
    sitting = sitting_on(folder, RAILS, TONE)
    sitting.start()
    plus, minus = wait(sitting, "rails").fields
    assert float(plus.value) == pytest.approx(SimulatedInterface(ARRIVAL).rail_volts()["+15V"])
    assert float(minus.value) < 0
    sitting.answer(sitting.moment.question, "stop")
    wait(sitting, "over")


def test_hands_on_a_jack(folder):
    paced = SimulatedInterface(ARRIVAL, paced=True)
    sitting = sitting_on(folder, replace(JACK, seconds=30), interface=[paced])
    sitting.start()
    sitting.answer(wait(sitting, "ready").question, "go")
    asked = wait(sitting, "asking")  # the saw of this unit comes close to full scale
    sitting.answer(asked.question, "keep")
    wait(sitting, "recording")
    while (seen := sitting.seen()) is None or seen.seconds < 0.5:
        pass
    assert seen.place == "main L"
    sitting.mark("tapped")
    sitting.next_place()
    sitting.pause()
    sitting.pause()
    assert sitting.seen().place == "main R"
    sitting.answer(sitting.moment.question, "stop")
    wait(sitting, "over")
    (run,) = runs_of(sitting)
    marks = [(mark.text, mark.place) for mark in run.takes[0].marks]
    assert marks == [(None, "main L"), ("tapped", None), (None, "main R"), ("paused", None)]
    assert run.takes[0].frames < 30 * 48_000
    assert len(run.takes) == 1


def test_a_short_take_that_is_stopped_is_not_kept(folder):
    paced = SimulatedInterface(ARRIVAL, paced=True)
    sitting = sitting_on(folder, replace(IDLE, seconds=20), interface=[paced])
    sitting.start()
    sitting.answer(wait(sitting, "ready").question, "go")
    wait(sitting, "recording")
    while (seen := sitting.seen()) is None or seen.seconds < 0.2:
        pass
    sitting.answer(sitting.moment.question, "stop")
    ready = wait(sitting, "ready")
    assert "not kept" in ready.sayings[0]
    sitting.answer(ready.question, "stop")
    assert wait(sitting, "over").failed is None
    assert runs_of(sitting) == []
    with Bench.open(folder) as bench:
        assert bench.unfinished == ()


class Failing(SimulatedInterface):
    """One whose cable is pulled after a second."""

    def stream(self, *, seconds, stimulus=None):
        for block in super().stream(seconds=seconds, stimulus=stimulus):
            if block.first_frame > self.samplerate:
                raise CaptureFailed("The cable is out: plug it in again.")
            yield block


def test_a_device_that_fails_is_opened_again_and_nothing_is_lost(folder):
    both = [Failing(ARRIVAL), SimulatedInterface(ARRIVAL)]
    sitting = sitting_on(folder, replace(TONE, seconds=2), interface=both)
    sitting.start()
    sitting.answer(wait(sitting, "ready").question, "go")
    while not (again := wait(sitting, "ready")).sayings:
        pass
    assert "plug it in again" in again.sayings[0]
    assert "is safe" in again.sayings[1]
    sitting.answer(again.question, "go")
    assert wait(sitting, "over").failed is None
    assert len(runs_of(sitting)) == 1
    with Bench.open(folder) as bench:
        assert len(bench.unfinished) == 1


def test_a_weak_level_is_told_before_anything_is_recorded(folder):
    silent = SimulatedInterface(ARRIVAL)
    silent.do = lambda step: silent.release()
    sitting = sitting_on(folder, TONE, interface=[silent])
    sitting.start()
    sitting.answer(wait(sitting, "ready").question, "go")
    asked = wait(sitting, "asking")
    assert "channel 1" in asked.sayings[0]
    assert [choice.answer for choice in asked.choices] == ["go", "keep", "skip", "stop"]
    sitting.answer(asked.question, "keep")
    assert len(wait(sitting, "over").done) == 1


def test_an_interface_that_is_not_there_ends_it_with_a_sentence(folder):
    def none(channels, tell):
        raise RequestError("There is no such device: plug it in.")

    with Bench.create(folder) as bench:
        unit_id = bench.add_unit(Unit("Own", "Two-voice", "1", (Output("main"),)))
        bench.set_plan(unit_id, default_plan(bench.unit(unit_id)))
    sitting = Sitting(folder, Wish(unit_id, "as received", (1, 2)), none)
    sitting.start()
    assert wait(sitting, "over").failed == "There is no such device: plug it in."


@pytest.mark.parametrize(("steps", "words"), [((9,), "no step 9"), ((), "no step left")])
def test_steps_that_are_not_there(folder, steps, words):
    with pytest.raises(RequestError, match=words):
        sitting_on(folder, TONE, wish=Wish("own-two-voice-1", "as received", steps))
