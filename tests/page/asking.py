"""The bench page as it is really served, and asked as a browser with the key asks it."""

import http.client
import json
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import Thread
from typing import Any
from urllib.parse import urlsplit

from websockets.sync.client import ClientConnection, connect

from sigbench.page.serve import BenchPage

PATIENCE_SECONDS = 60  # of a machine that is busy with other tests


@dataclass(frozen=True)
class Answer:
    """What the program answered."""

    status: int
    headers: http.client.HTTPMessage
    body: bytes

    @property
    def text(self) -> str:
        return self.body.decode()

    @property
    def json(self) -> Any:
        return json.loads(self.body)


@dataclass(frozen=True)
class Asker:
    """Asks the page for things, as a browser with the key would, or otherwise."""

    page: BenchPage

    @property
    def address(self) -> str:
        """Where a browser begins, with the key."""
        return self.page.served.addresses[0]

    @property
    def host(self) -> str:
        return urlsplit(self.address).netloc

    @property
    def cookie(self) -> str:
        access = self.page.served.access
        return f"{access.cookie}={access.key}"

    @property
    def headers(self) -> dict[str, str]:
        """What a browser sends with whatever it asks for."""
        return {"Host": self.host, "Cookie": self.cookie, "Origin": f"http://{self.host}"}

    def socket(self, path: str) -> ClientConnection:
        """A web socket, as a page of ours opens it."""
        headers = {"Cookie": self.cookie, "Origin": f"http://{self.host}"}
        return connect(f"ws://{self.host}{path}", additional_headers=headers, max_size=None)

    def connect(self) -> http.client.HTTPConnection:
        return http.client.HTTPConnection(self.host, timeout=PATIENCE_SECONDS)

    def begin(
        self, connection: http.client.HTTPConnection, method: str, path: str, **headers: str | None
    ) -> None:
        """Send the first line and the headers; one that is None is left out."""
        connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        for name, value in {**self.headers, **headers}.items():
            if value is not None:
                connection.putheader(name.replace("_", "-"), value)

    def __call__(
        self, method: str, path: str, body: bytes | None = None, **headers: str | None
    ) -> Answer:
        with closing(self.connect()) as connection:
            self.begin(connection, method, path, **headers)
            if body is not None and "Content_Length" not in headers:
                connection.putheader("Content-Length", str(len(body)))
            connection.endheaders(body)
            answer = connection.getresponse()
            return Answer(answer.status, answer.headers, answer.read())

    def get(self, path: str, **headers: str | None) -> Answer:
        return self("GET", path, **headers)

    def post(self, path: str, body: bytes | str = b"", **headers: str | None) -> Answer:
        return self("POST", path, body.encode() if isinstance(body, str) else body, **headers)


@contextmanager
def serving(folder: Path, **options: Any) -> Iterator[Asker]:
    """The page of a bench folder, served from a thread."""
    page = BenchPage(folder, **{"paced": False, **options})
    thread = Thread(target=page.run, daemon=True)
    thread.start()
    try:
        yield Asker(page)
    finally:
        page.stop()
        thread.join(PATIENCE_SECONDS)
