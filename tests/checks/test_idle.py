"""The idle check: noise, hum and spurs of one take."""

import numpy as np
import pytest

from sigbench.checks import measure
from tests.checks.takes import RATE, only, seconds, sine, take

# IEC 61672-1, A-weighting table, at the exact third-octave centres (16 kHz is 15,849 Hz);
# ITU-R BS.468-4, Table 1.
A_DB = {100: -19.1, 1000: 0.0, 4000: 1.0, 10_000: -2.5, 15_849: -6.6}
BS468_DB = {100: -19.8, 1000: 0.0, 6300: 12.2, 10_000: 8.1}


@pytest.mark.parametrize(("frequency", "decibels"), A_DB.items())
def test_a_weighting_through_the_whole_check(frequency, decibels):
    found = measure(take(sine(frequency, -30, 1.5)), "idle")
    assert only(found, "noise_a").value == pytest.approx(-30 + decibels, abs=0.06)


@pytest.mark.parametrize(("frequency", "decibels"), BS468_DB.items())
def test_bs468_weighting_through_the_whole_check(frequency, decibels):
    found = measure(take(sine(frequency, -30, 3.2)), "idle")
    assert only(found, "noise_468").value == pytest.approx(-30 + decibels, abs=0.15)


def test_white_noise_reads_the_band_s_share_of_it():
    noise = np.random.default_rng(5).normal(0, 1e-4, 5 * RATE)
    found = measure(take(noise), "idle")
    reading = only(found, "noise_rms")
    # 19,980 Hz of the 24,000 Hz that the noise fills; AES17 scale: +3.01 dB.
    true = 20 * np.log10(1e-4 * np.sqrt(2)) + 10 * np.log10(19_980 / 24_000)
    assert reading.value == pytest.approx(true, abs=3 * reading.uncertainty)
    assert only(found, "spurs").value == ()
    assert only(found, "mains_frequency").state == "invalid"


def test_a_whine_is_a_spur_and_hum_is_not():
    t = seconds(5)
    hum = sum(a * np.sin(2 * np.pi * 50 * k * t) for k, a in ((1, 2e-4), (2, 1e-4), (3, 5e-5)))
    found = measure(take(hum + sine(7345.6, -80, 5)), "idle")
    ((frequency, level),) = only(found, "spurs").value
    assert frequency == pytest.approx(7345.6, abs=0.1)
    assert level == pytest.approx(-80, abs=0.3)
    assert only(found, "hum_1x").value == pytest.approx(20 * np.log10(2e-4), abs=0.2)
    assert only(found, "hum_2x").value == pytest.approx(-80, abs=0.3)


def test_a_low_rate_says_where_its_band_ends():
    noise = np.random.default_rng(6).normal(0, 1e-3, 16_000)
    found = measure(take(noise, rate=8000), "idle")
    assert "ends the band at 4000 Hz" in (only(found, "noise_rms").why or "")
