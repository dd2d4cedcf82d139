"""Calibration to volts, against the definitions of dBu and dBV and a rig of known parts."""

import math
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from sigbench.errors import RequestError, SignalError
from sigbench.interface.loopback import Converters, LoopbackInterface
from sigbench.measure.estimate import Estimate
from sigbench.model import Meter
from sigbench.rig.calibration import (
    LOADING_DB,
    TONE_DBFS,
    calibrate,
    calibration_tone,
    check_loop,
    holds,
    input_full_scale,
    meter_accuracy,
    meter_reading,
    output_full_scale,
    tone_volts,
)
from sigbench.units import dbu_to_dbv, dbu_to_volts

METER = Meter(0.8, 3, true_rms=True)
NOW = datetime(2026, 3, 1, tzinfo=UTC)
DATE = "2026-02-01T10:00:00+00:00"


def calibrated(rig: LoopbackInterface, **options):
    outputs = []
    for k in (1, 2):
        volts = rig.volts_at(k, calibration_tone(rig.samplerate, k, 2, seconds=1.0))
        outputs.append(output_full_scale(k, volts, 0.0001, METER, **options))
    return calibrate(rig, outputs, of_outputs=2, gain="9 o'clock", meter=METER, date=DATE)


def test_volts_become_dbu():
    # 0 dBu is 0.7746 V, +4 dBu 1.2277 V: the definition, square root of 1 mW x 600 ohm.
    exact = Meter(0.0, 0, true_rms=True)
    at_zero = output_full_scale(1, 0.7746, 1e-9, exact, loaded=True)
    assert at_zero.dbu == pytest.approx(0.0 - TONE_DBFS, abs=1e-4)
    at_four = output_full_scale(1, 1.2277, 1e-9, exact, loaded=True)
    assert at_four.dbu == pytest.approx(4.0 - TONE_DBFS, abs=1e-3)
    assert tone_volts(at_four) == pytest.approx(1.2277, rel=1e-4)
    assert dbu_to_dbv(2.2185) == pytest.approx(0.0, abs=1e-4)  # 0 dBV is 1 V


def test_the_meters_accuracy_is_a_rectangle():
    # ±(1 % + 3 digits) of 1.000 V with a last digit of 1 mV: half-width 10 + 3.5 mV, over sqrt(3)
    # (GUM, JCGM 100:2008, 4.3.7).
    found = output_full_scale(1, 1.0, 0.001, Meter(1.0, 3, true_rms=True), loaded=True)
    assert found.uncertainty == pytest.approx(20 / math.log(10) * 0.0135 / math.sqrt(3), rel=1e-6)


def test_an_unloaded_meter_allows_for_the_input():
    open_, loaded = (output_full_scale(1, 1.0, 0.001, METER, loaded=x) for x in (False, True))
    assert loaded.dbu - open_.dbu == pytest.approx(LOADING_DB / 2)
    assert open_.uncertainty > loaded.uncertainty
    # 0 to 200 ohm into 10 kilohm: a divider, textbook.
    assert 20 * math.log10(10_200 / 10_000) == pytest.approx(LOADING_DB, abs=0.01)


def test_the_input_follows_from_the_loop():
    output = output_full_scale(1, 1.0, 0.001, METER, loaded=True)
    found = input_full_scale(1, output, Estimate(TONE_DBFS - 2.0, 0.001))
    assert found.dbu == pytest.approx(output.dbu + 2.0)
    assert found.uncertainty >= output.uncertainty


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
def test_a_rig_of_known_parts_is_calibrated(rate):
    parts = Converters(output_full_scale_dbu=(16.0, 15.5), input_full_scale_dbu=(18.0, 18.4))
    made = calibrated(LoopbackInterface(parts, samplerate=rate), loaded=True)
    for found, true in zip((*made.outputs, *made.inputs), (16.0, 15.5, 18.0, 18.4), strict=True):
        assert found.dbu == pytest.approx(true, abs=0.01)
    assert made.samplerate == rate


def test_another_clock_does_no_harm():
    made = calibrated(LoopbackInterface(Converters(clock_ppm=60.0)), loaded=True)
    assert made.inputs[0].dbu == pytest.approx(20.0, abs=0.01)


@pytest.mark.parametrize(
    ("text", "volts", "step"),
    [("1.234", 1.234, 0.001), ("0,436 V", 0.436, 0.001), ("436 mV", 0.436, 0.001), ("2", 2.0, 1.0)],
)
def test_what_a_meter_shows(text, volts, step):
    assert meter_reading(text) == (pytest.approx(volts), pytest.approx(step))


