"""Distortion: harmonics with phases, THD, THD+N and the symmetry of the waveform."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft
from scipy.signal.windows import blackmanharris
from scipy.special import stdtrit

from sigbench.measure.estimate import Estimate, decibels
from sigbench.measure.fundamental import Fundamental
from sigbench.units import NEPER_DB, power_ratio_to_db, ratio_to_db

BAND_HZ = (20.0, 20_000.0)  # AES17, IEC 60268-3
SEGMENT_SECONDS = 1.0
BAND_SHORTEST_SECONDS = 0.1  # bins of 10 Hz: the band's lower edge is still met
SEGMENT_CYCLES = 16.0  # keeps the harmonics four window main lobes apart
WAVEFORM_POINTS = 4096
CYCLE_POINTS = 1 << 18  # linear between them: the 20th harmonic is read right to -150 dB

_WINDOW_NENBW = 2.0044  # 4-term Blackman-Harris (Heinzel, Ruediger, Schilling 2002)
_CHUNK = 4096
_TOP_OF_NYQUIST = 0.99  # above this a converter's filter has bent the level


@dataclass(frozen=True, slots=True)
class Harmonic:
    """One harmonic: its number, level in dB re the fundamental, and phase in degrees.

    The phase is that of ``cos(number * phase)`` where the fundamental is ``cos(phase)``.
    """

    number: int
    level: Estimate
    phase_degrees: float


@dataclass(frozen=True, slots=True, eq=False)
class Distortion:
    """Distortion of one channel.

    Parameters
    ----------
    harmonics : tuple of Harmonic
        From the 2nd to the last below 20 kHz.
    thd : Estimate or None
        dB: root-sum-square of the harmonics over the fundamental; None with no harmonic in band.
    thd_n : Estimate
        dB: all but the fundamental, 20 Hz-20 kHz, over the total.
    clip_asymmetry : Estimate or None
        dB: positive over negative peak of the cycle-averaged waveform about its mean.
    band_hz : tuple of float
        The band actually used: the rate may end it below 20 kHz.
    waveform : ndarray, shape (frames,)
        The harmonics that stand above the noise, summed.
    """

    harmonics: tuple[Harmonic, ...]
    thd: Estimate | None
    thd_n: Estimate
    clip_asymmetry: Estimate | None
    band_hz: tuple[float, float]
    waveform: NDArray[np.float64]


def measure_distortion(
    fundamental: Fundamental, samplerate: int, hum: NDArray[np.float64]
) -> Distortion:
    """Distortion of a note whose fundamental has been followed.

    Parameters
    ----------
    fundamental : Fundamental
        From `sigbench.measure.fundamental.follow`.
    samplerate : int
        Frames a second.
    hum : ndarray of float, shape (frames,)
        The mains comb as a waveform: it counts in THD+N, and is kept out of the harmonics.

    Notes
    -----
    IEC 60268-3 for the total harmonic distortion (re the fundamental), AES17 for THD+N, with the
    notch made by subtracting the fundamental that was followed: its drift is not counted as noise.

    Each harmonic is the signal turned back by its multiple of the fundamental's own phase and
    averaged over windowed segments, so harmonics of a drifting oscillator stay whole. The noise
    expected in the window is taken off in power. The standard uncertainty is the larger of that
    noise's own and the scatter between segments.
    """
    rest = fundamental.residual - hum - fundamental.foreign
    frames = len(rest)
    frequency = fundamental.frequency.value
    top = min(BAND_HZ[1], _TOP_OF_NYQUIST * samplerate / 2)
    numbers = range(2, int(top / frequency) + 1)

    wanted = max(SEGMENT_SECONDS, SEGMENT_CYCLES / frequency) * samplerate
    length = min(frames, round(wanted))
    starts = np.linspace(0, frames - length, max(1, 2 * (frames // length) - 1)).round().astype(int)
    window = blackmanharris(length, sym=False)
    window /= np.sum(window) / np.sqrt(2)  # a sine of amplitude a then gives |a / sqrt(2)|
    noise_bandwidth = _WINDOW_NENBW * samplerate / length

    density = fundamental.floor / fundamental.spectrum.noise_bandwidth_hz
    amplitudes = _turned_means(rest, fundamental.phase, window, starts, len(numbers))
    powers: list[Estimate] = []
    for number, segments in zip(numbers, amplitudes.T, strict=True):
        at = min(len(density) - 1, round(number * frequency / fundamental.spectrum.bin_hz))
        noise = float(density[at]) * noise_bandwidth
        power = float(np.mean(np.abs(segments) ** 2)) - noise
        theory = np.sqrt(noise**2 + 2 * max(power, 0.0) * noise)
        scatter = float(np.std(np.abs(segments) ** 2)) if len(segments) > 2 else 0.0
        # Half-overlapped segments of this window are all but independent (correlation 4 %).
        u = np.hypot(max(theory, scatter) / np.sqrt(len(segments)), 2 * fundamental.leaked * power)
        powers.append(Estimate(power, float(u)))
    lines = [complex(line) for line in np.mean(amplitudes, axis=0)]
    clear = [
        line if power.value > 2 * power.uncertainty else 0j
        for line, power in zip(lines, powers, strict=True)
    ]
    shape = fundamental.amplitude / np.mean(fundamental.amplitude)
    waveform = shape * _cycle_along(fundamental.phase, clear)

    reference = fundamental.power.value
    harmonics = tuple(
        Harmonic(number, decibels(power, reference), float(np.degrees(np.angle(line))))
        for number, power, line in zip(numbers, powers, lines, strict=True)
    )
    thd = None
    if powers:
        total = Estimate(
            sum(p.value for p in powers), float(np.sqrt(sum(p.uncertainty**2 for p in powers)))
        )
        thd = decibels(total, reference)
    return Distortion(
        harmonics=harmonics,
        thd=thd,
        thd_n=_thd_n(fundamental, samplerate, top),
        clip_asymmetry=_clip_asymmetry(fundamental, powers, lines),
        band_hz=(BAND_HZ[0], top),
        waveform=waveform,
    )


def _turned_means(
    signal: NDArray[np.float64],
    phase: NDArray[np.float64],
    window: NDArray[np.float64],
    starts: NDArray[np.int_],
    count: int,
) -> NDArray[np.complex128]:
    """Windowed means of the signal turned back by 2, 3, … times a phase.

    Shape (segments, count). Powers of the turn are products of a few low ones and a few high
    ones, so that the means of many harmonics are one product of matrices.
    """
    low = max(1, round(np.sqrt(count)))
    high = max(1, -(-count // low))
    length = len(window)
    means = np.zeros((len(starts), high * low), dtype=complex)
    for segment, start in enumerate(starts):
        for a in range(start, start + length, _CHUNK):  # small enough for the processor's cache
            b = min(a + _CHUNK, start + length)
            turn = np.exp(-1j * phase[a:b])
            weighted = signal[a:b] * window[a - start : b - start]
            few = _powers(np.ones(b - a, dtype=complex), turn, low)
            many = _powers(weighted * turn**2, few[-1] * turn, high)
            means[segment] += (many @ few.T).ravel()
    return means[:, :count]


def _powers(
    first: NDArray[np.complex128], factor: NDArray[np.complex128], count: int
) -> NDArray[np.complex128]:
    """Rows first, first * factor, first * factor², …; shape (count, frames)."""
    rows = np.empty((count, len(first)), dtype=complex)
    rows[0] = first
    for row in range(1, count):
        np.multiply(rows[row - 1], factor, out=rows[row])
    return rows


def _cycle_along(phase: NDArray[np.float64], lines: list[complex]) -> NDArray[np.float64]:
    """The waveform of harmonics 2, 3, … with given RMS amplitudes, read along a phase."""
    if not any(lines):
        return np.zeros(len(phase))
    half = np.zeros(CYCLE_POINTS // 2 + 1, dtype=complex)
    half[2 : 2 + len(lines)] = lines
    cycle = np.fft.irfft(half, CYCLE_POINTS) * CYCLE_POINTS / np.sqrt(2)
    cycle = np.append(cycle, cycle[0])
    position = np.mod(phase / (2 * np.pi), 1.0) * CYCLE_POINTS
    at = np.minimum(position.astype(int), CYCLE_POINTS - 1)
    return cycle[at] + (cycle[at + 1] - cycle[at]) * (position - at)


def band_power(
    signal: NDArray[np.float64], samplerate: int, band_hz: tuple[float, float]
) -> Estimate:
    """Mean square within a band, from half-overlapped Hann segments of a second at the most.

    The uncertainty is the standard error of the scatter between segments, widened by Student's t;
    with fewer than three segments, that of Gaussian noise of this spectrum.
    """
    seconds = len(signal) / samplerate
    shortest = min(seconds, BAND_SHORTEST_SECONDS)
    length = round(samplerate * np.clip(seconds / 3, shortest, SEGMENT_SECONDS))
    starts = np.arange(0, len(signal) - length + 1, max(1, length // 2))
    window = np.hanning(length + 1)[:-1]
    frequencies = np.fft.rfftfreq(length, 1 / samplerate)
    inside = (frequencies >= band_hz[0]) & (frequencies <= band_hz[1])
    scale = 2 / (np.sum(window**2) * length)
    bins = np.array(
        [scale * np.abs(rfft(window * signal[s : s + length])[inside]) ** 2 for s in starts]
    )
    powers = np.sum(bins, axis=1)
    mean = float(np.mean(powers))
    if len(powers) < 3:
        # Each bin scatters by its own size; a Hann window's neighbours are correlated (1.94).
        spread = np.sqrt(1.94 * np.mean(np.sum(bins**2, axis=1)) / 2)
        return Estimate(mean, float(spread / np.sqrt(len(powers))))
    # Half-overlapped Hann segments: the correlation of 1/36 between neighbours adds its part.
    student = stdtrit(len(powers) - 1, 0.975) / 1.96
    error = np.std(powers, ddof=1) / np.sqrt(len(powers)) * np.sqrt(1 + 2 / 36) * student
    return Estimate(mean, float(error))


def _thd_n(fundamental: Fundamental, samplerate: int, top: float) -> Estimate:
    rest = band_power(fundamental.residual, samplerate, (BAND_HZ[0], top))
    spectrum = fundamental.spectrum
    at = min(len(fundamental.floor) - 1, round(fundamental.frequency.value / spectrum.bin_hz))
    density = float(fundamental.floor[at]) / spectrum.noise_bandwidth_hz
    # The fit has swallowed the noise in the bandwidth that it follows.
    swallowed = density * fundamental.freedom / (2 * len(fundamental.residual) / samplerate)
    power = rest.value + swallowed
    total = power + fundamental.power.value
    if power == 0:
        return Estimate(-np.inf, 0.0)
    # d(power / total) / d power = fundamental / total squared
    own = np.hypot(rest.uncertainty, 2 * fundamental.leaked * rest.value)
    relative = float(own) * fundamental.power.value / (total * power)
    return Estimate(float(power_ratio_to_db(power / total)), NEPER_DB / 2 * relative)


def _clip_asymmetry(
    fundamental: Fundamental, powers: list[Estimate], lines: list[complex]
) -> Estimate | None:
    """Positive over negative peak of one averaged cycle, from the lines that stand above noise."""
    clear = [
        (number, line, power)
        for number, (line, power) in enumerate(zip(lines, powers, strict=True), start=2)
        if power.value > 4 * power.uncertainty
    ]
    angle = 2 * np.pi * np.arange(WAVEFORM_POINTS) / WAVEFORM_POINTS
    wave = np.sqrt(fundamental.power.value) * np.cos(angle)
    for number, line, _ in clear:
        wave = wave + np.real(line * np.exp(1j * number * angle))
    high, low = float(np.max(wave)), float(-np.min(wave))
    if high <= 0 or low <= 0:
        return None
    amplitude_u = np.sqrt(
        fundamental.power.uncertainty**2 / (4 * fundamental.power.value)
        + sum(p.uncertainty**2 / (4 * p.value) for _, _, p in clear)
    )
    uncertainty = NEPER_DB * float(amplitude_u) * float(np.hypot(1 / high, 1 / low))
    return Estimate(float(ratio_to_db(high / low)), uncertainty)
