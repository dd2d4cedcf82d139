"""What the rig's full scale is in volts: found with a multimeter, used, and seen to still hold.

A sine is played and the multimeter reads it at the output: that calibrates the output. The same
sine then goes through a loopback cable into each input: that calibrates the inputs. All levels in
dBFS become levels in dBu, dBV and volts by adding one number.
"""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from sigbench.errors import RequestError, SignalError
from sigbench.interface.base import Interface
from sigbench.measure.estimate import Estimate
from sigbench.model import (
    Calibration,
    CheckSettings,
    FullScale,
    Meter,
    Reading,
    Samples,
    readings_named,
)
from sigbench.rig.takes import whole_take
from sigbench.units import (
    NEPER_DB,
    db_to_ratio,
    dbu_to_volts,
    volts_to_dbu,
)

TONE_HZ = 400.0  # the AC ranges of simple multimeters end there: common practice, no source
TONE_DBFS = -12.0  # loud enough for a meter, and no interface clips its own input at usual gains
SETTLE_SECONDS = 0.5
TONE_SECONDS = 1.0
USUAL_METER = "1.0% + 3"  # of simple multimeters on AC volts at 400 Hz: common practice, no source

# At -12 dBFS no line output plays more, nor less that a meter reads: common practice, no source
MOST_VOLTS, LEAST_VOLTS = 30.0, 1e-3

# The meter reads an output that carries nothing, the input loads it. An output of up to 200 ohm
# into an input of 10 kilohm or more loses 0 to 0.17 dB: common practice, no source.
LOADING_DB = 0.17
PLUGGING_DB = 0.01  # standard uncertainty from plugging a cable anew: common practice, no source

MOVED_DB = 0.2  # a gain control that was touched moves further: common practice, no source
OLD_DAYS = 365  # usual interval for a multimeter, common practice, no source
CROSSTALK_DB = 30.0  # a channel this far below the loudest is not the one the cable goes to
QUIETEST_LOOP_DBFS = -60.0  # what comes back below this is crosstalk or hum, no loopback


def calibration_tone(samplerate: int, output: int, outputs: int, *, seconds: float) -> Samples:
    """The sine for one output, silence on the others, of shape (frames, outputs)."""
    frames = np.arange(round(seconds * samplerate))
    tone = np.zeros((len(frames), outputs))
    amplitude = db_to_ratio(TONE_DBFS)
    tone[:, output - 1] = amplitude * np.sin(2 * np.pi * TONE_HZ / samplerate * frames)
    return tone


def meter_reading(text: str) -> tuple[float, float]:
    """Volts RMS as read off a meter, and one step of its last digit: ``1.234`` → (1.234, 0.001).

    Raises
    ------
    RequestError
        If it is no voltage that a line output plays.
    """
    plain = text.strip().replace(",", ".")
    match = re.fullmatch(r"(\d*\.?\d+|\d+\.)\s*(mv|v)?", plain, re.IGNORECASE)
    if match is None or float(match[1]) <= 0:
        raise RequestError(
            f"'{text}' is no AC voltage: type what the meter shows, such as 0.436 or 436 mV."
        )
    scale = 1e-3 if (match[2] or "v").lower() == "mv" else 1.0
    volts = float(match[1]) * scale
    if not LEAST_VOLTS <= volts <= MOST_VOLTS:
        raise RequestError(
            f"'{text}' is {volts:g} V, which no line output plays: look whether the meter shows "
            "mV, and type that behind the number."
        )
    _, point, decimals = match[1].partition(".")
    return volts, (10.0 ** -len(decimals) if point else 1.0) * scale


def meter_accuracy(text: str) -> tuple[float, int]:
    """Accuracy as a meter's manual gives it: ``1.0% + 3`` → (1.0, 3).

    Raises
    ------
    RequestError
        If it is not of that form.
    """
    plain = text.strip().replace(",", ".").lstrip("±").strip("()")
    match = re.fullmatch(r"(\d*\.?\d+)\s*%(?:\s*\+\s*(\d+)\s*(?:digits?|d|dgt)?)?", plain)
    if match is None:
        raise RequestError(
            f"'{text}' is no accuracy of a meter: write it as its manual does, such as '1.0% + 3' "
            "(percent of the reading, and digits)."
        )
    return float(match[1]), int(match[2] or 0)


