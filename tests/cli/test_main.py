"""Exit codes, one sentence for each error, and nothing heavy imported."""

import json
import os
import re
import subprocess
import sys
from importlib.metadata import entry_points

import pytest
import typer

from sigbench import cli, errors
from sigbench.cli import commands

HEAVY = ("numpy", "scipy", "matplotlib", "sqlalchemy", "sounddevice", "soundfile", "typst", "rich")


def modules_after(code: str) -> set[str]:
    """Names of the modules that are loaded after this code has run in a fresh Python."""
    report = "import json, sys; print('\\n' + json.dumps(sorted(sys.modules)))"
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\n{report}"], capture_output=True, text=True, check=True
    )
    return set(json.loads(done.stdout.splitlines()[-1]))


def test_help_imports_nothing_heavy():
    asked = [["--help"], *([name, "--help"] for name in commands.COMMANDS)]
    loaded = modules_after(
        "import sigbench\n"
        "from sigbench.cli import main\n"
        f"assert [main(arguments) for arguments in {asked}] == [0] * {len(asked)}"
    )
    assert not loaded & set(HEAVY)
    assert {entry.module for entry in commands.COMMANDS.values()} <= loaded


def test_a_command_is_imported_only_when_it_is_called():
    loaded = modules_after("import sigbench.cli; sigbench.cli.main(['--help'])")
    assert not loaded & {entry.module for entry in commands.COMMANDS.values()}


@pytest.mark.parametrize("arguments", [[], ["--help"]])
def test_help_lists_every_command(call, arguments):
    outcome = call(*arguments)
    assert outcome.code == 0
    assert outcome.err == ""
    for name, entry in commands.COMMANDS.items():
        assert re.search(rf"^  {name} +{re.escape(entry.summary)}", outcome.out, re.M)


@pytest.mark.parametrize("name", commands.COMMANDS)
def test_help_of_a_command_says_what_for_and_ends_with_an_example(call, name):
    outcome = call(name, "--help")
    assert outcome.code == 0
    assert commands.COMMANDS[name].summary in outcome.out
    assert outcome.out.rstrip().splitlines()[-1].strip().startswith(f"sigbench {name}")
    assert max(map(len, outcome.out.splitlines())) <= 80


def test_version(call):
    outcome = call("--version")
    assert (outcome.code, outcome.err) == (0, "")
    assert re.fullmatch(r"sigbench \d+\.\d+\.\d+\n", outcome.out)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["mesure"], "There is no command 'mesure'. Did you mean 'measure'?"),
        (["frobnicate"], "There is no command 'frobnicate'."),
        (["--frobnicate"], "No such option: --frobnicate"),
        (["measure"], "Missing argument 'FILE'"),
        (["measure", "a.wav", "--chekc", "tone"], "No such option: --chekc"),
        (["measure", "a.wav", "--a4", "high"], "Invalid value for '--a4'"),
        (["measure", "a.wav", "b.wav"], "unexpected extra argument"),
    ],
)
def test_a_wrong_command_line_gives_two_lines_and_exit_2(call, arguments, says):
    outcome = call(*arguments)
    assert outcome.code == 2
    assert outcome.out == ""
    first, second = outcome.err.splitlines()
    assert says in first
    assert re.fullmatch(r"Try 'sigbench.* --help'\.", second)


def raising(exc: BaseException):
    """A command line whose only deed is to raise this."""

    def run(arguments):
        raise exc

    return run


def subclasses(cls: type) -> list[type]:
    return [cls, *(below for sub in cls.__subclasses__() for below in subclasses(sub))]


@pytest.mark.parametrize("cls", subclasses(errors.SigbenchError))
def test_errors_become_one_sentence_and_their_exit_code(call, monkeypatch, cls):
    monkeypatch.setattr(cli, "_run", raising(cls("The lead is not plugged in: plug it in.")))
    outcome = call()
    assert outcome.code == (3 if issubclass(cls, errors.InterfaceError) else 2)
    assert outcome.out == ""
    assert outcome.err == "sigbench: The lead is not plugged in: plug it in.\n"


@pytest.mark.parametrize("exc", [KeyboardInterrupt(), typer.Abort()])
def test_an_interruption_is_no_error(call, monkeypatch, exc):
    monkeypatch.setattr(cli, "_run", raising(exc))
    outcome = call()
    assert outcome.code == 130
    assert outcome.err.count("\n") == 1
    assert "Traceback" not in outcome.err


def test_what_the_computer_refuses_is_said(call, monkeypatch):
    monkeypatch.setattr(cli, "_run", raising(OSError(28, "No space left on device", "take.wav")))
    outcome = call()
    assert outcome.code == 2
    assert "No space left on device: 'take.wav'" in outcome.err


def test_a_fault_of_the_program_is_not_mistaken_for_a_result(call, monkeypatch):
    # Python's own exit code for it would be 1, which means "something changed" here.
    monkeypatch.setattr(cli, "_run", raising(ZeroDivisionError("oops")))
    outcome = call()
    assert outcome.code == 70
    assert "ZeroDivisionError: oops" in outcome.err


@pytest.mark.parametrize("code", [0, 1])
def test_the_code_of_a_command_is_the_code_of_the_program(call, monkeypatch, code):
    app = commands.command_app()
    app.command(name="given")(lambda: code)
    module = type(sys)("given_command")
    module.app = app
    monkeypatch.setitem(sys.modules, "given_command", module)
    monkeypatch.setitem(commands.COMMANDS, "given", commands.Entry("given_command", "Give."))
    assert call("given").code == code


@pytest.mark.skipif(os.name == "nt", reason="Windows reports a closed pipe in another way")
def test_a_reader_that_leaves_is_no_error(program):
    # The pipe is closed before the program writes: its read end belongs to nobody any more.
    read_end, write_end = os.pipe()
    os.close(read_end)
    done = subprocess.run(
        [sys.executable, "-m", "sigbench", "--help"],
        stdout=write_end,
        stderr=subprocess.PIPE,
        check=False,
    )
    os.close(write_end)
    assert done.returncode == 141
    assert done.stderr == b""


def test_the_installed_program_is_main():
    (script,) = entry_points(group="console_scripts", name="sigbench")
    assert script.load() is cli.main


def test_python_m_is_the_same_program(program):
    done = program("frobnicate")
    assert done.returncode == 2
    assert done.stdout == b""
    assert b"There is no command 'frobnicate'" in done.stderr
