"""The simulated unit against the closed forms of the circuits that it is made of."""

import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sigbench.errors import RequestError
from sigbench.interface.base import capture
from sigbench.interface.simulated import (
    AMPLIFIER_HEADROOM_VOLTS,
    AMPLIFIER_OFFSET_VOLTS,
    AMPLIFIER_OUTPUT_OHMS,
    AMPLIFIER_REJECTION_DB,
    ARRIVAL,
    FULL_SCALE_VOLTS,
    LOOP_AMPERES,
    RAW_PEAK_VOLTS,
    REGULATOR_DROPOUT_VOLTS,
    REPAIRED,
    Jack,
    Joint,
    Parts,
    SimulatedInterface,
)

RATE = 48_000
QUIET = replace(REPAIRED, noise_volts_per_root_hz=0.0, drift_cents=0.0, drift_db=0.0)


def tone(frequency_hz: float, seconds: float, peak: float = 0.25) -> np.ndarray:
    return peak * np.sin(2 * np.pi * frequency_hz * np.arange(round(seconds * RATE)) / RATE)


def amplitude(signal: np.ndarray, frequency_hz: float) -> float:
    """Peak of a sine at a frequency with whole periods in the signal (discrete Fourier sum)."""
    turns = frequency_hz * np.arange(len(signal)) / RATE
    return float(2 * np.abs(np.mean(signal * np.exp(-2j * np.pi * turns))))


def with_right(parts: Parts, jack: Jack) -> Parts:
    return replace(parts, main=(parts.main[0], jack))


def gain(parts: Parts, frequency_hz: float, channel: int = 2) -> float:
    take = capture(SimulatedInterface(parts), seconds=1, settle=1, stimulus=tone(frequency_hz, 2.0))
    return amplitude(take.samples[:, channel - 1], frequency_hz) / 0.25


@pytest.mark.parametrize("farads", [22e-6, 1e-6, 100e-9, 10e-9])
@pytest.mark.parametrize("frequency_hz", [5.0, 100.0, 1000.0])
def test_coupling_capacitor_follows_the_first_order_high_pass(
    farads: float, frequency_hz: float
) -> None:
    jack = Jack(coupling_farads=farads, coupling_esr_ohms=200.0)
    total_ohms = AMPLIFIER_OUTPUT_OHMS + 200.0 + jack.load_ohms
    corner_hz = 1 / (2 * np.pi * total_ohms * farads)
    expected = jack.load_ohms / total_ohms / np.hypot(1, corner_hz / frequency_hz)
    # The bilinear transform bends frequencies by (pi f / rate)²/3: 0.14 % at 1 kHz.
    assert gain(with_right(QUIET, jack), frequency_hz) == pytest.approx(expected, rel=2e-3)


def test_the_corner_of_a_dried_out_capacitor_lies_3_db_down() -> None:
    # 0.1 µF into 10 kΩ: 159.2 Hz (textbook), less the source resistance.
    jack = Jack(coupling_farads=0.1e-6, coupling_esr_ohms=0.0)
    corner_hz = round(1 / (2 * np.pi * (10e3 + AMPLIFIER_OUTPUT_OHMS) * 0.1e-6))
    assert corner_hz == 158
    ratio = gain(with_right(QUIET, jack), corner_hz) / gain(with_right(QUIET, jack), 10_000)
    assert 20 * np.log10(ratio) == pytest.approx(-3.01, abs=0.02)


def test_a_leaking_capacitor_lets_the_offset_through() -> None:
    jack = Jack(coupling_leakage_ohms=10e3)
    take = capture(SimulatedInterface(with_right(QUIET, jack)), seconds=1)
    divider = 10e3 / (10e3 + 10e3 + AMPLIFIER_OUTPUT_OHMS + jack.coupling_esr_ohms)
    volts = np.mean(take.samples, axis=0) * FULL_SCALE_VOLTS
    assert volts[1] == pytest.approx(divider * AMPLIFIER_OFFSET_VOLTS, rel=0.01)
    assert abs(volts[0]) < 1e-5


