"""What came of what a person did: marks, interruptions and courses written down by hand."""

from dataclasses import replace

import numpy as np
import pytest

from sigbench.causes.deeds import deeds, outcomes
from sigbench.causes.observation import Observation
from sigbench.model import Event, Measurement, Reading, Source
from tests.causes.observed import broke, clue, jack

SOURCE = Source("file", None, None, 48_000, 2, 48_000 * 90)


def mark(at: float, text: str) -> Event:
    return Event("mark", at, at, (), None, text)


def soak(*events: Event, **courses: list[float]) -> Measurement:
    """Courses of channel 1: a point every 6 s, of level every 2 s."""
    readings = []
    for name, values in courses.items():
        every = 2.0 if name == "level" else 6.0
        points = tuple((every * (k + 0.5), v) for k, v in enumerate(values))
        readings.append(Reading(f"{name}_course", points, "dBFS", 1, (0.1,) * len(points)))
    return Measurement("soak", SOURCE, tuple(readings), events)


def steady(count: int, value: float, seed: int = 0) -> list[float]:
    return list(value + np.random.default_rng(seed).normal(0, 0.2, count))


def clue_of(name: str, *measurements: Measurement):
    return clue([Observation("main", m) for m in measurements], name)


@pytest.mark.parametrize(
    ("text", "kind", "supply"),
    [
        ("tapped the regulator board", "tapped", True),
        ("heat gun on the power supply", "heated", True),
        ("cold spray, headphone op-amp", "heated", False),
        ("pressed beside the jack", "tapped", False),
        ("tapped", "tapped", None),
    ],
)
def test_marks_say_what_was_done_and_where(text, kind, supply):
    (deed,) = deeds(soak(mark(10.0, text)))
    assert (deed.kind, deed.supply) == (kind, supply)


def test_other_marks_are_no_deeds():
    assert deeds(soak(mark(10.0, "mark"), mark(20.0, "note A3"), mark(30.0, "photo taken"))) == ()


def test_hum_that_falls_when_heated_is_told_with_its_place():
    falls = soak(
        mark(30.0, "heat gun on the regulator board"),
        mark(60.0, "heat gun on the output board"),
        level=steady(45, -10.0),
        hum=[*steady(5, -60.0), -68.0, -74.0, -76.0, -76.5, -76.4, *steady(5, -76.0)],
    )
    supply, other = outcomes(falls)
    assert [(c.name, c.channel) for c in supply.changes] == [("hum", 1)]
    assert supply.changes[0].decibels == pytest.approx(-16, abs=4)
    assert not other.anything
    found = clue_of("comes when heated", falls)
    assert found.holds > 0.9
    assert "heat gun on the regulator board" in found.seen
    assert clue_of("comes from the supply", falls).holds > 0.9


def test_hiss_that_rises_elsewhere_is_not_the_supply_s():
    rises = soak(
        mark(30.0, "cold spray on the supply"),
        mark(60.0, "warm air on the output amplifier"),
        level=steady(45, -10.0),
        noise=[*steady(10, -70.0), -69.0, -66.0, -64.0, -63.5, -63.4],
    )
    assert clue_of("comes when heated", rises).holds > 0.9
    assert clue_of("comes from the supply", rises).holds < 0.1


@pytest.mark.parametrize(
    "courses",
    [
        {"hum": steady(15, -60.0)},  # nothing happens
        {"hum": list(np.linspace(-60, -74, 15))},  # it was on its way before
        {"hum": steady(5, -120.0) + steady(10, -105.0)},  # nobody hears that
        {"hum": [-60.0, -52.0, -61.0, -53.0, -60.0, -52.0, -61.0, -54.0] * 2},  # it scatters anyway
    ],
)
def test_what_does_not_begin_with_the_heat_does_not_come_of_it(courses):
    found = soak(mark(30.0, "heat gun on the supply"), level=steady(45, -10.0), **courses)
    assert clue_of("comes when heated", found).holds < 0.1
    assert clue_of("comes from the supply", found).holds is None


def test_without_marks_nothing_is_told():
    silent = soak(level=steady(45, -10.0), hum=steady(5, -60.0) + steady(10, -80.0))
    assert clue_of("comes when heated", silent).holds is None


def test_taps_one_after_the_other_at_two_places():
    """Three seconds after a tap the next one comes: only what is soon after a tap tells."""
    taps = [mark(t, "tapped the regulator board") for t in (3.0, 6.0)]
    taps += [mark(t, "tapped the jack") for t in (9.0, 12.0)]
    breaks = [Event("dropout", t, t + 0.1, (1, 2), 40.0) for t in (3.3, 3.6, 6.2)]
    source = replace(SOURCE, frames=48_000 * 15)
    tapped = Measurement("jack", source, (), (*taps, *breaks))
    assert clue_of("comes when tapped", tapped).holds > 0.9
    assert clue_of("comes from the supply", tapped).holds > 0.9
    late = [Event("dropout", t, t + 0.1, (1, 2), 40.0) for t in (1.0, 5.0, 8.5, 11.0, 14.5)]
    assert clue_of("comes when tapped", Measurement("jack", source, (), (*taps, *late))).holds < 0.3


def test_what_follows_a_tap_comes_from_it():
    taps = [Event("mark", t, t, (), None, "tapped the regulator board") for t in (10.0, 30.0)]
    after = jack(*taps, broke(10.5), broke(11.0), broke(30.4))
    assert clue([after], "comes when tapped").holds > 0.9
    elsewhere = jack(*taps, broke(3.0), broke(20.0), broke(45.0), broke(50.0))
    assert clue([elsewhere], "comes when tapped").holds < 0.1
    assert clue([jack(*taps)], "comes when tapped").holds < 0.1
    assert clue([jack(broke(3.0))], "comes when tapped").holds is None
    assert clue([after], "comes when heated").holds is None
