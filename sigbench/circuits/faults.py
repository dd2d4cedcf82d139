"""Faults of the circuits: other values of their parts, drawn with tolerances, mild or strong."""

from collections.abc import Callable
from dataclasses import fields, replace

import numpy as np

from sigbench.circuits.instrument import HELD_SECONDS, OUTPUTS, SIDES, Channel, Opening, Parts

SEVERITIES = ("mild", "strong")

Drawer = Callable[[Parts, bool, np.random.Generator], Parts]
"""From a good instrument to a faulty one; True is a strong fault."""


def good(rng: np.random.Generator, mains_hz: float, *, line_rails: int = 2) -> Parts:
    """A good instrument with the tolerances of its parts.

    Electrolytics within 20 % (IEC 60384-4), supply voltages within 3 %, dual pots within 1 dB
    here: they are sold matched within 2 to 3 dB (common practice, no source).
    """

    def channel(gang: float) -> Channel:
        return Channel(
            coupling_farads=22e-6 * rng.uniform(0.8, 1.2),
            coupling_esr_ohms=rng.uniform(0.2, 2),
            phones_farads=220e-6 * rng.uniform(0.8, 1.2),
            phones_bias_volts=rng.uniform(1.26, 1.4),
            amplifier_offset_volts=rng.normal(0, 7e-4),
            rejection=10 ** rng.uniform(-3.2, -2.2),
            wiper_ohms=rng.uniform(5, 60),
            gang=gang,
            noise_volts=4e-6 * 2 ** rng.uniform(0, 2),
            source_noise_volts=4e-6 * 2 ** rng.uniform(0, 3),
        )

    gang = 10 ** (rng.uniform(-0.5, 0.5) / 20)
    nominal, secondary = (15.0, 17.0) if line_rails == 2 else (12.0, 14.2)
    return Parts(
        line_rails=line_rails,
        nominal_volts=nominal,
        mains_hz=mains_hz,
        secondary_volts=secondary * rng.uniform(0.953, 1.047),
        winding_ohms=rng.uniform(0.5, 1.2),
        reservoir_farads=(3300e-6 * rng.uniform(0.8, 1.2), 2200e-6 * rng.uniform(0.8, 1.2)),
        reservoir_esr_ohms=(rng.uniform(0.04, 0.12), rng.uniform(0.04, 0.12)),
        digital_amperes=rng.uniform(0.15, 0.28),
        positive_volts=nominal * rng.uniform(0.97, 1.03),
        negative_volts=-nominal * rng.uniform(0.97, 1.03),
        rail_load_ohms=rng.uniform(270, 400),
        rejection=10 ** rng.uniform(-3.5, -2.8),
        leakage_amperes=rng.uniform(30e-6, 120e-6),
        sleeve_ohms=(rng.uniform(0.02, 0.1), rng.uniform(0.02, 0.1)),
        volume=rng.uniform(0.4, 0.6),
        left=channel(1.0),
        right=channel(gang),
    )


