import ast
import os
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from importlib import import_module
from pathlib import Path

import llvmlite.binding
import numpy as np
import pytest

from platelib.integration.rejection import Rejection, reject
from platelib.integration.weighted_mean import average
from platelib.numerics import kernels
from platelib.numerics.kernels import KERNEL_MODULES, compile_all, kernel

SOURCES = kernels._SOURCES


@kernel
def _product_and_sum(a, b, c):
    return a * b + c


@kernel
def _quotient(a, b):
    return a / b


def _kernels_of(path: Path, *decorators: str) -> list[ast.FunctionDef]:
    """Return the kernels in a file that have one of the decorators."""
    functions = (n for n in ast.walk(ast.parse(path.read_text())) if isinstance(n, ast.FunctionDef))
    return [
        function
        for function in functions
        if any(isinstance(m, ast.Name) and m.id in decorators for m in function.decorator_list)
    ]


def test_every_module_with_kernels_is_listed():
    """The modules that hold kernels are those whose sources name the cache and that are warmed."""
    both = ("kernel", "allocating_kernel")
    found = {
        ".".join(path.relative_to(SOURCES).with_suffix("").parts)
        for path in SOURCES.rglob("*.py")
        if _kernels_of(path, *both)
    }
    assert found == set(KERNEL_MODULES)


def test_kernels_call_none_that_make_arrays():
    """What a kernel that counts no references got from such a one would never be freed."""
    for name in KERNEL_MODULES:
        path = kernels.source_file(name)
        module = import_module(f"platelib.{name}")
        for function in _kernels_of(path, "kernel"):
            assert not getattr(module, function.name).targetoptions["_nrt"]
            called = {
                n.func.id
                for n in ast.walk(function)
                if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)
            }
            for callee in (getattr(module, one, None) for one in called):
                options = getattr(callee, "targetoptions", {"_nrt": False})
                assert not options.get("_nrt", True), function.name


def test_products_and_sums_are_not_fused():
    """A product is rounded before it is added to, so all processors give the same bits."""
    a = np.float32(1 + 2**-12)
    assert _product_and_sum(a, a, -np.float32(1 + 2**-11)) == 0


@pytest.mark.parametrize(
    ("name", "host", "expected"),
    [
        (None, {"avx2": True, "avx512vbmi2": True}, "+avx2,+avx512vbmi2,-prefer-256-bit"),
        (None, {"avx2": True, "avx512f": True}, None),
        ("nehalem", {"avx2": True, "avx512vbmi2": True}, None),
    ],
)
def test_vectors_are_as_wide_as_younger_processors_have_them(name, host, expected, monkeypatch):
    """Half vectors are for the first processors with AVX-512; who names a processor gets that."""
    features = llvmlite.binding.FeatureMap(host)
    monkeypatch.setattr(kernels.llvmlite.binding, "get_host_cpu_features", lambda: features)
    monkeypatch.setattr(kernels.numba.config, "CPU_NAME", name)
    monkeypatch.setattr(kernels.numba.config, "CPU_FEATURES", None)
    assert kernels._processor_features() == expected


def test_a_processor_unknown_to_the_compiler_is_left_to_numba(monkeypatch):
    """Where the compiler cannot tell what the processor has, nothing is asked for."""

    def unknown():
        raise RuntimeError

    monkeypatch.setattr(kernels.llvmlite.binding, "get_host_cpu_features", unknown)
    monkeypatch.setattr(kernels.numba.config, "CPU_NAME", None)
    monkeypatch.setattr(kernels.numba.config, "CPU_FEATURES", None)
    assert kernels._processor_features() is None


def test_kernels_do_without_scipys_matrices():
    """A kernel loads without scipy.linalg, which may be imported afterwards all the same."""
    program = (
        "import sys; from platelib.numerics import order_statistics as medians; medians.warm_up(); "
        "assert 'scipy.linalg' not in sys.modules; import scipy.linalg"
    )
    environment = os.environ | {"PYTHONPATH": str(SOURCES.parent)}
    subprocess.run([sys.executable, "-c", program], env=environment, check=True)


def test_division_by_zero_is_no_error():
    """A division by zero gives infinity or NaN."""
    assert _quotient(1.0, 0.0) == np.inf
    assert np.isnan(_quotient(0.0, 0.0))


def _called_by_kernels() -> set[str]:
    """Names of kernels that run as a part of others; out of the cache, they are not compiled."""
    names: set[str] = set()
    for name in KERNEL_MODULES:
        for node in ast.parse(kernels.source_file(name).read_text()).body:
            if isinstance(node, ast.FunctionDef) and node.decorator_list:
                names |= {part.id for part in ast.walk(node) if isinstance(part, ast.Name)}
    return names


