import shutil
import subprocess
from functools import cache

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from sigbench.errors import SignalError
from sigbench.measure.dropouts import (
    DropoutDetector,
    dropout_count,
    dropout_time,
    find_dropouts,
    mark_lost_buffers,
)
from sigbench.model import Event, LostBuffers
from tests.measure.played import rendered

RATE = 48_000
EDGE_SECONDS = 0.0005  # the precision promised


def noisy(sound, snr_db, seed=0):
    noise = np.random.default_rng(seed).standard_normal(len(sound))
    return sound + noise * np.std(sound) * 10 ** (-snr_db / 20)


def needs(program, package):
    if shutil.which(program) is None:
        pytest.skip(f"{program} is not installed: apt-get install {package}")


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("f", [100.0, 997.0, 5000.0])
@pytest.mark.parametrize("snr", [40.0, 60.0])
@pytest.mark.parametrize("gain_db", [-400.0, -12.0])
def test_edges_at_any_phase(rate, f, snr, gain_db):
    rng = np.random.default_rng(int(f + snr))
    t = np.arange(5 * rate) / rate
    sound = 0.3 * np.sin(2 * np.pi * f * t + 0.2)
    truth = []
    for k, length in enumerate((0.002, 0.005, 0.02, 0.1, 0.3)):
        start = int((0.5 + 0.8 * k + rng.uniform(0, 0.02)) * rate)
        end = start + round(length * rate)
        sound[start:end] *= 10 ** (gain_db / 20)
        truth.append((start / rate, end / rate))
    events = find_dropouts(noisy(sound, snr)[:, np.newaxis], rate)
    assert len(events) == len(truth)
    for event, (start, end) in zip(events, truth, strict=True):
        assert event.kind == ("dip" if gain_db == -12 else "dropout")
        assert event.start == pytest.approx(start, abs=EDGE_SECONDS)
        assert event.end == pytest.approx(end, abs=EDGE_SECONDS)
        # A loss leaves the noise: the ratio of signal to noise is all the depth there is.
        if gain_db == -12:
            assert event.depth == pytest.approx(12, abs=1.5)


def test_depth_of_digital_silence_is_finite():
    sound = np.sin(2 * np.pi * 997 * np.arange(2 * RATE) / RATE)
    sound[RATE : RATE + 960] = 0.0
    (event,) = find_dropouts(sound[:, np.newaxis], RATE)
    assert event.kind == "dropout"
    assert 60 < event.depth <= 121  # documented floor: −120 dBFS, and the band's blur of edges


@cache
def take_and_events():
    t = np.arange(4 * RATE) / RATE
    take = np.column_stack([np.sin(2 * np.pi * 440 * t), 0.2 * np.sin(2 * np.pi * 442 * t)])
    take[50_000:51_000] = 0.0
    take[120_000:120_300, 1] *= 0.3
    take[170_000:, 0] = 0.0
    take += 1e-4 * np.random.default_rng(0).standard_normal(take.shape)
    return take, find_dropouts(take, RATE)


# Frame by frame alone it would take ten seconds, and be no other than with some larger ones among.
@settings(max_examples=6)
@given(st.lists(st.integers(1, 60_000), min_size=1, max_size=12).filter(lambda s: np.mean(s) > 30))
@example([1, 1, 1, 120])
def test_blocks_of_any_sizes_give_identical_events(sizes):
    take, whole = take_and_events()
    assert len(whole) == 3
    detector = DropoutDetector(RATE, 2)
    events, at, turn = [], 0, 0
    while at < len(take):
        size = sizes[turn % len(sizes)]
        events += detector.feed(take[at : at + size])
        at, turn = at + size, turn + 1
    events += detector.finish()
    assert tuple(events) == whole


def test_other_channels_are_asked_as_well_at_the_start_of_a_long_block():
    t = np.arange(10 * RATE) / RATE
    take = np.column_stack([noisy(0.3 * np.sin(2 * np.pi * f * t), 45) for f in (300, 500)])
    for start in (1.0, 2.5, 4.05):
        take[round(start * RATE) :][:480, 0] = 0.0
    events = find_dropouts(take, RATE)
    assert [event.channels for event in events] == [(1,), (1,), (1,)]
    detector = DropoutDetector(RATE, 2)
    in_parts = [event for part in np.split(take, 50) for event in detector.feed(part)]
    assert tuple(in_parts) == events


