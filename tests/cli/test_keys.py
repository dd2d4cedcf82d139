"""Single keys from a pseudo-terminal."""

import os
import sys
import time

import pytest

from sigbench.cli.keys import pressed_keys

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal (POSIX)")


@pytest.fixture
def keyboard(monkeypatch):
    """Type at a terminal that stands for stdin."""
    import pty

    ours, theirs = pty.openpty()
    with os.fdopen(theirs, "r") as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        yield lambda text: os.write(ours, text.encode())
    os.close(ours)


def typed(keys, count):
    """What has arrived, waiting for so many keys."""
    found = ""
    for _ in range(1000):
        found += keys()
        if len(found) >= count:
            break
        time.sleep(0.005)
    return found


def test_keys_come_without_enter_and_nobody_waits_for_them(keyboard):
    with pressed_keys() as keys:
        assert keys() == ""
        keyboard("p 1")
        assert typed(keys, 3) == "p 1"
        assert keys() == ""
        keyboard("ø")  # two bytes
        assert typed(keys, 1) == "ø"


def test_arrows_and_function_keys_are_no_keys_of_ours(keyboard):
    """As ECMA-48 spells them: up, page up, F5, F1, and Alt with q."""
    with pressed_keys() as keys:
        keyboard("\x1b[A\x1b[5~\x1b[15~\x1bOP\x1bq1")
        assert typed(keys, 1) == "1"


def test_the_terminal_is_as_before_afterwards(keyboard):
    import termios

    def settings():
        return termios.tcgetattr(sys.stdin.fileno())

    def interrupted():
        with pressed_keys():
            assert settings() != before
            raise KeyboardInterrupt

    before = settings()
    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert settings() == before


def test_without_a_terminal_there_are_no_keys(monkeypatch, tmp_path):
    (tmp_path / "empty").touch()
    with open(tmp_path / "empty") as file:
        monkeypatch.setattr(sys, "stdin", file)
        with pressed_keys() as keys:
            assert keys() == ""
    monkeypatch.setattr(sys, "stdin", None)
    with pressed_keys() as keys:
        assert keys() == ""
