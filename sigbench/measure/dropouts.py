"""Dropouts and dips: moments at which a contact lets go of a steady signal and takes it back.

What counts:

* A **dropout** is a loss with abrupt edges: the level falls within a few milliseconds by 20 dB or
  more, or down to the noise, and comes back just as abruptly.
* A **dip** has the same edges, but the level falls by less: 3 to 20 dB.

Natural movement (decay, release, tremolo, beating, a note's attack) has no abrupt fall followed by
an abrupt return, and is neither.

How: a musical signal is predictable over some milliseconds from its own recent past, whatever its
waveform, as a sum of slowly changing partials obeys a linear recursion (linear prediction,
Makhoul 1975). Each channel is watched with a long predictor, which is fitted anew only where the
sound has moved away from it. Where the signal stops following, a better predictor is fitted to
the 150 ms before, and what it continues is held against what came: the most likely stretch of
lesser gain is the interruption, if it stands out of what such predictions miss in the sound itself.
A loss that outlasts the prediction is closed where the same comparison, backwards in time from the
sound's return, shows a step of the same height. A sound that nothing predicts is watched by its
level as well (`level_loss`).

References
----------
J. Makhoul, "Linear prediction: a tutorial review", Proc. IEEE 63 (1975) 561-580.
S. M. Kay, *Modern Spectral Estimation* (Prentice Hall, 1988), ch. 7: the modified covariance
method.
S. J. Godsill, P. J. W. Rayner, *Digital Audio Restoration* (Springer, 1998), ch. 5: detection of
faults from the prediction error.
"""

from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import accumulate

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from sigbench.errors import SignalError
from sigbench.measure.estimate import Estimate
from sigbench.measure.gain_edges import GainEdgeWatch, GainHole
from sigbench.measure.level_loss import LevelLossWatch, likeness, without_trend
from sigbench.measure.prediction import continued, covariance_filter, lag_products_both_ways
from sigbench.measure.streaming import Kept, of_one_event, require_block, rows, windows
from sigbench.model import BLOCK_SAMPLES, Event, LostBuffers, Samples

HUM_IN_PLACE = "hum in its place"
"""Text of an event; others have none."""
DROPOUT_DEPTH_DB = 20.0  # from here on a loss is a dropout, below it a dip; our own choice
MIN_DEPTH_DB = 3.0  # shallower falls are not reported: halves of the power, our own choice
NOISE_MARGIN_DB = 6.0  # what is left lies this near to the noise: the signal is lost
FLOOR_DBFS = -120.0  # digital silence inside a loss counts as this level, so depths stay finite
MIN_SECONDS = 0.0008  # shorter holes are clicks
MAX_DIP_SECONDS = 20.0  # a fall that stays longer, and is no loss, is a change of level
STAYS_DB = 6.0  # a fall by less that stays to the end may be the sound's own
EDGE_UNCERTAINTY_SECONDS = 1e-4  # standard uncertainty of a tone's edge, by precision_dropouts.py
LOST_POSITION_SECONDS = 0.02  # a block of the audio system; common practice, no source
JUMP_SECONDS = 0.055  # after a jump of the audio, edges are found that are none: 52 ms at most seen
JUMP_EDGE_SECONDS = 0.002  # and before it: positions and edges are known to a millisecond
SIMULTANEOUS_SECONDS = 0.002  # edges of two channels this near belong to the same event
SAME_DEPTH_DB = 6.0  # and depths; of what is lost the noise decides how deep it looks

# Frames here are stretches of 1 ms, samples are those of the predictor.
_PREDICTOR_RATE = 6_000  # Hz: higher partials are fewer, weaker, and seen as their aliases
_LEAK = 0.04  # of a sample passes unfiltered: no frequency is without an alias, at -28 dB or above
_FRAME = 6  # samples
_TAPS = 256  # span of the predictor, 43 ms: more than a period of the lowest A, 36 ms
_NOISE_RATIO = 1e-3  # white noise that the predictor reckons with, re signal power: -30 dB
_PAST = 900  # samples that a predictor is fitted to, 150 ms
_LEAST_PAST = 400  # and at the start of a take
_LEAST_SINCE = 310  # the same since a known jump of the audio: what spans it predicts nothing
_REACH = _TAPS // _FRAME + 2  # frames that the predictor remembers a jump
_WINDOW = 1024  # the same for the quick fit, which fades them in and out
_EPOCH = 320  # frames between looks at how well the predictor still does
_SHORT_EPOCH = 96  # the same near the start of a note
_LONG_EPOCH = 960  # and where a sound is steady
_HELD = 3  # epochs that a predictor must do well for, to be taken as that of a steady sound
_UNSETTLED = 400  # frames after a change of the sound
_MOST_WAIT = 16  # epochs: the better fit takes ten times as long, and helps only steady sounds
_STEADY = 0.1  # prediction error over power, below which a sound is predictable enough
_FORETOLD = 0.0002  # the same, below which next to nothing is missed of a break
_HISTORY = 128  # frames before, that say what errors are usual
_ROW = 48  # samples whose errors are worked out at one stroke; a history has a whole number of them
_JUST_NOW = 6  # frames, the latest: they may belong to the fall already
_USUAL_SPAN = _HISTORY - 3 - _JUST_NOW  # frames, of which the greatest error is the usual one
_STANDS_OUT = 3.0  # times the usual squared error, by which something else may have begun
_LEAST_ERROR = 0.003  # of the power lately: smaller errors are not looked at,
_PLAINLY, _LEAST_PLAIN_ERROR = 12.0, 0.0003  # unless they stand out by more: a wave near zero
_STANDS_OUT_LESS = 1.5  # the same for that part of the error that a lesser gain explains
_RESTLESS = 1000  # frames for which a sound is taken for restless, after a suspect that was no hole
_LOOK = 46  # frames that must follow a suspected one before it is judged
_LEAD = 30  # samples between the end of what is predicted from and the end of the suspect
_EARLIER = 60  # samples more, where the fall lies before all of it: a low wave hid its beginning
_SEARCH = 60  # samples after the suspect within which the fall must lie, 10 ms
_SKIP = 6  # frames after a suspect that the search has covered
_TRIALS = 4  # predictions of untouched sound just before: how well can this sound be predicted?
_USEFUL = 0.15  # a prediction is of use while its error stays below this share of the power
_FAR = 120  # samples; a prediction that is of use for less may be bettered by another fit
_RETURNED = 24  # samples of sound after a hole that must be seen in the same prediction, 4 ms
_PROBE = 60  # samples beside an edge over which a gain is measured, 10 ms
_AGAIN = 0.5  # error after a hole re what is missing in it: the sound goes on as predicted
_FOLLOWS = 0.15  # the same over all that can be predicted, re the power
_SWING = 64  # runs of 21 ms, 1.3 s: how far the sound's own level moves, by beating or a tremolo
_LEFT = 0.3  # of the energy, at most, where a signal is lost for longer than a prediction
_GLANCE = 3.0  # log likelihood ratio of a fall at a first glance, to look closer
_DOUBT_FRAMES = 2000  # each look closer that was in vain doubles it, for so long
_MOST_DOUBTS = 5.0
_PATIENT = 4.0  # doubts, from which on a closer look takes one kind of fit only
_WATCHED = 4.0  # doubts, from which on a sound is not watched closely
_RAMPS_SECONDS = (0.008, 0.015, 0.03)  # and of attacks
_FADED = 0.1  # of its power: what is left of the sound while it is away does not sink so far
_SHORT = 10  # samples, 1.7 ms
_BRIEF = 48  # samples, 8 ms: a sound's own pauses are no longer
_SOFT = 20  # samples, 3.3 ms: a shorter hole has no midst beside soft edges
_OWN = 0.3  # of the energy that is missing in a hole; if what follows misses less, it has it too,
_OWN_IN_DOUBT = 0.6  # and where the hole is hardly believed
_EVIDENCE_SHORT = 250.0  # log likelihood ratio, from which on a hole so short is believed,
_EVIDENCE_CLOSED = 75.0  # and another one that is over soon,
_EVIDENCE = 30.0  # log likelihood ratio, from which on a fall is believed
_LOUD = 0.1  # of the power before: where all of an epoch has more, nothing is lost any more
_RISES = 1.5  # times the power of the last 40 ms, by which the signal may have come back
_RISE_SPAN = 40  # frames
_ALIKE_DB = 3.0  # the step down and the step up of a dip have the same height
_SEEN, _SAME = 12, 0.1  # samples that a prediction must hold for, and its error re their power
_LIKENESS = 0.5  # cosine of the spectra before and after: the same sound comes back
_TAIL_DB = 40.0  # a sound this far below the loudest so far is dying away, or its release
_RETURN_DB = 20.0  # a lost signal returns to within this of its level, for it may decay meanwhile
_SOFT_SECONDS = (0.0005, 0.001, 0.0015, 0.002)  # time constants of a contact beside a capacitor
_SOFT_EVIDENCE = 6.0  # twice the log likelihood ratio, from which on they are none of a note's
_RISEN = 0.6  # of its later power: a sound that has so much is back, after a soft edge
_PAUSE = 0.3  # of its power: what a wave has no more of for 10 ms is a pause
_BACK_EVIDENCE = 12.0  # the same, by which a return is a note's, where a dip's fall was none of one
_SLOW_REACH = 60  # samples from the step within which slower falls may have their corner
# Of releases that are no dropouts.
_DECAYS_SECONDS = (0.006, 0.008, 0.011, 0.015, 0.02, 0.03, 0.05, 0.1)
_KEPT = 1700  # samples that may still be asked for
_RAW_KEPT = 512  # the same of what they come from
_SHARED_EVIDENCE = 6.0  # log likelihood ratio, from which on another channel broke off as well
_SHARED_SECONDS = 5.0  # of a longer break only the end is compared
_SHARED_SLACK = 6  # samples by which its edges may differ, 1 ms
_SHARED_TRIALS = 12  # of untouched sound: how much does a gain, or a level, scatter in it?
_SHARED_LEAST_DB = 2.0  # a level scatters by this at least
_SHARED_MOST_DB = 30.0  # noise and crosstalk are left: a channel need not fall further
_TOLD_SECONDS = 8.0  # for so long a hole is remembered; a loss of level is no longer than 5 s

