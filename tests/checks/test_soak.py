"""Minutes of sound, made with numpy alone, at a low rate so that they take little time."""

import dataclasses
import json
import math

import numpy as np
import pytest

from sigbench.checks import NO_ONSET, measure
from sigbench.checks.soak import (
    COURSES,
    MOST_POINTS,
    SoakWatch,
    check_soak,
    overlay,
    soak_courses,
)
from sigbench.compare import compare_stages
from sigbench.errors import RequestError
from sigbench.measure.level import measure_level
from sigbench.model import (
    CheckSettings,
    Event,
    LongTake,
    LostBuffers,
    Rig,
    Run,
    Source,
    Step,
    Take,
    readings_named,
)
from sigbench.report.wording import format_reading
from tests.measure import waves

RATE = 8000
SECONDS = 300
SETTINGS = CheckSettings()
MARKS = (
    Event("mark", 60.0, 60.0, (), text="tapped regulator board"),
    Event("mark", 170.0, 170.0, (), text="heat gun on"),
)


def phase_of(t, course_cents, frequency_hz):
    ratio = np.broadcast_to(np.exp2(np.asarray(course_cents) / 1200), t.shape)
    return 2 * np.pi * np.cumsum(frequency_hz * ratio) * (t[1] - t[0])


def note(t, course_cents=0.0, level=0.2, frequency_hz=440.0):
    return level * np.sin(phase_of(t, course_cents, frequency_hz))


def noise(frames, seed, level=3e-5):
    return level * np.random.default_rng(seed).standard_normal(frames)


def take_of(*channels, rate=RATE, **changes):
    samples = np.stack(channels, axis=1)
    source = Source("file", None, None, rate, samples.shape[1], len(samples))
    return Take(samples, rate, source, **changes)


def long_take_of(take, size):
    def blocks():
        for start in range(0, take.frames, size):
            yield take.samples[start : start + size]

    return LongTake(take.source, blocks, take.lost, take.bits, take.dc_coupled, take.marks)


@pytest.fixture(scope="module")
def warming():
    """Both channels warm up; a joint opens on the left from 200 s on, the right sags at 180 s."""
    t = np.arange(RATE * SECONDS) / RATE
    sound = note(t, 60 * (1 - np.exp(-t / 60))) + 1e-4 * np.sin(2 * np.pi * 100 * t)
    left = sound + noise(len(t), 1)
    for start in np.arange(201.3, SECONDS, 7.1):
        left[round(start * RATE) : round((start + 0.03) * RATE)] = 0.0
    right = (sound + noise(len(t), 2)) * 10 ** (-0.01 * np.maximum(0, t - 180) / 20)
    return take_of(left, right, marks=MARKS)


@pytest.fixture(scope="module")
def measured(warming):
    return check_soak(warming, SETTINGS)


@pytest.fixture(scope="module")
def part(warming):
    """Of the warming: from before a mark until after the joint has opened some times."""
    return take_of(*warming.samples[150 * RATE : 240 * RATE].T, marks=(MARKS[0],))


@pytest.fixture(scope="module")
def measured_part(part):
    found = check_soak(part, SETTINGS)
    assert {e.kind for e in found.events} == {"dropout", "mark"}
    assert one(found, "onset", 2).value is not None
    return found


def one(measurement, name, channel=1):
    (found,) = readings_named(measurement.readings, name, channel=channel)
    return found


def test_onset_of_an_intermittent_joint(measured):
    onset = one(measured, "onset")
    assert onset.value == pytest.approx(201.3, abs=2)
    assert onset.why.startswith("interruptions")
    assert "s after the mark 'heat gun on'" in onset.why
    assert one(measured, "dropouts").value == 14
    # A break's edges are no clicks.
    assert {e.kind for e in measured.events} == {"dropout", "mark"}
    assert one(measured, "dropout_time").value == pytest.approx(14 * 0.03, abs=0.01)


