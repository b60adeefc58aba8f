"""Placing the grid, with the tiny set whose stars a user's catalogue has, and with real frames."""

import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS
from solve_astrometry import solve_astrometry
from steps.solutions import read_solution

from platefiles.astrometry.solution import read_map, read_refusal, read_stars, solution_cards
from platefiles.plan.grid_jobs import solution_job
from platefiles.provenance.record import read_record


@pytest.fixture(scope="module")
def placed(make_bench, tiny_raw, tiny_catalogue, tmp_path_factory):
    """The tiny set with a catalogue of its stars."""
    folder = tmp_path_factory.mktemp("placed")
    sky = {"catalogue": str(tiny_catalogue)}
    bench = make_bench(folder, tiny_raw, sky=sky, equipment="demo-bench")
    bench.make_solution()
    return bench


def _grid_to_truth(bench):
    """World coordinates that the truth gives places of the grid."""
    matrix = bench.matrix(bench.plan.by_id[bench.plan.pinned.reference])
    inverse = np.linalg.inv(matrix[:, :2])
    wcs = WCS(bench.truth["wcs"])
    return lambda x, y: wcs.all_pix2world(*(inverse @ (np.stack([x, y]) - matrix[:, 2:])), 0)


def test_solution_agrees_with_truth(placed):
    """Over the field the coordinates are those of the truth within 0.05 px rms."""
    wcs = read_solution(placed.plan.paths.solution)
    assert wcs.pixel_shape == (320, 240)
    y, x = (p.ravel() for p in np.mgrid[0:239:8j, 0:319:8j])
    px, py = wcs.all_world2pix(*_grid_to_truth(placed)(x, y), 0)
    assert np.sqrt(np.mean((px - x) ** 2 + (py - y) ** 2)) < 0.05


def test_solution_tells_how_it_was_found(placed):
    """Stars, odds, scale and epoch are in the header; the map reads back as it was."""
    header = fits.getheader(placed.plan.paths.solution)
    assert header["PLACED"] is True
    assert header["PLACEDBY"] == "stars"
    assert header["NMATCH"] >= 20
    assert header["FALSEALM"] < -30
    assert header["PIXSCALE"] == pytest.approx(2.3205, abs=2e-3)
    assert header["STAREPOC"] == pytest.approx(2026.22, abs=0.01)
    assert header["OBSGEO-L"] == 14.1
    sky_map, wcs = read_map(placed.plan.paths.solution), read_solution(placed.plan.paths.solution)
    expected = wcs.all_pix2world(17.0, 200.0, 0)
    np.testing.assert_allclose(sky_map.sky(17.0, 200.0), expected, atol=1e-10)
    stars = read_stars(placed.plan.paths.solution)
    found = stars["flags"] >= 0
    assert found.sum() >= 20
    assert np.hypot(stars["x"] - stars["found_x"], stars["y"] - stars["found_y"])[found].max() < 2
    assert read_refusal(placed.plan.paths.solution) == ""


def test_record_suffices_to_make_it_again(placed, tmp_path):
    """From the record's own texts, without the user's file, the same bytes are made again."""
    record = read_record(placed.plan.paths.solution)
    catalogue = tmp_path / "catalogue"
    catalogue.write_text(record.making.texts["catalogue"])
    lock = tmp_path / "lock"
    lock.write_text(record.making.texts["lock"])
    frame = placed.plan.by_id[placed.plan.pinned.reference]
    measures = placed.plan.paths.measures(frame.channel, frame.night)
    again = tmp_path / "field" / "solution.fits"
    solve_astrometry(
        [frame.path], [measures], lock, catalogue, again, json.loads(record.making.job)
    )
    assert again.read_bytes() == Path(placed.plan.paths.solution).read_bytes()


def test_cards_of_a_cube_have_a_third_axis(placed):
    """A cube's planes are counted, so that readers find no axis of length nothing."""
    cards = {card[0]: card[1] for card in solution_cards(placed.plan.paths.solution, planes=True)}
    assert cards["CD3_3"] == 1.0
    assert "WCSAXES" not in cards


def test_channel_has_stars_of_the_catalogue_at_their_pixels(placed):
    """In each image of a channel, the planes of a cube too, known places are where stars are."""
    stars = read_stars(placed.plan.paths.solution)
    found = (stars["flags"] == 0) & (stars["flux"] > np.median(stars["flux"][stars["flags"] == 0]))
    assert found.sum() >= 8
    with fits.open(placed.make_channel("g")) as hdus:
        for name in ("SCI", "VAR", "COUNT", "CLIPPED"):
            x, y = WCS(hdus[name].header, naxis=2).all_world2pix(stars["ra"], stars["dec"], 0)
            miss = np.hypot(x - stars["found_x"], y - stars["found_y"])[found]
            assert np.sqrt(np.mean(miss**2)) < 0.15, name
        image, sky = hdus["SCI"].data, np.nanmedian(hdus["SCI"].data)
        noise = np.sqrt(np.nanmedian(hdus["VAR"].data))
        rows, columns = (np.rint(place[found]).astype(int) for place in (y, x))
        assert (image[rows, columns] > sky + 10 * noise).all()
        assert hdus["CLIPPED"].header["CD3_3"] == 1.0
        assert "CTYPE1" not in hdus[0].header


