"""The tone check on notes as they are played."""

import numpy as np
import pytest

from sigbench.checks import measure
from sigbench.checks.held import held_part
from sigbench.model import CheckSettings
from tests.checks.takes import RATE, only, seconds, sine, take


def held(rise: float, start: float, stop: float, length: float = 5.0) -> np.ndarray:
    """Gain of a key that is pressed and let go, with straight ramps."""
    t = seconds(length)
    return np.clip(np.minimum((t - start) / rise, (stop - t) / rise), 0, 1)


@pytest.mark.parametrize("rise", [0.001, 0.02, 0.3])
def test_attack_and_release_inside_the_take_do_no_harm(rise):
    signal = sine(440, -6, 5) * held(rise, 1.0, 4.0) + sine(440, -160, 5, seed=2)
    found = measure(take(signal), "tone")
    level = only(found, "tone_level")
    assert level.value == pytest.approx(-6, abs=max(0.01, 2 * level.uncertainty))
    frequency = only(found, "frequency")
    assert frequency.value == pytest.approx(440, abs=0.001)
    assert only(found, "frequency_drift").value < 0.5
    assert "while the note is held" in (level.why or "")
    rms = only(found, "level_rms")
    assert rms.value < -7.5
    assert "of the whole take" in (rms.why or "")


def test_a_note_that_fills_the_take_carries_no_such_remark():
    found = measure(take(sine(440, -6, 1)), "tone")
    assert only(found, "tone_level").why is None
    assert only(found, "level_rms").why is None


def test_a_short_break_is_part_of_the_note_and_a_long_one_ends_it():
    t = seconds(5)
    signal = sine(440, -6, 5)
    short = np.where((t > 2) & (t < 2.2), 0, signal)
    assert held_part(short, RATE, 440).whole
    long = held_part(np.where((t > 3) & (t < 4), 0, signal), RATE, 440)
    assert (long.start, long.whole) == (0, False)
    assert long.stop / RATE == pytest.approx(2.95, abs=0.02)


def test_a_note_in_noise_is_held_all_through():
    assert held_part(np.random.default_rng(1).normal(0, 0.1, 96_000), RATE, 440).whole


@pytest.mark.parametrize("frequency", [50.0, 100.0, 60.0])
def test_hum_is_not_told_where_a_partial_lies_on_it(frequency):
    found = measure(take(sine(frequency, -20)), "tone", CheckSettings(frequency_hz=frequency))
    assert only(found, "tone_level").value == pytest.approx(-20, abs=0.01)
    assert only(found, "hum_2x").state == "invalid"
    assert only(found, "hum_total").state == "invalid"
    assert "lies on" in (only(found, "hum_total").why or "")


def test_a_dead_channel_has_no_tone_and_no_balance():
    found = measure(take(sine(440, -20, 1), np.zeros(RATE)), "tone")
    assert only(found, "tone_level", 2).state == "invalid"
    balance = only(found, "balance", None)
    assert balance.state == "invalid"
    assert "channel 2" in (balance.why or "")


def test_noise_alone_gives_no_tone():
    noise = np.random.default_rng(4).normal(0, 0.01, 2 * RATE)
    found = measure(take(noise), "tone")
    for name in ("tone_level", "frequency", "harmonics", "clip_asymmetry"):
        assert only(found, name).state == "invalid"


def test_crosstalk_into_the_channel_that_is_not_driven():
    source = sine(1000, -10)
    leak = 10 ** (-60 / 20) * source + sine(1000, -200, seed=7)
    found = measure(take(source, leak), "tone", CheckSettings(driven_channel=1))
    crosstalk = only(found, "crosstalk", 2)
    assert crosstalk.value == pytest.approx(-60, abs=max(0.05, 3 * crosstalk.uncertainty))
    assert only(found, "balance", None).state == "invalid"


def test_the_polarity_of_a_symmetrical_wave_is_said_to_be_open():
    t = seconds(1)
    found = measure(take(sine(440, -20, 1), -sine(440, -20, 1, seed=2)), "tone")
    assert "upside down" in (only(found, "polarity", None).why or "")
    saw = 0.2 * sum(np.sin(2 * np.pi * 440 * k * t) / k for k in range(1, 30))
    found = measure(take(saw, -saw), "tone")
    polarity = only(found, "polarity", None)
    assert (polarity.value, polarity.why) == (-1, None)
    assert "multiples of 2.27 ms" in (only(found, "delay", None).why or "")
