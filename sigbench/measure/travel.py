"""Travel: where a turned control stood when something was heard, from the level alone.

A steady sound sounds while a pot or slider is turned from end to end a few times. What its level
tells, and what not:

* The level is a monotone function of the position, the taper. So two moments of equal level are
  moments of equal position, in every pass, whatever the hand did: passes can be laid over one
  another without knowing the taper.
* **Travel in percent** needs the taper as a law. Here travel is *defined* by a stated law
  (`Taper`): the position at which a control of that law, fully open at the highest level met,
  gives this level. Where the law is not told it is guessed from where the hand spent its time, and
  every law that fits nearly as well adds to the uncertainty.
* Where the level is within the noise, travel is unknown: somewhere below `Turning.floor`.
* A pause of the hand looks like a place where turning changes nothing. So a dead place is claimed
  only where passes jump over a stretch of levels, which then cannot be set.

Terms of IEC 60393-1 (from memory, to be confirmed): taper or resistance law, matching of ganged
sections, minimum effective resistance (seen here as the end residue), rotational noise, contact
resistance variation.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sigbench.errors import RequestError
from sigbench.measure.estimate import Estimate, decibels
from sigbench.measure.rhythm import RegularClicks
from sigbench.measure.scrape import (
    CELL_SECONDS,
    GAP_SECONDS,
    Burst,
    Cells,
    Sound,
    bursts_a_second,
    energy_in_db,
    find_bursts,
    learn_sounds,
    lost_cells,
    read_cells,
    runs,
)
from sigbench.model import Samples
from sigbench.units import FULL_SCALE_SINE_RMS, NEPER_DB, power_ratio_to_db

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LEAST_RANGE_DB = 6.0  # a level that moves less is not taken for turned; our own choice
BINS = 200  # of the wear map: half a percent of travel
SHARE = 0.6  # of the passes in which a worn place must show; our own choice
ALPHA = 0.01  # chance that random clicks alone give one worn place or more in a take
FEWEST_PASSES = 3  # without these, nothing is said of worn places
LOST_GAP_SECONDS = 0.005  # contact that comes back for less belongs to the same loss
LEAST_DEAD = 0.02  # of travel: a narrower skip is not told from a quick hand; our own choice
UNSTEADY_DB = 0.3  # 3 % of a linear control's travel
GANG_STEP = 0.05  # of travel between the points of the gang error
GANG_WIDTH = 0.015  # of travel: half the span that a point is taken over
GANG_LEAST_DB = 0.03  # no ratio is known better, by precision_pot.py
TOP_LEAST_DB = 0.05  # no highest level is known better: the filter passes not all of the sound
GANG_LIMIT_DB = 1.0  # a gang error less certain than this is left out

NO_SOUND = "no steady sound: hold a note, or play a tone through the unit, while turning"

CHANGES = (
    "the sound changes its timbre or pitch while the control is turned: turn it with the output "
    "silent (scrape noise alone); for a volume control hold a note that stays as it is"
)

AGAINST = (
    "the channels move against each other (a pan or balance control), and no law that is known (or "
    "the one that was told) gives the same place in both: where the control stood is not told"
)

ALL_ALONG = (
    "it crackles along much of its travel: whether it is the control is told by rests only; let it "
    "rest for some seconds and record again"
)

IN_STEPS = (
    "the level moves in {} steps between its ends, the same in every pass, as of a rotary switch, "
    "a stepped attenuator, an encoder or a control with detents: what clicks from one to the next "
    "is not told from wear"
)

SINGLE_CLICKS = (
    "it clicks once at a time and does not crackle, as a control does that moves in many small "
    "steps (an encoder, a digital volume): turn it at a third of the speed, so that it rests on "
    "each of them"
)

MOVES = (
    "the level goes up and down by itself, as of two oscillators or a chorus, or the control was "
    "turned to and fro below its upper end: the passes cannot be laid over one another, and a "
    "place that repeats would not show: hold a steady sound (one oscillator, no chorus), turn from "
    "end to end and record again"
)

WHOLE_TRACK = (
    "it crackles along nearly all of its travel: the stretches are where it does so most often, "
    "and the whole track is dirty or worn"
)

_FAR_OFF = 0.06  # of travel: a sound whose level moves by that hides what repeats
_BELOW, _MANY_BELOW = 0.85, 0.5  # of travel, and the share of passes that stay below: a beat
_ON_GRID_SECONDS = 0.003  # off an even grid: bursts are known to cells, and filters ring
_POISSON_BOUND = 3.0  # events that are not exceeded in 95 of 100 cases where none was seen
_ONE_WAY = 0.005  # of ALPHA, for places that crackle when passed in one direction alone
_FLAT = 0.001  # of travel by the square law, within which the level stays
_FLAT_LEVELS = 7  # 35 ms
_FLAT_SHARE = 0.15  # of the turning: a hand that turns a track rests less, or anywhere
_SAME_STEP = 0.002  # of the same travel, within which a level is met again
_MET_AGAIN = 0.8  # share of the rests that another pass has as well, and no others beside them
_FEWEST_STEPS = 4
_STEP_ENDS = 0.04  # of the same travel: every pass rests at the ends
_MANY_CLICKS = 12
_CLICKS_ALONE = 0.9  # share of single clicks in worn places; a worn track has half at most
_MUCH = 0.2  # of the travel
_NEARLY_ALL = 0.8  # of the travel, with a crackle nearby in one pass at least
_SMOOTH = 61  # cells of the Hann window that the level is read through
_HOP = 5  # cells from one level to the next
_GUARD = 7  # levels on both sides of a burst that it disturbs: filter and window, 35 ms
_SETTLE = 10  # levels at the start and end of the take that the filters spoil
_LONGEST_BRIDGE = 300  # levels, 1.5 s: through a longer disturbance the hand is not followed
_REST_AT_END_SECONDS = 0.1  # near the lower end so long a silence may be a rest at that end
_CRACKLED = 26  # levels of a disturbance by 50 ms of crackle, with its guards
_HAND = 0.8  # of the amplitude in a second: a quick hand on a linear track
_BRIDGED_TRAVEL = 0.1  # through a longer one that leads no farther it is followed all the same
_ENVELOPE = 41  # levels, 0.2 s
_LOST_DB = 20.0
_HYSTERESIS = 0.04  # of travel: a shorter turn back belongs to the pass
_CALM = 15  # levels of the median that turning points are looked for in: 75 ms
_LEAST_PASS = 0.2  # of travel: a shorter way is no pass
_DILATION = 3  # bins: spots met in two passes so near to each other are the same place
_ALIKE = 0.8  # rank correlation of two channels' levels, from which on one shaft turns both
_BETWEEN_ENDS = 0.1  # of the amplitude: with less in one channel, its place is that of the end
_AGREEING = 0.03  # of travel, within which two channels that move against each other must agree
_REST_SECONDS = 0.3
_RESIDUE_LEVELS = 41  # 0.2 s
_APART_DB = 0.05  # channels that differ so much more than usual: one of them has a bad contact
_USUAL_BIN = 0.02  # of the root of the amplitude
_USUAL_REACH = 6  # bins to either side
_BETWEEN = 40  # levels, 0.2 s: between two bursts so near the level is looked at again
_HELD_DOWN_DB = 1.0  # a level so much lower than on both sides is held down by the contact
_TOP_DB = 3.0  # passes that come so near to the highest level went to the upper end
_NEVER_DOWN = 0.01  # power re full, 20 dB
_HUM_RATIO = 0.5  # one partial fell 3 dB further than all together: hum holds these up
_REST_TRAVEL = 0.005  # a control that moves less than this meanwhile is at rest
_QUICK = 4.0  # times the usual speed of a pass: quicker is a jump
_FULL_BAND_DB = 1.5  # levels this near to the highest show how much the sound itself fluctuates
_DWELL_BINS = 50
_DWELL_CAP = 4.0  # times the median: more time than that in one bin is a pause
_LAW_SCATTER = 0.02  # of travel: the least uncertainty of the time spent below a level
_LAW_MARGIN = 1.5  # uncertainties: laws that fit worse by less count as alike; by precision_pot.py

TaperKind = Literal["linear", "audio", "power", "sine"]
_MOST_AT_HALF = {"linear": 0.5, "audio": 0.99, "power": 0.5, "sine": 0.75}


@dataclass(frozen=True, slots=True)
class Taper:
    """The law of a control: amplitude (0 to 1) over travel (0 to 1).

    Parameters
    ----------
    kind : {"linear", "audio", "power", "sine"}
        ``linear``: a straight track; with less than a half at half travel, one that the next stage
        loads. ``audio``: two straight pieces that meet at half travel (common practice, no
        source); with more than a half there, reverse audio. ``power``: a power of the travel.
        ``sine``: a power of the sine of a quarter turn, of pan controls (both channels at constant
        power, if 71 % at half travel).
    at_half : float
        Share of the amplitude at half travel. With the set switched off and the wiper free, an
        ohmmeter shows it: wiper to the lower end over the whole track.

    Raises
    ------
    RequestError
        If the kind is unknown, or the share not from 0.01 to 0.5 (audio: 0.99, sine: 0.75).
    """

    kind: TaperKind
    at_half: float

    def __post_init__(self) -> None:
        if self.kind not in _MOST_AT_HALF:
            raise RequestError(f"There is no taper '{self.kind}': linear, audio, power or sine.")
        most = _MOST_AT_HALF[self.kind]
        if not 0.01 <= self.at_half <= most:
            raise RequestError(
                f"A {self.kind} taper with {100 * self.at_half:g} % of the amplitude at half "
                f"travel is not known: give 1 to {100 * most:g} %."
            )

    @property
    def name(self) -> str:
        """In words."""
        kind = "reverse audio" if self.kind == "audio" and self.at_half > 0.5 else self.kind
        return f"{kind}, {100 * self.at_half:.3g} % at half travel"

    def amplitude(self, travel: Floats) -> Floats:
        """Amplitude re full at each travel."""
        x = np.clip(travel, 0.0, 1.0)
        if self.kind == "audio":
            return np.interp(x, [0.0, 0.5, 1.0], [0.0, self.at_half, 1.0])
        if self.kind == "power":
            return x ** (np.log(self.at_half) / np.log(0.5))
        if self.kind == "sine":
            power = np.log(self.at_half) / np.log(np.sin(np.pi / 4))
            return np.asarray(np.sin(np.pi / 2 * x) ** power)
        # Thevenin: the wiper of a track R into a load, x / (1 + x (1 - x) R / load).
        ratio = 4 * (0.5 / self.at_half - 1)
        return x / (1 + ratio * x * (1 - x))

    def too_low(self, ratio: float) -> float:
        """By how much of the travel a place is read too low, at most, if a load bends the law.

        Parameters
        ----------
        ratio : float
            Resistance of the track over that of the load.
        """
        grid = np.linspace(0.0, 1.0, 501)
        share = self.amplitude(grid)
        loaded = share / (1 + ratio * share * (1 - share))  # Thevenin
        return float(np.max(grid - self.travel(loaded)))

    def travel(self, amplitude: Floats) -> Floats:
        """Travel at each amplitude re full; what is above full is at the end."""
        grid = np.linspace(0.0, 1.0, 2001)
        known = np.isfinite(amplitude)
        found = np.full(np.shape(amplitude), np.nan)
        found[known] = np.interp(amplitude[known], self.amplitude(grid), grid)
        return found


LINEAR = Taper("linear", 0.5)
AUDIO = Taper("audio", 0.15)
SQUARE = Taper("power", 0.25)
REVERSE_AUDIO = Taper("audio", 0.85)
SINE = Taper("sine", float(np.sin(np.pi / 4)))

TAPERS = (
    LINEAR,
    Taper("audio", 0.1),
    AUDIO,
    Taper("audio", 0.2),
    SQUARE,
    REVERSE_AUDIO,
)
"""The laws that are tried where none is told: common practice, no source."""

PAN_TAPERS = (LINEAR, SINE, Taper("sine", 0.595), *TAPERS[1:])
"""The laws that are tried where two channels move against each other; 0.595 is 4.5 dB down."""

_NAMED = {"linear": LINEAR, "audio": AUDIO, "power": SQUARE, "sine": SINE}


def taper_named(text: str) -> Taper:
    """The law that a person writes as a kind, and the percent of the amplitude at half travel.

    Parameters
    ----------
    text : str
        ``linear`` (50 %), ``audio`` (15 %), ``power`` (25 %) or ``sine`` (71 %); or with another
        percent after a colon, such as ``audio:10``, or ``audio:85`` for reverse audio.

    Raises
    ------
    RequestError
        If it is none of these.

    Examples
    --------
    >>> taper_named("audio:10").name
    'audio, 10 % at half travel'
    """
    kind, colon, percent = (part.strip().lower() for part in text.partition(":"))
    usual = _NAMED.get(kind)
    if usual is None or (colon and re.fullmatch(r"\d+(\.\d+)?\s*%?", percent) is None):
        raise RequestError(
            f"'{text}' is no taper: write linear, audio (also called logarithmic) or power (sine "
            "for a pan control), and if it is known the percent at half travel, such as audio:10."
        )
    if not colon:
        return usual
    return Taper(usual.kind, float(percent.rstrip("% ")) / 100)


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """What is heard of one channel: its cells, its level, and what disturbs it.

    Parameters
    ----------
    channel : int
        Counted from 1.
    cells : Cells
        At 1 ms.
    power : ndarray of float, shape (levels,)
        Power of the sound less the noise, every 5 ms.
    noise : float
        Power of the noise in the sound's partials.
    full : float
        Power at the highest level met.
    bursts : tuple of Burst
        Contact noise.
    disturbed : ndarray of bool, shape (levels,)
        Levels that bursts and lost contact make untrue.
    fallen : float
        Power of the partial that fell furthest, re the highest it was.
    fluctuation : float
        Standard deviation of the sound's own level in dB, seen at the upper end.
    why : str or None
        Why this channel tells nothing of the travel; None if it does.
    own : tuple of RegularClicks
        Bursts that keep time, as a sample loop makes them: the sound's own, and not among `bursts`.
    """

    channel: int
    cells: Cells
    power: Floats
    noise: float
    full: float
    bursts: tuple[Burst, ...]
    disturbed: Bools
    fallen: float
    fluctuation: float
    why: str | None
    own: tuple[RegularClicks, ...] = ()


@dataclass(frozen=True, slots=True)
class Pass:
    """One way of the control between two turning points; seconds, and travel in percent."""

    start: float
    end: float
    from_travel: float
    to_travel: float


@dataclass(frozen=True, slots=True)
class Spot:
    """A burst of one channel with its place.

    Parameters
    ----------
    channel : int
        Counted from 1.
    burst : Burst
        When, and how strong.
    travel : (float, float) or None
        Between which percents of travel; None where the travel is unknown.
    number : int or None
        The pass that it belongs to, from 0; None between passes.
    lost : (float, float) or None
        From when to when the signal was gone at a stretch, the longest one; None if it was not.
    lost_db : float or None
        How far it fell then.
    jump : bool
        Whether the level went on from another place than it had come to. Of several bursts in the
        same jump the first has it.
    """

    channel: int
    burst: Burst
    travel: tuple[float, float] | None
    number: int | None
    lost: tuple[float, float] | None
    lost_db: float | None
    jump: bool


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of travel in percent, with the standard uncertainty of its ends.

    `passes` of the `crossings` show it; `chance` is the probability that random clicks would show
    such a stretch anywhere in the take. `way` is the direction in which it shows, if in one alone:
    "up" or "down", the passes and crossings being those; None if in both.
    """

    start: float
    end: float
    uncertainty: float
    passes: int
    crossings: int
    chance: float
    way: Literal["up", "down"] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class PassCurve:
    """Level of a channel along travel in one pass, to be drawn: percent, and dB re full level."""

    channel: int
    number: int
    travel: Floats
    level: Floats


