"""Losses of level in sounds that nothing predicts.

That a sound which is switched off within milliseconds and comes back is interrupted, and that one
which dies away is not, is common practice, no source.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, lfilter

from sigbench.measure.dropouts import HUM_IN_PLACE, DropoutDetector, find_dropouts
from sigbench.measure.level_loss import LevelLossWatch

RATE = 48_000
BREAKS = ((1.013, 0.06), (1.7, 0.03), (2.4, 0.3))  # start and length, in seconds


def wind(seconds, seed=1, band=(200, 3000)):
    """Noise of a band: there is next to nothing to predict."""
    noise = np.random.default_rng(seed).standard_normal(round(seconds * RATE))
    b, a = butter(2, np.array(band) / (RATE / 2), "band")
    sound = lfilter(b, a, noise)
    return 0.1 * sound / np.std(sound)


def broken(sound, db, breaks=BREAKS):
    gain = np.ones(len(sound))
    for start, length in breaks:
        gain[round(start * RATE) : round((start + length) * RATE)] = 10 ** (-db / 20)
    return sound * gain + 1e-5 * np.random.default_rng(2).standard_normal(len(sound))


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("db", [30, 60])
def test_a_loss_in_noise_is_found(seed, db):
    events = find_dropouts(broken(wind(4, seed), db)[:, np.newaxis], RATE)
    assert [event.kind for event in events] == ["dropout"] * len(BREAKS)
    for event, (start, length) in zip(events, BREAKS, strict=True):
        assert event.start == pytest.approx(start, abs=0.002)
        assert event.end == pytest.approx(start + length, abs=0.002)
        assert event.depth == pytest.approx(db, abs=3)


def choir(seconds, f, seed):
    """Voices that drift by themselves: each partial is a narrow band of noise, its level a vowel's.

    Nothing of it is the package's: a band is white noise of 20 Hz, moved to its frequency.
    """
    rng = np.random.default_rng(seed)
    count = round(seconds * RATE)
    t = np.arange(count) / RATE
    b, a = butter(2, 10 / (RATE / 2))
    total = np.zeros(count)
    for k in range(1, 14):
        part, other = lfilter(b, a, rng.standard_normal((2, count)))
        vowel = 1 / (1 + ((k * f - 700) / 300) ** 2) + 0.3 / k
        total += vowel * (
            part * np.cos(2 * np.pi * k * f * t) + other * np.sin(2 * np.pi * k * f * t)
        )
    return 0.1 * total / np.std(total)


def coupled(samples, seconds):
    """What an interface lets through: a coupling capacitor, of a time constant."""
    kept = np.exp(-1 / (seconds * RATE))
    return lfilter([(1 + kept) / 2, -(1 + kept) / 2], [1, -kept], samples)


@pytest.mark.parametrize("thump", [-0.3, 0.3])
@pytest.mark.parametrize("seconds", [0.05, 0.2, 0.5])
@pytest.mark.parametrize(
    "sound", [wind, lambda s: choir(s, 196.0, 5), lambda s: choir(s, 330.0, 6)]
)
def test_a_thump_does_not_hide_a_loss(sound, seconds, thump):
    """A capacitor that leaks lies before the contact: where it is open, its voltage is missing."""
    sound = broken(sound(4), 60)
    for start, length in BREAKS:
        sound[round(start * RATE) : round((start + length) * RATE)] += thump
    events = find_dropouts(coupled(sound, seconds)[:, np.newaxis], RATE)
    assert [event.kind for event in events] == ["dropout"] * len(BREAKS)
    for event, (start, length) in zip(events, BREAKS, strict=True):
        assert event.start == pytest.approx(start, abs=0.002)
        assert event.end == pytest.approx(start + length, abs=0.002)
        assert event.depth > 40  # 60, less what the capacitor does within a loss


@pytest.mark.parametrize("seconds", [0.05, 0.5])
def test_a_thump_alone_is_no_loss(seconds):
    for sound in (wind(4), choir(4, 196.0, 5)):
        thumps = np.zeros(len(sound))
        for start, length in BREAKS:
            thumps[round(start * RATE) : round((start + length) * RATE)] = 0.3
        assert find_dropouts(coupled(broken(sound, 0) + thumps, seconds)[:, np.newaxis], RATE) == ()


def test_what_is_heard_in_both_channels_is_one_event():
    take = np.stack([broken(wind(4, seed), 40, BREAKS[:n]) for seed, n in ((1, 3), (2, 1))], axis=1)
    assert [event.channels for event in find_dropouts(take, RATE)] == [(1, 2), (1,), (1,)]


@pytest.mark.parametrize("band", [(30, 300), (200, 3000), (1000, 5000)])
def test_what_goes_on_is_no_loss(band):
    assert find_dropouts(wind(6, 3, band)[:, np.newaxis], RATE) == ()


@pytest.mark.parametrize("release", [0.006, 0.01, 0.03, 0.1])
@pytest.mark.parametrize("attack", [0.001, 0.005, 0.03])
def test_a_note_that_is_struck_again_is_no_loss(release, attack):
    t = np.arange(round(0.6 * RATE)) / RATE
    note = (1 - np.exp(-t / attack)) * np.where(t < 0.45, 1.0, np.exp(-(t - 0.45) / release))
    sound = wind(6, 4) * np.tile(note, 10)
    assert find_dropouts(broken(sound, 0)[:, np.newaxis], RATE) == ()


@pytest.mark.parametrize("f", [28.0, 41.0, 55.0])
def test_the_pauses_of_a_low_pulse_are_its_own(f):
    t = np.arange(4 * RATE) / RATE
    pulse = np.where(f * t % 1.0 < 0.05, 0.5, 0.0) - 0.025
    samples = broken(pulse, 0)[::8]
    assert LevelLossWatch().feed(samples) == []


def mains(count, hertz):
    """An open lead near a transformer: odd lines mostly."""
    t = np.arange(count) / RATE
    return sum(np.sin(2 * np.pi * hertz * k * t + k) / k**1.3 for k in (1, 2, 3, 5, 7, 9))


@pytest.mark.parametrize("rate", [44_100, 48_000])
@pytest.mark.parametrize("hertz", [49.8, 60.0])
@pytest.mark.parametrize("hum_db", [-10, -3, 3])
def test_a_lead_that_is_open_may_hum_as_loud_as_the_sound(rate, hertz, hum_db):
    t = np.arange(4 * rate) / rate
    sound = 0.2 * (220 * t % 1.0 - 0.5)
    hum = mains(len(t), hertz * RATE / rate)
    hum *= 10 ** (hum_db / 20) * np.std(sound) / np.std(hum)
    for start, length in ((1.5, 0.15), (2.5, 0.4)):
        part = slice(round(start * rate), round((start + length) * rate))
        sound[part] = hum[part]
    sound += 1e-5 * np.random.default_rng(3).standard_normal(len(t))
    events = find_dropouts(sound[:, np.newaxis], rate)
    assert [event.kind for event in events] == ["dropout", "dropout"]
    assert [event.text for event in events] == [HUM_IN_PLACE] * 2
    assert [event.start for event in events] == pytest.approx([1.5, 2.5], abs=0.002)
    assert [event.end for event in events] == pytest.approx([1.65, 2.9], abs=0.002)


def drawbars(seconds):
    """A chord of an organ whose rotor turns: partials, each with a movement of its own."""
    rng = np.random.default_rng(8)
    t = np.arange(round(seconds * RATE)) / RATE
    total = np.zeros(len(t))
    for f in (130.8, 164.8, 196.0):
        for k, drawbar in ((0.5, 0.6), (1, 1), (1.5, 0.8), (2, 0.7), (3, 0.5), (4, 0.6), (8, 0.3)):
            turn, phase = 2 * np.pi * rng.uniform(5.6, 6.4), rng.uniform(0, 2 * np.pi, 2)
            level = drawbar * (1 + 0.3 * np.sin(turn * t + phase[0]))
            total += level * np.sin(2 * np.pi * k * f * t + 1.2 * np.sin(turn * t) + phase[1])
    return 0.1 * total / np.std(total)


def rectified(count, hertz, seed):
    """What a bridge rectifier leaves: twice the mains and its multiples, and the mains itself."""
    rng = np.random.default_rng(seed)
    t = np.arange(count) / RATE
    lines = [(2 * k, k**-0.8) for k in range(1, 9)] + [(k, 0.3 / k) for k in (1, 3, 5, 7)]
    hum = sum(a * np.sin(2 * np.pi * hertz * k * t + rng.uniform(0, 6)) for k, a in lines)
    return hum / np.std(hum)


HUMMED = ((1.2, 0.1), (2.1, 0.2), (3.3, 0.4), (4.6, 0.15))


@pytest.mark.parametrize("stays", [False, True])
@pytest.mark.parametrize("hertz", [50.1, 59.9])
@pytest.mark.parametrize("hum_db", [-10, -4, 3])
def test_an_organ_is_lost_in_the_hum_of_a_rectifier(stays, hertz, hum_db):
    organ = drawbars(6)
    hum = 10 ** (hum_db / 20) * np.std(organ) * rectified(len(organ), hertz, 3)
    if not stays:
        hum *= 1 - np.ceil(broken(np.ones(len(organ)), 60, HUMMED) - 0.5)
    take = broken(organ, 60, HUMMED) + hum
    events = find_dropouts(take[:, np.newaxis], RATE)
    assert [event.kind for event in events] == ["dropout"] * len(HUMMED)
    for event, (start, length) in zip(events, HUMMED, strict=True):
        assert event.start == pytest.approx(start, abs=0.004)
        assert event.end == pytest.approx(start + length, abs=0.004)
        assert event.text in ((None,) if stays else (None, HUM_IN_PLACE))
        assert stays or hum_db < 0 or event.text == HUM_IN_PLACE


@settings(max_examples=10)
@given(
    sizes=st.lists(st.integers(1, 9000), min_size=1, max_size=9).filter(lambda s: np.mean(s) > 20)
)
def test_blocks_of_any_sizes_give_the_same_under_hum(sizes):
    organ = drawbars(6)
    hum = 0.5 * np.std(organ) * rectified(len(organ), 50.1, 3)
    samples = (broken(organ, 60, HUMMED) + hum)[::8]
    whole = LevelLossWatch(under_hum=True).feed(samples)
    assert len(whole) >= 3
    watch, found, at, turn = LevelLossWatch(under_hum=True), [], 0, 0
    while at < len(samples):
        size = sizes[turn % len(sizes)]
        found += watch.feed(samples[at : at + size])
        at, turn = at + size, turn + 1
    assert found == whole


def test_a_chord_that_is_struck_over_a_low_note_is_no_loss():
    """F at 349.2 Hz lies at a multiple of 50 Hz, but no hum is made of that one alone."""
    t = np.arange(6 * RATE) / RATE
    held = sum(0.05 / k * np.sin(2 * np.pi * 349.23 * k * t) for k in range(1, 8))
    chord = 0.1 * (440 * t % 1.0 - 0.5) * (t % 0.5 < 0.3)
    assert LevelLossWatch(under_hum=True).feed(broken(held + chord, 0)[::8]) == []


@pytest.mark.parametrize("left_db", [0, -6])
def test_hum_beside_the_sound_is_no_loss(left_db):
    t = np.arange(4 * RATE) / RATE
    sound = 0.2 * np.sin(2 * np.pi * 440 * t)
    part = slice(2 * RATE, round(2.4 * RATE))
    sound[part] *= 10 ** (left_db / 20)
    sound[part] += 0.1 * mains(len(t), 50.0)[part]
    assert [e.kind for e in find_dropouts(broken(sound, 0)[:, np.newaxis], RATE)] in ([], ["dip"])


def test_a_bass_that_goes_on_alone_is_no_loss():
    t = np.arange(6 * RATE) / RATE
    drone = 0.2 * np.sin(2 * np.pi * 49.0 * t) + 0.1 * np.sin(2 * np.pi * 98.0 * t)
    chords = 0.1 * (440 * t % 1.0 - 0.5) * (t % 0.5 < 0.4)
    assert LevelLossWatch(under_hum=True).feed(broken(drone + chords, 0)[::8]) == []


def test_a_loss_is_known_before_it_is_over():
    sound = broken(wind(3, 5), 50, [(1.5, 0.4)])[:, np.newaxis]
    detector = DropoutDetector(RATE, 1)
    detector.feed(sound[: round(1.6 * RATE)])
    assert detector.open_since == (pytest.approx(1.5, abs=0.002),)
    events = detector.feed(sound[round(1.6 * RATE) : round(1.98 * RATE)])
    assert [event.end for event in events] == [pytest.approx(1.9, abs=0.002)]


@pytest.mark.parametrize("thump", [0.0, 0.3])
@settings(max_examples=10)
@given(
    sizes=st.lists(st.integers(1, 9000), min_size=1, max_size=9).filter(lambda s: np.mean(s) > 20)
)
def test_blocks_of_any_sizes_give_the_same(thump, sizes):
    spoiled = broken(wind(4), 40)
    for start, length in BREAKS:
        spoiled[round(start * RATE) : round((start + length) * RATE)] += thump
    samples = coupled(spoiled, 0.2)[::8]
    whole = LevelLossWatch().feed(samples)
    assert len(whole) == len(BREAKS)
    watch, found, at, turn = LevelLossWatch(), [], 0, 0
    while at < len(samples):
        size = sizes[turn % len(sizes)]
        found += watch.feed(samples[at : at + size])
        at, turn = at + size, turn + 1
    assert found == whole


@settings(max_examples=6)
@given(st.lists(st.integers(1, 60_000), min_size=1, max_size=9).filter(lambda s: np.mean(s) > 200))
def test_blocks_of_any_sizes_give_the_same_events(sizes):
    t = np.arange(4 * RATE) / RATE
    tone = 0.2 * np.sin(2 * np.pi * 310 * t)
    open_lead = broken(tone, 60, BREAKS[2:])
    part = slice(round(2.4 * RATE), round(2.7 * RATE))
    open_lead[part] += 0.05 * mains(len(t), 50.0)[part]
    take = np.stack(
        [
            broken(wind(4), 40),
            broken(tone, 40, BREAKS[:2]),
            broken(wind(4, 7), 30, BREAKS[1:]),
            open_lead,
        ],
        axis=1,
    )
    whole = find_dropouts(take, RATE)
    assert [event.channels for event in whole] == [(1, 2), (1, 2, 3), (1, 3, 4)]
    detector, found, at, turn = DropoutDetector(RATE, 4), [], 0, 0
    while at < len(take):
        size = sizes[turn % len(sizes)]
        found += detector.feed(take[at : at + size])
        at, turn = at + size, turn + 1
    assert (*found, *detector.finish()) == whole


@pytest.mark.parametrize("size", [60, 1000, 8000])
def test_a_long_loss_is_as_deep_as_all_of_it_in_blocks_of_any_size(size):
    sound = broken(wind(6), 20, [(1.0, 1.5)])
    samples = broken(sound, 40, [(1.0, 3.6)])[::8]  # some is left only where it is open for longer
    found = []
    watch = LevelLossWatch()
    for at in range(0, len(samples), size):
        found += watch.feed(samples[at : at + size])
    assert found == LevelLossWatch().feed(samples)
    (loss,) = found
    left = (1.5 * 10**-6.0 + 2.1 * 10**-4.0) / 3.6
    assert loss.depth == pytest.approx(-10 * np.log10(left), abs=0.5)


@pytest.mark.parametrize("size", [60, 1000, 8000])
def test_a_long_loss_under_hum_is_the_same_in_blocks_of_any_size(size):
    organ = drawbars(7)
    hum = 0.5 * np.std(organ) * rectified(len(organ), 50.1, 3)
    samples = (broken(organ, 60, [(1.5, 3.4)]) + hum)[::8]
    found = []
    watch = LevelLossWatch(under_hum=True)
    for at in range(0, len(samples), size):
        found += watch.feed(samples[at : at + size])
    assert found == LevelLossWatch(under_hum=True).feed(samples)
    (loss,) = found
    assert (loss.start / 6000, loss.end / 6000) == pytest.approx((1.5, 4.9), abs=0.01)
