"""``sigbench rig``: set up the interface, calibrate it, and know what it does by itself."""

from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sigbench.cli.commands import command_app
from sigbench.cli.interfaces import RigOption
from sigbench.cli.places import DEFAULT_FOLDER, CommandGroup, FolderOption
from sigbench.cli.questions import ask, ask_text
from sigbench.errors import RequestError, SigbenchError

if TYPE_CHECKING:
    from rich.console import Console

    from sigbench.bench.folder import Bench
    from sigbench.interface.base import Interface
    from sigbench.interface.portaudio import Device
    from sigbench.model import FullScale, Meter, Reading, RigSetup, RigTest
    from sigbench.rig.path import PathTest
    from sigbench.rig.path_advice import System

app = command_app(cls=CommandGroup)

EXAMPLES = """\b
Examples, in the order of the first day:
  sigbench rig setup
  sigbench rig test
  sigbench rig calibrate
  sigbench rig limits
  sigbench rig show
"""  # \b tells the help to leave the lines as they are

SETUP_EXAMPLES = """\b
Examples:
  sigbench rig setup
  sigbench rig setup --device "line in" --rate 96000 --inputs 1,2 --gain "at 9 o'clock"
  sigbench rig setup --simulated
"""

LEVELS_EXAMPLES = """\b
Example:
  sigbench rig levels
"""

CALIBRATE_EXAMPLES = """\b
Examples:
  sigbench rig calibrate
  sigbench rig calibrate --meter "0.8% + 3" --volts 0.436 --volts 0.437
"""

CHECK_EXAMPLES = """\b
Example:
  sigbench rig check
"""

LIMITS_EXAMPLES = """\b
Example:
  sigbench rig limits
"""

TEST_EXAMPLES = """\b
Examples:
  sigbench rig test
  sigbench rig test --json
"""

SHOW_EXAMPLES = """\b
Examples:
  sigbench rig show
  sigbench rig show --rig road --json
"""

USE_EXAMPLES = """\b
Example:
  sigbench rig use road
"""

USUAL_NAME = "bench"
USUAL_METER = "1.0% + 3"  # of simple multimeters on AC volts at 400 Hz: common practice, no source
WATCH_SECONDS = 20.0
TONE_SECONDS = 60.0  # then the tone begins anew, until a voltage is typed

YesOption = Annotated[
    bool, typer.Option("--yes", help="Ask nothing: everything is plugged in as it has to be.")
]
JsonOption = Annotated[
    bool, typer.Option("--json", help="Print one JSON object instead of the table.")
]


@app.callback(epilog=EXAMPLES)
def rig() -> None:
    """Set up, calibrate and test interface, cables and computer.

    A rig is the interface with its cables and the position of its gain control. What it is, what
    was measured of it and when is kept in the bench folder; 'run' and 'record' use it from then
    on.
    """


