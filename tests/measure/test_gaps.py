"""Gaps of a held sound: slow falls that are back at once; not what sounds do by themselves."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sigbench.errors import SignalError
from sigbench.measure.gaps import QUICK, SLOW, GapDetector

RATE = 48_000


def held(seconds, hertz=220.0):
    """Some partials that beat slowly, and a little noise."""
    t = np.arange(round(seconds * RATE)) / RATE
    noise = np.random.default_rng(5).standard_normal(len(t))
    tones = (np.sin(2 * np.pi * hertz * k * (1 + 1e-4 * k) * t) / k for k in (1, 2, 3))
    return 0.2 * sum(tones) + 1e-4 * noise


def supply(seconds, spans, constant=0.02):
    """Gain while what feeds a stage goes at the first time and is back at the second: RC law."""
    t = np.arange(round(seconds * RATE)) / RATE
    gain = np.ones(len(t))
    for start, end in spans:
        away = (t >= start) & (t < end)
        gain[away] = np.exp(-(t[away] - start) / constant)
    return gain


def gaps(*columns):
    detector = GapDetector(RATE, len(columns))
    block = np.column_stack(columns)
    return [*detector.feed(block), *detector.finish()]


@pytest.mark.parametrize("spans", [((1.0, 1.15),), ((1.0, 1.12), (1.2, 1.5)), ((0.7, 1.6),)])
def test_a_supply_that_goes_and_comes_back_is_a_gap(spans):
    found = gaps(held(2.5) * supply(2.5, spans))
    assert [e.kind for e in found] == ["dropout"] * len(spans)
    for event, (start, end) in zip(found, spans, strict=True):
        assert event.text == SLOW
        assert event.start == pytest.approx(start, abs=0.025)
        assert event.end == pytest.approx(end, abs=0.012)
        fall = 20 * np.log10(np.e) * (end - start) / 0.02  # of an RC, 8.7 dB a time constant
        assert event.depth > min(fall, 50) - 6


@pytest.mark.parametrize("hertz", [110.0, 220.0, 997.0])
@pytest.mark.parametrize(("constant", "text"), [(1e-4, QUICK), (0.003, QUICK), (0.02, SLOW)])
def test_what_breaks_off_at_once_did_not_fade(hertz, constant, text):
    (found,) = gaps(held(2.5, hertz) * supply(2.5, [(1.0, 1.2)], constant))
    assert found.text == text


def test_a_contact_that_bounces_before_it_opens_did_not_fade():
    gain = supply(2.5, [(1.04, 1.2)], 1e-4)
    t = np.arange(len(gain)) / RATE
    for start, length in ((1.0, 0.005), (1.012, 0.008), (1.03, 0.004)):
        gain[(t >= start) & (t < start + length)] = 0.0
    assert [event.text for event in gaps(held(2.5) * gain)] == [QUICK]


def chattering(rng, seconds, mean=0.002):
    """Gain of a contact that is open and closed in turn, for random times."""
    gain = np.ones(round(seconds * RATE))
    at, closed = 0, False
    while at < len(gain):
        length = 3 + round(rng.exponential(mean) * RATE)
        gain[at : at + length] = closed
        at, closed = at + length, not closed
    return gain


@pytest.mark.parametrize("hertz", [220.0, 440.0])
def test_however_long_a_contact_bounces_it_did_not_fade(hertz):
    rng = np.random.default_rng(3)
    spans = [(1.0 + 1.3 * k, 1.2 + 1.3 * k) for k in range(10)]
    gain = supply(15.0, spans, 1e-4)
    for k, (start, _) in enumerate(spans):
        chatter = chattering(rng, (0.01, 0.02, 0.03, 0.06)[k % 4])
        end = round(start * RATE)
        gain[end - len(chatter) : end] = chatter
    found = gaps(held(15.0, hertz) * gain)
    assert len(found) >= 8
    assert [event.text for event in found] == [QUICK] * len(found)


@pytest.mark.parametrize("constant", [0.01, 0.02, 0.05])
def test_a_stage_whose_rails_sink_cuts_the_peaks_first_and_faded(constant):
    sound = held(2.5)
    rail = 1.2 * np.abs(sound).max() * supply(2.5, [(1.0, 1.3)], constant)
    (found,) = gaps(np.clip(sound, -rail, 0.8 * rail))
    assert found.text == SLOW


def test_a_thump_does_not_hide_it():
    t = np.arange(round(2.5 * RATE)) / RATE
    thump = np.where((t > 1.0) & (t < 1.2), -0.7 * np.sin(np.pi * (t - 1.0) / 0.2), 0.0)
    thump += np.where(t >= 1.2, 0.3 * np.exp(-(t - 1.2) / 0.2), 0.0)
    (found,) = gaps(held(2.5) * supply(2.5, [(1.0, 1.2)]) + thump)
    assert found.end == pytest.approx(1.2, abs=0.012)


def test_both_channels_at_once_are_one_event():
    gain = supply(2.5, [(1.0, 1.2)])
    (both,) = gaps(held(2.5) * gain, 0.5 * held(2.5) * gain)
    assert both.channels == (1, 2)
    (one,) = gaps(held(2.5), held(2.5) * gain)
    assert one.channels == (2,)


@pytest.mark.parametrize(
    "natural",
    [
        lambda t: 0.55 + 0.45 * np.sin(2 * np.pi * 5 * t),  # tremolo, 20 dB deep
        lambda t: (np.sin(2 * np.pi * 3 * t) > 0) + 1e-3,  # gated three times a second
        lambda t: np.exp(-(t % 1.0) / 0.15),  # struck each second, with decay
        lambda t: np.where(t < 1.2, 1.0, 1e-4),  # let go
        lambda t: np.where(t < 1.2, 1e-4, 1.0),  # begun
        lambda t: np.where(t < 1.2, 1.0, 0.05),  # a step down that stays
        lambda t: np.clip(np.abs(t - 1.2) / 0.4, 1e-3, 1),  # volume turned down and up
    ],
)
def test_what_sounds_do_by_themselves_is_none(natural):
    sound = held(3.0)
    assert gaps(sound * natural(np.arange(len(sound)) / RATE)) == []


@settings(max_examples=15)
@given(st.lists(st.integers(1, 20_000), min_size=1, max_size=12))
def test_blocks_of_any_sizes_give_the_same(sizes):
    sound = (held(2.5) * supply(2.5, [(1.0, 1.2)]))[:, np.newaxis]
    whole = GapDetector(RATE, 1)
    expected = [*whole.feed(sound), *whole.finish()]
    detector, found, at = GapDetector(RATE, 1), [], 0
    while at < len(sound):
        for size in sizes:
            found += detector.feed(sound[at : at + size])
            at += size
    assert [*found, *detector.finish()] == expected
    assert len(expected) == 1


def in_blocks(take, size):
    detector, found = GapDetector(RATE, take.shape[1]), []
    for at in range(0, len(take), size):
        found += detector.feed(take[at : at + size])
    return [*found, *detector.finish()]


@pytest.mark.parametrize("size", [480, 20_011, 10 * RATE])
@pytest.mark.parametrize("offset", [0.012, 0.05])
def test_two_channels_whose_sound_comes_back_one_after_the_other(offset, size):
    # The places where what is known ends go through the time between the two returns.
    sounds = [held(8.0), held(8.0, 330.0)]
    ends = [1.0 + 0.83 * k for k in range(8)]
    first = supply(8.0, [(end - 0.2, end) for end in ends])
    later = supply(8.0, [(end - 0.2 - offset / 2, end + offset) for end in ends])
    take = np.column_stack([sounds[0] * first, sounds[1] * later])
    found = in_blocks(take, size)
    assert found == in_blocks(take, 1024)
    assert [event.channels for event in found] == ([(1, 2)] if offset < 0.02 else [(1,), (2,)]) * 8


def test_what_is_no_number_is_refused():
    with pytest.raises(SignalError):
        GapDetector(RATE, 1).feed(np.array([[np.nan]]))
