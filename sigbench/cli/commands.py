"""The list of commands, and the group that imports a command only when it is called.

A command group is a module of this package with an `app` made by :func:`command_app`: with one
command it is called by the module's entry below, with several they become its subcommands.
"""

from collections.abc import Callable
from difflib import get_close_matches
from importlib import import_module
from typing import Annotated, Any, NamedTuple, cast

import typer
from typer.core import TyperGroup

from sigbench import __version__


class Entry(NamedTuple):
    """Where a command lives, and its line in ``sigbench --help``."""

    module: str
    summary: str


COMMANDS: dict[str, Entry] = {
    "demo": Entry("sigbench.cli.demo", "Do the whole job on a simulated unit."),
    "measure": Entry("sigbench.cli.measure", "Measure an audio file."),
    "record": Entry(
        "sigbench.cli.record",
        "Record from the interface and measure at once.",
    ),
    "watch": Entry("sigbench.cli.watch", "Watch the sound while your hands are in the instrument."),
    "page": Entry("sigbench.cli.page", "Work at the bench page, in a browser."),
    "unit": Entry("sigbench.cli.unit", "Add, list or show the instruments on the bench."),
    "plan": Entry("sigbench.cli.plan", "Show or change the plan of a unit."),
    "run": Entry(
        "sigbench.cli.run",
        "Run a unit's plan, step by step.",
    ),
    "compare": Entry("sigbench.cli.compare", "Say what changed on a unit, and what did not."),
    "causes": Entry(
        "sigbench.cli.causes", "Say what the readings point to, and what to probe next."
    ),
    "baseline": Entry("sigbench.cli.baseline", "Keep what good units do, to compare with."),
    "report": Entry(
        "sigbench.cli.report",
        "Write the report that goes with a sale.",
    ),
    "bench": Entry(
        "sigbench.cli.bench", "Make, check or rebuild the bench folder; recover recordings."
    ),
    "rig": Entry("sigbench.cli.rig", "Set up, calibrate and test interface, cables and computer."),
    "devices": Entry("sigbench.cli.devices", "List the audio devices of this computer."),
    "verify": Entry("sigbench.cli.verify", "Prove that sigbench measures right."),
}
"""Every command, in the order of the help."""

EXAMPLES = """\b
Any recording can be measured at once:
  sigbench measure recording.wav
"""  # \b tells the help to leave the lines as they are


def command_app(**settings: Any) -> typer.Typer:
    """An empty command group in the style of this program: plain help, errors left to `main`."""
    return typer.Typer(
        add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False, **settings
    )


class LazyGroup(TyperGroup):
    """The top-level group: knows all commands by name, imports only the one that is called."""

    def list_commands(self, ctx: Any) -> list[str]:
        """Names of all commands."""
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """The command itself; a name that is close to another gets a hint."""
        if cmd_name not in COMMANDS:
            near = get_close_matches(cmd_name, COMMANDS, n=1)
            hint = f" Did you mean '{near[0]}'?" if near else ""
            ctx.fail(f"There is no command '{cmd_name}'.{hint}")
        command = typer.main.get_command(import_module(COMMANDS[cmd_name].module).app)
        command.name = cmd_name
        return command

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the list of commands for the help, without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, entry.summary) for name, entry in COMMANDS.items()])

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Take a bare ``sigbench`` as a question for help."""
        return super().parse_args(ctx, args or ["--help"])


def command_line() -> LazyGroup:
    """The whole command line."""
    app = command_app(cls=LazyGroup)
    cast(Callable[..., Any], app.callback(epilog=EXAMPLES))(sigbench)
    return cast(LazyGroup, typer.main.get_command(app))


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"sigbench {__version__}")
        raise typer.Exit


def sigbench(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_print_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    """Measure what an instrument's outputs give: before, during and after a repair.

    Each command explains itself: sigbench COMMAND --help.
    """
