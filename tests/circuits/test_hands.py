"""Circuits whose boards are tapped and heated: what their marks tell, from netlist to clue."""

import shutil
from dataclasses import replace

import numpy as np
import pytest

from sigbench.causes.gather import gather
from sigbench.causes.observation import Observation
from sigbench.causes.ranking import rank
from sigbench.causes.records import BY_KEY
from sigbench.checks import measure
from sigbench.checks.soak import soak_courses
from sigbench.circuits import spice
from sigbench.circuits.faults import FAULTS, good
from sigbench.circuits.instrument import Channel, Opening, Parts, netlist, programme
from sigbench.circuits.observed import CHECKS
from sigbench.circuits.takes import HEATS, TAPS, record, warmth
from sigbench.model import CheckSettings

pytestmark = pytest.mark.skipif(
    shutil.which("ngspice") is None, reason="install the Debian package ngspice"
)


def observed(parts: Parts, *names: str, outputs=("main",), seed=3) -> list[Observation]:
    recorded = record(parts, np.random.default_rng(seed), worked_on=True)
    for name, done in (("tapped", TAPS), ("heated", HEATS)):
        take = recorded.takes[outputs[-1], name]
        assert [(m.start, m.text) for m in take.marks] == list(done)
        assert take.seconds > done[-1][0]
    return [
        Observation(
            output,
            measure(
                recorded.takes[output, name],
                CHECKS[name][0],
                CheckSettings(CHECKS[name][1], mains_hz=parts.mains_hz),
            ),
        )
        for output in outputs
        for name in names
    ]


def clues(observations: list[Observation]) -> dict[str, float | None]:
    return {c.name: c.holds for c in gather(observations) if c.holds is not None}


def test_a_regulator_s_joint_opens_when_its_board_is_tapped():
    parts = Parts(opening=Opening("rail +", ((0.1, 0.3),), 1e5), heat_opens=True)
    seen = observed(parts, "tapped", "heated", outputs=("main", "phones"))
    found = clues(seen)
    assert found["comes when tapped"] > 0.9
    assert found["comes when heated"] > 0.9
    assert found["comes from the supply"] > 0.9
    ranking = rank(gather(seen))
    assert ranking.causes[0].name == BY_KEY["regulator joint"].name


def test_a_jack_opens_when_its_own_board_is_tapped():
    parts = Parts(opening=Opening("tip main l", ((0.1, 0.3),), 1e7))
    found = clues(observed(parts, "tapped"))
    assert found["comes when tapped"] > 0.9
    assert found["comes from the supply"] < 0.1


def test_dry_reservoirs_hum_less_when_they_are_warm():
    """Ripple is I/(2 f C): textbook. With more capacitance the regulator holds again."""
    parts = Parts(reservoir_farads=(190e-6, 300e-6), left=Channel(rejection=3e-3), heat_farads=1.5)
    (soak,) = observed(parts, "heated")
    course = soak_courses(soak.measurement).named("hum", 1)
    at = np.array([t for t, _ in course.points])
    hum = np.array([v for _, v in course.points])
    cold, hot = hum[at < HEATS[0][0]], hum[(at > HEATS[0][0] + 12) & (at < HEATS[1][0])]
    assert np.ptp(cold) < 1.0
    assert np.median(hot) < np.median(cold) - 6
    found = clues([soak])
    assert found["comes when heated"] > 0.9
    assert found["comes from the supply"] > 0.9


def test_the_ripple_of_a_warming_reservoir_is_that_of_its_capacitance():
    """Peak to peak I/(2 f C), less the time of recharging: the same share cold and hot."""
    farads = 2200e-6
    parts = Parts(reservoir_farads=(farads, farads), heat_farads=1.5)
    tones = programme(parts)
    warming = next(tone for tone in tones if tone.name == "warming")
    end = warming.start + warming.seconds
    volts = spice.transient(netlist(parts), ["v(rawp)"], seconds=end, samplerate=16_000)[:, 0]
    first = round(warming.start * 16_000)
    cold, hot = np.ptp(volts[first - 1600 : first]), np.ptp(volts[-1600:])
    # Recharging takes a little longer with more capacitance.
    assert cold / hot == pytest.approx(1.5, rel=0.1)


def test_a_transistor_hisses_more_when_it_is_hot_and_a_good_unit_does_not_tell():
    rng = np.random.default_rng(5)
    noisy = FAULTS["noisy"](good(rng, 50.0), False, rng)
    found = clues(observed(noisy, "heated"))
    assert found["comes when heated"] > 0.9
    assert found["comes from the supply"] < 0.1
    sound = clues(observed(replace(Parts(), mains_hz=60.0), "tapped", "heated"))
    assert sound["comes when heated"] < 0.1
    assert sound["comes when tapped"] < 0.1
    assert "comes from the supply" not in sound


def test_a_board_warms_up_and_cools_down_by_newton_s_law():
    seconds = np.arange(0, 72, 1.0)
    first, second = warmth(seconds, 0), warmth(seconds, 1)
    assert first[20] == 0
    # One time constant of 8 s: 63 % (textbook).
    assert first[32] == pytest.approx(1 - np.exp(-1), rel=1e-9)
    assert first[71] < first[47]
    assert second[47] == 0 < second[60]
