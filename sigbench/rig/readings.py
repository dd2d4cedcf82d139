"""What a measurement becomes once the rig is known: levels in volts, and what is the rig's own."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from sigbench.model import Calibration, FullScale, Measurement, Reading, Rig, RigLimits
from sigbench.rig.calibration import PLUGGING_DB
from sigbench.units import NEPER_DB, dbu_to_dbv, dbu_to_volts

RIG_LIMITED_DB = 6.0
"""A reading this near to what the rig does by itself is an upper bound: at most half is the unit's,
in voltage, and as noise a quarter of the power is the rig's."""

RIG_LIMITED = "within 6 dB of what the rig does by itself"

BY_LEVEL = {"thd": "thd_by_level", "thd_n": "thd_n_by_level", "sinad": "thd_n_by_level"}
"""Limits that depend on the level of the tone: lists of [level in dBFS, dB]."""

_IN_SILENCE = (
    "level_rms",
    "level_peak",
    "level_true_peak",
)  # the rig's own only where nothing plays
_ALWAYS = (
    "noise_rms",
    "noise_a",
    "noise_468",
    "hum_1x",
    "hum_2x",
    "hum_total",
    "crosstalk",
)
_PEAKS = ("level_peak", "level_true_peak")
_OF_A_SINE = "of the sine with this peak"


def as_heard_by(rig: Rig, measurement: Measurement) -> Measurement:
    """The measurement with what the rig's limits and calibration have to say of it."""
    limits = rig.limits
    if limits is not None and rig.calibration is not None:
        # The difference of the inputs is known then, and taken out.
        limits = replace(limits, readings=tuple(r for r in limits.readings if r.name != "balance"))
    if limits is not None:
        measurement = against_limits(measurement, limits)
    if rig.calibration is not None:
        measurement = in_volts(measurement, rig.calibration)
    return measurement


def in_volts(measurement: Measurement, calibration: Calibration) -> Measurement:
    """The measurement with every level in dBFS given in dBu, dBV and volts RMS as well.

    A difference between channels is freed from the difference of the inputs. A peak is given as
    the level of the sine that has this peak, and not in volts RMS, for which it has no meaning.

    Notes
    -----
    Uncertainties are combined in quadrature (GUM 5.1.2). The two inputs were calibrated with the
    same meter and cable, so their difference knows nothing of either's error.
    """
    inputs = {full_scale.channel: full_scale for full_scale in calibration.inputs}
    readings: list[Reading] = []
    for reading in measurement.readings:
        if reading.name == "balance" and reading.channels is not None:
            readings.append(_freed(reading, inputs))
            continue
        readings.append(reading)
        if reading.unit == "dBFS" and reading.channel in inputs:
            readings += _outside(reading, inputs[reading.channel])
    return replace(measurement, readings=tuple(readings))


def _outside(reading: Reading, full_scale: FullScale) -> list[Reading]:
    """A level in dBFS, in the units of the world outside."""
    if isinstance(reading.value, tuple):
        pairs = tuple((f, v + full_scale.dbu) for f, v in reading.value)  # type: ignore[misc]
        own = reading.uncertainty if isinstance(reading.uncertainty, tuple) else ()
        spread = tuple(math.hypot(u, full_scale.uncertainty) for u in own)
        return [replace(reading, value=pairs, unit="dBu", uncertainty=spread or None)]
    peak = reading.name in _PEAKS
    units = ("dBu", "dBV") if peak else ("dBu", "dBV", "V")
    if reading.value is None:
        return [replace(reading, unit=unit) for unit in units]
    dbu = reading.value + full_scale.dbu
    own_u = reading.uncertainty
    u = math.hypot(own_u, full_scale.uncertainty) if isinstance(own_u, float | int) else None
    volts = float(dbu_to_volts(dbu))
    values = {
        "dBu": (dbu, u),
        "dBV": (float(dbu_to_dbv(dbu)), u),
        "V": (volts, None if u is None else volts * u / NEPER_DB),
    }
    why = "; ".join(filter(None, (reading.why, _OF_A_SINE if peak else None))) or None
    return [
        replace(reading, value=values[unit][0], unit=unit, uncertainty=values[unit][1], why=why)
        for unit in units
    ]


