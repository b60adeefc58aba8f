import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from astropy.units import Unit

from platefiles.fits.column_units import is_standard, unit_of
from platefiles.fits.products_io import table_hdu, write_product
from platefiles.fits.tables import columns_hdu, read_columns
from platefiles.photometry.depth_table import TABLES as DEPTH
from platefiles.photometry.zero_points import TABLES as ZERO_POINTS
from platefiles.registration.registration_table import COLUMNS as TRANSFORMS
from platefiles.sources.source_tables import OBJECT_COLUMNS, SOURCE_COLUMNS

WITHOUT = ("factor", "weight", "snr", "note", "channel", "stars", "ellipticity", "airmass")


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("fwhm_px", "pix"),
        ("sky_mag_arcsec2", "mag/arcsec2"),
        ("hours_for_02_mag", "h"),
        ("surface_limit_mag", "mag/arcsec2"),
        ("mag_V", "mag"),
        ("middle_mjd", "d"),
        ("flux", "electron/s"),
        *((name, "") for name in WITHOUT),
    ],
)
def test_names_tell_units(name, unit):
    """Endings do, and names of their own; what is a number or a text has none."""
    assert unit_of(name, "electron/s") == unit


def test_no_unit_is_claimed_where_that_of_the_image_is_not_known():
    """Fluxes of several channels in one table may be in several units."""
    assert unit_of("flux") == ""


def test_astropy_knows_every_unit():
    """All columns of the tables that have descriptions, in units that astropy reads."""
    tables = (*DEPTH.values(), *ZERO_POINTS.values(), TRANSFORMS, SOURCE_COLUMNS, OBJECT_COLUMNS)
    units = {unit_of(name) for table in tables for name in table} - {""}
    assert len(units) > 6
    assert all(Unit(unit, format="fits") for unit in units)


@pytest.mark.parametrize(
    "make", [columns_hdu, lambda columns, name: table_hdu(Table(columns), name)]
)
def test_units_stand_in_the_header(tmp_path, make):
    """Both kinds of tables have them in TUNIT, and the values are read back as they were."""
    columns = {"id": ["a", "b"], "x": [1.5, 2.5], "exposure_s": [60.0, 90.0], "weight": [1.0, 0.5]}
    write_product(tmp_path / "a.fits", [], [make(columns, "ROWS")])
    header = fits.getheader(tmp_path / "a.fits", "ROWS")
    assert {key: header[key] for key in header["TUNIT*"]} == {"TUNIT2": "pix", "TUNIT3": "s"}
    back = read_columns(tmp_path / "a.fits", "ROWS")
    assert {name: column.tolist() for name, column in back.items()} == columns


def test_units_that_fits_does_not_know_stand_in_the_comment():
    """Other readers warn of such a TUNIT; FITS 4.0, section 4.3, has no electron."""
    columns = {"gain": np.ones(2), "sky": np.ones(2), "fwhm_px": np.ones(2)}
    hdu = columns_hdu(columns, "T", {"sky": "median sky"}, "electron")
    assert [column.unit for column in hdu.columns] == [None, None, "pix"]
    assert (hdu.header["TCOMM1"], hdu.header["TCOMM2"]) == (
        "[electron/adu]",
        "[electron] median sky",
    )
    for unit in ("adu", "pix", "deg", "mag/arcsec2", "nm", "h", "d", "s", "arcmin"):
        assert is_standard(unit)
        assert Unit(unit, format="fits")
