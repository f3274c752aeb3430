"""Who may see the page of ``clearance try``: this computer, by the token, from this page alone.

Asked over plain sockets, as RFC 9112 (HTTP/1.1) and RFC 6455 (WebSocket, 4.1 and 1.3) say, with no library
in between. Origins: RFC 6454. That a page elsewhere can have its own name lead here ("DNS rebinding"), so
that the name by which this computer is called counts: common knowledge, no source.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from tests.live_bench import ACCEPT, ROOT, START, Line, served, told

DEMOS = Path(__file__).parents[1] / "demo_models"


def asked(port: int, path: str, host: str | None = None, **headers: str) -> tuple[int, str, bytes]:
    """Status, head and body of the answer to one question."""
    with told(port, path, host, **headers) as line:
        line.settimeout(20)
        got = b""
        while part := line.recv(1 << 16):
            got += part
    head, _, body = got.partition(b"\r\n\r\n")
    return int(head.split()[1]), head.decode(), body


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
            line = Line(port, path, **headers)
            line.close()
            assert line.status == 403
        line = Line(port, good + "live", Origin=own)
        assert (line.status, ACCEPT in line.head) == (101, True)
        first = line.next()
        assert first["is"] == "whole"
        assert {"strap", "V-block"} <= set(first["items"])
        line.close()
        assert asked(port, good + "../../pyproject.toml")[0] in (403, 404)
        # nothing listens but on this computer's own address
        listening = Path(f"/proc/{page.process.pid}/net/tcp").read_text()
        at = [row.split()[1] for row in listening.splitlines()[1:] if row.split()[3] == "0A"]
        assert [a for a in at if a.endswith(f":{port:04X}")] == [f"0100007F:{port:04X}"]
        assert page.below(), "the process that judges"
        assert page.stop() == 130


@pytest.mark.slow
def test_of_two_places_only_the_newer_is_judged() -> None:
    """And nothing that was judged is told of a place that is gone."""
    with served(DEMOS / "punch_blank.toml") as page:
        line = Line(page.port, f"/{page.token}/live", Origin=f"http://127.0.0.1:{page.port}")
        first = line.next()
        line.until("judged")
        for k in (1, 2):
            line.send(do="move", item="strap", by=[0.5, 0, 0], q=k)
            line.send(do="rest", q=k)
        message, before = line.until("judged")
        assert message["n"] == first["n"] + 2
        assert {m["n"] for m in before if m["is"] == "judged"} <= {first["n"] + k for k in range(3)}
        line.close()
        assert page.stop() == 130


@pytest.mark.slow
def test_each_raise_that_is_said_to_be_free_is_free() -> None:
    # the least is a little over 2.40: who types 2.40 would be too near
    with served(DEMOS / "side_plate_die_clash.toml") as page:
        line = Line(page.port, f"/{page.token}/live", Origin=f"http://127.0.0.1:{page.port}")
        told = line.until("windows")[0]["windows"]
        line.close()
        ends = re.fullmatch(r"free: ([\d.]+) to ([\d.]+)", told["says"])
        ((low, high),) = told["free"]
        assert ends is not None
        assert low < float(ends[1]) < low + 0.02
        assert high - 0.02 < float(ends[2]) <= high
        assert page.stop() == 130


@pytest.mark.slow
def test_raises_that_are_free_stay_known_while_all_is_raised_and_for_nothing_else() -> None:
    with served(DEMOS / "punch_blank.toml") as page:
        line = Line(page.port, f"/{page.token}/live", Origin=f"http://127.0.0.1:{page.port}")
        line.next()
        free = line.until("windows")[0]["windows"]["free"]
        line.send(do="raise", by=8.5, q=1)
        assert line.until("q")[0]["keeps"] is True
        line.send(do="rest", q=2)
        message, before = line.until("windows")
        assert message["windows"]["free"] == free
        assert not any("judged" in one for one in before), "at once"
        line.until("judged")
        line.send(do="move", item="strap", by=[0, 1, 0], q=3)
        assert line.until("q")[0]["keeps"] is False
        line.close()
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
    # with this very Python, as pip's own user guide has it: a bare pip may be another one's
    assert f'{sys.executable} -m pip install "clearance[live]"' in done.stderr


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
