"""Map channels to output colours: the linear image of a picture."""

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np

from platefiles.astrometry.solution import read_stars, solution_cards
from platefiles.core.errors import UserError
from platefiles.fits.products_io import (
    image_hdu,
    read_header,
    table_hdu,
    write_product,
)
from platefiles.fits.tables import columns_hdu
from platefiles.integration.channel_subs import SUB_COLUMNS, subs_of_channels
from platefiles.jobs.job_log import log
from platefiles.picture.geometry import framed
from platefiles.picture.mapped_channels import (
    exposures_of_subs,
    inputs_table,
    map_planes,
    needed_channels,
)
from platefiles.picture.white_point import choose_white, white_cards
from platefiles.provenance.header_provenance import exposure_cards, note_cards
from platefiles.provenance.record import record_hdu
from platefiles.settings.colour import Colour
from platefiles.settings.colour import Mapping as ColourMapping
from platefiles.settings.job import JobSettings, StepJob
from platefiles.settings.picture import Framing
from platelib.colour.channel_mapping import (
    LUMINANCE,
    Weights,
    plane_weights,
    weights_by_noise,
)
from platelib.colour.grey_sky import Sky, measure_sky
from platelib.colour.star_cores import FULL
from platelib.colour.white_balance import White, mean_star


class _Settings(JobSettings):
    mapping: ColourMapping
    colour: Colour
    geometry: Framing


class Job(StepJob):
    """The job of mapping: channels and settings.

    Attributes
    ----------
    wavelengths_nm : dict
        Of the channels, None where it is not known.
    broadband : bool
        Whether no filter in the colours is one for a line.
    """

    settings: _Settings
    wavelengths_nm: dict[str, float | None]
    broadband: bool


def map_channels(
    paths_to_channels: Mapping[str, Path],
    path_to_linear_image: Path,
    matrix: Mapping[str, Mapping[str, float]],
    colour: Colour,
    cards: Sequence[tuple] = (),
    job: Job | None = None,
    geometry: Framing | None = None,
    path_to_solution: str | Path | None = None,
    paths_to_skies: Mapping[str, Path] | None = None,
) -> None:
    """Map channels to output colours, subtract the sky and balance the colours.

    Parameters
    ----------
    paths_to_channels : mapping of str to Path
        Integrated channels, or what was made of them (image ``SCI``), by name, all on the same
        grid.
    path_to_linear_image : Path
        Written: ``SCI`` ``(3, ny, nx)`` float32, planes red, green and blue (one plane for a
        black-and-white picture), and ``LUMINANCE`` where the matrix has one. Linear, with the
        sky at zero where the recipe wants a neutral background. ``CORES`` ``(ny, nx)`` uint8 where
        stars saturate a channel: how near it is to saturation there, in percent; 0 elsewhere.
        ``INPUTS``, a row a channel, and ``SUBS``, a row a sub of these channels.
    matrix : mapping
        Output colour to channel to weight.
    colour : Colour
        How to balance.
    cards : sequence of tuple
        Provenance, for the primary header.
    job : Job, optional
        Without a job no record is written.
    geometry : Framing, optional
        Rotation, scale and crop of the picture.
    path_to_solution : path-like, optional
        Place of the grid on the sky, and stars of a catalogue in it.
    paths_to_skies : mapping of str to Path, optional
        By name, models of the skies of channels whose gradient is to be subtracted.

    Raises
    ------
    UserError
        If the matrix does not fit the channels, or these do not fit each other.
    """
    try:
        weights = plane_weights(matrix, list(paths_to_channels))
        skies_of = paths_to_skies or {}
        notes = []
        if colour.luminance_weights == "noise" and len(weights.get(LUMINANCE, ())) > 1:
            row = weights[LUMINANCE]
            own = {name: {name: 1.0} for name in row}
            planes, *_ = map_planes({name: paths_to_channels[name] for name in row}, skies_of, own)
            weights[LUMINANCE], note = _by_noise(planes, row)
            notes = [note] if note else []
        planes, unit, cores = map_planes(paths_to_channels, skies_of, weights)
        skies, share = measure_sky(planes)
    except ValueError as error:
        msg = f"mapping: {error}"
        raise UserError(msg) from error
    names = tuple(weights)
    kept = None if colour.grey_sky else planes.copy()
    _subtract(planes, (sky.level for sky in skies))
    world, stars = _place(path_to_solution)
    broadband = job is None or job.broadband
    white, what = choose_white(
        planes, skies, colour, stars if broadband else {}, _fwhm_px(weights, skies_of)
    )
    result = planes if kept is None else kept
    for plane, factor in zip(result, white.factors, strict=False):
        plane *= np.float32(factor)
    _report(names, skies, white)
    result, place, undone = framed(result, geometry or Framing(), world)
    for note in undone:
        log.warning("%s", note)
    facts = [
        *_mapping_cards(names, weights),
        *_sky_cards(skies, share, colour.grey_sky),
        *white_cards(white, what),
        *place,
        *note_cards([*notes, *undone]),
    ]
    flat = [card for card in place if card[0] != "CD3_3"]
    count = len(white.factors)
    hdus = [image_hdu(result[:count], "SCI", facts, unit)]
    if LUMINANCE in names[count:]:
        hdus.append(image_hdu(result[-1], "LUMINANCE", flat, unit))
    if cores is not None:
        hdus.append(image_hdu(_framed_cores(cores, geometry or Framing(), world), "CORES", flat))
    wavelengths = {} if job is None else job.wavelengths_nm
    needed = {name: paths_to_channels[name] for name in needed_channels(weights)}
    hdus.append(table_hdu(inputs_table(needed, weights, wavelengths), "INPUTS"))
    subs = subs_of_channels(needed)
    if subs:
        hdus.append(columns_hdu(subs, "SUBS", SUB_COLUMNS))
    if job is not None:
        solution = [] if path_to_solution is None else [path_to_solution]
        sources = {
            "channels": [*paths_to_channels.values()],
            "skies": [*skies_of.values()],
            "solution": solution,
        }
        hdus.append(record_hdu("map_channels", path_to_linear_image, job.recorded, sources))
    spans = exposure_cards(exposures_of_subs(needed.values()))
    write_product(path_to_linear_image, [*cards, *spans], hdus)


