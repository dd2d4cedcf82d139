"""What a report says: right counts, nothing private, nothing that cannot be trusted."""

from dataclasses import replace

import pytest

from sigbench.compare import compare_stages
from sigbench.model import Comparison, Limit, Reading, StageComparison
from sigbench.report.content import build_content
from sigbench.report.plots import HarmonicsPlot, SpectrumPlot, TimePlot
from tests.report.scenario import UNIT, make_scenario

SCENARIO = make_scenario()
BEFORE, AFTER, COMPARISON = SCENARIO.before, SCENARIO.after, SCENARIO.comparison


def content(**changes):
    arguments = {
        "before": BEFORE,
        "comparison": COMPARISON,
        "takes": SCENARIO.look_up,
        "made": "2026-11-25",
        "version": "0.1.0",
    }
    return build_content(UNIT, AFTER, **(arguments | changes))


@pytest.fixture(scope="module")
def report():
    return content()


def comparison_of(name, unit, before, after, verdict, **more):
    old = Reading(name, before, unit, 1, 0.1)
    new = Reading(name, after, unit, 1, 0.1)
    return Comparison(
        2, "idle", "main output", name, unit, 1, None, old, new, after - before, 0.14, verdict,
        **more,
    )  # fmt: skip


def all_rows(report):
    return [row for table in report.tables for group in table.groups for row in group.rows]


def test_the_summary_counts_the_rows_of_the_tables(report):
    verdicts = [row.verdict for row in all_rows(report)]
    better, same = verdicts.count("better"), verdicts.count("no change")
    assert report.summary[0].startswith(
        f"Of the {len(verdicts)} readings in the tables, {better} are better, {same} unchanged, "
        "none worse"
    )
    assert report.summary[-1] == "10 readings have a limit; none lies outside it."


def test_what_is_worse_is_shown_though_it_is_no_main_reading():
    worse = comparison_of("level_peak", "dBFS", -3.0, -9.0, "worse")
    same = comparison_of("noise_a", "dBFS", -90.0, -90.0, "no change")
    report = content(comparison=StageComparison("a", "b", (same, worse)))
    assert "1 worse" in report.summary[0]
    assert report.front_table.groups[0].label == "Peak level"
    hidden = content(
        comparison=StageComparison("a", "b", (same, replace(worse, verdict="no change")))
    )
    assert "Peak level" not in [g.label for t in hidden.tables for g in t.groups]


def test_a_quantity_in_two_units_is_shown_once_in_the_one_a_buyer_reads(report):
    groups = [g for t in report.tables for g in t.groups if g.label == "Distortion (THD)"]
    assert len(groups) == 1
    assert groups[0].rows[0].after.unit == "dB"
    # It has a limit in percent, so it is shown in percent.
    limited = [g for t in report.tables for g in t.groups if g.label.endswith("(THD+N)")]
    assert [g.rows[0].after.unit for g in limited] == ["%"]


def test_a_worse_list_is_shown_in_words():
    old = Reading("harmonics", (-70.0, -80.0), "dB", 1)
    new = Reading("harmonics", (-30.0, -40.0), "dB", 1)
    worse = Comparison(
        3, "tone", "main output", "harmonics", "dB", 1, None, old, new, None, None, "worse"
    )
    report = content(comparison=StageComparison("a", "b", (worse,)))
    row = report.tables[0].groups[0].rows[0]
    assert row.after.text == "2× −30.0, 3× −40.0 dB"
    assert row.verdict == "worse"


@pytest.mark.parametrize(
    ("outside", "words"),
    [
        (True, "1 reading has a limit: 1 outside (noise, A-weighted)."),
        (False, "1 reading has a limit; none lies outside it."),
        (None, "1 reading has a limit: 1 undecided."),
    ],
)
def test_limits_are_told_as_they_are(outside, words):
    one = comparison_of(
        "noise_a", "dBFS", -60.0, -70.0, "better",
        out_of_limits=outside, limit=Limit("noise_a", "dBFS", high=-80.0),
    )  # fmt: skip
    report = content(comparison=StageComparison("a", "b", (one,)))
    assert words in report.summary
    assert all_rows(report)[0].outside_limit is bool(outside)


def test_without_limits_none_is_claimed_to_be_kept():
    one = comparison_of("noise_a", "dBFS", -60.0, -70.0, "better")
    report = content(comparison=StageComparison("a", "b", (one,)))
    assert "No limits were set." in report.summary
    assert not any("outside" in line for line in report.summary)


