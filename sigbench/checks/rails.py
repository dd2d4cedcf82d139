"""Supply rails: volts read off a multimeter, against what the schematic asks for.

The audio interface takes no part: its inputs must never touch a supply rail.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from sigbench.errors import RequestError
from sigbench.model import Limit, Measurement, Rail, Reading, Source
from sigbench.units import Volts, read_volts

DEAD_FRACTION = (
    0.05  # of nominal: below this a rail is missing, not low; common practice, no source
)
RIPPLE_VOLTS = 0.02
"""RMS on a regulated rail: a good one has some millivolts; common practice, no source."""
LOGIC_VOLTS = 6.5  # up to here a positive rail feeds logic rather than amplifiers; the same
SLIP_FRACTION = 0.5
"""Of nominal: with the wrong sign, from here on the minus was rather forgotten. A rail that is
missing is pulled over to the other side by a volt or so; common practice, no source."""
METER = Source("meter", None, None, samplerate=0, channels=0, frames=0)


@dataclass(frozen=True, slots=True)
class MeterAccuracy:
    """What a multimeter's data sheet promises: percent of the reading plus a number of digits.

    The default is that of an ordinary hand-held meter on its 20 V to 60 V range, and for ripple on
    the AC range with digits of a millivolt (common practice, no source).
    """

    percent: float = 0.5
    digits: float = 2.0
    digit_volts: float = 0.01
    ac_percent: float = 1.0
    ac_digits: float = 5.0
    ac_digit_volts: float = 0.001

    def uncertainty(self, volts: float) -> float:
        """Standard uncertainty in volts of one reading of DC volts.

        The promise is a pair of bounds with nothing known of what lies between them: a uniform
        distribution, half width over the root of 3 (GUM, JCGM 100:2008, 4.3.7).
        """
        half_width = self.percent / 100 * abs(volts) + self.digits * self.digit_volts
        return half_width / math.sqrt(3)

    def ripple_uncertainty(self, volts: float) -> float:
        """The same of AC volts, for what is no faster than the ripple of a rectifier."""
        half_width = self.ac_percent / 100 * abs(volts) + self.ac_digits * self.ac_digit_volts
        return half_width / math.sqrt(3)


def reading_name(quantity: str, rail: Rail) -> str:
    """Name of a rail's reading: ``rail_volts[+15 V]``, the rail's own name in brackets."""
    return f"{quantity}[{rail.name}]"


def rail_limit(rail: Rail) -> Limit:
    """The rail's tolerance as a limit in volts on its ``rail_volts`` reading."""
    margin = abs(rail.nominal_volts) * rail.tolerance_percent / 100
    low, high = rail.nominal_volts - margin, rail.nominal_volts + margin
    return Limit(reading_name("rail_volts", rail), "V", low, high)


def require_rails(rails: Sequence[Rail]) -> None:
    """One clear sentence where a list of rails cannot be measured.

    Raises
    ------
    RequestError
        If a rail has no name of its own, no nominal voltage or no tolerance.
    """
    seen: set[str] = set()
    for number, rail in enumerate(rails, start=1):
        if not rail.name.strip() or any(c in rail.name for c in "[]"):
            raise RequestError(
                f"Rail {number} is named '{rail.name}': give it a name without brackets, "
                "such as +15 V."
            )
        if rail.name in seen:
            raise RequestError(
                f"Two rails are named '{rail.name}': give each its own name, "
                "such as '+5 V digital' and '+5 V analogue'."
            )
        seen.add(rail.name)
        if not math.isfinite(rail.nominal_volts) or rail.nominal_volts == 0:
            raise RequestError(
                f"Rail '{rail.name}' has a nominal voltage of {rail.nominal_volts:g} V: "
                "give the voltage on the schematic, with its sign."
            )
        if not math.isfinite(rail.tolerance_percent) or rail.tolerance_percent <= 0:
            raise RequestError(
                f"Rail '{rail.name}' has a tolerance of {rail.tolerance_percent:g} %: "
                "give one above 0 %, such as 5."
            )


def measure_rails(rails: Sequence[Rail], *, meter: MeterAccuracy | None = None) -> Measurement:
    """Readings of the supply rails that were typed in from the multimeter.

    Parameters
    ----------
    rails : sequence of Rail
        With `measured_volts` where a voltage was measured, in volts DC against ground, and
        `ripple_volts` where its ripple was.
    meter : MeterAccuracy, optional
        Data sheet accuracy of the multimeter.

    Returns
    -------
    Measurement
        For each rail ``rail_volts[name]`` in V and ``rail_error[name]`` in percent of nominal:
        below zero for a rail that sags, whatever its sign; ``rail_ripple[name]`` in V RMS where it
        was measured. Channel is None. The source is of kind ``meter``, without audio.

    Raises
    ------
    RequestError
        If there is no rail, or one has no name of its own, no nominal voltage or no tolerance.
    """
    if not rails:
        raise RequestError(
            "No supply rails are listed: write each one's name, nominal voltage and tolerance "
            "into the rails step of the plan."
        )
    require_rails(rails)
    meter = meter or MeterAccuracy()
    readings = [reading for rail in rails for reading in _measure_rail(rail, meter)]
    return Measurement("rails", METER, tuple(readings))


