"""A step of a plan carried out on recordings made elsewhere."""

from dataclasses import replace

import numpy as np
import pytest
import soundfile

from sigbench import checks
from sigbench.bench.folder import Bench
from sigbench.compare import compare_stages, settings_differ
from sigbench.errors import BenchError, FileError, RequestError
from sigbench.interface.file import read_take
from sigbench.model import CheckSettings, Event, LostBuffers, Output, Plan, Rail, Step, Unit
from sigbench.recorded import (
    Recorded,
    carry_out_recorded,
    read_recorded,
    read_recording,
    remarks_on,
)
from sigbench.wire import reading_to_object

RATE = 48_000
A4 = CheckSettings(frequency_hz=440.0, mains_hz=50.0)
STEPS = (
    Step("rails", "", "Measure.", rails=(Rail("+5 V", 5.0),)),
    Step("tone", "main", "Hold A4.", seconds=1.0, settings=A4),
    Step("idle", "main", "Play nothing.", seconds=1.0, repeats=3),
    Step("jack", "phones", "Move the plug.", seconds=60.0),
    Step("tone", "main", "The rig plays.", seconds=1.0, stimulus="a4", settings=A4),
    Step("idle", "aux", "Play nothing."),
)


@pytest.fixture
def bench(tmp_path):
    with Bench.create(tmp_path / "bench") as made:
        made.add_unit(Unit("Own", "Duo", "1", (Output("main"), Output("phones", 1))))
        made.set_plan("own-duo-1", Plan("plan", STEPS))
        yield made
        assert made.unfinished == ()
        assert not list((made.folder / "recordings").glob("*"))


def tone(seconds=1.0, channels=2, seed=1, level=0.3):
    time = np.arange(round(seconds * RATE)) / RATE
    noise = 1e-4 * np.random.default_rng(seed).standard_normal((len(time), channels))
    return level * np.sin(2 * np.pi * 440 * time)[:, np.newaxis] + noise


def recording(place, samples, subtype="PCM_24"):
    soundfile.write(place, samples, RATE, subtype)
    return place


def carried_out(bench, number, *files, **more):
    step = STEPS[number - 1]
    recorded = [read_recorded(file, step.check) for file in files]
    run = carry_out_recorded(bench, "own-duo-1", "as received", number, recorded, **more)
    bench.add_run("own-duo-1", run)
    return bench.run(run.id)


def as_json(measurement):
    return [reading_to_object(reading) for reading in measurement.readings]


@pytest.mark.parametrize("subtype", ["PCM_16", "FLOAT"])
def test_the_readings_are_those_of_the_file(bench, tmp_path, subtype):
    file = recording(tmp_path / "a4.wav", tone(), subtype)
    run = carried_out(bench, 2, file, operator="me", gain="noon", recorder="pocket recorder")
    (found,) = run.measurements
    assert as_json(found) == as_json(checks.measure(read_take(file), "tone", A4))
    (take,) = run.takes
    np.testing.assert_array_equal(bench.read_take(take).samples, read_take(file).samples)
    assert found.source.kind == "file"
    assert (found.source.path, found.source.sha256) == (take.path, take.sha256)
    assert (run.rig.interface, run.rig.device, run.rig.description) == (
        "file",
        "pocket recorder",
        "noon",
    )
    assert (run.operator, run.step_number, run.step) == ("me", 2, STEPS[1])


def test_one_take_for_each_file(bench, tmp_path):
    files = [recording(tmp_path / f"{k}.wav", tone(0.6 + k / 10, seed=k)) for k in range(2)]
    run = carried_out(bench, 2, *files)
    assert [take.frames / RATE for take in run.takes] == pytest.approx([0.6, 0.7])
    assert len(run.measurements) == 2
    assert run.step == replace(STEPS[1], repeats=2, seconds=0.7)
    assert run.rig.device == "recording 0.wav, recording 1.wav"


def test_a_recording_that_is_nearly_as_long_compares_with_the_plan(bench, tmp_path):
    near = carried_out(bench, 2, recording(tmp_path / "near.wav", tone(1.08)))
    far = carried_out(bench, 2, recording(tmp_path / "far.wav", tone(1.2)))
    planned = replace(near, step=STEPS[1])
    assert settings_differ(planned, near) is None
    assert settings_differ(planned, far) == "length differs (1 s before, 1.2 s after)"
    short = carried_out(bench, 4, recording(tmp_path / "jack.wav", tone(2.0, 1)))
    assert short.step.seconds == 60.0  # the person ends such a take
    assert short.takes[0].frames == 2 * RATE


def test_levels_of_one_recorder_compare_and_of_unknown_ones_do_not(bench, tmp_path):
    def verdict(recorder):
        runs = [
            carried_out(
                bench, 2, *[recording(tmp_path / f"{level}{k}.wav", tone(seed=k, level=level))
                for k in range(3)], recorder=recorder
            )
            for level in (0.3, 0.15)
        ]  # fmt: skip
        found = compare_stages(runs[:1], runs[1:], before_name="before", after_name="after")
        return {c.verdict for c in found.comparisons if c.name == "tone_level"}

    assert verdict("pocket recorder") != {"cannot tell"}
    assert verdict("") == {"cannot tell"}


