"""The simulated unit against textbook formulas for the parts of its circuits, by their values.

Against the circuits themselves: tests/circuits/test_heard.py.
"""

from dataclasses import replace

import numpy as np
import pytest

from sigbench.circuits.heard import LONGEST_OPENING
from sigbench.circuits.instrument import LOAD_OHMS, Parts
from sigbench.circuits.states import SIMULATED
from sigbench.errors import RequestError
from sigbench.interface.base import capture
from sigbench.interface.simulated import (
    ARRIVAL,
    FULL_SCALE_VOLTS,
    REPAIRED,
    Condition,
    SimulatedInterface,
)

RATE = 48_000
QUIET = replace(REPAIRED, noise_volts_per_root_hz=0.0, drift_cents=0.0, drift_db=0.0)
AMPLIFIER_OHMS = 140.0  # 40 ohms of the amplifier and 100 in series, see the netlist
AT_THE_JACK_OHMS = LOAD_OHMS * 100e3 / (LOAD_OHMS + 100e3)  # with the bleeder


def quiet(state: str) -> Condition:
    return replace(QUIET, state=state)


def tone(frequency_hz: float, seconds: float, peak: float = 0.25) -> np.ndarray:
    return peak * np.sin(2 * np.pi * frequency_hz * np.arange(round(seconds * RATE)) / RATE)


def amplitude(signal: np.ndarray, frequency_hz: float) -> float:
    """Peak of a sine at a frequency with whole periods in the signal (discrete Fourier sum)."""
    turns = frequency_hz * np.arange(len(signal)) / RATE
    return float(2 * np.abs(np.mean(signal * np.exp(-2j * np.pi * turns))))


def gain(state: str, frequency_hz: float, channel: int = 2) -> float:
    bench = SimulatedInterface(quiet(state))
    take = capture(bench, seconds=1, settle=1, stimulus=tone(frequency_hz, 2.0))
    return amplitude(take.samples[:, channel - 1], frequency_hz) / 0.25


@pytest.mark.parametrize(("state", "channel"), [("as-received", 2), ("coupling-lost", 1)])
@pytest.mark.parametrize("frequency_hz", [30.0, 100.0, 1000.0])
def test_coupling_capacitor_follows_the_first_order_high_pass(
    state: str, channel: int, frequency_hz: float
) -> None:
    side = SIMULATED[state].sides[channel - 1]
    ohms = AMPLIFIER_OHMS + side.coupling_esr_ohms + 470 + AT_THE_JACK_OHMS
    corner_hz = 1 / (2 * np.pi * ohms * side.coupling_farads)
    high = gain(state, 5000, channel)
    expected = high * np.hypot(1, corner_hz / 5000) / np.hypot(1, corner_hz / frequency_hz)
    # The capacitor before the control, 10 uF into 10 kilohms, takes 0.1 % at 30 Hz, and bending of
    # frequencies by the bilinear transform as much at 1 kHz.
    assert gain(state, frequency_hz, channel) == pytest.approx(expected, rel=5e-3)


def test_a_leaking_capacitor_lets_the_stage_s_middle_through() -> None:
    bench = SimulatedInterface(quiet("coupling-leaky"))
    bench.select("phones")
    volts = np.mean(capture(bench, seconds=1).samples, axis=0) * FULL_SCALE_VOLTS
    ohms = 1e3 * (LOAD_OHMS + 33) / (1e3 + LOAD_OHMS + 33)
    # Half of the rail before it, 2 kilohms of leak, and the load: a divider (textbook).
    assert volts[0] == pytest.approx(7.5 * ohms / (2e3 + ohms), rel=0.02)
    assert abs(volts[1]) < 0.03


def test_resistance_in_one_channel_divides_against_the_load() -> None:
    ohms = AMPLIFIER_OHMS + 470 + AT_THE_JACK_OHMS
    ratio = gain("series-resistance", 1000, 1) / gain("series-resistance", 1000, 2)
    assert ratio == pytest.approx(ohms / (ohms + 25e3), rel=2e-3)


@pytest.mark.parametrize(
    ("state", "ripple_hz", "share"),
    # Full-wave ripple has twice the mains frequency, half-wave that itself (textbook); a sleeve
    # brings the mains frequency and hardly twice that.
    [("reservoir", 100.0, 0.3), ("diode", 50.0, 1.0), ("sleeve", 50.0, 0.02)],
)
def test_hum_has_the_frequency_of_its_cause(state: str, ripple_hz: float, share: float) -> None:
    bench = SimulatedInterface(quiet(state))
    signal = capture(bench, seconds=2).samples[:, 0]
    own, other = amplitude(signal, ripple_hz), amplitude(signal, 150.0 - ripple_hz)
    assert own * FULL_SCALE_VOLTS > 5e-4
    assert other < share * own


