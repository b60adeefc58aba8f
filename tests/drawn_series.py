"""Small series of frames drawn in the style of real ones, whose truth is known.

Four series as amateurs and surveys have them, each with the header dialect of its camera:

- ``slow-mover``: a CCD at a long focus, packed frames, a pedestal, no flats, one object that moves
  five pixels an hour;
- ``wide-drifting``: 12 bits in files of 16, no IMAGETYP, local time with its zone, a field that
  drifts across the sensor;
- ``changing-seeing``: wells that are full below the end of the scale, stars that grow wider and
  narrower, focus and test exposures beside the lights;
- ``gri-group``: calibrated survey frames with a WCS, in three bands that all say g, with galaxies
  at places of the OpenNGC catalogue.
"""

import os
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from astropy import units as u
from astropy.coordinates import AltAz, EarthLocation, SkyCoord
from astropy.io import fits
from astropy.time import Time
from astropy.utils import iers
from astropy.wcs import WCS

from platelib.simulate.camera import Camera, CameraSpec, build_camera, draw_bias, draw_dark
from platelib.simulate.exposure import draw_light
from platelib.simulate.passbands import BandSpec
from platelib.simulate.scene import MoverSpec, Scene, SceneSpec, build_scene
from platelib.simulate.sub import SubSpec

WIDTH_PX, HEIGHT_PX = 340, 248
GALAXIES = ("NGC 6975", "NGC 6977", "NGC 6978")
_SKIES = (0.5, 0.52, 1.0, 1.04, 1.7, 1.75, 2.4, 2.5)
"""Factors on the sky of the lights of a CCD, which tell its gain."""

_BRIGHT = tuple((40.0 + 37.0 * k, 45.0 + 97.0 * k % 170, 11.2 + 0.1 * k, 5800.0) for k in range(8))
"""Places, magnitudes and temperatures of stars that fill the wells of a CCD."""

MOVER = MoverSpec(120.0, 90.0, 4.0, -2.4, 14.0)


@dataclass(frozen=True)
class Light:
    """What is true of a light."""

    start_utc: datetime
    exposure_s: float
    dither_px: tuple[float, float]
    fwhm_px: float