_Array = NDArray[np.float64]
_Fit = Callable[[Samples], _Array]
_UNFITTED = np.concatenate([[1.0], np.zeros(_TAPS)])


def _decimator(stride: int) -> _Array:
    """Weights of the raw frames that make a sample: a triangle, and a little of the middle one.

    The triangle alone would be deaf to multiples of the predictor's rate.
    """
    rise = np.arange(1, stride + 1) / stride**2
    weights = np.concatenate([rise, rise[-2::-1]])
    weights[stride - 1] += _LEAK
    return np.asarray(weights / weights.sum())


def _quick_fit(past: Samples) -> _Array:
    """Prediction-error filter (1, -a1, ...) by the autocorrelation method: always stable."""
    from scipy.fft import irfft, rfft
    from scipy.linalg import solve_toeplitz

    size = 1536  # at least `_WINDOW + _TAPS`, and quick
    spectrum = rfft(past * np.hanning(len(past)), size)
    lags = irfft(spectrum.real**2 + spectrum.imag**2, size)[: _TAPS + 1]
    lags[0] = lags[0] * (1 + _NOISE_RATIO) + 1e-20
    return np.concatenate([[1.0], -solve_toeplitz(lags[:-1], lags[1:], check_finite=False)])


def _close_fit(past: Samples, taps: int = _TAPS) -> _Array:
    """The same by the modified covariance method: not blurred by a window, but slow.

    With fewer taps than the watching predictor the rest are zero.
    """
    error_filter = covariance_filter(lag_products_both_ways(past, taps), _NOISE_RATIO)
    return np.concatenate([error_filter, np.zeros(_TAPS - taps)])


