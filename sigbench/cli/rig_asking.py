"""What the commands of the rig ask the person, and what they take from the options instead."""

from typing import TYPE_CHECKING

from sigbench.cli.questions import ask, ask_text
from sigbench.cli.rig_showing import say
from sigbench.errors import RequestError, SigbenchError

if TYPE_CHECKING:
    from rich.console import Console

    from sigbench.bench.folder import Bench
    from sigbench.interface.base import Interface
    from sigbench.interface.portaudio import Device
    from sigbench.model import FullScale, Meter, RigSetup

USUAL_METER = "1.0% + 3"  # of simple multimeters on AC volts at 400 Hz: common practice, no source
TONE_SECONDS = 60.0  # then the tone begins anew, until a voltage is typed


def rig_named(bench: "Bench", name: str | None) -> "RigSetup":
    """The rig of that name, or the one in use."""
    from sigbench.bench.rigs import rig_in_use

    chosen = rig_in_use(bench.folder, name)
    if chosen is None:
        raise RequestError("There is no rig yet: set one up with 'sigbench rig setup'.")
    return chosen


def require_outputs(chosen: "RigSetup") -> None:
    """Refuse a rig that cannot play."""
    if not chosen.outputs:
        raise RequestError(
            f"The rig '{chosen.name}' has no outputs, so nothing can be played: give them with "
            "'sigbench rig setup --outputs 1,2'."
        )


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
    if source.outputs:
        return source, source
    alike = [d for d in there if d.outputs and d.name == source.name and d.host == source.host]
    if alike:
        return source, alike[0]
    say("It has no outputs: test signals cannot be played, unless --play-device is given.", console)
    return source, None


def asked_rate(device: "Device", yes: bool) -> int:
    """The sample rate that is typed, or the one that the device prefers."""
    if yes:
        return device.samplerate
    answer = ask_text(f"Sample rate in Hz (Enter: {device.samplerate}): ")
    return _whole(answer, "a sample rate") if answer else device.samplerate


def with_gain(chosen: "RigSetup", known: "RigSetup | None") -> "RigSetup":
    """The rig with the gain position that is typed."""
    from dataclasses import replace

    before = f" (Enter: {known.gain})" if known is not None and known.gain else ""
    typed = ask_text(f"Where does the interface's gain control stand, in words{before}? ")
    return replace(chosen, gain=typed or (known.gain if known is not None else ""))


def asked_meter() -> str:
    """The meter's accuracy that is typed, as its manual has it."""
    from sigbench.rig.calibration import meter_accuracy

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
    from sigbench.interface.loopback import LoopbackInterface
    from sigbench.rig.calibration import calibration_tone, meter_reading, output_full_scale

    count = min(len(chosen.outputs), interface.channels)
    given = list(volts or [])
    if isinstance(interface, LoopbackInterface) and not given:
        tones = [
            calibration_tone(interface.samplerate, k, len(chosen.outputs), seconds=1.0)
            for k in range(1, count + 1)
        ]
        given = [f"{interface.volts_at(k, tone):.4f}" for k, tone in enumerate(tones, start=1)]
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
            value, step = _read_off(interface, chosen, output, console)
        found.append(output_full_scale(output, value, step, meter, loaded=loaded))
    return found


def _read_off(
    interface: "Interface", chosen: "RigSetup", output: int, console: "Console"
) -> tuple[float, float]:
    """Play the tone until a voltage is typed."""
    from threading import Event, Thread

    from sigbench.rig.calibration import calibration_tone, meter_reading

    jack = chosen.outputs[output - 1]
    say(
        f"Plug the loopback cable into output {jack} only. Hold the meter, on AC volts, to the "
        "other plug: one lead on the tip, one on the sleeve.",
        console,
    )
    ask("Enter starts the tone, q stops: ")
    enough = Event()
    trouble: list[SigbenchError] = []

    def play() -> None:
        from contextlib import closing

        tone = calibration_tone(
            interface.samplerate, output, len(chosen.outputs), seconds=TONE_SECONDS
        )
        try:
            while not enough.is_set():
                with closing(interface.stream(seconds=TONE_SECONDS, stimulus=tone)) as blocks:
                    for _ in blocks:
                        if enough.is_set():
                            return
        except SigbenchError as exc:
            trouble.append(exc)

    player = Thread(target=play, daemon=True)
    player.start()
    try:
        while True:
            typed = ask_text(f"The meter reads at output {jack}, in volts: ")
            if trouble:
                raise trouble[0]
            try:
                return meter_reading(typed)
            except RequestError as exc:
                say(str(exc), console)
    finally:
        enough.set()
        player.join(timeout=5)


