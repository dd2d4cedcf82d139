"""Tones that are not of the mains."""

from dataclasses import replace

import pytest

from sigbench.causes.gather import gather
from sigbench.causes.ranking import rank
from sigbench.causes.records import BY_KEY
from sigbench.causes.wording import opening
from tests.causes.observed import clue, humming, note, whining


@pytest.mark.parametrize("ppm", [0, 40, -90])
@pytest.mark.parametrize("lines", [(1, 2, 3, 4, 5), (8, 16), (1,), (4,)])
def test_tones_at_whole_kilohertz_are_of_a_clock_and_accuse_no_inverter(ppm, lines):
    """A frame a millisecond, of two crystals within 50 parts in a million each."""
    tones = [(1000.0 * k * (1 + 1e-6 * ppm), -60.0 - k) for k in lines]
    ranking = rank(gather(whining(*tones)))
    assert clue(whining(*tones), "tones at whole kilohertz").holds > 0.99
    assert not ranking.nothing_wrong
    assert ranking.none_of_these > 0.8
    assert any("frame clock" in sentence for sentence in opening(ranking))


@pytest.mark.parametrize("hertz", [530.0, 990.0, 1000.7, 1003.0, 2004.0])
def test_a_row_of_tones_that_is_not_at_whole_kilohertz_accuses_the_inverter(hertz):
    ranking = rank(gather(whining(*((k * hertz, -60.0 - k) for k in (1, 2, 3, 5)))))
    assert ranking.causes[0].name == BY_KEY["inverter"].name
    assert ranking.causes[0].score > 0.6
    assert not any("frame clock" in sentence for sentence in opening(ranking))


@pytest.mark.parametrize("pace", [50.0, 60.0, 100.0, 120.0])
def test_side_lines_of_the_mains_beside_tones_do_not_hide_their_row(pace):
    """Its supply has ripple: each tone swings at that pace (textbook amplitude modulation)."""
    row = [(k * 710.0, -60.0 - k) for k in (1, 2, 3)]
    beside = [(hz + side, db - 14) for hz, db in row for side in (-pace, pace)]
    found = clue(whining(*row, *beside), "tones in series")
    assert found.holds > 0.9
    assert found.seen == "710, 1420, 2130 Hz"


def test_tones_are_alike_where_left_and_right_are():
    """A ground that carries them reaches both channels of an output alike, and every output by
    the gain that it has for its own ground."""
    main = whining((530.0, -60.0), (1060.0, -66.0))
    louder = [replace(o, output="phones") for o in whining((530.0, -48.0), (1060.0, -54.0))]
    assert clue([*main, *louder], "tones alike").holds > 0.9
    assert clue(whining((530.0, -60.0), (1060.0, -66.0), right=8.0), "tones alike").holds < 0.1


def test_tones_below_200_hz_are_hardly_a_whine():
    """An inverter or a regulator sings above that: common practice, no source."""
    scores = []
    for hertz in (31.0, 530.0):
        tones = tuple((k * hertz, -50.0 - 6 * k) for k in (1, 2, 3))
        seen = [note(), humming((-120.0, -120.0), (-120.0, -120.0), spurs=tones)]
        assert (clue(seen, "tones below 200 Hz").holds > 0.5) == (hertz < 200)
        causes = {cause.name: cause.score for cause in rank(gather(seen)).causes}
        scores.append(causes[BY_KEY["inverter"].name])
    assert scores[0] < scores[1] - 0.1
