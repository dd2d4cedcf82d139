"""Observations: measurements with their place on the unit, and what they read by channel."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sigbench.causes.clues import Threshold
from sigbench.model import Measurement, Rail, Reading

BOUND_WIDTHS = 3.0
"""How far below its threshold an upper bound must lie to say that nothing is there."""


@dataclass(frozen=True, slots=True)
class Observation:
    """One measurement, and where on the unit it was made.

    Parameters
    ----------
    output : str
    measurement : Measurement
    rails : tuple of Rail
        Of a rails check, whose readings carry their names.
    volume_down : bool
        Whether the unit's volume was fully down, so that only what comes behind it is there.
    rig_known : bool
        Whether the readings were held against what the rig does by itself.
    """

    output: str
    measurement: Measurement
    rails: tuple[Rail, ...] = ()
    volume_down: bool = False
    rig_known: bool = False


def told_by_channel(
    measurements: Sequence[Measurement], name: str, threshold: Threshold, re: float = 0.0
) -> dict[int, float]:
    """The reading by channel, where it tells whether it is above the threshold.

    What is only an upper bound, for the noise or the rig itself is as strong, tells so if it lies
    well below; else it may be anything.
    """
    bounds = {
        r.channel
        for m in measurements
        for r in readings_of(m, name)
        if r.upper_bound or r.state == "rig-limited"
    }
    well_below = re + threshold[0] - BOUND_WIDTHS * threshold[1]
    return {
        c: v
        for c, v in median_by_channel(measurements, name).items()
        if c not in bounds or v < well_below
    }


def readings_of(measurement: Measurement, name: str) -> Iterable[Reading]:
    """The readings of that name that are of one channel."""
    return (r for r in measurement.readings if r.name == name and r.channel is not None)


_UNITS = ("dBFS", "FS", "Hz", "dB")
"""Some readings come in percent or dBu as well."""


def by_channel(measurement: Measurement, name: str) -> dict[int, float]:
    """The number of that name by channel."""
    return {
        r.channel: r.value
        for r in readings_of(measurement, name)
        if r.unit in _UNITS and isinstance(r.value, float) and r.channel is not None
    }


def median_by_channel(measurements: Sequence[Measurement], name: str) -> dict[int, float]:
    """The middle one of several measurements by channel, by its size."""
    values: dict[int, list[float]] = {}
    for m in measurements:
        for channel, value in by_channel(m, name).items():
            values.setdefault(channel, []).append(value)
    return {c: sorted(v, key=abs)[len(v) // 2] for c, v in values.items()}
