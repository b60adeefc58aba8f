import hashlib

import numpy as np
import pyavm
import pytest
import tifffile
from astropy.io import fits
from drawn_pictures import draw_files
from map_channels import Job, map_channels
from PIL import Image

from platefiles.core.errors import UserError
from platefiles.fits.products_io import has_image, image_hdu, read_header, read_image, write_product
from platefiles.fits.tables import columns_hdu
from platefiles.provenance.record import record_hdu
from platefiles.settings.colour import Colour, Mapping, Scale
from platefiles.settings.picture import Finish, Framing, Geometry, Stretch
from platelib.colour.picture_stars import find_stars

RGB = {"red": {"ha": 1.0}, "green": {"g": 1.0}, "blue": {"b": 1.0}}
RESPONSE = {"ha": 0.05, "g": 1.0, "b": 0.7}
SKY = {"ha": 0.02, "g": 0.9, "b": 0.6}
NOISE = {"ha": 0.002, "g": 0.03, "b": 0.02}
STRETCH = Stretch()


@pytest.fixture
def channels(tmp_path):
    """Write three channels: white stars on skies of their own, and a patch of H-alpha light."""
    y, x = np.indices((260, 340))
    rng = np.random.default_rng(3)
    light = np.zeros(y.shape)
    for index in range(30):
        row, column = 25 + 42 * (index // 6), 30 + 55 * (index % 6)
        place = (x - column - rng.uniform(-4, 4)) ** 2 + (y - row - rng.uniform(-4, 4)) ** 2
        light += 10 ** rng.uniform(1, 2.3) * np.exp(-place / 4.5)
    paths = {}
    for name in ("b", "g", "ha"):
        image = RESPONSE[name] * light + SKY[name] + rng.normal(0, NOISE[name], y.shape)
        if name == "ha":
            image[230:250, 100:140] += 0.2
        paths[name] = tmp_path / f"{name}.fits"
        hdu = image_hdu(image.astype(np.float32), "SCI", unit="electron/s")
        write_product(paths[name], [], [hdu])
    return paths


def test_raw_channels_to_a_balanced_cube(channels, tmp_path):
    """The cube has a sky of zero and white stars, and its header the facts that made it."""
    cube = tmp_path / "cube.fits"
    map_channels(channels, cube, RGB, Colour(), [("STEP", "map_channels")])
    planes, header = read_image(cube)
    assert planes.shape == (3, 260, 340)
    assert planes.dtype == np.float32
    for plane, name in zip(planes, ("ha", "g", "b"), strict=True):
        noise = NOISE[name] / RESPONSE[name]
        assert np.median(plane[:, 335:]) == pytest.approx(0, abs=0.15 * noise)
    assert header["WHITE1"] == pytest.approx(20, rel=0.01)
    assert header["WHITE3"] == pytest.approx(1 / 0.7, rel=0.01)
    assert header["WHITENUM"] >= 8
    assert header["SKYLEV2"] == pytest.approx(0.9, abs=0.004)
    assert header["MAP1"] == "red: 1 ha"
    assert header["BUNIT"] == "electron/s"
    assert read_header(cube)["STEP"] == "map_channels"
    assert not has_image(cube, "LUMINANCE")
    assert not has_image(cube, "SUBS")


def test_the_sky_can_be_left_and_the_factors_given(channels, tmp_path):
    """Without a neutral background and with given factors the planes are scaled, no more."""
    cube = tmp_path / "cube.fits"
    colour = Colour(white="given", scale=Scale(red=2.0, green=1.0, blue=0.5), grey_sky=False)
    map_channels(channels, cube, RGB, colour)
    planes, header = read_image(cube)
    np.testing.assert_allclose(planes[0], 2 * read_image(channels["ha"])[0], rtol=1e-6)
    np.testing.assert_allclose(planes[2], 0.5 * read_image(channels["b"])[0], rtol=1e-6)
    assert header["SKYOFF"] is False
    assert header["WHITE"] == "given"


def test_white_by_stars_of_known_colour(channels, tmp_path):
    """With a catalogue a sun-like star is white; the header has its colour, number and scatter."""
    cube = tmp_path / "cube.fits"
    solution = _solution(tmp_path, stars=_catalogue(channels))
    map_channels(channels, cube, RGB, Colour(), path_to_solution=solution)
    header = read_image(cube)[1]
    assert header["WHITE"] == "sun_like_star: BT-VT 0.768"
    assert header["WHITENUM"] >= 10
    assert header["WHITE1"] == pytest.approx(20, rel=0.01)
    assert "WHITENOT" not in header
    map_channels(channels, cube, RGB, Colour(white="mean_star"), path_to_solution=solution)
    assert read_image(cube)[1]["WHITE"] == "mean_star"


@pytest.mark.parametrize(
    ("bands", "broadband", "note"),
    [
        (None, True, "no a0_star: no stars of known colour (no astrometric solution, or"),
        (["mag_VT"], True, "no a0_star: the catalogue has no colours (bands: VT)"),
        (["mag_VT", "mag_BT"], False, "no a0_star: no stars of known colour"),
    ],
)
def test_a_white_that_is_not_to_be_had(channels, tmp_path, restamp, bands, broadband, note):
    """Where the wanted white cannot be found, the mean star stands in, and the header says why."""
    cube, stars = tmp_path / "cube.fits", _catalogue(channels)
    solution = bands and _solution(tmp_path, stars={k: stars[k] for k in ("x", "y", *bands)})
    white = Colour(white="a0_star")
    settings = {
        "mapping": Mapping(**RGB).model_dump(),
        "colour": white.model_dump(),
        "geometry": Framing().model_dump(),
    }
    job = {"project": "p", "settings": settings, "code": "0", "broadband": broadband}
    job |= {"title": "T", "wavelengths_nm": {}}
    for path in channels.values():
        _give_record(path, restamp)
    if solution:
        _give_record(solution, restamp)
    map_channels(channels, cube, RGB, white, job=Job.of(job), path_to_solution=solution)
    header = read_image(cube)[1]
    assert header["WHITE"] == "mean_star"
    assert header["WHITENOT"].startswith(note)
    assert header["WHITENOT"].endswith("the mean star is white instead")
    assert header["WHITE1"] == pytest.approx(20, rel=0.01)


def _give_record(path, restamp):
    """Append the record of a product that was made of nothing."""
    job = {"project": "p", "settings": {}, "code": "0", "channel": path.stem}
    with fits.open(path, mode="append") as hdus:
        hdus.append(record_hdu("integrate", path, job, {}))
    restamp(path)


def _solution(folder, world=(), stars=None):
    """Write a product that places the grid on the sky, with the stars of a catalogue."""
    hdus = [columns_hdu(stars, "STARS")] if stars else []
    write_product(folder / "solution.fits", [("PLACED", bool(world)), *world], hdus)
    return folder / "solution.fits"


def _catalogue(channels):
    """Return the stars of the field as a catalogue has them; colours are of no effect here."""
    planes = np.stack([read_image(channels[name])[0] - SKY[name] for name in ("ha", "g", "b")])
    x, y, _ = find_stars(planes, (0.002, 0.03, 0.02))
    colours = np.linspace(0.2, 1.5, len(x))
    return {"x": x, "y": y, "mag_VT": np.full(len(x), 10.0), "mag_BT": 10.0 + colours}


def test_luminance_lies_beside_the_colours(channels, tmp_path):
    """A luminance row gives an image of its own, with its sky taken off and no factor."""
    cube = tmp_path / "cube.fits"
    map_channels(channels, cube, {**RGB, "luminance": {"*": 1.0, "ha": 0.0}}, Colour())
    luminance, _ = read_image(cube, "LUMINANCE")
    blend = (read_image(channels["g"])[0] + read_image(channels["b"])[0]) / 2
    difference = blend - luminance
    assert np.ptp(difference) < 1e-4
    assert difference.mean() == pytest.approx(0.75, abs=0.004)


def test_luminance_weighted_by_noise(channels, tmp_path):
    """The weights are those of signal and noise in the frames, and the header tells them."""
    cube = tmp_path / "cube.fits"
    mapping = {**RGB, "luminance": {"*": 1.0}}
    map_channels(channels, cube, mapping, Colour(luminance_weights="noise"))
    expected = {name: RESPONSE[name] / NOISE[name] ** 2 for name in ("b", "g", "ha")}
    total = sum(expected.values())
    told = read_image(cube)[1]["MAP4"].removeprefix("luminance: ").split(" + ")
    for text, name in zip(told, expected, strict=True):
        weight, channel = text.split()
        assert channel == name
        assert float(weight) == pytest.approx(expected[name] / total, rel=0.05)
    luminance, _ = read_image(cube, "LUMINANCE")
    blend = sum(expected[n] / total * (read_image(channels[n])[0] - SKY[n]) for n in expected)
    np.testing.assert_allclose(luminance[10:20], blend[10:20], atol=0.02)


def test_luminance_weighted_by_noise_without_stars(channels, tmp_path):
    """Where no stars can be compared, the header says what was assumed instead."""
    cube, rng = tmp_path / "cube.fits", np.random.default_rng(1)
    for name, path in channels.items():
        image = rng.normal(SKY[name], NOISE[name], (80, 90)).astype(np.float32)
        write_product(path, [], [image_hdu(image, "SCI")])
    mapping = {**RGB, "luminance": {"*": 1.0}}
    map_channels(channels, cube, mapping, Colour(luminance_weights="noise"))
    header = read_image(cube)[1]
    assert header["NOTDONE1"].startswith(
        "0 stars are too few to compare the brightness of the channels"
    )
    weight = {text.split()[1]: float(text.split()[0]) for text in header["MAP4"][11:].split(" + ")}
    assert weight["ha"] / weight["g"] == pytest.approx(NOISE["g"] / NOISE["ha"], rel=0.1)


def test_a_picture_is_cut_to_what_all_channels_cover(channels, tmp_path):
    """Rows that one channel lacks are cut off where the cube is drawn; the cube keeps them."""
    image, _ = read_image(channels["ha"])
    image[:7] = np.nan
    write_product(channels["ha"], [], [image_hdu(image, "SCI", unit="electron/s")])
    cube, picture = tmp_path / "cube.fits", tmp_path / "p.png"
    map_channels(channels, cube, RGB, Colour())
    planes, header = read_image(cube)
    assert planes.shape == (3, 260, 340)
    assert (header["LTV1"], header["LTV2"]) == (0, 0)
    rendering = draw_files(cube, [picture], STRETCH, "Gorse field")
    assert rendering.pixels.shape == (253, 340, 3)
    assert rendering.black_px == 0
    rendering = draw_files(cube, [picture], STRETCH, "Gorse field", crop="none")
    assert rendering.black_px == 7 * 340


def test_a_picture_tells_its_place_and_a_smaller_one_too(channels, tmp_path):
    """Turned north up, the pictures say in AVM where on the sky they lie."""
    step = 2 / 3600
    world = [
        *(("CTYPE1", "RA---TAN"), ("CTYPE2", "DEC--TAN")),
        *(
            ("CRPIX1", 100.0),
            ("CRPIX2", 80.0),
            ("CRVAL1", 120.0),
            ("CRVAL2", -40.0),
        ),
        *(("CD1_1", 0.0), ("CD1_2", step), ("CD2_1", step), ("CD2_2", 0.0)),
        ("RADESYS", "ICRS"),
    ]
    solution = _solution(tmp_path, world)
    cube, pictures = tmp_path / "cube.fits", [tmp_path / "p.png", tmp_path / "p.130px.jpg"]
    geometry = Geometry(position_angle_deg=0.0)
    map_channels(
        channels, cube, {**RGB, "luminance": {"g": 1.0}}, Colour(), (), None, geometry, solution
    )
    draw_files(cube, pictures, STRETCH, "Gorse field")
    assert read_image(cube, "LUMINANCE")[1]["CRVAL1"] == pytest.approx(120, abs=0.1)
    places = []
    for path in pictures:
        with Image.open(path) as image:
            size = image.size
        avm = pyavm.AVM.from_image(str(path))
        assert avm.Spatial.ReferenceDimension == list(size)
        place = avm.to_wcs()
        np.testing.assert_allclose(place.pixel_scale_matrix[[0, 1], [1, 0]], 0, atol=1e-9)
        places.append(place.all_pix2world([[-0.5, -0.5], [size[0] - 0.5, size[1] - 0.5]], 0))
    assert max(size) == 130
    np.testing.assert_allclose(places[0], places[1], atol=1.1 * step)


@pytest.mark.parametrize("luminance", [False, True])
def test_cube_to_pictures(channels, tmp_path, luminance):
    """The pictures have a dark grey sky, white stars and red H-alpha light, alike in all files."""
    matrix = {**RGB, "luminance": {"g": 1.0, "ha": 6.0}} if luminance else RGB
    cube, pictures = tmp_path / "cube.fits", [tmp_path / f"p.{end}" for end in ("png", "tif")]
    map_channels(channels, cube, matrix, Colour())
    draw_files(cube, pictures, STRETCH, "Gorse field")
    deep = tifffile.imread(pictures[1]).astype(float) / 65535
    with Image.open(pictures[0]) as image:
        assert image.info["Title"] == "Gorse field"
        assert hashlib.sha256(cube.read_bytes()).hexdigest() in image.info["Comment"]
        np.testing.assert_allclose(np.asarray(image) / 255, deep, atol=0.51 / 255 + 1e-5)
    upright = deep[::-1]
    sky = np.median(upright[:, 335:].reshape(-1, 3), axis=0)
    np.testing.assert_allclose(sky, STRETCH.sky_level, atol=0.02)
    assert np.ptp(sky) < 0.012
    patch = np.median(upright[232:248, 102:138].reshape(-1, 3), axis=0)
    assert patch[0] > 2.5 * patch[1:].max()
    brightest = np.unravel_index(upright.sum(axis=2).argmax(), upright.shape[:2])
    assert np.ptp(upright[brightest]) < 0.1


def test_each_step_beyond_the_data_is_told(channels, tmp_path):
    """What was asked for under 'finish' stands in the picture's own words."""
    cube, picture = tmp_path / "cube.fits", tmp_path / "p.png"
    map_channels(channels, cube, RGB, Colour())
    finish = Finish(deconvolution=0.3, colour_denoise=0.5, local_contrast=0.3)
    draw_files(cube, [picture], STRETCH, "Gorse field", finish=finish)
    with Image.open(picture) as image:
        comment = image.info["Comment"]
    assert "highlights rolled off from 0.8" in comment
    assert "20 rounds of Richardson-Lucy deconvolution" in comment
    assert "total-variation smoothing of the Oklab colours a and b, weight 0.0" in comment
    assert (
        "contrast-limited adaptive histograms of the lightness above the sky, share 0.3" in comment
    )
    draw_files(cube, [picture], STRETCH, "Gorse field")
    with Image.open(picture) as image:
        assert "Richardson" not in image.info["Comment"]


def test_black_and_white(channels, tmp_path):
    """Luminance alone gives a cube of one plane and a picture without colour."""
    cube, picture = tmp_path / "cube.fits", tmp_path / "p.tif"
    map_channels(channels, cube, {"luminance": {"*": 1.0}}, Colour())
    assert read_image(cube)[0].shape == (1, 260, 340)
    draw_files(cube, [picture], STRETCH, "Gorse field")
    assert np.ptp(tifffile.imread(picture), axis=2).max() == 0


def test_display_values_are_those_of_the_tiff(channels, tmp_path):
    """Other readers of FITS see unsigned values, in planes with row 0 at the bottom."""
    cube, picture = tmp_path / "cube.fits", tmp_path / "p.tif"
    map_channels(channels, cube, RGB, Colour())
    draw_files(cube, [picture], STRETCH, "Gorse field")
    display = fits.getdata(tmp_path / "p.display.fits", "SCI")
    assert display.dtype.kind == "u"
    np.testing.assert_array_equal(np.moveaxis(display, 0, -1)[::-1], tifffile.imread(picture))


def test_the_same_channels_give_the_same_bytes(channels, tmp_path):
    """Cube and pictures made twice agree byte by byte."""
    files = []
    for run in ("one", "two"):
        (tmp_path / run).mkdir()
        cube = tmp_path / run / "cube.fits"
        pictures = [tmp_path / run / f"p.{end}" for end in ("png", "tif", "jpg")]
        map_channels(channels, cube, {**RGB, "luminance": {"g": 1.0}}, Colour())
        draw_files(cube, pictures, STRETCH, "Gorse field")
        files.append([path.read_bytes() for path in (cube, *pictures)])
    assert files[0] == files[1]


def test_faults_are_sentences(channels, tmp_path):
    """A channel that is not there, channels of two sizes, an empty cube: one sentence each."""
    cube = tmp_path / "cube.fits"
    with pytest.raises(UserError, match="mapping: luminance asks for channel 'oiii'"):
        map_channels(channels, cube, {"luminance": {"oiii": 1.0}}, Colour())
    small = image_hdu(np.ones((100, 100), np.float32), "SCI")
    write_product(channels["g"], [], [small])
    with pytest.raises(UserError, match="channels differ in size"):
        map_channels(channels, cube, {"luminance": {"*": 1.0}}, Colour())
    assert not cube.exists()
    write_product(cube, [], [image_hdu(np.zeros((3, 64, 64), np.float32), "SCI")])
    with pytest.raises(UserError, match=r"cube.fits: the sky has no noise"):
        draw_files(cube, [tmp_path / "p.png"], STRETCH, "Gorse field")
