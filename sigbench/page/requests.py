"""What a request holds: bodies of a size that is known, forms, and where to look afterwards."""

from collections.abc import Iterable
from urllib.parse import parse_qs

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from sigbench.errors import RequestError

MOST_FORM_BYTES = 64 * 1024

Form = dict[str, list[str]]


async def body_of(request: Request, most: int) -> bytes:
    """The body of a request, if it is not too large.

    Raises
    ------
    HTTPException
        413 as soon as it is known to be too large; the rest is not read.
    """
    announced = request.headers.get("content-length", "")
    if (count(announced) or 0) > most:
        raise HTTPException(413)
    parts, size = [], 0
    async for part in request.stream():
        size += len(part)
        if size > most:
            raise HTTPException(413)
        parts.append(part)
    return b"".join(parts)


async def form_of(request: Request) -> Form:
    """The fields of a form."""
    body = await body_of(request, MOST_FORM_BYTES)
    try:
        return parse_qs(body.decode(), keep_blank_values=True, max_num_fields=500)
    except ValueError as exc:
        raise RequestError("This form cannot be read: fill it in on the page itself.") from exc


def one(form: Form, name: str, default: str = "") -> str:
    """A field of a form."""
    return form.get(name, [default])[0]


def required(form: Form, name: str, words: str) -> str:
    """A field that says something.

    Raises
    ------
    RequestError
        If it is empty; `words` names it.
    """
    text = " ".join(one(form, name).split())
    if not text or not text.isprintable():
        raise RequestError(f"{words} is empty: say something there, 'unknown' if need be.")
    return text[:200]


def count(text: str) -> int | None:
    """A whole number as it stands in an address, a form or a header; None if it is none."""
    return int(text) if text.isascii() and text.isdecimal() and len(text) < 16 else None


def counts(texts: Iterable[str]) -> list[int]:
    """The whole numbers among texts."""
    return [found for found in map(count, texts) if found is not None]


def number(form: Form, name: str, default: float, low: float, high: float, words: str) -> float:
    """A field that is a number.

    Raises
    ------
    RequestError
        If it is none, or not from `low` to `high`; `words` names it.
    """
    text = one(form, name, str(default)).replace(",", ".").strip()
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not low <= value <= high:
        raise RequestError(f"{words} '{text}' cannot be: give {low:g} to {high:g}.")
    return value


def see(address: str) -> Response:
    """Look at another page after something was changed (RFC 9110, 15.4.4)."""
    return RedirectResponse(address, 303)
