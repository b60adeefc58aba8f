"""ADES documents as XML."""

import re
from xml.etree.ElementTree import Element, ParseError, XMLParser, fromstring, indent, tostring

from platefiles.core.errors import UserError

_DECLARED_TYPE = re.compile(rb"<!DOCTYPE|<!ENTITY", re.IGNORECASE)
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")


def xml_text(document: Element) -> str:
    """Return a document as XML, indented, with its declaration.

    Raises
    ------
    UserError
        A value has control characters, which XML cannot hold.
    """
    text = "".join(document.itertext())
    if _CONTROL.search(text):
        msg = "The report has control characters in one of its texts; remove them."
        raise UserError(msg)
    copy = fromstring(tostring(document, encoding="unicode"))
    indent(copy, "  ")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + tostring(copy, encoding="unicode") + "\n"


def read_xml(data: bytes) -> Element:
    """Return the root of an XML document.

    Raises
    ------
    UserError
        It is no XML, or declares a document type, which ADES has not.
    """
    if _DECLARED_TYPE.search(data):
        msg = "The report declares a document type; ADES has none."
        raise UserError(msg)
    try:
        return fromstring(data, XMLParser())
    except (ParseError, LookupError, ValueError) as error:
        msg = f"The report is no XML: {error}."
        raise UserError(msg) from error
