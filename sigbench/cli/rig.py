"""``sigbench rig``: set up the interface, calibrate it, and know what it does by itself."""

from datetime import datetime
from typing import TYPE_CHECKING, Annotated

import typer

from sigbench.cli.commands import command_app
from sigbench.cli.interfaces import RigOption
from sigbench.cli.places import DEFAULT_FOLDER, CommandGroup, FolderOption, remark
from sigbench.cli.questions import ask
from sigbench.cli.rig_asking import (
    asked_meter,
    asked_rate,
    choose_devices,
    metered,
    plug_loop,
    rig_named,
    short_inputs,
    show_inputs,
    with_gain,
)
from sigbench.cli.rig_showing import (
    caution,
    print_calibration,
    print_findings,
    print_findings_json,
    print_limits,
    print_setup,
    rig_as_json,
    say,
)
from sigbench.errors import RequestError

if TYPE_CHECKING:
    from sigbench.model import Reading

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
SIMULATED_NAME = "simulated"
WATCH_SECONDS = 20.0

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
    name: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Your name for it; 'bench', or 'simulated', by default."),
    ] = None,
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
        bool | None,
        typer.Option(
            "--exclusive/--shared",
            help="Have the device alone, without the system's mixer, or not.",
        ),
    ] = None,
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
    from sigbench.bench.rigs import rig_in_use, rigs
    from sigbench.cli import show
    from sigbench.cli.places import command_line, note, open_bench
    from sigbench.rig.assembly import (
        channel_list,
        keep_setup,
        pilot_pair,
        setup_of,
        simulated_setup,
    )
    from sigbench.rig.cautions import BEFORE_PLUGGING_IN
    from sigbench.rig.choose import SIMULATED_RIG, open_rig

    console = show.progress()
    caution(BEFORE_PLUGGING_IN, console)
    name = name or (SIMULATED_NAME if simulated else USUAL_NAME)
    with open_bench(folder, create=True) as bench:
        known = rigs(bench.folder).get(name)
        if known is not None and (known.device == SIMULATED_RIG) != simulated:
            known = None  # what is known of the one says nothing of the other
        ins = channel_list(inputs, "--inputs") or (known.inputs if known else None)
        outs = channel_list(outputs, "--outputs") or (known.outputs if known else None)
        joined = (
            pilot_pair(pilot, "--pilot") if pilot is not None else (known.pilot if known else None)
        )
        if simulated:
            chosen = simulated_setup(name, rate, ins, outs, joined, gain)
        else:
            source, sink = choose_devices(device, host, play_device, known, yes, console)
            chosen = setup_of(
                name,
                source,
                sink,
                samplerate=rate or (known.samplerate if known else None) or asked_rate(source, yes),
                inputs=ins,
                outputs=outs,
                gain=gain if gain is not None else (known.gain if known else ""),
                pilot=joined,
                exclusive=exclusive
                if exclusive is not None
                else (known is not None and known.exclusive),
            )
        interface = open_rig(chosen, paced=True, tell=remark)
        if not yes:
            show_inputs(interface, console)
            if gain is None:
                chosen = with_gain(chosen, known)
        older = keep_setup(bench.folder, chosen)
        if older is not None:
            note(
                f"Note: this is another rig than '{name}' was. That one, with what was measured of "
                f"it, is kept as '{older.name}'."
            )
        in_use = rig_in_use(bench.folder)
        assert in_use is not None
        console = show.output()
        print_setup(in_use, console)
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
    from sigbench.cli.levels import enter_pressed, print_levels, watch_levels
    from sigbench.cli.places import note, open_bench
    from sigbench.rig.choose import open_rig

    with open_bench(folder) as bench:
        interface = open_rig(rig_named(bench, rig), paced=True, tell=remark)
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
    from sigbench.cli.interfaces import recording_bar
    from sigbench.cli.places import open_bench
    from sigbench.rig.assembly import loop_dbfs, require_outputs
    from sigbench.rig.cautions import BEFORE_PLAYING
    from sigbench.rig.choose import open_rig
    from sigbench.rig.path import SPARE_SECONDS, run_path_test
    from sigbench.rig.path_stimulus import STIMULUS_SECONDS
    from sigbench.rig.wording import rig_test_of

    with open_bench(folder) as bench:
        chosen = rig_named(bench, rig)
        require_outputs(chosen)
        interface = open_rig(chosen, tell=remark)
        console = show.progress()
        caution(BEFORE_PLAYING, console)
        plug_loop(chosen, yes, console)
        seconds = STIMULUS_SECONDS + SPARE_SECONDS
        with recording_bar(seconds, interface.samplerate, "Testing") as on_block:
            done = run_path_test(
                interface,
                outputs=len(chosen.outputs),
                expected_loop_dbfs=loop_dbfs(chosen, interface.channels),
                on_block=on_block,
            )
        said = rig_test_of(done, datetime.now().astimezone().isoformat(timespec="seconds"))
        save_rig(bench.folder, replace(chosen, test=said), use=False)
    if as_json:
        print_findings_json(done, said)
    else:
        print_findings(done, show.output())
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
    from sigbench.cli.places import open_bench
    from sigbench.model import Meter
    from sigbench.rig.assembly import require_outputs
    from sigbench.rig.calibration import USUAL_METER, meter_accuracy
    from sigbench.rig.calibration import calibrate as calibrated
    from sigbench.rig.cautions import BEFORE_METERING, BEFORE_PLAYING
    from sigbench.rig.choose import open_rig

    with open_bench(folder) as bench:
        chosen = rig_named(bench, rig)
        require_outputs(chosen)
        interface = open_rig(chosen, tell=remark)
        console = show.progress()
        caution(BEFORE_PLAYING, console)
        caution(BEFORE_METERING, console)
        text = meter or (USUAL_METER if yes else asked_meter())
        percent, digits = meter_accuracy(text)
        if true_rms is None:
            true_rms = yes or ask("Does it measure true RMS? Enter: yes, n: no: ", "n") != "n"
        if not true_rms:
            say("Of a pure sine such as this one, it is right all the same.", console)
        accuracy = Meter(percent, digits, true_rms)
        outputs = metered(interface, chosen, accuracy, volts, loaded, yes, console)
        plug_loop(chosen, yes, console)
        made = calibrated(
            interface,
            outputs,
            of_outputs=len(chosen.outputs),
            gain=chosen.gain,
            meter=accuracy,
            date=datetime.now().astimezone().isoformat(timespec="seconds"),
        )
        save_rig(bench.folder, replace(chosen, calibration=made), use=False)
    print_calibration(made, show.output())


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
    from sigbench.cli.places import open_bench
    from sigbench.rig.assembly import require_outputs
    from sigbench.rig.calibration import check_loop
    from sigbench.rig.cautions import BEFORE_PLAYING
    from sigbench.rig.choose import open_rig
    from sigbench.rig.wording import check_sentences

    with open_bench(folder) as bench:
        chosen = rig_named(bench, rig)
    require_outputs(chosen)
    if chosen.calibration is None:
        raise RequestError(
            f"The rig '{chosen.name}' is not calibrated yet: 'sigbench rig calibrate' does it."
        )
    interface = open_rig(chosen, tell=remark)
    caution(BEFORE_PLAYING, show.progress())
    plug_loop(chosen, yes, show.progress())
    found = check_loop(
        interface,
        chosen.calibration,
        gain=chosen.gain if gain is None else gain,
        outputs=len(chosen.outputs),
        now=datetime.now().astimezone(),
    )
    console = show.output()
    for sentence in check_sentences(found):
        say(sentence, console)
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
    from sigbench.cli.places import open_bench
    from sigbench.model import RigLimits
    from sigbench.rig.assembly import plug_simulated_loop
    from sigbench.rig.cautions import BEFORE_PLAYING, BEFORE_PLUGGING_IN
    from sigbench.rig.choose import open_rig
    from sigbench.rig.limits import own_loop, own_noise

    with open_bench(folder) as bench:
        chosen = rig_named(bench, rig)
        interface = open_rig(chosen, tell=remark)
        console = show.progress()
        caution(BEFORE_PLUGGING_IN, console)
        short_inputs(interface, chosen, yes, console)
        with console.status("Listening to the inputs …"):
            noise = own_noise(interface)
        loop: tuple[Reading, ...] = ()
        if chosen.outputs:
            caution(BEFORE_PLAYING, console)
            plug_loop(chosen, yes, console)
            plug_simulated_loop(interface)
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
            (*noise, *loop),
        )
        chosen = replace(chosen, limits=made)
        save_rig(bench.folder, chosen, use=False)
    if as_json:
        show.print_line(rig_as_json(chosen))
    else:
        print_limits(chosen, show.output())


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
        chosen = rig_named(bench, rig)
        others = [name for name in rigs(bench.folder) if name != chosen.name]
    if as_json:
        show.print_line(rig_as_json(chosen))
        return
    console = show.output()
    print_setup(chosen, console)
    if chosen.calibration is not None:
        console.print()
        print_calibration(chosen.calibration, console)
    if chosen.limits is not None:
        console.print()
        print_limits(chosen, console)
    if others:
        console.print()
        say(f"Other rigs: {', '.join(others)}. 'sigbench rig use NAME' changes over.", console)


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
        chosen = rig_named(bench, name)
        save_rig(bench.folder, chosen)
    print_setup(chosen, show.output())
