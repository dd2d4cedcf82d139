"""The audio devices of a computer, and which of them is meant: by a piece of a name, or by memory.

Nothing here asks the computer: `sigbench.interface.portaudio.list_devices` does.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from sigbench.errors import DeviceNotFound

ALSA, WASAPI, CORE_AUDIO = "ALSA", "Windows WASAPI", "Core Audio"
_ALONE_ANYWAY = ("ASIO", "Windows WDM-KS")  # sound systems that share no device

# MME ends device names after 31 characters (MAXPNAMELEN is 32 in mmsyscom.h); the count in front
# of a name, which is left out here, can be three of them.
_SHORTEST_CUT = 28


@dataclass(frozen=True, slots=True)
class Device:
    """One audio device as the computer offers it.

    Parameters
    ----------
    host : str
        The sound system that it is reached through; one box often shows up under several.
    samplerate : int
        The rate that the sound system prefers for it.
    """

    index: int
    name: str
    host: str
    inputs: int
    outputs: int
    samplerate: int

    def __str__(self) -> str:
        return f"[{self.index}] {self.name} ({self.host})"


def can_be_exclusive(device: Device) -> bool:
    """Whether the device can be had without the system's mixer.

    On ALSA that is a matter of the device: ``hw:`` is the hardware itself, all others lead through
    software.
    """
    if device.host == ALSA:
        return "(hw:" in device.name
    return device.host in (WASAPI, CORE_AUDIO, *_ALONE_ANYWAY)


def find_device(
    devices: Sequence[Device], name: str, *, host: str | None = None, output: bool = False
) -> Device:
    """The one input (or output) device that a piece of its name points to.

    Parameters
    ----------
    devices : sequence of Device
        Where to look: `list_devices()`.
    name : str
        Part of the name, in any case, or the index as a number. A full name wins over parts.
    host : str, optional
        Part of the name of the sound system, where a device shows up under several.

    Raises
    ------
    DeviceNotFound
        If none or several match; the message lists what there is to choose from.
    """
    kind = _kind(output)
    there = _with(devices, output)
    if not there:
        raise DeviceNotFound(f"This computer has no audio {kind}: plug the interface in.")
    wanted = name.strip().lower()
    found = [
        device
        for device in there
        if (wanted in device.name.lower() or wanted == str(device.index))
        and (host is None or host.lower() in device.host.lower())
    ]
    exact = [d for d in found if wanted in (d.name.lower(), str(d.index))]
    found = exact or found
    if len(found) == 1:
        return found[0]
    under = f" under '{host}'" if host else ""
    choice = ", ".join(map(str, found or there))
    if found:
        raise DeviceNotFound(
            f"'{name}'{under} matches several {kind}s: {choice}; give more of the name, the host "
            "in brackets, or the number."
        )
    raise DeviceNotFound(f"No {kind} matches '{name}'{under}; {kind}s: {choice}.")


def recall_device(
    devices: Sequence[Device], name: str, host: str, *, output: bool = False
) -> Device:
    """The device that was remembered by its name and its sound system.

    Its index plays no part, nor do the numbers that some sound systems put into the name and give
    anew at each start: ``(hw:1,0)``, ``(2- …)``.

    Parameters
    ----------
    devices : sequence of Device
        Where to look: `list_devices()`.
    name, host : str
        As they were, in full.
    output : bool
        Whether the device is to play; else it is to record.

    Raises
    ------
    DeviceNotFound
        If it is not there, is there under another sound system only, or cannot be told from
        another one, with the sentence of `what_changed`.
    """
    found = _recalled(devices, name, host, output)
    if len(found) == 1:
        return found[0]
    why = what_changed(devices, name, host, output=output)
    assert why is not None
    raise DeviceNotFound(why)


def what_changed(
    devices: Sequence[Device], name: str, host: str, *, output: bool = False
) -> str | None:
    """One sentence on what is not as it was remembered, and what to do; None if all of it is.

    Parameters
    ----------
    devices, name, host, output
        As for `recall_device`.
    """
    kind = _kind(output)
    there = _with(devices, output)
    found = _recalled(devices, name, host, output)
    if len(found) == 1:
        twins = [device for device in there if device != found[0] and device.host == host]
        twins = [device for device in twins if _lasting(device.name) == _lasting(name)]
        if twins:
            return (
                f"The {kind} {found[0]} is used, and nothing but its number tells it from "
                f"{_listed(twins)}: play something to make sure that it is the right one."
            )
        if found[0].name == name:
            return None
        return f"The {kind} '{name}' ({host}) is called '{found[0].name}' now, and is used."
    if found:
        return (
            f"The {kind} '{name}' ({host}) is there {len(found)} times, and nothing tells which is "
            f"meant ({_listed(found)}): unplug the others, or set the rig up anew."
        )
    elsewhere = [device for device in there if _alike(device.name, name)]
    if elsewhere:
        systems = " and ".join(dict.fromkeys(f"'{device.host}'" for device in elsewhere))
        return (
            f"The {kind} '{name}' is there under {systems} and no longer under '{host}', where "
            "its levels may differ: set the rig up anew with it, or bring that sound system back."
        )
    if not there:
        return (
            f"The {kind} '{name}' ({host}) is not there, nor is any other: plug the interface in "
            "and switch it on."
        )
    return (
        f"The {kind} '{name}' ({host}) is not there: plug it in and switch it on; {kind}s that "
        f"are there: {_listed(there)}."
    )


def _recalled(devices: Sequence[Device], name: str, host: str, output: bool) -> list[Device]:
    under = [device for device in _with(devices, output) if device.host == host]
    same = [device for device in under if device.name == name]
    return same or [device for device in under if _lasting(device.name) == _lasting(name)]


def _lasting(name: str) -> str:
    """The name without what changes with the order in which devices are found.

    ALSA's card number, ``Line: USB (hw:1,0)``, and the count that Windows gives to a box which
    was moved to another socket, ``Line (2- USB)``.
    """
    return re.sub(r"\((\d+)- ", "(", re.sub(r"\(hw:\d+,", "(hw:,", name)).strip()


def _alike(one: str, other: str) -> bool:
    """Whether two sound systems mean the same device: one of them may cut the name off."""
    one, other = _lasting(one), _lasting(other)
    length = min(len(one), len(other))
    return one == other or (length >= _SHORTEST_CUT and one[:length] == other[:length])


def _with(devices: Sequence[Device], output: bool) -> list[Device]:
    return [device for device in devices if (device.outputs if output else device.inputs) > 0]


def _kind(output: bool) -> str:
    return "output" if output else "input"


def _listed(devices: Sequence[Device]) -> str:
    return ", ".join(map(str, devices))
