import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS, Sip
from reproject import reproject_interp

from platefiles.picture.overlay_image import laid_on_grid

SHAPE = (180, 260)


def _plane(centre, scale_deg, shape, turn_deg=20.0, axes=("RA---TAN", "DEC--TAN")):
    wcs, turn = WCS(naxis=2), np.radians(turn_deg)
    wcs.wcs.ctype, wcs.wcs.crval = axes, centre
    wcs.wcs.crpix = [shape[1] / 2, shape[0] / 2]
    wcs.wcs.cd = scale_deg * np.array([[-np.cos(turn), np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return wcs


def _whole_sky():
    wcs = WCS(naxis=2)
    wcs.wcs.ctype, wcs.wcs.crval = ["RA---CAR", "DEC--CAR"], [180.0, 0.0]
    wcs.wcs.crpix, wcs.wcs.cdelt = [180.5, 90.5], [-1.0, 1.0]
    return wcs


def _distorted():
    wcs = _plane((158.6, 30.0), 1.3 / 3600, (300, 360), 40.0, ("RA---TAN-SIP", "DEC--TAN-SIP"))
    a, b = np.zeros((2, 4, 4))
    a[2, 0], a[0, 2], b[1, 1], b[0, 3] = 3e-6, -2e-6, 4e-6, -3e-9
    wcs.sip = Sip(a, b, None, None, wcs.wcs.crpix)
    return wcs


IMAGES = {
    "turned": (_plane((158.62, 30.01), 0.7 / 3600, (300, 360), 75.0), (300, 360)),
    "galactic": (
        _plane((199.26, 59.88), 1.1 / 3600, (300, 360), 10.0, ("GLON-SIN", "GLAT-SIN")),
        (300, 360),
    ),
    "distorted": (_distorted(), (300, 360)),
    "whole sky": (_whole_sky(), (180, 360)),
}
GRIDS = {
    "turned": _plane((158.6, 30.0), 1.0 / 3600, SHAPE),
    "galactic": _plane((158.6, 30.0), 1.0 / 3600, SHAPE),
    "distorted": _plane((158.6, 30.0), 1.0 / 3600, SHAPE),
    "whole sky": _plane((0.2, 30.0), 300.0 / 3600, SHAPE),
}


def _smooth(shape):
    """Waves with a steepest slope of 1 a pixel."""
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    return (8 * np.sin(columns / 11.0) + 8 * np.cos(rows / 13.0)).astype(np.float32)


def _write(path, data, wcs):
    fits.PrimaryHDU(data, wcs.to_header(relax=True)).writeto(path)
    return path


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("name", IMAGES)
def test_an_image_lies_where_reproject_lays_it(name, tmp_path):
    """The exact positions of every pixel, by the package reproject, give the same within 0.02 px.

    At the outer rim rounding decides whether a pixel is covered.
    """
    wcs, shape = IMAGES[name]
    data = _smooth(shape)
    expected, covered = reproject_interp(
        (data.astype(float), wcs), GRIDS[name], shape_out=SHAPE, order="bilinear"
    )
    laid = laid_on_grid(_write(tmp_path / "image.fits", data, wcs), GRIDS[name], SHAPE)
    assert covered.mean() > 0.5
    assert np.count_nonzero(np.isfinite(laid) != (covered > 0)) <= 2
    # The jump of the columns from 0 to 360 degrees is one of the data as well.
    off = np.abs(laid - expected)
    assert np.nanquantile(off, 0.999) < 0.02
    assert np.nanmax(off) < 0.05


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("kind", ["blank", "compressed", "cube", "integers"])
def test_kinds_of_fits_images(kind, tmp_path):
    """Scaled integers, blank pixels, compressed tiles and cubes are read as astropy reads them."""
    wcs = GRIDS["turned"]
    counts = np.random.default_rng(3).integers(1, 900, SHAPE).astype(np.int16)
    path = tmp_path / "image.fits"
    if kind in ("blank", "integers"):
        hdu = fits.PrimaryHDU(counts, wcs.to_header())
        if kind == "blank":
            counts[20:40, 30:50] = -1
            hdu = fits.PrimaryHDU(counts, wcs.to_header())
            hdu.header["BLANK"] = -1
        hdu.writeto(path)
        with fits.open(path, mode="update", do_not_scale_image_data=True) as hdus:
            hdus[0].header["BSCALE"], hdus[0].header["BZERO"] = 2.0, 5.0
        expected = 2.0 * counts + 5
        expected[counts == -1] = np.nan
    elif kind == "compressed":
        expected = counts.astype(np.float32)
        image = fits.CompImageHDU(counts, wcs.to_header(), compression_type="RICE_1")
        fits.HDUList([fits.PrimaryHDU(), image]).writeto(path)
    else:
        expected = counts.astype(np.float64)
        cube = np.stack([np.stack([expected, expected * 0]), np.zeros((2, *SHAPE))])
        hdu = fits.PrimaryHDU(cube)
        hdu.header.update(wcs.to_header())
        hdu.writeto(path)
    laid = laid_on_grid(path, wcs, SHAPE)
    inner = np.s_[1:-1, 1:-1]  # rounding may put the rim outside
    gap = ~np.isfinite(expected)
    assert np.isnan(laid[gap]).all()
    near = np.zeros(SHAPE, dtype=bool)
    near[19:41, 29:51] = kind == "blank"
    np.testing.assert_allclose(laid[inner][~near[inner]], expected[inner][~near[inner]], rtol=1e-3)


def test_memory_is_that_of_the_part_that_shows_the_field(tmp_path):
    """Of a large image only the part below the picture is held."""
    import tracemalloc

    grid, wide = GRIDS["turned"], _plane((158.6, 30.0), 1.0 / 3600, (3000, 3000), 0.0)
    path = _write(tmp_path / "wide.fits", np.ones((3000, 3000), np.float32), wide)
    laid_on_grid(path, grid, SHAPE)
    tracemalloc.start()
    laid = laid_on_grid(path, grid, SHAPE)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert (laid == 1).all()
    assert peak < 3000 * 3000 * 4 * 0.6
