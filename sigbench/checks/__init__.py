"""The checks: a take and settings in, a measurement (readings and events) out.

A check loops over the channels, calls the measuring functions, and gives each number its name,
unit and state. It opens no file and no device.
"""

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from sigbench.errors import RequestError, SignalError
from sigbench.model import CheckSettings, LongTake, Measurement, Reading, Samples, Take

TAKE_CHECKS = ("idle", "tone", "dropouts", "jack", "pot", "soak")
"""Checks that measure a take."""

CHECKS_OF_HOURS = ("dropouts", "jack", "soak")
"""Those that read a take of any length, in blocks."""

CHECKS = ("rails", *TAKE_CHECKS)
"""Every check there is; rails are typed in from the multimeter."""

NO_ONSET = "none found"
"""How the reason of an `onset` begins that was looked for and is not there: all is well."""

# Without a named check. A note is recorded well above this, a whine in idle noise lies below:
# common practice, no source.
QUIETEST_NOTE_DBFS = -60.0
MAINS_HZ = (50.0, 60.0)
MAINS_TOLERANCE = 0.01  # EN 50160; no note of equal temperament at A4 = 440 Hz lies so near
STEADIEST_MUSIC_DB = 1.0  # uncertainty of noise_a: idle noise is steadier than this

IN_MEMORY_SAMPLES = 1 << 26
"""Samples, of all channels together, of the longest take that is measured in one piece.

As float64 they are half a gigabyte, and measuring needs that several times over: what computers
of our day can spare.
"""

FAINTEST = 1e-20  # -400 dBFS; the finest converter stops at 1e-9
_SOME = 499  # frames between those that are looked at first
_LEVELS = ("level_", "crest_factor", "dc_offset")
SHORTEST_SECONDS = 0.05
"""Of a take: two cycles of 40 Hz. Below this nothing on the list has a meaning."""


def measure(
    take: Take | LongTake, check: str | None = None, settings: CheckSettings | None = None
) -> Measurement:
    """Measure one take.

    Parameters
    ----------
    take : Take or LongTake
        The recording. A long one is for one of `CHECKS_OF_HOURS`.
    check : one of `TAKE_CHECKS`, or None
        None looks for a tone first and, where no channel has one, measures the take as idle. A
        tone below -60 dBFS or at the mains frequency is not taken for a note, and a sound that
        is neither a steady note nor steady noise is not measured as noise.
    settings : CheckSettings or None
        What is known beforehand, such as the note played.

    Raises
    ------
    RequestError
        If there is no such check, or the take is too long for it.
    SignalError
        If the take is too short for any reading to mean something.
    """
    settings = settings or CheckSettings()
    if check is not None and check not in TAKE_CHECKS:
        raise RequestError(
            f"There is no check '{check}' for a recording; choose one of {', '.join(TAKE_CHECKS)}."
        )
    if take.seconds < SHORTEST_SECONDS:
        raise SignalError(
            f"The take is too short to measure: {take.frames} frames are {take.seconds:.4f} s, "
            f"and at least {SHORTEST_SECONDS} s are needed."
        )
    driven = settings.driven_channel
    if driven is not None and not 1 <= driven <= take.channels:
        raise RequestError(
            f"Channel {driven} cannot be the driven one: the take has {take.channels} channel(s)."
        )
    from sigbench.checks.dropouts import check_dropouts, check_dropouts_in_blocks
    from sigbench.checks.jack import check_jack
    from sigbench.checks.soak import check_soak

    if isinstance(take, LongTake):
        require_measurable(check, take.frames, take.channels, take.samplerate)
        take = _without_rounding_dust_in_blocks(take)
        in_blocks = {
            "dropouts": check_dropouts_in_blocks,
            "jack": check_jack,
            "soak": check_soak,
        }
        return in_blocks[check or ""](take, settings)
    take = _without_rounding_dust(take)
    from sigbench.checks.idle import check_idle
    from sigbench.checks.pot import check_pot
    from sigbench.checks.tone import check_tone, notes_and_readings

    named = {
        "tone": check_tone,
        "idle": check_idle,
        "dropouts": check_dropouts,
        "jack": check_jack,
        "pot": check_pot,
        "soak": check_soak,
    }
    if check is not None:
        return named[check](take, settings)
    notes, measurement = notes_and_readings(take, settings)
    if settings.frequency_hz is not None or any(
        _is_note(note.frequency_hz, note.power) for note in notes
    ):
        return measurement
    return _only_if_steady(check_idle(take, settings))


def is_long(frames: int, channels: int) -> bool:
    """Whether a take is too long to be held in memory and measured in one piece."""
    return frames * channels > IN_MEMORY_SAMPLES


def require_measurable(check: str | None, frames: int, channels: int, samplerate: int) -> None:
    """Refuse a take that is too long for its check.

    Raises
    ------
    RequestError
        It says how long a take may be.
    """
    if check in CHECKS_OF_HOURS or not is_long(frames, channels):
        return
    longest = IN_MEMORY_SAMPLES / channels / samplerate / 60
    doing = "Without the name of a check" if check is None else f"With the check '{check}'"
    raise RequestError(
        f"{doing}, a take of {channels} channel(s) at {samplerate} Hz is measured up to "
        f"{longest:.0f} min, and this one is {frames / samplerate / 60:.0f} min long: take a "
        "shorter one, or one of the checks that watch for hours: "
        f"{', '.join(CHECKS_OF_HOURS)}."
    )


def _without_rounding_dust_in_blocks(take: LongTake) -> LongTake:
    return replace(take, blocks=partial(_clean, take.blocks))


def _clean(blocks: Callable[[], Iterator[Samples]]) -> Iterator[Samples]:
    for block in blocks():
        faint = _faint(block)
        yield block * ~faint if faint.any() else block


def _without_rounding_dust(take: Take) -> Take:
    """The take, with channels that hold only what rounding left of silence made silent.

    Such samples are found in floating-point files; their squares are no numbers any more.
    """
    faint = _faint(take.samples)
    if not faint.any():
        return take
    return replace(take, samples=take.samples * ~faint)


def _faint(samples: Samples) -> NDArray[np.bool_]:
    """Of each channel, whether it holds no more than what rounding leaves of silence."""
    # Of most channels, some of it tells.
    return np.array(
        [
            all(np.abs(part).max(initial=0.0) < FAINTEST for part in (channel[::_SOME], channel))
            for channel in samples.T
        ]
    )


def _is_note(frequency_hz: float, power: float) -> bool:
    """Whether a tone is more likely a note than a whine or the mains."""
    from sigbench.units import dbfs_to_rms

    mains = any(abs(frequency_hz / nominal - 1) < MAINS_TOLERANCE for nominal in MAINS_HZ)
    return not mains and power > dbfs_to_rms(QUIETEST_NOTE_DBFS) ** 2


def _only_if_steady(measurement: Measurement) -> Measurement:
    """An idle measurement without the noise of channels that hold music or speech instead."""
    moving = {
        r.channel
        for r in measurement.readings
        if r.name == "noise_a" and (r.uncertainty or 0.0) > STEADIEST_MUSIC_DB  # type: ignore[operator]
    }
    why = "neither a steady note nor steady noise: record one of them, or say which check is meant"
    return replace(
        measurement,
        readings=tuple(
            Reading.invalid(r.name, r.unit, why, channel=r.channel)
            if r.channel in moving and r.value is not None and not r.name.startswith(_LEVELS)
            else r
            for r in measurement.readings
        ),
    )
