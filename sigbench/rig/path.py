"""The rig test: what computers do to audio on its way, detected rather than trusted.

`path_stimulus` is played through a loopback cable, and `find_path_faults` tells from what came back
which of ten things happened to it. Each answer is yes, no, or "cannot tell" with the reason.

The stimulus, 14.5 s, the same on all outputs but for one stretch::

    silence │ marker │ tone in steps -20, -8, -20, -40, -20 dBFS │ burst at full scale │ silence
    │ faint tone │ faint noise │ marker │ tones of 0.7 and 3.3 steps of 16 bits │ low tones
    │ one tone for each output │ one high tone │ comb up to half the rate │ marker │ silence

The period of the tone in steps, and of the high tone, is a small whole number of frames. Whatever
acts on each sample by itself (rounding, clipping, a gain) then makes harmonics of it and nothing
else, so that images of a rate conversion, and true noise, show between them.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sigbench.errors import RequestError, SignalError
from sigbench.interface.base import Block, Interface, capture
from sigbench.model import LostBuffers, Samples, Take
from sigbench.units import db_to_ratio, dbfs_to_rms, power_ratio_to_db, ratio_to_db, rms_to_dbfs

Floats = NDArray[np.float64]
System = Literal["Windows", "macOS", "Linux"]

STANDARD_RATES = (
    *(8000, 11025, 12000, 16000, 22050, 24000, 32000),
    *(44_100, 48_000, 88_200, 96_000, 176_400, 192_000),
)
"""Sample rates of computers, sound cards and headsets, Hz (common practice, no source)."""

MAX_LATENCY_SECONDS = 1.0
SPARE_SECONDS = 1.0  # recorded after the stimulus: the latency, with room

SPEED_TOLERANCE = 0.003
"""Largest deviation of the speed that is a clock's: crystals keep to 100 ppm, video pull-down is
0.1 %, and neighbouring standard rates are 8 % apart (common practice, no source)."""

RATIO_TOLERANCE = 0.005  # of a speed, to be explained by two standard rates
DRIFT_PPM = 0.5  # less is one clock: no two free crystals agree so well (common practice)
DRIFT_SIGMAS = 5.0  # and it has to stand this far above its own uncertainty
JUMP_FRAMES = 0.3  # by which the middle marker may miss the line through the outer ones
"""A single frame lost between two of the markers puts the middle one 0.45 frames or more off."""

GAIN_STEP_DB = 0.3  # a change of gain that no converter makes (common practice, no source)
BOOST_DB = 2.0  # rise of the response that no converter has (common practice, no source)
BURST_DISTORTION_DB = -34.0  # a burst distorted by 2 % was clipped before the converter
GATE_DB = 6.0  # faint sounds that come back this much weaker than loud ones are suppressed
GATE_BESIDE_AGC_DB = 25.0  # the same where the gain moves anyway
GATE_ZEROS_SECONDS = 0.005  # shortest silence in the middle of a sound
DIGITAL_FLOOR_DBFS = (
    -128.0
)  # no converter is quieter in its whole band (common practice, no source)
DIGITAL_GAIN_DB = 0.05  # in a digital loop, 100 % is exact
CALIBRATED_GAIN_DB = 0.5  # and here knobs and temperature have their say
COARSE_STEP = 2.0**-19.5  # halfway, in decibels, between a step of 16 bits and one of 24
PLATEAU = 0.99  # of full scale: where a converter clips
TRUNCATION_OVER_NOISE = 2.5  # 14 lines of noise come no further above 14 others
TRUNCATION_SHARE = 0.25  # of the rounding error of 16 bits that proves it, amplitude
MIX_DB = -26.0  # of another output's tone: no cable leaks so much (common practice, no source)
HIGH_PASS_HZ = 12.0  # converters and their capacitors lie below (common practice, no source)
EDGE_DB = 25.0  # fall of a band edge; half-band converters fall by 12 dB to half of the rate
EDGE_WIDTH = 0.8  # share of the edge's frequency where the response must still be whole
IMAGE_DBFS = -130.0  # weaker lines are rounding of 24 bits
IMAGE_OVER_FLOOR = 25.0  # power re the median around: one false line in a million
IMAGES_NEEDED = 2  # one line may be anything
IMAGE_ALONE_DB = -60.0  # re the tone: but not one as strong as this
LOWEST_GAIN_DB = -45.0  # below it the faint sounds cannot be judged
LOWEST_DIGITAL_GAIN_DB = -90.0  # in a path without noise of its own
DITHER_DBFS = -95.5
"""Noise of 16 bits with dither is more: -95.1 dBFS with the least of dithers (one step wide), -93.3
with the usual one (Lipshitz, Wannamaker, Vanderkooy 1992: 2/12 and 3/12 of a step squared)."""

_STEP_16, _STEP_24 = 2.0**-15, 2.0**-23  # one step of 16 bits, and of 24
_TONE_HZ = 1020.0  # about: see `_tone_period`
_TONE_DBFS = {"step1": -20.0, "step2": -8.0, "step3": -20.0, "step4": -40.0, "step5": -20.0}
_BURST_DBFS = -0.1
_FAINT_TONE_DBFS, _FAINT_NOISE_DBFS = -70.0, -66.0
_FAINT_NOISE_HZ = (200.0, 4000.0)
_MARKER_HZ, _MARKER_DBFS = (400.0, 6000.0), -14.0
_LOW_HZ = (5.0, 8.0, 13.0, 21.0, 34.0, 55.0, 89.0, 144.0, 233.0, 377.0, 610.0, 987.0)
_LOW_DBFS = -32.0
_CHANNEL_DBFS = -20.0
_HIGH_TONE = (19, 47)  # of the rate; odd, so that images of doubled rates miss its harmonics
_HIGH_DBFS = -20.0
_COMB_LOW_HZ, _COMB_TOP, _COMB_DBFS = 1500.0, 0.4985, -20.0
_FADE_SECONDS = 0.005
_SLOW_FADE_SECONDS = 0.03  # of the low tones

_TIMES: dict[str, tuple[float, float]] = {
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
STIMULUS_SECONDS = _TIMES["end"][1]
_BITS = {"bits1": 0.7, "bits2": 3.3}  # peaks in steps of 16 bits


@dataclass(frozen=True, slots=True)
class PathFinding:
    """One thing that may have happened to the audio on its way.

    Parameters
    ----------
    name : str
        One of `FINDINGS`.
    present : bool or None
        None: it cannot be told, and `evidence` says why.
    evidence : str
        What was seen, in numbers.
    what_to_do : dict of str to str
        For ``Windows``, ``macOS`` and ``Linux``; empty where it is absent.
    value, uncertainty : float or None
        The figure behind it, where there is one.
    unit : str
        Its unit.
    """

    name: str
    present: bool | None
    evidence: str
    what_to_do: dict[System, str]
    value: float | None = None
    uncertainty: float | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class PathTest:
    """The take of a rig test, and what was found in it."""

    take: Take
    findings: tuple[PathFinding, ...]

    @property
    def clean(self) -> bool:
        """Whether nothing was found; what cannot be told does not count against the rig."""
        return not any(finding.present for finding in self.findings)


_WINDOWS_PLAIN = (
    "Settings > System > Sound > the device > Audio enhancements: Off; in the device's Advanced "
    "properties untick signal enhancements; best of all use exclusive mode, which passes all of "
    "this by"
)
_LINUX_MODULES = (
    "list the loaded filters with 'pactl list short modules' and unload those for echo "
    "cancellation, noise and equalisers"
)

WHAT_TO_DO: dict[str, dict[System, str]] = {
    "wrong_rate": {
        "Windows": "Sound control panel > Playback and Recording > the device > Properties > "
        "Advanced: set both to the rate of the test, and the interface's own panel too.",
        "macOS": "Audio MIDI Setup: set the format of the input and of the output to the rate of "
        "the test.",
        "Linux": "See the true rate in /proc/asound/card*/pcm*/sub0/hw_params; set it in the sound "
        "server's settings, or use the hardware device without the server.",
    },
    "resampling": {
        "Windows": "Sound control panel > the device > Properties > Advanced: set the default "
        "format to the rate of the test for playback and recording, or use exclusive mode.",
        "macOS": "Audio MIDI Setup: set the format to the rate of the test; leave aggregate "
        "devices with drift correction out of the path.",
        "Linux": "Set the sound server's default rate (default-sample-rate, or default.clock.rate) "
        "to the rate of the test, or use the hardware device without the server.",
    },
    "automatic_gain": {
        "Windows": f"{_WINDOWS_PLAIN}. Sound control panel > Communications: Do nothing.",
        "macOS": "Switch off automatic gain and voice isolation (microphone modes in the menu bar) "
        "and leave voice programs while measuring.",
        "Linux": f"Switch off 'Auto Gain Control' in alsamixer's capture view; {_LINUX_MODULES}.",
    },
    "noise_suppression": {
        "Windows": f"{_WINDOWS_PLAIN}. Use the line input, not one meant for speech.",
        "macOS": "Set the microphone mode in the menu bar to Standard; switch off 'ambient noise "
        "reduction' where Sound settings offer it.",
        "Linux": f"{_LINUX_MODULES[0].upper()}{_LINUX_MODULES[1:]}.",
    },
    "software_volume": {
        "Windows": "Set the system volume, the program in the volume mixer and the input level of "
        "the device to 100; on many inputs 100 is more than 0 dB: pick 0 dB on its dB display.",
        "macOS": "Sound settings: output and input volume all the way up; in Audio MIDI Setup set "
        "every channel to 0 dB.",
        "Linux": "'pactl set-sink-volume @DEFAULT_SINK@ 100%' and 'pactl set-source-volume "
        "@DEFAULT_SOURCE@ 100%'; in alsamixer 0 dB for playback and capture.",
    },
    "truncation_16_bit": {
        "Windows": "Sound control panel > the device > Properties > Advanced: a 24-bit format for "
        "playback and recording, or use exclusive mode.",
        "macOS": "Audio MIDI Setup: a 24-bit format for input and output.",
        "Linux": "Set the sound server's sample format to s24le, s32le or float32le, or use the "
        "hardware device with a 24-bit format.",
    },
    "mono": {
        "Windows": "Settings > Accessibility > Audio: Mono audio off; set the recording format of "
        "the device to 2 channels; use no headset profile.",
        "macOS": "System Settings > Accessibility > Audio: 'Play stereo audio as mono' off; no "
        "headset as input.",
        "Linux": "Choose the stereo or pro-audio profile of the card; unload module-remap-sink "
        "and the like.",
    },
    "swapped_channels": {
        "Windows": "First see whether the two cables are swapped. Then the routing in the "
        "interface's own panel.",
        "macOS": "First see whether the two cables are swapped. Then Audio MIDI Setup > Configure "
        "Speakers.",
        "Linux": "First see whether the two cables are swapped. Then the channel map "
        "('pactl list sinks').",
    },
    "high_pass": {
        "Windows": f"Switch off the low-cut on the interface itself first. {_WINDOWS_PLAIN}.",
        "macOS": "Switch off the low-cut on the interface itself; microphone mode Standard; no "
        "effects in the interface's own panel.",
        "Linux": f"Switch off the low-cut on the interface itself; {_LINUX_MODULES}.",
    },
    "clock_drift": {
        "Windows": "Play and record with the same interface, or feed both from one clock and set "
        "the second one to external synchronisation.",
        "macOS": "Play and record with the same interface, or feed both from one clock; drift "
        "correction of an aggregate device resamples.",
        "Linux": "Play and record with the same interface, or feed both from one clock and set "
        "the second one to external synchronisation.",
    },
}  # names of settings: from memory, to be confirmed on each system
FINDINGS = tuple(WHAT_TO_DO)


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
    _require(samplerate, outputs)
    played = np.zeros((round(STIMULUS_SECONDS * samplerate), outputs))
    played[:] = _same_on_all(samplerate)[:, np.newaxis]
    start, end = _frames("channels", samplerate)
    time = np.arange(end - start) / samplerate
    fade = _fades(len(time), samplerate, _FADE_SECONDS)
    for output in range(outputs):
        tone = np.sin(2 * np.pi * _channel_hz(output) * time)
        played[start:end, output] = _peak(_CHANNEL_DBFS) * tone * fade
    return played


def run_path_test(
    interface: Interface,
    *,
    outputs: int | None = None,
    expected_loop_dbfs: float | Sequence[float] | None = None,
    attempts: int = 3,
    on_block: Callable[[Block], None] | None = None,
) -> PathTest:
    """Play the test through the loopback cables of a rig and say what happened to it.

    Takes 16 s. Turn monitors and headphones down first: it plays up to full scale.

    Parameters
    ----------
    outputs : int, optional
        How many outputs to play on; by default as many as inputs are recorded.
    expected_loop_dbfs : float or sequence of float, optional
        As for `find_path_faults`.
    attempts : int
        How often to try when the computer loses audio.
    on_block : callable, optional
        As for `sigbench.interface.base.capture`.

    Raises
    ------
    DeviceNotFound, CaptureFailed, RequestError
        As for `capture`.
    """
    outputs = interface.channels if outputs is None else outputs
    stimulus = path_stimulus(interface.samplerate, outputs)
    for _ in range(max(1, attempts)):
        take = capture(
            interface,
            seconds=STIMULUS_SECONDS + SPARE_SECONDS,
            stimulus=stimulus,
            on_block=on_block,
        )
        if not take.lost:
            break
    findings = find_path_faults(
        take.samples,
        take.samplerate,
        outputs=outputs,
        expected_loop_dbfs=expected_loop_dbfs,
        lost=take.lost,
    )
    return PathTest(take, findings)


def find_path_faults(
    recorded: Samples,
    samplerate: int,
    *,
    outputs: int | None = None,
    expected_loop_dbfs: float | Sequence[float] | None = None,
    lost: Sequence[LostBuffers] = (),
) -> tuple[PathFinding, ...]:
    """Tell from what came back what happened to the audio on its way.

    Parameters
    ----------
    recorded : ndarray of float64, shape (frames, channels)
        What came back of `path_stimulus`, from up to 1 s before its arrival on.
    samplerate : int
        The rate that was asked for.
    outputs : int, optional
        How many outputs it was played on; by default as many as there are channels.
    expected_loop_dbfs : float or sequence of float, optional
        Level at which a sine of 0 dBFS came back when the rig was calibrated, for all channels or
        for each.
    lost : sequence of LostBuffers
        What the computer lost meanwhile; with any loss nothing can be told.

    Returns
    -------
    tuple of PathFinding
        One for each of `FINDINGS`, in that order.

    Raises
    ------
    SignalError
        If there are no samples, or some are not numbers.
    RequestError
        If the sample rate is too low, or the expected levels are not one for each channel.
    """
    if recorded.ndim != 2 or recorded.size == 0 or not np.all(np.isfinite(recorded)):
        raise SignalError("The rig test needs samples, one column a channel, all of them numbers.")
    channels = recorded.shape[1]
    outputs = channels if outputs is None else outputs
    expected = _expected(expected_loop_dbfs, channels)
    _require(samplerate, outputs)
    if lost:
        at = ", ".join(f"{loss.frame / samplerate:.2f} s" for loss in lost[:3])
        return _all_unknown(f"The computer lost audio at {at}: close other programs and repeat.")
    strongest = int(np.argmax(np.var(recorded, axis=0)))
    speed = _speed(recorded[:, strongest], samplerate)
    if speed is None:
        return _all_unknown(
            "Nothing came back of what was played: join the outputs to the inputs with cables and "
            "turn the gain up."
        )
    if abs(speed - 1) > SPEED_TOLERANCE:
        others = _all_unknown("Cannot be told until the sample rate is right.")
        return (_wrong_rate(speed, samplerate), *others[1:])
    clock = _clock(recorded[:, strongest], samplerate)
    if isinstance(clock, str):
        return _all_unknown(clock)
    lines = [_Line(recorded[:, n], n + 1, clock) for n in range(channels)]
    live = [line for line in lines if line.came_back]
    if not live:
        return _all_unknown(
            "What came back is too weak to be judged: turn the gain, and all volumes, up."
        )
    return _Judge(tuple(live), clock, outputs, channels, expected).findings()


def _require(samplerate: int, outputs: int) -> None:
    if samplerate < 32_000:
        raise RequestError(f"The rig test does not run at {samplerate} Hz: choose 44100 or more.")
    if not 1 <= outputs <= 32:
        raise RequestError(f"The rig test plays on 1 to 32 outputs, not on {outputs}.")


def _expected(given: float | Sequence[float] | None, channels: int) -> tuple[float | None, ...]:
    if given is None:
        return (None,) * channels
    values = (float(given),) * channels if isinstance(given, int | float) else tuple(given)
    if len(values) != channels:
        raise RequestError(
            f"{len(values)} expected levels do not fit {channels} channels: give one for each."
        )
    return values


def _all_unknown(reason: str) -> tuple[PathFinding, ...]:
    return tuple(PathFinding(name, None, reason, dict(WHAT_TO_DO[name])) for name in FINDINGS)


def _finding(
    name: str,
    present: bool | None,
    evidence: str,
    value: float | None = None,
    unit: str = "",
    uncertainty: float | None = None,
) -> PathFinding:
    advice: dict[System, str] = {} if present is False else dict(WHAT_TO_DO[name])
    return PathFinding(name, present, evidence, advice, value, uncertainty, unit)


# --- what is played -------------------------------------------------------------------------------


def _frames(name: str, samplerate: int) -> tuple[int, int]:
    start, end = _TIMES[name]
    return round(start * samplerate), round(end * samplerate)


def _peak(dbfs: float) -> float:
    return float(dbfs_to_rms(dbfs) / dbfs_to_rms(0.0))


def _tone_period(samplerate: int) -> int:
    """Period of the tone in frames; its harmonics keep clear of those of 50 and 60 Hz."""
    return round(samplerate / _TONE_HZ)


def _channel_hz(output: int) -> float:
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
def _same_on_all(samplerate: int) -> Floats:
    played = np.zeros(round(STIMULUS_SECONDS * samplerate))

    def put(name: str, signal: Floats, fade_seconds: float = _FADE_SECONDS) -> None:
        start, end = _frames(name, samplerate)
        played[start:end] = signal * _fades(end - start, samplerate, fade_seconds)

    def turns(name: str, cycles_per_frame: float) -> Floats:
        start, end = _frames(name, samplerate)
        return 2 * np.pi * cycles_per_frame * np.arange(end - start, dtype=np.float64)

    for name in ("marker1", "marker2", "marker3"):
        put(name, _marker(samplerate))
    tone = 1 / _tone_period(samplerate)
    for name, dbfs in _TONE_DBFS.items():
        put(name, _peak(dbfs) * np.sin(turns(name, tone)), 0.002)
    put("burst", _peak(_BURST_DBFS) * np.sin(turns("burst", tone)))
    put("faint tone", _peak(_FAINT_TONE_DBFS) * np.sin(turns("faint tone", tone)))
    start, end = _frames("faint noise", samplerate)
    put("faint noise", dbfs_to_rms(_FAINT_NOISE_DBFS)
        * _noise_in_band(end - start, samplerate, *_FAINT_NOISE_HZ))  # fmt: skip
    for name, steps in _BITS.items():
        put(name, steps * _STEP_16 * np.sin(turns(name, tone)))
    low = [
        np.sin(turns("low", hz / samplerate) + np.pi * n * n / len(_LOW_HZ))
        for n, hz in enumerate(_LOW_HZ)
    ]
    put("low", _peak(_LOW_DBFS) * np.sum(low, axis=0), _SLOW_FADE_SECONDS)
    put("high", _peak(_HIGH_DBFS) * np.sin(turns("high", _HIGH_TONE[0] / _HIGH_TONE[1])))
    start, end = _frames("comb", samplerate)
    comb = _noise_in_band(end - start, samplerate, _COMB_LOW_HZ, _COMB_TOP * samplerate)
    put("comb", dbfs_to_rms(_COMB_DBFS) * comb)
    played.setflags(write=False)
    return played


def _marker(samplerate: int) -> Floats:
    """A short rising sweep: its correlation has one sharp peak."""
    start, end = _frames("marker1", samplerate)
    time = np.arange(end - start) / samplerate
    low, high = _MARKER_HZ
    rate = (high - low) / time[-1]
    sweep: Floats = np.sin(2 * np.pi * (low + rate * time / 2) * time)
    return _peak(_MARKER_DBFS) * sweep


# --- when it came back ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Clock:
    """How the time of what came back runs, against that of what was played."""

    samplerate: int
    first: float  # frame at which the first marker came back
    ppm: float  # how much faster the outputs run
    uncertainty: float

    @property
    def ratio(self) -> float:
        return 1 + self.ppm * 1e-6

    def frame(self, seconds: float) -> float:
        """Frame of the take for a time of the stimulus."""
        return self.first + (seconds - _TIMES["marker1"][0]) * self.samplerate / self.ratio


def _speed(signal: Floats, samplerate: int) -> float | None:
    """Frequency of the tone that came back over that of the tone that was played.

    The tone in steps lasts longest of all, so most of the stretches with a single tone have its
    frequency, at whatever speed. None where no such tone came and went.
    """
    length = 1 << round(math.log2(0.08 * samplerate))
    hop = length // 2
    if len(signal) < length:
        return None
    frames = np.lib.stride_tricks.sliding_window_view(signal, length)[::hop]
    window = np.hanning(length)
    power = np.abs(np.fft.rfft(window * (frames - frames.mean(axis=1, keepdims=True)))) ** 2
    power[:, :3] = 0.0
    peaks = np.clip(np.argmax(power, axis=1), 3, power.shape[1] - 4)
    rows = np.arange(len(power))
    near = np.sum([power[rows, peaks + k] for k in range(-2, 3)], axis=0)
    total = power.sum(axis=1)
    single = (near > 0.8 * total) & (near > 0)
    with np.errstate(divide="ignore"):
        left, mid, right = (np.log(power[rows, peaks + k] + 1e-300) for k in (-1, 0, 1))
    bend = left - 2 * mid + right
    shift = np.divide(left - right, 2 * bend, out=np.zeros_like(bend), where=bend != 0)
    hz = (peaks + np.clip(shift, -1, 1)) * samplerate / length
    ratios = hz * _tone_period(samplerate) / samplerate
    usable = single & (ratios > 0.15) & (ratios < 6.5)
    if not usable.any():
        return None
    # The most frequent ratio, in cells of 1 %, then its median.
    cells = np.round(np.log(ratios[usable]) / 0.01).astype(int)
    values, counts = np.unique(cells, return_counts=True)
    chosen = values[np.argmax(counts)]
    mine = usable & (np.abs(np.log(np.maximum(ratios, 1e-9)) - 0.01 * chosen) < 0.01)
    level = near[mine]
    quiet = np.quantile(total, 0.05)
    if mine.sum() < 3 or mine.mean() > 0.85 or np.max(level) < 10 * quiet:
        return None  # a hum that never stops is no tone of ours
    strong = level > 0.01 * np.max(level)
    return float(np.median(ratios[mine][strong]))


def _clock(signal: Floats, samplerate: int) -> "_Clock | str":
    """Find the three markers; a sentence where that fails."""
    marker = _marker(samplerate)
    spread = SPEED_TOLERANCE * STIMULUS_SECONDS
    found: list[int] = []
    for name in ("marker1", "marker2", "marker3"):
        sent = _TIMES[name][0]
        if not found:
            low, high = 0.0, sent + MAX_LATENCY_SECONDS
        else:
            expected = found[0] / samplerate + sent - _TIMES["marker1"][0]
            low, high = expected - spread, expected + spread
        at = _find(signal, marker, round(max(low, 0) * samplerate), round(high * samplerate))
        if at is None:
            return (
                "What came back does not keep to the times of what was played: audio was lost on "
                "the way, or it came more than "
                f"{MAX_LATENCY_SECONDS:g} s late; repeat the test."
            )
        found.append(at)
    whole = [signal[at : at + len(marker)] for at in found]
    # Whatever filters there are act on all markers alike, so they are compared with each other.
    middle, middle_uncertainty = _lag(whole[1], whole[0], samplerate)
    last, uncertainty = _lag(whole[2], whole[0], samplerate)
    starts = [_frames(name, samplerate)[0] for name in ("marker1", "marker2", "marker3")]
    span = found[2] - found[0] + last
    at_middle = found[1] - found[0] + middle
    ratio = (starts[2] - starts[0]) / span
    missed = at_middle - (starts[1] - starts[0]) / ratio
    if abs(missed) > max(JUMP_FRAMES, DRIFT_SIGMAS * math.hypot(middle_uncertainty, uncertainty)):
        return (
            f"The sound jumped: the marker in the middle came {abs(missed):.1f} frames off. Audio "
            "was lost without notice, or the clock is not steady: close other programs and repeat."
        )
    offset, _ = _lag(whole[0], marker, samplerate)
    return _Clock(samplerate, found[0] + offset, (ratio - 1) * 1e6, uncertainty / span * 1e6)


def _find(signal: Floats, marker: Floats, low: int, high: int) -> int | None:
    """Frame between low and high at which the marker begins; None if it is not there."""
    part = signal[low : min(high + len(marker), len(signal))]
    if len(part) < len(marker):
        return None
    size = 1 << (len(part) + len(marker) - 1).bit_length()
    product = np.fft.rfft(part, size) * np.conj(np.fft.rfft(marker, size))
    correlation = np.abs(np.fft.irfft(product, size)[: len(part) - len(marker) + 1])
    at = int(np.argmax(correlation))
    there = part[at : at + len(marker)]
    alike = correlation[at] / (np.linalg.norm(marker) * np.linalg.norm(there) + 1e-300)
    return low + at if alike > 0.4 else None


def _lag(signal: Floats, reference: Floats, samplerate: int) -> tuple[float, float]:
    """Frames by which a signal lags, from the slope of the phase; and standard uncertainty."""
    size = 2 * len(signal)
    cross = np.fft.rfft(signal, size) * np.conj(np.fft.rfft(reference, size))
    frequencies = np.fft.rfftfreq(size)
    low, high = (hz / samplerate for hz in _MARKER_HZ)
    inside = (frequencies > 1.5 * low) & (frequencies < 0.6 * high)
    omega, phase = 2 * np.pi * frequencies[inside], np.unwrap(np.angle(cross[inside]))
    model = np.column_stack((omega, np.ones_like(omega)))
    fit, *_ = np.linalg.lstsq(model, phase, rcond=None)
    residual = phase - model @ fit
    spread = np.sum((omega - omega.mean()) ** 2)
    # Zero padding doubles the number of lines, not what they tell.
    deviation = math.sqrt(2 * float(np.mean(residual**2)) / float(spread))
    return float(-fit[0]), deviation


def _wrong_rate(speed: float, samplerate: int) -> PathFinding:
    explained = [
        f"played at {played} Hz and recorded at {recorded} Hz"
        for played in STANDARD_RATES
        for recorded in STANDARD_RATES
        if samplerate in (played, recorded) and abs(speed * recorded / played - 1) < RATIO_TOLERANCE
    ]
    cents = 1200 * math.log2(speed)
    why = " or ".join(explained) if explained else "no two standard rates explain it"
    return _finding(
        "wrong_rate",
        True,
        f"The pitch came back {speed:.4f} times as high ({cents:+.0f} cents): {why}.",
        speed,
        "1",
    )


# --- what came back -------------------------------------------------------------------------------


@lru_cache(maxsize=32)
def _window(frames: int) -> Floats:
    """Side lobes below -150 dB: lines are seen beside a loud tone."""
    return np.kaiser(frames, 20.0).astype(np.float64)


class _Line:
    """One recorded channel, cut into the stretches of the stimulus."""

    def __init__(self, signal: Floats, channel: int, clock: _Clock) -> None:
        self.signal, self.channel, self.clock = signal, channel, clock
        self.samplerate = clock.samplerate
        self.tone = clock.ratio / _tone_period(clock.samplerate)  # cycles a frame

    def cut(self, name: str, after: float, before: float) -> Floats:
        """A stretch, from `after` its start to `before` its end, in seconds."""
        start, end = _TIMES[name]
        a, b = round(self.clock.frame(start + after)), round(self.clock.frame(end - before))
        return self.signal[max(a, 0) : max(b, 0)]

    def gain_db(self, name: str, sent: float, after: float, before: float) -> float:
        """Level of the tone in a stretch over its level as it was played."""
        return float(ratio_to_db(_amplitude(self.cut(name, after, before), self.tone) / sent))

    @cached_property
    def steps(self) -> dict[str, tuple[float, float]]:
        """Gain soon after the start of each step of the tone, and at its end, dB."""
        gains = {}
        for name, dbfs in _TONE_DBFS.items():
            length = _TIMES[name][1] - _TIMES[name][0]
            soon = 0.2 if name == "step1" else 0.06
            gains[name] = (
                self.gain_db(name, _peak(dbfs), soon, length - soon - 0.1),
                self.gain_db(name, _peak(dbfs), length - 0.13, 0.03),
            )
        return gains

    @cached_property
    def loop_db(self) -> float:
        """Gain of the whole loop, at -20 dBFS."""
        return self.steps["step1"][1]

    @cached_property
    def came_back(self) -> bool:
        return self.loop_db > (LOWEST_DIGITAL_GAIN_DB if self.digital else LOWEST_GAIN_DB)

    @cached_property
    def floor(self) -> float:
        """RMS of the noise beside the tone and its harmonics."""
        return _noise_rms(self.cut("step1", 0.2, 0.02))

    @cached_property
    def digital(self) -> bool:
        """Whether no converter lies in the path: there is no noise at all."""
        played = self.floor / min(
            1.0, float(db_to_ratio(self.loop_db))
        )  # as if it were not lowered
        return float(rms_to_dbfs(max(played, 1e-15))) < DIGITAL_FLOOR_DBFS

    @cached_property
    def grid(self) -> float | None:
        """Step of the samples; None where they are too fine to have one."""
        quiet = np.concatenate(
            [self.cut(n, 0.02, 0.02) for n in ("idle", "faint tone", "faint noise", "bits2")]
        )
        return _grid(quiet, self.signal)

    @cached_property
    def plateau(self) -> float | None:
        """Level at which the input clipped; None where it did not."""
        return _plateau(self.cut("burst", -0.02, -0.02))

    @cached_property
    def heard(self) -> Floats:
        """Amplitude of each output's tone, shape (32,)."""
        part = self.cut("channels", 0.03, 0.03)
        scale = self.clock.ratio / self.samplerate
        return _amplitudes(part, scale * np.array([_channel_hz(n) for n in range(32)]))

    @cached_property
    def response(self) -> tuple[Floats, Floats]:
        """Frequencies, Hz, and gain of the comb in dB re its lowest bands."""
        part = self.cut("comb", 0.03, 0.03)
        start, end = _frames("comb", self.samplerate)
        sent = _same_on_all(self.samplerate)[start:end]
        trim = round(0.03 * self.samplerate)
        idle = self.cut("idle", 0.03, 0.03)
        width = 0.002 * self.samplerate
        edges = np.arange(_COMB_LOW_HZ + width, _COMB_TOP * self.samplerate, width)
        got, quiet, was = (
            _band_powers(x, self.samplerate, edges) for x in (part, idle, sent[trim:-trim])
        )
        db = power_ratio_to_db(np.maximum(got - quiet, 0.02 * quiet + 1e-30) / was)
        return (edges[:-1] + edges[1:]) / 2, db - np.median(db[:8])

    @cached_property
    def low_response(self) -> Floats:
        """Gain at each of the low tones, dB re the two uppermost."""
        part = self.cut("low", 0.25, 0.05)
        scale = self.clock.ratio / self.samplerate
        db = ratio_to_db(_amplitudes(part, scale * np.array(_LOW_HZ)) / _peak(_LOW_DBFS) + 1e-12)
        return np.asarray(db - np.mean(db[-2:]))