def test_hum_is_shown_once_though_every_check_gives_it():
    silent = comparison_of("hum_total", "dBFS", -60.0, -90.0, "better")
    played = replace(silent, step_number=3, check="tone")
    report = content(comparison=StageComparison("a", "b", (silent, played)))
    assert len(all_rows(report)) == 1
    worse = content(
        comparison=StageComparison("a", "b", (silent, replace(played, verdict="worse")))
    )
    assert len(all_rows(worse)) == 2
    assert worse.front_table.groups[0].rows[0].verdict == "worse"


def test_a_difference_that_is_no_change_is_explained():
    count = comparison_of("dropouts", "1", 3.0, 0.0, "no change", why="a matter of chance")
    report = content(comparison=StageComparison("a", "b", (count,)))
    assert report.tables[0].notes == (("a", "a matter of chance"),)


def test_invalid_readings_give_their_reason_below_the_table(report):
    table = next(t for t in report.tables if "steady note" in t.title)
    row = next(g for g in table.groups if g.label == "Crosstalk").rows[0]
    assert row.before.words == "below −70 dB"
    assert row.after.words == "no valid number"
    assert dict(table.notes)[row.after.mark] == "both channels carried the signal"
    assert row.change.text == "–"
    assert row.verdict == "cannot tell"


def test_the_sellers_business_stays_out(report):
    assert UNIT.notes
    assert "ask for 190" not in repr(report)


def test_outputs_and_checks_that_were_left_out_are_named(report):
    assert "These outputs: phones." in report.not_measured
    assert "Keys and their contacts." in report.not_measured
    assert "Not compared: phones." in report.not_measured
    assert "Noise and hum of the silent unit." not in report.not_measured
    assert "no electrical safety certificate" in report.caution


def test_every_take_is_named_with_its_hash(report):
    expected = [take.sha256 for run in (*BEFORE, *AFTER) for take in run.takes]
    assert [line.sha256 for line in report.takes] == expected


def test_figures_show_both_stages(report):
    figures = (*report.front_figures, *report.figures)
    kinds = [type(f.plot) for f in figures]
    assert kinds == [SpectrumPlot, SpectrumPlot, HarmonicsPlot, TimePlot]
    assert all(f.alt and f.caption and f.title for f in figures)
    hum = figures[0].plot.panels[0]
    assert [mark.text for mark in hum.marks] == ["50", "100", "150", "200", "300", "400"]
    note = figures[1].plot.panels[1]
    assert note.before is not None
    assert note.marks[2].hertz == pytest.approx(3 * 440.3, abs=0.01)


def test_takes_that_are_gone_are_not_drawn():
    report = content(takes=lambda record: None)
    assert [type(f.plot) for f in (*report.front_figures, *report.figures)] == [HarmonicsPlot]


def test_one_stage_alone_needs_no_comparison():
    report = content(before=(), comparison=None)
    assert not report.compared
    assert report.verdict_words == ()
    verdicts = {row.verdict for row in all_rows(report)}
    assert verdicts <= {"within limit", ""}
    assert report.summary[0] == "10 readings have a limit; none lies outside it."


def test_one_stage_says_what_lies_outside_its_limit():
    report = build_content(UNIT, BEFORE, takes=SCENARIO.look_up, made="2026-11-25")
    assert report.summary[0].startswith("10 readings have a limit: 2 within, 8 outside (")
    assert sum(row.outside_limit for row in all_rows(report)) == 8


def test_a_baseline_stands_in_for_the_earlier_stage():
    baseline = replace(COMPARISON, before="five good units")
    report = content(before=(), comparison=baseline)
    assert ("Compared with", "five good units") in report.facts
    assert "five good units" in report.introduction[0]
    assert all(line.stage == "After repair" for line in report.takes)


def test_changed_settings_are_admitted(report):
    assert any("The same steps were done both times" in text for text in report.introduction)
    louder = [replace(run, step=replace(run.step, gain="full")) for run in BEFORE]
    changed = content(before=louder)
    assert not any("The same steps" in text for text in changed.introduction)


def test_a_step_done_again_counts_once():
    again = replace(AFTER[1], id="again", started="2026-11-20T19:00:00+01:00")
    report = build_content(
        UNIT, [*AFTER, again], before=BEFORE, comparison=COMPARISON, made="2026-11-25"
    )
    assert len([row for row in report.steps.rows if row[0] == "2"]) == 1


def test_the_real_comparison_fits_the_report():
    real = compare_stages(BEFORE, AFTER, before_name="as received", after_name="after repair")
    report = content(comparison=real)
    assert " 0 worse" not in report.summary[0]
    assert "none worse" in report.summary[0]


