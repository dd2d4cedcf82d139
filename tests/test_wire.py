"""The JSON contract: every key, every value finite, and back again."""

import json
import math
import re
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sigbench import __version__, wire
from sigbench.errors import FileError
from sigbench.model import Cause, Event, Measurement, Reading, Source

SCHEMA = json.loads(
    (Path(__file__).parents[1] / "docs" / "schema" / "measurement.schema.json").read_text("utf-8")
)
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)
SOURCE = Source("file", "a.wav", "0" * 64, 48_000, 2, 480_000)

# One of each shape that the contract knows.
WHOLE = Measurement(
    check="tone",
    source=SOURCE,
    readings=(
        Reading("level_rms", -6.02, "dBFS", 1, 0.003),
        Reading("thd", -110.0, "dB", 1, 4.34, upper_bound=True),
        Reading("noise_a", -98.0, "dBFS", 2, 0.2, "rig-limited", "within 6 dB of the rig"),
        Reading.invalid("thd_n", "dB", "input clipped on 212 samples", channel=2),
        Reading("balance", 0.12, "dB", None, 0.01, channels=(1, 2)),
        Reading("harmonics", (-60.1, -72.5), "dB", 1, (0.1, 0.4)),
        Reading("spurs", ((1234.5, -95.0), (15_625.0, -88.1)), "dBFS", 1),
        Reading("spurs", (), "dBFS", 2),
    ),
    events=(
        Event("dropout", 3.2101, 3.2475, (1,), 41.2),
        Event("mark", 4.0, 4.0, (1, 2), None, "tapped the board"),
    ),
    causes=(Cause("dry joint", 0.81, ("dropouts in channel 1",), ("no hum",), "reflow J3"),),
)


def reading_on_wire(reading: Reading) -> dict[str, Any]:
    data = json.loads(wire.measurement_to_json(Measurement("tone", SOURCE, (reading,))))
    VALIDATOR.validate(data)
    return data["readings"][0]


def test_schema_is_a_valid_schema():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


def test_object_is_the_contract_to_the_letter():
    data = json.loads(wire.measurement_to_json(WHOLE))
    VALIDATOR.validate(data)
    assert list(data) == ["sigbench", "check", "source", "readings", "events", "causes"]
    assert data["sigbench"] == __version__
    assert data["source"] == {
        "kind": "file",
        "path": "a.wav",
        "sha256": "0" * 64,
        "samplerate": 48_000,
        "channels": 2,
        "frames": 480_000,
        "lost_buffers": 0,
    }
    assert data["readings"][0] == {
        "name": "level_rms",
        "channel": 1,
        "value": -6.02,
        "unit": "dBFS",
        "uncertainty": 0.003,
        "state": "ok",
        "why": None,
    }
    assert data["events"] == [
        {"kind": "dropout", "start": 3.2101, "end": 3.2475, "channels": [1], "depth": 41.2},
        {
            "kind": "mark",
            "start": 4.0,
            "end": 4.0,
            "channels": [1, 2],
            "depth": None,
            "text": "tapped the board",
        },
    ]
    assert data["causes"] == [
        {
            "name": "dry joint",
            "score": 0.81,
            "for": ["dropouts in channel 1"],
            "against": ["no hum"],
            "next": "reflow J3",
        }
    ]


def test_optional_keys_appear_only_when_they_say_something():
    by_name = {(r["name"], r["channel"]): r for r in wire.measurement_to_object(WHOLE)["readings"]}
    assert by_name["balance", None]["channels"] == [1, 2]
    assert [key for key, r in by_name.items() if "channels" in r] == [("balance", None)]
    assert [key for key, r in by_name.items() if "upper_bound" in r] == [("thd", 1)]
    assert by_name["thd", 1]["upper_bound"] is True


def test_round_trip():
    assert wire.measurement_from_json(wire.measurement_to_json(WHOLE)) == WHOLE
    assert wire.measurement_from_object(wire.measurement_to_object(WHOLE)) == WHOLE
    assert wire.measurement_from_json(wire.measurement_to_json(WHOLE, indent=2)) == WHOLE


