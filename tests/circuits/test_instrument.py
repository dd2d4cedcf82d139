"""The circuit against textbook formulas and its own small-signal analysis; causes of its faults."""

import shutil
from dataclasses import replace

import numpy as np
import pytest

from sigbench.causes.clues import Observation, gather
from sigbench.causes.ranking import rank
from sigbench.causes.records import BY_KEY
from sigbench.checks import measure
from sigbench.checks.rails import measure_rails
from sigbench.circuits import spice
from sigbench.circuits.instrument import LOAD_OHMS, Channel, Parts, netlist
from sigbench.circuits.takes import FULL_SCALE_VOLTS, SAMPLERATE, Recorded, record
from sigbench.measure.estimate import Estimate
from sigbench.measure.response import low_corner
from sigbench.model import CheckSettings, Rail

pytestmark = pytest.mark.skipif(
    shutil.which("ngspice") is None, reason="install the Debian package ngspice"
)


def observed(recorded: Recorded, mains_hz: float, *, rails: bool = True) -> list[Observation]:
    found = []
    for (output, tone), take in recorded.takes.items():
        hertz = {"idle": None, "low": 70.0}.get(tone, 440.0)
        check = "idle" if tone == "idle" else "tone"
        found.append(Observation(output, measure(take, check, CheckSettings(hertz, 440, mains_hz))))
    if rails:
        typed = [Rail(n, float(n.split()[0]), measured_volts=v) for n, v in recorded.rails.items()]
        found.append(Observation("supply", measure_rails(typed)))
    return found


def test_ripple_is_that_of_the_textbook():
    """Peak to peak about I/(2 f C), half-wave I/(f C), less the time of recharging: textbook."""
    farads = 2200e-6
    for diodes, halves in (((0.05,) * 4, 2), ((1e7, 0.05, 0.05, 0.05), 1)):
        parts = Parts(reservoir_farads=(farads, farads), diode_ohms=diodes)
        volts = spice.transient(
            netlist(parts, tones=()), ["v(rawp)"], seconds=0.2, samplerate=SAMPLERATE
        )[round(0.1 * SAMPLERATE) :, 0]
        amperes = parts.digital_amperes + 15 / parts.rail_load_ohms
        whole = amperes / (halves * parts.mains_hz * farads)
        # Recharging takes a fifth to two fifths of the time at such currents.
        assert 0.55 * whole < np.ptp(volts) < 1.02 * whole
        spectrum = np.abs(np.fft.rfft(volts))
        first, second = spectrum[5], spectrum[10]  # 50 and 100 Hz in 0.1 s
        assert (second > 30 * first) if halves == 2 else (first > 1.5 * second)


def test_hum_readings_are_the_circuits_own_lines():
    """Within 0.2 dB of the transient's own discrete Fourier transform."""
    parts = Parts(reservoir_farads=(150e-6, 300e-6), left=Channel(rejection=3e-3))
    recorded = record(parts, np.random.default_rng(1))
    piece = recorded.takes["main", "idle"].samples[: SAMPLERATE // 10, 0]
    line = 2 * abs(np.fft.rfft(piece)[10]) / len(piece)  # amplitude at 100 Hz re full scale
    found = measure(recorded.takes["main", "idle"], "idle", CheckSettings(mains_hz=50.0))
    (hum,) = [r for r in found.readings if r.name == "hum_2x" and r.channel == 1]
    assert hum.state == "ok"
    assert hum.value == pytest.approx(20 * np.log10(line), abs=0.2)


def test_corner_and_capacitance_are_those_of_the_small_signal_analysis():
    farads = 0.1e-6
    parts = Parts(left=Channel(coupling_farads=farads))
    hertz = 1000 * 2.0 ** (np.arange(-20, 13) / 3)
    gain = np.abs(spice.response(netlist(parts, tones=()), ["v(main_l)"], hertz)[:, 0])
    levels = 20 * np.log10(gain / gain[20])
    found = low_corner(list(hertz), [Estimate(float(v), 0.001) for v in levels])
    fine = np.geomspace(10, 1000, 4000)
    curve = np.abs(spice.response(netlist(parts, tones=()), ["v(main_l)"], fine)[:, 0])
    own = fine[np.argmin(np.abs(curve / gain[20] - np.sqrt(0.5)))]
    assert found.value == pytest.approx(own, rel=0.05)
    # RC section, 1/(2 pi R C): textbook, with all that is in series with it in the netlist.
    ohms = 40 + 100 + 0.5 + 470 + LOAD_OHMS * 100e3 / (LOAD_OHMS + 100e3)
    assert 1 / (2 * np.pi * ohms * found.value) == pytest.approx(farads, rel=0.05)


def test_the_loud_note_has_the_level_that_the_parts_give():
    """Divider and gain by hand: pot at half, gain 2, series resistances against the load."""
    recorded = record(Parts(), np.random.default_rng(1))
    found = measure(recorded.takes["main", "loud"], "tone", CheckSettings(frequency_hz=440.0))
    (level,) = [r for r in found.readings if r.name == "tone_level" and r.channel == 1]
    half = 0.5 * 100e3 / (100e3 + 2.5e3)  # unloaded middle of 10 kohm has 2.5 kohm
    peak = 4.0 * half * 2 * LOAD_OHMS / (LOAD_OHMS + 610 * 1.2)
    assert level.value == pytest.approx(20 * np.log10(peak / FULL_SCALE_VOLTS), abs=0.2)


# Values that no draw of the benchmark has, at both mains frequencies.
FAULTS = {
    "reservoir": (Parts(reservoir_farads=(110e-6, 150e-6), left=Channel(rejection=3e-3)), 50.0),
    "rail missing": (Parts(joint_ohms=(0.02, 1e5)), 50.0),
    "coupling lost": (Parts(mains_hz=60.0, right=Channel(coupling_farads=0.06e-6)), 60.0),
    "coupling leaky": (Parts(left=Channel(phones_leak_ohms=4e3)), 50.0),
    "series resistance": (Parts(left=Channel(coupling_esr_ohms=25e3)), 50.0),
    "mute": (Parts(mains_hz=60.0, right=Channel(mute_amperes=4e-6)), 60.0),
    "stuck": (Parts(left=Channel(amplifier_offset_volts=9.0)), 50.0),
    "sleeve": (Parts(sleeve_ohms=(5e3, 0.05)), 50.0),
    "inverter": (Parts(inverter_volts=4e-3, inverter_hz=530.0), 50.0),
    "noisy": (Parts(mains_hz=60.0, left=Channel(noise_volts=8e-4)), 60.0),
    "crossover": (
        Parts(left=Channel(phones_bias_volts=0.2), right=Channel(phones_bias_volts=0.25)),
        50.0,
    ),
    "ground loop": (Parts(leakage_amperes=40e-3, sleeve_ohms=(0.25, 0.25)), 50.0),
}


@pytest.mark.parametrize("key", FAULTS)
def test_a_fault_of_the_circuit_is_named_first(key):
    parts, mains_hz = FAULTS[key]
    ranking = rank(gather(observed(record(parts, np.random.default_rng(3)), mains_hz)))
    assert ranking.causes[0].name == BY_KEY[key].name
    assert ranking.causes[0].score > ranking.healthy
    assert ranking.causes[0].evidence_for


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_a_good_circuit_gives_no_cause(mains_hz):
    parts = replace(Parts(), mains_hz=mains_hz, right=Channel(gang=0.95, noise_volts=9e-6))
    ranking = rank(gather(observed(record(parts, np.random.default_rng(4)), mains_hz)))
    assert ranking.healthy > 0.5
    assert all(c.score < 0.2 for c in ranking.causes)
