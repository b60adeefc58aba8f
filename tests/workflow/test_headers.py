"""The headers of every kind of product: documented, standard, and readable without a warning."""

import json
import warnings

import numpy as np
import pytest
from astropy.io import fits
from astropy.time import Time
from astropy.wcs import WCS
from calibrate_sub import calibrate_sub
from identify_sources import identify_sources
from integrate import integrate
from map_channels import map_channels
from solve_astrometry import outcome_cards

from platefiles.astrometry.plate_solve import Outcome
from platefiles.astrometry.solution import read_stars, world_cards
from platefiles.fits.product_cards import TYPES, entry, keywords
from platefiles.fits.products_io import image_hdu, read_image, write_product
from platefiles.provenance.record import read_record
from platefiles.raw_frames.fingerprint import file_fingerprint
from platefiles.settings.colour import Colour
from platelib.astrometry.tan_sip import SkyMap
from platelib.background.block_average import BLOCK_PX

PRODUCTS = {
    "master_bias": "bias",
    "master_dark": "dark",
    "master_flat": "flat",
    "measure_stars": "measures",
    "register": "registration",
    "assess_subs": "assessment",
    "find_cosmic_rays": "cosmic_rays",
    "integrate_night": "nights",
    "integrate": "channels",
    "solve_astrometry": "solution",
    "find_zero_points": "zero_points",
    "subtract_gradient": "sky",
    "match_channel": "matched",
    "subtract_continuum": "lines",
    "measure_depth": "depth",
    "identify_sources": "sources",
    "map_channels": "picture",
    "draw_picture": "display",
    "calibrate_sub": "calibrated",
    "register_sub": "registered",
}
"""Words for products in the table of keywords, by the steps that make them."""


def named(products):
    """Return the products that a line of the table names."""
    every = set(PRODUCTS.values())
    words = products.removeprefix("all but ").replace("masters", "bias, dark, flat").split(", ")
    if products == "all":
        return every
    return every - set(words) if products.startswith("all but ") else set(words)


@pytest.fixture(scope="module")
def products(complete, finished, restamp, tmp_path_factory):
    """Every product of the complete run, and what that has not: cubes and maps of other kinds.

    They are a cube whose field has too few stars, a field that was refused, one that was placed by
    its header, a channel in ADU, an image whose optics bend the field, and sources of a field that
    shows none.
    """
    few = tmp_path_factory.mktemp("few")
    channels = {}
    for channel in ("ha", "g", "b"):
        image, _ = read_image(complete.results / "channels" / f"{channel}.fits")
        channels[channel] = few / f"{channel}.fits"
        write_product(channels[channel], [], [image_hdu(image[60:150, 60:160], "SCI")])
    colours = {"red": {"ha": 1.0}, "green": {"g": 1.0}, "blue": {"b": 1.0}}
    map_channels(channels, few / "cube.fits", colours, Colour())
    found = [path for path in complete.results.rglob("*.fits") if not path.is_symlink()]
    refused = finished[0].results / "field" / "solution.fits"
    bend = np.array([0, 0, 0, 1e-6, 2e-6, -1e-6, 0, 1e-9, 0, 1e-9])
    bent = SkyMap(158.6, 30.0, 79.5, 44.5, (-6e-4, 0.0, 0.0, 6e-4), 3, bend, bend)
    cards = [
        *outcome_cards(Outcome(bent, "header", note="as it was")),
        *world_cards(bent, (90, 160)),
    ]
    write_product(few / "bent.fits", [], [image_hdu(np.ones((90, 160), "f4"), "SCI", cards)])
    _identify_nothing(complete.results, few, restamp)
    _calibrate_with_overscan(complete, few)
    _integrate_without_gain(finished[0].results, few, restamp)
    more = [few / f"{name}.fits" for name in ("cube", "bent", "sources", "overscan", "adu")]
    return [*found, *more, refused]


