"""What the commands of the rig ask the person, and what they take from the options instead."""

from typing import TYPE_CHECKING

from sigbench.cli.questions import ask, ask_text
from sigbench.cli.rig_showing import say
from sigbench.errors import RequestError

if TYPE_CHECKING:
    from rich.console import Console

    from sigbench.bench.folder import Bench
    from sigbench.interface.base import Interface
    from sigbench.interface.portaudio import Device
    from sigbench.model import FullScale, Meter, RigSetup
    from sigbench.rig.wiring import Plugging

TONE_SECONDS = 60.0  # then the tone begins anew, until a voltage is typed


def rig_named(bench: "Bench", name: str | None) -> "RigSetup":
    """The rig of that name, or the one in use."""
    from sigbench.bench.rigs import rig_in_use

    chosen = rig_in_use(bench.folder, name)
    if chosen is None:
        raise RequestError("There is no rig yet: set one up with 'sigbench rig setup'.")
    return chosen


def choose_devices(
    device: str | None,
    host: str | None,
    play_device: str | None,
    known: "RigSetup | None",
    yes: bool,
    console: "Console",
) -> "tuple[Device, Device | None]":
    """The input and the output that are meant; asks where nothing says so."""
    from sigbench.errors import DeviceNotFound
    from sigbench.interface.portaudio import find_device, list_devices
    from sigbench.rig.assembly import sink_beside

    there = list_devices()
    source: Device | None = None
    if device is None and known is not None:
        device, host = known.device, host or known.host
    while source is None:
        if device is None:
            sources = [d for d in there if d.inputs]
            if not sources:
                raise DeviceNotFound(
                    "This computer has no audio input: plug the interface in and try again."
                )
            if yes:
                raise RequestError("--yes needs the interface by name: add --device.")
            for one in sources:
                say(f"  {one}: {one.inputs} in, {one.outputs} out", console)
            device = ask_text("Which one is the interface? Its number, or part of its name: ")
        try:
            source = find_device(there, device, host=host)
        except DeviceNotFound as exc:
            if yes:
                raise
            say(str(exc), console)
            device = host = None
    if play_device is None:
        play_device = known.play_device if known is not None else None
    if play_device is not None:
        return source, find_device(there, play_device, output=True)
    sink = sink_beside(there, source)
    if sink is None:
        say(
            "It has no outputs: test signals cannot be played, unless --play-device is given.",
            console,
        )
    return source, sink


def asked_rate(device: "Device", yes: bool) -> int:
    """The sample rate that is typed, or the one that the device prefers."""
    if yes:
        return device.samplerate
    from sigbench.rig.assembly import whole

    answer = ask_text(f"Sample rate in Hz (Enter: {device.samplerate}): ")
    return whole(answer, "a sample rate") if answer else device.samplerate


def with_gain(chosen: "RigSetup", known: "RigSetup | None") -> "RigSetup":
    """The rig with the gain position that is typed."""
    from dataclasses import replace

    before = f" (Enter: {known.gain})" if known is not None and known.gain else ""
    typed = ask_text(f"Where does the interface's gain control stand, in words{before}? ")
    return replace(chosen, gain=typed or (known.gain if known is not None else ""))


def asked_meter() -> str:
    """The meter's accuracy that is typed, as its manual has it."""
    from sigbench.rig.calibration import USUAL_METER, meter_accuracy

    while True:
        typed = ask_text(
            f"Accuracy of the multimeter on AC volts, as in its manual (Enter: {USUAL_METER}): "
        )
        try:
            meter_accuracy(typed or USUAL_METER)
        except RequestError as exc:
            print(exc)
            continue
        return typed or USUAL_METER


def metered(
    interface: "Interface",
    chosen: "RigSetup",
    meter: "Meter",
    volts: list[str] | None,
    loaded: bool,
    yes: bool,
    console: "Console",
) -> "list[FullScale]":
    """What the meter reads at each output, while the tone is on it."""
    from sigbench.rig.assembly import simulated_volts
    from sigbench.rig.calibration import meter_reading, output_full_scale
    from sigbench.rig.wiring import Plugging

    count = min(len(chosen.outputs), interface.channels)
    given = list(volts or simulated_volts(interface, len(chosen.outputs)))
    if given and len(given) != count:
        raise RequestError(
            f"{len(given)} voltage(s) were given and {count} are needed: --volts once for each "
            "output, in their order."
        )
    if not given and yes:
        raise RequestError("--yes needs what the meter reads: add --volts for each output.")
    found = []
    for output in range(1, count + 1):
        if given:
            value, step = meter_reading(given[output - 1])
        else:
            value, step = _read_off(interface, chosen, Plugging("meter", output, loaded), console)
        found.append(output_full_scale(output, value, step, meter, loaded=loaded))
    return found


def _read_off(
    interface: "Interface", chosen: "RigSetup", step: "Plugging", console: "Console"
) -> tuple[float, float]:
    """Play the tone until a voltage is typed."""
    from sigbench.rig.calibration import calibration_tone, meter_reading
    from sigbench.rig.player import Player
    from sigbench.rig.wiring import plugging_words

    output = step.channel
    jack = chosen.outputs[output - 1]
    say(plugging_words(step, chosen), console)
    ask("Enter starts the tone, q stops: ")
    tone = calibration_tone(interface.samplerate, output, len(chosen.outputs), seconds=TONE_SECONDS)
    with Player(interface, tone) as player:
        while True:
            typed = ask_text(f"The meter reads at output {jack}, in volts: ")
            player.check()
            try:
                return meter_reading(typed)
            except RequestError as exc:
                say(str(exc), console)


def plug_loop(chosen: "RigSetup", yes: bool, console: "Console") -> None:
    """Wait until the loopback cables are in."""
    if yes:
        return
    from sigbench.rig.wiring import Plugging, plugging_words

    say(plugging_words(Plugging("loop"), chosen), console)
    ask("Enter when ready, q stops: ")


def short_inputs(interface: "Interface", chosen: "RigSetup", yes: bool, console: "Console") -> None:
    """Wait until the inputs are shorted."""
    from sigbench.rig.assembly import plug_simulated_shorts
    from sigbench.rig.wiring import Plugging, plugging_words

    if not plug_simulated_shorts(interface) and not yes:
        say(plugging_words(Plugging("shorted"), chosen), console)
        ask("Enter when ready, q stops: ")


def show_inputs(interface: "Interface", console: "Console") -> None:
    """Let the person see which input moves."""
    from sigbench.cli.levels import enter_pressed, print_levels, watch_levels

    if not console.is_terminal:
        return
    say("Play something: the levels show which input is which. Enter goes on.", console)
    print_levels(
        watch_levels(interface, console, seconds=None, until=enter_pressed),
        console,
    )
