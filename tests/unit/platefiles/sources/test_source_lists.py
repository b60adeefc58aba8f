"""Lists of sources, byte by byte as the libraries write them."""

import io

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.io.votable import from_table, parse_single_table
from regions import (
    CirclePixelRegion,
    CircleSkyRegion,
    EllipsePixelRegion,
    EllipseSkyRegion,
    PixCoord,
    Regions,
)

from platefiles.fits.products_io import read_table, write_product
from platefiles.sources.source_lists import _described, list_writer
from platefiles.sources.source_tables import SOURCE_COLUMNS, sources_hdus

COUNT = 60
SCALE = 1.37


def product(folder, placed=True, count=COUNT):
    """Write sources with values that lists might stumble over."""
    rng = np.random.default_rng(7)
    columns = {name: np.round(rng.uniform(0, 300, count), 4) for name in SOURCE_COLUMNS}
    columns["dec_deg"] = np.round(rng.uniform(-90, 90, count), 7)
    for name in ("number", "inside", "rank"):
        columns[name] = rng.integers(0, 3, count).astype(np.int32)
    columns["saturated"] = rng.uniform(size=count) < 0.3
    columns["kind"] = np.where(rng.uniform(size=count) < 0.5, "extended", "star")
    names = np.array(["", "", "M 31", "A&B <c>", 'the "Eye"', "Größe", "a,b"])
    for name in ("object", "object_kind", "star"):
        columns[name] = rng.choice(names, count)
    if count:
        columns["x"] = np.resize([782.0, 1e-5, 3.0, 0.1, 1e17, 71.25], count)
        columns["magnitude"][::5] = np.nan
        if not placed:
            columns["ra_deg"][:] = columns["dec_deg"][:] = np.nan
    cards = [("PROJECT", "tiny"), ("CHANNEL", "g"), ("CREATOR", "me"), ("JOBDIG", "0" * 16)]
    path = folder / "sources.fits"
    write_product(path, cards + [("PIXSCALE", SCALE)] * placed, sources_hdus(columns, []))
    return path


@pytest.mark.parametrize("count", [COUNT, 1, 0])
@pytest.mark.parametrize(("ending", "name"), [("ecsv", "ascii.ecsv"), ("csv", "ascii.csv")])
def test_text_tables_are_those_of_astropy(tmp_path, ending, name, count):
    """Rows are quoted and numbers written as astropy does it."""
    path = product(tmp_path, count=count)
    text = io.StringIO(newline="")
    _described(path).write(text, format=name)
    assert list_writer(ending)(path).decode() == text.getvalue().replace("\r\n", "\n")


@pytest.mark.parametrize("count", [COUNT, 1, 0])
def test_rows_of_a_votable_are_those_of_astropy(tmp_path, count):
    """All but what describes the columns is what astropy writes, and reads back."""
    path = product(tmp_path, count=count)
    content = io.BytesIO()
    from_table(_described(path)).to_xml(content, tabledata_format="tabledata")
    ours = list_writer("vot")(path)
    assert ours.partition(b"<DATA>")[2] == content.getvalue().partition(b"<DATA>")[2]
    again = parse_single_table(io.BytesIO(ours))
    assert again.get_field_by_id("snr").ucd == "stat.snr"
    assert again.array.size == count
    if count:
        objects = np.asarray(again.array["object"]).astype(str)
        np.testing.assert_array_equal(objects, read_table(path, "SOURCES")["object"])


@pytest.mark.parametrize("placed", [True, False])
def test_regions_are_those_of_the_library(tmp_path, placed):
    """Ellipses, circles, labels and colours are written as the package regions writes them."""
    path = product(tmp_path, placed)
    shapes = []
    for row in read_table(path, "SOURCES"):
        extended, label = row["kind"] == "extended", row["object"] or row["star"]
        if not (extended or label):
            continue
        colour = "cyan" if row["rank"] else "yellow" if extended else "green"
        look = {"meta": {"text": label or f"#{row['rank']}"}, "visual": {"color": colour}}
        axes = [2 * max(row[name], 1.0) for name in ("major_px", "minor_px")]
        turn = (row["angle_deg"] + 90) * u.deg
        if placed:
            place = SkyCoord(row["ra_deg"] * u.deg, row["dec_deg"] * u.deg)
            sizes = [round(axis * SCALE, 3) * u.arcsec for axis in axes]
            shapes.append(
                EllipseSkyRegion(place, *sizes, angle=turn, **look)
                if extended
                else CircleSkyRegion(place, 5 * SCALE * u.arcsec, **look)
            )
        else:
            middle = PixCoord(row["x"], row["y"])
            shapes.append(
                EllipsePixelRegion(middle, *axes, angle=turn, **look)
                if extended
                else CirclePixelRegion(middle, 5.0, **look)
            )
    with np.printoptions(legacy=False):  # which colour-science changes for all of a process
        expected = Regions(shapes).serialize(format="ds9", precision=6)
    assert list_writer("reg")(path).decode() == expected


def test_a_list_without_sources_has_no_regions(tmp_path):
    """A product without sources makes a file of regions without any."""
    assert list_writer("reg")(product(tmp_path, count=0)) == b"# Region file format: DS9\n"
