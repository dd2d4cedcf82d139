import shutil
import subprocess
from functools import cache

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from sigbench.errors import SignalError
from sigbench.measure.hum_burst import HumBurstDetector, find_hum_bursts
from tests.measure import waves
from tests.measure.played import played

RATE = 48_000
EDGE_SECONDS = 0.008


def noisy(sound, rms, seed=0):
    return sound + rms * np.random.default_rng(seed).standard_normal(len(sound))


def needs(program, package):
    if shutil.which(program) is None:
        pytest.skip(f"{program} is not installed: apt-get install {package}")


def hum(t, f, level_db):
    """Mains hum with odd harmonics, of so many dB re full scale."""
    parts = (1.0, 0.2, 0.5, 0.0, 0.3, 0.0, 0.1)
    return 10 ** (level_db / 20) * waves.harmonics(2 * np.pi * f * t + 1, parts)


def notes(t):
    return {
        "silence": 0 * t,
        "middle C": 0.3 * np.sin(2 * np.pi * 261.63 * t),
        "A4 saw": 0.3 * (440 * t % 1.0 - 0.5),
        "chord": 0.1 * sum(np.sin(2 * np.pi * f * t) for f in (220.0, 277.2, 329.6, 440.0)),
        "G2, 2 % below 100 Hz": 0.3 * np.sin(2 * np.pi * 98.0 * t),
    }


@pytest.mark.parametrize("note", notes(np.zeros(1)))
@pytest.mark.parametrize("mains", [49.5, 50.0, 50.4, 59.5, 60.3])
def test_bursts_are_found_with_their_edges(note, mains):
    t = np.arange(7 * RATE) / RATE
    sound = notes(t)[note]
    truth = [(1.5, 1.56), (2.8, 2.9), (4.2, 4.7)]
    level = -20 if note.startswith("G2") else -30  # a low note spills over into the first lines
    for start, end in truth:
        inside = (t >= start) & (t < end)
        sound[inside] += hum(t[inside], mains, level)
    events = find_hum_bursts(noisy(sound, 1e-4)[:, np.newaxis], RATE)
    assert [e.kind for e in events] == ["hum_burst"] * 3
    for event, (start, end) in zip(events, truth, strict=True):
        assert event.start == pytest.approx(start, abs=EDGE_SECONDS)
        assert event.end == pytest.approx(end, abs=EDGE_SECONDS)
        assert event.depth >= 10


def test_depth_is_the_rise():
    # Hum that is always there, and 20 dB more of it for a while.
    t = np.arange(5 * RATE) / RATE
    gain = np.where((t >= 2.5) & (t < 3.0), 10.0, 1.0)
    take = noisy(gain * hum(t, 50.1, -60), 1e-6)[:, np.newaxis]
    (event,) = find_hum_bursts(take, RATE)
    assert event.depth == pytest.approx(20, abs=0.5)
    assert find_hum_bursts(noisy(gain**0.4 * hum(t, 50.1, -60), 1e-6)[:, None], RATE) == ()


@pytest.mark.parametrize("rate", [8000, 44_100, 96_000, 192_000])
def test_any_sample_rate(rate):
    t = np.arange(4 * rate) / rate
    sound = 0.3 * np.sin(2 * np.pi * 440 * t) + hum(t, 50, -30) * ((t >= 2) & (t < 2.2))
    (event,) = find_hum_bursts(noisy(sound, 1e-4)[:, np.newaxis], rate)
    assert event.start == pytest.approx(2.0, abs=EDGE_SECONDS)
    assert event.end == pytest.approx(2.2, abs=EDGE_SECONDS)


def test_channels_that_hum_together_are_one_event():
    t = np.arange(6 * RATE) / RATE
    first, second = (t >= 2) & (t < 2.3), (t >= 4) & (t < 4.3)
    take = np.column_stack([hum(t, 50, -40) * (first | second), hum(t, 50, -50) * first])
    take += 1e-5 * np.random.default_rng(0).standard_normal(take.shape)
    assert [e.channels for e in find_hum_bursts(take, RATE)] == [(1, 2), (1,)]


def test_hum_that_stays_is_told_and_becomes_usual():
    t = np.arange(16 * RATE) / RATE
    sound = hum(t, 50, -40) * (t >= 2) + hum(t, 50, -15) * ((t >= 11) & (t < 11.2))
    stays, more = find_hum_bursts(noisy(sound, 1e-5)[:, np.newaxis], RATE)
    assert stays.start == pytest.approx(2.0, abs=EDGE_SECONDS)
    assert 4.5 < stays.end - stays.start < 5.5
    assert more.start == pytest.approx(11.0, abs=EDGE_SECONDS)
    cut = noisy(hum(t, 50, -40) * (t >= 15.5), 1e-5)[:, np.newaxis]
    (event,) = find_hum_bursts(cut, RATE)
    assert event.end == 16.0