def test_images_of_a_channel_agree_with_the_solution_to_the_last_bit(placed):
    """A channel says of its pixels what the solution says, and its record names the solution."""
    wcs = read_solution(placed.plan.paths.solution)
    path = placed.make_channel("g")
    expected = wcs.all_pix2world([3.0, 300.0], [200.0, 7.0], 0)
    for name in ("SCI", "VAR", "COUNT", "CLIPPED"):
        own = WCS(fits.getheader(path, name), naxis=2)
        assert np.array_equal(own.all_pix2world([3.0, 300.0], [200.0, 7.0], 0), expected)
    assert read_record(path).making.inputs["solution"] == ("field/solution.fits",)


def test_tycho_alone_refuses_a_field_of_12_arc_minutes(bench, tmp_path):
    """Too few stars are told with the size of the field and what would help.

    Neither the solution nor the images of a channel have coordinates then.
    """
    path = bench.make_solution(tmp_path / "solution.fits")
    assert read_solution(path) is None
    assert read_map(path) is None
    assert read_stars(path) == {}
    assert solution_cards(path) == []
    with fits.open(bench.make_channel("g")) as hdus:
        assert not any("CTYPE1" in hdu.header or "CD3_3" in hdu.header for hdu in hdus)
    said = read_refusal(path)
    assert said.startswith("the field has no astrometric solution: Tycho-2 has about 1 stars in a")
    assert "12.4' x 9.3'" in said
    assert said.endswith("or the right scale_arcsec, ra_deg and dec_deg under `sky`")
    assert (
        "remedies: a deeper catalogue (add the line `sky: {catalogue: gaia-dr3}` to "
        "tiny.yaml, or `catalogue: gaia-dr3` to the `sky` that it has)"
    ) in said


@pytest.mark.parametrize(
    ("stars", "said"),
    [
        (
            {"project": "tiny", "file": "tiny.yaml", "missing": "Gaia DR3"},
            "remedies: the stars of Gaia DR3, which could not be fetched (`platelog.py "
            "stars tiny` tries again), or the right scale_arcsec",
        ),
        (
            {"project": "tiny", "file": "tiny.yaml", "name": "Gaia DR3"},
            "remedies: the right scale_arcsec",
        ),
    ],
)
def test_refusal_knows_what_the_project_asks_for(stars, said, bench, tmp_path):
    """Where a deep catalogue is asked for, the remedy is to fetch it, or none if it is there."""
    assert said in read_refusal(bench.make_solution(tmp_path / "solution.fits", stars=stars))


def test_published_catalogue_is_named_in_the_header(placed, tmp_path):
    """A solution by fetched stars says whose they are."""
    path = placed.make_solution(tmp_path / "solution.fits", stars={"name": "Gaia DR3"})
    assert fits.getheader(path)["STARCAT"] == "Gaia DR3"
    assert fits.getheader(placed.plan.paths.solution)["STARCAT"] == "user's catalogue"


def test_catalogue_that_cannot_be_read_holds_nothing_up(bench, tmp_path):
    """The product is made and says what is wrong with the table."""
    table = tmp_path / "stars.csv"
    table.write_text("name,mag\nx,3\n")
    frame = bench.plan.by_id[bench.plan.pinned.reference]
    measures = bench.plan.paths.measures(frame.channel, frame.night)
    path = tmp_path / "solution.fits"
    job = json.loads(solution_job(bench.plan))
    solve_astrometry([frame.path], [measures], bench.make_lock(), table, path, job)
    assert "has no columns ra and dec in degrees (it has name, mag)" in read_refusal(path)


def test_coordinates_of_the_header_are_used_though_they_are_texts(placed, as_scanned, tmp_path):
    """A frame whose coordinates are texts is placed by them; the stars agree."""
    sky_map = read_map(placed.plan.paths.solution)
    frame = placed.plan.by_id[placed.plan.pinned.reference]
    raw = tmp_path / "raw.fits"
    shutil.copyfile(frame.path, raw)
    raw.chmod(0o644)
    for card in solution_cards(placed.plan.paths.solution):
        fits.setval(raw, card[0], value=str(card[1]))
    measures = placed.plan.paths.measures(frame.channel, frame.night)
    path = tmp_path / "solution.fits"
    job = as_scanned(json.loads(solution_job(placed.plan)), [raw])
    solve_astrometry([raw], [measures], placed.make_lock(), placed.plan.star_path, path, job)
    header = fits.getheader(path)
    assert header["PLACEDBY"] == "header"
    assert (
        "world coordinates of the header were texts and were read as numbers" in header["PLACENOT"]
    )
    np.testing.assert_allclose(read_map(path).sky(3.0, 5.0), sky_map.sky(3.0, 5.0), atol=1e-7)


