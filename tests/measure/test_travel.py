"""Travel of a turned control, against pots made of resistances and hands that are uneven."""

import shutil
import subprocess
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter1d
from scipy.stats import binom

from sigbench.errors import RequestError, SignalError
from sigbench.measure.scrape import (
    SoundReader,
    learn_sound,
    learn_sounds,
    measure_scrape,
    read_cells,
)
from sigbench.measure.travel import (
    AUDIO,
    LINEAR,
    REVERSE_AUDIO,
    SINE,
    SQUARE,
    Taper,
    Turning,
    _full_power,
    _so_many,
    follow,
    measure_travel,
    shafts,
    taper_named,
    turning,
)
from tests.measure import pots
from tests.measure.pots import RATE, Gang, audio, chorused, hand, linear, record, saw, sine

SOUNDFONT = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")


def turned(samples: np.ndarray, taper: Taper | None, rate: int = RATE) -> Turning:
    (one,) = measure_travel(samples, rate, taper=taper)
    return one


def position(found: Turning, x: np.ndarray, rate: int = RATE) -> np.ndarray:
    """True travel in percent at the times of the levels."""
    return 100 * np.interp(found.seconds, np.arange(len(x)) / rate, x)


# --- the taper


@pytest.mark.parametrize(
    "taper",
    [LINEAR, AUDIO, SQUARE, REVERSE_AUDIO, SINE, Taper("linear", 0.4), Taper("audio", 0.1)],
    ids=lambda t: t.name,
)
def test_a_taper_and_its_inverse_agree(taper):
    x = np.linspace(0, 1, 101)
    assert taper.travel(taper.amplitude(x)) == pytest.approx(x, abs=1e-3)
    assert float(taper.amplitude(np.array([0.5]))[0]) == pytest.approx(taper.at_half)


def test_a_loaded_linear_track_follows_thevenin():
    # Textbook: x/(1 + x (1 - x) R/load), here a 10 kilohm track into 22 kilohms.
    x = np.linspace(0, 1, 11)
    a = Gang(load_ohms=22e3, hop_off=0.0).clean(x)
    assert Taper("linear", float(a[5])).amplitude(x) == pytest.approx(a)


@pytest.mark.parametrize("bad", [("linear", 0.6), ("audio", 0.0), ("log", 0.1)])
def test_an_unknown_taper_is_refused(bad):
    with pytest.raises(RequestError):
        Taper(*bad)


@pytest.mark.parametrize(
    ("text", "taper"),
    [
        ("linear", LINEAR),
        ("Audio", AUDIO),
        ("power", SQUARE),
        ("audio:10", Taper("audio", 0.1)),
        ("audio:85", REVERSE_AUDIO),
        ("sine", SINE),
        (" linear : 41.5 % ", Taper("linear", 0.415)),
    ],
)
def test_a_taper_is_named_in_words(text, taper):
    assert taper_named(text) == taper


@pytest.mark.parametrize(
    "text", ["", "log", "audio:", "audio:ten", "audio:10:5", "audio:-10", "audio:1e1", ":10"]
)
def test_a_word_that_names_no_taper_is_told_what_does(text):
    with pytest.raises(RequestError, match=r"no taper: write linear, audio .* or power"):
        taper_named(text)


@pytest.mark.parametrize(
    ("text", "most"),
    [("audio:0", 99), ("audio:100", 99), ("linear:51", 50), ("power:100", 50), ("sine:80", 75)],
)
def test_a_share_that_no_control_has_is_refused(text, most):
    with pytest.raises(RequestError, match=f"give 1 to {most} %"):
        taper_named(text)


# --- where the control stood


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


