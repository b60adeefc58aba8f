"""Damage that sums in one's complement do not see is seen by the digests in the headers."""

import hashlib

import numpy as np
import pytest
from astropy.io import fits

from platefiles.fits.hdu_layout import read_blocks
from platefiles.fits.products_io import image_hdu, write_product
from platefiles.provenance.header_provenance import making_cards
from platefiles.provenance.integrity import fault
from platefiles.provenance.record import record_hdu

JOB = {"settings": {}, "code": "0123456789abcdef", "project": None, "master": "bias_a"}
SECTOR = 512


@pytest.fixture
def product(tmp_path):
    """Write a product with an image of noise in which four bytes are zeros, and a long header."""
    path = tmp_path / "calibration" / "bias_a.fits"
    image = np.random.default_rng(1).normal(size=(37, 53)).astype(np.float32)
    image[3, 4] = 0
    record = record_hdu("master_bias", path, JOB, {"raw": []})
    cards = making_cards("master_bias", JOB)
    write_product(path, cards, [image_hdu(image, "SCI"), record])
    return path


def sums_hold(path):
    """Say whether the sums of the FITS standard find nothing wrong."""
    with fits.open(path, checksum=True) as hdus:
        return all(hdu.verify_checksum() == hdu.verify_datasum() == 1 for hdu in hdus)


def exchange(path, first, second):
    """Exchange two sectors of a file."""
    content = bytearray(path.read_bytes())
    one, other = (slice(place, place + SECTOR) for place in (first, second))
    content[one], content[other] = content[other], content[one]
    path.write_bytes(content)


def test_a_product_tells_length_and_digests(product):
    """Length, SHA-256 of each data unit and of all headers stand there as products.md says."""
    content = product.read_bytes()
    assert fits.getheader(product)["FILESIZE"] == len(content)
    blocks = read_blocks(product)
    assert [block.name for block in blocks] == ["PRIMARY", "SCI", "RECORD"]
    for block in blocks[1:]:
        unit = content[block.data_start : block.stop]
        assert block.text("DATASHA") == hashlib.sha256(unit).hexdigest()
    headers = b"".join(block.header for block in blocks)
    for keyword in ("HEADSHA", "CHECKSUM"):
        value = blocks[0].text(keyword)
        headers = headers.replace(value.encode(), b"0" * len(value), 1)
    assert blocks[0].text("HEADSHA") == hashlib.sha256(headers).hexdigest()
    assert sums_hold(product)
    assert fault(product) == ""


def test_exchanged_sectors_of_data_are_found(product):
    """Two sectors in each other's place leave all sums as they are, but not the digest."""
    start = read_blocks(product)[1].data_start
    exchange(product, start, start + 2 * SECTOR)
    assert sums_hold(product)
    assert fault(product) == "the data of SCI do not match their digest"


def test_all_bits_set_in_the_place_of_zeros_are_found(product):
    """0 and FFFFFFFF count the same in one's complement."""
    content = bytearray(product.read_bytes())
    place = content.index(bytes(4), read_blocks(product)[1].data_start)
    content[place : place + 4] = b"\xff" * 4
    product.write_bytes(content)
    assert sums_hold(product)
    assert fault(product) == "the data of SCI do not match their digest"


def test_exchanged_words_of_a_header_are_found(product):
    """Two words of a card in each other's place make another text, and leave the sums alone."""
    content = product.read_bytes()
    place = content.index(b"CREATOR = 'platelog") + 12
    first, second = content[place : place + 4], content[place + 4 : place + 8]
    product.write_bytes(content[:place] + second + first + content[place + 8 :])
    assert sums_hold(product)
    assert fault(product) == "its headers do not match their digest"


@pytest.mark.parametrize("keyword", ["DATASHA", "HEADSHA", "DATASUM"])
def test_a_lost_digest_is_missed(product, keyword):
    """A card that was taken out is not taken for one that was never there."""
    content = product.read_bytes()
    product.write_bytes(content.replace(keyword.encode(), b"XXXXXXXX"[: len(keyword)], 1))
    assert fault(product)
