"""An interface that watches itself: a pilot tone on a cable of its own shows every loss.

The pilot goes out at one more output and comes back, through a cable that stays, at one more
input. The instrument has nothing to do with it, so that whatever happens to it was done by the
computer, whether the audio system says so or not.
"""

from collections.abc import Generator
from contextlib import closing
from typing import Protocol

import numpy as np

from sigbench.errors import CaptureFailed
from sigbench.interface.base import (
    Block,
    Interface,
    frames_in,
    losses_from,
    stimulus_for_outputs,
)
from sigbench.interface.devices import Device
from sigbench.measure.continuity import PilotWatch, pilot
from sigbench.model import LostBuffers, Samples

LEAD_SECONDS = 1.2  # until the pilot has come through and is known; the take begins after that
TAIL_SECONDS = 0.2  # after the take: what is lost at its end is known by then
NEAR_SECONDS = (
    0.1  # a report of the audio system this near to a loss that the pilot shows is the same
)
GONE_SECONDS = 3.0  # a pilot that stays away so long was unplugged

NEVER_CAME = (
    "The pilot tone does not come back: check its cable, from the spare output to the spare "
    "input, or set the rig up without it ('sigbench rig setup --pilot none')."
)


class Repeating(Interface, Protocol):
    """An interface that can repeat a sound beneath the stimulus, to the end."""

    def stream(
        self,
        *,
        seconds: float | None,
        stimulus: Samples | None = None,
        background: Samples | None = None,
    ) -> Generator[Block, None, None]:
        """As `Interface.stream`; `background` (frames, outputs) is repeated without a seam."""
        ...


class PilotedInterface:
    """An interface whose last output and last input are joined by the pilot's cable.

    Parameters
    ----------
    inner : Repeating
        Records the rig's inputs, and the pilot's after them.
    outputs : int
        How many outputs the rig plays on; the pilot's comes after them.

    Notes
    -----
    A loss may be told with a later block than the one that it lies in.
    """

    def __init__(self, inner: Repeating, outputs: int) -> None:
        if inner.channels < 2:
            raise ValueError("a pilot needs an input beside those that are measured")
        self._inner = inner
        self._outputs = outputs
        self.name = inner.name
        self.device = inner.device
        self.samplerate = inner.samplerate
        self.channels = inner.channels - 1
        self.bits = inner.bits
        self.dc_coupled = inner.dc_coupled

    @property
    def devices(self) -> tuple[Device, ...]:
        """Those of the interface inside, where it is hardware."""
        return getattr(self._inner, "devices", ())

    def stream(
        self, *, seconds: float | None, stimulus: Samples | None = None
    ) -> Generator[Block, None, None]:
        """Record, and play the stimulus meanwhile when there is one: see `Interface.stream`.

        Raises
        ------
        CaptureFailed
            If the pilot does not come back, or goes away for good: its cable is out.

        Notes
        -----
        On a computer so busy that the pilot comes late, the take counts as lost until then.
        """
        total = None if seconds is None else frames_in(seconds, self.samplerate)
        lead = frames_in(LEAD_SECONDS, self.samplerate)
        watch = _Watch(self.samplerate, lead, total)
        whole = None if seconds is None else LEAD_SECONDS + seconds + TAIL_SECONDS
        yielded = 0
        with closing(
            self._inner.stream(
                seconds=whole, stimulus=self._delayed(stimulus, lead), background=self._pilot()
            )
        ) as blocks:
            try:
                for block in blocks:
                    lost = watch.see(block)
                    samples = block.samples[max(0, lead - block.first_frame) :, :-1]
                    if total is not None:
                        samples = samples[: total - yielded]
                    if len(samples) or lost:
                        yield Block(samples, yielded, lost)
                        yielded += len(samples)
            except CaptureFailed:  # what was recorded until then may be kept
                if last := watch.broken():
                    yield Block(np.empty((0, self.channels)), yielded, last)
                raise
            if last := watch.end():
                yield Block(np.empty((0, self.channels)), yielded, last)

    def _pilot(self) -> Samples:
        """The pilot at its output, silence at those before it."""
        once = pilot(self.samplerate)
        return np.pad(once[:, np.newaxis], ((0, 0), (self._outputs, 0)))

    def _delayed(self, stimulus: Samples | None, lead: int) -> Samples | None:
        """The stimulus, to begin with the take, and nothing of it at the pilot's output."""
        if stimulus is None:
            return None
        columns = stimulus_for_outputs(stimulus, self._outputs)
        return np.pad(columns, ((lead, 0), (0, 0)))


class _Watch:
    """What is known of losses, at positions of the take."""

    def __init__(self, samplerate: int, lead: int, total: int | None) -> None:
        self._samplerate = samplerate
        self._lead = lead
        self._total = total
        self._watch = PilotWatch(samplerate)
        self._found = False
        self._seen: list[LostBuffers] = []
        self._reported: list[tuple[int, LostBuffers]] = []

    def see(self, block: Block) -> tuple[LostBuffers, ...]:
        """Losses that are known now and were not before."""
        found = self._watch.feed(block.samples[:, -1])
        position = block.first_frame + len(block.samples)
        if self._watch.found_at is None:
            if position > self._lead + GONE_SECONDS * self._samplerate:
                raise CaptureFailed(NEVER_CAME)
        elif not self._found:
            self._found = True
            found = (*self._late(self._watch.found_at), *found)
        if self._watch.doubtful_seconds > GONE_SECONDS:
            raise CaptureFailed(
                "The pilot tone has gone away: plug its cable in again, from the spare output to "
                "the spare input, and record again."
            )
        self._seen.extend(found)
        self._reported += [(position, loss) for loss in block.lost]
        return self._of_take((*found, *self._unseen(position)))

    def end(self) -> tuple[LostBuffers, ...]:
        """Losses at the very end."""
        if not self._found:
            raise CaptureFailed(NEVER_CAME)
        last = self._watch.finish()
        self._seen.extend(last)
        return self._of_take((*last, *self._unseen(None)))

    def broken(self) -> tuple[LostBuffers, ...]:
        """Losses at the end of a take that ended too early: nothing vouches for its last moment."""
        last = self._watch.finish(broken=True)
        self._seen.extend(last)
        return self._of_take((*last, *self._unseen(None)))

    def _late(self, found_at: int) -> tuple[LostBuffers, ...]:
        """Nothing is known of what was recorded before the pilot came."""
        late = found_at - self._lead
        return (LostBuffers(self._lead, None, late),) if late > 0 else ()

    def _unseen(self, position: int | None) -> list[LostBuffers]:
        """Reports of the audio system that the pilot has had time to show, and did not."""
        wait = 2 * NEAR_SECONDS * self._samplerate + self._watch.doubtful_seconds * self._samplerate
        due = [loss for at, loss in self._reported if position is None or at + wait <= position]
        self._reported = [entry for entry in self._reported if entry[1] not in due]
        near = NEAR_SECONDS * self._samplerate
        return [
            loss
            for loss in due
            if not any(
                seen.frame - near <= loss.frame <= seen.frame + seen.spoiled + near
                for seen in self._seen
            )
        ]

    def _of_take(self, losses: tuple[LostBuffers, ...]) -> tuple[LostBuffers, ...]:
        """At positions of the take, as far as they lie in it."""
        return tuple(
            loss
            for loss in losses_from(losses, self._lead)
            if self._total is None or loss.frame < self._total
        )
