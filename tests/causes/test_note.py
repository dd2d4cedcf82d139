"""Which notes are compared, and what of them is theirs."""

from dataclasses import replace

from tests.causes.observed import clue, note, sides, whining


def test_the_note_that_was_played_twice_is_the_one_that_is_compared():
    """A louder low note, whose fundamental the check has missed, is no middle one."""
    middle = [sides(440.0, (level, level), thd=(-60.0, -60.0)) for level in (-20.0, -44.0)]
    low = sides(250.0, (-10.0, -14.0))
    assert clue([*middle, low], "weak channel").holds < 0.1


def test_what_is_mostly_another_sound_tells_of_no_distortion():
    """The tone and its harmonics are a fortieth of all that is heard: not the note of it."""
    noise = sides(104.8, (-46.0, -48.0), whole=(-30.5, -30.5), thd=(-9.5, -22.6))
    found = clue([noise, replace(noise, output="phones")], "distortion")
    assert found.holds is None
    assert found.seen == "no harmonics to tell by"


def test_a_tone_on_a_harmonic_of_the_note_is_no_distortion():
    """11 kHz is the 25th harmonic of 440 Hz: a whine there is stronger beside a quiet note."""
    quiet = [note(-10.0, thd=-80.0), note(-40.0, thd=-41.0)]
    whine = whining((1000.0, -75.0), (11_000.0, -81.0))[1]
    assert clue(quiet, "distortion").holds > 0.5
    assert (clue([*quiet, whine], "distortion").holds or 0.0) < 0.1
