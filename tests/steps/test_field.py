"""Depth, sources and the annotated picture of the tiny set against its truth."""

import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from annotate import annotate
from astropy.io import fits
from astropy.io.votable import parse_single_table
from astropy.table import Table
from astropy.wcs import WCS
from drawn_pictures import write_display
from identify_sources import identify_sources
from list_sources import list_sources
from measure_depth import measure_depth
from overlay import overlay
from PIL import Image
from regions import Regions
from steps.solutions import read_solution

from platecli.verbs.depth import depth_lines
from platefiles.astrometry.solution import read_map, solution_cards
from platefiles.audit.findings import CHANGED, OK
from platefiles.audit.verification import verify
from platefiles.core.errors import DamagedProduct, UserError
from platefiles.core.hashing import file_sha256
from platefiles.fits.products_io import image_hdu, read_header, read_table, write_product
from platefiles.fits.wcs_cards import cropped_cards, picture_wcs
from platefiles.photometry.depth_table import read_depths
from platefiles.picture.overlay_image import laid_on_grid
from platefiles.picture.picture_source import record_of
from platefiles.picture.picture_wcs import map_of_wcs
from platefiles.plan.field_jobs import annotation_job, depth_job, sources_job
from platefiles.provenance.content_digest import is_intact
from platefiles.provenance.record import read_record, record_hdu
from platefiles.provenance.xmp import read_origin
from platefiles.settings.picture import Stretch
from platefiles.sources.deep_sky_catalogues import OWN_LIST
from platefiles.sources.source_tables import read_objects
from platelib.astrometry.celestial import separation_deg


@pytest.fixture(scope="module")
def objects(tiny_raw, tmp_path_factory):
    """A list of the user's: two galaxies of the truth, and a place far away."""
    galaxies = Table.read(tiny_raw / "truth" / "galaxies.ecsv")
    sky = WCS(json.loads((tiny_raw / "truth" / "observation.json").read_text())["wcs"])
    lines = ["name,ra_deg,dec_deg,kind,major_arcmin,minor_arcmin,angle_deg"]
    inside = (np.abs(galaxies["x"] - 160) < 130) & (np.abs(galaxies["y"] - 120) < 90)
    for k, galaxy in enumerate(galaxies[inside][:2], start=1):
        ra, dec = sky.all_pix2world(galaxy["x"], galaxy["y"], 0)
        lines.append(f"Tern {k},{ra:.7f},{dec:.7f},galaxy,0.6,0.4,30")
    lines.append("Far Pebble,12.0,-50.0,,,,")
    path = tmp_path_factory.mktemp("objects") / "mine.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def field(make_bench, tiny_raw, tiny_catalogue, objects, tmp_path_factory):
    """The tiny set, placed, measured and identified."""
    sky = {"catalogue": str(tiny_catalogue), "objects": str(objects)}
    folder = tmp_path_factory.mktemp("field")
    bench = make_bench(folder, tiny_raw, sky=sky, equipment="demo-bench")
    bench.make_zero_points()
    plan = bench.plan
    channels = [plan.paths.channel(channel) for channel in plan.channels]
    registrations = [plan.paths.registration(channel) for channel in plan.channels]
    paths = (plan.paths.solution, plan.paths.zero_points)
    job = json.loads(depth_job(plan))
    measure_depth(*paths, channels, registrations, bench.all_measures(), plan.paths.depth, job)
    job = json.loads(sources_job(plan))
    identify_sources(
        plan.paths.solution, plan.paths.depth, channels, plan.objects_path, plan.paths.sources, job
    )
    return bench


def _depths(field):
    return {row["channel"]: row for row in read_depths(field.plan.paths.depth)}


@pytest.mark.parametrize("channel", ["ha", "g", "b"])
def test_limit_agrees_with_the_ccd_equation(field, channel):
    """The measured limit is within 0.3 mag of that from sky and read noise alone.

    In such a small field noise and light are known to 0.1 mag; the demo is held to the injected
    stars.
    """
    row = _depths(field)[channel]
    assert row["limit_mag"] == pytest.approx(row["expected_limit_mag"], abs=0.3)
    assert 1.0 < row["noise_factor"] < 1.6
    assert row["zero_point_mag"] > 15


