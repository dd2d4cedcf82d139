"""What a running take shows, in words: the same on every front."""

from collections.abc import Mapping, Sequence

from sigbench.checks.tally import FAULTS, length_and_depth
from sigbench.interface.base import HIGH_PEAK_DBFS, LOW_PEAK_DBFS, SILENT_PEAK_DBFS
from sigbench.measure.meter import MeterLevel
from sigbench.model import Event, EventKind

SIGNS: Mapping[EventKind, str] = {
    "dropout": "X",
    "dip": "V",
    "hum_burst": "H",
    "crackle": "*",
    "click": "'",
    "lost_buffers": "L",
    "mark": "m",
}
"""What stands for an event below the strip; the gravest of a column is shown."""

WORDS: Mapping[EventKind, str] = {
    "dropout": "SIGNAL LOST",
    "dip": "level fell",
    "hum_burst": "HUM",
    "crackle": "crackle",
    "click": "click",
    "lost_buffers": "the computer lost audio",
    "mark": "mark",
}


def clock(seconds: float) -> str:
    """``1:05`` or ``2:01:05``."""
    minutes, rest = divmod(int(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def event_line(event: Event) -> str:
    """``at 0:12 signal lost: the tip let go, 240 ms to silence, channel 1``."""
    what = [f"at {clock(event.start)}"]
    if event.kind == "mark":
        if event.end > event.start:
            what.append(f"paused for {event.end - event.start:.0f} s")
        else:
            what.append(f"begun: {event.place}" if event.place else f"mark: {event.text}")
        return " ".join(what)
    what.append(event.text or WORDS[event.kind])
    if event.kind in FAULTS:
        what[-1] += f", {length_and_depth(event)}"
    return " ".join(what) + f", {channels_words(event.channels)}"


def channels_words(channels: Sequence[int]) -> str:
    """``channel 1``, ``channels 1 and 2 together``."""
    if len(channels) > 1:
        return f"channels {' and '.join(map(str, channels))} together"
    return f"channel {channels[0]}" if channels else ""


def level_word(level: MeterLevel) -> str:
    """Whether a level is fit for a take, in a word."""
    if level.overloads:
        return "OVERLOAD: turn down"
    if level.peak_dbfs > HIGH_PEAK_DBFS:
        return "high"
    if level.peak_dbfs < SILENT_PEAK_DBFS:
        return "silent"
    return "low" if level.peak_dbfs < LOW_PEAK_DBFS else "good"
