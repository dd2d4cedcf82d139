"""What the rig makes of a measurement: volts, and what is its own."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sigbench.checks import measure
from sigbench.interface.base import capture
from sigbench.interface.loopback import Converters, LoopbackInterface
from sigbench.model import (
    Calibration,
    CheckSettings,
    FullScale,
    Measurement,
    Meter,
    Reading,
    Rig,
    RigLimits,
    Source,
    readings_named,
)
from sigbench.rig.limits import own_loop, own_noise
from sigbench.rig.readings import against_limits, as_heard_by, in_volts
from sigbench.stimulus import sine

SOURCE = Source("interface", None, None, 48_000, 2, 48_000)


def calibration(*inputs: FullScale) -> Calibration:
    meter = Meter(1.0, 3, true_rms=True)
    return Calibration("2026-01-01T00:00:00+00:00", 48_000, "", 400.0, meter, (), inputs)


def limits(*readings: Reading) -> RigLimits:
    return RigLimits("2026-01-01T00:00:00+00:00", 48_000, "", readings)


def of(check: str, *readings: Reading) -> Measurement:
    return Measurement(check, SOURCE, readings)


def only(measurement: Measurement, name: str, unit: str) -> Reading:
    (found,) = readings_named(measurement.readings, name, unit=unit)
    return found


def test_a_level_in_all_units():
    # An input that reads +20 dBu as 0 dBFS: -20 dBFS is 0 dBu, 0.7746 V, -2.2185 dBV (definitions).
    found = in_volts(
        of("tone", Reading("tone_level", -20.0, "dBFS", 1, 0.03)),
        calibration(FullScale(1, 20.0, 0.04)),
    )
    dbu, dbv, volts = (only(found, "tone_level", unit) for unit in ("dBu", "dBV", "V"))
    assert dbu.value == pytest.approx(0.0)
    assert dbu.uncertainty == pytest.approx(0.05)  # in quadrature, GUM 5.1.2
    assert dbv.value == pytest.approx(-2.2185, abs=1e-4)
    assert volts.value == pytest.approx(0.7746, abs=1e-4)
    assert volts.uncertainty == pytest.approx(0.7746 * 0.05 * math.log(10) / 20, rel=1e-3)
    assert only(found, "tone_level", "dBFS").value == -20.0


def test_a_peak_has_no_volts_rms():
    found = in_volts(
        of("tone", Reading("level_peak", -17.0, "dBFS", 1, 0.03)),
        calibration(FullScale(1, 20.0, 0.04)),
    )
    assert {r.unit for r in found.readings} == {"dBFS", "dBu", "dBV"}
    assert "sine with this peak" in str(only(found, "level_peak", "dBu").why)


def test_an_invalid_level_stays_invalid_in_all_units():
    found = in_volts(
        of("tone", Reading.invalid("tone_level", "dBFS", "clipped input", channel=1)),
        calibration(FullScale(1, 20.0, 0.04)),
    )
    assert {r.state for r in found.readings} == {"invalid"}
    assert {r.why for r in found.readings} == {"clipped input"}


def test_a_channel_without_calibration_stays_in_dbfs():
    found = in_volts(
        of("tone", Reading("tone_level", -20.0, "dBFS", 2, 0.03)),
        calibration(FullScale(1, 20.0, 0.04)),
    )
    assert len(found.readings) == 1


def test_the_balance_is_that_of_the_jacks():
    pair = Reading("balance", 0.3, "dB", None, 0.001, channels=(1, 2))
    found = in_volts(
        of("tone", pair), calibration(FullScale(1, 20.0, 0.1), FullScale(2, 20.3, 0.1))
    )
    (balance,) = found.readings
    assert balance.value == pytest.approx(0.0)
    assert balance.uncertainty < 0.02  # the meter's error is the same on both sides
    assert "-0.30 dB" in str(balance.why)


@given(st.floats(-140, 3), st.floats(-10, 30), st.floats(0, 3))
def test_units_agree_with_one_another(dbfs, full_scale, u):
    found = in_volts(
        of("idle", Reading("noise_a", dbfs, "dBFS", 1, u)),
        calibration(FullScale(1, full_scale, 0.05)),
    )
    dbu, dbv, volts = (only(found, "noise_a", unit).value for unit in ("dBu", "dBV", "V"))
    assert dbv == pytest.approx(20 * math.log10(volts))
    assert dbu - dbv == pytest.approx(2.2185, abs=1e-4)


@pytest.mark.parametrize(
    ("above_db", "state"), [(0.0, "rig-limited"), (5.9, "rig-limited"), (6.1, "ok")]
)
@pytest.mark.parametrize(
    "name", ["noise_rms", "noise_a", "noise_468", "hum_1x", "hum_2x", "hum_total"]
)
def test_six_decibels_decide(name, above_db, state):
    own = Reading(name, -100.0, "dBFS", 1, 0.1)
    found = against_limits(
        of("idle", Reading(name, -100.0 + above_db, "dBFS", 1, 0.1)), limits(own)
    )
    assert found.readings[0].state == state
    assert found.readings[0].upper_bound == (state == "rig-limited")


def test_distortion_is_held_against_the_rig_at_its_level():
    own = Reading("thd_n_by_level", ((-60.0, -50.0), (-20.0, -90.0), (-2.0, -80.0)), "dB", 1)

    def state(level, share, name="thd_n", unit="dB"):
        measurement = of(
            "tone", Reading("tone_level", level, "dBFS", 1, 0.0), Reading(name, share, unit, 1, 0.1)
        )
        return against_limits(measurement, limits(own)).readings[1].state

    assert state(-20.0, -85.0) == "rig-limited"
    assert state(-20.0, -83.0) == "ok"
    assert state(-40.0, -66.0) == "rig-limited"  # half-way: -70 dB
    assert state(-80.0, -26.0) == "rig-limited"  # 20 dB below the lowest: -30 dB
    assert state(-80.0, -23.0) == "ok"
    assert state(-20.0, 85.0, "sinad") == "rig-limited"
    assert state(-20.0, 83.0, "sinad") == "ok"
    assert state(-20.0, 100 * 10 ** (-85 / 20), unit="%") == "rig-limited"


def test_levels_are_held_against_the_rig_in_silence_only():
    own = Reading("level_rms", -95.0, "dBFS", 1)
    reading = Reading("level_rms", -94.0, "dBFS", 1, 0.1)
    assert against_limits(of("idle", reading), limits(own)).readings[0].state == "rig-limited"
    assert against_limits(of("tone", reading), limits(own)).readings[0].state == "ok"


def test_a_small_imbalance_may_be_the_rigs_unless_it_is_calibrated():
    pair = Reading("balance", 0.25, "dB", None, 0.001, channels=(1, 2))
    own = Reading("balance", -0.2, "dB", None, 0.001, channels=(1, 2))
    rig = Rig("portaudio", "x", 48_000, limits=limits(own))
    assert as_heard_by(rig, of("tone", pair)).readings[0].state == "rig-limited"
    inputs = calibration(FullScale(1, 20.0, 0.1), FullScale(2, 20.2, 0.1))
    rig = Rig("portaudio", "x", 48_000, calibration=inputs, limits=limits(own))
    assert as_heard_by(rig, of("tone", pair)).readings[0].state == "ok"


def test_tones_of_the_rig_are_told():
    own = Reading("spurs", ((8000.0, -110.0),), "dBFS", 1)
    both = Reading("spurs", ((8000.2, -108.0), (12_345.0, -90.0)), "dBFS", 1, (1.0, 1.0))
    found = against_limits(of("idle", both), limits(own)).readings[0]
    assert found.state == "ok"
    assert "8000.2 Hz" in str(found.why)
    alone = Reading("spurs", ((8000.2, -108.0),), "dBFS", 1, (1.0,))
    assert against_limits(of("idle", alone), limits(own)).readings[0].state == "rig-limited"


def test_an_invalid_reading_is_left_alone():
    gone = Reading.invalid("noise_a", "dBFS", "digital silence", channel=1)
    found = against_limits(of("idle", gone), limits(Reading("noise_a", -100.0, "dBFS", 1)))
    assert found.readings[0] is gone


def test_a_rig_measured_with_itself_is_limited_by_itself():
    """The whole way: what the loop alone does is never taken for an instrument's."""
    parts = Converters()
    rig = LoopbackInterface(parts)
    rig.short_inputs()
    silence = own_noise(rig, seconds=3.0)
    rig.connect({1: 1, 2: 2})
    known = limits(*silence, *own_loop(rig, outputs=2))
    tone = capture(
        LoopbackInterface(parts, seed=9),
        seconds=2.0,
        stimulus=sine(997.0, -20.0, 4.0, 48_000).samples,
        settle=0.5,
    )
    found = against_limits(measure(tone, "tone", CheckSettings(frequency_hz=997.0)), known)
    for name in ("thd_n", "sinad", "balance"):
        assert {r.state for r in readings_named(found.readings, name)} == {"rig-limited"}, name
    assert {r.state for r in readings_named(found.readings, "tone_level")} == {"ok"}
    noisy = LoopbackInterface(Converters(input_noise_dbfs=-95.0))
    noisy.short_inputs()
    idle = against_limits(measure(capture(noisy, seconds=3.0), "idle"), known)
    assert {r.state for r in readings_named(idle.readings, "noise_a")} == {"ok"}
