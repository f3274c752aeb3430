"""A page that ``clearance try`` serves, in a process of its own, and what that leaves behind."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.chromium import environment

#: in another folder than this one: where the program is
ROOT = str(Path(__file__).parents[1])
START = f"import sys; sys.path.insert(0, {ROOT!r}); from clearance.__main__ import main; main()"


class Served:
    """A running ``clearance try``: its process, its address, and what it printed."""

    def __init__(self, setup: Path, *words: str) -> None:
        command = [sys.executable, "-P", "-c", START, "try", setup.name, "--no-browser", *words]
        self.process = subprocess.Popen(
            command, cwd=setup.parent, env=environment(), text=True,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True,
        )  # fmt: skip
        assert self.process.stdout is not None
        self.said = ""
        while (found := re.search(r"http://127\.0\.0\.1:(\d+)/([\w-]+)/", self.said)) is None:
            line = self.process.stdout.readline()
            assert line, self.process.stderr.read() if self.process.stderr else ""
            self.said += line
        self.address, self.port, self.token = found[0], int(found[1]), found[2]

    def below(self) -> list[int]:
        """The processes that it has started and that live."""
        return [int(p) for p in _children(self.process.pid) for p in (p, *_children(int(p)))]

    def stop(self, by: signal.Signals = signal.SIGINT) -> int:
        """Stop it as Ctrl-C does, and see that nothing of it is left."""
        below = self.below()
        os.kill(self.process.pid, by)
        code = self.process.wait(20)
        end = time.monotonic() + 10
        while any(_lives(pid) for pid in below):
            assert time.monotonic() < end, "a process was left behind"
            time.sleep(0.02)
        return code


def _children(pid: int) -> list[str]:
    try:
        return Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    except OSError:
        return []


def _lives(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@contextmanager
def served(setup: Path, *words: str) -> Iterator[Served]:
    """A page of a setup, which is ended after the block."""
    one = Served(setup, *words)
    try:
        yield one
    finally:
        if one.process.poll() is None:
            one.process.kill()
        one.process.communicate()


#: RFC 6455, 1.3: a key, and what a server answers to it
KEY, ACCEPT = "dGhlIHNhbXBsZSBub25jZQ==", "s3pPLMBiTxaQ9kYGzzhZRbK+xOo="


def told(port: int, path: str, host: str | None = None, **headers: str) -> socket.socket:
    """A line on which a page, or one of its files, was asked for (RFC 9112)."""
    line = socket.create_connection(("127.0.0.1", port), timeout=60)
    every = {"Host": host or f"127.0.0.1:{port}", "Connection": "close", **headers}
    lines = [f"GET {path} HTTP/1.1", *(f"{k.replace('_', '-')}: {v}" for k, v in every.items())]
    line.sendall(("\r\n".join(lines) + "\r\n\r\n").encode())
    return line


class Line:
    """A WebSocket (RFC 6455) as a page has one, by plain means; ``status``, ``head``: of the first answer."""

    def __init__(self, port: int, path: str, **headers: str) -> None:
        ways = {"Connection": "Upgrade", "Upgrade": "websocket", "Sec_WebSocket_Key": KEY}
        self.socket = told(port, path, Sec_WebSocket_Version="13", **ways, **headers)
        got = b""
        while b"\r\n\r\n" not in got:
            got += self.socket.recv(1 << 16)
        head, _, self._got = got.partition(b"\r\n\r\n")
        self.status, self.head = int(head.split()[1]), head.decode()

    def _take(self, count: int) -> bytes:
        while len(self._got) < count:
            part = self.socket.recv(1 << 16)
            assert part, "the line was closed"
            self._got += part
        out, self._got = self._got[:count], self._got[count:]
        return out

    def next(self) -> dict[str, Any]:
        """The next text that comes (5.2; from a server it is not masked)."""
        first, size = self._take(2)
        assert first == 0x81
        if size == 126:
            (size,) = struct.unpack(">H", self._take(2))
        elif size == 127:
            (size,) = struct.unpack(">Q", self._take(8))
        return dict(json.loads(self._take(size)))

    def until(self, key: str) -> tuple[dict[str, Any], list[dict[str, Any]]]:
        """The next message that has a key, and all that came before it."""
        before = []
        while key not in (message := self.next()):
            before.append(message)
        return message, before

    def send(self, **what: Any) -> None:
        """A text (5.3: masked, by zeros)."""
        data = json.dumps(what).encode()
        assert len(data) < 126
        self.socket.sendall(bytes([0x81, 0x80 | len(data), 0, 0, 0, 0]) + data)

    def close(self) -> None:
        self.socket.close()
