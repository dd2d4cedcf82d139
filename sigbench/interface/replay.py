"""A recording as an interface: its blocks, in place of those of a device.

What records from an interface works on a file then, live view and all. A file plays nothing: what
was played while it was recorded is in it already.
"""

from collections.abc import Generator

from sigbench.errors import RequestError
from sigbench.interface.base import Block, frames_in
from sigbench.model import LongTake, LostBuffers, Samples, Take

BLOCK_SECONDS = 0.1  # short enough to be watched, long enough to cost nothing


class ReplayedFile:
    """A recording made elsewhere, as an interface.

    Parameters
    ----------
    take : Take or LongTake
        As `sigbench.interface.file` reads it. What the computer lost while it was recorded, where
        that is known, comes with the blocks.
    device : str
        What it was recorded with, as far as that is known; or the name of the file.
    block_seconds : float
        How long its blocks are.

    Examples
    --------
    >>> from sigbench.interface.base import capture
    >>> from sigbench.model import Source
    >>> import numpy as np
    >>> samples = np.zeros((4800, 2))
    >>> take = Take(samples, 48_000, Source("file", "a.wav", None, 48_000, 2, 4800), bits=24)
    >>> again = capture(ReplayedFile(take, "a.wav"), seconds=take.seconds)
    >>> again.frames, again.bits, again.source.kind
    (4800, 24, 'file')
    """

    name = "file"

    def __init__(
        self, take: Take | LongTake, device: str, *, block_seconds: float = BLOCK_SECONDS
    ) -> None:
        self.device = device
        self._take = take
        self._block_seconds = block_seconds

    @property
    def samplerate(self) -> int:
        """Frames a second."""
        return self._take.samplerate

    @property
    def channels(self) -> int:
        """Number of channels in the file."""
        return self._take.channels

    @property
    def bits(self) -> int | None:
        """Resolution of its samples; None where they are floating point."""
        return self._take.bits

    @property
    def dc_coupled(self) -> bool:
        """Whether what recorded it is known to pass DC."""
        return self._take.dc_coupled

    def stream(
        self, *, seconds: float | None, stimulus: Samples | None = None
    ) -> Generator[Block, None, None]:
        """The blocks of the file, from its first frame on; see `Interface.stream`.

        Parameters
        ----------
        seconds : float or None
            How much of it; None: all.
        stimulus : None
            A file plays nothing.

        Raises
        ------
        RequestError
            If the file is shorter than that, or is to play something.
        FileError
            If the rest of a long file turns out to be damaged.
        """
        if stimulus is not None:
            raise RequestError(
                f"{self.device} is a recording and plays nothing: leave the stimulus out."
            )
        wanted = self._take.frames if seconds is None else frames_in(seconds, self.samplerate)
        if wanted > self._take.frames:
            raise RequestError(
                f"{self.device} lasts {self._take.seconds:.2f} s, and {seconds:g} s are wanted: "
                "record it longer."
            )
        size = round(self._block_seconds * self.samplerate)
        position = 0
        for part in self._take.blocks():
            for start in range(0, len(part), size):
                samples = part[start : min(start + size, start + wanted - position)]
                end = position + len(samples)
                yield Block(samples, position, self._lost_until(position, end, end == wanted))
                position = end
                if position == wanted:
                    return

    def _lost_until(self, start: int, end: int, last: bool) -> tuple[LostBuffers, ...]:
        return tuple(
            loss
            for loss in self._take.lost
            if start <= loss.frame < end or (last and loss.frame == end)
        )
