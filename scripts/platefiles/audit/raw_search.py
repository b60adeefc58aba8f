"""Find the raw frames of a record, wherever their folder is now."""

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from platefiles.core.errors import UserError
from platefiles.core.hashing import file_sha256
from platefiles.core.safe_names import escape
from platefiles.provenance.activities import RawRecord
from platefiles.raw_folders.folder_walk import walk_folders

FOUND = "found"
CHANGED = "changed"
MISSING = "missing"


@dataclass(frozen=True)
class RawFrame:
    """The result of the search for a raw frame.

    Attributes
    ----------
    raw : RawRecord
    state : str
        ``found``: a file has its digest. ``changed``: no file has, but one has its name.
        ``missing``: neither.
    path : str
        The file, or an empty text.
    """

    raw: RawRecord
    state: str
    path: str


def find_raw(raws: Iterable[RawRecord], folders: Sequence[str | Path]) -> dict[str, RawFrame]:
    """Find raw frames by their digest.

    Files whose path ends with the recorded name are checked first, then files of the recorded size,
    whatever their names.

    Parameters
    ----------
    raws : iterable of RawRecord
    folders : sequence of path-like
        Searched recursively; hidden folders are skipped.

    Returns
    -------
    dict of str to RawFrame
        By the recorded SHA-256.

    Raises
    ------
    UserError
        If a folder is missing.
    """
    for folder in folders:
        if not os.path.isdir(folder):
            msg = f"{folder}: there is no such folder of raw frames; name another with --raw"
            raise UserError(msg)
    search = _Search(folders)
    return {raw.sha256: search.find(raw) for raw in raws}


class _Search:
    """The files of some folders, each digested at most once."""

    def __init__(self, folders: Sequence[str | Path]):
        self._digests: dict[str, str] = {}
        self._by_file_name: dict[str, list[str]] = {}
        self._by_size: dict[int, list[str]] = {}
        for _, path, _, info in walk_folders(folders):
            self._by_file_name.setdefault(os.path.basename(_real(path)), []).append(path)
            self._by_size.setdefault(info.st_size, []).append(path)

    def find(self, raw: RawRecord) -> RawFrame:
        file_name = os.path.basename(raw.name)
        at_its_place = [
            path
            for path in self._by_file_name.get(file_name, [])
            if _real(path).endswith(f"/{raw.name}")
        ]
        for path in (*at_its_place, *self._by_size.get(raw.size_bytes, [])):
            if self._digest(path) == raw.sha256:
                return RawFrame(raw, FOUND, path)
        if at_its_place:
            return RawFrame(raw, CHANGED, at_its_place[0])
        return RawFrame(raw, MISSING, "")

    def _digest(self, path: str) -> str:
        if path not in self._digests:
            try:
                self._digests[path] = file_sha256(path)
            except OSError:  # no reading it is as good as no such file
                self._digests[path] = ""
        return self._digests[path]


def _real(path: str) -> str:
    """Return the path with links resolved, escaped like frame names."""
    return escape(os.path.realpath(path))


def folders_beside(product: str | Path) -> list[Path]:
    """Return the folder of a run's links to raw frames, if there is one.

    Parameters
    ----------
    product : path-like
        A product anywhere below the results of its project.
    """
    near = (parent / "links" for parent in list(Path(os.path.abspath(product)).parents)[:3])
    return [folder for folder in near if folder.is_dir()][:1]