def test_onset_of_a_level_that_sags(measured):
    onset = one(measured, "onset", 2)
    assert onset.value == pytest.approx(180, abs=6)
    assert onset.why.startswith("level: bends away, -1.")
    assert "after the mark 'heat gun on'" in onset.why
    trend = one(measured, "level_trend", 2)
    # The line through a course that falls by 36 dB/h in the last 120 of 300 s.
    t = np.arange(0, 300.0)
    expected = np.polyfit(t / 3600, -36 * np.maximum(0, t - 180) / 3600, 1)[0]
    assert trend.value == pytest.approx(expected, rel=0.02)
    assert trend.why is None


def test_pitch_warms_up_without_an_onset(measured):
    course = one(measured, "pitch_course")
    points = np.array(course.value)
    true = 60 * (1 - np.exp(-points[:, 0] / 60))
    reference_hz = float(course.why.split()[1])
    true -= 1200 * math.log2(reference_hz / 440)
    # 0.1 s steps at 0.2 / 3e-5; the first stretches bend within themselves.
    assert np.max(np.abs(points[:, 1] - true)) < 0.2
    assert "pitch" not in one(measured, "onset").why
    trend = one(measured, "pitch_trend")
    assert trend.value > 10 * trend.uncertainty


def test_hum_and_noise_beside_the_note(measured):
    hum = np.array(one(measured, "hum_course").value)[:, 1]
    # 1e-4 peak is -80 dBFS; the noise in four lines' width adds a little.
    assert np.median(hum) == pytest.approx(-80, abs=0.2)
    floor = np.median(np.array(one(measured, "noise_course").value)[:, 1])
    # The noise's share between 20 Hz and 0.45 of the rate, re a full-scale sine.
    expected = 20 * np.log10(3e-5 * np.sqrt(2)) + 10 * np.log10((3600 - 20) / 4000)
    assert floor == pytest.approx(expected, abs=0.3)
    assert "scatter alone" in one(measured, "hum_trend").why


def test_every_channel_has_every_reading(measured):
    names = ["level_rms", "level_peak", "onset"]
    for name in COURSES:
        names += [f"{name}_trend", f"{name}_course"]
    names += ["dropouts", "dropout_time", "crackle_rate"]
    assert [r.name for r in measured.readings] == names * 2
    for r in measured.readings:
        assert (r.value is None) == (r.state == "invalid")
        assert r.state != "invalid" or r.why
        if isinstance(r.value, tuple):
            assert len(r.uncertainty) == len(r.value) <= MOST_POINTS


def test_marks_lie_among_the_events(measured):
    assert [e.text for e in measured.events if e.kind == "mark"] == [m.text for m in MARKS]
    assert [e.start for e in measured.events] == sorted(e.start for e in measured.events)


def test_blocks_of_any_sizes_give_the_same(part, measured_part):
    for size in (RATE * 11 + 17, 4097):
        assert check_soak(long_take_of(part, size), SETTINGS) == measured_part


def test_courses_for_plots_survive_storing(measured):
    courses = soak_courses(measured)
    assert {(c.name, c.channel) for c in courses.courses} == {
        (name, channel) for name in COURSES for channel in (1, 2)
    }
    assert [number for number, _ in courses.onsets] == [1, 2]
    assert len(courses.marks) == 2
    stored = json.loads(json.dumps([dataclasses.asdict(r) for r in measured.readings]))
    level = next(r for r in stored if r["name"] == "level_course")
    assert courses.named("level", 1).points == tuple(map(tuple, level["value"]))
    pairs = overlay(courses, courses)
    assert all(a == b for a, b in pairs)
    assert len(pairs) == 8
    with pytest.raises(RequestError, match="choose a soak"):
        soak_courses(dataclasses.replace(measured, check="tone"))