def test_a_healthy_unit_hums_far_less_than_one_with_dried_out_reservoirs() -> None:
    healthy = capture(SimulatedInterface(REPAIRED), seconds=2).samples[:, 0]
    dry = capture(SimulatedInterface(quiet("as-received")), seconds=2).samples[:, 1]
    assert amplitude(dry, 100) > 10 * amplitude(healthy, 100)


def test_an_oxidised_sleeve_hums_by_ohm_s_law() -> None:
    parts: Parts = SIMULATED["sleeve"]
    signal = capture(SimulatedInterface(quiet("sleeve")), seconds=1).samples[:, 1]
    volts_rms = amplitude(signal, 50) * FULL_SCALE_VOLTS / np.sqrt(2)
    # The leakage has the contact, 47 kilohms beside it, and both channels with their loads, which
    # take a share of it.
    behind = 470 + AMPLIFIER_OHMS + 0.5
    ohms = 1 / (1 / parts.sleeve_ohms[0] + 1 / 47e3 + 2 / (LOAD_OHMS + behind))
    heard = LOAD_OHMS / (LOAD_OHMS + behind)
    assert volts_rms == pytest.approx(heard * ohms * parts.leakage_amperes, rel=0.04)


def test_rail_meter() -> None:
    good = SimulatedInterface(REPAIRED).rail_volts()
    assert good == pytest.approx({"+15V": 15.0, "-15V": -15.0}, abs=0.02)  # 0.15 ohm at 50 mA
    low = SimulatedInterface(Condition("rail-low")).rail_volts()
    assert low["+15V"] == pytest.approx(4.0, abs=0.05)
    assert low["-15V"] == good["-15V"]
    arrival = SimulatedInterface(ARRIVAL).rail_volts()
    assert 14.0 < arrival["+15V"] < 14.9


def test_the_output_is_cut_at_the_rail_that_is_low() -> None:
    peak = 5.0 / FULL_SCALE_VOLTS
    stimulus = tone(400, 3.0, peak=peak)
    volts = {
        state: capture(
            SimulatedInterface(quiet(state)), seconds=1, settle=2, stimulus=stimulus
        ).samples[:, 0]
        * FULL_SCALE_VOLTS
        for state in ("rail-low", "repaired")
    }
    whole, cut = np.ptp(volts["repaired"]), np.ptp(volts["rail-low"])
    # 1.3 V below the rail of 4 V, into 610 ohms and the load; the mean goes in the capacitor, and
    # a series of 30 terms swings by some per cent at a corner.
    into_load = AT_THE_JACK_OHMS / (AT_THE_JACK_OHMS + AMPLIFIER_OHMS + 470)
    assert whole == pytest.approx(2 * 5.0 * 0.92, rel=0.02)
    assert cut == pytest.approx(whole / 2 + (4.0 - 1.3) * into_load, rel=0.05)
    second, third = (amplitude(volts["rail-low"], n * 400) for n in (2, 3))
    assert second > third / 3
    assert amplitude(volts["repaired"], 800) < 1e-4


def test_clipping_does_not_alias() -> None:
    bench = SimulatedInterface(quiet("off-centre"))
    take = capture(bench, seconds=1, settle=1, stimulus=tone(4999, 2.0, peak=0.4))
    signal = take.samples[:, 0]
    spectrum = np.abs(np.fft.rfft(signal * np.blackman(len(signal))))
    spectrum /= spectrum.max()
    frequency_hz = np.fft.rfftfreq(len(signal), 1 / RATE)
    off_harmonics = np.abs(frequency_hz - 4999 * np.rint(frequency_hz / 4999)) > 5
    audible = (frequency_hz > 500) & (frequency_hz < 20_000)
    # The stop band of the filter begins at 32 kHz: of the 6th harmonic, -60 dB at 30 kHz, some
    # folds back.
    assert 20 * np.log10(spectrum[off_harmonics & audible].max()) < -80
    assert amplitude(signal, 2 * 4999) / amplitude(signal, 4999) > 0.01  # it does clip


def test_a_dry_joint_opens_at_the_times_that_it_tells() -> None:
    bench = SimulatedInterface(replace(quiet("jack"), openings_per_second=3.0), seed=4)
    capture(bench, seconds=0.1)
    take = capture(bench, seconds=5, stimulus=tone(1000, 5.0, peak=0.5))
    open_now = np.zeros(take.frames, dtype=bool)
    truth = bench.openings(1, take=1, seconds=5)
    for start, end in truth:
        open_now[round(start * RATE) : round(end * RATE)] = True
    left, right = take.samples.T
    # 10 megohms into 20 kilohms: 2 in a thousand (divider), from one sample to the next.
    assert np.max(np.abs(left[open_now])) < 0.5 * 2.1e-3
    loud = np.abs(right) > 0.1
    # After it the coupling capacitor has a charge to lose: some millivolts.
    np.testing.assert_allclose(left[~open_now & loud], right[~open_now & loud], atol=1e-3)
    assert 5 < len(truth) < 30  # Poisson, mean 15 less the time spent open
    assert bench.openings(1, take=0, seconds=5) != truth
    assert bench.openings(2, take=1, seconds=5) == ()


