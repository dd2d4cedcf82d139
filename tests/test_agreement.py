"""Files made by other programs, measured through the whole check and by independent means."""

import math
import re
import shutil
import struct
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile

from sigbench.checks import measure
from sigbench.interface.file import read_take
from sigbench.model import CheckSettings, Measurement, Reading

SOUNDFONT = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")


def program(name: str, package: str) -> str:
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"{name} is missing: install the Debian package {package}")
    return found


def sox(*arguments: object) -> str:
    """Run sox with its own fixed noise; what it says on stderr."""
    command = [program("sox", "sox"), "-R", *map(str, arguments)]
    return subprocess.run(command, check=True, capture_output=True, text=True).stderr


def measured(path: Path, check: str | None = "tone", hertz: float | None = None) -> Measurement:
    return measure(read_take(path), check, CheckSettings(frequency_hz=hertz))


def only(found: Measurement, name: str, unit: str = "", channel: int | None = 1) -> Reading:
    (one,) = [
        r
        for r in found.readings
        if r.name == name and r.channel == channel and unit in ("", r.unit)
    ]
    assert one.state == "ok", one
    return one


# --- levels, against sox


@pytest.mark.parametrize(
    "sound",
    [
        ("sine", "440.37", "gain", "-6"),
        ("square", "220.13", "gain", "-12"),
        ("sawtooth", "110.5", "gain", "-10"),
        ("pinknoise", "gain", "-20"),
        ("pluck", "A3", "gain", "-3"),
        ("sine", "300", "tremolo", "5", "60", "gain", "-6"),
    ],
    ids=lambda sound: sound[0],
)
def test_levels_agree_with_sox(tmp_path, sound):
    path = tmp_path / "sound.wav"
    sox("-n", "-r", 48000, "-b", 24, path, "synth", 2, *sound)
    said = sox(path, "-n", "stats")
    peak = float(re.search(r"Pk lev dB\s+(-?[\d.]+)", said)[1])
    rms = float(re.search(r"RMS lev dB\s+(-?[\d.]+)", said)[1])
    found = measured(path, "idle")
    # sox prints two decimals, and counts RMS re full scale: a sine 3.01 dB lower than AES17.
    assert only(found, "level_peak").value == pytest.approx(peak, abs=0.006)
    rms_aes17 = rms + 20 * math.log10(math.sqrt(2))
    assert only(found, "level_rms").value == pytest.approx(rms_aes17, abs=0.006)


# --- closed forms of waves, at frequencies that are on no bin


def series(shares: np.ndarray, frequency: float) -> np.ndarray:
    """A wave from its harmonics' amplitudes, none above 20 kHz, with 24-bit TPDF dither."""
    t = np.arange(2 * 48_000) / 48_000
    wave = sum(
        a * np.sin(2 * np.pi * frequency * n * t)
        for n, a in enumerate(shares, start=1)
        if a and n * frequency < 20_000
    )
    rng = np.random.default_rng(1)
    return 0.4 * wave + rng.triangular(-1, 0, 1, len(t)) * 2.0**-23


NUMBERS = np.arange(1, 10)


@pytest.mark.parametrize(
    ("shares", "thd"),
    [
        # Textbook series up to the ninth harmonic: 0.428795 and 0.734689 of the fundamental.
        (np.where(NUMBERS % 2, 1 / NUMBERS, 0), 0.428795),
        (1 / NUMBERS, 0.734689),
        (np.where(NUMBERS % 2, 1 / NUMBERS**2, 0), math.sqrt(3**-4 + 5**-4 + 7**-4 + 9**-4)),
    ],
    ids=["square", "saw", "triangle"],
)
def test_thd_of_textbook_waves(tmp_path, shares, thd):
    path = tmp_path / "wave.wav"
    soundfile.write(path, series(shares, 441.37), 48_000, subtype="PCM_24")
    found = measured(path)
    assert only(found, "thd", "dB").value == pytest.approx(20 * math.log10(thd), abs=0.002)
    total = 20 * math.log10(thd / math.hypot(1, thd))  # thd_n is over the total
    assert only(found, "thd_n", "dB").value == pytest.approx(total, abs=0.002)
    assert only(found, "frequency").value == pytest.approx(441.37, abs=1e-4)


