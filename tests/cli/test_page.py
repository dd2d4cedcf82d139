"""``sigbench page``: started as a person starts it."""

import os
import re
import signal
import subprocess
import sys
import time
import urllib.request

import pytest

from sigbench.page.serve import network_addresses

COMMAND = [sys.executable, "-m", "sigbench", "page", "--no-browser", "--port", "0", "--folder"]
WAIT_SECONDS = 60


def test_it_prints_its_address_and_ends_with_ctrl_c(tmp_path):
    pipe = subprocess.PIPE
    with subprocess.Popen([*COMMAND, str(tmp_path / "bench")], stderr=pipe, text=True) as program:
        try:
            assert program.stderr.readline().startswith("Made a new bench folder")
            address = re.search(r"http://127\.0\.0\.1:\d+/\?key=\S+", program.stderr.readline())[0]
            opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
            assert "Bench" in opener.open(address, timeout=WAIT_SECONDS).read().decode()
            program.send_signal(signal.SIGINT)
            said = program.communicate(timeout=WAIT_SECONDS)[1]
            assert "Traceback" not in said
            assert program.returncode in (0, 130)
        finally:
            program.kill()


@pytest.mark.skipif(sys.platform == "win32", reason="terminals of that kind are not there")
@pytest.mark.skipif(not network_addresses(), reason="this machine is on no network")
def test_on_a_terminal_the_address_of_the_network_comes_as_a_code_for_the_camera(tmp_path):
    import pty

    import segno

    ours, theirs = pty.openpty()
    with subprocess.Popen(
        [*COMMAND, str(tmp_path / "bench"), "--network"], stderr=theirs, stdin=theirs
    ) as program:
        os.close(theirs)
        said = b""
        until = time.monotonic() + WAIT_SECONDS
        try:
            while b"Ctrl-C ends it" not in said:
                assert time.monotonic() < until
                said += os.read(ours, 65536)
        finally:
            program.kill()
    os.close(ours)
    text = said.decode()
    address = re.search(r"On the local network: (http://\S+)", text)[1]
    # ISO/IEC 18004 asks for a light margin and three finder patterns; the modules are segno's.
    rows = [row for row in text.splitlines() if row and set(row) <= set(" █▀▄\x1b[0m37;4m")]
    size = segno.make(address, micro=False).symbol_size(border=4)[0]
    assert len(rows) * 2 in (size, size + 1)
