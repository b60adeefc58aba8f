"""Keywords of raw frames that are read: one tuple of synonyms a fact, the preferred one first.

FITS fixes few of them. The dialects and where they are documented:

- the FITS standard 4.0: XPOSURE, DATE-BEG, OBSGEO-B and their like;
- the keyword dictionary of the NOAO mosaic camera: BIASSEC, TRIMSEC, DATASEC, BSECnn, PIXSCALE;
- SBFITSEXT 1.0, the agreement of makers of small CCD cameras: COLORCCD, CCD-TEMP, XPIXSZ, EGAIN;
- the keyword list of WCSTools: SECPIX, SECPIX1;
- the data handbooks of the Hubble Space Telescope: FILTER1, FILTER2, FILTNAM1, FILTNAM2;
- the HIERARCH convention of the ESO: ``HIERARCH ESO INS FILT1 NAME``;
- the headers of the MicroObservatory telescopes: IM_SCALE, CAMTEMP in kelvin.

The others are in common use, without a source.
"""

import re

TYPE = ("IMAGETYP", "IMGTYPE", "FRAMETYP", "OBSTYPE", "FRAME")
EXPOSURE = ("EXPTIME", "EXPOSURE", "EXP_TIME", "EXP-TIME", "XPOSURE")
FILTER = ("FILTER", "FILTNAME", "FILTNAM")
FILTER_WHEELS = ("FILTNAM1", "FILTNAM2", "FILTER1", "FILTER2", "FILTER3")
"""Filters of wheels that stand in a row: all but one of them are open."""
OTHER_FILTER = ("FILT", "FILTERID")
GAIN = ("GAIN",)
EGAIN = ("EGAIN",)
OFFSET = ("OFFSET", "BLKLEVEL", "BLACKLVL")
TEMPERATURE = (
    "CCD-TEMP", "CCDTEMP", "CCD_TEMP", "DET-TEMP", "DETTEMP", "CAMTEMP", "SET-TEMP", "SETTEMP",
)  # fmt: skip
BIN_X = ("XBINNING", "XBIN")
BIN_Y = ("YBINNING", "YBIN")
BINNING = ("BINNING", "CCDSUM")
DATE = ("DATE-OBS", "DATE_OBS", "DATE-BEG", "UTDATE")
TIME = (
    "TIME-OBS", "TIME_OBS", "TIME-BEG", "UTCSTART", "UTSTART", "UTC-OBS", "UT-OBS", "UT-TIME",
    "UT", "UTC",
)  # fmt: skip
MJD = ("MJD-OBS", "MJD-BEG")
CAMERA = ("INSTRUME", "CAMERA", "DETNAME")
TARGET = ("OBJECT",)
UNIT = ("BUNIT",)
PEDESTAL = ("PEDESTAL",)
RA = ("OBJCTRA", "RA")
DEC = ("OBJCTDEC", "DEC")
FOCAL_LENGTH = ("FOCALLEN",)
PIXEL_SIZE = ("XPIXSZ", "PIXSIZE1", "PIXSIZE")
SCALE = ("PIXSCALE", "SECPIX", "IM_SCALE", "PIXSCAL1", "SECPIX1")
LATITUDE = ("SITELAT", "LAT-OBS", "LATITUDE", "OBSGEO-B", "GEOLAT")
LONGITUDE = ("SITELONG", "LONG-OBS", "LONGITUD", "GEOLON")
LONGITUDE_EAST = ("OBSGEO-L",)
COLOUR_PATTERNS = ("BAYERPAT", "COLORTYP", "CFATYPE", "CFAPAT", "CFA", "BAYER")
COLOUR_FLAGS = ("COLORCCD", "CFAIMAGE")
COLOUR_OFFSETS = ("XBAYROFF", "YBAYROFF", "BAYOFFX", "BAYOFFY")
SECTIONS = ("BIASSEC", "TRIMSEC", "DATASEC", "BSEC11", "BSEC12", "BSEC21", "BSEC22")
"""Sections of image and overscan; BSEC11 and its like are those of several amplifiers."""

KEYS: tuple[str, ...] = (
    *TYPE, *EXPOSURE, *FILTER, *FILTER_WHEELS, *OTHER_FILTER, *GAIN, *EGAIN, *OFFSET, *TEMPERATURE,
    *BIN_X, *BIN_Y, *BINNING, *DATE, *TIME, *MJD, *CAMERA, *TARGET, *UNIT, *PEDESTAL,
    *RA, *DEC, *FOCAL_LENGTH, *PIXEL_SIZE, *SCALE, *LATITUDE, *LONGITUDE, *LONGITUDE_EAST, "BITPIX",
    *COLOUR_PATTERNS, *COLOUR_FLAGS, *COLOUR_OFFSETS, *SECTIONS,
)  # fmt: skip
"""Every keyword that `header_fixes` may set."""

COMMENTED = frozenset((*GAIN, *EXPOSURE, *TEMPERATURE, *DATE))
"""Keywords whose comments may tell the unit or the time zone of their values."""

SIGNS_OF_CALIBRATION = ("CTYPE1", "CALSTAT", "FLATCOR")
"""World coordinates, and cards that tell which calibration frames were applied."""

READ: tuple[str, ...] = (
    *KEYS, *(f"/{key}" for key in sorted(COMMENTED)), *SIGNS_OF_CALIBRATION
)  # fmt: skip
"""Every card that a scan keeps; ``/GAIN`` is the comment of GAIN, where that tells something."""

_LONG_FILTER = re.compile(
    r"HIERARCH (?:.*[ ._])?FILT(?:ER|NAM|NAME)?S?\d*(?:[ ._](?P<what>NAME|ID))?"
)


def filters_by_hierarch(cards) -> list[str]:
    """Return the HIERARCH keywords that name a filter, names before numbers.

    Parameters
    ----------
    cards : iterable of str
        Keywords from `platefiles.fits.header_cards.cards_in`.
    """
    found = [key for key in cards if key.startswith("HIERARCH ")]
    matched = {key: _LONG_FILTER.fullmatch(key) for key in found}
    kept = [(match["what"] == "ID", key) for key, match in matched.items() if match]
    return [key for _, key in sorted(kept)]