def _place(path_to_solution: str | Path | None) -> tuple[list[tuple], dict[str, np.ndarray]]:
    """Return cards of the world coordinates of the grid, and the catalogue's stars on it."""
    if path_to_solution is None:
        return [], {}
    return solution_cards(path_to_solution, planes=True), read_stars(path_to_solution)


def _framed_cores(cores: np.ndarray, geometry: Framing, world: Sequence[tuple]) -> np.ndarray:
    """Return cores in the pixels of the picture, percent as uint8."""
    planes = cores[None].astype(np.float32)
    turned, _, _ = framed(planes, geometry, world)
    if turned is planes:
        return cores
    return np.clip(np.rint(np.nan_to_num(turned[0])), 0, 2 * FULL).astype(np.uint8)


def _by_noise(planes: np.ndarray, row: Mapping[str, float]) -> tuple[dict[str, float], str]:
    """Weight the channels of the luminance by noise, with a note if there were too few stars."""
    skies, _ = measure_sky(planes)
    _subtract(planes, (sky.level for sky in skies))
    noises = {name: sky.noise for name, sky in zip(row, skies, strict=True)}
    white = mean_star(planes, tuple(noises.values()), reference=0)
    note = ""
    signals = {name: 1 / factor for name, factor in zip(row, white.factors, strict=True)}
    if white.note:
        signals = noises
        note = (
            f"{white.stars} stars are too few to compare the brightness of the channels: the "
            "luminance assumes an equal signal-to-noise"
        )
        log.warning("%s", note)
    weights = weights_by_noise(row, signals, noises)
    log.info("luminance: %s", ", ".join(f"{name} {w:g}" for name, w in weights.items()))
    return weights, note


def _subtract(planes: np.ndarray, levels: Iterable[float]) -> None:
    """Subtract a level from each plane, in place."""
    for plane, level in zip(planes, levels, strict=True):
        plane -= np.float32(level)


def _fwhm_px(weights: Weights, paths_to_skies: Mapping[str, Path]) -> float | None:
    """Return the largest FWHM of stars in the channels of a picture; None if one has no list."""
    needed = needed_channels(weights)
    if not all(name in paths_to_skies for name in needed):
        return None
    widths = [read_header(paths_to_skies[name]).get("FWHM", 0.0) for name in needed]
    return max(widths) if all(width > 0 for width in widths) else None


def _report(names: Sequence[str], skies: Sequence[Sky], white: White) -> None:
    for name, sky in zip(names, skies, strict=True):
        log.info("%s: sky %.6g, noise %.4g", name, sky.level, sky.noise)
    if white.note:
        log.warning("%s", white.note)
    if len(white.factors) < 3:
        return
    for name, factor, scatter in zip(names, white.factors, white.scatter, strict=False):
        log.info("%s: factor %g (one star: %.3f), %d stars", name, factor, scatter, white.stars)


def _mapping_cards(names: Sequence[str], weights: Weights) -> list[tuple]:
    return [
        (f"MAP{i}", f"{name}: " + " + ".join(f"{w:.6g} {c}" for c, w in weights[name].items()))
        for i, name in enumerate(names, start=1)
    ]


def _sky_cards(skies: Sequence[Sky], share: float, removed: bool) -> list[tuple]:
    cards: list[tuple] = [
        ("SKYOFF", removed),
        ("SKYSHARE", round(share, 6)),
    ]
    for i, sky in enumerate(skies, start=1):
        cards += [
            (f"SKYLEV{i}", float(f"{sky.level:.7g}")),
            (f"SKYSIG{i}", float(f"{sky.noise:.5g}")),
        ]
    return cards


if __name__ == "__main__":
    import json

    from platefiles.jobs.job_log import job_log
    from platefiles.provenance.header_provenance import making_cards

    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        job = Job.of(json.loads(snakemake.params.job))
        map_channels(
            {Path(path).stem: Path(path) for path in snakemake.input.channels},
            Path(snakemake.output[0]),
            job.settings.mapping.rows,
            job.settings.colour,
            making_cards("map_channels", job.recorded),
            job,
            job.settings.geometry,
            snakemake.input.solution or None,
            {Path(path).stem: Path(path) for path in snakemake.input.skies},
        )
