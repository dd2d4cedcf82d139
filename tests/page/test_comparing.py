"""Before and after side by side: the words of the command line, plots, and events to listen to."""

import html
import io
import json
import re
import shutil
from dataclasses import replace
from urllib.parse import quote

import numpy as np
import pytest
import soundfile
from PIL import Image

from sigbench.bench.folder import Bench, new_run_id
from sigbench.cli import main as sigbench
from sigbench.interface.simulated import ARRIVAL, REPAIRED, SimulatedInterface
from sigbench.model import CheckSettings, Output, Plan, Rail, Step, TakeRecord, Unit
from sigbench.page.compared import SIGNS
from sigbench.page.drawings import KEPT, Drawings, Pair, figures_of
from sigbench.page.stretch import around, in_parts, wav_16_bit
from sigbench.report.wording import VERDICT_WORDS
from sigbench.run import Session, carry_out
from tests.page.asking import serving
from tests.page.conftest import serious_faults
from tests.report.hands import NAMES, make_hands
from tests.report.hands import UNIT as HANDS_UNIT

UNIT = Unit("Own", "Three-voice", "7", (Output("main"),), 230.0, 50.0)
UNIT_ID, HANDS_ID, ALONE_ID = (
    "own-three-voice-7",
    "example-instruments-bench-synth-6-0001",
    "own-x-1",
)
STAGES = (("as received", ARRIVAL), ("after repair", REPAIRED))
BASELINE = "one good one"
PLAN = Plan(
    "short",
    (
        Step("rails", "supply", "Measure.", rails=(Rail("+15 V", 15.0), Rail("-15 V", -15.0))),
        Step("idle", "main", "Play nothing.", 1.0, 2, settings=CheckSettings(mains_hz=50)),
        Step("tone", "main", "Hold A4.", 1.0, 2, settings=CheckSettings(frequency_hz=440)),
        Step("dropouts", "main", "Hold A4.", 5.0, 2),
    ),
)


def measure(bench, unit_id, stage, parts, steps, seed):
    simulated = SimulatedInterface(parts, seed=seed)
    volts, outputs = simulated.rail_volts(), {o.name: o for o in bench.unit(unit_id).outputs}
    run_ids = []
    for number, step in steps:
        simulated.do(step)
        rails = tuple(
            replace(rail, measured_volts=volts[rail.name.replace(" ", "")]) for rail in step.rails
        )
        run = carry_out(
            Session(simulated, stage, "test", "fixed"),
            number,
            replace(step, rails=rails),
            output=outputs.get(step.output),
            run_id=new_run_id(),
            store=bench.store_take,
        )
        bench.add_run(unit_id, run)
        run_ids.append(run.id)
    return run_ids


@pytest.fixture(scope="session")
def compared(tmp_path_factory):
    """A bench of three units: repaired, with jacks and a control moved, and measured once only."""
    folder = tmp_path_factory.mktemp("compared") / "bench"
    with Bench.create(folder) as bench:
        assert bench.add_unit(UNIT) == UNIT_ID
        bench.set_plan(UNIT_ID, PLAN)
        for seed, (stage, parts) in enumerate(STAGES):
            measure(bench, UNIT_ID, stage, parts, enumerate(PLAN.steps, 1), seed)
        assert bench.add_unit(replace(UNIT, model="x", serial="1")) == ALONE_ID
        alone = measure(bench, ALONE_ID, "as sold", REPAIRED, [(4, PLAN.steps[3])], 9)
        bench.add_baseline(BASELINE, "Three-voice", alone)
        assert bench.add_unit(HANDS_UNIT) == HANDS_ID
        hands = make_hands()
        for run in (*hands.before, *hands.after):
            takes = tuple(bench.store_take(hands.look_up(record)) for record in run.takes)
            bench.add_run(HANDS_ID, replace(run, takes=takes))
    return folder


@pytest.fixture
def folder(compared):
    return compared


@pytest.fixture
def bench(compared):
    with Bench.open(compared) as opened:
        yield opened