@pytest.mark.parametrize("size", [480, 4096, 3 * RATE])
def test_channels_that_break_off_together_and_by_depths_of_their_own_are_two_events(size):
    # The one that stays away for longer is known to be another while it is still open.
    t = np.arange(3 * RATE) / RATE
    take = np.column_stack([noisy(0.3 * np.sin(2 * np.pi * f * t), 70) for f in (300, 500)])
    take[RATE : RATE + 4800] *= (0.003, 0.3)
    take[RATE + 4800 : RATE + 20_000, 0] *= 0.02  # it moves as the other one is back
    detector, events = DropoutDetector(RATE, 2), []
    for at in range(0, len(take), size):
        events += detector.feed(take[at : at + size])
    events += detector.finish()
    assert [(event.kind, event.channels) for event in events] == [("dip", (2,)), ("dropout", (1,))]
    assert tuple(events) == find_dropouts(take, RATE)


def test_channels_that_drop_together_are_one_event():
    t = np.arange(3 * RATE) / RATE
    take = np.column_stack([np.sin(2 * np.pi * f * t) for f in (300, 500, 700)]) * 0.3
    take[RATE : RATE + 480, [0, 2]] = 0.0
    take[2 * RATE : 2 * RATE + 480, 1] = 0.0
    take += 1e-4 * np.random.default_rng(1).standard_normal(take.shape)
    assert [e.channels for e in find_dropouts(take, RATE)] == [(1, 3), (2,)]


def test_a_loss_that_lasts_to_the_end_counts_and_a_release_does_not():
    t = np.arange(2 * RATE) / RATE
    sound = 0.3 * np.sin(2 * np.pi * 330 * t)
    lost = sound * (t < 1.5)
    (event,) = find_dropouts(noisy(lost, 60)[:, np.newaxis], RATE)
    assert (event.kind, event.end) == ("dropout", 2.0)
    assert event.start == pytest.approx(1.5, abs=EDGE_SECONDS)
    released = sound * np.where(t < 1.5, 1.0, np.exp(-np.maximum(t - 1.5, 0) / 0.02))
    assert find_dropouts(noisy(released, 60)[:, np.newaxis], RATE) == ()


def through_resistor_and_capacitor(gain, seconds):
    """A gain behind a first-order low-pass of that time constant, frame by frame."""
    followed, now = [], 1.0
    for wanted in gain:
        now += (wanted - now) / (seconds * RATE)
        followed.append(now)
    return np.array(followed)


# Common practice, no source: 1.5 ms is 15 kΩ and 0.1 µF; a note's release is longer than 4 ms.
@pytest.mark.parametrize(("left", "kind", "depth"), [(0.01, "dropout", 40), (0.5, "dip", 6)])
@pytest.mark.parametrize("sound", ["sine", "saw"])
def test_a_long_loss_with_the_soft_edges_of_a_capacitor_is_found(sound, left, kind, depth):
    t = np.arange(3 * RATE) / RATE
    voice = 0.4 * np.sin(2 * np.pi * 997 * t) if sound == "sine" else 0.4 * (220.4 * t % 1.0 - 0.5)
    gain = np.where((t > 1.5) & (t < 1.65), left, 1.0)
    soft = through_resistor_and_capacitor(gain, 0.0015)
    (event,) = find_dropouts(noisy(voice * soft, 55)[:, np.newaxis], RATE)
    assert event.kind == kind
    assert event.start == pytest.approx(1.5, abs=0.0025)
    assert event.end == pytest.approx(1.65, abs=0.0025)
    assert event.depth == pytest.approx(depth, abs=3.0)
    for release in (0.006, 0.008, 0.0095, 0.012):
        slow = through_resistor_and_capacitor(gain, release)
        assert find_dropouts(noisy(voice * slow, 55)[:, np.newaxis], RATE) == ()


def of_pulses(t):
    """55 Hz, each pulse a tenth of the period: closed form of a rectangle's partials."""
    k = np.arange(1, 300)[:, np.newaxis]
    return 0.3 * (np.sin(0.1 * np.pi * k) / k * np.cos(2 * np.pi * 55.3 * k * t)).sum(axis=0)


def raised_cosine(gain, seconds):
    """A gain whose steps take so long, half of it before and half after."""
    weights = np.sin(np.pi * (np.arange(round(seconds * RATE)) + 0.5) / (seconds * RATE))
    return np.convolve(np.pad(gain, len(weights), "edge"), weights / weights.sum(), "same")[
        len(weights) : -len(weights)
    ]