@dataclass(frozen=True)
class Series:
    """A series of frames and what is known about it.

    Attributes
    ----------
    folder : Path
    lights : dict of str to Light
        By name from the folder on; empty for real frames.
    light_count, bias_count, dark_count : int
        Frames of each kind that a project uses.
    light_s, dark_s : float
        Exposures.
    gain : float or None
        Electrons per count, as the headers say.
    temperature_c, longitude_deg, exposure_s, scale_arcsec
        What the header of the first light says; the longitude as it stands there.
    full_adu : float
        Least count of a saturated pixel.
    fwhm_px : float
        Usual width of the stars as it is measured, by windowed moments.
    spikes, whole : tuple of (x, y)
        Stars with lost cores, and sources that have theirs.
    """

    folder: Path
    lights: dict[str, Light]
    light_count: int
    bias_count: int = 0
    dark_count: int = 0
    light_s: float = 0.0
    gain: float | None = None
    temperature_c: float = 0.0
    longitude_deg: float = 0.0
    full_adu: float = 65535.0
    fwhm_px: float = 2.5
    spikes: tuple[tuple[float, float], ...] = ()
    whole: tuple[tuple[float, float], ...] = ()

    def some(self, pattern: str, count: int) -> list[Path]:
        """Return some files, evenly out of all that have a pattern, by name."""
        paths = sorted(self.folder.glob(pattern))
        return paths[:: max(1, len(paths) // count)]


def draw_series(name: str, folder: Path) -> Series:
    """Draw a series into a folder, which is made."""
    folder.mkdir(parents=True)
    draw = {
        "slow-mover": _slow_mover,
        "wide-drifting": _wide_drifting,
        "changing-seeing": _changing_seeing,
        "gri-group": _gri_group,
    }
    series = draw[name](folder)
    for path in series.folder.rglob("*.f*"):
        os.utime(path, (1e9, 1e9))  # a scan waits for files that were written just now
    return series


def _ccd_scene(seed: int, **more: Any) -> Scene:
    band = BandSpec("open", "Open", 550.0, 1.0, 180.0, 55.0)
    spec = SceneSpec(WIDTH_PX, HEIGHT_PX, (band,), seed=seed, zero_point=22.5, star_count=60)
    return build_scene(replace(spec, brightest_mag=13.5, bright_stars=_BRIGHT, **more))


def _ccd_camera(seed: int) -> Camera:
    spec = CameraSpec(WIDTH_PX, HEIGHT_PX, seed=seed, gain_e_per_adu=2.07, read_noise_e=12.0)
    return build_camera(
        replace(spec, bias_adu=1010.0, unstable_count=6, glow_e_s=0.0, vignetting=0.05)
    )


def _ccd_header(kind: str, start: datetime, exposure_s: float, ra: str, dec: str) -> fits.Header:
    """The dialect of a CCD: EGAIN alone, a pedestal, a longitude that counts west as positive."""
    with iers.conf.set_temp("auto_download", False):
        site = EarthLocation(lat=42.61 * u.deg, lon=-71.25 * u.deg)
        place = SkyCoord(ra, dec, unit=("hourangle", "deg"))
        altitude = place.transform_to(AltAz(obstime=Time(start), location=site)).alt.deg
    cards = {
        "TELESCOP": "F14",
        "FOCALLEN": 3910.0,
        "APTDIA": 354.6,
        "EXPTIME": exposure_s,
        "COLORCCD": 0,
        "IMAGETYP": kind,
        "XBINNING": 1,
        "YBINNING": 1,
        "EGAIN": 2.07,
        "CCD-TEMP": -19.977,
        "SET-TEMP": -20.197,
        "SITELAT": "+42 36 36.00",
        "SITELONG": "+71 15 00.00",
        "CENTALT": altitude,
        "AIRMASS": 1 / np.sin(np.deg2rad(altitude)),
        "OBJCTRA": ra,
        "OBJCTDEC": dec,
        "OBJECT": "A minor planet",
        "INSTRUME": "Heronmere 1001",
        "XPIXSZ": 24.0,
        "YPIXSZ": 24.0,
        "PEDESTAL": -100,
        "FILTER": "Open",
        "DATE-OBS": start.isoformat(timespec="milliseconds"),
    }
    if kind != "Light Frame":
        for key in ("FILTER", "OBJECT", "OBJCTRA", "OBJCTDEC", "CENTALT", "AIRMASS"):
            del cards[key]
    return fits.Header(cards)


def _write_packed(path: Path, raw: np.ndarray, header: fits.Header) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    image = fits.CompImageHDU(raw, header, compression_type="RICE_1")
    fits.HDUList([fits.PrimaryHDU(), image]).writeto(path)


def _slow_mover(folder: Path) -> Series:
    scene, camera = _ccd_scene(71, mover=MOVER), _ccd_camera(71)
    rng = np.random.default_rng(71)
    start = datetime(2018, 10, 13, 2, 3, 10, 984000)
    header = partial(_ccd_header, ra="04 12 12.262", dec="+22 53 01.76")
    lights = {}
    for k in range(8):
        begins = start + timedelta(minutes=7 * k)
        light = Light(begins, 180.0, tuple(rng.uniform(-0.4, 0.4, 2)), 2.6)
        sub = SubSpec(
            "open",
            180.0,
            mid_time_h=7 * k / 60,
            dither_px=light.dither_px,
            fwhm_px=2.6,
            sky_factor=_SKIES[k],
        )
        raw = draw_light(scene, camera, sub, rng)[0]
        name = f"light_{15 + k:03}.fits.fz"
        _write_packed(folder / name, raw, header("Light Frame", begins, 180.0))
        lights[name] = light
    for k in range(6):
        begins, path = start + timedelta(hours=2, minutes=k), folder / f"bias_{46 + k:03}.fits.fz"
        _write_packed(path, draw_bias(camera, rng), header("Bias Frame", begins, 0.0))
    for k in range(5):
        begins = start + timedelta(hours=3, minutes=4 * k)
        raw = draw_dark(camera, 180.0, rng)
        path = folder / f"dark_{41 + k:03}.fits.fz"
        _write_packed(path, raw, header("Dark Frame", begins, 180.0))
    return Series(folder, lights, 8, 6, 5, 180.0, 2.07, -19.977, 71.25)


def _wide_drifting(folder: Path) -> Series:
    """Draw a field that drifts by 6 px a sub; stars that exceed 12 bits are cut there."""
    band = BandSpec("clear", "Clear", 550.0, 1.0, 60.0, 12.0)
    spec = SceneSpec(WIDTH_PX, HEIGHT_PX, (band,), seed=32, zero_point=20.5, margin_px=60)
    scene = build_scene(replace(spec, star_count=160, brightest_mag=9.0, faintest_mag=16.0))
    camera = build_camera(
        CameraSpec(WIDTH_PX, HEIGHT_PX, 32, 3.0, 9.0, 120.0, glow_e_s=0.0, vignetting=0.05)
    )
    rng, start = np.random.default_rng(32), datetime(2017, 12, 20, 1, 33, 43, 317000)
    lights = {}
    for k in range(8):
        begins = start + timedelta(minutes=9 * k)
        light = Light(begins, 60.0, (6.0 * k - 21.0, -3.5 * k + 12.0), 2.2)
        sub = SubSpec("clear", 60.0, dither_px=light.dither_px, fwhm_px=2.2)
        raw = np.minimum(draw_light(scene, camera, sub, rng)[0], 4095).astype(np.int16)
        local = begins - timedelta(hours=7)
        cards = {
            "EQUINOX": 2000.0,
            "DATE-OBS": f"{local.isoformat(timespec='milliseconds')}-0700",
            "UT-OBS": f"{begins.isoformat(timespec='milliseconds')}-0000",
            "OBJECT": "A field",
            "EXPTIME": 60.0,
            "RA": 31.312099,
            "DEC": 46.769087,
            "INSTRUME": "Main",
            "FILTER": "Clear",
            "IM_SCALE": 5.21,
            "CAMTEMP": 271.0,
            "TELESCOP": "Willow",
            "LATITUDE": 31.68,
            "LONGITUD": 110.88,
            "OBSERVAT": "Fenwick Hill",
        }
        name = f"{begins:%m%d%y%H%M%S}.fits.fz"
        _write_packed(folder / name, raw, fits.Header(cards))
        lights[name] = light
    return Series(folder, lights, 8, light_s=60.0, temperature_c=-2.15, longitude_deg=110.88,
                  full_adu=4050.0, fwhm_px=1.9)  # fmt: skip


def _changing_seeing(folder: Path) -> Series:
    """Draw lights of two exposures whose stars widen, and focus and test exposures."""
    scene, camera = _ccd_scene(18), _ccd_camera(18)
    rng, start = np.random.default_rng(18), datetime(2018, 10, 18, 3, 1, 53, 784000)
    wells = (62_300.0 * (1 + 0.001 * rng.standard_normal((HEIGHT_PX, WIDTH_PX)))).round()
    lights: dict[str, Light] = {}

    def draw(name: str, minute: int, exposure_s: float, fwhm_px: float, number: int = 0) -> None:
        begins = start + timedelta(minutes=minute)
        light = Light(begins, exposure_s, tuple(rng.uniform(-0.4, 0.4, 2)), fwhm_px)
        sky = 0.6 * _SKIES[number]
        sub = SubSpec(
            "open", exposure_s, dither_px=light.dither_px, fwhm_px=fwhm_px, sky_factor=sky
        )
        raw = np.minimum(draw_light(scene, camera, sub, rng)[0], wells).astype(np.uint16)
        header = _ccd_header("Light Frame", begins, exposure_s, "04 10 08.801", "+22 50 22.54")
        _write_packed(folder / name, raw, header)
        lights[name] = light

    for k in range(2):
        draw(f"a-180s.Light.Open{1 + k:05}.fits.fz", 4 * k, 180.0, 2.6)
    for k in range(2):
        draw(f"a-30s.Light.Open{6 + k:05}.fits.fz", 9 + k, 30.0, 2.6)
    for k, fwhm_px in enumerate((2.4, 2.5, 2.9, 3.0, 3.5, 3.6)):
        draw(f"a-240s.Light.Open{12 + k:05}.fits.fz", 12 + 5 * k, 240.0, fwhm_px, k)
    for k, seconds in enumerate((3.0, 15.0, 30.0)):
        draw(f"focus/a-{seconds:.0f}s.Light.Open{216 + k:05}.fits.fz", 60 + k, seconds, 6.0 - k)
    return Series(folder, lights, 8, light_s=240.0, gain=2.07, full_adu=61_500.0, fwhm_px=2.2)


def _gri_group(folder: Path) -> Series:
    """Draw galaxies where OpenNGC has them, stars, and bright stars whose cores are lost."""
    from platefiles.sources.deep_sky_catalogues import open_ngc

    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [313.170189503, -5.69296404072]
    wcs.wcs.crpix = [171.0, 124.5]
    wcs.wcs.cd = [[9.0e-5, 6.537e-4], [6.536e-4, -9.0e-5]]
    known = {one.name: one for one in open_ngc(313.17, -5.69, 0.2)}
    places = [wcs.all_world2pix(known[n].ra_deg, known[n].dec_deg, 0) for n in GALAXIES]
    whole = tuple((float(x), float(y)) for x, y in places)
    spikes = ((300.0, 40.0), (255.0, 205.0), (40.0, 200.0))
    y, x = np.indices((HEIGHT_PX, WIDTH_PX))
    for number, band in enumerate("gri"):
        rng = np.random.default_rng([86, number])
        image = np.zeros((HEIGHT_PX, WIDTH_PX))
        for gx, gy in whole:
            image += (1.0 - 0.2 * number) * np.exp(-np.hypot(x - gx, 1.3 * (y - gy)) / 4.0)
        for sx, sy in spikes:
            star = 900.0 * (1 + ((x - sx) ** 2 + (y - sy) ** 2) / 1.4**2) ** -2.5
            image += np.minimum(star, 40.0)
        for _ in range(60):
            sx, sy = rng.uniform(5, WIDTH_PX - 5), rng.uniform(5, HEIGHT_PX - 5)
            r2 = (x - sx) ** 2 + (y - sy) ** 2
            image += 10 ** rng.uniform(-0.7, 1.5) * (1 + r2 / 1.4**2) ** -2.5
        noise = (0.008, 0.012, 0.022)[number]
        image += rng.normal(0.002, noise, image.shape)
        image += np.sqrt(np.maximum(image, 0)) * 0.01 * rng.standard_normal(image.shape)
        header = fits.Header({
            "RADECSYS": "ICRS", "CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN",
            "CRPIX1": 171.0, "CRPIX2": 124.5, "CRVAL1": wcs.wcs.crval[0],
            "CRVAL2": wcs.wcs.crval[1], "CD1_1": 9.0e-5, "CD1_2": 6.537e-4,
            "CD2_1": 6.536e-4, "CD2_2": -9.0e-5,
            "DATE-OBS": "2000-09-27", "TIMESYS": "TAI", "TELESCOP": "2.5m", "OBJECT": "86 S",
            "EXPTIME": "53.907456", "EQUINOX": 2000.0, "BUNIT": "nanomaggy", "FILTER": "g",
            "RA": 313.72801, "DEC": -6.295098,
        })  # fmt: skip
        path = folder / f"reprojected_sdss_{band}.fits"
        fits.PrimaryHDU(image.astype(np.float32), header).writeto(path)
    return Series(folder, {}, 3, fwhm_px=1.55, spikes=spikes, whole=whole)


def real_series(name: str, folder: Path) -> Series:
    """Return what is known about a series of real frames, or nothing where it is not there."""
    place = folder / name
    known = {
        "slow-mover": Series(place, {}, 25, 10, 5, 180.0, 2.07, -19.977, 71.485),
        "wide-drifting": Series(
            place, {}, 48, light_s=60.0, temperature_c=-2.15, longitude_deg=110.88,
            full_adu=4050.0, fwhm_px=2.2,
        ),
        "changing-seeing": Series(
            place, {}, 27, light_s=240.0, gain=2.07, full_adu=61_500.0, fwhm_px=3.3
        ),
        "gri-group": Series(
            place, {}, 3, fwhm_px=1.55,
            spikes=((676, 438), (648, 133), (410, 286), (45, 318)),
            whole=((278, 188), (163, 131), (78, 96), (658, 273)),
        ),
    }  # fmt: skip
    return known[name]
