"""A page goes in; what Chromium makes of it comes out: its errors, its requests, pictures and printed pages.

A small client of the browser's own DevTools protocol. There is no network for the browser, and what it asks
for all the same is written down. A missing Chromium is a failure, not a skip.
"""

from __future__ import annotations

import base64
import io
import itertools
import json
import os
import shutil
import subprocess
import tempfile
import time
import urllib.request
from pathlib import Path
from typing import Any

import numpy as np

NAMES = ("chromium", "chromium-browser", "google-chrome")
ARGUMENTS = (
    "--headless=new", "--no-sandbox", "--disable-dev-shm-usage", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-extensions",
    "--disable-default-apps", "--host-resolver-rules=MAP * ~NOTFOUND", "--proxy-server=127.0.0.1:9",
    "--proxy-bypass-list=<-loopback>", "--use-gl=angle", "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader", "--hide-scrollbars", "--remote-debugging-port=0",
    "--remote-allow-origins=*", "--window-size=1240,1000",
)  # fmt: skip
#: what the browser answers where the page that was asked is being left
LEFT = ("Inspected target navigated or closed", "Execution context was destroyed", "Cannot find context")
#: inch
PAPER = {"A4": (8.27, 11.69), "Letter": (8.5, 11.0)}


class Chromium:
    """One browser with one page. ``served``: by a program on this computer, the only one that it reaches."""

    def __init__(self, served: bool = False) -> None:
        import websocket

        program = next((found for found in map(shutil.which, NAMES) if found), None)
        assert program is not None, "Chromium is not installed: apt-get install chromium"
        self._folder = tempfile.mkdtemp(prefix="clearance-browser-")
        own = (("<-loopback>", "127.0.0.1"), ("~NOTFOUND", "~NOTFOUND, EXCLUDE 127.0.0.1"))
        arguments = list(ARGUMENTS)
        for closed, open_ in own if served else ():
            arguments = [each.replace(closed, open_) for each in arguments]
        command = [program, *arguments, f"--user-data-dir={self._folder}", "about:blank"]
        self._process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        port = self._port()
        # the browser is on this computer: no proxy in between
        opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        with opener.open(f"http://127.0.0.1:{port}/json/list", timeout=120) as answer:
            pages = [one for one in json.load(answer) if one["type"] == "page"]
        self._socket = websocket.create_connection(
            pages[0]["webSocketDebuggerUrl"], timeout=240, http_no_proxy=["127.0.0.1"]
        )
        self._number = itertools.count(1)
        self.errors: list[str] = []
        self.requests: list[str] = []
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.ask(f"{domain}.enable")
        self.ask(
            "Network.emulateNetworkConditions",
            offline=True, latency=0, downloadThroughput=0, uploadThroughput=0,
        )  # fmt: skip

    def _port(self) -> int:
        file = Path(self._folder) / "DevToolsActivePort"
        end = time.monotonic() + 120
        while time.monotonic() < end:
            assert self._process.poll() is None, "Chromium ended before it began"
            if file.is_file() and file.read_text().strip():
                return int(file.read_text().split()[0])
            time.sleep(0.05)
        raise AssertionError("Chromium did not begin within 120 s")

    def ask(self, method: str, **params: Any) -> dict[str, Any]:
        """One command and its answer; what happens meanwhile is noted."""
        number = next(self._number)
        self._socket.send(json.dumps({"id": number, "method": method, "params": params}))
        while True:
            told = json.loads(self._socket.recv())
            if told.get("id") == number:
                assert "error" not in told, f"{method}: {told['error']}"
                return dict(told["result"])
            self._note(told)

    def _note(self, told: dict[str, Any]) -> None:
        if "method" not in told:
            return  # the answer to a question that was given up
        params = told.get("params", {})
        if told["method"] == "Runtime.exceptionThrown":
            details = params["exceptionDetails"]
            self.errors.append(str(details.get("exception", {}).get("description") or details["text"]))
        elif told["method"] == "Runtime.consoleAPICalled" and params["type"] in ("error", "assert"):
            self.errors.append(" ".join(str(a.get("value", a.get("description"))) for a in params["args"]))
        elif told["method"] == "Log.entryAdded" and params["entry"]["level"] == "error":
            self.errors.append(f"{params['entry']['text']} {params['entry'].get('url', '')}")
        elif told["method"] == "Network.requestWillBeSent":
            self.requests.append(params["request"]["url"])
        elif told["method"] == "Network.webSocketCreated":
            self.requests.append(params["url"])

    def run(self, script: str) -> Any:
        """The value of a JavaScript expression."""
        told = self.ask("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in told, told["exceptionDetails"]
        return told["result"].get("value")

    def wait(self, script: str, seconds: float = 180.0) -> None:
        """Until an expression is true."""
        end = time.monotonic() + seconds
        while not self._true(script):
            assert time.monotonic() < end, f"not within {seconds:g} s: {script}; {self.errors}"
            time.sleep(0.1)

    def _true(self, script: str) -> bool:
        """Whether an expression is true; on a page that is just left it is not."""
        try:
            return bool(self.run(script))
        except AssertionError as error:
            if not any(gone in str(error) for gone in LEFT):
                raise
            return False

    def _go(self, address: str) -> None:
        """Until another page is there: the one before it may be complete, too."""
        self.run("window.leftBehind = true")
        self.ask("Page.navigate", url=address)
        self.wait("!window.leftBehind && document.readyState === 'complete'")

    def open(self, file: Path) -> None:
        self.errors.clear()
        self.requests.clear()
        self._go(file.resolve().as_uri())

    def picture(self, of: str | None = None) -> np.ndarray[Any, Any]:
        """What is seen, (height, width, 3); ``of``: of this element alone."""
        from PIL import Image

        clip = {}
        if of is not None:
            self.run(f"document.querySelector({json.dumps(of)}).scrollIntoView({{block: 'start'}}), 1")
            place = self.run(
                f"(r => ({{x: r.x + scrollX, y: r.y + scrollY, width: r.width, height: r.height}}))"
                f"(document.querySelector({json.dumps(of)}).getBoundingClientRect())"
            )
            # two frames, so that what was just changed is drawn
            self.run("new Promise(r => requestAnimationFrame(() => requestAnimationFrame(() => r(1))))")
            clip = {"clip": {**place, "scale": 1}}
        data = self.ask("Page.captureScreenshot", format="png", captureBeyondViewport=of is None, **clip)
        return np.asarray(Image.open(io.BytesIO(base64.b64decode(data["data"]))).convert("RGB"))

    def visit(self, address: str) -> None:
        """Open a page that a program on this computer serves."""
        self.errors.clear()
        self.requests.clear()
        self.ask(
            "Network.emulateNetworkConditions",
            offline=False, latency=0, downloadThroughput=-1, uploadThroughput=-1,
        )  # fmt: skip
        self._go(address)

    def size(self, wide: int, high: int) -> None:
        """A screen of so many pixels."""
        self.ask(
            "Emulation.setDeviceMetricsOverride", width=wide, height=high, deviceScaleFactor=1, mobile=False
        )

    def screen(self) -> bytes:
        """What is seen on the screen, as PNG."""
        self.run("new Promise(r => requestAnimationFrame(() => requestAnimationFrame(() => r(1))))")
        return base64.b64decode(self.ask("Page.captureScreenshot", format="png")["data"])

    def mouse(self, what: str, x: float, y: float, held: bool = False) -> None:
        """``what``: "Pressed", "Moved" or "Released"; with the left button."""
        self.ask(
            "Input.dispatchMouseEvent",
            type=f"mouse{what}", x=x, y=y, button="left" if held or what != "Moved" else "none",
            buttons=1 if held or what == "Pressed" else 0, clickCount=0 if what == "Moved" else 1,
        )  # fmt: skip

    def click(self, of: str) -> None:
        """Press and release the mouse in the middle of an element."""
        x, y = self.middle(of)
        for what in ("Moved", "Pressed", "Released"):
            self.mouse(what, x, y)

    def middle(self, of: str) -> tuple[float, float]:
        """Where an element's middle is on the screen."""
        place = self.run(
            f"(e => {{ e.scrollIntoView({{block: 'nearest'}}); const r = e.getBoundingClientRect();"
            f" return [r.x + r.width / 2, r.y + r.height / 2]; }})(document.querySelector({json.dumps(of)}))"
        )
        return place[0], place[1]

    def drag(self, start: tuple[float, float], end: tuple[float, float], steps: int = 8) -> None:
        """From one place of the screen to another with the button held down."""
        self.mouse("Moved", *start)
        self.mouse("Pressed", *start)
        for k in range(1, steps + 1):
            share = k / steps
            at = [a + share * (b - a) for a, b in zip(start, end, strict=True)]
            self.mouse("Moved", *at, held=True)  # type: ignore[misc]
        self.mouse("Released", *end)

    def key(self, name: str, *, shift: bool = False, ctrl: bool = False) -> None:
        """Press and release a key, by its name in the UI Events standard ("ArrowRight", "u", "Enter")."""
        code = {"Enter": 13, "Tab": 9, "Escape": 27, "PageUp": 33, "PageDown": 34}.get(name, 0)
        code = code or {"ArrowLeft": 37, "ArrowUp": 38, "ArrowRight": 39, "ArrowDown": 40}.get(name, 0)
        text = {"Enter": "\r"}.get(name, name if len(name) == 1 else "")
        modifiers = 8 * shift + 2 * ctrl
        for what in ("keyDown", "keyUp"):
            self.ask(
                "Input.dispatchKeyEvent",
                type=what, key=name, modifiers=modifiers, windowsVirtualKeyCode=code,
                **({"text": text} if text and what == "keyDown" and not ctrl else {}),
            )  # fmt: skip

    def type(self, text: str) -> None:
        """Into what has the focus, over all that stands there."""
        self.run("document.activeElement.select?.(), 1")
        self.ask("Input.insertText", text=text)

    def printed(self, paper: str) -> bytes:
        """The page as PDF on ``PAPER``, with backgrounds as the browser's default has them: none."""
        width, height = PAPER[paper]
        told = self.ask(
            "Page.printToPDF",
            paperWidth=width, paperHeight=height, printBackground=False, preferCSSPageSize=False,
            marginTop=0.4, marginBottom=0.4, marginLeft=0.4, marginRight=0.4,
        )  # fmt: skip
        return base64.b64decode(told["data"])

    def close(self) -> None:
        self._socket.close()
        self._process.terminate()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        shutil.rmtree(self._folder, ignore_errors=True)


def environment() -> dict[str, str]:
    """For programs that a test starts: with no way to a proxy."""
    return {k: v for k, v in os.environ.items() if not k.lower().endswith("_proxy")}