@pytest.mark.parametrize("frequency_hz", [20, 339, 5000])
@pytest.mark.parametrize("leakage_ohms", [20e3, 100e6])
def test_the_output_network_agrees_with_a_circuit_simulator(
    tmp_path: Path, frequency_hz: int, leakage_ohms: float
) -> None:
    if shutil.which("ngspice") is None:
        pytest.skip("needs ngspice: apt-get install ngspice")
    (tmp_path / "output.cir").write_text(
        "output network\n"
        "V1 in 0 AC 1\n"
        f"Rseries in a {AMPLIFIER_OUTPUT_OHMS + 300}\n"
        "Ccoupling a b 47n\n"
        f"Rleakage a b {leakage_ohms}\n"
        "Rload b 0 10k\n"
        f".ac lin 1 {frequency_hz} {frequency_hz}\n"
        ".control\nset numdgt=8\nrun\nprint vm(b)\n.endc\n.end\n"
    )
    printed = subprocess.run(
        ["ngspice", "-b", "output.cir"], cwd=tmp_path, capture_output=True, text=True
    ).stdout
    expected = float(next(line for line in printed.splitlines() if "vm(b) =" in line).split()[-1])
    jack = Jack(coupling_farads=47e-9, coupling_esr_ohms=300.0, coupling_leakage_ohms=leakage_ohms)
    assert gain(with_right(QUIET, jack), frequency_hz) == pytest.approx(expected, rel=2e-3)


def test_load_resistance_divides_against_the_output() -> None:
    low, high = Jack(load_ohms=600.0), Jack(load_ohms=1e6)
    series = AMPLIFIER_OUTPUT_OHMS + low.coupling_esr_ohms
    assert gain(with_right(QUIET, low), 1000) == pytest.approx(600 / (600 + series), rel=1e-4)
    assert gain(with_right(QUIET, high), 1000) == pytest.approx(1.0, abs=2e-4)


@pytest.mark.parametrize(
    ("parts", "ripple_hz", "ripple_volts"),
    [
        # I/(2 f C) full-wave, I/(f C) half-wave (textbook, light ripple)
        (replace(REPAIRED, supply_amperes=0.2, reservoir_farads=1000e-6), 100.0, 2.0),
        (replace(REPAIRED, supply_amperes=0.12, reservoir_farads=500e-6, mains_hz=60.0), 120, 2.0),
        (
            replace(REPAIRED, supply_amperes=0.1, reservoir_farads=1000e-6, diode_open=True),
            50.0,
            2.0,
        ),
    ],
)
def test_reservoir_ripple(parts: Parts, ripple_hz: float, ripple_volts: float) -> None:
    assert parts.ripple_hz == ripple_hz
    assert parts.ripple_volts == pytest.approx(ripple_volts)


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
@pytest.mark.parametrize("diode_open", [False, True])
def test_hum_sits_on_the_ripple_comb(mains_hz: float, diode_open: bool) -> None:
    parts = replace(
        QUIET,
        mains_hz=mains_hz,
        diode_open=diode_open,
        reservoir_farads=220e-6,
        main=(Jack(sleeve_ohms=0.0), Jack(sleeve_ohms=0.0)),
    )
    signal = capture(SimulatedInterface(parts), seconds=2).samples[:, 0]
    ripple_hz = parts.ripple_hz
    lines = [amplitude(signal, n * ripple_hz) for n in range(1, 4)]
    between = amplitude(signal, 1.5 * ripple_hz)
    assert min(lines) > 30 * between
    assert lines[0] > lines[1] > lines[2]


def test_a_regulator_in_dropout_puts_the_sag_of_its_rail_on_the_output() -> None:
    parts = replace(QUIET, reservoir_farads=330e-6, supply_amperes=0.25)
    signal = capture(SimulatedInterface(parts), seconds=1).samples[:, 0] * FULL_SCALE_VOLTS
    trough = RAW_PEAK_VOLTS - 0.25 / (2 * 50 * 330e-6) - REGULATOR_DROPOUT_VOLTS
    sag_at_output = (15.0 - trough) * 10 ** (-AMPLIFIER_REJECTION_DB / 20)
    # The regulator's own leak adds a few per cent; the bandwidth takes a little off the corners.
    assert np.ptp(signal) == pytest.approx(sag_at_output, rel=0.05)


