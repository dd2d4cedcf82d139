"""The tool that people and CI use to install and test."""

import importlib.util
import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def dev():
    spec = importlib.util.spec_from_file_location("dev", ROOT / "dev.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def run(*arguments: str) -> "subprocess.CompletedProcess[str]":
    command = [sys.executable, ROOT / "dev.py", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_help_names_every_task(dev):
    done = run("help")
    assert done.returncode == 0
    assert all(f"dev.py {task} " in done.stdout for task in dev.TASKS)


def test_an_unknown_task_is_refused():
    assert run("tests").returncode == 2


def test_it_needs_nothing_but_python(dev):
    # -I -S: no site-packages, so an import from outside the standard library would fail.
    done = subprocess.run([sys.executable, "-I", "-S", "dev.py", "help"], cwd=ROOT, check=False)
    assert done.returncode == 0


def test_the_first_step_that_fails_ends_it(dev, monkeypatch, capfd):
    steps = []

    def call(*command, **streams):
        steps.append(command[2])
        return 1 if command[2] == "ruff" and "check" in command[3:4] else 0

    monkeypatch.setattr(dev, "call", call)
    assert dev.lint() == 1
    assert steps == ["ruff", "ruff"]  # format passes, the linter fails, types are not reached
    assert "failed with exit code 1" in capfd.readouterr().err


def test_it_installs_only_when_something_has_changed(dev, monkeypatch, tmp_path):
    installed = []
    monkeypatch.setattr(dev, "VENV", tmp_path)
    monkeypatch.setattr(dev, "works", lambda python, code: True)
    monkeypatch.setattr(dev, "run", lambda *command: installed.append(command[-1]) or 0)
    monkeypatch.setattr(dev, "fingerprint", lambda: "first")
    assert [dev.install("dev"), dev.install("dev")] == [0, 0]
    assert installed == [".[dev]"]
    monkeypatch.setattr(dev, "fingerprint", lambda: "second")
    dev.install("dev")
    dev.install("")
    assert installed == [".[dev]", ".[dev]", "."]


def test_a_failed_installation_is_tried_again(dev, monkeypatch, tmp_path):
    monkeypatch.setattr(dev, "VENV", tmp_path)
    monkeypatch.setattr(dev, "works", lambda python, code: True)
    monkeypatch.setattr(dev, "run", lambda *command: 1)
    assert dev.install("dev") == 1
    assert list(tmp_path.iterdir()) == []


def test_missing_debian_packages_are_named_with_what_is_skipped(dev, monkeypatch, capsys):
    monkeypatch.setattr(dev.shutil, "which", lambda name: f"/usr/bin/{name}")
    monkeypatch.setattr(dev, "missing_packages", lambda: ["sox", "ngspice"])
    monkeypatch.setattr(dev, "apt_install", lambda packages: None)  # not allowed to
    dev.offer_debian_packages()
    said = capsys.readouterr().out
    assert "sox is not installed" in said
    assert "Tests about signals from simulated circuits will be skipped: ngspice" in said
    assert "fluidsynth" not in said


@pytest.mark.skipif(os.name == "nt", reason="no executable bit on Windows")
def test_ci_runs_the_command_of_the_readme():
    script = ROOT / ".ci" / "run"
    assert script.stat().st_mode & stat.S_IXUSR
    assert script.read_text().splitlines()[-1] == 'exec python3 dev.py test "$@"'
