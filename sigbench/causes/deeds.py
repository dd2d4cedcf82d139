"""Deeds: what a person did to the unit during a take, and what came of it.

The marks of a take say what was done: a board tapped or pressed, something heated or cooled. What
begins with such a mark, an interruption or a step in level, hum or noise, most likely comes of it.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Literal

from sigbench.causes.clues import Clue, over, repeated
from sigbench.causes.contacts import WATCHED
from sigbench.causes.observation import Observation
from sigbench.checks.soak import COURSES, SoakCourse, soak_courses
from sigbench.model import Event, Measurement
from sigbench.units import true_minus

Kind = Literal["tapped", "heated"]

# What the person writes down, and for how long after it something is taken to come from it.
_WORDS: dict[Kind, tuple[re.Pattern[str], float]] = {
    "tapped": (re.compile(r"\b(tap|press|push|knock|bend|wiggl|mov)", re.IGNORECASE), 3.0),
    "heated": (re.compile(r"\b(heat|hot|warm|cold|cool|spray|freez)", re.IGNORECASE), 90.0),
}
_SUPPLY = re.compile(
    r"\b(regulator|supply|supplies|rail|rectifier|bridge|reservoir|transformer|power)",
    re.IGNORECASE,
)
_PLACE = re.compile(r"\b(board|jack|socket|plug|output|amplifier|panel|headphone|op-?amp|voice|"
                    r"control|pot|transistor|capacitor|line)", re.IGNORECASE)  # fmt: skip

INTERRUPTIONS = ("dropout", "dip", "click", "crackle", "hum_burst")

CHANGE_DB = {"level": 0.8, "hum": 4.0, "noise": 3.0}
"""From which on a step counts: hum and noise move by themselves more than a level does (from the
circuits of `sigbench.circuits`, and common practice)."""
SOON = 0.4
"""Of the time that is laid to a deed. Where one deed follows the other, all of the time is laid to
some deed, and only what comes soon tells."""
LEAST_POINTS = 3  # of a course, before a mark and after it
HEARD_DB = -85.0  # re the sound: hum and noise below that may do as they like
CHANGED = 0.97  # that a step which counts comes of the deed
MORE_THAN_CHANCE = (0.4, 0.08)  # of the events, above the share of time that was looked at
RATHER_THERE = (0.0, 0.12)  # of the times, more than elsewhere
SCATTERS = 3.0  # how many times its scatter a step must be, to be one


@dataclass(frozen=True, slots=True)
class Deed:
    """One thing that was done.

    Parameters
    ----------
    kind : str
        "tapped" or "heated".
    at, until : float
        Seconds: the mark, and when what happens is no longer laid to it.
    text : str
        As it was written down.
    supply : bool or None
        Whether it was done to the supply; None where the mark names no place.
    """

    kind: Kind
    at: float
    until: float
    text: str
    supply: bool | None


@dataclass(frozen=True, slots=True)
class Change:
    """A step of a course at a mark: what, on which channel, by how many dB."""

    name: str
    channel: int
    decibels: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one deed: interruptions that followed, how many of them soon, what changed."""

    deed: Deed
    events: int
    soon: int
    changes: tuple[Change, ...]

    @property
    def anything(self) -> bool:
        """Whether anything came of it."""
        return bool(self.events or self.changes)


def deeds(measurement: Measurement) -> tuple[Deed, ...]:
    """What the marks of a measurement say, in order."""
    marks = sorted((e for e in measurement.events if e.kind == "mark"), key=lambda e: e.start)
    length = measurement.source.frames / measurement.source.samplerate
    found = []
    ends = [*(m.start for m in marks), length][1:]
    for mark, after in zip(marks, ends, strict=True):
        text = " ".join(filter(None, (mark.text, mark.place)))
        for kind, (words, lasts) in _WORDS.items():
            if words.search(text):
                until = min(after, mark.start + lasts)
                found.append(Deed(kind, mark.start, until, text, _in_supply(text)))
                break
    return tuple(found)


def _in_supply(text: str) -> bool | None:
    if _SUPPLY.search(text):
        return True
    return False if _PLACE.search(text) else None


def outcomes(measurement: Measurement) -> tuple[Outcome, ...]:
    """What came of each deed of a measurement."""
    done = deeds(measurement)
    faults = _faults(measurement)
    courses = soak_courses(measurement).courses if measurement.check == "soak" else ()
    before = 0.0
    found = []
    for deed in done:
        starts = [e.start for e in faults if deed.at <= e.start < deed.until]
        soon = sum(t < deed.at + SOON * (deed.until - deed.at) for t in starts)
        # A tap is over at once: what stays changed after it is not the tap's.
        steps = tuple(_steps(courses, before, deed)) if deed.kind == "heated" else ()
        found.append(Outcome(deed, len(starts), soon, steps))
        before = deed.at
    return tuple(found)


