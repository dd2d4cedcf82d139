"""A running take: what is seen of it is what the check finds in the end."""

from dataclasses import replace

import numpy as np
import pytest

from sigbench.checks import measure
from sigbench.checks.tally import tally
from sigbench.errors import RequestError
from sigbench.interface.base import Block
from sigbench.live.watch import Watch
from sigbench.model import PAUSED, CheckSettings, LostBuffers, Source, Take

RATE = 48_000
BLOCK = 480


def saw(seconds, frequency=220.0):
    t = np.arange(round(seconds * RATE)) / RATE
    partials = np.arange(1, 20)[:, np.newaxis]
    return 0.2 * (np.sin(2 * np.pi * frequency * partials * t) / partials).sum(axis=0)


def with_gaps(sound, *gaps):
    for start, end in gaps:
        sound[round(start * RATE) : round(end * RATE)] = 0
    return sound


def blocks_of(samples, lost=()):
    for first in range(0, len(samples), BLOCK):
        part = samples[first : first + BLOCK]
        own = tuple(loss for loss in lost if first <= loss.frame < first + len(part))
        yield Block(part, first, own)


def take_of(samples, marks=(), lost=()):
    source = Source("file", None, None, RATE, samples.shape[1], len(samples), len(lost))
    return Take(samples, RATE, source, lost, marks=marks)


STEREO = np.column_stack(
    [with_gaps(saw(8.0), (2.0, 2.05), (5.0, 5.12)), with_gaps(saw(8.0), (6.5, 6.53))]
)


@pytest.fixture(scope="module")
def followed():
    """A jack check with two places, a mark and a pause, and what it called out when."""
    noted = []
    watch = Watch("jack", RATE, 2, seconds=60, places=("L", "R"), on_mark=noted.append)
    called = []
    for block in blocks_of(STEREO):
        at = block.first_frame / RATE
        called += [(at, kind) for kind in watch.feed(block)]
        if at == 1.0:
            watch.mark("tapped")
        if at == 4.0:
            watch.next_place()
        if at in (6.0, 7.0):
            watch.pause()
    return watch, called, noted


def test_what_is_seen_is_what_the_check_tells_in_the_end(followed):
    watch, _, _ = followed
    found = measure(take_of(STEREO, watch.marks), "jack")
    assert watch.seen().events == found.events
    assert watch.seen().tallies == tally(found.events, 8.0)
    drops = [(e.place, round(e.start, 2)) for e in found.events if e.kind == "dropout"]
    assert drops == [("L", 2.0), ("R", 5.0)]  # the one in the pause does not count


def test_a_loss_is_called_out_once_and_soon(followed):
    _, called, _ = followed
    times = [at for at, kind in called if kind in ("dropout", "dip")]
    assert len(times) == 2
    for at, start, end in zip(times, (2.0, 5.0), (2.05, 5.12), strict=True):
        assert start < at <= end + 0.1


def test_the_marks_are_noted_as_they_come(followed):
    _, _, noted = followed
    assert [(mark.place, mark.text) for mark in noted] == [
        ("L", None),
        (None, "tapped"),
        ("R", None),
        (None, PAUSED),
        (None, PAUSED),
    ]
    begun, ended = noted[3:]
    assert begun.start == begun.end == ended.start < ended.end


def test_where_the_take_is(followed):
    seen = followed[0].seen()
    assert (seen.check, seen.seconds, seen.of_seconds) == ("jack", 8.0, 60)
    assert (seen.place, seen.place_number, seen.places) == ("R", 2, 2)
    assert (seen.paused, seen.stopped) == (False, False)
    # A sawtooth's RMS is that of its partials: sqrt(sum(1/k^2) / 2) re the fundamental's peak.
    rms = 0.2 * np.sqrt(np.sum(1 / np.arange(1, 20) ** 2.0) / 2)
    assert seen.levels[0].rms_dbfs == pytest.approx(20 * np.log10(rms * np.sqrt(2)), abs=0.05)


def test_after_the_last_place_comes_the_first_again():
    watch = Watch("jack", RATE, 1, seconds=9, places=("L", "R"))
    watch.feed(Block(np.zeros((BLOCK, 1)), 0))
    names = []
    for _ in range(4):
        names.append(watch.seen().place)
        watch.next_place()
    assert names == ["L", "R", "L", "R"]


def test_a_pause_that_is_not_over_lasts_until_now():
    watch = Watch("jack", RATE, 1, seconds=9)
    sound = saw(2.0)[:, np.newaxis]
    for block in blocks_of(sound):
        watch.feed(block)
        if block.first_frame == RATE:
            watch.pause()
    (pause,) = watch.marks
    assert (pause.text, round(pause.end - pause.start, 2)) == (PAUSED, 0.99)
    assert watch.seen().paused
    assert watch.seen().tallies[0].seconds == pytest.approx(1.01, abs=0.02)


