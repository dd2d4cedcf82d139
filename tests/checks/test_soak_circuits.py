"""Minutes of sound from circuits that change as they warm up.

ngspice gives a twentieth of a second of the circuit in each of a few states. A note of 440 Hz and a
supply of 50 Hz both fit into it in whole cycles, so that it can be repeated; between two states
the sound goes over from one to the other.
"""

import math
import shutil
import subprocess

import numpy as np
import pytest

from sigbench.checks.soak import check_soak
from sigbench.model import CheckSettings, Event, Source, Take, readings_named

NOTE_HZ, MAINS_HZ = 440, 50
RATE, CIRCUIT_RATE = 8000, 48_000
CYCLE = 0.05  # s, 22 cycles of the note
SECONDS = 360
FULL_SCALE = 20.0  # V
SETTINGS = CheckSettings(frequency_hz=float(NOTE_HZ), mains_hz=float(MAINS_HZ))
HUM_HZ = tuple(MAINS_HZ * n for n in range(1, 5))

# An amplifier with gain 11: differential pair, voltage amplifier, emitter follower. Its positive
# rail comes through a joint and also feeds other things, 45 mA of them.
AMPLIFIER = """amplifier behind a joint
.model qn npn(is=1e-14 bf=200 vaf=100 cje=8p cjc=4p tf=0.4n xtb=1.5)
.model qp pnp(is=1e-14 bf=150 vaf=60 cje=8p cjc=4p tf=0.6n xtb=1.5)
Vreg reg 0 SIN(15 0.03 100)
Rj reg rail 0.05
Rothers rail 0 330
Cd rail 0 10u
Vneg neg 0 -15
Vin in 0 SIN(0 0.8 440)
Rtail e neg 14k
Q1 c1 in e qn
Q2 rail fb e qn
R1 rail c1 1.2k
Q3 d c1 rail qp
R3 d neg 7.5k
Cc d c1 100p
Q4 rail d out qn
R4 out neg 4.7k
Rf out fb 10k
Rg fb 0 1k
"""

# A full-wave rectifier, its reservoir, and an emitter follower biased from it.
FOLLOWER = """follower on a reservoir
.model qn npn(is=1e-14 bf=200 vaf=100)
.model dm d(is=1e-9 rs=0.05 n=1.8)
Bwave wave 0 V='abs(18*sin(6.283185307*50*time))'
D1 wave rail dm
Cr rail 0 2000u
Rothers rail 0 330
Vin in 0 SIN(0 2 440)
Cin in b 1u
Rb1 rail b 220k
Rb2 b 0 100k
Q1 rail b out qn
Re out 0 2.2k
"""


def ngspice(tmp_path, netlist, orders):
    if shutil.which("ngspice") is None:
        pytest.skip("ngspice is not installed: apt-get install ngspice")
    path = tmp_path / "circuit.cir"
    commands = "\n".join(["set wr_singlescale", *orders, "quit"])
    path.write_text(f"{netlist}.control\n{commands}\n.endc\n.end\n")
    subprocess.run(
        ["ngspice", "-b", path], check=True, capture_output=True, timeout=60, cwd=tmp_path
    )


