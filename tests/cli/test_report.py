"""``sigbench report``: its files, where they go, and what stands in its way."""

import pytest

from sigbench.cli.report import write_report
from sigbench.errors import FileError

UNIT = "0047"


@pytest.fixture(autouse=True)
def folder(demo, tmp_path, monkeypatch):
    monkeypatch.setenv("SIGBENCH_FOLDER", str(demo.bench))
    monkeypatch.chdir(tmp_path)


def test_the_report_goes_into_a_folder_of_the_unit_and_is_the_same_each_time(call, tmp_path):
    outcome = call("report", UNIT)
    assert outcome.code == 0
    place = tmp_path / "report-example-instruments-bench-synth-6-0047"
    files = {path.name: path.read_bytes() for path in place.iterdir()}
    assert sorted(tmp_path / name for name in outcome.out.split()) == sorted(place.iterdir())
    assert {"report.pdf", "report.html", "report-page-1.png"} <= set(files)
    assert call("report", UNIT, "--to", "again", "--before", "as rec").code == 0
    assert {path.name: path.read_bytes() for path in (tmp_path / "again").iterdir()} == files


def test_the_private_edition_goes_elsewhere(call, tmp_path):
    outcome = call("report", UNIT, "--private")
    assert outcome.code == 0
    place = tmp_path / "private-example-instruments-bench-synth-6-0047"
    assert {path.name for path in place.iterdir()} >= {"private.pdf", "private.html"}
    assert [path.name for path in tmp_path.iterdir()] == [place.name]
    page = (place / "private.html").read_text(encoding="utf-8")
    assert "not for the buyer" in page
    assert "What it may come from" in page


def test_pages_of_an_earlier_report_do_not_stay(tmp_path):
    write_report({"report-page-1.png": b"1", "report-page-2.png": b"2"}, tmp_path)
    (tmp_path / "front.png").touch()
    write_report({"report-page-1.png": b"new"}, tmp_path)
    assert {p.name for p in tmp_path.iterdir()} == {"report-page-1.png", "front.png"}
    assert (tmp_path / "report-page-1.png").read_bytes() == b"new"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--before", "x", "--baseline", "y"), "give one of them"),
        (("--baseline", "nothing"), "there are: 'Bench Synth 6, good units'"),
        (("--photo", "nowhere.jpg"), "nowhere.jpg"),
        (("--after", "mended"), "it has: 'as received', 'after repair'"),
    ],
)
def test_what_is_missing_gets_one_sentence_and_no_report(call, tmp_path, arguments, says):
    outcome = call("report", UNIT, *arguments)
    assert (outcome.code, outcome.out) == (2, "")
    assert says in outcome.err
    assert outcome.err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_is_a_file_gets_one_sentence(tmp_path):
    (tmp_path / "taken").touch()
    with pytest.raises(FileError, match="choose another place with --to"):
        write_report({"report.html": b"x"}, tmp_path / "taken")
