"""World coordinates on their way from the grid to images of the same pixels and coarser ones."""

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS

from platefiles.astrometry.solution import world_cards
from platefiles.fits.wcs_cards import carried_cards, coarser_cards
from platelib.astrometry.tan_sip import SkyMap

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
    assert [(card.keyword, card.value) for card in header.cards[4:]] == once
    assert carried_cards(fits.Header(once)) == once


def test_planes_of_a_cube_are_counted(header):
    """A cube gets the same place for each plane, also from a header of a cube."""
    cube = carried_cards(header, planes=True)
    assert carried_cards(fits.Header(cube), planes=True) == cube
    assert ("CD3_3", 1.0) in cube
    assert "WCSAXES" not in {card[0] for card in cube}


def test_header_without_a_place_gives_none():
    """An image whose field was refused hands on nothing, not even an axis of planes."""
    empty = fits.Header([("BUNIT", "adu")])
    assert carried_cards(empty) == carried_cards(empty, planes=True) == []
    assert coarser_cards(empty, 4) == []


@pytest.mark.parametrize(("pitch", "ring"), [(4, 0), (10, 2)])
def test_mesh_over_an_image_lies_on_the_same_sky(header, pitch, ring):
    """The middle of each cell has the coordinates of that place in the image, there and back.

    Back by astropy, which inverts the map itself, and by AP and BP, for readers that do not.
    """
    fine, coarse = WCS(header), WCS(fits.Header(coarser_cards(header, pitch, ring)))
    j, i = (part.ravel() for part in np.mgrid[0 : SHAPE[0] // pitch, 0 : SHAPE[1] // pitch])
    x, y = (i + 0.5) * pitch - 0.5, (j + 0.5) * pitch - 0.5
    sky = fine.all_pix2world(x, y, 0)
    np.testing.assert_allclose(coarse.all_pix2world(i + ring, j + ring, 0), sky, atol=1e-10)
    np.testing.assert_allclose(coarse.all_world2pix(*sky, 0), (i + ring, j + ring), atol=1e-4)
    if fine.sip is not None:
        back = _by_polynomials(coarse, *(f / pitch for f in _straight(fine, x, y)))
        np.testing.assert_allclose(back, (i + ring, j + ring), atol=1e-3)


def _straight(wcs, x, y):
    """Pixels as a straight camera would have them, from the reference pixel."""
    sip, u, v = wcs.sip, x + 1 - wcs.wcs.crpix[0], y + 1 - wcs.wcs.crpix[1]
    return u + _power_sum(sip.a, u, v), v + _power_sum(sip.b, u, v)


def _by_polynomials(wcs, far_u, far_v):
    """Pixels, 0-based, of straight ones, by the polynomials for readers that do not invert."""
    u = far_u + _power_sum(wcs.sip.ap, far_u, far_v)
    v = far_v + _power_sum(wcs.sip.bp, far_u, far_v)
    return u + wcs.wcs.crpix[0] - 1, v + wcs.wcs.crpix[1] - 1


def _power_sum(coefficients, u, v):
    return np.polynomial.polynomial.polyval2d(u, v, coefficients)
