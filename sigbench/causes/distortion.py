"""Distortion: harmonics that differ with level, channel or output, and so are no sound's own."""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

from sigbench.causes.clues import Clue, only_if, over, percent_of_note
from sigbench.causes.likeness import SAME_WAVE, WAVE_DB, other_waves
from sigbench.causes.note import DISTORTION_DB, DISTORTION_UNLIKE_DB, RICH_DB
from sigbench.causes.output import DEAD_DB, Output, channels_of, loudest_note, place_of

BURIED_DB = 6.0  # harmonics of a low note that are no stronger than the hum may be hum
LOW_UNLIKE_DB = (15.0, 2.0)  # between a low note and a middle one, both plain
DISTORTION_ALIKE_DB = (3.0, 0.7)  # two outputs have no stage with the same room
MORE_WHEN_QUIET_DB = (6.0, 1.5)  # of such a part
ONE_SIDED_DB = (0.3, 0.1)
HALF_MISSING_DB = (4.5, 0.7)


@dataclass(frozen=True, slots=True)
class _Distorted:
    """How surely one channel distorts, in which way, and by how much."""

    output: str
    channel: int
    loud: float  # more when loud
    quiet: float  # more when quiet
    beside: float  # more than the cleanest channel of all
    shape: float  # another wave than at another output
    thd: float  # dB, of the note at which there is most

    @property
    def any(self) -> float:
        return max(self.loud, self.quiet, self.beside, self.shape)


def distortion_clues(outputs: Sequence[Output], *, stereo: bool) -> list[Clue]:
    """Harmonics that are not the sound's own: they differ with level, channel or output.

    A sound that is rich by nature has the same harmonics loud and quiet, left and right; one that
    is `stereo` is held against the same channel of another output only.
    """
    found: list[_Distorted] = []
    one_sided: list[tuple[float, str]] = []
    halves: list[tuple[float, str]] = []
    cut: list[tuple[float, float, str]] = []
    loudest = loudest_note(outputs)
    cleanest = min((_cleanest(outputs, c) for c in channels_of(outputs)), default=0.0)
    told = len({o.name for o in outputs if o.loud is not None}) > 1
    shapes = other_waves(outputs)
    for o in outputs:
        if o.loud is None:
            continue
        heard = o.loud.level
        loud = {c: v for c, v in o.loud.thd.items() if heard[c] > loudest - DEAD_DB[0]}
        quiet = o.quiet.thd if o.quiet is not None else {}
        told = told or bool(quiet) or len(loud) > 1
        for c in loud:
            growth = loud[c] - quiet[c] if c in quiet else 0.0
            by_level = over(growth, DISTORTION_UNLIKE_DB) * over(loud[c], DISTORTION_DB)
            by_quiet = (
                over(-growth, DISTORTION_UNLIKE_DB) * over(quiet[c], DISTORTION_DB)
                if c in quiet
                else 0.0
            )
            beside = max(
                _more(loud[c], cleanest), _more(quiet.get(c), min(quiet.values(), default=0))
            )
            if stereo:
                beside = _more(loud[c], _cleanest(outputs, c))
            most_thd = max(loud[c], quiet.get(c, -200.0))
            at_loud, at_quiet = (over(x, WAVE_DB) for x in shapes.get((o.name, c), SAME_WAVE))
            by_level = max(by_level, at_loud * (1 - at_quiet))
            by_quiet = max(by_quiet, at_quiet * (1 - at_loud))
            shape = max(at_loud, at_quiet)
            entry = _Distorted(o.name, c, by_level, by_quiet, beside, shape, most_thd)
            found.append(entry)
            own = [n.asymmetry[c] for n in (o.loud, o.quiet) if n is not None and c in n.asymmetry]
            others = [v for x, v in o.loud.asymmetry.items() if x != c]
            if cleanest < DISTORTION_DB[0]:
                others.append(0.0)  # a plain sound is alike in both halves
            if shape > 0.5:
                others += [x.loud.asymmetry[c] for x in outputs if x.loud and c in x.loud.asymmetry]
            if own and len(own) + len(others) > 1 and entry.any > 0.5:
                lean = max(own, key=abs)
                most = max(abs(lean - v) for v in (*own, *others))
                which = "positive" if lean < 0 else "negative"
                said = f"the {which} half is smaller by {abs(lean):.1f} dB on {place_of(o, c)}"
                if abs(lean) < most / 2:
                    said = f"the halves are {most:.1f} dB other than elsewhere on {place_of(o, c)}"
                one_sided.append((over(most, ONE_SIDED_DB), said))
                halves.append((over(abs(lean), HALF_MISSING_DB), said))
                cut.append((most, 0.97 if lean < 0 else 0.03, said))
    if not found or not told:
        played = [o.loud for o in outputs if o.loud is not None]
        said = "no harmonics to tell by"
        clues = [Clue("worse when quiet", None, said)] if any(o.quiet for o in outputs) else []
        other = any(note.level and note.level.keys().isdisjoint(note.thd) for note in played)
        return [*clues, Clue("distortion", None, said)] if other and not found else clues
    sure = [d for d in found if d.any > 0.5] or [max(found, key=lambda d: d.any)]
    worst = max(sure, key=lambda d: d.thd)
    there = max(d.any for d in found)
    said = f"{percent_of_note(worst.thd)} on {worst.output} {worst.channel}"
    if worst.any == worst.shape > 0.5:
        part = percent_of_note(max(shapes[worst.output, worst.channel]))
        said = f"{part} of the note on {worst.output} {worst.channel} is not in it elsewhere"
    if there < 0.5 and cleanest > RICH_DB and not shapes:
        said = (
            f"the sound has {percent_of_note(cleanest)} of harmonics by itself: play a plainer one"
        )
        return [Clue("distortion", None, said), Clue("worse when quiet", None, said)]
    clues = [Clue("distortion", there, said)]
    if any(o.quiet is not None for o in outputs):
        known = shapes.get((worst.output, worst.channel), SAME_WAVE)
        worse = _grows(known) if worst.any == worst.shape else None
        if worse is None and worst.quiet + worst.loud > 0.2:
            worse = worst.quiet / (worst.quiet + worst.loud)
        clues.append(Clue("worse when quiet", only_if(worse, there), said))
    pairs = [
        pair
        for o in outputs
        if not stereo and sum(d.output == o.name for d in found) > 1
        for pair in _unlike(o)
    ]
    pairs += [
        (abs(a.shape - b.shape), said) for a, b in combinations(found, 2) if a.output == b.output
    ]
    if pairs:
        share, words = max(pairs)
        clues.append(Clue("distortion in one channel", only_if(share, there), words))
    names = {d.output for d in found}
    if len(names) > 1:
        least = min(max(d.any for d in found if d.output == name) for name in names)
        clues.append(Clue("distortion on every output", only_if(least, there), said))
        spread = _spread(outputs)
        words = f"within {spread:.1f} dB"
        alike = 1 - max(over(spread, DISTORTION_ALIKE_DB), *(d.shape for d in found))
        clues.append(Clue("distortion alike", only_if(alike, there), words))
    low = [] if stereo else list(_low_distorts(outputs))
    if low:
        share, said = max(low, key=lambda entry: entry[0])
        clues.append(Clue("worse when low", share, said))
    if one_sided:
        share, said = max(one_sided, key=lambda entry: entry[0])
        clues.append(Clue("one-sided", only_if(share, there), said))
        _, positive, said = max(cut)
        clues.append(Clue("positive half cut", only_if(positive, share), said))
        clues.append(Clue("half missing", only_if(max(halves)[0], share), max(halves)[1]))
    return clues


