"""What a cluster needs is locked like the rest, and changes nothing of the rest."""

import re
from pathlib import Path

import pytest

ENVS = Path(__file__).resolve().parents[3] / "envs"


def _pins(name):
    """Lines ``package==version`` of a lock with their markers, and the digests of each."""
    text = (ENVS / name).read_text(encoding="utf-8")
    blocks = re.split(r"^(?=[a-z])", text, flags=re.MULTILINE)[1:]
    return {
        block.split(" \\")[0]: frozenset(re.findall("--hash=(sha256:[0-9a-f]{64})", block))
        for block in blocks
    }


def _direct(name):
    lines = (ENVS / name).read_text(encoding="utf-8").splitlines()
    return dict(
        re.match(r"([a-z0-9-]+)\S*\s*(.*)", li).groups() for li in lines if li[:1].isalpha()
    )


@pytest.mark.parametrize("name", ["cluster", "cluster-test"])
def test_every_package_is_asked_for_with_a_reason_and_locked_with_its_digests(name):
    """Each line of the list says what it is for, and the lock holds it."""
    direct = _direct(f"{name}.in")
    assert all(reason.startswith("# ") for reason in direct.values())
    pins = _pins(f"{name}.lock")
    assert set(direct) <= {pin.split("==")[0] for pin in pins}
    assert all(pins.values())


def _versions(pins):
    found = {}
    for pin in pins:
        package, rest = pin.split("==", 1)
        found.setdefault(package, set()).add(rest.split(" ;")[0])
    return found


@pytest.mark.parametrize("name", ["cluster", "cluster-test"])
def test_no_package_of_the_core_is_replaced(name):
    """Where a lock names a package of requirements.lock, it is the same file."""
    core, more = (_pins(lock) for lock in ("requirements.lock", f"{name}.lock"))
    versions = _versions(core)
    shared = {p: v for p, v in _versions(more).items() if p in versions}
    assert len(shared) > 5
    assert {p: v for p, v in shared.items() if not v <= versions[p]} == {}


def test_tests_use_what_users_get():
    """The lock of the tests holds that of the users, and the server is in it alone."""
    users, tests = _versions(_pins("cluster.lock")), _versions(_pins("cluster-test.lock"))
    assert {package: tests[package] for package in users} == users
    assert "moto" not in users
