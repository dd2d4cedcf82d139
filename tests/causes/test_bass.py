"""Bass: what a low note has lost on one channel."""

from dataclasses import replace

import numpy as np
import pytest

from sigbench.causes.gather import gather
from sigbench.causes.ranking import rank
from sigbench.causes.records import BY_KEY
from tests.causes.observed import alone, clue, period_of, sampled, sides


@pytest.mark.parametrize(
    ("middle", "low", "seen"),
    [
        # A high-pass on 2: weaker on the low note, in its fundamental and as a whole.
        (sides(440.0, (-10.0, -10.3)), sides(65.0, (-14.0, -19.0)), True),
        # Its harmonics come through: relative to the fundamental they have grown.
        (sides(440.0, (-10.0, -10.3)),
         sides(65.0, (-14.0, -19.0), thd=(-49.0, -36.0)), True),
        # The stronger one is driven harder, and is a little less clean, as any amplifier.
        (sides(440.0, (-10.0, -10.3)),
         sides(65.0, (-14.0, -19.0), thd=(-43.0, -68.0)), True),
        # 2 presses the middle note together: 1 has lost nothing.
        (sides(440.0, (-10.0, -13.0)), sides(65.0, (-14.0, -15.0)), None),
        # The same with 1 a little weaker on the low note, for it may be thin all the same.
        (sides(440.0, (-10.0, -13.0)), sides(65.0, (-15.0, -14.0)), None),
        # A stereo sound: the partials differ, the whole does not.
        (sides(440.0, (-10.0, -10.0)), sides(65.0, (-20.0, -14.0), whole=(-9.0, -9.0)), None),
        # 2 is driven hard and distorts.
        (sides(440.0, (-10.0, -10.0)),
         sides(65.0, (-14.0, -17.0), thd=(-60.0, -14.0)), None),
        (sides(440.0, (-10.0, -10.3)), sides(65.0, (-14.0, -14.3)), False),
    ],
)  # fmt: skip
def test_a_thin_channel_is_the_weaker_one_on_the_low_note(middle, low, seen):
    found = clue([middle, low], "thin channel")
    if seen is None:
        assert found.holds is None
    else:
        assert found.holds > 0.9 if seen else found.holds < 0.1
    if seen:
        assert found.seen == "the low note has lost 4.7 dB on main 2"


@pytest.mark.parametrize(("growth", "seen"), [(0.0, None), (3.3, True)])
def test_an_instrument_that_places_its_low_notes_to_one_side_has_not_lost_bass(growth, seen):
    """A capacitor that takes 4.7 dB of the fundamental takes 1.7 dB of the second harmonic and
    less of the others (RC section of the first order, textbook): they gain 3 dB or more on it."""
    found = clue(
        [sides(440.0, (-10.0, -10.3), thd=(-3.0, -3.0)),
         sides(65.0, (-14.0, -19.0), thd=(3.0, 3.0 + growth))],
        "thin channel",
    )  # fmt: skip
    assert found.holds is None if seen is None else found.holds > 0.9


@pytest.mark.parametrize(("phones", "alone"), [((-14.0, -14.3), True), ((-14.0, -19.0), False)])
def test_whether_another_output_has_kept_its_bass(phones, alone):
    main = [sides(440.0, (-10.0, -10.3)), sides(65.0, (-14.0, -19.0))]
    other = [replace(o, output="phones") for o in (main[0], sides(65.0, phones))]
    found = clue(main + other, "thin at one output")
    assert (found.holds > 0.9) == alone
    assert found.seen == ("channel 2 of main" if alone else "channel 2 of every output")
    assert clue(main, "thin at one output").holds is None
    first = rank(gather(main + other)).causes[0]
    assert (first.name == BY_KEY["coupling lost"].name and first.score > 0.5) == alone


def test_without_the_level_of_the_whole_sound_a_weaker_low_note_may_be_a_stereo_sound():
    middle, low = sides(440.0, (-10.0, -10.3)), sides(65.0, (-14.0, -19.0))
    partial = [r for r in low.measurement.readings if r.name != "level_rms"]
    told = replace(low, measurement=replace(low.measurement, readings=tuple(partial)))
    found = clue([middle, told], "thin channel")
    assert found.holds is None
    assert found.seen == "the two notes do not tell"


@pytest.mark.parametrize(("low", "thin"), [((-32.0, -32.2), True), ((-27.0, -27.2), False)])
@pytest.mark.parametrize("mono", [True, False])
def test_an_output_whose_channels_are_both_thin_is_held_against_another(low, thin, mono):
    """Both capacitors of a pair are of one age. A note that is played again may be 3 dB softer."""
    main = [sides(440.0, (-10.0, -10.3)), sides(65.0, (-14.0, -14.3))]
    other = [sides(440.0, (-20.0, -20.2)), sides(65.0, low)]
    if mono:
        main = [alone(o, 1, "main") for o in main]
    seen = [*main, *(replace(o, output="phones") for o in other)]
    found = clue(seen, "thin channel")
    assert found.holds > 0.9 if thin else found.holds < 0.1
    if thin:
        assert found.seen.startswith("the low note has lost")
        assert found.seen.endswith("held against main")
        assert clue(seen, "thin at one output").holds > 0.9
        assert rank(gather(seen)).named[0].name == BY_KEY["coupling lost"].name


@pytest.mark.parametrize("thin", [True, False])
def test_a_sound_that_is_another_one_left_and_right_tells_by_its_waves(thin):
    """As a sampled piano, played harder at one output: its harmonics tell (RC: textbook)."""
    rng = np.random.default_rng(3)
    left, right = period_of(rng), period_of(rng)

    def behind(period, corner):
        lines = np.fft.rfft(period)
        numbers = np.arange(len(lines))
        return np.fft.irfft(lines * 1j * numbers / (1j * numbers + corner))

    corner = 2.0 if thin else 0.05
    low = [
        _at(65.0, sampled(left, right, -20.0)),
        _at(65.0, sampled(behind(left, corner), right, -14.0, output="phones")),
    ]
    middle = [
        sampled(left, right, level, output=output)
        for output in ("main", "phones")
        for level in (-20.0, -40.0)
    ]
    found = clue([*middle, *low], "thin channel")
    if thin:
        assert found.holds > 0.9
        assert found.seen.endswith("on phones 1, held against main")
    else:
        assert found.holds is None


def _at(hertz, observation):
    """The same note at another pitch."""
    readings = tuple(
        replace(r, value=hertz) if r.name == "frequency" else r
        for r in observation.measurement.readings
    )
    return replace(observation, measurement=replace(observation.measurement, readings=readings))