def _low_distorts(outputs: Sequence[Output]) -> Iterator[tuple[float, str]]:
    """Of each channel that plays a plain note, whether its low note is distorted, and no other's.

    A sound may be richer at the lower end of the keyboard, but then it is so on every channel. What
    lifts harmonics by taking the fundamental, as a high-pass does, is no distortion.
    """
    lows = [(o, c) for o in outputs if o.low and o.loud for c in o.low.thd if c in o.loud.thd]
    if len(lows) < 2:
        return
    for o, c in lows:
        assert o.low is not None
        assert o.loud is not None
        hum = o.hum_total.get(c, -math.inf) - o.low.level.get(c, 0.0)
        if o.loud.thd[c] > DISTORTION_DB[0] or o.low.thd[c] < hum + BURIED_DB:
            continue
        least = min(x.low.thd[k] for x, k in lows if x.low is not None)
        taken = max(o.loud.strongest - o.low.level.get(c, math.inf), 0.0)
        more = o.low.thd[c] - max(o.loud.thd[c], least) - taken
        said = (
            f"{percent_of_note(o.low.thd[c])} on {place_of(o, c)}, {percent_of_note(least)} at best"
        )
        yield over(more, LOW_UNLIKE_DB) * over(o.low.thd[c], DISTORTION_DB), said


def _grows(by: tuple[float, float]) -> float | None:
    """Whether a quiet note has more of another wave than a loud one; None without both."""
    loud, quiet = by
    return over(quiet - loud, MORE_WHEN_QUIET_DB) if min(by) > WAVE_DB[0] else None


def _cleanest(outputs: Iterable[Output], channel: int) -> float:
    """The least distortion of a loud note on a channel of all outputs, in dB."""
    return min(
        (o.loud.thd[channel] for o in outputs if o.loud and channel in o.loud.thd), default=0
    )


def _spread(outputs: Sequence[Output]) -> float:
    """How far the channels and outputs that have a note are apart in their distortion, in dB."""
    notes = [(o.loud, o.loud.thd) for o in outputs if o.loud is not None]
    missing = any(thd.keys() != note.level.keys() for note, thd in notes)
    all_of_them = [value for _, thd in notes for value in thd.values()]
    return math.inf if missing else max(all_of_them) - min(all_of_them)


def _more(thd: float | None, other: float) -> float:
    """How surely one channel distorts more than another."""
    if thd is None:
        return 0.0
    return over(thd - other, DISTORTION_UNLIKE_DB) * over(thd, DISTORTION_DB)


def _unlike(output: Output) -> Iterator[tuple[float, str]]:
    """For each note how surely one channel of an output distorts more than the other, and which."""
    for note in (output.loud, output.quiet):
        if note is not None and {1, 2} <= set(note.thd):
            more, less = sorted((1, 2), key=lambda c: -note.thd[c])
            percent = " and ".join(percent_of_note(note.thd[c]) for c in (more, less))
            said = f"{percent} on {place_of(output, more)} and {less}"
            yield _more(note.thd[more], note.thd[less]), said