@lru_cache(maxsize=32)
def _hann(frames: int) -> Floats:
    return np.hanning(frames)


def _amplitudes(part: Floats, cycles: NDArray[np.floating]) -> Floats:
    """Peak amplitudes of tones, of frequencies in cycles a frame, shape (tones,).

    The Fourier sum of a Hann-windowed stretch, taken in rows of a few hundred frames, so that the
    exponentials are few.
    """
    window = _hann(len(part))
    row = 256
    padded = np.zeros(-(-len(part) // row) * row)
    padded[: len(part)] = window * (part - part.mean())
    omega = -2j * np.pi * cycles
    within = padded.reshape(-1, row) @ np.exp(np.outer(np.arange(row), omega))
    across = np.exp(np.outer(np.arange(len(within)) * row, omega))
    return np.asarray(2 * np.abs(np.sum(within * across, axis=0)) / window.sum())


def _amplitude(part: Floats, cycles: float) -> float:
    return float(_amplitudes(part, np.array([cycles]))[0])


def _spectrum(part: Floats) -> Floats:
    """Mean square per line, such that a sine's line reads its mean square at its top."""
    window = _window(len(part))
    return np.asarray(2 * np.abs(np.fft.rfft(window * (part - part.mean()))) ** 2
                      / window.sum() ** 2)  # fmt: skip


def _noise_rms(part: Floats) -> float:
    """RMS of the noise between the lines, from the median of the spectrum.

    The power of a line of noise is exponentially distributed: its median is ln 2 of its mean.
    """
    window = _window(len(part))
    power = np.abs(np.fft.rfft(window * (part - part.mean()))) ** 2
    return math.sqrt(float(np.median(power)) / math.log(2) / float(np.sum(window**2)))


def _band_powers(part: Floats, samplerate: int, edges: Floats) -> Floats:
    power = np.abs(np.fft.rfft(_hann(len(part)) * part)) ** 2 / len(part)
    at = np.searchsorted(np.fft.rfftfreq(len(part), 1 / samplerate), edges)
    return np.asarray(np.add.reduceat(power, at)[:-1] / np.diff(at))


def _grid(quiet: Floats, whole: Floats) -> float | None:
    """The step that all samples are whole multiples of.

    Neighbouring values of quiet noise lie one step apart. A step finer than those of 31 bits cannot
    be told from floating point.
    """
    values = np.unique(quiet[np.abs(quiet) < 2.0**-6])
    gaps = np.diff(values[np.abs(values) < 2.0**-10])
    gaps = gaps[gaps > 2.0**-30]
    if len(gaps) < 2:
        return None
    step = float(np.mean(gaps[gaps < 1.5 * gaps.min()]))  # floating point blurs each of them
    for reach in (2.0**-12, 2.0**-8, 2.0**-6):  # refine it further and further out
        near = values[(np.abs(values) < reach) & (values != 0)]
        if len(near) == 0:
            continue
        numbers = np.rint(near / step)
        if np.max(np.abs(near / step - numbers)) > 0.1 or not np.any(numbers):
            return None
        step = float(np.sum(near * numbers) / np.sum(numbers**2))
    some = whole[:: max(1, len(whole) // 20_000)]
    if np.max(np.abs(some / step - np.rint(some / step))) > 0.02 + 2.0**-23 / step:
        return None
    return step


def _plateau(part: Floats) -> float | None:
    """Level of samples that stand still at their highest, where a converter clipped."""
    top = float(np.max(np.abs(part)))
    at_top = (np.abs(part) > top * (1 - 2.0**-13)).astype(np.int8)
    edges = np.diff(at_top, prepend=0, append=0)
    lengths = np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1)
    flat = np.abs(np.diff(np.abs(part))) <= top * 2.0**-22
    still = np.sum(flat & (at_top[1:] == 1) & (at_top[:-1] == 1))
    return top if np.sum(lengths >= 4) >= 20 and still >= 40 else None


# --- what that means ------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Judge:
    """All channels on which something came back, and what is to be said of them."""

    lines: tuple[_Line, ...]
    clock: _Clock
    outputs: int
    inputs: int
    expected: tuple[float | None, ...]

    def findings(self) -> tuple[PathFinding, ...]:
        found = (
            self._right_rate(),
            self._resampling,
            self._automatic_gain,
            self._noise_suppression(),
            self._software_volume(),
            self._truncation,
            self._mono,
            self._swapped(),
            self._high_pass(),
            self._drift,
        )
        silent = self.inputs - len(self.lines)
        if not silent:
            return found
        note = f" Nothing came back on {silent} of {self.inputs} inputs: they were not judged."
        return tuple(replace(f, evidence=f.evidence + note) for f in found)

    def _verdict(self, name: str, votes: Sequence["_Vote"]) -> PathFinding:
        """One finding from those of the channels: yes if one says yes, no if all say no."""
        yes = [v for v in votes if v.present]
        unsure = [v for v in votes if v.present is None]
        chosen = yes or unsure or list(votes)
        texts: dict[str, list[int]] = {}
        for vote in chosen:
            texts.setdefault(vote.text, []).append(vote.channel)
        # Channels that say the same are told together.
        evidence = " ".join(f"{_channels(numbers)}: {text}." for text, numbers in texts.items())
        present = True if yes else None if unsure else False
        return _finding(name, present, evidence, chosen[0].value, chosen[0].unit)

    def _right_rate(self) -> PathFinding:
        return _finding(
            "wrong_rate",
            False,
            f"The pitch came back right within {max(abs(self.clock.ppm), 1):.0f} ppm.",
            self.clock.ratio,
            "1",
        )

    @cached_property
    def _drift(self) -> PathFinding:
        ppm, uncertainty = self.clock.ppm, self.clock.uncertainty
        present = abs(ppm) > max(DRIFT_PPM, DRIFT_SIGMAS * uncertainty)
        if not present and DRIFT_SIGMAS * uncertainty > 10 * DRIFT_PPM:
            text = f"Noise hides differences below {DRIFT_SIGMAS * uncertainty:.0f} ppm."
            return _finding("clock_drift", None, text, ppm, "ppm", uncertainty)
        width = max(uncertainty, 0.01)
        text = (
            f"The outputs run {abs(ppm):.2f} ± {width:.2f} ppm "
            f"{'faster' if ppm > 0 else 'slower'} than the inputs: two devices with a clock each."
            if present
            else f"Outputs and inputs keep the same clock within {abs(ppm) + width:.2f} ppm."
        )
        return _finding("clock_drift", present, text, ppm, "ppm", uncertainty)

    # Rate conversion

    @cached_property
    def _resampling(self) -> PathFinding:
        return self._verdict("resampling", [self._resampled(line) for line in self.lines])

    def _resampled(self, line: _Line) -> "_Vote":
        rate = line.samplerate
        hz, db = line.response
        images = self._images(line)
        edge = _band_edge(hz, db)
        texts = []
        if edge is not None and edge < 0.485 * rate:
            other = next((r for r in STANDARD_RATES if r / 2 >= 0.99 * edge), None)
            if other is not None and other < rate and 0.51 * other < 0.49 * rate:
                texts.append(
                    f"the band ends at {edge / 1000:.2f} kHz, as at {other} Hz, not at {rate} Hz"
                )
        if images is not None:
            other, found = images
            there = ", ".join(f"{f:.0f} Hz at {level:.0f} dBFS" for f, level in found[:3])
            texts.append(f"images as from a conversion between {rate} and {other} Hz: {there}")
        top = float(np.max(db[hz > 0.492 * rate]))
        if not texts and line.digital and top < -1.0:
            texts.append(
                f"a path without converters, yet {-top:.0f} dB are missing at half of the rate"
            )
        if texts:
            return _Vote(line.channel, True, "; ".join(texts))
        if top < -EDGE_DB:
            end = f"{edge / 1000:.2f} kHz" if edge is not None else "half of the rate"
            return _Vote(
                line.channel,
                None,
                f"the band ends at {end}, below half of the rate, as after a good conversion to "
                "another rate, but a few converters have such a filter of their own; compare the "
                "system's rate with that of the test",
            )
        return _Vote(
            line.channel, False, f"no images; the band reaches half of the rate ({top:.0f} dB)"
        )

    def _images(self, line: _Line) -> tuple[int, list[tuple[float, float]]] | None:
        """The rate whose conversion explains most lines beside the high tone, and those lines."""
        rate, ratio = line.samplerate, line.clock.ratio
        part = line.cut("high", 0.02, 0.02)
        idle = line.cut("idle", 0.02, 0.02)
        power, quiet = _spectrum(part), _spectrum(idle)
        limit = float(dbfs_to_rms(IMAGE_DBFS)) ** 2
        if self._truncation.present:  # all that rounding can leave in one line
            limit = max(limit, (_STEP_16 * db_to_ratio(line.loop_db)) ** 2 / 12)
        tone = rate * _HIGH_TONE[0] / _HIGH_TONE[1]
        best: tuple[int, list[tuple[float, float]]] | None = None
        for other in STANDARD_RATES:
            if other == rate or other < 32_000:
                continue
            found = []
            for hz in _image_frequencies(tone, rate, other):
                at = round(hz * ratio / rate * len(part))
                if not 80 < at < len(power) - 80:
                    continue
                around = np.concatenate((power[at - 60 : at - 12], power[at + 13 : at + 61]))
                peak = float(np.max(power[at - 3 : at + 4]))
                there = round(hz / rate * len(idle))
                before = float(np.max(quiet[max(there - 6, 0) : there + 7]))
                if peak > max(IMAGE_OVER_FLOOR * float(np.median(around)), limit, 4 * before):
                    found.append((hz, float(power_ratio_to_db(2 * peak))))
            strongest = max((level for _, level in found), default=-math.inf)
            alone = strongest > _HIGH_DBFS + line.loop_db + IMAGE_ALONE_DB
            if (alone or len(found) >= IMAGES_NEEDED) and (
                best is None or len(found) > len(best[1])
            ):
                best = other, sorted(found, key=lambda line: -line[1])
        return best

    # Level

    @cached_property
    def _automatic_gain(self) -> PathFinding:
        return self._verdict("automatic_gain", [self._regulated(line) for line in self.lines])

    def _regulated(self, line: _Line) -> "_Vote":
        end = {name: gains[1] for name, gains in line.steps.items()}
        if line.plateau is not None and line.plateau <= 1.02 * _peak(-8.0) * db_to_ratio(
            line.loop_db
        ):
            return _Vote(
                line.channel, None, "the input clipped at a tone of −8 dBFS: turn the gain down"
            )
        texts = []
        loud, mids, soft = end["step2"], [end["step1"], end["step3"], end["step5"]], end["step4"]
        gated = soft < min(mids) - GATE_DB
        squeezed = max(max(mids) - loud, soft - min(mids), soft - loud)
        if squeezed > GAIN_STEP_DB:
            texts.append(
                f"a tone at −8, −20 and −40 dBFS came back with gains of {loud:+.1f}, "
                f"{float(np.mean(mids)):+.1f} and {soft:+.1f} dB"
            )
        elif loud - min(mids) > GAIN_STEP_DB:
            texts.append(f"the louder tone came back with {loud - min(mids):.1f} dB more gain")
        apart = max(mids) - min(mids)
        if apart > GAIN_STEP_DB:
            texts.append(f"the same tone came back with gains that differ by {apart:.1f} dB")
        moves = []
        for name, (soon, late) in line.steps.items():
            if name == "step4" and late < soon:
                continue  # a gate that closes
            if name == "step5" and gated:
                continue  # and opens again
            moves.append(late - soon)
        moved = max(moves, key=abs)
        if abs(moved) > GAIN_STEP_DB:
            texts.append(f"the level moved by {moved:+.1f} dB while the tone stood still")
        limited = self._limited_db(line)
        if limited is not None and limited > GAIN_STEP_DB:
            texts.append(f"a burst at full scale came back {limited:.1f} dB too low")
        lift = max(float(np.max(line.low_response)), float(np.max(line.response[1])))
        if lift > BOOST_DB:
            texts.append(f"some frequencies came back {lift:.1f} dB too strong")
        if texts:
            return _Vote(
                line.channel, True, "; ".join(texts), max(squeezed, apart, abs(moved)), "dB"
            )
        return _Vote(
            line.channel,
            False,
            f"steps in level came back within {GAIN_STEP_DB:g} dB and stood still",
            max(abs(squeezed), apart, abs(moved)),
            "dB",
        )

    def _limited_db(self, line: _Line) -> float | None:
        """How much too low the burst came back; None if it was clipped, by whatever."""
        if line.plateau is not None:
            return None
        part = line.cut("burst", 0.08, 0.02)
        first = _amplitude(part, line.tone)
        harmonics = _amplitudes(part, np.arange(2, 8) * line.tone)
        distorted = ratio_to_db(float(np.linalg.norm(harmonics)) / max(first, 1e-12))
        if distorted > BURST_DISTORTION_DB:
            return None
        return line.steps["step5"][1] - float(ratio_to_db(first / _peak(_BURST_DBFS)))

    def _noise_suppression(self) -> PathFinding:
        return self._verdict("noise_suppression", [self._gated(line) for line in self.lines])

    def _gated(self, line: _Line) -> "_Vote":
        rate = line.samplerate
        loud = line.steps["step5"][1]
        tone = line.cut("faint tone", 0.35, 0.05)
        noise = line.cut("faint noise", 0.85, 0.05)
        noise_per_tone = line.floor * math.sqrt(3 * 2 / len(tone))  # Hann window: 1.5 bins
        expected = _peak(_FAINT_TONE_DBFS) * db_to_ratio(loud)
        if expected < 4 * noise_per_tone:
            return _Vote(line.channel, None, "noise covers the faint sounds: turn the gain up")
        tone_db = float(
            ratio_to_db(max(_amplitude(tone, line.tone), 1e-12) / _peak(_FAINT_TONE_DBFS))
        )
        start, end = _frames("faint noise", rate)
        sent = _same_on_all(rate)[start + round(0.85 * rate) : end - round(0.05 * rate)]
        edges = np.array(_FAINT_NOISE_HZ)
        got, idle, was = (
            float(_band_powers(x, rate, edges)[0])
            for x in (noise, line.cut("idle", 0.03, 0.03), sent)
        )
        was *= float(db_to_ratio(loud)) ** 2
        noise_db = float(power_ratio_to_db(max(got - idle, 1e-4 * was) / was))
        fainter = _BITS["bits2"] * _STEP_16
        if fainter * db_to_ratio(loud) > 8 * noise_per_tone and not self._truncation.present:
            came = _amplitude(line.cut("bits2", 0.35, 0.05), line.tone)
            tone_db = min(tone_db, float(ratio_to_db(max(came, 1e-12) / fainter)))
        lost = max(loud - tone_db, -noise_db if was > 0.3 * idle else 0.0)
        zeros = max(_longest_zeros(tone), _longest_zeros(noise)) / rate
        coarse = self._coarse(line) or (line.grid or 0.0)
        texts = []
        if lost > GATE_DB:
            texts.append(
                f"a faint tone came back {loud - tone_db:.0f} dB and faint noise {-noise_db:.0f} "
                "dB weaker than they should"
            )
        if zeros > GATE_ZEROS_SECONDS:
            texts.append(f"{1000 * zeros:.0f} ms of digital zeros while something was played")
        if texts and coarse and expected < coarse:
            return _Vote(
                line.channel, None, "the faint sounds lie below one step of the samples that came"
            )
        if texts and self._automatic_gain.present and lost < GATE_BESIDE_AGC_DB:
            return _Vote(
                line.channel, None, "the gain moves by itself: switch that off first and repeat"
            )
        silent = max(_longest_zeros(line.cut(n, 0.05, 0.02)) / rate for n in ("idle", "pause"))
        noisy = not line.digital and line.floor > 0.6 * coarse
        if silent > 0.1 and noisy and not texts:
            if self._drift.present:
                return _Vote(line.channel, None, "the clocks differ: repeat with one device")
            texts.append(
                f"{1000 * silent:.0f} ms of digital zeros in the pauses, beside noise of "
                f"{float(rms_to_dbfs(line.floor)):.0f} dBFS during tones"
            )
        if texts:
            return _Vote(line.channel, True, "; ".join(texts), lost, "dB")
        return _Vote(
            line.channel,
            False,
            f"faint sounds came back within {max(abs(lost), 0.1):.1f} dB",
            lost,
            "dB",
        )

    def _software_volume(self) -> PathFinding:
        return self._verdict("software_volume", [self._turned_down(line) for line in self.lines])

    def _turned_down(self, line: _Line) -> "_Vote":
        loop = line.loop_db
        if self._automatic_gain.present:
            return _Vote(
                line.channel, None, "the gain moves by itself: switch that off first and repeat"
            )
        texts = []
        grid = line.grid
        if grid is not None and not _power_of_two(grid):
            bits = 24 if grid < COARSE_STEP else 16
            share = grid * 2.0 ** (bits - 1)
            texts.append(
                f"the steps of the samples are {share:.3f} of those of {bits} bits "
                f"({float(ratio_to_db(share)):+.1f} dB)"
            )
        if line.plateau is not None and line.plateau < PLATEAU:
            texts.append(f"the input clips at {100 * line.plateau:.1f} % of full scale")
        if line.digital and abs(loop) > DIGITAL_GAIN_DB:
            if self._mono.present:
                return _Vote(line.channel, None, "the channels are mixed: mend that first")
            texts.append(f"a path without converters changes the level by {loop:+.2f} dB")
        if texts:
            return _Vote(line.channel, True, "; ".join(texts), loop, "dB")
        if line.digital:
            return _Vote(line.channel, False, "the level came back exactly", loop, "dB")
        wanted = self.expected[line.channel - 1]
        if wanted is None:
            return _Vote(
                line.channel,
                None,
                f"the loop has a gain of {loop:+.2f} dB, and nothing says what it should be: "
                "calibrate the rig once with all volumes at 100 %",
                loop,
                "dB",
            )
        off = loop - wanted
        text = f"the loop has a gain of {loop:+.2f} dB, {wanted:+.2f} dB when it was calibrated"
        if abs(off) <= CALIBRATED_GAIN_DB:
            return _Vote(line.channel, False, text, loop, "dB")
        if off < 0:
            return _Vote(
                line.channel, True, f"{text}: a volume, or the gain control, was turned down",
                loop, "dB",
            )  # fmt: skip
        return _Vote(line.channel, None, f"{text}: the gain control was turned up", loop, "dB")

    # Resolution

    @cached_property
    def _truncation(self) -> PathFinding:
        return self._verdict("truncation_16_bit", [self._truncated(line) for line in self.lines])

    def _coarse(self, line: _Line) -> float | None:
        """The step of the samples, if it is that of 16 bits or coarser."""
        return line.grid if line.grid is not None and line.grid > COARSE_STEP else None

    def _truncated(self, line: _Line) -> "_Vote":
        coarse = self._coarse(line)
        if coarse is not None:
            bits = 1 - math.log2(coarse)
            return _Vote(
                line.channel, True, f"all samples lie on steps of {bits:.1f} bits", bits, "bit"
            )
        # What rounding adds, as the peak of a sine: step / sqrt(12) RMS.
        error, error_24 = (step / math.sqrt(6) for step in (_STEP_16, _STEP_24))
        orders = np.arange(2, 16)
        hidden, clearest = True, 0.0
        for name in ("bits1", "bits2", "faint tone"):
            part, sent = line.cut(name, 0.05, 0.05), self._sent(name, line.samplerate)
            first = _amplitude(part, line.tone)
            gain = float(db_to_ratio(line.loop_db))
            came = first / float(np.max(np.abs(sent)))
            hidden = hidden and came < 0.5 * gain
            harmonics = _amplitudes(part, orders * line.tone)
            between = _amplitudes(part, (orders + 0.37) * line.tone)
            distortion, noise = float(np.linalg.norm(harmonics)), float(np.linalg.norm(between))
            limit = TRUNCATION_SHARE * error * max(gain, came)
            least = max(TRUNCATION_OVER_NOISE * noise, error_24)
            if distortion > max(limit, least):
                share = 100 * distortion / max(first, 1e-12)
                level = float(rms_to_dbfs(float(np.std(sent))))
                return _Vote(
                    line.channel,
                    True,
                    f"a tone at {level:.0f} dBFS came back with {share:.0f} % distortion, as from "
                    "steps of 16 bits without dither",
                    share,
                    "%",
                )
            clearest = max(clearest, limit / least)
        if hidden:
            return _Vote(line.channel, None, "the faint tones did not come back")
        if clearest < 1:
            return _Vote(line.channel, None, "noise covers the steps of 16 bits: turn the gain up")
        noise_dbfs = float(rms_to_dbfs(max(line.floor, 1e-15))) - line.loop_db
        if noise_dbfs > DITHER_DBFS:
            return _Vote(
                line.channel,
                None,
                "no steps of 16 bits without dither, but the loop's noise, "
                f"{noise_dbfs:.0f} dBFS as played, would hide those with dither",
            )
        return _Vote(line.channel, False, "faint tones came back without steps of 16 bits")

    def _sent(self, name: str, samplerate: int) -> Floats:
        start, end = _frames(name, samplerate)
        trim = round(0.05 * samplerate)
        return _same_on_all(samplerate)[start + trim : end - trim]

    # Channels

    @cached_property
    def _mono(self) -> PathFinding:
        if self.outputs < 2:
            return _finding("mono", None, "Played on one output only: there is nothing to mix.")
        votes = []
        for line in self.lines:
            heard = line.heard[: self.outputs]
            order = np.argsort(heard)[::-1]
            leak = float(ratio_to_db(max(heard[order[1]], 1e-12) / max(heard[order[0]], 1e-12)))
            text = (
                f"output {order[1] + 1} is heard beside output {order[0] + 1} at {leak:.1f} dB"
                if leak > MIX_DB
                else f"only output {order[0] + 1} is heard, the others below {MIX_DB:.0f} dB"
            )
            votes.append(_Vote(line.channel, leak > MIX_DB, text, leak, "dB"))
        return self._verdict("mono", votes)

    def _swapped(self) -> PathFinding:
        name = "swapped_channels"
        if self.outputs < 2 or self.inputs < 2:
            return _finding(name, None, "One channel only: there is nothing to swap.")
        if self._mono.present:
            return _finding(name, None, "The channels are mixed: mend that first.")
        pairs = [(line.channel, int(np.argmax(line.heard[: self.outputs])) + 1)
                 for line in self.lines]  # fmt: skip
        crossed = [(i, o) for i, o in pairs if i != o]
        if not crossed:
            return _finding(name, False, "Each input hears the output of its own number.")
        there = ", ".join(f"input {i} hears output {o}" for i, o in crossed)
        return _finding(
            name,
            True,
            f"{there[0].upper()}{there[1:]}: cables that are swapped look just the same as "
            "channels that the computer swaps.",
        )

    # Low end

    def _high_pass(self) -> PathFinding:
        return self._verdict("high_pass", [self._cut_off(line) for line in self.lines])

    def _cut_off(self, line: _Line) -> "_Vote":
        db = line.low_response
        below = np.flatnonzero(db < -3.0103)
        if len(below) == 0:
            return _Vote(line.channel, False, f"−3 dB lies below {_LOW_HZ[0]:g} Hz")
        k = int(below[-1])
        if k + 1 >= len(db):
            return _Vote(line.channel, None, "the low tones came back too unevenly")
        share = (db[k] + 3.0103) / (db[k] - db[k + 1])
        corner = float(np.exp(np.interp(share, [0, 1], np.log([_LOW_HZ[k], _LOW_HZ[k + 1]]))))
        return _Vote(line.channel, corner > HIGH_PASS_HZ, f"−3 dB at {corner:.3g} Hz", corner, "Hz")


@dataclass(frozen=True, slots=True)
class _Vote:
    """What one channel says."""

    channel: int
    present: bool | None
    text: str
    value: float | None = None
    unit: str = ""


def _channels(numbers: Sequence[int]) -> str:
    if len(numbers) == 1:
        return f"Channel {numbers[0]}"
    return f"Channels {', '.join(map(str, numbers[:-1]))} and {numbers[-1]}"


def _power_of_two(step: float) -> bool:
    exponent = math.log2(step)
    return abs(exponent - round(exponent)) < 1e-4


def _longest_zeros(part: Floats) -> int:
    edges = np.diff((part == 0).astype(np.int8), prepend=0, append=0)
    lengths = np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1)
    return int(lengths.max()) if len(lengths) else 0


def _band_edge(hz: Floats, db: Floats) -> float | None:
    """Frequency above which nothing comes, if the response falls off steeply there."""
    above = np.flatnonzero(db > -EDGE_DB + 5)
    if len(above) == 0 or above[-1] + 2 >= len(db):
        return None
    last = int(above[-1])
    edge = float(hz[last])
    inside = db[(hz > 0.7 * EDGE_WIDTH * edge) & (hz < EDGE_WIDTH * edge)]
    outside = db[hz > 1.03 * edge]
    if len(inside) == 0 or len(outside) == 0:
        return None
    steep = float(np.median(inside)) - float(np.max(outside)) > EDGE_DB
    return edge if steep and float(np.min(inside)) > -6 else None


def _image_frequencies(tone: float, rate: int, other: int) -> tuple[float, ...]:
    """Where a conversion from a rate to another and back leaves images of a tone.

    Sampling at a rate repeats the spectrum around its multiples; what a conversion's filter leaves
    of that folds at half the new rate. Frequencies at which the tone's own harmonics fold are left
    out.
    """

    def fold(hz: float, at: int) -> float:
        rest = hz % at
        return min(rest, at - rest)

    between = {fold(abs(j * rate + sign * tone), other) for j in (0, 1, 2) for sign in (1, -1)}
    after = {
        fold(abs(j * other + sign * hz), rate)
        for hz in between for j in (0, 1, 2) for sign in (1, -1)
    }  # fmt: skip
    harmonics = rate / _HIGH_TONE[1]
    return tuple(
        sorted({round(hz, 3) for hz in after if abs(hz / harmonics - round(hz / harmonics)) > 0.02})
    )
