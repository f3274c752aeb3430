"""3MF: the bytes of a file go in; its bodies come out in mm, as its build list places them.

The container is a ZIP package, of which no part is unpacked past a stated size; the XML in it is read as
events, document types and entities refused unread.
"""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from array import array
from collections.abc import Callable, Iterable, Iterator
from dataclasses import field
from posixpath import normpath
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.mesh.model import BYTES_A_TRIANGLE, ModelBody, RawModel
from clearance.records import changing

#: A package with more entries than this is no model.
MOST_ENTRIES = 10_000

#: Meshes as XML pack to a tenth or a twentieth. A part that unpacks to more than so many times its size, and
#: to more than so many bytes, is made to fill a computer's memory.
MOST_RATIO = 200
HARMLESS = 16_000_000

_CHUNK = 1 << 16
_AGAIN = "export the model again"


class Package:
    """A ZIP package held in memory, of which single parts are unpacked within a budget of bytes.

    Args:
        data: the whole file.   shown: its name for messages.
        budget: bytes that all parts together may unpack to.

    Raises (all methods): InputError.
    """

    def __init__(self, data: bytes, shown: str, budget: int) -> None:
        self._shown = shown
        self._budget = budget
        self._left = budget
        if data.count(b"PK\x01\x02") > MOST_ENTRIES:
            raise InputError(shown, "", f"the package has more than {MOST_ENTRIES} parts", "a model")
        try:
            self._zip = zipfile.ZipFile(io.BytesIO(data))
        except (
            zipfile.BadZipFile,
            ValueError,
            OSError,
            EOFError,
            NotImplementedError,
            struct.error,
        ) as error:
            raise InputError(shown, "", f"the ZIP package is broken: {_words(error)}", _AGAIN) from None
        self._names = {info.filename.lstrip("/").lower(): info for info in self._zip.infolist()}

    def has(self, name: str) -> bool:
        """Is there a part ``name``? Capitals do not matter, a leading slash neither."""
        return name.lstrip("/").lower() in self._names

    def chunks(self, name: str) -> Iterator[bytes]:
        """The unpacked bytes of the part ``name``, a piece at a time: who refuses one reads no further."""
        info = self._names.get(name.lstrip("/").lower())
        if info is None:
            raise InputError(self._shown, name, "the package has no such part", _AGAIN)
        if info.flag_bits & 1:
            raise InputError(self._shown, name, "this part is encrypted", "a model without a password")
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise InputError(
                self._shown, name, f"this part is packed by method {info.compress_type}", "deflate"
            )
        if info.file_size > self._left:
            raise self._too_large(name, info.file_size)
        if info.file_size > max(HARMLESS, MOST_RATIO * info.compress_size):
            found = (
                f"this part unpacks to {info.file_size / 1e6:.0f} MB, {MOST_RATIO} times its size and more"
            )
            raise InputError(self._shown, name, found, "a model: none packs like that")
        try:
            with self._zip.open(info) as stream:
                while data := stream.read(_CHUNK):
                    self._left -= len(data)
                    if self._left < 0:
                        raise self._too_large(name, self._budget - self._left)
                    yield data
        except (
            zipfile.BadZipFile,
            zlib.error,
            ValueError,
            OSError,
            EOFError,
            RuntimeError,
            struct.error,
        ) as error:
            raise InputError(self._shown, name, f"this part is broken: {_words(error)}", _AGAIN) from None

    def _too_large(self, name: str, size: int) -> InputError:
        return InputError(
            self._shown,
            name,
            f"this part unpacks to {size / 1e6:.0f} MB, more than the {self._budget / 1e6:.0f} MB allowed",
            "export it with coarser facets",
        )


#: the beginnings of the library's sentences, and ours
_SAID = (
    ("File is not a zip file", "it has no list of its parts"),
    ("Bad magic number", "a part is not where the list says"),
    ("Truncated", "it is cut off"),
    ("Bad CRC", "its check sum is wrong"),
    ("File name in directory", "a part has two names"),
    ("Error -", "the packed bytes are damaged"),
    ("zipfiles that span multiple disks", "it is one of several files that belong together"),
)


def _words(error: Exception) -> str:
    """What is wrong with a package, in words."""
    if isinstance(error, EOFError):
        return "it is cut off"
    said = str(error)
    return next((ours for theirs, ours in _SAID if said.startswith(theirs)), "its bytes are damaged")


#: Elements may be nested this deep; models need eight.
DEEPEST = 100