def test_nothing_measured_is_said_so():
    report = build_content(UNIT, [], made="2026-11-25")
    assert report.summary == ("No readings were taken.",)
    assert report.takes == ()


def test_dates_are_written_out(report):
    facts = dict(report.facts)
    assert facts["As received"] == "3 November 2026"
    assert facts["Report made"] == "25 November 2026"
    assert report.rigs.rows[0][1] == "3 November 2026, 11:05 to 14:05 (UTC+01:00)"


def test_the_front_table_is_short_and_names_one_channel_of_each_reading(report):
    groups = report.front_table.groups
    assert 5 <= len(groups) <= 9
    assert all(len(group.rows) == 1 for group in groups)
    assert "the worse one is shown" in report.front_table.subtitle
    hum = next(g for g in groups if g.label == "Hum, all mains lines")
    # After the work -93.2 dBFS left and -95.1 dBFS right: left is the worse one.
    assert (hum.rows[0].channel, hum.rows[0].after.text) == ("left", "−93.20 ± 0.42 dBFS")


def test_all_that_is_wrong_stands_on_the_first_page():
    worse = [
        replace(comparison_of("noise_a", "dBFS", -90.0, -60.0, "worse"), step_number=k, channel=c)
        for k in range(1, 9)
        for c in (1, 2)
    ]
    report = content(comparison=StageComparison("a", "b", tuple(worse)))
    rows = [row for group in report.front_table.groups for row in group.rows]
    assert [row.verdict for row in rows] == ["worse"] * 16


def test_channels_that_are_alike_after_are_told_by_what_they_were_before():
    def one(channel, before, after):
        return replace(comparison_of("noise_a", "dBFS", before, after, "better"), channel=channel)

    pair = (one(1, -80.0, -93.05), one(2, -50.0, -93.0))
    report = content(comparison=StageComparison("a", "b", pair))
    assert report.front_table.groups[0].rows[0].channel == "right"
    pair = (one(1, -80.0, -85.0), one(2, -50.0, -93.0))
    report = content(comparison=StageComparison("a", "b", pair))
    assert report.front_table.groups[0].rows[0].channel == "left"


def test_prompts_for_the_person_at_the_bench_stay_out(report):
    words = repr(report)
    for run in (*BEFORE, *AFTER):
        assert run.step.prompt
        assert run.step.prompt not in words
    done = [row[2] for row in report.steps.rows]
    assert done == [
        "Each supply voltage was read with a multimeter.",
        "Nothing was played: only the unit's own noise and hum were recorded.",
        "A4 (440 Hz) was held and recorded.",
        "A held sound was recorded and searched for breaks and crackle.",
    ]
    assert report.steps_note == "In every recording: volume: full; gain: noon."


def test_settings_that_differ_stand_with_their_step():
    quieter = [
        replace(run, step=replace(run.step, volume="half")) if run.step_number == 3 else run
        for run in AFTER
    ]
    report = build_content(UNIT, quieter, made="2026-11-25")
    assert report.steps_note == ""
    assert report.steps.rows[2][2].endswith("Volume: half; gain: noon.")


def test_notes_are_told_apart():
    low = replace(
        AFTER[2],
        step_number=5,
        step=replace(AFTER[2].step, settings=replace(AFTER[2].step.settings, frequency_hz=110.0)),
    )
    report = build_content(UNIT, [*AFTER, low], takes=SCENARIO.look_up, made="2026-11-25")
    titles = [f.title for f in (*report.front_figures, *report.figures)]
    assert "Main output, A4: the note and what comes with it" in titles
    assert "Main output, A2: the note and what comes with it" in titles
    assert len(titles) == len(set(titles))
    assert "Main output: steady note A2" in [t.title for t in report.tables]


def test_remarks_that_are_said_elsewhere_make_no_note():
    def pitch(why):
        return replace(
            comparison_of("pitch_error", "cents", 1.0, 1.0, "no change"),
            step_number=3,
            after=Reading("pitch_error", 1.0, "cents", 1, 0.1, why=why),
        )

    for why, notes in (
        ("against the 440 Hz asked for", ()),
        ("2 of 3 repeats are valid: clipped", (("a", "2 of 3 repeats are valid: clipped"),)),
    ):
        report = content(comparison=StageComparison("a", "b", (pitch(why),)))
        assert report.tables[0].notes == notes


def test_the_format_of_the_takes_is_said_once(report):
    assert report.takes_note == "All of them: 48 kHz, 24 bit, 2 channels."
    assert {line.recording for line in report.takes} == {"5.00 s"}
    assert report.takes[0].step == "2: noise and hum in silence, main output, take 1"