def plug_loop(chosen: "RigSetup", yes: bool, console: "Console") -> None:
    """Wait until the loopback cables are in."""
    if yes:
        return
    pairs = list(zip(chosen.outputs, chosen.inputs, strict=False))
    words = ", ".join(f"output {o} into input {i}" for o, i in pairs)
    say(f"Plug the loopback cables: {words}. Nothing else in these jacks.", console)
    ask("Enter when ready, q stops: ")


def short_inputs(interface: "Interface", chosen: "RigSetup", yes: bool, console: "Console") -> None:
    """Wait until the inputs are shorted."""
    from sigbench.interface.loopback import LoopbackInterface

    if isinstance(interface, LoopbackInterface):
        interface.short_inputs()
    elif not yes:
        jacks = ", ".join(map(str, chosen.inputs))
        say(
            f"Put shorting plugs (tip joined to sleeve) into the inputs {jacks}. Without such "
            "plugs, leave the loopback cables in: then the silent outputs count as well.",
            console,
        )
        ask("Enter when ready, q stops: ")


def plug_simulated(interface: "Interface") -> None:
    """Plug the cables of a simulated rig back in."""
    from sigbench.interface.loopback import LoopbackInterface

    if isinstance(interface, LoopbackInterface):
        interface.connect({k: k for k in range(1, interface.channels + 1)})


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


def channel_list(text: str | None, option: str) -> tuple[int, ...] | None:
    """Channels as they are typed: ``1,2``."""
    if text is None:
        return None
    numbers = tuple(_whole(part, f"a channel ({option})") for part in text.split(",") if part)
    if not numbers or min(numbers) < 1 or len(set(numbers)) < len(numbers) or len(numbers) > 32:
        raise RequestError(f"{option} {text} is no list of channels: write it like 1,2.")
    return numbers


def pilot_pair(text: str) -> tuple[int, int] | None:
    """The pilot's output and input as they are typed: ``3:3``, or ``none``."""
    if text.strip().lower() == "none":
        return None
    output, colon, source = text.partition(":")
    if not colon:
        raise RequestError(f"--pilot {text} is no pair: write output:input, like 3:3, or none.")
    return _whole(output, "an output (--pilot)"), _whole(source, "an input (--pilot)")


def _whole(text: str, what: str) -> int:
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
) -> "RigSetup":
    """A simulated rig with the options that were given."""
    from sigbench.model import RigSetup
    from sigbench.rig.choose import SIMULATED_RIG

    return RigSetup(
        name,
        SIMULATED_RIG,
        "simulated",
        rate or 48_000,
        inputs or (1, 2),
        outputs or (1, 2),
        gain or "",
        pilot=pilot,
    )


def with_known_figures(known: "RigSetup", chosen: "RigSetup") -> "RigSetup":
    """The rig with what was measured of it before, unless it is other hardware or channels now.

    Rate and gain may differ: each figure knows its own, and is left aside until they are back.
    """
    from dataclasses import replace

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


def figures_lost(known: "RigSetup", chosen: "RigSetup") -> "RigSetup | None":
    """The rig as it was, under a name of its own, if what was measured of it would be lost."""
    from dataclasses import replace

    dates = [made.date[:10] for made in (known.limits, known.calibration, known.test) if made]
    if not dates or (chosen.test, chosen.calibration, chosen.limits) == (
        known.test,
        known.calibration,
        known.limits,
    ):
        return None
    return replace(known, name=f"{known.name} of {max(dates)}")


def loop_dbfs(chosen: "RigSetup", channels: int) -> "list[float] | None":
    """Level at which a sine of 0 dBFS has to come back, if the rig is calibrated as it stands."""
    from sigbench.rig.calibration import holds

    made = chosen.calibration
    if made is None or holds(
        "calibration", made.samplerate, made.gain, at_rate=chosen.samplerate, at_gain=chosen.gain
    ):
        return None
    outputs = {one.channel: one.dbu for one in made.outputs}
    inputs = {one.channel: one.dbu for one in made.inputs}
    if any(k not in outputs or k not in inputs for k in range(1, channels + 1)):
        return None
    return [outputs[k] - inputs[k] for k in range(1, channels + 1)]
