"""XML text goes in; start and end events come out. Document types and entities are refused, unread."""

from __future__ import annotations

from collections.abc import Callable
from xml.parsers import expat

from clearance.errors import InputError

#: Elements may be nested this deep; models need eight.
DEEPEST = 100


def parse_xml(
    data: bytes,
    shown: str,
    part: str,
    start: Callable[[str, dict[str, str], int], None],
    end: Callable[[str], None],
    namespace: Callable[[str, str], None] = lambda prefix, space: None,
) -> None:
    """Call ``start(name, attributes, line)`` and ``end(name)`` for each element; names are "namespace local".

    ``namespace(prefix, namespace)`` is called for each prefix before the element that declares it.

    Raises:
        InputError: the text is no XML, or has a DOCTYPE (which alone can bring entities that grow without
            end or that read other files), or nests without measure.
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
        parser.Parse(data, True)
    except expat.ExpatError as error:
        what = expat.ErrorString(error.code)
        raise InputError(
            shown, f"{part}, line {error.lineno}", f"the XML is broken: {what}", "export the model again"
        ) from None
    except (ValueError, LookupError) as error:
        raise InputError(shown, part, f"the XML cannot be read: {error}", "UTF-8 text") from None
