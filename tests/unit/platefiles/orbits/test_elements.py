import numpy as np
import pytest

from platefiles.core.errors import UserError
from platefiles.orbits.elements import merged, orbit_error_arcsec, read_elements

CERES = (
    "00001    3.34  0.15 K2669 274.41935   73.29420   80.24863   10.58803  0.0796923  0.21430445"
    "   2.7655526  {} MPO980521  7297 126 1801-2026 0.83 M-v 30k Veres      4000      (1) Ceres"
)
HALLEY = (
    "0001P         1986 02  9.4589  0.574761  0.967482  111.8566   59.0994  162.2516  19860205"
    "   4.0  6.0  1P/Halley"
)


def test_formats_are_told_apart_and_joined(tmp_path):
    """Either format is read by its content; joined files keep rows, names and damage."""
    planets, comets = tmp_path / "a.txt", tmp_path / "b.txt"
    planets.write_text("\n".join([CERES.format(0)] * 3 + ["damaged"]))
    comets.write_text(HALLEY)
    both = merged([read_elements(planets), read_elements(comets)])
    assert [both.name(k) for k in range(4)] == ["(1) Ceres"] * 3 + ["1P/Halley"]
    assert [both.identity(k).permanent for k in (0, 3)] == ["1", "1P"]
    assert both.elements.comet.tolist() == [False] * 3 + [True]
    assert both.damaged_count == 1
    comets.write_text("neither\n")
    with pytest.raises(UserError, match="does not have the export format for minor-planet"):
        read_elements(comets)


def test_errors_grow_with_the_parameter_and_with_time(tmp_path):
    """U of 0 is below 1 arcsec a decade, each step is 4.4 times more; a letter counts as 9."""
    path = tmp_path / "a.txt"
    path.write_text("\n".join(CERES.format(u) for u in "0159E "))
    read = read_elements(path)
    decade = orbit_error_arcsec(read, np.arange(6), 2461200.5 + 3652.5)
    assert decade[0] < 1.0
    np.testing.assert_allclose(decade[1] / decade[0], 648000 ** (1 / 9))
    assert 382 < decade[2] < 1692  # the published bounds of U = 5
    assert decade[3] == decade[4] > 1e5
    assert decade[5] == 0.0
    np.testing.assert_allclose(orbit_error_arcsec(read, [1], 2461200.5 - 365.25), decade[1] / 10)
