"""Which interface is recorded with: the rig in use, a device by name, or the simulated unit."""

from collections.abc import Callable
from pathlib import Path

from sigbench.errors import RequestError
from sigbench.interface.base import Interface
from sigbench.model import RigSetup

SIMULATED_RIG = "simulated rig"
USUAL_RATE = 48_000
USUAL_CHANNELS = 2


def choose_interface(
    *,
    folder: Path,
    rig: str | None,
    simulated: str | None,
    device: str | None,
    play_device: str | None,
    host: str | None,
    rate: int | None,
    channels: int | None,
    tell: Callable[[str], None],
) -> tuple[Interface, RigSetup | None]:
    """The interface that the options ask for; the rig in use where they name no other.

    `tell` is called with what the device does otherwise than it was asked to, a sentence each.

    Raises
    ------
    RequestError
        If the options do not go together, or there is no such rig.
    InterfaceError
        If the device cannot be used.
    """
    from dataclasses import replace

    setup = None
    if not (simulated or device or play_device or host):
        setup = _remembered(folder, rig)
    elif rig is not None:
        raise RequestError("--rig is an interface already: leave --device and the like out.")
    if setup is None:
        interface = open_interface(
            simulated=simulated,
            device=device,
            play_device=play_device,
            host=host,
            rate=USUAL_RATE if rate is None else rate,
            channels=USUAL_CHANNELS if channels is None else channels,
        )
        return interface, None
    if channels is not None and channels > len(setup.inputs):
        raise RequestError(
            f"The rig '{setup.name}' has {len(setup.inputs)} input(s), and {channels} are needed: "
            "add some with 'sigbench rig setup --inputs 1,2,3', or name a --device."
        )
    chosen = setup if rate is None else replace(setup, samplerate=rate)
    return open_rig(chosen, tell=tell), setup


def _remembered(folder: Path, name: str | None) -> RigSetup | None:
    """The rig that is used where no device is named; None on a bench without one."""
    from sigbench.bench.rigs import rig_in_use

    return rig_in_use(folder.expanduser(), name)


def open_interface(
    *,
    simulated: str | None,
    device: str | None,
    play_device: str | None,
    host: str | None,
    rate: int,
    channels: int,
) -> Interface:
    """The interface that the options ask for.

    Raises
    ------
    RequestError
        If the options do not go together.
    InterfaceError
        If the device cannot be used.
    """
    if simulated is None:
        from sigbench.interface.portaudio import PortAudioInterface

        return PortAudioInterface(
            device, output=play_device, host=host, samplerate=rate, channels=channels
        )
    if device or play_device or host:
        raise RequestError("--simulated needs no device: leave --device and the like out.")
    import time

    from sigbench.interface.simulated import Condition, SimulatedInterface

    # Like a real unit, it never sounds exactly the same twice.
    return SimulatedInterface(Condition(simulated), samplerate=rate, seed=time.time_ns() % 2**32)


def open_rig(setup: RigSetup, *, paced: bool = False, tell: Callable[[str], None]) -> Interface:
    """The interface of a rig, with its pilot tone where it has one.

    `paced` makes a simulated one as slow as a real one, for watching. `tell` is called with what
    the device does otherwise than it was asked to, a sentence each.

    Raises
    ------
    InterfaceError
        If the device is not there, or cannot be used so.
    """
    import time

    if setup.device == SIMULATED_RIG:
        from sigbench.interface.loopback import LoopbackInterface

        return LoopbackInterface(
            samplerate=setup.samplerate,
            channels=len(setup.inputs),
            outputs=max(1, len(setup.outputs)),
            seed=time.time_ns() % 2**32,
            paced=paced,
        )
    from sigbench.interface.pilot import PilotedInterface
    from sigbench.interface.portaudio import open_setup

    output, source = setup.pilot or (None, None)
    inner = open_setup(setup, extra_output=output, extra_input=source)
    for remark in inner.remarks:
        tell(remark)
    return inner if setup.pilot is None else PilotedInterface(inner, len(setup.outputs))
