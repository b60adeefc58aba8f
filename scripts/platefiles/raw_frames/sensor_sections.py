"""The image and overscan sections of a raw frame, from its header.

BIASSEC, TRIMSEC and DATASEC are those of the keyword dictionary of the NOAO mosaic camera: sections
``[x1:x2,y1:y2]`` of the image as it is stored, both ends included, counted from 1.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from platefiles.fits.header_reader import Value

if TYPE_CHECKING:
    import numpy as np

_SECTION = re.compile(r"\[?\s*(\d+)\s*:\s*(\d+)\s*,\s*(\d+)\s*:\s*(\d+)\s*\]?")
_REMEDY = "correct it under `header_fixes`, or remove it there with an empty value"


class SectionError(ValueError):
    """An invalid section; the message is the reason, in a few words."""


@dataclass(frozen=True)
class Section:
    """A rectangle of pixels, 0-based, ends excluded."""

    left: int
    right: int
    bottom: int
    top: int

    @classmethod
    def of_text(cls, text: str) -> "Section | None":
        """Parse a section in FITS notation; None if it is empty, as in ``[0:0,0:0]``.

        Raises
        ------
        SectionError
            If the text is not a section.
        """
        matched = _SECTION.fullmatch(text.strip())
        if not matched:
            msg = f"is no section such as '[1:2048,1:1024]'; {_REMEDY}"
            raise SectionError(msg)
        x1, x2, y1, y2 = (int(number) for number in matched.groups())
        if 0 in (x1, x2, y1, y2):
            return None
        return cls(min(x1, x2) - 1, max(x1, x2), min(y1, y2) - 1, max(y1, y2))

    def __str__(self) -> str:
        """Return the section in FITS notation."""
        return f"[{self.left + 1}:{self.right},{self.bottom + 1}:{self.top}]"

    @property
    def size(self) -> tuple[int, int]:
        """Width and height."""
        return self.right - self.left, self.top - self.bottom

    def fits(self, width_px: int, height_px: int) -> bool:
        """Return whether the section lies inside an image of a size."""
        return self.right <= width_px and self.top <= height_px

    def of(self, image: "np.ndarray") -> "np.ndarray":
        """Return the section of an image ``(ny, nx)``."""
        return image[self.bottom : self.top, self.left : self.right]


@dataclass(frozen=True)
class Readout:
    """The image and overscan sections of a raw frame.

    Attributes
    ----------
    trim : Section
    bias : Section or None
        Overscan; None if the frame is only trimmed.
    """

    trim: Section
    bias: Section | None

    def facts(self) -> dict[str, str]:
        """Return the sections in FITS notation, for jobs and the list of frames."""
        return {"trim": str(self.trim), "bias": "" if self.bias is None else str(self.bias)}

    @classmethod
    def of_facts(cls, facts: Mapping[str, str] | None) -> "Readout | None":
        """Return the sections from :meth:`facts`; None for an untrimmed frame."""
        if not facts:
            return None
        trim = Section.of_text(facts["trim"])
        assert trim is not None
        return cls(trim, Section.of_text(facts["bias"]) if facts["bias"] else None)

    def levels(self, overscan: "np.ndarray") -> "np.ndarray":
        """Return the level to subtract from the trimmed image.

        Parameters
        ----------
        overscan : numpy.ndarray
            The values of ``bias``, ``(ny, nx)``, ADU.

        Returns
        -------
        numpy.ndarray
            Float32, ``(ny, 1)`` where the overscan lies beside the image, ``(1, nx)`` where it
            lies below or above it. Rows and columns without overscan take the nearest level.
        """
        import numpy as np  # slow to import, and needed only where pixels are read

        from platelib.calibration.overscan import overscan_levels

        assert self.bias is not None
        if self._is_beside:
            levels = overscan_levels(overscan)
            places = np.arange(self.trim.bottom, self.trim.top) - self.bias.bottom
            return _nearest(levels, places)[:, None]
        levels = overscan_levels(overscan.T)
        places = np.arange(self.trim.left, self.trim.right) - self.bias.left
        return _nearest(levels, places)[None, :]

    @property
    def _is_beside(self) -> bool:
        """Whether the overscan shares rows with the image, and no columns."""
        trim, bias = self.trim, self.bias
        assert bias is not None
        return bias.left >= trim.right or bias.right <= trim.left


def _nearest(levels: "np.ndarray", places: "np.ndarray") -> "np.ndarray":
    import numpy as np

    return levels[np.clip(places, 0, len(levels) - 1)].astype(np.float32)


def readout_of(sections: Mapping[str, str], width_px: int, height_px: int) -> Readout | None:
    """Return the image and overscan sections from a header.

    Parameters
    ----------
    sections : mapping of str to str
        Text by keyword: BIASSEC, TRIMSEC, DATASEC, and those of several amplifiers.
    width_px, height_px : int
        Size of the frame as it is stored.

    Returns
    -------
    Readout or None
        None if there is nothing to trim: no sections, or a frame that was trimmed before.

    Raises
    ------
    SectionError
        With the value of the keyword and the remedy.
    """
    amplifiers = [key for key in sections if key not in ("BIASSEC", "TRIMSEC", "DATASEC")]
    if len(amplifiers) > 1:
        msg = (
            f"was read through several amplifiers ({', '.join(amplifiers)}), whose overscan is "
            "not subtracted; trim these frames yourself, or remove these cards under `header_fixes`"
        )
        raise SectionError(msg)
    bias, bias_key = _first(sections, ("BIASSEC", *amplifiers))
    trim, trim_key = _first(sections, ("TRIMSEC", "DATASEC") if bias else ("TRIMSEC",))
    whole = Section(0, width_px, 0, height_px)
    bias = None if bias == whole else bias  # what some cameras write that have no overscan
    if trim is not None and trim.size == whole.size and not (bias and bias.fits(*whole.size)):
        return None  # trimmed by others, who left the cards
    for section, key in ((bias, bias_key), (trim, trim_key)):
        if section is not None and not section.fits(width_px, height_px):
            msg = f"has {key} = '{section}' in {width_px}x{height_px} px; {_REMEDY}"
            raise SectionError(msg)
    if bias is None:
        return None if trim is None else Readout(trim, None)
    if trim is None:
        trim = _without(whole, bias)
    if trim is None or _overlap(trim, bias) != 1:
        where = "" if trim is None else f" and {trim_key or 'the image'} = '{trim}'"
        msg = f"has {bias_key} = '{bias}'{where}, which is no strip beside the image; {_REMEDY}"
        raise SectionError(msg)
    return Readout(trim, bias)


def _first(sections: Mapping[str, str], keys: tuple[str, ...]) -> tuple[Section | None, str]:
    for key in keys:
        try:
            section = Section.of_text(sections[key]) if key in sections else None
        except SectionError as error:
            msg = f"has {key} = {sections[key]!r}, which {error}"
            raise SectionError(msg) from error
        if section is not None:
            return section, key
    return None, ""


def _without(whole: Section, strip: Section) -> Section | None:
    """Return an image section without a strip at one of its edges."""
    width, height = whole.size
    parts = (
        Section(strip.right, width, 0, height) if strip.left == 0 else None,
        Section(0, strip.left, 0, height) if strip.right == width else None,
        Section(0, width, strip.top, height) if strip.bottom == 0 else None,
        Section(0, width, 0, strip.bottom) if strip.top == height else None,
    )
    kept = [part for part in parts if part is not None and min(part.size) > 0]
    return max(kept, key=lambda part: part.size[0] * part.size[1], default=None)


def _overlap(one: Section, other: Section) -> int:
    """Count the axes along which two sections have pixels in common."""
    return (max(one.left, other.left) < min(one.right, other.right)) + (
        max(one.bottom, other.bottom) < min(one.top, other.top)
    )


def trimmed_cards(cards: Mapping[str, Value], readout: Readout | None) -> dict[str, Value]:
    """Return the cards of a frame with the reference pixel shifted to the trimmed image."""
    shifted = dict(cards)
    if readout is None:
        return shifted
    for key, first in (("CRPIX1", readout.trim.left), ("CRPIX2", readout.trim.bottom)):
        value: Any = cards.get(key)
        try:
            shifted |= {key: float(value) - first} if key in cards else {}
        except (TypeError, ValueError):
            continue
    return shifted


def overscan_cards(rows: Any) -> list[tuple]:
    """Return the overscan cards of a product.

    Parameters
    ----------
    rows : iterable of mapping
        Rows of a job: facts of subs or of calibration frames.
    """
    facts = [row["sections"] for row in rows if row.get("sections")]
    told = {
        key: "; ".join(sorted({sections[key] for sections in facts if sections[key]}))
        for key in ("bias", "trim")
    }
    names = {"bias": "OVERSCAN", "trim": "TRIMMED"}
    return [(names[key], text) for key, text in told.items() if text]