# A wave of few pulses shows little of an edge; a hole of 5 ms is hardly longer than its edges.
@pytest.mark.parametrize("edge", ["capacitor", "raised cosine"])
@pytest.mark.parametrize(
    ("wave", "length"), [("pulses", 0.1), ("pulses", 0.005), ("saw", 0.1), ("saw", 0.005)]
)
def test_dips_with_soft_edges_in_low_waves(wave, length, edge):
    t = np.arange(4 * RATE) / RATE
    voice = of_pulses(t) if wave == "pulses" else 0.4 * (110.3 * t % 1.0 - 0.5)
    starts = (1.0, 1.7, 2.4, 3.1)
    gain = np.ones(len(t))
    for start in starts:
        gain[(t >= start) & (t < start + length)] = 0.5
    if edge == "capacitor":
        soft = through_resistor_and_capacitor(gain, 0.0015)
    else:
        soft = raised_cosine(gain, 0.002)
    events = find_dropouts(noisy(voice * soft, 45)[:, np.newaxis], RATE)
    assert [event.kind for event in events] == ["dip"] * len(starts)
    for event, start in zip(events, starts, strict=True):
        # A pulse wave is silent for 16 ms of each period.
        late = 0.018 if wave == "pulses" else 0.004
        assert event.start == pytest.approx(start, abs=late)
        assert event.end == pytest.approx(start + length, abs=late)


@pytest.mark.parametrize("length", [0.002, 0.005, 0.02, 0.1])
@pytest.mark.parametrize("gain", [0.25, 0.5])
def test_a_single_break_in_a_strong_vibrato_is_found(length, gain):
    # It can be foretold from one sample to the next, but not for the length of a break.
    t = np.arange(3 * RATE) / RATE
    for start in (1.06, 1.13):
        sound = 0.5 * np.sin(2 * np.pi * 440 * t + 2.4 * np.sin(2 * np.pi * 5.7 * t))
        sound[(t >= start) & (t < start + length)] *= gain
        (event,) = find_dropouts(noisy(sound, 50)[:, np.newaxis], RATE)
        assert event.start == pytest.approx(start, abs=EDGE_SECONDS)
        assert event.end == pytest.approx(start + length, abs=EDGE_SECONDS)
        assert event.kind == "dip"


def faultless():
    t = np.arange(10 * RATE) / RATE
    tone = np.sin(2 * np.pi * 220 * t)
    return {
        "tremolo 10 Hz, 12 dB": tone * (0.625 + 0.375 * np.cos(2 * np.pi * 10 * t)),
        "beating": tone + np.sin(2 * np.pi * 221.7 * t),
        "decay": tone * np.exp(-2 * (t % 2)) * np.minimum((t % 2) / 0.003, 1),
        "vibrato": np.sin(2 * np.pi * 440 * t + 2.6 * np.sin(2 * np.pi * 5 * t)),
        "chord": sum(np.sin(2 * np.pi * f * t) for f in (261.6, 329.6, 392.0, 523.3)),
        "silence, note, silence": tone * ((t > 2) & (t < 7)) * np.clip((7 - t) / 0.05, 0, 1),
        "saw": 220 * t % 1.0 - 0.5,
        "hum": np.sin(2 * np.pi * 50 * t) + 0.3 * np.sin(2 * np.pi * 100 * t),
    }


@pytest.mark.parametrize("name", faultless())
@pytest.mark.parametrize("snr", [35, 60])
def test_natural_movement_is_no_dropout(name, snr):
    assert find_dropouts(noisy(faultless()[name], snr)[:, np.newaxis], RATE) == ()


@pytest.mark.parametrize(
    "signal",
    [
        np.zeros(RATE),
        np.zeros(1),
        np.ones(1),
        np.zeros(0),
        np.full(RATE, 0.3),
        np.random.default_rng(2).standard_normal(4 * RATE),
    ],
    ids=["silence", "one zero", "one sample", "nothing", "DC", "noise"],
)
def test_nothing_to_lose_gives_no_events(signal):
    assert find_dropouts(signal[:, np.newaxis], RATE) == ()


def test_bad_input_is_refused():
    with pytest.raises(SignalError, match="no numbers"):
        find_dropouts(np.full((RATE, 1), np.nan), RATE)
    with pytest.raises(SignalError, match="frames, channels"):
        find_dropouts(np.zeros(RATE), RATE)
    with pytest.raises(SignalError, match="2 channels"):
        DropoutDetector(RATE, 2).feed(np.zeros((100, 1)))


def test_lost_buffers_are_not_the_instruments():
    events = (
        Event("dropout", 1.0, 1.01, (1,), 60.0),
        Event("dropout", 3.0, 3.01, (1, 2), 60.0),
        Event("dip", 4.0, 4.5, (1,), 8.0),
    )
    marked = mark_lost_buffers(events, [LostBuffers(RATE, 480), LostBuffers(2 * RATE)], RATE)
    assert [e.kind for e in marked] == ["lost_buffers", "dropout", "dip"]
    assert [dropout_count(marked, c) for c in (1, 2, 3)] == [1, 1, 0]
    time = dropout_time(marked, 1)
    assert time.value == pytest.approx(0.01)
    assert 0 < time.uncertainty < 0.001
    assert dropout_time(marked, 3).value == 0.0