@app.command(epilog=SETUP_EXAMPLES)
def setup(
    name: Annotated[str, typer.Option(metavar="NAME", help="Your name for it.")] = USUAL_NAME,
    device: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Part of the input device's name, or its number."),
    ] = None,
    host: Annotated[
        str | None, typer.Option(metavar="NAME", help="Part of the name of the sound system.")
    ] = None,
    play_device: Annotated[
        str | None, typer.Option(metavar="NAME", help="The output, if it is another device.")
    ] = None,
    rate: Annotated[
        int | None, typer.Option(metavar="HZ", help="Sample rate, 44100 to 192000.")
    ] = None,
    inputs: Annotated[
        str | None,
        typer.Option(metavar="N,N", help="Which inputs the cables are in; 1,2 by default."),
    ] = None,
    outputs: Annotated[
        str | None,
        typer.Option(metavar="N,N", help="Which outputs play test signals; 1,2 by default."),
    ] = None,
    pilot: Annotated[
        str | None,
        typer.Option(
            metavar="OUT:IN",
            help="A spare output and a spare input that a cable joins for good: a pilot tone on "
            "it shows what the computer loses. 'none' does without again.",
        ),
    ] = None,
    gain: Annotated[
        str | None,
        typer.Option(metavar="TEXT", help="Where the interface's gain control stands, in words."),
    ] = None,
    exclusive: Annotated[
        bool,
        typer.Option("--exclusive", help="Have the device alone, without the system's mixer."),
    ] = False,
    simulated: Annotated[
        bool, typer.Option("--simulated", help="A simulated interface, to try everything.")
    ] = False,
    yes: YesOption = False,
    folder: FolderOption = DEFAULT_FOLDER,
) -> None:
    """Choose interface and channels, and remember them.

    Shows what the computer offers, asks for what is not given as an option, and shows the levels
    live so that you see which input is which. The device is remembered by name and sound system,
    for the numbers change.
    """
    from sigbench.bench.rigs import rig_in_use, rigs, save_rig
    from sigbench.cli import show
    from sigbench.cli.places import command_line, note, open_bench
    from sigbench.model import RigSetup
    from sigbench.rig.cautions import BEFORE_PLUGGING_IN

    console = show.progress()
    _caution(BEFORE_PLUGGING_IN, console)
    with open_bench(folder, create=True) as bench:
        known = rigs(bench.folder).get(name)
        ins = _channels(inputs, "--inputs") or (known.inputs if known else None)
        outs = _channels(outputs, "--outputs") or (known.outputs if known else None)
        joined = _pilot(pilot) if pilot is not None else (known.pilot if known else None)
        if simulated:
            chosen = _simulated_setup(name, rate, ins, outs, joined, gain)
        else:
            source, sink = _devices(device, host, play_device, known, yes, console)
            chosen = RigSetup(
                name,
                source.name,
                source.host,
                rate or (known.samplerate if known else None) or _asked_rate(source, yes),
                ins or tuple(range(1, min(2, source.inputs) + 1)),
                outs or tuple(range(1, min(2, 0 if sink is None else sink.outputs) + 1)),
                gain if gain is not None else (known.gain if known else ""),
                None if sink is None or sink == source else sink.name,
                None if sink is None or sink == source else sink.host,
                joined,
                exclusive,
            )
        from sigbench.cli.interfaces import open_rig

        interface = open_rig(chosen, paced=True)
        if not yes:
            _show_inputs(interface, console)
            if gain is None:
                chosen = _with_gain(chosen, known)
        if known is not None:
            chosen = _kept(known, chosen)
        save_rig(bench.folder, chosen)
        in_use = rig_in_use(bench.folder)
        assert in_use is not None
        console = show.output()
        _print_setup(in_use, console)
    note("Next, with the loopback cables plugged in, see what the computer does to the audio:")
    note(f"  {command_line(folder, 'rig', 'test')}")


@app.command(epilog=LEVELS_EXAMPLES)
def levels(
    seconds: Annotated[
        float | None,
        typer.Option(metavar="S", help="How long; without it until Enter or Ctrl-C is pressed."),
    ] = None,
    rig: RigOption = None,
    folder: FolderOption = DEFAULT_FOLDER,
) -> None:
    """Show the levels of all inputs, live.

    RMS over 0.3 s in dBFS, and the highest peak of the last two seconds.
    """
    from sigbench.cli import show
    from sigbench.cli.interfaces import open_rig
    from sigbench.cli.levels import enter_pressed, print_levels, watch_levels
    from sigbench.cli.places import note, open_bench

    with open_bench(folder) as bench:
        interface = open_rig(_rig(bench, rig), paced=True)
    console = show.output()
    if seconds is None and console.is_terminal:
        note("Enter ends.")
    last = watch_levels(
        interface,
        console,
        seconds=seconds if seconds is not None or console.is_terminal else WATCH_SECONDS,
        until=enter_pressed,
    )
    print_levels(last, console)


