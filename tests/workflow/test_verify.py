"""Whatever byte of whatever file was changed, `verify` finds it and names the file."""

import hashlib
import json
import os
import shutil
import sys

import numpy as np
import pytest

from platefiles.audit.findings import CHANGED, MISSING, OK
from platefiles.audit.verification import verify
from platefiles.provenance.record import read_record

FLIPS = 50
KINDS = {
    "bias": "calibration/bias_*.fits",
    "dark": "calibration/dark_180s_*.fits",
    "flat": "calibration/flat_g_*.fits",
    "measures": "measures/ha/*.fits",
    "registration of a night": "registration/ha/*.fits",
    "registration": "registration/ha.fits",
    "cosmic rays": "cosmic_rays/ha/*.fits",
    "calibrated sub": "calibrated/ha/*.fits",
    "registered sub": "registered/ha/*.fits",
    "night": "nights/ha/*.fits",
    "channel": "channels/ha.fits",
    "cube": "picture/ha-in-red.fits",
    "display image": "picture/*.display.fits",
    "png": "picture/*.png",
    "tiff": "picture/*.tif",
    "jpeg": "picture/*.jpg",
    "annotated picture": "field/*.png",
    "drawing": "field/*.svg",
}


def of_kind(home, kind):
    """Return the first file of a kind."""
    return sorted(home.results.glob(KINDS[kind]))[0]


def flips(content, seed):
    """Yield a content with one byte changed, at 50 seeded places, each by a seeded amount."""
    rng = np.random.default_rng(seed)
    for place in rng.integers(0, len(content), FLIPS):
        changed = bytearray(content)
        changed[place] ^= int(rng.integers(1, 256))
        yield int(place), bytes(changed)


def states(done, name):
    """Return the states of the files of a name."""
    return [finding.state for finding in done.findings if finding.name == os.fspath(name)]


def flip(path):
    """Change the byte in the middle of a file."""
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 0x20
    path.chmod(0o644)
    path.write_bytes(content)


@pytest.fixture
def copy(complete, tmp_path):
    """A copy of the complete home, to be changed."""
    shutil.copytree(complete.folder, tmp_path / "home", symlinks=True)
    return type(complete)(tmp_path / "home")


@pytest.mark.parametrize("kind", KINDS)
def test_a_changed_byte_of_any_product_is_found(complete, tmp_path, kind):
    """One byte of header, data or fill is changed at 50 places: the file is named 50 times."""
    source = of_kind(complete, kind)
    alone = tmp_path / source.name
    content = source.read_bytes()
    alone.write_bytes(content)
    assert states(verify([alone]), alone) == [OK]
    found = 0
    for place, changed in flips(content, seed=len(kind)):
        alone.write_bytes(changed)
        assert states(verify([alone]), alone) == [CHANGED], place
        found += 1
    assert found == FLIPS


def test_a_changed_byte_of_a_raw_frame_is_found(complete, tmp_path):
    """One byte of a raw frame is changed at 50 places: the frame is named 50 times."""
    master = of_kind(complete, "bias")
    raws = read_record(master).raws.values()
    for raw in raws:
        (tmp_path / raw.name).parent.mkdir(exist_ok=True)
        (tmp_path / raw.name).write_bytes((complete.raw / raw.name).read_bytes())
    victim = tmp_path / sorted(raw.name for raw in raws)[0]
    content = victim.read_bytes()
    assert verify([master], [tmp_path]).count(OK) == 2 + len(raws)  # the sheet of digests is one
    for place, changed in flips(content, seed=1):
        victim.write_bytes(changed)
        done = verify([master], [tmp_path])
        assert states(done, victim) == [CHANGED], place
        assert (done.count(CHANGED), done.count(MISSING)) == (1, 0)


def verified(command_line, *words, expected=0):
    """Run the verb."""
    command = [sys.executable, "-P", "-m", "platecli", "verify", *map(str, words)]
    return command_line.said(command, expected)


def test_a_run_that_was_left_alone_is_as_it_was(complete, command_line):
    """All products, pictures and raw frames are looked at, and nothing is said of them."""
    said = verified(command_line, complete.results)
    products = [path for path in complete.results.rglob("*.fits") if not path.is_symlink()]
    raw = [path for path in complete.raw.rglob("*.fits") if "flat-b" not in path.name]
    logs = [
        path
        for folder in (complete.results, complete.results.parent)
        for path in folder.glob("logs/**/*.log")
    ]  # that of the grid lies above
    assert said == (
        f"{len(products)} products, 6 pictures, 7 tables, {len(logs)} logs, 1 lock file, "
        f"1 list of digests, {len(raw)} raw frames: all unchanged\n"
    )


