import numpy as np
import pytest

from sigbench.measure.mains import measure_mains
from tests.measure.played import played
from tests.measure.tones import covered, noise, sine

RATE = 8000


@pytest.mark.parametrize(("nominal", "wander_hz"), [(50, 0.0), (50, 0.02), (60, 0.0)])
def test_frequency_and_levels_are_within_their_uncertainty(nominal, wander_hz):
    rng = np.random.default_rng(nominal)
    rows = []
    time = np.arange(6 * RATE) / RATE
    for _ in range(20):
        f = nominal * (1 + rng.uniform(-0.004, 0.004))
        course = f + wander_hz * np.sin(2 * np.pi * time / 20 + rng.uniform(0, 6))
        phase = 2 * np.pi * np.cumsum(course) / RATE
        x = 1e-3 * np.sin(phase) + 4e-4 * np.sin(2 * phase + 1) + 3e-4 * np.sin(3 * phase + 2)
        mains = measure_mains(x + 3e-4 * rng.standard_normal(len(x)), RATE)
        assert mains is not None
        assert mains.frequency is not None
        total = 10 * np.log10(1e-6 + 16e-8 + 9e-8)
        rows.append(
            (
                (mains.frequency.value - course.mean(), mains.frequency.uncertainty),
                (mains.hum_1x.value + 60, mains.hum_1x.uncertainty),
                (mains.hum_2x.value - 20 * np.log10(4e-4), mains.hum_2x.uncertainty),
                (mains.hum_total.value - total, mains.hum_total.uncertainty),
            )
        )
    for column in np.array(rows).transpose(1, 2, 0):
        assert covered(*column) >= 0.83  # 95 % meant; 20 takes scatter by 5 %


@pytest.mark.parametrize("exponent", [0, 1, 2])
def test_noise_holds_no_comb(exponent):
    rng = np.random.default_rng(exponent)
    false = [
        measure_mains(noise(rng, 6000, s, exponent), 6000).frequency is not None
        for s in [0.25, 1, 3] * 33
    ]
    assert sum(false) <= 2  # 1e-3 is meant


def test_no_other_note_passes_for_mains():
    rng = np.random.default_rng(4)
    for f in np.arange(131, 700, 23.3):
        hiss = 1e-5 * rng.standard_normal(2 * RATE)
        single = measure_mains(sine(f, RATE, 2, 0.1) + hiss, RATE)
        series = sum(sine(f * k, RATE, 2, 0.1 / k, k) for k in range(1, 6))
        rich = measure_mains(series + hiss, RATE)
        assert single.frequency is None, f
        assert rich.frequency is None, f


# Of General MIDI Level 1, program and keys: none of these holds any mains.
MOVING = {
    "rotating-speaker organ": (18, (48, 55, 64)),
    "accordion": (21, (35,)),
    "harmonica": (22, (39, 44)),
    "cello, one loop": (42, (45, 54)),
    "cello, two keys": (42, (51, 58, 67)),
    "trumpet": (56, (51,)),
    "voices near 60 Hz": (54, (42, 47)),
}


@pytest.mark.parametrize("name", MOVING)
def test_a_sound_that_moves_holds_no_mains(name, tmp_path):
    program, keys = MOVING[name]
    sound = played(tmp_path, program, keys, 11, 24_000)[12_000:, 0]
    sound += 1e-5 * np.random.default_rng(6).standard_normal(len(sound))
    mains = measure_mains(sound, 24_000)
    assert mains.frequency is None
    assert mains.hum_1x.upper_bound
    assert mains.hum_2x.upper_bound
    assert mains.hum_total.upper_bound


