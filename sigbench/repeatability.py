"""Repeats of one reading: their mean, their scatter, and what a difference must exceed.

The scatter s between repeats (ISO 5725-2, repeatability) already contains what each take scatters
within itself; a take's own standard uncertainty u estimates only that part. So the two are never
added: a side's variance is the larger of s² and u², over the number of repeats. With s² from few
repeats the difference follows Student's t, and is judged by it (GUM, JCGM 100:2008, G.3).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from sigbench.model import ListValue, Reading

ENOUGH_FREEDOM = 4.0
"""Degrees of freedom from which a reading's own repeats decide alone: three repeats each side.

With fewer, repeats of the same reading elsewhere in the comparison help out.
"""

OWN_FREEDOM = 4.0
"""Degrees of freedom granted to a take's own u: that of a u known to about 35 %.

GUM G.4.2: half of the inverse square of the relative uncertainty of u.
"""

NORMAL_95 = 1.96  # coverage factor for 95 % of a normal distribution

SIGNS = frozenset({"polarity"})
COUNTS = frozenset({"dropouts", "dips", "hum_bursts", "jumps"})


@dataclass(frozen=True, slots=True)
class Scatter:
    """Sum of squared deviations from each group's own mean, and its degrees of freedom."""

    squares: float = 0.0
    freedom: float = 0.0

    def __add__(self, other: "Scatter") -> "Scatter":
        return Scatter(self.squares + other.squares, self.freedom + other.freedom)

    @property
    def deviation(self) -> float:
        """Repeatability standard deviation s_r, pooled as in ISO 5725-2."""
        return math.sqrt(self.squares / self.freedom) if self.freedom else math.nan


@dataclass(frozen=True, slots=True)
class Repeats:
    """The valid values of one reading at one stage.

    Parameters
    ----------
    values : tuple of float
        At least one.
    own : float or None
        Standard uncertainty of a single take from the take itself (root mean square); None where
        it is not known.
    bound : bool
        Whether the true value is only known to lie below.
    own_freedom : float
        Degrees of freedom of `own`.
    """

    values: tuple[float, ...]
    own: float | None
    bound: bool = False
    own_freedom: float = OWN_FREEDOM

    @property
    def count(self) -> int:
        """Number of repeats."""
        return len(self.values)

    @property
    def best(self) -> float:
        """The mean; of bounds the highest, for the true value may be as high as that."""
        return max(self.values) if self.bound else math.fsum(self.values) / self.count

    @property
    def scatter(self) -> Scatter:
        """Scatter between the repeats; bounds have none to speak of."""
        if self.bound:
            return Scatter()
        mean = self.best
        return Scatter(math.fsum((v - mean) ** 2 for v in self.values), self.count - 1.0)


@dataclass(frozen=True, slots=True)
class Difference:
    """After minus before, its standard uncertainty, and the degrees of freedom behind that."""

    value: float
    standard_uncertainty: float
    freedom: float

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty, widened for few repeats: value ± 1.96 of it covers 95 %."""
        return self.standard_uncertainty * student_quantile(0.05, self.freedom) / NORMAL_95

    @property
    def chance(self) -> float:
        """Probability of so large a difference, either way, if nothing had changed."""
        if self.standard_uncertainty == 0:
            return 1.0 if self.value == 0 else 0.0
        return student_chance(self.value / self.standard_uncertainty, self.freedom)

    def limit(self, level: float) -> float:
        """What the size of the difference exceeds with probability `level` if nothing changed."""
        return self.standard_uncertainty * student_quantile(level, self.freedom)


def student_quantile(level: float, freedom: float) -> float:
    """Student's t that is exceeded, either way, with probability `level`."""
    from scipy.special import ndtri, stdtrit

    if math.isinf(freedom):
        return float(-ndtri(level / 2))
    return float(-stdtrit(freedom, level / 2))


def student_chance(t: float, freedom: float) -> float:
    """Probability that Student's t is as far from zero as `t`, either way."""
    from scipy.special import ndtr, stdtr

    tail = ndtr(-abs(t)) if math.isinf(freedom) else stdtr(freedom, -abs(t))
    return float(2 * tail)


