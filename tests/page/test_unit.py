"""The page of a unit: notes, causes written down, photos, and what comes next."""

import io
import zlib
from urllib.parse import urlencode

import pytest
from PIL import Image

from sigbench.bench.folder import Bench
from sigbench.model import Plan
from sigbench.page.show import StageView, StepLine, next_of
from sigbench.page.unit import MOST_PHOTO_BYTES
from tests.page.conftest import PHONE, STEPS, UNIT


def picture(size=(40, 30), **options):
    data = io.BytesIO()
    Image.new("RGB", size, (200, 30, 30)).save(data, "JPEG", **options)
    return data.getvalue()


def test_notes_are_kept(ask, folder):
    ask.post(f"/unit/{UNIT}/notes", urlencode({"notes": " smells of <smoke>\n"}))
    with Bench.open(folder) as bench:
        assert bench.unit(UNIT).notes == "smells of <smoke>"
    assert "smells of &lt;smoke&gt;" in ask.get(f"/unit/{UNIT}").text


def test_what_it_turned_out_to_be_is_written_down(ask, folder):
    answer = ask.post(f"/unit/{UNIT}/found", urlencode({"cause": "reservoir", "note": "C12"}))
    assert answer.status == 303
    with Bench.open(folder) as bench:
        (found,) = bench.unit(UNIT).found
    assert (found.cause, found.note) == ("reservoir", "C12")
    assert "C12" in ask.get(f"/unit/{UNIT}").text
    assert ask.post(f"/unit/{UNIT}/found", urlencode({"cause": "ghosts"})).status == 400


def test_a_photo_is_drawn_anew_without_where_it_was_taken(ask, folder):
    exif = Image.Exif()
    exif[0x9286] = "taken in my kitchen"  # UserComment (Exif 3.0, 4.6.6)
    sent = picture(exif=exif.tobytes())
    assert b"kitchen" in sent
    assert ask.post(f"/unit/{UNIT}/photo", sent).status == 204
    kept = ask.get(f"/unit/{UNIT}/photo")
    assert kept.headers["Content-Type"] == "image/jpeg"
    assert b"kitchen" not in kept.body
    assert Image.open(io.BytesIO(kept.body)).size == (40, 30)


def test_a_photo_from_the_camera_of_a_tablet(open_page):
    """What a camera gives is a file of its own, laid on its side with a note on how to turn it."""
    page = open_page(f"/unit/{UNIT}", **PHONE, has_touch=True, is_mobile=True)
    camera = page.locator("input[type=file][capture=environment]")
    exif = Image.Exif()
    exif[0x0112] = 6  # Orientation: turn by 90 degrees (Exif 3.0, 4.6.5.1.6)
    shot = picture((400, 300), exif=exif.tobytes())
    with page.expect_navigation():
        camera.set_input_files({"name": "shot.jpg", "mimeType": "image/jpeg", "buffer": shot})
    photo = page.locator("img.photo")
    photo.wait_for()
    assert photo.evaluate("img => [img.naturalWidth, img.naturalHeight]") == [300, 400]
    assert photo.get_attribute("alt")


def test_what_is_no_photo_is_refused_and_the_old_one_stays(ask):
    ask.post(f"/unit/{UNIT}/photo", picture())
    before = ask.get(f"/unit/{UNIT}/photo").body
    wide = zlib.compress(b"\0" * 100)
    bomb = png(60_000, 60_000, wide)
    for sent in (b"", b"GIF89a", b"<svg onload=alert(1)>", picture()[:200], bomb):
        answer = ask.post(f"/unit/{UNIT}/photo", sent, Accept="text/plain")
        assert answer.status == 400
        assert "photo cannot be read" in answer.text
    assert ask.get(f"/unit/{UNIT}/photo").body == before


def png(width, height, data):
    """A PNG that says it is that large (W3C PNG, 5.3 and 11.2.2)."""

    def chunk(kind, body):
        length = len(body).to_bytes(4, "big")
        return length + kind + body + zlib.crc32(kind + body).to_bytes(4, "big")

    head = width.to_bytes(4, "big") + height.to_bytes(4, "big") + bytes([8, 2, 0, 0, 0])
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", data) + chunk(b"IEND", b"")


@pytest.mark.parametrize("announced", [2 * 1024**3, MOST_PHOTO_BYTES + 1])
def test_two_gigabytes_are_refused_before_they_come(ask, announced):
    answer = ask.post(f"/unit/{UNIT}/photo", b"", Content_Length=str(announced))
    assert answer.status == 413


def test_more_than_was_announced_is_refused_as_it_comes(ask):
    part = b"a" * 1024 * 1024
    body = b"".join(b"%x\r\n%s\r\n" % (len(part), part) for _ in range(22)) + b"0\r\n\r\n"
    answer = ask(
        "POST", f"/unit/{UNIT}/photo", body, Transfer_Encoding="chunked", Content_Length=None
    )
    assert answer.status == 413


def stage(name, done, outside=False):
    steps = tuple(
        StepLine(number, step, "run" if number <= done else None, (), 0)
        for number, step in enumerate(STEPS, start=1)
    )
    return StageView(name, "2026-01-01", steps)


def test_what_comes_next_follows_the_work():
    plan = Plan("plan", STEPS)
    assert next_of(plan, ()).stage == "as received"
    assert "2 steps are left" in next_of(plan, (stage("as received", 1),)).words
    assert next_of(plan, (stage("as received", 3),)).stage == "after repair"
    both = (stage("as received", 3), stage("after repair", 2))
    assert next_of(plan, both).stage == "after repair"
    assert next_of(plan, (both[0], stage("after repair", 3))).kind == "report"