@dataclass(frozen=True, slots=True, eq=False)
class WearMap:
    """Contact noise of a channel along travel, the passes laid over one another.

    Parameters
    ----------
    channel : int
        Counted from 1.
    edges : ndarray of float, shape (bins + 1,)
        Percent of travel.
    crossed : ndarray of bool, shape (passes, bins)
        Which bins each pass went through.
    level : ndarray of float, shape (passes, bins)
        Strongest burst in dB re full level; NaN without one.
    """

    channel: int
    edges: Floats
    crossed: Bools
    level: Floats

    @property
    def share(self) -> Floats:
        """Share of the passes through each bin that crackled there; NaN where none went."""
        crossings = self.crossed.sum(axis=0)
        hits = (np.isfinite(self.level) & self.crossed).sum(axis=0)
        return np.where(crossings > 0, hits / np.maximum(crossings, 1), np.nan)


@dataclass(frozen=True, slots=True, eq=False)
class Gang:
    """What was found of one channel of a turned control.

    Parameters
    ----------
    channel : int
        Counted from 1.
    worn : tuple of Stretch or None
        Stretches that crackle in nearly every pass; None where that cannot be told.
    dead : tuple of Stretch or None
        Stretches that nearly every pass jumps over.
    why : str or None
        Why `worn` and `dead` cannot be told, or a remark.
    jumps : int
        How often the level went on from another place than it had come to.
    lost : int
        How often the signal was gone for a while.
    top_level : Estimate
        Highest level in dBFS.
    end_residue : Estimate
        Lowest level in dB re the highest.
    crackle_rate : Estimate
        Bursts a second while the control moves.
    crackle_energy : Estimate
        Mean power of the bursts while it moves, in dB re the sound at full level.
    wear : WearMap
        To be drawn.
    """

    channel: int
    worn: tuple[Stretch, ...] | None
    dead: tuple[Stretch, ...] | None
    why: str | None
    jumps: int
    lost: int
    top_level: Estimate
    end_residue: Estimate
    crackle_rate: Estimate
    crackle_energy: Estimate
    wear: WearMap


