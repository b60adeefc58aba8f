from dataclasses import replace

import numpy as np
import pytest
from drawn_differences import Conditions

from platelib.differences.detections import SHARP, WIDE, detect, hide_sharp
from platelib.differences.statistic import Statistic, filter_rows, filters_of

LATTICE = np.stack(np.meshgrid(np.arange(45, 360, 50), np.arange(45, 300, 48)), -1).reshape(-1, 2)


def _movers(seed, low, high, longest=0.0):
    """Movers on a lattice, off the pixel centres: x, y, flux and trail."""
    rng = np.random.default_rng([seed, 8])
    places = LATTICE + rng.uniform(-8, 8, LATTICE.shape)
    flux = np.exp(rng.uniform(np.log(low), np.log(high), len(places)))
    length, turn = (
        rng.uniform(0.6 * longest, longest, len(places)),
        rng.uniform(0, np.pi, len(places)),
    )
    return np.column_stack([places, flux, length * np.cos(turn), length * np.sin(turn)])


def _matched(found, movers, reach=3.0):
    """Return the row of the detection at each mover, -1 for none."""
    away = np.hypot(found.x[:, None] - movers[:, 0], found.y[:, None] - movers[:, 1])
    nearest = away.argmin(axis=0)
    return np.where(away.min(axis=0) < reach, nearest, -1)


def _seen(compared, fwhm_px, low, high, stack_fwhm=3.0, longest=0.0, seeds=(3, 4)):
    for seed in seeds:
        movers = _movers(seed, low, high, longest)
        drawn = compared(seed, Conditions(fwhm_px=fwhm_px, extra=movers), stack_fwhm)
        found, trails = detect(drawn.compared, drawn.image, fwhm_px)
        assert len(trails) == 0
        yield drawn, movers, found, _matched(found, movers)


def _enclosed(image, fwhm_px, beta=3.3):
    """Share of a Moffat star inside the disc of a star image."""
    width = fwhm_px / (2 * np.sqrt(2 ** (1 / beta) - 1))
    return 1 - (1 + ((image.radius + 0.5) / width) ** 2) ** (1 - beta)


def test_positions_and_fluxes_of_points_are_right(compared):
    """Places are as good as theory has it, unbiased to 0.03 px; fluxes to 1.5 %, errors to 25 %."""
    for fwhm_px, stack_fwhm in ((2.4, 3.0), (3.6, 3.0)):
        offsets, pulls, shares, ratios = [], [], [], []
        flux = 1100.0 * fwhm_px, 1300.0 * fwhm_px
        for drawn, movers, found, row in _seen(compared, fwhm_px, *flux, stack_fwhm):
            assert (row >= 0).mean() > 0.97
            seen, row = movers[row >= 0], row[row >= 0]
            off = np.stack([found.x[row] - seen[:, 0], found.y[row] - seen[:, 1]])
            offsets.append(off)
            pulls.append(off / np.stack([found.x_error[row], found.y_error[row]]))
            shares.append(found.flux[row] / seen[:, 2] / _enclosed(drawn.image, fwhm_px))
            ratios.append(found.snr[row])
        off, pull, share = (np.concatenate(one, axis=-1) for one in (offsets, pulls, shares))
        ratio = np.median(np.concatenate(ratios))
        # A Gaussian on a bright sky is placed to sqrt(2) sigma over its signal-to-noise; wings of
        # a Moffat profile and the resampling add to it.
        limit = np.sqrt(2) * fwhm_px / 2.3548 / ratio
        assert np.median(np.abs(off)) * 1.4826 < 1.6 * limit
        assert np.all(np.abs(off.mean(axis=1)) < 0.03)
        assert abs(1.4826 * np.median(np.abs(pull)) - 1) < 0.25
        assert abs(np.median(share) - 1) < 0.015


def test_faint_points_are_found_as_their_significance_says(compared):
    """Half are found at the threshold, nine of ten at 6.5 sigma; nothing else is."""
    truth, found_it, false = [], [], 0
    for drawn, movers, found, row in _seen(compared, 2.6, 350.0, 1000.0):
        x, y = np.rint(movers[:, :2]).astype(int).T
        information = drawn.compared.statistic.information[y, x]
        truth.append(movers[:, 2] * _enclosed(drawn.image, 2.6) * np.sqrt(information))
        found_it.append(row >= 0)
        false += len(found) - (row >= 0).sum()
    truth, found_it = np.concatenate(truth), np.concatenate(found_it)
    assert found_it[truth > 6.5].mean() > 0.9
    assert 0.25 < found_it[(truth > 4.4) & (truth < 5.6)].mean() < 0.8
    assert false <= 1


