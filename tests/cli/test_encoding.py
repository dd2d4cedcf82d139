"""Text on consoles that lack some signs."""

import io

import pytest

from sigbench.cli.encoding import make_printable, printable


def written(text: str, encoding: str) -> bytes:
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding=encoding, newline="\n")
    make_printable(stream)
    stream.write(text)
    stream.flush()
    return raw.getvalue()


@pytest.mark.parametrize(
    ("encoding", "expected"),
    [
        # Code pages 1252 and 437 have ± but no minus sign, 437 has ≤: the tables of the Unicode
        # consortium, as Python carries them.
        ("ascii", b"<= -6.02 +/- 0.01 dB ..."),
        ("cp1252", b"<= -6.02 \xb1 0.01 dB \x85"),
        ("cp437", b"\xf3 -6.02 \xf1 0.01 dB ..."),
        ("utf-8", "≤ −6.02 ± 0.01 dB …".encode()),
    ],
)
def test_signs_that_are_missing_are_spelled_in_ascii(encoding: str, expected: bytes):
    assert written("≤ −6.02 ± 0.01 dB …", encoding) == expected
    assert printable("≤ −6.02 ± 0.01 dB …", encoding) == expected.decode(encoding)


def test_a_sign_without_a_spelling_is_a_question_mark():
    assert written("名.wav", "ascii") == b"?.wav"


def test_a_file_name_that_is_no_unicode_can_be_printed():
    assert written("take\udcff.wav", "utf-8") == b"take?.wav"  # a lone surrogate of PEP 383


def test_a_missing_stream_is_left_alone():
    make_printable(None)  # as under pythonw on Windows
