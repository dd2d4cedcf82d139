"""A simulated unit on the bench: a stereo synthesizer whose faults are physical parts.

The unit is a chain of textbook circuits, each driven by the values of its parts::

    voice ─┐                          rails, ripple          joint      sleeve
           ├─► volume pot ─► output amplifier ─► coupling ─► at the ─► contact ─► 24-bit
    input ─┘   (wear)        (clips at its       capacitor   jack      (hum)      converter
                              rails; noise)      and load

Nothing in it knows how anything is measured. All of it is deterministic: the same parts, seed and
actions give the same samples, and each take draws its own noise, so that repeats scatter.

Sources of the formulas: first-order RC network, corner 1/(2 pi R C), and reservoir ripple
I/(2 f C) (I/(f C) for half-wave): textbook; amplifier noise as white noise with a 1/f part below a
corner frequency: textbook; part values and amounts: common practice, no source.
"""

import time
from collections.abc import Generator
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sigbench.errors import RequestError
from sigbench.interface.base import Block, frames_in, stimulus_for_outputs
from sigbench.model import DOWN_VOLUME, SOFT_VOLUME, Samples, Step
from sigbench.units import db_to_ratio, dbu_to_volts

Waveform = Literal["sine", "saw", "pulse"]
Floats = NDArray[np.float64]

FULL_SCALE_DBU = 20.0  # a sine at this level reads 0 dBFS: common for line inputs, no source
FULL_SCALE_VOLTS = float(dbu_to_volts(FULL_SCALE_DBU) * np.sqrt(2))  # peak
CONVERTER_BITS = 24
CONVERTER_NOISE_DBFS = -112.0  # in the whole band, of a good line input: common practice, no source

SOFT_TRAVEL = 0.3  # of the volume, for a soft note
VOICE_DBFS = -12.0  # RMS level of a held note at full volume
PULSE_DUTY = 0.25
DROPOUT_NOTE_HZ = 220.0  # A3, held while the unit is tapped
TURN_SECONDS = 3.0  # from one end of a control to the other, unhurried
DRIFT_SECONDS = 47.0  # of the slow wander of pitch and level
BETWEEN_TAKES_SECONDS = 20.0  # how far that wander gets from one take to the next

RAW_PEAK_VOLTS = 22.0  # over each reservoir capacitor, for ±15 V regulators
RECHARGE_SHARE = 0.15  # of the ripple period in which the diodes conduct
REGULATOR_DROPOUT_VOLTS = 2.5
REGULATOR_REJECTION_DB = 50.0
AMPLIFIER_REJECTION_DB = 50.0  # PSRR of the output stage at twice the mains frequency
AMPLIFIER_HEADROOM_VOLTS = 1.5  # between a rail and the highest output voltage
KNEE_VOLTS = 0.1  # how gradually the clipping sets in
AMPLIFIER_OUTPUT_OHMS = 100.0
AMPLIFIER_OFFSET_VOLTS = 0.01
AMPLIFIER_INPUT_OHMS = 100e3
AMPLIFIER_BIAS_AMPERES = 1e-7

STRAY_FARADS = 10e-12  # what is left of a capacitor that has gone open
LOOP_AMPERES = 100e-6  # mains leakage current that returns through the sleeve of the jack
LOOP_HARMONICS = {1: 1.0, 3: 0.05, 5: 0.03}  # mains voltage is no pure sine

_CHUNK_FRAMES = 4096
_CLIP_OVERSAMPLING = 8
_CLIP_WINDOW = ("kaiser", 10.0)  # stop band below -100 dB
_CLIP_MARGIN = 64  # frames on either side that the resampling filter needs
_TABLE = 8192
_TRACK_CELLS = 400  # pieces of the pot's track that wear on their own


@dataclass(frozen=True, slots=True)
class Joint:
    """A solder joint in the signal path.

    Parameters
    ----------
    ohms : float
        Resistance while it makes contact.
    openings_per_second : float
        How often it opens, at random times; 0 for a sound joint.
    open_seconds : float
        Mean length of an opening; the lengths are exponentially distributed.
    open_ohms : float
        Resistance while open: flux and dirt still conduct a little.
    """

    ohms: float = 0.0
    openings_per_second: float = 0.0
    open_seconds: float = 0.04
    open_ohms: float = 10e6


