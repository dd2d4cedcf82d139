"""The commands that the documentation tells people to type are there, with these options."""

import re
import shlex
from contextlib import suppress
from pathlib import Path

import pytest
import typer

from sigbench.cli.commands import COMMANDS, command_line

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]


def documented_commands() -> list[tuple[str, str]]:
    """Each ``sigbench …`` line in a console or sh block, with the page that it stands on."""
    found = []
    for page in filter(Path.exists, PAGES):
        for block in re.findall(
            r"^```(?:console|sh|bash)\n(.*?)^```", page.read_text("utf-8"), re.M | re.S
        ):
            for line in block.replace("\\\n", " ").splitlines():
                command = line.removeprefix("$ ").strip()
                if re.match(r"sigbench\b", command):
                    found.append((page.name, command))
    return found


@pytest.mark.parametrize(("page", "command"), documented_commands())
def test_a_documented_command_parses(page: str, command: str):
    arguments = shlex.split(command, comments=True)[1:]
    group = command_line()
    # Parsing alone: nothing is run, and a wrong option or a missing argument is an error. The
    # exit is that of --help and --version.
    with suppress(typer.Exit), group.make_context("sigbench", arguments) as context:
        while hasattr(context.command, "resolve_command"):
            rest = [*context._protected_args, *context.args]
            name, below, rest = context.command.resolve_command(context, rest)
            context = below.make_context(name, rest, parent=context)


def test_a_wrong_option_would_be_noticed():
    with pytest.raises(typer.TyperException, match="No such option"):
        test_a_documented_command_parses("here", "sigbench measure a.wav --chekc tone")


def test_every_command_is_documented():
    documented = {shlex.split(command)[1] for _, command in documented_commands()}
    assert set(COMMANDS) <= documented


def test_every_option_of_measure_is_documented(call):
    options = set(re.findall(r"^  (--[\w-]+)", call("measure", "--help").out, re.M)) - {"--help"}
    page = (ROOT / "docs" / "command-line.md").read_text("utf-8")
    assert {option for option in options if f"`{option}" not in page} == set()
