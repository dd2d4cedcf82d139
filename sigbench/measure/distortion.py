"""Distortion: harmonics with phases, THD, THD+N and the symmetry of the waveform."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal.windows import blackmanharris

from sigbench.measure.estimate import Estimate, decibels
from sigbench.measure.fundamental import Fundamental
from sigbench.units import NEPER_DB, power_ratio_to_db, ratio_to_db

BAND_HZ = (20.0, 20_000.0)  # AES17, IEC 60268-3
SEGMENT_SECONDS = 1.0
SEGMENT_CYCLES = 16.0  # keeps the harmonics four window main lobes apart
WAVEFORM_POINTS = 4096

_WINDOW_NENBW = 2.0044  # 4-term Blackman-Harris (Heinzel, Ruediger, Schilling 2002)
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
    rest = fundamental.residual - hum
    frames = len(rest)
    frequency = fundamental.frequency.value
    top = min(BAND_HZ[1], _TOP_OF_NYQUIST * samplerate / 2)
    numbers = range(2, int(top / frequency) + 1)

    wanted = max(SEGMENT_SECONDS, SEGMENT_CYCLES / frequency) * samplerate
    length = min(frames, round(wanted))
    starts = np.linspace(0, frames - length, max(1, 2 * (frames // length) - 1)).round().astype(int)
    window = blackmanharris(length, sym=False).astype(complex)
    window /= np.sum(window) / np.sqrt(2)  # a sine of amplitude a then gives |a / sqrt(2)|
    noise_bandwidth = _WINDOW_NENBW * samplerate / length

    density = fundamental.floor / fundamental.spectrum.noise_bandwidth_hz
    turn = np.exp(-1j * fundamental.phase)
    turning = turn.copy()
    powers: list[Estimate] = []
    lines: list[complex] = []
    waveform = np.zeros(frames)
    shape = fundamental.amplitude / np.mean(fundamental.amplitude)
    for number in numbers:
        turning *= turn
        turned = rest * turning
        segments = np.array([np.dot(window, turned[s : s + length]) for s in starts])
        at = min(len(density) - 1, round(number * frequency / fundamental.spectrum.bin_hz))
        noise = float(density[at]) * noise_bandwidth
        power = float(np.mean(np.abs(segments) ** 2)) - noise
        theory = np.sqrt(noise**2 + 2 * max(power, 0.0) * noise)
        scatter = float(np.std(np.abs(segments) ** 2)) if len(segments) > 2 else 0.0
        # Half-overlapped segments of this window are all but independent (correlation 4 %).
        powers.append(Estimate(power, max(theory, scatter) / np.sqrt(len(segments))))
        line = complex(np.mean(segments))
        lines.append(line)
        if power > 2 * powers[-1].uncertainty:
            waveform += np.sqrt(2) * shape * np.real(line * np.conj(turning))

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


def band_power(
    signal: NDArray[np.float64], samplerate: int, band_hz: tuple[float, float]
) -> Estimate:
    """Mean square within a band, from half-overlapped Hann segments of a second at the most.

    The uncertainty is the standard error of the scatter between segments.
    """
    length = min(len(signal), samplerate)
    starts = np.arange(0, len(signal) - length + 1, max(1, length // 2))
    window = np.hanning(length + 1)[:-1]
    frequencies = np.fft.rfftfreq(length, 1 / samplerate)
    inside = (frequencies >= band_hz[0]) & (frequencies <= band_hz[1])
    scale = 2 / (np.sum(window**2) * length)
    powers = np.array(
        [
            scale * np.sum(np.abs(np.fft.rfft(window * signal[s : s + length])[inside]) ** 2)
            for s in starts
        ]
    )
    mean = float(np.mean(powers))
    if len(powers) < 3:  # no scatter to see: that of Gaussian noise in this bandwidth
        return Estimate(mean, mean / np.sqrt(max(1.0, np.sum(inside) / 1.5)))
    # Half-overlapped Hann segments: the correlation of 1/6 between neighbours adds its part.
    error = np.std(powers, ddof=1) / np.sqrt(len(powers)) * np.sqrt(1 + 2 / 36)
    return Estimate(mean, float(error))


def _thd_n(fundamental: Fundamental, samplerate: int, top: float) -> Estimate:
    rest = band_power(fundamental.residual, samplerate, (BAND_HZ[0], top))
    frames = len(fundamental.residual)
    fitted_away = frames / (frames - fundamental.freedom)  # noise that the fit has swallowed
    power = rest.value * fitted_away
    total = power + fundamental.power.value
    if power == 0:
        return Estimate(-np.inf, 0.0)
    # d(power / total) / d power = fundamental / total squared
    relative = rest.uncertainty * fitted_away * fundamental.power.value / (total * power)
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