def test_a_quiet_unit_whose_hum_grows():
    t = np.arange(RATE * 240) / RATE
    grown = 10 ** (np.maximum(0, t - 120) * 0.2 / 20)
    hum = 2e-5 * grown * (np.sin(2 * np.pi * 59.97 * t) + 0.5 * np.sin(2 * np.pi * 179.91 * t))
    measured = check_soak(take_of(hum + noise(len(t), 3, 1e-5)), SETTINGS)
    onset = one(measured, "onset")
    assert onset.value == pytest.approx(120, abs=20)
    assert "hum: bends away, +2" in onset.why
    assert "near 60, 120, 180, 240 Hz" in one(measured, "hum_course").why
    assert one(measured, "pitch_trend").state == "invalid"


def test_a_steady_unit_has_no_onset():
    t = np.arange(RATE * 200) / RATE
    measured = check_soak(take_of(note(t) + noise(len(t), 4), marks=MARKS), SETTINGS)
    onset = one(measured, "onset")
    assert onset.value is None
    assert onset.why.startswith(NO_ONSET)
    for name in COURSES:
        assert "not told from chance" in one(measured, f"{name}_trend").why


def test_hours_merge_stretches_and_keep_the_course():
    rate = 2000
    watch = SoakWatch(rate, 1)
    rng = np.random.default_rng(5)
    for minute in range(25):
        t = minute * 60 + np.arange(rate * 60) / rate
        fall = 10 ** (-0.002 * t / 20)
        watch.feed((0.2 * fall * np.sin(2 * np.pi * 440 * t))[:, np.newaxis] + 1e-5 * rng.random())
    readings, _ = watch.finish()
    (course,) = readings_named(readings, "level_course")
    points = np.array(course.value)
    assert MOST_POINTS / 2 <= len(points) <= MOST_POINTS
    assert np.diff(points[:, 0]) == pytest.approx(np.diff(points[:, 0])[0])
    level = 20 * np.log10(0.2) - 0.002 * points[:, 0]
    assert points[:, 1] == pytest.approx(level, abs=1e-3)
    (trend,) = readings_named(readings, "level_trend")
    assert trend.value == pytest.approx(-7.2, abs=0.01)


def test_the_tone_is_followed_far():
    t = np.arange(RATE * 100) / RATE
    measured = check_soak(
        take_of(note(t, 2.0 * t, frequency_hz=1000.0) + noise(len(t), 6)),
        CheckSettings(frequency_hz=1000.0),
    )
    points = np.array(one(measured, "pitch_course").value)
    assert len(points) == 50
    assert points[:, 1] == pytest.approx(2.0 * points[:, 0], abs=0.3)  # 200 cents are 122 Hz
    assert one(measured, "pitch_trend").value == pytest.approx(7200, rel=1e-3)


def saw(t, course_cents=0.0, frequency_hz=220.0):
    """The partials below 3 kHz of a saw."""
    return 0.1 * waves.saw(phase_of(t, course_cents, frequency_hz), int(3000 / frequency_hz) - 1)


JUMPS = (-1902.0, -1200.0, -300.0, -100.0, 77.0, 200.0, 1200.0)


@pytest.mark.parametrize("size", JUMPS)
@pytest.mark.parametrize("at", [50.0, 51.0, 51.7])
def test_a_note_that_jumps_is_followed_to_its_new_place(size, at):
    t = np.arange(RATE * 84) / RATE
    measured = check_soak(
        take_of(saw(t, np.where(t < at, 0.0, size)) + noise(len(t), 20)), SETTINGS
    )
    onset = one(measured, "onset")
    # Within the stretch it lies in, or the next one.
    assert onset.value == pytest.approx(at, abs=2.0)
    assert f"pitch: a step of {size:+.0f} cents" in onset.why
    times, values = np.array(one(measured, "pitch_course").value).T
    assert values[times < at - 2] == pytest.approx(0, abs=0.05)
    assert values[times > at + 2] == pytest.approx(size, abs=0.1)
    # Nothing else was ever heard, and one stretch at most is missing.
    between = values[np.abs(times - at) <= 2]
    assert np.all((between >= min(0, size) - 0.1) & (between <= max(0, size) + 0.1))
    assert len(values) >= 41
    assert "not a drift" in one(measured, "pitch_trend").why


