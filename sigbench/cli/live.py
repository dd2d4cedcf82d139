"""Watching a take on the terminal while it is recorded, with keys and sounds.

The person looks at the instrument: what happens is called out by sounds, and one key each marks a
moment, goes on to the next jack, pauses or stops.
"""

import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

import typer

from sigbench.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import Console

    from sigbench.cli.interfaces import OnBlock
    from sigbench.interface.base import Block, Interface
    from sigbench.interface.cues import CuePlayer
    from sigbench.live.watch import Watch

UPDATES_A_SECOND = 10
MOST_MARKS = 9  # one key each
MARKS = ("tapped", "heat on", "heat off", "cold spray")

PlaceOption = Annotated[
    list[str] | None,
    typer.Option(
        "--place",
        metavar="NAME",
        help='A jack or other part that is moved, such as "main L"; may be repeated, in the order '
        "of the work.",
    ),
]
MarkOption = Annotated[
    list[str] | None,
    typer.Option(
        "--mark",
        metavar="TEXT",
        help=f"What the keys 1, 2, … mark while it is watched: {', '.join(MARKS)}, if not given.",
    ),
]
SoundsOption = Annotated[
    bool,
    typer.Option(
        "--sounds", help="Tell by sounds what happens, through another output than the rig's."
    ),
]
CueDeviceOption = Annotated[
    str | None,
    typer.Option(
        "--cue-device", metavar="NAME", help="The output for these sounds, such as the speaker."
    ),
]


@dataclass(frozen=True, slots=True)
class Hands:
    """How the person wants to work: what is moved, what the keys mark, and sounds or none."""

    places: tuple[str, ...] = ()
    marks: tuple[str, ...] = MARKS
    sounds: bool = False
    cue_device: str | None = None

    @classmethod
    def of(
        cls,
        places: Sequence[str] | None,
        marks: Sequence[str] | None,
        sounds: bool,
        cue_device: str | None,
    ) -> "Hands":
        """From the options of a command.

        Raises
        ------
        RequestError
            If a name is empty, or there are more marks than keys.
        """
        for option, texts in (("--place", places), ("--mark", marks)):
            if any(not text.strip() or not text.isprintable() for text in texts or ()):
                raise RequestError(f"{option} is given without a name: write it in words.")
        if marks is not None and len(marks) > MOST_MARKS:
            raise RequestError(
                f"There are keys for {MOST_MARKS} marks, and --mark is given {len(marks)} times: "
                "leave some out."
            )
        return cls(
            tuple(places or ()),
            tuple(marks or MARKS),
            sounds or cue_device is not None,
            cue_device,
        )


@contextmanager
def watched(
    watch: "Watch", hands: Hands, console: "Console", interface: "Interface", *, plays: bool
) -> "Iterator[OnBlock]":
    """Show a take while it is recorded, and let the keys steer it.

    On what is no terminal each event is printed in a line as it comes.

    Yields
    ------
    callable
        To be called with each block of the take.
    """
    from sigbench.cli.keys import pressed_keys
    from sigbench.interface.simulated import SimulatedInterface

    if isinstance(interface, SimulatedInterface):
        interface.paced = console.is_terminal  # else there is nobody to watch
    with ExitStack() as stack:
        cues = None
        if hands.sounds:
            cues = stack.enter_context(_cue_player(hands, interface, plays=plays))
        keys = stack.enter_context(pressed_keys())
        show = stack.enter_context(_shown(watch, hands, console, cues))

        def arrived(block: "Block") -> None:
            for kind in watch.feed(block)[:1]:  # the gravest: more at once would be a muddle
                if cues is not None:
                    cues.play(kind)
            for key in keys():
                _press(key, watch, hands, cues)
            show()

        yield arrived


def _cue_player(hands: Hands, interface: "Interface", *, plays: bool) -> "CuePlayer":
    from sigbench.interface.cues import CuePlayer, cue_output, rig_devices

    tested = rig_devices(interface, plays=plays)
    return CuePlayer(cue_output(hands.cue_device, tested=tested))


def _press(key: str, watch: "Watch", hands: Hands, cues: "CuePlayer | None") -> None:
    if key == "q":
        watch.stop()
    elif key == "p" and watch.check != "pot":
        watch.pause()
    elif key in (" ", "n") and watch.places:
        watch.next_place()
    elif key == "m":
        watch.mark("mark")
    elif key.isdecimal() and 1 <= int(key) <= len(hands.marks):
        watch.mark(hands.marks[int(key) - 1])
    else:
        return
    if cues is not None and not watch.stopped:
        cues.play("mark")


def keys_in_words(check: str, places: int) -> str:
    """What the keys do, in a line."""
    words = ["space next jack" if places > 1 else "", "m or 1-9 mark"]
    words += ["" if check == "pot" else "p pause", "q stop"]
    return "   ".join(filter(None, words))


@contextmanager
def _shown(
    watch: "Watch", hands: Hands, console: "Console", cues: "CuePlayer | None"
) -> "Iterator[Callable[[], None]]":
    if not console.is_terminal:
        yield _Lines(watch, console)
        return
    from rich.live import Live

    from sigbench.cli import show
    from sigbench.cli.live_view import SHADE, view

    blocks = show.fit(SHADE, console).plain == SHADE
    with Live(console=console, auto_refresh=False, screen=True) as live:
        last = -1.0

        def draw() -> None:
            nonlocal last
            now = time.monotonic()
            if now - last < 1 / UPDATES_A_SECOND:
                return
            last = now
            seen = watch.seen()
            trouble = None if cues is None else cues.trouble
            live.update(
                view(
                    seen,
                    columns=console.width,
                    lines=console.height,
                    keys=trouble or keys_in_words(seen.check, seen.places),
                    marks=hands.marks,
                    blocks=blocks,
                ),
                refresh=True,
            )

        yield draw


class _Lines:
    """Prints each event once, in a line, where there is no terminal to draw on."""

    def __init__(self, watch: "Watch", console: "Console") -> None:
        self._watch, self._console = watch, console
        self._said: set[tuple[str, float]] = set()
        self._next = 0.0

    def __call__(self) -> None:
        from sigbench.cli import show
        from sigbench.live.wording import event_line

        now = time.monotonic()
        if now < self._next:
            return
        self._next = now + 1 / UPDATES_A_SECOND
        for event in self._watch.seen().events:
            key = (event.kind, event.start)
            if key not in self._said:
                self._said.add(key)
                self._console.print(show.fit(event_line(event), self._console))