@dataclass(frozen=True, slots=True)
class Jack:
    """What lies between the output amplifier and one channel of the interface.

    Parameters
    ----------
    coupling_farads, coupling_esr_ohms, coupling_leakage_ohms : float
        Coupling capacitor: capacitance, series resistance, and the leakage across it, which lets
        the amplifier's offset through.
    load_ohms : float
        Input of the interface.
    joint : Joint
        At the tip of the jack.
    sleeve_ohms : float
        Contact of the jack's sleeve, which carries the mains leakage current.
    """

    coupling_farads: float = 22e-6
    coupling_esr_ohms: float = 1.0
    coupling_leakage_ohms: float = 100e6
    load_ohms: float = 10e3
    joint: Joint = Joint()
    sleeve_ohms: float = 0.02


@dataclass(frozen=True, slots=True)
class Parts:
    """The parts of the unit; the defaults are those of a healthy one.

    Parameters
    ----------
    positive_rail_volts, negative_rail_volts : float
        What the regulators give; nominal ±15 V.
    reservoir_farads : float
        Capacitor behind the bridge, for each rail.
    supply_amperes : float
        What each rail draws.
    diode_open : bool
        One open diode in the bridge: half-wave rectification.
    mains_hz : float
        Mains frequency.
    pot_wear : float
        Share of the volume pot's track that is worn, 0 to 1.
    pot_worn_travel : tuple of float
        Where on its travel, 0 to 1, it may be worn.
    noise_volts_per_root_hz : float
        White noise of the output stage.
    noise_corner_hz : float
        Below it 1/f noise prevails.
    drift_cents, drift_db : float
        Amplitude of the slow wander of pitch and level.
    main, phones : tuple of Jack
        Left and right of both outputs.
    """

    positive_rail_volts: float = 15.0
    negative_rail_volts: float = -15.0
    reservoir_farads: float = 4700e-6
    supply_amperes: float = 0.25
    diode_open: bool = False
    mains_hz: float = 50.0
    pot_wear: float = 0.0
    pot_worn_travel: tuple[float, float] = (0.0, 1.0)
    noise_volts_per_root_hz: float = 1.0e-6
    noise_corner_hz: float = 100.0
    drift_cents: float = 0.8
    drift_db: float = 0.01
    main: tuple[Jack, Jack] = field(default=(Jack(), Jack()))
    phones: tuple[Jack, Jack] = field(
        default=(Jack(coupling_farads=220e-6), Jack(coupling_farads=220e-6))
    )

    @property
    def ripple_hz(self) -> float:
        """Fundamental of the ripple: 2 x mains, or 1 x mains with an open diode."""
        return self.mains_hz if self.diode_open else 2 * self.mains_hz

    @property
    def ripple_volts(self) -> float:
        """Peak-to-peak ripple over a reservoir capacitor: I/(2 f C), twice that for half-wave."""
        farads = max(self.reservoir_farads, STRAY_FARADS)
        ripple = self.supply_amperes / (self.ripple_hz * farads)
        return min(ripple, RAW_PEAK_VOLTS)


REPAIRED = Parts()
"""The unit after the repair: all parts healthy."""

ARRIVAL = replace(
    REPAIRED,
    reservoir_farads=330e-6,
    pot_wear=0.5,
    pot_worn_travel=(0.3, 0.42),
    main=(
        Jack(joint=Joint(openings_per_second=1.0)),
        Jack(coupling_farads=47e-9, coupling_esr_ohms=300.0),
    ),
)
"""The unit as received, with four faults.

The right output's coupling capacitor and the reservoir capacitors have dried out, the joint at the
left jack is dry, and the volume pot is worn where it is used most.
"""


