import io

import numpy as np
from astropy.io import fits

from platelib.numerics.fits_words import FITS_WORDS, WORDS_ZERO, count_of, put_in_order


def test_words_stand_for_the_counts_that_astropy_wrote():
    """All counts of 16 bits come back from the words of a FITS file."""
    counts = np.arange(65536, dtype=np.uint16).reshape(256, 256)
    stored = fits.PrimaryHDU(counts)
    words = np.frombuffer(_data_of(stored), dtype=FITS_WORDS).reshape(counts.shape)
    assert stored.header["BZERO"] == WORDS_ZERO
    in_memory = words.view(np.uint16)
    assert [int(count_of(word)) for word in in_memory[::51, 7]] == counts[::51, 7].tolist()
    values = np.empty(counts.shape, dtype=np.int16)
    put_in_order(in_memory, values)
    np.testing.assert_array_equal(values + WORDS_ZERO, counts)


def _data_of(unit: fits.PrimaryHDU) -> bytes:
    """The data as they lie in the file, less what fills their last block."""
    file = io.BytesIO()
    unit.writeto(file)
    return file.getvalue()[2880 : 2880 + unit.data.size * 2]
