"""The sums of FITS files against the worked example of the standard and an independent sum.

The example is that of FITS 4.0, appendix J, which is section "Encoding Example" of the checksum
convention (Seaman, Pence and Rots, HEASARC): an HDU whose sum is 868229149 with zeros in CHECKSUM
gets 'hcHjjc9ghcEghc9g', which stands for the complement, 3426738146.
"""

import numpy as np
import pytest
from astropy.io import fits

from platefiles.fits.checksums import ALL_ONES, encoded, ones_complement_sum
from platefiles.fits.hdu_layout import read_blocks

SUM, COMPLEMENT, ENCODED = 868229149, 3426738146, "hcHjjc9ghcEghc9g"


def halves_sum(content: bytes) -> int:
    """Add 32-bit words as two columns of 16 bits with their carries, as appendix J.5 describes."""
    high = low = 0
    for i in range(0, len(content), 4):
        high += content[i] << 8 | content[i + 1]
        low += content[i + 2] << 8 | content[i + 3]
    while high >> 16 or low >> 16:
        high, low = (high & 0xFFFF) + (low >> 16), (low & 0xFFFF) + (high >> 16)
    return high << 16 | low


def test_worked_example_of_the_standard():
    """The complement of the sum is encoded as printed, and adding it makes the sum all ones."""
    assert SUM ^ ALL_ONES == COMPLEMENT
    assert encoded(SUM) == ENCODED
    before, after = (f"CHECKSUM= '{text}'".encode() for text in ("0" * 16, ENCODED))
    # One card: what the field adds to the sum of an HDU is the complement of that sum.
    change = ones_complement_sum(after.ljust(80)) - ones_complement_sum(before.ljust(80))
    assert change % ALL_ONES == COMPLEMENT
    assert ones_complement_sum(COMPLEMENT.to_bytes(4, "big"), SUM) == ALL_ONES


@pytest.mark.parametrize("words", [0, 1, 7, 720, 100_003])
def test_sum_equals_that_of_the_standard(words):
    """Any content has the sum that the method of appendix J.5 gives, carries included."""
    content = np.random.default_rng(words).integers(128, 256, 4 * words, np.uint8).tobytes()
    assert ones_complement_sum(content) == halves_sum(content)


def test_products_agree_with_astropy_and_with_the_standard(tmp_path):
    """DATASUM and CHECKSUM of an HDU are those of the independent sum and of astropy."""
    path = tmp_path / "a.fits"
    rng = np.random.default_rng(5)
    image = fits.ImageHDU(rng.normal(size=(37, 53)).astype("f4"), name="SCI")
    table = fits.BinTableHDU.from_columns([fits.Column("a", "I", array=np.arange(5))], name="T")
    fits.HDUList([fits.PrimaryHDU(), image, table]).writeto(path, checksum=True)
    content = path.read_bytes()
    with fits.open(path, checksum=True) as hdus:
        for hdu, block in zip(hdus, read_blocks(path), strict=True):
            data = content[block.data_start : block.stop]
            assert hdu.verify_datasum() == hdu.verify_checksum() == 1
            assert str(halves_sum(data)) == hdu.header["DATASUM"] == block.text("DATASUM")
            assert halves_sum(content[block.start : block.stop]) == ALL_ONES
            zeroed = content[block.start : block.stop].replace(
                hdu.header["CHECKSUM"].encode(), b"0" * 16
            )
            assert encoded(halves_sum(zeroed)) == hdu.header["CHECKSUM"]
