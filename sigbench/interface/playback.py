"""What the outputs play: a stimulus once, and a background under it that never ends."""

import math

import numpy as np

from sigbench.errors import RequestError
from sigbench.interface.base import stimulus_for_outputs
from sigbench.model import Samples
from sigbench.units import ratio_to_db


class Playback:
    """The samples of all outputs, from the start of a stream to its end, whenever that comes.

    Parameters
    ----------
    stimulus : ndarray of float64, shape (frames,) or (frames, channels), or None
        Played once, from the start on. One channel goes to all outputs.
    background : ndarray of float64, shape (frames,) or (frames, channels), or None
        Added to the stimulus and repeated without a seam for ever, such as one period of a tone.
    outputs : int
        Number of outputs.

    Raises
    ------
    RequestError
        If either cannot be played, or both together go beyond full scale.

    Examples
    --------
    >>> import numpy as np
    >>> both = Playback(np.array([0.5]), np.array([[0.0, 0.1], [0.0, 0.2]]), outputs=2)
    >>> both.piece(0, 4).tolist()
    [[0.5, 0.6], [0.0, 0.2], [0.0, 0.1], [0.0, 0.2]]
    """

    def __init__(self, stimulus: Samples | None, background: Samples | None, outputs: int) -> None:
        self.endless = background is not None
        self._background = (
            np.zeros((1, outputs))
            if background is None
            else stimulus_for_outputs(background, outputs)
        )
        if stimulus is None:
            self._once = np.zeros((0, outputs))
        else:
            self._once = stimulus_for_outputs(stimulus, outputs)
        if self.endless:
            self._once = self._once + self._repeated(0, len(self._once))
            self._require_full_scale()

    def __len__(self) -> int:
        """Frames of the stimulus."""
        return len(self._once)

    def piece(self, start: int, frames: int) -> Samples:
        """The frames from `start` on, shape (frames, outputs)."""
        once = self._once[start : start + frames]
        if len(once) == frames:
            return once
        rest = self._repeated(start + len(once), frames - len(once))
        return np.concatenate((once, rest)) if len(once) else rest

    def _repeated(self, start: int, frames: int) -> Samples:
        return self._background.take(np.arange(start, start + frames), axis=0, mode="wrap")

    def _require_full_scale(self) -> None:
        beyond = np.any(np.abs(self._once) > 1.0, axis=0)
        if np.any(beyond):
            left = 1.0 - float(np.max(np.abs(self._background[:, beyond])))
            highest = math.floor(10 * float(ratio_to_db(left))) / 10 if left > 0 else -math.inf
            raise RequestError(
                "The stimulus goes beyond full scale together with the tone that is played under "
                f"it: lower its level to {highest:.1f} dBFS peak."
            )
