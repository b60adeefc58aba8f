"""Drawn observations and headers of reports that tests share."""

from dataclasses import replace

from platefiles.astrometric_report.document import document_of
from platefiles.astrometric_report.observations import Observation, ReportHeader, Telescope

HEADER = ReportHeader(
    station="Z99",
    observers=("A. N. Observer", "B. Observer"),
    telescope=Telescope("Newtonian", 0.2, "CMOS", focal_ratio=4.0, pixel_scale=0.81),
    observatory="Drawn Hill",
    software=(("astrometry", "plates solved against Gaia DR3"),),
    comment=("Drawn for tests.",),
)
OBSERVATION = Observation(
    utc_jd=2459017.512345,
    ra_deg=347.1561234567,
    dec_deg=-17.32340649,
    rms_ra=0.213,
    rms_dec=0.18,
    ast_cat="Gaia3",
    mode="CMO",
    track="P0001",
    magnitude=17.234,
    rms_magnitude=0.062,
    band="G",
    phot_cat="Gaia3",
    exposure_s=120,
    rate=0.33,
    snr=18,
)


def drawn_document(**changes):
    """Return the document of one observation, with changes."""
    return document_of(HEADER, [replace(OBSERVATION, **changes)])


def with_value(name, text):
    """Return a document whose observation has another text in one element, added if need be."""
    document = drawn_document(permanent="1" if name == "permID" else "")
    optical = document.find(".//optical")
    found = optical.find(name)
    if found is None:
        found = optical.makeelement(name, {})
        optical.insert(0, found)
    found.text = text
    return document
