"""Slow courses: how a quantity drifts over minutes and hours, and when it left its course.

A course is a quantity at evenly spaced times, with a scatter whose neighbours are alike: what
disturbs one stretch of sound still disturbs the next. Points that are alike count for less than
independent ones. The scatter is therefore modelled as a first-order autoregression, AR(1), and
its correlation is estimated and allowed for everywhere.

* `measure_trend`: the slope of the straight line through the course, with its uncertainty and the
  chance that scatter alone makes one as steep.
* `find_onset`: the time when the course left its earlier course, by a step, a bend, a passing
  excursion, or a scatter that grows. Warming up is no onset: a course that moves from its start
  on and settles (a sum of decaying exponentials and a straight line) is an earlier course.
* `find_onset_of_events`: the time from which on events are more frequent.

References
----------
G. W. Snedecor's least squares with Student's t, where the number of points is replaced by that of
independent ones, n (1 - r) / (1 + r): B. D. Santer et al., Int. J. Climatology 28 (2008)
1703-1722, after M. H. Quenouille, *Associated Measurements* (1952).
M. G. Kendall, Biometrika 41 (1954) 403-404: the bias of an estimated autocorrelation.
G. W. Cobb, Biometrika 65 (1978) 243-251: the change of a course's mean, and how well its time is
known.
H. B. Mann, D. R. Whitney, Ann. Math. Statist. 18 (1947) 50-60: the rank test for growing scatter.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from sigbench.errors import SignalError
from sigbench.measure.estimate import Estimate

SIGNIFICANCE = 0.01  # chance that scatter alone is called a trend; our own choice
ONSET_SIGNIFICANCE = 1e-3  # the same for an onset, for a soak looks at ten courses
LEAST_POINTS = 12  # of a course that a trend is told of
LEAST_INDEPENDENT = 30.0  # points: below, scatter is reckoned with as a random walk
WALK = 9.3  # a random walk's straight line re what a smooth course leaves of it; precision_soak.py
WALK_CHANGE = 3.0  # a change re what it leaves, which no random walk has; precision_soak.py
ONSET_LEAST_POINTS = 32
POINTS_BEFORE = 8  # an onset needs so many points of an earlier course
POINTS_AFTER = 4  # and so many after it: less is a moment, not a course
SHARE_OF_MOVEMENT = 0.05  # of warming up, which no few exponentials follow exactly
SHARE_LEFT = 0.01  # of a course's movement; warming up leaves less beside exponentials
GROWTH = 1.5  # a scatter that grows by less than this is not told; our own choice

_SETTLING = (
    1 / 100,
    1 / 40,
    1 / 16,
    1 / 6,
    1 / 2,
)  # time constants of warming up, re the length of the course
_AFTER_SETTLING = (1 / 30, 1 / 8)  # time constants with which a course settles after an onset
_SOFT = 2  # points over which a change may come about: what they hold is not asked
_MOST_CORRELATED = 0.99
_ROUNDS = 3  # of estimating the correlation and finding the onset in turn
_OUTLIER = 6.0  # robust standard deviations of a single point beside its neighbours
_HOUR = 3600.0

Kind = Literal["step", "bend", "excursion", "scatter", "events"]


@dataclass(frozen=True, slots=True)
class Trend:
    """The straight line through a course.

    Parameters
    ----------
    slope : Estimate
        In the course's unit per hour, with standard uncertainty.
    chance : float
        Two-sided probability that scatter alone makes a line as steep.
    independent : float
        How many independent points the course is worth.
    significant : bool
        Whether `chance` is below `SIGNIFICANCE`.
    """

    slope: Estimate
    chance: float
    independent: float
    significant: bool


@dataclass(frozen=True, slots=True)
class Onset:
    """When a course left its earlier course.

    Parameters
    ----------
    time : Estimate
        Seconds.
    kind : {"step", "bend", "excursion", "scatter", "events"}
        A bend is a new slope, which may settle; an excursion comes back; scatter grows; events
        become more frequent.
    size : float
        In the course's unit, signed: of a step and an excursion its height, of a bend how far the
        course is off at its end; of scatter the later standard deviation; of events how many came
        after it.
    chance : float
        An upper limit of the probability that scatter alone gives such an onset in the course.
    """

    time: Estimate
    kind: Kind
    size: float
    chance: float


@dataclass(frozen=True, slots=True)
class NoOnset:
    """None was found, and why in one sentence."""

    reason: str


def measure_trend(
    times: NDArray[np.float64],
    values: NDArray[np.float64],
    *,
    onset_seconds: float | None = None,
) -> Trend | None:
    """Slope of a course per hour, with its significance.

    Parameters
    ----------
    times : ndarray of float, shape (points,)
        Seconds, rising, evenly spaced but for what is missing.
    values : ndarray of float, shape (points,)
        A missing one is not a number.
    onset_seconds : float or None
        When the course left its earlier one, if it did: the change is no scatter.

    Returns
    -------
    Trend or None
        None with fewer than `LEAST_POINTS` points.

    Raises
    ------
    SignalError
        If the shapes differ, or the times do not rise.

    Notes
    -----
    Ordinary least squares. The scatter is what is left beside a smooth course (a line and some
    decaying exponentials), for a course that warms up is bent, and its bend is no scatter. With r,
    the correlation of neighbours in it, corrected for its bias, the variance of the slope is that
    of least squares under AR(1), and Student's t has n (1 - r) / (1 + r) degrees of freedom less
    those of the smooth course.

    Where that makes fewer than `LEAST_INDEPENDENT` points, r is too uncertain. Then the scatter is
    taken for a random walk, the worst there is: for all numbers of points, the line through one
    moves over the course by less than `WALK` times what a smooth course leaves of it in 95 % of
    them, and by less than 2.6 times that in 99.7 %.

    Examples
    --------
    >>> t = np.arange(0.0, 3600.0, 30.0)
    >>> trend = measure_trend(t, 0.5 * t / 3600 + 0.01 * np.sin(t * t))
    >>> round(trend.slope.value, 2), trend.significant
    (0.5, True)
    """
    known = _known(times, values)
    if len(known.values) < LEAST_POINTS:
        return None
    t, x = known.times - np.mean(known.times), known.values
    spread = float(np.dot(t, t))
    slope = float(np.dot(t, x)) / spread
    smooth = _smooth(known.places)
    since = np.zeros_like(t) if onset_seconds is None else known.times - onset_seconds
    if np.sum(since >= 0) >= POINTS_AFTER and np.sum(since < 0) >= POINTS_AFTER:
        late, length = np.maximum(since, 0.0), float(np.ptp(t))
        settled = [1 - np.exp(-late / (share * length)) for share in _AFTER_SETTLING]
        smooth = np.column_stack([smooth, since >= 0, late / length, *settled])
    basis, _ = np.linalg.qr(smooth)
    left = x - basis @ (basis.T @ x)
    parameters = basis.shape[1]
    correlation = _correlation(left, known.places, parameters)
    alike = correlation ** np.abs(known.places[:, np.newaxis] - known.places)
    freedom = len(x) - float(np.sum(basis * (alike @ basis)))
    rest = float(np.dot(left, left))
    variance = rest / max(freedom, 1.0)
    uncertainty = float(np.sqrt(variance * float(t @ alike @ t))) / spread
    independent = len(x) * (1 - correlation) / (1 + correlation)
    # Values that lie on a smooth course to the last bit leave nothing but rounding.
    rounding = 1e-12 * float(np.max(np.abs(x))) / float(np.sqrt(spread))
    uncertainty = max(uncertainty, rounding, 1e-300)
    if independent >= LEAST_INDEPENDENT:
        ratio = abs(slope) / uncertainty
        chance = float(2 * stats.t.sf(ratio, max(independent - parameters, 1.0)))
    else:
        walk = WALK * float(np.sqrt(rest / max(len(x) - parameters, 1))) / float(np.ptp(t))
        uncertainty = max(uncertainty, walk)
        chance = float(2 * stats.norm.sf(abs(slope) / uncertainty))
    return Trend(
        Estimate(slope * _HOUR, uncertainty * _HOUR),
        chance,
        independent,
        bool(chance < SIGNIFICANCE),
    )


def find_onset(
    times: NDArray[np.float64],
    values: NDArray[np.float64],
    *,
    smallest: float = 0.0,
    settling: bool = True,
) -> Onset | NoOnset:
    """The time when a course left its earlier course.

    Parameters
    ----------
    times, values
        As of `measure_trend`.
    smallest : float
        Changes below this are not told, in the unit of the values.
    settling : bool
        Whether the earlier course may be one that warms up. False where it is known to be level:
        then slighter changes are found.

    Returns
    -------
    Onset or NoOnset
        The first one, where there are several.

    Notes
    -----
    The earlier course is a straight line and some decaying exponentials. At every point it is
    tried whether a step, a bend (lasting, or settling) or an excursion that begins there explains
    more: by generalised least squares under AR(1), whose correlation is estimated with the change
    in place, or the change would be taken for correlation. The best one is tested by Student's t;
    its chance is multiplied by the number of those tried (Bonferroni). A change that leaves so
    little that not even a random walk would have it is plain without a test. What lies before it is
    looked at again, so that the first onset is told. Where there is none, the sizes of what is
    left before and after each point are compared by their ranks. Single points that stick out are
    left to the events.

    Examples
    --------
    >>> t = np.arange(0.0, 3600.0, 30.0)
    >>> bent = 0.01 * np.sin(t * t) - 0.5 * np.maximum(0, t - 1800) / 1800
    >>> onset = find_onset(t, bent)
    >>> onset.kind, abs(onset.time.value - 1800) < 120
    ('bend', True)
    """
    known = _known(times, values)
    if len(known.values) < ONSET_LEAST_POINTS:
        return NoOnset(
            f"{len(known.values)} points are too few to tell: {ONSET_LEAST_POINTS} are needed"
        )
    if np.ptp(known.values) == 0:
        return NoOnset("the course never changed")
    course = _without_outliers(known)
    found: Onset | None = None
    change, left, correlation = _change(course, settling)
    while change is not None and abs(change.size) >= smallest:
        found = change
        # The point before may hold a part of the change already.
        clear = change.time.uncertainty + _SOFT * float(np.median(np.diff(course.times)))
        before = course.times < change.time.value - clear
        if not ONSET_LEAST_POINTS <= np.sum(before) < len(course.values):
            break
        course = _Known(course.times[before], course.values[before], course.places[before])
        change, _, _ = _change(course, settling)
    if found is not None:
        return found
    white = _whitened(known.values - course.values + left, known.places, correlation)
    grown = _grown(known, white, smallest)
    if grown is not None:
        return grown
    return NoOnset("no change stands above the scatter of the course and its own slow movement")


def find_onset_of_events(times: NDArray[np.float64], counts: NDArray[np.int_]) -> Onset | NoOnset:
    """The time from which on events are more frequent.

    Parameters
    ----------
    times : ndarray of float, shape (points,)
        Seconds, middles of stretches of one length.
    counts : ndarray of int, shape (points,)
        Events that began in each stretch.

    Notes
    -----
    Events often come in bursts, so stretches with events are counted, not events. If they lay
    anywhere by chance, the number of them after a given stretch would be hypergeometric. The most
    unlikely place is told, its chance multiplied by the number of places tried (Bonferroni).

    Examples
    --------
    >>> counts = np.zeros(60, dtype=int)
    >>> counts[[45, 46, 48, 50, 52, 58]] = 1
    >>> find_onset_of_events(60.0 * np.arange(60) + 30, counts).time.value
    2730.0
    """
    if len(times) < 2:
        return NoOnset("one stretch is too short to tell")
    busy = np.flatnonzero(counts)
    total, stretches = len(busy), len(counts)
    if total == 0:
        return NoOnset("there were no events")
    # From each busy stretch on: how likely is it that so many lie after?
    after = total - np.arange(total)
    chances = np.asarray(stats.hypergeom.sf(after - 1, stretches, total, stretches - busy))
    best = int(np.argmin(chances))
    chance = float(min(1.0, chances[best] * total))
    if chance >= ONSET_SIGNIFICANCE or busy[best] == 0:
        return NoOnset("the events do not become more frequent by more than chance")
    step = float(np.median(np.diff(times)))
    # It began between the last quiet moment and the first event.
    return Onset(
        Estimate(float(times[busy[best]]), step / np.sqrt(12)),
        "events",
        float(np.sum(counts[busy[best] :])),
        chance,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Known:
    """The known points of a course; `places` counts points, the missing ones too."""

    times: NDArray[np.float64]
    values: NDArray[np.float64]
    places: NDArray[np.int_]


def _known(times: NDArray[np.float64], values: NDArray[np.float64]) -> _Known:
    if times.ndim != 1 or times.shape != values.shape:
        raise SignalError(
            f"A course needs as many times as values: {times.shape} and {values.shape} were given."
        )
    steps = np.diff(times)
    if np.any(steps <= 0):
        raise SignalError("The times of a course must rise: sort its points.")
    at = np.isfinite(values)
    if not np.any(at) or len(times) < 2:
        return _Known(times[at], values[at], np.flatnonzero(at))
    places = np.rint((times - times[0]) / np.median(steps)).astype(int)
    if np.any(np.diff(places) <= 0):
        places = np.arange(len(times))
    return _Known(times[at], values[at], places[at])


def _smooth(places: NDArray[np.int_]) -> NDArray[np.float64]:
    """What an earlier course may look like: a line, and what settles."""
    t = (places - places[0]) / (places[-1] - places[0])
    return np.column_stack([np.ones(len(t)), t, *(np.exp(-t / tau) for tau in _SETTLING)])


def _correlation(left: NDArray[np.float64], places: NDArray[np.int_], parameters: int) -> float:
    """Correlation of neighbours in what a fit with so many parameters left.

    A fit takes the slow part of the scatter away: on average (p + (p + 2) r) / n of the
    correlation, which is Kendall's (1 + 3 r) / n for one parameter, the mean.
    """
    n = len(left)
    whole = float(np.dot(left, left)) / n
    pairs = np.diff(places) == 1
    if whole <= 0.0 or not np.any(pairs):
        return 0.0
    found = float(np.mean((left[1:] * left[:-1])[pairs])) / whole
    corrected = (n * found + parameters) / max(n - parameters - 2, 1)
    return float(np.clip(corrected, 0.0, _MOST_CORRELATED))


def _whitened(
    columns: NDArray[np.float64], places: NDArray[np.int_], correlation: float
) -> NDArray[np.float64]:
    """Columns in which AR(1) scatter has become independent and of one variance."""
    kept = correlation ** np.diff(places)
    shape = (-1,) + (1,) * (columns.ndim - 1)
    innovation = np.sqrt(1 - kept**2).reshape(shape)
    white = np.empty_like(columns)
    white[0] = columns[0]
    white[1:] = (columns[1:] - kept.reshape(shape) * columns[:-1]) / innovation
    return white


def _without_outliers(known: _Known) -> _Known:
    """The course, with single points that stick out (or two) put at their neighbours' median."""
    from scipy.ndimage import median_filter

    x = known.values
    smooth = median_filter(x, 5, mode="nearest")
    off = x - smooth
    usual = 1.4826 * float(np.median(np.abs(off)))
    if usual == 0.0:
        usual = float(np.std(off)) / _OUTLIER
    return _Known(known.times, np.where(np.abs(off) > _OUTLIER * usual, smooth, x), known.places)


