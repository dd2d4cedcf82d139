"""What clicks and crackle a check counts, and what it says of those that are the sound's own."""

from collections import Counter
from collections.abc import Sequence

from sigbench.checks.readings import reading
from sigbench.measure.crackle import crackle_rate
from sigbench.measure.rhythm import RegularClicks
from sigbench.model import Reading


def crackle_reading(
    transients: int,
    seconds: float,
    channel: int,
    regular: Sequence[RegularClicks],
    *remarks: str,
) -> Reading:
    """The `crackle_rate` of a channel, with what is not counted.

    Parameters
    ----------
    transients : int
        Without those that keep time.
    seconds : float
        Length of the take.
    regular : sequence of RegularClicks
        Of any channels.
    remarks : str
        What else is to be said.
    """
    own = own_clicks_words([clicks for clicks in regular if clicks.channel == channel])
    why = "; ".join([*remarks, *own]) or None
    rate = crackle_rate(transients, seconds)
    return reading("crackle_rate", "1/s", rate, channel=channel, why=why)


def own_clicks_words(regular: Sequence[RegularClicks]) -> tuple[str, ...]:
    """``5 clicks at regular intervals of 1.449 s, as a sample loop makes``, of each interval.

    A sound that is struck anew begins anew with its intervals. What two channels show is told once.
    """
    counts: Counter[tuple[str, int]] = Counter()
    for clicks in regular:
        counts[f"{clicks.interval:.3f}", clicks.channel] += len(clicks.starts)
    most = {interval: 0 for interval, _ in counts}
    for (interval, _), count in counts.items():
        most[interval] = max(most[interval], count)
    return tuple(
        f"{count} clicks at regular intervals of {interval} s, as a sample loop makes, are the "
        "sound's own and not counted"
        for interval, count in most.items()
    )