def _log(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _off_the_mains(rng: np.random.Generator, low: float, high: float) -> float:
    """A frequency in whole tens of hertz that no line of 50 Hz or 60 Hz lies on."""
    while True:
        hertz = 10 * round(_log(rng, low / 10, high / 10))
        if hertz % 50 and hertz % 60:
            return float(hertz)


def _one_side(
    parts: Parts, rng: np.random.Generator, change: Callable[[Channel], Channel]
) -> Parts:
    if rng.random() < 0.5:
        return replace(parts, left=change(parts.left))
    return replace(parts, right=change(parts.right))


def _reservoir(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    # Both capacitors of a supply have the same age and the same heat.
    share = _log(rng, 0.02, 0.05) if strong else _log(rng, 0.05, 0.07)
    positive = 3300e-6 * share * 50 / parts.mains_hz  # the same ripple at 50 and 60 Hz
    negative = 2200e-6 * _log(rng, 0.02, 0.3)
    esr = _log(rng, 0.5, 4.0), _log(rng, 0.3, 4.0)
    (more,) = rng.spawn(1)
    return replace(
        parts,
        reservoir_farads=(positive, negative),
        reservoir_esr_ohms=esr,
        # A dry one gets better when warm: common practice, no source.
        heat_farads=more.uniform(1.2, 1.8),
    )


def _diode(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    ohms = [0.05] * 4
    ohms[int(rng.integers(0, 2))] = 1e7  # one of the two that charge the loaded side
    # An open diode is heard when the reservoir behind it is no longer young.
    share = _log(rng, 0.04, 0.1) if strong else _log(rng, 0.1, 0.14)
    return replace(
        parts,
        diode_ohms=(ohms[0], ohms[1], ohms[2], ohms[3]),
        reservoir_farads=(3300e-6 * share, parts.reservoir_farads[1]),
    )


def _rail_missing(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    ohms = _log(rng, 5e4, 1e6) if strong else _log(rng, 5e3, 5e4)
    return replace(parts, joint_ohms=(ohms, 0.02) if rng.random() < 0.5 else (0.02, ohms))


def _rail_low(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    on_positive = rng.random() < 0.5
    # What lies between two rails is cut at 1.3 V below one, what lies on one rail at both ends.
    if on_positive and parts.line_rails == 1:
        volts = rng.uniform(4.5, 6.0) if strong else rng.uniform(6.0, 7.0)
    else:
        volts = rng.uniform(3.0, 4.2) if strong else rng.uniform(4.2, 5.2)
    if on_positive:
        return replace(parts, positive_volts=volts)
    return replace(parts, negative_volts=-volts)


def _rail_high(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    # Shorted, or with no reference, a regulator would give more than it gets; one that is set by
    # a resistor which has drifted gives some of that.
    volts = 100.0 if strong else parts.nominal_volts * rng.uniform(1.12, 1.3)
    if rng.random() < 0.5:
        return replace(parts, positive_volts=volts)
    return replace(parts, negative_volts=-volts)


def _oscillation(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    volts = _log(rng, 1.0, 3.0) if strong else _log(rng, 0.3, 0.8)
    return replace(
        parts,
        oscillation_volts=volts,
        oscillation_hz=_off_the_mains(rng, 2500, 15_000),
        bypass_farads=100e-6 * _log(rng, 0.002, 0.02),
    )


def _regulator_joint(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    # With 330 ohm and 100 uF the rail falls to a third in 33 ms: a shorter opening is not heard.
    lengths = (0.15, 0.35) if strong else (0.06, 0.15)
    spans = _moments(rng, lengths)
    ohms = _log(rng, 2e3, 1e6)
    (more,) = rng.spawn(1)
    return replace(
        parts, opening=Opening("rail +", spans, ohms), heat_opens=bool(more.random() < 0.5)
    )


def _coupling_lost(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    # Into 20 kohm: 0.1 uF has its corner at 80 Hz, 0.02 uF at 400 Hz.
    farads = _log(rng, 0.02e-6, 0.08e-6) if strong else _log(rng, 0.08e-6, 0.16e-6)
    if parts.line_rails == 2 and rng.random() < 0.3:
        # Behind this one lies 1 kohm to ground.
        return _one_side(parts, rng, lambda c: replace(c, phones_farads=20 * farads))
    return _one_side(parts, rng, lambda c: replace(c, coupling_farads=farads))


def _coupling_leaky(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    if parts.line_rails == 1:  # into 20 kohm instead of 1 kohm
        ohms = _log(rng, 1e4, 6e4) if strong else _log(rng, 6e4, 2.4e5)
        return _one_side(parts, rng, lambda c: replace(c, coupling_leak_ohms=ohms))
    ohms = _log(rng, 500, 3e3) if strong else _log(rng, 3e3, 12e3)
    return _one_side(parts, rng, lambda c: replace(c, phones_leak_ohms=ohms))


def _series(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    ohms = _log(rng, 1.5e4, 6e4) if strong else _log(rng, 6e3, 1.2e4)
    return _one_side(parts, rng, lambda c: replace(c, coupling_esr_ohms=ohms))


def _mute(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    amperes = _log(rng, 6e-6, 2e-5) if strong else _log(rng, 1e-6, 4e-6)
    return _one_side(parts, rng, lambda c: replace(c, mute_amperes=amperes))


def _stuck(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    # Of the way to the rail: the two-rail amplifier has a gain of two.
    volts = rng.uniform(10, 12) if strong else rng.uniform(8, 10)
    return _offset(parts, rng, volts if parts.line_rails == 2 else 0.55 * volts + 3)


def _off_centre(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    if parts.line_rails == 1:
        # Some 4.5 V to either limit, and a wave of 3 V or so.
        return _offset(parts, rng, rng.uniform(3.2, 3.6) if strong else rng.uniform(2.8, 3.2))
    return _offset(parts, rng, rng.uniform(6.0, 6.6) if strong else rng.uniform(5.6, 6.0))


def _offset(parts: Parts, rng: np.random.Generator, volts: float) -> Parts:
    signed = float(rng.choice([-1, 1])) * volts
    return _one_side(parts, rng, lambda c: replace(c, amplifier_offset_volts=signed))


def _crossover(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    volts = rng.uniform(0.0, 0.3) if strong else rng.uniform(0.4, 0.7)
    sides = [replace(c, phones_bias_volts=volts + rng.uniform(0, 0.1)) for c in parts.sides]
    return replace(parts, left=sides[0], right=sides[1])


def _jack(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    output = "main" if rng.random() < 0.6 else "phones"
    contact = f"tip {output} {rng.choice(SIDES)}"
    spans = _moments(rng, (0.05, 0.3) if strong else (0.004, 0.05))
    return replace(parts, opening=Opening(contact, spans, _log(rng, 1e5, 1e8)))


def _sleeve(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    ohms = _log(rng, 2e3, 1e6) if strong else _log(rng, 80, 300)
    if rng.random() < 0.6:
        return replace(parts, sleeve_ohms=(ohms, parts.sleeve_ohms[1]))
    return replace(parts, sleeve_ohms=(parts.sleeve_ohms[0], ohms))


def _sleeve_moved(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    contact = "sleeve main" if rng.random() < 0.6 else "sleeve phones"
    spans = _moments(rng, (0.15, 0.35))
    ohms = _log(rng, 1e4, 1e6) if strong else _log(rng, 1e3, 1e4)
    return replace(parts, opening=Opening(contact, spans, ohms))


def _moments(
    rng: np.random.Generator, lengths: tuple[float, float]
) -> tuple[tuple[float, float], ...]:
    """Two openings within the held note, each in a half of its first part: it settles after."""
    half = 0.42 * HELD_SECONDS
    spans = []
    for first in (0.02, 0.02 + half):
        length = min(_log(rng, *lengths), half - 0.03)
        start = first + rng.uniform(0, half - 0.02 - length)
        spans.append((start, start + length))
    return tuple(spans)


def _pot(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    width = rng.uniform(0.04, 0.12) if strong else rng.uniform(0.02, 0.04)
    start = rng.uniform(0.2, 0.85 - width)
    worn = ((start, start + width),)
    ohms = _log(rng, 2e5, 1e7) if strong else _log(rng, 4e4, 2e5)

    def wear(channel: Channel) -> Channel:
        return replace(channel, worn=worn, worn_ohms=ohms)

    if rng.random() < 0.5:
        return _one_side(parts, rng, wear)
    return replace(parts, left=wear(parts.left), right=wear(parts.right))


def _inverter(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    volts = _log(rng, 3e-3, 2e-2) if strong else _log(rng, 6e-4, 2e-3)
    return replace(parts, inverter_volts=volts, inverter_hz=_off_the_mains(rng, 370, 910))


def _noisy(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    volts = _log(rng, 5e-4, 3e-3) if strong else _log(rng, 1e-4, 3e-4)
    # A junction that hisses leaks, and leakage doubles every 10 degrees (textbook); what it makes
    # of 20 to 40 degrees more: its noise grows with the root of that.
    (more,) = rng.spawn(1)
    grows = 2 ** (more.uniform(20, 40) / 20)
    return _one_side(parts, rng, lambda c: replace(c, noise_volts=volts, heat_noise=grows))


def _noisy_source(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    # Half of it comes to the outputs, whose loud note has some volts: -70 to -60 dB are heard.
    volts = _log(rng, 5e-3, 2e-2) if strong else _log(rng, 1.6e-3, 5e-3)

    def hiss(channel: Channel) -> Channel:
        return replace(channel, source_noise_volts=volts)

    if rng.random() < 0.5:
        return _one_side(parts, rng, hiss)
    return replace(parts, left=hiss(parts.left), right=hiss(parts.right))


def _loop(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    amperes = _log(rng, 20e-3, 80e-3) if strong else _log(rng, 8e-3, 20e-3)
    ohms = rng.uniform(0.15, 0.4)  # of the sleeve contact and the cable's screen
    return replace(parts, leakage_amperes=amperes, sleeve_ohms=(ohms, ohms))


def _voice(parts: Parts, strong: bool, rng: np.random.Generator) -> Parts:
    drive = rng.uniform(0.8, 2.5) if strong else rng.uniform(0.2, 0.5)
    return replace(parts, voice_drive=drive, voice_lean=rng.uniform(-0.6, 0.6))


FAULTS: dict[str, Drawer] = {
    "reservoir": _reservoir,
    "diode": _diode,
    "rail missing": _rail_missing,
    "rail low": _rail_low,
    "rail high": _rail_high,
    "oscillation": _oscillation,
    "regulator joint": _regulator_joint,
    "coupling lost": _coupling_lost,
    "coupling leaky": _coupling_leaky,
    "series resistance": _series,
    "mute": _mute,
    "stuck": _stuck,
    "off centre": _off_centre,
    "crossover": _crossover,
    "jack": _jack,
    "sleeve": _sleeve,
    "loose sleeve": _sleeve_moved,
    "pot": _pot,
    "inverter": _inverter,
    "noisy": _noisy,
    "noisy source": _noisy_source,
    "ground loop": _loop,
    "voice": _voice,
}
"""How to draw each fault, by the key of the cause that it is."""


def seen_at(sound: Parts, faulty: Parts) -> tuple[str, ...]:
    """The outputs at which a fault can be seen: by what differs from the good instrument."""
    behind_negative = "main" if sound.line_rails == 2 else "phones"
    found = set()
    for field in fields(Parts):
        before, after = getattr(sound, field.name), getattr(faulty, field.name)
        if before == after:
            continue
        if field.name in ("left", "right"):
            found |= {o for x in fields(Channel) for o in _channel_part(before, after, x.name)}
        elif field.name == "opening":
            found |= {o for o in OUTPUTS if o in after.contact} or set(OUTPUTS)
        elif field.name == "sleeve_ohms":
            found |= {o for o, b, a in zip(OUTPUTS, before, after, strict=True) if a != b}
        elif field.name == "negative_volts" or (
            field.name == "joint_ohms" and before[0] == after[0]
        ):
            found.add(behind_negative)
        else:
            return OUTPUTS
    return tuple(o for o in OUTPUTS if o in found)


def _channel_part(before: Channel, after: Channel, part: str) -> set[str]:
    if getattr(before, part) == getattr(after, part):
        return set()
    if part.startswith("phones"):
        return {"phones"}
    if part.startswith(("coupling", "mute", "amplifier")):
        return {"main"}
    return set(OUTPUTS)
