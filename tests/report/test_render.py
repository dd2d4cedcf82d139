"""PDF, pages and HTML: the same words, the same bytes, nothing from outside, nothing harmful."""

import hashlib
import html.parser
import io
import json
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from PIL import Image

from sigbench.report.content import build_content
from sigbench.report.photo import prepare_photo
from sigbench.report.render import render
from tests.report.scenario import UNIT, make_scenario

HOSTILE = '<script>alert(1)</script> #panic("no") $x$ *b* \\ "quoted" & {{ 7*7 }}'
REPOSITORY = Path(__file__).parents[2]


def build(unit=UNIT, **changes):
    scenario = make_scenario()
    image = io.BytesIO()
    Image.new("RGB", (80, 60), "grey").save(image, "PNG")
    arguments = {
        "before": scenario.before,
        "comparison": scenario.comparison,
        "takes": scenario.look_up,
        "made": "2026-11-25",
        "version": "0.1.0",
        "photo": prepare_photo(image.getvalue(), "The unit on the bench"),
    }
    return build_content(unit, scenario.after, **(arguments | changes))


@pytest.fixture(scope="module")
def rendered():
    return render(build())


@pytest.fixture(scope="module")
def hostile():
    comparison = replace(make_scenario().comparison, after=HOSTILE)
    unit = replace(UNIT, model=HOSTILE, serial="<b>7</b>")
    return render(build(unit, comparison=comparison), ["pdf", "html"])


def pdf_text(pdf, *options):
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is missing: install poppler-utils")
    command = ["pdftotext", *options, "-", "-"]
    text = subprocess.run(command, input=pdf, capture_output=True, check=True).stdout.decode()
    return " ".join(text.split())


class Reader(html.parser.HTMLParser):
    """All tags with their attributes, and the text."""

    def __init__(self, page):
        super().__init__()
        self.tags, self.text = [], ""
        self.feed(page.decode())
        self.text = " ".join(self.text.split())

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.text += data


def digests(files):
    return {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}


def test_the_same_content_gives_the_same_bytes_in_a_fresh_process(rendered):
    code = (
        "import json; from tests.report.test_render import *; "
        "print(json.dumps(digests(render(build()))))"
    )
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", code],
        capture_output=True, text=True, check=True, cwd=REPOSITORY,
    )  # fmt: skip
    assert json.loads(done.stdout) == digests(rendered)


def test_forms_agree_on_the_words(rendered):
    paper, screen = pdf_text(rendered["report.pdf"], "-raw"), Reader(rendered["report.html"]).text
    for words in (
        "Example Instruments Bench Synth 6",
        "0001",
        "as received",
        "after repair",
        "A. Repairer",
        "−43.71 ± 0.01 dBFS",
        "−93.20 ± 0.42 dBFS",
        "11.100 ± 0.087 V",
        "no valid number",
        "both channels carried the signal",
        "These outputs: phones.",
        "no electrical safety certificate",
        "28 readings in the tables",
    ):
        assert words in screen
        assert words in paper
    for run in (*make_scenario().before, *make_scenario().after):
        for take in run.takes:
            assert take.sha256 in screen
            assert take.sha256 in paper


def test_pages_are_as_many_as_the_pdf_has(rendered):
    if shutil.which("pdfinfo") is None:
        pytest.skip("pdfinfo is missing: install poppler-utils")
    done = subprocess.run(
        ["pdfinfo", "-"], input=rendered["report.pdf"], capture_output=True, check=True
    )
    information = done.stdout.decode()
    pages = int(re.search(r"Pages:\s+(\d+)", information).group(1))
    pictures = [name for name in rendered if name.endswith(".png")]
    assert pictures == [f"report-page-{k}.png" for k in range(1, pages + 1)]
    assert "CreationDate" not in information
    assert re.search(r"Tagged:\s+yes", information)
    for name in pictures:
        with Image.open(io.BytesIO(rendered[name])) as page:
            assert page.size == (1191, 1684)  # A4 at 144 pixels an inch