SAW_55 = [(55.0 * k, 1 / k) for k in range(1, 90)]
PULSE_41 = [(41.2 * k, np.sin(0.1 * np.pi * k) / k) for k in range(1, 300)]
FIFTHS = [(f * k, 1 / k) for f in (220.0, 277.18, 329.63) for k in range(1, 10)]
BEATING = [(440.0, 1.0), (443.0, 1.0)]


@cache
def held_note(partials):
    """Twelve seconds of a note, with its peak at a quarter of full scale."""
    time = np.arange(12 * RATE) / RATE
    sound = sum(a * np.sin(2 * np.pi * f * time + a) for f, a in partials)
    return 0.25 * sound / np.max(np.abs(sound))


def found_at_jumps(partials, seed):
    """What is found of itself, and what is left of it if the computer's losses are known."""
    chance = np.random.default_rng(seed)
    sound = held_note(tuple(partials))
    sound = sound + 2e-5 * chance.standard_normal(len(sound))
    places = np.arange(1, 22) * RATE // 2 + chance.integers(0, 4000, 21)
    keep = np.ones(len(sound), dtype=bool)
    for place in places:
        keep[place : place + chance.integers(1, 4000)] = False
    joints = np.searchsorted(np.flatnonzero(keep), places)
    found = find_dropouts(sound[keep][:, np.newaxis], RATE)
    lost = [LostBuffers(int(joint), 1) for joint in joints]
    return found, mark_lost_buffers(found, lost, RATE)


@pytest.mark.parametrize("seed", [5, 6, 7, 8])
def test_audio_that_jumps_again_and_again_is_the_computers(seed):
    # At one jump the sound seems to fall, at the next, half a second later, to come back; and a
    # predictor that remembers one period sees a pulse of before the jump missing after it.
    found, marked = found_at_jumps(PULSE_41, seed)
    assert found  # else nothing is tried here
    assert {event.kind for event in marked} == {"lost_buffers"}


@pytest.mark.parametrize("seed", [5, 6, 7])
@pytest.mark.parametrize("partials", [SAW_55, FIFTHS, BEATING])
def test_audio_that_jumps_is_no_interruption_even_if_nobody_knows(partials, seed):
    found, _ = found_at_jumps(partials, seed)
    assert found == ()


@pytest.mark.parametrize("gain", [1e-4, 0.5])
def test_a_dropout_right_after_a_loss_does_not_pass_for_the_sounds_own_edges(gain):
    time = np.arange(3 * RATE) / RATE
    sound = sum(np.sin(2 * np.pi * 220 * k * time + k * k) / k for k in range(1, 16))
    sound = 0.1 * sound + 1e-5 * np.random.default_rng(2).standard_normal(len(time))
    for gap in np.arange(0.03, 0.09, 0.006):
        signal = sound.copy()
        signal[RATE : RATE + 960] = 0.0  # the computer's
        start = RATE + 960 + round(gap * RATE)
        signal[start : start + 1900] *= gain
        for lost in ((), (LostBuffers(RATE, 960, 960),)):
            detector = DropoutDetector(RATE, 1, lost)
            events = detector.feed(signal[:, np.newaxis]) + detector.finish()
            assert any(abs(e.start - start / RATE) < 0.001 for e in events)


@pytest.mark.parametrize("gain", [0.0, 0.25, 0.5])
@pytest.mark.parametrize("seed", [0, 1])
def test_a_break_soon_after_audio_jumps_is_seen_be_the_jump_known_or_not(gain, seed):
    chance = np.random.default_rng(seed)
    time = np.arange(2 * RATE) / RATE
    sound = 0.2 * sum(np.sin(2 * np.pi * 110 * k * time) / k for k in range(1, 20))
    joint, skipped = RATE + int(chance.integers(100)), int(chance.integers(200, 900))
    signal = np.concatenate([sound[:joint], sound[joint + skipped :]])
    start = joint + round(0.04 * RATE)
    signal[start : start + 480] *= gain
    signal += 1e-4 * chance.standard_normal(len(signal))
    seen = []
    for lost in ((), (LostBuffers(joint, skipped),)):
        detector = DropoutDetector(RATE, 1, lost)
        events = detector.feed(signal[:, np.newaxis]) + detector.finish()
        seen.append(any(abs(event.start - start / RATE) < 0.002 for event in events))
    # The jump stands out so far that beside it the break would look like the sound's own ways, if
    # nobody knew of the jump and edges were not looked at.
    assert seen == [True, True]