def test_one_changed_byte_in_each_kind_of_file_is_named(copy, command_line):
    """Each changed file is named, no other, and the exit status tells."""
    victims = [of_kind(copy, kind) for kind in KINDS]
    victims.append(copy.raw / "2026-03-23" / "g-02.fits")
    for path in victims:
        flip(path)
    said = verified(command_line, copy.results, "--raw", copy.raw, expected=1)
    named = [line.split()[1].rstrip(":") for line in said.splitlines() if line[:7] == CHANGED]
    assert sorted(named) == sorted(map(str, victims))
    assert said.splitlines()[-1].endswith(f": {len(victims)} changed")


def test_the_file_alone_and_moved_raw_frames_suffice(copy, tmp_path, command_line):
    """Without cache, results, project and lock: the file is held against the raw folder alone."""
    cube = tmp_path / "kept.fits"
    os.replace(of_kind(copy, "cube"), cube)
    os.replace(copy.raw, tmp_path / "elsewhere")
    shutil.rmtree(copy.folder)
    said = verified(command_line, cube, "--raw", tmp_path / "elsewhere")
    assert said == f"1 product, {len(read_record(cube).raws)} raw frames: all unchanged\n"
    (tmp_path / "elsewhere" / "2026-03-23" / "ha-01.fits").unlink()
    (tmp_path / "elsewhere" / "2026-03-24").rename(tmp_path / "elsewhere" / "second night")
    said = verified(command_line, cube, "--raw", tmp_path / "elsewhere", expected=5)
    assert said.splitlines()[0].startswith("missing  2026-03-23/ha-01.fits: not found")
    assert said.splitlines()[1].endswith(": 1 missing")


def test_products_in_between_need_not_be_kept(copy, command_line):
    """Measures that were deleted are no loss; the summary counts them."""
    shutil.rmtree(copy.results / "measures")
    said = verified(command_line, copy.results)
    assert "6 intermediate products no longer kept\n" in said


def test_a_product_made_from_another_state_is_told(copy, command_line):
    """A channel that was made again since, intact as it is, is not what the picture shows."""
    shutil.copyfile(copy.results / "channels" / "g.fits", copy.results / "channels" / "ha.fits")
    cube, channel = of_kind(copy, "cube"), copy.results / "channels" / "ha.fits"
    said = verified(command_line, cube, expected=1)
    assert f"changed  {channel}: its SHA-256 differs from digests.sha256\n" in said
    (copy.results / "digests.sha256").unlink()
    said = verified(command_line, cube, expected=1)
    assert "no digests.sha256 in " in said
    assert f"changed  {cube}: was made from another {channel} than is there now: the data" in said
    shutil.copyfile(channel, cube)
    picture = of_kind(copy, "png")
    said = verified(command_line, picture, expected=1)
    other = f"was made from another {cube} than is there now: its bytes differ"
    assert f"changed  {picture}: {other}\n" in said


def test_another_lock_is_told_and_is_no_fault(complete, command_line, checkout):
    """A result that was made under another lock of the environment is said to be so."""
    lock = checkout / "envs" / "requirements.lock"
    digest = hashlib.sha256(lock.read_bytes()).hexdigest()[:16]
    lock.write_text(lock.read_text() + "# another\n", encoding="utf-8")
    cube = of_kind(complete, "cube")
    command = [sys.executable, "-P", "-m", "platecli", "verify", str(cube), "--json"]
    data = json.loads(command_line.said(command, checkout=checkout))
    assert data["lock"] == hashlib.sha256(lock.read_bytes()).hexdigest()[:16]
    assert list(data["other_locks"]) == [digest]
    assert str(cube) in data["other_locks"][digest]
    said = command_line.said(command[:-1], checkout=checkout)
    assert f"made with other pinned packages ({digest}; this checkout has {data['lock']})" in said


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["nowhere"], "nowhere: there is no such file; give the name of a project, or the path of"),
        (["."], "holds no product of a run; name a folder of results"),
        (["raw.fits"], "is not a product of a run; give folders of raw frames with --raw"),
        (["cube.fits", "--raw", "raw.fits"], "--raw {}/raw.fits: is no folder; name the folder"),
    ],
)
def test_wrong_words_are_answered_with_a_sentence(
    complete, tmp_path, command_line, words, sentence
):
    """What cannot be verified is named, with what to do."""
    folder = tmp_path / "folder"
    folder.mkdir()
    shutil.copyfile(next(complete.raw.rglob("ha-01.fits")), folder / "raw.fits")
    if "cube.fits" in words:
        shutil.copyfile(of_kind(complete, "cube"), folder / "cube.fits")
    words = [word if word.startswith("--") else folder / word for word in words]
    said = verified(command_line, *words, expected=2 if "no such file" in sentence else 1)
    assert sentence.format(folder) in said
    assert said.count("\n") == 1
