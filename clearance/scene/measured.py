"""Forms of readings go in; parts, and all that stands on them, as they really lie come out.

A part is moved as its readings tell; along what they do not tell it stays as planned, and a finding says so
where the part would look different. ``allow`` grows by what the readings leave open.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.geometry.transforms import Matrix, apply
from clearance.pose.faces import TouchFace, distance, face_at, faces
from clearance.pose.fit import (
    AT_95,
    COVERAGE,
    FARTHEST,
    STEEPEST,
    Fit,
    NoFit,
    TouchedPlaces,
    cross_matrix,
    fit,
)
from clearance.pose.form import Form, FormRow, read_form
from clearance.pose.outliers import Doubts, doubts, sentences
from clearance.records import record
from clearance.scene.bodies import Files
from clearance.scene.fields import suggestion
from clearance.scene.model import Body, Finding, Scene, Stretch
from clearance.scene.pallets import Written
from clearance.scene.schema import Setup
from clearance.scene.settings import SideHeight
from clearance.scene.tries import Edit, Packed

Array = NDArray[np.float64]

#: a place lies on its part where it is so near to the model's surface, mm
_ON = 0.02
#: a part is the same after a motion where none of its facets goes outward by more than this share of the way
_SAME = 0.05
#: corners of a body from which their hull is taken first
_MANY = 2000
#: how exactly a pallet comes back to its seat, mm: common practice, no source
REPEAT = 0.003

MOTIONS = ("X", "Y", "Z", "the turn about X", "the turn about Y", "the turn about Z")


@record
class Lies:
    """How one part lies.

    Attributes:
        part: its name.   form: as read.   rows: the rows of it that have readings.
        places: the same, machine frame.   fit: to them.   doubts: about them.
        grown: how much its allow, and that of what stands on it, grew at most, mm.   coverage: for which k.
        by_option: the form was named on the command line, and not in the setup.
        needed: indices of motions (X Y Z, turns about them) that nothing tells, and that would show.
    """

    part: str
    form: Form
    rows: tuple[FormRow, ...]
    places: TouchedPlaces
    fit: Fit
    doubts: Doubts
    grown: SideHeight
    coverage: float
    needed: tuple[int, ...] = ()
    by_option: bool = False


@record
class Zero:
    """The zero of one program as the control wants it: X Y Z, mm, machine frame, and its turn, degrees.

    What nothing tells is None.
    """

    cut: str
    planned: tuple[float, float, float]
    xyz: tuple[float | None, float | None, float | None]
    turn: float | None


@record
class Trial:
    """The setup with some of it otherwise, and parts that were measured before that.

    Attributes:
        edits: what is otherwise, in the setup's own terms.   said: the same in words, told in a note.
        lies: how parts lay before; None: as the forms have it.
        then: (4, 4) the motion that the edits give to each of them as planned, by name.
    """

    edits: tuple[Edit, ...] = ()
    lies: tuple[Lies, ...] | None = None
    then: Mapping[str, Matrix] = field(default_factory=dict)
    said: tuple[str, ...] = ()

    @property
    def packing(self) -> Packed:
        """On what packing lies what stands on the table."""
        return next((one for one in self.edits if isinstance(one, Packed)), Packed(0.0))

    def title(self, title: str) -> str:
        """The setup's title, on sheet and picture, so that nobody takes them for the file's."""
        return f"{title} (tried)".lstrip() if self.said else title

    def findings(self, file: str) -> list[Finding]:
        """A note that this is not what the file says; nothing where it need not be told.

        Args:
            file: the setup's, as it was named.
        """
        if not self.said:
            return []
        return [Finding("tried", "note", f"tried, and not what {file} says: {'; '.join(self.said)}")]


@record
class Asked:
    """What the user asks for beside the setup: a form, for how many standard uncertainties, or a trial;
    other nozzles than the setup's, the machine of another file, margins that a file names (whole paths)."""

    form: str | None = None
    coverage: float = COVERAGE
    trial: Trial | None = None
    nozzles: str | None = None
    machine: str | None = None
    margins: str | None = None


