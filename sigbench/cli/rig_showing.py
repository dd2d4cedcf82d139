"""Rigs, their calibration, limits and tests on the terminal."""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console

    from sigbench.model import RigSetup, RigTest
    from sigbench.rig.path import PathTest


def caution(sentences: str, console: "Console") -> None:
    """What to heed, at the moment when it matters."""
    say(f"Caution: {sentences}", console)


def say(text: str, console: "Console") -> None:
    """Print a sentence."""
    from sigbench.cli import show

    console.print(show.fit(text, console))


def print_setup(chosen: "RigSetup", console: "Console") -> None:
    """The rig in a few lines."""
    from sigbench.cli.show import fit

    rows = [
        ("Rig", chosen.name),
        ("Interface", f"{chosen.device} ({chosen.host})"),
        (
            "Output device",
            f"{chosen.play_device} ({chosen.play_host})" if chosen.play_device else "",
        ),
        ("Sample rate", f"{chosen.samplerate / 1000:g} kHz"),
        ("Inputs", ", ".join(map(str, chosen.inputs))),
        ("Outputs", ", ".join(map(str, chosen.outputs)) or "none"),
        (
            "Pilot tone",
            f"output {chosen.pilot[0]} to input {chosen.pilot[1]}" if chosen.pilot else "",
        ),
        ("Gain", chosen.gain or "not stated"),
        ("Mixer of the system", "left out (exclusive)" if chosen.exclusive else ""),
        ("Test", _test_state(chosen)),
        ("Calibration", _state(chosen, "calibration")),
        ("Limits", _state(chosen, "limits")),
    ]
    for title, text in rows:
        if text:
            console.print(fit(f"{title + ':':<21}{text}", console))


def _test_state(chosen: "RigSetup") -> str:
    from sigbench.rig.wording import titles_of

    last = chosen.test
    if last is None:
        return "none yet ('sigbench rig test')"
    found = titles_of(last.found)
    return f"of {last.date[:10]}: {f'FOUND {found}' if found else 'nothing found'}"


def _state(chosen: "RigSetup", what: str) -> str:
    from sigbench.rig.calibration import holds

    made: Any = getattr(chosen, what)
    if made is None:
        command = "calibrate" if what == "calibration" else "limits"
        return f"none yet ('sigbench rig {command}')"
    why = holds(what, made.samplerate, made.gain, at_rate=chosen.samplerate, at_gain=chosen.gain)
    return f"of {made.date[:10]}" + (f", not used: {why}" if why else "")


def print_calibration(made: Any, console: "Console") -> None:
    """A calibration in volts and dBu."""
    from sigbench.rig.wording import calibration_sentences

    heading, *channels = calibration_sentences(made)
    say(heading, console)
    for line in channels:
        say(f"  {line}", console)


def print_limits(chosen: "RigSetup", console: "Console") -> None:
    """What the rig does by itself."""
    from sigbench.cli import show
    from sigbench.model import Measurement, Source

    made = chosen.limits
    assert made is not None
    source = Source("interface", chosen.device, None, made.samplerate, len(chosen.inputs), 0)
    console.print(
        show.fit(
            f"What the rig does by itself, {made.date[:10]}, gain: {made.gain or 'not stated'}",
            console,
        )
    )
    show.print_readings(Measurement("rig", source, made.readings), console)


def print_findings(done: "PathTest", console: "Console") -> None:
    """What was found first, then what could not be told, then the rest in short."""
    from sigbench.rig.wording import finding_sentences, this_system

    for sentence in finding_sentences(done, this_system()):
        say(sentence, console)


def print_findings_json(done: "PathTest", said: "RigTest") -> None:
    """All findings as one JSON object."""
    import msgspec

    from sigbench import __version__
    from sigbench.cli import show

    found = [
        {
            "name": one.name,
            "present": one.present,
            "evidence": one.evidence,
            "value": one.value,
            "uncertainty": one.uncertainty,
            "unit": one.unit,
            "what_to_do": one.what_to_do,
        }
        for one in done.findings
    ]
    show.print_line(
        msgspec.json.encode({"sigbench": __version__, "date": said.date, "findings": found})
    )


def rig_as_json(chosen: "RigSetup") -> bytes:
    """The rig as it is stored, in one line."""
    import msgspec

    from sigbench.bench.documents import rig_to_json

    return msgspec.json.format(rig_to_json(chosen), indent=0)
