"""Takes of the rig itself: whole ones, or none."""

from sigbench.errors import SignalError
from sigbench.interface.base import Interface, capture
from sigbench.model import Samples, Take

ATTEMPTS = 4  # a busy computer loses audio now and then; one that always does cannot measure


def whole_take(
    interface: Interface, *, seconds: float, stimulus: Samples | None = None, settle: float = 0.0
) -> Take:
    """Record one take of which the computer lost nothing, again where it did.

    Parameters
    ----------
    interface, seconds, stimulus, settle
        As for `sigbench.interface.base.capture`.

    Raises
    ------
    SignalError
        If audio is lost each time.
    RequestError, DeviceNotFound, CaptureFailed
        As for `sigbench.interface.base.capture`.
    """
    for _ in range(ATTEMPTS):
        take = capture(interface, seconds=seconds, stimulus=stimulus, settle=settle)
        if not take.lost:
            return take
    raise SignalError(
        f"The computer lost audio {ATTEMPTS} times in a row: close other programs, plug the "
        "interface straight into the computer, and try again."
    )
