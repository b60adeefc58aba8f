"""Whatever a small run leaves: a changed byte is seen, half a file is seen and made again."""

import os
import shutil
import subprocess

import pytest

from platefiles.audit.findings import CHANGED
from platefiles.audit.verification import verify
from platefiles.digests.digest_sheet import NAME, SEAL

KINDS = {
    "bias": "calibration/bias_*.fits",
    "dark": "calibration/dark_*.fits",
    "flat": "calibration/flat_*.fits",
    "measures": "measures/*/*.fits",
    "registration of a night": "registration/*/*.fits",
    "registration": "registration/*.fits",
    "cosmic rays": "cosmic_rays/*/*.fits",
    "calibrated sub": "calibrated/*/*.fits",
    "registered sub": "registered/*/*.fits",
    "night": "nights/*/*.fits",
    "channel": "channels/*.fits",
    "sky": "sky/*.fits",
    "matched channel": "matched/*.fits",
    "line": "lines/*.fits",
    "solution": "field/solution.fits",
    "zero points": "field/zero_points.fits",
    "depth": "field/depth.fits",
    "sources": "field/sources.fits",
    "ECSV": "field/sources.ecsv",
    "CSV": "field/sources.csv",
    "VOTable": "field/sources.vot",
    "regions": "field/sources.reg",
    "drawing": "field/annotated.svg",
    "annotated picture": "field/annotated.png",
    "cube": "picture/ha-in-red.fits",
    "display image": "picture/*.display.fits",
    "PNG": "picture/*.png",
    "TIFF": "picture/*.tif",
    "JPEG": "picture/*.jpg",
    "contact sheet": "contact_sheet.png",
    "table of subs": "subs.tsv",
    "table of widths": "seeing.tsv",
    "list of frames": "frames.tsv",
    "log of a table": "logs/list_subs.log",
    "log of a picture": "logs/draw_picture/*.log",
    "log of a channel": "logs/integrate/*.log",
    "hidden note": ".jobs/*/*",
    "hidden note of a table": ".jobs/list_subs",
    "lock file": "../../projects/tiny.lock.yaml",
    "sheet": NAME,
    "seal of the sheet": SEAL,
}
NO_PRODUCTS = ("links", "benchmarks", ".scan.json", ".plans", ".products")
NOT_OF_A_RULE = (
    "list of frames",
    "hidden note",
    "hidden note of a table",
    "lock file",
    "sheet",
    "seal",
)


def of_kind(home, kind):
    """Return the first file of a kind."""
    return sorted(home.results.glob(KINDS[kind]))[0]


@pytest.fixture(scope="module")
def shown(complete, tmp_path_factory):
    """A copy of the complete home; who changes a file puts it back."""
    folder = tmp_path_factory.mktemp("shown") / "home"
    shutil.copytree(complete.folder, folder, symlinks=True)
    home = type(complete)(folder)
    for path in home.raw.rglob("*"):
        path.chmod(0o755 if path.is_dir() else 0o644)
    return home


def named(home):
    """Return the files that are found changed."""
    done = verify([home.results], [home.raw])
    return [finding.name for finding in done.findings if finding.state == CHANGED]


def test_every_file_that_a_run_leaves_is_of_one_of_the_kinds(complete):
    """A new kind of product has to be added here, or this fails."""
    kinds = {path for kind in KINDS for path in complete.results.glob(KINDS[kind])}
    kinds |= {*complete.results.glob("logs/**/*.log"), *complete.results.glob(".jobs/**/*")}
    left = [path for path in complete.results.rglob("*") if path.is_file()]
    names = {path.relative_to(complete.results).as_posix() for path in left if path not in kinds}
    assert {name for name in names if not name.startswith(NO_PRODUCTS)} == set()