def run_with_events(bench, unit_id=UNIT_ID):
    """A run, the number of a take of it, and an event in that."""
    for run in bench.runs(unit_id):
        for number, measurement in enumerate(run.measurements):
            for event in measurement.events:
                if event.kind == "dropout" and number < len(run.takes):
                    return run, number, event
    raise AssertionError("the unit as received has dropouts")


def rows_of(page):
    """The rows of the tables: what they are of, and the sign and the words of their verdict."""
    rows = re.findall(
        r'data-step="(\d+)" data-name="([^"]*)" data-unit="([^"]*)" data-channel="(\d*)">'
        r'.*?data-verdict="([^"]*)"><b aria-hidden="true">(.)</b> <span>([^<]*)</span>',
        page,
        re.DOTALL,
    )
    return {
        (int(step), html.unescape(name), unit, int(channel) if channel else None): rest
        for step, name, unit, channel, *rest in rows
    }


def printed(capsys, *arguments):
    capsys.readouterr()
    assert sigbench(list(arguments)) in (0, 1)
    return json.loads(capsys.readouterr().out)


@pytest.mark.parametrize(
    ("asked", "options"),
    [
        ("", []),
        ("?before=as+received&after=after+repair", []),
        ("?before=after+repair&after=as+received",
         ["--before", "after repair", "--after", "as received"]),
        (f"?before=as+received&baseline={quote(BASELINE)}", ["--baseline", BASELINE]),
    ],
)  # fmt: skip
def test_the_verdicts_are_those_of_the_command_line(ask, compared, capsys, asked, options):
    said = printed(capsys, "compare", UNIT_ID, "--folder", str(compared), "--json", *options)
    verdicts = {(c["step"], c["name"], c["unit"], c["channel"]): c for c in said["comparisons"]}
    page = ask.get(f"/unit/{UNIT_ID}/compare{asked}").text
    rows = rows_of(page)
    assert len(rows) == sum(n for name, n in said["summary"].items() if name != "out of limits")
    for key, (verdict, sign, words) in rows.items():
        expected = verdicts[key]["verdict"]
        outside = ", outside limit" if verdicts[key]["out_of_limits"] else ""
        assert (verdict, sign, words) == (expected, SIGNS[expected], expected + outside)
    if not options:
        assert {verdict for verdict, *_ in rows.values()} >= {"better", "no change"}


def test_each_verdict_has_a_sign_of_its_own():
    assert set(SIGNS) == set(VERDICT_WORDS)
    assert len(set(SIGNS.values())) == len(SIGNS)


def test_what_matters_comes_first_and_what_did_not_change_is_folded_up(ask):
    page = ask.get(f"/unit/{UNIT_ID}/compare").text
    first, folded = page.split('<details id="unchanged">')
    assert '"no change"' not in first
    assert '"no change"' in folded.split("</details>")[0]
    verdicts = [verdict for verdict, *_ in rows_of(first.split("<details>")[0]).values()]
    assert set(verdicts) <= {"better", "worse", "different"}
    # Of a step the worse ones come first, then the better ones.
    for group in first.split("<tbody>")[1:]:
        order = [["worse", "better", "different"].index(v) for v, *_ in
                 rows_of(group.split("</tbody>")[0]).values() if v != "cannot tell"
                 and "outside limit" not in group]  # fmt: skip
        assert order == sorted(order)


def test_the_selects_show_what_is_compared(ask):
    page = ask.get(f"/unit/{UNIT_ID}/compare?before=after+repair&after=as+received").text
    chosen = re.findall(r"<option[^>]* selected>([^<]*)", page)
    assert chosen == ["after repair", "as received"]
    page = ask.get(f"/unit/{UNIT_ID}/compare").text
    assert re.findall(r"<option[^>]* selected>([^<]*)", page) == ["as received", "after repair"]


def test_one_stage_stands_alone(ask):
    page = ask.get(f"/unit/{ALONE_ID}/compare").text
    assert "nothing to hold it against" in page
    assert "Readings of the stage as sold" in page
    assert "level over time, and events" in page
    assert "as sold: no events" in page
    assert rows_of(page) == {}


def test_the_same_stage_twice_is_said_to_be_one(ask):
    page = ask.get(f"/unit/{UNIT_ID}/compare?before=after+repair&after=after+repair").text
    assert "choose two that differ" in page


