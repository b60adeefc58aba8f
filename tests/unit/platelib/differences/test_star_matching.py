import numpy as np
from drawn_differences import Conditions
from scipy.ndimage import correlate

from platelib.differences.star_matching import match_star_images
from platelib.differences.varying_kernel import kernel_by_widths
from platelib.simulate.psf import kernel, moffat_image


def test_the_kernel_leads_from_one_moffat_to_another(compared):
    """Softened, a star of 3 px is one of 5 px to 2 % of its peak; the sum is the scale."""
    drawn = compared(1, Conditions(fwhm_px=5.0), 3.5)
    taps = drawn.matching.taps([195.0], [165.0])[0].astype(np.float64)
    assert abs(taps.sum() - 1) < 0.03
    before, after = (kernel(moffat_image(width, 3.3)).astype(float) for width in (3.5, 5.0))
    miss = np.abs(correlate(before, taps) - after).max() / after.max()
    assert miss < 0.05
    assert drawn.matching.degrees == (0, 0)
    assert drawn.matching.stars >= 20


def test_the_star_image_is_that_of_the_sub(compared):
    """The mean of stars is a Moffat of the sub's width to 2 % of its peak."""
    drawn = compared(1, Conditions(fwhm_px=5.0), 3.5)
    image = drawn.image.middle
    half = len(image) // 2
    wanted = kernel(moffat_image(5.0, 3.3))[24 - half : 25 + half, 24 - half : 25 + half] * (
        image > 0
    )
    wanted = wanted / wanted.sum()
    assert np.abs(image - wanted).max() < 0.04 * wanted.max()


def test_a_field_dependent_kernel_is_found(compared):
    """Stars that widen by a quarter to the corners of the sub leave unit scatter all the same."""
    taken = Conditions(fwhm_px=3.0, spread=0.25)
    drawn = compared(9, taken, stars=260)
    assert drawn.matching.degrees[1] > 0
    ratio = drawn.compared.statistic.significance()[12:-12, 12:-12]
    assert (np.abs(ratio) > 5.5).sum() < 10


def test_few_stars_give_what_widths_say(compared):
    """With three stars the kernel is a Gaussian of the missing width and the image a Gaussian."""
    drawn = compared(1, Conditions(fwhm_px=5.0), 3.5)
    image, matching = match_star_images(drawn.both, drawn.sky.stars[:3, :2], (3.5, 5.0))
    assert (image.stars, matching.stars) == (0, 0)
    assert abs(matching.taps([0.0], [0.0]).sum() - 1) < 1e-6
    sharp = kernel_by_widths((5.0, 3.0), (60, 60)).taps([0.0], [0.0])[0]
    assert (sharp != 0).sum() == 1
