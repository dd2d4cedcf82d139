"""What breaks off and clicks while things are moved."""

from sigbench.causes.gather import gather
from sigbench.causes.observation import Observation
from sigbench.causes.ranking import rank
from sigbench.causes.records import BY_KEY
from sigbench.model import SLEEVE_OPEN, Event, Measurement
from tests.causes.observed import SOURCE, broke, clue, jack, one_channel


def test_one_output_or_every_output():
    both = [jack(broke(1), broke(2), broke(3)), jack(broke(1), broke(2), output="phones")]
    assert clue(both, "moved on every output").holds > 0.9
    one = [both[0], jack(output="phones")]
    assert clue(one, "moved on every output").holds < 0.1
    assert clue(both[:1], "moved on every output").holds is None
    # All takes of an output count, whichever was the last.
    again = [
        *one,
        jack(),
        jack(broke(1), broke(2), broke(3), output="phones"),
        jack(output="phones"),
    ]
    assert clue(again, "moved on every output").holds > 0.9


def test_of_one_channel_it_is_told_that_the_sound_breaks_off():
    """Which of two channels does it nobody can tell; that it does is plain."""
    gaps = [Event("dropout", t, t + 0.05, (1,), 50.0) for t in (1.0, 2.0, 3.0)]
    moved = one_channel("jack", events=gaps)
    assert clue([moved], "breaks").holds > 0.9
    assert clue([moved], "breaks in one channel").holds is None
    still = one_channel("jack", output="phones")
    assert clue([still], "breaks").holds < 0.1
    # One jack of two does it: it is that jack, and not what feeds both.
    ranking = rank(gather([moved, still]))
    assert ranking.causes[0].name == BY_KEY["jack"].name
    both = rank(gather([moved, one_channel("jack", output="phones", events=gaps)]))
    assert both.causes[0].name == BY_KEY["regulator joint"].name
    # In two channels each is told by itself, as before.
    assert (
        clue([Observation("main", Measurement("jack", SOURCE, (), tuple(gaps)))], "breaks").holds
        is None
    )


def test_what_leaves_the_difference_of_the_channels_is_their_sleeve():
    """Both loads lie in series between the two tips then (Kirchhoff); no supply does that."""
    events = tuple(Event("dip", t, t + 0.2, (1, 2), 5.0, SLEEVE_OPEN) for t in (1.0, 2.0, 3.0))
    moved = Observation("phones", Measurement("jack", SOURCE, (), events))
    assert clue([moved], "difference left").holds > 0.9
    assert clue([moved], "breaks in both channels").holds < 0.1
    assert rank(gather([moved])).causes[0].name == BY_KEY["loose sleeve"].name
    # A sound that is the same left and right would show nothing of it.
    still = Observation("phones", Measurement("jack", SOURCE, (), ()))
    assert clue([still], "difference left").holds is None
