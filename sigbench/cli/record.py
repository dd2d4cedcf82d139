"""``sigbench record``: one take from the interface, measured at once."""

from contextlib import nullcontext, suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sigbench.cli.commands import command_app
from sigbench.cli.interfaces import (
    DeviceOption,
    HostOption,
    PlayDeviceOption,
    RateOption,
    RigOption,
    SimulatedOption,
)
from sigbench.cli.live import (
    CueDeviceOption,
    Hands,
    MarkOption,
    PlaceOption,
    SoundsOption,
    watched,
)
from sigbench.cli.measure import TaperOption
from sigbench.cli.places import DEFAULT_FOLDER, FolderOption
from sigbench.errors import BenchError, RequestError

if TYPE_CHECKING:
    from sigbench.bench.recording import Recording, SavedFile
    from sigbench.interface.base import Interface
    from sigbench.live.watch import Watch
    from sigbench.model import LongTake, Take

app = command_app()

SECONDS = 5.0  # of a take, where nothing else is said

HeldNoteOption = Annotated[
    str | None, typer.Option(metavar="NOTE", help="The note that is held, such as A4.")
]
PlayOption = Annotated[
    str | None,
    typer.Option(metavar="STIMULUS", help="Play this test signal meanwhile, e.g. sine-997."),
]

EXAMPLES = """\b
Examples:
  sigbench record --check tone --note A4
  sigbench record --check idle --seconds 10 --save idle.wav
  sigbench record --check tone --play sine-997
  sigbench record --check tone --note A4 --device "line in" --rate 96000
  sigbench record --check dropouts --seconds 7200 --save night.w64
  sigbench record --simulated as-received --check tone --note A2
"""  # \b tells the help to leave the lines as they are


@app.command(epilog=EXAMPLES)
def record(
    check: Annotated[
        str,
        typer.Option(
            metavar="NAME", help="What to measure: tone, idle, dropouts, jack, pot or soak."
        ),
    ],
    seconds: Annotated[
        float | None,
        typer.Option(
            metavar="S",
            help="Length of the take; 5 s by default, or less if the stimulus is shorter.",
        ),
    ] = None,
    note: HeldNoteOption = None,
    frequency: Annotated[
        float | None,
        typer.Option(metavar="HZ", help="The frequency that is played, instead of a note."),
    ] = None,
    taper: TaperOption = None,
    play: PlayOption = None,
    save: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Keep the take, written as it comes: as WAV, or as W64 if the name ends in .w64.",
        ),
    ] = None,
    channels: Annotated[
        int | None,
        typer.Option(metavar="N", help="How many inputs to record; those of the rig, or 2."),
    ] = None,
    places: PlaceOption = None,
    marks: MarkOption = None,
    sounds: SoundsOption = False,
    cue_device: CueDeviceOption = None,
    rig: RigOption = None,
    device: DeviceOption = None,
    play_device: PlayDeviceOption = None,
    host: HostOption = None,
    rate: RateOption = None,
    simulated: SimulatedOption = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON object instead of the table.")
    ] = False,
    folder: FolderOption = DEFAULT_FOLDER,
) -> int:
    """Record from the interface and measure at once.

    The rig in use is recorded with ('sigbench rig setup'), with its calibration and limits;
    another device can be named.

    Nothing is stored on the bench. A take of hours, for --check dropouts or soak, is written to the
    disk as it comes: to the file of --save, or into the bench folder until it is measured.

    Only line or headphone outputs: never speaker outputs, never a supply rail. Phantom power
    off, monitors and headphones turned down before a test signal is played.
    """
    from sigbench import checks
    from sigbench.bench.recording import Recording
    from sigbench.cli import show
    from sigbench.cli.measure import check_settings
    from sigbench.cli.places import note as tell
    from sigbench.cli.places import remark
    from sigbench.interface.base import frames_in
    from sigbench.interface.simulated import SimulatedInterface
    from sigbench.live.watch import Watch
    from sigbench.model import Step
    from sigbench.plan import HANDS_ON
    from sigbench.rig.cautions import BEFORE_PLAYING
    from sigbench.rig.choose import SIMULATED_RIG, choose_interface
    from sigbench.rig.readings import as_heard_by
    from sigbench.rig.setup import rig_now
    from sigbench.run import clipped_in_words, longest_take, lost_in_words

    if check not in checks.TAKE_CHECKS:
        raise RequestError(
            f"There is no check '{check}' for a take: choose one of "
            f"{', '.join(checks.TAKE_CHECKS)}."
        )
    settings = check_settings(note, frequency, taper=taper)
    if channels is not None and channels < 1:
        raise RequestError(f"--channels {channels} is no number of inputs: give 1 or more.")
    interface, setup = choose_interface(
        folder=folder,
        rig=rig,
        simulated=simulated,
        device=device,
        play_device=play_device,
        host=host,
        rate=rate,
        channels=channels,
        tell=remark,
    )
    if setup is not None and setup.device == SIMULATED_RIG:
        tell(f"Note: the rig '{setup.name}' is a simulated one, and hears no instrument.")
    channels = channels or interface.channels
    heard_by, remarks = rig_now(interface, setup, "" if setup is None else setup.gain)
    for sentence in remarks:
        remark(sentence)
    if play is not None and interface.name != "simulated":
        tell(f"Caution: {BEFORE_PLAYING}")
    if isinstance(interface, SimulatedInterface):
        interface.do(Step(check, "main", "", settings=settings, stimulus=play))
    if seconds is None:
        seconds = (
            SECONDS if play is None else min(SECONDS, longest_take(play, interface.samplerate))
        )
    frames = frames_in(seconds, interface.samplerate)
    checks.require_measurable(check, frames, interface.channels, interface.samplerate)
    long = checks.is_long(frames, interface.channels)
    disk = _disk(save, folder, interface, channels, seconds, check if long else None)
    hands = Hands.of(places, marks, sounds, cue_device)
    watch = None
    if check in HANDS_ON:
        watch = Watch(
            check,
            interface.samplerate,
            channels,
            settings,
            seconds=seconds,
            places=hands.places,
            on_mark=None if disk is None else disk.mark,
        )
    with disk or nullcontext():
        take = _recorded(
            interface, seconds, channels, play, disk, folder, long=long, watch=watch, hands=hands
        )
        for trouble in (lost_in_words(take), clipped_in_words(take)):
            if trouble is not None:
                tell(f"Note: {trouble}")
        with show.progress().status("Measuring …"):
            measurement = as_heard_by(heard_by, checks.measure(take, check, settings))
        if isinstance(disk, Recording):
            disk.discard()
    if as_json:
        show.print_json(measurement)
    else:
        show.print_measurement(measurement, show.output())
    return 0


