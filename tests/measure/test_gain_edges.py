"""Jumps of a gain, in sounds of partials that wander, and what is none."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from sigbench.measure.dropouts import DropoutDetector, find_dropouts
from sigbench.measure.gain_edges import GainEdgeWatch, gain_edge

RATE = 48_000
T = np.arange(3 * RATE) / RATE


def wandering(seed, noise=1e-5):
    """Thirty partials of three notes that each go their own way, up to some 20 Hz fast."""
    chance = np.random.default_rng(seed)

    def path():
        slow = lfilter([0.003], [1, -0.997], chance.standard_normal(len(T)))
        slow = lfilter([0.003], [1, -0.997], slow)
        return 0.4 * slow / np.std(slow)

    sound = sum(
        ((1 + path()) * np.cos(2 * np.pi * f * k * T + k * f) + path() * np.sin(f * k * T)) / k
        for f in (146.8, 174.6, 220.0)
        for k in range(1, 11)
    )
    return 0.05 * sound + noise * chance.standard_normal(len(T))


SOUND = wandering(1)


@settings(max_examples=40)
@given(st.floats(0.0, 0.55), st.integers(RATE // 2, 2 * RATE), st.integers(-2, 2))
def test_the_gain_is_the_one_that_the_sound_goes_on_with(gain, at, beside):
    taken = SOUND.copy()
    taken[at:] *= gain
    edge = gain_edge(taken[at - 2000 : at + 2000], 2000 + beside)
    # An edge in a zero of the wave may be a sample off, or hardly stand out.
    if edge is not None:
        assert abs(edge.frame - 2000) <= 1
        assert edge.gain == pytest.approx(gain, abs=0.03 + 3 * edge.uncertainty)
    else:
        assert abs(SOUND[at - 1 : at + 1]).max() < 0.1 * np.std(SOUND)


def click(sound, at):
    sound[at : at + 3] += 0.1


def note(sound, at):
    sound[at:] += 0.1 * np.sin(2 * np.pi * 329.6 * T[: len(sound) - at] + 1)


def end_of_a_note(sound, at):
    sound[at:] -= 0.05 * np.cos(2 * np.pi * 146.8 * T[at : len(sound)])


def splice(sound, at):
    sound[at:-3000] = sound[at + 3000 :].copy()


@pytest.mark.parametrize("change", [click, note, end_of_a_note, splice])
def test_what_is_not_the_same_sound_with_another_gain_is_no_edge(change):
    for at in range(RATE // 2, 2 * RATE, 7001):
        taken = SOUND.copy()
        change(taken, at)
        assert gain_edge(taken[at - 2000 : at + 2000], 2000) is None


def watched(taken):
    watch = GainEdgeWatch(RATE)
    hops = watch.hops_to(len(taken) - watch.lag)
    return watch.look(lambda first, last: taken[first:last], hops)


@pytest.mark.parametrize(
    ("gain", "between"),
    [(0.25, 0.25), (0.25, 1.0), (0.5, 2.0)],
    ids=["low throughout", "back in between", "louder in between"],
)
def test_what_was_not_low_all_the_time_was_no_single_interruption(gain, between):
    start, end = RATE, RATE + 20_000
    taken = SOUND.copy()  # abrupt edges, and up and down again slowly between them
    slow = np.interp(np.arange(20_000), [0, 6000, 14_000, 20_000], [gain, between, between, gain])
    taken[start:end] *= slow
    found = [(hole.start, hole.end) for hole in watched(taken)]
    assert found == ([(start, end)] if between == gain else [])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_last_steps_of_a_converter_are_no_interruptions(seed):
    swing = np.sin(2 * np.pi * (11 + seed) * T) + np.sin(2 * np.pi * (23 - seed) * T)
    hiss = 0.25 * np.random.default_rng(seed).standard_normal(len(T))
    for height in (0.5, 1, 2):
        assert watched((np.round(height * swing) + hiss) / 32_768) == []


def test_an_interruption_has_the_same_gain_at_both_edges():
    taken = SOUND.copy()
    taken[RATE : RATE + 960] *= 0.5
    taken[2 * RATE : 2 * RATE + 480] *= 0.3
    taken[2 * RATE + 480 :] *= 0.6  # does not come back to what it was
    (hole,) = watched(taken)
    assert (hole.start, hole.end) == pytest.approx((RATE, RATE + 960), abs=1)
    assert hole.gain == pytest.approx(0.5, abs=0.02)


SPANS = [(0.505, 0.002), (0.9, 0.005), (1.3, 0.02), (1.7, 0.1), (2.2, 0.5)]


@pytest.mark.parametrize("gain", [0.5, 0.01])
def test_what_no_prediction_shows_is_found_by_its_edges(gain):
    taken = wandering(2)
    for start, length in SPANS:
        taken[round(start * RATE) : round((start + length) * RATE)] *= gain
    events = find_dropouts(taken[:, np.newaxis], RATE)
    assert len(events) == len(SPANS)
    for event, (start, length) in zip(events, SPANS, strict=True):
        assert event.start == pytest.approx(start, abs=0.001)
        assert event.end == pytest.approx(start + length, abs=0.001)
        assert event.kind == ("dip" if gain == 0.5 else "dropout")


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("noise", [1e-5, 1e-3])
def test_a_sound_that_wanders_has_none_of_its_own(seed, noise):
    assert find_dropouts(wandering(seed, noise)[:, np.newaxis], RATE) == ()


@settings(max_examples=5)
@given(st.lists(st.integers(50, 20_000), min_size=1, max_size=8))
def test_blocks_of_any_sizes_give_the_same(sizes):
    taken = np.stack([wandering(2), wandering(3)], axis=1)
    for start, length in SPANS:
        taken[round(start * RATE) : round((start + length) * RATE)] *= [0.5, 0.4]
    expected = find_dropouts(taken, RATE)
    detector, events, at = DropoutDetector(RATE, 2), [], 0
    while at < len(taken):
        for size in sizes:
            events += detector.feed(taken[at : at + size])
            at += size
    assert (*events, *detector.finish()) == expected
    assert len(expected) >= len(SPANS)
