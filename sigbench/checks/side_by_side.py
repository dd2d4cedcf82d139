"""Two halves of a check of a take, which listen to its blocks.

Those of a long take are each in a process of its own that reads it.
``python -m sigbench.checks.side_by_side`` is the other process: what it is to do comes to it as a
pickle, and so does its answer from it. Nobody else starts it.
"""

import os
import pickle
import signal
import subprocess
import sys
from abc import ABC, abstractmethod
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Generic, Protocol, TypeVar

from sigbench.model import CheckSettings, Event, LongTake, Samples, Take

LEAST_SAMPLES = 1 << 25
"""Of all channels together, from which on a second process is worth its start: 6 min of stereo."""

# -P: no module is taken from whatever folder the program was started in.
COMMAND = (sys.executable, "-P", "-m", "sigbench.checks.side_by_side")

Found = TypeVar("Found")
One = TypeVar("One")
Other = TypeVar("Other")


class Listener(Protocol):
    """Finds events, or something else, in audio that comes in blocks."""

    def feed(self, block: Samples) -> tuple[Event, ...]:
        """Take in the next block; the events that it completed."""
        ...

    def finish(self) -> tuple[Event, ...]:
        """No more blocks; the events that are left."""
        ...


class Half(ABC, Generic[Found]):
    """Half of the work on a take.

    Parameters
    ----------
    listeners : Listener
        Each is fed with every block.
    """

    def __init__(self, *listeners: Listener) -> None:
        self._listeners = listeners
        self.events: list[Event] = []

    def feed(self, block: Samples) -> None:
        """Take in the next block."""
        for listener in self._listeners:  # threads for each would only wait for one another
            self.events += listener.feed(block)

    def finish(self) -> None:
        """No more blocks."""
        for listener in self._listeners:
            self.events += listener.finish()

    @abstractmethod
    def result(self) -> Found:
        """What was found in the whole take."""


Making = Callable[[Take | LongTake, CheckSettings], Half[Found]]


def side_by_side(
    one: Making[One], other: Making[Other], take: Take | LongTake, settings: CheckSettings
) -> tuple[One, Other]:
    """What two halves find: at the same time, if the take is long and there are two processors.

    Parameters
    ----------
    one, other : callable
        Make the halves. The other is a class or function of a module, and what its half finds is
        small.
    take : Take or LongTake
        Read once, or by each of two processes.

    Raises
    ------
    SigbenchError
        As they do.
    """
    child = _started(other, take, settings) if _is_worth_it(take) else None
    if child is None:
        first, second = one(take, settings), other(take, settings)
        _listen(take, first, second)
        return first.result(), second.result()
    with child:
        try:
            found = _alone(one, take, settings)
            answer, _ = child.communicate()
        finally:
            child.kill()  # if this one was interrupted, or met an error
    # What the other process could not do is done here, with the error that there is, if any.
    return found, _alone(other, take, settings) if child.returncode else pickle.loads(answer)


def _alone(make: Making[Found], take: Take | LongTake, settings: CheckSettings) -> Found:
    half = make(take, settings)
    _listen(take, half)
    return half.result()


def _listen(take: Take | LongTake, *halves: Half[Any]) -> None:
    for block in take.blocks():
        for half in halves:
            half.feed(block)
    for half in halves:
        half.finish()


def _is_worth_it(take: Take | LongTake) -> bool:
    long = isinstance(take, LongTake) and take.frames * take.channels >= LEAST_SAMPLES
    return long and (os.cpu_count() or 1) > 1


def _started(
    make: Making[Any], take: Take | LongTake, settings: CheckSettings
) -> "subprocess.Popen[bytes] | None":
    """The other process at work; None if the take is one that cannot be handed over."""
    try:
        task = pickle.dumps((make, take, settings))
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
    pickle.dump(_alone(*pickle.load(sys.stdin.buffer)), sys.stdout.buffer)


if __name__ == "__main__":
    main()
