import numpy as np

from platefiles.fits.products_io import write_product
from platefiles.fits.tables import columns_hdu
from platefiles.subs.hit_pixels import NO_HITS, HitPixels, read_hit_pixels
from platelib.numerics.mask_bits import BAD, SATURATED


def _mask():
    mask = np.zeros((9, 12), dtype=bool)
    mask[[0, 2, 3, 3, 8], [11, 4, 0, 7, 5]] = True
    return mask


def test_pixels_are_listed_by_rows():
    """A mask becomes its pixels in the order of rows, as 32-bit numbers."""
    hits = HitPixels.of(_mask())
    assert len(hits) == 5
    assert hits.x.dtype == hits.y.dtype == np.int32
    np.testing.assert_array_equal(hits.y, [0, 2, 3, 3, 8])
    np.testing.assert_array_equal(hits.x, [11, 4, 0, 7, 5])


def test_bands_are_marked_as_the_whole_frame_is():
    """Marking a band makes its own pixels bad, keeps other flags, and takes their variance."""
    hits = HitPixels.of(_mask())
    for first, last in ((0, 9), (0, 3), (3, 4), (4, 8), (7, 9)):
        mask = np.full((last - first, 12), SATURATED, dtype=np.uint8)
        variance = np.ones(mask.shape, dtype=np.float32)
        hits.mark(variance, mask, first)
        np.testing.assert_array_equal(mask & BAD != 0, _mask()[first:last])
        np.testing.assert_array_equal(variance == 0, _mask()[first:last])
        assert (mask & SATURATED).all()


def test_no_hits_mark_nothing():
    """A sub that was not searched stays as it is."""
    mask, variance = np.zeros((4, 5), dtype=np.uint8), np.ones((4, 5), dtype=np.float32)
    NO_HITS.mark(variance, mask, 0)
    assert not mask.any()
    assert variance.all()


def test_files_of_several_nights_are_read_by_sub(tmp_path):
    """Each sub gets its own pixels, one without any gets none, and so does a night of such."""
    nights = {"one": (["a", "b", "c"], [0, 0, 2]), "two": (["d"], [])}
    for name, (ids, numbers) in nights.items():
        places = np.arange(len(numbers), dtype=np.int32)
        rays = {"sub": np.array(numbers, dtype=np.int32), "x": places + 5, "y": places}
        hdus = [columns_hdu({"id": ids}, "SUBS"), columns_hdu(rays, "RAYS")]
        write_product(tmp_path / name, [], hdus)
    found = read_hit_pixels([tmp_path / name for name in nights])
    assert {key: hits.x.tolist() for key, hits in found.items()} == {
        "a": [5, 6],
        "b": [],
        "c": [7],
        "d": [],
    }
    assert read_hit_pixels([]) == {}
