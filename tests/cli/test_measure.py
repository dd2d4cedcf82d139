"""``sigbench measure`` on files made here with other tools than sigbench."""

import hashlib
import json
import re
import struct
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import soundfile

from sigbench.checks import TAKE_CHECKS
from sigbench.cli.measure import BENCH_CHECKS, _with_file_channels
from sigbench.model import Event, Measurement, Reading, Source

SCHEMA = json.loads(
    (Path(__file__).parents[2] / "docs" / "schema" / "measurement.schema.json").read_text("utf-8")
)


def sine(
    frequency: float, level_dbfs: float, *, rate: int = 48_000, seconds: float = 1.0
) -> np.ndarray:
    """A sine with 24-bit noise under it; its peak is its level in dBFS (AES17)."""
    time = np.arange(round(rate * seconds)) / rate
    noise = np.random.default_rng(1).uniform(-1, 1, time.size) * 2.0**-23
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * frequency * time + 0.3) + noise


@pytest.fixture
def wav(tmp_path: Path):
    def write(samples: Any, rate: int = 48_000, subtype: str = "PCM_24") -> Path:
        path = tmp_path / "take.wav"
        soundfile.write(path, samples, rate, subtype=subtype)
        return path

    return write


@pytest.fixture
def measured(call):
    """Measure with ``--json``: the object, after all that must hold of any."""

    def run(*arguments: object) -> dict[str, Any]:
        outcome = call("measure", *arguments, "--json")
        assert outcome.code == 0, outcome.err
        assert outcome.out.count("\n") == 1
        found: dict[str, Any] = json.loads(
            outcome.out, parse_constant=lambda name: pytest.fail(f"{name} in the JSON")
        )
        jsonschema.Draft202012Validator(SCHEMA).validate(found)
        return found

    return run


def readings(found: dict[str, Any], name: str, unit: str | None = None) -> list[dict[str, Any]]:
    return [r for r in found["readings"] if r["name"] == name and unit in (None, r["unit"])]


def only(found: dict[str, Any], name: str, channel: int | None, unit: str | None = None) -> Any:
    (one,) = [r for r in readings(found, name, unit) if r["channel"] == channel]
    return one


def test_a_stereo_tone(measured, wav):
    path = wav(np.stack([sine(997, -6.02), sine(997, -12.04)], axis=1))
    found = measured(path, "--check", "tone")
    assert found["check"] == "tone"
    assert found["source"] == {
        "kind": "file",
        "path": str(path),
        "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
        "samplerate": 48_000,
        "channels": 2,
        "frames": 48_000,
        "lost_buffers": 0,
    }
    assert only(found, "tone_level", 1)["value"] == pytest.approx(-6.02, abs=0.001)
    assert only(found, "tone_level", 2)["value"] == pytest.approx(-12.04, abs=0.001)
    assert only(found, "frequency", 1)["value"] == pytest.approx(997, abs=0.001)
    balance = only(found, "balance", None)
    assert balance["channels"] == [1, 2]
    assert balance["value"] == pytest.approx(6.02, abs=0.001)


def test_without_a_check_the_file_decides(measured, wav):
    assert measured(wav(sine(440, -20)))["check"] == "tone"
    noise = np.random.default_rng(2).normal(0, 1e-4, 48_000)
    assert measured(wav(noise))["check"] == "idle"


@pytest.mark.parametrize("check", TAKE_CHECKS)
def test_every_check_runs_and_prints_a_table(call, wav, check):
    outcome = call("measure", wav(sine(440, -20)), "--check", check)
    assert outcome.code == 0
    assert outcome.err == ""
    assert f"take.wav\n{check.capitalize()} check, 1 s, 1 channel at 48 kHz" in outcome.out


def test_chosen_channels_keep_the_numbers_of_the_file(measured, wav):
    path = wav(np.stack([sine(300, -40), sine(440, -20), sine(440, -30)], axis=1))
    found = measured(path, "--channels", "3,2", "--check", "tone")
    assert {r["channel"] for r in found["readings"]} <= {2, 3, None}
    assert only(found, "tone_level", 2)["value"] == pytest.approx(-20, abs=0.001)
    assert only(found, "tone_level", 3)["value"] == pytest.approx(-30, abs=0.001)


def test_renumbering_reaches_readings_pairs_and_events():
    source = Source("file", "a.wav", None, 48_000, 2, 1)
    found = Measurement(
        "tone",
        source,
        (Reading("level_rms", 0.0, "dBFS", 2), Reading("balance", 0.0, "dB", channels=(1, 2))),
        (Event("click", 0.0, 0.0, (1, 2)),),
    )
    there = _with_file_channels(found, (7, 4))
    assert there.readings[0].channel == 4
    assert there.readings[1].channels == (7, 4)
    assert there.events[0].channels == (7, 4)


