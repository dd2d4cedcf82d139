"""What is measured on a circuit: the observations that causes are ranked by."""

from dataclasses import replace

import numpy as np

from sigbench.causes.observation import Observation
from sigbench.checks import measure
from sigbench.checks.rails import measure_rails
from sigbench.circuits.takes import Recorded
from sigbench.model import CheckSettings

CHECKS: dict[str, tuple[str, float | None]] = {
    "idle": ("idle", None),
    "down": ("idle", None),
    "loud": ("tone", 440.0),
    "quiet": ("tone", 440.0),
    "low": ("tone", 70.0),
    "jack": ("jack", 440.0),
    "pot": ("pot", 440.0),
    "tapped": ("jack", 440.0),
    "heated": ("soak", 440.0),
}
"""By name of the take: the check, and the frequency of the note."""
METER = 0.003  # relative, one standard deviation


Found = dict[tuple[str, str], Observation]
"""Observations by output and name of the take; the rails are ("supply", "rails")."""


def observe(recorded: Recorded, mains_hz: float, rng: np.random.Generator) -> Found:
    """Put every take through its check, and read the rails off a multimeter.

    Parameters
    ----------
    recorded : Recorded
    mains_hz : float
    rng : numpy Generator
        For the error of the multimeter.
    """
    found: Found = {}
    for (output, name), take in recorded.takes.items():
        check, hertz = CHECKS[name]
        measurement = measure(take, check, CheckSettings(hertz, mains_hz=mains_hz))
        found[output, name] = Observation(output, measurement, volume_down=name == "down")
    rails = tuple(
        replace(
            rail,
            measured_volts=(rail.measured_volts or 0.0) * rng.normal(1, METER),
            ripple_volts=(rail.ripple_volts or 0.0) * rng.normal(1, METER),
        )
        for rail in recorded.rails
    )
    found["supply", "rails"] = Observation("supply", measure_rails(rails), rails)
    return found
