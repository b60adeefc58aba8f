"""Write the sources of a field as a list: ECSV, CSV, VOTable, or regions."""

from pathlib import Path

from platefiles.core.atomic_write import write_whole
from platefiles.jobs.job_log import job_log
from platefiles.sources.source_lists import list_writer


def list_sources(path_to_sources: str | Path, path_to_list: str | Path) -> None:
    """Write a list of sources in the format of its extension.

    Parameters
    ----------
    path_to_sources : path-like
        Product of ``identify_sources``.
    path_to_list : path-like
        Ends with ``.ecsv``, ``.csv``, ``.vot`` or ``.reg``.
    """
    content = list_writer(Path(path_to_list).suffix.removeprefix("."))(path_to_sources)
    write_whole(path_to_list, lambda target: target.write(content))


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        list_sources(snakemake.input.sources, snakemake.output[0])
