"""A simulated unit on the bench: a stereo synthesizer whose faults are those of circuits.

What it does was worked out once from netlists (`sigbench.circuits`), and is kept in few numbers::

    voice ─┐                     output stages: curve,       hum, tones,     contact
           ├─► volume control ─► poles and zeros; noise  ─►  direct     ─►   that    ─► 24-bit
    input ─┘   (worn places)                                 voltage         opens      converter

Nothing in it knows how anything is measured. All of it is deterministic: the same state, seed and
actions give the same samples, and each take draws its own noise, so that repeats scatter.

Not worked out from circuits: the wave of the voice; when contacts open; how the control is worn
(a divider by Kirchhoff's laws); noise, white with a 1/f part below a corner frequency (textbook).
Note and hum only add up: that a note is cut where a rail sags is in the curve as a mean. Amounts:
common practice, no source.
"""

import time
from collections.abc import Generator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sigbench.circuits.heard import (
    ADDED_SECONDS,
    GAIN_SECONDS,
    LONGEST_OPENING,
    PERIOD_SECONDS,
    Break,
    Heard,
    Side,
    heard,
)
from sigbench.circuits.states import AS_RECEIVED
from sigbench.circuits.states import REPAIRED as REPAIRED_STATE
from sigbench.errors import RequestError
from sigbench.interface.base import Block, frames_in, stimulus_for_outputs
from sigbench.model import DOWN_VOLUME, SOFT_VOLUME, Samples, Step
from sigbench.units import db_to_ratio, dbu_to_volts

Waveform = Literal["sine", "saw", "pulse"]
Floats = NDArray[np.float64]

FULL_SCALE_DBU = 18.0  # a sine at this level reads 0 dBFS: EBU R 68
FULL_SCALE_VOLTS = float(dbu_to_volts(FULL_SCALE_DBU) * np.sqrt(2))  # peak
CONVERTER_BITS = 24
CONVERTER_NOISE_DBFS = -112.0  # in the whole band, of a good line input: common practice, no source

SOFT_TRAVEL = 0.3  # of the volume, for a soft note
VOICE_DBFS = -11.3  # RMS level of a held note at full volume before the output stages: -12 after
PULSE_DUTY = 0.25
DROPOUT_NOTE_HZ = 220.0  # A3, held while the unit is tapped
TURN_SECONDS = 3.0  # from one end of a control to the other, unhurried
DRIFT_SECONDS = 47.0  # of the slow wander of pitch and level
BETWEEN_TAKES_SECONDS = 20.0  # how far that wander gets from one take to the next

AMPLIFIER_INPUT_OHMS = 100e3
AMPLIFIER_BIAS_AMPERES = 1e-7
WORN_SHARE = 0.5  # of the track where it is worn
AUDIO_HZ = 20e3  # the noise of a circuit is that below

_CHUNK_FRAMES = 4096
_OVERSAMPLING = 8
_WINDOW = ("kaiser", 10.0)  # stop band below -100 dB
_MARGIN = 64  # frames on either side that the resampling filter needs
_BENT = 1e-4  # of a note: with less beside it nothing that folds back is heard
_FADE_FRAMES = 512  # from the curve of one level to that of the next
_TABLE = 65_536  # points of the period of all lines
_PLACES = np.arange(_TABLE + 1.0)  # and the first one again at its end
_TRACK_CELLS = 400  # pieces of the pot's track that wear on their own
_AFTER_SECONDS = 1.0  # how long an opening may be heard after the contact has shut


@dataclass(frozen=True, slots=True)
class Condition:
    """The simulated unit in one state, and what else there is about it.

    Parameters
    ----------
    state : str
        One of `sigbench.circuits.states.SIMULATED`.
    openings_per_second : float
        How often the contact opens that opens in this state, at random times.
    open_seconds : float
        Mean length of an opening; the lengths are exponentially distributed, and none is longer
        than `LONGEST_OPENING`.
    pot_wear : float
        Share of the volume control's track that is worn, 0 to 1, beside the state's worn places.
    noise_volts_per_root_hz : float
        White noise of the output stages, beside that of the circuit.
    noise_corner_hz : float
        Below it 1/f noise prevails.
    drift_cents, drift_db : float
        Amplitude of the slow wander of pitch and level.
    """

    state: str = REPAIRED_STATE
    openings_per_second: float = 2.0
    open_seconds: float = 0.06
    pot_wear: float = 0.0
    noise_volts_per_root_hz: float = 1.0e-6
    noise_corner_hz: float = 100.0
    drift_cents: float = 0.8
    drift_db: float = 0.01


