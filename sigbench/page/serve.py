"""Starting the bench page: its addresses, its key, and the server."""

import ipaddress
import socket
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import uvicorn

from sigbench.errors import RequestError
from sigbench.page.app import application
from sigbench.page.desk import Desk
from sigbench.page.guard import KEY_NAME, Access, Guard

LOCAL = "127.0.0.1"
LOCAL_NAMES = (LOCAL, "localhost")
MOST_MESSAGE_BYTES = 64 * 1024  # of what a page sends over its socket


@dataclass(frozen=True, slots=True)
class Served:
    """Where the page is.

    Parameters
    ----------
    addresses : tuple of str
        To be opened in a browser, the key in them: on this machine, then on the network.
    """

    addresses: tuple[str, ...]
    access: Access


class BenchPage:
    """The bench page of a folder, ready to be served.

    Parameters
    ----------
    folder : Path
        The bench folder.
    port : int
        0 takes one that is free.
    network : bool
        Whether other machines of the local network reach it.
    paced : bool
        Whether the simulated unit is as slow as a real one.

    Raises
    ------
    RequestError
        If the port is taken, or there is no network.
    """

    def __init__(
        self, folder: Path, *, port: int = 0, network: bool = False, paced: bool = True
    ) -> None:
        self._listening = _listen("0.0.0.0" if network else LOCAL, port)
        port = self._listening.getsockname()[1]
        outside = network_addresses() if network else ()
        if network and not outside:
            self._listening.close()
            raise RequestError("This machine is on no network: leave --network out.")
        access = Access.at((*LOCAL_NAMES, *outside), port)
        key = f"/?{KEY_NAME}={access.key}"
        self.served = Served(
            tuple(f"http://{address}:{port}{key}" for address in (LOCAL, *outside)), access
        )
        self.desk = Desk(folder, paced=paced)
        config = uvicorn.Config(
            Guard(application(self.desk), access),
            log_level="warning",
            access_log=False,
            server_header=False,
            ws="websockets-sansio",
            ws_max_size=MOST_MESSAGE_BYTES,
            timeout_graceful_shutdown=1,
        )
        self._server = uvicorn.Server(config)

    def run(self, ready: Callable[[], None] = lambda: None) -> None:
        """Serve until Ctrl-C, or until `stop` is called; `ready` is called when it answers."""
        ready()  # the socket listens already: what comes now waits its turn
        self._server.run(sockets=[self._listening])

    def stop(self) -> None:
        """Stop serving."""
        self._server.should_exit = True


def _listen(address: str, port: int) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((address, port))
        listening.listen(64)
    except OSError as exc:
        listening.close()
        raise RequestError(
            f"The port {port} cannot be used ({exc.strerror}): name another with --port."
        ) from exc
    return listening


def network_addresses() -> tuple[str, ...]:
    """Addresses of this machine in its local networks."""
    found: list[str] = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1 (RFC 5737): nothing is sent
            found.append(probe.getsockname()[0])
        except OSError:
            pass
    try:
        entries = socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)
    except OSError:
        entries = []
    found += [str(entry[4][0]) for entry in entries]
    private = [text for text in found if ipaddress.ip_address(text).is_private]
    return tuple(dict.fromkeys(t for t in private if not ipaddress.ip_address(t).is_loopback))
