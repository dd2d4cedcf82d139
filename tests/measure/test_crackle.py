import shutil
import subprocess

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sigbench.errors import SignalError
from sigbench.measure.crackle import CrackleDetector, crackle_rate, find_crackle
from sigbench.measure.rhythm import without_regular
from tests.measure.played import rendered

RATE = 48_000
PLACE_SECONDS = 0.001  # transients are placed in rows of 16 samples; a filter rings on a little


def noisy(sound, snr_db, seed=0):
    noise = np.random.default_rng(seed).standard_normal(len(sound))
    return sound + noise * np.std(sound) * 10 ** (-snr_db / 20)


def needs(program, package):
    if shutil.which(program) is None:
        pytest.skip(f"{program} is not installed: apt-get install {package}")


def detected(take, rate=RATE, size=4096):
    detector = CrackleDetector(rate, take.shape[1])
    events = [e for at in range(0, len(take), size) for e in detector.feed(take[at : at + size])]
    return (*events, *detector.finish()), detector


def sounds(seconds=5):
    t = np.arange(seconds * RATE) / RATE
    chord = sum(np.sin(2 * np.pi * f * t + f) for f in (130.8, 196.0, 261.6, 329.6, 523.3))
    pad = sum(
        (220 * d * t + 0.3 * np.sin(2 * np.pi * r * t)) % 1.0 - 0.5
        for d, r in ((1.0, 0.5), (1.004, 0.7), (0.997, 0.6))
    )
    return {
        "sine": np.sin(2 * np.pi * 440 * t),
        "high sine": np.sin(2 * np.pi * 7000 * t),
        "chord": chord,
        "pad": np.convolve(pad, np.hanning(64) / 32, "same"),
    }


FAULTS = ("open 50 us", "open 1 ms", "open 4 ms", "spike", "thump")


@pytest.mark.parametrize(
    ("name", "fault"),
    # The predictor of a high tone alone makes the most of what is low: there a capacitor's
    # recharge lasts for too long.
    [(n, f) for n in sounds() for f in FAULTS if (n, f) != ("high sine", "thump")],
)
def test_single_faults_are_clicks_where_they_are(name, fault):
    sound = sounds()[name]
    rng = np.random.default_rng(len(name + fault))
    rms = np.std(sound)
    truth = (np.array([0.9, 1.7, 2.6, 3.3, 4.2]) + rng.uniform(0, 0.02, 5)).tolist()
    for at in truth:
        k = int(at * RATE)
        if fault.startswith("open"):
            length = {"open 50 us": 3, "open 1 ms": 48, "open 4 ms": 192}[fault]
            while abs(sound[k]) < rms:  # what opens at a zero crossing makes no jump
                k += 1
            sound[k : k + length] = 0.0
        elif fault == "spike":
            sound[k] += 2 * rms
        else:  # a coupling capacitor recharges
            sound[k : k + 9600] += 2 * rms * np.exp(-np.arange(9600) / (0.02 * RATE))
    events = find_crackle(noisy(sound, 60)[:, np.newaxis], RATE)
    assert [e.kind for e in events] == ["click"] * len(truth)
    for event, at in zip(events, truth, strict=True):
        assert event.start == pytest.approx(at, abs=0.003)
        assert event.end - event.start < 0.006


def test_depth_is_the_jump_re_the_sound():
    sound = np.sin(2 * np.pi * 300 * np.arange(3 * RATE) / RATE)
    sound[int(1.5 * RATE) :] += 0.2
    (event,) = find_crackle(noisy(sound, 70)[:, np.newaxis], RATE)
    # 0.2 re 1/sqrt(2) is -10.97 dB; noise and rounding to rows leave some tenths.
    assert event.depth == pytest.approx(20 * np.log10(0.2 * np.sqrt(2)), abs=0.5)


@pytest.mark.parametrize("rate", [22_050, 44_100, 96_000, 192_000])
def test_any_sample_rate(rate):
    sound = np.sin(2 * np.pi * 440 * np.arange(3 * rate) / rate)
    sound[2 * rate] += 0.5
    (event,) = find_crackle(noisy(sound, 60)[:, np.newaxis], rate)
    assert (event.kind, event.start) == ("click", pytest.approx(2.0, abs=PLACE_SECONDS))