@dataclass(frozen=True, slots=True, eq=False)
class Turning:
    """A turned control: one shaft, with one channel or two.

    Parameters
    ----------
    seconds, travel : ndarray of float, shape (levels,)
        Time, and percent of travel; NaN where it is unknown.
    floor : float
        Percent of travel below which the sound is within the noise.
    taper : Taper
        The law by which travel is defined.
    told : bool
        Whether that law was told. If not, it is the one that fits best to where the hand spent
        its time.
    alike : tuple of Taper
        Laws that fit nearly as well.
    miss : float
        By how much of the travel a guessed law misses an even speed of the hand (RMS, in percent).
    dwell : tuple of (float, float)
        Level in dB re full, and the percent of a pass's turning time spent below it.
    passes : tuple of Pass
    spots : tuple of Spot
        All bursts, of all channels, in order of time.
    gangs : tuple of Gang
    gang_error : tuple of (float, Estimate)
        Percent of travel, and first channel less second there in dB; empty with one channel.
    curves : tuple of PassCurve
        To be drawn.
    moving_seconds : float
        How long the control moved.
    top_spread : float
        Standard deviation of the highest levels of the passes in dB. Above `UNSTEADY_DB` the sound
        is not steady, or the control was not always turned to its end.
    against : int or None
        The channel that goes down as this one goes up, as with a pan control.
    steps : int or None
        How many levels between its ends there are, where it rests on the same few in every pass;
        None for a track.
    """

    seconds: Floats
    travel: Floats
    floor: float
    taper: Taper
    told: bool
    alike: tuple[Taper, ...]
    miss: float
    dwell: tuple[tuple[float, float], ...]
    passes: tuple[Pass, ...]
    spots: tuple[Spot, ...]
    gangs: tuple[Gang, ...]
    gang_error: tuple[tuple[float, Estimate], ...]
    curves: tuple[PassCurve, ...]
    moving_seconds: float
    top_spread: float
    against: int | None = None
    steps: int | None = None

    @property
    def channels(self) -> tuple[int, ...]:
        """The channels that this shaft turns."""
        return tuple(gang.channel for gang in self.gangs)


# --- one channel


def hear(samples: Samples, samplerate: int) -> tuple[Track, ...]:
    """Take the channels of a take apart.

    Parameters
    ----------
    samples : ndarray of float, shape (frames, channels)
        Full scale is -1.0 to 1.0.
    samplerate : int
        Frames a second.

    Raises
    ------
    SignalError
        If the take is shorter than 0.7 s.
    """
    sounds = learn_sounds(samples, samplerate)
    return tuple(
        follow(sound, read_cells(samples[:, column], sound), column + 1)
        for column, sound in enumerate(sounds)
    )


def follow(sound: Sound, cells: Cells, channel: int) -> Track:
    """The level of a channel whose cells have been read, so far as they go.

    In a live session this is called again as cells come in: it costs some 10 ms a minute.
    """
    window = np.hanning(_SMOOTH + 2)[1:-1]
    smooth = np.convolve(cells.tone, window / window.sum(), "same")
    quiet = cells.residue[cells.tone <= np.quantile(cells.tone, 0.1)]
    noise = float(np.median(quiet)) * sound.noise_ratio
    if sound.fallen > _NEVER_DOWN:  # then there was no quiet moment to see the noise in
        noise = min(noise, _NEVER_DOWN * float(np.quantile(smooth, 0.02)))
    expected = np.maximum(smooth - noise, 0.0)
    power = (smooth - noise)[::_HOP]
    full, fluctuation = _full_power(power)
    disturbed = np.zeros(len(power), dtype=bool)
    if sound.changing:  # what the filter does to the sound cannot be told from crackle
        return Track(channel, cells, power, noise, 0.0, (), disturbed, 1.0, 0.0, CHANGES)
    if not sound.tonal or full <= 0.0:
        bursts = find_bursts(sound, cells, np.zeros(len(cells)), None)
        return Track(channel, cells, power, noise, 0.0, bursts, disturbed, 1.0, 0.0, NO_SOUND)
    bursts = find_bursts(sound, cells, expected, full)
    for first, last in _disturbances(bursts, power / full):
        disturbed[first:last] = True
    _held_down(power, disturbed)
    disturbed[:_SETTLE] = disturbed[-_SETTLE:] = True
    clean = power[~disturbed]
    if len(clean):
        full, fluctuation = _full_power(clean)
    low = max(float(np.quantile(clean, 0.02)) if len(clean) else full, noise)
    # Bursts spoil levels, and hardly the median of spectra: both must show that it was turned.
    span = 10 * np.log10(min(full / max(low, 1e-30), 1 / max(sound.fallen, 1e-30)))
    why: str | None = None
    if full < 10 * noise:
        why = "the sound does not stand 10 dB above the noise: play it louder"
    elif span < LEAST_RANGE_DB:
        why = (
            f"the level moves by {span:.1f} dB only: this channel is not turned by the control, "
            "or the control was not turned, or not far enough; turn it from end to end"
        )
    return Track(
        channel, cells, power, noise, full, bursts, disturbed, sound.fallen, fluctuation, why
    )


def without_own_clicks(
    tracks: Sequence[Track], regular: Sequence[RegularClicks]
) -> tuple[Track, ...]:
    """The channels without the bursts that keep time, which are the sound's own.

    Parameters
    ----------
    tracks : sequence of Track
        As they were heard.
    regular : sequence of RegularClicks
        What `sigbench.measure.crackle.CrackleDetector` found in the same take. It misses some
        where the sound is turned down: what lies on the same even grid is taken for another.
    """
    return tuple(
        _without_own(track, [clicks for clicks in regular if clicks.channel == track.channel])
        for track in tracks
    )


def _without_own(track: Track, regular: Sequence[RegularClicks]) -> Track:
    bursts, own = track.bursts, []
    for clicks in regular:
        known = [
            (burst, time)
            for burst in bursts
            if abs((time := _nearest(clicks, burst)) - burst.start) <= GAP_SECONDS
        ]
        at_one = [
            (burst.start - time, burst.end - time)
            for burst, time in known
            if np.min(np.abs(np.subtract(clicks.starts, time))) <= _ON_GRID_SECONDS
        ]
        if not at_one:
            continue
        # A crackle that goes on for longer is not the loop's, though a loop may be in it.
        first, last = np.median(at_one, axis=0)
        kept_time = {
            burst
            for burst, time in known
            if burst.start - time >= first - _ON_GRID_SECONDS
            and burst.end - time <= last + _ON_GRID_SECONDS
        }
        own.append(replace(clicks, starts=tuple(sorted(burst.start for burst in kept_time))))
        bursts = tuple(burst for burst in bursts if burst not in kept_time)
    return replace(track, bursts=bursts, own=tuple(clicks for clicks in own if clicks.starts))


