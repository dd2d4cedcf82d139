"""What to measure next: by how much it would tell."""

import math

import pytest

from sigbench.causes.advice import GIVEN, LEAST_BITS, NEXT, most_telling
from sigbench.causes.clues import CLUES, Clue
from sigbench.causes.ranking import rank
from sigbench.causes.wording import _NEXT_WORDS, opening


def clues_of(*here: str, unknown: tuple[str, ...] = ()) -> list[Clue]:
    return [
        Clue(name, None if name in unknown else 0.999 if name in here else 0.001) for name in CLUES
    ]


MOVED = ("breaks", "clicks",
         "breaks in one channel", "breaks in both channels", "clicks in one channel",
         "clicks in both channels", "hum bursts", "fades when moved", "moved on every output",
         "comes when tapped", "comes when heated", "comes from the supply")  # fmt: skip
TURNED = ("crackle when turned", "worn track")


def test_two_hypotheses_by_hand():
    """One clue that comes with the one and not with the other tells all: one bit (Shannon)."""
    shares = {("a",): 0.5, ("b",): 0.5}
    plain = dict.fromkeys(CLUES, 0.1)
    sure = {("a",): plain | {"crackle when turned": 1.0}, ("b",): plain | {"dc": 0.0}}
    sure["b",]["crackle when turned"] = 0.0
    known = [Clue(name, None) for name in CLUES]
    assert most_telling(known, shares, sure) == ("pot", "dc")
    # What each may bring alike tells nothing.
    alike = {("a",): plain, ("b",): plain}
    assert most_telling(known, shares, alike) == ()
    entropy = -(0.05 * math.log2(0.05) + 0.95 * math.log2(0.95))
    own = -(0.1 * math.log2(0.1) + 0.9 * math.log2(0.9)) / 2
    assert entropy - own > LEAST_BITS  # and so the second one above is worth it


def test_what_is_known_of_names():
    assert set(_NEXT_WORDS) == set(NEXT)
    assert {name for names in NEXT.values() for name in names} <= set(CLUES)
    assert set(GIVEN) <= {name for names in NEXT.values() for name in names}
    assert {name for names in GIVEN.values() for name in names} <= set(CLUES)


def test_a_good_unit_whose_jacks_and_pots_were_not_moved_is_told_to_move_them():
    ranking = rank(clues_of(unknown=(*MOVED, *TURNED)))
    assert ranking.nothing_wrong
    assert set(ranking.next_checks) == {"jack", "pot"}
    said = opening(ranking)[-1]
    assert said.startswith("Of what was not measured, this would tell most: the ")
    assert "the jack check: a held note while jacks and plugs are moved." in said
    assert "the pot check: a held note while the volume is turned." in said


@pytest.mark.parametrize(
    ("here", "unknown", "first"),
    [
        # Thin or only weak: the low note tells a capacitor from a resistance.
        (
            ("weak channel", "weak at one output"),
            ("thin channel", "thin at one output", "worse when low"),
            "low",
        ),
        # An amplifier that is off centre, or one that is half muted: the quiet note tells.
        (
            ("distortion", "distortion in one channel", "one-sided", "weak channel"),
            ("worse when quiet", "weaker when quiet", "weaker when loud"),
            "quiet",
        ),
        (
            ("noise", "noise in one channel"),
            ("hiss follows volume", "hum follows volume"),
            "volume down",
        ),
    ],
)
def test_what_tells_two_causes_apart_comes_first(here, unknown, first):
    assert rank(clues_of(*here, unknown=unknown)).next_checks[0] == first


def test_what_was_measured_is_not_asked_for_again():
    """Hum that drowns the hiss leaves a clue open, and idle noise was recorded all the same."""
    ranking = rank(clues_of("hum 2x", "hum mostly 2x", unknown=("noise", "noise in one channel")))
    assert "idle" not in ranking.next_checks
    assert rank(clues_of("hum 2x", "hum mostly 2x")).next_checks == ()
