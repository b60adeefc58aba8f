import json
from dataclasses import replace

import numpy as np
import pytest

from platefiles.audit.pixel_history import Source, pixel_history
from platefiles.core.errors import UserError
from platefiles.fits.products_io import image_hdu, read_image, write_product
from platefiles.plan.channel_jobs import integrate_job


@pytest.fixture(scope="module")
def channel(bench):
    """The blue channel: its file, its job and its inputs."""
    lights = bench.plan.lights("b")
    inputs = {
        "raw": bench.raw(lights),
        "masters": bench.masters_of(lights),
        "registration": [bench.make_registration("b")],
    }
    return Source(bench.make_channel("b"), integrate_job(bench.plan, "b"), inputs)


def _pixels(path):
    """Corners, and of each count of clipped samples a pixel."""
    image, _ = read_image(path)
    clipped = read_image(path, "CLIPPED")[0].astype(int)
    ny, nx = image.shape
    found = [(1, 1), (nx, 1), (1, ny), (nx, ny)]
    for total in np.unique(clipped.sum(axis=0)):
        y, x = np.argwhere(clipped.sum(axis=0) == total)[0]
        found.append((int(x) + 1, int(y) + 1))
    return found


def test_samples_of_a_pixel_make_the_pixel(channel):
    """Worked out again from raw frames, each pixel is the product's, and the sum of its samples."""
    path, job = channel.path, channel.job
    image, clipped = read_image(path)[0], read_image(path, "CLIPPED")[0]
    pixels = _pixels(path)
    assert len(pixels) >= 6
    for x, y in pixels:
        found = pixel_history(channel, [], x, y)
        assert found.same
        assert [sample.name for sample in found.samples] == [
            s["name"] for s in json.loads(job)["subs"]
        ]
        kept = [sample for sample in found.samples if sample.fate == "kept"]
        if kept:
            values, weights = np.array([(s.value, s.weight) for s in kept]).T
            by_hand = np.sum(weights * values) / np.sum(weights)
            assert image[y - 1, x - 1] == pytest.approx(by_hand, rel=1e-6)
        fates = [sample.fate for sample in found.samples]
        struck = [fates.count("clipped low"), fates.count("clipped high")]
        assert struck == clipped[:, y - 1, x - 1].tolist()


def test_a_sub_that_is_not_used_has_no_value(channel):
    """It is listed with its state and no weight."""
    found = pixel_history(channel, [], 100, 80)
    (trailed,) = (s for s in found.samples if s.name == "2026-03-23/b-03.fits")
    assert (trailed.state, trailed.fate, trailed.weight) == ("elongated", "not used", 0.0)
    assert np.isnan(trailed.value)


def test_a_product_that_says_otherwise_is_found_out(channel, tmp_path):
    """A pixel that was changed in the product is not the one that its subs make."""
    path = channel.path
    image, _ = read_image(path)
    image[79, 99] += np.float32(1e-6)
    forged = tmp_path / "b.fits"
    write_product(
        forged, [], [image_hdu(image, "SCI"), image_hdu(read_image(path, "VAR")[0], "VAR")]
    )
    assert not pixel_history(replace(channel, path=forged), [], 100, 80).same
    assert pixel_history(replace(channel, path=forged), [], 99, 80).same


@pytest.mark.parametrize(("x", "y"), [(0, 5), (321, 5), (5, 241), (5, 0)])
def test_a_pixel_outside_is_refused(channel, x, y):
    """Pixels are counted from 1 as in FITS, and the sentence says how far they go."""
    with pytest.raises(UserError, match="columns 1 to 320 and rows 1 to 240"):
        pixel_history(channel, [], x, y)
