"""The checks: a take and settings in, a measurement (readings and events) out.

A check loops over the channels, calls the measuring functions, and gives each number its name,
unit and state. It opens no file and no device.
"""

from sigbench.errors import RequestError, SignalError
from sigbench.model import CheckSettings, Measurement, Take

TAKE_CHECKS = ("idle", "tone", "dropouts")
"""Checks that measure a take."""

CHECKS = ("rails", *TAKE_CHECKS)
"""Every check there is; rails are typed in from the multimeter."""

_SHORTEST_SECONDS = 0.05  # two cycles of 40 Hz: below this nothing on the list has a meaning


def measure(
    take: Take, check: str | None = None, settings: CheckSettings | None = None
) -> Measurement:
    """Measure one take.

    Parameters
    ----------
    take : Take
        The recording.
    check : {"idle", "tone", "dropouts"} or None
        None looks for a tone first and, where no channel has one, measures the take as idle.
    settings : CheckSettings or None
        What is known beforehand, such as the note played.

    Raises
    ------
    RequestError
        If there is no such check.
    SignalError
        If the take is too short for any reading to mean something.
    """
    settings = settings or CheckSettings()
    if check is not None and check not in TAKE_CHECKS:
        raise RequestError(
            f"There is no check '{check}' for a recording; choose one of {', '.join(TAKE_CHECKS)}."
        )
    if take.seconds < _SHORTEST_SECONDS:
        raise SignalError(
            f"The take is too short to measure: {take.frames} frames are {take.seconds:.4f} s, "
            f"and at least {_SHORTEST_SECONDS} s are needed."
        )
    driven = settings.driven_channel
    if driven is not None and not 1 <= driven <= take.channels:
        raise RequestError(
            f"Channel {driven} cannot be the driven one: the take has {take.channels} channel(s)."
        )
    from sigbench.checks.dropouts import check_dropouts
    from sigbench.checks.idle import check_idle
    from sigbench.checks.tone import check_tone

    if check == "tone":
        return check_tone(take, settings)
    if check == "idle":
        return check_idle(take, settings)
    if check == "dropouts":
        return check_dropouts(take, settings)
    measurement = check_tone(take, settings)
    found = any(r.name == "tone_level" and r.state != "invalid" for r in measurement.readings)
    return measurement if found else check_idle(take, settings)
