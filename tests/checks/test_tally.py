import pytest

from sigbench.checks.marks import counted
from sigbench.checks.tally import length_and_depth, tally
from sigbench.model import Event


def mark(start, end=None, **what):
    return Event("mark", start, start if end is None else end, (), **what)


def test_each_place_has_its_own_tally_in_the_order_of_the_work():
    marks = (mark(2, place="main L"), mark(22, place="main R"), mark(32, place="main L"))
    events = [
        Event("dropout", 3, 3.24, (1,), 60.0),
        Event("dropout", 5, 5.1, (1,), 70.0),
        Event("crackle", 40, 40.5, (1,), 20.0),
        Event("lost_buffers", 25, 25.1, (1, 2)),
    ]
    left, right = tally(counted(events, marks), 42)
    assert str(left) == ("main L: 3 in 30 s (2 dropouts, 1 crackle), worst 240 ms to silence")
    assert str(right) == "main R: nothing in 10 s"


def test_pauses_are_not_watched():
    marks = (mark(0, place="phones"), mark(5, 15, text="paused"))
    (one,) = tally(counted([], marks), 20)
    assert one.seconds == 10


def test_without_places_there_is_one_tally_without_a_name():
    (one,) = tally([Event("dip", 1, 1.012, (1,), 9.0)], 20)
    assert str(one) == "1 in 20 s (1 dip), worst 12 ms, 9 dB down"
    assert one.place is None


def test_what_happened_before_the_first_place_is_not_lost():
    events = counted([Event("dip", 1, 1.1, (1,), 9.0)], (mark(2, place="main L"),))
    assert [one.place for one in tally(events, 10)] == [None, "main L"]


def test_the_worst_is_the_longest_of_the_gravest_kind():
    events = [
        Event("hum_burst", 1, 3, (1,), 30.0),
        Event("dropout", 5, 5.01, (1,), 30.0),
        Event("dropout", 6, 6.02, (1,), 25.0),
    ]
    (one,) = tally(events, 10)
    assert one.worst is events[2]
    assert one.counts == (("dropout", 2), ("hum_burst", 1))


@pytest.mark.parametrize(
    ("event", "words"),
    [
        (Event("dropout", 0, 1.5, (1,), 80.0), "1.5 s to silence"),
        (Event("dropout", 0, 0.08, (1,), 22.0), "80 ms, 22 dB down"),
        (Event("hum_burst", 0, 0.08, (1,), 20.0), "80 ms, 20 dB up"),
        (Event("click", 0, 0.002, (1,), 20.0), "2 ms"),
    ],
)
def test_length_and_depth_in_words(event, words):
    assert length_and_depth(event) == words
