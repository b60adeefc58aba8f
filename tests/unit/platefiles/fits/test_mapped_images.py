"""Images of a product mapped by one open file."""

import os

import numpy as np
import pytest

from platefiles.core.errors import DamagedProduct
from platefiles.fits.image_rows import mapped_images
from platefiles.fits.products_io import image_hdu, write_product


@pytest.fixture
def product(tmp_path):
    """A product with a plane, a cube and bytes."""
    rng = np.random.default_rng(1)
    images = {
        "SCI": rng.normal(size=(7, 11)).astype(np.float32),
        "CLIPPED": rng.integers(0, 9, (2, 7, 11)).astype(np.int16),
        "MASK": rng.integers(0, 2, (3, 7, 11)).astype(np.uint8),
    }
    path = tmp_path / "a.fits"
    hdus = [image_hdu(image, name) for name, image in images.items()]
    write_product(path, [("STEP", "integrate_night")], hdus)
    return path, images


def test_values_are_those_that_were_written(product):
    """All images are cubes, in any order of names; an image of two axes is one plane."""
    path, images = product
    found = mapped_images(path, ("MASK", "SCI", "CLIPPED"))
    for name, image in images.items():
        np.testing.assert_array_equal(found[name], image.reshape(-1, 7, 11))
        assert not found[name].flags.writeable


def test_a_product_takes_one_open_file(product):
    """As many files are open as there are products, whatever number of images is mapped."""
    path, _ = product
    before = len(os.listdir("/proc/self/fd"))
    held = [mapped_images(path, ("SCI", "CLIPPED", "MASK")) for _ in range(20)]
    assert len(os.listdir("/proc/self/fd")) - before <= len(held)


def test_damage_is_found_before_the_values_are_read(product):
    """A changed byte of an image is refused, if that image is asked for."""
    path, _ = product
    content = bytearray(path.read_bytes())
    content[-2880 + 5] ^= 1
    path.write_bytes(content)
    with pytest.raises(DamagedProduct):
        mapped_images(path, ("SCI", "CLIPPED", "MASK"))
