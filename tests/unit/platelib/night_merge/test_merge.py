import sys
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from platecli.verbs.bench import BENCH
from platelib.integration.psf_comparison import comparison
from platelib.integration.psf_kernels import PsfKernels
from platelib.integration.rejection import Rejection
from platelib.integration.rejection_rules import HIGH, METHODS
from platelib.night_merge.merge import merge
from platelib.night_merge.offsets import measure
from platelib.numerics.mask_bits import SPIKE

sys.path.insert(0, str(BENCH))

import night_subs  # noqa: E402


@pytest.fixture(scope="module")
def subs():
    """Forty subs in five nights, two of them too short to be stacked."""
    return night_subs.draw([20, 10, 5, 3, 2], (200, 260), 7)


@pytest.fixture(scope="module")
def pair():
    """Two nights of which one has stars 1.5 times as wide as the other."""
    sky = night_subs.Sky(
        movers=0, rays=0.0, trails=0.0, stars=40, of_nights=(2.5, 3.6), fwhm_px=(2.4, 3.84)
    )
    return night_subs.draw([12, 12], (200, 260), 5, sky)


def _prepared(subs):
    samples, flags, noise, full, fwhm_px = night_subs.night_samples(subs)
    compared = night_subs.kernels_of(subs, samples.values, samples.variances, fwhm_px)
    shape = flags.shape[1:]
    found = measure(
        len(flags), shape, lambda i, rows: tuple(plane[i, rows] for plane in samples[:3])
    )
    return samples, flags, noise, full, compared, found


def test_tiles_and_threads_change_no_bit(subs):
    """Tiles of any size, in two threads, give the planes of the whole."""
    samples, flags, noise, full, compared, found = _prepared(subs)
    ny, nx = flags.shape[1:]
    grow_px, sky, rule = 2, night_subs.SKY, night_subs.RULE
    whole = merge(
        samples, flags.copy(), noise, full, sky, rule, compared,
        found.of_tile((0, ny), (0, nx)), grow_px,
    )  # fmt: skip
    halo = grow_px + 1 + compared.margin
    pieces = [np.empty_like(plane) for plane in whole.planes]
    tally = np.zeros_like(whole.tally)

    def work(place):
        rows, columns = place
        outer = [
            (max(0, first - halo), min(size, last + halo))
            for (first, last), size in ((rows, ny), (columns, nx))
        ]
        cut = tuple(slice(*side) for side in outer)
        tile = type(samples)(*(np.ascontiguousarray(plane[:, *cut]) for plane in samples))
        part = tuple(
            slice(f - o, t - o) for (f, t), (o, _) in zip((rows, columns), outer, strict=True)
        )
        return place, merge(
            tile, flags[:, *cut].copy(), noise, full, sky, rule, compared,
            found.of_tile(*outer), grow_px, part,
        )  # fmt: skip

    edges = [0, 37, 128, 150, ny], [0, 61, 200, nx]
    spans = [list(zip(side, side[1:], strict=False)) for side in edges]
    with ThreadPoolExecutor(2) as pool:
        for (rows, columns), tile in pool.map(work, [(r, c) for r in spans[0] for c in spans[1]]):
            for piece, plane in zip(pieces, tile.planes, strict=True):
                piece[slice(*rows), slice(*columns)] = plane
            tally += tile.tally
    assert whole.tally[:, 1:].sum() > 50
    for piece, plane in zip(pieces, whole.planes, strict=True):
        np.testing.assert_array_equal(piece, plane)
    np.testing.assert_array_equal(tally, whole.tally)


def test_order_of_nights_changes_little_but_rounding(subs):
    """Nights in another order give the same flags, and the mean but for rounding."""
    samples, flags, noise, full, _, _ = _prepared(subs)
    order = np.arange(len(flags))[::-1]
    turned = type(samples)(*(np.ascontiguousarray(plane[order]) for plane in samples))
    others = flags[order].copy()
    one = merge(samples, flags, noise, full, night_subs.SKY, night_subs.RULE, grow_px=2)
    other = merge(
        turned, others, noise[order], full[order], night_subs.SKY, night_subs.RULE, grow_px=2
    )
    np.testing.assert_array_equal(others[order], flags)
    np.testing.assert_allclose(other.mean, one.mean, rtol=2e-7)


@pytest.mark.parametrize("method", METHODS)
def test_all_methods_but_none_are_the_noise_rule(method, stacked):
    """Methods that estimate the spread from samples reject by the noise of each night."""
    samples, flags, noise, full = stacked((30, 10, 5, 1), outliers=0.01)
    expected = flags.copy()
    merge(samples, expected, noise, full, 100.0, Rejection("noise"))
    merge(samples, flags, noise, full, 100.0, Rejection(method))
    assert (expected > 1).any()
    if method == "none":
        assert (flags == 0).all()
    else:
        np.testing.assert_array_equal(flags, expected)