@dataclass(frozen=True, slots=True, eq=False)
class _Candidates:
    """Changes that are tried: one in each column, with the point it begins at and its kind."""

    columns: NDArray[np.float64]
    begins: NDArray[np.int_]
    kinds: NDArray[np.str_]


def _candidates(places: NDArray[np.int_]) -> _Candidates:
    n = len(places)
    starts = np.arange(POINTS_BEFORE, n - POINTS_AFTER + 1)
    since = (places[:, np.newaxis] - places[starts]).astype(float)
    on = since >= 0
    length = float(places[-1] - places[0])
    groups: list[tuple[NDArray[np.float64], NDArray[np.int_], Kind]] = [
        (on.astype(float), starts, "step"),
        (np.maximum(since, 0.0) / length, starts, "bend"),
    ]
    for share in _AFTER_SETTLING:
        settled = 1 - np.exp(-np.maximum(since, 0.0) / (share * length))
        groups.append((settled, starts, "bend"))
    size = POINTS_AFTER
    while size <= n // 2:
        over = since >= size
        short = on & ~over
        returns = np.any(over, axis=0)
        groups.append((short[:, returns].astype(float), starts[returns], "excursion"))
        size *= 2
    return _Candidates(
        np.concatenate([g[0] for g in groups], axis=1),
        np.concatenate([g[1] for g in groups]),
        np.concatenate([np.full(len(g[1]), g[2], dtype="U9") for g in groups]),
    )


