import numpy as np
import pytest

from platelib.colour.channel_mapping import add_channel, plane_weights, weights_by_noise

RGB = {"red": {"ha": 2.0}, "green": {"g": 1.0}, "blue": {"b": 3.0, "ha": 1.0}}
CHANNELS = ["b", "g", "ha"]


def test_weights_of_each_colour_sum_to_one():
    """Weights are divided by their sum, row by row."""
    weights = plane_weights(RGB, CHANNELS)
    assert weights == {"red": {"ha": 1.0}, "green": {"g": 1.0}, "blue": {"b": 0.75, "ha": 0.25}}


def test_star_is_every_channel_not_named():
    """An asterisk gives its weight to each channel that the row does not name."""
    weights = plane_weights({"luminance": {"*": 1.0, "ha": 2.0}}, CHANNELS)
    assert weights == {"luminance": {"b": 0.25, "g": 0.25, "ha": 0.5}}


def test_a_channel_of_weight_zero_takes_no_part():
    """Weight zero removes a channel from the row, so that its gaps do not matter."""
    weights = plane_weights({"luminance": {"*": 1.0, "ha": 0.0}}, CHANNELS)
    assert "ha" not in weights["luminance"]


def test_colours_come_in_a_fixed_order():
    """Rows come as red, green, blue, luminance, however they are written."""
    matrix = {"luminance": {"g": 1.0}, "blue": {"b": 1}, "green": {"g": 1}, "red": {"ha": 1}}
    assert list(plane_weights(matrix, CHANNELS)) == ["red", "green", "blue", "luminance"]


@pytest.mark.parametrize(
    ("matrix", "message"),
    [
        ({"red": {"ha": 1}, "luminance": {"g": 1}}, "no channel makes green and blue"),
        ({}, "no channel makes red and green and blue"),
        ({"luminance": {"oiii": 1}}, "luminance asks for channel 'oiii', but there are b, g, ha"),
        ({"luminance": {"g": -1}}, "the weight of 'g' in luminance must be a number of 0 or more"),
        ({"luminance": {"g": float("nan")}}, "must be a number of 0 or more, not nan"),
        ({"luminance": {"g": 0}}, "the weights of luminance sum to zero"),
        ({"luminance": {}}, "the weights of luminance sum to zero"),
        ({"violet": {"g": 1}}, "unknown output colour 'violet'"),
    ],
)
def test_a_matrix_that_makes_no_picture_is_refused(matrix, message):
    """Each fault of a matrix has its own sentence."""
    with pytest.raises(ValueError, match=message):
        plane_weights(matrix, CHANNELS)


def blend(images, row):
    """Blend channels for one row."""
    planes = np.empty((1, *next(iter(images.values())).shape), dtype=np.float32)
    for name, image in images.items():
        add_channel(image, name, {"luminance": row}, planes)
    return planes[0]


def test_blend_is_the_weighted_mean():
    """A blend is the sum of the channels times their weights."""
    images = {"a": np.full((3, 5), 4, np.float32), "b": np.full((3, 5), 8, np.float32)}
    result = blend(images, {"a": 0.25, "b": 0.75})
    assert result.dtype == np.float32
    np.testing.assert_array_equal(result, 7)


def test_a_single_channel_is_kept_to_the_bit():
    """One channel of weight one passes unchanged, and the input is not touched."""
    image = np.random.default_rng(3).normal(size=(4, 7)).astype(np.float32)
    before = image.copy()
    result = blend({"a": image}, {"a": 1.0})
    np.testing.assert_array_equal(result, before)
    result += 1
    np.testing.assert_array_equal(image, before)


def test_a_pixel_that_lacks_a_needed_channel_has_no_data():
    """NaN in one blended channel makes NaN; NaN in a channel that takes no part does not."""
    images = {name: np.ones((3, 5), np.float32) for name in "abc"}
    images["a"][0, 1] = np.nan
    images["c"][2, 2] = np.nan
    result = blend(images, {"a": 0.5, "b": 0.5})
    assert np.isnan(result[0, 1])
    assert np.isnan(result).sum() == 1


def test_channels_of_different_size_are_refused():
    """Channels must lie on one grid."""
    images = {"a": np.ones((3, 5), np.float32), "b": np.ones((3, 6), np.float32)}
    with pytest.raises(ValueError, match="channels differ in size"):
        blend(images, {"a": 0.5, "b": 0.5})


SIGNALS, NOISES = {"b": 0.7, "g": 1.0, "ha": 0.05}, {"b": 0.02, "g": 0.01, "ha": 0.004}
ALIKE = {"b": 1.0, "g": 1.0, "ha": 1.0}


def test_weights_by_noise_are_the_best_there_are():
    """No other blend has more signal over noise, whatever the unit of a channel."""
    best = weights_by_noise(ALIKE, SIGNALS, NOISES)
    assert sum(best.values()) == pytest.approx(1)

    def quality(weights):
        signal = sum(weights[name] * SIGNALS[name] for name in weights)
        return signal / np.sqrt(sum((weights[name] * NOISES[name]) ** 2 for name in weights))

    # Signal to noise of independent measurements adds in squares.
    expected = np.sqrt(sum((SIGNALS[name] / NOISES[name]) ** 2 for name in ALIKE))
    assert quality(best) == pytest.approx(expected, rel=1e-6)
    rng = np.random.default_rng(2)
    for _ in range(50):
        other = {name: weight * rng.uniform(0.5, 2) for name, weight in best.items()}
        assert quality(other) <= quality(best) * (1 + 1e-9)
    scaled = weights_by_noise(ALIKE, SIGNALS | {"b": 70.0}, NOISES | {"b": 2.0})
    assert scaled["b"] * 100 / scaled["g"] == pytest.approx(best["b"] / best["g"], rel=1e-5)


def test_wishes_count_beside_noise():
    """A channel that is wished for twice as much weighs twice as much."""
    one = weights_by_noise(ALIKE, SIGNALS, NOISES)
    two = weights_by_noise(ALIKE | {"b": 2.0}, SIGNALS, NOISES)
    assert two["b"] / two["g"] == pytest.approx(2 * one["b"] / one["g"], rel=1e-5)


def test_a_channel_without_light_has_no_weight_by_noise():
    """A signal or a noise of zero is refused."""
    with pytest.raises(ValueError, match="no noise, or no light"):
        weights_by_noise(ALIKE, SIGNALS | {"b": 0.0}, NOISES)
