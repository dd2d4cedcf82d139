"""Clues: what the readings of several checks, channels and outputs say together.

A clue is a plain statement, such as "there is hum at twice the mains frequency", with the
probability that it holds. It has none where nothing was measured that could tell: what was not
looked for speaks neither for nor against a cause.
"""

import math
from dataclasses import dataclass

from sigbench.units import true_minus

LEAST_PERCENT = 0.001  # of distortion, that is printed

Threshold = tuple[float, float]
"""Where a statement is as likely true as not, and within how much it goes over.

In every module from the circuits of `sigbench.circuits`, and from what is usual (common practice,
no source)."""


@dataclass(frozen=True, slots=True)
class Clue:
    """A statement about the unit.

    Parameters
    ----------
    name : str
        One of `CLUES`.
    holds : float or None
        Probability that the statement is true; None where nothing tells.
    seen : str
        What was measured, in words, with numbers; of a clue that nothing tells, it was measured
        all the same.
    """

    name: str
    holds: float | None
    seen: str = ""


CLUES: dict[str, tuple[str, str]] = {
    "hum 1x": ("hum at the mains frequency", "no hum at the mains frequency"),
    "hum 2x": ("hum at twice the mains frequency", "no hum at twice the mains frequency"),
    "hum mostly 2x": (
        "most of the hum is at twice the mains frequency",
        "not most of the hum is at twice the mains frequency",
    ),
    "hum mostly 1x": (
        "the hum is at the mains frequency and hardly at twice that",
        "a good part of the hum is at twice the mains frequency",
    ),
    "hum on every output": ("every output hums", "one output hums and another does not"),
    "hum drowns the note": (
        "the hum is nearly as loud as a loud note",
        "the hum is far softer than a loud note",
    ),
    "hum in one channel": ("one channel hums more than the other", "both channels hum alike"),
    "noise": ("more hiss than usual", "no more hiss than usual"),
    "noise in one channel": ("one channel hisses", "both channels hiss alike"),
    "hiss follows volume": (
        "the hiss goes when the volume is turned down",
        "the hiss stays when the volume is turned down",
    ),
    "hum follows volume": (
        "the hum goes when the volume is turned down",
        "the hum stays when the volume is turned down",
    ),
    "tones": ("tones that are not of the mains", "no tones beside those of the mains"),
    "tones in series": ("the tones are multiples of one", "the tones are not multiples of one"),
    "tones at whole kilohertz": (
        "the tones are whole multiples of 1 kHz, as those of a crystal",
        "the tones are no whole multiples of 1 kHz",
    ),
    "tones below 200 Hz": (
        "the tones lie below 200 Hz",
        "the tones lie above 200 Hz",
    ),
    "tones alike": (
        "the tones are equally strong in both channels",
        "the tones are not equally strong in both channels",
    ),
    "weak channel": ("one channel is weaker", "both channels are equally strong"),
    "weaker when quiet": (
        "one channel loses more of a quiet note than of a loud one",
        "no channel loses more of a quiet note than of a loud one",
    ),
    "weaker when loud": (
        "one channel loses more of a loud note than of a quiet one",
        "no channel loses more of a loud note than of a quiet one",
    ),
    "dead channel": ("one channel is dead", "no channel is dead by itself"),
    "ripple left": (
        "what is left of the dead channel is ripple of a supply",
        "no ripple is left of the dead channel",
    ),
    "dead output": ("both channels of an output are dead", "no output is dead"),
    "weak at one output": (
        "the other output is in balance",
        "every output is out of balance",
    ),
    "thin channel": ("one channel has lost its bass", "no channel has lost its bass"),
    "thin at one output": (
        "the other output has kept its bass",
        "every output has lost its bass",
    ),
    "distortion": ("distortion", "no distortion"),
    "worse when quiet": (
        "quiet notes are more distorted than loud ones",
        "quiet notes are no more distorted than loud ones",
    ),
    "worse when low": (
        "low notes are far more distorted than higher ones",
        "low notes are no more distorted than higher ones",
    ),
    "distortion in one channel": ("one channel distorts", "both channels distort alike"),
    "distortion on every output": (
        "every output distorts",
        "one output distorts and another does not",
    ),
    "distortion alike": (
        "every channel of every output distorts alike",
        "not every channel of every output distorts alike",
    ),
    "one-sided": (
        "one half of the wave is cut more than the other",
        "neither half of the wave is cut more than the other",
    ),
    "positive half cut": (
        "the positive half of the wave is the smaller one",
        "the negative half of the wave is the smaller one",
    ),
    "half missing": ("most of one half of the wave is missing", "no half of the wave is missing"),
    "flat at zero": (
        "the wave is flat where it passes zero",
        "the wave is not flat where it passes zero",
    ),
    "dc": ("direct voltage at an output", "no direct voltage at an output"),
    "breaks": ("the sound breaks off when moved", "the sound does not break off when moved"),
    "clicks": ("it clicks or crackles when moved", "it does not click or crackle when moved"),
    "breaks in one channel": (
        "the sound breaks off in one channel",
        "the sound of no single channel breaks off",
    ),
    "breaks in both channels": (
        "the sound breaks off in both channels together",
        "the sound never breaks off in both channels together",
    ),
    "clicks in one channel": (
        "it clicks or crackles in one channel when moved",
        "no single channel clicks or crackles when moved",
    ),
    "clicks in both channels": (
        "it clicks or crackles in both channels together when moved",
        "it never clicks or crackles in both channels together when moved",
    ),
    "hum bursts": ("hum comes and goes", "no hum comes and goes"),
    "difference left": (
        "for moments only the difference of the channels is left",
        "no more is lost than what breaks off",
    ),
    "fades when moved": (
        "the sound fades when moved, and is back at once",
        "the sound does not fade when moved",
    ),
    "moved on every output": (
        "every output does it when moved",
        "one output does it when moved and another does not",
    ),
    "comes when tapped": (
        "it comes when something is tapped or pressed",
        "it does not come when something is tapped or pressed",
    ),
    "comes when heated": (
        "it comes or changes when something is heated or cooled",
        "it does not change when something is heated or cooled",
    ),
    "comes from the supply": (
        "it comes when the supply is tapped or heated, and not when another place is",
        "it comes when another place is tapped or heated, and not when the supply is",
    ),
    "crackle when turned": (
        "it crackles while the control is turned",
        "nothing crackles while the control is turned",
    ),
    "worn track": (
        "the crackle is at the same place of the travel each time",
        "no place of the travel crackles each time",
    ),
    "rail missing": ("a supply rail is missing", "no supply rail is missing"),
    "rail low": ("a supply rail is too low", "no measured rail is too low"),
    "rail high": ("a supply rail is too high", "no measured rail is too high"),
    "rail ripple": ("ripple on a regulated rail", "no ripple on the measured rails"),
}
"""Every clue, by name: the statement, and its opposite."""


def over(value: float, threshold: Threshold) -> float:
    """Probability that a value counts as above a threshold: a logistic curve."""
    middle, width = threshold
    return 1 / (1 + math.exp(-max(-40.0, min(40.0, (value - middle) / width))))


def only_if(holds: float | None, condition: float | None) -> float | None:
    """The statement, where the condition is more likely true than not."""
    return None if condition is None or condition < 0.5 else holds


def percent_of_note(decibels: float) -> str:
    """What is so many dB re the note, in percent of it."""
    percent = 100 * 10 ** (decibels / 20)
    if percent < LEAST_PERCENT:
        return f"less than {LEAST_PERCENT} %"
    return f"{percent:.0f} %" if percent >= 10 else f"{percent:.2g} %"


def repeated(count: int) -> float:
    """One event may be anything; three are a pattern."""
    return {0: 0.03, 1: 0.7, 2: 0.95, 3: 0.99, 4: 0.99, 5: 0.995}.get(count, 0.999)


def whole_db(value: float) -> str:
    """Decibels as they are printed."""
    return true_minus(f"{value:.0f} dB")
