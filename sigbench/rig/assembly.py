"""How a rig is put together: its channels as typed, its devices, and what is kept of it."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from sigbench.bench.documents import slug
from sigbench.bench.rigs import rigs, save_rig
from sigbench.errors import RequestError
from sigbench.interface.base import Interface
from sigbench.interface.devices import Device
from sigbench.model import RigSetup
from sigbench.rig.calibration import TONE_HZ, calibration_tone, holds
from sigbench.rig.choose import SIMULATED_RIG, USUAL_RATE

MOST_CHANNELS = 32
METER_SECONDS = 400 / TONE_HZ  # a second: whole periods


def channel_list(text: str | None, name: str) -> tuple[int, ...] | None:
    """Channels as they are typed: ``1,2``; None where nothing was.

    Raises
    ------
    RequestError
        If they are no channels; `name` is what the front calls them.
    """
    if text is None:
        return None
    numbers = tuple(whole(part, f"a channel ({name})") for part in text.split(",") if part)
    if (
        not numbers
        or min(numbers) < 1
        or len(set(numbers)) < len(numbers)
        or len(numbers) > MOST_CHANNELS
    ):
        raise RequestError(f"{name} {text} is no list of channels: write it like 1,2.")
    return numbers


def pilot_pair(text: str, name: str) -> tuple[int, int] | None:
    """The pilot's output and input as they are typed: ``3:3``, or ``none``.

    Raises
    ------
    RequestError
        If it is no pair; `name` is what the front calls it.
    """
    if text.strip().lower() == "none":
        return None
    output, colon, source = text.partition(":")
    if not colon:
        raise RequestError(f"{name} {text} is no pair: write output:input, like 3:3, or none.")
    return whole(output, f"an output ({name})"), whole(source, f"an input ({name})")


def whole(text: str, what: str) -> int:
    """A whole number as it is typed.

    Raises
    ------
    RequestError
        If it is none; `what` names it.
    """
    try:
        return int(text.strip())
    except ValueError:
        raise RequestError(f"'{text.strip()}' is no number for {what}.") from None


def simulated_setup(
    name: str,
    rate: int | None,
    inputs: tuple[int, ...] | None,
    outputs: tuple[int, ...] | None,
    pilot: tuple[int, int] | None,
    gain: str | None,
) -> RigSetup:
    """A simulated rig with what was asked for, and the usual things else."""
    return RigSetup(
        name,
        SIMULATED_RIG,
        "simulated",
        rate or USUAL_RATE,
        inputs or (1, 2),
        outputs or (1, 2),
        gain or "",
        pilot=pilot,
    )


def setup_of(
    name: str,
    source: Device,
    sink: Device | None,
    *,
    samplerate: int,
    inputs: tuple[int, ...] | None,
    outputs: tuple[int, ...] | None,
    gain: str,
    pilot: tuple[int, int] | None,
    exclusive: bool,
) -> RigSetup:
    """A rig of one device or two; the first two inputs and outputs where none are named."""
    other = None if sink is None or sink == source else sink
    return RigSetup(
        name,
        source.name,
        source.host,
        samplerate,
        inputs or tuple(range(1, min(2, source.inputs) + 1)),
        outputs or tuple(range(1, min(2, 0 if sink is None else sink.outputs) + 1)),
        gain,
        None if other is None else other.name,
        None if other is None else other.host,
        pilot,
        exclusive,
    )


def sink_beside(devices: Sequence[Device], source: Device) -> Device | None:
    """The output that belongs to an input device: itself, or one of its name; None: it has none."""
    if source.outputs:
        return source
    alike = [d for d in devices if d.outputs and d.name == source.name and d.host == source.host]
    return alike[0] if alike else None


def keep_setup(folder: Path, chosen: RigSetup) -> RigSetup | None:
    """Store a rig as it is put together now, use it, and keep what was measured of it before.

    Returns
    -------
    RigSetup or None
        The one that it replaced, if that was another one: it is kept under a name of its own.
    """
    # Names that differ in their capitals alone share a file.
    replaced = next((r for r in rigs(folder).values() if slug(r.name) == slug(chosen.name)), None)
    older = None
    if replaced is not None:
        chosen = with_known_figures(replaced, chosen)
        older = figures_lost(replaced, chosen)
    if older is not None:
        save_rig(folder, older, use=False)
    save_rig(folder, chosen)
    return older


def with_known_figures(known: RigSetup, chosen: RigSetup) -> RigSetup:
    """The rig with what was measured of it before, unless it is other hardware or channels now.

    Rate and gain may differ: each figure knows its own, and is left aside until they are back.
    """
    plain = replace(
        known,
        samplerate=chosen.samplerate,
        gain=chosen.gain,
        pilot=chosen.pilot,
        test=None,
        calibration=None,
        limits=None,
    )
    if plain != chosen:
        return chosen
    return replace(chosen, test=known.test, calibration=known.calibration, limits=known.limits)


def figures_lost(known: RigSetup, chosen: RigSetup) -> RigSetup | None:
    """The rig as it was, under a name of its own, if what was measured of it would be lost."""
    dates = [made.date[:10] for made in (known.limits, known.calibration, known.test) if made]
    if not dates or (chosen.test, chosen.calibration, chosen.limits) == (
        known.test,
        known.calibration,
        known.limits,
    ):
        return None
    return replace(known, name=f"{known.name} of {max(dates)}")


def require_outputs(setup: RigSetup) -> None:
    """Refuse a rig that cannot play.

    Raises
    ------
    RequestError
        If it has no outputs.
    """
    if not setup.outputs:
        raise RequestError(
            f"The rig '{setup.name}' has no outputs, so nothing can be played: give them with "
            "'sigbench rig setup --outputs 1,2'."
        )


def loop_dbfs(setup: RigSetup, channels: int) -> list[float] | None:
    """Level at which a sine of 0 dBFS has to come back, if the rig is calibrated as it stands."""
    made = setup.calibration
    if made is None or holds(
        "calibration", made.samplerate, made.gain, at_rate=setup.samplerate, at_gain=setup.gain
    ):
        return None
    outputs = {one.channel: one.dbu for one in made.outputs}
    inputs = {one.channel: one.dbu for one in made.inputs}
    if any(k not in outputs or k not in inputs for k in range(1, channels + 1)):
        return None
    return [outputs[k] - inputs[k] for k in range(1, channels + 1)]


# --- what a person does at the jacks of a real rig, and nobody at those of a simulated one


def simulated_volts(interface: Interface, outputs: int) -> tuple[str, ...]:
    """What the meter reads at each output of a simulated rig; empty for a real one."""
    from sigbench.interface.loopback import LoopbackInterface

    if not isinstance(interface, LoopbackInterface):
        return ()
    tones = (
        calibration_tone(interface.samplerate, output, outputs, seconds=METER_SECONDS)
        for output in range(1, min(outputs, interface.channels) + 1)
    )
    return tuple(f"{interface.volts_at(k, tone):.4f}" for k, tone in enumerate(tones, start=1))


def plug_simulated_shorts(interface: Interface) -> bool:
    """Put shorting plugs into the inputs of a simulated rig; False for a real one."""
    from sigbench.interface.loopback import LoopbackInterface

    if not isinstance(interface, LoopbackInterface):
        return False
    interface.short_inputs()
    return True


def plug_simulated_loop(interface: Interface) -> bool:
    """Plug the loopback cables of a simulated rig in; False for a real one."""
    from sigbench.interface.loopback import LoopbackInterface

    if not isinstance(interface, LoopbackInterface):
        return False
    interface.connect()
    return True


def plug_simulated_meter(interface: Interface, *, loaded: bool) -> bool:
    """Have the cables of a simulated rig in the inputs or not, as the meter is held to them."""
    from sigbench.interface.loopback import LoopbackInterface

    if not isinstance(interface, LoopbackInterface):
        return False
    if loaded:
        interface.connect()
    else:
        interface.unplug()
    return True