def _faults(measurement: Measurement) -> tuple[Event, ...]:
    """The interruptions of a measurement."""
    return tuple(e for e in measurement.events if e.kind in INTERRUPTIONS)


def _covered(measurement: Measurement, kind: Kind) -> float:
    """Share of a measurement's time that is laid to deeds of a kind; 0 without any."""
    seconds = sum(d.until - d.at for d in deeds(measurement) if d.kind == kind)
    return seconds * measurement.source.samplerate / max(measurement.source.frames, 1)


def _steps(courses: Sequence[SoakCourse], since: float, deed: Deed) -> Iterator[Change]:
    levels = {c.channel: median(v for _, v in c.points) for c in courses if c.name == "level"}
    for course in courses:
        if course.name in CHANGE_DB and course.points:
            step = _step(course, since, deed, levels)
            if abs(step) > CHANGE_DB[course.name]:
                yield Change(course.name, course.channel, step)


def _step(course: SoakCourse, since: float, deed: Deed, levels: Mapping[int, float]) -> float:
    """By how much a course differs some time after a deed from before it, less what is unsure."""
    earlier = [v for t, v in course.points if since <= t < deed.at]
    later = [v for t, v in course.points if deed.at <= t < deed.until]
    if len(earlier) < LEAST_POINTS or len(later) < LEAST_POINTS:
        return 0.0
    # Heat takes its time: the later half tells.
    later = later[len(later) // 2 :]
    cold, hot = median(earlier[len(earlier) // 2 :]), median(later)
    if course.name != "level" and max(cold, hot) < levels.get(course.channel, 0.0) + HEARD_DB:
        return 0.0
    moves = [abs(b - a) for values in (earlier, later) for a, b in pairwise(values)]
    scatter = median(moves)
    # What was on its way before goes on by itself.
    drift = abs(median(earlier[: len(earlier) // 2 + 1]) - cold)
    step = hot - cold
    size = max(abs(step) - SCATTERS * scatter - 2 * drift, 0.0)
    return size if step > 0 else -size


def _in_words(change: Change) -> str:
    """A change as it is said: ``hum on channel 1 by −6 dB``."""
    unit = COURSES[change.name][1]
    step = true_minus(f"{change.decibels:+.0f}")
    return f"{change.name} on channel {change.channel} by {step} {unit}"


_Watched = Sequence[tuple[Observation, Sequence[Outcome]]]
"""Observations, and what came of the deeds in each."""


def deed_clues(observations: Sequence[Observation]) -> list[Clue]:
    """Whether anything follows the marks of what was done, more than chance would have it."""
    watched = [(o, outcomes(o.measurement)) for o in observations if o.measurement.check in WATCHED]
    found = []
    for kind in _WORDS:
        of_kind = [(o, [x for x in came if x.deed.kind == kind]) for o, came in watched]
        own = [(o, came) for o, came in of_kind if came]
        if own:
            found.append(_after(kind, own))
    placed = [x for _, came in watched for x in came if x.deed.supply is not None]
    return [*found, *_from_supply(placed)]


def _after(kind: Kind, own: _Watched) -> Clue:
    """Whether interruptions follow deeds of a kind, or a level, hum or noise changes with them."""
    total = sum(len(_faults(o.measurement)) for o, _ in own)
    after = sum(x.events for _, came in own for x in came)
    share = sum(_covered(o.measurement, kind) for o, _ in own) / len(own)
    soon = sum(x.soon for _, came in own for x in came)
    follows = max(
        over(count / max(total, 1) - by_chance, MORE_THAN_CHANCE) * repeated(count)
        for count, by_chance in ((after, share), (soon, SOON * share))
    )
    changes = [(change, x, o) for o, came in own for x in came for change in x.changes]
    name = f"comes when {kind}"
    if not changes:
        said = f"{after} of {total} interruptions soon after it" if total else "nothing came"
        return Clue(name, follows, said)
    change, outcome, o = max(changes, key=lambda entry: abs(entry[0].decibels))
    said = f"'{outcome.deed.text}' changed {_in_words(change)} of {o.output}"
    return Clue(name, max(follows, CHANGED), said)


def _from_supply(placed: Sequence[Outcome]) -> Iterator[Clue]:
    """Whether it comes when the supply is worked on, rather than when another place is."""
    there = [x.anything for x in placed if x.deed.supply]
    elsewhere = [x.anything for x in placed if not x.deed.supply]
    if there and elsewhere and any(there + elsewhere):
        own, other = sum(there) / len(there), sum(elsewhere) / len(elsewhere)
        said = f"{sum(there)} of {len(there)} there, {sum(elsewhere)} of {len(elsewhere)} elsewhere"
        yield Clue("comes from the supply", over(own - other, RATHER_THERE), said)
