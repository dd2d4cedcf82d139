"""Distortion: harmonics that differ with level, channel or output, and so are no sound's own."""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

from sigbench.causes.clues import Clue, only_if, over, percent_of_note
from sigbench.causes.likeness import SAME_WAVE, WAVE_DB, other_waves
from sigbench.causes.note import BOTH, DISTORTION_DB, DISTORTION_UNLIKE_DB, RICH_DB
from sigbench.causes.output import DEAD_DB, Output, loudest_note
from sigbench.causes.shape import share_at_zero

BURIED_DB = 6.0  # harmonics of a low note that are no stronger than the hum may be hum
LOW_UNLIKE_DB = (15.0, 2.0)  # between a low note and a middle one, both plain
DISTORTION_ALIKE_DB = (3.0, 0.7)  # two outputs have no stage with the same room
MORE_WHEN_QUIET_DB = (6.0, 1.5)  # of such a part
ONE_SIDED_DB = (0.3, 0.1)
HALF_MISSING_DB = (4.5, 0.7)
AT_ZERO_SHARE = (0.6, 0.04)  # of what distorts, in a quarter of the time (see `share_at_zero`)
NOT_STEEPER = (-0.5, 0.1)  # cosine of the third harmonic's phase, the fundamental a cosine


@dataclass(frozen=True, slots=True)
class _Distorted:
    """How surely one channel distorts, in which way, and by how much."""

    output: Output
    channel: int
    loud: float  # more when loud
    quiet: float  # more when quiet
    beside: float  # more than the cleanest channel of all
    shape: float  # another wave than at another output
    thd: float  # dB, of the note at which there is most
    wave: tuple[float, float]  # dB, loud and quiet: what is not in it elsewhere

    @property
    def any(self) -> float:
        return max(self.loud, self.quiet, self.beside, self.shape)


def distortion_clues(outputs: Sequence[Output], *, stereo: bool) -> list[Clue]:
    """Harmonics that are not the sound's own: they differ with level, channel or output.

    A sound that is rich by nature has the same harmonics loud and quiet, left and right; one that
    is `stereo` is held against the same channel of another output only.
    """
    waves = other_waves(outputs)
    channels = {c for o in outputs for c in o.channels}
    cleanest = min((_cleanest(outputs, c) for c in channels), default=0.0)
    found = list(_distorted(outputs, waves, cleanest, stereo=stereo))
    if not found or not _can_be_compared(outputs, found):
        return _untold(outputs, found)
    sure = [d for d in found if d.any > 0.5] or [max(found, key=lambda d: d.any)]
    worst = max(sure, key=lambda d: d.thd)
    there = max(d.any for d in found)
    if there < 0.5 and cleanest > RICH_DB and not waves:
        said = (
            f"the sound has {percent_of_note(cleanest)} of harmonics by itself: play a plainer one"
        )
        return [Clue("distortion", None, said), Clue("worse when quiet", None, said)]
    said = _where(worst)
    clues = [Clue("distortion", there, said)]
    if any(o.quiet is not None for o in outputs):
        clues.append(Clue("worse when quiet", only_if(_more_when_quiet(worst), there), said))
    unlike = [*_unlike_waves(found, said), *(() if stereo else _unlike_channels(outputs, found))]
    if unlike:
        share, words = max(unlike)
        clues.append(Clue("distortion in one channel", only_if(share, there), words))
    clues += _at_every_output(outputs, found, there, said)
    low = [] if stereo else list(_low_distorts(outputs))
    if low:
        clues.append(Clue("worse when low", *max(low, key=lambda entry: entry[0])))
    return [*clues, *_at_zero(worst, there, cleanest), *_half_clues(outputs, found, cleanest)]


