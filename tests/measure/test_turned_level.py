"""Level of a channel while a control is turned, against pots made of resistances."""

import numpy as np
import pytest

from sigbench.measure.scrape import (
    learn_sound,
)
from sigbench.measure.taper import LINEAR
from sigbench.measure.turned_level import _full_power
from tests.measure.pots import RATE, Gang, audio, chorused, hand, record, saw, sine
from tests.measure.turning import turned


def test_the_end_residue_is_that_of_the_track_or_a_bound_above_it():
    for hop_off, snr_db in ((3e-3, 60), (1e-3, 50), (1e-5, 35)):
        rng = np.random.default_rng(6)
        x = hand(14, rng, sweeps=4)
        gang = Gang(hop_off=hop_off)
        noisy = record(x, (gang,), sine(len(x)), rng, snr_db=snr_db)
        residue = turned(noisy, LINEAR).gangs[0].end_residue
        true = 20 * np.log10(hop_off)
        if residue.upper_bound:
            assert residue.value > true
        else:
            assert residue.value == pytest.approx(true, abs=max(0.5, 3 * residue.uncertainty))
    assert residue.upper_bound


@pytest.mark.parametrize("sound", [sine, saw, chorused, lambda n: saw(n, 55.0)])
@pytest.mark.parametrize("snr_db", [35, 60])
def test_a_volume_control_changes_no_timbre(sound, snr_db):
    """Neither does hum behind it, nor a worn place."""
    rng = np.random.default_rng(17)
    x = hand(11, rng, sweeps=3)
    gang = Gang(audio(0.15), worn=((0.5, 0.56, 0.6),))
    samples = record(x, (gang,), sound(len(x)), rng, snr_db=snr_db, hum_dbfs=-50)
    known = learn_sound(samples[:, 0], RATE)
    assert (known.tonal, known.changing) == (True, False)


def test_a_level_that_never_moves_has_no_scatter():
    """A dead channel beside a live one: every cell may have the same power."""
    assert _full_power(np.full(400, 1e-6)) == (pytest.approx(1e-6), 0.0)
