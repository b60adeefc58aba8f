"""Astronomy Visualization Metadata (AVM) 1.2 of a picture.

AVM (Hurt, Christensen, Gauthier 2011, IAU Commission 55) is a schema of XMP: which light became
which colour, when it was taken, and where on the sky the picture lies. Its lists have an item for
each band, a dash where nothing is known. Reference pixels count as in FITS: from 1, upward.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

if TYPE_CHECKING:
    from astropy.wcs import WCS

NAMESPACE = "http://www.communicatingastronomy.org/avm/1.0/"
_COLOURS = {"red": "Red", "green": "Green", "blue": "Blue", "luminance": "Luminosity"}
_OPTICAL_NM = (380.0, 750.0)
_FRAMES = {"ICRS": "ICRS", "FK5": "FK5", "FK4": "FK4"}
_SQUARE = 1e-4


@dataclass(frozen=True)
class Band:
    """One channel in one colour of a picture.

    Attributes
    ----------
    channel : str
        Name of the channel.
    colour : str
        ``red``, ``green``, ``blue``, ``luminance`` or ``grey``.
    wavelength_nm : float
        Central wavelength; NaN if unknown.
    begin_utc : str
        Start of the first exposure; empty if unknown.
    exposure_s : float
        Total exposure.
    telescope, camera : str
        Empty if unknown.
    """

    channel: str
    colour: str
    wavelength_nm: float = math.nan
    begin_utc: str = ""
    exposure_s: float = 0.0
    telescope: str = ""
    camera: str = ""


def bands_of(inputs: Sequence[Mapping[str, Any]], colours: int) -> tuple[Band, ...]:
    """Return the bands of a picture, in the order red, green, blue, luminance.

    Parameters
    ----------
    inputs : sequence of mapping
        Rows of ``INPUTS`` of the linear image.
    colours : int
        Number of planes of the linear image; with one the picture is grey.
    """
    bands = [
        Band(
            row["channel"],
            "grey" if colours == 1 else colour,
            float(row["wavelength_nm"]),
            row["begin_utc"],
            float(row["exposure_s"]),
            row["telescope"],
            row["camera"],
        )
        for row in inputs
        for colour in row["colours"].split()
    ]
    order = [*_COLOURS, "grey"]
    return tuple(sorted(bands, key=lambda band: order.index(band.colour)))


def avm_elements(bands: Sequence[Band], wcs: "WCS | None", shape: tuple[int, int]) -> str:
    """Return the elements of an XMP description.

    Parameters
    ----------
    bands : sequence of Band
    wcs : astropy.wcs.WCS or None
        Of the picture's pixels, 0-based with row 0 at the bottom. AVM holds its linear part alone.
    shape : tuple of int
        ``(ny, nx)`` of the picture.

    Returns
    -------
    str
        XML in the namespace ``avm``, to be declared as `NAMESPACE`.
    """
    parts = [_text("MetadataVersion", "1.2"), _text("Type", "Observation")]
    parts.append(_text("Image.ProductQuality", "Good"))
    if bands:
        parts += _spectral(bands)
    if wcs is not None:
        parts += _spatial(wcs, shape)
    return "\n".join(parts)


def _spectral(bands: Sequence[Band]) -> list[str]:
    def each(told: Callable[[Band], str]) -> list[str]:
        return [told(band) or "-" for band in bands]

    return [
        _sequence("Facility", each(lambda band: band.telescope)),
        _sequence("Instrument", each(lambda band: band.camera)),
        _sequence("Spectral.Band", each(_band_name)),
        _sequence("Spectral.Bandpass", each(lambda band: band.channel)),
        _sequence("Spectral.CentralWavelength", each(lambda band: _number(band.wavelength_nm))),
        _sequence("Spectral.ColorAssignment", each(_assigned)),
        _sequence("Temporal.StartTime", each(lambda band: band.begin_utc)),
        _sequence("Temporal.IntegrationTime", each(lambda band: _number(band.exposure_s or None))),
    ]


def _band_name(band: Band) -> str:
    if not band.wavelength_nm > 0:
        return ""
    shortest, longest = _OPTICAL_NM
    if band.wavelength_nm < shortest:
        return "Ultraviolet"
    return "Optical" if band.wavelength_nm <= longest else "Infrared"


def _assigned(band: Band) -> str:
    return _COLOURS.get(band.colour, "Grayscale")


def _spatial(wcs: "WCS", shape: tuple[int, int]) -> list[str]:
    matrix = wcs.pixel_scale_matrix
    parts = [
        _text("Spatial.CoordinateFrame", _FRAMES.get(str(wcs.wcs.radesys), "ICRS")),
        _text("Spatial.Equinox", "2000.0"),
        _sequence("Spatial.ReferenceValue", [_number(value) for value in wcs.wcs.crval]),
        _sequence("Spatial.ReferenceDimension", [str(shape[1]), str(shape[0])]),
        _sequence("Spatial.ReferencePixel", [_number(value) for value in wcs.wcs.crpix]),
        _text("Spatial.CoordsystemProjection", str(wcs.wcs.ctype[0])[5:8]),
        _text("Spatial.Quality", "Full"),
    ]
    scale = math.sqrt(abs(matrix[0, 0] * matrix[1, 1] - matrix[0, 1] * matrix[1, 0]))
    # CROTA2 as in Calabretta & Greisen (2002), A&A 395, 1077, equation 189.
    rotation = math.atan2(-matrix[0, 1] - matrix[1, 0], matrix[1, 1] - matrix[0, 0])
    cosine, sine = math.cos(rotation), math.sin(rotation)
    turned = [[-cosine, -sine], [-sine, cosine]]
    worst = max(abs(matrix[i, j] / scale - turned[i][j]) for i in (0, 1) for j in (0, 1))
    if worst < _SQUARE:
        parts.append(_sequence("Spatial.Scale", [_number(-scale), _number(scale)]))
        parts.append(_text("Spatial.Rotation", _number(math.degrees(rotation))))
    else:  # mirrored: what the standard calls deprecated is the only way to say so
        parts.append(_sequence("Spatial.CDMatrix", [_number(v) for v in matrix.ravel()]))
    if wcs.sip is not None:
        parts.append(
            _text("Spatial.Notes", "linear part; the linear FITS image has the distortion")
        )
    return parts


def _number(value: float | None) -> str:
    return "" if value is None or not math.isfinite(value) else f"{float(value):.12g}"


def _text(name: str, text: str) -> str:
    return f"<avm:{name}>{escape(text)}</avm:{name}>"


def _sequence(name: str, items: Sequence[str]) -> str:
    rows = "".join(f"<rdf:li>{escape(item)}</rdf:li>" for item in items)
    return f"<avm:{name}><rdf:Seq>{rows}</rdf:Seq></avm:{name}>"
