"""What the package hears of a pot that is turned."""

import numpy as np

from sigbench.measure.taper import Taper
from sigbench.measure.travel import Turning, measure_travel
from tests.measure.pots import RATE


def turned(samples: np.ndarray, taper: Taper | None, rate: int = RATE) -> Turning:
    (one,) = measure_travel(samples, rate, taper=taper)
    return one


def position(found: Turning, x: np.ndarray, rate: int = RATE) -> np.ndarray:
    """True travel in percent at the times of the levels."""
    return 100 * np.interp(found.seconds, np.arange(len(x)) / rate, x)
