import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table

from platefiles.astrometry.star_catalogue import read_star_table, read_tycho
from platefiles.astrometry.tycho import TYCHO_PATH, tycho_sum
from platefiles.core.errors import UserError
from platelib.astrometry.celestial import separation_deg
from platelib.simulate.observing_run import InstrumentSpec
from platelib.simulate.tycho_stars import TYCHO_STARS, star_temperature_k

GAIA = {
    "source_id": [4611686018427387904, 4611686018427387905, 4611686018427387906],
    "ra": [158.5, 158.62, 158.7],
    "dec": [30.0, 30.05, 29.9],
    "pmra": [10.0, np.nan, -2000.0],
    "pmdec": [-5.0, np.nan, 3000.0],
    "ref_epoch": [2016.0, 2016.0, 2016.0],
    "phot_g_mean_mag": [12.5, 11.25, 14.0],
    "phot_bp_mean_mag": [12.9, 11.6, np.nan],
    "phot_rp_mean_mag": [11.9, 10.8, 13.2],
}


def _written(path, kind):
    table = Table(GAIA)
    table["ra"].unit = table["dec"].unit = "deg"
    if kind == "csv":
        table.write(path, format="ascii.csv")
    elif kind == "ecsv":
        table.write(path, format="ascii.ecsv")
    else:
        table.write(path, format="votable")
    return path


def test_a_cone_of_tycho_holds_all_its_stars_and_no_others():
    """The stars of a circle are those of the whole table, brightest first, across 0 h too."""
    with fits.open(TYCHO_PATH) as hdus:
        stars = hdus["STARS"].data
        near = separation_deg(0.05, 41.0, stars["RA"], stars["DEC"]) <= 0.8
        expected = np.sort(np.asarray(stars["VT"])[near])
    found = read_tycho(0.05, 41.0, 0.8, 2000.0)
    np.testing.assert_allclose(found.brightness, expected, atol=1e-6)
    assert (np.diff(found.brightness) >= 0).all()
    assert found.ra.min() < 1 and found.ra.max() > 359


def test_stars_are_taken_where_they_stood():
    """61 Cygni, which moves by 5.2 arc seconds a year, is where 26 years bring it."""
    old, new = (read_tycho(316.73, 38.75, 0.2, year) for year in (2000.0, 2026.0))
    fast = separation_deg(old.ra[0], old.dec[0], new.ra[0], new.dec[0]) * 3600
    assert old.identity[0] == new.identity[0]
    assert fast == pytest.approx(26 * 5.2, rel=0.02)


def test_the_sum_of_the_table_is_what_its_header_says():
    """The digest of the catalogue is the DATASUM of its stars; astropy confirms it."""
    with fits.open(TYCHO_PATH, checksum=True) as hdus:
        assert hdus["STARS"].verify_datasum() == 1
        assert tycho_sum() == hdus["STARS"].header["DATASUM"]
    assert tycho_sum(TYCHO_PATH.with_name("none.fits")) == "none"


def test_missing_catalogue_is_a_sentence(tmp_path):
    """A catalogue that is not there is named, with the remedy."""
    with pytest.raises(UserError, match=r"tycho\.fits: cannot be read as the star catalogue"):
        read_tycho(0.0, 0.0, 1.0, 2000.0, tmp_path / "tycho.fits")


def test_stars_of_the_demo_are_those_of_the_catalogue():
    """Every star of the demo's canvas is in the list that the simulator draws, with its values."""
    instrument = InstrumentSpec()
    found = read_tycho(instrument.ra_deg, instrument.dec_deg, 0.7, 2000.0)
    listed = np.array(TYCHO_STARS)
    order = np.argsort(listed[:, 5])
    inside = []
    for star in range(len(found)):
        match = separation_deg(found.ra[star], found.dec[star], listed[:, 0], listed[:, 1]).argmin()
        miss = separation_deg(found.ra[star], found.dec[star], *listed[match, :2]) * 3600
        if miss < 0.01:
            inside.append(match)
            assert listed[match, 5] == pytest.approx(found.magnitudes["VT"][star])
            assert listed[match, 4] == pytest.approx(found.magnitudes["BT"][star])
    assert sorted(inside) == sorted(order.tolist())


def test_temperature_of_the_sun_follows_from_its_colour():
    """BT - VT = 0.77 is the Sun's (B - V = 0.65): 5772 K within 50 K."""
    assert star_temperature_k(0.77) == pytest.approx(5772, abs=50)


@pytest.mark.parametrize("kind", ["csv", "ecsv", "votable"])
def test_tables_of_all_kinds_hold_the_same_stars(kind, tmp_path):
    """What a table is, is told by its content; units, gaps and large numbers come through."""
    table = read_star_table(_written(tmp_path / "stars", kind))
    assert list(table.magnitudes) == ["G", "BP", "RP"]
    assert table.identity.tolist() == [str(number) for number in GAIA["source_id"]]
    assert table.pm_ra.tolist() == [10.0, 0.0, -2000.0]
    stars = table.at(2026.0)
    assert np.isnan(stars.magnitudes["BP"][2])
    moved = separation_deg(stars.ra, stars.dec, table.ra, table.dec) * 3.6e6
    assert moved == pytest.approx([111.8, 0.0, 36055.5], abs=0.1)
    assert stars.brightest_first().identity[0] == "4611686018427387905"


def test_text_of_a_table_reads_back_the_same(tmp_path):
    """The text that the record keeps gives the same numbers, to the last bit."""
    table = read_star_table(_written(tmp_path / "stars.csv", "csv"))
    path = tmp_path / "again"
    path.write_text(table.text())
    again = read_star_table(path)
    assert again.text() == table.text()
    for name in ("ra", "dec", "pm_ra", "pm_dec", "ref_epoch"):
        assert np.array_equal(getattr(again, name), getattr(table, name))


def test_other_columns_of_magnitudes_are_taken_by_their_names(tmp_path):
    """mag_V and rmag are bands V and r; bp_rp gives the colour where the two bands are missing."""
    path = tmp_path / "stars.csv"
    path.write_text("RA,DEC,mag_V,rmag,note\n1.0,2.0,11.5,11.1,x\n")
    assert {band: c[0] for band, c in read_star_table(path).magnitudes.items()} == {
        "V": 11.5,
        "r": 11.1,
    }
    path.write_text("ra,dec,phot_g_mean_mag,bp_rp\n1.0,2.0,11.5,0.82\n")
    bands = read_star_table(path).magnitudes
    assert bands["BP"][0] - bands["RP"][0] == pytest.approx(0.82)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a,b\n1,2\n", "has no columns ra and dec in degrees"),
        ("ra,dec\n1,2\n", "has no magnitudes; name their columns phot_g_mean_mag"),
        ("<VOTABLE><nothing/>", "is not a readable CSV, ECSV or VOTable"),
        ("", "has no columns ra and dec in degrees"),
    ],
)
def test_what_is_no_catalogue_is_a_sentence(text, said, tmp_path):
    """The error names the file and the missing part."""
    path = tmp_path / "stars.csv"
    path.write_text(text)
    with pytest.raises(UserError, match=said):
        read_star_table(path)
