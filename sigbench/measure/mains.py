"""Mains hum: the comb of lines at multiples of the mains frequency, fitted jointly."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigbench.measure.estimate import Estimate, decibels
from sigbench.measure.phasor import line_sums, rotations
from sigbench.units import FULL_SCALE_SINE_RMS

NOMINAL_HZ = (50.0, 60.0)
TOLERANCE = 0.01  # EN 50160: 50 Hz within 1 % for 99.5 % of a year; the note G1 lies 2 % away
GRID = 0.004  # a large grid keeps to 0.2 Hz of 50: (EU) 2017/1485 annex III table 1, from memory
HIGHEST_HZ = 2000.0  # rectifier buzz has little above
SEARCH_LINES = 10  # lines that decide where the comb lies
BLOCK_SECONDS = 5.0  # the frequency is fitted anew in each block, for the grid wanders
FALSE_ALARM = 1e-3  # chance that noise alone is taken for a comb, a take and channel

# Above the 4th, lines of hum fall off: one that sticks out is a note (common practice, no source).
LOW_LINES = 4
HIGH_OVER_LOW_DB = 15.0
NOTE_REACH_HZ = 1.5  # a line this near a harmonic of the note is left to the note
NOTE_REACH_BINS = 3.0  # and so is one that a block is too short to tell from it

# A sound that moves, or that goes round in a short loop, has lines all over the spectrum, and one
# of them always lies near the mains. A line of hum is one that few others match.
MATCHED_DB = 6.0  # within which another line is as strong
MOST_MATCHED = 0.1  # of the stretches beside a line, each as wide as where the line is looked for
SIDEBAND_HZ = 10.0  # vibrato, tremolo and rotors are slower (common practice, no source)

_SHORTEST_CYCLES = 10.0
_FAINTEST = 5e-16  # mean square, -150 dBFS: no converter resolves a line below this
_FLANK_BINS = (2.5, 3.0)  # outside a Hann window's main lobe; never both at a null
_OWN_FLANK = 1e-3
_WANDER_SHARE = 16.0  # of the phase's turn in a block; from benchmarks/precision_mains.py
_STEPS_PER_BIN = 6
_BESIDE = 0.45  # of the lines' spacing, to either side
_WIDEST = 0.1  # of that reach: a stretch of high lines, which share all of it with one another
_LOBE_BINS = 2.0  # of a Hann window's main lobe, to one side
_OWN_TONES = 1  # the line itself
_STRETCH_BINS = 2.0  # at least: as wide as a line under a Hann window where it is 6 dB down
_NO_NOISE = 10.0  # re its mean: noise alone reaches this in 5e-5 of bins


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """The comb in one block: first frame, frequency in hertz, complex peak amplitude per line."""

    start: int
    frequency_hz: float
    amplitudes: NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Mains:
    """The mains comb found in one channel.

    Parameters
    ----------
    frequency : Estimate or None
        Hz; None where no comb stands above the noise.
    nominal_hz : float
        50 or 60: where lines were looked for.
    hum_1x, hum_2x, hum_total : Estimate
        dBFS: the first line, the second, and the power sum of all up to `HIGHEST_HZ`. Upper
        bounds where nothing stood above the noise.
    lines : tuple of Estimate
        dBFS of each line from the first on.
    blocks : tuple of Block
        The fits behind these values.
    """

    frequency: Estimate | None
    nominal_hz: float
    hum_1x: Estimate
    hum_2x: Estimate
    hum_total: Estimate
    lines: tuple[Estimate, ...]
    blocks: tuple[Block, ...]


def measure_mains(
    signal: NDArray[np.float64], samplerate: int, *, nominal_hz: float | None = None
) -> Mains | None:
    """Fit the mains comb.

    Parameters
    ----------
    signal : ndarray of float, shape (frames,)
        Full scale is -1.0 to 1.0; without the note, if there is one.
    samplerate : int
        Frames a second.
    nominal_hz : float or None
        50 or 60; None tries both.

    Returns
    -------
    Mains or None
        None where the take is shorter than ten cycles of the mains.

    Notes
    -----
    The take is cut into blocks of at most `BLOCK_SECONDS`. In each, the sines and cosines of all
    lines are fitted jointly by Hann-weighted least squares at the frequency that explains most
    power against the noise beside the lines (a maximum-likelihood search for a harmonic comb in
    coloured noise). Lines of the blocks are averaged in power with the noise's share taken off.
    """
    candidates = NOMINAL_HZ if nominal_hz is None else (nominal_hz,)
    if len(signal) / samplerate < _SHORTEST_CYCLES / min(candidates):
        return None
    slow, rate = _decimate(signal - np.mean(signal), samplerate)
    count = max(1, round(len(slow) / rate / BLOCK_SECONDS))
    if count == 1 and len(slow) / rate >= 2 * _SHORTEST_CYCLES / min(candidates):
        count = 2  # two blocks at least, so that a scatter is seen
    blocks = np.array_split(slow, count)

    spectra = [_BlockSpectrum.of(block, rate) for block in blocks]
    best: tuple[float, float, float, list[_Candidate]] | None = None
    for nominal in candidates:
        threshold = _threshold(count, nominal, [len(b) / rate for b in blocks])
        combs = [_search(spectrum, nominal, threshold / count) for spectrum in spectra]
        gain = sum(comb.gain for comb in combs)
        if best is None or gain > best[0]:
            best = (gain, threshold, nominal, combs)
    assert best is not None
    gain, threshold, nominal, combs = best
    fits = [_fit_block(block, rate, comb) for block, comb in zip(blocks, combs, strict=True)]

    powers = np.array([fit.powers for fit in fits])
    noise = np.mean([fit.noise for fit in fits], axis=0)
    found = gain > threshold
    frequencies = np.array([fit.frequency_hz for fit in fits])
    own = float(np.sqrt(np.mean([fit.variance for fit in fits])))
    spread = float(np.std(frequencies, ddof=1)) if count > 1 else 0.0
    wander = np.sqrt(max(0.0, spread**2 - own**2)) if found else 0.0
    lines = []
    for k in range(powers.shape[1]):
        mean = float(np.mean(powers[:, k])) - float(noise[k])
        theory = np.sqrt(noise[k] ** 2 + 2 * max(mean, 0.0) * noise[k]) / np.sqrt(count)
        scatter = np.std(powers[:, k], ddof=1) / np.sqrt(count) if count > 1 else 0.0
        # A frequency that wanders within a block loses power to the sidebands.
        lost = mean * (np.pi * (k + 1) * wander * len(slow) / rate / count / _WANDER_SHARE) ** 2
        lines.append(Estimate(mean, float(np.hypot(max(theory, scatter), lost))))
    clear = _hum_lines(lines) if found else []
    found = bool(clear)
    # Without a comb, a line that stands above the noise is no hum, and hum is not above it.
    total = Estimate(
        sum(line.value for line in clear) if found else max(line.value for line in lines),
        float(np.sqrt(sum(line.uncertainty**2 for line in clear or lines))),
    )
    frequency = None
    if found:
        u = max(own, spread) / np.sqrt(count)
        frequency = Estimate(float(np.mean(frequencies)), float(u))
    reference = FULL_SCALE_SINE_RMS**2
    levels = tuple(decibels(line, reference, bound=not found) for line in lines)
    starts = np.cumsum([0, *(len(block) for block in blocks[:-1])]) * (samplerate / rate)
    return Mains(
        frequency,
        nominal,
        levels[0],
        levels[1],
        decibels(total, reference, bound=not found),
        levels,
        tuple(
            Block(round(start), fit.frequency_hz, fit.amplitudes)
            for start, fit in zip(starts, fits, strict=True)
        ),
    )


def _hum_lines(lines: list[Estimate]) -> list[Estimate]:
    """The lines that are hum; none where no low line stands above the noise by itself."""
    clear = [line.value > 2 * line.uncertainty for line in lines]
    low = [line.value for line, stands in zip(lines[:LOW_LINES], clear, strict=False) if stands]
    if not low:
        return []
    most = max(low) * 10 ** (HIGH_OVER_LOW_DB / 10)
    return [
        line
        for number, (line, stands) in enumerate(zip(lines, clear, strict=True), start=1)
        if stands and (number <= LOW_LINES or line.value < most)
    ]


def comb_waveform(
    mains: Mains | None, samplerate: int, frames: int, *, note_hz: float
) -> NDArray[np.float64]:
    """The hum as a waveform, shape (frames,), for taking it out from beside a note.

    Only lines that stand above the noise are in it, and none that lies too near a harmonic of
    the note to be told from it. Without a comb it is zero.
    """
    waveform = np.zeros(frames)
    if mains is None or mains.frequency is None:
        return waveform
    shortest = min(np.diff([*(block.start for block in mains.blocks), frames])) / samplerate
    reach = max(NOTE_REACH_HZ, NOTE_REACH_BINS / shortest)
    for number, line in enumerate(mains.lines, start=1):
        harmonic = max(1, round(number * mains.frequency.value / note_hz))
        near = abs(number * mains.frequency.value - harmonic * note_hz) < reach
        if line.upper_bound or near:
            continue
        for block, following in zip(mains.blocks, (*mains.blocks[1:], None), strict=True):
            end = frames if following is None else following.start
            (turned,) = rotations(end - block.start, number * block.frequency_hz / samplerate)
            waveform[block.start : end] += np.real(block.amplitudes[number - 1] * turned)
    return waveform


@dataclass(frozen=True, slots=True, eq=False)
class _BlockSpectrum:
    """Finely interpolated power of one block, where a sine's peak reads its mean square."""

    power: NDArray[np.float64]
    step_hz: float
    seconds: float
    rate: float

    @classmethod
    def of(cls, block: NDArray[np.float64], rate: float) -> "_BlockSpectrum":
        window = _hann(len(block))
        spectrum = np.fft.rfft(block * window, 8 * len(block))
        power = 2 * np.abs(spectrum) ** 2 / np.sum(window) ** 2
        return cls(power, rate / (8 * len(block)), len(block) / rate, rate)

    def leaked(self, at: NDArray[np.int_]) -> NDArray[np.float64]:
        """What a stronger tone nearby leaks into lines: half the power just outside their lobes.

        On the slope of such a tone that makes any line less than twice it. The line's own side
        lobes are left out.
        """
        last = len(self.power) - 1
        greatest = np.zeros(at.shape)
        for bins in _FLANK_BINS:
            away = round(bins / self.seconds / self.step_hz)
            for side in (at - away, at + away):
                greatest = np.maximum(greatest, self.power[np.clip(side, 0, last)])
        return greatest / 2 - _OWN_FLANK * self.power[at]