def difference(
    before: Repeats, after: Repeats, elsewhere: Scatter | None = None
) -> Difference | None:
    """Difference of two stages with its uncertainty; None where no scatter is known at all.

    Parameters
    ----------
    before, after : Repeats
        If one of them is a bound, it is taken to scatter like the other; both must not be.
    elsewhere : Scatter, optional
        The same reading's scatter pooled over the whole comparison, this one included.

    Notes
    -----
    If nothing changed, both stages scatter alike, so s² is pooled over both (ISO 5725-2) and the
    difference over its standard uncertainty follows Student's t with n1 + n2 - 2 degrees of
    freedom; taking u² where it is larger only widens the limit. With fewer than `ENOUGH_FREEDOM`
    the scatter elsewhere is used if it has more, and if that is not enough either, u² counts as
    `OWN_FREEDOM` further degrees of freedom.
    """
    sides = [r for r in (before, after) if not r.bound]
    scatter = sum((r.scatter for r in sides), Scatter())
    if scatter.freedom < ENOUGH_FREEDOM and elsewhere and elsewhere.freedom > scatter.freedom:
        scatter = elsewhere
    known = [r.own for r in sides if r.own is not None]
    own_square = sum(u * u for u in known) / len(known) if known else None

    if scatter.freedom >= ENOUGH_FREEDOM:
        variance, freedom = scatter.squares / scatter.freedom, scatter.freedom
    elif own_square is not None and (scatter.freedom or len(known) == len(sides)):
        granted = min(r.own_freedom for r in sides if r.own is not None)
        if math.isinf(granted):
            variance, freedom = 0.0, granted
        else:
            freedom = scatter.freedom + granted
            variance = (scatter.squares + granted * own_square) / freedom
            variance = variance if scatter.freedom else 0.0
    elif scatter.freedom:
        variance, freedom = scatter.squares / scatter.freedom, scatter.freedom
    else:
        return None

    total = 0.0
    for side in (before, after):
        own = sides[0].own if side.bound else side.own
        total += max(variance, (own or 0.0) ** 2) / side.count
    return Difference(after.best - before.best, math.sqrt(total), freedom)


def count_chance(before: int, before_time: float, after: int, after_time: float) -> float:
    """Probability, either way, of so uneven a split of rare events if their rate is unchanged.

    The conditional test of two Poisson rates (Przyborowski and Wilenski, Biometrika 31, 1940):
    given their sum, the events of one side are binomial.

    Parameters
    ----------
    before, after : int
        Events on either side.
    before_time, after_time : float
        How long either side was watched, in any unit, such as takes of one length.
    """
    from scipy.special import bdtr, bdtrc

    total = before + after
    if total == 0:
        return 1.0
    share = before_time / (before_time + after_time)
    at_most = float(bdtr(before, total, share))
    at_least = 1.0 if before == 0 else float(bdtrc(before - 1, total, share))
    return min(1.0, 2 * min(at_most, at_least))


def is_valid(reading: Reading) -> bool:
    """Whether a reading has a number, or a list, that can be compared."""
    if reading.state == "invalid" or reading.value is None:
        return False
    return isinstance(reading.value, tuple) or math.isfinite(reading.value)


def is_bound(reading: Reading) -> bool:
    """Whether the true value is only known to lie below: within noise, or at the rig's limit."""
    return reading.upper_bound or reading.state == "rig-limited"


def why_invalid(readings: Sequence[Reading]) -> str:
    """The first reason why repeats have no number; minus infinity in decibels is silence."""
    for reading in readings:
        if not is_valid(reading):
            if reading.why:
                return reading.why
            if reading.value == -math.inf:
                return "digital silence"
    return "no number"


def repeats_of(readings: Sequence[Reading], *, own_freedom: float = OWN_FREEDOM) -> Repeats | None:
    """The repeats of a single-number reading; None where none of them is valid.

    One bound among values makes them all a bound: the true value was low enough to vanish once.
    """
    valid = [r for r in readings if is_valid(r) and not isinstance(r.value, tuple)]
    if not valid:
        return None
    values = tuple(float(r.value) for r in valid if isinstance(r.value, float | int))
    return Repeats(values, own_uncertainty(valid), any(is_bound(r) for r in valid), own_freedom)


def own_uncertainty(readings: Sequence[Reading]) -> float | None:
    """Root mean square of the readings' own standard uncertainties; None if one is not known."""
    own = [r.uncertainty for r in readings]
    numbers = [u for u in own if isinstance(u, float | int) and math.isfinite(u)]
    if not numbers or len(numbers) < len(own):
        return None
    return math.sqrt(math.fsum(u * u for u in numbers) / len(numbers))


