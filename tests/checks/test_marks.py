from sigbench.checks.marks import counted, pauses
from sigbench.model import Event

DROP = Event("dropout", 5.0, 5.2, (1,), 60.0)


def mark(start, end=None, **what):
    return Event("mark", start, start if end is None else end, (), **what)


def test_events_belong_to_the_place_that_was_begun_last():
    marks = (mark(1, place="main L"), mark(4, place="main R"), mark(6, place="main L"))
    early, late = Event("dip", 0.5, 0.6, (1,)), Event("dip", 7, 7.1, (2,))
    found = {(e.start, e.place) for e in counted([late, DROP, early], marks) if e.kind != "mark"}
    assert found == {(0.5, None), (5.0, "main R"), (7, "main L")}


def test_what_touches_a_pause_is_left_out():
    for start, end, counts in ((4, 4.9, True), (4, 5.1, False), (5.1, 6, False), (5.3, 6, True)):
        found = counted([DROP], (mark(start, end, text="paused"),))
        assert (DROP in found) is counts, (start, end)


def test_lost_buffers_count_in_a_pause_too():
    lost = Event("lost_buffers", 5, 5.1, (1,))
    assert lost in counted([lost], (mark(4, 6, text="paused"),))


def test_marks_come_back_in_order_of_time():
    marks = (mark(7, text="tapped"), mark(2, text="heat on"))
    assert [e.start for e in counted([DROP], marks)] == [2, 5, 7]


def test_only_marks_that_last_are_pauses():
    assert pauses((mark(1, text="tapped"), mark(2, 3, text="paused"))) == ((2, 3),)
