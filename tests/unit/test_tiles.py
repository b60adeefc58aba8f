import numpy as np
import pytest

from platefiles.tiles import (
    BASE_MB,
    BYTES_A_PIXEL,
    BYTES_A_SAMPLE,
    LEAST_COLUMNS,
    LEAST_ROWS,
    MIB,
    TILE_MB,
    needed_mb,
    tiling,
)

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
    taken = BASE_MB + pixels * (subs * BYTES_A_SAMPLE + BYTES_A_PIXEL) / MIB
    assert taken <= memory_mb or (tiles.rows, tiles.columns) == (LEAST_ROWS, LEAST_COLUMNS)


@pytest.mark.parametrize("shape", [(3520, 4656), (6388, 9576)])
@pytest.mark.parametrize("threads", [1, 2, 8])
def test_memory_does_not_grow_with_the_subs(shape, threads):
    """Ten subs or two hundred, of a small camera or a large one: the same memory."""
    needed = [needed_mb(subs, shape, threads) for subs in (10, 20, 40, 80, 200)]
    assert max(needed) <= BASE_MB + threads * TILE_MB
    assert max(needed) < 1.02 * min(needed)
    assert needed_mb(1000, shape, 2) < 2 * needed[0]
