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
        Path of the file; for a missing raw frame, its name inside the raw folder.
    state : str
        ok, changed or missing.
    why : str
        The fault, as the end of a sentence.
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
        Products made under another environment than that of this checkout, by the digest of its
        lock file.
    gone : set of str
        Intermediate products that are not kept; they can be remade.
    left_over : list of str
        Products of a plan earlier than the last run. Missing inputs and raw frames that only they
        need are no faults.
    lost : list of str
        Names of missing raw frames that only ``left_over`` products need.
    signers : dict of str to str
        Signer of each sheet of digests, if known.
    not_kept : set of str
        Missing files that a sheet of digests lists.
    unlisted : set of str
        Files that jobs made after the sheet of digests beside them was written, as in a killed run;
        the sheet lacks them or lists another digest.
    provisional : set of str
        Products that the next run remakes, because a raw frame had changed since the scan when they
        were made: `platefiles.core.provisional`.
    without_sheet : set of str
        Results without a sheet of digests, so that tables and logs cannot be checked.
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