@app.command("test", epilog=TEST_EXAMPLES)
def see_path(
    rig: RigOption = None,
    yes: YesOption = False,
    as_json: JsonOption = False,
    folder: FolderOption = DEFAULT_FOLDER,
) -> int:
    """See what the computer does to the audio.

    Plays fifteen seconds of test signals through the loopback cables, and names resampling,
    automatic gain, noise suppression, a volume below 100 %, 16-bit truncation, mono, swapped
    channels, a high-pass, two clocks and a wrong sample rate, each with what it saw and what to
    switch off.

    Ends with 1 when it finds something.
    """
    from dataclasses import replace

    from sigbench.bench.rigs import save_rig
    from sigbench.cli import show
    from sigbench.cli.interfaces import open_rig, recording_bar
    from sigbench.cli.places import open_bench
    from sigbench.model import RigTest
    from sigbench.rig.cautions import BEFORE_PLAYING
    from sigbench.rig.path import SPARE_SECONDS, run_path_test
    from sigbench.rig.path_stimulus import STIMULUS_SECONDS

    with open_bench(folder) as bench:
        chosen = _rig(bench, rig)
        _require_outputs(chosen)
        interface = open_rig(chosen)
        console = show.progress()
        _caution(BEFORE_PLAYING, console)
        _plug_loop(chosen, yes, console)
        seconds = STIMULUS_SECONDS + SPARE_SECONDS
        with recording_bar(seconds, interface.samplerate, "Testing") as on_block:
            done = run_path_test(
                interface,
                outputs=len(chosen.outputs),
                expected_loop_dbfs=_loop_dbfs(chosen, interface.channels),
                on_block=on_block,
            )
        said = RigTest(
            datetime.now().astimezone().isoformat(timespec="seconds"),
            interface.samplerate,
            tuple(one.name for one in done.findings if one.present),
            tuple(one.name for one in done.findings if one.present is None),
        )
        save_rig(bench.folder, replace(chosen, test=said), use=False)
    if as_json:
        _print_findings_json(done, said)
    else:
        _print_findings(done, show.output())
    return 0 if done.clean else 1


@app.command(epilog=CALIBRATE_EXAMPLES)
def calibrate(
    meter: Annotated[
        str | None,
        typer.Option(
            metavar="TEXT",
            help="The multimeter's accuracy on AC volts, from its manual: percent of the reading "
            "and digits.",
        ),
    ] = None,
    true_rms: Annotated[
        bool | None,
        typer.Option("--true-rms/--no-true-rms", help="Whether it measures true RMS."),
    ] = None,
    volts: Annotated[
        list[str] | None,
        typer.Option(metavar="V", help="What it reads at output 1, output 2 …: once for each."),
    ] = None,
    loaded: Annotated[
        bool,
        typer.Option(
            "--loaded", help="The meter reads while the loopback cable is in the input as well."
        ),
    ] = False,
    rig: RigOption = None,
    yes: YesOption = False,
    folder: FolderOption = DEFAULT_FOLDER,
) -> None:
    """Calibrate the rig to volts with a multimeter.

    A 400 Hz sine is played on each output in turn, and you type what the meter reads. Then a
    loopback cable carries it to the input of the same number. From then on levels come in dBu,
    dBV and volts as well, with the uncertainty that the meter's accuracy leaves.

    It holds for this sample rate and this position of the gain control.
    """
    from dataclasses import replace

    from sigbench.bench.rigs import save_rig
    from sigbench.cli import show
    from sigbench.cli.interfaces import open_rig
    from sigbench.cli.places import open_bench
    from sigbench.model import Meter
    from sigbench.rig.calibration import calibrate as calibrated
    from sigbench.rig.calibration import meter_accuracy
    from sigbench.rig.cautions import BEFORE_METERING, BEFORE_PLAYING

    with open_bench(folder) as bench:
        chosen = _rig(bench, rig)
        _require_outputs(chosen)
        interface = open_rig(chosen)
        console = show.progress()
        _caution(BEFORE_PLAYING, console)
        _caution(BEFORE_METERING, console)
        text = meter or (USUAL_METER if yes else _asked_meter())
        percent, digits = meter_accuracy(text)
        if true_rms is None:
            true_rms = yes or ask("Does it measure true RMS? Enter: yes, n: no: ", "n") != "n"
        if not true_rms:
            _say("Of a pure sine such as this one, it is right all the same.", console)
        accuracy = Meter(percent, digits, true_rms)
        outputs = _metered(interface, chosen, accuracy, volts, loaded, yes, console)
        _plug_loop(chosen, yes, console)
        made = calibrated(
            interface,
            outputs,
            of_outputs=len(chosen.outputs),
            gain=chosen.gain,
            meter=accuracy,
            date=datetime.now().astimezone().isoformat(timespec="seconds"),
        )
        save_rig(bench.folder, replace(chosen, calibration=made), use=False)
    _print_calibration(made, show.output())