def test_a_healthy_unit_hums_far_less_than_one_with_dried_out_reservoirs() -> None:
    healthy = capture(SimulatedInterface(REPAIRED), seconds=2).samples[:, 0]
    dry = capture(SimulatedInterface(ARRIVAL), seconds=2).samples[:, 1]
    assert amplitude(dry, 100) > 30 * amplitude(healthy, 100)


def test_rail_meter() -> None:
    assert SimulatedInterface(REPAIRED).rail_volts() == {"+15V": 15.0, "-15V": -15.0}
    sagging = replace(REPAIRED, negative_rail_volts=-9.0)
    assert SimulatedInterface(sagging).rail_volts() == {"+15V": 15.0, "-15V": -9.0}
    arrival = SimulatedInterface(ARRIVAL).rail_volts()
    assert 14.0 < arrival["+15V"] < 14.9


@pytest.mark.parametrize(("negative", "symmetric"), [(-6.0, False), (-5.0, True)])
def test_the_output_clips_at_its_rails(negative: float, symmetric: bool) -> None:
    positive = -negative if symmetric else 15.0
    parts = replace(QUIET, positive_rail_volts=positive, negative_rail_volts=negative)
    peak_volts = 0.8 * FULL_SCALE_VOLTS
    take = capture(
        SimulatedInterface(parts), seconds=1, settle=2, stimulus=tone(100, 3.0, peak=0.8)
    )
    volts = take.samples[:, 0] * FULL_SCALE_VOLTS
    into_load = 10e3 / (10e3 + AMPLIFIER_OUTPUT_OHMS + 1.0)
    lowest = negative + AMPLIFIER_HEADROOM_VOLTS
    highest = min(positive - AMPLIFIER_HEADROOM_VOLTS, peak_volts)
    # Swing and time at the flat part are closed forms of a clipped sine; the coupling capacitor
    # takes the mean away, and the band limit rings by some per cent at the corners.
    assert np.ptp(volts) == pytest.approx((highest - lowest) * into_load, rel=0.03)
    flat = np.mean(volts < np.median(np.sort(volts)[:5000]) + 0.1)
    assert flat == pytest.approx(np.arccos(-lowest / peak_volts) / np.pi, abs=0.02)
    second, third = (amplitude(volts, n * 100) for n in (2, 3))
    assert (second < third / 100) if symmetric else (second > third / 3)


def test_clipping_does_not_alias() -> None:
    parts = replace(QUIET, positive_rail_volts=8.0, negative_rail_volts=-8.0)
    take = capture(
        SimulatedInterface(parts), seconds=1, settle=1, stimulus=tone(4999, 2.0, peak=0.8)
    )
    signal = take.samples[:, 0]
    spectrum = np.abs(np.fft.rfft(signal * np.blackman(len(signal))))
    spectrum /= spectrum.max()
    frequency_hz = np.fft.rfftfreq(len(signal), 1 / RATE)
    off_harmonics = np.abs(frequency_hz - 4999 * np.rint(frequency_hz / 4999)) > 5
    audible = (frequency_hz > 500) & (frequency_hz < 20_000)
    assert 20 * np.log10(spectrum[off_harmonics & audible].max()) < -90
    assert amplitude(signal, 3 * 4999) / amplitude(signal, 4999) > 0.01  # it does clip


def test_a_dry_joint_opens_at_the_times_that_it_tells() -> None:
    joint = Joint(openings_per_second=3.0, open_seconds=0.05)
    parts = replace(QUIET, main=(Jack(joint=joint), Jack()))
    bench = SimulatedInterface(parts, seed=4)
    capture(bench, seconds=0.1)
    take = capture(bench, seconds=5, stimulus=tone(1000, 5.0, peak=0.5))
    open_now = np.zeros(take.frames, dtype=bool)
    truth = bench.openings(1, take=1, seconds=5)
    for start, end in truth:
        open_now[round(start * RATE) : round(end * RATE)] = True
    left, right = take.samples.T
    # 10 MΩ open into 10 kΩ: -60 dB, from one sample to the next.
    assert np.max(np.abs(left[open_now])) < 0.5e-3 * 1.01
    loud = np.abs(right) > 0.1
    np.testing.assert_allclose(left[~open_now & loud], right[~open_now & loud], rtol=1e-3)
    assert 5 < len(truth) < 30  # Poisson, mean 15 less the time spent open
    assert bench.openings(1, take=0, seconds=5) != truth
    assert bench.openings(2, take=1, seconds=5) == ()