def test_worn_places_of_both_gangs_are_found_within_three_percent_of_travel():
    errors = []
    for seed in range(4):
        rng = np.random.default_rng(seed)
        law, taper = ((linear, LINEAR), (audio(0.15), AUDIO))[seed % 2]
        x = hand(13, rng, sweeps=3)
        places = ((0.40, 0.48), (0.70, 0.74))
        gangs = tuple(Gang(law, worn=((*place, 0.5),)) for place in places)
        sound = (sine, saw)[seed // 2 % 2](len(x))
        found = turned(record(x, gangs, sound, rng, snr_db=50, clicks=3), taper)
        for gang, (start, end) in zip(found.gangs, places, strict=True):
            assert gang.worn is not None
            assert len(gang.worn) == 1, (seed, gang.worn)
            errors += [gang.worn[0].start - 100 * start, gang.worn[0].end - 100 * end]
            assert gang.worn[0].chance < 0.01
    assert np.max(np.abs(errors)) <= 3.0


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


def test_a_clean_pot_gives_no_worn_and_no_dead_place():
    """More of them are in the benchmark; these few are cut from the same cloth."""
    for seed in range(6):
        rng = np.random.default_rng(100 + seed)
        law, taper = ((linear, LINEAR), (audio(0.1), Taper("audio", 0.1)))[seed % 2]
        sweeps = 3 + seed % 2
        x = hand(4.5 * sweeps, rng, sweeps=sweeps)
        sound = (sine, chorused)[seed // 2 % 2](len(x))
        found = turned(record(x, (Gang(law),), sound, rng, snr_db=35 + 5 * (seed % 6)), taper)
        assert found.spots == ()
        assert found.gangs[0].worn == ()
        assert found.gangs[0].dead == ()


def test_random_clicks_are_told_from_a_worn_place():
    rng = np.random.default_rng(8)
    x = hand(20, rng, sweeps=6)
    gang = Gang(worn=((0.62, 0.66, 0.6),))
    found = turned(record(x, (gang,), sine(len(x)), rng, clicks=12), LINEAR)
    (worn,) = found.gangs[0].worn or ()
    assert worn.start == pytest.approx(62, abs=3)
    assert worn.end == pytest.approx(66, abs=3)
    assert found.gangs[0].wear.share[[20, 180]] == pytest.approx(0, abs=0.4)


def test_a_track_that_is_dirty_all_along_is_told_as_a_whole():
    rng = np.random.default_rng(8)
    x = hand(18, rng, sweeps=5)
    for place, whole in (((0.0, 1.0, 0.15), True), ((0.4, 0.6, 0.15), False)):
        gang = Gang(load_ohms=1e6, worn=(place,))
        found = turned(record(x, (gang,), sine(len(x)), rng), LINEAR).gangs[0]
        assert found.worn
        assert ("the whole track" in (found.why or "")) == whole


@pytest.mark.parametrize("up", [True, False])
def test_contact_that_is_lost_in_one_direction_alone_is_told_with_it(up):
    rng = np.random.default_rng(31)
    x = hand(24.0, rng, sweeps=6, backs=0)
    # A wiper that is lifted when it is pushed, for 8 ms or more at a time
    ahead = np.roll(x, -RATE // 20) - np.roll(x, RATE // 20)
    away = (x > 0.40) & (x < 0.46) & ((ahead if up else -ahead) > 1e-4)
    grain = np.repeat(rng.random(len(x) // 384 + 1) < 0.6, 384)[: len(x)]
    samples = record(x, (Gang(load_ohms=1e6),), sine(len(x)), rng)
    samples[away & grain] *= 0.1
    found = turned(samples, LINEAR)
    assert len(found.passes) == 6
    (worn,) = found.gangs[0].worn or ()
    assert (worn.start, worn.end) == pytest.approx((40, 46), abs=3)
    assert worn.way == ("up" if up else "down")
    assert (worn.passes, worn.crossings) == (3, 3)


@pytest.mark.parametrize("law", [linear, lambda x: (10 ** (2 * x) - 1) / 99])
def test_a_control_that_moves_in_steps_is_not_worn(law):
    rng = np.random.default_rng(32)
    x = hand(30.0, rng, sweeps=6)
    stepped = np.round(x * 15) / 15
    found = turned(record(stepped, (Gang(law, load_ohms=1e6),), saw(len(x)), rng), None)
    # 14 levels between the ends, but for those that are within 4 % of an end on the square law
    assert found.steps is not None
    assert 12 <= found.steps <= 14
    assert len(found.spots) > 30  # or nothing is shown
    (gang,) = found.gangs
    assert gang.worn is None
    assert gang.dead is None
    assert f"moves in {found.steps} steps" in (gang.why or "")


def test_a_hand_that_rests_often_makes_no_steps():
    rng = np.random.default_rng(33)
    x = hand(70.0, rng, sweeps=4, pauses=60)
    found = turned(record(x, (Gang(load_ohms=1e6),), saw(len(x)), rng), LINEAR)
    assert found.steps is None
    assert found.gangs[0].worn == ()


def test_a_pause_on_a_worn_place_hides_it_seldom():
    """One of three passes rests on it for a second and a half, and it clicks twice at random."""
    seconds = [0, 0.5, 2.5, 4.0, 6.0, 6.5, 10.5, 11.0, 15.0, 15.5]
    places = [0, 0, 0.42, 0.42, 1, 1, 0, 0, 1, 1]
    x = np.interp(np.arange(round(15.5 * RATE)) / RATE, seconds, places)
    x = gaussian_filter1d(x, 0.02 * RATE)
    gang = Gang(load_ohms=1e6, worn=((0.40, 0.46, 0.5),))
    whole = 0
    for seed in range(8):
        rng = np.random.default_rng(seed)
        found = turned(record(x, (gang,), sine(len(x)), rng, clicks=2), LINEAR).gangs[0]
        ends = [(worn.start, worn.end) for worn in found.worn or ()]
        assert all(37 < start < end < 49 for start, end in ends)
        whole += len(ends) == 1 and ends[0] == pytest.approx((40, 46), abs=3)
    assert whole >= 5


@settings(derandomize=True, deadline=None, max_examples=30)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=6), st.floats(0.01, 0.99))
def test_chances_of_unlike_passes_add_up(unlike, alike):
    """Against every outcome counted one by one, and the binomial distribution of a library."""
    count = len(unlike)
    wanted = np.arange(count + 1)
    table = np.repeat(np.array(unlike)[:, np.newaxis], count + 1, axis=1)
    chances = [0.0] * (count + 1)
    for outcome in product((0, 1), repeat=count):
        chances[sum(outcome)] += np.prod(
            [p if hit else 1 - p for hit, p in zip(outcome, unlike, strict=True)]
        )
    assert _so_many(table, wanted) == pytest.approx(np.cumsum(chances[::-1])[::-1], abs=1e-12)
    same = _so_many(np.full((count, count + 1), alike), wanted)
    assert same == pytest.approx(binom.sf(wanted - 1, count, alike), abs=1e-12)


def test_a_break_in_the_track_is_a_dead_stretch():
    def broken(x):
        return np.where(x < 0.55, x / 0.55 * 0.40, 0.60 + (x - 0.55) / 0.45 * 0.40)

    rng = np.random.default_rng(5)
    x = hand(14, rng, sweeps=4)
    found = turned(record(x, (Gang(broken),), saw(len(x)), rng), LINEAR)
    (dead,) = found.gangs[0].dead or ()
    assert (dead.start, dead.end) == pytest.approx((40, 60), abs=3)
    assert (dead.passes, dead.crossings) == (4, 4)


def test_lost_contact_is_bridged_and_timed():
    rng = np.random.default_rng(5)
    x = hand(14, rng, sweeps=4)
    samples = record(x, (Gang(),), sine(len(x)), rng)
    start = round(4.0 * RATE)
    samples[start : start + round(0.3 * RATE)] *= 1e-4
    found = turned(samples, LINEAR)
    (lost,) = [s for s in found.spots if s.lost is not None and s.lost[1] - s.lost[0] > 0.1]
    assert lost.lost == pytest.approx((4.0, 4.3), abs=0.01)
    assert abs(found.travel - position(found, x))[780:880].max() < 6
    assert found.gangs[0].worn == ()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_rest_at_a_worn_lower_end_is_no_lost_contact(seed):
    rng = np.random.default_rng(seed)
    x = hand(14, rng, sweeps=4, pauses=0, backs=0)
    gang = Gang(load_ohms=1e6, contact_ohms=5e6, worn=((0.0, 0.07, 0.6),))
    found = turned(record(x, (gang,), sine(len(x)), rng), LINEAR)
    assert found.spots
    # The hand rests there for 0.3 s at least; a bad spot lasts for some ms.
    assert max(b - a for a, b in (s.lost for s in found.spots if s.lost)) < 0.05
    resting = position(found, x) < 0.01
    assert resting.sum() > 100
    assert np.nanmax(found.travel[resting]) < 1.0
    (worn,) = found.gangs[0].worn or ()
    assert (worn.start, worn.end) == pytest.approx((0, 7), abs=1)


@pytest.mark.parametrize("percent", [10, 20, 60])
def test_contact_that_is_lost_low_on_the_travel_is_no_rest_at_the_end(percent):
    rng = np.random.default_rng(5)
    x = hand(14, rng, sweeps=4, pauses=0, backs=0)
    samples = record(x, (Gang(),), sine(len(x)), rng)
    start = int(np.argmax(x > percent / 100))
    samples[start : start + round(0.3 * RATE)] *= 1e-4
    found = turned(samples, LINEAR)
    (lost,) = [s.lost for s in found.spots if s.lost is not None]
    assert lost == pytest.approx((start / RATE, start / RATE + 0.3), abs=0.01)


def test_the_end_residue_is_that_of_the_track_or_a_bound_above_it():
    for hop_off, snr_db in ((3e-3, 60), (1e-3, 50), (1e-5, 35)):
        rng = np.random.default_rng(6)
        x = hand(14, rng, sweeps=4)
        gang = Gang(hop_off=hop_off)
        noisy = record(x, (gang,), sine(len(x)), rng, snr_db=snr_db)
        residue = turned(noisy, LINEAR).gangs[0].end_residue
        true = 20 * np.log10(hop_off)
        if residue.upper_bound:
            assert residue.value > true
        else:
            assert residue.value == pytest.approx(true, abs=max(0.5, 3 * residue.uncertainty))
    assert residue.upper_bound


def test_a_pass_may_start_in_the_middle_and_end_before_the_stops():
    rng = np.random.default_rng(9)
    x = hand(14, rng, sweeps=4, low=0.1, high=0.9, start=0.5)
    found = turned(record(x, (Gang(load_ohms=1e9),), sine(len(x)), rng), LINEAR)
    # The highest level met counts as open: travel is re 90 %.
    true = position(found, x) / 0.9
    assert np.quantile(np.abs(found.travel - true), 0.95) < 1.5


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


def test_with_two_passes_nothing_is_said_of_worn_places():
    rng = np.random.default_rng(12)
    x = hand(8, rng, sweeps=2)
    gang = turned(record(x, (Gang(worn=((0.4, 0.5, 0.5),)),), sine(len(x)), rng), LINEAR).gangs[0]
    assert gang.worn is None
    assert "at least 3 times" in (gang.why or "")


@pytest.mark.parametrize(
    ("law", "kind"),
    [(linear, "linear"), (audio(0.15), "audio"), (audio(0.85), "reverse audio")],
    ids=["linear", "audio", "reverse audio"],
)
def test_a_linear_and_an_audio_track_are_told_apart_by_the_turning(law, kind):
    for seed in range(2):
        rng = np.random.default_rng(40 + seed)
        x = hand(22, rng, sweeps=6)
        found = turned(record(x, (Gang(law),), sine(len(x)), rng), None)
        assert not found.told
        assert found.taper.name.startswith(f"{kind}, ")


def test_a_worn_place_of_a_reverse_audio_track_is_not_taken_for_one_of_a_linear_track():
    """Guessed as linear it would lie 35 % of travel further up."""
    rng = np.random.default_rng(42)
    x = hand(22, rng, sweeps=6)
    gang = Gang(audio(0.85), load_ohms=1e6, worn=((0.38, 0.44, 0.6),))
    samples = record(x, (gang,), sine(len(x)), rng)
    for taper in (None, REVERSE_AUDIO):
        found = turned(samples, taper)
        assert found.taper == REVERSE_AUDIO
        (worn,) = found.gangs[0].worn or ()
        assert (worn.start, worn.end) == pytest.approx((38, 44), abs=3)


def test_cells_do_not_depend_on_the_blocks():
    rng = np.random.default_rng(13)
    x = hand(3, rng, sweeps=1, pauses=0, backs=0)
    signal = record(x, (Gang(),), saw(len(x)), rng)[:, 0]
    sound = learn_sound(signal, RATE)
    whole = read_cells(signal, sound)

    @settings(derandomize=True, deadline=None, max_examples=8)
    @given(st.lists(st.integers(1, len(signal) - 1), max_size=12))
    def in_blocks(cuts):
        reader = SoundReader(sound)
        for block in np.split(signal, sorted(cuts)):
            reader.feed(block)
        cells = reader.cells()
        for name in ("whole", "tone", "residue", "detection"):
            assert np.array_equal(getattr(cells, name), getattr(whole, name))

    in_blocks()


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


def test_scrape_noise_without_a_signal_is_counted():
    """A bias current over the contact's resistance, through a coupling capacitor, and hum."""
    rng = np.random.default_rng(14)
    frames = 6 * RATE
    steps = np.zeros(frames)
    times = np.sort(rng.integers(RATE // 2, frames - RATE // 2, 30))
    for start in times:
        steps[start : start + 240] += rng.lognormal(-5.0, 0.3)
    hum = 1e-4 * np.sin(2 * np.pi * 50 * np.arange(frames) / RATE)
    noisy = steps - steps.mean() + hum + 1e-5 * rng.standard_normal(frames)
    found = measure_scrape(noisy, RATE)
    apart = 1 + np.count_nonzero(np.diff(times) > 0.035 * RATE)
    assert len(found.bursts) == pytest.approx(apart, abs=4)
    quiet = measure_scrape(hum + 1e-5 * rng.standard_normal(frames), RATE)
    assert quiet.bursts == ()
    assert quiet.level.upper_bound


@pytest.mark.parametrize("sound", [sine, saw, chorused, lambda n: saw(n, 55.0)])
@pytest.mark.parametrize("snr_db", [35, 60])
def test_a_volume_control_changes_no_timbre(sound, snr_db):
    """Neither does hum behind it, nor a worn place."""
    rng = np.random.default_rng(17)
    x = hand(11, rng, sweeps=3)
    gang = Gang(audio(0.15), worn=((0.5, 0.56, 0.6),))
    samples = record(x, (gang,), sound(len(x)), rng, snr_db=snr_db, hum_dbfs=-50)
    known = learn_sound(samples[:, 0], RATE)
    assert (known.tonal, known.changing) == (True, False)


def test_too_short_a_take_is_refused():
    with pytest.raises(SignalError, match="too short"):
        measure_travel(np.zeros((RATE // 4, 1)), RATE)


# --- a circuit, by ngspice


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


# --- a software instrument


def test_a_software_organ_through_a_worn_pot(tmp_path):
    """Reed organ (General MIDI program 21), a sampled sound that keeps its level."""
    if shutil.which("fluidsynth") is None or not SOUNDFONT.exists():
        pytest.skip("needs fluidsynth: apt-get install fluidsynth fluid-soundfont-gm")
    score, path = tmp_path / "note.mid", tmp_path / "note.wav"
    # 27000 ticks at 1920 a second: 14 s
    events = b"\x00\xc0\x14\x00\x90\x39\x64\x81\xd2\x78\x80\x39\x00\x00\xff\x2f\x00"
    header = b"MThd\x00\x00\x00\x06\x00\x00\x00\x01\x03\xc0"
    events = b"\x00\xff\x51\x03\x07\xa1\x20" + events
    score.write_bytes(header + b"MTrk" + len(events).to_bytes(4, "big") + events)
    command = ["fluidsynth", "-ni", "-q", "-R", "0", "-C", "0", "-g", "0.8", "-r", str(RATE)]
    subprocess.run(
        [*command, "-F", str(path), str(SOUNDFONT), str(score)],
        check=True,
        capture_output=True,
        timeout=60,
    )
    import soundfile

    sound = soundfile.read(path)[0][round(0.3 * RATE) : 14 * RATE, 0]
    rng = np.random.default_rng(15)
    x = hand(12, rng, sweeps=4)[: len(sound)]
    gang = Gang(audio(0.15), worn=((0.55, 0.62, 0.5),))
    samples = record(x, (gang,), sound[: len(x)], rng, snr_db=50)
    found = turned(samples, AUDIO).gangs[0]
    (worn,) = found.worn or ()
    assert (worn.start, worn.end) == pytest.approx((55, 62), abs=3)
    clean = record(x, (replace(gang, worn=()),), sound[: len(x)], rng, snr_db=50)
    assert turned(clean, AUDIO).gangs[0].worn == ()


def test_a_level_that_never_moves_has_no_scatter():
    """A dead channel beside a live one: every cell may have the same power."""
    assert _full_power(np.full(400, 1e-6)) == (pytest.approx(1e-6), 0.0)
