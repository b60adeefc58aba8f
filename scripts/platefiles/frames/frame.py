"""One raw file as the project sees it, and the table of them on disk."""

import json
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

from platefiles.core.atomic_write import write_if_changed
from platefiles.core.hashing import canonical
from platefiles.core.safe_names import escape, unescape
from platefiles.frames.left_out import LeftOut, Why
from platefiles.frames.left_out_sentences import sentence


@dataclass(frozen=True)
class Frame:
    """One raw file of a project (a row of `frames.tsv`)."""

    id: str
    """Safe, unique and stable name made from the path inside the raw folder at first."""
    path: str
    """Absolute path, with bytes that are not UTF-8 as surrogates (`os.fsdecode`); or a URL."""
    name: str
    """Path inside the raw folder when the project met the frame first, printable."""
    role: str
    """bias, dark, flat, light or unused."""
    channel: str
    """Project channel of a flat or light, else empty."""
    night: str
    """Date of the evening, `YYYY-MM-DD`, or `undated`."""
    camera: str
    width_px: int
    height_px: int
    """Size of what is kept of the stored image."""
    binning: str
    gain: float | None
    """Camera gain setting."""
    offset: float | None
    """Camera offset (black level) setting."""
    setting: str
    """Safe name of camera, size, binning, gain and offset together."""
    exposure_s: float
    """0 where the header has none, as calibrated lights may."""
    temperature_c: float | None
    start_utc: str
    """Start of the exposure, ISO 8601, the date alone where no time is known, or empty."""
    egain: float | None
    """Electrons per ADU as the header has it."""
    unit: str
    pedestal: float
    """To be added to each pixel."""
    target: str
    size_bytes: int
    fingerprint: str
    trim_section: str = ""
    """Part of the stored image that is kept, such as `[1:2048,1:1024]`; empty if it is all kept."""
    bias_section: str = ""
    """Overscan whose level is subtracted, empty if there is none."""
    filter: str = ""
    """Name of the filter as the header has it; empty for frames without one."""
    left_out: LeftOut | None = None
    """Why the frame is unused."""

    @property
    def reason(self) -> str:
        """Reason why the frame is unused, as a sentence; else empty."""
        return "" if self.left_out is None else sentence(self.left_out)

    @property
    def why(self) -> Why | None:
        """Why the frame is unused."""
        return None if self.left_out is None else self.left_out.why

    @property
    def facts(self) -> str:
        """Values of the reason, as JSON; empty if the frame is used."""
        return "" if self.left_out is None else canonical(self.left_out.named)


def unused(frame: Frame, left_out: LeftOut) -> Frame:
    """Return the frame marked as unused, with the reason."""
    return replace(frame, role="unused", left_out=left_out, channel="")


def sections_of(frame: Frame) -> dict[str, dict[str, str]]:
    """Return the sections of a frame for its job; nothing for an untrimmed frame."""
    if not frame.trim_section:
        return {}
    return {"sections": {"trim": frame.trim_section, "bias": frame.bias_section}}


_FIELDS = tuple(field.name for field in fields(Frame) if field.name != "left_out")
_AFTER_ROLE = _FIELDS.index("role") + 1
_COLUMNS = (*_FIELDS[:_AFTER_ROLE], "reason", *_FIELDS[_AFTER_ROLE:], "why", "facts")
_INTEGERS = {"width_px", "height_px", "size_bytes"}
_FLOATS = {"exposure_s", "pedestal"}
_OPTIONAL = {"gain", "offset", "temperature_c", "egain"}


def write_frame_list(frames: Sequence[Frame], path: str | Path) -> bool:
    """Write `frames.tsv` if it changed: a header line, then one line per frame, fields escaped.

    Returns
    -------
    bool
        Whether it was written.
    """
    lines = ["\t".join(_COLUMNS)]
    lines += ["\t".join(_cell(getattr(frame, name)) for name in _COLUMNS) for frame in frames]
    return write_if_changed(path, "\n".join(lines) + "\n")


def read_frame_list(path: str | Path) -> tuple[Frame, ...]:
    """Read `frames.tsv`; all values round-trip.

    Raises
    ------
    ValueError
        If the file is not a list of frames of this version.
    """
    header, *lines = Path(path).read_text(encoding="utf-8").split("\n")
    if tuple(header.split("\t")) != _COLUMNS:
        msg = f"{path} is no list of frames of this version"
        raise ValueError(msg)
    frames = []
    for line in lines[:-1]:
        cells = dict(zip(_COLUMNS, line.split("\t"), strict=True))
        values: dict[str, Any] = {name: _parsed(name, cells[name]) for name in _FIELDS}
        if cells["why"]:
            values["left_out"] = LeftOut.of(cells["why"], json.loads(unescape(cells["facts"])))
        frames.append(Frame(**values))
    return tuple(frames)


def _cell(value: str | int | float | None) -> str:
    if isinstance(value, str):
        return escape(value)
    return "" if value is None else repr(value)


def _parsed(name: str, text: str) -> str | int | float | None:
    if name in _INTEGERS:
        return int(text)
    if name in _FLOATS:
        return float(text)
    if name in _OPTIONAL:
        return float(text) if text else None
    return unescape(text)
