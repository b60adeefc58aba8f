import numpy as np
import pytest

from platefiles.core.errors import UserError
from platefiles.orbits.comets import read_comets
from platelib.orbits.conics import conics, two_body

HALLEY = (
    "0001P         1986 02  9.4589  0.574761  0.967482  111.8566   59.0994  162.2516  19860205"
    "   4.0  6.0  1P/Halley                                                 98, 1083"
)
INTERSTELLAR = (
    "0001I         2017 09  9.4886  0.255240  1.199252  241.6845   24.5997  122.6778  20170904"
    "  23.0  2.0  1I/`Oumuamua                                             MPC107687"
)
NEW = (
    "    CK23A030  2024 09 27.7405  0.391423  1.000093  308.4925   21.5595  139.1109          "
    "               C/2023 A3 (Drawn)"
)


def test_published_rows_are_read(tmp_path):
    """Columns of 1P and 1I come to their places; without an epoch, elements hold at perihelion."""
    path = tmp_path / "comets.txt"
    path.write_text("\n".join([HALLEY, INTERSTELLAR, "", NEW]) + "\n")
    read = read_comets(path)
    made = read.elements
    assert [read.name(k) for k in range(3)] == ["1P/Halley", "1I/`Oumuamua", "C/2023 A3 (Drawn)"]
    identities = [read.identity(k) for k in range(3)]
    assert [one.permanent or one.provisional for one in identities] == ["1P", "1I", "C/2023 A3"]
    np.testing.assert_array_equal(made.epoch_jd[:2], [2446466.5, 2458000.5])
    np.testing.assert_allclose(made.since_perihelion_days, [-4.4589, -5.4886, 0.0], atol=1e-8)
    np.testing.assert_array_equal(made.perihelion_au, [0.574761, 0.25524, 0.391423])
    np.testing.assert_array_equal(made.eccentricity, [0.967482, 1.199252, 1.000093])
    np.testing.assert_array_equal(made.slope[:2], [6.0, 2.0])
    assert np.isnan(made.absolute_magnitude[2])
    assert made.comet.all()


def test_comets_are_at_perihelion_when_the_file_says(tmp_path):
    """At the time of perihelion, the distance from the Sun is the perihelion distance."""
    path = tmp_path / "comets.txt"
    path.write_text(HALLEY + "\n" + INTERSTELLAR + "\n")
    made = read_comets(path).elements
    passage = np.array([2446470.9589, 2458005.9886])
    distance = np.linalg.norm(two_body(conics(made), passage).position, axis=0)
    np.testing.assert_allclose(distance, made.perihelion_au, rtol=1e-9)


def test_damage_and_other_formats_are_told(tmp_path):
    """A damaged row is named; a file of another format is refused in a sentence."""
    path = tmp_path / "comets.txt"
    path.write_text("\n".join([HALLEY, INTERSTELLAR, HALLEY.replace("1986 02", "1986 14")]))
    assert read_comets(path).damaged[0].reason == "no date of perihelion"
    path.write_text("no elements here\n" * 3)
    with pytest.raises(UserError, match="does not have the export format for comet orbits"):
        read_comets(path)