def test_unknown_method_is_an_error(stacked):
    """A method that does not exist is named, with those that do."""
    samples, flags, noise, full = stacked((5, 5))
    with pytest.raises(ValueError, match="unknown rejection method 'best'; choose from none, noi"):
        merge(samples, flags, noise, full, 100.0, Rejection("best"))


def test_spikes_of_single_subs_go(stacked):
    """A sample of 3 sigma beside a spike goes, as in one pass; the same without a spike stays."""
    samples, flags, noise, full = stacked((30, 10, 1, 1))
    samples.values[2, 20, 50:52] = 100 + 3 * noise[2]
    flags[2, 20, 50] = SPIKE
    flags[3, 20, 60] = SPIKE
    samples.values[3, 20, 60] = 99.0
    merge(samples, flags, noise, full, 100.0, Rejection())
    assert flags[2, 20, 50:52].tolist() == [HIGH, 0]
    assert flags[3, 20, 60] == 0


def test_faint_edge_of_a_night_keeps_its_samples(stacked):
    """Where one sub of a deep night remains, its larger variance is believed."""
    samples, flags, noise, full = stacked((40, 10, 10, 10), (60, 600), seed=9)
    merge(samples, flags, noise, full, 100.0, Rejection())
    assert (samples.counts[0, :6] == 1).sum() > 50
    assert (flags[0, :6] > 1).mean() < 0.001


def test_stars_of_two_nights_keep_their_light(pair):
    """Seeing of 1 to 1.5 takes no light of stars where only two nights decide."""
    samples, flags, noise, full, compared, found = _prepared(pair)
    table = found.of_tile((0, flags.shape[1]), (0, flags.shape[2]))
    merged = merge(samples, flags, noise, full, night_subs.SKY, night_subs.RULE, compared, table, 2)
    change = night_subs.fluxes(pair, merged.mean) / night_subs.fluxes(
        pair, night_subs.one_pass(pair).mean
    )
    assert np.isfinite(change).sum() > 15
    assert np.nanmax(np.abs(change - 1)) < 0.002


@pytest.mark.parametrize("night", [0, 1])
def test_slow_mover_in_one_of_two_nights_goes(pair, night):
    """A body that stands for a night has the image of a star in it, and goes in the merge."""
    samples, flags, noise, full, compared, found = _prepared(pair)
    y, x = _empty_place(pair)
    v, u = np.mgrid[: flags.shape[1], : flags.shape[2]]
    width = pair.fwhm_px[pair.night == night].mean()
    body = np.exp(-4 * np.log(2) * ((v - y) ** 2 + (u - x) ** 2) / width**2)
    samples.values[night] += (15 * noise[night] * body).astype(np.float32)
    table = found.of_tile((0, flags.shape[1]), (0, flags.shape[2]))
    merge(samples, flags, noise, full, night_subs.SKY, night_subs.RULE, compared, table, 2)
    core = np.hypot(v - y, u - x) <= 1
    assert (flags[night, core] == HIGH).all()
    assert (flags[1 - night, core] == 0).all()


def _empty_place(subs):
    ny, nx = subs.quiet.shape
    for y in range(40, ny - 40):
        for x in range(40, nx - 40):
            if (np.hypot(subs.x - x, subs.y - y) > 18).all():
                return y, x
    raise AssertionError


def test_without_partners_two_samples_are_kept(stacked):
    """Nobody can say which of two samples is wrong without a prediction."""
    samples, flags, noise, full = stacked((10, 10))
    samples.values[0, 20, 20] += 100 * noise[0]
    merge(samples, flags, noise, full, 100.0, Rejection(), grow_px=2)
    assert (flags == 0).all()


def test_offsets_of_partners_are_allowed_for():
    """Predictions from nights that lie off the sky reject no night that does not."""
    n, shape = 3, (24, 24)
    rng = np.random.default_rng(8)
    values = (400 + rng.normal(size=(n, *shape))).astype(np.float32)
    values[1:] -= 60
    ones = np.ones((n, *shape), dtype=np.float32)
    counts = np.ones((n, *shape), dtype=np.int16)
    partners = np.array([[1, 2], [0, 2], [0, 1]])
    kernels = PsfKernels(
        partners, np.ones((n, 2, 1, 1), np.float32), np.zeros((n, 2)), np.full(n, 3.0)
    )
    samples = night_subs.NightSamples(values, ones, ones, counts, 0 * counts, 0 * counts)
    flags = np.zeros((n, *shape), dtype=np.uint8)
    table = night_subs.measure(
        n, shape, lambda i, rows: tuple(plane[i, rows] for plane in samples[:3])
    ).of_tile((0, 24), (0, 24))
    second = comparison(kernels, np.full(n, np.inf), 0.02)
    merge(samples, flags, np.ones(n), np.ones(n), 100.0, Rejection(tolerance=0.02), second, table)
    assert (flags == 0).all()