def mean_of_repeats(readings: Sequence[Reading]) -> Reading:
    """One reading that stands for all repeats at a stage.

    The uncertainty is the larger of the mean's scatter, widened for few repeats so that 1.96 of
    it cover 95 %, and a single take's own: what is common to all takes does not average out.

    Parameters
    ----------
    readings : sequence of Reading
        The same reading from each repeat, at least one.
    """
    first = readings[0]
    valid = [r for r in readings if is_valid(r)]
    if not valid:
        return replace(
            first,
            value=None,
            uncertainty=None,
            state="invalid",
            why=why_invalid(readings),
            upper_bound=False,
        )
    why = valid[0].why
    if len(valid) < len(readings):
        why = f"{len(valid)} of {len(readings)} repeats are valid: {why_invalid(readings)}"
    if isinstance(valid[0].value, tuple):
        return _mean_of_lists(valid, why)
    repeats = repeats_of(valid)
    assert repeats is not None
    if first.name in SIGNS and len(set(repeats.values)) > 1:
        return Reading.invalid(
            first.name,
            first.unit,
            "the sign differs from repeat to repeat",
            channel=first.channel,
            channels=first.channels,
        )
    limited = any(r.state == "rig-limited" for r in valid)
    uncertainty = _uncertainty_of_mean(repeats)
    if first.name in COUNTS:
        takes, total = repeats.count, sum(repeats.values)
        uncertainty = math.sqrt(max(total, 1.0)) / takes  # Poisson
        why = why or (f"{total:.0f} in {takes} takes" if takes > 1 else None)
    return replace(
        valid[0],
        value=repeats.best,
        uncertainty=uncertainty,
        state="rig-limited" if limited else "ok",
        why=why,
        upper_bound=any(r.upper_bound for r in valid),
    )


def _uncertainty_of_mean(repeats: Repeats) -> float | None:
    scatter = repeats.scatter
    if not scatter.freedom:
        return repeats.own
    widened = student_quantile(0.05, scatter.freedom) / NORMAL_95
    return max(scatter.deviation / math.sqrt(repeats.count) * widened, repeats.own or 0.0)


def _mean_of_lists(readings: Sequence[Reading], why: str | None) -> Reading:
    """Entry by entry where all repeats have the same grid; else the first repeat stands for all."""
    first = readings[0]
    lists = [r.value for r in readings if isinstance(r.value, tuple)]
    if first.name == "spurs" or len(readings) == 1:
        return replace(first, why=why)
    size = min(len(entries) for entries in lists)
    pairs = any(isinstance(entry, tuple) for entry in lists[0][:size])
    if pairs and len({tuple(x[0] for x in e[:size] if isinstance(x, tuple)) for e in lists}) > 1:
        return replace(first, why=why)
    value: list[float | tuple[float, float]] = []
    uncertainty: list[float] = []
    for k in range(size):
        column = column_of(readings, k)
        if column is None:
            number, u = math.nan, math.nan
        else:
            mean = _uncertainty_of_mean(column)
            number, u = math.fsum(column.values) / column.count, math.nan if mean is None else mean
        entry = lists[0][k]
        value.append((entry[0], number) if isinstance(entry, tuple) else number)
        uncertainty.append(u)
    known = all(math.isfinite(u) for u in uncertainty)
    entries: ListValue = tuple(value)  # type: ignore[assignment]
    return replace(first, value=entries, uncertainty=tuple(uncertainty) if known else None, why=why)


def column_of(
    readings: Sequence[Reading], entry: int, *, noise_limited: float = math.inf
) -> Repeats | None:
    """Repeats of one entry of a list value; None where a repeat has no number there.

    An entry whose own uncertainty is `noise_limited` or more is a bound.
    """
    values: list[float] = []
    own: list[float] = []
    for reading in readings:
        if not isinstance(reading.value, tuple) or entry >= len(reading.value):
            return None
        item = reading.value[entry]
        number = item[1] if isinstance(item, tuple) else item
        if not math.isfinite(number):
            return None
        values.append(float(number))
        u = reading.uncertainty
        if isinstance(u, tuple) and entry < len(u) and math.isfinite(u[entry]):
            own.append(float(u[entry]))
    rms = math.sqrt(math.fsum(u * u for u in own) / len(own)) if len(own) == len(values) else None
    return Repeats(tuple(values), rms, any(u >= noise_limited for u in own))
