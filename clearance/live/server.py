"""Who may see the page, and how it gets there: 127.0.0.1 alone, with a token in the address.

One rule stands before everything that is asked for, the page, its files and its socket: the name by which
this computer was called is its own, nothing comes from another page's origin (RFC 6454), and the address
holds the token. Who fails it is told nothing. The page may ask for nothing but what comes from here (its
policy, CSP).
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import hmac
import json
import secrets
import socket
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from aiohttp import WSMsgType, web

from clearance.errors import InputError
from clearance.live.aside import Aside, BrokenOff
from clearance.live.desk import Desk
from clearance.live.filling import WhereQuestion
from clearance.live.judge import FILLING, NICE, Judge

HOST = "127.0.0.1"
#: files of the page, by how their names end
KINDS = {".html": "text/html", ".css": "text/css", ".js": "text/javascript"}
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src data:; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "Cache-Control": "no-store",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Cross-Origin-Resource-Policy": "same-origin",
}
#: seconds between two looks at the files that were read
LOOK = 0.5
#: bytes of one message from a page, at most
LONGEST = 1 << 16

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


class Server:
    """The page's server.

    Args:
        desk: what lies open on it.   port: to listen at; 0: one that is free.
    """

    def __init__(self, desk: Desk, port: int = 0) -> None:
        self.desk = desk
        self.token = secrets.token_urlsafe(24)
        self._socket = _listening(port)
        self.port: int = self._socket.getsockname()[1]
        self._pages: set[web.WebSocketResponse] = set()
        self._telling: set[asyncio.Future[None]] = set()
        #: what is known of the place at which all stands now, for pages that are opened later
        self._judged: dict[str, Any] = {}
        #: of whom the map of places is wanted, and what is known of it: for what it was asked, and the map
        self._where: str | None = None
        self._filled: tuple[object, dict[str, Any]] | None = None
        self._asks = 0
        #: what is done at the desk, one thing after another
        self._aside, self._turn = Aside(), asyncio.Lock()
        self._as_file = False
        self._page = {
            "" if file.name == "index.html" else file.name: (file.read_bytes(), KINDS[file.suffix])
            for file in (Path(__file__).parent / "page").iterdir()
            if file.suffix in KINDS
        }

    @property
    def address(self) -> str:
        """Where the page is."""
        return f"http://{HOST}:{self.port}/{self.token}/"

    async def run(self, ready: Callable[[], None]) -> None:
        """Serve until the process ends.

        Args:
            ready: called once it listens.
        """
        self._judge = Judge(asyncio.get_running_loop(), self._hear_judge)
        self._filler = Judge(asyncio.get_running_loop(), self._hear_filler, FILLING, NICE)
        app = web.Application(middlewares=[self._guard], client_max_size=LONGEST)
        app.router.add_get("/{token}/live", self._live)
        app.router.add_get("/{token}/{file}", self._file)
        app.router.add_get("/{token}/", self._file)
        runner = web.AppRunner(app, access_log=None, handle_signals=False)
        await runner.setup()
        await web.SockSite(runner, self._socket).start()
        self._rest()
        ready()
        while True:
            await asyncio.sleep(LOOK)
            if self.desk.look_at_files():
                await self._tell_all({"is": "files", "stale": self.desk.stale})

    # ------------------------------------------------------------------------------------- who may ask
    @web.middleware
    async def _guard(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        own = {f"{HOST}:{self.port}", f"localhost:{self.port}"}
        origin = request.headers.get("Origin")
        given = request.match_info.get("token", "")
        right = hmac.compare_digest(given.encode(), self.token.encode())
        if request.headers.get("Host") not in own or not right:
            return web.Response(status=403)
        if origin is not None and origin not in {f"http://{name}" for name in own}:
            return web.Response(status=403)
        if request.headers.get("Sec-Fetch-Site", "none") not in ("none", "same-origin"):
            return web.Response(status=403)
        return await handler(request)

    async def _file(self, request: web.Request) -> web.Response:
        found = self._page.get(request.match_info.get("file", ""))
        if found is None:
            return web.Response(status=404, headers=HEADERS)
        content, kind = found
        return web.Response(body=content, content_type=kind, charset="utf-8", headers=HEADERS)

    # ------------------------------------------------------------------------------------- open pages
    async def _live(self, request: web.Request) -> web.StreamResponse:
        if request.headers.get("Origin") is None:
            return web.Response(status=403)
        page = web.WebSocketResponse(max_msg_size=LONGEST, compress=False)
        await page.prepare(request)
        self._pages.add(page)
        waiting: asyncio.Queue[dict[str, Any]] = asyncio.Queue()
        worker = asyncio.ensure_future(self._work(page, waiting))
        try:
            async for message in page:
                told = _told(message.data) if message.type is WSMsgType.TEXT else None
                if told is None:
                    continue
                if told.get("do") == "stop":
                    # heard at once, whatever is being done
                    await self._stop(told.get("q"))
                else:
                    waiting.put_nowait(told)
        finally:
            self._pages.discard(page)
            worker.cancel()
        return page

    async def _work(self, page: web.WebSocketResponse, waiting: asyncio.Queue[dict[str, Any]]) -> None:
        """What a page asks for, one thing after another."""
        with contextlib.suppress(ConnectionError):
            async with self._turn:
                await page.send_str(_json({**self.desk.whole(), "judging": self._judge.busy}))
                await self._tell_known(page)
            while True:
                told = await waiting.get()
                async with self._turn:
                    await self._asked(page, told)

    async def _stop(self, number: Any) -> None:
        if self._aside.break_off():
            return
        self._judge.stop()
        await self._tell_all({"is": "judged", "n": self.desk.n, "stopped": True, "q": number})

    async def _asked(self, page: web.WebSocketResponse, told: dict[str, Any]) -> None:
        number, do = told.get("q"), told.get("do")
        if do == "rest":
            self._rest()
            await self._tell_all({**self.desk.state(True), "q": number})
            await self._tell_known(page)
            return
        if do == "where":
            item = told.get("item")
            self._where = None if item is None else str(item)
            if self._where is None:
                self._filler.close()
                self._filled = None
            self._fill()
            await page.send_str(_json({"is": "where", "item": self._where, "q": number, **self._map()}))
            return
        was = self.desk.n
        # what moves goes first
        with self._filler.standing_back():
            answer = await self._heard(told)
        answer["q"] = number
        if self.desk.n != was:
            # what was judged was another place; which raises are free does not depend on the raise
            self._judge.stop()
            windows = self._judged.pop("windows", None)
            self._judged.clear()
            if do == "raise" and windows is not None:
                self._judged["windows"] = windows
            answer["keeps"] = do == "raise"
            if self._filled is not None and self._filled[0] != self._wanted():
                self._filled = None
                self._filler.stop()
                await self._tell_all({"is": "where", "item": self._where, "anew": True})
        if answer["is"] in ("whole", "state"):
            await self._tell_all(answer)
            if answer["is"] == "whole":
                self._rest()
        else:
            await page.send_str(_json(answer))

    async def _heard(self, told: dict[str, Any]) -> dict[str, Any]:
        """The desk's answer; where somebody did not want to wait for it, all as it was."""
        answer: dict[str, Any] = {}
        try:
            breakable = told.get("do") not in ("difference", "write")
            answer = await self._aside.do(lambda: self.desk.hear(told), breakable)
        except BrokenOff:
            pass
        except Exception as error:
            words = f"a defect of this tool, not of your files ({type(error).__name__}: {error})"
            answer = {"is": "refused", "n": self.desk.n, "text": words}
        if self._aside.broken:
            answer = await self._aside.do(self.desk.broken_off, breakable=False)
        return answer

    async def _tell_known(self, page: web.WebSocketResponse) -> None:
        for what in self._judged.values():
            await page.send_str(_json({"is": "judged", "n": self.desk.n, **what}))

    def _rest(self) -> None:
        """Nothing moves: have it judged, and the map filled, where that is not done or being done."""
        self._fill()
        if self._judge.busy or "judged" in self._judged:
            return
        self._as_file = self.desk.as_file
        try:
            question = replace(self.desk.question, windows="windows" not in self._judged)
            self._judge.ask(self.desk.n, question)
        except Exception as error:
            self._hear_judge(self.desk.n, {"failed": str(error)})

    def _hear_judge(self, n: int, what: dict[str, Any]) -> None:
        if n != self.desk.n:
            return
        for key in ("judged", "refused", "failed", "along", "windows"):
            if key in what:
                self._judged["judged" if key in ("refused", "failed") else key] = what
        if "judged" in what and self._as_file:
            self.desk.judged(what["judged"])
        self._tell_soon({"is": "judged", "n": n, **what, "of_file": self.desk.of_file})

    def _tell_soon(self, message: dict[str, Any]) -> None:
        task = asyncio.ensure_future(self._tell_all(message))
        self._telling.add(task)
        task.add_done_callback(self._telling.discard)

    # ------------------------------------------------------------------------------------- where it may stand
    def _wanted(self) -> object:
        """What a map of places would be about now; None: of nobody."""
        return None if self._where is None else self.desk.about(self._where)

    def _fill(self) -> None:
        """Have the map filled that is wanted, where that is not done or being done."""
        wanted = self._wanted()
        if wanted is None or (self._filled is not None and self._filled[0] == wanted):
            return
        self._asks += 1
        self._filled = wanted, {}
        assert self._where is not None
        try:
            self._filler.ask(self._asks, WhereQuestion(self.desk.question, self._where))
        except Exception as error:
            self._hear_filler(self._asks, {"failed": str(error)})

    def _map(self) -> dict[str, Any]:
        return {} if self._filled is None else self._filled[1]

    def _hear_filler(self, number: int, what: dict[str, Any]) -> None:
        if number != self._asks or self._filled is None or what.keys() == {"done"}:
            return
        self._filled[1].update(what)
        self._tell_soon({"is": "where", "item": self._where, **what})

    async def _tell_all(self, message: dict[str, Any]) -> None:
        text = _json(message)
        for page in list(self._pages):
            with contextlib.suppress(ConnectionError):
                await page.send_str(text)


def _told(text: str) -> dict[str, Any] | None:
    """What a page says; None where that is nothing that it could have said."""
    try:
        told = json.loads(text)
    except ValueError:
        return None
    return told if isinstance(told, dict) else None


def _json(message: dict[str, Any]) -> str:
    return json.dumps(message, separators=(",", ":"))


def _listening(port: int) -> socket.socket:
    """A socket that listens on this computer alone."""
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind((HOST, port))
    except (OSError, OverflowError) as error:
        made.close()
        if isinstance(error, OverflowError) or error.errno in (errno.EADDRINUSE, errno.EACCES):
            found = f"port {port} cannot be had: it is taken, or not for everybody"
        else:
            found = f"port {port} cannot be had ({error.strerror})"
        raise InputError(None, "--port", found, "another one, or leave it out") from None
    return made


def serve(desk: Desk, port: int, ready: Callable[[str], None]) -> None:
    """Serve a page until the process is stopped.

    Args:
        desk: what lies open on it.   port: to listen at; 0: one that is free.
        ready: is told the address once it listens.

    Raises:
        InputError: the port cannot be had.
    """
    server = Server(desk, port)
    loop = asyncio.new_event_loop()
    loop.run_until_complete(server.run(lambda: ready(server.address)))
