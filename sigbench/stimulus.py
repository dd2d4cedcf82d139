"""Test signals that a rig plays: sine, dithered silence, sweep, pink noise, twin tones, steps.

Levels are in dBFS per AES17: a sine whose peaks reach full scale is 0 dBFS. Every signal but
silence starts and ends with a short fade (`FADE_SECONDS`), so that no loudspeaker is hit by a
click. Turn monitors and headphones down before playing any of them.

`STANDARD` holds the signals that a plan may name; `stimulus` makes one of them.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from sigbench.errors import RequestError
from sigbench.model import Samples
from sigbench.units import dbfs_to_rms, ratio_to_db

FADE_SECONDS = 0.01  # raised cosine at both ends; common practice, no source
STANDARD_LEVEL_DBFS = -12.0  # leaves an instrument's input and the ears some room; our own choice
PINK_LEVEL_DBFS = -20.0  # its peaks stand some 12 dB above its RMS

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Hold:
    """A stretch of a stepped signal at one level: start and end in seconds, without the fades."""

    level_dbfs: float
    start: float
    end: float


@dataclass(frozen=True, slots=True, eq=False)
class Stimulus:
    """A signal to play, and how it was made.

    Parameters
    ----------
    name : str
        Short name, as plans write it.
    samples : ndarray of float64, shape (frames, channels)
        Full scale is -1.0 to 1.0.
    samplerate : int
        Frames a second.
    description : str
        What it is, for a person.
    parameters : mapping of str to float
        The numbers it was made from, with their units in the names.
    holds : tuple of Hold
        When each level of a stepped signal holds.
    """

    name: str
    samples: Samples
    samplerate: int
    description: str
    parameters: Mapping[str, float]
    holds: tuple[Hold, ...] = field(default=())

    @property
    def seconds(self) -> float:
        """Length in seconds."""
        return len(self.samples) / self.samplerate


def sine(
    frequency_hz: float,
    level_dbfs: float,
    seconds: float,
    samplerate: int,
    *,
    fade_seconds: float = FADE_SECONDS,
) -> Stimulus:
    """A sine of one channel.

    Parameters
    ----------
    frequency_hz : float
        Below half the sample rate.
    level_dbfs : float
        0 dBFS is a sine whose peaks reach full scale (AES17).
    seconds, samplerate : float, int
        Length and rate; fades included in the length.
    fade_seconds : float
        Length of the raised-cosine fade at each end.

    Raises
    ------
    RequestError
        If the rate, length, level or frequency cannot be played.

    Examples
    --------
    >>> sine(997, -6.0, 1.0, 48000).samples.shape
    (48000, 1)
    """
    time = _times(seconds, samplerate)
    _require_frequencies(samplerate, frequency_hz)
    signal = _peak(level_dbfs) * np.sin(2 * np.pi * frequency_hz * time)
    return _made(
        "sine",
        signal,
        samplerate,
        fade_seconds,
        f"Sine of {frequency_hz:g} Hz at {level_dbfs:g} dBFS",
        {"frequency_hz": frequency_hz, "level_dbfs": level_dbfs},
    )


def silence(seconds: float, samplerate: int, *, bits: int = 24, seed: int = 0) -> Stimulus:
    """Silence with triangular dither, as a converter of `bits` would be sent it.

    Parameters
    ----------
    bits : int
        8 to 32. The samples are whole steps of this resolution: -1, 0 or +1.
    seed : int
        Of the dither; the same seed gives the same samples.

    Notes
    -----
    Dither two steps wide (TPDF) and the rounding after it add up to a mean square of a quarter
    of a step squared, whatever the signal: Lipshitz, Wannamaker, Vanderkooy, J. Audio Eng. Soc.
    40 (1992) 355-375. At 24 bits that is -141.5 dBFS over the whole band.
    """
    if not 8 <= bits <= 32:
        raise RequestError(f"Dither of {bits} bits cannot be made: give 8 to 32.")
    frames = len(_times(seconds, samplerate))
    uniform = np.random.default_rng(seed).random((2, frames))
    step = 2.0 ** (1 - bits)
    return _made(
        "silence",
        step * np.rint(uniform[0] - uniform[1]),
        samplerate,
        0.0,
        f"Silence with dither of {bits} bits",
        {"bits": bits, "seed": seed},
    )


def sweep(
    low_hz: float,
    high_hz: float,
    level_dbfs: float,
    seconds: float,
    samplerate: int,
    *,
    fade_seconds: float = FADE_SECONDS,
) -> Stimulus:
    """Exponential sweep: every octave lasts equally long.

    Its phase is ``2 pi f1 L (exp(t / L) - 1)`` with ``L = T / ln(f2 / f1)``. `inverse_filter`
    turns what came back into an impulse response.

    Raises
    ------
    RequestError
        If the frequencies do not rise or lie above half the sample rate, and as for `sine`.

    Notes
    -----
    A. Farina, "Simultaneous measurement of impulse response and distortion with a swept-sine
    technique", 108th AES Convention (2000), preprint 5093.
    """
    time = _times(seconds, samplerate)
    _require_frequencies(samplerate, low_hz, high_hz)
    if low_hz >= high_hz:
        raise RequestError(f"A sweep from {low_hz:g} to {high_hz:g} Hz does not rise.")
    octave_time = _sweep_constant(low_hz, high_hz, len(time) / samplerate)
    phase = 2 * np.pi * low_hz * octave_time * np.expm1(time / octave_time)
    return _made(
        "sweep",
        _peak(level_dbfs) * np.sin(phase),
        samplerate,
        fade_seconds,
        f"Exponential sweep from {low_hz:g} to {high_hz:g} Hz at {level_dbfs:g} dBFS",
        {"low_hz": low_hz, "high_hz": high_hz, "level_dbfs": level_dbfs},
    )


def inverse_filter(stimulus: Stimulus) -> Array:
    """The filter that turns a sweep into a band-limited impulse of unit gain.

    Parameters
    ----------
    stimulus : Stimulus
        From `sweep`.

    Returns
    -------
    ndarray of float, shape (frames,)
        Convolved with the response to the sweep it gives the impulse response, delayed by
        ``frames - 1`` samples; each harmonic's own response lies ``L ln(number)`` seconds ahead.

    Raises
    ------
    RequestError
        If the stimulus is no sweep.

    Notes
    -----
    Farina 2000: the sweep backwards, falling by 6 dB an octave. By stationary phase the sweep's
    spectrum is ``A/2 sqrt(L/f)``; with the envelope ``f/f2`` the product of both is constant, and
    the factor ``4 f2 / (A² L rate²)`` makes it one. The ends of a sweep ripple: of 20 Hz to 20 kHz
    in 3 s the gain is right within 1 dB from 40 Hz and within 0.02 dB from 200 Hz to 18 kHz.
    """
    made_from = stimulus.parameters
    if stimulus.name != "sweep" or not {"low_hz", "high_hz", "level_dbfs"} <= made_from.keys():
        raise RequestError(f"'{stimulus.name}' is no sweep: only a sweep has an inverse filter.")
    high_hz, rate = made_from["high_hz"], stimulus.samplerate
    octave_time = _sweep_constant(made_from["low_hz"], high_hz, stimulus.seconds)
    time = np.arange(len(stimulus.samples)) / rate
    scale = 4 * high_hz / (_peak(made_from["level_dbfs"]) ** 2 * octave_time * rate**2)
    envelope = scale * np.exp(-time / octave_time)
    return np.asarray(stimulus.samples[::-1, 0] * envelope)


def pink_noise(
    level_dbfs: float,
    seconds: float,
    samplerate: int,
    *,
    low_hz: float = 20.0,
    high_hz: float = 20_000.0,
    seed: int = 0,
    fade_seconds: float = FADE_SECONDS,
) -> Stimulus:
    """Pink noise: equal power in every octave, falling by 3.01 dB an octave.

    Parameters
    ----------
    level_dbfs : float
        RMS level before the fades, re a full-scale sine.
    low_hz, high_hz : float
        Band; nothing lies outside. The upper end is lowered to half the sample rate if need be.
    seed : int
        Of the phases; the same seed gives the same noise.

    Returns
    -------
    Stimulus
        `parameters` states the crest factor in dB, peak over RMS.

    Raises
    ------
    RequestError
        If its peaks would not fit below full scale, and as for `sine`.

    Notes
    -----
    Each line of the spectrum has the magnitude ``1/sqrt(f)`` exactly and a random phase; a sum of
    so many lines is Gaussian. Without fades it repeats without a seam.
    """
    frames = len(_times(seconds, samplerate))
    frequencies = np.fft.rfftfreq(frames, 1 / samplerate)
    in_band = (frequencies >= low_hz) & (frequencies <= high_hz) & (frequencies < samplerate / 2)
    if low_hz <= 0 or not in_band.any():
        raise RequestError(
            f"Pink noise from {low_hz:g} to {high_hz:g} Hz has no line in {seconds:g} s at "
            f"{samplerate} Hz: make it longer or the band wider."
        )
    turns = np.random.default_rng(seed).random(len(frequencies))
    lines = np.zeros(len(frequencies), dtype=np.complex128)
    lines[in_band] = np.exp(2j * np.pi * turns[in_band]) / np.sqrt(frequencies[in_band])
    signal = np.fft.irfft(lines, frames)
    signal *= dbfs_to_rms(level_dbfs) / np.sqrt(np.mean(signal**2))
    peak = float(np.abs(signal).max())
    crest_db = ratio_to_db(peak / dbfs_to_rms(level_dbfs))
    if peak > 1:
        raise RequestError(
            f"Pink noise at {level_dbfs:g} dBFS has peaks {crest_db:.1f} dB above its RMS and "
            f"does not fit below full scale: take {math.floor(-crest_db + 3):d} dBFS or less."
        )
    return _made(
        "pink-noise",
        signal,
        samplerate,
        fade_seconds,
        f"Pink noise at {level_dbfs:g} dBFS RMS, crest {crest_db:.1f} dB",
        {
            "level_dbfs": level_dbfs,
            "low_hz": low_hz,
            "high_hz": high_hz,
            "seed": seed,
            "crest_db": float(crest_db),
        },
    )


def twin_tone(
    low_hz: float,
    high_hz: float,
    ratio: float,
    level_dbfs: float,
    seconds: float,
    samplerate: int,
    *,
    fade_seconds: float = FADE_SECONDS,
) -> Stimulus:
    """Two sines for intermodulation.

    Parameters
    ----------
    ratio : float
        Amplitude of the lower tone over that of the upper.
    level_dbfs : float
        That of a single sine with the same peaks: both amplitudes add up to it.

    Raises
    ------
    RequestError
        As for `sine`, and if the ratio is not above zero.

    Notes
    -----
    SMPTE form 60 Hz and 7 kHz at 4:1, DIN form 250 Hz and 8 kHz at 4:1, ITU-R (CCIF) form 19 and
    20 kHz at 1:1 (from memory, to be confirmed).
    """
    time = _times(seconds, samplerate)
    _require_frequencies(samplerate, low_hz, high_hz)
    if not ratio > 0:
        raise RequestError(f"The two tones cannot stand at {ratio:g} to 1: give a ratio above 0.")
    upper = _peak(level_dbfs) / (1 + ratio)
    signal = ratio * upper * np.sin(2 * np.pi * low_hz * time)
    signal += upper * np.sin(2 * np.pi * high_hz * time)
    return _made(
        "twin",
        signal,
        samplerate,
        fade_seconds,
        f"{low_hz:g} Hz and {high_hz:g} Hz at {ratio:g} to 1, peaks as a sine at "
        f"{level_dbfs:g} dBFS",
        {"low_hz": low_hz, "high_hz": high_hz, "ratio": ratio, "level_dbfs": level_dbfs},
    )


def stepped_level(
    frequency_hz: float,
    levels_dbfs: tuple[float, ...],
    hold_seconds: float,
    samplerate: int,
    *,
    fade_seconds: float = FADE_SECONDS,
) -> Stimulus:
    """A sine that steps through levels, with a short fade from one to the next.

    Parameters
    ----------
    levels_dbfs : tuple of float
        In the order played.
    hold_seconds : float
        How long each level lasts, the fades before and after it included.

    Returns
    -------
    Stimulus
        Its `holds` say from when to when each level stands still.

    Raises
    ------
    RequestError
        As for `sine`, and if a level does not outlast its fades.
    """
    if not levels_dbfs:
        raise RequestError("A stepped level needs at least one level.")
    if hold_seconds <= 2 * fade_seconds:
        raise RequestError(
            f"Steps of {hold_seconds:g} s leave nothing between fades of {fade_seconds:g} s: "
            "make them longer."
        )
    time = _times(len(levels_dbfs) * hold_seconds, samplerate)
    _require_frequencies(samplerate, frequency_hz)
    peaks = np.array([0.0, *(_peak(level) for level in levels_dbfs), 0.0])
    bounds = hold_seconds * np.arange(1, len(levels_dbfs))
    holds = tuple(
        Hold(
            level, number * hold_seconds + fade_seconds, (number + 1) * hold_seconds - fade_seconds
        )
        for number, level in enumerate(levels_dbfs)
    )
    amplitude = np.full(len(time), peaks[1])
    for before, after, bound in zip(peaks[1:-2], peaks[2:-1], bounds, strict=True):
        amplitude += (after - before) * _rise((time - bound) / fade_seconds + 0.5)
    levels = ", ".join(f"{level:g}" for level in levels_dbfs)
    made = _made(
        "stepped-level",
        amplitude * np.sin(2 * np.pi * frequency_hz * time),
        samplerate,
        fade_seconds,
        f"Sine of {frequency_hz:g} Hz at {levels} dBFS, {hold_seconds:g} s each",
        {"frequency_hz": frequency_hz, "hold_seconds": hold_seconds},
    )
    return replace(made, holds=holds)


def on_channels(stimulus: Stimulus, channels: int, driven: int | None = None) -> Stimulus:
    """A stimulus of one channel on all of `channels`, or on the `driven` one (from 1) alone.

    Raises
    ------
    RequestError
        If the stimulus has several channels already, or there is no such channel.
    """
    if stimulus.samples.shape[1] != 1:
        raise RequestError(f"'{stimulus.name}' has several channels already.")
    if driven is not None and not 1 <= driven <= channels:
        raise RequestError(f"Channel {driven} cannot be driven: there are {channels}.")
    samples = np.zeros((len(stimulus.samples), channels))
    samples[:, slice(None) if driven is None else slice(driven - 1, driven)] = stimulus.samples
    return replace(stimulus, samples=samples)


HELD: Mapping[str, Callable[[float, int], Stimulus]] = {
    "sine-997": lambda seconds, rate: sine(997.0, STANDARD_LEVEL_DBFS, seconds, rate),
}
"""Those of the standard signals that can be held for longer, made for a length and a rate."""

LONGEST_HELD_SECONDS = 600.0  # some hundred megabytes in memory

STANDARD: Mapping[str, Callable[[int], Stimulus]] = {
    "sine-997": lambda rate: HELD["sine-997"](5.0, rate),  # AES17's tone
    "silence": lambda rate: silence(5.0, rate),
    "sweep": lambda rate: sweep(20.0, 20_000.0, STANDARD_LEVEL_DBFS, 10.0, rate),
    "pink-noise": lambda rate: pink_noise(PINK_LEVEL_DBFS, 10.0, rate),
    "twin-smpte": lambda rate: twin_tone(60.0, 7000.0, 4, STANDARD_LEVEL_DBFS, 5.0, rate),
    "twin-din": lambda rate: twin_tone(250.0, 8000.0, 4, STANDARD_LEVEL_DBFS, 5.0, rate),
    "twin-itu-r": lambda rate: twin_tone(19e3, 20e3, 1, STANDARD_LEVEL_DBFS, 5.0, rate),
    "stepped-level": lambda rate: stepped_level(997.0, tuple(range(-60, 1, 6)), 1.0, rate),
}
"""The signals that a plan may name, each made for a sample rate."""


def stimulus(name: str, samplerate: int) -> Stimulus:
    """One of the standard signals.

    Raises
    ------
    RequestError
        If there is none of that name, or it does not fit the sample rate.

    Examples
    --------
    >>> stimulus("twin-din", 48000).description
    '250 Hz and 8000 Hz at 4 to 1, peaks as a sine at -12 dBFS'
    """
    if name not in STANDARD:
        raise RequestError(
            f"There is no stimulus '{name}'; choose one of {', '.join(sorted(STANDARD))}."
        )
    return STANDARD[name](samplerate)


def _made(
    name: str,
    signal: Array,
    samplerate: int,
    fade_seconds: float,
    description: str,
    parameters: Mapping[str, float],
) -> Stimulus:
    faded = signal * _fades(len(signal), samplerate, fade_seconds)
    parameters = {**parameters, "fade_seconds": fade_seconds}
    return Stimulus(name, faded[:, np.newaxis], samplerate, description, parameters)


def _fades(frames: int, samplerate: int, fade_seconds: float) -> Array:
    """Gain of a raised-cosine fade at both ends, shape (frames,)."""
    length = round(fade_seconds * samplerate)
    if not 0 <= 2 * length <= frames:
        raise RequestError(
            f"Fades of {fade_seconds:g} s do not fit into {frames / samplerate:g} s: "
            "make the signal longer."
        )
    gain = np.ones(frames)
    gain[:length] = _rise(np.arange(length) / max(length, 1))
    gain[frames - length :] = gain[:length][::-1]
    return gain


def _rise(position: Array) -> Array:
    """Raised cosine from 0 at position 0 to 1 at position 1."""
    return (1 - np.cos(np.pi * np.clip(position, 0, 1))) / 2


def _times(seconds: float, samplerate: int) -> Array:
    if samplerate <= 0:
        raise RequestError(f"A sample rate of {samplerate} Hz cannot be played.")
    if not (math.isfinite(seconds) and round(seconds * samplerate) >= 1):
        raise RequestError(f"A signal of {seconds:g} s has no frames at {samplerate} Hz.")
    return np.arange(round(seconds * samplerate)) / samplerate


def _require_frequencies(samplerate: int, *frequencies_hz: float) -> None:
    for frequency in frequencies_hz:
        if not 0 < frequency < samplerate / 2:
            raise RequestError(
                f"{frequency:g} Hz cannot be played at {samplerate} Hz: frequencies must lie "
                "between 0 and half the sample rate."
            )


def _peak(level_dbfs: float) -> float:
    """Peak amplitude of a sine of this level; never above full scale."""
    if not level_dbfs <= 0:
        raise RequestError(
            f"{level_dbfs:g} dBFS is above full scale: give a level of 0 dBFS or less."
        )
    return float(dbfs_to_rms(level_dbfs) / dbfs_to_rms(0.0))


def _sweep_constant(low_hz: float, high_hz: float, seconds: float) -> float:
    return seconds / math.log(high_hz / low_hz)
