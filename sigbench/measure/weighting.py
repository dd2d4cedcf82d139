"""Frequency weightings of noise: A (IEC 61672-1) and ITU-R BS.468-4, as analogue prototypes.

A recording is weighted by multiplying its spectrum with the response of the analogue network, so
the weighting is exact at any sample rate up to half of it; nothing is warped near the top.
"""

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from sigbench.units import ratio_to_db

Array = NDArray[np.float64]
Response = Callable[[Array], NDArray[np.complex128]]

# IEC 61672-1:2013, E.2: corner frequencies of the A network in Hz, from its closed form.
A_LOW_HZ = 20.598997
A_SECOND_HZ = 107.65265
A_THIRD_HZ = 737.86223
A_HIGH_HZ = 12194.217
A_REFERENCE_HZ = 1000.0  # where it is 0 dB

# ITU-R BS.468-4, Annex 1: polynomials of its network (f in Hz), and its gain at 6.3 kHz.
BS468_EVEN = (-4.737338981378384e-24, 2.043828333606125e-15, -1.363894795463638e-7, 1.0)
BS468_ODD = (1.306612257412824e-19, -2.118150887518656e-11, 5.559488023498642e-4)
BS468_SLOPE = 1.246332637532143e-4
BS468_GAIN_DB = 18.2

BLOCK_FRAMES = 2**20  # a long take is filtered in blocks, to bound memory
SETTLING_SECONDS = 0.25  # A's double pole at 20.6 Hz falls below -250 dB: e^(-129.4 t) t
PADDING_SECONDS = 0.05  # behind a block, for what rings before a feature near half the rate


def a_weighting(frequency_hz: Array) -> NDArray[np.complex128]:
    """Complex response of the A network, 1 at 1 kHz.

    Parameters
    ----------
    frequency_hz : ndarray of float
        Any shape.

    Notes
    -----
    IEC 61672-1:2013, Annex E: four zeros at DC, double poles at 20.6 Hz and 12.2 kHz, single
    ones at 107.7 and 737.9 Hz.

    Examples
    --------
    >>> a_weighting_db(np.array([100.0, 1000.0, 10000.0])).round(1) + 0
    array([-19.1,   0. ,  -2.5])
    """
    reference = np.abs(_a_network(np.array([A_REFERENCE_HZ])))
    return _a_network(np.asarray(frequency_hz, dtype=np.float64)) / reference


def bs468_weighting(frequency_hz: Array) -> NDArray[np.complex128]:
    """Complex response of the BS.468-4 network, 0 dB at 1 kHz and +12.2 dB at 6.3 kHz.

    Parameters
    ----------
    frequency_hz : ndarray of float
        Any shape.

    Notes
    -----
    ITU-R BS.468-4, Annex 1: one zero at DC and six poles; the odd and even polynomials are the
    imaginary and the real part of the denominator.

    Examples
    --------
    >>> bs468_weighting_db(np.array([100.0, 1000.0, 6300.0])).round(1)
    array([-19.9,  -0. ,  12.2])
    """
    f = np.asarray(frequency_hz, dtype=np.float64)
    # In the Laplace variable (f for s / j) the even terms are real, the odd ones imaginary.
    even = np.polyval(BS468_EVEN, f**2)
    odd = f * np.polyval(BS468_ODD, f**2)
    gain = 10 ** (BS468_GAIN_DB / 20) * BS468_SLOPE
    return 1j * f * gain / (even + 1j * odd)


def a_weighting_db(frequency_hz: Array) -> Array:
    """Magnitude of `a_weighting` in dB; ``-inf`` at DC."""
    return ratio_to_db(np.abs(a_weighting(frequency_hz)))


def bs468_weighting_db(frequency_hz: Array) -> Array:
    """Magnitude of `bs468_weighting` in dB; ``-inf`` at DC."""
    return ratio_to_db(np.abs(bs468_weighting(frequency_hz)))


def weight(signal: Array, samplerate: int, response: Response, *, oversampling: int = 1) -> Array:
    """Pass a signal through an analogue response, as if nothing had been heard before it.

    Parameters
    ----------
    signal : ndarray of float, shape (frames,)
        Full scale is -1.0 to 1.0.
    samplerate : int
        Frames a second.
    response : callable
        Complex response at an array of frequencies in hertz. Its impulse response must have
        died away after 0.25 s.
    oversampling : int
        The result has this many times the rate; its spectrum above half of `samplerate` is empty.

    Returns
    -------
    ndarray of float, shape (frames * oversampling,)
        The signal is taken to be zero before its start, so the start carries the network's
        transient: leave it out of what is measured.
    """
    return np.concatenate(list(weighted_blocks(signal, samplerate, response, oversampling)))


def weighted_blocks(
    signal: Array, samplerate: int, response: Response, oversampling: int = 1
) -> Iterator[Array]:
    """As `weight`, a block after the other, for takes too long to hold whole at a higher rate."""
    before = round(SETTLING_SECONDS * samplerate)
    after = round(PADDING_SECONDS * samplerate)
    block = min(len(signal), BLOCK_FRAMES // oversampling)
    length = int(fft.next_fast_len(before + block + after, real=True))
    length += length % 2
    gain = response(np.arange(length // 2 + 1, dtype=np.float64) * (samplerate / length))
    gain[-1] = gain[-1].real  # what lies at exactly half the rate has no phase
    for start in range(0, len(signal), block):
        first = max(start - before, 0)
        piece = signal[first : start + block + after]
        filtered = fft.irfft(fft.rfft(piece, length) * gain, length * oversampling)
        wanted = min(block, len(signal) - start) * oversampling
        offset = (start - first) * oversampling
        yield filtered[offset : offset + wanted] * oversampling


def _a_network(f: Array) -> NDArray[np.complex128]:
    return (
        f**4
        / (1j * f + A_LOW_HZ) ** 2
        / ((1j * f + A_SECOND_HZ) * (1j * f + A_THIRD_HZ))
        / (1j * f + A_HIGH_HZ) ** 2
        + 0j
    )