def test_trails_are_measured(compared):
    """Trails of 6 to 10 px: each one detection, length to 1 px and direction to 8 degrees."""
    for _, movers, found, row in _seen(compared, 2.6, 5000.0, 6000.0, longest=10.0, seeds=(5,)):
        assert (row >= 0).mean() > 0.95
        assert len(found) <= (row >= 0).sum() + 1
        seen, row = movers[row >= 0], row[row >= 0]
        wanted = np.hypot(seen[:, 3], seen[:, 4])
        turn = np.degrees(np.arctan2(seen[:, 4], seen[:, 3])) - found.angle_deg[row]
        turn = (turn + 90) % 180 - 90
        assert np.median(np.abs(found.length_px[row] - wanted)) < 0.7
        assert np.quantile(np.abs(turn), 0.9) < 8
        assert abs(np.median(found.flux[row] / seen[:, 2]) - 0.95) < 0.04


@pytest.mark.parametrize("electrons", [70.0, 300.0])
def test_cosmic_rays_and_satellites_are_told_apart(compared, electrons):
    """Rays are flagged as sharp; a trail across the field, faint or not, is a long one alone."""
    taken = Conditions(fwhm_px=3.0, rays=25, satellite=(150.0, 160.0, 27.0, electrons))
    drawn = compared(6, taken)
    found, trails = detect(drawn.compared, drawn.image, 3.0)
    assert len(trails) == 1
    turn = np.degrees(np.arctan2(*np.diff(trails.y[0]), *np.diff(trails.x[0]))) % 180
    assert abs(turn - 27) < 1.5
    assert trails.distances(np.array([150.0]), np.array([160.0]))[0, 0] < 2
    assert np.hypot(np.diff(trails.x[0]), np.diff(trails.y[0]))[0] > 200
    assert len(found) >= 10
    assert ((found.flags & SHARP) == 0).sum() <= 2


def test_what_is_wider_than_stars_is_flagged(compared):
    """A shadow of dust, five times as wide as stars, is flagged; points in the field are not."""
    drawn = compared(3, Conditions(fwhm_px=2.6, extra=_movers(3, 350.0, 1000.0)))
    values = drawn.compared.difference.values
    y, x = np.indices(values.shape)
    shadow = (-25.0 * np.exp(-((x - 195) ** 2 + (y - 164) ** 2) / 80)).astype(np.float32)
    filters = filters_of(drawn.image, 2.6, values.shape)
    sums = np.empty((2, *values.shape), dtype=np.float32)
    difference = replace(drawn.compared.difference, values=values + shadow)
    filter_rows(difference.values, difference.weight, filters, (0, len(values)), (sums[0], sums[1]))
    statistic = Statistic(sums[0], sums[1])
    found, _ = detect(replace(drawn.compared, difference=difference, statistic=statistic),
                      drawn.image, 2.6)  # fmt: skip
    near = np.hypot(found.x - 195, found.y - 164) < 15
    assert near.any()
    assert (found.flags[near] & WIDE).all()
    assert ((found.flags[~near] & WIDE) > 0).sum() <= 1


def test_rays_are_hidden(compared):
    """Discs about rays hold no information afterwards, all else is as it was."""
    taken = Conditions(fwhm_px=3.0, rays=25, satellite=(150.0, 160.0, 27.0, 300.0))
    drawn = compared(6, taken)
    found, _ = detect(drawn.compared, drawn.image, 3.0)
    before = drawn.compared.statistic
    hidden = Statistic(before.signal.copy(), before.information.copy())
    hide_sharp(hidden, found, 5.0)
    y, x = np.indices(hidden.signal.shape)
    sharp = np.flatnonzero(found.flags & SHARP)
    near = np.zeros(hidden.signal.shape, dtype=bool)
    for k in sharp:
        near |= np.hypot(x - found.x[k], y - found.y[k]) <= 5.0
    assert not hidden.information[near].any()
    assert np.array_equal(hidden.signal[~near], before.signal[~near])
