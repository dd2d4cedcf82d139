"""Awkward files: each gives a right answer or one clear sentence, and never a false number."""

import math
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile

from sigbench.checks import TAKE_CHECKS, measure
from sigbench.errors import FileError, SignalError
from sigbench.interface.file import read_take
from sigbench.model import Measurement, Reading

RATE = 48_000
SPEECH = Path("/usr/share/sounds/alsa/Front_Left.wav")


def tone(hertz: float, amplitude: float, seconds: float = 1.0, rate: int = RATE) -> np.ndarray:
    return amplitude * np.sin(2 * np.pi * hertz * np.arange(round(seconds * rate)) / rate + 0.3)


def written(tmp_path: Path, samples: np.ndarray, rate: int = RATE, **how: str) -> Path:
    path = tmp_path / f"file.{how.get('format', 'wav').lower()}"
    soundfile.write(path, samples, rate, **how)
    return path


def only(found: Measurement, name: str, channel: int | None = 1) -> Reading:
    return next(r for r in found.readings if r.name == name and r.channel == channel)


def must_be_sound(found: Measurement) -> None:
    """What holds of every reading: a finite number with an uncertainty, or a reason."""
    for reading in found.readings:
        if reading.value is None:
            assert reading.state == "invalid", reading
            assert reading.why, reading
            continue
        assert np.isfinite(np.asarray(reading.value, dtype=float)).all(), reading
        assert np.all(np.asarray(reading.uncertainty, dtype=float) >= 0), reading
        assert np.isfinite(np.asarray(reading.uncertainty, dtype=float)).all(), reading


