"""List the FWHM of the stars of each channel."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.core.atomic_write import write_whole
from platefiles.fits.products_io import read_header
from platefiles.jobs.job_log import job_log, log
from platefiles.settings.job import Names, StepJob

_COLUMNS = (
    "channel", "stars", "fwhm_px", "fwhm_error_px", "ellipticity", "softest_ratio",
    "softening_px",
)  # fmt: skip


class Job(StepJob):
    """The job of the list: the channels in the order of the rows."""

    channels: Names


def list_seeing(
    paths_to_skies: Sequence[str | Path], path_to_table: str | Path, job: Mapping[str, Any]
) -> None:
    """Write ``seeing.tsv``.

    Parameters
    ----------
    paths_to_skies : sequence of path-like
        Models of the skies of all channels, which tell the widths of their stars.
    path_to_table : path-like
        Tab-separated, a row a channel: stars looked at, FWHM and its error, ellipticity; the
        FWHM of the softest channel over this one, and the FWHM of the Gaussian that would soften
        this one to it. Values that are not known are left empty.
    job : mapping
        See `Job`.
    """
    headers = {header["CHANNEL"]: header for header in map(read_header, paths_to_skies)}
    widths = [float(header.get("FWHM", np.nan)) for header in headers.values()]
    softest = max((width for width in widths if np.isfinite(width)), default=float("nan"))
    lines = ["\t".join(_COLUMNS)]
    for channel in Job.of(job).channels:
        header = headers[channel]
        row: list[Any] = [channel, header["NSTARS"]]
        if "FWHM" in header:
            fwhm = header["FWHM"]
            row += [fwhm, header["FWHMERR"], header["ELLIPT"], f"{softest / fwhm:.4f}"]
            row.append(f"{np.sqrt(max(softest**2 - fwhm**2, 0.0)):.3f}")
        row += [""] * (len(_COLUMNS) - len(row))
        lines.append("\t".join(str(value) for value in row))
        log.info("%s: FWHM %s px, %d stars", channel, header.get("FWHM", "unknown"), row[1])
    content = "\n".join(lines) + "\n"
    write_whole(path_to_table, lambda target: target.write(content.encode()))


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        list_seeing(
            paths_to_skies=snakemake.input.skies,
            path_to_table=snakemake.output[0],
            job=json.loads(snakemake.params.job),
        )