def test_the_note_is_looked_for_where_it_is_said_to_be(measured, wav):
    # A strong tone and a weak one: the weak one is measured when its note is given.
    path = wav(sine(1000, -6) + sine(440, -40))
    assert only(measured(path, "--check", "tone"), "frequency", 1)["value"] == pytest.approx(1000)
    for option in (("--note", "A4"), ("--frequency", "440.5")):
        found = only(measured(path, "--check", "tone", *option), "frequency", 1)
        # The strong tone beside it costs precision; the reading itself says how much.
        assert found["value"] == pytest.approx(440, abs=2 * found["uncertainty"])
        assert found["uncertainty"] < 1


def test_another_tuning_moves_the_pitch_error(measured, wav):
    path = wav(sine(442, -20))
    against = {
        a4: only(measured(path, "--check", "tone", "--a4", a4), "pitch_error", 1)["value"]
        for a4 in (440, 442)
    }
    assert against[440] == pytest.approx(1200 * np.log2(442 / 440), abs=0.01)  # 7.85 cents
    assert against[442] == pytest.approx(0, abs=0.01)


def test_the_dc_offset_is_given_where_the_input_passes_dc(measured, wav):
    path = wav(0.01 + sine(1000, -20))  # whole cycles: the mean is the offset alone
    refused = only(measured(path, "--check", "tone"), "dc_offset", 1)
    assert (refused["value"], refused["state"]) == (None, "invalid")
    found = only(measured(path, "--check", "tone", "--dc-coupled"), "dc_offset", 1)
    assert found["value"] == pytest.approx(0.01, abs=1e-6)


def test_the_law_of_a_control_is_told_in_words(measured, wav):
    """Turned up and down evenly, twice: travel is given by the law that was told."""
    turn = np.interp(np.arange(8 * 48_000) / 48_000, [0.5, 1.8, 2.2, 3.8, 4.2, 5.8, 6.2, 7.5],
                     [0, 1, 1, 0, 0, 1, 1, 0])  # fmt: skip
    path = wav(turn * sine(997, -6, seconds=8.0))
    told = measured(path, "--check", "pot", "--taper", "audio:10")
    assert "audio, 10 % at half travel" in only(told, "worn_travel", 1)["why"]
    guessed = measured(path, "--check", "pot")
    assert "guessed" in only(guessed, "worn_travel", 1)["why"]


def test_the_driven_channel_keeps_its_number_too(measured, wav):
    silence = np.random.default_rng(3).normal(0, 1e-6, 48_000)
    leak = sine(1000, -10) * 10 ** (-60 / 20)
    path = wav(np.stack([silence, leak + silence, sine(1000, -10)], axis=1))
    found = measured(path, "--check", "tone", "--channels", "2,3", "--driven", "3")
    assert only(found, "crosstalk", 2)["value"] == pytest.approx(-60, abs=0.2)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--check", "tones"], "no check 'tones'"),
        (["--check", "rails"], "typed in from the multimeter"),
        *((["--check", check], "not part of this version") for check in BENCH_CHECKS),
        (["--channels", "one"], "no list of channels"),
        (["--channels", "0"], "no list of channels"),
        (["--channels", ""], "no list of channels"),
        (["--channels", "1,1"], "twice"),
        (["--channels", "2"], "no channel 2"),
        (["--note", "H4"], "no note name"),
        (["--note", "A4", "--frequency", "440"], "give one of them"),
        (["--frequency", "0"], "no frequency"),
        (["--frequency", "nan"], "no frequency"),
        (["--frequency=-5"], "no frequency"),
        (["--a4", "0"], "no tuning"),
        (["--a4", "nan"], "no tuning"),
        (["--mains", "55"], "give 50 or 60"),
        (["--driven", "2"], "driven"),
        (["--check", "pot", "--taper", "steep"], "is no taper"),
        (["--driven", "2", "--channels", "1"], "not among the channels"),
    ],
)
@pytest.mark.parametrize("as_json", [True, False])
def test_a_wrong_request_gives_one_sentence(call, wav, options, says, as_json):
    outcome = call("measure", wav(sine(440, -20, seconds=0.2)), *options, *["--json"] * as_json)
    assert outcome.code == 2
    assert outcome.out == ""
    assert says in outcome.err
    assert outcome.err.startswith("sigbench: ")
    assert outcome.err.count("\n") == 1


def test_the_help_names_every_check(call):
    text = call("measure", "--help").out
    assert all(re.search(rf"\b{check} \(", text) for check in TAKE_CHECKS)


# --- files as they come


def broken(tmp_path: Path, name: str) -> Path:
    """A file that cannot be measured, or the place where there is none."""
    path = tmp_path / f"{name}.wav"
    if name == "folder":
        path.mkdir()
    elif name == "empty":
        path.write_bytes(b"")
    elif name == "text":
        path.write_text("no audio at all\n")
    elif name == "corrupt":
        path.write_bytes(b"RIFF\x24\x00\x00\x00WAVEfmt \xff\xff\xff\xff" + bytes(range(256)))
    elif name == "truncated":
        soundfile.write(path, sine(440, -20), 48_000, subtype="PCM_16")
        path.write_bytes(path.read_bytes()[:50_000])
    elif name == "no frames":
        # RIFF WAVE, 16-bit PCM, with an empty data chunk (RFC 2361, format tag 1).
        form = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 1, 48_000, 96_000, 2, 16)
        path.write_bytes(struct.pack("<4sI4s", b"RIFF", 36, b"WAVE") + form + b"data" + bytes(4))
    elif name == "nan":
        samples = sine(440, -20)
        samples[1000] = np.nan
        soundfile.write(path, samples, 48_000, subtype="FLOAT")
    elif name == "one sample":
        soundfile.write(path, np.array([0.5]), 48_000)
    elif name == "many channels":
        soundfile.write(path, np.zeros((4800, 33)), 48_000)
    return path