def _change(known: _Known, settling: bool) -> tuple[Onset | None, NDArray[np.float64], float]:
    """The likeliest change if it is significant, what is left, and the correlation in that."""
    x, places = known.values, known.places
    n = len(x)
    smooth = _smooth(places) if settling else np.ones((n, 1))
    tried = _candidates(places)
    correlation = 0.0
    plain = False
    for number in range(_ROUNDS):
        base, _ = np.linalg.qr(_whitened(smooth, places, correlation))
        white = _whitened(x, places, correlation)
        white = white - base @ (base.T @ white)
        columns = _whitened(tried.columns, places, correlation)
        whole = np.einsum("ij,ij->j", columns, columns)
        energies = whole - np.sum(np.square(base.T @ columns), axis=0)
        products = white @ columns
        whole_rest = float(np.dot(white, white))
        # A change that the smooth course does itself leaves nothing to be told by.
        told = energies > 1e-6 * whole
        gains = np.where(told, products**2 / np.where(told, energies, 1.0), 0.0)
        best = int(np.argmax(gains))
        # A stretch in which the change comes about is neither before nor after: it has no say in
        # how large the scatter is, or a soft change would be taken for scatter.
        begin = int(tried.begins[best])
        soft = np.zeros((n, _SOFT))
        soft[np.arange(begin - 1, begin - 1 + _SOFT), np.arange(_SOFT)] = 1.0
        changed = np.column_stack([smooth, soft, tried.columns[:, best]])
        q, _ = np.linalg.qr(changed)
        fitted = q.T @ x
        left = x - q @ fitted
        tested = correlation
        rest = float(np.sqrt(np.dot(left, left)))
        if number == 0 and told[best] and abs(fitted[-1]) > WALK_CHANGE * rest:
            plain = True
            break
        # The place of the change was chosen too: it counts as a parameter.
        correlation = _correlation(left, places, changed.shape[1] + 1)
        # And the correlation is known from n points only: one standard error is added.
        correlation += float(np.sqrt((1 - correlation**2) / n))
        correlation = min(correlation, _MOST_CORRELATED)
    q, upper = np.linalg.qr(_whitened(changed, places, tested))
    fitted = q.T @ _whitened(x, places, tested)
    size = float(fitted[-1] / upper[-1, -1]) if told[best] else 0.0
    freedom = n - changed.shape[1] - 1
    white = _whitened(x, places, tested) - q @ fitted
    # Values that lie on a course to the last bit leave nothing but rounding.
    variance = max(float(np.dot(white, white)), 1e-24 * float(np.dot(x, x)), 1e-300) / freedom
    independent = float(np.clip(n * (1 - tested) / (1 + tested), 1.0, freedom))
    gain = float(fitted[-1]) ** 2 if told[best] else 0.0
    chance = float(2 * stats.t.sf(np.sqrt(gain / variance), independent)) * len(gains)
    change = tried.columns[:, best]
    effect = size * (change[-1] if tried.kinds[best] == "bend" else 1.0)
    weights = np.linalg.lstsq(changed, x, rcond=None)[0]
    own = float(np.ptp(smooth @ weights[: smooth.shape[1]]))
    if plain:
        chance = ONSET_SIGNIFICANCE  # all that the comparison with random walks tells
    elif chance >= ONSET_SIGNIFICANCE:
        effect = 0.0
    q, _ = np.linalg.qr(smooth)
    settled = x - q @ (q.T @ x)
    if float(np.max(np.abs(settled))) < SHARE_LEFT * float(np.ptp(x)):
        effect = 0.0
    if effect == 0.0 or abs(effect) < SHARE_OF_MOVEMENT * own:
        return None, settled, _correlation(settled, places, smooth.shape[1])
    # How likely each time is, given that there is a change: Cobb's conditional solution.
    rest = max(whole_rest - float(gains[best]), variance * freedom)
    weights = np.exp((gains - gains[best]) / (2 * rest / freedom))
    weights /= np.sum(weights)
    moments = known.times[tried.begins]
    step = float(np.median(np.diff(known.times)))
    mean = float(np.dot(weights, moments))
    spread = float(np.dot(weights, (moments - mean) ** 2))
    onset = Onset(
        Estimate(float(moments[best]), float(np.sqrt(spread + step**2 / 12))),
        str(tried.kinds[best]),  # type: ignore[arg-type]
        float(effect),
        min(chance, 1.0),
    )
    return onset, left, tested


