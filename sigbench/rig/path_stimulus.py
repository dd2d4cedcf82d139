"""What the rig test plays: 14.5 s, the same on all outputs but for one stretch.

::

    silence │ marker │ tone in steps -20, -8, -20, -40, -20 dBFS │ burst at full scale │ silence
    │ faint tone │ faint noise │ marker │ tones of 0.7 and 3.3 steps of 16 bits │ low tones
    │ one tone for each output │ one high tone │ comb up to half the rate │ marker │ silence

The period of the tone in steps, and of the high tone, is a small whole number of frames. Whatever
acts on each sample by itself (rounding, clipping, a gain) then makes harmonics of it and nothing
else, so that images of a rate conversion, and true noise, show between them.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sigbench.errors import RequestError
from sigbench.model import Samples
from sigbench.units import dbfs_to_rms

Floats = NDArray[np.float64]

STEP_16, STEP_24 = 2.0**-15, 2.0**-23  # one step of 16 bits, and of 24
_TONE_HZ = 1020.0  # about: see `tone_period`
TONE_DBFS = {"step1": -20.0, "step2": -8.0, "step3": -20.0, "step4": -40.0, "step5": -20.0}
BURST_DBFS = -0.1
FAINT_TONE_DBFS, _FAINT_NOISE_DBFS = -70.0, -66.0
FAINT_NOISE_HZ = (200.0, 4000.0)
MARKER_HZ, _MARKER_DBFS = (400.0, 6000.0), -14.0
LOW_HZ = (5.0, 8.0, 13.0, 21.0, 34.0, 55.0, 89.0, 144.0, 233.0, 377.0, 610.0, 987.0)
LOW_DBFS = -32.0
_CHANNEL_DBFS = -20.0
HIGH_TONE = (19, 47)  # of the rate; odd, so that images of doubled rates miss its harmonics
HIGH_DBFS = -20.0
COMB_LOW_HZ, COMB_TOP, _COMB_DBFS = 1500.0, 0.4985, -20.0
_FADE_SECONDS = 0.005
_SLOW_FADE_SECONDS = 0.03  # of the low tones
TIMES: dict[str, tuple[float, float]] = {
    "idle": (0.0, 0.6),
    "marker1": (0.6, 0.7),
    "step1": (0.8, 1.6),
    "step2": (1.6, 2.4),
    "step3": (2.4, 3.2),
    "step4": (3.2, 4.0),
    "step5": (4.0, 4.5),
    "burst": (4.55, 4.75),
    "pause": (4.75, 5.5),
    "faint tone": (5.5, 6.3),
    "faint noise": (6.3, 7.8),
    "marker2": (8.0, 8.1),
    "bits1": (8.2, 9.2),
    "bits2": (9.2, 10.2),
    "low": (10.3, 12.0),
    "channels": (12.1, 12.6),
    "high": (12.7, 13.2),
    "comb": (13.25, 13.9),
    "marker3": (14.0, 14.1),
    "end": (14.1, 14.5),
}
STIMULUS_SECONDS = TIMES["end"][1]
BITS = {"bits1": 0.7, "bits2": 3.3}  # peaks in steps of 16 bits


def path_stimulus(samplerate: int, outputs: int) -> Samples:
    """What the rig test plays.

    Parameters
    ----------
    samplerate : int
        32000 Hz or more.
    outputs : int
        1 to 32.

    Returns
    -------
    ndarray of float64, shape (frames, outputs)
        `STIMULUS_SECONDS` long. The loudest stretch is a burst at full scale of 0.2 s.

    Raises
    ------
    RequestError
        If the rate or the number of outputs is out of range.
    """
    require_range(samplerate, outputs)
    played = np.zeros((round(STIMULUS_SECONDS * samplerate), outputs))
    played[:] = same_on_all(samplerate)[:, np.newaxis]
    start, end = frames_of("channels", samplerate)
    time = np.arange(end - start) / samplerate
    fade = _fades(len(time), samplerate, _FADE_SECONDS)
    for output in range(outputs):
        tone = np.sin(2 * np.pi * channel_hz(output) * time)
        played[start:end, output] = peak_of(_CHANNEL_DBFS) * tone * fade
    return played


def require_range(samplerate: int, outputs: int) -> None:
    """Refuse a rate or a number of outputs that the test cannot have."""
    if samplerate < 32_000:
        raise RequestError(f"The rig test does not run at {samplerate} Hz: choose 44100 or more.")
    if not 1 <= outputs <= 32:
        raise RequestError(f"The rig test plays on 1 to 32 outputs, not on {outputs}.")


def frames_of(name: str, samplerate: int) -> tuple[int, int]:
    """First frame of a stretch, and the first one after it."""
    start, end = TIMES[name]
    return round(start * samplerate), round(end * samplerate)


def peak_of(dbfs: float) -> float:
    """Peak of a sine of a level."""
    return float(dbfs_to_rms(dbfs) / dbfs_to_rms(0.0))


def tone_period(samplerate: int) -> int:
    """Period of the tone in frames; its harmonics keep clear of those of 50 and 60 Hz."""
    return round(samplerate / _TONE_HZ)


def channel_hz(output: int) -> float:
    """Tone of an output, from 0; no harmonic of one lies near another."""
    return 400.0 + 157.0 * output


def _fades(frames: int, samplerate: int, seconds: float) -> Floats:
    length = round(seconds * samplerate)
    gain = np.ones(frames)
    gain[:length] = (1 - np.cos(np.pi * np.arange(length) / length)) / 2
    gain[frames - length :] = gain[:length][::-1]
    return gain


def _noise_in_band(frames: int, samplerate: int, low_hz: float, high_hz: float) -> Floats:
    """Noise of RMS 1 with a flat spectrum in its band, always the same."""
    frequencies = np.fft.rfftfreq(frames, 1 / samplerate)
    inside = (frequencies >= low_hz) & (frequencies <= high_hz)
    turns = np.random.default_rng(0).random(len(frequencies))
    noise = np.fft.irfft(np.where(inside, np.exp(2j * np.pi * turns), 0), frames)
    return np.asarray(noise / np.std(noise))


@lru_cache(maxsize=2)
def same_on_all(samplerate: int) -> Floats:
    """What all outputs play: everything but the tones that tell them apart."""
    played = np.zeros(round(STIMULUS_SECONDS * samplerate))

    def put(name: str, signal: Floats, fade_seconds: float = _FADE_SECONDS) -> None:
        start, end = frames_of(name, samplerate)
        played[start:end] = signal * _fades(end - start, samplerate, fade_seconds)

    def turns(name: str, cycles_per_frame: float) -> Floats:
        start, end = frames_of(name, samplerate)
        return 2 * np.pi * cycles_per_frame * np.arange(end - start, dtype=np.float64)

    for name in ("marker1", "marker2", "marker3"):
        put(name, marker_sweep(samplerate))
    tone = 1 / tone_period(samplerate)
    for name, dbfs in TONE_DBFS.items():
        put(name, peak_of(dbfs) * np.sin(turns(name, tone)), 0.002)
    put("burst", peak_of(BURST_DBFS) * np.sin(turns("burst", tone)))
    put("faint tone", peak_of(FAINT_TONE_DBFS) * np.sin(turns("faint tone", tone)))
    start, end = frames_of("faint noise", samplerate)
    put("faint noise", dbfs_to_rms(_FAINT_NOISE_DBFS)
        * _noise_in_band(end - start, samplerate, *FAINT_NOISE_HZ))  # fmt: skip
    for name, steps in BITS.items():
        put(name, steps * STEP_16 * np.sin(turns(name, tone)))
    low = [
        np.sin(turns("low", hz / samplerate) + np.pi * n * n / len(LOW_HZ))
        for n, hz in enumerate(LOW_HZ)
    ]
    put("low", peak_of(LOW_DBFS) * np.sum(low, axis=0), _SLOW_FADE_SECONDS)
    put("high", peak_of(HIGH_DBFS) * np.sin(turns("high", HIGH_TONE[0] / HIGH_TONE[1])))
    start, end = frames_of("comb", samplerate)
    comb = _noise_in_band(end - start, samplerate, COMB_LOW_HZ, COMB_TOP * samplerate)
    put("comb", dbfs_to_rms(_COMB_DBFS) * comb)
    played.setflags(write=False)
    return played


def marker_sweep(samplerate: int) -> Floats:
    """A short rising sweep: its correlation has one sharp peak."""
    start, end = frames_of("marker1", samplerate)
    time = np.arange(end - start) / samplerate
    low, high = MARKER_HZ
    rate = (high - low) / time[-1]
    sweep: Floats = np.sin(2 * np.pi * (low + rate * time / 2) * time)
    return peak_of(_MARKER_DBFS) * sweep