def test_openings_follow_their_rate_and_mean_length() -> None:
    joint = Joint(openings_per_second=2.0, open_seconds=0.02)
    bench = SimulatedInterface(replace(REPAIRED, main=(Jack(joint=joint), Jack())))
    truth = np.array(bench.openings(1, take=0, seconds=2000))
    # n = 4000: both means known to 1/sqrt(n) = 1.6 %; 5 sigma
    assert len(truth) == pytest.approx(2000 / (1 / 2.0 + 0.02), rel=0.08)
    assert np.mean(truth[:, 1] - truth[:, 0]) == pytest.approx(0.02, rel=0.08)


def test_an_oxidised_sleeve_hums_at_the_mains_frequency() -> None:
    parts = with_right(QUIET, Jack(sleeve_ohms=10.0))
    take = capture(SimulatedInterface(parts), seconds=1)
    volts_rms = amplitude(take.samples[:, 1], 50) * FULL_SCALE_VOLTS / np.sqrt(2)
    assert volts_rms == pytest.approx(10.0 * LOOP_AMPERES, rel=0.01)


def test_noise_is_white_with_a_rise_below_its_corner() -> None:
    parts = replace(
        REPAIRED,
        noise_volts_per_root_hz=10e-6,
        noise_corner_hz=100.0,
        main=(Jack(coupling_farads=1e-3), Jack(coupling_farads=1e-3)),
    )
    take = capture(SimulatedInterface(parts), seconds=20)
    signal = take.samples * FULL_SCALE_VOLTS
    power = np.mean(np.abs(np.fft.rfft(signal, axis=0)) ** 2, axis=1) * 2 / len(signal) / RATE
    frequency_hz = np.fft.rfftfreq(len(signal), 1 / RATE)

    # V/sqrt(Hz)
    def density(low: float, high: float) -> float:
        band = (frequency_hz > low) & (frequency_hz < high)
        clear_of_mains = np.abs(frequency_hz - 50 * np.rint(frequency_hz / 50)) > 1
        return float(np.sqrt(np.mean(power[band & clear_of_mains])))

    divider = 10e3 / (10e3 + AMPLIFIER_OUTPUT_OHMS + 1.0)
    assert density(5e3, 15e3) == pytest.approx(10e-6 * divider, rel=0.02)
    # sqrt(1 + corner/f); the stairs of the filter ripple by 1 dB
    assert density(8, 12) == pytest.approx(10e-6 * np.sqrt(1 + 100 / 10), rel=0.2)
    assert density(2, 3) / density(20, 30) == pytest.approx(np.sqrt(41 / 5), rel=0.25)


def test_the_level_of_a_note_and_of_the_idle_noise() -> None:
    bench = SimulatedInterface(REPAIRED)
    idle = capture(bench, seconds=2).samples
    bench.hold(440.0, "saw")
    note = capture(bench, seconds=2).samples
    assert 10 * np.log10(2 * np.mean(note**2)) == pytest.approx(-12.1, abs=0.1)
    assert -97 < 10 * np.log10(2 * np.mean(idle**2)) < -91
    bench.release()
    assert np.std(capture(bench, seconds=0.5).samples) < 2 * np.std(idle)


def test_a_saw_has_the_harmonics_of_a_saw_and_no_others() -> None:
    bench = SimulatedInterface(QUIET)
    bench.hold(1000.0, "saw")
    signal = capture(bench, seconds=1, settle=0.5).samples[:, 0]
    first = amplitude(signal, 1000)
    for n in range(2, 23):  # Fourier series: 1/n
        assert amplitude(signal, n * 1000) / first == pytest.approx(1 / n, rel=2e-3)
    assert max(amplitude(signal, f) for f in (500, 1500, 23_900)) < 1e-5 * first