@pytest.mark.parametrize(
    "path",
    [("sigbench",), ("check",), ("source",), ("readings",), ("events",), ("causes",)]
    + [("source", key) for key in SCHEMA["$defs"]["source"]["required"]]
    + [("readings", 0, key) for key in SCHEMA["$defs"]["reading"]["required"]]
    + [("events", 0, key) for key in SCHEMA["$defs"]["event"]["required"]]
    + [("causes", 0, key) for key in SCHEMA["$defs"]["cause"]["required"]],
    ids=lambda path: ".".join(map(str, path)),
)
def test_every_contract_key_is_required_by_schema_and_reader(path: tuple[str | int, ...]):
    data = json.loads(wire.measurement_to_json(WHOLE))
    parent: Any = data
    for step in path[:-1]:
        parent = parent[step]
    del parent[path[-1]]
    assert not VALIDATOR.is_valid(data)
    with pytest.raises(FileError, match=str(path[-1])):
        wire.measurement_from_object(data)


@pytest.mark.parametrize(
    ("value", "unit", "why"),
    [
        (-math.inf, "dBFS", "digital silence"),
        (-math.inf, "dBu", "digital silence"),
        (-math.inf, "dB", "nothing there: exactly zero has no decibels"),
        (math.inf, "dB", "no finite number came out"),
        (math.nan, "Hz", "no finite number came out"),
        (None, "Hz", "not measured"),
    ],
)
def test_no_finite_value_is_null_invalid_and_says_why(value: float | None, unit: str, why: str):
    data = reading_on_wire(Reading("level_rms", value, unit, 1, math.nan))
    assert (data["value"], data["state"], data["why"]) == (None, "invalid", why)
    assert data["uncertainty"] is None


def test_a_given_reason_is_kept():
    data = reading_on_wire(Reading("level_rms", -math.inf, "dBFS", 1, why="channel 1 is muted"))
    assert data["why"] == "channel 1 is muted"


def test_an_invalid_reading_never_shows_its_number():
    reading = Reading("dc_offset", 0.2, "FS", 1, 0.1, "invalid", "the input may be AC-coupled")
    data = reading_on_wire(reading)
    assert data["value"] is None
    assert data["uncertainty"] is None
    assert data["why"] == "the input may be AC-coupled"


def test_list_entries_that_are_not_finite_are_null_and_the_rest_stays():
    data = reading_on_wire(Reading("harmonics", (-60.0, -math.inf), "dB", 1, (0.1, math.inf)))
    assert data["value"] == [-60.0, None]
    assert data["uncertainty"] == [0.1, None]
    assert data["state"] == "ok"
    assert data["why"].startswith("null entries: ")
    pairs = reading_on_wire(Reading("response", ((20.0, math.nan), (40.0, -1.0)), "dB", 1))
    assert pairs["value"] == [[20.0, None], [40.0, -1.0]]


def test_null_list_entries_come_back_as_not_a_number():
    sent = Measurement("tone", SOURCE, (Reading("harmonics", (-60.0, -math.inf), "dB", 1),))
    first, second = wire.measurement_from_json(wire.measurement_to_json(sent)).readings[0].value
    assert first == -60.0
    assert math.isnan(second)


def test_a_dropout_to_digital_silence_has_no_depth_and_says_so():
    sent = Measurement("dropouts", SOURCE, (), (Event("dropout", 1.0, 1.2, (1,), math.inf),))
    data = json.loads(wire.measurement_to_json(sent))
    VALIDATOR.validate(data)
    assert data["events"][0]["depth"] is None
    assert data["events"][0]["text"] == "down to digital silence"


@pytest.mark.parametrize(
    "measurement",
    [
        Measurement("tone", SOURCE, (), (Event("click", math.nan, 1.0, (1,)),)),
        Measurement("tone", SOURCE, (), (Event("click", 0.0, math.inf, (1,)),)),
        Measurement("tone", SOURCE, (), (), (Cause("x", math.nan, (), (), "y"),)),
    ],
)
def test_what_can_have_no_reason_must_be_finite(measurement: Measurement):
    with pytest.raises(ValueError, match="is not finite"):
        wire.measurement_to_json(measurement)