#: A tag, a comment, an instruction may be this long, bytes; longer ones are read again and again.
LONGEST = 1_000_000


#: what the parser says, in words
_XML_SAFE_SAID = {
    "no element found": "it is empty, or cut off",
    "unclosed token": "it is cut off in a tag",
    "mismatched tag": "a tag ends that is not the last one begun",
    "duplicate attribute": "an attribute stands twice in a tag",
    "junk after document element": "more follows behind its end",
    "unknown encoding": "its encoding is not known",
    "unbound prefix": "a prefix is used and not declared",
    "undefined entity": "an entity is used and not defined",
    "partial character": "it is cut off in a character",
}


def parse_xml(
    chunks: Iterable[bytes],
    shown: str,
    part: str,
    start: Callable[[str, dict[str, str], int], None],
    end: Callable[[str], None],
    namespace: Callable[[str, str], None] = lambda prefix, space: None,
) -> None:
    """Read XML that comes in chunks: ``start(name, attributes, line)`` and ``end(name)`` for each element.

    Names are "namespace local".
    ``namespace(prefix, namespace)`` is called for each prefix before the element that declares it.

    Args:
        chunks: the bytes, in order.   shown: the package's name, for messages.   part: the name of the file
            in it.
        start, end, namespace: called as said above.

    Raises:
        InputError: the text is no XML, or has a DOCTYPE (which alone can bring entities that grow without
            end or that read other files), or nests without measure, or has a tag without end.
    """
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True
    depth = 0

    def place() -> str:
        return f"{part}, line {parser.CurrentLineNumber}"

    def doctype(*_: object) -> None:
        raise InputError(
            shown, place(), "the XML has a DOCTYPE, which may define entities", "XML without one"
        )

    def begin(name: str, attributes: dict[str, str]) -> None:
        nonlocal depth
        depth += 1
        if depth > DEEPEST:
            raise InputError(shown, place(), f"elements are nested more than {DEEPEST} deep", "a model file")
        start(name, attributes, parser.CurrentLineNumber)

    def finish(name: str) -> None:
        nonlocal depth
        depth -= 1
        end(name)

    parser.StartDoctypeDeclHandler = doctype
    parser.EntityDeclHandler = doctype
    parser.StartNamespaceDeclHandler = lambda prefix, space: namespace(prefix or "", space or "")
    parser.StartElementHandler = begin
    parser.EndElementHandler = finish
    try:
        fed = 0
        for chunk in chunks:
            parser.Parse(chunk, False)
            fed += len(chunk)
            # what has not ended yet begins at the parser's place
            if fed - parser.CurrentByteIndex > LONGEST:
                raise InputError(shown, place(), "a tag or comment is longer than 1 MB", "a model file")
        parser.Parse(b"", True)
    except expat.ExpatError as error:
        what = _XML_SAFE_SAID.get(expat.ErrorString(error.code), "a sign stands where none may stand")
        raise InputError(
            shown, f"{part}, line {error.lineno}", f"the XML is broken: {what}", "export the model again"
        ) from None
    except (ValueError, LookupError):
        raise InputError(shown, part, "the XML is in an encoding that is not known", "UTF-8 text") from None


CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"
_MODEL_RELATION = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
_HARMLESS = "http://schemas.microsoft.com/3dmanufacturing/material/"

#: mm in one of each unit of the standard, and the word that a setup has for it
UNITS: dict[str, tuple[float, frozenset[str]]] = {
    "micron": (0.001, frozenset()),
    "millimeter": (1.0, frozenset({"mm"})),
    "centimeter": (10.0, frozenset()),
    "inch": (25.4, frozenset({"inch"})),
    "foot": (304.8, frozenset()),
    "meter": (1000.0, frozenset({"m"})),
}

#: Components may contain components this deep.
NESTED_COMPONENTS = 50

Matrix = NDArray[np.float64]
Name = tuple[str, str]


@changing
class _Object:
    """An object as it stands in the file: a mesh, or components of other objects."""

    place: str
    name: str
    corners: array[float] = field(default_factory=lambda: array("d"))
    facets: array[int] = field(default_factory=lambda: array("q"))
    components: list[tuple[Name, Matrix]] = field(default_factory=list)
    count: int | None = None


@changing
class _Part:
    """What one model part of the package says."""

    path: str
    unit: str = "millimeter"
    objects: dict[str, _Object] = field(default_factory=dict)
    build: list[tuple[Name, Matrix, str]] = field(default_factory=list)


