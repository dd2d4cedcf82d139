"""The sleeve that two channels share, against the mesh equation of its loads and a circuit."""

import shutil
import subprocess

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sigbench.measure.common_return import RETURN_LOST, ReturnDetector, without_its_losses
from sigbench.model import Event
from tests.measure import waves

RATE = 48_000
SECONDS = 2.5
T = np.arange(round(SECONDS * RATE)) / RATE


def saw(hertz, t=T, phase=0.0):
    return waves.saw(2 * np.pi * hertz * t + phase, int(8000 / hertz) - 1)


SOUNDS = {
    "two notes, each more to one side": (
        0.3 * saw(110) + 0.1 * saw(164.8),
        0.2 * saw(110) + 0.25 * saw(164.8),
    ),
    "a note in the middle, two others at the sides": (
        0.3 * saw(130.8) + 0.06 * saw(196.0),
        0.3 * saw(130.8) + 0.06 * saw(246.9),
    ),
    "a chorus": tuple(
        0.1
        * sum(saw(f, T + 8e-4 * np.sin(2 * np.pi * 0.7 * T + f + side)) for f in (131, 196, 247))
        for side in (0.0, 1.5)
    ),
}


def open_sleeve(left, right, spans, loads=(10e3, 10e3), noise=1e-4):
    """What arrives: with the sleeve open the loads are in series between the tips (Kirchhoff)."""
    share = loads[0] / sum(loads)
    heard = np.stack([left, right], axis=1)
    for start, end in spans:
        part = heard[round(start * RATE) : round(end * RATE)]
        across = part[:, 0] - part[:, 1]
        part[:, 0], part[:, 1] = share * across, (share - 1) * across
    return heard + noise * np.random.default_rng(4).standard_normal(heard.shape)


def found(samples, rate=RATE):
    detector = ReturnDetector(rate, samples.shape[1])
    return [*detector.feed(samples), *detector.finish()]


@pytest.mark.parametrize("loads", [(10e3, 10e3), (10e3, 22e3)])
@pytest.mark.parametrize("sound", SOUNDS)
def test_an_open_sleeve_is_found_with_its_times(sound, loads):
    spans = [(0.8, 0.83), (1.2, 1.45), (2.0, 2.2)]
    events = found(open_sleeve(*SOUNDS[sound], spans, loads))
    assert [(e.kind, e.channels, e.text) for e in events] == [("dip", (1, 2), RETURN_LOST)] * 3
    assert [e.start for e in events] == pytest.approx([a for a, _ in spans], abs=0.002)
    assert [e.end for e in events] == pytest.approx([b for _, b in spans], abs=0.002)


def test_its_depth_is_the_fall_of_the_power_of_both():
    left, right = SOUNDS["two notes, each more to one side"]
    (event,) = found(open_sleeve(left, right, [(1.2, 1.6)], noise=1e-6))
    # By Parseval: the powers of partials add. They are 0.3 - 0.2 of one note, 0.1 - 0.25 of the
    # other, halved in both channels.
    notes = [np.mean(saw(f) ** 2) for f in (110, 164.8)]
    before = np.dot([0.3**2 + 0.2**2, 0.1**2 + 0.25**2], notes)
    after = 2 * np.dot([0.05**2, 0.075**2], notes)
    assert event.depth == pytest.approx(10 * np.log10(before / after), abs=1.0)


def test_what_is_nearly_all_in_the_middle_is_a_dropout():
    middle = 0.3 * saw(220)
    (event,) = found(open_sleeve(middle, 0.95 * middle + 0.01 * saw(165), [(1.0, 1.3)]))
    assert event.kind == "dropout"
    assert event.depth > 20


def test_a_sleeve_that_stays_open_is_told_at_once_and_lasts_to_the_end():
    samples = open_sleeve(*SOUNDS["a chorus"], [(1.2, SECONDS)])
    detector = ReturnDetector(RATE, 2)
    assert detector.feed(samples[: round(1.26 * RATE)]) == ()
    assert detector.open_since == pytest.approx((1.2, 1.2), abs=0.002)
    assert detector.feed(samples[round(1.26 * RATE) :]) == ()
    (event,) = detector.finish()
    assert event.end == pytest.approx(SECONDS, abs=0.006)


@pytest.mark.parametrize("milliseconds", [3, 7, 12, 18, 40])
def test_a_take_may_end_while_it_opens(milliseconds):
    samples = open_sleeve(*SOUNDS["a chorus"], [(1.2, SECONDS)])
    events = found(samples[: round((1.2 + milliseconds / 1000) * RATE)])
    assert len(events) == (milliseconds > 20)  # what is shorter is not told


def turning(hertz):
    """One channel's note that turns against the other's, as in a chorus of a single sine."""
    return np.stack([np.sin(2 * np.pi * hertz * T), np.sin(2 * np.pi * (hertz + 0.7) * T)], axis=1)