def test_a_note_that_jumps_and_comes_back():
    t = np.arange(RATE * 120) / RATE
    for size in (100.0, -1200.0):
        sound = saw(t, np.where((t > 60) & (t < 80), size, 0.0)) + noise(len(t), 26)
        onset = one(check_soak(take_of(sound), SETTINGS), "onset")
        assert onset.value == pytest.approx(60, abs=2)
        assert onset.why.startswith(f"pitch: off by {size:+.0f} cents for a while")


def test_a_jump_of_a_sine():
    t = np.arange(RATE * 84) / RATE
    for size in (-50.0, 48.0, 200.0):
        sound = note(t, np.where(t < 51, 0.0, size)) + noise(len(t), 21)
        why = one(check_soak(take_of(sound), SETTINGS), "onset").why
        assert why.startswith(f"pitch: a step of {size:+.0f} cents")


def test_a_note_above_a_lower_one_stays_what_it_was():
    """A unit that sounds an octave lower too, from the first, and the upper one is asked for."""
    t = np.arange(RATE * 84) / RATE
    course = np.where(t < 50, 0.0, -300.0)
    sound = note(t, course, 0.2, 220.0) + note(t, course, 0.1, 110.0) + noise(len(t), 22)
    measured = check_soak(take_of(sound), CheckSettings(frequency_hz=220.0))
    assert "pitch: a step of -300 cents" in one(measured, "onset").why
    points = np.array(one(measured, "pitch_course").value)
    assert points[:20, 1] == pytest.approx(0, abs=0.05)


def test_a_tone_that_is_lost_while_the_sound_goes_on():
    t = np.arange(RATE * 84) / RATE
    sound = note(t) + noise(len(t), 23)
    hiss = noise(len(t), 24, 0.14)
    measured = check_soak(take_of(np.where(t < 50, sound, hiss)), SETTINGS)
    # The level of hiss scatters more than that of a tone, which may be told first.
    assert "pitch: the sound goes on, but its tone is lost at 51 s" in one(measured, "onset").why
    assert "it is lost from 50 s on" in one(measured, "pitch_course").why
    # Lost for a while only: nothing is known of it then.
    back = check_soak(take_of(np.where((t < 30) | (t > 50), sound, hiss)), SETTINGS)
    assert "pitch: cannot tell" in one(back, "onset").why
    assert "level, pitch" not in one(back, "onset").why
    # With the sound itself, the tone is no further onset.
    dead = check_soak(take_of(np.where(t < 50, sound, 1e-4 * hiss)), SETTINGS)
    assert one(dead, "onset").why.startswith("level: a step")
    assert "pitch" not in one(dead, "onset").why


def test_vibrato_and_short_breaks_leave_the_pitch_alone():
    t = np.arange(RATE * 84) / RATE
    sound = note(t, 15 * np.sin(2 * np.pi * 5 * t)) * ~((t > 41.3) & (t < 41.6))
    measured = check_soak(take_of(sound + noise(len(t), 25)), SETTINGS)
    values = np.array(one(measured, "pitch_course").value)[:, 1]
    assert len(values) == 42
    assert np.ptp(values) < 1
    assert "pitch" in one(measured, "onset").why.split(":")[1]


def test_a_note_that_drifts_across_the_mains_is_no_hum():
    t = np.arange(RATE * 210) / RATE
    sound = saw(t, -1.5 * t, 220.0) + 1e-4 * np.sin(2 * np.pi * 100 * t) + noise(len(t), 27)
    measured = check_soak(take_of(sound), CheckSettings(frequency_hz=220.0, mains_hz=50.0))
    values = np.array(one(measured, "hum_course").value)[:, 1]
    # Its fundamental passes the line at 200 Hz, where it is 60 dB above the hum.
    assert 12 <= len(values) < 35
    assert values == pytest.approx(-80, abs=1)
    assert one(measured, "onset").value is None


