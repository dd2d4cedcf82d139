"""What is known of each cause: what it does to which clue, what to probe, and what to beware of.

Every record is a statement of the trade in plain words. How often a clue comes with a cause is
given by four words, so that a repairer can read and judge them; the numbers behind the words are
in `OFTEN`.
"""

from dataclasses import dataclass
from typing import Literal

Often = Literal["always", "mostly", "sometimes", "rarely", "never"]

OFTEN: dict[Often, float] = {
    "always": 0.97,
    "mostly": 0.8,
    "sometimes": 0.4,
    "rarely": 0.12,
    "never": 0.02,
}
"""Probability of a clue for a cause, by the word in its record."""

UNSAID: Often = "never"
"""Of a clue that a record does not name."""

COMMON = "common practice, no source"

_LOW_SIDE = (
    "Measure on the low-voltage side only. Mains-side and switch-mode primary circuits hold "
    "several hundred volts and can kill, also after unplugging, until the main capacitor is "
    "discharged; leave them to those who are trained for it, and local rules come first."
)
_ELECTROLYTIC = (
    "Replace an electrolytic by one of the same capacitance, at least the same voltage and the "
    "right way round; leaked electrolyte is corrosive."
)
_NO_VOLTMETER = (
    "Use a multimeter, never the audio interface, for direct voltages: its inputs take line level "
    "and nothing above."
)
_SOLDER = "Unplug before soldering, and let the supply's capacitors discharge."


@dataclass(frozen=True, slots=True)
class Effect:
    """What a cause does to one clue: how often, and why."""

    clue: str
    often: Often
    why: str


@dataclass(frozen=True, slots=True)
class Record:
    """One cause.

    Parameters
    ----------
    key : str
        Short name, as in ``docs/causes.md``.
    name : str
        As it is shown.
    weight : float
        How often it is met, relative to the others, before anything is measured.
    effects : tuple of Effect
    next : str
        What to probe next, and with what.
    caution : str
    source : str
        Where the physics is published, or "common practice, no source".
    in_unit : bool
        Whether the fault is in the instrument, and not in cables or rig.
    """

    key: str
    name: str
    weight: float
    effects: tuple[Effect, ...]
    next: str
    caution: str
    source: str
    in_unit: bool = True


def _effects(*rows: tuple[str, Often, str]) -> tuple[Effect, ...]:
    return tuple(Effect(*row) for row in rows)


_ALONE = "each side has parts of its own there"
_SHARED = "both sides are fed by the same supply"

_LEAKS = "what a transformer leaks has little of the second harmonic"
_LEAKS_2X = "the filter of a switch-mode supply leaks half-waves"

_SAGGING = _effects(
    ("positive half cut", "sometimes", "it depends on which rail"),
    ("hum on every output", "mostly", _SHARED),
    ("hum in one channel", "rarely", "amplifiers reject the ripple unequally"),
    ("hum drowns the note", "rarely", "where the rail is too low for the note as well"),
    ("distortion", "sometimes", "loud notes meet the sagging rail"),
    ("distortion on every output", "sometimes", "an output with less room shows it first"),
    ("worse when quiet", "rarely", "only if the ripple alone passes the amplifier's limit"),
    ("tones", "sometimes", "clipping at the ripple's pace leaves lines beside the hum"),
    ("tones in series", "sometimes", "they belong to the ripple"),
    ("tones below 200 Hz", "rarely", "they lie beside the hum"),
    ("tones alike", "sometimes", "they come by the supply"),
    ("noise", "sometimes", "the ripple's upper harmonics sound like a buzz"),
    ("noise in one channel", "rarely", "amplifiers reject the buzz unequally"),
    ("hum follows volume", "rarely", "most of it gets in behind the control"),
    ("hiss follows volume", "rarely", "most of it gets in behind the control"),
    ("rail low", "sometimes", "the multimeter shows the mean of a sagging rail"),
    ("rail ripple", "mostly", "the regulator has nothing left to regulate with at each sag"),
    ("weak channel", "rarely", "where loud notes are cut"),
    ("weaker when loud", "rarely", "where loud notes are cut"),
)
"""What a rail does that sags at the pace of the mains."""