def _nearest(clicks: RegularClicks, burst: Burst) -> float:
    """The time on the grid of regular clicks that is nearest to the beginning of a burst."""
    starts = np.asarray(clicks.starts)
    anchor = float(starts[np.argmin(np.abs(starts - burst.start))])
    return anchor + round((burst.start - anchor) / clicks.interval) * clicks.interval


def _held_down(power: Floats, disturbed: Bools) -> None:
    """Mark as disturbed what lies between two bursts and below the level on both sides."""
    spans = runs(disturbed, 0)
    for (begin, end), (first, last) in pairwise(spans):
        if first - end > _BETWEEN or begin == 0 or last == len(power):
            continue
        usual = min(power[begin - 1], power[last])
        if np.median(power[end:first]) < 10 ** (-_HELD_DOWN_DB / 10) * usual:
            disturbed[end:first] = True


def _full_power(power: Floats) -> tuple[float, float]:
    """Power at the upper end, and the sound's own fluctuation there in dB (standard deviation).

    It is the median of the highest 0.3 s: a rest at the upper end, and no rest just before it.
    """
    if len(power) == 0:
        return 0.0, 0.0
    count = min(len(power), round(_REST_SECONDS / (_HOP * CELL_SECONDS)))
    full = float(np.median(np.partition(power, -count)[-count:]))
    if full <= 0:
        return full, 0.0
    near = power[power > full * 10 ** (-_FULL_BAND_DB / 10)]
    plateau = near[near >= 0.5 * (near.min() + near.max())]
    middle = float(np.median(plateau))
    return full, float(1.48 * np.median(np.abs(10 * np.log10(plateau / middle))))


def _disturbances(bursts: Sequence[Burst], power: Floats) -> list[tuple[int, int]]:
    """First and one past the last level of each disturbance: bursts, and lost contact between two.

    A gap opens with one burst and closes with another. It differs from a control turned down in
    that the level falls and comes back at once: a hand that rests at a worn lower end crackles on
    its way there. `power` is re full.
    """
    hop = _HOP * CELL_SECONDS
    levels = len(power)
    spans = [
        (max(0, int(b.start / hop) - _GUARD), min(levels, int(b.end / hop) + _GUARD + 2))
        for b in bursts
    ]
    joined: list[tuple[int, int]] = []
    for first, last in spans:
        if joined:
            begin, end = joined[-1]
            if first <= end:
                joined[-1] = begin, max(end, last)
                continue
            before = power[max(0, begin - 1)]
            after = power[min(levels - 1, last)]
            inside = max(power[min(end, levels - 1)], power[max(first - 1, 0)])
            deep = inside < 10 ** (-_LOST_DB / 10) * min(before, after)
            by_hand = _in_reach(before, end - begin) and _in_reach(after, last - first)
            by_hand &= min(end - begin, last - first) > _CRACKLED
            if deep and not by_hand and first - end < _LONGEST_BRIDGE:
                joined[-1] = begin, last
                continue
        joined.append((first, last))
    return joined


def _in_reach(power: float, levels: int) -> bool:
    """Whether a hand turns a control from this power re full to nothing in so many levels."""
    return bool(power < (_HAND * levels * _HOP * CELL_SECONDS) ** 2)


# --- one shaft


def measure_travel(
    samples: Samples, samplerate: int, *, taper: Taper | None = None
) -> tuple[Turning, ...]:
    """The travel of a control that was turned while a steady sound sounded, and what it shows.

    Parameters
    ----------
    samples : ndarray of float, shape (frames, channels)
        Full scale is -1.0 to 1.0. The frequency and the wave of the sound need not be known.
    samplerate : int
        Frames a second.
    taper : Taper or None
        The law of the control; None guesses it.

    Returns
    -------
    tuple of Turning
        One for each shaft: a stereo control is one shaft with two channels; a balance control,
        which turns one channel up and the other down, counts as two. Channels whose level does
        not move are in none.
    """
    return turnings(hear(samples, samplerate), taper=taper)


def turnings(tracks: Sequence[Track], *, taper: Taper | None = None) -> tuple[Turning, ...]:
    """The same of channels that have been heard.

    Channels that move against each other check each other: the law must put both in one place. If
    none does, they are left out, for `AGAINST`.
    """
    groups = list(shafts(tracks))
    found: list[Turning] = []
    while groups:
        shaft = groups.pop(0)
        other = next((g for g in groups if _move_against(shaft, g)), None)
        if other is None:
            found.append(turning(shaft, taper=taper))
            continue
        groups.remove(other)
        law = _agreeing_taper(shaft[0], other[0], PAN_TAPERS if taper is None else (taper,))
        if law is not None:
            found += [
                replace(
                    turning(one, taper=law), told=taper is not None, against=opposite[0].channel
                )
                for one, opposite in ((shaft, other), (other, shaft))
            ]
    return tuple(found)


def _agreeing_taper(first: Track, second: Track, laws: Sequence[Taper]) -> Taper | None:
    """The law by which one channel's way up is the other's way down; None if there is none."""
    clean = ~(first.disturbed | second.disturbed)
    a, b = (np.sqrt(np.maximum(t.power[clean] / t.full, 0.0)) for t in (first, second))
    between = np.minimum(a, b) > _BETWEEN_ENDS
    if not between.any():
        return None
    misses = [
        float(np.quantile(np.abs(law.travel(a[between]) + law.travel(b[between]) - 1), 0.9))
        for law in laws
    ]
    best = int(np.argmin(misses))
    return laws[best] if misses[best] < _AGREEING else None


def shafts(tracks: Sequence[Track]) -> tuple[tuple[Track, ...], ...]:
    """Channels that are turned, those that move alike together (at most two)."""
    turned = [track for track in tracks if track.why is None]
    groups: list[tuple[Track, ...]] = []
    for track in turned:
        for k, group in enumerate(groups):
            if len(group) == 1 and _move_alike(group[0], track):
                groups[k] = (*group, track)
                break
        else:
            groups.append((track,))
    return tuple(groups)


def _move_alike(a: Track, b: Track) -> bool:
    return _likeness(a, b) > _ALIKE


def _move_against(first: Sequence[Track], second: Sequence[Track]) -> bool:
    """Whether two shafts of one channel each are one control, as of a pan."""
    return len(first) == len(second) == 1 and _likeness(first[0], second[0]) < -_ALIKE


def _likeness(a: Track, b: Track) -> float:
    """Rank correlation of two channels' levels."""
    clean = ~(a.disturbed | b.disturbed)
    if clean.sum() < 10:
        return 0.0
    ranks = [np.argsort(np.argsort(track.power[clean])) for track in (a, b)]
    return float(np.corrcoef(ranks[0], ranks[1])[0, 1])


