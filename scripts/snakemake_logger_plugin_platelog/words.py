"""Jobs, reasons and times in words."""

import re


def in_words(reason: str) -> str:
    """Return Snakemake's reason for a job, with the mark of stale products in words."""
    return re.sub(r"Updated input files: [^;]*\.newer\b", "Out of date", reason)


def plain(rule: str) -> str:
    """Return a rule's name as words."""
    return rule.replace("_", " ")


def job_name(rule: str, wildcards: dict[str, str]) -> str:
    """Return a job's name as words: its rule, and what it works on."""
    return " ".join([plain(rule), *(str(value) for value in wildcards.values())])


def rounded(seconds: float) -> str:
    """Return an estimate with its significant digits only: ``8 s``, ``50 s``, ``3 min``."""
    if 10 < seconds < 90:
        seconds = 5 * round(seconds / 5)
    return duration(max(seconds, 1))


def duration(seconds: float) -> str:
    """Return a duration in words: ``8 s``, ``3 min``, ``2 h 5 min``."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60} min"