@pytest.mark.parametrize("after", [0.058, 0.066, 0.08, 0.1, 0.13])
@pytest.mark.parametrize("seed", range(3))
def test_a_deep_dropout_soon_after_audio_jumps_is_found(after, seed):
    """What is predicted from sound on both sides of the jump predicts nothing."""
    rng = np.random.default_rng(seed)
    joint, skipped = RATE, int(rng.integers(200, 900))
    t = np.arange(2 * RATE + skipped) / RATE
    phases = rng.uniform(0, 2 * np.pi, 12)
    sound = sum(np.sin(2 * np.pi * 220 * k * t + phases[k - 1]) / k for k in range(1, 13))
    sound = np.delete(0.1 * sound, slice(joint, joint + skipped))
    start = joint + round(after * RATE)
    stop = start + round(0.054 * RATE)
    sound[start:stop] *= 1e-4
    sound += 1e-5 * rng.standard_normal(len(sound))
    detector = DropoutDetector(RATE, 1, (LostBuffers(joint, skipped),))
    (found,) = [*detector.feed(sound[:, np.newaxis]), *detector.finish()]
    assert found.kind == "dropout"
    assert found.start == pytest.approx(start / RATE, abs=0.002)
    assert found.end == pytest.approx(stop / RATE, abs=0.002)


def test_what_a_loss_begins_or_ends_is_parted():
    (event,) = (Event("dropout", 1.0, 1.3, (1,), 60.0),)
    silence = [LostBuffers(round(1.2 * RATE), 0, round(0.1 * RATE))]
    parts = mark_lost_buffers([event], silence, RATE)
    assert [(e.kind, e.start, e.end) for e in parts] == [
        ("dropout", 1.0, pytest.approx(1.2)),
        ("lost_buffers", pytest.approx(1.2), 1.3),
    ]
    silence = [LostBuffers(RATE, 0, round(0.1 * RATE))]
    parts = mark_lost_buffers([event], silence, RATE)
    assert [(e.kind, e.start, e.end) for e in parts] == [
        ("lost_buffers", 1.0, pytest.approx(1.1)),
        ("dropout", pytest.approx(1.1), 1.3),
    ]
    within = [LostBuffers(round(1.1 * RATE), 0, round(0.1 * RATE))]
    assert mark_lost_buffers([event], within, RATE) == (event,)
    ends = [LostBuffers(RATE, 64), LostBuffers(round(1.28 * RATE), 64)]
    assert [e.kind for e in mark_lost_buffers([event], ends, RATE)] == ["lost_buffers"]
    assert mark_lost_buffers([event], ends[:1], RATE) == (event,)


def test_a_joint_in_a_circuit(tmp_path):
    # A bad joint (1 ohm, or 10 Mohm while it lets go) in series with a coupled output.
    needs("ngspice", "ngspice")
    opened = [(0.5, 0.504), (0.9, 0.95)]
    steps = "0 0"
    for start, end in opened:
        steps += f" {start} 0 {start + 2e-5} 1 {end} 1 {end + 2e-5} 0"
    (tmp_path / "joint.cir").write_text(
        "joint\n"
        "V1 source 0 SIN(0 0.5 997)\nR1 source joint 1k\n"
        "S1 joint after control 0 joint\n.model joint SW(RON=10meg ROFF=1 VT=0.5)\n"
        f"V2 control 0 PWL({steps})\n"
        "C1 after out 10u\nR2 after 0 100k\nR3 out 0 10k\n"
        ".options reltol=1e-5\n.control\nset wr_singlescale\n"
        "tran 20.8333u 1.4 0 20.8333u\nlinearize v(out)\n"
        f"wrdata {tmp_path}/out.data v(out)\nquit\n.endc\n.end\n"
    )
    command = ["ngspice", "-b", str(tmp_path / "joint.cir")]
    subprocess.run(command, check=True, capture_output=True, timeout=60)
    time, out = np.loadtxt(tmp_path / "out.data").T
    grid = np.arange(int(1.39 * RATE)) / RATE
    take = noisy(np.interp(grid, time, out), 60)[:, np.newaxis]
    events = find_dropouts(take, RATE)
    assert [e.kind for e in events] == ["dropout"] * 2
    for event, (start, end) in zip(events, opened, strict=True):
        assert event.start == pytest.approx(start, abs=EDGE_SECONDS)
        assert event.end == pytest.approx(end, abs=EDGE_SECONDS)


