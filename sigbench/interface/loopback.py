"""A simulated rig: the outputs of an audio interface, cables, and its own inputs.

The rig is a chain of physical parts, each driven by its values::

                 converter                       cable          converter
    stimulus ─► bits ─► bent curve ─► low-pass ─► cable ─► crosstalk ─► coupling ─► low-pass
                        (harmonics)   + noise     or none               capacitor   + noise, hum
                                                                                    ─► bits ─► take

Nothing in it knows how anything is measured. All of it is deterministic: the same converters, seed
and cables give the same samples, and each take draws its own noise. What the computer does to the
audio on its way is not part of the converters: two functions may be put there.

Between the converters the signal runs at twice the sample rate. Both low-pass filters are half-band
filters of linear phase, the usual choice in converters: flat to 0.454 of the sample rate, down by
6 dB at half of it. Sources: Kaiser's window for such filters, J. F. Kaiser, IEEE ISCAS 1974
(from memory, to be confirmed); amounts of noise, hum and distortion: common practice, no source.
"""

import math
import time
from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sigbench.errors import RequestError
from sigbench.interface.base import Block, frames_in, stimulus_for_outputs
from sigbench.interface.playback import Playback
from sigbench.model import Samples
from sigbench.units import FULL_SCALE_SINE_RMS, db_to_ratio, dbfs_to_rms, dbu_to_volts

Floats = NDArray[np.float64]
OnTheWay = Callable[[Samples, int], Samples]
"""What a computer does to audio: samples (frames, channels) and their rate to samples."""

HUM_HARMONICS = {1: 1.0, 2: 0.3, 3: 0.4}  # amplitudes re the fundamental: common practice
OPEN_INPUT_NOISE_DB = 10.0  # how much noisier an input is with nothing plugged in
OPEN_INPUT_HUM_DB = 30.0  # and how much more of the mains it picks up

_CHUNK_FRAMES = 4096
_PASS_EDGE = 0.454  # of the sample rate, end of the pass band
_STOP_DB = 110.0
_SINC_TAPS = 32  # of the interpolation between two clocks
_SINC_TABLE = 1 << 14  # points of the kernel for each sample: straight lines between do
_SINC_BETA = 12.0  # its Kaiser window: errors below -110 dB, as the signal fills half of its band
_SETTLED = 1e-7  # what is left of the coupling capacitor's charge when it is no longer followed
_LONGEST_TAIL_SECONDS = 10.0


@dataclass(frozen=True, slots=True)
class Converters:
    """The parts of an interface, as they are.

    Parameters
    ----------
    output_full_scale_dbu, input_full_scale_dbu : tuple of float
        Level of the sine that a channel plays, or reads, as 0 dBFS. Where there are more channels
        than values, the values repeat.
    output_noise_dbfs, input_noise_dbfs : float
        White noise of each converter, in the whole band; ``-inf`` for none.
    hum_dbfs : float
        Mains fundamental at the inputs.
    mains_hz : float
        Its frequency.
    second_harmonic_db, third_harmonic_db : float
        Harmonics of a full-scale sine. The 2nd falls by 1 dB and the 3rd by 2 dB, re the
        fundamental, for each dB of level.
    coupling_hz : float
        Corner of the input's coupling capacitor, first order; 0 for an input that passes DC.
    crosstalk_db : float
        From each channel into the other one of its pair (1 and 2, 3 and 4, …).
    offset : float
        DC that each input converter adds, full scale 1.
    clock_ppm : float
        How much faster the outputs run than the inputs, in parts in a million; 0 for one clock.
    latency_frames : int
        From the start of a take to the arrival of what is played.
    bits : int
        Resolution of both converters.
    """

    output_full_scale_dbu: tuple[float, ...] = (18.0, 17.92)
    input_full_scale_dbu: tuple[float, ...] = (20.0, 20.05)
    output_noise_dbfs: float = -108.0
    input_noise_dbfs: float = -110.0
    hum_dbfs: float = -118.0
    mains_hz: float = 50.0
    second_harmonic_db: float = -98.0
    third_harmonic_db: float = -92.0
    coupling_hz: float = 1.5
    crosstalk_db: float = -100.0
    offset: float = 1e-5
    clock_ppm: float = 0.0
    latency_frames: int = 1500
    bits: int = 24