def test_a_pulse_has_no_harmonic_at_the_inverse_of_its_duty() -> None:
    bench = SimulatedInterface(QUIET)
    bench.hold(1000.0, "pulse")
    signal = capture(bench, seconds=1, settle=0.5).samples[:, 0]
    assert amplitude(signal, 4000) < 1e-5 * amplitude(signal, 1000)  # duty 1/4
    assert amplitude(signal, 2000) / amplitude(signal, 1000) == pytest.approx(
        np.sin(np.pi / 2) / 2 / np.sin(np.pi / 4), rel=1e-3
    )


def test_a_worn_pot_scratches_when_it_is_turned() -> None:
    def take(wear: float) -> np.ndarray:
        bench = SimulatedInterface(replace(QUIET, pot_wear=wear), seed=2)
        bench.turn_volume(0.2, 0.9, seconds=2)
        return capture(bench, seconds=2).samples[:, 0]

    assert np.max(np.abs(take(0.1))) > 100 * np.max(np.abs(take(0.0)))


def test_turning_the_volume_follows_the_taper() -> None:
    bench = SimulatedInterface(QUIET)
    bench.turn_volume(0.5, 0.5, seconds=1)
    take = capture(bench, seconds=1, settle=0.5, stimulus=tone(1000, 1.5))
    full = gain(QUIET, 1000)
    assert amplitude(take.samples[:, 1], 1000) / 0.25 == pytest.approx(full / 4, rel=1e-4)


def test_the_same_seed_and_actions_give_the_same_takes_and_repeats_scatter() -> None:
    def two_takes(seed: int) -> tuple[np.ndarray, np.ndarray]:
        bench = SimulatedInterface(ARRIVAL, seed=seed)
        bench.hold(220.0, "pulse")
        return capture(bench, seconds=0.3).samples, capture(bench, seconds=0.3).samples

    first, second = two_takes(1)
    np.testing.assert_array_equal(two_takes(1), (first, second))
    assert not np.array_equal(first, second)
    assert not np.array_equal(two_takes(2)[0], first)
    assert not np.array_equal(first[:, 0], first[:, 1])


def test_samples_are_those_of_a_24_bit_converter() -> None:
    parts = replace(REPAIRED, main=(Jack(), Jack()))
    take = capture(SimulatedInterface(parts), seconds=0.5, stimulus=tone(997, 0.5, peak=1.0))
    codes = take.samples * 2**23
    np.testing.assert_array_equal(codes, np.rint(codes))
    assert take.bits == 24
    assert take.source.kind == "simulated"


def test_outputs_and_bad_requests() -> None:
    bench = SimulatedInterface(ARRIVAL)
    bench.hold(100.0)
    left, right = np.std(capture(bench, seconds=0.5).samples, axis=0)
    assert right < 0.5 * left
    bench.select("phones")
    left, right = np.std(capture(bench, seconds=0.5).samples, axis=0)
    assert right == pytest.approx(left, rel=0.01)
    with pytest.raises(RequestError, match="no output 'aux'"):
        bench.select("aux")
    with pytest.raises(RequestError, match="no waveform"):
        bench.hold(440.0, "organ")  # type: ignore[arg-type]
    with pytest.raises(RequestError, match="cannot play 30000 Hz"):
        bench.hold(30_000.0)
    with pytest.raises(RequestError, match="turns between"):
        bench.turn_volume(0, 2, seconds=1)
    with pytest.raises(RequestError, match="does not run at"):
        SimulatedInterface(samplerate=1)


@pytest.mark.parametrize("samplerate", [8000, 44_100, 192_000])
def test_any_rate(samplerate: int) -> None:
    bench = SimulatedInterface(ARRIVAL, samplerate=samplerate)
    bench.hold(440.0, "saw")
    take = capture(bench, seconds=0.2)
    assert take.frames == round(0.2 * samplerate)
    assert np.all(np.isfinite(take.samples))


def test_an_open_capacitor_passes_next_to_nothing() -> None:
    assert gain(with_right(QUIET, Jack(coupling_farads=0.0)), 100) < 1e-3
    broken = replace(QUIET, reservoir_farads=0.0)
    assert SimulatedInterface(broken).rail_volts()["+15V"] < 12
