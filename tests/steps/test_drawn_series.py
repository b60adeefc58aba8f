"""Series in the style of real ones go through the steps, and the truth comes out."""

import numpy as np
import pytest
from astropy.io import fits
from drawn_series import MOVER

from platefiles.config.lock_file import read_lock
from platefiles.registration.registration_table import read_registration


@pytest.fixture(scope="module")
def registered(make_bench, drawn_series, tmp_path_factory):
    """Return a way to the bench of a series, its subs and the truth of each."""

    def make(name, filters, **keys):
        series = drawn_series(name)
        keys |= {"recipe": "single-channel", "channels": {"open": {"filters": [filters]}}}
        bench = make_bench(tmp_path_factory.mktemp(name), series.folder, **keys)
        subs, _ = read_registration(bench.make_registration("open"))
        return bench, subs, [series.lights[sub.facts["name"]] for sub in subs]

    return make


@pytest.fixture(scope="module")
def drifting(registered):
    """The series whose field drifts, which has no calibration frames."""
    return registered("wide-drifting", "Clear")


@pytest.fixture(scope="module")
def seeing(registered):
    """The lights of 240 s whose stars grow wider."""
    return registered("changing-seeing", "Open", exclude=["focus/*", "a-30s*", "a-180s*"])


@pytest.fixture(scope="module")
def mover(registered):
    """The series in which an object moves."""
    return registered("slow-mover", "Open")


@pytest.mark.parametrize("name", ["drifting", "seeing", "mover"])
def test_subs_lie_where_they_were_pointed(request, name):
    """Every sub is used, and its shift against the grid is the true one within 0.1 px."""
    bench, subs, truths = request.getfixturevalue(name)
    pinned = bench.plan.by_id[read_lock(bench.lock).reference].name
    base = next(t for s, t in zip(subs, truths, strict=True) if s.facts["name"] == pinned)
    for sub, truth in zip(subs, truths, strict=True):
        assert sub.facts["state"] == "used", sub.facts["name"]
        x, y = sub.transform(np.array([170.0]), np.array([124.0]))
        shift = np.subtract(truth.dither_px, base.dither_px)
        assert x[0] - 170.0 == pytest.approx(shift[0], abs=0.1), sub.facts["name"]
        assert y[0] - 124.0 == pytest.approx(shift[1], abs=0.1), sub.facts["name"]


def test_seeing_is_measured_as_it_changes(seeing):
    """Measured widths grow with the true ones, in one proportion within 4 %."""
    _, subs, truths = seeing
    ratio = np.array([s.facts["fwhm_px"] / t.fwhm_px for s, t in zip(subs, truths, strict=True)])
    np.testing.assert_allclose(ratio / np.median(ratio), 1.0, atol=0.04)


def test_object_that_moves_slowly_is_where_it_was(mover, drawn_series):
    """In each registered sub the light at the true place of the object is its own."""
    bench, subs, truths = mover
    pinned = bench.plan.by_id[read_lock(bench.lock).reference].name
    base = next(t for s, t in zip(subs, truths, strict=True) if s.facts["name"] == pinned)
    start = min(truth.start_utc for truth in truths)
    for sub, truth in zip(subs, truths, strict=True):
        hours = (truth.start_utc - start).total_seconds() / 3600
        x = MOVER.x_px + MOVER.rate_x_px_h * hours + base.dither_px[0]
        y = MOVER.y_px + MOVER.rate_y_px_h * hours + base.dither_px[1]
        raw_x, raw_y = (place[0] for place in sub.transform(np.array([x]), np.array([y])))
        image = fits.getdata(drawn_series("slow-mover").folder / sub.facts["name"])
        left, bottom = round(raw_x) - 5, round(raw_y) - 5
        stamp = image[bottom : bottom + 11, left : left + 11].astype(float)
        light = np.clip(stamp - np.median(image) - 300, 0, None)
        v, u = np.indices(light.shape)
        assert (u * light).sum() / light.sum() + left == pytest.approx(raw_x, abs=0.3)
        assert (v * light).sum() / light.sum() + bottom == pytest.approx(raw_y, abs=0.3)
