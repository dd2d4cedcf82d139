"""Where the page is served: on this machine alone, or on its network too."""

import http.client
import socket
from urllib.parse import urlsplit

import pytest

from sigbench.errors import RequestError
from sigbench.page import serve
from sigbench.page.guard import KEY_NAME
from sigbench.page.serve import BenchPage, network_addresses
from tests.page.asking import serving
from tests.page.conftest import PHONE, UNIT, phase

needs_network = pytest.mark.skipif(not network_addresses(), reason="this machine is on no network")


def get(address, path="/", **headers):
    """What is answered at an address of this machine, and nothing else sent than said."""
    connection = http.client.HTTPConnection(urlsplit(address).netloc, timeout=10)
    try:
        connection.request("GET", path, headers=headers)
        return connection.getresponse().status
    finally:
        connection.close()


@needs_network
def test_without_the_flag_no_other_machine_reaches_it(ask):
    port = int(ask.host.rpartition(":")[2])
    for address in network_addresses():
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection((address, port), timeout=5)


@needs_network
def test_on_the_network_only_the_key_opens_it(folder):
    with serving(folder, network=True) as ask:
        here, *outside = ask.page.served.addresses
        assert urlsplit(here).hostname == "127.0.0.1"
        for address in outside:
            key = urlsplit(address).query.removeprefix(f"{KEY_NAME}=")
            assert get(address, f"/?{KEY_NAME}={key}") == 303  # the cookie, and the same address
            assert get(address) == 403
            assert get(address, f"/?{KEY_NAME}={key[:-1]}") == 403
            assert get(address, f"/?{KEY_NAME}={key}", Host="rebound.example") in (400, 403)


@needs_network
def test_a_tablet_works_at_the_address_of_the_network(folder, browser):
    """All of it: pages, what they load, and the socket, whose origin is that address."""
    with serving(folder, network=True) as ask:
        context = browser.new_context(**PHONE)
        page = context.new_page()
        page.goto(ask.page.served.addresses[1])
        page.get_by_role("link", name=UNIT.split("-")[1], exact=False).first.click()
        page.locator("section.next a").click()
        page.select_option("select[name=source]", "simulated:as-received")
        page.get_by_role("button", name="Begin").click()
        phase(page, "rails")
        page.get_by_role("button", name="Stop").click()
        phase(page, "over")
        assert urlsplit(page.url).hostname == network_addresses()[0]
        context.close()


def test_a_port_that_is_taken_is_told_in_a_sentence(ask, folder):
    port = int(ask.host.rpartition(":")[2])
    with pytest.raises(RequestError, match=f"port {port} cannot be used .*--port"):
        BenchPage(folder, port=port)


def test_without_a_network_it_says_so(folder, monkeypatch):
    monkeypatch.setattr(serve, "network_addresses", lambda: ())
    with pytest.raises(RequestError, match="no network"):
        BenchPage(folder, network=True)
