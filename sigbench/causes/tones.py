"""Tones in the idle noise that are not of the mains: what whistles, and how it is spread."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from sigbench.causes.clues import Clue, only_if, over
from sigbench.causes.output import Output, whether_there

TONE_DB = (-78.0, 2.0)  # a tone that is not mains, re the note
TONES_ALIKE_DB = (4.0, 1.0)  # between channels
STRONG_DB = 25.0  # below the strongest one, that a tone counts
LOW_TONE_HZ = 200.0  # what whistles in a supply or an inverter lies above it
SIDE_LINE_HZ = 1.5  # of the mains beside a tone
RIPPLE_HZ = (50.0, 60.0, 100.0, 120.0)
FRAME_HZ = 1000.0  # a serial bus to a computer sends a frame a millisecond (its specification)
CRYSTALS = 1.2e-4  # its crystal and the interface's, 50 parts in a million each and some age
TONE_DOUBT_HZ = 0.3  # of a tone on a take of some seconds
SURE_OF_CLOCK = 0.99999  # a frequency is a plain number


def tone_clues(outputs: Sequence[Output]) -> list[Clue]:
    """How strong the strongest tone is, how tones lie to each other, and in which channels."""
    places = [(o, c) for o in outputs for c in o.idle.tones]
    if not places:
        return []
    o, c = max(places, key=lambda place: _strongest_db(*place))
    clue = whether_there("tones", _strongest_db(o, c), o, c, TONE_DB)
    tones = o.idle.tones[c]
    if not tones:
        return [replace(clue, seen="none found")]
    strongest_hz, strongest_dbfs = max(tones, key=lambda tone: tone[1])
    strong = sorted(hz for hz, db in tones if db > strongest_dbfs - STRONG_DB)
    own = _without_side_lines(tones, strong)
    listed = f"{', '.join(f'{hz:.0f}' for hz in own[:5])} Hz"
    series = 0.95 if _is_series(own) else 0.05
    low = 0.999 if strongest_hz < LOW_TONE_HZ else 0.001  # a frequency is a plain number
    clock = SURE_OF_CLOCK if all(map(_is_whole_kilohertz, strong)) else 1 - SURE_OF_CLOCK
    # What comes by the ground or the rail is alike or not left and right; outputs differ in gain.
    spread = _spread_db(outputs)
    alike = 1 - over(spread, TONES_ALIKE_DB)
    return [
        replace(clue, seen=f"{strongest_hz:.0f} Hz, {clue.seen}"),
        *(
            Clue(name, only_if(holds, clue.holds), said)
            for name, holds, said in (
                ("tones in series", series, listed),
                ("tones at whole kilohertz", clock, listed),
                ("tones below 200 Hz", low, listed),
                ("tones alike", alike, f"{spread:.0f} dB between the channels"),
            )
        ),
    ]


def _strongest_db(o: Output, channel: int) -> float:
    """The strongest tone, re the note."""
    return max((db for _, db in o.idle.tones[channel]), default=-400.0) - o.note_dbfs


def _spread_db(outputs: Iterable[Output]) -> float:
    """How far the strongest tones of the channels of one output are apart.

    Of outputs with one channel each, how far the outputs are.
    """
    tops = [[max(_strongest_db(o, c), -200.0) for c in o.idle.tones] for o in outputs]
    stereo = [levels for levels in tops if len(levels) > 1]
    single = [level for levels in tops for level in levels]
    return max(max(levels) - min(levels) for levels in stereo or [single])


def _is_series(own: Sequence[float]) -> bool:
    """Whether most of the tones are multiples of the lowest one."""
    lowest, *others = own
    of_it = sum(abs(hz / lowest - round(hz / lowest)) < 0.01 for hz in others)
    return of_it >= max(1, 0.6 * len(others))


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