def _recorded(
    interface: "Interface",
    seconds: float,
    channels: int,
    play: str | None,
    disk: "SavedFile | Recording | None",
    folder: Path,
    *,
    long: bool,
    watch: "Watch | None",
    hands: Hands,
) -> "Take | LongTake":
    """The take; what keeps it from being whole leaves on the disk what was recorded until then."""
    from sigbench.bench.recording import SavedFile, length_in_words
    from sigbench.cli import show
    from sigbench.cli.interfaces import recording_bar
    from sigbench.cli.places import command_line
    from sigbench.cli.places import note as tell
    from sigbench.run import record, record_long

    live = recording_bar(seconds, interface.samplerate, "Recording")
    if watch is not None:
        live = watched(watch, hands, show.progress(), interface, plays=play is not None)
    until = None if watch is None else lambda: watch.stopped
    take: Take | LongTake
    try:
        with live as on_block:
            if disk is not None and long:
                take = record_long(
                    interface,
                    seconds=seconds,
                    channels=channels,
                    play=play,
                    on_block=on_block,
                    until=until,
                    to=disk,
                )
            else:
                take = record(
                    interface,
                    seconds=seconds,
                    channels=channels,
                    play=play,
                    on_block=on_block,
                    until=until,
                    to=disk,
                )
        return take if watch is None else replace(take, marks=watch.marks)
    except BaseException as exc:
        if disk is None:
            raise
        with suppress(BenchError):  # the first trouble is the one to be told
            disk.leave(str(exc) or type(exc).__name__)
        if disk.frames:
            recover = command_line(folder, "bench", "recover")
            kept = f"safe; keep or delete it with: {recover}"
            if isinstance(disk, SavedFile):
                kept = f"in {disk.path}"
            tell(f"What was recorded until then, {length_in_words(disk.seconds)}, is {kept}")
        raise


def _disk(
    save: Path | None,
    folder: Path,
    interface: "Interface",
    channels: int,
    seconds: float,
    long_check: str | None,
) -> "SavedFile | Recording | None":
    """Where the take is written while it is recorded; None for a short one that is not kept.

    `long_check` is the check that a long one is for.
    """
    if save is not None:
        return _saved_file(save.expanduser(), interface, channels, seconds)
    if long_check is None:
        return None
    return _on_the_bench(folder, interface, channels, seconds, long_check)


def _saved_file(place: Path, interface: "Interface", channels: int, seconds: float) -> "SavedFile":
    """The file that is asked for, or one beside it that may be longer than WAV."""
    from sigbench.bench.recording import About, SavedFile, fits_wav, length_in_words
    from sigbench.cli.places import note as tell

    about = About.of(interface, channels)
    if place.suffix.lower() != ".w64" and not fits_wav(about, seconds):
        place = place.with_suffix(".w64")
        tell(
            f"Note: a WAV file ends at 4 GB, which {length_in_words(seconds)} would go beyond: the "
            f"take is kept as {place}"
        )
    return SavedFile(place, about, seconds=seconds)


def _on_the_bench(
    folder: Path, interface: "Interface", channels: int, seconds: float, check: str
) -> "Recording":
    """Where a long take is until it is measured."""
    from sigbench.bench.recording import Purpose
    from sigbench.cli.places import open_bench

    try:
        with open_bench(folder) as bench:
            return bench.begin_recording(
                interface, seconds=seconds, channels=channels, purpose=Purpose(check=check)
            )
    except BenchError as exc:
        raise BenchError(
            "A take as long as this is written to the disk while it is recorded: into the bench "
            f"folder, or to the file of --save. {exc}"
        ) from exc