def output_full_scale(
    channel: int, volts: float, step: float, meter: Meter, *, loaded: bool = False
) -> FullScale:
    """What 0 dBFS at an output is, from the meter's reading of the calibration tone.

    Parameters
    ----------
    volts : float
        RMS reading, in volts.
    step : float
        One step of the meter's last digit, in volts.
    loaded : bool
        Whether the loopback cable was plugged into the input meanwhile: then what the input
        takes off is in the reading already.

    Notes
    -----
    The meter's accuracy bounds a rectangular distribution: u = a/sqrt(3) (GUM, JCGM 100:2008,
    4.3.7). Half of what the input may take off is allowed for, and its half-width as well.
    """
    if not (math.isfinite(volts) and volts > 0):
        raise RequestError(f"{volts:g} V is no reading of a sine: measure on the AC volts range.")
    half_width = meter.accuracy_percent / 100 * volts + (meter.digits + 0.5) * step
    u = NEPER_DB * half_width / volts / math.sqrt(3)
    loading = 0.0 if loaded else LOADING_DB / 2
    dbu = float(volts_to_dbu(volts)) - TONE_DBFS - loading
    return FullScale(channel, dbu, math.hypot(u, loading / math.sqrt(3)))


def input_full_scale(channel: int, output: FullScale, loop: Estimate) -> FullScale:
    """What 0 dBFS at an input is, from the level at which the calibration tone came back.

    Parameters
    ----------
    output : FullScale
        Of the output that the cable comes from.
    loop : Estimate
        Level of the tone at the input, in dBFS.
    """
    dbu = output.dbu + TONE_DBFS - loop.value
    return FullScale(channel, dbu, math.hypot(output.uncertainty, loop.uncertainty, PLUGGING_DB))


def listen(interface: Interface, output: int, outputs: int) -> dict[int, Reading]:
    """Play the calibration tone on one output: its level as each input hears it.

    Returns
    -------
    dict of int to Reading
        ``tone_level`` of each input, invalid with its reason where the tone is not there or the
        input was overloaded.

    Raises
    ------
    SignalError
        If the computer lost audio again and again.
    """
    from sigbench.checks import measure

    tone = calibration_tone(
        interface.samplerate, output, outputs, seconds=TONE_SECONDS + 2 * SETTLE_SECONDS
    )
    take = whole_take(interface, seconds=TONE_SECONDS, stimulus=tone, settle=SETTLE_SECONDS)
    found = measure(take, "tone", CheckSettings(frequency_hz=TONE_HZ)).readings
    return {r.channel: r for r in readings_named(found, "tone_level") if r.channel is not None}


def loop_level(channel: int, heard: Mapping[int, Reading]) -> Estimate:
    """Level in dBFS at which the calibration tone came back at an input.

    Raises
    ------
    SignalError
        If it did not, with the reason and what to do.
    """
    reading = heard[channel]
    if not isinstance(reading.value, float | int):
        raise SignalError(
            f"Input {channel} does not hear the calibration tone ({reading.why}): check that the "
            f"loopback cable joins output {channel} and input {channel}, then try again."
        )
    if reading.value < QUIETEST_LOOP_DBFS:
        raise SignalError(
            f"Input {channel} hears the calibration tone at only {reading.value:.0f} dBFS: check "
            f"that the loopback cable joins output {channel} and input {channel}, and turn the "
            "gain up."
        )
    assert isinstance(reading.uncertainty, float | int)
    return Estimate(float(reading.value), float(reading.uncertainty))


def holds(made: str, samplerate: int, gain: str, *, at_rate: int, at_gain: str) -> str | None:
    """Why figures made at one rate and gain do not hold at others; None where they do.

    Parameters
    ----------
    made : str
        What was made: ``calibration`` or ``limits``.
    samplerate, gain
        Of then.
    at_rate, at_gain
        Of now.
    """
    was = "was" if made == "calibration" else "were"
    if samplerate != at_rate:
        return f"the rig's {made} {was} made at {samplerate} Hz, and the rig runs at {at_rate} Hz"
    if gain.strip().casefold() != at_gain.strip().casefold():
        return (
            f"the rig's {made} {was} made with the gain at '{gain or 'not stated'}', "
            f"and it stands at '{at_gain or 'not stated'}'"
        )
    return None


def age_in_days(date: str, now: datetime) -> float:
    """Days since an ISO 8601 date with offset."""
    return (now - datetime.fromisoformat(date)).total_seconds() / 86_400