def cycles(tmp_path, netlist, changes, settled=0.3):
    """One cycle of the output in each state, at the rate of the take, after so many seconds."""
    step = 1 / CIRCUIT_RATE
    orders = []
    for number, change in enumerate(changes):
        orders += [
            change,
            f"tran {step:.9e} {settled + CYCLE + step} {settled} {step / 2:.9e}",
            f"wrdata out{number}.txt v(out)",
        ]
    ngspice(tmp_path, netlist, orders)
    waves = []
    for number in range(len(changes)):
        time, volts = np.loadtxt(tmp_path / f"out{number}.txt", unpack=True)
        wave = np.interp(settled + np.arange(round(CYCLE * CIRCUIT_RATE)) * step, time, volts)
        # Band-limited exactly, since it repeats; an output of a unit blocks DC.
        lines = np.fft.rfft(wave)[: round(CYCLE * RATE) // 2]
        lines[0] = 0
        frames = round(CYCLE * RATE)
        waves.append(np.fft.irfft(lines, frames) * frames / len(wave) / FULL_SCALE)
    return np.array(waves)


def seconds_of_sound():
    return np.arange(RATE * SECONDS) / RATE


def going_over(waves, states, at):
    """The cycle of a state, which may lie between two."""
    return np.array([np.interp(at, states, samples) for samples in waves.T])


def sound_of(waves, states, at, seed):
    """Sound whose state, at each sample, is `at` among the `states` of the cycles."""
    place = np.interp(at, states, np.arange(float(len(states))))
    lower = np.minimum(place.astype(int), len(states) - 2)
    share = place - lower
    n = np.arange(len(at)) % waves.shape[1]
    noise = 2e-5 * np.random.default_rng(seed).standard_normal(len(at))
    return (1 - share) * waves[lower, n] + share * waves[lower + 1, n] + noise


def level_db(wave):
    """RMS re a full-scale sine (AES17)."""
    return 10 * math.log10(2 * np.mean(wave**2))


def hum_db(wave):
    """Power of the first four mains lines re a full-scale sine."""
    lines = 2 * np.abs(np.fft.rfft(wave)) / len(wave)
    return 10 * math.log10(sum(lines[round(f * CYCLE)] ** 2 for f in HUM_HZ if f % 20 == 0))


def slope(values_at, at):
    """Decibels an hour of the straight line through a course known at moments."""
    return np.polyfit(at / 3600, values_at, 1)[0]


def soak(sound, *marks):
    source = Source("file", None, None, RATE, 1, len(sound))
    return check_soak(Take(sound[:, np.newaxis], RATE, source, marks=marks), SETTINGS)


def one(measurement, name):
    (found,) = readings_named(measurement.readings, name, channel=1)
    return found


def course(measurement, name):
    points = np.array(one(measurement, name).value, dtype=float)
    return points[np.isfinite(points[:, 1])].T


def test_a_joint_in_the_rail_opens_with_warmth(tmp_path):
    """From 200 s on it gains 4 ohms a second: the rail sags until the amplifier clips."""
    ohms = np.array([0.05, 40, 80, 120, 160, 200, 260, 320])
    waves = cycles(tmp_path, AMPLIFIER, [f"alter rj = {r}" for r in ohms])
    levels, hums = ([f(wave) for wave in waves] for f in (level_db, hum_db))
    t = seconds_of_sound()
    opens = 200.0
    joint = np.interp(t, [0, opens, opens + 80, SECONDS], [0.05, 0.05, 320, 320])
    marks = (Event("mark", opens - 9, opens - 9, (), text="warm air on the rail"),)
    measured = soak(sound_of(waves, ohms, joint, 1), *marks)
    # The first that can be told: 3 dB of hum or 0.1 dB of level, from the circuit's own cycles.
    seconds = np.arange(opens, opens + 81)
    now = [going_over(waves, ohms, r) for r in np.interp(seconds, [opens, opens + 80], [0.05, 320])]
    told = [hum_db(w) > hums[0] + 3 or level_db(w) < levels[0] - 0.1 for w in now]
    onset = one(measured, "onset")
    assert onset.value is not None, onset.why
    # Hum is measured in 2 s of every 6 s.
    assert onset.value == pytest.approx(seconds[told.index(True)], abs=6)
    assert onset.value > opens
    assert onset.why.startswith("hum")
    assert "after the mark 'warm air on the rail'" in onset.why
    assert [e.text for e in measured.events if e.kind == "mark"] == ["warm air on the rail"]
    times, values = course(measured, "level_course")
    change = np.mean(values[times > 300]) - np.mean(values[times < 190])
    assert levels[-1] - levels[0] < -0.5
    assert change == pytest.approx(levels[-1] - levels[0], abs=0.02)
    times, values = course(measured, "hum_course")
    change = np.mean(values[times > 300]) - np.mean(values[times < 190])
    assert hums[-1] - hums[0] > 10
    assert change == pytest.approx(hums[-1] - hums[0], abs=1)


def test_a_reservoir_dries_out(tmp_path):
    """From 2000 to 250 uF, by the same share each second: ripple grows as one over it."""
    farads = np.geomspace(250e-6, 2000e-6, 9)
    waves = cycles(tmp_path, FOLLOWER, [f"alter cr = {c:.6e}" for c in farads], settled=0.6)
    t = seconds_of_sound()
    measured = soak(sound_of(waves, farads, 2000e-6 * 8 ** (-t / SECONDS), 2))
    whole = np.arange(0, SECONDS + 1.0)
    true = np.interp(2000e-6 * 8 ** (-whole / SECONDS), farads, [hum_db(wave) for wave in waves])
    assert true[-1] - true[0] == pytest.approx(20 * math.log10(8), abs=3)
    trend = one(measured, "hum_trend")
    assert trend.value == pytest.approx(slope(true, whole), rel=0.05)
    assert trend.why is None
    assert one(measured, "onset").value is None


def test_a_coupling_capacitor_dries_out(tmp_path):
    """From 1 uF to 20 nF into 10 kilohms, by the same share each second."""
    farads = np.geomspace(20e-9, 1e-6, 12)
    circuit = "coupling\nVin in 0 AC 1\nCc in out 1u\nRl out 0 10k\n"
    orders = []
    for number, c in enumerate(farads):
        orders += [f"alter cc = {c:.6e}", f"ac lin 1 {NOTE_HZ} {NOTE_HZ}"]
        orders += [f"wrdata out{number}.txt v(out)"]
    ngspice(tmp_path, circuit, orders)
    found = [np.loadtxt(tmp_path / f"out{n}.txt", ndmin=2)[0, 1:3] for n in range(len(farads))]
    gains = np.array([complex(*pair) for pair in found])
    n = np.arange(round(CYCLE * RATE))
    waves = 0.2 * np.imag(gains[:, np.newaxis] * np.exp(2j * np.pi * NOTE_HZ * n / RATE))
    t = seconds_of_sound()
    measured = soak(sound_of(waves, farads, 1e-6 * 50 ** (-t / SECONDS), 3))
    whole = np.arange(0, SECONDS + 1.0)
    levels = 20 * np.log10(0.2 * np.abs(gains))
    true = np.interp(np.log(1e-6 * 50 ** (-whole / SECONDS)), np.log(farads), levels)
    trend = one(measured, "level_trend")
    assert slope(true, whole) < 0
    assert trend.value == pytest.approx(slope(true, whole), rel=0.05)
    assert trend.why is None
    assert one(measured, "onset").value is None


def test_a_sound_amplifier_warms_up(tmp_path):
    """From 25 to 60 degrees Celsius: what little moves is the circuit's own."""
    degrees = np.array([25.0, 35, 45, 60])
    waves = cycles(tmp_path, AMPLIFIER, [f"set temp = {d:g}" for d in degrees])
    t = seconds_of_sound()
    warmth = 60 - 35 * np.exp(-t / 90)
    measured = soak(sound_of(waves, degrees, warmth, 4))
    assert one(measured, "onset").value is None
    whole = np.arange(0, SECONDS + 1.0)
    levels = [level_db(wave) for wave in waves]
    true = slope(np.interp(60 - 35 * np.exp(-whole / 90), degrees, levels), whole)
    trend = one(measured, "level_trend")
    assert abs(true) < 0.05  # dB/h: a few thousandths of a decibel, which are there
    assert trend.value == pytest.approx(true, abs=max(0.003, 3 * trend.uncertainty))
    for name in ("pitch", "hum", "noise"):
        assert "not told from chance" in one(measured, f"{name}_trend").why
    assert one(measured, "dropouts").value == 0
