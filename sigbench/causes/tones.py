"""Tones in the idle noise that are not of the mains: what whistles, and how it is spread."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from sigbench.causes.clues import Clue, only_if, over
from sigbench.causes.output import Output, whether_there

TONE_DB = (-78.0, 2.0)  # a tone that is not mains, re the note
TONES_ALIKE_DB = (4.0, 1.0)  # between channels
LOW_TONE_HZ = 200.0  # what whistles in a supply or an inverter lies above it
SIDE_LINE_HZ = 1.5  # of the mains beside a tone
RIPPLE_HZ = (50.0, 60.0, 100.0, 120.0)
FRAME_HZ = 1000.0  # a serial bus to a computer sends a frame a millisecond (its specification)
CRYSTALS = 1.2e-4  # its crystal and the interface's, 50 parts in a million each and some age
TONE_DOUBT_HZ = 0.3  # of a tone on a take of some seconds
SURE_OF_CLOCK = 0.99999  # a frequency is a plain number


def tone_clues(outputs: Sequence[Output]) -> list[Clue]:
    """How strong the strongest tone is, how tones lie to each other, and in which channels."""
    places = [(o, c) for o in outputs for c in o.tones]
    if not places:
        return []

    def relative(o: Output, c: int) -> float:
        return max((db for _, db in o.tones[c]), default=-400.0) - o.note_dbfs

    o, c = max(places, key=lambda place: relative(*place))
    clue = whether_there("tones", (relative(o, c), o, c), TONE_DB)
    there = clue.holds
    if not o.tones[c]:
        return [replace(clue, seen="none found")]
    strongest = max(o.tones[c], key=lambda tone: tone[1])
    strong = sorted(hz for hz, db in o.tones[c] if db > strongest[1] - 25)
    own = _without_side_lines(o.tones[c], strong)
    listed = f"{', '.join(f'{hz:.0f}' for hz in own[:5])} Hz"
    of_one = [hz for hz in own[1:] if abs(hz / own[0] - round(hz / own[0])) < 0.01]
    series = 0.95 if len(of_one) >= 1 and len(of_one) >= 0.6 * (len(own) - 1) else 0.05
    low = 0.999 if strongest[0] < LOW_TONE_HZ else 0.001  # a frequency is a plain number
    whole = all(_is_whole_kilohertz(hz) for hz in strong)
    # What comes by the ground or the rail is alike or not left and right; outputs differ in gain.
    spread = max(_spread_of_tones(outputs))
    return [
        replace(clue, seen=f"{strongest[0]:.0f} Hz, {clue.seen}"),
        Clue("tones in series", only_if(series, there), listed),
        Clue(
            "tones at whole kilohertz",
            only_if(SURE_OF_CLOCK if whole else 1 - SURE_OF_CLOCK, there),
            listed,
        ),
        Clue("tones below 200 Hz", only_if(low, there), listed),
        Clue(
            "tones alike",
            only_if(1 - over(spread, TONES_ALIKE_DB), there),
            f"{spread:.0f} dB between the channels",
        ),
    ]


def _spread_of_tones(outputs: Sequence[Output]) -> Iterator[float]:
    """How far the strongest tones of the channels of one output are apart, in dB.

    Of outputs with one channel each, how far the outputs are.
    """
    tops = [
        [
            max(max((db for _, db in o.tones[c]), default=-400.0) - o.note_dbfs, -200.0)
            for c in o.tones
        ]
        for o in outputs
        if o.tones
    ]
    stereo = [levels for levels in tops if len(levels) > 1]
    for channels in stereo or [[level for levels in tops for level in levels]]:
        yield max(channels) - min(channels)


def _without_side_lines(
    tones: Iterable[tuple[float, float]], strong: Sequence[float]
) -> list[float]:
    """The tones without those that the mains makes beside a stronger one, in rising order.

    What is fed from a supply with ripple swings at its pace, once or twice a period of the mains.
    """
    level = dict(tones)
    return [
        hz
        for hz in strong
        if not any(
            level[other] > level[hz] and abs(abs(hz - other) - pace) < SIDE_LINE_HZ
            for other in strong
            for pace in RIPPLE_HZ
        )
    ]


def _is_whole_kilohertz(hertz: float) -> bool:
    """Whether a tone may be a multiple of the frame clock of a serial bus, within two crystals."""
    thousands = round(hertz / FRAME_HZ)
    doubt = TONE_DOUBT_HZ + CRYSTALS * hertz
    return thousands > 0 and abs(hertz - thousands * FRAME_HZ) < doubt