@app.command(epilog=CHECK_EXAMPLES)
def check(
    rig: RigOption = None,
    gain: Annotated[
        str | None,
        typer.Option(metavar="TEXT", help="Where the gain control stands now, if it was moved."),
    ] = None,
    yes: YesOption = False,
    folder: FolderOption = DEFAULT_FOLDER,
) -> int:
    """See in ten seconds whether the calibration still holds.

    With the loopback cables plugged in: names a moved gain control, another sample rate, swapped
    channels, a cable that is not there, and a calibration that is over a year old.

    Ends with 1 when it does not hold.
    """
    from sigbench.cli import show
    from sigbench.cli.interfaces import open_rig
    from sigbench.cli.places import open_bench
    from sigbench.rig.calibration import check_loop
    from sigbench.rig.cautions import BEFORE_PLAYING

    with open_bench(folder) as bench:
        chosen = _rig(bench, rig)
    _require_outputs(chosen)
    if chosen.calibration is None:
        raise RequestError(
            f"The rig '{chosen.name}' is not calibrated yet: 'sigbench rig calibrate' does it."
        )
    interface = open_rig(chosen)
    _caution(BEFORE_PLAYING, show.progress())
    _plug_loop(chosen, yes, show.progress())
    found = check_loop(
        interface,
        chosen.calibration,
        gain=chosen.gain if gain is None else gain,
        outputs=len(chosen.outputs),
        now=datetime.now().astimezone(),
    )
    console = show.output()
    for channel, shift in found.shifts:
        _say(f"Input {channel}: {_signed(shift)} dB against its calibration.", console)
    for sentence in (*found.problems, *found.remarks):
        _say(_capital(sentence), console)
    _say("The calibration holds." if found.fine else "The calibration does not hold.", console)
    return 0 if found.fine else 1


@app.command(epilog=LIMITS_EXAMPLES)
def limits(
    rig: RigOption = None,
    yes: YesOption = False,
    as_json: JsonOption = False,
    folder: FolderOption = DEFAULT_FOLDER,
) -> None:
    """Measure what the rig does by itself.

    Noise with shorted inputs; distortion, response, crosstalk, balance, clocks and latency
    through loopback cables. Every later reading is held against it: what lies within 6 dB of the
    rig's own figure is marked rig-limited.

    It holds for this sample rate and this position of the gain control. Takes about a minute.
    """
    from dataclasses import replace

    from sigbench.bench.rigs import save_rig
    from sigbench.cli import show
    from sigbench.cli.interfaces import open_rig
    from sigbench.cli.places import open_bench
    from sigbench.model import RigLimits
    from sigbench.rig.cautions import BEFORE_PLAYING, BEFORE_PLUGGING_IN
    from sigbench.rig.limits import own_loop, own_noise, without_nothing

    with open_bench(folder) as bench:
        chosen = _rig(bench, rig)
        interface = open_rig(chosen)
        console = show.progress()
        _caution(BEFORE_PLUGGING_IN, console)
        _short(interface, chosen, yes, console)
        with console.status("Listening to the inputs …"):
            noise = own_noise(interface)
        loop: tuple[Reading, ...] = ()
        if chosen.outputs:
            _caution(BEFORE_PLAYING, console)
            _plug_loop(chosen, yes, console)
            _plug_simulated(interface)
            with console.status("Measuring …") as status:
                loop = own_loop(
                    interface,
                    outputs=len(chosen.outputs),
                    progress=lambda words: status.update(f"Measuring {words} …"),
                )
        made = RigLimits(
            datetime.now().astimezone().isoformat(timespec="seconds"),
            interface.samplerate,
            chosen.gain,
            without_nothing((*noise, *loop)),
        )
        chosen = replace(chosen, limits=made)
        save_rig(bench.folder, chosen, use=False)
    if as_json:
        show.print_line(_as_json(chosen))
    else:
        _print_limits(chosen, show.output())


