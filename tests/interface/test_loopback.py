"""The simulated rig against the closed forms of the parts that it is made of."""

import math
from dataclasses import replace

import numpy as np
import pytest

from sigbench.errors import RequestError
from sigbench.interface.base import capture
from sigbench.interface.loopback import Converters, LoopbackInterface
from sigbench.model import Samples

RATE = 48_000
IDEAL = Converters(
    output_full_scale_dbu=(18.0,),
    input_full_scale_dbu=(18.0,),
    output_noise_dbfs=-math.inf,
    input_noise_dbfs=-math.inf,
    hum_dbfs=-math.inf,
    second_harmonic_db=-math.inf,
    third_harmonic_db=-math.inf,
    coupling_hz=0.0,
    crosstalk_db=-math.inf,
    offset=0.0,
    latency_frames=0,
)


def tone(frequency_hz: float, seconds: float, peak: float = 0.5, rate: int = RATE) -> Samples:
    return peak * np.sin(2 * np.pi * frequency_hz * np.arange(round(seconds * rate)) / rate)


def phasor(signal: Samples, frequency_hz: float, rate: int = RATE) -> complex:
    """A line by least squares over sine, cosine and DC (IEEE 1057's three-parameter fit)."""
    turns = 2 * np.pi * frequency_hz * np.arange(len(signal)) / rate
    model = np.column_stack((np.cos(turns), np.sin(turns), np.ones_like(turns)))
    c, s, _ = np.linalg.lstsq(model, signal, rcond=None)[0]
    return complex(c, -s)


