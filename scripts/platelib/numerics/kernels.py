"""Compilation of kernels: one decorator and one cache.

A kernel is a numba function that does one pass over pixels. All of them are compiled without
``fastmath``, so that no sum is reordered and no multiplication is fused with an addition: the
same bits come out on every x86-64 processor. The compiled code is kept inside the environment,
in a folder whose name is a digest of the sources, because numba's own cache does not notice an
edit of a function that is called from another file.
"""

import hashlib
import os
import shutil
import stat
import sys
import tempfile
import time
from contextlib import suppress
from importlib import import_module
from pathlib import Path

import llvmlite.binding
import numba
import numpy as np

_MONTH_S = 30 * 86400
_SOURCES = Path(__file__).resolve().parents[1]
KERNEL_MODULES = (
    "numerics.aligned",
    "numerics.fits_words",
    "numerics.order_statistics",
    "numerics.radix_select",
    "integration.rejection_rules",
    "integration.rejection_prefilter",
    "integration.psf_kernels",
    "integration.psf_prediction",
    "integration.psf_comparison",
    "integration.spikes",
    "integration.rejection",
    "integration.weighted_mean",
    "integration.rejection_growth",
    "integration.clipped_average",
    "night_merge.rules",
    "night_merge.prefilter",
    "night_merge.rejection",
    "night_merge.merged_mean",
    "night_merge.growth",
    "night_merge.merge",
    "night_merge.offsets",
    "calibration.sorted_rejection",
    "calibration.stack_sums",
    "calibration.clipped_mean",
    "bad_pixels.local_statistics",
    "bad_pixels.detect",
    "calibration.photon_transfer",
    "calibration.correction",
    "calibration.calibrate",
    "detection.bright_pixels",
    "bad_pixels.interpolate",
    "background.measure_mesh",
    "background.block_average",
    "background.squares",
    "background.halo_rings",
    "background.sky_cells",
    "detection.windowed_moments",
    "detection.peaks",
    "numerics.pieces",
    "resampling.row_polynomials",
    "resampling.lanczos",
    "resampling.lanczos_separable",
    "resampling.sharp_pixels",
    "resampling.flux_limiter",
    "resampling.grid_rows",
    "resampling.resampling_general",
    "resampling.resampling_affine",
    "resampling.resample",
    "cosmic_rays.boxes",
    "cosmic_rays.separable_median",
    "cosmic_rays.laplacian_edges",
    "cosmic_rays.exclusion_mask",
    "cosmic_rays.single_frame",
    "psf_matching.convolution",
    "sources.aperture_noise",
    "sources.block_medians",
    "sources.half_scale",
    "sources.light_mask",
    "movers.rate_sums",
    "movers.path_sums",
    "background.subtract_surface",
    "colour.sky_cells",
    "colour.curve_tables",
    "differences.field_fit",
    "differences.star_image",
    "differences.predicted_light",
    "differences.difference",
    "differences.statistic",
    "differences.residue",
    "differences.filtered_difference",
    "differences.bright_pieces",
    "differences.star_fit",
    "picture.chroma_smoothing",
    "picture.display_pixels",
    "picture.png_filter",
)
SOURCE_MODULES = ("numerics.kernels", "numerics.constants", "numerics.mask_bits", *KERNEL_MODULES)
"""What compiled code depends on."""


def _sources_digest() -> str:
    digest = hashlib.sha256(numba.__version__.encode())
    for name in SOURCE_MODULES:
        digest.update(name.encode() + source_file(name).read_bytes())
    return digest.hexdigest()[:16]


def source_file(name: str) -> Path:
    """Return the file of one of the modules of `SOURCE_MODULES`."""
    return _SOURCES / f"{name.replace('.', '/')}.py"


def _cache_folder() -> str:
    """Choose the folder of compiled code: inside the environment, else the user's temporary one.

    Compiled code is run. So it must be nobody else's, and what an environment holds that this user
    may not write to is taken over if it is its owner's, whose programs are run anyway.
    """
    name = _sources_digest()
    inside = Path(sys.prefix) / "var" / "kernels" / name
    if _is_made(inside, 0o755):  # others who may use the environment may read it
        return str(inside)
    temporary = Path(tempfile.gettempdir()) / f"kernels-{os.getuid()}"
    if not _is_made(temporary, 0o700):
        return ""
    with suppress(OSError):
        if inside.stat().st_uid == os.stat(sys.prefix).st_uid:
            _take_over(inside, temporary / name)
    return str(temporary / name) if _is_made(temporary / name, 0o700) else ""


