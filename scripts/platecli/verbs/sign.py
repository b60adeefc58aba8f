"""The verb `sign`: sign the digests of a project with the user's key."""

import argparse
from pathlib import Path

from platecli.arguments.naming import WrongCommand, add_directory, results_word
from platecli.text.screen import show
from platecli.verbs.verify import text
from platefiles.audit.findings import CHANGED, SIGNATURE
from platefiles.audit.verification import verify
from platefiles.core.hashing import file_sha256
from platefiles.digests.digest_sheet import NAME
from platefiles.digests.signatures import sign


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `sign`."""
    parser.add_argument("project", metavar="PROJECT", help="a project, or its folder of results")
    parser.add_argument(
        "--key", metavar="FILE", required=True, type=Path,
        help="your secret key, such as ~/.ssh/id_ed25519; minisign's where that is installed",
    )  # fmt: skip
    add_directory(parser)
    parser.epilog = "Files are verified first; nothing is signed if a file was changed."


def run(args: argparse.Namespace) -> int:
    """Verify a project, sign its sheet of digests, and say what to do with the signature.

    Raises
    ------
    UserError
        If the project has no sheet, or the key cannot sign.
    """
    folder = Path(results_word(args.project, args.directory))
    sheet = folder / NAME
    if not sheet.is_file():
        msg = f"{folder}: has no {NAME}; `run` writes it"
        raise WrongCommand(msg)
    done = verify([folder])
    done.findings = [finding for finding in done.findings if finding.kind != SIGNATURE]
    if done.count(CHANGED):
        show([*text(done), "Nothing was signed."])
        return 1
    signature = sign(sheet, args.key.expanduser())
    show(
        [
            f"{sheet} was signed: {signature}",
            f"SHA-256 of the list of digests: {file_sha256(sheet)}",
            "To prove the date of the files, send these 64 digits to somebody, or publish them: "
            "the signature itself proves no date.",
        ]
    )
    return 0
