"""World coordinates on their way from the grid to images of the same pixels."""

import numpy as np
import pytest
from astropy.io import fits

from platefiles.solution import world_cards
from platefiles.wcs_cards import carried_cards
from platelib.sky_map import SkyMap

SHAPE = (90, 160)
_BEND = np.array([0, 0, 0, 1e-5, 2e-5, -1e-5, 0, 1e-8, 0, 1e-8])
MAPS = {
    "straight": SkyMap(158.6, 30.0, 79.5, 44.5, (-6e-4, 1e-4, 1e-4, 6e-4)),
    "bent": SkyMap(158.6, 30.0, 79.5, 44.5, (-6e-4, 1e-4, 1e-4, 6e-4), 3, _BEND, -_BEND),
}


@pytest.fixture(params=MAPS)
def header(request):
    """Header of an image whose optics bend the field, or do not."""
    size = [("NAXIS", 2), ("NAXIS1", SHAPE[1]), ("NAXIS2", SHAPE[0]), ("BUNIT", "adu")]
    return fits.Header([*size, *world_cards(MAPS[request.param], SHAPE)])


def test_place_of_an_image_is_carried_on_whole(header):
    """What one header says of the sky, and that alone, another says as well, and a third of it."""
    once = carried_cards(header)
    assert [tuple(card) for card in header.cards[4:]] == once
    assert carried_cards(fits.Header(once)) == once


def test_planes_of_a_cube_are_counted(header):
    """A cube gets the same place for each plane, also from a header of a cube."""
    cube = carried_cards(header, planes=True)
    assert carried_cards(fits.Header(cube), planes=True) == cube
    assert ("CD3_3", 1.0, "planes are counted") in cube
    assert "WCSAXES" not in {card[0] for card in cube}


def test_header_without_a_place_gives_none():
    """An image whose field was refused hands on nothing, not even an axis of planes."""
    empty = fits.Header([("BUNIT", "adu")])
    assert carried_cards(empty) == carried_cards(empty, planes=True) == []
