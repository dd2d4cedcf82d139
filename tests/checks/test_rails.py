"""Supply rails: tolerance, sign, a missing rail, and the multimeter's own accuracy."""

import json
import math
from pathlib import Path

import jsonschema
import pytest

from sigbench import wire
from sigbench.checks.rails import MeterAccuracy, measure_rails, nominal_of, rail_limit
from sigbench.errors import RequestError
from sigbench.model import Rail, Reading

SCHEMA = json.loads(
    (Path(__file__).parents[2] / "docs" / "schema" / "measurement.schema.json").read_text("utf-8")
)


def volts_and_error(rail: Rail) -> tuple[Reading, Reading]:
    volts, error = measure_rails([rail]).readings
    return volts, error


def test_volts_and_error_of_each_rail_carry_its_name():
    rails = [Rail("+15 V", 15.0, 5.0, 14.7), Rail("-15 V", -15.0, 5.0, -15.3)]
    measured = {r.name: r for r in measure_rails(rails).readings}
    assert measured["rail_volts[+15 V]"].value == 14.7
    assert measured["rail_error[+15 V]"].value == pytest.approx(-2.0)
    assert measured["rail_volts[-15 V]"].value == -15.3
    assert measured["rail_error[-15 V]"].value == pytest.approx(2.0)
    assert {r.unit for r in measured.values()} == {"V", "%"}
    assert {(r.channel, r.channels) for r in measured.values()} == {(None, None)}


def test_sagging_negative_rail_has_a_negative_error():
    _, error = volts_and_error(Rail("-15 V", -15.0, 5.0, -12.0))
    assert error.value == pytest.approx(-20.0)


def test_uncertainty_is_the_data_sheet_bound_over_root_three():
    # GUM (JCGM 100:2008) 4.3.7: bounds a, nothing known between them: u = a / sqrt(3).
    # 0.5 % of 15.00 V and 2 digits of 10 mV: a = 0.075 + 0.020 = 0.095 V.
    volts, error = volts_and_error(Rail("+15 V", 15.0, 5.0, 15.0))
    assert volts.uncertainty == pytest.approx(0.095 / math.sqrt(3))
    assert error.uncertainty == pytest.approx(100 / 15 * 0.095 / math.sqrt(3))


def test_accuracy_of_another_meter_is_used():
    meter = MeterAccuracy(percent=0.1, digits=3, digit_volts=0.001)
    (volts, _) = measure_rails([Rail("+5 V", 5.0, 5.0, 5.0)], meter=meter).readings
    assert volts.uncertainty == pytest.approx(0.008 / math.sqrt(3))


def test_ripple_is_a_reading_of_its_own_where_it_was_measured():
    # 1 % of 0.050 V and 5 digits of 1 mV: a = 0.0055 V, u = a / sqrt(3) (GUM 4.3.7).
    rippling = Rail("+15 V", 15.0, 5.0, 14.8, ripple_volts=0.05)
    *_, ripple = measure_rails([rippling]).readings
    assert (ripple.name, ripple.value, ripple.unit) == ("rail_ripple[+15 V]", 0.05, "V")
    assert ripple.uncertainty == pytest.approx(0.0055 / math.sqrt(3))
    assert "20 mV" in ripple.why
    *_, quiet = measure_rails([Rail("+15 V", 15.0, 5.0, 14.8, ripple_volts=0.003)]).readings
    assert (quiet.state, quiet.why) == ("ok", None)
    *_, wrong = measure_rails([Rail("+15 V", 15.0, 5.0, 14.8, ripple_volts=-0.003)]).readings
    assert wrong.state == "invalid"


@pytest.mark.parametrize(
    ("nominal", "words"), [(5.0, "logic"), (15.0, "upper one"), (-15.0, "lower one")]
)
def test_a_missing_rail_says_what_is_heard(nominal, words):
    volts, _ = volts_and_error(Rail("x", nominal, 5.0, 0.0))
    assert words in volts.why


def test_rail_that_was_not_measured_is_invalid():
    for reading in volts_and_error(Rail("+5 V", 5.0)):
        assert (reading.state, reading.value, reading.why) == ("invalid", None, "not measured")


@pytest.mark.parametrize("volts", [0.0, 0.02, -0.02])
def test_dead_rail_is_a_valid_number_far_below_nominal(volts):
    reading, error = volts_and_error(Rail("+5 V", 5.0, 5.0, volts))
    assert reading.value == volts
    assert reading.why.startswith("near 0 V: the rail is missing; ")
    assert error.value == pytest.approx(-100, abs=0.5)


def test_forgotten_minus_sign_is_no_number():
    for reading in volts_and_error(Rail("-15 V", -15.0, 5.0, 15.02)):
        assert reading.state == "invalid"
        assert reading.why == (
            "typed in as +15.02 V where -15 V belongs: check the minus sign, and that the black "
            "probe is on ground"
        )


@pytest.mark.parametrize(
    ("volts", "why"),
    [
        (4.8, None),
        (5.2, None),
        (4.74, "outside ±5 % by less than the meter can be trusted"),  # 10 mV outside, u = 25 mV
        (5.26, "outside ±5 % by less than the meter can be trusted"),
        (4.5, "outside ±5 %"),
        (6.1, "outside ±5 %"),
    ],
)
def test_remark_names_the_tolerance(volts, why):
    assert volts_and_error(Rail("+5 V", 5.0, 5.0, volts))[0].why == why


@pytest.mark.parametrize(
    ("name", "volts"),
    [("+15 V", 15.0), ("-12V", -12.0), ("−15 V", -15.0), ("+3,3 V", 3.3), ("+3.3 V", 3.3),
     ("+3V3", 3.3), ("1v8 core", 1.8), ("12V1", 12.0), ("5 V 2", 5.0), ("5V analogue", 5.0),
     ("Vcc", None)],
)  # fmt: skip
def test_nominal_volts_from_a_name(name, volts):
    assert nominal_of(name) == volts


def test_limit_of_a_negative_rail_is_in_order():
    limit = rail_limit(Rail("-12 V", -12.0, 5.0))
    assert (limit.low, limit.high) == pytest.approx((-12.6, -11.4))


@pytest.mark.parametrize(
    ("rails", "sentence"),
    [
        ([], "No supply rails are listed"),
        ([Rail("", 5.0)], "Rail 1 is named ''"),
        ([Rail("+5 V [A]", 5.0)], "without brackets"),
        ([Rail("+5 V", 5.0), Rail("+5 V", 5.0)], "Two rails are named"),
        ([Rail("ground", 0.0)], "nominal voltage of 0 V"),
        ([Rail("+5 V", math.nan)], "nominal voltage of nan V"),
        ([Rail("+5 V", 5.0, 0.0)], "tolerance of 0 %"),
    ],
)
def test_list_that_cannot_be_measured_gets_one_sentence(rails, sentence):
    with pytest.raises(RequestError, match=sentence.replace("[", r"\[")):
        measure_rails(rails)


@pytest.mark.parametrize("volts", [math.nan, math.inf])
def test_typed_not_a_number_is_invalid(volts):
    reading, error = volts_and_error(Rail("+5 V", 5.0, 5.0, volts))
    assert reading.state == error.state == "invalid"


def test_measurement_keeps_to_the_published_schema():
    rails = [Rail("+15 V", 15.0, 5.0, 14.7), Rail("-15 V", -15.0, 5.0, 15.0), Rail("5", 5.0)]
    measurement = measure_rails(rails)
    text = wire.measurement_to_json(measurement)
    jsonschema.Draft202012Validator(SCHEMA).validate(json.loads(text))
    assert wire.measurement_from_json(text) == measurement
