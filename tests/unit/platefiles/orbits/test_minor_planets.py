import gzip

import numpy as np
import pytest

from platefiles.core.errors import UserError
from platefiles.orbits.minor_planets import read_minor_planets
from platelib.orbits.conics import conics
from platelib.orbits.ephemeris import ephemeris
from platelib.orbits.observer import observer

CERES = (
    "00001    3.4   0.15 K205V 162.68631   73.73161   80.28698   10.58862  0.0775571  0.21406009"
    "   2.7676569  0 MPO980521  7297 126 1801-2026 0.83 M-v 30k Veres      4000      (1) Ceres"
    "              20260103"
)
"""Published elements of Ceres (columns after the semimajor axis from another date)."""
HEADER = "MINOR PLANET CENTER ORBIT DATABASE\n\nDes'n     H     G   Epoch     M        Peri.\n"
RULE = "-" * 160 + "\n"


def row(packed, h="17.00", g=" 0.15", epoch="K2669", e="0.1234567", axis="  2.4567890", name=""):
    """Write a row in the columns of the format."""
    return (
        f"{packed:7} {h:5} {g:5} {epoch} 123.45678   12.34567  345.67890    1.23456  {e}"
        f"  0.25000000 {axis}  5 MPO980521    97   3 2001-2026 0.53 M-v 30k Drawn      0000"
        f"      {name:28}20260103"
    )


def file_of(path, *rows, header=HEADER + RULE, end="\n"):
    """Write a file and return its path."""
    path.write_text(header + end.join(rows) + end, newline="")
    return path


@pytest.mark.parametrize("header", [HEADER + RULE, HEADER, RULE, ""])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_headers_and_line_ends_do_not_matter(tmp_path, header, end):
    """Files with any header or none, and with either end of lines, give the same rows."""
    path = file_of(tmp_path / "e.dat", CERES, row("A0001"), header=header, end=end)
    read = read_minor_planets(path)
    assert read.elements.designation.tolist() == [b"00001", b"A0001"]
    assert (read.name(0), read.name(1)) == ("(1) Ceres", "A0001")
    assert read.damaged_count == 0
    assert read.damage() == ""


def test_published_row_leads_to_the_published_place(tmp_path):
    """Ceres of the file is within 0.2 arcsec of JPL's place on 2020 June 17."""
    read = read_minor_planets(file_of(tmp_path / "e.dat", CERES))
    seen = ephemeris(conics(read.elements), read.elements, observer(2459017.5))
    assert abs(seen.ra_deg[0] - 23.14374005 * 15) * 0.954 * 3600 < 0.2
    assert abs(seen.dec_deg[0] + 17.32340649) * 3600 < 0.2
    assert read.uncertainty.tolist() == [b"0"]
    assert read.identity(0).permanent == "1"


def test_columns_are_read_as_they_are(tmp_path):
    """Each column comes to its place; blank magnitude and slope are NaN."""
    rows = (row("K07Tf8A", name="2007 TA418"), row("K07Tf8B", h="", g=""))
    read = read_minor_planets(file_of(tmp_path / "e.dat", *rows))
    made = read.elements
    assert (made.epoch_jd[0], made.inclination_deg[0]) == (2461200.5, 1.23456)
    assert (made.argument_deg[0], made.node_deg[0]) == (12.34567, 345.6789)
    assert made.perihelion_au[0] == pytest.approx(2.456789 * (1 - 0.1234567), rel=1e-15)
    assert (made.absolute_magnitude[0], made.slope[0]) == (17.0, 0.15)
    assert np.isnan([made.absolute_magnitude[1], made.slope[1]]).all()
    assert read.identity(0).provisional == "2007 TA418"
    assert not made.comet.any()


def test_damaged_rows_are_counted_and_named(tmp_path):
    """Damaged rows are left out, named by line and reason; blank lines are no damage."""
    good = [row(f"{k:05d}") for k in range(60)]
    bad = [
        row("K26A00A", epoch="K2x69"),
        row("K26A00B", e="1.2000000"),
        row("K26A00C", axis="  0.0000000"),
        row("K26A00D", e="0.12x4567"),
        row("K26A00E")[:90],
        row(""),
    ]
    path = file_of(tmp_path / "e.dat", *good[:30], "", *bad, *good[30:], header=RULE)
    read = read_minor_planets(path)
    assert len(read.elements) == 60
    assert read.damaged_count == 6
    reasons = {one.line: one.reason for one in read.damaged}
    assert reasons == {
        33: "no epoch in packed form",
        34: "eccentricity is not below 1",
        35: "semimajor axis is not positive",
        36: "eccentricity is no number",
        37: "the row is too short",
        38: "no designation",
    }
    assert read.damage().startswith("6 rows of elements were left out: line 33 (K26A00A")


def test_gzip_is_known_by_its_content(tmp_path):
    """A compressed file is read whatever its name."""
    plain = file_of(tmp_path / "e.dat", CERES).read_bytes()
    packed = tmp_path / "elements"
    packed.write_bytes(gzip.compress(plain))
    assert len(read_minor_planets(packed).elements) == 1


@pytest.mark.parametrize(
    "content",
    [
        "",
        "name,a,e\nCeres,2.77,0.08\n",
        "0001P         1986 02  9.4589  0.574761  0.967482  111.8566   59.0994  162.2516\n",
        "\x00\xff\n" * 400,
    ],
)
def test_other_formats_are_refused(tmp_path, content):
    """An empty file, a table with commas, elements of comets and noise are refused."""
    path = tmp_path / "other.txt"
    path.write_text(content, encoding="latin-1")
    with pytest.raises(UserError, match=r"does not have the export format for minor-planet orbits"):
        read_minor_planets(path)