def test_numbers_from_numpy_are_written_like_python_ones():
    reading = Reading("frequency", np.float64(440.1), "Hz", np.int64(1), np.float32(0.5))  # type: ignore[arg-type]
    counted = Event("click", np.float64(0.5), np.float64(0.5), (np.int64(2),), np.float64(20.0))  # type: ignore[arg-type]
    data = json.loads(wire.measurement_to_json(Measurement("tone", SOURCE, (reading,), (counted,))))
    assert data["readings"][0]["value"] == 440.1
    assert data["readings"][0]["channel"] == 1
    assert data["events"][0]["channels"] == [2]


def test_numbers_are_not_rounded():
    value = 0.1 + 0.2
    assert reading_on_wire(Reading("frequency", value, "Hz", 1))["value"] == value


def test_a_path_that_is_no_unicode_can_be_written():
    # Linux file names are bytes; Python hands undecodable ones over as lone surrogates (PEP 383).
    source = Source("file", "take\udcff.wav", None, 48_000, 1, 1)
    data = json.loads(wire.measurement_to_json(Measurement("tone", source, ())))
    assert data["source"]["path"] == "take\\udcff.wav"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda d: d.update(readings=3), "readings"),
        (lambda d: d["source"].update(samplerate="fast"), "source.samplerate"),
        (lambda d: d["readings"][0].update(state="fine"), "state"),
        (lambda d: d["readings"][0].update(value=None), "level_rms"),
        (lambda d: d["readings"][3].update(value=1.0), "thd_n"),
        (lambda d: d["readings"][3].update(why=None), "thd_n"),
        (lambda d: d["readings"][5].update(value=[1.0, [2.0, 3.0]]), "mixes numbers and pairs"),
        (lambda d: d["events"][0].update(kind="bang"), "events"),
    ],
)
def test_a_wrong_object_gives_one_sentence_that_names_the_place(change: Any, says: str):
    data = json.loads(wire.measurement_to_json(WHOLE))
    change(data)
    assert not VALIDATOR.is_valid(data)
    with pytest.raises(FileError, match=re.escape(says)) as caught:
        wire.measurement_from_object(data, origin="old/run.json")
    message = str(caught.value)
    assert message.startswith("old/run.json is no measurement")
    assert "\n" not in message


@pytest.mark.parametrize("text", ["", "nonsense", "[]", "null", '{"check": "tone"', b"\xff\xfe"])
def test_what_is_no_json_gives_one_sentence(text: str | bytes):
    with pytest.raises(FileError, match="this text is no measurement") as caught:
        wire.measurement_from_json(text)
    assert "\n" not in str(caught.value)


numbers = st.floats(allow_nan=True, allow_infinity=True)
values = st.one_of(
    st.none(),
    numbers,
    st.lists(numbers, max_size=4).map(tuple),
    st.lists(st.tuples(numbers, numbers), max_size=4).map(tuple),
)
readings = st.builds(
    Reading,
    name=st.sampled_from(["level_rms", "harmonics", "spurs", "onset"]),
    value=values,
    unit=st.sampled_from(["dBFS", "dB", "Hz", ""]),
    channel=st.integers(1, 32),
    uncertainty=st.one_of(st.none(), numbers.map(abs)),
    state=st.sampled_from(["ok", "rig-limited", "invalid"]),
    why=st.one_of(st.none(), st.text(st.characters(codec="utf-8"))),
    upper_bound=st.booleans(),
)


@given(st.lists(readings, max_size=5))
def test_whatever_is_measured_the_object_keeps_the_contract(found: list[Reading]):
    sent = wire.measurement_to_json(Measurement("tone", SOURCE, tuple(found)))
    data = json.loads(sent, parse_constant=lambda name: pytest.fail(f"{name} in the JSON"))
    VALIDATOR.validate(data)
    # What has been through once is stable: reading it back and writing it again changes nothing.
    assert wire.measurement_to_json(wire.measurement_from_json(sent)) == sent
