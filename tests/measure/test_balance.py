import shutil
import subprocess

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from sigbench.errors import SignalError
from sigbench.measure.balance import (
    Alignment,
    Unknown,
    crosstalk,
    level_difference,
    polarity_and_delay,
)

RATE = 48_000


def tone(f, seconds=1.0, phase=0.3, rate=RATE):
    return np.sin(2 * np.pi * f * np.arange(int(seconds * rate)) / rate + phase)


def hiss(seed, n, db=0.0):
    return np.random.default_rng(seed).standard_normal(n) * 10 ** (db / 20)


@pytest.mark.parametrize("db", [-40.0, -1.0, 0.0, 0.25, 60.0])
def test_level_difference_of_a_known_ratio(db):
    sound = 0.001 * tone(997)
    found = level_difference(sound * 10 ** (db / 20), sound, RATE)
    assert found.value == pytest.approx(db, abs=1e-9)


def test_common_movement_cancels_in_the_uncertainty():
    sound = tone(220, 3.0) * np.exp(-np.arange(3 * RATE) / RATE)  # 26 dB of decay
    found = level_difference(sound, 0.9 * sound, RATE)
    assert found.value == pytest.approx(-20 * np.log10(0.9), abs=1e-9)
    assert found.uncertainty < 1e-6


def test_dc_does_not_count():
    assert level_difference(tone(997) + 0.3, tone(997), RATE).value == pytest.approx(0, abs=1e-6)


@settings(max_examples=20)
@given(st.floats(0.05, 20), st.integers(0, 100))
def test_swapping_the_channels_turns_the_signs(gain, seed):
    a = hiss(seed, 9600)
    b = gain * np.roll(a, 5) + hiss(seed + 1, 9600, -20)
    there, back = level_difference(a, b, RATE), level_difference(b, a, RATE)
    assert there.value == pytest.approx(-back.value, abs=1e-9)
    there, back = polarity_and_delay(a, b, RATE), polarity_and_delay(b, a, RATE)
    assert there.polarity == back.polarity
    assert there.delay.value == pytest.approx(-back.delay.value, abs=4 * there.delay.uncertainty)


def test_level_difference_against_sox(tmp_path):
    if shutil.which("sox") is None:
        pytest.skip("sox is not installed: apt-get install sox")
    import soundfile

    path = tmp_path / "pair.wav"
    command = ["sox", "-R", "-n", "-r", "48000", "-b", "24", "-c", "2", str(path), "synth", "2"]
    subprocess.run([*command, "sine", "440", "sine", "440", "remix", "1v0.5", "2v0.4"], check=True)
    samples, rate = soundfile.read(path)
    found = level_difference(samples[:, 0], samples[:, 1], rate)
    assert found.value == pytest.approx(20 * np.log10(0.5 / 0.4), abs=0.001)


@pytest.mark.parametrize("polarity", [1, -1])
@pytest.mark.parametrize("lag", [-240, -3, 0, 1, 2000])
def test_delay_in_whole_frames_agrees_with_scipy(lag, polarity):
    noise = hiss(3, 3 * RATE)
    a = noise[4000 : 4000 + RATE]
    b = polarity * noise[4000 - lag : 4000 - lag + RATE] + hiss(4, RATE, -20)
    found = polarity_and_delay(a, b, RATE)
    lags = scipy.signal.correlation_lags(RATE, RATE)
    theirs = lags[np.argmax(np.abs(scipy.signal.correlate(b, a)))]
    assert found.polarity == polarity
    assert found.ambiguous_period is None
    assert found.delay.value * RATE == pytest.approx(theirs, abs=0.01)
    assert theirs == lag


def test_fraction_of_a_frame_of_an_allpass_delay():
    # First-order Thiran allpass (Laakso et al., IEEE SP Magazine 1996): delay D at low
    # frequencies, with a = (1 - D)/(1 + D).
    sound = scipy.signal.lfilter(*scipy.signal.butter(4, 0.02), hiss(5, 2 * RATE))
    a = (1 - 1.4) / (1 + 1.4)
    found = polarity_and_delay(sound, scipy.signal.lfilter([a, 1], [1, a], sound), RATE)
    assert found.delay.value * RATE == pytest.approx(1.4, abs=0.005)


def test_a_sine_tells_its_delay_up_to_its_period():
    t = np.arange(RATE) / RATE
    a, b = np.sin(2 * np.pi * 1000 * t), np.sin(2 * np.pi * 1000 * (t - 0.00115))
    found = polarity_and_delay(a, b, RATE)
    assert found.ambiguous_period == pytest.approx(0.001, rel=0.001)
    # A whole period and 0.15 ms later: 0.15 ms is the least that explains it.
    assert (found.polarity, found.delay.value) == (1, pytest.approx(0.00015, abs=1e-6))
    assert polarity_and_delay(a, -a, RATE).polarity == -1


def test_the_stated_delay_uncertainty_is_honest():
    rng = np.random.default_rng(6)
    errors = []
    for _ in range(200):
        noise = rng.standard_normal(12_003)
        a = noise[3:] + 0.3 * rng.standard_normal(12_000)
        b = noise[:-3] + 0.3 * rng.standard_normal(12_000)
        found = polarity_and_delay(a, b, RATE)
        errors.append((found.delay.value - 3 / RATE) / found.delay.uncertainty)
    assert 0.90 <= np.mean(np.abs(errors) < 2) <= 0.99


