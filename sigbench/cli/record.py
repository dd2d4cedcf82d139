"""``sigbench record``: one take from the interface, measured at once."""

from pathlib import Path
from typing import Annotated

import typer

from sigbench.cli.commands import command_app
from sigbench.cli.interfaces import (
    DeviceOption,
    HostOption,
    PlayDeviceOption,
    RateOption,
    SimulatedOption,
)
from sigbench.errors import FileError, RequestError

app = command_app()

SECONDS = 5.0  # of a take, where nothing else is said

EXAMPLES = """\b
Examples:
  sigbench record --check tone --note A4
  sigbench record --check idle --seconds 10 --save idle.wav
  sigbench record --check tone --play sine-997 --device "line in"
  sigbench record --simulated as-received --check tone --note A2
"""  # \b tells the help to leave the lines as they are


@app.command(epilog=EXAMPLES)
def record(
    check: Annotated[
        str, typer.Option(metavar="NAME", help="What to measure: tone, idle or dropouts.")
    ],
    seconds: Annotated[
        float | None,
        typer.Option(
            metavar="S",
            help="Length of the take; 5 s by default, or less if the stimulus is shorter.",
        ),
    ] = None,
    note: Annotated[
        str | None, typer.Option(metavar="NOTE", help="The note that is held, such as A4.")
    ] = None,
    frequency: Annotated[
        float | None,
        typer.Option(metavar="HZ", help="The frequency that is played, instead of a note."),
    ] = None,
    play: Annotated[
        str | None,
        typer.Option(metavar="STIMULUS", help="Play this test signal meanwhile, e.g. sine-997."),
    ] = None,
    save: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Keep the take as a WAV file.")
    ] = None,
    channels: Annotated[int, typer.Option(metavar="N", help="How many inputs to record.")] = 2,
    device: DeviceOption = None,
    play_device: PlayDeviceOption = None,
    host: HostOption = None,
    rate: RateOption = 48_000,
    simulated: SimulatedOption = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON object instead of the table.")
    ] = False,
) -> int:
    """Record from the interface and measure at once.

    Nothing is stored on the bench.

    Only line or headphone outputs: never speaker outputs, never a supply rail. Phantom power
    off, monitors and headphones turned down before a test signal is played.
    """
    from sigbench import checks
    from sigbench.cli import show
    from sigbench.cli.interfaces import open_interface, recording_bar
    from sigbench.cli.measure import check_settings
    from sigbench.cli.places import note as tell
    from sigbench.interface.simulated import SimulatedInterface
    from sigbench.model import Step
    from sigbench.run import clipped_in_words, longest_take, lost_in_words
    from sigbench.run import record as record_take

    if check not in checks.TAKE_CHECKS:
        raise RequestError(
            f"There is no check '{check}' for a take: choose one of "
            f"{', '.join(checks.TAKE_CHECKS)}."
        )
    settings = check_settings(note, frequency)
    place = None if save is None else _free_place(save.expanduser())
    if channels < 1:
        raise RequestError(f"--channels {channels} is no number of inputs: give 1 or more.")
    interface = open_interface(
        simulated=simulated,
        device=device,
        play_device=play_device,
        host=host,
        rate=rate,
        channels=channels,
    )
    if isinstance(interface, SimulatedInterface):
        interface.do(Step(check, "main", "", settings=settings, stimulus=play))
    if seconds is None:
        seconds = SECONDS if play is None else min(SECONDS, longest_take(play, rate))
    with recording_bar(seconds, rate, "Recording") as on_block:
        take = record_take(
            interface, seconds=seconds, channels=channels, play=play, on_block=on_block
        )
    if place is not None:
        _save(take.samples, take.samplerate, place)
    for trouble in (lost_in_words(take), clipped_in_words(take)):
        if trouble is not None:
            tell(f"Note: {trouble}")
    with show.progress().status("Measuring …"):
        measurement = checks.measure(take, check, settings)
    if as_json:
        show.print_json(measurement)
    else:
        show.print_measurement(measurement, show.output())
    return 0


def _free_place(path: Path) -> Path:
    """Where the take is kept: seen to before it is recorded, so that none is lost."""
    if path.exists():
        raise FileError(f"{path} is there already: name another file.")
    if not path.parent.is_dir():
        raise FileError(f"There is no folder {path.parent}: make it, or name another place.")
    return path


def _save(samples: object, samplerate: int, path: Path) -> None:
    import soundfile

    try:
        # 32-bit floating point holds what the interface gave, 24-bit converters included.
        soundfile.write(path, samples, samplerate, subtype="FLOAT", format="WAV")
    except (OSError, soundfile.LibsndfileError) as exc:
        raise FileError(f"The take cannot be written to {path}: choose another place.") from exc