def _nimble_fit(past: Samples) -> _Array:
    """The same for a sound that moves fast, a strong vibrato: of less past, with fewer taps."""
    return _close_fit(past[-_PAST // 2 :], _TAPS // 2)


def _sums(products: _Array) -> _Array:
    return np.concatenate([[0.0], np.cumsum(products)])


@dataclass(frozen=True, slots=True)
class _Step:
    """A stretch of lesser gain, in samples; one that reaches the end may go on."""

    start: int
    end: int
    gain: float
    evidence: float


_NO_STEP = _Step(0, 0, 1.0, -np.inf)


def _lesser_gain(
    found: Samples,
    expected: Samples,
    variance: _Array,
    *,
    latest: int,
    end: int | None = None,
    grid: int = 1,
) -> _Step:
    """Most likely stretch in which `found` is `expected` times a gain below 1, and equal elsewhere.

    It starts before `latest`, ends at `end` or before, and lasts four samples or more.
    """
    shortest = 4
    last = len(found) if end is None else end
    starts = np.arange(0, min(latest, last - shortest + 1), grid)[:, np.newaxis]
    ends = np.arange(shortest, last + 1, grid)
    if starts.size == 0 or ends.size == 0:
        return _NO_STEP
    missed = _sums((found - expected) ** 2 / variance)
    both = _sums(found * expected / variance)
    alone = _sums(expected**2 / variance)
    energy = missed - _sums(found**2 / variance)
    common = np.maximum(both[ends] - both[starts], 0.0)
    gains = common / np.maximum(alone[ends] - alone[starts], 1e-30)
    evidence = energy[ends] - energy[starts] + common * gains
    evidence[(ends - starts < shortest) | (gains > 0.8)] = -np.inf
    best = np.unravel_index(int(np.argmax(evidence)), evidence.shape)
    return _Step(
        int(starts[best[0], 0]), int(ends[best[1]]), float(gains[best]), float(evidence[best])
    )


def _gain(signal: Samples, prediction: Samples) -> tuple[float, float]:
    """Gain against the prediction, and ratio of the energies.

    A break often leaves a charged capacitor's exponential behind. Slow movement is therefore
    taken out of both, as far as the prediction keeps most of its energy.
    """
    whole = float(np.dot(prediction, prediction))
    for degree in (2, 1, 0):
        if len(signal) < 4 * (degree + 1):
            continue
        moving = without_trend(prediction, degree)
        if np.dot(moving, moving) > 0.3 * whole:
            signal, prediction = without_trend(signal, degree), moving
            break
    energy = float(np.dot(prediction, prediction))
    if energy <= 0.0:
        return 1.0, 1.0
    return float(np.dot(signal, prediction)) / energy, float(np.dot(signal, signal)) / energy


def _energy(found: Samples, expected: Samples) -> float:
    """Energy re that of the prediction."""
    return float(np.dot(found, found) / max(np.dot(expected, expected), 1e-30))


def _has_pauses(sound: Samples) -> bool:
    """Whether a wave has next to no power for 10 ms of each period: long ones, and pulses."""
    powers = np.convolve(sound**2, np.ones(_PROBE) / _PROBE, "valid")
    middle = len(powers) // 2  # a decay has little on one side only
    least = max(powers[:middle].min(), powers[middle:].min())
    return bool(least < _PAUSE * np.mean(sound**2))


def _missed(found: Samples, expected: Samples) -> float:
    """Energy of the error re that of the prediction."""
    return float(np.sum((found - expected) ** 2) / max(np.dot(expected, expected), 1e-30))


def _least_evidence(step: _Step, usual: float) -> float:
    """How plain a hole must be that is over soon: restless sounds make their own, short ones."""
    if step.end - step.start < _SHORT:
        return max(_EVIDENCE_SHORT, 16 * usual)
    return max(_EVIDENCE_CLOSED, 8 * usual)


def _softness(
    found: Samples,
    expected: Samples,
    variance: _Array,
    step: _Step,
    rate: float,
    *,
    slack: float = 0.0,
) -> float | None:
    """Time constant of a fall, in seconds; None if it is as slow as the release of a note.

    It is taken for no release unless that is likelier by `slack`, twice the log likelihood ratio.
    """
    n, at = len(found), step.start
    missing = expected - found
    weights, known = expected**2 / variance, missing * expected / variance
    whole = float((missing**2 / variance).sum())

    time = np.arange(-n - _SLOW_REACH, n)  # from a corner on

    def least_costs(shapes: NDArray[np.floating], corners: NDArray[np.intp]) -> _Array:
        """Of falls by any depth; each shape tells how far they have gone at `time`, from 0 to 1."""
        shares = sliding_window_view(shapes, n, axis=1)[:, -corners - time[0]]
        along, energy = shares @ known, shares**2 @ weights
        depths = np.clip(along / (energy + 1e-30), 0.0, 1.0)
        return np.asarray(whole + (depths * (depths * energy - 2 * along)).min(axis=1))

    def exponential(seconds: Sequence[float], reach: int, grid: int) -> list[float]:
        """Falls that begin with a corner between two samples, and falls that end with one."""
        gone = np.exp(-np.abs(time) / (np.array(seconds)[:, np.newaxis] * rate))
        shapes = np.concatenate([np.where(time > 0, 1 - gone, 0.0), np.where(time < 0, gone, 1.0)])
        corners = np.arange(max(0, at - reach), at + reach + 1, grid)
        found: list[float] = least_costs(shapes, corners).reshape(2, -1).min(axis=0).tolist()
        return found

    abrupt = (time >= 0)[np.newaxis] * 1.0
    costs = {0.0: float(least_costs(abrupt, np.arange(max(0, at - 2), at + 3))[0])}
    costs |= zip(_SOFT_SECONDS, exponential(_SOFT_SECONDS, 15, 1), strict=True)
    slow = exponential(_DECAYS_SECONDS, _SLOW_REACH, 6)
    for length in (seconds * rate for seconds in _RAMPS_SECONDS):
        ramp = np.clip(time / length, 0.0, 1.0)[np.newaxis]
        slow.append(float(least_costs(ramp, np.arange(max(0, at - round(length)), at + 1, 6))[0]))
    softness = min(costs, key=costs.__getitem__)
    of_a_note = min(slow) + slack
    if softness and costs[softness] + _SOFT_EVIDENCE > of_a_note:
        softness = 0.0
    if costs[softness] > of_a_note:
        return None
    return softness if 2 * costs[softness] < costs[0.0] else 0.0


def _first_jump(raw: Samples, edge: int, reach: int) -> int:
    """Index of the first innovation near `edge` that is unlike those before it; else `edge`."""
    from scipy.linalg import solve_toeplitz

    order = 24
    calm = raw[: edge - reach]
    n = len(calm)
    if n < 12 * order:
        return edge
    lags = np.array([np.dot(calm[: n - lag], calm[lag:]) for lag in range(order + 1)])
    if lags[0] <= 0.0:
        return edge
    lags[0] *= 1 + 1e-9
    error_filter = np.concatenate([[1.0], -solve_toeplitz(lags[:-1], lags[1:])])
    innovations = np.abs(np.correlate(raw[: edge + reach], error_filter[::-1], "valid"))
    usual = float(innovations[: n - order].max())
    unlike = np.flatnonzero(innovations[n - order :] > 1.3 * usual)
    return n + int(unlike[0]) if len(unlike) else edge


@dataclass(frozen=True, slots=True)
class _Prediction:
    """What should follow some past, in which trials tell how far it can be believed."""

    error_filter: _Array
    expected: Samples
    variance: _Array  # of its error, growing with time
    usual: float  # evidence of the falls that are seen where there are none
    fit: _Fit


_FITS: tuple[_Fit, ...] = (_close_fit, _nimble_fit, _quick_fit)


def _prediction(past: Samples, length: int, fits: Sequence[_Fit] = _FITS) -> _Prediction | None:
    """A prediction of up to `length` samples; None if the sound is too hard to predict.

    The fits are tried one after another, until one is of use for long.
    """
    from scipy.ndimage import uniform_filter1d

    level = float(np.var(past[-_TAPS:]))
    most = float(np.convolve(past**2, np.ones(_TAPS) / _TAPS, "valid").max())
    n = min(length, len(past) - _TAPS)
    starts = [s for s in (len(past) - n - 48 * k for k in range(_TRIALS)) if s >= _TAPS]
    memories = np.array([past[s - _TAPS : s] for s in [*starts, len(past)]])
    followed = np.array([past[s : s + n] for s in starts])
    powers = np.array([np.mean(past[s - _TAPS : s + n] ** 2) for s in starts]) + 1e-30
    best: _Prediction | None = None
    for fit in fits:
        error_filter = fit(past)
        # What a close fit to the start of a note continues may grow beyond all bounds.
        with np.errstate(over="ignore", invalid="ignore"):
            predicted = continued(error_filter, memories, n)
            runs = uniform_filter1d(predicted[-1] ** 2, 96)
            if not runs.max() < 4 * most:
                continue
            misses = (followed - predicted[:-1]) ** 2 * (level / powers)[:, np.newaxis]
            mean = uniform_filter1d(misses.mean(axis=0), 31)
        variance = np.maximum.accumulate(1.5 * mean + 1e-5 * level)
        useful = int(np.searchsorted(variance, _USEFUL * level))
        if useful >= _LEAD + 18 and (best is None or useful > len(best.expected)):
            variance = variance[:useful]
            usual = max(
                _lesser_gain(
                    was[:useful], would[:useful], variance, latest=_LEAD + _SEARCH, grid=3
                ).evidence
                for was, would in zip(followed, predicted[:-1], strict=True)
            )
            best = _Prediction(error_filter, predicted[-1, :useful], variance, usual, fit)
        if best is not None and (len(best.expected) >= _FAR or fit is _nimble_fit):
            break
    return best


@dataclass(frozen=True, slots=True)
class _Fall:
    """The beginning of a hole that outlasts its prediction."""

    edge: float  # in samples
    start: int  # in frames of the take
    depth: float
    step_db: float  # the same in the predictor's band
    lost: bool
    level: float  # mean square before
    lowest: float  # and the lowest and highest of the sound's own lately
    highest: float
    before: Samples
    prediction: _Prediction
    noise: float


@dataclass(frozen=True, slots=True)
class _Hole:
    """A loss in one channel, in frames of the take."""

    start: int
    end: int
    depth: float
    lost: bool
    seen: int  # samples of the take that were known when it was told
    stays: bool = False  # it is not over at the end of the take
    hum: bool = False  # stands in its place


_SHARED_FITS: tuple[tuple[_Fit, int], ...] = ((_close_fit, _TAPS), (_nimble_fit, _TAPS // 2))
"""With how many taps they have."""


def _gain_scatter(error_filter: _Array, past: Samples, lead: int, width: int) -> float:
    """How far a filter, fitted to `past`, misses the gain of `width` samples.

    The samples lie `lead` after what they are predicted from.
    """
    length = lead + width
    starts = [len(past) - length - 40 * k for k in range(_SHARED_TRIALS)]
    starts = [start for start in starts if start >= _TAPS]
    memories = np.array([past[start - _TAPS : start] for start in starts])
    followed = np.array([past[start + lead : start + length] for start in starts])
    with np.errstate(over="ignore", invalid="ignore"):
        expected = continued(error_filter, memories, length)[:, lead:]
        energies = (expected**2).sum(axis=1) + 1e-30
        gains = (followed * expected).sum(axis=1) / energies
        scatter = float(np.sqrt(np.mean((gains - 1) ** 2)))
    return 1.5 * scatter + 0.02 if np.isfinite(scatter) else np.inf  # fitted to the same sound


def _level_scatter(past: Samples, lead: int, width: int) -> float:
    """By how many dB `width` samples differ from what lay `lead` before them."""
    length = lead + width
    starts = np.arange(len(past) - length, _PROBE - 1, -40)
    before = np.array([np.mean(past[s - _PROBE : s] ** 2) for s in starts])
    after = np.array([np.mean(past[s + lead : s + length] ** 2) for s in starts])
    moved = 10 * np.log10((after + 1e-30) / (before + 1e-30))
    return float(max(1.2 * np.sqrt(np.mean(moved**2)), _SHARED_LEAST_DB))


def _broke_too(signal: Samples, start: int | None, end: int | None, width: int, db: float) -> bool:
    """Whether a channel broke off together with another one, which surely did.

    Only two things are weighed: it went on as it was, or it did the same as the other. Both edges
    are known, so that far less is needed than where a break must be found: what was predicted
    of it, or its level if that moves less than it can be predicted.

    Parameters
    ----------
    signal : ndarray, shape (samples,)
        The channel, from before the break to as far as it is known.
    start, end : int or None
        First sample inside, and first one after; None if it is not at hand.
    width : int
        Samples that are compared beside each edge.
    db : float
        How far the other channel fell.
    """
    lead = _SHARED_SLACK
    calm = signal[: start - lead] if start is not None else signal[(end or 0) + lead :][::-1]
    calm = calm[-_PAST:]
    if len(calm) < _LEAST_PAST or not np.ptp(calm) > 0.0:
        return False
    edges = []
    if start is not None:
        edges.append((calm, signal[start : start + width]))
    if end is not None:
        after = signal[end + lead :][::-1][-_PAST:]
        if len(after) >= _TAPS // 2 or start is None:
            edges.append((after, signal[end - width : end][::-1]))
    gain, fall_db = 10 ** (-db / 20), min(db, _SHARED_MOST_DB)
    filters = [fit(calm) for fit, _ in _SHARED_FITS]

    def advantages(past: Samples, inside: Samples) -> list[float]:
        """What says that it broke, by each fit and by its level, before what they scatter."""
        found = []
        for error_filter, (_, taps) in zip(filters, _SHARED_FITS, strict=True):
            if taps > len(past):
                found.append(-np.inf)
                continue
            memory = np.concatenate([np.zeros(max(0, _TAPS - len(past))), past[-_TAPS:]])
            with np.errstate(over="ignore", invalid="ignore"):
                expected = continued(error_filter, memory[np.newaxis], lead + width)[0, lead:]
                kept, _ = _gain(inside, expected)
            found.append((kept - 1) ** 2 - max(kept - gain, 0.0) ** 2)
        before = float(np.mean(past[-_PROBE:] ** 2)) + 1e-30
        moved = 10 * np.log10((float(np.mean(inside**2)) + 1e-30) / before)
        by_level = moved**2 - max(moved + fall_db, 0.0) ** 2
        return [*found, by_level if moved < 0 else -np.inf]

    told = [advantages(*edge) for edge in edges]
    if any(max(edge) <= 0.0 for edge in told):
        return False  # whatever is asked: most channels go on, and the rest is dear
    scatters = [_gain_scatter(error_filter, calm, lead, width) for error_filter in filters]
    level_scatter = _level_scatter(calm, lead, width)
    total = 0.0
    for edge, (past, _) in zip(told, edges, strict=True):
        usable = [k for k, (_, taps) in enumerate(_SHARED_FITS) if taps <= len(past)]
        best = min(usable, key=lambda k: scatters[k], default=-1)
        if best >= 0 and (1 - gain) / scatters[best] > fall_db / level_scatter:
            evidence = edge[best] / (2 * scatters[best] ** 2)
        else:
            evidence = edge[-1] / (2 * level_scatter**2)
        if evidence <= 0.0:
            return False
        total += evidence
    return total >= _SHARED_EVIDENCE


class _TakeSoFar:
    """The latest of all channels as it came, and the samples of the predictor."""

    def __init__(self, channels: int, stride: int) -> None:
        self.stride = stride
        self.samples = Kept(channels, begin=-_KEPT, before=_KEPT)  # nothing was before the take
        self._weights = _decimator(stride)
        self._earlier = Kept(channels, begin=1 - stride, before=stride - 1)
        self._block = np.zeros((channels, 0))  # the latest frames, after the earlier ones

    def add(self, block: Samples) -> _Array:
        """Take in a block; the samples that it completes, of shape (channels, samples)."""
        self._block = rows(block)
        begin = self._earlier.end
        first, last = self.samples.end, (begin + len(block)) // self.stride
        within = min(max(first, -(-begin // self.stride) + 1), last)  # samples of this block alone
        for part in ((first, within), (within, last)):
            self.samples.append(self._decimated(*part))
        return self.samples.part(first, last)

    def _decimated(self, first: int, last: int) -> _Array:
        q = self.stride
        if last <= first:
            return np.zeros((len(self._block), 0))
        # Sample by sample: the sums are then the same whatever the size of the block.
        windows = sliding_window_view(self.frames((first - 1) * q + 1, last * q), 2 * q - 1, axis=1)
        return np.asarray(np.vecdot(windows[:, ::q], self._weights))

    def frames(self, first: int, last: int) -> _Array:
        """Frames as they came, as far as they are known, of shape (channels, frames)."""
        begin = self._earlier.end
        earlier, block = (
            self._earlier.part(first, last),
            self._block[:, max(0, first - begin) : max(0, last - begin)],
        )
        if not earlier.shape[1]:
            return block
        return np.concatenate([earlier, block], axis=1) if block.shape[1] else earlier

    def forget(self, frames: int, samples: int) -> None:
        """What comes before is not asked for any more, nor is the block itself."""
        self.samples.forget(samples)
        begin = self._earlier.end
        self._earlier.forget(frames)
        self._earlier.append(self._block[:, self._earlier.end - begin :])
        self._block = self._block[:, :0]


class _Channel:
    """Watches one channel: what is usual in it, is it in a hole just now, and since when.

    Everything that is decided is decided frame by frame, from a fixed number of frames before and
    after; the sizes of the blocks only decide how many frames are prepared at once.
    """

    def __init__(
        self, take: "_TakeSoFar", row: int, samplerate: int, jumps: Sequence[tuple[int, int]]
    ) -> None:
        self._take, self._row = take, row
        self._stride = stride = take.stride
        self._rate = samplerate / stride
        self._shortest = MIN_SECONDS * samplerate
        self._jumps = jumps  # first and last frame that audio lost by the computer disturbs
        self._response = np.concatenate([[0.0], np.cumsum(_decimator(stride))])  # to a step
        self._whole = Kept(begin=-_KEPT, before=_KEPT)  # the samples, without the holes
        self._frame = 0  # the next one to look at
        self._watch_with(_UNFITTED)
        self._is_close = False
        self._usual: tuple[float, float] | None = None  # errors of the filter in its first epoch
        self._held = 0
        self._wait, self._next_wait = 0, 1
        self._unsettled = 3 * _SHORT_EPOCH
        self._noise = 0.0
        self._loudest = 0.0  # mean square of 21 ms, so far
        self._swing: deque[float] = deque(maxlen=_SWING)  # the same, of the sound as it is now
        self._frames, self._steady_frames = 0, 0
        self._open: _Fall | None = None
        self._open_frame, self._rise_frame = 0, 0
        self._fallen = (0, 0)  # frames of the latest fall: their errors are not the sound's
        self._doubts, self._doubted = 0.0, 0  # and the frame of the last one
        self._of_use: _Fit = _close_fit  # the fit that did well last
        self.begun: list[tuple[int, float]] = []  # start and depth of holes, be they over or not
        self._rest: float | None = None  # what was left of the sound at first in the open hole
        self._done = -1  # samples before this are explained already
        self._foretold = False  # the predictor misses next to nothing
        self._calm_from = 0  # the frame from which on it has not been wrong for long
        self._calm: deque[tuple[int, bool]] = deque()  # from which frame on, is it steady?
        self._begin(0, _SHORT_EPOCH)

    @property
    def steady_share(self) -> float:
        """Share of the time so far in which the sound could be predicted, and so watched."""
        return self._steady_frames / self._frames if self._frames else 0.0

    @property
    def open_since(self) -> int | None:
        """Frame of the take at which the hole began that it is in."""
        return None if self._open is None else self._open.start

    @property
    def goes_on(self) -> bool:
        """Whether there is a steady sound, and nothing is missing of it."""
        return self._open is None and self._held >= _HELD

    def steadiness(self, first: int) -> tuple[bool, int]:
        """Whether the predictor did well at a frame, and up to which it went on so or not so.

        Later frames are asked next.
        """
        while len(self._calm) > 1 and self._calm[1][0] <= first:
            self._calm.popleft()
        steady = self._calm[0][1]
        changes = (begin for begin, now in self._calm if now != steady)
        return steady, next(changes, self._frame)

    @property
    def frame(self) -> int:
        """The next one to look at."""
        return self._frame

    @property
    def decided(self) -> int:
        """Frame of the take before which no more hole will end."""
        back = 3 * _PROBE if self._open is not None else _PROBE
        return (self._frame * _FRAME - back) * self._stride

    def advance(self, *, final: bool = False) -> list[_Hole]:
        """Holes that end in what has been taken."""
        self._whole.forget(self._frame * _FRAME - _KEPT)
        self._whole.append(self._found(self._whole.end, self._take.samples.end))
        holes: list[_Hole] = []
        known = self._whole.end // _FRAME
        while True:
            if self._frame >= self._epoch_end:
                self._prepare(self._epoch_end)
                self._next_epoch()
            until = min(self._epoch_end, known)
            self._prepare(until)
            suspect, rising = self._suspect(until)
            if suspect is None:
                self._frame = max(self._frame, until)
                if until < self._epoch_end:
                    return holes
            elif suspect + _LOOK <= known or final:
                self._frame = suspect
                holes += self._judge(min(suspect + _LOOK, known), rising=rising)
                if final and self._frame >= known:
                    return holes
            else:
                self._frame = suspect
                return holes

    def finish(self, end: int) -> list[_Hole]:
        """A loss, or a fall of level, that lasts to the end of the take.

        A synthesizer that ends the faint tail of a released note is none.
        """
        fall = self._open
        if fall is None or not (fall.lost or fall.depth >= STAYS_DB):
            return []
        if fall.level < self._loudest * 10 ** (-_RETURN_DB / 10):
            return []
        return [_Hole(fall.start, end, fall.depth, fall.lost, self._whole.end, stays=True)]

    # Epochs: stretches in which one predictor watches.

    def _begin(self, frame: int, length: int, *, known: _Array | None = None) -> None:
        """Begin an epoch; `known` are the sums just before, if the predictor stays."""
        calm = self._held >= _HELD and self._is_close and self._foretold
        self._calm.append((frame, calm and frame >= self._calm_from))
        self._epoch_start, self._epoch_end = frame, frame + length
        room = _HISTORY + length + 2 * _LOOK
        # Sums of a frame: error squared, signal squared, times prediction, prediction squared.
        self._sums = np.zeros((4, room))
        self._suspected = np.zeros(room, dtype=bool)
        self._searched = frame
        if known is None:
            self._prepared = frame - _HISTORY
            self._prepare(frame)
        else:
            self._prepared = frame
            self._sums[:, :_HISTORY] = known

    def _prepare(self, until: int) -> None:
        """Errors and powers of the frames before `until`."""
        first = self._prepared
        if until <= first:
            return
        error = self._errors(first, until).astype(np.float64).reshape(-1, _FRAME)
        sound = self._whole.part(first * _FRAME, until * _FRAME).reshape(-1, _FRAME)
        place = slice(*(f - self._epoch_start + _HISTORY for f in (first, until)))
        missed, power, both = (
            np.vecdot(one, other) for one, other in ((error, error), (sound, sound), (sound, error))
        )
        self._sums[:, place] = missed, power, power - both, power - 2 * both + missed
        self._prepared = until

    def _errors(self, first: int, until: int) -> NDArray[np.float32]:
        """Errors of the predictor in some frames of this epoch, or its history.

        Single precision rounds far below the noise that the predictor reckons with. Products of
        matrices take half the time of a correlation; groups of one size, at fixed places of the
        epoch, are rounded alike whatever is known by now.
        """
        begin = first - (first - self._epoch_start) % _HISTORY
        groups = -(-(until - begin) // _HISTORY)
        heard = np.zeros(groups * _HISTORY * _FRAME + _TAPS, dtype=np.float32)
        known = self._whole.part(begin * _FRAME - _TAPS, until * _FRAME)
        heard[: len(known)] = known
        rows = windows(heard, _TAPS + _ROW, _ROW)
        rows = np.ascontiguousarray(rows).reshape(groups, -1, _TAPS + _ROW)
        errors = np.matmul(rows, self._matrix).ravel()
        return np.asarray(errors[(first - begin) * _FRAME : (until - begin) * _FRAME])

    def _watch_with(self, error_filter: _Array) -> None:
        """Take another predictor."""
        self._filter = error_filter
        response = np.zeros(_TAPS + 2 * _ROW - 1, dtype=np.float32)
        response[_ROW - 1 : _ROW + _TAPS] = error_filter[::-1]
        # A column for each error of a row.
        self._matrix = windows(response, _TAPS + _ROW)[::-1].T.copy()

    def _suspect(self, until: int) -> tuple[int | None, bool]:
        """First frame before `until` that is worth a judgement, and whether the signal rises."""
        self._search(until)
        place = self._frame - self._epoch_start
        suspected = self._suspected[place : until - self._epoch_start]
        first = self._frame + int(np.argmax(suspected)) if suspected.any() else None
        rise = self._rising(until) if self._open is not None else None
        if rise is not None and (first is None or rise <= first):
            return rise, True
        return first, False

    def _search(self, until: int) -> None:
        """Suspect the frames whose errors stand out of what is usual."""
        new = until - self._searched
        if new <= 0:
            return
        place = slice(self._searched - self._epoch_start, until - self._epoch_start + _HISTORY)
        rows = self._sums[:, place]
        pairs = rows[:, :-1] + rows[:, 1:]  # sums of two frames, and of four, to the same last one
        sums = np.stack([pairs[:, 2:], pairs[:, 2:] + pairs[:, :-2]], axis=1)
        errors, power, common, expected = sums[..., -new:]
        weaker = power < 0.7 * expected
        if not weaker.any() and self._is_even(sums[0], new):  # as nearly always
            self._searched = until
            return
        usual = self._usual_before(sums[0], new)
        found = errors > _STANDS_OUT * usual
        weaker &= common < 0.8 * expected
        if found.any() or weaker.any():
            level = _latest_maximum(sums[1], new, span=60, lag=3)
            plain = (errors > _PLAINLY * usual) & (errors > _LEAST_PLAIN_ERROR * level)
            found &= plain | (errors > _LEAST_ERROR * level)
            explained = np.maximum(sums[3] - sums[2], 0.0)
            explained *= explained / (sums[3] + 1e-30)
            weaker &= explained[:, -new:] > _STANDS_OUT_LESS * self._usual_before(explained, new)
            found |= weaker & (expected > 0.01 * level)
        place = slice(self._searched - self._epoch_start, until - self._epoch_start)
        self._suspected[place] = found.any(axis=0)
        self._searched = until

    def _is_even(self, errors: _Array, new: int) -> bool:
        """Whether none of the last `new` errors can stand out: a short proof, if there is one.

        All that is usual is the greatest of `_USUAL_SPAN` frames: some third of these is in it.
        """
        if self._jumps or self._fallen[1] > self._searched - _HISTORY + 3:
            return False
        third = _USUAL_SPAN // 3
        whole = errors.shape[1] // third * third
        least = errors[:, :whole].reshape(len(errors), -1, third).max(axis=2).min(axis=1)
        return bool((errors[:, -new:].max(axis=1) <= _STANDS_OUT * least).all())

    def _usual_before(self, errors: _Array, new: int) -> _Array:
        """The greatest error lately, before each of the last `new` frames."""
        start = self._searched - _HISTORY + 3
        if self._jumps or self._fallen[1] > start:
            errors = errors.copy()
            errors[:, slice(*(max(0, frame - start) for frame in self._fallen))] = 0.0
            for first, last in self._jumps:
                errors[:, max(0, first - start) : max(0, last + 4 - start)] = 0.0
        return _latest_maximum(errors, new, span=_USUAL_SPAN, lag=_JUST_NOW)

    def _rising(self, until: int) -> int | None:
        """First frame before `until` whose power stands above that of the hole so far."""
        first = max(self._frame, self._rise_frame)
        new = until - first
        if new <= 0:
            return None
        end = until - self._epoch_start + _HISTORY
        powers = self._sums[1, end - new - _JUST_NOW - _RISE_SPAN - 2 : end]
        sums = powers[3:] + powers[2:-1] + powers[1:-2] + powers[:-3]
        frames = np.arange(until - len(sums), until)
        inside = np.where(frames >= self._open_frame, sums, 0.0)
        usual = _latest_maximum(inside, new, span=_RISE_SPAN, lag=_JUST_NOW)
        risen = (sums[-new:] > _RISES * usual) & (usual > 0.0)
        self._rise_frame = first + int(np.argmax(risen)) if risen.any() else until
        return self._rise_frame if risen.any() else None

    def _next_epoch(self) -> None:
        """Does the predictor still do? If not, fit another one to what was before."""
        end = self._epoch_end
        place = slice(_HISTORY, _HISTORY + end - self._epoch_start)
        errors, powers = self._sums[:2, place]
        n = len(errors)
        middle = n // 2
        ordered = np.partition(errors, (middle, n - 3))
        error, worst = float(ordered[middle]), float(ordered[n - 3])
        power = float(np.partition(powers, middle)[middle])
        predicted = power > 0.0 and error < _STEADY * power
        self._foretold = error < _FORETOLD * power
        self._watched(n, steady=predicted and self._doubt() < _WATCHED)
        fall = self._open
        if fall is not None and self._is_back(fall, powers, power):
            self._open = None  # the level is back, and no step up was seen: the sound moved
        elif fall is not None:
            # Without the charge of a coupling capacitor, which is slow.
            first = max(self._epoch_start, end - _SHORT_EPOCH)
            moves = np.diff(self._whole.part(first * _FRAME, end * _FRAME))
            left = float(np.mean(moves**2))
            if self._rest is None:
                self._rest = left
            elif left < _FADED * fall.lowest / fall.level * self._rest:
                self._open = None  # a note that ended, and its reverberation
        runs = powers[: n // 21 * 21].reshape(-1, 21).mean(axis=1) / _FRAME
        self._loudest = max(self._loudest, float(runs.max()))
        if fall is None:
            self._swing.extend(runs.tolist())
        self._noise = error / _FRAME
        settled = end >= self._unsettled
        self._wait -= 1
        if self._usual is None:
            self._usual = (error, worst)
            does = settled or (self._is_close and error < 0.02 * power)
        else:
            does = error <= 2 * self._usual[0] + 1e-7 * power
            does = does and worst <= 3 * self._usual[1] + 1e-6 * power
        known = None
        if does and (self._is_close or self._wait > 0):
            known = self._sums[:, end - self._epoch_start :][:, :_HISTORY]
            self._held += 1
            if self._held >= _HELD and self._is_close:
                self._next_wait = 1
        else:
            self._fit(end)
        steady = self._held >= _HELD and self._is_close
        length = (_LONG_EPOCH if steady else _EPOCH) if settled else _SHORT_EPOCH
        self._begin(end, length, known=known)

    @staticmethod
    def _is_back(fall: _Fall, powers: _Array, usual: float) -> bool:
        """Whether an epoch, of whose frames the usual power is given, has the level again."""
        if not fall.lost:
            return usual > 0.7 * _FRAME * fall.highest
        middle = len(powers) // 2
        least = min(float(half.mean()) for half in (powers[: middle + 1], powers[middle:]))
        return least > _LOUD * _FRAME * fall.level

    def _fit(self, end: int) -> None:
        past = self._whole.part(max(0, end * _FRAME - _WINDOW), end * _FRAME)
        self._is_close = False
        if len(past) < _LEAST_PAST or not past.any():
            self._watch_with(_UNFITTED)
        elif self._wait <= 0:
            self._watch_with(_close_fit(past[-_PAST:]))
            self._is_close = True
            self._next_wait = min(2 * self._next_wait, _MOST_WAIT)
            self._wait = self._next_wait
        else:
            self._watch_with(_quick_fit(past))
        self._held = 0
        self._usual = None

    def _resume(self, frame: int, error_filter: _Array | None, unsettled: int) -> None:
        """Start an epoch after an edge."""
        self._watched(max(0, frame - self._epoch_start), steady=True)
        if error_filter is not None:
            self._watch_with(error_filter)
            self._is_close = True
            self._held = 0
            self._usual = None
        self._frame = frame
        self._unsettled = frame + unsettled
        self._begin(frame, _SHORT_EPOCH)

    def _watched(self, frames: int, *, steady: bool) -> None:
        self._frames += frames
        self._steady_frames += frames if steady else 0

    def _found(self, first: int, last: int) -> Samples:
        return self._take.samples.part(first, last)[self._row]

    def _raw(self, first: int, last: int) -> Samples:
        return self._take.frames(max(0, first), last)[self._row]

    # Judgements

    def _judge(self, known: int, *, rising: bool) -> list[_Hole]:
        """Look closer at the next frame, of which what follows is known up to another one."""
        suspect = self._frame
        if self._open is not None:
            if (hole := self._rise(known)) is not None:
                return [hole] if hole.end - hole.start >= self._shortest else []
            if rising:
                self._rise_frame = suspect + 3
        begun = self._epoch_start
        hole, fell = self._fall(known)
        if not fell and self._epoch_start == begun:
            # Something else has begun, perhaps a note; or it is a hole that only edges show.
            self._calm.append((suspect, False))
            self._calm_from = suspect + _RESTLESS
            self._swing.clear()
            self._unsettled = max(self._unsettled, suspect + _UNSETTLED)
            self._frame = suspect + _SKIP
            self._epoch_end = min(self._epoch_end, max(suspect, begun) + _SHORT_EPOCH)
            self._epoch_end = max(self._epoch_end, self._frame)
        return [] if hole is None or hole.end - hole.start < self._shortest else [hole]

    def _fall(self, known: int, lead: int = _LEAD) -> tuple[_Hole | None, bool]:
        """The hole that begins at the next frame, if it is over soon; and whether one begins."""
        none = (None, False)
        first_look = lead == _LEAD
        origin = (self._frame + 1) * _FRAME - lead
        length = known * _FRAME - origin
        if self._filter is _UNFITTED or length < lead + 12:
            return none
        past = self._whole.part(max(0, origin - _PAST), origin)
        if len(past) < _LEAST_PAST:
            return none
        level = float(np.var(past[-_TAPS:]))
        if level <= self._loudest * 10 ** (-_TAIL_DB / 10):
            return none
        doubt = 1.0 if self._open is None else 0.0  # in a hole it is none of the sound's
        if first_look:
            if not self._may_fall(past, origin):
                return none
            self._doubt(doubt)
        patient = self._doubt() < _PATIENT + 1  # this look is one of them
        past = past[-self._since_jump(origin) :]
        few = tuple(dict.fromkeys((_close_fit, self._of_use)))
        prediction = _prediction(past, length, _FITS if patient else few)
        if prediction is None:
            return none
        self._of_use = prediction.fit
        expected, variance = prediction.expected, prediction.variance
        n = len(expected)
        found = self._found(origin, origin + n)
        step = _lesser_gain(found, expected, variance, latest=lead + _SEARCH)
        least = max(_EVIDENCE, 2 * prediction.usual)
        if step.evidence < least:
            return none
        if step.start < 3:
            return self._fall(known, _LEAD + _EARLIER) if first_look else none
        if origin + step.start < self._done:
            return none
        if step.end >= n - _RETURNED:
            # A sound that is hard to predict soon looks weaker than expected. Is it back before?
            brief = _lesser_gain(
                found, expected, variance, latest=lead + _SEARCH, end=n - _RETURNED
            )
            after = slice(brief.end + 1, brief.end + 1 + _RETURNED)
            if (
                brief.evidence >= least
                and _missed(found[after], expected[after]) < 0.15
                and _gain(found[after], expected[after])[0] > (1 + brief.gain) / 2
            ):
                step = brief
        returned = step.end < n - _RETURNED
        if returned and step.evidence < _least_evidence(step, prediction.usual):
            return none
        end = step.end if returned else n
        blurred = end - step.start >= 8  # else there is nothing without the blur of the edges
        inside = slice(step.start + blurred, end - (blurred and returned))
        inside = slice(inside.start, min(inside.stop, inside.start + 3 * _PROBE // 2))
        noise = min(self._noise, float(variance[0]))
        depth, lost, gain, energy = _depth(found[inside], expected[inside], noise)
        most = 10 ** (-MIN_DEPTH_DB / 20)
        if returned and gain >= most and step.end - step.start >= _SOFT:
            # Soft edges take as long as the hole: its depth is that of its midst.
            quarter = (step.end - step.start) // 4
            inside = slice(step.start + quarter, end - quarter)
            depth, lost, gain, energy = _depth(found[inside], expected[inside], noise)
        if not -0.3 < gain < most or energy > most**2:
            return none
        if returned:
            after = slice(end + 1, min(n, end + 1 + _PROBE))
            back, power = _gain(found[after], expected[after])
            if back < (1 + max(gain, 0.0)) / 2 or power > 2.5:
                return none
            near, all_of_it = (
                (part, float(variance[part].sum() / np.sum(expected[part] ** 2)))
                for part in (after, slice(end + 1, n))
            )
            missed = _missed(found[near[0]], expected[near[0]])
            if missed > max(_AGAIN * (1 - gain) ** 2, 3 * near[1]):
                return none
            # A sound that has jumped in time follows for a part of its period.
            missed = _missed(found[all_of_it[0]], expected[all_of_it[0]])
            if missed > max(_FOLLOWS, 6 * all_of_it[1]):
                return none
            if self._comes_again(prediction, step, origin, known):
                return none
        else:
            # Less like what was expected, or there again already, rather than weaker?
            unlike = not lost and _missed(found[inside], gain * expected[inside]) > 0.5
            left = lost and _energy(found[inside.start :], expected[inside.start :]) > _LEFT
            if unlike or left:
                return none
            softness = _softness(found, expected, variance, step, self._rate)
            if softness is None:
                return none
            if softness:  # what is left of the sound at the edge hides how far it falls
                first = min(inside.start + round(4 * softness * self._rate), n - _RETURNED)
                settled = slice(first, max(inside.stop, first + _RETURNED))
                further = _depth(found[settled], expected[settled], noise)
                depth, lost = max((depth, lost), further[:2])
        start = self._sharp(origin + self._edge(found, expected, step.start, gain))
        stop = round((origin + n) * self._stride)
        if returned:
            stop = self._sharp(origin + self._edge(found, expected, end, gain, back=True))
        step_db = depth
        depth, lost = self._depth_of_treble(start, stop, level, depth, lost)
        self.begun.append((start, depth))
        self._doubt(-doubt)
        if returned:
            mended = slice(step.start - 1, end + 1)
            self._whole.part(origin, origin + n)[mended] = expected[mended]
            self._done = origin + end
            frame = -(-(origin + end + 1) // _FRAME)
            self._resume(frame, prediction.error_filter, _UNSETTLED // 2)
            return _Hole(start, stop, depth, lost, known * _FRAME), True
        edge = origin + step.start
        before = past[-_TAPS:]
        self._rest = None
        swing = (level, *self._swing)
        self._open = _Fall(
            edge,
            start,
            depth,
            step_db,
            lost,
            level,
            min(swing),
            max(swing),
            before,
            prediction,
            noise,
        )
        self._open_frame = edge // _FRAME + 5
        self._rise_frame = max((origin + n) // _FRAME - 4, self._frame + 1)
        self._fallen = (edge // _FRAME - 2, self._rise_frame)
        self._done = edge + 1
        self._resume(self._rise_frame, None, _UNSETTLED)
        return None, True

    def _comes_again(self, prediction: _Prediction, step: _Step, origin: int, known: int) -> bool:
        """Whether a short hole is the sound's own: read backwards, what follows has it as well.

        Partials that drift into step leave a wave with pauses where there were none.
        """
        first = origin + step.end + 1
        after = self._found(first, min(first + _TAPS, known * _FRAME))[::-1]
        if step.end - step.start > _BRIEF or len(after) < _TAPS // 2:
            return False
        memory = np.concatenate([np.zeros(_TAPS - len(after)), after])
        count = step.end + 1 - step.start
        back = continued(prediction.error_filter, memory[np.newaxis], count)[0, :0:-1]
        found = self._found(origin + step.start, origin + step.end)
        missing = float(np.sum((found - prediction.expected[step.start : step.end]) ** 2))
        plain = step.evidence > 2 * _least_evidence(step, prediction.usual)
        return float(np.sum((found - back) ** 2)) < (_OWN if plain else _OWN_IN_DOUBT) * missing

    def _since_jump(self, origin: int) -> int:
        """How many samples before `origin` come after the last known jump, if they are enough."""
        ends = [(last + 1 - _REACH) * _FRAME for _, last in self._jumps]
        since = min((origin - end for end in ends if end < origin), default=_PAST)
        return since if since >= _LEAST_SINCE else _PAST

    def _doubt(self, more: float = 0.0) -> float:
        """How often a look closer was in vain, lately: a sound that is so restless gets fewer."""
        lately = max(0.0, self._doubts - (self._frame - self._doubted) / _DOUBT_FRAMES)
        self._doubts, self._doubted = min(lately + more, _MOST_DOUBTS), self._frame
        return self._doubts

    def _may_fall(self, past: Samples, origin: int) -> bool:
        """Whether a fall shows in what the watching predictor continues, for a first glance."""
        length = 90
        starts = [len(past) - length - 20, len(past) - length, len(past)]
        memories = np.array([past[s - _TAPS : s] for s in starts])
        predicted = continued(self._filter, memories, length)
        variance = np.full(length, 0.03 * float(np.var(past[-_TAPS:])))
        followed = [past[s : s + length] for s in starts[:-1]]
        followed.append(self._found(origin, origin + length))
        *usual, step = (
            _lesser_gain(found, expected[: len(found)], variance[: len(found)], latest=60, grid=2)
            for found, expected in zip(followed, predicted, strict=True)
        )
        least = _GLANCE * 2 ** self._doubt()
        if step.evidence <= max(least, *(other.evidence for other in usual)):
            return False
        inside = slice(step.start, step.end)
        rest = np.sum(followed[-1][inside] ** 2) / np.sum(predicted[-1][inside] ** 2)
        return bool(rest < 0.9)

    def _rise(self, known: int) -> _Hole | None:
        """The hole that ends at the next frame, if it does."""
        fall = self._open
        if fall is None:
            return None
        begin = known * _FRAME - _TAPS  # the sound that is back; predicted from there backwards
        reach = min(begin - int(fall.edge) - 2, begin - (self._frame + 1) * _FRAME + 4 * _PROBE)
        if begin + 1 - int(fall.edge) > MAX_DIP_SECONDS * self._rate and not fall.lost:
            self._open = None
            return None
        if reach < 14:
            return None
        after = self._found(begin, begin + _TAPS)
        found = self._found(begin - reach, begin)[::-1]
        expected = continued(fall.prediction.error_filter, after[np.newaxis, ::-1], reach)[0]
        level = float(np.var(after))
        variance = fall.prediction.variance[:reach]
        variance = np.concatenate([variance, np.full(reach - len(variance), variance[-1])])
        variance = np.maximum(variance, 0.01 * level)
        latest = min(reach - 4, begin - (self._frame + 1) * _FRAME + 5 * _PROBE // 2)
        step = _lesser_gain(found, expected, variance, latest=latest)
        if step.evidence < 20.0 or step.start < 3:
            return None
        regained = 10 * np.log10(max(level, 1e-30) / fall.level)
        if abs(regained) > _RETURN_DB:
            return None
        # What a predictor of the sound before continues backwards is the same sound as well.
        seen = slice(0, step.start - 1)
        same = step.start > _SEEN and _missed(found[seen], expected[seen]) < _SAME
        if not same and likeness(fall.before, after) < _LIKENESS:
            return None
        # Few pulses tell little of an edge; what fell as no note does returns so as well.
        steady = len(fall.prediction.expected) >= 2 * _FAR
        pauses = steady and _has_pauses(fall.before)
        slack = _BACK_EVIDENCE if pauses and not fall.lost else 0.0
        softness = _softness(found, expected, variance, step, self._rate, slack=slack)
        if softness is None:
            return None
        # What rises on for as long as a note's attack would look sharper from the midst of it.
        risen = float(np.mean(after[:_PROBE] ** 2))
        settled = float(np.mean(after[_TAPS // 2 :] ** 2))
        if softness and not pauses and risen < _RISEN * settled:
            return None
        at = step.start + 1
        starts = (at, at + round(4 * softness * self._rate))
        stretches = [slice(first, min(reach, first + _PROBE)) for first in starts]
        depths = [
            _depth(found[inside], expected[inside], fall.noise)
            for inside in stretches
            if inside.stop - inside.start >= 9
        ]
        if not depths:
            return None
        depth, lost, gain, _ = max(depths)
        lost &= fall.lost
        alike = (lost and gain > -0.3) or abs(depth - fall.step_db) < _ALIKE_DB
        if not alike or (lost and _energy(found[at:], expected[at:]) > _LEFT):
            return None
        edge = begin - 1 - self._edge(found, expected, step.start, gain) + 1 / self._stride
        end = self._sharp(edge)
        mended = slice(step.start - 1, None)
        self._whole.part(begin - reach, begin)[::-1][mended] = expected[mended]
        self._open = None
        self._done = begin - step.start + 1
        self._resume(-(-self._done // _FRAME), fall.prediction.error_filter, _UNSETTLED // 2)
        return _Hole(fall.start, end, fall.depth, fall.lost, known * _FRAME)

    def _edge(
        self, found: Samples, expected: Samples, at: int, gain: float, *, back: bool = False
    ) -> float:
        """Where near sample `at` the gain changes: decimation gives a step a known shape."""
        q = self._stride
        samples = np.arange(max(at - 6, 0), min(at + 6, len(found)))
        edges = at * q + np.arange(-3 * q, 3 * q + 1)
        reached = np.clip(samples * q + q - edges[:, np.newaxis], 0, len(self._response) - 1)
        share = self._response[reached]  # of each sample that lies after the edge
        inside = 1 - share if back else share
        model = expected[samples] * (1 - (1 - max(gain, 0.0)) * inside)
        cost = ((found[samples] - model) ** 2).sum(axis=1)
        return float(edges[int(np.argmin(cost))] / q)

    def _depth_of_treble(
        self, start: int, stop: int, level: float, depth: float, lost: bool
    ) -> tuple[float, bool]:
        """The depth from the raw signal, where most of it lies above the predictor's band."""
        reach = round(0.02 * self._rate * self._stride)
        before = self._raw(start - reach, start)
        unsure = (stop - start) // 4  # by so much edges may be off
        first = start + unsure
        inside = self._raw(first, first + min(stop - start - 2 * unsure, reach))
        if len(inside) < 8 or len(before) < 8 or np.var(before) < 20 * level:
            return depth, lost
        ratio = float(np.mean(inside**2) / np.var(before))
        depth = float(-10 * np.log10(max(ratio, 10 ** (FLOOR_DBFS / 10))))
        return depth, depth >= DROPOUT_DEPTH_DB or lost

    def _sharp(self, edge: float) -> int:
        """Frame of the take of an edge, at the jump that it makes in the sound if there is one."""
        at = round(edge * self._stride)
        rate = self._rate * self._stride
        first, reach = max(at - round(0.03 * rate), 0), round(0.0008 * rate)
        return first + _first_jump(self._raw(first, at + reach), at - first, reach)


def _latest_maximum(rows: _Array, new: int, *, span: int, lag: int) -> _Array:
    """Of each of the last `new` columns, the maximum of `span` columns that end `lag` before it."""
    end = rows.shape[-1] - lag
    highest = rows[..., end - new - span + 1 : end]
    width = 1
    while width < span:  # of what the maximum is known of; it doubles
        more = min(width, span - width)
        highest = np.maximum(highest[..., :-more], highest[..., more:])
        width += more
    return highest


def _depth(found: Samples, expected: Samples, noise: float) -> tuple[float, bool, float, float]:
    """How far the signal fell, in dB, and whether it was lost; its gain, and ratio of energies."""
    gain, energy = _gain(found, expected)
    power = max(float(np.mean(expected**2)), 1e-30)
    rest = min(energy, max(gain, 0.0) ** 2 + noise / power)
    floor = 10 ** (FLOOR_DBFS / 10) / 2
    depth = float(-10 * np.log10(max(rest, floor / power)))
    near_the_noise = rest * power < noise * 10 ** (NOISE_MARGIN_DB / 10)
    return depth, bool(depth >= DROPOUT_DEPTH_DB or near_the_noise), gain, energy


def _hole_between(edges: GainHole, seen: int) -> _Hole:
    """The hole of two edges, told when so many samples were known."""
    gain = max(edges.gain, edges.uncertainty, 10 ** (FLOOR_DBFS / 20))
    depth = float(-20 * np.log10(gain))
    return _Hole(edges.start, edges.end, depth, depth >= DROPOUT_DEPTH_DB, seen)


class DropoutDetector:
    """Finds dropouts and dips in audio that comes in blocks.

    Blocks of any sizes give the same events: all that is decided is decided at fixed positions of
    the take. Memory is bounded (some seconds of audio). The end of an interruption is told 50 ms
    after it, and so is the beginning of one that goes on, by `open_since`.

    Parameters
    ----------
    samplerate : int
        Frames a second.
    channels : int
        Channels of each block.
    lost : sequence of LostBuffers
        What the computer lost, as far as it is known: an interruption of the sound close to it is
        seen more surely. What it looks like in the sound is found all the same, and is told from
        the rest by `mark_lost_buffers`.

    Examples
    --------
    >>> t = np.arange(48000) / 48000
    >>> sound = 0.5 * np.sin(2 * np.pi * 440 * t)
    >>> sound[24000:24480] = 0.0
    >>> detector = DropoutDetector(48000, 1)
    >>> events = detector.feed(sound[:, np.newaxis]) + detector.finish()
    >>> [(e.kind, round(e.start, 3), round(e.end, 3)) for e in events]
    [('dropout', 0.5, 0.51)]
    """

    def __init__(self, samplerate: int, channels: int, lost: Sequence[LostBuffers] = ()) -> None:
        self._samplerate = samplerate
        self._stride = stride = max(1, round(samplerate / _PREDICTOR_RATE))
        self._take = _TakeSoFar(channels, stride)
        self._shared_samples = round((_SHARED_SECONDS + 1.0) * samplerate / stride)
        frame = _FRAME * stride
        jumps = [
            (mark.frame // frame - 1, (mark.frame + mark.spoiled) // frame + _REACH)
            for mark in sorted(lost, key=lambda mark: mark.frame)
        ]
        self._channels = [_Channel(self._take, c, samplerate, jumps) for c in range(channels)]
        rate = samplerate / stride
        self._levels = [
            (LevelLossWatch(rate), LevelLossWatch(rate, under_hum=True)) for _ in range(channels)
        ]
        self._edges = [GainEdgeWatch(samplerate) for _ in range(channels)]
        self._holes: list[tuple[int, _Hole]] = []  # channel from 1, and hole; not yet told
        self._silent: list[tuple[int, _Hole]] = []  # losses of level, which the others may have
        self._edged: list[tuple[int, _Hole]] = []  # the same of what the edges alone show,
        self._edged_news: deque[tuple[int, _Hole]] = deque()  # and of these, what was news
        self._told: deque[tuple[int, _Hole]] = deque()  # holes that such a loss may be
        self._shared: list[tuple[int, int]] = []  # channel and start of what others told for it
        self._fed = 0

    @property
    def steady_shares(self) -> tuple[float, ...]:
        """Of each channel, the share of the time so far that held a steady sound.

        Elsewhere (silence, noise, speech) there is nothing that could be seen to drop out.
        """
        return tuple(channel.steady_share for channel in self._channels)

    @property
    def open_since(self) -> tuple[float | None, ...]:
        """Of each channel, since when it is in a dropout or dip, in seconds; None if in none.

        For a live view: one that turns out to be no interruption is never told as an event.
        """
        found = []
        for channel, (level, _) in zip(self._channels, self._levels, strict=True):
            silent = level.open_since
            starts = [channel.open_since, None if silent is None else silent * self._stride]
            begun = [start / self._samplerate for start in starts if start is not None]
            found.append(min(begun, default=None))
        return tuple(found)

    def feed(self, block: Samples) -> tuple[Event, ...]:
        """Take the next block, of shape (frames, channels); the events that it completed.

        Raises
        ------
        SignalError
            If the block has another number of channels, or values that are not finite.
        """
        require_block(block, len(self._channels), "dropout detector")
        events: list[Event] = []
        frames = BLOCK_SAMPLES // len(self._channels)  # to bound memory
        for first in range(0, len(block), frames):
            events += self._feed(block[first : first + frames])
        return tuple(events)

    def finish(self) -> tuple[Event, ...]:
        """No more blocks: the events that were still open."""
        for number, channel in enumerate(self._channels, start=1):
            holes = channel.advance(final=True) + channel.finish(self._fed)
            self._holes += [(number, hole) for hole in holes]
        self._settle(final=True)
        return self._tell(None)

    def _feed(self, block: Samples) -> tuple[Event, ...]:
        q = self._stride
        samples = self._take.add(block)
        self._fed += len(block)
        for number, channel in enumerate(self._channels, start=1):
            self._holes += [(number, hole) for hole in channel.advance()]
        for number, levels in enumerate(self._levels, start=1):
            for loss in (loss for level in levels for loss in level.feed(samples[number - 1])):
                hole = _Hole(
                    loss.start * q, loss.end * q, loss.depth, True, loss.seen, hum=loss.hum
                )
                self._silent.append((number, hole))
        for number in range(1, len(self._edges) + 1):
            self._edged += [(number, hole) for hole in self._between_edges(number)]
        self._settle(final=False)
        unsure = [channel.decided for channel in self._channels]
        unsure += [level.decided * q for levels in self._levels for level in levels]
        # A hop that is steady so far may turn out not to be: it is looked at from its beginning.
        unsure += [edges.frame for edges in self._edges]
        unsure += [hole.end for _, hole in (*self._silent, *self._edged)]
        events = self._tell(min(unsure, default=self._fed))
        frame = min(channel.frame for channel in self._channels) * _FRAME
        shared = self._take.samples.end - self._shared_samples
        raw = [(frame - _RAW_KEPT) * q, *(edges.frame - edges.kept for edges in self._edges)]
        self._take.forget(min(raw), min(frame - _KEPT, shared))
        return events

    def _between_edges(self, number: int) -> list[_Hole]:
        """What the edges alone show of a channel, where its sound is not steady."""
        channel, edges = self._channels[number - 1], self._edges[number - 1]
        step = _FRAME * self._stride
        holes: list[_Hole] = []
        while hops := edges.hops_to(channel.frame * step):
            steady, until = channel.steadiness(edges.frame // step)
            if steady and (calm := edges.hops_to(until * step)):
                edges.skip(min(calm, hops))
                continue
            begun = 1 + edges.hops_to(until * step - 1)  # before the sound is steady
            hops = min(hops, begun, edges.hops_to(self._fed - edges.lag))
            if not hops:
                break
            found = edges.look(partial(self._heard, number - 1), hops)
            holes += [_hole_between(edge, edge.known // self._stride) for edge in found]
        return holes

    def _heard(self, row: int, first: int, last: int) -> _Array:
        return self._take.frames(first, last)[row]

    def _settle(self, *, final: bool) -> None:
        """Which losses of level are news? Those that the predictor did not find as well."""
        near = SIMULTANEOUS_SECONDS * self._samplerate
        unsettled = []
        for number, loss in self._silent:
            channel = self._channels[number - 1]
            begun = channel.open_since
            is_in_one = begun is not None and begun < loss.end
            if not final and (is_in_one or channel.decided <= loss.end + near):
                unsettled.append((number, loss))
                continue
            found = [hole for n, hole in (*self._holes, *self._told) if n == number]
            shared = sum(max(0, min(h.end, loss.end) - max(h.start, loss.start)) for h in found)
            if 2 * shared < loss.end - loss.start:
                self._holes.append((number, loss))
            else:
                for place, (n, hole) in enumerate(self._holes):
                    if n == number and abs(hole.end - loss.end) <= near:
                        told = replace(hole, hum=loss.hum or hole.hum, lost=True)
                        self._holes[place] = (n, replace(told, depth=max(hole.depth, loss.depth)))
        self._silent = unsettled
        self._settle_edged(final=final)

    def _settle_edged(self, *, final: bool) -> None:
        """Which holes between two edges are news? Those that neither of the others found.

        The predictor may have found one as well, or its beginning alone and another end.
        """
        near = SIMULTANEOUS_SECONDS * self._samplerate
        unsettled: list[tuple[int, _Hole]] = []
        for number, hole in self._edged:
            decided = [self._channels[number - 1].decided]
            decided += [level.decided * self._stride for level in self._levels[number - 1]]
            decided += [loss.start for n, loss in self._silent if n == number]
            if not final and min(decided) <= hole.end + near:
                unsettled.append((number, hole))
            elif not any(
                n == number and other.start < hole.end and hole.start < other.end <= hole.end + near
                for n, other in (*self._holes, *self._told)
            ):
                self._edged_news.append((number, hole))
                self._holes.append((number, hole))
        self._edged = unsettled

    def _ends_by_edges(self, number: int, hole: _Hole) -> bool:
        """Whether two edges have told when a hole was over that the predictor did not see end."""
        near = SIMULTANEOUS_SECONDS * self._samplerate
        return any(
            n == number and abs(other.start - hole.start) <= near and hole.end > other.end + near
            for n, other in self._edged_news
        )

    def _tell(self, decided: int | None) -> tuple[Event, ...]:
        """Events that ended before frame `decided`, the same one in several channels as one."""
        near = SIMULTANEOUS_SECONDS * self._samplerate

        def alike(first: _Hole, hole: _Hole) -> bool:
            return (
                abs(hole.start - first.start) <= near
                and hole.end - first.end <= near
                and hole.lost == first.lost
                and (first.lost or abs(hole.depth - first.depth) <= SAME_DEPTH_DB)
            )

        self._holes.sort(key=lambda h: (h[1].end, h[1].start, h[0]))
        events: list[Event] = []
        waiting: list[tuple[int, _Hole]] = []
        for group in of_one_event(self._holes, alike):
            first = group[0][1]
            if decided is not None and first.end + near >= decided:
                waiting += group
                continue
            self._told += group
            group = [
                (number, hole)
                for number, hole in group
                if not self._is_told(number, hole) and not self._ends_by_edges(number, hole)
            ]
            if not group:
                continue
            first = group[0][1]
            if self._is_of_the_sound(group):
                continue
            sharing = self._sharing(group)
            told = {number for number, _ in sharing}
            self._shared = [share for share in self._shared if share[0] not in told]
            self._shared += [(number, hole.start) for number, hole in sharing]
            group += sharing
            events.append(
                Event(
                    "dropout" if first.lost else "dip",
                    min(hole.start for _, hole in group) / self._samplerate,
                    max(hole.end for _, hole in group) / self._samplerate,
                    tuple(sorted(number for number, _ in group)),
                    max(hole.depth for _, hole in group),
                    HUM_IN_PLACE if any(hole.hum for _, hole in group) else None,
                )
            )
        self._holes = waiting
        old = self._fed - _TOLD_SECONDS * self._samplerate
        for known in (self._told, self._edged_news):
            while known and known[0][1].end < old:
                known.popleft()
        self._forget_begun(old)
        return tuple(events)

    def _forget_begun(self, old: float) -> None:
        """Forget what began before a frame, but for what a hole that is not yet told shares."""
        if not any(channel.begun and channel.begun[0][0] < old for channel in self._channels):
            return
        near = SIMULTANEOUS_SECONDS * self._samplerate
        untold = [hole.start for _, hole in (*self._holes, *self._silent, *self._edged)]
        untold += [start for c in self._channels if (start := c.open_since) is not None]
        for channel in self._channels:
            channel.begun = [
                (start, depth)
                for start, depth in channel.begun
                if start >= old or any(abs(start - other) <= near for other in untold)
            ]

    def _is_of_the_sound(self, group: list[tuple[int, _Hole]]) -> bool:
        """Whether a level fell for good without being lost, and no channel tells that it need not.

        A key of a chord was let go then, or the sound has changed.
        """
        (_, first), *_ = group
        own = {number for number, _ in group}
        going_on = {n for n, channel in enumerate(self._channels, start=1) if channel.goes_on}
        return first.stays and not first.lost and going_on <= own

    def _has_another(self, number: int, hole: _Hole) -> bool:
        """Whether one of a channel's own began together with a hole, but not by its depth.

        Be it over or not: its end may lie in the same block or in a later one.
        """
        near = SIMULTANEOUS_SECONDS * self._samplerate
        begun = self._channels[number - 1].begun
        over = [h for n, h in self._holes if n == number and h.end <= hole.end + near]
        return any(
            abs(start - hole.start) <= near
            and abs(min(depth, _SHARED_MOST_DB) - min(hole.depth, _SHARED_MOST_DB)) > SAME_DEPTH_DB
            for start, depth in (*begun, *((h.start, h.depth) for h in over))
        )

    def _is_told(self, number: int, hole: _Hole) -> bool:
        """Whether another channel's break told of this one, which was closed later."""
        near = SIMULTANEOUS_SECONDS * self._samplerate
        return any(n == number and abs(hole.start - start) <= near for n, start in self._shared)

    def _sharing(self, group: list[tuple[int, _Hole]]) -> list[tuple[int, _Hole]]:
        """The same hole in channels that broke off too, where that alone was not plain enough."""
        hole = max((hole for _, hole in group), key=lambda hole: hole.depth)
        own = {number for number, _ in group}
        others = [
            number
            for number in range(1, len(self._channels) + 1)
            if number not in own and not self._has_another(number, hole)
        ]
        if not others:
            return []
        q = self._stride
        first = -(-(hole.start + q) // q)
        last = (hole.end - q) // q + 1
        width = min(last - first, _PROBE)
        if width < 4:
            return []
        old = hole.end - hole.start > _SHARED_SECONDS * self._samplerate
        begin = max(0, first - _PAST - 2 * _SHARED_SLACK) if not old else last - width
        if begin < self._take.samples.begin:
            return []  # told so late that what was before it is gone
        known = self._take.samples.part(begin, hole.seen)
        start = None if old else first - begin
        end = last - begin if hole.end // q + _PROBE <= hole.seen else None
        return [
            (number, hole)
            for number in others
            if _broke_too(known[number - 1], start, end, width, hole.depth)
        ]


def find_dropouts(signal: Samples, samplerate: int) -> tuple[Event, ...]:
    """Dropouts and dips of a whole take, of shape (frames, channels), full scale 1.0.

    Returns
    -------
    tuple of Event
        Kinds "dropout" and "dip", with start and end in seconds, the channels (from 1) that it
        happened in at the same time, and the depth in dB re the level just before; in the order
        of their ends.

    Raises
    ------
    SignalError
        If a value is not finite, or the shape is not (frames, channels).
    """
    if signal.ndim != 2:
        raise SignalError(
            f"Dropouts are looked for in audio of shape (frames, channels), not {signal.shape}."
        )
    detector = DropoutDetector(samplerate, signal.shape[1])
    return detector.feed(signal) + detector.finish()


def mark_lost_buffers(
    events: Sequence[Event], lost: Sequence[LostBuffers], samplerate: int
) -> tuple[Event, ...]:
    """The same events, those that the computer's losses made relabelled as "lost_buffers".

    The instrument is not to blame for them. Where the audio system only reports that something was
    lost, everything near counts, for it reports to the block, not to the frame. Where it is known
    from when to when the take is spoiled, an interruption is the computer's if both its edges are
    at a loss, be it the same or two: audio that jumps looks like a fall, and at the next jump like
    a return. All other interruptions stay the instrument's; of one that a loss begins or ends,
    that part is taken off.
    """
    marks = sorted(lost, key=lambda mark: mark.frame)
    starts = [mark.frame / samplerate for mark in marks]
    ends = list(accumulate(((m.frame + m.spoiled) / samplerate for m in marks), max))
    marked: list[Event] = []
    for event in events:
        if event.kind in ("dropout", "dip"):
            first = bisect_left(ends, event.start - JUMP_SECONDS)
            last = bisect_right(starts, event.end + LOST_POSITION_SECONDS)
            marked.extend(_parted(event, marks[first:last], samplerate))
        else:
            marked.append(event)
    return tuple(sorted(marked, key=lambda event: event.start))


def _parted(event: Event, lost: Sequence[LostBuffers], samplerate: int) -> tuple[Event, ...]:
    """An interruption in what the computer made of it, and what the instrument did.

    `lost` is in the order of frames.
    """
    spans = [
        (mark.frame / samplerate, (mark.frame + mark.spoiled) / samplerate)
        for mark in lost
        if mark.frames is not None or mark.spoiled
    ]
    vague = [mark.frame / samplerate for mark in lost if mark.frames is None and not mark.spoiled]
    near = LOST_POSITION_SECONDS

    def at_a_loss(edge: float) -> bool:
        return any(start - JUMP_EDGE_SECONDS <= edge <= end + JUMP_SECONDS for start, end in spans)

    if (at_a_loss(event.start) and at_a_loss(event.end)) or any(
        event.start - near <= place <= event.end + near for place in vague
    ):
        return (replace(event, kind="lost_buffers"),)
    begin, finish = event.start, event.end
    for start, end in spans:
        if start - JUMP_EDGE_SECONDS <= begin < end:
            begin = end
    for start, end in reversed(spans):
        if start < finish <= end + JUMP_EDGE_SECONDS:
            finish = start
    if begin >= finish:
        return (replace(event, kind="lost_buffers"),)
    parts = [replace(event, start=begin, end=finish)]
    if begin > event.start:
        parts.insert(0, replace(event, kind="lost_buffers", end=begin))
    if finish < event.end:
        parts.append(replace(event, kind="lost_buffers", start=finish))
    return tuple(parts)


def dropout_count(events: Sequence[Event], channel: int) -> int:
    """Number of dropouts in a channel (counted from 1); dips do not count."""
    return sum(event.kind == "dropout" and channel in event.channels for event in events)


def dropout_time(events: Sequence[Event], channel: int) -> Estimate:
    """Total time of the dropouts in a channel, in seconds; each edge adds its uncertainty."""
    times = [e.end - e.start for e in events if e.kind == "dropout" and channel in e.channels]
    uncertainty = EDGE_UNCERTAINTY_SECONDS * np.sqrt(2 * len(times))
    return Estimate(float(sum(times)), float(uncertainty))
