"""Hiss: what is left of the idle noise without hum and tones, held against the note."""

from collections.abc import Sequence
from dataclasses import replace

from sigbench.causes.clues import Clue, only_if, over
from sigbench.causes.idle import NOISE_DB, follows_volume
from sigbench.causes.note import BOTH
from sigbench.causes.output import Output, whether_there

NOISE_UNLIKE_DB = (8.0, 1.5)  # between channels,
NOISE_HEARD_DB = (-93.0, 2.0)  # and re the note


def noise_clues(outputs: Sequence[Output]) -> list[Clue]:
    """How strong the hiss is, in which channels, and whether it comes before the volume."""
    places = [(o.idle.noise[c] - o.note_dbfs, o, c) for o in outputs for c in o.idle.noise]
    if not places:
        return []
    clue = whether_there("noise", *max(places, key=lambda entry: entry[0]), NOISE_DB)
    unlike = [(*apart, o) for o in outputs if (apart := _channels_apart(o)) is not None]
    # Two inputs of one interface hiss alike: where they differ, it is the unit, however soft.
    beside = max((share for share, _, _ in unlike), default=0.0)
    there = clue.holds
    if there is not None or beside > 0.5:
        there = max(there or 0.0, beside)
    clues = [replace(clue, holds=there)]
    if unlike:
        share, gap, o = max(unlike, key=lambda entry: entry[0])
        said = f"{gap:.0f} dB between the channels of {o.name}"
        clues.append(Clue("noise in one channel", only_if(share, there), said))
    strongest = max(places, key=lambda entry: entry[0])[0]
    falls = [
        (o.idle.noise[c] - o.idle.noise_down[c], o.place(c))
        for decibels, o, c in places
        # An output before the control tells nothing, and what hisses softly by nature neither.
        if c in o.idle.noise_down and decibels > strongest - NOISE_UNLIKE_DB[0]
    ]
    if falls:
        fall, place = max(falls)
        clues.append(follows_volume("hiss follows volume", fall, there, place))
    return clues


def _channels_apart(o: Output) -> tuple[float, float] | None:
    """How surely one channel hisses more than the other, and by how many dB."""
    noise, at_most = o.idle.noise, o.idle.noise_at_most
    if not noise or not at_most.keys() >= BOTH:
        return None
    noisy = max(noise, key=lambda c: noise[c])
    # Where the other one is mostly hum, its hiss is at most what is there.
    gap = noise[noisy] - at_most[3 - noisy]
    if gap < 0 and 3 - noisy not in noise:
        return None
    heard = over(noise[noisy] - o.note_dbfs, NOISE_HEARD_DB)
    return over(abs(gap), NOISE_UNLIKE_DB) * heard, abs(gap)