# --- does it still hold? ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LoopCheck:
    """What the loopback test says of a calibration.

    Parameters
    ----------
    problems : tuple of str
        One sentence each: what does not hold any more, and what to do. Empty where all is well.
    remarks : tuple of str
        What to know that is no problem.
    shifts : tuple of (int, float)
        For each input, by how many dB it reads more than its calibration says.
    """

    problems: tuple[str, ...]
    remarks: tuple[str, ...]
    shifts: tuple[tuple[int, float], ...]

    @property
    def fine(self) -> bool:
        """Whether the calibration still holds."""
        return not self.problems


def check_loop(
    interface: Interface,
    calibration: Calibration,
    *,
    gain: str,
    outputs: int,
    now: datetime,
) -> LoopCheck:
    """Play the calibration tone from each calibrated output in turn, and see where it comes back.

    Output 1 is joined to input 1, output 2 to input 2, and so on. Takes about two seconds an
    output.

    Parameters
    ----------
    gain : str
        Where the gain control is said to stand now.
    outputs : int
        How many outputs the rig has.
    now : datetime
        With offset, for the age of the calibration.
    """
    stale = holds(
        "calibration",
        calibration.samplerate,
        calibration.gain,
        at_rate=interface.samplerate,
        at_gain=gain,
    )
    problems = [] if stale is None else [f"{stale}: calibrate again for these settings."]
    shifts: list[tuple[int, float]] = []
    for output in calibration.outputs:
        levels = _loud(listen(interface, output.channel, outputs))
        expected = next((i for i in calibration.inputs if i.channel == output.channel), None)
        if output.channel in levels and expected is not None:
            shift = levels[output.channel] - (output.dbu + TONE_DBFS - expected.dbu)
            shifts.append((output.channel, shift))
            if abs(shift) > MOVED_DB:
                problems.append(
                    f"input {output.channel} reads {shift:+.2f} dB against its calibration: its "
                    "gain control, or a volume in the computer, was moved; set it back, or "
                    "calibrate again."
                )
        elif levels and output.channel not in levels:
            problems.append(
                f"the tone of output {output.channel} comes back at input "
                f"{' and '.join(map(str, levels))}: the cables, or the channels in the computer, "
                "are not where they were at the calibration."
            )
        elif not levels:
            problems.append(
                f"the tone of output {output.channel} comes back nowhere: check the loopback "
                f"cable from output {output.channel} to input {output.channel}, and the gain."
            )
    days = age_in_days(calibration.date, now)
    remarks = []
    if days > OLD_DAYS:
        remarks.append(
            f"the calibration is {days / 30.44:.0f} months old: once a year is usual; calibrate "
            "again with a meter that you trust."
        )
    return LoopCheck(tuple(problems), tuple(remarks), tuple(shifts))


def _loud(heard: Mapping[int, Reading]) -> dict[int, float]:
    """Level of the tone by input, without those that hear no more than crosstalk of it."""
    levels = {c: float(r.value) for c, r in heard.items() if isinstance(r.value, float | int)}
    loudest = max(levels.values(), default=0.0)
    least = max(QUIETEST_LOOP_DBFS, loudest - CROSSTALK_DB)
    return {channel: level for channel, level in levels.items() if level >= least}


def calibrate(
    interface: Interface,
    outputs: Sequence[FullScale],
    *,
    of_outputs: int,
    gain: str,
    meter: Meter,
    date: str,
) -> Calibration:
    """Calibrate every input whose cable comes from the output of its own number.

    Parameters
    ----------
    outputs : sequence of FullScale
        Those that the meter has read.
    of_outputs : int
        How many outputs the rig has.

    Raises
    ------
    SignalError
        If the tone does not come back as it should, with the input it concerns.
    """
    inputs = [
        input_full_scale(
            output.channel,
            output,
            loop_level(output.channel, listen(interface, output.channel, of_outputs)),
        )
        for output in outputs
        if output.channel <= interface.channels
    ]
    return Calibration(
        date, interface.samplerate, gain, TONE_HZ, meter, tuple(outputs), tuple(inputs)
    )


def tone_volts(output: FullScale) -> float:
    """What the meter should read of the calibration tone at a calibrated output, in volts RMS."""
    return float(dbu_to_volts(output.dbu + TONE_DBFS))