def test_all_kernels_can_be_compiled_ahead():
    """One call runs every kernel of every module, or one that it is a part of."""
    compile_all()
    inner = _called_by_kernels()
    for name in KERNEL_MODULES:
        module = import_module(f"platelib.{name}")
        found = {key: f for key, f in vars(module).items() if hasattr(f, "signatures")}
        assert found
        assert all(f.signatures for key, f in found.items() if key not in inner), name


def test_threads_give_the_same_bits_as_one():
    """Bands worked on by two threads at once are those of one thread."""
    values = np.random.default_rng(1).normal(100, 5, (9, 128, 201)).astype(np.float32)
    variances = np.full_like(values, 25)

    def work(top: int) -> np.ndarray:
        band = np.s_[:, top : top + 16]
        flags = reject(values[band], variances[band], np.full(9, 5.0), 100.0, Rejection("mad"))
        return average(values[band], variances[band], np.ones(9), flags).mean

    tops = range(0, 128, 16)
    with ThreadPoolExecutor(2) as pool:
        np.testing.assert_array_equal(list(pool.map(work, tops)), [work(top) for top in tops])


def test_cache_follows_the_sources(tmp_path, monkeypatch):
    """An edit of any module with kernels leads to another folder of compiled code."""
    shutil.copytree(SOURCES, tmp_path / "platelib")
    monkeypatch.setattr(kernels, "_SOURCES", tmp_path / "platelib")
    before = kernels._sources_digest()
    for name in kernels.SOURCE_MODULES:
        with kernels.source_file(name).open("a") as file:
            file.write("# edited\n")
        after = kernels._sources_digest()
        assert after != before
        before = after


@pytest.fixture
def places(tmp_path, monkeypatch):
    """An environment and a folder for temporary files of their own."""
    environment, temporary = tmp_path / "environment", tmp_path / "temporary"
    temporary.mkdir()
    monkeypatch.setattr(kernels.sys, "prefix", str(environment))
    monkeypatch.setattr(kernels.tempfile, "gettempdir", lambda: str(temporary))
    return environment, temporary


def test_cache_lies_in_the_environment_if_it_can(places):
    """Compiled code lies in the environment by its digest, and nobody else can write there."""
    folder = Path(kernels._cache_folder())
    assert folder == places[0] / "var" / "kernels" / kernels._sources_digest()
    assert folder.stat().st_mode & 0o022 == 0
    assert list(places[1].iterdir()) == []


def test_cache_lies_else_in_a_private_temporary_folder(places):
    """Where nothing can be written into the environment, a folder is made that is one's own."""
    environment, temporary = places
    environment.write_text("not a folder")
    folder = Path(kernels._cache_folder())
    assert folder == temporary / f"kernels-{os.getuid()}" / kernels._sources_digest()
    for place in (folder, folder.parent):
        assert place.stat().st_mode & 0o777 == 0o700


def test_a_temporary_folder_of_somebody_else_is_not_used(places):
    """A link that lies in the way is not followed, and a folder that is too open is closed."""
    environment, temporary = places
    environment.write_text("not a folder")
    own = temporary / f"kernels-{os.getuid()}"
    (temporary / "elsewhere").mkdir()
    own.symlink_to(temporary / "elsewhere")
    assert kernels._cache_folder() == ""
    own.unlink()
    own.mkdir(mode=0o777)
    own.chmod(0o777)
    assert kernels._cache_folder() != ""
    assert own.stat().st_mode & 0o777 == 0o700


def test_compiled_code_of_an_environment_that_cannot_be_written_is_used(places, monkeypatch):
    """It is taken over with all its bytes and times, once."""
    environment, temporary = places
    inside = Path(kernels._cache_folder())
    (inside / "platelib_x").mkdir()
    (inside / "platelib_x" / "code.nbi").write_bytes(b"compiled")
    os.utime(inside / "platelib_x" / "code.nbi", (1e9, 1e9))
    (inside / "platelib_x").chmod(0o555)
    usual = os.access
    monkeypatch.setattr(
        kernels.os, "access", lambda path, mode: Path(path) != inside and usual(path, mode)
    )
    for _ in range(2):
        folder = Path(kernels._cache_folder())
        assert folder.parent == temporary / f"kernels-{os.getuid()}"
        assert (folder / "platelib_x" / "code.nbi").read_bytes() == b"compiled"
        assert (folder / "platelib_x" / "code.nbi").stat().st_mtime == 1e9
        for place in (folder, folder / "platelib_x"):
            assert place.stat().st_mode & 0o777 == 0o700
    (inside / "platelib_x").chmod(0o755)
    assert [path.name for path in folder.parent.iterdir()] == [folder.name]
    assert kernels._sources_digest() == folder.name
