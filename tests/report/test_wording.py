"""Digits and words, against the worked examples of the GUM (JCGM 100:2008)."""

import subprocess
import sys
from decimal import Decimal
from typing import get_args

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sigbench.checks import TAKE_CHECKS, measure
from sigbench.checks.rails import measure_rails
from sigbench.model import (
    CheckSettings,
    EventKind,
    Limit,
    Rail,
    Reading,
    Source,
    Take,
    Verdict,
)
from sigbench.report.wording import (
    EVENT_WORDS,
    FINEST_IN_REPORT,
    LABELS,
    VERDICT_WORDS,
    channel_name,
    format_difference,
    format_reading,
    label,
    limit_words,
    quantity_text,
    reading_text,
    round_uncertainty,
)


@pytest.mark.parametrize(
    ("uncertainty", "rounded"),
    [
        (10.47, "11"),  # JCGM 100:2008, 7.2.6: 10,47 mΩ might be rounded up to 11 mΩ
        (28.05, "28"),  # 7.2.6: 28,05 kHz should be rounded down to 28 kHz
        (0.79, "0.79"),  # 7.2.4: U = 0,79 mg
        (27.0, "27"),  # 7.2.6: 27 mΩ
        (9.96, "10"),
        (0.0996, "0.10"),
        (1234.0, "1.3E+3"),
    ],
)
def test_uncertainties_keep_two_digits(uncertainty, rounded):
    assert round_uncertainty(uncertainty) == Decimal(rounded)
    assert len(round_uncertainty(uncertainty).as_tuple().digits) <= 2


@pytest.mark.parametrize(
    ("value", "standard", "text"),
    [
        # 7.2.4: m = (100,021 47 ± 0,000 79) g; there k = 2.26, here 2.
        (100.02147, 0.00079 / 2, "100.02147 ± 0.00079 g"),
        # 7.2.6: y = 10,057 62 Ω with 27 mΩ becomes 10,058 Ω
        (10.05762, 0.027 / 2, "10.058 ± 0.027 Ω"),
        (10.05762, 0.01047 / 2, "10.058 ± 0.011 Ω"),
        (45678.0, 617.0, "45700 ± 1300 Ω"),
        (-0.004, 0.1, "0.00 ± 0.20 Ω"),
    ],
)
def test_values_have_the_digits_of_their_uncertainty(value, standard, text):
    assert quantity_text(value, standard, text.split()[-1]).text == text


@given(
    st.floats(-1e6, 1e6),
    st.floats(1e-9, 1e6),
)
def test_printed_numbers_are_those_given(value, uncertainty):
    parts = quantity_text(value, uncertainty, "Ω")
    number = float(parts.number.replace("−", "-"))
    printed = float(parts.plus_minus.removeprefix("± "))
    # Rounded by at most half the last of two digits, which is at most a tenth of U.
    assert abs(number - value) <= 0.0501 * printed
    assert 0.975 * 2 * uncertainty <= printed <= 1.1 * 2 * uncertainty


def test_a_reading_stands_alone():
    assert format_reading(Reading("thd_n", -93.42, "dB", 1, 0.1)) == "−93.42 ± 0.20 dB"
    assert format_reading(Reading("frequency", 997.00012, "Hz", 1, 0.00021)) == (
        "997.0001 ± 0.0005 Hz"  # 0.42 mHz, rounded up
    )
    assert format_reading(Reading("level_rms", -6.0206, "dBFS", 1, 1e-9)) == "−6.021 ± 0.001 dBFS"
    assert format_reading(Reading("delay", 2.08e-5, "s", None, 1e-7)) == "20.80 ± 0.20 µs"
    assert format_reading(Reading("level_peak", -6.0206, "dBFS", 1)) == "−6.02 dBFS"
    assert format_reading(Reading("dropouts", 3.0, "1", 1, 1.7)) == "3"
    assert format_reading(Reading("polarity", -1.0, "", channels=(1, 2))) == "reversed"


def test_what_cannot_be_trusted_is_no_number():
    invalid = Reading.invalid("thd", "dB", "input clipped on 212 samples", channel=1)
    assert format_reading(invalid) == "no valid number: input clipped on 212 samples"
    assert format_reading(Reading("thd", float("nan"), "dB", 1)).startswith("no valid number")
    assert format_reading(None) == "not measured"
    # A number that is marked invalid is not printed either.
    marked = Reading("thd", -80.0, "dB", 1, 0.1, "invalid", "clipped")
    assert "80" not in format_reading(marked)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (-110.0, "dB", "below −110 dB"),
        (-110.9, "dB", "below −110 dB"),
        (0.00321, "%", "below 0.0033 %"),
        (2.5e-5, "cents", "below 0.001 cents"),
        (0.00321, "s", "below 3.3 ms"),
    ],
)
def test_bounds_are_rounded_up(value, unit, text):
    assert format_reading(Reading("x", value, unit, 1, 4.3, upper_bound=True)) == text


def test_what_the_rig_limits_is_a_bound():
    text = format_reading(Reading("noise_a", -101.4, "dBFS", 1, 0.3, "rig-limited"))
    assert text == "below −100 dBFS: it lies at the rig's own limit"


def test_silence_is_said_in_words():
    assert format_reading(Reading("level_rms", float("-inf"), "dBFS", 1, 0.0)) == "nothing at all"