QUIET = {
    "the same in both": np.stack([saw(220), 0.9 * saw(220)], axis=1),
    "opposed from the start": np.stack([saw(220), -saw(220)], axis=1),
    "turning slowly": turning(440),
    "a middle that fades to and fro": np.stack(
        [
            saw(220) * (1 + np.cos(2 * np.pi * 10 * T)) + sign * 0.5 * saw(165, phase=1.0)
            for sign in (1, -1)
        ],
        axis=1,
    ),
    "both gone": np.stack([saw(220), saw(165)], axis=1) * ((T < 1) | (T > 1.4))[:, np.newaxis],
    "one gone": np.stack([saw(220) * ((T < 1) | (T > 1.4)), saw(220)], axis=1),
    "a note in opposite directions struck": np.stack(
        [0.1 * saw(220) + s * saw(165) * np.where(T > 1, np.exp(-(T - 1)), 0) for s in (1, -1)],
        axis=1,
    ),
    "noise": np.random.default_rng(1).standard_normal((len(T), 2)),
    "silence": np.zeros((len(T), 2)),
}


@pytest.mark.parametrize("what", QUIET)
def test_what_sounds_do_by_themselves_is_none(what):
    noise = 1e-4 * np.random.default_rng(2).standard_normal((len(T), 2))
    assert found(0.2 * QUIET[what] + (0 if what == "silence" else noise)) == []


def test_one_channel_has_no_common_return_and_a_second_pair_its_own():
    assert found(0.2 * saw(220)[:, np.newaxis]) == []
    faulty = open_sleeve(*SOUNDS["a chorus"], [(1.2, 1.4)])
    good = open_sleeve(*SOUNDS["a chorus"], [])
    (event,) = found(np.concatenate([good, faulty], axis=1))
    assert event.channels == (3, 4)


@settings(max_examples=15)
@given(st.lists(st.integers(1, 20_000), min_size=1, max_size=12))
def test_blocks_of_any_sizes_give_the_same(sizes):
    samples = open_sleeve(*SOUNDS["a chorus"], [(0.8, 0.85), (1.2, 1.4)])
    expected = found(samples)
    detector, events, at = ReturnDetector(RATE, 2), [], 0
    while at < len(samples):
        for size in sizes:
            events += detector.feed(samples[at : at + size])
            at += size
    assert [*events, *detector.finish()] == expected
    assert len(expected) == 2


def test_what_begins_with_it_is_no_event_of_its_own():
    opened = Event("dip", 1.0, 1.5, (1, 2), 6.0, RETURN_LOST)
    same = Event("dip", 1.004, 9.0, (2,), 5.0)
    other = Event("dropout", 1.3, 1.4, (2,), 40.0)
    click = Event("click", 1.0, 1.0, (1,))
    assert without_its_losses([opened, same, other, click]) == [opened, other, click]


def test_a_headphone_jack_by_ngspice(tmp_path):
    """Two amplifiers behind 33 ohms, a sleeve that opens to 100 megohms, inputs of 10 kilohms."""
    if shutil.which("ngspice") is None:
        pytest.skip("ngspice is not installed: apt-get install ngspice")
    netlist, out, rate = tmp_path / "jack.cir", tmp_path / "out.txt", 24_000
    netlist.write_text(
        "jack\nV1 a 0 SIN(0 1 220)\nV2 b 0 SIN(0 0.5 331)\n"
        "El l 0 VOL='V(a)+0.3*V(b)'\nEr r 0 VOL='0.8*V(a)-V(b)'\n"
        "R1 l tip 33\nR2 r ring 33\nC1 tip s 220p\nC2 ring s 220p\nRl tip s 10k\nRr ring s 10k\n"
        "Vc c 0 PWL(0 1 0.5 1 0.5001 0 0.65 0 0.6501 1)\n"
        "Rs s 0 R='0.05+1e8*(1-V(c))'\n"
        f".control\nset wr_singlescale\ntran {0.25 / rate} 0.9 0 {0.5 / rate}\n"
        f"wrdata {out} v(tip)-v(s) v(ring)-v(s)\nquit\n.endc\n.end\n"
    )
    subprocess.run(["ngspice", "-b", netlist], check=True, capture_output=True, timeout=60)
    time, tip, ring = np.loadtxt(out, unpack=True)
    grid = np.arange(round(0.9 * rate)) / rate
    heard = np.stack([np.interp(grid, time, volts) for volts in (tip, ring)], axis=1)
    heard = 0.2 * heard + 1e-5 * np.random.default_rng(3).standard_normal(heard.shape)
    (event,) = found(heard, rate)
    assert (event.start, event.end) == pytest.approx((0.5, 0.65), abs=0.002)