def test_a_unit_is_led_to_its_comparison_with_the_count_of_its_events(ask, bench):
    page = ask.get(f"/unit/{UNIT_ID}").text
    assert f'href="/unit/{UNIT_ID}/compare"' in page
    found = sum(
        event.kind != "mark"
        for run in bench.runs(UNIT_ID, "as received")
        for measurement in run.measurements
        for event in measurement.events
    )
    assert found > 1
    assert f"{found} events</summary>" in page
    assert f"as received: {found} events" in ask.get(f"/unit/{UNIT_ID}/compare").text


@pytest.mark.parametrize(
    "asked",
    [
        "/unit/no-such/compare",
        f"/unit/{UNIT_ID}/compare?before=after+cleaning",  # a stage of another unit
        f"/unit/{UNIT_ID}/compare?after=as+sold",
        f"/unit/{UNIT_ID}/compare?baseline=none",
        f"/unit/{UNIT_ID}/plot/figure99.svg",
        f"/unit/{UNIT_ID}/plot/figure99.json",
        f"/unit/{UNIT_ID}/plot/figure1.svg?after=as+sold",
        f"/unit/{HANDS_ID}/plot/figure1.png?before=as+sold",
        "/run/20260101T000000Z-aaaa/take/0/around?at=1",
        f"/run/{UNIT_ID}/take/0/around?at=1",
        "/run/20260101T000000Z-aaaa/take/0/level?at=1",
    ],
)
def test_what_is_not_there_is_a_sentence(ask, asked):
    answer = ask.get(asked)
    assert answer.status == 404
    (sentence,) = re.findall(r'<p class="notice">([^<]*)</p>', answer.text)
    assert sentence.endswith(".")
    assert "Traceback" not in answer.text


@pytest.mark.parametrize(
    "part", ["..%2F..%2F..%2Fetc%2Fpasswd", "..", "%2e%2e", "..%5C..", "%00", "'--"]
)
def test_no_part_of_an_address_is_taken_for_a_path(ask, bench, part):
    run, _, _ = run_with_events(bench)
    for path in (
        f"/unit/{part}/compare",
        f"/unit/{UNIT_ID}/compare?before={part}",
        f"/unit/{UNIT_ID}/compare?after={part}",
        f"/unit/{UNIT_ID}/compare?baseline={part}",
        f"/unit/{part}/plot/figure1.svg",
        f"/unit/{UNIT_ID}/plot/{part}.svg",
        f"/unit/{UNIT_ID}/plot/{part}.png",
        f"/unit/{UNIT_ID}/plot/{part}.json",
        f"/unit/{UNIT_ID}/plot/figure1.svg?after={part}",
        f"/run/{part}/take/0/around?at=1",
        f"/run/{run.id}/take/{part}/around?at=1",
        f"/run/{part}/take/0/level?at=1",
        f"/run/{run.id}/take/{part}/level?at=1",
    ):
        answer = ask.get(path)
        assert answer.status == 404, path
        assert "root:" not in answer.text


@pytest.mark.parametrize("number", ["2", "-1", "1.0", "٠", "9" * 5000, "x"])
def test_a_take_that_is_not_there_is_a_sentence(ask, bench, number):
    run, _, _ = run_with_events(bench)
    answer = ask.get(f"/run/{run.id}/take/{quote(number)}/around?at=1")
    assert answer.status == 404
    assert "no such take" in answer.text


@pytest.mark.parametrize("at", ["-0.1", "5.1", "1e9", "nan", "inf", "-inf", "", "one", "1e999"])
@pytest.mark.parametrize("what", ["around", "level"])
def test_a_moment_that_is_not_there_is_a_sentence(ask, bench, at, what):
    run, _, _ = run_with_events(bench)
    answer = ask.get(f"/run/{run.id}/take/0/{what}?at={at}", Accept="text/plain")
    assert answer.status == 400
    assert re.fullmatch(
        r"(This take has no such moment: |The moment in a take is ).*\.", answer.text
    )


