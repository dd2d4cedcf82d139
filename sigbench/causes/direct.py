"""Direct voltage at the outputs."""

import math
from collections.abc import Sequence

from sigbench.causes.clues import Clue, over
from sigbench.causes.output import Output

DC_LOG = (math.log(0.02), 0.15)  # of full scale


def direct_clues(outputs: Sequence[Output]) -> list[Clue]:
    """Whether there is any at an output."""
    values = [(abs(v), o, c) for o in outputs for c, v in o.idle.dc.items()]
    if not values:
        return []
    top, o, c = max(values, key=lambda entry: entry[0])
    said = f"{100 * top:.1f} % of full scale on {o.place(c)}"
    return [Clue("dc", over(math.log(max(top, 1e-9)), DC_LOG), said)]
