"""The findings of `verify`, file by file."""

from dataclasses import dataclass, field

OK, CHANGED, MISSING = "ok", "changed", "missing"
PRODUCT, PICTURE, TABLE, LOG, LOCK = "product", "picture", "table", "log", "lock file"
SHEET, SIGNATURE, NOTE, RAW_FRAME = "list of digests", "signature", "job note", "raw frame"
KINDS = (PRODUCT, PICTURE, TABLE, LOG, LOCK, SHEET, SIGNATURE, NOTE, RAW_FRAME)
"""Kinds of files, in the order in which a summary counts them."""


@dataclass(frozen=True)
class Finding:
    """The finding about a file.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    name : str
        Path of the file; of a raw frame that is not there, its name inside the raw folder.
    state : str
        ok, changed or missing.
    why : str
        What is wrong, as a sentence goes on.
    """

    kind: str
    name: str
    state: str
    why: str = ""


@dataclass
class Verification:
    """The findings of `verify`.

    Attributes
    ----------
    findings : list of Finding
    other_locks : dict of str to list of str
        By the digest of a lock file of the environment that is not that of this checkout: what
        was made under it.
    gone : set of str
        Products on the way from the raw frames that are not kept; they can be made again.
    left_over : list of str
        Products of an earlier plan than that of the last run. Neither what else they were made
        from nor a raw frame that they alone need is missed.
    lost : list of str
        Names of raw frames that are not there and that they alone need.
    signers : dict of str to str
        By sheet of digests, who signed it, as far as that is known.
    not_kept : set of str
        Files that a sheet of digests lists and that are not there any more.
    unlisted : set of str
        Files that the sheet of digests beside them does not list as they are, since jobs made
        them after it was written, as in a run that was killed.
    provisional : set of str
        Products that a run makes again, since a raw frame was not as it had been scanned when they
        were made: `platefiles.core.provisional`.
    without_sheet : set of str
        Results that have no sheet of digests, so that tables and logs have no witness.
    """

    findings: list[Finding] = field(default_factory=list)
    other_locks: dict[str, list[str]] = field(default_factory=dict)
    gone: set[str] = field(default_factory=set)
    left_over: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    signers: dict[str, str] = field(default_factory=dict)
    not_kept: set[str] = field(default_factory=set)
    unlisted: set[str] = field(default_factory=set)
    provisional: set[str] = field(default_factory=set)
    without_sheet: set[str] = field(default_factory=set)

    def count(self, state: str) -> int:
        """Number of files in a state."""
        return sum(finding.state == state for finding in self.findings)
