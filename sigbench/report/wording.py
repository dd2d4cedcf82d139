"""Readings in words: one place for names, digits, units and reasons.

The terminal tables and the report both print through here. Nothing heavy is imported.

Uncertainty is printed as the expanded uncertainty U = 2 u (k = 2, about 95 %), for that is
what a reader takes the figure after ± to be (GUM, JCGM 100:2008, 7.2.4); the records keep the
standard uncertainty u.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal

from sigbench.checks import NO_ONSET
from sigbench.model import Comparison, EventKind, Limit, Reading, Verdict
from sigbench.units import true_minus

COVERAGE_FACTOR = 2.0  # k of the printed expanded uncertainty, about 95 % (GUM 6.2, 6.3)
SIGNIFICANT_DIGITS = 2  # of an uncertainty, at most (GUM 7.2.6)
ROUND_DOWN_BELOW = Decimal("0.25")  # of the last digit kept; else up: at most 2.5 % is hidden
SHOWN_LIST_VALUES = 4  # entries of a list value that still fit a line

TINY = Decimal("1e-6")  # of the last digit: what binary fractions leave, no remainder

# The finest step printed, by unit: what lies below does not matter on a bench.
FINEST = {
    "dB": "0.001",
    "dBFS": "0.001",
    "dBu": "0.001",
    "dBV": "0.001",
    "ppm": "0.001",
    "Hz": "0.0001",
    "cents": "0.001",
    "dB/h": "0.001",
    "cents/h": "0.001",
    "%": "0.00001",
    "% points": "0.00001",
    "V": "0.0001",
}
# The finest step in a report: a buyer has no use for more, nor can the gain be set again so.
FINEST_IN_REPORT = FINEST | {"dB": "0.01", "dBFS": "0.01", "dBu": "0.01", "cents": "0.01"}
DECIBEL_UNITS = ("dB", "dBFS", "dBu", "dBV")

# Sizes that cannot be below zero: where ± would reach there, only the upper end is printed.
NEVER_NEGATIVE = frozenset(
    {
        ("thd", "%"),
        ("thd_n", "%"),
        ("modulation_am", "%"),
        ("modulation_fm", "cents"),
        ("frequency_drift", "cents"),
        ("dropout_time", "s"),
        ("worn_share", "%"),
        ("dead_share", "%"),
    }
)


@dataclass(frozen=True, slots=True)
class Label:
    """How a reading is called in a report.

    `main` readings always stand in the tables; the others only when there is cause. `units`
    are in order of preference, for a reading that is given in several.
    """

    title: str
    explanation: str
    main: bool = True
    units: tuple[str, ...] = ()


_LEVEL = ("dBu", "dBFS")
_SHARE = ("dB", "%")  # a share spans decades: only in decibels do before and after fit one scale

LABELS: dict[str, Label] = {
    "rail_volts": Label("Supply", "Voltage of a supply line inside the unit, by multimeter."),
    "rail_ripple": Label("Supply ripple", "Alternating voltage on a supply line, by multimeter."),
    "rail_error": Label("Supply error", "Distance of a supply from its nominal voltage.", False),
    "level_rms": Label(
        "Level", "How strong the whole signal is on average (RMS).", main=False, units=_LEVEL
    ),
    "level_peak": Label("Peak level", "The highest sample of the wave.", False, _LEVEL),
    "level_true_peak": Label(
        "True peak level", "The highest point of the wave, also between samples.", False, _LEVEL
    ),
    "crest_factor": Label(
        "Crest factor", "How far the peaks stand above the average level.", main=False
    ),
    "tone_level": Label(
        "Tone level", "How strong the note itself is, without hum and noise.", units=_LEVEL
    ),
    "dc_offset": Label(
        "DC offset", "A steady voltage under the signal; there should be next to none.", main=False
    ),
    "frequency": Label("Frequency", "How many times a second the wave repeats.", main=False),
    "pitch_error": Label(
        "Tuning error", "Distance from the nominal pitch; 100 cents are a semitone."
    ),
    "frequency_drift": Label("Pitch drift", "How far the pitch wandered while it was recorded."),
    "thd": Label(
        "Distortion (THD)",
        "Overtones at the note's multiples, against the note: −40 dB is 1 %, −60 dB 0.1 %, −80 dB"
        " 0.01 % of it. A bright sound has many by design: then only the change matters.",
        units=_SHARE,
    ),
    "thd_n": Label(
        "Distortion and noise (THD+N)",
        "Everything but the note itself, overtones, hum and hiss, against the whole: −40 dB is"
        " 1 %, −60 dB 0.1 %, −80 dB 0.01 % of it. Lower is cleaner.",
        units=_SHARE,
    ),
    "sinad": Label(
        "Signal against distortion and noise (SINAD)",
        "The note against everything else. Higher is cleaner.",
        main=False,
    ),
    "harmonics": Label("Overtones", "Strength of each multiple of the note.", main=False),
    "harmonic_phases": Label(
        "Phases of the overtones", "Where in its cycle each overtone stands, re the note.", False
    ),
    "clip_asymmetry": Label(
        "Clipping asymmetry",
        "Difference between the upper and the lower half of the wave.",
        main=False,
    ),
    "noise_rms": Label(
        "Noise, unweighted",
        "Everything heard from the silent unit, 20 Hz to 20 kHz. Lower is quieter.",
        units=_LEVEL,
    ),
    "noise_a": Label(
        "Noise, A-weighted",
        "Noise of the silent unit, counted the way the ear hears quiet sounds: mostly hiss.",
        units=_LEVEL,
    ),
    "noise_468": Label(
        "Noise, ITU-R 468",
        "Noise of the silent unit, counted by how much it disturbs, crackle included.",
        main=False,
        units=_LEVEL,
    ),
    "mains_frequency": Label("Mains frequency", "Of the local mains while recording.", main=False),
    "hum_1x": Label("Hum at mains frequency", "Points to wiring and earth loops.", False, _LEVEL),
    "hum_2x": Label("Hum at twice mains", "Points to the smoothing of the supply.", False, _LEVEL),
    "hum_total": Label(
        "Hum, all mains lines", "Hum and buzz from the mains, all multiples together.", units=_LEVEL
    ),
    "spurs": Label("Stray tones", "Whistles that are neither note nor hum.", main=False),
    "modulation_am": Label("Level unsteadiness", "How far the level flutters, in percent."),
    "modulation_fm": Label("Pitch unsteadiness", "How far the pitch flutters."),
    "balance": Label("Left minus right", "Difference in level; 0 dB is even."),
    "polarity": Label("Polarity", "Whether both channels push the same way; they should."),
    "delay": Label("Delay between channels", "How far one channel is late.", main=False),
    "crosstalk": Label("Crosstalk", "How much of the driven channel leaks into the silent one."),
    "response": Label("Frequency response", "Level at each frequency.", main=False),
    "low_corner": Label("Lower corner (−3 dB)", "Below it, bass is lost."),
    "high_corner": Label("Upper corner (−3 dB)", "Above it, treble is lost."),
    "thd_by_level": Label("Distortion against level", "Of the rig itself.", main=False),
    "thd_n_by_level": Label("Distortion and noise against level", "Of the rig itself.", main=False),
    "clock_difference": Label(
        "Clock of inputs and outputs", "How far the two run apart, in millionths.", main=False
    ),
    "latency": Label("Latency", "From playing to recording, through the loop.", main=False),
    "dropouts": Label("Dropouts", "How often the sound broke off."),
    "dropout_time": Label("Time in dropouts", "All breaks added up."),
    "dips": Label("Dips", "How often the sound became weaker for a moment."),
    "hum_bursts": Label("Bursts of hum", "How often hum came up: a ground lets go."),
    "crackle_rate": Label("Crackle", "Clicks and crackles a second."),
    "crackle_energy": Label("Strength of the crackle", "Against the sound itself."),
    "worn_travel": Label(
        "Worn places", "Where on a control's way it crackles each time it passes.", main=False
    ),
    "worn_share": Label(
        "Worn part of the travel", "How much of a control's way crackles each time it passes."
    ),
    "dead_travel": Label(
        "Dead places", "Where on a control's way the level jumps each time it passes.", main=False
    ),
    "dead_share": Label(
        "Dead part of the travel",
        "How much of a control's way cannot be set: the level jumps over it.",
    ),
    "jumps": Label("Jumps", "How often the level jumped while a control was turned."),
    "gang_error": Label("Tracking", "Left against right along a control's way.", main=False),
    "gang_error_most": Label(
        "Tracking error, at most", "The largest difference of left and right on a control's way."
    ),
    "top_level": Label("Highest level", "With the control fully up.", units=_LEVEL),
    "end_residue": Label(
        "Residue at the end stop", "What is left with the control fully down, against fully up."
    ),
    "onset": Label("Onset", "When something left its earlier course; best is never."),
    "level_trend": Label("Trend of the level", "How fast the sound became louder or weaker."),
    "pitch_trend": Label("Trend of the pitch", "How fast the pitch drifted, warming up included."),
    "hum_trend": Label("Trend of the hum", "How fast hum rose or fell.", False),
    "noise_trend": Label("Trend of the noise", "How fast noise rose or fell.", False),
    "level_course": Label("Level over time", "Point by point, for a plot.", False),
    "pitch_course": Label("Pitch over time", "Point by point, for a plot.", False),
    "hum_course": Label("Hum over time", "Point by point, for a plot.", False),
    "noise_course": Label("Noise over time", "Point by point, for a plot.", False),
}

VERDICT_WORDS: dict[Verdict, str] = {
    "no change": "any difference is within what the measurement scatters, or too small to matter",
    "better": "changed for the better, by more than the measurement scatters",
    "worse": "changed for the worse, by more than the measurement scatters",
    "different": "changed by more than the measurement scatters; neither way is better by itself",
    "cannot tell": "there is no difference to judge; the note says why",
}

OUTSIDE_LIMIT = "outside limit"

EVENT_WORDS: dict[EventKind, str] = {
    "dropout": "dropout",
    "dip": "dip in level",
    "crackle": "crackle",
    "click": "click",
    "hum_burst": "burst of hum",
    "lost_buffers": "audio lost by the computer",
    "mark": "mark set by hand",
}


def label(name: str) -> Label:
    """The label of a reading; a name that is not in the list is spelled out."""
    base, _, which = name.rstrip("]").partition("[")
    if base in LABELS and which:  # rail_volts[+15 V]
        words = LABELS[base]
        which = f"−{which[1:]}" if which.startswith("-") else which
        return replace(words, title=f"{words.title} {which}")
    spelled = name.replace("_", " ")
    return LABELS.get(name) or Label(spelled[:1].upper() + spelled[1:], "")


def channel_name(
    channel: int | None, channels: Sequence[int] | None = None, *, pair: bool = True
) -> str:
    """``left`` and ``right`` on a pair of jacks, else ``channel 3``; both for a pair reading."""
    if channel is None:
        if not channels:
            return ""
        return " / ".join(channel_name(c, pair=pair) for c in channels)
    if pair and channel in (1, 2):
        return ("left", "right")[channel - 1]
    return f"channel {channel}"


@dataclass(frozen=True, slots=True)
class ReadingText:
    """A reading ready to print, in parts that a table can align.

    Either `number` (with `plus_minus` and `unit` where there are any) or `words`; `reason` says
    why there is no valid number, or what to keep in mind about it.
    """

    number: str = ""
    plus_minus: str = ""
    unit: str = ""
    words: str = ""
    reason: str = ""

    @property
    def text(self) -> str:
        """All but the reason, as one piece of text."""
        if self.words:
            return self.words
        return " ".join(part for part in (self.number, self.plus_minus, self.unit) if part)


def format_reading(reading: Reading | None) -> str:
    """One reading as text: ``−93.42 ± 0.21 dBFS``, ``below −110 dB`` or the reason for none.

    The figure after ± is the expanded uncertainty U = 2 u, at most two significant digits, and
    the value has as many decimals (GUM 7.2.6).

    Examples
    --------
    >>> format_reading(Reading("thd_n", -93.4218, "dB", 1, 0.104))
    '−93.42 ± 0.21 dB'
    >>> format_reading(Reading("hum_1x", -110.2, "dBFS", 1, 4.34, upper_bound=True))
    'below −110 dBFS'
    >>> format_reading(Reading.invalid("thd", "dB", "no tone was found", channel=1))
    'no valid number: no tone was found'
    """
    parts = reading_text(reading)
    return f"{parts.text}: {parts.reason}" if parts.reason and parts.words else parts.text


def reading_text(reading: Reading | None, *, finest: Mapping[str, str] = FINEST) -> ReadingText:
    """The parts of a printed reading; None is a reading that was not taken.

    `finest` holds the finest step to print, by unit.
    """
    if reading is None:
        return ReadingText(words="not measured")
    reason = reading.why or ""
    if reading.name == "onset" and reason.startswith(NO_ONSET):
        return ReadingText(words=NO_ONSET, reason=reason.removeprefix(NO_ONSET).lstrip(": "))
    if reading.state == "invalid" or reading.value is None:
        return ReadingText(words="no valid number", reason=reason or "no reason was recorded")
    if isinstance(reading.value, tuple):
        return ReadingText(words=_list_words(reading.name, reading.value, reading.unit))
    value = float(reading.value)
    if math.isnan(value):
        return ReadingText(words="no valid number", reason=reason or "not a number")
    if math.isinf(value):
        silent = value < 0 and reading.unit in DECIBEL_UNITS
        return ReadingText(words="nothing at all" if silent else "no bound", reason=reason)
    if reading.name == "polarity":
        return ReadingText(words="same" if value > 0 else "reversed", reason=reason)
    uncertainty = reading.uncertainty if isinstance(reading.uncertainty, float | int) else None
    if reading.unit == "1":
        uncertainty = None  # what was counted was counted
    if reading.upper_bound or reading.state == "rig-limited":
        limited = "it lies at the rig's own limit" if reading.state == "rig-limited" else ""
        margin = 0.0 if reading.upper_bound else COVERAGE_FACTOR * (uncertainty or 0.0)
        if reading.name == "sinad":  # the one for which more is better: the bound is a lower one
            least = true_minus(f"{math.floor(value - margin):d}")
            return ReadingText(words=f"at least {least} dB", reason=reason or limited)
        if reading.name == "balance":
            within = _upper_end(abs(value) + margin, reading.unit)
            return ReadingText(words=f"within ±{within}", reason=reason or limited)
        return ReadingText(words=below(value + margin, reading.unit), reason=reason or limited)
    expanded = COVERAGE_FACTOR * (uncertainty or 0.0)
    if reading.name == "thd_n" and reading.unit == "dB" and value + expanded > 0:
        # A part is not larger than the whole, so ± that reaches above 0 dB tells only of scatter.
        spread = quantity_text(value, uncertainty, reading.unit, finest=finest).text
        scattered = f"{spread}: it scatters too widely for one number"
        return ReadingText(words="varies widely", reason=reason or scattered)
    if (reading.name, reading.unit) in NEVER_NEGATIVE and expanded > abs(value):
        return ReadingText(
            words=f"at most {_upper_end(value + expanded, reading.unit)}", reason=reason
        )
    parts = quantity_text(value, uncertainty, reading.unit, finest=finest)
    return ReadingText(parts.number, parts.plus_minus, parts.unit, reason=reason)


def short_words(reading: Reading) -> tuple[str, str]:
    """A reading in a line: its title with the channel, and its value, or why there is none."""
    title = label(reading.name).title
    if reading.channel is not None:
        title += f", {channel_name(reading.channel, pair=True)}"
    part = reading_text(reading)
    return title, part.text + (f": {part.reason}" if part.words and part.reason else "")


def step_heading(number: int, check: str, output: str) -> str:
    """``Step 3: tone, main``; a supply has no output to name."""
    return f"Step {number}: {check}" + (f", {output}" if output != "supply" else "")


@dataclass(frozen=True, slots=True)
class ComparisonText:
    """One reading at two stages, ready to print."""

    title: str
    before: ReadingText
    after: ReadingText
    change: ReadingText
    verdict: str


def comparison_text(c: Comparison) -> ComparisonText:
    """A comparison in words: title with the channel, both sides, the change and the verdict.

    A list, such as the overtones, has no figures of its own here: its verdict says it all.
    """
    title = label(c.name).title
    if c.channel is not None:
        title += f", {channel_name(c.channel, pair=True)}"
    sides = reading_text(c.before), reading_text(c.after)
    if any(r is not None and isinstance(r.value, tuple) for r in (c.before, c.after)):
        sides = ReadingText(), ReadingText()
    return ComparisonText(
        title,
        *sides,
        difference_text(c.difference, c.uncertainty, c.unit),
        f"{c.verdict}, {OUTSIDE_LIMIT}" if c.out_of_limits else c.verdict,
    )


def volts_text(volts: float) -> str:
    """Volts RMS with three digits, in V, mV or µV: ``1.23 V``, ``7.70 µV``."""
    size = abs(volts)
    scale, unit = (1.0, "V") if size >= 1 else (1e3, "mV") if size >= 1e-3 else (1e6, "µV")
    scaled = size * scale
    digits = 2 if scaled < 10 else 1 if scaled < 100 else 0
    return f"{true_minus(f'{volts * scale:.{digits}f}')} {unit}"


def format_difference(difference: float | None, uncertainty: float | None, unit: str) -> str:
    """A difference (after minus before) as text, always with its sign."""
    return difference_text(difference, uncertainty, unit).text


def difference_text(
    difference: float | None,
    uncertainty: float | None,
    unit: str,
    *,
    finest: Mapping[str, str] = FINEST,
) -> ReadingText:
    """The parts of a printed difference; of two levels it is a ratio, in dB."""
    if difference is None or not math.isfinite(difference):
        return ReadingText(words="–")
    unit = {"dBFS": "dB", "dBu": "dB", "dBV": "dB", "%": "% points"}.get(unit, unit)
    if unit == "1":
        uncertainty = None
    # A change that is real is never printed as nothing.
    size = abs(difference)
    small = size < 2 * float(finest.get(unit, "0")) and size > COVERAGE_FACTOR * (uncertainty or 0)
    parts = quantity_text(difference, uncertainty, unit, finest={} if small else finest)
    zero = not parts.number.strip("−0.")
    signed = parts.number if zero or difference < 0 else f"+{parts.number}"
    return ReadingText(signed, parts.plus_minus, parts.unit)


def quantity_text(
    value: float,
    uncertainty: float | None,
    unit: str,
    *,
    finest: Mapping[str, str] = FINEST,
) -> ReadingText:
    """A value with the expanded uncertainty, rounded alike.

    Parameters
    ----------
    value, uncertainty : float
        The uncertainty is the standard uncertainty u; None, or zero, if there is none to print.
    finest : mapping of str to str
        The finest step to print, by unit; a unit that is not in it has none.
    """
    if unit == "s":
        scale, unit = _time_scale(value)
        value *= scale
        uncertainty = None if uncertainty is None else uncertainty * scale
    step = _step(value, unit, finest)
    if not uncertainty or not math.isfinite(uncertainty):
        return ReadingText(true_minus(_plain(value, unit)), unit=unit_words(unit))
    expanded = round_uncertainty(COVERAGE_FACTOR * uncertainty, step)
    number = _decimal(value).quantize(_last_place(expanded), ROUND_HALF_EVEN)
    return ReadingText(true_minus(_fixed(number)), f"± {_fixed(expanded)}", unit_words(unit))


def round_uncertainty(uncertainty: float, step: Decimal = Decimal("1e-12")) -> Decimal:
    """An uncertainty with two significant digits, or one of `step` if that is more.

    GUM 7.2.6: rounded up rather than to the nearest digit, with common sense: a remainder of
    less than a quarter of the last of two digits is dropped.

    Examples
    --------
    >>> round_uncertainty(10.47), round_uncertainty(28.05)
    (Decimal('11'), Decimal('28'))
    """
    exact = _decimal(uncertainty)
    place = max(Decimal(1).scaleb(exact.adjusted() - SIGNIFICANT_DIGITS + 1), step)
    digits, rest = divmod(exact, place)
    two = digits >= 10 ** (SIGNIFICANT_DIGITS - 1)
    if digits == 0 or rest >= (ROUND_DOWN_BELOW if two else TINY) * place:
        digits += 1
    if digits == 10**SIGNIFICANT_DIGITS:  # 9.96 became 10.0, which has a digit too many
        digits, place = digits / 10, place.scaleb(1)
    return (digits * place).quantize(place)


def limit_words(limit: Limit) -> str:
    """A limit in words: ``at most −80 dBFS``, ``within ±0.5 dB``, ``20 to 40 Hz``."""
    if limit.reading == "polarity":
        return "same" if (limit.low or 0.0) > 0 else "reversed" if (limit.high or 0.0) < 0 else ""
    unit = f" {unit_words(limit.unit)}" if limit.unit else ""
    low = None if limit.low is None else true_minus(f"{limit.low:g}")
    high = None if limit.high is None else true_minus(f"{limit.high:g}")
    if limit.low is not None and limit.high is not None:
        if limit.low == -limit.high:
            return f"within ±{high}{unit}"
        return f"{low} to {high}{unit}"
    if high is not None:
        return f"at most {high}{unit}"
    return f"at least {low}{unit}" if low is not None else ""


def _list_words(
    name: str, values: tuple[float, ...] | tuple[tuple[float, float], ...], unit: str
) -> str:
    if not values:
        return "none"
    shown = values[:SHOWN_LIST_VALUES]
    rest = len(values) - len(shown)
    more = f" and {rest} more" if rest else ""
    if name == "harmonics":
        return (
            ", ".join(f"{k}× {_one(v)}" for k, v in enumerate(shown, 2))
            + f"{more} {unit_words(unit)}"
        )
    if name == "spurs":
        return ", ".join(f"{_one(f)} Hz {_one(v)} {unit}" for f, v in shown) + more  # type: ignore[misc]
    if name == "response":
        pairs: list[tuple[float, float]] = list(values)  # type: ignore[arg-type]
        levels = [v for _, v in pairs]
        low, high = true_minus(f"{min(levels):.2f}"), true_minus(f"{max(levels):.2f}")
        return f"{low} to {high} dB, {pairs[0][0]:.3g} Hz to {pairs[-1][0] / 1000:.3g} kHz"
    if name.endswith("_by_level"):
        at = [f"{_one(v)} dB at {true_minus(f'{x:.0f}')} dBFS" for x, v in values]  # type: ignore[misc]
        best = min(range(len(values)), key=lambda k: values[k][1])  # type: ignore[index]
        return ", ".join(dict.fromkeys((at[best], at[-1])))
    if name.endswith("_course"):
        heights = [v for _, v in values]  # type: ignore[misc]
        ends = " to ".join(true_minus(f"{v:.2f}") for v in (min(heights), max(heights)))
        first, last = values[0][0], values[-1][0]  # type: ignore[index]
        return f"{ends} {unit_words(unit)}, {first:.0f} s to {last:.0f} s"
    if name in ("worn_travel", "dead_travel"):
        return ", ".join(f"{_one(a)} to {_one(b)} %" for a, b in shown) + more  # type: ignore[misc]
    return f"{len(values)} values"


def _one(value: object) -> str:
    return true_minus(f"{value:.1f}")


def below(value: float, unit: str) -> str:
    """An upper bound as text: ``below −110 dB``, rounded up."""
    return f"below {_upper_end(value, unit)}"


def _upper_end(value: float, unit: str) -> str:
    """The upper end of an interval, never rounded below itself."""
    if unit in DECIBEL_UNITS:
        bound = _decimal(value).to_integral_value(ROUND_CEILING)
    else:
        if unit == "s":
            scale, unit = _time_scale(value)
            value *= scale
        exact = _decimal(value)
        place = max(
            Decimal(1).scaleb(exact.adjusted() - SIGNIFICANT_DIGITS + 1),
            Decimal(FINEST.get(unit, "1e-12")),
        )
        bound = exact.quantize(place, ROUND_CEILING) if exact else exact
    return f"{true_minus(_fixed(bound))} {unit_words(unit)}".rstrip()


def _step(value: float, unit: str, finest: Mapping[str, str]) -> Decimal:
    """The finest step to print; a share is never of use beyond its fourth digit."""
    step = Decimal(finest.get(unit, "1e-12"))
    if unit in finest and unit.startswith("%") and value and math.isfinite(value):
        return max(step, Decimal(1).scaleb(_decimal(value).adjusted() - 3))
    return step


def _time_scale(seconds: float) -> tuple[float, str]:
    size = abs(seconds)
    if size == 0 or size >= 0.1:
        return 1.0, "s"
    return (1e3, "ms") if size >= 1e-3 else (1e6, "µs")


def _plain(value: float, unit: str) -> str:
    """A number whose uncertainty is not known, with no more digits than are of use."""
    if value == int(value) and unit not in DECIBEL_UNITS:
        return f"{value:.0f}"
    return f"{value:.2f}" if unit in DECIBEL_UNITS else _fixed(_decimal(float(f"{value:.4g}")))


def unit_words(unit: str) -> str:
    """A unit as it is printed: nothing for a count, ``per second`` for a rate."""
    return {"1": "", "1/s": "per second", "FS": "of full scale"}.get(unit, unit)


def _decimal(value: float) -> Decimal:
    return Decimal(repr(float(value)))


def _exponent(number: Decimal) -> int:
    exponent = number.as_tuple().exponent
    assert isinstance(exponent, int)  # finite by construction
    return exponent


def _last_place(number: Decimal) -> Decimal:
    return Decimal(1).scaleb(_exponent(number))


def _fixed(number: Decimal) -> str:
    text = f"{number:f}"
    return text[1:] if number == 0 and text.startswith("-") else text
