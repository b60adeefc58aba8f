"""Signatures of lists of digests, by OpenSSH or minisign with the user's key.

A signature lies beside the sheet: ``digests.sha256.sig`` by ``ssh-keygen -Y sign`` with the
namespace ``file``, ``digests.sha256.minisig`` by minisign. Both can be checked without this code.
"""

import os
import re
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from platefiles.core.atomic_write import write_whole
from platefiles.core.errors import UserError

NAMESPACE = "file"
SSH, MINISIGN = ".sig", ".minisig"
_KEYGEN = "ssh-keygen"
_SECRET_OF_MINISIGN = re.compile(rb"untrusted comment: [^\n]*minisign[^\n]*secret key")
_PUBLIC_OF_MINISIGN = re.compile(rb"untrusted comment: [^\n]*minisign public key")
_GOOD = re.compile(r'^Good "file" signature .*?with (\S+ key \S+)$', re.MULTILINE)
_FIRST_BYTES = 200
_SECONDS = 60


class Signer(NamedTuple):
    """The result of checking a signature.

    Attributes
    ----------
    holds : bool
        Whether the signature is valid for the present sheet; with signers, by one of them.
    who : str
        The signer, or the reason why the signer is unknown, as the end of a sentence.
    """

    holds: bool
    who: str


def sign(sheet: Path, key: Path) -> Path:
    """Sign a sheet; an existing signature is replaced.

    Parameters
    ----------
    sheet : Path
    key : Path
        A secret key of OpenSSH (or the public key, if an agent holds the secret one), or of
        minisign. Its program may ask for a passphrase on the terminal.

    Returns
    -------
    Path
        The signature.

    Raises
    ------
    UserError
        If the key is missing, or its program is not installed or fails.
    """
    if not key.is_file():
        msg = f"--key {key}: there is no such file; `ssh-keygen -t ed25519` makes a key"
        raise UserError(msg)
    if _SECRET_OF_MINISIGN.match(_beginning(key)):
        return _sign_with_minisign(sheet, key)
    words = [_program(_KEYGEN), "-q", "-Y", "sign", "-f", os.fspath(key), "-n", NAMESPACE]
    with open(sheet, "rb") as content:
        done = subprocess.run(words, stdin=content, stdout=subprocess.PIPE, check=False)
    if done.returncode or not done.stdout.startswith(b"-----BEGIN SSH SIGNATURE-----"):
        msg = f"--key {key}: {_KEYGEN} has not signed {sheet}; see what it says above"
        raise UserError(msg)
    signature = sheet.with_name(sheet.name + SSH)
    write_whole(signature, lambda target: target.write(done.stdout))
    return signature


def _sign_with_minisign(sheet: Path, key: Path) -> Path:
    with tempfile.TemporaryDirectory() as folder:
        made = Path(folder, "signature")
        words = [_program("minisign"), "-S", "-s", os.fspath(key), "-m", os.fspath(sheet)]
        done = subprocess.run([*words, "-x", os.fspath(made)], check=False)
        if done.returncode or not made.is_file():
            msg = f"--key {key}: minisign has not signed {sheet}; see what it says above"
            raise UserError(msg)
        content = made.read_bytes()
    signature = sheet.with_name(sheet.name + MINISIGN)
    write_whole(signature, lambda target: target.write(content))
    return signature


def signatures_of(sheet: Path) -> list[Path]:
    """Return the signatures beside a sheet."""
    beside = (sheet.with_name(sheet.name + ending) for ending in (SSH, MINISIGN))
    return [path for path in beside if path.is_file()]


def signer_of(sheet: Path, signature: Path, signers: Path | None = None) -> Signer:
    """Return whether a signature is valid for a sheet, and its signer.

    Parameters
    ----------
    sheet, signature : Path
    signers : Path, optional
        Allowed signers: a file with a line for each key of OpenSSH, a name followed by the content
        of the public key; or a public key of minisign. Without it, the signer is not verified.

    Raises
    ------
    UserError
        If the program for the signature's format is not installed.
    """
    if signers is not None:
        of_minisign = bool(_PUBLIC_OF_MINISIGN.match(_beginning(signers)))
        if of_minisign != (signature.suffix == MINISIGN):
            return Signer(False, f"is by a key of another kind than those in {signers}")
    if signature.suffix == MINISIGN:
        return _signer_by_minisign(sheet, signature, signers)
    words = ["-n", NAMESPACE, "-s", os.fspath(signature)]
    good = _GOOD.search(_keygen("check-novalidate", words, sheet))
    if good is None:
        return _NOT_OF_SHEET
    if signers is None:
        return Signer(True, f"{good[1]}; --signers FILE tells whose that is")
    allowed = ["-f", os.fspath(signers)]
    for name in _keygen("find-principals", [*allowed, *words[2:]], None).splitlines():
        if found := _GOOD.search(_keygen("verify", [*allowed, "-I", name, *words], sheet)):
            return Signer(True, f"{name}, {found[1]}")
    return Signer(False, f"is by {good[1]}, which {signers} does not list, or not for this day")


def _signer_by_minisign(sheet: Path, signature: Path, signers: Path | None) -> Signer:
    if signers is None:
        return Signer(True, "a key of minisign; not checked without --signers FILE, its public key")
    words = ["-V", "-p", os.fspath(signers), "-m", os.fspath(sheet), "-x", os.fspath(signature)]
    done = _said([_program("minisign"), *words], None)
    return Signer(True, f"the key of minisign in {signers}") if done else _NOT_OF_SHEET


_NOT_OF_SHEET = Signer(
    False, "is not one of the sheet as it is: one of them was changed, or a run has written the "
    "sheet since; `sign` signs it again"
)  # fmt: skip


def _keygen(what: str, words: Sequence[str], sheet: Path | None) -> str:
    """Return the output of ssh-keygen; nothing if it fails."""
    return _said([_program(_KEYGEN), "-Y", what, *words], sheet)


def _said(words: Sequence[str], content: Path | None) -> str:
    environment = {**os.environ, "LC_ALL": "C"}
    given = content.read_bytes() if content else b""
    done = subprocess.run(
        words, input=given, capture_output=True, env=environment, timeout=_SECONDS, check=False
    )
    return "" if done.returncode else done.stdout.decode("utf-8", "replace") or " "


def _program(name: str) -> str:
    path = shutil.which(name)
    if path is None:
        msg = f"{name} is not installed here, which signatures are made and checked with"
        raise UserError(msg)
    return path


def _beginning(path: Path) -> bytes:
    with open(path, "rb") as file:
        return file.read(_FIRST_BYTES)
