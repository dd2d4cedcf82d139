"""The pot check: readings, events, and what is not said."""

from dataclasses import replace

import numpy as np
import pytest

from sigbench.checks.pot import check_pot
from sigbench.interface.base import capture
from sigbench.interface.simulated import REPAIRED, SimulatedInterface
from sigbench.model import CheckSettings, LostBuffers, Measurement, Reading, Take
from tests.checks.takes import only, take
from tests.measure.pots import RATE, Gang, hand, record, sine

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


def test_a_click_in_both_channels_is_one_event():
    found = check_pot(pot(worn=False, clicks=3)[0], LINEAR)
    assert [e.channels for e in found.events] == [(1, 2)] * 3
    assert only(found, "worn_travel", 1).value == ()


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


def test_a_control_that_was_not_turned_is_told():
    rng = np.random.default_rng(4)
    still = sine(4 * RATE) + 1e-4 * rng.standard_normal(4 * RATE)
    found = check_pot(take(still, still), ANY)
    worn = only(found, "worn_travel", 1)
    assert worn.state == "invalid"
    assert "not turned" in (worn.why or "")
    assert pair(found, "gang_error").state == "invalid"


@pytest.mark.parametrize("samples", [np.zeros(2 * RATE), np.full(2 * RATE, 0.1)])
def test_digital_silence_says_nothing(samples):
    found = check_pot(take(samples), ANY)
    for name in ("worn_travel", "dead_travel", "end_residue", "crackle_rate", "crackle_energy"):
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
