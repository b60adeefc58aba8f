"""Reports: refused without station and observer, checked against the schema, never sent."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from xml.etree.ElementTree import Element

from platefiles.astrometric_report.document import document_of
from platefiles.astrometric_report.observations import Observation, ReportHeader
from platefiles.astrometric_report.psv import psv_text, read_psv
from platefiles.astrometric_report.validation import problems
from platefiles.astrometric_report.xml_document import read_xml, xml_text
from platefiles.core.errors import UserError

BEFORE_SENDING = """\
These files are a draft of a report in ADES, version 2022. Nothing has been sent, to nobody.

Before you send a report to the Minor Planet Center:
1. Look at each track in the crops and in blink: a moving point in every sub, no ghost, no
   reflection, no row of noise peaks.
2. See each new object on two nights before you report it. One night may be a satellite or chance.
3. Check known objects again with a fresh file of elements, and with the checker of known objects on
   the Minor Planet Center's pages. The designations here come from your file alone.
4. Check the clock of the camera. An error of 1 s is 0.02 arcsec at 1 arcsec/min, and 1 arcsec at
   1 arcsec/s. Times are the middle of the exposures.
5. Check station code, observers, telescope, catalogue and band. They are yours to know.
6. Remove tracks that you are not sure of: both files are plain text.
"""


@dataclass(frozen=True)
class Report:
    """A report: the same observations as XML and as PSV."""

    xml: str
    psv: str


def make_report(header: ReportHeader, observations: Sequence[Observation]) -> Report:
    """Make a report of observations.

    Parameters
    ----------
    header : ReportHeader
    observations : sequence of Observation
        One at least, in the order in which they are reported.

    Returns
    -------
    Report
        Valid against the submission schema.

    Raises
    ------
    UserError
        Station, observer or telescope is missing, or a value does not go into a report: one
        sentence says which, and what to do.
    """
    missing = refusal(header)
    if missing:
        raise UserError(missing)
    if not observations:
        msg = "There is no report, because there are no observations to report."
        raise UserError(msg)
    document = document_of(header, observations)
    found = problems(document)
    if found:
        msg = f"There is no report, because it would not be valid: {found[0]}"
        raise UserError(msg)
    return Report(xml_text(document), psv_text(document))


def refusal(header: ReportHeader) -> str:
    """Return a sentence on what a report cannot do without, '' if nothing is missing."""
    if not header.station.strip():
        return (
            "There is no report, because the station code is missing: give the observatory code "
            "that the Minor Planet Center assigned to your site, or ask it for one."
        )
    if not any(one.strip() for one in header.observers):
        return (
            "There is no report, because the observer is missing: give at least one name, such as "
            "'A. N. Observer'."
        )
    one = header.telescope
    if one is None or not (one.design.strip() and one.detector.strip() and one.aperture_m > 0):
        return (
            "There is no report, because the telescope is incomplete: give its design, aperture "
            "in metres and detector."
        )
    return ""


def report_problems(path: str | Path) -> list[str]:
    """Return what is wrong with a report in a file, XML or PSV; empty for a valid one.

    Raises
    ------
    UserError
        The file cannot be read.
    """
    path = Path(path)
    try:
        data = path.read_bytes()
    except OSError as error:
        msg = f"{path}: the report cannot be read: {error.strerror or error}."
        raise UserError(msg) from error
    try:
        return problems(_parsed(data))
    except UserError as error:
        return [str(error)]


def _parsed(data: bytes) -> Element:
    """Return the root of a document: XML if it begins with '<', in any encoding, else PSV."""
    if data.lstrip(b"\xef\xbb\xbf\xff\xfe\x00 \t\r\n")[:1] == b"<":
        return read_xml(data)
    try:
        return read_psv(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        msg = "The report is neither XML nor PSV in UTF-8."
        raise UserError(msg) from error