@pytest.fixture(scope="module")
def clicking():
    """The left clicks from 130 s on, about once a second; the right does not."""
    t = np.arange(RATE * 260) / RATE
    left, right = (note(t) + noise(len(t), seed) for seed in (30, 31))
    rng = np.random.default_rng(32)
    left[(130 + np.cumsum(rng.uniform(0.4, 1.6, 120)) * RATE).astype(int) + 130 * RATE] += 0.3
    return take_of(left, right)


@pytest.fixture(scope="module")
def clicked(clicking):
    return check_soak(clicking, SETTINGS)


def test_clicks_have_an_onset_and_hide_hum_and_noise(clicked):
    measured = clicked
    onset = one(measured, "onset")
    assert onset.value == pytest.approx(131, abs=2)
    assert onset.why == "clicks and crackle: 120 from there on"
    assert one(measured, "onset", 2).value is None
    clicks = [e for e in measured.events if e.kind == "click"]
    assert len(clicks) == len(measured.events) == 120
    assert {e.channels for e in clicks} == {(1,)}
    # A jump there and back may be two transients of one click.
    assert 120 / 260 <= one(measured, "crackle_rate").value <= 1.2 * 120 / 260
    assert one(measured, "crackle_rate", 2).value == 0
    usual = one(measured, "noise_course", 2)
    assert len(usual.value) == 44
    for name in ("hum", "noise"):
        course = one(measured, f"{name}_course")
        # Of 44 stretches 22 are before the clicks, and few after it are without.
        assert 22 <= len(course.value) <= 30
        assert f"{44 - len(course.value)} stretch(es) with clicks or crackle left out" in course.why
    values = np.array(one(measured, "noise_course").value)[:, 1]
    assert values == pytest.approx(np.median(np.array(usual.value)[:, 1]), abs=0.5)


def test_clicks_come_alike_in_blocks_of_any_sizes(clicking, clicked):
    whole = clicked
    watch = SoakWatch(RATE, 2, SETTINGS)
    told = []
    for start in range(0, clicking.frames, 1777):
        told += watch.feed(clicking.samples[start : start + 1777])
    known = len(told)
    assert watch.finish() == (whole.readings, whole.events)
    assert tuple(told) == whole.events[:known]
    assert known >= 118  # all but those of the last seconds are told while it runs
    assert check_soak(long_take_of(clicking, 100_003), SETTINGS) == whole


def test_lost_audio_is_not_the_instruments():
    t = np.arange(RATE * 100) / RATE
    sound = note(t) + noise(len(t), 7)
    sound[50 * RATE : 50 * RATE + 400] = 0.0
    lost = (LostBuffers(50 * RATE, 400, 400),)
    measured = check_soak(take_of(sound, lost=lost), SETTINGS)
    assert [e.kind for e in measured.events] == ["lost_buffers"]
    assert one(measured, "dropouts").value == 0
    assert "not counted" in one(measured, "dropouts").why
    assert "computer lost audio" in one(measured, "level_course").why
    assert len(one(measured, "level_course").value) == 49
    assert one(measured, "onset").value is None


def test_clipped_stretches_are_left_out():
    t = np.arange(RATE * 100) / RATE
    sound = note(t) + noise(len(t), 8)
    sound[40 * RATE : 43 * RATE] *= 20
    measured = check_soak(take_of(np.clip(sound, -1, 1)), SETTINGS)
    assert "2 clipped stretch(es) left out, first at 40 s" in one(measured, "level_course").why
    clipped = check_soak(take_of(np.clip(20 * sound, -1, 1)), SETTINGS)
    assert all(r.state == "invalid" and "clipped input" in r.why for r in clipped.readings)


