"""Processor time of packed lights: what the whole command takes more, beside unpacking them alone.

    PYTHONPATH=scripts .venv/bin/python tests/bench/packed_cost.py --mpx 16.4 --subs 8

Lights are packed tile by tile (Rice, ``.fz``) and as a whole (``.gz``); calibration frames stay as
they are. Two steps read each light, so unpacking counts twice. All files lie in a temporary folder.
"""

import argparse
import gzip
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from astropy.io import fits

sys.path.insert(0, str(Path(__file__).resolve().parent))

from comparison import frames, our_command, read_once
from meter import measure
from raw_set import bench_plan, draw, frame_size

_PASSES = 2
_LEVEL = 4


def lights(raw: Path) -> list[Path]:
    """Return the lights of a raw set, packed or not."""
    return sorted(raw.glob("*/g-*"))


def by_rice(source: Path, target: Path) -> Path:
    """Pack a frame tile by tile."""
    packed = target.with_suffix(".fits.fz")
    with fits.open(source, do_not_scale_image_data=True) as hdus:
        image = fits.CompImageHDU(hdus[0].data, hdus[0].header, compression_type="RICE_1")
        image.writeto(packed)
    return packed


def by_gzip(source: Path, target: Path) -> Path:
    """Pack a frame as a whole."""
    packed = target.with_suffix(".fits.gz")
    packed.write_bytes(gzip.compress(source.read_bytes(), _LEVEL))
    return packed


def unpack(path: Path) -> None:
    """Unpack a frame into memory with the general library, or read one that is not packed."""
    if path.suffix == ".gz":
        gzip.decompress(path.read_bytes())
        return
    with fits.open(path, do_not_scale_image_data=True) as hdus:
        next(hdu for hdu in hdus if hdu.data is not None)


def packed_set(raw: Path, folder: Path, pack: Callable[[Path, Path], Path] | None) -> Path:
    """Copy a raw set with its lights packed."""
    packed = set(lights(raw)) if pack else set()
    for source in frames(raw):
        target = folder / source.relative_to(raw)
        target.parent.mkdir(parents=True, exist_ok=True)
        if pack is not None and source in packed:
            pack(source, target)
        else:
            target.hardlink_to(source)
    return folder


def cost(raw: Path, folder: Path, repeat: int) -> tuple[float, float]:
    """Return the least processor time of the whole command, and of unpacking all lights once, s."""
    paths = [path for path in raw.rglob("*.fits*") if path.is_file()]
    whole, alone = [], []
    for _ in range(repeat):
        read_once(paths)
        whole.append(measure(our_command(raw, folder)).cpu_s)
        shutil.rmtree(folder)
        start = time.process_time()
        for path in lights(raw):
            unpack(path)
        alone.append(time.process_time() - start)
    return min(whole), min(alone)


def main() -> None:
    """Draw, pack, run and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--mpx", type=float, default=16.4)
    parser.add_argument("--subs", type=int, default=8)
    parser.add_argument("--repeat", type=int, default=2)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="packed-cost-") as temporary:
        folder = Path(temporary)
        draw(bench_plan(given.subs, frame_size(given.mpx)), folder / "drawn")
        plain = 0.0
        print(f"{'lights':10}{'command':>12}{'more':>10}{'unpacking':>12}{'ratio':>8}")
        for name, pack in (("plain", None), ("fz", by_rice), ("gz", by_gzip)):
            raw = packed_set(folder / "drawn", folder / name, pack)
            whole, alone = cost(raw, folder / "results", given.repeat)
            if pack is None:
                plain, read = whole, alone
                print(f"{name:10}{whole:10.1f} s", flush=True)
                continue
            more, unpacking = whole - plain, _PASSES * (alone - read)
            print(
                f"{name:10}{whole:10.1f} s{more:8.1f} s{unpacking:10.1f} s{more / unpacking:8.2f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