@pytest.mark.parametrize("name", ["rotating-speaker organ", "accordion", "trumpet"])
def test_hum_beside_a_sound_that_moves(name, tmp_path):
    program, keys = MOVING[name]
    sound = played(tmp_path, program, keys, 11, 24_000)[12_000:, 0]
    hum = 0.1 * np.sqrt(2) * np.std(sound)  # its peak: 20 dB below the sound
    mains = measure_mains(sound + sine(50.04, 24_000, len(sound) / 24_000, hum), 24_000)
    level, frequency = mains.hum_1x, mains.frequency
    assert abs(level.value - 20 * np.log10(hum)) < max(0.1, 3 * level.uncertainty)
    assert abs(frequency.value - 50.04) < max(1e-3, 3 * frequency.uncertainty)
    assert level.uncertainty < 1
    assert frequency.uncertainty < 0.05


def test_a_tone_that_moves_has_lines_on_either_side():
    # Amplitude and phase at 5.7 Hz: the lower one lies at 59.7 Hz, and so would that of the mains.
    t = np.arange(12 * RATE) / RATE
    turning = 2 * np.pi * 5.7 * t
    rotor = (1 + 0.02 * np.cos(turning)) * np.sin(2 * np.pi * 65.4 * t + 0.02 * np.sin(turning + 1))
    hiss = 1e-5 * np.random.default_rng(7).standard_normal(len(t))
    assert measure_mains(rotor + hiss, RATE).frequency is None
    hum = measure_mains(rotor + hiss + 0.1 * np.sin(2 * np.pi * 59.98 * t), RATE)
    assert hum.hum_1x.value == pytest.approx(-20, abs=0.5)


@pytest.mark.parametrize("nominal", [50.0, 60.0])
def test_away_from_a_grids_own_frequencies_a_note_is_likelier(nominal):
    # 0.9 % off: a voice with its octaves is a note; a generator's hum has odd lines too.
    t = np.arange(10 * RATE) / RATE
    turns = 2 * np.pi * 1.009 * nominal * t
    hiss = 1e-5 * np.random.default_rng(8).standard_normal(len(t))
    note = sum(np.sin(2 * k * turns + k) / k for k in range(1, 8))
    assert measure_mains(1e-2 * note + hiss, RATE).frequency is None
    assert measure_mains(1e-2 * np.sin(turns) + hiss, RATE).frequency is None
    generator = sum(np.sin(k * turns + k) / k for k in range(1, 8))
    found = measure_mains(1e-2 * generator + hiss, RATE)
    assert found.frequency.value == pytest.approx(1.009 * nominal, abs=0.01)


def test_upper_bounds_hold():
    rng = np.random.default_rng(5)
    bounds = []
    for _ in range(40):
        x = 1e-4 * rng.standard_normal(3 * RATE) + sine(50, RATE, 3, 10 ** (-118 / 20))
        hum = measure_mains(x, RATE, nominal_hz=50.0).hum_1x
        if hum.upper_bound:
            bounds.append(hum.value)
    assert len(bounds) > 30
    assert np.mean(np.array(bounds) >= -118) > 0.85  # 95 % meant


def test_full_wave_ripple_is_at_twice_the_mains():
    # |sin|: lines at 2k times the mains of 4/pi/(4k² - 1) (Fourier series, closed form)
    mains = measure_mains(0.1 * np.abs(sine(50, RATE, 5)), RATE)
    expected = 20 * np.log10(0.1 * 4 / np.pi / 3)
    assert mains.hum_2x.value == pytest.approx(expected, abs=0.01)
    assert mains.hum_1x.upper_bound or mains.hum_1x.value < -90
    assert mains.frequency.value == pytest.approx(50, abs=1e-3)


def test_without_a_comb_no_line_is_hum():
    # 1/f noise: in some takes one line stands out by chance, and is a bound nevertheless.
    rng = np.random.default_rng(9)
    for _ in range(30):
        mains = measure_mains(1e-4 * noise(rng, RATE, 3, 1), RATE)
        assert mains.frequency is None
        assert all(level.upper_bound for level in (mains.hum_1x, mains.hum_2x, mains.hum_total))


def test_too_short_for_ten_cycles():
    assert measure_mains(np.ones(1000), RATE) is None
