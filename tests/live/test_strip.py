import numpy as np

from sigbench.live.strip import STRIP_SECONDS, MovingStrip

RATE = 8000


def sine(seconds, level=0.5):
    t = np.arange(round(seconds * RATE)) / RATE
    return (level * np.sin(2 * np.pi * 500 * t))[:, np.newaxis]


def test_before_the_take_there_is_nothing():
    strip = MovingStrip(RATE, 2).now(60)
    assert strip.low.shape == strip.high.shape == (60, 2)
    assert np.isnan(strip.low).all()


def test_the_newest_stands_at_the_right():
    strip = MovingStrip(RATE, 1)
    strip.feed(sine(3))
    seen = strip.now(120)
    # 12 s in 120 columns: 30 of them are filled. A sine of half full scale has -6.02 dBFS.
    assert np.isnan(seen.high[:89]).all()
    np.testing.assert_allclose(seen.high[91:], 20 * np.log10(0.5), atol=0.01)
    assert seen.column(3.0) == 119
    assert seen.column(0.05) == 90
    assert seen.column(-10.0) is None


def test_a_gap_shows_in_the_lower_edge_and_moves_out():
    strip = MovingStrip(RATE, 1)
    sound = sine(2)
    sound[round(1.0 * RATE) : round(1.1 * RATE)] = 0
    strip.feed(sound)
    seen = strip.now(60)
    gap = seen.column(1.05)
    assert seen.low[gap, 0] < -100
    assert seen.high[gap - 2, 0] > -7
    strip.feed(sine(STRIP_SECONDS))
    assert np.nanmin(strip.now(60).low) > -7


def test_blocks_of_any_size_make_the_same_strip():
    whole, parts = MovingStrip(RATE, 1), MovingStrip(RATE, 1)
    sound = sine(2)
    whole.feed(sound)
    for part in np.array_split(sound, 77):
        parts.feed(part)
    np.testing.assert_array_equal(whole.now(50).high, parts.now(50).high)