@cache
def take_and_events():
    t = np.arange(5 * RATE) / RATE
    take = np.column_stack(
        [
            0.3 * np.sin(2 * np.pi * 440 * t) + hum(t, 50, -30) * ((t >= 1.5) & (t < 1.8)),
            hum(t, 60.2, -50) * ((t >= 2.5) & (t < 2.6)) + hum(t, 50, -40) * (t >= 4),
        ]
    )
    take += 1e-4 * np.random.default_rng(0).standard_normal(take.shape)
    return take, find_hum_bursts(take, RATE)


# Frame by frame alone it would take seconds, and be no other than with some larger ones among.
@settings(max_examples=8)
@given(st.lists(st.integers(1, 30_000), min_size=1, max_size=10).filter(lambda s: np.mean(s) > 30))
@example([1, 1, 1, 120])
def test_blocks_of_any_sizes_give_identical_events(sizes):
    take, whole = take_and_events()
    assert len(whole) == 3
    detector = HumBurstDetector(RATE, 2)
    events, at, turn = [], 0, 0
    while at < len(take):
        size = sizes[turn % len(sizes)]
        events += detector.feed(take[at : at + size])
        at, turn = at + size, turn + 1
    assert (*events, *detector.finish()) == whole


@pytest.mark.parametrize("frames", [480, 12 * RATE])
def test_a_burst_on_two_channels_is_one_event_however_large_the_blocks(frames):
    # The channels differ in level and noise: one tells of a burst some steps before the other.
    t = np.arange(12 * RATE) / RATE
    note = 0.3 * np.sin(2 * np.pi * 440 * t)
    inside = (t > 1) & (t % 1.1 < np.where(t < 6, 0.06, 0.1))
    strong = noisy(note + inside * hum(t, 50.1, -20), 3e-3)
    weak = noisy(0.5 * note + inside * hum(t, 50.1, -35), 1e-4, seed=1)
    take = np.column_stack([strong, weak])
    detector = HumBurstDetector(RATE, 2)
    events = [e for at in range(0, len(t), frames) for e in detector.feed(take[at : at + frames])]
    events += detector.finish()
    assert [(round(e.start, 1), e.channels) for e in events] == [
        (round(1.1 * k, 1), (1, 2)) for k in range(1, 11)
    ]


@pytest.mark.parametrize("end", np.linspace(2.0, 2.018, 7))
def test_a_burst_is_told_within_100_ms_of_its_end(end):
    t = np.arange(3 * RATE) / RATE
    take = noisy(hum(t, 50, -30) * ((t >= 1.7) & (t < end)), 1e-4)[:, np.newaxis]
    detector = HumBurstDetector(RATE, 1)
    for start in range(0, len(take), 48):
        if detector.feed(take[start : start + 48]):
            break
    assert (start + 48) / RATE - end <= 0.100


@cache
def faultless():
    t = np.arange(8 * RATE) / RATE
    since = t % 2.0
    rng = np.random.default_rng(3)
    return {
        "A1 struck": np.sin(2 * np.pi * 55 * t) * np.exp(-2 * since),
        "A1 gated": np.sin(2 * np.pi * 55 * t) * (since < 1),
        "G2 gated": np.sin(2 * np.pi * 98 * t) * (since < 1),
        "D3 saw gated": (146.83 * t % 1.0 - 0.5) * (since < 1),
        "F4, 7 times 49.9 Hz, gated": np.sin(2 * np.pi * 349.23 * t) * (since < 1),
        "beating": np.sin(2 * np.pi * 100.2 * t) + np.sin(2 * np.pi * 101.4 * t),
        "bass with tremolo": np.sin(2 * np.pi * 103.8 * t) * (1 + 0.9 * np.sin(2 * np.pi * 6 * t)),
        "noise": rng.standard_normal(len(t)),
        "noise hits": rng.standard_normal(len(t)) * (since < 0.2),
        "steady hum": hum(t, 50, -20),
        "thump": np.exp(-since / 0.1),
    }


@pytest.mark.parametrize("name", faultless())
def test_notes_and_noise_are_no_hum(name):
    sound = faultless()[name]
    assert find_hum_bursts(noisy(sound, 1e-3 * np.std(sound))[:, np.newaxis], RATE) == ()


@pytest.mark.parametrize("signal", [np.zeros(RATE), np.zeros(1), np.zeros(0), np.full(RATE, 0.3)])
def test_nothing_gives_no_events(signal):
    assert find_hum_bursts(signal[:, np.newaxis], RATE) == ()


