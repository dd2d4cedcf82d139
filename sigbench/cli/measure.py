"""``sigbench measure``: one audio file, no set-up."""

import math
import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sigbench.cli.commands import command_app
from sigbench.errors import RequestError

if TYPE_CHECKING:
    from sigbench.model import CheckSettings, Measurement

app = command_app()

EXAMPLES = """\b
Examples:
  sigbench measure recording.wav
  sigbench measure recording.wav --check tone --note A4
  sigbench measure silence.flac --check idle --json
"""  # \b tells the help to leave the lines as they are

# Checks that need the bench: someone turns, wiggles, plays or waits while it records.
BENCH_CHECKS = ("through", "keys", "contact", "part")
TaperOption = Annotated[
    str | None,
    typer.Option(
        metavar="TEXT",
        help="The law of the control that is turned: linear, audio or power (sine for "
        "a pan), or with the percent at half travel, such as audio:10. Without it, it is guessed.",
    ),
]

A4_HZ = (200.0, 900.0)  # an octave around any tuning in use: catches a slip of the finger


@app.command(epilog=EXAMPLES)
def measure(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="A WAV, FLAC, AIFF, Ogg or other audio file.")
    ],
    check: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="What to measure: tone (a held note), idle (nothing played: noise and hum), "
            "dropouts (breaks), jack (a plug is moved), pot (a control is turned) or soak (it is "
            "left running: drift). Without it: tone if there is one above -60 dBFS that is no "
            "mains hum, else idle.",
        ),
    ] = None,
    channels: Annotated[
        str | None,
        typer.Option(metavar="LIST", help="Only these channels, such as 1,2. Counted from 1."),
    ] = None,
    note: Annotated[
        str | None,
        typer.Option(metavar="NOTE", help="The note that was played, such as A4, C#3 or Bb1."),
    ] = None,
    frequency: Annotated[
        float | None,
        typer.Option(metavar="HZ", help="The frequency that was played, instead of a note."),
    ] = None,
    a4: Annotated[float, typer.Option(metavar="HZ", help="Tuning: the frequency of A4.")] = 440.0,
    mains: Annotated[
        int | None,
        typer.Option(metavar="HZ", help="Mains frequency, 50 or 60. Without it: whichever fits."),
    ] = None,
    driven: Annotated[
        int | None,
        typer.Option(metavar="N", help="The only channel that was played, for crosstalk."),
    ] = None,
    taper: TaperOption = None,
    dc_coupled: Annotated[
        bool,
        typer.Option("--dc-coupled", help="The input is known to pass DC: gives the DC offset."),
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON object instead of the table.")
    ] = False,
) -> int:
    """Measure an audio file.

    Gives level, tone, distortion, noise, hum, balance and dropouts of any recording, each with
    its uncertainty. A number that cannot be trusted is not printed; the reason is.

    For a weak note under hum say which note it is. Record without compression, equaliser or
    "enhancement": they change the numbers.

    A recording of hours is read in blocks, with --check dropouts, jack or soak. What the computer
    lost while sigbench recorded stands in a .jsonl file beside the recording, and is not held
    against the instrument.
    """
    _require_file_check(check)
    kept = None if channels is None else _channel_list(channels)
    settings = check_settings(note, frequency, a4, mains, _driven_column(driven, kept), taper)

    from sigbench import checks
    from sigbench.causes.of_unit import with_causes
    from sigbench.cli import show
    from sigbench.interface.file import lossy_codec
    from sigbench.recorded import read_recording

    console = show.progress()
    with console.status("Measuring …"):
        take = read_recording(file, check, channels=kept, dc_coupled=dc_coupled)
        measurement = checks.measure(take, check, settings)
    if check is not None:  # of a sound that nobody says anything about, no cause is named
        measurement = with_causes(measurement)
    if kept is not None:
        measurement = _with_file_channels(measurement, kept)
    if codec := lossy_codec(file):
        console.print(
            f"Note: {file} is compressed with losses ({codec}): its distortion and noise are "
            "partly the compression's own."
        )
    if as_json:
        show.print_json(measurement)
    else:
        show.print_measurement(measurement, show.output())
    return 0  # a file alone has no limits to be out of