def test_fonts_come_from_the_wheel(rendered):
    if shutil.which("pdffonts") is None:
        pytest.skip("pdffonts is missing: install poppler-utils")
    done = subprocess.run(
        ["pdffonts", "-"], input=rendered["report.pdf"], capture_output=True, check=True
    )
    names = {line.split()[0].split("+")[-1] for line in done.stdout.decode().splitlines()[2:]}
    assert names
    assert all(name.startswith(("LibertinusSerif", "DejaVuSansMono")) for name in names)


def test_the_page_fetches_nothing_and_runs_nothing(rendered):
    page = rendered["report.html"].decode()
    reader = Reader(rendered["report.html"])
    tags = {tag for tag, _ in reader.tags}
    assert not tags & {"script", "link", "iframe", "object", "embed", "base", "form"}
    for _, attributes in reader.tags:
        assert not any(name.startswith("on") for name in attributes)
        for name in ("src", "href", "xlink:href", "action", "data", "srcset"):
            assert re.match(r"#|data:image/jpeg;base64,|$", attributes.get(name) or "")
    assert all(target.startswith("#") for target in re.findall(r"url\(([^)]*)\)", page))
    assert "@import" not in page


def test_identities_are_unique_and_known(rendered):
    reader = Reader(rendered["report.html"])
    identities = [a["id"] for _, a in reader.tags if "id" in a]
    assert len(identities) == len(set(identities))


def test_the_page_can_be_heard(rendered):
    reader = Reader(rendered["report.html"])
    assert ("html", {"lang": "en"}) in reader.tags
    assert all(a.get("alt") for tag, a in reader.tags if tag == "img")
    pictures = [a for _, a in reader.tags if a.get("role") == "img"]
    assert len(pictures) == sum(1 for tag, _ in reader.tags if tag == "svg") == 4
    assert all(a["aria-label"] for a in pictures)
    heads = [a for tag, a in reader.tags if tag == "th"]
    assert heads
    assert all(a.get("scope") in ("col", "rowgroup", "row") for a in heads)
    captions = sum(1 for tag, _ in reader.tags if tag == "caption")
    assert captions == sum(1 for tag, _ in reader.tags if tag == "table")


def test_a_hostile_name_is_only_a_name(hostile):
    reader = Reader(hostile["report.html"])
    assert "script" not in {tag for tag, _ in reader.tags}
    assert "b" not in {tag for tag, _ in reader.tags}
    assert HOSTILE in reader.text
    assert "".join(HOSTILE.split()) in pdf_text(hostile["report.pdf"], "-raw").replace(" ", "")


def test_only_the_forms_asked_for_are_made():
    files = render(build(takes=lambda record: None), ["html"], name="0001")
    assert list(files) == ["0001.html"]


def test_long_tables_repeat_their_heads():
    scenario = make_scenario()
    many = tuple(
        replace(c, name=f"reading_{k}", limit=None, out_of_limits=None)
        for k in range(120)
        for c in scenario.comparison.comparisons
        if c.name == "noise_a"
    )
    comparison = replace(scenario.comparison, comparisons=many)
    pdf = render(build(comparison=comparison), ["pdf"])["report.pdf"]
    assert pdf_text(pdf, "-raw").count("Reading As received After repair Change Finding") >= 5


def test_the_first_page_holds_summary_readings_and_a_plot(rendered):
    first = pdf_text(rendered["report.pdf"], "-l", "1")
    second = pdf_text(rendered["report.pdf"], "-f", "2", "-l", "2")
    for words in ("28 readings in the tables", "The most important readings", "hum from the mains"):
        assert words in first
    assert "page 1 of" in first
    assert "page 2 of" in second
    assert "All readings no change" in second


def test_each_hash_stands_on_one_line(rendered):
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is missing: install poppler-utils")
    done = subprocess.run(
        ["pdftotext", "-layout", "-", "-"],
        input=rendered["report.pdf"], capture_output=True, check=True,
    )  # fmt: skip
    lines = done.stdout.decode().splitlines()
    for run in make_scenario().after:
        for take in run.takes:
            assert any(take.sha256 in line and "5.00 s" in line for line in lines)
