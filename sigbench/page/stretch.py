"""The stretch of a take around an event: what is heard of it, and its level."""

import io
import math
import re
from dataclasses import dataclass
from typing import Any

import numpy as np
from starlette.responses import Response

from sigbench.errors import RequestError
from sigbench.model import Samples, TakeRecord
from sigbench.report.curves import level_edges
from sigbench.report.plots import FLOOR_DB
from sigbench.units import ratio_to_db

BEFORE_SECONDS = AFTER_SECONDS = 2.0
STEPS_16_BIT = 2**15
_BYTES = re.compile(r"bytes=(\d{0,18})-(\d{0,18})")


@dataclass(frozen=True, slots=True)
class Stretch:
    """Part of a take.

    Parameters
    ----------
    start, frames : int
        Its first frame in the take, and how many.
    spot : float
        Seconds from its start to what it is about.
    """

    start: int
    frames: int
    spot: float


def around(record: TakeRecord, at: float) -> Stretch:
    """From 2 s before a moment of a take to 2 s after it, as far as the take goes.

    Raises
    ------
    RequestError
        If the take has no such moment.
    """
    seconds = record.frames / record.samplerate
    if not 0 <= at <= seconds:  # no NaN passes either
        raise RequestError(
            f"This take has no such moment: it lasts {seconds:.2f} s, choose one from 0 s on."
        )
    start = max(round((at - BEFORE_SECONDS) * record.samplerate), 0)
    end = min(round((at + AFTER_SECONDS) * record.samplerate), record.frames)
    return Stretch(start, end - start, at - start / record.samplerate)


def seconds_typed(text: str) -> float:
    """A moment in seconds, as it stands in an address.

    Raises
    ------
    RequestError
        If it is no number.
    """
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise RequestError("The moment in a take is a number of seconds, such as 12.5.")
    return value


def wav_16_bit(samples: Samples, samplerate: int) -> bytes:
    """Samples as a WAV file of 16 bit, rounded to the nearest step; no louder than they are."""
    import soundfile

    steps = np.rint(samples * STEPS_16_BIT).clip(-STEPS_16_BIT, STEPS_16_BIT - 1)
    file = io.BytesIO()
    soundfile.write(file, steps.astype(np.int16), samplerate, format="WAV", subtype="PCM_16")
    return file.getvalue()


def level_object(samples: Samples, samplerate: int, stretch: Stretch) -> dict[str, Any]:
    """The level of a stretch as a JSON-ready object: both edges of each channel, and the peak."""
    channels = []
    for signal in samples.T:
        low, high = level_edges(signal, samplerate)
        channels.append({"low": low.y.round(2).tolist(), "high": high.y.round(2).tolist()})
    peak = float(np.abs(samples).max(initial=0.0))
    return {
        "seconds": len(samples) / samplerate,
        "spot": stretch.spot,
        "floor": FLOOR_DB,
        "peak": ratio_to_db(peak) if peak > 0 else None,
        "channels": channels,
    }


def in_parts(data: bytes, media_type: str, wanted: str | None) -> Response:
    """Bytes as a whole, or the one part that a player asks for (RFC 9110, 14).

    Some browsers play nothing that they cannot have in parts.
    """
    headers = {"Accept-Ranges": "bytes"}
    found = _BYTES.fullmatch(wanted or "")
    if found is None or found[1] == found[2] == "":
        return Response(data, media_type=media_type, headers=headers)
    first, last = found[1], found[2]
    start = int(first) if first else max(len(data) - int(last), 0)
    end = min(int(last), len(data) - 1) if first and last else len(data) - 1
    if start > end:
        return Response(status_code=416, headers={"Content-Range": f"bytes */{len(data)}"})
    headers["Content-Range"] = f"bytes {start}-{end}/{len(data)}"
    return Response(data[start : end + 1], 206, headers, media_type)
