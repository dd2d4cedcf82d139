"""A rig as it stands now: which of its figures hold for a take that is made with it."""

from dataclasses import replace

from sigbench.interface.base import Interface
from sigbench.model import Rig, RigSetup
from sigbench.rig.calibration import holds


def rig_now(interface: Interface, setup: RigSetup | None, gain: str) -> tuple[Rig, tuple[str, ...]]:
    """The rig of a take, with its calibration and limits as far as they hold.

    Parameters
    ----------
    interface : Interface
        What is recorded with.
    setup : RigSetup or None
        What is remembered of it; None where it is not a rig that was set up.
    gain : str
        Where the gain control stands now, in words.

    Returns
    -------
    rig : Rig
    remarks : tuple of str
        One sentence for each figure that is left aside, and what to do.
    """
    plain = Rig(interface.name, interface.device, interface.samplerate, gain)
    if setup is None:
        return plain, ()
    rig, remarks = plain, []
    for what, command in (("calibration", "calibrate"), ("limits", "limits")):
        made = getattr(setup, what)
        if made is None:
            continue
        why = holds(what, made.samplerate, made.gain, at_rate=interface.samplerate, at_gain=gain)
        if why is None:
            rig = replace(rig, **{what: made})
        else:
            remarks.append(
                f"{why[0].upper()}{why[1:]}: left aside until 'sigbench rig {command}' "
                "is run again."
            )
    return rig, tuple(remarks)
