"""Who may use the page: whoever has its key, from a page of its own, at an address of its own.

A page on another site can send requests to this machine, and a name that a stranger owns can be
made to point at it (DNS rebinding). So every request is held against the addresses that the page is
served at (Host), whatever changes something must come from a page of ours (Origin), and all of it
needs the key: it is in the address that is opened first and then in a cookie.

Sources: RFC 9110, 7.2 (Host); RFC 6454 (Origin); RFC 6265bis (cookies, SameSite).
"""

import hmac
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs, urlencode

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from starlette.websockets import WebSocketClose

READING = ("GET", "HEAD")
KEY_NAME = "key"
REFUSED_SOCKET = 1008  # policy violation (RFC 6455, 7.4.1)

POLICY = (
    "default-src 'self'; connect-src 'self' ws://{host}; img-src 'self' data:; object-src 'none'; "
    "base-uri 'none'; form-action 'self'; frame-ancestors 'self'"
)
HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}


def new_key() -> str:
    """A key that nobody guesses: 128 random bits."""
    return secrets.token_urlsafe(16)


@dataclass(frozen=True, slots=True)
class Access:
    """What opens the page.

    Parameters
    ----------
    key : str
    hosts : frozenset of str
        Names or addresses with port, as they stand in the address line.
    """

    key: str
    hosts: frozenset[str]

    @classmethod
    def at(cls, addresses: Iterable[str], port: int, key: str | None = None) -> "Access":
        """Access at these names or addresses of this machine, with a new key by default."""
        return cls(key or new_key(), frozenset(f"{address}:{port}" for address in addresses))

    @property
    def cookie(self) -> str:
        """Name of the cookie: browsers keep cookies apart by host, not by port."""
        port = min(self.hosts).rpartition(":")[2]
        return f"sigbench-{port}"

    def opens(self, key: str | None) -> bool:
        """Whether a key is the right one, in the same time for every wrong one."""
        return key is not None and hmac.compare_digest(key.encode(), self.key.encode())

    def knows_host(self, headers: Headers) -> bool:
        """Whether a request is for an address of ours."""
        return headers.get("host", "").lower() in self.hosts

    def knows_origin(self, headers: Headers) -> bool:
        """Whether a request comes from a page of ours, at the address it is for."""
        return headers.get("origin", "").lower() == f"http://{headers.get('host', '').lower()}"


class Guard:
    """An ASGI application in front of another one, that lets only its own requests through.

    Parameters
    ----------
    app : ASGI application
    access : Access
    """

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self.app = app
        self.access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or refuse it."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        if scope["type"] == "websocket":
            allowed = (
                self.access.knows_host(headers)
                and self.access.knows_origin(headers)
                and self.access.opens(self._cookie(headers))
            )
            inner = self.app if allowed else WebSocketClose(REFUSED_SOCKET)
            await inner(scope, receive, send)
            return
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            _add_headers(refusal.headers, headers.get("host", ""))
            await refusal(scope, receive, send)
            return

        async def send_closed(message: Message) -> None:
            if message["type"] == "http.response.start":
                _add_headers(MutableHeaders(scope=message), headers["host"])
            await send(message)

        await self.app(scope, receive, send_closed)

    def _refusal(self, scope: Scope, headers: Headers) -> Response | None:
        """The answer to a request that is not let through; None if it is."""
        if not self.access.knows_host(headers):
            return _no("This is not an address of the bench page: open the one that it printed.")
        if scope["method"] not in READING and not self.access.knows_origin(headers):
            return _no("Only the bench page itself may ask for this: use its own buttons.")
        query = parse_qs(scope["query_string"].decode("latin-1"))
        given = query.pop(KEY_NAME, [None])[0]
        if given is not None and scope["method"] in READING:
            if not self.access.opens(given):
                return _no("This key is not the right one: open the address as it was printed.")
            # The key goes out of sight: what stays in the address line ends up in pictures.
            rest = urlencode(query, doseq=True)
            path = "/" + scope["path"].lstrip("/\\")  # "//name" would be another machine
            answer = RedirectResponse(path + (f"?{rest}" if rest else ""), 303)
            answer.set_cookie(self.access.cookie, self.access.key, httponly=True, samesite="lax")
            return answer
        if not self.access.opens(self._cookie(headers)):
            return _no("The bench page opens with its key only: open the address as printed.")
        return None

    def _cookie(self, headers: Headers) -> str | None:
        cookies: SimpleCookie = SimpleCookie()
        try:
            cookies.load(headers.get("cookie", ""))
        except CookieError:
            return None
        found = cookies.get(self.access.cookie)
        return None if found is None else found.value


def _no(sentence: str) -> Response:
    return PlainTextResponse(sentence, 403)


def _add_headers(headers: MutableHeaders, host: str) -> None:
    for name, value in HEADERS.items():
        headers.setdefault(name, value)
    headers.setdefault("Content-Security-Policy", POLICY.format(host=host))