def test_a_relay_that_bounces_is_a_crackle_and_its_openings_are_counted():
    # A random telegraph model of a bad contact: openings at exponential intervals.
    rng = np.random.default_rng(5)
    sound = np.sin(2 * np.pi * 440 * np.arange(6 * RATE) / RATE)
    at, openings = 2.0, 0
    while at < 3.0:
        k = int(at * RATE)
        sound[k : k + int(rng.uniform(2, 10))] *= 0.2
        at += 0.006 + rng.exponential(0.006)
        openings += 1
    events, detector = detected(noisy(sound, 60)[:, np.newaxis])
    (event,) = events
    assert event.kind == "crackle"
    assert event.start == pytest.approx(2.0, abs=0.02)
    assert event.end == pytest.approx(3.0, abs=0.03)
    assert 0.6 * openings < detector.counts[0] <= 1.2 * openings
    rate = crackle_rate(detector.counts[0], 6.0)
    assert rate.value == detector.counts[0] / 6
    assert rate.uncertainty == pytest.approx(np.sqrt(detector.counts[0]) / 6)


def test_clicks_in_idle_noise():
    take = 1e-4 * np.random.default_rng(1).standard_normal(4 * RATE)
    take[2 * RATE] += 3e-3
    (event,) = find_crackle(take[:, np.newaxis], RATE)
    assert (event.kind, event.start) == ("click", pytest.approx(2.0, abs=PLACE_SECONDS))
    assert event.depth == pytest.approx(20 * np.log10(30), abs=1.5)


def test_channels_that_click_together_are_one_event():
    t = np.arange(4 * RATE) / RATE
    take = np.column_stack([np.sin(2 * np.pi * f * t) for f in (300, 500, 700)])
    take[RATE, [0, 2]] += 1.0
    take[2 * RATE, 1] -= 1.0
    take[3 * RATE, 0] += 1.0
    take[3 * RATE + 480, 1] += 1.0
    take += 1e-4 * np.random.default_rng(1).standard_normal(take.shape)
    events, detector = detected(take)
    assert [e.channels for e in events] == [(1, 3), (2,), (1,), (2,)]
    assert detector.counts == (2, 2, 1)
    assert min(detector.energies) > 0.5


def scratched(times, channels=1, seconds=5, seed=4):
    """A tone with spikes at times of (channel, seconds), and noise."""
    rng = np.random.default_rng(seed)
    t = np.arange(seconds * RATE) / RATE
    take = np.column_stack([np.sin(2 * np.pi * (300 + 200 * c) * t) for c in range(channels)])
    for channel, at in times:
        take[round(at * RATE), channel] += rng.choice([-1.0, 1.0])
    return take + 1e-3 * rng.standard_normal(take.shape)


def irregular(start, end):
    """Times as of a scratch: regular ones would be a waveform's edges."""
    at = start + np.cumsum(np.random.default_rng(2).uniform(0.008, 0.03, 500))
    return at[at < end]


def test_a_click_in_one_channel_is_not_of_the_crackle_in_the_other():
    at = irregular(1.5, 3.0)
    events, _ = detected(scratched([*((0, a) for a in at), (1, 2.2)], channels=2))
    click, crackle = sorted(events, key=lambda event: event.kind)
    assert [(e.kind, e.channels) for e in (click, crackle)] == [("click", (2,)), ("crackle", (1,))]
    assert click.start == pytest.approx(2.2, abs=PLACE_SECONDS)
    assert (crackle.start, crackle.end) == pytest.approx((at[0], at[-1]), abs=0.002)


def test_a_crackle_of_both_channels_is_one_event_though_an_end_is_missed_in_one():
    at = irregular(1.5, 1.7)
    both = [(channel, a) for channel in (0, 1) for a in at]
    (event,), _ = detected(scratched([*both, (1, at[-1] + 0.005)], channels=2))
    assert (event.kind, event.channels) == ("crackle", (1, 2))
    assert (event.start, event.end) == pytest.approx((at[0], at[-1] + 0.005), abs=0.002)