def turning(tracks: Sequence[Track], *, taper: Taper | None = None) -> Turning:
    """What one shaft shows; see `measure_travel`.

    Parameters
    ----------
    tracks : sequence of Track
        One channel or two that move alike, as `shafts` gives them.
    taper : Taper or None
        The law of the control; None guesses it.
    """
    amplitude, floor = _shaft_amplitude(tracks)
    seconds = np.arange(len(amplitude), dtype=np.float64) * (_HOP * CELL_SECONDS)
    told = taper is not None
    alike: tuple[Taper, ...] = ()
    miss = 0.0
    # Turning points lie between the laws well enough on the square law.
    envelope = _envelope(tracks)
    roughly = _bridged(SQUARE.travel(amplitude), SQUARE.travel(envelope))
    rough = _find_passes(roughly)
    steps = _steps(roughly, rough)
    dwell = _dwell(np.sqrt(np.clip(amplitude, 0, 1)), rough)
    if taper is None:
        taper, alike, miss = _fitting_taper(dwell)
    x = _bridged(taper.travel(amplitude), taper.travel(envelope))
    spans = _find_passes(x)
    speeds = [_usual_speed(x[a:b]) for a, b in spans]
    moving = _moving(x)
    moving_seconds = max(float(moving.sum()) * _HOP * CELL_SECONDS, _HOP * CELL_SECONDS)
    spots = tuple(
        sorted(
            (s for track in tracks for s in _spots(track, x, spans, speeds)),
            key=lambda s: (s.burst.start, s.channel),
        )
    )
    top_spread = _top_spread(amplitude, spans)
    beating = _beating(taper, max(top_spread, *(track.fluctuation for track in tracks)))
    moves = float(np.median(beating)) > _FAR_OFF or _mostly_below(x, spans)
    ambiguity = np.hypot(np.maximum(_ambiguity(taper, alike), miss), beating)
    gangs = tuple(
        _gang(
            track,
            [s for s in spots if s.channel == track.channel],
            x=x,
            spans=spans,
            moving=moving,
            ambiguity=ambiguity,
            steps=steps,
            moves=moves,
        )
        for track in tracks
    )
    return Turning(
        seconds,
        100 * x,
        100 * float(taper.travel(np.array([floor]))[0]),
        taper,
        told,
        alike,
        100 * miss,
        tuple((float(db), 100 * float(share)) for db, share, _ in dwell),
        tuple(
            Pass(*(float(v) for v in (seconds[a], seconds[b - 1], 100 * x[a], 100 * x[b - 1])))
            for a, b in spans
        ),
        spots,
        gangs,
        _gang_error(tracks, x, spans, beating) if len(tracks) == 2 else (),
        tuple(
            PassCurve(
                track.channel,
                number,
                100 * x[a:b],
                np.where(track.disturbed[a:b], np.nan, _level_db(track)[a:b]),
            )
            for track in tracks
            for number, (a, b) in enumerate(spans)
        ),
        moving_seconds,
        top_spread,
        steps=steps,
    )


def _top_spread(amplitude: Floats, spans: Sequence[tuple[int, int]]) -> float:
    """Standard deviation of the highest levels of the passes in dB: each end as often."""
    tops = []
    for a, b in spans:
        way = amplitude[a:b][np.isfinite(amplitude[a:b])]
        if len(way) and way.max() > 10 ** (-_TOP_DB / 20):
            tops.append(20 * np.log10(way.max()))
    return float(np.std(tops, ddof=1)) if len(tops) > 1 else 0.0


def _mostly_below(x: Floats, spans: Sequence[tuple[int, int]]) -> bool:
    """Whether most passes do not come near the upper end, where a hand turns back."""
    ends = [max(x[a], x[b - 1]) for a, b in spans]
    return bool(ends) and bool(np.mean(np.less(ends, _BELOW)) > _MANY_BELOW)


def _level_db(track: Track) -> Floats:
    least = 0.1 * track.noise / track.full + 1e-15
    return np.asarray(10 * np.log10(np.maximum(track.power / track.full, least)))


def _shaft_amplitude(tracks: Sequence[Track]) -> tuple[Floats, float]:
    """Amplitude re full of the shaft (NaN where disturbed), and the least that is not noise.

    With two channels it is their mean in dB. A contact's resistance can only lower a level: where
    the channels differ by more than is usual at that level, and where one is disturbed, the higher
    tells the position, with half the usual difference taken off.
    """
    floors = [np.sqrt(2 * max(track.noise, 0.0) / track.full) for track in tracks]
    floor = float(max(floors))
    level = [np.where(track.disturbed, np.nan, _level_db(track)) for track in tracks]
    if len(tracks) == 1:
        return 10 ** (level[0] / 20), floor
    usual, scatter = _usual_difference(level[0], level[1], 20 * np.log10(max(2 * floor, 1e-8)))
    first, second = level[0] - usual / 2, level[1] + usual / 2
    apart = np.abs(first - second) > max(_APART_DB, 4 * scatter)
    mean = np.where(apart, np.fmax(first, second), 0.5 * (first + second))
    mean = np.where(np.isnan(mean), np.fmax(first, second), mean)
    return 10 ** (mean / 20), floor


def _usual_difference(first: Floats, second: Floats, least: float) -> tuple[Floats, float]:
    """Usual difference of two channels at each moment's level in dB, and its scatter.

    Medians over a quarter of the scale: wider than a worn place, which lowers one of them.
    """
    from scipy.ndimage import median_filter

    off, mean = first - second, np.fmax(first, second)
    known = np.isfinite(off) & (np.minimum(first, second) > least)
    if not known.any():
        return np.zeros(len(first)), 0.0
    # On the square root of the amplitude tapers of all kinds are spread well enough. Medians of
    # narrow bins first, so that it does not matter where the hand stayed.
    place = 10 ** (mean / 40)
    which = np.minimum((place[known] / _USUAL_BIN).astype(int), round(1.2 / _USUAL_BIN))
    bins = np.unique(which)
    narrow = np.array([np.median(off[known][which == k]) for k in bins])
    reach = min(_USUAL_REACH, len(bins) - 1)
    padded = np.pad(narrow, reach, mode="reflect", reflect_type="odd")
    medians = median_filter(padded, 2 * reach + 1)[reach : reach + len(narrow)]
    usual = np.interp(np.nan_to_num(place), (bins + 0.5) * _USUAL_BIN, medians)
    scatter = 1.48 * float(np.median(np.abs(off[known] - usual[known])))
    return usual, scatter


def _bridged(travel: Floats, envelope: Floats) -> Floats:
    """Travel with what was disturbed filled in.

    Evenly, if it was short or the control hardly moved meanwhile; else by the envelope of what was
    heard between the bursts.
    """
    known = np.isfinite(travel)
    if not known.any():
        return envelope
    at = np.flatnonzero(known)
    filled = np.interp(np.arange(len(travel)), at, travel[at])
    for first, last in runs(~known, 0):
        moved = abs(filled[min(last, len(filled) - 1)] - filled[max(first - 1, 0)])
        if last - first > _LONGEST_BRIDGE and moved > _BRIDGED_TRAVEL:
            filled[first:last] = envelope[first:last]
    return filled


def _envelope(tracks: Sequence[Track]) -> Floats:
    """Amplitude re full by the highest levels of 0.2 s: a contact's resistance only lowers them."""
    from scipy.ndimage import maximum_filter1d

    power = np.max([track.power / track.full for track in tracks], axis=0)
    return np.sqrt(np.maximum(maximum_filter1d(power, _ENVELOPE), 0.0))


def _find_passes(x: Floats) -> list[tuple[int, int]]:
    """First and one past the last level of each way between turning points, without its rests."""
    from scipy.ndimage import median_filter

    x = median_filter(x, _CALM, mode="nearest")
    passes: list[tuple[int, int]] = []
    for first, last in runs(np.isfinite(x), 0):
        turns = [first]
        low = high = first
        direction = 0
        for i in range(first, last):
            if x[i] > x[high]:
                high = i
            if x[i] < x[low]:
                low = i
            if direction >= 0 and x[high] - x[i] > _HYSTERESIS:
                if direction > 0 or x[high] > x[first] + _HYSTERESIS / 2:
                    turns.append(high)
                direction, low, high = -1, i, i
            elif direction <= 0 and x[i] - x[low] > _HYSTERESIS:
                if direction < 0 or x[low] < x[first] - _HYSTERESIS / 2:
                    turns.append(low)
                direction, low, high = 1, i, i
        turns.append(high if direction > 0 else low if direction < 0 else last - 1)
        for a, b in pairwise(turns):
            if b - a < 2 or abs(x[b] - x[a]) < _LEAST_PASS:
                continue
            way = x[a : b + 1]
            margin = 0.005
            near_start = np.flatnonzero(np.abs(way - way[0]) <= margin)[-1]
            rest = np.flatnonzero(np.abs(way[near_start:] - way[-1]) <= margin)[0] + near_start
            if rest - near_start >= 2:
                passes.append((a + int(near_start), a + int(rest) + 1))
    return passes