def read_3mf(data: bytes, shown: str, memory: int) -> RawModel:
    """The bodies that a 3MF file builds, each under its object's name, in mm.

    Args:
        data: the whole file.   shown: its name for messages.   memory: bytes that reading may take.

    Raises:
        InputError: the package or its XML is broken, needs what is not read here, or unpacks to more
            triangles than ``memory`` holds.
    """
    package = Package(data, shown, memory // 2)
    root = _read_part(package, _root_part(package, shown), shown, memory)
    parts = {root.path: root}
    most = memory // BYTES_A_TRIANGLE
    if not root.build:
        raise InputError(
            shown, root.path, "its build list is empty: the file places no body", "export the body"
        )
    total = 0
    for name, _, place in root.build:
        total += _count(package, parts, name, shown, place, memory, ())
        if total > most:
            raise InputError(
                shown,
                place,
                f"the file makes more than {most} triangles, which need over {memory / 1e9:.1f} GB",
                "export it with coarser facets",
            )
    scale = UNITS[root.unit][0]
    bodies: list[ModelBody] = []
    for name, T_FO, _ in root.build:
        own = parts[name[0]].objects[name[1]]
        with np.errstate(over="ignore", invalid="ignore"):  # the reader of all models looks at what comes out
            found = _meshes(parts, name, T_FO)
            triangles = np.concatenate(found or [np.zeros((0, 3, 3))]) * scale
        if len(triangles):
            bodies.append(ModelBody(own.name, triangles))
    if not bodies:
        raise InputError(shown, root.path, "the file has no facets", "export the solid body")
    return RawModel(tuple(bodies), UNITS[root.unit][1], root.unit)


def _root_part(package: Package, shown: str) -> str:
    """The path of the model part that the package begins with."""
    found: list[str] = []

    def start(name: str, attributes: dict[str, str], _line: int) -> None:
        if name.endswith(" Relationship") and attributes.get("Type") == _MODEL_RELATION:
            found.append(attributes.get("Target", ""))

    if not package.has("_rels/.rels"):
        raise InputError(shown, "", "this is a ZIP package, but no 3MF model", "a model as STL, 3MF or STEP")
    parse_xml(package.chunks("_rels/.rels"), shown, "_rels/.rels", start, lambda name: None)
    if not found:
        raise InputError(shown, "_rels/.rels", "the package names no 3D model", "a model as STL, 3MF or STEP")
    return _path(found[0])


def _path(path: str) -> str:
    return normpath("/" + path.lstrip("/"))


def _read_part(package: Package, path: str, shown: str, memory: int) -> _Part:
    """One model part."""
    part = _Part(path)
    _PartReader(part, shown, memory).run(package.chunks(path))
    return part


class _PartReader:
    """Turns the events of one model part's XML into its objects and its build list."""

    def __init__(self, part: _Part, shown: str, memory: int) -> None:
        self._part = part
        self._shown = shown
        self._most = memory // BYTES_A_TRIANGLE
        self._line = 0
        self._object: _Object | None = None
        self._facets = 0
        self._seen_model = False
        self._prefixes: dict[str, str] = {}
        self._starts = {
            f"{CORE} model": self._model,
            f"{CORE} object": self._begin_object,
            f"{CORE} vertex": self._vertex,
            f"{CORE} triangle": self._triangle,
            f"{CORE} component": self._component,
            f"{CORE} item": self._item,
        }

    def run(self, chunks: Iterable[bytes]) -> None:
        parse_xml(chunks, self._shown, self._part.path, self._start, self._end, self._prefixes.__setitem__)
        if not self._seen_model:
            raise self._error("there is no 3MF model in this part", "a 3MF core model")

    def _start(self, name: str, attributes: dict[str, str], line: int) -> None:
        handler = self._starts.get(name)
        if handler is not None:
            self._line = line
            handler(attributes)

    def _end(self, name: str) -> None:
        if name == f"{CORE} object":
            self._object = None

    def _model(self, attributes: dict[str, str]) -> None:
        self._seen_model = True
        self._part.unit = attributes.get("unit", "millimeter")
        if self._part.unit not in UNITS:
            raise self._error(f'unit="{self._part.unit}"', f"one of {', '.join(UNITS)}")
        for prefix in attributes.get("requiredextensions", "").split():
            space = self._prefixes.get(prefix, "")
            if space != PRODUCTION and not space.startswith(_HARMLESS):
                raise self._error(
                    f'the file requires the extension "{prefix}" ({space or "of no namespace"})',
                    "a file of plain meshes; export it without lattices, slices or volumes",
                )

    def _begin_object(self, attributes: dict[str, str]) -> None:
        identity = self._wanted(attributes, "id")
        if identity in self._part.objects:
            raise self._error(f"a second object has the id {identity}", "ids that differ")
        self._object = _Object(f"{self._part.path}, line {self._line}", attributes.get("name", ""))
        self._part.objects[identity] = self._object

    def _vertex(self, attributes: dict[str, str]) -> None:
        if self._object is None:
            raise self._error("a vertex stands outside any object", "")
        for axis in "xyz":
            self._object.corners.append(self._number(self._wanted(attributes, axis)))

    def _triangle(self, attributes: dict[str, str]) -> None:
        if self._object is None:
            raise self._error("a triangle stands outside any object", "")
        self._facets += 1
        if self._facets > self._most:
            raise self._error(f"more than {self._most} triangles", "coarser facets")
        last = len(self._object.corners) // 3
        for corner in ("v1", "v2", "v3"):
            text = self._wanted(attributes, corner)
            index = int(text) if text.isascii() and text.strip().isdigit() and len(text) < 20 else -1
            if not 0 <= index < last:
                raise self._error(f'{corner}="{text[:30]}"', f"the number of one of its {last} vertices")
            self._object.facets.append(index)

    def _component(self, attributes: dict[str, str]) -> None:
        if self._object is None:
            raise self._error("a component stands outside any object", "")
        self._object.components.append((self._target(attributes), self._transform(attributes)))

    def _item(self, attributes: dict[str, str]) -> None:
        place = f"{self._part.path}, line {self._line}"
        self._part.build.append((self._target(attributes), self._transform(attributes), place))

    def _target(self, attributes: dict[str, str]) -> Name:
        path = attributes.get(f"{PRODUCTION} path")
        return (self._part.path if path is None else _path(path), self._wanted(attributes, "objectid"))

    def _transform(self, attributes: dict[str, str]) -> Matrix:
        """The (4, 4) matrix of a transform, for columns; the file writes its transpose row by row."""
        text = attributes.get("transform")
        if text is None:
            return np.eye(4)
        words = text.split()
        if len(words) != 12:
            raise self._error(f"a transform of {len(words)} numbers", "12 numbers")
        T = np.eye(4)
        T[:3, :] = np.array([self._number(word) for word in words]).reshape(4, 3).T
        return T

    def _number(self, text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = np.nan
        if not abs(value) < 1e30 or "_" in text:
            raise self._error(f'the number "{text[:30]}"', "a finite decimal number")
        return value

    def _wanted(self, attributes: dict[str, str], key: str) -> str:
        if key not in attributes:
            raise self._error(f'the attribute "{key}" is missing', "")
        return attributes[key]

    def _error(self, found: str, want: str) -> InputError:
        return InputError(self._shown, f"{self._part.path}, line {self._line}", found, want)


def _count(
    package: Package,
    parts: dict[str, _Part],
    name: Name,
    shown: str,
    place: str,
    memory: int,
    above: tuple[Name, ...],
) -> int:
    """How many triangles an object makes with all its components; reads the parts that it names."""
    path, identity = name
    if path not in parts:
        parts[path] = _read_part(package, path, shown, memory)
    own = parts[path].objects.get(identity)
    if own is None:
        raise InputError(shown, place, f"object {identity[:30]} is used, but {path} has no such object", "")
    if name in above:
        raise InputError(shown, own.place, f"object {identity} contains itself", "objects in a tree")
    if len(above) >= NESTED_COMPONENTS:
        raise InputError(shown, own.place, f"components nest more than {NESTED_COMPONENTS} deep", "")
    if own.count is None:
        own.count = len(own.facets) // 3
        for inner, _ in own.components:
            own.count += _count(package, parts, inner, shown, own.place, memory, (*above, name))
    return own.count


def _meshes(parts: dict[str, _Part], name: Name, T_FO: Matrix) -> list[NDArray[np.float64]]:
    """The triangles of an object and its components, in the build's frame F and the file's unit."""
    own = parts[name[0]].objects[name[1]]
    found = []
    if own.facets:
        corners = np.frombuffer(own.corners, dtype=np.float64).reshape(-1, 3)
        placed = corners @ T_FO[:3, :3].T + T_FO[:3, 3]
        found.append(placed[np.frombuffer(own.facets, dtype=np.int64).reshape(-1, 3)])
    for inner, T_OI in own.components:
        if parts[inner[0]].objects[inner[1]].count:
            found += _meshes(parts, inner, T_FO @ T_OI)
    return found