REPAIRED = Condition()
"""The unit after the repair: all parts healthy."""

ARRIVAL = Condition(AS_RECEIVED)
"""The unit as received, with four faults; see `sigbench.circuits.states.SIMULATED`."""


class SimulatedInterface:
    """An interface with the simulated unit plugged into it, and the actions of a person at it.

    Parameters
    ----------
    condition : Condition
        `ARRIVAL`, `REPAIRED`, or any other.
    samplerate : int
        Frames a second.
    seed : int
        Of all that is random.
    paced : bool
        Deliver the audio as slowly as a real interface, for watching live.

    Examples
    --------
    >>> from sigbench.interface.base import capture
    >>> bench = SimulatedInterface(ARRIVAL)
    >>> bench.hold(440.0, "saw")
    >>> capture(bench, seconds=0.5).samples.shape
    (24000, 2)
    """

    name = "simulated"
    device = "simulated unit"
    channels = 2
    bits: int | None = CONVERTER_BITS
    dc_coupled = True

    def __init__(
        self,
        condition: Condition = REPAIRED,
        *,
        samplerate: int = 48_000,
        seed: int = 0,
        paced: bool = False,
    ) -> None:
        if not 8000 <= samplerate <= 384_000:
            raise RequestError(
                f"The simulated interface does not run at {samplerate} Hz: choose 8000 to 384000."
            )
        self.condition = condition
        self._heard: Heard = heard(condition.state)
        self.samplerate = samplerate
        self._seed = seed
        self.paced = paced
        self._takes = 0
        self._output: Literal["main", "phones"] = "main"
        self._note: tuple[float, Waveform] | None = None
        self._turn = _Turn()

    def hold(self, frequency_hz: float, waveform: Waveform = "sine") -> None:
        """Hold a key down: the voice sounds in all takes until `release`."""
        if waveform not in ("sine", "saw", "pulse"):
            raise RequestError(f"The unit has no waveform '{waveform}': sine, saw or pulse.")
        if not 0 < frequency_hz < self.samplerate / 2:
            raise RequestError(
                f"The unit cannot play {frequency_hz:g} Hz: give a frequency above 0 and below "
                f"half the sample rate."
            )
        self._note = frequency_hz, waveform

    def release(self) -> None:
        """Let go of the key: the unit idles."""
        self._note = None

    def select(self, output: str) -> None:
        """Plug the cable into the output ``main`` or ``phones``."""
        if output not in ("main", "phones"):
            raise RequestError(f"The unit has no output '{output}': main or phones.")
        self._output = "main" if output == "main" else "phones"

    def do(self, step: Step) -> None:
        """Do what a step of a plan asks of the person: plug in, and hold its note or none.

        A step that watches a sound gets a steady saw on A3 if it names no note; a step with a
        stimulus gets no note. For a pot step the volume goes up and down all the time, for a soft
        note and where a step says so it is turned down.
        """
        if step.check == "rails":
            return
        self.select(step.output)
        frequency = step.settings.frequency_hz
        if step.check == "pot":
            self._turn = _Turn(0.0, 1.0, TURN_SECONDS, back=True)
        else:
            volume = {SOFT_VOLUME: SOFT_TRAVEL, DOWN_VOLUME: 0.0}.get(step.volume, 1.0)
            self._turn = _Turn(volume, volume)
        if step.stimulus is None and step.check in ("dropouts", "jack", "pot", "soak"):
            self.hold(frequency or DROPOUT_NOTE_HZ, "saw")
        elif step.check == "tone" and frequency is not None and step.stimulus is None:
            self.hold(frequency)
        else:
            self.release()

    def turn_volume(self, start: float, end: float, *, seconds: float) -> None:
        """Turn the volume pot evenly during the next takes, each time from start to end.

        Parameters
        ----------
        start, end : float
            Share of the travel, 0 to 1. The same value twice leaves it there.
        seconds : float
            How long it takes; the pot then stays at the end.
        """
        if not (0 <= start <= 1 and 0 <= end <= 1 and seconds > 0):
            raise RequestError("The volume turns between 0 and 1, in more than 0 s.")
        self._turn = _Turn(start, end, seconds)

    def rail_volts(self) -> dict[str, float]:
        """What a multimeter on DC reads at the supply rails, by name."""
        (positive, _), (negative, _) = self._heard.rails
        return {"+15V": round(positive, 2), "-15V": round(negative, 2)}

    def openings(
        self, channel: int, *, take: int, seconds: float
    ) -> tuple[tuple[float, float], ...]:
        """True times, in seconds, at which the contact of a channel opens and shuts in a take.

        `take` counts from 0, over all streams of this interface.
        """
        if self._sides[channel - 1].breaks is None:
            return ()
        contact = self._contact(channel, take)
        contact.extend(seconds)
        return tuple((start, end) for start, end in contact.times if start < seconds)

    def stream(
        self, *, seconds: float | None, stimulus: Samples | None = None
    ) -> Generator[Block, None, None]:
        """Record; a stimulus goes into the unit's audio input: see `Interface.stream`."""
        total = None if seconds is None else frames_in(seconds, self.samplerate)
        played = None if stimulus is None else stimulus_for_outputs(stimulus, self.channels)
        take, self._takes = self._takes, self._takes + 1
        chains = [self._chain(channel, take) for channel in (1, 2)]
        position = 0
        begun = time.monotonic()
        while total is None or position < total:
            frames = _CHUNK_FRAMES if total is None else min(_CHUNK_FRAMES, total - position)
            samples = np.column_stack(
                [
                    chain.render(position, frames, None if played is None else played[:, column])
                    for column, chain in enumerate(chains)
                ]
            )
            if self.paced:
                due = begun + (position + frames) / self.samplerate
                time.sleep(max(0.0, due - time.monotonic()))
            yield Block(samples, position)
            position += frames

    @property
    def _sides(self) -> tuple[Side, Side]:
        return self._heard.outputs[self._output]

    def _rng(self, take: int, purpose: str) -> np.random.Generator:
        return np.random.default_rng([self._seed, take, *purpose.encode()])

    def _contact(self, channel: int, take: int) -> "_Contact":
        shared = all(side.breaks is not None for side in self._sides)
        purpose = "contact" if shared else f"contact {channel}"
        return _Contact(self.condition, self._rng(take, purpose))

    def _chain(self, channel: int, take: int) -> "_Chain":
        side, condition = self._sides[channel - 1], self.condition
        track = np.random.default_rng([self._seed, channel])
        return _Chain(
            voice=None if self._note is None else _Voice(*self._note, condition, self.samplerate),
            pot=_Pot(condition.pot_wear, side.worn, track, self._turn),
            side=side,
            condition=condition,
            contact=self._contact(channel, take),
            noise=self._rng(take, f"noise {channel}"),
            samplerate=self.samplerate,
            # Oscillator and mains run on between takes.
            begins=float(self._rng(take, "start").random()) + take * BETWEEN_TAKES_SECONDS,
        )