def require_tuning(a4: float) -> None:
    """Refuse an ``--a4`` that no instrument is tuned to."""
    if not A4_HZ[0] <= a4 <= A4_HZ[1]:
        raise RequestError(
            f"--a4 {a4:g} is no tuning: give the frequency of A4 in Hz, such as 440 or 442."
        )


def _require_file_check(check: str | None) -> None:
    """Refuse the checks of the bench that no file can be put through."""
    from sigbench.checks import TAKE_CHECKS

    if check is None or check in TAKE_CHECKS:
        return
    choice = ", ".join(TAKE_CHECKS)
    if check == "rails":
        raise RequestError(
            "Supply rails are typed in from the multimeter, never measured from a recording: "
            f"for a file choose one of {choice}."
        )
    if check in BENCH_CHECKS:
        raise RequestError(
            f"The check '{check}' is not part of this version: for a file choose one of {choice}."
        )
    raise RequestError(f"There is no check '{check}': for a file choose one of {choice}.")


def _channel_list(text: str) -> tuple[int, ...]:
    if not re.fullmatch(r"\s*[1-9]\d{0,2}(\s*,\s*[1-9]\d{0,2})*\s*", text):
        raise RequestError(
            f"'{text}' is no list of channels: write numbers from 1 with commas, such as 1,2."
        )
    channels = tuple(int(number) for number in text.split(","))
    if len(set(channels)) != len(channels):
        raise RequestError(f"The list of channels '{text}' names a channel twice: name it once.")
    return channels


def _driven_column(driven: int | None, kept: tuple[int, ...] | None) -> int | None:
    """Position of the driven channel among those kept, from 1."""
    if driven is None or kept is None:
        return driven
    if driven not in kept:
        raise RequestError(
            f"--driven {driven} is not among the channels {', '.join(map(str, kept))}: "
            "add it to --channels."
        )
    return kept.index(driven) + 1


def check_settings(
    note: str | None,
    frequency: float | None,
    a4: float = 440.0,
    mains: int | None = None,
    driven: int | None = None,
    taper: str | None = None,
) -> "CheckSettings":
    """The options as settings of a check."""
    from sigbench.model import CheckSettings
    from sigbench.units import note_to_frequency

    if note is not None and frequency is not None:
        raise RequestError("--note and --frequency say the same thing: give one of them.")
    require_tuning(a4)
    if mains not in (None, 50, 60):
        raise RequestError(f"--mains {mains} is no mains frequency: give 50 or 60.")
    if frequency is not None and not (math.isfinite(frequency) and frequency > 0):
        raise RequestError(f"--frequency {frequency:g} is no frequency: give one above 0 Hz.")
    if taper is not None:
        from sigbench.measure.taper import taper_named

        taper_named(taper)
    if note is not None:
        frequency = note_to_frequency(note, a4_hz=a4)
    return CheckSettings(
        frequency_hz=frequency,
        a4_hz=a4,
        mains_hz=None if mains is None else float(mains),
        driven_channel=driven,
        taper=taper,
    )


def _with_file_channels(measurement: "Measurement", kept: tuple[int, ...]) -> "Measurement":
    """The measurement of chosen channels with the numbers that they have in the file."""

    def in_file(channel: int) -> int:
        return kept[channel - 1]

    return replace(
        measurement,
        readings=tuple(
            replace(
                reading,
                channel=None if reading.channel is None else in_file(reading.channel),
                channels=None
                if reading.channels is None
                else (in_file(reading.channels[0]), in_file(reading.channels[1])),
            )
            for reading in measurement.readings
        ),
        events=tuple(
            replace(event, channels=tuple(in_file(channel) for channel in event.channels))
            for event in measurement.events
        ),
    )
