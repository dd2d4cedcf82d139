"""The pot check: readings, events, and what is not said."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter

from sigbench.checks.pot import OF_CRACKLE, OF_TRAVEL, check_pot
from sigbench.interface.base import capture
from sigbench.interface.simulated import REPAIRED, SimulatedInterface
from sigbench.model import CheckSettings, Event, LostBuffers, Measurement, Reading, Take
from tests.checks.takes import only, take
from tests.measure.pots import RATE, Gang, audio, hand, mismatched, record, saw, sine

ANY = CheckSettings()
LINEAR = CheckSettings(taper="linear")


def pot(
    worn: bool, *, seconds: float = 12.0, seed: int = 1, **more: int
) -> tuple[Take, np.ndarray]:
    """Both gangs of a linear pot, the first worn from 40 % to 46 %."""
    rng = np.random.default_rng(seed)
    x = hand(seconds, rng, sweeps=3)
    places = ((0.40, 0.46, 0.6),) if worn else ()
    gangs = (Gang(load_ohms=1e6, worn=places), Gang(load_ohms=1e6))
    return take(*record(x, gangs, sine(len(x)), rng, **more).T), x


def pair(measurement: Measurement, name: str) -> Reading:
    (one,) = [r for r in measurement.readings if r.name == name]
    return one


def test_a_worn_gang_is_told_from_its_sound_neighbour():
    found = check_pot(pot(worn=True)[0], LINEAR)
    worn = only(found, "worn_travel", 1)
    assert worn.unit == "%"
    ((start, end),) = worn.value  # type: ignore[misc, union-attr]
    assert (start, end) == pytest.approx((40, 46), abs=3)
    assert len(worn.uncertainty) == 1  # type: ignore[arg-type]
    assert "linear" in (worn.why or "")
    assert only(found, "worn_travel", 2).value == ()
    assert only(found, "dead_travel", 1).value == ()
    assert (
        only(found, "crackle_rate", 1).value
        > 3 * (only(found, "crackle_rate", 1).uncertainty or 0) / 2
    )
    assert only(found, "crackle_rate", 2).value == 0
    assert only(found, "crackle_energy", 1).value > only(found, "crackle_energy", 2).value + 20
    assert only(found, "crackle_energy", 2).upper_bound
    gang = pair(found, "gang_error")
    assert gang.channels == (1, 2)
    assert np.abs(np.array(gang.value)[:, 1]).max() < 0.1
    assert found.events
    assert {e.channels for e in found.events} == {(1,)}
    assert {e.kind for e in found.events} <= {"crackle", "click", "dropout"}
    assert all("% of travel" in (e.text or "") for e in found.events)


def test_the_law_that_was_guessed_is_named_and_costs_certainty():
    samples, _ = pot(worn=True)
    told, guessed = (check_pot(samples, s) for s in (LINEAR, ANY))
    assert "guessed" in (only(guessed, "worn_travel", 1).why or "")
    first, second = (only(m, "worn_travel", 1).uncertainty for m in (told, guessed))
    assert max(second) >= max(first)  # type: ignore[type-var, arg-type]


def test_a_load_that_bends_reverse_audio_is_no_secret_and_can_be_told():
    rng = np.random.default_rng(4)
    x = hand(12.0, rng, sweeps=3)
    gang = Gang(audio(0.85), track_ohms=10e3, load_ohms=50e3, worn=((0.55, 0.61, 0.6),))
    loaded = take(*record(x, (gang,), sine(len(x)), rng).T)
    blind = only(check_pot(loaded, CheckSettings(taper="audio:85")), "worn_travel", 1)
    assert "by up to 3 % if it is 10 times the track, 6 % if it is 5 times" in (blind.why or "")
    ((start, end),) = blind.value  # type: ignore[misc, union-attr]
    assert 48 < start < 53  # too low, as is said
    # At half travel: 0.85 / (1 + 0.85 x 0.15 x 10 / 50), Thevenin.
    told = only(check_pot(loaded, CheckSettings(taper="audio:82.9")), "worn_travel", 1)
    ((start, end),) = told.value  # type: ignore[misc, union-attr]
    assert (start, end) == pytest.approx((55, 61), abs=2.5)
    plain = only(check_pot(loaded, CheckSettings(taper="linear")), "worn_travel", 1)
    assert "loads" not in (plain.why or "")


def test_a_click_in_both_channels_is_one_event():
    found = check_pot(pot(worn=False, clicks=3)[0], LINEAR)
    assert [e.channels for e in found.events] == [(1, 2)] * 3
    assert only(found, "worn_travel", 1).value == ()


def test_hum_beside_the_lowest_partial_takes_nothing_from_the_highest_level():
    # 55 Hz beside 50 Hz: six tenths of a saw's power are in that partial.
    rng = np.random.default_rng(42)
    x = hand(16.0, rng, sweeps=4)
    sound = saw(len(x), 55.0)
    samples = record(x, (Gang(load_ohms=1e6),), sound, rng, hum_dbfs=-40.0)
    top = only(check_pot(take(*samples.T), LINEAR), "top_level")
    truth = 10 * np.log10(2 * np.mean(sound**2))
    assert top.value == pytest.approx(truth, abs=0.6)  # 2 to 5 dB, if that partial were left out


def test_a_law_that_is_none_of_the_usual_costs_the_certainty_that_it_should():
    # 40 dB over the travel, evenly: no two straight pieces.
    rng = np.random.default_rng(43)
    x = hand(24.0, rng, sweeps=6)
    gang = Gang(lambda x: (10 ** (2 * x) - 1) / 99, load_ohms=1e6, worn=((0.60, 0.66, 0.6),))
    worn = only(check_pot(take(*record(x, (gang,), sine(len(x)), rng).T), ANY), "worn_travel")
    ((start, end),) = worn.value  # type: ignore[misc, union-attr]
    (u,) = worn.uncertainty  # type: ignore[misc]
    assert abs(start - 60) > 3  # or there is nothing to be uncertain of
    assert max(abs(start - 60), abs(end - 66)) < 2 * u
    assert "no usual law fits" in (worn.why or "")


def test_a_sound_that_does_not_hold_its_level_is_named_with_a_law_that_was_told():
    rng = np.random.default_rng(44)
    x = hand(24.0, rng, sweeps=6)
    swell = 10 ** (1.5 * np.sin(2 * np.pi * 0.13 * np.arange(len(x)) / RATE) / 20)
    found = check_pot(take(*record(x, (Gang(),), swell * sine(len(x)), rng).T), LINEAR)
    assert "the sound is not steady" in (only(found, "worn_travel").why or "")


@pytest.mark.parametrize("beating", [False, True])
def test_where_the_sound_hides_what_repeats_it_is_not_said_that_nothing_does(beating):
    """Two oscillators, detuned: the level moves by itself, and passes do not lie on one another."""
    rng = np.random.default_rng(45)
    x = hand(30.0, rng, sweeps=6)
    t = np.arange(len(x)) / RATE
    sound = np.sin(2 * np.pi * 220 * t) + beating * 0.5 * np.sin(2 * np.pi * 221.3 * t)
    gang = Gang(worn=((0.5, 0.53, 0.8),))
    found = check_pot(take(*record(x, (gang,), sound, rng).T), LINEAR)
    worn = only(found, "worn_travel")
    if beating:
        assert worn.state == "invalid"
        assert only(found, "worn_share").state == "invalid"
        assert only(found, "dead_travel").state == "invalid"
        assert "hold a steady sound" in (worn.why or "")
    else:
        ((start, end),) = worn.value  # type: ignore[misc, union-attr]
        assert (start, end) == pytest.approx((50, 53), abs=3)
    assert only(found, "crackle_rate").value > 0.1
    assert any("−" in (event.text or "") for event in found.events)
    assert not any("-" in (event.text or "") for event in found.events)


@pytest.mark.parametrize("worn", [False, True])
def test_the_clicks_of_a_sample_loop_are_no_wear(worn):
    rng = np.random.default_rng(41)
    x = hand(24.0, rng, sweeps=6)
    # A sample of 0.21 s whose end does not meet its start: played again and again, it jumps.
    t = np.arange(round(0.21 * RATE)) / RATE
    sample = sum(np.sin(2 * np.pi * 110 * k * t + k * k) / k for k in range(1, 25))
    sample = 0.1 * sample + 0.1 * t / t[-1]
    places = ((0.40, 0.46, 0.6),) if worn else ()
    gang = Gang(load_ohms=1e6, worn=places)
    found = check_pot(take(*record(x, (gang,), np.resize(sample, len(x)), rng).T), LINEAR)
    if worn:
        ((start, end),) = only(found, "worn_travel").value  # type: ignore[misc, union-attr]
        assert (start, end) == pytest.approx((40, 46), abs=3)
    else:
        assert only(found, "worn_travel").value == ()
        assert len(found.events) <= 3  # of some hundred
    rate = only(found, "crackle_rate")
    assert "clicks at regular intervals of 0.210 s" in (rate.why or "")


def test_the_reading_says_in_which_direction_a_place_crackles():
    rng = np.random.default_rng(31)
    x = hand(24.0, rng, sweeps=6, backs=0)
    ahead = np.roll(x, -RATE // 20) - np.roll(x, RATE // 20)
    grain = np.repeat(rng.random(len(x) // 384 + 1) < 0.6, 384)[: len(x)]
    samples = record(x, (Gang(load_ohms=1e6),), sine(len(x)), rng)
    samples[(x > 0.40) & (x < 0.46) & (ahead > 1e-4) & grain] *= 0.1
    worn = only(check_pot(take(*samples.T), LINEAR), "worn_travel")
    assert "crackles only when it is turned up: in 3 of 3 such passes" in (worn.why or "")


def test_what_the_computer_lost_is_not_the_pots():
    samples, _ = pot(worn=False)
    at = 5 * RATE
    broken = np.delete(samples.samples, slice(at, at + 300), axis=0)
    lost = take(*broken.T, lost=(LostBuffers(at, 300),))
    found = check_pot(lost, LINEAR)
    assert [e.kind for e in found.events] == ["lost_buffers"]
    assert only(found, "crackle_rate", 1).value == 0
    unmarked = check_pot(take(*broken.T), LINEAR)
    assert [e.channels for e in unmarked.events] == [(1, 2)]


def test_without_a_sound_the_scrape_alone_is_counted():
    rng = np.random.default_rng(3)
    noise = 1e-5 * rng.standard_normal(6 * RATE)
    for start in range(RATE, 5 * RATE, RATE // 2):
        noise[start : start + 96] += 0.01
    found = check_pot(take(noise), ANY)
    assert only(found, "crackle_rate").value == pytest.approx(8 / 6)
    assert only(found, "crackle_energy").unit == "dBFS"
    # 96 samples of 0.01, eight times in six seconds, re the mean square of a full-scale sine.
    power = 8 * 96 / RATE * 1e-4 / 6 / 0.5
    assert only(found, "crackle_energy").value == pytest.approx(10 * np.log10(power), abs=2)
    worn = only(found, "worn_travel")
    assert worn.state == "invalid"
    assert "no steady sound" in (worn.why or "")


def carrying_dc(gang: Gang, seed: int) -> np.ndarray:
    """A volt over the track, the wiper behind a coupling capacitor (20 Hz), hum, and noise."""
    rng = np.random.default_rng(seed)
    volts = gang.gain(hand(11, rng, sweeps=3), rng)
    pole = np.exp(-2 * np.pi * 20 / RATE)
    heard = lfilter([1.0, -1.0], [1.0, -pole], volts, zi=[-volts[0]])[0]
    time = np.arange(len(heard)) / RATE
    hum = 1e-4 * np.sin(2 * np.pi * 50 * time)
    return np.asarray(0.3 * heard + hum + 1e-5 * rng.standard_normal(len(heard)))


@pytest.mark.parametrize("ohms", [300.0, 200e3], ids=["faint", "strong"])
def test_a_control_that_carries_dc_is_told_by_its_scrape(ohms):
    clean, worn = Gang(), Gang(worn=((0.4, 0.5, 0.6),), contact_ohms=ohms)
    found = check_pot(take(carrying_dc(clean, 5), carrying_dc(worn, 5)), ANY)
    assert only(found, "crackle_rate", 1).value == 0
    quiet, loud = (only(found, "crackle_energy", channel) for channel in (1, 2))
    assert quiet.upper_bound
    assert not loud.upper_bound
    assert quiet.unit == loud.unit == "dBFS"
    assert loud.value > quiet.value + 40  # type: ignore[operator]
    # Three passes of the place, one burst or more each.
    own = [event for event in found.events if event.channels == (2,)]
    assert len(own) >= 3
    assert only(found, "crackle_rate", 2).value == pytest.approx(len(own) / 11, rel=0.2)
    assert {event.kind for event in own} == {"crackle"}
    assert len(found.events) == len(own)
    for name in OF_TRAVEL:
        assert only(found, name, 2).state == "invalid"
        assert "no steady sound" in (only(found, name, 2).why or "")


def filtered(cutoff: np.ndarray, order: int, hertz: float = 220.0) -> np.ndarray:
    """A held saw whose partials a filter lowers, at each moment by its cutoff in hertz."""
    time = np.arange(len(cutoff)) / RATE
    return 0.1 * sum(
        np.sin(2 * np.pi * k * hertz * time) / k / np.sqrt(1 + (k * hertz / cutoff) ** (2 * order))
        for k in range(1, int(8e3 / hertz) + 1)
    )


@pytest.mark.parametrize("worn", [False, True], ids=["sound", "worn"])
@pytest.mark.parametrize("control", ["filter", "filter that closes", "pitch"])
def test_a_control_that_changes_the_sound_itself_has_no_crackle_of_it(control, worn):
    rng = np.random.default_rng(7)
    x = hand(11, rng, sweeps=3)
    bad = (
        worn
        & (np.abs(x - 0.45) < 0.03)
        & np.repeat(rng.random(len(x) // 96 + 1) < 0.3, 96)[: len(x)]
    )
    place = np.where(bad, 0.3 * x, x)
    heard = {
        "filter": lambda: filtered(200 * 50**place, 4),
        "filter that closes": lambda: filtered(20 * 500**place, 4),
        "pitch": lambda: 0.2 * np.sin(2 * np.pi * np.cumsum(220 * 2**place) / RATE),
    }[control]()
    found = check_pot(take(heard + 4e-5 * rng.standard_normal(len(x))), ANY)
    assert found.events == ()
    for name, unit in (OF_TRAVEL | OF_CRACKLE).items():
        value = only(found, name)
        assert (value.state, value.unit) == ("invalid", unit)
        assert "the sound changes its timbre or pitch" in (value.why or "")


def test_a_break_in_the_track_is_counted_and_compared():
    def broken(x: np.ndarray) -> np.ndarray:
        return np.where(x < 0.55, x / 0.55 * 0.40, 0.60 + (x - 0.55) / 0.45 * 0.40)

    rng = np.random.default_rng(5)
    x = hand(14, rng, sweeps=4)
    found = check_pot(take(*record(x, (Gang(broken, load_ohms=1e6),), sine(len(x)), rng).T), LINEAR)
    assert only(found, "jumps").value == 4
    share = only(found, "dead_share")
    assert share.value == pytest.approx(20, abs=3)
    assert share.uncertainty == pytest.approx(1, abs=1)
    assert only(found, "dropouts").value == 0
    jumps = [e for e in found.events if (e.text or "").startswith("jump from")]
    assert len(jumps) == 4
    assert "pass 1" in (jumps[0].text or "")


def test_the_highest_level_is_that_of_the_sound_and_lost_contact_is_counted():
    rng = np.random.default_rng(5)
    x = hand(14, rng, sweeps=4)
    samples = record(x, (Gang(load_ohms=1e6), Gang(load_ohms=1e6)), sine(len(x)), rng)
    samples[4 * RATE : round(4.3 * RATE), 0] *= 1e-4
    samples[9 * RATE : round(9.1 * RATE), 0] *= 1e-4
    found = check_pot(take(*samples.T), LINEAR)
    for channel, lost in ((1, 2), (2, 0)):
        top = only(found, "top_level", channel)
        assert top.unit == "dBFS"
        # A sine of amplitude 0.3 through a track that is fully up (AES17).
        assert top.value == pytest.approx(20 * np.log10(0.3), abs=0.1)
        assert only(found, "dropouts", channel).value == lost
    assert only(found, "worn_share", 2).value == 0


def test_what_happens_in_a_pause_does_not_count():
    samples, _ = pot(worn=False)
    noisy = samples.samples.copy()
    rng = np.random.default_rng(2)
    for at in (4.1, 4.4, 4.7):
        noisy[round(at * RATE) : round(at * RATE) + 40] += 0.05 * rng.standard_normal((40, 1))
    marks = (Event("mark", 4.0, 5.0, (), text="paused"), Event("mark", 6.0, 6.0, (), text="oiled"))
    found = check_pot(replace(take(*noisy.T), marks=marks), LINEAR)
    assert found.events == marks
    assert only(found, "crackle_rate", 1).value == 0
    unmarked = check_pot(take(*noisy.T), LINEAR)
    assert len(unmarked.events) == 3


def test_the_largest_gang_error_is_a_number_of_its_own():
    rng = np.random.default_rng(3)
    x = hand(14, rng, sweeps=4)
    gangs = tuple(
        mismatched(lambda x: x, lambda x: 2 * np.sin(np.pi * x), sign, load_ohms=1e9)
        for sign in (1, -1)
    )
    found = check_pot(take(*record(x, gangs, sine(len(x)), rng).T), LINEAR)
    most = pair(found, "gang_error_most")
    assert most.value == pytest.approx(2.0, abs=0.1)
    assert "50 % of travel" in (most.why or "")


def test_a_pan_control_says_so_and_claims_no_place_that_is_not_known():
    rng = np.random.default_rng(4)
    x = hand(14, rng, sweeps=4)
    samples = take(*record(x, (Gang(),), sine(len(x)), rng, clicks=2).T)
    back = record(1 - x, (Gang(),), sine(len(x)), rng)[:, 0]
    pan = replace(samples, samples=np.stack([samples.samples[:, 0], back], axis=1))
    found = check_pot(pan, ANY)
    for channel, other in ((1, 2), (2, 1)):
        remark = only(found, "worn_travel", channel).why or ""
        assert f"channel {other} moves against this one" in remark
    assert found.events
    assert all("% of channel 1's travel" in (event.text or "") for event in found.events)
    untold = check_pot(pan, CheckSettings(taper="audio"))
    for channel in (1, 2):
        worn = only(untold, "worn_travel", channel)
        assert worn.state == "invalid"
        assert "move against each other" in (worn.why or "")
        assert only(untold, "crackle_rate", channel).state == "ok"
    assert untold.events
    assert not any("% of" in (event.text or "") for event in untold.events)


def test_a_control_that_was_not_turned_is_told():
    rng = np.random.default_rng(4)
    still = sine(4 * RATE) + 1e-4 * rng.standard_normal(4 * RATE)
    found = check_pot(take(still, still), ANY)
    worn = only(found, "worn_travel", 1)
    assert worn.state == "invalid"
    assert "not turned" in (worn.why or "")
    assert pair(found, "gang_error").state == "invalid"


@pytest.mark.parametrize(
    ("low", "decibels"), [(0.3, 8.5), (0.5, 4.1)], ids=["far enough", "not far enough"]
)
def test_a_control_that_is_turned_along_a_part_of_its_travel(low, decibels):
    """Up to 80 %: 20 log10(0.8 / 0.3) is 8.5 dB, 20 log10(0.8 / 0.5) is 4.1 dB."""
    rng = np.random.default_rng(4)
    x = hand(14, rng, sweeps=4, low=low, high=0.8)
    gang = Gang(load_ohms=1e9, contact_ohms=2e9, worn=((0.6, 0.65, 0.6),))
    found = check_pot(take(*record(x, (gang,), sine(len(x)), rng).T), LINEAR)
    worn = only(found, "worn_travel")
    assert f"the level moves by {decibels} dB only" in (worn.why or "")
    assert found.events
    if low == 0.5:
        assert worn.state == "invalid"
        assert all((event.text or "").endswith(" dB re the sound") for event in found.events)
    else:
        ((start, end),) = worn.value  # type: ignore[misc, union-attr]
        assert (start, end) == pytest.approx((60 / 0.8, 65 / 0.8), abs=3)
        assert "100 % is the highest place met" in (worn.why or "")
        assert only(found, "end_residue").value == pytest.approx(-decibels, abs=0.1)


@pytest.mark.parametrize("samples", [np.zeros(2 * RATE), np.full(2 * RATE, 0.1)])
def test_digital_silence_says_nothing(samples):
    found = check_pot(take(samples), ANY)
    for name in OF_TRAVEL | OF_CRACKLE:
        assert only(found, name).state == "invalid"


def test_a_clipped_take_is_worth_nothing():
    samples, _ = pot(worn=False)
    loud = np.clip(samples.samples * 4, -1, 1)
    found = check_pot(take(*loud.T), LINEAR)
    assert "clipped" in (only(found, "worn_travel", 1).why or "")


def test_the_worn_spots_of_the_simulated_unit_are_found():
    """Its volume pot has a square law; it is turned evenly, up and down, four times."""
    bench = SimulatedInterface(replace(REPAIRED, pot_wear=0.01), seed=3)
    bench.hold(440.0, "saw")
    parts = []
    for ends in ((0, 1), (1, 0), (0, 1), (1, 0)):
        bench.turn_volume(*ends, seconds=2.6)
        parts.append(capture(bench, seconds=3.0).samples)
    found = check_pot(take(*np.concatenate(parts).T), CheckSettings(taper="power"))
    for channel in (1, 2):
        track = np.random.default_rng([3, channel])
        at = np.flatnonzero(track.random(400) < 0.01)
        ohms = 10 ** track.uniform(3, 6, 400)[at]
        spots = 100 * at / 400
        # Into 100 kilohms: 20 kilohms lower the level by 1.6 dB. Fainter ones need not be found.
        audible = spots[(spots > 3) & (ohms > 20e3)]
        stretches = only(found, "worn_travel", channel).value
        assert stretches
        for start, end in stretches:  # type: ignore[misc, union-attr]
            assert np.abs(spots - (start + end) / 2).min() < 3
        middle = [np.abs(np.array(stretches) - spot).min() for spot in audible]
        assert np.max(middle) < 3