def _distorted(
    outputs: Sequence[Output],
    waves: Mapping[tuple[str, int], tuple[float, float]],
    cleanest: float,
    *,
    stereo: bool,
) -> Iterator[_Distorted]:
    """Each channel with a loud note that has harmonics."""
    loudest = loudest_note(outputs)
    for o in outputs:
        if o.loud is None:
            continue
        quiet = o.quiet.thd if o.quiet is not None else {}
        for c, thd in o.loud.thd.items():
            if o.loud.level[c] <= loudest - DEAD_DB[0]:
                continue
            softly = quiet.get(c)
            beside = max(_more(thd, cleanest), _more(softly, min(quiet.values(), default=0.0)))
            wave = waves.get((o.name, c), SAME_WAVE)
            at_loud, at_quiet = (over(decibels, WAVE_DB) for decibels in wave)
            yield _Distorted(
                output=o,
                channel=c,
                loud=max(_more(thd, thd if softly is None else softly), at_loud * (1 - at_quiet)),
                quiet=max(_more(softly, thd), at_quiet * (1 - at_loud)),
                beside=_more(thd, _cleanest(outputs, c)) if stereo else beside,
                shape=max(at_loud, at_quiet),
                thd=thd if softly is None else max(thd, softly),
                wave=wave,
            )


def _can_be_compared(outputs: Iterable[Output], found: Sequence[_Distorted]) -> bool:
    """Whether there are two outputs, two levels or two channels of one output."""
    return (
        len({o.name for o in outputs if o.loud is not None}) > 1
        or any(o.quiet is not None and o.quiet.thd for o in outputs)
        or any(a.output is b.output for a, b in pairwise(found))
    )


def _untold(outputs: Sequence[Output], found: Sequence[_Distorted]) -> list[Clue]:
    """What was measured, and tells of no distortion."""
    names = ["worse when quiet"] if any(o.quiet is not None for o in outputs) else []
    notes = [o.loud for o in outputs if o.loud is not None]
    if not found and any(n.level and n.level.keys().isdisjoint(n.thd) for n in notes):
        names.append("distortion")
    return [Clue(name, None, "no harmonics to tell by") for name in names]


def _where(worst: _Distorted) -> str:
    """How much the worst one distorts, in words."""
    place = worst.output.place(worst.channel)
    if worst.any == worst.shape > 0.5:
        return f"{percent_of_note(max(worst.wave))} of the note on {place} is not in it elsewhere"
    return f"{percent_of_note(worst.thd)} on {place}"


def _more_when_quiet(worst: _Distorted) -> float | None:
    """Whether a quiet note is more distorted than a loud one; None where nobody can tell."""
    if worst.any == worst.shape and min(worst.wave) > WAVE_DB[0]:
        loud, quiet = worst.wave
        return over(quiet - loud, MORE_WHEN_QUIET_DB)
    either = worst.quiet + worst.loud
    return worst.quiet / either if either > 0.2 else None


def _at_zero(worst: _Distorted, there: float, cleanest: float) -> Iterator[Clue]:
    """Whether the wave waits where it passes zero.

    What a sound has of its own is in the loud note and the quiet one. A wave that has lost its ends
    is another one about zero as well, but steeper: its third harmonic lies against its fundamental
    (Fourier series of the square wave: textbook).
    """
    o, c = worst.output, worst.channel
    notes = [n for n in (o.loud, o.quiet) if n is not None and c in n.wave and c in n.thd]
    if not notes or (len(notes) < 2 and cleanest > DISTORTION_DB[0]):
        return
    more, *less = (n.wave[c].lines for n in sorted(notes, key=lambda n: -n.thd[c]))
    count = min(len(lines) for lines in (more, *less))
    own = more[:count] - sum(lines[:count] for lines in less)
    if count > 1 and own[1]:
        share = share_at_zero(own)
        waits = over(float(own[1].real / abs(own[1])), NOT_STEEPER)
        said = f"{100 * share:.0f} % of it where {o.place(c)} passes zero"
        yield Clue("flat at zero", only_if(over(share, AT_ZERO_SHARE) * waits, there), said)


def _unlike_waves(found: Sequence[_Distorted], said: str) -> Iterator[tuple[float, str]]:
    """How surely one channel of an output has another wave than elsewhere, and the other not."""
    for a, b in combinations(found, 2):
        if a.output is b.output:
            yield abs(a.shape - b.shape), said


def _unlike_channels(
    outputs: Iterable[Output], found: Sequence[_Distorted]
) -> Iterator[tuple[float, str]]:
    """For each note how surely one channel of an output distorts more than the other, and which."""
    for o in outputs:
        if sum(d.output is o for d in found) < 2:
            continue
        for note in (o.loud, o.quiet):
            if note is not None and note.thd.keys() >= BOTH:
                more, less = sorted((1, 2), key=lambda c: -note.thd[c])
                percent = " and ".join(percent_of_note(note.thd[c]) for c in (more, less))
                yield (
                    _more(note.thd[more], note.thd[less]),
                    f"{percent} on {o.places(more, less)}",
                )