def as_they_lie(
    bodies: Sequence[Body], setup: Setup, file: Written, files: Files, asked: Asked
) -> tuple[list[Body], tuple[Lies, ...], list[Finding]]:
    """The items with those that were measured moved to where they lie.

    Args:
        bodies: the items where they are planned, in file order.   setup, file: as read.
        files: finds the forms, and remembers them.   asked: what is asked for beside the setup.

    Raises:
        InputError: a form is wrong, or does not belong to this setup.
    """
    moved = list(bodies)
    trial = asked.trial
    if trial is not None and trial.lies is not None:
        known = {one.part for one in trial.lies}
        for one in trial.lies:
            moved, _ = _moved(moved, one, trial.then.get(one.part), known)
        return moved, trial.lies, []
    lies: list[Lies] = []
    findings: list[Finding] = []
    forms = _forms(setup, file, files, asked)
    known = set(forms)
    for part, form in forms.items():
        one = _lies(part, form, bodies, asked.coverage)
        moved, grown = _moved(moved, one, None, known)
        riding = [body for body in moved if _rides(body, part, bodies, known)]
        by_option = asked.form is not None and form.shown == asked.form
        one = replace(one, grown=grown, needed=_needed(one, riding), by_option=by_option)
        lies.append(one)
        findings += _findings(one)
    return moved, tuple(lies), findings


def _forms(setup: Setup, file: Written, files: Files, asked: Asked) -> dict[str, Form]:
    """For each part that was measured its form; the one asked for goes before the setup's."""
    out: dict[str, Form] = {}
    for i, item in enumerate(setup.items):
        if item.measured is not None:
            form = read_form(files.find(item.measured, file, ("items", i, "measured")), item.measured)
            if file.origins[i].pallet is not None:
                form = _as_named_here(form, item.name, [each.name for each in setup.items])
            if item.name not in form.parts:
                found = f'"{item.measured}" has no reading of "{item.name}"'
                want = f"it has: {', '.join(form.parts)}"
                raise file.error(("items", i, "measured"), found, want)
            files.note(item.measured, form.sha256)
            out[item.name] = form
    if asked.form is not None:
        form = read_form(asked.form)
        files.note(_beside(asked.form, files.folder), form.sha256)
        out.update(dict.fromkeys(form.parts, form))
    return out


def _as_named_here(form: Form, part: str, names: Sequence[str]) -> Form:
    """A form that may name the part of a pallet, and its frame, as the pallet's own file does."""
    steps = part.split("/")
    for k in range(1, len(steps)):
        if part in form.parts:
            break
        inner = "/".join(steps[k:])
        rows = tuple(replace(row, part=part) if row.part == inner else row for row in form.rows)
        frame = form.frame
        if frame is not None and frame not in names and inner in form.parts:
            frame = "/".join([*steps[:k], frame])
        form = replace(form, rows=rows, frame=frame)
    return form


def _beside(form: str, folder: Path) -> str:
    """A form's name as seen from the setup's folder."""
    path = Path(form)
    return str(path) if path.is_absolute() else str(Path(_relative(path, folder)))


def _relative(path: Path, folder: Path) -> str:
    import os

    try:
        return os.path.relpath(path, folder)
    except ValueError:  # another drive
        return str(path.absolute())


# ------------------------------------------------------------------------------------------------ one part
def outward(body: Body) -> Array:
    """A body's triangles (N, 3, 3), machine frame, turned about where its file has them inside out."""
    return body.triangles_M if body.bulk[0] >= 0.0 else body.triangles_M[:, ::-1]


def _lies(part: str, form: Form, bodies: Sequence[Body], coverage: float) -> Lies:
    by_name = {body.name: body for body in bodies}
    rows = [row for row in form.rows if row.part == part]
    first = f"line {rows[0].line}"
    if part not in by_name or by_name[part].kind != "part":
        want = suggestion(part, [body.name for body in bodies if body.kind == "part"])
        raise InputError(form.shown, first, f'the setup has no part "{part}"', want)
    read = [row for row in rows if row.reading is not None]
    if not read:
        want = "write each into the column reading: mm, plus where metal stands proud"
        raise InputError(form.shown, first, f'no reading of "{part}" is filled in', want)
    T_MF = np.eye(4)
    if form.frame is not None:
        if form.frame not in by_name:
            want = suggestion(form.frame, list(by_name))
            raise InputError(form.shown, "frame", f'the setup has no item "{form.frame}"', want)
        T_MF = by_name[form.frame].T_MI
    places = _places(read, form, by_name[part], T_MF)
    names = [row.place for row in read]
    try:
        found = fit(places)
    except NoFit:
        said = "; ".join(sentences(doubts(places, None), names))
        want = f"good to {FARTHEST:g} mm and {STEEPEST:g} degrees; {said}"
        raise InputError(form.shown, first, f'the readings of "{part}" fit no motion', want) from None
    degrees = math.degrees(float(np.linalg.norm(found.turn)))
    about = doubts(places, found)
    if np.linalg.norm(found.shift) > FARTHEST or degrees > STEEPEST:
        how = f"{np.linalg.norm(found.shift):.2f} mm and {degrees:.2f} degrees off the plan"
        more = "".join(f"; {each}" for each in sentences(about, names))
        want = f"at most {FARTHEST:g} mm and {STEEPEST:g} degrees: mend the plan or the form{more}"
        raise InputError(form.shown, first, f'the readings put "{part}" {how}', want)
    return Lies(part, form, tuple(read), places, found, about, SideHeight(0.0, 0.0), coverage)


