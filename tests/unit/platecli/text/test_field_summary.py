import math

import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.wcs import WCS
from astropy.wcs.utils import proj_plane_pixel_scales

from platecli.text.field_summary import field_lines, limits, place, turn
from platefiles.fits.products_io import write_product
from platefiles.photometry.depth_table import CHANNEL_COLUMNS, depth_hdus
from platefiles.sources.source_tables import SOURCE_COLUMNS, sources_hdus

NAN = math.nan
CARDS = {
    "PLACED": True,
    "PIXSCALE": 2.32,
    "NORTHANG": -12.4,
    "MIRRORED": False,
    "GRIDNX": 1578,
    "GRIDNY": 1190,
    "CRVAL1": 158.6,
    "CRVAL2": -0.25,
}


def product(folder, name, cards=(), hdus=()):
    """Write a product into the folder of the field."""
    write_product(folder / "field" / f"{name}.fits", cards, list(hdus))


def channel(name, limit, zero_point):
    """Give a row of the table of depths."""
    row = dict.fromkeys(CHANNEL_COLUMNS, NAN)
    row |= {"channel": name, "limit_mag": limit, "zero_point_mag": zero_point, "note": ""}
    return row | {"calibrated": True, "subs": 5}


def sources(kinds, objects, stars):
    """Give the tables of a few sources."""
    count = len(kinds)
    texts = {"kind": kinds, "object": objects, "object_kind": [""] * count, "star": stars}
    columns = {
        name: np.array(texts[name], dtype="U20") if name in texts else np.zeros(count)
        for name in SOURCE_COLUMNS
    }
    return sources_hdus(columns, [])


def test_a_whole_field_in_four_lines(tmp_path):
    """Place, depth of each channel, counts of sources and the annotated picture, a line each."""
    product(tmp_path, "solution", CARDS.items())
    rows = [channel("g", 19.349, 22.0), channel("b", 19.88, 22.0), channel("ha", -3.1, NAN)]
    product(tmp_path, "depth", (), depth_hdus({"CHANNELS": [*rows, channel("s", NAN, NAN)]}))
    hdus = sources(["star", "extended", "star"], ["", "NGC 1", ""], ["TYC 1", "", ""])
    product(tmp_path, "sources", (), hdus)
    (tmp_path / "field" / "annotated.png").touch()
    assert field_lines("demo", tmp_path) == [
        "  field: 10h34m24s -0°15'00\", 61 x 46 arcmin, 2.32 arcsec/px, north 12 deg left of up",
        "  depth: g 19.35, b 19.88 mag (star of 5 sigma); ha no zero point, s no limit",
        "  sources: 3, 1 of them extended, 2 in catalogues",
        f"  annotated picture: {tmp_path}/field/annotated.png",
    ]


def test_what_is_missing_comes_with_the_command(tmp_path):
    """After a run to the picture there is a place alone, and the way to the rest."""
    product(tmp_path, "solution", CARDS.items())
    lines = field_lines("demo", tmp_path)
    assert lines[0].startswith("  field: 10h34m24s")
    assert lines[1:] == [
        "  depth, sources: not measured yet; `python3 scripts/platelog.py run demo --to all` "
        "measures them"
    ]


def test_products_of_an_earlier_run_are_not_told(tmp_path):
    """Depth and sources that were made by other settings or subs count as missing."""
    product(tmp_path, "solution", CARDS.items())
    product(tmp_path, "depth", (), depth_hdus({"CHANNELS": [channel("g", 19.3, 22.0)]}))
    product(tmp_path, "sources", (), sources(["star"], [""], [""]))
    (tmp_path / "field" / "annotated.png").touch()
    lines = field_lines("demo", tmp_path, ["depth.fits", "annotated.png"])
    assert [line.split(":")[0].strip() for line in lines] == ["field", "sources", "depth"]


def test_a_refused_field_says_why(tmp_path):
    """The reason stands in the place of the coordinates; a drawing without them is not named."""
    why = "Tycho-2 has about 1 stars in a field of this size" * 3
    product(tmp_path, "solution", [("NOTPLACE", f"the field has no astrometric solution: {why}")])
    product(tmp_path, "sources", (), sources(["star"], [""], [""]))
    (tmp_path / "field" / "annotated.png").touch()
    field, counts, _ = field_lines("x", tmp_path)
    assert field == f"  field: the field has no astrometric solution: {why}"
    assert counts == "  sources: 1, 0 of them extended, 0 in catalogues"


def test_no_sources_say_why(tmp_path):
    """Where sources could not be looked for, the note of the product is told."""
    product(tmp_path, "sources", [("SRCNOTE", "there is too little empty sky")])
    lines = field_lines("x", tmp_path)
    assert lines[0] == "  sources: none: there is too little empty sky"


def test_no_folder_and_damaged_products(tmp_path):
    """Channels alone say nothing of a field; what cannot be read counts as missing."""
    assert field_lines("x", tmp_path) == []
    (tmp_path / "field").mkdir()
    for name in ("solution", "depth", "sources"):
        (tmp_path / "field" / f"{name}.fits").write_bytes(b"SIMPLE  = nothing")
    (line,) = field_lines("x", tmp_path)
    assert line.startswith("  field, depth, sources: not measured yet")


@pytest.mark.parametrize(
    ("angle", "words"),
    [
        (0.3, "north up"),
        (-179.7, "north down"),
        (12.0, "north 12 deg right of up"),
        (348.0, "north 12 deg left of up"),
        (-90.0, "north 90 deg left of up"),
    ],
)
def test_turn_in_words(angle, words):
    """North is told from up, the shorter way round."""
    assert turn(angle) == words


def test_limits_without_any_zero_point():
    """No magnitude is told where the zero point is unknown."""
    assert limits([channel("lum", -7.2, NAN)]) == "lum no zero point"


def test_limits_that_could_not_be_measured_say_why():
    """The note of a channel without a limit is told."""
    row = channel("lum", NAN, 22.0) | {"note": "only 20 circles find room"}
    assert limits([row]) == "lum only 20 circles find room"


@pytest.mark.parametrize(("ra", "dec"), [(158.6, -0.25), (0.004, 89.5), (359.9999, -65.25)])
def test_place_agrees_with_astropy(ra, dec):
    """Position and size are those that astropy's coordinates and WCS give for the same cards."""
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval, wcs.wcs.crpix = [ra, dec], [789.5, 595.5]
    wcs.wcs.cdelt = [-2.32 / 3600, 2.32 / 3600]
    scales = proj_plane_pixel_scales(wcs) * 60
    cards = CARDS | {"CRVAL1": ra, "CRVAL2": dec, "NORTHANG": 0.0, "MIRRORED": True}
    position, size, scale, up, mirrored = place(cards).split(", ")
    text = position.replace("°", "d").replace("'", "m").replace('"', "s")
    told = SkyCoord(*text.split(), frame="icrs")
    assert told.separation(SkyCoord(ra, dec, unit="deg")).arcsec < 8
    assert size == f"{1578 * scales[0]:.3g} x {1190 * scales[1]:.3g} arcmin"
    assert (scale, up, mirrored) == ("2.32 arcsec/px", "north up", "mirrored")


def test_wide_fields_are_told_in_degrees():
    """A lens of 60 arc seconds a pixel covers degrees."""
    assert "26.3 x 19.8 deg, 60 arcsec/px" in place(CARDS | {"PIXSCALE": 60.0})
