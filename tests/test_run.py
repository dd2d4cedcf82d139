"""Carrying out a step: takes, repeats, lost and clipped audio, limits."""

from dataclasses import replace

import numpy as np
import pytest

from sigbench import checks
from sigbench.bench.folder import Bench
from sigbench.bench.recording import unfinished
from sigbench.bench.wave import written
from sigbench.errors import CaptureFailed, RequestError
from sigbench.interface.base import capture
from sigbench.interface.simulated import ARRIVAL, SimulatedInterface
from sigbench.model import Event, Limit, LongTake, LostBuffers, Output, Rail, Step, TakeRecord
from sigbench.run import (
    METER,
    Session,
    carry_out,
    clipped_in_words,
    hold_against_limits,
    lost_in_words,
    mean_readings,
    outside_limits,
    record,
    require_possible,
    stimulus_of,
)
from tests.bench.sounding import Sounding, samples_at
from tests.short_plan import PLAN, Flawed

STAGE = "as received"
OUTPUTS = {"main": Output("main"), "phones": Output("phones", 1)}
IDLE = PLAN.steps[1]


def stored(take):
    return TakeRecord("takes/x.wav", "0" * 64, take.samplerate, take.channels, take.frames)


def carried(interface, step=IDLE, **more):
    return carry_out(
        Session(interface, STAGE, "me", "noon"),
        2,
        step,
        output=OUTPUTS.get(step.output),
        run_id="0123",
        store=stored,
        **more,
    )


def test_each_repeat_is_a_take_of_the_length_asked_for():
    begun = []
    run = carried(SimulatedInterface(), before_take=begun.append)
    assert begun == [1, 2]
    assert [take.frames for take in run.takes] == [24_000, 24_000]
    assert [m.source.sha256 for m in run.measurements] == ["0" * 64] * 2
    assert (run.rig.device, run.rig.samplerate, run.rig.description) == (
        "simulated unit",
        48_000,
        "noon",
    )


def test_runs_of_one_second_have_an_order():
    starts = [carried(SimulatedInterface()).started for _ in range(8)]
    assert sorted(set(starts)) == starts


def test_only_the_channels_of_the_output_are_kept():
    run = carried(SimulatedInterface(), replace(IDLE, output="phones"))
    assert [take.channels for take in run.takes] == [1, 1]
    assert {r.channel for m in run.measurements for r in m.readings} <= {1, None}


def test_a_take_that_is_not_kept_is_recorded_again_and_leaves_nothing():
    asked = []

    def keep(take, attempt):
        asked.append((len(take.lost), attempt))
        return not take.lost

    interface = Flawed(lossy=(1, 2))
    run = carried(interface, keep=keep)
    assert asked == [(0, 1), (1, 1), (1, 2), (0, 3)]
    assert interface.count == 4
    assert len(run.takes) == len(run.measurements) == 2
    assert all(r.state != "invalid" for r in run.measurements[1].readings if r.name == "noise_a")


def test_lost_audio_that_is_kept_is_never_counted_against_the_instrument():
    quiet = Limit("noise_a", "dBFS", None, -150.0)  # nothing real is below that
    run = carried(Flawed(lossy=(0, 1)), replace(IDLE, limits=(quiet,)))
    noise = [r for m in run.measurements for r in m.readings if r.name == "noise_a"]
    assert {r.state for r in noise} == {"invalid"}
    assert outside_limits(run) == ()
    assert {held.outside for held in hold_against_limits(run)} == {None}
    one = carried(Flawed(lossy=(0,)), replace(IDLE, limits=(quiet,)))
    assert len(outside_limits(one)) == 2  # the sound take counts, on both channels


def test_losses_and_clipping_are_told_in_words():
    sound = record(SimulatedInterface(), seconds=0.1)
    assert lost_in_words(sound) is None
    assert clipped_in_words(sound) is None
    lost = lost_in_words(replace(sound, lost=(LostBuffers(2400, 64), LostBuffers(4000))))
    assert lost is not None
    assert "2 times, first at 0.05 s" in lost
    assert "no fault of the instrument" in lost
    loud = np.clip(np.sin(np.arange(4800) / 7) * 3, -1, 1)
    one = replace(sound, samples=np.column_stack([0.1 * loud, loud]), bits=24)
    words = clipped_in_words(one)
    assert words is not None
    assert words.startswith("Input 2 was overloaded")
    both = clipped_in_words(replace(one, samples=np.column_stack([loud, loud])))
    assert both is not None
    assert both.startswith("Inputs 1 and 2 were overloaded")


