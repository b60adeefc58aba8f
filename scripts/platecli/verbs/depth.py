"""The verb `depth`: print the depth of the channels of a project and the gain of more exposure."""

import argparse
import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from platecli.arguments.naming import PROJECTS, add_directory, project_word
from platecli.text.screen import show
from platecli.text.summary import hours_minutes
from platefiles.config.load import load_project
from platefiles.core.errors import UserError
from platefiles.jobs.run_lock import RESULTS

Row = Mapping[str, Any]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `depth`."""
    parser.add_argument(
        "project",
        help="a name in config/projects, or the path of a project file or of its results",
    )
    add_directory(parser)
    parser.epilog = "Limits are for stars of 5 sigma on empty sky."


def run(args: argparse.Namespace) -> int:
    """Print the depth of a project as its last run measured it."""
    from platefiles.fits.products_io import read_header
    from platefiles.photometry.depth_table import (
        read_depths,  # astropy, which the other lines do without
    )

    loaded = load_project(project_word(args.project, args.directory), PROJECTS)
    path = args.directory / RESULTS / loaded.name / "field" / "depth.fits"
    if not path.is_file():
        msg = f"{path}: not measured yet; `platelog.py run {args.project} --to field` measures it"
        raise UserError(msg)
    surface = float(read_header(path)["SURFMAG"])
    show([f"{loaded.name}: {loaded.project.title}"])
    show(depth_lines(read_depths(path), read_depths(path, "NIGHTS"), surface))
    return 0


def depth_lines(channels: Sequence[Row], nights: Sequence[Row], surface: float) -> Iterator[str]:
    """Yield what is to be said of each channel.

    Parameters
    ----------
    channels, nights : sequence of mapping
        Rows of the product.
    surface : float
        The stated surface brightness.
    """
    for row in channels:
        yield f"  {row['channel']}: {_limit(row)}"
        if _known(row["surface_snr"]):
            yield (
                f"    a surface of {surface:g} mag/arcsec2 has S/N {row['surface_snr']:.2g} in 100 "
                f"square arcsec; 3 sigma is {row['surface_limit_mag']:.1f}"
            )
        yield from _night_lines([one for one in nights if one["channel"] == row["channel"]])
        if _known(row["hours_for_02_mag"]):
            yield f"    more: {_more(row)}"
        if _known(row["shortest_sub_s"]):
            yield f"    subs: {_subs(row)}"
        if row["note"]:
            yield f"    note: {row['note']}"


def _limit(row: Row) -> str:
    total = f"{_exposure(row)} in {row['subs']} subs"
    if not _known(row["limit_mag"]):
        return f"no limit, {total}"
    kind = "" if _known(row["zero_point_mag"]) else " instrumental"
    checks = []
    if _known(row["injected_limit_mag"]):
        checks.append(f"injected stars {row['injected_limit_mag']:.2f}")
    if _known(row["expected_limit_mag"]):
        checks.append(f"CCD equation {row['expected_limit_mag']:.2f}")
    told = f" ({', '.join(checks)})" if checks else ""
    about = "" if row["calibrated"] or kind else ", in a band without catalogue magnitudes"
    return f"limit {row['limit_mag']:.2f} mag{kind}{told}, {total}{about}"


def _night_lines(nights: Sequence[Row]) -> Iterator[str]:
    parts = []
    for one in nights:
        gain = f"+{one['gain_mag']:.2f} to " if _known(one["gain_mag"]) else ""
        limit = f"{gain}{one['limit_mag']:.2f}" if _known(one["limit_mag"]) else gain.rstrip(" to")
        parts.append(f"{one['night']} {limit} ({_exposure(one)})".strip())
    if parts:
        yield f"    nights: {'; '.join(parts)}"


def _more(row: Row) -> str:
    text = (
        f"0.2 mag takes {_hours(row['hours_for_02_mag'])}, "
        f"0.5 mag {_hours(row['hours_for_05_mag'])}"
    )
    if not _known(row["hours_to_balance"]):
        return text
    if row["hours_to_balance"] < 0.01:
        return f"{text}; it has the least noise of all channels"
    return f"{text}; to have as little noise as the best channel {_hours(row['hours_to_balance'])}"


def _subs(row: Row) -> str:
    usual, dark = row["shortest_sub_s"], row["shortest_dark_sub_s"]
    return (
        f"read noise adds less than 5 % from {_seconds(usual)} on (darkest sky {_seconds(dark)}); "
        f"now it adds {100 * row['read_noise_share']:.2g} %"
    )


def _exposure(row: Row) -> str:
    return hours_minutes(row["exposure_s"]) if _known(row["exposure_s"]) else "unknown exposure"


def _hours(hours: float) -> str:
    return hours_minutes(3600 * hours if hours * 3600 >= 60 else round(3600 * hours))


def _seconds(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 600 else hours_minutes(seconds)


def _known(value: float) -> bool:
    return not math.isnan(value)
