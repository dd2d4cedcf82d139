"""Clipping of the capture: samples that the converter held at full scale."""

import numpy as np
from numpy.typing import NDArray

MIN_RUN_SAMPLES = 3
"""Shortest flat run that counts.

Two equal samples at full scale are no proof: a sine at a quarter of the sample rate whose samples
straddle its crests is nothing but such pairs, and is not clipped.
"""

CREST_CODES = 3.0
"""Span, in codes, of the values that can all read as the top code at an unclipped crest.

One code from rounding, and one more on either side from TPDF dither (2 LSB wide).
"""

_WIDTHS = (8, 16, 20, 24, 32)  # of converters and sample formats, bits
_FLOAT_BITS = 25  # float32 carries 24 bits and the sign: its spacing just below 1.0 is 2**-24


def clipped_samples(signal: NDArray[np.float64], bits: int | None) -> int:
    """Number of samples that lie in flat runs at full scale, as a clipping converter leaves them.

    Parameters
    ----------
    signal : ndarray of float, shape (frames,)
        Full scale is -1.0 to 1.0.
    bits : int or None
        Resolution of the samples; None for floating point. Samples that carry fewer bits than
        that (a 16-bit converter's in a 24-bit or float file) are judged by the bits they carry.

    Returns
    -------
    int
        0 where nothing clipped. A signal that an instrument clipped below full scale is not
        counted, nor are floating-point samples that go beyond ±1.0: they have lost nothing.

    Notes
    -----
    Full scale is the top code (2**(n-1) - 1) / 2**(n-1), its negative, or the bottom code -1.0;
    for floating point it is ±1.0.

    A full-scale sine also puts several equal samples at the top code, all round its crest, when
    its frequency is low. What tells the two apart is how steeply the run is entered. Near a crest
    of height P the wave is P - c t²/2. The k samples of a run span k - 1 sample intervals and all
    lie within d codes of P (`CREST_CODES`), so its later or earlier end lies at most sqrt(2 d/c)
    from the crest and

        2 sqrt(2 d/c) >= k - 1,    thus    sqrt(c/2) <= 2 sqrt(d) / (k - 1).

    A sample j intervals outside the run then lies below P by at most

        (sqrt(d) + j sqrt(c/2))² <= d ((k - 1 + 2 j) / (k - 1))² codes,

    12 codes for k = 3 and j = 1. A run with a sample further down than that on either side is no
    crest: the wave was cut off. Long runs are judged an eighth of their length further out, where
    a gentle slope has become plain. A run as long as the whole signal has nothing beside it, and
    counts. A square wave that was computed to stand at full scale looks just like a clipped one,
    and counts too.

    A tone so high, or clipped so slightly, that the converter holds fewer than
    `MIN_RUN_SAMPLES` samples at a time is not recognised.
    """
    if len(signal) < MIN_RUN_SAMPLES or np.max(np.abs(signal)) < 1 - 2.0 ** (1 - _WIDTHS[0]):
        return 0
    carried = _carried_bits(signal, bits)
    step = 2.0 ** (1 - (carried or _FLOAT_BITS))
    tops = (1.0,) if carried is None else (1 - step,)
    return sum(
        _clipped_at(sign * signal, value, step)
        for sign, values in ((1.0, tops), (-1.0, {1.0, *tops}))
        for value in values
    )


def _carried_bits(signal: NDArray[np.float64], bits: int | None) -> int | None:
    """Fewest bits that hold every sample exactly; None where no integer width does."""
    for width in _WIDTHS:
        if bits is not None and width >= bits:
            return bits
        codes = signal * 2.0 ** (width - 1)
        if np.array_equal(codes, np.rint(codes)):
            return width
    return bits


def _clipped_at(signal: NDArray[np.float64], top: float, step: float) -> int:
    """Samples in flat runs at `top` that are entered more steeply than a crest can be."""
    edges = np.diff((signal == top).astype(np.int8), prepend=0, append=0)
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    lengths = ends - starts
    long_enough = lengths >= MIN_RUN_SAMPLES
    starts, ends, lengths = starts[long_enough], ends[long_enough], lengths[long_enough]
    out = 1 + (lengths - MIN_RUN_SAMPLES) // 8
    allowed_codes = CREST_CODES * ((lengths - 1 + 2 * out) / (lengths - 1)) ** 2
    # Beyond the ends of the signal nothing is known of the slope: the top code stands for it.
    padded = np.pad(signal, 1, constant_values=top)
    is_peak = np.maximum(padded[starts], padded[ends + 1]) <= top
    before = padded[np.maximum(starts - out + 1, 0)]
    after = padded[np.minimum(ends + out, len(padded) - 1)]
    drop_codes = (top - np.minimum(before, after)) / step
    whole = lengths == len(signal)
    return int(np.sum(lengths[is_peak & ((drop_codes > allowed_codes) | whole)]))
