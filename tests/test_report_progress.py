"""Progress: a line on a terminal after a second, nothing anywhere else. No outside source."""

from __future__ import annotations

import io
import time

from clearance.report.progress import Progress


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def wait_for(done: object) -> None:
    end = time.monotonic() + 5.0
    while not done() and time.monotonic() < end:
        time.sleep(0.005)


def test_a_file_gets_nothing() -> None:
    stream = io.StringIO()
    with Progress(stream, after=0.0, every=0.01) as progress:
        progress(0.5, "checking")
        time.sleep(0.05)
    assert stream.getvalue() == ""


def test_quick_work_shows_nothing() -> None:
    stream = Terminal()
    with Progress(stream, after=30.0) as progress:
        progress(0.5, "checking")
    assert stream.getvalue() == ""


def test_long_work_shows_one_line_and_wipes_it() -> None:
    stream = Terminal()
    with Progress(stream, after=0.01, every=0.01) as progress:
        progress(0.421, "checking the lower head")
        wait_for(lambda: "42 %" in stream.getvalue())
    text = stream.getvalue()
    assert "checking the lower head ...  42 %" in text
    assert "\n" not in text
    assert text.endswith("\r")
    assert text.split("\r")[-2].strip() == ""


def test_line_is_wiped_when_the_work_fails() -> None:
    stream = Terminal()
    try:
        with Progress(stream, after=0.01, every=0.01):
            wait_for(stream.getvalue)
            raise KeyboardInterrupt
    except KeyboardInterrupt:
        pass
    assert stream.getvalue().endswith("\r")


def test_terminal_that_goes_away_is_no_failure() -> None:
    stream = Terminal()
    with Progress(stream, after=0.01, every=0.01):
        wait_for(stream.getvalue)
        stream.close()
        time.sleep(0.03)