def test_bad_input_is_refused():
    with pytest.raises(SignalError, match="no numbers"):
        find_hum_bursts(np.full((RATE, 1), np.nan), RATE)
    with pytest.raises(SignalError, match="frames, channels"):
        find_hum_bursts(np.zeros(RATE), RATE)
    with pytest.raises(SignalError, match="2 channels"):
        HumBurstDetector(RATE, 2).feed(np.zeros((100, 1)))
    with pytest.raises(SignalError, match="3000 Hz"):
        HumBurstDetector(2000, 1)


def test_hum_that_goes_on_is_told_within_100_ms():
    t = np.arange(4 * RATE) / RATE
    sound = 0.3 * np.sin(2 * np.pi * 261.63 * t)
    take = np.column_stack([sound, sound + hum(t, 50.1, -40) * ((t >= 2) & (t < 3))])
    take += 1e-5 * np.random.default_rng(0).standard_normal(take.shape)
    detector = HumBurstDetector(RATE, 2)
    since = {}
    for start in range(0, len(take), 480):
        detector.feed(take[start : start + 480])
        since[start + 480] = detector.open_since
    told = [at / RATE for at, one in since.items() if one[1] is not None]
    assert told[0] <= 2.1
    assert 3.0 <= told[-1] <= 3.1
    assert {one[0] for one in since.values()} == {None}
    assert since[int(2.5 * RATE)][1] == pytest.approx(2.0, abs=EDGE_SECONDS)


def pad(t, seed=0):
    """A chord of three notes of five detuned saws each, without its highest partials."""
    rng = np.random.default_rng(seed)
    sound = np.zeros(len(t))
    for f in (130.81, 164.81, 196.0):
        for _ in range(5):
            detuned = f * (1 + rng.uniform(-0.006, 0.006))
            drift = 0.05 * np.sin(2 * np.pi * rng.uniform(0.1, 0.7) * t + rng.uniform(0, 6))
            sound += (detuned * t + drift + rng.uniform()) % 1.0 - 0.5
    return np.convolve(sound, np.hanning(48) / 24)[: len(t)] / 15


@pytest.mark.parametrize(("below", "length"), [(20, 0.1), (30, 0.25), (30, 1.0)])
@pytest.mark.parametrize("mains", [49.8, 60.1])
def test_hum_far_below_a_chorused_pad(below, length, mains):
    t = np.arange(int(4.5 * RATE)) / RATE
    sound = pad(t)
    inside = (t >= 2.5) & (t < 2.5 + length)
    level = 20 * np.log10(np.std(sound[inside]) * np.sqrt(2 / 1.39)) - below
    take = noisy(sound + inside * hum(t, mains, level), 1e-5)[:, np.newaxis]
    (event,) = find_hum_bursts(take, RATE)
    assert event.start == pytest.approx(2.5, abs=EDGE_SECONDS)
    assert event.end == pytest.approx(2.5 + length, abs=EDGE_SECONDS)


@pytest.mark.parametrize("note", [49.0, 58.27, 61.74, 98.0, 116.54, 123.47, 146.83])
def test_notes_near_the_mains_lines_are_no_hum(note):
    # G1, A#1, B1, G2, A#2, B2 and D3: tremolo, then gated, then struck and dying away.
    t = np.arange(18 * RATE) / RATE
    since = t % 2.0
    tone = waves.saw(2 * np.pi * note * t, 11, falls=1.3)
    gate = np.clip(since / 0.005, 0, 1) * np.clip((1.2 - since) / 0.01, 0, 1)
    tremolo = 1 + 0.7 * np.sin(2 * np.pi * 5.3 * t)
    struck = np.exp(-2 * since) * np.clip(since / 0.003, 0, 1)
    sound = 0.2 * tone * np.select([t < 6, t < 12], [tremolo, gate], struck)
    assert find_hum_bursts(noisy(sound, 1e-4)[:, np.newaxis], RATE) == ()


def test_held_notes_of_another_program(tmp_path):
    # A warm pad of three keys; hum of two lengths below it, and none.
    sound = played(tmp_path, 89, (55, 60, 64), 12, RATE)[:, 0]
    assert find_hum_bursts(noisy(sound, 1e-5)[:, np.newaxis], RATE) == ()
    t = np.arange(len(sound)) / RATE
    inside = ((t >= 4) & (t < 4.2)) | ((t >= 6) & (t < 6.5))
    level = 20 * np.log10(np.std(sound[4 * RATE : 6 * RATE])) - 20
    events = find_hum_bursts(noisy(sound + inside * hum(t, 50.1, level), 1e-5)[:, None], RATE)
    assert [round(e.start, 1) for e in events] == [4.0, 6.0]