def test_stars_go_before_a_header_that_is_wrong(placed, as_scanned, tmp_path):
    """Coordinates that the stars contradict are left aside, and the stars believed."""
    frame = placed.plan.by_id[placed.plan.pinned.reference]
    raw = tmp_path / "raw.fits"
    shutil.copyfile(frame.path, raw)
    raw.chmod(0o644)
    for card in solution_cards(placed.plan.paths.solution):
        fits.setval(raw, card[0], value=card[1])
    fits.setval(raw, "CRVAL2", value=30.03)
    measures = placed.plan.paths.measures(frame.channel, frame.night)
    path = tmp_path / "solution.fits"
    job = as_scanned(json.loads(solution_job(placed.plan)), [raw])
    solve_astrometry([raw], [measures], placed.make_lock(), placed.plan.star_path, path, job)
    header = fits.getheader(path)
    assert header["PLACEDBY"] == "stars"
    assert header["PLACENOT"] == "the stars contradict the header and give the position"
    right = read_map(placed.plan.paths.solution)
    np.testing.assert_allclose(read_map(path).sky(3.0, 5.0), right.sky(3.0, 5.0), atol=1e-6)


@pytest.fixture
def series_bench(make_bench, raw_series, tmp_path):
    """Return a way to a bench of a series of frames."""

    def make(name, **keys):
        return make_bench(tmp_path, raw_series(name).folder, **keys)

    return make


def test_night_on_a_long_focus_is_refused(series_bench, raw_series):
    """Some arc minutes with a handful of stars of Tycho-2: the sentence, and no coordinates."""
    bench = series_bench(
        "slow-mover",
        recipe="single-channel",
        channels={"open": {"filters": ["Open"], "flat": "none"}},
        exclude=[f"light_0{number}*" for number in (*range(18, 40),)],
    )
    said = read_refusal(bench.make_solution())
    frame = bench.plan.by_id[bench.plan.pinned.reference]
    sides = [f"{side * 1.2661 / 60:.1f}'" for side in (frame.width_px, frame.height_px)]
    assert re.search(rf"Tycho-2 has about \d stars? in a field of {' x '.join(sides)}, too", said)
    assert "remedies: a deeper catalogue" in said
    header = fits.getheader(bench.plan.paths.solution)
    assert header["PLACED"] is False
    west = raw_series("slow-mover").longitude_deg  # as the header counts it
    assert header["OBSGEO-L"] == pytest.approx(-west)


def _windowed_centre(image, x, y):
    """Centre of the light under a Gaussian of sigma 3 px that follows it."""
    v, u = np.indices(image.shape)
    for _ in range(20):
        light = np.clip(image, 0, None) * np.exp(-((u - x) ** 2 + (v - y) ** 2) / 18)
        x += 2 * ((u * light).sum() / light.sum() - x)
        y += 2 * ((v * light).sum() / light.sum() - y)
    return x, y


def test_survey_frames_are_placed_by_their_header(series_bench):
    """Galaxies of OpenNGC are on the brightest light within 2 px of where the header puts them."""
    import sqlite3

    import pyongc

    bands = {band: {"filters": [band]} for band in "gri"}
    bench = series_bench(
        "gri-group",
        recipe="broadband-rgb",
        calibrated=True,
        channels=bands,
        header_fixes={"*_i.fits": {"FILTER": "i"}, "*_r.fits": {"FILTER": "r"}},
        overrides={"mapping": {"red": {"i": 1}, "green": {"r": 1}, "blue": {"g": 1}}},
    )
    path = bench.make_solution()
    assert fits.getheader(path)["PLACEDBY"] == "header"
    wcs = read_solution(path)
    image = fits.getdata(bench.plan.by_id[bench.plan.pinned.reference].path)
    with sqlite3.connect(f"file:{pyongc.DBPATH}?mode=ro", uri=True) as database:
        rows = database.execute("select name, ra, dec from objects where type = 'G'").fetchall()
    ra, dec = (
        np.rad2deg([row[1] or 0.0 for row in rows]),
        np.rad2deg([row[2] or 0.0 for row in rows]),
    )
    near = np.flatnonzero(np.hypot((ra - 313.17) * np.cos(np.deg2rad(5.7)), dec + 5.69) < 0.2)
    checked = 0
    for k in near:
        x, y = wcs.all_world2pix(ra[k], dec[k], 0)
        if not (20 < x < image.shape[1] - 20 and 20 < y < image.shape[0] - 20):
            continue
        centre = _windowed_centre(image, float(x), float(y))
        assert np.hypot(centre[0] - x, centre[1] - y) < 2, rows[k][0]
        checked += 1
    assert checked >= 3