def _places(rows: Sequence[FormRow], form: Form, body: Body, T_MF: Matrix) -> TouchedPlaces:
    """The places in the machine frame, each on its face of the part as planned."""
    p = apply(T_MF, np.array([row.at for row in rows]))
    n = np.array([row.normal for row in rows]) @ T_MF[:3, :3].T
    triangles = outward(body)
    found = faces(triangles)
    bend, axis = np.full(len(rows), np.inf), np.zeros((len(rows), 3))
    for k, row in enumerate(rows):
        face = _face_of(found, triangles, p[k], n[k])
        if face is None:
            raise InputError(
                form.shown,
                f"line {row.line}",
                f'place "{row.place}" does not lie on "{body.name}" as the setup has it now',
                "the setup has changed since: write a new form, clearance touch, and touch again",
            )
        bend[k], axis[k] = face.radius, face.normal
    groups = {g: k for k, g in enumerate(dict.fromkeys(row.group for row in rows if row.group))}
    return TouchedPlaces(
        p=p,
        n=n,
        reading=np.array([row.reading for row in rows], dtype=float),
        u=np.array([row.u for row in rows]),
        group=np.array([groups.get(row.group, -1) for row in rows], dtype=np.int64),
        tip=form.tip,
        bend=bend,
        axis=axis,
    )


def _face_of(found: list[TouchFace], triangles: Array, p: Array, n: Array) -> TouchFace | None:
    """The face under a place; of a surface that is neither flat nor round the plane that touches it there."""
    face = face_at(found, p, n, _ON)
    if face is not None:
        return face
    cross = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    length = np.linalg.norm(cross, axis=1)
    facing = cross @ n > math.cos(math.radians(10.0)) * length
    if not facing.any() or distance(p[None], triangles[facing])[0] > _ON:
        return None
    return TouchFace(triangles[facing], 0.0, n, math.inf, p)


# ------------------------------------------------------------------------------------------------ what moves
def _rides(body: Body, part: str, bodies: Sequence[Body], known: Collection[str]) -> bool:
    """Whether a body is the part, or stands on it, directly or by way of others that were not measured."""
    under = {each.name: each.stands_on for each in bodies}
    name: str | None = body.name
    while name is not None and name not in known:
        name = under[name]
    return name == part


def _moved(
    bodies: list[Body], one: Lies, then: Matrix | None, known: Collection[str]
) -> tuple[list[Body], SideHeight]:
    """All items, those on the part moved with it, and how much their allow grew at most.

    ``then``: what new settings of the holders under it do to it, so that it is planned there already.
    ``known``: names of all parts that were measured; each lies as its own readings say.
    """
    T = one.fit.matrix
    T_MM = T if then is None else then @ T @ np.linalg.inv(then)
    # from where the file plans it, which its program runs along, settings or not
    moved = T if then is None else then @ T
    repeat = REPEAT if one.form.frame is not None else 0.0
    out: list[Body] = []
    most = SideHeight(0.0, 0.0)
    for body in bodies:
        if not _rides(body, one.part, bodies, known):
            out.append(body)
            continue
        there = body.posed(T_MM)
        side, height = one.fit.reach(corners_of(there), one.coverage, then)
        grown = SideHeight(side + repeat, height + repeat)
        most = SideHeight(max(most.side, grown.side), max(most.height, grown.height))
        out.append(replace(there, allow=body.allow.and_then(grown), moved=moved))
    return out, most


def corners_of(body: Body) -> Array:
    """Corners (N, 3) whose hull is that of a body, machine frame."""
    corners = body.triangles_M.reshape(-1, 3)
    if len(corners) <= _MANY:
        return corners
    from manifold3d import Manifold

    hull = np.asarray(Manifold.hull_points(corners).to_mesh64().vert_properties)[:, :3]
    return hull if len(hull) else corners