_AMPLIFIER_NEXT = (
    "Multimeter on DC volts at the amplifier's output pin: near zero (or half of a single supply) "
    "is right, near a rail is wrong. Then its two inputs: more than some tens of millivolts apart "
    "means the amplifier, equal ones mean what feeds it."
)

RECORDS: tuple[Record, ...] = (
    Record(
        "reservoir",
        "a dried-out reservoir capacitor in the supply",
        3.0,
        (
            *_effects(
                ("hum mostly 1x", "never", "both half-waves still arrive"),
                (
                    "hum 2x",
                    "mostly",
                    "it is refilled twice in each period of the mains; a good regulator hides that",
                ),
                (
                    "hum 1x",
                    "sometimes",
                    "the half-waves are never quite alike; behind one diode there is only one",
                ),
                (
                    "hum mostly 2x",
                    "mostly",
                    "both half-waves arrive, unless one diode feeds each rail",
                ),
                ("one-sided", "sometimes", "mostly one of the two rails sags first"),
                ("comes when heated", "sometimes", "a dry electrolytic gets better when warm"),
                ("comes from the supply", "always", "the capacitors stand in it"),
            ),
            *_SAGGING,
        ),
        "Multimeter on AC volts across each reservoir capacitor: several volts of ripple mean it "
        "is dry. Ripple is about I/(2 f C): more than twice what that gives is too much. Then "
        "DC volts on every regulator's input and output.",
        f"{_LOW_SIDE} {_ELECTROLYTIC}",
        "ripple of a full-wave rectifier, I/(2 f C): textbook",
    ),
    Record(
        "diode",
        "an open diode in the rectifier bridge",
        1.2,
        (
            *_effects(
                ("hum mostly 1x", "never", "half-wave ripple has much of the second harmonic"),
                ("hum 1x", "always", "the capacitor is refilled once a period instead of twice"),
                ("hum 2x", "mostly", "second harmonic of the sawtooth ripple"),
                ("hum mostly 2x", "never", "every second charge is missing"),
                ("one-sided", "sometimes", "only the rail behind that diode sags"),
            ),
            *_SAGGING,
        ),
        "Unplugged and discharged: multimeter on diode test over each diode of the bridge, both "
        "ways; look for a cracked joint at its legs. One that conducts neither way is open. Where "
        "one diode feeds each rail, as with many AC adaptors, a dry reservoir capacitor hums so.",
        _LOW_SIDE,
        "half-wave ripple at the mains frequency, I/(f C): textbook",
    ),
    Record(
        "rail missing",
        "a supply rail that is missing",
        2.5,
        _effects(
            ("positive half cut", "sometimes", "it depends on which rail"),
            ("half missing", "mostly", "that half had only that rail"),
            ("weak channel", "sometimes", "each side is cut where its own offset leaves it"),
            ("weaker when quiet", "sometimes", "each side is cut where its own offset leaves it"),
            ("weaker when loud", "sometimes", "each side is cut where its own offset leaves it"),
            ("rail missing", "always", "the meter says so"),
            ("dc", "sometimes", "what has no capacitor behind it rests at the rail that is left"),
            ("rail low", "sometimes", "another one may sag with it"),
            ("distortion", "mostly", "one half of the wave has nothing to be made from"),
            ("distortion in one channel", "rarely", _SHARED),
            ("distortion on every output", "sometimes", "outputs that do not need that rail live"),
            ("one-sided", "mostly", "what is left has one polarity"),
            ("worse when quiet", "sometimes", "a small signal does not get out of the dead half"),
            ("dead output", "sometimes", "a stage that needs that rail is silent"),
            ("dead channel", "rarely", "an output with one channel that needs that rail is silent"),
            ("noise", "rarely", "a stage without its supply hisses"),
            ("hum 2x", "rarely", "what sticks at a rail follows its ripple"),
            ("hum 1x", "rarely", "what sticks at a rail follows its ripple"),
            ("hum drowns the note", "rarely", "where hardly any of the note is left"),
            ("hum mostly 2x", "sometimes", "the rail that is left is fed by both half-waves"),
            ("hum on every output", "sometimes", _SHARED),
            ("thin channel", "rarely", "what remains is no longer linear"),
        ),
        "Multimeter on DC volts, black probe on audio ground: the regulator's input, then its "
        "output, then the rail at the far end of each board. Input there and output gone: the "
        "regulator or a short behind it; output there and board without: joint, fuse or wire.",
        f"{_LOW_SIDE} A blown fuse has a cause: find it before fitting a new one.",
        "saturation of an operational amplifier at its rails: textbook",
    ),
    Record(
        "rail low",
        "a supply rail that is too low",
        1.2,
        _effects(
            ("positive half cut", "sometimes", "it depends on which rail"),
            ("half missing", "rarely", "only with hardly any voltage left"),
            ("rail low", "always", "the meter says so"),
            ("distortion", "sometimes", "loud notes are cut at the rail, if they come so far"),
            ("distortion in one channel", "rarely", _SHARED),
            ("distortion on every output", "sometimes", "outputs with more room still pass"),
            ("one-sided", "sometimes", "the rail that is low cuts its own half of the wave"),
            ("worse when quiet", "never", "a small signal still fits"),
            ("dead output", "rarely", "a stage with one rail can stop altogether"),
            ("weak channel", "rarely", "a cut wave is a weaker one"),
            ("weaker when loud", "rarely", "one side may be cut more than the other"),
            ("tones", "rarely", "a regulator at its limit"),
        ),
        "Multimeter on DC volts: regulator's input and output, cold and after ten minutes. Input "
        "high enough and output low: too much current (a hot part on that rail) or the regulator.",
        f"{_LOW_SIDE} Regulators get hot.",
        "saturation of an operational amplifier at its rails: textbook",
    ),
    Record(
        "rail high",
        "a supply rail that is too high",
        0.5,
        _effects(
            ("rail high", "always", "the meter says so"),
            ("rail ripple", "sometimes", "a shorted regulator passes the ripple before it"),
            ("dead output", "rarely", "parts that got too many volts are silent from then on"),
        ),
        "Switch off at once: 5 V logic is made for 5.5 V at most and does not survive 7 V. Check "
        "the nominal volts: an unregulated adaptor with little load lies well above them, and is "
        "right. Then, unplugged and discharged: ohms between the regulator's input and output "
        "(near zero: shorted), and from its ground or adjust leg to what it belongs to (open: a "
        "cracked joint or resistor). Unplug the boards it feeds before you switch on again.",
        f"{_LOW_SIDE} {_SOLDER}",
        "a series regulator without its reference passes its input: textbook, common practice",
    ),
    Record(
        "oscillation",
        "a regulator or rail that oscillates",
        0.6,
        _effects(
            ("tones", "always", "the oscillation reaches the outputs by the rail"),
            ("tones in series", "rarely", "it is nearly a sine"),
            ("tones alike", "rarely", "amplifiers reject the rail unequally"),
            ("noise", "rarely", "it hisses along"),
            ("noise in one channel", "rarely", "amplifiers reject the rail unequally"),
            ("distortion", "rarely", "only when it is strong"),
            ("rail low", "sometimes", "an oscillating regulator often misses its voltage"),
            ("rail ripple", "mostly", "the meter's AC volts see the slower of such oscillations"),
        ),
        "Oscilloscope on the rail, or the multimeter's AC volts on a range that goes to some kHz. "
        "Bridge the regulator's output capacitor with a good one: a tone that stops or moves is "
        "this.",
        f"{_LOW_SIDE} {_ELECTROLYTIC}",
        "a regulator's stability hangs on its output capacitor: data sheets, common practice",
    ),
    Record(
        "regulator joint",
        "a cracked joint at a regulator or supply connector",
        2.0,
        _effects(
            (
                "breaks in both channels",
                "mostly",
                "both sides are fed by the same supply; between two rails half of the wave is left",
            ),
            ("breaks", "mostly", "the stages lose their supply"),
            ("clicks", "sometimes", "the supply comes back with a thump"),
            ("breaks in one channel", "rarely", "one side may recover first"),
            ("fades when moved", "mostly", "capacitors feed the stages for some milliseconds more"),
            ("clicks in both channels", "sometimes", "the supply comes back with a thump"),
            ("clicks in one channel", "sometimes", "the thump is weaker on one side"),
            (
                "moved on every output",
                "sometimes",
                "every output is fed by it, but between two rails half of the wave is left",
            ),
            ("comes when tapped", "mostly", "a crack opens when the board bends"),
            ("comes when heated", "sometimes", "and when it expands"),
            ("comes from the supply", "always", "that is where the crack is"),
            ("hum bursts", "sometimes", "hum comes through while the rail is gone"),
            ("rail low", "rarely", "the joint has resistance, and keeps it"),
            ("rail missing", "rarely", "if it is open at that moment"),
            ("crackle when turned", "rarely", "any touch may set it off"),
            ("distortion", "rarely", "while the rail is down"),
        ),
        "With the sound held, press beside each regulator and supply plug with a dry wooden stick. "
        "Then, unplugged, look at their legs with a lens: a grey ring is a crack. Resolder.",
        f"{_LOW_SIDE} {_SOLDER} Regulators get hot.",
        COMMON,
    ),
    Record(
        "coupling lost",
        "an output coupling capacitor that has lost its capacitance",
        2.5,
        _effects(
            ("weak at one output", "always", "it is behind the amplifier of one output"),
            ("thin channel", "always", "with the load it is a high-pass: corner 1/(2 pi R C)"),
            ("thin at one output", "always", "every output has a capacitor of its own"),
            ("weak channel", "sometimes", "a high corner reaches the middle notes"),
            ("dead channel", "rarely", "if hardly any is left"),
            ("noise in one channel", "rarely", "less of the hum comes through"),
        ),
        "Follow the weak channel from the jack inwards to its coupling capacitor. Bridge it with a "
        "good one of the same value: if the bass is back, replace it, and its twin.",
        _ELECTROLYTIC,
        "corner of an RC section, 1/(2 pi R C): textbook",
    ),
    Record(
        "coupling leaky",
        "a leaky output coupling capacitor",
        0.9,
        _effects(
            ("positive half cut", "sometimes", "it depends on which rail"),
            ("weak at one output", "always", "it is behind the amplifier of one output"),
            ("half missing", "rarely", "the interface's input stops on one side"),
            ("dc", "always", "direct current leaks through to the jack"),
            ("distortion", "rarely", "the leak pulls the stage off its middle"),
            ("distortion in one channel", "always", _ALONE),
            ("distortion on every output", "never", "it is behind one output's amplifier"),
            ("one-sided", "mostly", "the wave is shifted towards one rail"),
            ("dead channel", "rarely", "the interface's input is driven to its end"),
            ("ripple left", "sometimes", "the stage's rail comes along"),
            ("weak channel", "rarely", "the interface's input is driven to its end"),
            ("weaker when loud", "rarely", "the interface's input is driven to its end"),
            ("crackle when turned", "sometimes", "direct current through a wiper is heard"),
            ("hum 2x", "rarely", "the stage's rail comes along"),
        ),
        "Nothing plugged in but a 10 kohm resistor: multimeter on DC volts at the jack's tip. More "
        "than some tens of millivolts: lift the capacitor's far end and look again.",
        f"{_NO_VOLTMETER} {_ELECTROLYTIC}",
        "leakage of electrolytics, IEC 60384-4; divider of leak and load: textbook",
    ),
    Record(
        "series resistance",
        "too much resistance in one channel's output path",
        1.5,
        _effects(
            (
                "weak at one output",
                "mostly",
                "it is behind the amplifier of one output, or before all of them",
            ),
            ("weak channel", "always", "it divides the signal with the load, alike at all notes"),
            ("thin channel", "rarely", "a resistance takes from all notes alike"),
            ("dead channel", "sometimes", "a resistance without end is an open joint"),
            ("ripple left", "rarely", "an open end picks up the mains frequency, not twice that"),
            ("noise in one channel", "rarely", "the weaker side has less of everything"),
        ),
        "Swap the two cables first: if the weak side moves, it is the cable. Then, unplugged, ohms "
        "from the amplifier's output to the jack's tip on both sides: the difference is the fault "
        "(a joint, a contact, a resistor, a capacitor with high ESR).",
        _SOLDER,
        "voltage divider: textbook; ESR = tan delta/(2 pi f C), IEC 60384-4",
    ),
    Record(
        "mute",
        "a mute transistor that is half on",
        1.0,
        _effects(
            ("positive half cut", "mostly", "an NPN transistor shorts the positive half"),
            ("half missing", "sometimes", "fully on in one half"),
            ("weak at one output", "always", "it sits at one output"),
            ("thin channel", "rarely", "with the capacitor before it"),
            ("distortion", "always", "a transistor conducts better in one half of the wave"),
            ("distortion in one channel", "always", _ALONE),
            ("distortion on every output", "never", "it sits at one output"),
            ("one-sided", "mostly", "one half of the wave is shorted"),
            ("worse when quiet", "sometimes", "it shorts small signals most of all"),
            ("flat at zero", "rarely", "it shorts small signals most of all"),
            ("weak channel", "mostly", "it takes a part of the signal"),
            ("weaker when quiet", "mostly", "what it can take at once is limited"),
            ("dead channel", "sometimes", "fully on, it mutes"),
        ),
        "Multimeter on DC volts at the mute transistor's base, both channels: they must be alike "
        "and hold it off. Lift its collector: if the channel is back, follow the base backwards.",
        _NO_VOLTMETER,
        "a saturated transistor is a switch: textbook",
    ),
    Record(
        "stuck",
        "an output amplifier that is stuck at a rail",
        1.0,
        _effects(
            ("dead channel", "always", "it does not move any more"),
            ("weak at one output", "mostly", "it feeds one output, or is shared by all"),
            ("hum in one channel", "sometimes", "at a rail it follows the rail's ripple"),
            ("ripple left", "mostly", "at a rail it follows the rail's ripple, if there is some"),
            ("weaker when quiet", "mostly", "only a loud note still gets it off the rail"),
            ("weak channel", "mostly", "a loud note gets it off the rail for moments only"),
            ("distortion", "mostly", "what gets through is one half of the wave"),
            ("distortion in one channel", "always", _ALONE),
            ("distortion on every output", "rarely", "where all outputs share it"),
            ("one-sided", "mostly", "what gets through is one half of the wave"),
            ("half missing", "mostly", "what gets through is one half of the wave"),
            ("positive half cut", "sometimes", "it depends on which rail"),
            ("hum 2x", "rarely", "at a rail it follows the rail's ripple"),
            ("hum 1x", "rarely", "at a rail it follows the rail's ripple"),
            ("noise", "rarely", "at a rail it follows the rail"),
            ("noise in one channel", "sometimes", "what it still passes is ripple and hiss"),
        ),
        _AMPLIFIER_NEXT,
        _NO_VOLTMETER,
        "saturation of an operational amplifier at its rails: textbook",
    ),
    Record(
        "off centre",
        "an output amplifier whose working point has moved towards a rail",
        0.7,
        _effects(
            ("distortion", "always", "it has room on one side only"),
            ("distortion in one channel", "always", _ALONE),
            ("distortion on every output", "rarely", "where all outputs share it"),
            ("one-sided", "always", "the half towards the rail is cut"),
            ("positive half cut", "sometimes", "it depends on which rail"),
            ("half missing", "sometimes", "where there is hardly any room on that side"),
            ("worse when quiet", "rarely", "a small signal still fits, or none does"),
            ("weak channel", "sometimes", "a cut wave is a weaker one"),
            ("weaker when loud", "sometimes", "a small signal still has room"),
            ("weaker when quiet", "rarely", "close to the rail no small signal gets out"),
            ("weak at one output", "mostly", "it feeds one output, or is shared by all"),
        ),
        _AMPLIFIER_NEXT,
        _NO_VOLTMETER,
        "saturation of an operational amplifier at its rails: textbook",
    ),
    Record(
        "crossover",
        "a push-pull output stage that has lost its bias",
        0.9,
        _effects(
            ("distortion", "always", "neither transistor conducts about zero"),
            ("worse when quiet", "always", "the gap at zero takes most of a small signal"),
            ("weaker when quiet", "sometimes", "where one side alone has the gap"),
            ("one-sided", "never", "the gap is in the middle"),
            ("distortion in one channel", "sometimes", "each side has its own pair"),
            ("flat at zero", "always", "what passes zero waits for the other transistor"),
            ("distortion on every output", "sometimes", "where all outputs share such a stage"),
            ("distortion alike", "sometimes", "where all outputs share such a stage"),
            ("weak channel", "rarely", "the gap takes a little"),
        ),
        "Multimeter on DC volts between the bases of the output pair: about two junctions, 1.2 V, "
        "is right. Then the diodes or the transistor that make it, and their resistor.",
        f"{_NO_VOLTMETER} Set a bias slowly, and watch the temperature.",
        "crossover distortion of a class-B stage: textbook",
    ),
    Record(
        "jack",
        "a dry joint or worn contact at an output jack",
        3.0,
        _effects(
            ("weak at one output", "always", "the other outputs have jacks of their own"),
            ("breaks", "always", "its tip opens"),
            ("clicks", "sometimes", "a contact that opens for a moment clicks"),
            ("breaks in one channel", "always", "only that jack's tip opens"),
            ("breaks in both channels", "rarely", "a stereo jack can lose both"),
            ("clicks in one channel", "sometimes", "a contact that opens for a moment clicks"),
            ("clicks in both channels", "rarely", "a stereo jack can do both"),
            ("moved on every output", "never", "the other outputs have jacks of their own"),
            ("comes when tapped", "mostly", "a dry joint feels a knock on the board"),
            ("comes from the supply", "rarely", "a knock goes through the whole unit"),
            ("hum bursts", "rarely", "its sleeve may open too"),
            ("dead channel", "rarely", "if it stays open"),
            ("distortion in one channel", "rarely", "a corroded contact rectifies"),
        ),
        "Hold a note and move the plug; then press the jack's own legs on the board. If pressing "
        "the board does it, resolder; if moving the plug does it, clean or replace the jack.",
        _SOLDER,
        COMMON,
    ),
    Record(
        "sleeve",
        "an open sleeve or ground connection at an output jack",
        1.8,
        _effects(
            ("hum mostly 1x", "mostly", _LEAKS),
            ("hum 1x", "always", "the mains leakage looks for another way home"),
            ("hum 2x", "sometimes", _LEAKS_2X),
            ("hum mostly 2x", "never", "leakage is at the mains frequency and its odd harmonics"),
            ("hum on every output", "rarely", "only that jack has lost its ground"),
            ("hum drowns the note", "sometimes", "nothing else takes the leakage home"),
            ("hum in one channel", "rarely", "where each channel has its own jack"),
            ("hum bursts", "sometimes", "when the plug is moved"),
            ("moved on every output", "never", "the other outputs have jacks of their own"),
            ("weak channel", "rarely", "the return path has resistance"),
            ("dead output", "rarely", "an open return is a weak output"),
            ("noise", "rarely", "harmonics of the leakage"),
            ("tones", "rarely", "strong hum brings its own harmonics"),
            ("tones below 200 Hz", "sometimes", "they belong to the hum"),
            ("tones in series", "sometimes", "they belong to the hum"),
            ("tones alike", "sometimes", "both channels have that sleeve"),
            ("distortion", "rarely", "hum moves the signal about"),
        ),
        "Unplugged: ohms from the sleeve of a plug in that jack to the chassis ground of another "
        "jack: below one ohm is right. Move the plug while you look.",
        f"{_LOW_SIDE} {_SOLDER}",
        "leakage through the supply's capacitances to the mains: common practice, no source",
    ),
    Record(
        "loose sleeve",
        "a sleeve or ground contact that opens when the jack is moved",
        1.5,
        _effects(
            ("hum bursts", "mostly", "the mains leakage looks for another way home meanwhile"),
            ("comes when tapped", "mostly", "a dry joint feels a knock on the board"),
            ("comes from the supply", "rarely", "a knock goes through the whole unit"),
            (
                "difference left",
                "mostly",
                "both loads then lie in series between the two tips: what is alike cancels",
            ),
            ("breaks in both channels", "sometimes", "the signal has no way back meanwhile"),
            ("breaks", "sometimes", "the signal has no way back meanwhile"),
            ("clicks", "sometimes", "each opening is a step"),
            ("breaks in one channel", "rarely", "where each channel has its own jack"),
            ("clicks in both channels", "sometimes", "each opening is a step"),
            ("clicks in one channel", "rarely", "each opening is a step"),
            ("moved on every output", "never", "the other outputs have jacks of their own"),
            ("hum 1x", "rarely", "if it is open at that moment"),
            ("hum mostly 1x", "always", _LEAKS),
            ("hum on every output", "rarely", "only that jack loses its ground"),
        ),
        "Hold a note and move the plug while you look at the hum; then, unplugged, ohms from the "
        "sleeve of a plug in that jack to the chassis ground while you move it: it must stay below "
        "one ohm. Press the jack's legs on the board: if that does it, resolder.",
        f"{_LOW_SIDE} {_SOLDER}",
        "leakage through the supply's capacitances to the mains: common practice, no source",
    ),
    Record(
        "pot",
        "a worn or dirty volume control",
        2.5,
        _effects(
            ("weak at one output", "never", "every output is behind it"),
            ("crackle when turned", "always", "the wiper loses the track"),
            ("clicks in one channel", "rarely", "the wiper sits beside a worn place"),
            ("clicks in both channels", "rarely", "the wiper sits beside a worn place"),
            ("worn track", "mostly", "worn places stay where they are"),
            ("weak channel", "sometimes", "one of the two tracks is worse"),
            ("breaks", "rarely", "at a dead place"),
            ("clicks", "rarely", "the wiper sits beside a worn place"),
            ("breaks in one channel", "rarely", "at a dead place"),
            ("breaks in both channels", "rarely", "at a dead place"),
            ("dead channel", "rarely", "at a dead place"),
        ),
        "Unplugged: work cleaner for controls into it, turn it thirty times, let it dry, and do "
        "the pot check again. Places that stay are worn through: replace it.",
        "Cleaner sprays burn: unit off and unplugged, air the room, let it dry.",
        "contact resistance variation, IEC 60393-1",
    ),
    Record(
        "inverter",
        "the display light's inverter in the audio ground",
        0.8,
        _effects(
            ("tones", "always", "its pulses make voltages on the common ground"),
            ("tones in series", "always", "it makes no sine"),
            ("tones alike", "always", "all outputs share that ground"),
            ("noise", "rarely", "its harmonics"),
            ("distortion", "rarely", "its tones under a quiet note"),
        ),
        "Turn the display's light off or unplug its supply wire: if the whine stops, renew the "
        "inverter's input capacitor, and give its ground a wire of its own.",
        "The inverter's output is some hundred volts: do not touch it, and unplug first. "
        f"{_ELECTROLYTIC}",
        "common impedance of a shared ground: textbook",
    ),
    Record(
        "noisy source",
        "a noisy or humming stage before the volume control",
        0.8,
        _effects(
            ("noise", "mostly", "it hisses by itself"),
            ("hiss follows volume", "always", "it lies before the volume control"),
            ("hum follows volume", "mostly", "it lies before the volume control"),
            ("hum 1x", "sometimes", "hum on its supply, its control voltage or its screen"),
            ("hum 2x", "sometimes", "ripple on its supply or its control voltage"),
            ("hum mostly 1x", "sometimes", "hum on its control voltage or its screen"),
            ("hum mostly 2x", "sometimes", "ripple on its supply or its control voltage"),
            ("hum on every output", "mostly", "all outputs pass on what comes from there"),
            ("noise in one channel", "sometimes", "where the two sides have stages of their own"),
            ("clicks", "rarely", "a bad junction also crackles"),
            ("clicks in one channel", "rarely", "a bad junction also crackles"),
            ("clicks in both channels", "rarely", "a bad junction also crackles"),
        ),
        "Turn the volume down to be sure that the hiss goes with it. Then switch off, or mute, one "
        "voice, one effect, one mixer channel after the other: what the hiss goes with has the "
        "part. Hum that goes with the volume comes by that stage's supply, its control voltage or "
        "its screen. If the control is the last thing before the jack, every amplifier lies before "
        "it. Freezer spray on the suspects, one by one: hiss that changes is the part.",
        "Freezer spray: unit unplugged from the mains if it reaches the supply; keep it off skin.",
        COMMON,
    ),
    Record(
        "noisy",
        "a noisy amplifier or transistor behind the volume control",
        0.9,
        _effects(
            ("hiss follows volume", "never", "it lies behind the volume control"),
            ("noise", "always", "it hisses by itself"),
            ("clicks", "sometimes", "a bad junction also crackles"),
            ("clicks in one channel", "sometimes", "a bad junction also crackles"),
            ("comes when heated", "mostly", "a bad junction feels every degree"),
            ("noise in one channel", "always", _ALONE),
            ("hum in one channel", "rarely", "a bad joint beside it"),
        ),
        "Turn the volume down: hiss that stays is behind it. Then cool the suspects one by one "
        "with freezer spray: hiss that changes is the part.",
        "Freezer spray: unit unplugged from the mains if it reaches the supply; keep it off skin.",
        COMMON,
    ),
    Record(
        "ground loop",
        "a hum loop between the rig and the unit, which is no fault of the unit",
        1.6,
        _effects(
            ("hum mostly 1x", "mostly", _LEAKS),
            ("hum 1x", "always", "mains current flows through the cables' screens"),
            ("hum 2x", "rarely", _LEAKS_2X),
            ("hum mostly 2x", "never", "the current is at the mains frequency"),
            ("hum on every output", "always", "every cable closes the loop"),
            ("hum in one channel", "rarely", "both cables carry the current"),
            ("noise", "rarely", "harmonics of the mains"),
        ),
        "Run the laptop from its battery, and unplug everything else from interface and unit. If "
        "the hum goes, it is the loop: feed unit and rig from one outlet.",
        "Never take off the protective earth to stop hum: it is there to save lives.",
        "current through a common screen: textbook",
        in_unit=False,
    ),
    Record(
        "voice",
        "distortion from before the volume control, or a sound that is richer when played loud",
        1.0,
        _effects(
            ("distortion", "always", "a loud note has more harmonics than a quiet one"),
            ("distortion alike", "always", "all outputs pass on what comes from there"),
            ("distortion on every output", "always", "all outputs pass on what comes from there"),
            ("distortion in one channel", "never", "both sides pass on what comes from there"),
            ("one-sided", "sometimes", "few sounds and few stages are the same in both halves"),
            ("positive half cut", "sometimes", "it depends on the sound or the stage"),
            ("worse when quiet", "rarely", "most sounds are richer when played hard"),
            ("flat at zero", "rarely", "a stage that is driven too hard flattens the ends"),
            ("half missing", "rarely", "only if it is driven far beyond its room"),
            ("weaker when loud", "rarely", "where the two sides have stages of their own"),
        ),
        "Play the plainest sound there is, with no effect, filter movement or velocity, and make "
        "it soft by the sound's own level. If loud and quiet now have the same harmonics, nothing "
        "is wrong. If not, turn down one voice, effect or mixer input after the other: the stage "
        "that it goes with is driven too hard, or has lost a supply or its bias. An amplifier that "
        "is controlled by a voltage bends loud notes by some tenths of a percent by nature.",
        _NO_VOLTMETER,
        f"harmonics of a curved characteristic: textbook; sounds that follow velocity: {COMMON}",
    ),
)
"""Every cause."""

BY_KEY = {record.key: record for record in RECORDS}
BY_NAME = {record.name: record for record in RECORDS}
