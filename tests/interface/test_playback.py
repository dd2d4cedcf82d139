"""What is played under a stimulus, and after it."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sigbench.errors import RequestError
from sigbench.interface.playback import Playback


@settings(max_examples=60)
@given(
    st.integers(1, 40),
    st.one_of(st.none(), st.integers(1, 60)),
    st.lists(st.integers(1, 25), min_size=1, max_size=6),
)
def test_pieces_of_any_length_join_to_the_sum_of_both(
    period: int, length: int | None, pieces: list[int]
) -> None:
    rng = np.random.default_rng(period)
    background = rng.uniform(-0.4, 0.4, (period, 3))
    stimulus = None if length is None else rng.uniform(-0.6, 0.6, (length, 2))
    playback = Playback(stimulus, background, 3)
    starts = np.cumsum([0, *pieces])
    played = np.concatenate(
        [playback.piece(int(at), n) for at, n in zip(starts, pieces, strict=False)]
    )
    for frame, found in enumerate(played):
        expected = background[frame % period].copy()
        if stimulus is not None and frame < len(stimulus):
            expected[:2] += stimulus[frame]
        assert found == pytest.approx(expected)


def test_without_a_background_silence_follows() -> None:
    played = Playback(np.full(3, 0.5), None, 2).piece(1, 4)
    assert played.tolist() == [[0.5, 0.5], [0.5, 0.5], [0.0, 0.0], [0.0, 0.0]]


def test_the_level_that_is_advised_fits() -> None:
    tone = np.sin(2 * np.pi * np.arange(4800) / 48)
    pilot = 0.1 * np.sin(2 * np.pi * np.arange(480) / 48)
    with pytest.raises(RequestError, match=r"lower its level to -1\.0 dBFS peak") as caught:
        Playback(tone, pilot, 2)
    assert str(caught.value).count(".") == 2  # one sentence, and the point of the number
    Playback(tone * 10 ** (-1.0 / 20), pilot, 2)
    # On outputs of their own both may be as high as they like.
    apart = np.column_stack((np.zeros(480), np.zeros(480), pilot * 10))
    Playback(np.column_stack((tone, tone)), apart, 3)
