"""What a moving contact adds to a sound: the sound and the contact's noise, told apart.

A steady sound keeps its spectrum while a control is turned: only its level moves, and a hand moves
it slowly. Everything quick is the contact's. So the spectrum of the sound is learnt once, and two
linear-phase filters follow from it:

* one passes the sound's own partials and nothing else: its power is the **level**;
* one passes what lies between them, as far as it is noise: the **residue**, in which a lost
  contact, a jump or a click of a millisecond stands out.

Hum, whose lines do not move with the control, is kept out of both.

The powers are summed up in cells of 1 ms. All that is known of the sound afterwards comes from
those cells (`Cells`), so a long session costs little memory. The filters run in fixed steps:
blocks of any sizes give bit-identical cells.

References
----------
N. Wiener, *Extrapolation, Interpolation, and Smoothing of Stationary Time Series* (1949): a filter
whose gain at each frequency is the share of what is wanted.
F. J. Harris, Proc. IEEE 66 (1978) 51-83: the four-term Blackman-Harris window.
IEC 60393-1 calls the voltage that a turned wiper makes rotational noise, and the change of its
contact resistance contact resistance variation (from memory, to be confirmed).
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sigbench.errors import SignalError
from sigbench.measure.estimate import Estimate, decibels
from sigbench.measure.streaming import require_numbers
from sigbench.model import Samples
from sigbench.units import FULL_SCALE_SINE_RMS, NEPER_DB

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

CELL_SECONDS = 1e-3
GAP_SECONDS = 0.02  # bad cells nearer than this belong to one burst; our own choice
LOST_DB = 20.0  # a signal that falls by so much is lost; our own choice
# Fainter bursts, re the sound at full level, are left out: the corner of an audio track that is
# passed in a second and a half makes that, a control scanned in 128 steps -48 dB. Below that
# corner, where the sound is turned down to QUIET_DB, fainter ones count.
FAINTEST_DB = -44.0
FAINTEST_QUIET_DB = -60.0
QUIET_DB = -24.0

_WINDOW_SECONDS = 0.17  # 6 Hz a bin: partials 60 Hz apart are still told from what is between
_LONGEST_LEARNT = 1024  # windows, evenly taken, that a spectrum is learnt from
_FEWEST_LEARNT = 6
_LOUD_DB = 10.0  # windows within this of the loudest show the sound
_QUIET_SHARE = 0.05  # of the windows: the quietest show noise and hum
_FLOOR_HZ = 300.0  # span over which the floor between partials is looked for
_FLOOR_QUANTILE = 20  # percent
_TONAL = 30.0  # power re the floor, 15 dB, from which on a line belongs to a sound
_VALLEY_HZ = 120.0  # to either side of a line, within which it must fall by as much
_WEAKEST = 1e-3  # power re the strongest partial: what lies 30 dB below counts half for the level
_LASTING = 10.0  # power: a partial that falls 10 dB less than the best counts half for the level
_LEAST_SOUND = 0.3  # share of the power that partials must have
_HIGH_DB = 3.0  # windows within this of the highest show the timbre as it was,
_LOW_DB = 20.0  # those within this show what the turning made of it
_FEWEST_TURNED = 4  # windows of either
_MOVED_DB = 6.0  # a partial that moves so much against the others makes another timbre
_LEAST_MOVED = 0.15  # of the power: filters move a third and more, volume controls nothing
_LOOKED_AT = 64  # windows, evenly taken, in which moving lines are looked for
_LINES_HZ = (100.0, 5000.0)
_HEARD = 0.01  # power re the strongest window, from which on a window counts,
_LEAST_HEARD = 0.2  # if so many of them do: less is no sound that is held
_LEAST_LINED = 0.6  # of these are made of lines; of scrape noise a tenth, if it rings a third
_LOWEST_HZ = 20.0
_MAINS_HZ = 5.0  # a bin, and the 1 % by which the mains may be off
_STEADY_RATIO = 0.25  # power: the sound must have been turned down by 6 dB to be told from hum
_STEP = 1 << 15  # frames filtered at once
_FULL_DB = 8.0  # the least that a burst must stand above the usual residue
_SPREAD = 2.0  # times the way from the 5 % quantile to the median, where that is more
_OWN_DB = 12.0  # cells this near to the strongest around are never called ringing
_RINGING_MARGIN_DB = 6.0  # the filters ring around a burst; what may be that is left out


@dataclass(frozen=True, slots=True, eq=False)
class Sound:
    """A sound as it was learnt: the filters that take it apart.

    Parameters
    ----------
    samplerate : int
        Frames a second.
    tone, residue, detection : ndarray of float, shape (taps,)
        Linear-phase filters: the partials; what is between them; the latter with the noise
        made white, in which bursts are found.
    ringing : ndarray of float, shape (2 reach - 1,)
        Power that `detection` still shows so many cells before and after a burst, re the burst.
    noise_ratio : float
        Noise power that passes `tone` for each unit that passes `residue`.
    fallen : float
        Power of the partial that fell furthest in the quietest windows, re the highest it was.
    tonal : bool
        Whether there is a steady sound at all. If not, `tone` passes nothing.
    changing : bool
        Whether there is a sound whose timbre or pitch changes, as by a filter: it is not steady.
    """

    samplerate: int
    tone: Floats
    residue: Floats
    detection: Floats
    ringing: Floats
    noise_ratio: float
    fallen: float
    tonal: bool
    changing: bool


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Powers (mean squares, full scale 1.0) in cells of about 1 ms, each of shape (cells,).

    Parameters
    ----------
    seconds : float
        Length of a cell.
    whole, tone, residue, detection : ndarray of float
        Of the signal itself, and of the three filtered ones.
    """

    seconds: float
    whole: Floats
    tone: Floats
    residue: Floats
    detection: Floats

    def __len__(self) -> int:
        return len(self.whole)