def test_rails_need_no_interface_and_are_the_meters():
    rails = (Rail("+15 V", 15.0, 5.0, 13.9), Rail("-15 V", -15.0, 5.0, -15.02))
    run = carried(None, Step("rails", "supply", "", rails=rails))
    assert run.rig == METER
    assert run.takes == ()
    ((outside,),) = (outside_limits(run),)
    # 5 % of 15 V is 0.75 V: 14.25 V at least
    assert (outside.reading.name, outside.limit.low) == ("rail_volts[+15 V]", 14.25)


def test_the_mean_of_the_repeats_stands_for_the_run():
    run = carried(SimulatedInterface())
    for name in ("level_rms", "noise_rms"):
        each = [
            r.value
            for m in run.measurements
            for r in m.readings
            if (r.name, r.channel) == (name, 1)
        ]
        (mean,) = (r for r in mean_readings(run) if (r.name, r.channel) == (name, 1))
        assert mean.value == pytest.approx(sum(each) / 2, abs=1e-12)


def test_a_stimulus_is_played_through_the_take():
    take = record(SimulatedInterface(), seconds=1.0, play="sine-997")
    level = 20 * np.log10(np.sqrt(2 * np.mean(take.samples**2, axis=0)))
    # The unit passes its input on; its circuit has a gain of -0.7 dB, which
    # tests/circuits/test_heard.py holds against ngspice.
    assert level == pytest.approx([-12.7, -12.7], abs=0.1)


@pytest.mark.parametrize(
    ("step", "says"),
    [
        (replace(IDLE, output="out 9"), "Step 4 of the plan is on the output 'out 9'"),
        (replace(IDLE, stimulus="sine-1"), "Step 4 of the plan: "),
        (replace(IDLE, stimulus="sine-997", seconds=3000.0), "too short for a take of 3000 s"),
        (replace(IDLE, output="wide"), "has 4 channels and simulated unit records 2"),
    ],
)
def test_what_cannot_be_carried_out_is_said_before_the_first_take(step, says):
    outputs = OUTPUTS | {"wide": Output("wide", 4)}
    interface = SimulatedInterface(ARRIVAL)
    with pytest.raises(RequestError, match=says):
        require_possible([(4, step)], outputs, interface)
    require_possible(list(enumerate(PLAN.steps, start=1)), outputs, interface)


def test_an_output_that_the_simulated_unit_has_not_is_told_of_before_the_first_take():
    outputs = OUTPUTS | {"tape": Output("tape")}
    with pytest.raises(RequestError, match=r"Step 4 is on 'tape', .* main and phones only"):
        require_possible([(4, replace(IDLE, output="tape"))], outputs, SimulatedInterface(ARRIVAL))


def test_without_an_interface_only_rails_are_possible():
    require_possible([(1, PLAN.steps[0])], OUTPUTS, None)
    with pytest.raises(RequestError, match="needs an audio interface"):
        require_possible([(2, IDLE)], OUTPUTS, None)
    with pytest.raises(RequestError, match="needs an audio interface"):
        carried(None)
    with pytest.raises(RequestError, match="names no output"):
        carried(SimulatedInterface(), replace(IDLE, output="out 9"))


def test_a_stimulus_outlasts_the_take():
    sound = stimulus_of("sine-997", 48_000, 2.0)
    assert len(sound) >= 2.5 * 48_000


# To the disk as it comes


@pytest.fixture
def bench(tmp_path):
    with Bench.create(tmp_path / "bench") as made:
        yield made


SOAK = Step("dropouts", "main", "Hold A4.", seconds=2.0, repeats=2)


def carried_on(bench, interface, step=SOAK, **more):
    def store(take):
        raise AssertionError("the recording itself is stored")

    return carry_out(
        Session(interface, STAGE),
        1,
        step,
        output=OUTPUTS[step.output],
        run_id="0123",
        store=store,
        **{"begin": bench.begin_recording, **more},
    )


def test_a_take_is_on_the_disk_while_it_is_recorded_and_stored_as_ever(bench):
    seen = []

    def on_block(block):
        (part,) = bench.folder.glob("recordings/*/*.w64")
        seen.append(written(part).frames - block.first_frame - len(block.samples))

    run = carried_on(bench, Sounding(lost=(LostBuffers(5000, 64),)), on_block=on_block)
    assert len(seen) == 80
    assert set(seen) == {0}
    stored = bench.store_take(capture(Sounding(lost=(LostBuffers(5000, 64),)), seconds=2.0))
    assert run.takes == (stored, stored)
    assert [m.source.sha256 for m in run.measurements] == [stored.sha256] * 2
    assert list(bench.folder.glob("recordings/*")) == []


@pytest.mark.parametrize("play", [None, "sine-997"])
def test_what_is_written_is_the_take_without_settling_and_other_channels(bench, play):
    step = replace(SOAK, output="phones", repeats=1, stimulus=play)
    run = carried_on(bench, Sounding(channels=3), step)
    (record,) = run.takes
    start = 0 if play is None else 24_000
    expected = samples_at(start, 96_000, 3, 24)[:, :1]
    assert np.array_equal(bench.read_take(record).samples, expected)


