"""What the recording commands share: options for the interface, a bar while it records."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from sigbench.interface.base import Block

    OnBlock = Callable[[Block], None]

DeviceOption = Annotated[
    str | None,
    typer.Option(
        metavar="NAME", help="Part of the input device's name, or its number in 'devices'."
    ),
]
PlayDeviceOption = Annotated[
    str | None,
    typer.Option(metavar="NAME", help="The output device for stimuli, if it is another one."),
]
HostOption = Annotated[
    str | None, typer.Option(metavar="NAME", help="Part of the name of the sound system.")
]
RateOption = Annotated[
    int | None,
    typer.Option(metavar="HZ", help="Sample rate; that of the rig, or 48000, by default."),
]
RigOption = Annotated[
    str | None,
    typer.Option("--rig", metavar="NAME", help="Which rig, if it is not the one in use."),
]
SimulatedOption = Annotated[
    str | None,
    typer.Option(
        metavar="STATE",
        help="Use the simulated unit instead of an interface: as-received, repaired, or with one "
        "fault, such as crossover or regulator-joint.",
    ),
]


@contextmanager
def recording_bar(seconds: float, samplerate: int, what: str) -> "Iterator[OnBlock]":
    """A bar on stderr that fills as the blocks of a take arrive; silent in a pipe."""
    from rich.progress import BarColumn, Progress, TextColumn

    from sigbench.cli import show

    console = show.progress()
    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TextColumn("{task.completed:.1f} of {task.total:g} s"),
    )
    with Progress(
        *columns, console=console, transient=True, disable=not console.is_terminal
    ) as bar:
        task = bar.add_task(what, total=seconds)

        def arrived(block: "Block") -> None:
            position = (block.first_frame + len(block.samples)) / samplerate
            bar.update(task, completed=min(seconds, position))

        yield arrived
