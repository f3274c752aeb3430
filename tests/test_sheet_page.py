"""The sheet's page: what comes from files stands there as it is and does nothing; without OpenGL a note
stands for the pictures; nothing points anywhere.

Source: HTML Standard (a script element ends at the first end tag).
"""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

import clearance
from clearance import cli
from clearance.errors import CannotDraw, InputError
from clearance.report.sheet import page as make
from clearance.report.sheet.markup import esc, in_script, tag
from clearance.view import picture
from tests.sheet_setups import DEMOS, HOSTILE, hostile


class Seen(HTMLParser):
    """The elements of a page, and the words in them."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def written(setup: Path, target: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """The sheet as text, with no picture drawn."""

    def cannot(*_: object) -> str:
        raise CannotDraw("no picture: the graphics library found no <OpenGL>")

    monkeypatch.setattr(picture, "Renderer", cannot)
    make.write_sheet(clearance.check(clearance.load(str(setup))), target, "2026-01-02")
    return target.read_text(encoding="utf-8")


@pytest.mark.slow
def test_hostile_names_are_words(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = written(hostile(tmp_path), tmp_path / "s.html", monkeypatch)
    seen = Seen(text)
    assert [a.get("type") for t, a in seen.tags if t == "script"] == ["application/json", None, None]
    assert not [a for t, a in seen.tags if t in ("img", "iframe", "object", "link", "a", "base", "form")]
    assert not [k for _, attributes in seen.tags for k in attributes if k.startswith("on")]
    assert HOSTILE[0] in seen.words, "it stands there as it was written"
    assert HOSTILE[1] in seen.words
    assert HOSTILE[2] in seen.words
    data = json.loads(text.partition('id="scene-data">')[2].partition("</script>")[0])
    labels = [one["text"] for one in data["layout"]["scene"]["annotations"]]
    assert labels
    assert not [each for each in labels if re.search(r"<(?!/?b>)", each)]


def test_page_stands_alone_and_says_why_no_picture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = written(DEMOS / "punch_blank.toml", tmp_path / "s.html", monkeypatch)
    assert "no picture: the graphics library found no &lt;OpenGL&gt;" in text
    seen = Seen(text)
    given = [a for _, a in seen.tags for a in a.items() if a[0] in ("src", "href")]
    assert given == []
    policy = next(a["content"] for t, a in seen.tags if t == "meta" and "http-equiv" in a)
    assert policy is not None
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    assert "unsafe-inline'" not in policy.partition("style-src")[0]
    for words in ("CLOSE", "2026-01-02", "Try with a feeler", "local codes", "qualified people", "SHA-256"):
        assert words in text
    assert len(text) < 15e6


def test_escaping() -> None:
    assert esc("<a href='x\">&\u2028\x00") == "&lt;a href=&#x27;x&quot;&gt;&amp;\\u2028\\u0000"
    assert tag("p", "<b>", tag("i", "&"), cls='"') == '<p class="&quot;">&lt;b&gt;<i>&amp;</i></p>'
    sent = in_script(["</script>", "<!--", "\u2028"])
    assert "<" not in sent
    assert json.loads(sent) == ["</script>", "<!--", "\u2028"]
    with pytest.raises(ValueError, match="JSON"):
        in_script(float("nan"))


def test_names_of_files(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"\.html"):
        make.check_name(tmp_path / "sheet.pdf")
    setup = str(DEMOS / "punch_blank.toml")
    assert cli.run(["sheet", setup, "-o", str(tmp_path / "none" / "s.html")]) == 2
    assert cli.run(["sheet", setup, "-o", setup]) == 2
    assert cli.run(["sheet", setup]) == 2
    assert list(tmp_path.iterdir()) == []
