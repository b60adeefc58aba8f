"""The list of frames: the type and the use of each raw file of a project."""

import difflib
from collections import Counter, defaultdict
from collections.abc import Sequence
from typing import TYPE_CHECKING

from platefiles.config.lock_file import read_lock
from platefiles.core.errors import UserError
from platefiles.core.safe_names import frame_id, slug
from platefiles.fits.keywords import KEYS
from platefiles.frames.dialects import Facts
from platefiles.frames.filters import canonical_filter, claims
from platefiles.frames.fixed_header import fixes_for, matches
from platefiles.frames.frame import Frame, unused
from platefiles.frames.left_out import LeftOut, Why
from platefiles.frames.times import night_of
from platefiles.raw_folders.damaged_copies import copies_left_out, other_id
from platefiles.raw_folders.known_frames import KnownFrame, recognised
from platefiles.raw_folders.light_selection import why_not_selected
from platefiles.raw_folders.scan import RawFile
from platefiles.raw_frames.sensor_sections import Readout, SectionError, readout_of

if TYPE_CHECKING:
    from platefiles.config.project import LoadedProject


def build_frame_list(
    raw_files: Sequence[RawFile], loaded: "LoadedProject", known: Sequence[KnownFrame] = ()
) -> tuple[Frame, ...]:
    """Assign kind and role to the raw files of a project.

    Parameters
    ----------
    raw_files : sequence of RawFile
        In the order of `platefiles.raw_folders.scan.scan_folders`.
    loaded : LoadedProject
        The project: its channels, `exclude`, `header_fixes` and the site, if known.
    known : sequence of KnownFrame
        Frames of the last list: frames of the same content keep their ids and names.

    Returns
    -------
    tuple of Frame
        Sorted by id. Unusable and excluded frames have the role `unused` and a reason.

    Raises
    ------
    UserError
        If `header_fixes` names a card that is never read.
    """
    _check_fixes(loaded)
    again = recognised(raw_files, known)
    names = [_names(file, again.get(place)) for place, file in enumerate(raw_files)]
    frames, files, ids = [], {}, {one.id for one in again.values()}
    claimed = claims(loaded.project)
    facts = [
        _facts(file, loaded, told, again.get(place))
        for place, (file, told) in enumerate(zip(raw_files, names, strict=True))
    ]
    longitudes = site_longitudes(facts, loaded)
    # Of several files of one content, the known frame stays in use.
    order = sorted(range(len(raw_files)), key=lambda place: place not in again)
    for place in order:
        file, fact, longitude = raw_files[place], facts[place], longitudes[place]
        identity = again[place].id if place in again else frame_id(file.inside)
        if place not in again and identity in ids:
            identity = other_id(identity, file)
        ids.add(identity)
        channel = claimed.get(canonical_filter(fact.filter), "")
        readout, unclear = _readout(file, fact, loaded)
        left_out = _left_out(file, names[place], fact, channel, loaded) or unclear
        name = again[place].name if place in again else file.name
        frames.append(_frame(identity, name, file, fact, readout, left_out, channel, longitude))
        files[identity] = file
    compared = any(file.pixels for file in raw_files)
    if compared or len({frame.fingerprint for frame in frames}) < len(frames):
        pinned = _pinned(loaded)
        frames = copies_left_out(sorted(frames, key=lambda f: f.id not in pinned), files, pinned)
    kept = _odd_sizes_out(frames)
    return tuple(sorted(kept, key=lambda frame: frame.id))


def site_longitudes(facts: Sequence[Facts], loaded: "LoadedProject") -> list[float | None]:
    """Return the longitude of the site for each header, east positive.

    The site of the equipment file overrides the headers. Some programs write SITELONG with west
    positive. If the header does not state the convention, the sign is chosen that puts the lights
    of the project nearer to midnight.
    """
    if loaded.equipment.site is not None:
        return [loaded.equipment.site.longitude_deg] * len(facts)
    unsure = [
        (float(f.start_utc[11:13]) + float(f.start_utc[14:16]) / 60, f.longitude_deg / 15)
        for f in facts
        if f.role == "light"
        and "T" in f.start_utc
        and f.longitude_deg is not None
        and not f.longitude_is_east
    ]
    as_east = sum(_from_midnight(hour + shift) for hour, shift in unsure)
    as_west = sum(_from_midnight(hour - shift) for hour, shift in unsure)
    sign = -1.0 if as_west < as_east else 1.0
    return [
        f.longitude_deg
        if f.longitude_deg is None or f.longitude_is_east
        else sign * f.longitude_deg
        for f in facts
    ]


def setting_slug(facts: Facts, width_px: int, height_px: int) -> str:
    """Return a safe name of a camera setting, such as `mono26_1440x1040_g100_o50`."""
    parts = [slug(facts.camera, 20), f"{width_px}x{height_px}"]
    if facts.binning != "1x1":
        parts.append(f"bin{facts.binning}")
    parts += [
        f"{letter}{number_slug(v)}"
        for letter, v in (("g", facts.gain), ("o", facts.offset))
        if v is not None
    ]
    return "_".join(part for part in parts if part)


def number_slug(value: float) -> str:
    """Write a number with letters for its signs: `m` for minus, `p` for the point."""
    return f"{value:.6g}".replace("-", "m").replace("+", "").replace(".", "p")


def _from_midnight(hour: float) -> float:
    return min(hour % 24, 24 - hour % 24)


