"""``sigbench demo``: what it says, where it puts things, and that nothing is overwritten."""

from pathlib import Path

from sigbench.cli.demo import _free


def test_the_demo_ends_well_and_tells_its_story_in_order(demo):
    assert demo.said.startswith("exit 0\n")
    titles = ["1. The baseline", "2. Arrival", "3. Repair", "4. Proof", "5. And against the good"]
    places = [demo.said.index(title) for title in titles]
    assert places == sorted(places)
    assert max(map(len, demo.said.split("The report for the buyer")[0].splitlines())) <= 80
    arrival, proof = (
        demo.said[places[1] : places[2]],
        demo.said[places[3] : places[4]],
    )
    for fault in ("Hum, all mains lines, left", "Left minus right", "Dropouts, left"):
        assert fault in arrival
        assert fault in proof
    assert "worse, outside limit" in arrival
    assert "worse" not in proof
    assert "none outside a limit" in proof


def test_the_report_lies_where_the_demo_says(demo):
    folder = demo.place / "report"
    for name, begins in (
        ("report.pdf", b"%PDF-"),
        ("report.html", b"<!"),
        ("report-page-1.png", b"\x89PNG"),
    ):
        assert (folder / name).read_bytes().startswith(begins)
    said = demo.said.replace("\n", "")
    assert str(folder / "report.pdf") in said
    assert str(folder / "report.html") in said
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "Bench Synth 6" in page
    assert "0047" in page


def test_a_folder_that_is_there_gets_a_number(tmp_path: Path):
    place = tmp_path / "demo"
    assert _free(place) == place
    place.mkdir()
    assert _free(place) == tmp_path / "demo-2"
    (tmp_path / "demo-2").touch()
    assert _free(place) == tmp_path / "demo-3"
