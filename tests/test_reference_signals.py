"""The reference signals: reproducible, complete, and known independently of their generator."""

import importlib.util
import json
import math
import re
import shutil
import subprocess
import sys
import wave
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal as dsp

from sigbench.verify import load_manifest

FOLDER = Path(__file__).parents[1] / "reference_signals"
MANIFEST = load_manifest(FOLDER)
SIGNALS = {signal.file: signal for signal in MANIFEST.signals}


@pytest.fixture(scope="module")
def generator():
    spec = importlib.util.spec_from_file_location("generate", FOLDER / "generate.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["generate"] = module  # its dataclass looks itself up there
    spec.loader.exec_module(module)
    return module


def samples_of(file):
    return soundfile.read(FOLDER / file, always_2d=True)


def expected(file, name, *, channel=1, unit=None, harmonic=None):
    [row] = [
        row
        for row in SIGNALS[file].expect
        if (row.name, row.channel, row.harmonic) == (name, channel, harmonic)
        and unit in (None, row.unit)
    ]
    return row.value


def test_files_and_manifest_are_regenerated_byte_for_byte(tmp_path):
    subprocess.run([sys.executable, str(FOLDER / "generate.py"), str(tmp_path)], check=True)
    made = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    kept = {path.name: path.read_bytes() for path in FOLDER.iterdir() if path.is_file()}
    del kept["generate.py"], kept[".gitattributes"]
    assert sorted(made) == sorted(kept)
    assert [name for name in made if made[name] != kept[name]] == []


def test_generator_knows_nothing_of_the_analyser():
    source = (FOLDER / "generate.py").read_text(encoding="utf-8")
    imported = set(re.findall(r"^\s*(?:from|import) (\w+)", source, re.M))
    assert imported <= {*sys.stdlib_module_names, "numpy"}


def test_files_are_small():
    assert sum(path.stat().st_size for path in FOLDER.glob("*.wav")) < 12e6


def test_manifest_describes_every_file_as_it_is():
    assert {path.name for path in FOLDER.glob("*.wav")} == set(SIGNALS)
    for file, signal in SIGNALS.items():
        info = soundfile.info(FOLDER / file)
        assert (info.samplerate, info.channels, info.frames) == (
            signal.samplerate,
            signal.channels,
            signal.frames,
        )
        form = "FLOAT" if signal.bits is None else f"PCM_{signal.bits}"
        assert info.subtype == form
        assert signal.description
        assert signal.formula


def test_every_tolerance_has_its_reason():
    manifest = json.loads((FOLDER / "manifest.json").read_text(encoding="utf-8"))
    for signal in manifest["signals"]:
        assert signal["expect"]
        for row in [*signal["expect"], *(signal["expect_events"] or [])]:
            assert len(row["why"]) > 10, (signal["file"], row)


def test_integer_files_read_alike_by_the_standard_library():
    for file, signal in SIGNALS.items():
        if signal.bits is None:
            continue
        with wave.open(str(FOLDER / file)) as audio:
            assert audio.getnframes() == signal.frames
            assert 8 * audio.getsampwidth() == signal.bits
            assert audio.getnchannels() == signal.channels


def test_no_file_clips_but_the_one_that_shall():
    clipping = [
        file
        for file, signal in SIGNALS.items()
        if signal.bits and np.abs(samples_of(file)[0]).max() >= 1 - 2.0 ** (1 - signal.bits)
    ]
    assert clipping == ["clipped-capture.wav"]


# --- the generator's arithmetic -------------------------------------------------------------


def test_polynomial_sine_is_the_sine(generator):
    turns = np.linspace(-3, 3, 60_001)
    # 2 pi turns itself is rounded at 19 rad: 2e-15.
    np.testing.assert_allclose(generator.sine(turns), np.sin(2 * np.pi * turns), atol=5e-15)


def test_raw_integers_are_those_of_pcg64(generator):
    # NEP 19 promises a stable stream of raw integers; these came out of numpy 2.4.
    assert generator.raw("reference", 3).tolist() == [
        11_998_877_801_417_660_956,
        5_268_776_256_975_140_737,
        16_358_030_588_060_307_417,
    ]


def test_noise_is_white_near_gaussian_and_of_exact_level(generator):
    noise = generator.white_noise("test", 200_000, -30.0)
    assert 10 * np.log10(2 * np.mean(noise**2)) == pytest.approx(-30, abs=1e-9)
    kurtosis = np.mean(noise**4) / np.mean(noise**2) ** 2
    assert kurtosis == pytest.approx(3 - 0.1, abs=0.03)  # twelve uniforms: 3 - 1.2/12
    _, density = dsp.welch(noise, 1.0, nperseg=256)
    np.testing.assert_allclose(density[2:-2] / density[2:-2].mean(), 1, atol=0.2)


def test_triangular_dither_has_the_variance_of_its_closed_form(generator):
    dither = generator.triangular("test", 200_000)
    assert np.var(dither) == pytest.approx(1 / 6, rel=0.01)
    assert np.abs(dither).max() < 1


def test_a_weighting_against_the_printed_table(generator):
    # IEC 61672-1, table 3, at exact third-octave centres.
    for exponent, decibels in ((-10, -19.1), (-3, -3.2), (0, 0.0), (4, 1.3), (10, -2.5)):
        frequency = 1000 * 10 ** (exponent / 10)
        assert generator.a_weighting_db(frequency) == pytest.approx(decibels, abs=0.05)


@pytest.mark.parametrize(
    ("level", "both_thd", "third", "top_thd", "second", "top_third"),
    [
        # FFT over one period, 65,536 points.
        (0.99, 0.00286, -58.56, 0.00207, -64.49, -64.58),
        (0.90, 0.04220, -29.67, 0.03210, -34.94, -35.85),
        (0.70, 0.13759, -17.50, 0.11076, -21.38, -24.48),
        (0.50, 0.23294, -12.91, 0.19465, -15.32, -21.34),
    ],
)
def test_clipped_sine_series(generator, level, both_thd, third, top_thd, second, top_third):
    cosine = np.cos(2 * np.pi * np.arange(65_536) / 65_536)
    for both, wave_ in ((True, cosine.clip(-level, level)), (False, cosine.clip(None, level))):
        computed = 2 * np.fft.rfft(wave_).real[1:61] / 65_536
        series = [height for _, height in generator.clipped_lines(level, both=both, highest=60)]
        np.testing.assert_allclose(series, computed, atol=1e-7)
    both = dict(generator.clipped_lines(level, both=True, highest=4001))
    top = dict(generator.clipped_lines(level, both=False, highest=4001))
    assert thd(both) == pytest.approx(both_thd, abs=6e-6)
    assert thd(top) == pytest.approx(top_thd, abs=6e-6)
    assert 20 * math.log10(abs(both[3] / both[1])) == pytest.approx(third, abs=0.006)
    assert 20 * math.log10(abs(top[2] / top[1])) == pytest.approx(second, abs=0.006)
    assert 20 * math.log10(abs(top[3] / top[1])) == pytest.approx(top_third, abs=0.006)


def thd(lines):
    return math.sqrt(sum(height**2 for n, height in lines.items() if n > 1)) / abs(lines[1])


@pytest.mark.parametrize(("highest", "value"), [(3, 0.333333), (9, 0.428795), (19, 0.456860)])
def test_square_series(generator, highest, value):
    assert thd(dict(generator.square_lines(highest))) == pytest.approx(value, abs=1e-6)


def test_triangle_series(generator):
    # The whole sum: sqrt(pi^4/96 - 1).
    assert thd(dict(generator.triangle_lines(999))) == pytest.approx(0.121153, abs=1e-6)


# --- the files, read with numpy, scipy and sox alone ------------------------------------------


def lines_of(samples, frequency_hz, rate, count):
    """Amplitudes of a note's lines by least squares, frequency given."""
    time = np.arange(len(samples)) / rate
    angle = 2 * np.pi * frequency_hz * np.outer(time, np.arange(1, count + 1))
    basis = np.hstack([np.cos(angle), np.sin(angle), np.ones((len(time), 1))])
    fit = np.linalg.lstsq(basis, samples, rcond=None)[0]
    return np.hypot(fit[:count], fit[count : 2 * count])


@pytest.mark.parametrize(
    ("file", "frequency"),
    [
        ("thd-1-percent.wav", 441.37),
        ("thd-0.01-percent.wav", 441.37),
        ("thd-100-db.wav", 441.37),
        ("square.wav", 221.3),
        ("sawtooth.wav", 221.3),
        ("clipped-top-70.wav", 221.3),
    ],
)
def test_harmonics_in_the_files(file, frequency):
    samples, rate = samples_of(file)
    amplitudes = lines_of(samples[: rate // 10, 0], frequency, rate, int(20_000 / frequency))
    distortion = 20 * np.log10(np.linalg.norm(amplitudes[1:]) / amplitudes[0])
    # The dither in so many lines of a tenth of a second lies 45 dB below a THD of -100 dB.
    assert distortion == pytest.approx(expected(file, "thd", unit="dB"), abs=0.03)
    third = 20 * np.log10(amplitudes[2] / amplitudes[0])
    assert third == pytest.approx(expected(file, "harmonics", harmonic=3), abs=0.05)
    level = 20 * np.log10(amplitudes[0])
    assert level == pytest.approx(expected(file, "tone_level"), abs=0.001)


@pytest.mark.parametrize("file", ["sine-997-hz-1-db.wav", "sine-997-hz-60-db.wav", "dc-offset.wav"])
def test_rest_of_a_pure_tone_is_its_dither(file):
    samples, rate = samples_of(file)
    tone, time = samples[:, 0], np.arange(len(samples)) / rate
    angle = 2 * np.pi * expected(file, "frequency") * time
    basis = np.stack([np.cos(angle), np.sin(angle), np.ones(len(tone))], axis=1)
    rest = tone - basis @ np.linalg.lstsq(basis, tone, rcond=None)[0]
    frequencies, density = dsp.welch(rest, rate, nperseg=rate // 4)
    inside = (frequencies >= 20) & (frequencies <= 20_000)
    share = np.sum(density[inside]) * frequencies[1]
    thd_n = 10 * np.log10(share / np.mean((tone - tone.mean()) ** 2))
    assert thd_n == pytest.approx(expected(file, "thd_n"), abs=0.1)


@pytest.mark.parametrize("file", ["white-noise.wav", "imbalance.wav"])
def test_levels_as_sox_reads_them(file):
    if shutil.which("sox") is None:
        pytest.skip("sox is missing: apt install sox")
    name = "tone_level" if file == "imbalance.wav" else "level_rms"
    stats = subprocess.run(
        ["sox", str(FOLDER / file), "-n", "remix", "1", "stats"],
        capture_output=True, text=True, check=True,
    ).stderr  # fmt: skip
    read = {line[:10].strip(): line.split()[-1] for line in stats.splitlines()}
    wanted = expected(file, name) - 3.0103  # sox counts RMS re full scale
    assert float(read["RMS lev dB"]) == pytest.approx(wanted, abs=0.006)


def test_float_file_goes_beyond_full_scale():
    samples, _ = samples_of("float-over-full-scale.wav")
    assert np.abs(samples).max() == pytest.approx(10 ** (3 / 20), abs=1e-4)
    assert 10 * np.log10(2 * np.mean(samples**2)) == pytest.approx(3.0, abs=1e-4)


def test_clipped_file_stands_at_both_end_codes():
    codes, _ = soundfile.read(FOLDER / "clipped-capture.wav", dtype="int16")
    for code in (-32_768, 32_767):
        assert np.sum(codes == code) > 1000


def test_drift_in_the_file_by_its_analytic_signal():
    samples, rate = samples_of("drifting-tone.wav")
    phase = np.unwrap(np.angle(dsp.hilbert(samples[:, 0])))
    step = rate // 20
    frequency = np.diff(phase[step:-step:step]) / (2 * np.pi) * rate / step
    drift = 1200 * np.log2(frequency.max() / frequency.min())
    assert drift == pytest.approx(expected("drifting-tone.wav", "frequency_drift"), abs=0.02)
    assert frequency.mean() == pytest.approx(expected("drifting-tone.wav", "frequency"), abs=0.02)


def test_delay_in_the_file_by_the_phases_of_its_lines():
    samples, rate = samples_of("delay-12.3-samples.wav")
    time = np.arange(len(samples)) / rate
    delays = []
    for number in (1, 2, 3, 5):
        turn = np.exp(-2j * np.pi * number * 110.3 * time) * np.hanning(len(time))
        left, right = turn @ samples
        delays.append(-np.angle(right / left) / (2 * np.pi * number * 110.3))
    np.testing.assert_allclose(delays, 12.3 / rate, atol=2e-8)
    assert expected("delay-12.3-samples.wav", "delay", channel=None) == pytest.approx(12.3 / rate)


def test_pairs_in_the_files():
    samples, _ = samples_of("imbalance.wav")
    difference = 20 * np.log10(np.linalg.norm(samples[:, 0]) / np.linalg.norm(samples[:, 1]))
    assert difference == pytest.approx(1.5, abs=0.001)
    samples, _ = samples_of("inverted-polarity.wav")
    assert np.corrcoef(samples.T)[0, 1] == pytest.approx(-1, abs=1e-6)
    samples, _ = samples_of("crosstalk-60-db.wav")
    difference = 20 * np.log10(np.linalg.norm(samples[:, 1]) / np.linalg.norm(samples[:, 0]))
    assert difference == pytest.approx(-60, abs=0.001)


def test_losses_in_the_file_lie_where_the_manifest_says():
    samples, rate = samples_of("dropouts.wav")
    step = 2.0**-15
    for event in SIGNALS["dropouts.wav"].expect_events:
        inside = samples[math.ceil(event.start * rate) : math.floor(event.end * rate), 0]
        before = samples[int((event.start - 0.1) * rate) : int(event.start * rate), 0]
        depth = 20 * np.log10(np.std(before) / np.std(inside))
        if event.kind == "dropout":
            assert np.abs(inside).max() <= step
        else:
            assert depth == pytest.approx(event.depth, abs=0.1)
        after = samples[math.ceil(event.end * rate) :, 0][: rate // 10]
        assert np.std(after) == pytest.approx(np.std(before), rel=0.02)


def test_hum_and_spurs_in_the_files():
    for file, mains in (("hum-50-hz.wav", 49.97), ("hum-60-hz.wav", 60.02)):
        samples, rate = samples_of(file)
        amplitudes = lines_of(samples[:, 0], mains, rate, 6)
        assert 20 * np.log10(amplitudes[0]) == pytest.approx(expected(file, "hum_1x"), abs=0.05)
        assert 20 * np.log10(amplitudes[1]) == pytest.approx(expected(file, "hum_2x"), abs=0.05)
    samples, rate = samples_of("spurs.wav")
    for row in SIGNALS["spurs.wav"].expect:
        if row.near_hz:
            amplitude = lines_of(samples[:, 0], row.near_hz, rate, 1)[0]
            assert 20 * np.log10(amplitude) == pytest.approx(row.value, abs=row.within)


def test_peak_between_samples_by_sixteenfold_interpolation():
    samples, _ = samples_of("peak-between-samples.wav")
    middle = dsp.resample(samples[:4800, 0] * dsp.windows.tukey(4800, 0.2), 16 * 4800)
    assert 20 * np.log10(np.abs(middle).max()) == pytest.approx(-1.0, abs=0.02)
    peak = 20 * np.log10(np.abs(samples).max())
    assert peak == pytest.approx(expected("peak-between-samples.wav", "level_peak"), abs=0.001)


def test_bursts_are_five_milliseconds_of_five_kilohertz():
    samples, rate = samples_of("bs468-bursts.wav")
    lasting = [np.mean(np.abs(samples[:, c]) > 2.5 / 32_768) * 3.0 for c in range(4)]
    counts = np.array([1, 6, 29, 290])  # 2.9 s hold so many
    # Samples on a zero crossing of the tone are not counted: two in 6.4 of a cycle.
    np.testing.assert_allclose(lasting, 0.005 * counts, rtol=0.2)
    burst = samples[round(0.1 * rate) : round(0.105 * rate), 0]
    assert 10 * np.log10(2 * np.mean(burst**2)) == pytest.approx(-24, abs=0.01)


def test_drifting_tone_is_clean_once_its_drift_is_taken_out():
    samples, rate = samples_of("drifting-tone.wav")
    time = np.arange(len(samples)) / rate
    swing = 440.7 * 0.0017 * 4.0 / (2 * np.pi)
    angle = 2 * np.pi * (440.7 * time - swing * np.cos(2 * np.pi * time / 4.0))
    basis = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    rest = samples[:, 0] - basis @ np.linalg.lstsq(basis, samples[:, 0], rcond=None)[0]
    # The dither over the whole band, q²/4; the band's share of it is in the manifest.
    assert rms_db(rest) == pytest.approx(20 * math.log10(2.0**-24), abs=0.05)
    in_band = rms_db(rest) - rms_db(samples) + 10 * math.log10(19_980 / 24_000)
    assert in_band == pytest.approx(expected("drifting-tone.wav", "thd_n"), abs=0.05)


def rms_db(samples):
    return 10 * math.log10(np.mean(samples**2))
