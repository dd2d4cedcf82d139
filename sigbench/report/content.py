"""What a report says: all words and numbers, before any layout.

The PDF, the pages and the HTML are laid out from the same `ReportContent`. It is written for
the buyer: causes and the unit's private notes are in its private edition alone.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

import numpy as np

from sigbench.checks.rails import rail_limit
from sigbench.compare import (
    HIGHER_IS_BETTER,
    LOWER_IS_BETTER,
    NEARER_ZERO_IS_BETTER,
    SAME_QUANTITY,
    base_name,
    check_limit,
    latest_runs,
    settings_differ,
)
from sigbench.model import (
    DOWN_VOLUME,
    SOFT_VOLUME,
    Comparison,
    Limit,
    Measurement,
    Output,
    Reading,
    Run,
    StageComparison,
    Step,
    Take,
    TakeRecord,
    Unit,
    Verdict,
    readings_named,
)
from sigbench.repeatability import mean_of_repeats
from sigbench.report.curves import level_edges, spectrum_curve
from sigbench.report.photo import Photo
from sigbench.report.pieces import PlainTable, ReportFigure
from sigbench.report.plots import (
    BarPanel,
    Curve,
    CurvePanel,
    CurvePlot,
    HarmonicsPlot,
    Mark,
    Plot,
    SpectrumPlot,
    TimePanel,
    TimePlot,
)
from sigbench.report.private import PrivatePages
from sigbench.report.rig_page import RigPage, rig_pages
from sigbench.report.soaked import soak_plots
from sigbench.report.tallies import tally_table
from sigbench.report.turned import turned_plots, turned_twice
from sigbench.report.wording import (
    COVERAGE_FACTOR,
    FINEST_IN_REPORT,
    OUTSIDE_LIMIT,
    VERDICT_WORDS,
    ReadingText,
    channel_name,
    difference_text,
    label,
    limit_words,
    reading_text,
)
from sigbench.units import nearest_note

TakeLookup = Callable[[TakeRecord], Take | None]

FRONT_ROWS, FRONT_ROWS_BESIDE_PHOTO = 9, 6  # of the front table: a plot fits below
FRONT_FIGURES = 1
PLOTTED_CHANNELS = 2  # panels side by side; more would be too small to read
NAMED_HARMONICS = 10
FAINT_DB = 3.0  # uncertainty of an overtone's level from which on it is hardly there
IN_TUNE_CENTS = 10.0  # nearer to a note than this, a frequency is called by the note's name
NAMED_HUM_LINES = (1, 2, 3, 4, 6, 8)
SHOWN_IN_SILENCE = {"hum_total"}  # every check gives it; the buyer wants it once
# What a buyer asks about first.
FRONT_ORDER = (
    "dropouts", "crackle_rate", "hum_total", "noise_a", "thd_n", "balance", "pitch_error",
    "tone_level", "rail_volts", "crosstalk", "polarity", "low_corner", "high_corner", "worn_share",
    "dead_share", "gang_error_most", "end_residue",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class CheckWords:
    """A check as the buyer reads of it.

    The prompts of a plan are for the person at the bench and stay out of the report: `step` says
    in a sentence what was done, `done` says it within one, `left_out` that it was not made.
    """

    title: str
    step: str
    done: str
    left_out: str = ""


CHECKS: dict[str, CheckWords] = {
    "rails": CheckWords(
        "Supply voltages",
        "Each supply voltage was read with a multimeter.",
        "its supply voltages were read with a multimeter",
        "The supply voltages inside the unit.",
    ),
    "idle": CheckWords(
        "Noise and hum in silence",
        "Nothing was played: only the unit's own noise and hum were recorded.",
        "its noise and hum were measured with nothing playing",
        "Noise and hum of the silent unit.",
    ),
    "tone": CheckWords(
        "Steady note",
        "{note} was held and recorded.",
        "a steady note was measured",
        "Level and distortion of a steady note.",
    ),
    "through": CheckWords(
        "Signal passed through",
        "A test signal was played into the unit and recorded at its output.",
        "test signals were passed through it",
        "The audio inputs, and how evenly they pass all frequencies.",
    ),
    "pot": CheckWords(
        "Control turned through its range",
        "A control was turned from end to end while its sound was recorded.",
        "a control was turned through its range",
        "Wear of knobs and sliders.",
    ),
    "jack": CheckWords(
        "Plug moved in its jack",
        "The plug was moved in its jack while the sound was recorded.",
        "the plug was moved in its jack",
        "Jacks under movement.",
    ),
    "soak": CheckWords(
        "Long run",
        "The unit was left running and recorded all the while.",
        "it was left running and watched",
        "Behaviour over hours of use.",
    ),
    "keys": CheckWords(
        "Keys",
        "The keys were played one by one and recorded.",
        "its keys were played one by one",
        "Keys and their contacts.",
    ),
    "dropouts": CheckWords(
        "Dropouts and crackle",
        "A held sound was recorded and searched for breaks and crackle.",
        "a held sound was watched for dropouts and crackle",
        "Dropouts and crackle in a held sound.",
    ),
    "contact": CheckWords(
        "Contacts", "Switch contacts were measured.", "switch contacts were measured"
    ),
    "part": CheckWords("Parts", "Single parts were measured.", "single parts were measured"),
}
ALWAYS_LEFT_OUT = (
    "Electrical safety: insulation, protective earth, leakage current.",
    "Display, memory, battery, data connections, mechanical condition and looks.",
)
CAUTION = (
    "This report is no electrical safety certificate. It says what the unit's audio outputs did "
    "on the days stated, and nothing about insulation, protective earth, leakage current or fire "
    "safety. Mains-powered equipment can be dangerous inside, also after unplugging. Where local "
    "rules ask for a safety test, or there is any doubt, have one made by a licensed person before "
    "the unit is used."
)


@dataclass(frozen=True, slots=True)
class Cell:
    """A printed reading in a table, and the mark of its note below the table."""

    number: str = ""
    plus_minus: str = ""
    unit: str = ""
    words: str = ""
    mark: str = ""

    @property
    def text(self) -> str:
        """The cell as one piece of text, without the mark."""
        return ReadingText(self.number, self.plus_minus, self.unit, self.words).text


@dataclass(frozen=True, slots=True)
class Row:
    """One reading of one channel."""

    channel: str
    before: Cell
    after: Cell
    change: Cell
    verdict: str
    verdict_mark: str = ""
    outside_limit: bool = False


@dataclass(frozen=True, slots=True)
class RowGroup:
    """The rows of one reading name, with its label and limit."""

    label: str
    limit: str
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class ReadingTable:
    """Readings of one check on one output; below them the tally of the jacks that were moved."""

    title: str
    subtitle: str
    groups: tuple[RowGroup, ...]
    notes: tuple[tuple[str, str], ...] = ()
    tally: PlainTable | None = None


@dataclass(frozen=True, slots=True)
class TakeLine:
    """One recording: where it belongs, its length (and format, if not all share one), its hash."""

    stage: str
    step: str
    recording: str
    sha256: str


@dataclass(frozen=True, slots=True)
class ReportContent:
    """Everything a report says, in order. `compared` tells whether there is a before side."""

    title: str
    subtitle: str
    unit_name: str
    serial: str
    compared: bool
    before_name: str
    after_name: str
    facts: tuple[tuple[str, str], ...]
    photo: Photo | None
    introduction: tuple[str, ...]
    summary: tuple[str, ...]
    front_table: ReadingTable
    front_figures: tuple[ReportFigure, ...]
    tables: tuple[ReadingTable, ...]
    verdict_words: tuple[tuple[str, str], ...]
    explanations: tuple[tuple[str, str], ...]
    figures: tuple[ReportFigure, ...]
    rigs: PlainTable
    rig_pages: tuple[RigPage, ...]
    steps: PlainTable
    steps_note: str
    method: tuple[str, ...]
    uncertainty: tuple[str, ...]
    takes: tuple[TakeLine, ...]
    takes_note: str
    not_measured: tuple[str, ...]
    caution: str
    made: str
    private: PrivatePages | None = None


def build_content(
    unit: Unit,
    after: Sequence[Run],
    *,
    before: Sequence[Run] = (),
    comparison: StageComparison | None = None,
    takes: TakeLookup = lambda record: None,
    made: str,
    photo: Photo | None = None,
    not_measured: Sequence[str] = (),
    version: str = "",
    private: PrivatePages | None = None,
) -> ReportContent:
    """Say in words and numbers what was measured on a unit.

    Parameters
    ----------
    unit : Unit
        Its `notes` are private and are taken from `private` alone.
    after : sequence of Run
        The stage the report is about; not empty.
    before : sequence of Run
        The earlier stage; empty for a report on one stage, or against a baseline.
    comparison : StageComparison or None
        What can be said of the differences; its verdicts are printed as they are.
    takes : callable
        Gives the audio of a stored take, or None where there is none: then it is not drawn.
    made : str
        Date of the report, ISO 8601. It comes from outside, so that the same input gives the
        same report.
    not_measured : sequence of str
        Further things to say were not measured, beside those found here.
    version : str
        Version of the program, printed in the report.
    private : PrivatePages or None
        What the private edition says more; None makes the buyer's.
    """
    compared = comparison is not None
    before_name = comparison.before if comparison else ""
    after_name = comparison.after if comparison else (after[0].stage if after else "")
    after, before = _in_order(after), _in_order(before)
    comparisons = comparison.comparisons if comparison else tuple(_single_stage(after))
    chosen = _chosen(comparisons)
    places = _Places(unit, [*after, *before], chosen)
    tallies = _tallies(after, before, before_name, after_name)
    tables = tuple(_tables(chosen, places, compared, tallies))
    figures = tuple(_figures(after, before, places, takes, before_name, after_name))
    front = _front_figures(figures)
    unit_name = " ".join(part for part in (unit.maker, unit.model) if part)
    names = {c.name for c in chosen}
    formats = [*dict.fromkeys(_format(t) for run in (*before, *after) for t in run.takes)]
    return ReportContent(
        title=unit_name,
        subtitle="Measured report before and after work"
        if compared and before
        else "Measured report",
        unit_name=unit_name,
        serial=unit.serial,
        compared=compared,
        before_name=before_name,
        after_name=after_name,
        facts=tuple(_facts(unit, after, before, before_name, after_name, made)),
        photo=photo,
        introduction=tuple(_introduction(unit_name, unit, after, before, comparison)),
        summary=tuple(_summary(chosen, places, compared)),
        front_table=_front_table(
            chosen, places, compared, FRONT_ROWS_BESIDE_PHOTO if photo else FRONT_ROWS
        ),
        front_figures=front,
        tables=tables,
        verdict_words=_verdict_words(chosen) if compared else (),
        explanations=tuple(
            (label(n).title, label(n).explanation)
            for n in dict.fromkeys(base_name(c.name) for c in chosen)
            if label(n).explanation
        ),
        figures=tuple(f for f in figures if f not in front),
        rigs=_rigs(after, before, before_name, after_name),
        rig_pages=tuple(rig_pages([*after, *before])),
        steps=_steps(after, places),
        steps_note=_shared_settings(after),
        method=tuple(_method(names)),
        uncertainty=tuple(_uncertainty(after, compared)),
        takes=(
            *_take_lines(before, before_name, places, alike=len(formats) == 1),
            *_take_lines(after, after_name, places, alike=len(formats) == 1),
        ),
        takes_note=f"All of them: {formats[0]}." if len(formats) == 1 else "",
        not_measured=tuple(_not_measured(unit, after, comparison, not_measured)),
        caution=CAUTION,
        made=f"Made with sigbench {version}".strip() + f" on {_date(made)}.",
        private=private,
    )


def stage_figures(
    unit: Unit,
    after: Sequence[Run],
    *,
    before: Sequence[Run] = (),
    takes: TakeLookup,
    before_name: str = "before",
    after_name: str = "after",
) -> tuple[ReportFigure, ...]:
    """The plots alone, for a front that shows them without the rest of the report.

    Parameters
    ----------
    unit, after, before, takes
        As for `build_content`.
    before_name, after_name : str
        How both sides are called in the plots.
    """
    after, before = _in_order(after), _in_order(before)
    places = _Places(unit, [*after, *before], ())
    return tuple(_figures(after, before, places, takes, before_name, after_name))


# --- which readings are shown -------------------------------------------------------------------


def _single_stage(runs: Sequence[Run]) -> Iterator[Comparison]:
    """Readings of one stage in the shape of comparisons without a before side."""
    for run in runs:
        for repeats in _by_reading(run.measurements):
            reading = mean_of_repeats(repeats)
            limit = _limit(run, reading)
            outside, why = (None, "") if limit is None else check_limit(reading, limit)
            yield Comparison(
                step_number=run.step_number,
                check=run.step.check,
                output=run.step.output,
                name=reading.name,
                unit=reading.unit,
                channel=reading.channel,
                channels=reading.channels,
                before=None,
                after=reading,
                difference=None,
                uncertainty=None,
                verdict="cannot tell",
                out_of_limits=outside,
                limit=limit,
                why=why if outside is None else None,
            )


def _by_reading(measurements: Iterable[Measurement]) -> Iterator[list[Reading]]:
    """The same reading of all repeats, in the order of the first."""
    found: dict[tuple[object, ...], list[Reading]] = {}
    for measurement in measurements:
        for reading in measurement.readings:
            key = (reading.name, reading.unit, reading.channel, reading.channels)
            found.setdefault(key, []).append(reading)
    yield from found.values()


def _limit(run: Run, reading: Reading) -> Limit | None:
    for limit in (*run.step.limits, *(rail_limit(rail) for rail in run.step.rails)):
        named = limit.reading in (reading.name, base_name(reading.name))
        if named and limit.unit == reading.unit:
            return limit
    return None


def _is_list(comparison: Comparison) -> bool:
    return any(
        r is not None and isinstance(r.value, tuple) for r in (comparison.before, comparison.after)
    )


def _chosen(comparisons: Iterable[Comparison]) -> list[Comparison]:
    """The readings worth a line, in order.

    These are the main ones in one unit each (that of its limit, if it has one), all that have a
    limit, and what got worse without any of these showing it.
    """

    def quantity(c: Comparison) -> tuple[object, ...]:
        base = base_name(c.name)
        name = SAME_QUANTITY.get(base, base) + c.name[len(base) :]
        return (c.step_number, c.output, name, c.channel, c.channels)

    def rank(c: Comparison) -> tuple[bool, bool, int]:
        units = label(c.name).units
        preferred = units.index(c.unit) if c.unit in units else len(units)
        return (not label(c.name).main, c.limit is None, preferred)

    comparisons = list(comparisons)
    silent = {(c.output, c.name, c.channel) for c in comparisons if c.check == "idle"}

    def is_main(c: Comparison) -> bool:
        elsewhere = base_name(c.name) in SHOWN_IN_SILENCE and c.check != "idle"
        if _is_list(c) or (elsewhere and (c.output, c.name, c.channel) in silent):
            return False
        return label(c.name).main

    shown: set[int] = set()
    by_quantity: dict[tuple[object, ...], list[Comparison]] = {}
    for comparison in comparisons:
        by_quantity.setdefault(quantity(comparison), []).append(comparison)
    for same in by_quantity.values():
        same.sort(key=rank)
        first: dict[str, Comparison] = {}
        for comparison in same:
            first.setdefault(comparison.name, comparison)
        shown |= {id(c) for c in first.values() if is_main(c)}
        shown |= {id(c) for c in same if c.limit is not None or c.out_of_limits is not None}
        worse = [c for c in same if c.verdict == "worse"]
        if worse and not any(id(c) in shown for c in worse):
            shown.add(id(worse[0]))
    return [c for c in comparisons if id(c) in shown]


# --- where a reading belongs --------------------------------------------------------------------


class _Places:
    """Outputs and notes in words, named where there are several to tell apart."""

    def __init__(self, unit: Unit, runs: Sequence[Run], chosen: Sequence[Comparison]) -> None:
        self.outputs = {output.name: output for output in unit.outputs}
        self.steps: dict[int, Step] = {}
        self.notes: dict[int, str] = {}
        for run in runs:
            self.steps.setdefault(run.step_number, run.step)
            if run.step.check == "tone":
                self.notes.setdefault(run.step_number, _note(run))
            elif run.step.volume == DOWN_VOLUME:
                self.notes.setdefault(run.step_number, "with the volume down")
        audible = {c.output for c in chosen if c.output and c.check != "rails"}
        self.several_outputs = len(audible) > 1

    def output(self, name: str) -> Output:
        """An output by its name; one that the unit does not list is taken for a pair."""
        return self.outputs.get(name, Output(name))

    def note(self, number: int) -> str:
        """``A4`` where a step holds a note and another one holds another, else nothing.

        Of silence with the volume down it is that.
        """
        mine = self.notes.get(number, "")
        return mine if any(note != mine for note in self.notes.values()) else ""

    def title(self, c: Comparison) -> str:
        """A reading's name with its note and output, where it takes these to know it."""
        words = ", ".join(part for part in (label(c.name).title, self.note(c.step_number)) if part)
        named = self.several_outputs and c.output and c.check != "rails"
        return f"{words} ({c.output})" if named else words

    def sentence(self, number: int) -> str:
        """What was done in a step."""
        step = self.steps[number]
        held = self.notes.get(number) or "A steady note"
        nominal = step.settings.frequency_hz
        if nominal and "Hz" not in held:
            held = f"{held} ({nominal:.4g} Hz)"
        return _check(step.check).step.replace("{note}", held)


