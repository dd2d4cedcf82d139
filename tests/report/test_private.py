"""The private edition: causes, what it turned out to be and notes; and none of it for the buyer."""

from dataclasses import replace

import pytest

from sigbench.causes.clues import Clue
from sigbench.causes.ranking import rank
from sigbench.causes.records import BY_KEY
from sigbench.model import Found
from sigbench.report.private import WARNING, private_pages
from sigbench.report.render import render
from tests.report.scenario import UNIT
from tests.report.test_render import Reader, build, pdf_text

HUMMING = [
    Clue("hum 2x", 0.999, "-50 dB"),
    Clue("hum mostly 2x", 0.99),
    Clue("rail missing", 0.001),
]
UNIT_FOUND = replace(
    UNIT, notes="bought for little", found=(Found("reservoir", "2026-01-02", "both <dry>"),)
)


@pytest.fixture(scope="module")
def private():
    ranked = [("as received", rank(HUMMING)), ("after repair", rank([Clue("hum 2x", 0.001)]))]
    pages = private_pages(UNIT_FOUND, ranked)
    return render(build(UNIT_FOUND, private=pages), ["pdf", "html"], name="private")


def texts(files):
    for name, data in files.items():
        yield Reader(data).text if name.endswith("html") else pdf_text(data)


def test_it_says_what_only_the_person_at_the_bench_should_read(private):
    assert set(private) == {"private.pdf", "private.html"}
    reservoir = BY_KEY["reservoir"]
    for text in texts(private):
        assert WARNING in text
        assert reservoir.name.capitalize() in text
        assert "hum at twice the mains frequency (-50 dB)" in text
        assert "several hundred volts" in text
        assert "Nothing that was measured points to a fault." in text
        assert "both <dry>" in text
        assert "bought for little" in text


def test_every_page_on_paper_is_marked(private):
    pages = pdf_text(private["private.pdf"]).count("page 1 of ")
    assert pages == 1
    marked = pdf_text(private["private.pdf"]).count(WARNING)
    count = int(pdf_text(private["private.pdf"]).split("page 1 of ")[1].split()[0])
    assert marked == count


def test_the_buyer_reads_none_of_it():
    for text in texts(render(build(UNIT_FOUND), ["pdf", "html"])):
        for word in (WARNING, "bought for little", "both <dry>", "What it may come from", "score"):
            assert word not in text


def test_the_same_content_gives_the_same_bytes(private):
    ranked = [("as received", rank(HUMMING)), ("after repair", rank([Clue("hum 2x", 0.001)]))]
    again = build(UNIT_FOUND, private=private_pages(UNIT_FOUND, ranked))
    assert render(again, ["pdf", "html"], name="private") == private


def test_without_measurements_it_says_so():
    page = render(build(private=private_pages(UNIT, [])), ["html"])["report.html"]
    assert "Nothing was measured that tells of causes." in Reader(page).text
