"""A ranking in sentences, as the command line and the private edition of the report say them."""

from sigbench.causes.clues import CLUES
from sigbench.causes.ranking import CLOCK, Ranking
from sigbench.causes.records import BY_KEY
from sigbench.model import Cause

STANDS_OUT = 0.5
"""Score from which one cause is likelier than all the rest."""

CLOSING = (
    "A score says how likely a cause is among the faults, given these readings; several can be "
    "there at once. Mains-side and switch-mode primary circuits hold several hundred volts and can "
    "kill, also after unplugging: local rules and licensed practice come first."
)

_NEEDS: dict[str, tuple[str, ...]] = {
    "idle noise": ("hum 1x",),
    "a held note on both channels": ("weak channel",),
    "the same note loud and quiet": ("worse when quiet",),
    "a low note beside a middle one": ("thin channel", "worse when low"),
    "a held note while the jacks are moved": ("breaks in one channel", "breaks"),
    "a held note while the volume is turned": ("crackle when turned",),
    "direct voltage at the outputs": ("dc",),
    "the supply rails": ("rail missing",),
}
"""What has to be measured for any of some clues."""

_NEXT_WORDS = {
    "idle": "idle noise",
    "volume down": "idle noise with the volume fully down",
    "quiet": "the same note once more, quiet",
    "low": "a low note beside a middle one",
    "other output": "the same at another output",
    "jack": "the jack check: a held note while jacks and plugs are moved",
    "pot": "the pot check: a held note while the volume is turned",
    "dc": "direct voltage at the outputs, with an input that passes it",
    "hands": "a held note while boards are tapped and warmed, with a mark for each",
}


_DOUBTS = ("hum 1x", "noise", "tones", "weak channel", "thin channel", "distortion")


OF_A_CLOCK = (
    "Tones at whole multiples of 1 kHz come from a crystal: mostly the frame clock of a computer "
    "that is connected to the unit, or a test tone that was left on (common practice, no source). "
    "Pull that lead, run the laptop from its battery, and record once more: tones that go then "
    "are no fault of the unit."
)


def score_words(cause: Cause) -> str:
    """``score 0.71``."""
    return f"score {cause.score:.2f}"


def opening(ranking: Ranking) -> list[str]:
    """What is said before any cause."""
    return [*_verdict(ranking), *_of_a_clock(ranking), *_next(ranking)]


def _of_a_clock(ranking: Ranking) -> list[str]:
    """Where tones come from that no cause on the list makes."""
    clock = any(clue.name == CLOCK and (clue.holds or 0.0) > 0.5 for clue in ranking.clues)
    return [OF_A_CLOCK] if clock else []


def next_checks(ranking: Ranking) -> tuple[str, ...]:
    """What was not measured and would tell most, in words, the most telling first."""
    return tuple(_NEXT_WORDS[key] for key in ranking.next_checks)


def _next(ranking: Ranking) -> list[str]:
    """What was not measured and would tell most."""
    if not ranking.next_checks:
        return []
    first, *more = next_checks(ranking)
    then = f" After that, {more[0]}." if more else ""
    return [f"Of what was not measured, this would tell most: {first}.{then}"]


def _verdict(ranking: Ranking) -> list[str]:
    sentences = [ranking.first] if ranking.first else []
    if ranking.nothing_wrong:
        missing = {c.name for c in ranking.clues if c.holds is None and not c.seen}
        unmeasured = "; ".join(w for w, names in _NEEDS.items() if missing.issuperset(names))
        blind = f" Not measured, and so not told: {unmeasured}." if unmeasured else ""
        sentences.append(f"Nothing that was measured points to a fault.{blind}")
        doubts = [
            f"{CLUES[c.name][0]} ({c.seen})"
            for c in ranking.clues
            if c.holds is None and c.seen and c.name in _DOUBTS
        ]
        if doubts:
            sentences.append(f"Measured, and still not to be told: {'; '.join(doubts)}.")
        return sentences
    best = max((cause.score for cause in ranking.named), default=0.0)
    if ranking.healthy >= max(best, ranking.none_of_these):
        sentences.append(
            f"A unit without a fault is likelier ({ranking.healthy:.0%}) than any one cause, but "
            "not than all of them together. Measure once more; if it is seen again, probe in this "
            "order."
        )
    elif not ranking.named and ranking.none_of_these < STANDS_OUT:
        sentences.append(
            "No cause on the list explains what was seen: go by the readings, stage by stage."
        )
    elif ranking.none_of_these > best:
        sentences.append(
            "It is most likely something that is not on the list "
            f"({ranking.none_of_these:.0%}): go by the readings, stage by stage."
        )
    elif ranking.together:
        *names, last = (BY_KEY[key].name for key in ranking.together)
        count = {2: "Two", 3: "Three"}[len(ranking.together)]
        sentences.append(f"{count} things at once explain it best: {', '.join(names)}, and {last}.")
    elif best < STANDS_OUT:
        sentences.append("No cause stands out: something is wrong; probe in this order.")
    return sentences
