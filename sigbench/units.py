"""Decibels, volts, notes and times: every conversion is worked out here.

Levels follow AES17: an RMS level in dBFS is relative to a full-scale sine, so a sine whose
peaks reach full scale reads 0 dBFS and a full-scale square wave +3.01 dBFS. Peaks in dBFS are
relative to full scale itself. Zero becomes ``-inf``, unclamped.
"""

import re
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from sigbench.errors import RequestError

Numeric = TypeVar("Numeric", float, NDArray[np.float64])

FULL_SCALE_SINE_RMS = 1 / np.sqrt(2)
DBU_REFERENCE_VOLTS = np.sqrt(0.6)  # 1 mW into 600 ohm; 0 dBV is 1 V
NEPER_DB = 20 / np.log(10)  # 8.686 dB: a small relative change of amplitude, in decibels

_NOTES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")


def ratio_to_db(ratio: Numeric) -> Numeric:
    """Amplitude ratio to decibels; 0 gives ``-inf``."""
    with np.errstate(divide="ignore"):
        return 20 * np.log10(ratio)


def power_ratio_to_db(ratio: Numeric) -> Numeric:
    """Power ratio to decibels; 0 gives ``-inf``."""
    with np.errstate(divide="ignore"):
        return 10 * np.log10(ratio)


def db_to_ratio(db: Numeric) -> Numeric:
    """Decibels to amplitude ratio."""
    return 10.0 ** (db / 20)


def rms_to_dbfs(rms: Numeric) -> Numeric:
    """RMS value (full scale 1.0) to dBFS, where a full-scale sine is 0 dBFS (AES17)."""
    return ratio_to_db(rms / FULL_SCALE_SINE_RMS)


def dbfs_to_rms(dbfs: Numeric) -> Numeric:
    """Level in dBFS (full-scale sine 0 dBFS) to RMS value."""
    return db_to_ratio(dbfs) * FULL_SCALE_SINE_RMS


def volts_to_dbu(volts: Numeric) -> Numeric:
    """RMS volts to dBu; 0.7746 V is 0 dBu."""
    return ratio_to_db(volts / DBU_REFERENCE_VOLTS)


def dbu_to_volts(dbu: Numeric) -> Numeric:
    """Level in dBu to RMS volts."""
    return db_to_ratio(dbu) * DBU_REFERENCE_VOLTS


def dbu_to_dbv(dbu: Numeric) -> Numeric:
    """Level in dBu to dBV; 0 dBV, which is 1 V RMS, is 2.2185 dBu."""
    return dbu + ratio_to_db(float(DBU_REFERENCE_VOLTS))


def cents(frequency_hz: Numeric, reference_hz: float) -> Numeric:
    """Interval from a reference in cents (1200 an octave)."""
    return 1200 * np.log2(frequency_hz / reference_hz)


def note_to_frequency(note: str, *, a4_hz: float = 440.0) -> float:
    """Equal-tempered frequency in Hz of a note name such as ``A4``, ``C#3`` or ``Bb1``.

    Raises
    ------
    RequestError
        If the text is no note name.

    Examples
    --------
    >>> round(note_to_frequency("C4"), 3)
    261.626
    """
    match = re.fullmatch(r"([A-Ga-g])([#b♯♭]?)(-?\d)", note.strip())
    if match is None:
        raise RequestError(f"'{note}' is no note name: write one like A4, C#3 or Bb1.")
    letter, accidental, octave = match.groups()
    shift = {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1}[accidental]
    number = 12 * (int(octave) + 1) + _NOTES[letter.upper()] + shift
    return float(a4_hz * 2 ** ((number - 69) / 12))


def nearest_note(frequency_hz: float, *, a4_hz: float = 440.0) -> tuple[str, float]:
    """Name of the nearest equal-tempered note and the deviation from it in cents.

    Examples
    --------
    >>> nearest_note(440.0)
    ('A4', 0.0)
    """
    position = 69 + 12 * np.log2(frequency_hz / a4_hz)
    number = round(position)
    return f"{_NAMES[number % 12]}{number // 12 - 1}", float(100 * (position - number))


def true_minus(text: str) -> str:
    """Numbers in a text as they are printed: with a minus sign, where Python writes a hyphen.

    Examples
    --------
    >>> true_minus(f"{-60.25:.1f} dB")
    '−60.2 dB'
    """
    return text.replace("-", "−")


Volts = tuple[float, float | None]
"""Of a rail: what the meter shows on DC, and on AC where that was measured."""


def read_volts(text: str) -> Volts:
    """Volts as people type them: ``-14.9``, ``4,97 V``, ``−15``; with ripple, ``14.9 0.004``.

    Raises
    ------
    RequestError
        If it is neither one number nor two.
    """
    plain = text.replace("−", "-").replace(",", ".")
    found = re.fullmatch(rf"{_NUMBER}\s*(m?)v?(?:\s+{_NUMBER}\s*(m?)v?)?", plain.strip(), re.I)
    if found is None:
        raise RequestError(
            f"'{text}' is no voltage: type a number of volts, such as -14.9, and after a space the "
            "ripple on AC volts if you measured it."
        )
    direct, milli, ripple, ripple_milli = found.groups()
    return _volts(direct, milli), None if ripple is None else _volts(ripple, ripple_milli)


_NUMBER = r"([+-]?(?:\d+\.?\d*|\.\d+))"


def _volts(number: str, milli: str) -> float:
    return float(number) / (1000 if milli else 1)
