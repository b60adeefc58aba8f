"""Open the used subs of a channel; leave out those that changed since they were measured."""

from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path

from platefiles.calibration.master_library import Masters
from platefiles.core.frame_errors import ChangedFrame, FrameError
from platefiles.core.hashing import file_sha256
from platefiles.core.provisional import hold_back
from platefiles.integration.integrate_job import SubsJob
from platefiles.integration.single_coverage import LoneParts
from platefiles.raw_frames.raw_frame import open_frame
from platefiles.registration.registration_table import RegisteredSub
from platefiles.subs.calibrated_sub import Sub
from platefiles.subs.hit_pixels import NO_HITS, HitPixels
from platelib.registration.sub_state import SubState


def open_subs(
    stack: ExitStack,
    paths_to_raw: Sequence[str | Path],
    masters: Masters,
    registered: Sequence[RegisteredSub],
    hits: Mapping[str, HitPixels],
    job: SubsJob,
    grid: tuple[int, int],
) -> list[tuple[RegisteredSub, Sub]]:
    """Open the used subs, in the order of ``job.subs``.

    Parameters
    ----------
    stack : ExitStack
        Closes them.
    paths_to_raw : sequence of path-like
        Lights of the channel, in the order of ``job.subs``.
    masters : Masters
    registered : sequence of RegisteredSub
        Changed in place: a sub that is unreadable or differs from the measured one gets another
        state, the reason and the SHA-256 of its present file.
    hits : mapping of str to HitPixels
        Cosmic rays by id of the sub.
    job : SubsJob
    grid : tuple of int
        ``(ny, nx)``.

    Returns
    -------
    list of (RegisteredSub, Sub)
        The subs include the cosmic rays in areas covered by a single sub; ``ray_pixels`` of their
        rows counts these as well.
    """
    by_id = {sub.facts["id"]: sub for sub in registered}
    facts = {sub["id"]: (path, sub) for path, sub in zip(paths_to_raw, job.subs, strict=True)}
    subs: list[tuple[RegisteredSub, Sub]] = []
    lone = LoneParts(registered, grid) if job.lone_pixels else None
    for sub_id, (path, sub_facts) in facts.items():
        row = by_id[sub_id]
        if row.facts["state"] != SubState.USED:
            continue
        try:
            image = open_frame(path, sub_facts, row.facts["sums"])
        except FrameError as error:
            _leave_out(row, path, error)
            continue
        stack.callback(image.close)
        hit = hits.get(sub_id, NO_HITS)
        level, fwhm_px = row.facts["saturation_adu"], row.facts["fwhm_px"]
        sub = Sub(image, sub_facts, masters, job.camera, row.sky_noise, hit, level, fwhm_px)
        try:
            found = NO_HITS if lone is None else lone.hits(row, sub)
        except ChangedFrame as error:
            _leave_out(row, path, error)
            continue
        sub.add_hits(found)
        row.facts["ray_pixels"] = len(hit) + len(found)
        subs.append((row, sub))
    return subs


def leave_out_changed(subs: Sequence[tuple[RegisteredSub, Sub]], first: ChangedFrame) -> None:
    """Leave out the subs that changed since they were measured.

    Parameters
    ----------
    subs : sequence of (RegisteredSub, Sub)
        Open ones.
    first : ChangedFrame
        The first change, found while reading.
    """
    for row, sub in subs:
        try:
            if row.facts["id"] == first.id:
                raise first
            sub.image.check_all()
        except ChangedFrame as error:
            _leave_out(row, sub.image.path, error)


def _leave_out(row: RegisteredSub, path: str | Path, error: FrameError) -> None:
    """Mark a sub that changed since it was measured as left out, with the reason."""
    row.facts["state"], row.facts["reason"] = SubState.UNREADABLE, str(error)
    row.facts["weight"], row.facts["sha256"] = 0.0, file_sha256(path)
    hold_back(f"{row.facts['name']} {error}")