class LoopbackInterface:
    """An interface with loopback cables, and the actions of a person at it.

    At first each output is joined to the input of the same number.

    Parameters
    ----------
    converters : Converters
        Its parts; may be exchanged between takes, as a person who turns the gain would.
    samplerate : int
        Frames a second, 8000 to 384000.
    channels, outputs : int
        Number of inputs and of outputs, 1 to 32; as many outputs as inputs by default.
    seed : int
        Of all that is random.
    paced : bool
        Deliver the audio as slowly as a real interface, for watching live.
    on_the_way_out, on_the_way_in : callable, optional
        What the computer does to the whole signal before it is played, and after it was recorded:
        samples of shape (frames, channels) and the rate give samples again. What comes back is cut
        or filled with silence to the length it had.

    Examples
    --------
    >>> from sigbench.interface.base import capture
    >>> from sigbench.stimulus import sine
    >>> rig = LoopbackInterface()
    >>> tone = sine(1000.0, -6.0, 1.0, rig.samplerate).samples
    >>> round(rig.volts_at(1, tone), 3)
    3.084
    >>> rig.connect({1: 2, 2: 1})
    >>> capture(rig, seconds=0.5, stimulus=tone).samples.shape
    (24000, 2)
    """

    name = "simulated"
    device = "simulated rig"

    def __init__(
        self,
        converters: Converters | None = None,
        *,
        samplerate: int = 48_000,
        channels: int = 2,
        outputs: int | None = None,
        seed: int = 0,
        paced: bool = False,
        on_the_way_out: OnTheWay | None = None,
        on_the_way_in: OnTheWay | None = None,
    ) -> None:
        outputs = channels if outputs is None else outputs
        if not 8000 <= samplerate <= 384_000:
            raise RequestError(
                f"The simulated rig does not run at {samplerate} Hz: choose 8000 to 384000."
            )
        if not (1 <= channels <= 32 and 1 <= outputs <= 32):
            raise RequestError("The simulated rig has 1 to 32 inputs and outputs.")
        self.converters = Converters() if converters is None else converters
        self.samplerate = samplerate
        self.channels = channels
        self.outputs = outputs
        self.on_the_way_out = on_the_way_out
        self.on_the_way_in = on_the_way_in
        self._seed = seed
        self._paced = paced
        self._takes = 0
        self._without_cable: Literal["open", "shorted"] = "open"
        self._cables = {n: n for n in range(1, min(channels, outputs) + 1)}

    @property
    def bits(self) -> int | None:
        """Resolution of the samples; None where something on the way in has touched them."""
        return self.converters.bits if self.on_the_way_in is None else None

    @property
    def dc_coupled(self) -> bool:
        """Whether the inputs pass DC."""
        return self.converters.coupling_hz == 0

    def connect(self, cables: Mapping[int, int] | None = None) -> None:
        """Plug in loopback cables, and pull out all others.

        Parameters
        ----------
        cables : mapping of int to int, optional
            Input to output, from 1. One output may feed several inputs. Inputs that are left out
            have nothing plugged in. By default each output goes to the input of the same number.

        Raises
        ------
        RequestError
            If there is no such input or output.
        """
        if cables is None:
            cables = {n: n for n in range(1, min(self.channels, self.outputs) + 1)}
        for into, out in cables.items():
            if not (1 <= into <= self.channels and 1 <= out <= self.outputs):
                raise RequestError(
                    f"No cable goes from output {out} to input {into}: there are {self.outputs} "
                    f"outputs and {self.channels} inputs."
                )
        self._cables, self._without_cable = dict(cables), "open"

    def short_inputs(self) -> None:
        """Put a shorting plug into every input."""
        self._cables, self._without_cable = {}, "shorted"

    def unplug(self) -> None:
        """Pull out all cables and plugs."""
        self._cables, self._without_cable = {}, "open"

    def volts_at(self, output: int, stimulus: Samples) -> float:
        """What a true-RMS multimeter at an output reads while the stimulus is played.

        Parameters
        ----------
        output : int
            From 1.
        stimulus : ndarray of float64, shape (frames,) or (frames, channels)
            As for `stream`. Read in its middle half, where a tone stands still.

        Returns
        -------
        float
            V RMS, AC-coupled as meters are.
        """
        if not 1 <= output <= self.outputs:
            raise RequestError(f"There is no output {output}: choose 1 to {self.outputs}.")
        played = self._bent(self._sent(stimulus)[:, output - 1])
        quarter = len(played) // 4
        signal = np.std(played[quarter : len(played) - quarter])
        noise = dbfs_to_rms(self.converters.output_noise_dbfs)
        return float(self._output_volts(output) * np.hypot(signal, noise) / FULL_SCALE_SINE_RMS)

    def stream(
        self,
        *,
        seconds: float | None,
        stimulus: Samples | None = None,
        background: Samples | None = None,
    ) -> Generator[Block, None, None]:
        """Record, and play the stimulus meanwhile when there is one: see `Interface.stream`.

        `background` is played under the stimulus, repeated without a seam to the end; the take
        must be of known length then.
        """
        total = None if seconds is None else frames_in(seconds, self.samplerate)
        if background is not None:
            if total is None:
                raise RequestError("A tone that goes on and on needs a take of known length.")
            stimulus = Playback(stimulus, background, self.outputs).piece(0, total)
        if total is None and self.on_the_way_in is not None:
            raise RequestError("What is done on the way in needs a take of known length.")
        take, self._takes = self._takes, self._takes + 1
        blocks = self._record(total, stimulus, take)
        if self.on_the_way_in is not None:
            whole = np.concatenate(list(blocks))
            altered = _of_length(self.on_the_way_in(whole, self.samplerate), len(whole))
            blocks = (
                altered[at : at + _CHUNK_FRAMES] for at in range(0, len(altered), _CHUNK_FRAMES)
            )
        begun, position = time.monotonic(), 0
        for samples in blocks:
            if self._paced:
                due = begun + (position + len(samples)) / self.samplerate
                time.sleep(max(0.0, due - time.monotonic()))
            yield Block(samples, position)
            position += len(samples)

    def _record(
        self, total: int | None, stimulus: Samples | None, take: int
    ) -> Generator[Samples, None, None]:
        parts, cables = self.converters, self._cables
        arriving = np.zeros((0, self.channels)) if stimulus is None else self._arriving(stimulus)
        rng = np.random.default_rng([self._seed, take])
        noise = np.array([self._noise(n) for n in range(1, self.channels + 1)])
        hum = np.array(
            [
                dbfs_to_rms(parts.hum_dbfs) / FULL_SCALE_SINE_RMS
                * (1.0 if n in cables or self._without_cable == "shorted"
                   else db_to_ratio(OPEN_INPUT_HUM_DB))
                for n in range(1, self.channels + 1)
            ]
        )  # fmt: skip
        phases = rng.uniform(0, 2 * np.pi, len(HUM_HARMONICS))
        position = 0
        while total is None or position < total:
            frames = _CHUNK_FRAMES if total is None else min(_CHUNK_FRAMES, total - position)
            # Whole chunks are drawn, so that a longer take begins like a shorter one.
            samples = noise * rng.standard_normal((_CHUNK_FRAMES, self.channels))[:frames]
            there = arriving[position : position + frames]
            samples[: len(there)] += there
            clock = 2 * np.pi * parts.mains_hz * np.arange(position, position + frames)
            for (number, share), phase in zip(HUM_HARMONICS.items(), phases, strict=True):
                mains = share * np.sin(number * clock / self.samplerate + phase)
                samples += hum * mains[:, np.newaxis]
            yield _quantised(samples + parts.offset, parts.bits)
            position += frames

    def _noise(self, channel: int) -> float:
        parts = self.converters
        own = float(dbfs_to_rms(parts.input_noise_dbfs))
        if channel in self._cables:
            return math.hypot(own, self._gain(channel) * dbfs_to_rms(parts.output_noise_dbfs))
        return own * (
            1.0 if self._without_cable == "shorted" else float(db_to_ratio(OPEN_INPUT_NOISE_DB))
        )

    def _output_volts(self, output: int) -> float:
        values = self.converters.output_full_scale_dbu
        return float(dbu_to_volts(values[(output - 1) % len(values)]))

    def _gain(self, channel: int) -> float:
        """From full scale of the output to full scale of the input that its cable leads to."""
        values = self.converters.input_full_scale_dbu
        into = float(dbu_to_volts(values[(channel - 1) % len(values)]))
        return self._output_volts(self._cables[channel]) / into

    def _sent(self, stimulus: Samples) -> Samples:
        """What reaches the output converters, shape (frames, outputs)."""
        sent = stimulus_for_outputs(stimulus, self.outputs)
        if self.on_the_way_out is not None:
            sent = _of_length(self.on_the_way_out(sent, self.samplerate), len(sent))
        return _quantised(sent, self.converters.bits)

    def _bent(self, signal: Floats) -> Floats:
        """The output stage's curve: x + 2 h2 x² + 4 h3 x³ for harmonics h2, h3 at full scale."""
        second = 2 * db_to_ratio(self.converters.second_harmonic_db)
        third = 4 * db_to_ratio(self.converters.third_harmonic_db)
        return signal * (1 + signal * (second + signal * third))

    def _arriving(self, stimulus: Samples) -> Samples:
        """What the cables bring to the input converters, from the start of the take on."""
        parts, sent = self.converters, self._sent(stimulus)
        tail = (
            min(-math.log(_SETTLED) / (2 * np.pi * parts.coupling_hz), _LONGEST_TAIL_SECONDS)
            if parts.coupling_hz
            else 0.0
        )
        frames = len(sent) + round(tail * self.samplerate) + len(_half_band())
        lines = {
            out: self._through_converters(sent[:, out - 1], frames)
            for out in sorted(set(self._cables.values()))
        }
        at_inputs = np.zeros((frames, self.channels))
        for into, out in self._cables.items():
            at_inputs[:, into - 1] = self._gain(into) * lines[out]
        leak = float(db_to_ratio(parts.crosstalk_db))
        partners = [n ^ 1 if n ^ 1 < self.channels else n for n in range(self.channels)]
        leaked = at_inputs[:, partners] * (np.array(partners) != np.arange(self.channels))
        arriving = self._coupled(at_inputs + leak * leaked)
        return np.pad(arriving, ((parts.latency_frames, 0), (0, 0)))

    def _through_converters(self, signal: Floats, frames: int) -> Floats:
        """One output's signal up to twice the rate, through its curve, to the inputs' clock."""
        from scipy.signal import oaconvolve

        taps = _half_band()
        padded = np.pad(signal, (0, frames - len(signal)))
        doubled = np.zeros(2 * frames)
        doubled[::2] = 2 * padded
        analog = self._bent(oaconvolve(doubled, taps, mode="same"))
        if self.converters.clock_ppm:
            analog = _at_other_clock(analog, 1 + self.converters.clock_ppm * 1e-6)
        return oaconvolve(analog, taps, mode="same")[::2]

    def _coupled(self, volts: Samples) -> Samples:
        if self.converters.coupling_hz == 0:
            return volts
        from scipy.signal import butter, lfilter

        # A first-order Butterworth high-pass is the network of one capacitor and one resistor.
        b, a = butter(1, self.converters.coupling_hz, "highpass", fs=self.samplerate)
        return np.asarray(lfilter(b, a, volts, axis=0))


