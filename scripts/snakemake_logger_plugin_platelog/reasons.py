"""Find the reason for a failed job in its log."""

import os
import re
from collections.abc import Iterable
from pathlib import Path

TAIL_BYTES = 65536

_RAISED = re.compile(r"^(?:[A-Za-z_]\w*\.)*([A-Z]\w*(?:Error|Exception|Interrupt|Exit)): (.+)$")
_ERROR, _NOTES = "ERROR ", ("DEBUG ", "INFO ", "WARNING ")
_CRASH = "Fatal Python error: "
_LOST_DISK = (
    "a file was cut short, or its disk failed, while it was being read; check the raw folder"
)
_RULE = re.compile(r" in rule (\w+)")
_PROJECT = re.compile(r"(?:^|/)results/([^/]+)/(?:links|logs|objects|fetched)/")
_MISSING = re.compile(r"^(\S.*?) \(missing locally", re.MULTILINE)
_REFUSED = re.compile(r": \[Errno \d+\] (.+?): ['\"](.+)['\"]$")
_NO_NOTES = re.compile(r"recording metadata .*\(\[Errno \d+\] (.+?)\).* directory (.+)$")
_NUMBERED = re.compile(r"^(?:OSError: )?\[Errno \d+\] ")
_OURS = ("UserError", "ConfigError", "FrameError")


def reason_in_logs(paths: Iterable[str]) -> str:
    """Return the reason of a failed job from its logs, or an empty string.

    That is the last exception or the last line of level ERROR, whichever comes later, without the
    name of its class if the message was written for users; a crash of the interpreter is reported
    as such. Without either it is the last line that is no mere note.

    Parameters
    ----------
    paths
        Logs of one job; those that cannot be read are passed over.
    """
    for path in paths:
        lines = [without_number(line) for line in _last_lines(path)]
        for line in reversed(lines):
            if line.startswith(_CRASH):
                return _LOST_DISK if line == _CRASH + "Bus error" else line
            raised = _RAISED.match(line)
            if raised:
                return shortened(raised[2] if raised[1] in _OURS else line, 300)
            if line.startswith(_ERROR) and line != _ERROR + "failed":
                return shortened(line.removeprefix(_ERROR), 300)
        last = [line for line in lines if not line.startswith(_NOTES)][-1:]
        if last:
            return shortened(last[0].strip(), 300)
    return ""


def without_number(text: str) -> str:
    """Return a message of the operating system without class and error number."""
    return _NUMBERED.sub("", text)


def project_in(paths: Iterable[str]) -> str:
    """Return the project in whose results the first of these paths lies, or an empty string."""
    found = (_PROJECT.search(path) for path in paths)
    return next((match[1] for match in found if match), "")


def missing_input(text: str) -> tuple[str, str] | None:
    """Return the job named by an error of Snakemake, and the sentence on its missing files.

    Parameters
    ----------
    text
        What Snakemake says when files of a job that is to start are not there.
    """
    rule, paths = _RULE.search(text), _MISSING.findall(text)
    if "Missing files after" not in text or not rule or not paths:
        return None
    first = os.path.realpath(paths[0])  # raw frames are links
    others = f" (with {len(paths) - 1} more)" if paths[1:] else ""
    return (
        f"{rule[1]} {project_in(paths)}".rstrip(),
        f"{first} is missing{others}; is its disk mounted?",
    )


def refused_by_system(text: str) -> str:
    """Return the file that Snakemake could not access and the reason, or an empty string.

    Parameters
    ----------
    text
        What Snakemake says of an error that it did not expect, often a traceback.
    """
    if not text.startswith(("Traceback", "WorkflowError", "Failed to setup log file")):
        return ""
    last = text.rstrip().splitlines()[-1]
    found = _REFUSED.search(last) or _NO_NOTES.search(last)
    return f"{found[2]}: {found[1]}; correct it and run again" if found else ""


def protected_output(text: str) -> str:
    """Return the remedy for write-protected products, or an empty string.

    Parameters
    ----------
    text
        What Snakemake says before it begins, if a product that it is to replace is write-protected.
    """
    if "Write-protected output files" not in text:
        return ""
    paths = [line.strip() for line in text.partition("affected files:")[2].splitlines()]
    paths = [path for path in paths if path]
    others = f" (with {len(paths) - 1} more)" if paths[1:] else ""
    where = paths[0] if paths else "a product"
    return f"{where} is write-protected{others}; make it writable (chmod u+w) and run again"


def shortened(text: str, width: int) -> str:
    """Return the text, cut to a width with an ellipsis."""
    return text if len(text) <= width else text[: max(width - 1, 0)] + "…"


def _last_lines(path: str) -> list[str]:
    try:
        with Path(path).open("rb") as log:
            log.seek(0, 2)
            log.seek(max(0, log.tell() - TAIL_BYTES))
            text = log.read().decode("utf-8", "replace")
    except OSError:
        return []
    return [line.rstrip() for line in text.splitlines() if line.strip()]