def _steps(x: Floats, spans: Sequence[tuple[int, int]]) -> int | None:
    """On how many levels between its ends a control rests, if these are the same in every pass.

    A hand that turns a track rests where it likes, and never twice in the same place.
    """
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    if len(spans) < FEWEST_PASSES:
        return None
    spread = maximum_filter1d(x, _FLAT_LEVELS) - minimum_filter1d(x, _FLAT_LEVELS)
    between = (x > _STEP_ENDS) & (x < 1 - _STEP_ENDS)
    flat = (spread < _FLAT) & between
    rests, owners, resting, turning_levels = [], [], 0, 0
    for number, (a, b) in enumerate(spans):
        resting += int(flat[a:b].sum())
        turning_levels += int(between[a:b].sum())
        for first, last in runs(flat[a:b], 0):
            rests.append(float(np.median(x[a + first : a + last])))
            owners.append(number)
    if resting < _FLAT_SHARE * max(turning_levels, 1):
        return None
    order = np.argsort(rests)
    places, passes = np.array(rests)[order], np.array(owners)[order]
    levels = np.split(np.arange(len(places)), np.flatnonzero(np.diff(places) > _SAME_STEP) + 1)
    # Rests that lie anywhere run into one another where they are many.
    again = sum(
        len(level)
        for level in levels
        if np.ptp(places[level]) <= 2 * _SAME_STEP and len(np.unique(passes[level])) > 1
    )
    if len(levels) < _FEWEST_STEPS or again < _MET_AGAIN * len(places):
        return None
    return len(levels)


def _usual_speed(way: Floats) -> float:
    """Travel for each level: the median over the way, pauses left out."""
    steps = np.abs(np.diff(way))
    moving = steps[steps > 0.2 * abs(way[-1] - way[0]) / len(way)]
    return float(np.median(moving)) if len(moving) else 1e-6


def _moving(x: Floats) -> Bools:
    """Where the control moves."""
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    width = round(_REST_SECONDS / (_HOP * CELL_SECONDS)) | 1
    known = np.where(np.isfinite(x), x, 0.0)
    spread = maximum_filter1d(known, width) - minimum_filter1d(known, width)
    return np.asarray((spread > _REST_TRAVEL) & np.isfinite(x))


# --- which law


