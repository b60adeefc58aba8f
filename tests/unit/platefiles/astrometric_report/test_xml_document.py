from xml.etree.ElementTree import tostring

import drawn_reports
import pytest

from platefiles.astrometric_report.xml_document import read_xml, xml_text
from platefiles.core.errors import UserError


def test_what_is_written_is_read():
    """A document with marks of XML and letters of any alphabet comes back from its text."""
    document = drawn_reports.drawn_document(remarks="a < b & c > d, Ångström")
    text = xml_text(document)
    assert text.startswith(
        '<?xml version="1.0" encoding="UTF-8"?>\n<ades version="2022">\n  <obsBlock>'
    )
    again = read_xml(text.encode())
    for element in again.iter():
        if len(element):
            element.text = None
        element.tail = None
    assert tostring(again) == tostring(document)


def test_declared_types_and_damage_are_refused():
    """Documents with a document type, and text that is no XML, are refused in a sentence."""
    bomb = b'<!DOCTYPE ades [<!ENTITY a "aaaa">]><ades version="2022">&a;</ades>'
    with pytest.raises(UserError, match="declares a document type"):
        read_xml(bomb)
    with pytest.raises(UserError, match="is no XML"):
        read_xml(b"<ades><obsBlock></ades>")


def test_control_characters_are_refused():
    """A text with control characters, which XML cannot hold, is refused."""
    with pytest.raises(UserError, match="control characters"):
        xml_text(drawn_reports.drawn_document(remarks="a\x07b"))