def _half_band() -> Floats:
    """Half-band low-pass for twice the sample rate, linear phase, odd length."""
    from scipy.signal import firwin, kaiser_beta, kaiserord

    width = 2 * (0.5 - _PASS_EDGE)  # of the transition, re half of the doubled rate
    taps, _ = kaiserord(_STOP_DB, width)
    return np.asarray(firwin(taps | 1, 0.5, window=("kaiser", kaiser_beta(_STOP_DB))))


def _at_other_clock(signal: Floats, ratio: float) -> Floats:
    """The signal at positions 0, ratio, 2 ratio, … by windowed-sinc interpolation."""
    result = np.zeros(len(signal))
    half = _SINC_TAPS // 2
    padded = np.pad(signal, half)
    away = np.linspace(-half, half, _SINC_TABLE * _SINC_TAPS + 1)
    kernel = np.sinc(away) * np.kaiser(len(away), _SINC_BETA)
    for start in range(0, len(signal), 1 << 16):  # pieces bound the memory
        at = np.arange(start, min(start + (1 << 16), len(signal))) * ratio
        at = at[at < len(signal) - 1]
        whole = np.floor(at).astype(np.int64)
        # Every tap lies equally far between two points of the table.
        place = (at - whole) * _SINC_TABLE
        below = place.astype(np.int64)
        share = place - below
        piece = np.zeros(len(at))
        for tap in range(1 - half, half + 1):
            low = kernel.take(below + (half - tap) * _SINC_TABLE)
            high = kernel.take(below + (half - tap) * _SINC_TABLE + 1)
            piece += padded.take(whole + tap + half) * (low + share * (high - low))
        result[start : start + len(at)] = piece
    return result


def _quantised(samples: Samples, bits: int) -> Samples:
    """Rounded to the converter's steps, and held at its ends."""
    steps = 2.0 ** (bits - 1)
    return np.clip(np.rint(samples * steps), -steps, steps - 1) / steps


def _of_length(samples: Samples, frames: int) -> Samples:
    missing = max(0, frames - len(samples))
    return np.pad(samples, ((0, missing), (0, 0)))[:frames]
