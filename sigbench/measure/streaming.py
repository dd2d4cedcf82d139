"""What detectors that take audio in blocks share: checked blocks, one event for all channels."""

from collections.abc import Callable, Iterable
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from sigbench.errors import SignalError
from sigbench.model import Samples

Found = TypeVar("Found")


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
    if not np.isfinite(samples).all():
        raise SignalError(
            "The signal has values that are no numbers: check the file or the recording."
        )


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