def test_silence_and_shortness_have_their_reasons():
    silent = check_soak(take_of(np.zeros(RATE * 10)), SETTINGS)
    assert all(r.state == "invalid" and "digital silence" in r.why for r in silent.readings)
    t = np.arange(RATE) / RATE
    short = check_soak(take_of(note(t)), SETTINGS)
    others = [r for r in short.readings if not r.name.startswith("level_")]
    assert all(r.state == "invalid" and "shorter than 2 s" in r.why for r in others[1:])
    assert "a trend of level and pitch needs 24 s, an onset 64 s" in one(short, "onset").why
    t = np.arange(10 * RATE) / RATE
    brief = check_soak(take_of(note(t)), SETTINGS)
    assert "12 points, which are 24 s; of these there are 5" in one(brief, "level_trend").why
    assert "12 points, which are 72 s" in one(brief, "noise_trend").why
    assert "too short to tell" in one(brief, "onset").why
    assert "level 64 s" in one(brief, "onset").why
    assert "noise 3 min 12 s" in one(brief, "onset").why


def test_a_sound_that_is_lost_for_good():
    t = np.arange(RATE * 200) / RATE
    sound = note(t) + noise(len(t), 9)
    sound[121 * RATE :] = noise(79 * RATE, 10)
    measured = check_soak(take_of(sound), SETTINGS)
    onset = one(measured, "onset")
    assert onset.value == pytest.approx(121, abs=2)
    assert "level: a step of -7" in onset.why
    trend = one(measured, "level_trend")
    assert trend.value is None
    assert "the level changed at once, at 2 min" in trend.why


def test_what_comes_back_is_no_drift():
    t = np.arange(RATE * 200) / RATE
    sound = note(t) * np.where((t > 100) & (t < 116), 0.7, 1.0) + noise(len(t), 16)
    measured = check_soak(take_of(sound), SETTINGS)
    assert "level: off by -3.1 dB for a while" in one(measured, "onset").why
    assert one(measured, "level_trend").value is None
    assert "was off for a while, at 100 s: not a drift" in one(measured, "level_trend").why


def test_a_step_is_told_neither_too_early_nor_too_late():
    t = np.arange(RATE * 120) / RATE
    off = []
    for at in (60.0, 60.4, 60.9, 61.3, 61.8):
        sound = note(t) * np.where(t < at, 1.0, 0.8) + noise(len(t), 17)
        onset = one(check_soak(take_of(sound), SETTINGS), "onset")
        off.append((onset.value - at) / onset.uncertainty)
    assert np.max(np.abs(off)) < 2  # a stretch is 2 s: rectangular, at most 1.7
    assert abs(np.mean(off)) < 0.5


def test_a_beat_with_hum_is_no_drift_of_the_pitch():
    # 110 Hz beside 100.04 Hz: in stretches of 2 s the beat comes back every 25 s.
    t = np.arange(RATE * 25) / RATE
    hum = 2e-4 * np.sin(2 * np.pi * 100.04 * t)
    sound = note(t, level=0.3, frequency_hz=110.0) + hum + noise(len(t), 18)
    trend = one(check_soak(take_of(sound), SETTINGS), "pitch_trend")
    assert "not told from chance" in trend.why


def test_what_clicks_left_out_is_not_called_too_short():
    # A sample of 0.43 s that loops with a jump: no stretch is without a click.
    sample = note(np.arange(round(0.43 * RATE)) / RATE, frequency_hz=110.0)
    sound = np.resize(sample + np.linspace(0, 0.2, len(sample)), RATE * 210)
    measured = check_soak(take_of(sound + noise(len(sound), 19)), SETTINGS)
    for name in ("hum_trend", "hum_course", "noise_trend"):
        assert one(measured, name).value is None
        assert "stretch(es) with clicks or crackle left out" in one(measured, name).why
        assert "power sum" not in one(measured, name).why
    # One that clicks in most of them.
    sound = note(np.arange(RATE * 210) / RATE)
    sound[:: round(2.37 * RATE)] += 0.3
    measured = check_soak(take_of(sound + noise(len(sound), 20)), SETTINGS)
    assert "too short" not in one(measured, "onset").why
    assert "of 35 points could be measured and 32 are needed" in one(measured, "onset").why


