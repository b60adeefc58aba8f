"""Check ADES documents against the submission schema, version 2022.

Follows the published schema element by element: names, order, numbers, types and values. One check
is stricter: the time 24:00:00 is refused.
"""

from collections.abc import Iterator
from xml.etree.ElementTree import Element

from platefiles.astrometric_report import structure
from platefiles.astrometric_report.values import CONTEXT_VALUES, OBSERVATION_VALUES, Value


def problems(document: Element) -> list[str]:
    """Return what an ADES document must not have, or lacks; empty for a valid one.

    Parameters
    ----------
    document : xml.etree.ElementTree.Element
        The root, as `xml_document.read_xml` and `psv.read_psv` make it.

    Returns
    -------
    list of str
        One sentence each, with the number of the observation, from 1.
    """
    return list(_document(document))


def _document(document: Element) -> Iterator[str]:
    if document.tag != "ades":
        yield f"The outermost element is {document.tag}, not ades."
        return
    if document.get("version") != structure.VERSION:
        yield f"The version is {document.get('version')}, not {structure.VERSION}."
    extra = set(document.keys()) - {"version"}
    if extra:
        yield f"The element ades has attributes that it must not have: {', '.join(sorted(extra))}."
    yield from _stray_text(document, "ades")
    if not len(document):
        yield "There is no obsBlock."
    for child in document:
        if child.tag == "obsBlock":
            yield from _block(child)
        else:
            yield f"Within ades, {child.tag} is not allowed; observations stand in an obsBlock."


def _block(block: Element) -> Iterator[str]:
    yield from _plain(block)
    tags = [child.tag for child in block]
    if tags != ["obsContext", "obsData"]:
        yield f"An obsBlock has obsContext and obsData, in this order, not: {', '.join(tags)}."
        return
    yield from _context(block[0])
    yield from _data(block[1])


def _context(context: Element) -> Iterator[str]:
    yield from _plain(context)
    tags = [child.tag for child in context]
    yield from (
        f"The header has no {tag}." for tag in structure.CONTEXT_REQUIRED if tag not in tags
    )
    for tag in sorted({tag for tag in tags if tags.count(tag) > 1}):
        yield f"The header has {tag} more than once."
    for child in context:
        if child.tag in CONTEXT_VALUES:
            yield from _context_part(child)
        else:
            yield f"The header must not have {child.tag}."


def _context_part(part: Element) -> Iterator[str]:
    allowed = CONTEXT_VALUES[part.tag]
    if "" in allowed:
        yield from _value(part, allowed[""], f"Header: {part.tag}")
        return
    yield from _plain(part)
    tags = [child.tag for child in part]
    for tag in structure.REQUIRED.get(part.tag, tuple(allowed)):
        if tag not in tags:
            yield f"Header: {part.tag} has no {tag}."
    for child in part:
        if child.tag not in allowed:
            yield f"Header: {part.tag} must not have {child.tag}."
        elif part.tag in structure.ORDER_FREE and tags.count(child.tag) > 1:
            yield f"Header: {part.tag} has {child.tag} more than once."
        else:
            yield from _value(child, allowed[child.tag], f"Header: {part.tag}, {child.tag}")


def _data(data: Element) -> Iterator[str]:
    yield from _plain(data)
    kinds = sorted({child.tag for child in data})
    if not kinds:
        yield "There are no observations."
    if len(kinds) > 1:
        yield f"Observations of different kinds ({', '.join(kinds)}) need a block each."
    for number, child in enumerate(data, 1):
        if child.tag not in structure.OBSERVATIONS:
            yield f"Observation {number}: {child.tag} is no kind of observation."
            continue
        yield from _plain(child)
        wrong = structure.fault(child.tag, [one.tag for one in child])
        if wrong:
            yield f"Observation {number}: {wrong}."
        for one in child:
            if one.tag in OBSERVATION_VALUES:
                yield from _value(
                    one, OBSERVATION_VALUES[one.tag], f"Observation {number}: {one.tag}"
                )


def _value(element: Element, value: Value, where: str) -> Iterator[str]:
    if len(element):
        yield f"{where} must not contain {element[0].tag}."
    if element.keys():
        yield f"{where} must not have attributes."
    text = element.text or ""
    if not value.allows(text):
        yield f"{where} is {text!r}, not {value.description}."


def _plain(element: Element) -> Iterator[str]:
    """Yield a problem if an element that only contains others has text or attributes."""
    if element.keys():
        yield f"The element {element.tag} must not have attributes."
    yield from _stray_text(element, element.tag)


def _stray_text(element: Element, name: str) -> Iterator[str]:
    texts = [element.text, *(child.tail for child in element)]
    stray = "".join(one for one in texts if one and one.strip())
    if stray:
        yield f"The element {name} has text of its own: {stray.strip()[:40]!r}."