class _Chain:
    """One channel of the unit, from the key to the converter's samples."""

    def __init__(
        self,
        *,
        voice: "_Voice | None",
        pot: "_Pot",
        side: Side,
        condition: Condition,
        contact: "_Contact",
        noise: np.random.Generator,
        samplerate: int,
        begins: float,
    ) -> None:
        self.voice, self.pot, self.contact = voice, pot, contact
        self.noise, self.samplerate, self.begins = noise, samplerate, begins
        self.breaks = side.breaks
        own = side.noise_volts / np.sqrt(AUDIO_HZ)
        self.white_volts = np.hypot(condition.noise_volts_per_root_hz, own) * _root(samplerate)
        self.source_volts = side.source_noise_volts / np.sqrt(AUDIO_HZ) * _root(samplerate)
        self.flicker = _flicker_filter(condition.noise_corner_hz, samplerate)
        self.stage = _Stage(side)
        self.network = _network(side, samplerate)
        self.lines = _lines(side, samplerate)

    def render(self, first: int, frames: int, stimulus: Floats | None) -> Floats:
        # Extra frames on both sides serve the oversampled curve, which looks both ways.
        index = np.arange(first - _MARGIN, first + frames + _MARGIN)
        seconds = index / self.samplerate
        clock = self.begins + seconds
        volts = np.zeros(len(index))
        if self.voice is not None:
            volts += self.voice.volts(clock)
        if stimulus is not None:
            there = (index >= 0) & (index < len(stimulus))
            volts[there] += FULL_SCALE_VOLTS * stimulus[index[there]]
        volts = self.stage.pass_on(self.pot.pass_on(volts, seconds))[_MARGIN:-_MARGIN]
        seconds, clock = seconds[_MARGIN:-_MARGIN], clock[_MARGIN:-_MARGIN]
        hiss = self.white_volts * self.noise.standard_normal(frames)
        volts = volts + self.flicker.run(hiss)
        volts += self.source_volts * self.pot.share(seconds) * self.noise.standard_normal(frames)
        volts = self.network.run(volts) + _looked_up(self.lines, clock)
        if self.breaks is not None:
            gain, added = self.contact.does(self.breaks, first, frames, self.samplerate)
            volts = gain * volts + added
        return _convert(volts, self.noise)


