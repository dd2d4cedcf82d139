"""A sound that goes on, or an input that is listened to, while a person does something."""

from collections.abc import Callable
from contextlib import closing
from threading import Event, Thread
from types import TracebackType

from sigbench.errors import SigbenchError
from sigbench.interface.base import Block, Interface
from sigbench.model import Samples

PATIENCE_SECONDS = 5.0  # for a device to end; it may not answer any more


class Player:
    """Streams from an interface, in a thread of its own, until it is left.

    Parameters
    ----------
    interface : Interface
    stimulus : ndarray of float64, shape (frames, outputs), optional
        Played again and again; without it the inputs are listened to alone.
    on_block : callable, optional
        Called with each block that comes, from the player's thread.
    on_trouble : callable, optional
        Called from there when the device failed; what it was is in `trouble`.

    Examples
    --------
    ::

        with Player(interface, tone) as player:
            volts = ask("What does the meter read?")
            player.check()
    """

    def __init__(
        self,
        interface: Interface,
        stimulus: Samples | None = None,
        *,
        on_block: Callable[[Block], None] = lambda block: None,
        on_trouble: Callable[[], None] = lambda: None,
    ) -> None:
        self.trouble: SigbenchError | None = None
        self._interface = interface
        self._stimulus = stimulus
        self._on_block = on_block
        self._on_trouble = on_trouble
        self._enough = Event()
        self._thread = Thread(target=self._play, name="player", daemon=True)

    def check(self) -> None:
        """Raise what went wrong with the device, if anything did."""
        if self.trouble is not None:
            raise self.trouble

    def __enter__(self) -> "Player":
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._enough.set()
        self._thread.join(PATIENCE_SECONDS)

    def _play(self) -> None:
        sound = self._stimulus
        seconds = None if sound is None else len(sound) / self._interface.samplerate
        try:
            while not self._enough.is_set():
                stream = self._interface.stream(seconds=seconds, stimulus=sound)
                with closing(stream) as blocks:
                    for block in blocks:
                        if self._enough.is_set():
                            return
                        self._on_block(block)
        except SigbenchError as exc:
            self.trouble = exc
            self._on_trouble()
