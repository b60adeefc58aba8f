"""Searches of images that are all light, which `sep` alone refuses."""

import numpy as np
import pytest
import sep
from scipy.ndimage import gaussian_filter

from platelib.sources import sep_extraction
from platelib.sources.sep_extraction import extracted, in_any_crowd


@pytest.mark.parametrize("shape", [(300, 1200), (1200, 300)])
def test_a_source_may_cover_the_image(shape):
    """Light on every pixel is one source; `sep` wants room for more pixels than there are."""
    image, ones = np.full(shape, 9.0, dtype=np.float32), np.ones(shape, dtype=np.float32)
    found = extracted(image, ones, image < 0, 3.0, 4, with_segments=True, deblend_nthresh=1)
    assert found.sigma == 3.0
    assert len(found.found) == 1
    assert (found.segments == 1).all()
    before = sep.get_extract_pixstack()
    sep.set_extract_pixstack(image.size)
    with pytest.raises(Exception, match="pixel buffer full"):
        sep.extract(image, 3.0)
    sep.set_extract_pixstack(before)


def test_light_that_runs_together_is_searched_at_a_higher_threshold(monkeypatch):
    """Where one source has too many parts, the threshold rises until it falls apart."""
    monkeypatch.setattr(sep_extraction, "_SUB_OBJECTS", 100)
    rough = gaussian_filter(np.random.default_rng(1).standard_normal((150, 210)), 1.2)
    image = (6 + rough / rough.std()).astype(np.float32)
    ones = np.ones_like(image)
    crowd = extracted(image, ones, image < -9, 3.0, 3, deblend_nthresh=64, deblend_cont=1e-5)
    assert crowd.sigma > 3.0
    assert len(crowd.found) > 50
    plain = extracted(image - 6, ones, image < -9, 3.0, 3, deblend_nthresh=64, deblend_cont=1e-5)
    assert plain.sigma == 3.0


def test_limits_of_the_library_are_left_as_they_were():
    """A search of few pixels does not shrink the buffer of other searches in the process."""
    before = sep.get_extract_pixstack(), sep.get_sub_object_limit()
    assert in_any_crowd(lambda threshold: threshold, 2.0, 100) == (2.0, 2.0)
    assert (sep.get_extract_pixstack(), sep.get_sub_object_limit()) == before


def test_other_faults_are_told():
    """What has nothing to do with crowds is not tried again."""

    def search(threshold):
        msg = "array dtype not supported"
        raise ValueError(msg)

    with pytest.raises(ValueError, match="not supported"):
        in_any_crowd(search, 3.0, 100)