def test_a_crackle_that_goes_on_is_known_to_be_open_and_told_within_100_ms_of_its_end():
    at = irregular(1.0, 4.0)
    take = scratched([*((0, a) for a in at), (1, 2.5)], channels=2, seconds=6)
    detector = CrackleDetector(RATE, 2)
    block = RATE // 100
    told, open_since = [], []
    for start in range(0, len(take), block):
        events = detector.feed(take[start : start + block])
        told += [(event, (start + block) / RATE) for event in events]
        open_since.append(detector.open_since)
    assert [(event.kind, event.channels) for event, _ in told] == [
        ("click", (2,)),
        ("crackle", (1,)),
    ]
    for event, when in told:
        assert when - event.end <= 0.1
    crackle, when = told[1]
    assert (crackle.start, crackle.end) == pytest.approx((at[0], at[-1]), abs=0.002)
    # Three transients make it a crackle; each is judged 43 ms later at most.
    begun = round((at[2] + 0.06) * 100)
    over = round(when * 100) - 1
    assert {since for since, _ in open_since[begun:over]} == {crackle.start}
    assert {since for since, _ in open_since[: round(at[2] * 100)]} == {None}
    assert {since for since, _ in open_since[over:]} == {None}
    assert {since for _, since in open_since} == {None}  # a click is over as it begins


@pytest.mark.parametrize("offset", np.linspace(0.0, 0.02, 7))
@pytest.mark.parametrize("ragged", [0.0, 0.006, 0.009, 0.012, 0.03])
def test_an_event_is_told_within_100_ms_of_its_end_whatever_the_other_channel_does(offset, ragged):
    at = irregular(1.5, 1.6) + offset
    one, other = [(0, a) for a in at], [(1, a) for a in at[:-1]]
    other += [(1, at[-1] + ragged), (1, at[-1] + 0.045)]
    take = scratched(one + other, channels=2, seconds=2)
    detector = CrackleDetector(RATE, 2)
    block = RATE // 100
    found = 0
    for start in range(0, len(take), block):
        for event in detector.feed(take[start : start + block]):
            found += 1
            assert (start + block) / RATE - event.end <= 0.1
    assert found > 0


@settings(max_examples=8)
@given(st.lists(st.integers(1, 30_000), min_size=1, max_size=10))
def test_blocks_of_any_sizes_give_identical_events(sizes):
    rng = np.random.default_rng(0)
    t = np.arange(3 * RATE) / RATE
    take = np.column_stack([np.sin(2 * np.pi * 440 * t), 0.2 * np.sin(2 * np.pi * 442 * t)])
    take[rng.integers(60_000, 64_000, 12), 0] += 0.5
    take[70_000, :] -= 0.3
    take[100_000:100_040, 1] = 0.0
    take[90_000:, 0] += np.sin(2 * np.pi * 1000 * t[90_000:])  # a new note
    take += 1e-4 * rng.standard_normal(take.shape)
    whole = CrackleDetector(RATE, 2)
    expected = whole.feed(take) + whole.finish()
    assert len(expected) >= 3
    detector = CrackleDetector(RATE, 2)
    events, at, turn = [], 0, 0
    while at < len(take):
        size = sizes[turn % len(sizes)]
        events += detector.feed(take[at : at + size])
        at, turn = at + size, turn + 1
    assert (*events, *detector.finish()) == expected
    assert (detector.counts, detector.energies) == (whole.counts, whole.energies)


