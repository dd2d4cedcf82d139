"""What detectors that take audio in blocks share."""

import numpy as np
import pytest

from sigbench.errors import SignalError
from sigbench.measure.streaming import Kept, require_numbers, rows


def test_what_is_kept_is_found_where_it_lies_in_the_take():
    rng = np.random.default_rng(1)
    take = rng.standard_normal((2, 5000))
    kept = Kept(2)
    while kept.end < take.shape[1]:
        kept.append(take[:, kept.end : kept.end + int(rng.integers(0, 200))])
        kept.forget(kept.end - 400)
        begin, end = kept.begin, kept.end
        assert begin == max(0, end - 400)
        assert np.array_equal(kept.part(begin, end), take[:, begin:end])
        assert np.array_equal(
            kept.part(begin - 50, begin + 7), take[:, begin : min(begin + 7, end)]
        )


def test_nothing_was_before_the_take():
    kept = Kept(begin=-3, before=3)
    kept.append(np.ones(2))
    assert kept.part(-3, 2).tolist() == [0, 0, 0, 1, 1]


def test_a_part_stays_as_it_is():
    kept = Kept()
    kept.append(np.arange(10.0))
    part = kept.part(2, 5)
    for _ in range(100):
        kept.forget(kept.end - 5)
        kept.append(np.zeros(10))
    assert part.tolist() == [2, 3, 4]


def test_what_is_not_asked_for_need_not_come():
    kept = Kept()
    kept.append(np.arange(4.0))
    kept.forget(10)
    assert (kept.begin, kept.end) == (10, 10)
    kept.append(np.array([10.0, 11.0]))
    assert kept.part(0, 20).tolist() == [10, 11]


@pytest.mark.parametrize("order", ["C", "F"])
def test_frames_of_a_channel_lie_together(order):
    block = np.asarray(np.arange(12.0).reshape(6, 2), order=order)
    for part in (block, block[1:4]):
        assert np.array_equal(rows(part), part.T)
        assert rows(part).strides[1] == part.itemsize


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_what_is_no_number_is_refused(value):
    samples = np.zeros((50, 2))
    require_numbers(samples)
    samples[20, 1] = value
    with pytest.raises(SignalError, match="no numbers"):
        require_numbers(samples)


def test_huge_numbers_are_numbers():
    require_numbers(np.full((50, 2), 1e308))
