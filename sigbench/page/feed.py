"""What a sitting, or a procedure, sends to the pages that show it, as plain objects for JSON."""

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigbench.checks.tally import FAULTS
from sigbench.live.procedure import Procedure, Running
from sigbench.live.spectrum import Spectrum
from sigbench.live.steered import Asked
from sigbench.live.strip import STRIP_SECONDS
from sigbench.live.watch import Seen
from sigbench.live.watched import Done, Watched
from sigbench.live.wording import SIGNS, WORDS, channels_words, event_line, level_word
from sigbench.measure.meter import MeterLevel
from sigbench.measure.travel import Gang, Turning
from sigbench.model import Event
from sigbench.page.show import lines_of
from sigbench.rig.wiring import wiring

MOST_EVENTS = 60  # the last ones; all of them are stored
SPECTRUM_COLUMNS = 240


def moment_object(watched: Watched) -> dict[str, Any]:
    """Where a sitting or a showing is, and what can be answered."""
    moment = watched.moment
    step = moment.step
    return {
        "unit": watched.unit_id,
        "name": f"{watched.unit.maker} {watched.unit.model}, {watched.unit.serial}",
        "stage": watched.stage,
        "verb": watched.verb,
        **_asked_object(moment),
        "number": moment.number,
        "of": moment.of,
        "step": None
        if step is None
        else {
            "check": step.check,
            "output": step.output,
            "prompt": step.prompt,
            "seconds": step.seconds,
            "volume": step.volume,
            "mains": step.settings.mains_hz or watched.unit.mains_hz,
        },
        "take": moment.take,
        "takes": moment.takes,
        "done": [done_object(done) for done in moment.done],
        "left": moment.left,
    }


def _asked_object(moment: Asked) -> dict[str, Any]:
    """What every moment has, for a page that steers."""
    return {
        "phase": moment.phase,
        "question": moment.question,
        "sayings": moment.sayings,
        "choices": [{"answer": c.answer, "words": c.words} for c in moment.choices],
        "fields": [
            {
                "name": f.name,
                "label": f.label,
                "value": f.value,
                "options": f.options,
                "hint": f.hint,
            }
            for f in moment.fields
        ],
        "failed": moment.failed,
    }


def done_object(done: Done) -> dict[str, Any]:
    """A finished step with the readings that are worth a glance."""
    return {
        "number": done.number,
        "check": done.step.check,
        "output": done.step.output,
        "readings": [asdict(line) for line in lines_of(done.run)],
    }


def seen_object(seen: Seen, spectrum: Spectrum | None) -> dict[str, Any]:
    """What a take shows just now; NaN, which JSON has not, where there is nothing."""
    return {
        "seconds": round(seen.seconds, 2),
        "of_seconds": seen.of_seconds,
        "paused": seen.paused,
        "place": seen.place,
        "place_number": seen.place_number,
        "places": seen.places,
        "levels": [_level_object(level) for level in seen.levels],
        "strip": {
            "start": round(seen.strip.start, 3),
            "seconds": STRIP_SECONDS,
            "low": _columns(seen.strip.low),
            "high": _columns(seen.strip.high),
        },
        "spectrum": None
        if spectrum is None
        else {
            "from": float(spectrum.edges_hz[0]),
            "to": float(spectrum.edges_hz[-1]),
            "levels": _columns(spectrum.levels),
        },
        "events": [event_object(event) for event in seen.events[-MOST_EVENTS:]],
        "counted": sum(event.kind in FAULTS for event in seen.events),
        "going_on": [
            {
                "sign": SIGNS[kind],
                "words": f"{WORDS[kind]} now, {channels_words((channel,))}",
                "start": round(start, 3),
                "channel": channel,
            }
            for kind, start, channel in seen.going_on
        ],
        "tallies": [{"place": t.place, "total": t.total, "words": str(t)} for t in seen.tallies],
        "remarks": seen.remarks,
        "lost": seen.lost,
        "turned": [_turned(number, one) for number, one in enumerate(seen.turned, start=1)],
        "courses": _courses(seen),
    }


def event_object(event: Event) -> dict[str, Any]:
    """An event with its sign and its words."""
    return {
        "kind": event.kind,
        "sign": SIGNS[event.kind],
        "start": round(event.start, 3),
        "end": round(event.end, 3),
        "channels": event.channels,
        "words": event_line(event),
    }


def _turned(shaft: int, turning: Turning) -> dict[str, Any]:
    """A turned control: where it stands, and in how many passes each place crackled."""
    position = next((x for x in turning.travel[::-1] if math.isfinite(x)), math.nan)
    return {
        "shaft": shaft,
        "passes": len(turning.passes),
        "law": str(turning.taper),
        "position": _rounded(position, 1),
        "channels": [
            {"channel": gang.channel, "edges": _listed(gang.wear.edges), "hits": _hits(gang)}
            for gang in turning.gangs
        ],
    }


def _hits(gang: Gang) -> list[int]:
    """In how many passes each cell of a channel's travel crackled."""
    return (np.isfinite(gang.wear.level) & gang.wear.crossed).sum(axis=0).tolist()


def _courses(seen: Seen) -> list[dict[str, Any]]:
    if seen.courses is None:
        return []
    return [
        {
            "name": course.name,
            "unit": course.unit,
            "channel": course.channel,
            "points": [[_rounded(s, 1), _rounded(v, 2)] for s, v in course.points],
        }
        for course in seen.courses.courses
    ]


def _listed(values: NDArray[np.float64]) -> list[float | None]:
    return [_rounded(value, 1) for value in values]


def _level(dbfs: float) -> float | None:
    return _rounded(dbfs, 1)


def _rounded(value: float, digits: int) -> float | None:
    return round(float(value), digits) if math.isfinite(value) else None


def _columns(levels: NDArray[np.float64]) -> list[list[float]]:
    """Levels of each channel, one list each; NaN, which is written as null, where there is none."""
    columns: list[list[float]] = levels.T.round(1).tolist()
    return columns


# --- a procedure at the rig


def procedure_object(procedure: Procedure) -> dict[str, Any]:
    """Where a procedure is, with the drawing of what is plugged in."""
    moment, setup = procedure.moment, procedure.setup
    return {
        "rig": setup.name,
        "procedure": procedure.kind,
        **_asked_object(moment),
        "number": moment.number,
        "of": moment.of,
        "title": moment.title,
        "prompt": moment.prompt,
        "wiring": "" if moment.plugging is None else wiring(moment.plugging, setup),
        "cautions": moment.cautions,
        "sounding": moment.sounding,
        "results": moment.results,
        "stored": moment.stored,
    }


def running_object(running: Running, jacks: Sequence[int]) -> dict[str, Any]:
    """What the inputs show just now, and how far the stream is."""
    return {
        "seconds": round(running.seconds, 1),
        "of_seconds": running.of_seconds,
        "levels": [
            {"jack": jack, **_level_object(level)}
            for jack, level in zip(jacks, running.levels, strict=False)
        ],
    }


def _level_object(level: MeterLevel) -> dict[str, Any]:
    return {
        "rms": _level(level.rms_dbfs),
        "peak": _level(level.peak_dbfs),
        "word": level_word(level),
    }
