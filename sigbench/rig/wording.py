"""What is known of a rig, in words: the same on every front."""

import platform
from collections.abc import Sequence

from sigbench.model import Calibration, RigLimits, RigTest
from sigbench.report.wording import quantity_text, short_words
from sigbench.rig.calibration import LoopCheck
from sigbench.rig.path import PathTest
from sigbench.rig.path_advice import System
from sigbench.units import dbu_to_volts, true_minus

FINDING_TITLES = {
    "wrong_rate": "Wrong sample rate",
    "resampling": "Resampling",
    "automatic_gain": "Automatic gain",
    "noise_suppression": "Noise suppression",
    "software_volume": "Volume below 100 %",
    "truncation_16_bit": "16-bit truncation",
    "mono": "Mixed to mono",
    "swapped_channels": "Swapped channels",
    "high_pass": "High-pass",
    "clock_drift": "Two clocks",
}


def capital(text: str) -> str:
    """A sentence with a capital."""
    return text[:1].upper() + text[1:]


def signed_db(value: float) -> str:
    """Decibels with their sign."""
    return true_minus(f"{value:+.2f}")


def this_system() -> System:
    """The system of this computer, as the advice knows it."""
    names: dict[str, System] = {"Windows": "Windows", "Darwin": "macOS"}
    return names.get(platform.system(), "Linux")


def titles_of(findings: Sequence[str]) -> str:
    """Names of findings in words."""
    return ", ".join(FINDING_TITLES.get(name, name) for name in findings)


def rig_test_of(done: PathTest, date: str) -> RigTest:
    """What is kept of a rig test."""
    return RigTest(
        date,
        done.take.samplerate,
        tuple(one.name for one in done.findings if one.present),
        tuple(one.name for one in done.findings if one.present is None),
    )


def finding_sentences(done: PathTest, system: System) -> tuple[str, ...]:
    """What was found first, then what could not be told, then the rest in short."""
    said = []
    for one in done.findings:
        if one.present:
            said.append(f"FOUND: {FINDING_TITLES[one.name]}. {capital(one.evidence)}")
            said.append(f"  {system}: {one.what_to_do[system]}")
    said += [
        f"Cannot tell: {FINDING_TITLES[one.name]}. {capital(one.evidence)}"
        for one in done.findings
        if one.present is None
    ]
    absent = [FINDING_TITLES[one.name] for one in done.findings if one.present is False]
    if absent:
        rest = ", ".join(title[:1].lower() + title[1:] for title in absent)
        said.append(f"Not found: {rest}.")
    if done.clean and len(absent) == len(done.findings):
        said.append("The audio comes through this computer as it should.")
    return tuple(said)


def calibration_sentences(made: Calibration) -> tuple[str, ...]:
    """A calibration in volts and dBu: how it was made, then each channel."""
    meter = made.meter
    kind = "true RMS" if meter.true_rms else "not true RMS"
    return (
        f"Calibrated on {made.date[:10]} at {made.samplerate / 1000:g} kHz with a meter of "
        f"{meter.accuracy_percent:g} % + {meter.digits} digits ({kind}):",
        *(
            f"{what} {one.channel}: 0 dBFS is "
            f"{quantity_text(one.dbu, one.uncertainty, 'dBu').text} "
            f"({float(dbu_to_volts(one.dbu)):.3f} V RMS)"
            for what, channels in (("Output", made.outputs), ("Input", made.inputs))
            for one in channels
        ),
    )


def check_sentences(found: LoopCheck) -> tuple[str, ...]:
    """Whether a calibration still holds, and by how much each input is off."""
    return (
        *(
            f"Input {channel}: {signed_db(shift)} dB against its calibration."
            for channel, shift in found.shifts
        ),
        *(capital(sentence) for sentence in (*found.problems, *found.remarks)),
        "The calibration holds." if found.fine else "The calibration does not hold.",
    )


def limit_sentences(made: RigLimits) -> tuple[str, ...]:
    """What a rig does by itself, a line for each figure."""
    return tuple(f"{title}: {value}" for title, value in map(short_words, made.readings))