@dataclass(frozen=True, slots=True, eq=False)
class _Candidate:
    """The likeliest comb of one block, before its frequency is refined."""

    frequency_hz: float
    gain: float  # log-likelihood gained over noise alone
    numbers: NDArray[np.int64]
    noise: NDArray[np.float64]  # mean square that noise and other tones put into each line


@dataclass(frozen=True, slots=True, eq=False)
class _BlockFit:
    frequency_hz: float
    variance: float
    amplitudes: NDArray[np.complex128]
    powers: NDArray[np.float64]  # mean square of each line, noise included
    noise: NDArray[np.float64]


def _hann(frames: int) -> NDArray[np.float64]:
    return np.hanning(frames + 2)[1:-1]


def _decimate(signal: NDArray[np.float64], samplerate: int) -> tuple[NDArray[np.float64], float]:
    factor = max(1, int(samplerate // (3 * HIGHEST_HZ)))
    if factor == 1:
        return signal, float(samplerate)
    from scipy.signal import resample_poly

    # A flat passband up to HIGHEST_HZ, which is two thirds of the new Nyquist frequency.
    return resample_poly(signal, 1, factor, window=("kaiser", 10.0)), samplerate / factor


def _search(spectrum: _BlockSpectrum, nominal_hz: float, enough: float) -> _Candidate:
    """The comb near a nominal frequency that explains most power."""
    count = int(min(HIGHEST_HZ, 0.45 * spectrum.rate) / (nominal_hz * (1 + TOLERANCE)))
    numbers = np.arange(1, count + 1)
    around = [_Around.of(spectrum, int(k), nominal_hz) for k in numbers]
    low_lines = numbers[:SEARCH_LINES]
    # Steps fine enough for the highest line that takes part in the search.
    pitch = 2 / (spectrum.seconds * _STEPS_PER_BIN * len(low_lines))
    grid = np.arange(nominal_hz * (1 - TOLERANCE), nominal_hz * (1 + TOLERANCE), pitch)
    at = np.rint(np.outer(low_lines, grid) / spectrum.step_hz).astype(int)
    others = [near.others(spectrum, places) for near, places in zip(around, at, strict=False)]
    on_grid = np.abs(grid / nominal_hz - 1) <= GRID
    gains = _gain((spectrum.power[at] / others).T, enough, on_grid)
    best = int(np.argmax(gains))
    at = np.rint(np.outer(numbers, grid[best]) / spectrum.step_hz).astype(int)
    others = [near.others(spectrum, places) for near, places in zip(around, at, strict=True)]
    return _Candidate(float(grid[best]), float(gains[best]), numbers, np.concatenate(others))


@dataclass(frozen=True, slots=True, eq=False)
class _Around:
    """What lies around one line: the line itself, and what else is there.

    Parameters
    ----------
    noise : float
        Mean square that noise alone puts into the line.
    stretches : int
        In how many of them the others are looked for.
    tones : ndarray of int, shape (tones,)
        Where in the spectrum the stretches that hold more than their neighbours have the most: one
        that holds less may be on the skirt of the same tone.
    """

    noise: float
    stretches: int
    tones: NDArray[np.int_]

    @classmethod
    def of(cls, spectrum: _BlockSpectrum, number: int, nominal_hz: float) -> "_Around":
        centre, reach, step = number * nominal_hz, _BESIDE * nominal_hz, spectrum.step_hz
        wide = max(2 * TOLERANCE * centre, _STRETCH_BINS / spectrum.seconds)
        edges = np.arange(centre - reach, centre + reach, min(wide, reach * _WIDEST))
        starts = (edges / step).astype(int)
        power = spectrum.power[: int((centre + reach) / step) + 1]
        greatest = np.maximum.reduceat(power, starts)
        beside = np.concatenate([[0.0], greatest, [0.0]])
        own = (greatest > beside[:-2]) & (greatest > beside[2:])
        ends = np.append(starts[1:], len(power))
        tones = [
            start + int(np.argmax(power[start:end]))
            for start, end in zip(starts[own], ends[own], strict=True)
        ]
        noise = max(_beside(spectrum, centre, nominal_hz), _FAINTEST)
        return cls(noise, len(starts), np.array(tones, dtype=int))

    def others(self, spectrum: _BlockSpectrum, at: NDArray[np.int_]) -> NDArray[np.float64]:
        """What others than the mains put into the line, were it at `at`, of shape (grid,).

        All of it is theirs where many tones are as strong; and as much of it as lies at the other
        side of a stronger tone nearby, for a tone that moves has a line on either side.
        """
        power, tones = spectrum.power[at], spectrum.power[self.tones]
        as_strong = np.maximum(power * 10 ** (-MATCHED_DB / 10), _NO_NOISE * self.noise)
        matched = np.sum(tones[:, None] >= as_strong, axis=0)
        many = matched > _OWN_TONES + MOST_MATCHED * self.stretches
        opposite = np.clip(2 * self.tones[:, None] - at, 0, len(spectrum.power) - 1)
        away = np.abs(self.tones[:, None] - at) * spectrum.step_hz
        near = (away > _LOBE_BINS / spectrum.seconds) & (away < SIDEBAND_HZ)
        sidebands = np.where(near & (tones[:, None] > power), spectrum.power[opposite], 0.0)
        others = np.where(many, power, np.max(sidebands, axis=0, initial=0.0))
        leaked = np.maximum(self.noise, spectrum.leaked(at))
        return np.maximum(leaked, np.minimum(power, others))


def _fit_block(block: NDArray[np.float64], rate: float, comb: _Candidate) -> _BlockFit:
    frequency, variance = _refine(block, rate, comb)
    amplitudes = _joint_fit(block, rate, frequency, comb.numbers)
    return _BlockFit(frequency, variance, amplitudes, np.abs(amplitudes) ** 2 / 2, comb.noise)


def _gain(
    ratio: NDArray[np.float64], enough: float, on_grid: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Log-likelihood that a comb gains over noise, from line-to-noise ratios (grid, lines).

    The share that noise has by itself is left out. A line above the second counts for less than
    half of what is enough: alone it may be any other tone. And no other note may explain the
    lines: for each number above the second, the comb must stand without its multiples. Farther
    from the nominal frequency than a large grid ever is (`on_grid`, of shape (grid,)), all of this
    goes for the first two lines as well: a note is likelier there than an island's mains.
    """
    gains = np.maximum(ratio - 2.0, 0.0)
    capped = np.minimum(gains, 0.45 * enough)
    gains[:, 2:] = capped[:, 2:]
    gains[~on_grid] = capped[~on_grid]
    numbers = np.arange(1, gains.shape[1] + 1)
    least = np.sum(gains, axis=1)
    for note in numbers[1:]:
        without = np.sum(gains[:, numbers % note != 0], axis=1)
        least = np.where(on_grid & (note == 2), least, np.minimum(least, without))
    return least


def _beside(spectrum: _BlockSpectrum, centre_hz: float, spacing_hz: float) -> float:
    """Mean noise power a bin between this line and its neighbours, from the median."""
    step = spectrum.step_hz
    first = int((centre_hz - _BESIDE * spacing_hz) / step)
    end = int((centre_hz + _BESIDE * spacing_hz) / step)
    bins = np.arange(first, end)
    bins = bins[np.abs(bins * step - centre_hz) > 0.15 * spacing_hz]
    # Called for each line of each block: the library's clip and median take most of their time for
    # what these few bins do not need.
    power = np.sort(spectrum.power[np.minimum(np.maximum(bins, 1), len(spectrum.power) - 1)])
    middle = (power[(len(power) - 1) // 2] + power[len(power) // 2]) / 2
    # The median of an exponential is ln 2 of its mean.
    return float(middle) / np.log(2)


def _joint_fit(
    block: NDArray[np.float64],
    rate: float,
    frequency_hz: float,
    numbers: NDArray[np.int64],
) -> NDArray[np.complex128]:
    """Complex peak amplitudes of all lines at once, Hann-weighted least squares."""
    window = _hann(len(block))
    turn = frequency_hz / rate
    # Products of two of the lines' sines and cosines turn with the sum and the difference of their
    # numbers: the window's own sums at these are all that the normal matrix is made of.
    window_sums = line_sums(window, np.arange(2 * numbers[-1] + 1) * turn)
    cosines, sines = window_sums.real, -window_sums.imag
    together, apart = numbers[:, None] + numbers, numbers[:, None] - numbers
    even, odd = cosines[abs(apart)], np.sign(apart) * sines[abs(apart)]
    crossed = (odd - sines[together]) / 2
    normal = np.block(
        [
            [(even + cosines[together]) / 2, crossed],
            [crossed.T, (even - cosines[together]) / 2],
        ]
    )
    right = line_sums(window * block, numbers * turn)
    solution = np.linalg.lstsq(normal, np.concatenate([right.real, right.imag]), rcond=None)[0]
    half = len(numbers)
    return np.asarray(solution[:half] + 1j * solution[half:])


def _refine(block: NDArray[np.float64], rate: float, comb: _Candidate) -> tuple[float, float]:
    """Frequency of the comb from the phase that each line gains between the block's halves."""
    seconds = len(block) / rate
    half = len(block) // 2
    parts = [
        part * (hann := _hann(len(part))) / np.sum(hann) for part in (block[:half], block[half:])
    ]
    frequency = comb.frequency_hz
    variance = np.inf
    for _ in range(3):
        cycles = comb.numbers * frequency / rate
        first, second = (line_sums(part, cycles) for part in parts)
        turns = np.angle(second * np.exp(-2j * np.pi * cycles * half) * np.conj(first))
        ratios = np.minimum(np.abs(first), np.abs(second)) ** 2 / comb.noise
        # A phase from noise says nothing; one too far off leaves it to lower lines to decide first.
        tells = (ratios >= 10) & (np.abs(turns) <= np.pi / 2)
        numbers = comb.numbers[tells]
        offsets = turns[tells] / (np.pi * numbers * seconds)
        weights = ratios[tells] * numbers**2
        if not len(weights):
            return comb.frequency_hz, float((1 / (4 * seconds)) ** 2)
        offset = float(np.average(offsets, weights=weights))
        frequency += offset
        # Each half's phase has a variance of 1/(2 ratio); the turn has twice that.
        variance = 1 / (np.sum(weights) * (np.pi * seconds) ** 2)
        if abs(offset) < 1e-6:
            break
    return frequency, float(variance)


def _threshold(blocks: int, nominal_hz: float, seconds: list[float]) -> float:
    """Gain that noise alone exceeds with the chance `FALSE_ALARM`.

    Excesses ``max(r - 2, 0)`` of an exponential r sum to a gamma-like law: its tail is bounded by
    Chernoff with the search's independent frequencies counted in.
    """
    independent = SEARCH_LINES * 2 * TOLERANCE * nominal_hz * max(seconds) + 1
    wanted = np.log(independent**blocks * len(NOMINAL_HZ) / FALSE_ALARM)
    exponents = np.linspace(0.01, 0.99, 197)
    # E exp(s max(r - 2, 0)) = 1 + exp(-2) s / (1 - s) for one line of exponential power
    cumulant = SEARCH_LINES * blocks * np.log1p(np.exp(-2) * exponents / (1 - exponents))
    return float(np.min((wanted + cumulant) / exponents))
