"""Draw the raw frames of a simulated observation, and the truth about them beside it.

The folder receives

- ``<night>/<band>-NN.fits`` light frames, ``<night>/flat-<band>-NN.fits`` flats;
- ``calibration/bias-NN.fits``, ``calibration/dark-<exposure>s-NN.fits``;
- ``truth/stars.ecsv``: id, x, y (scene pixels), ra, dec (degrees), magnitude, temperature_k,
  variable, flux_<band> (electrons per second, the variable star at its mean);
- ``truth/galaxies.ecsv``, ``truth/h2_regions.ecsv``: the small galaxies, the H II regions;
- ``truth/cosmic_rays.ecsv``: frame, x, y (raw pixels), electrons;
- ``truth/pixels.ecsv``: x, y (raw pixels), fault ("hot", "unstable", "dead", "column");
- ``truth/observation.json``, written last, so a set without it is not complete: ``digest`` of the
  plan and of the simulator; ``plan`` with every setting (noise model under ``camera``); ``wcs`` of
  the scene; ``frames`` by name: kind, band, exposure_s, start_utc, size_bytes, sha256 and, for
  lights, ``sub`` (settings of the exposure), ``matrix`` (scene pixel to raw pixel, 2 x 3),
  ``sky_e_s``, ``sky_polynomial``, ``variable_e_s``, ``mover`` (raw x, y, rate). See
  `platelib.simulate.exposure.LightTruth`.

All places are 0-based with pixel centres at integers. The same plan gives the same bytes, whatever
the number of workers.
"""

import hashlib
import io
import json
import os
import zlib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from astropy.coordinates import Angle
from astropy.io import fits
from astropy.table import Table, vstack

from platefiles.core.errors import UserError
from platelib.simulate.camera import Camera, build_camera, draw_bias, draw_dark, draw_flat
from platelib.simulate.demo import demo_plan, tiny_plan
from platelib.simulate.exposure import LightTruth, draw_light
from platelib.simulate.observing_run import FrameSpec, PlanSpec, plan_frames, scene_to_sky
from platelib.simulate.scene import Scene, build_scene

_KINDS = {"bias": "Bias Frame", "dark": "Dark Frame", "flat": "Flat Field", "light": "Light Frame"}


def draw_raw(plan: PlanSpec | str, folder: Path, workers: int = 2) -> Path:
    """Draw all raw frames of a plan and the truth, unless a complete set exists.

    Parameters
    ----------
    plan : PlanSpec or str
        The plan, or the name of one: "demo" or "tiny".
    folder : Path
        Where the frames go; made if it is missing.
    workers : int
        Threads that draw at a time. They change the time it takes, never a byte.

    Returns
    -------
    Path
        ``truth/observation.json`` in the folder.

    Raises
    ------
    ValueError
        If no plan has that name.
    UserError
        If the folder cannot be written.
    """
    plan = _named_plan(plan) if isinstance(plan, str) else plan
    truth_path = Path(folder) / "truth" / "observation.json"
    digest = _plan_digest(plan)
    if _is_complete(truth_path, digest):
        return truth_path
    try:
        _draw(plan, Path(folder), truth_path, digest, workers)
    except OSError as error:
        msg = (
            f"{folder}: the simulated frames cannot be written ({error.strerror}); "
            "free disk space or choose another folder."
        )
        raise UserError(msg) from error
    return truth_path


def _named_plan(name: str) -> PlanSpec:
    """Plan of that name."""
    plans = {"demo": demo_plan, "tiny": tiny_plan}
    if name not in plans:
        msg = f"no plan is named {name!r}; there are {', '.join(sorted(plans))}"
        raise ValueError(msg)
    return plans[name]()


def _plan_digest(plan: PlanSpec) -> str:
    """Digest of the plan and of the code that draws it."""
    digest = hashlib.sha256(json.dumps(asdict(plan), sort_keys=True).encode())
    here = Path(__file__).resolve().parent
    for path in [here / "draw_demo.py", *sorted((here / "platelib" / "simulate").glob("*.py"))]:
        digest.update(path.read_bytes())
    return digest.hexdigest()


