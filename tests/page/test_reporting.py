"""The report on the page."""

import re
import shutil
import time
from dataclasses import replace
from datetime import date
from urllib.parse import urlencode

import pytest

from sigbench.bench.folder import Bench
from sigbench.cli import main
from sigbench.errors import BenchError
from sigbench.model import Found
from sigbench.page.guard import POLICY
from sigbench.page.reporting import MOST_KEPT, PREVIEW_POLICY, Reports
from sigbench.report.of_unit import sides, unit_report
from tests.page.asking import PATIENCE_SECONDS, serving
from tests.page.conftest import serious_faults
from tests.short_plan import UNIT_ID, make_bench

AT = f"/unit/{UNIT_ID}/report"
STAGES = ("as received", "after repair")
NOTES = "bought for 40, ask for 190"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A unit at two stages, with notes and a fault that was found."""
    place = make_bench(tmp_path_factory.mktemp("reporting") / "bench")
    for stage, state in zip(STAGES, ("as-received", "repaired"), strict=True):
        options = ("--stage", stage, "--simulated", state, "--yes", "--folder", str(place))
        assert main(["run", UNIT_ID, *options]) in (0, 1)
    with Bench.open(place) as bench:
        found = (Found("reservoir", "2026-03-01", "both dry"),)
        bench.update_unit(UNIT_ID, replace(bench.unit(UNIT_ID), notes=NOTES, found=found))
        bench.add_unit(replace(bench.unit(UNIT_ID), serial="0008", found=()))
    return place


@pytest.fixture(scope="module")
def page(folder):
    with serving(folder) as asker:
        yield asker


def query(**chosen):
    usual = {"after": STAGES[1], "against": f"stage:{STAGES[0]}", "edition": "buyer", "make": 1}
    return urlencode({**usual, **chosen})


def made(page, **chosen):
    """The page, when the report is there."""
    until = time.monotonic() + PATIENCE_SECONDS
    while "Writing the report" in (answer := page.get(f"{AT}?{query(**chosen)}")).text:
        assert 'http-equiv="refresh"' in answer.text
        assert time.monotonic() < until
    return answer


def file(page, name, **chosen):
    return page.get(f"{AT}/file/{name}?{query(**chosen)}")


def expected(folder, *, private=False, not_measured=(), **between):
    """What the command line makes of the same choice."""
    with Bench.open(folder) as bench:
        return unit_report(
            bench,
            UNIT_ID,
            sides(bench, UNIT_ID, **between),
            made=date.today().isoformat(),
            not_measured=not_measured,
            private=private,
        )


@pytest.fixture(scope="module")
def buyers(folder):
    return expected(folder)


def test_the_files_are_those_of_the_command_line(page, buyers):
    text = made(page).text
    offered = re.findall(r'href="[^"]*/report/file/([^"?]*)\?', text)
    assert offered == list(buyers)
    assert len([name for name in offered if name.endswith(".png")]) >= 2
    kinds = {"pdf": "application/pdf", "html": "text/html; charset=utf-8", "png": "image/png"}
    for name, data in buyers.items():
        answer = file(page, name)
        assert answer.body == data, name
        assert answer.headers["Content-Type"] == kinds[name.rpartition(".")[2]]
        said = answer.headers["Content-Disposition"]
        assert said == f"attachment; filename*=UTF-8''{UNIT_ID}-{name}"


def test_the_preview_has_a_policy_of_its_own(page, buyers):
    answer = page.get(f"{AT}/preview?{query()}")
    assert answer.body == buyers["report.html"]
    assert answer.headers.get_all("Content-Security-Policy") == [PREVIEW_POLICY]
    assert "sandbox; default-src 'none'" in PREVIEW_POLICY
    assert "script" not in PREVIEW_POLICY
    assert "Content-Disposition" not in answer.headers
    frame = re.search(r"<iframe[^>]*>", made(page).text)[0]
    assert " sandbox " in frame  # with nothing allowed
    assert f'src="{AT}/preview?' in frame
    whole = made(page).headers["Content-Security-Policy"]
    assert whole == POLICY.format(host=page.host)


def test_the_private_edition_is_marked_and_is_the_only_one_with_notes(page, folder):
    buyers_page, private_page = made(page).text, made(page, edition="private").text
    assert "Private edition: not for the buyer" in private_page
    assert "Private edition: not for the buyer" not in buyers_page
    offered = re.findall(r"/report/file/([^\"?]*)\?", private_page)
    assert offered
    assert all(name.startswith("private") for name in offered)
    assert len(re.findall(r"kB, not for the buyer", private_page)) == len(offered)
    assert (
        file(page, "private.html", edition="private").body
        == (expected(folder, private=True)["private.html"])
    )
    assert NOTES in file(page, "private.html", edition="private").text
    assert NOTES not in file(page, "report.html").text
    assert file(page, "private.html").status == 404  # of the buyer's edition there is none
    assert file(page, "report.html", edition="private").status == 404


def test_what_was_chosen_goes_in(page, folder):
    alone = file(page, "report.html", after=STAGES[0], against="none").text
    assert STAGES[1] not in alone.lower()
    said = file(page, "report.html", not_measured="the <b>headphones</b>\n\n  MIDI  in ").text
    assert "the &lt;b&gt;headphones&lt;/b&gt;" in said
    assert "MIDI in" in said
    with_lines = made(page, not_measured="the <b>headphones</b>").text
    assert "the &lt;b&gt;headphones&lt;/b&gt;</textarea>" in with_lines
    assert "<b>headphones" not in with_lines


def test_no_serious_fault_for_who_sees_or_reaches_less(page, browser):
    made(page)
    tab = browser.new_page()
    tab.goto(page.address)
    for address in (AT, f"{AT}?{query()}"):
        tab.goto(f"http://{page.host}{address}")
        assert serious_faults(tab) == []
    tab.close()


def test_before_anything_is_made_the_page_asks(page):
    text = page.get(AT).text
    assert "Make the report" in text
    assert "<iframe" not in text
    assert f'<option value="{STAGES[1]}" selected>' in text
    assert f'<option value="stage:{STAGES[0]}" selected>' in text
    assert f'href="{AT}"' in page.get(f"/unit/{UNIT_ID}").text


@pytest.mark.parametrize(
    ("chosen", "words"),
    [
        ({"after": "never"}, "no such stage"),
        ({"against": "stage:never"}, "no such stage"),
        ({"against": "baseline:never"}, "no such stage or baseline"),
        ({"against": "anything"}, "no such stage"),
        ({"against": f"stage:{STAGES[1]}"}, "not held against itself"),
        ({"not_measured": "x\n" * 21}, "too much to say"),
        ({"not_measured": "x" * 301}, "too much to say"),
    ],
)
def test_what_cannot_be_chosen(page, chosen, words):
    for path in (AT, f"{AT}/preview", f"{AT}/file/report.pdf"):
        answer = page.get(f"{path}?{query(**chosen)}")
        assert (answer.status, words in answer.text) == (400, True)


def test_a_unit_that_was_not_measured_and_one_that_is_not_there(page):
    assert "not been measured yet" in page.get("/unit/own-duo-0008/report").text
    assert "no unit" in page.get("/unit/other/report?make=1").text
    assert "There is nothing to report yet" in page.get("/unit/own-duo-0008").text


@pytest.mark.parametrize("name", ["..%2F..%2Fbench.json", "%2Fetc%2Fpasswd", "report.pdf%00", "x"])
def test_only_what_was_made_can_be_had(page, name):
    answer = file(page, name)
    assert answer.status == 404
    assert b"root:" not in answer.body


def test_a_report_against_a_baseline(page, folder):
    with Bench.open(folder) as bench:
        runs = [run.id for run in bench.runs(UNIT_ID, STAGES[1])]
        bench.add_baseline("good", "Own Duo", runs)
    answer = file(page, "report.html", after=STAGES[0], against="baseline:good")
    assert answer.body == expected(folder, after=STAGES[0], baseline="good")["report.html"]
    assert "the baseline good</option>" in page.get(AT).text


def test_nothing_is_written(page, folder, tmp_path, monkeypatch):
    def there():
        files = [path for path in folder.rglob("*") if not path.name.startswith("bench.db")]
        return {path: path.read_bytes() for path in files if path.is_file()}

    monkeypatch.chdir(tmp_path)
    before = there()
    assert file(page, "report.pdf", not_measured="something new").status == 200
    assert there() == before
    assert list(tmp_path.iterdir()) == []


def test_a_report_is_out_of_date_when_anything_in_it_changes(folder, tmp_path):
    place = tmp_path / "bench"
    shutil.copytree(folder, place)
    with serving(place) as page:
        before = file(page, "private.html", edition="private").text
        with Bench.open(place) as bench:
            bench.update_unit(UNIT_ID, replace(bench.unit(UNIT_ID), notes="swapped both"))
        after = file(page, "private.html", edition="private").text
        assert ("swapped both" in before, "swapped both" in after) == (False, True)
        main(["run", UNIT_ID, "--stage", STAGES[1], "--simulated", "as-received", "--yes",
              "--again", "--step", "3", "--folder", str(place)])  # fmt: skip
        assert file(page, "private.html", edition="private").text != after


def test_a_report_is_made_once_and_few_are_kept():
    reports, calls = Reports(), []

    def making(name):
        def make():
            calls.append(name)
            return {name: b""}

        return make

    for _ in range(3):
        assert reports.of("a", making("a")).result() == {"a": b""}
    assert calls == ["a"]
    for name in "bcd":
        reports.of(name, making(name)).result()
    reports.of("a", making("a")).result()  # used last, so it stays
    reports.of("e", making("e")).result()
    assert len(reports) == MOST_KEPT
    reports.of("a", making("a")).result()
    reports.of("b", making("b")).result()
    assert calls == ["a", "b", "c", "d", "e", "b"]


def test_a_report_that_failed_is_tried_anew():
    reports = Reports()

    def fail():
        raise BenchError("The take is gone: put it back.")

    for _ in range(2):
        with pytest.raises(BenchError, match="put it back"):
            reports.of("a", fail).result()
    assert reports.of("a", lambda: {"x": b"1"}).result() == {"x": b"1"}
