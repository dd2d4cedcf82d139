"""What both pages share: the levels they show, the pace, and the door in front of them."""

import asyncio
import json
import sys
import time
from collections.abc import AsyncIterator
from http.cookies import SimpleCookie
from typing import Any

import numpy as np

POINTS = 1000
HOST = "127.0.0.1"


def arguments() -> tuple[str, int, int, float, str]:
    """Variant, port, channels, updates a second and token, as the measuring program gives them."""
    variant, port, channels, rate, token = sys.argv[1:]
    return variant, int(port), int(channels), float(rate), token


class Strip:
    """The last 1,000 levels of each channel in dBFS, one more at each step."""

    def __init__(self, channels: int) -> None:
        self._random = np.random.default_rng(1)
        self.levels = np.full((channels, POINTS), -60.0, dtype=np.float32)

    def step(self) -> np.ndarray:
        newest = self._random.normal(-20, 3, len(self.levels)).round(1).astype(np.float32)
        self.levels[:, :-1] = self.levels[:, 1:]
        self.levels[:, -1] = newest
        return newest

    def rows(self) -> list[list[float]]:
        return [[round(level, 1) for level in row] for row in self.levels.tolist()]


def now_ms() -> float:
    return time.time() * 1000


async def ticks(rate: float) -> AsyncIterator[None]:
    """Wake at an even pace; a turn that was missed is left out, not made up for."""
    due = time.perf_counter()
    while True:
        due = max(due + 1 / rate, time.perf_counter())
        await asyncio.sleep(due - time.perf_counter())
        yield


class Door:
    """ASGI middleware: lets in only our own host, origin and token, and counts what is sent."""

    def __init__(self, app: Any, port: int, token: str) -> None:
        self.app, self.token = app, token
        self.host = f"{HOST}:{port}"
        self.socket_bytes = 0

    def lets_in(self, headers: dict[bytes, bytes]) -> bool:
        cookie = SimpleCookie(headers.get(b"cookie", b"").decode("latin-1")).get("token")
        return (
            headers.get(b"host", b"").decode("latin-1") == self.host
            and headers.get(b"origin", f"http://{self.host}".encode())
            == f"http://{self.host}".encode()
            and cookie is not None
            and cookie.value == self.token
        )

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        async def counted(message: Any) -> None:
            if message["type"] == "websocket.send":
                self.socket_bytes += len(message.get("bytes") or message["text"])
            await send(message)

        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
        elif not self.lets_in(dict(scope["headers"])):
            if scope["type"] == "websocket":
                await send({"type": "websocket.close", "code": 1008})  # uvicorn answers 403
            else:
                await answer(send, 403, b"not from here")
        elif scope["path"] == "/counted":
            await answer(send, 200, json.dumps(self.socket_bytes).encode())
        else:
            await self.app(scope, receive, counted)


async def answer(send: Any, status: int, body: bytes) -> None:
    await send({"type": "http.response.start", "status": status, "headers": []})
    await send({"type": "http.response.body", "body": body})