def _freed(balance: Reading, inputs: Mapping[int, FullScale]) -> Reading:
    """Left minus right at the jacks, not at the converters."""
    assert balance.channels is not None
    left, right = (inputs.get(channel) for channel in balance.channels)
    if left is None or right is None or not isinstance(balance.value, float | int):
        return balance
    shift = left.dbu - right.dbu
    own = balance.uncertainty if isinstance(balance.uncertainty, float | int) else 0.0
    remark = f"the inputs differ by {shift:+.2f} dB, which is allowed for"
    return replace(
        balance,
        value=balance.value + shift,
        uncertainty=math.hypot(own, PLUGGING_DB * math.sqrt(2)),
        why="; ".join(filter(None, (balance.why, remark))),
    )


def against_limits(measurement: Measurement, limits: RigLimits) -> Measurement:
    """The measurement with ``rig-limited`` readings where the rig does hardly better by itself.

    Notes
    -----
    Distortion is held against the rig's own at the level of the note, between the levels that were
    measured. Below the lowest of them the rig's noise, which stays, is a larger share; above the
    highest nothing is known, and the figure of the highest is taken.
    """
    own = {(r.name, r.channel): r for r in limits.readings}
    own_pairs = {r.channels: r for r in limits.readings if r.name == "balance"}
    tones = {
        r.channel: float(r.value)
        for r in measurement.readings
        if r.name == "tone_level" and isinstance(r.value, float | int)
    }
    names = (*_ALWAYS, *(_IN_SILENCE if measurement.check == "idle" else ()))

    def limited(reading: Reading) -> Reading:
        if reading.state != "ok" or reading.value is None:
            return reading
        if reading.name in BY_LEVEL and reading.channel in tones:
            by_level = own.get((BY_LEVEL[reading.name], reading.channel))
            return _against_course(reading, by_level, tones[reading.channel])
        if reading.name == "balance":
            return _against_balance(reading, own_pairs.get(reading.channels))
        if reading.name == "spurs":
            return _against_spurs(reading, own.get(("spurs", reading.channel)))
        if reading.name in names:
            return _against_value(reading, own.get((reading.name, reading.channel)))
        return reading

    return replace(measurement, readings=tuple(map(limited, measurement.readings)))


def _against_value(reading: Reading, own: Reading | None) -> Reading:
    if own is None or not isinstance(own.value, float | int):
        return reading
    return _judged(reading, float(own.value))


def _against_course(reading: Reading, own: Reading | None, level: float) -> Reading:
    if own is None or not isinstance(own.value, tuple) or not own.value:
        return reading
    levels, values = np.array(own.value).T
    order = np.argsort(levels)
    levels, values = levels[order], values[order]
    expected = float(np.interp(level, levels, values)) + max(0.0, float(levels[0]) - level)
    return _judged(reading, expected)


def _judged(reading: Reading, own: float) -> Reading:
    """Rig-limited if the value, in the decibels that the rig's own is in, is not clear of it."""
    assert isinstance(reading.value, float | int)
    value = float(reading.value)
    if reading.unit == "%":
        value = 20 * math.log10(value / 100) if value > 0 else -math.inf
    elif reading.name == "sinad":
        value = -value
    if value >= own + RIG_LIMITED_DB:
        return reading
    return _marked(reading)


def _against_balance(reading: Reading, own: Reading | None) -> Reading:
    if own is None or not isinstance(own.value, float | int):
        return reading
    assert isinstance(reading.value, float | int)
    if abs(reading.value) >= 10 ** (RIG_LIMITED_DB / 20) * abs(own.value):
        return reading
    return _marked(reading)


def _against_spurs(reading: Reading, own: Reading | None) -> Reading:
    """Tones that the rig has by itself: all of them, or some."""
    if own is None or not isinstance(own.value, tuple) or not isinstance(reading.value, tuple):
        return reading
    mine = [
        f
        for f, level in _pairs(reading)
        if any(
            abs(f - g) <= max(_SAME_TONE_HZ, _SAME_TONE * f) and level < rig + RIG_LIMITED_DB
            for g, rig in _pairs(own)
        )
    ]
    if not mine:
        return reading
    if len(mine) == len(reading.value):
        return _marked(reading)
    told = ", ".join(f"{f:.1f}" for f in mine)
    remark = f"the rig has a tone at {told} Hz by itself"
    return replace(reading, why="; ".join(filter(None, (reading.why, remark))))


_SAME_TONE_HZ = 1.0  # an oscillator stays this near to where it was
_SAME_TONE = 1e-3


def _pairs(reading: Reading) -> Sequence[tuple[float, float]]:
    return reading.value  # type: ignore[return-value]


def _marked(reading: Reading) -> Reading:
    return replace(
        reading,
        state="rig-limited",
        upper_bound=not isinstance(reading.value, tuple)
        and reading.name not in ("balance", "sinad"),
        why="; ".join(filter(None, (reading.why, RIG_LIMITED))),
    )
