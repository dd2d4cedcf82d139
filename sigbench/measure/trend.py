"""Slow courses: how a quantity drifts over minutes and hours, and when it left its course.

A course is a quantity at evenly spaced times, with a scatter whose neighbours are alike: what
disturbs one stretch of sound still disturbs the next. Points that are alike count for less than
independent ones. Of an onset, the scatter is therefore modelled as a first-order autoregression,
AR(1), whose correlation is estimated and allowed for; of a trend, as any of a list of noises from
white to a random walk, each by how likely it makes the course.

* `measure_trend`: the slope of the straight line through the course, with its uncertainty and the
  chance that scatter alone makes one as steep.
* `find_onset`: the time when the course left its earlier course, by a step, a bend, a passing
  excursion, or a scatter that grows. Warming up is no onset: a course that moves from its start
  on and settles (a sum of decaying exponentials and a straight line) is an earlier course.
* `find_onset_of_events`: the time from which on events are more frequent.

References
----------
H. D. Patterson, R. Thompson, Biometrika 58 (1971) 545-554: the restricted likelihood, of what no
smooth course explains. D. A. Harville, Biometrika 61 (1974) 383-385: it is the likelihood with the
smooth course integrated out.
J. R. M. Hosking, Biometrika 68 (1981) 165-176: fractionally integrated noise; S. D. P. Williams,
J. Geodesy 76 (2003) 483-494: its covariance, and what it does to the slope of a line.
H. Working, Econometrica 28 (1960) 916-918: means of a random walk are smoother than the walk.
R. E. Kass, L. Wasserman, J. Am. Stat. Assoc. 90 (1995) 928-934: the unit information prior.
M. G. Kendall, Biometrika 41 (1954) 403-404: the bias of an estimated autocorrelation.
G. W. Cobb, Biometrika 65 (1978) 243-251: the change of a course's mean, and how well its time is
known.
H. B. Mann, D. R. Whitney, Ann. Math. Statist. 18 (1947) 50-60: the rank test for growing scatter.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.linalg import solve_triangular, toeplitz
from scipy.special import xlogy

from sigbench.errors import SignalError
from sigbench.measure.estimate import Estimate

SIGNIFICANCE = 0.01  # chance that scatter alone is called a trend; our own choice
ONSET_SIGNIFICANCE = 1e-3  # the same for an onset, for a soak looks at ten courses
LEAST_POINTS = 12  # of a course that a trend is told of
CORRELATIONS = (0.0, 0.2, 0.4, 0.6, 0.8, 0.9, 0.95, 0.98)
"""Of neighbours, in the AR(1) noises that are reckoned with in a trend."""
FRACTIONS = (0.25, 0.5, 0.75, 1.0)
"""How often white noise is integrated, in the others: 0.5 is flicker noise, 1 a random walk."""
FRACTION_WEIGHTS = (1.0, 2.0, 8.0, 32.0)
"""How much likelier each of these is beforehand than an AR(1) noise: precision_soak.py."""
MEANS_WEIGHT = 32.0
"""The same of the means of a random walk over each stretch, which is what a slow wander makes."""
WHITE_SHARES = (0.0, 1.0, 10.0)
"""Variance of white noise that is added to these, re that of what is integrated."""
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

Kind = Literal["step", "bend", "excursion", "scatter", "events", "lost"]


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
        How many independent points with the same scatter would know the slope as well.
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
    kind : {"step", "bend", "excursion", "scatter", "events", "lost"}
        A bend is a new slope, which may settle; an excursion comes back; scatter grows; events
        become more frequent; a course is lost when what it is of can no longer be measured.
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
    resolution: float = 0.0,
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
    resolution : float
        Standard uncertainty of the difference between the ends of the course by what is no scatter,
        such as a beat of hum with the note, in the unit of the values.

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
    Ordinary least squares; the question is how far off scatter may have put it. The course is a
    straight line, or bent by warming up (a line and some decaying exponentials), and its bend is
    no scatter. What kind of noise the rest is cannot be known for sure from a few hundred points.
    So each of a list counts by its restricted likelihood (Patterson and Thompson 1971), under both
    courses: AR(1) of `CORRELATIONS`, and `FRACTIONS` with `WHITE_SHARES`. The exponentials have
    a prior that is worth one point (Kass and Wasserman 1995), so that they count where the course
    is bent only. Under each of them the variance of the slope follows from the covariance, and
    Student's t has as many degrees of freedom as points are left; the chance is the mean over
    them, and so is the variance. The means of a random walk over the stretches are one more, for
    they are smoother than the walk itself (Working 1960). `FRACTION_WEIGHTS` make slow noise
    likelier beforehand: what is not told from it is not called a trend.

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
    weights = t / spread
    slope = float(np.dot(weights, x))
    settling = _smooth(known.places)
    line, exponentials = settling[:, :2], settling[:, 2:]
    since = np.zeros_like(t) if onset_seconds is None else known.times - onset_seconds
    changed = np.sum(since >= 0) >= POINTS_AFTER and np.sum(since < 0) >= POINTS_AFTER
    if changed:
        late, length = np.maximum(since, 0.0), float(np.ptp(t))
        settled = [1 - np.exp(-late / (share * length)) for share in _AFTER_SETTLING]
        line = np.column_stack([line, since >= 0, late / length, *settled])
    # Values that lie on a smooth course to the last bit leave nothing but rounding.
    rounding = max(1e-12 * float(np.max(np.abs(x))), 1e-300)
    n, few, more = len(x), line.shape[1], exponentials.shape[1]
    noises = _noises(known.places.tobytes())
    courses = (
        tuple(_course(noise, line, exponentials) for noise in noises)
        if changed
        else _settling_courses(known.places.tobytes())
    )
    likelihoods, scales, freedoms = [], [], []
    for noise, course in zip(noises, courses, strict=True):
        white = solve_triangular(noise.root, x, lower=True)
        shares_of_power = np.square(course.basis.T @ white)
        rest = float(np.dot(white, white)) - float(np.sum(shares_of_power))
        rest = max(rest, n * rounding**2)
        straight = rest + float(np.sum(shares_of_power[few:]))
        base = noise.weight - noise.determinant - course.determinant
        # The line alone; and the exponentials too, with a prior that is worth one point.
        both = (straight + n * rest) / (1 + n)
        likelihoods += [
            base - (n - few) / 2 * float(np.log(straight)),
            base - (n - few) / 2 * float(np.log(both)) - more / 2 * float(np.log(1 + n)),
        ]
        size = float(np.linalg.norm(noise.root.T @ weights))
        for power, freedom in ((straight, n - few), (rest, n - few - more)):
            scales.append(float(np.sqrt(power / freedom)) * size)
            freedoms.append(freedom)
    shares = np.exp(np.array(likelihoods) - max(likelihoods))
    shares /= np.sum(shares)
    deviations = np.hypot(scales, resolution / float(np.ptp(known.times)))
    chances = 2 * stats.t.sf(abs(slope) / deviations, freedoms)
    chance = float(np.dot(shares, chances))
    uncertainty = float(np.sqrt(np.dot(shares, deviations**2)))
    q, _ = np.linalg.qr(np.column_stack([line, exponentials]))
    left = x - q @ (q.T @ x)
    independent = float(np.dot(left, left)) / spread / uncertainty**2
    return Trend(
        Estimate(slope * _HOUR, uncertainty * _HOUR),
        chance,
        float(np.clip(independent, 1.0, n)),
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
    unlikely place counts, its chance multiplied by the number of places tried (Bonferroni). The
    time told is the likeliest one, from which on another share of the stretches has events; its
    uncertainty is how likely the others are (as Cobb 1978).

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
    # When it began: the likeliest change from one share of busy stretches to a larger one.
    begins, before = busy[busy > 0], np.flatnonzero(busy > 0)
    shares = before / begins, (total - before) / (stretches - begins)
    likelihoods = sum(
        length * (xlogy(share, share) + xlogy(1 - share, 1 - share))
        for share, length in zip(shares, (begins, stretches - begins), strict=True)
    )
    likelihoods = np.where(shares[1] > shares[0], likelihoods, -np.inf)
    weights = np.exp(likelihoods - np.max(likelihoods))
    weights /= np.sum(weights)
    first = int(begins[np.argmax(weights)])
    moments = times[begins]
    spread = float(np.dot(weights, (moments - np.dot(weights, moments)) ** 2))
    step = float(np.median(np.diff(times)))
    return Onset(
        Estimate(float(times[first]), float(np.sqrt(spread + step**2 / 12))),
        "events",
        float(np.sum(counts[first:])),
        chance,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Known:
    """The known points of a course; `places` counts points, the missing ones too."""

    times: NDArray[np.float64]
    values: NDArray[np.float64]
    places: NDArray[np.int_]


@dataclass(frozen=True, slots=True, eq=False)
class _Noise:
    """A kind of scatter: the Cholesky root of its covariance at the known points."""

    root: NDArray[np.float64]
    determinant: float  # logarithm of the root's
    weight: float  # logarithm of how likely it is beforehand


@dataclass(frozen=True, slots=True, eq=False)
class _Course:
    """A course that a trend may have, as it looks where one kind of scatter is made white."""

    basis: NDArray[np.float64]  # orthonormal; the line first
    determinant: float  # logarithm of that of the line's triangular factor


def _course(noise: _Noise, line: NDArray[np.float64], exponentials: NDArray[np.float64]) -> _Course:
    white = solve_triangular(noise.root, np.column_stack([line, exponentials]), lower=True)
    basis, upper = np.linalg.qr(white)
    turned = np.log(np.maximum(np.abs(np.diag(upper)[: line.shape[1]]), 1e-300))
    return _Course(basis, float(np.sum(turned)))


@lru_cache(maxsize=2)  # as `_noises`; an entry is 1 MB at most
def _settling_courses(places: bytes) -> tuple[_Course, ...]:
    """A straight line with settling, under each of the noises."""
    settling = _smooth(np.frombuffer(places, dtype=np.int_))
    return tuple(_course(noise, settling[:, :2], settling[:, 2:]) for noise in _noises(places))


@lru_cache(maxsize=2)  # the courses of a soak have two lengths; one entry is 15 MB at most
def _noises(places: bytes) -> tuple[_Noise, ...]:
    """All noises that are reckoned with, at these places (64-bit integers)."""
    at = np.frombuffer(places, dtype=np.int_)
    at = at - at[0]
    apart = np.abs(at[:, np.newaxis] - at)
    covariances = [(1.0, correlation**apart) for correlation in CORRELATIONS]
    for fraction, weight in zip(FRACTIONS, FRACTION_WEIGHTS, strict=True):
        k = np.arange(1.0, at[-1] + 1)
        response = np.cumprod(np.concatenate([[1.0], (k - 1 + fraction) / k]))
        integrated = toeplitz(response, np.zeros(len(response)))[at]
        covariance = integrated @ integrated.T
        white = np.eye(len(at))
        covariances += [(weight, covariance + share * white) for share in WHITE_SHARES]
    # The mean over [i, i + 1] of a walk from 0 on has the variance i + 1/3 and the covariance
    # i + 1/2 with later ones.
    means = np.minimum(at[:, np.newaxis], at) + 0.5 - np.eye(len(at)) / 6
    covariances += [(MEANS_WEIGHT, means + share * np.eye(len(at))) for share in WHITE_SHARES]
    noises = []
    for weight, covariance in covariances:
        root = np.linalg.cholesky(covariance)
        determinant = float(np.sum(np.log(np.diag(root))))
        noises.append(_Noise(root, determinant, float(np.log(weight))))
    return tuple(noises)


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
    """Changes that are tried: the point each begins at, and its kind; excursions come last.

    Steps and bends have a column each. An excursion is the step where it begins less the one where
    it comes back, so that all of them are tried without a column for each.
    """

    columns: NDArray[np.float64]
    ups: NDArray[np.int_]
    downs: NDArray[np.int_]
    begins: NDArray[np.int_]
    kinds: NDArray[np.str_]

    def column(self, number: int) -> NDArray[np.float64]:
        """What a change looks like."""
        others = self.columns.shape[1]
        if number < others:
            return self.columns[:, number]
        up, down = self.ups[number - others], self.downs[number - others]
        return np.asarray(self.columns[:, up] - self.columns[:, down])

    def of_all(self, of_columns: NDArray[np.float64]) -> NDArray[np.float64]:
        """Products of all changes with a course, from those of the columns."""
        return np.concatenate([of_columns, of_columns[self.ups] - of_columns[self.downs]])

    def energies(self, columns: NDArray[np.float64]) -> NDArray[np.float64]:
        """Sums of squares of all changes, where the columns have become these."""
        own = np.einsum("ij,ij->j", columns, columns)
        steps = columns[:, : 1 + int(np.max(self.downs, initial=-1))]
        both = (steps.T @ steps)[self.ups, self.downs]
        return np.concatenate([own, own[self.ups] + own[self.downs] - 2 * both])


def _candidates(places: NDArray[np.int_]) -> _Candidates:
    n = len(places)
    starts = np.arange(POINTS_BEFORE, n - POINTS_AFTER + 1)
    since = (places[:, np.newaxis] - places[starts]).astype(float)
    length = float(places[-1] - places[0])
    groups: list[tuple[NDArray[np.float64], Kind]] = [
        ((since >= 0).astype(float), "step"),
        (np.maximum(since, 0.0) / length, "bend"),
    ]
    for share in _AFTER_SETTLING:
        settled = 1 - np.exp(-np.maximum(since, 0.0) / (share * length))
        groups.append((settled, "bend"))
    lasts = places[starts] - places[starts][:, np.newaxis]
    ups, downs = np.nonzero((lasts >= POINTS_AFTER) & (lasts <= n // 2))
    kinds = [kind for _, kind in groups]
    return _Candidates(
        np.concatenate([columns for columns, _ in groups], axis=1),
        ups,
        downs,
        np.concatenate([np.tile(starts, len(groups)), starts[ups]]),
        np.concatenate([np.repeat(kinds, len(starts)), np.full(len(ups), "excursion")]),
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
        whole = tried.energies(columns)
        energies = whole - tried.energies(base.T @ columns)
        products = tried.of_all(white @ columns)
        whole_rest = float(np.dot(white, white))
        # A change that the smooth course does itself leaves nothing to be told by.
        told = energies > 1e-6 * whole
        gains = np.where(told, products**2 / np.where(told, energies, 1.0), 0.0)
        # There are far more excursions: as a whole they are as likely beforehand as the others.
        excursions = len(tried.ups)
        others = len(gains) - excursions
        unsure = max(whole_rest - float(np.max(gains)), 0.0) / n
        gains[others:] -= 2 * unsure * max(np.log(max(excursions, 1) / others), 0.0)
        best = int(np.argmax(gains))
        # A stretch in which the change comes about is neither before nor after: it has no say in
        # how large the scatter is, or a soft change would be taken for scatter.
        begin = int(tried.begins[best])
        soft = np.zeros((n, _SOFT))
        soft[np.arange(begin - 1, begin - 1 + _SOFT), np.arange(_SOFT)] = 1.0
        changed = np.column_stack([smooth, soft, tried.column(best)])
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
    trials = 2 * (excursions if best >= others else others)  # each has half of the chance
    chance = float(2 * stats.t.sf(np.sqrt(gain / variance), independent)) * trials
    change = tried.column(best)
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
    # Where points are missing, it may have come about anywhere among them.
    step = float(np.median(np.diff(known.times)))
    gaps = np.diff(known.times, prepend=known.times[0] - step)
    # A course is off its earlier one at the first point of a step, a bend only begins there.
    bends = tried.kinds == "bend"
    earlier = np.where(bends, (gaps - step)[tried.begins], gaps[tried.begins])
    moments = known.times[tried.begins] - earlier / 2
    gap = float(gaps[begin])
    mean = float(np.dot(weights, moments))
    spread = float(np.dot(weights, (moments - mean) ** 2))
    # How a bend settles is known roughly, which puts its beginning off by about a point.
    shape = step if bends[best] else 0.0
    onset = Onset(
        Estimate(float(moments[best]), float(np.sqrt(spread + gap**2 / 12 + shape**2))),
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