def _calibrate_with_overscan(home, folder):
    """Calibrate a sub that is stored with 16 columns of overscan."""
    stored = next(home.results.glob("calibrated/*/*.fits"))
    job = json.loads(read_record(stored).making.job)
    pixels = fits.getdata(home.raw / job["sub"]["name"])
    ny, nx = pixels.shape
    sections = {"trim": f"[1:{nx},1:{ny}]", "bias": f"[{nx + 1}:{nx + 16},1:{ny}]"}
    job["sub"] |= {"bias": None, "dark": None, "flat": None, "sections": sections}
    padded = np.pad(pixels, ((0, 0), (0, 16)), constant_values=500)
    fits.PrimaryHDU(padded).writeto(folder / "raw.fits")
    job["sub"]["fingerprint"] = file_fingerprint(folder / "raw.fits")
    calibrate_sub(folder / "raw.fits", [], folder / "overscan.fits", job)


def _integrate_without_gain(results, folder, restamp):
    """Integrate a channel whose gain only the sky tells, and whose pixels pile up."""
    with fits.open(results / "registration" / "g.fits") as hdus:
        hdus["TRANSFORMS"].data["light_variance"] = 0.5
        hdus["TRANSFORMS"].data["pile_up_adu"] = 60000.0
        hdus["TRANSFORMS"].data["saturation_adu"] = 60000.0
        hdus.writeto(folder / "registration.fits")
    restamp(folder / "registration.fits")
    job = json.loads(read_record(results / "channels" / "g.fits").making.job)
    for sub in job["subs"]:
        sub |= {"bias": None, "dark": None, "flat": None, "egain": None}
    links = [results / "links" / f"{sub['id']}.fits" for sub in job["subs"]]
    integrate(links, [], folder / "registration.fits", folder / "adu.fits", job)


def _identify_nothing(results, folder, restamp):
    """Identify the sources of a channel that shows none."""
    field, channel = results / "field", folder / "empty.fits"
    with fits.open(results / "channels" / "g.fits") as hdus:
        noise = np.random.default_rng(1).standard_normal(hdus["SCI"].data.shape)
        hdus["SCI"].data[:] = noise * np.sqrt(np.nanmedian(hdus["VAR"].data))
        hdus.writeto(channel)
    restamp(channel)
    job = json.loads(read_record(field / "sources.fits").making.job)
    paths = [channel for _ in job["channels"]]
    identify_sources(
        field / "solution.fits", field / "depth.fits", paths, None, folder / "sources.fits", job
    )


def test_every_kind_of_product_is_there(products):
    """What the tests below say, they say of every kind of file that a run can make."""
    steps = {fits.getheader(path).get("STEP") for path in products}
    assert steps == {*PRODUCTS, None}


def test_every_keyword_has_a_line_and_every_line_occurs(products):
    """Keywords of all products have the types and the products of their lines, no line is idle."""
    wrong, seen = set(), set()
    for path in products:
        with fits.open(path) as hdus:
            step = hdus[0].header.get("STEP")
            cards = [card for hdu in hdus for card in hdu.header.cards]
        for card in cards:
            line = entry(card.keyword)
            seen.add(line.name)
            if type(card.value) is not TYPES[line.kind]:
                wrong.add(f"{card.keyword} in {path.name}: {card.value!r}")
            if step is not None and PRODUCTS[step] not in named(line.products):
                wrong.add(f"{card.keyword} in {step}")
    assert wrong == set()
    assert {line.name for line in keywords()} - seen == set()