@pytest.mark.parametrize(
    "name",
    [
        "missing",
        "folder",
        "empty",
        "text",
        "corrupt",
        "truncated",
        "no frames",
        "nan",
        "one sample",
        "many channels",
    ],
)
def test_a_file_that_cannot_be_measured_gives_one_sentence(call, tmp_path, name):
    path = broken(tmp_path, name)
    outcome = call("measure", path, "--json")
    assert outcome.code == 2
    assert outcome.out == ""
    assert outcome.err.startswith("sigbench: ")
    assert outcome.err.count("\n") == 1


@pytest.mark.parametrize("rate", [8_000, 11_025, 44_100, 96_000, 192_000])
def test_any_rate(measured, wav, rate):
    found = measured(wav(sine(997, -20, rate=rate), rate), "--check", "tone")
    assert only(found, "tone_level", 1)["value"] == pytest.approx(-20, abs=0.001)
    assert only(found, "frequency", 1)["value"] == pytest.approx(997, abs=0.001)


def test_thirty_two_channels(measured, wav):
    columns = [sine(440, -20 - k, seconds=0.25) for k in range(32)]
    found = measured(wav(np.stack(columns, axis=1)), "--check", "dropouts")
    for channel in range(1, 33):
        level = only(found, "level_rms", channel)["value"]
        assert level == pytest.approx(-19 - channel, abs=0.01)  # 110 whole cycles


@pytest.mark.parametrize("check", [None, *TAKE_CHECKS])
def test_digital_silence_is_no_number(measured, wav, check):
    found = measured(wav(np.zeros((24_000, 2))), *(["--check", check] if check else []))
    for reading in found["readings"]:
        if reading["unit"] in ("dBFS", "dB", "Hz", "cents", "%") and reading["value"] != []:
            assert reading["value"] is None, reading
            assert reading["state"] == "invalid"
            assert reading["why"]


def test_a_full_scale_sine_reads_zero(measured, wav):
    # AES17: the RMS level of a sine whose peaks reach full scale is 0 dBFS.
    full = np.sin(2 * np.pi * 997 * np.arange(96_000) / 48_000) * (1 - 2.0**-15)
    found = measured(wav(full), "--check", "tone")
    assert only(found, "level_rms", 1)["value"] == pytest.approx(0, abs=0.002)


def test_a_clipped_tone_gives_no_distortion_figure(measured, wav):
    found = measured(wav(np.clip(2 * sine(997, -1, seconds=0.3), -1, 1)), "--check", "tone")
    for name in ("thd", "thd_n"):
        for reading in readings(found, name):
            assert reading["state"] == "invalid"
            assert "clip" in reading["why"]


def test_a_lossy_file_is_measured_with_a_warning(call, tmp_path):
    path = tmp_path / "take.ogg"
    soundfile.write(path, sine(440, -20), 48_000, format="OGG", subtype="VORBIS")
    outcome = call("measure", path, "--json")
    assert outcome.code == 0
    assert json.loads(outcome.out)["readings"]
    assert "compressed with losses" in " ".join(outcome.err.split())


# --- as a program of its own


def test_json_alone_is_on_stdout_in_utf8_on_any_console(program, tmp_path):
    path = tmp_path / "Flöte.wav"
    soundfile.write(path, sine(440, -20, seconds=0.5), 48_000)
    done = program("measure", path, "--json", PYTHONIOENCODING="cp437")
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout.count(b"\n") == 1
    found = json.loads(done.stdout.decode("utf-8"))
    assert (found["check"], found["source"]["path"]) == ("tone", str(path))


@pytest.mark.parametrize(
    "environment",
    [{}, {"PYTHONIOENCODING": "cp437"}, {"PYTHONIOENCODING": "ascii", "NO_COLOR": "1"}],
    ids=str,
)
def test_the_table_in_a_pipe(program, wav, environment):
    done = program("measure", wav(sine(440, -20, seconds=0.5)), **environment)
    assert done.returncode == 0
    assert done.stderr == b""
    assert b"\x1b" not in done.stdout
    text = done.stdout.decode(environment.get("PYTHONIOENCODING", "utf-8"))
    path, *table = text.splitlines()  # the path is left in one piece, to be copied
    assert path.endswith("take.wav")
    assert max(map(len, table)) <= 80
    assert re.search(r"Tone level +[−-]20\.", text)


def test_a_bad_file_as_a_program(program, tmp_path):
    done = program("measure", broken(tmp_path, "truncated"), "--json")
    assert done.returncode == 2
    assert done.stdout == b""
    assert done.stderr.count(b"\n") == 1
    assert b"Traceback" not in done.stderr