def test_anybody_can_check_the_sheet(complete):
    """GNU's sha256sum finds each file of the sheet as it was; all products are in it."""
    command = ["sha256sum", "--check", "--strict", NAME]
    done = subprocess.run(command, cwd=complete.results, capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")
    fine = {line.removesuffix(": OK") for line in done.stdout.splitlines()}
    products = {path for kind in KINDS for path in complete.results.glob(KINDS[kind])}
    products = {path for path in products if ".jobs" not in path.parts}
    products = {path for path in products if path.name not in (NAME, SEAL)}
    assert {os.path.relpath(path, complete.results) for path in products} <= fine


@pytest.mark.parametrize("share", [0.02, 0.5])
@pytest.mark.parametrize("kind", KINDS)
def test_a_changed_byte_of_every_kind_of_file_is_seen(shown, kind, share):
    """One byte at the beginning or in the middle: the file is named, and no other."""
    path = of_kind(shown, kind)
    content = path.read_bytes()
    changed = bytearray(content)
    changed[int(len(content) * share)] ^= 0x01
    path.write_bytes(changed)
    try:
        path_told = path.with_name(NAME) if kind == "seal of the sheet" else path
        assert [*map(os.path.realpath, named(shown))] == [os.path.realpath(path_told)]
    finally:
        path.write_bytes(content)


@pytest.mark.parametrize("kind", KINDS)
def test_half_of_every_kind_of_file_is_seen(shown, kind):
    """A file that was cut to half of its length is named."""
    path = of_kind(shown, kind)
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    try:
        path_told = path.with_name(NAME) if kind == "seal of the sheet" else path
        assert os.path.realpath(path_told) in map(os.path.realpath, named(shown))
    finally:
        path.write_bytes(content)


def test_nothing_is_said_of_what_was_put_back(shown):
    """The tests above have left everything as it was."""
    assert named(shown) == []


def test_a_later_run_does_not_bless_what_was_changed(complete, tmp_path):
    """The sheet is put together from what jobs noted, not from the files as they are now."""
    shutil.copytree(complete.folder, tmp_path / "home", symlinks=True)
    home = type(complete)(tmp_path / "home")
    home.run("--to", "all")
    before = (home.results / NAME).read_bytes()
    victims = [of_kind(home, kind) for kind in ("channel", "table of subs", "log of a table")]
    for path in victims:
        content = bytearray(path.read_bytes())
        content[len(content) // 3] ^= 0x01
        path.write_bytes(content)
    assert "Nothing new to do." in home.run("--to", "all")
    assert (home.results / NAME).read_bytes() == before
    assert sorted(named(home)) == sorted(map(str, victims))


def test_half_of_every_kind_of_file_is_made_again(complete, tmp_path, digests):
    """One run makes what was cut, says so, and leaves each byte as it was."""
    shutil.copytree(complete.folder, tmp_path / "home", symlinks=True)
    home = type(complete)(tmp_path / "home")
    before = digests(home.results)
    victims = [kind for kind in KINDS if not kind.startswith(NOT_OF_A_RULE) and "log" not in kind]
    for path in (of_kind(home, kind) for kind in victims):
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    sheet = of_kind(home, "list of frames")
    sheet.write_bytes(sheet.read_bytes()[: sheet.stat().st_size // 2])
    said = home.run("--to", "all", "--cores", "2")
    assert "truncated: " in said
    after = digests(home.results)
    changed = {name for name in before if before[name] != after.get(name)}
    made = {name for name in changed if not name.startswith(("logs", "benchmarks", "."))}
    assert made <= {NAME, "frames.tsv"}  # which tells where the raw frames of the copy lie
    assert named(home) == []
    assert "Nothing new to do." in home.run("--to", "all")


def test_a_changed_byte_of_every_kind_of_file_is_made_again(complete, tmp_path, digests):
    """A run that verifies first makes what was changed, says so, and leaves each byte as it was."""
    shutil.copytree(complete.folder, tmp_path / "home", symlinks=True)
    home = type(complete)(tmp_path / "home")
    before = digests(home.results)
    victims = [kind for kind in KINDS if kind != "lock file"]
    for path in (of_kind(home, kind) for kind in victims):
        content = bytearray(path.read_bytes())
        content[len(content) // 2] ^= 0x01
        path.write_bytes(content)
    said = home.run("--verify", "--to", "all", "--cores", "2")
    assert "changed since it was made: " in said
    after = digests(home.results)
    changed = {name for name in before if before[name] != after.get(name)}
    made = {name for name in changed if not name.startswith(("logs", "benchmarks", "."))}
    assert made <= {NAME, "frames.tsv"}  # which tells where the raw frames of the copy lie
    assert named(home) == []
    assert not [*home.results.rglob("*.damaged")]
    assert "Nothing new to do." in home.run("--to", "all")