def test_the_stated_level_uncertainty_is_honest():
    rng = np.random.default_rng(7)
    sound = tone(441)
    truth = 10 * np.log10((0.5 + 0.01) / (0.5 * 0.64 + 0.01))
    inside = []
    for _ in range(200):
        a, b = (g * sound + 0.1 * rng.standard_normal(RATE) for g in (1.0, 0.8))
        found = level_difference(a, b, RATE)
        inside.append(abs(found.value - truth) < 2 * found.uncertainty)
    assert 0.90 <= np.mean(inside) <= 0.99


@pytest.mark.parametrize(
    ("left", "right", "why"),
    [
        (hiss(1, RATE), hiss(2, RATE), "share no signal"),
        (hiss(1, RATE), np.zeros(RATE), "right channel is silent"),
        (np.full(RATE, 0.2), tone(997), "left channel is silent"),
        (np.ones(1), np.ones(1), "shorter"),
    ],
)
def test_no_answer_has_a_reason(left, right, why):
    found = polarity_and_delay(left, right, RATE)
    assert isinstance(found, Unknown)
    assert not found
    assert why in found.why


def test_what_is_no_pair_is_refused():
    with pytest.raises(SignalError, match="one length"):
        level_difference(np.ones(4800), np.ones(4801), RATE)
    with pytest.raises(SignalError, match="no numbers"):
        crosstalk(np.full(4800, np.nan), np.ones(4800), RATE, 997)


def test_crosstalk_of_a_drifting_tone():
    t = np.arange(4 * RATE) / RATE
    phase = 2 * np.pi * (997 * t + 0.5 * np.sin(2 * np.pi * 0.7 * t))
    a = 0.5 * np.sin(phase) + hiss(1, len(t), -80)
    b = 0.5 * 10 ** (-70 / 20) * np.sin(phase + 1) + hiss(2, len(t), -80)
    found = crosstalk(a, b, RATE, 997)
    assert not found.upper_bound
    assert found.value == pytest.approx(-70, abs=2.5 * found.uncertainty)
    assert found.uncertainty < 0.3


def test_the_stated_crosstalk_uncertainty_is_honest():
    rng = np.random.default_rng(8)
    a = tone(997)
    inside = []
    for _ in range(200):
        b = 1e-4 * tone(997, phase=1.0) + 1e-3 * rng.standard_normal(RATE)
        found = crosstalk(a, b, RATE, 997)
        inside.append(abs(found.value + 80) < 2 * found.uncertainty)
    assert 0.90 <= np.mean(inside) <= 0.99


def test_crosstalk_below_the_noise_is_an_upper_bound():
    held = []
    for seed in range(100):
        found = crosstalk(tone(997), 1e-7 * tone(997) + hiss(seed, RATE, -60), RATE, 997)
        held.append(found.value > -140)
        assert found.value < -85
        assert found.upper_bound or found.value < -90
    assert np.mean(held) >= 0.9


def test_crosstalk_without_a_driven_tone_has_no_answer():
    found = crosstalk(hiss(1, RATE), hiss(2, RATE), RATE, 997)
    assert isinstance(found, Unknown)
    assert "no tone" in found.why


def test_crosstalk_through_a_capacitive_path_in_a_circuit(tmp_path):
    # The driven line couples by C into the neighbour's R: |H| = w R C / sqrt(1 + (w R C)^2).
    if shutil.which("ngspice") is None:
        pytest.skip("ngspice is not installed: apt-get install ngspice")
    resistance, capacitance, f = 10e3, 47e-12, 3000.0
    (tmp_path / "path.cir").write_text(
        "stray capacitance between two lines\n"
        f"V1 driven 0 SIN(0 1 {f})\n"
        "R1 driven 0 10k\n"
        f"C1 driven undriven {capacitance}\n"
        f"R2 undriven 0 {resistance}\n"
        ".options reltol=1e-6\n"
        ".control\nset wr_singlescale\n"
        "tran 5u 0.4 0 5u\nlinearize v(driven) v(undriven)\n"
        f"wrdata {tmp_path}/out.data v(driven) v(undriven)\nquit\n.endc\n.end\n"
    )
    subprocess.run(
        ["ngspice", "-b", str(tmp_path / "path.cir")], check=True, capture_output=True, timeout=60
    )
    _, driven, undriven = np.loadtxt(tmp_path / "out.data").T
    found = crosstalk(driven, undriven, 200_000, f)
    x = 2 * np.pi * f * resistance * capacitance
    assert found.value == pytest.approx(20 * np.log10(x / np.sqrt(1 + x * x)), abs=0.05)


def test_alignment_of_a_saw_with_noise_beside():
    n = np.arange(2 * RATE)
    a = (n * 110.3 / RATE) % 1.0
    b = -((n - 4) * 110.3 / RATE % 1.0)
    found = polarity_and_delay(a + hiss(1, len(n), -50), b + hiss(2, len(n), -50), RATE)
    assert isinstance(found, Alignment)
    assert found.polarity == -1
    assert found.delay.value * RATE == pytest.approx(4, abs=0.05)
    assert found.ambiguous_period == pytest.approx(1 / 110.3, rel=1e-3)
