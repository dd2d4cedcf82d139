"""Laws of controls, against resistances and against hands that turn them."""

import numpy as np
import pytest

from sigbench.errors import RequestError
from sigbench.measure.taper import AUDIO, LINEAR, REVERSE_AUDIO, SINE, SQUARE, Taper, taper_named
from tests.measure.pots import Gang, audio, hand, linear, record, sine
from tests.measure.turning import turned


@pytest.mark.parametrize(
    "taper",
    [LINEAR, AUDIO, SQUARE, REVERSE_AUDIO, SINE, Taper("linear", 0.4), Taper("audio", 0.1)],
    ids=lambda t: t.name,
)
def test_a_taper_and_its_inverse_agree(taper):
    x = np.linspace(0, 1, 101)
    assert taper.travel(taper.amplitude(x)) == pytest.approx(x, abs=1e-3)
    assert float(taper.amplitude(np.array([0.5]))[0]) == pytest.approx(taper.at_half)


def test_a_loaded_linear_track_follows_thevenin():
    # Textbook: x/(1 + x (1 - x) R/load), here a 10 kilohm track into 22 kilohms.
    x = np.linspace(0, 1, 11)
    a = Gang(load_ohms=22e3, hop_off=0.0).clean(x)
    assert Taper("linear", float(a[5])).amplitude(x) == pytest.approx(a)


@pytest.mark.parametrize("bad", [("linear", 0.6), ("audio", 0.0), ("log", 0.1)])
def test_an_unknown_taper_is_refused(bad):
    with pytest.raises(RequestError):
        Taper(*bad)


@pytest.mark.parametrize(
    ("text", "taper"),
    [
        ("linear", LINEAR),
        ("Audio", AUDIO),
        ("power", SQUARE),
        ("audio:10", Taper("audio", 0.1)),
        ("audio:85", REVERSE_AUDIO),
        ("sine", SINE),
        (" linear : 41.5 % ", Taper("linear", 0.415)),
    ],
)
def test_a_taper_is_named_in_words(text, taper):
    assert taper_named(text) == taper


@pytest.mark.parametrize(
    "text", ["", "log", "audio:", "audio:ten", "audio:10:5", "audio:-10", "audio:1e1", ":10"]
)
def test_a_word_that_names_no_taper_is_told_what_does(text):
    with pytest.raises(RequestError, match=r"no taper: write linear, audio .* or power"):
        taper_named(text)


@pytest.mark.parametrize(
    ("text", "most"),
    [("audio:0", 99), ("audio:100", 99), ("linear:51", 50), ("power:100", 50), ("sine:80", 75)],
)
def test_a_share_that_no_control_has_is_refused(text, most):
    with pytest.raises(RequestError, match=f"give 1 to {most} %"):
        taper_named(text)


@pytest.mark.parametrize(
    ("law", "kind"),
    [(linear, "linear"), (audio(0.15), "audio"), (audio(0.85), "reverse audio")],
    ids=["linear", "audio", "reverse audio"],
)
def test_a_linear_and_an_audio_track_are_told_apart_by_the_turning(law, kind):
    for seed in range(2):
        rng = np.random.default_rng(40 + seed)
        x = hand(22, rng, sweeps=6)
        found = turned(record(x, (Gang(law),), sine(len(x)), rng), None)
        assert not found.told
        assert found.taper.name.startswith(f"{kind}, ")


def test_a_worn_place_of_a_reverse_audio_track_is_not_taken_for_one_of_a_linear_track():
    """Guessed as linear it would lie 35 % of travel further up."""
    rng = np.random.default_rng(42)
    x = hand(22, rng, sweeps=6)
    gang = Gang(audio(0.85), load_ohms=1e6, worn=((0.38, 0.44, 0.6),))
    samples = record(x, (gang,), sine(len(x)), rng)
    for taper in (None, REVERSE_AUDIO):
        found = turned(samples, taper)
        assert found.taper == REVERSE_AUDIO
        (worn,) = found.gangs[0].worn or ()
        assert (worn.start, worn.end) == pytest.approx((38, 44), abs=3)