def _dwell(root: Floats, spans: Sequence[tuple[int, int]]) -> list[tuple[float, float, float]]:
    """Level in dB, share of a pass's turning time spent below it, and that share's uncertainty.

    `root` is the square root of the amplitude re full. More time in a bin than is usual, in other
    bins and in other passes, is a pause and is capped; the median over the passes leaves what one
    of them did out.
    """
    whole = [(a, b) for a, b in spans if min(root[a], root[b - 1]) < 0.25 < 0.9 < max(root[a:b])]
    if len(whole) < 2:
        return []
    edges = np.linspace(0.0, 1.0, _DWELL_BINS + 1)
    ways = [root[a:b][np.isfinite(root[a:b])] for a, b in whole]
    times = np.array([np.histogram(way, edges)[0].astype(float) for way in ways])
    middle = np.maximum(np.median(times, axis=1, keepdims=True), 1.0)
    # Half of the passes or more do not pause in the same place: that much time there is the law's.
    lawful = np.sort(times / middle, axis=0)[(len(whole) - 1) // 2]
    times = np.minimum(times, _DWELL_CAP * np.maximum(lawful, 1.0) * middle)
    shares = times / times.sum(axis=1, keepdims=True)
    usual = np.median(shares, axis=0)
    below = np.cumsum(usual) / usual.sum()
    scatter = np.cumsum(shares, axis=1).std(axis=0, ddof=1) / np.sqrt(len(shares))
    return [
        (float(40 * np.log10(edge)), float(share), float(max(u, _LAW_SCATTER)))
        for edge, share, u in zip(edges[1:-1], below, scatter, strict=False)
    ][4:]


def _fitting_taper(
    dwell: Sequence[tuple[float, float, float]],
) -> tuple[Taper, tuple[Taper, ...], float]:
    """The law that makes the hand's speed evenest over the passes, and those nearly as good.

    And by how much of the travel it misses an even speed (RMS): a law that is none of those known,
    or a hand that is slower in one half, puts places off by as much.
    """
    if not dwell:
        return AUDIO, tuple(taper for taper in TAPERS if taper != AUDIO), 0.0
    db, share, u = np.array(dwell).T
    misses = []
    for taper in TAPERS:
        x = taper.travel(10 ** (db / 20))
        misses.append(float(np.sqrt(np.mean((x - share) ** 2))))
    best = int(np.argmin(misses))
    margin = misses[best] + _LAW_MARGIN * float(np.mean(u))
    alike = tuple(t for k, t in enumerate(TAPERS) if k != best and misses[k] < margin)
    return TAPERS[best], alike, misses[best]


def _ambiguity(taper: Taper, alike: Sequence[Taper]) -> Floats:
    """Standard uncertainty of travel, at each percent of it, by which law it is.

    The law is one of several, each as likely: the deviation of the farthest over the root of
    three (GUM 4.3.7, rectangular).
    """
    grid = np.linspace(0, 1, 101)
    amplitude = taper.amplitude(grid)
    off = [np.abs(other.travel(amplitude) - grid) for other in alike]
    return np.asarray(np.max(off, axis=0) / np.sqrt(3)) if off else np.zeros(101)


def _beating(taper: Taper, fluctuation_db: float) -> Floats:
    """Standard uncertainty of travel, at each percent of it, by the sound's own fluctuation."""
    grid = np.linspace(0, 1, 101)
    amplitude = taper.amplitude(grid)
    slope = np.gradient(amplitude, grid)
    return np.asarray(amplitude / np.maximum(slope, 1e-6) * fluctuation_db / NEPER_DB)


# --- places


def _spots(
    track: Track, x: Floats, spans: Sequence[tuple[int, int]], speeds: Sequence[float]
) -> list[Spot]:
    """The bursts of a channel with their places."""
    hop = _HOP * CELL_SECONDS
    cell = track.cells.seconds
    levels = len(x)
    bridged = np.sqrt(np.maximum(track.power, 0.0))  # a hand moves the amplitude evenly
    clean = np.flatnonzero(~track.disturbed)
    if len(clean):
        bridged = np.interp(np.arange(levels), clean, bridged[clean])
    count = len(track.cells)
    expected = np.interp(np.arange(count), np.arange(levels) * _HOP, bridged) ** 2
    disturbed = np.repeat(track.disturbed, _HOP)[:count]
    lost = lost_cells(track.cells, _returning(expected, track.cells.whole, disturbed), disturbed)
    spots = []
    for first, last in runs(track.disturbed, 0):
        inside = [b for b in track.bursts if first * hop <= b.start < last * hop]
        before, after = max(first - 1, 0), min(last, levels - 1)
        whole = next((k for k, (a, b) in enumerate(spans) if a <= before and after <= b), None)
        jump = False
        if whole is not None:
            way = abs(x[after] - x[before])
            jump = bool(way > max(LEAST_DEAD, _QUICK * speeds[whole] * (after - before)))
        gone = [
            (a + first * _HOP, b + first * _HOP)
            for a, b in runs(lost[first * _HOP : last * _HOP], round(LOST_GAP_SECONDS / cell))
        ]
        for k, burst in enumerate(inside):
            until = inside[k + 1].start if k + 1 < len(inside) else last * hop
            own = [(a, b) for a, b in gone if burst.start - 3 * cell <= a * cell < until - 3 * cell]
            if _in_reach(max(track.power[[before, after]]) / track.full, 2 * _GUARD + 2):
                own = [(a, b) for a, b in own if (b - a) * cell < _REST_AT_END_SECONDS]
            longest = max(own, key=lambda ab: ab[1] - ab[0], default=None)
            depth = None
            if longest is not None:
                cells = slice(*longest)
                left = max(float(np.mean(track.cells.whole[cells])), 1e-12)
                depth = float(10 * np.log10(np.mean(expected[cells]) / left))
            ends = np.interp((burst.start / hop, burst.end / hop), np.arange(levels), x)
            if jump:
                # What the hand itself moved beside the burst is no part of the jump.
                speed = np.sign(x[after] - x[before]) * speeds[whole or 0]
                to_start = inside[0].start / hop - before
                from_end = after - inside[-1].end / hop
                ends = np.array([x[before] + speed * to_start, x[after] - speed * from_end])
            middle = 0.5 * (burst.start + burst.end) / hop
            number = next((k for k, (a, b) in enumerate(spans) if a - 1 <= middle <= b), None)
            spots.append(
                Spot(
                    track.channel,
                    burst,
                    (100 * float(ends.min()), 100 * float(ends.max()))
                    if np.isfinite(ends).all()
                    else None,
                    number,
                    None if longest is None else (longest[0] * cell, longest[1] * cell),
                    depth,
                    jump and k == 0,
                )
            )
    return spots


def _returning(expected: Floats, heard: Floats, disturbed: Bools) -> Floats:
    """The expected power where a control reaches its lower end amid a burst, or leaves it.

    When it did is not known; but lost contact is followed (on the way up: preceded) by the signal.
    """
    found = expected.copy()
    for first, last in runs(disturbed, 0):
        inside = slice(first, last)
        fall = 10 * np.log10(max(expected[first], 1e-30) / max(expected[last - 1], 1e-30))
        if fall > _LOST_DB:
            most = np.maximum.accumulate(heard[inside][::-1])[::-1]
        elif fall < -_LOST_DB:
            most = np.maximum.accumulate(heard[inside])
        else:
            continue
        found[inside] = np.minimum(expected[inside], most)
    return found


def _gang(
    track: Track,
    spots: Sequence[Spot],
    *,
    x: Floats,
    spans: Sequence[tuple[int, int]],
    moving: Bools,
    ambiguity: Floats,
    steps: int | None,
    moves: bool,
) -> Gang:
    hop = _HOP * CELL_SECONDS
    wear = _wear_map(track.channel, spots, x, spans)
    while_moving = [s for s in spots if moving[min(int(s.burst.start / hop), len(moving) - 1)]]
    seconds = max(float(moving.sum()) * hop, hop)
    energies = np.array([s.burst.energy for s in while_moving])
    usual = float(np.median(track.cells.residue)) * track.cells.seconds
    worn, dead, why = None, None, None
    if len(spans) < FEWEST_PASSES:
        why = (
            f"{len(spans)} pass(es) of the control were seen: turn it slowly from end to end at "
            f"least {FEWEST_PASSES} times, so that places which repeat are told from chance"
        )
    elif steps is not None:
        why = IN_STEPS.format(steps)
    else:
        worn, why = _worn(spots, wear, x, spans, moving, ambiguity)
        dead = _dead(spots, wear, ambiguity)
        if moves and not (worn and dead):
            worn, dead = worn or None, dead or None  # that there is none cannot be told
            why = f"{MOVES}; {why}" if why else MOVES
    return Gang(
        track.channel,
        worn,
        dead,
        why,
        sum(spot.jump for spot in spots),
        sum(spot.lost is not None for spot in spots),
        _top_level(track),
        _end_residue(track),
        bursts_a_second(len(while_moving), seconds),
        energy_in_db(energies / seconds, usual / seconds, track.full),
        wear,
    )


def _wear_map(
    channel: int, spots: Sequence[Spot], x: Floats, spans: Sequence[tuple[int, int]]
) -> WearMap:
    edges = np.linspace(0.0, 100.0, BINS + 1)
    crossed = np.zeros((len(spans), BINS), dtype=bool)
    level = np.full((len(spans), BINS), np.nan)
    for number, (a, b) in enumerate(spans):
        first, last = _bins(float(100 * np.min(x[a:b])), float(100 * np.max(x[a:b])))
        crossed[number, first:last] = True
    for spot in spots:
        if spot.travel is None or spot.number is None:
            continue
        first, last = _bins(*spot.travel)
        own = level[spot.number, first:last]
        level[spot.number, first:last] = np.fmax(own, spot.burst.peak_db)
    return WearMap(channel, edges, crossed, level)


def _bins(low: float, high: float) -> tuple[int, int]:
    """First and one past the last bin of a stretch in percent."""
    first = min(BINS - 1, max(0, int(low / 100 * BINS)))
    return first, min(BINS, max(first + 1, int(np.ceil(high / 100 * BINS))))


def _worn(
    spots: Sequence[Spot],
    wear: WearMap,
    x: Floats,
    spans: Sequence[tuple[int, int]],
    moving: Bools,
    ambiguity: Floats,
) -> tuple[tuple[Stretch, ...], str | None]:
    """Stretches that crackle in nearly every pass, more often than random clicks would.

    Random clicks come at some rate, wherever the control stands. Their rate is taken from rests
    and from the places that are not suspected. A place is worn if so many passes crackle there as
    random clicks would give less than once in a hundred takes (Bonferroni over the places of this
    width). Each pass counts by the time that it spent there: a pause in one says nothing of the
    others. A wiper may lose contact when it is pushed one way alone: each direction is looked at by
    itself as well, and such a place is told of where the passes of both do not show it.
    """
    hits = np.isfinite(wear.level) & wear.crossed
    up = np.array([x[b - 1] > x[a] for a, b in spans])
    ways: list[tuple[Literal["up", "down"] | None, Bools]] = [
        (None, np.ones(len(spans), dtype=bool)),
        ("up", up),
        ("down", ~up),
    ]
    suspects = [_suspected(hits[own], wear.crossed[own], way) for way, own in ways]
    suspected = np.any(suspects, axis=0)

    hop = _HOP * CELL_SECONDS
    dwell = np.zeros(wear.crossed.shape)
    for number, (a, b) in enumerate(spans):
        dwell[number] = np.histogram(100 * x[a:b], wear.edges)[0] * hop
    rest = ~moving & np.isfinite(x)
    elsewhere = float(dwell[:, ~suspected].sum())
    resting = [s for s in spots if s.number is None and rest[int(s.burst.start / hop)]]
    others = [
        s
        for s in spots
        if s.number is not None
        and s.travel is not None
        and not suspected[slice(*_bins(*s.travel))].any()
    ]
    outside = np.ones(len(x), dtype=bool)
    for a, b in spans:
        outside[a:b] = False
    rests = float((rest & outside).sum()) * hop
    rates = []
    if elsewhere + rests >= 1.0:
        rates.append((len(resting) + len(others) + 1) / (elsewhere + rests))
    if rests >= 1.0:  # crackle all along the travel and none at rest is the control's
        rates.append((len(resting) + _POISSON_BOUND) / rests)
    if not rates:
        return (), ALL_ALONG
    rate = min(rates)

    stretches: list[Stretch] = []
    for (way, own), places in zip(ways, suspects, strict=True):
        found = _stretches(
            hits[own],
            wear.crossed[own],
            places,
            _by_chance(dwell[own], wear.crossed[own], rate),
            wear.edges,
            ambiguity,
            way,
        )
        stretches += [s for s in found if not any(_meet(s, known) for known in stretches)]
    stretches.sort(key=lambda stretch: stretch.start)
    crossings = wear.crossed.sum(axis=0)
    why = ALL_ALONG if not stretches and suspected.mean() > _MUCH else None
    if stretches and _near(hits, wear.crossed).any(axis=0).mean() > _NEARLY_ALL:
        why = WHOLE_TRACK
    if _click_alone(spots, stretches):
        why = SINGLE_CLICKS
    seldom = (crossings > 0) & (crossings < FEWEST_PASSES)
    if seldom.sum() > 0.05 * BINS:
        why = f"parts of the travel were passed fewer than {FEWEST_PASSES} times"
    return tuple(stretches), why


def _click_alone(spots: Sequence[Spot], stretches: Sequence[Stretch]) -> bool:
    """Whether nearly all that is heard in worn places is single clicks, and many of them."""
    single = [
        spot.burst.transients == 1 and spot.lost is None
        for spot in spots
        if spot.travel is not None
        and any(s.start <= spot.travel[1] and spot.travel[0] <= s.end for s in stretches)
    ]
    return len(single) >= _MANY_CLICKS and bool(np.mean(single) >= _CLICKS_ALONE)


def _near(hits: Bools, crossed: Bools) -> Bools:
    """Where each pass (passes, bins) crackled nearby."""
    from scipy.ndimage import maximum_filter1d

    wide = maximum_filter1d(hits.astype(np.uint8), 2 * _DILATION + 1, axis=1)
    return np.asarray(wide.astype(bool) & crossed)


def _suspected(hits: Bools, crossed: Bools, way: str | None) -> Bools:
    """Places where nearly every pass crackles; two will do, of one direction three."""
    crossings = crossed.sum(axis=0)
    shown = _near(hits, crossed).sum(axis=0)
    fewest = 2 if way is None else FEWEST_PASSES
    return np.asarray((shown >= np.maximum(fewest, SHARE * crossings)) & (crossings >= fewest))


def _by_chance(dwell: Floats, crossed: Bools, rate: float) -> Floats:
    """Probability that random clicks show in each pass (passes, bins) at a place."""
    kernel = np.ones(2 * _DILATION + 1)
    time = np.array([np.convolve(row, kernel, "same") for row in dwell]).reshape(dwell.shape)
    return np.where(crossed, 1 - np.exp(-rate * time), 0.0)


def _stretches(
    hits: Bools,
    crossed: Bools,
    suspected: Bools,
    by_chance: Floats,
    edges: Floats,
    ambiguity: Floats,
    way: Literal["up", "down"] | None,
) -> list[Stretch]:
    """Those that passes (passes, bins) show more often than random clicks would."""
    shown = _near(hits, crossed).sum(axis=0)
    crossings = crossed.sum(axis=0)
    places = BINS / (2 * _DILATION + 1)
    chance = np.minimum(1.0, places * _so_many(by_chance, shown))
    # Both directions and each of them: together it is ALPHA.
    worn = suspected & (chance < ALPHA * (1 - 2 * _ONE_WAY if way is None else _ONE_WAY))
    stretches = []
    for first, last in runs(worn, 1):
        begin, end = _edges(hits, first, last)
        stretches.append(
            Stretch(
                *begin_end(begin, end, edges),
                _edge_uncertainty(hits, first, last, begin, end, ambiguity),
                int(np.median(shown[first:last])),
                int(np.median(crossings[first:last])),
                float(chance[first:last].min()),
                way,
            )
        )
    return stretches


def _meet(one: Stretch, other: Stretch) -> bool:
    """Whether two stretches are the same place, or nearly."""
    reach = 100 * _DILATION / BINS
    return one.start <= other.end + reach and other.start <= one.end + reach


def _so_many(by_chance: Floats, shown: NDArray[np.int_]) -> Floats:
    """Probability of so many hits or more in trials of unlike probability, one trial a row.

    The Poisson binomial distribution (S. D. Poisson 1837), summed up trial by trial.
    """
    exactly = np.zeros((len(by_chance) + 1, by_chance.shape[1]))
    exactly[0] = 1.0
    for hit in by_chance:
        exactly[1:] = exactly[1:] * (1 - hit) + exactly[:-1] * hit
        exactly[0] *= 1 - hit
    or_more = np.cumsum(exactly[::-1], axis=0)[::-1]
    return np.asarray(or_more[shown, np.arange(len(shown))])


def begin_end(first: int, last: int, edges: Floats) -> tuple[float, float]:
    """Bins as percents of travel."""
    return float(edges[first]), float(edges[last])


def _edges(hits: Bools, first: int, last: int) -> tuple[int, int]:
    """Where a worn place begins and ends: bins, without what the dilation added."""
    begin, end = first + _DILATION, last - _DILATION
    if first == 0:
        begin = 0
    if last == BINS:
        end = BINS
    if end <= begin:
        own = np.flatnonzero(hits[:, first:last].any(axis=0)) + first
        if len(own) == 0:  # the passes met the place on either side of this
            return (first + last) // 2, (first + last) // 2 + 1
        begin, end = int(own[0]), int(own[-1]) + 1
    return begin, end


def _edge_uncertainty(
    hits: Bools, first: int, last: int, begin: int, end: int, ambiguity: Floats
) -> float:
    """Of an end of a stretch: scatter between the passes, width of a bin, and which law it is."""
    firsts, lasts = [], []
    for row in hits:
        own = np.flatnonzero(row[first:last])
        if len(own):
            firsts.append(own[0])
            lasts.append(own[-1])
    scatter = 0.0
    if len(firsts) > 1:
        both = 0.5 * (np.var(firsts, ddof=1) + np.var(lasts, ddof=1)) / len(firsts)
        scatter = float(np.sqrt(both)) * 100 / BINS
    law = 100 * float(np.interp((begin + end) / 2 / BINS * 100, np.arange(101), ambiguity))
    return float(np.sqrt(scatter**2 + (100 / BINS) ** 2 / 12 + law**2))


def _dead(spots: Sequence[Spot], wear: WearMap, ambiguity: Floats) -> tuple[Stretch, ...]:
    """Stretches that nearly every pass jumps over."""
    skipped = np.zeros(wear.crossed.shape, dtype=bool)
    for spot in spots:
        if spot.jump and spot.travel is not None and spot.number is not None:
            first, last = _bins(*spot.travel)
            skipped[spot.number, first:last] = True
    skipped &= wear.crossed
    crossings = wear.crossed.sum(axis=0)
    count = skipped.sum(axis=0)
    dead = (count >= np.maximum(2, SHARE * crossings)) & (crossings >= 2)
    stretches = []
    for first, last in runs(dead, 1):
        if (last - first) / BINS < LEAST_DEAD:
            continue
        stretches.append(
            Stretch(
                *begin_end(first, last, wear.edges),
                _edge_uncertainty(skipped, first, last, first, last, ambiguity),
                int(np.median(count[first:last])),
                int(np.median(crossings[first:last])),
                0.0,
            )
        )
    return tuple(stretches)


def _top_level(track: Track) -> Estimate:
    """Highest level of the sound in dBFS, as uncertain as the sound itself fluctuates there."""
    value = float(power_ratio_to_db(track.full / FULL_SCALE_SINE_RMS**2))
    return Estimate(value, max(track.fluctuation, TOP_LEAST_DB))


def _end_residue(track: Track) -> Estimate:
    """Lowest level of the sound over 0.2 s re the highest; a bound where it is within the noise."""
    from scipy.ndimage import uniform_filter1d

    power = track.power[~track.disturbed]
    width = min(_RESIDUE_LEVELS, len(power))
    means = uniform_filter1d(power, width)[width // 2 : len(power) - width // 2]
    if len(means) == 0:
        means = np.array([power.mean()])
    at = int(np.argmin(means))
    # Levels 25 ms apart are independent: that is how far the window reaches.
    scatter = float(np.std(power[at : at + width])) / np.sqrt(max(1.0, width / 5))
    # The noise itself is known within 1 dB or so.
    u = float(np.hypot(scatter, 0.3 * track.noise))
    residue = decibels(Estimate(float(means[at]), u), track.full)
    hum = track.fallen < _HUM_RATIO * means[at] / track.full
    return replace(residue, upper_bound=True) if hum else residue


def _gang_error(
    tracks: Sequence[Track], x: Floats, spans: Sequence[tuple[int, int]], beating: Floats
) -> tuple[tuple[float, Estimate], ...]:
    """First channel less second in dB along travel: medians of the passes.

    The uncertainty is the scatter of the passes, and what the uncertainty of travel makes of the
    slope.
    """
    a, b = tracks
    clean = ~(a.disturbed | b.disturbed) & np.isfinite(x)
    clean &= (a.power > 2 * a.noise) & (b.power > 2 * b.noise)
    difference = np.zeros(len(x))
    difference[clean] = 10 * np.log10(a.power[clean] / b.power[clean])
    owner = np.full(len(x), -1)
    for number, (first, last) in enumerate(spans):
        owner[first:last] = number
    found = []
    for place in np.arange(1, round(1 / GANG_STEP) + 1) * GANG_STEP:
        here = clean & (np.abs(x - place) <= GANG_WIDTH)
        if here.sum() < 3:
            continue
        own = [
            float(np.median(difference[here & (owner == number)]))
            for number in np.unique(owner[here])
        ]
        scatter = np.std(own, ddof=1) / np.sqrt(len(own)) if len(own) > 1 else None
        u = float(np.std(difference[here]) if scatter is None else scatter)
        found.append((float(place), float(np.median(difference[here])), u))
    if len(found) < 2:
        return tuple((100 * p, Estimate(v, max(u, GANG_LEAST_DB))) for p, v, u in found)
    places, values, scatters = (np.array(column) for column in zip(*found, strict=True))
    off = np.gradient(values, places) * np.interp(places, np.linspace(0, 1, 101), beating)
    us = np.maximum(np.hypot(scatters, off), GANG_LEAST_DB)
    return tuple(
        (round(100 * p), Estimate(float(v), float(u)))
        for p, v, u in zip(places, values, us, strict=True)
        if u <= GANG_LIMIT_DB
    )
