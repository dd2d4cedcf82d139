"""The view for two metres away: it fits, it says what there is, and needs no colour for it."""

import numpy as np
import pytest

from sigbench.cli.encoding import printable
from sigbench.cli.live_view import view
from sigbench.interface.base import Block
from sigbench.interface.simulated import ARRIVAL, SimulatedInterface
from sigbench.live.watch import Watch
from sigbench.live.wording import SIGNS, event_line
from sigbench.model import PAUSED, Event, Step

KEYS = "space next jack   m or 1-9 mark   p pause   q stop"
MARKS = ("tapped", "heat on")


def watched(check, seconds, **more):
    unit = SimulatedInterface(ARRIVAL, seed=1)
    unit.do(Step(check, "main", ""))
    watch = Watch(check, unit.samplerate, 2, seconds=60, **more)
    for block in unit.stream(seconds=seconds):
        watch.feed(block)
    return watch


@pytest.fixture(scope="module")
def watches():
    return {
        "jack": watched("jack", 9.0, places=("main L", "main R")),
        "pot": watched("pot", 9.0),
        "soak": watched("soak", 9.0),
    }


def lines_of(watch, columns=80, lines=24, **more):
    text = view(watch.seen(), columns=columns, lines=lines, keys=KEYS, marks=MARKS, **more)
    return text.plain.split("\n")


@pytest.mark.parametrize("check", ["jack", "pot", "soak"])
@pytest.mark.parametrize("size", [(80, 24), (60, 20), (79, 23), (132, 43), (200, 60), (40, 10)])
def test_it_fits_every_window(watches, check, size):
    columns, lines = size
    shown = lines_of(watches[check], columns, lines)
    assert len(shown) < lines  # the last line would make a terminal scroll
    assert max(map(len, shown)) <= columns


def test_it_says_what_is_done_what_happened_and_how_much_time_is_left(watches):
    shown = lines_of(watches["jack"])
    assert shown[0].startswith("JACK  main L (1 of 2)")
    assert shown[0].endswith("0:09, 0:51 left")
    whole = "\n".join(shown)
    tally = watches["jack"].seen().tallies[0]
    assert tally.total > 3
    assert str(tally) in whole
    assert "channel 1, dBFS: good" in whole
    assert "signal lost: the tip let go" in whole
    assert shown[-1] == KEYS
    assert "1 tapped  2 heat on" in shown[-2]


def test_the_level_stands_in_large_figures(watches):
    """Row by row, a large 1 has its stem in the third of four columns; -1x.x begins with it."""
    shown = lines_of(watches["jack"], blocks=False)
    minus_and_one = [line[:8] for line in shown[2:7]]
    assert minus_and_one == ["      # ", "     ## ", "###   # ", "      # ", "      # "]
    assert -20 < watches["jack"].seen().levels[0].rms_dbfs < -10


def test_events_stand_below_the_moment_they_happened(watches):
    seen = watches["jack"].seen()
    row = next(line for line in lines_of(watches["jack"]) if SIGNS["dropout"] in line[6:])
    losses = [event for event in seen.events if event.kind == "dropout"]
    width = 80 - 6
    expected = {6 + int((12 - (9.0 - event.start)) / 12 * width) for event in losses}
    found = {column for column, sign in enumerate(row) if sign == SIGNS["dropout"]}
    assert expected <= {column + step for column in found for step in (-1, 0, 1)}


def test_a_gap_is_seen_in_the_strip(watches):
    shown = lines_of(watches["jack"])
    strip = [line[6:] for line in shown[8:16]]
    assert any("░" in line for line in strip[:4])  # the left joint opens
    assert not any("░" in line for line in strip[4:])


def test_a_terminal_without_blocks_gets_plain_signs(watches):
    for watch in watches.values():
        shown = "\n".join(lines_of(watch, blocks=False))
        assert printable(shown, "ascii").isascii()
        if "soak" not in shown.lower():
            assert shown.isascii()


def test_worn_places_carry_the_number_of_passes(watches):
    (line, _) = [line for line in lines_of(watches["pot"]) if line.startswith("ch ")]
    travel = line[line.index("0 %") + 3 : line.index("100 %")]
    inside = travel[int(0.3 * len(travel)) : int(0.42 * len(travel)) + 1]
    assert sum(sign.isdigit() for sign in inside) >= len(inside) - 2
    assert "|" in travel


def test_until_the_travel_is_known_it_says_what_to_do():
    shown = "\n".join(lines_of(watched("pot", 1.0)))
    assert "Turn the control slowly from end to end" in shown


def test_a_pause_is_written_out():
    watch = watched("jack", 1.0)
    watch.pause()
    watch.feed(Block(np.zeros((480, 2)), 48_000))
    assert "PAUSED" in lines_of(watch)[0]


def test_what_goes_on_is_told_while_it_does():
    watch = watched("jack", 2.0)
    watch.feed(Block(np.zeros((12_000, 2)), 96_000))
    assert any(line.startswith("SIGNAL LOST now, for 0.") for line in lines_of(watch))


def test_more_channels_than_two_are_told_in_small_figures():
    watch = Watch("jack", 48_000, 8, seconds=60)
    sound = 0.25 * np.sin(2 * np.pi * 440 * np.arange(48_000) / 48_000)
    watch.feed(Block(np.repeat(sound[:, np.newaxis], 8, axis=1), 0))
    shown = lines_of(watch)
    assert any("3: -12.0" in line and "8: -12.0" in line for line in shown)
    assert max(map(len, shown)) <= 80


@pytest.mark.parametrize(
    ("event", "words"),
    [
        (
            Event("dropout", 72.0, 72.24, (1,), 60.0, "signal lost: the tip let go"),
            "at 1:12 signal lost: the tip let go, 240 ms to silence, channel 1",
        ),
        (
            Event("hum_burst", 3.0, 3.5, (1, 2), 20.0),
            "at 0:03 HUM, 500 ms, 20 dB up, channels 1 and 2 together",
        ),
        (Event("mark", 4.0, 4.0, (), None, "heat on"), "at 0:04 mark: heat on"),
        (Event("mark", 4.0, 4.0, (), place="main R"), "at 0:04 begun: main R"),
        (Event("mark", 4.0, 9.0, (), None, PAUSED), "at 0:04 paused for 5 s"),
    ],
)
def test_events_in_words(event, words):
    assert event_line(event) == words
