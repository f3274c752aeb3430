"""Kept scenes: a recipe goes to a readable TOML file and comes back the same, to the last bit."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np

from clearance.scene.heads import HeadPiece
from tests.oracles.recipe import Recipe, Shape, Step, Track
from tests.oracles.shapes import Part

FOLDER = Path(__file__).resolve().parents[1] / "cases"


def _row(values: Any) -> str:
    return "[" + ", ".join(repr(float(v)) for v in values) + "]"


def _flag(value: bool) -> str:
    return "true" if value else "false"


def _text(value: str) -> str:
    return '"' + value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", " ") + '"'


def _piece(p: HeadPiece) -> str:
    more = "" if not any(p.rect) else f", rect = {_row(p.rect)}"
    more += ", lower_guide = true" if p.lower_guide else ""
    return f"{{ z = {_row(p.z)}, r = {_row(p.r)}{more} }}"


def _step(s: Step) -> str:
    more = "" if s.centre is None else f", centre = {_row(s.centre)}, sweep = {float(s.sweep)!r}"
    more += ", rapid = true" if s.rapid else ""
    more += ", threaded = true" if s.threaded else ""
    return f"{{ end = {_row(s.end)}{more} }}"


def _list(name: str, rows: list[str]) -> list[str]:
    return [f"{name} = ["] + [f"    {row}," for row in rows] + ["]"]


def written(recipe: Recipe) -> str:
    """The recipe as TOML."""
    out = [f"sentence = {_text(recipe.sentence)}", f"wire_margin = {float(recipe.wire_margin)!r}"]
    for track in recipe.tracks:
        out += ["", "[[tracks]]", f"start = {_row(track.start)}"]
        out += [f"lower_z = {float(track.lower_z)!r}", f"upper_z = {float(track.upper_z)!r}"]
        if track.grow:
            out.append(f"grow = {float(track.grow)!r}")
        if track.cut_shapes:
            out.append(f"cut_shapes = {list(track.cut_shapes)}")
        if track.without:
            out.append(f"without = {list(track.without)}")
        if track.wire is not None:
            out.append(f"wire = {_piece(track.wire)}")
        out += _list("steps", [_step(s) for s in track.steps])
        out += _list("lower", [_piece(p) for p in track.lower])
        out += _list("upper", [_piece(p) for p in track.upper])
        if track.upper_start is not None:
            out.append(f"upper_start = {_row(track.upper_start)}")
            out += _list("upper_steps", [_step(s) for s in track.upper_steps])
    for shape in recipe.shapes:
        out += ["", "[[shapes]]", f"name = {_text(shape.name)}", f"kind = {_text(shape.kind)}"]
        out += [f"margin = {_row(shape.margin)}", f"allow = {_row(shape.allow)}"]
        if shape.merged:
            out.append("merged = true")
        if shape.split:
            out.append(f"split = {shape.split}")
        if shape.turned != "out":
            out.append(f"turned = {_text(shape.turned)}")
        for part in shape.parts:
            out += ["", "[[shapes.parts]]"]
            out += _list("corners", [_row(c) for c in part.corners])
            out.append(f"faces = {[list(map(int, f)) for f in part.faces]}")
    return "\n".join(out) + "\n"


def _read_piece(data: dict[str, Any]) -> HeadPiece:
    rect = tuple(data.get("rect", (0.0, 0.0, 0.0, 0.0)))
    return HeadPiece(np.array(data["z"]), np.array(data["r"]), rect, data.get("lower_guide", False))


def _read_step(data: dict[str, Any]) -> Step:
    centre = tuple(data["centre"]) if "centre" in data else None
    return Step(
        tuple(data["end"]),
        centre,
        data.get("sweep", 0.0),
        data.get("rapid", False),
        data.get("threaded", False),
    )


def read(text: str) -> Recipe:
    """The recipe that was written."""
    data = tomllib.loads(text)
    shapes = tuple(
        Shape(
            s["name"],
            s["kind"],
            tuple(Part(np.array(p["corners"]), np.array(p["faces"], dtype=np.int64)) for p in s["parts"]),
            tuple(s["margin"]),
            tuple(s["allow"]),
            s.get("merged", False),
            s.get("split", 0),
            s.get("turned", "out"),
        )
        for s in data.get("shapes", [])
    )
    tracks = tuple(
        Track(
            tuple(t["start"]),
            tuple(_read_step(s) for s in t["steps"]),
            tuple(_read_piece(p) for p in t["lower"]),
            tuple(_read_piece(p) for p in t["upper"]),
            t["lower_z"],
            t["upper_z"],
            _read_piece(t["wire"]) if "wire" in t else None,
            t.get("grow", 0.0),
            tuple(t.get("cut_shapes", ())),
            tuple(t["upper_start"]) if "upper_start" in t else None,
            tuple(_read_step(s) for s in t.get("upper_steps", ())),
            tuple(t.get("without", ())),
        )
        for t in data["tracks"]
    )
    return Recipe(data["sentence"], shapes, tracks, data["wire_margin"])


def kept() -> list[Path]:
    """The files of all kept scenes."""
    return sorted(FOLDER.glob("*.toml"))