def test_astropy_reads_and_verifies_every_header_without_a_warning(products):
    """The standard, as astropy knows it, is kept by each header, CONTINUE cards and WCS too."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for path in products:
            with fits.open(path, checksum=True) as hdus:
                hdus.verify("exception")
                for hdu in hdus:
                    assert hdu.verify_datasum() == hdu.verify_checksum() == 1
                    hdu.header.tostring()
                    if isinstance(hdu, fits.ImageHDU) and hdu.name != "RECORD":
                        WCS(hdu.header)


ON_THE_GRID = {
    "integrate": {"SCI", "VAR", "COUNT", "CLIPPED"},
    "subtract_gradient": {"SKY", "ERROR", "LIGHT"},
    "match_channel": {"SCI", "VAR", "MASK", "COUNT", "CLIPPED"},
    "subtract_continuum": {"SCI", "VAR", "MASK", "COUNT", "CLIPPED"},
    "register_sub": {"SCI", "VAR", "MASK"},
    "map_channels": {"SCI", "LUMINANCE"},
}


def _images(path):
    """Rule, name and header of each image of a product."""
    with fits.open(path) as hdus:
        step = hdus[0].header["STEP"]
        return [
            (step, hdu.name, hdu.header)
            for hdu in hdus
            if isinstance(hdu, fits.ImageHDU) and hdu.name != "RECORD"
        ]


def test_images_on_the_grid_have_known_stars_at_their_pixels(complete):
    """Each image of channels, skies, lines, subs and pictures has its place, within 0.15 px rms.

    What is coarser than the grid is asked for the pixel of the grid that its own stands for.
    """
    stars = read_stars(complete.results / "field" / "solution.fits")
    found = stars["flags"] == 0
    assert found.sum() >= 15
    seen = set()
    for path in complete.results.rglob("*.fits"):
        for step, name, header in [] if path.is_symlink() else _images(path):
            if step not in ON_THE_GRID:
                continue
            pitch = BLOCK_PX if name == "LIGHT" else header.get("NODEPX", 1)
            x, y = (
                (place - header.get("NODERING", 0) + 0.5) * pitch - 0.5
                for place in WCS(header, naxis=2).all_world2pix(stars["ra"], stars["dec"], 0)
            )
            miss = np.hypot(x - stars["found_x"], y - stars["found_y"])[found]
            assert np.sqrt(np.mean(miss**2)) < 0.15, (path, name)
            seen.add((step, name))
    assert seen == {(step, name) for step, names in ON_THE_GRID.items() for name in names}


def test_images_of_the_sensor_and_of_a_refused_field_have_no_place(complete, finished):
    """Masters and calibrated subs carry no coordinates, nor does anything where none are known."""
    sensor = [*complete.results.glob("calibration/*.fits")]
    sensor += complete.results.glob("calibrated/*/*.fits")
    refused = [path for path in finished[0].results.rglob("*.fits") if not path.is_symlink()]
    headers = [header for path in (*sensor, *refused) for *_, header in _images(path)]
    assert len(headers) > 100
    assert not any("CTYPE1" in header or "CD1_1" in header for header in headers)


def test_dates_are_in_order_and_agree(products):
    """DATE and MJD are the same moments; begin, average and end follow each other."""
    dated = 0
    for path in products:
        header = fits.getheader(path)
        moments = {
            key: (Time(header[f"DATE-{key}"], scale="utc").mjd, header[f"MJD-{key}"])
            for key in ("OBS", "BEG", "AVG", "END")
            if f"DATE-{key}" in header
        }
        assert all(f"MJD-{key}" not in header or key in moments for key in ("OBS", "BEG"))
        for text, number in moments.values():
            assert text == pytest.approx(number, abs=0.001 / 86400 + 1e-8)
        if moments:
            dated += 1
            assert moments["BEG"][1] <= moments["AVG"][1] <= moments["END"][1]
            assert ("OBS" in moments) == (header["NCOMBINE"] == 1)
    assert dated > 50


def test_images_have_units(products):
    """Values and variances have a unit; responses of flats and display values have none."""
    for path in products:
        with fits.open(path) as hdus:
            step = hdus[0].header.get("STEP")
            for name in ("SCI", "VAR", "LUMINANCE"):
                if name in hdus and step not in ("master_flat", "draw_picture", None):
                    assert hdus[name].header["BUNIT"], (path, name)
