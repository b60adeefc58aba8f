"""Signatures by OpenSSH of a sheet of digests; keys are made for each test and thrown away."""

import shutil
import subprocess

import pytest

from platecli.verbs import sign as verb
from platefiles.core.errors import UserError
from platefiles.digests.digest_sheet import NAME
from platefiles.digests.signatures import sign, signatures_of, signer_of

pytestmark = pytest.mark.skipif(
    shutil.which("ssh-keygen") is None, reason="ssh-keygen is not installed"
)


@pytest.fixture
def sheet(tmp_path):
    """Write a sheet of digests."""
    path = tmp_path / NAME
    path.write_text(f"{'0' * 64}  subs.tsv\n")
    return path


def new_key(folder, name):
    """Make a key without a pass phrase, and return it with the line of an allowed signer."""
    key = folder / name
    command = ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "", "-f", key]
    subprocess.run(command, check=True)
    return key, f"{name}@example.org {key.with_name(f'{name}.pub').read_text().strip()}\n"


def test_a_signature_tells_who_signed(sheet, tmp_path):
    """With a list of signers their name is told, without one the key; another key is refused."""
    key, line = new_key(tmp_path, "ann")
    _, other = new_key(tmp_path, "bob")
    signature = sign(sheet, key)
    assert signatures_of(sheet) == [signature]
    alone = signer_of(sheet, signature)
    assert alone.holds
    assert alone.who.startswith("ED25519 key SHA256:")
    signers = tmp_path / "signers"
    signers.write_text(other + line)
    assert signer_of(sheet, signature, signers).who.startswith("ann@example.org, ED25519 key ")
    signers.write_text(other)
    refused = signer_of(sheet, signature, signers)
    assert not refused.holds
    assert "does not list" in refused.who


def test_a_key_counts_for_its_days_alone(sheet, tmp_path):
    """A line of a signer may say until when a key is valid."""
    key, line = new_key(tmp_path, "ann")
    signature, signers = sign(sheet, key), tmp_path / "signers"
    name, _, rest = line.partition(" ")
    signers.write_text(f'{name} valid-before="20200101" {rest}')
    assert not signer_of(sheet, signature, signers).holds


def test_a_changed_sheet_or_signature_does_not_hold(sheet, tmp_path):
    """One changed digit of the sheet, or half a signature, is seen with signers and without."""
    key, line = new_key(tmp_path, "ann")
    signature, signers = sign(sheet, key), tmp_path / "signers"
    signers.write_text(line)
    whole = signature.read_bytes()
    signature.write_bytes(whole[: len(whole) // 2])
    assert not signer_of(sheet, signature).holds
    signature.write_bytes(whole)
    sheet.write_text(f"1{'0' * 63}  subs.tsv\n")
    for given in (None, signers):
        found = signer_of(sheet, signature, given)
        assert not found.holds
        assert "`sign` signs it again" in found.who
    assert signer_of(sheet, sign(sheet, key), signers).holds


def test_what_cannot_sign_is_a_sentence(sheet, tmp_path, monkeypatch):
    """No such key, no key at all, and no program: each is told, and nothing is written."""
    with pytest.raises(UserError, match="there is no such file; `ssh-keygen -t ed25519` makes"):
        sign(sheet, tmp_path / "nowhere")
    (tmp_path / "text").write_text("no key\n")
    (tmp_path / "text").chmod(0o600)
    with pytest.raises(UserError, match="ssh-keygen has not signed"):
        sign(sheet, tmp_path / "text")
    (tmp_path / "mini").write_text("untrusted comment: minisign encrypted secret key\nRWRTY\n")
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(UserError, match="minisign is not installed here"):
        sign(sheet, tmp_path / "mini")
    with pytest.raises(UserError, match="ssh-keygen is not installed here"):
        sign(sheet, tmp_path / "text")
    assert signatures_of(sheet) == []


@pytest.mark.skipif(shutil.which("minisign") is None, reason="minisign is not installed")
def test_a_key_of_minisign_signs(sheet, tmp_path):
    """Its signature lies beside, and holds for its public key and no changed sheet."""
    key, public = tmp_path / "mini.key", tmp_path / "mini.pub"
    subprocess.run(["minisign", "-G", "-W", "-p", public, "-s", key], check=True)
    signature = sign(sheet, key)
    assert signer_of(sheet, signature, public).holds
    sheet.write_text("other\n")
    assert not signer_of(sheet, signature, public).holds


def test_a_project_without_a_sheet_is_not_signed(tmp_path):
    """The error names the folder and the command that writes the sheet."""
    with pytest.raises(UserError, match=f"has no {NAME}; `run` writes it"):
        verb.run(type("Args", (), {"project": tmp_path, "directory": tmp_path, "key": tmp_path}))
