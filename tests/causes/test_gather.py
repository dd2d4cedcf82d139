"""What all clues say together, and of each other."""

from dataclasses import replace

from sigbench.causes.gather import gather
from sigbench.causes.ranking import rank
from sigbench.causes.records import BY_KEY
from sigbench.causes.wording import opening
from tests.causes.observed import clue, sides


def test_what_was_measured_is_not_called_unmeasured():
    """Clean notes tell of no distortion, and two that do not tell of the bass were played."""
    good = [sides(440.0, (-10.0, -10.1)), sides(440.0, (-34.0, -34.1)),
            sides(65.0, (-20.0, -14.0), whole=(-9.0, -9.0))]  # fmt: skip
    said, doubts, _ = opening(replace(rank(gather(good)), first=None))
    assert said.startswith("Nothing that was measured")
    assert "quiet" not in said
    assert "low note" not in said
    assert doubts == (
        "Measured, and still not to be told: one channel has lost its bass (the two notes do not "
        "tell)."
    )
    less, _ = opening(replace(rank(gather(good[:1])), first=None))
    assert "the same note loud and quiet" in less
    assert "a low note beside a middle one" in less


def test_what_was_not_measured_gives_no_clue():
    assert all(c.holds is None for c in gather([]))


def test_a_quiet_note_that_hardly_comes_through_tells_nothing_of_its_distortion():
    """A gap at zero swallows it: both outputs behind one such stage lose it alike."""
    loud = [sides(440.0, (-8.0, -9.7), thd=(-75.0, -23.0))]
    quiet = [sides(440.0, (-38.0, -48.0), thd=(-75.0, -75.0))]
    seen = [replace(o, output=name) for o in (*loud, *quiet) for name in ("main", "phones")]
    assert clue(seen, "weaker when quiet").holds > 0.9
    assert clue(seen, "worse when quiet").holds is None
    assert rank(gather(seen)).causes[0].name == BY_KEY["crossover"].name


def test_a_weak_channel_is_known_not_to_be_dead():
    """That says nothing more, and so speaks against no cause that may be both."""
    assert clue([sides(440.0, (-10.0, -16.0))], "weak channel").holds > 0.9
    assert clue([sides(440.0, (-10.0, -16.0))], "dead channel").holds is None
    assert clue([sides(440.0, (-10.0, -10.1))], "dead channel").holds < 0.1