def _needed(one: Lies, riding: Sequence[Body]) -> tuple[int, ...]:
    """Motions that nothing tells and after which the part, or what stands on it, would look different."""
    shows = np.zeros(6, dtype=bool)
    for motion in one.fit.untold.T:
        shift, turn = motion[:3], motion[3:] / one.fit.lever
        for body in riding:
            corners = body.triangles_M.reshape(-1, 3)
            speed = shift + (corners - one.fit.about - one.fit.shift) @ cross_matrix(turn).T
            cross = np.cross(
                body.triangles_M[:, 1] - body.triangles_M[:, 0],
                body.triangles_M[:, 2] - body.triangles_M[:, 0],
            )
            n = cross / np.maximum(np.linalg.norm(cross, axis=1), 1e-12)[:, None]
            out = np.abs((speed.reshape(-1, 3, 3) * n[:, None]).sum(2)).max(initial=0.0)
            if out > _SAME * np.linalg.norm(speed, axis=1).max(initial=0.0):
                shows |= np.abs(motion) > 0.01
    return tuple(int(k) for k in np.flatnonzero(shows))


# -------------------------------------------------------------------------------------------- what is said
def listed(names: Sequence[str]) -> str:
    """Names with commas, and "and" before the last.

    Args:
        names: one or more.
    """
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def figures(found: Fit) -> list[str]:
    """Each motion that is told, with its ± at 95 %: "X +0.012 ± 0.004 mm".

    Args:
        found: the fit.
    """
    out = []
    for k in range(6):
        if not found.told[k]:
            continue
        if k < 3:
            out.append(f"{'XYZ'[k]} {found.shift[k]:+.3f} ± {AT_95 * found.u[k]:.3f} mm")
        else:
            value, u = math.degrees(found.turn[k - 3]), math.degrees(AT_95 * found.u[k])
            out.append(f"turned about {'XYZ'[k - 3]} {value:+.4f} ± {u:.4f} degrees")
    return out


def _findings(one: Lies) -> list[Finding]:
    name, form = one.part, one.form.shown
    told = "; ".join(figures(one.fit)) or "nothing of how it lies is told"
    grown = f"its allow grows by {_up(one.grown.side)} mm to the side, {_up(one.grown.height)} mm in height"
    message = (
        f"judged as {form} says it lies: {told}; {grown}, for what the readings leave open "
        f"(k = {one.coverage:g}); its programs run from the zero as measured, and what it stands on is "
        "judged as planned"
    )
    out = [Finding("as measured", "note", message, item=name)]
    severity = "close" if one.doubts.agree is False else "note"
    for sentence in sentences(one.doubts, [f'"{row.place}"' for row in one.rows]):
        out.append(Finding("readings", severity, f"{form}: {sentence}", item=name))
    if one.needed:
        what = listed([MOTIONS[k] for k in one.needed])
        message = f"nothing in {form} tells {what}: judged there as planned; touch faces that tell it"
        out.append(Finding("not told", "close", message, item=name))
    return out


def _up(length: float) -> str:
    """mm, rounded up: it counts against the user."""
    return f"{math.ceil(length * 1000.0 - 1e-9) / 1000.0:.3f}"


def heading_as_it_lies(body: Body | None, planned: float) -> float:
    """Degrees from the machine's X to the program's X where its part lies, and not where it is planned.

    Args:
        body: the part whose zero it is, or None.   planned: degrees.
    """
    if body is None or body.moved is None:
        return planned
    along = np.array([math.cos(math.radians(planned)), math.sin(math.radians(planned)), 0.0])
    there = body.moved[:3, :3] @ along
    # the difference, so that a heading of many turns stays one
    turned = math.degrees(math.atan2(along[0] * there[1] - along[1] * there[0], along @ there))
    return planned + turned


def zeros_of(scene: Scene, there: Scene, one: Lies) -> tuple[Zero, ...]:
    """The zeros of the programs whose zero a measured part has.

    Args:
        scene: as measured.   there: the same, or as corrected.   one: how the part lies.
    """
    assert scene.planned is not None
    told = one.fit.told
    out = []
    for before, now in zip(_cuts(scene.planned), _cuts(there), strict=True):
        cut = scene.cut_of(before)
        if cut is None or one.part not in cut.parts[:1] or before.zero_M is None or now.zero_M is None:
            continue
        x, y, z = (float(c) if told[k] else None for k, c in enumerate(now.zero_M))
        a, b, c = (float(v) for v in before.zero_M)
        turn = None
        moved = there.items[one.part].moved
        if told[5] and moved is not None:
            turn = math.degrees(math.atan2(moved[1, 0], moved[0, 0]))
        out.append(Zero(before.name, (a, b, c), (x, y, z), turn))
    return tuple(out)


def _cuts(scene: Scene) -> list[Stretch]:
    return [stretch for stretch in scene.stretches if stretch.cut is not None]
