"""What the rig does by itself: noise with its inputs shorted, and all else through a loop.

Each function plays and records by itself; the fronts tell the person what to plug in first.
"""

import math
from collections.abc import Callable, Sequence

import numpy as np

from sigbench.checks.readings import reading
from sigbench.errors import RequestError, SignalError
from sigbench.interface.base import Interface
from sigbench.measure.estimate import Estimate
from sigbench.model import CheckSettings, Reading, Samples, readings_named
from sigbench.rig.takes import whole_take
from sigbench.units import db_to_ratio

TONE_HZ = 997.0  # AES17: no whole fraction of any usual rate
LEVELS_DBFS = (-60.0, -50.0, -40.0, -30.0, -20.0, -12.0, -6.0, -3.0, -1.0)
DRIVEN_DBFS = -6.0
SILENCE_SECONDS = 10.0  # the quasi-peak meter of BS.468 needs a few seconds
TONE_SECONDS = 1.0
SETTLE_SECONDS = 0.5
LATENCY_TAKES = 3
LATENCY_SECONDS = 1.0
LATENCY_DBFS = -12.0

_FROM_IDLE = (
    "level_rms",
    "level_peak",
    "level_true_peak",
    "noise_rms",
    "noise_a",
    "noise_468",
    "hum_1x",
    "hum_2x",
    "hum_total",
    "spurs",
)

Progress = Callable[[str], None]


def own_noise(interface: Interface, *, seconds: float = SILENCE_SECONDS) -> tuple[Reading, ...]:
    """Noise, hum and tones of the inputs; shorting plugs, or the silent loop, are in them.

    Raises
    ------
    SignalError
        If the computer lost audio, again and again.
    """
    from sigbench.checks import measure

    take = whole_take(interface, seconds=seconds)
    found = measure(take, "idle").readings
    return tuple(r for r in found if r.name in _FROM_IDLE)


def own_loop(
    interface: Interface, *, outputs: int, progress: Progress | None = None
) -> tuple[Reading, ...]:
    """What the loop does to tones: output 1 is joined to input 1, output 2 to input 2, and so on.

    Parameters
    ----------
    outputs : int
        How many outputs the rig has.
    progress : callable, optional
        Called with a few words before each part.

    Returns
    -------
    tuple of Reading
        For each input ``thd_by_level`` and ``thd_n_by_level`` ([dBFS, dB] at the input),
        ``response``, ``low_corner``, ``high_corner`` and ``crosstalk``; ``balance`` of each pair;
        ``clock_difference`` (input against output clock) and ``latency`` of the whole loop.

    Raises
    ------
    RequestError
        If the rig has no outputs.
    SignalError
        If the loop is not there, or the computer lost audio again and again.
    """
    if outputs < 1:
        raise RequestError("This rig has no outputs: its loop cannot be measured.")
    tell = progress or (lambda words: None)
    tell("distortion against level")
    takes = [_tone(interface, level, outputs) for level in LEVELS_DBFS]
    looped = range(1, min(outputs, interface.channels) + 1)
    readings: list[Reading] = []
    for channel in looped:
        readings += _by_level(takes, channel)
    clock = _clock_difference(takes, looped)
    middle = takes[LEVELS_DBFS.index(-12.0)]
    readings += [r for r in middle if r.name == "balance" and r.state == "ok"]
    tell("response")
    ratio = 1 + clock.value * 1e-6 if isinstance(clock.value, float) else 1.0
    readings += _response(interface, outputs, looped, ratio)
    if len(looped) > 1:
        tell("crosstalk")
        readings += _crosstalk(interface, outputs, looped)
    tell("latency")
    readings += [clock, _latency(interface, outputs)]
    return tuple(readings)


def _play(interface: Interface, stimulus: Samples, seconds: float) -> Samples:
    return whole_take(interface, seconds=seconds, stimulus=stimulus, settle=SETTLE_SECONDS).samples


def _sine(interface: Interface, dbfs: float, outputs: Sequence[int], of: int) -> Samples:
    frames = np.arange(round((TONE_SECONDS + 2 * SETTLE_SECONDS) * interface.samplerate))
    tone = np.zeros((len(frames), of))
    wave = db_to_ratio(dbfs) * np.sin(2 * np.pi * TONE_HZ / interface.samplerate * frames)
    for output in outputs:
        tone[:, output - 1] = wave
    return tone


def _tone(interface: Interface, dbfs: float, outputs: int) -> tuple[Reading, ...]:
    from sigbench.checks import measure

    stimulus = _sine(interface, dbfs, range(1, outputs + 1), outputs)
    take = whole_take(interface, seconds=TONE_SECONDS, stimulus=stimulus, settle=SETTLE_SECONDS)
    return measure(take, "tone", CheckSettings(frequency_hz=TONE_HZ)).readings


def _value(readings: Sequence[Reading], name: str, channel: int, unit: str) -> Reading | None:
    found = readings_named(readings, name, channel=channel, unit=unit)
    return found[0] if found and isinstance(found[0].value, float | int) else None


