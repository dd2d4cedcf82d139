"""Numbers as they are printed and typed; conversions are tested where they are used."""

import pytest

from sigbench.units import read_volts, true_minus


@pytest.mark.parametrize(
    ("text", "printed"),
    [
        ("-60.2", "\N{MINUS SIGN}60.2"),
        ("+3.0", "+3.0"),
        ("0.5 dB at -6 dBFS, 0.7 dB at -20 dBFS", "0.5 dB at −6 dBFS, 0.7 dB at −20 dBFS"),
        ("1e-05", "1e−05"),
        ("−15", "−15"),
    ],
)
def test_what_is_printed_has_a_minus_sign_and_no_hyphen(text, printed):
    assert true_minus(text) == printed


@pytest.mark.parametrize("volts", [-14.9, -0.004, 0.0, 12.0])
def test_what_is_printed_can_be_typed_again(volts):
    assert read_volts(true_minus(f"{volts:g}")) == (volts, None)