def test_an_unknown_exposure_is_told_as_such(field, tmp_path, restamp):
    """Of lights whose headers have none, limits are told and hours are not."""
    plan = field.plan
    with fits.open(plan.paths.registration("g")) as hdus:
        hdus["TRANSFORMS"].data["exposure_s"][0] = 0.0
        hdus.writeto(tmp_path / "g.fits")
    restamp(tmp_path / "g.fits")
    job = json.loads(depth_job(plan)) | {"channels": ["g"]}
    measures = [plan.paths.measures("g", night) for night in plan.nights("g")]
    paths = (plan.paths.solution, plan.paths.zero_points, [plan.paths.channel("g")])
    measure_depth(*paths, [tmp_path / "g.fits"], measures, tmp_path / "depth.fits", job)
    (row,), known = read_depths(tmp_path / "depth.fits"), _depths(field)["g"]
    assert row["limit_mag"] == known["limit_mag"]
    assert np.isnan([row["exposure_s"], row["hours_for_02_mag"], row["hours_for_05_mag"]]).all()
    nights = read_depths(tmp_path / "depth.fits", "NIGHTS")
    lines = "\n".join(depth_lines([row], nights, 25.0))
    assert "unknown exposure in" in lines
    assert "nan" not in lines


def test_nights_add_up(field):
    """Each channel has its two nights; the last one has the limit of the channel."""
    rows = read_depths(field.plan.paths.depth, "NIGHTS")
    assert [(row["channel"], row["night"]) for row in rows] == [
        (channel, night) for channel in ("g", "b", "ha") for night in ("2026-03-23", "2026-03-24")
    ]
    for first, second in zip(rows[::2], rows[1::2], strict=True):
        limit = _depths(field)[first["channel"]]["limit_mag"]
        assert second["limit_mag"] == pytest.approx(limit, abs=1e-3)
        assert second["limit_mag"] - first["limit_mag"] == pytest.approx(
            second["gain_mag"], abs=2e-4
        )
        assert second["gain_mag"] > 0


def test_plan_is_told_in_a_few_lines(field):
    """The verb says limit, nights, hours and length of subs of each channel."""
    channels = read_depths(field.plan.paths.depth)
    lines = list(depth_lines(channels, read_depths(field.plan.paths.depth, "NIGHTS"), 25.0))
    text = "\n".join(lines)
    assert len(lines) <= 6 * len(channels)
    for channel in ("ha", "g", "b"):
        assert re.search(rf"^  {channel}: limit \d\d\.\d\d mag", text, re.MULTILINE)
    assert text.count("0.2 mag takes") == 3
    assert text.count("it has the least noise of all channels") == 1
    assert "in a band without catalogue magnitudes" in text
    assert "read noise adds less than 5 % from" in text


def test_sources_are_those_of_the_truth(field):
    """Bright stars of the truth are found where they are, as the catalogue has them."""
    table = read_table(field.plan.paths.sources, "SOURCES")
    stars = field.truth_table("stars")
    matched = table[table["star"] != ""]
    assert len(matched) > 20
    known = {str(row["id"]): row for row in stars}
    away = []
    for row in matched:
        star = known[str(row["star"]).split(":")[-1]]
        away.append(3600 * separation_deg(row["ra_deg"], row["dec_deg"], star["ra"], star["dec"]))
        assert row["kind"] == "star"
    # A pixel is 2.3 arc seconds; some stars have a neighbour within it.
    assert max(away) < 6
    assert np.median(np.array(away)[matched["snr"] > 50]) < 0.2
    bright = matched[(matched["snr"] > 100) & ~matched["saturated"]]
    found = np.array([known[str(s).split(":")[-1]]["magnitude"] for s in bright["star"]])
    assert np.median(np.abs(bright["magnitude"] - found)) < 0.1


