"""Copies of raw frames from object storage, fetched when a job needs them and checked each time."""

import json
import os
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from platefiles.core.atomic_write import write_whole
from platefiles.core.errors import UserError
from platefiles.core.object_store import READERS, fetch_object, storage_client
from platefiles.core.safe_names import escape
from platefiles.jobs.job_log import log
from platefiles.raw_folders.scan import read_record
from platefiles.transfers.fetch import COPIES, POINTER_ENDING, copy_name

SCRATCH = "PLATELOG_SCRATCH"
"""Environment variable that names another folder for the copies, such as a node's own disk."""


def fetched(links: Sequence[str], targets: Sequence[str]) -> list[str]:
    """Fetch missing frames, and return the path of each frame.

    Parameters
    ----------
    links : sequence of str
        Links to raw frames.
    targets : sequence of str
        Target of each link: a file or a pointer.

    Returns
    -------
    list of str
        The copy for a pointer, and the link itself for a file.

    Raises
    ------
    UserError
        If a frame cannot be fetched or contradicts its pointer.
    """
    start = time.monotonic()
    with ThreadPoolExecutor(READERS) as pool:
        done = list(pool.map(_opened, links, targets))
    sizes = [size for _, size in done if size]
    if sizes:
        took_s = time.monotonic() - start
        log.info("fetched %d frames, %.0f MB, in %.1f s", len(sizes), sum(sizes) / 1e6, took_s)
    return [path for path, _ in done]


def _opened(link: str, target: str) -> tuple[str, int]:
    """Return the path to open and the number of fetched bytes."""
    if not target.endswith(POINTER_ENDING):
        return link, 0
    told = json.loads(Path(target).read_bytes())
    folder = os.environ.get(SCRATCH) or Path(target).parent.parent / COPIES
    copy = Path(folder) / copy_name(target, told["fingerprint"])
    if _is_whole(copy, told):
        return str(copy), 0
    write_whole(copy, lambda file: fetch_object(storage_client(), told["url"], file))
    if not _is_whole(copy, told):
        copy.unlink()
        msg = (
            f"{escape(told['url'])}: changed since the run began: run again, "
            "so that its header is read once more"
        )
        raise UserError(msg)
    return str(copy), told["size_bytes"]


def _is_whole(copy: Path, told: dict[str, Any]) -> bool:
    """Return whether a copy is the requested frame, by size, headers and the end of the data."""
    try:
        if copy.stat().st_size != told["size_bytes"]:
            return False
        return read_record(str(copy), told["size_bytes"])["fingerprint"] == told["fingerprint"]
    except FileNotFoundError:
        return False
