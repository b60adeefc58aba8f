import numpy as np
import pytest
from astropy.io import fits

from platefiles.fits.hdu_layout import BrokenFits, content_digest, read_blocks


@pytest.fixture
def product(tmp_path):
    """Write a file with an image, a table with a heap and an empty HDU."""
    path = tmp_path / "a.fits"
    heap = fits.Column("v", "PJ()", array=np.array([[1, 2], [3]], dtype=object))
    image = fits.ImageHDU(np.zeros((7, 11), np.int16), name="IT'S")
    hdus = [fits.PrimaryHDU(), image, fits.BinTableHDU.from_columns([heap], name="T")]
    fits.HDUList([*hdus, fits.ImageHDU(name="EMPTY")]).writeto(path, checksum=True)
    return path


def test_blocks_are_where_astropy_finds_them(product):
    """Names, places and lengths of headers and data are those of astropy, heaps included."""
    with fits.open(product) as hdus:
        for hdu, block in zip(hdus, read_blocks(product), strict=True):
            info = hdu.fileinfo()
            assert (block.start, block.data_start) == (info["hdrLoc"], info["datLoc"])
            assert block.stop == info["datLoc"] + info["datSpan"]
            assert block.text("DATASUM") == hdu.header["DATASUM"]
            assert block.name == (hdu.name or "EMPTY")
            assert block.text("NAXIS") is None


def test_the_digest_stands_for_headers_and_data(product):
    """Another header or other data make another digest; the same file has the same."""
    first = content_digest(product)
    assert content_digest(product) == first
    assert len(first) == 64
    with fits.open(product, mode="update", checksum=True) as hdus:
        hdus[1].data[0, 0] = 1
    second = content_digest(product)
    assert second != first


@pytest.mark.parametrize(
    ("cut", "reason"),
    [
        (lambda c: b"", r"is empty \(0 bytes\)"),
        (lambda c: b"nothing" * 1000, "is not a FITS file"),
        (lambda c: c[:2000], "is cut short inside its header"),
        (lambda c: c[:2880] + c[2880:4000], "is cut short inside its header"),
        (lambda c: c[:-4000], "ends early: "),
        (lambda c: c + b"\0" * 2880, "has no header at byte"),
        (lambda c: c.replace(b"END     ", b"FIN     "), "without an end|inside its header"),
        (lambda c: c.replace(b"NAXIS1  =", b"NAXES1  ="), "impossible NAXIS1"),
        (lambda c: c.replace(b"BITPIX  =                   16", b"BITPIX  =                   17"),
         "impossible BITPIX"),
        (lambda c: c.replace(b"PCOUNT  =                   12", b"PCOUNT  =                  -12"),
         "impossible PCOUNT"),
    ],
)  # fmt: skip
def test_a_file_that_is_not_built_as_fits_is_refused(product, cut, reason):
    """What is no FITS file, ends early, goes on, or has no sizes is refused with the reason."""
    content = cut(product.read_bytes())
    product.write_bytes(content)
    with pytest.raises(BrokenFits, match=reason):
        read_blocks(product)