def test_objects_of_the_list_are_found(field):
    """Both galaxies are sources, one that lies elsewhere is no object of the field."""
    objects = {row["name"]: row for row in read_objects(field.plan.paths.sources)}
    assert "Far Pebble" not in objects
    table = read_table(field.plan.paths.sources, "SOURCES")
    for name in ("Tern 1", "Tern 2"):
        row = objects[name]
        assert row["catalogue"] == OWN_LIST
        source = table[row["source"] - 1]
        assert np.hypot(source["x"] - row["x"], source["y"] - row["y"]) < 2
        assert source["object"] == name
        assert source["rank"] == 0
    ranks = np.sort(table["rank"][table["rank"] > 0])
    np.testing.assert_array_equal(ranks, np.arange(1, ranks.size + 1))


def test_lists_hold_the_same_sources(field, tmp_path):
    """ECSV, CSV, VOTable and regions are read back by astropy and regions, with equal values."""
    sources = read_table(field.plan.paths.sources, "SOURCES")
    tables = {}
    for ending in ("ecsv", "csv", "vot", "reg"):
        path = tmp_path / f"sources.{ending}"
        list_sources(field.plan.paths.sources, path)
        again = tmp_path / f"again.{ending}"
        list_sources(field.plan.paths.sources, again)
        assert path.read_bytes() == again.read_bytes()
        tables[ending] = path
    ecsv = Table.read(tables["ecsv"])
    csv = Table.read(tables["csv"], format="ascii.csv")
    votable = parse_single_table(tables["vot"])
    for name in ("ra_deg", "dec_deg", "magnitude"):
        for table in (ecsv, csv, votable.to_table()):
            np.testing.assert_allclose(np.asarray(table[name]), np.asarray(sources[name]))
    assert ecsv["ra_deg"].unit == "deg"
    assert votable.get_field_by_id("ra_deg").ucd == "pos.eq.ra;meta.main"
    assert "CC-BY-SA-4.0" in ecsv.meta["objects"]
    regions = Regions.read(tables["reg"], format="ds9")
    extended = (sources["kind"] == "extended").sum()
    assert sum("Ellipse" in type(region).__name__ for region in regions) == extended
    names = {region.meta.get("text") for region in regions}
    assert {"Tern 1", "Tern 2"} <= names


def test_field_that_shows_nothing_is_told(field, tmp_path, restamp):
    """Where no star tells what a star looks like, the product is empty and says why."""
    blank = tmp_path / "g.fits"
    with fits.open(field.plan.paths.channel("g")) as hdus:
        noise = np.random.default_rng(1).standard_normal(hdus["SCI"].data.shape)
        hdus["SCI"].data[:] = noise * np.sqrt(np.nanmedian(hdus["VAR"].data))
        hdus.writeto(blank)
    restamp(blank)
    plan, path = field.plan, tmp_path / "sources.fits"
    channels = [blank, plan.paths.channel("b"), plan.paths.channel("ha")]
    job = json.loads(sources_job(plan))
    identify_sources(plan.paths.solution, plan.paths.depth, channels, None, path, job)
    assert "star" in read_header(path)["SRCNOTE"]
    assert len(read_table(path, "SOURCES")) == 0
    for ending in ("ecsv", "csv", "vot", "reg"):
        list_sources(path, tmp_path / f"sources.{ending}")


@pytest.fixture(scope="module")
def cube(field, tmp_path_factory):
    """A linear image of the grid, a rim of which no channel covers."""
    path = tmp_path_factory.mktemp("cube") / "cube.fits"
    planes = np.ones((3, 240, 320), dtype=np.float32)
    planes[:, :6], planes[:, :, 310:] = np.nan, np.nan
    cards = solution_cards(field.plan.paths.solution, planes=True)
    write_product(path, [], [image_hdu(planes, "SCI", cards)])
    return path


GREY = np.full((234, 310, 3), (30 * 257, 30 * 257, 34 * 257), dtype=np.uint16)