AWKWARD = {
    "silence": np.zeros(RATE),
    "one least significant bit": np.round(tone(997, 1.4)) * 2.0**-15,
    "DC": np.full(RATE, 0.25),
    "impulse": np.eye(1, RATE, RATE // 2)[0] * 0.9,
    "alternating": np.where(np.arange(RATE) % 2, 0.5, -0.5),
    "step": np.repeat([0.0, 0.5], RATE // 2),
    "ramp": np.linspace(-0.5, 0.5, RATE),
    "full-scale square": np.sign(tone(997, 1.0)),
    "beyond full scale": tone(440, 4.0),
    "note of one cycle": np.pad(tone(440, 0.5, 1 / 440), (RATE // 2, RATE // 2)),
    "late and early": np.pad(tone(440, 0.5, 1.0), (RATE, RATE)),
    "noise burst": np.pad(np.random.default_rng(1).normal(0, 0.1, RATE // 4), (RATE, RATE // 2)),
    "tone half silent": np.concatenate([tone(440, 0.5), np.zeros(RATE)]),
    "denormal": tone(440, 1e-300),
}


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("check", [None, *TAKE_CHECKS])
@pytest.mark.parametrize("name", AWKWARD)
def test_every_reading_is_a_number_or_a_reason(tmp_path, name, check):
    path = written(tmp_path, AWKWARD[name], subtype="DOUBLE")
    must_be_sound(measure(read_take(path), check))


@pytest.mark.parametrize("frames", [1, 64, 100, 2399])
def test_too_short_a_file_gives_one_sentence(tmp_path, frames):
    path = written(tmp_path, np.full(frames, 0.1))
    with pytest.raises(SignalError, match="too short to measure"):
        measure(read_take(path))


@pytest.mark.parametrize("check", TAKE_CHECKS)
def test_the_shortest_take_that_is_measured(tmp_path, check):
    path = written(tmp_path, tone(997, 0.1, 0.05), subtype="PCM_24")
    must_be_sound(measure(read_take(path), check))


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_values_that_are_no_numbers_give_one_sentence(tmp_path, value):
    path = written(tmp_path, np.full(RATE, value), subtype="FLOAT")
    with pytest.raises(FileError, match="no numbers"):
        read_take(path)


@pytest.mark.parametrize(
    "how",
    [
        {"format": "WAV", "subtype": "PCM_U8"},
        {"format": "WAV", "subtype": "PCM_16"},
        {"format": "WAV", "subtype": "ULAW"},
        {"format": "AIFF", "subtype": "PCM_24"},
        {"format": "FLAC", "subtype": "PCM_16"},
        {"format": "W64", "subtype": "DOUBLE"},
        {"format": "CAF", "subtype": "FLOAT"},
        {"format": "OGG", "subtype": "VORBIS"},
        {"format": "MP3", "subtype": "MPEG_LAYER_III"},
    ],
    ids=lambda how: f"{how['format']} {how['subtype']}",
)
def test_any_format(tmp_path, how):
    path = written(tmp_path, tone(440, 0.5), **how)
    found = measure(read_take(path), "tone")
    # What is in the file after its codec: sine and cosine of 440 Hz, by least squares.
    samples, rate = soundfile.read(path)
    angle = 2 * np.pi * 440 * np.arange(len(samples)) / rate
    basis = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    amplitude = float(np.hypot(*np.linalg.lstsq(basis, samples, rcond=None)[0]))
    level = only(found, "tone_level")
    allowed = max(0.01, 3 * level.uncertainty)
    assert level.value == pytest.approx(20 * math.log10(amplitude), abs=allowed)
    assert only(found, "frequency").value == pytest.approx(440, abs=0.02)


@pytest.mark.parametrize("rate", [8_000, 22_050, 44_100, 96_000, 192_000])
@pytest.mark.parametrize("check", [None, *TAKE_CHECKS])
def test_any_rate(tmp_path, rate, check):
    path = written(tmp_path, tone(440, 0.5, 0.6, rate), rate, subtype="PCM_24")
    found = measure(read_take(path), check)
    must_be_sound(found)
    assert only(found, "level_rms").value == pytest.approx(-6.0206, abs=0.02)


def test_thirty_two_channels_each_with_its_own_level(tmp_path):
    wave = tone(1000, 1.0, 0.2)
    samples = np.stack([wave * 10 ** (-(c + 3) / 20) for c in range(32)], axis=1)
    found = measure(read_take(written(tmp_path, samples, subtype="PCM_24")), "tone")
    for channel in range(1, 33):
        level = only(found, "tone_level", channel).value
        assert level == pytest.approx(-(channel + 2), abs=0.001)


def test_a_truncated_lossless_file_is_refused(tmp_path):
    path = written(tmp_path, tone(440, 0.5), format="FLAC")
    path.write_bytes(path.read_bytes()[:20_000])
    with pytest.raises(FileError, match="cut short"):
        read_take(path)


def test_a_note_in_the_middle_reads_as_the_note_alone(tmp_path):
    path = written(tmp_path, np.pad(tone(440, 0.5, 3), (RATE, RATE)), subtype="PCM_24")
    found = measure(read_take(path))
    assert only(found, "tone_level").value == pytest.approx(-6.0206, abs=0.001)
    assert only(found, "frequency").value == pytest.approx(440, abs=0.001)
    assert only(found, "frequency_drift").value < 0.1
    # The level of the whole take is three fifths of the note's power.
    expected = -6.0206 + 10 * math.log10(3 / 5)
    assert only(found, "level_rms").value == pytest.approx(expected, abs=0.001)


def test_a_change_of_gain_in_the_middle_shows_in_the_uncertainty(tmp_path):
    samples = tone(440, 0.5, 4) * np.repeat([1.0, 0.25], 2 * RATE)
    found = measure(read_take(written(tmp_path, samples, subtype="PCM_24")), "tone")
    level = only(found, "tone_level")
    assert level.uncertainty > 0.5
    assert level.value == pytest.approx(-6.0206 + 10 * math.log10((1 + 1 / 16) / 2), abs=0.1)
    assert only(found, "frequency").value == pytest.approx(440, abs=0.01)


def test_a_pitch_far_from_every_bin_and_a_decay(tmp_path):
    """A plucked string by sox: its pitch is right, and its level is no exact number."""
    if shutil.which("sox") is None:
        pytest.skip("sox is missing: install the Debian package sox")
    path = tmp_path / "pluck.wav"
    command = ["sox", "-R", "-n", "-r", "48000", "-b", "24", str(path)]
    subprocess.run([*command, "synth", "3", "pluck", "A4", "gain", "-3"], check=True)
    found = measure(read_take(path), "tone")
    assert abs(only(found, "pitch_error").value) < 2
    assert only(found, "tone_level").uncertainty > 0.5


def test_speech_is_neither_a_note_nor_noise():
    if not SPEECH.exists():
        pytest.skip("no speech recording here: install the Debian package alsa-utils")
    found = measure(read_take(SPEECH))
    for name in ("noise_rms", "noise_a", "noise_468", "spurs"):
        reading = only(found, name)
        assert reading.state == "invalid"
        assert "neither a steady note nor steady noise" in (reading.why or "")
