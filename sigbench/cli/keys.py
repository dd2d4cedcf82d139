"""Single keys from the terminal, without waiting for them."""

import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

_ESCAPED = re.compile(r"\x1b(\[[0-?]*[ -/]*[@-~]|O.|.)?", re.DOTALL)
"""What arrows, function keys, and a key with Alt send: ECMA-48, 5.4, and SS3 with a letter."""


@contextmanager
def pressed_keys() -> "Iterator[Callable[[], str]]":
    """Read keys one by one while this lasts; the terminal is as before afterwards.

    Yields
    ------
    callable
        Gives the keys pressed since it was called last, in one text; nothing where nobody is at a
        keyboard. Arrows and function keys count for nothing, and Ctrl-C stays what it is.
    """
    if sys.stdin is None or not sys.stdin.isatty():
        yield lambda: ""
    elif sys.platform == "win32":
        import msvcrt

        def waiting() -> str:
            keys = ""
            while msvcrt.kbhit():
                key = msvcrt.getwch()
                if key in "\x00\xe0":  # a function key comes in two parts
                    msvcrt.getwch()
                else:
                    keys += key
            return keys

        yield waiting
    else:
        import os
        import select
        import termios
        import tty

        place = sys.stdin.fileno()
        before = termios.tcgetattr(place)

        def waiting() -> str:
            keys = b""
            while select.select([place], [], [], 0)[0] and (some := os.read(place, 64)):
                keys += some
            return _ESCAPED.sub("", keys.decode(errors="ignore"))

        tty.setcbreak(place)
        try:
            yield waiting
        finally:
            termios.tcsetattr(place, termios.TCSADRAIN, before)