def played(parts: Converters, stimulus: Samples, *, rate: int = RATE, **how: object) -> Samples:
    """A second from the middle of what came back."""
    rig = LoopbackInterface(parts, samplerate=rate, **how)  # type: ignore[arg-type]
    seconds = len(stimulus) / rate
    return capture(rig, seconds=seconds, stimulus=stimulus).samples[rate // 2 : rate // 2 + rate]


def test_ideal_parts_give_back_what_was_played() -> None:
    sent = np.rint(tone(997.0, 2.0) * 2**23) / 2**23
    back = played(IDEAL, sent)
    assert np.max(np.abs(back[:, 0] - sent[RATE // 2 : RATE // 2 + RATE])) < 1e-5  # -110 dB filters
    assert np.array_equal(back * 2**23, np.rint(back * 2**23))


@pytest.mark.parametrize("rate", [44_100, 96_000, 192_000])
def test_gain_follows_from_both_full_scales_and_the_meter_agrees(rate: int) -> None:
    parts = replace(
        IDEAL, output_full_scale_dbu=(18.0, 17.0), input_full_scale_dbu=(20.0, 12.5), coupling_hz=2
    )
    rig = LoopbackInterface(parts, samplerate=rate)
    stimulus = tone(1000.0, 2.0, peak=0.25, rate=rate)
    # +18 dBu is 6.1525 V RMS: 0.7746 V times 10**(18/20).
    assert rig.volts_at(1, stimulus) == pytest.approx(0.25 * 0.77460 * 10**0.9, rel=1e-4)
    back = played(parts, stimulus, rate=rate)
    for channel, gain_db in enumerate((-2.0, 4.5)):
        volts_db = 20 * np.log10(abs(phasor(back[:, channel], 1000.0, rate)) / 0.25)
        assert volts_db == pytest.approx(gain_db, abs=0.002)


def test_the_low_pass_is_flat_to_its_edge_and_halves_at_half_the_rate() -> None:
    top = 0.45 * RATE
    assert abs(phasor(played(IDEAL, tone(top, 2.0))[:, 0], top)) == pytest.approx(0.5, abs=1e-3)
    # Just below half of the rate both filters are near a half each, and so is each image, which
    # lies where the sampled signal does: a quarter and a quarter.
    top = 0.4995 * RATE
    assert abs(phasor(played(IDEAL, tone(top, 2.0))[:, 0], top)) == pytest.approx(0.25, rel=0.05)


@pytest.mark.parametrize("corner_hz", [1.0, 5.0])
def test_coupling_follows_the_first_order_high_pass(corner_hz: float) -> None:
    parts = replace(IDEAL, coupling_hz=corner_hz)
    for hz in (2.0, 20.0):
        back = played(parts, tone(hz, 4.0))
        expected = 0.5 / math.hypot(1, corner_hz / hz)
        assert abs(phasor(back[:, 0], hz)) == pytest.approx(expected, rel=0.02)
    assert not LoopbackInterface(parts).dc_coupled
    assert LoopbackInterface(IDEAL).dc_coupled


@pytest.mark.parametrize("peak_db", [0.0, -20.0])
def test_harmonics_follow_the_level(peak_db: float) -> None:
    parts = replace(
        IDEAL, second_harmonic_db=-60.0, third_harmonic_db=-50.0, input_full_scale_dbu=(24.0,)
    )
    back = played(parts, tone(1000.0, 2.0, peak=10 ** (peak_db / 20)))[:, 0]
    first = abs(phasor(back, 1000.0))
    second = 20 * np.log10(abs(phasor(back, 2000.0)) / first)
    third = 20 * np.log10(abs(phasor(back, 3000.0)) / first)
    assert second == pytest.approx(-60.0 + peak_db, abs=0.2)
    assert third == pytest.approx(-50.0 + 2 * peak_db, abs=0.2)


def test_noise_and_hum_have_the_levels_that_they_were_given() -> None:
    parts = replace(IDEAL, input_noise_dbfs=-90.0, output_noise_dbfs=-90.0)
    rig = LoopbackInterface(parts)

    def noise_dbfs() -> float:
        return float(20 * np.log10(np.std(capture(rig, seconds=2).samples) * np.sqrt(2)))

    assert noise_dbfs() == pytest.approx(-90.0 + 10 * np.log10(2), abs=0.1)
    rig.short_inputs()
    assert noise_dbfs() == pytest.approx(-90.0, abs=0.1)
    rig.unplug()
    assert noise_dbfs() == pytest.approx(-80.0, abs=0.1)
    hum = played(replace(IDEAL, hum_dbfs=-80.0, mains_hz=60.0), tone(1000.0, 2.0))[:, 0]
    assert 20 * np.log10(abs(phasor(hum, 60.0))) == pytest.approx(-80.0, abs=0.01)


def test_cables_go_where_they_are_plugged_in() -> None:
    stimulus = np.column_stack((tone(1000.0, 2.0), tone(1500.0, 2.0)))
    rig = LoopbackInterface(replace(IDEAL, crosstalk_db=-60.0))

    def lines() -> list[list[float]]:
        back = capture(rig, seconds=2, stimulus=stimulus).samples[RATE // 2 : -RATE // 2]
        return [
            [round(float(20 * np.log10(abs(phasor(back[:, c], hz)) * 2 + 1e-9))) for hz in hzs]
            for c, hzs in ((0, (1000.0, 1500.0)), (1, (1000.0, 1500.0)))
        ]

    assert lines() == [[0, -60], [-60, 0]]
    rig.connect({1: 2, 2: 1})
    assert lines() == [[-60, 0], [0, -60]]
    rig.connect({1: 1})
    assert lines()[0][0] == 0
    assert lines()[1] == [-60, pytest.approx(-180, abs=60)]
    rig.connect()
    assert lines() == [[0, -60], [-60, 0]]
    with pytest.raises(RequestError, match="No cable goes from output 3 to input 1"):
        rig.connect({1: 3})


@pytest.mark.parametrize("ppm", [50.0, -200.0])
def test_a_faster_output_clock_raises_the_pitch(ppm: float) -> None:
    back = played(replace(IDEAL, clock_ppm=ppm), tone(1000.0, 2.0))[:, 0]
    halves = [phasor(half, 1000.0) for half in np.split(back, 2)]
    # The phase advances by 2 pi f times the ratio of the clocks in the half second between.
    turned = np.angle(halves[1] / halves[0] * np.exp(-2j * np.pi * 1000.0 * 0.5))
    assert turned / (2 * np.pi * 1000.0 * 0.5) * 1e6 == pytest.approx(ppm, abs=0.1)


def test_latency_is_a_number_of_frames() -> None:
    click = np.zeros(1000)
    click[100] = 0.5
    parts = replace(IDEAL, latency_frames=777)
    back = capture(LoopbackInterface(parts), seconds=0.1, stimulus=click).samples
    assert np.argmax(np.abs(back), axis=0).tolist() == [877, 877]


def test_too_much_level_is_held_at_full_scale() -> None:
    parts = replace(IDEAL, input_full_scale_dbu=(12.0,))
    back = played(parts, tone(1000.0, 2.0, peak=0.9))
    assert back.max() == 1 - 2.0**-23
    assert back.min() == -1.0


def test_what_the_computer_does_reaches_meter_and_take() -> None:
    rig = LoopbackInterface(IDEAL, on_the_way_out=lambda sent, rate: 0.5 * sent)
    stimulus = tone(1000.0, 2.0)
    assert rig.volts_at(1, stimulus) == pytest.approx(0.25 * 0.77460 * 10**0.9, rel=1e-4)
    assert np.max(capture(rig, seconds=1, stimulus=stimulus).samples) == pytest.approx(0.25, 1e-3)
    assert rig.bits == 24
    rig = LoopbackInterface(IDEAL, on_the_way_in=lambda back, rate: back[::-1][: rate // 2])
    take = capture(rig, seconds=1, stimulus=stimulus)
    assert rig.bits is None
    assert np.max(np.abs(take.samples[RATE // 2 :])) == 0.0
    with pytest.raises(RequestError, match="known length"):
        next(rig.stream(seconds=None))


def test_the_same_seed_gives_the_same_takes_and_each_take_its_own_noise() -> None:
    rigs = [LoopbackInterface(seed=3), LoopbackInterface(seed=3), LoopbackInterface(seed=4)]
    first, again, other = (
        capture(rig, seconds=0.3, stimulus=tone(440.0, 0.2)).samples for rig in rigs
    )
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)
    assert not np.array_equal(first, capture(rigs[0], seconds=0.3).samples)
    longer = capture(LoopbackInterface(seed=3), seconds=0.5, stimulus=tone(440.0, 0.2)).samples
    assert np.array_equal(longer[: len(first)], first)


def test_many_channels_run_until_they_are_closed() -> None:
    rig = LoopbackInterface(Converters(coupling_hz=5.0), samplerate=192_000, channels=32)
    blocks = rig.stream(seconds=None, stimulus=tone(1000.0, 0.01, rate=192_000))
    shapes = [next(blocks).samples.shape for _ in range(3)]
    blocks.close()
    assert shapes == [(4096, 32)] * 3


def test_a_rig_that_cannot_be_is_refused() -> None:
    with pytest.raises(RequestError, match="7999 Hz"):
        LoopbackInterface(samplerate=7999)
    with pytest.raises(RequestError, match="1 to 32"):
        LoopbackInterface(channels=33)
    with pytest.raises(RequestError, match="no output 3"):
        LoopbackInterface().volts_at(3, tone(1000.0, 0.1))


def test_a_background_goes_on_under_the_stimulus_and_after_it() -> None:
    rig = LoopbackInterface(seed=3)
    period = tone(1000.0, 0.01, 0.1)
    burst = tone(3000.0, 0.5, 0.4)
    blocks = rig.stream(
        seconds=2.0, stimulus=burst, background=np.column_stack((0 * period, period))
    )
    samples = np.concatenate([block.samples for block in blocks])
    for start in (0.1, 1.0, 1.7):  # during the stimulus, and after it
        part = samples[round(start * RATE) : round((start + 0.2) * RATE)]
        assert abs(phasor(part[:, 1], 1000.0)) == pytest.approx(0.1 * 10 ** (-2 / 20), rel=0.02)
        assert abs(phasor(part[:, 0], 1000.0)) < 1e-3
    with pytest.raises(RequestError, match="known length"):
        next(rig.stream(seconds=None, background=period))
