"""The photo of a unit, made fit for a report."""

import io
from dataclasses import dataclass

from PIL import Image, ImageOps, UnidentifiedImageError

from sigbench.errors import FileError

LONGEST_SIDE = 1600  # pixels: sharp across a page, small enough to mail
QUALITY = 85


@dataclass(frozen=True, slots=True)
class Photo:
    """A JPEG without anything but the picture, and the words for those who cannot see it."""

    jpeg: bytes
    caption: str
    width: int
    height: int


def prepare_photo(data: bytes, caption: str) -> Photo:
    """Turn a photo upright, shrink it and drop all else, the place it was taken included.

    Parameters
    ----------
    data : bytes
        A JPEG, PNG or other picture that Pillow reads.
    caption : str
        What it shows.

    Raises
    ------
    FileError
        If it is no picture.
    """
    try:
        with Image.open(io.BytesIO(data)) as opened:
            image = ImageOps.exif_transpose(opened).convert("RGB")
    except (UnidentifiedImageError, OSError, ValueError, Image.DecompressionBombError) as error:
        raise FileError(
            "The photo cannot be read as a picture: give a JPEG or PNG file, or leave it out."
        ) from error
    image.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    buffer = io.BytesIO()
    image.save(buffer, "JPEG", quality=QUALITY)
    return Photo(buffer.getvalue(), caption, image.width, image.height)