class _Stage:
    """The curve of the output stages, which follows the level of the note."""

    def __init__(self, side: Side) -> None:
        self.side = side
        self.level: float | None = None  # of the frames before

    def pass_on(self, volts: Floats) -> Floats:
        from scipy.signal import resample_poly

        level = float(np.max(np.abs(volts)))
        before, self.level = level if self.level is None else self.level, level
        if max(self.side.bend(before), self.side.bend(level)) < _BENT:
            return self._bent(volts, before, level, 1)
        # A curve makes harmonics without end: they are worked out at a higher rate, and freed of
        # all that would fold back.
        fine = resample_poly(volts, _OVERSAMPLING, 1, window=_WINDOW)
        bent = resample_poly(
            self._bent(fine, before, level, _OVERSAMPLING), 1, _OVERSAMPLING, window=_WINDOW
        )
        return bent[: len(volts)]

    def _bent(self, volts: Floats, before: float, level: float, times: int) -> Floats:
        bent = self.side.bent(volts, level)
        if before != level:
            fade = min(times * (_FADE_FRAMES + _MARGIN), len(volts))
            share = np.clip(np.arange(fade) / times - _MARGIN, 0, None) / _FADE_FRAMES
            bent[:fade] *= share
            bent[:fade] += (1 - share) * self.side.bent(volts[:fade], before)
        return bent


class _Voice:
    """An oscillator without aliasing: harmonics up to half the sample rate, none beyond."""

    def __init__(
        self, frequency_hz: float, waveform: Waveform, condition: Condition, samplerate: int
    ) -> None:
        self.frequency_hz, self.condition = frequency_hz, condition
        top = frequency_hz * 2 ** (condition.drift_cents / 1200)
        # At least one, and the uppermost stays clear of the band edge.
        harmonics = np.arange(1, max(1, int(0.98 * samplerate / 2 / top)) + 1)
        if waveform == "sine":
            self.coefficients = np.ones(1, dtype=complex)
        elif waveform == "saw":  # Fourier series of a sawtooth
            self.coefficients = (1 / harmonics).astype(complex)
        else:  # a pulse is the difference of two sawtooths
            self.coefficients = (1 - np.exp(-2j * np.pi * harmonics * PULSE_DUTY)) / harmonics
        rms = np.sqrt(np.sum(np.abs(self.coefficients) ** 2) / 2)
        self.scale = FULL_SCALE_VOLTS * db_to_ratio(VOICE_DBFS) / np.sqrt(2) / rms

    def volts(self, clock: Floats) -> Floats:
        wander = 2 * np.pi / DRIFT_SECONDS
        # Frequency f (1 + d sin(w t)), integrated to a phase.
        d = np.log(2) / 1200 * self.condition.drift_cents
        turns = self.frequency_hz * (clock - d / wander * np.cos(wander * clock))
        phasor = np.exp(2j * np.pi * (turns % 1.0))
        total = np.zeros(len(clock), dtype=complex)
        for coefficient in self.coefficients[::-1]:  # Horner's scheme in powers of the phasor
            total += coefficient
            total *= phasor
        gain: Floats = db_to_ratio(self.condition.drift_db * np.sin(wander * clock + 1.0))
        return self.scale * gain * total.imag


