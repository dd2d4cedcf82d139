"""The rig's own figures, against the parts of a simulated rig."""

import numpy as np
import pytest

from sigbench.errors import RequestError, SignalError
from sigbench.interface.loopback import Converters, LoopbackInterface
from sigbench.model import LostBuffers, readings_named
from sigbench.rig.limits import own_loop, own_noise

PARTS = Converters(
    input_noise_dbfs=-105.0,
    output_noise_dbfs=-np.inf,
    second_harmonic_db=-95.0,
    third_harmonic_db=-80.0,
    coupling_hz=3.0,
    crosstalk_db=-90.0,
    clock_ppm=25.0,
    latency_frames=1234,
    output_full_scale_dbu=(18.0, 18.0),
    input_full_scale_dbu=(18.0, 18.3),
    hum_dbfs=-130.0,
)


@pytest.fixture(scope="module")
def loop():
    return own_loop(LoopbackInterface(PARTS), outputs=2)


@pytest.fixture(scope="module")
def noise():
    rig = LoopbackInterface(PARTS)
    rig.short_inputs()
    return own_noise(rig, seconds=4.0)


def one(readings, name, channel=None):
    (found,) = readings_named(readings, name, channel=channel)
    return found


def test_noise_in_three_weightings(noise):
    # White noise over the whole band of 24 kHz: 20 Hz-20 kHz holds 10 log10(19980/24000) = -0.80 dB
    # of it; A-weighting takes off a further 2.3 dB or so (IEC 61672-1, white noise).
    assert one(noise, "noise_rms", 1).value == pytest.approx(-105.8, abs=0.2)
    assert one(noise, "noise_a", 1).value == pytest.approx(-108.1, abs=0.4)
    assert one(noise, "noise_468", 1).value > one(noise, "noise_rms", 1).value


def test_hum_of_the_rig():
    rig = LoopbackInterface(Converters(hum_dbfs=-110.0, mains_hz=60.0))
    rig.short_inputs()
    assert one(own_noise(rig, seconds=2.0), "hum_1x", 2).value == pytest.approx(-110.0, abs=0.5)


def test_distortion_against_level(loop):
    points = dict(one(loop, "thd_by_level", 1).value)
    level, loudest = max(points.items())
    # The 3rd harmonic falls by 2 dB for each dB of level: the cubic term of a bent curve.
    expected = 10 * np.log10(10 ** ((-80 + 2 * level) / 10) + 10 ** ((-95 + level) / 10))
    assert loudest == pytest.approx(expected, abs=0.3)


def test_noise_takes_over_at_low_levels(loop):
    points = sorted(one(loop, "thd_n_by_level", 1).value)
    (low, share), (higher, better) = points[0], points[1]
    # The noise stays where it is: 10 dB less tone, 10 dB more of it (level of the tone re noise).
    assert share - better == pytest.approx(higher - low, abs=0.5)
    assert share == pytest.approx(-105.8 - low, abs=0.7)


def test_response_and_corner(loop):
    assert one(loop, "low_corner", 1).value == pytest.approx(3.0, rel=0.05)
    response = one(loop, "response", 2).value
    assert max(abs(level) for f, level in response if 100 < f < 20_000) < 0.02


def test_crosstalk_balance_clock_and_latency(loop):
    assert one(loop, "crosstalk", 2).value == pytest.approx(-90.0, abs=0.6)
    assert one(loop, "balance").value == pytest.approx(0.3, abs=0.01)
    clock = one(loop, "clock_difference")
    assert clock.value == pytest.approx(25.0, abs=0.1)
    assert abs(clock.value - 25.0) < 4 * clock.uncertainty
    assert one(loop, "latency").value == pytest.approx(1234 / 48_000, abs=3 / 48_000)


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_other_rates(rate):
    found = own_loop(LoopbackInterface(samplerate=rate, channels=1), outputs=1)
    assert one(found, "low_corner", 1).value == pytest.approx(1.5, rel=0.1)
    assert one(found, "clock_difference").value == pytest.approx(0.0, abs=0.05)
    assert not readings_named(found, "crosstalk")  # of one channel


def test_a_gain_that_overloads_leaves_out_the_loudest_levels():
    hot = Converters(input_full_scale_dbu=(10.0, 10.0))  # +8 dB
    found = own_loop(LoopbackInterface(hot, channels=1), outputs=1)
    levels = [level for level, _ in one(found, "thd_n_by_level", 1).value]
    assert max(levels) < 0
    assert len(levels) < 9


def test_a_loop_that_is_not_there():
    rig = LoopbackInterface()
    rig.unplug()
    with pytest.raises(SignalError, match="loopback cable"):
        own_loop(rig, outputs=2)


def test_a_rig_without_outputs():
    with pytest.raises(RequestError, match="no outputs"):
        own_loop(LoopbackInterface(), outputs=0)


class Lossy(LoopbackInterface):
    def stream(self, **options):
        from dataclasses import replace

        for block in super().stream(**options):
            yield replace(block, lost=(LostBuffers(block.first_frame, 10),))


def test_lost_audio_makes_no_limits():
    with pytest.raises(SignalError, match="lost audio"):
        own_noise(Lossy(), seconds=1.0)
    with pytest.raises(SignalError, match="lost audio"):
        own_loop(Lossy(), outputs=2)
