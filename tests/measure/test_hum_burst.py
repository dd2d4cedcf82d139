import shutil
import subprocess

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sigbench.errors import SignalError
from sigbench.measure.hum_burst import HumBurstDetector, find_hum_bursts

RATE = 48_000
EDGE_SECONDS = 0.008


def noisy(sound, rms, seed=0):
    return sound + rms * np.random.default_rng(seed).standard_normal(len(sound))


def needs(program, package):
    if shutil.which(program) is None:
        pytest.skip(f"{program} is not installed: apt-get install {package}")


def hum(t, f, level_db):
    """Mains hum with odd harmonics, of so many dB re full scale."""
    parts = ((1, 1.0), (2, 0.2), (3, 0.5), (5, 0.3), (7, 0.1))
    return 10 ** (level_db / 20) * sum(a * np.sin(2 * np.pi * k * f * t + k) for k, a in parts)


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


@settings(derandomize=True, deadline=None, max_examples=8)
@given(st.lists(st.integers(1, 30_000), min_size=1, max_size=10))
def test_blocks_of_any_sizes_give_identical_events(sizes):
    t = np.arange(5 * RATE) / RATE
    take = np.column_stack(
        [
            0.3 * np.sin(2 * np.pi * 440 * t) + hum(t, 50, -30) * ((t >= 1.5) & (t < 1.8)),
            hum(t, 60.2, -50) * ((t >= 2.5) & (t < 2.6)) + hum(t, 50, -40) * (t >= 4),
        ]
    )
    take += 1e-4 * np.random.default_rng(0).standard_normal(take.shape)
    whole = find_hum_bursts(take, RATE)
    assert len(whole) == 3
    detector = HumBurstDetector(RATE, 2)
    events, at, turn = [], 0, 0
    while at < len(take):
        size = sizes[turn % len(sizes)]
        events += detector.feed(take[at : at + size])
        at, turn = at + size, turn + 1
    assert (*events, *detector.finish()) == whole


@pytest.mark.parametrize("end", np.linspace(2.0, 2.018, 7))
def test_a_burst_is_told_within_60_ms_of_its_end(end):
    t = np.arange(3 * RATE) / RATE
    take = noisy(hum(t, 50, -30) * ((t >= 1.7) & (t < end)), 1e-4)[:, np.newaxis]
    detector = HumBurstDetector(RATE, 1)
    for start in range(0, len(take), 48):
        if detector.feed(take[start : start + 48]):
            break
    assert (start + 48) / RATE - end <= 0.060


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
