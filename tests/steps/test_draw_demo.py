import hashlib
import json
import os
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table

import draw_demo
from draw_demo import draw_raw
from platefiles.core.errors import UserError
from platelib.simulate.demo import tiny_plan


def _digests(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the tiny set."""
    folder = tmp_path_factory.mktemp("tiny")
    draw_raw("tiny", folder, 2)
    return folder


@pytest.fixture(scope="module")
def truth(drawn: Path) -> dict[str, Any]:
    """Return the truth of the tiny set."""
    loaded: dict[str, Any] = json.loads((drawn / "truth" / "observation.json").read_text())
    return loaded


def test_number_of_workers_changes_no_byte(drawn: Path, tmp_path: Path) -> None:
    """One worker and two draw the same files, byte for byte."""
    draw_raw("tiny", tmp_path, 1)
    assert _digests(tmp_path) == _digests(drawn)


def test_complete_set_is_left_alone(drawn: Path) -> None:
    """A second call writes nothing."""
    before = {path: path.stat().st_mtime_ns for path in drawn.rglob("*")}
    draw_raw("tiny", drawn, 2)
    assert {path: path.stat().st_mtime_ns for path in drawn.rglob("*")} == before


def test_incomplete_set_is_drawn_again(drawn: Path) -> None:
    """A frame that was cut short is drawn anew."""
    before = _digests(drawn)
    frame = drawn / "2026-03-23" / "g-01.fits"
    os.truncate(frame, 1000)
    draw_raw("tiny", drawn, 2)
    assert _digests(drawn) == before


def test_set_of_another_simulator_is_drawn_again(
    drawn: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An edit of a module of the simulator makes a complete set out of date; without, it is not."""
    raw, scripts = tmp_path / "raw", tmp_path / "scripts"
    shutil.copytree(drawn, raw)
    original = Path(draw_demo.__file__)
    shutil.copytree(original.parent / "platelib" / "simulate", scripts / "platelib" / "simulate")
    shutil.copy(original, scripts)
    monkeypatch.setattr(draw_demo, "__file__", str(scripts / original.name))
    truth_path = raw / "truth" / "observation.json"
    before = truth_path.read_bytes()
    draw_raw("tiny", raw, 2)
    assert truth_path.read_bytes() == before
    with (scripts / "platelib" / "simulate" / "psf.py").open("a") as module:
        module.write("# edited\n")
    draw_raw("tiny", raw, 2)
    assert json.loads(truth_path.read_text())["digest"] != json.loads(before)["digest"]


def test_frames_are_unsigned_16_bit_with_ordinary_headers(drawn: Path) -> None:
    """Frames hold unsigned 16-bit counts and the cards that capture programs write."""
    with fits.open(drawn / "2026-03-24" / "ha-01.fits") as hdus:
        header = hdus[0].header
        assert hdus[0].data.dtype == np.uint16
    raw_header = fits.getheader(drawn / "2026-03-24" / "ha-01.fits", disable_image_compression=True)
    assert raw_header["BITPIX"] == 16
    assert header["IMAGETYP"] == "Light Frame"
    assert header["FILTER"] == "Ha"
    assert header["EXPTIME"] == 600.0
    assert header["DATE-OBS"].startswith("2026-03-24T")
    assert header["OBJECT"] == "Thistledown Spiral"
    wanted = "GAIN OFFSET EGAIN CCD-TEMP SET-TEMP XBINNING YBINNING INSTRUME TELESCOP OBJCTRA"
    assert all(card in header for card in [*wanted.split(), "OBJCTDEC", "FOCALLEN", "XPIXSZ"])
    assert "FILTER" not in fits.getheader(drawn / "calibration" / "bias-01.fits")


def test_truth_covers_every_file(drawn: Path, truth: dict[str, Any]) -> None:
    """The truth lists each frame with its digest, and each light with its transform."""
    files = {path: digest for path, digest in _digests(drawn).items() if path.endswith(".fits")}
    assert {f"{name}.fits": f["sha256"] for name, f in truth["frames"].items()} == files
    lights = [frame for frame in truth["frames"].values() if frame["kind"] == "light"]
    assert len(lights) == 24
    assert all(np.shape(light["matrix"]) == (2, 3) for light in lights)


def test_star_of_the_table_is_in_the_frame(drawn: Path, truth: dict[str, Any]) -> None:
    """Bright stars of the truth stand at their places in every light."""
    stars = Table.read(drawn / "truth" / "stars.ecsv")
    stars = stars[(abs(stars["x"] - 160) < 140) & (abs(stars["y"] - 120) < 100)]
    stars.sort("magnitude")
    found = 0
    for name, frame in truth["frames"].items():
        if frame["kind"] != "light" or np.hypot(*frame["sub"]["trail_px"]) > 0:
            continue
        raw = fits.getdata(drawn / f"{name}.fits").astype(np.float64)
        matrix = np.array(frame["matrix"])
        for star in stars[:4]:
            x, y = matrix @ [star["x"], star["y"], 1.0]
            column, row = round(x), round(y)
            if not (8 < column < 311 and 8 < row < 231):
                continue
            cut = raw[row - 2 : row + 3, column - 2 : column + 3]
            sky = np.median(raw[row - 8 : row + 9, column - 8 : column + 9])
            assert cut.mean() > sky + 200
            found += 1
    assert found > 40


def test_tables_are_complete(drawn: Path) -> None:
    """The tables of the truth can be read and have their columns."""
    columns = {
        "stars": {"ra", "dec", "x", "y", "flux_g", "flux_b", "flux_ha", "variable"},
        "galaxies": {"x", "y", "magnitude"},
        "h2_regions": {"x", "y", "line_e_s"},
        "cosmic_rays": {"frame", "x", "y", "electrons"},
        "pixels": {"x", "y", "fault"},
    }
    for name, wanted in columns.items():
        table = Table.read(drawn / "truth" / f"{name}.ecsv")
        assert wanted <= set(table.colnames)
        assert len(table) > 0


def test_other_plan_replaces_the_truth(tmp_path: Path) -> None:
    """Another seed in the same folder is another set."""
    scene = replace(tiny_plan().scene, star_count=10, spiral=None, cluster=None)
    plan = replace(tiny_plan(), scene=scene, bias_count=1, dark_count=1, flat_count=1)
    draw_raw(plan, tmp_path)
    first = _digests(tmp_path)
    draw_raw(replace(plan, seed=2), tmp_path)
    second = _digests(tmp_path)
    assert first.keys() == second.keys()
    assert first["2026-03-23/g-01.fits"] != second["2026-03-23/g-01.fits"]


def test_unknown_plan_is_refused(tmp_path: Path) -> None:
    """A name that no plan has is refused with the names that there are."""
    with pytest.raises(ValueError, match="no plan is named 'huge'; there are demo, tiny"):
        draw_raw("huge", tmp_path)


def test_unwritable_folder_is_one_sentence(tmp_path: Path) -> None:
    """A folder that cannot be made is said in a sentence that names it."""
    blocked = tmp_path / "taken"
    blocked.write_text("a file")
    with pytest.raises(UserError, match="raw: the simulated frames cannot be written"):
        draw_raw("tiny", blocked / "raw")