def test_a_step_with_a_stimulus_takes_what_was_recorded_meanwhile(bench, tmp_path):
    file = recording(tmp_path / "a.wav", tone())
    run = carried_out(bench, 5, file)
    assert run.step == STEPS[4]
    recorded = [read_recorded(file, "tone")]
    said = remarks_on(STEPS[4], Output("main"), recorded, "recorder")
    assert said == (
        "The step plays 'a4', and a file plays nothing: the readings hold only if that was played "
        "through the unit while it was recorded.",
    )
    assert remarks_on(STEPS[1], Output("main"), recorded, "recorder") == ()


def test_what_is_to_be_known_is_said(tmp_path):
    soundfile.write(tmp_path / "a.ogg", tone(2.0, 3), RATE, format="OGG", subtype="VORBIS")
    recorded = [read_recorded(tmp_path / "a.ogg", "tone")]
    said = " ".join(remarks_on(STEPS[1], Output("main"), recorded))
    for words in (
        "lasts 2 s, and the step asks for 1 s",
        "has 3 channels: the first 2 are measured",
    ):
        assert words in said
    assert "compressed with losses" in said
    assert "not known what recorded it" in said
    assert "less certain" not in said
    assert "less certain" in remarks_on(
        STEPS[1], Output("main"), [Recorded("b", recording_of(0.5))]
    )[0]  # fmt: skip


def recording_of(seconds):
    from sigbench.model import Source, Take

    samples = tone(seconds)
    return Take(samples, RATE, Source("file", None, None, RATE, 2, len(samples)))


def test_a_lossy_recording_says_so_in_the_rig(bench, tmp_path):
    soundfile.write(tmp_path / "a.ogg", tone(), RATE, format="OGG", subtype="VORBIS")
    run = carried_out(bench, 2, tmp_path / "a.ogg", recorder="phone")
    assert run.rig.device.startswith("phone, compressed with losses (")


def test_what_the_log_of_a_recording_knows_comes_along(bench, tmp_path):
    lost, mark = LostBuffers(4800, 64), Event("mark", 0.5, 0.5, (), text="tapped")
    take = replace(recording_of(1.0), lost=(lost,), marks=(mark,), dc_coupled=True)
    mono = replace(take, samples=take.samples[:, :1])
    run = carry_out_recorded(bench, "own-duo-1", "x", 4, [Recorded("a", mono)])
    assert (run.takes[0].lost, run.takes[0].marks) == ((lost,), (mark,))
    assert run.takes[0].dc_coupled
    (found,) = run.measurements
    assert found.source.lost_buffers == 1
    mono = replace(mono, source=replace(mono.source, channels=1, lost_buffers=1))
    assert found.events == checks.measure(mono, "jack").events
    assert [event.text for event in found.events if event.kind == "mark"] == ["tapped"]


@pytest.mark.parametrize(
    ("number", "samples", "words"),
    [
        (1, tone(), "typed in from the multimeter"),
        (7, tone(), "steps 1 to 6, and no step 7"),
        (0, tone(), "no step 0"),
        (6, tone(), "on the output 'aux', and the unit has: main, phones"),
        (2, tone(channels=1), r"a\.wav has 1 channel, and the output 'main' 2 channels"),
        (2, tone(0.02), "too short to measure: it lasts 0.0200 s"),
    ],
)
def test_what_cannot_be_a_take_leaves_nothing(bench, tmp_path, number, samples, words):
    recorded = [read_recorded(recording(tmp_path / "a.wav", samples), "tone")]
    with pytest.raises(RequestError, match=words):
        carry_out_recorded(bench, "own-duo-1", "x", number, recorded)
    assert bench.runs("own-duo-1") == []
    assert not list(bench.folder.glob("takes/*/*"))


def test_other_refusals(bench, tmp_path):
    with pytest.raises(RequestError, match="no recording to measure"):
        carry_out_recorded(bench, "own-duo-1", "x", 2, [])
    with pytest.raises(BenchError, match="no unit 'other'"):
        carry_out_recorded(bench, "other", "x", 2, [])
    soundfile.write(tmp_path / "slow.wav", tone(), 44_100)
    both = [recording(tmp_path / "a.wav", tone()), tmp_path / "slow.wav"]
    with pytest.raises(RequestError, match="different sample rates"):
        carried_out(bench, 2, *both)
    with pytest.raises(FileError, match="does not exist"):
        read_recorded(tmp_path / "not there.wav", "tone")


def test_a_file_that_turns_out_damaged_leaves_no_recording(bench, tmp_path):
    take = replace(recording_of(1.0), samples=np.full((RATE, 2), np.nan))
    with pytest.raises(Exception, match="no numbers"):
        carry_out_recorded(bench, "own-duo-1", "x", 2, [Recorded("a", take)])
    assert bench.runs("own-duo-1") == []


def test_one_too_long_for_memory_is_read_in_blocks(bench, tmp_path, monkeypatch):
    monkeypatch.setattr(checks, "IN_MEMORY_SAMPLES", RATE)
    file = recording(tmp_path / "a.wav", tone(3.0, 1))
    assert not hasattr(read_recording(file, "jack"), "samples")
    with pytest.raises(RequestError, match="take a shorter one"):
        read_recording(file, "tone")
    run = carried_out(bench, 4, file)
    monkeypatch.undo()
    assert as_json(run.measurements[0]) == as_json(checks.measure(read_take(file), "jack"))