def test_a_regulator_s_joint_fades_both_channels_and_both_outputs() -> None:
    condition = replace(quiet("regulator-joint"), openings_per_second=0.5, open_seconds=1.0)
    for output in ("main", "phones"):
        bench = SimulatedInterface(condition, seed=1)
        bench.select(output)
        truth = bench.openings(1, take=0, seconds=20)
        assert truth == bench.openings(2, take=0, seconds=20)
        take = capture(bench, seconds=20, stimulus=tone(1000, 20.0, peak=0.2))
        lengths = [end - start for start, end in truth]
        start, end = truth[int(np.argmax(lengths))]
        rms = take.samples.reshape(-1, RATE // 1000, 2).std(axis=1)  # of each millisecond
        before, early, late = (
            rms[round(1000 * at) - 5 : round(1000 * at)].mean(axis=0)
            for at in (start, start + 0.008, end)
        )
        # 330 ohms and 100 uF: a third of the rail is left after 33 ms (textbook RC), and a note of
        # 2 V passes until then.
        assert np.all(early > 0.7 * before)
        assert np.all(late < 0.6 * before)


def test_a_loose_sleeve_hums_while_it_is_open() -> None:
    bench = SimulatedInterface(replace(quiet("loose-sleeve"), open_seconds=1.0), seed=2)
    signal = capture(bench, seconds=10).samples[:, 1]
    truth = bench.openings(2, take=0, seconds=10)
    start, end = max(truth, key=lambda span: span[1] - span[0])
    part = signal[round(start * RATE) :][: RATE // 5]
    assert end - start > 0.2
    assert amplitude(part, 50) * FULL_SCALE_VOLTS > 0.3  # 80 uA have 20 kilohms and less


def test_openings_follow_their_rate_and_mean_length() -> None:
    mean = 0.02
    condition = Condition("jack", openings_per_second=2.0, open_seconds=mean)
    truth = np.array(SimulatedInterface(condition).openings(1, take=0, seconds=2000))
    # n = 4000: both means known to 1/sqrt(n) = 1.6 %; 5 sigma
    assert len(truth) == pytest.approx(2000 / (1 / 2.0 + mean), rel=0.08)
    lengths = truth[:, 1] - truth[:, 0]
    assert np.mean(lengths) == pytest.approx(mean, rel=0.08)
    assert np.max(lengths) <= LONGEST_OPENING + 1e-9


def test_noise_is_white_with_a_rise_below_its_corner() -> None:
    condition = replace(REPAIRED, noise_volts_per_root_hz=10e-6, noise_corner_hz=100.0)
    take = capture(SimulatedInterface(condition), seconds=20)
    signal = take.samples * FULL_SCALE_VOLTS
    power = np.mean(np.abs(np.fft.rfft(signal, axis=0)) ** 2, axis=1) * 2 / len(signal) / RATE
    frequency_hz = np.fft.rfftfreq(len(signal), 1 / RATE)

    # V/sqrt(Hz)
    def density(low: float, high: float) -> float:
        band = (frequency_hz > low) & (frequency_hz < high)
        clear_of_mains = np.abs(frequency_hz - 50 * np.rint(frequency_hz / 50)) > 1
        return float(np.sqrt(np.mean(power[band & clear_of_mains])))

    assert density(5e3, 15e3) == pytest.approx(10e-6, rel=0.02)
    # sqrt(1 + corner/f); the stairs of the filter ripple by 1 dB
    assert density(8, 12) == pytest.approx(10e-6 * np.sqrt(1 + 100 / 10), rel=0.2)
    # The coupling capacitor, 22 uF into 17 kilohms, and the one before the control take 20 % at
    # 2.5 Hz.
    assert density(2, 3) / density(20, 30) == pytest.approx(0.8 * np.sqrt(41 / 5), rel=0.25)


def test_the_level_of_a_note_and_of_the_idle_noise() -> None:
    bench = SimulatedInterface(REPAIRED)
    idle = capture(bench, seconds=2).samples
    bench.hold(440.0, "saw")
    note = capture(bench, seconds=2).samples
    assert 10 * np.log10(2 * np.mean(note**2)) == pytest.approx(-12.0, abs=0.1)
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

    assert np.max(np.abs(take(0.1))) > 50 * np.max(np.abs(take(0.0)))


def test_turning_the_volume_follows_the_taper() -> None:
    bench = SimulatedInterface(QUIET)
    bench.turn_volume(0.5, 0.5, seconds=1)
    take = capture(bench, seconds=1, settle=0.5, stimulus=tone(1000, 1.5))
    full = gain("repaired", 1000)
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
    take = capture(SimulatedInterface(REPAIRED), seconds=0.5, stimulus=tone(997, 0.5, peak=1.0))
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
