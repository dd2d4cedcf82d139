"""Level: weak channels, at which outputs and levels."""

from dataclasses import replace

import numpy as np
import pytest

from sigbench.causes.gather import gather
from sigbench.causes.observation import Observation
from sigbench.causes.ranking import rank
from sigbench.causes.records import BY_KEY
from sigbench.model import Measurement, Reading
from tests.causes.observed import SOURCE, alone, clue, held, period_of, sides, stereo


@pytest.mark.parametrize(
    ("rms", "doubt", "weak"), [(3.5, 0.01, True), (0.1, 0.01, False), (3.5, 1.5, False)]
)
def test_a_stereo_sound_is_no_weak_channel(rms, doubt, weak):
    """As sampled strings: one partial is stronger at one side, the whole is not."""
    sides = [
        ("tone_level", -20.0, "dBFS", 1, doubt),
        ("tone_level", -23.5, "dBFS", 2, doubt),
        ("level_rms", -17.0, "dBFS", 1, 0.1),
        ("level_rms", -17.0 - rms, "dBFS", 2, 0.1),
    ]
    seen = stereo(*sides, ("balance", 3.5, "dB", None, doubt))
    assert (clue(seen, "weak channel").holds > 0.5) == weak


@pytest.mark.parametrize(
    ("balance", "top", "weak"),
    [
        (2.3, None, False),
        (2.3, 0.1, False),
        (2.3, 2.3, True),
        (2.3, -2.3, False),
        (1.2, 1.2, False),
    ],
)
def test_fully_up_a_control_has_no_error_of_its_own(balance, top, weak):
    """Both wipers lie at the ends of their tracks: what is weak there has a resistance too much.

    Dual controls are matched within 2 to 3 dB; 6 kohm before 20 kohm take 2.3 dB (divider).
    """
    seen = [sides(440.0, (-10.0, -10.0 - balance))]
    if top is not None:
        tops = tuple(
            Reading("top_level", level, "dBFS", c, 0.05)
            for c, level in ((1, -5.0), (2, -5.0 - top))
        )
        seen.append(Observation("main", Measurement("pot", SOURCE, tops)))
    assert (clue(seen, "weak channel").holds > 0.8) == weak


def test_a_channel_that_is_weak_at_every_output_has_a_resistance_before_them():
    weak = [sides(440.0, (-10.0, -15.0)), sides(440.0, (-34.0, -39.0))]
    both = [*weak, *(replace(o, output="phones") for o in weak)]
    assert clue(both, "weak at one output").holds < 0.1
    # A control that has not been turned may do so too; one that does not crackle does not.
    assert rank(gather(both)).named[0].name == BY_KEY["pot"].name
    smooth = (Reading("crackle_rate", 0.0, "1/s", 1, 0.01),)
    turned = Observation("main", Measurement("pot", SOURCE, smooth))
    assert rank(gather([*both, turned])).named[0].name == BY_KEY["series resistance"].name


@pytest.mark.parametrize("weaker", [0.3, 5.0])
def test_beside_an_output_with_one_channel_nobody_knows_that_nothing_is_weak(weaker):
    """Its own level has nothing to be held against; what is weak elsewhere is."""
    phones = replace(sides(440.0, (-10.0, -10.0 - weaker)), output="phones")
    mono = alone(sides(440.0, (-20.0, -20.0)), 1, "main")
    assert clue([phones], "weak channel").holds is not None
    found = clue([phones, mono], "weak channel").holds
    assert found is None if weaker < 1 else found > 0.9


def test_a_channel_that_is_silent_on_the_quiet_note_alone_loses_more_of_it():
    loud = sides(440.0, (-10.0, -10.3))
    quiet = sides(440.0, (-34.0, -80.0))
    rest = [r for r in quiet.measurement.readings if r.channel != 2 or r.name == "level_rms"]
    silent = replace(quiet, measurement=replace(quiet.measurement, readings=tuple(rest)))
    found = clue([loud, silent], "weaker when quiet")
    assert found.holds > 0.99
    assert found.seen == "0.3 dB loud, at least 46.0 dB quiet on main"
    # Noise as strong as a note may hide one.
    noisy = [replace(r, value=-35.0) if r.name == "level_rms" else r for r in rest]
    hidden = replace(quiet, measurement=replace(quiet.measurement, readings=tuple(noisy)))
    assert clue([loud, hidden], "weaker when quiet").holds is None


@pytest.mark.parametrize(
    ("loud", "when_loud", "when_quiet"),
    [(-10.2, False, False), (-12.7, None, False), (-14.5, True, False), (-8.0, None, False)],
)
def test_what_a_control_may_do_itself_tells_nothing(loud, when_loud, when_quiet):
    seen = [sides(440.0, (-10.0, loud)), sides(440.0, (-34.0, -34.0))]
    for name, there in (("weaker when loud", when_loud), ("weaker when quiet", when_quiet)):
        holds = clue(seen, name).holds
        assert (holds is None) is (there is None)
        assert holds is None or (holds > 0.9 if there else holds < 0.1)


@pytest.mark.parametrize(("decibels", "there"), [(6.0, True), (0.3, False)])
def test_a_resistance_is_told_from_the_balance_of_the_sound_by_another_output(decibels, there):
    rng = np.random.default_rng(3)
    left, right = period_of(rng), 0.6 * period_of(rng)
    seen = held(10 ** (-decibels / 20) * left, right) + held(left, right, output="phones")
    weak = clue(seen, "weak channel")
    assert (weak.holds > 0.9) == there
    assert (weak.holds < 0.1) != there
    if there:
        assert clue(seen, "weak at one output").holds > 0.9
        assert rank(gather(seen)).causes[0].name == BY_KEY["series resistance"].name
