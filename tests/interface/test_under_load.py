"""What the computer loses under load is told from what the instrument does: `instrument`, `loaded`.

``SIGBENCH_LONG=1`` makes the take three minutes long.
"""

import contextlib
import os
from pathlib import Path

import numpy as np
import pytest

from sigbench.model import LostBuffers

from .conftest import SoundServer
from .instrument import GATE_STEP, Instrument, gates
from .loaded import RATE, TakeEnded, judged, take_under_load

SECONDS = 180.0 if os.environ.get("SIGBENCH_LONG") else 6.0
SECONDS_A_HINDRANCE = 2.0  # so that each kind of them comes once at least


def test_gates_are_read_from_their_channel() -> None:
    told = np.zeros(100)
    told[10:20] = GATE_STEP
    told[50:53] = told[60:70] = 2 * GATE_STEP
    assert gates(told) == [(1, 10, 20), (2, 50, 53), (2, 60, 70)]


def test_the_judge_knows_right_from_wrong() -> None:
    time = np.arange(4 * RATE) / RATE
    samples = np.zeros((len(time), 3))
    samples[:, :2] = 0.25 * np.sin(2 * np.pi * 220 * time)[:, np.newaxis]
    samples[:, :2] += 1e-5 * np.random.default_rng(0).standard_normal((len(time), 2))
    samples[60_000:62_000, :2] *= 1e-4
    assert judged(samples, ()).wrong == ((pytest.approx(1.25, 1e-3), pytest.approx(1.2917, 1e-3)),)
    assert judged(samples, (LostBuffers(60_000, 2000, 2000),)).wrong == ()
    samples[60_000:62_000, 2] = GATE_STEP
    right = judged(samples, ())
    assert (right.found, right.inside, right.missed, right.wrong) == (1, 0, (), ())
    samples[100_000:101_000, 2] = 2 * GATE_STEP
    assert judged(samples, ()).missed == ((100_000 / RATE, 101_000 / RATE),)
    assert judged(samples, (LostBuffers(100_500, 100),)).inside == 1


@pytest.mark.real_time
def test_losses_by_load_are_never_the_instruments(
    rig_server: SoundServer, instrument: Instrument, tmp_path: Path
) -> None:
    for seed in range(4):  # a machine busy with other tests may let audio stand still for long
        with contextlib.suppress(TakeEnded):
            samples, lost = take_under_load(
                rig_server,
                instrument,
                tmp_path / "take.npy",
                seconds=SECONDS,
                busy=2,
                hindrances=round(SECONDS / SECONDS_A_HINDRANCE),
                seed=seed,
            )
            break
    else:
        pytest.fail("no take was whole")
    found = judged(samples, lost)
    # Whether a loss looks like a dropout at all is a matter of chance: that one which does would be
    # told as wrong is shown above.
    assert lost
    assert found.wrong == ()
    assert found.missed == ()
    assert found.found > SECONDS / 3
