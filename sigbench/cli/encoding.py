"""Text on consoles that cannot print all of it: signs get an ASCII spelling instead.

Older Windows consoles, and pipes there, use code pages without ``−`` or ``≤``. The error
handler registered here writes ``-`` and ``<=`` then, and never fails.
"""

import codecs
from typing import TextIO

_HANDLER = "sigbench.ascii"

_SPELLING = {
    "−": "-",
    "–": "-",
    "—": "-",
    "±": "+/-",
    "×": "x",
    "≤": "<=",
    "≥": ">=",
    "≈": "about ",
    "…": "...",
    "→": "->",
    "°": " deg",
    "µ": "u",
    "μ": "u",
    "Ω": "ohm",
    "♯": "#",
    "♭": "b",
    "‘": "'",
    "’": "'",
    "“": '"',
    "”": '"',
    "\u00a0": " ",
    "\u2009": " ",
    "\u202f": " ",
}


def _spell(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    signs = error.object[error.start : error.end]
    return "".join(_SPELLING.get(sign, "?") for sign in signs), error.end


codecs.register_error(_HANDLER, _spell)


def make_printable(stream: TextIO | None) -> None:
    """Let a text stream spell out what its encoding lacks, instead of failing."""
    reconfigure = getattr(stream, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors=_HANDLER)


def printable(text: str, encoding: str) -> str:
    """The text as a stream of this encoding will show it; for columns that must line up.

    Examples
    --------
    >>> printable("−6.02 ± 0.01 dBFS", "ascii")
    '-6.02 +/- 0.01 dBFS'
    """
    return text.encode(encoding, _HANDLER).decode(encoding)
