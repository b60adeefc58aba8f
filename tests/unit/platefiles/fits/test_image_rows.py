import numpy as np
import pytest
from astropy.io import fits

from platefiles.core.errors import DamagedProduct
from platefiles.fits.image_rows import ImageRows
from platefiles.fits.products_io import image_hdu, write_product


def _written(path, data):
    write_product(path, [("STEP", "draw_picture")], [image_hdu(data, "SCI")])
    return ImageRows.of(path)


@pytest.mark.parametrize("shape", [(13, 21), (3, 13, 21)])
@pytest.mark.parametrize("dtype", [np.float32, np.uint16, np.uint8, np.int32])
def test_rows_are_those_that_astropy_reads(tmp_path, shape, dtype):
    """Values and types are those of the whole image, in native byte order."""
    data = np.random.default_rng(4).integers(0, 250, shape).astype(dtype)
    data.flat[0] = np.iinfo(dtype).max if data.dtype.kind in "iu" else np.nan
    rows = _written(tmp_path / "a.fits", data)
    cube = fits.getdata(tmp_path / "a.fits", "SCI").reshape(-1, 13, 21)
    assert rows.shape == cube.shape
    for start, stop in ((0, 13), (0, 1), (4, 9), (12, 13), (5, 5)):
        read = rows(start, stop)
        np.testing.assert_array_equal(read, cube[:, start:stop])
        assert read.dtype == dtype
        assert read.dtype.isnative


def test_a_damaged_image_is_not_read(tmp_path):
    """A changed byte of the data stops the reader when it opens the image."""
    path = tmp_path / "a.fits"
    _written(path, np.ones((13, 21), np.float32))
    content = bytearray(path.read_bytes())
    content[-2880 + 5] ^= 1
    path.write_bytes(content)
    with pytest.raises(DamagedProduct, match=r"a\.fits is damaged: the data of SCI"):
        ImageRows.of(path)


def test_another_image_is_told(tmp_path):
    """A product without the image is refused by name."""
    _written(tmp_path / "a.fits", np.ones((13, 21), np.float32))
    with pytest.raises(KeyError, match=r"a\.fits: has no image VAR"):
        ImageRows.of(tmp_path / "a.fits", "VAR")