def _by_level(takes: Sequence[Sequence[Reading]], channel: int) -> list[Reading]:
    result = []
    for name in ("thd", "thd_n"):
        points: list[tuple[float, float]] = []
        spread: list[float] = []
        for take in takes:
            level = _value(take, "tone_level", channel, "dBFS")
            share = _value(take, name, channel, "dB")
            if level is not None and share is not None:
                assert isinstance(level.value, float)
                assert isinstance(share.value, float)
                points.append((level.value, share.value))
                spread.append(float(share.uncertainty or 0.0))  # type: ignore[arg-type]
        if not points:
            raise SignalError(
                f"Input {channel} hears none of the tones of output {channel}: check that the "
                "loopback cable joins them, and that the gain does not overload the input."
            )
        result.append(Reading(f"{name}_by_level", tuple(points), "dB", channel, tuple(spread)))
    return result


def _clock_difference(takes: Sequence[Sequence[Reading]], channels: Sequence[int]) -> Reading:
    """By how many millionths the input's clock is slow against the output's."""
    found = [
        (float(r.value), float(r.uncertainty))  # type: ignore[arg-type]
        for take in takes
        for r in (_value(take, "frequency", channel, "Hz") for channel in channels)
        if r is not None and r.uncertainty
    ]
    if not found:
        return Reading.invalid("clock_difference", "ppm", "the loop's tones were not found")
    values, spread = np.array(found).T
    weights = spread**-2
    mean = float(np.sum(weights * values) / np.sum(weights))
    u = float(1 / np.sqrt(np.sum(weights)))
    if len(values) > 1:  # the clocks wander: what the takes scatter counts as well
        u = max(u, float(np.std(values, ddof=1) / math.sqrt(len(values))))
    return Reading("clock_difference", (mean / TONE_HZ - 1) * 1e6, "ppm", None, u / TONE_HZ * 1e6)


def _response(
    interface: Interface, outputs: int, channels: Sequence[int], ratio: float
) -> list[Reading]:
    from sigbench.measure.response import SECONDS, multitone, response, tones_for

    rate = interface.samplerate
    tones = tones_for(rate)
    signal = multitone(rate, tones, seconds=SECONDS + 2 * SETTLE_SECONDS)
    samples = _play(interface, np.repeat(signal[:, np.newaxis], outputs, axis=1), SECONDS)
    readings = []
    for channel in channels:
        found = response(samples[:, channel - 1], rate, tones, clock_ratio=ratio)
        course = tuple((f, e.value) for f, e in zip(tones, found.levels, strict=True))
        spread = tuple(e.uncertainty for e in found.levels)
        readings.append(Reading("response", course, "dB", channel, spread))
        readings.append(reading("low_corner", "Hz", found.low_corner, channel=channel))
        if found.high_corner is None:
            why = f"it has not fallen by 3 dB at {tones[-1]:.0f} Hz"
            readings.append(Reading.invalid("high_corner", "Hz", why, channel=channel))
        else:
            readings.append(reading("high_corner", "Hz", found.high_corner, channel=channel))
    return readings


def _crosstalk(interface: Interface, outputs: int, channels: Sequence[int]) -> list[Reading]:
    """The worst crosstalk into each input, over all outputs that were driven alone."""
    from sigbench.measure.balance import crosstalk

    worst: dict[int, Reading] = {}
    for driven in channels:
        samples = _play(interface, _sine(interface, DRIVEN_DBFS, (driven,), outputs), TONE_SECONDS)
        for channel in channels:
            if channel == driven:
                continue
            found = crosstalk(
                samples[:, driven - 1], samples[:, channel - 1], interface.samplerate, TONE_HZ
            )
            if not isinstance(found, Estimate):
                continue
            one = reading("crosstalk", "dB", found, channel=channel)
            known = worst.get(channel)
            if known is None or (one.value or -math.inf) > (known.value or -math.inf):  # type: ignore[operator]
                worst[channel] = one
    return [worst[channel] for channel in sorted(worst)]


def _latency(interface: Interface, outputs: int) -> Reading:
    """From the first frame that is played to the frame of the recording where it arrives."""
    rate = interface.samplerate
    # A burst of noise has one sharp peak of correlation with itself, whatever filters it meets.
    burst = np.random.default_rng(0).uniform(-1, 1, round(0.1 * rate)) * db_to_ratio(LATENCY_DBFS)
    found = []
    for _ in range(LATENCY_TAKES):
        take = whole_take(
            interface,
            seconds=LATENCY_SECONDS,
            stimulus=np.repeat(burst[:, np.newaxis], outputs, axis=1),
        )
        lag = _arrival(take.samples[:, 0], burst)
        if lag is None:
            return Reading.invalid("latency", "s", "the burst did not come back within a second")
        found.append(lag / rate)
    u = max(float(np.std(found, ddof=1)) / math.sqrt(len(found)), 0.5 / rate)
    return Reading("latency", float(np.mean(found)), "s", None, u)


def _arrival(signal: Samples, burst: Samples) -> int | None:
    """Frame at which the burst begins in the signal; None if it does not stand out."""
    from scipy.signal import fftconvolve

    matched = np.abs(fftconvolve(signal, burst[::-1], mode="valid"))
    at = int(np.argmax(matched))
    if matched[at] < 10 * np.sqrt(np.mean(matched**2)) or matched[at] == 0:
        return None
    return at
