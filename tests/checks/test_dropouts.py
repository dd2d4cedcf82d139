"""The dropout check: what counts, what does not, and what was not to be seen."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from sigbench.checks import measure
from sigbench.errors import RequestError, SignalError
from sigbench.model import LongTake, LostBuffers, Measurement, Source, Take
from tests.checks.takes import RATE, only, seconds, sine, take


def broken(*gaps: tuple[float, float], length: float = 4.0) -> np.ndarray:
    signal = sine(440, -10, length)
    t = seconds(length)
    for start, stop in gaps:
        signal[(t >= start) & (t < stop)] *= 1e-4
    return signal


def test_dropouts_are_counted_and_timed_without_bias():
    gaps = [(0.5 + 0.3 * k, 0.52 + 0.3 * k) for k in range(10)]
    found = measure(take(broken(*gaps)), "dropouts")
    assert only(found, "dropouts").value == 10
    time = only(found, "dropout_time")
    assert time.value == pytest.approx(0.2, abs=2 * time.uncertainty)
    starts = [event.start for event in found.events]
    assert starts == pytest.approx([start for start, _ in gaps], abs=1e-4)


def test_what_the_computer_lost_is_not_counted():
    mark = (LostBuffers(round(1.0 * RATE), round(0.02 * RATE)),)
    found = measure(take(broken((1.0, 1.02), (2.0, 2.02)), lost=mark), "dropouts")
    assert [event.kind for event in found.events] == ["lost_buffers", "dropout"]
    count = only(found, "dropouts")
    assert count.value == 1
    assert "not counted" in (count.why or "")


@pytest.mark.parametrize(
    "signal",
    [
        np.zeros(RATE),
        np.full(RATE, 0.1),
        np.random.default_rng(1).normal(0, 0.1, RATE),
    ],
    ids=["silence", "DC", "noise"],
)
def test_where_nothing_is_held_there_is_nothing_to_count(signal):
    found = measure(take(signal), "dropouts")
    for name in ("dropouts", "dropout_time"):
        assert only(found, name).state == "invalid"


@pytest.mark.parametrize("check", ["dropouts", "jack", "soak"])
def test_a_hiss_that_breaks_off_counts_though_nothing_is_held(check):
    hiss = np.random.default_rng(1).normal(0, 0.1, 12 * RATE)
    hiss[5 * RATE : round(5.2 * RATE)] *= 1e-3
    found = measure(take(hiss), check)
    count = only(found, "dropouts")
    assert count.value == 1
    assert "short or shallow ones are missed" in (count.why or "")
    assert only(found, "dropout_time").value == pytest.approx(0.2, abs=0.002)


def test_a_sound_lost_for_good_is_told_as_what_it_may_be():
    found = measure(take(broken((3.0, 4.0))), "dropouts")
    count = only(found, "dropouts")
    assert count.value == 1
    assert "a note cut off looks the same" in (count.why or "")


@pytest.mark.parametrize("decay", [0.03, 0.1, 0.5])
def test_a_release_that_ends_in_digital_silence_is_none(decay):
    t = seconds(4)
    gain = np.where(t < 2, 1, np.exp(-(t - 2) / decay))
    gain[gain < 0.005] = 0  # a synthesizer stops a voice that is 46 dB down
    found = measure(take((sine(440, -10, 4)) * gain), "dropouts")
    assert found.events == ()
    assert only(found, "dropouts").value == 0


def in_blocks(whole: Take, *, block: int = 10_007) -> LongTake:
    """The same take in blocks of an odd length."""

    def blocks():
        for start in range(0, whole.frames, block):
            yield whole.samples[start : start + block]

    return LongTake(whole.source, blocks, whole.lost, whole.bits, whole.dc_coupled)


def rows(measurement: Measurement) -> list[tuple[Any, ...]]:
    return [
        (r.name, r.unit, r.channel, r.state, r.value, r.uncertainty, r.why)
        for r in measurement.readings
    ]


@pytest.mark.parametrize("block", [479, 10_007, 1 << 20])
def test_in_blocks_it_measures_the_same(block):
    t = np.arange(6 * 48_000) / 48_000
    sound = 0.3 * np.sin(2 * np.pi * 441 * t) + 0.02 * np.sin(2 * np.pi * 100 * t) + 0.001
    sound += 1e-4 * np.random.default_rng(7).standard_normal(len(t))
    sound[48_000:52_800] = 0.0
    sound[150_000:151_000] = 0.0
    silent = np.zeros_like(sound)
    faint = np.full_like(sound, 1e-25)
    mark = (LostBuffers(150_000, 1000),)
    whole = take(sound, silent, faint, sound[::-1], lost=mark, dc_coupled=True)
    expected = measure(whole, "dropouts")
    assert {event.kind for event in expected.events} == {"dropout", "lost_buffers"}
    found = measure(in_blocks(whole, block=block), "dropouts")
    assert found.events == expected.events
    assert found.source == expected.source
    for one, other in zip(rows(found), rows(expected), strict=True):
        assert one[:4] == other[:4]
        assert one[6] == other[6]
        if other[4] is not None:
            # Sums in another order round differently.
            assert one[4:6] == pytest.approx(other[4:6], rel=1e-9, abs=1e-12)


def test_in_blocks_a_clipped_input_is_no_number_either():
    t = np.arange(96_000) / 48_000
    whole = take(np.clip(1.4 * np.sin(2 * np.pi * 100 * t), -1.0, 1.0))
    found = measure(in_blocks(whole), "dropouts")
    assert {r.state for r in found.readings} == {"invalid"}
    assert all("clipped input" in r.why for r in found.readings)


def test_the_hum_of_a_long_take_is_that_of_its_first_minute():
    t = np.arange(70 * 8000) / 8000
    hum = 0.01 * np.sin(2 * np.pi * 50 * t) + 0.1 * np.sin(2 * np.pi * 440 * t)
    hum[60 * 8000 :] *= 3.0
    whole = take(hum, rate=8000)
    readings = measure(in_blocks(whole), "dropouts").readings
    (found,) = (r for r in readings if r.name == "hum_1x")
    assert found.value == pytest.approx(-40.0, abs=0.01)
    assert found.why == "in the first 60 s"


@pytest.mark.parametrize("check", ["tone", "idle", None])
def test_a_take_of_hours_is_watched_for_dropouts_only(check):
    source = Source("file", "x", None, 48_000, 2, 2 * 3600 * 48_000)
    long = LongTake(source, lambda: iter(()))
    with pytest.raises(RequestError, match=r"up to 12 min, and this one is 120 min long.*hours"):
        measure(long, check)


def test_a_long_take_that_holds_less_than_it_says_is_no_measurement():
    whole = take(np.full(48_000, 0.1))
    source = replace(whole.source, frames=50_000)
    long = LongTake(source, lambda: iter((whole.samples,)))
    with pytest.raises(SignalError, match="50000 frames were announced and 48000 came"):
        measure(long, "dropouts")
