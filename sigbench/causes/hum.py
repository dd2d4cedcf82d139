"""Hum: lines of the mains in the idle noise, held against the note."""

from collections.abc import Sequence

from sigbench.causes.clues import Clue, only_if, over, whole_db
from sigbench.causes.output import HUM_DB, Output, follows, jack_of, place_of, whether_there

MOSTLY_2X_DB = (6.0, 1.5)  # 2x over 1x: one open diode leaves 2x some 6 dB below
MOSTLY_1X_DB = (16.0, 1.5)
DROWNED_DB = (-20.0, 2.5)  # hum re a loud note: millivolts on a closed ground do not come so far
HUM_UNLIKE_DB = (14.0, 2.0)  # between channels or outputs


def hum_clues(outputs: Sequence[Output]) -> list[Clue]:
    """How strong the hum is, at which line of the mains, and where."""

    def strength(o: Output, c: int) -> float:
        return max(o.hum_1x.get(c, -400.0), o.hum_2x.get(c, -400.0)) - o.note_dbfs

    places = [(o, c) for o in outputs for c in o.channels if c in o.hum_1x or c in o.hum_2x]
    if not places:
        return []
    clues = []
    for name in ("hum 1x", "hum 2x"):
        lines = {o.name: o.hum_1x if name == "hum 1x" else o.hum_2x for o, _ in places}
        levels = [(lines[o.name][c] - o.note_dbfs, o, c) for o, c in places if c in lines[o.name]]
        worst = max(levels, key=lambda entry: entry[0], default=None)
        if worst is None:
            continue
        clues.append(whether_there(name, worst, HUM_DB))
    top, most = max(((strength(o, c), (o, c)) for o, c in places), key=lambda e: e[0])
    o, c = most
    there = o.from_the_unit(over(top, HUM_DB), top)
    first, second = o.hum_1x.get(c), o.hum_2x.get(c)
    if first is not None and second is not None:
        excess = second - first
        said = (
            f"2x {abs(excess):.0f} dB {'above' if excess > 0 else 'below'} 1x on {place_of(o, c)}"
        )
        clues.append(Clue("hum mostly 2x", only_if(over(excess, MOSTLY_2X_DB), there), said))
        clues.append(Clue("hum mostly 1x", only_if(over(-excess, MOSTLY_1X_DB), there), said))
    drowned = Clue("hum drowns the note", over(top, DROWNED_DB), f"{whole_db(top)} re the note")
    if there is not None and there > 0.5 and o.sounds:
        clues.append(drowned)
    jacks = {jack_of(o, c) for o, c in places}
    if len(jacks) > 1:
        quietest = min(
            max(strength(o, c) for o, c in places if jack_of(o, c) == jack) for jack in jacks
        )
        said = f"from {whole_db(quietest)} to {whole_db(top)} re the note"
        alike = max(over(quietest, HUM_DB), 1 - over(top - quietest, HUM_UNLIKE_DB))
        clues.append(Clue("hum on every output", only_if(alike, there), said))
    spread = [abs(strength(o, 1) - strength(o, 2)) for o in [most[0]] if {1, 2} <= set(o.channels)]
    if spread:
        said = f"{spread[0]:.0f} dB between the channels of {most[0].name}"
        clues.append(
            Clue("hum in one channel", only_if(over(spread[0], HUM_UNLIKE_DB), there), said)
        )
    if c in o.hum_down:
        fall = max(o.hum_1x.get(c, -400.0), o.hum_2x.get(c, -400.0)) - o.hum_down[c]
        clues.append(follows("hum follows volume", fall, there, place_of(o, c)))
    return clues