class SimulatedInterface:
    """An interface with the simulated unit plugged into it, and the actions of a person at it.

    Parameters
    ----------
    parts : Parts
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
        parts: Parts = REPAIRED,
        *,
        samplerate: int = 48_000,
        seed: int = 0,
        paced: bool = False,
    ) -> None:
        if not 8000 <= samplerate <= 384_000:
            raise RequestError(
                f"The simulated interface does not run at {samplerate} Hz: choose 8000 to 384000."
            )
        self.parts = parts
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
        supply = _Supply(self.parts, self.samplerate)
        return {
            "+15V": round(float(np.mean(supply.positive)), 2),
            "-15V": round(float(np.mean(supply.negative)), 2),
        }

    def openings(
        self, channel: int, *, take: int, seconds: float
    ) -> tuple[tuple[float, float], ...]:
        """True times, in seconds, at which the joint of a channel opens and closes in a take.

        `take` counts from 0, over all streams of this interface.
        """
        contact = _Contact(self._jacks[channel - 1].joint, self._rng(take, f"joint {channel}"))
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
    def _jacks(self) -> tuple[Jack, Jack]:
        return self.parts.main if self._output == "main" else self.parts.phones

    def _rng(self, take: int, purpose: str) -> np.random.Generator:
        return np.random.default_rng([self._seed, take, *purpose.encode()])

    def _chain(self, channel: int, take: int) -> "_Chain":
        jack = self._jacks[channel - 1]
        track = np.random.default_rng([self._seed, channel])
        return _Chain(
            voice=None if self._note is None else _Voice(*self._note, self.parts, self.samplerate),
            pot=_Pot(self.parts, track, self._turn),
            supply=_Supply(self.parts, self.samplerate),
            parts=self.parts,
            jack=jack,
            contact=_Contact(jack.joint, self._rng(take, f"joint {channel}")),
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
        supply: "_Supply",
        parts: Parts,
        jack: Jack,
        contact: "_Contact",
        noise: np.random.Generator,
        samplerate: int,
        begins: float,
    ) -> None:
        self.voice, self.pot, self.supply, self.contact = voice, pot, supply, contact
        self.jack, self.noise, self.samplerate, self.begins = jack, noise, samplerate, begins
        self.mains_hz = parts.mains_hz
        self.white_volts = parts.noise_volts_per_root_hz * np.sqrt(samplerate / 2)
        self.flicker = _flicker_filter(parts.noise_corner_hz, samplerate)
        self.coupling = _coupling_filter(
            jack, samplerate, AMPLIFIER_OFFSET_VOLTS + float(np.mean(supply.at_output))
        )

    def render(self, first: int, frames: int, stimulus: Floats | None) -> Floats:
        # Extra frames on both sides serve the oversampled clipping, which looks both ways.
        index = np.arange(first - _CLIP_MARGIN, first + frames + _CLIP_MARGIN)
        seconds = index / self.samplerate
        clock = self.begins + seconds
        volts = np.zeros(len(index))
        if self.voice is not None:
            volts += self.voice.volts(clock)
        if stimulus is not None:
            there = (index >= 0) & (index < len(stimulus))
            volts[there] += FULL_SCALE_VOLTS * stimulus[index[there]]
        volts = self.pot.pass_on(volts, seconds)
        volts += AMPLIFIER_OFFSET_VOLTS + self.supply.ripple_at_output(clock)
        volts = self.supply.clip(volts, clock)[_CLIP_MARGIN:-_CLIP_MARGIN]
        seconds, clock = seconds[_CLIP_MARGIN:-_CLIP_MARGIN], clock[_CLIP_MARGIN:-_CLIP_MARGIN]
        volts = volts + self.flicker.run(self.white_volts * self.noise.standard_normal(frames))
        volts = self.coupling.run(volts)
        volts = volts * self._contact_gain(first, frames)
        volts += self.jack.sleeve_ohms * _loop_current(clock, self.mains_hz)
        return _convert(volts, self.noise)

    def _contact_gain(self, first: int, frames: int) -> Floats:
        joint, load = self.jack.joint, self.jack.load_ohms
        is_open = self.contact.is_open(first, frames, self.samplerate)
        return load / (load + np.where(is_open, joint.open_ohms, joint.ohms))


class _Voice:
    """An oscillator without aliasing: harmonics up to half the sample rate, none beyond."""

    def __init__(
        self, frequency_hz: float, waveform: Waveform, parts: Parts, samplerate: int
    ) -> None:
        self.frequency_hz, self.parts = frequency_hz, parts
        top = frequency_hz * 2 ** (parts.drift_cents / 1200)
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
        d = np.log(2) / 1200 * self.parts.drift_cents
        turns = self.frequency_hz * (clock - d / wander * np.cos(wander * clock))
        phasor = np.exp(2j * np.pi * (turns % 1.0))
        total = np.zeros(len(clock), dtype=complex)
        for coefficient in self.coefficients[::-1]:  # Horner's scheme in powers of the phasor
            total += coefficient
            total *= phasor
        gain: Floats = db_to_ratio(self.parts.drift_db * np.sin(wander * clock + 1.0))
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

    def __init__(self, parts: Parts, track: np.random.Generator, turn: "_Turn") -> None:
        first, last = parts.pot_worn_travel
        travel = (np.arange(_TRACK_CELLS) + 0.5) / _TRACK_CELLS
        worn = track.random(_TRACK_CELLS) < parts.pot_wear * ((travel > first) & (travel < last))
        self.ohms = np.where(worn, 10 ** track.uniform(3, 6, _TRACK_CELLS), 0.0)
        self.turn = turn

    def pass_on(self, volts: Floats, seconds: Floats) -> Floats:
        position = self.turn.position(seconds)
        ohms = self.ohms[np.minimum((position * _TRACK_CELLS).astype(int), _TRACK_CELLS - 1)]
        divider = AMPLIFIER_INPUT_OHMS / (AMPLIFIER_INPUT_OHMS + ohms)
        return divider * (position**2 * volts + AMPLIFIER_BIAS_AMPERES * ohms)


class _Supply:
    """Both rails over one period of the ripple.

    Between two charging pulses the load empties the reservoir capacitor evenly. A regulator holds
    its output while its input stays above output and dropout; below that it follows its input.
    """

    def __init__(self, parts: Parts, samplerate: int) -> None:
        self.ripple_hz = parts.ripple_hz
        phase = np.arange(_TABLE) / _TABLE
        drop = parts.ripple_volts * np.minimum(
            phase / (1 - RECHARGE_SHARE), (1 - phase) / RECHARGE_SHARE
        )
        unregulated = np.maximum(RAW_PEAK_VOLTS - drop - REGULATOR_DROPOUT_VOLTS, 0.0)
        self.positive = np.minimum(parts.positive_rail_volts, unregulated)
        self.negative = -np.minimum(-parts.negative_rail_volts, unregulated)
        sag = np.minimum(unregulated - parts.positive_rail_volts, 0.0)
        leak = -drop * db_to_ratio(-REGULATOR_REJECTION_DB)
        self.at_output = _band_limited(
            (sag + leak) * db_to_ratio(-AMPLIFIER_REJECTION_DB), self.ripple_hz, samplerate
        )

    def ripple_at_output(self, clock: Floats) -> Floats:
        return self._look_up(self.at_output, clock)

    def clip(self, volts: Floats, clock: Floats) -> Floats:
        """Hold the output between the rails, less the amplifier's headroom."""
        from scipy.signal import resample_poly

        room = AMPLIFIER_HEADROOM_VOLTS + 16 * KNEE_VOLTS  # beyond it the knee bends nothing
        if np.max(self.negative) + room <= np.min(volts) and np.max(volts) <= (
            np.min(self.positive) - room
        ):
            return volts
        # Clipping makes harmonics without end: what it cuts off is worked out at a higher rate and
        # freed of all that would fold back.
        fine = resample_poly(volts, _CLIP_OVERSAMPLING, 1, window=_CLIP_WINDOW)
        steps = np.arange(len(fine)) / _CLIP_OVERSAMPLING
        fine_clock = clock[0] + steps * (clock[1] - clock[0])
        top = self._look_up(self.positive, fine_clock) - AMPLIFIER_HEADROOM_VOLTS
        bottom = self._look_up(self.negative, fine_clock) + AMPLIFIER_HEADROOM_VOLTS
        # A rail that is gone altogether leaves the output at its end of the range.
        bottom = np.minimum(bottom, top)
        cut_off = _knee(fine - top) - _knee(bottom - fine)
        excess = resample_poly(cut_off, 1, _CLIP_OVERSAMPLING, window=_CLIP_WINDOW)
        return volts - excess[: len(volts)]

    def _look_up(self, table: Floats, clock: Floats) -> Floats:
        if np.ptp(table) == 0:
            return np.full(len(clock), table[0])
        place = (clock * self.ripple_hz % 1.0) * _TABLE
        return np.interp(place, np.arange(_TABLE + 1), np.append(table, table[0]))


