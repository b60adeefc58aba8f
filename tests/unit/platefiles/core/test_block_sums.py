import hashlib

import numpy as np
import pytest

from platefiles.core.block_sums import block_sum

SECTOR = 512


def slow_sum(content: bytes) -> str:
    """The same digest, a word at a time."""
    whole = len(content) // 8 * 8
    sums = b""
    for start in range(0, whole, SECTOR):
        words = range(start, min(start + SECTOR, whole), 8)
        total = sum(int.from_bytes(content[i : i + 8], "little") for i in words)
        sums += (total % 2**64).to_bytes(8, "little")
    return hashlib.sha256(sums + content[whole:]).hexdigest()[:16]


@pytest.fixture
def content() -> np.ndarray:
    """Sixteen sectors of random bytes."""
    return np.random.default_rng(5).integers(0, 256, 16 * SECTOR, dtype=np.uint8)


@pytest.mark.parametrize("size", [0, 1, 7, 8, 9, 511, 512, 513, 520, 4095, 8192])
def test_the_digest_is_that_of_a_slow_sum(content, size):
    """Whole sectors or not, whole words or not."""
    assert block_sum(content[:size]) == slow_sum(content[:size].tobytes())


def test_the_type_of_the_array_does_not_count(content):
    """The bytes are digested as they lie in memory."""
    plane = content.view(">i2").reshape(64, -1)
    assert block_sum(plane) == block_sum(content)


def test_each_flipped_bit_shows(content):
    """Any single bit of 200 seeded places."""
    rng = np.random.default_rng(6)
    known = block_sum(content)
    for place in rng.integers(0, len(content), 200):
        changed = content.copy()
        changed[place] ^= 1 << rng.integers(0, 8)
        assert block_sum(changed) != known


def test_what_a_sum_of_fits_misses_shows(content):
    """Exchanged sectors, and zeros in place of ones, pass a one's-complement sum, but not this."""
    exchanged = content.reshape(16, SECTOR)[[0, 9, *range(2, 9), 1, *range(10, 16)]]
    assert block_sum(exchanged.reshape(-1)) != block_sum(content)
    zeros, ones = content.copy(), content.copy()
    zeros[1024:1028], ones[1024:1028] = 0, 255
    assert block_sum(zeros) != block_sum(ones)


def test_a_lost_sector_shows(content):
    """A sector that reads as zeros, as some disks give it."""
    lost = content.copy()
    lost[3 * SECTOR : 4 * SECTOR] = 0
    assert block_sum(lost) != block_sum(content)