@app.command("show", epilog=SHOW_EXAMPLES)
def show_rig(
    rig: RigOption = None,
    as_json: JsonOption = False,
    folder: FolderOption = DEFAULT_FOLDER,
) -> None:
    """Show the rig: what it is, its calibration and its limits."""
    from sigbench.bench.rigs import rigs
    from sigbench.cli import show
    from sigbench.cli.places import open_bench

    with open_bench(folder) as bench:
        chosen = _rig(bench, rig)
        others = [name for name in rigs(bench.folder) if name != chosen.name]
    if as_json:
        show.print_line(_as_json(chosen))
        return
    console = show.output()
    _print_setup(chosen, console)
    if chosen.calibration is not None:
        console.print()
        _print_calibration(chosen.calibration, console)
    if chosen.limits is not None:
        console.print()
        _print_limits(chosen, console)
    if others:
        console.print()
        _say(f"Other rigs: {', '.join(others)}. 'sigbench rig use NAME' changes over.", console)


@app.command(epilog=USE_EXAMPLES)
def use(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The rig to use from now on.")],
    folder: FolderOption = DEFAULT_FOLDER,
) -> None:
    """Change over to another rig."""
    from sigbench.bench.rigs import save_rig
    from sigbench.cli import show
    from sigbench.cli.places import open_bench

    with open_bench(folder) as bench:
        chosen = _rig(bench, name)
        save_rig(bench.folder, chosen)
    _print_setup(chosen, show.output())


# --- asking -------------------------------------------------------------------------------------


def _rig(bench: "Bench", name: str | None) -> "RigSetup":
    from sigbench.bench.rigs import rig_in_use

    chosen = rig_in_use(bench.folder, name)
    if chosen is None:
        raise RequestError("There is no rig yet: set one up with 'sigbench rig setup'.")
    return chosen


def _require_outputs(chosen: "RigSetup") -> None:
    if not chosen.outputs:
        raise RequestError(
            f"The rig '{chosen.name}' has no outputs, so nothing can be played: give them with "
            "'sigbench rig setup --outputs 1,2'."
        )