def _measure_rail(rail: Rail, meter: MeterAccuracy) -> tuple[Reading, ...]:
    if rail.ripple_volts is None:
        return _measure_volts(rail, meter)
    return *_measure_volts(rail, meter), _measure_ripple(rail, rail.ripple_volts, meter)


def _measure_ripple(rail: Rail, volts: float, meter: MeterAccuracy) -> Reading:
    name = reading_name("rail_ripple", rail)
    if not math.isfinite(volts) or volts < 0:
        return Reading.invalid(
            name, "V", "AC volts are zero or more: type what the meter shows on AC"
        )
    remark = None
    if volts > RIPPLE_VOLTS:
        remark = f"more than the {1000 * RIPPLE_VOLTS:g} mV that a good regulator leaves"
    return Reading(name, volts, "V", uncertainty=meter.ripple_uncertainty(volts), why=remark)


def _measure_volts(rail: Rail, meter: MeterAccuracy) -> tuple[Reading, Reading]:
    names = reading_name("rail_volts", rail), reading_name("rail_error", rail)
    volts, nominal = rail.measured_volts, rail.nominal_volts
    why = _no_number(rail)
    if volts is None or why is not None:
        reason = why or "not measured"
        return Reading.invalid(names[0], "V", reason), Reading.invalid(names[1], "%", reason)
    uncertainty = meter.uncertainty(volts)
    remark = _remark(rail, volts, uncertainty)
    error = 100 * (volts - nominal) / nominal
    return (
        Reading(names[0], volts, "V", uncertainty=uncertainty, why=remark),
        Reading(names[1], error, "%", uncertainty=100 * uncertainty / abs(nominal), why=remark),
    )


def complaint(rail: Rail, volts: Volts) -> str | None:
    """What is wrong with the volts that are typed in for a rail; None if nothing is."""
    typed = replace(rail, measured_volts=volts[0], ripple_volts=volts[1])
    refused = next((r for r in measure_rails((typed,)).readings if r.state == "invalid"), None)
    return None if refused is None else f"{rail.name}: {refused.why}."


def read_rail(rail: Rail, text: str) -> Volts:
    """The volts that are typed for a rail, and its ripple.

    Raises
    ------
    RequestError
        If they are no numbers, or cannot be right; it names the rail.
    """
    try:
        volts = read_volts(text)
    except RequestError as exc:
        raise RequestError(f"{rail.name}: {exc}") from exc
    wrong = complaint(rail, volts)
    if wrong is not None:
        raise RequestError(wrong)
    return volts


def rail_key(name: str) -> str:
    """A rail's name as it may be typed: no spaces, any case, any minus sign, comma or point."""
    return "".join(name.split()).casefold().replace("−", "-").replace(",", ".")


def nominal_of(name: str) -> float | None:
    """The volts that a rail's name begins with; None if it begins with no number.

    Examples
    --------
    >>> nominal_of("−15 V"), nominal_of("+3,3 V"), nominal_of("3V3 digital")
    (-15.0, 3.3, 3.3)
    """
    plain = name.strip().replace("−", "-")
    # Of 12V1 the 1 is a number of the rail: schematics write a decimal so below 10 V.
    found = re.match(r"([+-]?\d+)(?:[.,](\d+)|(?<!\d\d)[Vv](\d))?", plain)
    return None if found is None else float(f"{found[1]}.{found[2] or found[3] or 0}")


def what_is_heard(rail: Rail) -> str:
    """What a missing rail means for what is heard; common practice, no source."""
    if 0 < rail.nominal_volts <= LOGIC_VOLTS:
        return (
            "without a logic rail nothing answers: no sound or a hung one, dark display, dead keys"
        )
    half, lost = ("lower", "upper") if rail.nominal_volts > 0 else ("upper", "lower")
    return (
        f"amplifiers between two rails keep the {half} half of the wave or stick there and lose "
        f"the {lost} one (harsh, weak or silent), and those that have this rail alone are silent"
    )


def _no_number(rail: Rail) -> str | None:
    volts, nominal = rail.measured_volts, rail.nominal_volts
    if volts is None:
        return "not measured"
    if not math.isfinite(volts):
        return "the measured voltage is no finite number: type it in again"
    if volts * nominal < 0 and abs(volts) >= SLIP_FRACTION * abs(nominal):
        return (
            f"typed in as {volts:+g} V where {nominal:+g} V belongs: check the minus sign, and "
            "that the black probe is on ground"
        )
    return None


def _remark(rail: Rail, volts: float, uncertainty: float) -> str | None:
    if abs(volts) < DEAD_FRACTION * abs(rail.nominal_volts):
        return f"near 0 V: the rail is missing; {what_is_heard(rail)}"
    if volts * rail.nominal_volts < 0:
        return (
            "of the wrong sign: the rail is missing and is pulled over by what it should feed; "
            f"{what_is_heard(rail)}"
        )
    margin = abs(rail.nominal_volts) * rail.tolerance_percent / 100
    over = abs(volts - rail.nominal_volts) - margin
    if over > 0:
        certain = over > 2 * uncertainty
        return f"outside ±{rail.tolerance_percent:g} %" + (
            "" if certain else " by less than the meter can be trusted"
        )
    return None
