"""Zero points of the tiny set against its truth."""

import json

import numpy as np
import pytest
from astropy.io import fits
from find_zero_points import find_zero_points

from platefiles.fits.products_io import read_image
from platefiles.fits.tables import read_columns, rows_of
from platefiles.photometry.zero_points import read_zero_points
from platefiles.plan.field_jobs import zero_points_job
from platelib.simulate.camera import build_camera, light_response
from platelib.simulate.demo import tiny_plan


@pytest.fixture(scope="module")
def measured(make_bench, tiny_raw, tiny_catalogue, tmp_path_factory):
    """The tiny set with a catalogue of its stars, placed and measured."""
    folder = tmp_path_factory.mktemp("measured")
    sky = {"catalogue": str(tiny_catalogue)}
    bench = make_bench(folder, tiny_raw, sky=sky, equipment="demo-bench")
    bench.make_zero_points()
    return bench


def _rows(bench, name):
    return rows_of(read_columns(bench.plan.paths.zero_points, name))


def test_zero_point_of_the_green_channel_is_that_of_the_truth(measured):
    """Within 0.03 mag: the scene's, dimmed by the air and the response of the reference."""
    plan = tiny_plan()
    frame = measured.plan.by_id[measured.plan.pinned.photometry["g"]]
    sub = measured.truth["frames"][frame.name.removesuffix(".fits")]["sub"]
    response = np.median(light_response(build_camera(plan.camera), sub["night"]["dust_seed"]))
    true = plan.scene.zero_point + 2.5 * np.log10(sub["transparency"] * response)
    found = read_zero_points(measured.plan.paths.zero_points)["g"]
    assert found.zero_point_mag == pytest.approx(true, abs=0.03)
    assert found.band == "V"
    assert found.calibrated
    assert found.n_stars >= 20
    assert found.scatter_mag < 0.03


def test_narrow_bands_are_said_to_be_uncalibrated(measured):
    """Magnitudes of H-alpha are those of stars of that flux in another band, and it is said."""
    found = read_zero_points(measured.plan.paths.zero_points)
    assert not found["ha"].calibrated
    assert found["ha"].note.startswith("narrow band: magnitudes are those of a Sun-like star")
    notes = fits.getheader(measured.plan.paths.zero_points)["ZPNOTE*"].values()
    assert any(note.startswith("channel 'ha': narrow band") for note in notes)


def test_transparency_of_the_clouded_sub_is_told(measured):
    """Thin cloud takes a third of the light, and half a magnitude of that sub's zero point."""
    rows = {row["name"]: row for row in _rows(measured, "SUBS") if row["channel"] == "g"}
    clouded = rows["2026-03-24/g-03.fits"]
    others = [r["zero_point_mag"] for n, r in rows.items() if n != "2026-03-24/g-03.fits"]
    truth = [
        measured.truth["frames"][name.removesuffix(".fits")]["sub"]["transparency"] for name in rows
    ]
    expected = 2.5 * np.log10(0.64 / np.median(truth))
    found = clouded["zero_point_mag"] - np.median(others)
    assert found == pytest.approx(expected, abs=0.03)


def test_sky_is_as_bright_as_in_the_truth(measured):
    """Each sub's sky in mag/arcsec2 is that of the simulator within 0.08 mag."""
    plan, checked = tiny_plan(), 0
    scale = plan.instrument.scale_arcsec
    for row in _rows(measured, "SUBS"):
        frame = measured.truth["frames"][row["name"].removesuffix(".fits")]
        if row["channel"] != "g" or row["state"] != "used":
            continue
        # Cloud dims the stars alone; the sky is on this side of it.
        zero = plan.scene.zero_point + 2.5 * np.log10(frame["sub"]["transparency"])
        true = zero - 2.5 * np.log10(frame["sky_e_s"] / scale**2)
        assert row["sky_mag_arcsec2"] == pytest.approx(true, abs=0.08), row["name"]
        checked += 1
    assert checked >= 6


def test_airmass_follows_the_field(measured):
    """The field goes over the meridian at 46.2 degrees north: airmass 1.04 and more, by time."""
    rows = [row for row in _rows(measured, "SUBS")]
    assert all(1.03 < row["airmass"] < 1.6 for row in rows)
    assert all(row["airmass"] * np.sin(np.deg2rad(row["altitude_deg"])) < 1.001 for row in rows)
    nights = {row["night"] for row in rows}
    extinction = _rows(measured, "EXTINCTION")
    assert {row["night"] for row in extinction} == {*nights, "all"}
    for row in extinction:
        assert row["note"] or np.isfinite(row["coefficient_mag"])


def test_a_field_without_a_place_has_no_zero_points(bench, tmp_path):
    """Without coordinates there are rows that say so, transparencies, and nothing made up."""
    path = tmp_path / "zero_points.fits"
    plan = bench.plan
    channels = [bench.make_channel(channel) for channel in plan.channels]
    registrations = [bench.make_registration(channel) for channel in plan.channels]
    job = json.loads(zero_points_job(plan))
    solution = bench.make_solution()
    find_zero_points(solution, channels, registrations, bench.all_measures(), path, job)
    found = read_zero_points(path)
    assert set(found) == {"ha", "g", "b"}
    for row in found.values():
        assert np.isnan(row.zero_point_mag)
        assert row.n_stars == 0
        assert row.note == "the field has no astrometric solution"
    rows = rows_of(read_columns(path, "SUBS"))
    assert all(np.isnan(row["airmass"]) for row in rows)
    assert sum(np.isfinite(row["transparency"]) for row in rows) >= 22


def test_a_unit_that_defines_its_zero_point_is_believed(measured, tmp_path, restamp):
    """Nanomaggies: 22.5 mag AB exactly, with the stars' own zero point beside it."""
    plan = measured.plan
    channels = []
    for channel in plan.channels:
        with fits.open(measured.make_channel(channel)) as hdus:
            for hdu in hdus:
                if hdu.header.get("BUNIT") == "electron/s":
                    hdu.header["BUNIT"] = "nanomaggy"
            path = tmp_path / f"{channel}.fits"
            hdus.writeto(path)
        restamp(path)
        channels.append(path)
    assert read_image(channels[0])[1]["BUNIT"] == "nanomaggy"
    registrations = [measured.make_registration(channel) for channel in plan.channels]
    job = json.loads(zero_points_job(plan))
    path = tmp_path / "zero_points.fits"
    measures = measured.all_measures()
    find_zero_points(measured.make_solution(), channels, registrations, measures, path, job)
    found = read_zero_points(path)["g"]
    assert found.zero_point_mag == 22.5
    assert found.band == "AB"
    row = rows_of(read_columns(path, "CHANNELS"))[0]
    assert row["source"] == "unit"
    stars = read_zero_points(plan.paths.zero_points)["g"].zero_point_mag
    assert row["star_zero_point_mag"] == pytest.approx(stars)


def test_product_is_written_whole(measured):
    """It has its four tables and its record."""
    with fits.open(measured.plan.paths.zero_points) as hdus:
        names = [hdu.name for hdu in hdus]
    assert names == ["PRIMARY", "CHANNELS", "SUBS", "EXTINCTION", "STARS", "RECORD"]
