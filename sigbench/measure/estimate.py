"""A measured value with its standard uncertainty, and how powers become levels."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigbench.units import FULL_SCALE_SINE_RMS, NEPER_DB, power_ratio_to_db


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value and its standard uncertainty (GUM, 1 sigma) in the same unit.

    `upper_bound` is True where nothing stood above the noise: then the value is the one-sided
    95 % limit that the true value is not above.
    """

    value: float
    uncertainty: float
    upper_bound: bool = False


def mean_of_segments(values: NDArray[np.float64]) -> Estimate:
    """Mean of a quantity measured in independent segments, with the scatter's standard error.

    Parameters
    ----------
    values : ndarray of float, shape (segments,)
        At least two.

    Notes
    -----
    GUM (JCGM 100:2008) 4.2: type A evaluation, s/sqrt(n).
    """
    return Estimate(float(np.mean(values)), float(np.std(values, ddof=1) / np.sqrt(len(values))))


def decibels(power: Estimate, reference: float, *, bound: bool = False) -> Estimate:
    """A power estimate as decibels re `reference`; a power within its noise is an upper bound.

    A power that does not stand two standard uncertainties above zero is not told from noise:
    the one-sided 95 % limit (estimate, at least zero, plus 1.645 u) is given instead. So it is with
    `bound`, where something else may have made the power.
    """
    if power.value > 2 * power.uncertainty and not bound:
        relative = power.uncertainty / power.value
        value = float(power_ratio_to_db(power.value / reference))
        return Estimate(value, NEPER_DB / 2 * relative, power.upper_bound)
    limit = max(power.value, 0.0) + 1.645 * power.uncertainty
    # Half the way from nothing to the bound, in power, is 3 dB; the lower side is open.
    return Estimate(float(power_ratio_to_db(limit / reference)), NEPER_DB / 2, upper_bound=True)


def level(power: Estimate) -> Estimate:
    """A mean square (full scale 1.0) as a level in dBFS, full-scale sine 0 dBFS (AES17)."""
    return decibels(power, FULL_SCALE_SINE_RMS**2)