def _is_complete(truth_path: Path, digest: str) -> bool:
    """Return whether the folder contains exactly this plan's frames, all in full size."""
    try:
        truth = json.loads(truth_path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    if truth.get("digest") != digest:
        return False
    folder = truth_path.parent.parent
    return all(
        (folder / f"{name}.fits").is_file()
        and (folder / f"{name}.fits").stat().st_size == frame["size_bytes"]
        for name, frame in truth["frames"].items()
    )


def _draw(plan: PlanSpec, folder: Path, truth_path: Path, digest: str, workers: int) -> None:
    """Draw the frames in any order, then write the truth."""
    truth_path.unlink(missing_ok=True)
    frames = plan_frames(plan)
    for place in {truth_path.parent, *((folder / frame.name).parent for frame in frames)}:
        place.mkdir(parents=True, exist_ok=True)
    scene, camera = build_scene(plan.scene), build_camera(plan.camera)

    def draw(frame: FrameSpec) -> tuple[dict[str, Any], Table | None]:
        return _draw_frame(plan, scene, camera, frame, folder)

    with ThreadPoolExecutor(workers) as pool:
        drawn = list(pool.map(draw, frames))
    _write_tables(plan, scene, camera, [rays for _, rays in drawn if rays], truth_path.parent)
    truth = {
        "digest": digest,
        "plan": asdict(plan),
        "wcs": _scene_wcs(plan),
        "frames": {frame.name: facts for frame, (facts, _) in zip(frames, drawn, strict=True)},
    }
    _write(truth_path, json.dumps(truth, indent=1, sort_keys=True).encode())


def _draw_frame(
    plan: PlanSpec, scene: Scene, camera: Camera, frame: FrameSpec, folder: Path
) -> tuple[dict[str, Any], Table | None]:
    """Draw and write one frame; return the facts about it and its cosmic rays."""
    rng = np.random.default_rng([plan.seed, zlib.crc32(frame.name.encode())])
    truth: LightTruth | None = None
    if frame.sub is not None:
        raw, truth = draw_light(scene, camera, frame.sub, rng)
    elif frame.kind == "flat":
        raw = draw_flat(
            camera, frame.exposure_s, rng, dust_seed=frame.dust_seed, level_e=frame.level_e
        )
    elif frame.kind == "dark":
        raw = draw_dark(camera, frame.exposure_s, rng)
    else:
        raw = draw_bias(camera, rng)
    payload = _fits_bytes(raw, _header(plan, frame))
    _write(folder / f"{frame.name}.fits", payload)
    facts: dict[str, Any] = {
        "kind": frame.kind,
        "band": frame.band,
        "exposure_s": frame.exposure_s,
        "start_utc": frame.start_utc,
        "size_bytes": len(payload),
        "sha256": hashlib.sha256(payload).hexdigest(),
    }
    if truth is None:
        return facts, None
    return facts | _light_facts(frame, truth), _ray_table(frame, truth)


def _light_facts(frame: FrameSpec, truth: LightTruth) -> dict[str, Any]:
    """Collect the facts of a light frame for the truth file."""
    assert frame.sub is not None
    return {
        "sub": asdict(frame.sub),
        "matrix": truth.matrix.tolist(),
        "sky_e_s": truth.sky_e_s,
        "sky_polynomial": truth.sky_polynomial,
        "variable_e_s": truth.variable_e_s,
        "mover": truth.mover,
    }


def _ray_table(frame: FrameSpec, truth: LightTruth) -> Table:
    """Return the pixels of one frame hit by particles."""
    rays = truth.cosmic_rays
    names = np.full(rays.x.size, frame.name, dtype=f"U{len(frame.name)}")
    return Table({"frame": names, "x": rays.x, "y": rays.y, "electrons": rays.electrons})


def _header(plan: PlanSpec, frame: FrameSpec) -> fits.Header:
    """Return the header cards of a typical capture program."""
    instrument = plan.instrument
    filters = {band.name: band.filter_name for band in plan.scene.bands}
    header = fits.Header()
    header["IMAGETYP"] = (_KINDS[frame.kind], "kind of frame")
    header["EXPTIME"] = (frame.exposure_s, "[s] exposure")
    header["DATE-OBS"] = (frame.start_utc, "start of exposure, UTC")
    if frame.band:
        header["FILTER"] = (filters[frame.band], "filter")
    header["GAIN"] = (instrument.gain_setting, "camera gain setting")
    header["OFFSET"] = (instrument.offset_setting, "camera offset setting")
    header["EGAIN"] = (plan.camera.gain_e_per_adu, "[electron/adu] gain")
    header["CCD-TEMP"] = (instrument.temperature_c, "[deg C] sensor temperature")
    header["SET-TEMP"] = (instrument.temperature_c, "[deg C] sensor temperature asked for")
    header["XBINNING"] = (1, "binning along rows")
    header["YBINNING"] = (1, "binning along columns")
    header["XPIXSZ"] = (instrument.pixel_size_um, "[um] pixel width, binning included")
    header["YPIXSZ"] = (instrument.pixel_size_um, "[um] pixel height, binning included")
    header["INSTRUME"] = (instrument.camera, "camera")
    if frame.kind in ("light", "flat"):
        header["TELESCOP"] = (instrument.telescope, "telescope")
        header["FOCALLEN"] = (instrument.focal_length_mm, "[mm] focal length")
        header["APTDIA"] = (instrument.aperture_mm, "[mm] aperture")
    header["SITELAT"] = (instrument.latitude_deg, "[deg] latitude of the site")
    header["SITELONG"] = (instrument.longitude_deg, "[deg] longitude of the site, east positive")
    if frame.sub is not None:
        _add_pointing(header, plan, frame.sub.flipped)
    return header


def _add_pointing(header: fits.Header, plan: PlanSpec, flipped: bool) -> None:
    """Add the pointing reported by the mount."""
    instrument = plan.instrument
    ra = Angle(instrument.ra_deg, "deg").to_string(unit="hour", sep=" ", precision=1, pad=True)
    dec = Angle(instrument.dec_deg, "deg").to_string(
        sep=" ", precision=0, pad=True, alwayssign=True
    )
    header["OBJECT"] = (instrument.target, "target")
    header["OBJCTRA"] = (ra, "[h m s] right ascension of the target")
    header["OBJCTDEC"] = (dec, "[d m s] declination of the target")
    header["PIERSIDE"] = ("WEST" if flipped else "EAST", "side of the pier")


def _scene_wcs(plan: PlanSpec) -> dict[str, Any]:
    """World coordinates of the scene as header cards (FITS counts pixels from 1)."""
    step = plan.instrument.scale_arcsec / 3600.0
    return {
        "CTYPE1": "RA---TAN",
        "CTYPE2": "DEC--TAN",
        "CRVAL1": plan.instrument.ra_deg,
        "CRVAL2": plan.instrument.dec_deg,
        "CRPIX1": (plan.scene.width_px + 1) / 2,
        "CRPIX2": (plan.scene.height_px + 1) / 2,
        "CD1_1": -step,
        "CD1_2": 0.0,
        "CD2_1": 0.0,
        "CD2_2": step,
    }


def _write_tables(
    plan: PlanSpec, scene: Scene, camera: Camera, rays: list[Table], folder: Path
) -> None:
    """Write the tables of the truth."""
    stars = scene.stars.copy()
    ra, dec = scene_to_sky(plan, stars["x"], stars["y"])
    stars.add_columns([ra, dec], indexes=[3, 3], names=["ra", "dec"])
    columns = np.repeat(camera.bad_columns, plan.camera.height_px)
    rows = np.tile(np.arange(plan.camera.height_px), camera.bad_columns.size)
    faults = {"hot": camera.hot, "unstable": camera.unstable, "dead": camera.dead}
    faults["column"] = np.column_stack([columns, rows])
    places = np.vstack(list(faults.values()))
    kinds = np.repeat(list(faults), [len(place) for place in faults.values()])
    tables = {
        "stars": stars,
        "galaxies": scene.galaxies,
        "h2_regions": scene.h2_regions,
        "cosmic_rays": vstack(rays) if rays else Table(),
        "pixels": Table({"x": places[:, 0], "y": places[:, 1], "fault": kinds}),
    }
    for name, table in tables.items():
        text = io.StringIO()
        table.write(text, format="ascii.ecsv")
        _write(folder / f"{name}.ecsv", text.getvalue().encode())


def _fits_bytes(raw: npt.NDArray[np.uint16], header: fits.Header) -> bytes:
    """Unsigned 16-bit FITS, as the standard stores it: signed with BZERO = 32768."""
    buffer = io.BytesIO()
    fits.PrimaryHDU(raw, header=header).writeto(buffer)
    return buffer.getvalue()


def _write(path: Path, payload: bytes) -> None:
    """Write a file atomically."""
    temporary = path.with_name(f".{path.name}.part")
    temporary.write_bytes(payload)
    os.replace(temporary, path)
