"""Steps are carried out alike, whoever asks the person: here a script does."""

from contextlib import contextmanager, nullcontext

import pytest

from sigbench.bench.folder import Bench
from sigbench.checks.rails import rail_key
from sigbench.errors import CaptureFailed
from sigbench.interface.simulated import REPAIRED, SimulatedInterface
from sigbench.live.steps import Steps, inputs_for, places_of
from sigbench.model import Output, Step
from sigbench.run import Session
from tests.short_plan import PLAN, UNIT_ID, Flawed, make_bench

RAILS, IDLE, TONE = PLAN.steps


class Script:
    """A front whose answers are known beforehand, by the reason of the question."""

    recover = "look into the folder"

    def __init__(self, *, alone=False, **answers):
        self.alone = alone
        self.answers = answers
        self.asked = []
        self.blocks = 0

    def begin(self, number, step, session):
        return ("said before",)

    def ask(self, question):
        self.asked.append(question)
        possible = [choice.answer for choice in question.choices]
        answer = self.answers.get(question.reason, ["go"])
        answer = answer.pop(0) if len(answer) > 1 else answer[0]
        assert answer in possible
        return answer

    def rails(self, rails, shown):
        assert shown[rail_key("+15 V")] == (pytest.approx(15.0, abs=0.2), None)
        return None

    def listening(self):
        pass

    def level_is_fine(self, sayings):
        self.fine = sayings

    @contextmanager
    def taking(self, step, take, watch, interface):
        def arrived(block):
            self.blocks += 1
            watch.feed(block)

        yield arrived

    def measuring(self):
        return nullcontext()

    @property
    def reasons(self):
        return [question.reason for question in self.asked]


@pytest.fixture
def bench(tmp_path):
    make_bench(tmp_path / "bench")
    with Bench.open(tmp_path / "bench") as opened:
        yield opened


def steps_of(bench, interface, front):
    session = Session(interface, "as received")
    return Steps(bench, UNIT_ID, session, (), lambda step: SimulatedInterface(REPAIRED), front)


def test_a_step_is_asked_for_recorded_and_stored(bench):
    front = Script()
    run = steps_of(bench, SimulatedInterface(REPAIRED), front).carry_out(3, TONE)
    assert bench.runs(UNIT_ID) == [run]
    assert front.reasons == ["ready", "again"]
    assert front.asked[0].sayings == ("said before",)
    assert front.asked[1].take == 2
    assert front.fine[0].startswith("Level of channel 1")
    assert front.blocks > 0


def test_a_step_that_is_skipped_stores_nothing(bench):
    work = steps_of(bench, SimulatedInterface(REPAIRED), Script(ready=["skip"]))
    assert work.carry_out(2, IDLE) is None
    assert work.carry_out(1, RAILS) is None
    assert bench.runs(UNIT_ID) == []


def test_what_spoils_a_take_is_asked_about(bench):
    front = Script(lost=["go", "keep"])
    run = steps_of(bench, Flawed(lossy=(0, 1)), front).carry_out(2, IDLE)
    assert front.reasons == ["ready", "lost", "lost"]
    assert [question.attempt for question in front.asked[1:]] == [1, 2]
    assert [len(take.lost) for take in run.takes] == [1, 0]

    front = Script(clipped=["go", "keep"])
    # Each time the level is listened to first: that is a stream of its own.
    run = steps_of(bench, Flawed(clipped=(1, 3)), front).carry_out(3, TONE)
    assert front.reasons == ["ready", "clipped", "ready", "clipped", "again"]
    assert front.asked[2].sayings == ("The step begins anew.",)
    assert len(run.takes) == 2
    assert bench.unfinished == ()


class Failing(SimulatedInterface):
    """A device that is gone after a while."""

    def stream(self, *, seconds, stimulus=None):
        for number, block in enumerate(super().stream(seconds=seconds, stimulus=stimulus)):
            if number == 2:
                raise CaptureFailed("The device is gone.")
            yield block


def test_a_device_that_fails_is_opened_again(bench):
    front = Script()
    work = steps_of(bench, Failing(REPAIRED), front)
    assert work.carry_out(2, IDLE) is not None
    assert front.reasons == ["ready", "ready"]
    said, left = front.asked[1].sayings
    assert said == "The device is gone."
    assert left.endswith("keep or delete it with: look into the folder")
    assert work.left_on_the_disk() is None  # told once


def test_where_nobody_is_there_a_device_that_fails_ends_it(bench):
    work = steps_of(bench, Failing(REPAIRED), Script(alone=True))
    with pytest.raises(CaptureFailed):
        work.carry_out(2, IDLE)
    assert "is safe" in work.left_on_the_disk()


def test_jacks_are_those_of_the_output_unless_they_are_named():
    stereo, mono = Output("main"), Output("phones", 1)
    assert places_of("jack", stereo, ()) == ("main L", "main R")
    assert places_of("jack", mono, ()) == ("phones",)
    assert places_of("jack", stereo, ("left plug",)) == ("left plug",)
    assert places_of("soak", stereo, ()) == ()


def test_the_inputs_are_those_of_the_widest_output():
    outputs = {"main": Output("main"), "phones": Output("phones", 1)}
    assert inputs_for([IDLE, TONE], outputs) == 2
    assert inputs_for([TONE], outputs) == 1
    assert inputs_for([Step("rails", "supply", "")], outputs) == 1
