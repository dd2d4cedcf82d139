"""What the page of the rig shows: what it is, what is known of it, and what comes next."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from sigbench.errors import DeviceNotFound
from sigbench.interface.devices import Device, recall_device
from sigbench.live.procedure import Kind
from sigbench.model import RigSetup
from sigbench.rig.calibration import OLD_DAYS, age_in_days, holds
from sigbench.rig.choose import SIMULATED_RIG
from sigbench.rig.path_advice import WHAT_TO_DO, System
from sigbench.rig.wording import FINDING_TITLES, calibration_sentences, limit_sentences, titles_of

Mark = Literal["done", "to do", "left aside", "found"]


@dataclass(frozen=True, slots=True)
class State:
    """How far one thing about the rig is.

    Parameters
    ----------
    key, title : str
    mark : str
        In a word or two.
    words : str
        In a sentence.
    lines : tuple of str
        The figures.
    next : str
        What to do next, in a sentence.
    begins : tuple of (str, str)
        Procedures that can be begun, with the words of their buttons.
    """

    key: str
    title: str
    mark: Mark
    words: str
    lines: tuple[str, ...]
    next: str
    begins: tuple[tuple[Kind, str], ...]


@dataclass(frozen=True, slots=True)
class RigView:
    """The rig in use."""

    name: str
    facts: tuple[tuple[str, str], ...]
    states: tuple[State, ...]
    simulated: bool


def rig_view(setup: RigSetup, now: datetime, system: System) -> RigView:
    """All about a rig; `now` with offset, `system` that of this computer."""
    return RigView(
        setup.name,
        facts_of(setup),
        (
            put_together(setup),
            tested(setup, system),
            calibrated(setup, now),
            limited(setup),
        ),
        setup.device == SIMULATED_RIG,
    )


def facts_of(setup: RigSetup) -> tuple[tuple[str, str], ...]:
    """How it is put together, in pairs."""
    facts = [
        ("Device", f"{setup.device} ({setup.host})"),
        ("Output device", f"{setup.play_device} ({setup.play_host})" if setup.play_device else ""),
        ("Sample rate", f"{setup.samplerate / 1000:g} kHz"),
        ("Inputs", ", ".join(map(str, setup.inputs))),
        ("Outputs", ", ".join(map(str, setup.outputs)) or "none"),
        ("Gain control", setup.gain or "not stated"),
        (
            "Pilot tone",
            f"output {setup.pilot[0]} to input {setup.pilot[1]}" if setup.pilot else "none",
        ),
        ("Mixer of the system", "left out" if setup.exclusive else "as the system has it"),
    ]
    return tuple((title, words) for title, words in facts if words)


def put_together(setup: RigSetup) -> State:
    """Whether the set-up is complete."""
    levels: tuple[tuple[Kind, str], ...] = (("levels", "Watch the levels, set the gain"),)
    if not setup.outputs:
        words = "It has no outputs, so it can listen and not play."
        then = "Change the set-up: choose outputs, else nothing can be calibrated or tested."
        return State("setup", "Set-up", "to do", words, (), then, levels)
    if not setup.gain:
        words = "Nobody has said where the gain control stands."
        then = "Set the gain and say where it stands: calibration and limits hold for that alone."
        return State("setup", "Set-up", "to do", words, (), then, levels)
    words = f"It is put together, with the gain control at '{setup.gain}'."
    then = "If the control was moved, set it back, or say where it stands now."
    return State("setup", "Set-up", "done", words, (), then, levels)


def tested(setup: RigSetup, system: System) -> State:
    """What the last test said."""
    again: tuple[tuple[Kind, str], ...] = (("test", "Test it again"),) if setup.outputs else ()
    last = setup.test
    title = "What the computer does to the audio"
    if last is None:
        begins: tuple[tuple[Kind, str], ...] = (("test", "Test it"),) if setup.outputs else ()
        words = "Not tested yet: whether the computer changes the audio is not known."
        return State("test", title, "to do", words, (), _test_next(setup), begins)
    unknown = (f"Could not be told: {titles_of(last.unknown)}.",) if last.unknown else ()
    when = f"The test of {last.date[:10]}"
    if last.samplerate != setup.samplerate:
        words = f"{when} was made at {last.samplerate / 1000:g} kHz, another rate than now."
        return State("test", title, "left aside", words, unknown, "Test it at this rate.", again)
    if not last.found:
        words = f"{when} found nothing."
        then = "Repeat it after an update of the system, and whenever a number looks odd."
        return State("test", title, "done", words, unknown, then, again)
    lines = tuple(
        f"{FINDING_TITLES.get(name, name)}. {system}: {WHAT_TO_DO[name][system]}"
        for name in last.found
        if name in WHAT_TO_DO
    )
    words = f"{when} found: {titles_of(last.found)}."
    then = "Switch that off, and test again until nothing is found."
    return State("test", title, "found", words, (*lines, *unknown), then, again)


def _test_next(setup: RigSetup) -> str:
    if not setup.outputs:
        return "It needs outputs: change the set-up."
    return "Plug the loopback cables and test it: about twenty seconds."


def calibrated(setup: RigSetup, now: datetime) -> State:
    """Whether levels come in volts, and how surely."""
    title, made = "Calibration to volts", setup.calibration
    if made is None:
        begins: tuple[tuple[Kind, str], ...] = (
            (("calibrate", "Calibrate it"),) if setup.outputs else ()
        )
        words = "Not calibrated yet: levels come in dBFS alone."
        then = (
            "Take a multimeter with an AC volts range and calibrate it: three minutes."
            if setup.outputs
            else "It needs outputs: change the set-up."
        )
        return State("calibration", title, "to do", words, (), then, begins)
    again: tuple[tuple[Kind, str], ...] = (
        (("check", "See whether it holds"), ("calibrate", "Calibrate it again"))
        if setup.outputs
        else ()
    )
    heading, *lines = calibration_sentences(made)
    heading = heading.removesuffix(":") + "."
    why = holds(
        "calibration", made.samplerate, made.gain, at_rate=setup.samplerate, at_gain=setup.gain
    )
    if why is not None:
        return State(
            "calibration",
            title,
            "left aside",
            f"{heading} It is not used now: {why}.",
            tuple(lines),
            "Set that back, or calibrate it again as it stands.",
            again,
        )
    words = f"{heading} It holds at this rate and gain."
    days = age_in_days(made.date, now)
    then = "See in ten seconds whether it still holds, whenever a level looks odd."
    if days > OLD_DAYS:
        then = f"It is {days / 30.44:.0f} months old: once a year is usual. Calibrate it again."
    return State("calibration", title, "done", words, tuple(lines), then, again)


def limited(setup: RigSetup) -> State:
    """Whether it is known what the rig does by itself."""
    title, made = "What the rig does by itself", setup.limits
    if made is None:
        words = "Its limits are not measured yet: no reading says where the rig is the limit."
        then = "Measure them, with shorting plugs if you have some: two minutes."
        return State("limits", title, "to do", words, (), then, (("limits", "Measure its limits"),))
    lines = limit_sentences(made)
    heading = f"Measured on {made.date[:10]}, gain at '{made.gain or 'not stated'}'."
    why = holds("limits", made.samplerate, made.gain, at_rate=setup.samplerate, at_gain=setup.gain)
    again: tuple[tuple[Kind, str], ...] = (("limits", "Measure its limits again"),)
    if why is not None:
        words = f"{heading} They are not used now: {why}."
        then = "Set that back, or measure them again as it stands."
        return State("limits", title, "left aside", words, lines, then, again)
    words = f"{heading} They hold at this rate and gain."
    return State(
        "limits", title, "done", words, lines, "Every reading is held against them.", again
    )


# --- the form of the set-up


@dataclass(frozen=True, slots=True)
class SetupForm:
    """What stands in the fields of the set-up."""

    name: str = ""
    source: str = ""
    sink: str = ""
    rate: str = ""
    inputs: str = ""
    outputs: str = ""
    gain: str = ""
    pilot: str = ""
    exclusive: bool = False


SIMULATED = "simulated"
"""The key of the simulated rig among the devices."""


def device_key(device: Device) -> str:
    """What a device is called in a form."""
    return f"{device.index}|{device.host}|{device.name}"


def form_of_setup(setup: RigSetup, devices: Sequence[Device]) -> SetupForm:
    """The fields as a rig is put together; a device that is not there now is left open."""
    simulated = setup.device == SIMULATED_RIG
    return SetupForm(
        setup.name,
        SIMULATED if simulated else _key_of(devices, setup.device, setup.host, output=False),
        ""
        if setup.play_device is None
        else _key_of(devices, setup.play_device, setup.play_host or setup.host, output=True),
        str(setup.samplerate),
        ",".join(map(str, setup.inputs)),
        ",".join(map(str, setup.outputs)),
        setup.gain,
        "" if setup.pilot is None else f"{setup.pilot[0]}:{setup.pilot[1]}",
        setup.exclusive,
    )


def not_there(setup: RigSetup, shown: SetupForm) -> str | None:
    """Which device of a rig is not there now, in a sentence."""
    missing = setup.device if not shown.source else None
    if missing is None and setup.play_device and not shown.sink:
        missing = setup.play_device
    if missing is None:
        return None
    return f"'{missing}' is not there now: plug it in and load this page again, or choose another."


def _key_of(devices: Sequence[Device], name: str, host: str, *, output: bool) -> str:
    try:
        return device_key(recall_device(devices, name, host, output=output))
    except DeviceNotFound:
        return ""
