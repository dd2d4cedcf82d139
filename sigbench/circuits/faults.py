"""Faults of the circuit: other values of its parts, drawn with tolerances, mild or strong."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from sigbench.circuits.instrument import Channel, Parts

SEVERITIES = ("mild", "strong")


@dataclass(frozen=True, slots=True)
class Draw:
    """One faulty instrument.

    Parameters
    ----------
    parts : Parts
    outputs : tuple of str
        The outputs at which the fault can be seen at all.
    """

    parts: Parts
    outputs: tuple[str, ...]


Drawer = Callable[[Parts, bool, np.random.Generator], Draw]


def good(rng: np.random.Generator, mains_hz: float) -> Parts:
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
            gang=gang,
            noise_volts=4e-6 * 2 ** rng.uniform(0, 2),
        )

    gang = 10 ** (rng.uniform(-0.5, 0.5) / 20)
    return Parts(
        mains_hz=mains_hz,
        secondary_volts=rng.uniform(16.2, 17.8),
        winding_ohms=rng.uniform(0.5, 1.2),
        reservoir_farads=(3300e-6 * rng.uniform(0.8, 1.2), 2200e-6 * rng.uniform(0.8, 1.2)),
        reservoir_esr_ohms=(rng.uniform(0.04, 0.12), rng.uniform(0.04, 0.12)),
        digital_amperes=rng.uniform(0.15, 0.28),
        positive_volts=15 * rng.uniform(0.97, 1.03),
        negative_volts=-15 * rng.uniform(0.97, 1.03),
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


def _one_side(parts: Parts, rng: np.random.Generator, change: dict[str, float]) -> Parts:
    if rng.random() < 0.5:
        return replace(parts, left=replace(parts.left, **change))
    return replace(parts, right=replace(parts.right, **change))


def _reservoir(parts: Parts, strong: bool, rng: np.random.Generator) -> Draw:
    # Both capacitors of a supply have the same age and the same heat.
    share = _log(rng, 0.02, 0.05) if strong else _log(rng, 0.05, 0.07)
    positive = 3300e-6 * share * 50 / parts.mains_hz  # the same ripple at 50 and 60 Hz
    negative = 2200e-6 * _log(rng, 0.02, 0.3)
    esr = _log(rng, 0.5, 4.0), _log(rng, 0.3, 4.0)
    faulty = replace(parts, reservoir_farads=(positive, negative), reservoir_esr_ohms=esr)
    return Draw(faulty, ("main", "phones"))


def _diode(parts: Parts, strong: bool, rng: np.random.Generator) -> Draw:
    ohms = [0.05] * 4
    ohms[int(rng.integers(0, 2))] = 1e7  # one of the two that charge the loaded side
    # An open diode is heard when the reservoir behind it is no longer young.
    share = _log(rng, 0.04, 0.1) if strong else _log(rng, 0.1, 0.14)
    faulty = replace(
        parts,
        diode_ohms=(ohms[0], ohms[1], ohms[2], ohms[3]),
        reservoir_farads=(3300e-6 * share, parts.reservoir_farads[1]),
    )
    return Draw(faulty, ("main", "phones"))


def _rail_missing(parts: Parts, strong: bool, rng: np.random.Generator) -> Draw:
    ohms = _log(rng, 5e4, 1e6) if strong else _log(rng, 5e3, 5e4)
    joint = (ohms, 0.02) if rng.random() < 0.5 else (0.02, ohms)
    outputs = ("main", "phones") if joint[0] > 1 else ("main",)
    return Draw(replace(parts, joint_ohms=joint), outputs)


def _rail_low(parts: Parts, strong: bool, rng: np.random.Generator) -> Draw:
    volts = rng.uniform(3.0, 4.2) if strong else rng.uniform(4.2, 5.2)
    if rng.random() < 0.5:
        return Draw(replace(parts, positive_volts=volts), ("main", "phones"))
    return Draw(replace(parts, negative_volts=-volts), ("main",))


def _oscillation(parts: Parts, strong: bool, rng: np.random.Generator) -> Draw:
    volts = _log(rng, 1.0, 3.0) if strong else _log(rng, 0.3, 0.8)
    faulty = replace(
        parts,
        oscillation_volts=volts,
        oscillation_hz=_off_the_mains(rng, 2500, 15_000),
        bypass_farads=100e-6 * _log(rng, 0.002, 0.02),
    )
    return Draw(faulty, ("main", "phones"))


def _coupling_lost(parts: Parts, strong: bool, rng: np.random.Generator) -> Draw:
    # Into 20 kohm: 0.1 uF has its corner at 80 Hz, 0.02 uF at 400 Hz.
    farads = _log(rng, 0.02e-6, 0.08e-6) if strong else _log(rng, 0.08e-6, 0.16e-6)
    return Draw(_one_side(parts, rng, {"coupling_farads": farads}), ("main",))


def _coupling_leaky(parts: Parts, strong: bool, rng: np.random.Generator) -> Draw:
    ohms = _log(rng, 500, 3e3) if strong else _log(rng, 3e3, 12e3)
    return Draw(_one_side(parts, rng, {"phones_leak_ohms": ohms}), ("phones",))


def _series(parts: Parts, strong: bool, rng: np.random.Generator) -> Draw:
    ohms = _log(rng, 1.5e4, 6e4) if strong else _log(rng, 6e3, 1.2e4)
    return Draw(_one_side(parts, rng, {"coupling_esr_ohms": ohms}), ("main",))


def _mute(parts: Parts, strong: bool, rng: np.random.Generator) -> Draw:
    amperes = _log(rng, 6e-6, 2e-5) if strong else _log(rng, 1e-6, 4e-6)
    return Draw(_one_side(parts, rng, {"mute_amperes": amperes}), ("main",))


def _stuck(parts: Parts, strong: bool, rng: np.random.Generator) -> Draw:
    return _offset(parts, rng, rng.uniform(10, 12) if strong else rng.uniform(8, 10))


def _off_centre(parts: Parts, strong: bool, rng: np.random.Generator) -> Draw:
    return _offset(parts, rng, rng.uniform(6.0, 6.6) if strong else rng.uniform(5.6, 6.0))


def _offset(parts: Parts, rng: np.random.Generator, volts: float) -> Draw:
    signed = float(rng.choice([-1, 1])) * volts
    return Draw(_one_side(parts, rng, {"amplifier_offset_volts": signed}), ("main",))


def _crossover(parts: Parts, strong: bool, rng: np.random.Generator) -> Draw:
    volts = rng.uniform(0.0, 0.3) if strong else rng.uniform(0.4, 0.7)
    sides = [replace(c, phones_bias_volts=volts + rng.uniform(0, 0.1)) for c in parts.sides]
    return Draw(replace(parts, left=sides[0], right=sides[1]), ("phones",))


def _sleeve(parts: Parts, strong: bool, rng: np.random.Generator) -> Draw:
    ohms = _log(rng, 2e3, 1e6) if strong else _log(rng, 80, 300)
    if rng.random() < 0.6:
        return Draw(replace(parts, sleeve_ohms=(ohms, parts.sleeve_ohms[1])), ("main",))
    return Draw(replace(parts, sleeve_ohms=(parts.sleeve_ohms[0], ohms)), ("phones",))


def _inverter(parts: Parts, strong: bool, rng: np.random.Generator) -> Draw:
    volts = _log(rng, 3e-3, 2e-2) if strong else _log(rng, 6e-4, 2e-3)
    hertz = _off_the_mains(rng, 370, 910)
    return Draw(replace(parts, inverter_volts=volts, inverter_hz=hertz), ("main", "phones"))


def _noisy(parts: Parts, strong: bool, rng: np.random.Generator) -> Draw:
    volts = _log(rng, 5e-4, 3e-3) if strong else _log(rng, 1e-4, 3e-4)
    return Draw(_one_side(parts, rng, {"noise_volts": volts}), ("main", "phones"))


def _loop(parts: Parts, strong: bool, rng: np.random.Generator) -> Draw:
    amperes = _log(rng, 20e-3, 80e-3) if strong else _log(rng, 8e-3, 20e-3)
    ohms = rng.uniform(0.15, 0.4)  # of the sleeve contact and the cable's screen
    faulty = replace(parts, leakage_amperes=amperes, sleeve_ohms=(ohms, ohms))
    return Draw(faulty, ("main", "phones"))


STEADY_FAULTS: dict[str, Drawer] = {
    "reservoir": _reservoir,
    "diode": _diode,
    "rail missing": _rail_missing,
    "rail low": _rail_low,
    "oscillation": _oscillation,
    "coupling lost": _coupling_lost,
    "coupling leaky": _coupling_leaky,
    "series resistance": _series,
    "mute": _mute,
    "stuck": _stuck,
    "off centre": _off_centre,
    "crossover": _crossover,
    "sleeve": _sleeve,
    "inverter": _inverter,
    "noisy": _noisy,
    "ground loop": _loop,
}
"""Faults that are there all the time, by the name of their cause."""