@dataclass(frozen=True, slots=True)
class _Turn:
    """How the volume is turned: evenly from start to end, once, or there and back for ever."""

    start: float = 1.0
    end: float = 1.0
    seconds: float = 1.0
    back: bool = False

    def position(self, seconds: Floats) -> Floats:
        share = seconds / self.seconds
        share = 1 - np.abs(1 - np.abs(share) % 2) if self.back else np.clip(share, 0, 1)
        return self.start + (self.end - self.start) * share


class _Pot:
    """The volume pot: a square-law taper, and a wiper that loses contact where the track is worn.

    The wiper's contact resistance divides the signal against the amplifier's input resistance,
    and the amplifier's bias current makes a voltage over it: that is the crackle at idle.
    """

    def __init__(
        self,
        wear: float,
        worn_places: tuple[tuple[float, float], ...],
        track: np.random.Generator,
        turn: "_Turn",
    ) -> None:
        travel = (np.arange(_TRACK_CELLS) + 0.5) / _TRACK_CELLS
        share = np.full(_TRACK_CELLS, wear)
        for first, last in worn_places:
            share[(travel > first) & (travel < last)] = max(wear, WORN_SHARE)
        worn = track.random(_TRACK_CELLS) < share
        self.ohms = np.where(worn, 10 ** track.uniform(3, 6, _TRACK_CELLS), 0.0)
        self.turn = turn

    def share(self, seconds: Floats) -> Floats:
        """Of the signal that a control which is not worn passes on."""
        return self.turn.position(seconds) ** 2

    def pass_on(self, volts: Floats, seconds: Floats) -> Floats:
        position = self.turn.position(seconds)
        ohms = self.ohms[np.minimum((position * _TRACK_CELLS).astype(int), _TRACK_CELLS - 1)]
        divider = AMPLIFIER_INPUT_OHMS / (AMPLIFIER_INPUT_OHMS + ohms)
        return divider * (position**2 * volts + AMPLIFIER_BIAS_AMPERES * ohms)


class _Contact:
    """Random openings of a contact, drawn as far into the take as they are asked for."""

    def __init__(self, condition: Condition, rng: np.random.Generator) -> None:
        self.condition, self.rng = condition, rng
        self.times: list[tuple[float, float]] = []

    def extend(self, seconds: float) -> None:
        """Draw until an opening begins after `seconds`."""
        rate = self.condition.openings_per_second
        while rate > 0 and (not self.times or self.times[-1][0] < seconds):
            shut_since = self.times[-1][1] if self.times else 0.0
            start = shut_since + self.rng.exponential(1 / rate)
            length = min(self.rng.exponential(self.condition.open_seconds), LONGEST_OPENING)
            self.times.append((start, start + length))

    def does(
        self, breaks: Break, first: int, frames: int, samplerate: int
    ) -> tuple[Floats, Floats]:
        """What is left of the sound, and the volts that come besides."""
        self.extend((first + frames) / samplerate)
        index = np.arange(first, first + frames)
        gain, added = np.ones(frames), np.zeros(frames)
        for start, end in self.times:
            opens, shuts = round(start * samplerate), round(end * samplerate)
            if opens >= first + frames or shuts + _AFTER_SECONDS * samplerate < first:
                continue
            is_open, after = (index >= opens) & (index < shuts), index >= shuts
            for where, since, gains, volts in (
                (is_open, opens, breaks.gain_open, breaks.added_open),
                (after, shuts, breaks.gain_shut, breaks.added_shut),
            ):
                seconds = (index[where] - since) / samplerate
                # What an earlier opening has left is let through no better than the sound.
                left = _along(seconds, gains, GAIN_SECONDS, gains[-1])
                gain[where] *= left
                added[where] *= left
                added[where] += _along(seconds, volts, ADDED_SECONDS, 0.0)
        return gain, added


