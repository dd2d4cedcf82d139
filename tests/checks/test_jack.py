"""Jacks that are moved, made with numpy alone: what each contact does, and what no contact does."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from sigbench.checks import measure
from sigbench.checks.jack import SLEEVE_OPEN, TOGETHER_SECONDS, movements
from sigbench.measure.gaps import QUICK, SLOW
from sigbench.model import FADED, Event, LongTake, LostBuffers, Source, Take, readings_named

RATE = 48_000
SECONDS = 12.0
T = np.arange(round(SECONDS * RATE)) / RATE


def span(start, end):
    return slice(round(start * RATE), round(end * RATE))


@cache
def partials(frequency):
    return sum(np.sin(2 * np.pi * frequency * k * T) / k for k in range(1, int(9000 / frequency)))


def saw(frequency=220.0, level=0.25):
    return level * partials(frequency)


def hum(level=0.05):
    return level * (np.sin(2 * np.pi * 50 * T) + 0.3 * np.sin(2 * np.pi * 150 * T))


def take_of(left, right, **changes):
    samples = np.stack([left, right], axis=1)
    samples = samples + 1e-4 * np.random.default_rng(1).standard_normal(samples.shape)
    source = Source("file", None, None, RATE, 2, len(samples))
    return Take(samples, RATE, source, **changes)


def moved_jack():
    left, right = saw(), 0.9 * saw()
    left[span(2, 2.12)] = 0  # the tip lets go
    left[span(4, 4.08)] *= 0.3  # turns high-ohmic
    for side in (left, right):
        side[span(6, 6.4)] += hum()[span(6, 6.4)]  # the sleeve lets go
        side[span(10, 10.05)] *= 1e-3  # something before the jack
    for k in range(12):  # is only dirty
        start = round((8 + 0.02 * k) * RATE)
        left[start : start + 4 + 2 * k] *= 0.2
    return left, right


def chord(*frequencies):
    return 0.1 * sum(np.sin(2 * np.pi * f * T + k) for k, f in enumerate(frequencies))


def leakage(start, end, level, mains_hz, numbers):
    """What an open lead picks up: a comb of the mains, of an RMS re full scale."""
    t = T[span(start, end)]
    wave = sum(a * np.sin(2 * np.pi * mains_hz * k * t + 0.7 * k) for k, a in numbers.items())
    return level * wave / np.std(wave)


SLEEVE_AT = (1.5, 3.6, 5.7, 7.8, 9.9)


@pytest.mark.parametrize("length", [0.1, 0.4, 0.8])
@pytest.mark.parametrize("hum_db", [-6, 0, 6])
def test_hum_in_place_of_a_chord_is_no_sleeve(length, hum_db):
    numbers = {1: 1.0, 3: 0.3, 5: 0.15, 7: 0.1}
    left = chord(261.6, 329.6, 392.0)
    right = 0.9 * left
    level = np.std(left) * 10 ** (hum_db / 20)
    for k, start in enumerate(SLEEVE_AT):
        wave = leakage(start, start + length, level, (50.1, 59.95)[k % 2], numbers)
        left[span(start, start + length)] = wave
        right[span(start, start + length)] = 0.9 * wave
    events = measure(take_of(left, right), "jack").events
    assert [(e.kind, e.channels) for e in events] == [("dropout", (1, 2))] * 5
    for event, start in zip(events, SLEEVE_AT, strict=True):
        assert event.text.startswith("signal lost, hum in its place")
        assert event.start == pytest.approx(start, abs=0.006)  # edges of hum are known to 4 ms
        assert event.end == pytest.approx(start + length, abs=0.012)


@pytest.mark.parametrize("length", [0.1, 0.4])
@pytest.mark.parametrize("numbers", [{1: 1.0}, {2: 1.0, 4: 0.5, 6: 0.35, 8: 0.25, 10: 0.2}])
def test_a_sleeve_that_weakens_the_sound_a_little_is_one_on_both_channels(length, numbers):
    left = chord(440.0, 554.4)
    right = 0.9 * np.roll(left, 7)
    for k, start in enumerate(SLEEVE_AT):
        wave = leakage(start, start + length, 0.1 * np.std(left), (50.1, 59.95)[k % 2], numbers)
        for side in (left, right):
            side[span(start, start + length)] *= 0.67
            side[span(start, start + length)] += wave
    events = measure(take_of(left, right), "jack").events
    assert [(e.kind, e.channels) for e in events] == [("hum_burst", (1, 2))] * 5
    assert all(e.text.startswith("hum: the sleeve or the ground") for e in events)


def test_a_shared_sleeve_that_opens_without_hum_leaves_the_difference_of_the_channels():
    left, right = 0.2 * saw() + chord(165.0, 247.0), 0.2 * saw() + chord(196.0, 330.0)
    for start in SLEEVE_AT:
        part = span(start, start + 0.3)
        across = left[part] - right[part]  # Kirchhoff: both loads in series between the tips
        left[part], right[part] = across / 2, -across / 2
    events = measure(take_of(left, right), "jack").events
    assert [(e.kind, e.channels, e.text) for e in events] == [("dip", (1, 2), SLEEVE_OPEN)] * 5
    assert [e.start for e in events] == pytest.approx(SLEEVE_AT, abs=0.002)
    assert [e.end for e in events] == pytest.approx([s + 0.3 for s in SLEEVE_AT], abs=0.002)


@pytest.fixture(scope="module")
def measured():
    return measure(take_of(*moved_jack()), "jack")


def test_each_contact_is_told_apart(measured):
    told = [(event.kind, event.channels) for event in measured.events]
    assert told == [
        ("dropout", (1,)),
        ("dip", (1,)),
        ("hum_burst", (1, 2)),
        ("crackle", (1,)),
        ("dropout", (1, 2)),
    ]
    starts = [event.start for event in measured.events]
    assert starts == pytest.approx([2, 4, 6, 8, 10], abs=0.02)
    ends = [event.end for event in measured.events]
    assert ends == pytest.approx([2.12, 4.08, 6.4, 8.22, 10.05], abs=0.03)


def test_what_it_points_to_is_said(measured):
    words = [event.text for event in measured.events]
    assert "tip" in words[0]
    assert "high-ohmic" in words[1]
    assert "sleeve" in words[2]
    assert "dirty" in words[3]
    assert "before the jack" in words[4]
    assert "before the jack" not in words[0]


def test_the_tally_of_each_channel(measured):
    def values(name):
        return [r.value for r in readings_named(measured.readings, name)]

    assert values("dropouts") == [2, 1]
    assert values("dips") == [1, 0]
    assert values("hum_bursts") == [1, 1]
    assert values("crackle_rate")[0] > 0
    assert values("crackle_rate")[1] == 0
    assert values("dropout_time") == pytest.approx([0.17, 0.05], abs=0.002)


def test_a_file_of_hours_gives_the_same(measured):
    take = take_of(*moved_jack())
    long = LongTake(
        take.source,
        lambda: (take.samples[k : k + 7777] for k in range(0, take.frames, 7777)),
    )
    found = measure(long, "jack")
    assert found.events == measured.events
    for one, other in zip(found.readings, measured.readings, strict=True):
        assert one.name == other.name
        if one.name in ("dropouts", "dips", "hum_bursts", "crackle_rate", "dropout_time"):
            assert one.value == other.value


@pytest.mark.parametrize(
    "sound",
    [
        lambda: saw() * (1 + 0.6 * np.sin(2 * np.pi * 5 * T)),  # tremolo
        lambda: saw(220) + saw(221.3),  # beating
        lambda: saw(110, 0.1) + saw(164.8, 0.1) + saw(220, 0.1),  # a chord
        lambda: saw() * np.exp(-T / 3),  # a note that dies away
        lambda: 0.3 * np.sin(2 * np.pi * 55 * T + 2 * np.sin(2 * np.pi * 5.5 * T)),  # deep vibrato
    ],
    ids=["tremolo", "beating", "chord", "decay", "vibrato"],
)
def test_what_a_sound_does_by_itself_is_no_contact(sound):
    sound = sound()
    found = measure(take_of(sound, 0.8 * sound), "jack")
    assert found.events == ()


def test_what_the_computer_lost_is_no_contact():
    left, right = saw(), saw()
    for side in (left, right):
        side[span(3, 3.05)] = 0
    lost = (LostBuffers(3 * RATE, 2400, 2400),)
    found = measure(take_of(left, right, lost=lost), "jack")
    assert [event.kind for event in found.events] == ["lost_buffers"]
    assert [r.value for r in readings_named(found.readings, "dropouts")] == [0, 0]


def test_what_happens_in_a_pause_does_not_count():
    left, right = saw(), saw()
    for side in (left, right):
        side[span(1, 1.05)] = side[span(3, 3.05)] = 0
    marks = (
        Event("mark", 0.5, 0.5, (), place="main L"),
        Event("mark", 2.9, 3.5, (), text="paused"),
        Event("mark", 3.6, 3.6, (), place="main R"),
    )
    found = measure(replace(take_of(left, right), marks=marks), "jack")
    assert [(e.kind, e.place) for e in found.events] == [
        ("mark", "main L"),
        ("dropout", "main L"),
        ("mark", None),
        ("mark", "main R"),
    ]
    assert [r.value for r in readings_named(found.readings, "dropouts")] == [1, 1]


def test_silence_is_not_watched():
    silent = Take(np.zeros((RATE, 1)), RATE, Source("file", None, None, RATE, 1, RATE))
    found = measure(silent, "jack")
    states = {r.state for r in found.readings if r.name in ("dropouts", "dips", "crackle_rate")}
    assert states == {"invalid"}


def test_a_channel_of_noise_alone_has_no_dips_to_count():
    noise = 1e-3 * np.random.default_rng(2).standard_normal(len(T))
    left = saw()
    left[span(3, 3.1)] *= 0.3
    found = measure(take_of(left, noise), "jack")
    dips = readings_named(found.readings, "dips")
    assert [(r.value, r.state) for r in dips] == [(1.0, "ok"), (None, "invalid")]


def test_what_another_channel_does_by_itself_is_told_as_well():
    together = [
        Event("dropout", 1.0, 1.1, (1,), 60.0),
        Event("dip", 1.0, 1.1, (2,), 6.0),
        Event("click", 1.0, 1.001, (2,), 6.0),
    ]
    found = movements(together)
    assert [(event.kind, event.channels) for event in found] == [("dropout", (1,)), ("dip", (2,))]
    lost = Event("lost_buffers", 0.99, 1.0, (1,), None)
    assert [event.kind for event in movements([lost, *together])] == ["lost_buffers"]


@pytest.mark.parametrize("level", [0.05, 0.2])
def test_a_tip_that_is_open_with_loud_hum_is_no_sleeve(level):
    left, right = saw(), saw()
    for start, end in ((3, 3.4), (6, 6.15)):
        left[span(start, end)] = hum(level)[span(start, end)]
    found = measure(take_of(left, right), "jack")
    assert [(e.kind, e.channels, e.text) for e in found.events] == [
        ("dropout", (1,), "signal lost, hum in its place")
    ] * 2


def test_a_gap_that_began_with_a_click_did_not_fade():
    gap = Event("dropout", 1.0, 1.2, (1,), 60.0, SLOW)
    assert [event.text for event in movements([gap])] == [FADED]
    click = Event("click", 0.99, 0.991, (1,), 6.0)
    for begun in (movements([click, gap]), movements([replace(gap, text=QUICK)])):
        assert [event.text for event in begun] == ["signal lost: the tip let go"]


def test_what_belongs_together_is_one_movement():
    events = [
        Event("click", 0.99, 0.991, (1,), 20.0),
        Event("dropout", 1.0, 1.1, (1,), 60.0),
        Event("hum_burst", 1.01, 1.09, (1, 2), 30.0),
        Event("crackle", 1.1 + 0.9 * TOGETHER_SECONDS, 1.2, (1,), 20.0),
        Event("click", 1.3, 1.301, (2,), 20.0),
        Event("mark", 1.05, 1.05, (1, 2), None, "tapped"),
    ]
    found = movements(events)
    assert [event.kind for event in found] == ["dropout", "mark", "click"]
    assert found[0].text == "signal lost, hum in its place"
    assert found[1].text == "tapped"


def test_a_contact_that_bounces_counts_each_time():
    bounces = [Event("dropout", 1 + 0.02 * k, 1.005 + 0.02 * k, (1,), 60.0) for k in range(3)]
    assert len(movements(bounces)) == 3


def test_a_supply_that_goes_is_told_once_and_as_what_it_is():
    """The stages live on from their capacitors for a while: an RC of 20 ms."""
    gain = np.ones(len(T))
    away = span(5, 5.2)
    gain[away] = np.exp(-(T[away] - 5) / 0.02)
    found = measure(take_of(saw() * gain, 0.9 * saw() * gain), "jack")
    (event,) = found.events
    assert (event.kind, event.channels) == ("dropout", (1, 2))
    assert event.end == pytest.approx(5.2, abs=0.02)
    assert "supply" in event.text
    for reading in readings_named(found.readings, "dropouts"):
        assert reading.value == 1
