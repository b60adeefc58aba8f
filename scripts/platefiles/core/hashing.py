"""Canonical JSON of settings, and digests of texts and files."""

import hashlib
import json
from pathlib import Path
from typing import Any


def canonical(settings: Any) -> str:
    """Return settings as canonical JSON: sorted keys, no blanks, ASCII only, and no ``<``.

    Jobs contain file names and header texts, and Snakemake copies jobs unescaped into the scripts
    of its report: none of them may close the script element.
    """
    text = json.dumps(settings, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return text.replace("<", "\\u003c")


def digest(text: str) -> str:
    """Return 16 hexadecimal digits of the SHA-256 of a text."""
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def file_sha256(path: str | Path) -> str:
    """Return the SHA-256 of a file's bytes."""
    with open(path, "rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
