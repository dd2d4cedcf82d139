import shutil
import subprocess

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.measure.tones import covered, note, sine

RATE = 48_000


def harmonic_sum(amplitudes, f, phases=None, seconds=1):
    return sum(
        sine(f * k, RATE, seconds, 0.3 * a, 0.3 * k)
        for k, a in enumerate(amplitudes, start=1)
        if a and f * k < RATE / 2
    )


# THD over the fundamental of ideal waves up to the 9th and 19th harmonic (closed forms).
@pytest.mark.parametrize(
    ("amplitude", "last", "expected"),
    [
        (lambda k: k % 2 / k, 9, 0.428795),
        (lambda k: k % 2 / k, 19, 0.456860),
        (lambda k: 1 / k, 9, 0.734689),
        (lambda k: 1 / k, 19, 0.770496),
    ],
    ids=["square 9", "square 19", "saw 9", "saw 19"],
)
def test_ideal_waves(amplitude, last, expected):
    f = 20_000 / (last + 0.5)  # the band ends after the last
    x = harmonic_sum([amplitude(k) for k in range(1, last + 1)], f)
    thd = note(x, RATE, f)[1].thd
    assert 10 ** (thd.value / 20) == pytest.approx(expected, abs=2e-6)


# A sine clipped at c times its peak: both sides THD and 3rd; one side THD and 2nd (FFT of a
# period with 65,536 points).
@pytest.mark.parametrize(
    ("clip", "both", "third", "one", "second"),
    [
        (0.9, 0.04220, -29.67, 0.03210, -34.94),
        (0.7, 0.13759, -17.50, 0.11076, -21.38),
        (0.5, 0.23294, -12.91, 0.19465, -15.32),
    ],
)
def test_clipped_sines(clip, both, third, one, second):
    x = sine(23.0, RATE, 2)  # so low that what the band and aliasing cut is next to nothing
    symmetric = note(0.5 * np.clip(x, -clip, clip), RATE, 23.0)[1]
    assert 10 ** (symmetric.thd.value / 20) == pytest.approx(both, abs=2e-4)
    assert symmetric.harmonics[1].level.value == pytest.approx(third, abs=0.02)
    assert symmetric.clip_asymmetry.value == pytest.approx(0, abs=0.02)
    sided = note(0.5 * np.minimum(x, clip), RATE, 23.0)[1]
    assert 10 ** (sided.thd.value / 20) == pytest.approx(one, abs=2e-4)
    assert sided.harmonics[0].level.value == pytest.approx(second, abs=0.02)
    assert sided.clip_asymmetry.value < -0.3


@pytest.mark.parametrize("f", [440.17, 997.3, 3333.3])
def test_thd_of_a_dithered_24_bit_signal_down_to_minus_110(f):
    rng = np.random.default_rng(1)
    x = sine(f, RATE, 5, 0.9) + 0.9 * 10 ** (-110 / 20) * sine(2 * f, RATE, 5)
    step = 2.0**-23
    dither = rng.uniform(-0.5, 0.5, (2, len(x))).sum(axis=0)
    x = np.round(x / step + dither) * step
    assert note(x, RATE)[1].thd.value == pytest.approx(-110, abs=0.1)


@pytest.mark.parametrize("f", [27.5, 440.0, 997.0, 5000.3])
def test_own_residual(f):
    distortion = note(sine(f, RATE, 2, 0.5), RATE, f)[1]
    assert distortion.thd.value < -160
    assert distortion.thd_n.value < -160


def test_thd_n_and_harmonics_are_within_their_uncertainty():
    rng = np.random.default_rng(2)
    rows = []
    for _ in range(60):
        f = rng.uniform(300, 900)
        sigma = 1e-3
        x = sine(f, 8000, 1, 0.3) + sine(2 * f, 8000, 1, 3e-3) + sigma * rng.standard_normal(8000)
        d = note(x, 8000, f)[1]
        rest = 3e-3**2 / 2 + sigma**2 * (d.band_hz[1] - 20) / 4000
        rows.append(
            (
                d.thd_n.value - 10 * np.log10(rest / (rest + 0.3**2 / 2)),
                d.thd_n.uncertainty,
                d.harmonics[0].level.value + 40,
                d.harmonics[0].level.uncertainty,
            )
        )
    a, ua, b, ub = np.array(rows).T
    assert covered(a, ua) > 0.88  # 95 % meant; 60 takes scatter by 3 %
    assert covered(b, ub) > 0.88
    assert abs(a.mean()) < 0.05


@settings(max_examples=8)
@given(st.floats(-40, 3), st.integers(0, 400))
def test_gain_and_shift_leave_the_distortion(gain_db, shift):
    x = harmonic_sum([1, 0.01, 0.02, 0.005], 441.7, seconds=0.6)
    x += 1e-5 * np.random.default_rng(3).standard_normal(len(x))
    tone, d = note(x, RATE)
    tone2, d2 = note(x[shift:] * 10 ** (gain_db / 20), RATE)
    assert tone2.level.value - tone.level.value == pytest.approx(gain_db, abs=1e-4)
    assert d2.thd.value == pytest.approx(d.thd.value, abs=0.01)
    # Another stretch of the noise and of the beat with the segments' ends.
    assert d2.thd_n.value == pytest.approx(d.thd_n.value, abs=0.05)


def test_polarity_flips_the_asymmetry_only():
    x = np.minimum(sine(441.7, RATE, 0.5, 0.5), 0.4)
    (a, d), (b, e) = note(x, RATE), note(-x, RATE)
    assert b.level.value == pytest.approx(a.level.value, abs=1e-9)
    assert e.thd.value == pytest.approx(d.thd.value, abs=1e-6)
    assert e.clip_asymmetry.value == pytest.approx(-d.clip_asymmetry.value, abs=1e-6)


def test_diode_clipper_agrees_with_ngspice(tmp_path):
    if shutil.which("ngspice") is None:
        pytest.skip("ngspice is not installed: apt-get install ngspice")
    netlist = tmp_path / "clip.cir"
    out = tmp_path / "out.txt"
    netlist.write_text(
        f"""one diode against ground
V1 in 0 SIN(0 1 1000)
R1 in out 1k
D1 out 0 dm
.model dm D(IS=1e-14)
.options reltol=1e-6
.control
tran 1.0416666666666667u 300m 50m 1.0416666666666667u
linearize v(out)
set wr_singlescale
wrdata {out} v(out)
fourier 1000 v(out)
quit
.endc
.end
"""
    )
    run = subprocess.run(
        ["ngspice", "-b", netlist], cwd=tmp_path, capture_output=True, text=True, timeout=60
    )
    thd = float(run.stdout.split("THD:")[1].split("%")[0])
    x = np.loadtxt(out)[:, 1]
    distortion = note(x - x.mean(), 960_000, 1000)[1]
    first_eight = np.sqrt(sum(10 ** (h.level.value / 10) for h in distortion.harmonics[:8]))
    assert 20 * np.log10(100 * first_eight / thd) == pytest.approx(0, abs=0.2)
    assert distortion.clip_asymmetry.value < -1
