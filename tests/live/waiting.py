"""Waiting for work that is steered by answers."""

import time

PATIENCE_SECONDS = 60  # of a machine that is busy with other tests


def wait(work, *phases, after=-1):
    """The moment at which it is in one of the phases, later than a question was asked."""
    until = time.monotonic() + PATIENCE_SECONDS
    while (moment := work.moment).phase not in phases or moment.question <= after:
        assert moment.phase != "over", moment.failed
        assert time.monotonic() < until, moment
        time.sleep(0.005)
    return moment