def _devices(
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
                _say(f"  {one}: {one.inputs} in, {one.outputs} out", console)
            device = ask_text("Which one is the interface? Its number, or part of its name: ")
        try:
            source = find_device(there, device, host=host)
        except DeviceNotFound as exc:
            if yes:
                raise
            _say(str(exc), console)
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
    _say(
        "It has no outputs: test signals cannot be played, unless --play-device is given.", console
    )
    return source, None


def _asked_rate(device: "Device", yes: bool) -> int:
    if yes:
        return device.samplerate
    answer = ask_text(f"Sample rate in Hz (Enter: {device.samplerate}): ")
    return _whole(answer, "a sample rate") if answer else device.samplerate


def _with_gain(chosen: "RigSetup", known: "RigSetup | None") -> "RigSetup":
    from dataclasses import replace

    before = f" (Enter: {known.gain})" if known is not None and known.gain else ""
    typed = ask_text(f"Where does the interface's gain control stand, in words{before}? ")
    return replace(chosen, gain=typed or (known.gain if known is not None else ""))


def _asked_meter() -> str:
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


def _metered(
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
    _say(
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
                _say(str(exc), console)
    finally:
        enough.set()
        player.join(timeout=5)


def _plug_loop(chosen: "RigSetup", yes: bool, console: "Console") -> None:
    if yes:
        return
    pairs = list(zip(chosen.outputs, chosen.inputs, strict=False))
    words = ", ".join(f"output {o} into input {i}" for o, i in pairs)
    _say(f"Plug the loopback cables: {words}. Nothing else in these jacks.", console)
    ask("Enter when ready, q stops: ")


def _short(interface: "Interface", chosen: "RigSetup", yes: bool, console: "Console") -> None:
    from sigbench.interface.loopback import LoopbackInterface

    if isinstance(interface, LoopbackInterface):
        interface.short_inputs()
    elif not yes:
        jacks = ", ".join(map(str, chosen.inputs))
        _say(
            f"Put shorting plugs (tip joined to sleeve) into the inputs {jacks}. Without such "
            "plugs, leave the loopback cables in: then the silent outputs count as well.",
            console,
        )
        ask("Enter when ready, q stops: ")


def _plug_simulated(interface: "Interface") -> None:
    from sigbench.interface.loopback import LoopbackInterface

    if isinstance(interface, LoopbackInterface):
        interface.connect({k: k for k in range(1, interface.channels + 1)})


def _show_inputs(interface: "Interface", console: "Console") -> None:
    """Let the person see which input moves."""
    from sigbench.cli.levels import enter_pressed, print_levels, watch_levels

    if not console.is_terminal:
        return
    _say("Play something: the levels show which input is which. Enter goes on.", console)
    print_levels(
        watch_levels(interface, console, seconds=None, until=enter_pressed),
        console,
    )


def _caution(sentences: str, console: "Console") -> None:
    _say(f"Caution: {sentences}", console)


def _say(text: str, console: "Console") -> None:
    from sigbench.cli import show

    console.print(show.fit(text, console))


def _channels(text: str | None, option: str) -> tuple[int, ...] | None:
    if text is None:
        return None
    numbers = tuple(_whole(part, f"a channel ({option})") for part in text.split(",") if part)
    if not numbers or min(numbers) < 1 or len(set(numbers)) < len(numbers) or len(numbers) > 32:
        raise RequestError(f"{option} {text} is no list of channels: write it like 1,2.")
    return numbers


def _pilot(text: str) -> tuple[int, int] | None:
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


def _simulated_setup(
    name: str,
    rate: int | None,
    inputs: tuple[int, ...] | None,
    outputs: tuple[int, ...] | None,
    pilot: tuple[int, int] | None,
    gain: str | None,
) -> "RigSetup":
    from sigbench.cli.interfaces import SIMULATED_RIG
    from sigbench.model import RigSetup

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


def _kept(known: "RigSetup", chosen: "RigSetup") -> "RigSetup":
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


# --- showing ------------------------------------------------------------------------------------


def _print_setup(chosen: "RigSetup", console: "Console") -> None:
    from sigbench.cli.show import fit

    rows = [
        ("Rig", chosen.name),
        ("Interface", f"{chosen.device} ({chosen.host})"),
        (
            "Output device",
            f"{chosen.play_device} ({chosen.play_host})" if chosen.play_device else "",
        ),
        ("Sample rate", f"{chosen.samplerate / 1000:g} kHz"),
        ("Inputs", ", ".join(map(str, chosen.inputs))),
        ("Outputs", ", ".join(map(str, chosen.outputs)) or "none"),
        (
            "Pilot tone",
            f"output {chosen.pilot[0]} to input {chosen.pilot[1]}" if chosen.pilot else "",
        ),
        ("Gain", chosen.gain or "not stated"),
        ("Mixer of the system", "left out (exclusive)" if chosen.exclusive else ""),
        ("Test", _test_state(chosen)),
        ("Calibration", _state(chosen, "calibration")),
        ("Limits", _state(chosen, "limits")),
    ]
    for title, text in rows:
        if text:
            console.print(fit(f"{title + ':':<21}{text}", console))


def _test_state(chosen: "RigSetup") -> str:
    last = chosen.test
    if last is None:
        return "none yet ('sigbench rig test')"
    found = ", ".join(FINDING_TITLES.get(name, name) for name in last.found)
    return f"of {last.date[:10]}: {f'FOUND {found}' if found else 'nothing found'}"


def _state(chosen: "RigSetup", what: str) -> str:
    from sigbench.rig.calibration import holds

    made: Any = getattr(chosen, what)
    if made is None:
        command = "calibrate" if what == "calibration" else "limits"
        return f"none yet ('sigbench rig {command}')"
    why = holds(what, made.samplerate, made.gain, at_rate=chosen.samplerate, at_gain=chosen.gain)
    return f"of {made.date[:10]}" + (f", not used: {why}" if why else "")


def _print_calibration(made: Any, console: "Console") -> None:
    from sigbench.cli.show import fit
    from sigbench.report.wording import quantity_text
    from sigbench.units import dbu_to_volts

    meter = made.meter
    kind = "true RMS" if meter.true_rms else "not true RMS"
    console.print(
        fit(
            f"Calibrated on {made.date[:10]} at {made.samplerate / 1000:g} kHz with a meter of "
            f"{meter.accuracy_percent:g} % + {meter.digits} digits ({kind}):",
            console,
        )
    )
    for what, channels in (("Output", made.outputs), ("Input", made.inputs)):
        for one in channels:
            level = quantity_text(one.dbu, one.uncertainty, "dBu").text
            volts = f"{float(dbu_to_volts(one.dbu)):.3f} V RMS"
            line = f"  {what} {one.channel}: 0 dBFS is {level} ({volts})"
            console.print(fit(line, console))


def _print_limits(chosen: "RigSetup", console: "Console") -> None:
    from sigbench.cli import show
    from sigbench.model import Measurement, Source

    made = chosen.limits
    assert made is not None
    source = Source("interface", chosen.device, None, made.samplerate, len(chosen.inputs), 0)
    console.print(
        show.fit(
            f"What the rig does by itself, {made.date[:10]}, gain: {made.gain or 'not stated'}",
            console,
        )
    )
    show.print_readings(Measurement("rig", source, made.readings), console)


FINDING_TITLES = {
    "wrong_rate": "Wrong sample rate",
    "resampling": "Resampling",
    "automatic_gain": "Automatic gain",
    "noise_suppression": "Noise suppression",
    "software_volume": "Volume below 100 %",
    "truncation_16_bit": "16-bit truncation",
    "mono": "Mixed to mono",
    "swapped_channels": "Swapped channels",
    "high_pass": "High-pass",
    "clock_drift": "Two clocks",
}


def _print_findings(done: "PathTest", console: "Console") -> None:
    """What was found first, then what could not be told, then the rest in short."""
    import platform

    names: dict[str, System] = {"Windows": "Windows", "Darwin": "macOS"}
    system = names.get(platform.system(), "Linux")
    for one in done.findings:
        if one.present:
            _say(f"FOUND: {FINDING_TITLES[one.name]}. {_capital(one.evidence)}", console)
            _say(f"  {system}: {one.what_to_do[system]}", console)
    for one in done.findings:
        if one.present is None:
            _say(f"Cannot tell: {FINDING_TITLES[one.name]}. {_capital(one.evidence)}", console)
    absent = [FINDING_TITLES[one.name] for one in done.findings if one.present is False]
    if absent:
        rest = ", ".join(title[:1].lower() + title[1:] for title in absent)
        _say(f"Not found: {rest}.", console)
    if done.clean and len(absent) == len(done.findings):
        _say("The audio comes through this computer as it should.", console)


def _print_findings_json(done: "PathTest", said: "RigTest") -> None:
    import msgspec

    from sigbench import __version__
    from sigbench.cli import show

    found = [
        {
            "name": one.name,
            "present": one.present,
            "evidence": one.evidence,
            "value": one.value,
            "uncertainty": one.uncertainty,
            "unit": one.unit,
            "what_to_do": one.what_to_do,
        }
        for one in done.findings
    ]
    show.print_line(
        msgspec.json.encode({"sigbench": __version__, "date": said.date, "findings": found})
    )


def _loop_dbfs(chosen: "RigSetup", channels: int) -> "list[float] | None":
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


def _as_json(chosen: "RigSetup") -> bytes:
    """The rig as it is stored, in one line."""
    import msgspec

    from sigbench.bench.documents import rig_to_json

    return msgspec.json.format(rig_to_json(chosen), indent=0)


def _signed(value: float) -> str:
    return f"{value:+.2f}".replace("-", "−")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
