"""The same bits whatever the processor."""

import sys


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