@dataclass(frozen=True, slots=True)
class Burst:
    """A burst of contact noise.

    Parameters
    ----------
    start, end : float
        Seconds from the first frame.
    transients : int
        How many peaks it has: one or two are a click, more a crackle.
    energy : float
        Of the residue above its usual power, in full scale squared times seconds.
    peak_db : float
        Power of its strongest cell re the sound at full level (re full-scale sine without one).
    """

    start: float
    end: float
    transients: int
    energy: float
    peak_db: float


@dataclass(frozen=True, slots=True)
class Scrape:
    """Contact noise of a take without a signal.

    Parameters
    ----------
    bursts : tuple of Burst
        Where contact noise stood out.
    rate : Estimate
        Bursts a second over the take.
    level : Estimate
        Mean power of the bursts over the take in dBFS.
    peak : Estimate or None
        Power of the strongest millisecond in dBFS; None without bursts.
    """

    bursts: tuple[Burst, ...]
    rate: Estimate
    level: Estimate
    peak: Estimate | None


def _window_frames(samplerate: int) -> int:
    return int(2 ** round(np.log2(_WINDOW_SECONDS * samplerate)))


def _spectra(signal: Floats, window: int) -> Floats:
    """Power spectra (windows, bins); the sum over the bins is the mean square."""
    from scipy.fft import rfft
    from scipy.signal.windows import blackmanharris

    starts = np.arange(0, len(signal) - window + 1, window // 2)
    if len(starts) > _LONGEST_LEARNT:
        starts = starts[np.linspace(0, len(starts) - 1, _LONGEST_LEARNT).astype(int)]
    shape = blackmanharris(window, sym=False)
    scale = 2 / (window * np.dot(shape, shape))
    rows = np.empty((len(starts), window // 2 + 1))
    for row, start in zip(rows, starts, strict=True):
        half = rfft(signal[start : start + window] * shape)
        row[:] = scale * (half.real**2 + half.imag**2)
    return rows


def _taps(gain: Floats) -> Floats:
    """Linear-phase filter of a gain for each bin."""
    from scipy.fft import irfft

    window = 2 * (len(gain) - 1)
    kernel = np.roll(irfft(gain, window), window // 2)
    hann = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(window) / window)
    return np.append(kernel * hann, 0.0)


def learn_sound(signal: Floats, samplerate: int) -> Sound:
    """Learn a steady sound, of unknown frequency and shape, from a take in which its level moves.

    Parameters
    ----------
    signal : ndarray of float, shape (frames,)
        One channel; at least 0.7 s of it. The more of it at a high level and at a low one, the
        better are sound, hum and noise told apart.
    samplerate : int
        Frames a second.

    Raises
    ------
    SignalError
        If the take is too short.
    """
    from scipy.ndimage import maximum_filter1d, percentile_filter

    window = _window_frames(samplerate)
    spectra = _spectra(signal, window)
    if len(spectra) < _FEWEST_LEARNT:
        raise SignalError(
            f"The take is too short for a turned control: {len(signal) / samplerate:.2f} s; record "
            "at least three turns from end to end."
        )
    hertz = samplerate / window
    spectra[:, : int(_LOWEST_HZ / hertz) + 1] = 0.0
    power = spectra.sum(axis=1)
    # A median of exponentially distributed powers lies ln 2 below their mean.
    loud = power >= 10 ** (-_LOUD_DB / 10) * np.quantile(power, 0.95)
    scaled = spectra[loud] / np.maximum(power[loud, np.newaxis], 1e-30)
    shape = np.median(scaled, axis=0) * float(np.median(power[loud])) / np.log(2)
    count = max(4, int(_QUIET_SHARE * len(power)))
    rest = np.median(spectra[np.argsort(power)[:count]], axis=0) / np.log(2)

    span = max(3, int(_FLOOR_HZ / hertz) | 1)
    tiny = max(float(shape.max()) * 1e-16, 1e-30)
    floor = percentile_filter(shape, _FLOOR_QUANTILE, size=span, mode="nearest") + tiny
    rest_floor = percentile_filter(rest, _FLOOR_QUANTILE, size=span, mode="nearest") + tiny
    # A line that stays while the others fall is hum.
    strong = shape > _TONAL * floor
    fallen = rest / (_rise(spectra[loud][:, strong]) * shape + tiny)
    least = float(fallen[strong].min()) if strong.any() else 1.0
    hum = fallen > (np.sqrt(least) if least < _STEADY_RATIO else np.inf)
    lines = np.maximum(shape, rest)  # hum may show in the quiet windows only
    sounding = np.where(hum | (shape < 4 * floor), 0.0, shape)
    lonely = strong & ~hum & (shape > _TONAL * _valleys(shape, int(_VALLEY_HZ / hertz)))
    tonal = bool(shape[lonely].sum() > _LEAST_SOUND * lines.sum())
    if least >= _STEADY_RATIO and _is_mains(int(np.argmax(sounding)) * hertz):
        tonal = False
    if tonal:
        changing = _timbre_changes(spectra[:, lonely], rest_floor[lonely])
        tonal = not changing
    else:
        changing = _lines_move(spectra, hertz)
    if not tonal:  # the loud windows are those with the contact's noise
        shape = rest = np.median(spectra, axis=0) / np.log(2)
        floor = rest_floor = percentile_filter(shape, _FLOOR_QUANTILE, size=span) + tiny
    residue = np.minimum(1.0, 2 * floor / (shape + tiny))
    residue = np.minimum(residue, 2 * rest_floor / (rest + tiny))
    tone = np.zeros_like(shape)
    if tonal:
        weak = sounding / (sounding + _WEAKEST * sounding.max() + tiny)
        # Partials that fall less than others share their place with hum, or end in the noise.
        lasting = (_LASTING * least + tiny) / (_LASTING * least + fallen + tiny)
        weak *= maximum_filter1d(lasting, 7)
        tone = (1 - np.minimum(1.0, 2 * floor / (shape + tiny))) * weak
        # All of the sound counts, so that channels with unlike filters can be compared; of a
        # partial that shares its place with hum, what was there beside it.
        shared = hum & strong & (shape > rest / _STEADY_RATIO)
        all_of_it = float(sounding.sum() + np.sum((shape - rest)[shared]))
        tone *= np.sqrt(all_of_it / max(float(np.dot(sounding, tone**2)), tiny))
    residue[: int(_LOWEST_HZ / hertz) + 1] = 0.0
    white = residue / np.sqrt(np.maximum(floor, 1e-3 * np.median(floor)))
    passed = float(np.dot(rest_floor, residue**2))
    # Without any noise there is no rest to listen to.
    white /= max(float(np.sqrt(np.mean(white**2))), 1e-30)
    partials, detection = _taps(tone), _taps(white)
    return Sound(
        samplerate,
        partials,
        _taps(residue),
        detection,
        _ringing(partials, detection, max(1, round(CELL_SECONDS * samplerate))),
        float(np.dot(rest_floor, tone**2)) / max(passed, 1e-30),
        least,
        tonal,
        changing,
    )


def learn_sounds(samples: Samples, samplerate: int) -> tuple[Sound, ...]:
    """Learn the sound of each channel of a take, with one filter for the partials of all.

    The level of a beating sound depends on which partials count: so the channels of one control,
    through the same filter, keep the same movement, and their ratio is that of the control.

    Parameters
    ----------
    samples : ndarray of float, shape (frames, channels)
        Full scale is -1.0 to 1.0.
    samplerate : int
        Frames a second.
    """
    sounds = [learn_sound(samples[:, column], samplerate) for column in range(samples.shape[1])]
    tones = [sound for sound in sounds if sound.tonal]
    if len(tones) < 2:
        return tuple(sounds)
    tone = np.mean([sound.tone for sound in tones], axis=0)
    ratio = float(np.mean([sound.noise_ratio for sound in tones]))
    return tuple(
        replace(sound, tone=tone, noise_ratio=ratio) if sound.tonal else sound for sound in sounds
    )


def _timbre_changes(lines: Floats, noise: Floats) -> bool:
    """Whether partials (windows, bins) move against each other while the level is turned down.

    A volume control lowers all of them alike, a filter one after the other. Medians over windows
    leave out what beats.
    """
    power = lines.sum(axis=1)
    top = float(np.quantile(power, 0.95))
    high = power >= 10 ** (-_HIGH_DB / 10) * top
    low = ~high & (power >= 10 ** (-_LOW_DB / 10) * top)
    if min(high.sum(), low.sum()) < _FEWEST_TURNED:
        return False
    usual, turned = (np.median(lines[m] / power[m, np.newaxis], axis=0) for m in (high, low))
    # What would have sunk into the noise by the level alone tells nothing.
    seen = usual * float(np.median(power[low])) > 10 * noise
    moved = np.abs(np.log10((turned + 1e-30) / (usual + 1e-30))) > _MOVED_DB / 10
    return bool(usual[seen & moved].sum() > _LEAST_MOVED * usual.sum())


def _lines_move(spectra: Floats, hertz: float) -> bool:
    """Whether the spectra (windows, bins) are those of a sound, though no partial is steady.

    In each moment a sound has lines, scrape noise has none; hum has lines that do not move.
    """
    from scipy.ndimage import percentile_filter

    some = np.linspace(0, len(spectra) - 1, min(len(spectra), _LOOKED_AT)).astype(int)
    # Scrape noise is strong below, with chance peaks.
    shown = spectra[some, int(_LINES_HZ[0] / hertz) : int(_LINES_HZ[1] / hertz)]
    moving = shown > 4 * np.quantile(shown, 0.1, axis=0)
    floor = percentile_filter(shown, 25, size=(1, max(3, int(_FLOOR_HZ / hertz) | 1)))
    power = np.where(moving, shown, 0.0)
    lines = np.where(shown > _TONAL * floor, power, 0.0).sum(axis=1)
    total = power.sum(axis=1)
    heard = total > _HEARD * total.max()
    if heard.mean() < _LEAST_HEARD:
        return False
    return bool(np.mean(lines[heard] > 0.5 * total[heard]) > _LEAST_LINED)


def _rise(lines: Floats) -> float:
    """Power of the partials (windows, bins) when they are highest, re its median.

    The median alone would halve the fall of a control that is turned along a part of its travel.
    """
    power = lines.sum(axis=1)
    middle = float(np.median(power))
    return max(1.0, float(np.quantile(power, 0.95)) / middle) if middle > 0 else 1.0


def _valleys(shape: Floats, reach: int) -> Floats:
    """The higher of the lowest powers on either side: scrape noise slopes, and has no peaks."""
    padded = np.pad(shape, reach, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, reach + 1).min(axis=1)
    return np.maximum(windows[: len(shape)], windows[reach:])


def _is_mains(hertz: float) -> bool:
    """Whether a line that does not move may be one of the first of the mains comb (EN 50160)."""
    return any(abs(hertz - k * f) < _MAINS_HZ for f in (50.0, 60.0) for k in range(1, 5))


def _ringing(tone: Floats, detection: Floats, cell: int) -> Floats:
    """Power in the cells before and after a burst, re the strongest cell in it.

    The burst is a click, or an interruption of the sound by 5 or 30 ms, whichever rings most.
    """
    from scipy.signal import fftconvolve

    middle = len(tone) // 2
    most = np.zeros(middle // cell)
    for cells in (1, 5, 30):
        half = cells * cell // 2
        burst = np.zeros(len(tone))
        if cells == 1:
            burst[middle] = 1.0
        else:
            burst[middle - half : middle + half] = tone[middle - half : middle + half]
        heard = fftconvolve(burst, detection, "same") ** 2
        # Linear phase: what comes before is the mirror image of what comes after.
        after = heard[middle + half :]
        after = after[: len(after) // cell * cell].reshape(-1, cell).mean(axis=1)
        strongest = max(float(heard[middle - half : middle + half + 1].mean()), float(after[0]))
        if strongest > 0:
            most[: len(after)] = np.maximum(most[: len(after)], after / strongest)
    return np.concatenate([most[:0:-1], most])


class SoundReader:
    """Takes one channel apart into `Cells`, in blocks of any sizes.

    The cells of a moment are known half a filter (85 ms) and a step (0.7 s) later at most.

    Parameters
    ----------
    sound : Sound
        As it was learnt.
    """

    def __init__(self, sound: Sound) -> None:
        from scipy.fft import next_fast_len, rfft

        filters = np.stack([sound.tone, sound.residue, sound.detection])
        self._reach = filters.shape[1] // 2
        self._cell = max(1, round(CELL_SECONDS * sound.samplerate))
        self._samplerate = sound.samplerate
        self._step = _STEP // self._cell * self._cell
        self._size = next_fast_len(self._step + 2 * self._reach, real=True)
        self._responses = rfft(filters, self._size)
        self._window = np.zeros(self._step + 2 * self._reach)
        self._filled = self._reach  # nothing was before the take
        self._fed = 0
        self._done: list[Floats] = []

    def feed(self, block: Floats) -> None:
        """Take the next block, of shape (frames,).

        Raises
        ------
        SignalError
            If a value is not finite.
        """
        require_numbers(block)
        used = 0
        while used < len(block):
            n = min(len(block) - used, len(self._window) - self._filled)
            self._window[self._filled : self._filled + n] = block[used : used + n]
            self._filled += n
            used += n
            if self._filled == len(self._window):
                self._done.append(self._filtered(self._window))
                self._window[: 2 * self._reach] = self._window[self._step :]
                self._filled = 2 * self._reach
        self._fed += len(block)

    def _filtered(self, window: Floats) -> Floats:
        """Powers (4, cells) of the step in the middle of the window."""
        from scipy.fft import irfft, rfft

        parts = irfft(rfft(window, self._size) * self._responses, self._size)
        first = 2 * self._reach
        middle = window[self._reach : self._reach + self._step]
        rows = np.vstack([middle, parts[:, first : first + self._step]])
        rows *= rows
        return rows.reshape(4, -1, self._cell).mean(axis=2)

    def cells(self) -> Cells:
        """All cells so far; those that the last frames belong to count silence as what follows."""
        rest = np.zeros_like(self._window)
        rest[: self._filled] = self._window[: self._filled]
        rows = np.concatenate([*self._done, self._filtered(rest)], axis=1)
        rows = rows[:, : self._fed // self._cell]
        return Cells(self._cell / self._samplerate, rows[0], rows[1], rows[2], rows[3])


def read_cells(signal: Floats, sound: Sound) -> Cells:
    """The cells of a whole channel, of shape (frames,)."""
    reader = SoundReader(sound)
    reader.feed(signal)
    return reader.cells()


def runs(flags: Bools, gap: int) -> list[tuple[int, int]]:
    """First and one past the last index of each run of flags; gaps up to `gap` are bridged."""
    at = np.flatnonzero(flags)
    if len(at) == 0:
        return []
    breaks = np.flatnonzero(np.diff(at) > gap + 1)
    firsts = at[np.concatenate(([0], breaks + 1))]
    lasts = at[np.concatenate((breaks, [len(at) - 1]))]
    return [(int(a), int(b) + 1) for a, b in zip(firsts, lasts, strict=True)]


def find_bursts(
    sound: Sound, cells: Cells, expected: Floats, full: float | None
) -> tuple[Burst, ...]:
    """Bursts of contact noise in one channel.

    Parameters
    ----------
    sound : Sound
        As it was learnt.
    cells : Cells
        The channel.
    expected : ndarray of float, shape (cells,)
        Power of the sound; zeros without one.
    full : float or None
        That power at full level; None without a sound.

    Notes
    -----
    The usual residue is noise behind the control, which is constant, and noise before it, which
    goes with the level; both are fitted by quantiles, as bursts only add. What counts as usual
    scatter is seen on the lower side of the median, which bursts do not reach.
    """
    from scipy.ndimage import grey_dilation, percentile_filter

    found = cells.detection
    n = len(found)
    edge = round(_WINDOW_SECONDS / 2 / cells.seconds) + 1  # where the take begins and ends abruptly
    if n < 4 * edge:
        return ()
    inner = slice(edge, n - edge)
    usual = _usual(found[inner], expected[inner])
    background = usual(expected)
    # What changes slowly beside the level (chorus, other voices) is followed, below its middle.
    coarse = found[: n // 20 * 20].reshape(-1, 20)
    slow = percentile_filter(np.median(coarse, axis=1), 20, size=75, mode="nearest")
    background = np.maximum(background, np.repeat(np.append(slow, slow[-1]), 20)[:n])
    ratio = np.log10(np.maximum(found, 1e-30) / np.maximum(background, 1e-30))
    low, middle = np.quantile(ratio[inner], [0.05, 0.5])
    threshold = middle + max(_FULL_DB / 10, _SPREAD * (middle - low))
    decibels_found = 10 * np.log10(np.maximum(found, 1e-30))
    rings = 10 * np.log10(np.maximum(sound.ringing, 1e-12)) + _RINGING_MARGIN_DB
    rings = np.minimum(rings, -_OWN_DB)
    rings[len(rings) // 2] = -np.inf  # a burst is no ringing of itself
    ringing = grey_dilation(  # type: ignore[call-overload]  # the stubs want integers
        decibels_found, structure=rings, mode="nearest"
    )
    noise = _usual(cells.residue[inner], expected[inner])(expected)
    extra = np.maximum(cells.residue - noise, 0.0)
    least = np.zeros(n)
    if full is not None:
        quiet = expected < full * 10 ** (QUIET_DB / 10)
        least = full * 10 ** (np.where(quiet, FAINTEST_QUIET_DB, FAINTEST_DB) / 10)
    bad = (ratio > threshold) & (decibels_found > ringing) & (extra > least)
    bad[:edge] = False
    bad[n - edge :] = False

    reference = full or FULL_SCALE_SINE_RMS**2
    return tuple(
        Burst(
            start * cells.seconds,
            end * cells.seconds,
            len(runs(bad[start:end], 2)),
            float(extra[start:end][bad[start:end]].sum() * cells.seconds),
            float(10 * np.log10(extra[start:end].max() / reference)),
        )
        for start, end in runs(bad, round(GAP_SECONDS / cells.seconds))
    )


class _usual:  # noqa: N801 - used as a function
    """Residue as a constant and a share of the sound's power, both by medians."""

    def __init__(self, found: Floats, expected: Floats) -> None:
        self.constant, self.share = 0.0, 0.0
        top = float(expected.max(initial=0.0))
        if top <= 0:
            self.constant = float(np.median(found))
            return
        quiet = expected <= np.quantile(expected, 0.1)
        self.constant = float(np.median(found[quiet]))
        loud = expected > 0.25 * top
        share = np.median(found[loud]) - self.constant
        self.share = max(0.0, float(share / np.median(expected[loud])))

    def __call__(self, expected: Floats) -> Floats:
        return self.constant + self.share * expected


def lost_cells(cells: Cells, expected: Floats, disturbed: Bools) -> Bools:
    """Cells in which the signal has fallen to nothing, for 2 ms at least, though it should sound.

    Parameters
    ----------
    cells : Cells
        The channel.
    expected : ndarray of float, shape (cells,)
        Power of the sound, bridged where a burst disturbs it.
    disturbed : ndarray of bool, shape (cells,)
        Where bursts are. How low a cell of the sound itself gets, between the peaks of its wave,
        is seen outside of them.
    """
    noise = np.quantile(cells.whole, 0.02)
    sounding = expected > max(1e-4 * expected.max(initial=0.0), 300 * float(noise))
    clean = sounding & ~disturbed
    if not clean.any():
        return np.zeros(len(disturbed), dtype=bool)
    natural = float(np.quantile(cells.whole[clean] / expected[clean], 0.01))
    low = disturbed & sounding
    low &= cells.whole < min(10 ** (-LOST_DB / 10), 0.3 * natural) * expected
    return low & (np.roll(low, 1) | np.roll(low, -1))


def bursts_a_second(count: int, seconds: float) -> Estimate:
    """Rate of randomly timed bursts, with the square root of the (count + 1) as uncertainty."""
    return Estimate(count / seconds, float(np.sqrt(count + 1) / seconds))


def measure_scrape(signal: Floats, samplerate: int) -> Scrape:
    """Contact noise of a control that carries DC or nothing, from one channel of a take.

    Parameters
    ----------
    signal : ndarray of float, shape (frames,)
        Full scale is -1.0 to 1.0. Hum and other steady tones do no harm.
    samplerate : int
        Frames a second.

    Returns
    -------
    Scrape
        Nothing of the control's travel: without a signal there is no level that would tell it.
    """
    sound = learn_sound(signal, samplerate)
    cells = read_cells(signal, sound)
    return scrape_of_cells(cells, find_bursts(sound, cells, np.zeros(len(cells)), None))


def scrape_of_cells(cells: Cells, bursts: tuple[Burst, ...]) -> Scrape:
    """The same of a channel whose bursts have been found."""
    seconds = len(cells) * cells.seconds
    powers = np.array([b.energy for b in bursts]) / seconds
    usual = float(np.median(cells.residue)) * cells.seconds / seconds
    return Scrape(
        bursts,
        bursts_a_second(len(bursts), seconds),
        energy_in_db(powers, usual, FULL_SCALE_SINE_RMS**2),
        Estimate(max(b.peak_db for b in bursts), 1.0) if bursts else None,
    )


def energy_in_db(powers: Floats, usual: float, reference: float) -> Estimate:
    """Mean power of bursts, one entry each, in dB re `reference`.

    Each burst comes or does not, at random: the sum scatters by the root of the sum of the squares.
    Without bursts it is an upper bound: one burst of the `usual` residue would have been missed.
    """
    total = float(powers.sum())
    if total <= 0:
        return decibels(Estimate(0.0, usual), reference)
    scatter = float(np.sqrt(np.sum(powers**2)))
    return Estimate(float(10 * np.log10(total / reference)), NEPER_DB / 2 * scatter / total)