def _note(run: Run) -> str:
    """Name or frequency of the note that was asked for, or else of the one that was found."""
    hertz = run.step.settings.frequency_hz
    if hertz is None:
        readings = run.measurements[0].readings if run.measurements else ()
        found = [r.value for r in readings_named(readings, "frequency") if r.state != "invalid"]
        hertz = next((float(v) for v in found if isinstance(v, float | int)), None)
    if not hertz or hertz <= 0:
        return ""
    name, error = nearest_note(hertz, a4_hz=run.step.settings.a4_hz)
    note = name if abs(error) <= IN_TUNE_CENTS else f"{hertz:.4g} Hz"
    return f"{note} soft" if run.step.volume == SOFT_VOLUME else note


# --- tables -------------------------------------------------------------------------------------


class _Notes:
    """Letters for the remarks below a table; the same remark has one letter."""

    def __init__(self) -> None:
        self.letters: dict[str, str] = {}

    def mark(self, text: str) -> str:
        if not text:
            return ""
        # “as dropouts: …” below the row of the dropouts says the same again.
        leader = text.partition(": ")[2] if text.startswith("as ") else ""
        text = leader if leader in self.letters else text
        if text not in self.letters:
            number = len(self.letters)
            self.letters[text] = chr(ord("a") + number % 26) * (1 + number // 26)
        return self.letters[text]

    def lines(self) -> tuple[tuple[str, str], ...]:
        return tuple((mark, text) for text, mark in self.letters.items())


def _cell(parts: ReadingText, mark: str = "") -> Cell:
    return Cell(parts.number, parts.plus_minus, parts.unit, parts.words, mark)


def _held(outside: bool | None) -> str:
    """The finding of a single stage; that it lies outside is said in a box of its own."""
    return "within limit" if outside is False else ""


def _remark(reading: Reading | None, text: ReadingText, asked: bool) -> str:
    """The reason beside a reading, without what the report says elsewhere.

    The title names the note that was asked for, and “below” is explained once; that nothing was
    counted needs no number of takes.
    """
    if reading is None or reading.state == "invalid" or reading.value is None:
        return text.reason
    known = (
        (reading.name == "pitch_error" and asked and text.reason.startswith("against"))
        or (reading.upper_bound and text.reason.startswith("nothing stands above the noise"))
        or (reading.value == 0 and text.reason.startswith("0 in "))
    )
    if reading.name == "polarity" and text.reason:
        return "the two waves fit this way round, or the other way half a period later"
    return "" if known else text.reason


def _finding_remark(comparison: Comparison) -> str:
    """Why a finding is what it is, where the numbers beside it do not tell."""
    unheld = comparison.limit is not None and comparison.out_of_limits is None
    apart = comparison.verdict == "no change" and abs(comparison.difference or 0.0) > (
        COVERAGE_FACTOR * (comparison.uncertainty or 0.0) if comparison.unit != "1" else 0.0
    )
    if not comparison.why or not (comparison.verdict == "cannot tell" or unheld or apart):
        return ""
    return comparison.why.removesuffix("; inside its limit").removesuffix("; outside its limit")


def _row(
    comparison: Comparison, notes: _Notes, *, compared: bool, channel: str, asked: bool
) -> Row:
    before = reading_text(comparison.before, finest=FINEST_IN_REPORT)
    after = reading_text(comparison.after, finest=FINEST_IN_REPORT)
    why = _finding_remark(comparison)
    remarks = [
        _remark(reading, text, asked)
        for reading, text in ((comparison.before, before), (comparison.after, after))
    ]
    if why in remarks:
        why = ""
    remarks = [remark if remark not in why else "" for remark in remarks]  # said in the finding
    no_change = (
        not isinstance(comparison.difference, float | int)
        or before.words
        or after.words  # a bound or a word has no difference to print
    )
    change = (
        ReadingText(words="–")
        if no_change
        else difference_text(
            comparison.difference,
            comparison.uncertainty,
            comparison.unit,
            finest=FINEST_IN_REPORT,
        )
    )
    return Row(
        channel=channel,
        before=_cell(before, notes.mark(remarks[0])),
        after=_cell(after, notes.mark(remarks[1])),
        change=_cell(change),
        verdict=comparison.verdict if compared else _held(comparison.out_of_limits),
        verdict_mark=notes.mark(why),
        outside_limit=bool(comparison.out_of_limits),
    )


def _groups(
    comparisons: Sequence[Comparison],
    places: _Places,
    notes: _Notes,
    *,
    compared: bool,
    front: bool,
) -> tuple[RowGroup, ...]:
    groups: list[RowGroup] = []
    keyed: dict[tuple[object, ...], list[Comparison]] = {}
    for comparison in comparisons:
        key = (comparison.name, comparison.unit, comparison.step_number)
        keyed.setdefault(key, []).append(comparison)
    for members in keyed.values():
        first = members[0]
        limits = dict.fromkeys(limit_words(c.limit) for c in members if c.limit)
        rows = []
        for member in members:
            output = places.output(member.output)
            channel = (
                ""
                if output.channels == 1 or member.channel is None
                else channel_name(member.channel, pair=output.channels == 2)
            )
            step = places.steps.get(member.step_number)
            asked = step is not None and step.settings.frequency_hz is not None
            rows.append(_row(member, notes, compared=compared, channel=channel, asked=asked))
        title = places.title(first) if front else label(first.name).title
        groups.append(RowGroup(title, "; ".join(filter(None, limits)), tuple(rows)))
    return tuple(groups)


def _tallies(
    after: Sequence[Run], before: Sequence[Run], before_name: str, after_name: str
) -> dict[int, PlainTable]:
    """The tally of each step in which jacks were moved, by its number."""
    earlier = latest_runs(before)
    return {
        run.step_number: tally_table(
            earlier.get(run.step_number), run, before_name or "before", after_name
        )
        for run in after
        if run.step.check == "jack" and run.measurements
    }


def _tables(
    chosen: Sequence[Comparison],
    places: _Places,
    compared: bool,
    tallies: Mapping[int, PlainTable],
) -> Iterator[ReadingTable]:
    ranks = {name: k for k, name in enumerate(places.outputs)}
    ordered = sorted(chosen, key=lambda c: (ranks.get(c.output, len(ranks)), c.step_number))
    for (output, number), members in groupby(ordered, key=lambda c: (c.output, c.step_number)):
        comparisons = list(members)
        notes = _Notes()
        groups = _groups(comparisons, places, notes, compared=compared, front=False)
        check = comparisons[0].check
        title = _check(check).title
        if output and check != "rails":
            title = f"{_capital(output)}: {title[:1].lower()}{title[1:]}"
        note = places.notes.get(number, "")
        yield ReadingTable(
            title=f"{title} {note}".rstrip(),
            subtitle=_step_words(number, places) if number in places.steps else "",
            groups=groups,
            notes=notes.lines(),
            tally=tallies.get(number),
        )


def _step_words(number: int, places: _Places) -> str:
    """What was done in a step, how loud, how long and how often."""
    step = places.steps[number]
    if step.check == "rails":
        return places.sentence(number)
    volume = f"Volume: {step.volume}. " if step.volume else ""
    return f"{places.sentence(number)} {volume}{_capital(_length(step))}."


def _length(step: Step) -> str:
    each = f"{step.seconds:g} s"
    return (
        f"{step.repeats} recordings of {each}" if step.repeats > 1 else f"one recording of {each}"
    )


def _front_table(
    chosen: Sequence[Comparison], places: _Places, compared: bool, count: int
) -> ReadingTable:
    """The readings a buyer asks about first: what is wrong, then what changed, then the rest.

    All that is wrong stands here, however long the list; of the rest one channel of each reading.
    """

    def bad(c: Comparison) -> bool:
        return bool(c.out_of_limits) or c.verdict == "worse"

    def rank(members: Sequence[Comparison]) -> tuple[int, int]:
        changed = any(c.verdict in ("better", "different") for c in members)
        base = base_name(members[0].name)
        order = FRONT_ORDER.index(base) if base in FRONT_ORDER else len(FRONT_ORDER)
        return (0 if any(map(bad, members)) else 1 if changed else 2, order)

    groups_of: dict[tuple[str, str, str, int], list[Comparison]] = {}
    for c in chosen:
        groups_of.setdefault((c.name, c.unit, c.output, c.step_number), []).append(c)
    ranked = sorted(groups_of.values(), key=rank)
    asked = [m for m in ranked if rank(m)[0] == 0 or base_name(m[0].name) in FRONT_ORDER]
    shown: list[Comparison] = []
    seen: set[tuple[str, str, str]] = set()
    merged = False
    for members in asked or ranked:
        wrong = [c for c in members if bad(c)]
        key = (members[0].name, members[0].unit, members[0].output)
        # Of a reading that several checks give, the one that says most.
        if not wrong and (key in seen or len(shown) >= count):
            continue
        seen.add(key)
        shown += wrong or [_telling(members)]
        merged = merged or len(wrong or [0]) < len(members)
    notes = _Notes()
    groups = _groups(shown, places, notes, compared=compared, front=True)
    subtitle = "Of several channels the worse one is shown; “All readings” holds every one."
    return ReadingTable(
        "The most important readings", subtitle if merged else "", groups, notes.lines()
    )


def _telling(members: Sequence[Comparison]) -> Comparison:
    """The channel that stands for all: the worse one after, or where they are alike, before.

    Where neither way is worse it is the one that moved most.
    """
    base = base_name(members[0].name)

    def badness(reading: Reading | None) -> float:
        if reading is None or not isinstance(reading.value, float | int):
            return float("inf")
        value = float(reading.value)
        if base in NEARER_ZERO_IS_BETTER:
            return abs(value)
        return -value if base in HIGHER_IS_BETTER else value

    def spread(reading: Reading | None) -> float:
        own = reading.uncertainty if reading is not None else None
        return COVERAGE_FACTOR * own if isinstance(own, float | int) else 0.0

    if base not in LOWER_IS_BETTER | HIGHER_IS_BETTER | NEARER_ZERO_IS_BETTER:
        return max(members, key=lambda c: abs(c.difference or 0.0))
    worst = max(members, key=lambda c: badness(c.after))
    alike = [
        c
        for c in members
        if badness(c.after) + spread(c.after) + spread(worst.after) >= badness(worst.after)
    ]
    return max(alike, key=lambda c: (c.verdict in ("better", "different"), badness(c.before)))


def _verdict_words(chosen: Sequence[Comparison]) -> tuple[tuple[str, str], ...]:
    used = {c.verdict for c in chosen}
    words = [(str(verdict), text) for verdict, text in VERDICT_WORDS.items() if verdict in used]
    if any(c.out_of_limits for c in chosen):
        words.append((OUTSIDE_LIMIT, "the later value lies outside the limit set in the plan"))
    return tuple(words)


# --- words of the first page --------------------------------------------------------------------


def _facts(
    unit: Unit,
    after: Sequence[Run],
    before: Sequence[Run],
    before_name: str,
    after_name: str,
    made: str,
) -> Iterator[tuple[str, str]]:
    yield "Serial number", unit.serial or "none"
    mains = [
        f"{value:g} {symbol}"
        for value, symbol in ((unit.mains_volts, "V"), (unit.mains_hz, "Hz"))
        if value
    ]
    if mains:
        yield "Mains", ", ".join(mains)
    outputs = [
        f"{o.name} ({'stereo pair' if o.channels == 2 else 'mono'})"
        if o.channels < 3
        else f"{o.name} ({o.channels} channels)"
        for o in unit.outputs
    ]
    if outputs:
        yield "Outputs", ", ".join(outputs)
    if before:
        yield _capital(before_name), _days(before)
    elif before_name:
        yield "Compared with", before_name
    yield _capital(after_name), _days(after)
    people = dict.fromkeys(run.operator for run in (*before, *after) if run.operator)
    if people:
        yield "Measured by", ", ".join(people)
    yield "Measured with", "; ".join(dict.fromkeys(run.rig.device for run in (*before, *after)))
    yield "Report made", _date(made)


def _introduction(
    unit_name: str,
    unit: Unit,
    after: Sequence[Run],
    before: Sequence[Run],
    comparison: StageComparison | None,
) -> Iterator[str]:
    serial = f", serial number {unit.serial}," if unit.serial else ""
    if before and comparison:
        yield (
            f"This report says what the {unit_name}{serial} delivered at its audio outputs: first "
            f"“{comparison.before}” ({_days(before)}), then “{comparison.after}” ({_days(after)})."
        )
    elif comparison:
        yield (
            f"This report says what the {unit_name}{serial} delivered at its audio outputs "
            f"“{comparison.after}” ({_days(after)}), compared with “{comparison.before}”."
        )
    else:
        yield (
            f"This report says what the {unit_name}{serial} delivered at its audio outputs "
            f"on {_days(after)}."
        )
    done = [_check(check).done for check in dict.fromkeys(run.step.check for run in after)]
    if done:
        yield _capital(_and(done)) + "."
    if before:
        same = _same_procedure(after, before)
        yield (
            "The same steps were done both times, with the same settings and the same equipment."
            if same
            else "Not everything was set the same both times; see “Conditions”."
        )


def _same_procedure(after: Sequence[Run], before: Sequence[Run]) -> bool:
    earlier = latest_runs(before)
    return all(
        (other := earlier.get(run.step_number)) is not None
        and settings_differ(other, run) is None
        and run.rig == other.rig
        for run in after
    )


def _summary(chosen: Sequence[Comparison], places: _Places, compared: bool) -> Iterator[str]:
    count = len(chosen)
    if count == 0:
        yield "No readings were taken."
        return
    if compared:
        of: dict[Verdict, int] = dict.fromkeys(VERDICT_WORDS, 0)
        for comparison in chosen:
            of[comparison.verdict] += 1
        parts = [f"{_count(of['better'])} better", f"{of['no change'] or 'none'} unchanged"]
        text = f"Of the {count} {_plural('reading', count)} in the tables, {', '.join(parts)}, "
        text += f"{of['worse'] or 'none'} worse"
        if of["different"]:
            text += f"; {_count(of['different'])} different, neither better nor worse"
        yield f"{text}."
        if of["cannot tell"]:
            number = of["cannot tell"]
            words = f"{number} {_plural('reading', number)}"
            yield f"Of {words} nothing can be told; the tables say why."
    yield _limit_line(chosen, places)
    invalid = sum(1 for c in chosen if c.after is None or c.after.state == "invalid")
    if invalid and not compared:
        yield f"{invalid} {_plural('reading', invalid)} could not be taken; the tables say why."


def _limit_line(chosen: Sequence[Comparison], places: _Places) -> str:
    """How many lie outside their limit; that none does is said only where it is known of all."""
    limited = [c for c in chosen if c.limit is not None or c.out_of_limits is not None]
    count = len(limited)
    if count == 0:
        return "No limits were set."
    have = f"{count} {_plural('reading', count)} {'has' if count == 1 else 'have'} a limit"
    outside = [c for c in limited if c.out_of_limits]
    undecided = sum(1 for c in limited if c.out_of_limits is None)
    within = count - len(outside) - undecided
    if within == count:
        return f"{have}; none lies outside it."
    parts = [
        f"{number} {word}" for number, word in ((within, "within"), (undecided, "undecided"))
        if number
    ]  # fmt: skip
    if outside:
        names = "; ".join(dict.fromkeys(_uncapital(places.title(c)) for c in outside))
        parts.append(f"{len(outside)} outside ({names})")
    return f"{have}: {', '.join(parts)}."


# --- figures ------------------------------------------------------------------------------------


def _figures(
    after: Sequence[Run],
    before: Sequence[Run],
    places: _Places,
    takes: TakeLookup,
    before_name: str,
    after_name: str,
) -> Iterator[ReportFigure]:
    number = 0
    earlier = latest_runs(before)
    for run in after:
        other = earlier.get(run.step_number)
        if other is not None and other.step.check != run.step.check:
            other = None
        pair = places.output(run.step.output).channels == 2
        stages = _Stages(run, other, pair, takes, before_name, after_name)
        for title, caption, plot in _plots(stages):
            number += 1
            where = (_capital(run.step.output), places.notes.get(run.step_number, ""))
            place = ", ".join(filter(None, where))
            place = f"{place}: " if place else ""
            yield ReportFigure(
                name=f"figure{number}",
                title=f"{place}{title}",
                caption=caption,
                alt=f"Plot. {place}{title}. {caption}",
                plot=plot,
                step_number=run.step_number,
            )


def _front_figures(figures: Sequence[ReportFigure]) -> tuple[ReportFigure, ...]:
    """The plot that shows most at a glance: a spectrum, else any."""
    spectra = [f for f in figures if isinstance(f.plot, SpectrumPlot)]
    return tuple((spectra or list(figures))[:FRONT_FIGURES])


class _Stages:
    """One step at both stages, with its audio."""

    def __init__(
        self,
        run: Run,
        earlier: Run | None,
        pair: bool,
        takes: TakeLookup,
        before_name: str,
        after_name: str,
    ) -> None:
        self.run, self.earlier = run, earlier
        self.before_name, self.after_name = before_name, after_name
        self.take = takes(run.takes[0]) if run.takes else None
        self.earlier_take = takes(earlier.takes[0]) if earlier and earlier.takes else None
        self.pair = pair
        widths = [t.channels for t in (self.take, self.earlier_take) if t is not None]
        found = [r.channel for m in self.measurements() for r in m.readings if r.channel]
        self.channels = min(max([*widths, *found], default=1), PLOTTED_CHANNELS)

    def measurements(self) -> list[Measurement]:
        """First repeat of both stages, the later first."""
        runs = [r for r in (self.run, self.earlier) if r is not None]
        return [r.measurements[0] for r in runs if r.measurements]

    def title(self, channel: int) -> str:
        """Of a panel; a lone channel needs none."""
        if self.channels == 1:
            return ""
        return _capital(channel_name(channel, pair=self.pair))

    def value(self, run: Run | None, name: str, channel: int) -> Reading | None:
        """A valid reading of the first repeat."""
        if run is None or not run.measurements:
            return None
        found = readings_named(run.measurements[0].readings, name, channel=channel)
        valid = [r for r in found if r.state != "invalid" and r.value is not None]
        return valid[0] if valid else None

    def number(self, name: str, channel: int) -> float | None:
        """A single number, from the later stage, or else the earlier."""
        for run in (self.run, self.earlier):
            reading = self.value(run, name, channel)
            if reading is not None and isinstance(reading.value, float | int):
                return float(reading.value)
        return None

    def has_overtone(self, multiple: int, channel: int) -> bool:
        """Whether an overtone was told from the noise at either stage."""
        for run in (self.run, self.earlier):
            reading = self.value(run, "harmonics", channel)
            spread = reading.uncertainty if reading is not None else None
            if isinstance(spread, tuple) and len(spread) > multiple - 2:
                if spread[multiple - 2] < FAINT_DB:
                    return True
            elif reading is not None and spread is None:
                return True
        return False


def _plots(stages: _Stages) -> Iterator[tuple[str, str, Plot]]:
    check = stages.run.step.check
    if check == "tone":
        yield from _tone_spectrum(stages)
        yield from _harmonic_bars(stages)
    if check == "idle":
        yield from _idle_spectrum(stages)
    if check == "through":
        yield from _list_curves(
            stages, "response", "level at each frequency", "Frequency (Hz)", "Level (dB)", True,
            "A straight line means that bass and treble come through evenly.",
        )  # fmt: skip
    if check == "pot":
        yield from _turned(stages)
    soaked = list(_soaked(stages)) if check == "soak" else []
    yield from soaked
    if check in ("tone", "dropouts", "pot", "jack", "soak", "keys") and not soaked:
        yield from _level_and_events(stages)


def _spectra(stages: _Stages, marks: Callable[[int], tuple[Mark, ...]]) -> SpectrumPlot | None:
    panels = tuple(
        CurvePanel(
            stages.title(channel),
            _channel_spectrum(stages.earlier_take, channel),
            _channel_spectrum(stages.take, channel),
            marks(channel),
        )
        for channel in range(1, stages.channels + 1)
    )
    if not any(p.before or p.after for p in panels):
        return None
    return SpectrumPlot(panels, stages.before_name, stages.after_name)


def _channel_spectrum(take: Take | None, channel: int) -> Curve | None:
    if take is None or channel > take.channels:
        return None
    return spectrum_curve(take.samples[:, channel - 1], take.samplerate)


def _tone_spectrum(stages: _Stages) -> Iterator[tuple[str, str, Plot]]:
    def marks(channel: int) -> tuple[Mark, ...]:
        fundamental = stages.number("frequency", channel)
        if not fundamental:
            return ()
        return tuple(
            Mark(k * fundamental, "note" if k == 1 else f"{k}×")
            for k in range(1, NAMED_HARMONICS + 1)
            if k * fundamental < 20_000 and (k == 1 or stages.has_overtone(k, channel))
        )

    plot = _spectra(stages, marks)
    if plot:
        yield (
            "the note and what comes with it",
            "The tall line is the note. The lines marked 2×, 3× … are its overtones: distortion, "
            "if the note should be pure. All else is hum and hiss. Lower is cleaner; 20 dB lower "
            "is a tenth.",
            plot,
        )


def _idle_spectrum(stages: _Stages) -> Iterator[tuple[str, str, Plot]]:
    def marks(channel: int) -> tuple[Mark, ...]:
        mains = stages.number("mains_frequency", channel)
        if not mains:
            return ()
        return tuple(Mark(k * mains, f"{round(k * mains)}") for k in NAMED_HUM_LINES)

    plot = _spectra(stages, marks)
    if plot:
        named = any(panel.marks for panel in plot.panels)
        yield (
            "noise and hum with nothing playing",
            (
                "The lines marked with their frequency in Hz are hum from the mains. "
                if named
                else ""
            )
            + "The rest is hiss. Lower is quieter. Each point is the noise in a strip a few hertz "
            "wide, so the curve lies below the total noise given in the tables.",
            plot,
        )


def _harmonic_bars(stages: _Stages) -> Iterator[tuple[str, str, Plot]]:
    def bars(run: Run | None, channel: int) -> tuple[float, ...] | None:
        reading = stages.value(run, "harmonics", channel)
        if reading is None or not isinstance(reading.value, tuple) or not reading.value:
            return None
        first = reading.value[: NAMED_HARMONICS - 1]
        return tuple(float(v) for v in first if not isinstance(v, tuple))

    panels = tuple(
        BarPanel(stages.title(c), bars(stages.earlier, c), bars(stages.run, c))
        for c in range(1, stages.channels + 1)
    )
    if any(p.before or p.after for p in panels):
        yield (
            "strength of the overtones",
            "Each bar is one overtone, measured against the note itself: −40 dB is a hundredth, "
            "−60 dB a thousandth of it.",
            HarmonicsPlot(panels, stages.before_name, stages.after_name),
        )


def _turned(stages: _Stages) -> Iterator[tuple[str, str, Plot]]:
    """Of a control: from its takes, or as far as the readings go."""
    found = turned_twice(stages.earlier_take, stages.take, stages.run.step.settings)
    if found is not None:
        yield from turned_plots(
            found, stages.before_name, stages.after_name, stages.title, PLOTTED_CHANNELS
        )
        return
    yield from _list_curves(
        stages, "gang_error", "left against right along the control's way",
        "Travel of the control (%)", "Left − right (dB)", False,
        "A line at 0 dB means that both channels follow the control alike.",
    )  # fmt: skip


def _soaked(stages: _Stages) -> Iterator[tuple[str, str, Plot]]:
    before, after = (
        run.measurements[0] if run is not None and run.measurements else None
        for run in (stages.earlier, stages.run)
    )
    yield from soak_plots(
        before, after, stages.before_name, stages.after_name, stages.title, PLOTTED_CHANNELS
    )


def _list_curves(
    stages: _Stages,
    name: str,
    title: str,
    x_label: str,
    y_label: str,
    logarithmic: bool,
    caption: str,
) -> Iterator[tuple[str, str, Plot]]:
    def curve(run: Run | None, channel: int | None) -> Curve | None:
        if run is None or not run.measurements:
            return None
        for reading in run.measurements[0].readings:
            if reading.name == name and reading.channel == channel and reading.state != "invalid":
                points = np.asarray(reading.value, dtype=np.float64)
                if points.ndim == 2 and len(points):
                    return Curve(points[:, 0], points[:, 1])
        return None

    channels: list[int | None] = [None, *range(1, stages.channels + 1)]
    panels = tuple(
        CurvePanel(stages.title(c) if c else "", curve(stages.earlier, c), curve(stages.run, c))
        for c in channels
    )
    panels = tuple(p for p in panels if p.before is not None or p.after is not None)
    if panels:
        plot = CurvePlot(
            panels, stages.before_name, stages.after_name, x_label, y_label, logarithmic
        )
        yield title, caption, plot


def _level_and_events(stages: _Stages) -> Iterator[tuple[str, str, Plot]]:
    panels = []
    for name, run, take in (
        (stages.before_name, stages.earlier, stages.earlier_take),
        (stages.after_name, stages.run, stages.take),
    ):
        if run is None or take is None or not take.frames:
            continue
        shown = range(min(take.channels, PLOTTED_CHANNELS))
        edges = [level_edges(take.samples[:, k], take.samplerate) for k in shown]
        panels.append(
            TimePanel(
                title=_capital(name),
                channels=tuple(stages.title(k + 1) for k in shown),
                lows=tuple(low for low, _ in edges),
                highs=tuple(high for _, high in edges),
                events=run.measurements[0].events if run.measurements else (),
            )
        )
    if not panels:
        return
    wanted = stages.run.step.check != "tone" or any(panel.events for panel in panels)
    if wanted:
        yield (
            "level over time, and events",
            "A sound that holds gives an even band; every notch is a break. The strip below shows "
            "the events that were found.",
            TimePlot(tuple(panels)),
        )


# --- conditions, method, takes ------------------------------------------------------------------


def _rigs(
    after: Sequence[Run], before: Sequence[Run], before_name: str, after_name: str
) -> PlainTable:
    rows = []
    for name, runs in ((before_name, before), (after_name, after)):
        for rig in dict.fromkeys(run.rig for run in runs):
            mine = [run for run in runs if run.rig == rig]
            people = ", ".join(dict.fromkeys(run.operator for run in mine if run.operator))
            device = ", ".join(part for part in (rig.device, rig.description) if part)
            rows.append(
                (
                    _capital(name),
                    _times(mine),
                    people or "not recorded",
                    device if rig.interface == "meter" else f"{device} ({rig.interface})",
                    f"{rig.samplerate / 1000:g} kHz" if rig.samplerate else "–",  # a multimeter
                )
            )
    return PlainTable(("Stage", "When", "Measured by", "Equipment", "Sample rate"), tuple(rows))


def _steps(runs: Sequence[Run], places: _Places) -> PlainTable:
    shared = bool(_shared_settings(runs))
    rows = []
    for run in runs:
        step = run.step
        length = f"{step.seconds:g} s" + (f", {step.repeats} times" if step.repeats > 1 else "")
        sentence = places.sentence(run.step_number)
        details = "" if shared else _settings(step)
        rows.append(
            (
                str(run.step_number),
                step.output,
                f"{sentence} {_capital(details)}." if details else sentence,
                length if run.takes else "by meter" if step.check == "rails" else "–",
            )
        )
    return PlainTable(("Step", "Output", "What was done", "Recorded"), tuple(rows))


def _settings(step: Step) -> str:
    details = [
        f"volume: {step.volume}" if step.volume else "",
        f"gain: {step.gain}" if step.gain else "",
        f"test signal: {step.stimulus}" if step.stimulus else "",
    ]
    return "; ".join(filter(None, details))


def _shared_settings(runs: Sequence[Run]) -> str:
    """The settings in words, if all recordings had the same."""
    settings = {_settings(run.step) for run in runs if run.takes}
    only = settings.pop() if len(settings) == 1 else ""
    return f"In every recording: {only}." if only else ""


def _method(names: set[str]) -> Iterator[str]:
    yield (
        "The unit's outputs were recorded through an audio interface and the recordings measured. "
        "0 dBFS is the level of a sine wave that just fills the recorder's range (AES17); 6 dB "
        "less is half the voltage. A level in dBFS depends on the gain of the recorder, so it can "
        "be compared only at the same setting; a level in dBu does not (0 dBu is 0.775 V)."
    )
    if names & {"thd", "thd_n", "harmonics", "sinad"}:
        yield (
            "THD is the sum of the overtones up to 20 kHz over the note (IEC 60268-3); THD+N is "
            "all but the note, 20 Hz to 20 kHz, over the whole (after AES17)."
        )
    if names & {"noise_rms", "noise_a", "noise_468"}:
        yield (
            "Noise is taken from 20 Hz to 20 kHz; the A-weighting is that of IEC 61672-1, the "
            "ITU-R 468 weighting that of Recommendation BS.468-4."
        )
    if names & {"hum_1x", "hum_2x", "hum_total"}:
        yield (
            "Hum is the part of the noise that lies exactly on the mains frequency and its "
            "multiples; hum totals are sums of power."
        )


def _uncertainty(runs: Sequence[Run], compared: bool) -> Iterator[str]:
    yield (
        "No measurement is exact. The figure after ± says how far the true value may be away: in "
        "about 95 of 100 cases it lies within. (It is the expanded uncertainty with coverage "
        "factor 2, after the Guide to the Expression of Uncertainty in Measurement, JCGM 100.) It "
        "is worked out from the recording itself: its noise, and how much its parts scatter; for a "
        "supply voltage, from the accuracy that the multimeter's maker states."
    )
    if compared:
        yield (
            "A change is called better, worse or different only where it is larger than this "
            "scatter explains and large enough to matter. The ± of a change takes in both sides "
            "and how well repeats agree. Of many readings a few stray past their ± by chance, so "
            "more than that is asked before a change is called one."
        )
    yield (
        "It does not take in what differs from one set of equipment to another, such as the exact "
        "gain of the recorder. “Below” marks an upper bound: nothing could be told from the noise, "
        "or the equipment itself does no better; the true value is not above it. “At most” stands "
        "where ± would reach below zero."
    )


def _format(take: TakeRecord) -> str:
    bits = f"{take.bits} bit" if take.bits else "floating point"
    return (
        f"{take.samplerate / 1000:g} kHz, {bits}, "
        f"{take.channels} {_plural('channel', take.channels)}"
    )


def _take_lines(
    runs: Sequence[Run], stage: str, places: _Places, *, alike: bool
) -> Iterator[TakeLine]:
    for run in runs:
        title = _uncapital(_check(run.step.check).title)
        note = places.notes.get(run.step_number, "")
        where = ", ".join(filter(None, (f"{title} {note}".rstrip(), run.step.output)))
        for number, take in enumerate(run.takes, 1):
            words = f"{take.frames / take.samplerate:.2f} s"
            if not alike:
                words += f", {_format(take)}"
            if take.lost:
                words += f"; the computer lost audio {len(take.lost)} times"
            repeat = f", take {number}" if len(run.takes) > 1 else ""
            yield TakeLine(
                stage=_capital(stage),
                step=f"{run.step_number}: {where}{repeat}",
                recording=words,
                sha256=take.sha256,
            )


def _not_measured(
    unit: Unit,
    after: Sequence[Run],
    comparison: StageComparison | None,
    further: Sequence[str],
) -> Iterator[str]:
    covered = {run.step.output for run in after}
    missing = [output.name for output in unit.outputs if output.name not in covered]
    if missing:
        yield f"These outputs: {_and(missing)}."
    made = {run.step.check for run in after}
    for check, words in CHECKS.items():
        if check not in made and words.left_out and not (check == "dropouts" and "soak" in made):
            yield words.left_out
    yield from (_sentence(text) for text in further)
    if comparison:
        yield from (f"Not compared: {_sentence(text)}" for text in comparison.not_compared)
    yield from ALWAYS_LEFT_OUT


# --- small words --------------------------------------------------------------------------------

_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip


def _check(name: str) -> CheckWords:
    spelled = name.replace("_", " ")
    done = f"the check “{spelled}” was made"
    return CHECKS.get(name) or CheckWords(_capital(spelled), f"{_capital(done)}.", done)


def _moment(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        return None


def _date(text: str) -> str:
    """An ISO date or time as ``25 November 2026``; anything else as it stands."""
    moment = _moment(text)
    if moment is None:
        return text
    return f"{moment.day} {_MONTHS[moment.month - 1]} {moment.year}"


def _days(runs: Sequence[Run]) -> str:
    ordered = dict.fromkeys(_date(run.started) for run in sorted(runs, key=lambda r: r.started))
    days = list(ordered)
    return days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}" if days else "no date"


def _times(runs: Sequence[Run]) -> str:
    moments = [m for m in (_moment(run.started) for run in runs) if m is not None]
    if not moments:
        return _days(runs)
    first, last = min(moments, key=str), max(moments, key=str)
    zone = first.strftime("%z")
    zone = f" (UTC{zone[:3]}:{zone[3:5]})" if zone else ""
    days = _days(runs)
    return f"{days}, {first:%H:%M}" + (f" to {last:%H:%M}" if last != first else "") + zone


def _uncapital(text: str) -> str:
    return text if text[:2].isupper() else text[:1].lower() + text[1:]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _sentence(text: str) -> str:
    text = text.strip()
    return text if not text or text[-1] in ".!?" else f"{text}."


def _count(number: int) -> str:
    return f"{number} is" if number == 1 else f"{number or 'none'} are"


def _plural(word: str, count: int) -> str:
    return word if count == 1 else f"{word}s"


def _in_order(runs: Sequence[Run]) -> list[Run]:
    """In the order of the plan; of a step that was done again, the last run."""
    return [run for _, run in sorted(latest_runs(runs).items())]


def _and(words: Sequence[str]) -> str:
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"
