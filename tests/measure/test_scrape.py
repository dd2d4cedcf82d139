"""Contact noise and its cells, against pots made of resistances."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sigbench.errors import SignalError
from sigbench.measure.scrape import (
    SoundReader,
    learn_sound,
    measure_scrape,
    read_cells,
)
from sigbench.measure.travel import measure_travel
from tests.measure.pots import RATE, Gang, hand, record, saw


def test_cells_do_not_depend_on_the_blocks():
    rng = np.random.default_rng(13)
    x = hand(3, rng, sweeps=1, pauses=0, backs=0)
    signal = record(x, (Gang(),), saw(len(x)), rng)[:, 0]
    sound = learn_sound(signal, RATE)
    whole = read_cells(signal, sound)

    @settings(max_examples=8)
    @given(st.lists(st.integers(1, len(signal) - 1), max_size=12))
    def in_blocks(cuts):
        reader = SoundReader(sound)
        for block in np.split(signal, sorted(cuts)):
            reader.feed(block)
        cells = reader.cells()
        for name in ("whole", "tone", "residue", "detection"):
            assert np.array_equal(getattr(cells, name), getattr(whole, name))

    in_blocks()


def test_scrape_noise_without_a_signal_is_counted():
    """A bias current over the contact's resistance, through a coupling capacitor, and hum."""
    rng = np.random.default_rng(14)
    frames = 6 * RATE
    steps = np.zeros(frames)
    times = np.sort(rng.integers(RATE // 2, frames - RATE // 2, 30))
    for start in times:
        steps[start : start + 240] += rng.lognormal(-5.0, 0.3)
    hum = 1e-4 * np.sin(2 * np.pi * 50 * np.arange(frames) / RATE)
    noisy = steps - steps.mean() + hum + 1e-5 * rng.standard_normal(frames)
    found = measure_scrape(noisy, RATE)
    apart = 1 + np.count_nonzero(np.diff(times) > 0.035 * RATE)
    assert len(found.bursts) == pytest.approx(apart, abs=4)
    quiet = measure_scrape(hum + 1e-5 * rng.standard_normal(frames), RATE)
    assert quiet.bursts == ()
    assert quiet.level.upper_bound


def test_too_short_a_take_is_refused():
    with pytest.raises(SignalError, match="too short"):
        measure_travel(np.zeros((RATE // 4, 1)), RATE)