def _knee(beyond: Floats) -> Floats:
    """What is cut off of a voltage that goes beyond a limit: all of the excess, past a soft knee.

    An output stage runs out of current gradually. The logarithm of 1 + exp() rounds the corner.
    """
    return KNEE_VOLTS * np.logaddexp(0.0, beyond / KNEE_VOLTS)


class _Contact:
    """Random openings of a joint, drawn as far into the take as they are asked for."""

    def __init__(self, joint: Joint, rng: np.random.Generator) -> None:
        self.joint, self.rng = joint, rng
        self.times: list[tuple[float, float]] = []

    def extend(self, seconds: float) -> None:
        """Draw until an opening begins after `seconds`."""
        if self.joint.openings_per_second <= 0:
            return
        while not self.times or self.times[-1][0] < seconds:
            closed_since = self.times[-1][1] if self.times else 0.0
            start = closed_since + self.rng.exponential(1 / self.joint.openings_per_second)
            self.times.append((start, start + self.rng.exponential(self.joint.open_seconds)))

    def is_open(self, first: int, frames: int, samplerate: int) -> NDArray[np.bool_]:
        self.extend((first + frames) / samplerate)
        state = np.zeros(frames, dtype=bool)
        for start, end in self.times:
            state[
                max(0, round(start * samplerate) - first) : max(0, round(end * samplerate) - first)
            ] = True
        return state


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