@pytest.mark.parametrize("at", [0.0, 0.7, 2.5, 4.9, 5.0])
def test_what_is_heard_is_what_was_recorded(ask, bench, at):
    run, number, _ = run_with_events(bench)
    take = bench.read_take(run.takes[number])
    answer = ask.get(f"/run/{run.id}/take/{number}/around?at={at}")
    assert answer.headers["Content-Type"] == "audio/wav"
    heard, rate = soundfile.read(io.BytesIO(answer.body), dtype="float64", always_2d=True)
    assert rate == take.samplerate
    assert soundfile.info(io.BytesIO(answer.body)).subtype == "PCM_16"
    start = max(round((at - 2) * rate), 0)
    expected = take.samples[start : round((at + 2) * rate)]
    assert heard.shape == expected.shape
    # Half a step of 16 bit: what rounding to the nearest may do.
    assert np.abs(heard - expected).max() <= 0.5 / 2**15 + 1e-12


def test_full_scale_does_not_wrap_round():
    samples = np.array([[1.0, -1.0], [0.99999, -0.99999]])
    heard, _ = soundfile.read(io.BytesIO(wav_16_bit(samples, 48_000)), dtype="int16")
    assert heard.tolist() == [[32767, -32768], [32767, -32768]]


def test_the_spot_is_where_the_event_is(ask, bench):
    run, number, event = run_with_events(bench)
    level = json.loads(ask.get(f"/run/{run.id}/take/{number}/level?at={event.start}").text)
    assert level["spot"] == pytest.approx(min(event.start, 2.0), abs=1 / 48_000)
    page = html.unescape(ask.get(f"/unit/{UNIT_ID}/compare").text)
    assert f"The dropout is at {level['spot']:.2f} s in the player." in page
    # At the spot the level of the channel that broke off falls; nowhere is it above the peak.
    lows = level["channels"][event.channels[0] - 1]["low"]
    columns = len(lows) / level["seconds"]
    spot = slice(int(level["spot"] * columns), int((level["spot"] + 0.03) * columns) + 2)
    assert min(lows[spot]) < max(lows) - 20
    assert max(lows) <= level["peak"]


def test_an_event_without_a_recording_is_listed_all_the_same(ask):
    page = ask.get(f"/unit/{HANDS_ID}/compare").text
    listed = page.split("Step 3: soak, main output: 2</summary>")[1].split("</details>")[0]
    assert listed.count("no recording of it was kept") == 2
    assert "data-listen" not in listed
    assert f"{NAMES[0]}: 22 events" in page  # 17 of the control, 3 of the jack, 2 of the soak


def test_a_stretch_stays_within_its_take():
    record = TakeRecord("", "", 100, 1, 1000)
    assert around(record, 5.0) == around(record, 5)
    assert (around(record, 5).start, around(record, 5).frames, around(record, 5).spot) == (
        300,
        400,
        2,
    )
    assert (around(record, 1).start, around(record, 1).frames, around(record, 1).spot) == (
        0,
        300,
        1,
    )
    assert (around(record, 10).start, around(record, 10).frames) == (800, 200)


@pytest.mark.parametrize(
    ("wanted", "status", "part", "told"),
    [
        (None, 200, b"0123456789", None),
        ("bytes=0-", 206, b"0123456789", "bytes 0-9/10"),
        ("bytes=2-4", 206, b"234", "bytes 2-4/10"),
        ("bytes=8-99", 206, b"89", "bytes 8-9/10"),
        ("bytes=-3", 206, b"789", "bytes 7-9/10"),
        ("bytes=10-", 416, b"", "bytes */10"),
        ("bytes=4-2", 416, b"", "bytes */10"),
        ("bytes=-", 200, b"0123456789", None),
        ("bytes=0-1,3-4", 200, b"0123456789", None),  # all of it is an answer too
        ("lines=0-1", 200, b"0123456789", None),
    ],
)
def test_a_player_may_ask_for_parts(wanted, status, part, told):
    """RFC 9110, 14.1.2 and 14.4."""
    answer = in_parts(b"0123456789", "audio/wav", wanted)
    assert (answer.status_code, answer.body) == (status, part)
    assert answer.headers.get("content-range") == told


