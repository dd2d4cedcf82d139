"""What is heard while nothing is played: hum, hiss and tones kept apart."""

import pytest

from sigbench.causes.idle import idle_of, tones_of
from sigbench.model import Reading
from tests.causes.observed import idle


def hissing(hum: float = -120.0, tones: tuple[tuple[float, float], ...] = ()):
    """Noise of -80 dBFS, -83 dBFS with the weighting."""
    return idle(
        Reading("noise_rms", -80.0, "dBFS", 1, 0.1),
        Reading("noise_a", -83.0, "dBFS", 1, 0.1),
        Reading("hum_total", hum, "dBFS", 1, 0.1),
        Reading("spurs", tones, "Hz, dBFS", 1, None),
    )


@pytest.mark.parametrize(
    ("hum", "tones", "told"),
    [
        (-120.0, (), True),
        (-91.0, (), True),  # a hum 11 dB below all of it is 8 % of its power
        (-89.0, (), False),  # and one 9 dB below is 13 %
        (-120.0, ((700.0, -92.0), (1400.0, -92.0)), False),  # two of 6 % each
    ],
)
def test_hiss_is_what_is_left_without_hum_and_tones(hum, tones, told):
    found = idle_of([hissing(hum, tones)], note_dbfs=-10.0)
    assert found.noise == ({1: -83.0} if told else {})
    assert found.noise_at_most == {1: -83.0}


def test_tones_that_cannot_be_trusted_are_none():
    lost = Reading("spurs", ((700.0, -60.0),), "Hz, dBFS", 1, None, "invalid", "lost buffers")
    assert tones_of([idle(lost).measurement]) == {}
    assert tones_of([hissing(tones=((700.0, -60.0),)).measurement]) == {1: ((700.0, -60.0),)}
