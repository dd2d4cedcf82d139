"""The dropout check: what counts, what does not, and what was not to be seen."""

import numpy as np
import pytest

from sigbench.checks import measure
from sigbench.model import LostBuffers
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
