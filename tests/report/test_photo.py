"""The photo: turned upright, shrunk, and without the place it was taken."""

import io

import pytest
from PIL import Image

from sigbench.errors import FileError
from sigbench.report.photo import LONGEST_SIDE, prepare_photo

ORIENTATION, GPS = 0x0112, 0x8825  # tags of Exif 2.3


def jpeg(width, height, *, orientation=1):
    image = Image.new("RGB", (width, height), "white")
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    exif.get_ifd(GPS)[1] = "N"
    buffer = io.BytesIO()
    image.save(buffer, "JPEG", exif=exif)
    return buffer.getvalue()


def test_the_place_and_the_orientation_are_gone():
    data = jpeg(400, 300, orientation=6)
    assert b"Exif" in data
    photo = prepare_photo(data, "front")
    assert b"Exif" not in photo.jpeg
    assert (photo.width, photo.height) == (300, 400)


def test_large_photos_are_shrunk_alike_each_time():
    photo = prepare_photo(jpeg(4000, 2000), "front")
    assert (photo.width, photo.height) == (LONGEST_SIDE, LONGEST_SIDE // 2)
    assert photo == prepare_photo(jpeg(4000, 2000), "front")


@pytest.mark.parametrize("data", [b"", b"not a picture", jpeg(40, 30)[:100]])
def test_what_is_no_picture_is_refused_in_one_sentence(data):
    with pytest.raises(FileError, match="cannot be read as a picture"):
        prepare_photo(data, "front")