def _names(file: RawFile, known: KnownFrame | None) -> tuple[str, ...]:
    """Return the names of a file for patterns: path inside the raw folder and known name."""
    return (file.inside, file.name) if known is None else (file.inside, file.name, known.name)


def _facts(
    file: RawFile, loaded: "LoadedProject", names: Sequence[str], known: KnownFrame | None
) -> Facts:
    fixes = fixes_for(names, loaded.project.header_fixes)
    untyped = known.role if known is not None else ""
    if loaded.project.calibrated:  # which needs no other frames
        untyped = "light"
    return file.facts(fixes, untyped)


def _check_fixes(loaded: "LoadedProject") -> None:
    for pattern, cards in loaded.project.header_fixes.items():
        for key in cards:
            if key not in KEYS:
                near = difflib.get_close_matches(key, KEYS, n=1)
                hint = f"did you mean {near[0]}?" if near else f"read are {', '.join(KEYS)}"
                msg = f"{loaded.path}: header_fixes: {pattern}: {key} is never read; {hint}"
                raise UserError(msg)


def _left_out(
    file: RawFile, names: Sequence[str], facts: Facts, channel: str, loaded: "LoadedProject"
) -> LeftOut | None:
    """Return the reason to leave out a file regardless of other files, or None."""
    project = loaded.path.name
    for pattern in loaded.project.exclude:
        if any(matches(name, pattern) for name in names):
            return LeftOut.because(Why.EXCLUDED, file=project)
    if file.reason:
        return LeftOut.because(Why.UNREADABLE, found=file.reason)
    other = why_not_selected(facts, loaded.project.lights) if facts.role == "light" else ""
    if other:
        return LeftOut.because(Why.NOT_SELECTED, file=project, found=other)
    if facts.colour:
        return LeftOut.because(Why.COLOUR_SENSOR, evidence=facts.colour)
    if facts.problem:
        return LeftOut.because(Why.UNCLEAR_HEADER, found=facts.problem)
    if facts.role in ("light", "flat") and not channel:
        return LeftOut.because(Why.NO_CHANNEL, file=project, filter=facts.filter)
    needs_exposure = facts.role == "light" and not loaded.project.calibrated
    if facts.role == "dark" and facts.exposure_s is None or needs_exposure and not facts.exposure_s:
        return LeftOut.because(Why.NO_EXPOSURE)
    return None


def _readout(
    file: RawFile, facts: Facts, loaded: "LoadedProject"
) -> tuple[Readout | None, LeftOut | None]:
    """Return the image and overscan sections, or the fault in the header."""
    if not facts.sections or file.reason or loaded.project.calibrated:
        return None, None
    try:
        return readout_of(facts.sections, file.width_px, file.height_px), None
    except SectionError as error:
        return None, LeftOut.because(Why.UNCLEAR_SECTIONS, found=str(error))


def _frame(
    identity: str,
    name: str,
    file: RawFile,
    facts: Facts,
    readout: Readout | None,
    left_out: LeftOut | None,
    channel: str,
    longitude: float | None,
) -> Frame:
    width_px, height_px = readout.trim.size if readout else (file.width_px, file.height_px)
    sections = readout.facts() if readout else {"trim": "", "bias": ""}
    return Frame(
        id=identity,
        path=file.path,
        name=name,
        role="unused" if left_out else facts.role,
        left_out=left_out,
        channel=channel if facts.role in ("light", "flat") and not left_out else "",
        night=night_of(facts.start_utc, longitude),
        camera=facts.camera,
        width_px=width_px,
        height_px=height_px,
        binning=facts.binning,
        gain=facts.gain,
        offset=facts.offset,
        setting=setting_slug(facts, width_px, height_px),
        exposure_s=facts.exposure_s or 0.0,
        temperature_c=facts.temperature_c,
        start_utc=facts.start_utc,
        egain=facts.egain,
        unit=facts.unit,
        pedestal=0.0 if sections["bias"] else facts.pedestal,  # which the overscan holds too
        target=facts.target,
        filter=facts.filter,
        size_bytes=file.size_bytes,
        fingerprint=file.fingerprint,
        trim_section=sections["trim"],
        bias_section=sections["bias"],
    )


def _pinned(loaded: "LoadedProject") -> set[str]:
    """Return the ids pinned by the lock file; copies do not displace these frames."""
    lock = read_lock(loaded.lock_path)
    return set() if lock is None else {lock.reference, *lock.photometry.values()}


def _times(size: tuple[int, int]) -> str:
    return f"{size[0]}x{size[1]}"


def _odd_sizes_out(frames: Sequence[Frame]) -> list[Frame]:
    """Leave out lights whose size differs from most lights of the same camera and binning."""
    sizes: dict[tuple[str, str], Counter[tuple[int, int]]] = defaultdict(Counter)
    for frame in frames:
        if frame.role == "light":
            sizes[slug(frame.camera), frame.binning][frame.width_px, frame.height_px] += 1
    usual = {key: max((n, size) for size, n in c.items())[1] for key, c in sizes.items()}
    kept = []
    for frame in frames:
        size = frame.width_px, frame.height_px
        want = usual.get((slug(frame.camera), frame.binning), size)
        if frame.role == "light" and size != want:
            frame = unused(
                frame, LeftOut.because(Why.ODD_SIZE, size=_times(size), usual=_times(want))
            )
        kept.append(frame)
    return kept