def test_a_note_muted_by_another_program(tmp_path):
    needs("sox", "sox")
    import soundfile

    parts = []
    for name, effect in (("on", ["vol", "0.5"]), ("off", ["vol", "0"])):
        length = "1" if name == "on" else "0.03"
        path = str(tmp_path / f"{name}.wav")
        sox = ["sox", "-R", "-n", "-r", "44100", "-b", "24", "-c", "1", path, "synth", length]
        subprocess.run([*sox, "sine", "1000", *effect], check=True)
        parts.append(path)
    whole = str(tmp_path / "whole.wav")
    subprocess.run(["sox", parts[0], parts[1], parts[0], whole], check=True)
    samples, rate = soundfile.read(whole, always_2d=True)
    (event,) = find_dropouts(samples, rate)
    assert event.kind == "dropout"
    assert event.start == pytest.approx(1.0, abs=EDGE_SECONDS)
    assert event.end == pytest.approx(1.03, abs=EDGE_SECONDS)


@pytest.mark.parametrize(("program", "note"), [(0, 48), (0, 72), (19, 60), (48, 60)])
def test_a_sampled_instrument_and_its_dropouts(tmp_path, program, note):
    # General MIDI programs: 0 piano, 19 organ, 48 strings.
    track = bytes([0, 0xC0, program, 0, 0x90, note, 100, 0x8F, 0x00, 0x80, note, 0])
    track += bytes([0x83, 0x60, 0xFF, 0x2F, 0])
    header = b"MThd" + bytes([0, 0, 0, 6, 0, 0, 0, 1, 1, 0xE0])
    rate = 48_000
    samples = rendered(tmp_path, header + b"MTrk" + len(track).to_bytes(4, "big") + track, rate)
    assert np.abs(samples).max() > 0.01
    assert find_dropouts(samples, rate) == ()
    start = int(0.9 * rate)
    samples[start : start + 960] *= 0.0
    (event,) = find_dropouts(samples, rate)
    assert (event.kind, event.channels) == ("dropout", (1, 2))
    assert event.start == pytest.approx(start / rate, abs=EDGE_SECONDS)
    assert event.end == pytest.approx((start + 960) / rate, abs=EDGE_SECONDS)


def with_gaps(sound, gaps, gain):
    spoiled = sound.copy()
    for start, length in gaps:
        spoiled[round(start * RATE) : round((start + length) * RATE)] *= gain
    return spoiled


def rich_sounds(seconds):
    t = np.arange(int(seconds * RATE)) / RATE
    wander = t + 0.0009 * np.sin(2 * np.pi * 5.5 * t)  # vibrato of 54 cents
    return {
        "saw 41 Hz": 41.2 * t % 1.0 - 0.5,
        "pulse 55 Hz": np.where(55.3 * t % 1.0 < 0.15, 0.5, -0.1),
        "saw with vibrato": sum(np.sin(2 * np.pi * 196 * k * wander) / k for k in range(1, 12)),
        "detuned pad": sum(
            np.sin(2 * np.pi * f * d * k * t + f * k) / k
            for f in (130.8, 164.8, 196.0)
            for d in (0.996, 1.0, 1.005)
            for k in range(1, 15)
        ),
        "tremolo": (220 * t % 1.0 - 0.5) * (0.625 + 0.375 * np.cos(2 * np.pi * 7 * t)),
    }


@pytest.mark.parametrize("name", rich_sounds(0.1))
def test_shallow_dips_in_rich_sounds(name):
    lengths = (0.002, 0.005, 0.02, 0.03)
    gaps = [(0.6 + 0.37 * k, lengths[k % 4]) for k in range(12)]
    sound = rich_sounds(5.5)[name]
    events = find_dropouts(noisy(with_gaps(sound, gaps, 0.5), 45)[:, np.newaxis], RATE)
    found = [
        (start, length)
        for start, length in gaps
        for event in events
        if abs(event.start - start) < 0.001 and abs(event.end - start - length) < 0.001
    ]
    # How well what moves can be predicted varies with the moment (docs/measurements/dropouts.md).
    steady = name in ("saw 41 Hz", "pulse 55 Hz")
    assert len(found) >= (12 if steady else 8 if "vibrato" in name else 10)
    assert len(events) <= 12


def moving_sounds(seconds):
    """Sounds whose own level moves by far more than a dip within half a second."""
    t = np.arange(int(seconds * RATE)) / RATE
    struck = t % 4.0
    return {
        "beating": np.sin(2 * np.pi * 220 * t) + np.sin(2 * np.pi * 221.3 * t),
        "decaying": (1 - np.exp(-struck / 0.001))
        * sum(
            np.sin(2 * np.pi * 147 * k * t + k) * np.exp(-1.2 * np.sqrt(k) * struck) / k
            for k in range(1, 25)
        ),
    }


