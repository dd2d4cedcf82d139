"""A stored take, seen once more as it was when it was recorded.

The blocks of the file come in place of those of a device, at their own pace or faster, and the same
detectors find what happened. Nothing is stored.
"""

import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

from sigbench.bench.folder import Bench
from sigbench.bench.recording import length_in_words
from sigbench.errors import RequestError
from sigbench.interface.base import Block
from sigbench.interface.replay import ReplayedFile
from sigbench.live.steered import STOP, Choice, Field
from sigbench.live.watch import Watch
from sigbench.live.watched import Moment, Phase, Watched
from sigbench.model import LongTake, Run

SHOWN_BLOCK_SECONDS = 0.02  # as an interface delivers them
AT_ITS_PACE, UNPACED = "1", "0"
PACES = (
    (AT_ITS_PACE, "as it was recorded"),
    ("10", "10 times as fast"),
    (UNPACED, "as fast as this computer can"),
)

GO, AGAIN, ENOUGH = Choice("go", "Show it"), Choice("go", "Show it again"), Choice("stop", "Done")


class Showing(Watched):
    """A stored take that is shown.

    Parameters
    ----------
    folder : Path
        The bench folder.
    unit_id, run_id : str
    take : int
        Its number in the run, from 1.
    on_change : callable, optional
        Called whenever the moment changed, from the thread of the showing.

    Raises
    ------
    BenchError
        If there is no such unit or run.
    RequestError
        If the unit has no such take.
    """

    verb = "shown"

    def __init__(
        self,
        folder: Path,
        unit_id: str,
        run_id: str,
        take: int,
        *,
        on_change: Callable[[], None] = lambda: None,
    ) -> None:
        with Bench.open(folder) as bench:
            unit, run = bench.unit(unit_id), bench.run(run_id)
            if bench.unit_of(run_id) != unit_id or not 1 <= take <= len(run.takes):
                raise RequestError("This unit has no such take: open its page again.")
        first = Moment(
            number=run.step_number,
            step=run.step,
            take=take,
            takes=len(run.takes),
        )
        super().__init__(first, unit_id, unit, run.stage, working="showing", on_change=on_change)
        self.folder = folder
        self.run = run
        self.take = take

    def _carry_out(self) -> Mapping[str, object]:
        with Bench.open(self.folder) as bench:
            take = bench.long_take(self.run.takes[self.take - 1])
            said = _about(self.run, take)
            pace = Field("pace", "How fast", AT_ITS_PACE, options=PACES)
            phase: Phase = "ready"
            first = GO
            while True:
                _, typed = self._ask(phase, said, first, ENOUGH, fields=(pace,))
                self._show(take, float(typed["pace"]))
                phase, first = "shown", AGAIN

    def _after_stop(self) -> Mapping[str, object]:
        return {"sayings": ("The take is stored as it was; nothing was added.",), "step": None}

    def _show(self, take: LongTake, pace: float) -> None:
        """Feed a watch with the blocks, until they end or the person stops it."""
        step = self.run.step
        watch = Watch(
            step.check, take.samplerate, take.channels, step.settings, seconds=take.seconds
        )
        self._watch, self._stopping = watch, False
        self._change(phase="showing", sayings=(), choices=(STOP,), fields=())
        marks = sorted(take.marks, key=lambda mark: mark.start, reverse=True)
        for block in _paced(take, pace):
            if watch.stopped:
                return
            end = (block.first_frame + len(block.samples)) / take.samplerate
            while marks and marks[-1].start <= end:
                watch.recall(marks.pop())
            self._call_out(watch.feed(block)[:1])


def _about(run: Run, take: LongTake) -> tuple[str, ...]:
    day = run.started[:16].replace("T", " ")
    return (
        f"Stored: {length_in_words(take.seconds)}, recorded {day} with {run.rig.device}. "
        "Its sound is not played; nothing is measured anew or stored.",
    )


def _paced(take: LongTake, pace: float) -> Iterator[Block]:
    """The blocks of a take, none before its time; pace 0: without waiting."""
    begun = time.monotonic()
    blocks = ReplayedFile(take, "", block_seconds=SHOWN_BLOCK_SECONDS * max(1.0, pace))
    for block in blocks.stream(seconds=None):
        if pace:
            due = begun + (block.first_frame + len(block.samples)) / take.samplerate / pace
            time.sleep(max(0.0, due - time.monotonic()))
        yield block