def test_a_clipped_sine_has_the_harmonics_of_its_fourier_integral(tmp_path):
    # One period at 65,536 points gives the series of a sine clipped at half its peak:
    # THD 0.23294, 3rd -12.91 dB.
    period = np.clip(np.sin(2 * np.pi * np.arange(65_536) / 65_536), -0.5, 0.5)
    lines = np.abs(np.fft.rfft(period))[1:60]
    shares = lines / lines[0] * np.sign(np.imag(-np.fft.rfft(period)[1:60]))
    shares[1::2] = 0
    path = tmp_path / "clipped.wav"
    soundfile.write(path, series(shares, 331.7), 48_000, subtype="PCM_24")
    found = measured(path)
    assert only(found, "harmonics").value[1] == pytest.approx(-12.91, abs=0.01)
    assert only(found, "thd", "dB").value == pytest.approx(20 * math.log10(0.23294), abs=0.01)


def test_sinad_agrees_with_a_least_squares_sine_fit(tmp_path):
    """Three-parameter sine fit of IEEE Std 1057, by numpy alone, on a file from sox."""
    path = tmp_path / "tone.wav"
    sox("-n", "-r", 48000, "-b", 16, path, "synth", 2, "sine", "1000.5", "gain", "-20")
    samples, rate = soundfile.read(path)
    angle = 2 * np.pi * 1000.5 * np.arange(len(samples)) / rate
    basis = np.stack([np.cos(angle), np.sin(angle), np.ones(len(angle))], axis=1)
    fitted = basis @ np.linalg.lstsq(basis, samples, rcond=None)[0]
    rest = np.fft.rfft(samples - fitted)
    frequencies = np.fft.rfftfreq(len(samples), 1 / rate)
    band = (frequencies >= 20) & (frequencies <= 20_000)
    noise = 2 * np.sum(np.abs(rest[band]) ** 2) / len(samples) ** 2
    total = np.var(fitted) + noise
    found = only(measured(path), "sinad")
    expected = 10 * math.log10(total / noise)
    assert found.value == pytest.approx(expected, abs=max(0.1, 3 * found.uncertainty))


# --- circuits, by ngspice


def ngspice(tmp_path: Path, circuit: str, seconds: float, rate: int = 48_000) -> np.ndarray:
    """Voltage of node `out` from a transient analysis, at the rate of a converter."""
    netlist = tmp_path / "circuit.cir"
    step = 1 / (4 * rate)
    netlist.write_text(
        f"circuit\n{circuit}\n.options reltol=1e-6\n.control\nset wr_singlescale\n"
        f"tran {step:.9e} {seconds} 0 {step:.9e}\nlinearize v(out)\n"
        f"wrdata {tmp_path / 'out.txt'} v(out)\nquit\n.endc\n.end\n"
    )
    command = [program("ngspice", "ngspice"), "-b", str(netlist)]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    time, voltage = np.loadtxt(tmp_path / "out.txt", unpack=True)
    return np.interp(np.arange(int(seconds * rate)) / rate, time, voltage)


def test_a_coupling_capacitor_lowers_a_low_note_as_its_corner_says(tmp_path):
    # 0.1 uF into 10 kilohms: 1 / (2 pi R C) = 159.155 Hz.
    wave = ngspice(tmp_path, "V1 in 0 SIN(0 0.5 100)\nC1 in out 100n\nR1 out 0 10k", 1.0)
    path = tmp_path / "rc.wav"
    soundfile.write(path, wave, 48_000, subtype="FLOAT")
    corner = 1 / (2 * math.pi * 1e4 * 1e-7)
    expected = 20 * math.log10(0.5) - 10 * math.log10(1 + (corner / 100) ** 2)
    found = measured(path, hertz=100)
    assert only(found, "tone_level").value == pytest.approx(expected, abs=0.01)


def test_one_diode_clips_one_side(tmp_path):
    circuit = "V1 in 0 SIN(0 0.8 441)\nR1 in out 10k\nD1 out 0 DM\n.model DM D(IS=1e-9 N=1.8)"
    wave = ngspice(tmp_path, circuit, 1.0)
    path = tmp_path / "diode.wav"
    soundfile.write(path, wave, 48_000, subtype="FLOAT")
    found = measured(path)
    # The same from whole periods by the discrete Fourier transform.
    lines = np.abs(np.fft.rfft(wave[:48_000]))[441:20_001:441]
    thd = np.sqrt(np.sum(lines[1:] ** 2)) / lines[0]
    assert only(found, "thd", "dB").value == pytest.approx(20 * math.log10(thd), abs=0.05)
    asymmetry = 20 * math.log10((wave.max() - wave.mean()) / (wave.mean() - wave.min()))
    assert only(found, "clip_asymmetry").value == pytest.approx(asymmetry, abs=0.1)
    assert asymmetry < -1


# --- a software instrument


