"""Who may see the page of ``clearance try``: this computer, by the token, from this page alone.

Asked over plain sockets, as RFC 9112 (HTTP/1.1) and RFC 6455 (WebSocket, 4.1 and 1.3) say, with no library
in between. Origins: RFC 6454. That a page elsewhere can have its own name lead here ("DNS rebinding"), so
that the name by which this computer is called counts: common knowledge, no source.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import struct
import subprocess
import sys
from pathlib import Path

import pytest

from tests.live_bench import ROOT, START, served

DEMOS = Path(__file__).parents[1] / "demo_models"
KEY = "dGhlIHNhbXBsZSBub25jZQ=="
#: RFC 6455, 1.3: what a server answers to that key
ACCEPT = "s3pPLMBiTxaQ9kYGzzhZRbK+xOo="


def asked(port: int, path: str, host: str | None = None, **headers: str) -> tuple[int, str, bytes]:
    """Status, head and body of the answer to one question."""
    with _told(port, path, host, **headers) as line:
        line.settimeout(20)
        got = b""
        while part := line.recv(1 << 16):
            got += part
    head, _, body = got.partition(b"\r\n\r\n")
    return int(head.split()[1]), head.decode(), body


def _told(port: int, path: str, host: str | None = None, **headers: str) -> socket.socket:
    line = socket.create_connection(("127.0.0.1", port), timeout=20)
    every = {"Host": host or f"127.0.0.1:{port}", "Connection": "close", **headers}
    lines = [f"GET {path} HTTP/1.1", *(f"{k.replace('_', '-')}: {v}" for k, v in every.items())]
    line.sendall(("\r\n".join(lines) + "\r\n\r\n").encode())
    return line


def upgraded(port: int, path: str, **headers: str) -> tuple[int, str, socket.socket, bytes]:
    """Status and head of the answer to a page that goes on by WebSocket; the line, what came behind."""
    ways = {"Connection": "Upgrade", "Upgrade": "websocket", "Sec_WebSocket_Key": KEY}
    line = _told(port, path, Sec_WebSocket_Version="13", **ways, **headers)
    got = b""
    while b"\r\n\r\n" not in got:
        got += line.recv(1 << 16)
    head, _, rest = got.partition(b"\r\n\r\n")
    return int(head.split()[1]), head.decode(), line, rest


def first_message(line: socket.socket, got: bytes) -> dict[str, object]:
    """The first text that comes (RFC 6455, 5.2; from a server it is not masked)."""

    def at_least(count: int) -> None:
        nonlocal got
        while len(got) < count:
            part = line.recv(1 << 16)
            assert part
            got += part

    at_least(10)
    assert got[0] == 0x81
    size, begin = got[1], 2
    if size == 126:
        (size,), begin = struct.unpack(">H", got[2:4]), 4
    elif size == 127:
        (size,), begin = struct.unpack(">Q", got[2:10]), 10
    at_least(begin + size)
    return dict(json.loads(got[begin : begin + size]))


def test_only_this_page_of_this_computer_is_answered_and_nothing_is_left() -> None:
    with served(DEMOS / "punch_blank.toml") as page:
        port, good = page.port, f"/{page.token}/"
        own = f"http://127.0.0.1:{port}"
        status, head, body = asked(port, good)
        assert status == 200
        assert b"page.js" in body
        assert "default-src 'none'" in head
        assert asked(port, good + "page.js")[0] == 200
        assert asked(port, good, Origin=own)[0] == 200
        for path, headers in [
            ("/", {}),
            ("/live", {}),
            ("/wrong/", {}),
            (f"/{page.token[:-1]}/", {}),
            (f"/{page.token}x/page.js", {}),
            (good, {"Origin": "http://elsewhere.test"}),
            (good, {"Origin": "null"}),
            (good, {"Origin": f"https://127.0.0.1:{port}"}),
            (good, {"Origin": f"http://127.0.0.1:{port + 1}"}),
            (good, {"Sec_Fetch_Site": "cross-site"}),
            (good, {"host": f"elsewhere.test:{port}"}),
            (good, {"host": "127.0.0.1"}),
        ]:
            status, _, body = asked(port, path, **headers)
            assert (status, body) == (403 if path != "/" and path != "/live" else status, body)
            assert status in (403, 404)
            assert b"punch" not in body
            assert b"<" not in body
        for path, headers in [
            (good + "live", {}),
            (good + "live", {"Origin": "http://elsewhere.test"}),
            ("/wrong/live", {"Origin": own}),
        ]:
            status, _, line, _ = upgraded(port, path, **headers)
            line.close()
            assert status == 403
        status, head, line, rest = upgraded(port, good + "live", Origin=own)
        assert (status, ACCEPT in head) == (101, True)
        first = first_message(line, rest)
        line.close()
        assert first["is"] == "whole"
        assert {"strap", "V-block"} <= set(first["items"])  # type: ignore[call-overload]
        assert asked(port, good + "../../pyproject.toml")[0] in (403, 404)
        # nothing listens but on this computer's own address
        listening = Path(f"/proc/{page.process.pid}/net/tcp").read_text()
        at = [row.split()[1] for row in listening.splitlines()[1:] if row.split()[3] == "0A"]
        assert [a for a in at if a.endswith(f":{port:04X}")] == [f"0100007F:{port:04X}"]
        assert page.below(), "the process that judges"
        assert page.stop() == 130


@pytest.mark.slow
@pytest.mark.parametrize("by", [signal.SIGTERM, signal.SIGHUP])
def test_a_plain_kill_and_a_closed_terminal_leave_nothing(by: signal.Signals) -> None:
    with served(DEMOS / "punch_blank.toml") as page:
        assert page.stop(by) == 130


def run(*words: str, cwd: Path = DEMOS, start: str = START) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-P", "-c", start, *words], cwd=cwd, capture_output=True, text=True, timeout=120
    )


def test_without_its_library_the_page_says_what_to_install() -> None:
    missing = "import sys; sys.modules['aiohttp'] = None; " + START
    done = run("try", "punch_blank.toml", "--no-browser", start=missing)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert 'pip install "clearance[live]"' in done.stderr


@pytest.mark.slow
def test_a_port_that_is_taken_and_a_setup_that_is_not_there() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        done = run("try", "punch_blank.toml", "--no-browser", "--port", str(port))
    assert done.returncode == 2
    assert f"--port: port {port} cannot be had" in done.stderr
    done = run("try", "nowhere.toml", "--no-browser")
    assert done.returncode == 2
    assert "nowhere.toml" in done.stderr


@pytest.mark.slow
def test_it_listens_where_it_is_told_to(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    shutil.copytree(DEMOS, tmp_path / "d")
    with served(tmp_path / "d" / "punch_blank.toml", "--port", str(port)) as page:
        assert page.port == port
        assert page.stop() == 130
    assert os.path.isdir(ROOT)