@pytest.mark.parametrize("name", moving_sounds(0.1))
def test_long_dips_of_a_sound_whose_level_moves(name):
    gaps = [(0.6 + 0.937 * k, 0.5) for k in range(8)]
    held = [gap for gap in gaps if 0.3 < gap[0] % 4.0 < 3.3]
    sound = moving_sounds(8.5)[name]
    events = find_dropouts(noisy(with_gaps(sound, held, 0.5), 60)[:, np.newaxis], RATE)
    assert [event.kind for event in events] == ["dip"] * len(held)
    for event, (start, length) in zip(events, held, strict=True):
        assert event.start == pytest.approx(start, abs=0.001)
        assert event.end == pytest.approx(start + length, abs=0.001)
        assert event.depth == pytest.approx(6.02, abs=1)


@pytest.mark.parametrize("edge", ["soft", "coupled"])
def test_edges_of_real_contacts(edge):
    from scipy.signal import lfilter

    gaps = [(0.6 + 0.5 * k, length) for k, length in enumerate((0.01, 0.02, 0.1, 0.3))]
    t = np.arange(3 * RATE) / RATE
    sound = 0.3 * np.sin(2 * np.pi * 330 * t) + 0.1 * np.sin(2 * np.pi * 660 * t)
    if edge == "soft":  # the gain moves with a time constant of 1 ms
        share = 1 - np.exp(-1 / (0.001 * RATE))
        gain = lfilter([share], [1, share - 1], with_gaps(np.ones(len(t)), gaps, 0.0) - 1) + 1
        spoiled = sound * gain
    else:  # a coupling capacitor of 1 uF into 10 kohm follows, and 0.2 of DC lies on the contact
        kept = np.exp(-1 / (0.01 * RATE))
        spoiled = lfilter([1, -1], [1, -kept], with_gaps(sound + 0.2, gaps, 0.0))
    events = find_dropouts(noisy(spoiled, 60)[:, np.newaxis], RATE)
    assert len(events) == len(gaps)
    for event, (start, length) in zip(events, gaps, strict=True):
        assert event.start == pytest.approx(start, abs=0.0015)
        assert event.end == pytest.approx(start + length, abs=0.0015)


def test_what_happens_is_known_within_a_tenth_of_a_second():
    lengths = (0.003, 0.03, 0.08, 0.4)
    gaps = [(0.6 + 0.6 * k, length) for k, length in enumerate(lengths)]
    t = np.arange(int(3.2 * RATE)) / RATE
    chord = sum(np.sin(2 * np.pi * f * t) for f in (261.6, 329.6, 392.0))
    take = noisy(with_gaps(chord, gaps, 0.25), 50)[:, np.newaxis]
    detector = DropoutDetector(RATE, 1)
    block = RATE // 200
    told, open_at = [], []
    for first in range(0, len(take), block):
        now = (first + block) / RATE
        told += [(now, event) for event in detector.feed(take[first : first + block])]
        (since,) = detector.open_since
        open_at += [] if since is None else [(now, since)]
    assert len(told) == len(gaps)
    for (now, event), (start, length) in zip(told, gaps, strict=True):
        assert event.end == pytest.approx(start + length, abs=EDGE_SECONDS)
        assert now - event.end <= 0.06
    for start, length in gaps[2:]:
        seen = [now for now, since in open_at if abs(since - start) < EDGE_SECONDS]
        assert min(seen) - start <= 0.06
        assert max(seen) - start - length <= 0.06


BREAKS = ((1.0, 0.005), (1.6, 0.02), (2.2, 0.1), (3.0, 0.5), (4.1, 0.03))  # start, length; s


@cache
def restless(seed):
    """Partials that each wander in strength and phase, some 30 Hz fast: no predictor follows."""
    from scipy.signal import lfilter

    chance = np.random.default_rng(seed)
    t = np.arange(6 * RATE) / RATE

    def wander():
        path = chance.standard_normal(len(t))
        for _ in range(2):
            path = lfilter([0.004], [1, -0.996], path)
        return 0.35 * path / np.std(path)

    angles = 2 * np.pi * 196 * np.arange(1, 13)[:, np.newaxis] * t
    return 0.1 * sum(
        ((1 + wander()) * np.cos(angle + k) + wander() * np.sin(angle)) / k
        for k, angle in enumerate(angles, start=1)
    )


def test_what_is_restless_does_not_drop_out():
    assert find_dropouts(restless(3)[:, np.newaxis], RATE) == ()


