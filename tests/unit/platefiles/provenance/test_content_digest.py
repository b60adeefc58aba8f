import hashlib
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
import tifffile
from PIL import Image

from platefiles.core.errors import UserError
from platefiles.picture.picture_files import Label, write_picture
from platefiles.provenance.activities import Making
from platefiles.provenance.content_digest import is_intact, sealed
from platefiles.provenance.integrity import fault, is_of_a_run
from platefiles.provenance.xmp import read_origin

ENDINGS = ("png", "jpg", "tif")
CUBE = hashlib.sha256(b"cube").hexdigest()
MAKING = Making(
    "picture/a.png", "draw_picture", '{"settings":{"title":"A & B <c>"}}', "platelog 0", "00ff",
    "python 3", {"linear_image": ("picture/a.fits",)},
)  # fmt: skip
LABEL = Label(
    "L\u00f6wenzahn & <friends>", f"sha256:{CUBE}", "a stretch", "platelog 0", "12ab", MAKING
)


@pytest.fixture(params=ENDINGS)
def picture(request, tmp_path):
    """Draw a picture in each format."""
    path = tmp_path / f"a.{request.param}"
    pixels = np.random.default_rng(4).integers(0, 65535, (24, 31, 3)).astype(np.uint16)
    write_picture(path, pixels, LABEL)
    return path


def test_a_picture_tells_its_cube_its_record_and_its_job(picture):
    """What a program reads back is what was written, whatever letters there are."""
    origin = read_origin(picture)
    assert (origin.linear_image, origin.record, origin.making) == (CUBE, "12ab", MAKING)


def test_the_packet_is_xml_that_general_readers_find(picture):
    """Pillow and tifffile find the packet in its place, and it is well-formed RDF."""
    if picture.suffix == ".tif":
        with tifffile.TiffFile(picture) as file:
            packet = bytes(file.pages[0].tags[700].value)
    else:
        with Image.open(picture) as image:
            image.load()
            packet = image.info["xmp"]
    text = packet.decode() if isinstance(packet, bytes) else packet
    root = ElementTree.fromstring(text)
    dc = "{http://purl.org/dc/elements/1.1/}"
    assert root.find(f".//{dc}source").text == f"sha256:{CUBE}"
    assert "".join(root.find(f".//{dc}title").itertext()) == LABEL.title


def test_each_changed_byte_is_found(picture):
    """Whatever byte of a picture is changed, it is no longer intact, and still known as ours."""
    content = picture.read_bytes()
    assert is_intact(content)
    assert fault(picture) == ""
    rng = np.random.default_rng(7)
    for place in range(len(content)):
        changed = bytearray(content)
        changed[place] ^= int(rng.integers(1, 256))
        assert not is_intact(bytes(changed)), place
        if place % 97 == 0:
            picture.write_bytes(changed)
            assert fault(picture) == "its bytes do not match its digest"
            assert is_of_a_run(picture)


@pytest.mark.parametrize("change", [lambda c: c[:-1], lambda c: c + b"\0", lambda c: b""])
def test_a_picture_that_is_cut_or_grew_is_not_intact(picture, change):
    """Bytes less or more are found."""
    assert not is_intact(change(picture.read_bytes()))


def test_sealing_twice_changes_nothing(picture):
    """The seal of a sealed picture is the same."""
    content = picture.read_bytes()
    assert sealed(content) == content


def test_other_pictures_have_no_origin(tmp_path):
    """A picture from elsewhere is named, with what to do; it is none of ours."""
    path = tmp_path / "b.png"
    Image.new("RGB", (4, 4)).save(path)
    with pytest.raises(UserError, match=r"b.png: has no provenance record; name a"):
        read_origin(path)
    assert not is_of_a_run(path)
    with pytest.raises(ValueError, match="no place for a seal"):
        sealed(path.read_bytes())