def plots_of(page):
    return dict(re.findall(r'<img src="([^"]*)" alt="([^"]*)"', page))


def test_every_plot_is_served_and_told_in_words(ask):
    for unit_id in (UNIT_ID, HANDS_ID, ALONE_ID):
        plots = plots_of(ask.get(f"/unit/{unit_id}/compare").text)
        assert plots
        for address, alt in plots.items():
            answer = ask.get(html.unescape(address))
            assert answer.status == 200, address
            assert answer.headers["Content-Type"] == "image/svg+xml"
            assert answer.body.startswith(b"<svg")
            assert re.fullmatch(r"Plot\. Step \d, \w+ – [^.]+\. .+: .+\.", alt)
        assert len(set(plots.values())) == len(plots)
    alts = " ".join(plots_of(ask.get(f"/unit/{HANDS_ID}/compare").text).values())
    assert f"Left, {NAMES[0]}: 6 passes, worn at " in alts
    assert f"Left, {NAMES[1]}: 5 passes, no worn place, no dead place" in alts
    assert f"{NAMES[0]}: 1 × dropout, 1 × dip in level, 1 onset." in alts
    assert "As received: 3 × dropout." in alts


def test_a_plot_can_be_kept_as_a_picture(ask):
    page = ask.get(f"/unit/{UNIT_ID}/compare").text
    address = re.search(r'href="([^"]*\.png[^"]*)" download="([^"]*)"', page)
    assert address[2] == f"{UNIT_ID}-figure1.png"
    answer = ask.get(html.unescape(address[1]))
    picture = Image.open(io.BytesIO(answer.body))
    assert picture.format == "PNG"
    assert picture.width > 1000
    assert picture.convert("L").getextrema()[1] == 255  # the paper is white
    assert picture.convert("L").getextrema()[0] < 60  # and there is ink on it


def test_the_figures_of_a_plot_are_those_it_is_drawn_from(ask, bench):
    found = json.loads(ask.get(f"/unit/{UNIT_ID}/plot/figure2.json").text)
    assert (found["x_unit"], found["y_unit"]) == ("Hz", "dBFS")
    after = [run for run in bench.runs(UNIT_ID, "after repair") if run.step.check == "tone"]
    take = bench.read_take(after[0].takes[0])
    for channel, panel in enumerate(found["panels"]):
        curve = panel["after"]
        at = int(np.argmax(curve["y"]))
        # The tallest line is the note, as strong as the RMS of a take that is all note: a Hann
        # line between two bins shows up to 1.4 dB less (Harris 1978, table 1).
        rms = 10 * np.log10(2 * np.mean(take.samples[:, channel] ** 2))
        assert curve["x"][at] == pytest.approx(440, abs=1)
        assert rms - 1.5 < curve["y"][at] < rms + 0.1
        assert 0 < panel["left"] < panel["right"] <= 1
        assert 0 < panel["top"] < panel["bottom"] < 1
    bars = ask.get(f"/unit/{UNIT_ID}/plot/figure3.json")
    assert (bars.status, "no curve" in bars.text) == (404, True)


def test_plots_are_worked_out_once(bench):
    asked = []

    def find(pair, takes):
        asked.append(pair)
        return figures_of(pair, takes)

    drawings = Drawings(find)
    runs = tuple(bench.runs(ALONE_ID))
    pair = Pair(UNIT, (), runs)
    first = drawings.drawing(pair, bench.read_take, "figure1")
    assert (
        drawings.drawing(Pair(UNIT, (), tuple(bench.runs(ALONE_ID))), bench.read_take, "figure1")
        is first
    )
    assert drawings.picture(pair, bench.read_take, "figure1") is drawings.picture(
        pair, bench.read_take, "figure1"
    )
    assert len(asked) == 1
    for number in range(KEPT):
        drawings.figures(Pair(replace(UNIT, serial=str(number)), (), runs), lambda record: None)
    assert drawings.drawing(pair, bench.read_take, "figure1") == first
    assert len(asked) == KEPT + 2  # it had been dropped for those looked at later


