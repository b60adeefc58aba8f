"""Link a master that another project made of the same frames."""

import os
import shutil
from pathlib import Path

from platefiles.core.atomic_write import write_whole
from platefiles.core.errors import UserError
from platefiles.core.hashing import digest
from platefiles.jobs.job_log import job_log, log
from platefiles.workflow.staleness import recorded


def share_master(path_to_twin: str | Path, path_to_master: str | Path, job: str) -> None:
    """Make a hard link to a master, or copy it if the disk has no hard links.

    Products are never written into, only replaced, so neither project can change the other's.

    Parameters
    ----------
    path_to_twin : path-like
        The master of another project.
    path_to_master : path-like
        Product.
    job : str
        The job by which both are made.

    Raises
    ------
    UserError
        If the twin was not made by this job.
    """
    path = Path(path_to_master)
    if recorded(os.fspath(path_to_twin)) != digest(job):
        msg = f"{path_to_twin} is not made of the frames of {path}; run again"
        raise UserError(msg)
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        os.link(path_to_twin, temporary)
        os.replace(temporary, path)
        log.info("the same file as %s", path_to_twin)
        return
    except OSError as problem:
        log.info("no second name: %s", problem.strerror)
    finally:
        temporary.unlink(missing_ok=True)
    with open(path_to_twin, "rb") as source:
        write_whole(path, lambda target: shutil.copyfileobj(source, target))
    log.info("a copy of %s", path_to_twin)


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        share_master(snakemake.input.twin, snakemake.output[0], snakemake.params.job)
