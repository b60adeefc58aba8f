"""Filters to output colours: the linear colour cube of a picture."""

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import Table

from platefiles.channel_subs import SUB_COLUMNS, subs_of_channels
from platefiles.errors import UserError
from platefiles.fitsfile import (
    has_image,
    image_hdu,
    read_header,
    table_hdu,
    write_product,
)
from platefiles.flattened import read_flat_image
from platefiles.joblog import log
from platefiles.provenance import exposure_cards, file_sha256
from platefiles.recipe import Colour
from platefiles.record import record_hdu
from platefiles.solution import solution_cards
from platefiles.tables import columns_hdu, read_columns, rows_of
from platelib.mapping import LUMINANCE, Weights, blend, plane_weights
from platelib.neutral_sky import Sky, measure_sky
from platelib.white_balance import White, mean_star


def map_channels(
    paths_to_channels: Mapping[str, Path],
    path_to_cube: Path,
    matrix: Mapping[str, Mapping[str, float]],
    colour: Colour,
    cards: Sequence[tuple] = (),
    job: Mapping[str, Any] | None = None,
    path_to_solution: str | Path | None = None,
    paths_to_skies: Mapping[str, Path] | None = None,
) -> None:
    """Blend channels into output colours, take the sky off and balance the colours.

    Parameters
    ----------
    paths_to_channels : mapping of str to Path
        Integrated channels, or what was made of them (image ``SCI``), by name, all on the same
        grid.
    path_to_cube : Path
        Written: ``SCI`` ``(3, ny, nx)`` float32, planes red, green and blue (one plane for a
        black-and-white picture), and ``LUMINANCE`` where the matrix has one. Linear, with the
        sky at zero where the recipe wants a neutral background. ``INPUTS``, a row a channel, and
        ``SUBS``, a row a sub of these channels.
    matrix : mapping
        Output colour to channel to weight.
    colour : Colour
        How to balance.
    cards : sequence of tuple
        Provenance, for the primary header.
    job : mapping, optional
        The rule's job, for the record; none is written of what was made without one.
    path_to_solution : path-like, optional
        Place of the grid on the sky, whose world coordinates the images get.
    paths_to_skies : mapping of str to Path, optional
        By name, models of the skies of channels whose gradient is to be taken off.

    Raises
    ------
    UserError
        If the matrix does not fit the channels, or these do not fit each other.
    """
    try:
        weights = plane_weights(matrix, list(paths_to_channels))
        skies_of = paths_to_skies or {}
        images, unit = _read(paths_to_channels, skies_of, weights)
        planes = np.stack([blend(images, row) for row in weights.values()])
        del images
        skies, share = measure_sky(planes)
    except ValueError as error:
        msg = f"mapping: {error}"
        raise UserError(msg) from error
    names = tuple(weights)
    neutral = planes - _column(sky.level for sky in skies)
    white = _white(neutral, skies, colour)
    result = neutral if colour.neutral_background else planes
    result[: len(white.factors)] *= _column(white.factors)
    _report(names, skies, white)
    facts = [
        *_mapping_cards(names, weights),
        *_sky_cards(names, skies, share, colour.neutral_background),
        *_white_cards(names, white, colour),
    ]
    count = len(white.factors)
    hdus = [image_hdu(result[:count], "SCI", [*_world(path_to_solution, True), *facts], unit)]
    if LUMINANCE in names[count:]:
        hdus.append(image_hdu(result[-1], "LUMINANCE", _world(path_to_solution, False), unit))
    table = _inputs_table({name: paths_to_channels[name] for name in _needed(weights)})
    hdus.append(table_hdu(table, "INPUTS"))
    subs = subs_of_channels({name: paths_to_channels[name] for name in _needed(weights)})
    if subs:
        hdus.append(columns_hdu(subs, "SUBS", SUB_COLUMNS))
    if job is not None:
        solution = [] if path_to_solution is None else [path_to_solution]
        sources = {
            "channels": [*paths_to_channels.values()],
            "skies": [*skies_of.values()],
            "solution": solution,
        }
        hdus.append(record_hdu("map_channels", path_to_cube, job, sources))
    spans = exposure_cards(_exposures(paths_to_channels[name] for name in _needed(weights)))
    write_product(path_to_cube, [*cards, *spans], hdus)


def _world(path_to_solution: str | Path | None, planes: bool) -> list[tuple]:
    return [] if path_to_solution is None else solution_cards(path_to_solution, planes)