@pytest.fixture(scope="module")
def picture(field, cube, tmp_path_factory):
    """The display values of a grey picture, without the rim."""
    path = tmp_path_factory.mktemp("picture") / "grey.display.fits"
    return write_display(path, GREY, _place(field), linear_image=cube)


def _place(field):
    header = fits.Header(solution_cards(field.plan.paths.solution, planes=True))
    return cropped_cards(header, 6, 0)


def _annotated(field, picture, cube, path):
    job = json.loads(annotation_job(field.plan))
    plan = field.plan
    annotate(picture, cube, plan.paths.solution, plan.paths.sources, path, job)
    return path


def test_place_of_a_cropped_picture(field, picture):
    """A pixel of the cropped picture has the coordinates of its pixel of the grid."""
    grid = read_map(field.plan.paths.solution)
    found = map_of_wcs(picture_wcs(read_header(picture, "SCI")))
    x, y = np.array([10.0, 200.0]), np.array([40.0, 150.0])
    np.testing.assert_allclose(found.sky(x, y), grid.sky(x, y + 6), rtol=0, atol=1e-10)


def test_annotated_picture(field, picture, cube, tmp_path):
    """It has the size of the picture, shows the objects, and is the same each time."""
    path = _annotated(field, picture, cube, tmp_path / "a.png")
    again = _annotated(field, picture, cube, tmp_path / "b.png")
    assert path.read_bytes() == again.read_bytes()
    with Image.open(path) as image:
        pixels = np.asarray(image.convert("RGB")).astype(int)[::-1]
    assert pixels.shape == (234, 310, 3)
    row = next(o for o in read_objects(field.plan.paths.sources) if o["name"] == "Tern 1")
    column, line = round(row["x"]), round(row["y"]) - 6
    around = pixels[max(0, line - 14) : line + 15, max(0, column - 14) : column + 15]
    # The ink of catalogue objects is yellow: much more red and green than blue.
    assert (around[..., 0] + around[..., 1] - 2 * around[..., 2] > 120).sum() > 10


def test_overlay_has_the_size_of_the_picture_and_no_ground(field, picture, cube, tmp_path):
    """The SVG alone is as large as the picture, without date, raster and background."""
    path = _annotated(field, picture, cube, tmp_path / "a.svg")
    text = path.read_text()
    assert 'viewBox="0 0 223.2 168.48"' in text  # 310 x 234 px at 72 / 100 points
    assert "<image" not in text
    assert "<dc:date>" not in text
    assert path.read_bytes() == _annotated(field, picture, cube, tmp_path / "b.svg").read_bytes()


