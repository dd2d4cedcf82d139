"""What detectors that take audio in blocks share.

Checked blocks, stretches at fixed positions of the take, and one event for all channels.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from sigbench.errors import SignalError
from sigbench.model import Event, Samples

Found = TypeVar("Found")
Number = TypeVar("Number", np.float64, np.complex128)
Real = TypeVar("Real", np.float32, np.float64)


def require_block(block: Samples, channels: int, what: str) -> None:
    """Refuse a block that is not of shape (frames, channels), or holds what is no number.

    Parameters
    ----------
    what : str
        Whom it was fed to, such as ``dropout detector``.

    Raises
    ------
    SignalError
    """
    if block.ndim != 2 or block.shape[1] != channels:
        raise SignalError(
            f"A block of shape {block.shape} was fed to a {what} for {channels} channels: feed "
            "blocks of shape (frames, channels)."
        )
    require_numbers(block)


def require_numbers(samples: NDArray[np.float64]) -> None:
    """Refuse samples that are no numbers.

    Raises
    ------
    SignalError
    """
    # Whatever is no number leaves none as the sum; so do numbers, if they are huge.
    with np.errstate(over="ignore", invalid="ignore"):
        doubtful = not np.isfinite(samples.sum())
    if doubtful and not np.isfinite(samples).all():
        raise SignalError(
            "The signal has values that are no numbers: check the file or the recording."
        )


def rows(block: Samples) -> NDArray[np.float64]:
    """A block as (channels, frames); the frames of a channel lie together, so that sums agree."""
    turned = block.T
    return turned if turned.strides[1] == turned.itemsize else np.ascontiguousarray(turned)


def moving_sums(values: NDArray[Number], n: int) -> NDArray[Number]:
    """Sums over `n` places each along the first axis; the same bits wherever a place stands."""
    count = len(values) - n + 1
    total = values[:count].copy()
    for k in range(1, n):
        total += values[k : count + k]
    return total


def windows(values: NDArray[Real], size: int, step: int = 1) -> NDArray[Real]:
    """Stretches of one size, each a step after the one before, of shape (stretches, size).

    A view of values that lie together in memory; made in a tenth of the time that numpy's
    `sliding_window_view` takes, which is more than most of what is done with it here.
    """
    count = (len(values) - size) // step + 1
    (width,) = values.strides
    return np.ndarray((count, size), values.dtype, values, strides=(step * width, width))


class Stretches:
    """Cuts audio that comes in blocks of any sizes into stretches of one length.

    Parameters
    ----------
    channels : int
    frames : int
        Length of a stretch.
    most : int
        How many are given at once, at most.
    """

    def __init__(self, channels: int, frames: int, most: int) -> None:
        self._frames = frames
        self._most = most
        self._begun = np.zeros((channels, frames))
        self._filled = 0

    def feed(self, block: Samples) -> Iterator[NDArray[np.float64]]:
        """The stretches that a block completes, one or more at once.

        Of shape (channels, frames), and to be read before the next is asked for. The frames of a
        channel lie together.
        """
        used = 0
        while used < len(block):
            whole = min((len(block) - used) // self._frames, self._most)
            if self._filled == 0 and whole:
                part = rows(block[used : used + whole * self._frames])
                used += part.shape[1]
                yield part
                continue
            n = min(len(block) - used, self._frames - self._filled)
            self._begun[:, self._filled : self._filled + n] = block[used : used + n].T
            self._filled += n
            used += n
            if self._filled == self._frames:
                self._filled = 0
                yield self._begun

    def rest(self) -> NDArray[np.float64]:
        """What there is of the stretch that is not complete, of shape (channels, frames)."""
        return self._begun[:, : self._filled]


class Kept:
    """The latest part of what goes on growing; places are counted from the beginning of the take.

    Parameters
    ----------
    shape : tuple of int
        Of one place, such as ``(channels,)``; none for numbers.
    begin, before : int
        Where it begins, and how many zeros are there already.

    Notes
    -----
    Blocks of 10 ms are appended where there is room, and what is kept is moved only now and then.
    A part that was handed out stays as it is.
    """

    def __init__(self, *shape: int, begin: int = 0, before: int = 0) -> None:
        self._room = np.zeros((*shape, before))
        self._first, self._last = 0, before  # places of the room that are in use
        self.begin = begin

    @property
    def end(self) -> int:
        """The place after the last one."""
        return self.begin + self._last - self._first

    def append(self, new: NDArray[np.float64]) -> None:
        """Put what comes next behind it, of shape (..., places)."""
        last = self._last + new.shape[-1]
        if last > self._room.shape[-1]:
            kept = self._room[..., self._first : self._last]
            last -= self._first
            self._room = np.empty((*kept.shape[:-1], 2 * last))
            self._room[..., : kept.shape[-1]] = kept
            self._first, self._last = 0, kept.shape[-1]
        self._room[..., self._last : last] = new
        self._last = last

    def forget(self, before: int) -> None:
        """What comes before a place is not asked for any more; nor is it appended."""
        gone = max(0, before - self.begin)
        self._first = min(self._first + gone, self._last)
        self.begin += gone

    def part(self, first: int, last: int) -> NDArray[np.float64]:
        """From one place to another, as far as it is there: a view."""
        shift = self._first - self.begin
        first, last = max(first, self.begin) + shift, max(last, self.begin) + shift
        return self._room[..., first : min(last, self._last)]


def of_one_event(
    found: Iterable[tuple[int, Found]], alike: Callable[[Found, Found], bool]
) -> list[list[tuple[int, Found]]]:
    """What several channels show at the same time, in groups of one event each.

    Parameters
    ----------
    found : iterable of (int, object)
        Channel, and what was found in it, in the order of their starts.
    alike : callable
        Whether two are of the same event: what began the group, and another channel's.
    """
    groups: list[list[tuple[int, Found]]] = []
    for number, one in found:
        for group in groups:
            if number not in (n for n, _ in group) and alike(group[0][1], one):
                group.append((number, one))
                break
        else:
            groups.append([(number, one)])
    return groups


def overlap(one: Event, other: Event) -> bool:
    """Whether two events have a time and a channel in common."""
    return (
        one.start < other.end
        and other.start < one.end
        and not set(one.channels).isdisjoint(other.channels)
    )


def without_channels(
    events: Iterable[Event], is_left_out: Callable[[Event, int], bool]
) -> list[Event]:
    """The events without some of their channels, and without those that have none left.

    Parameters
    ----------
    events : iterable of Event
        Those of no channel stay.
    is_left_out : callable
        Whether an event is none in one of its channels.
    """
    kept: list[Event] = []
    for event in events:
        channels = tuple(c for c in event.channels if not is_left_out(event, c))
        if channels == event.channels:
            kept.append(event)
        elif channels:
            kept.append(replace(event, channels=channels))
    return kept
