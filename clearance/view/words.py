"""What a picture says in words: a pair or a result goes in, one line of text comes out."""

from __future__ import annotations

from clearance.judge.result import Pair, Result
from clearance.setup.scene import Stretch
from clearance.view import looks
from clearance.view.description import Place


def headline(place: Place) -> str:
    """The figure, and the verdict in words: "touches", "0.82  close"."""
    if place.verdict == "clash" and place.figure == "touches":
        return place.figure
    return f"{place.figure}  {place.verdict}"


def one_line(text: str, most: int = 400) -> str:
    """Words from a user's file as they can stand on a picture: on one line, no control signs, not endless."""
    flat = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return flat if len(flat) <= most else flat[: most - 1].rstrip() + "…"


def title_block(result: Result, worst: Pair | None, stretch: Stretch | None) -> tuple[str, tuple[str, ...]]:
    """The sentence beside the verdict, and the lines under it: title, place, heights of the faces."""
    sentence = ""
    serious = [f for f in result.findings if f.severity == result.verdict]
    if worst is not None and worst.verdict == result.verdict:
        sentence = pair_sentence(worst)
    elif serious:
        about = f'"{serious[0].item}": ' if serious[0].item is not None else ""
        sentence = about + serious[0].message
    elif worst is not None:
        sentence = pair_sentence(worst)
    lines = [result.scene.title]
    if worst is not None:
        lines.append(worst.where)
    if stretch is not None:
        faces = f"lower face Z {stretch.lower_z:.2f} · upper face Z {stretch.upper_z:.2f}"
        if stretch.flushing is not None and min(stretch.flushing) >= 0.0:
            faces += f" · flushing {_apart(stretch.flushing[0])} below, {_apart(stretch.flushing[1])} above"
        lines.append(faces)
    return sentence, tuple(lines)


def _apart(distance: float) -> str:
    return "0.00" if distance < 0.01 else looks.figure(distance)


def pair_sentence(pair: Pair) -> str:
    """One sentence a setter needs: which head, which item, how near, what was wanted."""
    head = looks.HEAD_WORDS[pair.head]
    head = head[0].upper() + head[1:]
    if pair.verdict == "clash":
        if pair.clearance <= 1e-6:
            return f"{head} touches {pair.item}"
        return f"{head} may touch {pair.item}: {looks.figure(pair.clearance)} mm is less than it may be off"
    gap = f"{looks.figure(pair.clearance)} mm from {pair.item}"
    if pair.verdict == "undecided":
        return f"{head} and {pair.item}: could not be decided"
    if pair.verdict == "close":
        return f"{head} passes {gap}; {_wanted(pair)} is wanted"
    return f"{head} passes {gap}, and nothing else has less to spare"


def _wanted(pair: Pair) -> str:
    side, height = pair.margin.side + pair.allow.side, pair.margin.height + pair.allow.height
    if pair.height is None:
        return f"{side:g} mm beside it"
    if pair.side is None or pair.height - height < pair.side - side:
        return f"{height:g} mm in height"
    return f"{side:g} mm beside it"
