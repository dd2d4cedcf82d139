"""Travel of a turned control, against pots made of resistances and hands that are uneven."""

import shutil
import subprocess
from dataclasses import replace

import numpy as np
import pytest

from sigbench.measure.scrape import (
    SoundReader,
    learn_sounds,
)
from sigbench.measure.taper import AUDIO, LINEAR, Taper
from sigbench.measure.travel import measure_travel, shafts, turning
from sigbench.measure.turned_level import follow
from tests.measure import pots
from tests.measure.played import rendered
from tests.measure.pots import RATE, Gang, audio, hand, linear, record, saw, sine
from tests.measure.turning import position, turned


@pytest.mark.parametrize(
    ("law", "taper"), [(linear, LINEAR), (audio(0.15), AUDIO)], ids=["linear", "audio"]
)
@pytest.mark.parametrize(
    ("sound", "snr_db"),
    [(sine, 35), (sine, 60), (lambda n: saw(n, 55.0), 45), (saw, 60)],
    ids=["sine 35", "sine 60", "low saw 45", "saw 60"],
)
def test_travel_is_recovered_whatever_the_hand_does(law, taper, sound, snr_db):
    rng = np.random.default_rng(11)
    x = hand(14, rng, sweeps=4)
    gang = Gang(law, load_ohms=1e9)
    found = turned(record(x, (gang,), sound(len(x)), rng, snr_db=snr_db), taper)
    true = position(found, x)
    known = true > max(2.0, found.floor)
    # 1 % of travel is 0.09 dB at the upper end of a linear track; the level is read over 40 ms.
    assert np.quantile(np.abs(found.travel - true)[known], 0.98) < 1.5
    assert len(found.passes) == 4
    assert [p.to_travel > p.from_travel for p in found.passes] == [True, False, True, False]


def test_gang_error_is_right_within_a_tenth_of_a_decibel():
    def mismatch(x):
        return 1.5 * np.sin(2 * np.pi * 0.7 * x) + 0.5

    for law, taper in ((linear, LINEAR), (audio(0.15), AUDIO)):
        rng = np.random.default_rng(3)
        x = hand(16, rng, sweeps=5)
        gangs = (*(pots.mismatched(law, mismatch, sign, load_ohms=1e9) for sign in (1, -1)),)
        found = turned(record(x, gangs, saw(len(x)), rng, snr_db=60), taper)
        assert len(found.gang_error) == 20
        for percent, error in found.gang_error:
            at = np.array([percent / 100])
            true = 20 * np.log10(float(gangs[0].clean(at)[0] / gangs[1].clean(at)[0]))
            assert error.value == pytest.approx(true, abs=0.1), percent


def test_a_balance_control_is_two_shafts_and_an_untouched_channel_none():
    rng = np.random.default_rng(10)
    x = hand(12, rng, sweeps=3)
    up = record(x, (Gang(),), sine(len(x)), rng)[:, 0]
    down = record(1 - x, (Gang(),), sine(len(x)), rng)[:, 0]
    (first, second) = measure_travel(np.stack([up, down], 1), RATE)
    assert first.taper == second.taper == LINEAR
    assert (first.against, second.against) == (2, 1)
    still = sine(len(x)) + 1e-4 * rng.standard_normal(len(x))
    assert [t.channels for t in measure_travel(np.stack([up, down], 1), RATE)] == [(1,), (2,)]
    assert [t.channels for t in measure_travel(np.stack([up, still], 1), RATE)] == [(1,)]