def test_a_pause_that_is_over_at_once_ends_all_the_same():
    noted = []
    watch = Watch("jack", RATE, 1, seconds=9, on_mark=noted.append)
    watch.feed(Block(saw(1.0)[:, np.newaxis], 0))
    watch.pause()
    watch.pause()
    # In the log, a pause without a length has not ended.
    begun, ended = noted
    assert begun.end == begun.start == ended.start < ended.end < ended.start + 0.001
    assert not watch.seen().paused


def test_what_the_computer_lost_is_told_as_such():
    sound = with_gaps(saw(3.0), (1.5, 1.52))[:, np.newaxis]
    lost = (LostBuffers(round(1.5 * RATE), 960, 960),)
    watch = Watch("dropouts", RATE, 1, seconds=9)
    for block in blocks_of(sound, lost):
        watch.feed(block)
    seen = watch.seen()
    assert (seen.lost, [event.kind for event in seen.events]) == (1, ["lost_buffers"])


def test_the_person_ends_it():
    watch = Watch("jack", RATE, 1, seconds=9)
    assert not watch.stopped
    watch.stop()
    assert watch.stopped
    assert watch.seen().stopped


def test_only_checks_that_are_watched():
    with pytest.raises(RequestError, match="'rails' is not watched live"):
        Watch("rails", RATE, 1, seconds=9)


def turned_sound(worn=(0.4, 0.5), seconds_a_pass=2.5, passes=5):
    """A linear control that goes up and down, and crackles in a stretch of its travel."""
    chance = np.random.default_rng(5)
    t = np.arange(round(passes * seconds_a_pass * RATE)) / RATE
    travel = 1 - np.abs(1 - t / seconds_a_pass % 2)
    sound = saw(passes * seconds_a_pass, 330.0)
    inside = (travel > worn[0]) & (travel < worn[1])
    open_now = inside & np.repeat(chance.random(len(t) // 48 + 1) < 0.3, 48)[: len(t)]
    return (travel * sound * np.where(open_now, 0.2, 1.0))[:, np.newaxis]


def test_the_travel_of_a_control_is_known_after_some_passes():
    watch = Watch("pot", RATE, 1, CheckSettings(taper="linear"), seconds=60)
    sound = turned_sound()
    for block in blocks_of(sound):
        watch.feed(block)
        if block.first_frame == RATE:
            assert watch.seen().turned == ()
    (control,) = watch.seen().turned
    (gang,) = control.gangs
    shown = gang.wear.edges[:-1][np.nan_to_num(gang.wear.share) > 0.5]
    assert len(shown)
    assert shown.min() >= 36
    assert shown.max() <= 54
    assert len(control.passes) >= 4


def test_a_soak_shows_its_courses_so_far():
    watch = Watch("soak", RATE, 1, seconds=60)
    sound = saw(9.0)[:, np.newaxis] * np.linspace(1.0, 0.5, 9 * RATE)[:, np.newaxis]
    for block in blocks_of(sound):
        watch.feed(block)
    courses = watch.seen().courses
    assert courses is not None
    level = courses.named("level", 1)
    assert level is not None
    assert level.points[-1][1] < level.points[0][1] - 3
    assert replace(watch.seen(), courses=None).turned == ()


def test_a_pause_is_left_out_of_the_courses():
    watch = Watch("soak", RATE, 1, seconds=60)
    sound = saw(20.0)[:, np.newaxis]
    sound[8 * RATE : 12 * RATE] *= 0.01  # turned down for a moment
    for block in blocks_of(sound):
        watch.feed(block)
        if block.first_frame in (7.9 * RATE, 12.1 * RATE):
            watch.pause()
    courses = watch.seen().courses
    assert courses is not None
    level = courses.named("level", 1)
    assert level is not None
    values = [value for _, value in level.points if np.isfinite(value)]
    assert np.ptp(values) < 0.1


def test_clicks_that_keep_time_are_told_at_first_and_taken_back_as_in_the_check():
    noise = 1e-4 * np.random.default_rng(3).standard_normal(9 * RATE)
    sound = saw(9.0) + noise
    for start in 0.8 + 1.1 * np.arange(7):  # a loop
        sound[round(start * RATE) :][:3] += 0.3
    sound[round(3.3 * RATE) :][:30] = 0.0  # a contact
    watch = Watch("jack", RATE, 1, seconds=60)
    called = [kind for block in blocks_of(sound[:, np.newaxis]) for kind in watch.feed(block)]
    seen = watch.seen()
    measured = measure(take_of(sound[:, np.newaxis]), "jack")
    assert seen.events == measured.events
    (event,) = measured.events
    assert (event.kind, round(event.start, 2)) == ("click", 3.3)
    assert len(called) == 3  # the contact, and the first two of the loop
    words = "7 clicks at regular intervals of 1.100 s, as a sample loop makes"
    (remark,) = seen.remarks
    assert remark.startswith(words)
    (rate,) = (r for r in measured.readings if r.name == "crackle_rate")
    assert rate.value == pytest.approx(1 / 9)
    assert rate.why == remark