def _grown(known: _Known, white: NDArray[np.float64], smallest: float) -> Onset | None:
    """The time from which on the scatter is larger, if it is."""
    n = len(white)
    sizes = np.abs(white)
    ranks = stats.rankdata(sizes)
    begins = np.arange(POINTS_BEFORE, n - POINTS_BEFORE + 1)
    after = n - begins
    sums = np.cumsum(ranks[::-1])[::-1][begins]
    deviation = np.sqrt(begins * after * (n + 1) / 12)
    z = (sums - after * (n + 1) / 2) / deviation
    best = int(np.argmax(z))
    chance = float(stats.norm.sf(z[best])) * len(begins)
    begin = int(begins[best])
    earlier, later = (float(np.sqrt(np.mean(part**2))) for part in (white[:begin], white[begin:]))
    if chance >= ONSET_SIGNIFICANCE or later < GROWTH * earlier or later < smallest / 2:
        return None
    near = begins[z > z[best] - 1.0]  # a standard deviation of the statistic
    spread = float(np.std(known.times[near]))
    step = float(np.median(np.diff(known.times)))
    return Onset(
        Estimate(float(known.times[begin]), float(np.hypot(spread, step / np.sqrt(12)))),
        "scatter",
        later,
        min(chance, 1.0),
    )