def midi(path: Path, program_number: int, key: int, seconds: float) -> None:
    """A standard MIDI file with one note at 960 ticks a second, without reverb and chorus."""

    def delay(ticks: int) -> bytes:
        digits = [ticks & 0x7F]
        while ticks := ticks >> 7:
            digits.append(0x80 | (ticks & 0x7F))
        return bytes(reversed(digits))

    events = b"\x00\xff\x51\x03\x07\xa1\x20" + bytes([0, 0xC0, program_number])
    events += bytes([0, 0xB0, 91, 0, 0, 0xB0, 93, 0, 0, 0x90, key, 100])
    events += delay(round(960 * seconds)) + bytes([0x80, key, 0]) + delay(480) + b"\xff\x2f\x00"
    header = b"MThd" + struct.pack(">IHHH", 6, 0, 1, 480)
    path.write_bytes(header + b"MTrk" + struct.pack(">I", len(events)) + events)


@pytest.mark.parametrize("key", [60, 69])
def test_a_software_organ_is_in_equal_temperament(tmp_path, key):
    """Reed organ: the release and the silence after it are in the file, and do no harm."""
    fluidsynth = program("fluidsynth", "fluidsynth")
    if not SOUNDFONT.exists():
        pytest.skip("the soundfont is missing: install the Debian package fluid-soundfont-gm")
    score, path = tmp_path / "note.mid", tmp_path / "note.wav"
    midi(score, 80, key, 2.0)  # square lead: a plain, steady wave
    command = [fluidsynth, "-ni", "-q", "-R", "0", "-C", "0", "-g", "0.5", "-r", "48000"]
    command += ["-T", "wav", "-F", str(path), str(SOUNDFONT), str(score)]
    subprocess.run(command, check=True, capture_output=True)
    take = read_take(path, channels=[1])
    found = measure(take, "tone")
    frequency, drift = only(found, "frequency"), only(found, "frequency_drift")
    # Its two oscillators are a few cents apart by design.
    assert abs(1200 * math.log2(frequency.value / (440 * 2 ** ((key - 69) / 12)))) < 12
    assert drift.value < 5
    assert "while the note is held" in (frequency.why or "")
    # The strongest line of the held part, by a padded transform.
    part = take.samples[24_000:84_000, 0]
    spectrum = np.abs(np.fft.rfft(part * np.hanning(len(part)), 1 << 20))
    strongest = np.argmax(spectrum) * 48_000 / (1 << 20)
    assert frequency.value == pytest.approx(strongest, abs=0.2)


@pytest.mark.parametrize("second_db", [-40.0, -80.0])
def test_thd_and_sinad_agree_with_a_converter_analysis_library(tmp_path, second_db):
    # genalyzer, a general library for spectra of converters: one coherent Fourier transform.
    genalyzer = pytest.importorskip("genalyzer", reason="pip install genalyzer genalyzer-fftw")
    rate, frames = 48_000, 1 << 17
    hertz = genalyzer.coherent(frames, rate, 997.0)
    angle = 2 * np.pi * hertz * np.arange(frames) / rate
    share = 10 ** (second_db / 20)
    hiss = 1e-7 * np.random.default_rng(8).standard_normal(frames)
    sound = 0.5 * (np.cos(angle) + share * np.cos(2 * angle + 1) + share / 2 * np.cos(3 * angle))
    path = tmp_path / "tone.wav"
    soundfile.write(path, sound + hiss, rate, subtype="DOUBLE")

    key = f"tone{-second_db:.0f}"
    genalyzer.fa_create(key)
    genalyzer.fa_max_tone(key, "A", genalyzer.FaCompTag.SIGNAL, 0)
    genalyzer.fa_hd(key, 20)
    genalyzer.fa_fsample(key, rate)
    genalyzer.fa_ssb(key, genalyzer.FaSsb.DEFAULT, 0)
    read, _ = soundfile.read(path)
    spectrum = genalyzer.rfft(
        read, 1, frames, genalyzer.Window.NO_WINDOW, genalyzer.RfftScale.DBFS_SIN
    )
    other = genalyzer.fft_analysis(key, spectrum, frames, genalyzer.FreqAxisType.REAL)
    other_thd = 20 * math.log10(other["thd_rss"] / other["signal_rss"])

    found = measured(path)
    # Its sum holds the noise of the harmonics' bins, some -150 dB, and the band to 24 kHz.
    assert only(found, "thd", "dB").value == pytest.approx(other_thd, abs=0.01)
    assert only(found, "sinad", "dB").value == pytest.approx(other["sinad"], abs=0.01)
    assert only(found, "frequency", "Hz").value == pytest.approx(hertz, abs=1e-4)
