"""Hiss: what is left of the idle noise without hum and tones, held against the note."""

from collections.abc import Sequence
from dataclasses import replace

from sigbench.causes.clues import Clue, only_if, over
from sigbench.causes.output import NOISE_DB, Output, follows, place_of, whether_there

NOISE_UNLIKE_DB = (8.0, 1.5)  # between channels,
NOISE_HEARD_DB = (-93.0, 2.0)  # and re the note


def noise_clues(outputs: Sequence[Output]) -> list[Clue]:
    """How strong the hiss is, in which channels, and whether it comes before the volume."""
    levels = [(o.noise[c] - o.note_dbfs, o, c) for o in outputs for c in o.noise]
    if not levels:
        return []
    top = max(levels, key=lambda entry: entry[0])
    unlike = []
    for o in outputs:
        if {1, 2} <= set(o.noise_at_most) and o.noise:
            noisy = max(o.noise, key=lambda c: o.noise[c])
            # Where the other one is mostly hum, its hiss is at most what is there.
            gap = o.noise[noisy] - o.noise_at_most[3 - noisy]
            if gap < 0 and 3 - noisy not in o.noise:
                continue
            worse = o.noise[noisy] - o.note_dbfs
            gap = abs(gap)
            unlike.append((over(gap, NOISE_UNLIKE_DB) * over(worse, NOISE_HEARD_DB), gap, o))
    clue = whether_there("noise", top, NOISE_DB)
    # Two inputs of one interface hiss alike: where they differ, it is the unit, however soft.
    beside = max((share for share, _, _ in unlike), default=0.0)
    there = beside if clue.holds is None and beside > 0.5 else clue.holds
    there = None if there is None else max(there, beside)
    clues = [replace(clue, holds=there)]
    if unlike:
        share, gap, o = max(unlike, key=lambda entry: entry[0])
        said = f"{gap:.0f} dB between the channels of {o.name}"
        clues.append(Clue("noise in one channel", only_if(share, there), said))
    falls = [
        (level, o.noise[c] - o.noise_down[c], o, c) for level, o, c in levels if c in o.noise_down
    ]
    if falls:
        _, fall, o, c = max(falls, key=lambda entry: entry[0])
        clues.append(follows("hiss follows volume", fall, there, place_of(o, c)))
    return clues
