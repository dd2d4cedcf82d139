"""Live levels on the terminal: a bar and two figures a channel, large enough to look up at."""

import math
import sys
import time
from collections.abc import Callable
from contextlib import closing
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from sigbench.cli.show import fit
from sigbench.live.wording import level_word
from sigbench.units import true_minus

if TYPE_CHECKING:
    from sigbench.interface.base import Interface
    from sigbench.measure.meter import MeterLevel
    from sigbench.model import Samples

UPDATES_A_SECOND = 10
BAR_COLUMNS = 30
BAR_BOTTOM_DBFS = -80.0


def level_line(channel: int, level: "MeterLevel") -> str:
    """One channel in words and figures; no meaning rests on colour alone."""
    filled = 0
    if level.peak_dbfs > BAR_BOTTOM_DBFS:
        share = 1 - max(level.rms_dbfs, BAR_BOTTOM_DBFS) / BAR_BOTTOM_DBFS
        filled = min(BAR_COLUMNS, round(share * BAR_COLUMNS))
    bar = "#" * filled + "." * (BAR_COLUMNS - filled)
    figures = f"{_figure(level.rms_dbfs)} dBFS   peak {_figure(level.peak_dbfs)}"
    return f"{channel:>3}  {bar}  {figures}   {level_word(level)}".rstrip()


def watch_levels(
    interface: "Interface",
    console: Console,
    *,
    seconds: float | None,
    stimulus: "Samples | None" = None,
    until: Callable[[], bool] | None = None,
) -> "tuple[MeterLevel, ...]":
    """Show the levels of all channels until the time is over, or something says so.

    Parameters
    ----------
    seconds : float or None
        How long; None until `until` says so or Ctrl-C is pressed.
    until : callable, optional
        Asked some times a second.

    Returns
    -------
    tuple of MeterLevel
        The last levels of all channels.
    """
    from rich.live import Live

    from sigbench.measure.meter import LevelMeter

    meter = LevelMeter(interface.samplerate, interface.channels)
    shown = 0.0
    with (
        Live(console=console, auto_refresh=False, screen=console.is_terminal) as live,
        closing(interface.stream(seconds=seconds, stimulus=stimulus)) as blocks,
    ):
        for block in blocks:
            meter.feed(block.samples)
            now = time.monotonic()
            if now - shown < 1 / UPDATES_A_SECOND:
                continue
            shown = now
            if console.is_terminal:
                live.update(_table(meter.now(), console), refresh=True)
            if until is not None and until():
                break
    return meter.now()


def print_levels(levels: "tuple[MeterLevel, ...]", console: Console) -> None:
    """The levels as they were last."""
    console.print(_table(levels, console))


def enter_pressed() -> bool:
    """Whether a line waits at the keyboard; it is taken. On Windows there is Ctrl-C alone."""
    import select

    if sys.platform == "win32" or not sys.stdin.isatty():
        return False
    waiting, _, _ = select.select([sys.stdin], [], [], 0)
    if waiting:
        sys.stdin.readline()
    return bool(waiting)


def _table(levels: "tuple[MeterLevel, ...]", console: Console) -> Text:
    lines = [level_line(channel, level) for channel, level in enumerate(levels, start=1)]
    return fit("\n".join(lines), console)


def _figure(dbfs: float) -> str:
    return "  none" if math.isinf(dbfs) else true_minus(f"{dbfs:6.1f}")
