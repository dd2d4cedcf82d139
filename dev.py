#!/usr/bin/env python3
"""Everything about working on sigbench, with nothing installed beforehand but Python.

    python3 dev.py demo           install, and run the main job on the simulated unit
    python3 dev.py test [ARGS]    install, and pass all checks; ARGS go to pytest
    python3 dev.py lint           format check, lint and types only
    python3 dev.py format         bring the code into the one format
    python3 dev.py bench          run the benchmarks

The virtual environment is .venv in this folder. It is made when it is missing and brought up to
date when pyproject.toml has changed; otherwise nothing is installed.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

OLDEST_PYTHON = (3, 11)
ROOT = Path(__file__).resolve().parent
VENV = ROOT / ".venv"
PYTHON = VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")

# Debian packages that tests use, and what those tests are about.
DEBIAN_PACKAGES = {
    "libportaudio2": "audio devices",
    "pulseaudio": "audio devices",
    "pulseaudio-utils": "audio devices",
    "libasound2-plugins": "audio devices",
    "sox": "levels against another program, and odd file formats",
    "ngspice": "signals from simulated circuits",
    "fluidsynth": "signals from a software instrument",
    "fluid-soundfont-gm": "signals from a software instrument",
    "ffmpeg": "odd file formats",
    "poppler-utils": "the PDF report",
    "tmux": "the live view on a terminal",
    "chromium": "the bench page in a browser",
}

# The tasks, and the optional dependencies that each needs.
TASKS = {"demo": "", "test": "dev", "lint": "dev", "format": "dev", "bench": "dev"}


def main(arguments: list[str]) -> int:
    """Run one task; the exit code is that of the first step that failed, or 0."""
    if sys.version_info < OLDEST_PYTHON:
        have, need = (".".join(map(str, v[:2])) for v in (sys.version_info, OLDEST_PYTHON))
        return fail(f"Python {need} or newer is needed, and this is {have}.")
    task, *rest = arguments or ["help"]
    if task not in TASKS:
        print(__doc__.strip())
        return 0 if task in ("help", "-h", "--help") else 2
    os.chdir(ROOT)
    if task == "test":
        offer_debian_packages()
    if code := install(TASKS[task]):
        return code
    if task == "demo":
        return call(PYTHON, "-m", "sigbench", "demo", *rest)
    if task == "format":
        return run(PYTHON, "-m", "ruff", "check", "--fix", *rest) or run(
            PYTHON, "-m", "ruff", "format", *rest
        )
    if task == "bench":
        return bench(rest)
    if code := lint():
        return code
    return run(PYTHON, "-m", "pytest", "-n", "auto", *rest) if task == "test" else 0


def lint() -> int:
    """Format, lint and types; stops at the first that fails."""
    return (
        run(PYTHON, "-m", "ruff", "format", "--check", ".")
        or run(PYTHON, "-m", "ruff", "check", ".")
        or run(PYTHON, "-m", "mypy")
    )


def bench(arguments: list[str]) -> int:
    """Run each script in benchmarks/."""
    scripts = sorted(path for path in (ROOT / "benchmarks").glob("*.py") if path.stem[0] != "_")
    if not scripts:
        return fail("There is no script in benchmarks/.")
    for script in scripts:
        if code := run(PYTHON, "-m", f"benchmarks.{script.stem}", *arguments):
            return code
    return 0


def install(extra: str) -> int:
    """Bring the virtual environment up to date with pyproject.toml, if it is not."""
    if not works(PYTHON, "import pip"):
        say(f"Making the virtual environment {VENV}")
        if code := make_venv():
            return code
    wanted = fingerprint()
    done = VENV / f"sigbench-{extra or 'user'}.installed"
    if done.exists() and done.read_text() == wanted and works(PYTHON, "import sigbench"):
        return 0
    say("Installing sigbench and what it needs; the first time this takes some minutes")
    target = f".[{extra}]" if extra else "."
    if code := run(PYTHON, "-m", "pip", "install", "--quiet", "--editable", target):
        return code
    done.write_text(wanted)
    return 0


def make_venv() -> int:
    """Make .venv, with pip in it."""
    if not works(sys.executable, "import ensurepip, venv"):
        apt_install(["python3-venv"])
    if not works(sys.executable, "import ensurepip, venv"):
        return fail("Python has no venv module: on Debian and Ubuntu install python3-venv.")
    return run(sys.executable, "-m", "venv", "--clear", VENV)


def fingerprint() -> str:
    """What the installation depends on: the project file and the Python that runs it."""
    project = hashlib.sha256((ROOT / "pyproject.toml").read_bytes()).hexdigest()
    return f"{project} {sys.version} {ROOT}\n"


def offer_debian_packages() -> None:
    """Install the Debian packages that tests use, or say what will be skipped without them."""
    if shutil.which("dpkg-query") is None:
        say("No Debian system: tests that need its packages are skipped, and say so")
        return
    missing = missing_packages()
    if missing:
        apt_install(missing)
        missing = missing_packages()
    for about in sorted({DEBIAN_PACKAGES[package] for package in missing}):
        packages = " ".join(p for p in missing if DEBIAN_PACKAGES[p] == about)
        say(f"Tests about {about} will be skipped: {packages} is not installed")


def missing_packages() -> list[str]:
    """Those of `DEBIAN_PACKAGES` that are not installed."""
    query = ["dpkg-query", "--show", "--showformat", "${Package} ${db:Status-Status}\n"]
    answer = subprocess.run([*query, *DEBIAN_PACKAGES], capture_output=True, text=True, check=False)
    states = answer.stdout.splitlines()
    return [package for package in DEBIAN_PACKAGES if f"{package} installed" not in states]


def apt_install(packages: list[str]) -> None:
    """Install Debian packages if that is allowed without a question; else leave them."""
    if shutil.which("apt-get") is None:
        return
    prefix: list[str] = []
    if os.geteuid() != 0:
        if shutil.which("sudo") is None or call("sudo", "-n", "true", stderr=subprocess.DEVNULL):
            return
        prefix = ["sudo", "-n"]
    say("Installing Debian packages: " + " ".join(packages))
    apt = [*prefix, "env", "DEBIAN_FRONTEND=noninteractive", "apt-get", "-qq"]
    if call(*apt, "update", stdout=subprocess.DEVNULL) == 0:
        call(*apt, "install", "-y", "--no-install-recommends", *packages, stdout=subprocess.DEVNULL)


def works(python: str | Path, code: str) -> bool:
    """Whether a Python is there and runs this code."""
    if shutil.which(str(python)) is None:
        return False
    return call(python, "-c", code, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) == 0


def run(*command: str | Path) -> int:
    """Show a command and run it; the exit code is its own."""
    shown = " ".join(str(part) for part in command)
    say(shown.replace(str(VENV) + os.sep, ".venv" + os.sep))
    code = call(*command)
    if code:
        fail(f"failed with exit code {code}: {shown}")
    return code


def call(*command: str | Path, stdout: int | None = None, stderr: int | None = None) -> int:
    """Exit code of a command that is run without being shown."""
    environment = {"PIP_DISABLE_PIP_VERSION_CHECK": "1", **os.environ}
    # Else each worker, and each program that a test starts, would compile everything anew.
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    try:
        return subprocess.call(
            [str(part) for part in command], stdout=stdout, stderr=stderr, env=environment
        )
    except KeyboardInterrupt:
        return 130


def say(text: str) -> None:
    """Show what is being done, in order with the output of the commands."""
    print(f"-- {text}", flush=True)


def fail(text: str) -> int:
    """Say on stderr why this goes no further."""
    print(f"dev.py: {text}", file=sys.stderr, flush=True)
    return 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