def test_a_damaged_take_is_told_and_the_readings_stay(compared, tmp_path):
    shutil.copytree(compared, tmp_path / "bench")
    with Bench.open(tmp_path / "bench") as bench:
        run, number, event = run_with_events(bench)
        place = bench.folder / run.takes[number].path
    data = bytearray(place.read_bytes())
    data[len(data) // 2] ^= 1
    place.write_bytes(data)
    with serving(tmp_path / "bench") as ask:
        shown = ask.get(f"/unit/{UNIT_ID}/compare").text
        assert "There are no plots: " in shown
        assert "is damaged" in shown
        assert rows_of(shown)
        answer = ask.get(f"/run/{run.id}/take/{number}/around?at={event.start}")
        assert (answer.status, "is damaged" in answer.text) == (404, True)


def test_figures_are_read_by_pointer_and_by_keys(open_page, ask):
    page = open_page(f"/unit/{UNIT_ID}/compare")
    found = json.loads(ask.get(f"/unit/{UNIT_ID}/plot/figure2.json").text)
    panel = found["panels"][0]
    plot = page.locator("figure", has=page.locator('img[src*="figure2.svg"]'))
    slider, said = plot.locator("input").first, plot.locator("output").first

    def expected(index):
        x = panel["after"]["x"][index]
        both = []
        for side in ("before", "after"):
            at = int(np.argmin(np.abs(np.array(panel[side]["x"]) - x)))
            both.append((found[side], panel[side]["x"][at], panel[side]["y"][at]))
        return x, both

    def check(index):
        words = said.text_content().replace("−", "-")
        x, both = expected(index)
        assert words.startswith(f"at {x:.1f} Hz: ")
        for name, _, level in both:
            told = float(re.search(rf"{name} (-?[\d.]+) dBFS", words)[1])
            assert told == pytest.approx(level, abs=0.051)  # one digit behind the point
        assert slider.get_attribute("aria-valuetext").replace("−", "-") == words

    slider.focus()
    tallest = int(np.argmax(panel["after"]["y"]))
    check(tallest)
    page.keyboard.press("ArrowRight")
    check(tallest + 1)
    page.keyboard.press("Home")
    check(0)
    drawing = plot.locator(".drawing")
    drawing.scroll_into_view_if_needed()
    box = drawing.bounding_box()
    share = panel["left"] + (panel["right"] - panel["left"]) * np.log10(440 / 20) / 3
    page.mouse.move(box["x"] + share * box["width"], box["y"] + 0.5 * box["height"])
    words = said.text_content()
    # A pixel of this plot is 1.3 % of a frequency.
    assert float(re.match(r"at ([\d.]+) Hz", words)[1]) == pytest.approx(440, rel=0.02)


@pytest.mark.parametrize("look", ["light", "dark"])
def test_no_serious_fault_for_who_sees_or_reaches_less(open_page, look):
    page = open_page(f"/unit/{UNIT_ID}/compare", color_scheme=look)
    assert serious_faults(page) == []
    page.goto(page.url.replace("/compare", ""))
    for stage in page.locator("summary").all():
        stage.click()
    assert serious_faults(page) == []


def test_an_event_is_heard(open_page, bench):
    page = open_page(f"/unit/{UNIT_ID}/compare")
    run, _, event = run_with_events(bench)
    button = page.locator(f'[data-listen^="/run/{run.id}/"]').first
    button.click()
    player = page.locator("audio")
    loaded = "it.addEventListener('loadedmetadata', () => done(it.duration))"
    known = f"it => new Promise(done => it.duration ? done(it.duration) : {loaded})"
    duration = player.evaluate(known)
    seconds = min(event.start, 2) + min(5 - event.start, 2)
    assert duration == pytest.approx(seconds, abs=0.01)
    spot = f"{min(event.start, 2):.2f} s"
    assert spot in page.locator(".listening [role=status]").text_content()
    assert spot in page.locator("canvas.around").get_attribute("aria-label")
    drawn = "it => it.getContext('2d').getImageData(0, 0, it.width, it.height).data.some(Boolean)"
    next_frame = "new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))"
    page.evaluate(next_frame)
    assert page.locator("canvas.around").evaluate(drawn)
    button.click()
    assert player.count() == 0
