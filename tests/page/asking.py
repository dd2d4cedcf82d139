"""The real bench page in a thread, asked as a browser asks it."""

import http.client
import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import Thread
from typing import Any
from urllib.parse import urlsplit

from sigbench.page.serve import BenchPage

PATIENCE_SECONDS = 60


@dataclass(frozen=True)
class Answer:
    status: int
    headers: http.client.HTTPMessage
    body: bytes

    @property
    def text(self) -> str:
        return self.body.decode()

    @property
    def json(self) -> Any:
        return json.loads(self.body)


class Asking:
    """A page that is served."""

    def __init__(self, page: BenchPage) -> None:
        self.page = page
        self.address = page.served.addresses[0]
        self.host = urlsplit(self.address).netloc
        access = page.served.access
        self.headers = {"Cookie": f"{access.cookie}={access.key}", "Accept": "text/plain"}
        self.origin = {"Origin": f"http://{self.host}"}

    def connect(self) -> http.client.HTTPConnection:
        return http.client.HTTPConnection(self.host, timeout=PATIENCE_SECONDS)

    def get(self, path: str, **headers: str) -> Answer:
        return self._ask("GET", path, None, headers)

    def post(self, path: str, body: Any = b"", **headers: str) -> Answer:
        return self._ask("POST", path, body, {**self.origin, **headers})

    def _ask(self, method: str, path: str, body: Any, headers: dict[str, str]) -> Answer:
        connection = self.connect()
        try:
            connection.request(method, path, body, {**self.headers, **headers})
            answer = connection.getresponse()
            return Answer(answer.status, answer.headers, answer.read())
        finally:
            connection.close()


@contextmanager
def served(folder: Path) -> Iterator[Asking]:
    """The page of a bench folder."""
    page = BenchPage(folder, paced=False)
    thread = Thread(target=page.run, daemon=True)
    thread.start()
    try:
        yield Asking(page)
    finally:
        page.stop()
        thread.join(PATIENCE_SECONDS)