LEAKAGES = {
    "current": "I1 0 chassis SIN(0 1.414u {f})\n",
    "current of many lines": "".join(
        f"I{k} 0 chassis SIN(0 {1.414 * share}u {{f{k}}})\n"
        for k, share in ((1, 1.0), (2, 0.3), (3, 0.5), (4, 0.15), (5, 0.3))
    ),
    "capacitance, which tilts to high lines": (
        "V21 m1 0 SIN(0 325 {f})\nV23 m3 m1 SIN(0 10 {f3})\nV25 m5 m3 SIN(0 12 {f5})\n"
        "V27 m7 m5 SIN(0 8 {f7})\nC1 m7 chassis 100p\n"
    ),
}


@pytest.mark.parametrize("mains", [50.0, 60.1])
@pytest.mark.parametrize("leakage", LEAKAGES)
def test_an_open_sleeve_that_attenuates_the_sound_too(tmp_path, leakage, mains):
    # 220 Hz and 660 Hz, about 1 V; the open sleeve is 20 kohm, which takes 3 dB of the sound.
    needs("ngspice", "ngspice")
    source = LEAKAGES[leakage].format(f=mains, **{f"f{k}": k * mains for k in range(1, 8)})
    (tmp_path / "sleeve.cir").write_text(
        "sleeve\nV1 middle chassis SIN(0 0.7 220)\nV2 tip middle SIN(0 0.4 660)\n"
        + source
        + "S1 chassis 0 control 0 sleeve\n.model sleeve SW(RON=20k ROFF=0.05 VT=0.5)\n"
        "V9 control 0 PWL(0 0 1.5 0 1.50001 1 1.8 1 1.80001 0)\n"
        "R1 tip in 1k\nR2 in 0 47k\n"
        ".options reltol=1e-5 abstol=1e-13\n.control\nset wr_singlescale\n"
        "tran 20.8333u 2.5 0 20.8333u\nlinearize v(in)\n"
        f"wrdata {tmp_path}/out.data v(in)\nquit\n.endc\n.end\n"
    )
    command = ["ngspice", "-b", str(tmp_path / "sleeve.cir")]
    subprocess.run(command, check=True, capture_output=True, timeout=60)
    time, out = np.loadtxt(tmp_path / "out.data").T
    grid = np.arange(int(2.49 * RATE)) / RATE
    take = noisy(np.interp(grid, time, out) / 4, 1e-5)[:, np.newaxis]
    (event,) = find_hum_bursts(take, RATE)
    assert event.start == pytest.approx(1.5, abs=EDGE_SECONDS)
    assert event.end == pytest.approx(1.8, abs=EDGE_SECONDS)


def test_a_sleeve_that_opens_in_a_circuit(tmp_path):
    # The sleeve carries the note's return and a transformer's leakage (2.2 nF from 230 V mains).
    needs("ngspice", "ngspice")
    (tmp_path / "sleeve.cir").write_text(
        "sleeve\n"
        "V1 tip chassis SIN(0 0.5 440)\n"
        "V2 mains 0 SIN(0 325 50)\nV3 third mains SIN(0 20 150)\nC1 third chassis 2.2n\n"
        "S1 chassis 0 control 0 sleeve\n.model sleeve SW(RON=22k ROFF=0.1 VT=0.5)\n"
        "V4 control 0 PWL(0 0 2 0 2.0001 1 2.3 1 2.3001 0)\n"
        "R1 tip in 1k\nR2 in 0 10k\n"
        ".options reltol=1e-5\n.control\nset wr_singlescale\n"
        "tran 20.8333u 3 0 20.8333u\nlinearize v(in)\n"
        f"wrdata {tmp_path}/out.data v(in)\nquit\n.endc\n.end\n"
    )
    command = ["ngspice", "-b", str(tmp_path / "sleeve.cir")]
    subprocess.run(command, check=True, capture_output=True, timeout=60)
    time, out = np.loadtxt(tmp_path / "out.data").T
    grid = np.arange(int(2.99 * RATE)) / RATE
    take = noisy(np.interp(grid, time, out) / 4, 1e-5)[:, np.newaxis]
    (event,) = find_hum_bursts(take, RATE)
    assert event.start == pytest.approx(2.0, abs=EDGE_SECONDS)
    assert event.end == pytest.approx(2.3, abs=EDGE_SECONDS)
    assert event.depth > 20


def test_hits_of_noise_of_another_program_are_no_hum(tmp_path):
    needs("sox", "sox")
    import soundfile

    path = tmp_path / "hits.wav"
    command = ["sox", "-R", "-n", "-r", str(RATE), str(path), "synth", "0.3", "pinknoise"]
    command += ["fade", "q", "0.01", "0.3", "0.2", "pad", "0", "0.4", "repeat", "12"]
    subprocess.run(command, check=True, capture_output=True, timeout=60)
    take, _ = soundfile.read(path, always_2d=True)
    assert find_hum_bursts(take + 1e-5, RATE) == ()
