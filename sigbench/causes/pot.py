"""The volume control: what crackles while it is turned, and where on its travel."""

import math
from collections.abc import Sequence

from sigbench.causes.clues import Clue, over
from sigbench.causes.note import BOTH, shrunk
from sigbench.causes.observation import Observation, by_channel, readings_of
from sigbench.causes.output import Output
from sigbench.model import Measurement

CRACKLE_RATE = (0.3, 0.1)  # 1/s
BUZZ_DB = -65.0  # hum re a note, from which on it may pass for crackle


def pot_clues(observations: Sequence[Observation], outputs: Sequence[Output]) -> list[Clue]:
    """What happens while the control is turned."""
    by_name = {o.name: o for o in outputs}
    turned = [o for o in observations if o.measurement.check == "pot"]
    rates = [
        r.value
        for o in turned
        for r in readings_of(o.measurement, "crackle_rate")
        if isinstance(r.value, float)
        and not _buzzes(o.measurement, r.channel, by_name.get(o.output))
    ]
    if not rates:
        return []
    often = max(rates)
    clues = [Clue("crackle when turned", over(often, CRACKLE_RATE), f"{often:.1f} a second")]
    worn = [
        len(r.value)
        for o in turned
        for r in readings_of(o.measurement, "worn_travel")
        if isinstance(r.value, tuple)
    ]
    if worn:
        places = sum(worn)
        said = "one place" if places == 1 else f"{places} places" if places else "none"
        clues.append(Clue("worn track", 0.96 if places else 0.04, said))
    return clues


def balance_at_top(observations: Sequence[Observation]) -> dict[str, float]:
    """Left minus right in dB with the control fully up, less its doubt, by output.

    There both wipers lie at the ends of their tracks, and the control divides nothing.
    """
    found = {}
    for o in observations:
        tops = {
            r.channel: (r.value, r.uncertainty)
            for r in readings_of(o.measurement, "top_level")
            if o.measurement.check == "pot"
            and isinstance(r.value, float)
            and isinstance(r.uncertainty, float)
        }
        if tops.keys() >= BOTH:
            (left, one), (right, other) = tops[1], tops[2]
            found[o.output] = shrunk(left - right, 2 * math.hypot(one, other))
    return found


def _buzzes(turned: Measurement, channel: int | None, output: Output | None) -> bool:
    """Whether hum is so strong beside the note that its edges may pass for crackle."""
    if output is None or channel is None or channel not in output.idle.hum_total:
        return False
    # Where hum hides the travel itself, the note that was held is as good.
    top = by_channel(turned, "top_level").get(channel, output.note_dbfs)
    return output.idle.hum_total[channel] > top + BUZZ_DB