@pytest.fixture(scope="module")
def survey(field, tmp_path_factory):
    """An image of another telescope: finer, turned by 50 degrees, bright at 3 places.

    It lies in the second HDU, under a primary without data.
    """
    grid = read_solution(field.plan.paths.solution)
    x, y = np.array([60.0, 150.0, 250.0]), np.array([60.0, 180.0, 90.0])
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = grid.wcs.crval
    wcs.wcs.crpix = [450.0, 420.0]
    turn, step = np.radians(50.0), 1.1 / 3600
    wcs.wcs.cd = step * np.array([[-np.cos(turn), np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    px, py = wcs.all_world2pix(*grid.all_pix2world(x, y, 0), 0)
    rows, columns = np.mgrid[0:840, 0:900]
    image = np.random.default_rng(3).standard_normal((840, 900))
    for sx, sy in zip(px, py, strict=True):
        image += 300 * np.exp(-0.5 * ((rows - sy) ** 2 + (columns - sx) ** 2) / 3.0**2)
    path = tmp_path_factory.mktemp("survey") / "survey.fits"
    hdus = [fits.PrimaryHDU(), fits.ImageHDU(image.astype(">f4"), header=wcs.to_header())]
    fits.HDUList(hdus).writeto(path)
    return path, np.stack([x, y], axis=1)


def test_image_of_another_telescope_lies_on_the_grid(field, survey):
    """Spots are within 0.1 px of where the sky has them; what is not covered has no data."""
    path, places = survey
    grid = read_solution(field.plan.paths.solution)
    laid = laid_on_grid(path, grid, (240, 320))
    for x, y in places.astype(int):
        box = laid[y - 5 : y + 6, x - 5 : x + 6]
        rows, columns = np.mgrid[-5:6, -5:6]
        weight = np.clip(box - 20, 0, None)
        middle = ((weight * columns).sum() / weight.sum(), (weight * rows).sum() / weight.sum())
        assert np.hypot(*middle) < 0.1


def test_overlay_shows_both_and_their_blend(field, picture, cube, survey, tmp_path):
    """Three panels side by side; what only the other image has is red in the last."""
    path, places = survey
    plan, out = field.plan, tmp_path / "overlay.png"
    job = {
        "title": "Tiny",
        "image": "survey",
        "image_sha256": file_sha256(path),
        "settings": {"stretch": plan.loaded.recipe.stretch.model_dump()},
    }
    overlay(picture, cube, path, out, job)
    again = tmp_path / "again.png"
    overlay(picture, cube, path, again, job)
    assert out.read_bytes() == again.read_bytes()
    with Image.open(out) as image:
        sheet = np.asarray(image.convert("RGB")).astype(int)
    assert sheet.shape == (234 + 38, 3 * 310 + 4 * 8, 3)
    panel = sheet[30:264, 8 + 2 * 318 : 8 + 2 * 318 + 310][::-1]
    for x, y in places.astype(int):
        red, green, blue = panel[y - 6, x]
        assert red > 200
        assert green == blue < 60


@pytest.fixture
def results(field, cube, tmp_path):
    """Results with a recorded cube, a picture of it, and the products of the field."""
    plan, folder = field.plan, tmp_path / "results" / "tiny"
    job = {"settings": {}, "title": "Tiny", "subs": []}
    path, planes = folder / "picture" / "p.fits", fits.getdata(cube, "SCI")
    channels = [plan.paths.channel(name) for name in plan.channels]
    record = record_hdu("map_channels", path, job, {"channels": channels})
    cards = solution_cards(plan.paths.solution, planes=True)
    write_product(path, [], [image_hdu(planes, "SCI", cards), record])
    display = path.with_suffix(".display.fits")
    _write_recorded(field, display, GREY)
    (folder / "field").mkdir()
    for name in (plan.paths.solution, plan.paths.sources):
        shutil.copy(name, folder / "field")
    return folder


def _write_recorded(field, display, pixels):
    """Write the display image of the recorded linear image beside it."""
    job = {"settings": {}, "title": "Tiny", "subs": []}
    cube = display.with_name("p.fits")
    made = record_hdu("draw_picture", display, job, {"linear_image": [cube]})
    write_display(display, pixels, _place(field), [made], cube)


def _drawn(field, results, survey, name):
    """Draw over the recorded picture, or beside it."""
    plan, out = field.plan, results / "field" / name
    picture, cube = results / "picture" / "p.display.fits", results / "picture" / "p.fits"
    if name.startswith("overlay"):
        job = json.loads(annotation_job(plan)) | {"image": "survey"}
        job["image_sha256"] = file_sha256(survey[0])
        job["settings"] = {"stretch": plan.loaded.recipe.stretch.model_dump()}
        overlay(picture, cube, survey[0], out, job)
    else:
        solution, sources = results / "field" / "solution.fits", results / "field" / "sources.fits"
        annotate(picture, cube, solution, sources, out, json.loads(annotation_job(plan)))
    return out


DRAWINGS = ("annotated.png", "annotated.svg", "overlay_survey.png")


@pytest.mark.parametrize("name", DRAWINGS)
def test_drawings_tell_how_they_were_made(field, results, survey, name):
    """Their record leads to the picture, the cube and the raw frames; the job is their own."""
    path = _drawn(field, results, survey, name)
    record = record_of(path)
    assert record.making.product == f"field/{name}"
    assert record.making.step == ("overlay" if name.startswith("overlay") else "annotate")
    assert record.making.inputs["display"] == ("picture/p.display.fits",)
    drawn = record.makings["picture/p.display.fits"]
    assert drawn.inputs == {"linear_image": ("picture/p.fits",)}
    assert record.raws.keys() >= read_record(field.plan.paths.channel("g")).raws.keys()
    known = {"picture/p.fits", *(f"channels/{name}.fits" for name in ("ha", "g", "b"))}
    if name.startswith("annotated"):
        known |= {"field/solution.fits", "field/sources.fits", "field/depth.fits"}
    assert known <= record.makings.keys()
    order = list(record.makings)
    for product, making in record.makings.items():
        assert all(order.index(one) < order.index(product) for one in making.products)


@pytest.mark.parametrize("name", DRAWINGS)
def test_a_changed_drawing_is_found(field, results, survey, name):
    """Each of 50 changed bytes is, and what it was made from is looked at, too."""
    path = _drawn(field, results, survey, name)
    content = path.read_bytes()
    assert is_intact(content)
    for place in np.random.default_rng(1).integers(0, len(content), 50).tolist():
        changed = bytearray(content)
        changed[place] ^= 0x20
        assert not is_intact(bytes(changed)), place
    states = {Path(one.name).name: one.state for one in verify([path], [results]).findings}
    assert states[name] == OK
    assert states["p.display.fits"] == OK
    _write_recorded(field, results / "picture" / "p.display.fits", GREY + np.uint16(1))
    (finding,) = (one for one in verify([path], [results]).findings if one.name == str(path))
    assert finding.state == CHANGED
    assert "p.display.fits than is there now" in finding.why


def test_a_drawing_of_what_tells_nothing_is_sealed(field, picture, cube, tmp_path):
    """Over a picture of unknown origin there is no job, but the digest of the cube and a seal."""
    path = _annotated(field, picture, cube, tmp_path / "a.png")
    origin = read_origin(path)
    assert (origin.making, origin.record, origin.beside) == (None, "", {})
    assert origin.linear_image == file_sha256(cube)
    assert is_intact(path.read_bytes())


@pytest.mark.parametrize("what", ["elsewhere", "text", "no image", "no FITS"])
def test_images_that_do_not_serve_are_told(field, survey, tmp_path, what):
    """An image of another field, one whose coordinates are texts, and what is none, are refused."""
    path = tmp_path / "other.fits"
    with fits.open(survey[0]) as hdus:
        if what == "elsewhere":
            hdus[1].header["CRVAL1"] = 12.0
        elif what == "text":
            hdus[1].header["CRVAL1"] = "158.6"
        elif what == "no image":
            hdus.pop(1)
        hdus.writeto(path)
    if what == "no FITS":
        path.write_text("no FITS at all")
    messages = {
        "elsewhere": "does not show the field",
        "text": "CRVAL1 are texts",
        "no image": "has no image with celestial",
        "no FITS": "cannot be read as FITS",
    }
    grid = read_solution(field.plan.paths.solution)
    with pytest.raises(UserError, match=messages[what]):
        laid_on_grid(path, grid, (240, 320))


@pytest.mark.parametrize("name", DRAWINGS)
def test_nothing_is_drawn_over_a_damaged_picture(field, results, survey, name):
    """A display image of which a byte was changed stops the step, and so does another image."""
    picture = results / "picture" / "p.display.fits"
    content = bytearray(picture.read_bytes())
    content[2880 * 10] ^= 4
    picture.write_bytes(content)
    with pytest.raises(DamagedProduct, match=r"p\.display\.fits is damaged: the data of SCI are"):
        _drawn(field, results, survey, name)
    assert not (results / "field" / name).exists()


def test_an_image_that_changed_is_not_overlaid(field, picture, cube, survey, tmp_path):
    """The image beside the picture is the one that the job names."""
    job = {
        "title": "Tiny",
        "image": "survey",
        "image_sha256": "0" * 64,
        "settings": {"stretch": Stretch().model_dump()},
    }
    with pytest.raises(UserError, match=r"survey\.fits: changed since the run began"):
        overlay(picture, cube, survey[0], tmp_path / "overlay.png", job)
