"""The guard: nothing of the page is had with a wrong host, origin or key, whatever the address."""

import json
import socket

import pytest
from websockets.exceptions import ConnectionClosedError, InvalidStatus
from websockets.sync.client import connect

from sigbench.page.app import PAGES
from sigbench.page.guard import Access
from sigbench.page.site import Site

READ = ["/", "/unit/own-two-voice-1", "/unit/own-two-voice-1/measure", "/measuring"]
READ += ["/static/page.css", "/static/measuring.js"]


def all_routes():
    """Every address that is there, with its methods."""
    for pages in PAGES:
        for route in pages(Site(None)).routes():
            yield route.path, sorted(getattr(route, "methods", None) or {"GET"})


@pytest.mark.parametrize("path", READ)
def test_with_the_key_it_is_shown(ask, path):
    assert ask.get(path).status == 200


def test_every_address_needs_host_key_and_origin(ask):
    """What follows is asked of each address, so that a new one cannot be forgotten."""
    tried = 0
    for path, methods in all_routes():
        for method in methods:
            plain = path.replace("{unit}", "own-two-voice-1")
            refused = [
                ask(method, plain, Host="rebound.example"),
                ask(method, plain, Host=None),
                ask(method, plain, Cookie=None),
                ask(method, plain, Cookie=ask.cookie[:-1]),
                ask(method, plain, Cookie="=;;,=\x01"),
            ]
            if method == "POST":
                refused.append(ask(method, plain, Origin="http://elsewhere.example"))
                refused.append(ask(method, plain, Origin="null"))
                refused.append(ask(method, plain, Origin=None))
            for answer in refused:
                tried += 1
                assert answer.status in (400, 403), (method, path)
                assert "Own" not in answer.text
    assert tried > 40


def test_the_key_in_the_address_becomes_a_cookie_and_goes_out_of_sight(ask):
    key = ask.page.served.access.key
    answer = ask.get(f"/measuring?key={key}&look=1", Cookie=None)
    assert answer.status == 303
    assert answer.headers["Location"] == "/measuring?look=1"
    cookie = answer.headers["Set-Cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert ask.get("/?key=" + "x" * 22, Cookie=None).status == 403
    assert ask.get("/?key=", Cookie=None).status == 403


def test_an_address_in_the_path_leads_nowhere_else(ask):
    answer = ask.get(f"//elsewhere.example/?key={ask.page.served.access.key}", Cookie=None)
    assert not answer.headers.get("Location", "/").startswith("//")


def connected(ask, name, **headers):
    """A socket to the page under a name, as a browser that was led there would open it."""
    port = int(ask.host.rpartition(":")[2])
    usual = {"Cookie": ask.cookie, "Origin": f"http://{name}:{port}"}
    return connect(
        f"ws://{name}:{port}/live",
        sock=socket.create_connection(("127.0.0.1", port)),
        additional_headers=usual | headers,
    )


def test_the_socket_opens_with_host_origin_and_key(ask):
    with connected(ask, "127.0.0.1") as live:
        live.send(json.dumps({"page": "a"}))
        assert json.loads(live.recv(10))["kind"] == "moment"


@pytest.mark.parametrize(
    ("name", "headers"),
    [
        ("rebound.example", {}),
        ("127.0.0.1", {"Origin": "http://elsewhere.example"}),
        ("127.0.0.1", {"Origin": "null"}),
        ("127.0.0.1", {"Cookie": ""}),
    ],
)
def test_the_socket_is_guarded_alike(ask, name, headers):
    with pytest.raises(InvalidStatus) as refused:
        connected(ask, name, **headers)
    assert refused.value.response.status_code == 403


@pytest.mark.parametrize("what", [b"\x00\xff", "[1]", "not json", "{" * 9000, "x" * 70_000])
def test_nonsense_on_the_socket_ends_that_socket_alone(ask, what):
    with connected(ask, "127.0.0.1") as live:
        live.send(what)
        with pytest.raises(ConnectionClosedError):
            _until_it_ends(live)
    assert ask.get("/").status == 200


def _until_it_ends(live):
    while True:
        live.recv(10)


def test_answers_are_closed_to_other_sites(ask):
    headers = ask.get("/").headers
    policy = headers["Content-Security-Policy"]
    assert "default-src 'self'" in policy
    assert "unsafe" not in policy
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Cross-Origin-Resource-Policy"] == "same-origin"


def test_keys_are_long_and_each_its_own():
    keys = {Access.at(["127.0.0.1"], 1).key for _ in range(100)}
    assert len(keys) == 100
    assert all(len(key) >= 22 for key in keys)  # 128 bits, 6 a sign


@pytest.mark.parametrize(
    "path",
    [
        "/static/../guard.py",
        "/static/..%2fguard.py",
        "/static/%2e%2e/guard.py",
        "/static/..\\guard.py",
        "/unit/../../etc/passwd",
        "/unit/..%2f..%2fbench.db/photo",
        "/unit/%2e%2e/photo",
        "/unit/own-two-voice-1%2f..%2fown-two-voice-1/photo",
        "/unit/%00/photo",
        "//etc/passwd",
    ],
)
def test_no_path_leads_out(ask, path):
    answer = ask.get(path)
    assert answer.status in (400, 404)
    assert "SQLite" not in answer.text
    assert "import " not in answer.text