def _is_made(folder: Path, mode: int) -> bool:
    """Make a folder; return whether it exists and only this user can write to it."""
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        folder.mkdir(mode=mode, exist_ok=True)
        facts = folder.lstat()
        if not stat.S_ISDIR(facts.st_mode) or facts.st_uid != os.getuid():
            return False
        folder.chmod(facts.st_mode & mode)
    except OSError:
        return False
    return os.access(folder, os.W_OK)


def _take_over(compiled: Path, folder: Path) -> None:
    """Copy compiled code unless present: numba caches nothing in a read-only folder."""
    if not folder.exists():
        copy = Path(tempfile.mkdtemp(dir=folder.parent))
        try:
            shutil.copytree(compiled, copy, dirs_exist_ok=True)
            for place in (copy, *copy.rglob("*/")):  # in which numba looks whether it can write
                place.chmod(0o700)
            copy.rename(folder)
        finally:
            shutil.rmtree(copy, ignore_errors=True)


def _load_numba_without_blas() -> None:
    """Import the part of numba that searches for BLAS while BLAS is hidden.

    It would have scipy.linalg imported with the first kernel, which takes longer than all other
    imports of a step but two, for products of matrices that no kernel has.
    """
    hidden = "scipy.linalg"
    if hidden in sys.modules:
        return
    sys.modules[hidden] = None  # type: ignore[assignment]
    try:
        import_module("numba.np.arraymath")
    finally:
        del sys.modules[hidden]


def _processor_features() -> str | None:
    """Return the processor features to compile for, as the compiler's text; None: numba's choice.

    The compiler uses vectors of half the width that AVX-512 has, since whole ones slowed its first
    processors down. Those that know ``avx512vbmi2`` are younger.
    """
    config = numba.config
    if config.CPU_NAME or config.CPU_FEATURES or not config.ENABLE_AVX:  # type: ignore[attr-defined]
        return config.CPU_FEATURES  # type: ignore[attr-defined]
    try:
        features = llvmlite.binding.get_host_cpu_features()
    except RuntimeError:  # the compiler does not know the processor, as numba has it too
        return None
    return f"{features.flatten()},-prefer-256-bit" if features.get("avx512vbmi2") else None


_load_numba_without_blas()
numba.config.CACHE_DIR = _cache_folder()  # type: ignore[attr-defined]
numba.config.CPU_FEATURES = _processor_features()  # type: ignore[attr-defined]

kernel = numba.njit(  # type: ignore[call-overload]
    nogil=True, cache=True, error_model="numpy", _nrt=False
)
"""Decorator of kernels: no interpreter lock, cached, division by zero gives inf or NaN.

Their arrays are made by the caller. So nobody has to count who refers to one, which would take two
atomic operations at each part of an array and at each call: a sixth of the time of an integration.
"""

allocating_kernel = numba.njit(nogil=True, cache=True, error_model="numpy")
"""Decorator of kernels that make arrays or return parts of them; only their like may call them."""


def read_only(array: np.ndarray) -> np.ndarray:
    """Return a read-only view, the only kind of array that kernels are compiled for."""
    view = array.view()
    view.flags.writeable = False
    return view


def compile_all() -> None:
    """Run every kernel once on tiny arrays, so that later commands find it compiled.

    Compiled code of sources older than a month is removed.
    """
    for name in KERNEL_MODULES:
        module = import_module(f"platelib.{name}")
        if hasattr(module, "warm_up"):  # else those that call its kernels compile them
            module.warm_up()
    folder = Path(numba.config.CACHE_DIR)  # type: ignore[attr-defined]
    if folder.name == _sources_digest():
        now = time.time()
        for other in folder.parent.iterdir():
            if other != folder and now - other.stat().st_mtime > _MONTH_S:
                shutil.rmtree(other, ignore_errors=True)