def _at_every_output(
    outputs: Sequence[Output], found: Sequence[_Distorted], there: float, said: str
) -> list[Clue]:
    """Whether every output distorts, and every channel of them alike."""
    most: dict[str, float] = {}
    for d in found:
        most[d.output.name] = max(most.get(d.output.name, 0.0), d.any)
    if len(most) < 2:
        return []
    spread = _spread_db(outputs)
    alike = 1 - max(over(spread, DISTORTION_ALIKE_DB), *(d.shape for d in found))
    return [
        Clue("distortion on every output", only_if(min(most.values()), there), said),
        Clue("distortion alike", only_if(alike, there), f"within {spread:.1f} dB"),
    ]


@dataclass(frozen=True, slots=True)
class _Lean:
    """How lopsided the wave of a channel that distorts is."""

    most: float  # dB, against other channels, notes and outputs
    own: float  # dB, positive over negative half
    said: str


def _half_clues(
    outputs: Sequence[Output], found: Iterable[_Distorted], cleanest: float
) -> list[Clue]:
    """Whether one half of the wave is cut more than the other, and which."""
    leans = [
        lean
        for d in found
        if d.any > 0.5 and (lean := _lean_of(d, outputs, cleanest)) is not None
    ]  # fmt: skip
    if not leans:
        return []
    most = max(leans, key=lambda lean: over(lean.most, ONE_SIDED_DB))
    share = over(most.most, ONE_SIDED_DB)
    _, positive, which = max((x.most, 0.97 if x.own < 0 else 0.03, x.said) for x in leans)
    missing, half = max((over(abs(x.own), HALF_MISSING_DB), x.said) for x in leans)
    return [
        Clue("one-sided", share, most.said),
        Clue("positive half cut", only_if(positive, share), which),
        Clue("half missing", only_if(missing, share), half),
    ]


def _lean_of(d: _Distorted, outputs: Iterable[Output], cleanest: float) -> _Lean | None:
    """None where there is nothing to hold it against."""
    o, c = d.output, d.channel
    own = [n.asymmetry[c] for n in (o.loud, o.quiet) if n is not None and c in n.asymmetry]
    loud = o.loud.asymmetry if o.loud is not None else {}
    others = [v for x, v in loud.items() if x != c]
    if cleanest < DISTORTION_DB[0]:
        others.append(0.0)  # a plain sound is alike in both halves
    if d.shape > 0.5:
        others += [x.loud.asymmetry[c] for x in outputs if x.loud and c in x.loud.asymmetry]
    if not own or len(own) + len(others) < 2:
        return None
    lean = max(own, key=abs)
    most = max(abs(lean - v) for v in (*own, *others))
    if abs(lean) < most / 2:
        said = f"the halves are {most:.1f} dB other than elsewhere on {o.place(c)}"
    else:
        which = "positive" if lean < 0 else "negative"
        said = f"the {which} half is smaller by {abs(lean):.1f} dB on {o.place(c)}"
    return _Lean(most, lean, said)


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
        hum = o.idle.hum_total.get(c, -math.inf) - o.low.level.get(c, 0.0)
        if o.loud.thd[c] > DISTORTION_DB[0] or o.low.thd[c] < hum + BURIED_DB:
            continue
        least = min(x.low.thd[k] for x, k in lows if x.low is not None)
        taken = max(o.loud.strongest - o.low.level.get(c, math.inf), 0.0)
        more = o.low.thd[c] - max(o.loud.thd[c], least) - taken
        said = f"{percent_of_note(o.low.thd[c])} on {o.place(c)}, {percent_of_note(least)} at best"
        yield over(more, LOW_UNLIKE_DB) * over(o.low.thd[c], DISTORTION_DB), said


def _cleanest(outputs: Iterable[Output], channel: int) -> float:
    """The least distortion of a loud note on a channel of all outputs, in dB."""
    return min(
        (o.loud.thd[channel] for o in outputs if o.loud and channel in o.loud.thd), default=0
    )


def _spread_db(outputs: Sequence[Output]) -> float:
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