@pytest.mark.parametrize("text", ["", "0", "-1.2", "1.2.3", "nan", "inf", "ten", "1e3"])
def test_what_no_meter_shows(text):
    with pytest.raises(RequestError, match="no AC voltage"):
        meter_reading(text)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("1.0% + 3", (1.0, 3)),
        ("±(0.8 %+5 digits)", (0.8, 5)),
        ("2%", (2.0, 0)),
        ("1,5%+10d", (1.5, 10)),
    ],
)
def test_accuracy_as_manuals_write_it(text, found):
    assert meter_accuracy(text) == found


def test_an_accuracy_that_is_none():
    with pytest.raises(RequestError, match="as its manual does"):
        meter_accuracy("good")


def test_a_cable_that_is_not_there():
    rig = LoopbackInterface()
    outputs = [output_full_scale(1, 1.0, 0.001, METER)]
    rig.unplug()
    with pytest.raises(SignalError, match=r"Input 1 .*loopback cable"):
        calibrate(rig, outputs, of_outputs=2, gain="", meter=METER, date=DATE)


def test_an_overloaded_input():
    rig = LoopbackInterface(Converters(input_full_scale_dbu=(2.0,)))
    outputs = [output_full_scale(1, 1.0, 0.001, METER)]
    with pytest.raises(SignalError, match="clipped input"):
        calibrate(rig, outputs, of_outputs=2, gain="", meter=METER, date=DATE)


@pytest.fixture(scope="module")
def made():
    return calibrated(LoopbackInterface())


class TestLoopCheck:
    def check(self, rig, made, gain="9 o'clock", now=NOW):
        return check_loop(rig, made, gain=gain, outputs=2, now=now)

    def test_an_unchanged_rig_is_fine(self, made):
        for seed in range(5):
            found = self.check(LoopbackInterface(seed=seed), made)
            assert found.fine
            assert max(abs(shift) for _, shift in found.shifts) < 0.01

    def test_a_moved_gain_is_named_with_its_size(self, made):
        moved = Converters(input_full_scale_dbu=(20.0, 19.05))  # the second one up by 1 dB
        found = self.check(LoopbackInterface(moved), made)
        (problem,) = found.problems
        assert "input 2 reads +1.00 dB" in problem

    def test_swapped_channels_are_named(self, made):
        rig = LoopbackInterface()
        rig.connect({1: 2, 2: 1})
        found = self.check(rig, made)
        assert len(found.problems) == 2
        assert "output 1 comes back at input 2" in found.problems[0]

    def test_a_missing_cable_is_named(self, made):
        rig = LoopbackInterface()
        rig.connect({1: 1})
        (problem,) = self.check(rig, made).problems
        assert "output 2 comes back nowhere" in problem

    def test_another_rate_is_named(self, made):
        (problem,) = self.check(LoopbackInterface(samplerate=96_000), made).problems
        assert "made at 48000 Hz, and the rig runs at 96000 Hz" in problem

    def test_another_gain_position_is_named(self, made):
        (problem,) = self.check(LoopbackInterface(), made, gain="noon").problems
        assert "the gain at '9 o'clock', and it stands at 'noon'" in problem

    def test_age_is_a_remark(self, made):
        found = self.check(LoopbackInterface(), made, now=datetime(2027, 8, 1, tzinfo=UTC))
        assert found.fine
        assert "18 months old" in found.remarks[0]

    def test_a_shift_below_what_matters_is_left_alone(self, made):
        drifted = replace(Converters(), input_full_scale_dbu=(20.05, 20.1))
        assert self.check(LoopbackInterface(drifted), made).fine


def test_figures_hold_for_their_own_settings():
    assert holds("limits", 48_000, "Noon", at_rate=48_000, at_gain="noon ") is None
    assert "44100" in str(holds("limits", 48_000, "", at_rate=44_100, at_gain=""))
    assert "not stated" in str(holds("limits", 48_000, "noon", at_rate=48_000, at_gain=""))


def test_the_tone_is_on_one_output_only():
    tone = calibration_tone(48_000, 2, 3, seconds=0.5)
    assert tone.shape == (24_000, 3)
    assert not np.any(tone[:, [0, 2]])
    assert dbu_to_volts(0.0) == pytest.approx(math.sqrt(0.6))
