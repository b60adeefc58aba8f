import math

import numpy as np
import pytest

from platefiles.integration.tiles import (
    BASE_MB,
    BYTES_A_RESULT,
    BYTES_A_SAMPLE,
    BYTES_OF_SOURCE,
    KEPT_MB,
    LEAST_COLUMNS,
    LEAST_ROWS,
    MIB,
    TILE_COLUMNS,
    TILE_MB,
    kept_bytes,
    needed_mb,
    tiling,
)
from platefiles.subs.calibrated_sub import source_bytes
from platelib.numerics.transform import Transform, identity, normalisation

SHAPES = [(240, 320), (3520, 4656), (6388, 9576), (17, 5000)]


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("subs", [1, 40, 1000])
def test_tiles_cover_the_grid_once(shape, subs):
    """Every pixel of the grid is in one tile."""
    covered = np.zeros(shape, dtype=np.uint8)
    for rows, columns in tiling(subs, shape, 2):
        covered[slice(*rows), slice(*columns)] += 1
    assert (covered == 1).all()


@pytest.mark.parametrize("memory_mb", [300, 500, 1000])
@pytest.mark.parametrize("threads", [1, 2, 8])
@pytest.mark.parametrize("subs", [3, 40, 300, 1000])
def test_tiles_keep_to_the_memory(memory_mb, threads, subs):
    """What the tiles of all threads take is within the memory, unless they are the smallest."""
    tiles = tiling(subs, (6388, 9576), threads, memory_mb)
    pixels = threads * tiles.rows * tiles.columns
    taken = BASE_MB + pixels * (subs * BYTES_A_SAMPLE + BYTES_A_RESULT + BYTES_OF_SOURCE) / MIB
    assert taken <= memory_mb or (tiles.rows, tiles.columns) == (LEAST_ROWS, LEAST_COLUMNS)


def test_shared_rows_get_what_tiles_leave():
    """Rows are kept only if the memory exceeds the demand of the tiles, up to a limit."""
    tiles_mb = BASE_MB + 2 * TILE_MB
    kept = [kept_bytes(2, memory_mb) / MIB for memory_mb in (0, tiles_mb, tiles_mb + 30, math.inf)]
    assert kept == [0, 0, 30, KEPT_MB]


@pytest.mark.parametrize("shape", [(3520, 4656), (6388, 9576)])
@pytest.mark.parametrize("threads", [1, 2, 8])
def test_memory_does_not_grow_with_the_subs(shape, threads):
    """Ten subs or two hundred, of a small camera or a large one: the same memory."""
    needed = [needed_mb(subs, shape, threads) for subs in (10, 20, 40, 80, 200)]
    assert max(needed) <= BASE_MB + KEPT_MB + threads * TILE_MB
    assert max(needed) - min(needed) <= KEPT_MB + 0.02 * min(needed)
    assert needed_mb(1000, shape, 2) < 2 * needed[0]


@pytest.mark.parametrize("angle_deg", [0.0, 4.0, 45.0, 90.0])
@pytest.mark.parametrize("subs", [3, 40, 1000])
def test_tiles_know_how_the_camera_was_turned(subs, angle_deg):
    """Tiles take all of their memory and no more, however large the part of a raw frame is.

    Their memory is then the same for few subs as for many: within 2 %, or a row of pixels.
    """
    shape, halo = (6388, 9576), 2
    place = (shape[0] // 2, shape[1] // 2)

    def of_source(rows, columns):
        return source_bytes([identity(shape), _turned(shape, angle_deg)], place, rows, columns)

    tiles = tiling(subs, shape, 2, source_bytes=of_source, halo=halo)
    samples = (tiles.rows + 2 * halo) * (tiles.columns + 2 * halo) * subs * BYTES_A_SAMPLE
    results = tiles.rows * tiles.columns * BYTES_A_RESULT
    source = of_source(tiles.rows + 2 * halo, tiles.columns + 2 * halo)
    row = (tiles.columns + 2 * halo) * subs * BYTES_A_SAMPLE / MIB
    least = TILE_MB - max(0.02 * TILE_MB, 1.1 * row)
    assert least < (samples + results + source) / MIB <= TILE_MB


def test_most_of_a_source_is_that_of_a_turned_camera():
    """What the rule takes for granted, before the frames are read, holds for a turned camera."""
    rows, columns = 128, TILE_COLUMNS
    taken = source_bytes([_turned((4000, 6000), 46.0)], (1744, 1744), rows, columns)
    assert 0.5 * BYTES_OF_SOURCE < taken / (rows * columns) < BYTES_OF_SOURCE


def _turned(shape, angle_deg):
    """Return the transform of a camera that was turned about its centre."""
    x, y, scale = normalisation(shape)
    cos, sin = (scale * f(math.radians(angle_deg)) for f in (math.cos, math.sin))
    return Transform(1, x, y, scale, np.array([x, cos, -sin]), np.array([y, sin, cos]))
