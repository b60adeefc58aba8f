import numpy as np
import pytest

from platelib.picture.stretch import AsinhCurve, Shoulder, brightest, fit_curve, stretch_planes

CURVE = AsinhCurve(minimum=-1.0, stretch=20.0, softening=6.0)


@pytest.mark.parametrize("white", [30.0, 300.0, 3e4, 3e7])
@pytest.mark.parametrize("sky_level", [0.03, 0.1, 0.3])
def test_sky_and_white_land_where_they_are_wanted(white, sky_level):
    """The fitted curve puts black at 0, the sky at its level and white at 1."""
    curve = fit_curve(5.0, 0.25, white, sky_level=sky_level, black_sigma=2.0)
    assert curve.minimum == pytest.approx(4.5)
    levels = curve(np.array([4.5, 5.0, white]) - curve.minimum)
    np.testing.assert_allclose(levels, [0, sky_level, 1], atol=1e-6)


def test_a_faint_picture_is_not_burnt():
    """Where nothing stands above the sky, the sky keeps its level and nothing exceeds 1."""
    curve = fit_curve(0.0, 1.0, 3.0, sky_level=0.1, black_sigma=2.5)
    assert curve(np.array(2.5)) == pytest.approx(0.1, abs=1e-6)
    assert curve(np.array(5.5)) < 0.3


@pytest.mark.parametrize(
    ("sigma", "settings", "message"),
    [
        (0.0, {"sky_level": 0.1, "black_sigma": 2}, "the sky has no noise"),
        (float("nan"), {"sky_level": 0.1, "black_sigma": 2}, "the sky has no noise"),
        (1.0, {"sky_level": 0.0, "black_sigma": 2}, "must lie between 0 and 1"),
        (1.0, {"sky_level": 0.1, "black_sigma": 0}, "black_sigma 0 above 0"),
    ],
)
def test_impossible_curves_are_refused(sigma, settings, message):
    """A sky without noise, and settings out of range, have their sentences."""
    with pytest.raises(ValueError, match=message):
        fit_curve(0.0, sigma, 100.0, **settings)


def test_the_curve_never_falls():
    """More light is never darker, and the curve bends one way only."""
    light = np.linspace(0, 1e4, 5001)
    steps = np.diff(CURVE(light))
    assert (steps > 0).all()
    assert (np.diff(steps) < 1e-12).all()


def test_ratios_of_planes_are_kept():
    """Planes keep their ratios above black, also where they are scaled to fit the display."""
    light = np.array([[3.0, 500.0, 9e5], [2.0, 250.0, 3e5], [1.0, 100.0, 1e5]])
    display = stretch_planes(light + CURVE.minimum, CURVE)
    np.testing.assert_allclose(display / display[0], light / light[0], rtol=1e-9)
    assert display.max() == pytest.approx(1.0)
    assert display[0, 2] == 1.0


def test_grey_stays_grey():
    """Equal planes stay equal."""
    display = stretch_planes(np.full((3, 4, 5), 17.0, np.float32), CURVE)
    assert np.ptp(display, axis=0).max() == 0


def test_black_and_below_are_black():
    """At and below the minimum all planes are 0, without warnings; NaN stays NaN."""
    light = np.array([[-1.0, -5.0, np.nan]] * 3)
    display = stretch_planes(light, CURVE)
    np.testing.assert_array_equal(display[:, :2], 0)
    assert np.isnan(display[:, 2]).all()


def test_one_plane_below_black_does_not_go_negative():
    """A plane below black is 0 while the others keep their light."""
    display = stretch_planes(np.array([[9.0], [9.0], [-3.0]]), CURVE)
    assert display[2] == 0
    assert display[0] > 0


def test_cores_keep_their_shape_up_to_the_brightest_pixel():
    """With a shoulder more light is brighter everywhere, and only the brightest pixel is white."""
    light = np.outer([1.0, 0.7, 0.4], np.geomspace(1, 1e6, 400)) + CURVE.minimum
    top = brightest(light, CURVE)
    assert top > 1
    cut, rolled = (
        stretch_planes(light, CURVE, one) for one in (Shoulder(1, 1), Shoulder(0.8, top))
    )
    assert (np.diff(cut[0]) == 0).sum() > 50
    assert (np.diff(rolled[0]) > 0).all()
    assert rolled[0, -1] == pytest.approx(1, abs=1e-12)
    assert rolled[0, -2] < 1
    np.testing.assert_array_equal(rolled[:, cut[0] < 0.8], cut[:, cut[0] < 0.8])


def test_a_shoulder_keeps_the_ratios_of_planes():
    """Hue is kept where highlights are rolled off."""
    light = np.outer([3.0, 2.0, 1.0], np.geomspace(1, 1e6, 60))
    display = stretch_planes(light + CURVE.minimum, CURVE, Shoulder(0.7, 3.0))
    np.testing.assert_allclose(display / display[0], light / light[0], rtol=1e-9)


def test_a_shoulder_without_highlights_changes_nothing():
    """Where nothing exceeds white, values are those of the curve alone."""
    light = np.outer([1.0, 1.0, 1.0], np.linspace(0.1, 20, 50)) + CURVE.minimum
    shoulder = Shoulder(0.5, brightest(light, CURVE))
    assert shoulder.top < 1
    np.testing.assert_array_equal(
        stretch_planes(light, CURVE, shoulder), stretch_planes(light, CURVE)
    )


def test_the_shoulder_is_that_of_reinhard():
    """Values of equation 4 of Reinhard et al. (2002), ACM ToG 21, 267, worked out by hand."""
    # x = 1 and X = 4: 1 (1 + 1/16) / 2 = 0.53125; x = 4: 4 (1 + 1/4) / 5 = 1.
    shoulder = Shoulder(0.5, 2.5)
    np.testing.assert_allclose(shoulder(np.array([0.3, 1.0, 2.5])), [0.3, 0.765625, 1.0])