@pytest.mark.parametrize("size", [1, 100, 480, 1024, 20_011, 2 * RATE])
def test_a_rush_below_the_edges_of_a_waveform_is_found_in_blocks_of_any_size(size):
    # The edges of the saw are far higher than the rush, which is between them alone.
    rng = np.random.default_rng(5)
    take = 0.6 * (110 * np.arange(2 * RATE) / RATE % 1.0) + 3e-4 * rng.standard_normal(2 * RATE)
    take[RATE : RATE + RATE // 3] += 0.15 * rng.standard_normal(RATE // 3)
    events, detector = detected(take[:, np.newaxis], size=size)
    assert [e.kind for e in events] == ["crackle"]
    assert events[0].start == pytest.approx(1.0, abs=0.0213)  # it is known to a hop
    assert events[0].end == pytest.approx(4 / 3, abs=0.0213)
    assert (events, detector.counts) == (find_crackle(take[:, np.newaxis], RATE), (192,))


@pytest.mark.parametrize("at", np.linspace(1.0, 1.05, 11))
def test_a_click_is_told_within_60_ms(at):
    sound = np.sin(2 * np.pi * 440 * np.arange(2 * RATE) / RATE)
    sound[int(at * RATE)] += 0.5
    take = noisy(sound, 60)[:, np.newaxis]
    detector = CrackleDetector(RATE, 1)
    block = 48
    for start in range(0, len(take), block):
        if events := detector.feed(take[start : start + block]):
            break
    assert (start + block) / RATE - events[0].end <= 0.060


def faultless():
    t = np.arange(8 * RATE) / RATE
    tone = np.sin(2 * np.pi * 220 * t)
    rng = np.random.default_rng(3)
    since = t % 1.5
    struck = sum(np.sin(2 * np.pi * 220 * h * t) / h for h in range(1, 12))
    return {
        "tremolo 10 Hz, 12 dB": tone * (0.625 + 0.375 * np.cos(2 * np.pi * 10 * t)),
        "beating": tone + np.sin(2 * np.pi * 221.7 * t),
        "struck notes": struck * np.exp(-3 * since) * np.minimum(since / 0.002, 1),
        "vibrato": np.sin(2 * np.pi * 440 * t + 2.6 * np.sin(2 * np.pi * 5 * t)),
        "saw 55 Hz": 55 * t % 1.0 - 0.5,
        "pulse 10 %": np.where(110 * t % 1.0 < 0.1, 1.0, 0.0),
        "gated note": tone * (t % 1.0 < 0.5),
        "noise": rng.standard_normal(len(t)),
        "noise hits": rng.standard_normal(len(t)) * np.exp(-20 * (t % 0.5)),
        "hum": np.sin(2 * np.pi * 50 * t) + 0.3 * np.sin(2 * np.pi * 100 * t),
    }


@pytest.mark.parametrize("name", faultless())
@pytest.mark.parametrize("snr", [35, 60])
def test_natural_movement_is_no_crackle(name, snr):
    assert find_crackle(noisy(faultless()[name], snr)[:, np.newaxis], RATE) == ()


@pytest.mark.parametrize(
    "signal",
    [np.zeros(RATE), np.zeros(1), np.zeros(0), np.full(RATE, 0.3)],
    ids=["silence", "one zero", "nothing", "DC"],
)
def test_nothing_gives_no_events(signal):
    assert find_crackle(signal[:, np.newaxis], RATE) == ()


def test_the_last_steps_of_a_converter_are_no_crackle():
    # A decay into digital silence, rounded to 16 bit without dither.
    t = np.arange(6 * RATE) / RATE
    sound = 0.1 * np.exp(-2.5 * t) * np.sin(2 * np.pi * 50 * t)
    assert find_crackle((np.round(sound * 32768) / 32768)[:, np.newaxis], RATE) == ()


def test_bad_input_is_refused():
    with pytest.raises(SignalError, match="no numbers"):
        find_crackle(np.full((RATE, 1), np.nan), RATE)
    with pytest.raises(SignalError, match="frames, channels"):
        find_crackle(np.zeros(RATE), RATE)
    with pytest.raises(SignalError, match="2 channels"):
        CrackleDetector(RATE, 2).feed(np.zeros((100, 1)))


def test_a_contact_in_a_circuit(tmp_path):
    # A dry joint with a bias of 1 V across it, before a coupling capacitor and its load.
    needs("ngspice", "ngspice")
    opened = [(0.7, 0.7001), (1.1, 1.1005), (1.5, 1.502)]
    steps = "0 0"
    for start, end in opened:
        steps += f" {start} 0 {start + 1e-5} 1 {end} 1 {end + 1e-5} 0"
    (tmp_path / "joint.cir").write_text(
        "joint\n"
        "V1 source 0 SIN(1 0.5 440)\nR1 source joint 1k\n"
        "S1 joint after control 0 joint\n.model joint SW(RON=10meg ROFF=1 VT=0.5)\n"
        f"V2 control 0 PWL({steps})\n"
        "R2 after 0 100k\nC1 after out 10u\nR3 out 0 10k\n"
        ".options reltol=1e-5\n.control\nset wr_singlescale\n"
        "tran 20.8333u 2 0 20.8333u\nlinearize v(out)\n"
        f"wrdata {tmp_path}/out.data v(out)\nquit\n.endc\n.end\n"
    )
    command = ["ngspice", "-b", str(tmp_path / "joint.cir")]
    subprocess.run(command, check=True, capture_output=True, timeout=60)
    time, out = np.loadtxt(tmp_path / "out.data").T
    grid = np.arange(int(1.99 * RATE)) / RATE
    events = find_crackle(noisy(np.interp(grid, time, out), 60)[:, np.newaxis], RATE)
    assert [e.kind for e in events] == ["click"] * 3
    for event, (start, end) in zip(events, opened, strict=True):
        assert event.start == pytest.approx(start, abs=PLACE_SECONDS)
        assert event.end == pytest.approx(end, abs=PLACE_SECONDS)


def held_notes(program, keys, drums=False):
    """A standard MIDI file, type 0: notes held for 3 s, twice; 960 ticks a second."""

    def delta(ticks):
        return bytes([*([128 | ticks >> 7] if ticks > 127 else []), ticks & 127])

    status = 9 if drums else 0
    track = b"\0" + bytes([0xC0 | status, program])
    for _ in range(2):
        track += b"".join(delta(0) + bytes([0x90 | status, key, 100]) for key in keys)
        for number, key in enumerate(keys):
            track += delta(0 if number else 2880) + bytes([0x80 | status, key, 0])
        track += delta(480) + bytes([0xB0 | status, 7, 100])
    track += b"\0\xff\x2f\0"
    head = b"MThd" + bytes([0, 0, 0, 6, 0, 0, 0, 1, 1, 224])
    return head + b"MTrk" + len(track).to_bytes(4, "big") + track


@pytest.mark.parametrize(
    ("program", "keys", "drums"),
    [
        (0, (48, 60, 64, 67), False),
        (16, (48, 60, 64, 67), False),
        (48, (55, 62, 71), False),
        (89, (48, 60), False),
        (0, (36, 38, 42, 46, 49), True),
    ],
    ids=["piano", "organ", "strings", "pad", "drums"],
)
def test_a_software_instrument_does_not_crackle_until_its_contact_does(
    tmp_path, program, keys, drums
):
    notes = held_notes(program, keys, drums)
    take = rendered(tmp_path, notes, RATE, "-T", "wav", "-O", "float")
    noise = np.random.default_rng(program).standard_normal(take.shape)
    take = take[: 7 * RATE] + 1e-3 * np.std(take) * noise[: 7 * RATE]
    assert find_crackle(take, RATE) == ()
    if drums:
        return
    take[2 * RATE : 2 * RATE + 5, 1] += 2 * np.std(take)
    (event,) = find_crackle(take, RATE)
    assert (event.kind, event.channels) == ("click", (2,))
    assert event.start == pytest.approx(2.0, abs=PLACE_SECONDS)


@pytest.mark.parametrize(
    ("program", "interval"), [(18, 1.4487), (52, 1.2561)], ids=["rotary organ", "choir"]
)
def test_a_loop_that_clicks_in_a_software_instrument_is_its_own(tmp_path, program, interval):

    key = 55 if program == 18 else 60
    # Type 0, 480 ticks a second: one note of 12 s.
    track = bytes([0, 0xC0, program, 0, 0x90, key, 90, 0xAD, 0, 0x80, key, 0, 0, 0xFF, 0x2F, 0])
    head = b"MThd" + bytes([0, 0, 0, 6, 0, 0, 0, 1, 0, 240]) + b"MTrk"
    midi = head + len(track).to_bytes(4, "big") + track
    take = rendered(tmp_path, midi, RATE, "-R", "0", "-C", "0", "-T", "wav", "-O", "float")
    loose = take[: 12 * RATE].copy()
    events, detector = detected(loose)
    assert len(events) >= 5
    assert without_regular(events, detector.regular) == []
    assert detector.counts == (0, 0)
    assert detector.regular[0].interval == pytest.approx(interval, abs=2e-4)
    opened = (3.3, 4.3, 7.9, 9.02)  # and its jack lets go, at odd moments
    for start in opened:
        loose[round(start * RATE) :][:48] *= 0.05
    events, detector = detected(loose)
    kept = without_regular(events, detector.regular)
    assert near(kept, opened) == (4, 0)
    assert detector.regular[0].interval == pytest.approx(interval, abs=2e-4)


RUSHES = ((2.0, 2.3), (4.0, 4.12), (6.0, 6.8), (8.5, 8.7))


@pytest.mark.parametrize("kind", ["lost samples", "resistance", "hiss"])
@pytest.mark.parametrize("name", ["sine", "chord"])
def test_a_contact_that_only_rustles_is_a_crackle(name, kind):
    """So densely that nothing is between its transients: a worn plug while it is turned."""
    t = np.arange(10 * RATE) / RATE
    sound = 0.2 * np.sin(2 * np.pi * 440 * t)
    if name == "chord":
        sound = 0.1 * sum(np.sin(2 * np.pi * f * t + f) for f in (261.6, 329.6, 392.0))
    rng = np.random.default_rng(12)
    moved = np.zeros(len(t))
    for start, end in RUSHES:
        moved[round(start * RATE) : round(end * RATE)] = 1.0
    if kind == "lost samples":
        sound = sound * (1 - 0.5 * moved * (rng.random(len(t)) < 0.5))
    elif kind == "resistance":  # in series with the load of the next stage
        ohms = np.exp(np.convolve(rng.standard_normal(len(t)), np.ones(24) / 5, "same"))
        sound = sound / (1 + 0.3 * moved * ohms)
    else:
        sound = sound + 0.1 * np.std(sound) * moved * rng.standard_normal(len(t))
    events, detector = detected(noisy(sound, 60)[:, np.newaxis])
    found = [e for e in events if e.kind == "crackle" and e.end - e.start > 0.05]
    least = 2 if kind == "resistance" else 3
    assert len(found) >= least
    for event in found:
        start, end = min(RUSHES, key=lambda rush: abs(rush[0] - event.start))
        assert event.start == pytest.approx(start, abs=0.022)  # a hop
        assert event.end == pytest.approx(end, abs=0.044)
    assert detector.counts[0] >= 100


@pytest.mark.parametrize("seconds", [0.03, 0.1, 0.3])
def test_noise_that_dies_away_or_stays_is_no_rustle(seconds):
    t = np.arange(8 * RATE) / RATE
    noise = 0.1 * np.random.default_rng(13).standard_normal(len(t))
    sound = 0.2 * np.sin(2 * np.pi * 440 * t)
    struck = np.exp(-(t % 2.0) / seconds) * (t >= 2.0)
    begun = (t >= 4.0) * 1.0
    for gain in (struck, begun):
        assert find_crackle(noisy(sound + gain * noise, 60)[:, np.newaxis], RATE) == ()


def test_noise_of_another_program_does_not_crackle(tmp_path):
    needs("sox", "sox")
    import soundfile

    for colour in ("whitenoise", "pinknoise", "brownnoise"):
        path = tmp_path / f"{colour}.wav"
        command = ["sox", "-R", "-n", "-r", str(RATE), str(path), "synth", "8", colour]
        subprocess.run([*command, "gain", "-12"], check=True, capture_output=True, timeout=60)
        take, _ = soundfile.read(path, always_2d=True)
        assert find_crackle(take, RATE) == ()


def organ(seconds):
    """A chord of sines with partials, as an organ's."""
    t = np.arange(seconds * RATE) / RATE
    partials = ((1, 1.0), (2, 0.6), (3, 0.3), (4, 0.25), (6, 0.1))
    return 0.1 * sum(
        a * np.sin(2 * np.pi * f * h * t + h) for f in (220, 277.2, 329.6) for h, a in partials
    )


def through_an_output_stage(signal):
    """A coupling capacitor of 10 uF into 10 kOhm, and 1 kOhm with 10 nF: 1.6 Hz to 16 kHz."""
    from scipy.signal import bilinear, lfilter

    high, low = 1 / (10e-6 * 10e3), 1 / (1e3 * 10e-9)
    return lfilter(*bilinear([low, 0], [1, high + low, high * low], RATE), signal)


def near(events, times, tolerance=0.004):
    """Of so many times, how many are within an event; of the events, how many hold none."""
    hit = [any(e.start - tolerance <= t <= e.end + tolerance for e in events) for t in times]
    lone = [all(not e.start - tolerance <= t <= e.end + tolerance for t in times) for e in events]
    return sum(hit), sum(lone)


def test_a_switch_that_bounces_in_a_circuit(tmp_path):
    # A closed contact that is knocked: it opens some times within 8 ms, each for 0.05 to 0.4 ms.
    needs("ngspice", "ngspice")
    rng = np.random.default_rng(8)
    knocks, steps = [0.8, 1.4, 2.0, 2.6], "0 0"
    for knock in knocks:
        at = knock
        for _ in range(6):
            length = rng.uniform(0.05e-3, 0.4e-3)
            steps += f" {at} 0 {at + 2e-6} 1 {at + length} 1 {at + length + 2e-6} 0"
            at += length + rng.uniform(0.8e-3, 1.6e-3)
    (tmp_path / "bounce.cir").write_text(
        "bounce\n"
        "V1 source 0 SIN(0 0.5 330)\nR1 source a 470\n"
        "S1 a b control 0 contact\n.model contact SW(RON=1meg ROFF=0.1 VT=0.5)\n"
        f"V2 control 0 PWL({steps})\n"
        "R2 b 0 47k\nC1 b out 4.7u\nR3 out 0 10k\nC2 out 0 470p\n"
        ".options reltol=1e-5\n.control\nset wr_singlescale\n"
        "tran 20.8333u 3.2 0 20.8333u\nlinearize v(out)\n"
        f"wrdata {tmp_path}/out.data v(out)\nquit\n.endc\n.end\n"
    )
    command = ["ngspice", "-b", str(tmp_path / "bounce.cir")]
    subprocess.run(command, check=True, capture_output=True, timeout=60)
    time, out = np.loadtxt(tmp_path / "out.data").T
    grid = np.arange(int(3.19 * RATE)) / RATE
    events = find_crackle(noisy(np.interp(grid, time, out), 60)[:, np.newaxis], RATE)
    assert len(events) == len(knocks)
    for event, knock in zip(events, knocks, strict=True):
        assert event.start == pytest.approx(knock, abs=0.002)
        assert 0.004 < event.end - event.start < 0.013


def test_a_worn_wiper_into_a_load():
    # The wiper's contact resistance jumps about where the track is worn: a divider with the load.
    rng = np.random.default_rng(21)
    resistance = np.full(8 * RATE, 20.0)
    worn = [1.5, 3.0, 4.5, 6.0]
    for start in worn:
        at = start
        while at < start + 0.25:
            length = rng.exponential(0.0006)
            resistance[int(at * RATE) : int((at + length) * RATE) + 1] = rng.lognormal(9.0, 1.0)
            at += length + rng.exponential(0.008)
    out = through_an_output_stage(organ(8) * 10e3 / (10e3 + resistance))
    events = find_crackle(noisy(out, 60)[:, np.newaxis], RATE)
    crackles = [e for e in events if e.kind == "crackle"]
    assert near(events, [start + 0.12 for start in worn], 0.05) == (4, 0)
    assert sum(e.end - e.start for e in crackles) > 0.6 * 4 * 0.25
    assert all(any(s - 0.01 < e.start < e.end < s + 0.3 for s in worn) for e in events)


@pytest.mark.parametrize("share", [0.1, 0.3, 1.0])
def test_exponential_discharges_through_an_output_stage(share):
    # Static charge, or a leaky capacitor's: a step that decays with 0.1 to 2 ms.
    rng = np.random.default_rng(31)
    sound = organ(14)
    jump = share * np.std(sound)
    times = 1.0 + np.cumsum(rng.uniform(0.5, 0.8, 18))
    for at in times:
        k = int(at * RATE)
        tau = rng.uniform(0.1e-3, 2e-3) * RATE
        sound[k : k + 1000] += rng.choice([-1, 1]) * jump * np.exp(-np.arange(1000) / tau)
    events = find_crackle(noisy(through_an_output_stage(sound), 60)[:, np.newaxis], RATE)
    found, lone = near(events, times)
    assert (found, lone) == (18, 0)
    assert {e.kind for e in events} == {"click"}


@pytest.mark.parametrize(("colour", "gain"), [("whitenoise", -20), ("pinknoise", -10)])
def test_short_bursts_of_noise_of_another_program(tmp_path, colour, gain):
    needs("sox", "sox")
    import soundfile

    chord, burst, mixed = (tmp_path / f"{name}.wav" for name in ("chord", "burst", "mixed"))
    make = ["sox", "-R", "-n", "-r", str(RATE), "-b", "24"]
    tones = [word for f in (220, 277, 330) for word in ("sine", str(f))]
    commands = [
        [*make, str(chord), "synth", "8", *tones, "remix", "-", "gain", "-6"],
        # 2 ms of noise, then nothing for 698 ms, eleven times
        [*make, str(burst), *f"synth 0.002 {colour} gain {gain} pad 0 0.698 repeat 10".split()],
        ["sox", "-R", "-m", "-v", "1", str(chord), "-v", "1", str(burst), "-b", "24", str(mixed)],
    ]
    for command in commands:
        subprocess.run(command, check=True, capture_output=True, timeout=60)
    take, _ = soundfile.read(mixed)
    events = find_crackle(noisy(take, 60)[:, np.newaxis], RATE)
    times = 0.7 * np.arange(1, 11) + 0.001
    found, lone = near(events, times)
    # The three sines beat with one another within a hop: now and then that looks like a new sound.
    assert found >= 9
    assert lone == 0