def _along(seconds: Floats, values: tuple[float, ...], step: float, then: float) -> Floats:
    """Values given in the middles of steps, at other times; after the last it is as told."""
    if not values:
        return np.full(len(seconds), then)
    middles = (np.arange(len(values)) + 0.5) * step
    return np.interp(seconds, middles, values, right=then)


class _Filter:
    """A digital filter that remembers its state from block to block."""

    def __init__(self, sections: Floats, state: Floats) -> None:
        self.sections, self.state = sections, state

    def run(self, volts: Floats) -> Floats:
        from scipy.signal import sosfilt

        filtered, self.state = sosfilt(self.sections, volts, zi=self.state)
        return filtered


def _first_order(b: tuple[float, float], a: tuple[float, float], samplerate: int) -> Floats:
    """(b1 s + b0)/(a1 s + a0) as a digital section, by the bilinear transform.

    It bends the frequency f by (pi f / samplerate)²/3: 0.14 % at 1 kHz and 48 kHz.
    """
    k = 2 * samplerate
    scale = a[0] * k + a[1]
    return np.array([b[0] * k + b[1], b[1] - b[0] * k, 0.0, scale, a[1] - a[0] * k, 0.0]) / scale


def _network(side: Side, samplerate: int) -> _Filter:
    """Poles and zeros of the output stages; what they do to direct voltage is among the lines."""
    sections = np.array(
        [
            _first_order((1, 2 * np.pi * zero), (1, 2 * np.pi * pole), samplerate)
            for zero, pole in zip(side.zeros, side.poles, strict=True)
        ]
    )
    sections[0, :3] *= side.gain
    return _Filter(sections, np.zeros((len(sections), 2)))


def _lines(side: Side, samplerate: int) -> Floats:
    """One period of all that the instrument does by itself, without what the rate cannot hold.

    It ends with the point that it begins with.
    """
    spectrum = np.zeros(_TABLE // 2 + 1, dtype=complex)
    for hertz, real, imaginary in side.lines:
        if hertz < samplerate / 2:
            spectrum[round(hertz * PERIOD_SECONDS)] = complex(real, imaginary)
    spectrum[0] *= 2
    table = np.fft.irfft(spectrum, _TABLE) * _TABLE / 2
    return np.append(table, table[0])


def _looked_up(table: Floats, clock: Floats) -> Floats:
    return np.interp((clock / PERIOD_SECONDS % 1.0) * _TABLE, _PLACES, table)


def _root(samplerate: int) -> float:
    """From volts per root hertz to the RMS of samples."""
    return float(np.sqrt(samplerate / 2))


def _flicker_filter(corner_hz: float, samplerate: int) -> _Filter:
    """White noise in, white noise that rises as 1/f (in power) below the corner out.

    Pole and zero half a decade apart, once a decade: 10 dB a decade on average. The stairs begin a
    quarter of a decade below the corner, so that they lie about the line and not above it.
    """
    zeros = 2 * np.pi * corner_hz * 10.0 ** -(np.arange(4) + 0.25)
    sections = np.array([_first_order((1, z), (1, z / np.sqrt(10)), samplerate) for z in zeros])
    return _Filter(sections, np.zeros((len(sections), 2)))


def _convert(volts: Floats, rng: np.random.Generator) -> Floats:
    """A 24-bit converter: its noise, TPDF dither, rounding, and clipping at full scale."""
    steps = 2.0 ** (CONVERTER_BITS - 1)
    hiss = db_to_ratio(CONVERTER_NOISE_DBFS) / np.sqrt(2) * rng.standard_normal(len(volts))
    dither = rng.random(len(volts)) - rng.random(len(volts))
    codes = np.rint((volts / FULL_SCALE_VOLTS + hiss) * steps + dither)
    return np.clip(codes, -steps, steps - 1) / steps