def _needed(weights: Weights) -> list[str]:
    """Channels that some row needs, in order."""
    return list(dict.fromkeys(channel for row in weights.values() for channel in row))


def _inputs_table(paths: Mapping[str, Path]) -> Table:
    """Return a row for each channel: its file's digest, its subs and their span."""
    headers = [read_header(path) for path in paths.values()]
    return Table(
        {
            "channel": list(paths),
            "sha256": [file_sha256(path) for path in paths.values()],
            "subs": [int(header.get("NCOMBINE", 0)) for header in headers],
            "exposure_s": [float(header.get("EXPTIME", 0.0)) for header in headers],
            "begin_utc": [str(header.get("DATE-BEG", "")) for header in headers],
            "end_utc": [str(header.get("DATE-END", "")) for header in headers],
        }
    )


def _exposures(paths: Iterable[Path]) -> list[tuple[str, float]]:
    """Start and length of each sub that is in one of the channels."""
    rows = [
        row
        for path in paths
        if has_image(path, "INPUTS")
        for row in rows_of(read_columns(path, "INPUTS"))
    ]
    return [(row["start_utc"], row["exposure_s"]) for row in rows if row["state"] == "used"]


def _read(
    paths: Mapping[str, Path], skies: Mapping[str, Path], weights: Weights
) -> tuple[dict[str, np.ndarray], str | None]:
    """Read the channels that some row needs, and the unit that they share."""
    needed = [name for name in paths if any(name in row for row in weights.values())]
    images, units = {}, []
    for name in needed:
        images[name], header = read_flat_image(paths[name], skies.get(name))
        units.append(header.get("BUNIT"))
    return images, units[0] if len(set(units)) == 1 else None


def _white(neutral: np.ndarray, skies: Sequence[Sky], colour: Colour) -> White:
    if len(neutral) < 3:
        return White((1.0,), (0.0,), 0)
    if colour.white == "given":
        scale = colour.scale
        return White((scale.red, scale.green, scale.blue), (0.0, 0.0, 0.0), 0)
    return mean_star(neutral[:3], tuple(sky.noise for sky in skies[:3]))


def _column(values: Iterable[float]) -> np.ndarray:
    return np.array(list(values), dtype=np.float32)[:, None, None]


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
        (f"MAP{i}", f"{name}: " + " + ".join(f"{w:.6g} {c}" for c, w in weights[name].items()), "")
        for i, name in enumerate(names, start=1)
    ]


def _sky_cards(
    names: Sequence[str], skies: Sequence[Sky], share: float, removed: bool
) -> list[tuple]:
    cards: list[tuple] = [
        ("SKYOFF", removed, "SKYLEVn has been taken off"),
        ("SKYSHARE", round(share, 6), "share of the picture that served as sky"),
    ]
    for i, (name, sky) in enumerate(zip(names, skies, strict=True), start=1):
        cards += [
            (f"SKYLEV{i}", float(f"{sky.level:.7g}"), f"sky of {name}, before its factor"),
            (f"SKYSIG{i}", float(f"{sky.noise:.5g}"), f"noise of {name}, before its factor"),
        ]
    return cards


def _white_cards(names: Sequence[str], white: White, colour: Colour) -> list[tuple]:
    if len(white.factors) < 3:
        return []
    cards: list[tuple] = [
        ("WHITE", colour.white, "what is made white"),
        ("WHITENUM", white.stars, "stars that gave the factors"),
    ]
    values = zip(names, white.factors, white.scatter, strict=False)
    for i, (name, factor, scatter) in enumerate(values, start=1):
        cards += [
            (f"WHITE{i}", factor, f"{name} has been multiplied by this"),
            (f"WHITSC{i}", scatter, f"scatter of one star's factor, {name}"),
        ]
    if white.note:
        cards.append(("WHITENOT", white.note, ""))
    return cards


if __name__ == "__main__":
    import json

    from platefiles.joblog import job_log
    from platefiles.provenance import making_cards

    with job_log(snakemake.log[0]):
        job = json.loads(snakemake.params.job)
        settings = job["settings"]
        map_channels(
            {Path(path).stem: Path(path) for path in snakemake.input.channels},
            Path(snakemake.output[0]),
            {name: row for name, row in settings["mapping"].items() if row is not None},
            Colour.model_validate(settings["colour"]),
            [*making_cards("map_channels", job), ("TITLE", job["title"], "what it shows")],
            job,
            path_to_solution=snakemake.input.solution or None,
            paths_to_skies={Path(path).stem: Path(path) for path in snakemake.input.skies},
        )
