"""The same bits whatever the processor, the Python and its libraries."""

import os
import sys
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from PIL import Image


def test_an_older_processor_gives_the_same_channel(
    finished, make_home, tiny_raw, command_line, tmp_path, monkeypatch
):
    """Kernels compiled without AVX and FMA, with another BLAS kernel, give the same bytes."""
    first, _ = finished
    monkeypatch.setenv("NUMBA_CPU_NAME", "nehalem")
    monkeypatch.setenv("NUMBA_CPU_FEATURES", "+sse2,+sse3,+ssse3,+sse4.1,+sse4.2")
    monkeypatch.setenv("OPENBLAS_CORETYPE", "Nehalem")
    ask = [sys.executable, "-c", "from numba.core import config; print(config.CPU_NAME)"]
    assert command_line.said(ask) == "nehalem\n"
    home = make_home(tmp_path / "home", title="N\u00e9buleuse")
    home.raw.rmdir()
    home.raw.symlink_to(tiny_raw)
    home.run("--to", "results/tiny/channels/g.fits", "--cores", "2")
    assert home.lock.read_bytes() == first.lock.read_bytes()
    made = [p.relative_to(home.folder) for p in home.results.rglob("*.fits") if not p.is_symlink()]
    assert len(made) >= 7
    for name in made:
        assert (home.folder / name).read_bytes() == (first.folder / name).read_bytes(), name


def _data(path):
    """Return digests of the data of each HDU but the record, which tells versions."""
    with fits.open(path) as hdus:
        return {hdu.name: hdu.header["DATASHA"] for hdu in hdus[1:] if hdu.name != "RECORD"}


def _pixels(path):
    with Image.open(path) as image:
        return np.asarray(image)


@pytest.fixture(scope="module")
def other_python():
    """Interpreter of another environment, or a skip where none is named."""
    path = os.environ.get("PLATELOG_OTHER_PYTHON")
    if not path:
        pytest.skip("PLATELOG_OTHER_PYTHON names no interpreter of another environment")
    return Path(path).absolute()


def test_another_python_gives_the_same_bits(
    other_python, finished, make_home, tiny_raw, command_line, tmp_path
):
    """Another Python with other numpy and SciPy makes the same products and pictures."""
    first, _ = finished
    home = make_home(tmp_path / "home", title="N\u00e9buleuse")
    home.raw.rmdir()
    home.raw.symlink_to(tiny_raw)
    command = [str(other_python), "-P", "-m", "platecli", "run", str(home.project)]
    command += ["--directory", str(home.folder), "--to", "picture", "--cores", "2"]
    command_line.said(command, prefix=other_python.parents[1])
    assert home.lock.read_bytes() == first.lock.read_bytes()
    products = [p for p in home.results.rglob("*.fits") if not p.is_symlink()]
    pictures = [p for p in home.results.rglob("*") if p.suffix in (".png", ".tif", ".jpg")]
    for product in products:
        assert _data(product) == _data(first.folder / product.relative_to(home.folder)), product
    for picture in pictures:
        mine = _pixels(first.folder / picture.relative_to(home.folder))
        np.testing.assert_array_equal(_pixels(picture), mine, err_msg=str(picture))
    assert len(products) >= 20
    assert len(pictures) >= 3
