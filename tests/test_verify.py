"""Verification: every form of an expectation passes and fails as it must; and the real thing."""

import hashlib
import json

import numpy as np
import pytest
import soundfile

from sigbench.checks import measure as measure_take
from sigbench.errors import FileError, SignalError
from sigbench.model import CheckSettings, Event, Measurement, Reading
from sigbench.verify import load_manifest, reference_folder, verify, verify_signal

INSTALLED = load_manifest()


@pytest.fixture
def make(tmp_path):
    """A folder with one file, and what `verify` says of given readings and events."""
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros(4800), 48_000, subtype="PCM_16")

    def write(expect, events=None, **changes):
        signal = {
            "file": "a.wav",
            "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
            "samplerate": 48_000,
            "channels": 1,
            "frames": 4800,
            "bits": 16,
            "description": "a file",
            "formula": "0",
            "check": "tone",
            "settings": {"frequency_hz": 440.0},
            "expect": expect,
            "expect_events": events,
            **changes,
        }
        manifest = {"format": 1, "signals": [signal]}
        (tmp_path / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
        return tmp_path

    def run(expect, readings=(), events=None, found=()):
        def measure(take, check, settings):
            assert take.frames == 4800
            assert check == "tone"
            assert settings == CheckSettings(frequency_hz=440.0)
            return Measurement(check, take.source, tuple(readings), tuple(found))

        return verify(write(expect, events), measure=measure)

    run.write = write
    return run


def row(**fields):
    return {"name": "thd", "channel": 1, "unit": "dB", "why": "because", **fields}


@pytest.mark.parametrize(
    ("value", "upper_bound", "passed"),
    [(-40.0, False, True), (-40.1, False, True), (-40.2, False, False), (-40.0, True, False)],
)
def test_value_within_its_tolerance(make, value, upper_bound, passed):
    reading = Reading("thd", value, "dB", 1, 0.02, upper_bound=upper_bound)
    [result] = make([row(value=-40.05, within=0.1)], [reading])
    assert (result.passed, result.measured, result.uncertainty) == (passed, value, 0.02)
    assert (result.expected, result.within, result.is_limit) == (-40.05, 0.1, False)


@pytest.mark.parametrize(("value", "passed"), [(-141.0, True), (-140.0, True), (-139.0, False)])
def test_limit(make, value, passed):
    reading = Reading("thd", value, "dB", 1, 1.0, upper_bound=True)
    [result] = make([row(at_most=-140.0)], [reading])
    assert (result.passed, result.is_limit) == (passed, True)


def test_invalid_is_expected_of_every_unit(make):
    readings = [
        Reading.invalid("thd", "dB", "clipped", channel=1),
        Reading("thd", 1.0, "%", 1, 0.1),
    ]
    first, second = make([row(unit=None, state="invalid")], readings)
    assert (first.passed, first.why) == (True, "clipped")
    assert (second.passed, second.measured) == (False, 1.0)


def test_invalid_where_a_number_was_due_fails_with_its_reason(make):
    reading = Reading.invalid("thd", "dB", "no tone found", channel=1)
    [result] = make([row(value=-40.0, within=1.0)], [reading])
    assert (result.passed, result.measured, result.why) == (False, None, "no tone found")


@pytest.mark.parametrize("expect", [row(value=0.0, within=1.0), row(state="invalid")])
def test_reading_of_another_channel_does_not_count(make, expect):
    [result] = make([expect], [Reading("thd", 0.0, "dB", 2, 0.1)])
    assert (result.passed, result.why) == (False, "no such reading")


def test_pair_reading(make):
    expect = {"name": "balance", "channels": [1, 2], "unit": "dB", "value": 1.5, "within": 0.1}
    reading = Reading("balance", 1.45, "dB", None, 0.01, channels=(1, 2))
    [result] = make([{**expect, "why": "because"}], [reading])
    assert result.passed


def test_entries_of_lists(make):
    readings = [
        Reading("harmonics", (-40.0, -50.0), "dB", 1, (0.1, 0.2)),
        Reading("spurs", ((1000.0, -90.0), (2000.0, -95.0)), "dBFS", 1, (1.0, 2.0)),
    ]
    spur = {"name": "spurs", "unit": "dBFS"}
    expect = [
        row(name="harmonics", harmonic=3, value=-50.0, within=0.1),
        row(name="harmonics", harmonic=4, value=-50.0, within=0.1),
        row(**spur, near_hz=2001.0, value=-95.0, within=0.1),
        row(**spur, near_hz=3000.0, value=-95.0, within=0.1),
        row(**spur, entries=2),
        row(**spur, entries=3),
    ]
    results = make(expect, readings)
    assert [r.passed for r in results] == [True, False, True, False, True, False]
    assert [r.uncertainty for r in results] == [0.2, None, 2.0, None, None, None]
    assert results[0].reading == "harmonics[3]"
    assert results[2].reading == "spurs[2001 Hz]"


EVENT = {"kind": "dropout", "channels": [1], "start": 1.0, "end": 1.1, "within": 0.0005}
EVENT |= {"depth": 20.0, "depth_within": 1.0, "why": "because"}


@pytest.mark.parametrize(
    ("found", "passed"),
    [
        ([Event("dropout", 1.0004, 1.0996, (1,), 20.5)], [True, True, True, True]),
        ([Event("dropout", 1.0006, 1.1, (1,), 22.0)], [True, False, True, False]),
        ([Event("dip", 1.0, 1.1, (1,), 20.0)], [True, False, False, False]),
        ([], [False, False, False, False]),
        (
            [Event("dropout", 3.0, 3.1, (1,), 20.0), Event("dropout", 1.0, 1.1, (1,), 20.0)],
            [False, True, True, True],
        ),
    ],
)
def test_events_are_all_found_and_no_others(make, found, passed):
    results = make([row(at_most=0.0)], [Reading("thd", 0.0, "dB", 1, 0.1)], [EVENT], found)
    assert [r.passed for r in results[1:]] == passed


def test_no_events_expected_and_none_looked_for(make):
    expect, readings = [row(at_most=0.0)], [Reading("thd", 0.0, "dB", 1, 0.1)]
    stray = [Event("dropout", 1.0, 1.1, (1,), 20.0)]
    assert not make(expect, readings, [], stray)[-1].passed
    assert all(r.passed for r in make(expect, readings, None, stray))


def test_refused_signal_fails_every_row(make):
    def refuse(take, check, settings):
        raise SignalError("too short")

    expect = [row(value=0.0, within=1.0), row(state="invalid")]
    results = verify(make.write(expect), measure=refuse)
    assert [(r.passed, r.why) for r in results] == [(False, "not measured: too short")] * 2


def test_progress_is_told(make):
    seen = []
    folder = make.write([row(at_most=0.0)])
    verify(
        folder,
        measure=lambda take, check, settings: Measurement(check, take.source, ()),
        started=lambda signal: seen.append(signal.file),
    )
    assert seen == ["a.wav"]


def test_edited_file_is_refused(make):
    folder = make.write([row(at_most=0.0)])
    with open(folder / "a.wav", "r+b") as file:
        file.seek(1000)
        file.write(b"\1")
    with pytest.raises(FileError, match="edited or damaged"):
        verify(folder)


def test_missing_file_and_missing_manifest_are_said(make, tmp_path):
    folder = make.write([row(at_most=0.0)])
    (folder / "a.wav").unlink()
    with pytest.raises(FileError, match=r"a\.wav cannot be read"):
        verify(folder)
    with pytest.raises(FileError, match="cannot be read"):
        verify(tmp_path / "nowhere")


@pytest.mark.parametrize(
    "broken",
    [
        row(),
        row(value=1.0),
        row(value=1.0, within=0.1, at_most=2.0),
        row(at_most=1.0, unit=None),
        row(at_most=1.0, why=""),
        row(at_most="much"),
        row(state="fine"),
    ],
)
def test_half_an_expectation_is_refused(make, broken):
    with pytest.raises(FileError, match="no list of reference signals"):
        load_manifest(make.write([broken]))


def test_unknown_format_and_no_json_are_refused(tmp_path):
    (tmp_path / "manifest.json").write_text('{"format": 2, "signals": []}')
    with pytest.raises(FileError, match="format 2"):
        load_manifest(tmp_path)
    (tmp_path / "manifest.json").write_text("{")
    with pytest.raises(FileError, match="no list of reference signals"):
        load_manifest(tmp_path)


@pytest.mark.parametrize("signal", INSTALLED.signals, ids=lambda signal: signal.file)
def test_sigbench_measures_its_reference_signals_right(signal):
    results = verify_signal(reference_folder(), signal, measure_take)
    assert [r for r in results if not r.passed] == []