@pytest.mark.parametrize("db", [12, 40])
@pytest.mark.parametrize("sizes", [(480,), (70_001, 977)])
def test_a_channel_that_is_hard_to_watch_is_told_by_its_partner(db, sizes):
    t = np.arange(6 * RATE) / RATE
    steady, moving = 0.2 * (196 * t % 1.0 - 0.5), restless(3)
    for both in (True, False):
        take = np.stack([steady, moving], axis=1)
        for start, length in BREAKS:
            part = slice(round(start * RATE), round((start + length) * RATE))
            take[part, slice(0, 2 if both else 1)] *= 10 ** (-db / 20)
        # The hiss of the one that moves hides its edges.
        take += [1e-4, 3e-3] * np.random.default_rng(4).standard_normal(take.shape)
        events = find_dropouts(take, RATE)
        told = [(event.start, event.channels) for event in events]
        channels = (1, 2) if both else (1,)
        assert told == [(pytest.approx(start, abs=EDGE_SECONDS), channels) for start, _ in BREAKS]
        detector, at, turn, found = DropoutDetector(RATE, 2), 0, 0, []
        while at < len(take):
            size = sizes[turn % len(sizes)]
            found += detector.feed(take[at : at + size])
            at, turn = at + size, turn + 1
        assert (*found, *detector.finish()) == events
        if both:
            assert len(find_dropouts(take[:, 1:], RATE)) < len(BREAKS)  # it takes the partner


@pytest.mark.parametrize(
    ("left_db", "right_db", "kinds"), [(60, 12, ("dropout", "dip")), (18, 6, ("dip", "dip"))]
)
def test_channels_that_fall_together_by_unlike_depths_keep_their_own(left_db, right_db, kinds):
    t = np.arange(3 * RATE) / RATE
    take = np.stack([0.3 * (220 * t % 1.0 - 0.5), 0.3 * np.sin(2 * np.pi * 330 * t)], axis=1)
    take[RATE : RATE + 7200] *= 10 ** (-np.array([left_db, right_db]) / 20)
    events = find_dropouts(take + 1e-5 * np.random.default_rng(1).standard_normal(take.shape), RATE)
    assert [(e.kind, e.channels) for e in events] == [(kinds[0], (1,)), (kinds[1], (2,))]
    depths = [event.depth for event in events]
    assert depths == [pytest.approx(left_db, abs=1.5), pytest.approx(right_db, abs=1.5)]


@pytest.mark.parametrize("end", [9.0, None])
def test_a_channel_that_stays_weak_beside_another_that_goes_on_is_told(end):
    t = np.arange(10 * RATE) / RATE
    sound = 0.3 * (220 * t % 1.0 - 0.5)
    weak = np.where((t >= 3.0) & (t < (end or 99.0)), 10 ** (-12 / 20), 1.0)
    noise = 1e-5 * np.random.default_rng(1).standard_normal((len(t), 2))
    (event,) = find_dropouts(np.stack([sound * weak, sound], axis=1) + noise, RATE)
    assert (event.kind, event.channels) == ("dip", (1,))
    assert event.start == pytest.approx(3.0, abs=EDGE_SECONDS)
    assert event.end == pytest.approx(end or 10.0, abs=EDGE_SECONDS)
    assert event.depth == pytest.approx(12, abs=0.5)
    if end is None:  # a key of a chord that is let go does that to both
        both = np.stack([sound * weak, sound * weak], axis=1)
        assert find_dropouts(both + noise, RATE) == ()
        assert find_dropouts(both[:, :1] + noise[:, :1], RATE) == ()


def test_what_a_sure_channel_says_does_not_rub_off_on_silence_or_hiss():
    t = np.arange(3 * RATE) / RATE
    for other in (0.0, 1e-4, 0.1):
        take = np.stack([0.3 * np.sin(2 * np.pi * 300 * t), np.zeros(len(t))], axis=1)
        take[RATE : RATE + 960, 0] = 0.0
        take[:, 1] += other * np.random.default_rng(6).standard_normal(len(t))
        assert [event.channels for event in find_dropouts(take, RATE)] == [(1,)]


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("width", [0.002, 0.003])
@pytest.mark.parametrize("ramp", [0.005, 0.02])
def test_a_pause_in_each_period_from_now_on_is_none_of_a_contact(ramp, width, seed):
    """As when partials drift into step; the same pause once is a contact's."""
    rng = np.random.default_rng(seed)
    t = np.arange(3 * 48_000) / 48_000
    note = sum(np.sin(2 * np.pi * k * 98 * t + rng.uniform(0, 6)) / k**0.6 for k in range(1, 25))
    note *= 0.1 / np.std(note)
    phase = 98 * t % 1 - 0.5
    pause = np.sqrt(np.maximum(0.0, np.cos(np.pi * np.clip(phase / (width * 98), -0.5, 0.5))))
    noise = 1e-4 * rng.standard_normal(len(t))
    own = note * (1 - 0.97 * pause * np.clip((t - 1.5) / ramp, 0, 1)) + noise
    assert find_dropouts(own[:, np.newaxis], 48_000) == ()
    once = note * (1 - 0.97 * pause * (abs(t - 147.5 / 98) < 0.005)) + noise
    (event,) = find_dropouts(once[:, np.newaxis], 48_000)
    assert event.start < 147.5 / 98 < event.end