def pan(law, x, rng):
    """Two channels, both worn from 48 to 52 % of the way, where a quarter of the sound is left."""
    bad = (np.abs(x - 0.5) < 0.02) & np.repeat(rng.random(len(x) // 96 + 1) < 0.4, 96)[: len(x)]
    left = np.where(bad, 0.25, 1.0)
    noise = 1e-4 * rng.standard_normal((len(x), 2))
    return np.stack([law(x) * left, law(1 - x) * left], 1) * sine(len(x))[:, np.newaxis] + noise


@pytest.mark.parametrize(
    "law",
    [linear, lambda x: np.sin(np.pi / 2 * x), lambda x: np.sin(np.pi / 2 * x) ** 1.5],
    ids=["6 dB down", "3 dB down", "4.5 dB down"],
)
def test_the_worn_middle_of_a_pan_control_is_found_there(law):
    """The law follows from the channels: what one goes up the other comes down."""
    rng = np.random.default_rng(18)
    x = hand(16, rng, sweeps=4)
    found = measure_travel(pan(law, x, rng), RATE)
    assert [t.against for t in found] == [2, 1]
    for one in found:
        ((start, end),) = [(w.start, w.end) for w in one.gangs[0].worn or ()]
        assert (start, end) == pytest.approx((48, 52), abs=3)


def test_a_pan_control_of_another_law_is_in_no_place():
    rng = np.random.default_rng(18)
    x = hand(16, rng, sweeps=4)
    bent = pan(lambda x: x**0.3, x, rng)
    assert measure_travel(bent, RATE) == ()
    assert measure_travel(pan(linear, x, rng), RATE, taper=AUDIO) == ()


def test_fed_live_the_places_appear_as_the_passes_come():
    """The sound is learnt from the first pass alone; the rest comes in blocks."""
    rng = np.random.default_rng(16)
    x = hand(16, rng, sweeps=4, pauses=0)
    gang = Gang(load_ohms=1e6, worn=((0.55, 0.61, 0.6),))
    samples = record(x, (gang,), sine(len(x)), rng)
    first = 5 * RATE
    (sound,) = learn_sounds(samples[:first], RATE)
    reader = SoundReader(sound)
    seen = []
    for block in np.array_split(samples[:, 0], 40):
        reader.feed(block)
        track = follow(sound, reader.cells(), 1)
        if track.why is None:
            (now,) = (turning(shaft, taper=LINEAR) for shaft in shafts([track]))
            seen.append(now.gangs[0].worn)
    assert seen[0] is None  # too few passes yet
    ((start, end),) = [(w.start, w.end) for w in seen[-1] or ()]
    assert (start, end) == pytest.approx((55, 61), abs=3)


def test_a_worn_wiper_before_an_amplifier_by_ngspice(tmp_path):
    """20 kilohm linear pot, contact resistance, 47 kilohm bias resistor, amplifier with gain 2."""
    if shutil.which("ngspice") is None:
        pytest.skip("ngspice is not installed: apt-get install ngspice")
    rate, seconds = 12_000, 7.5
    turns = [(0, 0), (0.5, 0), (1.3, 0.3), (1.8, 0.35), (2.6, 1), (2.9, 1), (3.6, 0.6), (3.9, 0.58)]
    turns += [(4.9, 0), (5.2, 0), (6.2, 0.65), (7.0, 1), (7.5, 1)]
    times, places = np.array(turns).T
    x = np.interp(np.arange(int(rate * seconds)) / rate, times, places)
    rng = np.random.default_rng(2)
    fine = np.arange(0, seconds, 0.005)
    worn = (np.interp(fine, times, places) > 0.45) & (np.interp(fine, times, places) < 0.53)
    ohms = np.where(
        worn & (rng.random(len(fine)) < 0.4), 80e3 * rng.lognormal(0, 0.5, len(fine)), 1
    )

    def pwl(values):
        points = [f"{t:.6f} {v:.6g}" for t, v in values]
        return "PWL(" + "\n+ ".join(points) + ")"

    moves = np.flatnonzero(np.diff(ohms, prepend=0.0))
    ends = np.append(fine[moves[1:]], seconds)
    contact = [
        point
        for start, end, v in zip(fine[moves], ends, ohms[moves], strict=True)
        for point in ((start, v), (end - 5e-5, v))
    ]
    netlist = tmp_path / "pot.cir"
    step = 1 / (2 * rate)
    netlist.write_text(
        "pot\nV1 in 0 SIN(0 0.2 440)\n"
        f"Vx x 0 {pwl(turns)}\nVc c 0 {pwl(contact)}\n"
        "Rt in w R='20000*(1-V(x))+1'\nRb w 0 R='20000*V(x)+1'\nRw w p R='V(c)'\nRp p 0 47k\n"
        "E1 out 0 p n 1e5\nRf out n 10k\nRg n 0 10k\n"
        f".control\nset wr_singlescale\ntran {step:.9e} {seconds} 0 {step:.9e}\n"
        f"linearize v(out)\nwrdata {tmp_path / 'out.txt'} v(out)\nquit\n.endc\n.end\n"
    )
    subprocess.run(["ngspice", "-b", netlist], check=True, capture_output=True, timeout=60)
    time, volts = np.loadtxt(tmp_path / "out.txt", unpack=True)
    wave = np.interp(np.arange(len(x)) / rate, time, volts)
    wave += 1e-4 * rng.standard_normal(len(wave))
    # Thevenin: the inner resistance at half travel is a quarter of the track, 5 kilohms.
    taper = Taper("linear", 0.5 * 47 / (47 + 5))
    found = turned(wave[:, np.newaxis], taper, rate)
    (worn_travel,) = found.gangs[0].worn or ()
    assert (worn_travel.start, worn_travel.end) == pytest.approx((45, 53), abs=3)


def test_a_software_organ_through_a_worn_pot(tmp_path):
    """Reed organ (General MIDI program 21), a sampled sound that keeps its level."""
    # 27000 ticks at 1920 a second: 14 s
    events = b"\x00\xc0\x14\x00\x90\x39\x64\x81\xd2\x78\x80\x39\x00\x00\xff\x2f\x00"
    header = b"MThd\x00\x00\x00\x06\x00\x00\x00\x01\x03\xc0"
    events = b"\x00\xff\x51\x03\x07\xa1\x20" + events
    midi = header + b"MTrk" + len(events).to_bytes(4, "big") + events
    options = ("-R", "0", "-C", "0", "-g", "0.8")
    sound = rendered(tmp_path, midi, RATE, *options)[round(0.3 * RATE) : 14 * RATE, 0]
    rng = np.random.default_rng(15)
    x = hand(12, rng, sweeps=4)[: len(sound)]
    gang = Gang(audio(0.15), worn=((0.55, 0.62, 0.5),))
    samples = record(x, (gang,), sound[: len(x)], rng, snr_db=50)
    found = turned(samples, AUDIO).gangs[0]
    (worn,) = found.worn or ()
    assert (worn.start, worn.end) == pytest.approx((55, 62), abs=3)
    clean = record(x, (replace(gang, worn=()),), sound[: len(x)], rng, snr_db=50)
    assert turned(clean, AUDIO).gangs[0].worn == ()