def test_a_mark_has_to_be_one():
    t = np.arange(RATE * 4) / RATE
    with pytest.raises(RequestError, match="give marks only"):
        check_soak(take_of(note(t), marks=(Event("click", 1.0, 1.0, (1,)),)), SETTINGS)


def test_levels_are_those_of_every_check():
    t = np.arange(RATE * 61 + 1234) / RATE
    sound = note(t) * (1 + 0.1 * np.sin(2 * np.pi * 0.3 * t)) + noise(len(t), 11)
    sound[RATE * 7 + 5] = -0.61
    measured, other = check_soak(take_of(sound), SETTINGS), measure_level(sound, RATE)
    for name, level in (("level_rms", other.rms), ("level_peak", other.peak)):
        assert one(measured, name).value == pytest.approx(level.value, abs=1e-9)
        assert one(measured, name).uncertainty == pytest.approx(level.uncertainty, rel=1.0)


def test_what_lies_in_a_pause_does_not_count():
    t = np.arange(RATE * 200) / RATE
    sound = note(t) + noise(len(t), 12)
    spoiled = sound.copy()
    # Lid off: the plug is pulled, pushed in again too far up, and the gain set back.
    spoiled[90 * RATE : 103 * RATE] = 0.0
    spoiled[103 * RATE : 109 * RATE] = np.clip(40 * sound[103 * RATE : 109 * RATE], -1, 1)
    pause = Event("mark", 89.0, 110.5, (), text="lid off")
    measured = check_soak(take_of(spoiled, marks=(pause,)), SETTINGS)
    assert one(measured, "onset").why.startswith(NO_ONSET)
    assert one(measured, "level_rms").value == pytest.approx(-13.98, abs=0.01)
    assert one(measured, "level_peak").value == pytest.approx(-13.98, abs=0.02)
    assert one(measured, "dropouts").value == 0
    assert "12 stretch(es) of pause left out" in one(measured, "level_course").why
    times = [at for at, _ in one(measured, "level_course").value]
    assert all(at < 88 or at > 112 for at in times)
    assert measured.events == (pause,)
    throughout = Event("mark", 0.0, 200.0, ())
    all_paused = check_soak(take_of(spoiled, marks=(throughout,)), SETTINGS)
    assert {r.why for r in all_paused.readings if "level_" not in r.name} == {
        "paused all the while"
    }


def test_a_soak_can_be_looked_at_while_it_runs(warming, measured):
    watch = SoakWatch(RATE, 2, SETTINGS)
    marks = list(MARKS)
    for start in range(0, warming.frames, RATE):
        if marks and marks[0].start <= start / RATE:
            watch.mark(marks.pop(0))
        watch.feed(warming.samples[start : start + RATE])
        if start == 120 * RATE:
            head = take_of(*warming.samples[: start + RATE].T, marks=MARKS[:1])
            told = soak_courses(check_soak(head, SETTINGS))
            assert watch.courses(with_onsets=True) == told
            assert watch.readings()[0] == check_soak(head, SETTINGS).readings[0]
            assert watch.events == ()
            assert watch.marks == MARKS[:1]
    assert watch.finish() == (measured.readings, measured.events)
    assert watch.courses(with_onsets=True) == soak_courses(measured)
    assert watch.courses() == dataclasses.replace(soak_courses(measured), onsets=())


