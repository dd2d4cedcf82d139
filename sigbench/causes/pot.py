"""The volume control: what crackles while it is turned, and where on its travel."""

from collections.abc import Mapping, Sequence

from sigbench.causes.clues import Clue, over
from sigbench.causes.observation import Observation, by_channel, readings_of
from sigbench.causes.output import Output
from sigbench.model import Measurement

CRACKLE_RATE = (0.3, 0.1)  # 1/s
BUZZ_DB = -65.0  # hum re a note, from which on it may pass for crackle


def pot_clues(observations: Sequence[Observation], outputs: Sequence[Output]) -> list[Clue]:
    """What happens while the control is turned."""
    hum = {o.name: o.idle.hum_total for o in outputs}
    turned = [o for o in observations if o.measurement.check == "pot"]
    rates = [
        r.value
        for o in turned
        for r in readings_of(o.measurement, "crackle_rate")
        if isinstance(r.value, float)
        and not _buzzes(o.measurement, r.channel, hum.get(o.output, {}))
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


def _buzzes(turned: Measurement, channel: int | None, hum: Mapping[int, float]) -> bool:
    """Whether hum is so strong beside the note that its edges may pass for crackle."""
    top = by_channel(turned, "top_level")
    return channel in top and channel in hum and hum[channel] > top[channel] + BUZZ_DB