def test_a_take_too_long_for_memory_gives_the_same_run(bench, monkeypatch):
    short = carried_on(bench, SimulatedInterface(seed=3))
    monkeypatch.setattr(checks, "IN_MEMORY_SAMPLES", 1000)
    kept = []
    long = carried_on(
        bench,
        SimulatedInterface(seed=3),
        keep=lambda take, _: kept.append((take, clipped_in_words(take))) or True,
    )
    assert [(type(take), words) for take, words in kept] == [(LongTake, None)] * 2
    assert long.takes == short.takes
    for one, other in zip(long.measurements, short.measurements, strict=True):
        assert (one.source, one.events) == (other.source, other.events)
        states = [[(r.name, r.state) for r in m.readings] for m in (one, other)]
        assert states[0] == states[1]
        values = [[r.value for r in m.readings if r.value is not None] for m in (one, other)]
        assert values[0] == pytest.approx(values[1], rel=1e-9)
    record = long.takes[0]
    blocks = list(bench.long_take(record).blocks())
    assert np.array_equal(np.concatenate(blocks), bench.read_take(record).samples)


@pytest.mark.parametrize("most", [1000, checks.IN_MEMORY_SAMPLES])
def test_a_take_that_the_person_ends_is_measured_with_the_marks(bench, monkeypatch, most):
    monkeypatch.setattr(checks, "IN_MEMORY_SAMPLES", most)
    recordings, blocks = [], []

    def begin(interface, **more):
        recordings.append(bench.begin_recording(interface, **more))
        return recordings[-1]

    def on_block(block):
        blocks.append(block)
        if len(blocks) == 10:
            recordings[-1].mark(Event("mark", 0.5, 0.5, (), place="main L"))

    step = replace(SOAK, repeats=1, seconds=60.0)
    run = carried_on(
        bench, Sounding(), step, begin=begin, on_block=on_block, until=lambda: len(blocks) == 20
    )
    (take,), (measurement,) = run.takes, run.measurements
    assert (take.frames, measurement.source.frames) == (48_000, 48_000)
    assert [(e.kind, e.start, e.place) for e in measurement.events if e.place == "main L"] == [
        ("mark", 0.5, "main L")
    ]
    assert list(bench.folder.glob("recordings/*")) == []


def test_clipping_is_seen_in_a_long_take_too(bench, monkeypatch):
    monkeypatch.setattr(checks, "IN_MEMORY_SAMPLES", 1000)
    said = []

    def keep(take, attempt):
        said.append(clipped_in_words(take))
        return attempt > 1

    interface = Flawed(clipped=(0,))
    interface.hold(440.0)
    carried_on(bench, interface, replace(SOAK, repeats=1), keep=keep)
    assert said[0].startswith("Inputs 1 and 2 were overloaded")
    assert said[1] is None


def test_a_device_that_is_gone_leaves_what_was_recorded(bench):
    with pytest.raises(CaptureFailed, match="The cable is out"):
        carried_on(bench, Sounding(fails_at=1.5))
    (found,) = unfinished(bench.folder)
    assert (found.frames, found.ended) == (
        72_000,
        "The cable is out: plug it in and record again.",
    )


def test_a_device_that_just_ends_is_gone_too(bench, monkeypatch):
    monkeypatch.setattr(checks, "IN_MEMORY_SAMPLES", 1000)

    class Ending(Sounding):
        def stream(self, *, seconds, stimulus=None):
            return super().stream(seconds=seconds - 0.5, stimulus=stimulus)

    with pytest.raises(CaptureFailed, match=r"stopped after 1\.50 s of 2 s"):
        carried_on(bench, Ending())
    assert [one.frames for one in unfinished(bench.folder)] == [72_000]


def test_whatever_happens_in_mid_take_leaves_what_was_recorded(bench):
    def on_block(block):
        if block.first_frame > 48_000:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        carried_on(bench, Sounding(), on_block=on_block)
    assert [one.ended for one in unfinished(bench.folder)] == ["KeyboardInterrupt"]


def test_a_take_that_is_not_kept_leaves_nothing_on_the_disk(bench):
    run = carried_on(bench, Sounding(), keep=lambda _, attempt: attempt == 2)
    assert len(run.takes) == 2
    assert list(bench.folder.glob("recordings/*")) == []


def test_a_take_too_long_for_its_check_is_refused_before_the_first_one():
    hours = replace(IDLE, seconds=7200.0)
    with pytest.raises(RequestError, match="Step 2 of the plan: With the check 'idle'"):
        require_possible([(2, hours)], OUTPUTS, SimulatedInterface())
    require_possible([(2, replace(hours, check="dropouts"))], OUTPUTS, SimulatedInterface())
