"""The XMP packet of a picture, the same in PNG, TIFF, JPEG, SVG and WebP.

XMP (ISO 16684-1) is the only metadata that all these formats know, in places that their standards
name (an iTXt chunk, tag 700, an APP1 segment, an element, an XMP chunk), and that programs for
pictures keep. Packets stand there uncompressed and are made to be found by scanning, so one reader
serves all formats.
"""

import json
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from html import unescape
from pathlib import Path
from xml.sax.saxutils import escape

from platefiles.core.errors import UserError
from platefiles.core.hashing import canonical
from platefiles.provenance.activities import Making, making_of

PICTURES = (".png", ".jpg", ".tif", ".svg", ".webp")
"""Extensions of picture files, which carry a packet."""

SEAL = b"<platelog:Seal>%b</platelog:Seal>"
"""Where the digest of the picture itself stands, see `platefiles.provenance.content_digest`."""

_NO_SEAL = b"0" * 64
_BESIDE, _DRAWN, _GRID = "platelog:Beside", "platelog:Drawn", "platelog:Grid"
_FORMATS = {
    "png": "image/png",
    "jpg": "image/jpeg",
    "tif": "image/tiff",
    "svg": "image/svg+xml",
    "webp": "image/webp",
}
_PACKET = """\
<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/">
<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about=""
 xmlns:dc="http://purl.org/dc/elements/1.1/"
 xmlns:xmp="http://ns.adobe.com/xap/1.0/"
 xmlns:avm="http://www.communicatingastronomy.org/avm/1.0/"
 xmlns:platelog="urn:platelog:record:1">
<dc:format>{format}</dc:format>
<dc:title><rdf:Alt><rdf:li xml:lang="x-default">{title}</rdf:li></rdf:Alt></dc:title>
<dc:source>{source}</dc:source>
<xmp:CreatorTool>{software}</xmp:CreatorTool>
{avm}
<platelog:Record>{record}</platelog:Record>
<platelog:Making>{making}</platelog:Making>
{beside}{drawn}{grid}{seal}
</rdf:Description>
</rdf:RDF>
</x:xmpmeta>
<?xpacket end="r"?>"""


@dataclass(frozen=True)
class Origin:
    """The origin of a picture.

    Attributes
    ----------
    linear_image : str
        SHA-256 of the file of the linear image.
    record : str
        Id of the record in the linear image; empty without one.
    making : Making or None
        The job that drew the picture.
    beside : dict of str to str
        SHA-256 of the file of each further input product.
    drawn : Making or None
        The job that drew the display image from the linear image, if the picture is encoded from
        one: that file need not be there to tell how the picture was made.
    grid : str
        Place on the grid, see `platefiles.fits.grid_place.GridPlace.text`; empty if unknown.
    """

    linear_image: str
    record: str
    making: Making | None
    beside: dict[str, str] = field(default_factory=dict)
    drawn: Making | None = None
    grid: str = ""

    def digest_of(self, product: str) -> str:
        """Return the SHA-256 of the file of an input product of the picture."""
        return self.beside.get(product, self.linear_image)


def packet(
    ending: str,
    facts: Mapping[str, str],
    record: str,
    making: Making | None,
    avm: str = "",
    beside: Mapping[str, str] | None = None,
    drawn: Making | None = None,
    grid: str = "",
) -> bytes:
    """Return an unsealed XMP packet.

    Parameters
    ----------
    ending : str
        ``png``, ``tif``, ``jpg``, ``svg`` or ``webp``.
    facts : mapping
        ``title``, ``source`` (``sha256:`` and the digest of the linear image) and ``software``.
    record : str
        Id of the linear image's record.
    making : Making or None
    avm : str
        Elements from `platefiles.picture.avm.avm_elements`.
    beside : mapping, optional
        As in `Origin`.
    drawn : Making, optional
        As in `Origin`.
    grid : str
        As in `Origin`.
    """
    texts = {key: escape(text) for key, text in facts.items()}
    told = escape(canonical(asdict(making))) if making else ""
    others = f"<{_BESIDE}>{escape(canonical(beside))}</{_BESIDE}>\n" if beside else ""
    display = f"<{_DRAWN}>{escape(canonical(asdict(drawn)))}</{_DRAWN}>\n" if drawn else ""
    text = _PACKET.format(
        **texts,
        format=_FORMATS[ending],
        record=escape(record),
        making=told,
        beside=others,
        drawn=display,
        grid=f"<{_GRID}>{escape(grid)}</{_GRID}>\n" if grid else "",
        seal=(SEAL % _NO_SEAL).decode(),
        avm=avm,
    )
    return text.encode()


def read_origin(path: str | Path) -> Origin:
    """Read the origin of a picture.

    Raises
    ------
    UserError
        If the picture has no such metadata.
    """
    content = Path(path).read_bytes()
    try:
        making = _value(content, "platelog:Making")
        beside = json.loads(_value(content, _BESIDE)) if _has(content, _BESIDE) else {}
        drawn = _value(content, _DRAWN) if _has(content, _DRAWN) else ""
        return Origin(
            _value(content, "dc:source").removeprefix("sha256:"),
            _value(content, "platelog:Record"),
            making_of(json.loads(making)) if making else None,
            {str(product): str(digest) for product, digest in beside.items()},
            making_of(json.loads(drawn)) if drawn else None,
            _value(content, _GRID) if _has(content, _GRID) else "",
        )
    except (ValueError, TypeError, LookupError, AttributeError, RecursionError):
        msg = f"{path}: has no provenance record; name a picture that a run has made"
        raise UserError(msg) from None


def _has(content: bytes, tag: str) -> bool:
    return b"<%b>" % tag.encode() in content


def _value(content: bytes, tag: str) -> str:
    found = re.search(rb"<%b>([^<]*)</%b>" % (tag.encode(), tag.encode()), content)
    if found is None:
        msg = f"no {tag}"
        raise ValueError(msg)
    return unescape(found[1].decode())
