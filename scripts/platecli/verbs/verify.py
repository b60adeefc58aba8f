"""The verb `verify`: check that products, pictures and raw frames are unchanged."""

import argparse
import json
import os
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from pathlib import Path

from platecli.arguments.naming import WrongCommand, add_directory, results_word
from platecli.text.outcome import WRONG
from platecli.text.screen import show
from platefiles.audit.findings import CHANGED, KINDS, MISSING, OK, Verification
from platefiles.audit.verification import verify
from platefiles.core.provisional import MADE_WITHOUT, PROVISIONAL
from platefiles.core.safe_names import escape
from platefiles.digests.digest_sheet import NAME
from platefiles.provenance.header_provenance import lock_digest

ALTERED, INCOMPLETE = 1, 5
"""Exit status where something was changed, and where nothing was, but raw frames are missing."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `verify`."""
    parser.add_argument(
        "path", metavar="PATH", nargs="+", type=Path,
        help="products and pictures, folders of results, or projects",
    )  # fmt: skip
    parser.add_argument(
        "--raw", metavar="DIR", action="append", default=[], type=Path,
        help="folder of the raw frames, if they were moved; may be given several times",
    )  # fmt: skip
    parser.add_argument(
        "--signers", metavar="FILE", type=Path,
        help="who may sign the digests: lines of a name and a public key of OpenSSH, or a public "
        "key of minisign",
    )  # fmt: skip
    add_directory(parser)
    parser.add_argument("--all", action="store_true", help="also list unchanged files")
    parser.add_argument("--json", action="store_true", help="print the full result as JSON")
    parser.epilog = (
        f"Exit status: 0 everything is unchanged; {ALTERED} files were changed or are unreadable; "
        f"{WRONG} a path or a project does not exist; "
        f"{INCOMPLETE} nothing was changed, but raw frames, or signatures that were asked for, are "
        "missing."
    )


def run(args: argparse.Namespace) -> int:
    """Check the files and print the result."""
    if args.signers is not None and not args.signers.is_file():
        msg = f"--signers {args.signers}: there is no such file"
        raise WrongCommand(msg)
    paths = [results_word(word, args.directory) for word in args.path]
    done = verify(paths, args.raw, args.signers)
    if args.json:
        print(as_json(done))
    else:
        show(text(done, args.all))
    if done.count(CHANGED):
        return ALTERED
    return INCOMPLETE if done.count(MISSING) else 0


def as_json(done: Verification) -> str:
    """Return the findings as plain values for a program."""
    data = {
        "files": [asdict(finding) for finding in done.findings],
        "other_locks": done.other_locks,
        "left_over": done.left_over,
        "lost": done.lost,
        "signers": done.signers,
        "not_kept": sorted(done.gone | done.not_kept),
        "not_listed": sorted(done.unlisted),
        "provisional": sorted(done.provisional),
        "without_sheet": sorted(done.without_sheet),
        "lock": lock_digest(),
    }
    return json.dumps(data, indent=1)


def text(done: Verification, everything: bool = False) -> Iterable[str]:
    """Return the lines of the result: changes, and a summary."""
    for finding in done.findings:
        if everything or finding.state != OK:
            why = f": {escape(finding.why)}" if finding.why else ""
            yield f"{finding.state:<8} {escape(_shown(finding.name))}{why}"
    for lock, paths in sorted(done.other_locks.items()):
        yield (
            f"{_count(len(paths), 'file')} made with other pinned packages ({lock or 'unknown'}; "
            f"this checkout has {lock_digest()}): {escape(paths[0])}"
            + (f" and {len(paths) - 1} more" if paths[1:] else "")
        )
    for sheet, who in sorted(done.signers.items()):
        yield f"signed   {escape(_shown(sheet))}: by {escape(who)}"
    if done.left_over:
        yield from _left_over_lines(done)
    yield from _provisional_lines(done)
    if done.gone:
        yield f"{_count(len(done.gone), 'intermediate product')} no longer kept"
    if others := sorted(done.not_kept - done.gone):
        some = _first([*map(_shown, others)])
        yield f"{_count(len(others), 'file')} of {NAME} no longer kept: {some}"
    if done.unlisted:
        some = _first([_shown(path) for path in sorted(done.unlisted)])
        yield f"{_count(len(done.unlisted), 'file')} not in {NAME} until the next run: {some}"
    for folder in sorted(done.without_sheet):
        yield (
            f"no {NAME} in {escape(_shown(folder))}: tables and logs cannot be verified; "
            "the next run writes it"
        )
    yield _summary(done)


def _provisional_lines(done: Verification) -> Iterable[str]:
    files = sorted(done.provisional - {*done.left_over})
    for path in files:
        yield f"{PROVISIONAL} {escape(_shown(path))}"
    if files:
        are, them = ("is", "it") if len(files) == 1 else ("are", "them")
        many = _count(len(files), "file")
        yield f"{many} {are} provisional: {MADE_WITHOUT}; `run` makes {them} again"


def _left_over_lines(done: Verification) -> Iterable[str]:
    many = len(done.left_over) > 1
    yield (
        f"{_count(len(done.left_over), 'product')} of an earlier plan: "
        f"{_first(list(map(_shown, done.left_over)))}; `platelog.py tidy PROJECT` deletes "
        + ("them" if many else "it")
    )
    if done.lost:
        what = f"{_count(len(done.lost), 'raw frame')} that only {'these' if many else 'this'}"
        have = "is" if len(done.lost) == 1 else "are"
        yield f"{what} needed {have} missing: {_first(done.lost)}"


def _first(names: Sequence[str]) -> str:
    return escape(names[0]) + (f" and {len(names) - 1} more" if names[1:] else "")


def _summary(done: Verification) -> str:
    looked = [
        _count(number, kind)
        for kind in KINDS
        if (number := sum(f.kind == kind and f.state != MISSING for f in done.findings))
    ]
    states = [f"{n} {state}" for state in (CHANGED, MISSING) if (n := done.count(state))]
    return f"{', '.join(looked)}: {', '.join(states) or 'all unchanged'}"


def _shown(path: str) -> str:
    """Path as it is reached from the present folder, if it lies inside."""
    inside = os.path.relpath(path)
    return path if inside.startswith(os.pardir) else inside


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"