def _coupling_filter(jack: Jack, samplerate: int, offset_volts: float) -> _Filter:
    """Coupling capacitor with its leakage and series resistance, into the load.

    H(s) = R (1 + s C L) / (S + R + L + s C L (S + R)) for load R, leakage L and source plus series
    resistance S; without leakage a high-pass with the corner 1/(2 pi (R + S) C). It has long been
    charged when the take begins.
    """
    from scipy.signal import sosfilt_zi

    series = AMPLIFIER_OUTPUT_OHMS + jack.coupling_esr_ohms
    leakage, load = jack.coupling_leakage_ohms, jack.load_ohms
    charge = max(jack.coupling_farads, STRAY_FARADS) * leakage
    sections = _first_order(
        (load * charge, load), (charge * (series + load), series + load + leakage), samplerate
    )[np.newaxis]
    return _Filter(sections, sosfilt_zi(sections) * offset_volts)


def _flicker_filter(corner_hz: float, samplerate: int) -> _Filter:
    """White noise in, white noise that rises as 1/f (in power) below the corner out.

    Pole and zero half a decade apart, once a decade: 10 dB a decade on average. The stairs begin a
    quarter of a decade below the corner, so that they lie about the line and not above it.
    """
    zeros = 2 * np.pi * corner_hz * 10.0 ** -(np.arange(4) + 0.25)
    sections = np.array([_first_order((1, z), (1, z / np.sqrt(10)), samplerate) for z in zeros])
    return _Filter(sections, np.zeros((len(sections), 2)))


def _band_limited(period: Floats, frequency_hz: float, samplerate: int) -> Floats:
    """One period of a wave without the harmonics beyond half the sample rate."""
    spectrum = np.fft.rfft(period)
    spectrum[int(samplerate / 2 / frequency_hz) + 1 :] = 0
    return np.fft.irfft(spectrum, len(period))


def _loop_current(clock: Floats, mains_hz: float) -> Floats:
    """Mains leakage current through the sleeve, in amperes."""
    total = np.zeros(len(clock))
    for harmonic, share in LOOP_HARMONICS.items():
        total += share * np.sin(2 * np.pi * harmonic * mains_hz * clock)
    return np.sqrt(2) * LOOP_AMPERES * total


def _convert(volts: Floats, rng: np.random.Generator) -> Floats:
    """A 24-bit converter: its noise, TPDF dither, rounding, and clipping at full scale."""
    steps = 2.0 ** (CONVERTER_BITS - 1)
    hiss = db_to_ratio(CONVERTER_NOISE_DBFS) / np.sqrt(2) * rng.standard_normal(len(volts))
    dither = rng.random(len(volts)) - rng.random(len(volts))
    codes = np.rint((volts / FULL_SCALE_VOLTS + hiss) * steps + dither)
    return np.clip(codes, -steps, steps - 1) / steps
