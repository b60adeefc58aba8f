"""Find the raw frames of records, and check that they are unchanged."""

import os
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from platefiles.audit.findings import CHANGED, MISSING, OK, RAW_FRAME, Finding
from platefiles.core.errors import UserError
from platefiles.core.hashing import file_sha256
from platefiles.provenance.activities import RawRecord
from platefiles.raw_folders.known_frames import paths_in_sheet
from platefiles.transfers.fetch import POINTER_ENDING


class RawPlaces:
    """Candidate files for raw frames, by the ends of their paths and by size.

    Parameters
    ----------
    folders : sequence of path-like
        Searched recursively.
    roots : iterable of Path
        Results of projects; their links are used if there are no folders.

    Raises
    ------
    UserError
        If a path is not a folder.
    """

    def __init__(self, folders: Sequence[str | Path], roots: Iterable[Path]):
        found = self._in_folders(folders) if folders else self._behind_links(roots)
        self._paths = sorted({*found})
        self._pointers = any(path.endswith(POINTER_ENDING) for path in self._paths)
        self._by_name: dict[str, list[str]] = {}
        self._by_size: dict[int, list[str]] = {}
        self._digests: dict[str, str] = {}
        for path in self._paths:
            self._by_name.setdefault(os.path.basename(path), []).append(path)
            self._by_size.setdefault(os.stat(path).st_size, []).append(path)

    @staticmethod
    def _in_folders(folders: Sequence[str | Path]) -> Iterator[str]:
        for folder in folders:
            if not os.path.isdir(folder):
                msg = f"--raw {folder}: is no folder; name the folder that the raw frames are in"
                raise UserError(msg)
            for place, _, names in os.walk(folder):
                yield from (path for n in names if os.path.isfile(path := os.path.join(place, n)))

    @staticmethod
    def _behind_links(roots: Iterable[Path]) -> Iterator[str]:
        for root in roots:
            links = root / "links"
            targets = [os.path.realpath(link) for link in links.iterdir()] if links.is_dir() else []
            targets += paths_in_sheet(root / "frames.tsv")  # which lists unused ones, too
            yield from (target for target in targets if os.path.isfile(target))

    def finding(self, raw: RawRecord) -> Finding:
        """Find a raw frame and check every byte of it."""
        named = self._by_name.get(os.path.basename(raw.name), [])
        named = [path for path in named if path.endswith(f"/{raw.name}")]
        for path in (*named, *self._by_size.get(raw.size_bytes, [])):
            if self._digest(path) == raw.sha256:
                return Finding(RAW_FRAME, path, OK)
        if named:
            return Finding(RAW_FRAME, named[0], CHANGED, "its SHA-256 differs")
        why = "not found; name the folder of the raw frames with --raw"
        if self._pointers:
            why = "lies in object storage; fetch it and name its folder with --raw"
        return Finding(RAW_FRAME, raw.name, MISSING, why)

    def _digest(self, path: str) -> str:
        if path not in self._digests:
            self._digests[path] = file_sha256(path)
        return self._digests[path]
