import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS

from platefiles.fits.wcs_cards import picture_wcs
from platefiles.picture.geometry import framed
from platefiles.settings.picture import Geometry

SHAPE = (120, 170)
STARS = ((40.0, 30.0), (120.0, 85.0), (84.3, 58.8), (75.0, 71.5))


def _world(turn_deg=33.0, mirrored=False, bent=False):
    """Return the cards of a grid whose upper edge points somewhere."""
    turn, step = np.radians(turn_deg), 1.5 / 3600
    east = 1 if mirrored else -1
    kind = "-SIP" if bent else ""
    cards = [
        ("CTYPE1", f"RA---TAN{kind}"),
        ("CTYPE2", f"DEC--TAN{kind}"),
        ("CRPIX1", 60.0),
        ("CRPIX2", 70.0),
        ("CRVAL1", 187.7),
        ("CRVAL2", 72.4),
        ("CD1_1", east * step * np.cos(turn)),
        ("CD1_2", step * np.sin(turn)),
        ("CD2_1", -east * step * np.sin(turn)),
        ("CD2_2", step * np.cos(turn)),
        ("RADESYS", "ICRS"),
        ("CD3_3", 1.0),
    ]
    if bent:
        cards += [("A_ORDER", 2), ("B_ORDER", 2), ("A_2_0", 2e-5), ("B_1_1", -3e-5)]
    return cards


def _planes():
    y, x = np.indices(SHAPE)
    image = np.zeros(SHAPE)
    for px, py in STARS:
        image += 500 * np.exp(-((x - px) ** 2 + (y - py) ** 2) / 3.4)
    return np.stack([image, 2 * image, 3 * image]).astype(np.float32)


def _wcs(cards):
    return picture_wcs(fits.Header(list(cards)))


def _is_at(plane, x, y):
    row, column = round(float(y)), round(float(x))
    cut = plane[row - 6 : row + 7, column - 6 : column + 7].astype(float)
    dy, dx = np.mgrid[row - 6 : row + 7, column - 6 : column + 7]
    return np.hypot((cut * dx).sum() / cut.sum() - x, (cut * dy).sum() / cut.sum() - y) < 0.03


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("bent", [False, True])
@pytest.mark.parametrize(("angle", "scale"), [(0.0, 1.0), (0.0, 0.6), (120.0, 1.3)])
def test_stars_are_where_the_sky_has_them(mirrored, bent, angle, scale):
    """After turning and scaling stars lie at their places; up is as asked."""
    world = _world(mirrored=mirrored, bent=bent)
    geometry = Geometry(position_angle_deg=angle, scale=scale)
    planes, cards, notes = framed(_planes(), geometry, world)
    assert notes == []
    wcs = _wcs(cards)
    ny, nx = planes.shape[1:]
    here, up, right = wcs.pixel_to_world([nx / 2] * 2 + [nx / 2 + 9], [ny / 2, ny / 2 + 9, ny / 2])
    assert (here.position_angle(up).deg - angle + 180) % 360 - 180 == pytest.approx(0, abs=0.2)
    east = (here.position_angle(right).deg - angle) % 360
    assert east == pytest.approx(270, abs=0.2)
    ra, dec = _wcs(world).all_pix2world(*np.array(STARS).T, 0)
    seen = 0
    for x, y in zip(*wcs.all_world2pix(ra, dec, 0), strict=True):
        if 7 < x < nx - 8 and 7 < y < ny - 8:
            seen += 1
            assert all(_is_at(np.nan_to_num(plane), x, y) for plane in planes)
    assert seen >= 3


def test_without_turn_and_scale_no_pixel_is_touched():
    """Without turn and scale pixels and world coordinates are those of the grid."""
    planes, world = _planes(), _world(bent=True)
    planes[0, :4] = np.nan
    same, cards, _ = framed(planes, Geometry(), world)
    assert same is planes
    told = {card[0]: card[1] for card in cards}
    assert (told["LTV1"], told["LTV2"], told["LTM1_1"], told["LTM1_2"]) == (0, 0, 1, 0)
    assert cards[-len(world) :] == world


def test_pictures_without_a_place_are_scaled_but_not_turned():
    """Where the sky is not known the angle is left out, which is said, and the rest is done."""
    planes, cards, notes = framed(_planes(), Geometry(position_angle_deg=0.0, scale=0.5))
    assert planes.shape == (3, 60, 85)
    assert notes == [
        "the picture is not rotated to position angle 0: the field has no astrometric solution"
    ]
    told = dict((card[0], card[1]) for card in cards)
    assert told["LTM1_1"] == told["LTM2_2"] == 0.5
    assert told["LTV1"] == told["LTV2"] == 0.25
    assert "CTYPE1" not in told


def test_a_scaled_picture_keeps_its_place():
    """Scaled alone, corners lie where they lay."""
    planes, cards, _ = framed(_planes(), Geometry(scale=0.5), _world())
    theirs, ours = _wcs(_world()), _wcs(cards)
    ny, nx = planes.shape[1:]
    np.testing.assert_allclose(
        ours.all_pix2world([-0.5, nx - 0.5], [-0.5, ny - 0.5], 0),
        theirs.all_pix2world([-0.5, SHAPE[1] - 0.5], [-0.5, SHAPE[0] - 0.5], 0),
        rtol=1e-10,
    )


def test_a_cube_keeps_world_coordinates_that_astropy_reads():
    """With the cards of a cube the third axis counts planes and the first two are the sky."""
    planes, cards, _ = framed(_planes(), Geometry(position_angle_deg=0.0), _world())
    header = fits.ImageHDU(planes, fits.Header(list(cards))).header
    assert WCS(header).celestial.wcs.crval[1] == pytest.approx(72.4, abs=0.1)
    assert WCS(header).naxis == 3
