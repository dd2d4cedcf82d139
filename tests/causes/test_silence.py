"""Silence: what is dead where others play."""

from tests.causes.observed import clue, stereo


def test_what_is_no_note_is_no_dead_output():
    """Speech, or the wrong file: loud, but without a note."""
    seen = stereo(*(("level_rms", -20.0, "dBFS", channel, 0.1) for channel in (1, 2)))
    assert clue(seen, "dead output").holds is None
    silent = stereo(*(("level_rms", -90.0, "dBFS", channel, 0.1) for channel in (1, 2)))
    assert clue(silent, "dead output").holds > 0.99