def test_a_pause_whose_end_is_not_known_yet():
    t = np.arange(RATE * 80) / RATE
    sound = (note(t) + noise(len(t), 13)) * ~((t > 31) & (t < 49))
    whole = check_soak(take_of(sound, marks=(Event("mark", 30.5, 50.25, ()),)), SETTINGS)
    watch = SoakWatch(RATE, 1, SETTINGS)
    for second in range(80):
        if second == 31:
            watch.mark(Event("mark", 30.5, math.inf, ()))
        if second == 51:
            assert watch.marks == (Event("mark", 30.5, 51.0, ()),)
            watch.mark(Event("mark", 30.5, 50.25, ()))
        watch.feed(sound[second * RATE : (second + 1) * RATE, np.newaxis])
    assert watch.finish() == (whole.readings, whole.events)


def test_by_its_name_from_a_file_of_any_length(part, measured_part):
    assert measure(part, "soak") == measured_part
    assert measure(long_take_of(part, 100_003), "soak") == measured_part


def compared(before, after):
    """Verdict and reason of each reading of the first channel, of two soaks of one take each."""

    def run_of(measurement):
        step = Step("soak", "main", "Hold A4.", 200.0)
        rig = Rig("simulated", "test", RATE)
        return Run("id", "s", "2026-03-01T10:00:00+01:00", "me", 1, step, rig, (), (measurement,))

    told = compare_stages([run_of(before)], [run_of(after)], before_name="a", after_name="b")
    return {c.name: c for c in told.comparisons if c.channel == 1}


def test_stages_are_compared_by_onset_and_trend():
    t = np.arange(RATE * 200) / RATE
    steady = take_of(note(t) + noise(len(t), 14))
    sagging = take_of(steady.samples[:, 0] * 10 ** (-0.02 * np.maximum(0, t - 100) / 20))
    good, bad = (check_soak(take, SETTINGS) for take in (steady, sagging))
    assert not [name for name in compared(bad, good) if name.endswith("_course")]
    for before, after, verdict in (
        (bad, good, "better"),
        (good, bad, "worse"),
        (good, good, "no change"),
        (bad, bad, "no change"),
    ):
        found = compared(before, after)
        assert found["onset"].verdict == verdict
        assert found["level_trend"].verdict == verdict
    why = "set in in 1 take before, never set in in 1 take after"
    assert compared(bad, good)["onset"].why == why
    brief = check_soak(take_of(steady.samples[: 20 * RATE, 0]), SETTINGS)
    assert compared(brief, good)["onset"].verdict == "cannot tell"
    assert "too short" in compared(brief, good)["onset"].why


def test_in_words():
    t = np.arange(RATE * 200) / RATE
    found = check_soak(take_of(note(t) + noise(len(t), 15)), SETTINGS)
    assert format_reading(one(found, "onset")).startswith("none found: level, pitch")
    words = format_reading(one(found, "level_course"))
    assert words == "−13.98 to −13.98 dBFS, 1 s to 199 s"


def test_a_sound_that_clicks_at_regular_intervals_does_so_by_itself():
    t = np.arange(RATE * 60) / RATE
    sound = note(t) + noise(len(t), 4, 1e-4)
    for start in 30.3 + 1.37 * np.arange(20):  # another sound is called up, whose sample loops
        sound[round(start * RATE) :][:2] += 0.1
    sound[41 * RATE] -= 0.15
    take = take_of(sound)
    measured = check_soak(take, SETTINGS)
    (event,) = (e for e in measured.events if e.kind != "mark")
    assert (event.kind, round(event.start, 1)) == ("click", 41.0)
    (onset,) = readings_named(measured.readings, "onset")
    assert onset.state == "invalid"
    (rate,) = readings_named(measured.readings, "crackle_rate")
    assert rate.value == pytest.approx(1 / 60)
    assert "20 clicks at regular intervals of 1.370 s" in rate.why
    pieces = SoakWatch(RATE, 1, SETTINGS)
    for part in np.array_split(take.samples, 701):
        pieces.feed(part)
    assert pieces.finish() == (measured.readings, measured.events)