def test_lists_fit_a_line():
    harmonics = Reading("harmonics", tuple(range(-40, -60, -2)), "dB", 1)
    assert format_reading(harmonics) == "2× −40.0, 3× −42.0, 4× −44.0, 5× −46.0 and 6 more dB"
    assert format_reading(Reading("spurs", ((15_625.0, -96.04),), "dBFS", 1)) == (
        "15625.0 Hz −96.0 dBFS"
    )
    assert format_reading(Reading("worn_travel", ((12.0, 15.5),), "%", 1)) == "12.0 to 15.5 %"
    assert format_reading(Reading("spurs", (), "dBFS", 1)) == "none"


def test_differences_of_levels_are_in_decibels_and_signed():
    assert format_difference(2.5, 0.1, "dBFS") == "+2.50 ± 0.20 dB"
    assert format_difference(-2.5, 0.1, "%") == "−2.50 ± 0.20 % points"
    assert format_difference(None, None, "dB") == "–"
    assert format_difference(-1e-6, 7e-6, "dB") == "0.000 ± 0.001 dB"
    assert format_difference(-3.0, 1.7, "1") == "−3"
    # Nothing that changed is printed as zero.
    assert format_difference(0.0004, 0.0001, "dB") == "+0.00040 ± 0.00020 dB"


def test_limits_in_words():
    assert limit_words(Limit("balance", "dB", -0.5, 0.5)) == "within ±0.5 dB"
    assert limit_words(Limit("hum_total", "dBFS", high=-80)) == "at most −80 dBFS"
    assert limit_words(Limit("tone_level", "dBu", low=-10)) == "at least −10 dBu"
    assert limit_words(Limit("rail_volts", "V", 11.4, 12.6)) == "11.4 to 12.6 V"
    assert limit_words(Limit("polarity", "", 1.0, 1.0)) == "same"


def test_channels_are_named():
    assert channel_name(1) == "left"
    assert channel_name(2) == "right"
    assert channel_name(3) == "channel 3"
    assert channel_name(1, pair=False) == "channel 1"
    assert channel_name(None, (1, 2)) == "left / right"
    assert channel_name(None) == ""


def test_every_verdict_and_event_has_words():
    assert set(VERDICT_WORDS) == set(get_args(Verdict))
    assert set(EVENT_WORDS) == set(get_args(EventKind))
    assert all(words.title and words.explanation for words in LABELS.values())


def test_names_that_are_not_listed_are_spelled_out():
    assert label("key_velocity_B").title == "Key velocity B"
    assert label("rail_volts[+15 V]").title == "Supply +15 V"
    assert label("rail_volts[-15 V]").title == "Supply −15 V"
    assert label("rail_error[-15 V]").explanation


def test_all_that_the_checks_give_has_a_label():
    # A square wave with hum: every check finds something in it, or says why it does not.
    time = np.arange(48_000) / 48_000
    wave = 0.3 * np.sign(np.sin(2 * np.pi * 440 * time)) + 0.01 * np.sin(2 * np.pi * 50 * time)
    samples = np.column_stack([wave, 0.9 * wave])
    take = Take(samples, 48_000, Source("file", None, None, 48_000, 2, len(time)))
    rails = measure_rails((Rail("+15 V", 15.0, measured_volts=14.9),))
    found = [r.name for c in TAKE_CHECKS for r in measure(take, c, CheckSettings()).readings]
    assert {"sinad", "harmonic_phases", "clip_asymmetry", "mains_frequency"} <= set(found)
    for name in (*found, *(r.name for r in rails.readings)):
        assert name.partition("[")[0] in LABELS
        assert label(name).explanation


@pytest.mark.parametrize(
    ("name", "value", "u", "unit", "text"),
    [
        ("thd_n", 11.0, 11.5, "%", "at most 34 %"),
        ("thd_n", 11.0, 1.0, "%", "11.0 ± 2.0 %"),
        ("frequency_drift", 0.07, 0.065, "cents", "at most 0.20 cents"),
        ("dropout_time", 0.28, 0.55, "s", "at most 1.4 s"),
        ("thd_n", -25.0, 20.5, "dB", "varies widely: −25 ± 41 dB: it scatters too widely "
         "for one number"),
        ("balance", 0.1, 0.2, "dB", "0.10 ± 0.40 dB"),
    ],
)  # fmt: skip
def test_no_interval_reaches_where_the_true_value_cannot_be(name, value, u, unit, text):
    assert format_reading(Reading(name, value, unit, 1, u)) == text


def test_a_report_prints_no_digits_beyond_use():
    reading = Reading("level_rms", -75.5943, "dBFS", 1, 0.0041)
    assert reading_text(reading).text == "−75.594 ± 0.009 dBFS"
    assert reading_text(reading, finest=FINEST_IN_REPORT).text == "−75.59 ± 0.01 dBFS"


def test_parts_make_up_the_text():
    parts = reading_text(Reading("thd_n", -93.42, "dB", 1, 0.1))
    assert (parts.number, parts.plus_minus, parts.unit) == ("−93.42", "± 0.20", "dB")


def test_wording_needs_no_heavy_import():
    code = (
        "import sys, sigbench.report.wording; "
        "print({'matplotlib', 'typst', 'scipy', 'jinja2'} & set(sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"
