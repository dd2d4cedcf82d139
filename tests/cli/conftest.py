"""Two ways to call the command line: in this process, and as a program of its own."""

import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass

import pytest

from sigbench.cli import main


@dataclass(frozen=True)
class Outcome:
    code: int
    out: str
    err: str


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str]) -> Callable[..., Outcome]:
    """Run `main` here and give its exit code and output."""

    def run(*arguments: object) -> Outcome:
        capsys.readouterr()
        code = main([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        return Outcome(code, out, err)

    return run


@pytest.fixture
def program() -> Callable[..., "subprocess.CompletedProcess[bytes]"]:
    """Run ``python -m sigbench`` with a pipe at its output and give what came of it."""

    def run(*arguments: object, **environment: str) -> "subprocess.CompletedProcess[bytes]":
        command = [sys.executable, "-m", "sigbench", *map(str, arguments)]
        # No colour switches of this terminal, and warnings are errors as in the tests themselves.
        inherited = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "FORCE_COLOR")}
        settings = {"PYTHONWARNINGS": "error", "COLUMNS": "80", **environment}
        return subprocess.run(
            command, capture_output=True, env={**inherited, **settings}, timeout=120, check=False
        )

    return run
