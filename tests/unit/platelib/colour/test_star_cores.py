import numpy as np
import pytest
from skimage.color import rgb2lab

from platelib.colour.srgb import decode, encode
from platelib.colour.star_cores import (
    apart_from,
    colours_of_rims,
    cores_of,
    saturation_percent,
)
from platelib.picture.postprocessing import Finish
from platelib.picture.render import render
from platelib.picture.stretch import Look

SHAPE = (130, 170)
CENTRE = (63.3, 81.8)
SKY = 20.0
LOOK = Look(sky_level=0.09, black_sigma=2.5, white_clip_fraction=0.0005, shoulder=0.8)
UNLIMITED = 1e9
COLOURS = {"red": (1.6, 0.9, 0.5), "white": (1.0, 1.0, 1.0), "blue": (0.7, 0.95, 1.35)}
LEVELS = {
    "red alone": (900, UNLIMITED, UNLIMITED),
    "green alone": (UNLIMITED, 900, UNLIMITED),
    "blue alone": (UNLIMITED, UNLIMITED, 900),
    "two": (1500, 800, UNLIMITED),
    "all": (1000, 1000, 1000),
    "all, each at another": (1500, 700, 1000),
}


def moffat(fwhm, place=CENTRE):
    """Draw a star of peak 1."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    squared = (y - place[0]) ** 2 + (x - place[1]) ** 2
    return (1 + squared * (2 ** (1 / 3) - 1) * 4 / fwhm**2) ** -3


def channels(colour, levels, fwhms=(4.0, 4.0, 4.0), peak=6000.0, seeing=(0.8, 0.9, 1.1, 1.25)):
    """Return planes and saturation of a star in subs of changing seeing, and a faint star."""
    rng = np.random.default_rng(8)
    planes, percent = [], np.zeros(SHAPE, dtype=np.uint8)
    for share, level, fwhm in zip(colour, levels, fwhms, strict=True):
        subs = []
        for factor in seeing:
            light = peak * share / factor**2 * moffat(factor * fwhm)
            light += 300 * share / factor**2 * moffat(factor * fwhm, (30, 140))
            subs.append(np.minimum(light + SKY, level) + rng.normal(0, 2, SHAPE))
        image = np.mean(subs, axis=0).astype(np.float32)
        planes.append(image - np.float32(SKY))
        percent = np.maximum(percent, saturation_percent(image, level))
    return np.stack(planes), percent


def lab_at_rings(pixels):
    """Return CIE Lab of the mean light in rings of a pixel about the star, ``(n, 3)``."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    ring = np.hypot(y - CENTRE[0], x - CENTRE[1]).astype(int)
    light = decode(pixels / 65535)
    return np.array([rgb2lab(encode(light[ring == r].mean(axis=0))) for r in range(14)])


@pytest.mark.parametrize("colour", COLOURS)
@pytest.mark.parametrize("levels", LEVELS)
def test_cores_go_from_the_colour_of_the_star_to_white(colour, levels):
    """Towards the middle a star gets whiter and never darker, at the hue that it has outside."""
    planes, percent = channels(COLOURS[colour], LEVELS[levels])
    assert (percent > 0).sum() > 20
    lab = lab_at_rings(render(planes, None, LOOK, saturation=percent).pixels)
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    assert chroma[0] < 6
    edge = int(np.sqrt((percent > 0).sum() / np.pi))
    assert (np.diff(chroma[:edge]) > -2.5).all()
    assert (np.diff(lab[: edge + 2, 0]) < 1.5).all()
    hue = np.arctan2(lab[:, 2], lab[:, 1])
    coloured = (chroma > 12) & (np.arange(14) < edge)
    turned = np.angle(np.exp(1j * (hue[coloured] - hue[edge + 1])))
    assert np.abs(turned).max(initial=0) < np.radians(25)


@pytest.mark.parametrize("levels", LEVELS)
def test_without_the_correction_cores_have_false_colours(levels):
    """The scenes of the test above are hard enough: as they are, cores are not white."""
    planes, _ = channels(COLOURS["white"], LEVELS[levels])
    lab = lab_at_rings(render(planes, None, LOOK).pixels)
    if levels != "all":
        assert np.hypot(*lab[0, 1:]) > 15


@pytest.mark.parametrize("fwhms", [(3.0, 4.0, 6.0), (6.0, 4.0, 3.0)])
def test_widths_that_differ_make_no_rings(fwhms):
    """With stars of other width in each channel chroma still falls from the rim to the middle."""
    planes, percent = channels(COLOURS["white"], (900, 900, 900), fwhms, 20_000.0)
    lab = lab_at_rings(render(planes, None, LOOK, saturation=percent).pixels)
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    assert chroma[0] < 6
    edge = int(np.sqrt((percent > 0).sum() / np.pi)) - 1
    assert (np.diff(chroma[:edge]) > -2.5).all()


