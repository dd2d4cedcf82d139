"""Two halves of a check of a long take, each in a process of its own that reads the take.

``python -m sigbench.checks.side_by_side`` is the other process: what it is to do comes to it as a
pickle, and so does its answer from it. Nobody else starts it.
"""

import os
import pickle
import signal
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from typing import Any, TypeVar

from sigbench.model import CheckSettings, LongTake, Take

LEAST_SAMPLES = 1 << 25
"""Of all channels together, from which on a second process is worth its start: 6 min of stereo."""

# -P: no module is taken from whatever folder the program was started in.
COMMAND = (sys.executable, "-P", "-m", "sigbench.checks.side_by_side")

One = TypeVar("One")
Other = TypeVar("Other")
Half = Callable[[Take | LongTake, CheckSettings], One]


def side_by_side(
    one: Half[One], other: Half[Other], take: Take | LongTake, settings: CheckSettings
) -> tuple[One, Other]:
    """What two functions give: at the same time, if the take is long and there are two processors.

    Parameters
    ----------
    one, other : callable
        Of a take and settings. The other is a function of a module, and what it gives is small.
    take : Take or LongTake
        A long one is read by both.

    Raises
    ------
    SigbenchError
        As they do.
    """
    child = _started(other, take, settings) if _is_worth_it(take) else None
    if child is None:
        return one(take, settings), other(take, settings)
    with child:
        try:
            found = one(take, settings)
            answer, _ = child.communicate()
        finally:
            child.kill()  # if this one was interrupted, or met an error
    # What the other process could not do is done here, with the error that there is, if any.
    return found, other(take, settings) if child.returncode else pickle.loads(answer)


def _is_worth_it(take: Take | LongTake) -> bool:
    long = isinstance(take, LongTake) and take.frames * take.channels >= LEAST_SAMPLES
    return long and (os.cpu_count() or 1) > 1


def _started(
    half: Half[Any], take: Take | LongTake, settings: CheckSettings
) -> "subprocess.Popen[bytes] | None":
    """The other process at work; None if the take is one that cannot be handed over."""
    try:
        task = pickle.dumps((half, take, settings))
    except (pickle.PicklingError, AttributeError, TypeError):  # its blocks come from a closure
        return None
    child = subprocess.Popen(
        COMMAND, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    )
    assert child.stdin is not None
    with suppress(OSError):  # it has ended already: then its exit status says so
        child.stdin.write(task)
        child.stdin.close()
    child.stdin = None
    return child


def main() -> None:
    """Do one half: what the other process does."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # whoever started this one ends it
    half, take, settings = pickle.load(sys.stdin.buffer)
    pickle.dump(half(take, settings), sys.stdout.buffer)


if __name__ == "__main__":
    main()
