"""Two jacks with one channel each that are a pair."""

import pytest

from sigbench.causes.gather import gather
from sigbench.causes.observation import Observation
from sigbench.causes.ranking import rank
from tests.causes.observed import alone, clue, one_channel, sides


@pytest.mark.parametrize("names", [("out 1", "out 2"), ("main L", "main R"), ("left", "right")])
def test_two_outputs_of_one_channel_each_are_held_against_each_other(names):
    def both(*notes: Observation) -> list[Observation]:
        return [alone(n, c, name) for n in notes for c, name in enumerate(names, 1)]

    good = [sides(440.0, (-10.0, -12.0)), sides(440.0, (-34.0, -36.0)), sides(65.0, (-14.0, -16.0))]
    assert rank(gather(both(*good))).nothing_wrong  # played by hand: not quite alike
    weak = both(sides(440.0, (-10.0, -19.0)), sides(440.0, (-34.0, -43.0)))
    assert clue(weak, "weak channel").holds > 0.9
    assert clue(weak, "weak channel").seen == f"{names[1]} weaker by 6.0 dB"
    thin = both(good[0], sides(65.0, (-14.0, -26.0)))
    assert clue(thin, "thin channel").holds > 0.9
    assert clue(thin, "thin channel").seen.endswith(f"on {names[1]}")
    harsh = both(sides(440.0, (-10.0, -10.0), thd=(-70.0, -20.0)), good[1])
    assert clue(harsh, "distortion in one channel").holds > 0.9
    assert clue(harsh, "distortion").seen.endswith(f"on {names[1]}")
    said = clue(harsh, "distortion in one channel").seen
    assert said.endswith(f"on {names[1]} and {names[0]}")


def test_outputs_of_unlike_names_or_notes_are_no_pair():
    """Phones are louder or softer than main by design, and two voices are two sounds."""
    note = sides(440.0, (-10.0, -25.0))
    apart = [alone(note, 1, "main"), alone(note, 2, "phones")]
    assert clue(apart, "weak channel").holds is None
    other = [alone(note, 1, "out 1"), alone(sides(330.0, (-10.0, -25.0)), 2, "out 2")]
    assert clue(other, "weak channel").holds is None


def test_outputs_that_were_not_played_are_no_pair():
    """Without a note nobody knows whether they play one."""
    hums = [
        one_channel("idle", ("hum_1x", level, "dBFS"), ("hum_total", level, "dBFS"), output=name)
        for name, level in (("out 1", -40.0), ("out 2", -110.0))
    ]
    assert clue(hums, "hum in one channel").holds is None
    assert clue(hums, "hum on every output").holds < 0.1