@pytest.mark.parametrize("finish", [Finish(), Finish(colour_denoise=0.5)])
def test_nothing_changes_outside_of_the_cores(finish):
    """Pixels outside are the same to the last bit, and the input is not touched."""
    planes, percent = channels(COLOURS["blue"], LEVELS["two"])
    before = planes.copy()
    plain = render(planes, None, LOOK).pixels
    changed = render(planes, None, LOOK, saturation=percent)
    outside = percent == 0
    np.testing.assert_array_equal(plain[outside], changed.pixels[outside])
    assert (plain[~outside] != changed.pixels[~outside]).any()
    np.testing.assert_array_equal(planes, before)
    assert changed.steps[0].startswith("1 saturated core")
    if finish.colour_denoise:
        smooth = render(planes, None, LOOK, finish, percent)
        assert len(smooth.steps) == 2


def test_without_cores_the_picture_is_what_it_was():
    """Where no channel is saturated the picture is the same to the last bit, and says nothing."""
    planes, percent = channels(COLOURS["red"], (UNLIMITED,) * 3)
    assert not percent.any()
    plain, other = render(planes, None, LOOK), render(planes, None, LOOK, saturation=percent)
    np.testing.assert_array_equal(plain.pixels, other.pixels)
    assert plain.steps == other.steps == ()


def test_grey_pictures_and_luminance_have_cores_too():
    """A single plane stays as it is; with a luminance the core is white at its lightness."""
    planes, percent = channels(COLOURS["red"], LEVELS["all"])
    grey = render(planes[:1], None, LOOK, saturation=percent).pixels
    np.testing.assert_array_equal(grey, render(planes[:1], None, LOOK).pixels)
    lab = lab_at_rings(render(planes, planes.mean(axis=0), LOOK, saturation=percent).pixels)
    assert np.hypot(*lab[0, 1:]) < 6
    assert (np.diff(lab[:8, 0]) < 1.5).all()


def test_stars_below_the_level_have_no_core():
    """A star whose peak is at three quarters of the level is none of them; one above is."""
    image = (740 * moffat(4.0, (60, 80)) + SKY).astype(np.float32)
    assert not saturation_percent(image, 1000.0).any()
    percent = saturation_percent(np.minimum(2 * image, 1000), 1000.0)
    assert percent.max() == 100
    assert percent[0, 0] == 0
    assert not saturation_percent(image, np.inf).any()


def test_the_taper_belongs_to_the_core():
    """What is above half of the level and connected with a core is part of it, a star alone not."""
    image = np.full(SHAPE, SKY, dtype=np.float32)
    image[50:60, 60:70] = 1000
    image[53:56, 70:80] = 600
    image[100:104, 100:104] = 600
    percent = saturation_percent(image, 1000.0)
    assert (percent[53:56, 72:80] == 60).all()
    assert not percent[90:115, 90:115].any()


def test_a_core_that_only_some_subs_saturate_is_less_white():
    """Whiteness grows with the share of the level that the mean of the subs reaches."""
    heights = []
    for share in (82, 89, 100):
        percent = np.zeros(SHAPE, dtype=np.uint8)
        percent[40:50, 40:50] = share
        heights.append(cores_of(percent).whiteness.max())
    assert heights[0] < 0.1
    assert 0.2 < heights[1] < 0.8
    assert heights[2] == pytest.approx(1, abs=0.05)
    assert sorted(heights) == heights


def test_whiteness_falls_off_to_the_rim():
    """At the rim there is next to none of it, outside none at all."""
    percent = (100 * (moffat(12.0) > 0.3)).astype(np.uint8)
    cores = cores_of(percent)
    assert not cores.whiteness[percent == 0].any()
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    distance = np.hypot(y - CENTRE[0], x - CENTRE[1])
    rim = (percent > 0) & (distance > distance[percent > 0].max() - 0.7)
    assert cores.whiteness[rim].max() < 0.15
    assert cores.count == 1


def test_a_saturated_plane_is_raised_to_the_colour_of_the_rim():
    """The light that one plane lacks is told by the others: the star's own light is regained."""
    truth, _ = channels(COLOURS["blue"], (UNLIMITED,) * 3, seeing=(1.0,))
    planes, percent = channels(COLOURS["blue"], LEVELS["green alone"], seeing=(1.0,))
    fixed = planes.copy()
    fixed[:, percent > 0] = colours_of_rims(planes, cores_of(percent), [0.0, 0.0, 0.0])
    core = percent > 0
    assert (planes[1] / truth[1])[core].min() < 0.4
    np.testing.assert_allclose(fixed[:, core], truth[:, core], rtol=0.12)


def test_deconvolution_leaves_cores_and_comes_back_smoothly():
    """The share of deconvolution is 0 in cores and 1 from the reach on."""
    percent = np.zeros(SHAPE, dtype=np.uint8)
    percent[60:66, 80:86] = 100
    share = apart_from(cores_of(percent), 8.0)
    assert share[62, 82] == 0
    assert share[62, 86 + 9] == 1
    assert share[10, 10] == 1
    assert (np.diff(share[62, 85:100]) >= 0).all()
